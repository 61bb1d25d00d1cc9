"""Float64 screens: a reference as a fast straight-line program with a guaranteed error bound.

`screen` traces a reference over given input ranges, proves how far its float64 evaluation can be from the
exact value, and offers it in numpy (`evaluate`), in C (`c_source`, the same bits) and in double-double
(`finer`). A value within the bound of a limit must be judged again by `precision.decide`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from functools import lru_cache
from math import inf, isfinite, nextafter
from pathlib import Path
from typing import Any

import numpy as np

from reference import double_double as dd
from reference import double_double_kernels as dk
from reference import kernels
from reference.c_emission import c_function
from reference.direction import is_monotone
from reference.error_bounds import FLOAT64, Arithmetic, Bound, bounds, stored_constant
from reference.errors import DomainError, NoScreen
from reference.graphs import Graph, trace

Ranges = Sequence[tuple[float | Fraction, float | Fraction]]

FINER = Arithmetic(
    add=dd.SUM_BOUND,
    multiply=dd.PRODUCT_BOUND,
    divide=dd.QUOTIENT_BOUND,
    sqrt=dd.ROOT_BOUND,
    exp2=dk.EXP2_BOUND,
    exp=dk.EXP_BOUND,
    log2=dk.LOG_BOUND,
    log=dk.LOG_BOUND,
    sine=dk.SINE_BOUND,
    tanh=dk.TANH_BOUND,
    log_absolute=dk.LOG_ABSOLUTE,
    sine_absolute=dk.SINE_ABSOLUTE,
    tiny=dd.TINY,
)

_FLOAT64_OPERATIONS: dict[str, Callable[..., Any]] = {
    "copy": lambda x: x * 1.0,
    "add": lambda a, b: a + b,
    "subtract": lambda a, b: a - b,
    "multiply": lambda a, b: a * b,
    "divide": lambda a, b: a / b,
    "negative": lambda x: -x,
    "absolute": np.abs,
    "minimum": lambda a, b: np.where((a < b) | np.isnan(a), a, b),
    "maximum": lambda a, b: np.where((a > b) | np.isnan(a), a, b),
    "sqrt": lambda x: np.sqrt(np.where(x < 0, np.nan, x)),
    "exp2": kernels.exp2,
    "exp": kernels.exp,
    "log2": kernels.log2,
    "log": kernels.log,
    "sin_turns": kernels.sin_turns,
    "cos_turns": kernels.cos_turns,
    "tanh": kernels.tanh,
}

_FINER_OPERATIONS: dict[str, Callable[..., Any]] = {
    "copy": lambda x: x,
    "add": dd.add,
    "subtract": dd.subtract,
    "multiply": dd.multiply,
    "divide": dd.divide,
    "negative": dd.negative,
    "absolute": dd.absolute,
    "minimum": lambda a, b: dd.choose(dd.less(a, b) | np.isnan(a[0]), a, b),
    "maximum": lambda a, b: dd.choose(dd.less(b, a) | np.isnan(a[0]), a, b),
    "sqrt": dd.root,
    "exp2": dk.exp2,
    "exp": dk.exp,
    "log2": dk.log2,
    "log": dk.log,
    "sin_turns": dk.sin_turns,
    "cos_turns": dk.cos_turns,
    "tanh": dk.tanh,
}


@dataclass(frozen=True, slots=True, eq=False)
class Screen:
    """A reference as float64 arithmetic over fixed input ranges.

    low, high: enclosure of the exact result, in its unit. relative_bound: |computed - exact|/|exact| is at
    most this for exact results of 2**-200 and more (inf where no such bound is known).
    absolute_bound: |computed - exact| is at most this, in the unit
    of the result. finer_*: the same for `finer`. rational: the reference has only rational operations and
    could be judged exactly. monotone: it is shown to keep to one direction over the ranges. key: sha256 of
    all that determines the values and bounds.
    """

    low: float
    high: float
    relative_bound: float
    absolute_bound: float
    finer_relative_bound: float
    finer_absolute_bound: float
    rational: bool
    monotone: bool
    key: str
    ranges: tuple[tuple[Fraction, Fraction], ...]
    graph: Graph = field(repr=False)
    constants: Mapping[int, tuple[float, float, float]] = field(repr=False)
    margins: Mapping[int, tuple[float, float]] = field(default_factory=dict, repr=False)

    def evaluate(self, arrays: Sequence[np.ndarray]) -> np.ndarray:
        """The screen's value for each input.

        Shape:   one float64 array per input, equal lengths; result the same length.
        Unit:    those of the reference.
        Domain:  inputs within `ranges`, else DomainError (the bounds would not hold).
        Error:   relative_bound and absolute_bound.
        Source:  error_bounds; tests/property/test_reference_screens.py.
        """
        values: list[Any] = [*self._checked(arrays)]
        shape = values[0].shape if values else (1,)
        for index, node in enumerate(self.graph.nodes[self.graph.inputs :], self.graph.inputs):
            if node.operation == "constant":
                values.append(self.constants[index][0])
            elif node.operation == "floor":
                values.append(floor_or_nan(values[node.arguments[0]], self.margins[index][0]))
            elif node.operation == "table":
                values.append(entry_or_nan([float(value) for value in node.table], values[node.arguments[0]]))
            else:
                operands = [values[argument] for argument in node.arguments]
                values.append(_FLOAT64_OPERATIONS[node.operation](*operands))
        return np.array(np.broadcast_to(values[-1], shape), dtype=np.float64)

    def finer(self, arrays: Sequence[np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
        """The value in double-double: hi + lo is within finer_relative_bound and finer_absolute_bound.

        Shape:   one float64 array per input, equal lengths; two results of the same length.
        Unit:    those of the reference.
        Domain:  inputs within `ranges`, else DomainError.
        Error:   finer_relative_bound and finer_absolute_bound.
        Source:  double_double, double_double_kernels; tests/property/test_reference_screens.py.
        """
        values: list[Any] = [(array, np.zeros_like(array)) for array in self._checked(arrays)]
        shape = values[0][0].shape if values else (1,)
        for index, node in enumerate(self.graph.nodes[self.graph.inputs :], self.graph.inputs):
            if node.operation == "constant":
                first, second = self.constants[index][1:]
                values.append((np.full(shape, first), np.full(shape, second)))
            elif node.operation == "floor":
                values.append(finer_floor_or_nan(values[node.arguments[0]], self.margins[index][1]))
            elif node.operation == "table":
                parts = zip(*(stored_constant(value, 2)[0] for value in node.table), strict=True)
                values.append(tuple(entry_or_nan(list(part), values[node.arguments[0]][0]) for part in parts))
            else:
                operands = [values[argument] for argument in node.arguments]
                values.append(_FINER_OPERATIONS[node.operation](*operands))
        return values[-1][0], values[-1][1]

    def c_source(self, name: str) -> str:
        """C text of `void name(const double *const *inputs, double *result, long n)`, kernels included.

        The same bits as `evaluate`, if compiled without contraction and for round-to-nearest. Inputs are not
        checked against `ranges`.
        """
        stored = {index: values[0] for index, values in self.constants.items()}
        return c_function(name, self.graph, stored, self.key, {k: plain for k, (plain, _) in self.margins.items()})

    def _checked(self, arrays: Sequence[np.ndarray]) -> list[np.ndarray]:
        if len(arrays) != self.graph.inputs:
            raise DomainError(f"screen of {self.graph.inputs} inputs was given {len(arrays)} arrays")
        checked = []
        for place, (array, (low, high)) in enumerate(zip(arrays, self.ranges, strict=True), 1):
            values = np.ascontiguousarray(array, dtype=np.float64)
            if values.size and not _within(values, low, high):
                raise DomainError(
                    f"input {place} of a screen runs from {values.min()!r} to {values.max()!r}, outside "
                    f"[{float(low)!r}, {float(high)!r}] for which its error is proven; ask for a wider screen"
                )
            checked.append(values)
        return checked


def floor_or_nan(x: Any, margin: float) -> Any:
    """The floor of x; NaN where x lies within margin of an integer, unless x is exact (margin 0).

    Shape:   float64 scalar or array, result alike.
    Unit:    none.
    Domain:  |x| <= 2**50.
    Error:   none where it is not NaN, if x is off by at most margin.
    Source:  twin of kernel_floor_or_nan in kernels.h.

    >>> float(floor_or_nan(np.float64(2.5), 1e-9)), float(floor_or_nan(np.float64(-0.5), 0.0))
    (2.0, -1.0)
    """
    nearest = (x + kernels.ROUNDER) - kernels.ROUNDER
    rest = x - nearest
    doubt = (np.abs(rest) <= margin) & (margin > 0)
    return np.where(doubt, np.nan, nearest - (rest < 0))


def finer_floor_or_nan(x: Any, margin: float) -> Any:
    """The same for a double-double."""
    high, low = x
    nearest = (high + kernels.ROUNDER) - kernels.ROUNDER
    rest = (high - nearest) + low
    doubt = (np.abs(rest) <= margin) & (margin > 0)
    whole = np.where(doubt, np.nan, nearest - (rest < 0))
    return whole, np.zeros_like(whole)


def entry_or_nan(entries: Sequence[float], place: Any) -> Any:
    """The entry at each integer place; NaN where the place is NaN or outside.

    Shape:   float64 array of places, result alike.
    Unit:    that of the entries.
    Domain:  integers of 0 to len(entries) - 1.
    Error:   none.
    Source:  twin of kernel_entry in kernels.h.

    >>> float(entry_or_nan([0.0, 5.0], np.float64(1.0)))
    5.0
    """
    known = (place >= 0) & (place <= len(entries) - 1)
    chosen = np.asarray(entries)[np.where(known, place, 0).astype(np.int64)]
    return np.where(known, chosen, np.nan)


def _within(values: np.ndarray, low: Fraction, high: Fraction) -> bool:
    """False for NaN too, since NaN wins min and max."""
    least, greatest = float(values.min()), float(values.max())
    return isfinite(least) and isfinite(greatest) and low <= Fraction(least) and Fraction(greatest) <= high


def screen(function: Callable[..., Any], ranges: Ranges, constants: Mapping[str, object],
           steps: Sequence[Fraction | None] = ()) -> Screen | None:
    """The screen of a reference over input ranges, or None if it has none (why_no_screen says why).

    Shape:   one (low, high) per input, ends included; constants by keyword; steps: of each input, a number of which all its
             values are multiples (None or left out: none is known).
    Unit:    those of the reference.
    Domain:  ranges within which every intermediate stays below 2**900 and every kernel in its proven domain.
    Error:   stated by the result's bounds, rounded up.
    Source:  standard forward error analysis (N. J. Higham, Accuracy and Stability of Numerical Algorithms,
             chapter 3); tests/property/test_reference_screens.py.

    >>> found = screen(lambda ctx, volts: 440 * ctx.exp2(volts), [(-5.0, 5.0)], {})
    >>> found.low, found.high, found.relative_bound < 2**-50
    (13.75, 14080.0, True)
    """
    try:
        return _screen(function, ranges, constants, steps)
    except NoScreen:
        return None


def why_no_screen(
    function: Callable[..., Any], ranges: Ranges, constants: Mapping[str, object], steps: Sequence[Fraction | None] = ()
) -> str | None:
    """One sentence on what keeps a reference from having a screen over these ranges; None if it has one.

    >>> why_no_screen(lambda ctx, x: ctx.exp2(x), [(0, 1000)], {})
    'exp2 outside [-900, 900]'
    """
    try:
        _screen(function, ranges, constants, steps)
    except NoScreen as error:
        return str(error)
    return None


def _screen(function: Callable[..., Any], ranges: Ranges, constants: Mapping[str, object],
            steps: Sequence[Fraction | None]) -> Screen:
    for low, high in ranges:
        if not (-inf < low < inf and -inf < high < inf):
            raise NoScreen(f"input range [{low}, {high}] is not finite")
    exact_ranges = tuple((Fraction(low), Fraction(high)) for low, high in ranges)
    graph = trace(function, exact_ranges, constants)
    stored: dict[int, tuple[float, float, float]] = {}
    plain_error, finer_error = {}, {}
    for index, node in enumerate(graph.nodes):
        if node.operation == "constant":
            assert node.constant is not None
            (single,), plain_error[index] = stored_constant(node.constant, 1)
            (first, second), finer_error[index] = stored_constant(node.constant, 2)
            stored[index] = (single, first, second)
    plain_bounds, finer_bounds = bounds(graph, FLOAT64, plain_error, steps), bounds(graph, FINER, finer_error, steps)
    plain, finer = _final_bounds(graph, plain_bounds), _final_bounds(graph, finer_bounds)
    margins = {index: (_above(plain_bounds[node.arguments[0]].total), _above(finer_bounds[node.arguments[0]].total))
               for index, node in enumerate(graph.nodes) if node.operation == "floor"}
    result = graph.nodes[-1]
    low, high = _below(result.low) + 0.0, _above(result.high) + 0.0  # no negative zero
    return Screen(
        low=low,
        high=high,
        relative_bound=plain[0],
        absolute_bound=plain[1],
        finer_relative_bound=finer[0],
        finer_absolute_bound=finer[1],
        rational=graph.rational,
        monotone=is_monotone(graph),
        key=_key(graph, exact_ranges, stored, (low, high, *plain, *finer, sorted(margins.items()))),
        ranges=exact_ranges,
        graph=graph,
        constants=stored,
        margins=margins,
    )


def _final_bounds(graph: Graph, found: list[Bound]) -> tuple[float, float]:
    node, bound = graph.nodes[-1], found[-1]
    if bound.exact:
        return 0.0, 0.0
    if node.smallest == 0:
        # What underflow can add matters only to results far below every format judged here.
        nearly = inf if bound.relative is None else _above(bound.relative + bound.absolute * 2**200)
        return (nearly if nearly < 2.0**-30 else inf), _above(bound.total)
    relative = bound.total / node.smallest
    if bound.relative is not None:
        relative = min(relative, bound.relative + bound.absolute / node.smallest)
    return _above(relative), _above(min(bound.total, relative * node.largest))


def _above(value: Fraction) -> float:
    nearest = float(value)
    return nearest if Fraction(nearest) >= value else nextafter(nearest, inf)


def _below(value: Fraction) -> float:
    return -_above(-value)


def _key(graph: Graph, ranges: object, stored: Mapping[int, tuple[float, float, float]], ends: object) -> str:
    steps = [(node.operation, node.arguments, node.table) for node in graph.nodes]
    parts = [steps, ranges, sorted(stored.items()), ends, _evaluating_code()]
    return hashlib.sha256(repr(parts).encode()).hexdigest()


@lru_cache(maxsize=1)
def _evaluating_code() -> str:
    """Digest of the files whose text decides what a given graph evaluates to."""
    names = ["c_emission.py", "double_double.py", "double_double_kernels.py"]
    names += ["kernels.h", "kernels.py", "tracing.py"]
    digest = hashlib.sha256()
    for name in names:
        digest.update((Path(__file__).parent / name).read_bytes())
    return digest.hexdigest()
