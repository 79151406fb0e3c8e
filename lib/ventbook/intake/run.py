"""One intake from files to snapshot."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from ventbook import dictionary, privacy, readers
from ventbook.errors import InputError
from ventbook.readers import FileNote, Sheet
from ventbook.store import ISSUES, QUARANTINE, REPEATS, Snapshot, Store, Writer, to_frame, write_snapshot
from ventbook.store import create_store as create_store_at

from . import across, patterns, samples
from .columns import check_columns
from .corrections import Corrections, load_corrections
from .faults import Fault, merge_notes, shorten
from .held import Rerun, build_issues, build_quarantine, describe_form, find_rerun
from .keys import Outcome, compare_with_store, find_repeats, key_texts
from .load import Loaded, load_table, mask_names

ORDER = ("engines", "ventings", "planned", "starts", "lifter_checks", "samples", "gauge_readings")
Progress = Callable[[str], None]


@dataclass
class IntakeResult:
    """What an intake did. ``counts`` has one row a table: rows (handed in), accepted, duplicate, corrected,
    quarantined, left_out (lines that are no records), released (rows held before that were taken now);
    rows = accepted + duplicate + corrected + quarantined. ``issues`` and ``quarantine`` are this intake's own.
    ``number`` is the snapshot's, None on a dry run.
    """

    number: int | None
    today: dt.date
    counts: pd.DataFrame
    issues: pd.DataFrame
    quarantine: pd.DataFrame
    sources: list[dict[str, Any]]
    dry_run: bool = False


@dataclass
class Work:
    """What is known while an intake runs."""

    before: Snapshot | None
    today: dt.date
    coder: privacy.NameCoder
    cluster: str | None = None
    tables: dict[str, Loaded] = field(default_factory=dict)
    outcomes: dict[str, Outcome] = field(default_factory=dict)
    stored: dict[str, pa.Table] = field(default_factory=dict)
    context: across.Context | None = None

    def earlier(self, table: str) -> pa.Table | None:
        """The store's rows of a table, read once."""
        if self.before is None or table not in self.before.versions:
            return None
        if table not in self.stored:
            self.stored[table] = self.before.read_arrow(table)
        return self.stored[table]


def take_in(
    paths: str | Path | Iterable[str | Path],
    *,
    store: str | Path | Store,
    mapping: str | Path | None = None,
    today: dt.date | None = None,
    dry_run: bool = False,
    corrections: str | Path | None = None,
    progress: Progress | None = None,
    note: str = "",
    cluster: str | None = None,
) -> IntakeResult:
    """Read, check and commit record files (files or folders of them) as one snapshot.

    Files handed in together are checked together: a start finds its venting in the store or in the same intake.
    ``store`` is made where it doesn't exist (not on a dry run, which writes nothing). ``today`` is the date that
    counts as today for this snapshot and later reports on it. ``cluster`` is the address of a Dask scheduler whose
    workers reduce the traces; without it they are reduced here. Raises InputError, one line a fault, when a file, the
    mapping or the store can't be used; nothing is written then.
    """
    paths = [paths] if isinstance(paths, (str, Path)) else list(paths)
    today = today or dt.date.today()
    sources = readers.load_mapping(mapping)
    accepted = load_corrections(corrections)
    sheets: list[Sheet] = []
    notes: list[tuple[str, str, FileNote]] = []
    if paths or not accepted.rows:
        sheets, notes = readers.open_sheets(paths, sources)
    target = store if isinstance(store, Store) else None
    if target is None:
        exists = Path(store).exists()  # type: ignore[arg-type]
        target = None if dry_run and not exists else create_store_at(store)  # type: ignore[arg-type]
    context: AbstractContextManager[Writer | None]
    context = nullcontext(None) if dry_run or target is None else write_snapshot(target)
    with context as writer:
        before = (
            writer.before
            if writer
            else target.snapshot()
            if target is not None and not target.empty
            else None
        )
        coder = privacy.open_coder(target.path if target is not None else None)
        work = Work(before, today, coder, cluster)
        rerun = find_rerun(before, accepted)
        return _run(work, writer, sheets, notes, rerun, accepted, progress, note)


