"""The draft of a register of gauges: a row for every gauge on record, from its studies or from routine use."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pandas as pd

from ventbook.physics import gauge
from ventbook.statistics.trends.gauge_drift import (
    GAUGE,
    GaugeDrift,
    find_gauge_drifts,
    list_drift_biases,
    list_known_biases,
    list_sound_gaps,
    standard_uncertainty,
)
from ventbook.tables import GaugeRow, Gauges, evidence
from ventbook.tables.gauges import ASSUMED, COMPARISON, DRIFT, STUDY

NORMAL_95 = 1.96
SEVERAL = "so many gauges differ that which of them are off can't be told"
QUARTERS = 4  # a year
FEW_GAUGES = 4  # so few that the others may well be off alike, set by the same hand or against the same piece


def draft_gauges(
    lifters: pd.DataFrame,
    readings: pd.DataFrame | None = None,
    *,
    days: Mapping[str, dt.date] | None = None,
) -> tuple[tuple[GaugeRow, ...], tuple[str, ...]]:
    """Rows of a register for all gauges on record, one source of bias each, for a person to look over.

    Parameters
    ----------
    lifters : DataFrame
        One row a lifter and venting (:func:`ventbook.read_lifters`).
    readings : DataFrame, optional
        The record table of gauge readings.
    days : mapping of str to date, optional
        Day of each study, by name.

    Returns
    -------
    rows : tuple of GaugeRow
        By gauge. Kind "study" where a study has pieces of known gap; else "drift" from the day on from which
        the gauge moved against its own past, where it was the gauge and not the site (relative to what it read
        then; a row before that); else "comparison" where the gauge stands out among the others in routine use
        (relative: the others may be off); else "assumed".
    notes : tuple of str
        What else the records say of a gauge whose bias comes from elsewhere, a sentence each.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import trends
    >>> records = ventbook.open_store("data/demo/store").snapshot().records()
    >>> rows, notes = trends.draft_gauges(ventbook.read_lifters("data/demo/store"), records["gauge_readings"])
    >>> {row.gauge: row.kind for row in rows}["HG-3"]
    'study'
    """
    studied = {row.gauge: row for row in gauge.rows_from_studies(readings, days=days)}
    routine = gauge.compare_routine_readings(lifters)
    looked = routine["p"].where((routine["state"] == "estimated") & ~_apart(routine))
    routine = routine.assign(standing=evidence.judge_family(looked, gauge.FAMILY))
    # a gauge stands out among others that agree: where half of them differ, which are off can't be told
    named = routine["standing"].eq(evidence.NAMED)
    if 2 * named.sum() >= looked.notna().sum():
        routine.loc[named, "note"] = SEVERAL
        routine.loc[named, "standing"] = evidence.NOTHING
    in_use: dict[str, dict[Any, Any]] = {str(row["gauge"]): row for row in routine.to_dict("records")}
    last = lifters.dropna(subset=["gauge"]).groupby("gauge", observed=True)["date"].max()
    moved = _find_moved(lifters, tuple(studied.values()))
    rows, notes = [], []
    for name in sorted({*studied, *in_use}):
        row = studied.get(name) or GaugeRow(gauge=name, kind=ASSUMED, source="no study on record")
        if name in in_use:
            use = in_use[name]
            said = _say_routine(use)
            if row.kind == STUDY:
                notes.append(f"{name}: besides its study, {said}")
            elif name in moved:
                notes.append(f"{name}: besides what it moved, {said}")
            elif use["standing"] == evidence.NAMED:
                row = replace(
                    row,
                    kind=COMPARISON,
                    unit="mm",
                    bias=_round(float(use["difference_mm"])),
                    bias_uncertainty=_round(float(use["high"] - use["low"]) / 2 / NORMAL_95),
                    made=last[name].date(),
                    source=f"{said}: relative to the others{_say_fewer(routine)}; {row.source}",
                )
            else:
                row = replace(row, source=f"{row.source}; {said}")
        drift = moved.get(name)
        if drift is not None and row.kind == STUDY:
            notes.append(
                f"{name}: besides its study, {_say_moved(drift)}; which of the two holds is to be looked at"
            )
        own = [row] if drift is None or row.kind == STUDY else _rows_of_drift(row, drift, last[name].date())
        rows += [_round_row(part) for part in own]
    return tuple(rows), tuple(notes)


def _find_moved(lifters: pd.DataFrame, studied: tuple[GaugeRow, ...]) -> dict[str, GaugeDrift]:
    """Gauges that moved against their own past, and not their site."""
    known = list_known_biases(Gauges(studied))
    needed = {"engine_id", "engine_type", "site", "date", "gap_first_mm"}
    if not needed <= set(lifters.columns):
        return {}
    quarter = pd.to_datetime(lifters["date"]).dt.to_period("Q").astype(str)
    drifts = find_gauge_drifts(list_sound_gaps(lifters.assign(quarter=quarter)), biases=known)
    return {drift.gauge: drift for drift in drifts if drift.is_plain and drift.verdict == GAUGE}


def _say_moved(drift: GaugeDrift) -> str:
    low, high, value = (
        f"{end or 0.0:+.3f}" for end in (drift.shift.low, drift.shift.high, drift.shift.estimate)
    )
    return (
        f"it reads sound lifters {value} mm ({low} to {high}) against its own readings before {drift.since}"
    )


def _rows_of_drift(row: GaugeRow, drift: GaugeDrift, last: dt.date) -> list[GaugeRow]:
    """The gauge before it moved, as far as that is known, and since: a step, a slope by the year, or period by period."""
    start = pd.Period(drift.since, "Q").start_time.date()
    before = replace(row, until=start)
    source = f"{_say_moved(drift)} ({drift.ground}): relative to what it read then; {row.source}"
    told: dict[str, Any] = {"kind": DRIFT, "unit": "mm", "made": last, "source": source}
    if drift.kind == "slope" and drift.rate.estimate is not None:
        u, rate_u = float(drift.by_period["u_mm"].min()), standard_uncertainty(drift.rate)
        rate, rate_u = drift.rate.estimate * QUARTERS, rate_u * QUARTERS
        line: dict[str, Any] = {
            "bias": 0.0,
            "bias_uncertainty": u,
            "drift": rate,
            "drift_uncertainty": rate_u,
        }
        return [before, replace(row, since=start, **line, **told)]
    starts = {label: pd.Period(label, "Q").start_time for label in drift.by_period["period"]}
    found = [before]
    for part in list_drift_biases([drift], starts).to_dict("records"):
        until = None if pd.isna(part["until"]) else part["until"].date()
        shift: dict[str, Any] = {"bias": part["bias"], "bias_uncertainty": part["uncertainty"]}
        found.append(replace(row, since=part["from"].date(), until=until, **shift, **told))
    return found


def _apart(routine: pd.DataFrame) -> pd.Series:
    """Whether a difference can't be told from another cause: from the site, or which of two gauges is off."""
    return routine["note"].str.contains("can't be told")


def _say_fewer(routine: pd.DataFrame) -> str:
    """What a gauge that stands out among few may be instead: the one that is right."""
    compared = int(routine["state"].eq("estimated").sum())
    if compared > FEW_GAUGES:
        return ""
    return f" (only {compared - 1}: if it is they that are off, by as much the other way, this one is right; a study of any of them tells)"


def _say_routine(use: Mapping[Any, Any]) -> str:
    if use["state"] != "estimated":
        return f"in routine use not to be compared ({use['note']})"
    text = f"in routine use it reads {use['difference_mm']:+.3f} mm ({use['low']:+.3f} to {use['high']:+.3f}) against other gauges"
    unsure = "can't be told" in use["note"]
    return f"{text} ({use['note']})" if unsure else f"{text} on the same engine types and sites"


def _round(value: float) -> float:
    return float(round(value, 4))


def _round_row(row: GaugeRow) -> GaugeRow:
    names = ("bias", "bias_uncertainty", "drift", "drift_uncertainty", "repeatability", "between_technicians")
    found: dict[str, Any] = {
        name: _round(value) for name in names if (value := getattr(row, name)) is not None
    }
    if found.get("bias_uncertainty") == 0:
        found["bias_uncertainty"] = 0.0001
    return replace(row, **found)
