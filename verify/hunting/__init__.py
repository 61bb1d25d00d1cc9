"""Where to look: which ordinals a hunt visits, in which order. It never learns that C exists."""
