"""The invented fleet as record tables, with the planted truth beside them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import timedelta
from typing import Any, cast

import numpy as np
import pandas as pd

from ventbook import tables
from ventbook.demo.checks import (
    bleed_by_running,
    draw_checks,
    draw_lifters,
    draw_recheck,
    draw_study,
    explain_failure,
    limit_mm,
)
from ventbook.demo.settings import check_plant, hand_in_day, list_quarters, read_settings
from ventbook.demo.ventings import (
    add_extra_run,
    draw_engines,
    draw_first_start,
    draw_pumps,
    draw_traces,
    draw_ventings,
)
from ventbook.tables.units import convert

# Cells that a workshop forgets now and then; what is required is always filled in.
FORGOTTEN = {
    "ventings": {
        "hours_since_overhaul_h": 1.0,
        "lifter_lot": 1.5,
        "suction_line_length_m": 1.0,
        "suction_line_bore_mm": 1.0,
        "cooler_volume_L": 1.0,
        "filter_volume_L": 1.5,
        "cooler_empty": 0.5,
        "lines_empty": 0.5,
        "oil_temperature_degC": 1.0,
        "ambient_temperature_degC": 1.0,
        "tank_head_m": 2.0,
        "tank_overpressure_bar": 0.7,
        "pressurised_before_turning_s": 2.0,
        "turning_speed_rpm": 3.0,
        "plugs_removed": 1.0,
        "rotations_after_pressure": 6.0,
        "pressure_threshold_bar": 2.0,
        "pressure_steady": 2.0,
        "pressure_at_stop_bar": 2.0,
        "rest_before_start_h": 1.5,
        "crank_rest": 6.0,
    },
    "starts": {
        "first_hold_s": 2.0,
        "first_hold_speed_rpm": 2.0,
        "warmup_speed_max_rpm": 2.0,
        "warmup_end_oil_temperature_degC": 1.5,
        "return_flow_time_s": 1.5,
        "extra_run_speed_rpm": 1.5,
    },
    "lifter_checks": {
        "after_start": 1.0,
        "hold_s": 1.0,
        "oil_temperature_degC": 2.0,
        "feel": 2.0,
        "lifter_id": 1.0,
    },
}
# How the workshop in US units reads: unit and decimals by canonical unit.
US_READING = {
    "mm": ("in", 3),
    "m": ("ft", 1),
    "L": ("qt", 2),
    "bar": ("psi", 0),
    "degC": ("degF", 0),
    "N": ("lbf", 1),
}
US_COLUMNS = {
    "ventings": (
        "suction_line_length_m",
        "suction_line_bore_mm",
        "cooler_volume_L",
        "filter_volume_L",
        "oil_temperature_degC",
        "ambient_temperature_degC",
        "elevation_m",
        "tank_head_m",
        "tank_overpressure_bar",
        "pressure_threshold_bar",
        "pressure_at_stop_bar",
    ),
    "starts": ("warmup_end_oil_temperature_degC",),
    "lifter_checks": (
        "force_N",
        "gap_at_once_mm",
        "gap_no_force_mm",
        "second_force_N",
        "second_gap_mm",
        "gap_mm",
        "gap_at_once_force_N",
        "late_gap_mm",
        "gap_released_mm",
        "oil_temperature_degC",
    ),
}


@dataclass(frozen=True)
class Fleet:
    """Record tables of the invented fleet (stored column names, canonical units) and what was planted in them.

    ``truth`` holds "planted" (a dict a cause), "ventings" (a frame: venting_id, rotations_crank, fixed_log_odds,
    time_to_pressure_s, logged, late_to: the quarter it is handed in) and "lifters" (a frame a lifter and venting:
    cause "air", "leak_down", "bottomed" or "", the free air at the first check, leak speed at reference force), "failures"
    (a list, one entry a venting with a reading over the limit at the first check; see ``causes.explain_failure``) and
    "readings" (a dict: where the force rises between the readings of a press, from which share of it, and who notes it) and
    "let_through" (a dict: engine_id of each pump that lets air through to displacements a second and bar).
    """

    engines: pd.DataFrame
    ventings: pd.DataFrame
    starts: pd.DataFrame
    lifter_checks: pd.DataFrame
    samples: pd.DataFrame
    gauge_readings: pd.DataFrame
    planned: pd.DataFrame
    truth: dict[str, Any]

    def tables(self) -> dict[str, pd.DataFrame]:
        """The record tables by name."""
        return {name: getattr(self, name) for name in tables.record_tables()}


def simulate_fleet(
    *, ventings: int = 600, seed: int | None = None, plant: Iterable[str] | None = None, traces: bool = True
) -> Fleet:
    """An invented fleet with planted causes.

    ``ventings`` is the number of ventings (10 or more); ``seed`` None takes the one of ``data/demo_fleet.toml``;
    ``plant`` names the causes to plant (None: all; an empty list: an innocent fleet, where workshops differ in
    habits only); ``traces`` False leaves the samples empty. The same arguments give the same fleet.

    Raises ValueError naming the argument, what is allowed and what came.
    """
    if ventings < 10:
        raise ValueError(f"ventings must be 10 or more; got {ventings}")
    planted = check_plant(plant)
    seed = read_settings()["fleet"]["seed"] if seed is None else seed
    streams = [np.random.default_rng(s) for s in np.random.SeedSequence(seed).spawn(7)]
    engines = draw_engines(ventings, streams[0])
    draw_pumps(engines, streams[6])
    jobs = draw_ventings(engines, ventings, planted, streams[1], streams[6])
    starts: list[dict[str, Any]] = []
    checks: list[dict[str, Any]] = []
    traced: list[dict[str, np.ndarray]] = []
    hidden: list[pd.DataFrame] = []
    failures: list[dict[str, Any]] = []
    for job in jobs:
        own_starts = draw_first_start(job, streams[2])
        draw_lifters(job, planted, streams[3])
        hidden.append(_describe_lifters(job))
        own_checks = draw_checks(job, planted, streams[3])
        failures += explain_failure(job, planted)
        own_checks += _run_again(job, own_starts, planted, streams[3])
        traced += draw_traces(job, own_starts[0], streams[4]) if traces else []
        starts += own_starts
        checks += own_checks
        _close(job, streams[5])
    studies = [row for study in read_settings()["study"] for row in draw_study(study, planted, streams[5])]
    frames = {
        "engines": as_table(engines, "engines"),
        "ventings": as_table(jobs, "ventings"),
        "starts": as_table(starts, "starts"),
        "lifter_checks": as_table(checks, "lifter_checks"),
        "gauge_readings": as_table(studies, "gauge_readings"),
        "planned": as_table(_plan(engines, streams[5], streams[6]), "planned"),
        "samples": _join_traces(traced),
    }
    round_us(frames)
    forget(frames, streams[5])
    frames = {name: _sort(frame, name) for name, frame in frames.items()}
    return Fleet(**frames, truth=_tell_truth(jobs, engines, hidden, failures, planted, seed))


def _run_again(
    job: dict[str, Any], starts: list[dict[str, Any]], planted: tuple[str, ...], rng: np.random.Generator
) -> list[dict[str, Any]]:
    """Extra runs and further checks after a finding; now and then only a second look."""
    checks: list[dict[str, Any]] = []
    over = np.nan_to_num(job["_gaps"], nan=0.0) > limit_mm()
    job["_troubled"] = bool(over.any())
    if not over.any() or rng.random() < 0.06:
        return checks
    number = 1
    if rng.random() < 0.10:
        number += 1
        checks += draw_recheck(job, number, starts[-1]["start_no"], over, planted, rng)
        over = np.nan_to_num(job["_gaps"], nan=0.0) > limit_mm()
    for _ in range(2):
        if not over.any():
            break
        after = add_extra_run(job, starts, rng)
        bleed_by_running(job, rng)
        number += 1
        checks += draw_recheck(job, number, after, over, planted, rng)
        over = np.nan_to_num(job["_gaps"], nan=0.0) > limit_mm()
    return checks


def _close(job: dict[str, Any], rng: np.random.Generator) -> None:
    """Troubled jobs close later, and their papers come a delivery later more often."""
    days = 1 + int(rng.gamma(2.0, 12.0 if job["_troubled"] else 2.5))
    job["closed"] = job["date"] + timedelta(days=days)
    quarters = list_quarters()
    if np.any(np.nan_to_num(job["_gaps"], nan=0.0) > limit_mm()):
        # What no run cures is either followed up under a new job or stays open.
        recent = job["_quarter"] >= quarters[-2] and rng.random() < 0.6
        job["closed"] = None if recent else job["closed"]
        job["remarks"] = job["remarks"] or "lifter to be changed under a new job"
    if job["closed"] is not None and job["closed"] > hand_in_day(quarters[-1]):
        job["closed"] = None
    own = quarters.index(job["_quarter"])
    late = rng.random() < (0.15 if job["_troubled"] else 0.04)
    job["_delivery"] = quarters[min(own + late, len(quarters) - 1)]


def _describe_lifters(job: dict[str, Any]) -> pd.DataFrame:
    lifters = job["_lifters"]
    leaking = lifters["leak"] > 10
    cause = np.select([lifters["bottomed"], leaking, lifters["spongy"]], ["bottomed", "leak_down", "air"], "")
    cause = np.where(leaking & lifters["spongy"] & ~lifters["bottomed"], "both", cause)
    return pd.DataFrame(
        {
            "venting_id": job["venting_id"],
            "cylinder": lifters["cylinder"],
            "valve": lifters["valve"],
            "cause": cause,
            "air_mm3": np.round(lifters["air"], 2),
            "leak_um_per_s": np.round(lifters["leak"], 2),
        }
    )


def _plan(
    engines: list[dict[str, Any]], rng: np.random.Generator, pumps: np.random.Generator
) -> list[dict[str, Any]]:
    """Ventings to come in the weeks after the last delivery, drawn like those that were done."""
    after = hand_in_day(list_quarters()[-1])
    rows = draw_ventings(engines, 6, (), rng, pumps)
    for number, row in enumerate(rows, 1):
        row["venting_id"] = f"plan-{number}"
        row["date"] = after + timedelta(days=5 + 4 * number)
    return rows


def _join_traces(traced: list[dict[str, np.ndarray]]) -> pd.DataFrame:
    table = tables.record_tables()["samples"]
    if not traced:
        return as_table([], "samples")
    frame = pd.DataFrame(
        {c.stored: np.concatenate([trace[c.stored] for trace in traced]) for c in table.columns}
    )
    return frame.astype({c.stored: cast(Any, c.dtype) for c in table.columns})


def as_table(rows: list[dict[str, Any]], name: str) -> pd.DataFrame:
    """Rows as a frame of the table's stored columns and dtypes; keys that the table does not have are dropped."""
    columns = tables.record_tables()[name].columns
    data = {}
    for column in columns:
        values = [row.get(column.stored) for row in rows]
        if column.kind in ("date", "datetime"):
            days = pd.DatetimeIndex([pd.NaT if v is None else pd.Timestamp(v) for v in values])
            data[column.stored] = pd.Series(days, dtype="datetime64[us]")
        else:
            data[column.stored] = pd.Series(values, dtype=object).astype(cast(Any, column.dtype))
    return pd.DataFrame(data)


