"""Sets of ordinals against Python's own sets; grids: ordinal and value lead to each other."""

import itertools
import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from verify.domain import Domain
from verify.grids import Grid, binary32, codes, fixed, integers, values
from verify.hunting.intervals import clip, cut, size, subtract, union
from verify.number_formats import float32_at_least, float32_from_ordinal, ordinal_from_float32

ENDS = st.integers(-40, 120)
RAW = st.lists(st.tuples(ENDS, ENDS), max_size=12).map(lambda pairs: np.array(pairs, np.int64).reshape(-1, 2))
LARGEST = ordinal_from_float32(float(np.finfo(np.float32).max))
FLOATS = st.integers(-1 - LARGEST, LARGEST).map(float32_from_ordinal)


def members(parts: np.ndarray) -> set[int]:
    return {n for start, end in parts for n in range(int(start), int(end))}


def in_order(parts: np.ndarray) -> bool:
    """Sorted, none empty, no two touching."""
    flat = parts.ravel()
    return bool(np.all(flat[1:] > flat[:-1])) and parts.dtype == np.int64 and parts.shape[1:] == (2,)


@given(st.lists(RAW, max_size=4))
def test_a_union_holds_what_any_part_holds(sets: list[np.ndarray]) -> None:
    found = union(*sets)

    assert set().union(*map(members, sets)) == members(found)
    assert in_order(found)
    assert size(found) == len(members(found))


@given(RAW, RAW)
def test_a_difference_holds_what_is_in_the_first_alone(a: np.ndarray, b: np.ndarray) -> None:
    wanted, taken = union(a), union(b)
    left = subtract(wanted, taken)

    assert members(wanted) - members(taken) == members(left)
    assert in_order(left)


@given(RAW, st.integers(0, 100))
def test_clipping_keeps_what_lies_inside(raw: np.ndarray, count: int) -> None:
    found = clip(raw, count)

    assert members(raw) & set(range(count)) == members(found)
    assert in_order(found)


@given(RAW, st.lists(ENDS, unique=True, max_size=20).map(sorted))
def test_cutting_keeps_every_ordinal_and_leaves_no_edge_inside(raw: np.ndarray, edges: list[int]) -> None:
    parts = union(raw)
    pieces = cut(parts, np.array(edges, np.int64))

    assert np.array_equal(union(parts), union(pieces))
    assert size(parts) == size(pieces)
    assert all(start < end for start, end in pieces)
    assert not [edge for edge in edges for start, end in pieces if start < edge < end]
    assert {int(s) for s, _ in pieces} <= {int(s) for s, _ in parts} | set(edges)


@st.composite
def float_grids(draw: st.DrawFn) -> Grid:
    """Grids of every binary32 between two floats."""
    low, high = sorted([draw(FLOATS), draw(FLOATS)])
    # As fractions: a float stands for the decimal it is written as, which may lie just outside itself.
    return binary32("x", Fraction(low), Fraction(high), "")  # type: ignore[arg-type]


@st.composite
def small_grids(draw: st.DrawFn) -> Grid:
    """A grid of any other kind."""
    kind = draw(st.sampled_from(["integers", "codes", "fixed", "values"]))
    if kind == "codes":
        return codes("x", draw(st.integers(1, 12)))
    if kind == "integers":
        low = draw(st.integers(-(2**31), 2**31))
        return integers("x", low, low + draw(st.integers(0, 5000)), "", step=draw(st.integers(1, 99)))
    if kind == "fixed":
        bits, first = draw(st.integers(0, 31)), draw(st.integers(-(2**31), 2**31))
        scale = Fraction(1, 2**bits)
        last = first + draw(st.integers(0, 3000))
        low = Fraction(first) * scale - draw(st.sampled_from([Fraction(0), scale / 3]))
        return fixed("x", low, last * scale, "", fraction_bits=bits)  # type: ignore[arg-type]
    return values("x", draw(st.lists(st.floats(-1e6, 1e6, width=32), min_size=1, max_size=30)), "")


def draws_of(grid: Grid, data: st.DataObject) -> int:
    return data.draw(st.integers(0, grid.count - 1), label="ordinal")


@given(float_grids(), st.data())
def test_a_float_grid_counts_through_every_neighbour(grid: Grid, data: st.DataObject) -> None:
    index = draws_of(grid, data)
    here = np.float32(float(grid.value(index)))

    assert Fraction(float(here)) == grid.value(index)
    assert (grid.low, grid.high) == (grid.value(0), grid.value(grid.count - 1))
    if index + 1 < grid.count:
        following = np.float32(float(grid.value(index + 1)))
        both_zero = here == 0 and following == 0
        assert both_zero or np.nextafter(here, np.float32(np.inf)) == following


