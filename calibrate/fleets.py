"""Simulated fleets with known truth, for the calibrations of what is named.

A fleet: 300 ventings on 120 engines at 4 sites, 24 recorded circumstances that keep no company unless said, 8 or 12 lifters a
venting. Log odds of a spongy lifter spread between engines, between ventings and between sites; 6 % of lifters are over the
limit where nothing is planted. "Ordinary" fleets spread as workshops do; "rough" ones have an intra-venting correlation of about .15;
in "scattered" ones engines differ twice as much as in ordinary ones.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import optimize, special, stats

from ventbook.statistics import causes

VENTINGS, ENGINES, SITES = 300, 120, ("Harbour", "Ridge", "Plain", "Lake")
RATE, SEED = 0.06, 20261125
SPREADS = {"ordinary": (0.7, 1.05, 0.3), "rough": (0.8, 1.27, 0.3), "scattered": (1.4, 1.05, 0.3)}
LIMIT_MM, SOUND_GAP_MM = 0.5, 0.22
FACTORS = causes.load_factors()


@dataclass(frozen=True)
class Case:
    """One kind of fleet: its spreads, what is planted (added log odds), how high gauge "Harbour 2" reads."""

    fleet: str
    plant: Callable[[pd.DataFrame, np.random.Generator], np.ndarray]
    high_gauge_mm: float = 0.0


def draw_context(
    rng: np.random.Generator, *, ventings: int = VENTINGS, engines: int = ENGINES
) -> tuple[pd.DataFrame, np.ndarray]:
    """A fleet's circumstances, one row a venting, and each venting's engine."""
    engine = np.concatenate([np.arange(engines), rng.integers(0, engines, ventings - engines)])
    n = ventings
    site = np.array(SITES)[rng.integers(0, len(SITES), engines)][engine]

    def yes(share: float) -> np.ndarray:
        return rng.random(n) < share

    def by_engine(values: list[float]) -> np.ndarray:
        return rng.choice(values, engines)[engine]

    oil = rng.normal(18, 6, n).round()
    frame = pd.DataFrame(
        {
            "venting_id": [f"V{i:03}" for i in range(n)],
            "engine_id": [f"E{e:03}" for e in engine],
            "site": site,
            "engine_type": np.array(["flat4", "flat4t", "flat6"])[rng.integers(0, 3, engines)][engine],
            "reason": rng.choice(
                ["new_engine", "overhauled_engine", "lifters_replaced", "cooler_replaced"], n
            ),
            "lines_empty": yes(0.4),
            "cooler_empty": yes(0.25),
            "filter_new": yes(0.5),
            "tank_overpressure_bar": np.where(yes(0.4), 0.5, 0.0),
            "suction_line_length_m": by_engine([1, 1.5, 2, 2.5]),
            "suction_line_bore_mm": by_engine([8, 10, 12]),
            "cooler_volume_L": by_engine([0.0, 0.15, 0.25, 0.35]),
            "tank_head_m": rng.normal(0, 0.3, engines)[engine].round(2),
            "oil_temperature_degC": oil,
            "ambient_temperature_degC": (oil + rng.normal(0, 4, n)).round(),
            "turned_by": np.where(yes(0.3), "starter", "hand"),
            "plugs_removed": yes(0.5),
            "rotations_after_pressure": rng.poisson(10, n),
            "pressure_steady": np.where(yes(0.15), "flickered", "steady"),
            "tank_ran_low": yes(0.08),
            "turned_backwards": yes(0.08),
            "rest_before_start_h": np.exp(rng.normal(2, 1.3, n)).round(1),
            "hours_since_overhaul_h": rng.uniform(0, 1200, n).round(),
            "lifter_lot": rng.choice(list("ABCDE"), n),
            "lifters_reused": yes(0.3),
            "gauge": np.char.add(site.astype(str), rng.choice([" 1", " 2"], n)),
            "oil_grade": rng.choice(["15W-50", "10W-40", "20W-50"], n),
            "procedure_revision": rng.choice(["3", "4"], n),
            "rotations_ratio": np.exp(rng.normal(0, 0.15, n)).round(2),
        }
    )
    frame["lifters_judged_first"] = np.where(frame["engine_type"] == "flat6", 12, 8)
    return frame, engine


def draw_findings(
    case: Case, jobs: pd.DataFrame, engine: np.ndarray, rng: np.random.Generator, *, rate: float = RATE
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """``jobs`` with lifters over the limit, and the lifters' rows; the planted log odds come on top.

    Gaps are log-normal, with a sound lifter at .22 mm and the spread that makes ``rate`` exceed .5 mm; a venting's log odds
    shift its gaps so that exactly that share is over. A gauge that reads high adds its error to every reading.
    """
    spread = SPREADS[case.fleet]
    noise = rng.normal(0, np.sqrt(np.square(spread).sum()), 4000)
    base = optimize.brentq(lambda a: special.expit(a + noise).mean() - rate, -15, 3)
    site = pd.factorize(jobs["site"])[0]
    logit = (
        base
        + rng.normal(0, spread[0], int(engine.max()) + 1)[engine]
        + rng.normal(0, spread[1], len(jobs))
        + rng.normal(0, spread[2], len(SITES))[site]
        + case.plant(jobs, rng)
    )
    share = np.clip(special.expit(logit), 1e-9, 1 - 1e-9)
    row = np.repeat(np.arange(len(jobs)), jobs["lifters_judged_first"])
    sd = np.log(LIMIT_MM / SOUND_GAP_MM) / stats.norm.isf(rate)
    gap = LIMIT_MM * np.exp(sd * (rng.normal(size=len(row)) - special.ndtri(1 - share)[row]))
    gap = gap + np.where(jobs["gauge"].to_numpy()[row] == "Harbour 2", case.high_gauge_mm, 0.0)
    number = np.arange(len(row)) - np.repeat(
        np.cumsum(jobs["lifters_judged_first"]) - jobs["lifters_judged_first"], jobs["lifters_judged_first"]
    )
    lifters = (
        jobs[["venting_id", "engine_id", "site", "gauge"]]
        .iloc[row]
        .assign(
            gap_first_mm=gap,
            gap_first_corrected_mm=gap,
            limit_mm=LIMIT_MM,
            cylinder=number // 2 + 1,
            valve=np.where(number % 2 == 0, "inlet", "exhaust"),
            over_first=pd.array(gap > LIMIT_MM, dtype="boolean"),
        )
    )
    over = np.bincount(row, weights=gap > LIMIT_MM, minlength=len(jobs))
    return jobs.assign(lifters_over_first=over), lifters


def plant_nothing(jobs: pd.DataFrame, rng: np.random.Generator) -> np.ndarray:
    """No cause."""
    return np.zeros(len(jobs))


def plant_cooler(jobs: pd.DataFrame, rng: np.random.Generator, *, odds_ratio: float) -> np.ndarray:
    """An empty cooler, in a quarter of ventings."""
    return np.log(odds_ratio) * jobs["cooler_empty"].to_numpy(float)
