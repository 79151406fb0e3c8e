"""A last look for names: what leaves the house is searched for the names that the store's key stands for.

Names are coded at intake, before anything is written. Should one come through all the same (in a free text that
spells it in an unforeseen way, or through a table of ours), the report is held back. The names are readable by the
owner of the store's key only; where they can't be read, there is nothing to search for.

Finished reports into their place, failed ones out of the way.
"""

from __future__ import annotations

import re
import shutil
import time
import zipfile
from collections.abc import Iterable
from pathlib import Path

import pandas as pd

from ventbook.records import privacy
from ventbook.records.store import open_store
from ventbook.run.job import Job, Outcome, ReportError

# One word that is also a name is too common in prose to hold a report back for ("Mark", "Page", "Rose").
SHORTEST_WORD = 7
_PICTURE = re.compile(r"base64,[A-Za-z0-9+/=]+")
TEXTS = (".html", ".json", ".csv", ".ipynb", ".svg")


def names_to_look_for(store: Path) -> list[str]:
    """Names behind the store's codes that can be told from ordinary words and from places and engines."""
    names = privacy.read_names(store)
    if not names:
        return []
    snapshot = open_store(store).snapshot()
    known: set[str] = set()
    for table, columns in (("ventings", ["site", "engine_id"]), ("engines", ["engine_type"])):
        frame = snapshot.read(table, columns=columns)
        for column in columns:
            known |= {str(value).casefold() for value in pd.unique(frame[column].dropna())}
    return sorted(
        name
        for name in set(names.values())
        if name.casefold() not in known and (len(name.split()) > 1 or len(name) >= SHORTEST_WORD)
    )


def hold_back_names(folder: Path, names: Iterable[str]) -> None:
    """Raises ReportError naming the file (not the name) when a name stands in a report's files."""
    wanted = [re.escape(name).replace(r"\ ", r"\s+") for name in names]
    if not wanted:
        return
    pattern = re.compile(rf"\b(?:{'|'.join(wanted)})\b", re.IGNORECASE)
    for path in sorted(folder.rglob("*")):
        if path.is_file() and any(pattern.search(text) for text in _texts_of(path)):
            raise ReportError(
                f"a technician's name stands in {path.relative_to(folder).as_posix()}; the report is held back. "
                "Withdraw the intake, take the name out of the free text, and hand the file in again",
                code=2,
            )


def _texts_of(path: Path) -> Iterable[str]:
    if path.suffix in TEXTS:
        yield _PICTURE.sub("", path.read_text("utf-8", errors="replace"))
    elif path.suffix == ".xlsx":
        with zipfile.ZipFile(path) as book:
            for name in book.namelist():
                yield book.read(name).decode("utf-8", errors="replace")


def close_report(job: Job, code: int, message: str, seconds: float) -> Outcome:
    """Puts a report that came out well into its place; keeps the half-run notebook of one that didn't."""
    if code == 0:
        try:
            put_in_place(job.work, job.final)
            return Outcome(job.name, job.final, 0, seconds=seconds)
        except OSError as error:
            message, code = f"{job.final} can't be replaced ({error.strerror})", 1
    return Outcome(job.name, job.final, code, message, keep_half_run(job, code), seconds)


def put_in_place(work: Path, final: Path) -> None:
    """Swaps a finished folder into its place; the older one is gone only when the new one stands."""
    old = final.with_name(f".{final.name}.old")
    shutil.rmtree(old, ignore_errors=True)
    if final.exists():
        final.rename(old)
    try:
        work.rename(final)
    except OSError:
        if old.exists():
            old.rename(final)
        raise
    shutil.rmtree(old, ignore_errors=True)


def keep_half_run(job: Job, code: int) -> Path | None:
    """Keeps the half-run notebook of a fault of ours beside the report's place; clears the rest away."""
    kept: Path | None = None
    folder = job.final.with_name(f"{job.final.name}.failed")
    try:
        if code == 1 and (job.work / "report.ipynb").is_file():
            shutil.rmtree(folder, ignore_errors=True)
            folder.mkdir(parents=True)
            for name in ("report.ipynb", "traceback.txt"):
                if (job.work / name).is_file():
                    shutil.move(job.work / name, folder / name)
            kept = folder / "report.ipynb"
        shutil.rmtree(job.work, ignore_errors=True)
        if not any(job.final.parent.iterdir()):
            job.final.parent.rmdir()
    except OSError:
        pass
    return kept


WORK_FOLDER = re.compile(r"\..+\.(\d+|old)")  # of the process that made it, or the report it was to replace


def clear_leftovers(out: Path, *, older_than_h: float = 24.0) -> list[Path]:
    """Removes work folders that killed reports left in ``out``, older than some hours; returns them."""
    limit = time.time() - older_than_h * 3600.0
    made = (folder for folder in out.rglob(".*") if WORK_FOLDER.fullmatch(folder.name) and folder.is_dir())
    gone = [folder for folder in sorted(made) if folder.stat().st_mtime < limit]
    for folder in gone:
        shutil.rmtree(folder, ignore_errors=True)
    return gone
