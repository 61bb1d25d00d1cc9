"""The compiled eye says what numpy says: the same judgements, words and places, over generated and planted scripts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from firmware_shim.compiler import find_compiler
from firmware_shim.engine import build_engine
from firmware_shim.traces import Eye, eye_of
from reference import envelope, filters_in_time, gate, pitch_memory, smoothing
from reference.rationals import RationalContext
from reference.recurrences import slewed
from verify import accurate, binary32, ends_at_zero, event, no_jump, no_subnormals, signal, stays_within, time_to
from verify.binding import cache_folder
from verify.claims.categories import Finite
from verify.machines.generation import drawn
from verify.machines.judging import judge
from verify.machines.machine import Machine
from verify.machines.observation import Observation
from verify.machines.script import Script

CLAIMS = (
    *(accurate(absolute=limit, because="x") for limit in (0.002, 0.0005, 1e-7)),
    *(stays_within(0, high, because="x") for high in (1, 0.9)),
    *(no_jump(limit, because="x") for limit in (0.0417, 0.01)),
    no_jump(0.01, because="x", but_at="strike"),
    no_subnormals(because="x"),
    Finite(),
    time_to(1, after="strike", seconds="attack", within_samples=2, because="x"),
    ends_at_zero(after="strike", seconds=0.01, because="x"),
)
PLANTED: dict[str, Callable[[np.ndarray, int], None]] = {
    "nothing": lambda y, k: None,
    "a NaN": lambda y, k: y.__setitem__(k, np.nan),
    "an infinity": lambda y, k: y.__setitem__(k, -np.inf),
    "a subnormal": lambda y, k: y.__setitem__(k, 1e-40),
    "a negative zero": lambda y, k: y.__setitem__(k, -0.0),
    "a small step": lambda y, k: y.__setitem__(k, y[k] + 0.002),
    "a click": lambda y, k: y.__setitem__(k, y[k] + 0.02),
    "below zero": lambda y, k: y.__setitem__(k, -0.001),
    "above one": lambda y, k: y.__setitem__(k, 1.0001),
}


@pytest.fixture(scope="module")
def eye(gcc: str) -> Eye:
    return eye_of(build_engine(find_compiler(None, cache_folder()).path, cache_folder()))


def bell(shape: str) -> Machine:
    seconds = binary32("attack", 0.0005, 0.02, "s"), binary32("decay", 0.01, 1, "s")
    events = (event("strike", "hit(state)"), *(event(grid.name, f"set(state, {grid.name})", grid) for grid in seconds))
    exact = RationalContext()
    return Machine("bell", "bell_t", "init(state)", "", events, (), "y = step(state)", "", (signal("y", "full scale"),),
                   (exact.number(8000), exact.number(48_000)), CLAIMS, envelope.attack_decay,
                   {"attack": "2/1000", "decay": "1/2", "shape": shape, "silence": 0 if shape == "linear" else "1/100000"})


def seen_by(machine: Machine, script: Script, number: int, plant: Callable[[np.ndarray, int], None]) -> Observation:
    blank = np.zeros(script.samples, np.float32)
    wanted = Observation(machine, script, "host", {"y": blank}, script.samples).wanted()
    y = wanted.screen()[0].astype(np.float32)
    plant(y, number * 7919 % len(y))
    return Observation(machine, script, "host", {"y": y}, len(y))


@pytest.mark.parametrize("shape", ["exponential", "linear"])
@pytest.mark.parametrize("planted", PLANTED)
def test_eye_and_numpy_judge_alike(eye: Eye, shape: str, planted: str) -> None:
    machine, failing, holding = bell(shape), 0, 0
    for number, script in enumerate(next(drawn(machine, 40, 5))[10:24]):
        plain = seen_by(machine, script, number, PLANTED[planted])
        quick = replace(plain, eye=eye, known_doubles={}, known_finite={}, known_stretches=None)
        with np.errstate(invalid="ignore"):
            for claim in CLAIMS:
                wanted = judge(claim, plain)
                assert repr(judge(claim, quick)) == repr(wanted), claim.label()
                failing, holding = failing + bool(wanted.failing), holding + (wanted.valid > 0 and not wanted.failing)

    assert failing and holding


@pytest.mark.parametrize("ctype", ["float", "double"])
def test_subnormals_of_both_widths(eye: Eye, ctype: str) -> None:
    kind = {"float": np.float32, "double": np.float64}[ctype]
    least, normal = np.finfo(kind).smallest_subnormal, np.finfo(kind).smallest_normal
    for length in (1, 255, 256, 257, 1000):
        clean = np.resize(np.array([0.0, -0.0, normal, -normal, 1.0, np.inf, np.nan], kind), length)
        assert eye.first_subnormal(clean) == -1
        for size in (least, -least, np.nextafter(kind(normal), kind(0))):
            planted = clean.copy()
            planted[length * 2 // 3 :] = size
            assert eye.first_subnormal(planted) == length * 2 // 3


def test_extremes_and_their_first_sample(eye: Eye) -> None:
    rng = np.random.default_rng(7)
    for length in (2, 7, 8, 9, 255, 256, 257, 3001):
        y = rng.integers(-9, 10, length) / 8  # many equal extremes
        beyond, steps = np.maximum(y - 0.3, -0.7 - y), np.abs(np.diff(y))

        assert eye.beyond(y, -0.7, 0.3) == (beyond.max(), beyond.argmax())
        assert eye.step(y) == (steps.max(), steps.argmax())
        assert eye.first_odd(y) == -1
        for odd in (np.nan, np.inf, -np.inf):
            y[length // 2 :] = odd
            assert eye.first_odd(y) == length // 2


def test_a_slew_is_followed_with_the_same_bits(eye: Eye) -> None:
    rng = np.random.default_rng(11)
    for length in (0, 1, 2, 500):
        x = np.round(np.cumsum(rng.normal(0, 0.02, length)), 3)
        for step in (1e-4, 0.01, 0.3):
            assert slewed(x, step, 0.25).tobytes() == eye.slewed(x, step, 0.25).tobytes()


STREAMS = {
    "one pole": (smoothing.one_pole, {"seconds": "1/200"}, (0.004, 0.0002)),
    "slew": (smoothing.slew, {"per_second": 40}, (0.004, 0.0002)),
    "average": (smoothing.moving_average, {"length_samples": 16}, (0.004, 0.0002)),
    "threshold": (gate.threshold, {"low": "1/4", "high": "1/2"}, (0.25, 0)),
    "threshold with a band": (gate.threshold, {"low": "1/4", "high": "1/2", "band": "1/16"}, (0.25, 0)),
    "quantiser": (pitch_memory.quantiser, {"hysteresis_volts": "1/400", "band_volts": "1/2000"}, (0.25, 0)),
}


@pytest.mark.parametrize("name", STREAMS)
def test_eye_and_numpy_judge_streams_alike(eye: Eye, name: str) -> None:
    function, constants, limits = STREAMS[name]
    word = "source" if name.startswith(("threshold", "quantiser")) else "target"
    claims = tuple(accurate(absolute=limit, because="x") for limit in limits)
    machine = Machine("stream", "stream_t", "init(state)", "", (), (binary32("x", 0, 1, "V"),), "y = step(state, x)", "",
                      (signal("y", "V"),), (RationalContext().number(48_000),), claims, function, {**constants, word: "x"})
    said = []
    for number, script in enumerate(next(drawn(machine, 40, 5))[4:18]):
        plain = seen_by(machine, script, number, PLANTED["a small step" if number % 2 else "nothing"])
        quick = replace(plain, eye=eye, known_doubles={}, known_wanted={}, known_finite={}, known_stretches=None, room={})
        for claim in claims:
            said.append((repr(judge(claim, plain)), repr(judge(claim, quick))))

    assert [plain for plain, _ in said] == [quick for _, quick in said]
    assert any("failing=0" in plain for plain, _ in said) and any("failing=1" in plain for plain, _ in said)


FILTERS = {
    "state variable": (filters_in_time.state_variable, {}),
    "direct form, low": (filters_in_time.biquad, {"form": "direct 2", "q": 5}),
    "direct form 1": (filters_in_time.biquad, {"form": "direct 1", "kind": "peaking", "gain_db": 6}),
    "first order": (filters_in_time.first_order, {"kind": "high pass"}),
}


@pytest.mark.parametrize("name", FILTERS)
def test_filters_get_the_verdicts_of_tables_from_the_compiled_recursion(eye: Eye, name: str) -> None:
    function, constants = FILTERS[name]
    claims = tuple(accurate(absolute=limit, because="x") for limit in (0.004, 1e-4, 1e-9))
    event_ = event("cutoff_hz", "set(state, cutoff_hz)", binary32("cutoff_hz", 1, 20_000, "Hz"))
    machine = Machine("filter", "filter_t", "init(state)", "", (event_,), (binary32("x", -1, 1, "V"),), "y = step(state, x)",
                      "", (signal("y", "V", ctype="double"),), (RationalContext().number(48_000),), claims, function,
                      {**constants, "source": "x"}, longest_seconds=0.05)
    said = []
    for number, script in enumerate(next(drawn(machine, 40, 5))[4:18]):
        blank = Observation(machine, script, "host", {"y": np.zeros(script.samples)}, script.samples)
        y = blank.wanted().screen()[0].copy()
        y[number * 7919 % len(y)] += (0, 0.002, 5e-9, 9.99e-10, 1e-9)[number % 5]
        plain = Observation(machine, script, "host", {"y": y}, len(y))
        quick = replace(plain, eye=eye, known_doubles={}, known_wanted={}, known_finite={}, known_stretches=None, room={})
        for claim in claims:
            one, other = judge(claim, plain), judge(claim, quick)
            said.append((one.valid, one.failing, other.valid, other.failing, one.open, other.open))
            assert abs(one.worst - other.worst) <= 2.0**-33 * max(1, np.abs(y).max())
            assert one.at == other.at or not one.failing

    # Next to a limit of 10^-9 one of them may know less, and says so; neither contradicts the other.
    assert all(row[:2] == row[2:4] or row[4] or row[5] for row in said)
    assert all(row[4:] == (0, 0) for number, row in enumerate(said) if number % 3 < 2)
    assert {row[1] for row in said} == {0, 1}
