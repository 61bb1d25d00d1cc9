"""The command preflash: parsing and exit codes only.

Exit codes: 0 all hold, 1 something fails, 2 sheet or usage error, 3 undecided, vacuous or blocked,
130 interrupted. In every command alike: 2 where the sheet or the command asks for what is not there, 3 where it
could not be run here (no compiler, C that does not compile).
"""

from __future__ import annotations

import argparse
import gc
import importlib
import os
import re
import sys
from collections.abc import Sequence
from pathlib import Path
from types import ModuleType
from typing import NoReturn

from firmware_shim.compiler import require_platform
from firmware_shim.errors import ShimError
from verify.cache_place import cache_folder
from verify.commands import check
from verify.console import CAUTION, ERRORS
from verify.errors import PreflashError, UsageError, nearest_words, own_fault

# In the order of the help text; each is a module of verify.commands.
COMMANDS = (
    *("check", "accept", "compare", "watch", "look", "notes", "cost", "render", "replay", "report", "forget", "challenge"),
    *("stub", "new", "completion"),
)

EXITS = f"0 done, {ERRORS}"


def commands() -> dict[str, ModuleType]:
    """Every command by name."""
    modules = [importlib.import_module(f"verify.commands.{name}") for name in COMMANDS]
    return {module.NAME: module for module in modules}


class CommandParser(argparse.ArgumentParser):
    """A parser that offers the nearest command for one that is not there."""

    def error(self, message: str) -> NoReturn:
        wrong = re.match("argument COMMAND: invalid choice: '(.*?)'", message)
        if wrong is None:
            super().error(message)
        raise UsageError(f"no command {wrong[1]!r}", where="preflash", why="it is none of its commands",
                         todo=f"{nearest_words(wrong[1], COMMANDS)} (preflash --help)")


def unknown(command: str, word: str) -> UsageError:
    """What a command does not take, with its nearest option."""
    own = argparse.ArgumentParser()
    commands()[command].add(own)
    options = [text for action in own._actions for text in action.option_strings if text.startswith("--")]
    if not word.startswith("-"):
        return UsageError(f"one word too many: {word!r}", where=f"preflash {command}", why="it takes fewer",
                          todo=f"preflash {command} --help shows what it takes")
    return UsageError(f"no option {word!r}", where=f"preflash {command}", why="it is none of its options",
                      todo=f"{nearest_words(word.partition('=')[0], options)} (preflash {command} --help)")


def parser() -> argparse.ArgumentParser:
    """The whole command line."""
    top = CommandParser(
        prog="preflash",
        description="Check the math of an electronic instrument's firmware before it is flashed.",
        epilog=f"Exit codes: {check.SUMMED}, 130 interrupted. {CAUTION}",
    )
    places = top.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for name, module in commands().items():
        module.add(places.add_parser(name, help=module.HELP, description="Example: " + module.EXAMPLE,
                                     epilog="Exit codes: " + getattr(module, "EXITS", EXITS) + "."))
    return top


def require_folder() -> None:
    """Raise UsageError where the current folder was removed meanwhile."""
    try:
        Path.cwd()
    except OSError as problem:
        raise UsageError("the current folder is gone", where="where preflash was started", why=str(problem),
                         todo="change to a folder that is there, and start it again") from problem


def main(arguments: Sequence[str] | None = None) -> int:
    """Entry point; returns the exit code."""
    # Judging multiplies small matrices, beside other processes: more threads only wait for each other there.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        options, left = parser().parse_known_args(arguments)
        if left:
            raise unknown(options.command, left[0])
        require_platform()
        require_folder()
        # Its constants would come to lie in a folder beside the person's own work.
        os.environ.setdefault("HYPOTHESIS_STORAGE_DIRECTORY", str(cache_folder() / "hypothesis"))
        options.has_just_begun = arguments is None  # this process is the command's own
        return int(commands()[options.command].run(options))
    except (PreflashError, ShimError) as problem:
        print(problem, file=sys.stderr)
        return problem.exit_code
    except KeyboardInterrupt:
        print("interrupted", file=sys.stderr)
        return 130
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except Exception as problem:
        # Whatever else goes wrong is a fault of preflash: said as such, in one message, and never a verdict.
        fault = own_fault(problem)
        print(fault, file=sys.stderr)
        return fault.exit_code
    finally:
        gc.enable()


if __name__ == "__main__":
    sys.exit(main())
