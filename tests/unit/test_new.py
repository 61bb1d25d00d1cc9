"""What preflash new guesses from names, types and the author's own numbers."""

from __future__ import annotations

from pathlib import Path

import pytest

from firmware_shim.debug_info import CType, Function, Parameter
from verify.new_entries import function_entry
from verify.new_machine_claims import kind_of, narrowed
from verify.new_machines import Cluster, _events
from verify.new_macros import first_values, numbers_in, values_by_member
from verify.new_quantities import guess_input, number, quantity, result_first, words_of
from verify.new_references import all_references, exact_note, machine_references, propose

pytestmark = pytest.mark.quick

FLOAT = CType("float", "float", 4)
U16, S16 = CType("uint16_t", "uint", 2), CType("int16_t", "int", 2, True)
U32, S32 = CType("uint32_t", "uint", 4), CType("int32_t", "int", 4, True)


def function(name: str, result: CType, *parameters: tuple[str, CType]) -> Function:
    return Function(name, result, tuple(Parameter(n, t) for n, t in parameters), "voice.c", 7, False, False)


def text(name: str, result: CType, *parameters: tuple[str, CType], macros: dict[str, str] | None = None) -> str:
    return "\n".join(function_entry(function(name, result, *parameters), macros or {}).lines())


@pytest.mark.parametrize(
    ("name", "words"), [("bell_hzFromVolts", ["bell", "hz", "from", "volts"]), ("volts_q16", ["volts", "q16"])]
)
def test_words_of_a_name(name: str, words: list[str]) -> None:
    assert words == words_of(name)


@pytest.mark.parametrize(("name", "words"), [
    ("bell_volts_to_hz", "bell hz from volts"), ("reed::dbToGain", "reed gain from db"), ("db2gain", "gain from db"),
    ("code_to_volts_clamped", "volts from code clamped"), ("hz_from_volts", "hz from volts"), ("turn_to", "turn to"),
    ("to_hz", "to hz"), ("map_2x2", "map 2x2"), ("hz_from_note_to_come", "hz from note to come"),
])
def test_what_is_made_of_something_comes_first(name: str, words: str) -> None:
    assert words.split() == result_first(name)


@pytest.mark.parametrize(
    ("name", "wanted"),
    [("pitch_volts", "volts"), ("freq", "hz"), ("fineCents", "cents"), ("attack_seconds", "seconds"), ("thing", ""),
     ("adc_raw", "code"), ("level", "ratio"), ("sampleRateHz", "hz")],
)
def test_the_quantity_of_a_name(name: str, wanted: str) -> None:
    assert wanted == quantity(name)


@pytest.mark.parametrize(
    ("name", "ctype", "wanted"),
    [
        ("volts", FLOAT, 'binary32("volts", 0, 5, "V")'),
        ("code", U16, 'codes("code", bits=12)'),
        ("code16", U16, 'codes("code16", bits=16)'),
        ("x_q15", S16, 'fixed("x_q15", -1, 1 - 2**-15, "full scale", fraction_bits=15)'),
        ("volts_q16", S32, 'fixed("volts_q16", 0, 5, "V", fraction_bits=16)'),
        ("left", S16, 'fixed("left", -1, 1 - 2**-15, "full scale", fraction_bits=15)'),
        ("phase", U32, 'codes("phase", bits=32, unit="")'),
        ("gate", CType("bool", "bool", 1), 'integers("gate", 0, 1, "")'),
        ("thing", CType("uint8_t", "uint", 1), 'integers("thing", 0, 255, "")'),
        ("shift", S32, 'integers("shift", 0, 31, "")'),
    ],
)
def test_the_input_of_a_parameter(name: str, ctype: CType, wanted: str) -> None:
    assert wanted == guess_input(name, ctype, {}).text


def test_the_authors_numbers_name_the_ends() -> None:
    macros = {"V_TOP_VOLTS": "8.0f", "V_INPUT_LAST_CODE": "16383"}

    assert 'binary32("volts", 0, 8, "V")' == guess_input("volts", FLOAT, macros).text
    assert 'codes("code", bits=14)' == guess_input("code", U16, macros).text


