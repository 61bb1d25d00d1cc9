"""Random sources against published sequences and periods, and the shortest periods by running them."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import Any

import numpy as np
import pytest

from reference import DomainError, RationalContext, random_sources
from tests.external.screen_checks import assert_screen_keeps_its_word, exact

EXACT = RationalContext()


def states(function: Callable[..., Any], start: int, count: int, **constants: Any) -> list[int]:
    found, state = [], start
    for _ in range(count):
        state = int(function(EXACT, Fraction(state), **constants))
        found.append(state)
    return found


def period(function: Callable[..., Any], start: int, limit: int, **constants: Any) -> int:
    seen = states(function, start, limit, **constants)
    return 1 + seen.index(start)


# W. H. Press et al., Numerical Recipes in C, 2nd edition, section 7.1, "quick and dirty" generator: after 0 come
# (hexadecimal) 3C6EF35F, 47502932, D1CCF6E9, AAF95334, 6252E503, 9F2EC686, 57FE6C2D, A3D95FA8, 81FDBEE7, 94F0AF1A.
QUICK = [
    0x3C6EF35F, 0x47502932, 0xD1CCF6E9, 0xAAF95334, 0x6252E503,
    0x9F2EC686, 0x57FE6C2D, 0xA3D95FA8, 0x81FDBEE7, 0x94F0AF1A,
]


def test_congruential_sequence() -> None:
    found = states(random_sources.congruential_from_state, 0, 10, multiplier=1664525, increment=1013904223)

    assert QUICK == found


def test_congruential_agrees_with_unsigned_arithmetic() -> None:
    random = np.random.default_rng(1)
    for bits, kind in ((16, np.uint16), (32, np.uint32), (64, np.uint64)):
        for a, c, s in random.integers(0, 2**bits - 1, (50, 3), dtype=np.uint64):
            with np.errstate(over="ignore"):
                wanted = kind(a) * kind(s) + kind(c)
            found = exact(random_sources.congruential_from_state, int(s), multiplier=int(a), increment=int(c), bits=bits)
            assert int(wanted) == found


@pytest.mark.parametrize("multiplier", range(1, 64, 2))
@pytest.mark.parametrize("increment", [1, 2, 5])
def test_full_period_rule_agrees_with_running(multiplier: int, increment: int) -> None:
    # Hull and Dobell 1962.
    seen = states(random_sources.congruential_from_state, 0, 64, multiplier=multiplier, increment=increment, bits=6)

    assert random_sources.has_full_period(multiplier, increment, 6) == (len(set(seen)) == 64)


def test_xorshift_sequence() -> None:
    # G. Marsaglia 2003: seed 2463534242 with shifts 13, 17, 5; first outputs as widely printed.
    found = states(random_sources.xorshift_from_state, 2463534242, 5, shifts=(13, 17, 5))

    assert [723471715, 2497366906, 2064144800, 2008045182, 3532304609] == found


def _matrix(bits: int, step: Callable[[int], int]) -> np.ndarray:
    columns = [step(1 << k) for k in range(bits)]
    return np.array([[column >> row & 1 for column in columns] for row in range(bits)], dtype=np.int64)


def _power(matrix: np.ndarray, exponent: int) -> np.ndarray:
    result = np.eye(len(matrix), dtype=np.int64)
    while exponent:
        if exponent & 1:
            result = result @ matrix % 2
        matrix = matrix @ matrix % 2
        exponent >>= 1
    return result


FACTORS_32BIT = (3, 5, 17, 257, 65537)  # of 2**32 - 1


def test_xorshift_has_the_published_period() -> None:
    # Marsaglia 2003: 2**32 - 1. The step is linear over two elements, so its order is that of a matrix.
    def step(x: int) -> int:
        return int(random_sources.xorshift_from_state(EXACT, Fraction(x), shifts=(13, 17, 5)))

    one, matrix = np.eye(32, dtype=np.int64), _matrix(32, step)
    assert (_power(matrix, 2**32 - 1) == one).all()
    for factor in FACTORS_32BIT:
        assert (_power(matrix, (2**32 - 1) // factor) != one).any()


@pytest.mark.parametrize(("bits", "taps"), [(3, 0b110), (4, 0b1100), (7, 0x60), (8, 0xB8), (10, 0x240), (12, 0xE08)])
def test_shift_registers_have_the_longest_period(bits: int, taps: int) -> None:
    # Maximal-length taps as tabulated (x**8 + x**6 + x**5 + x**4 + 1 is 0xB8, and so on).
    assert 2**bits - 1 == period(random_sources.shift_register_from_state, 1, 2**bits, taps=taps, bits=bits)


def test_sixteen_bit_register() -> None:
    # x**16 + x**14 + x**13 + x**11 + 1: taps 0xB400 one way, 0x002D the other; period 65535 both.
    for function, taps in (
        (random_sources.shift_register_from_state, 0xB400),
        (random_sources.shift_register_parity_from_state, 0x002D),
    ):
        assert 65535 == period(function, 0xACE1, 65535, taps=taps, bits=16)


def test_zero_locks_a_shift_register() -> None:
    assert 0 == exact(random_sources.shift_register_from_state, 0, taps=0xB400, bits=16)
    assert 0 == exact(random_sources.shift_register_parity_from_state, 0, taps=0x2D, bits=16)
    assert 0 == exact(random_sources.xorshift_from_state, 0, shifts=(13, 17, 5))


def test_levels() -> None:
    assert [-1, 0, 1 - Fraction(1, 2**31)] == [
        exact(random_sources.level_from_state, state) for state in (0, 2**31, 2**32 - 1)
    ]


def test_outside_the_domain() -> None:
    for function, wrong in (
        (random_sources.congruential_from_state, dict(multiplier=2**32, increment=0)),
        (random_sources.xorshift_from_state, dict(shifts=(0, 1, 2))),
        (random_sources.shift_register_from_state, dict(taps=0, bits=8)),
        (random_sources.level_from_state, dict(bits=1)),
    ):
        with pytest.raises(DomainError):
            exact(function, 1, **wrong)


@pytest.mark.parametrize("bits", [8, 16, 31, 32])
def test_congruential_screen_is_exact(bits: int) -> None:
    numbers = dict(multiplier=1664525 % 2**bits, increment=1013904223 % 2**bits, bits=bits)

    assert_screen_keeps_its_word(
        random_sources.congruential_from_state, [(0, 2.0**bits - 1)], whole=True, sure=True, **numbers
    )
