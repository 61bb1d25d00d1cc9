"""Expression graph of a reference over given input ranges.

Running a reference in a TracingContext yields a straight-line graph: inputs, constants, and operations, each
with a rigorous enclosure of its exact values over all inputs in range. Constants are folded exactly
(Fractions where rational, 320-bit intervals otherwise). Comparisons are answered from ranges; one that
depends on the input has no straight-line form: NoScreen says so.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from math import floor
from typing import Any

from mpmath.libmp import from_int

from reference.context import Context, Number, Operand
from reference.errors import DomainError, NoScreen, NotRational, Undecidable
from reference.intervals import Interval, IntervalContext
from reference.rationals import RationalContext

WIDE = IntervalContext(320)
"""Ranges and irrational constants; far beyond double-double, so its own width never matters."""
# A range that is no farther below zero than this share of itself is there by rounding.
ROUNDED_AWAY = Fraction(1, 2**200)

_EXACT = RationalContext()


@dataclass(frozen=True, slots=True, eq=False)
class Node:
    """One step. operation: "input", "constant" or a name below; arguments: indices of earlier nodes.

    low, high: enclosure of the exact value over the input ranges. constant: its value if it has only one.
    table: the entries of operation "table", whose argument is the place.
    """

    operation: str
    arguments: tuple[int, ...]
    low: Fraction
    high: Fraction
    constant: Fraction | Interval | None = None
    table: tuple[Fraction, ...] = ()

    @property
    def largest(self) -> Fraction:
        """Greatest absolute value."""
        return max(abs(self.low), abs(self.high))

    @property
    def smallest(self) -> Fraction:
        """Least absolute value; 0 if the range touches 0."""
        return Fraction(0) if self.low <= 0 <= self.high else min(abs(self.low), abs(self.high))


@dataclass(frozen=True, slots=True, eq=False)
class Graph:
    """Nodes in order of evaluation; the last is the result. Inputs come first, one per argument."""

    nodes: tuple[Node, ...]
    inputs: int

    @property
    def rational(self) -> bool:
        """True if only + - * /, absolute values and minima of rational numbers occur."""
        irrational = any(isinstance(node.constant, Interval) for node in self.nodes)
        return not irrational and not any(node.operation in _IRRATIONAL for node in self.nodes)


_IRRATIONAL = frozenset(["exp2", "exp", "log2", "log", "sqrt", "sin_turns", "cos_turns", "tanh"])


class Traced(Operand):
    """A node under construction; `constant` is its value if it has only one, `span` its range."""

    __slots__ = ("constant", "index", "span")

    def __init__(
        self, context: Context, span: Interval, constant: Fraction | Interval | None, index: int | None
    ) -> None:
        self.context, self.span, self.constant, self.index = context, span, constant, index


def trace(
    function: Callable[..., Any],
    ranges: Sequence[tuple[float | Fraction, float | Fraction]],
    constants: Mapping[str, object],
) -> Graph:
    """The graph of function(ctx, *inputs, **constants) over the ranges; NoScreen with the reason if none.

    Range ends are exact: a float means its binary value.
    """
    ctx = TracingContext()
    try:
        inputs = [ctx.input(Fraction(low), Fraction(high)) for low, high in ranges]
        result = ctx.own(function(ctx, *inputs, **constants))
    except DomainError as error:
        raise NoScreen(f"outside the domain of the reference: {error}") from None
    except Undecidable as error:
        raise NoScreen(f"part of the input range lies outside a domain: {error}") from None
    except (OverflowError, ValueError, TypeError) as error:
        raise NoScreen(f"{type(error).__name__}: {error}") from None
    return ctx.graph(result, len(inputs))


class TracingContext(Context):
    """Builds the graph; equal operations share one node."""

    def __init__(self) -> None:
        self._nodes: list[Node] = []
        self._known: dict[tuple[object, ...], int] = {}

    def input(self, low: Fraction, high: Fraction) -> Traced:
        if low > high:
            raise NoScreen(f"input range [{low}, {high}] is empty")
        span = Interval(WIDE, WIDE.constant(low).low, WIDE.constant(high).high)
        return self._node("input", (), span, key=("input", len(self._nodes)))

    def graph(self, result: Traced, inputs: int) -> Graph:
        """Only what the result needs, with the inputs kept in place."""
        last = self._place(result)
        needed = {last, *range(inputs)}
        for index in range(last, -1, -1):
            if index in needed:
                needed.update(self._nodes[index].arguments)
        order = [index for index in range(len(self._nodes)) if index in needed]
        if last in range(inputs):  # the result is an input itself: evaluate x * 1
            order.append(last)
        place = {index: position for position, index in reversed(list(enumerate(order)))}
        nodes = []
        for position, index in enumerate(order):
            node = self._nodes[index]
            if position >= inputs and node.operation == "input":
                nodes.append(Node("copy", (index,), node.low, node.high))
                continue
            arguments = tuple(place[argument] for argument in node.arguments)
            nodes.append(Node(node.operation, arguments, node.low, node.high, node.constant, node.table))
        return Graph(tuple(nodes), inputs)

    def _node(
        self,
        operation: str,
        arguments: tuple[int, ...],
        span: Interval,
        constant: Fraction | Interval | None = None,
        key: tuple[object, ...] | None = None,
    ) -> Traced:
        key = key or (operation, arguments)
        index = self._known.get(key)
        if index is None:
            low, high = span.ends()
            index = self._known[key] = len(self._nodes)
            self._nodes.append(Node(operation, arguments, low, high, constant))
        return Traced(self, span, constant, index)

    def _place(self, x: Traced) -> int:
        """Index of x, giving a constant its node on first use."""
        if x.index is None:
            ends = x.span.ends()
            exact = x.constant if isinstance(x.constant, Fraction) else None
            x.index = self._node("constant", (), x.span, x.constant, key=("constant", exact, ends)).index
        assert x.index is not None
        return x.index

    # constants

    def constant(self, value: Fraction) -> Traced:
        return Traced(self, WIDE.constant(value), value, None)

    @property
    def pi(self) -> Traced:
        return Traced(self, WIDE.pi, WIDE.pi, None)

    def _folded(self, operation: str, arguments: Sequence[Traced]) -> Traced | None:
        values = [argument.constant for argument in arguments]
        if any(value is None for value in values):
            return None
        if all(isinstance(value, Fraction) for value in values):
            try:
                return self.constant(Fraction(getattr(_EXACT, operation)(*values)))
            except NotRational:
                pass
        value = getattr(WIDE, operation)(*(argument.span for argument in arguments))
        low, high = value.ends()
        return self.constant(low) if low == high else Traced(self, value, value, None)

    def _apply(self, operation: str, *operands: Number) -> Traced:
        arguments = [self.own(operand) for operand in operands]
        folded = self._folded(operation, arguments)
        if folded is not None:
            return folded
        span = getattr(WIDE, operation)(*(argument.span for argument in arguments))
        return self._node(operation, tuple(self._place(argument) for argument in arguments), span)

    # arithmetic

    def add(self, a: Number, b: Number) -> Number:
        a, b = self.own(a), self.own(b)
        if a.constant == 0:
            return b
        return a if b.constant == 0 else self._apply("add", a, b)

    def subtract(self, a: Number, b: Number) -> Number:
        a, b = self.own(a), self.own(b)
        return a if b.constant == 0 else self._apply("subtract", a, b)

    def multiply(self, a: Number, b: Number) -> Number:
        a, b = self.own(a), self.own(b)
        if a.constant == 0 or b.constant == 0:
            return self.constant(Fraction(0))
        if a.constant == 1:
            return b
        if b.constant == 1:
            return a
        if a.constant is None and a.index is not None and a.index == b.index:
            return self._square(a)
        return self._apply("multiply", a, b)

    def _square(self, x: Traced) -> Traced:
        """A product with itself is never negative, whatever the range."""
        low, high = x.span.ends()
        product = WIDE.multiply(x.span, x.span)
        if low < 0 < high:
            product = Interval(WIDE, WIDE.constant(Fraction(0)).low, product.high)
        place = self._place(x)
        return self._node("multiply", (place, place), product)

    def divide(self, a: Number, b: Number) -> Number:
        a, b = self.own(a), self.own(b)
        if b.constant is not None and a.constant is None:
            return self.multiply(a, self._apply("divide", 1, b))  # a product is several times faster
        return self._apply("divide", a, b)

    def negative(self, x: Number) -> Number:
        return self._apply("negative", x)

    def exp2(self, x: Number) -> Number:
        return self._apply("exp2", x)

    def log2(self, x: Number) -> Number:
        return self._apply("log2", x)

    def exp(self, x: Number) -> Number:
        return self._apply("exp", x)

    def log(self, x: Number) -> Number:
        return self._apply("log", x)

    def sqrt(self, x: Number) -> Number:
        x = self.own(x)
        low, high = x.span.ends()
        if x.constant is None and -high * ROUNDED_AWAY < low < 0:
            # Only the rounding of the range's own ends leads below zero.
            root = WIDE.sqrt(WIDE.constant(high))
            return self._node("sqrt", (self._place(x),), Interval(WIDE, WIDE.constant(Fraction(0)).low, root.high))
        return self._apply("sqrt", x)

    def sin_turns(self, x: Number) -> Number:
        return self._apply("sin_turns", x)

    def cos_turns(self, x: Number) -> Number:
        return self._apply("cos_turns", x)

    def tanh(self, x: Number) -> Number:
        return self._apply("tanh", x)

    def absolute(self, x: Number) -> Number:
        x = self.own(x)
        low, high = x.span.ends()
        if low >= 0:
            return x
        return self.negative(x) if high <= 0 else self._apply("absolute", x)

    # decisions: answered from the ranges where they settle it

    def minimum(self, a: Number, b: Number) -> Number:
        return self._extreme("minimum", self.own(a), self.own(b))

    def maximum(self, a: Number, b: Number) -> Number:
        return self._extreme("maximum", self.own(b), self.own(a))

    def _extreme(self, operation: str, a: Traced, b: Traced) -> Traced:
        """The least of a and b for "minimum", of b and a reversed for "maximum"."""
        (a_low, a_high), (b_low, b_high) = a.span.ends(), b.span.ends()
        if a_high <= b_low:
            return a if operation == "minimum" else b
        if b_high <= a_low:
            return b if operation == "minimum" else a
        return self._apply(operation, a, b)

    def compare(self, a: Number, b: Number, relation: str) -> bool:
        a, b = self.own(a), self.own(b)
        try:
            return WIDE.compare(a.span, b.span, relation)
        except Undecidable:
            raise NoScreen("a comparison in the reference depends on the input") from None

    def floor(self, x: Number) -> Number:
        x = self.own(x)
        if x.constant is None:
            # It jumps: the screen follows except where the argument's error leaves the side in doubt.
            low, high = x.span.ends()
            span = Interval(WIDE, from_int(floor(low)), from_int(floor(high)))
            return self._node("floor", (self._place(x),), span)
        return self._apply("floor", x)

    def modulo(self, x: Number, n: int) -> Number:
        result = super().modulo(self.own(x), n)
        if result.constant is None and result.index is not None and n > 0:
            # The difference alone has a far wider range than the remainder can take.
            node = self._nodes[result.index]
            low, high = max(node.low, Fraction(0)), min(node.high, Fraction(n))
            self._nodes[result.index] = replace(node, low=low, high=high)
            result.span = Interval(WIDE, WIDE.constant(low).low, WIDE.constant(high).high)
        return result

    def pick(self, values: Sequence[Fraction], index: Number) -> Number:
        index = self.own(index)
        if index.constant is not None:
            return self.constant(values[_EXACT.whole(index.constant)])
        low, high = index.span.ends()
        if not 0 <= low <= high <= len(values) - 1:
            raise NoScreen("the place in a table may lie outside it")
        entries = tuple(Fraction(value) for value in values)
        span = Interval(WIDE, WIDE.constant(min(entries)).low, WIDE.constant(max(entries)).high)
        place = self._place(index)
        found = self._node("table", (place,), span, key=("table", place, entries))
        assert found.index is not None
        self._nodes[found.index] = replace(self._nodes[found.index], table=entries)
        return found
