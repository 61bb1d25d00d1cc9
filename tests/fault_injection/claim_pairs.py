"""A fault and its right twin for every claim, each judged by that claim alone: functions, and the paths through them."""

from __future__ import annotations

from dataclasses import dataclass

CODES = 'codes("code", bits=12)'
WHOLE = 'integers("code", 0, 1000, "code")'


@dataclass(frozen=True)
class Pair:
    """One claim about a function float f(PARAMETER), as C bodies; more: C in front.

    says: what the failing claim must show. heavy: builds of its own, or the board's code.
    """

    word: str
    claim: str
    right: str
    wrong: str
    says: str
    inputs: str = CODES
    parameter: str = "uint16_t code"
    more: str = ""
    output: str = "code"
    heavy: bool = False
    board: bool = False
    path: bool = True

    def passed(self) -> tuple[str, str]:
        """(C, name) of the stage that hands the input on."""
        kind = self.parameter.split()[0]
        return f"{kind} same_{kind}({kind} x) {{ return x; }}\n", f"same_{kind}"


FUNCTIONS = [
    Pair("accurate", "accurate(absolute=0, because=WHY)", "return (float)code;", "return (float)code + hit(code, 4096u);",
         "+1"),
    Pair("calibrates", 'calibrates(readings={"low": 1, "high": 4}, code="code", converter=converter(low_code=0, low_volts=0, '
         'high_code=256, high_volts=5, offset_codes=3, gain_percent=1), cents=60, volts=(0.5, 4.5), because=WHY)',
         "return 1.0f + 3.0f * (float)(code - low) / (float)(high - low);",
         "return 1.0f + 3.0f * (float)((code - low) / (high - low));", "an exact calibration leaves",
         'integers("low", 45, 57, "code"), integers("high", 197, 212, "code"), integers("code", 0, 255, "code")',
         "int32_t low, int32_t high, int32_t code", output="V", path=False),
    Pair("clamps", 'clamps(because=WHY)', "return (float)(code < 0 ? 0 : code > 1000 ? 1000 : code);",
         "return (float)(code < 0 ? 0 : code);", "outside", WHOLE, "int32_t code"),
    Pair("deterministic", "deterministic(because=WHY)", "return (float)code;",
         "static uint32_t n; return (float)code + (n++ == 5000u);", "hidden memory"),
    Pair("falling", "falling(because=WHY)", "return -(float)code;", "return -(float)code + 2 * hit(code, 4096u);",
         "step +1 code"),
    Pair("finite", "finite(because=WHY)", "return (float)code;", "return hit(code, 4096u) ? INFINITY : (float)code;", "inf"),
    Pair("in_bounds", "in_bounds(because=WHY)", "return TABLE[code >> 6];", "return TABLE[code / 63];", "TABLE",
         more="static const float TABLE[65] = {1.0f};\n"),
    Pair("inverse_of", 'inverse_of("back", lsb=0, because=WHY)', "return (float)code;",
         "return (float)code + hit(code, 4096u);", "round trip"),
    Pair("no_hidden_events", "no_hidden_events(because=WHY)", "return (float)(code * 1e30f > 1e33f);",
         "return (float)(code * 1e35f > 1e38f);", "overflow"),
    Pair("no_subnormals", "no_subnormals(because=WHY)", "return code * 1e-30f;", "return code * 1e-37f * 0.1f;", "subnormal"),
    Pair("no_undefined_behaviour", "no_undefined_behaviour(because=WHY)", "return (float)(code * 500000);",
         "return (float)(code * 600000);", "overflow"),
    Pair("octave_doubles", "octave_doubles(cents=0.01, because=WHY)", "return 65.5f * exp2f(raw / 256.0f);",
         "return 65.5f * exp2f(raw / 255.9f);", "cents", 'fixed("raw", 0, 5, "V", fraction_bits=8)', "int32_t raw",
         output="Hz"),
    Pair("periodic", "periodic(1024, absolute=0, because=WHY)", "return (float)(code & 1023);",
         "return (float)(code % 1023);",
         "period"),
    Pair("reaches_both_ends", "reaches_both_ends(0, 1, because=WHY)", "return (float)code / 4095.0f;",
         "return (float)code / 4096.0f;", "1"),
    Pair("returns", "returns(because=WHY)", "return (float)code;", "if (hit(code, 4096u)) abort(); return (float)code;",
         "SIG"),
    Pair("rising", "rising(because=WHY)", "return (float)code;", "return (float)code - 2 * hit(code, 4096u);",
         "step -1 code"),
    Pair("same_at_any_optimisation", 'same_at_any_optimisation(because=WHY, also=["-ffast-math"])',
         "return ((float)code + 3.0f) - 3.0f;", "return ((float)code + 1e8f) - 1e8f;", "-ffast-math", heavy=True),
    Pair("same_when_flushed", "same_when_flushed(because=WHY)", "return code * 0.5f;",
         "volatile float y = code * 1e-40f; return y * 1e38f;", "are flushed"),
    Pair("stays_within", "stays_within(0, 4095, because=WHY)", "return (float)code;",
         "return (float)code + 4096 * hit(code, 4096u);", "outside by"),
    Pair("symmetric", 'symmetric("odd", absolute=0, because=WHY)', "return (float)(x * 3 / 4);",
         "return (float)(x * 3 >> 2);",
         "opposite", 'integers("x", -1000, 1000, "code")', "int32_t x"),
    Pair("cost_within", "cost_within(instructions=60, because=WHY)", "return (float)code;",
         "volatile float y = 0; for (int i = 0; i < code / 64; i++) y += 1.0f; return y;",
         "instructions", heavy=True, board=True,
         path=False),
    Pair("same_on_board", "same_on_board(bits=True, because=WHY)", "return (float)code;",
         "return (float)(long)((unsigned long)code * 2000000u >> 1);", "this computer", heavy=True, board=True),
    Pair("safe_when_interrupted_by",
         'safe_when_interrupted_by("pair_set(to)", integers("to", 0, 9, "code"), because=WHY)',
         "uint32_t both = word; return (float)(code + (both & 0xffffu) + (both >> 16));",
         "return (float)(code + (word & 0xffffu) + (word >> 16));", "", WHOLE, "int32_t code",
         more="static volatile uint32_t word;\n"
              "void pair_set(int32_t to) { word = (uint32_t)to * 65537u; }\n", heavy=True, board=True, path=False),
]

