"""Filters with state: one-pole, state-variable and biquad, sample by sample, with settings that events change.

Conventions. The input is a stream named `source`. cutoff_hz, q and gain_db are constants, or are sent as events of these
names, or are streams of these names; an event's value counts from the sample on before which it stands, a stream's in its
own sample, and the state is kept as it is. What comes out
after such a change depends on how the filter is built, so `form` must be the firmware's. Coefficients are those of
`reference.filters`; `coefficients` gives a biquad's own numbers (b0, b1, b2, a1, a2 over a0, a1 and a2 in the
denominator with these signs). A firmware that rounds its coefficients to float follows another filter by that much:
the limit of a claim holds it, or the rounded coefficients are written into the sheet.
Limits: 0 < cutoff_hz < half the sample rate.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction
from typing import Any

import numpy as np

from reference import filters
from reference.context import Number
from reference.errors import DomainError
from reference.intervals import IntervalContext
from reference.rationals import RationalContext
from reference.state_space import LinearSystem, Matrices, Setting, whole
from reference.trajectories import Script
from reference.varying_settings import Held, VaryingSystem

FORMS = ("direct 1", "direct 2", "transposed 2")
OUTPUTS = ("low", "band", "high", "notch", "all pass")
NAMES = ("cutoff_hz", "q", "gain_db")


class Filter(LinearSystem):
    """A filter's output, and its gain with the settings in force at a sample."""

    def __init__(self, script: Script, inputs: np.ndarray, settings: Sequence[Setting], delays: Sequence[int]) -> None:
        super().__init__(script, inputs, settings)
        self.delays = tuple(delays)

    def gain_db(self, hz: Fraction, sample: int, bits: int = 120) -> tuple[Fraction, Fraction]:
        """Enclosure of 20 log10 |H| at a frequency (0 included) with the settings of a sample.

        Errors: DomainError where the gain is 0.
        """
        setting = self.setting_at(sample)
        ctx = IntervalContext(bits)
        turns = ctx.number(hz) / ctx.number(self.script.sample_rate_hz)
        square = _gain_square(ctx, setting.matrices(ctx, *setting.arguments), self.delays, turns)
        if square.ends()[0] <= 0:
            raise DomainError("the gain at this frequency is 0, or too small to be told from 0")
        low, high = (ctx.log2(square) * (10 / ctx.log2(ctx.number(10)))).ends()
        return low, high

    def settling_samples(self, sample: int, part: float = 1e-6) -> int:
        """About how many samples pass until what was before has fallen to a part of itself, with the settings of a sample.

        Of the slowest pole, with a tenth more; no bound: for choosing how long to wait.
        """
        setting = self.setting_at(sample)
        a = np.array(whole(setting.matrices, setting.arguments, 80).a, np.float64).reshape(2, 2) * 2.0**-80
        radius = float(np.abs(np.linalg.eigvals(a)).max())
        if radius <= part:
            return 2
        return math.ceil(1.1 * math.log(part) / math.log(radius)) if radius < 1 else 1 << 62


class VaryingFilter(VaryingSystem, Filter):
    """A filter some of whose settings are streams."""

    def __init__(self, script: Script, inputs: np.ndarray, delays: Sequence[int], *settings: Any) -> None:
        VaryingSystem.__init__(self, script, inputs, *settings)
        self.delays = tuple(delays)


