"""Names of technicians planted in free text appear in no byte of a report; one that slips through holds it back."""

from __future__ import annotations

import base64
import csv
import datetime as dt
import json
import re
import sys
import zipfile
from contextlib import nullcontext
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from invented_store import make_notebook
from ventbook import tables
from ventbook.document import Document
from ventbook.document.blocks import Pairs
from ventbook.document.typst import write_pdf
from ventbook.records.intake import ingest
from ventbook.run import runner
from ventbook.run.job import ReportError
from ventbook.run.names import fold_case, hold_back_names, names_to_look_for

NAMES = ("Zebedee Quux", "Philippa Ozonwald")


def plant(table: str, fixed: dict[str, str]) -> list[list[str]]:
    """One row with names wherever a form asks for one or for free text."""
    columns = tables.record_tables()[table].columns
    cells = []
    for column in columns:
        if column.name in fixed:
            cells.append(fixed[column.name])
        elif column.name == "technician":
            cells.append(NAMES[0])
        elif column.name in ("remarks", "crank_rest"):
            cells.append(f"by {NAMES[0]} and ZEBEDEE QUUX, seen by {NAMES[1]}")
        elif column.kind == "text":
            cells.append(f"{column.name} 7 of {NAMES[1].upper()}")
        else:
            cells.append("")
    return [[column.header for column in columns], cells]


@pytest.fixture
def store(tmp_path) -> Path:
    return hand_in(tmp_path)


def hand_in(tmp_path: Path, **more: str) -> Path:
    """A store of two ventings with names planted; ``more`` sets cells of the ventings."""
    files = tmp_path / "files"
    files.mkdir()
    engine = {"engine_id": "E1", "engine_type": "flat4", "cylinders": "4", "feed_order": "1-2-3-4"}
    venting = {
        "venting_id": "V1",
        "engine_id": "E1",
        "date": "2026-08-04",
        "site": "Harbour",
        "reason": "oil_change",
        "rotations": "40",
        "rotations_counted_at": "crankshaft",
        "pressure_shown": "yes",
        "oil_grade": "15W-50",
        **more,
    }
    check = {
        "venting_id": "V1",
        "check_no": "1",
        "cylinder": "1",
        "valve": "inlet",
        "gap": "0.2",
        "gauge": "G1",
    }
    other = {**venting, "venting_id": "V2"}
    rows = {
        "engines": plant("engines", engine),
        "ventings": [*plant("ventings", venting), plant("ventings", other)[1]],
        "lifter_checks": plant("lifter_checks", check),
    }
    place = [column.name for column in tables.record_tables()["ventings"].columns].index("technician")
    rows["ventings"][2][place] = NAMES[1]
    for table, lines in rows.items():
        with (files / f"{table}.csv").open("w", encoding="utf-8", newline="") as target:
            csv.writer(target).writerows(lines)
    result = ingest([files], store=tmp_path / "store", today=dt.date(2026, 10, 1))
    assert int(result.counts["accepted"].sum()) >= 3
    return tmp_path / "store"


def test_no_planted_name_in_any_exported_byte(store, tmp_path) -> None:
    import pypdf

    tell = (
        'checks = page.records["lifter_checks"].drop(columns=["technician"])\n'
        'page.add_table("everything", page.records["ventings"].drop(columns=["technician"]), title="All")\n'
        'page.add_table("held", page.records["quarantine"], title="Held")\n'
        'page.add_table("issues", page.records["issues"], title="Issues")\n'
        'page.add_table("checks", checks, title="Checks")'
    )
    make_notebook(tmp_path / "notebooks", extra=tell)
    outcome = runner.run_reports(
        ["quarterly-review"],
        {"store": str(store), "period": "2026Q3"},
        out=tmp_path / "out",
        notebooks=tmp_path / "notebooks",
    )[0]
    assert outcome.done, outcome.message
    assert set(NAMES) <= set(names_to_look_for(store))
    seen = 0
    for path in outcome.folder.rglob("*"):
        if not path.is_file():
            continue
        seen += 1
        texts = [path.read_bytes()]
        if path.suffix == ".xlsx":
            with zipfile.ZipFile(path) as book:
                texts = [book.read(name) for name in book.namelist()]
        if path.suffix == ".pdf":
            reader = pypdf.PdfReader(path)
            texts.append(" ".join(page.extract_text() for page in reader.pages).encode())
            texts.append(repr(reader.metadata).encode())
        for text in texts:
            assert not re.search(rb"quux|zebedee|ozonwald|philippa", text, re.IGNORECASE), path.name
    assert seen >= 8


def test_a_name_that_is_known_only_after_it_stood_in_an_identifier_holds_the_report_back(tmp_path) -> None:
    late = "Walburga Yttrich"
    store = hand_in(tmp_path, venting_id=f"job of {late}")
    files = tmp_path / "later"
    files.mkdir()
    (files / "lifter_checks.csv").write_text(
        f"venting_id,check_no,cylinder,valve,gap [mm],technician\nV2,1,1,inlet,0.3,{late}\n"
    )
    ingest([files], store=store, today=dt.date(2026, 10, 2))
    tell = 'page.add_table("lots", page.records["ventings"][["venting_id", "lifter_lot"]], title="Lots")'
    make_notebook(tmp_path / "notebooks", extra=tell)
    outcome = runner.run_reports(
        ["quarterly-review"],
        {"store": str(store), "period": "2026Q3"},
        out=tmp_path / "out",
        notebooks=tmp_path / "notebooks",
    )[0]
    assert outcome.code == 2 and "a technician's name stands in" in outcome.message
    assert not outcome.folder.exists() and outcome.kept is None
    left = [path for path in (tmp_path / "out").rglob("*") if path.is_file()]
    assert [path.name for path in left] == ["index.html"]


