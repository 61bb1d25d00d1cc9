"""What sprintf, strcpy, memset and their like touch, and arrays of variable length: found by name and line."""

from __future__ import annotations

import platform
from pathlib import Path
from typing import Any

import pytest

from tests.fault_injection.planted import C_START, found_beside, run, seen, shared_record, sheet_text

pytestmark = [
    pytest.mark.usefixtures("gcc"),
    pytest.mark.skipif(platform.machine() != "x86_64", reason="the map of locals is laid out for x86-64"),
]

# Way -> (C at the fault, where `far` picks the first of two numbers; what is said).
WAYS: dict[str, tuple[str, str]] = {
    "prints": ('sprintf(b, "%d", far(code, 12345678, 7))', "write outside a variable (9 bytes at byte 8 of 'b', which has 8"),
    "prints_float": ('sprintf(b, "%.2f", far(code, 12345, 7) + 0.5)', "9 bytes at byte 8 of 'b'"),
    "prints_on": ('printed(b, "%s", names[far(code, 1, 0)])', "14 bytes at byte 8 of 'b'"),
    "says_more": ('snprintf(b, (size_t)far(code, 12, 8), "%s", names[1])', "12 bytes at byte 8 of 'b'"),
    "reads_on": ('snprintf(wide, 48, "%.*s", far(code, 9, 8), open)', "read outside a variable (1 bytes at byte 8 of 'open'"),
    "appends": ("strcpy(b, \"bell\"); strncat(b, \"abcdefgh\", (size_t)far(code, 4, 3))", "5 bytes at byte 8 of 'b'"),
    "pads": ('strncpy(b, "abc", (size_t)far(code, 9, 8))', "9 bytes at byte 8 of 'b'"),
    "clears": ("memset(b, 0, (size_t)far(code, 9, 8))", "9 bytes at byte 8 of 'b'"),
    "moves": ("memmove(b + 1, b, (size_t)far(code, 8, 7))", "8 bytes at byte 8 of 'b'"),
    "measures": ("keep += (int)strnlen(open, (size_t)far(code, 9, 8))", "1 bytes at byte 8 of 'open', which has 8"),
    "compares": ("keep += strncmp(open, \"xxxxxxxxx\", (size_t)far(code, 9, 8))", "1 bytes at byte 8 of 'open'"),
    "next_member": ("strcpy(kept->name, names[far(code, 1, 0)])",
                    "14 bytes at byte 8 of 'the object or member that it is given', which has 8"),
    "next_printed": ('sprintf(kept->name, "%d", far(code, 12345678, 1))', "9 bytes at byte 8 of 'the object or member"),
    "varies": ("{ float w[length]; put(w, 0); put(w, far(code, length, length - 1)); }", "at byte 12 of 'an array"),
    "varies_before": ("{ float w[length]; put(w, far(code, -1, 0)); }", "4 bytes before 'an array of variable length"),
    "taken": ("{ float *w = alloca(12); put(w, 0); put(w, far(code, 3, 2)); }", "at byte 12 of 'an array"),
}
PUT = "static __attribute__((noipa)) void put"
C = C_START + """
#include <alloca.h>
#include <stdarg.h>
#include <stdio.h>
typedef struct { char name[8]; float line[4]; int last; } preset_t;
static preset_t preset;
static volatile int three = 3;
static const char *const names[2] = {"C sharp", "C sharp minor"};
static int far(uint16_t code, int there, int elsewhere) { return hit(code, 4096u) ? there : elsewhere; }
static __attribute__((noipa)) void *same(void *p) { return p; }
static __attribute__((noipa)) void put(float *t, int at) { t[at] = 1.0f; }
static __attribute__((noinline)) void printed(char *to, const char *how, ...)
{
    va_list values; va_start(values, how); vsprintf(to, how, values); va_end(values);
}
#define BEGIN volatile int keep = bits_of(0) != 0; int length = three; preset_t *kept = same(&preset); \\
    char b[8] = "", open[8], wide[48]; same(b); memset(open, 'x', 8); same(wide); (void)length; (void)kept; (void)keep;
""" + "".join(f"float {name}(uint16_t code)\n{{\nBEGIN\n{way}; // of {name}\nsame(b);\nreturn code + (float)(keep & 0);\n}}\n"
              for name, (way, _) in WAYS.items()) + r"""
float right(uint16_t code)
{
    BEGIN
    keep += sprintf(wide, "%5s %.2f %*.*f %-3c%% %ld %Lf", names[0], 1.5, 4, 1, 2.5, 'x', 5L, 2.0L);
    keep += snprintf(NULL, 0, "%s", names[1]) + snprintf(wide, 48, "%.8s", open) + snprintf(b, 8, "%s", names[1]);
    strcpy(b, "bell"); strncat(b, "abcdefgh", 3); strncpy(b, "abcdefgh", 8); printed(wide, "%s", names[1]);
    keep += strncmp(open, "xxxxxxxxx", 8) + (int)strnlen(open, 8) + strcmp(names[0], names[1]);
    for (int k = 1; k < 40; k++) { float w[k]; put(w, 0); put(w, k - 1); char *t = alloca(k); memset(t, 0, k); same(t); }
    strcpy(kept->name, names[0]); memset(kept, 0, sizeof *kept); memcpy(kept->line, wide, 16);
    return code + (float)(keep & 0);
}
"""
ENTRIES = f"""
for name in {[*WAYS, "right"]}:
    f(name, inputs=[codes("code", bits=12)], output="", claims=[in_bounds(because=WHY)])
"""


@pytest.fixture(scope="module")
def record(private_cache: Any) -> dict[str, Any]:
    return shared_record(C, sheet_text(ENTRIES, more=', builds=["strict"]'))


@pytest.mark.parametrize("name", WAYS)
def test_what_goes_beyond_is_told_with_input_and_line(record: dict[str, Any], name: str) -> None:
    found, (way, words) = seen(record, name), WAYS[name]
    line = PUT if "put(" in way else "vsprintf(to" if "printed(" in way else f"// of {name}"

    found_beside(found, C, line, ("in_bounds", "no_undefined_behaviour"))
    assert words in found.words("no_undefined_behaviour", "strict")


def test_what_stays_inside_gives_no_alarm(record: dict[str, Any]) -> None:
    found = seen(record, "right")

    assert set() == found.failing() | set(found.other())


OWN = C_START + r"""
#include <stdarg.h>
#include <stdio.h>
void *memset(void *to, int value, size_t n) { unsigned char *at = to; while (n--) *at++ = (unsigned char)value; return to; }
char *strcpy(char *to, const char *from) { char *at = to; while ((*at++ = *from++)) { } return to; }
int sprintf(char *to, const char *how, ...)
{ va_list v; va_start(v, how); int n = vsprintf(to, how, v); va_end(v); return n; }
static __attribute__((noipa)) void keep(void *p) { (void)p; }
float right(uint16_t code)
{
    char b[16];
    memset(b, 0, 16); strcpy(b, "abc"); sprintf(b, "%d", code); keep(b);
    return code + 0.0f * (float)(hit(code, 9u) + bits_of(0));
}
"""


def test_functions_of_these_names_that_the_author_writes_stay_the_authors(tmp_path: Path) -> None:
    entry = 'f("right", inputs=[codes("code", bits=12)], output="", claims=[])'
    record = run(tmp_path, OWN, sheet_text(entry, flags="-O2 -D_FORTIFY_SOURCE=2", more=', builds=["strict"]'))
    found = seen(record, "right")

    assert set() == found.failing() | set(found.other())
