"""Time on this computer: which is longer, in which words, and as benchmarks that are stored. No time is asserted."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from firmware_shim.crew import Crew
from verify.binding import make_benches
from verify.command_line import main
from verify.commands.cost import times_here
from verify.host_cost import MOST_INPUTS, MOST_SCRIPTS, ROUNDS, host_cost, in_words, spread_ordinals
from verify.probing import Prober
from verify.sheet import load_sheet

C = """
static float turns(float x, int n) { while (n--) x = x * 0.5f + 1.0f; return x; }
float shorter(float x) { return turns(x, 20); }
float longer(float x) { return turns(x, 1000); }
float two(float x, float y) { return x * y; }
float crashes(float x) { return *(volatile float *)0 + x; }
"""
SHEET = """
from verify import *
s = Sheet(sources=["plant.c"], flags="-O2"{more})
x = binary32("x", 0, 5, "V")
for name in ({names}):
    s.function(name, inputs=[x, binary32("y", 1, 2, "")] if name == "two" else [x], output="V", claims=[])
"""


MACHINES = """
#include <stdlib.h>
typedef struct { float y; float *held; int n; } part_t;
static void start(part_t *s) { s->y = 0.0f; s->held = malloc(4); *s->held = 0.5f; s->n = 0; }
static void stop(part_t *s) { free(s->held); }
static void turn(part_t *s, float x) { *s->held = x; }
static float work(part_t *s, float x, int n) { while (n--) s->y += *s->held * (x - s->y); return s->y; }
float light(part_t *s, float x) { return work(s, x, 10); }
float heavy(part_t *s, float x) { return work(s, x, 500); }
void many(part_t *s, const float *x, float *y, int n) { for (int i = 0; i < n; i++) y[i] = work(s, x[i], 10); }
float breaks(part_t *s, float x) { return s->n++ > 3000 ? *(volatile float *)0 : x; }
"""
MACHINES_SHEET = """
from verify import *
s = Sheet(sources=["plant.c"], flags="-O2", sample_rate_hz=48000, builds=["host"])
for name in ("light", "heavy", "many", "breaks"):
    text = {"block": "many(state, x, y, n)"} if name == "many" else {"step": f"y = {name}(state, x)"}
    s.machine(name, state="part_t", init="start(state)", destroy="stop(state)", **text,
              events=[event("turn", "turn(state, to)", binary32("to", 0.25, 0.5, ""))], inputs=[binary32("x", -1, 1, "V")],
              outputs=[signal("y", "V")], claims=[])
