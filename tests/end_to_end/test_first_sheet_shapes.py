"""What preflash new makes of state, structs, output parameters, arrays and classes: each entry binds to the C."""

from __future__ import annotations

import argparse
from pathlib import Path

import pytest

from verify.new import sources_for, written_sheet
from verify.new_entries import Entry
from verify.sheet import load_sheet
from verify.stub_request import sheet_of

pytestmark = pytest.mark.usefixtures("gcc", "private_cache")


def first_sheet(folder: Path, name: str, text: str, **more: str) -> tuple[str, dict[str, Entry]]:
    (folder / name).write_text(text, encoding="utf-8")
    for other, content in more.items():
        (folder / other.replace("_h", ".h")).write_text(content, encoding="utf-8")
    targets = [folder / name]
    options = argparse.Namespace(flags=None, define=[], include=[], compile_commands="")
    made, entries = written_sheet(sheet_of(options, sources_for(targets)), targets, folder / "first_sheet.py")
    (folder / "first_sheet.py").write_text(made, encoding="utf-8")
    load_sheet(folder / "first_sheet.py")
    return made, {entry.name: entry for entry in entries}


STRIKE = """
#include <stdint.h>
typedef struct { float level, share; } strike_t;
void strike_init(strike_t *s, float sample_rate_hz) { s->level = 0; s->share = 1.0f - 30.0f / sample_rate_hz; }
void strike_gate(strike_t *s, int gate) { if (gate) s->level = 1.0f; }
void strike_set_decay_seconds(strike_t *s, float seconds) { s->share = 1.0f - 1.0f / (seconds * 48000.0f + 1.0f); }
float strike_step(strike_t *s, float wind) { s->level *= s->share; return s->level * wind; }
float strike_level(const strike_t *s) { return s->level; }
"""


def test_state_init_setters_and_step_become_one_machine(tmp_path: Path) -> None:
    text, entries = first_sheet(tmp_path, "strike.c", STRIKE)

    assert ["strike"] == list(entries)
    assert "machine" == entries["strike"].method and "" == entries["strike"].reason
    assert 'init="strike_init(state, sample_rate_hz)"' in text
    assert 'event("gate", "strike_gate(state, gate)", integers("gate", 0, 1, ""))' in text
    assert 'event("decay_seconds", "strike_set_decay_seconds(state, seconds)", binary32("seconds", 0.001, 10, "s"))' in text
    assert 'step="out = strike_step(state, wind)"' in text
    assert "# not part of it: float strike_level(const strike_t * s)" in text


LAG = """
#include <stdint.h>
typedef struct { int32_t y; } lag_t;
void lag_init(lag_t *s) { s->y = 0; }
void lag_mode(lag_t *s, int32_t steps) { s->y = steps; }
int32_t lag_step(lag_t *s, int32_t value) { s->y += (value >> 4) - (s->y >> 4); return s->y; }
"""


def test_whole_numbers_in_and_out_are_both_fixed_point(tmp_path: Path) -> None:
    text, _ = first_sheet(tmp_path, "lag.c", LAG)

    assert 'fixed("value", -1, 1 - 2**-31, "full scale", fraction_bits=31),  # guess: Q31, as its output' in text
    assert 'outputs=[signal("out", "full scale", ctype="int32_t", fraction_bits=31)]' in text
    assert 'event("mode", "lag_mode(state, steps)", integers("steps"' in text


def test_a_setter_may_call_its_parameter_like_a_sample_of_the_block(tmp_path: Path) -> None:
    c = ("typedef struct { float g; int m; } amp_t;\nvoid amp_init(amp_t *s) { s->g = 1; s->m = 0; }\n"
         "void amp_set_gain(amp_t *s, float in) { s->g = in; }\nvoid amp_set_mode(amp_t *s, int out) { s->m = out; }\n"
         "void amp_block(amp_t *s, const float *in, float *out, int n) { while (n--) *out++ = *in++ * s->g; }\n")
    text, entries = first_sheet(tmp_path, "amp.c", c)

    assert "" == entries["amp"].reason
    assert '    event("gain", "amp_set_gain(state, in)", binary32("in", 0, 1, "ratio")),' in text
    assert '    event("mode", "amp_set_mode(state, out)", integers("out"' in text