def _gain_square(ctx: Any, matrices: Matrices, delays: Sequence[int], turns: Number) -> Any:
    """|D + C (z - A)^-1 B|^2 at z = exp(2 pi i turns); input k is the first one, so many samples ago."""
    (a11, a12, a21, a22), columns, (c1, c2), direct = matrices
    x, y = ctx.cos_turns(turns), ctx.sin_turns(turns)
    # (z - A)^-1 = adj/(z^2 - trace z + det); complex numbers as pairs.
    trace, determinant = a11 + a22, a11 * a22 - a12 * a21
    bottom = (x * x - y * y - trace * x + determinant, 2 * x * y - trace * y)
    top: list[Any] = [ctx.number(0), ctx.number(0)]
    for (b1, b2), d, delay in zip(columns, direct, delays, strict=True):
        # C adj(z - A) B = z (C B) + c1 (a12 b2 - a22 b1) + c2 (a21 b1 - a11 b2)
        both = c1 * b1 + c2 * b2
        rest = c1 * (a12 * b2 - a22 * b1) + c2 * (a21 * b1 - a11 * b2)
        real = both * x + rest + d * bottom[0]
        imaginary = both * y + d * bottom[1]
        turn = -turns * delay
        u, v = ctx.cos_turns(turn), ctx.sin_turns(turn)
        top[0] = top[0] + real * u - imaginary * v
        top[1] = top[1] + real * v + imaginary * u
    # Squares of intervals: abs keeps them from reaching below 0.
    return (abs(top[0]) ** 2 + abs(top[1]) ** 2) / (abs(bottom[0]) ** 2 + abs(bottom[1]) ** 2)


def _filter(script: Script, source: str, given: Mapping[str, Any], make: Callable[..., Matrices],
            arguments: Callable[..., tuple[Any, ...]], delays: Sequence[int] = (0,)) -> Filter:
    """A filter whose settings are those given until events of their names change them."""
    if source not in script.streams:
        raise DomainError(f"a filter needs the stream {source!r}")
    stream = np.asarray(script.streams[source], np.float64)
    columns = [np.concatenate([np.zeros(min(k, len(stream))), stream[: max(0, len(stream) - k)]]) for k in delays]
    exact = RationalContext()
    now = {name: value if isinstance(value, str) else exact.number(value) for name, value in given.items()}
    held: list[Held] = [(0, now)]
    for sample, name, value in script.events:
        if name in given:
            held.append((sample, {**held[-1][1], name: value}))
    streams = {name: script.streams[name] for name in given if name in script.streams}
    if streams:
        return VaryingFilter(script, np.stack(columns, axis=1), delays, make, arguments, held, streams)
    return Filter(script, np.stack(columns, axis=1), [Setting(start, make, arguments(then)) for start, then in held], delays)


def _first_order(ctx: Any, kind: str, form: str, hz: Any, rate: Fraction) -> Matrices:
    nothing = ctx.number(0)
    if form == "trapezoidal":
        g = filters.one_pole_bilinear_from_hz(ctx, ctx.number(hz), sample_rate_hz=rate)
        a, b, c, d = 1 - 2 * g, 2 * g, 1 - g, g
    else:
        d = filters.one_pole_from_hz(ctx, ctx.number(hz), sample_rate_hz=rate)
        a, b, c = 1 - d, d, 1 - d
    if kind == "high pass":
        c, d = -c, 1 - d
    return (a, nothing, nothing, nothing), ((b, nothing),), (c, nothing), (d,)


def first_order(ctx: Any, script: Script, *, source: str = "x", kind: str = "low pass", form: str = "step invariant",
                cutoff_hz: Any = 1000) -> Filter:
    """First-order low or high pass, step-invariant (y += a (x - y)) or trapezoidal; the high pass is x less the low pass.

    Shape:   script to trajectory; source: name of the stream; cutoff_hz: number, event or stream.
    Unit:    cutoff_hz in Hz; result in the stream's unit.
    Domain:  0 < cutoff_hz < half the sample rate; kind "low pass" or "high pass"; form "step invariant" or "trapezoidal".
    Error:   enclosed; the screen states its bound.
    Source:  first-order recurrence; scipy.signal.butter and lfilter in tests/external/test_filters_in_time.py.

    >>> s = Script(3, Fraction(48000), (), {"x": np.array([1.0, 1.0, 1.0])})
    >>> first_order(None, s, form="trapezoidal", cutoff_hz=12000).screen()[0].tolist()
    [0.5, 1.0, 1.0]
    """
    if kind not in ("low pass", "high pass") or form not in ("step invariant", "trapezoidal"):
        raise DomainError('first_order: kind is "low pass" or "high pass", form "step invariant" or "trapezoidal"')
    rate = script.sample_rate_hz
    return _filter(script, source, {"cutoff_hz": cutoff_hz}, _first_order, lambda now: (kind, form, now["cutoff_hz"], rate))


