"""How the invented fleet's records arrive: quarter by quarter, some late, some corrected, a few with plain errors.

A delivery is what all workshops hand in after a quarter, with cells as text in the workshop's own units. A row with a planted
error is quarantined and comes corrected with the next delivery, together with everything that belongs to its venting, so that
the store ends with exactly the fleet's tables. Delivered plainly the files are in the record format; delivered as workshops
really do, Harbour sends a workbook with a title over the headers, real dates and some numbers typed as text; Ridge its own
form in another language, with a mapping file; Plain US units, a byte order mark, columns in another order, spare separators
and a column of its own with line breaks; Lake semicolons, decimal commas and Windows-1252. Traces come as Parquet, and the
planted truth is written beside the files.
"""

from __future__ import annotations

import csv
import json
import shutil
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from ventbook import tables
from ventbook.demo.fleet import US_COLUMNS, US_READING, Fleet, simulate_fleet
from ventbook.demo.mistakes import MESSY, MISTAKES, TOO_MANY_CELLS, Mistake
from ventbook.demo.settings import hand_in_day, list_quarters, read_settings
from ventbook.demo.trial import write_trial
from ventbook.tables.units import convert

TABLES = ("engines", "ventings", "starts", "lifter_checks", "gauge_readings", "planned")
RIDGE_FILES = {
    "engines": "Motorenliste",
    "ventings": "Entlueftung",
    "starts": "Standlauf",
    "lifter_checks": "Spaltmessung",
}
TWICE = ("2025Q3", "Plain")  # whose ventings come once more with the next delivery


@dataclass(frozen=True)
class Row:
    """One row as handed in. ``cells``: stored column -> text, "" where empty. ``note`` says why it is there."""

    table: str
    site: str
    quarter: str
    cells: dict[str, str]
    note: str = ""
    mistake: Mistake | None = None
    corrected_in: str | None = None


@dataclass
class Deliveries:
    """All rows handed in, by quarter, site and table, and the traces that go with them."""

    rows: dict[tuple[str, str, str], list[Row]] = field(default_factory=dict)
    samples: dict[tuple[str, str], pd.DataFrame] = field(default_factory=dict)

    def add(self, row: Row) -> None:
        self.rows.setdefault((row.quarter, row.site, row.table), []).append(row)

    def all_rows(self) -> Iterator[Row]:
        for key in sorted(self.rows):
            yield from self.rows[key]


def plan_deliveries(fleet: Fleet, *, seed: int, messy: bool = False) -> Deliveries:
    """Spreads the fleet's records over the deliveries and plants corrections, duplicates and errors.

    ``messy`` adds further rows with errors; everything else is the same row for row.
    """
    rng = np.random.default_rng([seed, 7])
    quarters = list_quarters()
    handed = dict(
        zip(fleet.truth["ventings"]["venting_id"], fleet.truth["ventings"]["handed_in"], strict=True)
    )
    site_of = dict(zip(fleet.ventings["venting_id"], fleet.ventings["site"], strict=True))
    ventings = {r["venting_id"]: r for r in list_cells(fleet.ventings, "ventings", site_of)}
    children = {name: list_cells(getattr(fleet, name), name, site_of) for name in ("starts", "lifter_checks")}
    victims = _choose_victims(fleet, handed, children, rng)
    # A venting whose own row is quarantined takes its starts and checks with it to the next delivery.
    moved = {
        v: (quarters[quarters.index(handed[v]) + 1] if victims.get(("ventings", v)) else handed[v])
        for v in handed
    }
    plan = Deliveries()
    for venting_id, cells in ventings.items():
        for mistake in victims.get(("ventings", venting_id), []):
            plan.add(_spoil(Row("ventings", site_of[venting_id], handed[venting_id], cells), mistake))
        _hand_in_venting(plan, cells, site_of[venting_id], moved[venting_id], rng)
    for name, rows in children.items():
        for number, cells in enumerate(rows):
            row = Row(name, site_of[cells["venting_id"]], moved[cells["venting_id"]], cells)
            _hand_in_child(plan, row, victims.get((name, number), []), rng)
    _hand_in_engines(plan, fleet, moved, site_of, quarters)
    _hand_in_rest(plan, fleet, MISTAKES + MESSY if messy else MISTAKES)
    _repeat_some(plan, rng)
    if not fleet.samples.empty:
        places = fleet.samples["venting_id"].map(moved), fleet.samples["venting_id"].map(site_of)
        groups = fleet.samples.groupby([*places], sort=True)
        plan.samples = {(str(key[0]), str(key[1])): frame for key, frame in groups if isinstance(key, tuple)}
    return plan


