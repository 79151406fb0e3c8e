"""Time to oil pressure at the first start: how long, where longer, how often over the limit, who was shut down."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ventbook.document import plotting, wording
from ventbook.document.sequence import Blocks
from ventbook.model import time_interval
from ventbook.reports import first_screen, waiting
from ventbook.reports.page import Page, once_a_page, section
from ventbook.statistics import time_causes, waiting_times

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WAIT = waiting.TimeToEvent(
    outcome="time_to_pressure", unit="s", decimals=1, noun="Time to oil pressure", what="had oil pressure",
    more="longer times", less="shorter times", up="longer", down="shorter", axis="seconds to oil pressure", median_id="median_time_to_pressure",
    p90_id="p90_time_to_pressure", prefix="time_to_pressure", family="times_and_counts.time_to_pressure",
)  # fmt: skip
RETURN = waiting.TimeToEvent(
    outcome="return_flow_time", unit="s", decimals=1, noun="Time to return flow", what="showed return flow",
    more="longer times", less="shorter times", up="longer", down="shorter", axis="seconds to return flow", median_id="median_return_flow_time",
    p90_id="p90_return_flow_time", prefix="return_flow", family="times_and_counts.time_to_pressure",
)  # fmt: skip
SHOWN_TIMES = (1.0, 2.0, 3.0, 4.0, 5.0, 7.0, 10.0, 15.0)


@dataclass(frozen=True)
class ReportData:
    """First starts of the period and up to its end, and the adjusted effects over the latter."""

    jobs: pd.DataFrame
    history: pd.DataFrame
    effects: waiting.Effects
    tier: str


@once_a_page
def load_data(page: Page) -> ReportData:
    """What the report's sections read."""
    history = prepare(page, page.history_jobs)
    jobs = page.within(history, page.period)
    effects = waiting.fit_effects(page.look_at(history), WAIT, level=page.level, units=page.units)
    return ReportData(jobs, history, effects, waiting.find_tier(jobs))


def prepare(page: Page, jobs: pd.DataFrame) -> pd.DataFrame:
    """``jobs`` with the first start's time as a wait, and its own limit as wait_limit."""
    return with_limit(page, waiting.add_times(waiting.add_groupings(jobs)), "time_to_pressure")


def with_limit(page: Page, jobs: pd.DataFrame, step: str) -> pd.DataFrame:
    """``jobs`` with wait_limit and limit_status of a step for each engine type and day."""
    limit = page.limits.frame(step, jobs["engine_type"], jobs["date"])
    return jobs.assign(wait_limit=limit["high"].to_numpy(float), limit_status=limit["status"].to_numpy())


def say_limit(page: Page, jobs: pd.DataFrame) -> tuple[str, bool]:
    """ " of 5.0 s" where one limit serves all, else nothing; and whether any of it is a placeholder."""
    values = jobs["wait_limit"].dropna().unique()
    placeholder = bool((jobs["limit_status"] == "placeholder").any())
    return (
        f" of {wording.limit_text(float(values[0]), 's', units=page.units)}" if len(values) == 1 else ""
    ), placeholder


@section
def answer(page: Page) -> Blocks:
    """Half, nine of ten, share over the limit, what goes with longer times, and who was shut down."""
    facts = load_data(page)
    known = facts.jobs[facts.jobs["wait_low"].notna()]
    median, p90 = (waiting.find_quantile(facts.jobs, q, level=page.level, unit=WAIT.unit) for q in (0.5, 0.9))
    over = waiting.share_over_own_limit(facts.jobs, level=page.level)
    limit, placeholder = say_limit(page, facts.jobs)
    said = [
        waiting.within(
            median,
            part=f"Half of {wording.count(len(known), 'first start')}",
            what=WAIT.what,
            units=page.units,
        ),
        waiting.within(p90, part="Nine of ten", what=WAIT.what, units=page.units),
        waiting.over_limit(over, limit=limit, placeholder=placeholder),
    ]
    shown = page.answer(
        *said,
        waiting.say_effects(facts.effects, WAIT),
        say_given_up(known),
        todo=waiting.first_checks(page, facts.effects, WAIT),
        picture=lead_picture(page),
    )
    for id, found, sentence in (
        (WAIT.median_id, median, said[0]), (WAIT.p90_id, p90, said[1]), ("share_over_time_limit", over, said[2]),
    ):  # fmt: skip
        page.add_finding(id, found, tier=facts.tier, sentence=sentence)
    return shown


@once_a_page
def estimate_curve(page: Page) -> waiting_times.Curve:
    """The curve of the page's first starts."""
    jobs = load_data(page).jobs
    low, high, step = time_causes.read_waits(jobs)
    engine = jobs["engine_id"].to_numpy(object)
    return waiting_times.estimate_curve(low, high, step=step, cluster=engine, level=page.level)


