"""Tables as readers meet them: header, unit and decimals by a column's name, how a cell reads, frames as values of blocks.

How a column is shown stands once for every table, in ``data/columns.toml``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from functools import cache
from typing import Any

import pandas as pd

from ventbook.document import wording
from ventbook.document.blocks import Column, Data, Finding, Numbers, Table
from ventbook.document.findings import finding_row
from ventbook.document.values import Cell, each_value, plain_cell
from ventbook.tables import DATA, TableError, read_toml
from ventbook.tables.reader import check_keys
from ventbook.tables.units import System, shown_units

TABLE = DATA / "columns.toml"
KINDS = ("number", "text", "integer", "date", "yes_no", "verdict", "code", "chance")
_SUFFIXES = ("mm", "um", "m", "L", "cm3", "mm3", "s", "h", "bar", "degC", "rpm", "N", "N_per_mm", "share")
ROWS_SHOWN = 60
ROWS_HELD = 50_000
"""Rows of a table that a notebook and a workbook hold; the CSV file has all."""
NUMBERS_TITLE = "Every number of this page with its plausible range"
NUMBERS_HEADS = (
    "Number",
    "About",
    "Period",
    "Estimate",
    "Plausible range",
    "n",
    "Independent groups",
    "Remark",
)
SMALLEST_CHANCE = 0.001  # a probability under this is shown as under it, never as 0.000
PAIRS_HEADS = ("What", "Which")


@dataclass(frozen=True)
class ColumnTable:
    """Columns by name, and those of single tables that stand for something else there."""

    columns: Mapping[str, Column]
    tables: Mapping[str, Mapping[str, Column]]

    def find(self, name: str, table: str = "") -> Column | None:
        """The column of that name in a table; None where there is no row for it.

        A table's own rows come before those of a pattern that its name fits (``*_by_group``), and these before all others.
        """
        own = self.tables.get(table, {})
        fitting = (rows for pattern, rows in self.tables.items() if fnmatchcase(table, pattern))
        return next((rows[name] for rows in (own, *fitting) if name in rows), self.columns.get(name))


@cache
def read_columns() -> ColumnTable:
    """The table of columns. Raises TableError naming row and fault."""
    content = read_toml(TABLE)
    check_keys(content, where=TABLE.name, allowed=("column", "table"), required=("column",))
    columns = {name: _read_row(name, row, f"columns.toml, {name}") for name, row in content["column"].items()}
    tables = {
        table: {
            name: _read_row(name, row, f"columns.toml, table {table}, {name}", columns.get(name))
            for name, row in rows.items()
        }
        for table, rows in content.get("table", {}).items()
    }
    return ColumnTable(columns, tables)


def _read_row(name: str, row: Any, where: str, base: Column | None = None) -> Column:
    """One row; what it leaves out is as in ``base``. With a unit of its own, decimals and kind begin anew."""
    if not isinstance(row, Mapping):
        raise TableError(f"{where}: a row is a table of header, unit, decimals and kind")
    check_keys(
        row, where=where, allowed=("header", "unit", "decimals", "kind"), required=() if base else ("header",)
    )
    unit = row.get("unit", base.unit if base else "")
    form = base.format if base and unit == base.unit else ""
    if "decimals" in row and "kind" in row:
        raise TableError(f"{where}: give decimals or kind, not both")
    if "decimals" in row:
        if row["decimals"] not in range(10) or isinstance(row["decimals"], bool):
            raise TableError(f"{where}: decimals must be 0 to 9; got {row['decimals']!r}")
        form = str(row["decimals"])
    if "kind" in row:
        if row["kind"] not in KINDS:
            raise TableError(f"{where}: kind must be one of {', '.join(KINDS)}; got {row['kind']!r}")
        form = "" if row["kind"] == "number" else row["kind"]
    header = row.get("header", base.header if base else "")
    if not isinstance(header, str) or not header.strip():
        raise TableError(f"{where}: header must say what the column holds")
    if unit not in (*wording.SHARES, *wording.PLAIN) and unit not in shown_units():
        raise TableError(f"{where}: unit {unit!r} is not one that reports show")
    return Column(name, header, unit, form)


def guess_column(name: str) -> Column:
    """A column's header and unit from its stored name: ``gap_first_mm`` is ``gap first`` in mm."""
    for suffix in sorted(_SUFFIXES, key=len, reverse=True):
        if name.endswith(f"_{suffix}"):
            words = name if suffix == "share" else name.removesuffix(f"_{suffix}")
            return Column(name, words.replace("_", " "), suffix.replace("_per_", "/"))
    if name.endswith(("_probability", "_share")):
        return Column(name, name.replace("_", " "), "probability")
    return Column(name, name.replace("_", " "))


def choose_columns(
    held: Iterable[str], wanted: Sequence[str | Column] | None, *, table: str = ""
) -> dict[str, Column]:
    """The columns that a table shows, in order.

    ``wanted`` names them; a :class:`Column` stands for one whose header is put together at run time. None is all columns
    ``held``, where one without a row in the table of columns is named from its own name. Raises ValueError for names
    without a column or without a row, all in one line.
    """
    known, held = read_columns(), list(held)
    if wanted is None:
        return {name: known.find(name, table) or guess_column(name) for name in held}
    chosen: dict[str, Column] = {}
    unknown = []
    for item in wanted:
        column = item if isinstance(item, Column) else known.find(item, table)
        if column is None:
            unknown.append(str(item))
        else:
            chosen[column.name] = column
    if missing := [name for name in [*chosen, *unknown] if name not in held]:
        raise ValueError(f"table {table}: columns {', '.join(missing)} are not in the frame")
    if unknown:
        raise ValueError(f"table {table}: columns {', '.join(unknown)} have no row in {TABLE.name}")
    return chosen


