"""The generated C of a path: one loop that hands each result on to the next routine's loop, value by value.

It stands beside the author's code like any loop, so that a path runs in every build as a function does. A path may end in
a machine, whose rendered signal is then measured (runtime/pitch_measure.c, compiled with flags of our own).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from firmware_shim.call_source import CallCode
from firmware_shim.debug_info import Function
from firmware_shim.engine import TYPE_NUMBERS
from firmware_shim.loop_source import loop_symbol
from firmware_shim.machine_source import prefix
from firmware_shim.scalar_types import element_type, scalar

_QUIET = '__attribute__((visibility("default"), noinline, no_sanitize("undefined")))\n'
_LOOP = "(const void *const *pf_inputs, void *pf_output, long pf_n,\n    volatile long *pf_progress)"


@dataclass(frozen=True)
class Rendered:
    """The machine at the end of a path. event: number of the one that carries the value; argument: its C type; before:
    (event, raw bits of its arguments) done first; measured: number of the output; hz_per_unit: what the value's unit is in
    Hz; skip: samples before the measured ones; doubt_cents: own error allowed to the measurement."""

    machine: str
    event: int
    argument: str
    scale: float
    before: tuple[tuple[int, tuple[bytes, ...]], ...]
    outputs: tuple[str, ...]
    measured: int
    rate_hz: float
    hz_per_unit: float
    skip: int
    doubt_cents: float


@dataclass(frozen=True)
class ChainCode:
    """One path: names of routines in order, and the machine behind them."""

    name: str
    stages: tuple[str, ...]
    rendered: Rendered | None = None


Types = tuple[list[str], str]


def types_of(functions: Sequence[Function], calls: Sequence[CallCode]) -> dict[str, Types]:
    """C types of array elements that each routine takes and gives."""
    found: dict[str, Types] = {}
    for function in functions:
        found[function.name] = ([str(element_type(p.ctype)) for p in function.parameters], str(element_type(function.result)))
    for call in calls:
        inputs, output = call.types()
        found[call.name] = ([str(element_type(c)) for c in inputs], str(element_type(output)))
    return found


def generate(chain: ChainCode, types: Mapping[str, Types]) -> str:
    """The loop of one path."""
    taken = types[chain.stages[0]][0]
    result = "double" if chain.rendered else types[chain.stages[-1]][1]
    lines = [f"extern void {loop_symbol(stage)}(const void *const *, void *, long, volatile long *);\n"
             for stage in dict.fromkeys(chain.stages)]
    lines += [_voice(chain.name, chain.rendered) if chain.rendered else "",
              f"{_QUIET}void {loop_symbol(chain.name)}{_LOOP}\n{{\n    long pf_i, pf_own[4];\n"
              "    pf_own[0] = 0; pf_own[1] = pf_progress[1]; pf_own[2] = pf_progress[2]; pf_own[3] = 0;\n"
              "    for (pf_i = 0; pf_i < pf_n; pf_i++) {\n"
              f"        const void *pf_given[{max(1, len(taken))}];\n        *pf_progress = pf_i;\n"]
    lines += [f"        pf_given[{at}] = (const {kind} *)pf_inputs[{at}] + pf_i;\n" for at, kind in enumerate(taken)]
    for at, stage in enumerate(chain.stages):
        inputs, output = types[stage]
        if at:
            lines += [f"        {inputs[0]} pf_c{at} = ({inputs[0]})pf_r{at - 1};\n", f"        pf_given[0] = &pf_c{at};\n"]
        lines += [f"        {output} pf_r{at};\n", f"        {loop_symbol(stage)}(pf_given, &pf_r{at}, 1, pf_own);\n"]
    last = f"pf_r{len(chain.stages) - 1}"
    if chain.rendered:
        end = chain.rendered
        lines.append(f"        {end.argument} pf_value = ({end.argument}){last};\n        double pf_hz = "
                     f"pf_voice_hz(&pf_voice_{chain.name}, &pf_value, (double)pf_value * {end.scale!r});\n")
        last = "pf_hz"
    lines.append(f"        (({result} *)pf_output)[pf_i] = {last};\n    }}\n    *pf_progress = pf_n;\n}}\n")
    return "".join(lines)


def render_symbol(chain: str) -> str:
    """Symbol of the loop of the machine alone: value in, Hz out."""
    return loop_symbol(f"{chain}__rendered")


def _voice(name: str, end: Rendered) -> str:
    """What pitch_measure.c is to do with the machine, and a loop of the machine alone."""
    start = prefix(end.machine)
    lines = [f"extern long {start}size(void);\nextern void {start}init(void *, double);\n"
             f"extern void {start}event(void *, long, const void *const *);\nextern void {start}destroy(void *);\n"
             f"extern void {start}run(void *, const void *const *, void *const *, long, volatile long *);\n"]
    events = []
    for number, (event, raws) in enumerate(end.before):
        names = []
        for k, raw in enumerate(raws):
            listed = ", ".join(map(str, raw))
            lines.append(f"static const unsigned char pf_bits_{name}_{number}_{k}[] __attribute__((aligned(8))) = "
                         f"{{{listed}}};\n")
            names.append(f"pf_bits_{name}_{number}_{k}")
        lines.append(f"static const void *const pf_given_{name}_{number}[] = {{{', '.join(names) or '0'}}};\n")
        events.append(f"{{{event}, pf_given_{name}_{number}}}")
    numbers = [TYPE_NUMBERS[kind.kind, kind.bytes] for kind in map(scalar, end.outputs) if kind is not None]
    lines.append(f"static const struct pf_voice_event pf_before_{name}[] = {{{', '.join(events) or '{0, 0}'}}};\n"
                 f"static const int pf_types_{name}[] = {{{', '.join(map(str, numbers))}}};\n"
                 f"static const struct pf_voice pf_voice_{name} = {{{start}size, {start}init, {start}event, {start}run, "
                 f"{start}destroy,\n    pf_before_{name}, pf_types_{name}, {len(end.before)}, {end.event}, "
                 f"{len(end.outputs)}, {end.measured}, {end.skip},\n    {end.rate_hz!r}, {end.hz_per_unit!r}, "
                 f"{end.doubt_cents!r}}};\n"
                 f"{_QUIET}void {render_symbol(name)}{_LOOP}\n{{\n    long pf_i;\n"
                 "    for (pf_i = 0; pf_i < pf_n; pf_i++) {\n        *pf_progress = pf_i;\n"
                 f"        const {end.argument} *pf_value = (const {end.argument} *)pf_inputs[0] + pf_i;\n"
                 f"        ((double *)pf_output)[pf_i] = pf_voice_hz(&pf_voice_{name}, pf_value, "
                 f"(double)*pf_value * {end.scale!r});\n    }}\n    *pf_progress = pf_n;\n}}\n")
    return "".join(lines)


def generate_all(chains: Sequence[ChainCode], types: Mapping[str, Types], *, cpp: bool = False) -> str:
    """Text of several paths; "" for none."""
    if not chains:
        return ""
    text = "".join(generate(chain, types) for chain in chains)
    head = '#line 1 "preflash path"\n'
    if any(chain.rendered for chain in chains):
        head += (Path(__file__).parent / "runtime" / "pitch_measure.h").read_text(encoding="utf-8")
    return head + (f'extern "C" {{\n{text}}}\n' if cpp else text)

