"""Writing a snapshot: lock, restore leftovers, write tables, and one row into ``intakes`` last.

What is not named by a row of ``intakes`` does not exist for readers. So a writer that is killed between two tables
leaves the last snapshot whole; the next writer first restores every table whose head is not what the last snapshot
names, for else it would publish the dead writer's rows together with its own.

Data files, log entries and their folders are on the disk before the row that names them is written, and the row before
the mark of the store counts it.
"""

from __future__ import annotations

import datetime as dt
import json
import shutil
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from ventbook import __version__
from ventbook.places import Address, Place, name_below
from ventbook.records.store import delta, snapshots
from ventbook.records.store.locks import hold_lock
from ventbook.records.store.proof import (
    LOG,
    check_files,
    check_log,
    fold_proofs,
    list_log,
    measure_file,
    prove_changes,
    seal_row,
    sync_folder,
)
from ventbook.records.store.snapshots import CONTENT, Snapshot, Store, table_path

PARTITIONED = {"samples": ("quarter",)}


@dataclass
class Writer:
    """Collects the writes of one snapshot; get one from ``write_snapshot``."""

    store: Store
    number: int
    before: Snapshot | None
    versions: dict[str, int] = field(default_factory=dict)
    heads: dict[str, int] = field(
        default_factory=dict
    )  # of every table, after what this writer has written so far
    content: int = CONTENT
    still_held: Callable[[], None] = lambda: None
    ahead: dict[str, Future[Place]] = field(default_factory=dict)
    pool: ThreadPoolExecutor = field(default_factory=lambda: ThreadPoolExecutor(1))

    def write_ahead(self, table: str, rows: Callable[[], pa.Table]) -> None:
        """Begin to write rows on another thread; the next ``change_rows`` of the table names them. Until the commit
        no reader sees the file.
        """
        path = self.path_of(table)

        def write() -> Place:
            return delta.write_file(path, rows(), self.number)

        self.ahead[table] = self.pool.submit(write)

    def add_rows(self, table: str, rows: pa.Table) -> None:
        """Append rows (bookkeeping columns included)."""
        if rows.num_rows:
            self.change_rows(table, add=rows)

    def change_rows(
        self,
        table: str,
        *,
        add: pa.Table | None = None,
        drop: pa.Table | None = None,
        drop_intake: int | None = None,
        intake_column: str = "_intake",
    ) -> None:
        """One Delta commit: take out the rows whose key stands in ``drop`` (columns = the key), take out the rows
        that intake ``drop_intake`` wrote, and add rows.
        """
        path = self.path_of(table, add.schema if add is not None else None)
        schema = (
            snapshots.schema_of(table) if table in _described() else (add.schema if add is not None else None)
        )
        if schema is None:
            return
        new, gone = [], []
        only_add = drop is None and drop_intake is None
        for file in () if only_add else self.files_now(table):
            rows = delta.read_files([file], schema)
            keep = _keep_mask(rows, drop, drop_intake, intake_column)
            kept = rows.num_rows if keep is None else int(pc.sum(keep).as_py() or 0)
            if kept < rows.num_rows:
                gone.append(file)
                if kept:
                    new.append(delta.write_file(path, rows.filter(keep), self.number))
        if table in self.ahead:
            new.append(self.ahead.pop(table).result())
        if add is not None and add.num_rows:
            new.append(delta.write_file(path, add.select(schema.names).cast(schema), self.number))
        if new or gone:
            self._commit_files(table, schema, new, gone)

    def rewrite_rows(
        self, table: str, change: Callable[[pa.Table], pa.Table], columns: Sequence[str]
    ) -> None:
        """Put ``change(rows)`` in the place of each file's rows, where it gives back others than it was given.

        ``columns`` are what ``change`` looks at: only these are read of a file in which there is nothing to change.
        """
        path, schema = self.path_of(table), snapshots.schema_of(table)
        new, gone = [], []
        for file in self.files_now(table):
            part = delta.read_files([file], schema, columns)
            if change(part) is part:
                continue
            rows = delta.read_files([file], schema)
            changed = change(rows)
            if changed is not rows:
                gone.append(file)
                new.append(delta.write_file(path, changed, self.number))
        if gone:
            self._commit_files(table, schema, new, gone)

    def files_now(self, table: str) -> list[Place]:
        """The Parquet files of a table after what this writer has written so far."""
        path = table_path(self.store.path, table)
        files = delta.list_files(path, self.heads[table])
        proof = self.before.proof if self.before is not None else None
        known = proof[table].files if proof is not None and table in proof else {}
        names = {name_below(file, path) for file in files}
        check_files(self.store.path, table, {name: known[name] for name in names & set(known)})
        return files

    def read_now(self, table: str, columns: Sequence[str]) -> pa.Table:
        """Columns of a table as they stand after what this writer has written so far."""
        return delta.read_files(self.files_now(table), snapshots.schema_of(table), columns)

    def add_files(
        self,
        table: str,
        schema: pa.Schema,
        files: Sequence[Place],
        partitions: dict[Place, dict[str, str | None]],
        remove: Sequence[Place] = (),
    ) -> None:
        """Name files that were written beforehand into the table's folder (samples)."""
        self.path_of(table, schema)
        by = PARTITIONED.get(table, ())
        full = pa.schema([*schema, *[pa.field(name, pa.string()) for name in by]])
        self._commit_files(table, full, files, remove, partitions, by)

    def _commit_files(self, table: str, *what: Any) -> None:
        """One Delta commit on the version that this writer knows."""
        self.still_held()
        path = table_path(self.store.path, table)
        self.versions[table] = self.heads[table] = delta.commit_files(path, *what, after=self.heads[table])

    def path_of(self, table: str, schema: pa.Schema | None = None) -> Place:
        """The table's folder; the table is made where it doesn't exist, widened where the dictionary has grown."""
        path = table_path(self.store.path, table)
        shape = snapshots.schema_of(table) if table in _described() else schema
        if shape is None:
            return path
        by = PARTITIONED.get(table, ())
        full = pa.schema([*shape, *[pa.field(name, pa.string()) for name in by]])
        self._make_table(table, full, by)
        self.versions.setdefault(table, self.heads[table])
        return path

    def _make_table(self, table: str, shape: pa.Schema, by: Sequence[str] = ()) -> None:
        """The table is made where it doesn't exist, widened where it has fewer columns; ``heads`` says at which version it is."""
        path = table_path(self.store.path, table)
        if table not in self.heads:
            delta.create_table(path, shape, by)
            self.heads[table] = 0
        elif not by:
            self.heads[table] += delta.widen_schema(path, shape)

    def commit(
        self,
        *,
        kind: str,
        today: dt.date,
        counts: dict[str, dict[str, int]],
        sources: list[dict[str, Any]],
        note: str = "",
        withdrawn: int | None = None,
    ) -> int:
        """Write the row that makes the snapshot; returns its number."""
        known = fold_proofs(self.store.intake_rows()["proof"])
        path = table_path(self.store.path, "intakes")
        self._make_table("intakes", snapshots.INTAKES)
        resting = {**self.versions, "intakes": self.heads["intakes"]}
        proof = prove_changes(self.store.path, resting, known)
        row: dict[str, Any] = {
            "number": self.number,
            "kind": kind,
            "today": today,
            "committed_at": dt.datetime.now(dt.UTC).replace(tzinfo=None),
            "withdrawn": withdrawn,
            "note": note,
            "versions": json.dumps(dict(sorted(self.versions.items()))),
            "counts": json.dumps(counts),
            "sources": json.dumps(sources),
            "content": self.content,
            "library": __version__,
            "proof": proof,
        }
        row["seal"] = seal_row(row)
        rows = pa.table({name: [row[name]] for name in snapshots.INTAKES.names}, schema=snapshots.INTAKES)
        file = delta.write_file(path, rows, self.number)
        measure_file(file, sync=True)
        self.still_held()
        delta.commit_files(path, snapshots.INTAKES, [file], after=self.heads["intakes"])
        own = [name_below(file, path)]
        own += [name for name in list_log(path) if name not in fold_proofs([proof])["intakes"].log]
        last = {name: measure_file(path / name, sync=True) for name in own}
        sync_folder(path)
        sync_folder(path / LOG)
        snapshots.write_mark(self.store.path, snapshots=self.number, last=last)
        return self.number


