"""Planted faults in C that the strict build must record, and their right twins that must stay silent.

The values that set a fault off are computed from the inputs at run time, so no compiler can see them.
"""

import signal
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cffi
import pytest

from firmware_shim.build import Built, Request, build
from firmware_shim.debug_info import CType
from firmware_shim.loop_source import element_type

HEADER = Path(__file__).parents[2] / "firmware_shim" / "runtime" / "recorder.h"


@dataclass(frozen=True)
class Seen:
    """One recorded event, operands as (value as an integer, width in bits, form)."""

    kind: str
    file: str
    line: int
    column: int
    count: int
    position: int
    operands: tuple[tuple[int, int, int], ...]


def strict(folder: Path, text: str, flags: str = "-O2", name: str = "fault.c", **more: Any) -> Built:
    (folder / name).write_text(text)
    request = Request((folder / name,), flags=flags, routines=("f",), variant="strict", **more)
    return build(request, folder / "cache")


def drive(
    built: Built, values: Sequence[int | float], *, attach: bool = True, routine: str = "f"
) -> tuple[list[Any], list[Seen], int]:
    """Outputs, events and the number of events lost of one block through a routine."""
    ffi = cffi.FFI()
    symbol = built.loops[routine]
    ffi.cdef(HEADER.read_text() + f"void {symbol}(const void *const *, void *, long, volatile long *);")
    library: Any = ffi.dlopen(str(built.library))
    function = built.info.functions[routine]
    given = ffi.new(f"{_element(function.parameters[0].ctype)}[]", list(values))
    output = ffi.new(f"{_element(function.result)}[]", len(values))
    events, position = ffi.new("struct pf_events *"), ffi.new("long[2]", [-1, 0])
    library.pf_recorder_attach(events if attach else ffi.NULL, position)
    getattr(library, symbol)(ffi.new("void *[]", [given]), output, len(values), position)
    library.pf_recorder_attach(ffi.NULL, ffi.NULL)
    seen = [_seen(ffi, events.event[at]) for at in range(events.used)]
    return list(output), seen, events.lost


def _element(ctype: CType) -> str:
    plain = element_type(ctype)
    assert plain is not None
    return plain


def _seen(ffi: cffi.FFI, event: Any) -> Seen:
    operands = []
    for at in range(event.operands):
        o = event.operand[at]
        signed = o.bits - 2**64 if o.form == 1 and o.bits >= 2**63 else o.bits
        operands.append((signed, o.width_bits, o.form))
    kind, file = bytes(ffi.string(event.kind)).decode(), bytes(ffi.string(event.file)).decode()  # type: ignore[arg-type]
    return Seen(kind, file, event.line, event.column, event.count, event.position, tuple(operands))


