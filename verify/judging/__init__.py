"""From evidence to verdicts: exact errors, and the rules by which a claim holds or fails."""
