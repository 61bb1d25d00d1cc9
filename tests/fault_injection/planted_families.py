"""Pairs of a right and a wrong routine against one reference, checked through one sheet per family."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from tests.fault_injection.planted import C_START, seen, shared_record, sheet_text


@dataclass(frozen=True)
class Pair:
    """right and wrong are C expressions of the parameters; says: what the failing claim must show."""

    name: str
    result: str
    parameters: str
    right: str
    wrong: str
    inputs: str
    unit: str
    reference: str
    constants: str
    limit: str
    says: str


def record_of(family: str, pairs: Sequence[Pair], more: str = "") -> dict[str, Any]:
    """The record of all pairs of a family; more: C in front of them."""
    c = C_START + more
    entries = f"from reference import {family}\n"
    for pair in pairs:
        for end, body in (("good", pair.right), ("bad", pair.wrong)):
            c += f"{pair.result} {pair.name}_{end}({pair.parameters}) {{ return {body}; }}\n"
            entries += (
                f'f("{pair.name}_{end}", inputs=[{pair.inputs}], output="{pair.unit}", reference={family}.{pair.reference},'
                f" constants=dict({pair.constants}), claims=[accurate({pair.limit}, because=WHY)])\n"
            )
    return shared_record(c, sheet_text(entries))


def assert_right(record: dict[str, Any], pair: Pair) -> None:
    """No alarm, nothing left open."""
    found = seen(record, f"{pair.name}_good")

    assert set() == found.failing(), found.words(next(iter(found.failing())).split()[0])
    assert {} == found.other()


def assert_found(record: dict[str, Any], pair: Pair) -> None:
    """accurate fails, alone, with a witness and the right words."""
    found = seen(record, f"{pair.name}_bad")

    assert {"accurate host"} == found.failing()
    assert {} == found.other()
    assert found.inputs("accurate")
    assert pair.says in found.words("accurate")
