"""Cells that hold no value although something stands in them: errors, formulas without a stored value, merged cells, and
typed numbers that no record can hold. Shapes of the XML: ECMA-376 part 1 (18.3.1.4, cell type e; 18.3.1.55, merges) and
OASIS OpenDocument 1.3 part 3 (covered cells, value types), with LibreOffice's own mark of an error cell.
"""

import datetime as dt
import zipfile
from decimal import Decimal

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from ventbook.records import intake
from ventbook.records import store as stores

openpyxl = pytest.importorskip("openpyxl")
TODAY = dt.date(2026, 10, 1)
HEAD = ["engine_id", "engine_type", "cylinders", "rocker_ratio", "feed_order"]


def take(folder, *names):
    return intake.ingest([folder / name for name in names], store=folder / "store", today=TODAY)


def held(result):
    rows = result.quarantine
    return {
        (int(line), column): code
        for line, column, code in rows[["line", "column", "code"]].itertuples(index=False)
    }


def make_book(path, rows, *, merged=()):
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "engines"
    for row in rows:
        sheet.append(row)
    for cells in merged:
        sheet.merge_cells(cells)
    book.save(path)
    return path


@pytest.mark.parametrize("error", ["#DIV/0!", "#N/A", "#NAME?", "#NULL!", "#NUM!", "#REF!", "#VALUE!"])
def test_an_error_cell_holds_its_row_wherever_it_stands(tmp_path, error):
    rows = [
        HEAD,
        ["E1", "flat4", 4, 1.2, "1-2"],
        ["E2", "flat4", 4, error, None],
        ["E3", "flat4", 4, 1.2, error],
    ]
    result = take(tmp_path, make_book(tmp_path / "engines.xlsx", rows).name)
    assert held(result) == {(3, "rocker_ratio"): "spreadsheet_error", (4, "feed_order"): "spreadsheet_error"}
    assert all(repr(error) in what for what in result.quarantine["what"])


def test_a_row_of_nothing_but_an_error_is_no_blank_row(tmp_path):
    rows = [HEAD, ["E1", "flat4", 4, 1.2], [None, None, None, "#REF!"], ["E2", "flat4", 4, 1.2]]
    result = take(tmp_path, make_book(tmp_path / "engines.xlsx", rows).name)
    assert result.counts.loc["engines", ["rows", "quarantined"]].tolist() == [3, 1]


def test_a_formula_without_a_stored_value_holds_its_row(tmp_path):
    rows = [HEAD, ["E1", "flat4", 4, 1.2], ["E2", "flat4", 4, "=D2*2"], ["E3", "flat4", 4, 1.3]]
    result = take(tmp_path, make_book(tmp_path / "engines.xlsx", rows).name)
    assert held(result) == {(3, "rocker_ratio"): "formula_without_value"}
    assert "D2*2" in result.quarantine["what"].iloc[0]


def test_a_formula_with_its_stored_value_is_a_value_and_an_empty_text_is_empty(tmp_path):
    path = make_book(tmp_path / "engines.xlsx", [HEAD, ["E1", "flat4", 4, "=1.1+0.1", '=IF(1,"","")']])
    with zipfile.ZipFile(path) as old:
        parts = {name: old.read(name) for name in old.namelist()}
    sheet = parts["xl/worksheets/sheet1.xml"]
    sheet = sheet.replace(b"<f>1.1+0.1</f><v />", b"<f>1.1+0.1</f><v>1.2</v>")
    sheet = sheet.replace(b'<c r="E2">', b'<c r="E2" t="str">')
    parts["xl/worksheets/sheet1.xml"] = sheet
    with zipfile.ZipFile(path, "w") as new:
        for name, data in parts.items():
            new.writestr(name, data)
    assert take(tmp_path, path.name).counts.loc["engines", "accepted"] == 1
    kept = stores.open_store(tmp_path / "store").snapshot().read("engines")
    assert kept["rocker_ratio"].tolist() == [1.2] and kept["feed_order"].isna().all()


def test_merged_cells_hold_the_rows_they_cover(tmp_path):
    rows = [HEAD, *([f"E{n}", "flat4", 4, 1.2 if n == 1 else None, "1-2"] for n in range(1, 6))]
    result = take(tmp_path, make_book(tmp_path / "engines.xlsx", rows, merged=["D2:D4"]).name)
    assert held(result) == {(3, "rocker_ratio"): "merged_cells", (4, "rocker_ratio"): "merged_cells"}
    assert "D2:D4" in result.quarantine["what"].iloc[0]
    assert result.counts.loc["engines", "accepted"] == 3


