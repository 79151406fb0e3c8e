"""Reports end to end on a small invented store: what is left behind, that it says the same everywhere, and what a
fault leaves.
"""

from __future__ import annotations

import csv
import io
import itertools
import json
import os
import re
from pathlib import Path

import pytest
from bs4 import BeautifulSoup

from invented_store import NASTY, ODD_SITE, make_notebook, make_store
from ventbook.document import wording
from ventbook.errors import InputError
from ventbook.run import export, runner, verify

COMMENTS = """
[[comment]]
report = "quarterly-review"
section = "by-site"
text = "Harbour got a <second> gauge in August. $5"
finding = "venting_failure_share"
value = 0.11
date = "2026-10-09"

[[comment]]
report = "quarterly-review"
section = "no-such-section"
text = "Kept all the same."
finding = "venting_failure_share"
value = 0.2333333
"""


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> dict[str, Path]:
    """Two runs of two reports, in metric and in US units."""
    base = tmp_path_factory.mktemp("reports") / "Büro, mit Leerzeichen {x}"
    store = make_store(tmp_path_factory.mktemp("records") / "store")
    for name in ("quarterly-review", "records"):
        make_notebook(base / "notebooks", name)
    (base / "comments.toml").write_text(COMMENTS, encoding="utf-8")
    heard: list[tuple[str, str, float]] = []
    for folder, units in (("one", "metric"), ("two", "metric"), ("us", "us")):
        outcomes = runner.run_reports(
            ["quarterly-review", "records"],
            {"store": str(store), "period": "2026Q3", "units": units},
            out=base / folder,
            notebooks=base / "notebooks",
            comments=base / "comments.toml",
            on_progress=lambda *said: heard.append(said),
        )
        assert [(outcome.name, outcome.code, outcome.message) for outcome in outcomes] == [
            ("quarterly-review", 0, ""),
            ("records", 0, ""),
        ]
    assert any(what == "By site" for _, what, _ in heard)
    scopes = {"one": "2026Q3", "two": "2026Q3", "us": "2026Q3_units-us"}
    return {name: base / name / "quarterly-review" / scope for name, scope in scopes.items()} | {
        "base": base,
        "store": store,
    }


def pdf_text(path: Path) -> str:
    import pypdf

    text = "\n".join(page.extract_text() for page in pypdf.PdfReader(path).pages)
    return re.sub(r"\s+", " ", text.replace("\u00ad", "").replace("-\n", ""))


def sheet(path: Path, name: str) -> list[tuple]:
    import openpyxl

    return [tuple(cell.value for cell in row) for row in openpyxl.load_workbook(path)[name].iter_rows()]


def test_folder_holds_what_a_report_leaves_behind(made) -> None:
    files = {path.relative_to(made["one"]).as_posix() for path in made["one"].rglob("*") if path.is_file()}
    assert files == {
        "report.html",
        "report.pdf",
        "report.ipynb",
        "tables.xlsx",
        "findings.json",
        "run.json",
        "tables/jobs.csv",
        "figures/rotations.svg",
    }
    assert not list(made["base"].rglob(".*"))


def test_two_runs_give_the_same_bytes(made) -> None:
    for path in sorted(made["one"].rglob("*")):
        if path.is_file() and path.name != "run.json":
            other = made["two"] / path.relative_to(made["one"])
            assert path.read_bytes() == other.read_bytes(), path.name


def test_executed_notebook_alone_gives_the_same_files_again(made, tmp_path) -> None:
    for run in ("one", "us"):
        (tmp_path / run).mkdir()
        notebook = tmp_path / run / "moved.ipynb"
        notebook.write_bytes((made[run] / "report.ipynb").read_bytes())
        out = tmp_path / run / "out"
        export.export_notebook(notebook, out, comments=made["base"] / "comments.toml")
        files = {path.relative_to(out) for path in out.rglob("*") if path.is_file()}
        assert files == {
            path.relative_to(made[run])
            for path in made[run].rglob("*")
            if path.is_file() and path.name not in ("run.json", "report.ipynb")
        }
        for path in files:
            assert (out / path).read_bytes() == (made[run] / path).read_bytes(), path


