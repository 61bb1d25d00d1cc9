"""Paths: routines of a sheet one after another, what fits between them, and the budget of their errors."""
