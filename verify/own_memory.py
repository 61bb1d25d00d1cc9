"""How a process that judges keeps its memory: large arrays come and go there by the thousand.

glibc gives a large block back to the kernel as soon as it is free, and takes it again page by page (mallopt(3)); Python looks
through all that was imported for what nothing uses any more. Neither is of use in a process that lives for seconds. Firmware
runs in no such process.
"""

from __future__ import annotations

import ctypes
import gc

# Of malloc.h.
_M_TRIM_THRESHOLD, _M_TOP_PAD, _M_MMAP_THRESHOLD = -1, -2, -3
KEPT_BYTES, STEP_BYTES, LARGEST_BYTES = 256 << 20, 16 << 20, 32 << 20
# Python's own is 700.
OBJECTS_BETWEEN_LOOKS = 20_000


def keep_memory() -> None:
    """From now on, in this process and in those forked from it; what is there by now is not looked through again."""
    library = ctypes.CDLL(None)
    if hasattr(library, "mallopt"):
        for option, value in ((_M_MMAP_THRESHOLD, LARGEST_BYTES), (_M_TRIM_THRESHOLD, KEPT_BYTES), (_M_TOP_PAD, STEP_BYTES)):
            library.mallopt(option, value)
    gc.freeze()
    gc.enable()
    gc.set_threshold(OBJECTS_BETWEEN_LOOKS, *gc.get_threshold()[1:])
