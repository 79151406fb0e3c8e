"""Names of technicians planted in free text appear in no byte of a report; one that slips through holds it back."""

from __future__ import annotations

import csv
import datetime as dt
import re
import zipfile
from pathlib import Path

import pytest

from invented_store import make_notebook
from ventbook import tables
from ventbook.records.intake import ingest
from ventbook.run import runner
from ventbook.run.job import ReportError
from ventbook.run.names import hold_back_names, names_to_look_for

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


def test_a_name_inside_an_identifier_holds_the_report_back(tmp_path) -> None:
    store = hand_in(tmp_path, venting_id=f"job of {NAMES[0]}")
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


def test_a_name_that_comes_through_is_found(tmp_path) -> None:
    (tmp_path / "tables").mkdir()
    (tmp_path / "tables" / "x.csv").write_text("remarks\nask zebedee  quux\n", encoding="utf-8")
    with pytest.raises(ReportError, match=r"name stands in tables/x\.csv") as caught:
        hold_back_names(tmp_path, NAMES)
    assert "uux" not in str(caught.value)
    hold_back_names(tmp_path, ["Harbour Master"])
