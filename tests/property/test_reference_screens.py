"""Screens keep their promises: error bounds are true and not wasteful, and C gives the bits of numpy."""

from __future__ import annotations

import math
import subprocess
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import cffi
import numpy as np
import pytest
from hypothesis import given, note
from hypothesis import strategies as st

from reference import Screen, enclose, pitch, screen, why_no_screen

FLAGS = ["-O3", "-ffp-contract=off", "-fno-math-errno", "-fno-trapping-math"]
CALIBRATION = {"low_code": 12, "low_volts": "-5.02", "high_code": 4081, "high_volts": "4.97"}

Case = tuple[Callable[..., Any], list[tuple[float, float]], dict[str, object]]

PITCH: dict[str, Case] = {
    "hz_from_volts": (pitch.hz_from_volts, [(-5.0, 8.0)], {"zero_volt_hz": "440 * 2**(-9/12)"}),
    "hz_from_volts_linear": (pitch.hz_from_volts_linear, [(0.5, 8.0)], {"hz_per_volt": "55.1"}),
    "hz_from_note": (pitch.hz_from_note, [(0.0, 127.0)], {"a4_hz": 442}),
    "note_from_hz": (pitch.note_from_hz, [(8.0, 20000.0)], {}),
    "volts_from_code": (pitch.volts_from_code, [(0.0, 4095.0)], CALIBRATION),
    "code_from_volts": (pitch.code_from_volts, [(-5.0, 5.0)], CALIBRATION),
    "hz_from_code": (pitch.hz_from_code, [(0.0, 4095.0)], {**CALIBRATION, "zero_volt_hz": 261.6}),
    "code_from_hz": (pitch.code_from_hz, [(20.0, 20000.0)], {**CALIBRATION, "zero_volt_hz": 261.6}),
    "volts_from_hz": (pitch.volts_from_hz, [(20.0, 20000.0)], {"zero_volt_hz": "65.4"}),
    "hz_from_volts_and_cents": (
        pitch.hz_from_volts_and_cents,
        [(-3.0, 7.0), (-100.0, 100.0)],
        {"zero_volt_hz": 55},
    ),
    "ratio_from_cents": (pitch.ratio_from_cents, [(-153600.0, 153600.0)], {}),
    "ratio_from_semitones": (pitch.ratio_from_semitones, [(-48.0, 48.0)], {}),
    "cents_between": (pitch.cents_between, [(20.0, 20000.0), (20.0, 20000.0)], {}),
    "increment_from_hz": (pitch.increment_from_hz, [(1.0, 24000.0)], {"sample_rate_hz": 44100}),
    "increment_32bit_from_hz": (pitch.increment_32bit_from_hz, [(1.0, 24000.0)], {"sample_rate_hz": 44100}),
}


def _soft(ctx: Any, x: Any) -> Any:
    return ctx.tanh(ctx.number("1.5") * x) / ctx.tanh(ctx.number("1.5"))


def _partials(ctx: Any, x: Any) -> Any:
    return ctx.sin_turns(x) + ctx.cos_turns(3 * x) / 3 + ctx.number("0.1")


def _decay(ctx: Any, x: Any) -> Any:
    return 1 - ctx.exp(-x / ctx.number("0.0125"))


def _level(ctx: Any, x: Any, y: Any) -> Any:
    return 20 * ctx.log(ctx.sqrt(x * x + y * y)) / ctx.log(ctx.number(10))


def _knob(ctx: Any, x: Any) -> Any:
    return ctx.clamp(ctx.absolute(x - ctx.number("0.3")) * 2, ctx.number("0.05"), ctx.maximum(x, ctx.pi / 4))


MORE: dict[str, Case] = {
    "soft": (_soft, [(-3.0, 3.0)], {}),
    "partials": (_partials, [(-40.0, 40.0)], {}),
    "decay": (_decay, [(0.0, 2.0)], {}),
    "level": (_level, [(0.001, 2.0), (0.001, 3.0)], {}),
    "knob": (_knob, [(-1.0, 1.0)], {}),
    "identity": (lambda ctx, x: x, [(-1.0, 1.0)], {}),
    "constant": (lambda ctx, x: ctx.pi, [(-1.0, 1.0)], {}),
    "turned": (lambda ctx, x, y: 1 / (y - x), [(-1.0, 1.0), (2.0, 3.0)], {}),
}

