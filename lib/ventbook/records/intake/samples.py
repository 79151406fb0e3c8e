"""What is known while an intake runs, its traces, and the original text of rows that are quarantined.

``Work`` holds the store before the intake, the tables read so far and what they refer to. Trace samples are streamed into Parquet
files of whole starts, row groups of about a million rows. A start is taken or quarantined as a whole: a trace with a hole in
it is no trace. Files are written beside the table while reading goes on and named in one Delta commit at the end, so memory stays
at a few row groups at any size. Each file's footer lists its starts with a checksum, by which a start handed in again is told
from a changed one.
"""

from __future__ import annotations

import datetime as dt
import json
import zlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from ventbook import tables
from ventbook.model.verdicts import quarter_of
from ventbook.places import Place
from ventbook.records import privacy
from ventbook.records.intake.context import IN_STORE, Context, Fault, shorten
from ventbook.records.intake.corrections import Corrections
from ventbook.records.intake.keys import Outcome, is_elsewhere, key_texts
from ventbook.records.intake.load import (
    IDENTIFIERS,
    PLACES,
    SORTABLE,
    Converted,
    Gone,
    Loaded,
    account_lines,
    convert_batch,
    drop_lines,
)
from ventbook.records.intake.trace_features import (
    SCHEMA_NAMES,
    Key,
    QuarterFile,
    copy_without,
    read_starts,
    store_features,
    venting_facts,
)
from ventbook.records.privacy import NameCoder, is_name
from ventbook.records.readers import Batch, Field, Sheet
from ventbook.records.store import (
    ISSUES,
    QUARANTINE,
    Snapshot,
    Writer,
    plain_original,
    record_schema,
    table_path,
    to_frame,
)
from ventbook.records.store.delta import new_file

Words = tuple[str, str, str, str, str]  # code, column, value, what, do
NO_FAULT: Words = ("", "", "", "", "")
Start = tuple[Key, pa.Table, int, Words]
Piece = tuple[pa.Table, np.ndarray, dict[int, Words]]
LARGE = 16 << 20  # bytes of a table's files in the store; of a larger one not all columns are held at once
ESCAPED = r'["\\\x00-\x1f]'  # what JSON writes in another way


@dataclass
class Work:
    """What is known while an intake runs."""

    before: Snapshot | None
    today: dt.date
    coder: privacy.NameCoder
    store: Place | None = None
    tables: dict[str, Loaded] = field(default_factory=dict)
    outcomes: dict[str, Outcome] = field(default_factory=dict)
    stored: dict[str, pa.Table] = field(default_factory=dict)
    context: Context | None = None

    def standing(self) -> dict[str, pa.Array]:
        """Identifiers that stand in the store, by column."""
        found: dict[str, pa.Array] = {}
        for column, holders in (("engine_id", ["engines"]), ("venting_id", ["ventings", "planned"])):
            rows = [rows for table in holders if (rows := self.earlier(table)) is not None]
            if rows:
                found[column] = pa.concat_arrays([c for r in rows for c in r.column(column).chunks])
        return found

    def earlier(self, table: str, columns: Sequence[str] | None = None) -> pa.Table | None:
        """The store's rows of a table, read once; of a large one that is asked for some ``columns``, these alone, anew each time."""
        if self.before is None or table not in self.before.versions:
            return None
        if table not in self.stored:
            if columns is not None and self._is_large(table):
                return self.before.read_arrow(table, columns)
            self.stored[table] = self.before.read_arrow(table)
        return self.stored[table] if columns is None else self.stored[table].select(list(columns))

    def _is_large(self, table: str) -> bool:
        return self.before is not None and sum(f.stat().st_size for f in self.before.files(table)) > LARGE


def find_context(work: Work) -> Context:
    if work.context is None:
        work.context = Context(
            partial(_merge, work),
            partial(_held_keys, work),
            work.earlier,
            pd.Timestamp(work.today),
            None if work.store is None else tables.find_own_limits(work.store),
            partial(_find_doubtful, work),
        )
    return work.context


