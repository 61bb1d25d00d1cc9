"""What can go wrong before the firmware runs: one class per cause, each message in four parts."""

from __future__ import annotations


class ShimError(Exception):
    """Base of everything this package raises on purpose.

    Shape:  code, what, where, why, todo are texts without line breaks; ``str()`` gives four lines.
    Errors: none; instances survive pickling between processes.
    ``exit_code`` of every command that it ends: 3, it could not be run here; 2 where the sheet asks for
    what is not there.
    """

    code = "S100"
    routines: tuple[str, ...] = ()  # where only these are hit: the rest goes on without them
    exit_code = 3

    def __init__(self, what: str, where: str, why: str, todo: str) -> None:
        super().__init__(what, where, why, todo)
        self.what, self.where, self.why, self.todo = (_one_line(t) for t in (what, where, why, todo))

    def brief(self) -> str:
        """One line; the reason only where it is told nowhere else."""
        return f"{self.what}: {self.why}" if self.routines else self.what

    def __str__(self) -> str:
        return (
            f"{self.what}  [{self.code}]\n  where   {self.where}\n  why     {self.why}\n  do      {self.todo}"
        )


def _one_line(text: str) -> str:
    return "; ".join(line.strip() for line in text.splitlines() if line.strip())


class PlatformUnsupported(ShimError):
    """The host is not Linux on x86-64 or AArch64."""

    code = "S101"


class CompilerMissing(ShimError):
    """No host C compiler was found, or the one named cannot compile an empty file."""

    code = "S102"


class SourceMissing(ShimError):
    """A source, header or folder named in the request is not there or cannot be used."""

    code = "S103"
    exit_code = 2


class UnknownFlag(ShimError):
    """A flag that may change meaning and that the host compiler does not know."""

    code = "S104"

    flag: str = ""


class CompileFailed(ShimError):
    """The compiler or the linker refused the author's code.

    Shape:  the FIRST error as file, line, column (1-based, 0 = unknown) and text; every header that
            was not found; ``symbol`` for an undefined or doubly defined symbol; ``log`` whole.
    """

    code = "S105"

    def __init__(
        self,
        what: str,
        where: str,
        why: str,
        todo: str,
        *,
        file: str = "",
        line: int = 0,
        column: int = 0,
        text: str = "",
        missing_headers: tuple[str, ...] = (),
        symbol: str = "",
        log: str = "",
    ) -> None:
        super().__init__(what, where, why, todo)
        self.file, self.line, self.column, self.text = file, line, column, text
        self.missing_headers, self.symbol, self.log = missing_headers, symbol, log


class SymbolMissing(ShimError):
    """No source defines the routine asked for; ``nearest`` holds names that resemble it."""

    code = "S106"
    exit_code = 2

    def __init__(
        self, what: str, where: str, why: str, todo: str, *, name: str = "", nearest: tuple[str, ...] = ()
    ) -> None:
        super().__init__(what, where, why, todo)
        self.name, self.nearest = name, nearest


class UnsupportedPrototype(ShimError):
    """The routine takes or returns something a block loop cannot carry; ``parameter`` names it."""

    code = "S107"
    exit_code = 2

    def __init__(self, what: str, where: str, why: str, todo: str, *, parameter: str = "") -> None:
        super().__init__(what, where, why, todo)
        self.parameter = parameter