def test_notebook_run_by_hand_can_be_exported_and_writes_its_own_files(made, tmp_path) -> None:
    import nbformat
    from nbclient import NotebookClient

    path = make_notebook(tmp_path)
    notebook = nbformat.read(path, as_version=4)
    given = {"store": str(made["store"]), "period": "2026Q3", "out": str(tmp_path / "left")}
    cell = next(cell for cell in notebook.cells if "parameters" in cell.metadata.get("tags", []))
    cell.source += "\n" + "\n".join(f"{name} = {value!r}" for name, value in given.items())
    NotebookClient(notebook, kernel_name="python3").execute()
    nbformat.write(notebook, path)
    export.export_notebook(path, tmp_path / "out")
    for name in ("findings.json", "tables/jobs.csv", "figures/rotations.svg"):
        told = (tmp_path / "out" / name).read_bytes()
        assert told == (tmp_path / "left" / name).read_bytes() == (made["one"] / name).read_bytes()


@pytest.mark.parametrize(
    ("name", "text", "match"),
    [
        ("gone.ipynb", None, "can't be read"),
        ("x.ipynb", "not json", "is not a notebook"),
        ("x.ipynb", '{"cells": 3}', "is not a notebook"),
        (
            "x.ipynb",
            '{"cells": [], "metadata": {}, "nbformat": 4, "nbformat_minor": 5}',
            "holds no finished page",
        ),
    ],
)
def test_what_can_not_be_exported_is_said_in_one_line(tmp_path, name, text, match) -> None:
    if text is not None:
        (tmp_path / name).write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=match):
        export.export_notebook(tmp_path / name, tmp_path / "out")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("run", ["one", "us"])
def test_page_pdf_workbook_and_findings_say_the_same_numbers(made, run) -> None:
    folder = made[run]
    units = "metric" if run == "one" else "us"
    findings = json.loads((folder / "findings.json").read_text("utf-8"))["findings"]
    assert len(findings) == 3
    soup = BeautifulSoup((folder / "report.html").read_text("utf-8"), "html.parser")
    rows = [
        [cell.get_text() for cell in row.find_all(["th", "td"])]
        for row in soup.find(id="table-findings").select("tbody tr")
    ]
    text = pdf_text(folder / "report.pdf")
    numbers = sheet(folder / "tables.xlsx", "Numbers")
    for finding, row, cells in zip(findings, rows, numbers[1:], strict=True):
        values = [finding["estimate"], finding["low"], finding["high"]]
        if finding["estimate"] is None:
            assert row[3] == "" and cells[4:7] == (None, None, None)
            continue
        shown = wording.number(finding["estimate"], finding["unit"], units=units)
        spread = wording.value_range(finding["low"], finding["high"], finding["unit"], units=units)
        assert (row[3], row[4], row[5]) == (shown, spread, str(finding["n"]))
        assert shown in text and spread in text
        factor = {"share": 100.0, "mm": 1.0 if units == "metric" else 1 / 25.4}[finding["unit"]]
        assert cells[4:7] == pytest.approx([value * factor for value in values], rel=1e-9)
        assert cells[8] == finding["n"]


