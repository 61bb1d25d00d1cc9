"""Scalar types that an array can carry, as plain C words and as records."""

from __future__ import annotations

from firmware_shim.debug_info import CType

PREFIX = "pf_loop_"
_SIGNED = {1: "signed char", 2: "short", 4: "int", 8: "long long"}
_FLOAT = {4: "float", 8: "double"}
# What a sheet may write for a variable of a call; the same width here and on the board.
_WORDS = {"signed char": ("int", 1), "unsigned char": ("uint", 1), "short": ("int", 2), "unsigned short": ("uint", 2),
          "int": ("int", 4), "unsigned": ("uint", 4), "unsigned int": ("uint", 4), "long long": ("int", 8),
          "unsigned long long": ("uint", 8), "float": ("float", 4), "double": ("float", 8)}
_WORDS |= {f"int{8 * size}_t": ("int", size) for size in _SIGNED}
_WORDS |= {f"uint{8 * size}_t": ("uint", size) for size in _SIGNED}
SCALARS = tuple(sorted(_WORDS))


def scalar(name: str) -> CType | None:
    """The type of this name; None for names whose width a 32-bit board may see otherwise, or unknown ones."""
    kind, size = _WORDS.get(" ".join(name.split()), ("", 0))
    return CType(name, kind, size, kind == "int") if kind else None


def element_type(ctype: CType) -> str | None:
    """Plain C type of one array element that carries a value of this type; None if there is none."""
    if ctype.kind == "float":
        return _FLOAT.get(ctype.bytes)
    if ctype.kind == "bool":
        return "unsigned char" if ctype.bytes == 1 else None
    if ctype.kind in ("int", "uint", "enum") and ctype.bytes in _SIGNED:
        return _SIGNED[ctype.bytes] if ctype.signed else _unsigned(ctype.bytes)
    return None


def _unsigned(size_bytes: int) -> str:
    return "unsigned " + _SIGNED[size_bytes].replace("signed ", "")
