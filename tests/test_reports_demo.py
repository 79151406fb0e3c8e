"""All reports of the demo fleet: made side by side, whole, small enough, and the same number in every form.

Once as they come, once with other parameters than the defaults.
"""

from __future__ import annotations

import csv
import itertools
import json
import math
import re
from pathlib import Path
from xml.etree import ElementTree

import nbformat
import openpyxl
import pypdf
import pytest
from bs4 import BeautifulSoup

from browser_check import assert_clean, needs_browser
from ventbook import reports as pages
from ventbook.document import read_blocks, wording
from ventbook.document.blocks import LINES, TODO, Answer, Figure, make_anchor
from ventbook.document.consistency import find_faults
from ventbook.document.typst import picture_width
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


# A line of the answer is three rows of a page of 46 em at most.
LINE = 290


@pytest.mark.parametrize("name", NAMES)
def test_the_first_screen_is_an_answer_a_picture_and_what_to_do(made, name) -> None:
    blocks = list(read_blocks(nbformat.read(made[name].folder / "report.ipynb", as_version=4)))
    place = next(place for place, block in enumerate(blocks) if isinstance(block, Answer))
    answer, picture = blocks[place : place + 2]
    assert 1 <= len(answer.sentences) <= LINES and 1 <= len(answer.todo) <= TODO
    assert [said for said in answer.sentences if len(said) > LINE] == []
    assert "does not release an engine" in answer.caution
    assert isinstance(picture, Figure) and picture.name == "lead"
    # what a suggestion touches, its caution stands below
    for word, caution in (("pressure on the tank", "Tank pressure:"), ("force at the check", "Opening:")):
        if any(word in step for step in answer.todo):
            assert any(text.startswith(caution) for text in answer.warnings)
    soup = BeautifulSoup((made[name].folder / "report.html").read_text("utf-8"), "html.parser")
    order = [
        tag.get("id") or tag["class"][0] for tag in soup.main.select(".vb-answer, #figure-lead, .vb-contents")
    ]
    assert order == ["vb-answer", "figure-lead", "vb-contents"]


# WCAG names no smallest size; 12 pixels on a phone and 7 points on paper are common practice (no source).
PHONE_PX, PAPER_PT, PHONE_WIDTH = 12.0, 7.0, 358


def text_sizes(svg: str) -> list[float]:
    """Points of every text of a figure: glyphs are paths in units of a hundredth, each within scales that multiply."""
    root = ElementTree.fromstring(svg)
    found = []

    def walk(node: ElementTree.Element, scale: float) -> None:
        for number in re.findall(r"scale\(([\d.]+)", node.get("transform", "")):
            scale *= float(number)
        link = node.get("{http://www.w3.org/1999/xlink}href", "")
        if node.tag.endswith("use") and re.match(r"#[A-Za-z]+.*-[0-9a-f]+$", link) and scale < 1:
            found.append(100 * scale)
        for below in node:
            walk(below, scale)

    walk(root, 1.0)
    return found


@pytest.mark.parametrize("name", NAMES)
def test_no_text_of_a_figure_is_too_small_to_read(made, name) -> None:
    files = sorted((made[name].folder / "figures").glob("*.svg"))
    assert files
    soup = BeautifulSoup((made[name].folder / "report.html").read_text("utf-8"), "html.parser")
    for file in files:
        svg = file.read_text("utf-8")
        sizes = text_sizes(svg)
        assert sizes, file
        figure = Figure(file.stem, svg, "x", "")
        assert figure.size is not None
        assert min(sizes) * picture_width(figure.size) / figure.size[0] >= PAPER_PT, file
        style = soup.find(id=f"figure-{make_anchor(file.stem)}").img["style"]
        shown = float(re.search(r"min-width: (\d+)px", style)[1])
        assert min(sizes) * shown / figure.size[0] >= PHONE_PX - 0.05, file
        if file.stem == "lead":
            assert shown <= PHONE_WIDTH, "the first picture is read without scrolling"