def _merge(work: Work, table: str) -> tuple[pd.DataFrame, np.ndarray]:
    """Store and accepted rows of the intake together, the intake's winning; and for each its row in the intake,
    ``IN_STORE`` for the store's.
    """
    columns = {
        "engines": [
            "engine_id",
            "engine_type",
            "cylinders",
            "valves_per_cylinder",
            "propeller_blades",
            "plunger_travel_mm",
            "rocker_ratio",
        ],
        "ventings": ["venting_id", "engine_id", "date", "site", "pressure_threshold_bar"],
    }[table]
    key = columns[0]
    frames, own = [], np.zeros(0, dtype=np.int64)
    if table in work.outcomes:
        good = work.outcomes[table].good
        own = np.flatnonzero(good)
        # One intake may hold a row twice (two deliveries taken in at once).
        own = own[first_of_each(work.tables[table].key_codes[own])]
        kept = np.zeros(len(good), dtype=bool)
        kept[own] = True
        frames.append(to_frame(work.tables[table].rows.select(columns).filter(pa.array(kept))))
    earlier = work.earlier(table)
    if earlier is not None:
        frames.append(to_frame(earlier.select(columns)))
    if not frames:
        frames = [to_frame(record_schema(table).empty_table().select(columns))]
    frame = pd.concat(frames, ignore_index=True) if len(frames) > 1 else frames[0]
    rows = np.concatenate([own, np.full(len(frame) - len(own), IN_STORE)])
    if len(frames) > 1:
        first = ~frame[key].duplicated().to_numpy()
        frame, rows = frame[first], rows[first]
    return frame, rows


def first_of_each(codes: np.ndarray) -> np.ndarray:
    """True at the first of equal whole numbers."""
    if not len(codes) or np.bincount(codes).max() <= 1:
        return np.ones(len(codes), dtype=bool)
    return ~pd.Series(codes).duplicated().to_numpy()


def _held_keys(work: Work) -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    earlier = work.earlier("quarantine")
    for table in ("engines", "ventings"):
        keys: set[str] = set()
        if earlier is not None:
            for row in earlier.select(["table", "key"]).to_pylist():
                if row["table"] == table:
                    keys.add(row["key"])
        if table in work.outcomes:
            loaded, quarantined = work.tables[table], work.outcomes[table].quarantined
            if quarantined.any():
                keys |= set(key_texts(loaded.rows.filter(pa.array(quarantined)), loaded.table.key))
        found[table] = keys - {""}
    return found


def _find_doubtful(work: Work) -> set[str]:
    """Numbers that a quarantined venting claims for another job than the accepted one's."""
    sites = find_context(work).ventings["site"]
    found: set[str] = set()
    settled: set[str] = set()
    if "ventings" in work.outcomes:
        loaded, outcome = work.tables["ventings"], work.outcomes["ventings"]
        held = pa.array(outcome.quarantined)
        own = loaded.rows.select(["venting_id", "site"]).filter(held).to_pylist()
        found |= {r["venting_id"] for r in own if is_elsewhere(r["site"], sites.get(r["venting_id"]))}
        for fault in loaded.faults:
            if fault.code == "number_used_twice":
                found |= set(loaded.rows.column("venting_id").take(pa.array(fault.rows)).to_pylist())
        confirmed = pa.array(outcome.good & loaded.rerun)
        settled = set(loaded.rows.column("venting_id").filter(confirmed).to_pylist())
    earlier = work.earlier("quarantine")
    if earlier is not None:
        held_before = earlier.filter(pc.equal(earlier.column("table"), "ventings"))
        said = np.zeros(held_before.num_rows, dtype=bool)
        if "ventings" in work.outcomes and held_before.num_rows:
            fresh = work.outcomes["ventings"].good & ~work.tables["ventings"].rerun
            said = are_taken(work, work.tables["ventings"], fresh, held_before.to_pandas())
        for row in held_before.filter(pa.array(~said)).to_pylist():
            twice = "number_used_twice" in row["all_codes"].split(", ")
            if row["key"] not in settled and (twice or is_elsewhere(row["site"], sites.get(row["key"]))):
                found.add(row["key"])
    return found - {None, ""}


