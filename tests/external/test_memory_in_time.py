"""Delay lines, ticks, sample and hold, random sources in time: against SciPy, published sequences and periods."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from scipy import signal

from reference import DomainError, memory_in_time, random_in_time
from reference.trajectories import Script

RATE = Fraction(48_000)
NOISE = np.random.default_rng(4).uniform(-1, 1, 600)


def script(samples: int = 600, *events: tuple[int, str, Any]) -> Script:
    return Script(samples, RATE, tuple((at, name, Fraction(value)) for at, name, value in events), {"x": NOISE[:samples]})


# SciPy: a delay is the filter z^-d; read linearly between d and d + 1 it is (1 - f) z^-d + f z^-(d + 1).
@pytest.mark.parametrize("delay", ["0", "7", "29/4", "599", "1000"])
def test_delays_equal_lfilter(delay: str) -> None:
    found = memory_in_time.delay_line(None, script(), delay=delay)
    whole, part = int(Fraction(delay)), float(Fraction(delay) % 1)
    wanted = signal.lfilter(np.concatenate([np.zeros(whole), [1 - part, part]]), [1.0], NOISE)

    assert np.abs(found.screen()[0] - wanted).max() < 1e-15
    for k in (0, 7, 8, 599):
        low, high = found.exact(k)
        assert low == high and abs(float(low) - wanted[k]) < 1e-15


def test_a_delay_that_changes_reads_elsewhere_at_once() -> None:
    changes = script(600, (100, "delay", 50), (101, "delay", 2))
    found = memory_in_time.delay_line(None, changes, delay=0, most_samples=40).screen()[0]

    assert found[99] == NOISE[99] and found[100] == NOISE[60] and found[101] == NOISE[99]


def test_a_sample_is_held() -> None:
    found = memory_in_time.sample_and_hold(None, script(600, (5, "hold", 1), (100, "hold", 1)), start="1/2").screen()[0]

    assert (found[:5] == 0.5).all() and (found[5:100] == NOISE[5]).all() and (found[100:] == NOISE[100]).all()


# ISO/IEC 9899, 6.2.5p9: unsigned integers wrap. 2^32 ms are 49.7103 days; at 48 kHz a millisecond is 48 samples.
def test_milliseconds_wrap_after_49_days() -> None:
    found = memory_in_time.ticks(None, Script(200, RATE), start=2**32 - 2).screen()[0]

    assert 2**32 / 86_400_000 == pytest.approx(49.7103, abs=1e-4)
    assert list(found[[0, 47, 48, 95, 96, 143, 144]]) == [2**32 - 2, 2**32 - 2, 2**32 - 1, 2**32 - 1, 0, 0, 1]
    odd = memory_in_time.ticks(None, Script(45_000, Fraction(44_100))).screen()[0]
    assert odd[44_099] == 999 and odd[44_100] == 1000


# The 16-bit register with taps 0xB400 (x^16 + x^14 + x^13 + x^11 + 1, primitive: a table entry of shift-register textbooks)
# runs through all 2^16 - 1 states; both forms do.
def test_the_published_period_of_a_16_bit_register() -> None:
    for how in (dict(taps=0xB400, form="folded"), dict(taps=0x002D, form="parity")):
        found = random_in_time.shift_register(None, Script(65_536, RATE), bits=16, seed=0xACE1, **how).screen()[0]

        assert found[65_535] == found[0] == 0xACE1
        assert len(np.unique(found[:65_535])) == 65_535 and found.min() == 1


# G. Marsaglia 2003: from 2463534242 the shifts 13, 17, 5 give 723471715, then 2497366906, 2064144800.
def test_the_published_start_of_xorshift() -> None:
    found = random_in_time.xorshift(None, Script(4, RATE), seed=2463534242).screen()[0]

    assert [int(v) for v in found] == [2463534242, 723471715, 2497366906, 2064144800]


# Numerical Recipes' constants as given by Knuth 3.3.4 (1664525, 1013904223): from 0 the states 3C6EF35F, 47502932, D1CCF6E9,
# AAF95334, 6252E503 (Numerical Recipes in C, 7.1, "quick and dirty" generators).
def test_the_published_start_of_a_congruential_generator() -> None:
    found = random_in_time.congruential(None, Script(5, RATE), multiplier=1664525, increment=1013904223, steps_first=True)

    assert [f"{int(v):08X}" for v in found.screen()[0]] == ["3C6EF35F", "47502932", "D1CCF6E9", "AAF95334", "6252E503"]


def test_seeds_levels_and_bits() -> None:
    events = ((2, "seed", Fraction(0)),)
    found = random_in_time.xorshift(None, Script(4, RATE, events), seed=1, output="level").screen()[0]
    bits = random_in_time.congruential(None, Script(4, RATE), multiplier=5, increment=3, bits=4, output="bit").screen()[0]

    assert (found[2:] == -1.0).all() and found[0] == 2.0**-31 - 1
    assert list(bits) == [0, 1, 0, 1]


def test_what_cannot_be_meant_is_refused() -> None:
    with pytest.raises(DomainError):
        memory_in_time.delay_line(None, script(), delay=-1)
    with pytest.raises(DomainError):
        memory_in_time.sample_and_hold(None, Script(3, RATE))
    with pytest.raises(DomainError):
        random_in_time.xorshift(None, Script(3, RATE), output="noise")
    with pytest.raises(DomainError):
        random_in_time.shift_register(None, Script(3, RATE), taps=0, bits=16)


@pytest.mark.parametrize("steps_first", [False, True])
def test_sequences_of_several_seeds_and_lengths_are_those_of_one_step_after_the_other(steps_first: bool) -> None:
    for count, seeds in ((3, {}), (700, {5: 9, 600: 77}), (40, {0: 9}), (2000, {1: 77, 2: 9})):
        events = tuple((at, "seed", Fraction(value)) for at, value in seeds.items())
        found = random_in_time.congruential(None, Script(count, Fraction(1), events), multiplier=1664525, seed=1,
                                            increment=1013904223, steps_first=steps_first).screen()[0].tolist()
        state, wanted = 1, []
        for k in range(count):
            state = seeds.get(k, state)
            after = (state * 1664525 + 1013904223) % 2**32
            wanted.append(after if steps_first else state)
            state = after

        assert found == wanted
