"""The engine's fill: the routine receives exactly what the domain says, for every kind of grid and C type."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from firmware_shim.build import Built, Request, build
from firmware_shim.crew import Crew
from firmware_shim.engine import NUMPY_TYPES, build_engine
from firmware_shim.job import Job
from verify.domain import Domain, sampled
from verify.grids import Grid, binary32, codes, fixed, integers, rounded_list, values

C_TYPES = ("float", "double", "int8_t", "uint8_t", "int16_t", "uint16_t", "int32_t", "uint32_t", "int64_t", "uint64_t")
SOURCE = "#include <stdint.h>\n" + "".join(
    f"{name} same_{name}({name} x) {{ return x; }}\n" for name in C_TYPES
) + """\
float first_of_three(float a, int16_t b, uint32_t c) { (void)b; (void)c; return a; }
int16_t second_of_three(float a, int16_t b, uint32_t c) { (void)a; (void)c; return b; }
uint32_t third_of_three(float a, int16_t b, uint32_t c) { (void)a; (void)b; return c; }
"""
PARTS = ("first_of_three", "second_of_three", "third_of_three")


@dataclass(frozen=True)
class Stand:
    """A built library of identities and a crew of one."""

    built: Built
    crew: Crew

    def outputs(self, routine: str, domain: Domain, output_type: int, start: int, count: int) -> bytes:
        """Raw outputs of consecutive ordinals, filled by a segment that begins with the first of them."""
        # Kept outputs are addressed by ordinal, so what lies before runs too, as a segment of its own.
        segments = np.array([[0, start, 31], [start, count, 31]][start == 0 :], np.int64)
        job = Job(str(self.built.library), self.built.loops[routine], domain.axes(), output_type, segments,
                  keep_outputs=True)  # fmt: skip
        result = self.crew.run(job)

        assert [] == result.stops
        width = NUMPY_TYPES[output_type].itemsize
        return result.outputs[start * width : (start + count) * width]


@pytest.fixture(scope="module")
def stand(tmp_path_factory: pytest.TempPathFactory, gcc: str, private_cache: Path) -> Iterator[Stand]:
    folder = tmp_path_factory.mktemp("identities")
    (folder / "same.c").write_text(SOURCE, encoding="utf-8")
    routines = (*(f"same_{name}" for name in C_TYPES), *PARTS)
    built = build(Request((folder / "same.c",), flags="-O2", routines=routines), private_cache)
    with Crew(build_engine(built.compiler.path, private_cache), 1) as crew:
        yield Stand(built, crew)


FLOATS = [
    binary32("x", -1e-41, 2.0**-147, ""),
    binary32("x", -1e-42, 1e-42, ""),
    binary32("x", -0.0, 1e-44, ""),
    binary32("x", -3.001, -3, ""),
    binary32("x", 0.999, 1.001, ""),
    binary32("x", 3.402823e38, 3.4028234663852886e38, ""),
    values("x", [-1.5, -0.1, 0, 0.1, 1e-45, 2.5e38], ""),
]
WHOLE = {
    "int8_t": [integers("x", -128, 127, ""), integers("x", -127, 125, "", step=7),
               fixed("x", -1, 0.99, "", fraction_bits=7), values("x", [-128, 3, 127], "")],
    "uint8_t": [codes("x", 8), integers("x", 3, 255, "", step=5), values("x", [0.0625, 0.5], "", fraction_bits=4)],
    "int16_t": [integers("x", -32768, 32767, ""), fixed("x", -1, 0.9999, "", fraction_bits=15)],
    "uint16_t": [codes("x", 16), fixed("x", 0, 5, "", fraction_bits=13)],
    "int32_t": [integers("x", -(2**31), -(2**31) + 9000, ""), fixed("x", -0.1, 0.1, "", fraction_bits=16),
                integers("x", -(2**31), 2**31 - 1, "", step=1_000_003), values("x", [-2**31, 0, 2**31 - 1], "")],
    "uint32_t": [integers("x", 2**32 - 9000, 2**32 - 1, ""), codes("x", 13)],
    "int64_t": [integers("x", -(2**63), -(2**63) + 5000, ""), integers("x", 2**62, 2**62 + 5000, ""),
                fixed("x", -2, 2, "", fraction_bits=11), values("x", [-(2**63), -1, 2**63 - 1], "")],
    "uint64_t": [integers("x", 2**53, 2**53 + 5000, ""), integers("x", 0, 2**62, "", step=2**50 + 1),
                 fixed("x", 0, 3, "", fraction_bits=10)],
}  # fmt: skip
CASES = [(name, grid) for name in ("float", "double") for grid in FLOATS]
CASES += [(name, grid) for name, grids in WHOLE.items() for grid in grids]


def windows(count: int) -> list[tuple[int, int]]:
    """Runs at both ends and one that begins and ends within blocks."""
    near = min(count, 4099)
    return list({(0, near), (count - near, near), (count // 3, min(9001, count - count // 3))})


@pytest.mark.parametrize(("c_type", "grid"), CASES, ids=lambda part: part if isinstance(part, str) else part.text())
def test_a_routine_receives_what_the_domain_says(stand: Stand, c_type: str, grid: Grid) -> None:
    number = C_TYPES.index(c_type)
    kind = NUMPY_TYPES[number]
    family = {"f": "float", "i": "int", "u": "uint"}[kind.kind]
    domain = Domain((rounded_list(grid, family, kind.itemsize),), (number,))
    for start, count in windows(domain.count):
        got = stand.outputs(f"same_{c_type}", domain, number, start, count)
        numbers = np.frombuffer(got, kind)
        scale = Fraction(1) if kind.kind == "f" else domain.grids[0].scale
        wanted = [domain.values(start + i)[0] for i in range(count)]

        assert b"".join(domain.raw_bits(start + i)[0] for i in range(0, count, 97)) == numbers[::97].tobytes()
        assert wanted == [Fraction(number.item()) * scale for number in numbers]


@pytest.mark.parametrize("c_type", ["float", "double"])
def test_both_zeros_are_passed_with_their_sign(stand: Stand, c_type: str) -> None:
    domain = Domain((binary32("x", -1.5e-45, 1.5e-45, ""),), (C_TYPES.index(c_type),))
    number = domain.type_numbers[0]
    numbers = np.frombuffer(stand.outputs(f"same_{c_type}", domain, number, 0, 4), NUMPY_TYPES[number])

    assert [-(2.0**-149), -0.0, 0.0, 2.0**-149] == list(numbers)
    assert [-1.0, -1.0, 1.0, 1.0] == [math.copysign(1.0, x) for x in numbers]


def test_the_last_of_several_inputs_changes_fastest(stand: Stand) -> None:
    domain = Domain((binary32("a", -1e-44, 1e-44, ""), integers("b", -3, 60, "", step=7), codes("c", 6)), (0, 4, 7))
    wanted = [domain.values(ordinal) for ordinal in range(domain.count)]
    for place, (name, kind) in enumerate(zip(PARTS, domain.type_numbers, strict=True)):
        for start, count in [(0, domain.count), (5001, 4097), (domain.count - 1, 1)]:
            numbers = np.frombuffer(stand.outputs(name, domain, kind, start, count), NUMPY_TYPES[kind])

            assert [w[place] for w in wanted[start : start + count]] == [Fraction(n.item()) for n in numbers]


def test_a_sample_of_a_product_passes_the_chosen_points_only(stand: Stand) -> None:
    whole = Domain((binary32("a", -4, 4, ""), integers("b", -300, 300, ""), codes("c", 20)), (0, 4, 7))
    chosen = [np.array([0, 5, whole.grids[0].count - 1]), np.array([600, 2]), np.array([2**20 - 1, 77])]
    domain = sampled(whole, chosen)

    assert (12, whole.count, False) == (domain.count, domain.full_count, domain.whole)
    for place, (name, kind) in enumerate(zip(PARTS, domain.type_numbers, strict=True)):
        numbers = np.frombuffer(stand.outputs(name, domain, kind, 0, 12), NUMPY_TYPES[kind])

        expected = [sorted(whole.grids[place].value(int(i)) for i in chosen[place])]
        assert [Fraction(n.item()) for n in numbers] == [domain.values(o)[place] for o in range(12)]
        assert set(expected[0]) == {Fraction(n.item()) for n in numbers}


@pytest.mark.parametrize(("low", "high"), [(2**63, 2**63 + 100), (2**64 - 50, 2**64 - 1)])
def test_the_upper_half_of_the_widest_unsigned_type_is_passed(stand: Stand, low: int, high: int) -> None:
    domain = Domain((integers("x", low, high, ""),), (9,))
    numbers = np.frombuffer(stand.outputs("same_uint64_t", domain, 9, 0, domain.count), "u8")

    assert list(range(low, high + 1)) == [int(number) for number in numbers]
