"""One Delta table: create, add and take out Parquet files in one commit, read at a version.

Files are written and read by pyarrow; the Delta log says which files a version consists of. (The pyarrow bridge
of the Delta package is not used: reading through it left the interpreter with an abort at exit.)

One writer at a time: an operating-system lock on a file, so that a killed writer leaves no stale lock.
"""

from __future__ import annotations

import errno
import json
import os
import sys
import time
import uuid
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pyarrow as pa
import pyarrow.parquet as pq

from ventbook.errors import InputError

KEEP = {
    "delta.enableExpiredLogCleanup": "false",  # the default forgets old versions after 30 days
    "delta.logRetentionDuration": "interval 36500 days",
    "delta.deletedFileRetentionDuration": "interval 36500 days",
}


class StoreError(InputError):
    """A store that isn't there, can't be read, or is being written by someone else."""


NO_ROOM = {errno.ENOSPC, errno.EFBIG, getattr(errno, "EDQUOT", errno.ENOSPC)}

NO_ROOM_WORDS = ("No space left", "File too large", "os error 28", "os error 27")


def advise(store: Path) -> str:
    """What to do about a damaged store."""
    return f"ventbook store check --store {store} says what is whole and what to restore"


def tell_no_room(path: Path, error: BaseException) -> StoreError | None:
    """The one line where a disk is full, None where ``error`` is another."""
    text = str(error)
    full = getattr(error, "errno", None) in NO_ROOM or any(words in text for words in NO_ROOM_WORDS)
    if not full:
        return None
    return StoreError(
        f"{path}: no room left on the disk; make room and run again, the last snapshot is whole"
    )


@contextmanager
def tell_trouble(path: Path) -> Iterator[None]:
    """Whatever a library says of a table's folder or file becomes one line: which, and what to do."""
    try:
        yield
    except StoreError:
        raise
    except BaseException as error:  # a panic of the Delta package is no Exception
        if not isinstance(error, Exception) and type(error).__name__ != "PanicException":
            raise
        if (told := tell_no_room(path, error)) is not None:
            raise told from None
        text = str(error)
        if isinstance(error, PermissionError) or "Permission denied" in text:
            raise StoreError(f"{path}: may not be read or written; ask for the right to it") from None
        if not isinstance(error, (OSError, ValueError)) and not _is_library_error(error):
            raise
        store = next((p.parent for p in [path, *path.parents] if p.name == "tables"), path)
        raise StoreError(f"{path}: missing or damaged; {advise(store)}") from None


def _is_library_error(error: BaseException) -> bool:
    return type(error).__module__.split(".")[0] in ("deltalake", "_internal", "pyarrow", "pyo3_runtime")


def create_table(path: Path, schema: pa.Schema, partition_by: Sequence[str] = ()) -> None:
    """An empty Delta table at version 0 that keeps every version."""
    from deltalake import DeltaTable

    with tell_trouble(path):
        path.mkdir(parents=True, exist_ok=True)
        DeltaTable.create(
            str(path), schema=schema, partition_by=list(partition_by) or None, configuration=dict(KEEP)
        )


def head_version(path: Path) -> int | None:
    """The newest version of the table, None where there is none."""
    from deltalake import DeltaTable

    if not any((path / "_delta_log").glob("[0-9]*.json")):  # also where a killed writer only made the folder
        return None
    with tell_trouble(path):
        return int(DeltaTable(str(path)).version())


def restore_version(path: Path, version: int) -> None:
    """Make the head say again what ``version`` said; the versions between stay in the history."""
    from deltalake import DeltaTable

    with tell_trouble(path):
        DeltaTable(str(path)).restore(version)


def widen_schema(path: Path, schema: pa.Schema) -> None:
    """Add columns that the dictionary has gained since the table was made (rows before read as not recorded)."""
    from deltalake import DeltaTable
    from deltalake.schema import Field, Schema

    with tell_trouble(path):
        table = DeltaTable(str(path))
        have = {field.name for field in table.schema().fields}
        new = pa.schema([field for field in schema if field.name not in have])
        if len(new):
            fields: list[Field] = list(Schema.from_arrow(new).fields)
            table.alter.add_columns(fields)


