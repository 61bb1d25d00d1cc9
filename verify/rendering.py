"""preflash render: a machine under a script as sound: the firmware, its reference, and their difference."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import numpy as np

from firmware_shim.crew import Crew
from verify.binding import make_benches
from verify.claims.accurate import Accurate
from verify.console import CAUTION
from verify.errors import UsageError, nearest_words
from verify.machines.accuracy import followed
from verify.machines.check import stand_of
from verify.machines.machine import C_TYPES, Machine, Signal
from verify.machines.observation import Observation
from verify.machines.running import LONGEST_KEPT, observe
from verify.machines.script import Script, parse_script, table
from verify.machines.written_script import Lines, script_from_lines
from verify.number_formats import counted
from verify.rendering_paths import entered, heard_paths, observed_path
from verify.sheet import Sheet, load_sheet
from verify.sound_files import Sound, save_sound, sound_of, whole_rate_hz
from verify.witnesses import WitnessFile

SILENCE_DB = -144.5  # one step of 24 bits
STORED = "witness:"
# A witness is made as short as it can be, often some samples: it goes on for so long, for the ear to know what it hears.
HEARD_SECONDS = 1
CLICK_SECONDS = 0.02


@dataclass(frozen=True)
class Wish:
    """What the command line asks for. out: start of the files' names; full_scale: the value that is full scale."""

    sheet: Path
    script: str
    machine: str | None = None
    output: str | None = None
    out: Path | None = None
    overwrite: bool = False
    full_scale: float | None = None
    level_db: float = 0.0
    difference_db: float = 0.0


def render(wish: Wish) -> int:
    """Run, write the files, say what is in them. Exit code 1 where the firmware stopped on the way."""
    sheet = load_sheet(wish.sheet)
    machine, script, stem = asked(sheet, wish)
    script, shorter = longer(script, machine, wish)
    signal = signal_of(machine, wish)
    full_scale = full_scale_of(machine, signal, wish)
    rate_hz = machine.sample_rates_hz[script.rate]
    whole_rate_hz(rate_hz)
    start = wish.out or Path(f"{stem}.wav")
    paths = {word: start.with_name(f"{start.stem}_{word}.wav") for word in ("firmware", "reference", "difference")}
    refuse_to_overwrite(paths, wish)
    path = next((one for one in heard_paths(sheet) if one.name == machine.name), None)
    seen, passed = (observed(sheet, machine, script), []) if path is None else observed_path(sheet, path, script)
    print("\n".join([f"{machine.name}, {signal.name}", *(f"  {text}" for text in table(script, machine))]))
    print("".join(f"  {line}\n" for line in passed), end="")
    if shorter is not None:
        print(f"  the stored script ends after {samples_text(shorter, rate_hz)}; it goes on to "
              f"{samples_text(script.samples, rate_hz)},\n  with nothing new happening, so that it can be heard")
    if seen.stop is not None:
        print(f"  STOPPED at sample {seen.stop.ordinal}: {seen.stop.kind}: {seen.stop.why}")
    if not seen.done:
        raise UsageError("nothing to hear: no sample came", where=f"{machine.name}, {stem}", why="the firmware stopped first",
                         todo="preflash check tells where and why")
    gain = 10 ** (wish.level_db / 20) / full_scale
    sounds = {"firmware": sound_of(seen.doubles(signal.name) * gain)}
    right, problem = wanted(seen, signal)
    if right is not None:
        sounds["reference"] = sound_of(right * gain)
        with np.errstate(invalid="ignore"):
            apart = sounds["firmware"].samples - sounds["reference"].samples
        sounds["difference"] = sound_of(apart * 10 ** (wish.difference_db / 20))
    if not any(sounds[word].audible for word in ("firmware", "reference") if word in sounds) and not any(
            sound.not_numbers for sound in sounds.values()):
        names = ", ".join([kind.name for kind in machine.events] + [grid.name for grid in machine.inputs]) or "none"
        raise UsageError("nothing audible", where=f"{machine.name}, {signal.name}, {stem}",
                         why="every sample is zero, or below one step of 24 bits; nothing was written",
                         todo=f"let something happen (events and inputs: {names}), or raise --level")
    for word, sound in sounds.items():
        save_sound(paths[word], sound, rate_hz)
        print("\n".join(told(word, sound, paths[word], wish, rate_hz)))
    if problem:
        print(f"  no reference and no difference: {problem}")
    print(f"caution: a wrong number can be full scale. Listen at low volume first, not on headphones. {CAUTION}")
    return 1 if seen.stop is not None else 0


