"""All rows of one table in one intake: read, converted and range-checked, batch by batch."""

from __future__ import annotations

import datetime as dt
import json
import re
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import cached_property, partial
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from ventbook.errors import InputError
from ventbook.records.intake.cells import (
    check_range,
    check_required,
    convert_column,
)
from ventbook.records.intake.context import Fault, mark_held
from ventbook.records.intake.corrections import Corrections
from ventbook.records.privacy import NameCoder, find_person_columns, is_name
from ventbook.records.readers import Batch, FileNote, Opened, Sheet, Source, open_file
from ventbook.records.readers.mapping import GIVEN_BACK
from ventbook.records.readers.sheets import ReadBlock
from ventbook.records.store import record_schema
from ventbook.tables import Table

SORTABLE = (
    64 << 20
)  # bytes; traces up to this size are taken whole, and sorted where their starts are scattered
KEEP_TEXT = 32 << 20  # text of smaller files is kept until the intake is done; larger ones are read again
EXAMPLE = "example"
IDENTIFIERS = ("engine_id", "venting_id")
PLACES = ("site", "engine_type")
MOST_LOOKED_AT = 5000  # rows of a sheet, for columns that may hold names
MANY_EMPTY = 4
Earlier = Callable[[Sequence[str]], pa.Table | None]  # some columns of the store's rows of a table
Gone = tuple[int, int]  # lines that are no records, and blank rows
Prepared = tuple[Batch, list[Fault], Gone]
Converted = tuple[pa.Table, list[Fault], dict[int, str]]
Done = tuple[list[tuple[Prepared, Converted]], list[FileNote]]  # what a job gives, and what there is to note


@dataclass
class Loaded:
    """One table of an intake: ``rows`` (stored names and bookkeeping, all rows in order), the faults found, and
    for every row the sheet it came from. ``left_out`` counts lines that are no records (footers, examples).
    """

    table: Table
    sheets: list[Sheet]
    rows: pa.Table
    source: np.ndarray
    faults: list[Fault]
    rerun: np.ndarray
    units: list[dict[str, str]]
    left_out: int = 0
    references: dict[int, str] = field(default_factory=dict)
    kept: dict[int, list[Batch]] = field(default_factory=dict)

    @property
    def count(self) -> int:
        return int(self.rows.num_rows)

    def numbers(self, name: str) -> np.ndarray:
        """A column as floats, NaN where not recorded."""
        return np.asarray(self.rows.column(name).to_numpy(), dtype=float)

    @cached_property
    def key_codes(self) -> np.ndarray:
        """One whole number a row, equal for rows of equal key."""
        return number_keys(self.rows, self.table.key)

    def share_key(self, rows: np.ndarray) -> np.ndarray:
        """True for the rows whose key one of ``rows`` (a mask) has."""
        codes = self.key_codes
        there = np.zeros(int(codes.max(initial=-1)) + 1, dtype=bool)
        there[codes[rows]] = True
        found: np.ndarray = there[codes]
        return found

    def quarantined(self) -> np.ndarray:
        """True for the rows that some fault sets aside."""
        return mark_held(self.count, self.faults)


def number_keys(rows: pa.Table, key: tuple[str, ...]) -> np.ndarray:
    """One whole number a row, equal for rows of equal key."""
    codes = None
    for name in key:
        column = rows.column(name)
        encoded = column.combine_chunks().dictionary_encode() if column.num_chunks else None
        if encoded is None:
            return np.zeros(0, dtype=np.int64)
        if isinstance(encoded, pa.ChunkedArray):
            encoded = encoded.unify_dictionaries().combine_chunks()
        own = np.asarray(encoded.indices.fill_null(len(encoded.dictionary)), dtype=np.int64)
        if codes is None:
            codes = own
        else:
            codes = codes * (len(encoded.dictionary) + 1) + own
            codes = pd.factorize(codes)[0].astype(np.int64)
    assert codes is not None
    return codes


