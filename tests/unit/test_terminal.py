"""A record as text: the same words at any width and with or without colour, never wider than asked."""

import re
from typing import Any

import pytest

from verify.reports.html_page import index
from verify.reports.pictures_of_traces import picture
from verify.reports.terminal import render, routine_line

COLOUR = re.compile(r"\x1b\[[0-9;]*m")
PLACE = "pond_sheet.py:12"


def value(name: str, text: str, unit: str = "V") -> dict[str, Any]:
    return {"name": name, "value": text, "unit": unit, "hex": float(text).hex(), "bits": "0x3c800000"}


def claim(label: str, verdict: str, **more: Any) -> dict[str, Any]:
    strength = {"kind": "every value", "count": 1_084_227_585}
    texts = {"holds": "holds (every value)", "undecided": "undecided (3 open)", "blocked": "blocked (no compiler)"}
    entry = {"claim": label.split("(")[0], "label": label, "build": "host", "verdict": verdict, "limit": "",
             "verdict_text": texts.get(verdict, verdict), "strength": strength, "worst": None, "witness": None,
             "because": "a reed that speaks late is heard by everyone on the other bank of the pond",
             "failing_share": None, "share_note": "", "detectors": [], "not_watched": [], "facts": [],
             "profile": None}  # fmt: skip
    return {**entry, **more}


def routine(name: str, *claims: dict[str, Any], **more: Any) -> dict[str, Any]:
    entry = {"name": name, "family": "pitch", "kind": "function", "place": PLACE, "definition": "pond_voice.c:31",
             "prototype": f"float {name}(float volts)", "inputs": ["volts 0 to 5 V, every binary32"],
             "domain_points": 1_084_227_585, "output_unit": "Hz", "notes": [], "without": {}, "printed": "",
             "claims": list(claims)}  # fmt: skip
    return {**entry, **more}


def record() -> dict[str, Any]:
    """A small record with every verdict."""
    witness = {"inputs": [value("volts", "0.015625")], "got": value("result", "66.125", "Hz"), "error": "+0.0213 cents",
               "wanted": "66.118622271 Hz  (reference hz_from_volts)",
               "replay": "preflash replay pond_sheet.py pond_hz volts=0x1p-6"}  # fmt: skip
    worst = {"value": 0.25, "unit": "cents", "text": "+0.25 cents", "at": [value("volts", "0.5")], "times_limit": 25.0}
    wrong = claim("accurate", "fails", limit="cents=0.01", witness=witness, worst=worst,
                  extent="12 of 1 084 227 585 inputs fail, between 0.015625 V and 0.75 V",
                  facts=["the error grows with the input as if one table entry were missing at the upper end"])  # fmt: skip
    right = claim("accurate", "holds", limit="cents=0.01", worst={**worst, "text": "+0.0003914 cents"})
    builds = {"host": {"compiler": "gcc 12.2.0", "flags": ["-O2", "-std=c11", "-funsigned-char", "-fshort-enums"],
                       "flags_dropped": [["-mcpu=cortex-m4", "target option"]]}}  # fmt: skip
    return {
        "format": 1, "sheet": "pond_sheet.py", "title": "pond voice", "started": "2020-01-01T00:00:00+00:00",
        "note": "An invented instrument that lives beside an invented pond; nobody has ever heard it play a note.",
        "seconds": 3.25, "interrupted": False, "blocked_builds": [],
        "environment": {"tool": "0.1.0", "builds": builds},
        "not_checked": ["analogue parts", "converters and their references", "data shared with interrupts"],
        "routines": [
            routine("pond_hz", right, claim("rising", "holds")),
            routine("pond_hz_by_table", wrong, claim("rising", "holds"), printed="hello"),
            routine("pond_code_from_a_very_long_routine_name", claim("deterministic", "undecided")),
            routine("pond_gate", claim("finite", "vacuous"), notes=["width differs on the board: long ticks"]),
            routine("pond_lamp", claim("returns", "blocked", facts=["it ended the program with exit status 3"])),
        ],
    }  # fmt: skip


def words(text: str) -> str:
    """The text without colours, line ends and indents: what it says."""
    return " ".join(COLOUR.sub("", text).split())


@pytest.mark.parametrize("width", range(60, 141, 5))
def test_colour_adds_no_word_and_takes_none_away(width: int) -> None:
    plain, coloured = render(record(), width, False), render(record(), width, True)

    assert plain == COLOUR.sub("", coloured)
    assert plain != coloured
    assert "\x1b" not in plain


@pytest.mark.parametrize("width", range(80, 141, 4))
def test_the_words_do_not_depend_on_the_width(width: int) -> None:
    assert words(render(record(), 140)) == words(render(record(), width))


@pytest.mark.parametrize("width", range(80, 141))
def test_no_line_is_wider_than_asked(width: int) -> None:
    lines = COLOUR.sub("", render(record(), width, True)).splitlines()

    assert [] == [line for line in lines if len(line) > width]
    assert [] == [line for line in lines if line != line.rstrip()]


@pytest.mark.parametrize("width", [60, 80, 140])
def test_a_failure_says_what_where_why_and_what_to_do(width: int) -> None:
    text = words(render(record(), width))
    parts = ["FAILS pond_hz_by_table accurate", f"where {PLACE}", "pond_voice.c:31", "volts = 0.015625 V", "0x3c800000",
             "66.118622271 Hz", "+0.0213 cents", "+0.25 cents at volts = 0.5 V", "12 of 1 084 227 585 inputs fail",
             "limit cents=0.01: a reed that speaks late", "do preflash replay pond_sheet.py pond_hz"]  # fmt: skip

    assert [] == [part for part in parts if part not in text]
    assert sorted(parts[2:], key=text.index) == parts[2:]


