"""The C library of a board build without a cross compiler: made before a check begins, announced, outside its time."""

from __future__ import annotations

import contextlib

from firmware_shim.errors import ShimError
from verify.binding import cache_folder
from verify.hunt import Progress
from verify.sheet import Sheet


def library_first(sheet: Sheet, progress: Progress) -> None:
    """Make what the sheet's board build still lacks, if that build is the package's. Errors: none, the build tells them."""
    if sheet.core is None or not any(build.startswith("board") for build in sheet.builds):
        return
    from firmware_shim.board_build import library_to_make  # dear, and wanted with a board only

    make = library_to_make(sheet.board_compiler, sheet.core, cache_folder())
    if make is None:
        return
    progress(f"making a C library for {sheet.core} (musl, by ziglang): once, a minute or two", 0, 1)
    with contextlib.suppress(ShimError):
        make()
