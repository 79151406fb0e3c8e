"""How a table's column is shown: header, unit and decimals by the column's name, once for every table (``data/columns.toml``)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from ventbook import wording
from ventbook.dictionary import DATA, TableError, read_toml
from ventbook.dictionary.files import check_keys
from ventbook.units import System, shown_units

from .blocks import Column

TABLE = DATA / "columns.toml"
KINDS = ("number", "text", "integer", "date", "yes_no", "verdict")
_SUFFIXES = ("mm", "um", "m", "L", "cm3", "mm3", "s", "h", "bar", "degC", "rpm", "N", "N_per_mm", "share")


@dataclass(frozen=True)
class ColumnTable:
    """Columns by name, and those of single tables that stand for something else there."""

    columns: Mapping[str, Column]
    tables: Mapping[str, Mapping[str, Column]]

    def find(self, name: str, table: str = "") -> Column | None:
        """The column of that name in a table; None where there is no row for it."""
        return self.tables.get(table, {}).get(name) or self.columns.get(name)


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
    if unit not in (*wording.core.SHARES, *wording.core.PLAIN) and unit not in shown_units():
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
