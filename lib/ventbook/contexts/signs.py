"""The signs of each finding, read off its record: what the table of failure modes is held against."""

from __future__ import annotations

from collections.abc import Collection, Mapping

import numpy as np
import pandas as pd

from ventbook import lifter

KEY = ["venting_id", "cylinder", "valve"]

SIGNS: dict[str, tuple[str, ...]] = {
    "growth": ("none", "slow", "fast"),
    "force_ratio": ("one", "air", "leak"),
    "no_force": ("most", "little"),
    "bottomed": ("yes", "no"),
    "verdict": ("air", "leak_down", "both", "bottomed"),
    "after_run": ("cured", "smaller", "same", "worse"),
    "spread": ("one", "several", "widespread"),
    "place": ("far", "near"),
    "same_place": ("yes", "no"),
    "same_lifter": ("yes", "no"),
    "lot": ("yes", "no"),
    "gauge": ("yes", "no"),
    "near_limit": ("yes", "no"),
    "lines": ("empty", "filled"),
    "rest": ("long", "short"),
    "turned_back": ("yes", "no"),
    "ran_low": ("yes", "no"),
    "pressure": ("steady", "flickered", "lost_and_back"),
    "rotations": ("long", "expected", "short"),
    "to_pressure": ("late", "in_time"),
    "hours": ("many", "few"),
    "stored": ("yes", "no"),
    "assembled": ("yes", "no"),
}

# Common practice, no source, except the noise bound: two readings differ by chance up to 2 sqrt(2) u.
NOISE = 2 * np.sqrt(2)
FAST_GROWTH_UM_PER_S = 100.0
HALF_FORCE = (0.35, 0.65)
RATIOS = (1.15, 2.6)
LONG_REST_H, MANY_HOURS_H = 24.0, 500.0
LONG_ROTATIONS, SHORT_ROTATIONS = 1.25, 0.75
PLACE = 2 / 3


def select_findings(lifters: pd.DataFrame) -> pd.DataFrame:
    """The lifters over the limit at their first check, one row each, in the order they stand."""
    return lifters[lifters["over_first"].fillna(False).to_numpy(dtype=bool)].reset_index(drop=True)


def describe_findings(
    lifters: pd.DataFrame,
    jobs: pd.DataFrame,
    *,
    lots: Collection[str] = (),
    gauge_shift_mm: Mapping[str, float] | None = None,
    time_limit_s: float | None = None,
) -> pd.DataFrame:
    """One row a finding with its signs (:data:`SIGNS`), an empty text where the record doesn't say.

    ``lifters`` and ``jobs`` are the analysis tables; other ventings in them tell whether a place or a lifter came back,
    so give them whole. ``lots`` stand out among lots, ``gauge_shift_mm`` says how much a gauge reads high, and
    ``time_limit_s`` bounds the time to pressure (None: no verdict on it). The two frames are not changed.
    """
    found = select_findings(lifters)
    job = jobs.set_index("venting_id").reindex(found["venting_id"]).reset_index()
    out = found[[*KEY, "engine_id", "date", "site", "position", "gap_first_mm", "limit_mm"]].copy()
    for name, values in (
        _lifter_signs(found)
        | _company_signs(found, lifters)
        | _job_signs(job, time_limit_s)
        | {"lot": _yes_no(found["lifter_lot"].isin(list(lots)), found["lifter_lot"].notna() & bool(lots))}
        | {"gauge": _gauge_sign(found, gauge_shift_mm or {})}
    ).items():
        out[name] = pd.Series(values, index=out.index, dtype="str")
    return out[[*KEY, "engine_id", "date", "site", "position", "gap_first_mm", "limit_mm", *SIGNS]]


def _numbers(frame: pd.DataFrame, name: str) -> np.ndarray:
    if name not in frame.columns:
        return np.full(len(frame), np.nan)
    return frame[name].to_numpy(dtype=np.float64, na_value=np.nan)