def list_cells(frame: pd.DataFrame, name: str, site_of: dict[str, str]) -> list[dict[str, str]]:
    """The rows of a table as text cells, quantities in the unit that the row's site writes in."""
    us_sites = [site["name"] for site in read_settings()["site"] if site.get("us_units")]
    us = (
        frame["venting_id"].map(site_of).isin(us_sites).to_numpy()
        if "venting_id" in frame
        else np.zeros(len(frame), bool)
    )
    texts: dict[str, list[str]] = {}
    for column in tables.record_tables()[name].columns:
        if column.stored not in frame:
            continue
        values = frame[column.stored]
        written = write_column(values, column)
        if column.stored in US_COLUMNS.get(name, ()) and us.any():
            unit, decimals = US_READING[column.unit]
            own = np.round(convert(values.to_numpy(), column.unit, unit), decimals)
            written = [write_number(float(o)) if u else w for o, u, w in zip(own, us, written, strict=True)]
        texts[column.stored] = written
    return [dict(zip(texts, row, strict=True)) for row in zip(*texts.values(), strict=True)]


def write_column(values: pd.Series, column: tables.Column) -> list[str]:
    """One column as text: ISO dates, yes/no, shortest exact numbers, "" where empty."""
    missing = values.isna().to_numpy()
    if column.kind == "date":
        texts = values.dt.strftime("%Y-%m-%d").tolist()
    elif column.kind == "datetime":
        texts = values.dt.strftime("%Y-%m-%dT%H:%M").tolist()
    elif column.kind == "yes_no":
        texts = ["" if m else ("yes" if v else "no") for v, m in zip(values, missing, strict=True)]
    elif column.kind in ("quantity", "number"):
        texts = [write_number(float(v)) for v in values]
    else:
        texts = ["" if m else str(v) for v, m in zip(values, missing, strict=True)]
    return ["" if m else t for t, m in zip(texts, missing, strict=True)]


def write_number(value: float) -> str:
    """The shortest text that reads back to the same float; whole numbers without a point, NaN as ""."""
    if np.isnan(value):
        return ""
    return str(int(value)) if value == int(value) else repr(value)


def _choose_victims(
    fleet: Fleet, handed: dict[str, str], children: dict[str, list[dict[str, str]]], rng: np.random.Generator
) -> dict[tuple[str, Any], list[Mistake]]:
    """Which row of the fleet first arrives with which mistake; each row at most one."""
    quarters = list_quarters()
    victims: dict[tuple[str, Any], list[Mistake]] = {}
    spoilt_jobs: set[str] = set()
    ids = fleet.ventings["venting_id"].tolist()
    # Only what is handed in before the last delivery can be corrected in a later one.
    early = [v for v in ids if handed[v] != quarters[-1]]
    for mistake in (m for m in MISTAKES if m.mode == "corrected"):
        for _ in range(mistake.count):
            if mistake.table == "ventings":
                pool: list[Any] = [v for v in early if v not in spoilt_jobs]
                if mistake.needs:
                    column = fleet.ventings.set_index("venting_id")[mistake.needs]
                    pool = [v for v in pool if pd.notna(column[v])]
                chosen = pool[int(rng.integers(len(pool)))]
                spoilt_jobs.add(chosen)
            else:
                rows = children[mistake.table]
                pool = [
                    i
                    for i, cells in enumerate(rows)
                    if handed[cells["venting_id"]] != quarters[-1]
                    and cells["venting_id"] not in spoilt_jobs
                    and (not mistake.needs or cells[mistake.needs] != "")
                    and (not mistake.only_first or cells.get("check_no", "1") == "1")
                ]
                chosen = pool[int(rng.integers(len(pool)))]
                spoilt_jobs.add(rows[chosen]["venting_id"])
            victims.setdefault((mistake.table, chosen), []).append(mistake)
    return victims


def _spoil(row: Row, mistake: Mistake) -> Row:
    quarters = list_quarters()
    after = quarters[quarters.index(row.quarter) + 1]
    closed = row.cells.get("closed")
    cells = row.cells | (_open_until(date.fromisoformat(closed), row.quarter) if closed else {})
    return replace(row, cells=mistake.apply(cells), note="error", mistake=mistake, corrected_in=after)