def are_taken(work: Work, loaded: Loaded, good: np.ndarray, held_rows: pd.DataFrame) -> np.ndarray:
    """True for the quarantined rows that a good row of this intake says word for word, be it under a marked number."""
    marked = np.array([bool(sheet.prefix) for sheet in loaded.sheets])[loaded.source]
    keys = np.array(key_texts(loaded.rows, loaded.table.key), dtype=object)
    rows = np.flatnonzero(good & (marked | np.isin(keys, list(set(held_rows["key"])))))
    said = set(map(plain_original, read_originals(loaded, rows, work.coder, work.standing()).texts.values()))
    return np.array([plain_original(text) in said for text in held_rows["original"]], dtype=bool)


def sites_of(work: Work, loaded: Loaded, rows: np.ndarray) -> list[str | None]:
    """The site of some rows, by their own column or their venting's; None where not known."""
    if "site" in loaded.rows.column_names:
        return loaded.rows.column("site").take(pa.array(rows)).to_pylist()
    if "venting_id" not in loaded.rows.column_names or not len(rows):
        return [None] * len(rows)
    ids = loaded.rows.column("venting_id").take(pa.array(rows))
    return [None if pd.isna(value) else str(value) for value in find_context(work).of_venting(ids, "site")]


@dataclass
class SampleOutcome:
    """What becomes of the traces of one intake; ``commit`` names the files that were written."""

    counts: dict[str, int] = field(
        default_factory=lambda: dict.fromkeys(
            ("rows", "accepted", "duplicate", "corrected", "quarantined", "left_out", "released"), 0
        )
    )
    issues: list[pa.Table] = field(default_factory=list)
    quarantine: list[pa.Table] = field(default_factory=list)
    rows_of: dict[int, int] = field(default_factory=dict)
    files: dict[Place, str] = field(default_factory=dict)
    replaced: set[Key] = field(default_factory=set)
    ventings: pd.DataFrame | None = None

    def commit(self, writer: Writer) -> None:
        """Name the new files, take replaced starts out of the older ones, and store the features once."""
        if not self.files:
            return
        schema = record_schema("samples")
        path = writer.path_of("samples")
        old = writer.before.files("samples") if writer.before is not None else []
        drop, add = [], dict(self.files)
        for file in old:
            if not self.replaced & set(read_starts(file)):
                continue
            drop.append(file)
            quarter = file.parent.name.partition("=")[2]
            rest = copy_without(file, self.replaced, new_file(path, writer.number, file.parent.name))
            if rest is not None:
                add[rest] = quarter
        writer.add_files(
            "samples", schema, list(add), {file: {"quarter": q} for file, q in add.items()}, remove=drop
        )
        store_features(writer, list(self.files), self.ventings)


