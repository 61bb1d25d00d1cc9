"""Machines: routines with state, driven by event scripts. Their verdicts are never better than `N tried`."""
