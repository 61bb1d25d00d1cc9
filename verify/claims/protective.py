"""returns, deterministic, no_hidden_events, no_undefined_behaviour: on for every routine."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

import numpy as np

from firmware_shim.clang_strict import VARIANT
from firmware_shim.engine import FLAG_KINDS, NUMPY_TYPES
from firmware_shim.events import SIGN
from firmware_shim.job import PHASES, Event, Stop, Test
from verify.claims.base import PROTECTIVE, Assessment, Case, Claim, doubles_of, reason
from verify.claims.flushed import same_when_flushed
from verify.conversions import KEPT, NEEDS_CLANG, OF_CONVERSIONS, watched_words
from verify.errors import SheetError, nearest_words
from verify.grids import SMALLEST_SIZE
from verify.heap_words import heap_words
from verify.hunting.intervals import once_each
from verify.judging.verdict import grouped
from verify.routine import Bound
from verify.strict_beside_host import BROKEN, same_result

MOST_CULPRITS = 48
# In a sweep of the board beyond this a repeat of everything would take as long as all else together.
REPEATED_UP_TO, ONE_BLOCK_IN = 2**24, 16
OF_SUBNORMALS = ("subnormal operand", "subnormal result")


@dataclass(frozen=True)
class Returns(Claim):
    """Every call comes back: no crash, hang, exit or new process; what it takes from the heap it uses and gives back rightly.

    Fails when: one does not. Cannot see: hangs shorter than the call limit.
    """

    because: str = PROTECTIVE
    name: ClassVar[str] = "returns"
    builds: ClassVar[tuple[str, ...]] = ("host", "strict", "board")

    def assess(self, case: Case) -> Assessment:
        stops = case.evidence.stops
        found = Assessment(valid=case.total.count() + len(stops), failing=len(stops), every_value=case.every_value)
        found.detectors = ("signals", "progress watch", "exit status", "process watch")
        if case.bound.board is not None:
            found.detectors = ("memory map", "alignment", "instructions that the core lacks", "progress watch")
        found.wanted_text = "a result"
        kind, at, size = case.evidence.heap
        if kind:
            found.detectors += ("memory from the heap",)
            _, found.wanted_text, found.error_text = heap_words(kind, size)
            found.facts.append(found.error_text)
            found.failing += 1
            found.witness = found.worst_at = found.first_failing = found.last_failing = at
        if stops:
            stop = stops[0]
            found.witness = found.worst_at = found.first_failing = stop.ordinal
            # Where loading ends, no input decides.
            found.last_failing = -1 if stop.kind == "load" else stops[-1].ordinal
            found.error_text = f"{stop.kind}: {stop.why}"
            if stop.phase in (1, 2, 3, 5):
                found.facts.append(f"while running {PHASES[stop.phase]}")
            if stop.code_offset is not None:
                found.facts.append(f"at {case.probe.symbol(case.bound, stop.code_offset)}")
            kinds = sorted({s.kind for s in stops})
            found.facts.append(f"{len(stops)} stops seen ({', '.join(kinds)})")
            not_run = sum(count for _, count, why in case.evidence.holes if why.startswith("not run"))
            if not_run:
                found.facts.append(f"{grouped(not_run)} inputs were not run")
        return found


@dataclass(frozen=True)
class Deterministic(Claim):
    """The same input gives the same bits, whatever came before (each block is repeated in reverse).

    Fails when: one repeat differs. Cannot see: memory that changes the result only after longer histories. On the board,
    beyond 2^24 inputs, one block in sixteen is repeated: N tried, never every value.
    """

    because: str = PROTECTIVE
    name: ClassVar[str] = "deterministic"

    def test(self, bound: Bound) -> Test:
        one_in = self.one_block_in(bound)
        return Test("deterministic", step=one_in if one_in > 1 else 0)

    @staticmethod
    def one_block_in(bound: Bound) -> int:
        """How many whole blocks stand for one that is repeated."""
        return ONE_BLOCK_IN if bound.board is not None and bound.domain.count > REPEATED_UP_TO else 1

    def assess(self, case: Case) -> Assessment:
        total, slot = case.total, case.slot
        found = Assessment(valid=total.found(slot, "judged"), failing=total.found(slot, "failing"))
        one_in = self.one_block_in(case.bound)
        found.every_value = case.every_value and one_in == 1
        found.first_failing, found.last_failing = total.failing_ends(slot)
        repeated = "each block" if one_in == 1 else f"one block of inputs in {one_in}"
        found.detectors = (f"{repeated} repeated in reverse order", "writable sections compared around each block")
        written = dict.fromkeys(case.probe.symbol(case.bound, offset) for _, offset in case.evidence.writes)
        for name in list(written)[:3]:
            known = 'name it in globals=["..."], ' if case.bound.routine.call is not None else ""
            found.facts.append(f"hidden memory: the routine writes {name}; {known}drop the memory, or its verdicts are "
                               "never 'every value'")
        if found.failing:
            found.witness = found.worst_at = found.first_failing
            found.wanted_text = "the same bits for the same input"
            found.error_text = "a repeat of the same inputs in another order gave another result"
            if case.bound.routine.call is not None and not written:
                found.facts.append("the repeat finds other patterns in memory that nothing has written: fresh locals, the "
                                   "stack below, `result` itself")
            if case.bound.peripherals:
                found.facts.append("the repeat reads other values from words that are not declared, in the pages of those "
                                   "that are")
        elif written and case.bound.routine.stages is None:
            self.from_a_fresh_start(case, found)
        return found

    @staticmethod
    def from_a_fresh_start(case: Case, found: Assessment) -> None:
        """Memory that the first call sets for good repeats within a run: a few inputs alone, and after others."""
        bound, domain = case.bound, case.bound.domain
        places = sorted({k * (domain.count - 1) // 7 for k in range(8)})
        raws = [domain.raw_bits(place) for place in places]
        later = case.probe.outside(bound, [*raws, *raws])[len(raws):]
        for place, raw, after in zip(places, raws, later, strict=True):
            first = case.probe.outside(bound, [raw])[0]
            if first is None or after is None or first == after:
                continue
            got, then = doubles_of([first, after], NUMPY_TYPES[bound.output_type], bound.output_scale)
            if math.isnan(got) and math.isnan(then):
                continue
            found.failing, found.witness = 1, place
            found.wanted_text = "the same bits for the same input"
            found.error_text = f"the first call of all gives {got:.9g}, the same call after others {then:.9g}"
            return


@dataclass(frozen=True)
class NoHiddenEvents(Claim):
    """No overflow, invalid operation, division by zero or subnormal inside, even where the result looks right.

    Fails when: a status flag rises in the author's code. Events inside the C library are told apart.
    Cannot see: an exact subnormal until it is used; code that clears the flags itself.
    """

    kinds: tuple[int, ...] = (0, 1, 2, 3, 4)
    because: str = PROTECTIVE
    name: ClassVar[str] = "no_hidden_events"
    judges_hostile: ClassVar[bool] = False

    def assess(self, case: Case) -> Assessment:
        total = case.total
        found = Assessment(valid=total.count(), every_value=case.every_value)
        kinds = self.kinds
        if case.bound.board is not None and not case.bound.routine.flush_to_zero:
            kinds = tuple(kind for kind in kinds if FLAG_KINDS[kind] != "subnormal operand")
        found.detectors = tuple(f"status flag: {FLAG_KINDS[kind]}" for kind in kinds)
        found.not_watched = (
            "exact subnormal results until used",
            "code that clears the flags",
            f"subnormals at inputs nearer to zero than {SMALLEST_SIZE:.3g} (natural there)",
        )
        if case.bound.board is not None:
            found.not_watched += ("arithmetic by library calls (double where the core has none)",)
            if kinds != self.kinds:
                found.not_watched += ("subnormal operands (the core tells them only in flush-to-zero mode)",)
        found.wanted_text = "no such event inside the routine"
        library: list[str] = []
        for kind in kinds:
            rows = case.evidence.rows["result"]["first_flag"][:, kind]
            places = once_each(rows[rows >= 0]).tolist()
            step = max(1, len(places) // MOST_CULPRITS)
            for ordinal in places[::step][:MOST_CULPRITS]:
                where, own = case.probe.culprit(case.bound, ordinal, kind)
                if not own:
                    library.append(f"{FLAG_KINDS[kind]} in {where}")
                    continue
                found.failing += 1
                if found.witness is None:
                    found.witness = found.worst_at = ordinal
                    found.error_text = f"{FLAG_KINDS[kind]} in {where}"
                    if len(places) > 1 and ordinal == places[0]:
                        # Of a block only the first input that raises it is known: one place is no extent.
                        found.first_failing, found.last_failing = places[0], places[-1]
                if len(places) > 1:
                    blocks = int(case.evidence.rows["result"]["flagged_blocks"][:, kind].sum())
                    found.facts.append(f"{FLAG_KINDS[kind]}: raised in {grouped(blocks)} blocks of inputs")
                break
            lost = total.first("flag_not_reproduced", kind)
            if lost >= 0 and not places:
                found.open += 1
                found.facts.append(f"{FLAG_KINDS[kind]}: seen in a block, not reproduced")
        for text in sorted(set(library))[:3]:
            found.facts.append(f"told apart, not counted: {text} (C library)")
        if case.evidence.mode_changes:
            ordinal, before, after = case.evidence.mode_changes[0]
            found.failing += 1
            found.witness = ordinal if found.witness is None else found.witness
            found.error_text = found.error_text or f"the floating-point mode was changed (0x{before:x} to 0x{after:x})"
        return found


@dataclass(frozen=True)
class NoUndefinedBehaviour(Claim):
    """No undefined behaviour that the instrumented build can see.

    Fails when: the recorder notes an event. Cannot see: what not_watched names.
    """

    because: str = PROTECTIVE
    allow: tuple[tuple[str, str], ...] = ()
    name: ClassVar[str] = "no_undefined_behaviour"
    builds: ClassVar[tuple[str, ...]] = ("strict", VARIANT)
    watched: ClassVar[tuple[str, ...]] = (
        "signed overflow", "shifts", "division", "table index of known arrays", "float to integer",
        "null and misaligned access", "accesses next to tables and variables, local ones too",
        "memcpy, strcpy, sprintf and the like")
    unseen: ClassVar[tuple[str, ...]] = (
        NEEDS_CLANG, "aliasing and uninitialised reads that change no result",
        "pointers far past any table or local", "pointers from one member of a struct into the next")
    wanted: ClassVar[str] = "no undefined behaviour"
    variants: ClassVar[tuple[str, ...]] = ("this computer",)

    def test(self, bound: Bound) -> Test | None:
        host = bound.host
        if host is None or bound.build != "strict":
            return None
        return Test("same", high=-1.0, second=host.loop, second_library=host.library, second_type=host.output_type,
                    second_inputs=host.domain.type_numbers)

    def ended(self, stop: Stop | None) -> bool:
        """Whether a script that stopped so breaks this claim, besides returns."""
        return False

    def sorted_out(self, events: Iterable[Event]) -> tuple[list[Event], dict[str, int]]:
        """(events that are not allowed, how often each allowance fired). A change of sign that keeps all bits is none."""
        left, fired = [], dict.fromkeys((place for place, _ in self.allow), 0)
        for event in events:
            if event.kind == SIGN:
                continue
            place = next((place for place, _ in self.allow if meant(place, event)), None)
            if place is None:
                left.append(event)
            else:
                fired[place] += event.count
        return left, fired

    def said_of(self, fired: Mapping[str, int]) -> list[str]:
        """What is to be said of the allowances: how often each fired, or that it never did."""
        return [f"allowed at {place!r} ({why}): " + (f"{grouped(fired[place])} times" if fired.get(place) else
                "never fired: remove it, or its line has changed") for place, why in self.allow]

    def wanted_at(self, event: Event) -> str:
        """What should be in the place of an event."""
        return KEPT if event.kind in OF_CONVERSIONS else self.wanted

    def told(self, case: Case) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """(what is looked for in this build, what is not)."""
        return watched_words(case.bound.build, case.probe.families(), self.watched, self.unseen)

    def assess(self, case: Case) -> Assessment:
        events, fired = self.sorted_out(case.evidence.events)
        found = Assessment(facts=self.said_of(fired), valid=case.total.count(), failing=len(events))
        found.every_value = case.every_value
        found.wanted_text = self.wanted
        found.detectors, found.not_watched = self.told(case)
        if events:
            # Two checks may see one fault: the one that names what the C does comes first.
            first = min(events, key=lambda e: (e.ordinal < 0, e.ordinal, names_little(e)))
            found.witness = found.worst_at = found.first_failing = max(0, first.ordinal)
            found.error_text = f"{first.text or first.kind} at {event_place(first)}"
            found.wanted_text = self.wanted_at(first)
            for event in events[:6]:
                found.facts.append(f"{event.kind}, {event_place(event)}, {grouped(event.count)} times")
        for event in [event for event in case.evidence.events if event.kind == SIGN][:2]:
            found.facts.append(f"told apart, not counted: {event.text} at {event_place(event)}: every bit is kept")
        if case.slot >= 0:
            self.beside_host(case, found)
        return found

    def beside_host(self, case: Case, found: Assessment) -> None:
        """Results that the host build does not give, where each is run alone: a rule of C that no check names."""
        total, slot, bound, host = case.total, case.slot, case.bound, case.bound.host
        found.detectors += ("the host build's results, locals filled with a pattern here",)
        if host is None or not total.found(slot, "failing"):
            return
        for ordinal in dict.fromkeys([*total.failing_ends(slot), total.error(slot, "most")[1]]):
            mine, theirs = (case.probe.outputs(one, [ordinal])[0] for one in (bound, host))
            if mine is None or theirs is None or same_result(mine, theirs, bound.output_type):
                continue
            texts = [f"{np.frombuffer(raw, NUMPY_TYPES[bound.output_type])[0]!s}" for raw in (mine, theirs)]
            told = f"{texts[0]} with checks on, {texts[1]} with the author's flags alone"
            found.facts.append(f"{told}: {BROKEN}" if not case.evidence.events else told)
            if not case.evidence.events:
                found.failing = total.found(slot, "failing")
                found.witness = found.worst_at = found.first_failing = ordinal
                found.wanted_text, found.error_text = "the same result in both builds", told
            return
        if not case.evidence.events:  # which may well be why, and are told
            found.facts.append("in a row some results are not the host build's, alone they are: the routine keeps memory")


def names_little(event: Event) -> bool:
    """Whether another check that sees the same fault says more of it."""
    return event.kind.startswith("access outside") or "member that it is given" in event.kind


def meant(place: str, event: Event) -> bool:
    """Whether an allowance means an event: by file.c:42, or by text that stands on the event's line."""
    return place == f"{Path(event.file).name}:{event.line}" or (":" not in place and place in source_line(event))


