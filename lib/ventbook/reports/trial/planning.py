"""Planning a trial and giving its assignments: what the records let expect, what the limits allow, what it takes here."""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from ventbook import tables
from ventbook.document import wording
from ventbook.errors import InputError
from ventbook.places import Place
from ventbook.records import trials as kept
from ventbook.records.privacy import NameCoder, open_coder
from ventbook.reports.conformity.words import limit as limit_words
from ventbook.reports.conformity.words import reading as reading_words
from ventbook.reports.page import Caution, Page
from ventbook.reports.parameters import nearest
from ventbook.reports.scope import find_path
from ventbook.reports.trial import words
from ventbook.reports.trial.data import name_stratum, outcome_values, read_state
from ventbook.statistics import trials
from ventbook.statistics.trials import Needed
from ventbook.tables import (
    Limits,
    Step,
    TrialOutcome,
    find_trial_outcome,
    load_steps,
    load_trial_rules,
    units,
)
from ventbook.tables.reader import read_rows

STRATA = ("site", "engine_type")
YEAR = 365
FEWEST = 20
"""Ventings with a known outcome under which the records don't say what to expect."""
QUANTITY = re.compile(r"\d[\d.,]*\s*([^\W\d_]+(?:/[^\W\d_]+)?|%)")


@dataclass(frozen=True)
class Expected:
    """What the last year's ventings say of an outcome as before: ``share`` or ``spread`` of the logarithm (None: too few).

    ``engines`` are those vented in that year: an engine counts once.
    """

    outcome: TrialOutcome
    known: int
    engines: int
    share: float | None
    spread: float | None

    @property
    def usable(self) -> bool:
        return (
            self.spread is not None
            if self.outcome.kind == "number"
            else self.share is not None and 0 < self.share < 1
        )


@dataclass(frozen=True)
class Question:
    """What a person asks of ``ventbook trial plan``; ``steps`` as in ``tank_overpressure=0.9 bar``."""

    name: str
    question: str
    change: str
    agreed: str
    outcome: str = "spongy_lifter"
    steps: tuple[str, ...] = ()
    no_step: bool = False
    planned: float | None = None
    strata: tuple[str, ...] = STRATA
    share: float | None = None


def expect_outcome(jobs: pd.DataFrame, outcome: TrialOutcome, *, today: dt.date) -> Expected:
    """What the ventings of the year up to ``today`` say of an outcome; spread inside site and engine type."""
    year = jobs[jobs["date"] > pd.Timestamp(today) - pd.Timedelta(days=YEAR)]
    values = outcome_values(year, outcome)
    known = np.isfinite(values)
    n, engines = int(known.sum()), int(year["engine_id"].nunique())
    if outcome.kind == "share":
        return Expected(outcome, n, engines, float(values[known].mean()) if n >= FEWEST else None, None)
    groups = (year["site"].astype(str) + "\0" + year["engine_type"].astype(str))[known]
    rest = pd.Series(values[known]) - pd.Series(values[known]).groupby(groups.to_numpy()).transform("mean")
    free = n - groups.nunique()
    spread = math.sqrt(float((rest**2).sum()) / free) if free >= FEWEST else 0.0
    return Expected(outcome, n, engines, None, spread if spread > 0 else None)


def need(expected: Expected, planned: float, *, seed: int, runs: int = 400) -> Needed:
    """Ventings that a trial on this outcome takes."""
    if expected.outcome.kind == "share":
        assert expected.share is not None
        return trials.need_share(expected.share, planned, seed=seed, runs=runs)
    assert expected.spread is not None
    return trials.need_number(expected.spread, planned, seed=seed, runs=runs)


# ---- the limits ------------------------------------------------------------------------------------------------------


def check_change(
    limits: Limits, steps: Iterable[str], engine_types: Sequence[str], day: dt.date
) -> tuple[str, ...]:
    """The steps that a change sets, as ``tank_overpressure = 0.9 bar``; each within the manual's limit for every engine type.

    InputError in one line: a step that isn't known, a value without its unit, a step without a limit of status manual, or
    a value outside the limit in force, with the limit's row.
    """
    return tuple(_check_step(limits, text, engine_types, day) for text in steps)


