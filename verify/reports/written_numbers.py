"""Long tables of numbers in a record: their JSON is written once, with the numbers, and taken as it is wherever it stands."""

from __future__ import annotations

import json
import re
import secrets
from collections.abc import Iterator, Sequence
from typing import Any, overload


class Numbers(Sequence[list[float]]):
    """Rows of finite numbers, and the same as JSON."""

    def __init__(self, rows: list[list[float]], text: str) -> None:
        self.rows, self.text = rows, text

    @overload
    def __getitem__(self, at: int) -> list[float]: ...

    @overload
    def __getitem__(self, at: slice) -> list[list[float]]: ...

    def __getitem__(self, at: int | slice) -> list[float] | list[list[float]]:
        return self.rows[at]

    def __len__(self) -> int:
        return len(self.rows)

    def __iter__(self) -> Iterator[list[float]]:
        return iter(self.rows)

    def __eq__(self, other: object) -> bool:
        return self.rows == (other.rows if isinstance(other, Numbers) else other)

    __hash__ = None  # type: ignore[assignment]


def written(value: Any, **how: Any) -> str:
    """JSON of a value that may hold tables; how: as of json.dumps. Errors: ValueError for what is no number."""
    found: list[str] = []
    mark = secrets.token_hex(16)  # no text of the record is this one

    def default(thing: Any) -> str:
        if not isinstance(thing, Numbers):
            raise TypeError(f"{type(thing).__name__} in a record")
        found.append(thing.text)
        return f"{mark}{len(found) - 1}"

    text = json.dumps(value, allow_nan=False, default=default, **how)
    return re.sub(f'"{mark}([0-9]+)"', lambda at: found[int(at[1])], text) if found else text
