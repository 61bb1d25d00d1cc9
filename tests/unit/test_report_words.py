"""Words and numbers of the HTML report: axes as people write them, legends that say what is drawn, nothing cut off."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pytest

from verify.profiles import nine_digits
from verify.reports.budgets import picture
from verify.reports.html_assets import STYLE
from verify.reports.html_frame import Panel, number, prefixed
from verify.reports.html_page import moment, section
from verify.reports.html_plots import envelope
from verify.reports.numbers import times
from verify.reports.written_numbers import written


@pytest.mark.parametrize(("value", "text"), [
    (0.0, "0"), (0.25, "0.25"), (-15.5, "-15.5"), (5000.0, "5000"), (1e4, "10 000"), (-65536.0, "-65 536"), (1e6, "1e6"),
    (4294967295.0, "4.29e9"), (2e-5, "2e-5"), (-1.25e-12, "-1.25e-12"), (1e-4, "0.0001")])
def test_a_number_of_an_axis(value: float, text: str) -> None:
    assert text == number(value)


@pytest.mark.parametrize(("unit", "largest", "size", "shown"), [
    ("Hz", 2100, 1e3, "kHz"), ("Hz", 440, 1, "Hz"), ("V", 2e-6, 1e-6, "µV"), ("s", 0.05, 1e-3, "ms"),
    ("cents", 1e4, 1, "cents"), ("V", 0, 1, "V"), ("", 1e9, 1, "")])
def test_a_unit_of_an_axis(unit: str, largest: float, size: float, shown: str) -> None:
    assert (size, shown) == prefixed(unit, largest)


def test_ticks_limits_and_units_of_one_picture_are_in_one_scale() -> None:
    profile = {"input": "hz", "unit": "Hz", "error_unit": "V", "limit": 2e-6, "bins": [
        [0.0, -1e-6, 100.0, 1e-6, 200.0], [1000.0, -1e-6, 1100.0, 1e-6, 1200.0], [2000.0, 0.0, 2000.0, 1e-6, 2100.0]]}
    text = envelope(profile, 2e-6, None)

    assert ">µV<" in text and ">limit ±2<" in text and ">hz [kHz]<" in text
    assert ">0.5<" in text and "e-06" not in text.partition("<figcaption>")[0]


def test_an_input_named_like_its_unit_is_named_once() -> None:
    panel = Panel(0, 16384, 0, 1)
    profile = {"input": "code", "unit": "code", "error_unit": "", "bins": [[0.0, 0.0, 0.0, 1.0, 0.0]] * 2}

    assert ">code<" in envelope(profile, None, None) and "code [code]" not in envelope(profile, None, None)
    assert 1.0 == panel.heights("")


def line(kind: str, worst: float) -> dict[str, Any]:
    return {"name": kind, "kind": kind, "worst": worst, "text": f"{worst} cents"}


def test_the_budget_s_legend_says_what_is_drawn_and_nothing_else() -> None:
    budget = {"lines": [line("stage", 1.0)], "end": line("end", 2.0), "limit": None, "unit": "cents"}
    text = picture(budget)

    assert 'class="maybe"' in text and "hatched: a stage" in text and "solid: end to end" in text
    assert "hollow" not in text
    budget["lines"].append(line("quantisation", 0.5))  # type: ignore[attr-defined]
    assert 'class="hollow"' in picture(budget) and "hollow: the input's own steps" in picture(budget)


def test_a_routine_without_inputs_ends_without_a_semicolon() -> None:
    routine = {"name": "m", "prototype": "y = m_step(state)", "definition": "m.c:183", "inputs": [], "notes": [],
               "claims": []}

    assert "m.c:183</p>" in section(0, routine, "holds")


def test_print_cuts_nothing_off_and_a_narrow_page_shows_no_head_of_a_table() -> None:
    assert "pre { background: var(--panel); padding: .8rem 1rem; white-space: pre-wrap;" in STYLE
    assert "overflow-x: auto" not in STYLE.partition("@media print")[2]
    narrow = STYLE.partition("@media (max-width: 40rem)")[2].partition("@media print")[0]
    assert "clip-path: inset(50%)" in narrow and "left: -100vw" not in narrow


def test_times_and_multiples() -> None:
    assert "2026-11-26 06:56 UTC" == moment({"started": "2026-11-26T06:56:01+00:00"})
    assert "10 870 x the limit" == times(10865.4)
    assert "1.692 x the limit" == times(1.6919)


def test_a_table_is_written_as_its_numbers_are() -> None:
    table = nine_digits(np.array([[0.1, -0.0, 1e-5, 2.5e16], [1 / 3, 5.0, -7.25, 4.4e-320]]))
    told = {"name": 'a "0" < b', "bins": table, "others": [table, nine_digits(np.zeros((0, 4)))]}
    again = json.loads(written(told))

    assert again == {**told, "bins": table.rows, "others": [table.rows, []]}
    assert table.rows[1][0] == 0.333333333
    with pytest.raises(ValueError, match="JSON"):
        written({"x": math.nan})
