"""Lifter checks of a large invented fleet by columns, and why its ventings fail. Matrices have a row a venting, a column a lifter."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from ventbook.demo.checks import READ_BESIDE, gauge_bias, limit_mm, round_reading
from ventbook.demo.large_ventings import draw_starts
from ventbook.demo.settings import ambient_pressure, gap_under_force, manual_value, read_settings

Array = Any
Rng = np.random.Generator
SECOND = ("second_force_N", "second_gap_mm")
AT_ONCE = ("gap_at_once_mm", "gap_at_once_time_s", "gap_no_force_mm")


@dataclass
class Lifters:
    """Hidden state of the lifters of a piece of ventings; ``fitted`` is False beyond an engine's last lifter."""

    fitted: Array
    air: Array
    base: Array
    trapped: Array
    odds: Array
    luck: Array
    leak: Array
    slack: Array
    bottomed: Array
    serial: Array

    @classmethod
    def draw(cls, job: dict[str, Array], leak: Array, serial: Array, rng: Rng) -> Lifters:
        """The lifters of each venting as they are at its first check."""
        settings = read_settings()
        air, physics, types = settings["air"], settings["physics"], settings["engine_type"]
        n, places = leak.shape
        rank = np.zeros((len(types), places))
        for place, row in enumerate(types):
            order = [int(c) for c in row["feed_order"].split("-")]
            rank[place, : 2 * row["cylinders"]] = np.repeat(
                [order.index(c + 1) for c in range(len(order))], 2
            )
        kind = job["kind"]
        own = air["base"] + job["fixed"] + job["air"] + rng.normal(0, air["venting_sd"], n)
        odds = own[:, None] + air["feed_rank"] * rank[kind]
        size = np.array([(t["plunger_diameter_mm"] / 12.0) ** 4 * 1.4 / t["rocker_ratio"] for t in types])
        shape = (n, places)
        luck = rng.random(shape)
        base = np.exp(rng.normal(math.log(physics["base_air_mm3"]), physics["base_air_sd"], shape))
        trapped = np.exp(rng.normal(math.log(physics["trapped_air_mm3"]), physics["trapped_air_sd"], shape))
        trapped *= size[kind][:, None]
        bottomed = rng.random(shape) < physics["bottomed_share"]
        found = np.where(luck < 1 / (1 + np.exp(-odds)), trapped, base)
        return cls(
            fitted=np.arange(places) < 2 * np.array([t["cylinders"] for t in types])[kind][:, None],
            air=np.where(bottomed, 5000.0, found),
            base=base,
            trapped=trapped,
            odds=odds,
            luck=luck,
            leak=leak,
            slack=np.where(rng.random(shape) < 0.3, rng.uniform(0.0, 0.04, shape), 0.0),
            bottomed=bottomed,
            serial=serial,
        )

    def bleed(self, rows: Array, rng: Rng) -> None:
        """One extra run: most of the trapped air leaves, a leak stays."""
        physics = read_settings()["physics"]
        shape = (rows.size, self.air.shape[1])
        keeps = np.exp(rng.normal(math.log(physics["extra_run_keeps"]), physics["extra_run_sd"], shape))
        left = np.where(self.bottomed[rows], self.base[rows], self.air[rows] * keeps)
        self.air[rows] = np.maximum(left, 1.0)
        self.bottomed[rows] = False


