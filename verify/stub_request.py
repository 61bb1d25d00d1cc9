"""From the words of a command line to a build request: of a sheet, or of sources that have none yet."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from firmware_shim.build import Request
from firmware_shim.compile_commands import flags_for
from firmware_shim.errors import ShimError
from verify.binding import request_for
from verify.errors import UsageError
from verify.sheet import Sheet, load_sheet


def request_of(options: argparse.Namespace) -> tuple[Request, Path]:
    """The request, and the folder that the sheet is or will be in.

    Errors: UsageError when a sheet is mixed with sources; SheetErrors of the sheet.
    """
    targets = [Path(target) for target in options.targets]
    if any(target.suffix == ".py" for target in targets):
        if len(targets) > 1:
            raise UsageError("one sheet, or sources", where=" ".join(map(str, targets)),
                             why="a sheet names its sources itself", todo=f"preflash stub {targets[0]}")
        sheet = load_sheet(targets[0])
        request = request_for(sheet, "host")
        more = tuple(Path(folder).resolve() for folder in options.include)
        return replace(request, include=(*request.include, *more), routines=()), sheet.file.parent
    sheet = sheet_of(options, targets)
    return request_for(sheet, "host"), sheet.file.parent


def sheet_of(options: argparse.Namespace, sources: list[Path]) -> Sheet:
    """A sheet without routines, beside the first source, for the given build options.

    Without --flags and --compile-commands, a compile_commands.json near the sources that knows them all is taken.
    """
    base = sources[0].resolve().parent
    words = {} if options.flags is None else {"flags": options.flags}
    database = options.compile_commands
    if not database and options.flags is None:
        database = found_database(base, sources)
        if database:
            print(f"flags  {database}")
    sheet = Sheet(sources=[str(source.resolve()) for source in sources], defines=options.define,
                  include=[str(Path(folder).resolve()) for folder in options.include],
                  compile_commands=str(Path(database).resolve()) if database else "", **words)
    sheet.file = base / "new_sheet.py"
    return sheet


def found_database(base: Path, sources: Sequence[Path]) -> str:
    """A compile_commands.json in the sources' folder, the one above, or a build folder of either; "" if none fits."""
    for folder in (base, base.parent):
        places = [folder, folder / "build", *sorted(folder.glob("cmake-build-*")), *sorted(folder.glob("build/*"))]
        for path in (place / "compile_commands.json" for place in places):
            if path.is_file():
                try:
                    flags_for(path, [source.resolve() for source in sources])
                except ShimError:
                    continue
                return str(path)
    return ""
