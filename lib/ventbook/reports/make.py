"""The whole way in one go: records into a store, then all reports of it. For ``make report``."""

from __future__ import annotations

import datetime as dt
import hashlib
import os
import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from ventbook.shipped import DATA, WORK

from .placing import put_in_place

DEMO = WORK / "demo"
RECORDS = WORK / "records"
MARK = "made-from.txt"
WAIT_S = 600.0
# What the demo's store is made by: when one of these changes, it is made anew.
MAKERS = ("demo", "intake", "readers", "store", "traces", "dictionary", "privacy.py", "units.py")


def demo_fingerprint() -> str:
    """A hash over the code and tables that the demo's records and store are made by."""
    digest = hashlib.sha256()
    package = Path(__file__).resolve().parents[1]
    files = [*DATA.glob("*.toml")]
    for name in MAKERS:
        path = package / name
        files += [path] if path.is_file() else path.rglob("*.py")
    for path in sorted(files):
        digest.update(path.name.encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()


def make_demo_store(folder: Path = DEMO, say: Callable[[str], Any] = print) -> Path:
    """The invented fleet's records and a store of one snapshot a delivery; made only when something changed.

    Several processes may ask at the same time: one makes it beside its place and swaps it in, the others wait.
    """
    store, now = folder / "store", demo_fingerprint()
    if _is_made(folder, now):
        return store
    folder.parent.mkdir(parents=True, exist_ok=True)
    with _wait_for_lock(folder.with_name(f".{folder.name}.lock")):
        if _is_made(folder, now):
            return store
        say("inventing the demo fleet and taking its records in")
        fresh = folder.with_name(f".{folder.name}.new")
        shutil.rmtree(fresh, ignore_errors=True)
        _fill(fresh)
        (fresh / MARK).write_text(now, "utf-8")
        put_in_place(fresh, folder)
    return store


def _is_made(folder: Path, fingerprint: str) -> bool:
    mark = folder / MARK
    return (folder / "store").is_dir() and mark.is_file() and mark.read_text("utf-8") == fingerprint


def _fill(folder: Path) -> None:
    from ventbook.demo import delivery_days, write_demo
    from ventbook.intake import take_in
    from ventbook.store import create_store

    days: dict[str, dt.date] = delivery_days()
    deliveries = write_demo(folder)
    create_store(folder / "store")
    for delivery in deliveries:
        take_in([delivery], store=folder / "store", today=days[delivery.name])


@contextmanager
def _wait_for_lock(path: Path) -> Iterator[None]:
    """Holds the lock as soon as it is free."""
    from ventbook.store import StoreError
    from ventbook.store.locking import hold_lock

    end = time.monotonic() + WAIT_S
    while True:
        try:
            with hold_lock(path):
                yield
            return
        except StoreError:
            if time.monotonic() > end or not os.access(path.parent, os.W_OK):
                raise
            time.sleep(0.3)


def take_in_folder(records: Path, store: Path = RECORDS / "store") -> Path:
    """A workshop's own files into the store of its records."""
    from ventbook.errors import InputError
    from ventbook.intake import take_in

    if not records.exists():
        raise InputError(
            f"records folder {records} does not exist; give the folder that holds your record files"
        )
    own = records / "limits.toml"
    if own.is_file():
        from ventbook import dictionary

        dictionary.limits(own, engine_types=None)  # the engines come with these records
        store.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(own, dictionary.own_limits_path(store))
    mapping = records / "mapping.toml"
    take_in([records], store=store, mapping=mapping if mapping.is_file() else None)
    return store
