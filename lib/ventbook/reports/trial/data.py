"""A trial beside the records: each engine drawn with its first venting, the blocks that are full, and the evidence."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import pandas as pd

from ventbook.records.trials import Trial, list_trials, read_trial
from ventbook.reports.page import Page, once_a_page
from ventbook.reports.scope import find_path
from ventbook.statistics import trials
from ventbook.statistics.trials import Evidence
from ventbook.tables import TrialOutcome, find_trial_outcome, load_trial_rules

DRAWN = (
    *("number", "day", "engine_id", "stratum", "block", "pair", "changed", "venting_id", "date", "value"),
    *("state", "done", "known_on"),
)


@dataclass(frozen=True)
class TrialState:
    """A trial as of a snapshot.

    ``drawn``: one row an engine drawn, in order: number, day, engine_id, stratum, block, pair, changed, venting_id, date,
    value (1 failing, 0 not; of a number its logarithm; NaN none), state (known, missing, waiting), done (the way of
    working on record, "" none), counted (its block or pair is full). ``strangers``: ventings that name the trial and are
    not an engine's first venting after its draw. ``steps``: ventings counted after each block or pair.
    """

    trial: Trial
    outcome: TrialOutcome
    drawn: pd.DataFrame
    strangers: pd.DataFrame
    first: Evidence
    against: Evidence
    steps: np.ndarray
    verdict: str


@once_a_page
def load_state(page: Page) -> TrialState | None:
    """The trial that the page is about, None where none is planned beside the records.

    InputError in one line where it can't be read or was changed by hand.
    """
    store = find_path(page.parameters["store"])
    name = page.parameters["trial"]
    if not name:
        names = list_trials(store)
        if not names:
            return None
        name = names[-1]
    return read_state(read_trial(store, name), page.all_jobs, today=page.today)


def read_state(trial: Trial, jobs: pd.DataFrame, *, today: dt.date) -> TrialState:
    """A trial held against the table of ventings; assignments given after ``today`` are left out."""
    outcome = find_trial_outcome(trial.plan.outcome)
    drawn = _match_ventings(trial, jobs, outcome, today)
    group = "block" if outcome.kind == "share" else "pair"
    size = load_trial_rules().block if outcome.kind == "share" else 2
    waits = drawn["state"].eq("waiting").groupby(drawn[group]).transform("any")
    full = drawn.groupby(group)[group].transform("size").eq(size) & ~waits
    drawn["counted"] = full.to_numpy(bool)
    counted = drawn[drawn["counted"]].copy()
    counted["until"] = counted.groupby(group)["known_on"].transform("max")
    counted = counted.sort_values(["until", group, "number"], kind="stable")
    first, against = (_weigh(counted, trial, outcome, missing_against=yes) for yes in (False, True))
    return TrialState(
        trial,
        outcome,
        drawn,
        _find_strangers(trial, jobs, drawn),
        first,
        against,
        size * np.arange(1, len(first) + 1),
        trials.judge_evidence(first, against),
    )


def outcome_values(jobs: pd.DataFrame, outcome: TrialOutcome) -> np.ndarray:
    """The outcome of each venting: 1 failing and 0 not, or the logarithm of the number; NaN where there is none."""
    values = jobs[outcome.column]
    if outcome.kind == "share":
        return values.astype("Float64").to_numpy(dtype=float, na_value=np.nan)
    number = pd.to_numeric(values).to_numpy(dtype=float, na_value=np.nan)
    if outcome.shown:
        shown = jobs[outcome.shown].astype("boolean").fillna(False).to_numpy(bool)
        number = np.where(shown, number, np.nan)
    return np.log(np.maximum(number, outcome.least))


def name_stratum(engine_type: str, site: str, strata: tuple[str, ...]) -> str:
    """The stratum of an engine, as lists and logs name it: ``Harbour / flat4``."""
    known = {"site": site, "engine_type": engine_type}
    return " / ".join(known[name] for name in strata) or "all"


def _match_ventings(trial: Trial, jobs: pd.DataFrame, outcome: TrialOutcome, today: dt.date) -> pd.DataFrame:
    rules = load_trial_rules()
    columns = ["venting_id", "engine_id", "date", "trial", "trial_arm", "value"]
    own = jobs.assign(value=outcome_values(jobs, outcome))[columns]
    own = own.sort_values(["date", "venting_id"], kind="stable")
    by_engine = {str(engine): rows for engine, rows in own.groupby("engine_id", sort=False)}
    rows = []
    for draw in trial.log:
        day = dt.date.fromisoformat(draw.day)
        if day > today:
            continue
        after = by_engine.get(draw.engine_id, own.iloc[:0])
        after = after[after["date"] >= pd.Timestamp(day)]
        venting = after.iloc[0] if len(after) else None
        value = float("nan") if venting is None else float(venting["value"])
        overdue = (today - day).days > rules.overdue_d
        state = "known" if not np.isnan(value) else "missing" if overdue else "waiting"
        late = day + dt.timedelta(days=rules.overdue_d)
        rows.append(
            {
                "number": draw.number,
                "day": pd.Timestamp(day),
                "engine_id": draw.engine_id,
                "stratum": draw.stratum,
                "block": f"{draw.stratum} {(draw.place - 1) // rules.block + 1}",
                "pair": f"{draw.stratum} {draw.pair}",
                "changed": draw.arm == "changed",
                "venting_id": "" if venting is None else str(venting["venting_id"]),
                "date": pd.NaT if venting is None else venting["date"],
                "value": value,
                "state": state,
                "done": "" if venting is None or pd.isna(venting["trial_arm"]) else str(venting["trial_arm"]),
                "known_on": pd.Timestamp(late) if venting is None or state != "known" else venting["date"],
            }
        )
    frame = pd.DataFrame(rows, columns=[*DRAWN])
    return frame.astype({"value": float, "changed": bool, "number": int})


def _find_strangers(trial: Trial, jobs: pd.DataFrame, drawn: pd.DataFrame) -> pd.DataFrame:
    """Ventings that name this trial, but were never drawn or are not the first after the draw."""
    named = jobs[
        jobs["trial"].fillna("").astype(str).str.strip().str.casefold().eq(trial.plan.name).to_numpy(bool)
    ]
    named = named[~named["venting_id"].isin(drawn["venting_id"])]
    later = named["engine_id"].isin([draw.engine_id for draw in trial.log]).to_numpy(bool)
    why = np.where(later, "not the engine's first venting after its draw", "the engine was never drawn")
    return (
        named[["venting_id", "engine_id", "date", "site", "trial_arm"]].assign(why=why).reset_index(drop=True)
    )


def _weigh(counted: pd.DataFrame, trial: Trial, outcome: TrialOutcome, *, missing_against: bool) -> Evidence:
    plan = trial.plan
    if outcome.kind == "share":
        table = trials.count_blocks(counted, missing_against=missing_against)
        columns = ("failing", "ventings", "treated", "failing_treated")
        return trials.weigh_blocks(*(table[name].to_numpy() for name in columns), planned=plan.planned)
    table = trials.pair_differences(counted, missing_against=missing_against)
    # a pair without both numbers tells nothing, and leaves the evidence where it was
    differences = table["difference"].to_numpy(float)
    known = ~np.isnan(differences)
    found = trials.weigh_pairs(differences[known], spread=plan.spread or outcome.spread, planned=plan.planned)
    place = np.cumsum(known) - 1

    def spread(values: np.ndarray) -> np.ndarray:
        return np.where(place >= 0, values[np.maximum(place, 0)], 1.0) if len(values) else np.ones(len(place))

    return Evidence(spread(found.works), spread(found.harm), spread(found.no_use))