def heading(column: Column, units: System) -> str:
    """The header with the unit that the report shows: ``Gap [in]``."""
    label = wording.unit_label(column.unit, units)
    return f"{column.header} [{label}]" if label else column.header


def cell_text(value: Cell, column: Column, units: System) -> str:
    """One table cell as a reader sees it; an empty text where nothing was recorded."""
    if value is None:
        return ""
    if column.format == "yes_no" or isinstance(value, bool):
        return "yes" if value else "no"
    if column.format == "verdict":
        return wording.verdict_words(str(value)) if str(value) in wording.VERDICT_WORDS else str(value)
    if column.format == "code":
        return wording.clean_text(str(value).replace("_", " "))
    if column.kind == "date":
        return str(value).replace("T", " ").removesuffix(" 00:00:00")
    if isinstance(value, (int, float)) and column.format != "text":
        if column.format == "integer":
            return f"{value:.0f}"
        if column.format == "chance":
            return f"under {SMALLEST_CHANCE:g}" if value < SMALLEST_CHANCE else f"{value:.3f}"
        decimals = int(column.format) if column.format.isdigit() else None
        if decimals is None and isinstance(value, int) and not column.unit:
            return str(value)
        return wording.number(float(value), column.unit, units=units, decimals=decimals, label=False)
    return wording.clean_text(value)


def text_rows(table: Table) -> list[list[str]]:
    """The table's rows as a reader sees them."""
    columns = [
        [cell_text(value, column, table.units) for value in values]
        for column, values in zip(table.columns, table.cells, strict=True)
    ]
    return [list(row) for row in zip(*columns, strict=True)]


def cut_note(table: Table) -> str:
    """What stands below a table: its note, and where the rest of its rows are."""
    shown = len(table.cells[0]) if table.cells else 0
    more = (
        f"First {shown} of {table.rows} rows; all of them stand in tables/{table.name}.csv."
        if table.rows > shown
        else ""
    )
    return " ".join(part for part in (table.note, more) if part)


def number_rows(numbers: Numbers) -> list[list[str]]:
    """All findings of a page as the cells of one table, each number in its display unit."""
    rows = []
    for finding in numbers.findings:
        row = finding_row(finding)
        unit = row["unit"]
        estimate, spread = "", ""
        if row["estimate"] is not None:
            estimate = wording.number(row["estimate"], unit, units=numbers.units)
        if row["low"] is not None or row["high"] is not None:
            spread = wording.value_range(row["low"], row["high"], unit, units=numbers.units)
        remarks = [] if row["state"] == "estimated" else [wording.STATE_WORDS[row["state"]]]
        if row["verdict"]:
            remarks.append(wording.verdict_words(row["verdict"], placeholder=numbers.placeholder))
        rows.append(
            [
                finding.id.replace("_", " "),
                about_words(finding),
                finding.period,
                estimate,
                spread,
                str(finding.n),
                str(finding.clusters or ""),
                "; ".join(part for part in remarks if part),
            ]
        )
    return rows


def about_words(finding: Finding) -> str:
    """What part of the records a finding is about: ``site Harbour``; ``all``."""
    return "; ".join(f"{name} {value}" for name, value in finding_row(finding)["group"].items()) or "all"


def make_table(
    name: str,
    frame: pd.DataFrame,
    columns: Mapping[str, Column],
    *,
    title: str,
    units: System = "metric",
    note: str = "",
    rows: int = ROWS_SHOWN,
) -> Table:
    """The first ``rows`` rows of a frame as a table block; ``columns`` picks and orders what is shown."""
    first = frame[list(columns)].head(rows)
    return Table(
        name=name,
        title=title,
        columns=_settle(frame, columns),
        cells=tuple(tuple(each_value(first[column], plain_cell)) for column in first.columns),
        rows=len(frame),
        units=units,
        note=note,
    )


def make_data(
    name: str, frame: pd.DataFrame, columns: Mapping[str, Column], *, title: str, note: str = ""
) -> Data:
    """A frame as it is left behind: all of it, or its first ``ROWS_HELD`` rows and how many there are."""
    total = len(frame) if len(frame) > ROWS_HELD else 0
    held = frame.head(ROWS_HELD)
    cells = {str(column): tuple(each_value(held[column], plain_cell)) for column in held.columns}
    return Data(name=name, title=title, columns=_settle(held, columns), cells=cells, note=note, total=total)


def _settle(frame: pd.DataFrame, columns: Mapping[str, Column]) -> tuple[Column, ...]:
    """The columns with what only their values tell: whether they are numbers or dates."""
    return tuple(
        Column(
            name=name,
            header=column.header,
            unit=column.unit,
            format=column.format,
            number=_is_number(frame[name], column),
            kind="date" if _is_date(frame[name]) else "",
        )
        for name, column in columns.items()
    )


def _is_number(values: pd.Series, column: Column) -> bool:
    if column.format in ("text", "yes_no", "verdict", "date", "code") or pd.api.types.is_bool_dtype(
        values.dtype
    ):
        return False
    return bool(pd.api.types.is_numeric_dtype(values.dtype))


def _is_date(values: pd.Series) -> bool:
    if values.dtype == object:
        known = values.dropna()
        return len(known) > 0 and all(hasattr(value, "isoformat") for value in known)
    return bool(values.dtype.kind == "M")
