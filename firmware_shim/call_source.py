"""Calls that the sheet writes out as C text: local memory, inputs as variables, a variable `result`.

The text becomes a small function of scalars in the unit of the author's source; its loop is like those of
plain functions. Memory that nothing has written is filled with patterns, so that reading it shows:
all ones in the first run, zeros and 0x7f in turn in the repeat.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from firmware_shim.call_rooms import HELPERS as ROOM_HELPERS
from firmware_shim.call_rooms import declarations, declared_name, moved, roomed_names, split
from firmware_shim.debug_info import CType, DebugInfo, Function
from firmware_shim.scalar_types import PREFIX, element_type, scalar

OWN_FILE = "preflash call"
OWN_PLACE = f'\n#line 1 "{OWN_FILE}"\n'
_WORD = r"[A-Za-z_]\w*"
# Our own code between the calls: what it writes is not the author's, and checking it costs as much as his.
QUIET = 'no_sanitize("undefined"), no_sanitize("address")'
# Calls of what nothing declares, and pointers of another type, would compile in C and run wrongly.
_MEANT = ("implicit-function-declaration", "incompatible-pointer-types", "int-conversion")


@dataclass(frozen=True)
class CallCode:
    """One call. inputs: (name, C type); output: C type of `result`; local: declarations made afresh for each
    call; globals: variables that are put back before each call; place: "bell_sheet.py:12"."""

    name: str
    text: str
    inputs: tuple[tuple[str, str], ...]
    output: str = "float"
    local: str = ""
    globals: tuple[str, ...] = ()
    place: str = ""

    def words(self) -> set[str]:
        """Words of the texts that may name functions or types: no inputs, no members in C."""
        texts = f"{self.local}; {self.text}"
        return set(re.findall(_WORD, texts)) - {name for name, _ in self.inputs} - {"result"}

    def called(self) -> set[str]:
        """Words before a bracket: functions and macros that the texts call."""
        return set(re.findall(rf"({_WORD})\s*\(", f"{self.local}; {self.text}")) & self.words()

    def spot(self) -> tuple[str, int]:
        """File and line of the sheet."""
        file, _, line = self.place.rpartition(":")
        return (file, int(line)) if file and line.isdigit() else ("the sheet", 1)

    def types(self) -> tuple[list[CType], CType]:
        """Types of the inputs, and of the result. Errors: KeyError for a type that no array can carry."""
        return [_known(ctype) for _, ctype in self.inputs], _known(self.output)


def _known(name: str) -> CType:
    found = scalar(name)
    if found is None:
        raise KeyError(name)
    return found


def symbol(name: str) -> str:
    """Symbol of the loop of a call."""
    return PREFIX + re.sub(r"\W", "_", name)


def own_name(function: str) -> str:
    """Last part of a C++ name: hz of bell::Voice::hz(float), half of bell::half<float>."""
    bare = re.sub(r"<[^<>]*(?:<[^<>]*>[^<>]*)*>$", "", function.partition("(")[0])
    return bare.rpartition("::")[2]


def named(call: CallCode, functions: Iterable[Function]) -> list[Function]:
    """The functions that the texts name, those first that stand earlier."""
    text = f"{call.local}; {call.text}"
    words = call.words()
    found = [f for f in functions if own_name(f.name) in words]

    def at(function: Function) -> int:
        spot = re.search(rf"\b{re.escape(own_name(function.name))}\b", text)
        return spot.start() if spot else len(text)

    return sorted(found, key=lambda f: (at(f), f.name))


def home(call: CallCode, infos: Sequence[DebugInfo], cpp: Sequence[bool]) -> int | None:
    """The unit in which most of what the texts name is defined; None where nothing is known.

    A C++ template may exist only once it is used: then the first C++ unit is tried.
    """
    words = call.words()
    scores = []
    for info in infos:
        types = {own_name(name.rpartition(" ")[2]) for name in info.structs}
        scores.append((len(named(call, info.functions.values())), len(types & words)))
    best = max(range(len(infos)), key=lambda at: (scores[at], -at))
    if scores[best][0] or (cpp[best] and scores[best][1]):
        return best
    return next((at for at, plus in enumerate(cpp) if plus), None)


def fresh_names(local: str) -> list[str]:
    """Variables that the declarations leave unset: "calibration_t cal; int n = 3, m" gives cal and m."""
    found = []
    for statement in split(local, ";"):
        words = statement.split()
        if len(words) < 2 or words[0] in ("static", "extern", "const", "typedef", "return", "using"):
            continue
        found += [name for name in map(declared_name, split(statement, ",")) if name]
    return found


def _placed(call: CallCode, text: str) -> str:
    """The sheet's text, each of its lines at the sheet's own place."""
    file, line = call.spot()
    return "\n" + "".join(f'#line {line} "{file}"\n{row}\n' for row in text.strip().splitlines())


def _statement(text: str) -> str:
    stripped = text.strip()
    return stripped if not stripped or stripped.endswith(";") else stripped + ";"


# Of the engine on this computer; the board and 32-bit programs have none.
ROOMS = """\
#if __SIZEOF_POINTER__ == 8
    unsigned long pf_rooms = (unsigned long)pf_progress[3] | (unsigned long)(pf_progress[2] == 1);
