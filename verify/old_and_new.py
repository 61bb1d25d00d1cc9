"""Old C against new C: for each routine how many inputs give other bits, and the largest difference.

Outputs of both builds are compared block by block: memory stays bounded whatever the domain.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from firmware_shim.build import Built, Request, build
from firmware_shim.crew import Crew
from firmware_shim.engine import NUMPY_TYPES, build_engine
from firmware_shim.errors import ShimError, SymbolMissing, UnsupportedPrototype
from firmware_shim.job import Axis, Job, JobResult
from verify.binding import bind, cache_folder, request_for
from verify.claims.accurate import Accurate
from verify.domain import Domain
from verify.errors import BindingError, UsageError
from verify.evidence_keys import build_keys
from verify.hunt import Progress
from verify.hunting.intervals import union
from verify.hunting.places import edges, even, parts_from_arrays
from verify.hunting.plan import Plan
from verify.older_source import Older
from verify.routine import Bound
from verify.sheet import Sheet
from verify.units import ERROR_UNITS

BLOCK = 1 << 21
MOST_STOPS = 6
Piece = tuple[int | np.ndarray, tuple[Axis, ...], int]


@dataclass
class Difference:
    """What two builds of one routine do differently.

    compared: inputs run in both; differing: with other bits (two NaN are alike); one_sided: only one of the
    two came back; neither: both did not; worst: largest difference in unit, at worst_at, infinite between
    categories; why: why nothing was compared.
    """

    routine: str
    bound: Bound | None = None
    compared: int = 0
    differing: int = 0
    one_sided: int = 0
    neither: int = 0
    left: int = 0
    every_value: bool = False
    same_code: bool = False
    worst: float = 0.0
    worst_at: int = -1
    outputs: tuple[bytes | None, bytes | None] = (None, None)
    unit: str = ""
    why: str = ""

    @property
    def identical(self) -> bool:
        """Whether no input was seen to differ."""
        return not self.why and not self.differing and not self.one_sided

    def note(self, errors: np.ndarray, places: np.ndarray, ordinals: np.ndarray, old: np.ndarray, new: np.ndarray) -> None:
        """Keep the largest difference; the smallest ordinal among equals."""
        sizes = np.abs(errors)
        at = int(np.lexsort((ordinals, -sizes))[0])
        size, ordinal = float(sizes[at]), int(ordinals[at])
        if self.worst_at < 0 or size > abs(self.worst) or (size == abs(self.worst) and ordinal < self.worst_at):
            self.worst, self.worst_at = float(errors[at]), ordinal
            self.outputs = (old[places[at]].tobytes(), new[places[at]].tobytes())


@dataclass
class Pair:
    """Both builds, bound, and the routines that cannot be compared."""

    old: dict[str, Bound]
    new: dict[str, Bound]
    missing: dict[str, str] = field(default_factory=dict)
    same_code: bool = False
    engine: Path | None = None


def moved_request(request: Request, older: Older) -> Request:
    """The same build over the old sources: paths below the present root become those of the old one."""
    now, then = older.moved

    def moved(text: str) -> str:
        return text.replace(f"{now}/", f"{then}/")

    own = tuple((Path(moved(str(source))), moved(flags)) for source, flags in request.own_flags)
    return replace(request, folder=older.folder, own_flags=own, flags=moved(request.flags),
                   sources=tuple(Path(moved(str(s))) for s in request.sources),
                   include=tuple(Path(moved(str(f))) for f in request.include),
                   headers=tuple(Path(moved(str(h))) for h in request.headers))


def build_what_is_there(request: Request, cache: Path) -> tuple[Built | None, dict[str, str]]:
    """A build of the routines that exist there, and why the others are left out."""
    missing: dict[str, str] = {}
    while request.routines or request.calls:
        try:
            return build(request, cache), missing
        except SymbolMissing as problem:
            name, why = problem.name, "not in the old C"
        except UnsupportedPrototype as problem:
            name, why = problem.what.partition(":")[0], f"not comparable: {problem.what} in the old C"
        gone = [n for n in request.routines if n == name]
        gone += [call.name for call in request.calls if name in (call.name, *call.called())]
        if not gone:
            break
        missing.update(dict.fromkeys(gone, why))
        request = replace(request, routines=tuple(n for n in request.routines if n not in gone),
                          calls=tuple(call for call in request.calls if call.name not in gone))
    return None, missing


def make_pair(sheet: Sheet, older: Older) -> Pair:
    """Build old and new with the sheet's present flags, and bind its routines to both.

    Errors: ShimError where one of the two does not build, UsageError where nothing can be compared.
    """
    cache = cache_folder()
    request = replace(request_for(sheet, "host"), machines=())
    words = tuple(sorted(sheet.peripherals.items()))
    new = build(request, cache)
    try:
        old, missing = build_what_is_there(moved_request(request, older), cache)
    except ShimError as problem:
        problem.what = f"the old C ({older.name}): {problem.what}"
        raise
    pair = Pair({}, {}, missing)
    if old is None:
        return pair
    pair.engine = build_engine(new.compiler.line, cache)
    pair.same_code = build_keys({"host": old})[0] == build_keys({"host": new})[0]
    for routine in sheet.routines:
        bound = bind(routine, new, new.info, words)
        pair.new[routine.name] = bound
        if routine.name in missing:
            continue
        try:
            before = bind(routine, old, old.info, words)
        except BindingError as problem:
            missing[routine.name] = f"not comparable: in the old C {problem.why}"
            continue
        if (before.domain.type_numbers, before.output_type) != (bound.domain.type_numbers, bound.output_type):
            missing[routine.name] = f"not comparable: {before.prototype} before, {bound.prototype} now"
            continue
        pair.old[routine.name] = before
    return pair


def axis_part(axis: Axis, first: int, count: int) -> Axis:
    """Points first to first + count of an axis."""
    if axis.grid == 2:
        width = NUMPY_TYPES[axis.type_number].itemsize
        return replace(axis, first=0, count=count, raw=axis.raw[first * width : (first + count) * width])
    start = axis.first + axis.step * first
    if axis.grid == 1:
        start = (start + 2**63) % 2**64 - 2**63
    return replace(axis, first=start, count=count)


def blocks(domain: Domain, most: int = BLOCK) -> Iterator[Piece]:
    """(first ordinal, axes, points): boxes of consecutive ordinals that together are the whole domain."""
    axes, strides = domain.axes(), domain.strides()
    level = next(k for k, stride in enumerate(strides) if stride <= most)
    stride, count = strides[level], domain.grids[level].count
    step = max(1, most // stride)
    for outer in range(domain.count // (stride * count)):
        fixed, rest = [], outer
        for axis, grid in zip(reversed(axes[:level]), reversed(domain.grids[:level]), strict=True):
            fixed.append(axis_part(axis, rest % grid.count, 1))
            rest //= grid.count
        for first in range(0, count, step):
            length = min(step, count - first)
            box = (*reversed(fixed), axis_part(axes[level], first, length), *axes[level + 1 :])
            yield (outer * count + first) * stride, box, length * stride


def listed_blocks(bound: Bound, plan: Plan) -> Iterator[Piece]:
    """(ordinals, axes, points): edges, joints and an even cover of a domain that is too large."""
    domain = bound.domain
    found = [edges(domain, parts_from_arrays(bound.array_lengths), bound.routine.joints), even(domain, plan.sampled_cases)]
    waiting: list[np.ndarray] = []
    for start, end in union(np.concatenate(found)):
        waiting.append(np.arange(start, end, dtype=np.int64))
        if sum(map(len, waiting)) >= BLOCK // 2:
            ordinals = np.concatenate(waiting)
            yield ordinals, domain.listed(ordinals), len(ordinals)
            waiting = []
    if waiting:
        ordinals = np.concatenate(waiting)
        yield ordinals, domain.listed(ordinals), len(ordinals)


def came_back(result: JobResult, count: int) -> np.ndarray:
    """Which inputs have an output."""
    came = np.zeros(count, bool)
    for (start, _, _), row in zip(result.segments, result.results, strict=True):
        came[start : start + int(row["done"])] = True
    return came


def metric_of(bound: Bound) -> str:
    """In what the difference is told: the metric of the routine's claim, else steps or plain numbers."""
    for claim in bound.routine.claims:
        if isinstance(claim, Accurate):
            return claim.metric
    return "absolute" if bound.float_output else "lsb"


