"""Claims: one file each. A claim knows its limit, its engine test, and how to judge evidence."""