@contextmanager
def write_snapshot(store: Store, *, make: bool = False) -> Iterator[Writer]:
    """Hold the store's lock, repair what a killed writer left, and give a writer for the next snapshot.

    With ``make`` a missing or empty folder becomes a store, and is taken away again when its first snapshot comes to
    nothing. Nothing is looked at or cleaned before the lock is held.
    """
    there = store.path.exists()
    if make:
        snapshots.prepare_folder(store.path)
    with hold_lock(store.path / snapshots.LOCK) as still_held:
        new = make and snapshots.make_mark(store.path)
        try:
            head = delta.head_version(table_path(store.path, "intakes"))
            before = None if store.empty else store.snapshot()
            if before is not None and before.proof is not None:
                check_log(store.path, before.proof)
            versions, heads = restore_heads(store, before)
            heads |= {"intakes": head} if head is not None else {}
            writer = Writer(store, 1 if before is None else before.number + 1, before, versions, heads)
            writer.still_held = still_held
            if before is not None:
                writer.content = before.content
            try:
                yield writer
            finally:
                writer.pool.shutdown(cancel_futures=True)
        except BaseException as error:
            if new and not table_path(store.path, "intakes").exists():
                still_held()
                _take_away(store.path, whole=not there)
            told = delta.tell_no_room(store.path, error) if isinstance(error, OSError) else None
            if told is not None:  # while traces were written, for one
                raise told from None
            raise


