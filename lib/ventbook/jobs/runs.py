"""Whether the engine ran between a lifter's first and last check, and where that is not recorded but can be told."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..numerics import find_places

MOST_STARTS = 1000  # start numbers are far under it
Rows = npt.NDArray[np.intp]
Yes = npt.NDArray[np.bool_]


def tell_run_between(
    since: Any,
    until: Any,
    *,
    again: Yes,
    venting: Rows,
    venting_id: pd.Series,
    records: Mapping[str, pd.DataFrame],
) -> tuple[pd.arrays.BooleanArray, pd.arrays.BooleanArray]:
    """(run between the two checks: yes, no, or missing where unknown; taken as between though not recorded).

    Where both numbers are recorded they decide. Where one is empty, the runs that may lie between are those after the
    first check's number (an empty one: after the first run, for lifters are read after it) up to the last check's (an
    empty one: the last run before the job was closed). Exactly one is taken as the run between; none or several
    leave it unknown. A start that was shut down without pressure is no run.

    Parameters
    ----------
    since, until : ``after_start`` of the first and the last check of each lifter, missing where empty.
    again : the lifter was read more than once; else there is nothing to lie between, which is a no.
    venting : place of each lifter's venting in ``venting_id`` (each id once).
    records : ``starts`` and ``ventings`` as the store gives them; without starts, nothing can be told.
    """
    between: pd.arrays.BooleanArray = pd.array(until > since, dtype="boolean")
    between[~again] = False
    taken: pd.arrays.BooleanArray = pd.array(np.zeros(len(between), dtype=bool), dtype="boolean")
    open_rows = np.flatnonzero(between.isna())
    if not len(open_rows):
        return between, taken
    runs = _order_runs(records, venting_id)
    place = venting[open_rows]
    first = np.searchsorted(runs, place * MOST_STARTS)
    first_run = (
        np.append(runs, -1)[first] - place * MOST_STARTS
    )  # of ventings without a run: outside, told below
    low = _numbers(since, open_rows, first_run)
    high = _numbers(until, open_rows, np.full(len(place), MOST_STARTS - 1))
    counts = np.searchsorted(runs, place * MOST_STARTS + high, "right")
    counts -= np.searchsorted(runs, place * MOST_STARTS + low, "right")
    has_run = (first_run > 0) & (first_run < MOST_STARTS)
    taken[open_rows[(counts == 1) & has_run]] = True
    between[taken.to_numpy(bool)] = True
    return between, taken


def count_runs_taken(lifters: pd.DataFrame) -> tuple[int, int]:
    """Of the lifters over the limit at the first check and read again: those whose run between is taken from the starts
    on record, and those where a run between is unknown, which count neither as cured nor as not cured.

    ``lifters`` has the columns over_first, cured, checks, extra_run_between and run_between_taken of the lifter table.
    """
    over = lifters["over_first"].fillna(False).to_numpy(bool)
    taken = over & lifters["run_between_taken"].to_numpy(bool) & lifters["cured"].notna().to_numpy()
    unknown = over & (lifters["checks"] > 1).to_numpy(bool) & lifters["extra_run_between"].isna().to_numpy()
    return int(taken.sum()), int(unknown.sum())


def _order_runs(records: Mapping[str, pd.DataFrame], venting_id: pd.Series) -> npt.NDArray[np.int64]:
    """Runs in which pressure showed, none after the job's closing, as place of the venting and number, rising."""
    starts = records.get("starts")
    if starts is None or starts.empty:
        return np.zeros(0, dtype=np.int64)
    place = find_places(starts["venting_id"], venting_id)
    ran = (place >= 0) & starts["pressure_shown"].fillna(False).to_numpy(dtype=bool)
    ventings = records["ventings"]
    if "started_at" in starts and "closed" in ventings:
        at = find_places(starts["venting_id"], ventings["venting_id"])
        closed = ventings["closed"].to_numpy(dtype="datetime64[us]")[at]
        ran &= ~(starts["started_at"].to_numpy(dtype="datetime64[us]") >= closed + np.timedelta64(1, "D"))
    key = place[ran] * MOST_STARTS + starts["start_no"].to_numpy(dtype=np.int64)[ran]
    return np.sort(key)


def _numbers(values: Any, rows: Rows, instead: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Whole numbers of some rows, others in place of missing ones."""
    part = values.take(rows)
    found: npt.NDArray[np.int64] = np.where(part.isna(), instead, part.to_numpy(np.int64, na_value=0))
    return found
