"""One intake from files to snapshot, its end included: counts, issues, quarantined rows and what they clear, the write."""

from __future__ import annotations

import datetime as dt
import json
import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from ventbook import tables
from ventbook.cluster import has_workers, use_workers
from ventbook.errors import InputError
from ventbook.places import Place, find_place
from ventbook.records import privacy, readers
from ventbook.records.intake import checks, patterns, samples
from ventbook.records.intake.columns import check_columns
from ventbook.records.intake.context import Fault, merge_notes, shorten
from ventbook.records.intake.corrections import Corrections, load_corrections
from ventbook.records.intake.keys import (
    IN_DOUBT,
    Outcome,
    compare_with_store,
    find_repeats,
    key_texts,
    plain_words,
    repeat_faults,
)
from ventbook.records.intake.load import (
    PLACES,
    Loaded,
    ask_about_persons,
    hide_sheet,
    load_table,
    mask_names,
    read_file,
)
from ventbook.records.intake.masking import mask_again
from ventbook.records.intake.quarantine import (
    Rerun,
    build_issues,
    build_quarantine,
    describe_form,
    find_rerun,
    has_code,
)
from ventbook.records.intake.samples import Work, are_taken, find_context, sites_of
from ventbook.records.intake.trace_features import renew_features
from ventbook.records.intake.upgrade import upgrade_store
from ventbook.records.readers import FileNote, Sheet
from ventbook.records.store import (
    CONTENT,
    ISSUES,
    QUARANTINE,
    REPEATS,
    Store,
    Writer,
    is_made,
    plain_original,
    to_frame,
    write_snapshot,
)

CLEARED = pa.schema(
    [("intake", pa.int64()), ("file", pa.string()), ("sheet", pa.string()), ("line", pa.int64())]
)
ORDER = ("engines", "ventings", "planned", "starts", "lifter_checks", "samples", "gauge_readings")
WRITE_AHEAD = 20_000  # tables larger than this are written while the rest of the work goes on
Progress = Callable[[str], None]


@dataclass
class IntakeResult:
    """What an intake did. ``counts`` has one row a table: rows (handed in), accepted, duplicate, corrected,
    quarantined, left_out (lines that are no records), released (rows quarantined before that were taken now);
    rows = accepted + duplicate + corrected + quarantined. ``issues`` and ``quarantine`` are this intake's own.
    ``number`` is the snapshot's, None on a dry run. Where files that the store knows already bring nothing new, nothing
    is written: ``unchanged`` is True then, and ``number`` the snapshot that stands.
    """

    number: int | None
    today: dt.date
    counts: pd.DataFrame
    issues: pd.DataFrame
    quarantine: pd.DataFrame
    sources: list[dict[str, Any]]
    dry_run: bool = False
    unchanged: bool = False


def finish_intake(
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
        fresh = ~loaded.rerun
        left = outcome.superseded.copy()
        if left.any():
            left &= ~loaded.share_key(outcome.good & fresh)  # by a row that is quarantined itself
        stuck = (loaded.rerun & outcome.quarantined & ~fixed) | left  # they stay quarantined as they were
        counts[name] = {
            "rows": int(fresh.sum()),
            "accepted": int((outcome.new & fresh).sum()),
            "duplicate": int((outcome.duplicate & fresh).sum()),
            "corrected": int((outcome.corrected & fresh).sum()),
            "quarantined": int((outcome.quarantined & fresh).sum()),
            "left_out": loaded.left_out,
            "released": int((outcome.good & loaded.rerun).sum()),
        }
        _note_released(loaded, outcome, rerun, fixed)
        sites = partial(sites_of, work, loaded)
        quarantine = build_quarantine(loaded, outcome.quarantined & ~stuck, work, sites, number)
        held_rows.append(quarantine)
        dropped = stuck | outcome.superseded
        issues.append(build_issues(loaded, dropped, quarantine, work.coder, sites, number))
        cleared.append(_find_cleared(work, loaded, outcome, rerun, stuck, quarantine))
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
            **({"lines": sheet.account} if sheet.account else {}),
        }
        for sheet in sheets
    ]
    all_issues = pa.concat_tables(issues)
    all_held = pa.concat_tables([*held_rows, QUARANTINE.empty_table()])
    changes = pa.concat_tables([*cleared, CLEARED.empty_table()])
    unchanged = (
        writer is not None
        and not accepted.rows
        and not changes.num_rows
        and _brings_nothing(work, sheets, traces, all_held)
        and not renew_features(writer)
    )
    if writer is not None and not unchanged:
        _write(work, writer, all_issues, all_held, changes)
        if traces is not None:
            traces.commit(writer)
        renew_features(writer)
        note = "; ".join(filter(None, [note, upgrade_store(writer)]))
        if work.coder.new_names:
            mask_again(writer, work.coder)
        writer.still_held()  # else another's names may stand there by now
        work.coder.save()
        writer.commit(kind="intake", today=work.today, counts=counts, sources=sources, note=note)
    frame = pd.DataFrame.from_dict(counts, orient="index", dtype="int64")
    frame.index.name = "table"
    if unchanged and work.before is not None:
        number = work.before.number
    return IntakeResult(
        number if writer else None,
        work.today,
        frame,
        to_frame(all_issues),
        to_frame(all_held),
        sources,
        dry_run=writer is None,
        unchanged=unchanged,
    )


