"""Holding a whole store against what its snapshots say they rest on, and clearing what none of them names.

Rows of snapshots are read from their files and not through the log, so that a damaged log is named and not tripped over.
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq

from ventbook.places import Address, Place, find_place, list_below, list_matching, local_copy, name_below
from ventbook.records.store import delta, snapshots
from ventbook.records.store.delta import StoreError
from ventbook.records.store.locks import hold_lock, is_probe
from ventbook.records.store.proof import LOG, find_fault, fold_proofs, list_log, seal_row
from ventbook.records.store.snapshots import CACHE, INTAKES, LOCK, MARK, Store, table_path

PARTS = (".part", ".tmp")  # ends of names that a killed writer may leave
DAY_H = 24.0


@dataclass(frozen=True)
class Damage:
    """One file that is not as it was written: its name below the store, what is wrong, the snapshot that wrote it."""

    file: str
    what: str
    since: int


@dataclass(frozen=True)
class StoreCheck:
    """What a check found. ``unproven`` are snapshots of earlier versions, which kept no hashes; ``whole`` is the newest
    snapshot that nothing damaged touches, None where there is none; ``leftovers`` are files that no snapshot names.
    """

    path: Place
    snapshots: int
    files: int
    bytes: int
    damages: tuple[Damage, ...]
    unproven: tuple[int, ...]
    whole: int | None
    leftovers: tuple[Place, ...]

    def lines(self) -> list[str]:
        """What to print, one line a fact."""
        said = [f"{self.path}: {self.snapshots} snapshots, {self.files:,} files, {self.bytes / 1e6:,.1f} MB"]
        said += [f"damaged: {d.file} {d.what}" for d in self.damages]
        if self.unproven:
            numbers = (
                f"{self.unproven[0]} to {self.unproven[-1]}"
                if len(self.unproven) > 1
                else str(self.unproven[0])
            )
            said.append(
                f"unproven: snapshot {numbers} was written by an earlier version, which kept no hashes; files that the "
                "first later intake found are held to what it found"
            )
        if self.leftovers:
            said.append(
                f"{len(self.leftovers)} files that no snapshot names (of writers that were stopped); --prune clears them"
            )
        if not self.damages:
            return [*said, "everything as it was written"]
        first = max(d.since for d in self.damages)
        said.append(
            f"newest whole snapshot: {self.whole} (--as-of {self.whole} reads it)"
            if self.whole
            else "no snapshot is whole"
        )
        said.append(
            f"to mend it: restore a backup made at snapshot {first} or later beside this store (ventbook store restore "
            "BACKUP --store NEW-FOLDER) and go on with it, or copy the files named above from it into this store and "
            "check again; hand in again what came after the backup"
        )
        return said


@dataclass
class _Found:
    """Rows of snapshots by number, the newest file of each, and what is wrong with any."""

    rows: dict[int, dict[str, Any]]
    damages: list[Damage]
    newest: int


def check_store(path: str | Path | Address) -> StoreCheck:
    """Hold every file of a store against the size and SHA-256 that its snapshots keep.

    Parameters
    ----------
    path : str, Path or Address
        Folder of the store.

    Returns
    -------
    StoreCheck
        ``damages`` is empty where everything is as it was written; ``lines()`` says it in words.

    Raises
    ------
    StoreError
        Where there is no store at ``path``.

    Examples
    --------
    >>> from ventbook.records.store import check_store
    >>> found = check_store("data/demo/store")
    >>> found.damages, found.whole, found.unproven
    ((), 8, ())
    """
    store, mark, damages = _open_damaged(find_place(path))
    found = _find_rows(store, mark)
    damages += found.damages
    broken: dict[str, Damage] = {d.file: d for d in damages}
    named: dict[str, tuple[int, str]] = {}
    texts = {number: row["proof"] for number, row in found.rows.items()}
    for number, text in sorted(texts.items()):
        for table, proof in fold_proofs([text]).items():
            for name, expected in {**proof.files, **proof.log}.items():
                file = f"tables/{table}/{name}"
                named[file] = expected
                fault = find_fault(store.path / file, expected, again=True)
                if fault and file not in broken:
                    broken[file] = Damage(file, fault, number)
    for name, expected in mark.get("last", {}).items():
        file = f"tables/intakes/{name}"
        named[file] = (expected[0], expected[1])
        fault = find_fault(store.path / file, named[file], again=True)
        if fault and file not in broken:
            broken[file] = Damage(file, fault, found.newest)
    unproven = tuple(number for number, text in sorted(texts.items()) if text is None)
    old = _name_unproven(store, found.rows, unproven, broken)
    whole = _newest_whole(store, found, broken)
    every = {name_below(file, store.path): file for file in list_below(store.path / "tables")}
    leftovers = [] if old is None else _find_leftovers(store, every, set(named) | old)
    for entry in store.path.iterdir():
        if entry.name == MARK + ".part" or is_probe(entry):
            leftovers.append(entry)
    kept = [file for file in every.values() if file not in set(leftovers)]
    return StoreCheck(
        store.path,
        found.newest,
        len(kept),
        sum(file.stat().st_size for file in kept),
        tuple(sorted(broken.values(), key=lambda d: d.file)),
        unproven,
        whole,
        tuple(sorted(leftovers, key=str)),
    )


def _open_damaged(path: Place) -> tuple[Store, dict[str, Any], list[Damage]]:
    """The store, its mark, and what is wrong with the mark: everything else can be checked without it."""
    try:
        store = snapshots.open_store(path)
        return store, snapshots.read_mark(path), []
    except StoreError:
        if not table_path(path, "intakes").is_dir():
            raise
    what = "can't be read" if (path / MARK).exists() else "is missing"
    return Store(path), {}, [Damage(MARK, what, 1)]


def _find_rows(store: Store, mark: dict[str, Any]) -> _Found:
    """The rows of ``intakes`` from their files. One is a snapshot's where the mark, a later row or the log names it."""
    folder = table_path(store.path, "intakes")
    damages, read = [], {}
    for file in list_matching(folder, "part-*.parquet"):
        number = int(file.name.split("-")[1])
        try:
            rows = delta.read_files([file], INTAKES).to_pylist()
            sound = len(rows) == 1 and rows[0]["seal"] in (None, seal_row(rows[0]))
        except StoreError:
            rows, sound = [], False
        read[file.name] = (number, rows[0] if sound else None)
    named = {name for name in mark.get("last", {}) if not name.startswith(LOG)}
    for _, row in read.values():
        if row is not None and row["proof"]:
            named |= set(fold_proofs([row["proof"]])["intakes"].files)
    head: int | None = None
    try:
        head = delta.head_version(folder)
        named |= {file.name for file in (delta.list_files(folder, head) if head is not None else [])}
    except StoreError:
        damages.append(Damage(f"tables/intakes/{LOG}", "can't be read as one history", 1))
    rows_by: dict[int, dict[str, Any]] = {}
    newest = int(mark.get("snapshots", 0))
    for name in sorted(named):
        number, row = read.get(name, (int(name.split("-")[1]), None))
        newest = max(newest, number)
        if row is not None:
            rows_by[number] = row
        elif name in read:
            damages.append(Damage(f"tables/intakes/{name}", "is not as it was written", number))
        else:
            damages.append(Damage(f"tables/intakes/{name}", "is missing", number))
    spoken = {d.since for d in damages}
    for number in range(1, newest + 1):
        if number not in rows_by and number not in spoken:
            damages.append(Damage("tables/intakes", f"lacks the row of snapshot {number}", number))
    return _Found(rows_by, damages, newest)


