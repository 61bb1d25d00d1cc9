"""A C++ class as a machine: constructed in place, driven by its members; planted faults and a right twin."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.fault_injection.planted import Seen, run, seen
from verify.hunting.plan import Plan

CPP = r"""
#include <cmath>
#include <cstdint>

class Bell {
public:
    explicit Bell(float rate) : rate_(rate) {}
    void set_seconds(float seconds) { ratio_ = std::exp2(-9.9657843f / (seconds * rate_)); }
    void strike() { level_ = 1.0f; }
    float process(float in)
    {
        level_ *= ratio_;
        if (level_ < 1e-5f)
            level_ = 0.0f;
        return level_ * in;
    }
private:
    float rate_;
    float level_ = 0.0f;
    float ratio_ = 0.999f;
};
"""

SHEET = """
from verify import *
s = Sheet(sources=["plant.cpp"], flags="-O2 -std=c++17")
s.machine("bell", state="Bell", init="new (state) Bell(sample_rate_hz)", destroy="state->~Bell()",
    step="out = state->process(in)",
    events=[event("strike", "state->strike()"),
            event("seconds", "state->set_seconds(seconds)", binary32("seconds", 0.01, 2, "s"))],
    inputs=[binary32("in", 0, 1, "full scale")], outputs=[signal("out", "full scale")], longest_seconds=0.5,
    claims=[stays_within(0, 1, because="full scale")])
"""


def checked(folder: Path, old: str = "", new: str = "") -> Seen:
    """The verdicts on the class with one text changed."""
    assert old in CPP
    return seen(run(folder, CPP.replace(old, new) if old else CPP, SHEET, Plan(scripts=128)), "bell")


def test_a_right_class_gives_no_alarm(tmp_path: Path) -> None:
    found = checked(tmp_path)

    assert (set(), {}) == (found.failing(), found.other())


def test_a_class_finds_its_source_wherever_that_stands_in_the_list(tmp_path: Path) -> None:
    (tmp_path / "voice.c").write_text("float process(float in) { return in; }\n", encoding="utf-8")
    both = SHEET.replace('["plant.cpp"]', '["voice.c", "plant.cpp"]')
    found = seen(run(tmp_path, CPP, both, Plan(scripts=32)), "bell")

    assert (set(), {}) == (found.failing(), found.other())


FAULTS = {
    "member left uninitialised": ("float level_ = 0.0f;", "float level_;", {"fresh_after_init"}),
    "static member shared by instances": ("    float level_ = 0.0f;\n", "    static inline float level_ = 0.0f;\n",
                                          {"instances_independent"}),
    "level above full scale": ("level_ = 1.0f; }", "level_ += 1.0f; }", {"stays_within"}),
    "tail falls into subnormals": ("if (level_ < 1e-5f)", "if (level_ < 0.0f)", {"no_hidden_events"}),
}


DAILY = "static member shared by instances"  # what only a class can have; the others at night


@pytest.mark.parametrize("name", [
    pytest.param(name, marks=[] if name == DAILY else [pytest.mark.nightly]) for name in sorted(FAULTS)])
def test_planted_fault_in_a_class_is_found(tmp_path: Path, name: str) -> None:
    old, new, claims = FAULTS[name]
    found = checked(tmp_path, old, new)

    assert claims <= {word.split()[0] for word in found.failing()}
    line = 1 + CPP[: CPP.index("level_ *= ratio_;")].count("\n")
    assert f"plant.cpp:{line - 2}" == found.entry["definition"]
    if "no_hidden_events" in claims:
        # The comparison behind the product is the first that takes a subnormal in.
        assert f"subnormal operand in Bell::process at plant.cpp:{line + 1}, at sample " in found.words("no_hidden_events")


MEMORY = [("    float level_ = 0.0f;\n", "    float level_ = 0.0f;\n    float *more_ = new float[4]();\n"),
          ("#include <cmath>", "#include <cmath>\n#include <cstdlib>")]


def with_memory(folder: Path, *changes: tuple[str, str]) -> Seen:
    """The class with memory of its own, and more changed."""
    text = CPP
    for old, new in (*MEMORY, *changes):
        assert old in text
        text = text.replace(old, new)
    return seen(run(folder, text, SHEET, Plan(scripts=64)), "bell")


@pytest.mark.nightly
def test_memory_taken_by_the_constructor_gives_no_alarm(tmp_path: Path) -> None:
    found = with_memory(tmp_path)

    assert (set(), {}) == (found.failing(), found.other())


@pytest.mark.nightly
@pytest.mark.parametrize("call", ["delete[] more_; more_ = new float[4]();",
                                  "more_ = static_cast<float *>(std::realloc(nullptr, 16));",
                                  "more_ = static_cast<float *>(std::calloc(4, 4));"])
def test_memory_taken_after_the_constructor_is_found_at_its_sample(tmp_path: Path, call: str) -> None:
    found = with_memory(tmp_path, ("void strike() { ", "void strike() { " + call + " "))

    assert "returns host" in found.failing()
    assert "allocation after init" in found.words("returns")
    assert "strike" in found.claim("returns")["witness"]["script"]
