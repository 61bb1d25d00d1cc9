"""What a command imports before it knows what it is asked for."""

from __future__ import annotations

import subprocess
import sys


def test_a_command_line_is_read_before_anything_heavy_is_imported() -> None:
    """check has numpy imported with one thread and without a search for garbage, and forks before it grows."""
    told = ("import sys, verify.command_line\n"
            "print([name for name in ('numpy', 'mpmath', 'cffi', 'hypothesis') if name in sys.modules])")
    done = subprocess.run([sys.executable, "-c", told], capture_output=True, text=True, check=True)

    assert done.stdout == "[]\n"