CASES = PITCH | MORE


def found(case: Case) -> Screen:
    result = screen(*case)
    assert result is not None, why_no_screen(*case)
    return result


def draw_inputs(case: Case, count: int, seed: int) -> list[np.ndarray]:
    """Even, clustered at the ends, and near zero where the range holds it; always within the range."""
    rng = np.random.default_rng(seed)
    arrays = []
    for low, high in case[1]:
        even = rng.uniform(low, high, count)
        tiny = 2.0 ** rng.uniform(-60, 0, count)
        mixed = np.choose(
            rng.integers(0, 4, count), [even, low + (high - low) * tiny, high - (high - low) * tiny, tiny]
        )
        arrays.append(np.clip(mixed, low, high))
    return arrays


def errors(case: Case, arrays: list[np.ndarray], got: list[Fraction]) -> tuple[Fraction, Fraction]:
    """Largest absolute and relative distance of `got` from 200-bit enclosures: what is certainly off."""
    largest, relative = Fraction(0), Fraction(0)
    for inputs, value in zip(zip(*arrays, strict=True), got, strict=True):
        exact = enclose(case[0], [Fraction(float(x)) for x in inputs], case[2], bits=200)
        distance = max(exact.low - value, value - exact.high, Fraction(0))
        largest = max(largest, distance)
        if exact.low * exact.high > 0:
            relative = max(relative, distance / max(abs(exact.low), abs(exact.high)))
    return largest, relative


@given(name=st.sampled_from(sorted(CASES)), seed=st.integers(0, 2**32 - 1))
def test_true_error_stays_within_the_bounds(name: str, seed: int) -> None:
    case = CASES[name]
    result = found(case)
    arrays = draw_inputs(case, 20, seed)
    values = [Fraction(float(v)) for v in result.evaluate(arrays)]
    absolute, relative = errors(case, arrays, values)

    assert result.absolute_bound >= absolute
    assert result.relative_bound >= relative
    assert all(Fraction(result.low) <= v + absolute and v - absolute <= Fraction(result.high) for v in values)


@pytest.mark.parametrize("name", sorted(CASES))
def test_bounds_are_true_and_not_absurdly_pessimistic(name: str) -> None:
    case = CASES[name]
    result = found(case)
    arrays = draw_inputs(case, 100, 1)
    values = [Fraction(float(v)) for v in result.evaluate(arrays)]
    absolute, relative = errors(case, arrays, values)

    assert result.absolute_bound >= absolute >= Fraction(result.absolute_bound) / 2**12
    assert result.relative_bound >= relative
    assert math.isinf(result.relative_bound) or 2**12 * relative >= result.relative_bound


@pytest.mark.parametrize("name", sorted(CASES))
def test_double_double_error_stays_within_its_bounds(name: str) -> None:
    case = CASES[name]
    result = found(case)
    arrays = draw_inputs(case, 40, 2)
    high, low = result.finer(arrays)
    values = [Fraction(float(a)) + Fraction(float(b)) for a, b in zip(high, low, strict=True)]
    absolute, relative = errors(case, arrays, values)

    assert result.finer_absolute_bound >= absolute
    assert result.finer_relative_bound >= relative
    assert math.isinf(result.finer_relative_bound) or 2.0**-88 >= result.finer_relative_bound


OPERATIONS = ["add", "subtract", "multiply", "divide", "minimum", "maximum"]
FUNCTIONS = ["exp2", "exp", "log2", "log", "sqrt", "sin_turns", "cos_turns", "tanh", "absolute", "negative"]

constants = st.fractions(-4, 4, max_denominator=50).filter(bool)
leaves = st.sampled_from([0, 1]) | constants
trees = st.recursive(
    leaves,
    lambda inner: (
        st.tuples(st.sampled_from(OPERATIONS), inner, inner) | st.tuples(st.sampled_from(FUNCTIONS), inner)
    ),
    max_leaves=7,
)