def test_tables_say_the_same_in_page_workbook_and_csv(made) -> None:
    folder = made["us"]
    table = list(csv.reader(io.StringIO((folder / "tables/jobs.csv").read_text("utf-8"))))
    assert table[0] == ["venting_id", "date", "site", "rotations", "remarks", "gap_mm"]
    cells = sheet(folder / "tables.xlsx", "jobs")
    assert cells[0] == ("Venting", "Date", "Site", "Rotations", "Gap [in]", "Remarks")
    soup = BeautifulSoup((folder / "report.html").read_text("utf-8"), "html.parser")
    page = [
        [cell.get_text() for cell in row.find_all(["th", "td"])]
        for row in soup.find(id="table-jobs").select("tbody tr")
    ]
    for plain, cell, shown in zip(table[1:], cells[1:], page, strict=True):
        assert plain[0] == cell[0] == shown[0]
        assert plain[1] == cell[1] == shown[1]
        assert int(plain[3]) == cell[3] == int(shown[3])
        assert plain[5] == "0.5" and cell[4] == pytest.approx(0.5 / 25.4) and shown[4] == "0.0197"


def test_page_needs_no_script_and_asks_for_nothing(made) -> None:
    page = (made["one"] / "report.html").read_text("utf-8")
    assert "Content-Security-Policy" in page and "default-src 'none'" in page
    soup = BeautifulSoup(page, "html.parser")
    assert not soup.find_all(["script", "iframe", "object", "link", "form"])
    for tag in soup.find_all(True):
        assert not [name for name in tag.attrs if name.startswith("on")]
        assert not str(tag.get("src", "data:")).startswith(("http", "//", "file"))
        assert str(tag.get("href", "#")).startswith("#")
    for picture in soup.find_all("img"):
        assert picture["alt"].strip()
    assert soup.find("math")["alttext"]
    levels = [int(tag.name[1]) for tag in soup.main.find_all(["h1", "h2", "h3", "h4"])]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(levels))
    ids = [tag["id"] for tag in soup.find_all(id=True)]
    assert len(ids) == len(set(ids))
    assert {link["href"][1:] for link in soup.nav.find_all("a")} <= set(ids)
    assert "pages.open_page" not in page


def test_odd_text_stays_text_everywhere(made) -> None:
    folder = made["one"]
    soup = BeautifulSoup((folder / "report.html").read_text("utf-8"), "html.parser")
    shown = soup.find(id="table-jobs").get_text()
    assert "<script>alert('x')</script>" in shown and "\x07" not in shown and "\u202e" not in shown
    assert f"[{len(NASTY)} characters]" in shown
    text = pdf_text(folder / "report.pdf")
    assert "#let x" in text and "$5" in text
    import openpyxl

    book = openpyxl.load_workbook(folder / "tables.xlsx")
    for name in book.sheetnames:
        for row in book[name].iter_rows():
            assert not [cell for cell in row if cell.data_type == "f"]


def test_workbook_reads_well(made) -> None:
    import openpyxl

    book = openpyxl.load_workbook(made["one"] / "tables.xlsx")
    assert book.sheetnames == ["Read me", "Numbers", "jobs"]
    assert book["jobs"].freeze_panes == "A2" and book["jobs"].auto_filter.ref
    assert book["jobs"]["E2"].number_format == "0.00"
    words = " ".join(str(cell.value) for row in book["Read me"].iter_rows() for cell in row if cell.value)
    assert "does not release an engine to service" in words and "Snapshot" in words
    assert not book.properties.creator


def test_pdf_is_tagged_with_words_for_pictures(made) -> None:
    import pypdf

    for run, width in (("one", 595), ("us", 612)):
        reader = pypdf.PdfReader(made[run] / "report.pdf")
        root = reader.trailer["/Root"]
        assert root["/MarkInfo"]["/Marked"] and root["/Lang"].startswith("en")
        assert "pdfuaid" in root["/Metadata"].get_data().decode("utf-8", "replace")
        assert round(float(reader.pages[0].mediabox.width)) == width
        assert [item.title for item in reader.outline if not isinstance(item, list)] or reader.outline
        kinds: list[str] = []
        words: list[str] = []
        _walk(root["/StructTreeRoot"], kinds, words)
        assert {"/H1", "/H2", "/Table", "/TH", "/TD", "/Figure", "/Formula"} <= set(kinds)
        assert any("Rotations rise over time." in word for word in words)
        assert kinds.count("/Figure") + kinds.count("/Formula") <= len(words)


