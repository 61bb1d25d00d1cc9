"""How the firmware ended, in words: a signal, where it came from, and what that means."""

from __future__ import annotations

import signal
from typing import Any

REPEAT = 1
# As in engine_parts.h.
ROOMS, ROOM, PAGE = 8, 65536, 4096
# The kernel maps nothing below; a board's addresses end at 4 GiB.
FIRST_FIXED, FIRST_BEYOND = 0x10000, 1 << 32


def room_text(apart: int, from_start: bool) -> str:
    """An access outside the room of a call's variable; apart: its distance from the first room. A variable ends where its
    room ends, but in the repeat begins where it begins."""
    number, inside = divmod(apart + PAGE, ROOM + PAGE)
    if from_start:
        return f"access {PAGE - inside} bytes before variable {number + 1} of local= (SIGSEGV at a page that guards it)"
    return f"access at byte {inside} behind variable {max(1, number)} of local= (SIGSEGV at a page that guards it)"


def crash_words(shared: Any, number: int, in_a_file: bool) -> str:
    """A signal at an address. in_a_file: whether a mapped file lies there."""
    address, stack = int(shared.fault_address) & (2**64 - 1), int(shared.stack_pointer)
    if number == signal.SIGSEGV and abs(address - stack) < 1 << 16:
        return f"stack exhausted (SIGSEGV at 0x{address:x})"
    rooms = int(shared.rooms)
    if number == signal.SIGSEGV and rooms and -PAGE <= address - rooms < ROOMS * (ROOM + PAGE):
        return room_text(address - rooms, int(shared.phase) == REPEAT)
    if number == signal.SIGSEGV and FIRST_FIXED <= address < FIRST_BEYOND:
        return (f"fixed address 0x{address:08x} is not declared: if it is a peripheral of the board, add "
                f"peripherals={{0x{address & ~3:08x}: 0x00000000}} with the value that it reads to Sheet(...); "
                "if the C does not name it, it is a pointer cut to 32 bits")
    if number == signal.SIGSEGV and 0 <= address < FIRST_FIXED:
        return f"null pointer (SIGSEGV at 0x{address:x})"
    if number == signal.SIGSEGV and in_a_file:
        return f"a write to constant memory (SIGSEGV at 0x{address:x})"
    words = {
        signal.SIGSEGV: f"memory access outside everything mapped (SIGSEGV at 0x{address:x})",
        signal.SIGBUS: f"memory access that the bus refuses (SIGBUS at 0x{address:x})",
        signal.SIGFPE: "integer division by zero or INT_MIN / -1, or a floating-point trap that it switched on (SIGFPE)",
        signal.SIGILL: "an instruction the processor does not have, or a trap where C cannot go on (SIGILL)",
        signal.SIGABRT: "it called abort() (SIGABRT)",
    }
    return words.get(signal.Signals(number), signal.Signals(number).name)
