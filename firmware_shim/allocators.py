"""Which of a library's pointers lead to allocators, and what takes or frees memory out of sight."""

from __future__ import annotations

import functools
from pathlib import Path

from firmware_shim.file_facts import kept_facts
from firmware_shim.memory_map import imported_names, section_span

POINTER_BYTES = 8
# Allocator -> number of its watcher in engine_watch.c. Of C++: new, of aligned types, one that gives 0; delete.
WATCHERS = {
    "malloc": 0, "calloc": 1, "realloc": 2, "aligned_alloc": 3, "memalign": 3, "_Znwm": 4, "_Znam": 4,
    "_ZnwmSt11align_val_t": 5, "_ZnamSt11align_val_t": 5, "_ZnwmRKSt9nothrow_t": 6, "_ZnamRKSt9nothrow_t": 6,
    "posix_memalign": 7,
} | dict.fromkeys((
    "free", "_ZdlPv", "_ZdaPv", "_ZdlPvm", "_ZdaPvm", "_ZdlPvSt11align_val_t", "_ZdaPvSt11align_val_t",
    "_ZdlPvmSt11align_val_t", "_ZdaPvmSt11align_val_t", "_ZdlPvRKSt9nothrow_t", "_ZdaPvRKSt9nothrow_t",
), 8) | {"reallocarray": 9, "strdup": 10, "__strdup": 10, "strndup": 11, "__strndup": 11}
# What all of these names hold, by few: looking for each takes as long as starting a job.
STEMS = (b"alloc\0", b"allocarray\0", b"memalign\0", b"_Znw", b"_Zna", b"_Zdl", b"_Zda", b"free\0", b"dup\0")
# They take memory themselves, out of sight.
HIDDEN_ALLOCATORS = frozenset(("asprintf", "vasprintf", "fopen", "getline", "mmap", "valloc", "pvalloc"))
# They move or free a block that is handed to them.
HANDS_ON = frozenset(("getline", "getdelim", "__getdelim", "open_memstream"))
# Of the C++ library, these only throw.
THROWING = "__throw_"


@functools.lru_cache(maxsize=64)
def names_allocators(path: str) -> bool:
    """Whether the file holds the name of an allocator at all: most do not, and need not be decoded."""
    content = Path(path).read_bytes()
    return any(stem in content for stem in STEMS) and any(name.encode() + b"\0" in content for name in WATCHERS)


@functools.lru_cache(maxsize=64)
def allocator_slots(path: str, base: int) -> list[tuple[int, int]]:
    """(address of the library's pointer to an allocator, number of its watcher) of a library that lies from base on."""
    def read() -> list[tuple[int, int]]:
        from elftools.elf.elffile import ELFFile  # dear, and wanted for a new library only
        from elftools.elf.relocation import RelocationSection
        from elftools.elf.sections import SymbolTableSection

        found = []
        with open(path, "rb") as stream:
            elf = ELFFile(stream)
            symbols = elf.get_section_by_name(".dynsym")
            for section in elf.iter_sections():
                if isinstance(section, RelocationSection) and isinstance(symbols, SymbolTableSection):
                    for entry in section.iter_relocations():
                        name = symbols.get_symbol(entry["r_info_sym"]).name
                        if name in WATCHERS and not entry["r_addend"]:
                            found.append((int(entry["r_offset"]), WATCHERS[name]))
        return found

    return [(base + offset, watcher) for offset, watcher in kept_facts(Path(path), "allocators", __file__, read)]


def in_cpp_library(path: Path) -> bool:
    """Whether code of the C++ library's own runs that may take or free memory."""
    return any(name.startswith(("_ZNS", "_ZNKS", "_ZSt")) and THROWING not in name for name in imported_names(path))


@functools.lru_cache(maxsize=64)
def allocates(path: Path) -> bool:
    """Whether the code can take memory out of sight, which is not put back with the state."""
    names = imported_names(path)
    # What constructors of the library take is there before the first script; frame_dummy alone is one pointer.
    begins = section_span(path, ".init_array")[1] > POINTER_BYTES and bool(WATCHERS.keys() & names)
    return in_cpp_library(path) or begins or bool(HIDDEN_ALLOCATORS & names)


@functools.lru_cache(maxsize=64)
def hands_memory_on(path: Path) -> bool:
    """Whether the code calls what frees or moves a block that the code itself took: such a block must be the C library's."""
    return bool(HANDS_ON & imported_names(path)) or in_cpp_library(path)