def _walk(node, kinds: list[str], words: list[str]) -> None:
    node = node.get_object() if hasattr(node, "get_object") else node
    if isinstance(node, list):
        for child in node:
            _walk(child, kinds, words)
    elif isinstance(node, dict):
        if "/S" in node:
            kinds.append(str(node["/S"]))
        if "/Alt" in node:
            words.append(str(node["/Alt"]))
        if "/K" in node:
            _walk(node["/K"], kinds, words)


def test_comments_are_merged_and_marked_when_their_number_moved(made) -> None:
    soup = BeautifulSoup((made["one"] / "report.html").read_text("utf-8"), "html.parser")
    remarks = [remark.get_text(" ") for remark in soup.select(".vb-comment")]
    assert len(remarks) == 2
    assert "Harbour got a <second> gauge in August. $5" in remarks[0]
    assert "it was 11 %, it is 23 %" in remarks[0]
    assert "changed" not in remarks[1]
    order = [tag.get("id") for tag in soup.main.find_all(["h2", "h3"])]
    assert order.index("by-site") < order.index("numbers") < order.index("comments")
    text = pdf_text(made["one"] / "report.pdf")
    assert "it was 11 %, it is 23 %" in text
    records = made["base"] / "one" / "records" / "2026Q3" / "report.html"
    assert "vb-comment-head" not in records.read_text("utf-8").partition("</style>")[2]


def test_stamp_names_everything_and_no_place_on_this_machine(made) -> None:
    run = json.loads((made["one"] / "run.json").read_text("utf-8"))
    assert run["snapshot"] == 1 and run["parameters"]["period"] == "2026Q3"
    assert run["sources"][0]["sha256"] == "ab" * 32 and run["limits"]["revision"]
    assert run["versions"]["python"] and run["seed"] == run["parameters"]["seed"]
    assert set(run["files"]) >= {"report.html", "report.pdf", "findings.json", "tables/jobs.csv"}
    place = str(made["base"])
    for path in made["one"].rglob("*"):
        if path.is_file():
            assert place.encode() not in path.read_bytes(), path.name


def test_start_page_lists_what_was_made(made) -> None:
    soup = BeautifulSoup((made["base"] / "one" / "index.html").read_text("utf-8"), "html.parser")
    links = [link["href"] for link in soup.select("main a")]
    assert "quarterly-review/2026Q3/report.html" in links and "records/2026Q3/tables.xlsx" in links
    for link in links:
        assert (made["base"] / "one" / link).is_file()
    assert [tag["id"] for tag in soup.find_all("h2")] == ["records", "quarterly-review"]


def test_verify_finds_the_same_and_tells_what_differs(made) -> None:
    notebooks = made["base"] / "notebooks"
    verdict = verify.verify_report(made["one"], notebooks=notebooks)
    assert verdict.same and verdict.findings == 3 and verdict.tables == 1, verdict
    assert verdict.pdf == "PDF: the same bytes"
    path = made["two"] / "findings.json"
    changed = json.loads(path.read_text("utf-8"))
    changed["findings"][0]["estimate"] = 0.5
    path.write_text(json.dumps(changed), encoding="utf-8")
    run = json.loads((made["two"] / "run.json").read_text("utf-8"))
    run["versions"]["numpy"] = "1.0"
    run["limits"]["revision"] = "A"
    verdict = verify.compare_reports(made["two"], run, made["one"])
    assert not verdict.same
    assert "estimate was 0.5, is 0.2333333333" in verdict.differences[0]
    assert any("numpy was 1.0" in reason for reason in verdict.reasons)
    assert any("limits are others: A then" in reason for reason in verdict.reasons)
    assert any("findings.json was changed" in reason for reason in verdict.reasons)


