"""CSV and its cousins: any separator, decimal mark and encoding, headers below titles, footers below rows.

A file of plain UTF-8 goes through Arrow's block reader; anything unusual (other encodings, line breaks inside quotes,
blank lines, zero bytes) through the row reader of the standard library. Both give the same cells and line numbers.
Quoting follows RFC 4180.
"""

from __future__ import annotations

import io
import mmap
from collections.abc import Iterator, Sequence
from functools import partial
from itertools import zip_longest
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from ventbook.errors import InputError
from ventbook.records.readers import text_form
from ventbook.records.readers.bounds import bound, check_width
from ventbook.records.readers.mapping import LOOK, Source, choose_table, find_header, resolve_fields
from ventbook.records.readers.sheets import (
    Batch,
    Field,
    FileNote,
    LineCount,
    ReadBlock,
    Sheet,
    rows_to_batch,
)
from ventbook.tables import Table

SAMPLE_LINES = 1500
BATCH_ROWS = 50_000
BLOCK = 4 << 20  # larger blocks cost twice the time in fresh memory
NUMERIC = ("integer", "number", "quantity")


def open_text(path: Path, source: Source) -> Sheet:
    """The sheet of a text file, its form told and its headers resolved; rows are read when asked for.

    Raises InputError (one line a fault) when the file can't be used.
    """
    table = choose_table(path, source)
    scan = text_form.scan_text(path, source.encoding)
    sample = text_form.take_sample(path, scan, SAMPLE_LINES)
    separator = source.separator or ("\t" if path.suffix == ".tsv" else "")
    separator = separator or text_form.choose_separator(sample[:200], path.name)
    rows = list(text_form.parse_rows(sample, separator))
    check_width(min((len(cells) for _, cells in rows[:LOOK]), default=0), path.name)
    at = _header_position(rows, table, source, path.name)
    line, headers = rows[at][0], rows[at][1]
    width = _count_headers(headers)
    check_width(width, path.name)
    fields, notes = resolve_fields(headers[:width], table, source, path.name)
    body = [cells for _, cells in rows[at + 1 :]]
    decimal, told = (source.decimal, False) if source.decimal else _tell_decimal(body, fields, path.name)
    notes = text_form.describe_form(scan, separator, decimal, told) + notes
    if at:
        above = " / ".join(cell for _, cells in rows[:at] for cell in cells if cell.strip())
        notes.insert(0, FileNote("rows_above_header", value=above[:200], line=line))

    sheet = Sheet(
        table,
        path,
        "",
        fields,
        lambda: iter(()),
        decimal,
        source.date_form,
        source.codes,
        notes,
        scan.sha256,
        scan.size,
        prefix=source.prefix,
        confirmed=source.units_confirmed,
    )

    if not scan.plain or any("\n" in cell for cell in headers):
        sheet.batches = lambda: _read_rows(path, scan, separator, line, width, sheet)
        return sheet

    def read() -> Iterator[Batch]:
        sheet.count = LineCount(scan.lines, above=line - 1, header=1)
        return _count_rows(_read_blocks(path, separator, line, len(headers), width), scan.lines - line, path)

    def read_apart() -> Iterator[ReadBlock]:
        sheet.count = LineCount(scan.lines, above=line - 1, header=1)
        for number, text in _cut_blocks(path, line):
            yield partial(_read_block, separator, text, number, len(headers), width)

    sheet.batches = read
    sheet.blocks = read_apart
    sheet.read_lines = lambda lines: _read_lines(path, separator, lines, len(headers), width)
    return sheet


def _header_position(rows: Sequence[tuple[int, list[str]]], table: Table, source: Source, where: str) -> int:
    if source.header_row:  # counted in lines of the file; blank lines have no row of their own
        for position, (line, _) in enumerate(rows):
            if line == source.header_row:
                return position
    most = bound("columns") + 1
    return find_header([cells[:most] for _, cells in rows[:LOOK]], table, source, where)


def _count_headers(headers: Sequence[str]) -> int:
    """Number of headers without the trailing empty ones."""
    filled = [position for position, cell in enumerate(headers) if cell.strip()]
    return filled[-1] + 1 if filled else 0


def _tell_decimal(rows: Sequence[Sequence[str]], fields: Sequence[Field], where: str) -> tuple[str, bool]:
    numeric = [
        position for position, field in enumerate(fields) if field.column and field.column.kind in NUMERIC
    ]
    cells = (row[position] for row in rows for position in numeric if position < len(row))
    return text_form.choose_decimal(cells, where)


