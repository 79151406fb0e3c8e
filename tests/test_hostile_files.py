"""Hostile files are refused in one line, in seconds and little memory; what is read is accounted for to the last row.

Bounds stand in ``data/bounds.toml``. Each file is handed to a process of its own, whose peak memory and processor time
are taken from the system.
"""

import json
import os
import struct
import subprocess
import sys
import tomllib
import zipfile
import zlib

import pytest

from ventbook import tables
from ventbook.errors import InputError
from ventbook.records import readers
from ventbook.records.readers import bounds

HEAD = "engine_id,engine_type,cylinders"
RUN = """
import json, resource, sys
from ventbook.errors import InputError
from ventbook.records.intake import ingest
before = resource.getrusage(resource.RUSAGE_SELF)
said = ""
try:
    ingest([sys.argv[1]], store=sys.argv[2], mapping=sys.argv[3] or None, today="2026-11-01", dry_run=True)
except InputError as error:
    said = str(error)
after = resource.getrusage(resource.RUSAGE_SELF)
child = resource.getrusage(resource.RUSAGE_CHILDREN)
print(json.dumps([said, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime + child.ru_utime,
                  max(0, after.ru_maxrss - before.ru_maxrss) / 1024]))
"""
pytestmark = pytest.mark.skipif(os.name != "posix", reason="no such measures")


