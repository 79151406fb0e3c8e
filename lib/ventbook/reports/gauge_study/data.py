"""What the sections of the gauge report share, worked out once a page: studies, gauges in force, and what each decides."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from ventbook.physics import gauge
from ventbook.physics.gauge import FleetDraws, GaugeError, GaugeStudy, GaugeVerdict, Need
from ventbook.reports.page import Page, once_a_page
from ventbook.results import NotEnoughData
from ventbook.tables import GaugeRow, evidence
from ventbook.tables.gauges import ASSUMED
from ventbook.tables.units import display

#: Biases and uncertainties (mm) that differ by less are one gauge's same state.
SAME_MM = 0.002
DECIDED_BY = (
    "engine_id", "date", "gauge", "gap_first_mm", "gap_first_corrected_mm", "gauge_bias_mm", "gauge_bias_u_mm", "gauge_u_mm", "gauge_u_assumed",
)  # fmt: skip
"""What decisions read of the lifters."""
YEAR = dt.timedelta(days=365)


@dataclass(frozen=True)
class ReportData:
    """Studies of the records, gauges in routine use up to the end of the period, and the limit they serve (mm)."""

    readings: pd.DataFrame
    studies: tuple[GaugeStudy, ...]
    routine: pd.DataFrame
    limit: float | None
    lifters: pd.DataFrame


@dataclass(frozen=True)
class GaugeInForce:
    """One gauge as it was known at its last reading: the register's row, what is taken of it, and what it decides.

    place : in the draws' ``errors``. a_quarter : lifters that it reads in a quarter.
    """

    name: str
    row: GaugeRow
    error: GaugeError
    place: int
    a_quarter: float
    verdict: GaugeVerdict

    @property
    def bias_known(self) -> bool:
        """Whether its bias was found in some way."""
        return self.row.kind != ASSUMED


@dataclass(frozen=True)
class Decisions:
    """What the gauges in use decide at the limit; draws None with ``missing`` saying why there are none."""

    draws: FleetDraws | None
    gauges: tuple[GaugeInForce, ...]
    gap: np.ndarray
    missing: str = ""


@once_a_page
def load_data(page: Page) -> ReportData:
    """What the report's sections read."""
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
    routine = gauge.compare_routine_readings(lifters, level=page.level)
    looked = routine["p"].where(routine["state"] == "estimated")
    routine = routine.assign(standing=evidence.judge_family(looked, gauge.FAMILY))
    return ReportData(readings, tuple(studies), routine, limit, lifters)


def take_need(page: Page) -> Need:
    """What a gauge has to hold: the table's, with the page's own share of wrong passes where one was asked for."""
    asked = float(page.parameters.get("wrong_passes", 0.0))
    return replace(gauge.load_need(), wrong_passes=asked) if asked else gauge.load_need()