@dataclass
class _Take:
    """State while traces stream in."""

    context: Context
    outcome: SampleOutcome
    before: dict[Key, tuple[int, int, int]]
    folder: Place | None
    number: int
    seen: dict[Key, int] = field(default_factory=dict)
    quarters: dict[str, QuarterFile] = field(default_factory=dict)
    issues: list[dict[str, Any]] = field(default_factory=list)
    quarantined: list[dict[str, Any]] = field(default_factory=list)

    def start(self, sheet: Sheet, key: Key, rows: pa.Table, line: int, fault: Words) -> None:
        """Decide about one whole start."""
        n = rows.num_rows
        self.outcome.counts["rows"] += n
        check = checksum(rows)
        if not fault[0]:
            fault = self._judge(key, rows, check)
        if fault[0] == "duplicate":
            self.outcome.counts["duplicate"] += n
            return
        if fault[0]:
            self._hold(sheet, key, n, line, fault)
            return
        known = self.before.get(key)
        if known is not None and known[:2] == (n, check):
            self.outcome.counts["duplicate"] += n
            self.seen[key] = check
            return
        if known is not None:
            self.outcome.replaced.add(key)
            self._note(
                sheet, key, n, line, _word("corrected", "samples", f"{n} samples", old=f"{known[0]} samples")
            )
        self.outcome.counts["corrected" if known is not None else "accepted"] += n
        self.seen[key] = check
        if self.folder is not None:
            date = pd.Timestamp(str(self.context.ventings["date"].loc[key[0]]))
            quarter = quarter_of(date)
            if quarter not in self.quarters:
                path = new_file(self.folder, self.number, f"quarter={quarter}")
                self.quarters[quarter] = QuarterFile(path)
            self.quarters[quarter].add(rows, [*key, n, check, self.number])

    def _judge(self, key: Key, rows: pa.Table, check: int) -> Words:
        venting, number = key
        if venting not in self.context.ventings.index:
            waits = venting in self.context.quarantined.get("ventings", ())
            return _word("parent_held" if waits else "orphan_venting", "venting_id", venting)
        if venting in self.context.doubtful and self.before.get(key, (0, 0))[:2] != (rows.num_rows, check):
            return _word("parent_in_doubt", "venting_id", venting)
        t = np.asarray(rows.column("t_s"))
        if len(t) > 1 and not (np.diff(t) > 0).all():
            return _word("samples_not_rising", "t", f"{venting}, start {number}")
        if key in self.seen:
            if self.seen[key] == check:
                return ("duplicate", "", "", "", "")
            return _word("conflicting_rows", "the samples", f"{venting} / {number}", n=2)
        return NO_FAULT

    def _hold(self, sheet: Sheet, key: Key, n: int, line: int, fault: Words) -> None:
        self.outcome.counts["quarantined"] += n
        code, _, _, what, _ = fault
        self._note(sheet, key, n, line, fault)
        self.quarantined.append(
            _address(sheet, key, line, fault, self.number)
            | {
                "what": f"{what} (the start's {n} samples are quarantined together)",
                "original": json.dumps({"venting_id": key[0], "start_no": str(key[1]), "samples": str(n)}),
                "waiting": "",
                "all_codes": code,
            }
        )

    def _note(self, sheet: Sheet, key: Key, n: int, line: int, fault: Words) -> None:
        row = {"severity": tables.issue_text(fault[0]).severity, "rows": n}
        self.issues.append(_address(sheet, key, line, fault, self.number) | row)


def _address(sheet: Sheet, key: Key, line: int, fault: Words, intake: int) -> dict[str, Any]:
    code, column, value, what, do = fault
    return {
        "code": code,
        "table": "samples",
        "key": f"{key[0]} / {key[1]}",
        "column": column,
        "file": sheet.file,
        "sheet": sheet.sheet or None,
        "line": line,
        "value": value,
        "what": what,
        "do": do,
        "site": None,
        "intake": intake,
    }


def _word(code: str, column: str, value: str, **words: Any) -> Words:
    wording = tables.issue_text(code)
    known = {"value": value, "column": column, "unit": "", **words}
    return code, column, shorten(value), wording.what.format(**known), wording.do.format(**known)


def checksum(rows: pa.Table) -> int:
    """A checksum of the measured values of one start, in order."""
    check = 0
    for name in SCHEMA_NAMES[2:]:
        values = rows.column(name).to_numpy()
        check = zlib.crc32(np.ascontiguousarray(values, dtype="<f8").tobytes(), check)
    return check


def take_samples(
    sheets: list[Sheet],
    work: Work,
    writer: Writer | None,
    context: Context,
    corrections: Corrections,
    progress: Callable[[str], None] | None,
) -> SampleOutcome:
    """Stream the traces of an intake; nothing shows until the outcome's ``commit``."""
    outcome = SampleOutcome()
    before: Snapshot | None = work.before
    known: dict[Key, tuple[int, int, int]] = {}
    for file in before.files("samples") if before is not None else []:
        known |= read_starts(file)
    folder = None
    if writer is not None:
        writer.path_of("samples")
        folder = table_path(writer.store.path, "samples")
    state = _Take(context, outcome, known, folder, writer.number if writer else 0)
    for sheet in sheets:
        rows_before = outcome.counts["rows"]
        for key, rows, line, fault in _whole_starts(sheet, work, corrections, progress, outcome.counts):
            state.start(sheet, key, rows, line, fault)
        sheet.converted = None
        outcome.rows_of[id(sheet)] = outcome.counts["rows"] - rows_before
    for quarter, part in state.quarters.items():
        part.close()
        outcome.files[part.path] = quarter
    outcome.issues.append(_as_table(state.issues, ISSUES))
    outcome.quarantine.append(_as_table(state.quarantined, QUARANTINE))
    outcome.ventings = venting_facts(context.ventings, context.engines)
    return outcome


