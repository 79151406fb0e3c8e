"""What the sections of the lifter-gap report share, worked out once a page."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from ventbook.document import wording
from ventbook.model.verdicts import only_findings
from ventbook.physics import gauge
from ventbook.physics.gauge import GapDistribution, LongRun
from ventbook.reports.groups import USUAL
from ventbook.reports.page import Page, once_a_page
from ventbook.results import NotEnoughData
from ventbook.tables import evidence, units


@dataclass(frozen=True)
class ReportData:
    """Ventings and lifters of the period, and how the readings were taken.

    ``history``: lifters up to the end of the period.
    ``spread``: distribution of true gaps (None: too few readings); ``long_run``: share of wrong verdicts; ``step``: step of the readings, mm; ``u``:
    median uncertainty of a reading, mm. ``limit``: the limit most lifters of the period are held against, mm (NaN:
    none); ``limit_words``: "the limit" or "the placeholder limit".
    """

    jobs: pd.DataFrame
    lifters: pd.DataFrame
    history: pd.DataFrame
    groups: dict[str, list[str]]
    spread: GapDistribution | None
    long_run: LongRun
    step: float
    u: float
    limit: float
    placeholder: bool
    limit_words: str
    tier: str
    denominators_known: bool
    by_correction: bool


@once_a_page
def load_data(page: Page) -> ReportData:
    """What the report's sections read."""
    lifters, history, jobs = page.lifters, page.history_lifters, page.jobs
    groups = {name: sorted(map(str, page.history_jobs[name].dropna().unique())) for name in USUAL}
    known = not only_findings(jobs)
    failed = jobs["failed_first"].dropna()
    tier = evidence.tier(ventings=len(failed), findings=int(failed.sum()), denominators_known=known)
    step = gauge.reading_step(history["gap_first_mm"])
    readings = lifters["gauge_u_mm"].dropna()
    u = float(readings.median()) if len(readings) else float("nan")
    errors = np.hypot(history["gauge_u_mm"].fillna(gauge.ASSUMED_U_MM), history["gauge_bias_u_mm"])
    bias = history["gauge_bias_mm"]
    try:
        spread = gauge.deconvolve_gaps(history["gap_first_mm"] - bias, u=errors, step=step)
    except NotEnoughData:
        spread = None
    limits = lifters["limit_mm"].dropna()
    limit = float(limits.mode().iloc[0]) if len(limits) else float("nan")
    decided_by = history["gap_first_mm"] - bias * page.gauges.by_correction
    long_run = gauge.estimate_wrong_verdicts(
        decided_by,
        history["engine_id"],
        u=errors,
        step=step,
        limit=limit,
        bias=bias * (not page.gauges.by_correction),
        level=page.level,
        seed=page.seed,
    )
    placeholder = bool((lifters["limit_status"] == "placeholder").fillna(False).any())
    words = "the placeholder limit" if placeholder else "the limit"
    return ReportData(
        jobs,
        lifters,
        history,
        groups,
        spread,
        long_run,
        step,
        u,
        limit,
        placeholder,
        words,
        tier,
        known,
        page.gauges.by_correction,
    )


def shown(values: pd.Series | np.ndarray | float, page: Page) -> np.ndarray:
    """Values in mm in the page's display unit."""
    return np.asarray(units.display(np.asarray(values, dtype=float), "mm", page.units)[0], dtype=float)


def limit_label(facts: ReportData, page: Page) -> str:
    """Label of the limit line."""
    return f"limit {wording.limit_text(facts.limit, 'mm', units=page.units)}"