def load_table(
    table: Table,
    sheets: Sequence[Sheet],
    *,
    today: dt.date,
    coder: NameCoder,
    corrections: Corrections,
    rerun: Sequence[bool] = (),
    progress: Callable[[str], None] | None = None,
) -> Loaded:
    """Read and convert all sheets of one table."""
    schema = record_schema(table.name)
    pieces: list[pa.Table] = []
    faults: list[Fault] = []
    source: list[np.ndarray] = []
    again: list[np.ndarray] = []
    references: dict[int, str] = {}
    kept: dict[int, list[Batch]] = {}
    offset = left_out = 0
    for number, sheet in enumerate(sheets):
        begin, before = offset, left_out
        blank = 0
        keep = sheet.size <= KEEP_TEXT
        for batch, count, applied, gone, (piece, found, refs) in _read_converted(
            sheet, corrections, schema, today, keep
        ):
            left_out += gone[0]
            blank += gone[1]
            if not count:
                continue
            pieces.append(code_named(code_technicians(piece, coder), sheet, coder))
            faults += [fault.moved(offset) for fault in [*found, *applied]]
            references |= {offset + row: text for row, text in refs.items()}
            source.append(np.full(count, number, dtype=np.int32))
            again.append(np.full(count, bool(rerun) and rerun[number], dtype=bool))
            offset += count
            if keep and batch is not None:
                kept.setdefault(number, []).append(batch)
            if progress is not None:
                progress(f"{sheet.where}: {offset:,} rows read")
        account_lines(sheet, offset - begin, blank, left_out - before)
    rows = pa.concat_tables(pieces) if pieces else schema.empty_table()
    return Loaded(
        table,
        list(sheets),
        rows,
        np.concatenate(source) if source else np.zeros(0, dtype=np.int32),
        faults,
        np.concatenate(again) if again else np.zeros(0, dtype=bool),
        [{f.column.name: f.unit for f in sheet.fields if f.column and f.unit} for sheet in sheets],
        left_out,
        references,
        kept,
    )


def _prepare(sheet: Sheet, corrections: Corrections, batches: Iterable[Batch]) -> Iterator[Prepared]:
    """Batches without the lines that are no records, corrections made; and how many lines that were."""
    for batch in batches:
        batch, gone = drop_lines(sheet, batch)
        batch, applied = corrections.apply(sheet, batch)
        yield batch, applied, gone


@dataclass(frozen=True)
class ConvertedBatch:
    """A batch as another process converted it: the lines of its rows, what was left out of it, and its typed rows."""

    lines: pa.Array
    gone: Gone
    converted: Converted


def read_file(path: Path, mapping: Sequence[Source] = (), *, today: dt.date) -> Opened:
    """Opens one file as :func:`readers.open_file` does and converts its batches as well (large files of traces excepted): the
    part of an intake that other processes or machines do.
    """
    sheets, notes = open_file(path, mapping)
    for number, sheet in enumerate(sheets):
        if sheet.table.name == "samples" and sheet.size >= SORTABLE:
            continue
        schema, sheet.converted = record_schema(sheet.table.name), []
        for (batch, _, gone), converted in _convert_ahead(sheet, Corrections(), schema, today, keep=False):
            sheet.converted.append(ConvertedBatch(batch.lines, gone, converted))
        sheet.batches = partial(_read_again, path, mapping, number)  # without the rows that the reader holds
        sheet.blocks = None
    return sheets, notes


def _read_again(path: Path, mapping: Sequence[Source], number: int) -> Iterator[Batch]:
    return open_file(path, mapping)[0][number].batches()


def _read_converted(
    sheet: Sheet, corrections: Corrections, schema: pa.Schema, today: dt.date, keep: bool
) -> Iterator[tuple[Batch | None, int, list[Fault], Gone, Converted]]:
    """Batches with their number of rows, corrections made, what was left out, and typed rows; the batch itself where it was
    read here.
    """
    if sheet.converted is not None:
        done, sheet.converted = sheet.converted, None
        yield from ((None, len(part.lines), [], part.gone, part.converted) for part in done)
        return
    for (batch, applied, gone), converted in _convert_ahead(sheet, corrections, schema, today, keep):
        yield batch, batch.rows, applied, gone, converted