@pytest.mark.parametrize(
    ("c", "python"),
    [("0x1p+6f", "64"), ("20000.0f", "20_000"), ("1e-3", "0.001"), ("0xFFFu", "4095"), ("010", "8"), ("4.5F", "4.5"),
     ("48000UL", "48_000"), ("-3", "-3")],
)
def test_numbers_of_c_in_python(c: str, python: str) -> None:
    assert python == number(c)


def test_macros_constants_and_first_values(tmp_path: Path) -> None:
    (tmp_path / "a.h").write_text(
        "#define TOP_VOLTS 5.0f /* of the jack */\n#define SHIFT (1 << 3)\n  # define RATE_HZ (48000)\n"
        "// #define GONE 3\nstatic const float zero_volt_hz = 65.4f;\nconstexpr int kLast{4095};\n"
        "static calibration_t here = {410, .5f, /* high */ 3686, 4.5f};\nstruct other o = { .b = 2, .a = 1 };\n"
    )
    files = [tmp_path / "a.h"]

    assert {"TOP_VOLTS": "5.0f", "RATE_HZ": "48000", "ZERO_VOLT_HZ": "65.4f", "kLast": "4095"} == numbers_in(files)
    braces = first_values(files, "calibration_t")
    assert {"a": "410", "b": ".5f", "c": "3686", "d": "4.5f"} == values_by_member(braces, "abcd")
    assert {"b": "2", "a": "1"} == values_by_member(first_values(files, "struct other"), "ab")
    assert "" == first_values(files, "nothing_t")


def test_a_frequency_that_is_a_note_becomes_exact_and_any_other_stays() -> None:
    assert '"440 * 2**(-33/12)"' == exact_note("65.4063950", "M")[0]
    assert '"65.5"' == exact_note("65.5", "M")[0]


def test_every_reference_that_maps_numbers_is_found() -> None:
    names = {r.sheet_name for r in all_references()}

    assert {"pitch.hz_from_volts", "pitch.code_from_hz", "pitch.increment_32bit_from_hz"} <= names


@pytest.mark.parametrize(
    ("name", "inputs", "integer", "wanted"),
    [
        ("bell_hz_from_volts_table", [("v", "volts")], False, "pitch.hz_from_volts"),
        ("voltsToHz", [("volts", "volts")], False, "pitch.hz_from_volts"),
        ("hz_tuned", [("volts", "volts"), ("cents", "cents")], False, "pitch.hz_from_volts_and_cents"),
        ("increment_from_hz", [("hz", "hz")], True, "pitch.increment_32bit_from_hz"),
        ("increment_from_hz", [("hz", "hz")], False, "pitch.increment_from_hz"),
        ("hz_from_volts", [("volts", "volts"), ("knob", "ratio")], False, None),
        ("mystery", [("x", "audio")], False, None),
    ],
)
def test_the_reference_of_a_name(name: str, inputs: list[tuple[str, str]], integer: bool, wanted: str | None) -> None:
    found = propose(name, inputs, integer, {})

    assert wanted == (found.reference.sheet_name if found else None)


@pytest.mark.parametrize(
    ("words", "wanted"),
    [({"one", "pole", "process"}, "smoothing.one_pole"), ({"adsr", "gate"}, "envelope.attack_decay_sustain_release"),
     ({"strike", "attack", "decay", "step"}, "envelope.attack_decay"), ({"mystery"}, None)],
)
def test_the_reference_of_a_machine_by_its_words(words: set[str], wanted: str | None) -> None:
    assert wanted == next((r.sheet_name for r in machine_references(words)), None)


def test_constants_that_nothing_names_leave_the_reference_as_a_comment() -> None:
    lines = text("volts_from_code", FLOAT, ("code", U16))

    assert "# reference=pitch.volts_from_code" in lines
    assert "needs constants={'low_code': ..." in lines
    assert "claims=[]," in lines


def test_output_and_input_calibration_are_kept_apart() -> None:
    macros = {f"{way}_{end}_{what}": value for way, values in (("INPUT", "1234"), ("OUTPUT", "5678"))
              for (end, what), value in zip([("LOW", "CODE"), ("LOW", "VOLTS"), ("HIGH", "CODE"), ("HIGH", "VOLTS")], values,
                                            strict=True)}
    lines = text("code_from_volts", U16, ("volts", FLOAT), macros=macros)

    assert '"low_code": 5,  # guess: OUTPUT_LOW_CODE' in lines
    assert '"high_volts": 8,' in lines
    assert '"low_code": 1,' in text("volts_from_code", FLOAT, ("code", U16), macros=macros)


