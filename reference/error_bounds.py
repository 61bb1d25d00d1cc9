"""Forward error analysis of a graph: how far its evaluation in floating point can be from the exact value.

Each node carries a bound of the form |computed - exact| <= relative * |exact| + absolute, and a total bound
`total` that holds over the whole range. Every formula is evaluated in Fractions and rounded up to 64 bits.
The same analysis serves plain float64 and double-double; `Arithmetic` holds what differs.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from reference import kernels
from reference.errors import NoScreen
from reference.graphs import Graph, Node
from reference.intervals import Interval
from reference.whole_numbers import MOST_GRAINS, graph_grains, is_power_of_two

ZERO = Fraction(0)
LARGEST = Fraction(2**900)
SMALLEST_CONSTANT = Fraction(1, 2**900)


@dataclass(frozen=True, slots=True)
class Arithmetic:
    """Relative error of each operation; `tiny` is the absolute allowance for underflow.

    add, multiply, divide, sqrt: rounding units. exp2 ... tanh: kernel bounds, relative. log_absolute and
    sine_absolute: what those kernels may be off besides, absolutely.
    """

    add: Fraction
    multiply: Fraction
    divide: Fraction
    sqrt: Fraction
    exp2: Fraction
    exp: Fraction
    log2: Fraction
    log: Fraction
    sine: Fraction
    tanh: Fraction
    log_absolute: Fraction = ZERO
    sine_absolute: Fraction = ZERO
    tiny: Fraction = kernels.TINY


UNIT = Fraction(1, 2**53)

FLOAT64 = Arithmetic(
    add=UNIT,
    multiply=UNIT,
    divide=UNIT,
    sqrt=UNIT,
    exp2=kernels.EXP2_BOUND,
    exp=kernels.EXP_BOUND,
    log2=kernels.LOG2_BOUND,
    log=kernels.LOG_BOUND,
    sine=kernels.SINE_BOUND,
    tanh=kernels.TANH_BOUND,
)


@dataclass(frozen=True, slots=True)
class Bound:
    """|computed - exact| <= relative * |exact| + absolute, and <= total; relative is None if unknown."""

    relative: Fraction | None
    absolute: Fraction
    total: Fraction

    @property
    def exact(self) -> bool:
        return self.total == 0


EXACT = Bound(ZERO, ZERO, ZERO)


def rounded_up(value: Fraction) -> Fraction:
    """The next number with 64 significant bits, or value itself if it has no more."""
    if value <= 0:
        return value
    shift = 64 - (value.numerator.bit_length() - value.denominator.bit_length())
    scaled = value * (Fraction(2) ** shift)
    return Fraction(-(-scaled.numerator // scaled.denominator)) / (Fraction(2) ** shift)


def _bound(node: Node, relative: Fraction | None, absolute: Fraction, total: Fraction | None = None) -> Bound:
    """The tighter of the two forms, each completed from the other where the range allows."""
    absolute = rounded_up(absolute)
    by_relative = None if relative is None else relative * node.largest + absolute
    candidates = [value for value in (by_relative, total) if value is not None]
    total = rounded_up(min(candidates))
    if node.smallest > 0:
        by_total = total / node.smallest
        if relative is None or relative + absolute / node.smallest > by_total:
            relative, absolute = by_total, ZERO
    return Bound(None if relative is None else rounded_up(relative), absolute, total)


def _whole_relative(node: Node, bound: Bound) -> Fraction | None:
    """A purely relative bound, absolute part included; None if the range touches 0."""
    if bound.exact:
        return ZERO
    if node.smallest == 0:
        return None
    by_total = bound.total / node.smallest
    if bound.relative is None:
        return by_total
    return min(by_total, bound.relative + bound.absolute / node.smallest)


def bounds(graph: Graph, arithmetic: Arithmetic, constant_error: dict[int, Fraction],
           steps: Sequence[Fraction | None] = ()) -> list[Bound]:
    """A Bound per node. constant_error: relative error of each constant node as it is stored; steps: as in graph_grains."""
    result: list[Bound] = []
    grains = graph_grains(graph, steps)
    doubtful: list[bool] = []
    for index, node in enumerate(graph.nodes):
        unsure = any(doubtful[i] for i in node.arguments)
        if unsure and node.operation in ("log", "log2", "tanh"):
            raise NoScreen(f"{node.operation} of a floor or root that may be in doubt")  # these kernels lose a NaN
        if node.operation == "table" and grains[node.arguments[0]] != 1:
            raise NoScreen("the place in a table is not known to be an integer")
        own = (node.operation == "floor" and not result[node.arguments[0]].exact) or (
            node.operation == "sqrt" and may_be_negative(graph.nodes[node.arguments[0]], result[node.arguments[0]]))
        doubtful.append(unsure or own)
        if node.operation == "input":
            bound = EXACT
        elif node.operation == "constant":
            error = constant_error[index]
            bound = EXACT if error == 0 else _bound(node, error, ZERO)
        elif _without_rounding(node, grains[index], [(graph.nodes[i], result[i]) for i in node.arguments]):
            bound = EXACT
        else:
            operands = [(graph.nodes[i], result[i]) for i in node.arguments]
            bound = _RULES[node.operation](node, operands, arithmetic)
        if node.largest + bound.total > LARGEST:
            raise NoScreen(f"an intermediate ({node.operation}) may exceed 2**900")
        result.append(bound)
    return result


Operands = list[tuple[Node, Bound]]


def _without_rounding(node: Node, grain: Fraction | None, operands: Operands) -> bool:
    """True where exact operands give a result that every format here holds: nothing is rounded, nothing underflows."""
    if node.operation not in ("add", "subtract", "multiply") or not all(bound.exact for _, bound in operands):
        return False
    if grain is not None and grain > SMALLEST_CONSTANT and node.largest <= MOST_GRAINS * grain:
        return True
    # Scaling up by a power of two moves the exponent only.
    return node.operation == "multiply" and any(
        is_power_of_two(factor) and factor.smallest >= 1 for factor, _ in operands
    )


def _entry(node: Node, operands: Operands, a: Arithmetic) -> Bound:
    if not operands[0][1].exact:
        raise NoScreen("the place in a table is uncertain")
    parts = 1 if a is FLOAT64 else 2
    error = max(stored_constant(value, parts)[1] for value in node.table)
    return EXACT if error == 0 else _bound(node, error, ZERO)


def _copied(node: Node, operands: Operands, a: Arithmetic) -> Bound:
    return operands[0][1]


def _sum(node: Node, operands: Operands, a: Arithmetic) -> Bound:
    (x, bx), (y, by) = operands
    carried = bx.total + by.total
    total = carried + a.add * (node.largest + carried) + a.tiny
    relative: Fraction | None = None
    absolute = ZERO
    sign = -1 if node.operation == "subtract" else 1
    same_sign = (x.low >= 0 and sign * y.low >= 0 and sign * y.high >= 0) or (
        x.high <= 0 and sign * y.low <= 0 and sign * y.high <= 0
    )
    if carried == 0:
        relative, absolute = a.add, a.tiny
    elif same_sign and bx.relative is not None and by.relative is not None:
        relative = max(bx.relative, by.relative) * (1 + a.add) + a.add
        absolute = (bx.absolute + by.absolute) * (1 + a.add) + a.tiny
    elif node.smallest > 0:
        relative = carried / node.smallest * (1 + a.add) + a.add
        absolute = a.tiny
    return _bound(node, relative, absolute, total)


def _product(node: Node, operands: Operands, a: Arithmetic) -> Bound:
    (x, bx), (y, by) = operands
    exact_scaling = is_power_of_two(x) or is_power_of_two(y)
    unit = ZERO if exact_scaling else a.multiply
    total = (bx.total * y.largest + by.total * x.largest + bx.total * by.total) * (1 + unit)
    total += unit * node.largest + a.tiny
    if bx.relative is None or by.relative is None:
        return _bound(node, None, ZERO, total)
    relative = (1 + bx.relative) * (1 + by.relative) * (1 + unit) - 1
    absolute = bx.absolute * y.largest * (1 + by.relative) + by.absolute * x.largest * (1 + bx.relative)
    absolute = (absolute + bx.absolute * by.absolute) * (1 + unit) + a.tiny
    return _bound(node, relative, absolute, total)


def _quotient(node: Node, operands: Operands, a: Arithmetic) -> Bound:
    (x, bx), (y, by) = operands
    divisor = _whole_relative(y, by)
    if divisor is None or divisor >= Fraction(1, 2):
        raise NoScreen("a divisor may be zero or is too uncertain")
    spread = 1 / (1 - divisor)
    total = (bx.total + divisor * x.largest) / y.smallest * spread
    total += a.divide * (node.largest + total) + a.tiny
    if bx.relative is None:
        return _bound(node, None, ZERO, total)
    relative = (1 + bx.relative) * spread * (1 + a.divide) - 1
    absolute = bx.absolute / y.smallest * spread * (1 + a.divide) + a.tiny
    return _bound(node, relative, absolute, total)


def _unsigned(node: Node, operands: Operands, a: Arithmetic) -> Bound:
    return operands[0][1]  # a change of sign or its removal is exact and never widens an error


def _extreme(node: Node, operands: Operands, a: Arithmetic) -> Bound:
    (_, bx), (_, by) = operands
    total = max(bx.total, by.total)
    if bx.relative is None or by.relative is None:
        return _bound(node, None, ZERO, total)
    return _bound(node, max(bx.relative, by.relative), max(bx.absolute, by.absolute), total)


def may_be_negative(x: Node, bound: Bound) -> bool:
    """Whether a value may be computed as negative: its square root is NaN there, in doubt."""
    return x.low - bound.total < 0 and not (x.low >= 0 and bound.exact)


def root_above(value: Fraction) -> Fraction:
    """A number at or above the square root, off by at most 2^-500; 0 for 0."""
    if value == 0:
        return ZERO
    return Fraction(math.isqrt(math.ceil(value * 2**1000)) + 1, 2**500)


def _root(node: Node, operands: Operands, a: Arithmetic) -> Bound:
    ((x, bx),) = operands
    relative, apart = None if may_be_negative(x, bx) else _whole_relative(x, bx), ZERO
    if relative is None:
        # |sqrt(t + d) - sqrt(t)| <= sqrt |d| for t and t + d not below 0.
        if bx.relative is None or bx.relative > Fraction(1, 2):
            apart = root_above(bx.total)
            return _bound(node, None, ZERO, apart + a.sqrt * (node.largest + apart) + a.tiny)
        relative, apart = bx.relative, root_above(bx.absolute)
    # |sqrt(1 + d) - 1| <= |d| for |d| <= 1, and <= |d|/2 * (1 + |d|) for |d| <= 1/2.
    carried = relative if relative > Fraction(1, 2) else relative / 2 * (1 + relative)
    return _bound(node, (1 + carried) * (1 + a.sqrt) - 1, apart * (1 + a.sqrt) + a.tiny)


def _power(node: Node, operands: Operands, a: Arithmetic) -> Bound:
    ((x, bx),) = operands
    base_two = node.operation == "exp2"
    limit = kernels.EXP2_LARGEST if base_two else kernels.EXP_LARGEST
    if x.largest + bx.total > limit:
        raise NoScreen(f"{node.operation} outside [-{limit}, {limit}]")
    # 2**t - 1 <= 0.7 t and e**t - 1 <= t (1 + t) for small t.
    t = bx.total
    if t > Fraction(1, 1000):
        raise NoScreen(f"the argument of {node.operation} is too uncertain")
    carried = t * Fraction(7, 10) if base_two else t * (1 + t)
    kernel = a.exp2 if base_two else a.exp
    return _bound(node, (1 + carried) * (1 + kernel) - 1, a.tiny)


def _logarithm(node: Node, operands: Operands, a: Arithmetic) -> Bound:
    ((x, bx),) = operands
    least = x.low - bx.total
    if bx.relative is not None:
        least = max(least, x.low * (1 - bx.relative) - bx.absolute)
    if not (kernels.LOG_SMALLEST <= least and x.high + bx.total <= kernels.LOG_LARGEST):
        raise NoScreen(f"{node.operation} outside [2**-890, 2**890]")
    relative = _whole_relative(x, bx)
    if relative is None or relative > Fraction(1, 1000):
        raise NoScreen(f"the argument of {node.operation} is too uncertain")
    # |ln(1 + d)| <= d/(1 - d); one over ln 2 is below 1.4427.
    carried = relative / (1 - relative)
    if node.operation == "log2":
        carried *= Fraction(14427, 10000)
    kernel = a.log2 if node.operation == "log2" else a.log
    return _bound(node, kernel, carried * (1 + kernel) + a.log_absolute + a.tiny)


TWO_PI = Fraction(6283186, 1000000)


def _sine(node: Node, operands: Operands, a: Arithmetic) -> Bound:
    ((x, bx),) = operands
    if x.largest + bx.total > kernels.TURNS_LARGEST:
        raise NoScreen(f"{node.operation} beyond 2**50 turns")
    carried = TWO_PI * bx.total
    total = carried + a.sine + a.sine_absolute + a.tiny
    if node.operation == "sin_turns" and x.largest <= Fraction(1, 4) and bx.relative is not None:
        # |sin(t (1 + d)) - sin t| <= |t d| <= (pi/2) |d| |sin t| for |t| <= pi/2.
        relative = (1 + bx.relative * Fraction(16, 10)) * (1 + a.sine) - 1
        absolute = TWO_PI * bx.absolute * (1 + a.sine) + a.sine_absolute + a.tiny
        return _bound(node, relative, absolute, total)
    absolute = carried * (1 + a.sine) + a.sine_absolute + a.tiny
    return _bound(node, a.sine, absolute, total)


def _tanh(node: Node, operands: Operands, a: Arithmetic) -> Bound:
    ((_, bx),) = operands
    total = bx.total + a.tanh + a.tiny
    if bx.relative is None:
        return _bound(node, None, ZERO, total)
    # tanh is concave from 0 on: |tanh(x (1 + d)) - tanh x| <= |d| |tanh x|.
    return _bound(node, (1 + bx.relative) * (1 + a.tanh) - 1, bx.absolute * (1 + a.tanh) + a.tiny, total)


def _floor(node: Node, operands: Operands, a: Arithmetic) -> Bound:
    """Exact: where the argument's error leaves the floor in doubt the screen gives NaN (see tracing.floor_or_nan)."""
    ((x, bx),) = operands
    if x.largest + bx.total > kernels.TURNS_LARGEST or bx.total > Fraction(1, 4):
        raise NoScreen("the argument of a floor is too large or too uncertain")
    return EXACT


