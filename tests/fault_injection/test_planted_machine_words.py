"""Machines that use words of peripherals at fixed addresses: declared ones work and start anew per script."""

from __future__ import annotations

from pathlib import Path

from tests.fault_injection.planted import Seen, run, seen
from verify.hunting.plan import Plan

C = r"""
#include <stdint.h>
#define STEPS (*(volatile uint32_t *)0x40012400u)
#define LEVEL (*(volatile uint32_t *)0x40012404u)
typedef struct { uint32_t on; } pump_t;
void pump_init(pump_t *p) { p->on = 0; }
int32_t pump_step(pump_t *p, int32_t x)
{
    p->on = x > (int32_t)LEVEL;
    STEPS = p->on;
    return (int32_t)STEPS;
}
"""
SHEET = """
from verify import *
s = Sheet(sources=["plant.c"], flags="-O2 -std=c11", peripherals={WORDS})
s.machine("pump", state="pump_t", init="pump_init(state)", step="on = pump_step(state, x)",
    inputs=[integers("x", 0, 4095, "code")], outputs=[signal("on", "", ctype="int32_t")], longest_seconds=0.1,
    claims=[stays_within(0, 1, because="a switch")])
"""


def checked(folder: Path, words: str, c: str = C) -> Seen:
    """The verdicts on a pump whose board has these words."""
    return seen(run(folder, c, SHEET.replace("{WORDS}", words), Plan(scripts=48)), "pump")


def test_declared_words_are_there_and_give_no_alarm(tmp_path: Path) -> None:
    found = checked(tmp_path, "{0x40012400: 0, 0x40012404: 1000}")

    assert (set(), {}) == (found.failing(), found.other())


def test_a_word_that_is_not_declared_is_named_with_what_to_add(tmp_path: Path) -> None:
    found = checked(tmp_path, "{0x40012400: 0}".replace("0x40012400", "0x40019400"))

    assert "returns" in {name.split()[0] for name in found.failing()}
    assert "peripherals={0x40012404: 0x00000000}" in found.words("returns")


def test_words_start_each_script_as_declared_so_what_one_leaves_there_is_no_alarm(tmp_path: Path) -> None:
    marking = C.replace("p->on = 0; }", "p->on = STEPS; }").replace("p->on = x > (int32_t)LEVEL;", "(void)x;").replace(
        "STEPS = p->on;\n    return (int32_t)STEPS;", "STEPS = 1u;\n    return (int32_t)p->on;")
    sheet = SHEET.replace("{WORDS}", "{0x40012400: 0}").replace("stays_within(0, 1", "stays_within(0, 0")
    found = seen(run(tmp_path, marking, sheet, Plan(scripts=48)), "pump")

    assert set() == {name for name in found.failing() if name.startswith(("stays_within", "deterministic"))}
