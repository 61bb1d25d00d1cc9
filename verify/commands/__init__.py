"""One module per command: NAME, HELP, EXAMPLE, add(parser) and run(options) -> exit code.

Modules import what is heavy inside run: every one of them is imported to make the help text.
"""
