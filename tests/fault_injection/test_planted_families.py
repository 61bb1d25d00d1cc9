"""Each wrong routine of the families is found by accurate alone, and its right twin gives no alarm."""

from __future__ import annotations

import pytest

from tests.fault_injection import (
    control_pairs,
    filters_pairs,
    memory_reads_pairs,
    oscillator_pairs,
    output_pairs,
    random_pairs,
)
from tests.fault_injection.planted import seen
from tests.fault_injection.planted_families import Family, Pair

SLOW = {"output", "random_sources"}
FAMILIES = [module.FAMILY for module in
            (control_pairs, filters_pairs, memory_reads_pairs, oscillator_pairs, output_pairs, random_pairs)]

pytestmark = [
    pytest.mark.usefixtures("gcc", "private_cache"),
    pytest.mark.parametrize(("family", "pair"), [
        pytest.param(family, pair, id=f"{family.name}-{pair.name}",
                     marks=[pytest.mark.nightly] if family.name in SLOW else [])
        for family in FAMILIES for pair in family.pairs
    ]),
]


def test_a_right_routine_has_no_false_alarm(family: Family, pair: Pair) -> None:
    found = seen(family.record(), f"{pair.name}_good")

    assert set() == found.failing(), found.words(next(iter(found.failing())).split()[0])
    assert {} == found.other()


def test_the_fault_is_found(family: Family, pair: Pair) -> None:
    found = seen(family.record(), f"{pair.name}_bad")

    assert {"accurate host"} == found.failing()
    assert {} == found.other()
    assert found.inputs("accurate")
    assert pair.says in found.words("accurate")
