"""The page's tables as a workbook: real numbers with formats, units in the headers, text that is never a formula."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from ventbook import units as unit_table
from ventbook import wording
from ventbook.units import System

# Workbooks carry a date of their own; a fixed one keeps the bytes the same from run to run.
CREATED = dt.datetime(2026, 1, 1)
OPTIONS = {
    "strings_to_formulas": False,
    "strings_to_urls": False,
    "strings_to_numbers": False,
    "nan_inf_to_errors": False,
    "remove_timezone": True,
}
WIDEST, LONGEST_SHEET, CELL_LIMIT = 48, 31, 32_000


def sheet_names(names: Sequence[str]) -> list[str]:
    """Sheet names that a spreadsheet takes: at most 31 characters, none forbidden, none twice."""
    made: list[str] = []
    for name in names:
        base = re.sub(r"[\[\]:*?/\\']", " ", name).strip()[:LONGEST_SHEET] or "table"
        chosen, number = base, 2
        while chosen.casefold() in {known.casefold() for known in made}:
            tail = f" {number}"
            chosen, number = base[: LONGEST_SHEET - len(tail)] + tail, number + 1
        made.append(chosen)
    return made


def number_format(unit: str, form: str, units: System) -> str:
    """The spreadsheet's number format that shows the same decimals as the page."""
    if form == "integer":
        return "0"
    if form.isdigit():
        decimals = int(form)
        return "0" if not decimals else "0." + "0" * decimals
    if unit in ("share", "probability"):
        return "0.0"
    if unit in wording.core.PLAIN:
        return "General"
    decimals = unit_table.display(0.0, unit, units)[1].decimals
    return "0" if not decimals else "0." + "0" * decimals


def shown_value(value: float, unit: str, units: System) -> float:
    """A canonical number in the unit of its column's header (shares in per cent)."""
    if unit in ("share", "probability"):
        return 100.0 * value
    if unit in wording.core.PLAIN:
        return value
    return float(unit_table.display(float(value), unit, units)[0])


def write_workbook(path: Path, contents: Mapping[str, Any], findings: Sequence[Mapping[str, Any]]) -> None:
    """Writes the workbook: a read-me sheet, all numbers of the page, then one sheet a table."""
    import xlsxwriter

    units: System = contents["units"]
    with xlsxwriter.Workbook(str(path), OPTIONS) as book:
        book.set_properties({"title": contents["title"], "author": "", "created": CREATED})
        styles = {
            "head": book.add_format({"bold": True, "text_wrap": True, "valign": "top", "bottom": 2}),
            "title": book.add_format({"bold": True, "font_size": 14}),
            "bold": book.add_format({"bold": True, "valign": "top"}),
            "wrap": book.add_format({"text_wrap": True, "valign": "top"}),
        }
        tables: dict[str, Any] = contents["tables"]
        names = sheet_names(["Read me", "Numbers", *tables])
        _write_readme(
            book.add_worksheet(names[0]), contents, styles, list(zip(names[2:], tables.values(), strict=True))
        )
        _write_findings(book, book.add_worksheet(names[1]), findings, styles, units)
        for sheet, table in zip(names[2:], tables.values(), strict=True):
            _write_table(book, book.add_worksheet(sheet), table, styles, units)


def _write_readme(
    sheet: Any, contents: Mapping[str, Any], styles: Any, tables: list[tuple[str, Any]]
) -> None:
    sheet.set_column(0, 0, 26)
    sheet.set_column(1, 1, 100)
    sheet.write_string(0, 0, contents["title"], styles["title"])
    sheet.write_string(1, 0, contents["scope"])
    row = 3
    blocks = [
        ("Answer", [("", text) for text in contents["answers"]]),
        ("Cautions", [("", text) for text in contents["cautions"]]),
        (
            "Sheets",
            [("Numbers", "every number of the page"), *((name, table["title"]) for name, table in tables)],
        ),
        ("Made from", [tuple(pair) for pair in contents["stamp_pairs"]]),
    ]
    for title, pairs in blocks:
        sheet.write_string(row, 0, title, styles["bold"])
        row += 1
        for left, right in pairs:
            sheet.write_string(row, 0, left[:CELL_LIMIT], styles["wrap"])
            sheet.write_string(row, 1, right[:CELL_LIMIT], styles["wrap"])
            row += 1
        row += 1


