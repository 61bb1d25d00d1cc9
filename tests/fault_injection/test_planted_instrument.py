"""Every part of an instrument between its converters: one fault of each, found by one claim alone; right twins are silent."""

from __future__ import annotations

import pytest

from tests.fault_injection.claim_pairs import named
from tests.fault_injection.claim_pairs_in_time import c_in_time, sheet_in_time
from tests.fault_injection.instrument_functions import QUICK, ROWS, Row, beside, c_of_rows, sheet_of_rows
from tests.fault_injection.instrument_machines import FAMILIES, MACHINES, Timed
from tests.fault_injection.planted import Seen, seen, shared_record

pytestmark = pytest.mark.usefixtures("gcc", "private_cache")


def found(row: Row, end: str) -> Seen:
    """One end of a row, from the record of those beside it."""
    rows = beside(row)
    return seen(shared_record(c_of_rows(rows), sheet_of_rows(rows)), f"{row.name}_{end}")


def numbers(given: Seen, name: str, build: str) -> list[float]:
    """The witness's inputs in their units."""
    return [float.fromhex(entry["hex"]) if "p" in entry["hex"] else float(entry["value"].split()[0])
            for entry in given.claim(name, build)["witness"]["inputs"]]


@pytest.mark.parametrize("row", [
    pytest.param(row, id=row.name, marks=[] if row.name in QUICK else [pytest.mark.nightly]) for row in ROWS])
def test_a_fault_is_found_by_one_claim_alone_and_its_right_twin_is_silent(row: Row) -> None:
    name = row.claim.split("(")[0]
    right, wrong = found(row, "right"), found(row, "wrong")

    assert {"holds"} == set(right.verdicts().values()), right.verdicts()
    assert "fails" == wrong.verdicts()[f"{name} {row.build}"], wrong.verdicts()
    assert {name} == {claim["claim"] for claim in wrong.entry["claims"]}
    witness = wrong.claim(name, row.build)["witness"]
    shown = wrong.words(name, row.build) + f" | {witness.get('got_text')}"
    assert row.says in shown, shown
    x = numbers(wrong, name, row.build)
    assert eval(row.small, {"x": x}), (x, row.small)


@pytest.mark.nightly
@pytest.mark.parametrize("pair", [pytest.param(pair, id=pair.word) for pair in MACHINES])
def test_a_fault_in_time_is_found_by_one_claim_alone_and_its_right_twin_is_silent(pair: Timed) -> None:
    record = shared_record(c_in_time(MACHINES), sheet_in_time(MACHINES, '["host"]', families=FAMILIES))
    right, wrong = (seen(record, named(pair.word, "machine", end)) for end in ("right", "wrong"))

    assert {f"{pair.claim_name} host": "holds"} == right.verdicts(), [claim["facts"] for claim in right.entry["claims"]]
    assert {f"{pair.claim_name} host": "fails"} == wrong.verdicts()
    witness = wrong.claim(pair.claim_name)["witness"]
    assert pair.says in wrong.words(pair.claim_name) + f" | {witness.get('got_text')}"
    lines = [part for part in witness["script"].split(";")[1:] if part.strip()]
    assert len(lines) <= pair.small, witness["script"]
    assert pair.shows in " ".join(lines), witness["script"]
