"""Patterns of copying: days and rows that repeat, gauges stuck at a value, columns that never vary."""

from __future__ import annotations

import numpy as np
import pandas as pd

from .across import Context
from .faults import Fault, Pattern, note_site, thresholds

MEASURED = (
    "oil_temperature_degC",
    "ambient_temperature_degC",
    "tank_overpressure_bar",
    "pressurised_before_turning_s",
    "turning_speed_rpm",
    "rotations",
    "rotations_after_pressure",
    "pressure_at_stop_bar",
    "rest_before_start_h",
    "tank_head_m",
)


def _measured(frame: pd.DataFrame) -> tuple[pd.DataFrame, pd.Series]:
    """Rows with enough measured columns filled in, and one number a row for what they say together."""
    values = frame[list(MEASURED)].astype("float64")
    filled = values.notna().sum(axis=1) >= thresholds()["copies"]["min_columns"]
    hashed = pd.util.hash_pandas_object(values[filled].fillna(-99999.0), index=False)
    return frame[filled], hashed


def copied_days(frame: pd.DataFrame, context: Context) -> list[Fault]:
    """A day of ventings whose measured values all equal another day's."""
    rules = thresholds()["copies"]
    part, hashed = _measured(frame)
    if part.empty:
        return []
    grouped = part[["site", "date"]].assign(hash=hashed.to_numpy()).groupby(["site", "date"], observed=True)
    # the sum of the rows' hashes is the same in any order of rows
    days = grouped["hash"].agg(n="size", set="sum").reset_index()
    days = days[days["n"] >= rules["min_rows"]]
    answer = []
    for (site, _), same in days.groupby(["site", "set"], sort=True, observed=True):
        if len(same) < 2:
            continue
        for _, day in same.iloc[1:].iterrows():
            rows = part.loc[(part["site"] == site) & (part["date"] == day["date"]), "row"]
            words = {"value": str(day["date"].date()), "low": str(same.iloc[0]["date"].date())}
            answer.append(note_site("copied_day", "date", rows, site=site, n=int(day["n"]), **words))
    return answer


def copied_rows(frame: pd.DataFrame, context: Context) -> list[Fault]:
    """The same set of measured values on several ventings of a site."""
    rules = thresholds()["copies"]
    part, hashed = _measured(frame)
    part = part[["site", "row"]].assign(hash=hashed.to_numpy())
    counts = part["hash"].value_counts()
    part = part[part["hash"].isin(counts.index[counts >= rules["vector_rows"]])]
    answer = []
    for (site, _), same in part.groupby(["site", "hash"], sort=True, observed=True):
        if len(same) >= rules["vector_rows"]:
            answer.append(note_site("copied_rows", "", same["row"], site=site, n=len(same), table="ventings"))
    return answer


def stuck_gauge(frame: pd.DataFrame, context: Context) -> list[Fault]:
    """One gauge reading the same gap on many lifters in a row, as the file has them."""
    run = thresholds()["copies"]["stuck_run"]
    answer = []
    part = frame[frame["gauge"].notna() & frame["gap_mm"].notna() & (frame["gap_mm"] > 0)].sort_values("row")
    for (site, gauge), own in part.groupby(["site", "gauge"], sort=True, observed=True):
        change = (own["gap_mm"] != own["gap_mm"].shift()).cumsum()
        sizes = own.groupby(change)["gap_mm"].agg(["size", "first"])
        long = sizes[sizes["size"] >= run]
        if len(long):
            first = own[change == long.index[0]]["row"]
            words = {"value": gauge, "low": f"{long['first'].iloc[0]:g}", "n": int(long["size"].iloc[0])}
            answer.append(note_site("value_stuck", "gap", first, site=site, **words))
    return answer


def no_spread(column: str, stored: str) -> Pattern:
    """A measured column that never varies at a site within a month (never by person)."""

    def rule(frame: pd.DataFrame, context: Context) -> list[Fault]:
        least = thresholds()["spread"]["min_values"]
        part = frame.loc[frame[stored].notna(), ["site", "date", stored, "row"]]
        if part.empty:
            return []
        month = (part["date"].to_numpy().astype("datetime64[M]").astype(np.int64)).view("int64")
        spread = part.groupby(["site", month], observed=True)[stored].agg(["size", "min", "max"])
        flat = spread[(spread["size"] >= least) & (spread["min"] == spread["max"])]
        answer = []
        for site, when in flat.index:
            own = part[(part["site"] == site) & (month == when)]
            if len(own):
                words = {
                    "value": f"{own['date'].iloc[0]:%Y-%m}",
                    "low": f"{own[stored].iloc[0]:g}",
                    "n": len(own),
                }
                answer.append(note_site("no_spread", column, own["row"], site=site, **words))
        return answer

    return rule
