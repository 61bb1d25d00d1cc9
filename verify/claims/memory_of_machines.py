"""fresh_after_init, instances_independent, same_for_any_block_size, recovers_from_nan: what a machine remembers."""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import product
from math import ceil
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from verify.claims.base import PROTECTIVE, number_text, positive_limit, reason
from verify.claims.in_time import Judgement, TimeClaim, first_true, last_true
from verify.errors import SheetError
from verify.number_formats import counted, figure

if TYPE_CHECKING:
    from verify.machines.machine import Machine
    from verify.machines.observation import Observation
    from verify.machines.script import Script


def first_difference(one: np.ndarray, other: np.ndarray) -> int:
    """First sample whose bits differ (any two NaNs are equal), -1 when there is none."""
    count = min(len(one), len(other))
    a, b = one[:count], other[:count]
    if a.dtype.kind == "f":
        whole = np.dtype(f"u{a.dtype.itemsize}")
        differ = (a.view(whole) != b.view(whole)) & ~(np.isnan(a) & np.isnan(b))
    else:
        differ = a != b
    place = first_true(differ)
    return place if place >= 0 or len(one) == len(other) else count


def compared(seen: Observation, variants: tuple[str, ...], words: dict[str, str], wanted: str) -> Judgement:
    """Judgement that every variant of the script gave the same bits."""
    found = Judgement()
    for variant in variants:
        other = seen.variants.get(variant)
        if other is None:
            continue
        for output in seen.machine.outputs:
            k = first_difference(seen.raw[output.name], other[output.name])
            ya, yb = seen.raw[output.name], other[output.name]
            got = ""
            if k >= 0:
                first = f"{ya[k]!s}" if k < len(ya) else "no sample"
                second = f"{yb[k]!s}" if k < len(yb) else "no sample"
                got = f"{output.name} {first}; {second} {words[variant]}"
            found.note(0.0 if k < 0 else 1.0, max(k, 0), k >= 0, got, wanted, f"differs {words[variant]}" if k >= 0 else "")
    return found


@dataclass(frozen=True)
class FreshAfterInit(TimeClaim):
    """After init the machine behaves the same whatever its memory held before.

    Fails when: other memory (all ones, 0x7f, words of 1) or a used state changes the output. Cannot see: fields that no
    script uses.
    """

    because: str = PROTECTIVE
    name: ClassVar[str] = "fresh_after_init"
    judges_hostile: ClassVar[bool] = True
    variants: ClassVar[tuple[str, ...]] = ("memory of ones", "memory of 0x7f", "memory of 1", "used memory")

    def judge(self, seen: Observation) -> Judgement:
        words = {"memory of ones": "when the state's memory held 0xff before init",
                 "memory of 0x7f": "when the state's memory held 0x7f before init",
                 "memory of 1": "when each 32-bit word of the state's memory held 1 before init",
                 "used memory": "when init was called again after use"}
        return compared(seen, self.variants, words, "the same samples, whatever the memory held before init")


@dataclass(frozen=True)
class InstancesIndependent(TimeClaim):
    """Two instances that take turns behave as each alone.

    Fails when: one changes what the other gives (a static local, a shared table that is written), or writes into the
    other's state at all. Cannot see: writes that put back what was there.
    """

    because: str = PROTECTIVE
    name: ClassVar[str] = "instances_independent"
    judges_hostile: ClassVar[bool] = True
    variants: ClassVar[tuple[str, ...]] = ("beside another",)

    def judge(self, seen: Observation) -> Judgement:
        found = compared(seen, self.variants, {"beside another": "while a second instance ran in turns with it"},
                         "the same samples as alone")
        at, byte = seen.touched
        if at >= 0 and not found.failing:
            found.note(1.0, at, True, f"byte {byte} of its state has changed", "a state that only its own calls change",
                       f"one instance wrote into the state of another by sample {at}, byte {byte}: a pointer that both "
                       "use, or an index out of bounds")
        return found


@dataclass(frozen=True)
class SameForAnyBlockSize(TimeClaim):
    """The same stream, cut into other block lengths, gives the same samples.

    Fails when: one differs in bits (or by more than the limit). Lengths tried: 1, 7, 64, 1009, random.
    """

    limit: Fraction
    because: str
    name: ClassVar[str] = "same_for_any_block_size"
    judges_hostile: ClassVar[bool] = True
    variants: ClassVar[tuple[str, ...]] = ("blocks of 1", "blocks of 7", "blocks of 1009", "random blocks")

    def limit_text(self) -> str:
        return number_text(self.limit) if self.limit else ""

    def check_machine(self, machine: Machine, where: str) -> None:
        if not machine.block:
            raise SheetError("same_for_any_block_size is about block routines", where=where,
                             why=f"{machine.name} makes one sample per call", todo="remove the claim, or describe block=...")

    def judge(self, seen: Observation) -> Judgement:
        words = {variant: f"in {variant}" for variant in self.variants}
        if not self.limit:
            return compared(seen, self.variants, words, "the same samples for any block length")
        found = Judgement()
        for variant in self.variants:
            other = seen.variants.get(variant)
            if other is None:
                continue
            for output in seen.machine.outputs:
                a = seen.doubles(output.name)
                b = other[output.name].astype(np.float64) * float(output.scale)
                count = min(len(a), len(b))
                off = np.abs(a[:count] - b[:count])
                one_nan = np.isnan(a[:count]) != np.isnan(b[:count])
                off = np.where(one_nan, np.inf, np.nan_to_num(off, nan=0, posinf=np.inf))
                k = int(off.argmax()) if count else 0
                size = float(off[k]) if count else 0.0
                found.note(size, k, Fraction(size) > self.limit if np.isfinite(size) else True,
                           f"{output.name} {figure(a[k])}; {figure(b[k])} in {variant}" if count else "",
                           f"within {number_text(self.limit)}", f"{figure(size)} apart")
        return found


