"""Rotations as a wait: heaped counts, half and nine of ten, groups, adjusted ratios, who gave up.

What the physics expects of them stands in ``page`` beside this.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from ventbook.document import plotting, wording
from ventbook.document.sequence import Blocks
from ventbook.reports import waiting
from ventbook.reports.page import Page, once_a_page, section
from ventbook.reports.rotations_to_prime.page import counted
from ventbook.reports.time_to_pressure import list_given_up
from ventbook.results import Estimate
from ventbook.statistics import rates, waiting_times

WAIT = waiting.TimeToEvent(
    outcome="rotations_to_prime", unit="count", decimals=0, noun="Rotations until pressure showed",
    what="showed pressure", more="more rotations", less="fewer rotations", up="more", down="fewer", axis="crankshaft rotations",
    median_id="median_rotations_to_prime", p90_id="p90_rotations_to_prime", prefix="rotations", family="times_and_counts.rotations",
)  # fmt: skip


@dataclass(frozen=True)
class ReportData:
    """Ventings of the period and up to its end, the heaping test by site over the latter, and the adjusted effects."""

    jobs: pd.DataFrame
    history: pd.DataFrame
    heaping: pd.DataFrame
    effects: waiting.Effects
    tier: str


@once_a_page
def load_data(page: Page) -> ReportData:
    """What the report's sections read."""
    jobs, history = (
        waiting.add_groupings(frame).assign(
            wait_low=frame["rotations_low"], wait_high=frame["rotations_high"]
        )
        for frame in counted(page)
    )
    heaping = waiting_times.test_heaping(history["rotations"], group=history["site"])
    effects = waiting.fit_effects(page.look_at(history), WAIT, level=page.level, units=page.units)
    return ReportData(jobs, history, heaping, effects, waiting.find_tier(jobs))


@section
def times(page: Page) -> Blocks:
    """Half and nine of ten within, the share given up, and the curve of the period."""
    facts = load_data(page)
    known = facts.jobs[facts.jobs["wait_low"].notna()]
    shown = Blocks("", "")
    for id, q, part in (
        (WAIT.median_id, 0.5, f"Half of {wording.count(len(known), 'venting')}"), (WAIT.p90_id, 0.9, "Nine of ten"),
    ):  # fmt: skip
        found = waiting.find_quantile(facts.jobs, q, level=page.level, unit=WAIT.unit)
        sentence = waiting.within(found, part=part, what=WAIT.what, decimals=0)
        sentence = (
            f"{sentence.removesuffix('.')} rotations of the crankshaft."
            if found.estimate is not None
            else sentence
        )
        shown += page.add_finding(id, found, tier=facts.tier, sentence=sentence)
    share = share_not_primed(facts.jobs, level=page.level)
    events = int((facts.jobs["pressure_shown"] == False).fillna(False).sum())  # noqa: E712
    shown += page.add_finding(
        "share_not_primed", share, tier=facts.tier,
        sentence=f"Turning was given up before pressure showed in {wording.share(share, events=events, noun='venting')}.",
    )  # fmt: skip
    low, high = facts.jobs["wait_low"].to_numpy(float), facts.jobs["wait_high"].to_numpy(float)
    curve = waiting_times.estimate_curve(
        low, high, cluster=facts.jobs["engine_id"].to_numpy(object), level=page.level
    )
    if curve.n < 5:
        return shown
    figure, ax = plotting.new_figure()
    waiting.draw_share_ended(ax, curve.points(), label=page.period.label)
    ax.set_xlim(0, 1.05 * max(curve.last_seen, 1.0))
    ax.set_xlabel("crankshaft rotations")
    ax.set_ylabel("ventings with pressure shown [%]")
    return shown + page.add_figure(
        "rotations_curve", figure,
        alt=f"Share of {curve.n} ventings with pressure shown against crankshaft rotations, with a band of plausible values.",
        caption=f"Share of ventings that had shown pressure after so many rotations of the crankshaft; band: "
        f"{wording.level_words(page.level)} range. Counts at propeller or blades are turned into crankshaft rotations; counts given up "
        "count as more than that.",
    )  # fmt: skip


def share_not_primed(jobs: pd.DataFrame, *, level: float) -> Estimate:
    """Share of ventings whose turning was given up before pressure showed."""
    given_up = jobs["pressure_shown"].map({True: False, False: True}).astype("boolean")
    return rates.venting_share(given_up, cluster=jobs["engine_id"], level=level)


