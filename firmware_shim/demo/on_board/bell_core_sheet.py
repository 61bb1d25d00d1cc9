"""Harbour bell, what only the core shows: each claim also on the board's own code, in an emulator.

The harbour bell is an invented instrument; its circuit, numbers and code are made up for this demonstration.
"""

from verify import Sheet, accurate, binary32, cost_within, finite, fixed_output, integers

bell = Sheet(
    sources=["bell_core.c"],
    flags="-std=gnu11 -O2",
    core="cortex-m4f",
    clock_hz=168_000_000,
    sample_rate_hz=48_000,
    title="harbour bell, the core",
)


def wind(ctx, reading):
    return reading * ctx.number("1.5")



def loudness(ctx, speed):
    return ctx.number("0.5") + ctx.number("0.125") * speed * (1 + ctx.number("0.0625") * speed)


bell.function(
    "bell_wind_mean_q16",
    inputs=[integers("reading", 0, 4095, "code")],
    output=fixed_output("", fraction_bits=16),
    reference=wind,
    claims=[accurate(absolute=0.00002, because="one step of the wind's own grid")],
)

bell.function(
    "bell_swing_left",
    inputs=[binary32("lean", 0, 0.7, "")],
    output="",
    claims=[finite(because="a swing that is no number stops the bell")],
)

bell.function(
    "bell_loudness",
    inputs=[binary32("speed", 0, 8, "")],
    output="V",
    reference=loudness,
    claims=[
        accurate(absolute=0.000001, because="far below what is heard"),
        cost_within(instructions=40, because="eight strikes may fall into one sample"),
    ],
)
