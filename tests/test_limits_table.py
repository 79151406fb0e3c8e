"""The table of limits that a shop fills in: written, read back, taken over; no row in force is dropped."""

import datetime as dt
import shutil

import openpyxl
import pytest

from check_values import TRADE_FILE
from ventbook import tables
from ventbook.errors import InputError
from ventbook.records import intake
from ventbook.records import store as stores
from ventbook.records.intake.limits_change import COLUMNS, read_limits_table, write_toml
from ventbook.run import cli
from ventbook.tables.limits import read_limits

DAY = dt.date(2026, 7, 1)


@pytest.fixture
def store(tmp_path):
    """A store with one engine of a type that only its records know, and no limits of its own."""
    (tmp_path / "engines.csv").write_text("engine_id,engine_type,cylinders\n007,twin2,4\n")
    intake.ingest([tmp_path / "engines.csv"], store=tmp_path / "store", today=DAY)
    return tmp_path / "store"


def fill(path, *rows, header=None):
    """A table as ``ventbook limits --out`` writes it, with these rows (dicts) put under it."""
    book = openpyxl.load_workbook(path)
    sheet = book["limits"]
    names = [cell.value for cell in sheet[1]]
    for row in rows:
        place = sheet.max_row + 1
        for name, value in row.items():
            sheet.cell(place, names.index(name) + 1, value)
    if header:
        sheet.cell(1, 1, header)
    book.save(path)
    return path


def gap(high, start, **more):
    row = {"step": "lifter_gap", "engine_type": "*", "high": high, "unit": "mm", "revision": "A"}
    return {**row, "effective_from": start, "source": "manual, 3.2", **more}


def table(tmp_path, store, *rows, name="filled.xlsx", **more):
    path = tmp_path / name
    path.unlink(missing_ok=True)
    return fill(intake.export_limits(path, store=store), *rows, **more)


def own(store):
    return read_limits([store.parent / "limits.toml"], engine_types=None).rows


def test_the_table_holds_every_step_with_unit_and_what_it_is_about(tmp_path, store):
    path = intake.export_limits(tmp_path / "limits.xlsx", store=store)
    book = openpyxl.load_workbook(path)
    rows = list(book["limits"].values)
    assert rows[0] == (*COLUMNS, "note")
    cells = [dict(zip(rows[0], row, strict=True)) for row in rows[1:]]
    steps = {step.limit: step for step in tables.load_steps().values()}
    assert [row["step"] for row in cells] == list(dict.fromkeys(steps))
    assert all(
        (row["unit"], row["text"]) == (steps[row["step"]].unit, steps[row["step"]].text) for row in cells
    )
    assert all(row["low"] is row["high"] is row["reference"] is None for row in cells)
    notes = {row["step"]: row["note"] for row in cells}
    assert notes["extra_run"] == "no limit entered"
    assert notes["lifter_gap"].startswith("placeholder until then: high 0.68 mm (worked out:")
    said = [str(cell) for row in book["explanations"].values for cell in row if cell]
    assert "twin2" in said and "flat4" in said
    assert read_limits_table(path) == []  # nothing filled in: nothing to take over


def test_what_was_filled_in_stands_beside_the_store(tmp_path, store):
    path = table(tmp_path, store, gap(0.4, DAY), gap(0.02, "2026-07-01", unit="in", engine_type="twin2"))
    result = intake.change_limits(path, store=store)
    assert result.changes == (
        "lifter_gap, *: high 0.4 mm (revision A) holds from 2026-07-01",
        "lifter_gap, twin2: high 0.508 mm (revision A) holds from 2026-07-01",
    )
    limits = stores.open_store(store).snapshot().limits()
    assert limits.find("lifter_gap", "twin2", DAY).high == pytest.approx(0.508)
    assert limits.find("lifter_gap", "flat4", DAY).high == 0.4
    assert limits.find("lifter_gap", "flat4", DAY - dt.timedelta(days=1)).status == "placeholder"
    assert 'unit = "in"' in (tmp_path / "limits.toml").read_text()  # as the shop wrote it
    again = intake.change_limits(table(tmp_path, store), store=store)
    assert again.changes == () and again.number is None


def test_a_new_revision_ends_the_row_in_force_and_drops_none(tmp_path, store):
    intake.change_limits(
        table(tmp_path, store, gap(0.4, DAY), gap(0.3, DAY, engine_type="twin2")), store=store
    )
    first = (tmp_path / "limits.toml").read_text()
    later = table(tmp_path, store, gap(0.35, dt.date(2026, 9, 1), revision="B"))
    result = intake.change_limits(later, store=store)
    assert result.changes == (
        "lifter_gap, *: high 0.4 mm (revision A) ends on 2026-09-01",
        "lifter_gap, *: high 0.35 mm (revision B) holds from 2026-09-01",
    )
    rows = {(row.engine_type, row.revision): row for row in own(store)}
    assert rows["*", "A"].effective_to == rows["*", "B"].effective_from == dt.date(2026, 9, 1)
    assert rows["twin2", "A"].effective_to == dt.date.max
    assert (tmp_path / "limits.before.toml").read_text() == first
    assert not (tmp_path / "limits.toml.draft").exists()


def test_a_row_that_the_table_leaves_out_stays(tmp_path, store):
    shutil.copy(TRADE_FILE, tmp_path / "limits.toml")
    bare = tmp_path / "bare.xlsx"
    intake.export_limits(bare, store=tmp_path / "elsewhere" / "store")
    result = intake.change_limits(fill(bare, gap(0.4, DAY)), store=store)
    assert len(result.changes) == 2
    assert len(own(store)) == len(read_limits([TRADE_FILE]).rows) + 1