@pytest.mark.parametrize("name", NAMES)
def test_no_axis_of_shares_goes_past_the_whole(made, name) -> None:
    for file in sorted((made[name].folder / "figures").glob("*.svg")):
        reader = ElementTree.XMLParser(target=ElementTree.TreeBuilder(insert_comments=True))
        for axis in ElementTree.fromstring(file.read_text("utf-8"), parser=reader).iter():
            if not str(axis.get("id", "")).startswith("matplotlib.axis_"):
                continue
            texts = [str(part.text).strip() for part in axis.iter() if part.tag is ElementTree.Comment]
            if any("%" in text for text in texts):
                ticks = [float(text) for text in texts if re.fullmatch(r"[\d.]+", text)]
                assert ticks and max(ticks) <= 100, (file, texts)


@pytest.mark.parametrize("name", NAMES)
def test_the_workbook_prints(made, name) -> None:
    book = openpyxl.load_workbook(made[name].folder / "tables.xlsx")
    for sheet in book:
        assert sheet.print_area and sheet.freeze_panes, sheet.title
        # a width or height of 1 page is the format's default, and then not written
        assert sheet.sheet_properties.pageSetUpPr.fitToPage and (sheet.page_setup.fitToWidth or 1) == 1
        wide = {
            place: held.width
            for held in sheet.column_dimensions.values()
            for place in range(held.min, held.max + 1)  # columns alike stand as one
        }
        used = {cell.column_letter for row in sheet.iter_rows() for cell in row if cell.value is not None}
        assert all(sheet.column_dimensions[letter].width for letter in used)
        assert sheet.title == "Read me" or sheet.print_title_rows == "$1:$1"
        for cell in (cell for row in sheet.iter_rows(min_row=2) for cell in row if cell.alignment.wrap_text):
            # not every program makes a row as high as its text: the height is written
            lines = math.ceil(len(str(cell.value or "")) / wide[cell.column])
            height = sheet.row_dimensions[cell.row].height
            assert lines < 2 or height >= min(12 * lines, 405), (sheet.title, cell.coordinate)
    front = book["Read me"]
    assert front.page_setup.fitToHeight in (None, 1) and front.page_setup.orientation == "portrait"
    long = [
        cell for row in front.iter_rows(min_row=4) for cell in row if cell.value and len(str(cell.value)) > 60
    ]
    assert long and all(cell.alignment.wrap_text for cell in long)
    # rows of 15 points, as many as its longest cell takes at one character a unit of width: what is left of the size on A4
    widths = [front.column_dimensions[letter].width for letter in "AB"]
    lines = sum(
        max(
            [
                1,
                *(
                    math.ceil(len(str(cell.value)) / width)
                    for cell, width in zip(row, widths, strict=True)
                    if cell.value
                ),
            ]
        )
        for row in front.iter_rows(max_col=2)
    )
    scale = min(1.0, (842 - 80) / (15 * lines), (595 - 72) / (5.4 * sum(widths)))
    assert scale >= 0.45, (name, scale, lines)


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
    told = assert_clean(*(folder / "report.html" for folder in folders), folders[0].parents[1] / "index.html")
    for page in told[:-1]:
        desk, phone = page["layout"]["1280"], page["layout"]["390"]
        assert desk["answer"] < 900 and desk["todo"] < 900 and desk["picture"] < 900, page["file"]
        assert desk["contents"] is not None and desk["folded"] is None
        assert phone["answer"] < 844 and phone["answer"] < phone["picture"] < phone["folded"], page["file"]
        assert phone["contents"] is None, "contents are folded on a phone"
        # drawn at 9 points, a text is 12 pixels where a figure is as wide as it was drawn
        assert phone["smallest"] >= 0.99 and desk["smallest"] >= 0.99, page["file"]
        assert phone["loose"] == 0 and phone["widest"] <= 390 / 2, page["file"]