def draw_curve(ax: Axes, page: Page) -> Axes:
    """The page's curve with the limits in force, from 0 to a little beyond the last of both."""
    found = estimate_curve(page)
    waiting.draw_share_ended(ax, found.points(), label=page.period.label)
    limits = load_data(page).jobs[["wait_limit", "limit_status"]].dropna().drop_duplicates()
    for value, status in limits.itertuples(index=False, name=None):
        name = f"limit {wording.limit_text(float(value), 's', units=page.units)}"
        plotting.mark_limit(ax, float(value), name, axis="x", placeholder=status == "placeholder", top=False)
    ax.set_xlim(0, 1.08 * max(found.last_seen, *(float(v) for v in limits["wait_limit"]), 1.0))
    ax.set_xlabel("seconds from engine start")
    return ax


def lead_picture(page: Page) -> Blocks:
    """Share of first starts with oil pressure by each second, and the limit; nothing where too few are on record."""
    found = estimate_curve(page)
    if found.n < 5:
        return Blocks()
    figure, ax = first_screen.new_lead("First starts with oil pressure by each second")
    draw_curve(ax, page)
    return page.add_figure(
        "lead", figure,
        alt=f"Share of {found.n} first starts with oil pressure against seconds from engine start, with its range and the limit as an upright line.",
        caption=f"Share of the {found.n} first starts of {page.period.label} with oil pressure by each second, with its range.",
    )  # fmt: skip


def say_given_up(known: pd.DataFrame) -> str:
    count = int(np.isinf(known["wait_high"]).sum())
    if not len(known):
        return ""
    if not count:
        return "None was shut down before pressure showed."
    return (
        f"{wording.of_total(count, len(known), 'first start')} ended in a shut-down before pressure showed."
    )


@section
def curve(page: Page) -> Blocks:
    """Share of first starts with oil pressure by each second, with its limits, the limit in force and the regression."""
    found = estimate_curve(page)
    if found.n < 5:
        return page.text(f"{wording.count(found.n, 'reading')}: too few for a curve.")
    jobs = load_data(page).jobs
    low, high, step = time_causes.read_waits(jobs)
    engine = jobs["engine_id"].to_numpy(object)
    figure, ax = plotting.new_figure()
    right = draw_curve(ax, page).get_xlim()[1]
    fit = waiting_times.fit_aft(low, high, step=step, cluster=engine, level=page.level)
    if fit.state == "estimated":
        grid = np.linspace(0.02 * right, right, 120)
        share = [1.0 - (fit.share_over(t).estimate or 0.0) for t in grid]
        waiting.draw_model(ax, grid, share, label=f"{fit.distribution} fit")
    ax.set_ylabel("first starts with oil pressure [%]")
    ax.legend(loc="lower right")
    times = np.array([t for t in SHOWN_TIMES if t <= right])
    shown = page.add_figure(
        "time_to_pressure_curve", figure,
        alt=f"Share of {found.n} first starts with oil pressure against seconds from engine start, with a band of plausible values and the "
        "limit as an upright line.",
        caption=f"Share of first starts with oil pressure by each second; band: {wording.level_words(page.level)} range at each time. "
        "A stopwatch reading stands for the half step to either side of it, a logged one for a step about the start and a step about the "
        "pressure; starts shut down without pressure count as longer than their time.",
    )  # fmt: skip
    rows = []
    for t in times:
        later = waiting_times.share_over(low, high, float(t), step=step, cluster=engine, level=page.level)
        ends = [None if v is None else 1.0 - v for v in (later.estimate, later.high, later.low)]
        rows.append({"within_s": t, **dict(zip(("share", "low", "high"), ends, strict=True))})
    table = pd.DataFrame(rows, columns=["within_s", "share", "low", "high"]).astype("float64")
    return shown + page.add_table(
        "time_to_pressure_curve", table, title="First starts with oil pressure by then",
        columns=["within_s", "share", "low", "high"],
        note="Ranges for each time by itself, with engines as clusters.",
    )  # fmt: skip


