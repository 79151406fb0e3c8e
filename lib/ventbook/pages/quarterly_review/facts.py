"""What the review is about, worked out once a page: the periods, their ventings, and the page's signal rule."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from weakref import WeakKeyDictionary

import numpy as np
import pandas as pd

from ventbook import evidence, priming, trends
from ventbook.conformity import READ
from ventbook.jobs import COUNTED
from ventbook.pages.base import Page
from ventbook.pages.period import Period
from ventbook.pages.rotations_to_prime.counts import widen_counts
from ventbook.pages.scope import cut_days
from ventbook.verdicts import only_findings, quarter_of

#: What comes through the door; what the workshop does about it stays out, or its changes would be adjusted away.
MIX = ("engine_type", "reason", "lines_empty", "cooler_empty", "filter_new")
#: What else is looked at when something moved.
ALSO = (
    *MIX,
    "gauge",
    "lifter_lot",
    "oil_grade",
    "procedure_revision",
    "form_revision",
    "turned_by",
    "technician",
)
NUMBERS = {"time_to_pressure": "time_to_pressure_s", "rotations_ratio": "rotations_ratio"}
GAP = "sound_lifter_gap"
#: What the signal rule and the restated share need of a venting.
NEEDED = (
    "venting_id", "engine_id", "date", "site", "step", "failed_first", "recorded_because", *MIX, *NUMBERS.values(), "gauge",
    "sound_gap_mm",
)  # fmt: skip
#: What the sections read of the two analysis tables; the rest isn't carried along.
JOB_COLUMNS = tuple(dict.fromkeys((
    "venting_id", "engine_id", "date", "month", "site", "failed_first", "open", "recorded_because", *MIX, *NUMBERS.values(),
    "lifter_lot", "oil_grade", "procedure_revision", "form_revision", "turned_by", "technician", "time_low_s", "time_high_s", "time_from_s", "time_step_s",
    "rotations_low", "rotations_high", "expected_rotations", "expected_state", "pressure_shown", "all_checked", "lifters_over_first", "lifters_judged_first", "lifters_checked",
    *priming.OPEN_COLUMNS,
    "gap_worst_first_mm", "tank_overpressure_bar", "oil_temperature_degC", "suction_line_length_m", "suction_line_bore_mm",
    "pressure_threshold_bar", "rotations_after_pressure",
)))  # fmt: skip
LIFTER_COLUMNS = (
    "venting_id", "engine_id", "date", "site", "engine_type", "gauge", "gauge_u_mm", "gap_first_mm", "gap_first_corrected_mm",
    "limit_mm", "over_first", "over_last", "cured", "checks", "extra_run_between", "run_between_taken", "cause",
)  # fmt: skip
#: The same with what a venting's row and the procedure's steps are made from.
LIFTERS_READ = tuple(dict.fromkeys((*LIFTER_COLUMNS, *COUNTED, *READ["lifters"])))
MOST_STEPS = 40
DRAWS = 20_000


@dataclass(frozen=True)
class Facts:
    """Everything the sections share.

    ``steps``: periods of the charts, oldest first, the last one current (quarters for a review of a year).
    ``jobs``: ventings up to the period's end that pass the filters, with ``step`` (label), ``gauge`` and
    ``sound_gap_mm``. ``now``, ``before``, ``year``: ventings of the period, the one before it, the same a year
    earlier; their periods beside them.
    """

    period: Period
    before_period: Period
    year_period: Period
    steps: tuple[Period, ...]
    jobs: pd.DataFrame
    lifters: pd.DataFrame
    now: pd.DataFrame
    before: pd.DataFrame
    year: pd.DataFrame
    watch: trends.PageWatch
    tier: str

    @property
    def step(self) -> Period:
        return self.steps[-1]

    @property
    def labels(self) -> list[str]:
        return [step.label for step in self.steps]

    @property
    def sites(self) -> list[str]:
        return sorted(self.jobs["site"].dropna().unique())

    @property
    def open_now(self) -> pd.DataFrame:
        """Ventings of the period still open."""
        return self.now[self.now["open"].fillna(False).to_numpy(bool)]

    def lifters_in(self, period: Period) -> pd.DataFrame:
        """Lifters of the ventings in ``period``."""
        return cut_days(self.lifters, period)

    def step_of(self, label: str) -> Period:
        return self.steps[self.labels.index(label)]


_KEPT: WeakKeyDictionary[Page, Facts] = WeakKeyDictionary()


def gather_facts(page: Page) -> Facts:
    """The page's facts; worked out at the first call and kept with the page."""
    if page not in _KEPT:
        page.lifter_columns = LIFTERS_READ
        _KEPT[page] = make_facts(page.history_jobs, page.history_lifters, page=page, period=page.period)
    return _KEPT[page]