def source_line(event: Event) -> str:
    """The line of C at which an event was seen, "" when it cannot be read."""
    try:
        return Path(event.file).read_text(encoding="utf-8", errors="replace").splitlines()[event.line - 1]
    except (OSError, IndexError):
        return ""


def event_place(event: Event) -> str:
    """file.c:54:21, without the column where it is not known."""
    return f"{Path(event.file).name}:{event.line}" + (f":{event.column}" if event.column else "")


def no_hidden_events(*, kinds: Iterable[str] = FLAG_KINDS, because: str = PROTECTIVE, subnormals: str = "",
                     absolute: float | None = None, ulp: float | None = None) -> NoHiddenEvents | tuple[Claim, ...]:
    """No hidden events of the given kinds (see FLAG_KINDS).

    subnormals="flushed": they are fine because the board turns them to zero; then the routine must give the same in both
    modes, within absolute= or ulp= (default: the smallest normal number of binary32).
    """
    why = reason(because, "no_hidden_events")
    if subnormals not in ("", "flushed") or (not subnormals and (absolute is not None or ulp is not None)):
        raise SheetError(f"no_hidden_events: subnormals={subnormals!r}", where="no_hidden_events(subnormals=...)",
                         why='a limit, and a mode to compare with, go with subnormals="flushed" only',
                         todo='write no_hidden_events(subnormals="flushed", absolute=1e-6, because="the board flushes them")')
    if subnormals:
        kinds = [kind for kind in kinds if kind not in OF_SUBNORMALS]
    numbers = []
    for kind in kinds:
        if kind not in FLAG_KINDS:
            raise SheetError(f"no_hidden_events: unknown kind {kind!r}", where="no_hidden_events(kinds=...)",
                             why="only these kinds are flagged by the processor",
                             todo=nearest_words(str(kind), FLAG_KINDS))
        numbers.append(FLAG_KINDS.index(kind))
    found = NoHiddenEvents(tuple(sorted(set(numbers))), why)
    return (found, same_when_flushed(because=why, absolute=absolute, ulp=ulp)) if subnormals else found


def deterministic(*, because: str = PROTECTIVE) -> Deterministic:
    """The same input gives the same bits."""
    return Deterministic(reason(because, "deterministic"))


def returns(*, because: str = PROTECTIVE) -> Returns:
    """Every call comes back."""
    return Returns(reason(because, "returns"))


def no_undefined_behaviour(*, because: str = PROTECTIVE, allow: Mapping[str, str] | None = None) -> NoUndefinedBehaviour:
    """No undefined behaviour that the strict build sees.

    allow: events that are meant, by place ("voice.c:42", or text on that line such as "phase += step") and reason.
    """
    given = tuple((place, reason(why, f"no_undefined_behaviour(allow={place!r})")) for place, why in (allow or {}).items())
    return NoUndefinedBehaviour(reason(because, "no_undefined_behaviour"), given)
