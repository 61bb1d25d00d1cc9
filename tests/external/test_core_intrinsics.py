"""Core intrinsics on this computer against the architecture manual's pseudocode, in both spellings, C and C++."""

from __future__ import annotations

import ctypes
import itertools
import random
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.external.core_instructions import (
    LONG,
    MULTIPLY,
    MULTIPLY_ADD,
    ONE,
    THREE,
    TWO,
    Result,
    leading,
    plain,
    sat16,
    sat32,
    signed,
    signs,
    ssat,
    text,
    usat,
)

pytestmark = pytest.mark.usefixtures("gcc")
FOLDER = Path(__file__).parents[2] / "firmware_shim" / "runtime" / "intrinsics"
EDGES = [0, 1, 2, 0x7F, 0x80, 0xFF, 0x100, 0x7FFF, 0x8000, 0x8001, 0xFFFF, 0x10000, 0x7FFF7FFF, 0x7FFF8000, 0x80007FFF,
         0x80008000, 0x7F7F7F7F, 0x80808080, 0xFFFF0000, 0x7FFFFFFF, 0x80000000, 0x80000001, 0xFFFFFFFF, 0x40004000]


def wrapper(name: str, inputs: int, long: bool = False) -> str:
    result = "uint64_t" if long else "uint32_t"
    types = ["uint32_t"] * inputs
    if long:
        types[-1] = "uint64_t"
    given = ", ".join(f"{t} a{i}" for i, t in enumerate(types))
    passed = ", ".join(f"a{i}" for i in range(inputs))
    return f"{result} w{name}({given}) {{ return ({result})__{name}({passed}); }}\n"


def source() -> str:
    out = ["#include <arm_acle.h>\n#include <core_intrinsics.h>\n#ifdef __cplusplus\nextern \"C\" {\n#endif\n"]
    for name in [*TWO, *MULTIPLY]:
        out.append(wrapper(name, 2))
    for name in TWO:
        out.append(wrapper(name.upper(), 2))
    for name in [*THREE, *MULTIPLY_ADD]:
        out.append(wrapper(name, 3))
    for name in THREE:
        out.append(wrapper(name.upper(), 3))
    for name in LONG:
        out += [wrapper(name, 3, True), wrapper(name.upper(), 3, True)]
    for name in ONE:
        out += [wrapper(name, 1), wrapper(name.upper(), 1)]
    for name in ("ssat", "usat", "ssat16", "usat16", "ror", "SSAT", "USAT", "SSAT16", "USAT16", "ROR", "sel", "SEL"):
        out.append(wrapper(name, 2))
    for name in ("PKHBT", "PKHTB", "SMMLA", "SXTAB16_RORn"):
        out.append(wrapper(name, 3))
    out += [wrapper("cls", 1), wrapper("qdbl", 1), wrapper("SXTB16_RORn", 2)]
    out.append("uint32_t wclzll(uint64_t a) { return __clzll(a); }\nuint32_t wclsll(uint64_t a) { return __clsll(a); }\n")
    out.append("uint64_t wrbitll(uint64_t a) { return __rbitll(a); }\nint32_t wrevsh(int16_t a) { return __revsh(a); }\n")
    out.append("uint32_t take_q(void) { uint32_t q = pf_core.q; pf_core.q = 0; return q; }\n")
    out.append("uint32_t take_ge(void) { return __get_APSR() >> 16 & 15; }\nvoid set_ge(uint32_t a) { pf_core.ge = a; }\n")
    out.append("uint32_t masks(void) { uint32_t was = __get_PRIMASK(); __disable_irq(); __DSB(); __dmb(15); __ISB();\n"
               "  was |= __get_PRIMASK() << 1; __set_PRIMASK(0); __WFI(); __NOP(); return was | __get_PRIMASK() << 2; }\n")
    out.append("uint32_t counted(int which) { return which == 0 ? pf_core.barriers : which == 1 ? pf_core.mask_changes"
               " : pf_core.waits; }\n")
    out.append("uint32_t exchange(uint32_t *at, uint32_t a) { uint32_t old; do old = __LDREXW(at);"
               " while (__STREXW(a, at)); return old; }\n")
    return "".join(out) + "#ifdef __cplusplus\n}\n#endif\n"


@pytest.fixture(scope="module", params=["c", "c++"])
def library(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory, gcc: str) -> Iterator[Any]:
    folder = tmp_path_factory.mktemp("intrinsics")
    (folder / "all.c").write_text(source(), encoding="utf-8")
    # Anything undefined in our own text stops the test.
    command = [gcc, "-x", request.param, "-O1", "-Wall", "-Wextra", "-Werror", "-fPIC", "-shared", "-I", str(FOLDER),
               "-fsanitize=undefined", "-fsanitize-undefined-trap-on-error", "all.c", "-o", "all.so"]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True)
    assert 0 == done.returncode, done.stderr
    yield ctypes.CDLL(str(folder / "all.so"))


