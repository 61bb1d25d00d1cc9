"""Addresses of the emulated board that are this package's own (between them and around them nothing is mapped), and words
that others look for in what a board build says."""

PAGE = 4096
STACK_TOP, STACK_BYTES = 0x30000000, 1 << 16
# Low page numbers of their own: the emulator keeps one page for each of them at hand, and these two are touched in turn.
BLOCK_AT, BLOCK_BYTES = 0x90010000, PAGE + 9 * 8 * 1024 * 8
EVENTS_AT, EVENTS_BYTES = 0xA0000000, 1 << 14
PROGRESS_AT = 0xB00F0000
# Beside a finished image: what enters its routines.
LOOPS = "loops.elf"
NOT_NEWLIB = "not the newlib that the board will have"
