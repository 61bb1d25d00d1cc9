"""Long runs that end early, are taken up again, or must not be; what a script may say; replaying what failed."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path
from typing import Any

import pytest

from firmware_shim.long_running import HEAD, HEAD_BYTES
from tests.fault_injection.long_runs import SHEET, LongRuns, Parts, aged, c_of
from verify.commands.replay import run as replay_command
from verify.errors import SheetError
from verify.hunting.plan import Plan
from verify.session import Check
from verify.sheet import load_sheet

# Of a run of 0.05 h, 1800 periods: keeps 50 states, one after every 36.
HOURS = 'hours=0.05'
# struct pf_slot: done, check sum of all from its SUMMED-th byte on, seven counts, a double; then the state.
SLOT, SUMMED = struct.Struct("<qI4x7qd"), 16
N_OFFSET = 4


def run(folder: Path, parts: Parts, more: str = HOURS, **options: Any) -> dict[str, Any]:
    """The entry of one machine."""
    runs = LongRuns(folder, **options).write(c_of({"bell": parts}), SHEET + f'm("bell", {more})\n')
    return runs.entries()["bell"]


def earlier(claim: dict[str, Any]) -> str:
    """What the entry says of periods that earlier checks ran."""
    return next((fact.partition("(")[2].rstrip(")") for fact in claim["facts"] if "each computed" in fact), "")


def slots(path: Path) -> tuple[int, int]:
    """(number of slots, bytes of each) of a file of states."""
    _, _, _, count, _, each = HEAD.unpack_from(path.read_bytes())
    return count, each


def test_a_run_goes_on_where_it_stopped(tmp_path: Path, gcc: str) -> None:
    first = run(tmp_path, aged(), kept=tmp_path, seconds=60)
    second = run(tmp_path, aged(), kept=tmp_path, seconds=120)
    third = run(tmp_path, aged(), kept=tmp_path, seconds=60)

    assert "holds (1 min of 3 min at 10 kHz run, 600 000 samples)" == first["verdict_text"]
    assert ("", "600 periods by earlier checks", "1 200 periods by earlier checks") == tuple(
        earlier(claim) for claim in (first, second, third))
    assert "holds (2 min of 3 min at 10 kHz run, 1 200 000 samples)" == second["verdict_text"] == third["verdict_text"]


def test_ctrl_c_keeps_what_was_run(tmp_path: Path, gcc: str) -> None:
    stopped = run(tmp_path, aged(), "hours=900", kept=tmp_path, seconds=1e9, interrupt=True)
    more = run(tmp_path, aged(), "hours=900", kept=tmp_path, seconds=1)

    assert "holds" == stopped["verdict"]
    assert "interrupted" in stopped["facts"]
    assert earlier(more).endswith("periods by earlier checks")


def test_a_stop_by_the_clock_is_said(tmp_path: Path, gcc: str) -> None:
    claim = run(tmp_path, aged(), "hours=900", seconds=1e9, wall_seconds=0.2)

    assert claim["verdict_text"].startswith("holds (")
    assert " of 900 h at 10 kHz run, " in claim["verdict_text"]
    assert "stopped by the clock; --thorough runs it to its end" in claim["facts"]


def test_a_failure_behind_a_kept_part_is_found_from_the_start(tmp_path: Path, gcc: str) -> None:
    fault = aged(every="if (s->n == 1300123u) s->level = 7;")
    assert "holds" == run(tmp_path, fault, kept=tmp_path, seconds=120)["verdict"]
    claim = run(tmp_path, fault, kept=tmp_path)

    assert "fails" == claim["verdict"]
    assert "differs in period 1 301" in claim["witness"]["error"]
    assert "what failed had been taken up from kept memory: this is a run from the start" in claim["facts"]
    assert not (tmp_path / "bell").exists()


def test_a_kept_state_that_is_another_is_never_trusted(tmp_path: Path, gcc: str) -> None:
    run(tmp_path, aged(), kept=tmp_path, seconds=120)
    path = tmp_path / "bell"
    count, each = slots(path)
    raw = bytearray(path.read_bytes())
    for number in range(1, count):
        start = HEAD_BYTES + number * each
        if SLOT.unpack_from(raw, start)[0]:
            # Another value of n, each time another one, with a check sum that fits.
            struct.pack_into("<I", raw, start + SLOT.size + N_OFFSET, number * number)
            done, *_ = SLOT.unpack_from(raw, start)
            struct.pack_into("<qI", raw, start, done, zlib.crc32(raw[start + SUMMED : start + each]))
    path.write_bytes(raw)
    claim = run(tmp_path, aged(), kept=tmp_path, seconds=120)

    assert "a kept stretch came out otherwise when it was run again: this is a run from the start" in claim["facts"]
    assert ("holds", "") == (claim["verdict"], earlier(claim))


def test_a_torn_state_is_passed_over(tmp_path: Path, gcc: str) -> None:
    run(tmp_path, aged(), kept=tmp_path, seconds=60)
    path = tmp_path / "bell"
    count, each = slots(path)
    raw = bytearray(path.read_bytes())
    raw[HEAD_BYTES + (count - 1) * each + 40] ^= 1  # the last one, at which the run stopped
    path.write_bytes(raw)
    claim = run(tmp_path, aged(), kept=tmp_path, seconds=60)

    assert ("holds", "576 periods by earlier checks") == (claim["verdict"], earlier(claim))


@pytest.mark.parametrize(("parts", "words"), [
    (aged("float *at; float line[4];", "s->at = s->line;"), "its memory holds addresses"),
    (aged("", "", "s->age += 0u * (uint32_t)rand();"), "the code uses rand, which may keep something of its own"),
    (aged("char line[6000000];", "s->line[0] = 0;"), "the state is larger than 4 MiB"),
])
def test_what_cannot_be_taken_up_starts_again_and_says_why(tmp_path: Path, gcc: str, parts: Parts, words: str) -> None:
    first = run(tmp_path, parts, kept=tmp_path, seconds=1e9, interrupt=True, more="hours=900")
    second = run(tmp_path, parts, kept=tmp_path, seconds=1, more="hours=900")

    assert f"a later check starts again: {words}" in first["facts"]
    assert ("holds", "") == (second["verdict"], earlier(second))


def test_globals_are_kept_as_well(tmp_path: Path, gcc: str) -> None:
    c = c_of({"bell": aged("", "", "ticks++;")}).replace("typedef", "static uint16_t ticks;\ntypedef", 1)
    c = c.replace("s->n++;", "s->n++; if (ticks == 2500u) s->level = 3;")
    found = {}
    for seconds in (60, 100, 180):
        runs = LongRuns(tmp_path, kept=tmp_path, seconds=seconds).write(c, SHEET + f'm("bell", {HOURS})\n')
        found[seconds] = runs.entries()["bell"]

    assert ["holds", "holds", "fails"] == [claim["verdict"] for claim in found.values()]
    assert "600 periods by earlier checks" == earlier(found[100])
    assert "differs in period 1 250" in found[180]["witness"]["error"]
    assert "ticks (uint16_t): 2498 before this period, 2500 after it" in found[180]["facts"]


def test_a_stated_script_is_what_runs(tmp_path: Path, gcc: str) -> None:
    script = "script=[(0, 'x', 0.5), (0.02, 'hit'), (0.03, 'hit'), (0.04, 'hit'), (0.05, 'x', 0.25)], "
    fault = aged("int16_t strikes;", "s->strikes = 0;", "if (++s->strikes == 999) s->level = 2;")
    claim = run(tmp_path, fault, script + HOURS)

    assert "differs in period 333" in claim["witness"]["error"]
    assert ["hit", "hit", "hit", "x stays at 0.5 V", "x stays at 0.25 V"] == [
        next(word for word in ("hit", "x stays at 0.5 V", "x stays at 0.25 V") if line.endswith(word))
        for line in sorted(claim["witness"]["table"][1:], key=lambda line: "x" in line)]


@pytest.mark.parametrize(("more", "words"), [
    ("hours=24, every=0.00003", "whole number of samples"), ("hours=24, every=1000", "too long"),
    ("hours=0.00005, every=0.1", "three periods"), ("hours=0, every=1", "above zero"), ("within=-1", "must not be negative"),
    ("script=[(0.2, 'hit')]", "outside the period"), ("script=[(0, 'hot')]", "no event or input is called 'hot'"),
    ("script=[(0, 'hit', 1)]", "needs 0 values"), ("script=[(0, 'x')]", "needs 1 values"),
    ("script=[(0, 'x', 3)]", "does not lie on its grid"), ("script=[0.1]", "is no step of a script"),
])  # fmt: skip
def test_what_cannot_be_meant_is_refused(tmp_path: Path, more: str, words: str) -> None:
    LongRuns(tmp_path).write(c_of({"bell": aged()}), SHEET + f'm("bell", {more})\n')
    with pytest.raises(SheetError, match=words):
        load_sheet(tmp_path / "plant_sheet.py")


def test_what_failed_is_replayed_first_and_by_hand(tmp_path: Path, gcc: str, capsys: pytest.CaptureFixture[str]) -> None:
    fault = aged(every="if (s->n == 130123u) s->level = 7;")
    LongRuns(tmp_path).write(c_of({"bell": fault}), SHEET + f'm("bell", {HOURS})\n')
    sheet, witnesses = tmp_path / "plant_sheet.py", tmp_path / "plant_witnesses.txt"
    found = Check(load_sheet(sheet), Plan(scripts=4), lambda *_: None, workers=1).run()
    (claim,) = (c for c in found["routines"][0]["claims"] if c["claim"] == "keeps_going")
    again = Check(load_sheet(sheet), Plan(scripts=4, long_seconds=0.5), lambda *_: None, workers=1).run()
    (later,) = (c for c in again["routines"][0]["claims"] if c["claim"] == "keeps_going")

    assert "10000/1000x131/64" in witnesses.read_text()
    assert ["fails", "fails"] == [claim["verdict"], later["verdict"]]

    words = claim["witness"]["replay"].split('"')[1]
    options = type("Options", (), {"sheet": sheet, "routine": "bell", "inputs": [words]})
    assert 1 == replay_command(options)  # type: ignore[arg-type]
    assert "differs in period 131" in " ".join(capsys.readouterr().out.split())

    (tmp_path / "plant.c").write_text(c_of({"bell": aged()}))
    assert 0 == replay_command(options)  # type: ignore[arg-type]
    assert "holds" in capsys.readouterr().out


@pytest.mark.parametrize("names", [("bell",), ("bell", "gong")])
def test_ctrl_c_in_a_check_keeps_the_machines_entry(tmp_path: Path, gcc: str, names: tuple[str, ...]) -> None:
    LongRuns(tmp_path).write(c_of({name: aged() for name in names}),
                             SHEET + "".join(f'm("{name}", hours=900)\n' for name in names))
    plan = Plan(scripts=4, long_seconds=float("inf"), wall_seconds=float("inf"))

    def interrupting(label: str, done: int, total: int) -> None:
        if label.endswith("long run") and done > 0:
            raise KeyboardInterrupt

    record = Check(load_sheet(tmp_path / "plant_sheet.py"), plan, interrupting, workers=2).run()
    claims = [c for r in record["routines"] for c in r["claims"] if c["claim"] == "keeps_going"]

    assert record["interrupted"]
    assert list(names) == [r["name"] for r in record["routines"]]
    assert all("interrupted" in claim["facts"] for claim in claims)
    assert any(" of 900 h at 10 kHz run" in claim["verdict_text"] for claim in claims)