def _trapezoidal(ctx: Any, output: str, hz: Any, q: Any, rate: Fraction) -> Matrices:
    g = filters.state_variable_trapezoidal_from_hz(ctx, ctx.number(hz), sample_rate_hz=rate)
    k = 1 / ctx.number(q)
    a1 = 1 / (1 + g * (g + k))
    a2 = g * a1
    a3 = g * a2
    one = ctx.number(1)
    low, band = ((a2, 1 - a3), a3), ((a1, -a2), a2)
    sums = {"low": (0, 0, 1), "band": (0, 1, 0), "high": (1, -k, -1), "notch": (1, -k, 0), "all pass": (1, -2 * k, 0)}
    x, b, w = sums[output]
    c = tuple(b * band[0][i] + w * low[0][i] for i in (0, 1))
    return (2 * a1 - 1, -2 * a2, 2 * a2, 1 - 2 * a3), ((2 * a2, 2 * a3),), c, (x * one + b * band[1] + w * low[1],)


def _two_integrators(ctx: Any, output: str, hz: Any, q: Any, rate: Fraction) -> Matrices:
    f = filters.state_variable_from_hz(ctx, ctx.number(hz), sample_rate_hz=rate)
    k = 1 / ctx.number(q)
    one, nothing = ctx.number(1), ctx.number(0)
    a = (one, f, -f, 1 - f * f - f * k)
    low, high, band = ((one, f), nothing), ((-one, -f - k), one), ((a[2], a[3]), f)
    rows = {"low": low, "high": high, "band": band, "notch": ((-nothing, -k), one)}
    c, d = rows[output]
    return a, ((nothing, f),), c, (d,)


def state_variable(ctx: Any, script: Script, *, source: str = "x", output: str = "low", form: str = "trapezoidal",
                   cutoff_hz: Any = 1000, q: Any = 1) -> Filter:
    """Second-order state-variable filter with damping 1/q; its low, band and high outputs come from one state.

    trapezoidal: both integrators by the trapezoidal rule, solved in each sample; band has gain q at the cutoff.
    two integrators: low += f band; high = x - low - band/q; band += f high, outputs after these three lines.

    Shape:   script to trajectory; cutoff_hz, q: numbers, events or streams.
    Unit:    cutoff_hz in Hz; result in the stream's unit.
    Domain:  0 < cutoff_hz < half the sample rate, q > 0; "two integrators" is unstable at high cutoffs: DomainError there.
    Error:   enclosed; the screen states its bound.
    Source:  Audio EQ Cookbook: with the trapezoidal rule low and high are its low and high pass;
             tests/external/test_filters_in_time.py.

    >>> s = Script(2, Fraction(48000), (), {"x": np.array([1.0, 0.0])})
    >>> state_variable(None, s, form="two integrators", cutoff_hz=8000).screen()[0].tolist()
    [0.0, 1.0]
    """
    known = OUTPUTS if form == "trapezoidal" else OUTPUTS[:4]
    if output not in known or form not in ("trapezoidal", "two integrators"):
        raise DomainError(f'state_variable: output is one of {", ".join(known)}, form "trapezoidal" or "two integrators"')
    rate, make = script.sample_rate_hz, _trapezoidal if form == "trapezoidal" else _two_integrators

    def arguments(now: Mapping[str, Any]) -> tuple[Any, ...]:
        _above_zero(now["q"], "q")
        return output, now["cutoff_hz"], now["q"], rate

    return _filter(script, source, {"cutoff_hz": cutoff_hz, "q": q}, make, arguments)


