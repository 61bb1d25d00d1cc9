"""Reports from a stored record: no compiler, no mathematics, no firmware; every name escaped; drawn in a real browser."""

from __future__ import annotations

import csv
import io
import json
import shutil
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from tests.fault_injection.machine_parts import STRIKE, planted
from tests.fault_injection.planted import C_START, run, sheet_text
from verify.hunting.plan import Plan
from verify.reports.html_page import page
from verify.reports.record import lines_of
from verify.reports.tables import csv_text, junit, markdown

ROOT = Path(__file__).resolve().parents[2]
NASTY = "<script>alert(1)</script>"
FLAT = C_START + "float hz(float volts) { return 65.40639f * exp2f(volts * 0.999f); }\n"
SHEET = sheet_text(f"""
f("hz", inputs=[binary32("volts", 1, 2, "V")], output="Hz", reference=pitch.hz_from_volts,
  constants={{"zero_volt_hz": "440 * 2**(-33/12)"}},
  claims=[accurate(cents=0.1, because="{NASTY}")])
""", more=f', title="{NASTY}", note="{NASTY}"')
BARE = """
import json, sys
class Refuse:
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in ("mpmath", "cffi", "firmware_shim", "reference"):
            raise ImportError(name)
sys.meta_path.insert(0, Refuse())
from verify.reports.html_page import page
from verify.reports.record import load_record
from verify.reports.tables import csv_text, junit, markdown
from pathlib import Path
record = load_record(Path(sys.argv[1]))
print([len(render(record)) > 200 for render in (page, csv_text, junit, markdown)])
"""


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Any]]:
    folder = tmp_path_factory.mktemp("reported")
    pitch = run(folder / "pitch", FLAT, SHEET, Plan(every_value_up_to=1000, sampled_cases=100_000))
    change = ("s->mode = 1;\n", "s->mode = 1; s->level = 0.0f;\n")
    machine, _ = planted(folder / "machine", STRIKE, change, plan=Plan(scripts=64))
    return {"pitch": json.loads(lines_of(pitch)), "machine": json.loads(lines_of(machine))}


class Elements(HTMLParser):
    """Counts start tags; notes addresses that a browser would fetch."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.fetched: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        links = [value or "" for name, value in attrs if name in ("src", "href")]
        self.fetched += [link for link in links if not link.startswith("#")]


@pytest.mark.parametrize("name", ["pitch", "machine"])
def test_a_page_stands_alone(records: dict[str, dict[str, Any]], name: str) -> None:
    text = page(records[name])
    seen = Elements()
    seen.feed(text)

    assert [] == seen.fetched
    assert "http" not in text.replace("http-equiv", "")
    assert seen.tags.count("svg") >= 1
    assert len(text) < 1_500_000
    assert "✗" in text and "FAILS" in text and "Not checked:" in text and "not on headphones" in text


def test_names_from_the_sheet_are_escaped(records: dict[str, dict[str, Any]]) -> None:
    text = page(records["pitch"])

    assert NASTY not in text
    assert text.count("<script>") == 1
    assert "&lt;script&gt;alert(1)" in text
    assert "<script>" not in markdown(records["pitch"]).split("````")[0]


def test_tables_have_one_entry_per_claim(records: dict[str, dict[str, Any]]) -> None:
    for record in records.values():
        claims = [claim for routine in record["routines"] for claim in routine["claims"]]
        rows = list(csv.DictReader(io.StringIO(csv_text(record))))
        suite = ElementTree.fromstring(junit(record).partition("\n")[2])

        assert [c["verdict"] for c in claims] == [row["verdict"] for row in rows]
        assert len(claims) == len(suite.findall("testcase")) == int(suite.attrib["tests"])
        assert sum(c["verdict"] == "fails" for c in claims) == len(suite.findall("testcase/failure"))
        assert all("where" in (found.text or "") for found in suite.findall("testcase/failure"))


def test_every_format_renders_where_nothing_else_is_installed(records: dict[str, dict[str, Any]], tmp_path: Path) -> None:
    path = tmp_path / "machine.json"
    path.write_text(lines_of(records["machine"]), encoding="utf-8")
    done = subprocess.run([sys.executable, "-c", BARE, str(path)], cwd=ROOT, capture_output=True, text=True, timeout=60)

    assert "[True, True, True, True]" == done.stdout.strip(), done.stderr


@pytest.mark.parametrize("name", ["pitch", "machine"])
def test_a_browser_draws_it_and_the_keyboard_moves_the_cursor(records: dict[str, dict[str, Any]], tmp_path: Path,
                                                             name: str) -> None:
    browser = shutil.which("chromium") or shutil.which("chromium-browser")
    if browser is None:
        pytest.skip("chromium is not installed")
    press = ("<script>window.onerror = (text) => { document.title = 'error ' + text; };</script>", """<script>
const figure = document.querySelector("figure[data-plot]");
figure.dispatchEvent(new KeyboardEvent("keydown", {key: "End", bubbles: true, cancelable: true}));
document.body.dataset.said = figure.querySelector("figcaption span").textContent;
document.body.dataset.fetched = performance.getEntriesByType("resource").length;
</script>""")
    text = page(records[name]).replace("<body>", "<body>" + press[0]).replace("</body>", press[1] + "</body>")
    (tmp_path / "page.html").write_text(text, encoding="utf-8")
    done = subprocess.run([browser, "--headless", "--no-sandbox", "--disable-gpu", "--dump-dom",
                           (tmp_path / "page.html").as_uri()], capture_output=True, text=True, timeout=90)

    assert "<title>error" not in done.stdout
    assert 'data-fetched="0"' in done.stdout
    assert ('data-said="volts from' if name == "pitch" else 'data-said="sample') in done.stdout
