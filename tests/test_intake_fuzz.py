"""Mutated files: no traceback, no hang, rows conserved, wrong bytes never accepted as a number.

300 files in the short run (text, XLSX, ODS, Parquet, mapping files); 10,000 in the long one, or as many as VENTBOOK_FUZZ says.
"""

import datetime as dt
import io
import os
import random
import re
import time
import zipfile
from decimal import Decimal
from functools import cache

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from ventbook.errors import InputError
from ventbook.records import intake, privacy, readers
from ventbook.records.intake.corrections import Corrections
from ventbook.records.intake.load import load_table

TODAY = dt.date(2026, 10, 1)
MANY = int(os.environ.get("VENTBOOK_FUZZ", "10000"))
SHARES = {"text": 0.6, "xlsx": 0.2, "ods": 0.07, "parquet": 0.06, "mapping": 0.07}
FILES = 300
SLOW = 20.0  # seconds of processor time, which a busy machine doesn't stretch
HEAD = "engine_id,engine_type,cylinders,turbocharged,pump_displacement [in3],propeller_reduction,plunger_clearance [um]"
BASE = (
    HEAD
    + "\n"
    + "".join(
        f"E{n:03d},{'flat4' if n % 2 else 'größer;6'},{4 + 2 * (n % 2)},{'yes' if n % 3 else ''},0.{40 + n},2.{n},{n / 8}\n"
        for n in range(40)
    )
)
BASE_BYTES = BASE.encode()


def mutate(data: bytes, kind: str, rng: random.Random) -> bytes:
    """One mutation of a text file."""
    size = max(len(data), 1)
    a, b = sorted((rng.randrange(size), rng.randrange(size)))
    noise = bytes(rng.randrange(256) for _ in range(rng.randrange(1, 12)))
    lines = data.split(b"\n")
    if kind == "truncate":
        return data[:a]
    if kind == "cut":
        return data[:a] + data[b:]
    if kind == "noise":
        return data[:a] + noise + data[a:]
    if kind == "overwrite":
        return data[:a] + noise + data[a + len(noise) :]
    if kind == "repeat":
        return data[:b] + data[a:b] + data[b:]
    if kind == "zeros":
        return data[:a] + b"\0" * rng.randrange(1, 5) + data[a:]
    if kind == "endless":
        return data[:a] + b"9" * 10**6 + data[a:]
    if kind == "quote":
        return data[:a] + b'"' + data[a:]
    if kind == "newline":
        return data[:a] + rng.choice([b"\n", b"\r", b"\r\n", b"\n\n"]) + data[a:]
    if kind == "separator":
        return data.replace(b",", rng.choice([b";", b"\t", b"|", b" "]))
    if kind == "decimal":
        return data.replace(b",", b";").replace(b".", b",")
    if kind == "mixed":
        return data[:a] + data[a:].decode("utf-8", "replace").encode("cp1252", "replace")
    if kind == "utf16":
        return data.decode("utf-8", "replace").encode("utf-16")
    if kind == "header twice":
        return lines[0] + b"\n" + data
    if kind == "columns":
        rows = [line.split(b",") for line in lines]
        order = list(range(len(rows[0])))
        rng.shuffle(order)
        return b"\n".join(b",".join(row[n] for n in order if n < len(row)) for row in rows)
    if kind == "same header":
        return data.replace(b"turbocharged", b"cylinders", 1)
    if kind == "lines":
        rng.shuffle(lines)
        return b"\n".join(lines)
    if kind == "digits":
        return re.sub(
            rb"\d", lambda m: rng.choice([m.group(), b"O", b"l", b"\xb2", "１".encode()]), data, count=9
        )
    raise AssertionError(kind)


KINDS = (
    *("truncate", "cut", "noise", "overwrite", "repeat", "zeros", "endless", "quote", "newline", "separator"),
    *("decimal", "mixed", "utf16", "header twice", "columns", "same header", "lines", "digits"),
)
NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)


def check_values(path, mapping=None):
    """Every number that would be accepted stands in the file as that number (an independent reading of the cell)."""
    sheets, _ = readers.open_sheets([path], readers.load_mapping(mapping))
    for sheet in sheets:
        loaded = load_table(
            sheet.table,
            [sheet],
            today=TODAY,
            coder=privacy.open_coder(None),
            corrections=Corrections(),
        )
        good = ~loaded.quarantined()
        at = 0
        for batch in loaded.kept.get(0, []):
            rows = [n for n in range(batch.rows) if good[at + n] and n not in batch.faults]
            for number, part in enumerate(sheet.fields):
                column = part.column
                if column is None or column.kind not in ("quantity", "number", "integer"):
                    continue
                values = loaded.rows.column(column.stored)
                for n in rows:
                    raw, value = batch.cells[number][n].as_py(), values[at + n].as_py()
                    if value is None:
                        assert raw is None or not str(raw).strip() or raw != raw
                        continue
                    text = str(raw).strip()
                    if sheet.decimal == ",":
                        text = text.replace(",", ".")
                    assert NUMBER.fullmatch(text), (column.name, raw, value)
                    factor = {"pump_displacement": Decimal("16.387064")}.get(column.name, Decimal(1))
                    factor = factor if part.unit == "in3" else Decimal(1)
                    assert float(Decimal(text) * factor) == pytest.approx(value, abs=1e-8)
            at += batch.rows