def distances(metric: str, old: np.ndarray, new: np.ndarray, scale: float) -> np.ndarray:
    """New less old in the metric; infinite where the two are of different categories, or no pitch for cents."""
    a, b = old.astype(np.float64), new.astype(np.float64)
    with np.errstate(all="ignore"):
        if metric == "cents":
            found = np.where((a > 0) & (b > 0), 1200 * np.log2(b / a), np.inf)
        elif metric == "relative":
            found = np.where(a != 0, b / a - 1, np.inf)
        elif metric == "ulp":
            kind = np.float32 if old.dtype.itemsize == 4 else np.float64
            found = (b - a) / np.spacing(np.abs(a).astype(kind)).astype(np.float64)
        elif metric == "lsb":
            found = b - a
        else:
            found = (b - a) * scale
    return np.where(np.isfinite(found), found, np.inf)


def compare_routine(crew: Crew, old: Bound, new: Bound, plan: Plan, progress: Progress) -> Difference:
    """Run both over the domain: every value up to the plan's size, else edges and an even cover."""
    domain, kind = new.domain, NUMPY_TYPES[new.output_type]
    whole = domain.count <= plan.every_value_up_to
    metric = metric_of(new)
    found = Difference(new.routine.name, new, unit=ERROR_UNITS[metric] or new.routine.output.unit)
    parts: dict[int, tuple[np.ndarray | int, int]] = {}

    def jobs() -> Iterator[Job]:
        for number, (ordinals, axes, count) in enumerate(blocks(domain) if whole else listed_blocks(new, plan)):
            parts[number] = (ordinals, count)
            for bound in (old, new):
                yield Job(bound.library, bound.loop, axes, bound.output_type, np.array([[0, count, 0]], np.int64),
                          bound.output_scale, zip_inputs=not whole, keep_outputs=True, most_stops=MOST_STOPS,
                          most_hangs=MOST_STOPS,
                          peripherals=bound.peripherals, flush_to_zero=new.routine.flush_to_zero,
                          call_limit_seconds=new.routine.call_limit_seconds)

    waiting: dict[int, dict[int, JobResult]] = {}
    done, total = 0, domain.count if whole else plan.sampled_cases
    results = crew.run_all(jobs())
    try:
        for number, result in results:
            block = number // 2
            both = waiting.setdefault(block, {})
            both[number % 2] = result
            if len(both) == 2:
                ordinals, count = parts.pop(block)
                judge_block(found, ordinals, count, waiting.pop(block), kind, metric, new.output_scale)
                done += count
                progress(f"{new.routine.name}: old and new", min(done, total), total)
                if found.one_sided + found.neither >= 4 * MOST_STOPS:
                    found.left = max(0, total - done)
                    break
    finally:
        results.close()  # type: ignore[attr-defined]
    found.every_value = whole and domain.whole and found.compared + found.one_sided + found.neither == domain.count
    return found


