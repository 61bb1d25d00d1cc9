"""The verdict rules: a pure function of counts. Sampled is never shown as proved."""

from __future__ import annotations

from dataclasses import dataclass

HOLDS, FAILS, UNDECIDED, VACUOUS, BLOCKED = "holds", "fails", "undecided", "vacuous", "blocked"

UNTRIED = "mend what does not come back (see returns), then check again"


@dataclass(frozen=True)
class Tally:
    """What the verdict rests on. every_value: the covered set is the whole domain and nothing weakens it. too_few: why what
    was judged is too little to say anything ("": it is not)."""

    valid: int
    failing: int
    open: int
    every_value: bool
    blocked: str = ""
    assumed: bool | str = False
    too_few: str = ""


@dataclass(frozen=True)
class Verdict:
    """A verdict with its strength."""

    word: str
    every_value: bool = False
    count: int = 0
    note: str = ""

    def text(self) -> str:
        """holds (every value), holds (12 345 tried), undecided (3 open), ..."""
        if self.word == HOLDS:
            inside = "every value" if self.every_value else f"{grouped(self.count)} tried"
            return f"holds ({inside}{self.note})"
        return self.word + (f" ({self.note})" if self.note else "")


def grouped(number: int) -> str:
    """Digits in groups of three: 1 084 227 585."""
    return f"{number:,}".replace(",", " ")


def decide(tally: Tally) -> Verdict:
    """fails > blocked > undecided > vacuous > holds (N tried) > holds (every value)."""
    if tally.failing > 0:
        return Verdict(FAILS, tally.every_value, tally.valid)
    if tally.blocked:
        return Verdict(BLOCKED, note=tally.blocked)
    if tally.open > 0:
        return Verdict(UNDECIDED, False, tally.valid, f"{grouped(tally.open)} open")
    if tally.valid <= 0 or tally.too_few:
        return Verdict(VACUOUS, note=tally.too_few or "no valid input")
    return Verdict(HOLDS, tally.every_value, tally.valid, weakness(tally.assumed))


def weakness(assumed: bool | str) -> str:
    """What makes a verdict weaker than it looks: an assumed screen, or a word of its own."""
    return f", {assumed}" if isinstance(assumed, str) and assumed else ", screen assumed" if assumed else ""