@once_a_page
def load_decisions(page: Page) -> Decisions:
    """What the register in force, or else the studies, make of the fleet's readings."""
    facts, need = load_data(page), evidence.need("wrong_verdicts")
    t = facts.lifters
    fits = t["gap_first_corrected_mm"].notna() & t["over_first_as_read"].notna()
    fits &= (t["limit_mm"] - (facts.limit or 0.0)).abs() < 1e-9
    t = t.loc[fits.to_numpy(dtype=bool), list(DECIDED_BY)]
    gap = t["gap_first_corrected_mm"].to_numpy(dtype=float)
    if facts.limit is None:
        return Decisions(None, (), gap, "no limit of the gap is in force")
    engines = t["engine_id"].nunique()
    if len(t) < need["readings"] or engines < need["engines"]:
        what = f"{need['readings']} readings on {need['engines']} engines are needed, {len(t)} on {engines} are there"
        return Decisions(None, (), gap, what)
    known = t[["gauge_bias_mm", "gauge_bias_u_mm", "gauge_u_mm"]].div(SAME_MM).round()
    state = known.assign(gauge=t["gauge"].astype("str").where(t["gauge"].notna(), ""))
    place = state.groupby(list(state.columns), sort=True, dropna=False).ngroup().to_numpy(dtype=np.intp)
    errors: list[GaugeError] = []
    last: dict[str, tuple[dt.date, int, GaugeRow]] = {}
    for number in range(int(place.max()) + 1):
        part = t[place == number]
        name = str(state["gauge"].to_numpy()[place == number][0])
        day = pd.Timestamp(part["date"].max()).date()
        row = page.gauges.find(name, day)
        errors.append(take_error(page, name, row, part))
        if name not in last or day >= last[name][0]:
            last[name] = day, number, row
    try:
        draws = gauge.draw_fleet(
            gap, t["engine_id"].astype(str), place, errors, limit=facts.limit, seed=page.seed
        )
    except NotEnoughData as error:
        return Decisions(None, (), gap, str(error))
    since = pd.Timestamp(page.period.end) - YEAR
    recent = (pd.to_datetime(t["date"]) >= since).to_numpy(dtype=bool)
    found = []
    for name, (_, number, row) in sorted(last.items()):
        year = int((recent & (state["gauge"] == name).to_numpy(dtype=bool)).sum())
        verdict = gauge.judge_gauge(draws, number, need=take_need(page), level=page.level)
        found.append(GaugeInForce(name, row, errors[number], number, max(year / 4, 1.0), verdict))
    return Decisions(draws, tuple(found), gap)


def take_error(page: Page, name: str, row: GaugeRow, readings: pd.DataFrame) -> GaugeError:
    """What is taken of a gauge for some readings of one state: bias, spread and step, and how well each is known."""
    unknown = gauge.load_unknown()
    u = float(readings["gauge_u_mm"].median())
    repeat, between = row.repeatability, row.between_technicians
    if repeat is None or between is None:
        repeat, between = u * np.sqrt(1 - unknown.between_share**2), u * unknown.between_share
    bias_u = (
        unknown.bias_uncertainty_mm if row.kind == ASSUMED else float(readings["gauge_bias_u_mm"].median())
    )
    told = [s for s in load_data(page).studies if s.gauge == name and s.u.estimate]
    freedom = sum(gauge.freedom_of_study(s) for s in told) if told else float("inf")
    if not told and bool(readings["gauge_u_assumed"].all()):
        freedom = unknown.freedom
    return GaugeError(
        bias=float(readings["gauge_bias_mm"].mean()), bias_u=bias_u, repeat=repeat, between=between, freedom=freedom,
        step=gauge.reading_step(readings["gap_first_mm"]),
    )  # fmt: skip


def to_display(values: object, page: Page) -> np.ndarray:
    """mm in the page's display unit."""
    return np.asarray(display(np.asarray(values, dtype=float), "mm", page.units)[0], dtype=float)


def unit_label(page: Page) -> str:
    """Label of the display unit of gaps."""
    return display(0.0, "mm", page.units)[1].label


def gauges_off(page: Page) -> tuple[list[str], list[GaugeInForce]]:
    """Gauges that read differently in routine use by more than chance makes among all of them, and share strata with others;
    and those of them whose bias in force says so already."""
    t = load_data(page).routine
    sure = (t["standing"] == evidence.NAMED) & ~t["note"].str.contains("can't be told apart")
    known = {g.name: g for g in load_decisions(page).gauges if g.bias_known}
    new: list[str] = []
    explained: list[GaugeInForce] = []
    for row in t[sure].to_dict("records"):
        g = known.get(str(row["gauge"]))
        wide = 0.0 if g is None else (row["high"] - row["low"]) / 2 + 2 * g.error.bias_u
        if g is not None and abs(row["difference_mm"] - g.error.bias) <= max(wide, SAME_MM):
            explained.append(g)
        else:
            new.append(str(row["gauge"]))
    return new, explained


def readings_of(facts: ReportData, s: GaugeStudy) -> pd.DataFrame:
    """The readings of one study."""
    r = facts.readings
    return r[(r["study"].astype(str) == s.study) & (r["gauge"].fillna("").astype(str) == s.gauge)]
