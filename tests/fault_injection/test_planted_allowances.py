"""An event that the author means can be allowed by place and reason; any other still fails, and an idle allowance is told."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.fault_injection.planted import run, seen, sheet_text
from verify.claims.protective import no_undefined_behaviour
from verify.errors import SheetError

C = """\
#include <stdint.h>
int32_t advance(int32_t phase, int32_t step)
{
    phase += step;
    return phase;
}
int32_t scaled(int32_t code)
{
    int32_t wide = code * 70000;
    return wide / 2;
}
"""


def sheet(allow: str) -> str:
    return sheet_text(f"""
f("advance", inputs=[integers("phase", 2**31 - 9, 2**31 - 1, "code"), integers("step", 0, 20, "code")], output="code",
  claims=[no_undefined_behaviour(because=WHY, allow={allow})])
f("scaled", inputs=[codes("code", bits=16)], output="code", claims=[no_undefined_behaviour(because=WHY, allow={allow})])
""")


@pytest.mark.parametrize("place", ["phase += step", "plant.c:4"])
def test_a_meant_event_is_allowed_and_the_idle_allowance_is_told(tmp_path: Path, place: str) -> None:
    record = run(tmp_path, C, sheet(f'{{"{place}": "the accumulator wraps on purpose"}}'))
    advance, scaled = seen(record, "advance"), seen(record, "scaled")

    assert "holds" == advance.verdicts()["no_undefined_behaviour strict"]
    said = advance.claim("no_undefined_behaviour", "strict")["facts"]
    assert any("on purpose): " in fact and "times" in fact for fact in said)
    assert "fails" == scaled.verdicts()["no_undefined_behaviour strict"]
    assert any("never fired" in fact for fact in scaled.claim("no_undefined_behaviour", "strict")["facts"])


def test_an_allowance_needs_a_reason() -> None:
    with pytest.raises(SheetError, match="no reason"):
        no_undefined_behaviour(because="x", allow={"phase += step": ""})


MACHINE = """
#include <stdint.h>
typedef struct { int32_t phase; } ramp_t;
void ramp_init(ramp_t *s) { s->phase = 0; }
int32_t ramp_step(ramp_t *s, int32_t x)
{
    s->phase += 0x10000000;
    return s->phase / 65536 + x;
}
"""


def test_a_machine_tells_of_allowances_that_fire_and_of_one_that_never_does(tmp_path: Path) -> None:
    entry = sheet_text("""
s.machine("ramp", state="ramp_t", init="ramp_init(state)", step="y = ramp_step(state, x)", inputs=[integers("x", 0, 9, "")],
    outputs=[signal("y", "", ctype="int32_t")], longest_seconds=0.02, scripts=24, claims=[no_undefined_behaviour(because=WHY,
    allow={"s->phase += 0x10000000": "wraps on purpose", "/ 65536 + x": "an old one"})])
""", more=', builds=["strict"]')
    found = seen(run(tmp_path, MACHINE, entry), "ramp")
    facts = found.claim("no_undefined_behaviour", "strict")["facts"]

    assert set() == found.failing()
    assert 2 == len([fact for fact in facts if fact.startswith("allowed at")])
    assert any("wraps on purpose): " in fact and fact.endswith("times") for fact in facts)
    assert any("an old one): never fired" in fact for fact in facts)
