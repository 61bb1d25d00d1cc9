"""Harbour bell, pitch part: what each routine must be.

The harbour bell is an invented instrument: a weather-driven bell voice for a garden sculpture. Its
circuit, numbers and code are made up for this demonstration.
"""

from reference import pitch
from verify import (
    Sheet,
    accurate,
    binary32,
    clamps,
    codes,
    fixed,
    fixed_output,
    octave_doubles,
    rising,
    stays_within,
)

ZERO_VOLT_HZ = "440 * 2**(-33/12)"  # 0 V = C2, three octaves less three semitones below A4
CALIBRATION = {"low_code": 410, "low_volts": 0.5, "high_code": 3686, "high_volts": 4.5}
HEARD = "a tenth of 0.1 cents, the share of the whole tuning budget (1 cent) left to this stage"
NO_STEP_BACK = "a rising voltage must never lower the pitch: slow glides would stumble"
BROKEN_WIRE = "an input beyond its range (broken wire, wrong jack) must not leave the range of notes"

bell = Sheet(
    sources=["bell_pitch.c"],
    flags="-std=c11 -O2 -Werror=double-promotion -mcpu=cortex-m4 -mthumb -mfloat-abi=hard -mfpu=fpv4-sp-d16",
    sample_rate_hz=48_000,
    title="harbour bell, pitch",
    note="An invented instrument; its circuit, numbers and code are made up for this demonstration.",
)

bell.function(
    "bell_hz_from_volts",
    inputs=[binary32("volts", 0, 5, "V")],
    output="Hz",
    reference=pitch.hz_from_volts,
    constants={"zero_volt_hz": ZERO_VOLT_HZ},
    claims=[
        accurate(cents=0.01, because=HEARD),
        rising(because=NO_STEP_BACK),
        octave_doubles(cents=0.001, because="beating between octaves is heard first"),
        clamps(nan="low", because=BROKEN_WIRE),
        stays_within(65.4, 2093.1, because="C2 to C7, the bell's range"),
    ],
)

bell.function(
    "bell_hz_from_volts_table",
    inputs=[binary32("volts", 0, 5, "V")],
    output="Hz",
    reference=pitch.hz_from_volts,
    constants={"zero_volt_hz": ZERO_VOLT_HZ},
    claims=[
        accurate(cents=0.03, because="straight lines between 64 points an octave err by 0.0256 cents"),
        rising(because=NO_STEP_BACK),
        clamps(nan="low", because=BROKEN_WIRE),
    ],
)

bell.function(
    "bell_hz_from_volts_q16",
    inputs=[fixed("volts", 0, 5, "V", fraction_bits=16)],
    output=fixed_output("Hz", fraction_bits=16),
    reference=pitch.hz_from_volts,
    constants={"zero_volt_hz": ZERO_VOLT_HZ},
    claims=[
        accurate(cents=0.00035, because="half a step of 2^-16 Hz at C2 is 0.0002 cents, the polynomial's own error 0.00013"),
        rising(because=NO_STEP_BACK),
        clamps(because=BROKEN_WIRE),
    ],
)

bell.function(
    "bell_hz_tuned",
    inputs=[binary32("volts", 0, 5, "V"), binary32("cents", -100, 100, "cent")],
    output="Hz",
    reference=pitch.hz_from_volts_and_cents,
    constants={"zero_volt_hz": ZERO_VOLT_HZ},
    claims=[
        accurate(cents=0.01, because=HEARD),
        clamps("volts", nan="low", because=BROKEN_WIRE),
        clamps("cents", nan="finite", because=BROKEN_WIRE),
    ],
)

bell.function(
    "bell_hz_from_note",
    inputs=[binary32("note", 0, 127, "note")],
    output="Hz",
    reference=pitch.hz_from_note,
    constants={"a4_hz": 440},
    claims=[
        accurate(cents=0.01, because=HEARD),
        rising(because=NO_STEP_BACK),
        clamps(nan="low", because="a wrong note number must not leave the range of notes"),
    ],
)

bell.function(
    "bell_volts_from_code",
    inputs=[codes("code", bits=12)],
    output="V",
    reference=pitch.volts_from_code,
    constants=CALIBRATION,
    claims=[
        accurate(volts=1e-6, because="a thousandth of one converter step (1.22 mV)"),
        rising(strict=True, because="every step of the converter must be told apart"),
        clamps(because="bits above the converter's 12 must do no harm"),
    ],
)

bell.function(
    "bell_increment_from_hz",
    inputs=[binary32("hz", 0, 20_000, "Hz")],
    output="step/sample",
    reference=pitch.increment_32bit_from_hz,
    constants={"sample_rate_hz": 48_000},
    claims=[
        accurate(lsb=0.5, because="one phase step is 1.1e-5 Hz: nearest is possible and costs nothing"),
        rising(because=NO_STEP_BACK),
        clamps(nan="low", because="a wrong frequency must not fold back into the audible range"),
    ],
)

bell.function(
    "bell_increment_float",
    inputs=[binary32("hz", 0, 20_000, "Hz")],
    output="turn/sample",
    reference=pitch.increment_from_hz,
    constants={"sample_rate_hz": 48_000},
    claims=[
        accurate(ulp=1.5, because="one multiplication or division, rounded once or twice"),
        rising(because=NO_STEP_BACK),
        clamps(nan="low", because="a wrong frequency must not fold back into the audible range"),
    ],
)

bell.function(
    "bell_code_from_hz",
    inputs=[binary32("hz", 65.40639, 16_744.04, "Hz")],
    output="code",
    reference=pitch.code_from_hz,
    constants={"zero_volt_hz": ZERO_VOLT_HZ, "low_code": 3277, "low_volts": 0, "high_code": 62_259, "high_volts": 8},
    claims=[
        accurate(lsb=0.52, because="half a step for rounding, and float log2 near the top"),
        rising(because="a rising pitch must never lower the output voltage"),
        stays_within(3277, 62_259, because="codes beyond 0 and 8 V drive the output stage into its rails"),
        clamps(nan="low", because=BROKEN_WIRE),
    ],
)
