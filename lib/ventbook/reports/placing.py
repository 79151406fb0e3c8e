"""Finished reports into their place, failed ones out of the way."""

from __future__ import annotations

import shutil
from pathlib import Path

from .task import Outcome, Task


def close_report(task: Task, code: int, message: str, seconds: float) -> Outcome:
    """Puts a report that came out well into its place; keeps the half-run notebook of one that didn't."""
    if code == 0:
        try:
            put_in_place(task.work, task.final)
            return Outcome(task.name, task.final, 0, seconds=seconds)
        except OSError as error:
            message, code = f"{task.final} can't be replaced ({error.strerror})", 1
    return Outcome(task.name, task.final, code, message, keep_half_run(task, code), seconds)


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


def keep_half_run(task: Task, code: int) -> Path | None:
    """Keeps the half-run notebook of a fault of ours beside the report's place; clears the rest away."""
    kept: Path | None = None
    folder = task.final.with_name(f"{task.final.name}.failed")
    try:
        if code == 1 and (task.work / "report.ipynb").is_file():
            shutil.rmtree(folder, ignore_errors=True)
            folder.mkdir(parents=True)
            for name in ("report.ipynb", "traceback.txt"):
                if (task.work / name).is_file():
                    shutil.move(task.work / name, folder / name)
            kept = folder / "report.ipynb"
        shutil.rmtree(task.work, ignore_errors=True)
        if not any(task.final.parent.iterdir()):
            task.final.parent.rmdir()
    except OSError:
        pass
    return kept
