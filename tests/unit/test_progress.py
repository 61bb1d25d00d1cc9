"""Progress of processes side by side: whoever waits for one can tell how far it is."""

from __future__ import annotations

import time
from functools import partial
from typing import Any

from verify.progress import SharedNotes
from verify.sheets_side_by_side import results


def test_the_one_that_is_waited_for_is_told_about() -> None:
    notes = SharedNotes(2)
    heard: list[tuple[int, Any]] = []

    def task(number: int) -> dict[str, Any]:
        if number:
            notes.write(number, "hz, host: every value", 3, 4)
            time.sleep(0.7)
        return {"number": number}

    def meanwhile(number: int) -> None:
        heard.append((number, notes.read(number)))

    found = list(results([partial(task, 0), partial(task, 1)], processes=2, meanwhile=meanwhile))

    assert [{"number": 0}, {"number": 1}] == found
    assert (1, ("hz, host: every value", 3, 4)) in heard


def test_a_long_label_stays_in_its_slot() -> None:
    notes = SharedNotes(2)
    notes.write(0, "x" * 1000, 1, 2)
    label, done, total = notes.read(0) or ("", 0, 0)

    assert {"x"} == set(label) and (1, 2) == (done, total)
    assert notes.read(1) is None