def asked(sheet: Sheet, wish: Wish) -> tuple[Machine, Script, str]:
    """Machine, script, and a name for the files."""
    if not sheet.machines:
        raise UsageError("the sheet describes no machine", where=str(wish.sheet), why="only a routine in time can be heard",
                         todo="describe one with machine(...), or use preflash notes for a table")
    if wish.machine is not None:
        machine_named(sheet, wish.machine, "--machine")
    text = wish.script
    if text.startswith(STORED):
        return stored(sheet, wish)
    if ";" in text or (text.count("/") == 2 and not Path(text).exists() and text.replace("/", "").replace(",", "").isdigit()):
        machine = only_machine(sheet, wish.machine)
        script = parse_script(text, machine)
        return machine, kept(script, machine), f"{machine.name}_script"
    path = Path(text)
    lines = Lines.load(path)
    named = lines.setting("machine")
    if named is not None:
        machine_named(sheet, named[1][1], f"{path.name}:{named[0]}")
    machine = only_machine(sheet, wish.machine or lines.machine)
    return machine, script_from_lines(lines, machine), f"{path.stem}"


def longer(script: Script, machine: Machine, wish: Wish) -> tuple[Script, int | None]:
    """A script that preflash made short, long enough to be heard, and its own number of samples; others as they are, None."""
    samples = int(HEARD_SECONDS * machine.sample_rates_hz[script.rate])
    if Path(wish.script).is_file() or script.samples >= samples:
        return script, None
    return replace(script, samples=samples), script.samples


def samples_text(samples: int, rate_hz: Fraction) -> str:
    """A length in samples and in time."""
    return f"{samples} samples ({float(samples / rate_hz) * 1000:.6g} ms)"


def machine_named(sheet: Sheet, name: str, where: str) -> Machine:
    """A machine by name. Errors: UsageError with the nearest names."""
    for machine in sheet.machines:
        if machine.name == name:
            return machine
    for path in heard_paths(sheet):
        if path.name == name:
            return entered(path)
    functions = [routine.name for routine in sheet.routines]
    others = f"the sheet {sheet.file.name} describes others"
    why = "it is a function, or a path that ends in one: it has no time" if name in functions else others
    known = [one.name for one in sheet.machines] + [one.name for one in heard_paths(sheet)]
    raise UsageError(f"no machine {name!r}", where=where, why=why, todo=nearest_words(name, known))


def only_machine(sheet: Sheet, name: str | None) -> Machine:
    """The one named, or the only one there is."""
    if name is not None:
        return machine_named(sheet, name, "--machine")
    if len(sheet.machines) == 1:
        return sheet.machines[0]
    names = ", ".join(machine.name for machine in sheet.machines)
    raise UsageError("which machine?", where=str(sheet.file), why=f"the sheet has {len(sheet.machines)}: {names}",
                     todo="add --machine NAME, or the line 'machine NAME' to the script")


def stored(sheet: Sheet, wish: Wish) -> tuple[Machine, Script, str]:
    """witness:N, counted over the stored scripts of the machine asked for, or of all."""
    file = WitnessFile.load(sheet.file.with_name(sheet.file.stem.removesuffix("_sheet") + "_witnesses.txt"))
    machines = [machine for machine in sheet.machines if wish.machine in (None, machine.name)]
    known = list(dict.fromkeys((machine.name, line) for machine in machines for _, _, line in file.scripts(machine.name)))
    number = wish.script.removeprefix(STORED)
    if not number.isdigit() or not 1 <= int(number) <= len(known):
        shown = "\n".join(f"{STORED}{k}  {name}  {line[:60]}" for k, (name, line) in enumerate(known, 1))
        raise UsageError(f"no stored script {wish.script!r}", where=str(file.path),
                         why=f"{len(known)} are stored\n{shown}".strip(),
                         todo=f"write {STORED}1 to {STORED}{len(known)}" if known else
                         "preflash check stores scripts that break a claim; or write one: preflash render --help")
    name, line = known[int(number) - 1]
    machine = machine_named(sheet, name, wish.script)
    return machine, kept(parse_script(line, machine), machine), f"{name}_witness_{number}"


def kept(script: Script, machine: Machine) -> Script:
    """The script, if its samples can be kept."""
    if script.samples > LONGEST_KEPT:
        raise UsageError(f"a script of {script.samples} samples", where=machine.name,
                         why=f"at most {LONGEST_KEPT} can be kept", todo="write a shorter one in a file, with length 60s")
    return script


def signal_of(machine: Machine, wish: Wish) -> Signal:
    """The output to hear."""
    names = [output.name for output in machine.outputs]
    if wish.output is not None and wish.output not in names:
        raise UsageError(f"{machine.name} has no output {wish.output!r}", where="--output", why="it has: " + ", ".join(names),
                         todo=nearest_words(wish.output, names))
    return machine.signal_named(wish.output or "")


