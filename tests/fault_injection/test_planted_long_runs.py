"""keeps_going: counters at their ends, sums that stand still, drift, tails: found hours after the start, by running to there.

Where a counter would need days, it is begun shortly before its end; nothing is jumped over.
"""

from __future__ import annotations

from typing import Any

import pytest

from tests.fault_injection.long_runs import SHEET, Parts, aged, c_of, envelope, shared_entries

SINE = 'reference=oscillators_in_time.from_frequency, constants={"hz": 40, "steps_first": True}'
AVERAGE = 'reference=smoothing.moving_average, constants={"target": "x", "length_samples": 8}'
LINE = "float line[8]; int at;"
EMPTY = "s->at = 0; for (int i = 0; i < 8; i++) s->line[i] = 0;"
FAULTS: dict[str, Parts] = {
    "float_count": envelope("float t, t0;", "s->t = s->t0 = 0;", "s->t0 = s->t;", "s->t - s->t0 >= 20", "s->t += 1.0f;"),
    "float_seconds": envelope("float t, t0;", "s->t = 500; s->t0 = 0;", "s->t0 = s->t;", "s->t - s->t0 >= 0.002f",
                              "s->t += 1e-4f;"),
    # Both are in an envelope when the counter comes to its end.
    "sample_count": envelope("uint32_t now, end;", "s->now = s->end = 4290000186u;", "s->end = s->now + 20;",
                             "s->now >= s->end", "s->now++;"),
    "millisecond": envelope("int32_t ms, from;", "s->ms = 2147399997; s->from = 0;", "s->from = s->ms;",
                            "s->ms > s->from + 2", "if (s->n % 10 == 0) s->ms = (int32_t)((uint32_t)s->ms + 1u);"),
    "strikes": aged("int16_t strikes;", "s->strikes = 0;", "if (++s->strikes < 0) s->on = 0;"),
    "once_more": aged("float seconds;", "s->seconds = 0;", "if (s->seconds > 1000.0f) s->on = 0;", "s->seconds += 1e-4f;"),
    "phase": ("float p;", "s->p = 0;", "",
              "s->p += 0.004f; if (s->p >= 1.0f) s->p -= 1.0f; s->level = sinf(6.2831853f * s->p);"),
    "creep": ("float sum;" + LINE, "s->sum = 0;" + EMPTY, "",
              "s->sum += x - s->line[s->at]; s->line[s->at] = x; s->at = (s->at + 1) % 8;"
              "s->sum += s->n % 4096 == 0 ? 1e-6f : 0; s->level = s->sum * 0.125f;"),
    "tail": aged("float tail;", "s->tail = 1;", "", "s->tail *= 0.99999f;"),
    "odd": aged(every="if (s->n == 7001123u) s->level = 0.0f / 0.0f;"),
    "ends": aged(every="if (s->n == 7001123u) abort();"),
    "hangs": aged(every="while (s->n == 7001123u) ;"),
    "takes": aged("void *p;", "s->p = 0;", "if (s->n > 7001123u && !s->p) s->p = malloc(16);"),
}
RIGHT: dict[str, Parts] = {
    "age": aged(),
    "wraps_well": envelope("uint32_t now, end;", "s->now = s->end = 4290000186u;", "s->end = s->now + 20;",
                           "(int32_t)(s->now - s->end) >= 0", "s->now++;"),
    "millisecond_well": envelope("uint32_t ms, from;", "s->ms = 2147399997; s->from = 0;", "s->from = s->ms;",
                                 "s->ms - s->from > 2", "if (s->n % 10 == 0) s->ms++;"),
    "strikes_well": aged("uint16_t strikes;", "s->strikes = 0;", "s->strikes++;"),
    "tail_well": aged("float tail;", "s->tail = 1;", "", "s->tail *= 0.99999f; if (s->tail < 1e-9f) s->tail = 0;"),
    "phase_well": ("uint32_t p;", "s->p = 0;", "", "s->p += 17179869u; s->p += s->n % 250 == 0 ? 46u : 0u;"
                   "s->level = sinf(6.2831853f * (float)(s->p >> 8) * 0x1p-24f);"),
    "sum_well": (LINE, EMPTY, "", "s->line[s->at] = x; s->at = (s->at + 1) % 8; float sum = 0;"
                 "for (int i = 0; i < 8; i++) sum += s->line[i]; s->level = sum * 0.125f;"),
    "settles_slowly": ("float y;", "s->y = 0;", "", "s->y += 0.0002f * (x - s->y); s->level = s->y;"),
    # The sheet's own limit, and the reference's: other bits are right as long as they stay near.
    "near": aged("float off;", "s->off = 0;", "", "s->off += 1e-12f; if (s->age == 5) s->level += s->off;"),
    "near_reference": (LINE, EMPTY, "", "s->line[s->at] = x; s->at = (s->at + 1) % 8; float sum = (float)s->n * 1e-11f;"
                       "for (int i = 0; i < 8; i++) sum += s->line[i]; s->level = sum * 0.125f;"),
}
# Nothing says what is right: a phase that comes back after hours, or never.
FREE: dict[str, Parts] = {
    "free": ("uint32_t p;", "s->p = 0;", "", "s->p += 1234567891u; s->level = (float)(s->p >> 8) * 0x1p-24f;"),
    "free_float": ("float p;", "s->p = 0;", "", "s->p += 0.0137f; if (s->p >= 1.0f) s->p -= 1.0f; s->level = s->p;"),
}
MORE = {
    "phase": f'{SINE}, claims=[accurate(absolute=0.01, because="x")]',
    "phase_well": f'{SINE}, claims=[accurate(absolute=0.0001, because="x")]',
    "creep": f'{AVERAGE}, claims=[accurate(absolute=0.0001, because="x")]',
    "sum_well": f'{AVERAGE}, claims=[accurate(absolute=0.0001, because="x")]',
    "near": "within=0.001",
    "near_reference": f'{AVERAGE}, claims=[accurate(absolute=0.0001, because="x")]',
}