"""


def folder_with(folder: Path, names: str, more: str = "") -> Path:
    (folder / "plant.c").write_text(C)
    (folder / "plant_sheet.py").write_text(SHEET.format(names=names, more=more))
    return folder / "plant_sheet.py"


@pytest.fixture(scope="module")
def entries(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Any]]:
    path = folder_with(tmp_path_factory.mktemp("times"), '"shorter", "longer", "two", "crashes"')
    (host,) = make_benches(load_sheet(path), ("host",))
    assert host.built is not None and host.engine is not None
    with Crew(host.engine, 1) as crew:
        prober = Prober(crew, {"host": host.built}, 7)
        found = {name: host_cost(bound, prober).entry() for name, bound in host.bounds.items()}
    domain = host.bounds["two"].domain
    found["places"] = {"two": np.array(domain.doubles(spread_ordinals(domain)))}
    return found


def test_fifty_times_the_work_takes_clearly_longer(entries: dict[str, dict[str, Any]]) -> None:
    shorter, longer = entries["shorter"], entries["longer"]

    assert longer["ratio"]["median"] > 5 * shorter["ratio"]["median"] > 0
    assert longer["ns_per_call"]["least"] > 5 * shorter["ns_per_call"]["least"]
    for entry in (shorter, longer):
        assert (entry["rounds"], entry["inputs"]) == (ROUNDS, MOST_INPUTS)
        assert 0 < entry["ratio"]["least"] <= entry["ratio"]["median"]
        assert entry["half_within_percent"] >= 0
    # A step is a multiplication and an addition, as a turn of the routine is: 1000 turns.
    assert 100 < longer["ratio"]["median"] < 10_000


def test_a_crash_is_told_instead_of_a_time(entries: dict[str, dict[str, Any]]) -> None:
    assert set(entries["crashes"]) == {"problem"} and "null pointer" in entries["crashes"]["problem"]


def test_samples_of_machines_are_timed_with_their_events(tmp_path: Path) -> None:
    (tmp_path / "plant.c").write_text(MACHINES)
    (tmp_path / "plant_sheet.py").write_text(MACHINES_SHEET)
    found = times_here(load_sheet(tmp_path / "plant_sheet.py"), ["light", "heavy", "many", "breaks"])

    assert "null pointer" in found["breaks"]["problem"]
    assert found["heavy"]["ratio"]["median"] > 5 * found["light"]["ratio"]["median"] > 0
    # A block is handed over once, a sample of it costs about what a step does.
    assert 0.2 < found["many"]["ratio"]["median"] / found["light"]["ratio"]["median"] < 5
    # A turn is a subtraction, a multiplication and an addition that wait for each other.
    assert 100 < found["heavy"]["ratio"]["median"] < 5000
    for name in ("light", "heavy", "many"):
        assert (found[name]["rounds"], found[name]["scripts"]) == (ROUNDS, MOST_SCRIPTS)
        assert found[name]["ns_per_sample"]["least"] > 0
        assert " ns per sample (events included) on this computer = " in in_words(found[name])


def test_inputs_are_spread_over_values(entries: dict[str, dict[str, Any]]) -> None:
    x, y = entries["places"]["two"]

    assert (x.min(), x.max()) == (0, 5) and len(np.unique(x)) == MOST_INPUTS
    for half in (x < 2.5, x >= 2.5):
        assert 0.4 < np.mean(half) < 0.6
        assert 1.4 < y[half].mean() < 1.6


def test_cost_shows_it_where_no_board_compiler_is(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("unicorn")
    path = folder_with(tmp_path, '"shorter", "longer"', ', core="cortex-m4f", board_compiler="no-such-cross-gcc"')

    assert main(["cost", str(path), "--workers", "1"]) == 3
    told = " ".join(capsys.readouterr().out.split())
    assert "'no-such-cross-gcc' was looked for on the path" in told
    assert "host shorter: " in told and "host longer: " in told
    assert "ns per call on this computer" in told and "steps of the calibrated loop" in told
    assert "says nothing exact about the board" in told


def test_times_are_benchmarks_that_are_stored(tmp_path: Path) -> None:
    pytest.importorskip("pytest_benchmark")
    folder_with(tmp_path, '"shorter", "longer"', ', builds=["host"]')
    around = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST_XDIST")}
    words = ["-q", "-p", "no:cacheprovider", "-k", "time", "plant_sheet.py", "--preflash-benchmark",
             "--benchmark-storage=kept", "--benchmark-save=first"]
    ran = subprocess.run([sys.executable, "-m", "pytest", *words], cwd=tmp_path, capture_output=True, text=True,
                         env={**around, "PYTHONPATH": str(Path(__file__).parents[2])})
    assert ran.returncode == 0, ran.stdout + ran.stderr
    (stored,) = (json.loads(path.read_text()) for path in tmp_path.glob("kept/*/*_first.json"))
    one, other = stored["benchmarks"]

    assert [one["name"], other["name"]] == ["time[host]", "time[host]"]
    for entry in (one, other):
        assert entry["stats"]["rounds"] == ROUNDS and entry["group"] == "this computer, one call"
        assert entry["stats"]["median"] == pytest.approx(entry["extra_info"]["ns_per_call"]["median"] * 1e-9, rel=1e-6)
        assert entry["stats"]["stddev"] > 0
    assert other["stats"]["median"] > 5 * one["stats"]["median"]
