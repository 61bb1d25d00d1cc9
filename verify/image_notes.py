"""What a finished image that runs in place of the sources has to do with them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from firmware_shim.board_build import build_board
from firmware_shim.board_same_code import other_code
from firmware_shim.build import Request
from firmware_shim.errors import ShimError
from verify.routine import Bound


def image_notes(request: Request, core: str, bound: Bound, cache: Path) -> tuple[str, ...]:
    """What a finished image that runs in place of the sources has to do with them."""
    if request.image is None:
        return ()
    ran = f"runs from {request.image.name}"
    try:
        own = build_board(replace(request, image=None), core, cache)
    except ShimError as problem:
        return (f"{ran}; not compared with the sources: {problem.what}",)
    other = other_code(Path(bound.library), own.library, bound.routine.name, f"{bound.identity} {own.key}")
    if not other:
        return (f"{ran}: the same code as the sources give with the sheet's flags",)
    return (f"{ran}: its code differs from what the sources give with the sheet's flags, in {', '.join(other[:6])}",)
