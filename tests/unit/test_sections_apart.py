"""Constants in sections of their own, and libraries that hold what a routine reaches."""

from __future__ import annotations

from pathlib import Path

import pytest

from firmware_shim.build import Built, Request, build
from firmware_shim.memory_map import functions_of
from firmware_shim.sections_apart import apart

CONSTANTS = """\
\t.section\t.rodata.cst4,"aM",@progbits,4
\t.align 4
.LC0:
\t.long\t1
\t.align 4
.LC1:
\t.long\t2
\t.section\t.text.f,"ax",@progbits
f:
\tret
\t.section\t.rodata
\t.align 8
.LC2:
\t.string\t"a"
.L9:
\t.long\t3
"""


def sections(text: str) -> list[str]:
    return [line.split("\t")[2].partition(",")[0] for line in text.split("\n") if line.startswith("\t.section")]


def test_each_constant_gets_a_section_with_its_alignment() -> None:
    found = apart(CONSTANTS)

    assert [".rodata.cst4", ".rodata.cst4.LC0", ".rodata.cst4.LC1", ".text.f", ".rodata", ".rodata.LC2"] == sections(found)
    assert '\t.section\t.rodata.cst4.LC1,"aM",@progbits,4\n\t.align 4\n.LC1:\n' in found
    assert CONSTANTS.split("\n") == [line for line in found.split("\n") if ".LC" not in line or not line.startswith("\t.sec")]


@pytest.mark.parametrize("more", ["\t.pushsection .x\n", "\t.previous\n"])
def test_a_text_that_comes_back_to_sections_is_left_as_it_is(more: str) -> None:
    assert CONSTANTS + more == apart(CONSTANTS + more)


def test_what_is_reached_by_its_distance_from_an_anchor_stays_together() -> None:
    assert ".rodata.LC2" not in sections(apart(CONSTANTS + "\t.set\t.LANCHOR0,. + 0\n"))


LIST = """\
\t.section\t.data.rel.local..LASAN0,"aw"
\t.align 32
\t.type\t.LASAN0, @object
\t.size\t.LASAN0, 64
.LASAN0:
\t.quad\ttable
\t.quad\t16
\t.quad\t64
\t.quad\t.LC5
\t.quad\t.LC6
\t.quad\t0
\t.quad\t.LASANLOC1
\t.quad\t0
"""
CALLS = """\
_sub_D_65535_0:
\tmovl\t$1, %esi
\tleaq\t.LASAN0(%rip), %rdi
\tjmp\t__asan_unregister_globals@PLT
\t.size\t_sub_D_65535_0, .-_sub_D_65535_0
\t.section\t.fini_array,"aw"
\t.quad\t_sub_D_65535_0
_sub_I_65535_1:
\tmovl\t$1, %esi
\tleaq\t.LASAN0(%rip), %rdi
\tjmp\t__asan_register_globals@PLT
\t.size\t_sub_I_65535_1, .-_sub_I_65535_1
\t.section\t.init_array,"aw"
\t.quad\t_sub_I_65535_1
"""


def test_an_entry_lives_as_long_as_its_variable() -> None:
    found = apart(LIST + CALLS)

    assert '\t.section\t.pf_globals,"awo",@progbits,table,unique,0\n' in found
    assert "LASAN0" not in found
    assert "__asan_register" not in found


@pytest.mark.parametrize(("old", "new"), [
    ("LASAN0, 64", "LASAN0, 128"), ("\ttable\n", "\ttable+8\n"), ("\tmovl\t$1, %esi\n", "\tcall\tmore@PLT\n"),
    ("\t.quad\t_sub_I_65535_1\n", ""), ("_sub_D_65535_0:", "other:"),
])  # fmt: skip
def test_a_list_that_is_not_understood_stays_whole(old: str, new: str) -> None:
    text = (LIST + CALLS).replace(old, new)
    assert text == apart(text)


C = """\
static const float curve[3] = {1, 2, 3};
static float shared(float x) { return x * 7.0f; }
__attribute__((noinline)) static float deep(float x) { return shared(x) + 1.0f; }
float look(int i) { return curve[i % 3]; }
float far(int i) { return deep((float)i); }
"""


def built(folder: Path, text: str, routines: tuple[str, ...] = ("look", "far"), variant: str = "host") -> Built:
    source = folder / "plant.c"
    source.write_text(text)
    return build(Request((source,), routines=routines, flags="-O2", variant=variant), folder / "cache")


def names(made: Built, routine: str) -> set[str]:
    return {name for name, _, _ in functions_of(made.library_of(routine))} & {"curve", "deep", "look", "far"}


@pytest.mark.usefixtures("gcc")
@pytest.mark.parametrize("variant", ["host", "strict"])
def test_a_library_holds_what_its_routine_reaches(tmp_path: Path, variant: str) -> None:
    made = built(tmp_path, C, variant=variant)

    assert {"curve", "look"} == names(made, "look")
    assert {"deep", "far"} == names(made, "far")
    assert {"curve", "deep", "look", "far"} == names(made, "")


@pytest.mark.usefixtures("gcc")
def test_where_no_library_of_its_own_is_sure_the_whole_is_used(tmp_path: Path) -> None:
    by_name = "#include <dlfcn.h>\nvoid *find(void) { return dlsym((void *)0, \"table\"); }\n"

    assert {} == built(tmp_path, C + by_name).parts
    alone = built(tmp_path, C, ("look",))
    assert alone.library == alone.library_of("look")
