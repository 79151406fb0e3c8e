"""Failing shares that were read with a gauge that moved: what they would be had it gone on reading as before."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import numpy as np
import pandas as pd

from ventbook.document.wording import clean_text, join_words, number, of_total
from ventbook.reports.gauges import find_told
from ventbook.reports.page import Page, once_a_page
from ventbook.statistics import rates, trends

GAP_COLUMNS = ("venting_id", "engine_id", "site", "engine_type", "gauge", "quarter", "gap_first_mm")


@once_a_page
def find_drifts(page: Page) -> list[trends.GaugeDrift]:
    """Gauges that read differently than they used to, by all records up to the end of the period."""
    lifters = page.history_lifters
    if not lifters["gauge"].notna().any():
        return []
    known = trends.list_known_biases(page.gauges)
    gaps = trends.list_sound_gaps(lifters[list(GAP_COLUMNS)])
    drifts = trends.find_gauge_drifts(gaps, biases=known, level=page.level)
    return [drift for drift in drifts if drift.is_plain]


def say_drifted(
    page: Page,
    jobs: pd.DataFrame,
    lifters: pd.DataFrame,
    drifts: Sequence[trends.GaugeDrift],
    *,
    tier: str,
    period: str = "quarter",
) -> str:
    """The warning of the shares of ``jobs``, each number kept as a finding; empty where no verdict rests on a move.

    ``drifts``: those that a page may name, their periods in the column ``period`` of ``lifters``.
    """
    told, day = [], page.period.end - dt.timedelta(days=1)
    for drift in drifts:
        corrected = page.gauges.by_correction and find_told(page.gauges, drift.gauge, day) is not None
        if not drift.is_plain or drift.verdict == trends.SITE or corrected:
            continue
        left = trends.recount_unmoved(jobs, lifters, [drift], period=period)
        sites = jobs["site"].isin(drift.sites).to_numpy(bool)
        before, after = (frame["failed_first"].fillna(False).to_numpy(bool) for frame in (jobs, left))
        if np.array_equal(before, after):
            continue
        now, then = (rates.failing_share(frame[sites], level=page.level) for frame in (jobs, left))
        overall = rates.failing_share(left, level=page.level)
        where = join_words([clean_text(site) for site in drift.sites])
        shift = drift.shift.estimate or 0.0
        size = number(abs(shift), "mm", units=page.units, decimals=2 if page.units == "metric" else 3)
        whose = " (gauge or site, these records can't tell)" if drift.verdict == trends.OPEN else ""
        counted = of_total(int(after[sites].sum()), now.n, "venting")
        text = (
            f"The share at {where} is read with gauge {clean_text(drift.gauge)}, which reads {size} "
            f"{'higher' if shift > 0 else 'lower'} than before {drift.since}{whose}: with that taken out {counted} there would have "
            f"failed instead of {int(before[sites].sum())}"
        )
        if then.estimate is not None and overall.estimate is not None:
            text += f", {number(then.estimate, 'share')} there and {number(overall.estimate, 'share')} in all"
        text += "."
        page.add_finding(
            "venting_failure_share_had_gauge_not_moved", then, group={"gauge": drift.gauge}, tier=tier, sentence=text
        )  # fmt: skip
        told.append(text)
    return " ".join(told)