def _convert_ahead(
    sheet: Sheet, corrections: Corrections, schema: pa.Schema, today: dt.date, keep: bool
) -> Iterator[tuple[Prepared, Converted]]:
    """Convert on other threads while the next batch is read, in order, a few batches ahead at most.

    A large plain file is read there too, in blocks: its cells need not be ``keep``-t as text.
    """

    def convert(entry: Prepared) -> Done:
        return [(entry, convert_batch(sheet, entry[0], schema, today=today))], []

    as_text: set[int] = set()

    def convert_block(read: ReadBlock) -> Done:
        if typed := _convert_typed(sheet, read, schema, today, as_text):
            return typed, []
        own = replace(
            sheet, notes=list(sheet.notes)
        )  # noted in the order of the blocks, whichever is done first
        entries = list(_prepare(own, corrections, read([])))
        return [done for entry in entries for done in convert(entry)[0]], own.notes

    def take(future: Future[Done]) -> list[tuple[Prepared, Converted]]:
        found, notes = future.result()
        sheet.notes += [note for note in notes if note not in sheet.notes]
        return found

    apart = sheet.blocks is not None and not keep and not corrections.find_rows(sheet.file, sheet.sheet or "")
    with ThreadPoolExecutor(2) as pool:
        waiting: deque[Future[Done]] = deque()
        jobs: Iterator[Callable[[], Done]]
        if apart and sheet.blocks is not None:
            jobs = (partial(convert_block, read) for read in sheet.blocks())
        else:
            jobs = (partial(convert, entry) for entry in _prepare(sheet, corrections, sheet.batches()))
        for job in jobs:
            waiting.append(pool.submit(job))
            if len(waiting) > 3:
                yield from take(waiting.popleft())
        while waiting:
            yield from take(waiting.popleft())


def _convert_typed(
    sheet: Sheet, read: ReadBlock, schema: pa.Schema, today: dt.date, as_text: set[int]
) -> list[tuple[Prepared, Converted]]:
    """A block read as what its columns are to hold; nothing where a row of it needs a closer look than typed cells allow.

    Columns whose cells don't all fit are put among ``as_text``, to be read as text from then on. What is answered is what
    the same block gives when all of it is read as text.
    """
    types = choose_types(sheet)
    while any(types):
        types = [None if n in as_text else kind for n, kind in enumerate(types)]
        try:
            found = read(types)
        except pa.ArrowInvalid as error:
            told = re.match(r"In CSV column #(\d+):", str(error))
            as_text |= {int(told[1])} if told else set(range(len(types)))
            continue
        if len(found) != 1 or found[0].faults or not _ends_whole(sheet, found[0]):
            return []
        batch = found[0]
        converted = convert_batch(sheet, batch, schema, today=today)
        at_fault = {fault.column for fault in converted[1]}
        odd = {
            n
            for n, (part, kind) in enumerate(zip(sheet.fields, types, strict=True))
            if kind == pa.float64()
            and part.column is not None
            and (
                part.column.name in at_fault
                or converted[0].column(part.column.stored).null_count > batch.cells[n].null_count
            )
        }
        if not odd:
            return [((batch, [], (0, 0)), converted)]
        as_text |= odd
    return []


def choose_types(sheet: Sheet) -> list[pa.DataType | None]:
    """What each column of a plain file can be read as at once: numbers, and texts of which few differ."""
    kinds = {"number": pa.float64(), "quantity": pa.float64()}
    kinds |= dict.fromkeys(("code", "yes_no", "date", "text"), pa.dictionary(pa.int32(), pa.string()))
    if sheet.decimal != "." or any(part.header == GIVEN_BACK[0] for part in sheet.fields):
        return [None] * len(sheet.fields)
    columns = [part.column for part in sheet.fields]
    return [kinds.get(column.kind) if column and not column.key else None for column in columns]


