"""Counts of instructions, estimates of cycles, stack, tables and calls by name, where the truth is known by hand."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from firmware_shim.board_cycles import TABLES, Seen, cost_of
from firmware_shim.build import Built
from firmware_shim.cores import CORES
from tests.board.boards import NEEDED, built, run
from tests.board.test_board_faults import checked
from tests.fault_injection.planted import C_START, place, seen, sheet_text
from verify.command_line import main

pytestmark = NEEDED

EXACT = """
#include <stdint.h>
__attribute__((naked)) uint32_t turns(uint32_t n) { __asm__("1: subs r0, r0, #1\\n\\tbne 1b\\n\\tbx lr"); }
__attribute__((naked)) uint32_t skips(uint32_t n) { __asm__("cmp r0, #5\\n\\tit eq\\n\\taddeq r0, r0, #1\\n\\tbx lr"); }
uint32_t deep(uint32_t n) { volatile uint8_t room[200]; room[n & 63] = 1; return room[n & 63]; }
"""


@pytest.fixture(scope="module")
def image(tmp_path_factory: pytest.TempPathFactory) -> Built:
    return built(tmp_path_factory.mktemp("exact"), EXACT, ("turns", "skips", "deep"), "cortex-m4f")


def counts(image: Built, name: str, numbers: list[int]) -> np.ndarray:
    """(instructions, optimistic cycles, pessimistic cycles) per input."""
    _, result = run(image, name, np.array(numbers, np.uint32), keep_costs=True)
    return np.frombuffer(result.costs, np.uint32).reshape(-1, 3)[: len(numbers)] / [1, 2, 2]


def test_a_loop_of_two_instructions(image: Built) -> None:
    """n times subs and bne, then bx: 1 cycle each, a taken branch 1 to 3 more (Cortex-M4 table)."""
    found = counts(image, "turns", [1, 2, 10, 1000])
    for n, (instructions, least, most) in zip([1, 2, 10, 1000], found, strict=True):
        assert instructions == 2 * n + 1
        assert least == 2 * n + 1 + (n - 1) + 1
        assert most == 2 * n + 1 + 3 * (n - 1) + 3


def test_a_skipped_instruction_is_not_executed_but_takes_its_cycle(image: Built) -> None:
    found = counts(image, "skips", [5, 6])
    assert found[:, 0].tolist() == [4, 3]
    assert found[0, 1] == found[1, 1] == 4 + 1
    assert found[0, 2] == found[1, 2] == 4 + 3


def test_stack_of_a_call(image: Built) -> None:
    _, result = run(image, "deep", np.array([3], np.uint32), keep_costs=True)
    assert 64 <= result.stack_bytes <= 240  # the watermark is the lowest byte that was written
    _, result = run(image, "turns", np.array([3], np.uint32), keep_costs=True)
    assert result.stack_bytes == 0


@pytest.mark.parametrize(("timing", "name", "double", "least", "most"), [
    ("m4", "vadd", False, 1, 2), ("m4", "vdiv", False, 14, 15), ("m4", "vsqrt", False, 14, 15), ("m4", "sdiv", False, 2, 12),
    ("m4", "mul", False, 1, 1), ("m4", "smull", False, 1, 1), ("m4", "vldr", False, 2, 2), ("m4", "vldr", True, 3, 3),
    ("m4", "vabs", False, 1, 1), ("m0plus", "mul", False, 1, 32), ("m0plus", "ldr", False, 1, 2),
    ("m0plus", "add", False, 1, 1),
    ("m7", "vdiv", False, 1, 16), ("m7", "vdiv", True, 1, 30), ("m33", "sdiv", False, 2, 11),
])
def test_cycle_tables(timing: str, name: str, double: bool, least: int, most: int) -> None:
    """Cortex-M4: Arm 100166 tables; Cortex-M0+: DDI 0484C table 3.1; Cortex-M7: LLVM scheduling model."""
    cost = cost_of(timing, Seen(name, double, 0, False, False))
    assert (cost.least, cost.most) == (2 * least, 2 * most)


def test_every_core_has_a_cycle_table() -> None:
    assert {core.timing for core in CORES.values()} == set(TABLES)


ARITHMETIC = C_START + """
static const float table[64] = {1.0f, 2.0f, 3.0f};
float promoted(float x) { return x * 1.1; }
float plain(float x) { return x * 1.1f; }
float looked_up(float x) { return table[(unsigned)x & 63u]; }
uint32_t rare(uint32_t n) { uint32_t k = hit(n, 4096u) ? 500u : 2u; while (k--) __asm__ volatile(""); return n; }
float peak(float x)
{
    int32_t d = (int32_t)(bits_of(x) & 0x7fffffu) - (int32_t)((123457u * 1103u) & 0x7fffffu);
    uint32_t away = (uint32_t)(d < 0 ? -d : d), turns = 40u;
    while (away) { away >>= 1; turns--; }
    while (turns--) __asm__ volatile("nop\\n\\tnop\\n\\tnop\\n\\tnop\\n\\tnop\\n\\tnop");
    return x;
}
"""
FLOATS = 'inputs=[binary32("x", 1, 1.9999999, "V")], output="V", claims=[{claims}]'
CODES = 'inputs=[codes("n", bits=12)], output="code", claims=[{claims}]'


def counted(folder: Path, names: list[tuple[str, str]], core: str = "cortex-m4f",
            clock: str = ", clock_hz=168e6") -> dict[str, Any]:
    """The record of preflash cost."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "plant.c").write_text(ARITHMETIC, encoding="utf-8")
    entries = "".join(f'f("{name}", {grid.format(claims="")})\n' for name, grid in names)
    (folder / "plant_sheet.py").write_text(sheet_text(entries, more=f', core="{core}"{clock}'), encoding="utf-8")
    assert main(["cost", str(folder / "plant_sheet.py"), "--workers", "1"]) == 0
    record: dict[str, Any] = json.loads((folder / "reports" / "plant_cost.json").read_text(encoding="utf-8"))
    return {**record, "by_name": {entry["name"]: entry for entry in record["routines"]}}


