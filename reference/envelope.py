"""Envelopes: attack, decay, sustain, release; linear and exponential segments; ring decay.

Conventions. The output is 0 before the first trigger. An event stands before the sample of its own number. A
linear segment of T seconds changes by (full height)/(T rate) per sample, whatever level it starts from; a segment
that would end within a sample, or a time of 0, reaches its end in one sample. A time that is no whole number of
samples ends with the next sample, at exactly the end level. An exponential segment is given by the time in which
it loses 60 dB of its distance to the target (like a reverberation time), or by its time constant. A parameter
that changes in mid-segment takes effect at the next segment that uses it. With changes="now" it takes effect at once:
the segment that is running and uses it goes on as if it had been entered there, from the level reached (a new sustain
level is stepped to where the level is being held); changes=("decay", "sustain") says so of these alone. Which sample
ends a segment is decided with a band of one sample, since firmware that adds up rounded increments may end one sooner
or later.

Event names: gate (0 or 1), attack, decay, release (seconds), sustain (level); a name that the script never sends
has the constant of the sheet.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from math import ceil
from typing import Any

from reference.errors import DomainError
from reference.limits import above_zero, not_negative
from reference.trajectories import EDGE, Plan, Script, Trajectory, double

NOTHING = 2.0**-60
RETRIGGERS = ("current", "zero")
PARAMETERS = ("attack", "decay", "sustain", "release")
# Segment -> parameters that it uses.
USES = {"attack": ("attack",), "decay": ("decay", "sustain"), "sustain": ("sustain",), "silent": ("sustain",),
        "release": ("release",)}


def _log2_ratio(plan: Plan, seconds: Fraction, by: str) -> Any:
    """Binary logarithm of the ratio per sample of an exponential segment."""
    ctx, samples = plan.ctx, Fraction(seconds) * plan.script.sample_rate_hz
    if samples <= 0:
        raise DomainError("an exponential segment needs a time above zero")
    lost = ctx.log2(ctx.number(1000)) if by == "60 dB" else 1 / ctx.log(ctx.number(2))
    return -lost / ctx.number(samples)


def _steps_until(plan: Plan, distance: Any, per_sample: Any) -> int:
    """Samples until a line has gone a distance, at least 1."""
    middle, _ = double(distance / per_sample)
    return max(1, ceil(middle - EDGE))


class _Voice:
    """One envelope walking through a script."""

    def __init__(self, plan: Plan, settings: Mapping[str, Any]) -> None:
        self.plan, self.settings = plan, dict(settings)
        self.rate = plan.script.sample_rate_hz
        self.next_start = -1
        self.next_name = ""
        self.running = ""
        self.on = False

    def seconds(self, name: str) -> Fraction:
        """A time in force."""
        return Fraction(self.settings[name])

    def line(self, name: str, start: int, seconds: Fraction, height: Any, target: Any, then: str, *,
             from_zero: bool = False) -> None:
        """A linear segment from the level of the sample before (or from 0); `then` names what follows."""
        plan = self.plan
        level = plan.value(start - 1) if start > 0 and not from_zero else plan.number(0)
        samples = seconds * self.rate
        distance = plan.number(target) - level
        middle, _ = double(distance)
        if abs(middle) < NOTHING or samples <= 1:
            plan.hold(name, start, target)
            steps = 1
        else:
            slope = plan.number(height) / plan.ctx.number(samples)
            slope = slope if middle > 0 else -slope
            plan.line(name, start, level, slope, target)
            steps = _steps_until(plan, distance, slope)
        end = plan.decide(start + steps, f"end of {name}", earliest=start + 1)
        if end < plan.decisions[-1].sample:
            # Ended sooner means arrived sooner: a segment that never reaches its end is no alternative.
            plan.hold(name, end - 1, target)
        self.next_start, self.next_name = end, then

    def decay(self, name: str, start: int, seconds: Fraction, target: Any, silence: Any) -> None:
        """An exponential segment from the level of the sample before."""
        plan = self.plan
        level = plan.value(start - 1) if start > 0 else plan.number(0)
        self.next_start = -1
        if seconds * self.rate <= 1:
            plan.hold(name, start, target)
            return
        ratio = _log2_ratio(plan, seconds, self.settings["by"])
        plan.decay(name, start, level, ratio, target)
        quiet, _ = double(plan.number(silence))
        if quiet > 0:
            height, _ = double(level - plan.number(target))
            if abs(height) <= max(quiet, NOTHING):
                steps = 1
            else:
                middle, _ = double(plan.ctx.log2(plan.number(silence) / abs(level - plan.number(target))) / ratio)
                steps = max(1, ceil(middle - EDGE))
            self.next_start, self.next_name = plan.decide(start + steps - 1, f"{name} falls silent", 2), "silent"

    def advance(self, until: int) -> None:
        """Take the branches that fall due before a sample."""
        while 0 <= self.next_start < until or (self.next_start == until and self.next_name != "silent" and until > 0):
            start, name = self.next_start, self.next_name
            self.next_start = -1
            self.begin(name, start)

    def begin(self, name: str, start: int) -> None:
        """Enter a segment."""
        s = self.settings
        self.running = name
        if name == "attack":
            self.line("attack", start, self.seconds("attack"), s["peak"], s["peak"], "decay")
        elif name == "decay":
            if s["shape"] == "exponential":
                self.decay("decay", start, self.seconds("decay"), s["sustain"], s["silence"])
            else:
                height = self.plan.number(s["peak"]) - self.plan.number(s["sustain"])
                self.line("decay", start, self.seconds("decay"), height, s["sustain"], "sustain")
        elif name == "sustain":
            self.plan.hold("sustain", start, s["sustain"])
        elif name == "release":
            if s["shape"] == "exponential":
                self.decay("release", start, self.seconds("release"), 0, s["silence"])
            else:
                self.line("release", start, self.seconds("release"), s["peak"], 0, "idle")
        else:
            self.plan.hold("idle", start, 0 if name == "idle" else s["sustain"] if self.on else 0)

    def change(self, name: str, value: Any, sample: int) -> None:
        """A parameter changes: for the running segment too, where it takes effect at once."""
        self.settings[name] = value
        _check(self.settings, name)
        if name in self.settings["now"] and name in USES.get(self.running, ()):
            self.begin(self.running, sample)


def _walk(plan: Plan, settings: Mapping[str, Any], *, sustained: bool) -> None:
    voice = _Voice(plan, settings)
    plan.hold("idle", 0, 0)
    for sample, name, value in plan.script.events:
        if name in voice.settings and name not in ("gate", "strike"):
            voice.advance(sample)
            voice.change(name, value, sample)
            continue
        if name not in ("gate", "strike"):
            continue
        on = name == "strike" or value != 0
        voice.advance(sample)
        if on and (not voice.on or name == "strike"):
            if settings["retrigger"] == "zero":
                voice.running = "attack"
                voice.line("attack", sample, voice.seconds("attack"), settings["peak"], settings["peak"], "decay",
                           from_zero=True)
            else:
                voice.begin("attack", sample)
        elif not on and voice.on and sustained:
            voice.begin("release", sample)
        voice.on = on
    voice.advance(plan.script.samples)


def attack_decay(ctx: Any, script: Script, *, attack: Any = 0, decay: Any = 1, peak: Any = 1, shape: str = "exponential",
                 by: str = "60 dB", retrigger: str = "current", silence: Any = 0,
                 changes: str | Sequence[str] = "next segment") -> Trajectory:
    """Attack in a straight line to the peak, then decay to 0, started by strike (or by gate going on).

    Shape:   script to Trajectory; attack, decay: numbers, or sent as events; shape "exponential" or "linear"; changes:
             "next segment", "now", or the parameters that take effect in mid-segment (see the module).
    Unit:    attack, decay in s; peak, silence and result in full scale.
    Domain:  times >= 0; peak > 0; silence >= 0: below it an exponential decay is exactly 0 (0: it never ends).
    Error:   enclosed; the screen states its bound.
    Source:  definition; 60 dB as in reverberation time, tests/external/test_envelope.py.

    >>> from fractions import Fraction
    >>> s = Script(6, Fraction(1000), ((0, "strike", Fraction(1)),))
    >>> t = attack_decay(None, s, attack="4/1000", decay=10)
    >>> [float(t.exact(k)[0]) for k in range(4)]
    [0.25, 0.5, 0.75, 1.0]
    """
    settings = _settings(attack=attack, decay=decay, release=decay, sustain=0, peak=peak, shape=shape, by=by,
                         retrigger=retrigger, silence=silence, now=_at_once(changes))
    return Trajectory(script, lambda plan: _walk(plan, settings, sustained=False))


def attack_decay_sustain_release(ctx: Any, script: Script, *, attack: Any = 0, decay: Any = 0, sustain: Any = 1,
                                 release: Any = 0, peak: Any = 1, shape: str = "linear", by: str = "60 dB",
                                 retrigger: str = "current", silence: Any = 0,
                                 changes: str | Sequence[str] = "next segment") -> Trajectory:
    """Attack to the peak, decay to the sustain level, hold while the gate is on, release to 0.

    Shape:   script to Trajectory; times and level: numbers, or sent as events of these names; changes: "next segment",
             "now", or the parameters that take effect in mid-segment (see the module).
    Unit:    times in s; sustain, peak, silence and result in full scale.
    Domain:  times >= 0; 0 <= sustain, and sustain <= peak where the decay is linear; shape of decay and release: "linear" or
             "exponential".
    Error:   enclosed; the screen states its bound.
    Source:  definition; tests/external/test_envelope.py.

    >>> from fractions import Fraction
    >>> s = Script(4, Fraction(10), ((0, "gate", Fraction(1)), (2, "gate", Fraction(0))))
    >>> t = attack_decay_sustain_release(None, s, attack=0, sustain="1/2", release="2/10")
    >>> [float(t.exact(k)[0]) for k in range(4)]
    [1.0, 0.5, 0.0, 0.0]
    """
    settings = _settings(attack=attack, decay=decay, release=release, sustain=sustain, peak=peak, shape=shape, by=by,
                         retrigger=retrigger, silence=silence, now=_at_once(changes))
    return Trajectory(script, lambda plan: _walk(plan, settings, sustained=True))


def _at_once(changes: str | Sequence[str]) -> tuple[str, ...]:
    """The parameters that take effect in mid-segment."""
    if isinstance(changes, str):
        if changes not in ("now", "next segment"):
            raise DomainError(f'changes is "next segment", "now", or a list of {", ".join(PARAMETERS)}; got {changes!r}')
        return PARAMETERS if changes == "now" else ()
    for name in changes:
        if name not in PARAMETERS:
            raise DomainError(f"changes names {name!r}; it knows {', '.join(PARAMETERS)}")
    return tuple(changes)


def _check(settings: Mapping[str, Any], name: str) -> None:
    """Refuse what is no time, and a sustain level that a straight decay would leave upwards."""
    if name in PARAMETERS:
        not_negative(settings[name], name)
    if settings["shape"] == "linear" and name in ("sustain", "peak") and settings["sustain"] > settings["peak"]:
        raise DomainError(f"sustain lies at or below the peak of {float(settings['peak']):g}, "
                          f"not at {float(settings['sustain']):g}")


def _settings(**given: Any) -> dict[str, Any]:
    from reference.rationals import RationalContext

    exact = RationalContext()
    words = ("shape", "by", "retrigger", "now")
    found = {name: value if name in words else exact.number(value) for name, value in given.items()}
    if found["retrigger"] not in RETRIGGERS:
        raise DomainError(f"retrigger is one of {', '.join(RETRIGGERS)}")
    if found["shape"] not in ("linear", "exponential") or found["by"] not in ("60 dB", "time constant"):
        raise DomainError('shape is "linear" or "exponential"; by is "60 dB" or "time constant"')
    above_zero(found["peak"], "peak")
    not_negative(found["silence"], "silence")
    for name in PARAMETERS:
        _check(found, name)
    return found
