"""preflash look: what a few round voltages never show is told beside the table."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.end_to_end.test_command_line import preflash

pytestmark = pytest.mark.usefixtures("gcc", "private_cache")

# A straight line from semitone to semitone: right at each, up to 0.72 cents flat between them (2^(1/24) is the mean of
# 1 and 2^(1/12) less a part in 2400).
BETWEEN = """
#include <math.h>
float hz(float volts)
{
    float place = volts * 12.0f, low = floorf(place);
    float below = exp2f(low / 12.0f), above = exp2f((low + 1.0f) / 12.0f);
    return 55.0f * (below + (above - below) * (place - low));
}
"""


def test_the_worst_of_all_inputs_stands_beside_the_table_of_a_few(tmp_path: Path) -> None:
    (tmp_path / "pitch.c").write_text(BETWEEN, encoding="utf-8")
    done = preflash(tmp_path, "look", "pitch.c:hz", "1", "2")

    assert 0 == done.returncode, done.stdout + done.stderr
    (held,) = [line for line in done.stdout.splitlines() if "holds: accurate(cents=1), host" in line]
    assert "; worst +0.7" in held and "cents at volts = 1." in held
    rows = [line.split() for line in done.stdout.splitlines() if line.startswith("    1.") or line.startswith("    2.")]
    assert 12 == len(rows) and 0.7 < max(abs(float(row[-1])) for row in rows)


def test_an_input_that_is_held_is_named_and_not_at_zero(tmp_path: Path) -> None:
    (tmp_path / "q.c").write_text("#include <stdint.h>\nint16_t scaled(int16_t x, int16_t gain)\n{\n"
                                  "    return (int16_t)(((int32_t)x * gain) >> 15);\n}\n", encoding="utf-8")
    done = preflash(tmp_path, "look", "q.c:scaled")

    assert 0 == done.returncode, done.stdout + done.stderr
    assert "shown with gain held at 16384;" in done.stdout
    assert " -32768   -16384" in done.stdout
