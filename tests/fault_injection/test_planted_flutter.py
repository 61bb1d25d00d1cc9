"""no_flutter finds a knob without hysteresis, alone; the right twin gives no alarm."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.fault_injection.filter_parts import FEW, OFF
from tests.fault_injection.planted import Seen, run, seen

pytestmark = pytest.mark.usefixtures("gcc")

C = r"""
#include <stdint.h>
typedef struct { int32_t code, mode; } knob_t;
void knob_init(knob_t *k) { k->code = 0; k->mode = 0; }
int32_t knob_step(knob_t *k, int32_t code)
{
    int32_t away = code - k->code;
    if (away > 2 || away < -2) k->code = code;
    k->mode = k->code / 128;
    return k->mode;
}
"""
SHEET = f"""
from verify import *
s = Sheet(sources=["plant.c"], flags="-O2", builds=["host"])
s.machine("knob", state="knob_t", init="knob_init(state)", step="mode = knob_step(state, code)",
    inputs=[integers("code", 0, 1023, "code")], outputs=[signal("mode", "", ctype="int32_t")], longest_seconds=0.05,
    claims=[no_flutter("code", because="a mode that flutters is heard", settle_samples=8, rest_samples=4,
                       noisy_samples=64)], {OFF})
"""
FAULTS = {
    "no hysteresis": ("if (away > 2 || away < -2) k->code = code;", "k->code = code;"),
    "only at one border": ("if (away > 2 || away < -2)", "if (away > 2 || away < -2 || code == 384 || code == 383)"),
}


def planted(folder: Path, *changes: tuple[str, str]) -> Seen:
    text = C
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return seen(run(folder, text, SHEET, FEW), "knob")


def test_a_knob_with_hysteresis_gives_no_alarm(tmp_path: Path) -> None:
    found = planted(tmp_path)

    assert set() == found.failing()
    assert {} == found.other()


@pytest.mark.parametrize("name", sorted(FAULTS))
def test_flutter_is_found(tmp_path: Path, name: str) -> None:
    found = planted(tmp_path, FAULTS[name])

    assert {"no_flutter host"} == found.failing()
    witness = found.claim("no_flutter")["witness"]
    assert "changes between" in witness["got_text"]
    assert len([part for part in witness["script"].split(";")[1:] if part.strip()]) <= 2