BIG = 2**31 - 1
LEAST = -(2**31)
# name, C whose second line holds the fault, inputs, index of the first faulty one, kind, operands or None
FAULTS: list[tuple[str, str, list[Any], int, str, tuple[tuple[int, int, int], ...] | None]] = [
    ("add", "int NAME(int x)\n{ return x + 2; }", [1, 2**30, BIG, BIG], 2,
     "signed addition overflow", ((BIG, 32, 1), (2, 32, 1))),
    ("subtract", "int NAME(int x)\n{ return -2 - x; }", [0, BIG], 1,
     "signed subtraction overflow", ((-2, 32, 1), (BIG, 32, 1))),
    ("multiply", "int NAME(int x)\n{ return x * x; }", [46340, 46341], 1,
     "signed multiplication overflow", ((46341, 32, 1), (46341, 32, 1))),
    ("multiply_64", "int64_t NAME(int64_t x)\n{ return x * x; }", [3, 2**32], 1,
     "signed multiplication overflow", ((2**32, 64, 1), (2**32, 64, 1))),
    ("negate", "int NAME(int x)\n{ return -x; }", [5, LEAST], 1, "negation overflow", ((LEAST, 32, 1),)),
    ("shift_by_too_much", "int NAME(int x)\n{ return 1 << x; }", [3, 30, 32], 2,
     "shift exponent out of range", ((1, 32, 1), (32, 32, 1))),
    ("shift_by_less_than_nothing", "int NAME(int x)\n{ return 77 >> x; }", [3, -2], 1,
     "shift exponent out of range", ((77, 32, 1), (-2, 32, 1))),
    ("shift_of_a_negative_value", "int NAME(int x)\n{ return x << 3; }", [3, -5, -6], 1,
     "left shift of a negative value", ((-5, 32, 1), (3, 32, 1))),
    ("shift_into_the_sign", "int NAME(int x)\n{ return x << 3; }", [3, 2**29], 1,
     "left shift out of the type's range", ((2**29, 32, 1), (3, 32, 1))),
    ("one_past_the_table", "int NAME(int x)\n{ static const short t[5] = {1}; return t[x]; }", [4, 0, 5], 2,
     "array index out of bounds", ((5, 32, 1),)),
    ("before_the_table", "static const float low[4] = {1}; float NAME(int x)\n{ return low[x]; }", [0, -1], 1,
     "array index out of bounds", ((-1, 32, 1),)),
    ("float_to_int", "int NAME(float x)\n{ return (int)(x * 2.0f); }", [5.0, 2.0**30], 1,
     "float to integer out of range", ((0x4F000000, 32, 3),)),
    ("nan_to_int", "int NAME(float x)\n{ return (int)(x - x); }", [5.0, float("inf")], 1,
     "float to integer out of range", None),
    ("double_to_uint8", "uint8_t NAME(double x)\n{ return (uint8_t)x; }", [255.5, 256.0], 1,
     "float to integer out of range", ((0x4070000000000000, 64, 3),)),
    ("wrong_bool", "static unsigned char raw[1]; int NAME(int x)\n{ raw[0] = (unsigned char)x; "
     "return *(volatile bool *)raw; }", [1, 5], 1, "value not valid for its type", None),
    ("bit_count_of_nothing", "int NAME(unsigned x)\n{ return __builtin_clz(x); }", [1, 0], 1,
     "zero given to a bit-count builtin", None),
    ("pointer_wraps", "static char room[8], *volatile at = room; bool NAME(int64_t x)\n{ return at + x; }",
     [1, -(2**63)], 1,
     "pointer arithmetic overflow", None),
    ("array_of_no_length", "int NAME(int x)\n{ volatile char a[x]; return (int)sizeof a; }", [4, 0], 1,
     "array length not positive", ((0, 32, 1),)),
]
# The same kind of computation done with care, driven over the same kind of inputs.
TWINS: list[tuple[str, str, list[Any]]] = [
    ("add_well", "int NAME(int x) { return (int)((unsigned)x + 2u); }", [1, BIG, LEAST]),
    ("multiply_well", "int NAME(int x) { return (int)((int64_t)x * x >> 31); }", [46341, BIG, LEAST]),
    ("negate_well", "int NAME(int x) { return x == INT32_MIN ? INT32_MAX : -x; }", [5, LEAST]),
    ("scale_well", "int NAME(int x) { return x * 8; }", [-5, 2**27]),
    ("shift_well", "unsigned NAME(unsigned x) { return x << 31; }", [2**32 - 1]),
    ("table_well", "int NAME(int x) { static const short t[5] = {1}; return t[x < 0 ? 0 : x > 4 ? 4 : x]; }",
     [-9, 99]),
    ("cast_well", "int NAME(float x) { return x >= 2147483648.0f ? INT32_MAX : (int)x; }", [2.0**31, 5.0]),
    ("divide_well", "int NAME(int x) { return x == 0 ? 0 : 1000 / x; }", [0, 7]),
    ("divide_floats", "float NAME(float x) { return 1.0f / x; }", [0.0]),
    ("wrap_unsigned", "uint32_t NAME(uint32_t x) { return x * 2654435761u + x; }", [2**32 - 1]),
    ("read_well", "static int held; int NAME(int x) { int *volatile p = x ? &held : 0; return p ? *p : x; }",
     [0, 1]),
]