def count_lines(path):
    """Physical lines of a text file: ends of lines of any kind, and what stands behind the last."""
    data = path.read_bytes()
    return len(re.findall(rb"\r\n|\n|\r", data)) + (not data.endswith((b"\n", b"\r")))


def try_file(path, mapping=None):
    """Hand the file in (nothing is written) and hold it to the promises."""
    begin = time.process_time()
    try:
        result = intake.ingest([path], store=path.parent / "none", today=TODAY, mapping=mapping, dry_run=True)
    except InputError as error:
        assert str(error) and "accounted for" not in str(error)
        assert "\n" not in str(error).strip() or all(line.strip() for line in str(error).splitlines())
        return "refused"
    for row in result.counts.itertuples():
        assert row.rows == row.accepted + row.duplicate + row.corrected + row.quarantined
        assert row.quarantined == len(result.quarantine) or row.Index == "samples"
    for source in result.sources:
        lines = source.get("lines")
        if lines:
            assert lines["lines"] == sum(n for name, n in lines.items() if name != "lines")
            assert path.read_bytes()[:2] in (b"\xff\xfe", b"\xfe\xff") or lines["lines"] == count_lines(path)
            assert (lines["rows"], lines["left_out"]) == tuple(
                result.counts.loc["engines", ["rows", "left_out"]]
            )
    check_values(path, mapping)
    assert time.process_time() - begin < SLOW
    return "read"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("fuzz")


def make_text(folder, rng):
    data = BASE_BYTES
    for kind in rng.choices(KINDS, k=rng.randrange(1, 4)):
        data = mutate(data, kind, rng)
    path = folder / "engines.csv"
    path.write_bytes(data)
    return path, None


@cache
def base_book():
    import xlsxwriter

    made = io.BytesIO()
    with xlsxwriter.Workbook(made) as book:
        sheet = book.add_worksheet("engines")
        for r, line in enumerate(BASE.strip().split("\n")):
            for c, cell in enumerate(line.split(",")):
                if r and c in (2, 4, 5, 6):
                    sheet.write_number(r, c, float(cell))
                else:
                    sheet.write_string(r, c, cell)
    return made.getvalue()


@cache
def base_ods():
    spaces = " ".join(
        f'xmlns:{p}="urn:oasis:names:tc:opendocument:xmlns:{n}:1.0"'
        for p, n in (("office", "office"), ("table", "table"), ("text", "text"))
    )
    rows = "".join(
        "<table:table-row>"
        + "".join(
            f'<table:table-cell office:value-type="float" office:value="{cell}"/>'
            if re.fullmatch(r"[0-9.]+", cell)
            else f'<table:table-cell office:value-type="string"><text:p>{cell}</text:p></table:table-cell>'
            for cell in line.split(",")
        )
        + "</table:table-row>"
        for line in BASE.strip().split("\n")
    )
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr(
            "content.xml",
            f'<?xml version="1.0"?><office:document-content {spaces}><office:body><office:spreadsheet>'
            f'<table:table table:name="engines">{rows}</table:table></office:spreadsheet></office:body>'
            "</office:document-content>",
        )
        archive.writestr("META-INF/manifest.xml", "<x/>")
    return made.getvalue()


def mutate_archive(data, rng):
    """Bytes of the archive, or of the XML inside it, changed at random."""
    if rng.random() < 0.5:
        return mutate(data, rng.choice(["truncate", "cut", "noise", "overwrite", "zeros"]), rng)
    target = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as new:
        for item in old.infolist():
            data = old.read(item)
            if item.filename.endswith((".xml", ".rels")) and rng.random() < 0.4:
                data = mutate(data, rng.choice(["truncate", "cut", "noise", "overwrite", "repeat"]), rng)
            new.writestr(item, data)
    return target.getvalue()


def make_xlsx(folder, rng):
    path = folder / "engines.xlsx"
    path.write_bytes(mutate_archive(base_book(), rng))
    return path, None


def make_ods(folder, rng):
    path = folder / "engines.ods"
    path.write_bytes(mutate_archive(base_ods(), rng))
    return path, None


@cache
def base_parquet():
    table = pa.table(
        {
            "engine_id": [f"E{n}" for n in range(50)],
            "engine_type": ["flat4"] * 50,
            "cylinders": pa.array(np.arange(50) % 14, pa.int64()),
            "pump_displacement [in3]": np.linspace(-1, 3, 50),
        }
    )
    out = io.BytesIO()
    pq.write_table(table, out)
    return out.getvalue()


def make_parquet(folder, rng):
    path = folder / "engines.parquet"
    kind = rng.choice(["truncate", "cut", "noise", "overwrite", "zeros"])
    path.write_bytes(mutate(base_parquet(), kind, rng))
    return path, None


