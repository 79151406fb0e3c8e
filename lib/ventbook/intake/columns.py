"""Whole columns: a column taken in another unit than its header says, an overpressure that looks absolute."""

from __future__ import annotations

import numpy as np

from ventbook import units
from ventbook.dictionary import Column

from .cells import convert_unit
from .faults import Fault, thresholds
from .load import Loaded
from .ranges import USUAL_UNITS


def check_columns(loaded: Loaded) -> None:
    """Hold whole columns of a file whose values only make sense in another unit: one message, not thousands.

    Judged by the typical band of the column (``data/checks.toml``) where it has one, else by its plausible range.
    The faults of single cells that the column's message covers are taken out.
    """
    rules = thresholds()
    for number in range(len(loaded.sheets)):
        own = np.flatnonzero((loaded.source == number) & ~loaded.rerun)
        for column in loaded.table.columns:
            if column.kind != "quantity" or not len(own):
                continue
            values, filled = loaded.numbers(column.stored), own
            if len(own) < len(values):
                values = values[own]
            known = ~np.isnan(values)
            if not known.all():
                values, filled = values[known], own[known]
            if len(values) < rules["column_unit"]["min_values"]:
                continue
            unit = loaded.units[number].get(column.name) or column.unit
            suspects = find_other_unit(values, column, unit)
            if suspects:
                _replace_cell_faults(loaded, column, filled)
                shown = np.median(units.convert(values, column.unit, unit))
                words = {"unit": f" {unit}", "suspects": suspects, "n": len(filled), "value": f"{shown:.3g}"}
                loaded.faults.append(
                    Fault("column_unit_suspected", column.name, filled, (), words, once=True)
                )
            elif column.name == "tank_overpressure":
                _check_absolute(loaded, column, values, filled)


def find_other_unit(values: np.ndarray, column: Column, unit: str) -> str:
    """``in in it would be 0.45 mm`` where another unit explains the whole column and its own doesn't, else ""."""
    rules = thresholds()
    low, high = float(column.low or 0), float(column.high or 0)
    band = rules["typical"].get(column.name)
    share = rules["column_unit"]["min_share"]
    inside = ((values >= low) & (values <= high)).mean()
    if band:
        if max((values < band[0]).mean(), (values > band[1]).mean()) < 0.85:
            return ""  # so neither the tenth nor the ninetieth in a hundred lies outside
        tenth, ninetieth = np.quantile(values, [0.1, 0.9])
        if not (ninetieth < band[0] or tenth > band[1]):
            return ""
    elif inside >= 1 - share:
        return ""
    raw = np.asarray(units.convert(values, column.unit, unit))
    fits = []
    for other in USUAL_UNITS.get(column.dimension, ()):
        if units.known(other) == units.known(unit):
            continue
        numbers = convert_unit(raw, other, column.unit)
        middle = float(np.median(numbers))
        good = ((numbers >= low) & (numbers <= high)).mean() >= share
        if good and (band[0] <= middle <= band[1] if band else True) and middle != 0:
            fits.append(f"in {other} it would be {middle:.3g} {column.unit}")
    return " or ".join(fits[:3])


def _replace_cell_faults(loaded: Loaded, column: Column, rows: np.ndarray) -> None:
    kept = []
    for fault in loaded.faults:
        if fault.column != column.name or fault.code not in ("unit_suspected", "out_of_range"):
            kept.append(fault)
            continue
        rest = ~np.isin(fault.rows, rows)
        if rest.any():
            values = [v for v, keep in zip(fault.values, rest, strict=True) if keep]
            each = [e for e, keep in zip(fault.each, rest, strict=True) if keep] if fault.each else ()
            kept.append(Fault(fault.code, fault.column, fault.rows[rest], values, fault.common, each))
    loaded.faults[:] = kept


def _check_absolute(loaded: Loaded, column: Column, values: np.ndarray, rows: np.ndarray) -> None:
    """Gauge pressures that would be usual ones with the atmosphere taken off: asked, never subtracted."""
    rule = thresholds()["absolute_pressure"]
    used = values[values > 0]
    if len(used) < rule["min_values"] or not rule["low"] <= np.median(used) <= rule["high"]:
        return
    if (used >= 0.9).mean() < 0.9:  # an unpressurised tank reads about 1 bar absolute, never 0.3
        return
    words = {"value": f"{np.median(used):.2f}", "n": len(used)}
    loaded.faults.append(
        Fault("absolute_pressure_suspected", column.name, rows[values > 0], (), words, once=True)
    )
