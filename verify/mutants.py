"""Small wrong edits of C and C++: textual, at the places that a parser finds, one at a time.

Kinds: constants nudged, operators swapped, comparisons off by one, casts, clamps, terms and signs dropped,
the f of a float constant dropped. Nothing is changed inside macros but plain numbers.
"""

from __future__ import annotations

import importlib
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from firmware_shim.installing import how_to_install
from firmware_shim.source_names import CPP
from verify.errors import UsageError

SWAPPED = {"+": "-", "-": "+", "*": "/", "/": "*", "%": "*", "<<": ">>", ">>": "<<", "&": "|", "|": "&", "^": "&",
           "&&": "||", "||": "&&"}
NEIGHBOURS = {"<": "<=", "<=": "<", ">": ">=", ">=": ">", "==": "!=", "!=": "=="}
SWAPPED_ASSIGNMENTS = {"+=": "-=", "-=": "+=", "*=": "/=", "/=": "*=", "<<=": ">>=", ">>=": "<<=", "|=": "&=", "&=": "|="}
QUIET_COMPARISONS = {"isgreater": "isgreaterequal", "isgreaterequal": "isgreater", "isless": "islessequal",
                     "islessequal": "isless"}
CLAMPS = re.compile(r"f?(min|max)f?$|clamp|clip|limit|satur|bound|constrain", re.IGNORECASE)
NUMBER = re.compile(r"(-?)(0[xX][0-9a-fA-F.']*(?:[pP][+-]?\d+)?|0[bB][01']+|[\d.']+(?:[eE][+-]?\d+)?)([uUlLfFzZ]*)$")
FEW_OF_A_LIST = 8
LARGE = 10_000
DEFINITIONS = ("function_definition", "declaration", "preproc_def", "preproc_function_def", "enumerator")
SKIPPED = ("array_declarator", "static_assert_declaration", "attribute_specifier", "string_literal", "char_literal",
           "preproc_include", "preproc_if", "preproc_elif", "bitfield_clause", "gnu_asm_expression", "ERROR")


@dataclass(frozen=True)
class Mutant:
    """Replace the bytes start to end of a source by text. function: the function, table or macro it lies in."""

    source: Path
    start: int
    end: int
    text: str
    kind: str
    line: int
    function: str

    def applied(self, original: bytes) -> bytes:
        """The source with the edit."""
        return original[: self.start] + self.text.encode() + original[self.end :]

    def diff(self, original: bytes) -> tuple[list[str], list[str]]:
        """The lines that change: before and after."""
        first = original.rfind(b"\n", 0, self.start) + 1
        last = original.find(b"\n", self.end)
        last = len(original) if last < 0 else last
        before = original[first:last].decode("utf-8", "replace")
        after = (original[first : self.start] + self.text.encode() + original[self.end : last]).decode("utf-8", "replace")
        return before.splitlines(), after.splitlines()


@dataclass(frozen=True)
class Parsed:
    """One source: its mutants, and for each function, table or macro the names that its text mentions."""

    source: Path
    text: bytes
    mutants: tuple[Mutant, ...]
    mentions: dict[str, frozenset[str]]


def parse(source: Path) -> Parsed:
    """Read one source.

    Errors: UsageError when the parser is not installed or the file cannot be read.
    """
    try:
        import tree_sitter

        grammar = importlib.import_module("tree_sitter_cpp" if source.suffix in CPP else "tree_sitter_c")
    except ImportError as problem:
        raise UsageError("the parser of C is not installed", where="preflash challenge", why=str(problem),
                         todo=how_to_install("challenge")) from problem
    try:
        text = source.read_bytes()
    except OSError as problem:
        raise UsageError("a source cannot be read", where=str(source), why=str(problem), todo="check the path") from problem
    root = tree_sitter.Parser(tree_sitter.Language(grammar.language())).parse(text).root_node
    finder = _Finder(source, text)
    finder.walk(root, "")
    mentions: dict[str, frozenset[str]] = {}
    for name, words in finder.mentions:
        mentions[name] = mentions.get(name, frozenset()) | words
    unique = {(m.start, m.end, m.text): m for m in finder.found}
    return Parsed(source, text, tuple(unique[key] for key in sorted(unique)), mentions)


