"""C text of a screen: one straight-line loop over kernels.h, ready for vectorising compilers."""

from __future__ import annotations

from collections.abc import Mapping

from reference.graphs import Graph
from reference.kernels import header_text

_INFIX = {"add": "+", "subtract": "-", "multiply": "*", "divide": "/"}


def c_function(name: str, graph: Graph, constants: Mapping[int, float], key: str, margins: Mapping[int, float]) -> str:
    """The function `name` and everything it needs; see Screen.c_source."""
    if not name.isidentifier() or not name.isascii():
        raise ValueError(f"{name!r} is not a C identifier")
    lines = [
        header_text(),
        f"/* screen {key} */",
        *_tables(name, graph),
        f"void {name}(const double *const *inputs, double *result, long n);",
        f"void {name}(const double *const *inputs, double *result, long n) {{",
        "    double *restrict output = result;",
        *(f"    const double *restrict input_{i} = inputs[{i}];" for i in range(graph.inputs)),
        *([] if graph.inputs else ["    (void)inputs;"]),
        "    for (long i = 0; i < n; i++) {",
    ]
    for index, node in enumerate(graph.nodes):
        operands = [f"t{argument}" for argument in node.arguments]
        if node.operation == "input":
            text = f"input_{index}[i]"
        elif node.operation == "constant":
            text = f"{constants[index].hex()}; /* {constants[index]!r} */"
        elif node.operation in _INFIX:
            text = f" {_INFIX[node.operation]} ".join(operands)
        elif node.operation == "negative":
            text = f"-{operands[0]}"
        elif node.operation == "copy":
            text = operands[0]
        elif node.operation == "floor":
            text = f"kernel_floor_or_nan({operands[0]}, {margins[index].hex()})"
        elif node.operation == "table":
            text = f"kernel_entry({name}_table{index}, {len(node.table) - 1}.0, {operands[0]})"
        elif node.operation == "sqrt":
            text = f"__builtin_sqrt({operands[0]})"
            if graph.nodes[node.arguments[0]].low <= 0:  # no flag of an invalid operation where it is in doubt
                text = f"{operands[0]} < 0.0 ? (double)__builtin_nanf(\"\") : {text}"
        else:
            text = f"kernel_{node.operation}({', '.join(operands)})"
        lines.append(f"        const double t{index} = {text}" + ("" if text.endswith("*/") else ";"))
    lines += [f"        output[i] = t{len(graph.nodes) - 1};", "    }", "}", ""]
    return "\n".join(lines)


def _tables(name: str, graph: Graph) -> list[str]:
    """The constant tables that the function reads."""
    return [
        f"static const double {name}_table{index}[] = {{{', '.join(float(value).hex() for value in node.table)}}};"
        for index, node in enumerate(graph.nodes) if node.table
    ]
