"""Small invented shops at random: a few sites, engines, quarters, forms filled in well and badly."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import numpy as np

from check_values import gap_limits
from invented_store import write_store

Rows = list[dict[str, Any]]
TODAY = dt.date(2026, 10, 7)
GAUGES = ("HG-1", "HG-2", None)


def make_tables(seed: int) -> dict[str, Rows]:
    """Record tables of a shop: 6 to 90 ventings of 1 to 30 engines at 1 to 3 sites within 9 to 18 months.

    What is recorded, how often lifters fail, are pressed too lightly, are read again after a run or not at all, and how
    often starts are given up all differ from shop to shop.
    """
    rng = np.random.default_rng(seed)
    chance = rng.uniform(0, 1, 8)
    ventings_n, engines_n = int(rng.integers(6, 91)), int(rng.integers(1, 31))
    sites = ["Harbour", "Ridge & Co", "Lake"][: int(rng.integers(1, 4))]
    kinds = ["flat4", "flat4t", "flat6"][: int(rng.integers(1, 4))]
    engines: Rows = []
    for k in range(engines_n):
        kind = kinds[int(rng.integers(len(kinds)))]
        engines.append(
            {
                "engine_id": f"E{k:03d}", "engine_type": kind, "cylinders": 6 if kind == "flat6" else 4,
                "valves_per_cylinder": 2, "turbocharged": kind == "flat4t",
            }
        )  # fmt: skip
    days = int(rng.integers(270, 550))
    tables: dict[str, Rows] = {"engines": engines, "ventings": [], "starts": [], "lifter_checks": []}
    for k in range(ventings_n):
        engine = engines[int(rng.integers(engines_n))]
        day = TODAY - dt.timedelta(days=int(rng.integers(7, days)))
        given_up = bool(rng.random() < 0.1 * chance[0])
        venting = {
            "venting_id": f"V{k:04d}", "engine_id": engine["engine_id"], "date": day,
            "site": sites[int(rng.integers(len(sites)))],
            "reason": ("overhaul", "oil_change", "lines_opened")[int(rng.integers(3))],
            "rotations": int(rng.integers(5, 200)), "rotations_counted_at": "crankshaft", "pressure_shown": not given_up,
            "closed": day + dt.timedelta(days=3) if rng.random() < chance[1] else None,
            "lifter_lot": f"L{int(rng.integers(3))}" if rng.random() < chance[2] else None,
            "cooler_empty": bool(rng.random() < 0.3) if rng.random() < chance[2] else None,
            "recorded_because": "finding_only" if rng.random() < 0.02 * chance[3] else "every_job",
        }  # fmt: skip
        tables["ventings"].append(venting)
        tables["starts"] += _make_starts(rng, venting, engine, chance[4])
        if rng.random() < 0.5 + 0.5 * chance[5]:
            tables["lifter_checks"] += _make_checks(rng, venting, engine, 0.1 * chance[6], 0.2 * chance[7])
    return tables


def _make_starts(rng: np.random.Generator, venting: Rows | Any, engine: Any, recorded: float) -> Rows:
    if rng.random() > 0.5 + recorded / 2:
        return []
    shown = bool(rng.random() > 0.05)
    first = {
        "venting_id": venting["venting_id"], "start_no": 1, "time_to_pressure_s": float(np.round(rng.gamma(6, 0.5) * 2) / 2),
        "pressure_shown": shown, "reading_step_s": 0.5 if rng.random() < recorded else None,
    }  # fmt: skip
    if engine["turbocharged"] and shown:
        first |= {
            "return_flow_time_s": float(rng.integers(2, 14)),
            "return_flow_seen": bool(rng.random() < 0.9),
        }
    return [
        first,
        {"venting_id": venting["venting_id"], "start_no": 2, "pressure_shown": True, "extra_run_s": 300.0},
    ]


def _make_checks(rng: np.random.Generator, venting: Any, engine: Any, failing: float, light: float) -> Rows:
    rows: Rows = []
    gauge = GAUGES[int(rng.integers(len(GAUGES)))]
    for cylinder in range(1, engine["cylinders"] + 1):
        for valve in ("inlet", "exhaust"):
            if rng.random() < 0.03:
                continue
            bad = rng.random() < failing
            gap = float(np.round(rng.uniform(0.5, 0.9) if bad else rng.gamma(4, 0.05), 2))
            row = {
                "venting_id": venting["venting_id"], "check_no": 1, "after_start": 1, "cylinder": cylinder, "valve": valve,
                "gap_mm": gap, "force_N": 30.0 if rng.random() < light else 70.0, "hold_s": 3.0, "gauge": gauge,
            }  # fmt: skip
            rows.append(row)
            if gap > 0.45 and rng.random() < 0.7:
                again = float(np.round(gap * rng.uniform(0.2, 1.0), 2))
                rows.append(row | {"check_no": 2, "after_start": 2, "gap_mm": again})
    return rows


def make_random_store(folder: Path, seed: int) -> Path:
    """A store of such a shop in ``folder``, with a manual's limits beside it in two of three."""
    folder.mkdir(parents=True, exist_ok=True)
    high = (0.5, 0.4, None)[seed % 3]
    if high is not None:
        (folder / "limits.toml").write_text(gap_limits(high), "utf-8")
    return write_store(folder / "store", make_tables(seed), today=TODAY)
