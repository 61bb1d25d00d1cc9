"""Where in the C a machine's hidden event was raised: the script runs again and stops at the instruction."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

from firmware_shim.crew import Crew
from firmware_shim.engine import FLAG_KINDS
from verify.claims.base import Claim
from verify.claims.in_time import Judgement
from verify.machines.running import LONGEST_KEPT, Stand
from verify.machines.script import Script
from verify.probing import named_place

# Where a trap can be asked for; the board's events are told by the emulator.
TRAPPING = ("host",)


def pinned(claim: Claim, stand: Stand, script: Script, found: Judgement, crew: Crew) -> Judgement:
    """The judgement with function, file and line in its error, where the claim is about events and they can be told."""
    kind = next((number for number, word in enumerate(FLAG_KINDS) if found.got.startswith(word)), -1)
    if claim.name != "no_hidden_events" or not found.failing or kind < 0 or stand.build not in TRAPPING:
        return found
    if script.samples > LONGEST_KEPT:
        return found
    result = crew.run(replace(stand.job([script]), trap_kinds=1 << kind))
    if result.trap_offset is None:
        return found
    if os.path.realpath(stand.library) == result.trap_library:
        place = named_place(stand.library, result.trap_offset)
    else:
        place = Path(result.trap_library).name or "code outside every file"
    return replace(found, error=f"{FLAG_KINDS[kind]} in {place}, at sample {found.at}")