def make_facts(jobs: pd.DataFrame, lifters: pd.DataFrame, *, page: Page, period: Period) -> Facts:
    """Facts of any period from any ventings and lifters (an earlier snapshot's, say)."""
    jobs = widen_counts(jobs)
    steps = make_steps(period, earliest=jobs["date"].min().date() if len(jobs) else period.start)
    lifters = label_steps(lifters[[c for c in LIFTER_COLUMNS if c in lifters.columns]], steps)
    jobs = label_steps(add_readings(jobs[[c for c in JOB_COLUMNS if c in jobs.columns]], lifters), steps)
    parts = [page.within(jobs, span) for span in (period, period.before(), period.year_earlier())]
    watch = make_watch(code_ventings(jobs), steps, seed=page.seed)
    now, before, year = parts
    known = now["failed_first"].dropna()
    tier = evidence.tier(
        ventings=len(known),
        findings=int(known.sum() + before["failed_first"].sum()),
        groups=[len(known), int(before["failed_first"].notna().sum())],
        denominators_known=not only_findings(now),
    )
    return Facts(
        period, period.before(), period.year_earlier(), steps, jobs, lifters, now, before, year, watch, tier
    )


def code_ventings(jobs: pd.DataFrame) -> pd.DataFrame:
    """What the signal rule needs of the ventings, mix, site and step coded once (a log makes many watches of them)."""
    coded = trends.code_columns(jobs[list(NEEDED)], [*MIX, "site"])
    return coded.assign(step=coded["step"].astype("category"))


def make_watch(jobs: pd.DataFrame, steps: tuple[Period, ...], *, seed: int) -> trends.PageWatch:
    """The page's signal rule on ventings with ``step`` and ``sound_gap_mm``."""
    return trends.watch_page(
        jobs, current=steps[-1].label, period="step", failed="failed_first", factors=MIX, numbers=NUMBERS,
        levels={GAP: "sound_gap_mm"}, periods=[step.label for step in steps], draws=DRAWS, seed=seed,
        false_alarms=evidence.load_budget().share("review_signals.signals"),
    )  # fmt: skip


def make_steps(period: Period, *, earliest: dt.date) -> tuple[Period, ...]:
    """The charts' periods up to the end of ``period``: periods of its own length, quarters where it is longer."""
    months = period.months()
    step = Period(period.label, period.start, period.end, period.provisional)
    if months is not None and months > 3:
        span = 3 if months % 3 == 0 else 1
        start = (pd.Timestamp(period.end) - pd.DateOffset(months=span)).date()
        step = Period(_label(start, period.end), start, period.end, period.provisional)
    steps = [step]
    while steps[0].start > earliest and len(steps) < MOST_STEPS:
        steps.insert(0, steps[0].before())
    return tuple(steps)


def _label(start: dt.date, end: dt.date) -> str:
    last = end - dt.timedelta(days=1)
    if quarter_of(start) == quarter_of(last) and (end.month - start.month) % 12 == 3:
        return quarter_of(start)
    return f"{start:%Y-%m}" if start.month == last.month else f"{start:%Y-%m}/{last:%Y-%m}"


def label_steps(jobs: pd.DataFrame, steps: tuple[Period, ...]) -> pd.DataFrame:
    """``jobs`` with the label of the step that each date lies in, missing where before the first."""
    starts = np.array([step.start for step in steps], "datetime64[D]")
    days = jobs["date"].to_numpy("datetime64[D]")
    at = np.searchsorted(starts, days, side="right") - 1
    inside = (at >= 0) & (days < np.datetime64(steps[-1].end, "D"))
    labels = pd.array([*(step.label for step in steps), None], dtype="str")
    return jobs.assign(step=labels.take(np.where(inside, at, len(steps))))


def add_readings(jobs: pd.DataFrame, lifters: pd.DataFrame) -> pd.DataFrame:
    """``jobs`` with the gauge of most of its first readings and the mean gap of the lower half of its lifters."""
    if lifters.empty:
        return jobs.assign(gauge=pd.Series(None, jobs.index, dtype="str"), sound_gap_mm=np.nan)
    venting, ids = pd.factorize(lifters["venting_id"])
    code, names = pd.factorize(lifters["gauge"], use_na_sentinel=True)
    known = code >= 0
    shape = (len(ids), max(len(names), 1))
    table = np.bincount(venting[known] * shape[1] + code[known], minlength=shape[0] * shape[1]).reshape(shape)
    most = pd.Series(np.take(np.append(names, ""), table.argmax(axis=1)), pd.Index(ids), dtype="str")
    most = most.where(table.sum(axis=1) > 0)
    place = pd.Index(ids).get_indexer(pd.Index(jobs["venting_id"]))
    found = place >= 0
    gauge = most.iloc[np.maximum(place, 0)].set_axis(jobs.index).where(found)
    sound = trends.mean_lower_half(lifters).reindex(ids).to_numpy(float)
    return jobs.assign(gauge=gauge, sound_gap_mm=np.where(found, sound[np.maximum(place, 0)], np.nan))
