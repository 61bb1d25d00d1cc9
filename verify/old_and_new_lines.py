"""The comparison of two builds as lines for a terminal."""

from __future__ import annotations

import math
from fractions import Fraction

from verify.explaining import number_entry
from verify.judging.verdict import grouped
from verify.number_formats import figure
from verify.old_and_new import Difference
from verify.reports.terminal import wrapped


def render(found: list[Difference], older: str, flags: str, width: int) -> list[str]:
    """One paragraph for each routine."""
    lines = wrapped("old", older, width) + wrapped("built", f"both with {flags or 'no flags'}, host build", width) + [""]
    for difference in found:
        lines += wrapped(word_of(difference), f"{difference.routine}: {text_of(difference)}", width)
        if difference.worst_at >= 0:
            lines += worst_lines(difference, width)
    return lines


def word_of(found: Difference) -> str:
    """same, differs, or apart."""
    if found.why:
        return "apart"
    return "same" if found.identical else "DIFFERS"


def text_of(found: Difference) -> str:
    """What was compared and how many differ."""
    if found.why:
        return found.why
    if found.same_code:
        return "bit-identical over every value: the built code is the same byte for byte"
    count = grouped(found.compared + found.one_sided)
    over = f"over every value ({count})" if found.every_value else f"at {count} tried, not every value"
    more = ""
    if found.neither:
        more += f"; at {grouped(found.neither)} inputs neither came back"
    if found.left:
        more += f"; about {grouped(found.left)} inputs were left out after repeated stops"
    if found.identical:
        return (f"bit-identical {over}" if found.compared else "no input could be compared") + more
    parts = [f"{grouped(found.differing)} of {count} inputs differ"] if found.differing else []
    if found.one_sided:
        parts.append(f"at {grouped(found.one_sided)} of {count} inputs only one of the two comes back")
    return f"{'; '.join(parts)}, {'every value' if found.every_value else 'tried, not every value'}{more}"


def worst_lines(found: Difference, width: int) -> list[str]:
    """The largest difference and its input."""
    bound = found.bound
    assert bound is not None
    scale = Fraction(1) if bound.float_output else bound.routine.output.scale
    shown = []
    for raw in found.outputs:
        if raw is None:
            shown.append("no result")
            continue
        entry = number_entry(raw, bound.output_type, scale, "result", bound.routine.output.unit)
        shown.append(f"{entry['value']} {entry['unit']}".strip() + f" ({entry['bits']})")
    inputs = []
    for raw, kind, grid in zip(bound.domain.raw_bits(found.worst_at), bound.domain.type_numbers, bound.domain.grids,
                               strict=True):
        entry = number_entry(raw, kind, grid.scale, grid.name, grid.unit)
        inputs.append(f"{entry['name']}={entry['value']} {entry['unit']}".strip() + f" ({entry['bits']})")
    size = "" if math.isinf(found.worst) else f"{figure(found.worst, 6, signed=True)} {found.unit}".strip() + ", "
    text = f"largest: {size}at {', '.join(inputs)}: {shown[0]} before, {shown[1]} now"
    return wrapped("", text, width)