def _read_rows(
    path: Path,
    scan: text_form.TextScan,
    separator: str,
    header_line: int,
    width: int,
    sheet: Sheet | None = None,
) -> Iterator[Batch]:
    """The careful way: row by row. ``sheet`` is told the count of lines and the encodings met."""
    tally: dict[str, int] = {}
    count = LineCount(scan.lines)
    rows: list[list[str]] = []
    lines: list[int] = []
    odd: dict[int, dict[str, int]] = {}
    size = 0
    for record in text_form.parse_records(text_form.decode_lines(path, scan, tally), separator, path.name):
        if not record.cells:
            count.blank += 1
            continue
        if record.line <= header_line:
            _pass_header(record, header_line, separator, width, count, path.name)
            continue
        if record.swallows(separator, width):
            split = _split_record(record, separator)
            count.blank += len(record.lines) - len(split)
            where = {"low": record.line, "high": record.line + len(record.lines) - 1}
            odd |= {len(rows) + n: where for n in range(len(split))}
        else:
            split = [(record.line, record.cells)]
            count.continued += len(record.lines) - 1
        for line, cells in split:
            rows.append(cells)
            lines.append(line)
            size += sum(map(len, cells))
        if len(rows) >= BATCH_ROWS or size > 16 * BLOCK:
            yield rows_to_batch(rows, lines, width, odd)
            rows, lines, odd, size = [], [], {}, 0
    if rows:
        yield rows_to_batch(rows, lines, width, odd)
    if sheet is not None:
        sheet.count = count
        note = _describe_encoding(tally) if scan.mixed else None
        if note is not None and note not in sheet.notes:
            sheet.notes.append(note)


def _pass_header(
    record: text_form.Record, header_line: int, separator: str, width: int, count: LineCount, where: str
) -> None:
    """Count a record down to the headers. InputError where its quotation mark has swallowed rows."""
    if len(record.lines) > 1 and record.swallows(separator, width):
        last = record.line + len(record.lines) - 1
        raise InputError(
            f"{where}, line {record.line}: a quotation mark opens in or above the headers and swallows lines "
            f"{record.line + 1} to {last}; close it, or take it out"
        )
    if record.line == header_line:
        count.header += 1
        count.continued += len(record.lines) - 1
    else:
        count.above += len(record.lines)


def _split_record(record: text_form.Record, separator: str) -> list[tuple[int, list[str]]]:
    """The physical lines of a record, each split at every separator, quotation marks as they stand; blank ones left out."""
    plain = [text.rstrip("\r\n") for text in record.lines]
    return [(record.line + n, text.split(separator)) for n, text in enumerate(plain) if text.strip()]


def _describe_encoding(tally: dict[str, int]) -> FileNote:
    other = tally.get("cp1252", 0) + tally.get("lossy", 0)
    if tally.get("utf-8", 0):
        return FileNote(
            "encoding_mixed", value=f"{tally['utf-8']} lines in UTF-8, {other} in Windows-1252 or Latin-1"
        )
    return FileNote("encoding_chosen", value="Windows-1252 (Latin-1)")


def _count_rows(batches: Iterator[Batch], expected: int, path: Path) -> Iterator[Batch]:
    """The batches, held against the number of lines: not a row may be lost on the fast way."""
    seen = 0
    for batch in batches:
        seen += batch.rows
        yield batch
    if seen != expected:
        raise InputError(
            f"{path.name}: {expected} lines, but {seen} rows could be told apart; save it as UTF-8"
        )


def _read_lines(path: Path, separator: str, lines: np.ndarray, raw_width: int, width: int) -> Iterator[Batch]:
    """Only the rows on some lines, as the fast way reads them."""
    text = pick_lines(path, lines)
    for batch in _read_block(separator, text, 0, raw_width, width):
        yield Batch(pa.array(lines[np.asarray(batch.lines) - 1]), batch.cells, batch.faults, batch.said)


def pick_lines(path: Path, lines: np.ndarray) -> bytes:
    """The bytes of some lines (rising numbers from 1 on), each with its line end."""
    starts, ends = np.zeros(len(lines), dtype=np.int64), np.zeros(len(lines), dtype=np.int64)
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as content:
        size = len(content)
        ends[:] = size
        seen = 0  # line ends so far
        for at in range(0, size, text_form.CHUNK):
            own = (
                np.flatnonzero(np.frombuffer(content[at : at + text_form.CHUNK], np.uint8) == ord("\n")) + at
            )
            for wanted, place in ((lines - 1, starts), (lines, ends)):
                first, last = np.searchsorted(wanted, [seen + 1, seen + len(own) + 1])
                place[first:last] = own[wanted[first:last] - seen - 1] + 1
            seen += len(own)
        pieces = [content[a:b] for a, b in zip(starts.tolist(), ends.tolist(), strict=True)]
    return b"".join(piece if piece.endswith(b"\n") else piece + b"\n" for piece in pieces)


