"""The shortest script with the roundest values that still breaks a claim: whole rounds of candidates at once."""

from __future__ import annotations

import functools
import itertools
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

from verify.grids import Grid
from verify.machines.generation import ROUND, marked_places
from verify.machines.machine import Machine
from verify.machines.script import HELD_FOR_RANDOM, Happening, Piece, Script, stream_places

MOST_ROUNDS = 60
MOST_CANDIDATES = 96
# What all candidates together may run, each counted as SHORT_SAMPLES at least: some seconds.
MOST_SAMPLES = 1 << 27
SHORT_SAMPLES = 1 << 12
PARTS = 16
# Where a round is dear, the simplest few are tried before the rest.
COSTLY_SAMPLES, FIRST = 1 << 20, 8
# A stop by the clock, far beyond what these take.
MOST_SECONDS = 60.0

# For each script: the sample at which the claim fails, or -1.
Fails = Callable[[Sequence[Script]], list[int]]


def minimised(script: Script, at: int, machine: Machine, fails: Fails, width: int = MOST_CANDIDATES,
              most_samples: int = MOST_SAMPLES, seconds: float = MOST_SECONDS) -> tuple[Script, int]:
    """A script from which no candidate step is simpler and still fails, and its failing sample.

    width: candidates per round (few where each is long); after most_samples in all, or seconds, the
    best so far stays.
    """
    began, left = time.monotonic(), most_samples
    for _ in range(MOST_ROUNDS):
        if time.monotonic() - began > seconds:
            break
        now = simplicity(script, machine)
        keyed = sorted((key, number, c) for number, c in enumerate(dict.fromkeys(simpler(script, at, machine)))
                       if (key := simplicity(c, machine)) < now)
        candidates = within([c for _, _, c in keyed[:width]], left)
        if not candidates:
            break
        few = FIRST if sum(map(cost, candidates)) > COSTLY_SAMPLES else len(candidates)
        better = None
        for part in (candidates[:few], candidates[few:]):
            if better is None and part:
                left -= sum(map(cost, part))
                better = next(((c, k) for c, k in zip(part, fails(part), strict=True) if k >= 0), None)
        if better is None:
            break
        script, at = better
    return script, at


def simplicity(script: Script, machine: Machine) -> tuple[object, ...]:
    """Sort key: fewer events and pieces, shorter, earlier, and values that a person would write before any other."""
    events = tuple((e.sample, e.kind, *map(rank, machine.events[e.kind].arguments, e.places)) for e in script.events)
    pieces = tuple((p.start, p.shape, rank(grid, p.a), rank(grid, p.b) if p.shape != "hold" else 0, p.period)
                   for stream, grid in zip(script.streams, machine.inputs, strict=True) for p in stream)
    return (*script.shape, events, pieces)


def rank(grid: Grid, place: int) -> int:
    """How plain a value is: 0, 1, -1, 0.5, ... first, then ends and fractions of the range, then all others."""
    plain = plain_places(grid)
    return plain.get(place, place if place < 0 else len(plain) + place)


@functools.lru_cache(maxsize=256)
def plain_places(grid: Grid) -> dict[int, int]:
    """Place -> rank."""
    plain = [grid.index_near(value) for value in ROUND if grid.low <= value <= grid.high]
    rest = [place for place in marked_places(grid) if not {1, grid.count - 2} & {place}]
    return {place: number for number, place in enumerate(dict.fromkeys([*plain, *rest]))}


def cost(script: Script) -> int:
    """What a candidate counts for, in samples."""
    return max(script.samples, SHORT_SAMPLES)


def within(candidates: Sequence[Script], samples: int) -> list[Script]:
    """The first ones, as many as fit."""
    sums = itertools.accumulate(map(cost, candidates))
    return [candidate for candidate, sum_so_far in zip(candidates, sums, strict=True) if sum_so_far <= samples]


