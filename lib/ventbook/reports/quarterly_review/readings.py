"""Time to pressure, rotations, lifters and their re-check, and the procedure's steps."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ventbook.document import plotting, wording
from ventbook.document.blocks import Column
from ventbook.document.sequence import Blocks
from ventbook.model import conformity, count_runs_taken
from ventbook.physics import gauge
from ventbook.reports.left_out import check_kept
from ventbook.reports.lifter_gaps import words as lifter_words
from ventbook.reports.lifter_gaps.words import CAUSES, run_taken_sentence
from ventbook.reports.page import INTERVAL, Page, frame_of, section
from ventbook.reports.quarterly_review import numbers
from ventbook.reports.quarterly_review.data import ReportData, load_data
from ventbook.reports.quarterly_review.figures import draw_levels
from ventbook.results import Estimate, NotEnoughData
from ventbook.statistics import rates

#: Readings that the spread of true gaps is taken from: every k-th of the history, about so many.
ENOUGH = 20_000


@section
def times(page: Page) -> Blocks:
    """Seconds to oil pressure at the first start: middle, slowest tenth, share over the limit, by period and site."""
    facts = load_data(page)
    shown = Blocks("", "")
    for name, q, what in (
        ("median_time_to_pressure", 0.5, "Half of the first starts had oil pressure within"),
        ("p90_time_to_pressure", 0.9, "Nine of ten had it within"),
    ):
        estimate = numbers.median_time(facts.now, q, level=page.level)
        sentence = f"{what} {wording.interval(estimate, units=page.units, decimals=1)}."
        shown += page.add_finding(name, estimate, tier=facts.tier, sentence=sentence)
    rows = []
    for label in facts.labels:
        jobs = facts.jobs[facts.jobs["step"] == label]
        rows.append({"label": label, **_row(numbers.median_time(jobs, 0.5, level=page.level))})
    table = frame_of(rows, ["label", "site", "n", "state"])
    if table["estimate"].notna().any():
        figure, ax = plotting.new_figure()
        draw_levels(ax, table, title="Time to oil pressure, half of first starts", unit="seconds")
        ax.set_ylim(bottom=0)
        shown += page.add_figure(
            "time_to_pressure", figure,
            alt=f"Median seconds to oil pressure with intervals by period, {facts.labels[0]} to {facts.labels[-1]}.",
            caption="Stopwatch and logger readings taken as the intervals they stand for; runs without pressure counted as longer.",
        )  # fmt: skip
    sites = []
    for site in facts.sites:
        jobs = facts.now[facts.now["site"] == site]
        over = numbers.share_over_time_limit(page, jobs)
        sites.append(
            {"site": site, **_row(numbers.median_time(jobs, 0.5, level=page.level)), "over": over.estimate}
        )
    by_site = frame_of(sites, ["site", "n", "state"], numbers=(*INTERVAL, "over"))
    return shown + page.add_table(
        "time_to_pressure_by_site", by_site, title="Time to oil pressure by site",
        columns=["site", "n", "estimate", "low", "high", "over"],
        note="Empty: fewer than five readings.",
    )  # fmt: skip


@section
def rotations(page: Page) -> Blocks:
    """Rotations until pressure showed, as counted and against what lines and volumes make expected."""
    facts = load_data(page)
    shown = Blocks("", "")
    for name, q, what in (
        ("median_rotations_to_prime", 0.5, "Half of the ventings showed pressure within"),
        ("p90_rotations_to_prime", 0.9, "Nine of ten within"),
    ):
        estimate = numbers.median_rotations(facts.now, q, level=page.level)
        sentence = f"{what} {wording.interval(estimate, decimals=0)} rotations of the crankshaft."
        shown += page.add_finding(name, estimate, tier=facts.tier, sentence=sentence)
    given_up = facts.now["pressure_shown"].map({True: False, False: True}).astype("boolean")
    share = rates.venting_share(given_up, cluster=facts.now["engine_id"], level=page.level)
    events = int(given_up.sum())
    shown += page.add_finding(
        "share_not_primed", share, tier=facts.tier,
        sentence=f"Turning was given up before pressure showed in {wording.share(share, events=events, noun='venting')}.",
    )  # fmt: skip
    rows = []
    for label in facts.labels:
        of_step = facts.jobs[facts.jobs["step"] == label]
        for site in ["", *facts.sites] if label == facts.step.label else [""]:
            jobs = of_step[of_step["site"] == site] if site else of_step
            rows.append(
                {
                    "label": label,
                    "site": site or "all",
                    **_row(numbers.rotations_ratio(page, jobs)),
                }
            )
    table = frame_of(rows, ["label", "site", "n", "state"])
    overall = table[table["site"] == "all"]
    if overall["estimate"].notna().any():
        figure, ax = plotting.new_figure()
        draw_levels(ax, overall, title="Rotations recorded over rotations expected", unit="ratio")
        ax.axhline(1, color="#555555", linestyle="--", linewidth=1)
        shown += page.add_figure(
            "rotations_ratio", figure,
            alt=f"Rotations recorded over expected with intervals by period, {facts.labels[0]} to {facts.labels[-1]}, line at 1.",
            caption="Over 1: more turning than the lines' volumes explain, as with air drawn in on the suction side. Counts given up count as lower bounds.",
        )  # fmt: skip
    now = table[(table["label"] == facts.step.label)]
    return shown + page.add_table(
        "rotations_ratio_by_site", now, title=f"Rotations, recorded over expected, {facts.step.label}",
        columns=["site", "n", "estimate", "low", "high"],
    )  # fmt: skip


@section
def lifters(page: Page) -> Blocks:
    """Lifters over the limit, what an extra run cured, and what the findings are made of."""
    facts = load_data(page)
    now = facts.lifters_in(facts.period)
    share = rates.failing_share(facts.now, of="lifter", level=page.level)
    events = int(facts.now["lifters_over_first"].sum())
    shown = page.add_finding(
        "lifter_failure_share", share, tier=facts.tier,
        sentence=lifter_words.found_share(share, "lifter", "the limit", events=events),
    )  # fmt: skip
    shown += _cure(page, facts, now)
    found = now[now["over_first"].fillna(False).astype(bool)]
    counts = found["cause"].replace("", "unclear").value_counts()
    causes = pd.DataFrame(
        {"cause": list(CAUSES.values()), "lifters": [int(counts.get(name, 0)) for name in CAUSES]}
    )
    return shown + page.add_table(
        "causes", causes, title="What the findings are made of",
        columns=["cause", "lifters"],
        note="A cause is named only where the readings make it at least 80 % probable; one reading alone is unclear.",
    )  # fmt: skip


def _cure(page: Page, facts: ReportData, now: pd.DataFrame) -> Blocks:
    """The cured share beside what a second look alone would cure (regression to the mean)."""
    again = now[now["cured"].notna()]
    if again.empty:
        return page.text("No lifter over the limit was read again after a run in this period.")
    cured = rates.cured_lifters(now, level=page.level)
    events = int(again["cured"].sum())
    text = f"Of the lifters over the limit that were read again after a run, {wording.share(cured, events=events, noun='lifter')} were within the limit."
    text = " ".join(filter(None, [text, run_taken_sentence(*count_runs_taken(now))]))
    known = facts.lifters[facts.lifters["gap_first_corrected_mm"].notna()]
    known = known.iloc[:: max(1, len(known) // ENOUGH)]
    try:
        spread = gauge.deconvolve_gaps(
            known["gap_first_corrected_mm"] - known["gauge_bias_mm"],
            u=known["gauge_u_mm"].fillna(gauge.ASSUMED_U_MM),
            step=gauge.reading_step(known["gap_first_mm"]),
        )
    except NotEnoughData:
        spread = None
    bias = again["gauge_bias_mm"]  # as read, a reading comes to the limit at a true gap so much under it
    answer = rates.compare_cure(
        again["gap_first_corrected_mm"] - bias, again["over_last"], again["extra_run_between"], cluster=again["engine_id"],
        u=again["gauge_u_mm"], limit=again["limit_mm"] - bias * (not page.gauges.by_correction), spread=spread, level=page.level,
    )  # fmt: skip
    if answer.alone.estimate is None:
        return page.text(text)
    text += f" A second look alone would have passed about {answer.expected_alone:.1f} of {answer.cured.n}, by the gauge's uncertainty."
    expected = Estimate(
        answer.expected_alone, None, None, page.level, "count", answer.cured.n, 0, answer.alone.method
    )
    return page.add_finding("cured_by_second_look", expected, tier=facts.tier, sentence=text)


@section
def procedure(page: Page) -> Blocks:
    """Each step of the procedure against the limit in force, this period beside the one before."""
    facts = load_data(page)
    tables = []
    for jobs, span in ((facts.now, facts.period), (facts.before, facts.before_period)):
        if jobs.empty:
            tables.append(pd.DataFrame())
            continue
        verdicts = check_kept(page, page.within(page.history_jobs, span))
        tables.append(conformity.summarise_steps(verdicts))
    now, before = tables
    if now.empty:
        return page.text("No venting in this period, so no step to hold against a limit.")
    judged = now["judged"].astype(float)
    now["outside_share"] = now["outside"].astype(float) / judged.where(judged > 0)
    now["recorded_share"] = 1 - now["not_recorded"].astype(float) / now["rows"].astype(float)
    now["before_share"] = np.nan
    if len(before):
        was = before.set_index("step")
        rate = was["outside"].astype(float) / was["judged"].astype(float).where(
            was["judged"].astype(float) > 0
        )
        now["before_share"] = now["step"].map(rate).astype(float)
    now["against"] = (
        now["status"]
        .map({"manual": "manual", "placeholder": "a placeholder", "mixed": "manual and placeholder"})
        .fillna("no limit entered")
    )
    return page.add_table(
        "procedure", now, title="Steps of the procedure against the limits in force",
        columns=[
            "title", "rows", "recorded_share", "judged", "outside", "fact", "outside_share",
            Column("before_share", f"Outside in {facts.before_period.label}", "share"), "against",
        ],
        note="A record outside a limit says nothing about the engine's state. Facts need no limit. The conformity report lists every case.",
    )  # fmt: skip


def _row(estimate: Estimate) -> dict[str, object]:
    return {
        "estimate": estimate.estimate,
        "low": estimate.low,
        "high": estimate.high,
        "n": estimate.n,
        "state": estimate.state,
    }
