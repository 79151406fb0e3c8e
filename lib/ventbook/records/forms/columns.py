"""What both forms say of a record column: what may stand in it, and the example row of its table."""

from __future__ import annotations

from functools import cache

from ventbook.tables import DATA, Column, TableError, read_toml, record_tables

LEFT_OUT = ("samples",)  # traces come from loggers


def describe_allowed(column: Column) -> str:
    """What may stand in a column, in words."""
    if column.codes:
        return ", ".join(column.codes)
    if column.kind == "yes_no":
        return "yes, no"
    if column.kind == "date":
        return "a date, 2026-07-31"
    if column.kind == "datetime":
        return "date and time, 2026-07-31 14:05"
    if column.low is not None and column.high is not None:
        whole = "a whole number, " if column.kind == "integer" else ""
        return f"{whole}{column.low:g} to {column.high:g} {column.unit}".strip()
    return "text"


@cache
def example_rows() -> dict[str, dict[str, str]]:
    """The example row of each table by column, "" where it stays empty, from ``data/forms.toml``: one job that went well.

    Raises TableError for a table or column that the dictionary doesn't have.
    """
    raw = read_toml(DATA / "forms.toml")
    own = [name for name in record_tables() if name not in LEFT_OUT]
    if missing := sorted(set(raw) ^ set(own)):
        raise TableError(f"forms.toml: unknown or missing tables {', '.join(missing)}")
    rows: dict[str, dict[str, str]] = {}
    for name in own:
        names = [column.name for column in record_tables()[name].columns]
        given = {column: str(text) for column, text in raw[name].items()}
        if unknown := sorted(set(given) - set(names)):
            raise TableError(f"forms.toml, {name}: no such columns: {', '.join(unknown)}")
        beside = rows["ventings"] if name == "planned" else {}
        rows[name] = {column: given.get(column, beside.get(column, "")) for column in names}
    return rows
