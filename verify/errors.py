"""What can go wrong for the user: one class per cause, each message in four parts."""

from __future__ import annotations

import difflib
import errno
import traceback
from collections.abc import Iterable
from pathlib import Path


class PreflashError(Exception):
    """Base: what happened, where, why, and what to do about it, with a code listed in DEVELOPERS.md."""

    code = "V100"
    exit_code = 2

    def __init__(self, what: str, *, where: str, why: str, todo: str) -> None:
        super().__init__(what)
        self.what, self.where, self.why, self.todo = what, where, why, todo

    def __str__(self) -> str:
        rows = [("where", self.where), ("why", self.why), ("do", self.todo)]
        lines = [f"{self.what}  [{self.code}]"]
        for label, text in rows:
            first, *rest = text.splitlines() or [""]
            lines.append(f"  {label:<7} {first}")
            lines += [f"          {line}" for line in rest]
        return "\n".join(lines)


class SheetError(PreflashError):
    """The sheet says something that cannot be meant."""

    code = "V110"


class SheetUnreadable(PreflashError):
    """The sheet is missing, empty, or not Python."""

    code = "V111"


class UsageError(PreflashError):
    """The command line asks for something that is not there."""

    code = "V120"


class BindingError(PreflashError):
    """The sheet and the C disagree: symbol, number or type of parameters."""

    code = "V130"


class ToolFault(PreflashError):
    """A fault of preflash itself. It can never become a verdict of holds."""

    code = "V190"
    exit_code = 3


def own_fault(problem: Exception) -> PreflashError:
    """What nobody expected, said as a fault of preflash in one message; a disk that takes nothing is no fault of its own."""
    if isinstance(problem, OSError) and problem.errno in _NO_WRITING:
        return UsageError("a file cannot be written", where=str(problem.filename or "the temporary folder"),
                          why=problem.strerror or str(problem),
                          todo="free space there or let it be written; TMPDIR and XDG_CACHE_HOME name other places")
    last = traceback.extract_tb(problem.__traceback__)[-1]
    return ToolFault("preflash's own fault", where=f"{Path(last.filename).name}:{last.lineno}",
                     why=f"{type(problem).__name__}: {problem}",
                     todo="please report this with the sheet; nothing was judged")


_NO_WRITING = (errno.ENOSPC, errno.EDQUOT, errno.EACCES, errno.EPERM, errno.EROFS)


def nearest_words(word: str, known: Iterable[str]) -> str:
    """Text that offers the nearest known words: "did you mean ...?"; a list when nothing is near."""
    names = sorted(known)
    same = [name for name in names if name.casefold() == word.casefold()]
    near = same or difflib.get_close_matches(word, names, n=3, cutoff=0.55)
    if near:
        return "did you mean " + " or ".join(near) + "?"
    shown = ", ".join(names[:24]) + (", ..." if len(names) > 24 else "")
    return f"known are: {shown}" if names else "there are none"