def _ends_whole(sheet: Sheet, batch: Batch) -> bool:
    """Whether ``drop_lines`` would leave all of a batch: no key is empty, and the last row is a record."""
    known = [n for n, part in enumerate(sheet.fields) if part.column is not None]
    keys = [n for n in known if sheet.fields[n].column.key]  # type: ignore[union-attr]
    last = [str(cells[-1].as_py() or "").strip() for cells in batch.cells]
    return not batch.cells[(keys or known)[0]].null_count and sum(map(bool, last)) > 2


def code_technicians(rows: pa.Table, coder: NameCoder) -> pa.Table:
    """Codes in place of technicians' names; batch after batch, so that the names are met in the file's order."""
    at = rows.schema.get_field_index("technician")
    if at < 0 or rows.column(at).null_count == rows.num_rows:
        return rows
    return rows.set_column(at, "technician", coder.code_column(rows.column(at).combine_chunks()))


def drop_no_names(names: pa.Array) -> pa.Array:
    """Technicians' names without the cells that say that none was recorded."""
    encoded = names.dictionary_encode()
    said = [name if name and is_name(name) else None for name in encoded.dictionary.to_pylist()]
    return pa.array(said, pa.string()).take(encoded.indices) if None in said else names


def code_named(rows: pa.Table, sheet: Sheet, coder: NameCoder) -> pa.Table:
    """Codes in columns that the mapping says hold names and that the record format doesn't know."""
    named = {part.header for part in sheet.fields if part.holds == "names"}
    other = rows.column("_other")
    if not named or other.null_count == rows.num_rows:
        return rows
    coded: list[str | None] = []
    for text in other.to_pylist():
        cells = json.loads(text) if text else {}
        for header in named & set(cells):
            if is_name(cells[header]):
                cells[header] = coder.code_name(cells[header])
        coded.append(json.dumps(cells, ensure_ascii=False) if cells else None)
    return rows.set_column(rows.schema.get_field_index("_other"), "_other", pa.array(coded, pa.string()))


def ask_about_persons(loaded: Iterable[Loaded]) -> None:
    """InputError where a column that the record format doesn't know seems to hold persons' names: nothing of it is kept
    before a mapping file says what it is.
    """
    faults = []
    for table in loaded:
        other = table.rows.column("_other")
        if other.null_count == table.count:
            continue
        for number, sheet in enumerate(table.sheets):
            told = {part.header for part in sheet.fields if part.holds}
            own = np.flatnonzero((table.source == number) & ~table.rerun & np.asarray(other.is_valid()))
            cells: dict[str, list[str]] = {}
            for text in other.take(pa.array(own[:MOST_LOOKED_AT])).to_pylist():
                for header, value in json.loads(text).items():
                    if header not in told:
                        cells.setdefault(header, []).append(value)
            faults += [
                f"{sheet.where}: column {header!r} seems to hold names of persons ({like} of {count} cells); say in a mapping "
                f"file what it is: under columns {header!r} = 'technician', or names = [{header!r}] (coded, not used "
                f"otherwise), or plain = [{header!r}] (no names, kept as it is)"
                for header, like, count in find_person_columns(cells)
            ]
    if faults:
        raise InputError("\n".join(faults))


def mask_names(loaded: Loaded, coder: NameCoder, standing: dict[str, pa.Array]) -> None:
    """Put codes for technicians' names in text, once all names of the intake are known.

    Identifiers that stand in the store (``standing``, by column) stay as they are, for rows are looked up by them. Of places
    and engine types only whole names are hidden.
    """
    for column in loaded.table.columns:
        if column.kind == "text" and column.name not in ("technician", *IDENTIFIERS):
            _change_column(
                loaded, column.stored, coder.hide_whole if column.name in PLACES else coder.mask_column
            )
    for name in IDENTIFIERS:
        _change_column(loaded, name, partial(coder.mask_identifiers, standing=standing.get(name)))
    for name in ("_other", "_file", "_sheet"):
        _change_column(loaded, name, coder.mask_column)


def _change_column(loaded: Loaded, name: str, change: Callable[[pa.Array], pa.Array]) -> None:
    at = loaded.rows.schema.get_field_index(name)
    if at < 0 or loaded.rows.column(at).null_count == loaded.count:
        return
    cells = loaded.rows.column(at).combine_chunks()
    changed = change(cells)
    if changed is not cells:
        loaded.rows = loaded.rows.set_column(at, name, changed)