def test_merged_titles_and_footers_are_no_covered_records(tmp_path):
    rows = [["Engines of Harbour"], [], HEAD, ["E1", "flat4", 4, 1.2], ["seen: the chief"]]
    result = take(tmp_path, make_book(tmp_path / "engines.xlsx", rows, merged=["A1:E1", "A5:E5"]).name)
    assert result.counts.loc["engines", "accepted"] == 1
    assert set(result.quarantine["code"]) == {"missing_required"}


ODS = """<?xml version="1.0" encoding="UTF-8"?>
<office:document-content xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0"
 xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0" xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0"
 xmlns:calcext="urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0" office:version="1.3">
<office:body><office:spreadsheet><table:table table:name="engines">{rows}</table:table></office:spreadsheet></office:body>
</office:document-content>"""


MANIFEST = """<?xml version="1.0" encoding="UTF-8"?>
<manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0" manifest:version="1.3">
<manifest:file-entry manifest:full-path="/" manifest:media-type="application/vnd.oasis.opendocument.spreadsheet"/>
<manifest:file-entry manifest:full-path="content.xml" manifest:media-type="text/xml"/></manifest:manifest>"""


def ods_cell(value):
    if isinstance(value, (int, float)):
        return f'<table:table-cell office:value-type="float" office:value="{value}"><text:p>{value}</text:p></table:table-cell>'
    if value is None:
        return "<table:table-cell/>"
    if value.startswith("<"):
        return value
    return f'<table:table-cell office:value-type="string"><text:p>{value}</text:p></table:table-cell>'


def make_ods(path, rows):
    body = "".join(
        row if isinstance(row, str) else f"<table:table-row>{''.join(map(ods_cell, row))}</table:table-row>"
        for row in rows
    )
    with zipfile.ZipFile(path, "w") as book:
        book.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        book.writestr("content.xml", ODS.format(rows=body))
        book.writestr("META-INF/manifest.xml", MANIFEST)
    return path


ERROR = (
    '<table:table-cell table:formula="of:=1/0" office:value-type="string" office:string-value="" '
    'calcext:value-type="error"><text:p>#DIV/0!</text:p></table:table-cell>'
)
OLD_ERROR = (
    '<table:table-cell table:formula="of:=[.X1]" office:value-type="float" office:value="0">'
    "<text:p>Err:502</text:p></table:table-cell>"
)
NO_VALUE = '<table:table-cell table:formula="of:=[.D2]*2"/>'
SPAN = (
    '<table:table-cell table:number-columns-spanned="1" table:number-rows-spanned="2" office:value-type="float" '
    'office:value="1.2"><text:p>1.2</text:p></table:table-cell>'
)
BLANKS = '<table:table-row table:number-rows-repeated="3"><table:table-cell table:number-columns-repeated="9"/></table:table-row>'


def test_open_document_sheets_say_the_same(tmp_path):
    rows = [
        HEAD,
        ["E1", "flat4", 4, 1.2, "1-2"],
        ["E2", "flat4", 4, ERROR],
        ["E3", "flat4", 4, OLD_ERROR],
        BLANKS,
        ["E4", "flat4", 4, NO_VALUE],
        ["E5", "flat4", 4, SPAN],
        ["E6", "flat4", 4, "<table:covered-table-cell/>"],
        ["E7", "flat4", 4, 1.4],
    ]
    result = take(tmp_path, make_ods(tmp_path / "engines.ods", rows).name)
    assert held(result) == {
        (3, "rocker_ratio"): "spreadsheet_error",
        (4, "rocker_ratio"): "spreadsheet_error",
        (8, "rocker_ratio"): "formula_without_value",
        (10, "rocker_ratio"): "merged_cells",
    }
    assert result.counts.loc["engines", "accepted"] == 3


def test_errors_in_a_text_file_are_called_so_too(tmp_path):
    text = (
        ",".join(HEAD)
        + "\nE1,flat4,4,#REF!,\nE2,flat4,4,1.2,#WERT!\nE3,flat4,4,1.2,#3\nE4,flat4,4,1.2,Err:502\n"
    )
    (tmp_path / "engines.csv").write_text(text)
    assert set(held(take(tmp_path, "engines.csv")).values()) == {"spreadsheet_error"}
    assert stores.open_store(tmp_path / "store").snapshot().read("engines")["engine_id"].tolist() == ["E3"]


# ---- typed files -------------------------------------------------------------------------------------------