def test_costs_of_planted_routines(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    names = [("promoted", FLOATS), ("plain", FLOATS), ("looked_up", FLOATS), ("rare", CODES), ("peak", FLOATS)]
    found = counted(tmp_path, names)["by_name"]
    text = capsys.readouterr().out
    line = next(n for n, row in enumerate(ARITHMETIC.splitlines(), 1) if "promoted" in row)
    (site,) = found["promoted"]["double_arithmetic"]
    assert site["place"] == f"plant.c:{line}"
    assert {"__aeabi_dmul", "__aeabi_f2d", "__aeabi_d2f"} <= set(site["calls"])
    assert not found["plain"]["double_arithmetic"] and not found["plain"]["library"]
    assert f"plant.c:{line}: __aeabi_d2f, __aeabi_dmul, __aeabi_f2d" in text
    assert found["looked_up"]["table_bytes"] == 256 and found["looked_up"]["tables"] == ["table"]
    assert not found["plain"]["tables"]
    rare = found["rare"]
    assert rare["every_value"] and rare["instructions"]["at"][0]["value"] == str(place(4096))
    assert rare["instructions"]["most"] > 20 * rare["instructions"]["median"]
    top = found["peak"]["instructions"]
    assert not found["peak"]["every_value"]
    assert top["at"][0]["bits"] == f"0x{0x3F800000 | (123457 * 1103) & 0x7FFFFF:08x}"
    assert "cost on cortex-m4f at 168 MHz, 48 000 samples/s: 3500 cycles per sample" in text
    assert "largest found" in text and "% of a sample period" in text and "worst case" not in text


@pytest.mark.nightly
def test_two_runs_count_the_same(tmp_path: Path) -> None:
    first, second = (counted(tmp_path / name, [("peak", FLOATS)])["routines"] for name in ("a", "b"))
    assert first[0].pop("host")["rounds"] == second[0].pop("host")["rounds"]  # measured, not counted
    assert first == second


def test_soft_float_on_a_core_without_a_unit(tmp_path: Path) -> None:
    found = counted(tmp_path, [("plain", FLOATS)], core="cortex-m0plus", clock="")["by_name"]["plain"]
    assert "__aeabi_fmul" in found["float_by_calls"]
    assert not found["double_arithmetic"]


def verdicts(folder: Path, claim: str, grid: str, name: str, more: str = ", clock_hz=168e6") -> dict[str, Any]:
    """The entry of one cost claim."""
    entries = f'f("{name}", {grid.format(claims=claim)})\n'
    c = ARITHMETIC.removeprefix(C_START)
    record = checked(folder, c, entries, "cortex-m4f", more=f', builds=("board",){more}')
    return seen(record, name).claim("cost_within", "board")


def test_instruction_limits_hold_and_fail_with_their_strength(tmp_path: Path) -> None:
    claim = verdicts(tmp_path / "a", 'cost_within(instructions=5000, because="x")', CODES, "rare")
    assert claim["verdict_text"] == "holds (every value)"
    claim = verdicts(tmp_path / "b", 'cost_within(instructions=100, because="x")', CODES, "rare")
    assert claim["verdict"] == "fails" and claim["witness"]["inputs"][0]["value"] == str(place(4096))
    claim = verdicts(tmp_path / "c", 'cost_within(instructions=100, because="x")', FLOATS, "plain")
    assert claim["verdict"] == "holds" and claim["strength"]["kind"] == "tried"
    assert any(fact.startswith("the largest found") for fact in claim["facts"])


@pytest.mark.nightly
def test_cycle_limits_follow_both_ends_of_the_table(tmp_path: Path) -> None:
    """turns of rare are about 1500 to 3500 cycles at worst: below, between and above."""
    told = {limit: verdicts(tmp_path / str(limit), f'cost_within(cycles={limit}, because="x")', CODES, "rare")
            for limit in (500, 2200, 20000)}
    assert told[500]["verdict"] == "fails"
    assert told[2200]["verdict"] == "undecided"
    assert told[20000]["verdict_text"] == "holds (every value, estimate)"
    assert any("Cortex-M4" in fact for fact in told[500]["facts"])
    share = verdicts(tmp_path / "share", 'cost_within(percent=1, because="x")', CODES, "rare")
    assert share["verdict"] == "fails" and "% of a sample period" in share["witness"]["error"]
    blind = verdicts(tmp_path / "blind", 'cost_within(percent=1, because="x")', CODES, "rare", more="")
    assert blind["verdict"] == "blocked" and "clock_hz" in blind["verdict_text"]
