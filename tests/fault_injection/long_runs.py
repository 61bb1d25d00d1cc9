"""Long runs of planted machines, without the scripts that a whole check tries before them; shared by tests of this folder."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import inf
from pathlib import Path
from typing import Any

from tests.fault_injection.planted import made_once
from verify.claims.long_run import KeepsGoing
from verify.hunting.plan import Plan
from verify.machines.check import stand_of
from verify.machines.explaining import described
from verify.machines.hunt import MachineHunt
from verify.machines.long_run import LongBudget
from verify.reports.record import plain
from verify.session import Check
from verify.sheet import load_sheet

C_START = "#include <math.h>\n#include <stdint.h>\n#include <stdlib.h>\n"
# MEMBERS, INIT, HIT and STEP are each machine's own.
MACHINE = """\
typedef struct {{ float level; uint32_t n; int on; {members} }} {name}_t;
void {name}_init({name}_t *s, float rate) {{ (void)rate; s->level = 0; s->n = 0; s->on = 0; {init} }}
void {name}_hit({name}_t *s) {{ {hit} }}
float {name}_step({name}_t *s, float x)
{{
    (void)x;
    s->n++;
    {step}
    return s->level;
}}
"""
SHEET = """\
from reference import envelope, oscillators_in_time, smoothing
from verify import *
s = Sheet(sources=["plant.c"], flags="-O2", sample_rate_hz=10000, builds=["host"])
def m(name, *, hours=24, every=0.1, script=(), within=None, **more):
    claims = more.pop("claims", [])
    s.machine(name, state=f"{name}_t", init=f"{name}_init(state, sample_rate_hz)",
              events=[event("hit", f"{name}_hit(state)")], inputs=[binary32("x", 0.1, 0.9, "V")],
              step=f"level = {name}_step(state, x)", outputs=[signal("level", "V")], scripts=4,
              longest_seconds=0.05, **more, claims=[*claims, keeps_going(
                  hours=hours, every_seconds=every, script=script, within=within, because="it hangs outside for months")])
"""
# An envelope of 20 samples that ends when OVER says so, and decays to zero.
ENVELOPE = """if (s->on) { s->level += 0.01f; if (OVER) s->on = 0; }
    else { s->level *= 0.5f; if (s->level < 1e-6f) s->level = 0; }"""
Parts = tuple[str, str, str, str]


def envelope(members: str, init: str, hit: str, over: str, every: str = "") -> Parts:
    """Parts of an envelope whose end is decided by its own way of counting."""
    return members, init, "s->on = 1; s->level = 0;" + hit, every + ENVELOPE.replace("OVER", over)


def aged(members: str = "", init: str = "", hit: str = "", every: str = "") -> Parts:
    """Parts of an envelope that counts its own age, which is right, beside something else."""
    return envelope("uint32_t age;" + members, "s->age = 0;" + init, "s->age = 0;" + hit, "s->age++ >= 19", every)


def c_of(cases: dict[str, Parts]) -> str:
    """The C of all machines."""
    return C_START + "".join(MACHINE.format(name=name, members=members, init=init, hit=hit, step=step)
                             for name, (members, init, hit, step) in cases.items())


@dataclass
class LongRuns:
    """The long runs of a sheet, one after the other. kept: folder for states to go on from, or None."""

    folder: Path
    kept: Path | None = None
    seconds: float = 1800.0
    wall_seconds: float = inf
    witnesses: dict[str, int] = field(default_factory=dict)
    interrupt: bool = False

    def write(self, c: str, sheet: str) -> LongRuns:
        """Put C and sheet into the folder."""
        self.folder.mkdir(parents=True, exist_ok=True)
        (self.folder / "plant.c").write_text(c, encoding="utf-8")
        (self.folder / "plant_sheet.py").write_text(sheet, encoding="utf-8")
        return self

    def progress(self, label: str, done: int, total: int) -> None:
        """A person who watches, and may end it."""
        if self.interrupt and label.endswith("long run") and done > 0:
            raise KeyboardInterrupt

    def entries(self) -> dict[str, dict[str, Any]]:
        """The entry of keeps_going in the record, for each machine."""
        found = {}
        check = Check(load_sheet(self.folder / "plant_sheet.py"), Plan(), self.progress, workers=1)
        with check.opened():
            (bench,) = check.benches
            assert bench.built is not None, bench.problem
            for machine in check.sheet.machines:
                claim = next(c for c in machine.claims if isinstance(c, KeepsGoing))
                paths = {claim.label(): self.kept / machine.name} if self.kept is not None else {}
                budget = LongBudget(self.seconds, self.wall_seconds, paths, self.witnesses)
                hunt = MachineHunt(stand_of(machine, bench.built), [claim], check.crew, self.progress, 7, 0, budget)
                hunt.long_runs()
                found[machine.name] = plain(described(claim, hunt, hunt.tried[0], "plant_sheet.py"))
        return found


def shared_entries(c: str, sheet: str) -> dict[str, dict[str, Any]]:
    """The entries of a sheet, made once for all tests and all test processes."""
    return made_once("long" + c + sheet, lambda folder: LongRuns(folder).write(c, sheet).entries())
