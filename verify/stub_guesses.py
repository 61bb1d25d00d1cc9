"""From what the compiler does not know to a guess that compiles: types, registers, functions, constants.

Every guess stands in one C header with the word guess beside it; values are 0 until the author says better.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

SCALARS = {
    "float32_t": "float", "float64_t": "double", "f32": "float", "q7_t": "int8_t", "q15_t": "int16_t",
    "q31_t": "int32_t", "q63_t": "int64_t", "bool": "_Bool", "bool_t": "_Bool", "boolean": "_Bool", "BOOL": "_Bool",
    "byte": "uint8_t", "uint": "unsigned", "uchar": "unsigned char", "ushort": "unsigned short",
    "fract16": "int16_t", "fract32": "int32_t", "size_t": "unsigned",
    **{f"{letter}{bits}": f"{word}{bits}_t" for letter, word in (("u", "uint"), ("s", "int"), ("i", "int"),
                                                                ("U", "uint"), ("S", "int"), ("I", "int"))
       for bits in (8, 16, 32, 64)},
    **{f"{word}{bits}": f"{word}{bits}_t" for word in ("uint", "int") for bits in (8, 16, 32, 64)},
}
_STANDARD = {
    **dict.fromkeys(("int8_t", "int16_t", "int32_t", "int64_t", "uint8_t", "uint16_t", "uint32_t", "uint64_t",
                     "uintptr_t", "intptr_t", "int_fast32_t", "UINT32_MAX", "INT32_MAX", "UINT16_MAX"), "stdint.h"),
    **dict.fromkeys(("size_t", "NULL", "ptrdiff_t"), "stddef.h"), "bool": "stdbool.h", "true": "stdbool.h",
    "false": "stdbool.h",
    **dict.fromkeys(("sinf", "cosf", "exp2f", "log2f", "powf", "fabsf", "sqrtf", "floorf", "tanhf", "fminf", "fmaxf",
                     "expf", "logf", "fmodf", "roundf", "lrintf", "M_PI", "tanf", "atanf", "isnan"), "math.h"),
    **dict.fromkeys(("memset", "memcpy", "memmove", "strlen"), "string.h"),
}
_TYPE = re.compile(
    r"error: (?:unknown type name '(?P<a>\w+)'|'(?P<b>\w+)' does not name a type|'(?P<c>\w+)' has not been declared"
    r"|use of undeclared identifier '(?P<d>\w+)'; did you mean)"
)
_VALUE = re.compile(
    r"error: (?:'(?P<a>\w+)' undeclared|'(?P<b>\w+)' was not declared in this scope|use of undeclared identifier '(?P<c>\w+)'"
    r"|'(?P<e>\w+)' was not declared)|(?:implicit declaration of function|call to undeclared function) '(?P<d>\w+)'"
)
_MEMBER = re.compile(
    r"error: (?:'(?:const )?(?:volatile )?(?:struct |class )?(?P<type>\w+)'(?: \{aka '[^']*'\})? has no member named "
    r"'(?P<name>\w+)'"
    r"|no member named '(?P<name2>\w+)' in '(?:struct |class )?(?P<type2>\w+)')"
)
_NESTED = re.compile(
    r"error: request for member '(?P<name>\w+)' in '(?P<where>[^']+)', which is of (?:pointer|non-class) type"
)
_UNDEFINED = re.compile(r"undefined reference to [`'](?P<name>[^']+)'")


@dataclass
class Guesses:
    """What is not declared anywhere.

    Shape: scalars name -> C type; structs name -> members (name -> "value", "function" or a struct's name);
           registers name (used as NAME->member) -> members; functions; constants; includes of standard headers;
           undefined linker's name -> "function" or "data", of what is declared but nowhere defined.
    """

    scalars: dict[str, str] = field(default_factory=dict)
    structs: dict[str, dict[str, str]] = field(default_factory=dict)
    registers: dict[str, list[str]] = field(default_factory=dict)
    functions: list[str] = field(default_factory=list)
    constants: list[str] = field(default_factory=list)
    includes: list[str] = field(default_factory=list)
    undefined: dict[str, str] = field(default_factory=dict)

    def known(self, name: str) -> bool:
        """Whether something was already guessed for a name."""
        return any(name in part for part in (self.scalars, self.structs, self.registers, self.functions, self.constants))

    def learn(self, log: str, sources: str, core: frozenset[str]) -> bool:
        """Take in one compiler log; True if anything new was guessed. ``core`` names are provided elsewhere."""
        before = repr(self)
        text = re.sub(r"//[^\n]*|/\*.*?\*/", " ", sources, flags=re.S)
        for match in _TYPE.finditer(log):
            name = next(n for n in match.groups() if n)
            if name not in core and not self.known(name) and not self._standard(name):
                self._type(name, text)
        if repr(self) != before:
            return True  # what else is unknown may follow from the types
        for match in _VALUE.finditer(log):
            name = next(n for n in match.groups() if n)
            if name not in core and not self.known(name) and not self._standard(name):
                self._value(name, text)
        for match in _MEMBER.finditer(log):
            owner, name = match["type"] or match["type2"], match["name"] or match["name2"]
            if owner in self.structs:
                self.structs[owner].setdefault(name, self._kind(name, text))
        for match in _NESTED.finditer(log):
            self._nested(re.findall(r"\w+", match["where"])[-1], match["name"], text)
        for match in _UNDEFINED.finditer(log):
            name = match["name"]
            called = name.startswith("_Z") or re.search(rf"\b{re.escape(name)}\s*\(", text)
            self.undefined.setdefault(name, "function" if called else "data")
        return repr(self) != before

    def _standard(self, name: str) -> bool:
        header = _STANDARD.get(name)
        if header and header not in self.includes:
            self.includes.append(header)
            return True
        return False

    def _type(self, name: str, text: str) -> None:
        if re.search(rf"\b{name}\s*::", text):
            return  # a namespace or a class with static members: only its author knows it
        variables = re.findall(rf"\b{name}\s*[*&]?\s*(?:const\s+)?(\w+)", text)
        member = any(re.search(rf"\b{v}\s*(?:\.|->)\s*[A-Za-z_]", text) for v in variables if v not in ("const", "volatile"))
        if name in SCALARS and not member:
            self.scalars[name] = SCALARS[name]
        elif member or re.search(rf"\b{name}\s*\*", text) or re.search(r"(TypeDef|Handle\w*|Config|Init)$", name):
            self.structs[name] = {}
        else:
            self.scalars[name] = "int"

    def _value(self, name: str, text: str) -> None:
        members = re.findall(rf"\b{name}\s*->\s*(\w+)", text)
        if members:
            self.registers[name] = list(dict.fromkeys(members))
        elif re.search(rf"\b{name}\s+\**\s*[A-Za-z_]\w*\s*[;=,)(\[{{]", text) and not re.search(rf"\b{name}\s*\(", text):
            self._type(name, text)
        elif re.search(rf"\b{name}\s*\(", text):
            self.functions.append(name)
        elif not re.search(rf"\b{name}\s*::", text):
            self.constants.append(name)

    def _kind(self, name: str, text: str) -> str:
        return "function" if re.search(rf"(?:\.|->)\s*{name}\s*\(", text) else "value"

    def _nested(self, owner: str, name: str, text: str) -> None:
        for members in list(self.structs.values()):
            if owner in members:
                inner = f"guess_{owner}"
                members[owner] = inner
                self.structs.setdefault(inner, {}).setdefault(name, self._kind(name, text))

    def lines(self) -> dict[str, str]:
        """Name -> C text of each guess, in an order that compiles."""
        out = {header: f"#include <{header}>" for header in self.includes}
        for name, ctype in self.scalars.items():
            out[name] = f"typedef {ctype} {name}; /* guess: the type */"
        for name in reversed(self.structs):
            inside = [self._member(m, kind) for m, kind in self.structs[name].items()] or ["\tint unknown;"]
            body = "\n".join(inside)
            out[name] = f"typedef struct {name} {{ /* guess: members and their types */\n{body}\n}} {name};"
        for name, members in self.registers.items():
            inside = [f"\tvolatile uint32_t {m};" for m in members]
            body = "\n".join(inside)
            out[name] = (f"struct guess_{name} {{ /* guess: registers as plain memory */\n{body}\n}};\n"
                         f"__attribute__((weak)) struct guess_{name} guess_{name}_memory;\n"
                         f"#define {name} (&guess_{name}_memory)")
        for name in self.functions:
            out[name] = (f"/* guess: does nothing, gives 0 */\n#ifdef __cplusplus\n"
                         f"static inline int {name}(...) {{ return 0; }}\n#else\n"
                         f"static __inline__ int {name}() {{ return 0; }}\n#endif")
        for name in self.constants:
            out[name] = f"#define {name} 0 /* guess: the value is not known */"
        return out

    def undefined_lines(self) -> dict[str, str]:
        """Name -> C text of a definition for the linker, whatever the declared prototype."""
        out = {}
        for name, kind in self.undefined.items():
            label = f"guess_{re.sub(r'[^0-9A-Za-z]', '_', name)}"
            if kind == "data":
                out[name] = f'__attribute__((weak, aligned(16))) char {label}[4096] __asm__("{name}"); /* guess: {name} */'
            else:
                out[name] = (f'__attribute__((weak)) struct guess_zero {label}(void) __asm__("{name}"); /* guess: {name} */\n'
                             f"struct guess_zero {label}(void) {{ GUESS_ZERO }}")
        return out

    @staticmethod
    def _member(name: str, kind: str) -> str:
        if kind == "function":
            return f"\ttemplate <class... Any> int {name}(Any &&...) {{ return 0; }}"
        return f"\tvolatile uint32_t {name};" if kind == "value" else f"\t{kind} {name};"
