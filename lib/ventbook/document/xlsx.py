"""The page's tables as a workbook: real numbers with formats, units in the headers, text that is never a formula."""

from __future__ import annotations

import datetime as dt
import re
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from ventbook.document import wording
from ventbook.document.blocks import Closing, Column, Data, Finding
from ventbook.document.columns import about_words, cell_text, heading
from ventbook.document.findings import finding_row
from ventbook.document.values import Cell, json_scalar
from ventbook.tables import units as unit_table
from ventbook.tables.units import System

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
# Points: a line of text, and the highest row that spreadsheet programs take.
LINE, HIGHEST = 15, 405
# The first sheet's two columns, in characters; paper of the units (A4, letter) by the number that workbooks know it by.
LEFT, RIGHT = 26, 96
PAPER: dict[System, int] = {"metric": 9, "us": 1}


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
    if form == "chance":
        return "0.000"
    if form.isdigit():
        decimals = int(form)
        return "0" if not decimals else "0." + "0" * decimals
    if unit in ("share", "probability"):
        return "0.0"
    if unit in wording.PLAIN:
        return "General"
    decimals = unit_table.display(0.0, unit, units)[1].decimals
    return "0" if not decimals else "0." + "0" * decimals


def finding_format(estimate: float | None, unit: str, units: System) -> str:
    """The format of a finding's numbers: without a unit it has as many decimals as the page shows of the estimate."""
    if estimate is None or unit not in wording.PLAIN:
        return number_format(unit, "", units)
    _, _, decimals = wording.number(estimate, unit).partition(".")
    return f"0.{'0' * len(decimals)}" if decimals else "0"


def shown_value(value: float, unit: str, units: System) -> float:
    """A canonical number in the unit of its column's header (shares in per cent)."""
    if unit in ("share", "probability"):
        return 100.0 * value
    if unit in wording.PLAIN:
        return value
    return float(unit_table.display(float(value), unit, units)[0])


def write_workbook(
    path: Path,
    closing: Closing,
    *,
    findings: Sequence[Finding],
    cautions: Sequence[str],
    pairs: Sequence[tuple[str, str]],
) -> None:
    """Writes the workbook: a read-me sheet, all numbers of the page, then one sheet a table."""
    import xlsxwriter

    units = closing.units
    with xlsxwriter.Workbook(str(path), OPTIONS) as book:
        book.set_properties({"title": closing.title, "author": "", "created": CREATED})
        styles = {
            "head": book.add_format({"bold": True, "text_wrap": True, "valign": "top", "bottom": 2}),
            "title": book.add_format({"bold": True, "font_size": 14}),
            "bold": book.add_format({"bold": True, "valign": "top"}),
            "wrap": book.add_format({"text_wrap": True, "valign": "top"}),
            "top": book.add_format({"valign": "top"}),
        }
        names = sheet_names(["Read me", "Numbers", *(table.name for table in closing.tables)])
        sheets = [("Numbers", "every number of the page")]
        sheets += [(name, _sheet_title(table)) for name, table in zip(names[2:], closing.tables, strict=True)]
        said = {
            "Answer": [("", text) for text in closing.answers],
            "Cautions": [("", text) for text in cautions],
            "Sheets": sheets,
            "Made from": pairs,
        }
        _write_readme(book.add_worksheet(names[0]), closing, said, styles)
        _write_findings(book, book.add_worksheet(names[1]), findings, styles, units)
        for sheet, table in zip(names[2:], closing.tables, strict=True):
            _write_table(book, book.add_worksheet(sheet), table, styles, units)


def _sheet_title(table: Data) -> str:
    """A table's title, and where its further rows are when the sheet doesn't hold all."""
    if not table.total:
        return table.title
    held = len(next(iter(table.cells.values())))
    return (
        f"{table.title}: the first {held} of {table.total} rows; all of them stand in tables/{table.name}.csv"
    )


def _write_readme(
    sheet: Any, closing: Closing, said: Mapping[str, Sequence[tuple[str, str]]], styles: Any
) -> None:
    sheet.set_column(0, 0, LEFT)
    sheet.set_column(1, 1, RIGHT)
    sheet.write_string(0, 0, closing.title, styles["title"])
    sheet.write_string(1, 0, closing.scope)
    row = 3
    for title, rows in said.items():
        sheet.write_string(row, 0, title, styles["bold"])
        row += 1
        for left, right in rows:
            sheet.write_string(row, 0, left[:CELL_LIMIT], styles["wrap"])
            sheet.write_string(row, 1, right[:CELL_LIMIT], styles["wrap"])
            _fit_row(sheet, row, [(left, LEFT), (right, RIGHT)])
            row += 1
        row += 1
    sheet.freeze_panes(2, 0)
    sheet.hide_gridlines(1)
    _set_print(sheet, rows=row - 1, columns=2, units=closing.units)
    sheet.set_portrait()
    sheet.set_margins(left=0.5, right=0.5, top=0.5, bottom=0.6)
    sheet.fit_to_pages(1, 1)


