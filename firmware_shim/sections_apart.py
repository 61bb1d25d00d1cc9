"""Each constant in a section of its own, so that a linker can leave out what a routine does not reach.

Compilers put functions and variables into sections of their own when asked, but keep the constants of a unit
together, and the address checks of the strict build hold every variable by one list. Both are taken apart in the
assembly between compiler and assembler: labels move with what they stand for, and no instruction is touched.
Where a text is not understood it is left as it is: then more is linked, never less.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from firmware_shim.compiler import Ran, run
from firmware_shim.pip_compiler import names_it

FLAGS = ("-ffunction-sections", "-fdata-sections")
# Where the section before comes back, what a line belongs to cannot be told from the lines before it.
_MOVES = re.compile(r"^\s*\.(?:pushsection|popsection|previous|subsection)\b", re.M)
_ANCHORS = ".LANCHOR"
_SECTION = re.compile(r"\t\.section\t(?P<name>\.rodata|\.data\.rel\.ro(?:\.local)?|\.rodata[^,\s]*\.(?:cst\d+|str\d+\.\d+))"
                      r"(?P<flags>,.*)?$")
_OTHER = re.compile(r"\s*\.(?:section|text|data|bss)\b")
_LABEL = re.compile(r"\.(?P<name>LC(?:PI)?\d+(?:_\d+)?):$")
_ALIGN = re.compile(r"\t\.(?:p2|b)?align\b")

_WORD = r"\t\.(?:quad|xword)\t"
_LIST = re.compile(r"\t\.section\t\S*\.LASAN0,.*\n(?:\t\.align.*\n)?\t\.type\t\.LASAN0, [@%]object\n"
                   rf"\t\.size\t\.LASAN0, (?P<bytes>\d+)\n\.LASAN0:\n(?P<words>(?:{_WORD}.*\n)+)")
_FIELDS, _WORD_BYTES = 8, 8
_SYMBOL = re.compile(r"[.\w$]+$")
_OWN_NAME = ".Lpf_of_the_compiler"


def apart(text: str) -> str:
    """The same assembly with constants and entries of the list of variables in sections of their own."""
    if _MOVES.search(text):
        return text
    return _constants_apart(_variables_apart(text))


def _constants_apart(text: str) -> str:
    anchored = _ANCHORS in text  # by their distance from one label: only what linkers may merge stands outside of it
    name, flags = "", ""
    lines: list[str] = []
    for line in text.split("\n"):
        section = _SECTION.match(line)
        label = _LABEL.match(line) if name else None
        if section is not None:
            name, flags = section["name"], section["flags"] or ""
            if anchored and ",\"aM" not in flags:
                name = ""
        elif _OTHER.match(line):
            name = ""
        elif label is not None:
            at = len(lines)
            while _ALIGN.match(lines[at - 1]):
                at -= 1
            lines.insert(at, f"\t.section\t{name}.{label['name']}{flags}")
        lines.append(line)
    return "\n".join(lines)


def _variables_apart(text: str) -> str:
    """The list that a constructor hands to the address checks, an entry each that lives as long as its variable;
    recorder_globals.h finds them by the ends of their section."""
    whole = _LIST.search(text)
    if whole is None:
        return text
    words = re.findall(rf"{_WORD}(.*)\n", whole["words"])
    entries = [words[at : at + _FIELDS] for at in range(0, len(words), _FIELDS)]
    if int(whole["bytes"]) != len(words) * _WORD_BYTES or any(
            len(entry) != _FIELDS or not _SYMBOL.match(entry[0]) or entry[0].isdigit() for entry in entries):
        return text
    without = _without_constructors(text[: whole.start()] + text[whole.end() :])
    if without is None:
        return text
    own = set(re.findall(r"^(\.LC\d+):\n\t\.(?:string|asciz)\t\"\*", text, re.M))
    lines = []
    for number, entry in enumerate(entries):
        # Numbers of the compiler's own variables, and lines of the author's, change with other routines; nothing reads them.
        entry[3] = _OWN_NAME if entry[3] in own else entry[3]
        entry[6] = "0"
        lines += [f"\t.section\t.pf_globals,\"awo\",@progbits,{entry[0]},unique,{number}", "\t.balign 8",
                  *(f"\t.quad\t{word}" for word in entry)]
    lines += ["\t.section\t.rodata.pf_name,\"a\",@progbits", f"{_OWN_NAME}:", "\t.string\t\"*\"", ""]
    return without + "\n".join(lines)


def _without_constructors(text: str) -> str | None:
    """The text without the two calls that name the list; None where they are not as expected."""
    for kind, called in (("I", "__asan_register_globals"), ("D", "__asan_unregister_globals")):
        function = re.search(rf"^(?P<name>_sub_{kind}_\d+_\d+):\n(?P<body>(?:.*\n)*?)\t\.size\t(?P=name),", text, re.M)
        if function is None:
            return None
        calls = re.findall(r"^\t(?:jmp|call|bl|b)\t(\S+)", function["body"], re.M)
        entry = re.compile(rf"{_WORD}{function['name']}\n")
        if [name.partition("@")[0] for name in calls] != [called] or len(entry.findall(text)) != 1:
            return None
        text = entry.sub("", text[: function.start("body")] + re.sub(r"^\t(?!\.).*\n", "", function["body"], flags=re.M)
                         + text[function.end("body") :])
    return None if ".LASAN0" in text else text


def compile_apart(command: Sequence[str], unit: str, made: str, folder: Path) -> Ran:
    """Compile a unit as the command says, by way of its assembly; straight where an assembler does not take that, or where
    the package ziglang would write its list of headers anew for the assembly.

    The log is that of the compiler.
    """
    if names_it(tuple(command)):
        return run([*command, "-c", unit, "-o", made], folder=folder)
    listing = Path(unit).with_suffix(".s").name
    ran = run([*command, "-S", unit, "-o", listing], folder=folder)
    if ran.code != 0:
        return ran
    place = folder / listing
    place.write_bytes(apart(place.read_text("utf-8", "surrogateescape")).encode("utf-8", "surrogateescape"))
    done = run([*command, "-g0", "-x", "assembler", "-c", listing, "-o", made], folder=folder)
    return ran if done.code == 0 else run([*command, "-c", unit, "-o", made], folder=folder)