def as_reference(tree: Any) -> Callable[..., Any]:
    def function(ctx: Any, x: Any, y: Any) -> Any:
        def value(node: Any) -> Any:
            if isinstance(node, tuple):
                return getattr(ctx, node[0])(*(value(part) for part in node[1:]))
            return ctx.number(node) if isinstance(node, Fraction) else (x, y)[node]

        return value(tree)

    return function


@given(
    tree=trees,
    low=st.floats(-3, 2.5),
    width=st.floats(0.001, 1),
    seed=st.integers(0, 2**32 - 1),
)
def test_bounds_hold_for_random_expressions(tree: Any, low: float, width: float, seed: int) -> None:
    case: Case = (as_reference(tree), [(low, low + width), (1.0, 1.0 + width)], {})
    result = screen(*case)
    if result is None:
        note(str(why_no_screen(*case)))
        return
    arrays = draw_inputs(case, 4, seed)
    values = [Fraction(float(v)) for v in result.evaluate(arrays)]
    absolute, relative = errors(case, arrays, values)
    high, rest = result.finer(arrays)
    finer = [Fraction(float(a)) + Fraction(float(b)) for a, b in zip(high, rest, strict=True)]
    finer_absolute, finer_relative = errors(case, arrays, finer)

    assert result.absolute_bound >= absolute
    assert result.relative_bound >= relative
    assert result.finer_absolute_bound >= finer_absolute
    assert result.finer_relative_bound >= finer_relative


def compiled(gcc: str, folder: Path, sources: dict[str, str], extra: list[str]) -> tuple[Any, Any, str]:
    """(ffi, library, compiler's remarks) for all screens in one unit."""
    source, library = folder / "screens.c", folder / "screens.so"
    source.write_text("\n".join(sources.values()))
    remarks = subprocess.run(
        [
            gcc,
            *FLAGS,
            *extra,
            "-fopt-info-vec-optimized",
            "-shared",
            "-fPIC",
            str(source),
            "-o",
            str(library),
        ],
        capture_output=True,
        text=True,
        check=True,
    ).stderr
    ffi = cffi.FFI()
    for name in sources:
        ffi.cdef(f"void {name}(const double *const *inputs, double *result, long n);")
    return ffi, ffi.dlopen(str(library)), remarks


@pytest.mark.parametrize("machine", [["-march=native"], ["-mavx2"], []], ids=["native", "avx2", "plain"])
def test_c_gives_the_bits_of_numpy(gcc: str, tmp_path: Path, machine: list[str]) -> None:
    screens = {name: found(case) for name, case in CASES.items()}
    if machine == ["-mavx2"] and "avx2" not in Path("/proc/cpuinfo").read_text():
        pytest.skip("needs a processor with AVX2")
    sources = {name: one.c_source(name) for name, one in screens.items()}
    ffi, library, _ = compiled(gcc, tmp_path, sources, machine)
    for name, one in screens.items():
        arrays = draw_inputs(CASES[name], 50_003, 7)
        result = np.empty(50_003)
        pointers = ffi.new("const double *[]", [ffi.from_buffer("const double[]", array) for array in arrays])
        getattr(library, name)(pointers, ffi.from_buffer("double[]", result), result.size)

        assert (one.evaluate(arrays).view(np.uint64) == result.view(np.uint64)).all(), name


def test_every_screen_is_vectorised_with_avx2(gcc: str, tmp_path: Path) -> None:
    if subprocess.run([gcc, "-mavx2", "-E", "-x", "c", "/dev/null"], capture_output=True).returncode:
        pytest.skip("needs a compiler for x86-64")
    for name, case in CASES.items():
        source = found(case).c_source(name)
        line = 1 + source.splitlines().index("    for (long i = 0; i < n; i++) {")
        _, _, remarks = compiled(gcc, tmp_path, {name: source}, ["-mavx2", "-mno-avx512f"])

        assert f"screens.c:{line}:" in remarks and "vectorized using 32 byte vectors" in remarks, name
