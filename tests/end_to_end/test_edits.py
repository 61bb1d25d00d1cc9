"""After any edit of the C, what stored evidence says equals what a clean run says."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from verify.hunt import Hunt
from verify.hunting.plan import Plan
from verify.session import Check
from verify.sheet import load_sheet

pytestmark = pytest.mark.usefixtures("gcc")

C = """\
#include <stdint.h>
#define TOP 4095
static const float steps[9] = {0.0f, 0.125f, 0.25f, 0.375f, 0.5f, 0.625f, 0.75f, 0.875f, 1.0f};
float level_from_code(uint16_t code)
{
	int at = code >> 9;
	float part = (float)(code & 511) / 512.0f;
	return steps[at] + (steps[at + 1] - steps[at]) * part;
}
int32_t gain_from_code(uint16_t code)
{
	int32_t wide = code * 520000;
	return wide / TOP;
}
"""
SHEET = """\
from verify import Sheet, codes, rising, stays_within
WHY = "invented"
two = Sheet(sources=["two.c"])
two.function("level_from_code", inputs=[codes("code", bits=12)], output="ratio",
             claims=[stays_within(0, 1, because=WHY), rising(because=WHY)])
two.function("gain_from_code", inputs=[codes("code", bits=12)], output="ratio",
             claims=[stays_within(0, 520000, because=WHY), rising(because=WHY)])
"""
COMMENTS = ["/* a note */", "/* two\n   lines */", "// to the end\n", "\n", "   "]
CODE = [
    ("0.25f", "0.26f"), ("0.375f", "0.2f"), ("511", "255"), (">> 9", ">> 8"), ("at + 1", "at + 2"), ("512.0f", "500.0f"),
    ("520000", "540000"), ("520000", "524000"), ("4095", "4096"), ("wide / TOP", "wide / (TOP - 1)"), ("1.0f}", "1.001f}"),
    ("* part", "* (1.0f - part)"), ("code & 511", "code & 510"), ("return wide", "return -wide"),
]  # fmt: skip


@pytest.fixture
def folder(tmp_path: Path, empty_cache: Path) -> Path:
    (tmp_path / "two_sheet.py").write_text(SHEET)
    (tmp_path / "two.c").write_text(C)
    return tmp_path


def entries(folder: Path, *, fresh: bool) -> list[dict[str, Any]]:
    """The record's routines, hunted anew or from what is stored."""
    (folder / "two_witnesses.txt").unlink(missing_ok=True)
    record = Check(load_sheet(folder / "two_sheet.py"), Plan(fresh=fresh), lambda *_: None, workers=1).run()
    found: list[dict[str, Any]] = record["routines"]
    return found


def edited(draw: random.Random, text: str) -> str:
    """One edit: a comment or blank in front of a word, or one change of the code, or the first text again."""
    choice = draw.random()
    if choice < 0.4:
        lines = text.split("\n")
        at = draw.randrange(2, len(lines))
        lines[at] = draw.choice(COMMENTS) + lines[at]
        return "\n".join(lines)
    if choice < 0.5:
        return C
    old, new = draw.choice([pair for pair in CODE if pair[0] in text] or [("TOP 4095", "TOP 4095")])
    return text.replace(old, new, 1)


def always_the_same(folder: Path, edits: int, seed: int) -> list[str]:
    """Make edits one after another; the words of each difference between stored and clean."""
    draw, text, wrong = random.Random(seed), C, []
    for number in range(edits):
        text = edited(draw, text)
        (folder / "two.c").write_text(text)
        kept, clean = entries(folder, fresh=False), entries(folder, fresh=True)
        if kept != clean:
            wrong.append(f"edit {number}:\n{text}")
    return wrong


def test_some_random_edits(folder: Path) -> None:
    assert [] == always_the_same(folder, 4, 5)


@pytest.mark.nightly
@pytest.mark.full
def test_twenty_random_edits(folder: Path) -> None:
    assert [] == always_the_same(folder, 20, random.SystemRandom().getrandbits(32))


@pytest.mark.nightly
def test_a_hundred_random_edits(folder: Path) -> None:
    assert [] == always_the_same(folder, 100, random.SystemRandom().getrandbits(32))