def _check_step(limits: Limits, text: str, engine_types: Sequence[str], day: dt.date) -> str:
    name, _, said = (part.strip() for part in text.partition("="))
    known = {key: step for key, step in load_steps().items() if step.kind == "action"}
    if name not in known:
        raise InputError(
            f"trial plan: {name!r} is not a step that can be set{nearest(name, known)}; known: {', '.join(known)}"
        )
    step = known[name]
    value = _read_value(step, said)
    for own in (step, *(other for other in known.values() if other.part_of == name)):
        for engine_type in engine_types:
            _hold_against(limits, own, value, engine_type, day)
    return f"{name} = {reading_words(value, step.unit, step.yes_no)}"


def _read_value(step: Step, said: str) -> float:
    if step.yes_no:
        if said not in ("yes", "no"):
            raise InputError(f"trial plan: {step.name} is yes or no, as in {step.name}=yes; got {said!r}")
        return float(said == "yes")
    figure, _, unit = said.partition(" ")
    try:
        value = float(figure)
        if not math.isfinite(value) or (not unit.strip() and step.unit != "1"):
            raise ValueError
        return float(units.convert(value, unit.strip(), step.unit)) if unit.strip() else value
    except ValueError:
        shown = "" if step.unit == "1" else f" {step.unit}"
        raise InputError(
            f'trial plan: {step.name} needs a number with its unit, as in {step.name}="1{shown}"; got {said!r}'
        ) from None


def _hold_against(limits: Limits, step: Step, value: float, engine_type: str, day: dt.date) -> None:
    row = limits.find(step.limit, engine_type, day)
    what = step.title[0].lower() + step.title[1:]
    if row is None or row.status != "manual":
        raise InputError("trial plan: " + words.no_manual(what, step.name, engine_type, row is not None))
    low, high = row.taken_low, row.taken_high
    if (low is not None and value < low) or (high is not None and value > high):
        ends = [math.nan if end is None else end for end in (low, high)]
        within = limit_words(ends[0], ends[1], step.unit, step.yes_no)
        raise InputError(
            "trial plan: " + words.outside(what, reading_words(value, step.unit, step.yes_no), row, within)
        )


def _check_no_step(question: Question) -> None:
    """A change that is said to set no step, and still names a quantity in its words."""
    for found in QUANTITY.finditer(question.change):
        if units.known(found[1]) is not None:
            raise InputError(
                f"trial plan: the change says {found[0]!r}: name the step that it sets (--step NAME=VALUE), "
                "so that it can be held against the limit in force"
            )


# ---- planning --------------------------------------------------------------------------------------------------------


def plan_trial(page: Page, question: Question, *, day: dt.date, dry_run: bool = False) -> list[str]:
    """Plans a trial on the newest records, writes it beside the store, and says in lines what it takes.

    InputError in one line for whatever stands against it; then nothing is written.
    """
    store = find_path(page.parameters["store"])
    kept.check_name(store, question.name)
    outcome = _check_question(question)
    jobs = page.all_jobs
    if jobs.empty:
        raise InputError(
            "trial plan: there is no venting on record yet, so nothing can be expected or drawn by"
        )
    year = jobs[jobs["date"] > pd.Timestamp(page.today) - pd.Timedelta(days=YEAR)]
    where = year if len(year) else jobs
    types = sorted(map(str, where["engine_type"].dropna().unique()))
    if question.no_step:
        _check_no_step(question)
    steps = check_change(page.limits, question.steps, types, day)
    expected = expect_outcome(jobs, outcome, today=page.today)
    expected = _take_expected(expected, question)
    planned = outcome.planned if question.planned is None else question.planned
    needed = need(expected, planned, seed=page.seed)
    pairs = where[["engine_type", "site"]].astype(str).drop_duplicates().itertuples(index=False)
    strata = sorted({name_stratum(kind, site, question.strata) for kind, site in pairs})
    if not dry_run:
        coder = open_coder(store, coded=page.snapshot.coded)
        _write(store, question, outcome, expected, needed, steps, strata, day, coder)
    return _describe(page, question, expected, needed, strata, steps, dry_run=dry_run)