@section
def heaping(page: Page) -> Blocks:
    """Whether counts stop at round numbers, by site, and what is done about it."""
    facts = load_data(page)
    table = facts.heaping
    found = table[table["widen_to"] > 0]
    said = waiting.heaping(
        [(r["group"], r["share"], int(r["widen_to"])) for r in found.to_dict("records")], widened=True
    )
    counts = facts.history[["site", "rotations"]].dropna()
    digits = counts["rotations"].astype(int) % 10
    sites = list(table.loc[table["state"] == "estimated", "group"])
    shown = page.text(said)
    if sites:
        shares = pd.DataFrame(
            {s: digits[(counts["site"] == s).to_numpy(bool)].value_counts(normalize=True) for s in sites},
            index=range(10),
        ).fillna(0.0)
        figure, ax = plotting.new_figure()
        waiting.draw_last_digits(ax, shares)
        ax.legend(ncols=min(len(sites), 4), loc="upper right")
        ax.set_ylim(top=1.25 * 100 * float(shares.to_numpy().max()))
        plotting.end_at_whole(ax)
        shown += page.add_figure(
            "rotations_last_digits", figure,
            alt=f"Share of counts by last digit for {len(sites)} sites, with a line at one in ten. {said}",
            caption="Last digit of the counts of all ventings up to the end of the period, as they were written; dashed: one in ten, as "
            "careful counting would give.",
        )  # fmt: skip
    listed = table.assign(
        said_as=table["widen_to"].map(
            {0: "as counted", 5: "fives: two counts to either side", 10: "tens: half a ten to either side"}
        )
    )
    return shown + page.add_table(
        "heaping", listed, title="Counts on round numbers by site",
        columns=["group", "n", "on_fives", "share", "on_tens", "said_as"],
        note="20 % of counts are multiples of 5 without any preference; a site counts as heaped where chance makes as many in fewer than 1 of "
        "100 sites. Under ten counts nothing is said.",
    )  # fmt: skip


@section
def by_group_times(page: Page) -> Blocks:
    """Half and nine of ten by site, engine type, reason, tank and cooler; findings by site and by engine type."""
    facts = load_data(page)
    shown = waiting.show_groups(page, facts.jobs, WAIT, with_limit=False)
    waiting.add_group_findings(
        page,
        facts.jobs,
        WAIT,
        over_id="share_not_primed",
        over=lambda jobs: share_not_primed(jobs, level=page.level),
    )
    return shown


@section
def effects(page: Page) -> Blocks:
    """Adjusted ratios of the rotations counted, over all ventings up to the period's end."""
    facts = load_data(page)
    said = waiting.say_effects(facts.effects, WAIT)
    return page.text(said) + waiting.show_effects(page, facts.effects, WAIT)


@section
def effects_explained(page: Page) -> Blocks:
    """How the adjusted ratios of rotations come about."""
    return page.explain(
        "adjusted ratios of rotations",
        "Each count is taken as the interval it stands for, and its logarithm as $\\log N = x'\\beta + \\sigma e$: each circumstance multiplies "
        "the rotations by $e^{\\beta}$. Ranges come from leaving out one engine at a time, with Student's t on degrees of freedom that fit "
        "the number of engines on either side (Bell and McCaffrey 2002). Unlike the ratio of recorded over expected, nothing of the physics "
        "is put in: what lines and volumes do shows up here as effects of length, bore, cooler and fill.\n\n"
        + waiting.NAMING_EXPLAINED,
    )


@section
def given_up(page: Page) -> Blocks:
    """Ventings given up before pressure showed, and what was recorded about them."""
    facts = load_data(page)
    gone = facts.jobs[np.isinf(facts.jobs["wait_high"].to_numpy(float))]
    if gone.empty:
        before = int(np.isinf(facts.history["wait_high"].to_numpy(float)).sum())
        return page.text(
            f"No venting of {page.period.label} was given up before pressure showed; "
            f"{wording.count(before, 'venting')} in all records up to then."
        )
    listed = list_given_up(gone, "rotations_crank", "rotations_crank").drop(columns="rotations_ratio")
    listed["expected_rotations"] = gone["expected_rotations"].to_numpy(float)
    listed["oil_temperature_degC"] = gone["oil_temperature_degC"].to_numpy(float)
    return page.add_table(
        "rotations_given_up", listed, title="Turning given up before pressure showed",
        columns=["venting_id", "date", "site", "engine_type", "reason", "rotations_crank", "expected_rotations", "cooler_empty", "lines_empty", "tank_overpressure_bar", "oil_temperature_degC", "why"],
    )  # fmt: skip