class _Finder:
    """Walks the tree of one source."""

    def __init__(self, source: Path, text: bytes) -> None:
        self.source, self.text = source, text
        self.found: list[Mutant] = []
        self.mentions: list[tuple[str, frozenset[str]]] = []

    def words(self, node: Any) -> str:
        """Text of a node."""
        return self.text[node.start_byte : node.end_byte].decode("utf-8", "replace")

    def add(self, node: Any, text: str, kind: str, function: str) -> None:
        """One mutant: the node's text replaced."""
        if text != self.words(node):
            line = int(node.start_point[0]) + 1
            self.found.append(Mutant(self.source, node.start_byte, node.end_byte, text, kind, line, function))

    def walk(self, node: Any, function: str) -> None:
        """Mutants of a node and all below it."""
        kind = node.type
        if kind in SKIPPED or node.is_missing:
            return
        if kind in DEFINITIONS and not function:
            function = self.named(node)
        look = getattr(self, f"at_{kind}", None)
        if look is not None:
            look(node, function)
        children = node.children
        if kind == "initializer_list":
            plain = [child for child in children if child.type == "number_literal"]
            if len(plain) > FEW_OF_A_LIST:
                # Entries of one table are alike: the ends and the middle stand for all.
                kept = {plain[0].id, plain[len(plain) // 2].id, plain[-1].id}
                children = [child for child in children if child.type != "number_literal" or child.id in kept]
        for child in children:
            self.walk(child, function)

    def named(self, node: Any) -> str:
        """Name of a definition at file level, with what it mentions noted; "" for one without a name."""
        inner = node.child_by_field_name("name") or node.child_by_field_name("declarator")
        while inner is not None and inner.child_by_field_name("declarator") is not None:
            inner = inner.child_by_field_name("declarator")
        if inner is None:
            return ""
        name = self.words(inner).split("::")[-1].split("(")[0].strip()
        self.mentions.append((name, frozenset(re.findall(r"[A-Za-z_]\w*", self.words(node)))))
        return name

    def at_preproc_def(self, node: Any, function: str) -> None:
        """#define NAME number."""
        value = node.child_by_field_name("value")
        if value is not None and NUMBER.match(self.words(value).strip()):
            self.nudged(value, function)

    def at_number_literal(self, node: Any, function: str) -> None:
        """Constants."""
        self.nudged(node, function)

    def nudged(self, node: Any, function: str) -> None:
        """The next integers, a thousandth more of large and of fractional ones; the f dropped."""
        found = NUMBER.match(self.words(node).strip())
        if found is None:
            return
        sign, digits, suffix = found[1], found[2].replace("'", ""), found[3]
        if sign:
            self.add(node, f"{found[2]}{suffix}", "sign dropped", function)
        hexadecimal = digits[:2].lower() == "0x"
        if "." in digits or ("p" in digits.lower() if hexadecimal else "e" in digits.lower()):
            value = float.fromhex(digits) if hexadecimal else float(digits)
            shown = repr(value * 1.001 if value else 0.001)
            self.add(node, f"{sign}{shown}{suffix}", "constant nudged", function)
            in_table = node.parent is not None and node.parent.type == "initializer_list"
            if suffix[:1] in ("f", "F") and not in_table:
                self.add(node, f"{sign}{digits}", "f suffix dropped", function)
            return
        octal = len(digits) > 1 and digits[0] == "0" and digits[1].isdigit()
        number = int(digits, 8) if octal else int(digits, 0)
        # A step of one in a large decimal is below what anyone could hear or measure.
        steps = (max(1, number // 1000),) if number >= LARGE and not hexadecimal else (1, -1)
        for step in steps:
            if number + step >= 0:
                shown = hex(number + step) if hexadecimal else str(number + step)
                self.add(node, f"{sign}{shown}{suffix}", "constant nudged", function)

    def at_binary_expression(self, node: Any, function: str) -> None:
        """Operators and terms."""
        left, right = node.child_by_field_name("left"), node.child_by_field_name("right")
        operator = node.child_by_field_name("operator")
        if left is None or right is None or operator is None:
            return
        sign = self.words(operator)
        if sign in NEIGHBOURS:
            self.add(operator, NEIGHBOURS[sign], "comparison off by one" if sign in "<=>=" else "comparison turned", function)
        elif sign in SWAPPED:
            self.add(operator, SWAPPED[sign], "operator swapped", function)
        if sign in ("+", "-", "*", "/"):
            self.add(node, f"({self.words(left)})", "term removed", function)
        if sign in ("+", "*"):
            self.add(node, f"({self.words(right)})", "term removed", function)

    def at_assignment_expression(self, node: Any, function: str) -> None:
        """Assignments with an operator."""
        operator = node.child_by_field_name("operator")
        if operator is not None and self.words(operator) in SWAPPED_ASSIGNMENTS:
            self.add(operator, SWAPPED_ASSIGNMENTS[self.words(operator)], "operator swapped", function)
            if node.parent is not None and node.parent.type == "expression_statement":
                self.add(node.parent, ";", "term removed", function)

    def at_cast_expression(self, node: Any, function: str) -> None:
        """(float)x."""
        value = node.child_by_field_name("value")
        if value is not None:
            self.add(node, f"({self.words(value)})", "cast dropped", function)

    def at_conditional_expression(self, node: Any, function: str) -> None:
        """a ? b : c."""
        for name in ("consequence", "alternative"):
            side = node.child_by_field_name(name)
            if side is not None:
                self.add(node, f"({self.words(side)})", "clamp dropped", function)

    def at_if_statement(self, node: Any, function: str) -> None:
        """if (x < low) x = low;"""
        body = node.child_by_field_name("consequence")
        if body is None or node.child_by_field_name("alternative") is not None:
            return
        if body.type == "compound_statement" and len(body.named_children) == 1:
            body = body.named_children[0]
        assigns = body.type == "expression_statement" and body.named_children[:1] and (
            body.named_children[0].type == "assignment_expression")
        if assigns or body.type == "return_statement":
            self.add(node, ";", "clamp dropped", function)

    def at_call_expression(self, node: Any, function: str) -> None:
        """fminf(x, high), clamp(x, low, high), isless(x, high)."""
        called, arguments = node.child_by_field_name("function"), node.child_by_field_name("arguments")
        if called is None or arguments is None:
            return
        name = self.words(called)
        if name in QUIET_COMPARISONS:
            self.add(called, QUIET_COMPARISONS[name], "comparison off by one", function)
        given = arguments.named_children
        if CLAMPS.search(name) and len(given) >= 2:
            self.add(node, f"({self.words(given[0])})", "clamp dropped", function)

    def at_unary_expression(self, node: Any, function: str) -> None:
        """-x, !x, ~x."""
        operator, value = node.child_by_field_name("operator"), node.child_by_field_name("argument")
        if operator is not None and value is not None and self.words(operator) in ("-", "!", "~"):
            self.add(node, f"({self.words(value)})", "sign dropped", function)


def reached(parsed: list[Parsed], start: frozenset[str]) -> set[str]:
    """Names of all functions, tables and macros that these words lead to, by mention."""
    mentions: dict[str, set[str]] = {}
    for one in parsed:
        for name, words in one.mentions.items():
            mentions.setdefault(name, set()).update(words)
    found: set[str] = set()
    waiting = [word for word in start if word in mentions]
    while waiting:
        name = waiting.pop()
        if name not in found:
            found.add(name)
            waiting += [word for word in mentions[name] if word in mentions and word not in found]
    return found