def _as_table(rows: list[dict[str, Any]], schema: pa.Schema) -> pa.Table:
    return pa.Table.from_pylist(rows, schema=schema)


def _whole_starts(
    sheet: Sheet,
    work: Work,
    corrections: Corrections,
    progress: Callable[[str], None] | None,
    counts: dict[str, int],
) -> Iterator[Start]:
    """The starts of a sheet, each whole. A file whose starts are scattered is read whole and sorted. Lines that are no
    records are added to ``counts``.
    """
    # A larger file is taken in the order it comes; a start that comes back in it is then quarantined as a conflict.
    order = list(_scan_order(sheet, work, corrections)) if sheet.size < SORTABLE else []
    scattered = len(order) != len(set(order))
    pieces = _pieces(sheet, work, corrections, progress, counts)
    if scattered:
        parts = list(pieces)
        if not parts:
            return
        rows = pa.concat_tables([p[0] for p in parts])
        lines = np.concatenate([p[1] for p in parts])
        offsets = np.cumsum([0, *(p[0].num_rows for p in parts)])
        words = {row + int(o): w for p, o in zip(parts, offsets, strict=False) for row, w in p[2].items()}
        rows = rows.append_column("_at", pa.array(np.arange(rows.num_rows)))
        rows = rows.sort_by([("venting_id", "ascending"), ("start_no", "ascending"), ("t_s", "ascending")])
        at = np.asarray(rows.column("_at"))
        yield from _cut(rows.drop_columns(["_at"]), lines[at], _reorder(words, at), last=True)[0]
        return
    carry: Piece | None = None
    for rows, lines, words in pieces:
        if carry is not None:
            words = carry[2] | {row + carry[0].num_rows: w for row, w in words.items()}
            rows = pa.concat_tables([carry[0], rows])
            lines = np.concatenate([carry[1], lines])
        starts, carry = _cut(rows, lines, words, last=False)
        yield from starts
    if carry is not None:
        yield from _cut(*carry, last=True)[0]


def _scan_order(sheet: Sheet, work: Work, corrections: Corrections) -> Iterator[Key]:
    """The keys in the order their runs come in the file."""
    last: Key | None = None
    for rows, _, _ in _pieces(sheet, work, corrections, None, {"left_out": 0}):
        bounds = _bounds(rows)
        first = rows.select(["venting_id", "start_no"]).take(pa.array(bounds[:-1]))
        for venting, number in zip(*(c.to_pylist() for c in first.columns), strict=True):
            key = (venting, number)
            if key != last and None not in key:
                yield key
            last = key


def _pieces(
    sheet: Sheet,
    work: Work,
    corrections: Corrections,
    progress: Callable[[str], None] | None,
    counts: dict[str, int],
) -> Iterator[Piece]:
    """Converted batches: rows, lines, and the words of their faults by row; lines left out are counted."""
    done = gone = blank = 0
    schema = record_schema("samples")
    for lines, (left_out, empty), (rows, faults, _) in _converted(sheet, corrections, schema, work.today):
        counts["left_out"] += left_out
        gone += left_out
        blank += empty
        if not len(lines):
            continue
        words = _words_of(faults, work.coder)
        rows = _mask_ids(rows, work)
        done += len(lines)
        if progress is not None:
            progress(f"{sheet.where}: {done:,} samples read")
        yield rows, lines, words
    account_lines(sheet, done, blank, gone)


