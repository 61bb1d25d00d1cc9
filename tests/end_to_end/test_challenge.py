"""Small wrong edits before a sheet's claims: who notices, who does not, and which claim would have."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("tree_sitter_c")

from verify.challenge import CAUGHT, EQUIVALENT, MISSED, Answer, Challenge, challenge
from verify.challenge_lines import as_data, render, suggestion
from verify.command_line import main
from verify.errors import UsageError
from verify.hunting.plan import Plan
from verify.mutants import Mutant, Parsed, parse
from verify.sheet import load_sheet

pytestmark = pytest.mark.usefixtures("gcc", "private_cache")

C = """\
#include "sizes.h"
float half(uint16_t code)
{
	if (code > TOP)
		code = TOP;
	return (float)code * 0.5f;
}
int32_t unused(int32_t x) { return x * 3; }
"""
SHEET = """\
from verify import Sheet, accurate, clamps, codes, stays_within
WHY = "invented"
def half(ctx, code): return code * ctx.number("0.5")
bell = Sheet(sources=["src/bell.c"], include=["inc"])
bell.function("half", inputs=[codes("code", bits=10)], output="V", reference=half, claims=[CLAIMS])
"""
EXACT = "accurate(absolute=0, because=WHY), clamps(because=WHY)"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name, text in (("src/bell.c", C), ("inc/sizes.h", "#include <stdint.h>\n#define TOP 1023\n")):
        (tmp_path / name).parent.mkdir()
        (tmp_path / name).write_text(text)
    return tmp_path


def tried(folder: Path, claims: str, **more: Any) -> Challenge:
    (folder / "bell_sheet.py").write_text(SHEET.replace("CLAIMS", claims))
    return challenge(load_sheet(folder / "bell_sheet.py"), Plan(), workers=1, **more)


def fates(found: Challenge, function: str = "half") -> dict[tuple[str, int], set[str]]:
    kept: dict[tuple[str, int], set[str]] = {}
    for answer in found.answers:
        if answer.mutant.function == function:
            kept.setdefault((answer.mutant.kind, answer.mutant.line), set()).add(answer.fate)
    return kept


def test_sharp_claims_notice_all_that_matters_and_dull_ones_do_not(folder: Path) -> None:
    sharp = tried(folder, EXACT)
    half = fates(sharp)

    assert {CAUGHT} == half["operator swapped", 6] == half["constant nudged", 6] == half["clamp dropped", 4]
    assert {EQUIVALENT} == half["f suffix dropped", 6]
    assert {MISSED} == set.union(*fates(sharp, "unused").values())
    assert not any(MISSED in fate for fate in half.values())

    dull = tried(folder, "stays_within(0, 1e6, because=WHY)")
    found = fates(dull)
    assert {MISSED} == found["constant nudged", 6]
    assert {EQUIVALENT} == found["comparison off by one", 4], "code >= TOP does the same at every value"
    assert 0 == dull.score < (sharp.score or 0) < 1
    text = " ".join("\n".join(render(dull, {a.mutant.source: parse(a.mutant.source) for a in dull.answers}, 100)).split())
    assert "NOT NOTICED bell.c:6 in half: constant nudged" in text
    assert "- return (float)code * 0.5f; + return (float)code * 0.5005f;" in text
    assert "half: 1 023 of 1 024 outputs differ, by at most 0.512 V; accurate(...) with a reference would notice" in text
    assert "describe unused in the sheet, or a routine that calls it" in text


EDGE_C = """\
#include <stdint.h>
typedef struct { int32_t last, spare; } edge_t;
void edge_init(edge_t *e) { e->last = 0; e->spare = 0; }
int32_t edge_step(edge_t *e, int32_t gate)
{
	int32_t out = gate && !e->last;
	e->last = gate;
	return out;
}
"""
EDGE_SHEET = """\
from reference import gate
from verify import Sheet, accurate, integers, signal, stays_within
WHY = "invented"
bell = Sheet(sources=["bell.c"], sample_rate_hz=1000)
bell.machine("edge", state="edge_t", init="edge_init(state)", step="out = edge_step(state, gate)",
    inputs=[integers("gate", 0, 1, "")], outputs=[signal("out", "", ctype="int32_t")], reference=gate.edges,
    longest_seconds=0.05, scripts=8, claims=[CLAIMS])