@pytest.mark.parametrize(
    ("made", "reason"),
    [
        (function("f", FLOAT, ("p", CType("thing_t *", "pointer", 8))), "p is a pointer"),
        (function("f", CType("void", "void", 0)), "no inputs and no result"),
        (function("f", CType("void", "void", 0), ("volts", FLOAT)), "it returns nothing"),
        (function("f", FLOAT, *((f"x{i}", FLOAT) for i in range(9))), "9 inputs"),
    ],
)
def test_what_cannot_be_driven_is_a_comment_with_the_reason(made: Function, reason: str) -> None:
    lines = function_entry(made, {}).lines()

    assert all(line.startswith("#") for line in lines)
    assert any(reason in line for line in lines)


def test_the_format_that_a_name_says_once_is_that_of_the_input_too() -> None:
    assert 'fixed("v", 0, 5, "V", fraction_bits=16)' in text("hz_from_volts_q16", S32, ("v", S32))
    assert 'integers("count", ' in text("level_q15", S16, ("count", S32))
    assert 'integers("note", 0, 127, "note")' in text("hz_from_note_q16", S32, ("note", S32))


@pytest.mark.parametrize(
    ("words", "kind"),
    [({"strike", "hit", "step"}, "envelope"), ({"svf", "q"}, "filter"), ({"osc", "hz"}, "oscillator"), ({"thing"}, ""),
     ({"glide", "volts"}, "smoother"), ({"noise", "filter"}, "noise")],
)
def test_the_kind_of_a_machine_by_its_words(words: set[str], kind: str) -> None:
    assert kind == kind_of(words)


def test_a_guessed_range_leaves_out_what_no_machine_of_its_kind_takes() -> None:
    assert 'binary32("seconds", 0.001, 10, "s")' == narrowed('binary32("seconds", 0, 10, "s")', {"attack"}, "envelope")
    assert 'binary32("ms", 1, 10_000, "ms")' == narrowed('binary32("ms", 0, 10_000, "ms")', {"decay"}, "envelope")
    assert 'binary32("hz", 40, 10_000, "Hz")' == narrowed('binary32("hz", 0, 20_000, "Hz")', {"cutoff"}, "filter")
    assert 'binary32("q", 0.5, 10, "")' == narrowed('binary32("q", 0, 1, "")', {"q"}, "filter")
    assert 'binary32("gain", 0, 1, "ratio")' == narrowed('binary32("gain", 0, 1, "ratio")', {"gain"}, "filter")


def test_a_name_alone_promises_an_order_or_a_range() -> None:
    assert "rising(" in text("cutoff_hz", FLOAT, ("volts", FLOAT))
    assert "rising(" not in text("cutoff_hz", FLOAT, ("code", U16))
    assert "stays_within(-1, 1" in text("bell_sine", FLOAT, ("phase", U32))
    assert "claims=[]," in text("half", FLOAT, ("x", FLOAT))


def test_a_mixers_signals_are_alike() -> None:
    found = text("mix", S16, ("a", S16), ("b", S16), ("c", S16))

    assert ['fixed("a", -1,', 'fixed("b", -1,', 'fixed("c", -1,'] == [
        line.strip()[:14] for line in found.splitlines() if line.strip().startswith(("fixed(", "integers("))]
    assert 'integers("c"' in text("scale", S16, ("a", S16), ("c", S16))


def test_a_plain_rate_beside_a_frequency_is_the_sample_rate() -> None:
    def made(second: str) -> str:
        state = CType("p_t", "struct", 8)
        parameter = Parameter("s", CType("p_t *", "pointer", 8, to=state))
        setter = Function("p_set", CType("void", "void", 0), (parameter, Parameter(second, FLOAT), Parameter("rate", FLOAT)),
                          "voice.c", 7, False, False)
        events, _ = _events(Cluster("p_t", [setter]), [], "", {})
        return events[0]

    assert '"p_set(state, cutoff_hz, sample_rate_hz)"' in made("cutoff_hz")
    assert '"p_set(state, depth, rate)"' in made("depth")