@pytest.fixture
def hunted(monkeypatch: pytest.MonkeyPatch) -> Callable[[], int]:
    """How many inputs were hunted since the last call."""
    count = [0]
    phase = Hunt.phase

    def counted(self: Hunt, name: str, wanted: Any) -> None:
        before = self.evidence.total().count()
        phase(self, name, wanted)
        count[0] += self.evidence.total().count() - before

    def taken() -> int:
        found, count[0] = count[0], 0
        return found

    monkeypatch.setattr(Hunt, "phase", counted)
    return taken


def overflow(found: list[dict[str, Any]]) -> str:
    """What the strict build saw in the second routine."""
    claims = found[1]["claims"]
    return str(next(c["witness"]["error"] for c in claims if c["claim"] == "no_undefined_behaviour"))


def test_a_comment_hunts_nothing_and_lines_are_looked_up_again(folder: Path, hunted: Callable[[], int]) -> None:
    (folder / "two.c").write_text(C.replace("520000", "540000"))
    before = entries(folder, fresh=False)
    assert 4 * 4096 == hunted()
    assert 0 == len(entries(folder, fresh=False)) - 2 + hunted()

    (folder / "two.c").write_text("/* three\n * lines\n */\n" + C.replace("520000", "540000"))
    after = entries(folder, fresh=False)
    assert 0 == hunted()
    assert "two.c:12:" in overflow(before)
    assert "two.c:15:" in overflow(after)
    assert "two.c:13" == after[1]["definition"]

    (folder / "two.c").write_text("\n" + C)
    entries(folder, fresh=False)
    assert 2 * 4096 == hunted(), "the routine that was not touched is hunted again, or the other is not"


@pytest.mark.parametrize("more", ["", ', without={"deterministic": "it counts", "no_hidden_events": "not the point"}'])
def test_a_routine_with_a_memory_is_hunted_anew_each_time(folder: Path, hunted: Callable[[], int], more: str) -> None:
    (folder / "two.c").write_text("#include <stdint.h>\nstatic uint32_t calls;\n"
                                  "uint32_t counted(uint32_t n) { calls += n; return calls & 0xffffu; }\n")
    (folder / "two_sheet.py").write_text(
        'from verify import Sheet, integers, stays_within\ntwo = Sheet(sources=["two.c"])\n'
        'two.function("counted", inputs=[integers("n", 0, 100, "")], output="",\n'
        f'             claims=[stays_within(0, 65535, because="invented")]{more})\n')
    first = [(c["label"], c["build"], c["verdict"]) for c in entries(folder, fresh=False)[0]["claims"]]
    count = hunted()

    assert first == [(c["label"], c["build"], c["verdict"]) for c in entries(folder, fresh=False)[0]["claims"]]
    assert count == hunted() > 0


MACHINE = """\
typedef struct { int phase; } turn_t;
void turn_init(turn_t *t) { t->phase = 0; }
int turn_step(turn_t *t) { t->phase = (int)((unsigned)t->phase + 7u); return (t->phase << 28) * 3 != 1; }
"""
MACHINE_SHEET = """\
from verify import Sheet, no_undefined_behaviour, signal, stays_within
WHY = "invented"
turn = Sheet(sources=["two.c"])
turn.machine("turn", state="turn_t", init="turn_init(state)", step="on = turn_step(state)",
             outputs=[signal("on", "code", ctype="int32_t")], longest_seconds=0.01, scripts=4,
             claims=[stays_within(0, 1, because=WHY), no_undefined_behaviour(because=WHY, allow={"two.c:3": WHY})])
"""


@pytest.mark.nightly
def test_an_allowance_by_line_does_not_outlive_a_comment(folder: Path) -> None:
    (folder / "two_sheet.py").write_text(MACHINE_SHEET)
    (folder / "two.c").write_text(MACHINE)

    def verdict() -> str:
        claims = entries(folder, fresh=False)[0]["claims"]
        return str(next(c["verdict"] for c in claims if c["claim"] == "no_undefined_behaviour"))

    assert ["holds", "holds"] == [verdict(), verdict()]
    (folder / "two.c").write_text("/* moved */\n" + MACHINE)
    assert "fails" == verdict()