def test_the_end_and_the_words_of_a_row_may_change(tmp_path, store):
    intake.change_limits(table(tmp_path, store, gap(0.4, DAY)), store=store)
    path = tmp_path / "filled.xlsx"
    path.unlink()
    book = openpyxl.load_workbook(intake.export_limits(path, store=store))
    sheet = book["limits"]
    names = [cell.value for cell in sheet[1]]
    sheet.cell(2, names.index("effective_to") + 1, dt.date(2027, 1, 1))
    sheet.cell(2, names.index("source") + 1, "manual, 3.3")
    book.save(path)
    assert len(intake.change_limits(path, store=store).changes) == 2
    (row,) = own(store)
    assert (row.effective_to, row.source, row.high) == (dt.date(2027, 1, 1), "manual, 3.3", 0.4)


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ([gap(0.35, DAY)], r"filled.xlsx: row \d+ \(lifter_gap, \*\): differs from the row in force since 2026-07-01"),
        ([gap(0.35, dt.date(2026, 1, 1))], r"begins before lifter_gap, \*: high 0.4 mm"),
        ([gap(0.35, dt.date(2026, 8, 1), effective_to=dt.date(2026, 9, 1))], r"ends on 2026-09-01, before .* does"),
        ([gap(0.35, dt.date(2026, 8, 1)), gap(0.3, dt.date(2026, 8, 1))], r"differs from the row in force since 2026-08-01"),
        ([gap(0.35, dt.date(2026, 8, 1), step="lifter_gpa")], r"'lifter_gpa' stands nowhere .* mean lifter_gap\?"),
        ([gap(0.35, dt.date(2026, 8, 1), engine_type="twin3")], r"engine type 'twin3' stands nowhere .* mean twin2\?"),
        ([gap("abc", dt.date(2026, 8, 1))], r"row \d+: high must be a number; got 'abc'"),
        ([gap("nan", dt.date(2026, 8, 1))], r"high must be a number; got nan"),
        ([gap(0.3, dt.date(2026, 8, 1), low=0.4)], r"low 0.4 is over high 0.3"),
        ([gap(0.35, dt.date(2026, 8, 1), unit="bar")], r"row \d+ \(lifter_gap, \*\): .*pressure"),
        ([gap(0.35, "soon")], r"dates are written 2026-07-01; got 'soon'"),
        ([gap(0.35, dt.date(2026, 8, 1), revision=None)], r"a manual's limit needs its revision"),
    ],
)  # fmt: skip
def test_a_wrong_row_is_named_and_nothing_is_written(tmp_path, store, capsys, rows, message):
    intake.change_limits(table(tmp_path, store, gap(0.4, DAY)), store=store)
    before = (tmp_path / "limits.toml").read_text()
    path = table(tmp_path, store, *rows)
    with pytest.raises(InputError, match=message):
        intake.change_limits(path, store=store)
    assert (tmp_path / "limits.toml").read_text() == before
    assert sorted(p.name for p in tmp_path.glob("limits*")) == ["limits.toml"]
    assert cli.main(["limits", str(path), "--store", str(store)]) == 2
    error = capsys.readouterr().err
    assert error.count("\n") == 1 and "filled.xlsx" in error


def test_a_table_that_is_none_is_refused_in_one_line(tmp_path, store, capsys):
    (tmp_path / "broken.xlsx").write_text("no workbook")
    wrong = table(tmp_path, store, name="wrong.xlsx", header="stpe")
    other = tmp_path / "other.xlsx"
    openpyxl.Workbook().save(other)
    for words in (
        ["nowhere.xlsx"], ["broken.xlsx"], [wrong.name], [other.name], ["limits.csv"], [], ["a.xlsx", "--out", "b.xlsx"],
        ["--out", "wrong.xlsx"],
    ):  # fmt: skip
        given = [str(tmp_path / word) if "." in word else word for word in words]
        assert cli.main(["limits", *given, "--store", str(store)]) == 2, words
        assert capsys.readouterr().err.count("\n") == 1
    assert not (tmp_path / "limits.toml").exists()


def test_from_the_command_line_with_a_dry_run_first(tmp_path, store, capsys):
    path = tmp_path / "limits.xlsx"
    assert cli.main(["limits", "--out", str(path), "--store", str(store)]) == 0
    fill(path, gap(0.4, DAY))
    assert cli.main(["limits", str(path), "--store", str(store), "--dry-run"]) == 0
    assert "holds from 2026-07-01" in capsys.readouterr().out and not (tmp_path / "limits.toml").exists()
    assert cli.main(["limits", str(path), "--store", str(store)]) == 0
    assert "written: " in capsys.readouterr().out
    assert own(store)[0].high == 0.4


def test_limits_may_be_entered_before_there_are_records(tmp_path):
    store = tmp_path / "new" / "store"
    path = table(tmp_path, store, gap(0.4, DAY, engine_type="not seen yet"))
    assert intake.change_limits(path, store=store).changes
    assert own(store)[0].engine_type == "not seen yet" and not store.exists()


def test_texts_of_any_kind_come_back_as_they_were(tmp_path):
    text = "=1+1 \"quoted\" back\\slash \x7f \u00e4\u6f22 'x'\nsecond line"
    row = {
        "step": "lifter_gap",
        "engine_type": "*",
        "high": 1e-7,
        "unit": "m",
        "status": "manual",
        "revision": text,
    }
    row |= {"source": text, "text": text, "effective_from": dt.date(2026, 1, 1)}
    path = tmp_path / "limits.toml"
    path.write_text(write_toml([row]), "utf-8")
    (back,) = read_limits([path]).rows
    assert (back.revision, back.source, back.text) == (text, text, text)
    assert back.high == pytest.approx(1e-4)
    assert back.effective_from == dt.date(2026, 1, 1)
