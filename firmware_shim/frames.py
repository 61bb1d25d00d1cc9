"""Frames between the caller and a worker: eight bytes of length, then a pickle."""

from __future__ import annotations

import pickle
import struct
from typing import IO, Any


def read_frame(stream: IO[bytes]) -> Any:
    """Next object from the stream, or None at its end."""
    head = stream.read(8)
    if len(head) < 8:
        return None
    (length,) = struct.unpack("<Q", head)
    return pickle.loads(stream.read(length))


def write_frame(stream: IO[bytes], value: Any) -> None:
    """Write one object."""
    body = pickle.dumps(value, protocol=pickle.HIGHEST_PROTOCOL)
    stream.write(struct.pack("<Q", len(body)))
    stream.write(body)
    stream.flush()
