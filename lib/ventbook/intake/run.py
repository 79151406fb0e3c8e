"""One intake from files to snapshot."""

from __future__ import annotations

import datetime as dt
import shutil
from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from functools import partial
from pathlib import Path

import numpy as np

from ventbook import dictionary, privacy, readers
from ventbook.errors import InputError
from ventbook.readers import FileNote, Sheet
from ventbook.store import Store, Writer, write_snapshot
from ventbook.store import create_store as create_store_at

from . import across, patterns, samples
from .columns import check_columns
from .corrections import Corrections, load_corrections
from .faults import merge_notes
from .finish import IntakeResult, accepted_rows, finish_intake
from .held import Rerun, find_rerun
from .keys import Outcome, compare_with_store, find_repeats
from .load import Loaded, load_table, mask_names
from .work import Work, find_context

ORDER = ("engines", "ventings", "planned", "starts", "lifter_checks", "samples", "gauge_readings")
WRITE_AHEAD = 20_000  # tables larger than this are written while the rest of the work goes on
Progress = Callable[[str], None]


def take_in(
    paths: str | Path | Iterable[str | Path],
    *,
    store: str | Path | Store,
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
    scheduler whose workers reduce the traces; without it they are reduced here. Raises InputError, one line a fault,
    when a file, the mapping or the store can't be used; nothing is written then.
    """
    paths = [paths] if isinstance(paths, (str, Path)) else list(paths)
    today = check_today(today) or dt.date.today()
    sources = readers.load_mapping(mapping)
    accepted = load_corrections(corrections)
    sheets: list[Sheet] = []
    notes: list[tuple[str, str, FileNote]] = []
    if paths or not accepted.rows:
        sheets, notes = readers.open_sheets(paths, sources)
    target = store if isinstance(store, Store) else None
    exists = True
    if target is None:
        exists = Path(store).exists()  # type: ignore[arg-type]
        target = None if dry_run and not exists else create_store_at(store)  # type: ignore[arg-type]
    context: AbstractContextManager[Writer | None]
    context = nullcontext(None) if dry_run or target is None else write_snapshot(target)
    with _no_empty_store(target, new=not dry_run and not exists), context as writer:
        before = (
            writer.before
            if writer
            else target.snapshot()
            if target is not None and not target.empty
            else None
        )
        coder = privacy.open_coder(target.path if target is not None else None)
        place = target.path if target is not None else Path(store)  # type: ignore[arg-type]
        work = Work(before, today, coder, cluster, place)
        rerun = find_rerun(before, accepted)
        return _run(work, writer, sheets, notes, rerun, accepted, progress, note)


@contextmanager
def _no_empty_store(store: Store | None, *, new: bool) -> Iterator[None]:
    """Take a store that was just made away again when its first intake comes to nothing."""
    try:
        yield
    except BaseException:
        if new and store is not None and store.empty:
            shutil.rmtree(store.path, ignore_errors=True)
        raise


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
    context = find_context(work)
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


def check_today(today: dt.date | str | None) -> dt.date | None:
    """A date or ISO text as a date; InputError when it is neither."""
    if today is None or isinstance(today, dt.date):
        return today
    try:
        return dt.date.fromisoformat(today)
    except ValueError:
        raise InputError(f"today must be a date such as 2026-09-30, not {today!r}") from None
