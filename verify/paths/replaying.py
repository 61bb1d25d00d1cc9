"""One input through a path: what every stage gave, what it had to give there, and what that adds at the end."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import Any

import numpy as np

from verify.paths.budget import exact_distance, exactly, lines_of, metric_of
from verify.paths.walk import walked
from verify.routine import Bound


def stage_lines(bound: Bound, ordinal: int, probe: Any) -> list[str]:
    """A line for each stage of one input; lines_of's shares at the end of each."""
    walk = walked(bound, probe, np.array([ordinal], np.int64))
    metric, unit = metric_of(bound.routine)
    if walk.problem:
        return [f"stages: {walk.problem}"]
    lines, _ = lines_of(bound, walk, metric)
    shares = {line.name: line.exact_at(0) if line.exact_at is not None else math.nan for line in lines}
    found = []
    for number, stage in enumerate(bound.stages):
        got = float(walk.given[number][0])
        shown = f"{stage.routine.name} gives {got:.12g} {stage.routine.output.unit}".rstrip()
        if stage.routine.reference is not None and math.isfinite(got):
            received = walk.inputs if number == 0 else [walk.taken[number]]
            inputs = [Fraction(float(array[0])) for array in received]
            wanted = exactly(stage.routine.reference, inputs, stage.routine.constants)
            shown += f", wanted there {float(wanted):.12g}"
            share = shares.get(stage.routine.name, exact_distance("absolute", Fraction(got), wanted))
            shown += f"; adds {share:+.4g} {unit} at the end".replace("  ", " ")
        found.append(shown)
        if number < len(walk.joints) and walk.joints[number].outside[0]:
            found.append(f"OUTSIDE: {walk.joints[number].text(0)}")
    return found
