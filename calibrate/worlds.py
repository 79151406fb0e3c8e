"""Fleets drawn without the library: records as a workshop hands them in, with the truth behind them.

Nothing here is shared with the invented fleet of ``ventbook demo``, with ``fleets.py`` or with a model of the library: a venting's
lifters are spongy or not by a logistic chance, gaps of sound and of spongy lifters come from two populations without a common
scale, times are log-normal, rotations are the air and oil volumes over the pump's displacement, loggers' samples are made second by second.

A fleet: 300 ventings on 120 engines at 4 sites from October 2024 to September 2026, 8 or 12 lifters each, 2 gauges a
site. Log odds of a spongy lifter spread between engines (.6), ventings (.6) and sites (.2) about 4 %, so that three in ten
ventings fail. In a planted fleet an empty cooler (a quarter of ventings) multiplies the odds by 4 and the times by 1.3. Worlds differ from
the first in what their row of WORLDS says.
"""

from __future__ import annotations

import datetime as dt
import zlib
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
import pandas as pd

SEED = 20261130
SITES = ("Harbour", "Ridge", "Plain", "Lake")
FIRST, DAYS, TODAY = dt.date(2024, 10, 1), 730, dt.date(2026, 10, 10)
TYPES = ("flat4", "flat4t", "flat6")
DISPLACEMENT, GALLERY = np.array([7.0, 8.0, 10.0]), np.array([150.0, 190.0, 220.0])
CYLINDERS = np.array([4, 4, 6])
LIMIT_MM, BASE, TIME_RATIO = 0.5, -3.4, 1.3
FLAGS = ("lines_empty", "cooler_empty", "filter_new", "plugs_removed", "tank_ran_low", "turned_backwards")
ASKED = (*FLAGS, "turned_by", "pressure_steady")
PLANNED = 12
MENDED = 457  # the day from which something is otherwise: 2026-01-01
LEAKING = 0.2  # share of lifters spongy without what is planted that leak down; in the others is air
DRAWS = 6_000  # ventings behind what is true on the whole
DRIFTED = 5  # quarters from the third on that a gauge has drifted for in the last one
LIMITS = {
    "lifter_gap": {"high": LIMIT_MM, "unit": "mm"},
    "check_force": {"low": 63.0, "high": 77.0, "reference": 70.0, "unit": "N"},
    "time_to_pressure": {"high": 10.0, "unit": "s"},
    "pressure_threshold": {"low": 0.4, "unit": "bar"},
    "rotations_max": {"high": 400.0, "unit": "1"},
    "tank_overpressure": {"low": 0.5, "high": 1.2, "unit": "bar"},
    "tank_overpressure_when_empty": {"low": 0.5, "unit": "bar"},
    "first_hold": {"low": 100.0, "unit": "s"},
}


@dataclass(frozen=True)
class World:
    """One kind of fleet. ``like``: as the library's models take fleets to be; ``plant``: what acts ("" = nothing)."""

    name: str
    plant: str = ""
    like: bool = False
    site_spread: float = 0.2
    engine_spread: float = 0.6
    fuller: bool = False  # sheets and checks of failing ventings are on record more often
    flipped: float = 0.0  # share of yes/no circumstances written down wrongly
    drift_mm: float = 0.0  # a gauge of Harbour reads so much more each quarter from the third on
    heaped: float = 0.0  # share of rotation counts rounded to tens; a twentieth of all given up early
    logger_hz: float = 0.0  # times from samples, one in eight cut short, instead of a stopwatch
    skewed: bool = False  # half of all ventings on a dozenth of the engines
    season: bool = False  # empty coolers and spongy lifters are three times as frequent in winter


