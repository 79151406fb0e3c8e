"""What the review is about, worked out once a page: its periods, their ventings, its signal rule, and earlier reviews.

Reports keep no state. What an earlier review said is worked out again from the first snapshot made after its period was over and
before the next one was; the signal log has the signals as they were then, whether records changed them, and whether they closed.
Where no snapshot was made in time (two years taken in at once), today's records dated up to then take its place, and the row is
marked reconstructed.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from ventbook.model.verdicts import only_findings, quarter_of
from ventbook.numerics import is_among
from ventbook.physics import priming
from ventbook.reports.page import Page, once_a_page
from ventbook.reports.parameters import Period
from ventbook.reports.rotations_to_prime.page import widen_counts
from ventbook.reports.scope import cut_days
from ventbook.reports.written import last_written, list_rewritten, read_records_of
from ventbook.statistics import trends
from ventbook.tables import evidence

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
    "venting_id", "engine_id", "date", "site", "engine_type", "gauge", "gauge_u_mm", "gauge_bias_mm", "gap_first_mm", "gap_first_corrected_mm",
    "limit_mm", "over_first", "over_last", "cured", "checks", "extra_run_between", "run_between_taken", "cause",
)  # fmt: skip
#: What is read of an earlier snapshot's lifters.
THEN = ("venting_id", "engine_id", "date", "over_first", "over_last", "extra_run_between")
MOST_STEPS = 40
DRAWS = 20_000
#: Earlier periods in the log: a year of quarters.
LOGGED = 4
STILL, NOT_OVER, CLOSED, UNTOLD = "still a signal", "not over", "closed", "can't be told yet"
LOG_NUMBERS = ("value", "limit", "ratio", "low", "high", "observed", "expected")
COLUMNS = (
    "period", "series", "group", "direction", "since", "value", "limit", "basis", "records", "state", "ratio", "low",
    "high", "observed", "expected",
)  # fmt: skip


@dataclass(frozen=True)
class ReportData:
    """Everything the sections share.

    ``steps``: periods of the charts, oldest first, the last one current (quarters for a review of a year).
    ``jobs``: ventings up to the period's end that pass the filters, with ``step`` (label), ``gauge``,
    ``sound_gap_mm`` and ``lowest_gap_mm``. ``biases``: what studies say of gauges. ``now``, ``before``, ``year``: ventings of the period, the one that it is held against, the same a year
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
    biases: pd.DataFrame | None = field(default=None, repr=False)

    @cached_property
    def drifts(self) -> list[trends.GaugeDrift]:
        """Every gauge against its own past."""
        return trends.find_gauge_drifts(self.jobs, period="step", biases=self.biases)

    def drifts_since(self, since: str) -> list[trends.GaugeDrift]:
        """The same for a signal since some step: a gauge without a move of its own is looked at in that step alone."""
        found = trends.find_gauge_drifts(self.jobs, period="step", biases=self.biases, since=since)
        then = {drift.gauge: drift for drift in found}
        return [drift if drift.verdict else then.get(drift.gauge, drift) for drift in self.drifts]

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


@once_a_page
def load_data(page: Page) -> ReportData:
    """What the report's sections read."""
    return make_facts(page.history_jobs, page.history_lifters, page=page, period=page.period)


def make_facts(jobs: pd.DataFrame, lifters: pd.DataFrame, *, page: Page, period: Period) -> ReportData:
    """Facts of any period from any ventings and lifters (an earlier snapshot's, say)."""
    jobs = widen_counts(jobs)
    steps = make_steps(period, earliest=jobs["date"].min().date() if len(jobs) else period.start)
    lifters = label_steps(lifters[[c for c in LIFTER_COLUMNS if c in lifters.columns]], steps)
    jobs = label_steps(add_readings(jobs[[c for c in JOB_COLUMNS if c in jobs.columns]], lifters), steps)
    against = page.against if period == page.period else period.before()
    parts = [page.within(jobs, span) for span in (period, against, period.year_earlier())]
    watch = page.keep_made(make_watch, code_ventings(jobs), steps, seed=page.seed)
    now, before, year = parts
    known = now["failed_first"].dropna()
    tier = evidence.tier(
        ventings=len(known),
        findings=int(known.sum() + before["failed_first"].sum()),
        groups=[len(known), int(before["failed_first"].notna().sum())],
        denominators_known=not only_findings(now),
    )
    biases = trends.list_known_biases(page.gauges)
    return ReportData(
        period, against, period.year_earlier(), steps, jobs, lifters, now, before, year, watch, tier, biases
    )  # fmt: skip