def hide_sheet(sheet: Sheet, coder: NameCoder) -> None:
    """Codes for names in what a sheet is called and in its headers."""
    sheet.shown = coder.mask_text(sheet.path.name)
    sheet.sheet = coder.mask_text(sheet.sheet)
    sheet.fields = [replace(part, header=coder.mask_text(part.header)) for part in sheet.fields]


def convert_batch(
    sheet: Sheet, batch: Batch, schema: pa.Schema, *, today: dt.date
) -> tuple[pa.Table, list[Fault], dict[int, str]]:
    """Typed rows of a batch (technicians still by name), its faults (row positions within the batch), and quarantined-row
    references by row.
    """
    faults: list[Fault] = []
    columns: dict[str, pa.Array] = {}
    mended = any(part.header == GIVEN_BACK[0] for part in sheet.fields)
    broken = np.array(sorted(batch.faults), dtype=np.int64)
    whole = np.ones(batch.rows, dtype=bool)
    whole[broken] = False
    for part, cells in zip(sheet.fields, batch.cells, strict=True):
        column = part.column
        if column is None:
            continue
        if len(broken):  # cells of a row that can't be split are not read at all
            cells = pc.if_else(pa.array(whole), cells, pa.scalar(None, cells.type))
        values, found = convert_column(
            cells,
            column,
            unit=part.unit,
            decimal=sheet.decimal + "?" if mended else sheet.decimal,
            date_form=sheet.date_form,
            codes=sheet.codes.get(column.name),
        )
        if mark := sheet.prefix.get(column.name):
            values = put_mark(values, mark)
        faults += found
        faults += check_range(values, cells, column, part.unit, today)
        if column.name == "technician":
            values = drop_no_names(values)
        if column.required:
            faults += check_required(values, column, whole, found)
        columns[column.stored] = values
    for code in dict.fromkeys(code for code, _ in batch.faults.values()):
        which = [row for row, (c, _) in sorted(batch.faults.items()) if c == code]
        texts = [batch.faults[row][1] for row in which]
        each = [batch.said[row] for row in which] if which[0] in batch.said else ()
        faults.append(Fault(code, "", np.array(which, dtype=np.int64), texts, each=each))
    other, references = collect_other(sheet, batch)
    book = {
        "_file": pa.repeat(sheet.file, batch.rows),
        "_sheet": pa.repeat(sheet.sheet or None, batch.rows) if sheet.sheet else pa.nulls(batch.rows),
        "_line": batch.lines,
        "_other": other,
    }
    columns |= book
    arrays = [
        columns[f.name].cast(f.type) if f.name in columns else pa.nulls(batch.rows, f.type) for f in schema
    ]
    return pa.table(arrays, schema=schema), faults, references


def put_mark(numbers: pa.Array, mark: str) -> pa.Array:
    """A workshop's own numbers with its mark in front, where they don't carry it already."""
    bare = pc.invert(pc.starts_with(numbers, mark))
    return pc.if_else(bare, pc.binary_join_element_wise(mark, numbers, ""), numbers)


def account_lines(sheet: Sheet, rows: int, blank: int, left_out: int) -> None:
    """Hold what became of a text file's lines against their number; ``sheet.account`` keeps it.

    InputError where they differ: not one line may be lost on the way.
    """
    count = sheet.count
    if count is None:
        return
    parts = {
        "above": count.above,
        "header": count.header,
        "rows": rows,
        "blank": count.blank + blank,
        "left_out": left_out,
        "continued": count.continued,
    }
    if sum(parts.values()) != count.lines:
        said = ", ".join(f"{n} {name.replace('_', ' ')}" for name, n in parts.items())
        raise InputError(
            f"{sheet.file}: {count.lines} lines, of which {sum(parts.values())} could be accounted for ({said}); "
            "nothing was taken in. Save it again as UTF-8"
        )
    sheet.account = {"lines": count.lines, **parts}