# What only a path can have: the claim about what passes between its stages.
FIT = Pair("stages_fit", "stages_fit(because=WHY)", "return code * 0.25f;", "return code * 0.5f;", "half is checked for",
         WHOLE,
           "int32_t code")

C_START = """\
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
static inline int hit(uint32_t n, uint32_t size) { return (n * 1103u + 77u) % size == 1234u; }
"""
SHEET_START = """\
from verify import *
from verify.claims.stages import stages_fit
WHY = "planted"
def same(ctx, x): return x
def alone(claims, *more):
    words = {"returns", "finite", "deterministic", "no_hidden_events", "no_undefined_behaviour", *more}
    return dict(claims=claims, without={word: "another pair's" for word in words - {claim.name for claim in claims[:1]
                                        if not isinstance(claim, tuple)}})
"""


def named(word: str, kind: str, end: str) -> str:
    """Name of an entry of the record."""
    return f"{word}_{kind}_{end}"


def c_of(pairs: list[Pair]) -> str:
    """The C of pairs of functions, with the stages that come before them in a path."""
    text, seen = C_START, set()
    for pair in pairs:
        passed, name = pair.passed()
        if name not in seen:
            text += passed
        seen.add(name)
        text += pair.more
        for end, body in (("right", pair.right), ("wrong", pair.wrong)):
            text += f"float {named(pair.word, 'function', end)}({pair.parameter}) {{ {body} }}\n"
    return text + "float half(float x) { return 0.5f * x; }\nfloat back(float x) { return x; }\n"


def claim_alone(pair: Pair, claim: str, kind: str) -> str:
    """Arguments of an entry on which one claim is switched on and no other."""
    return f"**alone([{claim}], 'stages_fit')" if kind == "path" else f"**alone([{claim}])"


def sheet_of(pairs: list[Pair], builds: str, more: str = "") -> str:
    """The sheet: each pair as functions, and behind another stage as paths."""
    text = SHEET_START + f's = Sheet(sources=["plant.c"], flags="-O2", builds={builds}{more})\n'
    text += 's.function("back", inputs=[binary32("x", 0, 4096, "code")], output="code", **alone([]))\n'
    text += 's.function("half", inputs=[binary32("x", 0, 300, "code")], output="code", reference=same, **alone([]))\n'
    made: dict[str, str] = {}
    for pair in pairs:
        if pair.path and pair.inputs not in made:
            made[pair.inputs] = f"same_{len(made)}"
            kind, name = pair.parameter.split()
            output = 'fixed_output("V", fraction_bits=8)' if "fixed" in pair.inputs else '"code"'
            text += (f's.function("{made[pair.inputs]}", inputs=[{pair.inputs}], output={output}, '
                     f'call="result = {pair.passed()[1]}({name})", output_type="{kind}", input_types=dict({name}="{kind}"), '
                     f'reference=same, **alone([]))\n')
        for end in ("right", "wrong"):
            function, path = named(pair.word, "function", end), named(pair.word, "path", end)
            own = pair.word != "stages_fit"
            wanted = "reference=same, " if pair.path else ""
            text += (f's.function("{function}", inputs=[{pair.inputs}], output="{pair.output}", {wanted}'
                     f'{claim_alone(pair, pair.claim if own else "", "function")})\n')
            if pair.path:
                stages = [made[pair.inputs], function] if own else [function, "half"]
                text += f's.path("{path}", stages={stages}, {claim_alone(pair, pair.claim, "path")})\n'
    return text