@section
def curve_explained(page: Page) -> Blocks:
    """How the curve and the share over the limit come about."""
    return page.explain(
        "curve and share over the limit",
        "A reading $t$ of step $d$ says that the time lies in $(t - d/2, t + d/2]$; a start shut down at $t$ that it is longer than $t$. Where only "
        "such readings stand, each is spread evenly over its interval, and the share still without pressure follows as in a life table, "
        "$S = \\prod_j (1 - N_j / Y_j)$ with $N_j$ events and $Y_j$ starts still waiting in each cell (Kaplan and Meier 1958). A reading that "
        "straddles the limit therefore counts neither as over nor as within, but with the part of its interval on either side.\n\n"
        "A logged time is the difference of two readings: the start lies between two samples and pressure between two others, each a step $d$ apart, "
        "so that the error is a triangle over $2d$. Spread over it, the times would look more scattered than they are. Where logged times stand, the "
        "curve is therefore the one under which all readings, each by its own steps, are likely: it begins as the best log-normal and is drawn to the "
        "readings in a few sweeps of expectation-maximisation (De Gruttola and Lagakos 1989). A trace that ends, or an engine that stops, within "
        "the second after pressure showed is read up to there.\n\n"
        "Ranges take starts of one engine together and use Student's t on the number of engines; for the share over the limit they are Wilson's on the "
        "number of independent starts that the records are worth. Where none is over, the upper end is the exact binomial one.",
    )


@section
def by_group(page: Page) -> Blocks:
    """By site, engine type, reason, tank pressurised, cooler empty; findings by site and by engine type."""
    facts = load_data(page)
    shown = waiting.show_groups(page, facts.jobs, WAIT, with_limit=True)
    waiting.add_group_findings(
        page, facts.jobs, WAIT, over_id="share_over_time_limit",
        over=lambda jobs: waiting.share_over_own_limit(jobs, level=page.level),
    )  # fmt: skip
    return shown


@section
def effects(page: Page) -> Blocks:
    """Adjusted time ratios over all ventings up to the period's end."""
    return waiting.show_effects(page, load_data(page).effects, WAIT)


@section
def effects_explained(page: Page) -> Blocks:
    """How the adjusted ratios come about."""
    return page.explain(
        "adjusted ratios",
        "The time $T$ of each first start is taken as the interval it is known to lie in, and its logarithm as $\\log T = x'\\beta + "
        "\\sigma e$: each circumstance multiplies the time by a factor $e^{\\beta}$. The distribution of $e$ (normal, logistic or "
        "smallest extreme value: log-normal, log-logistic, Weibull) is the one with the smallest Akaike criterion. Starts of one engine "
        "are not independent: the ranges come from leaving out one engine at a time, with Student's t on degrees of freedom that fit the "
        "number of engines on either side (Bell and McCaffrey 2002).\n\n"
        "Rotations are not taken in: they come after the circumstances and before the time, and would hide what acts through them. A level "
        "without any start that ended has no ratio and is set aside; a circumstance that another one always goes with is left out and named.\n\n"
        + waiting.NAMING_EXPLAINED,
    )


def say_cut_short(known: pd.DataFrame) -> str:
    """How many logged starts ended within the sustained second, which are no missed limits; nothing where none did."""
    if "trace_flags" not in known:
        return ""
    flags = known["trace_flags"].fillna("").astype("str").str.split()
    cut = np.array(["cut_short" in found for found in flags], dtype=bool)
    count = int((cut & (known["time_source"] == "trace").to_numpy(bool)).sum())
    return waiting.cut_short(count, len(known)) if count else ""


@section
def given_up(page: Page) -> Blocks:
    """First starts shut down before pressure showed, and what was recorded about them."""
    facts = load_data(page)
    shown = page.text(say_cut_short(facts.jobs[facts.jobs["wait_low"].notna()]))
    return shown + _list_shut_down(page, facts)


def _list_shut_down(page: Page, facts: ReportData) -> Blocks:
    gone = facts.jobs[np.isinf(facts.jobs["wait_high"].to_numpy(float))]
    if gone.empty:
        before = int(np.isinf(facts.history["wait_high"].to_numpy(float)).sum())
        return page.text(
            f"No first start of {page.period.label} was shut down before pressure showed; "
            f"{wording.count(before, 'start')} in all records up to then."
        )
    return page.add_table(
        "time_to_pressure_given_up", list_given_up(gone, "wait_low", "watched_s"),
        title="First starts shut down before pressure showed",
        columns=["venting_id", "date", "site", "engine_type", "reason", "watched_s", "cooler_empty", "lines_empty", "tank_overpressure_bar", "rotations_ratio", "why"],
    )  # fmt: skip


def list_given_up(gone: pd.DataFrame, low: str, name: str) -> pd.DataFrame:
    """Ventings given up with the circumstances that speak to why."""
    steady = gone["pressure_steady"].map(
        {"flickered": "pressure flickered", "lost_and_back": "pressure lost and back"}
    )
    marks = {
        "tank_ran_low": "tank ran low",
        "turned_backwards": "turned backwards",
    }
    why = [
        [text for column, text in marks.items() if row[column] is True or row[column] == True]  # noqa: E712
        for row in gone[list(marks)].astype(object).where(gone[list(marks)].notna(), None).to_dict("records")
    ]
    parts = [[*found, *([s] if isinstance(s, str) else [])] for found, s in zip(why, steady, strict=True)]
    remark = gone["remarks"].map(lambda text: wording.clean_text(text, longest=160))
    said = [
        wording.join_words([*p, *([r] if r else [])]) or "nothing" for p, r in zip(parts, remark, strict=True)
    ]
    kept = [
        "venting_id", "date", "site", "engine_type", "reason", "cooler_empty", "lines_empty", "tank_overpressure_bar", "rotations_ratio",
    ]  # fmt: skip
    listed = gone[kept].copy()
    listed[name] = gone[low].to_numpy(float)
    listed["why"] = said
    return listed


