"""One input that does not come back: crashes, endless loops, exits, new processes, memory. The hunt goes on."""

from __future__ import annotations

import re
import time
from pathlib import Path
from typing import Any

import pytest

from tests.fault_injection.planted import C_START, code_of, place, run, seen, shared_record, sheet_text
from verify import hunt
from verify.hunting.plan import Plan

pytestmark = pytest.mark.usefixtures("gcc")

CODES = 4096
WAYS = {
    "crash": "*(volatile int *)(uintptr_t)(code & 0u) = 1",
    "endless": "for (;;) { keep++; }",
    "leave": "exit(0)",
    "leave_now": "_exit(0)",
    "abandon": "abort()",
    "deep": "keep += deeper((int)code)",
    "branch": "if (fork() == 0) { for (;;) pause(); }",
    "killed": "raise(SIGKILL)",
    "terminated": "raise(SIGTERM)",
    "parent": "kill(getppid(), SIGKILL)",
    "all": "kill(-1, 0)",
    "divide": "volatile int none = 0; keep = 7 / none",
    "greedy": "{ char *p; for (;;) { p = malloc(1u << 26); if (!p) abort(); memset(p, 1, 1u << 26); } }",
    "jump": "((void (*)(void))(uintptr_t)(code & 0u))()",
}
C = (
    "#define _GNU_SOURCE\n"
    + C_START
    + "#include <stdlib.h>\n#include <signal.h>\n#include <unistd.h>\n"
    + """
static int deeper(int n) { volatile char room[4096]; room[n & 4095] = (char)n; return deeper(n + 1) + room[1]; }
float right(uint16_t code) { return (float)code * 0.5f; }
"""
    + "".join(
        f"float {name}(uint16_t code) {{ volatile int keep = 0; if (hit(code, 4096u)) {{ {way}; }} "
        "return (float)code * 0.5f + (float)(keep & 0); }\n"
        for name, way in WAYS.items()
    )
)
ENTRIES = f"""
def half(ctx, x): return x / 2
for name in {["right", *WAYS]}:
    f(name, inputs=[codes("code", bits=12)], output="V", reference=half, call_limit_seconds=0.3,
      claims=[accurate(volts=1e-6, because=WHY), rising(because=WHY), stays_within(0, 2048, because=WHY)])
"""


@pytest.fixture(scope="module")
def record(private_cache: Any) -> dict[str, Any]:
    return shared_record(C, sheet_text(ENTRIES))


def test_the_right_one_holds_beside_the_others(record: dict[str, Any]) -> None:
    found = seen(record, "right")

    assert set() == found.failing() | set(found.other())
    assert 1 == code_of(record)


@pytest.mark.parametrize("name", WAYS)
def test_the_input_is_named_and_the_rest_is_judged(record: dict[str, Any], name: str) -> None:
    found = seen(record, name)

    assert {"returns host", "returns strict"} <= found.failing()
    assert found.failing() <= {"returns host", "returns strict", "no_undefined_behaviour strict"}
    assert {} == found.other()
    for build in ("host", "strict"):
        assert place(CODES) == found.value("returns", build)
        assert CODES == found.claim("returns", build)["strength"]["count"]
    for claim in ("accurate", "rising", "stays_within", "finite"):
        strength = found.claim(claim)["strength"]
        assert "every value" != strength["kind"]
        assert CODES - 3 <= strength["count"] < CODES


WORDS = {
    "crash": "SIGSEGV",
    "endless": "hang",
    "leave": "exit",
    "leave_now": "exit",
    "abandon": "SIGABRT",
    "deep": "stack",
    "branch": "process",
    "killed": "SIGKILL",
    "parent": "reached for another process",
    "all": "reached for another process",
    "terminated": "SIGTERM",
    "divide": "SIGFPE",
    "greedy": "",
    "jump": "SIGSEGV",
}


@pytest.mark.parametrize("name", WORDS)
def test_the_words_say_how_it_ended(record: dict[str, Any], name: str) -> None:
    assert WORDS[name] in seen(record, name).words("returns")


AT_LOADING = C_START + """
#include <stdlib.h>
#include <signal.h>
#include <unistd.h>
float right(uint16_t code) { return code + 0.0f * (float)(hit(code, 2u) + (bits_of(1.0f) == 0)); }
__attribute__((constructor)) static void first(void) { FAULT; }
"""
IN_TURN = 'if (access("MARKER", F_OK)) { mkdir("MARKER", 0700); } else { rmdir("MARKER"); abort(); }'