def _run(
    work: Work,
    writer: Writer | None,
    sheets: list[Sheet],
    notes: list[tuple[str, str, FileNote]],
    rerun: Rerun,
    accepted: Corrections,
    progress: Progress | None,
    note: str,
) -> IntakeResult:
    number = writer.number if writer else 0
    large = [sheet for sheet in sheets if sheet.table.name == "samples"]
    for name in ORDER:
        if name == "samples":
            continue
        own = [sheet for sheet in sheets if sheet.table.name == name]
        again = [(s, n) for s, n in zip(rerun.sheets, rerun.intakes, strict=True) if s.table.name == name]
        if not own and not again:
            continue
        table = dictionary.tables()[name]
        flags = [False] * len(own) + [True] * len(again)
        loaded = load_table(
            table,
            [*own, *[s for s, _ in again]],
            today=work.today,
            coder=work.coder,
            corrections=accepted,
            rerun=flags,
            progress=progress,
        )
        work.tables[name] = loaded
    for loaded in work.tables.values():  # now every name of the intake is known
        mask_names(loaded, work.coder)
    for loaded in work.tables.values():
        if progress:
            progress(f"checking {loaded.table.name.replace('_', ' ')}")
        _judge(work, loaded)
    if progress:
        progress("checking patterns by site")
    for name, loaded in work.tables.items():
        loaded.faults += patterns.find_patterns(loaded, work.outcomes[name], _context(work))
    traces = samples.take_samples(large, work, writer, _context(work), accepted, progress) if large else None
    return _finish(work, writer, sheets, notes, rerun, accepted, traces, number, note)


def _judge(work: Work, loaded: Loaded) -> None:
    """Every rule on one table, in the order that lets a table refer to those before it."""
    name = loaded.table.name
    check_columns(loaded)
    held = loaded.held()
    duplicate, mended = find_repeats(loaded, held)
    alive = ~loaded.held() & ~duplicate & ~mended
    # The rows judged so far stand for the table, so that rules may look at neighbours in the same intake.
    zero = np.zeros(loaded.count, dtype=bool)
    before = work.outcomes[name] = Outcome(alive, zero, duplicate, loaded.held(), mended)
    work.context = None if name in ("engines", "ventings") else work.context
    context = _context(work)
    for rule in across.RULES.get(name, ()):
        loaded.faults += rule(loaded, alive, context)
    loaded.faults[:] = merge_notes(loaded.faults)
    held = loaded.held() & ~mended
    alive = ~held & ~duplicate & ~mended
    duplicate &= ~held
    known, corrected = compare_with_store(loaded, alive, work.earlier(name))
    duplicate |= known
    work.outcomes[name] = Outcome(alive & ~known & ~corrected, corrected, duplicate, held, mended)
    if name in ("engines", "ventings") and not np.array_equal(before.good, work.outcomes[name].good):
        work.context = None  # rows that the rules above held are no longer there to refer to


def _context(work: Work) -> across.Context:
    if work.context is None:
        engines, _ = _merged(work, "engines", "engine_id")
        ventings, own = _merged(work, "ventings", "venting_id")
        work.context = across.Context(
            engines, ventings, _held_keys(work), work.earlier, pd.Timestamp(work.today), own
        )
    return work.context


def _merged(work: Work, table: str, key: str) -> tuple[pd.DataFrame, np.ndarray]:
    """Store and accepted rows of the intake together, the intake's winning, indexed by key; and for each its row
    in the intake, -1 for the store's.
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
    frames, own = [], np.zeros(0, dtype=np.int64)
    if table in work.outcomes:
        good = work.outcomes[table].good
        own = np.flatnonzero(good)
        frames.append(to_frame(work.tables[table].rows.select(columns).filter(pa.array(good))))
    earlier = work.earlier(table)
    if earlier is not None:
        frames.append(to_frame(earlier.select(columns)))
    if not frames:
        frames = [to_frame(dictionary_schema(table, columns))]
    frame = pd.concat(frames, ignore_index=True) if len(frames) > 1 else frames[0]
    rows = np.concatenate([own, np.full(len(frame) - len(own), -1)])
    first = ~frame[key].duplicated().to_numpy() if len(frames) > 1 else np.ones(len(frame), dtype=bool)
    if not first.all():
        frame, rows = frame[first], rows[first]
    frame.index = pd.Index(frame[key].astype(object))
    return frame, rows


def dictionary_schema(table: str, columns: Sequence[str]) -> pa.Table:
    """An empty table of some columns."""
    from ventbook.store import record_schema

    return record_schema(table).empty_table().select(list(columns))


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
            loaded, held = work.tables[table], work.outcomes[table].held
            if held.any():
                keys |= set(key_texts(loaded.rows.filter(pa.array(held)), loaded.table.key))
        found[table] = keys - {""}
    return found


def sites_of(work: Work, loaded: Loaded) -> list[str | None]:
    """The site of every row, by its own column or its venting's; None where not known."""
    if not loaded.count:
        return []
    if "site" in loaded.rows.column_names:
        return loaded.rows.column("site").to_pylist()
    if "venting_id" not in loaded.rows.column_names:
        return [None] * loaded.count
    site = _context(work).of_venting(loaded.rows.column("venting_id"), "site")
    return [None if pd.isna(value) else str(value) for value in site]


