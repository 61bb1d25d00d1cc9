"""Harbour bell, parts that live in time: what each must do, sample by sample.

The harbour bell is an invented instrument: a weather-driven bell voice for a garden sculpture. Its
circuit, numbers and code are made up for this demonstration.
"""

from dataclasses import replace
from fractions import Fraction

from reference import envelope, gate, pitch_memory, smoothing
from verify import (
    Sheet,
    accurate,
    binary32,
    ends_at_zero,
    event,
    fixed,
    minimum_pulse,
    no_jump,
    no_overshoot,
    no_subnormals,
    same_for_any_block_size,
    settles,
    signal,
    stays_within,
    time_to,
)

FULL = "the driver takes 0 to 1"
CLICK = "a larger step than the attack's own is heard as a click"
FEW = 500  # scripts per part, so that a first look takes seconds; the default is 2000
STRIKE = {"attack": "2/1000", "decay": "1/2", "silence": "1/100000"}

bell = Sheet(
    sources=["bell_time.c"],
    flags="-std=c11 -O2 -Werror=double-promotion -mcpu=cortex-m4 -mthumb -mfloat-abi=hard -mfpu=fpv4-sp-d16",
    sample_rate_hz=48_000,
    title="harbour bell, in time, first draft",
    note="An invented instrument; its circuit, numbers and code are made up for this demonstration.",
)

bell.machine(
    "bell_strike",
    state="bell_strike_t",
    init="bell_strike_init(state, sample_rate_hz)",
    events=[
        event("strike", "bell_strike_hit(state)"),
        event("attack", "bell_strike_set_attack(state, attack)", binary32("attack", 0.0005, 0.05, "s")),
        event("decay", "bell_strike_set_decay(state, decay)", binary32("decay", 0.01, 1, "s")),
    ],
    step="level = bell_strike_step(state)",
    outputs=[signal("level", "full scale")],
    sample_rates_hz=[48_000, 96_000],
    reference=envelope.attack_decay,
    constants=STRIKE,
    claims=[
        accurate(absolute=0.0003, because="-70 dB of full scale"),
        stays_within(0, 1, because=FULL),
        no_jump(0.0417, because=CLICK),
        time_to(1, after="strike", seconds="attack", within_samples=2, because="the attack as set"),
        ends_at_zero(after="strike", seconds=1.72, because="a bell that never ends costs power"),
        no_subnormals(because="the lamp driver scales the level by 2^24"),
    ],
    longest_seconds=1,
    scripts=FEW,
)

bell.machine(
    "bell_strike_q15",
    state="bell_strike_q15_t",
    init="bell_strike_q15_init(state, sample_rate_hz)",
    events=[event("strike", "bell_strike_q15_hit(state)")],
    step="level = bell_strike_q15_step(state)",
    outputs=[signal("level", "full scale", ctype="int16_t", fraction_bits=15)],
    reference=envelope.attack_decay,
    constants={"attack": "2/1000", "decay": "1/2", "peak": "32767/32768", "shape": "linear"},
    claims=[
        accurate(lsb=1.25, because="a step and a quarter of 32768"),
        stays_within(0, 0.99997, because="Q15 ends one step below 1"),
        ends_at_zero(after="strike", seconds=0.51, because="the lamp must go dark"),
    ],
    longest_seconds=1,
    scripts=FEW,
)

bell.machine(
    "bell_wind",
    state="bell_wind_t",
    init="bell_wind_init(state, sample_rate_hz)",
    block="bell_wind_block(state, wind, smooth, n)",
    inputs=[binary32("wind", 0, 1, "full scale")],
    outputs=[signal("smooth", "full scale")],
    sample_rates_hz=[48_000, 44_100],
    reference=smoothing.one_pole,
    constants={"target": "wind", "seconds": "50/1000"},
    claims=[
        accurate(absolute=0.00001, because="a hundredth of the sensor's own step"),
        same_for_any_block_size(because="the audio interrupt asks for 16 to 64 samples"),
        no_overshoot(to="wind", limit=1e-6, because="the shutter must not swing"),
        stays_within(0, 1, because=FULL),
    ],
    longest_seconds=1,
    scripts=FEW,
)

