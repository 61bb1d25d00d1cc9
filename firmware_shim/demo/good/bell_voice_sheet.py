"""Harbour bell, the voice: oscillators, filters, knobs, mix, output.

The harbour bell is an invented instrument: a weather-driven bell voice for a garden sculpture. Its
circuit, numbers and code are made up for this demonstration.
"""

from dataclasses import replace

from reference import combinations, control, filters_in_time, oscillator, oscillator_pairs, output, random_in_time
from verify import (
    Sheet,
    accurate,
    binary32,
    codes,
    decays_to_zero,
    event,
    gain_at,
    integers,
    keeps_frequency,
    mean_within,
    never_locks,
    reaches_both_ends,
    rising,
    signal,
    stays_stable,
    stays_within,
    symmetric,
    values,
)

FULL = "the converter takes -1 to 1"
FEW = 60  # scripts per part, so that a first look takes seconds; the default is 2000

bell = Sheet(
    sources=["bell_voice.c"],
    flags="-std=c11 -O2 -Werror=double-promotion -mcpu=cortex-m4 -mthumb -mfloat-abi=hard -mfpu=fpv4-sp-d16",
    sample_rate_hz=48_000,
    title="harbour bell, the voice",
    note="An invented instrument; its circuit, numbers and code are made up for this demonstration.",
)

bell.function(
    "bell_sine",
    inputs=[integers("phase", 2**31 % 4099, 2**32 - 1, "", step=4099)],  # each with its mirror about half a turn
    output="full scale",
    reference=oscillator.sine_from_phase_32bit,
    claims=[
        accurate(absolute=0.0000003, because="a hundredth of a step of 16 bits"),
        symmetric("odd", absolute=0, about=2**31, because="an uneven wave has overtones that no sine has"),
        stays_within(-1, 1, because=FULL),
    ],
)

bell.function(
    "bell_cutoff_hz",
    inputs=[codes("code", bits=12)],
    output="Hz",
    reference=control.exponential_from_code,
    constants={"low": 80, "high": 8000, "low_code": 0, "high_code": 4095},
    claims=[
        accurate(cents=1, because="two filters must not be told apart"),
        rising(strict=True, because="each step of the knob is heard"),
        reaches_both_ends(80, 8000, within=0.01, because="a knob that ends early feels broken"),
    ],
)

bell.function(
    "bell_index",
    inputs=[codes("code", bits=12)],
    output="radian",
    reference=control.power_law_from_code,
    constants={"low": 0, "high": 6, "low_code": 0, "high_code": 4095, "power": 2},
    claims=[
        accurate(absolute=0.00001, because="far below what is heard"),
        reaches_both_ends(0, 6, because="at 0 the bell is two plain sines"),
    ],
)

bell.function(
    "bell_mix",
    inputs=[integers("first", -32768, 32767, "", step=129), integers("second", -32768, 32767, "", step=128)],
    output="",
    reference=output.saturated_sum_from_codes,
    constants={"bits": 16},
    claims=[accurate(lsb=0, because="adding loses nothing")],
)

bell.function(
    "bell_sample",
    inputs=[binary32("level", -1.5, 1.5, "full scale")],
    output="code",
    reference=output.code_from_level,
    constants={"bits": 16, "rounding": "even", "scale": "power"},
    claims=[
        accurate(lsb=0, because="rounding to nearest is exact"),
        rising(because="a louder wave is never softer"),
        reaches_both_ends(-32768, 32767, because="all of the converter"),
        symmetric("odd", lsb=1, because="one step at the ends: 32767 against -32768"),
    ],
)



def steps(ctx, hz, rate):
    """Increment of a 32-bit phase."""
    return 2**32 * hz / rate


bell.function(
    "step_of",
    inputs=[binary32("hz", 1000, 1010, "Hz"), values("rate", [48_000], "Hz")],  # other octaves divide alike
    output="",
    reference=steps,
    claims=[accurate(lsb=0.5, because="rounded to the nearest: what an increment is off by adds up for years")],
)

bell.machine(
    "bell_pair",
    state="bell_pair_t",
    init="bell_pair_init(state, sample_rate_hz)",
    events=[event("index", "bell_pair_set_index(state, index)", binary32("index", 0, 6, "radian"))],
    step="bell_pair_step(state); first = state->first; second = state->second",
    outputs=[signal("first", "full scale"), signal("second", "full scale")],
    reference=oscillator_pairs.cross_fed,
    constants={"first_hz": 220, "second_hz": 330},
    claims=[
        accurate(absolute=0.0001, because="-80 dB, where the pair can be followed; elsewhere within full scale"),
        stays_within(-1, 1, because=FULL),
    ],
    longest_seconds=0.1,
    scripts=FEW,
)

bell.machine(
    "bell_tone",
    state="bell_pair_t",
    init="bell_pair_init(state, sample_rate_hz)",
    events=[event("pitch", "bell_pair_set_pitch(state, pitch)", binary32("pitch", 30, 4000, "Hz"))],
    step="bell_pair_step(state); first = state->first",
    outputs=[signal("first", "full scale")],
    claims=[
        keeps_frequency(hz="pitch", cents=0.05, hours=1 / 20, because="a bell that hangs for years"),
        stays_within(-1, 1, because=FULL),
    ],
    longest_seconds=0.1,
    scripts=FEW,
)

