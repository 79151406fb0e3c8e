"""What counts as over the limit, near it, comparable, failed, known and open: each said once.

Every table, page and check that speaks of one of these calls the function here, so that a lifter, a venting or a job is
counted the same way wherever it appears.

Conventions: a reading on the limit is within it. A light press is not a pass: under 80 % of the force that the limit is
for, a reading within the limit says nothing, while one over it is over at full force too. "Not known" is a missing
value, never no.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

Yes = npt.NDArray[np.bool_]
Answers = pd.Series | pd.arrays.BooleanArray

COMPARABLE_SHARE = 0.8
"""Under this share of the reference force a reading within the limit is not a pass (common practice, no source)."""
NEAR_U = 2.0
"""A reading within so many standard uncertainties of the limit is near it: neither pass nor fail."""
EDGE = 1e-9
"""Readings are decimals and computed in binary: 0.54 - 0.50 is a hair over 0.04. In mm, far under any gauge's step."""


@dataclass(frozen=True)
class Judged:
    """Of each reading: whether its force allows a verdict, whether it is over the limit, whether it is near it.

    ``comparable`` is always known. ``over`` is missing where the reading is not comparable, not recorded or has no
    limit; ``near`` likewise.
    """

    comparable: pd.arrays.BooleanArray
    over: pd.arrays.BooleanArray
    near: pd.arrays.BooleanArray


def is_over(gap: npt.ArrayLike, limit: npt.ArrayLike) -> Yes:
    """Whether a gap (mm) is over the limit; on the limit is within it. Not recorded, or without a limit: False."""
    gap, limit = np.asarray(gap, float), np.asarray(limit, float)
    return np.asarray(gap > limit + EDGE)


def is_near(gap: npt.ArrayLike, u: npt.ArrayLike, limit: npt.ArrayLike) -> Yes:
    """Whether a gap is within twice its standard uncertainty ``u`` of the limit (all mm), ends included.

    Not recorded, or without a limit: False.
    """
    gap, u, limit = np.broadcast_arrays(*(np.asarray(v, dtype=float) for v in (gap, u, limit)))
    return np.asarray(np.abs(gap - limit) <= NEAR_U * u + EDGE)


def is_light(force: npt.ArrayLike, reference_force: npt.ArrayLike) -> Yes:
    """Whether the lifter was pressed with under 80 % of the reference force (N).

    A force that was not written down is taken as the reference: False.
    """
    force, reference_force = np.asarray(force, float), np.asarray(reference_force, float)
    return np.asarray(force < COMPARABLE_SHARE * reference_force)


def judge_readings(
    gap: npt.ArrayLike,
    *,
    corrected: npt.ArrayLike,
    u: npt.ArrayLike,
    limit: npt.ArrayLike,
    force: npt.ArrayLike,
    reference_force: npt.ArrayLike,
) -> Judged:
    """Verdicts on gap readings, one each.

    Parameters
    ----------
    gap : as read, mm; NaN where not recorded.
    corrected : brought to the limit's force and hold, mm (the reading itself where it was taken at them).
    u : standard uncertainty of a reading, mm.
    limit : mm; NaN where none is in force.
    force, reference_force : N; NaN where not written down, or where the limit names none.

    A light press is comparable only where the gap as read and the corrected one are both over the limit: what the
    correction alone makes of it is no verdict.
    """
    over = is_over(corrected, limit)
    comparable = ~is_light(force, reference_force) | (is_over(gap, limit) & over)
    unknown = ~comparable | np.isnan(np.asarray(limit, float)) | np.isnan(np.asarray(corrected, float))
    return Judged(
        _yes_no(comparable, np.zeros(len(comparable), bool)),
        _yes_no(over, unknown),
        _yes_no(is_near(corrected, u, limit), unknown),
    )


def name_verdict(*, over: pd.Series, near: pd.Series, comparable: pd.Series) -> pd.Series:
    """The verdict on each reading: within, outside, near_limit, not_comparable, or "" where there is none.

    From the columns that :func:`judge_readings` gives, of a lifter table's first or last reading.
    """
    known = over.notna().to_numpy()
    name = np.select(
        [
            ~comparable.fillna(True).to_numpy(bool),
            ~known,
            near.fillna(False).to_numpy(bool),
            over.fillna(False).to_numpy(bool),
        ],
        ["not_comparable", "", "near_limit", "outside"],
        default="within",
    )
    return pd.Series(name, index=over.index, dtype="str")


