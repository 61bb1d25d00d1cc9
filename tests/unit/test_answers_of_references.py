"""Constants with which a reference can say nothing are a mistake in the sheet, said before anything is built."""

from __future__ import annotations

from pathlib import Path

import pytest

from verify.console import DEMO
from verify.errors import SheetError
from verify.sheet import load_sheet

SHEET = """
from reference import {family}
from verify import *
s = Sheet(sources=["a.c"])
s.machine("strike", state="s_t", init="s(state)", step="level = s_step(state)", outputs=[signal("level", "")],
  events=[event("strike", "s_hit(state)"), event("attack", "s_attack(state, attack)", binary32("attack", 0.001, 0.1, "s"))],
  reference={reference}, constants={constants}, claims=[])
"""


def refused(folder: Path, constants: str, reference: str = "envelope.attack_decay") -> str:
    (folder / "a.c").write_text("")
    text = SHEET.format(family=reference.partition(".")[0], reference=reference, constants=constants)
    (folder / "a_sheet.py").write_text(text)
    with pytest.raises(SheetError) as caught:
        load_sheet(folder / "a_sheet.py")
    return str(caught.value)


def test_a_word_that_the_reference_does_not_know(tmp_path: Path) -> None:
    text = refused(tmp_path, '{"shape": "lineal"}')

    assert "strike: attack_decay cannot use shape='lineal'  [V110]" in text
    assert "a_sheet.py:5, strike, constants" in text
    assert 'do      did you mean "linear"?' in text


@pytest.mark.parametrize(("constant", "written"), [
    ('"attack": "10 ms"', '"10/1000"'), ('"decay": "0.5s"', '"0.5"'), ('"silence": "1%"', '"1/100"')])
def test_a_number_with_a_unit(tmp_path: Path, constant: str, written: str) -> None:
    text = refused(tmp_path, "{" + constant + "}")

    assert "as a number" in text or "holds more than numbers" in text
    assert "own unit" in text and written in text


def test_numbers_that_mathematics_has_no_answer_to(tmp_path: Path) -> None:
    text = refused(tmp_path, '{"coefficient": 2}', "smoothing.one_pole")

    assert "the reference one_pole has no answer with these constants" in text
    assert "constants: coefficient = 2" in text
    assert "help(r.one_pole)" in text


def test_a_constant_that_an_event_replaces_is_read_all_the_same(tmp_path: Path) -> None:
    assert "cannot use attack='soon'" in refused(tmp_path, '{"attack": "soon"}')


def test_what_has_an_answer_is_taken(tmp_path: Path) -> None:
    (tmp_path / "a.c").write_text("")
    constants = '{"shape": "linear", "attack": "10/1000", "decay": "2**-3"}'
    (tmp_path / "a_sheet.py").write_text(SHEET.format(family="envelope", reference="envelope.attack_decay",
                                                      constants=constants))
    assert [machine.name for machine in load_sheet(tmp_path / "a_sheet.py").machines] == ["strike"]


TONE = """
from reference import oscillators_in_time
from verify import *
s = Sheet(sources=["a.c"])
s.machine("tone", state="t_t", init="t(state)", step="y = t_step(state)", outputs=[signal("y", "")],
  events=[event("{event}", "t_set(state, step)", {grid})], reference=oscillators_in_time.from_increment,
  constants={constants}, claims=[{claims}])
"""
STEPS, TURNS = 'integers("step", 0, 200_000_000, "step/sample")', 'binary32("step", 0, 2, "turn")'
COUNTED = 'keeps_frequency(increment="step", cents=1, because="tune", {more})'


@pytest.mark.parametrize(("grid", "constants", "claims", "who"), [
    (STEPS, {}, "", "the reference from_increment"),
    (STEPS, {"per_turn": 2**32}, COUNTED.format(more=""), "keeps_frequency"),
    (STEPS, {"per_turn": 2**32}, COUNTED.format(more="per_turn=2**32"), ""),
    (TURNS, {}, COUNTED.format(more=""), ""),
])
def test_whole_steps_are_not_taken_for_whole_turns(tmp_path: Path, grid: str, constants: object, claims: str,
                                                   who: str) -> None:
    (tmp_path / "a.c").write_text("")
    (tmp_path / "a_sheet.py").write_text(TONE.format(event="increment", grid=grid, constants=constants, claims=claims))
    if not who:
        assert load_sheet(tmp_path / "a_sheet.py").machines
        return
    with pytest.raises(SheetError) as caught:
        load_sheet(tmp_path / "a_sheet.py")
    assert f"tone: {who} counts" in str(caught.value) and "per_turn" in str(caught.value)
    assert "whole numbers up to 200000000: whole turns move no phase" in str(caught.value)


def test_of_functions_as_well(tmp_path: Path) -> None:
    (tmp_path / "a_sheet.py").write_text(
        'from reference import pitch\nfrom verify import *\ns = Sheet(sources=["a.c"])\ns.function("hz", inputs=[binary32('
        '"v", 0, 5, "V")], output="Hz", reference=pitch.hz_from_volts, constants={"zero_volt_hz": "65.4 Hz"}, claims=[])\n')
    with pytest.raises(SheetError) as caught:
        load_sheet(tmp_path / "a_sheet.py")

    assert "hz_from_volts cannot use zero_volt_hz='65.4 Hz'" in str(caught.value)
    assert "a_sheet.py:4, hz, constants" in str(caught.value)
    assert 'own unit, Hz: "65.4"' in str(caught.value)


@pytest.mark.parametrize("sheet", sorted(DEMO.rglob("*_sheet.py")), ids=lambda path: f"{path.parent.name}/{path.name}")
def test_no_sheet_of_the_demo_is_refused(sheet: Path) -> None:
    assert load_sheet(sheet).names()