@given(float_grids(), st.data())
def test_the_raw_bits_of_a_float_grid_are_its_ordinals(grid: Grid, data: st.DataObject) -> None:
    index = draws_of(grid, data)
    single = np.frombuffer(grid.raw(np.array([index]), 0), np.float32)[0]
    double = np.frombuffer(grid.raw(np.array([index]), 1), np.float64)[0]

    assert grid.first + index == ordinal_from_float32(float(single))
    assert single.tobytes() == np.float32(double).tobytes()
    assert grid.value(index) == Fraction(float(single)) == Fraction(float(grid.doubles(np.array([index]))[0]))
    assert index == int(grid.nearest_indices(np.array([float(single)]))[0]) or single == 0


@given(FLOATS)
def test_a_float_is_found_again_by_its_ordinal(value: float) -> None:
    again = float32_from_ordinal(ordinal_from_float32(value))

    assert np.float32(value).tobytes() == np.float32(again).tobytes()


HUGE = Fraction(float(np.finfo(np.float32).max))


@given(st.fractions(max_denominator=10**60).map(lambda f: f * Fraction(2) ** -20) | st.floats(allow_nan=False,
       allow_infinity=False).map(Fraction))  # fmt: skip
def test_the_least_float_not_below_a_value_has_its_neighbour_below_it(value: Fraction) -> None:
    found = float32_at_least(value)
    before = ordinal_from_float32(found) - 1 - (found == 0)

    assert Fraction(found) >= value or (value > HUGE and found == HUGE)
    assert before < -1 - LARGEST or Fraction(float32_from_ordinal(before)) < value


@given(float_grids() | small_grids(), st.data())
def test_the_index_near_a_value_is_the_first_point_not_below_it(grid: Grid, data: st.DataObject) -> None:
    index = draws_of(grid, data)
    share = data.draw(st.fractions(0, 1, max_denominator=1000), label="share of the way to the next point")
    here, following = grid.value(index), grid.value(min(index + 1, grid.count - 1))
    value = here + (following - here) * share
    found = grid.index_near(value)

    assert grid.value(found) >= value
    assert found == 0 or grid.value(found - 1) < value or value == 0 == grid.value(found)


@given(float_grids() | small_grids(), st.fractions(min_value=1, max_value=10**9))
def test_values_beyond_the_ends_give_the_ends(grid: Grid, beyond: Fraction) -> None:
    assert grid.value(0) == grid.value(grid.index_near(grid.low - beyond))
    assert grid.count - 1 == grid.index_near(grid.high + beyond)


@given(small_grids(), st.data())
def test_a_grid_leads_from_ordinal_to_value_and_back(grid: Grid, data: st.DataObject) -> None:
    index = draws_of(grid, data)

    assert index == grid.index_near(grid.value(index))
    assert index == int(grid.nearest_indices(grid.doubles(np.array([index])))[0])
    assert grid.value(index) == Fraction(float(grid.doubles(np.array([index]))[0]))
    assert index == 0 or grid.value(index - 1) < grid.value(index)


@given(st.lists(small_grids(), min_size=1, max_size=3), st.data())
def test_ordinals_of_a_product_count_like_nested_loops(grids: list[Grid], data: st.DataObject) -> None:
    assume(math.prod(grid.count for grid in grids) < 2**62)
    domain = Domain(tuple(grids), (8,) * len(grids))
    chosen = [data.draw(st.integers(0, grid.count - 1), label="index") for grid in grids]
    ordinal = 0
    for grid, index in zip(grids, chosen, strict=True):
        ordinal = ordinal * grid.count + index

    assert math.prod(grid.count for grid in grids) == domain.count
    assert chosen == [int(index[0]) for index in domain.indices(np.array([ordinal]))]
    assert tuple(grid.value(index) for grid, index in zip(grids, chosen, strict=True)) == domain.values(ordinal)
    assert ordinal == domain.ordinal_near(domain.values(ordinal))


@given(float_grids() | small_grids(), st.integers(1, 300))
def test_bins_and_flag_zones_cover_a_domain_once(grid: Grid, bins: int) -> None:
    domain = Domain((grid,), (0,))
    edges, zones = domain.bin_edges(bins), domain.zones()

    assert (0, domain.count) == (edges[0], edges[-1])
    assert np.all(np.diff(edges) > 0) and len(edges) <= bins + 1
    assert (0, domain.count) == (zones[0][0], zones[-1][1])
    assert all(start < end for start, end, _ in zones)
    assert all(one[1] == other[0] for one, other in itertools.pairwise(zones))


@pytest.mark.parametrize(("low", "high"), [(-1e39, 0), (0, 1e39), (-1e300, 1e300)])
def test_a_range_beyond_the_largest_float_ends_at_the_largest_float(low: float, high: float) -> None:
    grid = binary32("x", low, high, "")

    assert (max(Fraction(low), -HUGE), min(Fraction(high), HUGE)) == (grid.value(0), grid.value(grid.count - 1))


@given(FLOATS, FLOATS)
def test_an_end_that_is_a_float_belongs_to_the_range(one: float, other: float) -> None:
    low, high = sorted([one, other])
    grid = binary32("x", low, high, "")

    assert (low, high) == (float(grid.value(0)), float(grid.value(grid.count - 1)))