def _take_away(path: Place, *, whole: bool) -> None:
    if isinstance(path, Address):  # the lock is held, and stays
        for place, _ in path.states():
            if place != path / snapshots.LOCK:
                place.unlink()
        return
    for entry in path.iterdir():
        if entry.is_dir():
            shutil.rmtree(entry, ignore_errors=True)
        elif entry.name != snapshots.LOCK or whole:
            entry.unlink(missing_ok=True)
    if whole:
        with suppress(OSError):
            path.rmdir()


def restore_heads(store: Store, last: Snapshot | None) -> tuple[dict[str, int], dict[str, int]]:
    """Bring every table's head back to the last snapshot; returns the versions that now say the same as it, and the heads of
    all tables but ``intakes``.

    A table that the snapshot doesn't know (made by a killed writer) goes back to its empty version 0.
    """
    named = last.versions if last is not None else {}
    versions, heads = dict(named), {}
    folder = store.path / "tables"
    for name in sorted(path.name for path in (folder.iterdir() if folder.is_dir() else ())):
        path = folder / name
        head = delta.head_version(path)
        if head is None or name == "intakes":
            continue
        wanted = named.get(name, 0)
        if head != wanted:
            delta.restore_version(path, wanted)
            head = _head(path)
        heads[name] = head
        if name in named:
            versions[name] = head
    return versions, heads


def _described() -> set[str]:
    from ventbook import tables

    return set(snapshots.FIXED) | set(tables.record_tables())


def _head(path: Place) -> int:
    head = delta.head_version(path)
    assert head is not None
    return head


def _keep_mask(
    rows: pa.Table, drop: pa.Table | None, drop_intake: int | None, intake_column: str
) -> pa.ChunkedArray | pa.Array | None:
    keep = None
    if drop is not None and drop.num_rows:
        keep = pc.invert(is_among(rows, drop))
    if drop_intake is not None:
        other = pc.not_equal(pc.fill_null(rows.column(intake_column), -1), drop_intake)
        keep = other if keep is None else pc.and_(keep, other)
    return keep


def is_among(rows: pa.Table, keys: pa.Table) -> pa.Array:
    """True where the row's values in the columns of ``keys`` stand together in ``keys`` (None equals None)."""
    names = keys.column_names
    first = pc.is_in(rows.column(names[0]), value_set=_flat(keys.column(names[0])))
    if len(names) == 1 or not pc.any(first).as_py():
        return first
    import pandas as pd

    both = pa.concat_tables([keys, rows.select(names).cast(keys.schema)]).to_pandas()
    codes = both.groupby(names, dropna=False, sort=False).ngroup().to_numpy()
    inside = pd.Series(codes[keys.num_rows :]).isin(codes[: keys.num_rows])
    return pa.array(inside.to_numpy())


def _flat(column: pa.ChunkedArray) -> pa.Array:
    return column.combine_chunks() if isinstance(column, pa.ChunkedArray) else column
