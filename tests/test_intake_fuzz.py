"""Mutated files: no traceback, no hang, rows conserved, wrong bytes never accepted as a number.

VENTBOOK_FUZZ sets how many files are tried (default 300); 5,000 take some minutes.
"""

import datetime as dt
import io
import os
import random
import re
import time
import zipfile
from decimal import Decimal

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ventbook.errors import InputError
from ventbook.records import intake, privacy, readers
from ventbook.records.intake.corrections import Corrections
from ventbook.records.intake.load import load_table

TODAY = dt.date(2026, 10, 1)
FILES = int(os.environ.get("VENTBOOK_FUZZ", "120"))
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


def check_values(path):
    """Every number that would be accepted stands in the file as that number (an independent reading of the cell)."""
    sheets, _ = readers.open_sheets([path])
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


def try_file(path):
    """Hand the file in (nothing is written) and hold it to the promises."""
    begin = time.process_time()
    try:
        result = intake.ingest([path], store=path.parent / "none", today=TODAY, dry_run=True)
    except InputError as error:
        assert str(error) and "accounted for" not in str(error)
        assert "\n" not in str(error).strip() or all(line.strip() for line in str(error).splitlines())
        return "refused"
    for row in result.counts.itertuples():
        assert row.rows == row.accepted + row.duplicate + row.corrected + row.quarantined
        assert row.quarantined == len(result.quarantine) or row.Index == "samples"
    check_values(path)
    assert time.process_time() - begin < SLOW
    return "read"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("fuzz")


@settings(
    max_examples=FILES,
    deadline=None,
    suppress_health_check=[
        HealthCheck.function_scoped_fixture,
        HealthCheck.too_slow,
        HealthCheck.data_too_large,
    ],
)
@given(kinds=st.lists(st.sampled_from(KINDS), min_size=1, max_size=3), seed=st.integers(0, 2**32))
def test_mutated_text_files(folder, kinds, seed):
    rng = random.Random(seed)
    data = BASE_BYTES
    for kind in kinds:
        data = mutate(data, kind, rng)
    path = folder / "engines.csv"
    path.write_bytes(data)
    try_file(path)


@pytest.fixture(scope="module")
def book(folder):
    import xlsxwriter

    path = folder / "base.xlsx"
    with xlsxwriter.Workbook(str(path)) as made:
        sheet = made.add_worksheet("engines")
        for r, line in enumerate(BASE.strip().split("\n")):
            for c, cell in enumerate(line.split(",")):
                if r and c in (2, 4, 5, 6):
                    sheet.write_number(r, c, float(cell))
                else:
                    sheet.write_string(r, c, cell)
    return path.read_bytes()


@settings(
    max_examples=max(20, FILES // 8),
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(seed=st.integers(0, 2**32), inside=st.booleans())
def test_mutated_workbooks(folder, book, seed, inside):
    """Bytes of the archive, or of the XML inside it, changed at random."""
    rng = random.Random(seed)
    path = folder / "engines.xlsx"
    if inside:
        target = io.BytesIO()
        with (
            zipfile.ZipFile(io.BytesIO(book)) as old,
            zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as new,
        ):
            for item in old.infolist():
                data = old.read(item)
                if item.filename.endswith((".xml", ".rels")) and rng.random() < 0.4:
                    data = mutate(data, rng.choice(["truncate", "cut", "noise", "overwrite", "repeat"]), rng)
                new.writestr(item, data)
        path.write_bytes(target.getvalue())
    else:
        path.write_bytes(mutate(book, rng.choice(["truncate", "cut", "noise", "overwrite", "zeros"]), rng))
    try_file(path)


@settings(
    max_examples=max(10, FILES // 20),
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(seed=st.integers(0, 2**32))
def test_mutated_parquet(folder, seed):
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
    rng = random.Random(seed)
    path = folder / "engines.parquet"
    path.write_bytes(
        mutate(out.getvalue(), rng.choice(["truncate", "cut", "noise", "overwrite", "zeros"]), rng)
    )
    try_file(path)


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


def test_workbooks_with_external_links_and_entities_are_only_read(folder, book):
    """External links are not followed; an entity bomb in the shared strings is not unfolded."""
    bomb = b'<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">' + b"".join(
        b'<!ENTITY %c "%s">' % (98 + n, b"&%c;" % (97 + n) * 10) for n in range(8)
    )
    target = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(book)) as old, zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as new:
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
