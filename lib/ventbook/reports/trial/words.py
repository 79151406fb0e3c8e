"""Sentences of trials. None of them releases an engine, and none says "no effect"."""

from __future__ import annotations

from collections.abc import Sequence

from ventbook.document import wording
from ventbook.document.wording import count, number
from ventbook.records.trials import TrialPlan
from ventbook.tables import Limit, TrialOutcome, load_steps, load_trial_rules

NONE = "No trial is planned beside these records; ventbook trial plan starts one."
NONE_YET = "There is no trial yet."
WAYS = {True: "with the change", False: "as before", "changed": "with the change", "as_before": "as before"}
STATES = {
    "known": "on record",
    "missing": "missing",
    "waiting": "not due yet",
}
STEPS = {
    "harm": "Work as before.",
    "works": "Put it to those who hold the procedure: the manual and a licensed person decide.",
    "works_unless_missing": "Look for the missing results, then look again.",
    "no_use": "End the trial, or plan a new one for a smaller effect: what that takes stands below.",
    "go_on": "Go on as drawn, and hand in every result.",
}
"""What to do by verdict."""


def weight(value: float) -> str:
    """Evidence as a number that can be read: two figures, and no more than a thousand."""
    if value >= 1000:
        return "over 1000"
    return f"{value:.0f}" if value >= 10 else f"{value:.1f}" if value >= 0.1 else f"{value:.2g}"


def effect(outcome: TrialOutcome, planned: float) -> str:
    """The effect that a plan looks for: ``odds 0.25 times as high``, ``0.9 times the number``."""
    what = "odds of failing" if outcome.kind == "share" else "numbers"
    return f"{what} {planned:.3g} times as {'high' if outcome.kind == 'share' else 'large'}"


def effect_sign(outcome: TrialOutcome, planned: float) -> str:
    """The same for a cell of a table: ``odds x 0.25``."""
    return f"{'odds' if outcome.kind == 'share' else 'number'} × {planned:.2g}"


def plan(made: TrialPlan, outcome: TrialOutcome) -> list[str]:
    """The plan in sentences."""
    sets = ""
    if made.steps:
        named = (text.partition(" = ") for text in made.steps)
        titles = [f"{load_steps()[name].title}: {value}" for name, _, value in named if name in load_steps()]
        sets = f" It sets, within the manual's limits on that day, {wording.join_words(titles)}."
    before = f", against {number(made.share, 'share')} failing as before" if made.share is not None else ""
    return [
        f"Tried: {wording.clean_text(made.change)}.{sets}",
        f"Outcome: {outcome.title}; looked for: {effect(outcome, made.planned)}{before}.",
        f"Planned on {made.day}, drawn within {wording.join_words(s.replace('_', ' ') for s in made.strata) or 'all engines'}. "
        "A licensed person agreed to it; the name is kept with the store as a code.",
    ]


def verdict(
    name: str,
    *,
    works: float,
    against: float,
    harm: float,
    missing: int,
    counted: int,
    most: int | None,
    planned: str,
) -> str:
    """What the evidence says so far, and what to do."""
    rules = load_trial_rules()
    after = f"after {count(counted, 'venting')}" if counted else "before the first full block"
    if name == "harm":
        return (
            f"The change harms: evidence for that reached {weight(harm)} ({after}), and {rules.harm:g} is the limit. "
            "The draw is stopped; work as before."
        )
    if name == "works":
        return (
            f"The change works: evidence reached {weight(works)} ({after}), and {weight(against)} with missing outcomes counted "
            f"against it; {rules.works:g} is the limit, at any number of looks."
        )
    if name == "works_unless_missing":
        return (
            f"Not shown yet: evidence passed {rules.works:g} ({after}), but only reached {weight(against)} where "
            f"{count(missing, 'missing outcome')} {'is' if missing == 1 else 'are'} counted against the change. "
            "Look for the missing results, then look again."
        )
    if name == "no_use":
        return (
            f"Going on is of no use: an effect as planned ({planned}) would have shown itself by now, {after}. "
            "A smaller effect is not ruled out."
        )
    upper = f" of at most {most} planned" if most else ""
    return f"Go on: evidence {weight(works)} {after}{upper}; {rules.works:g} is the limit."


def missing_against(missing: int, works: float) -> str:
    """The second line of evidence: missing outcomes counted against the change."""
    if not missing:
        return f"No outcome is missing, so the evidence stays at {weight(works)} with missing ones counted against the change."
    return f"With {count(missing, 'missing outcome')} counted against the change the evidence is {weight(works)}."


def missing_sentence(missing: int, due: int) -> str:
    """How many outcomes are missing, and whether that is too many."""
    rules = load_trial_rules()
    if not missing:
        return ""
    share = missing / due
    text = f"Missing: {wording.of_total(missing, due, 'outcome')} ({number(share, 'share')})."
    return f"{text} Keep it under {100 * rules.missing:.0f} %." if share > rules.missing else text


def deviations_sentence(otherwise: int, unknown: int, known: int) -> str:
    """How many were done otherwise than drawn; each counts as drawn all the same."""
    counts = "Each venting counts as drawn: that is what keeps the comparison fair."
    if not known:
        return f"How the work was done is recorded of none of {count(unknown, 'venting')}, so what departs from the draw can't be seen. {counts}"
    text = f"Done otherwise than drawn: {wording.of_total(otherwise, known, 'venting')} with the way of working on record"
    blank = f"; of {count(unknown, 'venting')} it is not recorded" if unknown else ""
    return f"{text}{blank}. {counts}"


def strangers_sentence(never: int, later: int) -> str:
    """Ventings that name the trial and don't count."""
    parts = []
    if never:
        parts.append(f"{count(never, 'venting')} of engines that were never drawn")
    if later:
        parts.append(
            f"{count(later, 'venting')} that {'is' if later == 1 else 'are'} not the engine's first after its draw"
        )
    return f"On record with this trial's name, and not counted: {wording.join_words(parts)}." if parts else ""


def outside(what: str, value: str, limit: Limit, within: str) -> str:
    """The refusal of a change that leaves a limit, with the limit's row."""
    place = f"{limit.where}, " if limit.where else ""
    since = "" if limit.effective_from.year < 1900 else f", in force from {limit.effective_from}"
    return (
        f"{value} is outside the limit in force for {what}: {within} ({place}revision {limit.revision}{since}); "
        "a trial never leaves the limits in force"
    )


def no_manual(what: str, step: str, engine_type: str, placeholder: bool) -> str:
    """The refusal of a change of a step that has no limit of the shop's manual."""
    tail = "; a placeholder doesn't count" if placeholder else ""
    return (
        f"enter your manual's limit for {what} first (step {step}, engine type {engine_type}{tail}): "
        "ventbook limits --out limits.xlsx"
    )


def finish(power: float, engines: int, titles: Sequence[str], *, enough: bool) -> str:
    """What this shop can finish within a year, and what to take instead."""
    text = (
        f"About {count(engines, 'engine')} a year are vented here, and each counts once: "
        f'the chance of "works" within a year is {number(power, "share")}'
    )
    if enough:
        return f"{text}."
    if not titles:
        return f"{text}. That can't be finished within a year."
    return f"{text}. That can't be finished within a year; take a number as outcome instead: {wording.join_words(titles, 'or')}."
