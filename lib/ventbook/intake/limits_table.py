"""The table in which a shop enters its manual's limits: written with every step and what is in force, and read back."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from ventbook import dictionary
from ventbook.dictionary import TableError
from ventbook.dictionary.limits import NUMBERS
from ventbook.errors import InputError
from ventbook.readers import cell_text, read_cells

SHEET = "limits"
DAYS = ("effective_from", "effective_to")
COLUMNS = {
    "step": ("which step; one of the names on the sheet of explanations", 26),
    "engine_type": ('as in the engine records, or "*" for all types', 12),
    "low": ("lowest value within the limit; empty: open", 9),
    "high": ("highest value within the limit; empty: open", 9),
    "reference": ("check_force and check_hold only: for which the gap limit is meant", 10),
    "tolerance": (
        "check_force and check_hold without low and high: this near the reference counts as it",
        10,
    ),
    "unit": ("of the numbers in this row; another unit of the same kind may be written instead", 8),
    "revision": ("of the manual", 18),
    "effective_from": ("first day on which the row is in force, 2026-07-01", 14),
    "effective_to": ("first day on which it no longer is; empty: still in force", 14),
    "source": ("where it stands in the manual", 32),
    "text": ("what the limit is about", 60),
}
NOTE = "note"
LINES = (
    "One row a limit. A row without any number is passed over: its step stays without a limit, is recorded and described, and is not judged.",
    "A value is within when low <= value <= high. Yes or no is kept as 1 and 0: low 1 asks for yes, high 0 for no.",
    "A new revision: leave the old row as it is and add a row with the day from which the new value holds; the old one is ended on that day.",
    "A row in force is never taken out by leaving it out of this table.",
    "Read it back with: ventbook limits FILE.xlsx --store DIR",
)


def write_limits_table(
    path: str | Path, *, rows: Sequence[Mapping[str, Any]] = (), engine_types: Iterable[str] = ()
) -> Path:
    """Write the table to ``path`` (.xlsx, not there yet) and return it: the shop's own ``rows`` as its file has them, then one
    empty row for each step that has none. InputError when it can't be written.
    """
    import xlsxwriter

    path = check_name(path)
    if path.exists():
        raise InputError(f"{path} stands already; name another file")
    own = [row for row in rows if row.get("status") == "manual"]
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with xlsxwriter.Workbook(str(path), {"strings_to_formulas": False, "strings_to_urls": False}) as book:
            book.set_properties({"title": "Limits", "created": dt.datetime(2026, 1, 1)})
            _write_rows(book, [*own, *_empty_rows(own)])
            _write_explanations(book, engine_types)
    except (OSError, xlsxwriter.exceptions.FileCreateError) as error:
        raise InputError(f"{path}: can't be written ({error}); choose another place") from None
    return path


def check_name(path: str | Path) -> Path:
    """``path``, if it is a workbook's name."""
    path = Path(path)
    if path.suffix.lower() != ".xlsx":
        raise InputError(f"{path}: name a file that ends in .xlsx")
    return path


def _empty_rows(own: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """One row without numbers for every limit that ``own`` does not hold, with what stands in for it meanwhile."""
    known = {row["step"] for row in own}
    rows: dict[str, dict[str, Any]] = {}
    for step in dictionary.steps().values():
        if step.limit not in known:
            words = "no limit entered"
            shipped = next((row for row in dictionary.limits().rows if row.step == step.limit), None)
            if shipped is not None:
                numbers = ", ".join(
                    f"{name} {getattr(shipped, name):g}"
                    for name in NUMBERS
                    if getattr(shipped, name) is not None
                )
                words = f"placeholder until then: {numbers} {shipped.unit} ({shipped.source})"
            row = {"step": step.limit, "engine_type": "*", "unit": step.unit, "text": step.text, NOTE: words}
            rows.setdefault(step.limit, row)
    return list(rows.values())


def _write_rows(book: Any, rows: Sequence[Mapping[str, Any]]) -> None:
    sheet = book.add_worksheet(SHEET)
    head = book.add_format({"bold": True, "bottom": 1})
    text, day = book.add_format({"num_format": "@"}), book.add_format({"num_format": "yyyy-mm-dd"})
    grey = book.add_format({"font_color": "#707070", "italic": True})
    for place, (name, (words, width)) in enumerate(COLUMNS.items()):
        sheet.write_string(0, place, name, head)
        sheet.write_comment(0, place, words)
        sheet.set_column(place, place, width, None if name in NUMBERS else day if name in DAYS else text)
    sheet.write_string(0, len(COLUMNS), NOTE, head)
    sheet.set_column(len(COLUMNS), len(COLUMNS), 60, grey)
    for line, row in enumerate(rows, 1):
        for place, name in enumerate(COLUMNS):
            value = row.get(name)
            if value is None or value == "":
                continue
            if name in NUMBERS:
                sheet.write_number(line, place, float(value))
            elif name in DAYS:
                when = value if isinstance(value, dt.date) else dt.date.fromisoformat(str(value))
                sheet.write_datetime(line, place, dt.datetime.combine(when, dt.time()), day)
            else:
                sheet.write_string(line, place, str(value), text)
        sheet.write_string(line, len(COLUMNS), str(row.get(NOTE, "")), grey)
    sheet.freeze_panes(1, 2)
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)


