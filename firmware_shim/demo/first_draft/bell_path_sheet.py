"""Harbour bell, the way of a pitch: from the converter's code to what is heard, with its error budget.

The harbour bell is an invented instrument: a weather-driven bell voice for a garden sculpture. Its
circuit, numbers and code are made up for this demonstration.
"""

from reference import oscillators_in_time, pitch
from verify import (
    Sheet,
    accurate,
    binary32,
    calibrates,
    codes,
    converter,
    event,
    integers,
    rising,
    signal,
    stays_within,
)

bell = Sheet(
    sources=["bell_path.c"],
    flags="-std=c11 -O2 -Werror=double-promotion -mcpu=cortex-m4 -mthumb -mfloat-abi=hard -mfpu=fpv4-sp-d16",
    sample_rate_hz=48_000,
    title="harbour bell, the way of a pitch, first draft",
    note="An invented instrument; its circuit, numbers and code are made up for this demonstration.",
)


bell.function(
    "bell_input_volts",
    inputs=[codes("code", bits=14)],
    output="V",
    reference=pitch.volts_from_code,
    constants={"low_code": 0, "low_volts": "-0.05", "high_code": 16384, "high_volts": "5.05"},
    claims=[accurate(volts=2e-6, because="a hundredth of a converter step"), rising(because="no step back")],
)

# Each unit learns its own scale, at 1 V and at 4 V.
bell.function(
    "bell_calibrated_volts",
    local="bell_calibration_t cal",
    call="bell_calibrate(&cal, low, high); result = bell_calibrated_volts(&cal, code)",
    inputs=[integers("low", 3200, 3550, "code"), integers("high", 12700, 13350, "code"), codes("code", bits=14)],
    output="V",
    claims=[
        calibrates(
            readings={"low": 1, "high": 4},
            code="code",
            converter=converter(low_code=0, low_volts=-0.05, high_code=16384, high_volts=5.05, offset_codes=80,
                                gain_percent=1, nonlinearity_codes=2, noise_codes=0.5),
            volts=(0.1, 4.9),
            cents=3.5,
            because="a chord of several bells; two and a half codes are 0.9 cents, and the ends lie beyond the readings",
        ),
    ],
)

bell.function(
    "bell_input_hz",
    inputs=[binary32("volts", 0, 5, "V")],
    output="Hz",
    reference=pitch.hz_from_volts,
    constants={"zero_volt_hz": "440 * 2**(-33/12)"},
    claims=[accurate(cents=0.01, because="a tenth of what the whole way may be off")],
)

bell.function(
    "bell_chime_increment",
    inputs=[binary32("hz", 65, 2100, "Hz")],
    output="step/sample",
    reference=pitch.increment_32bit_from_hz,
    constants={"sample_rate_hz": 48_000},
    claims=[accurate(lsb=0.5, because="nearest is possible and costs nothing")],
)

bell.machine(
    "bell_chime",
    state="bell_chime_t",
    init="bell_chime_init(state)",
    events=[event("increment", "bell_chime_set(state, increment)", integers("increment", 0, 2**30, "step/sample"))],
    step="out = bell_chime_step(state)",
    outputs=[signal("out", "full scale")],
    reference=oscillators_in_time.from_increment,
    constants={"per_turn": 2**32, "steps_first": True},
    claims=[stays_within(-1, 1, because="the converter takes -1 to 1")],
    longest_seconds=0.1,
    scripts=40,
)

bell.path(
    "bell_pitch_path",
    stages=["bell_input_volts", "bell_input_hz", "bell_chime_increment", "bell_chime"],
    claims=[
        accurate(cents=0.1, because="a chord of several bells must not beat; the converter's own half step is 0.187 cents"),
        rising(because="a rising voltage must never lower the pitch"),
    ],
)
