"""Endings of file names by which C and C++ are told apart."""

CPP_SOURCES = (".cpp", ".cc", ".cxx")
SOURCES = (".c", *CPP_SOURCES)
HEADERS = (".h", ".hpp", ".hh")
# What is compiled as C++.
CPP = (*CPP_SOURCES, ".hpp", ".hh")
