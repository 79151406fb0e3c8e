"""What a snapshot rests on: size and SHA-256 of every data file and log entry, kept in its row of ``intakes``.

A row holds only what came since the row before it, so that the list grows with the store and not with its square;
``fold_proofs`` puts them together. Sizes are held against it at every reading, hashes when a process first reads a file.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

from ventbook.places import Address, Place, State, fetch_copies, local_copy, name_below
from ventbook.records.store import delta
from ventbook.records.store.delta import StoreError

Files = dict[str, tuple[int, str]]  # name below the table's folder -> bytes, SHA-256
LOG = "_delta_log"
SEALED = (
    "number",
    "kind",
    "today",
    "committed_at",
    "withdrawn",
    "note",
    "versions",
    "counts",
    "sources",
    "content",
    "library",
    "proof",
)
_READ: dict[tuple[str, int, int, int], str] = {}  # files hashed by this process -> SHA-256


@dataclass
class TableProof:
    """One table of a snapshot: its rows, the data files it consists of, and all log entries up to its version."""

    rows: int = 0
    files: Files = field(default_factory=dict)
    log: Files = field(default_factory=dict)


def fold_proofs(texts: Iterable[str | None]) -> dict[str, TableProof]:
    """What the rows up to a snapshot prove, by table. Rows of earlier versions (None) add nothing."""
    found: dict[str, TableProof] = {}
    for text in texts:
        for table, own in json.loads(text).items() if isinstance(text, str) else ():
            proof = found.setdefault(table, TableProof())
            proof.rows = own["rows"]
            proof.files.update({name: (size, sha) for name, (size, sha) in own["add"].items()})
            proof.log.update({name: (size, sha) for name, (size, sha) in own["log"].items()})
            for name in own["drop"]:
                proof.files.pop(name, None)
    return found


def prove_changes(store: Place, versions: Mapping[str, int], known: Mapping[str, TableProof]) -> str:
    """What a new snapshot rests on beyond ``known``, as the text of its row. What it names is on the disk before this
    returns: files and their folders are synced.
    """
    found = {}
    folders: set[Any] = {store, store / "tables"}
    for table, version in sorted(versions.items()):
        folder = store / "tables" / table
        before = known.get(table, TableProof())
        now = {name_below(file, folder) for file in delta.list_files(folder, version)}
        new, gone = sorted(now - set(before.files)), sorted(set(before.files) - now)
        log = [name for name in list_log(folder) if name not in before.log]
        if not (new or gone or log):
            continue
        found[table] = {
            "rows": before.rows + _count_rows(folder, new) - _count_rows(folder, gone),
            "add": {name: measure_file(folder / name, sync=True) for name in new},
            "drop": gone,
            "log": {name: measure_file(folder / name, sync=True) for name in log},
        }
        folders |= {folder, *((folder / name).parent for name in [*new, *log])}
    for place in sorted(folders):
        sync_folder(place)
    return json.dumps(found)


def _count_rows(folder: Place, names: Iterable[str]) -> int:
    return sum(delta.pq.read_metadata(local_copy(folder / name)).num_rows for name in names)


def list_log(folder: Place) -> list[str]:
    """Names of a table's log entries and checkpoints, which never change once written."""
    place = folder / LOG
    if not place.is_dir():
        return []
    return sorted(f"{LOG}/{file.name}" for file in place.iterdir() if file.name[:1].isdigit())


def measure_file(path: Place, *, sync: bool = False, fresh: bool = False) -> tuple[int, str]:
    """(bytes, SHA-256) of a file; with ``sync`` its content is on the disk when this returns (an object always is with its
    server). An object is fetched again with ``fresh``, else its copy on this machine counts.
    """
    if isinstance(path, Address):
        copy = local_copy(path, fresh=fresh)
        return measure_file(copy)
    with path.open("rb") as file:
        if sync:
            os.fsync(file.fileno())
        sha = hashlib.file_digest(file, "sha256").hexdigest()
        state = os.fstat(file.fileno())
    _READ[(str(path), state.st_size, state.st_mtime_ns, state.st_ino)] = sha
    return state.st_size, sha


def sync_folder(path: Place) -> None:
    """Names in a folder are on the disk when this returns (where the system can say so; an address has no folders)."""
    if isinstance(path, Address):
        return
    try:
        handle = os.open(path, os.O_RDONLY)
    except OSError:  # a system that opens no folders
        return
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def find_fault(
    path: Place, expected: tuple[int, str], *, again: bool = False, state: State | None = None
) -> str:
    """What is wrong with a file, "" where nothing is. It is hashed once a process, and always with ``again``. ``state``: of an
    object, where it is known.
    """
    size, sha = expected
    try:
        if isinstance(path, Address):
            state = state or path.stat()
            if state.st_size == size:
                path = local_copy(path, state=state, fresh=again)
        now = path.stat() if isinstance(path, Path) else state
        assert now is not None
        if now.st_size != size:
            return f"has {now.st_size:,} of {size:,} bytes"
        known = _READ.get((str(path), now.st_size, now.st_mtime_ns, now.st_ino))
        if again or known is None:
            known = measure_file(path)[1]
    except FileNotFoundError:
        return "is missing"
    except OSError as error:
        return f"can't be read ({error.strerror})"
    return "" if known == sha else "is not as it was written (its SHA-256 is another)"


def check_files(store: Place, table: str, files: Mapping[str, tuple[int, str]]) -> list[Place]:
    """The paths of a table's files, sorted; StoreError names the first that is not as it was written."""
    folder = store / "tables" / table
    states = fetch_states(folder, files)
    for name, expected in files.items():
        fault = find_fault(folder / name, expected, state=states.get(name))
        if fault:
            raise StoreError(f"{folder / name} {fault}; {delta.advise(store)}")
    return [folder / name for name in sorted(files, key=PurePosixPath)]


def fetch_states(folder: Place, files: Mapping[str, tuple[int, str]]) -> dict[str, State]:
    """What a server says of some objects, by name, asked for together, and their content fetched side by side; none of files."""
    if not isinstance(folder, Address) or not files:
        return {}
    by_name = {name_below(place, folder): (place, state) for place, state in folder.states()}
    wanted = {name: by_name[name] for name in files if name in by_name}
    fetch_copies(known for name, known in wanted.items() if known[1].st_size == files[name][0])
    return {name: state for name, (_, state) in wanted.items()}


def check_log(store: Place, proofs: Mapping[str, TableProof]) -> None:
    """StoreError where a log entry is not as it was written, before anything is built on it."""
    for table, proof in proofs.items():
        check_files(store, table, proof.log)


def seal_row(row: Mapping[str, Any]) -> str:
    """SHA-256 over a row of ``intakes``, the seal itself left out."""
    text = json.dumps([row[name] for name in SEALED], default=str)
    return hashlib.sha256(text.encode()).hexdigest()
