"""Which of the author's compiler flags the host build keeps, which it drops and why.

The table below is the whole policy, first match wins. A kept option is tried on the real compiler:
one it does not know stops the build, because a flag left out silently could change what the code means.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import json
import re
import shlex
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from firmware_shim import build_cache
from firmware_shim.compiler import Compiler, run, write_whole
from firmware_shim.errors import UnknownFlag

BOARD_DEFAULTS = ("-funsigned-char", "-fshort-enums")
_DEFAULT_OVERRIDES = {
    "-funsigned-char": ("-fsigned-char", "-fno-signed-char", "-fno-unsigned-char", "-funsigned-char"),
    "-fshort-enums": ("-fno-short-enums", "-fshort-enums"),
}


@dataclass(frozen=True)
class HostFlags:
    """The author's flags sorted for the host.

    Shape: ``kept`` in the author's order; ``dropped`` pairs (flag, reason); ``added`` the defaults of
           the board's ABI that the author did not override. ``all`` is what the compiler receives.
    """

    kept: tuple[str, ...]
    dropped: tuple[tuple[str, str], ...]
    added: tuple[str, ...] = ()

    @property
    def all(self) -> tuple[str, ...]:
        return self.added + self.kept


@dataclass(frozen=True)
class _Row:
    """pattern (whole flag), what is done, why; value: the next word belongs to the flag."""

    pattern: str
    action: str  # "drop", "keep" (not tried), "path" (value is a path), "try", "speed" (try, may go)
    reason: str = ""
    value: bool = False


TARGET, _LINK = "describes the target processor", "for the linker; the host links its own way"
_WARN, _OUT = "changes messages only", "changes what is written where, not what the code means"
_OURS = "set by the host build itself"

TABLE: tuple[_Row, ...] = (
    _Row(r"-[DU]", "keep", value=True),
    _Row(r"-[DU].+", "keep"),
    _Row(r"-(I|include|imacros|isystem|iquote|idirafter)", "path", value=True),
    _Row(r"-(I|isystem|iquote|idirafter).+", "path"),
    _Row(r"-mllvm|-target|-arch", "drop", TARGET, value=True),
    _Row(r"-MD|-MMD|-MP|-MG|-MM?", "drop", _OUT),
    _Row(r"-M[FTQ]", "drop", _OUT, value=True),
    _Row(r"-M[FTQ].+", "drop", _OUT),
    _Row(r"-m.+|--target=.+", "drop", TARGET),
    _Row(r"--?specs", "drop", "selects the target's C library", value=True),
    _Row(r"--?specs=.+|-nostdinc\+?\+?|--sysroot=.+", "drop", "selects the target's C library"),
    _Row(r"--sysroot|-isysroot", "drop", "selects the target's C library", value=True),
    _Row(r"-Wp,-M.*", "drop", _OUT),
    _Row(r"-Wp,.+", "try"),
    _Row(r"-Wl,.*", "drop", _LINK),
    _Row(r"-Wa,.*", "drop", "for the target's assembler"),
    _Row(r"-W.*|-w|-pedantic.*|--pedantic.*", "drop", _WARN),
    _Row(r"-X(linker|assembler)|-[TuezLlB]", "drop", _LINK, value=True),
    _Row(r"-[TLlB].+|-nostdlib|-nostartfiles|-nodefaultlibs|-nolibc", "drop", _LINK),
    _Row(r"-static.*|-shared.*|-no-pie|-pie|-rdynamic|-[rs]|-pthread", "drop", _LINK),
    _Row(r"-o|-dumpbase|-dumpdir|-aux-info", "drop", _OUT, value=True),
    _Row(r"-o.+|-[cSEvCPQ]|-pipe|-###|-save-temps.*|--save-temps.*|-time.*|-dump.*|-d.+", "drop", _OUT),
    _Row(r"-x", "drop", "the language is known from the file's name", value=True),
    _Row(r"-x.+", "drop", "the language is known from the file's name"),
    _Row(r"-g.*|-fdebug-.*|-fno-debug-.*|-f.*-prefix-map=.*|-feliminate-.*|-fvar-tracking.*", "drop", _OURS),
    _Row(r"-f(no-)?(pic|PIC|pie|PIE|plt|semantic-interposition)", "drop", _OURS),
    _Row(r"-f(no-)?lto.*|-f(no-)?(fat-lto|use-linker)-.*|-f(no-)?whole-program|-fuse-ld=.*", "drop", _OURS),
    _Row(r"-f(no-)?sanitize.*", "drop", "the strict build adds its own checks"),
    _Row(r"-f(no-)?(profile|instrument|xray|patchable).*|-ftest-coverage|--?coverage|-pg?", "drop", _OURS),
    _Row(r"-f(no-)?(diagnostics|color-diagnostics|caret|message|show|max-errors|verbose).*", "drop", _WARN),
    _Row(r"-fmacro-backtrace.*|-ftrack-macro.*|-ferror-limit=.*|-fsyntax-only|-fanalyzer", "drop", _WARN),
    _Row(r"-f(no-)?(dump|stack-usage|callgraph|record|ident|save-opt|opt-info|mem-report).*", "drop", _OUT),
    _Row(
        r"-f(no-)?(tree|ipa|align|inline|gcse|move-loop|jump-tables|merge|sched|ira|rename|web|prefetch"
        r"|unroll|split|cse|peephole|crossjumping|thread-jumps|branch|reorder|section-anchors|conserve).*",
        "speed",
        "steers speed only, and the host compiler does not have it",
    ),
    _Row(r"-X(preprocessor|clang)|--param", "try", value=True),
    _Row(r"-O.*|-f.+|-std=.+|--std=.+|-ansi|-traditional.*|-trigraphs|-undef|--param=.+", "try"),
)
_COMPILED = tuple((re.compile(row.pattern), row) for row in TABLE)
_PATHS = r"-(I|include|imacros|isystem|iquote|idirafter)"
_A_FILE = re.compile(r"[^-].*\.(c|h|cc|cpp|cxx|hpp|o|a|s|S|ld|elf)")
_A_COMPILER = re.compile(
    r"([^-].*[/\\])?([\w.]+-)*(gcc|g\+\+|cc|c\+\+|clang|clang\+\+|armclang)[-\d.]*(\.exe)?"
)


def host_flags(
    text: str | Sequence[str], compiler: Compiler, *, folder: Path | None = None, language: str = "c"
) -> HostFlags:
    """Sort the author's flags by the table and try the kept ones on the compiler.

    Shape:  text as on a command line, or its words (a leading compiler name and file names are dropped);
            ``folder`` resolves relative paths (default: the current one); language "c" or "c++".
    Errors: UnknownFlag for a word no row matches, for a value that is missing, or for a flag that the
            host compiler refuses or ignores.
    """
    base = (folder or Path.cwd()).absolute()
    words = words_of(text, base)
    kept: list[tuple[str, ...]] = []
    tried: list[tuple[str, ...]] = []
    speed: dict[tuple[str, ...], str] = {}
    dropped: list[tuple[str, str]] = []
    at = 0
    while at < len(words):
        word, first = words[at], at == 0
        at += 1
        if _A_FILE.fullmatch(word):
            dropped.append((word, "a file, not a flag"))
            continue
        if first and _A_COMPILER.fullmatch(word):
            dropped.append((word, "the name of a compiler"))
            continue
        row = next((row for pattern, row in _COMPILED if pattern.fullmatch(word)), None)
        if row is None:
            raise _unknown(word, "no rule says what this means for the host")
        group: tuple[str, ...] = (word,)
        if row.value:
            if at >= len(words):
                raise _unknown(word, "its value is missing")
            group, at = (word, words[at]), at + 1
        if row.action == "drop":
            dropped.append((" ".join(group), row.reason))
            continue
        kept.append(_absolute(group, base) if row.action == "path" else group)
        if row.action in ("try", "speed"):
            tried.append(group)
        if row.action == "speed":
            speed[group] = row.reason
    for group, told in _refused(tuple(dict.fromkeys(tried)), compiler, language).items():
        other_language = "valid for" in told or "not allowed with" in told
        if not other_language and group not in speed:
            raise _unknown(" ".join(group), told, compiler)
        reason = "belongs to another language" if other_language else speed[group]
        dropped.append((" ".join(group), reason))
        kept = [k for k in kept if k != group]
    said = {word for group in kept for word in group}
    added = tuple(f for f in BOARD_DEFAULTS if not said.intersection(_DEFAULT_OVERRIDES[f]))
    return HostFlags(tuple(w for group in kept for w in group), tuple(dropped), added)


def words_of(text: str | Sequence[str], base: Path, depth: int = 0) -> list[str]:
    """The words of a command line, files of flags (@file, relative to ``base``) read in.

    Errors: UnknownFlag for quotes that do not close or a file that cannot be read.
    """
    try:
        words = shlex.split(text) if isinstance(text, str) else [str(w) for w in text]
    except ValueError as error:
        raise _unknown(str(text), f"the quotes do not close ({error})") from error
    out: list[str] = []
    for word in words:
        if not (word.startswith("@") and len(word) > 1):
            out.append(word)
            continue
        try:
            inner = (base / word[1:]).read_text()
        except OSError as error:
            raise _unknown(word, f"the file of flags cannot be read ({error.strerror})") from error
        if depth > 8:
            raise _unknown(word, "files of flags include each other without end")
        out.extend(words_of(inner, base, depth + 1))
    return out


def absolute_words(words: Sequence[str], base: Path) -> tuple[str, ...]:
    """The same words with every relative path of a header or a header folder counted from ``base``."""
    out: list[str] = []
    at = 0
    while at < len(words):
        size = 2 if re.fullmatch(_PATHS, words[at]) and at + 1 < len(words) else 1
        out += _absolute(tuple(words[at : at + size]), base)
        at += size
    return tuple(out)


def _absolute(group: tuple[str, ...], base: Path) -> tuple[str, ...]:
    # The compiler runs in a temporary folder, so a relative path must not depend on the current one.
    if len(group) == 2:
        option, path = group
        if option in ("-include", "-imacros") and not (base / path).exists():
            return group
        return (option, str(base / path))
    match = re.fullmatch(r"(-I|-isystem|-iquote|-idirafter)(.+)", group[0])
    return (match.group(1) + str(base / match.group(2)),) if match else group


@functools.lru_cache(maxsize=256)
def _refused(
    groups: tuple[tuple[str, ...], ...], compiler: Compiler, language: str
) -> dict[tuple[str, ...], str]:
    """Flags the compiler refuses or ignores, each with its first complaint; one run when all are good."""
    every = tuple(word for group in groups for word in group)
    if not groups or accepted(every, compiler, language):
        return {}
    complaints = {group: complaint(group, compiler, language) for group in groups}
    return {group: said for group, said in complaints.items() if said}


def accepted(words: tuple[str, ...], compiler: Compiler, language: str) -> bool:
    """Whether a compiler has no complaint about options; noted in the cache where they name no file.

    Should it have changed its mind in a way that nothing tells, the build itself says so.
    """
    told = [words, language, compiler.identity, build_cache.around(compiler)]
    name = hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()[:40]
    note = build_cache.folder(None) / "own" / f"flags-{name}"
    plain = not any("/" in word or "@" in word for word in words)
    if plain and note.exists():
        return True
    fine = not complaint(words, compiler, language)
    if fine and plain:
        with contextlib.suppress(OSError):
            write_whole(note, "")
    return fine


def complaint(words: tuple[str, ...], compiler: Compiler, language: str) -> str:
    """A compiler's first complaint about options, "" where it has none."""
    strict: tuple[str, ...] = ()
    if compiler.family == "clang":
        strict = ("-Werror=unknown-warning-option", "-Werror=ignored-optimization-argument")
    with tempfile.TemporaryDirectory(prefix="preflash-") as folder:
        Path(folder, "empty").write_text("")
        command = [*compiler.command, *words, *strict, "-x", language, "-c", "-o", "empty.o", "empty"]
        ran = run(command, folder=Path(folder))
    lines = [line.strip() for line in ran.err.splitlines() if "warning:" in line or "error:" in line]
    if ran.code == 0 and not lines:
        return ""
    return lines[0] if lines else (ran.err.strip() or f"exit code {ran.code}")


def _unknown(flag: str, why: str, compiler: Compiler | None = None) -> UnknownFlag:
    error = UnknownFlag(
        f"the flag '{flag}' cannot be used on the host",
        f"host compiler {compiler.version}" if compiler else "the sheet's flags",
        why,
        "correct the flag, use a host compiler that knows it, or leave it out of the host's flags",
    )
    error.flag = flag
    return error