def code_ventings(jobs: pd.DataFrame) -> pd.DataFrame:
    """What the signal rule needs of the ventings, mix, site and step coded once (a log makes many watches of them)."""
    coded = trends.code_columns(jobs[list(NEEDED)], [*MIX, "site"])
    return coded.assign(step=coded["step"].astype("category"))


def make_watch(jobs: pd.DataFrame, steps: tuple[Period, ...], *, seed: int) -> trends.PageWatch:
    """The page's signal rule on ventings with ``step`` and ``sound_gap_mm``."""
    allowed = evidence.load_budget().share("review_signals.signals")
    return trends.watch_page(
        jobs,
        current=steps[-1].label,
        period="step",
        factors=MIX,
        numbers=NUMBERS,
        levels={GAP: "sound_gap_mm"},
        periods=[step.label for step in steps],
        rule=trends.WatchRule(allowed, DRAWS, seed),
    )


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


def add_gauges(jobs: pd.DataFrame, lifters: pd.DataFrame) -> pd.DataFrame:
    """``jobs`` with the gauge of most of each venting's first readings."""
    if lifters.empty:
        return jobs.assign(gauge=pd.Series(None, jobs.index, dtype="str"))
    venting, ids = pd.factorize(lifters["venting_id"])
    code, names = pd.factorize(lifters["gauge"], use_na_sentinel=True)
    known = code >= 0
    shape = (len(ids), max(len(names), 1))
    table = np.bincount(venting[known] * shape[1] + code[known], minlength=shape[0] * shape[1]).reshape(shape)
    most = np.where(table.any(axis=1), table.argmax(axis=1), len(names))
    place = pd.Index(ids).get_indexer(pd.Index(jobs["venting_id"]))
    gauges = pd.array([*names, None], dtype="str")
    return jobs.assign(gauge=gauges.take(np.append(most, len(names))[place]))


def add_readings(jobs: pd.DataFrame, lifters: pd.DataFrame) -> pd.DataFrame:
    """``jobs`` with that gauge, and the mean gap of the lower half and of the lowest quarter of each venting's lifters."""
    jobs = add_gauges(jobs, lifters)
    if lifters.empty:
        return jobs.assign(sound_gap_mm=np.nan, lowest_gap_mm=np.nan)
    sound, lowest = (
        trends.mean_lowest(lifters, part=part).reindex(jobs["venting_id"]).to_numpy(float) for part in (0.5, 0.25)
    )  # fmt: skip
    return jobs.assign(sound_gap_mm=sound, lowest_gap_mm=lowest)


def snapshot_of(page: Page, step: Period) -> Any:
    """The snapshot that the review of ``step`` stood on, or None: first one dated between its end and the next end."""
    path = getattr(page.snapshot, "path", None)
    if path is None:
        return None
    from ventbook.records.store import open_store

    rows = page.records["intakes"]
    length = pd.Timestamp(step.end) - pd.Timestamp(step.start)
    day = pd.to_datetime(rows["today"])
    fits = rows[(day >= pd.Timestamp(step.end)) & (day < pd.Timestamp(step.end) + length)]
    if fits.empty:
        return None
    return open_store(path).snapshot(int(fits["number"].iloc[0]), rows=_intake_rows(page))


@once_a_page
def _intake_rows(page: Page) -> pd.DataFrame:
    from ventbook.records.store import open_store

    return open_store(page.snapshot.path).intake_rows(page.snapshot.number)


