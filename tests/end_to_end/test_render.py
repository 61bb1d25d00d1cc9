"""preflash render: firmware, reference and difference as 24-bit sound, read back by another reader; and every wrong turn."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.io import wavfile

from tests.fault_injection.machine_parts import STRIKE, C
from verify.command_line import main
from verify.errors import UsageError
from verify.rendering import Wish, render
from verify.sound_files import sound_of

HEAD = """
from reference import envelope
from verify import *
s = Sheet(sources=["plant.c"], flags="-O2 -std=c11")
"""
PLAIN = """
s.machine("plain", state="strike_t", init="strike_init(state, sample_rate_hz)", step="level = strike_step(state)",
    events=[event("strike", "strike_strike(state)")], outputs=[signal("level", "full scale")], claims=[])
s.machine("volts", state="strike_t", init="strike_init(state, sample_rate_hz)", step="level = strike_step(state)",
    events=[event("strike", "strike_strike(state)")], outputs=[signal("level", "V")], claims=[])
"""
SCRIPT = "length 0.5s   # a comment\n0 attack 0.01\n0 decay 0.1\n10ms strike\n"


def folder_with(folder: Path, c: str = C, script: str = SCRIPT) -> Path:
    (folder / "plant.c").write_text(c, encoding="utf-8")
    (folder / "plant_sheet.py").write_text(HEAD + STRIKE + PLAIN, encoding="utf-8")
    (folder / "script.txt").write_text(script, encoding="utf-8")
    return folder


def wish(folder: Path, **more: object) -> Wish:
    options = {"machine": "strike", "out": folder / "heard.wav", **more}
    return Wish(folder / "plant_sheet.py", str(folder / "script.txt"), **options)  # type: ignore[arg-type]


def read(folder: Path, word: str) -> np.ndarray:
    """Samples as shares of full scale; the reader leaves 24 bits at the top of 32."""
    rate, raw = wavfile.read(folder / f"heard_{word}.wav")

    assert (48000, np.int32) == (rate, raw.dtype)
    assert not np.any(raw & 0xFF)
    return raw / 2.0**31


def test_the_right_envelope_is_its_reference(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert 0 == render(wish(folder_with(tmp_path)))
    firmware, wanted, apart = (read(tmp_path, word) for word in ("firmware", "reference", "difference"))
    text = capsys.readouterr().out

    assert 24000 == len(firmware)
    assert 0.99 < firmware.max() <= 1
    assert not firmware[:480].any()
    assert np.abs(apart).max() < 0.002
    assert np.abs(firmware - wanted - apart).max() <= 2.0**-22
    assert "low volume" in text
    assert "CLIPPED" not in text


def test_a_planted_slow_attack_is_in_the_difference(tmp_path: Path) -> None:
    wrong = C.replace("n > 1.0f ? 1.0f / n : 1.0f;", "n > 1.0f ? 0.5f / n : 1.0f;")

    assert wrong != C
    assert 0 == render(wish(folder_with(tmp_path, wrong)))
    assert np.abs(read(tmp_path, "difference")).max() > 0.4


def test_clipping_and_what_is_no_number_are_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    wrong = C.replace("return s->level;\n}\n\ntypedef struct { float y, a; }",
                      "return s->level == 1.0f ? NAN : 2.0f * s->level;\n}\n\ntypedef struct { float y, a; }")

    assert wrong != C
    assert 0 == render(wish(folder_with(tmp_path, wrong)))
    text = capsys.readouterr().out
    assert "CLIPPED: " in text
    assert "NOT NUMBERS: 1 sample " in text
    assert 1 - 2.0**-23 == read(tmp_path, "firmware").max()


def test_nothing_is_overwritten_without_being_told(tmp_path: Path) -> None:
    folder_with(tmp_path)
    kept = tmp_path / "heard_reference.wav"
    kept.write_bytes(b"mine")
    with pytest.raises(UsageError, match="there already"):
        render(wish(tmp_path))

    assert b"mine" == kept.read_bytes()
    assert not (tmp_path / "heard_firmware.wav").exists()
    assert 0 == render(wish(tmp_path, overwrite=True))
    assert b"RIFF" == kept.read_bytes()[:4]


def test_without_a_reference_the_firmware_alone_is_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder_with(tmp_path, script="10ms strike\n")

    assert 0 == render(wish(tmp_path, machine="plain"))
    assert "no reference and no difference: plain has no reference" in capsys.readouterr().out
    assert ["heard_firmware.wav"] == [path.name for path in tmp_path.glob("heard_*")]


def test_silence_is_no_file(tmp_path: Path) -> None:
    folder_with(tmp_path, script="0 attack 0.01\n")
    with pytest.raises(UsageError, match="nothing audible") as told:
        render(wish(tmp_path))

    assert "strike, attack, decay" in told.value.todo
    assert [] == list(tmp_path.glob("heard_*"))


@pytest.mark.parametrize(("script", "line", "words"), [
    ("0 atack 0.01\n", ":1", "did you mean attack"),
    ("# first\n0 attack 7\n", ":2", "out of range"),
    ("0 attack\n", ":1", "takes 1 values"),
    ("soon strike\n", ":1", "not a time"),
    ("0.5 strike\n", ":1", "0.5s or 0.5ms"),
    ("0 attack fast\n", ":1", "not a value"),
    ("0 attack nan\n", ":1", "NaN"),
    ("rate 44100\n0 strike\n", ":1", "48000"),
    ("length 2s\nlength 3s\n", ":2", "the first is line 1"),
    ("length 9000s\n0 strike\n", ":1", "can be kept"),
    ("strike\n", ":1", "a time and a name"),
    ("machine strick\n0 strike\n", ":1", "did you mean strike"),
    ("# nothing\n", "script.txt", "empty"),
])
def test_mistakes_in_a_script_name_the_line(tmp_path: Path, script: str, line: str, words: str) -> None:
    with pytest.raises(UsageError) as told:
        render(wish(folder_with(tmp_path, script=script)))

    assert line in told.value.where
    assert words in str(told.value)


@pytest.mark.parametrize(("more", "words"), [
    ({"machine": "strick"}, "did you mean strike"),
    ({"machine": None}, "which machine"),
    ({"output": "volume"}, "it has: level"),
    ({"machine": "volts"}, "--full-scale"),
    ({"full_scale": 0.0}, "above zero"),
])
def test_wrong_names_are_told(tmp_path: Path, more: dict[str, object], words: str) -> None:
    with pytest.raises(UsageError) as told:
        render(wish(folder_with(tmp_path, script="0 strike\n"), **more))

    assert words in str(told.value)


def test_a_stored_witness_and_a_printed_line_can_be_heard(tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                                          capsys: pytest.CaptureFixture[str]) -> None:
    folder_with(tmp_path)
    monkeypatch.chdir(tmp_path)
    line = "48000/2000/64; 10 strike"
    (tmp_path / "plant_witnesses.txt").write_text(f"strike | accurate(absolute=0.002) | host | script {line}\n")

    assert 0 == main(["render", "plant_sheet.py", "witness:1"])
    assert 0 == main(["render", "plant_sheet.py", line, "--machine", "strike"])
    one, other = (tmp_path / f"strike_{word}_firmware.wav" for word in ("witness_1", "script"))
    assert one.read_bytes() == other.read_bytes()
    assert 48000 == len(wavfile.read(one)[1])
    text = capsys.readouterr().out
    assert "the stored script ends after 2000 samples (41.6667 ms); it goes on to 48000 samples (1000 ms)" in text
    assert 2 == main(["render", "plant_sheet.py", "witness:2"])
    assert "witness:1  strike" in capsys.readouterr().err


def test_steps_are_rounded_to_even_and_clamped() -> None:
    step = 2.0**-23
    found = sound_of(np.array([0.5 * step, 1.5 * step, -0.5 * step, 1.0, -1.0, 2.0, -3.0, np.nan]))

    assert [0, 2, 0, 2**23 - 1, -(2**23), 2**23 - 1, -(2**23), 0] == found.steps().tolist()
    assert (2, 5, 1, 7) == (found.beyond, found.first_beyond, found.not_numbers, found.first_not_number)
