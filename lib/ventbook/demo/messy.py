"""The invented fleet's records on the workshops' own forms: the same rows, in the shapes that really arrive.

Harbour sends a workbook with a title over the headers, real dates and some numbers typed as text; Ridge its own
form in another language, with a mapping file; Plain US units, a byte order mark, columns in another order, spare
separators and a column of its own with line breaks; Lake semicolons, decimal commas and Windows-1252. Traces come
as Parquet. One delivery is handed in twice in part.
"""

from __future__ import annotations

import csv
import shutil
from collections import defaultdict
from dataclasses import replace
from datetime import date, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import pandas as pd

from ventbook import dictionary
from ventbook.demo.deliveries import Deliveries, Row
from ventbook.demo.files import describe_error, list_headers
from ventbook.demo.mistakes import TOO_MANY_CELLS
from ventbook.demo.settings import list_quarters
from ventbook.units import convert

RIDGE_FILES = {
    "engines": "Motorenliste",
    "ventings": "Entlueftung",
    "starts": "Standlauf",
    "lifter_checks": "Spaltmessung",
}
TWICE = ("2025Q3", "Plain")  # whose ventings come once more with the next delivery


def write_messy(folder: Path, plan: Deliveries) -> list[dict[str, Any]]:
    """Writes all deliveries on the workshops' own forms; returns the planted errors with their addresses."""
    errors: list[dict[str, Any]] = []
    groups: dict[tuple[str, str], dict[str, list[Row]]] = defaultdict(dict)
    for (quarter, site, table), rows in sorted(plan.rows.items(), key=lambda item: item[0]):
        groups[quarter, site][table] = rows
    for quarter in list_quarters():
        (folder / quarter).mkdir(exist_ok=True)
    for (quarter, site), tables in groups.items():
        write = {"Harbour": _write_workbook, "Ridge": _write_own_form, "Plain": _write_us}.get(
            site, _write_semicolons
        )
        errors += write(folder / quarter, site, tables)
    errors += _slip_a_column(folder, groups)
    quarter, site = TWICE
    again = [row for row in groups[quarter, site].get("ventings", []) if not row.note]
    after = list_quarters()[list_quarters().index(quarter) + 1]
    _write_rows(folder / after / f"ventings_{site}_copy.csv", list_headers("ventings", site), again)
    for (quarter, site), frame in plan.samples.items():
        _write_traces(frame, folder / quarter / f"samples_{site}.parquet")
    shutil.copyfile(dictionary.DATA / "demo_ridge_form.toml", folder / "ridge_form.toml")
    return errors


def _slip_a_column(folder: Path, groups: dict[tuple[str, str], dict[str, list[Row]]]) -> list[dict[str, Any]]:
    """One of Lake's files comes with the forces in kgf under a header that says N, and mended a delivery later."""
    for quarter, after in pairwise(list_quarters()):
        rows = groups.get((quarter, "Lake"), {}).get("lifter_checks", [])
        if not rows or any(row.note for row in rows):
            continue
        slipped = [replace(row, cells=row.cells | {"force_N": _in_kgf(row.cells["force_N"])}) for row in rows]
        _write_semicolons(folder / quarter, "Lake", {"lifter_checks": slipped})
        mended = folder / after / "lifter_checks_Lake_mended.csv"
        _write_rows(mended, list_headers("lifter_checks", "Lake"), rows)
        error: dict[str, Any] = {
            "delivery": quarter,
            "file": f"{quarter}/lifter_checks_Lake.csv",
            "sheet": "",
        }
        error |= {"line": None, "table": "lifter_checks", "key": {}, "column": "force_N"}
        error |= {"kind": "whole column in kgf"}
        return [error | {"code": "column_unit_suspected", "mended_in": after}]
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


def _write_workbook(folder: Path, site: str, tables: dict[str, list[Row]]) -> list[dict[str, Any]]:
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
        for table, rows in tables.items():
            sheet = book.add_worksheet(table)
            headers = {k: h for k, h in list_headers(table, site).items() if k in rows[0].cells}
            sheet.merge_range(
                0, 0, 0, min(5, len(headers) - 1), f"{site} workshop: {table.replace('_', ' ')}", title
            )
            sheet.write_string(1, 0, f"handed in for {folder.name}")
            columns = dictionary.tables()[table]
            for place, (stored, header) in enumerate(headers.items()):
                sheet.write_string(3, place, header)
                column = columns.column(stored)
                for line, row in enumerate(rows, 4):
                    _write_cell(sheet, line, place, row.cells[stored], column, day, clock)
            errors += _list_errors(rows, f"{folder.name}/{path.name}", 5, table)
    return errors


def _write_cell(
    sheet: Any, line: int, place: int, text: str, column: dictionary.Column, day: Any, clock: Any
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


def _write_own_form(folder: Path, site: str, tables: dict[str, list[Row]]) -> list[dict[str, Any]]:
    """Ridge's form: its own headers and codes, semicolons, decimal commas, day first, Windows-1252, two lines on top."""
    sources = {
        source["table"]: source
        for source in dictionary.read_toml(dictionary.DATA / "demo_ridge_form.toml")["source"]
    }
    errors = []
    for table, rows in tables.items():
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
        columns = {c.stored: c for c in dictionary.tables()[table].columns if c.stored in rows[0].cells}
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


def _say_own(text: str, column: dictionary.Column, codes: dict[str, dict[str, str]]) -> str:
    if column.kind in ("quantity", "number"):
        return text.replace(".", ",")
    if column.kind in ("date", "datetime") and text:
        day, _, clock = text.partition("T")
        year, month, number = day.split("-")
        return f"{number}.{month}.{year} {clock}".strip()
    return codes.get(column.name, {}).get(text, text)


def _write_us(folder: Path, site: str, tables: dict[str, list[Row]]) -> list[dict[str, Any]]:
    """Plain's files: US units, byte order mark, columns in reverse order, spare separators, a column of its own."""
    errors = []
    for table, rows in tables.items():
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


def _write_semicolons(folder: Path, site: str, tables: dict[str, list[Row]]) -> list[dict[str, Any]]:
    """Lake's files: the format's own headers, but semicolons, decimal commas and Windows-1252, no mapping."""
    errors = []
    for table, rows in tables.items():
        path = folder / f"{table}_{site}.csv"
        headers = {k: h for k, h in list_headers(table, site).items() if k in rows[0].cells}
        headers |= {k: h.replace("degC", "°C") for k, h in headers.items()}
        kinds = {c.stored: c.kind for c in dictionary.tables()[table].columns}
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
    columns = dictionary.tables()["samples"].columns
    named = frame[[c.stored for c in columns]].rename(columns={c.stored: c.header for c in columns})
    named.to_parquet(path, index=False)