bell.machine(
    "bell_wind_q31",
    state="bell_wind_q31_t",
    init="bell_wind_q31_init(state, sample_rate_hz)",
    step="smooth = bell_wind_q31_step(state, wind)",
    inputs=[fixed("wind", 0, 0.9999, "full scale", fraction_bits=31)],
    outputs=[signal("smooth", "full scale", ctype="int32_t", fraction_bits=31)],
    reference=smoothing.one_pole,
    constants={"target": "wind", "seconds": "50/1000"},
    claims=[
        accurate(absolute=0.00001, because="a hundredth of the sensor's own step"),
        settles(to="wind", seconds=1.2, because="a calm must read as calm"),
    ],
    longest_seconds=2,
    scripts=FEW,
)

bell.machine(
    "bell_shutter",
    state="bell_shutter_t",
    init="bell_shutter_init(state, sample_rate_hz)",
    step="position = bell_shutter_step(state, target)",
    inputs=[binary32("target", 0, 1, "full scale")],
    outputs=[signal("position", "full scale")],
    reference=smoothing.slew,
    constants={"per_second": 4},
    claims=[
        accurate(absolute=0.0001, because="a tenth of a step of the shutter's motor"),
        no_jump(8.34e-5, because="the motor loses steps beyond 4 per second"),
        no_overshoot(to="target", because="the shutter has end stops"),
        settles(to="target", seconds=0.26, because="it must arrive"),
    ],
    longest_seconds=1,
    scripts=FEW,
)


def valve(ctx, script, *, on, off):
    """On from one voltage, off from another, each as its float holds it; each pulse at least 2 ms."""
    open_now = gate.hysteresis(script.streams["volts"], off, on)
    return gate.minimum_pulse(ctx, replace(script, streams={"gate": open_now}), seconds="2/1000")


bell.machine(
    "bell_gate",
    state="bell_gate_t",
    init="bell_gate_init(state, sample_rate_hz)",
    step="on = bell_gate_step(state, volts)",
    inputs=[binary32("volts", 0, 5, "V")],
    outputs=[signal("on", "", ctype="int32_t")],
    reference=valve,
    constants={"on": Fraction(float.fromhex("0x1.99999ap+0")), "off": Fraction(float.fromhex("0x1.333334p+0"))},  # 1.6f, 1.2f
    hostile=True,
    claims=[
        accurate(absolute=0, because="a missed strike is heard at once"),
        minimum_pulse(seconds=0.00199, because="the valve needs 2 ms to open, less one sample"),
        stays_within(0, 1, because="a gate is 0 or 1"),
    ],
    longest_seconds=1,
    scripts=FEW,
)

bell.machine(
    "bell_lamp",
    state="bell_lamp_t",
    init="bell_lamp_init(state, sample_rate_hz)",
    events=[event("strike", "bell_lamp_hit(state)")],
    step="level = bell_lamp_step(state)",
    outputs=[signal("level", "full scale")],
    reference=gate.lamp,
    constants={"hold": "1/10", "decay": 1},
    claims=[
        accurate(absolute=0.0001, because="a hundredth of the lamp's own step of 7 bits"),
        stays_within(0, 1, because=FULL),
        no_subnormals(because="the lamp driver scales the level by 2^24"),
    ],
    scripts=FEW,
)

bell.machine(
    "bell_notes",
    state="bell_notes_t",
    init="bell_notes_init(state)",
    step="semitone = bell_notes_step(state, volts)",
    inputs=[binary32("volts", 0, 5, "V")],
    outputs=[signal("semitone", "semitone", ctype="int32_t")],
    reference=pitch_memory.quantiser,
    constants={"hysteresis_volts": "5/1000", "band_volts": "1/100000"},
    claims=[
        accurate(absolute=0, because="a wrong note is heard at once"),
        stays_within(0, 60, because="five octaves"),
    ],
    longest_seconds=1,
    scripts=FEW,
)

bell.machine(
    "bell_glide",
    state="bell_glide_t",
    init="bell_glide_init(state, sample_rate_hz)",
    step="pitch = bell_glide_step(state, volts)",
    inputs=[binary32("volts", 0, 5, "V")],
    outputs=[signal("pitch", "V")],
    reference=pitch_memory.glide,
    constants={"seconds": "30/1000"},
    claims=[
        accurate(absolute=0.00005, because="a sixteenth of a cent"),
        settles(to="volts", seconds=1, because="the note must be reached"),
        no_overshoot(to="volts", limit=1e-6, because="a glide that overshoots is out of tune"),
    ],
    longest_seconds=1,
    scripts=FEW,
)
