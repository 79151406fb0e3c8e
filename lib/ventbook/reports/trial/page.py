"""The sections of the report on a trial; each takes the page and returns something a notebook can show."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from ventbook import distributions as stats
from ventbook import tables
from ventbook.document import plotting, wording
from ventbook.document.sequence import Blocks
from ventbook.reports.first_screen import new_lead
from ventbook.reports.page import Page, frame_of
from ventbook.reports.trial import words
from ventbook.reports.trial.data import TrialState, load_state
from ventbook.reports.trial.figures import draw_evidence, draw_power, evidence_paths
from ventbook.reports.trial.planning import Expected, expect_outcome, need
from ventbook.results import Estimate, no_estimate
from ventbook.statistics import rates
from ventbook.tables import evidence as tiers
from ventbook.tables import load_trial_rules

PLANNED_SHARES = (0.5, 0.25, 1 / 6)
METHOD = "ratio of chances by the draw alone, mixed over effects; valid at any number of looks"


def answer(page: Page) -> Blocks:
    """What the trial says so far; one line where none is planned."""
    state = load_state(page)
    if state is None:
        return page.answer(words.NONE)
    plan = state.trial.plan
    return page.answer(
        f"Trial {plan.name}: {wording.clean_text(plan.question)}",
        say_verdict(state),
        words.missing_sentence(*_missing(state)),
        todo=[words.STEPS[state.verdict]],
        picture=lead_picture(page, state),
    )


def lead_picture(page: Page, state: TrialState) -> Blocks:
    """The evidence that speaks for the verdict, with its limits; nothing before the first block is full."""
    if not len(state.first):
        return Blocks()
    rules = load_trial_rules()
    left, right = evidence_paths(state.first, state.against)
    against = state.verdict in ("harm", "no_use")
    figure, ax = new_lead("Evidence after each step of the trial", height=3.4)
    limits = (
        [(rules.harm, "harm"), (rules.no_use, "no use going on")] if against else [(rules.works, "works")]
    )
    draw_evidence(ax, state.steps, right if against else left, limits=limits)
    told = [f"{name} {words.weight(_shown(path))}" for name, path in (right if against else left)]
    return page.add_figure(
        "lead", figure,
        alt=f"Evidence after each step of the trial, last: {wording.join_words(told)}; limits: "
        + wording.join_words([f"{name} {value:g}" for value, name in limits]) + ".",
        caption="Evidence by the draw alone. Where the change does nothing, a path passes its limit of 20 in at most 1 of 20 trials.",
    )  # fmt: skip


def say_verdict(state: TrialState) -> str:
    """The verdict in words."""
    missing, _ = _missing(state)
    return words.verdict(
        state.verdict,
        works=_shown(state.first.works) if state.verdict == "go_on" else _highest(state.first.works),
        against=_shown(state.against.works) if state.verdict == "go_on" else _highest(state.against.works),
        harm=_highest(state.first.harm),
        missing=missing,
        counted=int(state.drawn["counted"].sum()),
        most=state.trial.plan.most,
        planned=words.effect(state.outcome, state.trial.plan.planned),
    )


def _shown(values: np.ndarray) -> float:
    return float(values[-1]) if len(values) else 1.0


def _highest(values: np.ndarray) -> float:
    return float(np.max(values, initial=1.0))


def _missing(state: TrialState) -> tuple[int, int]:
    """Missing outcomes, of how many that are due."""
    due = state.drawn["state"].ne("waiting")
    return int(state.drawn["state"].eq("missing").sum()), int(due.sum())


def evidence(page: Page) -> Blocks:
    """The evidence so far with its limits, as numbers and as a picture."""
    state = load_state(page)
    if state is None:
        return page.text(words.NONE_YET)
    counted = state.drawn[state.drawn["counted"]]
    rules = load_trial_rules()
    missing, _ = _missing(state)
    shown = Blocks()
    for id, found, sentence in (
        ("trial_evidence", state.first, say_verdict(state)),
        (
            "trial_evidence_missing_against",
            state.against,
            words.missing_against(missing, _shown(state.against.works)),
        ),
    ):
        number = Estimate(
            _shown(found.works),
            None,
            None,
            page.level,
            "1",
            len(counted),
            counted["engine_id"].nunique(),
            METHOD,
        )
        shown += page.add_finding(
            id, number, tier=_tier(state), group={"trial": state.trial.plan.name}, sentence=sentence
        )
    if not len(state.first):
        return shown + page.text(
            "No block is full yet: a block counts once all four of its ventings are known."
        )
    left, right = evidence_paths(state.first, state.against)
    figure, axes = plotting.new_figure(columns=2, height=3.4)
    draw_evidence(axes[0], state.steps, left, limits=[(rules.works, "works")])
    draw_evidence(
        axes[1], state.steps, right, limits=[(rules.harm, "harm"), (rules.no_use, "no use going on")]
    )
    return shown + page.add_figure(
        "trial_evidence",
        figure,
        alt=f"Evidence after each step of {state.steps[0]} ventings. It works: last {words.weight(_shown(state.first.works))}, limit {rules.works:g}. "
        f"It harms: last {words.weight(_shown(state.first.harm))}, limit {rules.harm:g}. "
        f"Not as planned: last {words.weight(_shown(state.first.no_use))}, limit {rules.no_use:g}.",
        caption="Evidence by the draw alone, after each full block (of numbers: pair). Where the change does nothing, a path passes "
        "its limit of 20 in at most 1 of 20 trials, however often one looks.",
    )


def _tier(state: TrialState) -> str:
    counted = state.drawn[state.drawn["counted"] & state.drawn["state"].eq("known")]
    groups = [int(counted["changed"].sum()), int((~counted["changed"]).sum())]
    failing = int((counted["value"] > 0).sum()) if state.outcome.kind == "share" else len(counted)
    return tiers.tier(ventings=len(counted), findings=failing, groups=groups)


def plan(page: Page) -> Blocks:
    """What was planned: question, change, outcome, the effect to find, and that a licensed person agreed."""
    state = load_state(page)
    if state is None:
        return page.text(words.NONE_YET)
    return page.text(*words.plan(state.trial.plan, state.outcome))


def ways_compared(page: Page) -> Blocks:
    """Both ways of working side by side, each engine counted as drawn."""
    state = load_state(page)
    if state is None:
        return page.text(words.NONE_YET)
    rows, shown = [], Blocks()
    for changed in (False, True):
        own = state.drawn[state.drawn["changed"] == changed]
        known = own[own["state"] == "known"]
        row = {"way": words.WAYS[changed], "drawn": len(own), "known": len(known)}
        row |= {
            "missing": int(own["state"].eq("missing").sum()),
            "waiting": int(own["state"].eq("waiting").sum()),
        }
        if state.outcome.kind == "share":
            share = rates.venting_share(known["value"] > 0, level=page.level)
            failing = int((known["value"] > 0).sum())
            row["outcome_words"] = wording.share(share, events=failing)
            shown += page.add_finding(
                "trial_share", share, tier=_tier(state), group={"trial": state.trial.plan.name, "way": words.WAYS[changed]},
                sentence=f"{words.WAYS[changed].capitalize()}: {wording.share(share, events=failing, noun='venting')} with {state.outcome.title}.",
            )  # fmt: skip
        else:
            unit = state.outcome.unit
            middle = math.exp(known["value"].median()) if len(known) else None
            row["outcome_words"] = wording.number(middle, unit if unit != "1" else "", units=page.units)
        rows.append(row)
    if state.outcome.kind == "number":
        ratio = _ratio(state, page.level)
        shown += page.add_finding(
            "trial_ratio", ratio, tier=_tier(state), group={"trial": state.trial.plan.name},
            sentence=f"With the change over as before, {state.outcome.title}: {wording.interval(ratio)} (pairs as drawn).",
        )  # fmt: skip
    table = pd.DataFrame(rows)
    what = "Failing" if state.outcome.kind == "share" else "Median"
    return shown + page.add_table(
        "trial_ways",
        table,
        title=f"Both ways of working, as drawn: {state.outcome.title}",
        columns=["way", "drawn", "known", "missing", "waiting", "outcome_words"],
        note=f"{what} of those on record. The range is that of one look; the evidence above is what holds at any number of looks.",
    )


def _ratio(state: TrialState, level: float) -> Estimate:
    from ventbook.statistics import trials

    d = trials.pair_differences(state.drawn[state.drawn["counted"]])["difference"].dropna().to_numpy(float)
    method = "exponential of the mean difference of log numbers in pairs, t interval"
    if len(d) < 3:
        return no_estimate("too_few", level=level, unit="ratio", n=2 * len(d), method=method)
    half = stats.t.ppf((1 + level) / 2, len(d) - 1) * d.std(ddof=1) / math.sqrt(len(d))
    low, high = np.exp(-d.mean() - half), np.exp(-d.mean() + half)
    return Estimate(
        float(np.exp(-d.mean())), float(low), float(high), level, "ratio", 2 * len(d), 2 * len(d), method
    )


def deviations(page: Page) -> Blocks:
    """What was done otherwise than drawn, and ventings that name the trial without a draw."""
    state = load_state(page)
    if state is None:
        return page.text(words.NONE_YET)
    vented = state.drawn[state.drawn["venting_id"] != ""]
    if vented.empty:
        return page.text("No engine that was drawn has been vented yet.") + _say_strangers(page, state)
    known = vented[vented["done"] != ""]
    otherwise = known[known["done"].eq("changed").ne(known["changed"])]
    shown = page.text(words.deviations_sentence(len(otherwise), len(vented) - len(known), len(known)))
    shown += _say_strangers(page, state)
    rows = [
        {
            "venting_id": row.venting_id, "engine_id": row.engine_id, "date": row.date,
            "way": words.WAYS[row.changed], "done_words": words.WAYS[row.done], "why": "done otherwise than drawn; counts as drawn",
        }
        for row in otherwise.itertuples()
    ] + [
        {
            "venting_id": row.venting_id, "engine_id": row.engine_id, "date": row.date, "way": "not drawn",
            "done_words": words.WAYS.get(row.trial_arm, "not recorded"), "why": f"{row.why}; not counted",
        }
        for row in state.strangers.itertuples()
    ]  # fmt: skip
    if not rows:
        return shown
    return shown + page.add_table(
        "trial_deviations",
        frame_of(rows, [], numbers=()),
        title="Ventings that didn't go by the draw",
        columns=["venting_id", "engine_id", "date", "way", "done_words", "why"],
    )


def _say_strangers(page: Page, state: TrialState) -> Blocks:
    never = state.strangers["why"].eq("the engine was never drawn")
    return page.text(words.strangers_sentence(int(never.sum()), int((~never).sum())))


def engines_drawn(page: Page) -> Blocks:
    """Every engine drawn with its first venting."""
    state = load_state(page)
    if state is None:
        return page.text(words.NONE_YET)
    table = state.drawn.assign(
        way=state.drawn["changed"].map({True: "changed", False: "as before"}),
        state=state.drawn["state"].map(words.STATES),
        in_evidence=np.where(state.drawn["counted"], "yes", "block not full"),
    )
    columns = ["number", "day", "engine_id", "stratum", "way", "venting_id", "state", "in_evidence"]
    return page.add_table(
        "trial_engines",
        table[[*columns, "date"]],
        title="Engines drawn",
        columns=columns,
        note=f"An engine's first venting after its draw counts; without one after {load_trial_rules().overdue_d} days its outcome is missing.",
        rows=15,
    )


def what_it_takes(page: Page) -> Blocks:
    """Ventings that a trial takes in this shop, by outcome and effect, and what can be finished within a year."""
    rules = load_trial_rules()
    rows, curves = [], []
    for outcome in tables.load_trial_outcomes().values():
        expected = expect_outcome(page.all_jobs, outcome, today=page.today)
        if not expected.usable:
            continue
        for planned in PLANNED_SHARES if outcome.kind == "share" else (outcome.planned,):
            needed = need(expected, planned, seed=page.seed)
            year = needed.power_at(expected.engines)
            rows.append(
                {
                    "outcome": outcome.title, "as_before": _say_before(expected), "effect_words": words.effect_sign(outcome, planned),
                    "one_look": needed.one_look, "four_looks": needed.four_looks,
                    "most": f"{needed.most}" if needed.most else "over 2400",
                    "mean_with": needed.mean_with, "mean_without": needed.mean_without,
                    "year_power": year,
                }
            )  # fmt: skip
            label = (
                f"{'odds' if outcome.kind == 'share' else outcome.name.replace('_', ' ')} {planned:.2g} times"
            )
            curves.append((label, needed))
    if not rows:
        return page.text(
            "Too few ventings of the last year have a result to say what a trial would take here."
        )
    engines = expect_outcome(
        page.all_jobs, next(iter(tables.load_trial_outcomes().values())), today=page.today
    ).engines
    shown = page.add_table(
        "trial_sizes",
        pd.DataFrame(rows),
        title=f"Ventings that a trial takes for a chance of {100 * rules.power:.0f} % (both ways of working together)",
        columns=["outcome", "as_before", "effect_words", "one_look", "four_looks", "most", "mean_with", "mean_without", "year_power"],
        note=f"{wording.count(engines, 'engine')} were vented here in the last year; an engine counts once in a trial. As before: the share that fails, or by what factor like ventings differ (one standard deviation); last year.",
    )  # fmt: skip
    if not any(row.power_at(engines) >= rules.power for label, row in curves if label.startswith("odds")):
        shown += page.text(
            "A share can hardly be settled here within a year: take a number as outcome, which needs fewer ventings."
        )
    figure, ax = plotting.new_figure(height=3.6)
    farthest = int(min(1200, max(2.5 * engines, 200)))
    draw_power(ax, curves[: len(plotting.COLORS)], engines=engines, power=rules.power, most=farthest)
    return shown + page.add_figure(
        "trial_power",
        figure,
        alt="Chance of the verdict works by number of ventings, one curve an outcome and effect: "
        + "; ".join(f"{label}: {100 * row.power_at(engines):.0f} % within a year" for label, row in curves),
        caption="Looking after every full block, from simulated trials on what the records of the last year say.",
    )


def _say_before(expected: Expected) -> str:
    if expected.outcome.kind == "share":
        return f"{wording.number(expected.share, 'share')} fail"
    return f"factor {math.exp(expected.spread or 0.0):.2f}"


def methods(page: Page) -> Blocks:
    """How the evidence is worked out."""
    return page.explain(
        "the evidence",
        "Engines are drawn in hidden blocks of four, two with the change and two as before, inside each site and engine type. An "
        "engine's first venting after its draw counts, as drawn, whatever was then done.\n\n"
        "Of a full block in which some ventings fail, the draw alone says how these fall on the two ways of working (the "
        "hypergeometric law). The evidence is the chance of what was seen if the change divides the odds of failing, over the chance by "
        "the draw alone, multiplied over blocks and averaged over odds ratios from 1/1.5 to 1/10. Where the change does nothing, "
        "this is a fair bet at every block: it passes 20 in at most 1 of 20 trials, at any number of looks, whatever engines, sites and "
        "quarters do. Harm is the same turned round. Evidence against the planned effect of 10 means that going on is of no use.\n\n"
        "Of numbers, the differences of pairs inside a block are symmetric by the draw; the evidence is the mean of "
        "exponentials of their sum, held down by the sum of their squares.\n\n"
        "Missing outcomes may hide what went wrong. So they are also counted against the change (failing with it, not failing as before; of "
        'numbers the worst and the best of the trial), and the verdict is "works" only where it stands both ways.',
    )


def limitations() -> list[str]:
    """What a trial can't say."""
    return [
        "Whether the change works elsewhere: the trial is about the engines, sites and months in which it ran.",
        "Whether something else changed together with it: what always goes along with the change is part of it.",
        "A trial is counted whole, whatever period, site or engine type this page was asked for.",
    ]
