"""A path that ends in a machine is kept where it repeats, and only there; an edit of what it reaches hunts it again."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.fault_injection.test_planted_paths import PATH, TONE, sheet, source
from verify import reuse
from verify.hunting.plan import Plan
from verify.session import Check
from verify.sheet import load_sheet

pytestmark = pytest.mark.usefixtures("gcc", "private_cache")
SMALL = sheet(PATH % (', "tone"', 0.01, ""), more=TONE).replace("bits=12", "bits=9").replace("4096", "512")


def written(folder: Path, *, change: str = "", text: str = SMALL) -> None:
    (folder / "plant.c").write_text(source(change=change).replace("4096.0f", "512.0f"))
    (folder / "plant_sheet.py").write_text(text)


def checked(folder: Path) -> tuple[set[str], dict[str, str], dict[str, Any]]:
    """(routines that were hunted, verdicts of the path, its entry)."""
    (folder / "plant_witnesses.txt").unlink(missing_ok=True)
    record = Check(load_sheet(folder / "plant_sheet.py"), Plan(), lambda *_: None, workers=1).run()
    (entry,) = (routine for routine in record["routines"] if routine["name"] == "pitch")
    return {name for name, _ in record["evidence"]["hunted"]}, {c["claim"]: c["verdict"] for c in entry["claims"]}, entry


def test_it_is_kept_and_an_edit_of_its_machine_is_found(tmp_path: Path) -> None:
    written(tmp_path)
    hunted, first, before = checked(tmp_path)
    assert "pitch" in hunted and set(first.values()) == {"holds"}
    hunted, second, after = checked(tmp_path)
    assert set() == hunted and first == second and before == after

    written(tmp_path, change=" + step / 256")
    hunted, edited, _ = checked(tmp_path)
    assert {"pitch", "tone"} == hunted and "fails" == edited["accurate"]


# What a signal leaves behind changes the next one a little: within the limit, but not the same.
LEFT = ("t->phase = 0; t->step = 0; }", "static uint32_t left; t->phase = left; t->step = 0; left += 0x01234567u; }")


COUNTED = ("(double)f * (", "(double)(f * (1.0f + 1e-6f * (counted++ % 7u))) * (")


@pytest.mark.parametrize("edit", [LEFT, COUNTED], ids=["machine", "function"])
def test_hidden_state_is_hunted_anew_each_time(tmp_path: Path, edit: tuple[str, str]) -> None:
    written(tmp_path)
    path = tmp_path / "plant.c"
    text = path.read_text().replace("uint32_t increment", "static uint32_t counted;\nuint32_t increment")
    assert edit[0] in text
    path.write_text(text.replace(*edit))
    assert "pitch" in checked(tmp_path)[0]
    assert "pitch" in checked(tmp_path)[0]


def test_a_stage_that_is_said_not_to_repeat_is_believed(tmp_path: Path) -> None:
    written(tmp_path, text=SMALL.replace("claims=[], scripts=2", 'claims=[], scripts=2, without={"deterministic": "noise"}'))
    checked(tmp_path)
    assert "pitch" in checked(tmp_path)[0]


def test_kept_signals_that_differ_from_a_repeat_are_said_and_gone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    written(tmp_path)
    checked(tmp_path)
    kept = reuse.same_results
    monkeypatch.setattr(reuse, "same_results", lambda *given: kept(*given) and given[2][0].kind != "accurate")
    with pytest.raises(reuse.ToolFault, match="stored evidence and a repeat differ"):
        checked(tmp_path)
    monkeypatch.undo()
    monkeypatch.setattr(reuse, "RECHECKED_EACH", 1)
    assert {"pitch"} == checked(tmp_path)[0]