def _finish(
    work: Work,
    writer: Writer | None,
    sheets: list[Sheet],
    notes: list[tuple[str, str, FileNote]],
    rerun: Rerun,
    accepted: Corrections,
    traces: samples.SampleOutcome | None,
    number: int,
    note: str,
) -> IntakeResult:
    counts: dict[str, dict[str, int]] = {}
    issues, held_rows, cleared = [], [], []
    for name, loaded in work.tables.items():
        outcome = work.outcomes[name]
        fixed = _corrected_rows(loaded)
        stuck = loaded.rerun & outcome.held & ~fixed  # tried again in vain: they stay held as they were
        fresh = ~loaded.rerun
        counts[name] = {
            "rows": int(fresh.sum()),
            "accepted": int((outcome.new & fresh).sum()),
            "duplicate": int((outcome.duplicate & fresh).sum()),
            "corrected": int((outcome.corrected & fresh).sum()),
            "quarantined": int((outcome.held & fresh).sum()),
            "left_out": loaded.left_out,
            "released": int((outcome.good & loaded.rerun).sum()),
        }
        _note_released(loaded, outcome, rerun, fixed)
        sites = sites_of(work, loaded)
        quarantine = build_quarantine(loaded, outcome.held & ~stuck, work.coder, sites, number)
        held_rows.append(quarantine)
        dropped = stuck | outcome.mended
        issues.append(build_issues(loaded, dropped, quarantine, work.coder, sites, number))
        cleared.append(_find_cleared(work, loaded, outcome, rerun, stuck))
    if traces is not None:
        counts["samples"] = traces.counts
        issues += traces.issues
        held_rows += traces.quarantine
    issues.append(_file_issues(sheets, notes, accepted, work, number))
    sources = [
        {
            "file": sheet.file,
            "sheet": sheet.sheet or None,
            "table": sheet.table.name,
            "rows": _rows_of(work, sheet, traces),
            "sha256": sheet.sha256,
            "form": describe_form(sheet),
        }
        for sheet in sheets
    ]
    all_issues = pa.concat_tables(issues)
    all_held = pa.concat_tables([*held_rows, QUARANTINE.empty_table()])
    if writer is not None:
        _write(work, writer, all_issues, all_held, pa.concat_tables([*cleared, CLEARED.empty_table()]))
        if traces is not None:
            traces.commit(writer)
        work.coder.save()
        writer.commit(kind="intake", today=work.today, counts=counts, sources=sources, note=note)
    frame = pd.DataFrame.from_dict(counts, orient="index", dtype="int64")
    frame.index.name = "table"
    return IntakeResult(
        number if writer else None,
        work.today,
        frame,
        to_frame(all_issues),
        to_frame(all_held),
        sources,
        dry_run=writer is None,
    )


def _rows_of(work: Work, sheet: Sheet, traces: samples.SampleOutcome | None) -> int:
    if sheet.table.name == "samples":
        return traces.rows_of.get(id(sheet), 0) if traces else 0
    loaded = work.tables[sheet.table.name]
    number = next(n for n, own in enumerate(loaded.sheets) if own is sheet)
    return int((loaded.source == number).sum())


def _corrected_rows(loaded: Loaded) -> np.ndarray:
    fixed = np.zeros(loaded.count, dtype=bool)
    for fault in loaded.faults:
        if fault.code == "correction_applied":
            fixed[fault.rows] = True
    return fixed


def _note_released(loaded: Loaded, outcome: Outcome, rerun: Rerun, fixed: np.ndarray) -> None:
    rows = np.flatnonzero(outcome.good & loaded.rerun & ~fixed)
    if len(rows):
        first = sum(1 for sheet in loaded.sheets if sheet not in rerun.sheets)
        own = [n for s, n in zip(rerun.sheets, rerun.intakes, strict=True) if s.table is loaded.table]
        values = [str(own[loaded.source[row] - first]) for row in rows]
        loaded.faults.append(Fault("released", "", rows, values))


CLEARED = pa.schema(
    [("intake", pa.int64()), ("file", pa.string()), ("sheet", pa.string()), ("line", pa.int64())]
)


