"""Mistakes in calls and in declared addresses, told before anything runs; replay of an entry with a call."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from firmware_shim.errors import ShimError
from tests.fault_injection.planted import C_START, place, run, seen, sheet_text
from verify.binding import make_benches
from verify.errors import PreflashError
from verify.replay import replay
from verify.sheet import load_sheet

pytestmark = pytest.mark.usefixtures("gcc", "private_cache")

C = (
    C_START
    + """
typedef struct { float gain, offset; } calibration_t;
const float top_hz = 440.0f;
float hz(const calibration_t *c, uint16_t code) { return c->gain * (float)code + (hit(code, 4096u) ? 1.0f : c->offset); }
"""
)
CALL = 'call="cal.gain = 2; cal.offset = 0; result = hz(&cal, code)", local="calibration_t cal", '
END = 'inputs=[codes("code", bits=12)], output="Hz", claims=[])\n'


def message(folder: Path, entry: str, more: str = "") -> str:
    """What a sheet with this entry is answered."""
    (folder / "plant.c").write_text(C)
    (folder / "plant_sheet.py").write_text(sheet_text(entry, more=more))
    with pytest.raises((PreflashError, ShimError)) as caught:
        make_benches(load_sheet(folder / "plant_sheet.py"))
    text = str(caught.value)
    assert "plant" in text.splitlines()[1]
    return text


@pytest.mark.parametrize(("entry", "words"), [
    ('f("hz", globals=["top_hz"], ' + END, ["globals needs a call", 'call="result = hz(code)"']),
    ('f("hz", call="hz(&cal, code)", local="calibration_t cal", ' + END, ["sets no result", "result = hz(&cal, code)"]),
    ('f("hz", call="result = 1", ' + END, ["does not use code"]),
    ('f("hz", call="return code; result = 0", ' + END, ["cannot hold return"]),
    ('f("hz", call="result = pf_loop_fill(code)", ' + END, ["begin with pf_"]),
    ('f("h z", ' + CALL + END, ["no name for an entry"]),
    ('f("a", output_type="long", ' + CALL + END, ["'long' is no type"]),
    ('f("a", output_type="flot", ' + CALL + END, ["'flot' is no type", "did you mean float"]),
    ('f("a", input_types={"cod": "uint16_t"}, ' + CALL + END, ["names no input 'cod'", "did you mean code"]),
    ('f("a", input_types={"code": "float"}, ' + CALL + END, ["input 'code' does not fit"]),
    ('f("a", globals=["top_hz"], ' + CALL + END, ["top_hz is a constant"]),
    ('f("a", globals=["2"], ' + CALL + END, ["'2' is no global"]),
    ('f("a", call="result = hs(code)", ' + END, ["'hs' is not there", "did you mean hz"]),
    ('f("hz", ' + END, ["parameter 'c' cannot be driven by itself", 'local="calibration_t c"',
                        'call="c.gain = gain; c.offset = offset; result = hz(&c, code)"', "float gain, float offset"]),
])
def test_a_mistake_is_one_message_that_says_what_to_write(tmp_path: Path, entry: str, words: list[str]) -> None:
    text = message(tmp_path, entry)

    for word in words:
        assert word in text


@pytest.mark.parametrize(("words", "what"), [
    ("{0x40012451: 1}", "no address"), ("{0: 1}", "no address"), ("{0x40012450: -1}", "no value"),
    ("{1 << 32: 1}", "no address"), ("{0x40012450: 1 << 32}", "no value"),
])
def test_a_wrong_word_of_a_peripheral_is_refused(tmp_path: Path, words: str, what: str) -> None:
    assert what in message(tmp_path, f'f("a", {CALL}{END}', more=f", peripherals={words}")


def test_a_text_that_does_not_compile_blocks_every_build_and_quotes_the_sheet(tmp_path: Path) -> None:
    record = run(tmp_path, C, sheet_text('f("a", ' + CALL.replace("cal.offset", "cal.ofset") + END))
    blocked = record["blocked_builds"][0]

    assert {"blocked"} == set(seen(record, "a").verdicts().values())
    assert "the call of a does not compile" == blocked["what"]
    assert "plant_sheet.py:6" in blocked["where"]
    assert "ofset" in blocked["why"]


def test_an_entry_with_a_call_is_replayed_under_its_own_name(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    entry = 'f("a", reference=lambda ctx, code: 2 * code, ' + CALL + END.replace(
        "claims=[]", "claims=[accurate(absolute=0.001, because=WHY)]")
    record: dict[str, Any] = run(tmp_path, C, sheet_text(entry))
    stored = (tmp_path / "plant_witnesses.txt").read_text()

    assert place(4096) == seen(record, "a").value("accurate")
    assert f"a | accurate(absolute=0.001) | host | code=0x{place(4096):08x}" in stored
    assert 1 == replay(tmp_path / "plant_sheet.py", None, [], 100)
    assert "FAIL" in capsys.readouterr().out.upper()
    assert 0 == replay(tmp_path / "plant_sheet.py", "a", ["code=5"], 100)
