"""The form in which a person writes an event script, as the help prints it."""

FORM = """\
a script, one thing a line, in order or not; # begins a comment:
  machine strike            which machine (not needed where there is one)
  rate 48000                one of its sample rates (default: the first)
  length 2s                 default: to the end of what happens, and on
  0      attack 0.02        time, event, its values; times: 480 is the
  250ms  strike             number of a sample, 250ms and 0.25s are times
  0      wind  0.5          an input stays at a value, or moves:
  1s     wind  ramp 0 5 500ms         (how long)
  1s     wind  sine -1 1 440Hz        (or: square -1 1 440Hz)
  1s     wind  noise -1 1 7           (the seed)"""