def _check_question(question: Question) -> TrialOutcome:
    outcome = find_trial_outcome(question.outcome)
    for what, text in (
        ("question", question.question),
        ("change", question.change),
        ("agreed", question.agreed),
    ):
        if not text.strip():
            person = " (the licensed person who agreed to the plan)" if what == "agreed" else ""
            raise InputError(f"trial plan: --{what} is empty{person}")
    if wrong := sorted(set(question.strata) - set(STRATA)):
        raise InputError(f"trial plan: strata are among {', '.join(STRATA)}; got {', '.join(wrong)}")
    if bool(question.steps) == question.no_step:
        raise InputError(
            'trial plan: name the steps that the change sets (--step "tank_overpressure=0.9 bar"), or say --no-step where it sets none'
        )
    if question.planned is not None and not 0 < question.planned < 1:
        raise InputError(
            f"trial plan: --planned must lie between 0 and 1 (odds or numbers with the change over as before); got {question.planned:g}"
        )
    if question.share is not None and not (0 < question.share < 1 and outcome.kind == "share"):
        raise InputError(
            f"trial plan: --share must lie between 0 and 1 and goes with an outcome that is a share; got {question.share:g}"
        )
    named = {text.partition("=")[0].strip() for text in question.steps}
    if clash := sorted(named & set(outcome.not_with)):
        raise InputError(
            f"trial plan: {outcome.name} is already corrected for {', '.join(clash)}, so it can't show what a change of that does; take rotations"
        )
    return outcome


def _take_expected(expected: Expected, question: Question) -> Expected:
    outcome = expected.outcome
    if question.share is not None:
        return Expected(outcome, expected.known, expected.engines, question.share, None)
    if outcome.kind == "number" and not expected.usable:
        return Expected(outcome, expected.known, expected.engines, None, outcome.spread)
    if expected.usable:
        return expected
    why = (
        "none of them failing"
        if expected.share == 0
        else "all of them failing"
        if expected.share == 1
        else f"fewer than {FEWEST}"
    )
    raise InputError(
        f"trial plan: {wording.count(expected.known, 'venting')} of the last year have a known outcome, {why}; "
        "say what you expect (--share 0.15)"
    )


def _write(
    store: Place, question: Question, outcome: TrialOutcome, expected: Expected, needed: Needed,
    steps: tuple[str, ...], strata: Sequence[str], day: dt.date, coder: NameCoder,
) -> None:  # fmt: skip
    most = needed.most or 2 * needed.one_look
    places = kept.make_list(strata, blocks=math.ceil(most / load_trial_rules().block))
    agreed = coder.code_name(question.agreed)
    plan = kept.TrialPlan(
        name=question.name,
        day=day.isoformat(),
        question=coder.mask_text(question.question.strip()),
        change=coder.mask_text(question.change.strip()),
        outcome=outcome.name,
        planned=needed.planned,
        strata=question.strata,
        agreed=agreed,
        list_sha256=kept.hash_places(places),
        steps=steps,
        share=expected.share,
        spread=expected.spread,
        most=needed.most,
        cautions=tuple(plan_cautions()),
    )
    coder.save()  # first, so that no plan carries a code that nobody can turn back
    kept.write_trial(store, plan, places)


def plan_cautions() -> list[str]:
    """The cautions that a plan carries: those of the trial's page that need no records."""
    rows = read_rows(tables.DATA / "cautions.toml", "caution", Caution, label="id")
    return [row.text for row in rows if row.when in ("always", "work") and {"*", "trial"} & set(row.reports)]


def _describe(
    page: Page, question: Question, expected: Expected, needed: Needed, strata: Sequence[str],
    steps: Sequence[str], *, dry_run: bool,
) -> list[str]:  # fmt: skip
    outcome = expected.outcome
    folder = kept.trials_path(find_path(page.parameters["store"])) / question.name
    said = say_expected(expected)
    lines = [
        "dry run: nothing was written"
        if dry_run
        else f"trial {question.name}: {folder / kept.PLAN}; the list is sealed",
        f"outcome: {outcome.title}; as before, {said}",
        f"strata: {', '.join(strata)}",
    ]
    if steps:
        lines.append(f"within the manual's limits: {', '.join(steps)}")
    lines.append(say_needed(outcome, needed))
    proposed: list[str] = []
    year_power = needed.power_at(expected.engines)
    enough = year_power >= load_trial_rules().power
    if not enough:
        proposed = propose_numbers(page, question.steps)
    lines.append(words.finish(year_power, expected.engines, proposed, enough=enough))
    return [*lines, *(f"caution: {text}" for text in plan_cautions())]


def say_expected(expected: Expected) -> str:
    """What is expected as before: a share with its ventings, or how far like ventings differ."""
    if expected.outcome.kind == "share":
        return f"{wording.number(expected.share, 'share')} of ventings fail (of {expected.known} in the last year)"
    factor = "" if expected.spread is None else f"a factor of {math.exp(expected.spread):.2f} up or down"
    return f"like ventings differ by {factor} (one standard deviation; {expected.known} in the last year)"


