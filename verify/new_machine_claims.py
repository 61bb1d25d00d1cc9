"""Which kind of machine its names speak of, and the claims that every right one of that kind keeps.

Limits are wide on purpose: a guess may miss a small fault, but must not raise an alarm on a machine that is right.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass

# Kind -> words of names that say it; the first kind that is said decides.
KINDS: dict[str, frozenset[str]] = {
    "noise": frozenset({"noise", "random", "rng", "prng", "lfsr", "dither", "seed"}),
    "lamp": frozenset({"lamp", "led"}),
    "envelope": frozenset({"envelope", "env", "eg", "adsr", "attack", "decay", "release", "sustain", "strike", "swell"}),
    "filter": frozenset({"filter", "lowpass", "highpass", "bandpass", "lpf", "hpf", "svf", "biquad", "cutoff", "resonance"}),
    "smoother": frozenset({"smooth", "smoother", "smoothing", "lag", "slew", "glide", "portamento", "target"}),
    "oscillator": frozenset({"osc", "oscillator", "lfo", "sine", "saw", "sawtooth", "triangle", "tone", "phasor"}),
    "gate": frozenset({"gate", "trigger", "trig", "clock", "divider", "debounce", "button"}),
}
TIMES = frozenset({"attack", "decay", "release", "hold", "fade"})
RESONANCE = frozenset({"q"})
NUMBER = r"[-0-9._* ]+"


@dataclass(frozen=True)
class Signal:
    """An output, or an input per sample, as the sheet says it. fraction_bits: 0 for floats and plain whole numbers."""

    name: str
    unit: str
    integer: bool
    fraction_bits: int
    text: str = ""

    @property
    def top(self) -> str:
        """The largest value up to full scale, as Python text."""
        return f"1 - 2**-{self.fraction_bits}" if self.fraction_bits else "1"


def kind_of(words: Collection[str]) -> str:
    """The kind that names speak of, "" for none."""
    return next((kind for kind, said in KINDS.items() if said & set(words)), "")


def narrowed(text: str, words: Collection[str], kind: str) -> str:
    """An argument's grid where the plain guess is no use: no attack takes 0 s, no cutoff is 0 Hz, a Q of 0 divides by it."""
    said = set(words)
    if "binary32" not in text:
        return text
    if kind in ("envelope", "lamp") and said & TIMES:
        return re.sub(rf"(binary32\(\"\w+\"), {NUMBER}, {NUMBER}, \"\w*\"", r'\1, 0.001, 10, "s"', text) if (
            '"ms"' not in text) else text.replace(", 0, ", ", 1, ", 1)
    if kind in ("filter", "oscillator") and '"Hz"' in text:
        return re.sub(rf"(binary32\(\"\w+\"), {NUMBER}, {NUMBER}", r"\1, 40, 10_000", text)
    if kind == "filter" and said & RESONANCE:
        return re.sub(rf"(binary32\(\"\w+\"), {NUMBER}, {NUMBER}", r"\1, 0.5, 10", text)
    return text


def proposed(kind: str, events: Sequence[str], inputs: Sequence[Signal], outputs: Sequence[Signal], block: bool) -> list[str]:
    """Python text of claims. events: their lines in the sheet."""
    out = outputs[0]
    claims = ['same_for_any_block_size(because="how the stream is cut must not be heard")'] if block else []
    scaled = out.unit == "full scale" and (not out.integer or out.fraction_bits > 0)
    if kind in ("envelope", "lamp") and scaled:
        claims.append(f'stays_within(0, {out.top}, because="guess: a level from 0 to full scale")')
    if kind == "envelope" and scaled:
        claims.append("no_jump(0.2, because=CLICK)")
    if kind in ("oscillator", "noise") and scaled:
        claims.append(f'stays_within(-1, {out.top}, because="guess: a signal within full scale")')
    if kind == "noise" and not inputs:
        claims.append('never_locks(because="a noise source that stands still is silent")')
    if kind == "gate" and out.integer and not out.fraction_bits:
        claims.append('stays_within(0, 1, because="guess: a gate is 0 or 1")')
    if kind == "filter" and len(inputs) == 1 and scaled:
        claims.append('stays_stable(peak=100, because="guess: 40 dB above its input a filter has run away")')
        claims.append('decays_to_zero(seconds=2, within=1e-5, because="guess: -100 dB is silence; endless tails hum")')
    if kind == "oscillator" and not inputs:
        named = [match[1] for line in events for match in re.finditer(r'binary32\("(\w+)"[^)]*"Hz"\)', line)]
        if 1 == len(named):
            claims.append(f'keeps_frequency(hz="{named[0]}", cents=1, because=JUST_NOTICEABLE)')
    if kind == "smoother" and 1 == len(inputs) and not out.integer:
        span = re.search(rf'binary32\("{inputs[0].name}", ({NUMBER}), ({NUMBER})', inputs[0].text)
        size = 1e-6 * (float(span[2]) - float(span[1])) if span else 1e-6
        claims.append(f'no_overshoot(to="{inputs[0].name}", limit={size:g}, because="guess: it comes to rest at its input")')
    return claims
