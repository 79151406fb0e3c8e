"""One column of the dictionary as a field of a page: label, unit, what may stand in it."""

from __future__ import annotations

import datetime as dt
import html
import math
from typing import Any

from ventbook.tables import Column, units
from ventbook.tables.units import System

LONG_TEXT = "remarks"  # the column that is written in several lines
LONGEST = 10_000  # characters; intake takes no longer text


def header(column: Column, system: System) -> str:
    """The column's header in a file, with the unit that the page asks for."""
    return f"{column.name} [{_shown(column, system).unit}]" if column.unit else column.name


def label(column: Column, system: System) -> str:
    """The column in words with the unit's label."""
    words = column.name.replace("_", " ").capitalize()
    return f"{words} [{_shown(column, system).label}]" if column.unit else words


def _shown(column: Column, system: System) -> units.Display:
    how = units.display(0.0, column.unit, system)[1]
    return how if units.known(how.unit) is not None else units.Display(column.unit, column.unit, 2)


def span(column: Column, system: System) -> tuple[float, float] | None:
    """The plausible range in the unit asked for; None where the column has none in numbers."""
    if not isinstance(column.low, int | float) or not isinstance(column.high, int | float):
        return None
    if not column.unit:
        return float(column.low), float(column.high)
    unit = _shown(column, system).unit
    low, high = (float(units.convert(v, column.unit, unit)) for v in (column.low, column.high))
    return low, high


def say_span(limits: tuple[float, float]) -> str:
    """A range in words, to four digits."""
    low, high = (f"{float(f'{limit:.4g}'):g}" for limit in limits)
    return f"{low} to {high}"


def text_of(column: Column, value: Any, system: System, *, digits: int = 6) -> str:
    """A canonical value as the field shows it; "" for None and NaN."""
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    if column.kind == "yes_no":
        return "yes" if value else "no"
    if column.kind == "quantity":
        shown = float(units.convert(value, column.unit, _shown(column, system).unit))
        return f"{float(f'{shown:.{digits}g}'):.10g}"
    if isinstance(value, dt.date):
        return value.isoformat()[: 10 if column.kind == "date" else 16]
    return f"{value:g}" if isinstance(value, float) else str(value)


def hint(column: Column, system: System, plan: Any = None) -> str:
    """The column's meaning, its range and what is planned, in one line."""
    unit = f" {_shown(column, system).label}" if column.unit else ""
    said = column.meaning
    if (limits := span(column, system)) is not None:
        said += f"; {say_span(limits)}{unit}"
    planned = text_of(column, plan, system, digits=3).replace("_", " ")
    return f"{said}. Planned: {planned}{unit}" if planned else said


def options(column: Column) -> tuple[str, ...]:
    """What a drop-down offers; empty for other columns."""
    return column.codes or (("yes", "no") if column.kind == "yes_no" else ())


def field(
    column: Column,
    name: str,
    system: System,
    value: Any = None,
    *,
    plan: Any = None,
    must: bool | None = None,
) -> str:
    """Label, input and hint of one column; ``name`` is TABLE.ROW.COLUMN. ``must``: whether it has to be filled in."""
    must = column.required if must is None else must
    mark = name.replace(".", "-")
    given = text_of(column, value, system)
    told = (
        f'id="{mark}" name="{name}" aria-describedby="{mark}-hint {mark}-fault"{" required" if must else ""}'
    )
    needed = ' <span class="must">needed</span>' if must else ""
    return (
        f'<div class="field"><label for="{mark}">{html.escape(label(column, system))}{needed}</label>'
        f"{_control(column, told, given, system)}"
        f'<p class="hint" id="{mark}-hint">{html.escape(hint(column, system, plan))}</p>'
        f'<p class="fault" id="{mark}-fault" hidden></p></div>'
    )


def _control(column: Column, told: str, given: str, system: System) -> str:
    if choices := options(column):
        made = "".join(
            f'<option value="{code}"{" selected" if code == given else ""}>{code.replace("_", " ")}</option>'
            for code in choices
        )
        return f'<select {told}><option value="">not recorded</option>{made}</select>'
    value = html.escape(given)
    if column.name == LONG_TEXT:
        return f'<textarea {told} rows="3" maxlength="{LONGEST}">{value}</textarea>'
    if column.kind in ("date", "datetime"):
        ahead = ' data-past="yes"' if column.high == "today" else ""
        kind = "date" if column.kind == "date" else "datetime-local"
        return f'<input type="{kind}" {told} value="{value}"{ahead}>'
    if (limits := span(column, system)) is not None:
        whole = column.kind == "integer"
        pad = "numeric" if whole else "decimal"
        if limits[0] < 0:
            pad = "text"  # number pads of phones have no minus sign
        return (
            f'<input type="text" inputmode="{pad}" {told} value="{value}" data-kind="{"whole" if whole else "number"}" '
            f'data-low="{limits[0]!r}" data-high="{limits[1]!r}">'
        )
    return f'<input type="text" {told} value="{value}" maxlength="{LONGEST}">'
