"""What can go wrong with memory from the heap, in words."""

from __future__ import annotations


def heap_words(kind: int, size: int) -> tuple[str, str, str]:
    """Got, wanted and error; kind as in struct pf_heap_fault of engine_script.h."""
    return {
        1: (f"{size} bytes more were asked for", "memory within 32 MiB", "the heap is exhausted: it holds 32 MiB here"),
        2: (f"a block of {size} bytes was freed twice", "each block freed once", "double free"),
        3: (f"bytes beside a block of {size} bytes were written", "writes within the block",
            f"a write past the end of a block of {size} bytes of the heap, or before its start"),
        4: ("an address inside the heap was freed", "only what was allocated is freed", "a free of what was never allocated"),
        5: (f"a block of {size} bytes was kept", "every block given back",
            f"a block of {size} bytes of the heap is not given back: each such call takes more, until there is none"),
    }[kind]