def say_needed(outcome: TrialOutcome, needed: Needed) -> str:
    """The number of ventings that it takes, by how often one looks."""
    rules = load_trial_rules()
    text = (
        f"to find {words.effect(outcome, needed.planned)} with a chance of {100 * rules.power:.0f} %: {needed.one_look} ventings "
        f"with one look, {needed.four_looks} with four"
    )
    if needed.most is None:
        return f"{text}; looking after every venting, more than can be planned for"
    return (
        f"{text}, at most {needed.most} looking as often as you like (on average {needed.mean_with:.0f}, "
        f"and {needed.mean_without:.0f} where it does nothing)"
    )


def propose_numbers(page: Page, steps: Sequence[str] = ()) -> list[str]:
    """Numbers that could be finished within a year, with their ventings, the quickest first."""
    named = {text.partition("=")[0].strip() for text in steps}
    found = []
    for outcome in tables.load_trial_outcomes().values():
        if not outcome.proposed or named & set(outcome.not_with):
            continue
        expected = expect_outcome(page.all_jobs, outcome, today=page.today)
        if not expected.usable:
            continue
        needed = need(expected, outcome.planned, seed=page.seed)
        if needed.most is not None and needed.power_at(expected.engines) >= load_trial_rules().power:
            found.append(
                (
                    needed.most,
                    f"{outcome.name} ({outcome.title}; {outcome.planned:g} times: at most {needed.most} ventings)",
                )
            )
    return [text for _, text in sorted(found)]


# ---- drawing ---------------------------------------------------------------------------------------------------------


def give_assignment(
    page: Page, name: str, *, engine_id: str, committed: bool, day: dt.date, site: str = ""
) -> list[str]:
    """The next assignment for an engine, written into the log; what to do, in lines.

    InputError in one line where nothing is drawn: an unknown engine, one that isn't committed, one drawn already (in this
    trial, or in another that still waits for its venting), a stratum that the plan lacks, a trial that harms.
    """
    store = find_path(page.parameters["store"])
    engines = page.records["engines"].set_index("engine_id")["engine_type"]
    if engine_id not in engines.index:
        raise InputError(
            f"trial {name}: engine {engine_id!r} is not in the records{nearest(engine_id, map(str, engines.index))}; "
            "take its row in first (ventbook intake)"
        )
    jobs = page.all_jobs
    own = jobs[jobs["engine_id"] == engine_id]
    place = site or (str(own["site"].iloc[-1]) if len(own) else "")
    with kept.lock_trial(store, name) as still_held:
        trial = kept.read_trial(store, name)
        state = read_state(trial, jobs, today=day)
        if state.verdict == "harm":
            raise InputError(
                f"trial {name}: the evidence says that the change harms; the draw is stopped, work as before (see the report trial)"
            )
        if "site" in trial.plan.strata and not place:
            raise InputError(
                f"trial {name}: engine {engine_id} has no venting on record; say where it stands (--site)"
            )
        _check_other_trials(store, name, engine_id, own, day)
        stratum = name_stratum(str(engines[engine_id]), place, trial.plan.strata)
        if not committed and trial.find_draw(engine_id) is None:
            raise InputError(
                f"trial {name}: say --committed once engine {engine_id} stands ready and will be vented whichever way is drawn; "
                "an assignment can't be taken back"
            )
        still_held()
        _, draw = kept.draw_next(trial, engine_id=engine_id, stratum=stratum, day=day)
    lines = [
        f"engine {engine_id} ({stratum}): {draw.arm}: {_say_arm(trial.plan, draw.arm)}",
        f"write on the job's sheet: trial {name}, {draw.arm}, assignment {draw.number}, code {draw.hash[:8]}",
        f"in the records: trial = {name}, trial_arm = how the work was done, also where that differs from the draw",
    ]
    return [*lines, *(f"caution: {text}" for text in plan_cautions())]


def _say_arm(plan: kept.TrialPlan, arm: str) -> str:
    return plan.change if arm == "changed" else "work as before"


def _check_other_trials(store: Place, name: str, engine_id: str, own: pd.DataFrame, day: dt.date) -> None:
    """One venting can't serve two trials: an engine drawn elsewhere waits for its venting there first."""
    for other in kept.list_trials(store):
        if other == name:
            continue
        draw = kept.read_trial(store, other).find_draw(engine_id)
        if draw is None:
            continue
        since = pd.Timestamp(draw.day)
        overdue = (day - since.date()).days > load_trial_rules().overdue_d
        if not (own["date"] >= since).any() and not overdue:
            raise InputError(
                f"trial {name}: engine {engine_id} was drawn in trial {other} on {draw.day} and is not vented yet; "
                "one venting can't serve two trials"
            )
