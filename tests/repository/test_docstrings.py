"""Each public function of a reference family states shape, unit, domain, error and source."""

from __future__ import annotations

import ast

import pytest

from tests.repository.source_tree import ROOT, text_of, tracked

FIELDS = ("Shape:", "Unit:", "Domain:", "Error:", "Source:")
FAMILIES = {
    "pitch", "envelope", "smoothing", "oscillator", "filters",
    "control", "gate", "memory", "random_sources", "output", "filters_in_time",
    "oscillators_in_time", "oscillator_pairs", "memory_in_time", "random_in_time", "control_in_time",
    "combinations",
}


def complaints(source: str) -> list[str]:
    """What is missing in the docstrings of the public functions of a module, one line for each function."""
    found = []
    for node in ast.parse(source).body:
        if not isinstance(node, ast.FunctionDef) or node.name.startswith("_"):
            continue
        lines = [line.strip() for line in (ast.get_docstring(node) or "").splitlines()]
        places = [[i for i, line in enumerate(lines) if line.startswith(field)] for field in FIELDS]
        missing = [field for field, place in zip(FIELDS, places, strict=True) if len(place) != 1]
        if missing:
            found.append(f"{node.name}: needs {' '.join(missing)} exactly once")
            continue
        order = [place[0] for place in places]
        if order != sorted(order):
            found.append(f"{node.name}: fields out of order")
        empty = [field for field, i in zip(FIELDS, order, strict=True) if lines[i] == field]
        if empty:
            found.append(f"{node.name}: nothing after {' '.join(empty)}")
    return found


def test_family_functions_state_all_fields() -> None:
    families = [path for path in tracked() if path.parent.name == "reference" and path.stem in FAMILIES]
    found = [f"{path.as_posix()}: {text}" for path in families for text in complaints(text_of(path))]

    assert families, f"no family module under {ROOT / 'reference'}"
    assert [] == found


COMPLETE = '''
def hz_from_volts(ctx, volts):
    """Frequency.

    Shape:   scalar
    Unit:    Hz
    Domain:  finite
    Error:   none
    Source:  definition
    """
'''


@pytest.mark.parametrize(
    ("source", "complaint"),
    [
        (COMPLETE.replace("    Unit:    Hz\n", ""), "hz_from_volts: needs Unit: exactly once"),
        (COMPLETE.replace("Source:  definition", "Source:"), "hz_from_volts: nothing after Source:"),
        (
            COMPLETE.replace("    Error:", "    Unit:    V\n    Error:"),
            "hz_from_volts: needs Unit: exactly once",
        ),
        ("def bare(ctx):\n    return ctx\n", "bare: needs Shape: Unit: Domain: Error: Source: exactly once"),
    ],
)
def test_planted_gap_is_caught(source: str, complaint: str) -> None:
    assert [complaint] == complaints(source)


def test_fields_out_of_order_are_caught() -> None:
    swapped = COMPLETE.replace("Shape:", "@").replace("Unit:", "Shape:").replace("@", "Unit:")

    assert ["hz_from_volts: fields out of order"] == complaints(swapped)


def test_complete_and_private_functions_pass() -> None:
    assert [] == complaints(COMPLETE + "\ndef _private(ctx):\n    return ctx\n")