def _hand_in_venting(
    plan: Deliveries, cells: dict[str, str], site: str, quarter: str, rng: np.random.Generator
) -> None:
    """The venting's row, open at first where the job closes after the delivery; now and then a number is corrected."""
    quarters = list_quarters()
    row = Row("ventings", site, quarter, cells)
    later = [q for q in quarters if q > quarter]
    closed = date.fromisoformat(cells["closed"]) if cells["closed"] else None
    corrected = bool(later) and rng.random() < 0.015
    versions = []
    if corrected:
        wrong = str(int(cells["rotations"]) + 10)
        versions.append(replace(row, cells=cells | {"rotations": wrong}, note="first version"))
    elif closed is not None and closed > hand_in_day(quarter):
        versions.append(replace(row, cells=cells | {"closed": ""}, note="first version"))
    if not versions:
        plan.add(row)
        return
    plan.add(replace(versions[0], cells=versions[0].cells | _open_until(closed, quarter)))
    back = next((q for q in later if closed is None or closed <= hand_in_day(q)), later[-1])
    plan.add(replace(row, quarter=back, note="correction"))


def _open_until(closed: date | None, quarter: str) -> dict[str, str]:
    return {"closed": ""} if closed is not None and closed > hand_in_day(quarter) else {}


def _hand_in_child(plan: Deliveries, row: Row, mistakes: list[Mistake], rng: np.random.Generator) -> None:
    quarters = list_quarters()
    if not mistakes:
        last = row.quarter == quarters[-1]
        if row.table == "lifter_checks" and not last and rng.random() < 0.001:
            wrong = replace(row, cells=row.cells | {"feel": "not_judged"}, note="first version")
            plan.add(wrong)
            plan.add(replace(row, quarter=quarters[quarters.index(row.quarter) + 1], note="correction"))
            return
        plan.add(row)
        return
    for mistake in mistakes:
        spoilt = _spoil(row, mistake)
        plan.add(spoilt)
        if mistake.both:  # two rows of one key that contradict each other
            plan.add(replace(spoilt, cells=row.cells))
    plan.add(replace(row, quarter=quarters[quarters.index(row.quarter) + 1], note="corrected"))


def _hand_in_engines(
    plan: Deliveries, fleet: Fleet, moved: dict[str, str], site_of: dict[str, str], quarters: list[str]
) -> None:
    first: dict[str, tuple[str, str]] = {}
    spoilt = {
        row.cells["venting_id"]: row.quarter
        for row in plan.all_rows()
        if row.note == "error" and row.table == "ventings"
    }
    for venting_id, engine_id in zip(fleet.ventings["venting_id"], fleet.ventings["engine_id"], strict=True):
        quarter = spoilt.get(venting_id, moved[venting_id])
        if engine_id not in first or quarter < first[engine_id][0]:
            first[engine_id] = (quarter, site_of[venting_id])
    home = {row["engine_id"]: row["site"] for row in fleet.planned[["engine_id", "site"]].to_dict("records")}
    for cells in list_cells(fleet.engines, "engines", {}):
        engine_id = cells["engine_id"]
        quarter, site = first.get(engine_id, (quarters[-1], home.get(engine_id, "Harbour")))
        plan.add(Row("engines", site, quarter, cells))


def _hand_in_rest(plan: Deliveries, fleet: Fleet, mistakes: tuple[Mistake, ...]) -> None:
    """Gauge studies, planned ventings, and the rows with an error that nobody corrects."""
    quarters = list_quarters()
    when = {study["name"]: (study["quarter"], study["site"]) for study in read_settings()["study"]}
    for cells in list_cells(fleet.gauge_readings, "gauge_readings", {}):
        quarter, site = when[cells["study"]]
        plan.add(Row("gauge_readings", site, quarter, cells))
    sites = dict(zip(fleet.planned["venting_id"], fleet.planned["site"], strict=True))
    for cells in list_cells(fleet.planned, "planned", sites):
        plan.add(Row("planned", sites[cells["venting_id"]], quarters[-1], cells))
    templates: dict[tuple[str, str, str], Row] = {}
    for row in plan.all_rows():
        if not row.note:
            templates.setdefault((row.table, row.site, row.quarter), row)
    for mistake in (m for m in mistakes if m.mode == "extra"):
        template = templates.get((mistake.table, mistake.site, mistake.quarter))
        if template is not None:
            plan.add(replace(template, cells=mistake.apply(template.cells), note="error", mistake=mistake))


