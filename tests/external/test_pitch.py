"""Pitch references against published figures; each source stands beside its numbers.

Figures printed with few digits must be the rounding (or the truncation, where said) of the enclosure; one
that follows from a formula given by its source is marked "formula" and carries more digits.
"""

from __future__ import annotations

from collections.abc import Callable
from decimal import ROUND_DOWN, ROUND_HALF_UP, Decimal, localcontext
from fractions import Fraction
from typing import Any

import pytest

from reference import DomainError, enclose, note_name, pitch

ADC_12BIT = {"low_code": 0, "low_volts": 0, "high_code": 4096, "high_volts": 5}


def ends(function: Callable[..., Any], *inputs: str | int | Fraction, **constants: object) -> tuple[Any, Any]:
    """400-bit enclosure at exact inputs."""
    found = enclose(function, [Fraction(value) for value in inputs], constants, bits=400)
    return found.low, found.high


def printed(value: Fraction, like: str, rounding: str = ROUND_HALF_UP) -> str:
    """value with as many decimals as `like` has."""
    with localcontext() as ctx:
        ctx.prec = 150
        exact = Decimal(value.numerator) / Decimal(value.denominator)
        return str(exact.quantize(Decimal(like), rounding=rounding))


def assert_prints(figure: str, found: tuple[Any, Any], rounding: str = ROUND_HALF_UP) -> None:
    """Both ends of the enclosure print as the figure."""
    assert (figure, figure) == tuple(printed(end, figure, rounding) for end in found)


# CRC Handbook of Chemistry and Physics, section 14-22, "Musical scales", table 1: equal temperament, Hz.
HANDBOOK = {
    12: "16.352", 13: "17.324", 14: "18.354", 15: "19.445", 16: "20.602", 17: "21.827",
    36: "65.406", 37: "69.296", 38: "73.416", 39: "77.782", 40: "82.407", 41: "87.307",
    60: "261.63", 61: "277.18", 62: "293.66", 63: "311.13", 64: "329.63", 65: "349.23",
    84: "1046.50", 85: "1108.73", 86: "1174.66", 87: "1244.51", 88: "1318.51", 89: "1396.91",
}


@pytest.mark.parametrize(("note", "hz"), HANDBOOK.items())
def test_notes_agree_with_the_handbook(note: int, hz: str) -> None:
    assert_prints(hz, ends(pitch.hz_from_note, note))
    assert_prints(hz, ends(pitch.hz_from_volts, Fraction(note - 69, 12), zero_volt_hz=440))


# OEIS A329207 (J. Song, 2019): decimal expansion of the frequency of C4, 440 * 2**(-9/12) Hz.
C4_HZ = "261.62556530059863467784999352330470136445386034203983086418048943828266700992177517157189579"


def test_middle_c_agrees_with_the_oeis_to_all_digits() -> None:
    assert_prints(C4_HZ, ends(pitch.hz_from_note, 60), ROUND_DOWN)
    assert_prints(C4_HZ, ends(pitch.hz_from_volts, "-3/4", zero_volt_hz=440), ROUND_DOWN)
    assert_prints(C4_HZ, ends(pitch.hz_from_volts, 0, zero_volt_hz="440 * 2**(-9/12)"), ROUND_DOWN)


# The same entry, examples: C4 to G#4, ten decimals, cut off (not rounded) as printed there.
OCTAVE = [
    "261.6255653005", "277.1826309768", "293.6647679174", "311.1269837220", "329.6275569128",
    "349.2282314330", "369.9944227116", "391.9954359817", "415.3046975799",
]


def test_equal_tempered_octave_agrees_with_the_oeis() -> None:
    for note, hz in enumerate(OCTAVE, 60):
        assert_prints(hz, ends(pitch.hz_from_note, note), ROUND_DOWN)


