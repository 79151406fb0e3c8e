"""A large plain file read in blocks with typed cells, against the same file read as text: the same rows, faults and notes.

The careful way (one reader, every cell as text) is what the other tests of intake hold; here the fast way is held against it,
with blocks of a few hundred bytes and files in which anything may stand in any cell.
"""

import dataclasses
import datetime as dt
import random

import numpy as np
import pyarrow as pa
import pytest

from ventbook.errors import InputError
from ventbook.records import privacy, readers
from ventbook.records.intake import load
from ventbook.records.intake.corrections import Correction, Corrections
from ventbook.records.readers import text_files

TODAY = dt.date(2026, 10, 1)
GOOD = {
    "venting_id": lambda r, n: f"V{n:05d}",
    "engine_id": lambda r, n: f"E{r.randrange(8)}",
    "date": lambda r, n: f"2026-0{r.randrange(1, 10)}-1{r.randrange(10)}",
    "site": lambda r, n: r.choice(["Harbour", "Ridge", "Größ"]),
    "technician": lambda r, n: r.choice(["Quux Invented", "Bar Invented", ""]),
    "reason": lambda r, n: r.choice(["oil_change", "Oil change", "overhauled_engine", ""]),
    "lines_empty": lambda r, n: r.choice(["yes", "no", "1", ""]),
    "rotations": lambda r, n: str(r.randrange(200)),
    "oil_temperature [degF]": lambda r, n: r.choice([f"{r.uniform(40, 90):.1f}", "77", ""]),
    "tank_head [ft]": lambda r, n: f"{r.uniform(-1, 1):.3f}",
    "pressure_threshold [psi]": lambda r, n: r.choice(["7.5", "1e1", ".8e1", "8.", ""]),
    "closed": lambda r, n: r.choice(["2026-09-20", ""]),
    "remarks": lambda r, n: r.choice(["", "count checked twice", '"with, comma"']),
    "rotations_counted_at": lambda r, n: r.choice(["propeller", "Propeller ", "crankshaft"]),
    "pressure_shown": lambda r, n: r.choice(["yes", "no"]),
    "own column": lambda r, n: r.choice(["", "x", "12"]),
}
ODD = (
    *(
        "nan",
        "inf",
        "-inf",
        "1e400",
        "1e16",
        "-0",
        "+4",
        " 5",
        "5 ",
        "\t6",
        "0x1F",
        "1_0",
        "1,5",
        '"1,5"',
        "١",
    ),
    *(
        "",
        " ",
        "\xa0",
        "#N/A",
        "#FORMULA! =A1",
        "#MERGED! x",
        "Err:502",
        "ditto",
        "''",
        "n/a",
        "NULL",
        "null",
    ),
    *(
        "118000",
        "-40",
        "true",
        "TRUE",
        "yes ",
        "07/04/2026",
        "2026-02-30",
        "0000-01-01",
        "2026-W31-5",
        "45870",
    ),
    *(
        "2026-07-31 14:05",
        "2026-07-31T14:05:30",
        "1E+05",
        "E3",
        "a" * 300,
        "\x07",
        "\ufffd",
        "1.5.2",
        "1e",
        "-",
    ),
)


def write_fuzzed(path, rng, *, rows, odd, around=True):
    """A file of ventings, ``odd`` of its cells or rows strange; lines ``around`` the rows vary too."""
    lines = [",".join(GOOD)]
    for n in range(rows):
        cells = [make(rng, n) for make in GOOD.values()]
        lines.append(",".join(cells))
    for _ in range(odd if rows else 0):
        at, kind = rng.randrange(1, len(lines)), rng.random()
        cells = lines[at].split(",")
        if kind < 0.75:
            cells[rng.randrange(len(cells))] = rng.choice(ODD)
        elif kind < 0.8:
            cells = cells[: rng.randrange(1, len(cells))]
        elif kind < 0.85:
            cells += [""] * rng.randrange(1, 3) + rng.choice([["extra"], []])
        elif kind < 0.9:
            cells = [""] * len(cells)
        elif kind < 0.95:
            cells = [rng.choice(["", "Total"]), "", "12.50"] + [""] * (len(cells) - 3)
        else:
            cells = lines[rng.randrange(1, len(lines))].split(",")
        lines[at] = ",".join(cells)
    if around and rng.random() < 0.3:
        lines += ["Total," + "," * (len(GOOD) - 2), ",,12.50" + "," * (len(GOOD) - 3)]
    if around and rng.random() < 0.2:
        lines.insert(0, "Ventings of a year" + "," * (len(GOOD) - 1))
    end = rng.choice(["\n", "\n", "\r\n"])
    path.write_bytes((end.join(lines) + rng.choice(["", end])).encode("utf-8"))