def test_each_verdict_is_a_word_and_what_was_not_checked_stands_at_the_end() -> None:
    text = render(record(), 80)

    assert [] == [mark for mark in ("ok ", "FAILS", "OPEN", "VACUOUS", "BLOCKED") if mark not in text]
    assert "5 routines (1 ok, 1 FAILS, 1 OPEN, 1 VACUOUS, 1 BLOCKED), 7 claims" in text
    assert words(text).endswith("analogue parts; converters and their references; data shared with interrupts")


def test_a_sampled_result_is_not_shown_as_every_value() -> None:
    sampled = record()
    sampled["routines"] = [routine("pond_hz", claim("rising", "holds", strength={"kind": "tried", "count": 4096}))]
    text = render(sampled, 80)

    assert "4 096 tried" in text
    assert "every value" not in text


def test_an_interrupted_run_and_a_blocked_build_are_said() -> None:
    stopped = {**record(), "interrupted": True}
    stopped["blocked_builds"] = [{"build": "strict", "code": "S110", "what": "it does not compile",
                                  "where": "pond_voice.c:3", "why": "a brace is missing", "do": "close it"}]  # fmt: skip
    text = render(stopped, 80)

    assert "interrupted" in text
    assert words(text).count("BLOCKED build strict: it does not compile [S110] where pond_voice.c:3 why a brace is "
                             "missing do close it") == 1  # fmt: skip


def test_a_blocked_build_does_not_hide_what_another_leaves_open() -> None:
    given = record()
    given["blocked_builds"] = [{"build": "board", "code": "S121", "what": "no compiler for the board", "where": "the path",
                                "why": "it is not there", "do": "install one", "log": ""}]  # fmt: skip
    given["routines"] = [routine("pond_gate", claim("finite", "vacuous"), claim("rising", "blocked", build="board"))]

    text = render(given)

    assert "VACUOUS  pond_gate  finite" in text
    assert "BLOCKED  pond_gate  rising" not in text


def test_a_long_line_of_a_script_is_wrapped_and_never_cut() -> None:
    given = record()
    long = "       0       0.000 ms  wind goes from 0.010000001 full scale to 0.00123456789 full scale in 3 samples"
    found = {"inputs": [], "got": None, "table": [long], "script": "x", "got_text": "g", "wanted": "w", "error": "e",
             "replay": "r"}  # fmt: skip
    given["routines"] = [routine("pond_wind", claim("no_jump", "fails", witness=found, scripts=4))]

    text = render(given)

    assert "0.00123456789" in " ".join(text.split())
    assert max(map(len, text.splitlines())) <= 80


def test_a_machine_shows_its_nearest_claim_or_says_that_it_has_no_reference() -> None:
    worst = {"value": 0.05, "unit": "dB", "text": "0.05 dB", "at": [], "times_limit": None}
    filtered = claim("gain_at(0.1 dB at 3 frequencies)", "holds", limit="0.1 dB at 3 frequencies", worst=worst)
    found = record()
    found["routines"] = [routine("pond_tone", claim("finite", "holds"), filtered, reference=""),
                         routine("pond_gate", claim("finite", "holds"), reference=""),
                         routine("pond_lamp", claim("finite", "holds"), reference="lamp")]
    text = render(found, 120)

    assert re.search(r"pond_tone +worst 0.05 dB, gain_at\(0.1 dB at 3 frequencies\); every value", text)
    narrow = render(found, 80)
    assert "0.05 dB, gain_at; every value" in narrow and max(map(len, narrow.splitlines())) <= 80
    assert re.search(r"pond_gate +1 claims, no reference; every value", text)
    assert re.search(r"pond_lamp +1 claims; every value", text)


def test_the_page_and_the_terminal_show_the_same_worst_the_least_tried() -> None:
    weak = {"value": 0.002, "unit": "cents", "text": "+0.002 cents", "at": [], "times_limit": None}
    strong = {**weak, "value": 0.001, "text": "+0.001 cents"}
    found = record()
    found["routines"] = [routine("pond_hz", claim("accurate", "holds", limit="cents=0.01", worst=strong),
                                 claim("accurate", "holds", build="board", limit="cents=0.01", worst=weak,
                                       strength={"kind": "tried", "count": 7}))]

    assert "worst +0.002 of 0.01 cents; 7 tried" in render(found, 100)
    row = index([(found["routines"][0], "holds")])
    assert "+0.002 of 0.01 cents" in row and "+0.001" not in row


def test_a_level_trace_is_one_line() -> None:
    assert ["           2 |xxx", "                ^ sample 9", "              o got  . wanted  x both"] == picture(
        {"got": [2.0, 2, 2], "wanted": [2.0, 2, 2], "samples_from": 7, "at": 9})


def test_a_line_never_grows_wider_than_the_screen() -> None:
    claim = {"claim": "keeps_frequency", "label": "keeps_frequency(0.01 cents)", "verdict": "holds", "limit": "cents=0.01",
             "worst": {"text": "0.000283772 cents"}, "strength": {"kind": "tried", "count": 5}, "scripts": 5}

    assert ["  ok      bell_tone                 0.000283772 cents; 5 scripts"] == routine_line(
        {"name": "bell_tone", "claims": [claim]}, 80, False)
