"""Which venting is planned: a row of the table of planned ventings, values entered as parameters, or both."""

from __future__ import annotations

from typing import Any
from weakref import WeakKeyDictionary

import pandas as pd

from ventbook import dictionary, priming, units
from ventbook.pages.base import Page
from ventbook.pages.parameters import ParameterError, nearest

PREFIX = "plan_"
_ROWS: WeakKeyDictionary[Page, pd.DataFrame] = WeakKeyDictionary()


def planned_rows(page: Page) -> pd.DataFrame:
    """Planned ventings from the snapshot's date on that pass the filters, by date, with engine columns and expectation."""
    planned = page.records.get("planned", pd.DataFrame())
    if planned.empty:
        return pd.DataFrame()
    rows = planned.merge(page.records["engines"], on="engine_id", how="left")
    rows = page.keep(rows[rows["date"] >= pd.Timestamp(page.today)])
    return _expect(rows.sort_values(["date", "venting_id"], kind="stable").reset_index(drop=True))


def _expect(rows: pd.DataFrame) -> pd.DataFrame:
    expected = priming.expected_rotations(rows)
    return pd.concat([rows, expected.drop(columns=[c for c in expected if c in rows])], axis=1)


def the_row(page: Page) -> pd.DataFrame:
    """The planned venting as a frame of one row with engine columns and expectation; empty where none is given."""
    if page not in _ROWS:
        _ROWS[page] = _choose_row(page)
    return _ROWS[page]


def _choose_row(page: Page) -> pd.DataFrame:
    entered = _read_entered(page)
    asked = page.parameters["planned"]
    every = page.records.get("planned", pd.DataFrame())
    if asked:
        known = every["venting_id"].astype("str").tolist() if len(every) else []
        if asked not in known:
            listed = ", ".join(known[:12]) or "none"
            raise ParameterError(
                f"{page.name}: planned {asked!r} is not in the records{nearest(asked, known)}; known: {listed}"
            )
        row = every[every["venting_id"] == asked].merge(page.records["engines"], on="engine_id", how="left")
    elif "engine_type" in entered:
        row = pd.DataFrame([{"venting_id": "entered", "date": pd.Timestamp(page.today)}])
    else:
        row = planned_rows(page).head(1)
        row = row.drop(columns=[c for c in row if str(c).startswith("expected_")])
    if row.empty:
        return row
    for name in (*_stored_columns(), "engine_type", "site", "engine_id"):
        if name not in row.columns:
            row[name] = pd.NA
    for name, value in entered.items():
        row[name] = [value]
    return _expect(_typed(row).reset_index(drop=True))


def _stored_columns() -> list[str]:
    tables = dictionary.tables()
    return [c.stored for t in ("planned", "engines") for c in tables[t].columns]


def _typed(row: pd.DataFrame) -> pd.DataFrame:
    """The row with the types that the analysis tables have, whatever was entered."""
    kinds = {c.stored: c.kind for t in ("planned", "engines") for c in dictionary.tables()[t].columns}
    out = row.copy()
    for name in row.columns:
        kind = kinds.get(str(name), "")
        values = row[name].astype(object).where(row[name].notna(), None)
        if kind in ("text", "code"):
            out[name] = values.astype("str").where(values.notna())
        elif kind == "yes_no":
            out[name] = values.astype("boolean")
        elif kind == "integer":
            out[name] = pd.to_numeric(values).astype("Int64")
        elif kind in ("number", "quantity"):
            out[name] = pd.to_numeric(values).astype("float64")
    return out


def _read_entered(page: Page) -> dict[str, Any]:
    """Values of the plan_ parameters by stored column; every fault in one error."""
    columns = {c.name: c for t in ("engines", "ventings") for c in dictionary.tables()[t].columns}
    found: dict[str, Any] = {}
    faults = []
    for name, text in page.parameters.items():
        if not name.startswith(PREFIX) or not str(text).strip():
            continue
        column = columns[name.removeprefix(PREFIX)]
        if column.kind == "yes_no":
            found[column.stored] = text == "yes"
        elif column.kind != "quantity":
            found[column.stored] = str(text).strip()
        else:
            value, fault = _read_quantity(name, str(text), column)
            if fault:
                faults.append(fault)
            else:
                found[column.stored] = value
    if faults:
        raise ParameterError(f"{page.name}: {'; '.join(faults)}")
    return found


def _read_quantity(name: str, text: str, column: dictionary.Column) -> tuple[float, str]:
    number, _, spelling = text.strip().partition(" ")
    try:
        value = float(number)
    except ValueError:
        return 0.0, f"{name} must be a number with its unit, as in 1.5 {column.unit}; got {text!r}"
    if not spelling.strip():
        return 0.0, f"{name} needs its unit, as in {number} {column.unit}; got {text!r}"
    try:
        value = float(units.convert(value, spelling.strip(), column.unit))
    except ValueError as error:
        return 0.0, f"{name}: {error}"
    low, high = column.low, column.high
    if isinstance(low, int | float) and isinstance(high, int | float) and not low <= value <= high:
        return 0.0, f"{name} must be from {low:g} to {high:g} {column.unit}; got {text!r}"
    return value, ""
