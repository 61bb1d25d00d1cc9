"""Pitch with memory: a semitone quantiser with hysteresis, and a glide in the log domain.

Conventions. One volt is one octave; semitones count from 0 V. The quantiser keeps its semitone until the voltage has
left the semitone's own span (half a semitone to either side) by more than the hysteresis; then it takes the nearest
one. Where the voltage lies within the band of such a border, both are right until the two readings meet again. The
glide moves the pitch voltage, not the frequency: equal times for equal intervals, at any pitch.
"""

from __future__ import annotations

from fractions import Fraction
from math import floor
from typing import Any

import numpy as np

from reference.errors import DomainError
from reference.rationals import RationalContext
from reference.recurrences import Steps, StreamTrajectory, stream_or_events
from reference.smoothing import one_pole
from reference.trajectories import Script, Trajectory

LONGEST_REST = 8192
CHUNK = 256


def quantiser(ctx: Any, script: Script, *, source: str = "volts", hysteresis_volts: Any = 0, band_volts: Any = 0,
              start_semitone: int = 0, steps_per_volt: int = 12) -> Steps:
    """The semitone that is held while a voltage wanders.

    Shape:   script to trajectory; source: stream or event that holds the voltage.
    Unit:    hysteresis_volts, band_volts in V; result in semitones.
    Domain:  0 <= hysteresis_volts; 0 <= band_volts: how exactly the firmware can hold its borders.
    Error:   none; inside the band the least and the most right semitone.
    Source:  twelve equal semitones per octave; tests/external/test_pitch_memory.py.

    >>> s = Script(4, Fraction(10), (), {"volts": np.array([0.0, 0.05, 0.04, 0.1])})
    >>> quantiser(None, s, hysteresis_volts="1/200").screen()[0].tolist()
    [0.0, 1.0, 1.0, 1.0]
    """
    exact = RationalContext()
    width, band = exact.number(hysteresis_volts), exact.number(band_volts)
    if width < 0 or band < 0:
        raise DomainError("hysteresis and band are at least 0")
    stream = stream_or_events(script, source, Fraction(0))
    reach, slack = 0.5 + float(width) * steps_per_volt, float(band) * steps_per_volt
    low, high = _admissible(stream * steps_per_volt, reach, slack + 2.0**-40, start_semitone)
    return Steps(script, high, low, high)


def _admissible(places: np.ndarray, reach: float, slack: float, start: int) -> tuple[np.ndarray, np.ndarray]:
    """Least and most semitone that a right quantiser can hold: all of them are followed at once.

    Where one semitone is held, only a voltage near to a border makes more of them; one that rests is passed over in one go.
    """
    held: tuple[int, ...] = (start,)
    low, high = np.empty(len(places)), np.empty(len(places))
    near = np.floor(places + 0.5 - slack)
    sure = (near == np.floor(places + 0.5 + slack)).tolist()
    listed, nearest, at = places.tolist(), near.tolist(), 0
    known: dict[tuple[float, tuple[int, ...]], tuple[int, ...]] = {}  # a converter's noise comes back to few places
    while at < len(places):
        if len(held) == 1:
            one, found = float(held[0]), []
            for k in range(at, min(len(listed), at + CHUNK)):
                distance = abs(listed[k] - one)
                if distance > reach - slack:
                    if not sure[k] or distance <= reach + slack:
                        break
                    one = nearest[k]
                found.append(one)
            low[at : at + len(found)] = high[at : at + len(found)] = found
            at, held = at + len(found), (int(one),)
            if len(found) == CHUNK and found[0] == one:
                still = np.abs(places[at : at + LONGEST_REST] - one) <= reach - slack
                rest = len(still) if still.all() else int(still.argmin())
                low[at : at + rest] = high[at : at + rest] = one
                at += rest
            if len(found) == CHUNK or at >= len(places):
                continue
        key = listed[at], held
        if key not in known:
            known[key] = _next_held(*key, reach, slack)
        held = known[key]
        low[at], high[at] = held[0], held[-1]
        at += 1
    return low, high


def _next_held(place: float, held: tuple[int, ...], reach: float, slack: float) -> tuple[int, ...]:
    if len(held) == 1 and abs(place - held[0]) <= reach - slack:
        return held
    found: set[int] = set()
    for semitone in held:
        distance = abs(place - semitone)
        if distance <= reach + slack:
            found.add(semitone)
        if distance > reach - slack:
            found.update((floor(place + 0.5 - slack), floor(place + 0.5 + slack)))
    return tuple(sorted(found))


def glide(ctx: Any, script: Script, *, target: str = "volts", seconds: Any = None, coefficient: Any = None,
          start: Any = 0) -> Trajectory | StreamTrajectory:
    """A one-pole glide of the pitch voltage; its time constant is the same at every pitch.

    Shape:   script to trajectory; target: stream or event that holds the wanted pitch voltage.
    Unit:    volts; seconds in s (time constant) or coefficient per sample.
    Domain:  as smoothing.one_pole.
    Error:   as smoothing.one_pole.
    Source:  first-order recurrence on log2 of the frequency; tests/external/test_pitch_memory.py.

    >>> s = Script(2, Fraction(10), ((0, "volts", Fraction(1)),))
    >>> [float(glide(None, s, coefficient="1/4").exact(k)[0]) for k in range(2)]
    [0.25, 0.4375]
    """
    return one_pole(ctx, script, target=target, seconds=seconds, coefficient=coefficient, start=start)