# MIDI Manufacturers Association, MIDI Tuning (updated specification), frequency data format: three bytes,
# semitone and 14 bits of 100 cents. Rows whose printed value is a known misprint are left out; the MIDI
# Association's forum ("MTS frequency data: examples in spec. are they correct?") lists them.
TUNING_WORDS = {
    (0x00, 0x00, 0x00): "8.1758",
    (0x01, 0x00, 0x00): "8.6620",
    (0x0C, 0x00, 0x00): "16.3516",
    (0x3C, 0x00, 0x00): "261.6256",
    (0x44, 0x7F, 0x7F): "439.9984",
    (0x45, 0x00, 0x00): "440.0000",
    (0x45, 0x00, 0x01): "440.0016",
}


@pytest.mark.parametrize(("word", "hz"), TUNING_WORDS.items())
def test_notes_agree_with_midi_tuning_words(word: tuple[int, int, int], hz: str) -> None:
    note = word[0] + Fraction(128 * word[1] + word[2], 2**14)

    assert_prints(hz, ends(pitch.hz_from_note, note))
    assert_prints(hz, ends(pitch.hz_from_volts_and_cents, 0, 100 * (note - 69), zero_volt_hz=440))


def test_step_of_a_midi_tuning_word() -> None:
    # The same page: resolution .0061 cent.
    step = ends(pitch.cents_between, 440 * Fraction(2), 440)

    assert_prints("0.0061", (step[0] / 12 / 2**14, step[1] / 12 / 2**14))


# MIDI key numbers, formula 440 * 2**((n - 69)/12) of the same specification.
KEYS = {
    0: "8.1757989156437073337", 21: "27.5", 60: "261.62556530059863468", 69: "440",
    72: "523.25113060119726936", 108: "4186.0090448095781548", 127: "12543.853951415977411",
}


def test_key_numbers_both_ways() -> None:
    for note, hz in KEYS.items():
        assert_prints(hz, ends(pitch.hz_from_note, note))
        low, high = ends(pitch.note_from_hz, hz)

        assert abs(low - note) < Fraction(1, 10**17) and abs(high - note) < Fraction(1, 10**17)


# A. J. Ellis, J. Soc. Arts, 1885, pages 485-527: 1200 cents to the octave (formula).
RATIOS = {
    "3/2": "701.95500086538741774",
    "5/4": "386.31371386483481744",
    "81/80": "21.506289596714853534",
    "531441/524288": "23.460010384649012934",  # twelve fifths less seven octaves
}


def test_cents_of_just_intervals() -> None:
    for ratio, cents in RATIOS.items():
        assert_prints(cents, ends(pitch.cents_between, ratio, 1))
        low, high = ends(pitch.ratio_from_cents, cents)

        assert abs(low / Fraction(ratio) - 1) < Fraction(1, 10**18)
        assert abs(high / Fraction(ratio) - 1) < Fraction(1, 10**18)
    assert_prints("1.000577789506554859296793", ends(pitch.ratio_from_cents, 1))
    assert_prints("1.059463094359295264561825", ends(pitch.ratio_from_semitones, 1))


def test_legal_tolerance_on_a4_is_about_two_cents() -> None:
    # Italian law of 3 May 1989 n. 170, article 3: 440 Hz within 0.5 Hz; 1.966 to 1.968 cents by formula.
    assert_prints("1.966", ends(pitch.cents_between, "440.5", 440))
    assert_prints("-1.968", ends(pitch.cents_between, "439.5", 440))


def test_detune_of_web_audio() -> None:
    # W3C Web Audio API, OscillatorNode: frequency * 2**(detune/1200); nominal range about +-153600 cents,
    # which is 1200 log2 of the largest binary32 number.
    largest = Fraction(2**128 - 2**104)

    assert_prints("153599.99989681040641", ends(pitch.cents_between, largest, 1))
    assert (880, 880) == ends(pitch.hz_from_volts_and_cents, 0, 1200, zero_volt_hz=440)
    low, high = ends(pitch.hz_from_volts_and_cents, 0, 50, zero_volt_hz=440)
    assert low**24 < 440**24 * 2 < high**24