@pytest.mark.parametrize(("fault", "words"), [
    ("", ""),
    ("kill(getppid(), 0)", "load: loading the firmware ended with SIGSYS: a constructor asked for a new process"),
    ("abort()", "load: loading the firmware ended with SIGABRT: a constructor crashed"),
    (IN_TURN, "killed its worker"),  # a trial load goes well, the next one does not
])
def test_a_constructor_that_goes_wrong_is_told(tmp_path: Path, fault: str, words: str) -> None:
    c = AT_LOADING.replace("FAULT", fault.replace("MARKER", str(tmp_path / "marker")))
    entry = 'f("right", inputs=[codes("code", bits=1)], output="", claims=[])'
    found = seen(run(tmp_path, "#include <sys/stat.h>\n" + c, sheet_text(entry, more=', builds=["host"]')), "right")

    assert ({"returns host"} if words else set()) == found.failing()
    assert not words or words in found.words("returns")
    if words.startswith("load"):
        assert "see returns" in found.claim("finite")["todo"]
        assert "extent" not in found.claim("returns")


def test_a_crash_on_half_the_range_ends_in_reasonable_time(tmp_path: Path) -> None:
    c = (
        C_START + "float f1(uint16_t code) { if (code * 1103u & 1u) *(volatile int *)(uintptr_t)"
        "(code & 0u) = 1; return (float)code; }\n"
    )
    began = time.monotonic()
    record = run(tmp_path, c, sheet_text('f("f1", inputs=[codes("code", bits=16)], output="", claims=[])'))

    assert 15 > time.monotonic() - began
    assert {"returns host", "returns strict"} <= seen(record, "f1").failing()
    assert 1 == code_of(record)
    assert "not run" in seen(record, "f1").words("returns")


HANGS = C_START + """
typedef struct { float y; } m_t;
void m_init(m_t *s) { s->y = 0.0f; (void)bits_of(0); (void)hit(0, 1); }
static float stuck(int at, int here) { volatile unsigned k = 0; while (at == here) k++; return (float)k; }
float many(uint16_t code)
{
    if (code == 77) *(volatile int *)(uintptr_t)(code & 0u) = 1;
    return code + stuck(code > 500 && (code & 1), 1);
}
float wide(float v) { return v + stuck(v > 3.0f || v != v, 1); }
float m_step(m_t *s, int16_t x) { return s->y = x + stuck(x > 500, 1); }
float right(uint16_t code) { return code + stuck(code > 500 && (code & 1), 2); }
"""
HANGS_ENTRIES = """
for name in ["many", "right"]:
    f(name, inputs=[codes("code", bits=16)], output="", call_limit_seconds=0.1, claims=[stays_within(0, 65535, because=WHY)])
f("wide", inputs=[binary32("v", 0, 5, "V")], output="", call_limit_seconds=0.1, claims=[clamps("v", because=WHY)])
s.machine("m", state="m_t", init="m_init(state)", step="y = m_step(state, x)", inputs=[integers("x", 0, 1000, "")],
    outputs=[signal("y", "")], call_limit_seconds=0.1, claims=[stays_within(0, 500, because=WHY)])
"""


def test_thousands_of_hangs_are_given_up_after_a_few(tmp_path: Path) -> None:
    record = run(tmp_path, HANGS, sheet_text(HANGS_ENTRIES, more=', builds=["host"]'))
    many, wide, machine = (seen(record, name) for name in ("many", "wide", "m"))

    assert {} == seen(record, "right").other()
    assert set() == seen(record, "right").failing()
    for found, open_claim in ((many, "stays_within"), (wide, "deterministic"), (machine, "stays_within")):
        assert "returns host" in found.failing()
        assert re.search("not run: the rest, after [34] hangs, each of which costs its time limit", found.words("returns"))
        assert "undecided" == found.verdicts()[f"{open_claim} host"]
        assert "see returns" in found.claim(open_claim)["todo"]
    assert 77 == many.value("returns")
    stored = (tmp_path / "plant_witnesses.txt").read_text(encoding="utf-8")
    assert "0x01f5" in stored and "0x0000004d" not in stored  # 501, the smallest that hangs
    assert 3.0 < wide.value("returns") < 3.001
    assert "not tried after calls that did not come back" in wide.words("clamps")
    assert "hang" in machine.words("returns")


SLOW = C_START + """
float slow(uint16_t code) { volatile unsigned k = 0; while (k < 400000u) k++; return (float)code + (float)(k & 1u); }
"""


def test_the_clock_stops_calls_that_are_slow_and_do_come_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(hunt, "GRACE_SECONDS", 0.3)
    entry = 'f("slow", inputs=[codes("code", bits=12)], output="", claims=[rising(because=WHY)])'
    found = seen(run(tmp_path, SLOW, sheet_text(entry, more=', builds=["host"]'), Plan(wall_seconds=0.3)), "slow")

    assert set() == found.failing()
    assert 0 < found.claim("finite")["strength"]["count"] < CODES
    assert "stopped by the clock" in found.words("finite")
