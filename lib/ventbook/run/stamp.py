"""``run.json``: what a report was made from, when, and what it consists of."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path
from typing import Any

from ventbook.document.blocks import Closing
from ventbook.reports.scope import file_hash
from ventbook.run.job import Job, shown_path

NOT_HASHED = ("run.json", "kernel.json")


def write_run(
    job: Job, closing: Closing, *, begun: dt.datetime, times: dict[str, float], warned: list[str]
) -> None:
    """Writes ``run.json``. Times stand here only, so that the other files come out the same."""
    stamp = closing.stamp
    parameters = dict(job.parameters, as_of=stamp["snapshot"])
    del parameters["out"]
    for name in ("store", "limits"):
        if parameters.get(name):
            parameters[name] = shown_path(parameters[name], job.final)
    run = {
        **stamp,
        "version": 1,
        "parameters": parameters,
        "title": closing.title,
        "scope": closing.scope,
        "period": closing.period,
        "answer": closing.answers,
        "banner": closing.banner,
        "alerts": closing.alerts,
        "paper": job.paper,
        "comments": shown_path(job.comments, job.final) if job.comments else "",
        "warnings": warned,
        "files": list_files(job.work),
        "started": begun.isoformat(timespec="seconds"),
        "ended": (begun + dt.timedelta(seconds=times["duration_s"])).isoformat(timespec="seconds"),
        **{name: round(value, 2) for name, value in times.items()},
    }
    text = json.dumps(run, ensure_ascii=False, indent=1, allow_nan=False)
    (job.work / "run.json").write_text(text + "\n", encoding="utf-8", newline="")


def list_files(folder: Path) -> dict[str, str]:
    """SHA-256 of every file of a report by its path, ``run.json`` left out."""
    return {
        path.relative_to(folder).as_posix(): file_hash(path)
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name not in NOT_HASHED
    }


def read_run(folder: Path) -> dict[str, Any]:
    """``run.json`` of a finished report.

    Raises InputError with one line when the folder isn't one.
    """
    from ventbook.errors import InputError

    path = folder / "run.json"
    if not folder.is_dir():
        raise InputError(f"{folder} does not exist; give the folder of one finished report")
    if not path.is_file():
        raise InputError(f"{folder} is not a finished report (run.json is missing); give OUT/NAME/SCOPE")
    try:
        run = json.loads(path.read_text("utf-8"))
        if run["version"] != 1 or not isinstance(run["parameters"], dict):
            raise ValueError("version")
    except (ValueError, KeyError, TypeError):
        raise InputError(f"{path} can't be read as the stamp of a report") from None
    return run
