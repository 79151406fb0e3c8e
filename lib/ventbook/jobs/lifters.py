"""One row a lifter and venting: first and last reading at reference force, and how sure it is over the limit."""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np
import pandas as pd

from .. import dictionary, gauge, lifter
from ..dictionary import Limits

COMPARABLE_SHARE = 0.8
"""Under this share of the reference force a pass is not a pass (common practice, no source)."""

_READING = (
    "check_no",
    "after_start",
    "force_N",
    "hold_s",
    "gap_at_once_mm",
    "gap_at_once_time_s",
    "gap_no_force_mm",
    "second_force_N",
    "second_gap_mm",
    "gap_mm",
    "lifter_id",
    "lifter_history",
    "oil_temperature_degC",
    "feel",
    "gauge",
    "technician",
)
_CONTEXT = ("engine_id", "date", "site", "reason", "lifter_lot", "oil_grade", "elevation_m")
_ENGINE = (
    "engine_type",
    "feed_order",
    "rocker_ratio",
    "plunger_diameter_mm",
    "plunger_spring_force_N",
    "plunger_spring_rate_N_per_mm",
    "plunger_travel_mm",
    "plunger_land_mm",
    "plunger_clearance_um",
)
_KEY = ["venting_id", "cylinder", "valve"]
MOST_CYLINDERS = 12
PARTS = ("air", "leak_down", "both", "bottomed")


def build_lifters(
    records: Mapping[str, pd.DataFrame],
    *,
    limits: Limits | None = None,
    gauge_u_mm: Mapping[str, float] | None = None,
) -> pd.DataFrame:
    """One row a lifter and venting, sorted by date, venting, cylinder and valve.

    Columns: venting_id, its context (engine_id, engine_type, site, date, quarter, reason, lifter_lot), cylinder,
    valve, position, feed_rank (1 = fed first), the first reading (force_N, hold_s, gap_first_mm, ...), gap_last_mm,
    checks; both gaps corrected to reference force and hold (``gap_*_corrected_mm``, equal to the reading where it
    was taken within the limits of force and hold); ``over_first`` and ``over_last`` (the corrected gap is over the
    limit; missing where the reading is not comparable); ``over_probability_*`` given the gauge; ``cured`` (over at
    the first check, not over at the last, a run between); and the cause of a finding by probability.

    Parameters
    ----------
    records : record tables by name, as the store gives them.
    limits : limits in force; default the placeholders of ``data/limits.toml``.
    gauge_u_mm : standard uncertainty of a reading by gauge; default from the studies among the records, and the
        assumed one for a gauge without a study.
    """
    limits = dictionary.limits() if limits is None else limits
    gauge_u_mm = gauge.uncertainties_from_records(records) if gauge_u_mm is None else gauge_u_mm
    readings = _with_context(records)
    limit = limits.frame("lifter_gap", readings["engine_type"], readings["date"])
    readings = readings.assign(
        limit_mm=limit["high"].to_numpy(),
        limit_status=limit["status"].to_numpy(),
        gauge_u_mm=readings["gauge"].map(dict(gauge_u_mm)).astype(float).fillna(gauge.ASSUMED_U_MM),
    )
    readings = _at_reference(readings, limits)
    order = readings.sort_values([*_KEY, "check_no"], kind="stable")
    first = order.drop_duplicates(_KEY, keep="first").set_index(_KEY)
    last = order.drop_duplicates(_KEY, keep="last").set_index(_KEY)
    checks = order.groupby(_KEY, sort=False).size().astype("Int64")
    found = first.rename(
        columns={
            "gap_mm": "gap_first_mm",
            "gap_corrected_mm": "gap_first_corrected_mm",
            "over": "over_first",
            "comparable": "comparable_first",
            "over_probability": "over_probability_first",
            "near_limit": "near_limit_first",
            "check_no": "first_check_no",
            "after_start": "first_after_start",
        }
    ).assign(
        gap_last_mm=last["gap_mm"],
        gap_last_corrected_mm=last["gap_corrected_mm"],
        over_last=last["over"],
        comparable_last=last["comparable"],
        over_probability_last=last["over_probability"],
        gauge_last=last["gauge"],
        last_check_no=last["check_no"],
        last_after_start=last["after_start"],
        checks=checks,
    )
    run_between = (found["last_after_start"] > found["first_after_start"]).fillna(False).astype(bool)
    found["extra_run_between"] = run_between.astype("boolean")
    cured = (found["over_first"] & ~found["over_last"]).where(run_between & found["over_first"].fillna(False))
    found["cured"] = cured.astype("boolean")
    found = _with_cause(found.reset_index())
    return found.sort_values(["date", "venting_id", "cylinder", "valve"], kind="stable").reset_index(
        drop=True
    )