def _write_findings(book: Any, sheet: Any, findings: Sequence[Finding], styles: Any, units: System) -> None:
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
    for number, finding in enumerate(findings, 1):
        row = finding_row(finding)
        unit = row["unit"]
        form = finding_format(row["estimate"], unit, units)
        style = formats.setdefault(form, book.add_format({"num_format": form, "valign": "top"}))
        texts = {0: row["id"], 1: about_words(finding), 2: row["period_start"], 3: row["period_end"]}
        texts |= {7: wording.unit_label(unit, units), 11: row["state"], 12: row["verdict"] or ""}
        texts |= {13: row["sentence"], 14: row["method"]}
        for place, text in texts.items():
            sheet.write_string(number, place, text[:CELL_LIMIT], styles["wrap"])
        _fit_row(sheet, number, [(text, widths[place]) for place, text in texts.items()])
        for place, name in ((4, "estimate"), (5, "low"), (6, "high")):
            if row[name] is not None:
                sheet.write_number(number, place, shown_value(row[name], unit, units), style)
        for place, value in ((8, row["n"]), (9, row["clusters"]), (10, round(100 * row["level"], 6))):
            sheet.write_number(number, place, value, styles["top"])
    _finish_sheet(sheet, len(findings), len(heads), units)


def _write_table(book: Any, sheet: Any, table: Data, styles: Any, units: System) -> None:
    """A whole table: the columns that readers see, every row."""
    styled, rows = [], 0
    for place, column in enumerate(table.columns):
        values = [json_scalar(value, longest=10_000) for value in table.cells[column.name]]
        rows = len(values)
        head = heading(column, units)
        sheet.write_string(0, place, head[:CELL_LIMIT], styles["head"])
        style = book.add_format(
            {"num_format": number_format(column.unit, column.format, units), "valign": "top"}
        )
        texts = [str(value) for value in values[:200] if value is not None]
        longest = max([12 if column.number else len(text) for text in texts], default=8)
        width = min(max(longest + 1, min(len(head), 18) + 2), WIDEST)
        sheet.set_column(place, place, width)
        styled.append((column, style, values, width))
    for row in range(rows):
        texts_of = []
        for place, (column, style, values, width) in enumerate(styled):
            text = _write_cell(sheet, row + 1, place, values[row], column, {**styles, "number": style}, units)
            texts_of.append((text, width))
        _fit_row(sheet, row + 1, texts_of)
    _finish_sheet(sheet, rows, len(table.columns), units)


def _write_cell(
    sheet: Any, row: int, place: int, value: Cell, column: Column, styles: Mapping[str, Any], units: System
) -> str:
    """Writes one cell and returns the text that may need more than one line (empty for a number)."""
    if value is None:
        return ""
    if isinstance(value, bool):
        sheet.write_string(row, place, "yes" if value else "no", styles["top"])
    elif isinstance(value, (int, float)) and column.format != "text":
        sheet.write_number(row, place, shown_value(value, column.unit, units), styles["number"])
    else:
        text = cell_text(value, column, units) if column.format in ("code", "verdict") else str(value)
        sheet.write_string(row, place, text[:CELL_LIMIT], styles["wrap"])
        return text
    return ""


def _fit_row(sheet: Any, row: int, texts: Iterable[tuple[str, int]]) -> None:
    """A row as high as its longest text needs in its column's width; not every program finds that by itself."""
    lines = [
        sum(len(textwrap.wrap(part, width)) or 1 for part in text.split("\n"))
        for text, width in texts
        if len(text) > width or "\n" in text
    ]
    if max(lines, default=1) > 1:
        sheet.set_row(row, min(LINE * max(lines), HIGHEST))


def _finish_sheet(sheet: Any, rows: int, columns: int, units: System) -> None:
    """Header row frozen, filters on, header repeated in print."""
    sheet.freeze_panes(1, 0)
    if rows and columns:
        sheet.autofilter(0, 0, rows, columns - 1)
    sheet.repeat_rows(0)
    _set_print(sheet, rows=rows + 1, columns=columns, units=units)
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)


def _set_print(sheet: Any, *, rows: int, columns: int, units: System) -> None:
    """What is printed of a sheet, on which paper, with its name and the number of pages below."""
    sheet.print_area(0, 0, max(rows, 1) - 1, max(columns, 1) - 1)
    sheet.set_paper(PAPER[units])
    sheet.set_footer("&L&A&R&P of &N")