#else
    unsigned long pf_rooms = 0;
#endif
"""
HELPERS = OWN_PLACE + f"""\
#define pf_loop_own {QUIET}
""" + """\
typedef unsigned long __attribute__((may_alias)) pf_loop_word;
#if defined(__clang__)
#define pf_loop_apart noinline
#define pf_loop_plain noinline, optnone
#else
#define pf_loop_apart noipa
#define pf_loop_plain noipa, optimize("O0")
#endif
typedef unsigned long __attribute__((vector_size(16), may_alias)) pf_loop_words;
static __attribute__((pf_loop_apart, unused, pf_loop_own))
void pf_loop_fill(void *pf_at, unsigned long pf_size, unsigned pf_byte)
{
    volatile unsigned char *pf_to = (volatile unsigned char *)pf_at;
    unsigned long pf_word = (unsigned long)(pf_byte * 0x0101010101010101ull);
    if (pf_size >= 64 && ((unsigned long)pf_at & 15ul) == 0) {
        pf_loop_words pf_wide = pf_word - (pf_loop_words){0};
        for (; pf_size >= 64; pf_size -= 64, pf_to += 64) {
            volatile pf_loop_words *pf_four = (volatile pf_loop_words *)pf_to;
            pf_four[0] = pf_wide, pf_four[1] = pf_wide, pf_four[2] = pf_wide, pf_four[3] = pf_wide;
        }
    }
    if (((unsigned long)pf_to & 7ul) == 0)
        for (; pf_size >= sizeof pf_word; pf_size -= sizeof pf_word, pf_to += sizeof pf_word)
            *(volatile pf_loop_word *)pf_to = pf_word;
    for (; pf_size > 0; pf_size--)
        *pf_to++ = (unsigned char)pf_byte;
    __asm__ volatile("" : : "r"(pf_at) : "memory");
}
static __attribute__((pf_loop_apart, unused, pf_loop_own))
void pf_loop_copy(void *pf_at, const void *pf_from, unsigned long pf_size)
{
    volatile unsigned char *pf_to = (volatile unsigned char *)pf_at;
    const volatile unsigned char *pf_source = (const volatile unsigned char *)pf_from;
    if ((((unsigned long)pf_at | (unsigned long)pf_from) & 7ul) == 0)
        for (; pf_size >= sizeof(unsigned long); pf_size -= sizeof(unsigned long), pf_to += sizeof(unsigned long),
             pf_source += sizeof(unsigned long))
            *(volatile pf_loop_word *)pf_to = *(const volatile pf_loop_word *)pf_source;
    for (; pf_size > 0; pf_size--)
        *pf_to++ = *pf_source++;
    __asm__ volatile("" : : "r"(pf_at) : "memory");
}
static __attribute__((pf_loop_apart, unused, pf_loop_own))
void pf_loop_paint(unsigned pf_byte)
{
#if defined(__has_attribute)
#if __has_attribute(uninitialized)
    __attribute__((uninitialized)) /* or a strict build would fill it first, by itself */
#endif
#endif
    unsigned long pf_stack[1024 / sizeof(unsigned long)] __attribute__((aligned(16)));
    pf_loop_fill(pf_stack, sizeof pf_stack, pf_byte);
}
""" + ROOM_HELPERS


def words_texts(words: Mapping[int, int]) -> tuple[str, str]:
    """C text before a loop, and before each call, that gives declared peripheral words their values.

    The rest of their pages reads as all ones in the first run and as zero in the repeat.
    """
    pages = sorted({address & ~0xFFF for address in words})
    begin = "".join(f"    pf_loop_fill((void *){page:#x}ul, 4096, pf_progress[2] == 1 ? 0u : 0xffu);\n" for page in pages)
    each = "".join(f"        *(volatile unsigned int *){at:#x}ul = {value:#x}u;\n" for at, value in sorted(words.items()))
    return begin, each


def _hidden(functions: Sequence[Function], text: str) -> str:
    """Names of C functions as pointers of unknown content: a call is neither inlined nor specialised."""
    lines = []
    for function in functions:
        word = rf"\b{re.escape(function.name)}\b"
        called = re.search(rf"(?<![\w.>])\s*{word}\s*\(", text)
        # Passed on as it is, or a member of that name: then the plain name must stay.
        if called and not re.search(rf"{word}(?!\s*\()|(\.|->)\s*{word}", text):
            lines.append(f"    __typeof__(&{function.name}) volatile pf_hidden_{function.name} = &{function.name};\n")
    return "".join(lines)


def _shadows(hidden: str) -> str:
    names = re.findall(r"pf_hidden_(\w+) =", hidden)
    return "".join(f"    __typeof__(&{name}) {name} = pf_hidden_{name};\n    (void){name};\n" for name in names)


def generate(call: CallCode, functions: Sequence[Function], words: Mapping[int, int], *, cpp: bool) -> str:
    """The call as a function and its loop. functions: those of the unit that the texts name."""
    name = symbol(call.name)
    inputs, output = call.types()
    plains = [element_type(ctype) for ctype in inputs]
    plain = element_type(output)
    taken = set(fresh_names(call.local))
    hidden = "" if cpp else _hidden([f for f in functions if f.name not in taken], f"{call.local}; {call.text}")
    emit = "".join(f"extern __typeof__({f.name}) {f.name};\n" for f in functions if f.inline and not f.static and not cpp)
    local = declarations(call.local, call.text, lambda text: _placed(call, text), lambda name: _fill(name, cpp),
                         fresh_names(call.local), OWN_PLACE, cpp=cpp)
    text = moved(call.text, roomed_names(call.local, call.text))
    variables = [f"{kind} {given}" for kind, (given, _) in zip(plains, call.inputs, strict=True)]
    # Unoptimised: its locals lie in memory, and what it calls is neither inlined nor specialised.
    taken_over = ", ".join([*variables, "unsigned pf_byte", "unsigned long pf_rooms"])
    head = f"static __attribute__((pf_loop_plain))\n{plain} {name}_call({taken_over})"
    unused = "".join(f"    (void){given};\n" for given, _ in call.inputs)
    body = (
        f"{OWN_PLACE}{emit}{head}\n{{\n"
        f"{hidden}    {plain} result;\n    pf_loop_fill(&result, sizeof result, pf_byte);\n{unused}    (void)pf_rooms;\n"
        f"    {{\n{_shadows(hidden)}{local}"
        f"    {{{_placed(call, _statement(text))}{OWN_PLACE}    }}\n    }}\n    return result;\n}}\n"
    )
    if not cpp:
        meant = "".join(f'#pragma GCC diagnostic error "-W{option}"\n' for option in _MEANT)
        body = f"{OWN_PLACE}#pragma GCC diagnostic push\n{meant}{body}#pragma GCC diagnostic pop\n"
    return body + _loop(call, name, plains, plain, words)


def _fill(local: str, cpp: bool) -> str:
    filled = f"pf_loop_fill((void *)&{local}, sizeof {local}, pf_byte);\n"
    return f"    if (__is_trivially_constructible(__typeof__({local})))\n        {filled}" if cpp else f"    {filled}"


def _loop(
    call: CallCode, name: str, plains: Sequence[str | None], plain: str | None, words: Mapping[int, int]
) -> str:
    begin, each = words_texts(words)
    arrays = "".join(f"    const {kind} *pf_a{at} = (const {kind} *)pf_inputs[{at}];\n" for at, kind in enumerate(plains))
    saved = "".join(_placed(call, f"    unsigned char pf_saved{at}[sizeof({given})];")
                    + f"    pf_loop_copy(pf_saved{at}, (const void *)&{given}, sizeof({given}));{OWN_PLACE}"
                    for at, given in enumerate(call.globals))
    back = "".join(f"        pf_loop_copy((void *)&{given}, pf_saved{at}, sizeof({given}));\n"
                   for at, given in enumerate(call.globals))
    passed = ", ".join([*(f"pf_a{at}[pf_i]" for at in range(len(plains))), "pf_byte", "pf_rooms"])
    return (
        f'__attribute__((visibility("default"), noinline, {QUIET}))\n'
        f"void {name}(const void *const *pf_inputs, void *pf_output, long pf_n,\n    volatile long *pf_progress)\n{{\n"
        f"{arrays}    {plain} *pf_out = ({plain} *)pf_output;\n    long pf_i;\n    (void)pf_inputs;\n{ROOMS}{saved}{begin}"
        "    for (pf_i = 0; pf_i < pf_n; pf_i++) {\n"
        "        unsigned pf_byte = pf_progress[2] != 1 ? 0xffu : pf_i & 1 ? 0x7fu : 0u;\n"
        "        *pf_progress = pf_i;\n"
        f"{back}{each}        pf_loop_paint(pf_byte);\n"
        f"        pf_out[pf_i] = {name}_call({passed});\n    }}\n{back}    *pf_progress = pf_n;\n}}\n"
    )
