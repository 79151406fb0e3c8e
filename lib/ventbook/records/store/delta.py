"""One Delta table: create, add and take out Parquet files in one commit, read at a version.

Files are written and read by pyarrow; the Delta log says which files a version consists of. (The pyarrow bridge
of the Delta package is not used: reading through it left the interpreter with an abort at exit.)
"""

from __future__ import annotations

import errno
import json
import time
import uuid
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Any
from urllib.parse import unquote

import pyarrow as pa
import pyarrow.parquet as pq

from ventbook.errors import InputError
from ventbook.places import (
    Address,
    Place,
    Unanswered,
    delta_options,
    explain,
    list_matching,
    local_copy,
    name_below,
    try_again,
    write_local,
)

if TYPE_CHECKING:
    from deltalake import DeltaTable

KEEP = {
    "delta.enableExpiredLogCleanup": "false",  # the default forgets old versions after 30 days
    "delta.logRetentionDuration": "interval 36500 days",
    "delta.deletedFileRetentionDuration": "interval 36500 days",
}
SHARED = 20_000  # rows of a file; one with fewer is read before threads have shared it out
NO_ROOM = {errno.ENOSPC, errno.EFBIG, getattr(errno, "EDQUOT", errno.ENOSPC)}
NO_ROOM_WORDS = ("No space left", "File too large", "os error 28", "os error 27")


class StoreError(InputError):
    """A store that isn't there, can't be read, or is being written by someone else."""


def advise(store: Place) -> str:
    """What to do about a damaged store."""
    return f"ventbook store check --store {store} says what is whole and what to restore"


def tell_no_room(path: Place, error: BaseException) -> StoreError | None:
    """The one line where a disk is full, None where ``error`` is another."""
    text = str(error)
    full = getattr(error, "errno", None) in NO_ROOM or any(words in text for words in NO_ROOM_WORDS)
    if not full:
        return None
    return StoreError(
        f"{path}: no room left on the disk; make room and run again, the last snapshot is whole"
    )


@contextmanager
def tell_trouble(path: Place) -> Iterator[None]:
    """Whatever a library says of a table's folder or file becomes one line: which, and what to do."""
    try:
        yield
    except InputError:
        raise
    except BaseException as error:  # a panic of the Delta package is no Exception
        if not isinstance(error, Exception) and type(error).__name__ != "PanicException":
            raise
        if (told := tell_no_room(path, error)) is not None:
            raise told from None
        text = str(error)
        if isinstance(path, Address) and (why := explain(path, text)) is not None:
            raise why from None
        if isinstance(error, PermissionError) or "Permission denied" in text:
            raise StoreError(f"{path}: may not be read or written; ask for the right to it") from None
        if not isinstance(error, (OSError, ValueError)) and not _is_library_error(error):
            raise
        store = next((p.parent for p in (path, *path.parents) if p.name == "tables"), path)
        raise StoreError(f"{path}: missing or damaged; {advise(store)}") from None


def _is_library_error(error: BaseException) -> bool:
    return type(error).__module__.split(".")[0] in ("deltalake", "_internal", "pyarrow", "pyo3_runtime")


def open_table(path: Place, version: int | None = None) -> DeltaTable:
    """The Delta table at a version, the newest where none is given."""
    from deltalake import DeltaTable

    return DeltaTable(str(path), version=version, storage_options=delta_options(path))


def create_table(path: Place, schema: pa.Schema, partition_by: Sequence[str] = ()) -> None:
    """An empty Delta table at version 0 that keeps every version."""
    from deltalake import DeltaTable

    with tell_trouble(path):
        path.mkdir(parents=True, exist_ok=True)
        make = partial(DeltaTable.create, str(path), storage_options=delta_options(path))
        by = list(partition_by) or None
        _write_once(
            path, 0, partial(make, schema=schema, partition_by=by, configuration=dict(KEEP)), names=None
        )


def head_version(path: Place) -> int | None:
    """The newest version of the table, None where there is none."""
    entries = list_matching(path / "_delta_log", "[0-9]*.json")
    if not entries:  # also where a killed writer only made the folder
        return None
    if isinstance(path, Address):  # its name says it: opening the table asks for every entry
        return int(entries[-1].name.partition(".")[0])
    with tell_trouble(path):
        return int(open_table(path).version())


def restore_version(path: Place, version: int) -> None:
    """Make the head say again what ``version`` said; the versions between stay in the history."""
    with tell_trouble(path):
        table = open_table(path)
        _write_once(path, int(table.version()) + 1, partial(table.restore, version))


