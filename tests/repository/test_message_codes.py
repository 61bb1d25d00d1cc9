"""Every code of a message stands in DEVELOPERS.md, with the name of its class."""

import importlib
import pkgutil
from pathlib import Path
from typing import Any

import firmware_shim
import verify
from firmware_shim.errors import ShimError
from verify.errors import PreflashError

ROOT = Path(__file__).resolve().parents[2]


def every_class(base: Any) -> set[Any]:
    """All classes below one, those of all modules included."""
    found = set(base.__subclasses__())
    return found.union(*(every_class(each) for each in found)) if found else found


def test_codes_are_listed() -> None:
    for package in (verify, firmware_shim):
        for module in pkgutil.iter_modules(package.__path__, package.__name__ + "."):
            if not module.name.endswith(("__main__", ".demo")):
                importlib.import_module(module.name)
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    classes = every_class(PreflashError) | every_class(ShimError)
    own = [each for each in classes if each.__module__.startswith(("verify", "firmware_shim"))]
    listed = {f"{each.code} {each.__name__}" for each in own}

    assert len(listed) >= 15
    assert [] == sorted(pair for pair in listed if pair not in text)