@section
def instruments(page: Page) -> Blocks:
    """Stopwatch and logger on the same starts, over all records up to the period's end."""
    facts = load_data(page)
    history = facts.history
    both = history[(history["time_source"] == "trace") & history["stopwatch_low_s"].notna()]
    both = both[np.isfinite(both["wait_high"]) & np.isfinite(both["stopwatch_high_s"])]
    difference = both["stopwatch_s"] - both["time_to_pressure_s"]
    found = waiting_times.compare_instruments(
        both["stopwatch_s"], both["time_to_pressure_s"], cluster=both["engine_id"], level=page.level
    )
    shown = page.add_finding(
        "stopwatch_less_logger",
        found,
        tier=waiting.find_tier(both),
        sentence=waiting.instruments(found, pairs=len(both)),
    )
    if len(both) < 5:
        return shown
    figure, ax = plotting.new_figure(width=4.6, height=4.2)
    waiting.draw_pairs(
        ax,
        both["time_to_pressure_s"].tolist(),
        both["stopwatch_s"].tolist(),
        xlabel="logger [s]",
        ylabel="stopwatch [s]",
    )
    figure.subplots_adjust(left=0.15, right=0.96, top=0.97, bottom=0.14)
    spread = float(difference.std())
    return shown + page.add_figure(
        "stopwatch_logger", figure,
        alt=f"Stopwatch against logger for {len(both)} starts with the line of equal readings.",
        caption=f"Single starts differ by {spread:.2f} s (standard deviation); a stopwatch step of 0.5 s alone makes 0.14 s. Where both stand "
        "this page uses the logger.",
    )  # fmt: skip


@section
def return_flow(page: Page) -> Blocks:
    """Time to flow from the turbocharger's return, of turbocharged engines."""
    jobs = load_data(page).jobs
    turbo = jobs[(jobs["turbocharged"] == True).fillna(False).to_numpy(bool)]  # noqa: E712
    time = turbo["return_flow_time_s"]
    if turbo.empty or time.notna().sum() == 0:
        return page.text(
            f"{wording.count(len(turbo), 'venting')} of turbocharged engines, none with a return-flow time."
        )
    low, high = time_interval(time, turbo["return_flow_seen"], turbo["reading_step_s"])
    turbo = with_limit(page, turbo, "return_flow_time").assign(
        wait_low=low, wait_high=high, wait_from=low, wait_step=0.0
    )
    median, p90 = (waiting.find_quantile(turbo, q, level=page.level, unit=RETURN.unit) for q in (0.5, 0.9))
    over = waiting.share_over_own_limit(turbo, level=page.level)
    limit, placeholder = say_limit(page, turbo)
    tier = waiting.find_tier(turbo)
    shown = page.add_finding(
        RETURN.median_id, median, tier=tier,
        sentence=waiting.within(median, part=f"Half of {wording.count(median.n, 'first start')} of turbocharged engines", what=RETURN.what),
    )  # fmt: skip
    shown += page.add_finding(
        RETURN.p90_id, p90, tier=tier, sentence=waiting.within(p90, part="Nine of ten", what=RETURN.what)
    )
    return shown + page.add_finding(
        "share_over_return_flow_limit", over, tier=tier,
        sentence=waiting.over_limit(over, limit=limit, placeholder=placeholder, noun="these first starts"),
    )  # fmt: skip


def limitations(page: Page) -> list[str]:
    """What these records can't say."""
    facts = load_data(page)
    missing = int(facts.jobs["wait_low"].isna().sum())
    said = [
        "The time runs from engine start to indicated pressure at the sender's place: it says nothing about when oil reached the far "
        "rockers or lifters.",
        "A circumstance that goes with longer times need not cause them: workshops choose what they do by the job in hand.",
        "A start shut down early is counted as longer than its time, as if it had been stopped for no reason of its own; starts are stopped "
        "because no pressure shows, so the true share over the limit may be higher.",
    ]
    if missing:
        said.insert(
            0,
            f"{wording.count(missing, 'first start')} of {page.period.label} have no time recorded and are in no number here.",
        )
    return said
