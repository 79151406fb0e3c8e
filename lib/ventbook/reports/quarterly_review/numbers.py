"""The five numbers of the front page, for any set of ventings, and the medians beside them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ventbook.document import wording
from ventbook.physics import priming
from ventbook.reports import waiting
from ventbook.reports.page import Page
from ventbook.reports.parameters import Period
from ventbook.reports.quarterly_review.data import ReportData
from ventbook.results import Estimate, no_estimate
from ventbook.statistics import rates, trends, waiting_times

#: Stable ids of the front page's numbers, in order, and whether their change is a ratio (else a difference).
FIVE = {
    "venting_failure_share": False,
    "observed_over_expected": True,
    "share_over_time_limit": False,
    "rotations_ratio": True,
    "cured_share": False,
}
UNITS = {"venting_failure_share": "share", "share_over_time_limit": "share", "cured_share": "share"}


def five_numbers(page: Page, facts: ReportData, jobs: pd.DataFrame, period: Period) -> dict[str, Estimate]:
    """The five numbers of the ventings ``jobs`` of ``period``."""
    return {
        "venting_failure_share": rates.failing_share(jobs, level=page.level),
        "observed_over_expected": expected_ratio(page, facts, period),
        "share_over_time_limit": share_over_time_limit(page, jobs),
        "rotations_ratio": rotations_ratio(page, jobs),
        "cured_share": rates.cured_lifters(facts.lifters_in(period), level=page.level),
    }


def expected_ratio(page: Page, facts: ReportData, period: Period, *, site: str = "") -> Estimate:
    """Failing ventings over those expected from the past and the mix, for the whole steps inside ``period``."""
    inside = [step.label for step in facts.steps if step.start >= period.start and step.end <= period.end]
    cells = facts.watch.cells
    cells = cells[cells["period"].isin(inside) & (cells["site"] == site)]
    if not inside or cells.empty or not cells["expected"].sum() > 0:
        note = facts.watch.note or "outside the periods that are compared"
        return no_estimate(
            "too_few", level=page.level, unit="1", n=0, method="observed over expected", note=note
        )
    return trends.observed_over_expected(
        float(cells["observed"].sum()),
        float(cells["expected"].sum()),
        level=page.level,
        n=int(cells["n"].sum()),
    )


def time_limit(page: Page, jobs: pd.DataFrame) -> np.ndarray:
    """Limit of the time to pressure for each venting (s), NaN where none is in force."""
    frame = page.limits.frame("time_to_pressure", jobs["engine_type"], jobs["date"])
    return frame["high"].to_numpy(float)


def share_over_time_limit(page: Page, jobs: pd.DataFrame) -> Estimate:
    """Share of first starts whose oil pressure came later than the limit in force for the engine on that day.

    Each time is taken as a share of its own limit, so that limits that differ by type and date can be added up.
    """
    timed = waiting.add_times(jobs).assign(wait_limit=time_limit(page, jobs))
    return waiting.share_over_own_limit(timed, level=page.level)


def rotations_ratio(page: Page, jobs: pd.DataFrame) -> Estimate:
    """Rotations recorded over rotations expected from lines, volumes and pump; given-up counts are lower bounds."""
    return page.keep_made(priming.estimate_ratio, page.look_at(jobs), level=page.level)


def median_time(jobs: pd.DataFrame, q: float, *, level: float) -> Estimate:
    """Seconds by which a share ``q`` of first starts had oil pressure."""
    return waiting.find_quantile(waiting.add_times(jobs), q, level=level, unit="s")


def median_rotations(jobs: pd.DataFrame, q: float, *, level: float) -> Estimate:
    """Crankshaft rotations by which a share ``q`` of ventings showed pressure."""
    return waiting_times.estimate_quantile(
        jobs["rotations_low"].to_numpy(float), jobs["rotations_high"].to_numpy(float), q, level=level, unit="count",
        cluster=jobs["engine_id"].to_numpy(object),
    )  # fmt: skip


def number_unit(name: str) -> str:
    """The unit of one of the five numbers."""
    return UNITS.get(name, "1")


def number_text(estimate: Estimate, unit: str) -> str:
    """One number of the table: shares with their count, ratios to two decimals, else the reason."""
    if estimate.estimate is None:
        return "" if estimate.n == 0 else wording.state_words(estimate)
    if unit == "share":
        events, percent = wording.count_behind(estimate), wording.number(estimate.estimate, "share")
        return f"{percent} of {estimate.n}" if events is None else f"{percent} ({events} of {estimate.n})"
    return wording.number(estimate.estimate, unit, decimals=2)
