"""Firmware that tries to get away at one input: found there, the rest is judged, and nothing stays behind."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from tests.fault_injection.escape_parts import MORE, PARTS, WAYS
from tests.fault_injection.planted import C_START, Seen, place, run, seen, sheet_text
from verify.hunting.plan import Plan

pytestmark = pytest.mark.usefixtures("gcc")

CODES = 4096
Ways = Mapping[str, tuple[str, str]]
BEGIN = "#define _GNU_SOURCE\n" + C_START + PARTS
HALF = "\nfloat right(uint16_t code) { return (float)code * 0.5f; }\n"


def function_of(name: str, way: str) -> str:
    """C of one function that goes its way at one code only; the frame before it is remembered."""
    return (f"float {name}(uint16_t code) {{ volatile int keep = 0; if (hit(code + 1u, 4096u)) setjmp(earlier); "
            f"if (hit(code, 4096u)) {{ {way}; }} return (float)code * 0.5f + (float)(keep & 0); }}\n")


def step_of(name: str, way: str) -> str:
    """C of a machine's step that goes its way where x is largest."""
    return (f"float {name}(m_t *s, int16_t x) {{ volatile int keep = 0; if (x == 999) setjmp(earlier); "
            f"if (x == 1000) {{ {way}; }} s->y = x * 0.5f; return s->y + (float)(keep & 0); }}\n")


def left_behind(mark: str) -> list[str]:
    """Processes that are still there and carry a mark in their command or their loaded files."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit() and int(entry.name) != os.getpid():
            try:
                text = (entry / "cmdline").read_bytes() + (entry / "maps").read_bytes()
            except OSError:
                continue
            if mark.encode() in text:
                found.append(entry.name)
    return found


def functions(folder: Path, ways: Ways) -> dict[str, Any]:
    """The record of all ways as functions."""
    mark = f"9{os.getpid():09d}"
    c = (BEGIN + "".join(function_of(name, way) for name, (way, _) in ways.items()) + HALF).replace("MARKER", mark)
    names = [*ways, "right"]
    entries = f"""
for name in {names}:
    f(name, inputs=[codes("code", bits=12)], output="V", call_limit_seconds=0.2, claims=[stays_within(0, 2048, because=WHY)])
"""
    record = run(folder, c, sheet_text(entries, more=', builds=["host"]'))

    assert [] == left_behind(mark)
    return record


def faulty(record: dict[str, Any], ways: Ways) -> Iterator[tuple[str, str, Seen]]:
    """(name, words, what is said) of each way out, which must fail `returns`; the right one must give no alarm."""
    for name, (_, words) in [*ways.items(), ("right", ("", ""))]:
        found = seen(record, name)

        # Where hangs came again and again the rest of a machine's scripts is not tried.
        assert set(found.other().values()) <= ({"undecided"} if words == "hang" else set()), name
        if not words:
            assert set() == found.failing(), name
            continue
        assert "returns host" in found.failing(), name
        yield name, words, found


def judge_functions(record: dict[str, Any], ways: Ways) -> None:
    for name, words, found in faulty(record, ways):
        assert found.failing() <= {"returns host", "deterministic host"}, name
        assert words in found.words("returns"), name
        assert place(CODES) == found.value("returns"), name
        assert CODES == found.claim("returns")["strength"]["count"], name
        assert CODES - 1 == found.claim("stays_within")["strength"]["count"], name


def machines(folder: Path, ways: Ways) -> None:
    """All ways as machines, checked and judged."""
    mark = f"8{os.getpid():09d}"
    state = "typedef struct { float y; } m_t;\nvoid m_init(m_t *s) { s->y = 0.0f; (void)hit(0, 1); (void)bits_of(0); }\n"
    right = "float right(m_t *s, int16_t x) { s->y = x * 0.5f; return s->y; }\n"
    c = (BEGIN + state + "".join(step_of(name, way) for name, (way, _) in ways.items()) + right).replace("MARKER", mark)
    entries = "".join(f"""
s.machine("{name}", state="m_t", init="m_init(state)", step="y = {name}(state, x)", inputs=[integers("x", 0, 1000, "")],
    outputs=[signal("y", "")], longest_seconds=0.02, call_limit_seconds=0.2, scripts=24,
    claims=[stays_within(0, 500, because=WHY)])
""" for name in [*ways, "right"])
    record = run(folder, c, sheet_text(entries, more=', builds=["host"]'), Plan(scripts=24))

    assert [] == left_behind(mark)
    for name, words, found in faulty(record, ways):
        # The shortest script of a jump back is the one in which nothing was remembered: it crashes.
        assert ("SIG" if name == "jump_back" else words) in found.words("returns"), name
        assert "hold 0x000003e8" in found.claim("returns")["witness"]["script"], name
        assert 0 < found.claim("stays_within")["strength"]["count"], name


def test_each_way_out_of_a_function_is_found_at_its_input(tmp_path: Path) -> None:
    judge_functions(functions(tmp_path, WAYS), WAYS)


QUICK = ("bus", "raw_fork", "jump_back", "prints")


def test_each_way_out_of_a_machine_is_found_with_its_script(tmp_path: Path) -> None:
    machines(tmp_path, {name: WAYS[name] for name in QUICK})


@pytest.mark.nightly
def test_all_other_ways_are_found_as_well(tmp_path: Path) -> None:
    judge_functions(functions(tmp_path / "functions", MORE), MORE)
    machines(tmp_path / "machines", {name: way for name, way in {**WAYS, **MORE}.items() if name not in QUICK})