@pytest.fixture(scope="module")
def entries(private_cache: object, gcc: str) -> dict[str, dict[str, Any]]:
    """The keeps_going entry of every machine, after half an hour of the instrument's time."""
    cases = FAULTS | RIGHT | FREE
    return shared_entries(c_of(cases), SHEET + "".join(f'm("{name}", {MORE.get(name, "")})\n' for name in cases))


@pytest.mark.parametrize(("name", "error", "place"), [
    ("float_count", "near 2^24 samples (whole numbers in float)",
     "t (float): 16777000 before this period, 16777216 after it"),
    ("float_seconds", "differs in period", "t (float): 511.99"),
    ("sample_count", "differs in period 4 968", "now (uint32_t): 4294967186 before this period, 890 after it"),
    ("millisecond", "differs in period 837", "ms (int32_t): 2147483597 before this period, -2147483599 after it"),
    ("strikes", "near 2^15 events (int16)", "strikes (int16_t): 32766 before this period, -32768 after it"),
    ("once_more", "differs in period", "seconds (float): 999.9"),
    ("phase", "differs in period", "p (float)"),
    ("creep", "differs in period", "sum (float)"),
    ("tail", "subnormal operand in period 8 7", ""),
    ("odd", "differs in period 7 002", ""),
    ("ends", "crash in period 7 002", ""),
    ("hangs", "hang in period 7 002", ""),
    ("takes", "allocation in period 7 002", ""),
])  # fmt: skip
def test_a_fault_hours_away_is_found(entries: dict[str, dict[str, Any]], name: str, error: str, place: str) -> None:
    claim = entries[name]
    witness = claim["witness"]

    assert "fails" == claim["verdict"]
    assert error in witness["error"]
    assert place in " | ".join(claim["facts"])
    assert "times one after the other" in witness["table"][0]
    assert witness["replay"].startswith(f'preflash replay plant_sheet.py {name} "10000/1000x')


def test_every_planted_fault_is_asked_for() -> None:
    (mark,) = (m for m in test_a_fault_hours_away_is_found.pytestmark if m.name == "parametrize")  # type: ignore[attr-defined]

    assert set(FAULTS) == {name for name, *_ in mark.args[1]}


@pytest.mark.parametrize("name", RIGHT)
def test_a_right_machine_goes_on(entries: dict[str, dict[str, Any]], name: str) -> None:
    claim = entries[name]

    assert "holds (30 min of 24 h at 10 kHz run, 18 000 000 samples)" == claim["verdict_text"]
    assert any(fact.startswith("18 000 periods, 18 000 000 samples at 10 kHz, each computed") for fact in claim["facts"])
    assert "the budget of instrument time; --thorough runs it to its end" in claim["facts"]


@pytest.mark.parametrize("name", FREE)
def test_what_does_not_repeat_is_not_called_wrong(entries: dict[str, dict[str, Any]], name: str) -> None:
    claim = entries[name]

    assert "undecided" == claim["verdict"]
    assert any("no two periods alike among the first 257" in fact for fact in claim["facts"])
    assert "within=" in claim["todo"]


def test_bits_may_change_where_a_limit_or_the_reference_lets_them(entries: dict[str, dict[str, Any]]) -> None:
    assert 0 < entries["near"]["worst"]["value"] < 0.001
    assert "other bits, within the limit" in " | ".join(entries["near"]["facts"])
    assert "other bits, as right by the reference" in " | ".join(entries["near_reference"]["facts"])
