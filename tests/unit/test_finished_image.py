"""A finished image without some routines: those are put apart, the others run."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from firmware_shim.build import Request
from firmware_shim.cores import CoreConflict
from verify import binding


def test_what_the_image_lacks_is_put_apart_until_the_rest_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    def build(request: Request, core: str, cache: Path) -> Any:
        for name in ("gone", "lost"):
            if name in request.routines:
                problem = CoreConflict("the finished image cannot be used", "own.elf", f"{name}: inlined", "mend")
                problem.routines = (name,)
                raise problem
        return request.routines

    monkeypatch.setattr(binding, "build_board", build)
    apart: dict[str, Any] = {}
    request = Request((Path("own.c"),), routines=("gone", "there", "lost"))

    assert ("there",) == binding.finished_image(request, "cortex-m4f", Path("."), apart)
    assert {"gone", "lost"} == set(apart)
    with pytest.raises(CoreConflict):
        binding.finished_image(Request((Path("own.c"),), routines=("gone",)), "cortex-m4f", Path("."), {})
