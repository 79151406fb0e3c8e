"""The findings one by one, the failure modes their records fit, and the engines that come back."""

from __future__ import annotations

import pandas as pd

from ventbook import contexts, plots
from ventbook.pages.base import Page
from ventbook.pages.show import Shown
from ventbook.pages.spongy_lifters.facts import gather_facts
from ventbook.plots import contexts as draw
from ventbook.results import Estimate, no_estimate
from ventbook.wording import contexts as words
from ventbook.wording.lifters import CAUSES

CAUSE_WORDS = {**CAUSES, "": "not known"}
TIMELINES = 12


def findings(page: Page) -> Shown:
    """Every lifter over the limit: gap, air or leak-down, the mode that fits best, the reading that would decide."""
    facts = gather_facts(page)
    over = contexts.select_findings(facts.lifters)
    best = facts.matched[facts.matched["verdict"] == "fits"].sort_values(
        "score", ascending=False, kind="stable"
    )
    names = best.groupby(contexts.KEY, sort=False)["name"].agg(lambda s: ", ".join(s.head(2)))
    reading = facts.readings.set_index(contexts.KEY)["reading"]
    place = pd.MultiIndex.from_frame(over[contexts.KEY])
    table = over.assign(
        gap_mm=over["gap_first_mm"],
        over_limit_probability=over["over_probability_first"],
        fits=names.reindex(place).fillna("none for certain").to_numpy(),
        next_reading=reading.reindex(place).fillna("").to_numpy(),
        said=over["cause"].replace(CAUSE_WORDS),
        valve_words=over["position"],
    )
    own = [
        "venting_id",
        "cylinder",
        "valve",
        "gap_mm",
        "over_limit_probability",
        "air_probability",
        "leak_down_probability",
        "trapped_air_mm3",
    ]
    more = [
        "engine_id",
        "site",
        "date",
        "valve_words",
        "said",
        "fits",
        "next_reading",
        "lifter_lot",
        "gauge",
        "gap_last_mm",
    ]
    return page.add_table(
        "lifter_findings",
        table[own + more],
        title="Lifters over the limit at the first check",
        columns={
            "venting_id": ("venting", "", "text"), "engine_id": ("engine", "", "text"), "valve_words": ("position", "", "text"),
            "gap_mm": ("gap", "mm"), "gap_last_mm": ("at the last check", "mm"),
            "over_limit_probability": ("surely over", "probability"), "said": ("air or leak-down", "", "text"),
            "fits": ("record fits", "", "text"), "next_reading": ("one more reading would decide", "", "text"),
        },
        note="Surely over: probability that the true gap is over the limit, given the gauge.",
        rows=25,
    )  # fmt: skip


def failure_modes(page: Page) -> Shown:
    """Which failure modes the findings' records fit, rule out and leave open."""
    facts = gather_facts(page)
    counts = contexts.count_modes(facts.matched)
    shown = page.text(words.modes_sentence(counts, len(facts.signs)))
    drawn = counts[counts["fits"] + counts["open"] > 0]
    if len(drawn):
        figure, ax = plots.new_figure(height=max(2.4, 0.3 * len(drawn) + 1.1))
        figure.subplots_adjust(left=0.34)
        draw.draw_modes(ax, drawn)
        top = drawn.iloc[0]
        shown += page.add_figure(
            "failure_modes",
            figure,
            alt=f"Findings by failure mode, those whose record fits it and those that leave it open. Most often fitting: {top['name']}, {top['fits']} of {len(facts.signs)}.",
            caption="Failure modes that the findings' records fit or leave open; a record may fit several.",
        )
    columns = {
        "mode": ("no.", "", "integer"), "name": ("failure mode", "", "text"), "mechanism": ("mechanism", "", "text"),
        "fits": ("fits", "", "integer"), "best": ("fits best", "", "integer"), "open": ("left open", "", "integer"),
        "ruled_out": ("ruled out", "", "integer"),
    }  # fmt: skip
    shown += page.add_table(
        "failure_modes", counts, title="Failure modes against the findings", columns=columns
    )
    detail = facts.matched[facts.matched["verdict"] == "fits"].drop(columns=["score"])
    return shown + page.add_table(
        "mode_matches",
        detail.reset_index(drop=True),
        title="What each record fits, and why",
        columns={
            "venting_id": ("venting", "", "text"), "cylinder": ("cylinder", "", "integer"), "valve": ("valve", "", "text"),
            "name": ("failure mode", "", "text"), "speaks_for": ("what speaks for it", "", "text"),
            "not_recorded": ("not recorded", "", "text"), "check": ("check", "", "text"),
        },
        rows=15,
    )  # fmt: skip


def returning_engines(page: Page) -> Shown:
    """Engines that come back, with the chance of so many repeats if all engines were alike."""
    facts = gather_facts(page)
    result = facts.recurrence
    sentence = words.recurrence_sentence(result)
    if result.failing > 1 and result.returned:
        estimate = Estimate(
            result.chance, None, None, page.level, "probability", result.ventings, result.returned, "shuffled within site and engine type",
            note=f"Monte Carlo error {result.error:.4f}",
        )  # fmt: skip
    else:
        estimate = no_estimate("too_few", level=page.level, unit="probability", n=result.ventings)
    shown = page.add_finding("recurrence_chance", estimate, tier=facts.tier, sentence=sentence)
    table = result.engines
    again = table[table["failing"] > 1]
    engines = again["engine_id"].head(TIMELINES).tolist()
    if engines:
        jobs = page.all_jobs
        own = jobs[jobs["engine_id"].isin(engines)]
        known = own["failed_first"].notna().to_numpy()
        timeline = pd.DataFrame(
            {
                "engine_id": own["engine_id"].to_numpy(),
                "date": own["date"].to_numpy(),
                "over": own["lifters_over_first"].astype("float64").where(known).to_numpy(),
            }
        )
        figure, ax = plots.new_figure(height=max(2.2, 0.34 * len(engines) + 1.1))
        draw.draw_timeline(ax, timeline, engines)
        shown += page.add_figure(
            "returning_engines",
            figure,
            alt=f"Ventings over time of {len(engines)} engines with findings at two or more ventings; engine {engines[0]} had them at {int(again['failing'].iloc[0])} of {int(again['ventings'].iloc[0])}.",
            caption="Engines that came back with spongy lifters: full squares with the number of lifters over the limit, open circles without.",
        )
    return shown + page.add_table(
        "returning_engines",
        again.reset_index(drop=True),
        title="Engines with findings at two ventings or more",
        columns={
            "engine_id": ("engine", "", "text"), "engine_type": ("engine type", "", "text"), "site": ("site", "", "text"),
            "ventings": ("ventings", "", "integer"), "failing": ("with a finding", "", "integer"),
            "chance": ("chance if all engines were alike", "", "3"), "q": ("q over all engines", "", "3"),
        },
        rows=15,
    )  # fmt: skip