bell.machine(
    "bell_filter",
    state="bell_filter_t",
    init="bell_filter_init(state, sample_rate_hz)",
    events=[
        event("cutoff_hz", "bell_filter_set_cutoff(state, cutoff_hz)", binary32("cutoff_hz", 80, 8000, "Hz")),
        event("q", "bell_filter_set_q(state, q)", binary32("q", 0.5, 1, "")),
    ],
    step="out = bell_filter_step(state, in)",
    inputs=[binary32("in", -1, 1, "full scale")],
    outputs=[signal("out", "full scale")],
    reference=filters_in_time.state_variable,
    constants={"source": "in"},
    claims=[
        accurate(absolute=0.0001, because="-80 dB of full scale"),
        gain_at(within_db=0.1, hz=[200, 8000], floor_db=-60, settle_seconds=0.03, because="a tenth of the audible step"),
        stays_stable(peak=10, because="a filter that howls"),
        decays_to_zero(seconds=0.12, because="an idle voice must be silent"),
    ],
    longest_seconds=0.05,
    scripts=FEW // 2,
)



def spray(ctx, script):
    """The published sequence from each seed on; a seed of 0, which would stay 0, is the first one."""
    seeded = replace(script, events=tuple((at, name, value or 0xACE1) for at, name, value in script.events))
    return random_in_time.shift_register(ctx, seeded, taps=0xB400, bits=16, seed=0xACE1, output="level")


bell.machine(
    "bell_spray",
    state="bell_spray_t",
    init="bell_spray_init(state)",
    events=[event("seed", "bell_spray_seed(state, (uint16_t)seed)", integers("seed", 0, 65535, ""))],
    step="spray = bell_spray_step(state)",
    outputs=[signal("spray", "full scale")],
    reference=spray,
    claims=[
        accurate(absolute=0, because="each seed has its own wind, the same one each time"),
        never_locks(longest_run=1, period=65535, because="a wind that stops is noticed"),
        mean_within(0, 0.01, samples=65535, because="a level of its own would move the filter"),
        stays_within(-1, 1, because=FULL),
    ],
    longest_seconds=0.1,
    scripts=FEW,
)

bell.machine(
    "bell_spray_from_start",
    state="bell_spray_t",
    init="bell_spray_init(state)",
    step="spray = bell_spray_step(state)",
    outputs=[signal("spray", "full scale")],
    reference=random_in_time.shift_register,
    constants={"taps": 0xB400, "bits": 16, "seed": 0xACE1, "output": "level"},
    claims=[accurate(absolute=0, because="the published sequence")],
    longest_seconds=0.05,
    scripts=FEW // 10,
)

KNOB_HZ = "80 * 100**(cutoff/4095)"


def oscillator_of_pair(ctx, script, *, output):
    """One of the pair as the voice plays it, by pitch and knob."""
    played = combinations.settings_from(script, first_hz="pitch", second_hz="3/2 * pitch", index="6 * (index/4095)**2")
    return oscillator_pairs.cross_fed(ctx, played, first_hz=220, second_hz=330, output=output)


def voice(ctx, script):
    """Half of each oscillator as it came out, through a filter of its own."""
    turned = combinations.settings_from(script, cutoff_hz=KNOB_HZ)
    filtered = [filters_in_time.state_variable(ctx, turned, source=name) for name in ("first", "second")]
    return combinations.mixed([("1/2", part) for part in filtered], low=-1, high="1 - 2**-15")


bell.machine(
    "bell_voice",
    state="bell_voice_t",
    init="bell_voice_init(state, sample_rate_hz)",
    events=[
        event("pitch", "bell_voice_set_pitch(state, pitch)", binary32("pitch", 30, 4000, "Hz")),
        event("knobs", "bell_voice_set_knobs(state, (uint16_t)cutoff, (uint16_t)index)", codes("cutoff", bits=12),
              codes("index", bits=12)),
    ],
    step="sample = bell_voice_step(state); first = state->pair.first; second = state->pair.second",
    outputs=[signal("sample", "full scale", ctype="int16_t", fraction_bits=15), signal("first", "full scale"),
             signal("second", "full scale")],
    reference={"sample": voice, "first": oscillator_of_pair, "second": oscillator_of_pair},
    constants={"first": {"output": "first"}, "second": {"output": "second"}},
    follows={"sample": ["first", "second"]},
    claims=[
        accurate(lsb=1.5, because="each half is rounded to a step, and filters down to 80 Hz add to it"),
        accurate(absolute=0.0001, of="first", because="-80 dB, where the pair can be followed"),
        accurate(absolute=0.0001, of="second", because="-80 dB, where the pair can be followed"),
        stays_within(-1, 0.99997, because="Q15 ends one step below 1"),
    ],
    longest_seconds=0.1,
    scripts=FEW,
)