def test_a_block_without_init_starts_from_zero_and_says_so(tmp_path: Path) -> None:
    c = ("struct chain { float last; };\nvoid chain_process(struct chain *c, const float *in, float *out, int n)\n"
         "{ int i; for (i = 0; i < n; i++) { c->last += 0.1f * (in[i] - c->last); out[i] = c->last; } }\n")
    text, entries = first_sheet(tmp_path, "chain.c", c)

    assert "" == entries["chain"].reason
    assert 'block="chain_process(state, in, out, n)"' in text
    assert 'init="*state = (struct chain){0};",  # guess: all zero: no function prepares it' in text


def test_a_state_that_needs_memory_is_left_to_the_author_with_the_reason(tmp_path: Path) -> None:
    c = ("typedef struct { float *memory; int length, at; } delay_t;\n"
         "void delay_init(delay_t *d, float *memory, int length) { d->memory = memory; d->length = length; d->at = 0; }\n"
         "float delay_tick(delay_t *d, float in) { float o = d->memory[d->at]; d->memory[d->at] = in;\n"
         "  d->at = (d->at + 1) % d->length; return o; }\nfloat half(float x) { return 0.5f * x; }\n")
    text, entries = first_sheet(tmp_path, "delay.c", c)

    assert "delay_init takes memory (float *)" in entries["delay"].reason
    assert '#     step="out = delay_tick(state, in)",' in text


def test_a_class_becomes_a_machine(tmp_path: Path) -> None:
    cpp = ("#include <cstdint>\nnamespace bell {\nclass Smoother {\npublic:\n"
           "  explicit Smoother(float sample_rate_hz) : last(0), share(1 / sample_rate_hz) {}\n"
           "  void set_share(float ratio) { share = ratio; }\n  void reset() { last = 0; }\n"
           "  float process(float in) { last += share * (in - last); return last; }\n"
           "private:\n  float last, share;\n};\nSmoother global(48000.0f);\n}\n"
           "float run(float x) { return bell::global.process(x); }\n")
    text, entries = first_sheet(tmp_path, "smoother.cpp", cpp)

    assert "" == entries["smoother"].reason
    assert 'state="bell::Smoother"' in text
    assert 'init="new (state) bell::Smoother(sample_rate_hz)"' in text
    assert 'event("reset", "state->reset()")' in text
    assert 'step="out = state->process(in)"' in text


def test_a_struct_is_filled_as_the_author_fills_one(tmp_path: Path) -> None:
    c = ("#include <stdint.h>\n"
         "typedef struct { uint16_t low_code; float low_volts; uint16_t high_code; float high_volts; } cal_t;\n"
         "const cal_t board = {410, 0.5f, 3686, 4.5f};\n"
         "float volts_from_code(const cal_t *cal, uint16_t code)\n"
         "{ return cal->low_volts + (float)(code - cal->low_code) * (cal->high_volts - cal->low_volts)\n"
         "  / (float)(cal->high_code - cal->low_code); }\n")
    text, entries = first_sheet(tmp_path, "cal.c", c)

    assert "" == entries["volts_from_code"].reason
    assert 'local="cal_t cal = {410, 0.5f, 3686, 4.5f}"' in text
    assert "reference=pitch.volts_from_code" in text
    assert '"high_volts": 4.5,' in text


def test_a_struct_that_nobody_fills_is_driven_member_by_member(tmp_path: Path) -> None:
    c = "struct knobs { float gain; float mix; };\nfloat level(struct knobs k, float x) { return k.gain * x + k.mix; }\n"
    text, entries = first_sheet(tmp_path, "knobs.c", c)

    assert "" == entries["level"].reason
    assert 'call="k.gain = k_gain; k.mix = k_mix; result = level(k, x)"' in text
    assert 'binary32("k_gain", 0, 1, "ratio")' in text


