"""What a finished image that runs in place of the sources has to do with them."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

from firmware_shim.build import Request
from firmware_shim.call_source import CallCode
from firmware_shim.errors import ShimError
from firmware_shim.machine_source import MachineCode


def image_notes(request: Request, core: str, library: str, name: str, identity: str, cache: Path) -> tuple[str, ...]:
    """What the image in place of the sources means for one routine or machine.

    Shape: ``library`` the board build that took the image, ``identity`` tells builds of one path apart.
    """
    from firmware_shim.board_build import build_board  # wanted with an image only
    from firmware_shim.board_same_code import other_code

    assert request.image is not None
    ran = f"runs from {request.image.name}"
    every: list[CallCode | MachineCode] = [*request.calls, *request.machines]
    texts = [text for text in every if text.name == name]
    here = ""
    if texts:
        made = json.loads(Path(library).with_name("manifest.json").read_text()).get("inlined", {}).get(name, [])
        here = f"; {', '.join(made)}, inline in a header, compiled here as in any caller" if made else ""
    try:
        own = build_board(replace(request, image=None), core, cache)
    except ShimError as problem:
        return (f"{ran}; not compared with the sources: {problem.what}{here}",)
    words = {word for text in texts for word in text.words()} or {name}
    other = other_code(Path(library), own.library, words, f"{identity} {own.key}", some=bool(texts))
    if not other:
        return (f"{ran}: the same code as the sources give with the sheet's flags{here}",)
    return (f"{ran}: its code differs from what the sources give with the sheet's flags, in {', '.join(other[:6])}{here}",)
