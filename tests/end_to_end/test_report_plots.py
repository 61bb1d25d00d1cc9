"""Responses, costs and differences of host and board: measured, kept in the record, and drawn from it alone."""

from __future__ import annotations

import cmath
import json
import math
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from tests.board.boards import NEEDED
from tests.fault_injection.planted import C_START, run, sheet_text
from verify.command_line import main
from verify.hunting.plan import Plan
from verify.machines.hunt import MachineHunt
from verify.reports.html_frame import rounds, together
from verify.reports.html_page import page
from verify.reports.pictures import save_pictures
from verify.reports.record import lines_of

POLE = C_START + """
typedef struct { float y, a, rate; } pole_t;
void pole_init(pole_t *p, float rate) { p->y = 0; p->rate = rate; p->a = 1.0f - expf(-6.2831853f * 1000.0f / rate); }
void pole_cutoff(pole_t *p, float hz) { p->a = 1.0f - expf(-6.2831853f * hz / p->rate); }
float pole_step(pole_t *p, float x)
{
    p->y += p->a * (x - p->y);
    return p->y = fabsf(p->y) < 1e-20f ? 0.0f : p->y;
}
"""
WRONG = ("expf(-6.2831853f * hz", "expf(-6.5f * hz")
HZ = (100, 1000, 8000)
POLE_SHEET = """\
from reference import filters_in_time
from verify import *
s = Sheet(sources=["plant.c"], flags="-O2", builds=["host"])
s.machine("pole", state="pole_t", init="pole_init(state, sample_rate_hz)",
  events=[event("cutoff_hz", "pole_cutoff(state, cutoff_hz)", binary32("cutoff_hz", 500, 4000, "Hz"))],
  inputs=[binary32("x", -1, 1, "")], step="y = pole_step(state, x)", outputs=[signal("y", "full scale")],
  sample_rates_hz=[48_000], reference=filters_in_time.first_order, constants={"cutoff_hz": 1000},
  claims=[gain_at(within_db=0.1, hz=[100, 1000, 8000], settle_seconds=0.02, because="x")])
"""
BOARD = C_START + """
int32_t parted(int32_t n)
{
#ifdef __arm__
    if (n >= 600 && n < 700) return n + 3;
#endif
    return n;
}
"""
BOARD_SHEET = sheet_text("""
f("parted", inputs=[integers("n", 0, 1023, "")], output="",
  claims=[same_on_board(bits=True, because="x"), cost_within(percent=1, because="x")])
""", more=', core="cortex-m4f", clock_hz=168_000_000, sample_rate_hz=48_000')


def gain_db(cutoff_hz: float, hz: float) -> float:
    """|a / (1 - (1 - a) z^-1)| of a step-invariant first-order low pass at 48 kHz, in dB: the transfer function itself."""
    a = 1 - math.exp(-2 * math.pi * cutoff_hz / 48000)
    return 20 * math.log10(abs(a / (1 - (1 - a) * cmath.exp(-2j * math.pi * hz / 48000))))


@pytest.fixture(scope="module")
def poles(tmp_path_factory: pytest.TempPathFactory, gcc: str) -> dict[str, dict[str, Any]]:
    folder = tmp_path_factory.mktemp("poles")
    found = {"right": POLE, "wrong": POLE.replace(*WRONG)}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(MachineHunt, "minimise", lambda _: None)  # takes longest, and says nothing about plots
        return {name: json.loads(lines_of(run(folder / name, c, POLE_SHEET, Plan(scripts=8)))) for name, c in found.items()}


def claim_of(record: dict[str, Any], name: str) -> dict[str, Any]:
    (claim,) = [c for c in record["routines"][0]["claims"] if c["claim"] == name]
    return claim


def test_the_record_holds_each_gain_that_was_measured(poles: dict[str, dict[str, Any]]) -> None:
    for name, record in poles.items():
        response = claim_of(record, "gain_at")["response"]
        settings = {curve["setting"][0]: curve["points"] for curve in response["curves"]}

        assert {"as init leaves it", "cutoff_hz = 500 Hz", "cutoff_hz = 4000 Hz"} <= set(settings)
        assert 0.1 == response["limit_db"]
        for setting, cutoff_hz in (("as init leaves it", 1000), ("cutoff_hz = 4000 Hz", 4000)):
            points = settings[setting]
            assert [pytest.approx(hz, abs=0.001) for hz in HZ] == [point[0] for point in points]
            for hz, got, wanted, error, sure, _ in points:
                assert wanted == pytest.approx(gain_db(cutoff_hz, hz), abs=1e-3)
                assert error == pytest.approx(got - wanted, abs=1e-6)
                assert 0 <= sure < 0.01
        assert all(point[5] == "holds" for point in settings["as init leaves it"])
        assert (name == "wrong") == any(point[5] == "fails" for point in settings["cutoff_hz = 4000 Hz"])


def test_a_response_is_drawn_with_the_worst_setting_first(poles: dict[str, dict[str, Any]]) -> None:
    text = page(poles["wrong"])
    worst = claim_of(poles["wrong"], "gain_at")["response"]["curves"][0]

    failing = sum(point[5] == "fails" for point in worst["points"])
    assert failing > 0
    assert f"{failing} of 3 frequencies fail" in text.partition("<details><summary>")[0]
    assert "frequencies fail" not in page(poles["right"])
    assert len(claim_of(poles["wrong"], "gain_at")["response"]["curves"]) == text.count('data-plot="response"')