"""


def of_a_machine(folder: Path, claims: str, c: str = EDGE_C) -> dict[tuple[str, int], list[Answer]]:
    (folder / "bell.c").write_text(c)
    (folder / "bell_sheet.py").write_text(EDGE_SHEET.replace("CLAIMS", claims))
    found: dict[tuple[str, int], list[Answer]] = {}
    for answer in challenge(load_sheet(folder / "bell_sheet.py"), Plan(), workers=1).answers:
        found.setdefault((answer.mutant.kind, answer.mutant.line), []).append(answer)
    return found


def test_edits_of_a_machine_are_noticed_by_its_claims(tmp_path: Path) -> None:
    found = of_a_machine(tmp_path, "accurate(absolute=0, because=WHY)")

    assert [CAUGHT] == [answer.fate for answer in found["operator swapped", 6]] == [a.fate for a in found["sign dropped", 6]]
    start, spare = found["constant nudged", 3]
    assert ("edge accurate(absolute=0): fails", MISSED) == (start.claim, spare.fate)
    assert re.fullmatch(r"edge: the same bits in all \d+ scripts", spare.machines[0].text())


@pytest.mark.nightly
def test_a_hanging_edit_of_a_machine_is_noticed_by_returns(tmp_path: Path) -> None:
    loop = EDGE_C.replace("int32_t out = gate", "int32_t out = 0;\n\tfor (int i = 0; i < 1; i += 1) out = gate")
    (hangs,) = of_a_machine(tmp_path, "accurate(absolute=0, because=WHY)", loop)["operator swapped", 7][:1]

    assert (CAUGHT, "edge returns: fails") == (hangs.fate, hangs.claim)


@pytest.mark.nightly
def test_edits_that_dull_claims_of_a_machine_let_pass_are_measured(tmp_path: Path) -> None:
    found = of_a_machine(tmp_path, "stays_within(0, 1, because=WHY)")
    (dull,) = found["operator swapped", 6]

    assert MISSED == dull.fate
    assert re.fullmatch(r"edge: \d+ of \d+ scripts differ, out by at most 1", dull.machines[0].text())
    assert "accurate(...) with a reference would notice" in suggestion(dull)


FOLD_C = """\
#include <stdint.h>
int looks;
uint8_t folded(uint8_t x) { return x > 128 ? (uint8_t)(256 - x) : x; }
uint8_t cut(uint8_t x) { return x > 200 ? 0 : x; }
uint8_t noted(uint8_t x) { looks = x; return x > 128 ? (uint8_t)(256 - x) : x; }
void fold_init(uint8_t *n) { *n = 0; }
int32_t fold_step(uint8_t *n) { *n = (uint8_t)(*n + 1); return folded(*n) + cut(*n & 63) + noted(*n); }
"""
FOLD_SHEET = """\
from verify import Sheet, integers, signal, stays_within
WHY = "invented"
s = Sheet(sources=["bell.c"], sample_rate_hz=1000)
for name in ("folded", "cut", "noted"):
    s.function(name, inputs=[integers("x", 0, 99, "")], output="", claims=[stays_within(0, 255, because=WHY)])
s.machine("fold", state="uint8_t", init="fold_init(state)", step="out = fold_step(state)",
    outputs=[signal("out", "", ctype="int32_t")], longest_seconds=0.05, scripts=8,
    claims=[stays_within(0, 999, because=WHY)])