def operands(count: int, tries: int) -> Iterator[tuple[int, ...]]:
    draw = random.Random(7)
    if count <= 2:
        yield from itertools.product(EDGES, repeat=count)
    else:
        yield from ((draw.choice(EDGES), draw.choice(EDGES), draw.choice(EDGES)) for _ in range(600))
    for _ in range(tries):
        yield tuple(draw.getrandbits(32) for _ in range(count))


def call(library: Any, name: str, values: tuple[int, ...], long: bool = False) -> int:
    function = getattr(library, name)
    function.restype = ctypes.c_uint64 if long else ctypes.c_uint32
    types = [ctypes.c_uint32] * len(values)
    if long:
        types[-1] = ctypes.c_uint64
    return int(function(*(t(v) for t, v in zip(types, values, strict=True))))


def check(library: Any, name: str, inputs: int, wanted: Callable[..., Result], long: bool = False) -> None:
    library.take_q()
    for values in operands(inputs, 300):
        library.set_ge(5)
        got = call(library, name, values, long)
        value, q, ge = wanted(*values)
        shown = f"{name}({', '.join(hex(v) for v in values)})"

        assert value == got, f"{shown}: {got:#x}, wanted {value:#x}"
        assert q == bool(library.take_q()), f"{shown}: Q"
        assert (5 if ge is None else ge) == library.take_ge(), f"{shown}: GE"


def spelt(table: dict[str, Any]) -> list[tuple[str, Any]]:
    return [*table.items(), *((name.upper(), f) for name, f in table.items())]


@pytest.mark.parametrize(("name", "wanted"), [*spelt(TWO), *MULTIPLY.items()])
def test_two_operands(library: Any, name: str, wanted: Any) -> None:
    check(library, "w" + name, 2, wanted)


@pytest.mark.parametrize(("name", "wanted"), [*spelt(THREE), *MULTIPLY_ADD.items()])
def test_three_operands(library: Any, name: str, wanted: Any) -> None:
    check(library, "w" + name, 3, wanted)


@pytest.mark.parametrize(("name", "wanted"), spelt(LONG))
def test_long_sums(library: Any, name: str, wanted: Any) -> None:
    draw = random.Random(3)
    for a, b, c in operands(3, 300):
        total = c << 32 | draw.getrandbits(32)

        assert wanted(a, b, total)[0] == call(library, "w" + name, (a, b, total), True), (hex(a), hex(b), hex(total))


@pytest.mark.parametrize(("name", "wanted"), spelt(ONE))
def test_one_operand(library: Any, name: str, wanted: Any) -> None:
    check(library, "w" + name, 1, wanted)


@pytest.mark.parametrize("spelling", [str.lower, str.upper])
def test_saturation_to_any_width(library: Any, spelling: Callable[[str], str]) -> None:
    for bits in range(1, 33):
        for a in [*EDGES, *(1 << bits - 1, (1 << bits - 1) - 1, (1 << bits) - 1, 2**32 - (1 << bits - 1), 0x12345678)]:
            a %= 2**32
            library.take_q()
            assert ssat(a, bits)[:2] == (call(library, "w" + spelling("ssat"), (a, bits)), bool(library.take_q()))
            assert usat(a, bits - 1)[:2] == (call(library, "w" + spelling("usat"), (a, bits - 1)), bool(library.take_q()))
            if bits <= 16:
                low, high = -(1 << bits - 1), (1 << bits - 1) - 1
                got = call(library, "w" + spelling("ssat16"), (a, bits)), bool(library.take_q())
                assert sat16(a, low, high)[:2] == got
                got = call(library, "w" + spelling("usat16"), (a, bits - 1)), bool(library.take_q())
                assert sat16(a, 0, (1 << bits - 1) - 1)[:2] == got


def test_packing_rotation_and_wide_forms(library: Any) -> None:
    draw = random.Random(11)
    for by in range(32):
        for a, b, c in [(0x80000001, 0xFFFF8000, 0x7FFFFFFF), *((draw.getrandbits(32),) * 3 for _ in range(8)), (1, 2, 3)]:
            assert int((text(a) * 2)[32 - by : 64 - by], 2) == call(library, "wror", (a, by))
            assert int((text(a) * 2)[32 - by : 64 - by], 2) == call(library, "wROR", (a, by))
            assert a % 2**16 | (b << by) % 2**32 >> 16 << 16 == call(library, "wPKHBT", (a, b, by))
            assert a >> 16 << 16 | (signed(b, 32) >> by) % 2**16 == call(library, "wPKHTB", (a, b, by))
            high = (signed(c, 32) * 2**32 + signed(a, 32) * signed(b, 32)) >> 32
            assert high % 2**32 == call(library, "wSMMLA", (a, b, c))
    for a in [*EDGES, *(draw.getrandbits(32) for _ in range(100))]:
        assert signs(a) == call(library, "wcls", (a,))
        assert sat32(2 * signed(a, 32))[0] == call(library, "wqdbl", (a,))
        assert plain(signed((a & 0xFF) << 8 | (a >> 8 & 0xFF), 16))[0] == call(library, "wrevsh", (a & 0xFFFF,))
        for wide in (a, a << 32, a << 16, 2**64 - 1 - a):
            assert leading(wide, 64) == call(library, "wclzll", (wide,), True)
            assert signs(wide, 64) == call(library, "wclsll", (wide,), True)
            assert int(text(wide, 64)[::-1], 2) == call(library, "wrbitll", (wide,), True)