@pytest.fixture(scope="module", params=["-O0", "-O2"])
def all_faults(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Built:
    """One library with every planted fault and every right twin, each in a file of its own by name."""
    folder = tmp_path_factory.mktemp("faults")
    texts = ["#include <stdint.h>\n#include <stdbool.h>\n"]
    named = [(name, text) for name, text, *_ in [*FAULTS, *TWINS]]
    texts += [f'#line 1 "{name}.c"\n{text.replace("NAME", name)}\n' for name, text in named]
    (folder / "all.c").write_text("".join(texts))
    routines = tuple(name for name, _ in named)
    return build(
        Request((folder / "all.c",), flags=request.param, routines=routines, variant="strict"),
        folder / "cache",
    )


@pytest.mark.parametrize("fault", FAULTS, ids=[f[0] for f in FAULTS])
def test_a_planted_fault_is_recorded_with_place_position_and_operands(
    all_faults: Built, fault: tuple[str, str, list[Any], int, str, Any]
) -> None:
    name, _, values, first, kind, operands = fault
    _, seen, lost = drive(all_faults, values, routine=name)

    event = next((e for e in seen if e.kind == kind), None)
    assert event is not None, seen
    assert (f"{name}.c", 2, first) == (event.file, event.line, event.position)
    assert event.column > 0
    assert 0 == lost
    if operands is not None:
        assert operands == event.operands


@pytest.mark.parametrize(("name", "text", "values"), TWINS, ids=[t[0] for t in TWINS])
def test_the_right_twin_records_nothing(all_faults: Built, name: str, text: str, values: list[Any]) -> None:
    _, seen, _ = drive(all_faults, values, routine=name)

    assert [] == seen


def test_events_of_one_place_are_counted_not_repeated(tmp_path: Path) -> None:
    built = strict(tmp_path, "int f(int x) { return x + 1; }\n")
    _, seen, _ = drive(built, [BIG, 0, BIG, BIG])

    assert [(3, 0)] == [(e.count, e.position) for e in seen]


def test_the_run_goes_on_with_the_same_outputs_as_the_host_build(tmp_path: Path) -> None:
    text = "int f(int x) { return (int)((unsigned)(x + 1) ^ 5u); }\n"
    values = [1, BIG, 7]
    recorded, seen, _ = drive(strict(tmp_path, text, "-O2 -fwrapv"), values)
    silent, _, _ = drive(strict(tmp_path, text, "-O2 -fwrapv"), values, attach=False)

    assert recorded == silent
    assert [(1 + 1) ^ 5, (-BIG - 1) ^ 5, (7 + 1) ^ 5] == recorded
    # With -fwrapv the author has said that overflow wraps: it is not an event.
    assert [] == seen


def test_nothing_is_written_without_a_table(tmp_path: Path) -> None:
    built = strict(tmp_path, "int f(int x) { return x + 1; }\n")
    outputs, seen, _ = drive(built, [BIG, 3], attach=False)

    assert [] == seen
    assert 4 == outputs[1]


def test_a_full_table_counts_what_it_loses(tmp_path: Path) -> None:
    places = 70
    body = "\n".join(f"    if (x == {at}) return x + big;" for at in range(1, places + 1))
    head = "static volatile int one = 1;\nint f(int x)\n{\n    int big = 2147483646 + one;\n"
    text = f"{head}{body}\n    return 0;\n}}\n"
    _, seen, lost = drive(strict(tmp_path, text, "-O0"), list(range(places + 1)))

    assert (64, places - 64) == (len(seen), lost)
    assert [5 + at for at in range(64)] == [e.line for e in seen]
    assert list(range(1, 65)) == [e.position for e in seen]


def test_a_long_path_keeps_its_tail(tmp_path: Path) -> None:
    folder = tmp_path / ("deep_" * 30) / ("folder_" * 20)
    folder.mkdir(parents=True)
    _, seen, _ = drive(strict(folder, "int f(int x) { return x + 1; }\n"), [BIG, BIG])

    assert [127] == [len(e.file) for e in seen]
    assert str(folder / "fault.c").endswith(seen[0].file)
    assert 2 == seen[0].count


def test_two_faults_at_once_are_told_apart(tmp_path: Path) -> None:
    text = (
        "static const int t[4] = {1};\nint f(int x)\n{\n    int y = x * x;\n    return t[(y >> 31) & 7];\n}\n"
    )
    _, seen, _ = drive(strict(tmp_path, text, "-O0"), [1, 65535, 1])

    kinds = {(e.line, e.kind): e.position for e in seen}
    assert 1 == kinds[4, "signed multiplication overflow"]
    assert 1 == kinds[5, "array index out of bounds"]


CHILD = """
import sys, mmap, cffi
ffi = cffi.FFI()
ffi.cdef(open(sys.argv[1]).read() + "void pf_loop_f(const void *const *, void *, long, volatile long *);")
library = ffi.dlopen(sys.argv[2])
shared = open(sys.argv[3], "r+b")
memory = mmap.mmap(shared.fileno(), 0)
events = ffi.cast("struct pf_events *", ffi.from_buffer(memory))
position = ffi.new("long[2]")
library.pf_recorder_attach(events, position)
values = [int(v) for v in sys.argv[4:]]
given, output = ffi.new("int[]", values), ffi.new("int[]", len(values))
library.pf_loop_f(ffi.new("void *[]", [given]), output, len(values), position)
"""

# name, C whose second line kills the process at x = 3, signal, kind, operands
FATAL = [
    ("division by zero", "int f(int x)\n{ return 100 / (x - 3); }", signal.SIGFPE,
     "integer division by zero", ((100, 32, 1), (0, 32, 1))),
    ("division overflow", "static volatile int a = -2147483647 - 1; int f(int x)\n{ return a / (x - 4); }",
     signal.SIGFPE, "signed division overflow", ((LEAST, 32, 1), (-1, 32, 1))),
    ("null access", "static int v; int f(int x)\n{ int *p = x == 3 ? 0 : &v; return *p; }",
     signal.SIGSEGV, "null pointer access", ((0, 64, 4),)),
    ("unreachable", "int f(int x)\n{ if (x == 3) __builtin_unreachable(); return x; }", signal.SIGILL,
     "unreachable code reached", ()),
]


@pytest.mark.parametrize("fatal", FATAL, ids=[f[0] for f in FATAL])
def test_what_kills_the_process_is_recorded_first(
    tmp_path: Path, fatal: tuple[str, str, signal.Signals, str, tuple[Any, ...]]
) -> None:
    _, text, killed_by, kind, operands = fatal
    built = strict(tmp_path, text + "\n", "-O0")
    ffi = cffi.FFI()
    ffi.cdef(HEADER.read_text())
    table = tmp_path / "table"
    table.write_bytes(bytes(ffi.sizeof("struct pf_events")))
    command = [sys.executable, "-c", CHILD, str(HEADER), str(built.library), str(table), "1", "2", "3", "9"]
    ran = subprocess.run(command, capture_output=True, timeout=60)

    memory = bytearray(table.read_bytes())
    events: Any = ffi.cast("struct pf_events *", ffi.from_buffer(memory))
    seen = [_seen(ffi, events.event[at]) for at in range(events.used)]
    stops = {killed_by, signal.SIGTRAP} if killed_by == signal.SIGILL else {killed_by}
    assert -ran.returncode in stops, ran.stderr
    assert [(kind, 2, 2, 1)] == [(e.kind, e.line, e.position, e.count) for e in seen]
    assert operands == seen[0].operands


def test_a_lossy_narrowing_is_recorded_where_the_compiler_can_see_it(tmp_path: Path) -> None:
    built = strict(tmp_path, "#include <stdint.h>\nint16_t f(int x)\n{\n    return x * 2;\n}\n")
    if built.compiler.family != "clang":
        pytest.skip("only clang watches implicit conversions")
    _, seen, _ = drive(built, [5, 16384, -16384])

    assert [("implicit conversion loses bits", 4, 1, 1)] == [
        (e.kind, e.line, e.position, e.count) for e in seen
    ]
    assert ((32768, 32, 1), (-32768, 16, 1)) == seen[0].operands


def test_recording_leaves_the_floating_point_flags_alone(tmp_path: Path) -> None:
    text = (
        "#include <fenv.h>\n"
        "int f(int x)\n{\n"
        "    feclearexcept(FE_ALL_EXCEPT);\n"
        "    volatile int y = x + 1;\n"
        "    return fetestexcept(FE_ALL_EXCEPT) + 0 * y;\n}\n"
    )
    outputs, seen, _ = drive(strict(tmp_path, text), [BIG])

    assert ["signed addition overflow"] == [e.kind for e in seen]
    assert [0] == outputs