def _converted(
    sheet: Sheet, corrections: Corrections, schema: pa.Schema, today: dt.date
) -> Iterator[tuple[np.ndarray, Gone, Converted]]:
    """Lines, what was left out, and typed rows of each batch; as another process has converted them, where one has."""
    if sheet.converted is not None:
        yield from ((np.asarray(part.lines), part.gone, part.converted) for part in sheet.converted)
        return
    for batch in sheet.batches():
        batch, gone = drop_lines(sheet, batch)
        batch, _ = corrections.apply(sheet, batch)
        yield np.asarray(batch.lines), gone, convert_batch(sheet, batch, schema, today=today)


def _mask_ids(rows: pa.Table, work: Work) -> pa.Table:
    ids = rows.column("venting_id").combine_chunks()
    masked = work.coder.mask_identifiers(ids, work.standing().get("venting_id"))
    at = rows.schema.get_field_index("venting_id")
    return rows if masked is ids else rows.set_column(at, "venting_id", masked)


def _words_of(faults: list[Fault], coder: NameCoder) -> dict[int, Words]:
    found: dict[int, Words] = {}
    for fault in faults:
        for position, row in enumerate(fault.rows if fault.holds else ()):
            if int(row) not in found:
                found[int(row)] = (fault.code, fault.column, *fault.text(position, coder.mask_text))
    return found


def _reorder(words: dict[int, Words], at: np.ndarray) -> dict[int, Words]:
    """Faults by the rows' new positions; ``at`` has each row's old one."""
    new = np.empty_like(at)
    new[at] = np.arange(len(at))
    return {int(new[row]): w for row, w in words.items()}


def _bounds(rows: pa.Table) -> np.ndarray:
    ids = rows.column("venting_id").combine_chunks().dictionary_encode()
    if isinstance(ids, pa.ChunkedArray):
        ids = ids.unify_dictionaries().combine_chunks()
    codes = np.asarray(ids.indices.fill_null(-1))
    numbers = np.asarray(rows.column("start_no").fill_null(-1))
    change = np.flatnonzero((np.diff(codes) != 0) | (np.diff(numbers) != 0)) + 1
    return np.concatenate([[0], change, [rows.num_rows]]).astype(np.int64)


def _cut(
    rows: pa.Table, lines: np.ndarray, words: dict[int, Words], *, last: bool
) -> tuple[list[Start], Piece | None]:
    """Whole starts, and the rows of the one that may go on in the next batch."""
    bounds = _bounds(rows)
    ends = bounds if last else bounds[:-1]
    bad = np.array(sorted(words), dtype=np.int64)
    first_bad = np.searchsorted(bad, ends[:-1])
    keys = rows.select(["venting_id", "start_no"]).take(pa.array(ends[:-1]))
    names, numbers = (column.to_pylist() for column in keys.columns)
    starts: list[Start] = []
    for n, (a, b) in enumerate(pairwise(ends)):
        at = int(bad[first_bad[n]]) if first_bad[n] < len(bad) else b
        fault = words[at] if at < b else NO_FAULT
        key = (names[n] or "", -1 if numbers[n] is None else numbers[n])
        starts.append((key, rows.slice(a, b - a), int(lines[at if at < b else a]), fault))
    if last:
        return starts, None
    cut = int(bounds[-2])
    return starts, (rows.slice(cut), lines[cut:], {row - cut: w for row, w in words.items() if row >= cut})


@dataclass
class Originals:
    """``texts``: position -> own header -> original text as JSON. ``broken``: the same as a mapping for rows that
    could not be split into cells; theirs stand as they came, and are not in ``texts``.
    """

    texts: dict[int, str] = field(default_factory=dict)
    broken: dict[int, dict[str, str | None]] = field(default_factory=dict)


def read_originals(
    loaded: Loaded, which: np.ndarray, coder: NameCoder, standing: dict[str, pa.Array]
) -> Originals:
    """The rows ``which`` (sorted positions), technicians coded and known names masked."""
    found = Originals()
    for number, sheet in enumerate(loaded.sheets):
        headers = [f.header or f"column {n + 1}" for n, f in enumerate(sheet.fields)]
        for positions, inside, batch in _find_rows(loaded, which, number):
            cells = [
                _hide_names(sheet, f, _texts(c.take(pa.array(inside))), coder, standing)
                for f, c in zip(sheet.fields, batch.cells, strict=True)
            ]
            texts = _as_json(headers, cells, len(inside))
            for place, (position, row) in enumerate(zip(positions.tolist(), inside.tolist(), strict=True)):
                if row in batch.faults:
                    split: list[str | None] = list(batch.faults[row][1].split(" | "))
                    names = headers + [f"column {n + 1}" for n in range(len(headers), len(split))]
                    split += [None] * (len(names) - len(split))
                    found.broken[position] = dict(zip(names, split, strict=True))
                else:
                    found.texts[position] = texts[place]
    return found


