"""Shapes of the stored tables: Arrow schemas made from the dictionary, and Arrow tables to typed frames.

Every record table carries five bookkeeping columns: ``_intake`` (number of the snapshot that wrote the row),
``_file``, ``_sheet``, ``_line`` (where it stood in what was handed in) and ``_other`` (JSON of the columns that the
dictionary doesn't know, None where there are none).
"""

from __future__ import annotations

import pandas as pd
import pyarrow as pa

from ventbook import dictionary

KIND_TYPES: dict[str, pa.DataType] = {
    "text": pa.string(),
    "code": pa.string(),
    "yes_no": pa.bool_(),
    "integer": pa.int64(),
    "number": pa.float64(),
    "quantity": pa.float64(),
    "date": pa.date32(),
    "datetime": pa.timestamp("us"),
}
BOOKKEEPING = pa.schema(
    [
        ("_intake", pa.int64()),
        ("_file", pa.string()),
        ("_sheet", pa.string()),
        ("_line", pa.int64()),
        ("_other", pa.string()),
    ]
)
ISSUES = pa.schema(
    [
        ("code", pa.string()),
        ("severity", pa.string()),
        ("table", pa.string()),
        ("key", pa.string()),
        ("column", pa.string()),
        ("file", pa.string()),
        ("sheet", pa.string()),
        ("line", pa.int64()),
        ("value", pa.string()),
        ("what", pa.string()),
        ("do", pa.string()),
        ("site", pa.string()),
        ("rows", pa.int64()),
        ("intake", pa.int64()),
    ]
)
QUARANTINE = pa.schema(
    [
        ("file", pa.string()),
        ("sheet", pa.string()),
        ("line", pa.int64()),
        ("table", pa.string()),
        ("column", pa.string()),
        ("code", pa.string()),
        ("value", pa.string()),
        ("what", pa.string()),
        ("do", pa.string()),
        ("site", pa.string()),
        ("key", pa.string()),
        ("original", pa.string()),
        ("waiting", pa.string()),
        ("all_codes", pa.string()),
        ("intake", pa.int64()),
    ]
)
INTAKES = pa.schema(
    [
        ("number", pa.int64()),
        ("kind", pa.string()),
        ("today", pa.date32()),
        ("committed_at", pa.timestamp("us")),
        ("withdrawn", pa.int64()),
        ("note", pa.string()),
        ("versions", pa.string()),
        ("counts", pa.string()),
        ("sources", pa.string()),
        ("content", pa.int64()),
        ("library", pa.string()),
    ]
)
REPEATS = pa.schema([("table", pa.string()), ("key", pa.string()), ("intake", pa.int64())])
FIXED = {"repeats": REPEATS, "issues": ISSUES, "quarantine": QUARANTINE, "intakes": INTAKES}
FIXED_KEYS = {
    "issues": ("intake", "file", "sheet", "line", "table", "column", "code", "key", "value"),
    "quarantine": ("intake", "file", "sheet", "line", "table", "column", "code"),
    "intakes": ("number",),
    "repeats": ("intake", "table", "key"),
    "start_features": ("venting_id", "start_no"),
}


def record_schema(name: str) -> pa.Schema:
    """Arrow schema of a record table: the dictionary's columns by stored name, then the bookkeeping columns."""
    columns = dictionary.tables()[name].columns
    if name == "samples":
        return pa.schema([(column.stored, KIND_TYPES[column.kind]) for column in columns])
    return pa.schema([(column.stored, KIND_TYPES[column.kind]) for column in columns] + list(BOOKKEEPING))


def schema_of(name: str) -> pa.Schema:
    """Arrow schema of any table of the store that the dictionary or this module describes."""
    return FIXED[name] if name in FIXED else record_schema(name)


def key_of(name: str) -> tuple[str, ...]:
    """Stored names of the columns that a table is sorted by when read."""
    if name in FIXED_KEYS:
        return FIXED_KEYS[name]
    return tuple(column.stored for column in dictionary.tables()[name].columns if column.key)


def to_frame(table: pa.Table) -> pd.DataFrame:
    """Typed pandas frame: str, boolean, Int64, float64 (NaN = not recorded), datetime64[us]."""
    mapping = {
        pa.string(): pd.StringDtype(na_value=float("nan")),
        pa.large_string(): pd.StringDtype(na_value=float("nan")),
        pa.bool_(): pd.BooleanDtype(),
        pa.int64(): pd.Int64Dtype(),
    }
    dates = [field.name for field in table.schema if pa.types.is_date32(field.type)]
    for name in dates:
        at = table.schema.get_field_index(name)
        table = table.set_column(at, name, table.column(name).cast(pa.timestamp("us")))
    return table.to_pandas(types_mapper=mapping.get)
