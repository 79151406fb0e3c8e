"""What the sections of the gauge report share, worked out once a page."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from weakref import WeakKeyDictionary

import numpy as np
import pandas as pd

from ventbook import evidence, gauge
from ventbook.gauge import GaugeStudy
from ventbook.pages.base import Page
from ventbook.units import display


@dataclass(frozen=True)
class Facts:
    """Studies of the records, gauges in routine use up to the end of the period, and the limit they serve (mm)."""

    readings: pd.DataFrame
    studies: tuple[GaugeStudy, ...]
    routine: pd.DataFrame
    by_gauge: pd.DataFrame
    limit: float | None
    lifters: pd.DataFrame


_KEPT: WeakKeyDictionary[Page, Facts] = WeakKeyDictionary()


def gather_facts(page: Page) -> Facts:
    """The page's facts; worked out at the first call and kept with the page."""
    if page not in _KEPT:
        _KEPT[page] = _make_facts(page)
    return _KEPT[page]


def _make_facts(page: Page) -> Facts:
    readings = page.records.get("gauge_readings", pd.DataFrame())
    lifters = page.history_lifters
    limits = lifters["limit_mm"].dropna()
    limit = float(limits.mode().iloc[0]) if len(limits) else None
    if limit is None:
        found = page.limits.find("lifter_gap", "*", page.period.end - dt.timedelta(days=1))
        limit = None if found is None else found.high
    studies = []
    for study, name in gauge.list_studies(readings):
        part = readings[(readings["study"] == study) & (readings["gauge"].fillna("") == name)]
        studies.append(gauge.analyse_study(part, limit=limit, level=page.level, study=study, gauge=name))
    used = sorted(lifters["gauge"].dropna().astype(str).unique())
    again = (lifters["last_after_start"] == lifters["first_after_start"]) & (lifters["checks"] > 1)
    again &= lifters["gauge"] == lifters["gauge_last"]
    rechecks = lifters.loc[again.fillna(False).to_numpy(dtype=bool), ["gauge", "gap_first_mm", "gap_last_mm"]]
    by_gauge = gauge.uncertainty_by_gauge(studies, gauges=used, rechecks=rechecks)
    routine = gauge.compare_gauges(lifters, level=page.level)
    looked = routine["p"].where(routine["state"] == "estimated")
    routine = routine.assign(standing=evidence.judge_family(looked, gauge.FAMILY))
    return Facts(readings, tuple(studies), routine, by_gauge, limit, lifters)


def to_display(values: object, page: Page) -> np.ndarray:
    """mm in the page's display unit."""
    return np.asarray(display(np.asarray(values, dtype=float), "mm", page.units)[0], dtype=float)


def unit_label(page: Page) -> str:
    """Label of the display unit of gaps."""
    return display(0.0, "mm", page.units)[1].label


def gauges_off(facts: Facts) -> list[str]:
    """Gauges that read differently in routine use by more than chance makes among all of them, and share strata with others."""
    t = facts.routine
    sure = (t["standing"] == evidence.NAMED) & ~t["note"].str.contains("can't be told apart")
    return t.loc[sure, "gauge"].astype(str).tolist()


def readings_of(facts: Facts, s: GaugeStudy) -> pd.DataFrame:
    """The readings of one study."""
    r = facts.readings
    return r[(r["study"].astype(str) == s.study) & (r["gauge"].fillna("").astype(str) == s.gauge)]