def hide_in_pdf(folder: Path, name: str) -> None:
    import typst

    (folder / "a.typ").write_text(f"#set document(title: [quiet])\nby {name}")
    typst.compile(str(folder / "a.typ"), output=str(folder / "report.pdf"))
    (folder / "a.typ").unlink()


def hide_in_picture(folder: Path, name: str) -> None:
    from PIL import Image
    from PIL.PngImagePlugin import PngInfo

    said = PngInfo()
    said.add_text("Author", name, zip=True)
    Image.new("L", (4, 4)).save(folder / "figure.png", pnginfo=said)


def hide_in_page_picture(folder: Path, name: str) -> None:
    hide_in_picture(folder, name)
    inside = base64.b64encode((folder / "figure.png").read_bytes()).decode()
    (folder / "figure.png").unlink()
    (folder / "report.html").write_text(f'<img src="data:image/png;base64,{inside}">')


def hide_in_workbook(folder: Path, name: str) -> None:
    import xlsxwriter

    with xlsxwriter.Workbook(str(folder / "tables.xlsx")) as book:
        book.add_worksheet("quiet")
        book.set_properties({"author": name})


HIDDEN = {
    "pdf": hide_in_pdf,
    "picture": hide_in_picture,
    "picture in a page": hide_in_page_picture,
    "workbook": hide_in_workbook,
    "notebook": lambda f, n: (f / "report.ipynb").write_text(json.dumps({"cells": [{"source": f"# {n}"}]})),
    "escaped": lambda f, n: (f / "findings.json").write_text(
        json.dumps({"x": n}).replace("Z", "\\u005a").replace("P", "\\u0050")
    ),
    "tags between": lambda f, n: (f / "report.html").write_text(n.replace(" ", "</td><td>")),
    "a file of another kind": lambda f, n: (f / "notes.log").write_text(n),
    "a file's name": lambda f, n: (f / f"table {n}.csv").write_text("x"),
}


@pytest.mark.parametrize("where", HIDDEN)
def test_the_last_look_opens_every_kind_of_file(where, tmp_path) -> None:
    HIDDEN[where](tmp_path, NAMES[0])
    hold_back_names(tmp_path, [NAMES[1]])
    with pytest.raises(ReportError, match="a technician's name stands in") as caught:
        hold_back_names(tmp_path, NAMES)
    assert "uux" not in str(caught.value)


def test_a_pdf_is_read_in_what_it_was_set_from(tmp_path) -> None:
    import pypdf

    broken = "Wolfeschlegelsteinhausenbergerdorff"  # a table cell's long word, in pieces
    for name in ("Zebedee Quux", 'Zebe"dee\\ Quux', broken):
        table = Pairs(title="From", rows=(("Seen", f"by {name}"),))
        written = tmp_path / "report.pdf"
        source = write_pdf(
            written,
            Document(title="Quiet", parts=(("", table),), sections=()),
            scope="2026Q3",
            stamp="s",
            day="2026-10-01",
            paper="a4",
        )
        said = "".join(page.extract_text() for page in pypdf.PdfReader(written).pages).replace("\n", "")
        assert re.sub(r"\W", "", name) in re.sub(r"\W", "", said)
        with pytest.raises(ReportError, match=r"name stands in report\.pdf"):
            hold_back_names(tmp_path, [name], source=source)
        hold_back_names(tmp_path, ["Harbour Master"], source=source)


def test_a_name_that_comes_through_is_found(tmp_path) -> None:
    (tmp_path / "tables").mkdir()
    (tmp_path / "tables" / "x.csv").write_text("remarks\nask zebedee  quux\n", encoding="utf-8")
    with pytest.raises(ReportError, match=r"name stands in tables/x\.csv") as caught:
        hold_back_names(tmp_path, NAMES)
    assert "uux" not in str(caught.value)
    hold_back_names(tmp_path, ["Harbour Master"])


def test_what_case_alone_tells_apart_folds_to_the_same() -> None:
    every = map(chr, range(sys.maxunicode + 1))
    cased = "".join(c for c in every if {c.lower(), c.upper(), c.title(), c.casefold()} != {c})
    for one in cased:
        alike = re.findall(re.escape(one), cased, re.IGNORECASE)
        assert {fold_case(other) for other in alike} == {fold_case(one)}, one
    without = "".join(sorted(set(map(chr, range(sys.maxunicode + 1))) - set(cased)))
    assert not re.search(f"[{re.escape(cased)}]", without, re.IGNORECASE)


LETTERS = st.text(
    st.sampled_from(
        "aAiI\u0130\u0131sS\u017fkK\u212a\u00df\u03c3\u03c2\u03a3\ufb05\ufb06e\u0301\u00e9_-.'7 "
    ),
    min_size=3,
    max_size=8,
)


@given(
    names=st.lists(LETTERS.filter(str.strip), min_size=1, max_size=3),
    text=LETTERS,
    put=st.booleans(),
    data=st.data(),
)
def test_a_name_is_found_where_the_whole_pattern_finds_it(names, text, put, data, tmp_path_factory) -> None:
    if put:
        chosen = data.draw(st.sampled_from(names))
        text += data.draw(
            st.sampled_from([chosen, chosen.upper(), chosen.lower(), chosen.swapcase(), chosen.title()])
        )
    wanted = "|".join(r"[\W_]+".join(map(re.escape, name.split())) for name in names)
    found = re.search(rf"(?<![^\W\d_])(?:{wanted})(?![^\W\d_])", text, re.IGNORECASE)
    folder = tmp_path_factory.mktemp("page")
    (folder / "7.txt").write_text(text, encoding="utf-8")
    with pytest.raises(ReportError, match="name stands in") if found else nullcontext():
        hold_back_names(folder, names)
