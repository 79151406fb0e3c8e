"""The demo's store and all of its reports in one go, for ``make report``, and the small example kept in the repository.

The example is one report of the demo and pictures of first pages for the README, which are set by the same writer as the PDF, so
that no browser is needed.
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

from ventbook.document.typst import compile_pages
from ventbook.errors import InputError
from ventbook.places import Place, place_beside
from ventbook.run.export import make_document, read_finished, stamp_line
from ventbook.run.names import put_in_place
from ventbook.run.stamp import read_run
from ventbook.shipped import DATA, WORK

PICTURED = ("quarterly-review", "spongy-lifters", "planned-venting")
KEPT = ("report.html", "findings.json")
COLORS = 48
DEMO = WORK / "demo"
RECORDS = WORK / "records"
MARK = "made-from.txt"
WAIT_S = 600.0
# What the demo's store is made by: when one of these changes, it is made anew.
MAKERS = ("demo", "records", "tables", "model/traces")


def draw_first_page(folder: Path, path: Path, *, ppi: float = 72.0) -> Path:
    """The first page of a finished report as PNG, ``ppi`` pixels an inch."""
    from PIL import Image

    run = read_run(folder)
    blocks, closing = read_finished(folder / "report.ipynb")
    pages, _ = compile_pages(
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
    from concurrent.futures import ProcessPoolExecutor, wait
    from multiprocessing import get_context

    from ventbook.demo import delivery_days, write_demo
    from ventbook.model.traces.features import compile_kernel
    from ventbook.records.intake import ingest
    from ventbook.records.store import create_store

    days: dict[str, dt.date] = delivery_days()
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as beside:
        compiled = beside.submit(compile_kernel)  # while the fleet is invented, not while its traces wait
        deliveries = write_demo(folder)
        create_store(folder / "store")
        wait([compiled])
    for delivery in deliveries:
        ingest([delivery], store=folder / "store", today=days[delivery.name])


@contextmanager
def _wait_for_lock(path: Path) -> Iterator[None]:
    """Holds the lock as soon as it is free."""
    from ventbook.records.store import StoreError
    from ventbook.records.store.locks import hold_lock

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


def ingest_folder(records: Path, store: Place | None = None, *, say: Callable[[str], Any] = print) -> Place:
    """A workshop's own files into the store of its records, and what came of it told in lines.

    ``store`` says where it lies; None is where ``make report`` keeps it. A folder in the folder is a delivery of its own; they are taken in in the order of their names (2026Q1 before
    2026Q2), loose files last. ``mapping.toml`` counts for its folder and those below it.
    """
    from ventbook import tables
    from ventbook.records.intake import ingest
    from ventbook.records.store import BESIDE
    from ventbook.run.export import describe_intake

    store = store or RECORDS / "store"
    if not records.is_dir():
        raise InputError(
            f"records folder {records} does not exist; give the folder that holds your record files"
        )
    deliveries = list_deliveries(records)
    if not deliveries:
        raise InputError(f"{records}: the folder holds no record files (CSV, XLSX, ODS, Parquet)")
    if (records / "limits.toml").is_file():
        tables.load_limits(records / "limits.toml", engine_types=None)  # the engines come with these records
    if (records / "gauges.toml").is_file():
        tables.load_gauges(records / "gauges.toml")
    store.parent.mkdir(parents=True, exist_ok=True)
    for name in BESIDE:
        if (records / name).is_file():
            place_beside(store, name).write_bytes((records / name).read_bytes())
    for folder, mapping in deliveries:
        if len(deliveries) > 1:
            say(f"{folder.relative_to(records).as_posix()}:" if folder != records else "loose files:")
        for line in describe_intake(ingest([folder], store=store, mapping=mapping), store=store):
            say(line)
    return store


def list_deliveries(records: Path) -> list[tuple[Path, Path | None]]:
    """Folders that hold record files, each with its mapping file: in the order of their names, ``records`` itself last.

    Hidden folders, stores and Delta tables are passed over.
    """
    from ventbook.records.readers import is_record_file

    found: list[tuple[Path, Path | None]] = []

    def look(folder: Path, mapping: Path | None) -> None:
        own = folder / "mapping.toml"
        mapping = own if own.is_file() else mapping
        inside = sorted(path for path in folder.iterdir() if not path.name.startswith("."))
        for path in inside:
            if path.is_dir() and not any(
                (path / mark).exists() for mark in ("_delta_log", "ventbook-store.json")
            ):
                look(path, mapping)
        if any(path.is_file() and is_record_file(path) for path in inside):
            found.append((folder, mapping))

    look(records, None)
    return found