def read_then(
    page: Page, facts: ReportData, old: Any, period: Period
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Of the earlier snapshot ``old``, as :class:`ReportData` has today's: all ventings (columns NEEDED), those of the period,
    and the period's lifters (columns THEN).

    Ventings none of whose rows was written since are taken from today's tables; only the others are read from the
    snapshot and worked out again.
    """
    from ventbook.model import build_lifters, build_ventings, expect_records, list_counts

    same = jobs_written(page) <= old.number
    kept = facts.jobs["venting_id"][same]
    jobs = cut_days(facts.jobs, period)
    lifters = cut_days(facts.lifters[[c for c in THEN if c in facts.lifters]], period)
    today = [
        facts.jobs[list(NEEDED)][same],
        jobs[same[jobs.index.to_numpy()]],
        lifters[is_among(lifters["venting_id"], kept)],
    ]
    other = list_rewritten(page, old)
    # what counts were expected then hangs on all counts of then, of unchanged ventings too
    then = old.records()
    constants = page.fit_constants(list_counts(then))
    expected = expect_records(then, constants=constants)
    if len(other):
        part = read_records_of(old, other, then["engines"])
        read = page.keep_made(build_lifters, part, limits=page.limits, gauges=page.gauges)
        rows = page.keep_made(build_ventings, part, limits=page.limits, lifters=read, constants=constants)
        made = page.keep(add_readings(rows, read))
        made = label_steps(widen_counts(made), facts.steps)
        older = [made, page.within(made, period), page.within(page.keep(read), period)]
        today = [_join_rows(known, more) for known, more in zip(today, older, strict=True)]
    return _set_expected(today[0], expected), _set_expected(today[1], expected), today[2]


def _join_rows(known: pd.DataFrame, more: pd.DataFrame) -> pd.DataFrame:
    """Rows of two tables by date and venting, with columns and types of the first."""
    more = more.reindex(columns=known.columns)
    whole = pd.concat([known, more.astype(known.dtypes.to_dict())]) if len(more) else known
    order = [name for name in ("date", "venting_id") if name in whole]
    return whole.sort_values(order, kind="stable").reset_index(drop=True)


def _set_expected(jobs: pd.DataFrame, expected: pd.DataFrame) -> pd.DataFrame:
    own = expected.set_index("venting_id").reindex(jobs["venting_id"])
    return jobs.assign(
        **{str(name): own[name].astype(jobs[name].dtype).array for name in own if name in jobs}
    )


@once_a_page
def jobs_written(page: Page) -> np.ndarray:
    """:func:`last_written` of each venting of the page's data."""
    return load_data(page).jobs["venting_id"].map(last_written(page)).to_numpy(float)


def intakes_of(page: Page, facts: ReportData) -> set[int]:
    """Numbers of the intakes that brought the period's ventings (all of them where that isn't known)."""
    if getattr(page.snapshot, "path", None) is None:
        return set(page.records["intakes"]["number"].astype(int))
    return set(facts.now["venting_id"].map(last_written(page)).dropna().astype(int))


@once_a_page
def read_log(page: Page) -> pd.DataFrame:
    """Earlier reviews' signals, a row each: COLUMNS."""
    facts = load_data(page)
    rows: list[tuple[Any, ...]] = []
    for step in facts.steps[-1 - LOGGED : -1]:
        back = look_back(page, step)
        basis = "snapshot" if back.known else "reconstructed"
        rows += compare_watches(page, facts, step.label, back.watch, back.today, basis=basis)
    return pd.DataFrame(rows, columns=list(COLUMNS)).astype(dict.fromkeys(LOG_NUMBERS, float))


@dataclass(frozen=True)
class LookBack:
    """An earlier period as its own review had it: the signal rule as of then and with today's records (the page's own where the
    period has no row in the log), its ventings and lifters as of then; ``known`` False where today's records stand in.
    """

    watch: trends.PageWatch
    today: trends.PageWatch
    known: bool = False
    jobs: pd.DataFrame | None = None
    lifters: pd.DataFrame | None = None


def look_back(page: Page, period: Period) -> LookBack:
    """An earlier period, worked out once a page: all ventings of its snapshot are let go of again."""
    kept = _looked_back(page)
    key = period.start, period.end
    if key not in kept:
        kept[key] = _look_back(page, load_data(page), period)
    return kept[key]


@once_a_page
def _looked_back(page: Page) -> dict[tuple[dt.date, dt.date], LookBack]:
    return {}


def _look_back(page: Page, facts: ReportData, period: Period) -> LookBack:
    logged = [
        step for step in facts.steps[-1 - LOGGED : -1] if (step.start, step.end) == (period.start, period.end)
    ]
    steps = facts.steps[: facts.steps.index(logged[0]) + 1] if logged else ()
    labels = [step.label for step in steps]
    inside = facts.jobs["step"].isin(labels).to_numpy()
    today = facts.watch
    if logged:
        today = page.keep_made(make_watch, coded_ventings(page)[inside], steps, seed=page.seed)
    old = snapshot_of(page, period)
    if old is None:
        return LookBack(today, today)
    found, jobs, lifters = read_then(page, facts, old, period)
    found = found[found["step"].isin(labels).to_numpy()]
    if found.empty:
        return LookBack(today, today, False, jobs, lifters)
    then = today
    if not found.reset_index(drop=True).equals(facts.jobs.loc[inside, list(NEEDED)].reset_index(drop=True)):
        then = page.keep_made(make_watch, code_ventings(found), steps, seed=page.seed)
    return LookBack(then, today, True, jobs, lifters)


@once_a_page
def coded_ventings(page: Page) -> pd.DataFrame:
    """The page's ventings as the signal rule needs them."""
    return code_ventings(load_data(page).jobs)


def compare_watches(
    page: Page, facts: ReportData, label: str, then: trends.PageWatch, today: trends.PageWatch, *, basis: str
) -> list[tuple[Any, ...]]:
    """One row a signal that an earlier review showed, or would show with today's records: COLUMNS."""
    keys = ["series", "group", "direction"]
    sets = [
        {tuple(row[k] for k in keys): row for row in w.signals.to_dict("records")}
        for w in (then, today, facts.watch)
    ]
    rows = []
    for key in sorted(set(sets[0]) | set(sets[1])):
        row = sets[0].get(key) or sets[1][key]
        if key in sets[0] and key in sets[1]:
            records = "the same"
        elif key in sets[0]:
            records = "went: no signal with the records as corrected since"
        else:
            records = "came: shows only with records that came or were corrected later"
        state, numbers = follow_up(page, facts, key, then if key in sets[0] else today)
        state = STILL if key in sets[2] else state
        rows.append((label, *key, row["since"], row["value"], row["limit"], basis, records, state, *numbers))
    return rows


def follow_up(
    page: Page, facts: ReportData, key: tuple[str, str, str], then: trends.PageWatch
) -> tuple[str, tuple[float, ...]]:
    """Whether a signal that no longer shows has closed: its state, and this period's observed over expected with
    interval, observed and expected, by what was expected when it showed (NaN for other series than failing ventings).

    A change that lasts becomes part of the past and stops being news; that is not the same as being over.
    """
    series, site, direction = key
    none = (float("nan"),) * 5
    if series != trends.FAILING:
        return "no longer a signal", none
    table = trends.expect_failing(then, facts.now)
    table = table[(table["site"] == site) & (table["expected"] > 0)]
    if table.empty:
        return "no ventings to follow it up", none
    observed, expected, n = (float(table[name].iloc[0]) for name in ("observed", "expected", "n"))
    ratio = trends.observed_over_expected(observed, expected, level=page.level, n=int(n))
    assert ratio.estimate is not None and ratio.low is not None and ratio.high is not None
    numbers = (ratio.estimate, ratio.low, ratio.high, observed, expected)
    if (ratio.low > 1) if direction == "up" else (ratio.high < 1):
        return NOT_OVER, numbers
    over = ratio.estimate < 1.25 if direction == "up" else ratio.estimate > 0.8
    return (CLOSED if over else UNTOLD), numbers


def list_not_over(page: Page) -> list[dict[str, Any]]:
    """Earlier signals of failing ventings that are not over, though no longer new: the latest row of each."""
    table = read_log(page)
    table = table[(table["state"] == NOT_OVER) & (table["series"] == trends.FAILING)]
    table = table.drop_duplicates(["group", "direction"], keep="last")
    sites = set(table.loc[table["group"] != "", "direction"])
    kept = table[(table["group"] != "") | ~table["direction"].isin(sites)]
    return [{str(k): v for k, v in row.items()} for row in kept.to_dict("records")]
