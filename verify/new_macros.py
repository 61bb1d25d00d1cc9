"""Numbers that the author's own text defines: macros, constants, and the first values of calibration structs."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path

_NUMBER = r"[-+]?(?:0[xX][0-9a-fA-F.]+(?:[pP][-+]?\d+)?|\d+\.?\d*(?:[eE][-+]?\d+)?|\.\d+(?:[eE][-+]?\d+)?)[fFuUlL]*"
_DEFINE = re.compile(rf"^[ \t]*#[ \t]*define[ \t]+(\w+)[ \t]+\(?({_NUMBER})\)?[ \t]*(?:/[/*].*)?$", re.M)
_CONSTANT = re.compile(
    rf"\b(?:const|constexpr)\s+(?:static\s+|inline\s+)?[\w:]+(?:\s+const)?\s+(\w+)\s*(?:=|\{{)\s*({_NUMBER})\s*[;}}]"
)


def numbers_in(files: Iterable[Path]) -> dict[str, str]:
    """Name -> number as written, of all macros and constants whose value is a plain number."""
    found: dict[str, str] = {}
    for path in files:
        text = without_comments(path.read_text(encoding="utf-8", errors="replace"))
        for name, value in (*_DEFINE.findall(text), *_CONSTANT.findall(text)):
            # 0 is no end of a range, and a stand-in's value is not known.
            if "preflash_guesses" not in path.name:
                found.setdefault(name.upper() if name.islower() else name, value)
    return found


def without_comments(text: str) -> str:
    """C text with comments blanked; lines stay where they are."""
    return re.sub(r"//[^\n]*|/\*.*?\*/", lambda m: re.sub(r"[^\n]", " ", m.group()), text, flags=re.S)


def first_values(files: Iterable[Path], type_name: str) -> str:
    """The braces with which the author initialises a variable of a struct type, "" if none or not of plain numbers."""
    bare = re.escape(type_name.removeprefix("struct ").removeprefix("const "))
    pattern = re.compile(rf"\b(?:struct\s+)?{bare}\s+\w+\s*=?\s*(\{{[^;{{}}]*\}})\s*;")
    for path in files:
        found = pattern.search(without_comments(path.read_text(encoding="utf-8", errors="replace")))
        if found and re.fullmatch(rf"\{{(?:\s*(?:\.\w+\s*=\s*)?{_NUMBER}\s*,?)+\s*\}}", found.group(1)):
            return re.sub(r"\s+", " ", found.group(1))
    return ""


def values_by_member(braces: str, members: Iterable[str]) -> dict[str, str]:
    """Member -> number of an initialiser, plain or with designators."""
    named = dict(re.findall(rf"\.(\w+)\s*=\s*({_NUMBER})", braces))
    if named:
        return named
    return dict(zip(members, re.findall(_NUMBER, braces), strict=False))
