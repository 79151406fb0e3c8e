"""The small example that stands in the repository: one report of the demo, and pictures of first pages for the README.

Pictures are set by the same writer as the PDF, so that no browser is needed.

The whole way in one go: records into a store, then all reports of it. For ``make report``.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import io
import os
import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from ventbook.document import find_closing, read_blocks
from ventbook.document.typst import compile_pages
from ventbook.errors import InputError
from ventbook.run.export import make_document, stamp_line
from ventbook.run.names import put_in_place
from ventbook.run.stamp import read_run
from ventbook.shipped import DATA, WORK

PICTURED = ("quarterly-review", "spongy-lifters", "planned-venting")
KEPT = ("report.html", "findings.json")
COLORS = 48


def draw_first_page(folder: Path, path: Path, *, ppi: float = 72.0) -> Path:
    """The first page of a finished report as PNG, ``ppi`` pixels an inch."""
    import nbformat
    from PIL import Image

    run = read_run(folder)
    blocks = read_blocks(nbformat.read(folder / "report.ipynb", as_version=4))
    closing = find_closing(blocks)
    if closing is None:
        raise InputError(f"{folder / 'report.ipynb'} holds no finished page")
    pages = compile_pages(
        make_document(blocks, closing),
        scope=closing.scope,
        stamp=stamp_line(closing.stamp),
        day=closing.stamp["today"],
        paper=run["paper"],
        format="png",
        ppi=ppi,
    )
    path.parent.mkdir(parents=True, exist_ok=True)
    with Image.open(io.BytesIO(pages[0] if isinstance(pages, list) else pages)) as picture:
        picture.convert("RGB").quantize(COLORS).save(path, optimize=True)
    return path


def make_example(out: Path, example: Path) -> list[Path]:
    """Pictures of first pages and one small report out of the reports in ``out``; returns what was written."""
    written = []
    for name in PICTURED:
        folders = sorted(path.parent for path in (out / name).glob("*/run.json"))
        if folders:
            written.append(draw_first_page(folders[-1], example / f"{name}.png"))
            if name == PICTURED[0]:
                for file in KEPT:
                    target = example / name / file
                    target.parent.mkdir(parents=True, exist_ok=True)
                    written.append(Path(shutil.copyfile(folders[-1] / file, target)))
    return written


DEMO = WORK / "demo"
RECORDS = WORK / "records"
MARK = "made-from.txt"
WAIT_S = 600.0
# What the demo's store is made by: when one of these changes, it is made anew.
MAKERS = ("demo", "records", "tables", "model/traces")


def demo_fingerprint() -> str:
    """A hash over the code and tables that the demo's records and store are made by."""
    digest = hashlib.sha256()
    package = Path(__file__).resolve().parents[1]
    files = [*DATA.glob("*.toml")]
    for name in MAKERS:
        files += (package / name).rglob("*.py")
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
    from ventbook.records.intake import ingest
    from ventbook.records.store import create_store

    days: dict[str, dt.date] = delivery_days()
    deliveries = write_demo(folder)
    create_store(folder / "store")
    for delivery in deliveries:
        ingest([delivery], store=folder / "store", today=days[delivery.name])


@contextmanager
def _wait_for_lock(path: Path) -> Iterator[None]:
    """Holds the lock as soon as it is free."""
    from ventbook.records.store import StoreError
    from ventbook.records.store.delta import hold_lock

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


def ingest_folder(records: Path, store: Path = RECORDS / "store") -> Path:
    """A workshop's own files into the store of its records."""
    from ventbook.errors import InputError
    from ventbook.records.intake import ingest

    if not records.exists():
        raise InputError(
            f"records folder {records} does not exist; give the folder that holds your record files"
        )
    own = records / "limits.toml"
    if own.is_file():
        from ventbook import tables

        tables.load_limits(own, engine_types=None)  # the engines come with these records
        store.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(own, tables.own_limits_path(store))
    mapping = records / "mapping.toml"
    ingest([records], store=store, mapping=mapping if mapping.is_file() else None)
    return store
