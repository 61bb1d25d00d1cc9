"""Mistakes in the description of a machine: each gives one message that names the place and what to write."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.fault_injection.machine_parts import SHEET as START
from tests.fault_injection.machine_parts import STRIKE, C
from tests.fault_injection.planted import run, sheet_text
from verify.errors import SheetError, SheetUnreadable
from verify.hunting.plan import Plan
from verify.sheet import load_sheet

MISTAKES = {
    "init left out": ('init="strike_init(state, sample_rate_hz)", ', "", "init is missing", "init="),
    "init empty": ('init="strike_init(state, sample_rate_hz)"', 'init=" "', "init is missing", "init="),
    "step and block": ('step="level = strike_step(state)"', 'step="level = strike_step(state)", block="b(state, level, n)"',
                       "exactly one of step and block", 'step="'),
    "neither": ('step="level = strike_step(state)",', "", "exactly one of step and block", 'block="'),
    "no output": ('outputs=[signal("level", "full scale")]', "outputs=[]", "has no output", "signal("),
    "unknown event in a claim": ('after="strike"', 'after="strke"', "no event is called 'strke'", "strike"),
    "unknown value in a claim": ('seconds="attack"', 'seconds="atack"', "'atack'", "attack"),
    "unknown constant": ('"decay": "1/2"', '"dcay": "1/2"', "no constant 'dcay'", "decay"),
    "two events of one name": ('event("decay", "strike_decay', 'event("attack", "strike_decay', "'attack'", ""),
    "event that calls nothing": ('event("strike", "strike_strike(state)")', 'event("strike", "")', "calls nothing", "write"),
    "event without event()": ('event("strike", "strike_strike(state)")', '"strike_strike(state)"', "does not belong there",
                              "event("),
    "unknown C type": ('signal("level", "full scale")', 'signal("level", "full scale", ctype="flot")', "unknown C type",
                       "float"),
    "claim about functions": ("claims=[", 'claims=[rising(because="always"), ', "is a claim about functions",
                              "claims in time"),
    "claim not called": ("claims=[", "claims=[finite, ", "is not a claim", "write"),
    "no reference": ("reference=envelope.attack_decay, ", "", "accurate needs a reference", "reference="),
    "impossible rate": ("claims=[", "sample_rates_hz=[0], claims=[", "sample rate 0 Hz", "48_000"),
    "no scripts": ("claims=[", "scripts=0, claims=[", "scripts=0", "2000"),
    "dropped without a reason": ("claims=[", 'without={"finite": ""}, claims=[', "has no reason", "why"),
}


@pytest.mark.parametrize("name", sorted(MISTAKES))
def test_a_mistake_gives_one_message_with_place_and_remedy(tmp_path: Path, name: str) -> None:
    old, new, what, todo = MISTAKES[name]
    assert old in STRIKE
    (tmp_path / "plant.c").write_text(C, encoding="utf-8")
    (tmp_path / "plant_sheet.py").write_text(START + STRIKE.replace(old, new), encoding="utf-8")

    with pytest.raises(SheetError) as caught:
        load_sheet(tmp_path / "plant_sheet.py")

    problem: Any = caught.value
    assert what in problem.what
    assert todo in problem.todo
    assert problem.where and problem.why


TEXTS = {
    "wrong state type": ('state="strike_t"', 'state="strik_t"', "the state's type strik_t does not compile",
                         "state: strik_t"),
    "bracket in an event": ('"strike_attack(state, attack)"', '"strike_attack(state, attack"',
                            "the C text of event attack does not compile", "event attack: strike_attack(state, attack"),
    "argument left out": ('"strike_attack(state, attack)"', '"strike_attack(state)"',
                          "the C text of event attack does not compile", "event attack: strike_attack(state)"),
    "variable misspelt": ("level = strike_step", "levl = strike_step", "the C text of step does not compile",
                          "step: levl = strike_step(state)"),
    "function misspelt": ("strike_init(state,", "strike_ini(state,", "'strike_ini' is used in the sheet",
                          "init: strike_ini("),
}


@pytest.mark.parametrize("name", sorted(TEXTS))
def test_a_text_that_does_not_compile_is_named_by_part_and_place(tmp_path: Path, name: str) -> None:
    old, new, what, where = TEXTS[name]
    assert old in STRIKE

    record = run(tmp_path, C, START + STRIKE.replace(old, new), Plan(scripts=4))
    blocked = record["blocked_builds"][0]

    assert what in blocked["what"]
    assert blocked["where"].startswith("plant_sheet.py:") and where in blocked["where"]
    assert {"blocked"} == {claim["verdict"] for claim in record["routines"][0]["claims"]}


def test_a_constant_that_the_reference_needs_is_asked_for(tmp_path: Path) -> None:
    (tmp_path / "a.c").write_text("int x;\n", encoding="utf-8")
    (tmp_path / "a_sheet.py").write_text(
        "from reference import gate\nfrom verify import *\ns = Sheet(sources=['a.c'])\n"
        "s.machine('div', state='int', init='*state = 0', step='on = *state', inputs=[codes('clock', bits=1)],\n"
        "          outputs=[signal('on', '', ctype='int32_t')], reference=gate.divider, claims=[])\n", encoding="utf-8")
    with pytest.raises(SheetError, match="divider needs by") as told:
        load_sheet(tmp_path / "a_sheet.py")

    assert "help(r.divider)" in str(told.value)


def test_an_unknown_argument_of_a_claim_offers_those_of_that_claim(tmp_path: Path) -> None:
    path = tmp_path / "plant_sheet.py"
    path.write_text('from verify import *\nperiod_within(seconds=1, within_sample=1, because="x")\n', encoding="utf-8")

    with pytest.raises(SheetUnreadable) as told:
        load_sheet(path)
    assert "did you mean samples?" in str(told.value)


def test_a_single_claim_needs_no_list(tmp_path: Path) -> None:
    (tmp_path / "plant.c").write_text("float f(float x);\n", encoding="utf-8")
    sheet = sheet_text('f("f", inputs=binary32("x", 0, 1, ""), output="", claims=rising(because=WHY))')
    (tmp_path / "plant_sheet.py").write_text(sheet, encoding="utf-8")

    assert "order" in {claim.name for claim in load_sheet(tmp_path / "plant_sheet.py").routines[0].claims}
