"""The whole way in one go: records into a store, then all reports of it. For ``make report``."""

from __future__ import annotations

import datetime as dt
import hashlib
import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

from ventbook.dictionary import DATA

DEMO = DATA / "demo"
RECORDS = DATA / "records"
MARK = "made-from.txt"
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
    """The invented fleet's records and a store of one snapshot a delivery; made only when something changed."""
    from ventbook.demo import delivery_days, write_demo
    from ventbook.intake import take_in
    from ventbook.store import create_store

    store, mark, now = folder / "store", folder / MARK, demo_fingerprint()
    folder.mkdir(parents=True, exist_ok=True)
    with _wait_for(folder / "making.lock"):
        if store.is_dir() and mark.is_file() and mark.read_text("utf-8") == now:
            return store
        say("inventing the demo fleet and taking its records in")
        mark.unlink(missing_ok=True)
        shutil.rmtree(store, ignore_errors=True)
        days: dict[str, dt.date] = delivery_days()
        deliveries = write_demo(folder)
        create_store(store)
        for delivery in deliveries:
            take_in([delivery], store=store, today=days[delivery.name])
        mark.write_text(now, "utf-8")
    return store


@contextmanager
def _wait_for(lock: Path) -> Iterator[None]:
    """Hold a lock that two processes may ask for at once: the second waits until the first has made the store."""
    from ventbook.store import StoreError
    from ventbook.store.locking import hold_lock

    while True:
        with ExitStack() as stack:
            try:
                stack.enter_context(hold_lock(lock))
            except StoreError:
                time.sleep(0.3)
                continue
            yield
            return


def take_in_folder(records: Path, store: Path = RECORDS / "store") -> Path:
    """A workshop's own files into the store of its records."""
    from ventbook.errors import InputError
    from ventbook.intake import take_in

    if not records.exists():
        raise InputError(
            f"records folder {records} does not exist; give the folder that holds your record files"
        )
    mapping = records / "mapping.toml"
    take_in([records], store=store, mapping=mapping if mapping.is_file() else None)
    return store
