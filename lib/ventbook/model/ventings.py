"""One row a venting: what was done, what was read, what the physics expected, what the lifters showed."""

from __future__ import annotations

from collections.abc import Collection, Mapping

import numpy as np
import pandas as pd

from ventbook import tables
from ventbook.model import verdicts
from ventbook.model.intervals import first_start, rotation_interval, rotations_per_count, trace_intervals
from ventbook.model.lifters import build_lifters, choose_limits
from ventbook.model.traces import FEATURES, MADE_UNDER, match_limits
from ventbook.physics import priming
from ventbook.physics.priming.inputs import READ
from ventbook.records.store import take_columns
from ventbook.tables import Limits

EXPECTED = (
    "expected_rotations",
    "expected_low",
    "expected_high",
    "expected_suction",
    "expected_pressure_side",
    "expected_tank_saving",
    "expected_state",
    "expected_note",
    *priming.SPREAD_COLUMNS,
    *priming.OPEN_COLUMNS,
)
TRAPPED = "trapped_air_mm3"
COUNTED_FIRST = (
    "venting_id",
    "over_first",
    "over_last",
    "over_probability_first",
    "cured",
    "gap_first_corrected_mm",
)
"""Columns of the lifter table that a venting's row is made from, but for the trapped air, which takes most of the work."""
COUNTED = (*COUNTED_FIRST, TRAPPED)
"""Columns of the lifter table that a venting's row is made from."""
COUNTS_READ = ("venting_id", "engine_id", "date", "rotations", "pressure_shown", *READ)
"""Columns of the records of ventings and engines that a venting's count and what is expected of it are made from."""
LIFTER_COUNTS = [
    "lifters_checked",
    "lifters_judged_first",
    "lifters_judged_last",
    "lifters_over_first",
    "lifters_over_last",
    "lifters_rechecked",
    "lifters_cured",
]


def build_ventings(
    records: Mapping[str, pd.DataFrame],
    *,
    limits: Limits | None = None,
    lifters: pd.DataFrame | None = None,
    constants: priming.Constants | None = None,
) -> pd.DataFrame:
    """One row a venting from record tables: what was done, what was read, what the physics expected, what the lifters showed.

    Parameters
    ----------
    records : mapping of str to DataFrame
        Record tables by name, as a snapshot's ``records()`` gives them.
    limits : Limits, optional
        Limits in force; default see :func:`choose_limits`.
    lifters : DataFrame, optional
        The table of :func:`build_lifters` where it is built already; without its trapped_air_mm3 the ventings have no trapped_air_total_mm3.
    constants : Constants, optional
        Of the pump's formula; default those that the counts of these ventings give.

    Returns
    -------
    DataFrame
        Sorted by date and venting_id; columns as :func:`ventbook.tables.describe_columns` says. ``trace_*``
        only where a trace of the first start or of the turning is on record.

    Notes
    -----
    Where a good trace of the first start stands, its interval takes the stopwatch's place, which is kept
    beside it; features made under other limits than those in force are left out (``trace_left_out``).
    ``ventbook.read_ventings`` does it from a store.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook import model
    >>> records = ventbook.open_store("data/demo/store").snapshot().records()
    >>> ventings = model.build_ventings(records)
    >>> bool(ventings["venting_id"].is_unique)
    True
    """
    limits = choose_limits(records, limits)
    if lifters is None:
        lifters = build_lifters(records, limits=limits, columns=COUNTED)
    jobs = _join_engines(records)
    jobs["quarter"] = verdicts.quarters_of(jobs["date"])
    jobs["month"] = jobs["date"].dt.strftime("%Y-%m").astype("str")
    jobs["open"] = verdicts.is_open(jobs["closed"], jobs["site"])
    jobs["lifters_fitted"] = jobs["cylinders"] * jobs["valves_per_cylinder"].fillna(2)
    jobs = jobs.merge(first_start(records["starts"]), on="venting_id", how="left", validate="1:1")
    jobs["time_source"] = jobs["time_source"].fillna("")
    jobs = jobs.merge(_start_counts(records["starts"]), on="venting_id", how="left")
    jobs = _with_rotations(jobs)
    jobs = _with_traces(jobs, records.get("start_features"), limits)
    jobs = expect_again(jobs, constants=constants)
    return jobs.merge(_lifter_counts(lifters), on="venting_id", how="left").pipe(_fill_counts)