def shortened(script: Script, at: int, fails: Fails, enough: int, most_samples: int) -> tuple[Script, int, int]:
    """A script of hours, made shorter by its end only, until it has `enough` samples or no shorter one fails: each try costs
    as long as it is, so the shortest come first, one by one. Also gives what is left of most_samples."""
    while script.samples > enough:
        lengths = sorted({min(script.samples - 1, max(1, length)) for length in (
            enough, *(script.samples * k // PARTS for k in (1, 2, 4, 8, 12)), at + 1)})
        for length in lengths:
            shorter = script.cut_to(length)
            if cost(shorter) > most_samples:
                return script, at, most_samples
            most_samples -= cost(shorter)
            (place,) = fails([shorter])
            if place >= 0:
                script, at = shorter, place
                break
        else:
            break
    return script, at, most_samples


def simpler(script: Script, at: int, machine: Machine) -> Iterator[Script]:
    """Candidates one step simpler."""
    yield from _alone(script, at)
    yield script.cut_to(at + 1)
    for tail in (2, 16, 64, 256, 1024):
        if at + tail < script.samples:
            yield script.cut_to(at + tail)
    for part in (2, 4, 8):  # what still fails at the end may have failed long before
        if script.samples >= part:
            yield script.cut_to(script.samples - script.samples // part)
    yield from _without(script)
    yield from _earlier(script)
    yield from _held(script, machine)
    yield from _rounder(script, machine)
    if script.rate:
        yield replace(script, rate=0)
    for cuts in ((64,), (1,), script.cuts[:1]):
        if cuts != script.cuts:
            yield replace(script, cuts=cuts)


def _alone(script: Script, at: int) -> Iterator[Script]:
    """Of a sweep, what goes in at the failing sample alone, from the start on."""
    active = [max((p for p in stream if p.start <= at), key=lambda p: p.start, default=None) for stream in script.streams]
    if all(len(stream) == 1 for stream in script.streams) or None in active:
        return
    back = max(p.start for p in active if p is not None)
    streams = tuple((replace(p, start=0),) for p in active if p is not None)
    events = tuple(replace(e, sample=max(0, e.sample - back)) for e in script.events if e.sample <= at)
    yield replace(script, samples=at + 1 - back, events=events, streams=streams)


def _without(script: Script) -> Iterator[Script]:
    """Fewer events, fewer pieces."""
    events = script.events
    count = len(events)
    for size in (count // 2, count // 4, 2, 1):
        if size >= 1:
            for start in range(0, count, size):
                yield replace(script, events=events[:start] + events[start + size :])
    for number, stream in enumerate(script.streams):
        for size in dict.fromkeys((len(stream) // 2, len(stream) // 4, 2, 1)):
            for k in range(0, len(stream), size) if size else ():
                left = stream[:k] + stream[k + size :]
                if left:
                    left = (replace(left[0], start=0), *left[1:])
                    yield _with_stream(script, number, left)


def _with_stream(script: Script, number: int, pieces: tuple[Piece, ...]) -> Script:
    return replace(script, streams=(*script.streams[:number], pieces, *script.streams[number + 1:]))


def _earlier(script: Script) -> Iterator[Script]:
    """Everything from one event on earlier, so that gaps become 0, 1 or a half."""
    moments = sorted({e.sample for e in script.events} | {p.start for stream in script.streams for p in stream})
    before = 0
    for moment in moments:
        gap = moment - before
        for wanted in (0, 1, 2, 10, gap // 2, gap - 1, gap - gap % 10, gap - gap % 64):
            if 0 <= wanted < gap:
                yield _moved(script, moment, gap - wanted)
        before = moment


def _moved(script: Script, moment: int, back: int) -> Script:
    events = tuple(replace(e, sample=e.sample - back) if e.sample >= moment else e for e in script.events)
    streams = tuple(tuple(replace(p, start=p.start - back) if p.start >= moment and p.start else p for p in stream)
                    for stream in script.streams)
    return replace(script, samples=max(1, script.samples - back), events=events, streams=streams)


def _held(script: Script, machine: Machine) -> Iterator[Script]:
    """The values of a short random stretch, written one by one."""
    for number, (stream, grid) in enumerate(zip(script.streams, machine.inputs, strict=True)):
        for k, piece in enumerate(stream):
            end = stream[k + 1].start if k + 1 < len(stream) else script.samples
            if piece.shape == "noise" and 0 < end - piece.start <= HELD_FOR_RANDOM:
                places = stream_places(stream, grid, end)[piece.start :].tolist()
                held = [Piece(piece.start + n, "hold", place) for n, place in enumerate(places)
                        if n == 0 or place != places[n - 1]]
                yield _with_stream(script, number, (*stream[:k], *held, *stream[k + 1:]))


def _rounder(script: Script, machine: Machine) -> Iterator[Script]:
    """Values at marked places of their grids, plain stream shapes."""
    for k, e in enumerate(script.events):
        for number, grid in enumerate(machine.events[e.kind].arguments):
            for place in marked_places(grid):
                if rank(grid, place) < rank(grid, e.places[number]):
                    places = (*e.places[:number], place, *e.places[number + 1:])
                    changed = Happening(e.sample, e.kind, places)
                    yield replace(script, events=(*script.events[:k], changed, *script.events[k + 1:]))
    for number, (stream, grid) in enumerate(zip(script.streams, machine.inputs, strict=True)):
        for k, piece in enumerate(stream):
            options = [replace(piece, shape="hold", b=0, period=1)] if piece.shape != "hold" else []
            options += [replace(piece, shape="hold", a=piece.b, b=0, period=1)] if piece.shape != "hold" else []
            options += [replace(piece, a=place) for place in marked_places(grid) if rank(grid, place) < rank(grid, piece.a)]
            options += [replace(piece, b=place) for place in marked_places(grid)
                        if piece.shape != "hold" and rank(grid, place) < rank(grid, piece.b)]
            options += [replace(piece, period=p) for p in (1, 2, 10, piece.period // 2) if 0 < p < piece.period]
            for other in options:
                yield _with_stream(script, number, (*stream[:k], other, *stream[k + 1:]))
