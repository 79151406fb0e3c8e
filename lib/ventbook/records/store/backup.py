"""A backup of a store as one file, and the way back, every byte held to its SHA-256.

The file is a ZIP without compression (Parquet is compressed already): ``manifest.json`` with size and SHA-256 of
everything else, ``store/`` with all snapshots up to the newest, ``beside/`` with the registers that a shop keeps beside
its store. The key of the technicians' codes is in it only where asked for.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
import zipfile
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from ventbook import __version__
from ventbook.places import Address, Place, find_place, list_below, local_copy, name_below
from ventbook.records import privacy
from ventbook.records.store import delta, snapshots
from ventbook.records.store.checking import check_store
from ventbook.records.store.delta import StoreError
from ventbook.records.store.locks import hold_lock
from ventbook.records.store.proof import measure_file, sync_folder
from ventbook.records.store.snapshots import LOCK, MARK

# Registers that a shop keeps beside its store, and may hand in with its records.
BESIDE = ("limits.toml", "actions.toml", "gauges.toml", "alarms.toml")
TRIALS = "trials"  # folder of trials, beside the store as well
MANIFEST = "manifest.json"
PIECE = 1 << 20


@dataclass(frozen=True)
class BackupDone:
    """What a backup or the way back did: the newest snapshot, files of the store, registers, and whether the key is in."""

    place: Place
    snapshot: int
    files: int
    bytes: int
    beside: tuple[str, ...]
    kept: tuple[str, ...]
    with_key: bool

    def lines(self) -> list[str]:
        """What to print."""
        registers = ", ".join(self.beside) or "none"
        said = [
            f"{self.place}: snapshot {self.snapshot}, {self.files:,} files, {self.bytes / 1e6:,.1f} MB, all verified"
        ]
        said.append(f"registers beside the store: {registers}")
        said += [f"{name} was there already and stays; the backup's is {name}.restored" for name in self.kept]
        if self.with_key:
            said.append("the key of the technicians' codes is in it: keep it where only its owner reads it")
        else:
            said.append(
                "the key of the technicians' codes (folder private of the store) is not in it: without it names can't be "
                "told from codes, and a new key would give the same person another code; keep a copy of it apart"
            )
        return said


def back_up(path: str | Path | Address, out: str | Path, *, with_key: bool = False) -> BackupDone:
    """Write a store with all its snapshots and the registers beside it into the one file ``out``.

    StoreError where the store is damaged, holds nothing, or ``out`` stands already or can't be written.
    """
    store, out = snapshots.open_store(path), Path(out)
    if out.exists():
        raise StoreError(f"{out}: stands already; name another file, a backup is never written over")
    part = out.with_name(out.name + ".part")
    with hold_lock(store.path / LOCK):
        number = store.snapshot().number
        found = check_store(store.path)
        if found.damages:
            raise StoreError(
                f"{path}: {found.damages[0].file} {found.damages[0].what}; {delta.advise(store.path)}"
            )
        left = set(found.leftovers)
        files: dict[str, Place] = {f"store/{MARK}": store.path / MARK}
        for file in list_below(store.path / "tables"):
            if file not in left:
                files[f"store/{name_below(file, store.path)}"] = file
        private = store.path / privacy.FOLDER
        for file in list_below(private) if with_key else ():
            files[f"store/{privacy.FOLDER}/{file.name}"] = file
        around = store.path.resolve().parent
        beside = [name for name in BESIDE if (around / name).is_file()]
        beside += [name_below(f, around) for f in list_below(around / TRIALS)]
        files |= {f"beside/{name}": around / name for name in beside}
        measured = {name: measure_file(file) for name, file in files.items()}
        manifest = {"format": 1, "snapshot": number, "library": __version__, "files": measured}
        manifest |= {"with_key": with_key}
        try:
            with delta.tell_trouble(out):
                out.parent.mkdir(parents=True, exist_ok=True)
                handle = os.open(part, os.O_RDWR | os.O_CREAT | os.O_TRUNC, 0o600)
                with os.fdopen(handle, "w+b") as raw:
                    with zipfile.ZipFile(raw, "w", zipfile.ZIP_STORED) as archive:
                        archive.writestr(MANIFEST, json.dumps(manifest, indent=1))
                        for name, file in files.items():
                            archive.write(local_copy(file), name)
                    raw.flush()
                    os.fsync(raw.fileno())
                part.replace(out)
        finally:
            part.unlink(missing_ok=True)
        sync_folder(out.parent)
    size = sum(size for size, _ in measured.values())
    return BackupDone(out, number, len(files) - len(beside), size, tuple(beside), (), with_key)


def restore_backup(file: str | Path, path: str | Path | Address) -> BackupDone:
    """Bring a backup back into the missing or empty folder ``path``, registers into the folder it stands in.

    The store stands in its place only once every file is as the manifest says and the whole store has been checked.
    StoreError otherwise, and nothing is left.
    """
    file, path = Path(file), find_place(path)
    if isinstance(path, Address):
        return _restore_there(file, path)
    if path.exists() and (not path.is_dir() or not snapshots.holds_nothing(path)):
        raise StoreError(
            f"{path}: holds something already; name a new folder, a store is never restored over another"
        )
    work = path.with_name(f".{path.name}.restoring")
    shutil.rmtree(work, ignore_errors=True)
    try:
        with delta.tell_trouble(path):
            work.mkdir(mode=0o700, parents=True)
        manifest = _unpack_checked(file, work)
        store = work / "store"
        with delta.tell_trouble(path):
            for entry in path.iterdir() if path.exists() else ():
                entry.unlink()
            mode = 0o700
            if path.exists():  # made beforehand for others to read as well
                mode = path.stat().st_mode & 0o777
                path.rmdir()
            store.chmod(mode)
            store.rename(path)
            beside, kept = _put_beside(work / "beside", path.resolve().parent)
            sync_folder(path.parent)
    finally:
        shutil.rmtree(work, ignore_errors=True)
    return _say_restored(path, manifest, beside, kept)


def _restore_there(file: Path, path: Address) -> BackupDone:
    """The same at an address: checked here, sent under the store's lock, its mark last."""
    if path.exists() and not snapshots.holds_nothing(path):
        raise StoreError(
            f"{path}: holds something already; name a new address, a store is never restored over another"
        )
    with tempfile.TemporaryDirectory(prefix="ventbook-restore-") as folder:
        work = Path(folder)
        manifest = _unpack_checked(file, work)
        with hold_lock(path / LOCK) as still_held:
            if not snapshots.holds_nothing(path):
                raise StoreError(
                    f"{path}: another intake has written to this address just now; name a new one"
                )
            sent: list[Address] = []
            try:
                files = [f for f in list_below(work / "store") if isinstance(f, Path) and f.name != MARK]
                for one in [*files, work / "store" / MARK]:
                    still_held()
                    sent.append(path / one.relative_to(work / "store").as_posix())
                    sent[-1].put(one)
                beside, kept = _put_beside(work / "beside", path.parent)
            except BaseException:
                for place in sent:
                    place.unlink()
                raise
    return _say_restored(path, manifest, beside, kept)