def _find_rows(
    loaded: Loaded, which: np.ndarray, number: int
) -> Iterator[tuple[np.ndarray, np.ndarray, Batch]]:
    """(positions in the table, rows of the batch, batch) of the wanted rows of one sheet."""
    sheet = loaded.sheets[number]
    begin, end = np.searchsorted(loaded.source, [number, number + 1])
    own = which[(which >= begin) & (which < end)]
    if not len(own):
        return
    if sheet.read_lines is not None and number not in loaded.kept:
        lines = loaded.rows.column("_line").take(pa.array(own)).to_numpy()
        order = np.argsort(lines)
        own, lines = own[order], lines[order]
        for batch in sheet.read_lines(lines):
            yield own[np.searchsorted(lines, np.asarray(batch.lines))], np.arange(batch.rows), batch
        return
    at = int(begin)
    for batch in loaded.kept.get(number) or (drop_lines(sheet, batch)[0] for batch in sheet.batches()):
        inside = own[(own >= at) & (own < at + batch.rows)]
        if len(inside):
            yield inside, inside - at, batch
        at += batch.rows


def _as_json(headers: list[str], cells: list[pa.Array], rows: int) -> list[str]:
    """One JSON object a row, written column by column."""
    if len(set(headers)) < len(headers):  # of two columns of one name, the later one counts
        columns = [column.to_pylist() for column in cells]
        each = zip(*columns, strict=True) if columns else [()] * rows
        return [json.dumps(dict(zip(headers, row, strict=True)), ensure_ascii=False) for row in each]
    parts: list[pa.Array | pa.Scalar] = []
    for number, (header, column) in enumerate(zip(headers, cells, strict=True)):
        name = ("{" if not number else ", ") + json.dumps(header, ensure_ascii=False) + ": "
        odd = pc.match_substring_regex(column, ESCAPED).fill_null(False)
        if pc.any(odd).as_py():
            written = [json.dumps(v, ensure_ascii=False)[1:-1] for v in column.filter(odd).to_pylist()]
            column = pc.replace_with_mask(column, odd, pa.array(written, pa.string()))
        quoted = pc.binary_join_element_wise('"', column, '"', "")
        parts += [pa.scalar(name), quoted.fill_null("null")]
    if not parts or not rows:
        return ["{}"] * rows
    found: list[str] = pc.binary_join_element_wise(*parts, pa.scalar("}"), "").to_pylist()
    return found


def _hide_names(
    sheet: Sheet, part: Field, texts: pa.Array, coder: NameCoder, standing: dict[str, pa.Array]
) -> pa.Array:
    column = part.column
    if part.holds == "names" or (column is not None and column.name == "technician"):
        each = texts.dictionary_encode()
        names = [coder.code_name(t) if t and is_name(t) else t for t in each.dictionary.to_pylist()]
        return pa.array(names, pa.string()).take(each.indices)
    if column is not None and column.name in IDENTIFIERS:
        return coder.mask_identifiers(texts, standing.get(column.name))
    if column is not None and column.name in PLACES:
        return coder.hide_whole(texts)
    masked = coder.mask_column(texts)
    if column is None or masked is texts or not (column.codes or sheet.codes.get(column.name)):
        return masked
    known = pa.array([*column.codes, *sheet.codes.get(column.name, ())], pa.string())
    return pc.if_else(pc.is_in(texts, value_set=known), texts, masked)


def _texts(cells: pa.Array) -> pa.Array:
    if pa.types.is_string(cells.type):
        return cells
    return pa.array([None if value is None else str(value) for value in cells.to_pylist()], pa.string())
