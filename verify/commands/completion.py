"""preflash completion: the text that teaches a shell to complete preflash's commands and options."""

from __future__ import annotations

import argparse

from firmware_shim.installing import how_to_install
from verify.errors import UsageError

NAME = "completion"
HELP = "print the completion script of a shell"
EXAMPLE = "preflash completion bash > ~/.local/share/bash-completion/completions/preflash"
SHELLS = ("bash", "zsh", "tcsh")


def add(parser: argparse.ArgumentParser) -> None:
    """The arguments."""
    parser.add_argument("shell", choices=SHELLS)


def run(options: argparse.Namespace) -> int:
    """Print it."""
    try:
        import shtab
    except ImportError as problem:
        raise UsageError("completion needs a small library", where="Python package shtab", why="it is not installed",
                         todo=how_to_install("completion")) from problem
    from verify.command_line import parser

    print(shtab.complete(parser(), options.shell))
    return 0