PLANTS = {
    "cooler": "empty cooler: odds x 4, times x 1.3",
    "both": "empty cooler without tank pressure: odds x 8",
    "site": "odds at Harbour x 5 in the last three quarters",
    "lot": "lot F from 2026 on: odds x 10",
    "step": "tank left without pressure at Plain in 7 of 10",
    "pump": "pumps let air through",
    "mended": "empty cooler: odds x 8, in half of ventings; none is left empty from 2026 on",
    "place": "lifters of cylinder 1: odds x 4",
    "engine": "one engine in three: odds x 12, the others x 0.4",
}
AS_TAKEN = World("as the models take it", like=True)
ALIKE = World("engines and sites alike", like=True, site_spread=0.0, engine_spread=0.0)
_BOTH = (
    World("sites and engines differ strongly", site_spread=1.0, engine_spread=1.4),
    World("failed jobs recorded more fully", fuller=True),
    World("one flag in ten wrong", flipped=0.1),
    World("few engines vented often", skewed=True),
    World("mix by season", season=True),
    World("a gauge drifts", drift_mm=0.04),
)
#: Innocent and planted fleets of each world that touches failing; then those that touch counts and times alone, and one planted
#: kind for each further statement.
WORLDS = (
    AS_TAKEN,
    replace(AS_TAKEN, plant="cooler"),
    *(replace(world, plant=plant) for world in _BOTH for plant in ("", "cooler")),
    World("two causes that act together", plant="both"),
    World("heaped and given-up counts", heaped=0.6),
    *(World(f"logger at {hz} Hz, cut traces", plant="cooler", logger_hz=hz) for hz in (1, 2, 10)),
    *(replace(AS_TAKEN, plant=plant) for plant in ("site", "lot", "step", "pump", "mended", "place")),
    ALIKE,
    replace(ALIKE, plant="engine"),
)


@dataclass(frozen=True)
class Truth:
    """What is true of one fleet. Shares are of ventings that would be drawn without end at these sites."""

    failing: dict[str, float] = field(default_factory=dict)  # by site, "" = all
    median_s: float = 0.0
    avoidable: int = 0  # failing ventings that would have none without what is planted
    jobs: pd.DataFrame = field(
        default_factory=pd.DataFrame
    )  # by venting: rotations needed without any luck, FLAGS as they were
    planned: pd.DataFrame = field(
        default_factory=pd.DataFrame
    )  # chance, rotations, time_s of each planned venting


@dataclass(frozen=True)
class Drawn:
    """Record tables by name (stored columns), samples of logged starts ("" else) and the truth."""

    tables: dict[str, pd.DataFrame]
    samples: pd.DataFrame
    truth: Truth


def draw_world(world: World, number: int) -> Drawn:
    """The fleet of that number: the same one each time."""
    rng = np.random.default_rng([SEED, number, zlib.crc32((world.name + world.plant).encode())])
    sites = rng.normal(0, world.site_spread, len(SITES))
    engines = _draw_engines(world, rng, 120)
    luck = rng.normal(0, world.engine_spread, 120) + _bad_engines(world)
    share = np.where(np.arange(120) < 10, 11.0, 1.0) if world.skewed else np.ones(120)
    who = rng.choice(120, 300, p=share / share.sum())
    jobs = _draw_jobs(world, rng, engines.iloc[who].reset_index(drop=True))
    logit = BASE + sites[jobs["_site"]] + luck[who] + rng.normal(0, 0.6, 300)
    chance = rng.random((300, 12))
    own = np.arange(12) < jobs["_lifters"].to_numpy()[:, None]
    logit = logit + _season(world, jobs)
    acts = _acting(world, jobs)
    first = np.where(np.arange(12) < 2, _first(world), 0.0)
    spongy = own & (chance < _expit((logit + acts)[:, None] + first))
    without = own & (chance < _expit(logit)[:, None])
    failed = spongy.any(axis=1)
    log_time = _log_time(world, rng, jobs, rng.normal(0, 0.2, 120)[who])
    needed = _needed(world, jobs)
    turns = _rotations(rng, needed, rng.normal(0, 0.04, 120)[who])
    starts, samples = _draw_starts(world, rng, jobs, np.exp(log_time))
    checks, more = _draw_checks(world, rng, jobs, spongy, without)
    written = _write_down(world, rng, jobs, failed, turns)
    if world.fuller:
        gone = set(jobs["venting_id"][~failed & (rng.random(300) < 0.25)])
        checks = checks[~checks["venting_id"].isin(gone)]
    plan = _draw_planned(world, rng, engines, sites)
    truth = Truth(
        _true_shares(world, rng, sites), _true_median(world), int((failed & ~without.any(axis=1)).sum()),
        jobs.set_index("venting_id")[list(FLAGS)].assign(needed=needed), plan,
    )  # fmt: skip
    hidden = [c for c in engines if c.startswith("_")]
    tables = {
        "engines": engines.drop(columns=hidden),
        "ventings": written,
        "starts": pd.concat([starts, more], ignore_index=True),
        "lifter_checks": checks.reset_index(drop=True),
        "planned": plan[["venting_id", "engine_id", "date", "site", *_SHARED]],
    }
    return Drawn(tables, samples, truth)


