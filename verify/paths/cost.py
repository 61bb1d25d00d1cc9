"""What a path costs on the board: the sum of its stages, as strong as the weakest of them."""

from __future__ import annotations

from typing import Any

from verify.routine import Routine


def path_cost(path: Routine, entries: list[dict[str, Any]]) -> dict[str, Any]:
    """Largest instructions and both ends of the cycles, summed over the stages; missing: stages that were not counted.

    Each stage's own largest is taken wherever it lies, so the sum is never below what one input can cost. Of a machine its
    step and the event that carries the value count, a block by its samples.
    """
    assert path.stages is not None
    known = {entry["name"]: as_stage(path, entry) for entry in entries if entry["counted"]}
    names = path.stages.names()
    parts = [known[name] for name in names if name in known]
    weakest = min(parts, key=lambda entry: (entry["every_value"], entry["counted"]), default=None)
    found: dict[str, Any] = {
        "name": path.name, "stages": names, "missing": [name for name in names if name not in known], "cycles": None,
        "instructions": None, "every_value": bool(parts) and all(part["every_value"] for part in parts),
        "weakest": "" if weakest is None else f"{weakest['name']}, {weakest['counted']} calls",
    }
    if parts:
        found["instructions"] = sum(part["instructions"]["most"] for part in parts)
        found["cycles"] = {end: sum(part["cycles"][end] for part in parts) for end in ("optimistic", "pessimistic")}
    return found


def as_stage(path: Routine, entry: dict[str, Any]) -> dict[str, Any]:
    """A machine's entry as that of one stage: what a sample costs in which the value comes."""
    voice = path.stages.voice if path.stages is not None else None
    if "parts" not in entry:
        return entry
    carrier = f"event {voice.machine.events[voice.event].name}" if voice is not None else ""
    parts = [part for part in entry["parts"] if part["name"] == carrier or part["name"].startswith(("step", "block"))]
    summed = {end: sum(part["cycles"][end] / part["samples"] for part in parts) for end in ("optimistic", "pessimistic")}
    return {"name": entry["name"], "counted": min((part["counted"] for part in parts), default=0), "every_value": False,
            "instructions": {"most": sum(part["instructions"]["most"] / part["samples"] for part in parts)}, "cycles": summed}