def _join_engines(records: Mapping[str, pd.DataFrame], wanted: Collection[str] | None = None) -> pd.DataFrame:
    ventings, engines = (
        records[name] if wanted is None else take_columns(records, name, wanted)
        for name in ("ventings", "engines")
    )
    jobs = ventings.merge(engines, on="engine_id", how="inner")
    return jobs.sort_values(["date", "venting_id"], kind="stable").reset_index(drop=True)


def list_counts(records: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """What the constants of the pump's formula are found from, without the rest of :func:`build_ventings`.

    Parameters
    ----------
    records : mapping of str to DataFrame
        The record tables ventings and engines.

    Returns
    -------
    DataFrame
        One row a venting, as :func:`ventbook.physics.priming.take_counts` gives it.

    Examples
    --------
    >>> from ventbook import model
    >>> from ventbook.records import store
    >>> records = store.open_store("data/demo/store").snapshot().records()
    >>> len(model.list_counts(records)) == len(records["ventings"])
    True
    """
    return priming.take_counts(_with_rotations(_join_engines(records, COUNTS_READ)))


def expect_records(
    records: Mapping[str, pd.DataFrame], *, constants: priming.Constants | None = None
) -> pd.DataFrame:
    """The rotations expected of each venting on record, without the rest of :func:`build_ventings`.

    Parameters
    ----------
    records : mapping of str to DataFrame
        The record tables ventings and engines.
    constants : Constants, optional
        As for :func:`build_ventings`.

    Returns
    -------
    DataFrame
        venting_id, ``expected_*`` and rotations_ratio; sorted by date and venting_id.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook import model
    >>> expected = model.expect_records(ventbook.open_store("data/demo/store").snapshot().records())
    >>> ventings = ventbook.read_ventings("data/demo/store")
    >>> expected["rotations_ratio"].equals(ventings["rotations_ratio"])
    True
    """
    jobs = expect_again(_with_rotations(_join_engines(records, COUNTS_READ)), constants=constants)
    return jobs[["venting_id", *EXPECTED, "rotations_ratio"]]


def expect_again(jobs: pd.DataFrame, *, constants: priming.Constants | None = None) -> pd.DataFrame:
    """The table of ventings with the rotations expected by given constants of the formula.

    Parameters
    ----------
    jobs : DataFrame
        As :func:`build_ventings` gives it.
    constants : Constants, optional
        As :func:`ventbook.physics.priming.fit_constants` gives them; default those of ``jobs``.

    Returns
    -------
    DataFrame
        ``jobs`` with ``expected_*`` and ``rotations_ratio`` made anew.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook import model
    >>> ventings = ventbook.read_ventings("data/demo/store")
    >>> model.expect_again(ventings)["expected_rotations"].equals(ventings["expected_rotations"])
    True
    """
    if constants is None:
        constants = priming.fit_constants(jobs)
    expected = priming.expected_rotations(jobs, constants=constants)
    jobs = jobs.assign(**{name: expected[name].array for name in EXPECTED})
    return jobs.assign(rotations_ratio=jobs["rotations_crank"] / jobs["expected_rotations"])


def _start_counts(starts: pd.DataFrame) -> pd.DataFrame:
    """venting_id, starts, extra_runs (later starts of at least a recorded extra run)."""
    extra = starts["extra_run_s"].gt(0).fillna(False).astype(bool)
    counts = (
        starts.assign(extra=extra)
        .groupby("venting_id", sort=False)
        .agg(starts=("start_no", "size"), extra_runs=("extra", "sum"))
    )
    return counts.astype("Int64").reset_index()


def _with_rotations(jobs: pd.DataFrame) -> pd.DataFrame:
    usual = {
        name: jobs["engine_type"].map(
            {t: tables.engine_type_values(str(t))[name] for t in jobs["engine_type"].dropna().unique()}
        )
        for name in ("propeller_reduction",)
    }
    place = jobs.assign(
        propeller_reduction=jobs["propeller_reduction"].astype(float).fillna(usual["propeller_reduction"])
    )
    per_count = rotations_per_count(place)
    low, high = rotation_interval(jobs["rotations"], jobs["pressure_shown"], per_count)
    return jobs.assign(
        rotations_per_count=per_count,
        rotations_crank=jobs["rotations"].astype(float) * per_count,
        rotations_low=low,
        rotations_high=high,
    )


def _with_traces(jobs: pd.DataFrame, features: pd.DataFrame | None, limits: Limits) -> pd.DataFrame:
    """Where a good trace stands, its interval takes the stopwatch's place; the stopwatch's is kept beside it.

    Features made under other limits than those in force are left out (``trace_left_out``).
    """
    jobs = jobs.assign(
        stopwatch_s=jobs["time_to_pressure_s"],
        stopwatch_low_s=jobs["time_low_s"],
        stopwatch_high_s=jobs["time_high_s"],
        trace_left_out=pd.array([False] * len(jobs), dtype="boolean"),
    )
    if features is None or features.empty:
        return jobs
    # what a version that wrote the features did not know yet is not recorded
    features = features.reindex(columns=list(dict.fromkeys([*features.columns, *FEATURES])))
    same = match_limits(features, jobs, among=limits)
    jobs["trace_left_out"] = jobs["venting_id"].isin(features.loc[~same, "venting_id"]).astype("boolean")
    features = features[same].drop(columns=list(MADE_UNDER), errors="ignore")
    run = features.loc[features["start_no"].eq(1)].drop(columns="start_no").add_prefix("trace_")
    turning = features.loc[features["start_no"].eq(0)].drop(columns="start_no").add_prefix("trace_turning_")
    jobs = jobs.merge(run, left_on="venting_id", right_on="trace_venting_id", how="left")
    jobs = jobs.merge(turning, left_on="venting_id", right_on="trace_turning_venting_id", how="left")
    jobs = jobs.drop(columns=["trace_venting_id", "trace_turning_venting_id"])
    good = jobs["trace_ok_time_to_pressure"].fillna(False).astype(bool) & jobs["trace_time_low_s"].notna()
    found = trace_intervals(
        jobs[[f"trace_{name}" for name in FEATURES]].rename(columns=lambda name: name.removeprefix("trace_"))
    )
    for name, values in found.assign(time_to_pressure_s=jobs["trace_time_to_pressure_s"]).items():
        jobs[name] = jobs[name].mask(good, values)
    jobs["start_pressure_shown"] = jobs["start_pressure_shown"].mask(good, np.isfinite(jobs["time_high_s"]))
    jobs["time_source"] = jobs["time_source"].mask(good, "trace")
    return jobs


def _lifter_counts(lifters: pd.DataFrame) -> pd.DataFrame:
    table = lifters.assign(
        over_f=lifters["over_first"].fillna(False).astype(int),
        over_l=lifters["over_last"].fillna(False).astype(int),
        judged_f=lifters["over_first"].notna().astype(int),
        judged_l=lifters["over_last"].notna().astype(int),
        log_within=np.log1p(-lifters["over_probability_first"].clip(0, 1 - 1e-15)),
        cured_n=lifters["cured"].fillna(False).astype(int),
        rechecked=lifters["cured"].notna().astype(int),
    )
    counts = table.groupby("venting_id", sort=False).agg(
        lifters_checked=("over_f", "size"),
        lifters_over_first=("over_f", "sum"),
        lifters_over_last=("over_l", "sum"),
        judged_f=("judged_f", "sum"),
        judged_l=("judged_l", "sum"),
        log_within=("log_within", "sum"),
        lifters_rechecked=("rechecked", "sum"),
        lifters_cured=("cured_n", "sum"),
        gap_worst_first_mm=("gap_first_corrected_mm", "max"),
    )
    if TRAPPED in table:
        counts["trapped_air_total_mm3"] = table.groupby("venting_id", sort=False)[TRAPPED].sum(min_count=1)
    for which in ("f", "l"):
        name = {"f": "first", "l": "last"}[which]
        counts[f"failed_{name}"] = verdicts.is_failing(
            over=counts[f"lifters_over_{name}"],
            judged=counts[f"judged_{which}"],
            checked=counts["lifters_checked"],
        )
    counts["over_probability_any_first"] = -np.expm1(counts["log_within"])
    counts["cured"] = verdicts.is_cured(
        counts["failed_first"], counts["failed_last"], counts["lifters_rechecked"] > 0
    )
    counts = counts.rename(columns={"judged_f": "lifters_judged_first", "judged_l": "lifters_judged_last"})
    counts[LIFTER_COUNTS] = counts[LIFTER_COUNTS].astype("Int64")
    return counts.drop(columns="log_within").reset_index()


def _fill_counts(jobs: pd.DataFrame) -> pd.DataFrame:
    for name in (*LIFTER_COUNTS, "starts", "extra_runs"):
        jobs[name] = jobs[name].fillna(0)
    jobs["all_checked"] = (jobs["lifters_checked"] >= jobs["lifters_fitted"]).astype("boolean")
    return jobs
