"""Tables as readers meet them: how a cell reads, what stands below a table, and frames as values of blocks."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from ventbook import wording
from ventbook.units import System

from .blocks import Column, Data, Finding, Numbers, Table
from .findings import finding_row
from .values import Cell, each_value, plain_cell

ROWS_SHOWN = 60
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
PAIRS_HEADS = ("What", "Which")


def cell_text(value: Cell, column: Column, units: System) -> str:
    """One table cell as a reader sees it; an empty text where nothing was recorded."""
    if value is None:
        return ""
    if column.format == "yes_no" or isinstance(value, bool):
        return "yes" if value else "no"
    if column.format == "verdict":
        return wording.verdict_words(str(value)) if str(value) in wording.VERDICT_WORDS else str(value)
    if column.kind == "date":
        return str(value).replace("T", " ").removesuffix(" 00:00:00")
    if isinstance(value, (int, float)) and column.format != "text":
        if column.format == "integer":
            return f"{value:.0f}"
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
    """A whole frame as it is left behind."""
    cells = {str(column): tuple(each_value(frame[column], plain_cell)) for column in frame.columns}
    return Data(name=name, title=title, columns=_settle(frame, columns), cells=cells, note=note)


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
    if column.format in ("text", "yes_no", "verdict", "date") or pd.api.types.is_bool_dtype(values.dtype):
        return False
    return bool(pd.api.types.is_numeric_dtype(values.dtype))


def _is_date(values: pd.Series) -> bool:
    if values.dtype == object:
        known = values.dropna()
        return len(known) > 0 and all(hasattr(value, "isoformat") for value in known)
    return bool(values.dtype.kind == "M")
