"""preflash new: a first sheet that runs, from what the compiler says about the sources and from names."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from firmware_shim.build import Request
from firmware_shim.debug_info import DebugInfo, Function, rank
from firmware_shim.errors import CompileFailed, ShimError
from firmware_shim.source_names import CPP, HEADERS, SOURCES
from firmware_shim.survey import survey
from verify import __all__ as words_of_a_sheet
from verify.binding import cache_folder, make_benches, request_for
from verify.errors import PreflashError, UsageError
from verify.new_calls import call_entries
from verify.new_claims import REASONS
from verify.new_entries import SHEET_NAME, Entry, function_entry
from verify.new_machines import clusters_of, machine_entries
from verify.new_macros import numbers_in, without_comments
from verify.new_quantities import number
from verify.new_references import all_references
from verify.sheet import Sheet, load_sheet
from verify.stub_guesses import Guesses
from verify.stub_names import FOLDER, GUESSES, UNDEFINED

ROUNDS = 12


def sources_for(targets: Sequence[Path]) -> list[Path]:
    """The sources to compile: those given, and for a header the one of its name beside it, else the header itself."""
    found: list[Path] = []
    for target in targets:
        if target.is_dir():
            raise UsageError(f"{target} is a folder", where=str(target), why="headers or sources are needed",
                             todo=f"name them, for example preflash new {target / '*.c'}")
        if target.suffix in SOURCES:
            found.append(target)
            continue
        if target.suffix not in HEADERS:
            raise UsageError(f"{target.name} is neither C nor C++", where=str(target), why=f"it ends in {target.suffix!r}",
                             todo="name headers or sources, for example preflash new voice.h")
        if not target.is_file():
            raise UsageError(f"no file {target}", where=str(target), why="there is no such file", todo="check the path")
        places = (target.parent, target.parent.parent / "src", target.parent.parent / "Source", target.parent.parent)
        beside = [p / (target.stem + s) for p in places for s in SOURCES if (p / (target.stem + s)).is_file()]
        found.append(beside[0] if beside else target)
    given = list(dict.fromkeys(found))
    # A header whose functions a source given beside it defines needs no compile of its own.
    if any(p.suffix in SOURCES for p in given):
        texts = "\n".join(p.read_text(errors="replace") for p in given if p.suffix in SOURCES and p.is_file())
        given = [p for p in given if p.suffix in SOURCES
                 or not re.search(rf'#\s*include\s*["<][^">]*\b{re.escape(p.name)}[">]', texts)]
    return given


def functions_of(infos: dict[Path, DebugInfo], targets: Sequence[Path]) -> list[Function]:
    """Functions that the targets define or declare, in the order of the files; main and names of the compiler left out.

    A source brings the headers of its own folder along: inline functions are the author's as well.
    """
    wanted = {target.resolve() for target in targets}
    folders = {t.resolve().parent for t in targets if t.suffix in SOURCES}
    headers = "\n".join(without_comments(t.read_text(errors="replace")) for t in targets if t.suffix in HEADERS)
    best: dict[str, Function] = {}
    for info in infos.values():
        for name, function in info.functions.items():
            file = Path(function.file).resolve()
            here = file in wanted or (file.suffix in HEADERS and file.parent in folders and GUESSES != file.name)
            declared = re.search(rf"\b{re.escape(name.split('::')[-1])}\s*\(", headers) is not None
            if name == "main" or name.startswith(("_", "pf_")) or not (here or declared):
                continue
            if name not in best or rank(function) < rank(best[name]):
                best[name] = function
    order = {str(path): at for at, path in enumerate([*infos, *targets])}
    return sorted(best.values(), key=lambda f: (order.get(f.file, len(order)), f.file, f.line, f.name))


def promises_only(header: Path, functions: Sequence[Function]) -> bool:
    """Whether a header declares functions, and none of those found is one of them: their source was not named."""
    text = without_comments(header.read_text(errors="replace"))
    declared = {match[1] for match in re.finditer(r"\b(\w+)\s*\([^;{}()]*\)\s*(?:const\s*)?;", text)}
    return bool(declared) and not any(
        Path(f.file).resolve() == header.resolve() or f.name.partition("(")[0].split("::")[-1] in declared for f in functions)


def with_stubs(request: Request, base: Path) -> tuple[Request, list[str], list[str], Path]:
    """The request with the folder of stand-ins, if there is one; what the sheet must say: include, sources; guesses."""
    places = [base / FOLDER, (request.folder or base).resolve() / FOLDER]
    folder = next((place for place in places if place.is_dir()), places[0])
    if not folder.is_dir():
        return request, [], [], folder / GUESSES
    more = [relative(folder / UNDEFINED, base)] if (folder / UNDEFINED).exists() else []
    include = () if folder in request.include else (folder,)
    named = [relative(folder, base)] if include else []
    return replace(request, include=(*request.include, *include)), named, more, folder / GUESSES


def written_sheet(sheet: Sheet, targets: Sequence[Path], out: Path) -> tuple[str, list[Entry]]:
    """The text of a first sheet for the targets. sheet: how they are compiled, without routines.

    Errors: PreflashErrors and ShimErrors; a compile that fails names preflash stub.
    """
    base = out.resolve().parent
    request, stub_include, stub_sources, guesses = with_stubs(replace(request_for(sheet, "host"), routines=()), base)
    forced: list[str] = []
    try:
        infos = survey(request, cache_folder())
    except CompileFailed as problem:
        if not guesses.exists():
            raise advised(problem, targets) from problem
        forced = [relative(guesses, base)]
        try:
            infos = survey(replace(request, headers=(*request.headers, guesses)), cache_folder())
        except CompileFailed as again:
            raise advised(again, targets) from again
    functions = functions_of(infos, targets)
    empty = [t for t in targets if t.suffix in HEADERS and promises_only(t, functions)]
    if not functions or empty:
        raise UsageError("no function found", where=", ".join(t.name for t in empty or targets),
                         why="the compiler sees none defined there or declared there and defined in a source beside",
                         todo="name the sources that define them as well: preflash new voice.h voice.c")
    near = [p for folder in {t.resolve().parent for t in targets} for p in sorted(folder.glob("*.h*")) if p.is_file()]
    files = list(dict.fromkeys([*(t.resolve() for t in targets), *infos, *near]))
    macros = numbers_in(files)
    entries = entries_of(functions, infos, macros, files)
    head = head_lines(sheet, base, stub_include, stub_sources, forced, targets, macros)
    return settled(head, entries, out), entries


def entries_of(
    functions: Sequence[Function], infos: dict[Path, DebugInfo], macros: dict[str, str], files: Sequence[Path]
) -> list[Entry]:
    """One entry for each function, and one for the functions around one state."""
    clusters = clusters_of(functions, infos)
    rate = rate_of(macros)[0]
    inside = {id(function): cluster for cluster in clusters for function in cluster.members}
    entries, done = [], set()
    for function in functions:
        cluster = inside.get(id(function))
        if cluster is None:
            entry = function_entry(function, macros)
            base = function.name.partition("(")[0]
            twins = [f for f in functions if f.name.partition("(")[0] == base]
            listed = any(p.ctype.kind == "enum" for p in function.parameters)
            if entry.reason or listed or len(twins) > 1 or "<" in base:
                info = next((i for i in infos.values() if i.functions.get(function.name) == function), None)
                cpp = function.file.endswith(CPP) or bool(function.linkage)
                several = (call_entries(function, info, macros, files, cpp=cpp) if info else []) or [entry]
                words = types_of(function) if len(twins) > 1 else []
                for one in several if words or "<" in base else []:
                    plain = re.sub(r"\W+", "_", "_".join([base, *words])).strip("_")
                    one.name = plain + one.name.removeprefix(base.split("::")[-1]) if len(several) > 1 else plain
                entries += several
            else:
                entries.append(entry)
        elif id(cluster) not in done:
            done.add(id(cluster))
            entries += machine_entries(cluster, macros, rate)
    return entries


def types_of(function: Function) -> list[str]:
    """What tells an overloaded function from its twins, as words."""
    return [re.sub(r"\W+", "", p.ctype.name) for p in function.parameters if p.name != "this"]


def rate_of(macros: dict[str, str]) -> tuple[str, str]:
    """The sample rate as Python text, and where it is from."""
    rates = [m for m in macros if "SAMPLE_RATE" in m and 1000 <= float(number(macros[m]).replace("_", "")) <= 800_000]
    return (number(macros[rates[0]]), rates[0]) if rates else ("48_000", "nothing names it")


def advised(problem: CompileFailed, targets: Sequence[Path]) -> CompileFailed:
    """The same message with what to run next, where stand-ins can help."""
    if not problem.missing_headers and not Guesses().learn(problem.log, "", frozenset()):
        return problem
    names = " ".join(str(t) for t in targets)
    todo = f"preflash stub {names} writes stand-ins for what is not on this computer; {problem.todo}"
    return CompileFailed(problem.what, problem.where, problem.why, todo, file=problem.file, line=problem.line,
                         text=problem.text, missing_headers=problem.missing_headers, log=problem.log)


def relative(path: Path, base: Path) -> str:
    """A path as the sheet writes it."""
    resolved = path.resolve()
    return resolved.relative_to(base).as_posix() if resolved.is_relative_to(base) else str(resolved)


def head_lines(
    sheet: Sheet, base: Path, stub_include: list[str], stub_sources: list[str], forced: list[str],
    targets: Sequence[Path], macros: dict[str, str],
) -> list[str]:
    """Sheet(...) itself."""
    sources = [relative(base / source, base) for source in sheet.sources] + stub_sources
    include = [relative(Path(folder), base) for folder in sheet.include] + stub_include
    lines = [f"{SHEET_NAME} = Sheet(", f"    sources={quoted(sources)},"]
    if include:
        lines.append(f"    include={quoted(include)},")
    if forced:
        lines.append(f"    headers={quoted(forced)},")
    if sheet.defines:
        lines.append(f"    defines={quoted(list(sheet.defines))},")
    if sheet.compile_commands:
        lines.append(f"    compile_commands={quoted([relative(Path(sheet.compile_commands), base)])[1:-1]},")
    else:
        flags = sheet.flags if isinstance(sheet.flags, str) else " ".join(sheet.flags)
        said = "" if isinstance(sheet.flags, str) else "  # guess: put your own flags here"
        lines.append(f"    flags={quoted([flags])[1:-1]},{said}")
    rate, source = rate_of(macros)
    lines += [f"    sample_rate_hz={rate},  # guess: {source}", ")"]
    return lines


def quoted(words: Sequence[str]) -> str:
    """A list of texts as Python, in double quotes."""
    return "[" + ", ".join('"' + w.replace("\\", "\\\\").replace('"', '\\"') + '"' for w in words) + "]"


def sheet_text(head: Sequence[str], entries: Sequence[Entry]) -> str:
    """The whole file: only the words that it uses are imported."""
    body = [*head, ""]
    for entry in entries:
        body += ["", *entry.lines()]
    text = "\n".join(body) + "\n"
    code = "\n".join(line for line in body if not line.startswith("#"))
    families = [f for f in dict.fromkeys(r.family for r in all_references()) if re.search(rf"\breference={f}\.", code)]
    words = [w for w in words_of_a_sheet if re.search(rf"(?<![\w.\"']){w}\(", code)]
    imports = [f"from reference import {', '.join(families)}"] if families else []
    intro = ['"""First sheet, written by preflash new. It runs as it is.', "",
             'Every line marked "guess:" was taken from names and types: confirm it, or write what you know.', '"""', ""]
    reasons = [f'{name} = "{said}"' for name, said in REASONS.items() if re.search(rf"\b{name}\b", code)]
    reasons += [""] if reasons else []
    return "\n".join([*intro, *imports, *wrapped(words), "", *reasons, text])