def hand_in(path, mapping=""):
    """What was said, seconds of processor time, and MB that were taken beyond what the library itself takes."""
    done = subprocess.run(
        [sys.executable, "-c", RUN, str(path), str(path.parent / "none"), str(mapping)],
        capture_output=True,
        text=True,
        check=False,
        timeout=600,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    said, seconds, megabytes = json.loads(done.stdout)
    assert "\n" not in said
    return said, seconds, megabytes


def write_text(folder, *parts):
    path = folder / "engines.csv"
    with path.open("wb") as file:
        for part in parts:
            file.write(part)
    return path


SPACES = " ".join(
    f'xmlns:{p}="urn:oasis:names:tc:opendocument:xmlns:{n}:1.0"'
    for p, n in (("office", "office"), ("table", "table"), ("text", "text"))
)


def write_ods(folder, body, doctype=""):
    path = folder / "engines.ods"
    content = (
        f'<?xml version="1.0"?>{doctype}<office:document-content {SPACES}><office:body><office:spreadsheet>'
        f'<table:table table:name="engines">{body}</table:table></office:spreadsheet></office:body>'
        "</office:document-content>"
    )
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr("content.xml", content)
        archive.writestr("META-INF/manifest.xml", "<x/>")
    return path


def ods_row(*cells, more="", rows=""):
    inside = "".join(
        f'<table:table-cell office:value-type="string"{more}><text:p>{cell}</text:p></table:table-cell>'
        for cell in cells
    )
    return f"<table:table-row{rows}>{inside}</table:table-row>"


def write_xlsx(folder, cell, *, dimension="A1:C2", shared=b"", plain=()):
    """A workbook whose first sheet carries a raw cell after a good row."""
    import xlsxwriter

    made = folder / "made.xlsx"
    with xlsxwriter.Workbook(str(made)) as book:
        sheet = book.add_worksheet("engines")
        for r, row in enumerate([HEAD.split(","), ["E1", "flat4", 4], *plain]):
            sheet.write_row(r, 0, row)
    path = folder / "engines.xlsx"
    with zipfile.ZipFile(made) as old, zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
        for item in old.infolist():
            data = old.read(item)
            if item.filename.endswith("sheet1.xml"):
                data = data.replace(b"</sheetData>", cell + b"</sheetData>")
                data = data.replace(b'<dimension ref="A1:C2"/>', f'<dimension ref="{dimension}"/>'.encode())
            if item.filename.endswith("sharedStrings.xml") and shared:
                data = data.replace(b"<sst", shared + b"<sst", 1).replace(b"flat4", b"&i;", 1)
            new.writestr(item, data)
    return path


SOME = ("single quotes", "stars", "a name without end", "digits and a letter")  # the rest in the long run
FAR = {
    "plain": b'<row r="1048576"><c r="XFD1048576"><v>1</v></c></row>',
    "single quotes": b"<row r='1048576'><c r='XFD1048576'><v>1</v></c></row>",
    "spaces about": b'<row r = "1048576"><c r = "XFD1048576" ><v>1</v></c></row>',
    "an entity": b'<row r="1048576"><c r="XFD&#49;048576"><v>1</v></c></row>',
    "many attributes": b'<row r="1048576"><c ' + b'x="' + b"y" * 400 + b'" r="XFD1048576"><v>1</v></c></row>',
    "small letters": b'<row r="1048576"><c r="xfd1048576"><v>1</v></c></row>',
    "a row without references": b'<row r="1048576">' + b"<c><v>1</v></c>" * 16384 + b"</row>",
    "a number beyond any": b'<row r="4294967295"><c r="ZZZZZZ4294967295"><v>1</v></c></row>',
}


@pytest.mark.parametrize("how", [pytest.param(h, marks=[] if h in SOME else pytest.mark.long) for h in FAR])
def test_a_cell_far_away_takes_no_memory_whatever_its_reference_looks_like(tmp_path, how):
    path = write_xlsx(tmp_path, FAR[how])
    assert path.stat().st_size < 20_000
    said, seconds, megabytes = hand_in(path)
    assert seconds < 20 and megabytes < 300
    assert said == "" or "engines.xlsx" in said  # read as a row more, or refused in one line


def test_a_dimension_that_promises_everything_is_not_believed(tmp_path):
    said, seconds, megabytes = hand_in(write_xlsx(tmp_path, b"", dimension="A1:XFD1048576"))
    assert said == "" and seconds < 20 and megabytes < 300


def test_a_hundred_thousand_columns_are_refused(tmp_path):
    names = b",".join(b"c%d" % n for n in range(100_000))
    row = b"\n" + b",".join([b"1"] * 100_000)
    for number, head in enumerate((HEAD.encode() + b"," + names, names)):
        said, seconds, megabytes = hand_in(write_text(tmp_path, head, *[row] * 50))
        assert "columns (at most 2,000)" in said and number < 2
        assert seconds < 15 and megabytes < 500
    body = ods_row("engine_id") + ods_row("x", more=' table:number-columns-repeated="100000"')
    said, seconds, megabytes = hand_in(write_ods(tmp_path, body))
    assert said and seconds < 15 and megabytes < 500


@pytest.mark.long
def test_a_parquet_file_of_many_columns_is_refused(tmp_path):
    import pyarrow as pa
    import pyarrow.parquet as pq

    path = tmp_path / "engines.parquet"
    pq.write_table(pa.table({f"c{n}": [1] for n in range(5000)}), path)
    said, seconds, _ = hand_in(path)
    assert "5,000 columns" in said and seconds < 15


CELLS = {
    "in one line": (b"x" * (1 << 20), 1),
    "in quotation marks": (b'"' + b"x" * (1 << 20), 1),
    "digits": (b"9" * (1 << 20), 1),
}


@pytest.mark.parametrize(
    "how", [pytest.param(h, marks=[] if h == "digits" else pytest.mark.long) for h in CELLS]
)
def test_a_cell_of_300_mb_is_refused(tmp_path, how):
    first, _ = CELLS[how]
    rest = first.replace(b'"', b"x")
    path = write_text(tmp_path, HEAD.encode() + b"\nE1,", first, *[rest] * 300, b",4\n")
    assert path.stat().st_size > 300e6
    said, seconds, megabytes = hand_in(path)
    assert "a line is longer than 16 MB" in said
    assert seconds < 10 and megabytes < 200
    path.unlink()


@pytest.mark.long
def test_an_endless_cell_of_many_lines_is_refused_by_its_line(tmp_path):
    path = write_text(tmp_path, HEAD.encode() + b'\nE1,"flat4,4\n', *[b"E2,flat4,4\n" * 1000] * 300)
    said, seconds, megabytes = hand_in(path)
    assert "a quotation mark that opens on line 2" in said and seconds < 60 and megabytes < 500


BILLION = b'<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">' + b"".join(
    b'<!ENTITY %c "%s">' % (98 + n, b"&%c;" % (97 + n) * 10) for n in range(8)
)
OUTSIDE = b'<!DOCTYPE x [<!ENTITY i SYSTEM "file://%s">]>'


@pytest.mark.parametrize("kind", ["xlsx", "ods"])
@pytest.mark.parametrize("entity", ["inside", "outside"])
def test_entities_are_neither_unfolded_nor_fetched(tmp_path, kind, entity):
    secret = tmp_path / "secret.txt"
    secret.write_text("TOPSECRET")
    doctype = BILLION + b"]>" if entity == "inside" else OUTSIDE % str(secret).encode()
    if kind == "xlsx":
        path = write_xlsx(tmp_path, b"", shared=doctype)
    else:
        rows = ods_row(*HEAD.split(",")) + ods_row("E1", "&i;", "4")
        path = write_ods(tmp_path, rows, doctype.decode())
    said, seconds, megabytes = hand_in(path)
    assert seconds < 10 and megabytes < 200 and "TOPSECRET" not in said
    try:
        sheets, _ = readers.open_sheets([path])
    except InputError:
        return
    cells = [str(c) for s in sheets for b in s.batches() for column in b.cells for c in column.to_pylist()]
    assert not any("TOPSECRET" in cell or len(cell) > 100 for cell in cells)


@pytest.mark.long
def test_ods_rows_that_repeat_a_million_times_are_refused(tmp_path):
    body = ods_row(*HEAD.split(","))
    for n, (more, rows) in enumerate(
        [
            (' table:number-columns-repeated="16000"', ' table:number-rows-repeated="1000000"'),
            (" table:number-columns-repeated='16000'", " table:number-rows-repeated='1000000'"),
            ("", ' table:number-rows-repeated="1048576"' * 1),
            (' table:number-columns-repeated="4294967295"', ""),
        ]
    ):
        said, seconds, megabytes = hand_in(
            write_ods(tmp_path, body + ods_row("E1", "flat4", "4", more=more, rows=rows))
        )
        assert seconds < 40 and megabytes < 1800, (n, seconds, megabytes)
        assert said == "" or "engines.ods" in said


def write_zip_bomb(folder):
    path = folder / "engines.xlsx"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("[Content_Types].xml", "<Types/>")
        archive.writestr("xl/worksheets/sheet1.xml", b"0" * (60 << 20))
    return path


def write_lying_archive(folder):
    """Says that it unpacks to ten bytes and goes on for 60 MB."""
    whole = write_zip_bomb(folder).read_bytes()
    size = struct.pack("<I", 60 << 20)
    path = folder / "engines.xlsx"
    path.write_bytes(whole.replace(size, struct.pack("<I", 10)))
    return path


def write_many_members(folder):
    path = folder / "engines.xlsx"
    with zipfile.ZipFile(path, "w") as archive:
        for n in range(11_000):
            archive.writestr(f"xl/worksheets/sheet{n}.xml", "")
    return path


@pytest.mark.parametrize("make", [write_zip_bomb, write_lying_archive, write_many_members])
def test_archives_that_unpack_to_far_more_are_refused(tmp_path, make):
    said, seconds, megabytes = hand_in(make(tmp_path))
    assert "engines.xlsx" in said and seconds < 15 and megabytes < 300


def test_a_mapping_of_a_million_rules_is_refused(tmp_path):
    path = write_text(tmp_path, f"{HEAD}\nE1,flat4,4\n".encode())
    mapping = tmp_path / "mapping.toml"
    rules = "".join(f'"h{n}" = "cylinders"\n' for n in range(1_000_000))
    mapping.write_text(f'[[source]]\nfiles = "*"\n[source.columns]\n{rules}')
    said, seconds, megabytes = hand_in(path, mapping)
    assert "mapping.toml: is longer than any mapping" in said and seconds < 5 and megabytes < 100
    mapping.write_text("x = " + "[" * 200_000)
    said, seconds, _ = hand_in(path, mapping)
    assert "mapping.toml: not a TOML file" in said and seconds < 5


BLOWING = {
    "stars": "*a" * 60 + "*b",
    "marks": "?" * 300 + "*" * 300,
    "brackets": "[!a-z" * 100 + "]" * 100,
    "an open set": "[" * 500,
}


@pytest.mark.parametrize(
    "how", [pytest.param(h, marks=[] if h in SOME else pytest.mark.long) for h in BLOWING]
)
def test_patterns_of_file_names_do_not_blow_up(tmp_path, how):
    path = tmp_path / ("engines_" + "a" * 200 + ".csv")
    path.write_text(f"{HEAD}\nE1,flat4,4\n")
    mapping = tmp_path / "mapping.toml"
    mapping.write_text(f"[[source]]\nfiles = {json.dumps(BLOWING[how])}\n")
    said, seconds, _ = hand_in(path, mapping)
    assert said == "" and seconds < 10


TEXTS = {
    "a date": "1." * 5000,
    "digits and a letter": "1" * 9000 + "x",
    "points and spaces": ". " * 4900,
    "a name without end": "Aa " * 3300,
    "hyphens": "A-" * 4900,
    "quotes": "'" * 9000,
    "brackets": "[(" * 4900,
    "signs": "+-" * 4900,
    "combining": "e" + "\u0301" * 9000,
}


@pytest.mark.parametrize("how", [pytest.param(h, marks=[] if h in SOME else pytest.mark.long) for h in TEXTS])
def test_no_pattern_of_ours_blows_up_on_a_cell(tmp_path, how):
    text = TEXTS[how]
    lines = [f"V{n},E1,{text},Harbour,{text},oil_change,{text},{text},yes,{text},{text}" for n in range(20)]
    path = tmp_path / "ventings.csv"
    path.write_text(
        f"venting_id,engine_id,date,site,technician,reason,rotations,rotations_counted_at,pressure_shown,remarks,other {text[:250]}\n"
        + "\n".join(lines),
        encoding="utf-8",
    )
    said, seconds, _ = hand_in(path)
    assert seconds < 15 and (said == "" or "seems to hold names" in said)


def test_a_reader_that_falls_over_is_one_line(tmp_path, monkeypatch):
    path = tmp_path / "engines.xlsx"
    write_xlsx(tmp_path, b"")
    endings = {
        "import os, signal; os.kill(os.getpid(), signal.SIGSEGV)": "the reader stopped on it",
        "import os; os.abort()": "the reader stopped on it",
        "import sys; sys.exit(4)": "the reader stopped on it",
        "import sys; sys.exit(3)": "asks for more than 4 GB of memory",
        "import time; time.sleep(60)": "takes longer than 1 s",
    }
    child = tmp_path / "child.py"
    monkeypatch.setattr(bounds, "CHILD", child)
    for code, said in endings.items():
        child.write_text(code)
        if "sleep" in code:
            monkeypatch.setattr(bounds, "bound", lambda name: 1 if name == "reader_seconds" else 1 << 32)
        with pytest.raises(InputError, match=said) as caught:
            readers.open_sheets([path])
        assert "\n" not in str(caught.value)


def test_every_bound_is_used_and_has_its_reason():
    source = "".join(path.read_text() for path in (tables.DATA.parent / "lib").rglob("readers/*.py"))
    rows = tomllib.loads((tables.DATA / "bounds.toml").read_text())["bound"]
    for row in rows:
        assert f'bound("{row["name"]}")' in source or f'"{row["name"]}"' in source, row
        assert len(row["reason"]) > 10 and row["value"] > 0


def test_a_damaged_page_of_parquet_is_refused(tmp_path):
    import pyarrow as pa
    import pyarrow.parquet as pq

    path = tmp_path / "engines.parquet"
    pq.write_table(pa.table({"engine_id": ["E1"], "engine_type": ["x" * 1000], "cylinders": [4]}), path)
    data = bytearray(path.read_bytes())
    data[8:24] = zlib.compress(b"hostile")[:16].ljust(16, b"\xff")
    path.write_bytes(data)
    said, _, _ = hand_in(path)
    assert "engines.parquet" in said