def _write_explanations(book: Any, engine_types: Iterable[str]) -> None:
    sheet = book.add_worksheet("explanations")
    bold, wrap = book.add_format({"bold": True}), book.add_format({"text_wrap": True, "valign": "top"})
    for line, words in enumerate(LINES):
        sheet.write_string(line, 0, words)
    line = len(LINES) + 1
    tables = (
        (("column", "what stands there"), [(name, words) for name, (words, _) in COLUMNS.items()]),
        (("step", "what its limit is about, and its unit"), _describe_steps()),
        (("engine type", "where it is known from"), _describe_types(engine_types)),
    )
    for titles, rows in tables:
        for place, title in enumerate(titles):
            sheet.write_string(line, place, title, bold)
        for row in rows:
            line += 1
            for place, words in enumerate(row):
                sheet.write_string(line, place, words, wrap)
        line += 2
    sheet.set_column(0, 0, 30)
    sheet.set_column(1, 1, 90)


def _describe_steps() -> list[tuple[str, str]]:
    found: dict[str, tuple[str, str]] = {}
    for step in dictionary.steps().values():
        kind = "yes or no" if step.yes_no else "a number" if step.unit == "1" else step.unit
        found.setdefault(step.limit, (step.limit, f"{step.text} [{kind}]"))
    return list(found.values())


def _describe_types(engine_types: Iterable[str]) -> list[tuple[str, str]]:
    recorded = sorted(set(engine_types))
    table = sorted(dictionary.known_engine_types() - set(recorded) - {"*"})
    return [
        ("*", "all types that have no row of their own"),
        *[(name, "engines on record") for name in recorded],
        *[(name, "data/engine_types.toml") for name in table],
    ]


def read_limits_table(path: str | Path) -> list[tuple[str, dict[str, Any]]]:
    """The filled-in rows as (address, row), each row as a shop's limits.toml would hold it; rows without numbers are passed over.

    TableError or InputError names what is wrong and where.
    """
    path = check_name(path)
    cells = read_cells(path, SHEET)
    if not cells:
        raise InputError(f"{path.name}, sheet {SHEET}: is empty; write a table with ventbook limits --out")
    header = [cell_text(cell).strip() for cell in cells[0][1]]
    wrong = sorted({name for name in header if name and name not in (*COLUMNS, NOTE)})
    missing = [name for name in COLUMNS if header.count(name) != 1]
    if wrong or missing:
        faults = [f"unknown column {', '.join(wrong)}"] if wrong else []
        faults += [f"column {', '.join(missing)} missing or there twice"] if missing else []
        raise TableError(f"{path.name}, sheet {SHEET}: {'; '.join(faults)}")
    found = []
    for number, row in cells[1:]:
        where = f"{path.name}: row {number}"
        given = {name: cell for name, cell in zip(header, row, strict=False) if name in COLUMNS}
        values = {name: _read_cell(name, cell, where) for name, cell in given.items()}
        values = {name: value for name, value in values.items() if value != ""}
        if any(name in values for name in NUMBERS):
            found.append((where, {"status": "manual", "source": "", **values}))
    return found


def _read_cell(name: str, cell: Any, where: str) -> Any:
    """A cell as limits.toml holds it: a number, a day as ISO text, or text; "" where it is empty."""
    if name not in NUMBERS:
        return cell_text(cell).strip()
    if isinstance(cell, bool) or not isinstance(cell, str):
        return "" if cell is None else cell
    text = cell.strip()
    if not text:
        return ""
    try:
        return float(text)
    except ValueError:
        raise TableError(f"{where}: {name} must be a number; got {text!r}") from None