def full_scale_of(machine: Machine, signal: Signal, wish: Wish) -> float:
    """The value that becomes full scale: as told, else 1, or the size of a plain integer type."""
    if wish.full_scale is not None:
        if not (math.isfinite(wish.full_scale) and wish.full_scale > 0):
            raise UsageError(f"a full scale of {wish.full_scale:g}", where="--full-scale", why="it must be above zero",
                             todo="write the largest value of the output, for example 1")
        return wish.full_scale
    kind, size = C_TYPES[signal.ctype]
    if signal.unit not in ("full scale", ""):
        raise UsageError(f"{signal.name} of {machine.name} is in {signal.unit}, not a share of full scale", where="--output",
                         why="nothing says how loud it is", todo="add --full-scale VALUE, the value that becomes full scale")
    if signal.is_float or signal.fraction_bits or signal.unit == "full scale":
        return 1.0
    return float(2 ** (8 * size - 1) if kind == "int" else 2 ** (8 * size))


def refuse_to_overwrite(paths: dict[str, Path], wish: Wish) -> None:
    """Errors: UsageError where a file is there, before anything runs."""
    there = [str(path) for path in paths.values() if path.exists()]
    if there and not wish.overwrite:
        raise UsageError("the file is there already", where=", ".join(there), why="nothing is overwritten without being told",
                         todo="give --out another name, or add --overwrite")
    folder = next(iter(paths.values())).parent
    if not folder.is_dir():
        raise UsageError("no such folder", where=str(folder), why="the files would go there",
                         todo="make it, or give --out another name")


def observed(sheet: Sheet, machine: Machine, script: Script) -> Observation:
    """The script run on this computer."""
    (bench,) = make_benches(sheet, ("host",))
    if bench.problem is not None:
        raise bench.problem
    assert bench.engine is not None and bench.built is not None
    with Crew(bench.engine, 1) as crew:
        return next(observe(stand_of(machine, bench.built, default_nan=sheet.default_nan), [script], crew, ()))


def wanted(seen: Observation, signal: Signal) -> tuple[np.ndarray | None, str]:
    """The reference's samples, on the branches that the firmware took; or why there are none."""
    machine = seen.machine
    if machine.reference is None:
        return None, f"{machine.name} has no reference in the sheet (add reference=...)"
    if seen.script.is_hostile():
        return None, "a NaN or infinity goes in"
    trajectory = seen.wanted(signal.name)
    if trajectory is None:
        problem = seen.reference_problem_of(signal.name)
        return None, f"the reference has no answer: {problem}" if problem else f"the reference says nothing of {signal.name}"
    claims = [claim for claim in machine.claims if isinstance(claim, Accurate)]
    claim = next((claim for claim in claims if machine.signal_named(claim.of).name == signal.name), None)
    if claim is not None and trajectory.decisions:
        trajectory = followed(claim, seen, trajectory)
    values = np.asarray(trajectory.screen()[0][: seen.done], np.float64)
    span = trajectory.span()
    if span is not None:
        # Whatever lies between is right: the difference counts from the nearest.
        low, high = span[0][: seen.done], span[1][: seen.done]
        values = np.where(low == high, values, np.clip(seen.doubles(signal.name), low, high))
    return values, ""


def decibel(size: float) -> str:
    """A size below full scale in dB."""
    return "silent" if size == 0 else f"{20 * math.log10(size):+.1f} dB of full scale"


def told(word: str, sound: Sound, path: Path, wish: Wish, rate_hz: Fraction) -> list[str]:
    """What is in one file: length, peak, what was clipped or was no number."""
    seconds = len(sound.samples) / float(rate_hz)
    lines = [f"  {word:<10} {path}: {seconds:.3f} s at {float(rate_hz):g} Hz, 24 bits, peak {decibel(sound.peak)}"]
    if word == "difference" and wish.difference_db:
        lines[0] += f" (raised by {wish.difference_db:g} dB)"
    if word == "difference" and not sound.audible:
        lines.append("             below one step of 24 bits: nothing to hear (raise it with --raise-difference 60)"
                     if sound.peak else "             exactly equal: nothing to hear")
    elif seconds < CLICK_SECONDS:
        lines.append(f"             {samples_text(len(sound.samples), rate_hz)}: a click at most; write a longer 'length' to "
                     "hear more")
    elif not sound.audible:
        lines.append("             silent")
    if sound.beyond:
        lines.append(f"             CLIPPED: {sound.beyond} samples beyond full scale, the first is {sound.first_beyond} "
                     f"({sound.first_beyond / float(rate_hz) * 1000:.3f} ms), by up to {20 * math.log10(sound.peak):.2f} dB")
    if sound.not_numbers:
        lines.append(f"             NOT NUMBERS: {counted(sound.not_numbers, 'sample')} NaN or infinite, written as silence; "
                     f"the first is {sound.first_not_number}")
    return lines
