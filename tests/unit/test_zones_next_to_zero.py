"""Where subnormals inside are natural: next to zero, in any input of a routine that is swept whole."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from tests.fault_injection.planted import Plan, run, seen, sheet_text
from verify.domain import ALL_FLAGS, NO_SUBNORMAL_FLAGS, Domain
from verify.grids import SMALLEST_SIZE, Grid, binary32, integers

FLOAT, INT = 8, 4
PHASE, WAVE, SIGNED = binary32("phase", 0, 1, "turn"), integers("wave", 0, 3, ""), binary32("x", -1, 1, "V")
NEAR, HELD = binary32("x", -1e-12, 1e-12, "V"), binary32("y", 1, 2, "V")


@pytest.mark.parametrize("grids", [(WAVE, PHASE), (PHASE, WAVE), (SIGNED,), (WAVE, SIGNED, WAVE), (NEAR,), (WAVE, HELD),
                                   (NEAR, WAVE)])
def test_every_point_has_the_mask_of_its_inputs(grids: tuple[Grid, ...]) -> None:
    domain = Domain(grids, tuple(FLOAT if grid.kind == "float32" else INT for grid in grids))
    zones = domain.zones()
    assert [0, *(zone[1] for zone in zones)] == [*(zone[0] for zone in zones), domain.count]

    ends = [end + step for zone in zones for end in zone[:2] for step in (-1, 0, 1)]
    drawn = np.random.default_rng(3).integers(0, domain.count, 2000).tolist()
    masks = set()
    for ordinal in {at for at in (*ends, *drawn) if 0 <= at < domain.count}:
        values = [grid.value(int(index[0])) for grid, index in zip(grids, domain.indices(np.array([ordinal])), strict=True)]
        tiny = any(grid.kind == "float32" and 0 < abs(value) < Fraction(SMALLEST_SIZE) for grid, value in
                   zip(grids, values, strict=True))
        (mask,) = [zone[2] for zone in zones if zone[0] <= ordinal < zone[1]]
        assert mask == (NO_SUBNORMAL_FLAGS if tiny else ALL_FLAGS), values
        masks.add(mask)
    assert masks == ({ALL_FLAGS} if HELD in grids else {ALL_FLAGS, NO_SUBNORMAL_FLAGS})


@pytest.mark.usefixtures("gcc")
def test_a_switch_beside_a_float_raises_no_alarm_next_to_zero(tmp_path: Path) -> None:
    c = ("float lit(float volts, _Bool on) { return on ? volts * 0.3f : 0.0f; }\n"
         "float inside(float volts, _Bool on) { return on ? volts * 1e-30f * 1e-10f * 1e30f : volts; }\n")
    entries = "".join(f'f("{name}", inputs=[binary32("volts", 0, 5, "V"), integers("on", 0, 1, "")], output="V", claims=[])\n'
                      for name in ("lit", "inside"))
    record = run(tmp_path, c, sheet_text(entries), Plan(sampled_cases=1 << 16))

    assert seen(record, "lit").failing() == set()
    assert {word.split()[0] for word in seen(record, "inside").failing()} == {"no_hidden_events"}
