"""Which events a reference of the library follows, and which outputs: an event that it does not know leaves its constant as
the sheet says."""

from __future__ import annotations

import inspect

from verify.errors import nearest_words
from verify.machines.answers import problem_of, short_script
from verify.machines.machine import Machine
from verify.machines.references import parts_of


class Named(str):
    """An event's name that notes with what it is compared."""

    asked: set[str]

    def __eq__(self, other: object) -> bool:
        if isinstance(other, str):
            self.asked.add(str.__str__(other))
        return str.__eq__(self, other)

    def __ne__(self, other: object) -> bool:
        return not self == other

    __hash__ = str.__hash__


def named(text: str, asked: set[str]) -> Named:
    """A name with its own notes."""
    found = Named(text)
    found.asked = asked
    return found


def unfollowed_notes(machine: Machine) -> tuple[str, ...]:
    """A note for each event that no reference asks for; () for references of the sheet's own, which may ask in
    any way, and where a reference has no answer to a short script."""
    parts = parts_of(machine)
    if not parts or not all(getattr(function, "__module__", "").startswith("reference.") for _, function, _ in parts):
        return ()
    asked: dict[str, set[str]] = {}
    known: set[str] = set()
    for part, function, constants in parts:
        script = short_script(machine, 1, lambda name: named(name, asked.setdefault(name, set())), part)
        known |= {p.name for p in inspect.signature(function).parameters.values() if p.kind is p.KEYWORD_ONLY}
        if problem_of(function, script, constants) is not None:
            return ()  # it is said again, with its place, where it is judged
    notes = []
    for event, words in asked.items():
        if event not in words:
            words = known.union(*asked.values()) - set(asked)
            near = nearest_words(event, words)
            others = f"; {near}" if near.startswith("did you mean") else f"; its own words: {', '.join(sorted(words))}"
            notes.append(f"the reference {getattr(machine.reference, '__name__', '')} does not follow the event {event!r}: "
                         f"what it sets stays as the sheet's constants say{others}")
    return tuple(notes)


def followed_notes(machine: Machine) -> tuple[str, ...]:
    """A note for each reference that starts from what came out: it says nothing of whether that is right."""
    return tuple(f"{part or machine.output.name} is judged from {', '.join(names)} as the firmware gave it"
                 for part, names in machine.follows.items())