def test_an_output_parameter_is_the_result(tmp_path: Path) -> None:
    c = ("typedef enum { OK, BAD } status_t;\n"
         "status_t hz_from_note(float note, float *hz) { *hz = 440.0f * note; return OK; }\n")
    text, entries = first_sheet(tmp_path, "note.c", c)

    assert "" == entries["hz_from_note"].reason
    assert 'call="hz_from_note(note, &hz); result = hz"' in text
    assert "reference=pitch.hz_from_note" in text


def test_an_array_in_place_is_driven_by_one_sample(tmp_path: Path) -> None:
    c = "void gain_block(short *samples, int count, float gain)\n{ int i; for (i = 0; i < count; i++) samples[i] *= gain; }\n"
    text, entries = first_sheet(tmp_path, "gain.c", c)

    assert "" == entries["gain_block"].reason
    assert 'call="gain_block(&samples, 1, gain); result = samples"' in text
    assert "# guess: one sample of its block is driven" in text


def test_what_no_call_can_reach_keeps_its_reason(tmp_path: Path) -> None:
    c = "float first(float (*f)(float), float x) { return f(x); }\nfloat name(const char *text) { return text[0]; }\n" \
        "float half(float x) { return x / 2; }\n"
    _, entries = first_sheet(tmp_path, "odd.c", c)

    assert "f is a pointer" in entries["first"].reason
    assert "" == entries["half"].reason


def test_two_sources_with_a_header_between_them(tmp_path: Path) -> None:
    header = "static inline float doubled(float x) { return 2 * x; }\nfloat tripled(float x);\n"
    text, entries = first_sheet(tmp_path, "voice.c", '#include "voice.h"\nfloat tripled(float x) { return 3 * x; }\n',
                                voice_h=header)

    assert {"doubled", "tripled"} == set(entries)
    assert all(entry.reason == "" for entry in entries.values())
    assert 'sources=["voice.c"]' in text


CPP = """
#include <cmath>
namespace bell { namespace pitch {
float hzFromVolts(float volts) { return 65.406395f * std::exp2(volts); }
template <class T> T twice(T x) { return x * 2; }
float used(float x) { return twice(x); }
} }
namespace {
struct Hidden { float last = 0; float tick(float in) { last += 0.1f * (in - last); return last; } };
Hidden hidden;
}
float use_hidden(float in) { return hidden.tick(in); }
enum class Mode { off, on, half };
float with_mode(Mode mode, float x) { return mode == Mode::on ? x : 0.0f; }
float overloaded(float x) { return x; }
int overloaded(int x) { return x; }
float by_reference(const float &x) { return x; }
struct Gain { float level(float x) const { return x * gain; } float gain = 0.5f; };
float use(float x) { Gain g; return g.level(x); }
"""


@pytest.mark.nightly
def test_names_templates_enums_overloads_and_references_of_cpp(tmp_path: Path) -> None:
    text, entries = first_sheet(tmp_path, "ns.cpp", CPP)

    assert {} == {name: entry.reason for name, entry in entries.items() if entry.reason}
    assert '"bell::pitch::hzFromVolts",' in text
    # Nothing names the note at 0 V: it is read from what the routine gives.
    assert "    reference=pitch.hz_from_volts," in text
    assert '"zero_volt_hz": "440 * 2**(-33/12)",  # guess: C2 at 0 V, from what it gives itself' in text
    assert 'call="result = bell::pitch::twice<float>(x)"' in text
    assert 'state="Hidden"' in text and 'step="out = state->tick(in)"' in text
    assert 'call="result = with_mode((Mode)mode, x)"' in text and 'integers("mode", 0, 2, "")' in text
    assert {"overloaded_float", "overloaded_int"} <= set(entries)
    assert 'call="result = by_reference(x)"' in text
    assert 'call="object.gain = object_gain; result = object.level(x)"' in text


def test_a_header_alone_is_compiled_alone(tmp_path: Path) -> None:
    text, entries = first_sheet(tmp_path, "half.h", "static inline float half(float x) { return 0.5f * x; }\n")

    assert {"half": ""} == {name: entry.reason for name, entry in entries.items()}
    assert 'sources=["half.h"]' in text
