"""Old C against new C: exact counts, the largest difference, and a repository that is not touched."""

from __future__ import annotations

import subprocess
from pathlib import Path

import numpy as np
import pytest

from firmware_shim.errors import ShimError
from verify.domain import Domain
from verify.errors import UsageError
from verify.grids import codes, integers, values
from verify.hunting.plan import Plan
from verify.old_and_new import Difference, blocks, compare_sources
from verify.old_and_new_lines import render
from verify.older_source import older_source
from verify.sheet import load_sheet

pytestmark = pytest.mark.usefixtures("gcc", "private_cache")

C = """\
#include "sizes.h"
float half(uint16_t code) { return (float)code * HALF; }
float both(uint16_t code, int32_t knob) { return (float)(code * 3 + knob); }
int32_t wide(int32_t x) { return x * 2; }
"""
SHEET = """\
from verify import Sheet, codes, integers, stays_within
WHY = "invented"
bell = Sheet(sources=["src/bell.c"], include=["inc"])
WIDE = [stays_within(-1e9, 1e9, because=WHY)]
bell.function("half", inputs=[codes("code", bits=10)], output="V", claims=WIDE)
bell.function("both", inputs=[codes("code", bits=10), integers("knob", -700, 700, "code")], output="V", claims=WIDE)
bell.function("wide", inputs=[integers("x", -100, 100, "code")], output="code", claims=WIDE)
"""


def git(folder: Path, *words: str) -> str:
    who = ["-c", "user.email=a@b.example", "-c", "user.name=n"]
    return subprocess.run(["git", *who, *words], cwd=folder, check=True, capture_output=True, text=True).stdout


def write(folder: Path, c: str, half: str = "0.5f") -> None:
    for name, text in (("src/bell.c", c), ("inc/sizes.h", f"#include <stdint.h>\n#define HALF {half}\n")):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A repository whose sheet lies in a folder of its own, with one commit."""
    base = tmp_path / "repository" / "voice"
    write(base, C)
    (base / "bell_sheet.py").write_text(SHEET)
    git(base.parent, "init", "-q")
    git(base.parent, "add", ".")
    git(base.parent, "commit", "-q", "-m", "first")
    return base


def compare(folder: Path, old: str, plan: Plan | None = None) -> dict[str, Difference]:
    sheet = load_sheet(folder / "bell_sheet.py")
    with older_source(old, sheet.file) as older:
        return {found.routine: found for found in compare_sources(sheet, older, plan or Plan(), 2, lambda *_: None)}


def words(found: Difference) -> str:
    return " ".join(" ".join(render([found], "old", "-O2", 80)).split())


def test_exact_counts_and_the_largest_difference(folder: Path) -> None:
    changed = C.replace("(code * 3 + knob)", "(code * 3 + knob + (knob == 13 && code % 2 ? (int)code : 0))")
    write(folder, changed, "(0.5f + (code >= 1000 ? 0.25f : 0.0f))")
    found = compare(folder, "HEAD")

    assert [24, 512, 0] == [found[name].differing for name in ("half", "both", "wide")]
    assert all(difference.every_value for difference in found.values())
    assert "24 of 1 024 inputs differ, every value largest: +255.75 V, at code=1023 code (0x03ff): 511.5 V" in words(
        found["half"])
    assert "+1023 V, at code=1023 code (0x03ff), knob=13 code (0x0000000d)" in words(found["both"])
    assert "bit-identical over every value (201)" in words(found["wide"])


def test_a_dirty_tree_is_compared_and_not_touched(folder: Path) -> None:
    root = folder.parent
    write(folder, C.replace("x * 2", "x * 2 + (x == 7)"))
    (folder / "new.txt").write_text("not tracked")
    git(root, "add", "voice/inc")
    looks = (["status", "--porcelain=v2"], ["worktree", "list"], ["stash", "list"], ["diff"])
    before = [git(root, *look) for look in looks]
    index = (root / ".git" / "index").read_bytes()

    assert 1 == compare(folder, "HEAD")["wide"].differing
    assert index == (root / ".git" / "index").read_bytes()
    assert before == [git(root, *look) for look in looks]


def test_the_same_code_needs_no_run(folder: Path) -> None:
    write(folder, "/* a note */\n" + C)

    assert all("the built code is the same" in words(found) for found in compare(folder, "HEAD").values())


def test_sampled_is_said(folder: Path) -> None:
    write(folder, C + "int unused;\n" + "int more(int x) { return x; }\n")
    found = compare(folder, "HEAD", Plan(every_value_up_to=1000, sampled_cases=100_000))["both"]

    assert not found.every_value
    assert found.identical
    assert "tried, not every value" in words(found)


def test_a_crash_on_one_side_is_a_difference(folder: Path) -> None:
    write(folder, C.replace("return x * 2;", "if (x == 42) __builtin_trap(); return x * 2;"))
    found = compare(folder, "HEAD")["wide"]

    assert (0, 1) == (found.differing, found.one_sided)
    assert not found.identical
    assert found.every_value
    assert "at 1 of 201 inputs only one of the two comes back" in words(found)
    assert "84 code (0x00000054) before, no result now" in words(found)


def test_what_the_old_c_lacks_or_types_otherwise_is_said(folder: Path, tmp_path: Path) -> None:
    old = tmp_path / "old"
    write(old, C.replace("float half", "double half").replace("int32_t wide", "int32_t wider"))
    found = compare(folder, str(old))

    assert "not comparable: double half(uint16_t code) before, float half(uint16_t code) now" in words(found["half"])
    assert "not in the old C" in words(found["wide"])
    assert found["both"].identical


def test_wrong_turns_are_messages(folder: Path, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no folder and no revision"):
        compare(folder, "HEAD~7")
    with pytest.raises(UsageError, match="no folder and no revision"):
        compare(folder, "--upload-pack=x")
    old = tmp_path / "old"
    write(old, C.replace("code * HALF", "code * HALF +"))
    with pytest.raises(ShimError, match=r"the old C .*does not compile"):
        compare(folder, str(old))


@pytest.mark.parametrize("most", [1, 7, 64, 5000])
def test_blocks_are_the_whole_domain_once(most: int) -> None:
    grids = (codes("a", 3), values("b", [1, 2, 5], ""), integers("c", -4, 6, "code", step=2))
    domain = Domain(grids, (3, 6, 6))
    expected = [domain.raw_bits(n) for n in range(domain.count)]
    found: list[tuple[bytes, ...]] = []
    for first, axes, count in blocks(domain, most):
        assert first == len(found)
        assert count <= max(most, 1)
        box = [points(axis) for axis in axes]
        found += [(a, b, c) for a in box[0] for b in box[1] for c in box[2]]

    assert expected == found


def points(axis: object) -> list[bytes]:
    """The raw points of an integer or listed axis, as the engine fills it."""
    from firmware_shim.engine import NUMPY_TYPES
    from firmware_shim.job import Axis

    assert isinstance(axis, Axis)
    kind = NUMPY_TYPES[axis.type_number]
    if axis.grid == 2:
        return [axis.raw[n * kind.itemsize :][: kind.itemsize] for n in range(axis.count)]
    return [np.array(axis.first + axis.step * n).astype(kind).tobytes() for n in range(axis.count)]