def wrapped(words: Sequence[str]) -> list[str]:
    """The import of the sheet's words, one a line when they are many."""
    one = f"from verify import {', '.join(words)}"
    return [one] if len(one) <= 100 else ["from verify import (", *(f"    {word}," for word in words), ")"]


def settled(head: Sequence[str], entries: list[Entry], out: Path) -> str:
    """The text after trying it: an entry that cannot be bound becomes a comment with the reason."""
    for _ in range(ROUNDS + len(entries)):
        text = sheet_text(head, entries)
        if all(entry.reason for entry in entries):
            return text
        trial = out.with_name(f".{out.stem}_trial.py")
        try:
            trial.write_text(text, encoding="utf-8")
            sheet = load_sheet(trial)
            benches = make_benches(sheet, ("host",))
            if benches[0].problem is not None:
                raise benches[0].problem
            if not measured(entries, sheet):
                return text
        except (PreflashError, ShimError) as problem:
            if not put_aside(entries, text, problem):
                raise
        finally:
            trial.unlink(missing_ok=True)
    return sheet_text(head, entries)


def measured(entries: Sequence[Entry], sheet: Sheet) -> bool:
    """Read the frequency at 0 V from a pitch routine's own outputs where nothing names it; True if one was read."""
    from verify.look import pitch_guess

    done = False
    for entry in entries:
        if entry.reason or entry.proposal is None or entry.proposal.missing != ("zero_volt_hz",):
            continue
        routine = next(r for r in sheet.routines if r.name == entry.name)
        found = pitch_guess(sheet, entry.name, routine.inputs) if routine.inputs[0].unit == "V" else None
        if found:
            entry.complete("zero_volt_hz", f'"{found[1]}"', f"{found[0]} at 0 V, from what it gives itself")
            done = True
    return done