def _repeat_some(plan: Deliveries, rng: np.random.Generator) -> None:
    """A few rows of one delivery are handed in again with the next, unchanged."""
    quarters = list_quarters()
    settled = [
        row
        for row in plan.all_rows()
        if not row.note and row.table == "ventings" and row.quarter != quarters[-1]
    ]
    again = {r.cells["venting_id"] for r in plan.all_rows() if r.table == "ventings" and r.note}
    settled = [row for row in settled if row.cells["venting_id"] not in again]
    for index in rng.choice(len(settled), size=min(6, len(settled)), replace=False):
        row = settled[int(index)]
        plan.add(replace(row, quarter=quarters[quarters.index(row.quarter) + 1], note="duplicate"))


def delivery_days() -> dict[str, date]:
    """Hand-in day of each delivery, by quarter."""
    return {quarter: hand_in_day(quarter) for quarter in list_quarters()}


def write_messy(folder: Path, plan: Deliveries) -> list[dict[str, Any]]:
    """Writes all deliveries on the workshops' own forms; returns the planted errors with their addresses."""
    errors: list[dict[str, Any]] = []
    groups: dict[tuple[str, str], dict[str, list[Row]]] = defaultdict(dict)
    for (quarter, site, table), rows in sorted(plan.rows.items(), key=lambda item: item[0]):
        groups[quarter, site][table] = rows
    for quarter in list_quarters():
        (folder / quarter).mkdir(exist_ok=True)
    for (quarter, site), by_name in groups.items():
        write = {"Harbour": _write_workbook, "Ridge": _write_own_form, "Plain": _write_us}.get(
            site, _write_semicolons
        )
        errors += write(folder / quarter, site, by_name)
    errors += _slip_a_column(folder, groups)
    quarter, site = TWICE
    again = [row for row in groups[quarter, site].get("ventings", []) if not row.note]
    after = list_quarters()[list_quarters().index(quarter) + 1]
    _write_rows(folder / after / f"ventings_{site}_copy.csv", list_headers("ventings", site), again)
    for (quarter, site), frame in plan.samples.items():
        _write_traces(frame, folder / quarter / f"samples_{site}.parquet")
    shutil.copyfile(tables.DATA / "demo_ridge_form.toml", folder / "mapping.toml")
    return errors


def _slip_a_column(folder: Path, groups: dict[tuple[str, str], dict[str, list[Row]]]) -> list[dict[str, Any]]:
    """One of Lake's files comes with the forces in kgf under a header that says N, and corrected a delivery later."""
    for quarter, after in pairwise(list_quarters()):
        rows = groups.get((quarter, "Lake"), {}).get("lifter_checks", [])
        if not rows or any(row.note for row in rows):
            continue
        slipped = [replace(row, cells=row.cells | {"force_N": _in_kgf(row.cells["force_N"])}) for row in rows]
        _write_semicolons(folder / quarter, "Lake", {"lifter_checks": slipped})
        corrected = folder / after / "lifter_checks_Lake_corrected.csv"
        _write_rows(corrected, list_headers("lifter_checks", "Lake"), rows)
        error: dict[str, Any] = {
            "delivery": quarter,
            "file": f"{quarter}/lifter_checks_Lake.csv",
            "sheet": "",
        }
        error |= {"line": None, "table": "lifter_checks", "key": {}, "column": "force_N"}
        error |= {"kind": "whole column in kgf"}
        return [error | {"code": "column_unit_suspected", "corrected_in": after}]
    return []


def _in_kgf(force: str) -> str:
    return f"{float(convert(float(force), 'N', 'kgf')):.2f}"


def _list_errors(rows: list[Row], file: str, first: int, sheet: str = "") -> list[dict[str, Any]]:
    return [
        describe_error(row, file, line, sheet)
        for line, row in enumerate(rows, first)
        if row.mistake is not None
    ]


