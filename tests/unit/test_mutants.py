"""Which small wrong edits are made of C and C++, and what a routine reaches."""

from __future__ import annotations

from pathlib import Path

import pytest

pytest.importorskip("tree_sitter_c")
pytest.importorskip("tree_sitter_cpp")

from verify.mutants import parse, reached

C = """\
#define TOP 4095
static const float table[3] = {1.0f, 2.5f, 4.0f}; /* 7 */
static float clamp(float x, float low, float high) { return x < low ? low : x > high ? high : x; }
float pitch(float volts)
{
	if (volts < 0.0f)
		volts = 0.0f;
	volts += 0.5f;
	return (float)TOP * clamp(volts, -1.0f, 5.0f) - table[1];
}
"""


def edits(folder: Path, text: str = C, name: str = "a.c") -> set[tuple[str, int, str]]:
    """(kind, line, line after the edit) of each mutant; applied and shown must agree."""
    path = folder / name
    path.write_text(text)
    found = parse(path)
    for mutant in found.mutants:
        before, after = mutant.diff(found.text)
        changed = mutant.applied(found.text).decode()
        assert text.replace("\n".join(before), "\n".join(after), 1) == changed or len(before) != len(after)
        assert changed != text
    return {(m.kind, m.line, " ".join(" ".join(m.diff(found.text)[1]).split())) for m in found.mutants}


@pytest.mark.parametrize(
    "wanted",
    [
        ("constant nudged", 1, "#define TOP 4096"),
        ("constant nudged", 1, "#define TOP 4094"),
        ("clamp dropped", 6, ";"),
        ("comparison off by one", 6, "if (volts <= 0.0f)"),
        ("constant nudged", 8, "volts += 0.5005f;"),
        ("f suffix dropped", 8, "volts += 0.5;"),
        ("operator swapped", 8, "volts -= 0.5f;"),
        ("term removed", 8, ";"),
        ("cast dropped", 9, "return (TOP) * clamp(volts, -1.0f, 5.0f) - table[1];"),
        ("clamp dropped", 9, "return (float)TOP * (volts) - table[1];"),
        ("operator swapped", 9, "return (float)TOP / clamp(volts, -1.0f, 5.0f) - table[1];"),
        ("term removed", 9, "return ((float)TOP * clamp(volts, -1.0f, 5.0f));"),
        ("constant nudged", 9, "return (float)TOP * clamp(volts, -1.0f, 5.0f) - table[2];"),
        ("sign dropped", 9, "return (float)TOP * clamp(volts, 1.0f, 5.0f) - table[1];"),
    ],
)
def test_each_kind_of_edit_is_made(tmp_path: Path, wanted: tuple[str, int, str]) -> None:
    found = edits(tmp_path)

    assert wanted in found, sorted(e for e in found if e[1] == wanted[1])


def test_places_that_are_no_math_stay(tmp_path: Path) -> None:
    found = edits(tmp_path)

    assert not any("table[4]" in after or "table[2] =" in after for _, _, after in found)
    assert not any("/* 8 */" in after for _, _, after in found)
    text = '#include "a1.h"\nconst char *name(void) { return "5 + 5"; }\nint f(void) { return \'7\'; }\n'
    assert set() == edits(tmp_path, text)


def test_a_long_table_is_tried_at_its_ends_and_middle(tmp_path: Path) -> None:
    numbers = ", ".join(f"{n}.0f" for n in range(1, 34))
    found = edits(tmp_path, f"static const float t[33] = {{{numbers}}};\nfloat f(int i) {{ return t[i]; }}\n")

    assert 3 == len({after for kind, _, after in found if kind == "constant nudged"})


@pytest.mark.parametrize(
    ("literal", "wanted"),
    [("0x1p-4f", "0.0625625f"), ("0x10u", "0x11u"), ("012", "11"), ("20000", "20020"), ("0xffffu", "0x10000u"), ("0", "1"),
     ("1e3f", "1000.9999999999999f"), ("0.0f", "0.001f"), ("1'000", "1001")],
)  # fmt: skip
def test_constants_of_every_spelling_are_nudged(tmp_path: Path, literal: str, wanted: str) -> None:
    found = edits(tmp_path, f"double f(double x) {{ return g({literal}); }}\n", "a.cpp")

    assert any(f"g({wanted})" in after for _, _, after in found), found


def test_cpp_methods_are_read(tmp_path: Path) -> None:
    found = edits(tmp_path, "struct V { int next(int x) { return x + 1; } };\nint use(V& v) { return v.next(2); }\n", "a.cpp")

    assert ("operator swapped", 1, "struct V { int next(int x) { return x - 1; } };") in found


def test_broken_text_is_passed_by(tmp_path: Path) -> None:
    (tmp_path / "a.c").write_text("float f( { ]] return 3 + ;\n")
    parse(tmp_path / "a.c")


def test_a_routine_reaches_what_it_mentions(tmp_path: Path) -> None:
    (tmp_path / "a.c").write_text(C + "float alone(float x) { return x; }\n")
    parsed = [parse(tmp_path / "a.c")]

    assert {"pitch", "clamp", "table", "TOP"} == reached(parsed, frozenset({"pitch", "nothing"}))
    assert {"alone"} == reached(parsed, frozenset({"alone"}))