MAPPING = """[[source]]
files = "engines*"
table = "engines"
separator = ","
decimal = "."
header_row = 1
names = ["worker"]
[source.columns]
"engine_id" = "engine_id"
"cylinders" = "cylinders"
[source.units]
plunger_clearance = "um"
[source.codes.turbocharged]
"ja" = "yes"
"""


def make_mapping(folder, rng):
    path, mapping = folder / "engines.csv", folder / "mapping.toml"
    path.write_bytes(BASE_BYTES)
    kind = rng.choice(
        ["truncate", "cut", "noise", "overwrite", "repeat", "zeros", "quote", "newline", "lines", "digits"]
    )
    mapping.write_bytes(mutate(MAPPING.encode(), kind, rng))
    return path, mapping


MAKERS = {
    "text": make_text,
    "xlsx": make_xlsx,
    "ods": make_ods,
    "parquet": make_parquet,
    "mapping": make_mapping,
}


def try_many(folder, kind, first, count):
    """``count`` mutated files of a kind; the seed of the one that fails is told. How many were read."""
    read = 0
    for seed in range(first, first + count):
        path, mapping = MAKERS[kind](folder, random.Random(seed))
        try:
            read += try_file(path, mapping) == "read"
        except BaseException as error:
            raise AssertionError(f"{kind}, seed {seed}: {type(error).__name__}: {error}") from error
    return read


@pytest.mark.parametrize("kind", MAKERS)
def test_mutated_files(folder, kind):
    try_many(folder, kind, 0, round(FILES * SHARES[kind]))


@pytest.mark.long
@pytest.mark.parametrize("kind", MAKERS)
def test_many_mutated_files(folder, kind):
    count = round(MANY * SHARES[kind])
    read = try_many(folder, kind, 100_000, count)
    assert 0 < read < count


BY_HAND = {
    "nothing": b"",
    "one byte": b"e",
    "only headers": HEAD.encode() + b"\n",
    "only headers without line end": HEAD.encode(),
    "only a byte order mark": b"\xef\xbb\xbf",
    "only blank lines": b"\n\n\n\n",
    "only separators": b",,,,\n,,,,\n",
    "zeros": b"\0" * 5000,
    "noise": bytes(range(256)) * 40,
    "quote that never closes": HEAD.encode() + b'\n"E1,flat4,4,,,,\n' + b"E2,flat4,4,,,,\n" * 50,
    "million characters in a cell": HEAD.encode() + b"\nE1," + b"x" * 10**6 + b",4,,,,\n",
    "million digits in a cell": HEAD.encode() + b"\nE1,flat4," + b"4" * 10**6 + b",,,,\n",
    "million digits and a letter": HEAD.encode() + b"\nE1,flat4,4,,1" + b"2" * 10**6 + b"x,2,1\n",
    "million digits and dots as a date": HEAD.encode() + b"\n" + b"1." * 10**5 + b",flat4,4,,,,\n",
    "million spaces in a header": HEAD.encode() + b",x" + b" " * 10**6 + b"y\nE1,flat4,4,,,,,\n",
    "million columns": b",".join([HEAD.encode(), *[b""] * 10**5]) + b"\nE1,flat4,4,,,,\n",
    "not a number forms": HEAD.encode()
    + b"\nE1,flat4,4,,nan,2,\nE2,flat4,4,,inf,2,\nE3,flat4,4,,1e999,2,\nE4,flat4,0x4,,1,2,\nE5,flat4,4,,1_0,2,\n",
    "formula": HEAD.encode() + b"\n=cmd|' /C calc'!A0,flat4,4,,,,\n",
    "lone surrogate bytes": HEAD.encode() + b"\n\xed\xa0\x80,flat4,4,,,,\n",
    "html": b"<html><table><tr><td>engine_id</td></tr></table></html>",
}


@pytest.mark.parametrize("name", BY_HAND)
def test_files_made_by_hand(folder, name):
    path = folder / "engines.csv"
    path.write_bytes(BY_HAND[name])
    try_file(path)


def test_numbers_that_are_none_are_held(folder):
    path = folder / "engines.csv"
    path.write_bytes(BY_HAND["not a number forms"])
    result = intake.ingest([path], store=folder / "none", today=TODAY, dry_run=True)
    assert result.counts.loc["engines", "accepted"] == 0
    assert set(result.quarantine["code"]) == {"not_a_number"}


def test_workbooks_with_external_links_and_entities_are_only_read(folder):
    """External links are not followed; an entity bomb in the shared strings is not unfolded."""
    bomb = b'<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">' + b"".join(
        b'<!ENTITY %c "%s">' % (98 + n, b"&%c;" % (97 + n) * 10) for n in range(8)
    )
    target = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(base_book())) as old,
        zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for item in old.infolist():
            data = old.read(item)
            if item.filename.endswith("sharedStrings.xml"):
                data = data.replace(b"<sst", bomb + b"]><sst", 1).replace(b"flat4", b"&i;", 1)
            new.writestr(item, data)
        new.writestr(
            "xl/externalLinks/externalLink1.xml",
            '<externalLink><file href="file:///etc/passwd"/></externalLink>',
        )
    path = folder / "engines.xlsx"
    path.write_bytes(target.getvalue())
    try_file(path)