GOOD = {
    "venting_id": ["V1", "V2", "V3"],
    "engine_id": ["E1"] * 3,
    "date": [dt.date(2026, 7, n) for n in (1, 11, 21)],
    "site": ["Harbour"] * 3,
    "reason": ["oil_change"] * 3,
    "rotations": [40, 41, 42],
    "rotations_counted_at": ["crankshaft"] * 3,
    "pressure_shown": [True] * 3,
    "turning_speed [rpm]": [50.0, 51.0, 52.0],
    "closed": [None, None, None],
}
ODD_NUMBERS = [
    *(
        np.inf,
        -np.inf,
        1e300,
        -1e300,
        2.0**62,
        2**62,
        -(2**62),
        True,
        2**53 + 1,
        10**18,
        Decimal("1e30"),
        7.5,
    ),
    *(np.float16(6e4), np.uint64(2**64 - 1), dt.timedelta(days=3), dt.time(7), b"7", [7]),
]


def write_parquet(path, columns):
    pq.write_table(pa.table(columns), path)
    return path


@pytest.mark.parametrize("value", ODD_NUMBERS, ids=repr)
@pytest.mark.parametrize("column", ["rotations", "turning_speed [rpm]"])
def test_a_number_that_no_record_holds_holds_its_row_and_not_the_intake(tmp_path, column, value):
    (tmp_path / "engines.csv").write_text("engine_id,engine_type,cylinders\nE1,flat4,4\n")
    kinds = {bool: [None, True, None], dt.timedelta: [None, value, None], dt.time: [None, value, None]}
    values = kinds.get(type(value))
    if values is None:
        values = [GOOD[column][0], value, GOOD[column][2]]
        if isinstance(value, (Decimal, bytes, list)):
            values = [None, value, None]
        elif isinstance(value, np.generic):
            values = pa.array(
                [1, value, 2] if value.dtype.kind == "u" else [None, value, None],
                pa.from_numpy_dtype(value.dtype),
            )
        elif isinstance(value, float):
            values = [float(v) for v in values]
        else:
            values = pa.array([40, value, 41], pa.int64())
    path = write_parquet(tmp_path / "ventings.parquet", GOOD | {column: values})
    if isinstance(value, (bytes, list)):  # a column that can't be one of numbers at all
        with pytest.raises(intake.run.InputError, match="nested or binary"):
            take(tmp_path, "engines.csv", path.name)
        return
    result = take(tmp_path, "engines.csv", path.name)
    assert result.counts.loc["ventings", "rows"] == 3
    hit = result.quarantine[result.quarantine["line"] == 2]
    if column == "rotations" or value != 7.5:
        assert hit["column"].tolist() == [column.partition(" ")[0]]
    else:
        assert hit.empty


EPOCHS = [20_638, 1_783_000_000, 1_783_000_000_000, 1_783_000_000_000_000, 20260701, 46_000.5, True, 2**62]


@pytest.mark.parametrize("value", EPOCHS, ids=repr)
@pytest.mark.parametrize("column", ["date", "closed"])
def test_a_number_is_no_date(tmp_path, column, value):
    (tmp_path / "engines.csv").write_text("engine_id,engine_type,cylinders\nE1,flat4,4\n")
    path = write_parquet(tmp_path / "ventings.parquet", GOOD | {column: [value] * 3})
    result = take(tmp_path, "engines.csv", path.name)
    assert result.counts.loc["ventings", "quarantined"] == 3
    assert set(result.quarantine["code"]) == {"date_is_number"}
    assert set(result.quarantine["column"]) == {column}


@pytest.mark.parametrize("value", [1_783_000_000, 1_783_000_000_000_000, 46_000.5, True], ids=repr)
def test_a_number_is_no_clock_time(tmp_path, value):
    (tmp_path / "engines.csv").write_text("engine_id,engine_type,cylinders\nE1,flat4,4\n")
    write_parquet(tmp_path / "ventings.parquet", GOOD)
    columns = {"venting_id": ["V1"], "start_no": [1], "started_at": [value], "pressure_shown": [True]}
    write_parquet(tmp_path / "starts.parquet", columns)
    result = take(tmp_path, "engines.csv", "ventings.parquet", "starts.parquet")
    assert result.quarantine["code"].tolist() == ["date_is_number"]


def test_a_day_number_in_a_workbook_is_no_date(tmp_path):
    head = [name for name in GOOD if name != "closed"]
    rows = [[GOOD[name][n] for name in head] for n in range(3)]
    rows[1][2], rows[2][2] = 46_000, 20260701
    rows = [[("yes" if v is True else v) for v in row] for row in rows]
    make_book(tmp_path / "ventings.xlsx", [head, *rows])
    book = openpyxl.load_workbook(tmp_path / "ventings.xlsx")
    book.active.title = "ventings"
    book.save(tmp_path / "ventings.xlsx")
    (tmp_path / "engines.csv").write_text("engine_id,engine_type,cylinders\nE1,flat4,4\n")
    result = take(tmp_path, "engines.csv", "ventings.xlsx")
    assert result.quarantine["code"].tolist()[0] == "date_is_serial" and 4 not in set(
        result.quarantine["line"]
    )