def test_absolute_cents_of_soundfont_and_what_their_rounded_zero_costs() -> None:
    # SoundFont specification 2.04, section 8.1, freqModLFO: 0 is 8.176 Hz, 10 mHz is -11610 (whole cents).
    assert_prints("-11610", ends(pitch.cents_between, "0.01", "8.176"))

    # By formula: 8.176 is 0.0425793 cents above key 0, so 6900 absolute cents are not 440 Hz ...
    key_0 = enclose(pitch.hz_from_note, [Fraction(0)], {}, bits=300)
    low = enclose(pitch.cents_between, [Fraction("8.176"), key_0.low], {}, bits=300).high
    high = enclose(pitch.cents_between, [Fraction("8.176"), key_0.high], {}, bits=300).low
    assert_prints("0.0425793", (low, high))
    assert_prints("440.0108218", ends(pitch.hz_from_volts_and_cents, 0, 6900, zero_volt_hz="8.176"))
    # ... but exactly 440 Hz by the other public definition, 1200 log2(f/440) + 6900 (Audio Unit parameters).
    assert (440, 440) == ends(pitch.hz_from_note, Fraction(6900, 100))


def test_one_volt_per_octave_from_c2() -> None:
    # Formula: 0 V is key 36, and each volt 12 keys. The handbook's C2, C4 and C6 are 0, 2 and 4 V.
    volts = ["65.406391325150", "130.81278265030", "261.62556530060", "523.25113060120"]
    volts += ["1046.5022612024", "2093.0045224048"]
    for v, hz in enumerate(volts):
        assert_prints(hz, ends(pitch.hz_from_volts, v, zero_volt_hz="440 * 2**(-33/12)"))
        assert ends(pitch.hz_from_note, 36 + 12 * v) == ends(
            pitch.hz_from_volts, v, zero_volt_hz="440 * 2**(-33/12)"
        )


def test_converter_steps_in_cents() -> None:
    # Arithmetic: 5 octaves in 2**12 codes are 1.46484375 cents a code, in 2**16 codes 0.091552734375.
    for codes, cents in ((2**12, "1.46484375"), (2**16, "0.091552734375")):
        line = {"low_code": 0, "low_volts": 0, "high_code": codes, "high_volts": 5}
        volts = ends(pitch.volts_from_code, 1, **line)

        assert (Fraction(cents), Fraction(cents)) == (1200 * volts[0], 1200 * volts[1])
        assert (1, 1) == ends(pitch.code_from_volts, Fraction(5, codes), **line)
        assert (codes, codes) == ends(pitch.code_from_volts, 5, **line)


def test_increments_of_a_32bit_accumulator() -> None:
    # K. Gentile, application note AN-1396, equation 1: f = fs * word / 2**N; formula for 440 Hz and N = 32.
    assert_prints("42852281.411337868481", ends(pitch.increment_32bit_from_hz, 440, sample_rate_hz=44100))
    assert_prints("39370533.546666666667", ends(pitch.increment_32bit_from_hz, 440, sample_rate_hz=48000))
    for rate, step_hz in ((44100, "0.0000102678313851357"), (48000, "0.0000111758708953857")):
        low, high = ends(pitch.increment_32bit_from_hz, Fraction(rate, 2**32), sample_rate_hz=rate)

        assert 1 == low == high
        assert step_hz == printed(Fraction(rate, 2**32), step_hz)
    # The note's own example: 1 GHz and 48 bits resolve about 3.6 uHz.
    turns = ends(pitch.increment_from_hz, "0.0000036", sample_rate_hz=10**9)
    assert_prints("1.0", (turns[0] * 2**48, turns[1] * 2**48))