def _write_findings(
    book: Any, sheet: Any, findings: Sequence[Mapping[str, Any]], styles: Any, units: System
) -> None:
    heads: tuple[str, ...] = (
        "Number",
        "About",
        "Period from",
        "Period until",
        "Estimate",
        "Low",
        "High",
        "Unit",
        "n",
    )
    heads += ("Independent groups", "Level [%]", "State", "Verdict", "Sentence", "Method")
    widths = (30, 26, 12, 12, 11, 11, 11, 8, 7, 12, 9, 12, 14, 60, 40)
    for place, (head, width) in enumerate(zip(heads, widths, strict=True)):
        sheet.set_column(place, place, width)
        sheet.write_string(0, place, head, styles["head"])
    formats: dict[str, Any] = {}
    for row, finding in enumerate(findings, 1):
        unit = finding["unit"]
        form = number_format(unit, "", units)
        style = formats.setdefault(form, book.add_format({"num_format": form}))
        about = "; ".join(f"{a} {b}" for a, b in finding["group"].items()) or "all"
        texts = {0: finding["id"], 1: about, 2: finding["period_start"], 3: finding["period_end"]}
        texts |= {7: wording.unit_label(unit, units), 11: finding["state"], 12: finding["verdict"] or ""}
        texts |= {13: finding["sentence"], 14: finding["method"]}
        for place, text in texts.items():
            sheet.write_string(row, place, text[:CELL_LIMIT])
        for place, name in ((4, "estimate"), (5, "low"), (6, "high")):
            if finding[name] is not None:
                sheet.write_number(row, place, shown_value(finding[name], unit, units), style)
        sheet.write_number(row, 8, finding["n"])
        sheet.write_number(row, 9, finding["clusters"])
        sheet.write_number(row, 10, round(100 * finding["level"], 6))
    _finish_sheet(sheet, len(findings), len(heads))


def _write_table(book: Any, sheet: Any, table: Mapping[str, Any], styles: Any, units: System) -> None:
    columns = table["columns"]
    formats = []
    for place, column in enumerate(columns):
        label = wording.unit_label(column["unit"], units)
        head = f"{column['header']} [{label}]" if label else column["header"]
        sheet.write_string(0, place, head[:CELL_LIMIT], styles["head"])
        form = number_format(column["unit"], column["format"], units)
        formats.append(book.add_format({"num_format": form}))
        texts = [str(row[place]) for row in table["rows"][:200] if row[place] is not None]
        longest = max([12 if column["number"] else len(text) for text in texts], default=8)
        sheet.set_column(place, place, min(max(longest + 1, min(len(head), 18) + 2), WIDEST))
    for number, row in enumerate(table["rows"], 1):
        for place, (value, column) in enumerate(zip(row, columns, strict=True)):
            _write_cell(sheet, number, place, value, column, formats[place], units)
    _finish_sheet(sheet, len(table["rows"]), len(columns))


def _write_cell(
    sheet: Any, row: int, place: int, value: Any, column: Mapping[str, Any], style: Any, units: System
) -> None:
    if value is None:
        return
    if isinstance(value, bool):
        sheet.write_string(row, place, "yes" if value else "no")
    elif isinstance(value, (int, float)) and column["format"] != "text":
        sheet.write_number(row, place, shown_value(value, column["unit"], units), style)
    else:
        sheet.write_string(row, place, str(value)[:CELL_LIMIT])


def _finish_sheet(sheet: Any, rows: int, columns: int) -> None:
    """Header row frozen, filters on, header repeated in print."""
    sheet.freeze_panes(1, 0)
    if rows and columns:
        sheet.autofilter(0, 0, rows, columns - 1)
    sheet.repeat_rows(0)
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
