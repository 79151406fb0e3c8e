"""The verdicts of all steps, and what they come to by group, by venting and today."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from ventbook.dictionary import Limit, Limits, steps
from ventbook.jobs.lifters import choose_limits
from ventbook.numerics import find_places

from .judge import JUDGED, VERDICTS, find_facts, judge
from .readings import READ, collect_readings

Rows = npt.NDArray[np.intp]
CONTEXT = ("engine_id", "engine_type", "site", "date", "quarter")
COLUMNS = (
    "venting_id",
    *CONTEXT,
    "step",
    "item",
    "value",
    "unit",
    "limit_low",
    "limit_high",
    "verdict",
    "margin",
    "status",
    "revision",
    "source",
    "limit_source",
    "note",
)


def check_steps(
    records: Mapping[str, pd.DataFrame],
    jobs: pd.DataFrame,
    lifters: pd.DataFrame,
    *,
    limits: Limits | None = None,
) -> pd.DataFrame:
    """Every step that applies to every venting of ``jobs``, against the limit in force on its date.

    ``records`` are the record tables (starts and lifter_checks are read), ``jobs`` and ``lifters`` the two analysis
    tables, which may be filtered; ``limits`` default to those beside the store that the records were read from.

    Returns the columns COLUMNS, in the order of ``jobs`` and of the steps. ``verdict``: within, outside,
    near_limit (the reading can't be told from the limit), not_comparable (taken at another force or hold than the
    limit's), not_recorded, no_limit (none was entered), fact (needs no limit: see ``fact`` in ``data/steps.toml``).
    ``status`` is "manual" with its ``revision``, "placeholder", or "" without limit. ``source`` is record, stopwatch or trace. ``margin`` is in the
    reading's unit, negative outside.
    """
    limits = choose_limits(records, limits)
    known = jobs["venting_id"]
    tables = {"starts": records["starts"], "lifter_checks": records["lifter_checks"], "lifters": lifters}
    mine = {}
    for name, read in READ.items():
        part = tables[name][list(read)]
        mine[name] = part[find_places(part["venting_id"], known) >= 0]
    readings = collect_readings(mine, jobs, mine["lifters"], limits=limits)
    place = find_places(readings["venting_id"], known)
    step, found = pd.factorize(readings["step"])
    names = [str(name) for name in found]
    rank = np.array([list(steps()).index(name) for name in names], dtype=int)[step]
    order = np.lexsort((pd.factorize(readings["item"], sort=True)[0], rank, place))
    place, step = place[order], step[order]
    columns: dict[str, Any] = {name: jobs[name].array.take(place) for name in ("venting_id", *CONTEXT)}
    columns["step"] = pd.array(names, dtype="str").take(step)
    columns |= {name: readings[name].array.take(order) for name in map(str, readings) if name not in columns}
    del readings
    columns |= _find_limits(jobs, place, step, names, limits)
    table = pd.DataFrame(columns, copy=False)
    return table.assign(**judge(table))[list(COLUMNS)]


def _find_limits(
    jobs: pd.DataFrame, place: Rows, step: Rows, names: list[str], limits: Limits
) -> dict[str, Any]:
    """The limit of each reading, from the place of its venting in ``jobs`` and the number of its step in ``names``."""
    pairs = jobs[["engine_type", "date"]].drop_duplicates()
    pair = jobs.groupby(["engine_type", "date"], sort=False, dropna=False).ngroup().to_numpy()
    rows: list[Limit | None] = []
    which = np.zeros(len(place), np.intp)
    for number, name in enumerate(names):
        found, at = limits.find_distinct(steps()[name].limit, pairs["engine_type"], pairs["date"])
        mine = step == number
        which[mine] = len(rows) + at[pair[place[mine]]]
        # A row that only states a condition (the force for which the gap is meant) judges nothing.
        rows += [row if row is not None and row.judges else None for row in found]
    columns: dict[str, Any] = {}
    for name, of in (("limit_low", "low"), ("limit_high", "high")):
        values = [getattr(row, of) if row else None for row in rows]
        columns[name] = np.array([np.nan if v is None else v for v in values], dtype=float)[which]
    for name, of in (("status", "status"), ("revision", "revision"), ("limit_source", "source")):
        columns[name] = pd.array([getattr(row, of) if row else "" for row in rows], dtype="str").take(which)
    return columns


def summarise_steps(verdicts: pd.DataFrame, *, by: Sequence[str] = ()) -> pd.DataFrame:
    """Counts by step (and by the columns ``by``): one row for every combination that occurs, in the order of steps.

    Columns: step, title, kind, ``by``, rows, within, outside, near_limit, not_comparable, not_recorded, no_limit,
    fact, judged (within, outside or near_limit), status ("manual", "placeholder", "mixed" or "").
    """
    keys = [*by, "step"]
    table = verdicts.assign(**{name: verdicts["verdict"].eq(name) for name in _ALL})
    counts = table.groupby(keys, sort=True)[list(_ALL)].sum().astype("Int64")
    counts.insert(0, "rows", table.groupby(keys, sort=True).size().astype("Int64"))
    counts["judged"] = counts[list(JUDGED)].sum(axis=1).astype("Int64")
    known = table[table["status"] != ""]
    lowest, highest = (known.groupby(keys, sort=True)["status"].agg(which) for which in ("min", "max"))
    status = lowest.where(lowest == highest, "mixed")
    counts["status"] = status.reindex(counts.index).fillna("").astype("str")
    counts = counts.reset_index()
    named = steps()
    counts.insert(len(keys), "title", counts["step"].map({k: s.title for k, s in named.items()}))
    counts.insert(len(keys) + 1, "kind", counts["step"].map({k: s.kind for k, s in named.items()}))
    order = counts["step"].map({name: number for number, name in enumerate(named)})
    return (
        counts.assign(order=order)
        .sort_values([*by, "order"], kind="stable")
        .drop(columns="order")
        .reset_index(drop=True)
    )


_ALL = VERDICTS


def describe_steps(verdicts: pd.DataFrame) -> pd.DataFrame:
    """What was recorded of each step, whether or not there is a limit: in the order of steps, indexed by step.

    Columns: recorded (readings), mean (the share of yes where a step is yes or no), low, middle, high (10, 50 and 90 %
    points of the readings as they stand).
    """
    known = verdicts[verdicts["value"].notna()]
    grouped = known.groupby("step", sort=False)["value"]
    table = pd.DataFrame({"recorded": grouped.size().astype("Int64"), "mean": grouped.mean()})
    for name, q in (("low", 0.1), ("middle", 0.5), ("high", 0.9)):
        table[name] = grouped.quantile(q)
    return table.reindex([name for name in steps() if name in table.index])


def list_facts(verdicts: pd.DataFrame) -> pd.DataFrame:
    """What needs no limit to be told (a finding open at closing, pressure never shown, ...), in the order of steps, newest first.

    Columns: step, fact (its words), venting_id, engine_id, site, date, value, note.
    """
    found = verdicts[find_facts(verdicts).to_numpy()]
    rank = found["step"].map({name: number for number, name in enumerate(steps())})
    found = found.assign(
        rank=rank, fact=found["step"].map({name: step.fact_title for name, step in steps().items()})
    )
    found = found.sort_values(
        ["rank", "date", "venting_id"], ascending=[True, False, True], kind="stable", ignore_index=True
    )
    return found[["step", "fact", "venting_id", "engine_id", "site", "date", "value", "note"]]


def count_not_recorded(verdicts: pd.DataFrame) -> pd.DataFrame:
    """Steps by how often they were not recorded where they apply, most often first.

    Columns: step, title, rows, not_recorded, share.
    """
    table = summarise_steps(verdicts)[["step", "title", "rows", "not_recorded"]]
    table["share"] = table["not_recorded"].astype(float) / table["rows"].astype(float)
    return table.sort_values(["share", "rows"], ascending=[False, False], kind="stable").reset_index(
        drop=True
    )


def mark_ventings(verdicts: pd.DataFrame, *, before_check_only: bool = True) -> pd.DataFrame:
    """One row a venting: whether any action was outside its limit.

    Counts actions only (what was done, not what the engine showed), by default those before the first lifter check:
    only these can go with what the check finds. ``off_procedure`` is True with any action outside, False when
    every action that applies is within or near, missing when one was not recorded and none was outside.

    Columns: venting_id, actions, outside, unknown, off_procedure.
    """
    named = steps()
    wanted = [s.name for s in named.values() if s.kind == "action" and (s.before or not before_check_only)]
    table = verdicts[verdicts["step"].isin(wanted) & ~verdicts["verdict"].isin(["no_limit", "fact"])]
    grouped = table.assign(
        outside=table["verdict"].eq("outside"), unknown=~table["verdict"].isin(JUDGED)
    ).groupby("venting_id", sort=False)
    marks = grouped.agg(actions=("step", "size"), outside=("outside", "sum"), unknown=("unknown", "sum"))
    off = (marks["outside"] > 0).astype("boolean")
    marks["off_procedure"] = off.mask((marks["outside"] == 0) & (marks["unknown"] > 0))
    return marks.reset_index()


def list_open_findings(verdicts: pd.DataFrame, jobs: pd.DataFrame, *, today: dt.date) -> pd.DataFrame:
    """Ventings that ended, as recorded up to today, with a lifter over the limit or without return flow.

    Only an engine's latest venting counts: an earlier finding has been followed by a later job, which shows how it
    stands now. ``jobs`` must hold all ventings of the engines, not a period's alone. Newest first. Columns:
    venting_id, engine_id, site, date, closed, open (missing: closing isn't recorded there), finding, value, unit, limit_high, status,
    revision, days (from the venting to ``today``).
    """
    latest = jobs.sort_values(["date", "venting_id"], kind="stable").drop_duplicates("engine_id", keep="last")
    # Return flow that was not seen is a finding whether or not a limit asks for it.
    wanted = verdicts["step"].eq("gap_at_last_check") & verdicts["verdict"].eq("outside")
    wanted |= verdicts["step"].eq("return_flow_seen") & verdicts["value"].eq(0)
    found = verdicts[wanted & verdicts["venting_id"].isin(latest["venting_id"])]
    found = found.merge(jobs[["venting_id", "closed", "open"]], on="venting_id", how="left")
    titles = {name: step.title for name, step in steps().items()}
    item = (" (" + found["item"] + ")").where(found["item"] != "", "")
    found["finding"] = found["step"].map(titles) + item
    found["days"] = (pd.Timestamp(today) - found["date"]).dt.days.astype("Int64")
    columns = [
        "venting_id",
        "engine_id",
        "site",
        "date",
        "closed",
        "open",
        "finding",
        "value",
        "unit",
        "limit_high",
    ]
    found = found.sort_values(["date", "venting_id"], ascending=[False, True], kind="stable")
    return found[[*columns, "status", "revision", "days"]].reset_index(drop=True)