def _brings_nothing(
    work: Work, sheets: list[Sheet], traces: samples.SampleOutcome | None, held: pa.Table
) -> bool:
    """True where every file was handed in before and every row of it stands in the store, accepted or quarantined."""
    before = work.before
    if before is None or before.proof is None or before.content < CONTENT:
        return False  # what an earlier version wrote is brought up to date by the next intake, whatever it brings
    if any(outcome.accepted.any() for outcome in work.outcomes.values()):
        return False
    if traces is not None and (traces.counts["accepted"] or traces.counts["corrected"]):
        return False
    rows = Store(before.path).intake_rows(before.number)
    rows = rows[(rows["kind"] == "intake") & ~rows["number"].isin(rows["withdrawn"].dropna())]
    known = {
        (s["sha256"], s.get("sheet") or "") for text in rows["sources"] for s in json.loads(text or "[]")
    }
    if not {(sheet.sha256, sheet.sheet or "") for sheet in sheets} <= known:
        return False
    earlier = work.earlier("quarantine")
    return not _count_held(held) - (Counter() if earlier is None else _count_held(earlier))


def _count_held(held: pa.Table) -> Counter[tuple[str, str]]:
    pairs = zip(held.column("table").to_pylist(), held.column("original").to_pylist(), strict=True)
    return Counter((table, plain_original(text)) for table, text in pairs)


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


def _find_cleared(
    work: Work, loaded: Loaded, outcome: Outcome, rerun: Rerun, stuck: np.ndarray, held: pa.Table
) -> pa.Table:
    """Addresses of quarantined rows of earlier intakes that this one corrects: by trying again, by reference, by key.

    A row given back and handed in again as it was clears nothing: it is one held row, handed in once more.
    """
    earlier = work.earlier("quarantine")
    if earlier is None or not earlier.num_rows:
        return CLEARED.empty_table()
    quarantined = earlier.to_pandas()
    own = (quarantined["table"] == loaded.table.name).to_numpy()
    address = list(
        zip(
            quarantined["intake"],
            quarantined["file"],
            quarantined["sheet"].fillna(""),
            quarantined["line"],
            strict=True,
        )
    )
    wanted: set[tuple[int, str, str, int]] = set()
    first = sum(1 for sheet in loaded.sheets if sheet not in rerun.sheets)
    intakes = [n for s, n in zip(rerun.sheets, rerun.intakes, strict=True) if s.table is loaded.table]
    lines = loaded.rows.column("_line").to_pylist() if loaded.rerun.any() else []
    for row in np.flatnonzero(loaded.rerun & ~stuck):
        sheet = loaded.sheets[loaded.source[row]]
        wanted.add((intakes[loaded.source[row] - first], sheet.file, sheet.sheet or "", lines[row]))
    said_before = dict(zip(address, map(plain_original, quarantined["original"]), strict=True))
    still = set(map(plain_original, held.column("original").to_pylist()))
    for position, text in loaded.references.items():
        parts = work.coder.mask_text(text).split("|")
        if len(parts) == 4 and parts[0].isdigit() and parts[3].isdigit():
            old = (int(parts[0]), parts[1], parts[2], int(parts[3]))
            if outcome.good[position] or said_before.get(old) not in still:
                wanted.add(old)
    good = outcome.good & ~loaded.rerun
    in_doubt = np.logical_or.reduce([has_code(quarantined, code) for code in sorted(IN_DOUBT)])
    hit = np.array([a in wanted for a in address], dtype=bool)
    hit |= own & ~in_doubt & _are_said_again(loaded, good, quarantined)
    if (own & in_doubt).any():
        hit |= own & in_doubt & are_taken(work, loaded, good, quarantined)
    return earlier.filter(pa.array(own & hit)).select(CLEARED.names)