_SHARED = (
    "reason", "lifter_lot", "suction_line_length_m", "suction_line_bore_mm", "cooler_volume_L", "filter_volume_L", "lines_empty",
    "cooler_empty", "filter_new", "oil_grade", "oil_temperature_degC", "ambient_temperature_degC", "tank_head_m",
    "tank_overpressure_bar", "pressurised_before_turning_s", "turned_by", "turning_speed_rpm", "plugs_removed", "hours_since_overhaul_h",
)  # fmt: skip


def _expit(x: np.ndarray) -> np.ndarray:
    return np.asarray(1.0 / (1.0 + np.exp(-x)))


def _draw_engines(world: World, rng: np.random.Generator, n: int) -> pd.DataFrame:
    kind = rng.integers(0, 3, n)
    site = rng.integers(0, len(SITES), n)
    return pd.DataFrame(
        {
            "engine_id": [f"E{i:03}" for i in range(n)], "engine_type": np.array(TYPES)[kind], "cylinders": CYLINDERS[kind],
            "valves_per_cylinder": 2, "turbocharged": kind == 1, "pump_displacement_cm3": DISPLACEMENT[kind],
            "_kind": kind, "_site": site, "_lifters": 2 * CYLINDERS[kind],
            "_length": rng.choice([1.0, 1.5, 2.0, 2.5], n), "_bore": rng.choice([8.0, 10.0, 12.0], n),
            "_cooler": rng.choice([0.15, 0.25, 0.35], n), "_head": rng.normal(0, 0.2, n).clip(-0.4, 0.6).round(2),
        }
    )  # fmt: skip


def _draw_jobs(world: World, rng: np.random.Generator, engines: pd.DataFrame) -> pd.DataFrame:
    """Circumstances of one venting a row of ``engines``, as they really were."""
    n = len(engines)
    day = rng.integers(0, DAYS, n)
    winter = np.cos(2 * np.pi * (day - 105) / 365.25) > 0
    warm = rng.normal(18, 5, n) - np.where(winter & world.season, 8, 0)
    site = engines["_site"].to_numpy()
    empty = np.where(winter, 0.45, 0.15) if world.season else np.full(n, 0.25)
    if world.plant == "mended":
        empty = np.where(day < MENDED, 0.5, 0.0)
    pressed = rng.random(n) < 0.5
    if world.plant == "step":
        pressed = np.where(site == 2, rng.random(n) < 0.3, rng.random(n) < 0.97)
    starter = rng.random(n) < 0.3
    lots = rng.choice(list("ABCDE"), n)
    if world.plant == "lot":
        lots = np.where((day >= MENDED) & (rng.random(n) < 0.3), "F", lots)
    return engines.assign(
        venting_id=[f"V{i:05}" for i in range(n)], date=[FIRST + dt.timedelta(days=int(d)) for d in day],
        site=np.array(SITES)[site], reason=rng.choice(["overhauled_engine", "lifters_replaced", "cooler_replaced", "oil_change"], n),
        hours_since_overhaul_h=rng.uniform(0, 1200, n).round(), lifter_lot=lots,
        suction_line_length_m=engines["_length"], suction_line_bore_mm=engines["_bore"], cooler_volume_L=engines["_cooler"],
        filter_volume_L=0.2, lines_empty=rng.random(n) < 0.4, cooler_empty=rng.random(n) < empty, filter_new=rng.random(n) < 0.5,
        oil_grade=rng.choice(["15W-50", "20W-50", "10W-40"], n), oil_temperature_degC=warm.round(),
        ambient_temperature_degC=(warm + rng.normal(0, 3, n)).round(), tank_head_m=engines["_head"],
        tank_overpressure_bar=np.where(pressed, 0.8, 0.0), pressurised_before_turning_s=np.where(pressed, 100.0, 0.0),
        turned_by=np.where(starter, "starter", "hand"), turning_speed_rpm=np.where(starter, 180.0, 30.0),
        plugs_removed=rng.random(n) < 0.5, rotations_after_pressure=rng.poisson(10, n) + 5, pressure_threshold_bar=0.5,
        pressure_steady=np.where(rng.random(n) < 0.15, "flickered", "steady"), tank_ran_low=rng.random(n) < 0.08,
        turned_backwards=rng.random(n) < 0.08, rest_before_start_h=np.exp(rng.normal(2, 1, n)).round(1),
        procedure_revision=rng.choice(["3", "4"], n), form_revision="1", recorded_because="every_job",
        _day=day, _winter=winter, _gauge=rng.integers(1, 3, n),
    )  # fmt: skip


