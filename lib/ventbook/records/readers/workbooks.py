"""XLSX and ODS workbooks, with bounds on size and unpacking ratio; cells as text with the row they stood in.

Formulas give their stored values, external links are not followed, macros are not run. A number cell becomes the
shortest text that says the same number; a date cell becomes an ISO date.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import re
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from ventbook import tables
from ventbook.errors import InputError
from ventbook.records.readers.bounds import bound, check_width, open_in_child
from ventbook.records.readers.mapping import (
    NOTHING,
    Source,
    find_header,
    name_table,
    read_mapping,
    resolve_fields,
)
from ventbook.records.readers.odd_cells import OddCells, find_odd_cells, mark_covered, put_texts
from ventbook.records.readers.sheets import Batch, FileNote, Sheet, rows_to_batch
from ventbook.records.readers.text_files import _count_headers

BATCH_ROWS = 50_000
MAPPING_SHEET = "mapping"
UNREADABLE = (
    zipfile.BadZipFile,
    zlib.error,
    OSError,
    EOFError,
    NotImplementedError,
    RuntimeError,
    ValueError,
)  # what a broken archive raises
_CELL = re.compile(rb'<(?:\w+:)?c\b[^>]{0,200}?\br="([A-Z]{1,3})([0-9]{1,7})"')
_REPEATED = re.compile(rb'number-(columns|rows)-repeated="(\d+)"')


def open_workbook(path: Path, sources: tuple[Source, ...]) -> tuple[list[Sheet], list[tuple[str, FileNote]]]:
    """The sheets of a workbook that hold tables, and notes (sheet, note) on those left out.

    Raises InputError when the file is no workbook, exceeds the bounds, or holds no table.
    """
    book, names = _load(path)
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    odd = find_odd_cells(path)
    if MAPPING_SHEET in names:  # the workbook brings its own
        names.remove(MAPPING_SHEET)
        text = "\n".join(cell_text(row[0]) for _, row in _read_sheet(book, MAPPING_SHEET, path))
        sources = read_mapping(text, f"{path.name}, sheet {MAPPING_SHEET}")
    sheets: list[Sheet] = []
    left_out: list[tuple[str, FileNote]] = []
    faults: list[str] = []
    for name in names:
        source = _source_of(name, sources)
        table = tables.record_tables()[source.table] if source.table else name_table(name)
        if table is None and len(names) == 1:
            table = name_table(path.stem)
        if table is None:
            left_out.append((name, FileNote("sheet_left_out", value=name)))
            continue
        try:
            own = odd.get(name, OddCells())
            rows = _read_sheet(book, name, path, own)
            sheets.append(_resolve_sheet(path, name, rows, table, source, digest, own))
        except InputError as error:
            faults.append(str(error))
    if faults:
        raise InputError("\n".join(faults))
    if not sheets:
        raise InputError(
            f"{path.name}: no sheet is named after a table ({', '.join(tables.record_tables())}); "
            "name one so, or give a mapping file"
        )
    return sheets, left_out


def read_cells(path: Path, sheet: str) -> list[tuple[int, list[Any]]]:
    """The rows of one sheet that hold anything, as (row number, cells as the workbook types them).

    Raises InputError when the file is no workbook, exceeds the bounds, or has no such sheet.
    """
    if not path.is_file():
        raise InputError(f"{path}: no such file")
    book, names = _load(path)
    if sheet not in names:
        raise InputError(f"{path.name}: has no sheet {sheet} (sheets: {', '.join(names)})")
    return _read_sheet(book, sheet, path, find_odd_cells(path).get(sheet))


def _load(path: Path) -> tuple[Any, list[str]]:
    """A workbook within the bounds, and the names of its sheets."""
    import python_calamine as calamine

    check_bounds(path)
    open_in_child(path, "workbook")
    try:
        book = calamine.load_workbook(str(path))
        return book, list(book.sheet_names)
    except Exception as error:  # the parser's errors have no common base but Exception
        raise InputError(f"{path.name}: can't be read as a workbook ({_first_line(error)})") from None


def _source_of(sheet: str, sources: tuple[Source, ...]) -> Source:
    own = [source for source in sources if source.sheet and source.sheet.casefold() == sheet.casefold()]
    general = [source for source in sources if not source.sheet]
    return own[0] if own else general[0] if general else NOTHING


def _read_sheet(book: Any, name: str, path: Path, odd: OddCells | None = None) -> list[tuple[int, list[Any]]]:
    try:
        sheet = book.get_sheet_by_name(name)
        rows = sheet.to_python(skip_empty_area=False)
    except Exception as error:
        raise InputError(f"{path.name}, sheet {name}: can't be read ({_first_line(error)})") from None
    if odd is not None:
        put_texts(rows, odd)
    return [(number, row) for number, row in enumerate(rows, 1) if any(cell != "" for cell in row)]


def _resolve_sheet(
    path: Path,
    name: str,
    rows: list[tuple[int, list[Any]]],
    table: tables.Table,
    source: Source,
    digest: str,
    odd: OddCells,
) -> Sheet:
    where = f"{path.name}, sheet {name}"
    if not rows:
        raise InputError(f"{where}: the sheet is empty; fill it in or take it out")
    top = [[cell_text(cell) for cell in row] for _, row in rows[:60]]
    if source.header_row:
        at = next((n for n, (line, _) in enumerate(rows) if line == source.header_row), -1)
        if at < 0:
            raise InputError(f"{where}: row {source.header_row} is empty; correct header_row in the mapping")
    else:
        at = find_header(top, table, NOTHING if not source.columns else source, where)
    headers = [cell_text(cell) for cell in rows[at][1]]
    width = _count_headers(headers)
    check_width(width, where)
    fields, notes = resolve_fields(headers[:width], table, source, where)
    if at:
        above = " / ".join(cell for cells in top[:at] for cell in cells if cell.strip())
        notes.insert(0, FileNote("rows_above_header", value=above[:200], line=rows[at][0]))
    body = rows[at + 1 :]
    mark_covered(body, odd, width)
    for position, field in enumerate(fields):
        if field.column is None or field.column.kind != "text" or not field.column.name.endswith("_id"):
            continue
        numbers = sum(isinstance(row[position], (int, float)) for _, row in body if position < len(row))
        if numbers:
            notes.append(FileNote("identifier_was_number", column=field.column.name, value=str(numbers)))

    def read() -> Iterator[Batch]:
        for first in range(0, len(body), BATCH_ROWS):
            part = body[first : first + BATCH_ROWS]
            cells = [[cell_text(cell) for cell in row] for _, row in part]
            cells = [row + [""] * (width - len(row)) for row in cells]
            yield rows_to_batch(cells, [line for line, _ in part], width)

    return Sheet(
        table,
        path,
        name,
        fields,
        read,
        source.decimal or ".",
        source.date_form,
        source.codes,
        notes,
        digest,
        path.stat().st_size,
        prefix=source.prefix,
        confirmed=source.units_confirmed,
    )


def cell_text(cell: Any) -> str:
    """A cell as text: 12.0 as 12, a date at midnight as a date, true as yes."""
    if isinstance(cell, str):
        return cell
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)
    if isinstance(cell, dt.datetime):
        midnight = cell.time() == dt.time(0)
        return cell.date().isoformat() if midnight else cell.isoformat(sep=" ")
    return "" if cell is None else str(cell)


def check_bounds(path: Path) -> None:
    """Refuse archives that unpack to far more than they weigh, before anything unpacks them."""
    try:
        with zipfile.ZipFile(path) as archive:
            members = archive.infolist()
            total = 0
            if len(members) > bound("workbook_members"):
                raise InputError(
                    f"{path.name}: holds {len(members):,} members, far more than a workbook; not opened"
                )
            for member in members:
                total += member.file_size
                if member.flag_bits & 1:
                    raise InputError(f"{path.name}: is locked with a password; save it without one")
                if (
                    member.file_size > 10 << 20
                    and member.file_size > bound("workbook_ratio") * max(member.compress_size, 1)
                ) or total > bound("workbook_unpacked"):
                    raise InputError(
                        f"{path.name}: unpacks to far more than it weighs ({total >> 20} MB or more); "
                        "not opened, hand in CSV"
                    )
            cells = _scan_members(archive, members, path)
            if _longest_text(archive, members) * cells > bound("spread_text"):
                raise InputError(
                    f"{path.name}: a text in it is longer than any cell can hold, and may stand in many cells; "
                    "not opened, hand in CSV"
                )
            if cells > bound("sheet_cells"):
                raise InputError(
                    f"{path.name}: a sheet spans {cells:,} cells (at most {bound('sheet_cells'):,}); clear the stray cells "
                    "far from the table, or hand in CSV"
                )
    except UNREADABLE as error:
        if isinstance(error, InputError):
            raise
        raise InputError(
            f"{path.name}: can't be read as a workbook ({_first_line(error)}); is it complete?"
        ) from None


def _longest_text(archive: zipfile.ZipFile, members: list[zipfile.ZipInfo]) -> int:
    """Length of the longest shared text over what a cell can hold, 0 where all texts fit: one text may stand in a
    million cells, and would be copied into each.
    """
    longest = 0
    for member in members:
        if member.filename.endswith("sharedStrings.xml"):
            with archive.open(member) as stream:
                run = 0
                while chunk := stream.read(1 << 20):
                    parts = chunk.split(b"<")
                    longest = max(longest, run + len(parts[0]), *map(len, parts))
                    run = run + len(parts[0]) if len(parts) == 1 else len(parts[-1])
    return longest if longest > bound("cell_text") else 0


def _scan_members(archive: zipfile.ZipFile, members: list[zipfile.ZipInfo], path: Path) -> int:
    """Cells the largest sheet spans, told from the packed XML in bounded memory."""
    largest = 0
    for member in members:
        sheet = re.search(r"worksheets/[^/]+\.xml$", member.filename)
        if not (sheet or member.filename == "content.xml"):
            continue
        row = column = unpacked = 0
        rows = columns = 1
        tail = b""
        try:
            with archive.open(member) as stream:
                while chunk := stream.read(1 << 20):
                    unpacked += len(chunk)
                    if unpacked > bound("workbook_unpacked"):
                        raise InputError(f"{path.name}: unpacks to more than it says; not opened")
                    text = tail + chunk
                    if sheet:
                        for letters, digits in _CELL.findall(text):
                            row, column = max(row, int(digits)), max(column, _column_number(letters))
                    else:
                        for kind, count in _REPEATED.findall(text):
                            if kind == b"rows":
                                rows = max(rows, int(count))
                            else:
                                columns = max(columns, int(count))
                    tail = text[-200:]
        except (zlib.error, zipfile.BadZipFile) as error:
            raise InputError(f"{path.name}: is damaged ({_first_line(error)}); save it again") from None
        if not sheet and rows > 1 and columns > 1:
            largest = max(largest, _spread_rows(archive, member))
        largest = max(largest, row * column)
    return largest


def _spread_rows(archive: zipfile.ZipFile, member: zipfile.ZipInfo) -> int:
    """Cells that repeated, filled rows of an ODS sheet spread to."""
    total = 0
    with archive.open(member) as stream:
        text = stream.read(bound("workbook_unpacked"))
    for row in re.finditer(rb"<table:table-row\b([^>]*)>(.*?)</table:table-row>", text, re.DOTALL):
        if b"office:value" not in row[2] and b"<text:p" not in row[2]:
            continue
        times = re.search(rb'number-rows-repeated="(\d+)"', row[1])
        cells = sum(
            int(count) for count in re.findall(rb'number-columns-repeated="(\d+)"[^>]*office:value', row[2])
        )
        total += (int(times[1]) if times else 1) * max(cells, 1)
    return total


def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + letter - 64
    return number


def _first_line(error: BaseException) -> str:
    return (str(error).strip().splitlines() or [type(error).__name__])[0][:150]
