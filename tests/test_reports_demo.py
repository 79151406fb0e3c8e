"""All reports of the demo fleet: made side by side, whole, small enough, and the same number in every form.

Once as they come, once with other parameters than the defaults.
"""

from __future__ import annotations

import csv
import itertools
import json
import re
from pathlib import Path

import nbformat
import openpyxl
import pypdf
import pytest
from bs4 import BeautifulSoup

from browser_check import assert_clean, needs_browser
from ventbook import reports as pages
from ventbook.document import read_blocks, wording
from ventbook.document.blocks import make_anchor
from ventbook.document.consistency import find_faults
from ventbook.document.xlsx import sheet_names, shown_value
from ventbook.run import job, runner
from ventbook.shipped import NOTEBOOKS

NAMES = [name for name, spec in pages.report_specs().items() if (NOTEBOOKS / spec.notebook).is_file()]
CALLS = {
    "defaults": {},
    "others": {"period": "12m/2026-09", "units": "us", "level": 0.9, "as_of": 8, "engine_type": "flat4"},
}


@pytest.fixture(
    scope="module",
    params=[pytest.param(name, marks=() if name == "defaults" else pytest.mark.long) for name in CALLS],
)
def made(request, demo_store, tmp_path_factory) -> dict[str, job.Outcome]:
    out = tmp_path_factory.mktemp("demo")
    call = {"store": str(demo_store), **CALLS[request.param]}
    outcomes = runner.run_reports(NAMES, call, out=out)
    faults = [f"{outcome.name}: {outcome.message}" for outcome in outcomes if not outcome.done]
    assert not faults, "\n".join(faults)
    return {outcome.name: outcome for outcome in outcomes}


@pytest.mark.parametrize("name", NAMES)
def test_report_is_whole_and_says_the_same_in_every_form(made, name) -> None:
    folder = made[name].folder
    findings = json.loads((folder / "findings.json").read_text("utf-8"))
    run = json.loads((folder / "run.json").read_text("utf-8"))
    page = (folder / "report.html").read_text("utf-8")
    units = findings["parameters"]["units"]
    assert len(page.encode()) < 3_000_000
    assert "does not release an engine to service" in page
    assert run["snapshot"] == 8 and run["limits"]["revision"]
    if run["parameters"]["period"] == "":
        assert run["warnings"] == []
    soup = BeautifulSoup(page, "html.parser")
    assert not soup.find_all("script") and not re.search(r"(src|href)=\"(https?:|//)", page)
    assert soup.select_one(".vb-answer").get_text().strip()
    text = re.sub(
        r"\s+", " ", " ".join(p.extract_text() for p in pypdf.PdfReader(folder / "report.pdf").pages)
    )
    compare_findings(findings["findings"], soup, text, folder / "tables.xlsx", units)
    compare_tables(findings["tables"], soup, folder)


@pytest.mark.parametrize("name", NAMES)
def test_a_page_of_the_demo_says_nothing_against_itself(made, name) -> None:
    blocks = read_blocks(nbformat.read(made[name].folder / "report.ipynb", as_version=4))
    assert find_faults(list(blocks), raw_names=() if name == "records" else None) == []


def compare_findings(findings: list[dict], soup: BeautifulSoup, text: str, book: Path, units: str) -> None:
    rows = [
        [cell.get_text() for cell in row.find_all(["th", "td"])]
        for row in soup.find(id="table-findings").select("tbody tr")
    ]
    sheet = list(openpyxl.load_workbook(book)["Numbers"].iter_rows(values_only=True))
    assert len(rows) == len(findings) == len(sheet) - 1
    squeezed = text.replace(" ", "")
    for finding, row, cells in zip(findings, rows, sheet[1:], strict=True):
        unit = finding["unit"]
        low, high = finding["low"], finding["high"]
        if finding["estimate"] is not None:
            shown = wording.number(finding["estimate"], unit, units=units)
            assert row[3] == shown and shown.replace(" ", "") in squeezed
        else:
            assert row[3] == ""
        if low is not None or high is not None:
            assert row[4] == wording.value_range(low, high, unit, units=units)
        for place, value in ((4, finding["estimate"]), (5, low), (6, high)):
            expected = (
                None if value is None else pytest.approx(shown_value(value, unit, units), rel=1e-9, abs=1e-12)
            )
            assert cells[place] == expected
        assert cells[8] == finding["n"] and cells[0] == finding["id"]


def compare_tables(tables: dict[str, str], soup: BeautifulSoup, folder: Path) -> None:
    """Row numbers and first columns agree; the CSV has every row that the page shows."""
    book = openpyxl.load_workbook(folder / "tables.xlsx")
    assert book.sheetnames == sheet_names(["Read me", "Numbers", *tables])
    for (name, path), sheet in zip(tables.items(), book.sheetnames[2:], strict=True):
        with (folder / path).open(encoding="utf-8", newline="") as source:
            rows = list(csv.reader(source))
        cells = list(book[sheet].iter_rows(values_only=True))
        assert len(cells) == len(rows), name
        shown = soup.find(id=f"table-{make_anchor(name)}")
        if shown is not None and len(rows) > 1:
            assert 1 <= len(shown.select("tbody tr")) <= len(rows) - 1


def test_every_picture_and_formula_has_words(made) -> None:
    for outcome in made.values():
        soup = BeautifulSoup((outcome.folder / "report.html").read_text("utf-8"), "html.parser")
        for picture in soup.find_all("img"):
            assert len(picture["alt"]) > 20, (outcome.name, picture["alt"])
        for formula in soup.find_all("math"):
            assert formula["alttext"]
        headings = [int(tag.name[1]) for tag in soup.main.find_all(re.compile("h[1-4]"))]
        assert headings[0] == 1 and all(b - a <= 1 for a, b in itertools.pairwise(headings))


def test_start_page_and_stamp_name_no_place_on_this_machine(made) -> None:
    for outcome in made.values():
        for path in outcome.folder.rglob("*"):
            if path.is_file() and path.name != "run.json":
                data = path.read_bytes()
                assert b"/tmp/" not in data and str(NOTEBOOKS.parent).encode() not in data, path


def test_the_same_number_is_the_same_in_every_report(made) -> None:
    seen: dict[tuple, list[tuple]] = {}
    for outcome in made.values():
        found = json.loads((outcome.folder / "findings.json").read_text("utf-8"))
        for finding in found["findings"]:
            key = (finding["id"], json.dumps(finding["group"], sort_keys=True), finding["period_start"])
            said = tuple(finding[name] for name in ("estimate", "low", "high", "n", "clusters", "state"))
            seen.setdefault((*key, finding["period_end"]), []).append((found["report"], said))
    shared = {key: said for key, said in seen.items() if len(said) > 1}
    assert shared
    assert not {key: said for key, said in shared.items() if len({values for _, values in said}) > 1}


@pytest.mark.browser
@needs_browser
def test_pages_hold_up_in_a_browser(made) -> None:
    folders = [outcome.folder for outcome in made.values()]
    assert_clean(*(folder / "report.html" for folder in folders), folders[0].parents[1] / "index.html")
