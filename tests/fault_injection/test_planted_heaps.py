"""Memory that a machine takes in init: kept and put back with the state, its blocks marked, its first values varied."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.fault_injection.planted import Seen, run, seen
from verify.hunting.plan import Plan

pytestmark = pytest.mark.usefixtures("gcc")

HEAD = """
#include <cstdint>
#include <cstdlib>
#include <new>
#include <vector>
"""
# A delay of eight samples; MEMBERS, MAKE, STRIKE and STEP are each machine's own.
LINE = """
class {name} {{
public:
    explicit {name}(float) : line_({make}) {{ {init} }}
    ~{name}() {{ {end} }}
    void strike() {{ {strike} }}
    float process(float in)
    {{
        {step}
        float out = line_[at_];
        line_[at_] = in;
        at_ = (at_ + 1) % 8;
        n_++;
        return out;
    }}
    {line} line_;
    float *more_ = nullptr;
    float level_ = 1.0f;
    unsigned at_ = 0, n_ = 0;
}};
"""
VECTOR = {"line": "std::vector<float>", "make": "8, 0.0f"}
BARE = {"line": "float *", "make": "new float[8]()", "end": "delete[] line_;"}
MACHINES: dict[str, dict[str, str]] = {
    "Right": VECTOR,
    "RightBare": BARE,
    "RightMore": VECTOR | {"init": "more_ = static_cast<float *>(std::malloc(64)); more_[15] = 0;"
                                   "more_ = static_cast<float *>(std::realloc(more_, 128));", "end": "std::free(more_);"},
    "Unset": BARE | {"make": "new float[8]"},
    "Grows": VECTOR | {"step": "if (n_ == 41) line_.resize(9);"},
    "Twice": VECTOR | {"init": "more_ = new float[4]();", "step": "if (n_ == 41 || n_ == 47) delete[] more_;"},
    "EndsTwice": BARE | {"end": "delete[] line_; delete[] line_;"},
    "Beyond": BARE | {"step": "if (n_ == 300) line_[8] = 0;"},
    "Before": BARE | {"step": "if (n_ == 300) line_[-1] = 0;"},
    "BeyondInInit": BARE | {"init": "for (int i = 0; i <= 8; i++) line_[i] = 0;"},
    "InBetween": BARE | {"step": "if (n_ == 30) std::free(line_ + 2);"},
    "Full": VECTOR | {"init": "more_ = static_cast<float *>(std::malloc(48u << 20));", "end": "std::free(more_);"},
    "Shared": {"line": "float *", "make": "shared()"},
    "Hidden": BARE | {"step": "level_ *= n_ > 200 ? 1e-5f : 1.0f; line_[0] += level_ * 1e-30f; more_ = line_;"},
}
SHARED = """
inline float *shared() { static float *one = new float[8](); return one; }
"""
SHEET = """
from verify import *
s = Sheet(sources=["plant.cpp"], flags="-O1 -std=c++17", builds=["host"])
for name in {names}:
    s.machine(name, state=name, init=f"new (state) {{name}}(sample_rate_hz)", destroy=f"state->~{{name}}()",
        step="out = state->process(in)", events=[event("strike", "state->strike()")],
        inputs=[binary32("in", 0, 1, "full scale")], outputs=[signal("out", "full scale")], longest_seconds=0.03,
        scripts=24, claims=[stays_within(0, 1, because="full scale")])
"""


def source() -> str:
    """All machines."""
    empty = dict.fromkeys(("init", "end", "strike", "step"), "")
    return HEAD + SHARED + "".join(LINE.format(**{**empty, **parts, "name": name}) for name, parts in MACHINES.items())


# Checked by default; the others are nightly.
QUICK = ("RightMore", "Unset", "Beyond", "Twice", "Shared")


@pytest.fixture(scope="module")
def records() -> dict[bool, dict[str, Any]]:
    """Whether of QUICK -> record."""
    return {}


@pytest.fixture
def of(records: dict[bool, dict[str, Any]], tmp_path: Path, private_cache: Any) -> Callable[[str], Seen]:
    """What the check of a machine's group says of it."""

    def found(name: str) -> Seen:
        quick = name in QUICK
        if quick not in records:
            names = [other for other in MACHINES if (other in QUICK) == quick]
            records[quick] = run(tmp_path, source(), SHEET.format(names=names), Plan())
        return seen(records[quick], name)

    return found


def nightly(*values: Any) -> Any:
    """A case of a machine that is not in QUICK."""
    return values if values[0] in QUICK else pytest.param(*values, marks=pytest.mark.nightly)


@pytest.mark.parametrize(("name",), [nightly("Right"), nightly("RightBare"), nightly("RightMore")])
def test_memory_taken_in_init_gives_no_alarm(of: Callable[[str], Seen], name: str) -> None:
    found = of(name)

    assert (set(), {}) == (found.failing(), found.other())


@pytest.mark.parametrize(("name", "words", "sample"), [
    nightly("Grows", "allocation after init", 41),
    nightly("Twice", "double free", 47),
    nightly("EndsTwice", "double free", None),
    nightly("Beyond", "a write past the end of a block of 32 bytes", 300),
    nightly("Before", "of 32 bytes of the heap, or before its start", 300),
    nightly("BeyondInInit", "a write past the end of a block of 32 bytes", 0),
    nightly("InBetween", "a free of what was never allocated", 30),
    nightly("Full", "the heap is exhausted", 0),
])
def test_a_fault_of_the_heap_is_found_at_its_sample(
        of: Callable[[str], Seen], name: str, words: str, sample: int | None) -> None:
    found = of(name)

    assert "returns host" in found.failing()
    assert words in found.words("returns")
    if sample is not None:
        assert sample == found.claim("returns")["trace"]["at"]


def test_a_delay_line_that_nobody_cleared_depends_on_what_was_there(of: Callable[[str], Seen]) -> None:
    assert "fresh_after_init host" in of("Unset").failing()


def test_two_instances_that_share_a_block_are_found(of: Callable[[str], Seen]) -> None:
    assert "instances_independent host" in of("Shared").failing()


@pytest.mark.nightly
def test_a_flag_is_pinned_to_its_sample_with_memory_on_the_heap(of: Callable[[str], Seen]) -> None:
    found = of("Hidden")

    assert "no_hidden_events host" in found.failing()
    assert 200 < found.claim("no_hidden_events")["trace"]["at"] < 216