def _unpack_checked(file: Path, work: Path) -> dict[str, Any]:
    """Every file of a backup below ``work``, once it is as the manifest says and the whole store has been checked."""
    manifest = _unpack(file, work)
    found = check_store(work / "store")
    if found.damages or found.snapshots != manifest["snapshot"]:
        raise StoreError(f"{file}: the store in it is not whole; use another backup")
    return manifest


def _say_restored(
    path: Place, manifest: dict[str, Any], beside: tuple[str, ...], kept: tuple[str, ...]
) -> BackupDone:
    files = manifest["files"]
    size = sum(size for size, _ in files.values())
    count = sum(name.startswith("store/") for name in files)
    return BackupDone(path, manifest["snapshot"], count, size, beside, kept, manifest["with_key"])


def _unpack(file: Path, work: Path) -> dict[str, Any]:
    if not file.is_file():
        raise StoreError(f"{file}: no such backup; check the path")
    try:
        with zipfile.ZipFile(file) as archive:
            manifest: dict[str, Any] = json.loads(archive.read(MANIFEST))
            if manifest["format"] != 1:
                raise StoreError(
                    f"{file}: written by ventbook {manifest['library']}; use that or a later version"
                )
            for name, (size, sha) in manifest["files"].items():
                _unpack_one(archive, name, work, size, sha)
    except (
        zipfile.BadZipFile,
        KeyError,
        ValueError,
        TypeError,
        EOFError,
        NotImplementedError,
        RuntimeError,
    ) as error:
        if isinstance(error, StoreError):
            raise
        raise StoreError(f"{file}: damaged, or no backup of ventbook; use another backup") from None
    except OSError as error:
        raise StoreError(
            f"{work}: can't be written ({error.strerror}); make room or choose another place"
        ) from None
    return manifest


def _unpack_one(archive: zipfile.ZipFile, name: str, work: Path, size: int, sha: str) -> None:
    parts = PurePosixPath(name).parts
    if parts[0] not in ("store", "beside") or ".." in parts or "\\" in name or ":" in name:
        raise ValueError(name)
    info = archive.getinfo(name)
    if info.file_size != size:
        raise ValueError(name)
    target = work.joinpath(*parts)
    private = privacy.FOLDER in parts
    target.parent.mkdir(parents=True, exist_ok=True, mode=0o700 if private else 0o777)
    known = hashlib.sha256()
    handle = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600 if private else 0o644)
    with archive.open(info) as source, os.fdopen(handle, "wb") as out:
        while piece := source.read(PIECE):
            known.update(piece)
            out.write(piece)
        out.flush()
        os.fsync(out.fileno())
    if known.hexdigest() != sha:
        raise ValueError(name)


def _put_beside(made: Path, folder: Place) -> tuple[tuple[str, ...], tuple[str, ...]]:
    found, kept = [], []
    for file in sorted(f for f in made.rglob("*") if f.is_file()):
        name = name_below(file, made)
        target: Place = folder / name
        if target.exists() and target.read_bytes() != file.read_bytes():
            kept.append(name)
            target = target.with_name(f"{target.name}.restored")
        found.append(name)
        if isinstance(target, Address):
            target.put(file)
            continue
        target.parent.mkdir(parents=True, exist_ok=True)
        file.replace(target)
    return tuple(found), tuple(kept)
