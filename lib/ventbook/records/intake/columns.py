"""Whole columns: taken in another unit than their header says, or an overpressure that looks absolute.

A column is held against what the shop's own past says of it (the store's rows), else against the typical band of
``data/checks.toml``. What is suspected is asked: quarantined until a person answers where the values speak plainly, accepted
with a question where only habit speaks. The answer is the unit itself or ``units_confirmed``, both in the mapping file.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from ventbook.records.intake.cells import USUAL_UNITS, convert_unit
from ventbook.records.intake.context import Fault, thresholds
from ventbook.records.intake.load import Earlier, Loaded, number_keys
from ventbook.tables import Column, units

Band = tuple[float, float]
BOOK = ("_intake", "_file")


def check_columns(loaded: Loaded, earlier: Earlier) -> None:
    """Ask about whole columns of a file whose values make sense in another unit: one message, not thousands.

    ``earlier`` reads columns of the store's rows of the table. The faults of single cells that a message covers are taken out.
    """
    pasts: dict[str, Past | None] = {}
    book = earlier(BOOK)
    recent = None if book is None else find_recent(book)
    for number, sheet in enumerate(loaded.sheets):
        own = np.flatnonzero((loaded.source == number) & ~loaded.rerun)
        for column in loaded.table.columns:
            if column.kind != "quantity" or not len(own) or column.name in sheet.confirmed:
                continue
            values, filled = loaded.numbers(column.stored), own
            if len(own) < len(values):
                values = values[own]
            known = ~np.isnan(values)
            if not known.all():
                values, filled = values[known], own[known]
            if len(values) < thresholds()["column_unit"]["min_values"]:
                continue
            if column.name not in pasts:
                pasts[column.name] = read_past(column, earlier, recent)
            unit = loaded.units[number].get(column.name) or column.unit
            past = pasts[column.name]
            picked = len(filled) < thresholds()["past"]["min_share"] * len(own)
            jobs = 0 if picked or past is None else _count_jobs(loaded, filled)
            code, words = judge_column(values, column, unit, past, jobs=jobs)
            if code:
                shown = np.median(units.convert(values, column.unit, unit))
                words |= {"unit": f" {unit}", "n": str(len(filled)), "value": f"{shown:.3g}"}
                fault = Fault(code, column.name, filled, (), words, once=True)
                if fault.holds:
                    _replace_cell_faults(loaded, column, filled)
                loaded.faults.append(fault)
            elif column.name == "tank_overpressure":
                _check_absolute(loaded, column, values, filled)


def _count_jobs(loaded: Loaded, rows: np.ndarray) -> int:
    """Ventings that some rows belong to, counted no further than is asked for; of other tables each row counts."""
    if "venting_id" not in loaded.rows.column_names:
        return len(rows)
    ids, enough, n = loaded.rows.column("venting_id"), thresholds()["past"]["min_jobs"], 0
    for some in (rows[:1000], rows):
        n = int(pc.count_distinct(ids.take(pa.array(some))).as_py())
        if n >= enough:
            break
    return n


@dataclass(frozen=True)
class Past:
    """What a shop's store says of a column: between which values nearly all lie (``wide``), and between which the middles
    of earlier files (``files``, None where there are too few).
    """

    wide: Band
    files: Band | None = None


class Recent(NamedTuple):
    """Rows of a table of the store that came last, and for each a whole number that tells its file apart."""

    rows: pa.Array
    files: np.ndarray


def find_recent(book: pa.Table) -> Recent:
    """The rows of the newest intakes, each whole, that have ``most_rows`` rows and ``min_files`` files together, or all there are;
    ``book`` has the columns BOOK.
    """
    rules, intakes = thresholds()["past"], book.column("_intake").to_numpy()
    counts = np.bincount(intakes)
    newest = np.flatnonzero(counts)[::-1]
    filled = int(np.searchsorted(np.cumsum(counts[newest]), rules["most_rows"]))
    recent = Recent(pa.array([], pa.int64()), np.zeros(0, dtype=np.int64))
    for oldest in newest[filled:].tolist() or newest[-1:].tolist():
        rows = pa.array(np.flatnonzero(intakes >= oldest))
        recent = Recent(rows, number_keys(book.take(rows), BOOK))
        if recent.files.max(initial=-1) >= rules["min_files"] - 1:
            break
    return recent


def read_past(column: Column, earlier: Earlier, recent: Recent | None) -> Past | None:
    """The past of a column by its ``recent`` rows, None where too little is on record. Of what can't be negative, zeros say
    nothing of the unit.
    """
    rules = thresholds()["past"]
    signed = float(column.low or 0) < 0 and column.dimension != "temperature"  # near 0 in any unit
    stored = None if recent is None or signed else earlier([column.stored])
    if stored is None or recent is None:
        return None
    files = recent.files
    values = np.asarray(stored.column(column.stored).take(recent.rows).to_numpy(), dtype=float)
    told = speaks(values, column)
    if told.sum() < rules["min_values"]:
        return None
    low, high = (float(q) for q in np.quantile(values[told], rules["quantiles"]))
    by_file = pd.Series(values[told]).groupby(files[told]).agg(["median", "size"])
    middles = by_file["median"][by_file["size"] >= thresholds()["column_unit"]["min_values"]]
    enough = len(middles) >= rules["min_files"]
    between = (float(middles.min()), float(middles.max())) if enough else None
    return Past((low, high), between)


def speaks(values: np.ndarray, column: Column) -> np.ndarray:
    """True for the values that say something of the unit: known, and, but for temperatures, not 0."""
    told: np.ndarray = ~np.isnan(values) & ((values != 0) | (column.dimension == "temperature"))
    return told


def judge_column(
    values: np.ndarray, column: Column, unit: str, past: Past | None = None, *, jobs: int = 0
) -> tuple[str, dict[str, str]]:
    """(issue code, words for it), an empty code where nothing is to be asked. ``jobs`` says from how many ventings the
    values come: those of one or two tell more of these engines than of the unit. 0 where the file has the column for a few
    picked rows only; not asked for without a past.
    """
    told = values[speaks(values, column)]
    if past is None:
        return _judge_by_habit(values, told, column, unit)
    if len(told) < thresholds()["column_unit"]["min_values"]:
        return "", {}
    middle = float(np.median(told))
    several = jobs >= thresholds()["past"]["min_jobs"]
    if several and past.files is not None and is_far(middle, column, past.files):
        suspects = say_fits(told, column, unit, *past.files)
        if suspects:
            return "column_unit_off_past", _say_past(suspects, column, past.files)
    if not is_far(middle, column, past.wide):
        return "", {}
    suspects = say_fits(told, column, unit, *past.wide) if several and past.files is None else ""
    if suspects:
        return "column_unit_off_past", _say_past(suspects, column, past.wide)
    suspects = find_other_unit(values, column, unit)
    return ("column_unit_suspected" if suspects else ""), {"suspects": suspects}


def _judge_by_habit(
    values: np.ndarray, told: np.ndarray, column: Column, unit: str
) -> tuple[str, dict[str, str]]:
    suspects = find_other_unit(values, column, unit)
    if suspects:
        return "column_unit_suspected", {"suspects": suspects}
    band = thresholds()["usual"].get(column.name)
    if not band or not len(told) or is_middle_within(told, band):
        return "", {}
    suspects = say_fits(told, column, unit, *band)
    return ("column_unit_asked" if suspects else ""), _say_past(suspects, column, band)


def is_middle_within(values: np.ndarray, band: Band) -> bool:
    """Whether the median lies in a band, told by counting where fewer than half lie on either side of it: that is faster."""
    half = len(values) / 2
    if np.count_nonzero(values < band[0]) < half and np.count_nonzero(values > band[1]) < half:
        return True
    return bool(band[0] <= np.median(values) <= band[1])


def _say_past(suspects: str, column: Column, band: Band) -> dict[str, str]:
    return {"suspects": suspects, "low": f"{band[0]:.3g}", "high": f"{band[1]:.3g} {column.unit}"}


def is_far(value: float, column: Column, band: Band) -> bool:
    """Whether a value lies clearly outside a band: by a factor, for temperatures by degrees."""
    rules = thresholds()["past"]
    if column.dimension == "temperature" or band[0] <= 0:
        margin = rules["degrees"] if column.dimension == "temperature" else 0.0
        return value < band[0] - margin or value > band[1] + margin
    return value < band[0] / rules["factor"] or value > band[1] * rules["factor"]


def say_fits(values: np.ndarray, column: Column, unit: str, low: float, high: float) -> str:
    """``in mm it would be 0.3 mm`` for the usual units that bring a column's middle between ``low`` and ``high``, and
    most of it into the plausible range; else "".
    """
    raw = np.asarray(units.convert(values, column.unit, unit))
    fits = []
    for other in USUAL_UNITS.get(column.dimension, ()):
        if units.known(other) == units.known(unit):
            continue
        numbers = convert_unit(raw, other, column.unit)
        middle = float(np.median(numbers))
        good = ((numbers >= float(column.low or 0)) & (numbers <= float(column.high or 0))).mean()
        if good >= thresholds()["column_unit"]["min_share"] and low <= middle <= high and middle != 0:
            fits.append(f"in {other} it would be {middle:.3g} {column.unit}")
    return " or ".join(fits[:3])


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
    return say_fits(values, column, unit, *(band or (low, high)))


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
