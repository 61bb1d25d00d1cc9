"""Whether a reference of one input keeps to one direction over its range, told from its graph alone."""

from __future__ import annotations

from reference.graphs import Graph, Node

_RISING = frozenset(["copy", "exp2", "exp", "log2", "log", "sqrt", "tanh", "floor"])


def is_monotone(graph: Graph) -> bool:
    """True if the exact result never falls, or never rises, over the whole input range.

    Shape:   a graph of any number of inputs; those of more than one give False.
    Unit:    none.
    Domain:  every graph.
    Error:   "False" only means that the steps do not show it.
    Source:  a composition, a sum and a product of positive factors of monotone functions is monotone.

    >>> from reference.graphs import trace
    >>> is_monotone(trace(lambda ctx, volts: 65 * ctx.exp2(volts), [(0, 5)], {}))
    True
    >>> is_monotone(trace(lambda ctx, x: x * x, [(-1, 1)], {}))
    False
    """
    if graph.inputs != 1:
        return False
    ways: list[int | None] = []
    for index, node in enumerate(graph.nodes):
        if index < graph.inputs:
            ways.append(1)
        else:
            ways.append(_way(node, [(ways[place], graph.nodes[place]) for place in node.arguments]))
    return ways[-1] is not None


def _way(node: Node, arguments: list[tuple[int | None, Node]]) -> int | None:
    """1 never falls, -1 never rises, 0 constant, None not known."""
    if node.operation == "constant":
        return 0
    ways = [way for way, _ in arguments]
    if node.operation in _RISING:
        return ways[0]
    if node.operation == "negative":
        return _times(ways[0], -1)
    if node.operation in ("add", "minimum", "maximum"):
        return _joined(*ways)
    if node.operation == "subtract":
        return _joined(ways[0], _times(ways[1], -1))
    if node.operation == "multiply":
        (a, first), (b, second) = arguments
        return _joined(_times(a, _sign(second)), _times(b, _sign(first)))
    if node.operation == "divide":
        (a, above), (b, below) = arguments
        sign = _sign(below)
        if not sign or below.smallest == 0:
            return None
        return _joined(_times(a, sign), _times(_times(b, -1), _sign(above)))
    return None


def _sign(node: Node) -> int | None:
    """1 for a node that is never negative, -1 for one never positive, None for both signs."""
    if node.low >= 0:
        return 1
    return -1 if node.high <= 0 else None


def _times(way: int | None, sign: int | None) -> int | None:
    """The way of a function times a factor of that sign. A constant stays one whatever its factor's sign."""
    if way == 0:
        return 0
    return None if way is None or sign is None else way * sign


def _joined(a: int | None, b: int | None) -> int | None:
    """The way of a sum, or of what never takes more than both together."""
    if a is None or b is None or a * b < 0:
        return None
    return a or b
