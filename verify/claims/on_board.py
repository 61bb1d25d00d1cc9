"""same_on_board: the board's code gives what this computer's gives."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import ClassVar

import numpy as np

from firmware_shim.board_places import NOT_NEWLIB
from firmware_shim.engine import NUMPY_TYPES
from firmware_shim.job import Test
from verify.board_facts import library_functions
from verify.claims.base import Assessment, Case, Claim, number_text, positive_limit, reason
from verify.errors import SheetError
from verify.judging.exact import output_value
from verify.number_formats import figure
from verify.routine import Bound, Routine

BITS = -1.0
NEEDS_HOST = "there is no host build in this sheet to compare with"


@dataclass(frozen=True)
class SameOnBoard(Claim):
    """Host and board give the same result for every input that was run: bit by bit, or within ulp.

    Fails when: one result differs by more; integers are compared as numbers, NaN payloads not at all.
    Cannot see: which of the two is right (accurate says so, in each build).
    """

    ulp: Fraction | None
    because: str
    name: ClassVar[str] = "same_on_board"
    builds: ClassVar[tuple[str, ...]] = ("board",)
    variants: ClassVar[tuple[str, ...]] = ("this computer",)

    def limit_text(self) -> str:
        return "bits=True" if self.ulp is None else f"ulp={number_text(self.ulp)}"

    def check(self, routine: Routine, where: str) -> None:
        if routine.stages is not None and routine.stages.voice is not None:
            machine = routine.stages.voice.machine.name
            raise SheetError("same_on_board on a path that ends in a machine", where=where,
                             why=f"the board runs it up to {machine} only; the signal is measured on this computer",
                             todo=f"claim it on {machine}, and on a path that ends before it")
        if self.ulp is not None and routine.output.fraction_bits:
            raise SheetError("ulp= does not fit a fixed-point result", where=where, why="integers are equal or they are not",
                             todo="write same_on_board(bits=True, ...)")

    def test(self, bound: Bound) -> Test | None:
        host = bound.host
        if host is None:
            return None
        high = BITS if self.ulp is None else float(self.ulp)
        return Test("same", high=high, second=host.loop, second_library=host.library, second_type=host.output_type,
                    second_inputs=host.domain.type_numbers)

    def assess(self, case: Case) -> Assessment:
        if case.slot < 0:
            return Assessment(blocked=NEEDS_HOST)
        total, slot = case.total, case.slot
        found = Assessment(valid=total.found(slot, "judged"), failing=total.found(slot, "failing"))
        found.every_value = case.every_value
        if case.bound.board is not None and NOT_NEWLIB in case.bound.board.c_library:
            found.facts.append(f"the board build has {case.bound.board.c_library}: its functions may give other bits")
        found.first_failing, found.last_failing = total.failing_ends(slot)
        apart, at = total.error(slot, "most")
        found.worst_unit = "ulp" if case.bound.float_output else "steps"
        if at >= 0 and math.isfinite(apart):
            found.worst, found.worst_at = apart, at
            found.times_limit = apart / float(self.ulp) if self.ulp else None
        if found.failing:
            found.witness = found.worst_at = at if at >= 0 else found.first_failing
            self.explain(case, found)
            if case.every_value:
                share = found.failing / max(1, found.valid)
                found.share, found.share_of = (share, share, share), "every value"
        return found

    def explain(self, case: Case, found: Assessment) -> None:
        """The two results at the witness, which one the reference supports, and where they part."""
        bound, host = case.bound, case.bound.host
        assert host is not None and found.witness is not None
        here = case.probe.outputs(host, [found.witness])[0]
        there = case.probe.outputs(bound, [found.witness])[0]
        if here is None or there is None:
            found.error_text = "one of the two did not come back"
            return
        found.wanted_text = f"{shown(here, host)}, as on this computer"
        found.error_text = f"the board gives {shown(there, bound)}"
        if bound.float_output and found.worst is not None:
            found.error_text += f", {figure(found.worst)} ulp away"
        supported = self.supported(case, found.witness, here, there)
        if supported:
            found.facts.append(supported)
        if bound.board is not None:
            plain = bound.board.rebuilt("-ffp-contract=off")
            raws = bound.domain.raw_bits(found.witness)
            if plain is not None and bound.float_output and case.probe.outside(plain, [raws])[0] == here:
                found.facts.append("built for the board with -ffp-contract=off the two agree here: its compiler fuses "
                                   "multiplication and addition")
        names = library_functions(case.probe, bound, bound.domain.raw_bits(found.witness))
        if names:
            found.facts.append(f"C library functions that the board runs here: {', '.join(names[:8])}")
        if host.output_type != bound.output_type or host.domain.type_numbers != bound.domain.type_numbers or any(
                text.startswith("width differs") for text in host.notes):
            found.facts.append("objects of this routine have other widths on the board: see its notes")

    def supported(self, case: Case, ordinal: int, here: bytes, there: bytes) -> str:
        """Which of the two results is nearer to the reference."""
        from verify.judging.exact import enclosed

        bound, routine = case.bound, case.bound.routine
        assert bound.host is not None
        if routine.reference is None:
            return ""
        low, high = enclosed(routine.reference, bound.domain.values(ordinal), routine.constants, 200)
        wanted = (low + high) / 2
        values = []
        for raw, side in ((here, bound.host), (there, bound)):
            scale = Fraction(1) if side.float_output else routine.output.scale
            values.append(output_value(raw, side.output_type, scale)[1])
        errors = [abs(value - wanted) if value is not None else None for value in values]
        if errors[0] is None or errors[1] is None:
            return "the reference supports " + ("the board" if errors[0] is None else "this computer")
        if errors[0] == errors[1]:
            return f"the reference wants {float(wanted):.12g}: both are equally far from it"
        nearer = "the board" if errors[1] < errors[0] else "this computer"
        return f"the reference wants {float(wanted):.12g}: {nearer} is nearer"


def shown(raw: bytes, bound: Bound) -> str:
    """A raw result as a number, with its bits."""
    value = np.frombuffer(raw, NUMPY_TYPES[bound.output_type])[0]
    text = figure(value) if bound.float_output else str(int(value))
    return f"{text} (0x{raw[::-1].hex()})"


def same_on_board(*, bits: bool = False, ulp: float | None = None, because: str = "") -> SameOnBoard:
    """same_on_board(bits=True, because="...") or same_on_board(ulp=2, because="...")."""
    if bits == (ulp is not None):
        raise SheetError("same_on_board needs one of bits=True and ulp=", where="same_on_board(...)",
                         why="both given" if bits else "none given", todo='write same_on_board(bits=True, because="...")')
    limit = None if ulp is None else positive_limit(ulp, "same_on_board(ulp=...)")
    return SameOnBoard(limit, reason(because, "same_on_board"))
