"""Every claim of a sheet has a fault that it finds when it is the only claim, and a right twin without alarm.

Functions, machines and paths: what a claim is not meant for, the sheet must refuse; there is no third case.
"""

from __future__ import annotations

import importlib
from collections.abc import Sequence
from functools import cache
from typing import Any

import pytest

import verify
from tests.fault_injection.claim_pairs import FIT, FUNCTIONS, Pair, c_of, named, sheet_of
from tests.fault_injection.claim_pairs_in_time import MACHINES, TimedPair, c_in_time, sheet_in_time
from tests.fault_injection.planted import Seen, seen, shared_record
from verify.claims.base import Claim
from verify.claims.stages import stages_fit
from verify.errors import SheetError
from verify.sheet import PROTECTIVE_CLAIMS, Sheet

pytestmark = pytest.mark.usefixtures("gcc", "private_cache")

WORDS = sorted([word for word in verify.__all__ if verify._HOME[word].startswith("claims.")] + ["stages_fit"])
KINDS = ("function", "machine", "path")
PAIRS: dict[tuple[str, str], Pair | TimedPair] = {
    **{(pair.word, "function"): pair for pair in FUNCTIONS},
    **{(pair.word, "path"): pair for pair in [*FUNCTIONS, FIT] if pair.path},
    **{(pair.word, "machine"): pair for pair in MACHINES},
}
BOARD = ', core="cortex-m4f", clock_hz=168_000_000'
# What the record calls a claim that a sheet calls otherwise.
RECORD_NAMES = {"falling_in": "one_way", "rising_in": "one_way"}


def claim_of(word: str) -> Any:
    """The claim as its pairs write it, of whatever kind they are."""
    text = next(pair.claim for (of, _), pair in PAIRS.items() if of == word)
    names = {name: getattr(verify, name) for name in verify.__all__}
    return eval(text, {**names, "stages_fit": stages_fit, "WHY": "planted"})


def claim_on(kind: str, claims: Sequence[Any]) -> None:
    """An entry of one kind with these claims. Errors: SheetError."""
    sheet = Sheet(sources=["plant.c"], core="cortex-m4f")
    whole = verify.integers("code", 0, 4095, "code")
    if kind == "machine":
        # Events and inputs of every name, so that only the claim itself can be refused.
        sheet.machine("m", state="s_t", init="m_init(state)", step="y = m_step(state, x)", outputs=[verify.signal("y", "V")],
                      inputs=[verify.binary32("x", -1, 1, "V")], claims=claims, hostile=True,
                      events=[verify.event("set", "m_set(state)"), verify.event("strike", "m_strike(state)"),
                              verify.event("hz", "m_hz(state, hz)", verify.binary32("hz", 20, 2000, "Hz"))])
        return
    for name in ("first", "back"):
        sheet.function(name, inputs=[whole], output="code", reference=same, claims=[] if kind == "path" else claims)
    if kind == "path":
        sheet.path("p", stages=["first", "back"], claims=claims)


def same(ctx: Any, x: Any) -> Any:
    return x


def test_every_word_of_a_claim_is_here() -> None:
    made = {word for word in verify.__all__ if verify._HOME[word].startswith("claims.")}
    modules = {importlib.import_module(f"verify.{verify._HOME[word]}") for word in made}
    classes = {value for module in modules for value in vars(module).values()
               if isinstance(value, type) and issubclass(value, Claim) and value.name and value.__module__ == module.__name__}
    stated = [one for word in WORDS for one in (claim_of(word) if isinstance(claim_of(word), tuple) else (claim_of(word),))]

    assert {one.__name__ for one in classes} <= {type(one).__name__ for one in stated}
    assert {word for word, _ in PAIRS} == set(WORDS)
    assert set(PROTECTIVE_CLAIMS) <= set(WORDS)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("word", WORDS)
def test_a_claim_has_a_pair_for_each_kind_or_is_refused_there(word: str, kind: str) -> None:
    if (word, kind) in PAIRS:
        return
    with pytest.raises(SheetError) as problem:
        claim_on(kind, [claim_of(word)])

    assert all(problem.value.__dict__.get(part) for part in ("where", "why")), str(problem.value)


@cache
def records(kind: str, heavy: bool) -> dict[str, Any]:
    """The record in which the pairs of a kind are checked together."""
    if kind == "machine":
        chosen = [pair for pair in MACHINES if pair.board == heavy]
        builds = '["host", "board"]' if heavy else '["host", "strict"]'
        return shared_record(c_in_time(chosen), sheet_in_time(chosen, builds, BOARD if heavy else ""))
    pairs = [pair for pair in [*FUNCTIONS, FIT] if pair.heavy == heavy]
    builds = '["host", "board"]' if heavy else '["host", "strict"]'
    return shared_record(c_of(pairs), sheet_of(pairs, builds, BOARD if heavy else ""))


def found(word: str, kind: str, end: str) -> Seen:
    pair = PAIRS[word, kind]
    return seen(records(kind, pair.board if kind == "machine" else pair.heavy), named(word, kind, end))


def cases() -> list[Any]:
    """Every pair; what needs builds of its own, the board, or many scripts, by night."""
    listed = []
    for (word, kind), pair in sorted(PAIRS.items()):
        marks = [pytest.mark.nightly] if pair.heavy or kind == "machine" else []
        marks += [pytest.mark.cortex_m] if pair.board else []
        listed.append(pytest.param(word, kind, pair, id=f"{kind}-{word}", marks=marks))
    return listed


@pytest.mark.parametrize(("word", "kind", "pair"), cases())
def test_the_claim_alone_finds_its_fault_and_spares_the_right_twin(word: str, kind: str, pair: Pair | TimedPair) -> None:
    name = RECORD_NAMES.get(word, word)
    right, wrong = found(word, kind, "right"), found(word, kind, "wrong")

    assert {name} == {claim["claim"] for claim in wrong.entry["claims"]}
    assert {"holds"} == set(right.verdicts().values()), right.verdicts()
    assert {"fails"} == set(wrong.verdicts().values()), wrong.verdicts()
    for claim in (claim for claim in wrong.entry["claims"] if claim["verdict"] == "fails"):
        witness = claim["witness"]
        shown = [witness.get("got_text"), witness.get("error"), *claim["facts"], str(witness.get("wanted")), claim["label"]]
        assert pair.says in " | ".join(str(part) for part in shown), shown
