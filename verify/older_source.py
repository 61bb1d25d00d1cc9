"""The C as it once was: a revision of the repository or a folder, laid out beside nothing of the present tree."""

from __future__ import annotations

import contextlib
import os
import subprocess
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from verify.errors import UsageError


@dataclass(frozen=True)
class Older:
    """name: as shown; folder: stands where the sheet's folder stood; moved: (root of now, root of then)."""

    name: str
    folder: Path
    moved: tuple[str, str]


def git(folder: Path, *words: str, **more: str) -> subprocess.CompletedProcess[str]:
    """Run git in a folder.

    Errors: UsageError when git is not there.
    """
    try:
        return subprocess.run(["git", *words], cwd=folder, env={**os.environ, "LC_ALL": "C", **more}, capture_output=True,
                              text=True, errors="replace")
    except OSError as problem:
        raise UsageError("git cannot be started", where=f"git {words[0]}", why=str(problem),
                         todo="install git, or give a folder with the old C") from problem


@contextlib.contextmanager
def older_source(old: str, sheet: Path) -> Iterator[Older]:
    """The old sources: a folder that holds what the sheet's folder holds, or a revision of its repository.

    A revision is written to a temporary folder through an index of its own: work tree, index and branches
    of the repository are not touched, whatever is uncommitted.
    Errors: UsageError when it is neither a folder nor a revision, or when the sheet's folder was not in it.
    """
    if Path(old).is_dir():
        folder = Path(old).resolve()
        yield Older(str(old), folder, (str(sheet.parent), str(folder)))
        return
    top = git(sheet.parent, "rev-parse", "--show-toplevel")
    if top.returncode != 0:
        raise UsageError(f"no folder and no revision: {old}", where=str(sheet.parent),
                         why=top.stderr.strip() or "the sheet lies in no repository", todo="name a folder with the old C")
    root = Path(top.stdout.strip()).resolve()
    found = git(root, "rev-parse", "--verify", "--quiet", "--end-of-options", f"{old}^{{commit}}")
    if found.returncode != 0:
        raise UsageError(f"no folder and no revision: {old}", where=str(root),
                         why="git knows no commit of that name, and no folder has it",
                         todo="name a commit, tag or branch (git log shows them), or a folder")
    commit = found.stdout.strip()
    with tempfile.TemporaryDirectory(prefix="preflash-old-") as place:
        tree = Path(place).resolve() / "tree"
        index = {"GIT_INDEX_FILE": str(Path(place) / "index")}
        for words in (["read-tree", commit], ["checkout-index", "--all", "--force", f"--prefix={tree}/"]):
            done = git(root, *words, **index)
            if done.returncode != 0:
                raise UsageError(f"git could not write out {old}", where=f"git {words[0]}", why=done.stderr.strip(),
                                 todo="mend the repository, or give a folder with the old C")
        folder = tree / sheet.parent.relative_to(root)
        if not folder.is_dir():
            raise UsageError(f"the sheet's folder was not there at {old}", where=str(sheet.parent.relative_to(root)),
                             why=f"{commit[:12]} holds no such folder", todo="give a folder with the old C")
        name = old if commit.startswith(old) else f"{old} ({commit[:12]})"
        yield Older(name, folder, (str(root), str(tree)))
