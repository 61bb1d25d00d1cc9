"""Compiles the author's firmware for this computer, loads it apart from the tool and drives it in blocks.

Knows nothing of references, claims or sheets. ``build`` makes a library from C sources; ``worker`` and
``crew`` run it in processes of their own.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from firmware_shim.build import Built as Built
    from firmware_shim.build import Request as Request
    from firmware_shim.debug_info import CType as CType
    from firmware_shim.debug_info import DebugInfo as DebugInfo
    from firmware_shim.debug_info import Function as Function
    from firmware_shim.debug_info import Parameter as Parameter
    from firmware_shim.errors import CompileFailed as CompileFailed
    from firmware_shim.errors import CompilerMissing as CompilerMissing
    from firmware_shim.errors import PlatformUnsupported as PlatformUnsupported
    from firmware_shim.errors import ShimError as ShimError
    from firmware_shim.errors import SourceMissing as SourceMissing
    from firmware_shim.errors import SymbolMissing as SymbolMissing
    from firmware_shim.errors import UnknownFlag as UnknownFlag
    from firmware_shim.errors import UnsupportedPrototype as UnsupportedPrototype

_HOME = {
    "Built": "build",
    "CType": "debug_info",
    "CompileFailed": "errors",
    "CompilerMissing": "errors",
    "DebugInfo": "debug_info",
    "Function": "debug_info",
    "Parameter": "debug_info",
    "PlatformUnsupported": "errors",
    "Request": "build",
    "ShimError": "errors",
    "SourceMissing": "errors",
    "SymbolMissing": "errors",
    "UnknownFlag": "errors",
    "UnsupportedPrototype": "errors",
}


def __getattr__(name: str) -> Any:
    # A worker process starts in milliseconds only if it loads no more than it uses.
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(f"{__name__}.{_HOME[name]}"), name)
