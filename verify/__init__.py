"""The words of a sheet. Everything else is reached through the command preflash."""

from verify.claims.accurate import accurate
from verify.claims.categories import finite, no_subnormals, stays_within
from verify.claims.order import falling, rising
from verify.claims.outside import clamps
from verify.claims.protective import deterministic, no_hidden_events, no_undefined_behaviour, returns
from verify.claims.relations import inverse_of, octave_doubles
from verify.grids import binary32, codes, fixed, integers, values
from verify.sheet import Sheet, fixed_output

__all__ = [
    "Sheet",
    "accurate",
    "binary32",
    "clamps",
    "codes",
    "deterministic",
    "falling",
    "finite",
    "fixed",
    "fixed_output",
    "integers",
    "inverse_of",
    "no_hidden_events",
    "no_subnormals",
    "no_undefined_behaviour",
    "octave_doubles",
    "returns",
    "rising",
    "stays_within",
    "values",
]
