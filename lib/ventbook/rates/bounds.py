"""Bounds on a share where only bad lifters were written down and blanks can mean passed or not checked."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from ventbook.rates.intervals import check_level
from ventbook.rates.shares import lifter_share
from ventbook.results import Estimate


@dataclass(frozen=True)
class BlankBounds:
    """The share with blanks as passed and with blanks as not checked, and what that leaves to decide.

    low, high : the two shares' envelope with their intervals. answer : "below", "above" or "not_known" against
    ``decision``, "" without one. blanks : lifters fitted and not written down.
    """

    as_passed: Estimate
    as_unchecked: Estimate
    low: float | None
    high: float | None
    blanks: int
    decision: float | None
    answer: str


def bound_blanks(
    failures: Any,
    written: Any,
    fitted: Any,
    *,
    cluster: Any,
    decision: float | None = None,
    level: float = 0.95,
) -> BlankBounds:
    """Bound the lifter share where unwritten lifters may have passed or may not have been checked.

    Parameters
    ----------
    failures, written, fitted : lifters over the limit, written down, fitted, one row a venting; a row with one
        missing is left out, and fitted is taken as at least written.
    decision : share (0..1) that the answer shall be held against.

    Returns
    -------
    "below" or "above" only where both readings of the blanks and their whole intervals agree, else "not_known".
    """
    level = check_level(level)
    if decision is not None and not 0 <= decision <= 1:
        raise ValueError(f"decision must lie between 0 and 1; got {decision!r}")
    x, w, f = (
        pd.to_numeric(pd.Series(v)).to_numpy(dtype=float, na_value=np.nan)
        for v in (failures, written, fitted)
    )
    ok = np.isfinite(x) & np.isfinite(w) & np.isfinite(f)
    f = np.where(ok, np.maximum(f, w), np.nan)
    x, w = np.where(ok, x, np.nan), np.where(ok, w, np.nan)
    as_passed = lifter_share(x, f, cluster=cluster, level=level)
    as_unchecked = lifter_share(x, w, cluster=cluster, level=level)
    ends = [e for e in (as_passed, as_unchecked) if e.low is not None and e.high is not None]
    low = min((e.low for e in ends if e.low is not None), default=None)
    high = max((e.high for e in ends if e.high is not None), default=None)
    answer = ""
    if decision is not None:
        answer = "not_known"
        if len(ends) == 2 and high is not None and high < decision:
            answer = "below"
        elif len(ends) == 2 and low is not None and low > decision:
            answer = "above"
    blanks = int(np.nansum(f - w)) if ok.any() else 0
    return BlankBounds(as_passed, as_unchecked, low, high, blanks, decision, answer)
