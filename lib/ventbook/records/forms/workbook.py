"""Record forms to fill in: a workbook made from the dictionary, one sheet a table.

Units stand in the headers, codes and yes/no are drop-downs, numbers are checked against their plausible range with a
hint, and the example row, which shows a job that went well (``data/forms.toml``), is passed over at intake. Sheets print on A4 and on Letter.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

from ventbook.errors import InputError
from ventbook.records.forms.columns import LEFT_OUT, describe_allowed, example_rows
from ventbook.tables import Column, Table, record_tables

ROWS = 2000
EXAMPLE = "example"


def write_workbook(path: Path) -> Path:
    """Write the workbook of forms to ``path`` and return it. InputError when it can't be written."""
    import xlsxwriter

    own = [table for name, table in record_tables().items() if name not in LEFT_OUT]
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with xlsxwriter.Workbook(str(path), {"strings_to_formulas": False, "strings_to_urls": False}) as book:
            book.set_properties({"title": "Record forms", "created": dt.datetime(2026, 1, 1)})
            _write_explanations(book, own)
            for table in own:
                _write_table(book, table)
    except (OSError, xlsxwriter.exceptions.FileCreateError) as error:
        raise InputError(f"{path}: can't be written ({error}); close it or choose another place") from None
    return path


def _write_explanations(book: Any, own: list[Table]) -> None:
    sheet = book.add_worksheet("explanations")
    bold, wrap = book.add_format({"bold": True}), book.add_format({"text_wrap": True, "valign": "top"})
    lines = (
        "Fill in one row a record on the sheet of its table; the row marked 'example' is passed over.",
        "Columns in bold must be filled in. An empty cell means 'not recorded', which is not the same as no or 0.",
        "The unit stands in the header. To write in another unit, change the header: gap [in].",
        "Dates: 2026-07-31. Identifiers such as 007 stay text. Write down every lifter, also the good ones.",
    )
    for row, line in enumerate(lines):
        sheet.write_string(row, 0, line)
    top = len(lines) + 1
    for place, title in enumerate(("table", "column", "must be filled in", "allowed", "meaning")):
        sheet.write_string(top, place, title, bold)
    row = top + 1
    for table in own:
        for column in table.columns:
            cells = (
                table.name,
                column.header,
                "yes" if column.required else "",
                describe_allowed(column),
                column.meaning,
            )
            for place, text in enumerate(cells):
                sheet.write_string(row, place, text, wrap)
            row += 1
    for place, width in enumerate((14, 30, 10, 44, 60)):
        sheet.set_column(place, place, width)
    _set_page(sheet, top)


def _write_table(book: Any, table: Table) -> None:
    sheet = book.add_worksheet(table.name)
    plain = book.add_format({"bottom": 1, "text_wrap": True, "valign": "top"})
    bold = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
    grey = book.add_format({"font_color": "#707070", "italic": True})
    text = book.add_format({"num_format": "@"})
    date = book.add_format({"num_format": "yyyy-mm-dd"})
    clock = book.add_format({"num_format": "yyyy-mm-dd hh:mm"})
    formats = {"text": text, "code": text, "date": date, "datetime": clock}
    first_key = next(column for column in table.columns if column.key)
    for place, column in enumerate(table.columns):
        sheet.write_string(0, place, column.header, bold if column.required else plain)
        sheet.write_string(
            1, place, EXAMPLE if column is first_key else example_rows()[table.name][column.name], grey
        )
        sheet.set_column(place, place, max(9, min(len(column.header) + 2, 18)), formats.get(column.kind))
        rule = validation(column)
        if rule:
            sheet.data_validation(1, place, ROWS, place, rule)
    sheet.set_row(0, 32)
    sheet.freeze_panes(1, 1)
    _set_page(sheet, 0)


def _set_page(sheet: Any, header: int) -> None:
    sheet.set_landscape()
    sheet.set_paper(9)  # A4; the margins leave room for Letter, which is wider and shorter
    sheet.set_margins(left=0.5, right=0.5, top=0.7, bottom=1.0)
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(header)
    sheet.set_footer("&L&A&RPage &P of &N")


def validation(column: Column) -> dict[str, Any]:
    """The spreadsheet's check of a column; it warns and lets pass, for intake decides."""
    hint = {
        "input_title": column.name[:32],
        "input_message": f"{column.meaning}. {describe_allowed(column)}"[:255],
    }
    base = hint | {"ignore_blank": True, "error_type": "warning", "error_title": "Outside what is usual"}
    base["error_message"] = f"{column.name}: {describe_allowed(column)}"[:255]
    if column.codes and len(",".join(column.codes)) <= 255:
        return base | {"validate": "list", "source": list(column.codes)}
    if column.kind == "yes_no":
        return base | {"validate": "list", "source": ["yes", "no"]}
    if column.kind == "integer":
        return base | {
            "validate": "integer",
            "criteria": "between",
            "minimum": column.low,
            "maximum": column.high,
        }
    if column.kind in ("number", "quantity"):
        return base | {
            "validate": "decimal",
            "criteria": "between",
            "minimum": column.low,
            "maximum": column.high,
        }
    return hint | {"validate": "any"}
