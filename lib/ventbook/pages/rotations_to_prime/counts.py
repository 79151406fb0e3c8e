"""What the report counts: ventings of the period and their history, heaped counts widened, and the tier."""

from __future__ import annotations

from weakref import WeakKeyDictionary

import numpy as np
import pandas as pd

from ventbook import evidence, priming, waiting_times
from ventbook.pages.base import Page

_COUNTED: WeakKeyDictionary[Page, tuple[pd.DataFrame, pd.DataFrame]] = WeakKeyDictionary()


def counted(page: Page) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Ventings of the period, and all up to its end, with heaped counts widened to what they say (by site)."""
    if page not in _COUNTED:
        history = widen_counts(page.history_jobs)
        inside = history["venting_id"].isin(page.jobs["venting_id"])
        _COUNTED[page] = history[inside].reset_index(drop=True), history
    return _COUNTED[page]


def widen_counts(jobs: pd.DataFrame) -> pd.DataFrame:
    """``jobs`` with rotations_low and rotations_high as wide as each site's heaping makes them."""
    shown = jobs["pressure_shown"].fillna(False).astype(bool)
    heaping = waiting_times.test_heaping(jobs["rotations"], group=jobs["site"]).set_index("group")["widen_to"]
    wide = jobs["site"].astype("str").map(heaping).fillna(0).to_numpy()
    low, high = waiting_times.widen_heaped(
        jobs["rotations"].to_numpy(float, na_value=np.nan),
        ~shown,
        wide,
        per_count=jobs["rotations_per_count"].to_numpy(float),
    )
    unknown = jobs["rotations_low"].isna().to_numpy()
    return jobs.assign(
        rotations_low=np.where(unknown, np.nan, low),
        rotations_high=np.where(unknown, np.nan, high),
        widened_to=wide,
    )


def tier_of(now: pd.DataFrame, groups: list[int] | None = None) -> str:
    """The evidence tier of a statement on these ventings' rotations."""
    n = len(priming.usable_counts(now))
    return evidence.tier(ventings=n, findings=n, groups=groups)