def _acting(world: World, jobs: pd.DataFrame) -> np.ndarray:
    """Log odds that what is planted, and the season, add."""
    day, cooler = jobs["_day"].to_numpy(), jobs["cooler_empty"].to_numpy()
    adds = {
        "": 0.0,
        "cooler": np.log(4) * cooler,
        "mended": np.log(8) * cooler,
        "both": np.log(8) * (cooler & (jobs["tank_overpressure_bar"] == 0).to_numpy()),
        "site": np.log(5) * ((jobs["_site"] == 0).to_numpy() & (day >= MENDED)),
        "lot": np.log(10) * (jobs["lifter_lot"] == "F").to_numpy(),
    }
    return np.asarray(adds.get(world.plant, 0.0) + np.zeros(len(jobs)))


def _first(world: World) -> float:
    """Log odds that the two lifters of cylinder 1 have more than the others."""
    return float(np.log(4)) if world.plant == "place" else 0.0


def _any_fails(world: World, logit: np.ndarray, lifters: np.ndarray) -> np.ndarray:
    """Chance that a venting has a spongy lifter, from the log odds of those beyond cylinder 1."""
    sound = (1 - _expit(logit)) ** (lifters - 2) * (1 - _expit(logit + _first(world))) ** 2
    return np.asarray(1 - sound)


def _bad_engines(world: World) -> np.ndarray:
    """Log odds that engines of the planted kind add: of the third that findings come back on, and of the others."""
    return np.where(np.arange(120) % 3, np.log(0.4), np.log(12)) if world.plant == "engine" else np.zeros(120)


def _season(world: World, jobs: pd.DataFrame) -> np.ndarray:
    return np.where(jobs["_winter"], np.log(3) / 2, -np.log(3) / 2) if world.season else np.zeros(len(jobs))


def _log_time(world: World, rng: np.random.Generator, jobs: pd.DataFrame, engine: np.ndarray) -> np.ndarray:
    slower = np.log(TIME_RATIO) * jobs["cooler_empty"] if world.plant == "cooler" else 0.0
    return np.asarray(1.05 + engine + rng.normal(0, 0.35, len(jobs)) + slower)


def _rotations(rng: np.random.Generator, needed: np.ndarray, engine: np.ndarray) -> np.ndarray:
    """Those that a venting needs with the engine's and the day's luck."""
    return np.asarray(needed * np.exp(engine + rng.normal(0, 0.12, len(needed))))


def _needed(world: World, jobs: pd.DataFrame) -> np.ndarray:
    """Air of line and cooler over what the pump draws of it a rotation, oil of galleries and filter over what it fills."""
    area = np.pi / 4 * np.square(jobs["_bore"] / 10)
    air = jobs["lines_empty"] * area * jobs["_length"] * 100 + jobs["cooler_empty"] * jobs["_cooler"] * 1000
    oil = GALLERY[jobs["_kind"]] + jobs["filter_new"] * 200
    tank = jobs["tank_overpressure_bar"]
    inlet = 1.0 + tank + 0.087 * jobs["_head"]
    passed = np.where((tank > 0) & (world.plant == "pump"), 0.35, 1.0)
    swept = DISPLACEMENT[jobs["_kind"]]
    return np.asarray(passed * air / (0.6 * swept * inlet) + oil / (0.85 * swept))


