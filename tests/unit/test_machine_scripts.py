"""Event scripts: as text and back, made small, drawn by seed; and that two events close together are met."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from verify.errors import UsageError
from verify.hunting.plan import DEFAULT_SCRIPTS
from verify.machines.catalogue import catalogue
from verify.machines.generation import drawn, marked_places
from verify.machines.machine import Machine
from verify.machines.minimise import minimised, rank
from verify.machines.script import Happening, Piece, Script, format_script, parse_script, stream_places, table
from verify.sheet import load_sheet

SHEET = """
from verify import *
s = Sheet(sources=["plant.c"])
s.machine("voice", state="voice_t", init="voice_init(state)", step="y = voice_step(state, wind)",
    events=[event("gate", "voice_gate(state, gate)", integers("gate", 0, 1, "")), event("ping", "voice_ping(state)"),
            event("attack", "voice_attack(state, attack)", binary32("attack", 0.001, 10, "s")),
            event("pair", "voice_pair(state, a, b)", integers("a", -5, 5, ""), binary32("b", -1, 1, "V"))],
    inputs=[binary32("wind", -1, 1, "V")], outputs=[signal("y", "V")], sample_rates_hz=[48_000, 44_100],
    longest_seconds=0.5, hostile=HOSTILE, claims=[stays_within(-1, 1, because="range")])