def _are_said_again(loaded: Loaded, good: np.ndarray, quarantined: pd.DataFrame) -> np.ndarray:
    """True for the quarantined rows whose key a good row of this intake carries; of a venting, at the same site."""
    rows = loaded.rows.filter(pa.array(good))
    texts = key_texts(rows, loaded.table.key)
    again = quarantined["key"].isin(set(texts) - {""}).to_numpy(bool)
    if loaded.table.name != "ventings" or not again.any():
        return again
    sites = dict(zip(texts, map(plain_words, rows.column("site").to_pylist()), strict=True))
    pairs = zip(quarantined["key"], quarantined["site"], strict=True)
    elsewhere = [isinstance(site, str) and sites.get(key) != plain_words(site) for key, site in pairs]
    return again & ~np.array(elsewhere, dtype=bool)


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

    def clean(word: Any) -> Any:
        return work.coder.mask_text(word) if isinstance(word, str) else word

    for file, name, table, entry in entries:
        wording = tables.issue_text(entry.code)
        words: dict[str, Any] = {
            "column": clean(entry.column),
            "value": shorten(clean(entry.value)),
            "line": entry.line,
            **{name: clean(text) for name, text in entry.particulars.items()},
        }
        values = {
            "code": entry.code,
            "severity": wording.severity,
            "table": table,
            "key": "",
            "column": words["column"],
            "file": clean(file),
            "sheet": clean(name) or None,
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


def accepted_rows(loaded: Loaded, outcome: Outcome, number: int) -> pa.Table:
    """The rows to write, marked with the intake's number."""
    rows = loaded.rows.filter(pa.array(outcome.accepted))
    at = rows.schema.get_field_index("_intake")
    return rows.set_column(at, "_intake", pa.repeat(pa.scalar(number, pa.int64()), rows.num_rows))


def _write(work: Work, writer: Writer, issues: pa.Table, quarantined: pa.Table, cleared: pa.Table) -> None:
    for name, loaded in work.tables.items():
        outcome = work.outcomes[name]
        if not outcome.accepted.any():
            continue
        add = None if name in writer.ahead else accepted_rows(loaded, outcome, writer.number)
        drop = None
        if outcome.corrected.any():
            drop = loaded.rows.filter(pa.array(outcome.corrected)).select(list(loaded.table.key))
        writer.change_rows(name, add=add, drop=drop)
    if quarantined.num_rows or cleared.num_rows:
        writer.change_rows(
            "quarantine",
            add=quarantined if quarantined.num_rows else None,
            drop=cleared if cleared.num_rows else None,
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


def ingest(
    paths: str | Path | Iterable[str | Path],
    *,
    store: str | Place | Store,
    mapping: str | Path | None = None,
    today: dt.date | str | None = None,
    dry_run: bool = False,
    corrections: str | Path | None = None,
    progress: Progress | None = None,
    note: str = "",
    cluster: str | None = None,
) -> IntakeResult:
    """Read, check and commit record files (files or folders of them) as one snapshot.

    Files handed in together are checked together: a start finds its venting in the store or in the same intake.
    ``store`` is made where it doesn't exist (not on a dry run, which writes nothing). ``today`` is the date (or its
    ISO text) that counts as today for this snapshot and later reports on it. ``cluster`` is the address of a Dask
    scheduler whose workers read and convert the files and reduce the traces; without it that is done by the workers in use
    (:func:`ventbook.cluster.use_workers`). Raises InputError, one line a fault, when a file, the mapping, the store or the
    cluster can't be used; nothing is written then.
    """
    if cluster:
        with use_workers(cluster):
            return ingest(
                paths, store=store, mapping=mapping, today=today, dry_run=dry_run, corrections=corrections,
                progress=progress, note=note,
            )  # fmt: skip
    paths = [paths] if isinstance(paths, (str, Path)) else list(paths)
    today = check_today(today) or dt.date.today()
    sources = readers.load_mapping(mapping)
    accepted = load_corrections(corrections)
    sheets: list[Sheet] = []
    notes: list[tuple[str, str, FileNote]] = []
    if paths or not accepted.rows:
        # corrections are made on the text as it was handed in, so then the rest of the reading is done here
        ahead = has_workers() and not accepted.rows
        sheets, notes = readers.open_sheets(
            paths, sources, open_one=partial(read_file, today=today) if ahead else None
        )
    target = store if isinstance(store, Store) else Store(find_place(store))
    context: AbstractContextManager[Writer | None] = nullcontext(None)
    if not dry_run:
        context = write_snapshot(target, make=not isinstance(store, Store))
    made = not dry_run or is_made(target.path)
    with context as writer:
        before = writer.before if writer else target.snapshot() if made and not target.empty else None
        coder = privacy.open_coder(target.path if made else None, coded=before is not None and before.coded)
        accepted.clean = coder.mask_text
        work = Work(before, today, coder, target.path)
        rerun = find_rerun(before, accepted)
        try:
            return _run(work, writer, sheets, notes, rerun, accepted, progress, note)
        finally:
            work.context = None  # it holds the work, which holds it: all rows would stay a while


@contextmanager
def use_system_memory() -> Iterator[None]:
    """Let Arrow take its memory from the system's allocator, which hands the same pages out again: at a million rows a sixth
    of an intake's processor time went into fresh ones with Arrow's own.
    """
    before = pa.default_memory_pool()
    pa.set_memory_pool(pa.system_memory_pool())
    try:
        yield
    finally:
        pa.set_memory_pool(before)


@use_system_memory()
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
        table = tables.record_tables()[name]
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
    ask_about_persons(work.tables.values())
    places = [work.earlier("engines"), work.earlier("ventings"), *(own.rows for own in work.tables.values())]
    work.coder.keep = name_places(rows for rows in places if rows is not None)
    for loaded in work.tables.values():  # now every name of the intake is known
        mask_names(loaded, work.coder, work.standing())
    for sheet in [*sheets, *rerun.sheets]:
        hide_sheet(sheet, work.coder)
    note = work.coder.mask_text(note)
    for loaded in work.tables.values():
        if progress:
            progress(f"checking {loaded.table.name.replace('_', ' ')}")
        _judge(work, loaded)
        outcome = work.outcomes[loaded.table.name]
        if writer is not None and int(outcome.accepted.sum()) > WRITE_AHEAD:
            rows = partial(accepted_rows, loaded, outcome, writer.number)
            writer.write_ahead(loaded.table.name, rows)
    if progress:
        progress("checking patterns by site")
    for name, loaded in work.tables.items():
        loaded.faults += patterns.find_patterns(loaded, work.outcomes[name], find_context(work))
    traces = (
        samples.take_samples(large, work, writer, find_context(work), accepted, progress) if large else None
    )
    return finish_intake(work, writer, sheets, notes, rerun, accepted, traces, number, note)


def name_places(found: Iterable[pa.Table]) -> frozenset[str]:
    """Words, small, of sites and engine types: in an identifier they name a place, whoever is called so too."""
    said: set[str] = set()
    for rows in found:
        for column in PLACES:
            if column in rows.column_names:
                said |= set(rows.column(column).unique().to_pylist())
    return frozenset(word.casefold() for text in said if text for word in re.findall(r"[^\W\d_]+", text))


def _judge(work: Work, loaded: Loaded) -> None:
    """Every rule on one table, in the order that lets a table refer to those before it."""
    name = loaded.table.name
    earlier = partial(work.earlier, name)
    check_columns(loaded, earlier)
    quarantined = loaded.quarantined()
    duplicate, superseded = find_repeats(loaded, quarantined)
    alive = ~loaded.quarantined() & ~duplicate & ~superseded
    # The rows judged so far stand for the table, so that rules may look at neighbours in the same intake.
    zero = np.zeros(loaded.count, dtype=bool)
    before = work.outcomes[name] = Outcome(alive, zero, duplicate, loaded.quarantined(), superseded)
    work.context = None if name in ("engines", "ventings") else work.context
    context = find_context(work)
    for rule in checks.RULES.get(name, ()):
        loaded.faults += rule(loaded, alive, context)
    loaded.faults[:] = merge_notes(loaded.faults)
    quarantined = loaded.quarantined() & ~superseded
    alive = ~quarantined & ~duplicate & ~superseded
    duplicate &= ~quarantined
    # a row tried again that only repeats another: where that one stays quarantined, so does this
    gone = duplicate & ~loaded.share_key(alive) if duplicate.any() else zero
    superseded |= gone & loaded.rerun
    repeat_faults(loaded, before.new, gone & ~loaded.rerun)  # and so is a fresh one
    quarantined |= gone & ~loaded.rerun
    duplicate &= ~gone
    known, corrected = compare_with_store(loaded, alive, earlier)
    duplicate |= known
    work.outcomes[name] = Outcome(alive & ~known & ~corrected, corrected, duplicate, quarantined, superseded)
    if name in ("engines", "ventings") and not np.array_equal(before.good, work.outcomes[name].good):
        work.context = None  # rows that the rules above quarantined are no longer there to refer to


def check_today(today: dt.date | str | None) -> dt.date | None:
    """A date or ISO text as a date; InputError when it is neither."""
    if today is None or isinstance(today, dt.date):
        return today
    try:
        return dt.date.fromisoformat(today)
    except ValueError:
        raise InputError(f"today must be a date such as 2026-09-30, not {today!r}") from None