"""


def test_an_edit_that_no_value_of_the_c_type_tells_is_equivalent_for_machines_too(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def some(parsed: list[Parsed], *_: Any) -> tuple[list[Mutant], int]:
        return [m for one in parsed for m in one.mutants if m.text in (">=", "201")], 4

    monkeypatch.setattr("verify.challenge.chosen_mutants", some)
    (tmp_path / "bell.c").write_text(FOLD_C)
    (tmp_path / "bell_sheet.py").write_text(FOLD_SHEET)
    found = challenge(load_sheet(tmp_path / "bell_sheet.py"), Plan(), workers=1)
    edits = {(a.mutant.function, a.mutant.text): a for a in found.answers}

    assert {("folded", ">="), ("cut", ">="), ("cut", "201"), ("noted", ">=")} == set(edits)
    assert EQUIVALENT == edits["folded", ">="].fate
    assert "folded gives the same bits whatever goes in, and all else is the same code" == edits["folded", ">="].why
    # At 200 and 201, where neither the sheet's range nor the machine looks, it is another function.
    assert MISSED == edits["cut", ">="].fate == edits["cut", "201"].fate
    assert MISSED == edits["noted", ">="].fate, "it writes where others may look"


def test_the_authors_files_are_not_touched(folder: Path) -> None:
    before = {path: path.read_bytes() for path in folder.rglob("*.[ch]")}
    tried(folder, EXACT, sample=3)

    assert before == {path: path.read_bytes() for path in folder.rglob("*.[ch]")}


@pytest.mark.nightly
@pytest.mark.full
def test_a_sample_repeats_with_its_seed(folder: Path) -> None:
    first, second, third = (tried(folder, EXACT, sample=4, seed=seed) for seed in (1, 1, 2))

    assert 4 == len(first.answers) < first.possible
    assert first.answers[0].mutant == second.answers[0].mutant
    assert [a.fate for a in first.answers] == [a.fate for a in second.answers]
    assert [a.mutant for a in first.answers] != [a.mutant for a in third.answers]


@pytest.mark.nightly
@pytest.mark.full
def test_a_hanging_edit_is_noticed_soon(folder: Path) -> None:
    loop = "float half(uint16_t code) { float y = 0; for (int i = 0; i < 4; i += 1) y += code * 0.125f; return y; }"
    (folder / "src/bell.c").write_text('#include "sizes.h"\n' + loop)
    found = fates(tried(folder, "accurate(absolute=0, because=WHY)"))

    assert {CAUGHT} == found["operator swapped", 2]


def test_claims_that_fail_already_notice_nothing_and_it_is_said(folder: Path) -> None:
    found = tried(folder, "accurate(absolute=0, because=WHY), stays_within(0, 1, because=WHY)", sample=2)

    assert ["half stays_within(0, 1)"] == found.unable


@pytest.mark.nightly
def test_the_command_stores_its_outcome_and_refuses_a_low_score(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "bell_sheet.py").write_text(SHEET.replace("CLAIMS", EXACT))
    code = main(["challenge", str(folder / "bell_sheet.py"), "--workers", "1", "--at-least", "99"])
    shown = capsys.readouterr().out
    stored = json.loads((folder / "reports" / "bell_challenge.json").read_text())

    assert 1 == code
    assert "score: " in shown
    assert stored["counts"][CAUGHT] == sum(edit["fate"] == CAUGHT for edit in stored["edits"])
    assert all(edit["suggestion"] for edit in stored["edits"] if edit["fate"] == MISSED)
    assert as_data(Challenge(), {})["score"] is None


def test_a_sheet_of_headers_only_is_refused(folder: Path) -> None:
    (folder / "inc/half.h").write_text("static inline float half(unsigned short code) { return code * 0.5f; }\n")
    (folder / "bell_sheet.py").write_text(SHEET.replace("CLAIMS", EXACT).replace("src/bell.c", "inc/half.h"))
    with pytest.raises(UsageError, match="no source to challenge"):
        challenge(load_sheet(folder / "bell_sheet.py"), Plan())