def _name_unproven(
    store: Store, rows: dict[int, dict[str, Any]], numbers: tuple[int, ...], broken: dict[str, Damage]
) -> set[str] | None:
    """Files of snapshots without hashes, by the log: each is read through. None where the log can't tell."""
    import json

    named: set[str] = set()
    clear = True
    for number in numbers:
        for table, version in json.loads(rows[number]["versions"]).items():
            folder = table_path(store.path, table)
            try:
                files = delta.list_files(folder, version)
            except StoreError:
                file = f"tables/{table}/{LOG}"
                broken.setdefault(file, Damage(file, "can't be read as one history", number))
                clear = False
                continue
            for path in files:
                file = name_below(path, store.path)
                if file in named:
                    continue
                named.add(file)
                if not path.exists():
                    broken.setdefault(file, Damage(file, "is missing", number))
                elif not _reads(path):
                    broken.setdefault(file, Damage(file, "can't be read", number))
    return named if clear else None


def _reads(path: Place) -> bool:
    try:
        with (
            delta.tell_trouble(path),
            pq.ParquetFile(local_copy(path), page_checksum_verification=True) as file,
        ):
            for _ in file.iter_batches():
                pass
    except StoreError:
        return False
    return True


def _newest_whole(store: Store, found: _Found, broken: dict[str, Damage]) -> int | None:
    """The newest snapshot whose data files, and every row up to it, are as they were written."""
    for number in range(found.newest, 0, -1):
        if any(n not in found.rows for n in range(1, number + 1)):
            continue
        texts = [found.rows[n]["proof"] for n in range(1, number + 1)]
        if texts[-1] is None:
            files = {
                f"tables/{table}/{name_below(file, table_path(store.path, table))}"
                for table, file in _files_by_log(store, found.rows[number])
            }
        else:
            files = {f"tables/{t}/{name}" for t, p in fold_proofs(texts).items() for name in p.files}
        logs = any(d.startswith(f"tables/intakes/{LOG}") for d in broken)
        if not logs and not files & set(broken):
            return number
    return None


def _files_by_log(store: Store, row: dict[str, Any]) -> Iterator[tuple[str, Place]]:
    import json

    for table, version in json.loads(row["versions"]).items():
        try:
            yield from ((table, file) for file in delta.list_files(table_path(store.path, table), version))
        except StoreError:
            yield table, table_path(store.path, table) / LOG


def _find_leftovers(store: Store, every: dict[str, Place], named: set[str]) -> list[Place]:
    """Data files that no snapshot names, and halves of files. Log entries stay: they are the table's history."""
    logs = {f"tables/{p.name}/{name}" for p in (store.path / "tables").iterdir() for name in list_log(p)}
    return [
        path
        for file, path in every.items()
        if file not in named and (path.suffix == ".parquet" or path.suffix in PARTS) and file not in logs
    ]


def prune_store(path: str | Path | Address, *, older_than_h: float = DAY_H) -> list[Place]:
    """Remove files that no snapshot names and that are older than ``older_than_h`` hours, and all that pages keep; returns them.

    Held under the store's lock. StoreError, and nothing removed, where the store is damaged.
    """
    store = snapshots.open_store(path)
    with hold_lock(store.path / LOCK):
        found = check_store(path)
        if found.damages:
            raise StoreError(
                f"{path}: {found.damages[0].file} {found.damages[0].what}; mend the store before clearing"
            )
        limit = time.time() - older_than_h * 3600.0
        gone = [file for file in found.leftovers if file.stat().st_mtime < limit]
        gone += list_below(store.path / CACHE)  # what rests on rows that are gone included
        for file in gone:
            file.unlink(missing_ok=True)
        if isinstance(store.path, Path):
            shutil.rmtree(store.path / CACHE, ignore_errors=True)  # its folders
    return gone