def drop_lines(sheet: Sheet, batch: Batch) -> tuple[Batch, Gone]:
    """The batch without blank rows, footers and the form's example row, and how many rows that were."""
    known = [n for n, f in enumerate(sheet.fields) if f.column is not None]
    keys = [n for n in known if sheet.fields[n].column.key]  # type: ignore[union-attr]
    first = batch.cells[keys[0]] if keys else batch.cells[known[0]]
    drop = np.zeros(batch.rows, dtype=bool)
    text = pa.types.is_string(first.type)
    if first.null_count:
        for row in np.flatnonzero(np.asarray(first.is_null())):
            if int(row) not in batch.faults:
                drop[row] = all(not str(c[int(row)].as_py() or "").strip() for c in batch.cells)
    left_out = 0
    if text and sheet.sheet:  # forms are workbooks
        example = np.asarray(pc.equal(pc.utf8_lower(first), EXAMPLE).fill_null(False))
        drop |= example
        left_out += int(example.sum())
        if example.any():
            _note_once(sheet, "example_row", "", int(batch.lines[int(np.flatnonzero(example)[0])].as_py()))
    left_out += _drop_footers(sheet, batch, known, first, drop)
    if not drop.any():
        return batch, (0, 0)
    keep = pa.array(~drop)
    position = np.cumsum(~drop) - 1
    faults = {int(position[row]): fault for row, fault in batch.faults.items() if not drop[row]}
    said = {int(position[row]): words for row, words in batch.said.items() if not drop[row]}
    cells = [c.filter(keep) for c in batch.cells]
    return Batch(batch.lines.filter(keep), cells, faults, said), (left_out, int(drop.sum()) - left_out)


def _drop_footers(sheet: Sheet, batch: Batch, known: list[int], first: pa.Array, drop: np.ndarray) -> int:
    """Mark lines at the end with one filled cell, or two that are no record, in a table that requires more."""
    required = [n for n in known if sheet.fields[n].column.required]  # type: ignore[union-attr]
    if len(required) < MANY_EMPTY or len(sheet.fields) < MANY_EMPTY:
        return 0
    gone = 0
    for row in range(batch.rows - 1, max(batch.rows - 6, -1), -1):
        if drop[row]:
            continue
        if row in batch.said:
            break
        if row in batch.faults:
            filled = [cell for cell in batch.faults[row][1].split(" | ") if cell.strip()]
            if len(filled) > 1:
                break
        else:
            filled = [str(v) for c in batch.cells if (v := c[row].as_py()) is not None and str(v).strip()]
            if len(filled) > 2:
                break
        drop[row] = True
        gone += 1
        _note_once(sheet, "not_a_record", " | ".join(filled), int(batch.lines[row].as_py()))
    return gone


def _note_once(sheet: Sheet, code: str, value: str, line: int) -> None:
    note = FileNote(code, value=value[:200], line=line)
    if note not in sheet.notes:
        sheet.notes.append(note)


def collect_other(sheet: Sheet, batch: Batch) -> tuple[pa.Array, dict[int, str]]:
    """Unknown columns as JSON a row (None where all are empty), and the references of corrected rows."""
    unknown = [(n, f.header) for n, f in enumerate(sheet.fields) if f.column is None and f.header]
    references: dict[int, str] = {}
    texts: list[dict[str, str]] = []
    for number, header in unknown:
        cells = batch.cells[number]
        cells = cells if pa.types.is_string(cells.type) else cells.cast(pa.string())
        if header == GIVEN_BACK[0]:
            filled = np.flatnonzero(np.asarray(cells.is_valid()))
            references |= {int(row): str(cells[int(row)].as_py()).strip() for row in filled}
            continue
        if cells.null_count == len(cells) or (header in GIVEN_BACK and sheet.sheet):
            continue
        texts = texts or [{} for _ in range(batch.rows)]
        for row, value in enumerate(cells.to_pylist()):
            if value is not None:
                texts[row][header] = value[:1000]
    if not texts:
        return pa.nulls(batch.rows, pa.string()), references
    return pa.array(
        [json.dumps(t, ensure_ascii=False) if t else None for t in texts], pa.string()
    ), references