def draw_all_checks(
    job: dict[str, Array], lifters: Lifters, starts: list[pd.DataFrame], plant: tuple[str, ...], rng: Rng
) -> tuple[pd.DataFrame, Array, Array, pd.DataFrame]:
    """(checks, over the limit to the end, over the limit at the first check, truth of the failing); extra runs go into ``starts``."""
    _prepare(job, plant, rng)
    n = job["date"].size
    mask = lifters.fitted & (rng.random(n) >= 0.02)[:, None]
    short = job["lake"] & (rng.random(n) < 0.08)
    mask[short, 4:] = False
    rows = np.arange(n)
    first, gaps, error = _read(job, lifters, rows, 1, np.where(job["shown"], 1, 2), mask, rng)
    checks = [first]
    troubled = (gaps > limit_mm()).any(axis=1)
    truth = _explain(job, lifters, np.flatnonzero(troubled), gaps, error, plant)
    every = np.array([site["rechecks"] == "all" for site in read_settings()["site"]])[job["site"]]
    number, run = np.ones(n, np.int64), np.where(job["shown"], 1, 2)
    times = read_settings()["times"]

    def look_again(again: Array) -> None:
        number[again] += 1
        chosen = np.isfinite(gaps[again]) & (every[again][:, None] | (gaps[again] > limit_mm()))
        frame, held, _ = _read(job, lifters, again, number[again], run[again], chosen, rng)
        checks.append(frame)
        gaps[again] = np.where(np.isnan(held), gaps[again], held)

    active = rows[troubled & (rng.random(n) >= 0.06)]
    look_again(active[rng.random(active.size) < 0.10])
    for _ in range(2):
        active = active[(gaps[active] > limit_mm()).any(axis=1)]
        run[active] += 1
        warm = rng.lognormal(math.log(times["extra_run_start_s"]), 0.25, active.size)
        done = np.ones(active.size, bool)
        starts.append(draw_starts(job, active, run[active], warm, done, rng, extra=True))
        lifters.bleed(active, rng)
        look_again(active)
    left_over = (gaps > limit_mm()).any(axis=1)
    return pd.concat(checks, ignore_index=True), left_over, troubled, truth


def _prepare(job: dict[str, Array], plant: tuple[str, ...], rng: Rng) -> None:
    """Gauge, force, hold and oil temperature of each venting's checks."""
    settings = read_settings()
    habits, sites, high = settings["habits"], settings["site"], settings["plant"]["high_gauge"]
    n = job["date"].size
    gauge = np.empty(n, dtype=object)
    new = (rng.random(n) < high["share_of_checks"]) & (job["date"] >= np.datetime64(high["first"]))
    for number, site in enumerate(sites):
        rows = job["site"] == number
        others = [name for name in site["gauges"] if name != high["gauge"]]
        gauge[rows] = rng.choice(np.array(others, object), int(rows.sum()))
        if high["gauge"] in site["gauges"]:
            gauge[rows & new] = high["gauge"]
    light = job["lake"] & (rng.random(n) < habits["light_press_share"])
    job["gauge"] = gauge
    job["bias"] = np.where(gauge == high["gauge"], gauge_bias(high["gauge"], plant), 0.0)
    job["force"] = np.where(light, habits["light_press_N"], rng.choice(habits["force_N"], n)).astype(float)
    job["hold"] = rng.choice(habits["hold_s"], n)
    coldest, warmest = habits["check_oil_degC"]
    job["check_oil"] = np.round(rng.uniform(coldest, warmest, n))


def _gap(
    job: dict[str, Array],
    lifters: Lifters,
    rows: Array,
    force_N: Array,
    time_s: Array,
    air: Array | None = None,
    leak: Array | None = None,
) -> Array:
    """True gaps of these ventings' lifters, mm."""
    settings = read_settings()
    types, kind = settings["engine_type"], job["kind"][rows]

    def of_type(name: str) -> Array:
        return np.array([float(t[name]) for t in types])[kind][:, None]

    pressures = np.array([ambient_pressure(site["elevation_m"]) for site in settings["site"]])
    return gap_under_force(
        lifters.air[rows] if air is None else air,
        lifters.leak[rows] if leak is None else leak,
        force_N=force_N[:, None],
        time_s=time_s[:, None],
        plunger_diameter_mm=of_type("plunger_diameter_mm"),
        spring_force_N=of_type("plunger_spring_force_N"),
        spring_rate_N_per_mm=of_type("plunger_spring_rate_N_per_mm"),
        travel_mm=of_type("plunger_travel_mm"),
        rocker_ratio=of_type("rocker_ratio"),
        slack_mm=lifters.slack[rows],
        ambient_Pa=pressures[job["site"][rows]][:, None],
        air_index=settings["physics"]["air_index"],
        reference_force_N=manual_value("check_force", "reference"),
    )