def widen_schema(path: Place, schema: pa.Schema) -> int:
    """Add columns that the dictionary has gained since the table was made (rows before read as not recorded); returns how many
    versions that made, 0 or 1.
    """
    from deltalake.schema import Field, Schema

    with tell_trouble(path):
        table = open_table(path)
        have = {field.name for field in table.schema().fields}
        new = pa.schema([field for field in schema if field.name not in have])
        if len(new):
            fields: list[Field] = list(Schema.from_arrow(new).fields)
            _write_once(path, int(table.version()) + 1, partial(table.alter.add_columns, fields))
        return int(len(new) > 0)


def list_files(path: Place, version: int) -> list[Place]:
    """The Parquet files a version consists of, sorted by name."""
    # not file_uris, which writes a space in the folder's own name as %20
    with tell_trouble(path):
        actions: Any = open_table(path, version).get_add_actions(flatten=True)
        names = pa.table(actions).column("path").to_pylist()
    return [path / name for name in sorted(map(unquote, names), key=PurePosixPath)]


def read_files(files: Iterable[Place], schema: pa.Schema, columns: Sequence[str] | None = None) -> pa.Table:
    """Rows of the files as one table of ``schema``; a column that a file lacks reads as null."""
    wanted = pa.schema([schema.field(name) for name in columns]) if columns is not None else schema
    parts = []
    for file in files:
        with tell_trouble(file):
            copy = local_copy(file)
            with pq.ParquetFile(copy, page_checksum_verification=True) as opened:
                has = set(opened.schema_arrow.names)
                names = [name for name in wanted.names if name in has]
                part = opened.read(names, use_threads=opened.metadata.num_rows > SHARED)
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


def new_file(path: Place, number: int, folder: str = "") -> Place:
    """A name for a new Parquet file of intake ``number`` that no other file has."""
    target = path / folder if folder else path
    with tell_trouble(target):
        target.mkdir(parents=True, exist_ok=True)
    return target / f"part-{number:05d}-{uuid.uuid4().hex}.parquet"


def write_file(path: Place, rows: pa.Table, number: int) -> Place:
    """Write ``rows`` as one Parquet file; no reader sees it before ``commit_files`` names it."""
    file = new_file(path, number)
    with tell_trouble(file), write_local(file) as copy:
        pq.write_table(rows, copy, compression="zstd", row_group_size=1_000_000, write_page_checksum=True)
    return file


def commit_files(
    path: Place,
    schema: pa.Schema,
    add: Sequence[Place],
    remove: Sequence[Place] = (),
    partitions: dict[Place, dict[str, str | None]] | None = None,
    partition_by: Sequence[str] = (),
    *,
    after: int | None = None,
) -> int:
    """Name and un-name files in one Delta commit; returns the new version. StoreError where somebody else has written since
    version ``after`` (default the newest).
    """
    from deltalake import CommitProperties
    from deltalake.transaction import AddAction, RemoveAction

    with tell_trouble(path):
        now = int(time.time() * 1000)
        actions: list[Any] = [
            AddAction(
                name_below(file, path),
                local_copy(file).stat().st_size,
                (partitions or {}).get(file, {}),
                now,
                True,
                json.dumps({"numRecords": pq.read_metadata(local_copy(file)).num_rows}),
            )
            for file in add
        ]
        actions += [
            RemoveAction(name_below(file, path), data_change=True, deletion_timestamp=now) for file in remove
        ]
        table = open_table(path, after)
        version = int(table.version()) + 1
        write = partial(table.create_write_transaction, actions, "append", schema)
        by, once = list(partition_by) or None, CommitProperties(max_commit_retries=0)
        _write_once(
            path,
            version,
            partial(write, partition_by=by, commit_properties=once),
            names={name_below(file, path) for file in add},
        )
        return version


def _write_once(
    path: Place, version: int, write: Callable[[], Any], *, names: Collection[str] | None = ()
) -> None:
    """The commit that makes ``version``; StoreError where another's stands there.

    An answer may be lost on its way: then the entry counts as written if it stands and names the files ``names`` (None: whatever
    it says), and is written again if it doesn't.
    """
    from deltalake.exceptions import CommitFailedError

    def ask() -> None:
        try:
            write()
        except CommitFailedError:
            if not _stands(path, version, names):
                raise StoreError(
                    f"{path}: another intake has written to this store meanwhile; nothing of this one shows, run again"
                ) from None
        except Exception as error:
            why = explain(path, str(error)) if isinstance(path, Address) else None
            if not isinstance(why, Unanswered):
                raise
            if not _stands(path, version, names):
                raise why from None

    try_again(ask, times=1)  # each of them is made again by the library already


def _stands(path: Place, version: int, names: Collection[str] | None) -> bool:
    try:
        text = (path / "_delta_log" / f"{version:020}.json").read_text("utf-8")
    except FileNotFoundError:
        return False
    if names is None:
        return True
    said = {unquote(entry["add"]["path"]) for entry in map(json.loads, text.splitlines()) if "add" in entry}
    return bool(names) and said >= set(names)