def class_of_reading(lifters: pd.DataFrame) -> pd.Series:
    """Class of each lifter's first reading: within, near_within, near_over, over, not_comparable, no_limit."""
    verdict = first_verdict(lifters)
    over = lifters["over_first"].fillna(False).to_numpy(bool)
    side = pd.Series(np.where(over, "near_over", "near_within"), lifters.index)
    name = verdict.replace({"outside": "over", "": "no_limit"})
    return name.mask(verdict.eq("near_limit"), side).mask(lifters["limit_mm"].isna(), "no_limit")


def first_verdict(lifters: pd.DataFrame) -> pd.Series:
    """Verdict on each lifter's first reading."""
    return name_verdict(
        over=lifters["over_first"], near=lifters["near_limit_first"], comparable=lifters["comparable_first"]
    )


def is_failing(*, over: pd.Series, judged: pd.Series, checked: pd.Series) -> pd.Series:
    """Whether a venting had a lifter over the limit at a check, from its lifters' counts (one row a venting).

    ``over`` lifters of ``judged`` ones were over the limit; ``checked`` ones were looked at. Yes with one over; no with
    none over and every one judged; missing where none was looked at, or where one was pressed too lightly (or has no
    limit) and none was over.
    """
    found = over.fillna(0).gt(0).to_numpy(bool)
    whole = judged.fillna(0).ge(checked.fillna(0)).to_numpy(bool) & checked.fillna(0).gt(0).to_numpy(bool)
    return pd.Series(_yes_no(found, ~(found | whole)), index=over.index)


def is_cured(first: Answers, last: Answers, looked_again: Answers) -> pd.arrays.BooleanArray:
    """Whether what was over the limit at the first check was not at the last; missing where it was not over at the first,
    was not looked at again after a run, or the last check does not allow a verdict.
    """
    over, again, at_last = (pd.Series(v).astype("boolean") for v in (first, looked_again, last))
    asked = over.fillna(False).to_numpy(bool) & again.fillna(False).to_numpy(bool)
    still = at_last.fillna(True).to_numpy(bool)
    return _yes_no(~still, ~asked | at_last.isna().to_numpy())


def is_open(closed: pd.Series, site: pd.Series) -> pd.Series:
    """Whether each job is still open: it has no date of closing, at a site that writes such dates.

    Missing at a site that never closed a job: there, closing isn't recorded. To be asked of all jobs of a store at
    once, since a part of them may hold no closed one by chance.
    """
    closed_at = closed.notna()
    name = site.astype("object").where(site.notna(), "")
    writes = closed_at.groupby(name.to_numpy()).transform("any")
    return pd.Series(_yes_no(~closed_at.to_numpy(bool), ~writes.to_numpy(bool)), index=closed.index)


def is_open_finding(failed_last: pd.Series, closed: pd.Series) -> pd.Series:
    """Whether a job was closed with a lifter over the limit at its last check; missing where the job is not closed, or
    the last check does not allow a verdict.
    """
    return failed_last.astype("boolean").where(closed.notna().to_numpy())


def only_findings(jobs: pd.DataFrame) -> bool:
    """Whether any of the ventings was written down only because something was found: then no share of them is known."""
    return bool((jobs["recorded_because"] == "finding_only").fillna(False).any())


def quarters_of(dates: pd.Series) -> pd.Series:
    """Calendar quarter of each date as text, "2026Q3"; missing where there is no date."""
    year, quarter = (part.astype("Int64").astype("str") for part in (dates.dt.year, dates.dt.quarter))
    return (year + "Q" + quarter).where(dates.notna())


def quarter_of(day: dt.date) -> str:
    """Calendar quarter of a day as text, "2026Q3"."""
    return f"{day.year}Q{(day.month + 2) // 3}"


def _yes_no(values: Yes, missing: Yes) -> pd.arrays.BooleanArray:
    return pd.arrays.BooleanArray(np.asarray(values, bool), np.asarray(missing, bool))