def put_aside(entries: list[Entry], text: str, problem: PreflashError | ShimError) -> bool:
    """Comment out the entry that a message speaks of; False when it speaks of none."""
    running = [entry for entry in entries if not entry.reason]
    named: list[Entry] = []
    for said in (f"{problem.what} {problem.where}", problem.why):
        named = named or [e for e in running if re.search(rf"(?<!\w){re.escape(e.name)}(?!\w)", said)]
        named = named or [e for e in running if re.search(rf"(?<!\w){re.escape(e.name.split('::')[-1])}(?!\w)", said)]
    at = re.search(r"_trial\.py:(\d+)", problem.where)
    if not named and at:
        lines = text.splitlines()[: int(at.group(1))]
        starts = [line for line in lines if line.startswith('    "')]
        named = [e for e in running if starts and starts[-1].strip(' ",') == e.name]
    if not named:
        return False
    entry = max(named, key=lambda e: len(e.name))
    entry.reason = f"{problem.what}: {problem.why}".replace("\n", "; ")
    return True


def summary_lines(entries: Sequence[Entry], out: Path) -> list[str]:
    """What to print: where the sheet is, what it has, what to do next."""
    runs = [e for e in entries if not e.reason]
    compared = [e for e in runs if e.proposal is not None and not e.proposal.missing]
    aside = [e for e in entries if e.reason]
    guessed = [e for e in runs if e.guessed_claims]
    many = f"{len(entries)} routine{'s' * (len(entries) != 1)}"
    lines = [f"wrote  {out}", f"       {many} found: {len(compared)} with a reference, "
             + (f"{len(guessed)} with claims of their kind, " if guessed else "")
             + f"{len(runs) - len(compared) - len(guessed)} with the protective claims only, {len(aside)} left as comments"]
    lines += [f"       {e.name}: {e.proposal.reference.sheet_name} ({e.proposal.why})" for e in compared if e.proposal]
    lines += [f"       {e.name}: not checked, {e.reason}" for e in aside]
    lines.append('next   look at the lines marked "guess:", then')
    lines.append(f"       preflash check {out}" if runs else "       write an entry for what you want checked")
    return lines
