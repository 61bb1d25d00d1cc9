"""From nothing to verdicts: preflash stub and preflash new on the demo and on a folder in the shape of real firmware."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path
from typing import Any

import pytest

from tests.end_to_end.test_command_line import FAULTS, ROOT, preflash

pytestmark = pytest.mark.usefixtures("gcc", "private_cache")

REAL = Path(__file__).with_name("real_shape")


def record_of(folder: Path, name: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((folder / "reports" / f"{name}.json").read_text())
    return found


def failing(record: dict[str, Any]) -> set[tuple[str, str]]:
    return {(r["name"], c["label"].partition("(")[0]) for r in record["routines"] for c in r["claims"]
            if c["verdict"] == "fails"}


def demo(folder: Path, which: str, part: str = "bell_pitch") -> Path:
    for suffix in "ch":
        shutil.copy(ROOT / "firmware_shim" / "demo" / which / f"{part}.{suffix}", folder)
    made = preflash(folder, "new", f"{part}.h")
    assert 0 == made.returncode, made.stdout + made.stderr
    return folder / f"{part}_sheet.py"


@pytest.mark.nightly
@pytest.mark.full
def test_the_first_sheet_of_the_demo_finds_the_drafts_faults(tmp_path: Path) -> None:
    sheet = demo(tmp_path, "first_draft")
    done = preflash(tmp_path, "check", sheet.name)
    assert 1 == done.returncode, done.stdout + done.stderr
    found = failing(record_of(tmp_path, "bell_pitch"))
    rows = [[cell.strip() for cell in line.split("|")[1:-1]] for line in FAULTS.read_text().splitlines()
            if re.match(r"\| \d+ \|", line)]
    seen = [row[0] for row in rows if any((row[1], claim.split()[0]) in found for claim in row[6].split(", "))]

    assert len(rows) >= 13
    assert len(seen) >= 12, f"found {seen}; failing: {sorted(found)}"


@pytest.mark.nightly
@pytest.mark.full
@pytest.mark.parametrize("part", ["bell_pitch", "bell_time", "bell_voice"])
def test_the_first_sheet_of_the_good_demo_gives_no_alarm(tmp_path: Path, part: str) -> None:
    sheet = demo(tmp_path, "good", part)
    done = preflash(tmp_path, "check", sheet.name)

    assert 0 == done.returncode, done.stdout + done.stderr
    assert set() == failing(record_of(tmp_path, part))


@pytest.mark.nightly
@pytest.mark.full
def test_the_first_sheet_finds_faults_in_time_without_an_edited_line(tmp_path: Path) -> None:
    sheet = demo(tmp_path, "first_draft", "bell_time")
    done = preflash(tmp_path, "check", sheet.name)
    found = failing(record_of(tmp_path, "bell_time"))

    assert 1 == done.returncode, done.stdout + done.stderr
    assert found >= {("bell_strike", "no_jump"), ("bell_strike", "no_hidden_events"), ("bell_strike_q15", "stays_within"),
                     ("bell_wind_block", "same_for_any_block_size"), ("bell_shutter", "no_overshoot"),
                     ("bell_glide", "no_hidden_events"), ("bell_glide", "fresh_after_init")}


@pytest.fixture(scope="module")
def firmware(tmp_path_factory: pytest.TempPathFactory, private_cache: Path) -> Path:
    """The folder after stub and new, and not one line edited."""
    folder = tmp_path_factory.mktemp("real") / "firmware"
    shutil.copytree(REAL, folder)
    blocked = preflash(folder, "new", "main.cpp", "voice.c")
    assert 3 == blocked.returncode
    assert "board_device.h, drivers/board_gpio.h" in blocked.stderr
    assert "preflash stub main.cpp voice.c" in blocked.stderr
    stubbed = preflash(folder, "stub", "main.cpp", "voice.c")
    assert 0 == stubbed.returncode, stubbed.stdout + stubbed.stderr
    assert "the sources build now" in stubbed.stdout
    made = preflash(folder, "new", "main.cpp", "voice.c")
    assert 0 == made.returncode, made.stdout + made.stderr
    return folder


@pytest.mark.nightly
def test_real_firmware_comes_to_verdicts_without_an_edited_line(firmware: Path) -> None:
    text = (firmware / "main_sheet.py").read_text()
    # The machine takes longer: it has a test of its own.
    kept = [part for part in re.split(r"\n\n(?=# )", text) if "firmware.machine(" not in part]
    (firmware / "functions_sheet.py").write_text("\n\n".join(kept) + "\n")
    done = preflash(firmware, "check", "functions_sheet.py")
    assert 1 == done.returncode, done.stdout + done.stderr
    record = record_of(firmware, "functions")

    assert ("hz_from_note", "accurate") in failing(record)
    assert not any(name in ("hz_from_volts", "gain_q15") for name, _ in failing(record))
    # The author's own flags made the code: single precision for every constant.
    host = record["environment"]["builds"]["host"]
    assert {"-ffast-math", "-fsingle-precision-constant", '-DBOARD_NAME="harbour"'} <= set(host["flags"])
    assert "-mfpu=fpv4-sp-d16" in {flag for flag, _ in host["flags_dropped"]}


@pytest.mark.nightly
@pytest.mark.full
def test_its_machine_and_its_calibration_come_to_verdicts_too(firmware: Path) -> None:
    done = preflash(firmware, "check", "main_sheet.py")
    assert 1 == done.returncode, done.stdout + done.stderr
    found = failing(record_of(firmware, "main"))

    # The level falls for ever: three seconds after a strike it is subnormal.
    assert ("strike", "no_hidden_events") in found
    assert ("volts_from_code", "accurate") not in found
    assert ("hz_from_note", "accurate") in found


def test_the_sheet_says_where_each_guess_is_from(firmware: Path) -> None:
    text = (firmware / "main_sheet.py").read_text()

    assert 'compile_commands="build/compile_commands.json"' in text
    assert 'include=["stubs"]' in text
    assert '"zero_volt_hz": "440 * 2**(-33/12)",  # guess: ZERO_VOLT_HZ is the note C2' in text
    assert "# void ADC_IRQHandler(void), main.cpp:18\n# not checked: it has no inputs and no result" in text
    assert 'local="calibration_t calibration = {410, 0.5f, 3686, 4.5f}"' in text
    assert 'state="Strike"' in text
    assert 'step="out = state->step()"' in text


def test_nothing_is_overwritten(firmware: Path) -> None:
    before = (firmware / "main_sheet.py").read_text()
    done = preflash(firmware, "new", "main.cpp", "voice.c")

    assert 2 == done.returncode
    assert "never overwritten" in done.stderr and "--out" in done.stderr
    assert before == (firmware / "main_sheet.py").read_text()


@pytest.mark.parametrize(
    ("files", "words", "said"),
    [
        ({}, ("voice.h",), "there is no such file"),
        ({"voice.txt": ""}, ("voice.txt",), "neither C nor C++"),
        ({"voice.h": "float f(float);\n"}, ("voice.h",), "no function found"),
        ({"voice.c": "float f(float x) { return x +; }\n"}, ("voice.c",), "voice.c:1"),
        ({"voice.c": "float f(float x) { return x; }\n"}, ("voice.c", "--flags=-O2 -fno-such-thing"), "-fno-such-thing"),
        ({"voice.c": "float f(float x) { return x; }\n"}, ("voice.c", "--compile-commands", "none.json"), "none.json"),
        ({"voice.c": "float f(float x) { return x; }\n"}, ("voice.c", "--out", "/proc/voice_sheet.py"), "cannot be written"),
        ({}, (".",), "is a folder"),
    ],
)
def test_wrong_turns_end_in_one_message(tmp_path: Path, files: dict[str, str], words: tuple[str, ...], said: str) -> None:
    for name, text in files.items():
        (tmp_path / name).write_text(text)
    done = preflash(tmp_path, "new", *words)

    assert done.returncode == (3 if said in ("voice.c:1", "-fno-such-thing") else 2)
    assert said in done.stderr and "  do  " in done.stderr
    assert "own fault" not in done.stderr
    assert [] == list(tmp_path.glob("*_sheet.py"))


@pytest.mark.nightly
def test_a_routine_that_uses_a_guess_says_so(tmp_path: Path) -> None:
    (tmp_path / "a.c").write_text('#include "device.h"\nfloat volts_scaled(float volts) { return volts * SCALE; }\n'
                                  "float level(float x) { __disable_irq(); return x; }\n")
    assert 0 == preflash(tmp_path, "stub", "a.c").returncode
    assert 0 == preflash(tmp_path, "new", "a.c").returncode
    preflash(tmp_path, "check", "a_sheet.py")
    notes = {r["name"]: " ".join(r["notes"]) for r in record_of(tmp_path, "a")["routines"]}

    assert "uses stand-ins, whose values are guesses: SCALE" in notes["volts_scaled"]
    assert "does nothing on this computer, only counted: __disable_irq" in notes["level"]
    assert "stand-ins" not in notes["level"]


def test_a_sheet_elsewhere_finds_the_stand_ins_beside_the_sources(tmp_path: Path) -> None:
    (tmp_path / "a.c").write_text('#include "device.h"\nfloat scaled(float volts) { return volts * SCALE; }\n')
    assert 0 == preflash(tmp_path, "stub", "a.c").returncode
    made = preflash(tmp_path, "new", "a.c", "--out", "sheets/a_sheet.py")

    assert 0 == made.returncode, made.stderr
    assert str(tmp_path / "stubs") in (tmp_path / "sheets" / "a_sheet.py").read_text()


def test_stub_takes_a_sheet(tmp_path: Path) -> None:
    (tmp_path / "a.c").write_text('#include "device.h"\nfloat scaled(float volts) { return volts * SCALE; }\n')
    (tmp_path / "a_sheet.py").write_text('from verify import Sheet, binary32\n'
                                         's = Sheet(sources=["a.c"], include=["stubs"])\n'
                                         's.function("scaled", inputs=[binary32("volts", 0, 1, "V")], output="V", '
                                         "claims=[])\n")
    done = preflash(tmp_path, "stub", "a_sheet.py")

    assert 0 == done.returncode, done.stderr
    assert "value 0: SCALE" in done.stdout
    assert (tmp_path / "stubs" / "device.h").exists()


PLAIN = """
#include <stdint.h>
typedef struct { unsigned gate : 1; unsigned velocity : 7; int bend : 4; } note_t;
static uint32_t phase, step;
void ramp_init(float rate_hz) { step = (uint32_t)(100.0f / rate_hz * 4294967296.0f); phase = 0; }
void ramp_set_hz(float hz) { step = (uint32_t)(hz * 89478.485f); }
void ramp_sync(void) { phase = 0; }
float ramp_next(void) { uint32_t now = phase; phase += step; return (float)(now >> 8) * (1.0f / 16777216.0f); }
void stereo_pan(float in, uint8_t pan, float *left, float *right)
{
    *left = in * (float)(255 - pan) * (1.0f / 255.0f);
    *right = in * (float)pan * (1.0f / 255.0f);
}
float velocity_gain(note_t n) { return n.gate ? (float)n.velocity * (1.0f / 127.0f) : 0.0f; }
int main(void) { return 0; }
"""


def test_globals_are_a_machine_and_each_result_and_bit_field_is_there(tmp_path: Path) -> None:
    (tmp_path / "ramp.c").write_text(PLAIN)
    made = preflash(tmp_path, "new", "ramp.c")
    assert 0 == made.returncode, made.stdout + made.stderr
    text = (tmp_path / "ramp_sheet.py").read_text()
    done = preflash(tmp_path, "check", "ramp_sheet.py", "--cases", "100000")

    assert 0 == done.returncode, done.stdout + done.stderr
    assert {r["name"] for r in record_of(tmp_path, "ramp")["routines"]} == {
        "ramp_next", "stereo_pan_left", "stereo_pan_right", "velocity_gain"}
    for line in ('init="ramp_init(sample_rate_hz)"', 'event("sync", "ramp_sync()")', 'step="out = ramp_next()"',
                 "state=None,  # guess: it lives in globals", "&left, &right); result = right",
                 'integers("n_velocity", 0, 127, ""),  # guess: a bit-field of 7', 'integers("n_bend", -8, 7, "")'):
        assert line in text, text
