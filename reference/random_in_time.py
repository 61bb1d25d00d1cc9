"""Random sources with state: the sequence that a published generator gives from a seed, sample by sample.

Conventions. A state is an unsigned whole number of `bits` bits; `seed` is a constant, or sent as an event "seed" that counts
from its sample on. Sample k shows the state after k steps, or after k + 1 with steps_first. `output` is "state", "level"
(state/2**(bits-1) - 1, from -1 up to below 1) or "bit" (the lowest). Steps are those of reference.random_sources.
Limits: bits 2 to 53, since outputs are compared as binary64 numbers.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import Any

import numpy as np

from reference import random_sources
from reference.errors import DomainError
from reference.rationals import RationalContext
from reference.recurrences import Steps
from reference.trajectories import Script

OUTPUTS = ("state", "level", "bit")


@dataclass
class _Sequence:
    """States from one seed on, as far as they were asked for: scripts ask for the same ones again and again."""

    step: Callable[[int], int]
    states: list[int]
    found: np.ndarray

    def first(self, count: int) -> np.ndarray:
        """So many states, the seed first."""
        if len(self.found) < count:
            states, step, x = self.states, self.step, self.states[-1]
            for _ in range(max(count, 2 * len(states)) - len(states)):
                x = step(x)
                states.append(x)
            self.found = np.array(states, np.float64)
        return self.found[:count]


@lru_cache(maxsize=64)
def _sequence_from(make: Callable[..., Callable[[int], int]], numbers: tuple[Any, ...], seed: int) -> _Sequence:
    return _Sequence(make(*numbers), [seed], np.array([seed], np.float64))


def _sequence(script: Script, make: Callable[..., Callable[[int], int]], numbers: tuple[Any, ...], seed: int, bits: int,
              output: str, steps_first: bool) -> Steps:
    """make(*numbers) gives the step from state to state."""
    if output not in OUTPUTS or not 2 <= bits <= 53:
        raise DomainError(f"output is one of {', '.join(OUTPUTS)}, bits are 2 to 53")
    seeds = {0: seed, **{sample: int(value) for sample, name, value in script.events if name == "seed"}}
    starts = sorted(start for start in seeds if start < script.samples)
    found = np.zeros(script.samples)
    for start, end in zip(starts, [*starts[1:], script.samples], strict=True):
        states = _sequence_from(make, numbers, seeds[start]).first(end - start + steps_first)
        found[start:end] = states[int(steps_first) :]
    if output == "level":
        found = found / 2.0 ** (bits - 1) - 1.0
    elif output == "bit":
        found = found % 2
    return Steps(script, found)


def _shifted(form: str, taps: int, bits: int) -> Callable[[int], int]:
    if form == "folded":
        return lambda x: (x >> 1) ^ (taps if x & 1 else 0)
    return lambda x: (x >> 1) | (((x & taps).bit_count() & 1) << (bits - 1))


def _multiplied(multiplier: int, increment: int, mask: int) -> Callable[[int], int]:
    return lambda x: (multiplier * x + increment) & mask


def _xored(shifts: tuple[int, int, int], bits: int) -> Callable[[int], int]:
    exact = RationalContext()
    return lambda x: int(random_sources.xorshift_from_state(exact, Fraction(x), shifts=shifts, bits=bits))


def shift_register(ctx: Any, script: Script, *, taps: int, bits: int, seed: int = 1, form: str = "folded",
                   output: str = "state", steps_first: bool = False) -> Steps:
    """A shift register to the right: "folded" (Galois: taps are exclusive-ored where a 1 left) or "parity" (Fibonacci).

    Shape:   script to trajectory.
    Unit:    whole numbers below 2**bits, full scale, or a bit.
    Domain:  taps of 1 to 2**bits - 1; form "folded" or "parity"; a seed of 0 stays 0.
    Error:   exact.
    Source:  S. W. Golomb, Shift Register Sequences, 1967; tests/external/test_memory_in_time.py.

    >>> [hex(int(v)) for v in shift_register(None, Script(2, Fraction(1)), taps=0xB400, bits=16, seed=0xACE1).screen()[0]]
    ['0xace1', '0xe270']
    """
    if form not in ("folded", "parity") or not 1 <= taps < 2**bits:
        raise DomainError('form is "folded" or "parity", taps 1 to 2**bits - 1')
    return _sequence(script, _shifted, (form, taps, bits), seed, bits, output, steps_first)


def congruential(ctx: Any, script: Script, *, multiplier: int, increment: int, bits: int = 32, seed: int = 0,
                 output: str = "state", steps_first: bool = False) -> Steps:
    """A linear congruential generator: (multiplier state + increment) mod 2**bits.

    Shape:   script to trajectory.
    Unit:    as shift_register.
    Domain:  multiplier and increment 0 to 2**bits - 1.
    Error:   exact.
    Source:  D. E. Knuth, The Art of Computer Programming 2, 3.2.1; tests/external/test_memory_in_time.py.

    >>> s = Script(2, Fraction(1))
    >>> [int(v) for v in congruential(None, s, multiplier=1664525, increment=1013904223).screen()[0]]
    [0, 1013904223]
    """
    if not (0 <= multiplier < 2**bits and 0 <= increment < 2**bits):
        raise DomainError("multiplier and increment must lie in 0 to 2**bits - 1")
    mask = 2**bits - 1
    return _sequence(script, _multiplied, (multiplier, increment, mask), seed, bits, output, steps_first)


def xorshift(ctx: Any, script: Script, *, shifts: tuple[int, int, int] = (13, 17, 5), bits: int = 32, seed: int = 1,
             output: str = "state", steps_first: bool = False) -> Steps:
    """An xorshift generator: x ^= x << a; x ^= x >> b; x ^= x << c.

    Shape:   script to trajectory.
    Unit:    as shift_register.
    Domain:  shifts of 1 to bits - 1; a seed of 0 stays 0.
    Error:   exact.
    Source:  G. Marsaglia, "Xorshift RNGs", Journal of Statistical Software 8(14), 2003;
             tests/external/test_memory_in_time.py.

    >>> [int(v) for v in xorshift(None, Script(2, Fraction(1)), seed=2463534242).screen()[0]]
    [2463534242, 723471715]
    """
    return _sequence(script, _xored, (tuple(shifts), bits), seed, bits, output, steps_first)