def load_file(path, *, corrections=()):
    """Everything that reading one file gives, faults in a form that compares; an error as its text."""
    try:
        (sheet,), _ = readers.open_sheets([path], readers.load_mapping(None))
        loaded = load.load_table(
            sheet.table,
            [sheet],
            today=TODAY,
            coder=privacy.NameCoder(b"k" * 32),
            corrections=Corrections([dataclasses.replace(row) for row in corrections]),
        )
    except InputError as error:
        return str(error)
    lines = loaded.rows.column("_line").to_pylist()
    # rows of another width come after their block, or after the next
    faults = [
        (
            lines[row],
            fault.code,
            fault.column,
            fault.common,
            *(part[n] if part else None for part in (fault.values, fault.each)),
        )
        for fault in loaded.faults
        for n, row in enumerate(fault.rows.tolist())
    ]
    rows = loaded.rows.sort_by("_line").combine_chunks()
    return rows, sorted(faults, key=repr), loaded.left_out, sheet.notes, sheet.account, loaded.references


def assert_same(one, other):
    if isinstance(one, str) or isinstance(other, str):
        assert one == other
        return
    for name in one[0].column_names:
        a, b = one[0].column(name), other[0].column(name)
        assert a.equals(b), name
        if pa.types.is_floating(a.type):  # 0.0 and -0.0 are equal and are not the same
            assert np.array_equal(np.signbit(a.fill_null(0)), np.signbit(b.fill_null(0))), name
    assert one[1:] == other[1:]


@pytest.mark.parametrize("seed", range(60))
def test_blocks_give_what_one_reader_gives(tmp_path, monkeypatch, seed):
    rng = random.Random(seed)
    path = tmp_path / "ventings.csv"
    write_fuzzed(path, rng, rows=rng.choice([0, 1, 3, 60, 200]), odd=rng.choice([0, 0, 1, 3, 12]))
    monkeypatch.setattr(text_files, "BLOCK", rng.choice([400, 1500, 4000, 1 << 20]))
    careful = load_file(path)  # kept as text: read by one reader, for the file is small
    monkeypatch.setattr(load, "KEEP_TEXT", 0)
    assert_same(load_file(path), careful)
    monkeypatch.setattr(load, "choose_types", lambda sheet: [None] * len(sheet.fields))
    assert_same(load_file(path), careful)


@pytest.fixture
def types_read(monkeypatch):
    """The types of the cells of every batch that is converted, of files read in blocks."""
    monkeypatch.setattr(load, "KEEP_TEXT", 0)
    monkeypatch.setattr(text_files, "BLOCK", 4000)
    read = []
    convert = load.convert_batch

    def watch(sheet, batch, schema, *, today):
        read.append([str(cells.type) for cells in batch.cells])
        return convert(sheet, batch, schema, today=today)

    monkeypatch.setattr(load, "convert_batch", watch)
    return read


def test_good_files_are_read_with_typed_cells(tmp_path, types_read):
    """Else the comparison above would compare the careful way with itself."""
    path = tmp_path / "ventings.csv"
    write_fuzzed(path, random.Random(1), rows=300, odd=0, around=False)
    assert not isinstance(load_file(path), str)
    assert len(types_read) > 3
    assert all(types[8:11] == ["double"] * 3 and types[3].startswith("dictionary") for types in types_read)


@pytest.mark.parametrize("cell", ["abt 1", "nan", "900"])
def test_one_odd_cell_does_not_slow_the_other_columns(tmp_path, types_read, cell):
    path = tmp_path / "ventings.csv"
    write_fuzzed(path, random.Random(3), rows=300, odd=0, around=False)
    lines = path.read_text("utf-8").split("\n")
    cells = lines[40].split(",")
    cells[9] = cell
    path.write_text("\n".join([*lines[:40], ",".join(cells), *lines[41:]]), "utf-8")
    load_file(path)
    assert {types[9] for types in types_read} == {"double", "string"}
    assert {types[8] for types in types_read} == {types[10] for types in types_read} == {"double"}


def test_a_file_with_a_correction_is_read_as_text(tmp_path, monkeypatch):
    path = tmp_path / "ventings.csv"
    write_fuzzed(path, random.Random(5), rows=100, odd=0)
    asked = Correction("ventings.csv", "", 7, "rotations", "1", "2", "why", "inspector")
    careful = load_file(path, corrections=[asked])
    monkeypatch.setattr(load, "KEEP_TEXT", 0)
    assert_same(load_file(path, corrections=[asked]), careful)


def test_a_block_that_the_reader_refuses_is_read_row_by_row(tmp_path, monkeypatch):
    from pyarrow import csv

    path = tmp_path / "ventings.csv"
    write_fuzzed(path, random.Random(7), rows=80, odd=2)
    monkeypatch.setattr(text_files, "BLOCK", 2000)
    careful = load_file(path)

    def refuse(*args, **kwargs):
        raise pa.ArrowInvalid("CSV parser got out of sync with chunker")

    monkeypatch.setattr(load, "KEEP_TEXT", 0)
    monkeypatch.setattr(csv, "open_csv", refuse)
    assert_same(load_file(path), careful)
