"""Required cells and plausible ranges; values that another unit would bring inside."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from ventbook import units
from ventbook.dictionary import Column

from .cells import convert_unit
from .faults import Fault


def check_required(values: pa.Array, column: Column, whole: np.ndarray, found: list[Fault]) -> list[Fault]:
    """Rows whose required cell is empty (not those whose cell was refused: they have their fault)."""
    if not values.null_count:
        return []
    empty = np.asarray(values.is_null()) & whole
    for fault in found:
        empty[fault.rows] = False
    rows = np.flatnonzero(empty)
    return [Fault("missing_required", column.name, rows)] if len(rows) else []


def check_range(values: pa.Array, cells: pa.Array, column: Column, unit: str, today: dt.date) -> list[Fault]:
    """Values outside the plausible range; apart, those that another unit would bring inside."""
    if column.kind == "date":
        return _check_dates(values, column, today)
    if column.kind not in ("integer", "number", "quantity") or column.low is None or column.high is None:
        return []
    low, high = float(column.low), float(column.high)
    numbers = np.asarray(values.to_numpy(zero_copy_only=False), dtype=float)
    with np.errstate(invalid="ignore"):
        outside = np.flatnonzero((numbers < low) | (numbers > high))
    if not len(outside):
        return []
    texts = [str(cells[int(row)].as_py()) for row in outside]
    shown = unit or column.unit
    words = {"low": f"{low:g}", "high": f"{high:g}", "unit": ""}
    if column.unit:
        words = {
            "low": f"{low:g}",
            "high": f"{high:g} {column.unit}",
            "unit": f" {shown}" if shown != column.unit else "",
        }
    suspects = [""] * len(outside)
    if column.kind == "quantity":
        raw = numbers[outside]
        if units.known(shown) != units.known(column.unit):
            raw = np.asarray(units.convert(raw, column.unit, shown))
        suspects = suspect_units(raw, column, shown)
    answer = []
    for code, which in (
        ("unit_suspected", [n for n, s in enumerate(suspects) if s]),
        ("out_of_range", [n for n, s in enumerate(suspects) if not s]),
    ):
        if which:
            each: Sequence[dict[str, Any]] = [{"suspects": suspects[n]} for n in which]
            answer.append(Fault(code, column.name, outside[which], [texts[n] for n in which], words, each))
    return answer


USUAL_UNITS = {
    "length": ("mm", "in", "thou", "m", "cm", "ft", "um"),
    "volume": ("L", "cm3", "qt", "gal"),
    "time": ("s", "min", "h", "ms"),
    "pressure_gauge": ("bar", "psi", "kPa", "mbar"),
    "temperature": ("degC", "degF", "K"),
    "rotation_speed": ("rpm", "rev/s"),
    "force": ("N", "kgf", "lbf"),
    "spring_rate": ("N/mm", "N/m", "lbf/in"),
}


def suspect_units(values: np.ndarray, column: Column, unit: str) -> list[str]:
    """``it fits in (0.508 mm)`` for values that one of the usual units would bring inside the range, else ""."""
    fits: list[list[str]] = [[] for _ in values]
    for other in USUAL_UNITS.get(column.dimension, ()):
        if units.known(other) == units.known(unit):
            continue
        numbers = convert_unit(values, other, column.unit)
        inside = (numbers >= float(column.low or 0)) & (numbers <= float(column.high or 0)) & (numbers != 0)
        for n in np.flatnonzero(inside):
            fits[n].append(f"{other} ({numbers[n]:.3g} {column.unit})")
    return [f"it fits {' or '.join(own[:3])}" if own else "" for own in fits]


def _check_dates(values: pa.Array, column: Column, today: dt.date) -> list[Fault]:
    low = dt.date.fromisoformat(str(column.low)) if column.low else dt.date.min
    high = today if column.high == "today" else dt.date.fromisoformat(str(column.high or "9999-12-31"))
    days = values.cast(pa.int32())
    answer = []
    late = np.flatnonzero(np.asarray(pc.greater(days, (high - dt.date(1970, 1, 1)).days).fill_null(False)))
    early = np.flatnonzero(np.asarray(pc.less(days, (low - dt.date(1970, 1, 1)).days).fill_null(False)))
    words = {"low": low.isoformat(), "high": high.isoformat(), "unit": ""}
    if len(late):
        code = "date_in_future" if column.high == "today" else "out_of_range"
        answer.append(Fault(code, column.name, late, [str(values[int(r)].as_py()) for r in late], words))
    if len(early):
        answer.append(
            Fault("out_of_range", column.name, early, [str(values[int(r)].as_py()) for r in early], words)
        )
    return answer