def test_folder_names_are_safe_and_filters_reach_the_page(made, tmp_path) -> None:
    outcome = runner.run_reports(
        ["quarterly-review"],
        {"store": str(made["store"]), "period": "2026-07/2026-09", "site": ODD_SITE},
        out=tmp_path,
        notebooks=made["base"] / "notebooks",
    )[0]
    assert outcome.done, outcome.message
    assert outcome.folder.parent == tmp_path / "quarterly-review"
    assert re.fullmatch(r"2026-07_to_2026-09_site-[A-Za-z0-9._-]+-[0-9a-f]{8}", outcome.folder.name)
    findings = json.loads((outcome.folder / "findings.json").read_text("utf-8"))
    assert findings["parameters"]["site"] == ODD_SITE
    assert (tmp_path / "index.html").is_file()


def run_one(made, tmp_path, extra: str, **more):
    make_notebook(tmp_path / "notebooks", extra=extra)
    final = tmp_path / "out" / "quarterly-review" / "2026Q3"
    final.mkdir(parents=True, exist_ok=True)
    (final / "findings.json").write_text("older")
    outcome = runner.run_reports(
        ["quarterly-review"],
        {"store": str(made["store"]), "period": "2026Q3"},
        out=tmp_path / "out",
        notebooks=tmp_path / "notebooks",
        **more,
    )[0]
    assert (final / "findings.json").read_text() == "older"
    assert not list((tmp_path / "out").rglob(".2026Q3*"))
    return outcome


def test_failing_cell_is_named_and_the_older_report_stays(made, tmp_path) -> None:
    outcome = run_one(made, tmp_path, "value = 1 / 0")
    assert outcome.code == 1
    assert re.search(
        r"06_quarterly_review.ipynb, cell \d+ \(Something else\): ZeroDivisionError", outcome.message
    )
    assert "\n" not in outcome.message
    assert outcome.kept is not None and "ZeroDivisionError" in outcome.kept.read_text("utf-8")


@pytest.mark.skipif(os.name == "nt", reason="signals")
def test_killed_kernel_is_named_and_the_others_finish(made, tmp_path) -> None:
    make_notebook(tmp_path / "notebooks", "records")
    make_notebook(tmp_path / "notebooks", extra="import os, signal\nos.kill(os.getpid(), signal.SIGKILL)")
    outcomes = runner.run_reports(
        ["quarterly-review", "records"],
        {"store": str(made["store"]), "period": "2026Q3"},
        out=tmp_path / "out",
        notebooks=tmp_path / "notebooks",
    )
    assert [outcome.code for outcome in outcomes] == [1, 0]
    assert "(Something else): the kernel died" in outcomes[0].message


def test_endless_cell_is_stopped(made, tmp_path) -> None:
    outcome = run_one(made, tmp_path, "import time\ntime.sleep(600)", cell_timeout_s=2)
    assert outcome.code == 1 and "took longer than 2 s" in outcome.message


def test_page_that_is_not_finished_is_a_fault(made, tmp_path) -> None:
    outcome = run_one(made, tmp_path, "page.finish = lambda: None")
    assert outcome.code == 1 and "without finishing its page" in outcome.message


@pytest.mark.parametrize(
    ("given", "match"),
    [
        ({"perid": "2026Q3"}, r"unknown parameter 'perid' \(did you mean period\?\)"),
        ({"level": 2.0}, "level must be a number from 0.5 to 0.999; got 2.0"),
        ({"period": "2031Q1"}, "no venting in 2031Q1"),
        ({"site": "harbour"}, r"site 'harbour' is not in the records \(did you mean Harbour\?\)"),
        ({"as_of": 99}, "no snapshot 99"),
        ({"store": "/nowhere/at/all"}, "no such store"),
        ({"limits": "/nowhere.toml"}, "limits file .* does not exist"),
    ],
)
def test_bad_call_stops_before_anything_is_written(made, tmp_path, given, match) -> None:
    out = tmp_path / "out"
    with pytest.raises(InputError, match=match):
        runner.run_reports(
            ["quarterly-review"],
            {"store": str(made["store"]), **given},
            out=out,
            notebooks=made["base"] / "notebooks",
        )
    assert not out.exists()