def _show(job: dict[str, Array], rows: Array, gaps: Array) -> Array:
    """Gaps as each site's gauges show them."""
    shown = np.empty_like(gaps)
    for number, site in enumerate(read_settings()["site"]):
        own = job["site"][rows] == number
        shown[own] = round_reading(np.maximum(gaps[own], 0.0), site)
    return shown


def _read(
    job: dict[str, Array],
    lifters: Lifters,
    rows: Array,
    number: Array | int,
    after: Array,
    mask: Array,
    rng: Rng,
) -> tuple[pd.DataFrame, Array, Array]:
    """(rows of the table, gaps under force with NaN where not read, errors of these readings)."""
    settings = read_settings()
    noise, habits = settings["gauge"]["noise_mm"], settings["habits"]
    shape, bias = (rows.size, mask.shape[1]), job["bias"][rows][:, None]
    force, hold = job["force"][rows], job["hold"][rows]
    error = rng.normal(0, noise, shape)
    held = _show(job, rows, _gap(job, lifters, rows, force, hold) + bias + error)
    gaps = np.where(mask, held, np.nan)
    at, place = np.nonzero(mask)
    touch = habits["feels_spongy_mm"] + rng.normal(0, 0.05, at.size)
    reading = gaps[at, place]
    texts = {
        name: np.array(values, object)
        for name, values in {
            "valve": ["inlet", "exhaust"],
            "feel": ["firm", "spongy"],
            "history": ["reused", "new"],
        }.items()
    }
    serial = lifters.serial[rows]
    table: dict[str, Any] = {
        "venting_id": job["venting_id"][rows][at],
        "check_no": np.broadcast_to(number, rows.size)[at],
        "after_start": after[at],
        "cylinder": place // 2 + 1,
        "valve": texts["valve"][place % 2],
        "force_N": force[at],
        "hold_s": hold[at],
        "gap_mm": reading,
        "lifter_id": _name_lifters(serial, mask),
        "lifter_history": texts["history"][job["new_lifters"][rows][at].astype(int)],
        "oil_temperature_degC": job["check_oil"][rows][at],
        "feel": texts["feel"][(reading - job["bias"][rows][at] > touch).astype(int)],
        "gauge": job["gauge"][rows][at],
        "technician": job["technician"][rows][at],
    }
    more = dict.fromkeys((*AT_ONCE, *SECOND, *READ_BESIDE), np.full(at.size, np.nan))
    if isinstance(number, int):  # the first check: what is read beside the gap
        more = _read_beside(job, lifters, rows, held, at, place, rng)
    return pd.DataFrame({**table, **more}), gaps, error


def _name_lifters(serial: Array, mask: Array) -> Array:
    code, place = np.nonzero(mask)
    names = np.array([[f"{s}-{p + 1:02d}" for p in range(mask.shape[1])] for s in serial.tolist()], object)
    return names.reshape(len(serial), mask.shape[1])[code, place]


