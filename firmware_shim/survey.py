"""What the author's sources define, learned without linking them: for whoever writes a first sheet."""

from __future__ import annotations

import os
import re
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from firmware_shim import build_cache
from firmware_shim.build import Request, _check_sources, _discover, _plan, _with_inline_only
from firmware_shim.compiler import find_compiler
from firmware_shim.debug_info import DebugInfo


def survey(request: Request, cache: Path | None = None) -> dict[Path, DebugInfo]:
    """Debug information of each source, compiled alone and unoptimised: static and inline functions are all there.

    Errors: as ``build.build``; nothing is kept.
    """
    cache = build_cache.folder(cache)
    compiler = find_compiler(request.compiler, cache)
    sources = _check_sources(request)
    plan = _plan(request, sources, compiler)
    workers = max(1, min(len(sources), os.cpu_count() or 1))
    with build_cache.workshop(cache) as work, ThreadPoolExecutor(workers) as pool:
        infos = _discover(plan, work.folder, pool)
        if any(_bare_inline(source) for source in sources):
            # C99 inline definitions emit no code by themselves.
            infos = _with_inline_only(infos, _discover(plan, work.folder, pool, ("-fgnu89-inline",)))
    return dict(zip(sources, infos, strict=True))


def _bare_inline(source: Path) -> bool:
    """Whether a C source or a header beside it may define a function as inline and not static."""
    if source.suffix not in (".c", ".h"):
        return False
    texts = [p.read_text(errors="replace") for p in (source, *source.parent.glob("*.h")) if p.is_file()]
    return any(re.search(r"^(?!.*\bstatic\b).*\binline\b", text, re.M) for text in texts)
