"""Controls with a memory: a knob with hysteresis, and one that waits until it is picked up, sample by sample.

Conventions. The control is a stream, or an event that holds its value. Hysteresis has two forms. "jump": what is shown
stays until the control has moved away from it by more than `width` (or by `width` itself, with inclusive); then it is the
control's value. "drag": it is pulled along at a distance of `width`, as by a loose string, so that both ends of travel are
missed by `width`. A recalled value stays until the control reaches or passes it, by the rule of control.pickup_from_positions
between two samples; from then on the control itself is shown. An event counts from the sample on before which it stands.
Limits: values, and with "drag" their sums with width, are exact in binary64, or refused.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np

from reference.errors import DomainError
from reference.rationals import RationalContext
from reference.recurrences import Steps, stream_or_events
from reference.trajectories import Script

FORMS = ("jump", "drag")


def hysteresis(ctx: Any, script: Script, *, source: str = "x", width: Any, form: str = "jump", inclusive: bool = False,
               start: Any = 0) -> Steps:
    """A control that small movements do not move.

    Shape:   script to trajectory; source: stream or event that holds the control.
    Unit:    that of the control.
    Domain:  width >= 0; form "jump" or "drag".
    Error:   exact.
    Source:  definition; tests/external/test_control_in_time.py.

    >>> s = Script(4, Fraction(10), (), {"x": np.array([1.0, 3.0, 6.0, 5.0])})
    >>> hysteresis(None, s, width=2).screen()[0].tolist(), hysteresis(None, s, width=2, form="drag").screen()[0].tolist()
    ([0.0, 3.0, 6.0, 6.0], [0.0, 1.0, 4.0, 4.0])
    """
    exact = RationalContext()
    reach, held = exact.number(width), exact.number(start)
    if reach < 0 or form not in FORMS:
        raise DomainError(f"width is at least 0, form one of {', '.join(FORMS)}")
    wide, now = _float_of(reach), _float_of(held)
    values = stream_or_events(script, source, held)
    found = np.empty(len(values))
    # A sum of a double and a difference is exact where both are multiples of one step, as codes and knobs are.
    simple = bool(np.all(values == np.rint(values))) and wide == round(wide) and now == round(now)
    for number, x in enumerate(values.tolist()):
        gap: Any = x - now if simple else Fraction(x) - Fraction(now)
        if abs(gap) > wide or (inclusive and gap and abs(gap) == wide):
            if form == "jump":
                now = x
            else:
                now = _float_of(Fraction(x) - reach if gap > 0 else Fraction(x) + reach)
        found[number] = now
    return Steps(script, found)


def pickup(ctx: Any, script: Script, *, source: str = "x", when: str = "recall", start: Any = None) -> Steps:
    """A control that takes over only once it reaches the value that was recalled.

    Shape:   script to trajectory; source: name of the stream; when: the event whose value is recalled; start: a value
             recalled before the first sample (None: the control is in charge).
    Unit:    that of the control.
    Domain:  real.
    Error:   exact.
    Source:  definition (control.pickup_from_positions); tests/external/test_control_in_time.py.

    >>> s = Script(4, Fraction(10), ((1, "recall", Fraction(5)),), {"x": np.array([1.0, 3.0, 6.0, 4.0])})
    >>> pickup(None, s).screen()[0].tolist()
    [1.0, 5.0, 6.0, 4.0]
    """
    if source not in script.streams:
        raise DomainError(f"a pickup needs the stream {source!r}")
    values = np.asarray(script.streams[source], np.float64)
    recalled = {at: _float_of(value) for at, name, value in script.events if name == when}
    stored = None if start is None else _float_of(RationalContext().number(start))
    found = np.empty(len(values))
    before = values[0] if len(values) else 0.0
    for number, x in enumerate(values.tolist()):
        stored = recalled.get(number, stored)
        if stored is not None and min(before, x) <= stored <= max(before, x):
            stored = None
        found[number] = x if stored is None else stored
        before = x
    return Steps(script, found)


def _float_of(value: Fraction) -> float:
    nearest = float(value)
    if Fraction(nearest) != value:
        raise DomainError(f"{value} is not exact in binary64")
    return nearest
