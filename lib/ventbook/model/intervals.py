"""Readings as the intervals (low, high] that they stand for.

A stopwatch reading t with step d means (max(0, t - d/2), t + d/2]; a run shut down without pressure at t means
(t, inf). A count k means (k - 1, k]: pressure showed during the k-th rotation; turning given up at k means (k, inf).
A count of 0 is read like 1, since pressure can't show before anything moves. NaN is "not recorded".

A logger sees the start in one step and pressure in another. Its time is at least time_low_s and at most time_high_s; how the two
steps share that interval is kept beside it: the start lies anywhere in a stretch of time_step_s, and counted from the
beginning of that stretch pressure came in (time_from_s, time_high_s]. Of a stopwatch the step is 0 and time_from_s
is time_low_s.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

STOPWATCH_STEP_S = 0.5
"""Step taken where none is recorded. Common practice, no source."""


def time_interval(time_s: pd.Series, shown: pd.Series, step_s: pd.Series) -> tuple[pd.Series, pd.Series]:
    """What a timed reading says of the time to pressure.

    Parameters
    ----------
    time_s : Series, s
        As read; missing = not recorded.
    shown : Series of bool
        Pressure showed; no = shut down without.
    step_s : Series, s
        Step of the reading; STOPWATCH_STEP_S where missing.

    Returns
    -------
    low, high : Series, s
        (low, high]: half a step to either side, at least 0; from the reading to infinity where pressure did
        not show. Missing where time or ``shown`` is.

    Examples
    --------
    >>> import pandas as pd
    >>> from ventbook import model
    >>> low, high = model.time_interval(pd.Series([3.0, 20.0]), pd.Series([True, False]), pd.Series([0.5, 0.5]))
    >>> low.tolist(), high.tolist()
    ([2.75, 20.0], [3.25, inf])
    """
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
    """What a count says of the rotations to pressure.

    Parameters
    ----------
    count : Series
        As counted; missing = not recorded.
    shown : Series of bool
        Pressure showed; no = turning was given up.
    per_count : Series
        Crankshaft rotations that one counted unit stands for.

    Returns
    -------
    low, high : Series, crankshaft rotations
        (count - 1, count] counted units: pressure showed during the last one; (count, infinity] where given
        up. A count of 0 is read like 1. Missing where any of the three is.

    Examples
    --------
    >>> import pandas as pd
    >>> from ventbook import model
    >>> low, high = model.rotation_interval(pd.Series([30, 60]), pd.Series([True, False]), pd.Series([2.0, 2.0]))
    >>> low.tolist(), high.tolist()
    ([58.0, 120.0], [60.0, inf])
    """
    count = count.astype(float)
    primed = shown.fillna(False).astype(bool)
    low = (count - 1).clip(lower=0).where(primed, count) * per_count
    high = (count.clip(lower=1) * per_count).where(primed, np.inf)
    unknown = count.isna() | shown.isna() | per_count.isna()
    return low.mask(unknown), high.mask(unknown)


def first_start(starts: pd.DataFrame) -> pd.DataFrame:
    """The row of the first start of each venting, with its reading as an interval.

    Parameters
    ----------
    starts : DataFrame
        The record table of starts; those with start_no 1 are taken.

    Returns
    -------
    DataFrame
        venting_id, the columns of starts (pressure_shown renamed start_pressure_shown), time_low_s,
        time_high_s, time_from_s, time_step_s, and time_source "stopwatch" where a time is recorded.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook import model
    >>> starts = ventbook.open_store("data/demo/store").snapshot().read("starts")
    >>> bool(model.first_start(starts)["venting_id"].is_unique)
    True
    """
    first = starts.loc[starts["start_no"].eq(1).fillna(False).astype(bool)]
    first = first.rename(columns={"pressure_shown": "start_pressure_shown"}).drop(columns="start_no")
    low, high = time_interval(
        first["time_to_pressure_s"], first["start_pressure_shown"], first["reading_step_s"]
    )
    source = pd.Series("stopwatch", index=first.index, dtype="str").where(low.notna(), "")
    step = pd.Series(0.0, index=first.index).where(low.notna())
    return first.assign(
        time_low_s=low, time_high_s=high, time_from_s=low, time_step_s=step, time_source=source
    )


def trace_intervals(features: pd.DataFrame) -> pd.DataFrame:
    """time_low_s, time_high_s, time_from_s, time_step_s of starts with the features of a trace, to the microsecond.

    Features made before the two steps were kept (version 0.1.0) have no start_low_t: there the interval is taken to be two
    equal steps, as of a logger with a regular clock, where it does not reach down to 0; else it is left flat.
    """
    low, high = features["time_low_s"].astype(float), features["time_high_s"].astype(float)
    begun = features["start_low_t"].astype(float)
    step = features["start_t"].astype(float) - begun
    since = features["pressure_low_t"].astype(float) - begun
    regular = ((high - low) / 2).where((low > 0) & np.isfinite(high), 0.0)
    step = step.fillna(regular).where(low.notna())
    since = since.fillna(low + regular)
    columns = {"time_low_s": low, "time_high_s": high, "time_from_s": since, "time_step_s": step}
    # differences of clock readings: their last digits are noise that keeps equal readings apart
    return pd.DataFrame({name: values.round(6) for name, values in columns.items()}, index=features.index)