def list_files(path: Path, version: int) -> list[Path]:
    """The Parquet files a version consists of, sorted by name."""
    from deltalake import DeltaTable

    # not file_uris, which writes a space in the folder's own name as %20
    with tell_trouble(path):
        actions: Any = DeltaTable(str(path), version=version).get_add_actions(flatten=True)
        names = pa.table(actions).column("path").to_pylist()
    return sorted(path / unquote(name) for name in names)


def read_files(
    files: Iterable[Path], schema: pa.Schema, columns: Sequence[str] | None = None, where: Any = None
) -> pa.Table:
    """Rows of the files as one table of ``schema``; a column that a file lacks reads as null."""
    wanted = pa.schema([schema.field(name) for name in columns]) if columns is not None else schema
    parts = []
    for file in files:
        with tell_trouble(file):
            has = set(pq.read_schema(file).names)
            names = [name for name in wanted.names if name in has]
            part = pq.read_table(
                file, columns=names, filters=where, partitioning=None, page_checksum_verification=True
            )
        if part.schema.names != wanted.names:
            part = pa.table(
                [
                    part.column(field.name) if field.name in names else pa.nulls(part.num_rows, field.type)
                    for field in wanted
                ],
                schema=wanted,
            )
        parts.append(part.cast(wanted))
    return pa.concat_tables(parts) if parts else wanted.empty_table()


def new_file(path: Path, number: int, folder: str = "") -> Path:
    """A name for a new Parquet file of intake ``number`` that no other file has."""
    target = path / folder
    with tell_trouble(target):
        target.mkdir(parents=True, exist_ok=True)
    return target / f"part-{number:05d}-{uuid.uuid4().hex}.parquet"


def write_file(path: Path, rows: pa.Table, number: int) -> Path:
    """Write ``rows`` as one Parquet file; no reader sees it before ``commit_files`` names it."""
    file = new_file(path, number)
    with tell_trouble(file):
        pq.write_table(rows, file, compression="zstd", row_group_size=1_000_000, write_page_checksum=True)
    return file


def commit_files(
    path: Path,
    schema: pa.Schema,
    add: Sequence[Path],
    remove: Sequence[Path] = (),
    partitions: dict[Path, dict[str, str | None]] | None = None,
    partition_by: Sequence[str] = (),
) -> int:
    """Name and un-name files in one Delta commit; returns the new version."""
    from deltalake import DeltaTable
    from deltalake.transaction import AddAction, RemoveAction

    with tell_trouble(path):
        now = int(time.time() * 1000)
        actions: list[Any] = [
            AddAction(
                file.relative_to(path).as_posix(),
                file.stat().st_size,
                (partitions or {}).get(file, {}),
                now,
                True,
                json.dumps({"numRecords": pq.read_metadata(file).num_rows}),
            )
            for file in add
        ]
        actions += [
            RemoveAction(file.relative_to(path).as_posix(), data_change=True, deletion_timestamp=now)
            for file in remove
        ]
        table = DeltaTable(str(path))
        table.create_write_transaction(actions, "append", schema, partition_by=list(partition_by) or None)
        return int(DeltaTable(str(path)).version())  # the object that wrote still says the version before


@contextmanager
def hold_lock(path: Path) -> Iterator[None]:
    """Hold the exclusive lock on ``path`` while the block runs.

    Raises StoreError at once when another process (or another writer of this one) holds it.
    """
    handle = _open_locked(path)
    try:
        yield
    finally:
        os.close(handle)  # closing lets go of the lock, and so does the end of a killed process


def _open_locked(path: Path) -> int:
    while True:
        try:
            handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
        except OSError as error:
            raise StoreError(
                f"{path.parent}: can't be written ({error.strerror}); choose a folder you may write"
            ) from None
        try:
            _lock(handle)
        except OSError:
            os.close(handle)
            raise StoreError(
                f"{path.parent}: another intake is writing to this store; wait until it is done and run again"
            ) from None
        try:
            if os.path.samestat(os.fstat(handle), path.stat()):
                return handle
        except OSError:
            pass
        os.close(handle)  # its holder took the file away with a first intake that came to nothing: once more


if sys.platform == "win32":
    import msvcrt

    def _lock(handle: int) -> None:
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _lock(handle: int) -> None:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
