"""Readings as the intervals (low, high] that they stand for.

A stopwatch reading t with step d means (max(0, t - d/2), t + d/2]; a run shut down without pressure at t means
(t, inf). A count k means (k - 1, k]: pressure showed during the k-th rotation; turning given up at k means (k, inf).
A count of 0 is read like 1, since pressure can't show before anything moves. NaN is "not recorded".
"""

from __future__ import annotations

import numpy as np
import pandas as pd

STOPWATCH_STEP_S = 0.5
"""Step taken where none is recorded. Common practice, no source."""


def time_interval(time_s: pd.Series, shown: pd.Series, step_s: pd.Series) -> tuple[pd.Series, pd.Series]:
    """(low, high] in seconds of each reading; see the module's text for the conventions."""
    half = step_s.fillna(STOPWATCH_STEP_S) / 2
    low = (time_s - half).clip(lower=0).where(shown.fillna(False).astype(bool), time_s)
    high = (time_s + half).where(shown.fillna(False).astype(bool), np.inf)
    unknown = time_s.isna() | shown.isna()
    return low.mask(unknown), high.mask(unknown)


def rotations_per_count(frame: pd.DataFrame) -> pd.Series:
    """Crankshaft rotations that one counted unit stands for; NaN where the record can't tell.

    Needs columns rotations_counted_at, propeller_reduction, propeller_blades. A blade pass is a propeller
    rotation over the number of blades.
    """
    reduction = frame["propeller_reduction"].astype(float)
    blades = frame["propeller_blades"].astype(float)
    factor = {
        "crankshaft": 1.0 + 0.0 * reduction.fillna(0.0),
        "propeller": reduction,
        "blade": reduction / blades,
    }
    result = pd.Series(np.nan, index=frame.index)
    for place, value in factor.items():
        result = result.mask(frame["rotations_counted_at"].eq(place).fillna(False).astype(bool), value)
    return result


def rotation_interval(
    count: pd.Series, shown: pd.Series, per_count: pd.Series
) -> tuple[pd.Series, pd.Series]:
    """(low, high] in crankshaft rotations of each count; see the module's text for the conventions."""
    count = count.astype(float)
    primed = shown.fillna(False).astype(bool)
    low = (count - 1).clip(lower=0).where(primed, count) * per_count
    high = (count.clip(lower=1) * per_count).where(primed, np.inf)
    unknown = count.isna() | shown.isna() | per_count.isna()
    return low.mask(unknown), high.mask(unknown)


def first_start(starts: pd.DataFrame) -> pd.DataFrame:
    """The row of the first start (start_no 1) of each venting, with its reading as an interval.

    Returns venting_id, the columns of starts (pressure_shown renamed start_pressure_shown), time_low_s,
    time_high_s, and time_source "stopwatch" where a time is recorded.
    """
    first = starts.loc[starts["start_no"].eq(1).fillna(False).astype(bool)]
    first = first.rename(columns={"pressure_shown": "start_pressure_shown"}).drop(columns="start_no")
    low, high = time_interval(
        first["time_to_pressure_s"], first["start_pressure_shown"], first["reading_step_s"]
    )
    source = pd.Series("stopwatch", index=first.index, dtype="str").where(low.notna(), "")
    return first.assign(time_low_s=low, time_high_s=high, time_source=source)
