"""A finished trial at one workshop of the invented fleet: drawn among its ventings as they are, of a change that does nothing.

It takes nothing from the fleet's random draws and changes no record: only the trial's folder stands beside the store.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pandas as pd

from ventbook.demo.settings import read_settings
from ventbook.records import trials
from ventbook.tables import find_trial_outcome, load_trial_rules

AGREED = "T-0000000000"  # nobody


def write_trial(folder: Path, ventings: pd.DataFrame, engines: pd.DataFrame) -> None:
    """Writes ``trials/NAME`` into the demo's folder: each engine that the workshop vented in the span, at its first venting.

    One of an earlier demo is replaced.
    """
    asked = read_settings()["trial"]
    shutil.rmtree(trials.trials_path(folder / "store") / asked["name"], ignore_errors=True)
    first, last = pd.Timestamp(asked["since"]), pd.Timestamp(asked["until"])
    rows = ventings[ventings["site"] == asked["site"]].sort_values(["date", "venting_id"], kind="stable")
    rows = rows.merge(engines[["engine_id", "engine_type"]], on="engine_id")
    rows = rows[rows["date"].ge(first) & rows["date"].lt(last)].drop_duplicates("engine_id")
    if rows.empty:
        return
    strata = sorted(rows["engine_type"].unique())
    blocks = -(-len(rows) // load_trial_rules().block) + 1
    places = trials.make_list(strata, blocks=blocks, seed=asked["seed"])
    outcome = find_trial_outcome(asked["outcome"])
    plan = trials.TrialPlan(
        name=asked["name"],
        day=asked["since"],
        question=asked["question"],
        change=asked["change"],
        outcome=outcome.name,
        planned=outcome.planned,
        strata=("engine_type",),
        agreed=AGREED,
        list_sha256=trials.hash_places(places),
        spread=outcome.spread,
    )
    trial = trials.write_trial(folder / "store", plan, places)
    drawn = zip(rows["engine_id"], rows["engine_type"], rows["date"].dt.date, strict=True)
    trials.draw_all(trial, drawn)