"""


def machine(folder: Path, *, hostile: bool = False) -> Machine:
    """A machine of every kind of event."""
    (folder / "plant.c").write_text("int x;\n", encoding="utf-8")
    path = folder / "plant_sheet.py"
    path.write_text(SHEET.replace("HOSTILE", str(hostile)), encoding="utf-8")
    return load_sheet(path).machines[0]


@pytest.mark.parametrize("hostile", [False, True])
def test_every_script_reads_back_from_its_text(tmp_path: Path, hostile: bool) -> None:
    voice = machine(tmp_path, hostile=hostile)
    scripts = [script for batch in drawn(voice, 300, 5) for script in batch] + catalogue(voice)

    assert [parse_script(format_script(script, voice), voice) for script in scripts] == scripts


@pytest.mark.parametrize("text", ["", "48000", "96000/10/64", "48000/ten/64", "48000/10/64; 3 gat 0x00000001",
                                  "48000/10/64; 3 gate", "48000/10/64; 3 gate 0x00000002", "48000/10/64; wnd@0 hold 0x0",
                                  "48000/10/64; wind@0 spin 0x00000000", "48000/10/64; 1 attack 0x7f000000"])
def test_a_text_that_is_no_script_of_the_machine_is_refused(tmp_path: Path, text: str) -> None:
    with pytest.raises(UsageError, match="the script cannot be read"):
        parse_script(text, machine(tmp_path))


def test_the_time_table_shows_values_in_their_units_in_order(tmp_path: Path) -> None:
    voice = machine(tmp_path)
    script = Script(1, 4410, (Happening(441, 0, (1,)), Happening(882, 1)), ((Piece(0, "hold", 0),),))

    lines = table(script, voice)

    assert lines[0] == "4410 samples at 44100 Hz"
    assert [line.split()[0] for line in lines[1:]] == ["0", "441", "882"]
    assert "10.000 ms  gate = 1" in lines[2]


def test_the_same_seed_draws_the_same_scripts_and_another_seed_others(tmp_path: Path) -> None:
    voice = machine(tmp_path)
    first, again, other = ([s for batch in drawn(voice, 400, seed) for s in batch] for seed in (3, 3, 4))

    assert first == again
    assert len(set(first)) == len(first) >= 390
    assert len(set(first) & set(other)) < len(first) // 4


def test_scripts_keep_to_their_machine(tmp_path: Path) -> None:
    voice = machine(tmp_path)
    for batch in drawn(voice, 400, 11):
        for script in batch:
            assert not script.is_hostile()
            assert list(script.events) == sorted(script.events, key=lambda e: e.sample)
            assert all(0 <= e.sample < script.samples for e in script.events)
            assert all(stream and stream[0].start == 0 for stream in script.streams)
            assert all(0 <= place < grid.count for e in script.events
                       for place, grid in zip(e.places, voice.events[e.kind].arguments, strict=True))


def failing_when(wrong: Callable[[Script], int]) -> Callable[[list[Script]], list[int]]:
    """What minimising asks: the failing sample of each candidate, -1 where it holds."""
    return lambda scripts: [wrong(script) for script in scripts]


def gates_on(script: Script) -> list[int]:
    return [e.sample for e in script.events if e.kind == 0 and e.places == (1,)]


def close_pair(script: Script, least: int = 1, most: int = 64) -> int:
    """Sample at which a ping follows a gate within 64 samples, -1 if none does."""
    pings = [e.sample for e in script.events if e.kind == 1]
    return min((b for a in gates_on(script) for b in pings if least <= b - a <= most), default=-1)


def test_minimising_leaves_the_two_events_that_matter_at_the_least_gap(tmp_path: Path) -> None:
    voice = machine(tmp_path)
    start = next(s for batch in drawn(voice, 1000, 1) for s in batch if close_pair(s, 7) >= 0 and len(s.events) > 5)

    small, at = minimised(start, close_pair(start, 7), voice, failing_when(lambda s: close_pair(s, 7)))  # type: ignore[arg-type]

    assert [(e.kind, e.sample) for e in small.events] == [(0, 0), (1, 7)]
    assert (small.samples, at, small.rate) == (8, 7, 0)


def test_a_value_that_people_write_is_plainer_than_the_smallest_one(tmp_path: Path) -> None:
    voice = machine(tmp_path)
    wind, integers = voice.inputs[0], voice.events[3].arguments[0]
    above_zero = wind.index_near(0) + 1

    def moves(script: Script) -> int:
        return next((p.start for p in script.streams[0] if wind.value(p.a) > 0), -1)

    small, _ = minimised(Script(0, 9, (), ((Piece(3, "hold", above_zero),),)), 3, voice,
                         lambda scripts: [moves(s) for s in scripts])

    assert 1 == wind.value(small.streams[0][0].a)
    assert [0, 1, -1] == sorted((integers.value(k) for k in range(integers.count)),
                                key=lambda v: rank(integers, integers.index_near(v)))[:3]


def test_minimising_rounds_values_and_plain_streams(tmp_path: Path) -> None:
    voice = machine(tmp_path)
    grid = voice.events[2].arguments[0]
    limit = grid.index_near(3)

    def wrong(script: Script) -> int:
        return next((e.sample for e in script.events if e.kind == 2 and e.places[0] >= limit), -1)

    start = Script(1, 5000, (Happening(17, 1), Happening(333, 2, (grid.index_near(7) + 12345,))),
                   ((Piece(0, "noise", 5, 900, 3), Piece(40, "ramp", 4, 77, 30)),))
    small, at = minimised(start, 333, voice, failing_when(wrong))  # type: ignore[arg-type]

    assert [e.sample for e in small.events] == [0] and (at, small.samples) == (0, 1)
    assert small.events[0].places[0] in marked_places(grid)
    assert [[p.shape for p in stream] for stream in small.streams] == [["hold"]]


def test_a_few_samples_of_random_values_become_values_to_type(tmp_path: Path) -> None:
    voice = machine(tmp_path)
    wind = voice.inputs[0]

    def wrong(script: Script) -> int:
        values = [float(wind.value(k)) for k in stream_places(script.streams[0], wind, script.samples)]
        return next((k for k in range(2, len(values)) if values[k - 2] < values[k - 1] > max(values[k], 0)), -1)

    start = Script(0, 500, (), ((Piece(0, "noise", 5, wind.count - 1, 3),),))
    small, at = minimised(start, wrong(start), voice, failing_when(wrong))  # type: ignore[arg-type]

    assert ["hold", "hold", "hold"] == [p.shape for p in small.streams[0]]
    assert (3, 2) == (small.samples, at)
    assert all(p.a in marked_places(wind) for p in small.streams[0])


def test_of_a_sweep_of_sines_the_failing_one_is_left_alone(tmp_path: Path) -> None:
    voice = machine(tmp_path)
    sweep = tuple(Piece(9000 * k, "sine", 0, voice.inputs[0].count - 1, 1000 + k) for k in range(10))
    rounds = []

    def wrong(script: Script) -> int:
        for piece, end in zip(script.streams[0], [*(p.start for p in script.streams[0][1:]), script.samples], strict=True):
            if (piece.shape, piece.period) == ("sine", 1007) and end - piece.start >= 9000:
                return end - 1
        return -1

    def fails(scripts: Sequence[Script]) -> list[int]:
        rounds.append(sum(script.samples for script in scripts))
        return [wrong(script) for script in scripts]

    small, at = minimised(Script(0, 90_000, (Happening(0, 1),), (sweep,)), 71_999, voice, fails)

    assert (9000, 8999, 1) == (small.samples, at, len(small.streams[0]))
    assert () == small.events
    # Nothing as long as the whole sweep is run in number to get there.
    assert rounds[0] <= 8 * 90_000


def seeds_that_meet(voice: Machine, seeds: range, wrong: Callable[[Script], bool]) -> int:
    """In how many seeds the default budget of generated scripts meets a fault."""
    return sum(any(wrong(s) for batch in drawn(voice, DEFAULT_SCRIPTS, seed) for s in batch) for seed in seeds)


def narrow(script: Script, five_seconds: int) -> bool:
    """A ping one to 64 samples after a gate went on that came while the attack was above five seconds."""
    attack = -1
    on: list[int] = []
    for e in script.events:
        if e.kind == 2:
            attack = e.places[0]
        elif e.kind == 0 and e.places == (1,) and attack > five_seconds:
            on.append(e.sample)
        elif e.kind == 1 and any(1 <= e.sample - a <= 64 for a in on):
            return True
    return False


@pytest.mark.full
def test_two_events_within_64_samples_are_met_in_every_seed(tmp_path: Path) -> None:
    voice = machine(tmp_path)

    assert seeds_that_meet(voice, range(6), lambda s: close_pair(s) >= 0) == 6
    five = voice.events[2].arguments[0].index_near(5)
    assert seeds_that_meet(voice, range(6), lambda s: narrow(s, five)) == 6