def _cut_blocks(path: Path, header_line: int) -> Iterator[tuple[int, bytes]]:
    """(number of the line before, whole lines) of the file below its headers, cut where Arrow's reader cuts them."""
    line, rest, left = header_line, b"", header_line
    with path.open("rb") as file:
        after = file.read(BLOCK)
        while chunk := after:
            after = file.read(BLOCK)
            end = chunk.rfind(b"\n") + 1 if after else len(chunk)
            text, rest = (rest + chunk[:end], chunk[end:]) if end else (b"", rest + chunk)
            while left and text:
                text, left = text.partition(b"\n")[2], left - 1
            if text:
                yield line, text
                line += int(np.count_nonzero(np.frombuffer(text, np.uint8) == ord("\n")))


def _read_block(
    separator: str,
    text: bytes,
    line: int,
    raw_width: int,
    width: int,
    types: Sequence[pa.DataType | None] = (),
) -> list[Batch]:
    """The rows of some whole lines of a plain file, of which ``line`` stand before them."""
    try:
        found = list(_read_blocks(Path(), separator, 0, raw_width, width, text, types))
    except pa.ArrowInvalid:
        if any(types):
            raise
        each = text_form.parse_rows(io.StringIO(text.decode("utf-8"), newline=""), separator)
        lines, rows = zip(*each, strict=True)
        found = [rows_to_batch(list(rows), list(lines), width)]
    return [Batch(pc.add(batch.lines, line), batch.cells, batch.faults, batch.said) for batch in found]


def _read_blocks(
    path: Path,
    separator: str,
    header_line: int,
    raw_width: int,
    width: int,
    text: bytes | None = None,
    types: Sequence[pa.DataType | None] = (),
) -> Iterator[Batch]:
    """The fast way: Arrow's block reader on text columns; rows of another width are told by their line. ``text``
    stands for the file's content where it is given, and ``types`` tells the columns whose cells are not to be text;
    pa.ArrowInvalid then where the reader can't read it so.
    """
    from pyarrow import csv

    strange: list[tuple[int, str]] = []

    def keep(row: csv.InvalidRow) -> str:
        strange.append((row.number, row.text))
        return "skip"

    names = [f"c{n}" for n in range(raw_width)]
    try:
        reader = csv.open_csv(
            path if text is None else pa.BufferReader(text),
            read_options=csv.ReadOptions(
                use_threads=False,
                block_size=BLOCK if text is None else max(BLOCK, len(text)),
                column_names=names,
                skip_rows=header_line,
            ),
            parse_options=csv.ParseOptions(delimiter=separator, invalid_row_handler=keep),
            convert_options=csv.ConvertOptions(
                check_utf8=False,
                column_types={
                    name: kind or pa.string() for name, kind in zip_longest(names, types[:raw_width])
                },
                null_values=[""],
                strings_can_be_null=True,
                quoted_strings_can_be_null=True,
            ),
        )
    except pa.ArrowInvalid as error:
        if "Empty CSV" in str(error):
            return  # headers and no rows
        if text is not None:
            raise
        yield from _read_rows(
            path, text_form.scan_text(path), separator, header_line, width
        )  # a row larger than a block, for one
        return
    line, done = header_line + 1, 0
    while True:
        try:
            block = reader.read_next_batch()
        except StopIteration:
            break
        except pa.ArrowInvalid:  # a row larger than a block: on from here row by row
            if text is not None:
                raise
            yield from _read_rows(path, text_form.scan_text(path), separator, line - 1, width)
            return
        skipped = {number for number, _ in strange}
        lines = _number_lines(line, block.num_rows, skipped)
        if block.num_rows:
            line = int(lines[-1]) + 1
            yield _cut_width(Batch(pa.array(lines), list(block.columns)), width)
        ready = [entry for entry in strange[done:] if entry[0] < line]
        done += len(ready)
        if ready:
            yield _split_strange(ready, separator, width)
    if strange[done:]:
        yield _split_strange(strange[done:], separator, width)


def _number_lines(first: int, rows: int, skipped: set[int]) -> np.ndarray:
    """Line numbers of ``rows`` consecutive rows from ``first`` on, leaving out ``skipped`` ones."""
    lines = np.arange(first, first + rows + len(skipped), dtype=np.int64)
    if skipped:
        lines = lines[~np.isin(lines, list(skipped))]
    return lines[:rows]


def _split_strange(rows: list[tuple[int, str]], separator: str, width: int) -> Batch:
    cells = [next((row for _, row in text_form.parse_rows([text], separator)), [""]) for _, text in rows]
    return rows_to_batch(cells, [line for line, _ in rows], width)


def _cut_width(batch: Batch, width: int) -> Batch:
    """Drop the columns beyond the headers; rows that have something there become faults."""
    extra = batch.cells[width:]
    if not extra:
        return batch
    faults = dict(batch.faults)
    for column in extra:
        for position in np.flatnonzero(np.asarray(column.is_valid())):
            cells = [str(c[int(position)].as_py() or "") for c in batch.cells]
            if any(cell.strip() for cell in cells[width:]):
                faults[int(position)] = ("wrong_cell_count", " | ".join(cells))
    return Batch(batch.lines, batch.cells[:width], faults)