def _read_beside(
    job: dict[str, Array], lifters: Lifters, rows: Array, held: Array, at: Array, place: Array, rng: Rng
) -> dict[str, Array]:
    """The gap at once, a second press at half the force, a late reading and one after release, where a site takes them."""
    settings = read_settings()
    sites, noise, habits = settings["site"], settings["gauge"]["noise_mm"], settings["habits"]
    site, n, shape = job["site"][rows], rows.size, held.shape
    form3 = job["form_revision"][rows] == "3"
    rises = np.array([bool(s.get("force_rises")) for s in sites])[site]
    least, most = habits["force_at_once_share"]
    share = np.where(rises, rng.uniform(least, most, n), 1.0)
    early, once = np.round(share * job["force"][rows]), np.round(rng.uniform(0.4, 0.7, n), 1)
    half, bias = job["force"][rows] / 2, job["bias"][rows][:, None]
    hold = job["hold"][rows]

    def read(gap: Array) -> Array:
        return _show(job, rows, gap + bias + rng.normal(0, noise, shape))

    at_once = np.minimum(read(_gap(job, lifters, rows, early, once)), held)
    second = read(_gap(job, lifters, rows, half, hold))
    late_time = rng.choice([15.0, 20.0], n)
    late = np.maximum(read(_gap(job, lifters, rows, job["force"][rows], late_time)), held)
    full = _gap(job, lifters, rows, job["force"][rows], hold)
    sprung = _gap(job, lifters, rows, job["force"][rows], hold, leak=np.zeros(shape))
    released = np.minimum(read(lifters.slack[rows] + (full - sprung) * rng.uniform(0.0, 1.0, shape)), held)
    over = held > limit_mm()
    reads = np.array([s["two_readings"] for s in sites])[site]
    two = (reads == "all") | ((reads == "late") & form3)
    two = two[:, None] | ((reads == "over_limit")[:, None] & over)
    also = two & (rng.random(shape) >= 0.25)
    asked = (form3 & np.array([bool(s.get("notes_force")) for s in sites])[site])[:, None] & two

    def column(values: Array, where: Array) -> Array:
        return np.where(where, np.broadcast_to(values, shape), np.nan)[at, place]

    return {
        "gap_at_once_mm": column(at_once, two),
        "gap_at_once_time_s": column(once[:, None], two),
        "gap_no_force_mm": column(_show(job, rows, lifters.slack[rows]), two),
        "second_force_N": column(half[:, None], also),
        "second_gap_mm": column(second, also),
        "gap_at_once_force_N": column(early[:, None], asked),
        "late_gap_mm": column(late, asked & over),
        "late_gap_time_s": column(late_time[:, None], asked & over),
        "gap_released_mm": column(released, asked & over),
    }


def _explain(
    job: dict[str, Array], lifters: Lifters, rows: Array, gaps: Array, error: Array, plant: tuple[str, ...]
) -> pd.DataFrame:
    """One row a failing venting: which planted cause it would not have failed without, and whether without any it would."""
    over = gaps[rows] > limit_mm()
    found: dict[str, Array] = {"venting_id": job["venting_id"][rows], "lifters_over": over.sum(axis=1)}
    for name in plant:
        found[f"needs_{name}"] = ~(over & _over_without(job, lifters, rows, error, {name})).any(axis=1)
    found["fails_without_any"] = (over & _over_without(job, lifters, rows, error, set(plant))).any(axis=1)
    return pd.DataFrame(found)


def _over_without(
    job: dict[str, Array], lifters: Lifters, rows: Array, error: Array, gone: set[str]
) -> Array:
    taken = sum(
        job[f"cause_{name}"][rows] for name in ("tank_not_pressurised", "worsening_site") if name in gone
    )
    odds = lifters.odds[rows] - np.reshape(taken, (-1, 1))
    air = np.where(lifters.luck[rows] < 1 / (1 + np.exp(-odds)), lifters.trapped[rows], lifters.base[rows])
    air = np.where(lifters.bottomed[rows], lifters.air[rows], air)
    leak = lifters.leak[rows]
    if "leaking_lot" in gone:
        leak = np.full_like(leak, read_settings()["physics"]["wall_leak_um_per_s"])
    bias = 0.0 if "high_gauge" in gone else job["bias"][rows][:, None]
    value = _gap(job, lifters, rows, job["force"][rows], job["hold"][rows], air, leak) + bias + error[rows]
    return _show(job, rows, value) > limit_mm()