def _sites(frames: dict[str, pd.DataFrame], name: str) -> pd.Series:
    """The site of each row of a table that carries venting_id."""
    if name == "ventings":
        return frames["ventings"]["site"]
    return frames[name]["venting_id"].map(frames["ventings"].set_index("venting_id")["site"])


def round_us(frames: dict[str, pd.DataFrame]) -> None:
    """Quantities of the workshop in US units become what a person reads there, so that both units are exact."""
    own = [site["name"] for site in read_settings()["site"] if site.get("us_units")]
    for name, columns in US_COLUMNS.items():
        mask = _sites(frames, name).isin(own).to_numpy()
        for stored in columns:
            unit, decimals = US_READING[tables.record_tables()[name].column(stored).unit]
            frames[name].loc[mask, stored] = round_in_unit(
                frames[name].loc[mask, stored].to_numpy(), stored.rsplit("_", 1)[-1], unit, decimals
            )


def round_in_unit(values: np.ndarray, canonical: str, unit: str, decimals: int) -> np.ndarray:
    """Canonical values that come out exactly when the value rounded in ``unit`` is converted back.

    Converted values carry nine decimals, as those that are taken in do.
    """
    back = convert(np.round(convert(values, canonical, unit), decimals) + 0.0, unit, canonical)
    return np.asarray(np.rint(np.asarray(back) * 1e9) / 1e9)


