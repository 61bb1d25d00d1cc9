"""Renderings of a record. They compute nothing and need neither compiler nor references."""