def test_pitch_output_and_input_are_inverse() -> None:
    for hz in ("32.7", "440", "1234.5"):
        low, high = ends(pitch.code_from_hz, hz, **ADC_12BIT, zero_volt_hz="32.7")
        back = [ends(pitch.hz_from_code, code, **ADC_12BIT, zero_volt_hz="32.7") for code in (low, high)]

        assert back[0][0] <= Fraction(hz) <= back[1][1]
        assert back[1][1] - back[0][0] < Fraction(1, 10**70)
    for hz in ("32.7", "440"):
        low, high = ends(pitch.volts_from_hz, hz, zero_volt_hz="32.7")
        assert ends(pitch.hz_from_volts, low, zero_volt_hz="32.7")[0] <= Fraction(hz)
        assert ends(pitch.hz_from_volts, high, zero_volt_hz="32.7")[1] >= Fraction(hz)


def test_rational_results_are_exact() -> None:
    assert (3520, 3520) == ends(pitch.hz_from_volts, 3, zero_volt_hz=440)
    assert (Fraction(55, 4), Fraction(55, 4)) == ends(pitch.hz_from_volts, -5, zero_volt_hz=440)
    assert (Fraction(77, 10), Fraction(77, 10)) == ends(pitch.hz_from_volts_linear, "0.7", hz_per_volt=11)
    assert (Fraction(1, 12), Fraction(1, 12)) == ends(pitch.increment_from_hz, 4000, sample_rate_hz=48000)
    assert (57, 57) == ends(pitch.note_from_hz, 220)


OUTSIDE: list[tuple[Any, list[int], dict[str, object]]] = [
    (pitch.hz_from_volts, [1], {"zero_volt_hz": 0}),
    (pitch.hz_from_volts, [1], {"zero_volt_hz": "2**(1/2) - 2"}),
    (pitch.hz_from_volts_linear, [1], {"hz_per_volt": -1}),
    (pitch.hz_from_note, [1], {"a4_hz": 0}),
    (pitch.note_from_hz, [0], {}),
    (pitch.volts_from_hz, [-1], {"zero_volt_hz": 440}),
    (pitch.cents_between, [440, 0], {}),
    (pitch.increment_from_hz, [440], {"sample_rate_hz": 0}),
    (pitch.volts_from_code, [1], {**ADC_12BIT, "high_code": 0}),
    (pitch.code_from_volts, [1], {**ADC_12BIT, "high_volts": "0.0"}),
    (pitch.code_from_hz, [0], {**ADC_12BIT, "zero_volt_hz": 55}),
]


@pytest.mark.parametrize(("function", "inputs", "constants"), OUTSIDE)
def test_outside_the_domain_is_an_error(
    function: Any, inputs: list[int], constants: dict[str, object]
) -> None:
    with pytest.raises(DomainError):
        enclose(function, [Fraction(value) for value in inputs], constants)


def test_enclosures_of_pitch_nest_at_two_precisions() -> None:
    for volts in ("-4.99", "0.015625", "7/3"):
        coarse, fine = (
            enclose(pitch.hz_from_volts, [Fraction(volts)], {"zero_volt_hz": "65.406"}, bits=bits)
            for bits in (60, 300)
        )

        assert coarse.low <= fine.low < fine.high <= coarse.high


# Names by scientific pitch notation; Hz from the handbook's table above.
@pytest.mark.parametrize(
    ("hz", "name"),
    [(440, "A4 +0.0"), (16.352, "C0 +0.0"), (277.18, "C#4 +0.0"), (1318.51, "E6 +0.0"), (87.307, "F2 +0.0")],
)
def test_note_names(hz: float, name: str) -> None:
    assert name == note_name(hz)


def test_note_names_say_how_far_off() -> None:
    # The two ends of the legal tolerance above.
    assert ("A4 +2.0", "A4 -2.0") == (note_name(440.5), note_name(439.5))
    for bad in (0.0, -1.0, float("nan"), float("inf")):
        with pytest.raises(DomainError):
            note_name(bad)