def _choose(known: np.ndarray, *choices: tuple[np.ndarray, str], default: str) -> np.ndarray:
    conditions = [~known, *(condition for condition, _ in choices)]
    return np.select(conditions, ["", *(word for _, word in choices)], default=default).astype(object)


def _yes_no(said: pd.Series | np.ndarray, known: pd.Series | np.ndarray) -> np.ndarray:
    said, known = np.asarray(said, dtype=bool), np.asarray(known, dtype=bool)
    return _choose(known, (said, "yes"), default="no")


def _lifter_signs(found: pd.DataFrame) -> dict[str, np.ndarray]:
    """Signs of the lifter's own readings."""
    gap, u = _numbers(found, "gap_first_mm"), _numbers(found, "gauge_u_mm")
    once, slack = _numbers(found, "gap_at_once_mm"), _numbers(found, "gap_no_force_mm")
    second, at = _numbers(found, "second_gap_mm"), _numbers(found, "second_force_N")
    force, hold = _numbers(found, "force_N"), _numbers(found, "hold_s")
    read_at = np.nan_to_num(_numbers(found, "gap_at_once_time_s"), nan=0.5)
    grown = gap - once
    rocker = _numbers(found, "rocker_ratio")
    seconds = np.where(hold > read_at, hold - read_at, np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        rate = 1000 * grown / (seconds * np.nan_to_num(rocker, nan=1.0))
        half = (at / force > HALF_FORCE[0]) & (at / force < HALF_FORCE[1]) & ~np.isnan(second)
        rest = np.nan_to_num(slack, nan=0.0)
        ratio = (gap - rest) / (second - rest)
    half &= np.isfinite(ratio) & (ratio > 0) & (gap - rest > NOISE * u)  # else the ratio is noise
    # readings that contradict each other are no sign of anything until they are read again
    usable = (found["cause"] != "contradictory").to_numpy(dtype=bool)
    half &= usable
    cause = found["cause"].where(found["cause"].isin(SIGNS["verdict"]), "").fillna("").to_numpy(dtype=object)
    bottomed = _numbers(found, "bottomed_probability")
    after_run = lifter.tell_after_run(found.rename(columns={"gap_first_mm": "gap_mm"}))
    smaller = after_run == "smaller"
    cured = found["cured"].fillna(False).to_numpy(dtype=bool)
    return {
        "growth": _choose(
            ~np.isnan(grown) & ~np.isnan(rate) & usable,
            (grown <= NOISE * u, "none"),
            (rate >= FAST_GROWTH_UM_PER_S, "fast"),
            default="slow",
        ),
        "force_ratio": _choose(half, (ratio < RATIOS[0], "one"), (ratio > RATIOS[1], "leak"), default="air"),
        "no_force": _choose(~np.isnan(slack) & usable, (slack >= 0.5 * gap, "most"), default="little"),
        "bottomed": _choose(
            ~np.isnan(bottomed) & usable, (bottomed >= 0.8, "yes"), (bottomed <= 0.05, "no"), default=""
        ),
        "verdict": cause,
        "after_run": _choose(
            (after_run != "") & usable,
            (cured & smaller, "cured"),
            (smaller, "smaller"),
            (after_run == "worse", "worse"),
            default="same",
        ),
        "near_limit": _yes_no(found["near_limit_first"].fillna(False), found["near_limit_first"].notna()),
    }


def _company_signs(found: pd.DataFrame, lifters: pd.DataFrame) -> dict[str, np.ndarray]:
    """Signs of the other lifters: of the venting, of the engine's other ventings, of the lifter's other places."""
    over = found.groupby("venting_id").size()
    checked = lifters[lifters["over_first"].notna()].groupby("venting_id").size()
    n, of = found["venting_id"].map(over).to_numpy(float), found["venting_id"].map(checked).to_numpy(float)
    rank = _numbers(found, "feed_rank")
    last = lifters.groupby("venting_id")["feed_rank"].max()
    first_to_last = found["venting_id"].map(last).to_numpy(dtype=np.float64, na_value=np.nan)
    share = pd.Series(rank / first_to_last).groupby(found["venting_id"]).transform("mean").to_numpy()
    near = (1 + 1 / np.maximum(first_to_last, 1)) - PLACE
    ventings = lifters.groupby("engine_id")["venting_id"].nunique()
    returned = found["engine_id"].map(ventings).to_numpy(float) > 1
    same_place = found.groupby(["engine_id", "cylinder", "valve"])["venting_id"].transform("nunique") > 1
    named = found["lifter_id"].notna()
    seen = lifters.groupby("lifter_id")["venting_id"].nunique()
    met = found["lifter_id"].map(seen).fillna(0).to_numpy(float) > 1
    bad = found[named].groupby("lifter_id")["venting_id"].nunique()
    again = found["lifter_id"].map(bad).fillna(0).to_numpy(float) > 1
    return {
        "spread": _choose(of > 0, (n == 1, "one"), (n > of / 2, "widespread"), default="several"),
        "place": _choose(
            ~np.isnan(share) & (first_to_last > 1),
            (share >= PLACE, "far"),
            (share <= near, "near"),
            default="",
        ),
        "same_place": _yes_no(same_place, returned),
        "same_lifter": _yes_no(again, np.asarray(named) & met),
    }


def _job_signs(job: pd.DataFrame, time_limit_s: float | None) -> dict[str, np.ndarray]:
    """Signs of the venting itself."""
    lines, cooler = job["lines_empty"], job["cooler_empty"]
    empty = lines.fillna(False).to_numpy(bool) | cooler.fillna(False).to_numpy(bool)
    told = empty | (lines.notna().to_numpy() & cooler.notna().to_numpy())
    rest, hours = _numbers(job, "rest_before_start_h"), _numbers(job, "hours_since_overhaul_h")
    ratio, high = _numbers(job, "rotations_ratio"), _numbers(job, "expected_high")
    turned = _numbers(job, "rotations_low")
    beyond = (ratio > LONG_ROTATIONS) & ~(turned <= high)
    low_s, high_s = _numbers(job, "time_low_s"), _numbers(job, "time_high_s")
    limit = np.nan if time_limit_s is None else time_limit_s
    late, in_time = low_s >= limit, high_s <= limit
    steady = job["pressure_steady"].where(job["pressure_steady"].isin(SIGNS["pressure"]), "").fillna("")
    reason = job["reason"]
    return {
        "lines": _choose(told, (empty, "empty"), default="filled"),
        "rest": _choose(~np.isnan(rest), (rest > LONG_REST_H, "long"), default="short"),
        "turned_back": _yes_no(job["turned_backwards"].fillna(False), job["turned_backwards"].notna()),
        "ran_low": _yes_no(job["tank_ran_low"].fillna(False), job["tank_ran_low"].notna()),
        "pressure": steady.to_numpy(dtype=object),
        "rotations": _choose(
            ~np.isnan(ratio), (beyond, "long"), (ratio < SHORT_ROTATIONS, "short"), default="expected"
        ),
        "to_pressure": _choose(late | in_time, (late, "late"), default="in_time"),
        "hours": _choose(~np.isnan(hours), (hours >= MANY_HOURS_H, "many"), default="few"),
        "stored": _yes_no(reason == "long_standing", reason.notna()),
        "assembled": _yes_no(reason.isin(["new_engine", "overhauled_engine"]), reason.notna()),
    }


def _gauge_sign(found: pd.DataFrame, shift_mm: Mapping[str, float]) -> np.ndarray:
    shift = found["gauge"].map(dict(shift_mm)).astype("float64").to_numpy()
    known = found["gauge"].notna().to_numpy() & bool(shift_mm)
    gap, limit = _numbers(found, "gap_first_mm"), _numbers(found, "limit_mm")
    return _yes_no(np.nan_to_num(shift, nan=0.0) > np.maximum(gap - limit, 0), known)