def _write_rows(path: Path, headers: dict[str, str], rows: list[Row]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(headers.values())
        writer.writerows([row.cells.get(name, "") for name in headers] for row in rows)


def _write_workbook(folder: Path, site: str, by_name: dict[str, list[Row]]) -> list[dict[str, Any]]:
    import xlsxwriter

    path = folder / f"Records {site} {folder.name}.xlsx"
    errors = []
    # A fixed creation date: the same demo is the same file, byte for byte.
    with xlsxwriter.Workbook(str(path)) as book:
        book.set_properties({"created": datetime(2026, 10, 1), "title": f"Venting records {site}"})
        day, clock = (
            book.add_format({"num_format": "dd/mm/yyyy"}),
            book.add_format({"num_format": "dd/mm/yyyy hh:mm"}),
        )
        title = book.add_format({"bold": True, "font_size": 14})
        for table, rows in by_name.items():
            sheet = book.add_worksheet(table)
            headers = {k: h for k, h in list_headers(table, site).items() if k in rows[0].cells}
            sheet.merge_range(
                0, 0, 0, min(5, len(headers) - 1), f"{site} workshop: {table.replace('_', ' ')}", title
            )
            sheet.write_string(1, 0, f"handed in for {folder.name}")
            columns = tables.record_tables()[table]
            for place, (stored, header) in enumerate(headers.items()):
                sheet.write_string(3, place, header)
                column = columns.column(stored)
                for line, row in enumerate(rows, 4):
                    _write_cell(sheet, line, place, row.cells[stored], column, day, clock)
            errors += _list_errors(rows, f"{folder.name}/{path.name}", 5, table)
    return errors


def _write_cell(
    sheet: Any, line: int, place: int, text: str, column: tables.Column, day: Any, clock: Any
) -> None:
    """A typed cell where the text is what the column asks for, else the text; holds are typed as text on purpose."""
    if text == "":
        return
    if column.kind in ("quantity", "number", "integer") and column.name != "hold":
        try:
            sheet.write_number(line, place, float(text))
            return
        except ValueError:
            pass
    elif column.kind == "date":
        try:
            sheet.write_datetime(line, place, date.fromisoformat(text), day)
            return
        except ValueError:
            pass
    elif column.kind == "datetime":
        sheet.write_datetime(line, place, datetime.fromisoformat(text), clock)
        return
    sheet.write_string(line, place, text)


def _write_own_form(folder: Path, site: str, by_name: dict[str, list[Row]]) -> list[dict[str, Any]]:
    """Ridge's form: its own headers and codes, semicolons, decimal commas, day first, Windows-1252, two lines on top."""
    sources = {
        source["table"]: source for source in tables.read_toml(tables.DATA / "demo_ridge_form.toml")["source"]
    }
    errors = []
    for table, rows in by_name.items():
        if table not in sources:  # the form has no page for it
            headers = {k: h for k, h in list_headers(table, site).items() if k in rows[0].cells}
            _write_rows(folder / f"{table}_{site}.csv", headers, rows)
            continue
        source = sources[table]
        codes = (
            {column: {ours: own for own, ours in pairs.items()} for column, pairs in source["codes"].items()}
            if "codes" in source
            else {}
        )
        path = folder / f"{RIDGE_FILES[table]}_{folder.name}.csv"
        columns = {c.stored: c for c in tables.record_tables()[table].columns if c.stored in rows[0].cells}
        own = {ours: header for header, ours in source["columns"].items()}
        with path.open("w", encoding="cp1252", newline="") as file:
            writer = csv.writer(file, delimiter=";", lineterminator="\r\n")
            writer.writerow([f"{site}: {RIDGE_FILES[table]} {folder.name}"])
            writer.writerow(["Alle Maße metrisch", "Dezimalkomma"])
            writer.writerow([own[c.name] for c in columns.values()])
            for row in rows:
                writer.writerow(
                    [_say_own(row.cells[stored], column, codes) for stored, column in columns.items()]
                )
        errors += _list_errors(rows, f"{folder.name}/{path.name}", 4)
    return errors


def _say_own(text: str, column: tables.Column, codes: dict[str, dict[str, str]]) -> str:
    if column.kind in ("quantity", "number"):
        return text.replace(".", ",")
    if column.kind in ("date", "datetime") and text:
        day, _, clock = text.partition("T")
        year, month, number = day.split("-")
        return f"{number}.{month}.{year} {clock}".strip()
    return codes.get(column.name, {}).get(text, text)


def _write_us(folder: Path, site: str, by_name: dict[str, list[Row]]) -> list[dict[str, Any]]:
    """Plain's files: US units, byte order mark, columns in reverse order, spare separators, a column of its own."""
    errors = []
    for table, rows in by_name.items():
        path = folder / f"{table}_{site}_{folder.name}.csv"
        headers = {k: h for k, h in reversed(list_headers(table, site).items()) if k in rows[0].cells}
        line, lines = 2, []
        with path.open("w", encoding="utf-8-sig", newline="") as file:
            writer = csv.writer(file, lineterminator="\r\n")
            writer.writerow([*headers.values(), "our notes", "", ""])
            for number, row in enumerate(rows):
                note = "see\nfile card" if number % 9 == 4 else ""
                spare = (
                    ["x", "y", "z"] if row.mistake is not None and row.mistake.kind == TOO_MANY_CELLS else []
                )
                writer.writerow([*(row.cells[name] for name in headers), note, "", "", *spare])
                lines.append(line)
                line += 2 if note else 1
        for at, row in zip(lines, rows, strict=True):
            if row.mistake is not None:
                errors.append(describe_error(row, f"{folder.name}/{path.name}", at))
    return errors


def _write_semicolons(folder: Path, site: str, by_name: dict[str, list[Row]]) -> list[dict[str, Any]]:
    """Lake's files: the format's own headers, but semicolons, decimal commas and Windows-1252, no mapping."""
    errors = []
    for table, rows in by_name.items():
        path = folder / f"{table}_{site}.csv"
        headers = {k: h for k, h in list_headers(table, site).items() if k in rows[0].cells}
        headers |= {k: h.replace("degC", "°C") for k, h in headers.items()}
        kinds = {c.stored: c.kind for c in tables.record_tables()[table].columns}
        with path.open("w", encoding="cp1252", newline="") as file:
            writer = csv.writer(file, delimiter=";", lineterminator="\r\n")
            writer.writerow(headers.values())
            for row in rows:
                writer.writerow(
                    [
                        row.cells[k].replace(".", ",") if kinds[k] in ("quantity", "number") else row.cells[k]
                        for k in headers
                    ]
                )
        errors += _list_errors(rows, f"{folder.name}/{path.name}", 2)
    return errors


def _write_traces(frame: pd.DataFrame, path: Path) -> None:
    columns = tables.record_tables()["samples"].columns
    named = frame[[c.stored for c in columns]].rename(columns={c.stored: c.header for c in columns})
    named.to_parquet(path, index=False)


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
    invented manual's limits, ``actions.toml`` the invented team's actions, ``gauges.toml`` its register of gauges, ``trials`` a finished trial of a change that does nothing. Files of an earlier demo in the folder are replaced, anything else is left alone.

    Raises FileExistsError when a delivery's name is taken by something that is not a demo's folder.
    """
    folder = Path(folder)
    seed = read_settings()["fleet"]["seed"] if seed is None else seed
    fleet = simulate_fleet(ventings=ventings, seed=seed, traces=traces)
    plan = plan_deliveries(fleet, seed=seed, messy=messy)
    clear_demo(folder)
    folder.mkdir(parents=True, exist_ok=True)
    if messy:
        errors = write_messy(folder, plan)
    else:
        errors = _write_clean(folder, plan)
    for name in ("limits", "actions", "gauges"):
        shutil.copyfile(tables.DATA / f"demo_{name}.toml", folder / f"{name}.toml")
    write_trial(folder, fleet.ventings, fleet.engines)
    _write_truth(folder, fleet, plan, errors, messy=messy)
    return [folder / quarter for quarter in list_quarters()]


def list_headers(table: str, site: str) -> dict[str, str]:
    """Stored column -> header with unit, as that workshop writes it."""
    us = site in [s["name"] for s in read_settings()["site"] if s.get("us_units")]
    headers = {}
    for column in tables.record_tables()[table].columns:
        header = column.header
        if us and column.stored in US_COLUMNS.get(table, ()):
            header = f"{column.name} [{US_READING[column.unit][0]}]"
        headers[column.stored] = header
    return headers


def describe_error(row: Row, file: str, line: int, sheet: str = "") -> dict[str, Any]:
    """What truth.json says about one planted error."""
    if row.mistake is None:
        raise ValueError("the row carries no mistake")
    key = {name: row.cells[name] for name in tables.record_tables()[row.table].key}
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
        "corrected_in": row.corrected_in,
    }


def write_samples(frame: pd.DataFrame, path: Path) -> None:
    """Traces as CSV, quantities in canonical units."""
    columns = tables.record_tables()["samples"].columns
    texts = {column.header: write_column(frame[column.stored], column) for column in columns}
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(texts)
        writer.writerows(zip(*texts.values(), strict=True))


def clear_demo(folder: Path) -> None:
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
        "trial": {name: read_settings()["trial"][name] for name in ("name", "text")},
        "failures": fleet.truth["failures"],
        "readings": fleet.truth["readings"],
        "let_through": fleet.truth["let_through"],
        "lifters": lifters[lifters["cause"] != ""].to_dict("records"),
    }
    (folder / "truth.json").write_text(json.dumps(truth, indent=1, default=str) + "\n", "utf-8")