def _above_zero(value: Any, name: str) -> None:
    if not isinstance(value, str) and value <= 0:
        raise DomainError(f"{name} lies above 0")


def _cookbook(ctx: Any, form: str, kind: str, hz: Any, q: Any, db: Any, rate: Fraction) -> Matrices:
    values = filters.biquad_coefficients(ctx, ctx.number(hz), kind, rate, q, db)
    return _biquad(ctx, form, *values)


def _plain(ctx: Any, form: str, *coefficients: Any) -> Matrices:
    return _biquad(ctx, form, *(ctx.number(value) for value in coefficients))


def _biquad(ctx: Any, form: str, b0: Any, b1: Any, b2: Any, a1: Any, a2: Any) -> Matrices:
    one, nothing = ctx.number(1), ctx.number(0)
    if form == "transposed 2":
        return (-a1, one, -a2, nothing), ((b1 - a1 * b0, b2 - a2 * b0),), (one, nothing), (b0,)
    companion = (-a1, -a2, one, nothing)
    if form == "direct 2":
        return companion, ((one, nothing),), (b1 - a1 * b0, b2 - a2 * b0), (b0,)
    # Direct 1: the state is the last two outputs; the last inputs are inputs themselves.
    return companion, ((b0, nothing), (b1, nothing), (b2, nothing)), (-a1, -a2), (b0, b1, b2)


def biquad(ctx: Any, script: Script, *, source: str = "x", kind: str = "low pass", form: str = "transposed 2",
           cutoff_hz: Any = 1000, q: Any = "1/2**(1/2)", gain_db: Any = 0,
           coefficients: Sequence[Any] | None = None) -> Filter:
    """A biquad of the Audio EQ Cookbook, or of given coefficients, in one of the three usual forms.

    direct 1 keeps the last two inputs and outputs, direct 2 two sums before the zeros, transposed 2 two sums after them:
    the same filter until a setting changes while it rings.

    Shape:   script to trajectory; cutoff_hz, q, gain_db: numbers, events or streams; coefficients: b0, b1, b2, a1, a2.
    Unit:    cutoff_hz in Hz, gain_db in dB; result in the stream's unit.
    Domain:  0 < cutoff_hz < half the sample rate, q > 0, kind one of filters.KINDS; unstable coefficients: DomainError.
    Error:   enclosed; the screen states its bound.
    Source:  W3C Group Note "Audio EQ Cookbook"; ITU-R BS.1770 and scipy.signal.lfilter in
             tests/external/test_filters_in_time.py.

    >>> s = Script(3, Fraction(48000), (), {"x": np.array([1.0, 0.0, 0.0])})
    >>> biquad(None, s, coefficients=(1, "1/2", 0, "-1/4", 0)).screen()[0].tolist()
    [1.0, 0.75, 0.1875]
    """
    if form not in FORMS:
        raise DomainError(f"biquad: form is one of {', '.join(FORMS)}")
    delays = (0, 1, 2) if form == "direct 1" else (0,)
    if coefficients is not None:
        if len(coefficients) != 5:
            raise DomainError("coefficients are b0, b1, b2, a1, a2, over a0")
        numbers = tuple(value if isinstance(value, str) else RationalContext().number(value) for value in coefficients)
        return _filter(script, source, {}, _plain, lambda now: (form, *numbers), delays)
    rate = script.sample_rate_hz

    def arguments(now: Mapping[str, Any]) -> tuple[Any, ...]:
        _above_zero(now["q"], "q")
        return form, kind, now["cutoff_hz"], now["q"], now["gain_db"], rate

    return _filter(script, source, {"cutoff_hz": cutoff_hz, "q": q, "gain_db": gain_db}, _cookbook, arguments, delays)
