"""Pairs of a right and a wrong routine against one reference, checked through one sheet per family."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from tests.fault_injection.planted import C_START, shared_record, sheet_text


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


@dataclass(frozen=True)
class Family:
    """Pairs against the references of one module; more: C in front of them."""

    name: str
    pairs: Sequence[Pair]
    more: str = ""

    def record(self) -> dict[str, Any]:
        """The record of all pairs, checked once."""
        c = C_START + self.more
        entries = f"from reference import {self.name}\n"
        for pair in self.pairs:
            for end, body in (("good", pair.right), ("bad", pair.wrong)):
                c += f"{pair.result} {pair.name}_{end}({pair.parameters}) {{ return {body}; }}\n"
                entries += (
                    f'f("{pair.name}_{end}", inputs=[{pair.inputs}], output="{pair.unit}",'
                    f" reference={self.name}.{pair.reference},"
                    f" constants=dict({pair.constants}), claims=[accurate({pair.limit}, because=WHY)])\n"
                )
        return shared_record(c, sheet_text(entries))