def test_selection_takes_the_flags_of_the_comparison_before(library: Any) -> None:
    """USUB8 then SEL is the usual largest of four bytes."""
    draw = random.Random(5)
    for spelling in (str.lower, str.upper):
        for _ in range(200):
            a, b = draw.getrandbits(32), draw.getrandbits(32)
            call(library, "w" + spelling("usub8"), (a, b))
            largest = bytes(max(m, n) for m, n in zip(a.to_bytes(4, "little"), b.to_bytes(4, "little"), strict=True))

            assert int.from_bytes(largest, "little") == call(library, "w" + spelling("sel"), (a, b))


# Worked by hand from the manual's pseudocode: name, operands, result, Q.
HAND = [
    ("wSSAT", (200, 8), 0x0000007F, 1), ("wSSAT", (0xFFFFFF00, 8), 0xFFFFFF80, 1), ("wSSAT", (127, 8), 0x7F, 0),
    ("wUSAT", (0xFFFFFFFF, 8), 0, 1), ("wUSAT", (256, 8), 255, 1), ("wUSAT", (5, 0), 0, 1),
    ("wQADD", (0x7FFFFFFF, 1), 0x7FFFFFFF, 1), ("wQSUB", (0x80000000, 1), 0x80000000, 1), ("wQADD", (1, 1), 2, 0),
    ("wSADD16", (0x7FFF0001, 0x0001FFFF), 0x80000000, 0), ("wQADD16", (0x7FFF8000, 0x0001FFFF), 0x7FFF8000, 0),
    ("wSMUAD", (0x80008000, 0x80008000), 0x80000000, 1), ("wSMUAD", (0x00020003, 0x00040005), 23, 0),
    ("wSMUSD", (0x00020003, 0x00040005), 7, 0), ("wSMUADX", (0x00020003, 0x00040005), 22, 0),
    ("wSMLAD", (0x00010001, 0x00010001, 0x7FFFFFFF), 0x80000001, 1),
    ("wsmulbb", (0x0000FFFF, 0x00008000), 0x00008000, 0), ("wsmulwb", (0x7FFFFFFF, 0x00007FFF), 0x3FFF7FFF, 0),
    ("wSHADD16", (0xFFFF0001, 0xFFFE0002), 0xFFFE0001, 0), ("wUHSUB8", (0x00000001, 0x00000002), 0x000000FF, 0),
    ("wUSAD8", (0x01020304, 0x04030201), 8, 0), ("wSXTB16", (0x00FF0080,), 0xFFFFFF80, 0),
    ("wPKHBT", (0x11112222, 0x33334444, 0), 0x33332222, 0), ("wPKHTB", (0x11112222, 0x33334444, 16), 0x11113333, 0),
    ("wCLZ", (0,), 32, 0), ("wCLZ", (1,), 31, 0), ("wRBIT", (1,), 0x80000000, 0), ("wREV", (0x01020304,), 0x04030201, 0),
    ("wREV16", (0x01020304,), 0x02010403, 0), ("wROR", (1, 1), 0x80000000, 0), ("wrevsh", (0x0080,), 0xFFFF8000, 0),
]


@pytest.mark.parametrize(("name", "given", "wanted", "q"), HAND)
def test_worked_by_hand(library: Any, name: str, given: tuple[int, ...], wanted: int, q: int) -> None:
    library.take_q()
    got = call(library, name, given)

    assert (hex(wanted), q) == (hex(got), library.take_q())


def test_masks_read_back_and_everything_without_effect_is_counted(library: Any) -> None:
    before = [library.counted(i) for i in range(3)]

    assert 0b010 == library.masks()
    assert [before[0] + 3, before[1] + 2, before[2] + 1] == [library.counted(i) for i in range(3)]


def test_an_exclusive_exchange_ends(library: Any) -> None:
    cell = ctypes.c_uint32(7)

    assert 7 == library.exchange(ctypes.byref(cell), 9)
    assert 9 == cell.value