def _with_context(records: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    checks = records["lifter_checks"][["venting_id", "cylinder", "valve", *_READING]]
    ventings = records["ventings"][["venting_id", *_CONTEXT]]
    engines = records["engines"][["engine_id", *_ENGINE]]
    readings = checks.merge(ventings, on="venting_id", how="inner").merge(
        engines, on="engine_id", how="inner"
    )
    readings["quarter"] = quarter_of(readings["date"])
    readings["position"] = (
        readings["cylinder"].astype("str") + " " + readings["valve"].str.replace("_", " ", regex=False)
    )
    readings["feed_rank"] = _feed_rank(readings["feed_order"], readings["cylinder"])
    return readings.drop(columns="feed_order")


def quarter_of(date: pd.Series) -> pd.Series:
    """Calendar quarter as text, "2026Q3"."""
    return (date.dt.year.astype("str") + "Q" + date.dt.quarter.astype("str")).where(date.notna())


def _feed_rank(order: pd.Series, cylinder: pd.Series) -> pd.Series:
    """Place of each row's cylinder in its engine's feed order; missing where the order isn't recorded."""
    codes, texts = pd.factorize(order)
    places = cylinder.astype("float64").to_numpy()
    known = (codes >= 0) & (places >= 1) & (places <= MOST_CYLINDERS)
    table = np.full((len(texts), MOST_CYLINDERS + 1), np.nan)
    for row, text in enumerate(texts):
        for place, number in enumerate(re.findall(r"\d+", str(text)), 1):
            if int(number) <= MOST_CYLINDERS:
                table[row, int(number)] = place
    ranks = np.full(len(order), np.nan)
    ranks[known] = table[codes[known], places[known].astype(int)]
    return pd.Series(ranks, index=order.index).astype("Int64")


def _at_reference(readings: pd.DataFrame, limits: Limits) -> pd.DataFrame:
    """Adds gap_corrected_mm, comparable, over, over_probability, near_limit."""
    types, days = readings["engine_type"], readings["date"]
    force = limits.frame("check_force", types, days).set_index(readings.index)
    hold = limits.frame("check_hold", types, days).set_index(readings.index)
    off_force = ~readings["force_N"].between(force["low"].fillna(-np.inf), force["high"].fillna(np.inf))
    off_hold = ~readings["hold_s"].between(hold["low"].fillna(-np.inf), hold["high"].fillna(np.inf))
    off_force &= readings["force_N"].notna() & force["reference"].notna()
    off_hold &= readings["hold_s"].notna() & hold["reference"].notna()
    corrected = readings["gap_mm"].copy()
    off = off_force | off_hold
    if off.any():
        corrected[off] = lifter.correct_to_reference(
            readings[off],
            reference_force_N=force.loc[off, "reference"].to_numpy(),
            reference_hold_s=hold.loc[off, "reference"].to_numpy(),
        )
    light = (readings["force_N"] < COMPARABLE_SHARE * force["reference"]) & force["reference"].notna()
    limit = readings["limit_mm"]
    over = (corrected > limit).astype("boolean").mask(limit.isna() | corrected.isna())
    # A light press that is already over the limit is over at full force too; a light press that is not says nothing.
    comparable = ~light | (readings["gap_mm"] > limit)
    probability = gauge.over_limit_probability(corrected, readings["gauge_u_mm"], limit)
    near = (corrected - limit).abs() <= 2 * readings["gauge_u_mm"]
    return readings.assign(
        gap_corrected_mm=corrected,
        corrected=off.to_numpy(),
        comparable=comparable.astype("boolean"),
        over=over.where(comparable),
        over_probability=np.where(comparable, probability, np.nan),
        near_limit=near.astype("boolean").where(comparable),
    )


def _with_cause(found: pd.DataFrame) -> pd.DataFrame:
    """Adds what each finding's gap is made of, by probability; "" and missing where the lifter is no finding."""
    finding = (found["over_first"].fillna(False) | (found["over_probability_first"] >= 0.5)).astype(bool)
    columns = [f"{part}_probability" for part in PARTS] + ["trapped_air_mm3", "growth_um_per_s"]
    found = found.assign(cause="", **dict.fromkeys(columns, np.nan))
    if finding.any():
        split = lifter.split_gaps(found.loc[finding].rename(columns={"gap_first_mm": "gap_mm"}))
        for name in ["cause", *columns]:
            found.loc[finding, name] = split[name].to_numpy()
    return found