def _draw_starts(
    world: World, rng: np.random.Generator, jobs: pd.DataFrame, seconds: np.ndarray
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """First starts, by stopwatch or, with their samples, by a logger."""
    n = len(jobs)
    starts = pd.DataFrame(
        {"venting_id": jobs["venting_id"], "start_no": 1, "pressure_shown": True, "first_hold_s": rng.normal(120, 6, n).round()}
    )  # fmt: skip
    if not world.logger_hz:
        given_up = rng.exponential(60, n)
        shown = seconds < given_up
        read = np.where(shown, np.round(seconds * 2) / 2, np.round(given_up))
        return starts.assign(
            time_to_pressure_s=read, pressure_shown=shown, reading_step_s=0.5
        ), pd.DataFrame()
    step = 1 / world.logger_hz
    last = np.where(rng.random(n) < 0.125, rng.uniform(1, 8, n), seconds + 30)
    phase = rng.uniform(0, step, n)
    parts = []
    for name, T, end, at in zip(jobs["venting_id"], seconds, last, phase, strict=True):
        t = np.arange(0, 4 + end, step)
        run = t - (3 + at)
        bar = np.where(run >= T, 0.5 + 3 * (1 - np.exp(-(run - T))), 0.4 * np.clip(run / T, 0, 1))
        parts.append(
            pd.DataFrame(
                {
                    "venting_id": name, "start_no": 1, "t_s": t, "speed_rpm": np.where(run >= 0, 1000.0, 0.0),
                    "oil_pressure_bar": bar, "oil_temperature_degC": 20.0,
                }
            )
        )  # fmt: skip
    return starts, pd.concat(parts, ignore_index=True)


def _draw_checks(
    world: World, rng: np.random.Generator, jobs: pd.DataFrame, spongy: np.ndarray, without: np.ndarray
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Gaps of every lifter, those of spongy ones again after a run, and the starts of these runs."""
    row, place = np.nonzero(np.arange(12) < jobs["_lifters"].to_numpy()[:, None])
    bad = spongy[row, place]
    true = np.where(
        bad, LIMIT_MM + 0.05 + rng.exponential(0.2, len(row)), 0.48 * rng.beta(2.2, 2.6, len(row))
    )
    off = np.zeros(len(jobs))
    if world.drift_mm:
        quarters = np.clip(jobs["_day"].to_numpy() // 91.25 - 2, 0, None)
        off = np.where((jobs["_site"] == 0) & (jobs["_gauge"] == 2), world.drift_mm * quarters, 0.0)
    read = (true + off[row] + rng.normal(0, 0.012, len(row))).clip(0).round(2)
    # what is planted leaves air in; leaking down is none of its work
    leaking = without[row, place] & (rng.random(len(row)) < LEAKING)
    at_once = np.where(leaking, 0.03 + (read - 0.03) / 6, 0.97 * read) + rng.normal(0, 0.012, len(row))
    checks = pd.DataFrame(
        {
            "gap_at_once_mm": at_once.clip(0).round(2), "gap_at_once_time_s": 0.5, "gap_at_once_force_N": 70.0,
            "venting_id": jobs["venting_id"].to_numpy()[row], "check_no": 1, "after_start": 1, "cylinder": place // 2 + 1,
            "valve": np.where(place % 2, "exhaust", "inlet"), "gap_mm": read, "force_N": 70.0, "hold_s": 3.0,
            "gauge": (jobs["site"] + " " + jobs["_gauge"].astype(str)).to_numpy()[row],
        }
    )  # fmt: skip
    over = read > LIMIT_MM
    again = checks[over].assign(check_no=2, after_start=2)
    cured = rng.random(over.sum()) < 0.7
    again["gap_mm"] = np.where(cured, 0.3, again["gap_mm"])
    more = pd.DataFrame({"venting_id": again["venting_id"].unique(), "start_no": 2})
    return pd.concat([checks, again]), more.assign(pressure_shown=True, extra_run_s=300.0)


def _write_down(
    world: World, rng: np.random.Generator, jobs: pd.DataFrame, failed: np.ndarray, turns: np.ndarray
) -> pd.DataFrame:
    """The ventings' sheets: counts as counted, flags as ticked, blanks as left."""
    n = len(jobs)
    count = np.ceil(turns)
    if world.heaped:
        count = np.where(rng.random(n) < world.heaped, np.maximum(10 * np.round(turns / 10), 10), count)
    given_up = rng.random(n) < (0.05 if world.heaped else 0.0)
    count = np.where(given_up, np.ceil(turns * rng.uniform(0.5, 0.95, n)), count)
    out = jobs.assign(
        rotations=count.astype(int), rotations_counted_at="crankshaft", pressure_shown=~given_up,
        closed=[d + dt.timedelta(days=3) for d in jobs["date"]],
    )  # fmt: skip
    for name in FLAGS:
        out[name] = out[name].to_numpy(bool) ^ (rng.random(n) < world.flipped)
    for name in ASKED:
        share = np.where(failed, 0.03, 0.35) if world.fuller else np.full(n, 0.03)
        kept = out[name].astype(object)
        kept[rng.random(n) < share] = None
        out[name] = kept
    engine = ["engine_type", "cylinders", "valves_per_cylinder", "turbocharged", "pump_displacement_cm3"]
    return out.drop(columns=[c for c in out if c.startswith("_") or c in engine])


def _draw_planned(
    world: World, rng: np.random.Generator, engines: pd.DataFrame, sites: np.ndarray
) -> pd.DataFrame:
    """Ventings to come, each on an engine never vented before, and what is true of them."""
    new = _draw_engines(world, rng, PLANNED)
    kin = engines.iloc[rng.integers(0, len(engines), PLANNED)].reset_index(drop=True)
    new["engine_id"] = kin["engine_id"]
    for name in [c for c in engines if c != "engine_id"]:
        new[name] = kin[name]
    jobs = _draw_jobs(world, rng, new)
    later = rng.integers(DAYS + 12, DAYS + 90, PLANNED)
    jobs = jobs.assign(
        venting_id=[f"P{i:02}" for i in range(PLANNED)], date=[FIRST + dt.timedelta(days=int(d)) for d in later],
        _day=later, _winter=np.cos(2 * np.pi * (later - 105) / 365.25) > 0,
    )  # fmt: skip
    noise = np.random.default_rng(SEED).normal(0, np.hypot(world.engine_spread, 0.6), 4000)
    logit = BASE + sites[jobs["_site"]] + _acting(world, jobs) + _season(world, jobs)
    lifters = jobs["_lifters"].to_numpy()[:, None]
    chance = np.mean(_any_fails(world, logit[:, None] + noise, lifters), axis=1)
    turns = _rotations(rng, _needed(world, jobs), rng.normal(0, 0.04, PLANNED))
    seconds = np.exp(_log_time(world, rng, jobs, rng.normal(0, 0.2, PLANNED)))
    return jobs.assign(chance=chance, true_rotations=turns, true_time_s=seconds)


def _true_shares(world: World, rng: np.random.Generator, sites: np.ndarray) -> dict[str, float]:
    """Failing shares by site over ventings and engines without end."""
    n = DRAWS
    jobs = _draw_jobs(world, rng, _draw_engines(world, rng, n))
    logit = BASE + sites[jobs["_site"]] + rng.normal(0, np.hypot(world.engine_spread, 0.6), n)
    logit = logit + _acting(world, jobs) + _season(world, jobs) + _bad_engines(world)[np.arange(n) % 120]
    failing = pd.Series(_any_fails(world, logit, jobs["_lifters"].to_numpy()))
    return {
        "": float(failing.mean()),
        **{str(s): float(v) for s, v in failing.groupby(jobs["site"]).mean().items()},
    }


@cache
def _true_median(world: World) -> float:
    n, rng = 40_000, np.random.default_rng(SEED)
    jobs = _draw_jobs(world, rng, _draw_engines(world, rng, n))
    return float(np.exp(np.median(_log_time(world, rng, jobs, rng.normal(0, 0.2, n)))))
