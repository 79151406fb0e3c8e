"""What the columns of the two analysis tables mean, from ``data/analysis_columns.toml`` and the dictionary of records."""

from __future__ import annotations

from dataclasses import astuple, dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pandas as pd

from ventbook.shipped import DATA
from ventbook.tables import units
from ventbook.tables.dictionary import record_tables
from ventbook.tables.reader import TableError, check_keys, read_toml

ANALYSIS_TABLES = ("ventings", "lifters")
_COLUMN = ("name", "unit", "meaning", "from")


@dataclass(frozen=True)
class AnalysisColumn:
    """One column: its name in the frame, unit ("" for none), meaning, and what it is made from."""

    name: str
    unit: str
    meaning: str
    source: str


def describe_columns(table: str) -> pd.DataFrame:
    """What every column of an analysis table means.

    Parameters
    ----------
    table : str
        "ventings" (:func:`ventbook.read_ventings`) or "lifters" (:func:`ventbook.read_lifters`).

    Returns
    -------
    DataFrame
        One row a column, indexed by its name: unit ("" for none), meaning, from (the record table that it is
        taken over from, or the columns and tables that it is made from).

    Raises
    ------
    ValueError
        For another table.
    TableError
        With one line, where ``data/analysis_columns.toml`` is wrong.

    Notes
    -----
    Columns ``trace_*`` and ``trace_turning_*`` are in the table of ventings only where traces are in the
    store.

    Examples
    --------
    >>> from ventbook.tables import describe_columns
    >>> columns = describe_columns("lifters")
    >>> columns.loc["limit_mm", ["unit", "meaning"]].tolist()
    ['mm', 'limit of the gap in force that day; on it is within it']
    >>> columns.loc["force_N", "from"]
    'lifter_checks'
    """
    if table not in ANALYSIS_TABLES:
        raise ValueError(f"table must be one of {', '.join(ANALYSIS_TABLES)}; got {table!r}")
    rows = [astuple(column) for column in _load()[table]]
    return pd.DataFrame(rows, columns=["column", "unit", "meaning", "from"], dtype="str").set_index("column")


@cache
def _load() -> dict[str, tuple[AnalysisColumn, ...]]:
    return read_analysis_columns(DATA / "analysis_columns.toml")


def read_analysis_columns(path: Path) -> dict[str, tuple[AnalysisColumn, ...]]:
    """The columns of each analysis table, checked; TableError naming the row otherwise."""
    raw = read_toml(path)
    check_keys(raw, where=path.name, allowed=("recorded", "made"), required=("recorded", "made"))
    found: dict[str, list[AnalysisColumn]] = {table: [] for table in ANALYSIS_TABLES}
    for number, part in enumerate(raw["recorded"], 1):
        where = f"{path.name}: recorded, part {number}"
        check_keys(
            part, where=where, allowed=("table", "from", "columns"), required=("table", "from", "columns")
        )
        found[_name_table(part, where)] += _list_recorded(part, where)
    for number, part in enumerate(raw["made"], 1):
        where = f"{path.name}: made, part {number}"
        check_keys(part, where=where, allowed=("table", "columns", "prefixes"), required=("table", "columns"))
        found[_name_table(part, where)] += _list_made(part, where)
    for table, columns in found.items():
        names = [column.name for column in columns]
        if twice := sorted({name for name in names if names.count(name) > 1}):
            raise TableError(f"{path.name}: table {table}: {', '.join(twice)} stands twice")
    return {table: tuple(columns) for table, columns in found.items()}


def _name_table(part: dict[str, Any], where: str) -> str:
    if part["table"] not in ANALYSIS_TABLES:
        raise TableError(f"{where}: table must be one of {', '.join(ANALYSIS_TABLES)}; got {part['table']!r}")
    return str(part["table"])


def _list_recorded(part: dict[str, Any], where: str) -> list[AnalysisColumn]:
    record = record_tables().get(part["from"])
    if record is None:
        raise TableError(f"{where}: from must be a record table; got {part['from']!r}")
    known = {column.stored: column for column in record.columns}
    if unknown := [name for name in part["columns"] if name not in known]:
        raise TableError(f"{where}: {', '.join(unknown)} is no column of {record.name}")
    return [
        AnalysisColumn(name, known[name].unit, known[name].meaning, record.name) for name in part["columns"]
    ]


def _list_made(part: dict[str, Any], where: str) -> list[AnalysisColumn]:
    prefixes = part.get("prefixes", {"": ""})
    for row in part["columns"]:
        check_keys(row, where=f"{where} ({row.get('name', '?')})", allowed=_COLUMN, required=_COLUMN)
        # what is worked out may have a quotient of units that no record carries, um/s
        if row["unit"] and not all(units.known(part) for part in row["unit"].split("/")):
            raise TableError(f"{where} ({row['name']}): unit {row['unit']!r} is not in units.toml")
    return [
        AnalysisColumn(
            f"{prefix}{row['name']}",
            row["unit"],
            f"{row['meaning']}; {of}" if of else row["meaning"],
            row["from"],
        )
        for prefix, of in prefixes.items()
        for row in part["columns"]
    ]