def test_a_browser_tells_the_numbers_at_the_cursor(poles: dict[str, dict[str, Any]], tmp_path: Path) -> None:
    browser = shutil.which("chromium") or shutil.which("chromium-browser")
    if browser is None:
        pytest.skip("chromium is not installed")
    press = ("<script>window.onerror = (text) => { document.title = 'error ' + text; };</script>", """<script>
const figure = document.querySelector("figure[data-plot=response]"), svg = figure.querySelector("svg");
figure.dispatchEvent(new KeyboardEvent("keydown", {key: "End", bubbles: true, cancelable: true}));
document.body.dataset.said = figure.querySelector(".said").textContent;
const box = svg.getBoundingClientRect();
svg.dispatchEvent(new PointerEvent("pointermove", {clientX: box.left, clientY: box.top, bubbles: true}));
document.body.dataset.hovered = figure.querySelector(".said").textContent;
document.body.dataset.wide = document.documentElement.scrollWidth <= window.innerWidth;
document.body.dataset.fetched = performance.getEntriesByType("resource").length;
</script>""")
    text = page(poles["wrong"]).replace("<body>", "<body>" + press[0]).replace("</body>", press[1] + "</body>")
    (tmp_path / "page.html").write_text(text, encoding="utf-8")
    done = subprocess.run([browser, "--headless", "--no-sandbox", "--disable-gpu", "--dump-dom",
                           (tmp_path / "page.html").as_uri()], capture_output=True, text=True, timeout=90)

    assert "<title>error" not in done.stdout
    assert 'data-fetched="0"' in done.stdout
    assert 'data-wide="true"' in done.stdout
    assert 'data-said="8000 Hz fails: got ' in done.stdout
    assert 'data-hovered="100 Hz holds: got ' in done.stdout


def test_pictures_for_pasting_show_the_response(poles: dict[str, dict[str, Any]], tmp_path: Path) -> None:
    pytest.importorskip("matplotlib")
    names = {file.name for file in save_pictures(poles["wrong"], tmp_path)}

    assert {"pole_gain_at_host_response.png", "pole_gain_at_host_response.svg"} <= names


@pytest.mark.parametrize("low, high", [(0.0, 5.0), (-0.00033, 0.00012), (-53.5, 3.3), (0.0, 1e-300), (2.0, 2.0)])
def test_axes_carry_round_numbers_within_the_plot(low: float, high: float) -> None:
    found = rounds(low, high)

    assert 1 <= len(found) <= 8
    assert all(low - 1e-9 * abs(low) <= value <= high + 1e-9 * abs(high) for value in found)
    assert high == low or len(found) >= 2


def test_labels_that_would_cover_each_other_become_one() -> None:
    assert [(0, "strike (2), attack"), (40, "decay")] == list(together([(0, "strike"), (40, "decay"), (3, "attack"),
                                                                        (9, "strike")]))


@pytest.fixture(scope="module")
def parted(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(lines_of(run(tmp_path_factory.mktemp("parted"), BOARD, BOARD_SHEET)))
    return found


@pytest.mark.cortex_m
@NEEDED[1]
@NEEDED[2]
def test_where_board_and_computer_part_is_kept_and_drawn(parted: dict[str, Any]) -> None:
    profile = claim_of(parted, "same_on_board")["profile"]

    assert profile["distance"] is True
    assert "steps" == profile["error_unit"]
    apart = [start for start, _, _, most, _ in profile["bins"] if most]
    assert (600, 699) == (min(apart), max(apart))
    assert {0.0, 3.0} == {most for _, _, _, most, _ in profile["bins"]}
    assert "Largest distance in each of" in page(parted)


@pytest.mark.cortex_m
@NEEDED[1]
@NEEDED[2]
def test_costs_are_bars_against_the_sample_period(parted: dict[str, Any], tmp_path: Path) -> None:
    cost = claim_of(parted, "cost_within")["cost"]
    text = page(parted)

    low, high = cost["cycles"]
    assert [pytest.approx(100 * low / 3500), pytest.approx(100 * high / 3500)] == cost["percent"]
    assert cost["every_value"] is True
    assert 0 < cost["instructions"]["least"] <= cost["instructions"]["most"] <= high
    assert "The whole width is 1 % of a sample period." in text
    assert f'<span class="sure" style="left:0.00%;width:{100 * cost["percent"][0]:.2f}%' in text
    assert "cost_within(percent=1): holds" in text
    pytest.importorskip("matplotlib")
    assert "cost.svg" in {file.name for file in save_pictures(parted, tmp_path)}


def test_a_record_of_costs_becomes_a_page_and_nothing_else(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    entry = {"name": "<b>", "problem": "", "counted": 7, "every_value": False,
             "cycles": {"optimistic": 70, "pessimistic": 105},
             "instructions": {"least": 1, "median": 50.5, "most": 60}, "percent": [2.0, 3.0]}
    lost = {**entry, "name": "gone", "counted": 0, "problem": "did not come back"}
    stored = tmp_path / "voice_cost.json"
    stored.write_text(json.dumps({"format": 1, "sheet": "voice_sheet.py", "core": "cortex-m4f", "compiler": "c", "flags": [],
                                  "cycle_table": {"source": "t", "uncertainty": "u"}, "routines": [entry, lost]}))

    assert 0 == main(["report", str(stored)])
    text = stored.with_suffix(".html").read_text(encoding="utf-8")
    assert "2 to 3 % of a sample period; 70 to 105 cycles (estimated)" in text
    assert "&lt;b&gt;" in text and "<code><b>" not in text
    assert "gone: did not come back" in text
    assert 2 == main(["report", str(stored), "--csv"])
    assert "a record of costs has no csv form" in capsys.readouterr().err