def forget(frames: dict[str, pd.DataFrame], rng: np.random.Generator) -> None:
    base = {site["name"]: site["missing"] for site in read_settings()["site"]}
    for name, columns in FORGOTTEN.items():
        share = _sites(frames, name).map(base).to_numpy(dtype=float)
        if name == "lifter_checks":  # a whole sheet lacks a column, not single cells
            sheet = pd.factorize(frames[name]["venting_id"])[0]
            draws = (
                [rng.random(sheet.max() + 1)[sheet] for _ in columns]
                if sheet.size
                else [sheet] * len(columns)
            )
        else:
            draws = [rng.random(share.size) for _ in columns]
        for draw, (stored, factor) in zip(draws, columns.items(), strict=True):
            frames[name].loc[draw < np.minimum(share * factor, 0.9), stored] = None


def _sort(frame: pd.DataFrame, name: str) -> pd.DataFrame:
    return frame.sort_values(list(tables.record_tables()[name].key), kind="stable").reset_index(drop=True)


def _tell_truth(
    jobs: list[dict[str, Any]],
    engines: list[dict[str, Any]],
    hidden: list[pd.DataFrame],
    failures: list[dict[str, Any]],
    planted: tuple[str, ...],
    seed: int,
) -> dict[str, Any]:
    settings = read_settings()
    ventings = pd.DataFrame(
        {
            "venting_id": [job["venting_id"] for job in jobs],
            "rotations_crank": [round(job["_rotations_crank"], 2) for job in jobs],
            "fixed_log_odds": [round(job["_fixed"], 3) for job in jobs],
            "time_to_pressure_s": [round(job["_time_to_pressure"], 3) for job in jobs],
            "logged": [job.get("_logged", False) for job in jobs],
            "handed_in": [job["_delivery"] for job in jobs],
        }
    )
    return {
        "seed": seed,
        "planted": {name: dict(settings["plant"][name]) for name in planted},
        "ventings": ventings,
        "lifters": pd.concat(hidden, ignore_index=True),
        "failures": failures,
        "readings": {
            "force_rises_at": [site["name"] for site in settings["site"] if site.get("force_rises")],
            "force_at_once_share": settings["habits"]["force_at_once_share"],
            "noted_from_form": "3",
            "noted_at": [site["name"] for site in settings["site"] if site.get("notes_force")],
        },
        "let_through": {
            engine["engine_id"]: round(engine["_let_through"], 3)
            for engine in engines
            if engine["_let_through"]
        },
        "today": hand_in_day(list_quarters()[-1]),
    }