_RULES = {
    "floor": _floor,
    "table": _entry,
    "copy": _copied,
    "add": _sum,
    "subtract": _sum,
    "multiply": _product,
    "divide": _quotient,
    "negative": _unsigned,
    "absolute": _unsigned,
    "minimum": _extreme,
    "maximum": _extreme,
    "sqrt": _root,
    "exp2": _power,
    "exp": _power,
    "log2": _logarithm,
    "log": _logarithm,
    "sin_turns": _sine,
    "cos_turns": _sine,
    "tanh": _tanh,
}


def stored_constant(value: Fraction | Interval, parts: int) -> tuple[list[float], Fraction]:
    """A constant as `parts` doubles of falling size, and the relative error of their sum, rounded up."""
    low, high = (value, value) if isinstance(value, Fraction) else value.ends()
    if low == high == 0:
        return [0.0] * parts, ZERO
    if low * high <= 0 or not SMALLEST_CONSTANT < abs(low) < LARGEST:
        raise NoScreen("a constant is too small or too large for float64")
    middle = (low + high) / 2
    stored: list[float] = []
    for _ in range(parts):
        stored.append(float(middle - sum(map(Fraction, stored), ZERO)))
    kept = sum(map(Fraction, stored), ZERO)
    error = max(abs(kept - low), abs(kept - high)) / min(abs(low), abs(high))
    return stored, rounded_up(error)