def judge_block(found: Difference, ordinals: np.ndarray | int, count: int, both: dict[int, JobResult], kind: np.dtype,
                metric: str, scale: float) -> None:
    """Take in one block of both builds."""
    outputs, came = [], []
    for side in (0, 1):
        result = both[side]
        came.append(came_back(result, count) if not result.load_problem else np.zeros(count, bool))
        size = count * kind.itemsize
        outputs.append(np.frombuffer(result.outputs[:size].ljust(size, b"\0"), kind))
    stopped = [np.isin(np.arange(count), [s.ordinal for s in both[side].stops]) for side in (0, 1)]
    together = came[0] & came[1]
    found.compared += int(together.sum())
    found.one_sided += int(((stopped[0] & came[1]) | (stopped[1] & came[0])).sum())
    found.neither += int((stopped[0] & stopped[1]).sum())
    old, new = outputs
    bits = np.dtype(f"u{kind.itemsize}")
    differ = together & (old.view(bits) != new.view(bits))
    if kind.kind == "f":
        differ &= ~(np.isnan(old) & np.isnan(new))
    places = np.flatnonzero(differ)
    found.differing += len(places)
    if len(places):
        where = places + ordinals if isinstance(ordinals, int) else ordinals[places]
        found.note(distances(metric, old[places], new[places], scale), places, where, old, new)
    sided = np.flatnonzero((stopped[0] & came[1]) | (stopped[1] & came[0]))
    if len(sided) and not math.isinf(found.worst):
        at = int(sided[0])
        found.worst, found.worst_at = math.inf, at + ordinals if isinstance(ordinals, int) else int(ordinals[at])
        found.outputs = (old[at].tobytes() if came[0][at] else None, new[at].tobytes() if came[1][at] else None)


def compare_sources(sheet: Sheet, older: Older, plan: Plan, workers: int | None, progress: Progress,
                    only: Sequence[str] = ()) -> list[Difference]:
    """Every function of the sheet, old C against new.

    Errors: ShimError where one of the two does not build; UsageError where the sheet has no function.
    """
    if not sheet.routines:
        raise UsageError("nothing to compare", where=sheet.file.name, why="the sheet describes no function",
                         todo="functions of numbers are compared; describe one with sheet.function(...)")
    pair = make_pair(sheet, older)
    chosen = [routine.name for routine in sheet.routines if not only or routine.name in only]
    if pair.same_code:
        return [Difference(name, pair.new[name], same_code=True) for name in chosen]
    found = []
    if pair.engine is None:
        return [Difference(name, why=pair.missing.get(name, "not in the old C")) for name in chosen]
    with Crew(pair.engine, workers) as crew:
        for name in chosen:
            if name in pair.old:
                found.append(compare_routine(crew, pair.old[name], pair.new[name], plan, progress))
            else:
                found.append(Difference(name, why=pair.missing[name]))
    return found
