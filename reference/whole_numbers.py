"""Where a graph's values are whole multiples of a power of two: there floating point rounds nothing.

The sum of two codes, a product of small integers, a code over 4096: binary64 holds each of them exactly, so a limit of 0
can be decided without doubt. Inputs say by their steps what they are multiples of.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from math import gcd

from reference.graphs import Graph, Node

MOST_GRAINS = 2**53


def graph_grains(graph: Graph, steps: Sequence[Fraction | None] = ()) -> list[Fraction | None]:
    """Per node a power of two of which every exact value is a multiple, None where none is known; steps: of each input,
    a number of which all its values are multiples (None, or left out: unknown)."""
    found: list[Fraction | None] = []
    inputs = iter([*steps, *[None] * (graph.inputs - len(steps))])
    for node in graph.nodes:
        if node.operation == "input":
            step = next(inputs)
            found.append(None if step is None else dyadic_grain([step]))
        else:
            found.append(_grain(node, [found[i] for i in node.arguments]))
    return found


def _grain(node: Node, grains: list[Fraction | None]) -> Fraction | None:
    match node.operation:
        case "floor":
            return Fraction(1)
        case "constant":
            return dyadic_grain([node.constant]) if isinstance(node.constant, Fraction) else None
        case "table":
            return dyadic_grain(node.table)
        case "add" | "subtract" | "minimum" | "maximum" | "multiply" | "negative" | "absolute" | "copy":
            known = [grain for grain in grains if grain is not None]
            if len(known) < len(grains):
                return None
            return known[0] * known[1] if node.operation == "multiply" else min(known)
    return None


def dyadic_grain(values: Sequence[Fraction]) -> Fraction | None:
    """The largest power of two of which all values are multiples; None where there is none.

    >>> dyadic_grain([Fraction(3, 4), Fraction(6)]), dyadic_grain([Fraction(1, 3)])
    (Fraction(1, 4), None)
    """
    bottom = max(value.denominator for value in values)
    if any(value.denominator & (value.denominator - 1) for value in values):
        return None
    whole = [int(value * bottom) for value in values if value]
    common = gcd(*whole) if whole else 1
    return Fraction(common & -common, bottom)


def is_power_of_two(node: Node) -> bool:
    """Whether a node is a constant +-2^k."""
    value = node.constant
    if not isinstance(value, Fraction) or value == 0:
        return False
    top, bottom = abs(value.numerator), value.denominator
    return (top & (top - 1)) == 0 and (bottom & (bottom - 1)) == 0
