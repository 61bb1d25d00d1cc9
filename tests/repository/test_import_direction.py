"""Who may import whom: reference and firmware_shim know neither each other nor verify."""

from __future__ import annotations

import ast
import shutil
import sys
from pathlib import Path

import pytest

from tests.repository.source_tree import ROOT

ALLOWED = {
    "reference": {"mpmath", "numpy"},
    "firmware_shim": {"cffi", "numpy", "elftools", "unicorn", "capstone"},
}
# Sheets are scripts of the demo instrument's author: they use verify as any user does.
NOT_OF_THE_PACKAGE = ("firmware_shim/demo/",)


def imported_names(source: str) -> list[tuple[int, str]]:
    """Line and top-level name of each absolute import, by statement or by a call with a literal name."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found += [(node.lineno, alias.name) for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            found.append((node.lineno, node.module))
        elif isinstance(node, ast.Call) and node.args and isinstance(node.args[0], ast.Constant):
            called = node.func
            name = called.attr if isinstance(called, ast.Attribute) else getattr(called, "id", "")
            if name in {"import_module", "__import__"} and isinstance(node.args[0].value, str):
                found.append((node.lineno, node.args[0].value))
    return [(line, name.split(".")[0]) for line, name in found]


def forbidden_imports(package: str, root: Path) -> list[str]:
    """Each import of the package that no arrow allows, as file, line and name."""
    allowed = ALLOWED[package] | {package} | sys.stdlib_module_names
    files = sorted((root / package).rglob("*.py"))
    assert files, f"{package} has no Python file under {root}"
    offences = []
    for path in files:
        relative = path.relative_to(root).as_posix()
        if relative.startswith(NOT_OF_THE_PACKAGE):
            continue
        for line, name in imported_names(path.read_text(encoding="utf-8")):
            if name not in allowed:
                offences.append(f"{relative}:{line} imports {name}")
    return offences


@pytest.mark.parametrize("package", sorted(ALLOWED))
def test_imports_follow_the_arrows(package: str) -> None:
    assert [] == forbidden_imports(package, ROOT)


@pytest.mark.parametrize(
    ("package", "statement", "culprit"),
    [
        ("reference", "import verify.judging", "verify"),
        ("reference", "from firmware_shim import errors", "firmware_shim"),
        ("reference", "def late():\n    import cffi", "cffi"),
        ("firmware_shim", "from reference.pitch import hz_from_volts", "reference"),
        ("firmware_shim", "import importlib\nimportlib.import_module('verify.sheet')", "verify"),
        ("firmware_shim", "import mpmath as numbers", "mpmath"),
    ],
)
def test_planted_import_is_caught(tmp_path: Path, package: str, statement: str, culprit: str) -> None:
    shutil.copytree(ROOT / package, tmp_path / package, ignore=shutil.ignore_patterns("__pycache__"))
    (tmp_path / package / "planted.py").write_text(statement + "\n", encoding="utf-8")
    line = statement.count("\n") + 1

    assert f"{package}/planted.py:{line} imports {culprit}" in forbidden_imports(package, tmp_path)
