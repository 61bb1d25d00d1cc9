"""Where the variables of a call stand: each in a room of its own between two pages that nobody may touch.

A variable ends at the upper page in the first run and begins behind the lower one in the repeat, so that an access
beside it is a crash at its input. Rooms are the engine's (engine.h); where there are none a variable stays where C puts it.
"""

from __future__ import annotations

import re
from collections.abc import Callable

MOST_ROOMS = 8
_WORD = r"[A-Za-z_]\w*"
_STAYS = ("static", "extern", "const", "typedef", "return", "using", "register", "volatile")

HELPERS = """\
static __attribute__((pf_loop_apart, unused, pf_loop_own))
void *pf_loop_room(unsigned long pf_rooms, unsigned long pf_number, void *pf_at, unsigned long pf_size)
{
    unsigned long pf_room = 65536ul, pf_start = (pf_rooms & ~4095ul) + pf_number * (pf_room + 4096ul);
    if (pf_rooms < 4096ul || pf_size > pf_room)
        return pf_at;
    if ((pf_rooms & 1ul) == 0)
        pf_start += pf_room - pf_size;
    pf_loop_copy((void *)pf_start, pf_at, pf_size);
    return (void *)pf_start;
}
"""


def split(text: str, mark: str) -> list[str]:
    """Parts between marks that stand in no bracket."""
    parts, depth = [""], 0
    for letter in text:
        depth += (letter in "([{<") - (letter in ")]}>")
        if letter == mark and depth <= 0:
            parts.append("")
        else:
            parts[-1] += letter
    return [part for part in parts if part.strip()]


def declared_name(piece: str) -> str:
    """The variable that one part of a declaration declares without setting it, "" for none: "float line[8]" gives line."""
    plain = re.fullmatch(rf"[\w\s:*<>,]*?\b({_WORD})\s*(?:\[[^\]]*\]\s*)*", piece.strip())
    return plain.group(1) if plain is not None else ""


def declared_names(statement: str) -> list[str]:
    """Variables of one declaration, set or not: "float line[8] = {0}, *at = line" gives line and at."""
    words = statement.split()
    if len(words) < 2 or any(word in _STAYS for word in words):
        return []
    names = [declared_name(piece.partition("=")[0]) for piece in split(statement, ",")]
    return [name for name in names if name]


def roomed_names(local: str, text: str) -> list[str]:
    """Variables of a call that get a room, in order. One whose name is also a member's, or is declared anew, stays."""
    whole = f"{local}; {text}"
    names = [name for statement in split(local, ";") for name in declared_names(statement)]
    found = []
    for name in dict.fromkeys(names):
        member = re.search(rf"(\.|->)\s*{name}\b", whole)
        anew = re.search(rf"\b(?!return\b|sizeof\b){_WORD}\s+\**{name}\b", text)
        if not member and not anew and names.count(name) == 1:
            found.append(name)
    return found[:MOST_ROOMS]


def moved(text: str, names: list[str]) -> str:
    """The text with each name standing for the variable in its room."""
    for name in names:
        text = re.sub(rf"\b{name}\b", f"(*pf_at_{name})", text)
    return text


def declarations(local: str, text: str, placed: Callable[[str], str], fill: Callable[[str], str], fresh: list[str],
                 own: str, *, cpp: bool) -> str:
    """The declarations of a call, one by one: what is fresh is filled, what gets a room moves there."""
    roomed = roomed_names(local, text)
    found = ""
    done: list[str] = []
    for statement in split(local, ";"):
        found += f"{placed(moved(statement, done).strip() + ';')}{own}"
        for name in declared_names(statement):
            found += fill(name) if name in fresh else ""
            if name in roomed:
                kind = f"__typeof__({name})"
                room = f"pf_loop_room(pf_rooms, {roomed.index(name)}ul, (void *)&{name}, sizeof {name})"
                where = f"__is_trivially_copyable({kind}) ? {room} : (void *)&{name}" if cpp else room
                found += f"    {kind} *pf_at_{name} = ({kind} *)({where});\n    (void)pf_at_{name};\n"
                done.append(name)
    return found
