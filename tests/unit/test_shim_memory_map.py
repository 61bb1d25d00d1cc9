"""Writable memory, symbols and load address of a built library."""

import ctypes
from pathlib import Path

import pytest

from firmware_shim.build import Request, build
from firmware_shim.errors import SourceMissing
from firmware_shim.memory_map import load_base, symbol_at, writable_sections

pytestmark = pytest.mark.quick

SOURCE = """
static volatile float level = 0.25f;
static float line[64];
static const float table[3] = {1, 2, 3};
__attribute__((section(".fast_ram"))) int fast = 7;
float keep(float x)
{
    level = x;
    line[(int)x & 63] = x;
    fast++;
    return table[fast % 3u] + line[fast & 63] + level;
}
"""


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("memory")
    (folder / "a.c").write_text(SOURCE)
    return build(Request((folder / "a.c",), flags="-O2", routines=("keep",)), folder / "cache").library


def test_sections_hold_the_authors_variables_and_no_loader_tables(library: Path) -> None:
    sections = {s.name: s for s in writable_sections(library)}

    assert {".data", ".bss", ".fast_ram"} == set(sections)
    assert sections[".bss"].size >= 64 * 4


def test_every_writable_variable_lies_in_a_section(library: Path) -> None:
    built_sections = writable_sections(library)
    names = {"level": 4, "line": 256, "fast": 4}
    spans = {}
    for section in built_sections:
        for address in range(section.offset_address, section.offset_address + section.size):
            symbol = symbol_at(library, address)
            if symbol is not None:
                spans[symbol.name] = spans.get(symbol.name, 0) + 1

    assert names == {name: size for name, size in spans.items() if name in names}
    assert "table" not in spans


def test_the_load_base_turns_offsets_into_addresses(library: Path) -> None:
    assert load_base(library) is None

    loaded = ctypes.CDLL(str(library))
    base = load_base(library)
    assert base is not None
    address = ctypes.cast(loaded.keep, ctypes.c_void_p).value
    assert address is not None
    symbol = symbol_at(library, address - base)

    assert symbol is not None and "keep" == symbol.name
    assert symbol.offset_address == address - base


def test_nothing_lies_at_an_address_outside(library: Path) -> None:
    assert symbol_at(library, 1 << 40) is None


def test_a_file_that_is_no_library_is_a_clear_error(tmp_path: Path) -> None:
    (tmp_path / "text.so").write_text("not a library")

    with pytest.raises(SourceMissing):
        writable_sections(tmp_path / "text.so")
    with pytest.raises(SourceMissing):
        writable_sections(tmp_path / "absent.so")
