"""Writes the invented fleet's records as workshops hand them in, with the planted truth beside them."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path
from typing import Any

import pandas as pd

from ventbook import dictionary
from ventbook.demo.deliveries import TABLES, Deliveries, Row, plan_deliveries, write_column
from ventbook.demo.fleet import US_COLUMNS, US_READING, Fleet, simulate_fleet
from ventbook.demo.settings import hand_in_day, list_quarters, read_settings


def write_demo(
    folder: Path | str,
    *,
    ventings: int = 600,
    seed: int | None = None,
    messy: bool = False,
    traces: bool = True,
) -> list[Path]:
    """Writes the invented fleet into ``folder``; returns the delivery folders, oldest first.

    Each delivery (``2024Q4`` .. ``2026Q3``) holds one file a workshop and table. ``messy`` writes the same records
    on the workshops' own forms, with more errors; both come to the same accepted rows. ``truth.json`` says what was
    planted, the true cause of each failing venting, which errors stand where and on which day each delivery is handed in (``traces`` False: no samples); ``limits.toml`` holds the
    invented manual's limits, ``actions.toml`` the invented team's actions. Files of an earlier demo in the folder are replaced, anything else is left alone.

    Raises FileExistsError when a delivery's name is taken by something that is not a demo's folder.
    """
    folder = Path(folder)
    seed = read_settings()["fleet"]["seed"] if seed is None else seed
    fleet = simulate_fleet(ventings=ventings, seed=seed, traces=traces)
    plan = plan_deliveries(fleet, seed=seed, messy=messy)
    _clear(folder)
    folder.mkdir(parents=True, exist_ok=True)
    if messy:
        from ventbook.demo.messy import write_messy

        errors = write_messy(folder, plan)
    else:
        errors = _write_clean(folder, plan)
    for name in ("limits", "actions"):
        shutil.copyfile(dictionary.DATA / f"demo_{name}.toml", folder / f"{name}.toml")
    _write_truth(folder, fleet, plan, errors, messy=messy)
    return [folder / quarter for quarter in list_quarters()]


def list_headers(table: str, site: str) -> dict[str, str]:
    """Stored column -> header with unit, as that workshop writes it."""
    us = site in [s["name"] for s in read_settings()["site"] if s.get("us_units")]
    headers = {}
    for column in dictionary.tables()[table].columns:
        header = column.header
        if us and column.stored in US_COLUMNS.get(table, ()):
            header = f"{column.name} [{US_READING[column.unit][0]}]"
        headers[column.stored] = header
    return headers


def describe_error(row: Row, file: str, line: int, sheet: str = "") -> dict[str, Any]:
    """What truth.json says about one planted error."""
    if row.mistake is None:
        raise ValueError("the row carries no mistake")
    key = {name: row.cells[name] for name in dictionary.tables()[row.table].key}
    return {
        "delivery": row.quarter,
        "file": file,
        "sheet": sheet,
        "line": line,
        "table": row.table,
        "key": key,
        "column": row.mistake.column,
        "kind": row.mistake.kind,
        "code": row.mistake.code,
        "mended_in": row.mended_in,
    }


def write_samples(frame: pd.DataFrame, path: Path) -> None:
    """Traces as CSV, quantities in canonical units."""
    columns = dictionary.tables()["samples"].columns
    texts = {column.header: write_column(frame[column.stored], column) for column in columns}
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(texts)
        writer.writerows(zip(*texts.values(), strict=True))


def _clear(folder: Path) -> None:
    if not folder.exists():
        return
    old = (folder / "truth.json").is_file()
    for quarter in list_quarters():
        path = folder / quarter
        if path.exists() and not old:
            raise FileExistsError(f"{path} exists and {folder} holds no demo; name an empty folder")
        if path.exists():
            shutil.rmtree(path)


def _write_clean(folder: Path, plan: Deliveries) -> list[dict[str, Any]]:
    errors = []
    for quarter in list_quarters():
        (folder / quarter).mkdir(exist_ok=True)
    for (quarter, site, table), rows in sorted(plan.rows.items(), key=lambda item: item[0]):
        path = folder / quarter / f"{table}_{site}.csv"
        headers = {k: h for k, h in list_headers(table, site).items() if k in rows[0].cells}
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(headers.values())
            for row in rows:
                writer.writerow([row.cells[name] for name in headers])
        errors += [
            describe_error(row, f"{quarter}/{path.name}", line)
            for line, row in enumerate(rows, 2)
            if row.mistake is not None
        ]
    for (quarter, site), frame in plan.samples.items():
        write_samples(frame, folder / quarter / f"samples_{site}.csv")
    return errors


def _write_truth(
    folder: Path, fleet: Fleet, plan: Deliveries, errors: list[dict[str, Any]], *, messy: bool
) -> None:
    lifters = fleet.truth["lifters"]
    counts: dict[str, dict[str, int]] = {quarter: dict.fromkeys(TABLES, 0) for quarter in list_quarters()}
    notes: dict[str, int] = {}
    for row in plan.all_rows():
        counts[row.quarter][row.table] += 1
        if row.note:
            notes[row.note] = notes.get(row.note, 0) + 1
    truth = {
        "seed": fleet.truth["seed"],
        "messy": messy,
        "planted": fleet.truth["planted"],
        "deliveries": [
            {"folder": quarter, "today": hand_in_day(quarter).isoformat(), "rows": counts[quarter]}
            for quarter in list_quarters()
        ],
        "accepted": {name: len(frame) for name, frame in fleet.tables().items()},
        "notes": notes,
        "errors": errors,
        "failures": fleet.truth["failures"],
        "lifters": lifters[lifters["cause"] != ""].to_dict("records"),
    }
    (folder / "truth.json").write_text(json.dumps(truth, indent=1, default=str) + "\n", "utf-8")