def _find_cleared(work: Work, loaded: Loaded, outcome: Outcome, rerun: Rerun, stuck: np.ndarray) -> pa.Table:
    """Addresses of held rows of earlier intakes that this one mends: by trying again, by reference, by key."""
    earlier = work.earlier("quarantine")
    if earlier is None or not earlier.num_rows:
        return CLEARED.empty_table()
    held = earlier.to_pandas()
    own = (held["table"] == loaded.table.name).to_numpy()
    address = list(zip(held["intake"], held["file"], held["sheet"].fillna(""), held["line"], strict=True))
    wanted: set[tuple[int, str, str, int]] = set()
    first = sum(1 for sheet in loaded.sheets if sheet not in rerun.sheets)
    intakes = [n for s, n in zip(rerun.sheets, rerun.intakes, strict=True) if s.table is loaded.table]
    lines = loaded.rows.column("_line").to_pylist() if loaded.rerun.any() else []
    for row in np.flatnonzero(loaded.rerun & ~stuck):
        sheet = loaded.sheets[loaded.source[row]]
        wanted.add((intakes[loaded.source[row] - first], sheet.file, sheet.sheet or "", lines[row]))
    for text in loaded.references.values():
        parts = text.split("|")
        if len(parts) == 4 and parts[0].isdigit() and parts[3].isdigit():
            wanted.add((int(parts[0]), parts[1], parts[2], int(parts[3])))
    good = outcome.good & ~loaded.rerun
    keys = set(held["key"][own]) - {""}
    mended: set[str] = set()
    if keys and good.any():
        mended = keys & set(key_texts(loaded.rows.filter(pa.array(good)), loaded.table.key))
    hit = np.array([a in wanted for a in address], dtype=bool) | held["key"].isin(mended).to_numpy()
    return earlier.filter(pa.array(own & hit)).select(CLEARED.names)


def _file_issues(
    sheets: list[Sheet],
    notes: list[tuple[str, str, FileNote]],
    accepted: Corrections,
    work: Work,
    number: int,
) -> pa.Table:
    """What is reported once a file, and corrections that could not be applied."""
    entries = [(sheet.file, sheet.sheet, sheet.table.name, n) for sheet in sheets for n in sheet.notes]
    entries += [(file, sheet, "", n) for file, sheet, n in notes]
    for row in accepted.unfit():
        left = FileNote(
            "correction_unfit", column=row.column, line=row.line, particulars={"why": row.outcome}
        )
        entries.append((row.file, row.sheet, "", left))
    out: dict[str, list[Any]] = {name: [] for name in ISSUES.names}
    for file, name, table, entry in entries:
        wording = dictionary.issue(entry.code)
        words: dict[str, Any] = {
            "column": entry.column,
            "value": work.coder.mask_text(shorten(entry.value)),
            "line": entry.line,
            **entry.particulars,
        }
        values = {
            "code": entry.code,
            "severity": wording.severity,
            "table": table,
            "key": "",
            "column": entry.column,
            "file": file,
            "sheet": name or None,
            "line": entry.line,
            "value": words["value"],
            "what": wording.what.format(**words),
            "do": wording.do.format(**words),
            "site": None,
            "rows": 0,
            "intake": number,
        }
        for column, value in values.items():
            out[column].append(value)
    return pa.table(out, schema=ISSUES)


def _write(work: Work, writer: Writer, issues: pa.Table, held: pa.Table, cleared: pa.Table) -> None:
    for name, loaded in work.tables.items():
        outcome = work.outcomes[name]
        if not outcome.accepted.any():
            continue
        add = loaded.rows.filter(pa.array(outcome.accepted))
        at = add.schema.get_field_index("_intake")
        add = add.set_column(at, "_intake", pa.repeat(pa.scalar(writer.number, pa.int64()), add.num_rows))
        drop = None
        if outcome.corrected.any():
            drop = loaded.rows.filter(pa.array(outcome.corrected)).select(list(loaded.table.key))
        writer.change_rows(name, add=add, drop=drop)
    if held.num_rows or cleared.num_rows:
        writer.change_rows(
            "quarantine", add=held if held.num_rows else None, drop=cleared if cleared.num_rows else None
        )
    writer.add_rows("issues", issues)
    repeats = [
        pa.table(
            [
                pa.repeat(name, int(again.sum())),
                pa.array(key_texts(loaded.rows.filter(pa.array(again)), loaded.table.key), pa.string()),
                pa.repeat(pa.scalar(writer.number, pa.int64()), int(again.sum())),
            ],
            schema=REPEATS,
        )
        for name, loaded in work.tables.items()
        if (again := work.outcomes[name].duplicate & ~loaded.rerun).any()
    ]
    if repeats:  # so that withdrawing the first hand-in leaves what a later one said as well
        writer.add_rows("repeats", pa.concat_tables(repeats))


def check_today(today: dt.date | str | None) -> dt.date | None:
    """A date or ISO text as a date; InputError when it is neither."""
    if today is None or isinstance(today, dt.date):
        return today
    try:
        return dt.date.fromisoformat(today)
    except ValueError:
        raise InputError(f"today must be a date such as 2026-09-30, not {today!r}") from None
