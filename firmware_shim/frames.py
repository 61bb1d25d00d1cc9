"""Objects between processes: eight bytes of length, then a pickle; large arrays stay in memory that both sides map."""

from __future__ import annotations

import functools
import mmap
import os
import pickle
import struct
from collections.abc import Callable
from dataclasses import dataclass
from typing import IO, Any

import numpy as np


@dataclass(frozen=True)
class Held:
    """Memory behind a descriptor of this process; arrays that lie in it need not travel."""

    descriptor: int
    mapping: mmap.mmap

    def place(self, view: Any) -> tuple[int, int] | None:
        """(offset, bytes) of a buffer inside the mapping; None where it lies elsewhere, or is empty."""
        data = np.frombuffer(view, np.uint8)
        if not len(data):
            return None
        start, size = self.whole
        offset = data.__array_interface__["data"][0] - start
        return (offset, len(data)) if 0 <= offset <= size - len(data) else None

    @functools.cached_property
    def whole(self) -> tuple[int, int]:
        """(address, bytes) of the mapping."""
        base = np.frombuffer(self.mapping, np.uint8)
        return base.__array_interface__["data"][0], len(base)


def held_memory(size: int) -> Held:
    """Zeroed memory that another process can map by the descriptor; close it when that has been done."""
    descriptor = os.memfd_create("preflash")
    os.ftruncate(descriptor, size)
    return Held(descriptor, mmap.mmap(descriptor, size))


def read_frame(stream: IO[bytes]) -> Any:
    """Next object from the stream, or None at its end. Arrays in shared memory come read-only."""
    head = stream.read(8)
    if len(head) < 8:
        return None
    (length,) = struct.unpack("<Q", head)
    path, places, body = pickle.loads(stream.read(length))
    if not places:
        return pickle.loads(body)
    with open(path, "rb") as file:
        memory = memoryview(mmap.mmap(file.fileno(), 0, flags=mmap.MAP_SHARED | mmap.MAP_POPULATE, prot=mmap.PROT_READ))
    return pickle.loads(body, buffers=[memory[offset : offset + size] for offset, size in places])


def write_frame(stream: IO[bytes], value: Any, held: Held | None = None) -> None:
    """Write one object; what lies in held memory is told by its place."""
    places: list[tuple[int, int]] = []

    def travels(buffer: pickle.PickleBuffer) -> bool:
        found = held.place(buffer.raw()) if held is not None else None
        if found is not None:
            places.append(found)
        return found is None

    callback: Callable[[pickle.PickleBuffer], bool] | None = travels if held is not None else None
    body = pickle.dumps(value, protocol=pickle.HIGHEST_PROTOCOL, buffer_callback=callback)
    path = f"/proc/{os.getpid()}/fd/{held.descriptor}" if held is not None else ""
    frame = pickle.dumps((path, places, body), protocol=pickle.HIGHEST_PROTOCOL)
    stream.write(struct.pack("<Q", len(frame)))
    stream.write(frame)
    stream.flush()