def same_for_any_block_size(*, because: str, limit: float = 0) -> SameForAnyBlockSize:
    """limit 0: the same bits."""
    return SameForAnyBlockSize(positive_limit(limit, "same_for_any_block_size"), reason(because, "same_for_any_block_size"))


@dataclass(frozen=True)
class RecoversFromNan(TimeClaim):
    """After a NaN or infinity went in and is gone, the output is finite again within a time, and stays so.

    Fails when: it is not. Needs hostile=True in the sheet, which lets such values in. An event argument that became NaN
    is gone once the event comes again with a number.
    """

    seconds: Fraction
    of: str
    because: str
    name: ClassVar[str] = "recovers_from_nan"
    judges_hostile: ClassVar[bool] = True
    unit: ClassVar[str] = "s"

    def limit_text(self) -> str:
        return f"{number_text(self.seconds)} s"

    def check_machine(self, machine: Machine, where: str) -> None:
        if not machine.hostile:
            raise SheetError("recovers_from_nan needs hostile=True", where=where,
                             why="without it no NaN is ever sent in", todo="add hostile=True to the machine's entry")

    def scripts(self, machine: Machine) -> list[Script]:
        """NaN, infinity and minus infinity through each way in, one sample long and 64, with what is plain after it."""
        from verify.machines.drives import resting
        from verify.machines.script import SPECIALS, Happening, Piece, Script

        rest = tuple((resting(grid),) for grid in machine.inputs)
        samples = ceil(self.seconds * machine.sample_rates_hz[0]) + 256
        found = []
        for bad, length in product(SPECIALS, (1, 64)):
            for number, grid in enumerate(machine.inputs):
                if grid.kind == "float32":
                    pieces = (rest[number][0], Piece(16, "hold", bad), replace(rest[number][0], start=16 + length))
                    found.append(Script(0, samples, (), (*rest[:number], pieces, *rest[number + 1 :])))
            for kind, event in enumerate(machine.events):
                middle = tuple(grid.index_near((grid.low + grid.high) / 2) for grid in event.arguments)
                for number, grid in enumerate(event.arguments):
                    if grid.kind == "float32":
                        places = (*middle[:number], bad, *middle[number + 1 :])
                        events = (Happening(16, kind, places), Happening(16 + length, kind, middle))
                        found.append(Script(0, samples, events, rest))
        return found

    def clean_from(self, seen: Observation) -> int:
        """First sample from which only finite values are in force; -1 when there is none, or no NaN went in."""
        last = -1
        bad: dict[tuple[int, int], bool] = {}
        for e in seen.script.events:
            for number, place in enumerate(e.places):
                was = bad.get((e.kind, number), False)
                bad[e.kind, number] = place < 0
                if place < 0 or was:
                    last = max(last, e.sample)
        if any(bad.values()):
            return -1
        for pieces in seen.script.streams:
            for number, piece in enumerate(pieces):
                if piece.a < 0 or piece.b < 0:
                    if number + 1 == len(pieces):
                        return -1
                    last = max(last, pieces[number + 1].start)
        return last

    def judge(self, seen: Observation) -> Judgement:
        y, found = seen.doubles(self.of), Judgement()
        start = self.clean_from(seen)
        if start < 0:
            return found
        due = start + ceil(self.seconds * seen.rate_hz)
        if due >= len(y):
            return found
        odd = last_true(~np.isfinite(y[due:]))
        found.note(float(odd + 1) / float(seen.rate_hz), due + max(odd, 0), odd >= 0, f"{figure(y[due + max(odd, 0)])}",
                   f"finite from sample {due} on", f"not finite {counted(odd + 1, 'sample')} after the time is over")
        return found


def recovers_from_nan(*, seconds: float, because: str, of: str = "") -> RecoversFromNan:
    """Time from the last bad value to a finite output that stays finite."""
    return RecoversFromNan(positive_limit(seconds, "recovers_from_nan"), of, reason(because, "recovers_from_nan"))


def fresh_after_init() -> FreshAfterInit:
    """On by default."""
    return FreshAfterInit()


def instances_independent() -> InstancesIndependent:
    """On by default where the machine has a state object."""
    return InstancesIndependent()