def test_output_folder_that_can_not_be_written(made, tmp_path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(InputError, match="can't be written"):
        runner.run_reports(
            ["quarterly-review"],
            {"store": str(made["store"])},
            out=tmp_path / "file" / "out",
            notebooks=made["base"] / "notebooks",
        )


def test_picture_of_the_first_page_and_the_example(made, tmp_path) -> None:
    from PIL import Image

    from ventbook.run.pipeline import make_example

    written = make_example(made["base"] / "one", tmp_path / "example")
    assert [path.relative_to(tmp_path / "example").as_posix() for path in written] == [
        "quarterly-review.png",
        "quarterly-review/report.html",
        "quarterly-review/findings.json",
    ]
    with Image.open(written[0]) as picture:
        assert picture.size == (595, 842)
    assert written[0].stat().st_size < 120_000


@pytest.mark.long
def test_a_dask_cluster_makes_the_same_report(made, tmp_path) -> None:
    from distributed import LocalCluster

    call = {"store": str(made["store"]), "period": "2026Q3"}
    where = {"notebooks": made["base"] / "notebooks", "comments": made["base"] / "comments.toml"}
    with LocalCluster(n_workers=1, threads_per_worker=1, dashboard_address=":0", host="127.0.0.1") as local:
        outcome = runner.run_reports(
            ["quarterly-review"], call, out=tmp_path, cluster=local.scheduler_address, **where
        )[0]
    assert outcome.done, outcome.message
    assert (outcome.folder / "findings.json").read_bytes() == (made["one"] / "findings.json").read_bytes()


def test_cluster_that_does_not_answer_is_one_line(made, tmp_path, monkeypatch) -> None:
    from ventbook import cluster

    monkeypatch.setattr(cluster, "CONNECT_S", 1.0)
    with pytest.raises(InputError, match="no Dask scheduler answers at tcp://127"):
        runner.run_reports(
            ["quarterly-review"],
            {"store": str(made["store"]), "period": "2026Q3"},
            out=tmp_path,
            notebooks=made["base"] / "notebooks",
            cluster="tcp://127.0.0.1:9",
        )


def test_warnings_of_cells_stand_in_the_stamp_and_not_on_the_page(made, tmp_path) -> None:
    make_notebook(
        tmp_path / "notebooks", extra="import warnings\nwarnings.warn('mind the gap', RuntimeWarning)"
    )
    outcome = runner.run_reports(
        ["quarterly-review"],
        {"store": str(made["store"]), "period": "2026Q3"},
        out=tmp_path / "out",
        notebooks=tmp_path / "notebooks",
    )[0]
    assert outcome.done, outcome.message
    run = json.loads((outcome.folder / "run.json").read_text("utf-8"))
    assert len(run["warnings"]) == 1 and "RuntimeWarning: mind the gap" in run["warnings"][0]
    for name in ("report.html", "report.ipynb"):
        assert "ipykernel_" not in (outcome.folder / name).read_text("utf-8")


def test_a_draft_of_comments_names_every_section_and_reads_back(made, tmp_path):
    from ventbook.run.export import draft_comments
    from ventbook.run.notebook import read_comments

    draft = draft_comments(made["one"])
    page = (made["one"] / "report.html").read_text("utf-8")
    anchors = re.findall(r'# section = "([^"]+)"', draft)
    assert len(anchors) > 3 and all(f'id="{anchor}"' in page for anchor in anchors)
    filled = draft.replace("# [[comment]]", "[[comment]]").replace('# text = ""', 'text = "ours"')
    filled = re.sub(r"^# (report|section|period) =", r"\1 =", filled, flags=re.MULTILINE)
    (tmp_path / "notes.toml").write_text(filled, "utf-8")
    assert [comment.section for comment in read_comments(tmp_path / "notes.toml")] == anchors
