"""Lifter checks of the invented fleet, from trapped air and leak-down, its gauge studies, and why each venting fails.

A venting's failure is explained by taking each planted cause away in turn, everything else as it was drawn.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from datetime import date
from itertools import combinations
from typing import Any

import numpy as np

from ventbook.demo.settings import (
    ambient_pressure,
    gap_under_force,
    manual_value,
    read_settings,
)
from ventbook.tables.units import convert

READ_BESIDE = ("gap_at_once_force_N", "late_gap_mm", "late_gap_time_s", "gap_released_mm")
LOT, GAUGE, BACKGROUND, BOTTOMED = "leaking_lot", "high_gauge", "background_air", "background_bottomed"


def limit_mm() -> float:
    """The gap that the invented manual allows."""
    return manual_value("lifter_gap", "high")


def draw_lifters(row: dict[str, Any], plant: tuple[str, ...], rng: np.random.Generator) -> None:
    """Puts the hidden state of the engine's lifters into ``row["_lifters"]``: air, leak, slack, by position."""
    settings = read_settings()
    air, physics = settings["air"], settings["physics"]
    engine = row["_engine"]
    order = [int(c) for c in engine["feed_order"].split("-")]
    cylinder = np.repeat(np.arange(1, engine["cylinders"] + 1), 2)
    rank = np.array([order.index(c) for c in cylinder])
    odds = (
        air["base"]
        + row["_fixed"]
        + engine["_air"]
        + rng.normal(0, air["venting_sd"])
        + air["feed_rank"] * rank
    )
    count = cylinder.size
    luck = rng.random(count)
    spongy = luck < 1 / (1 + np.exp(-odds))
    base = np.exp(rng.normal(math.log(physics["base_air_mm3"]), physics["base_air_sd"], count))
    trapped = np.exp(rng.normal(math.log(physics["trapped_air_mm3"]), physics["trapped_air_sd"], count))
    # The larger engine's plunger makes a smaller gap of the same air: scaled, so that layouts fail alike.
    trapped *= (engine["plunger_diameter_mm"] / 12.0) ** 4 * 1.4 / engine["rocker_ratio"]
    bottomed = rng.random(count) < physics["bottomed_share"]
    bad = settings["plant"]["leaking_lot"]
    if row["_new_lifters"] or "_leaks" not in engine:
        draws = rng.random(count) < bad["leaking_share"]
        speed = np.exp(rng.normal(math.log(bad["leak_um_per_s"]), bad["leak_sd"], count))
        leaks = draws & (row["lifter_lot"] == bad["lot"]) & ("leaking_lot" in plant)
        engine["_leaks"] = np.where(leaks, speed, physics["wall_leak_um_per_s"])
        engine["_serial"] = int(rng.integers(1000, 9999))
    row["_lifters"] = {
        "cylinder": cylinder,
        "valve": np.tile(["inlet", "exhaust"], engine["cylinders"]),
        "air": np.where(bottomed, 5000.0, np.where(spongy, trapped, base)),
        "base": base,
        "trapped": trapped,
        "odds": odds,
        "luck": luck,
        "leak": engine["_leaks"],
        "slack": np.where(rng.random(count) < 0.3, rng.uniform(0.0, 0.04, count), 0.0),
        "spongy": spongy,
        "bottomed": bottomed,
        "history": np.full(count, "new" if row["_new_lifters"] else "reused"),
    }


def draw_checks(
    row: dict[str, Any], plant: tuple[str, ...], rng: np.random.Generator
) -> list[dict[str, Any]]:
    """The first check of all lifters; keeps the readings and the gauge in ``row`` for a later check."""
    site = row["_engine"]["_site"]
    row["_gauge"] = _choose_gauge(row, rng)
    habits = read_settings()["habits"]
    light = row["site"] == "Lake" and rng.random() < habits["light_press_share"]
    row["_force"] = habits["light_press_N"] if light else float(rng.choice(habits["force_N"]))
    row["_hold"] = float(rng.choice(habits["hold_s"]))
    row["_check_oil"] = float(round(rng.uniform(*habits["check_oil_degC"])))
    if rng.random() < 0.02:
        row["_gaps"] = np.full(row["_lifters"]["air"].size, math.nan)
        return []
    mask = np.ones(row["_lifters"]["air"].size, dtype=bool)
    if row["site"] == "Lake" and rng.random() < 0.08:
        mask = row["_lifters"]["cylinder"] <= 2  # ran out of time: the other cylinders were not checked
    checks = _read(row, 1, 1 if row["_shown"] else 2, mask, plant, rng)
    reads_two = site["two_readings"]
    for check in checks:
        two = reads_two == "all" or (reads_two == "late" and row["form_revision"] == "3")
        if not two and not (reads_two == "over_limit" and check["gap_mm"] > limit_mm()):
            check |= {"gap_at_once_mm": math.nan, "gap_at_once_time_s": math.nan}
            check |= {"second_force_N": math.nan, "second_gap_mm": math.nan, "gap_no_force_mm": math.nan}
            check |= dict.fromkeys(READ_BESIDE, math.nan)
        elif rng.random() < 0.25:
            check |= {"second_force_N": math.nan, "second_gap_mm": math.nan}
    return checks


def bleed_by_running(row: dict[str, Any], rng: np.random.Generator) -> None:
    """One extra run: most of the trapped air leaves the lifters, a leak stays."""
    physics = read_settings()["physics"]
    lifters = row["_lifters"]
    keeps = np.exp(
        rng.normal(math.log(physics["extra_run_keeps"]), physics["extra_run_sd"], lifters["air"].size)
    )
    lifters["air"] = np.maximum(np.where(lifters["bottomed"], lifters["base"], lifters["air"] * keeps), 1.0)
    lifters["bottomed"] = np.zeros_like(lifters["bottomed"])


def draw_recheck(
    row: dict[str, Any],
    number: int,
    after_start: int,
    over: np.ndarray,
    plant: tuple[str, ...],
    rng: np.random.Generator,
) -> list[dict[str, Any]]:
    """A further check of the lifters that were over the limit, or of all where the workshop does that."""
    every = row["_engine"]["_site"]["rechecks"] == "all"
    mask = np.isfinite(row["_gaps"]) if every else over
    checks = _read(row, number, after_start, mask, plant, rng)
    for check in checks:
        check |= {"second_force_N": math.nan, "second_gap_mm": math.nan, "gap_no_force_mm": math.nan}
        check |= {"gap_at_once_mm": math.nan, "gap_at_once_time_s": math.nan}
        check |= dict.fromkeys(READ_BESIDE, math.nan)
    return checks


def draw_study(
    study: dict[str, Any], plant: tuple[str, ...], rng: np.random.Generator
) -> list[dict[str, Any]]:
    """A crossed gauge study: every technician reads every lifter several times, beside a reference gap."""
    gauge = read_settings()["gauge"]
    sites = {site["name"]: site for site in read_settings()["site"]}
    people = sites[study["site"]]["technicians"][: gauge["study_technicians"]]
    count, (first, last) = gauge["study_lifters"], gauge["study_gaps_mm"]
    reference = np.round(np.linspace(first, last, count) + rng.normal(0, 0.02, count), 3)
    own = rng.normal(0, gauge["technician_sd_mm"], len(people))
    both = rng.normal(0, gauge["interaction_sd_mm"], (len(people), reference.size))
    bias = gauge_bias(study["gauge"], plant)
    rows = []
    for lifter, true_gap in enumerate(reference):
        for person, name in enumerate(people):
            for repeat in range(1, gauge["study_repeats"] + 1):
                value = (
                    true_gap + bias + own[person] + both[person, lifter] + rng.normal(0, gauge["noise_mm"])
                )
                rows.append(
                    {
                        "study": study["name"],
                        "lifter": f"S{lifter + 1:02d}",
                        "technician": name,
                        "repeat": repeat,
                        "gap_mm": round(max(value, 0.0), 2),
                        "gauge": study["gauge"],
                        "reference_gap_mm": float(true_gap),
                    }
                )
    return rows


def round_reading(value: np.ndarray, site: dict[str, Any]) -> np.ndarray:
    """Readings in mm as the site's gauge shows them: steps of mm, or of thousandths of an inch."""
    if "gauge_step_in" in site:
        inches = np.round(convert(value, "mm", "in") / site["gauge_step_in"]) * site["gauge_step_in"]
        return np.asarray(convert(np.round(inches, 3), "in", "mm"))
    return np.round(np.round(value / site["gauge_step_mm"]) * site["gauge_step_mm"], 2)


def gauge_bias(gauge: str, plant: tuple[str, ...]) -> float:
    high = read_settings()["plant"]["high_gauge"]
    return float(high["bias_mm"]) if gauge == high["gauge"] and "high_gauge" in plant else 0.0


def _choose_gauge(row: dict[str, Any], rng: np.random.Generator) -> str:
    site, high = row["_engine"]["_site"], read_settings()["plant"]["high_gauge"]
    others = [gauge for gauge in site["gauges"] if gauge != high["gauge"]]
    usable = high["gauge"] in site["gauges"] and row["date"] >= date.fromisoformat(high["first"])
    drawn = rng.random()
    return str(high["gauge"]) if usable and drawn < high["share_of_checks"] else str(rng.choice(others))


def true_gap(
    row: dict[str, Any],
    force_N: float,
    time_s: float,
    *,
    air: np.ndarray | None = None,
    leak: np.ndarray | None = None,
) -> np.ndarray:
    """The gap of each lifter under force, mm, as it is; with other ``air`` or ``leak`` than its own where given."""
    engine, lifters = row["_engine"], row["_lifters"]
    return gap_under_force(
        lifters["air"] if air is None else air,
        lifters["leak"] if leak is None else leak,
        force_N=force_N,
        time_s=time_s,
        plunger_diameter_mm=engine["plunger_diameter_mm"],
        spring_force_N=engine["plunger_spring_force_N"],
        spring_rate_N_per_mm=engine["plunger_spring_rate_N_per_mm"],
        travel_mm=engine["plunger_travel_mm"],
        rocker_ratio=engine["rocker_ratio"],
        slack_mm=lifters["slack"],
        ambient_Pa=ambient_pressure(row["elevation_m"]),
        air_index=read_settings()["physics"]["air_index"],
        reference_force_N=manual_value("check_force", "reference"),
    )


def _read(
    row: dict[str, Any],
    number: int,
    after_start: int,
    mask: np.ndarray,
    plant: tuple[str, ...],
    rng: np.random.Generator,
) -> list[dict[str, Any]]:
    lifters, site, settings = row["_lifters"], row["_engine"]["_site"], read_settings()
    noise, bias = settings["gauge"]["noise_mm"], gauge_bias(row["_gauge"], plant)
    once = round(float(rng.uniform(0.4, 0.7)), 1)
    half = row["_force"] / 2

    # an rng of its own for what later forms ask beside the gaps, so that no other draw shifts
    own = np.random.default_rng([int(lifters["luck"][0] * 2**32), number])
    rises = own.uniform(*settings["habits"]["force_at_once_share"]) if site.get("force_rises") else 1.0
    early = float(round(rises * row["_force"]))

    presses = ((row["_force"], row["_hold"]), (early, once), (half, row["_hold"]))
    errors = [rng.normal(0, noise, lifters["air"].size) for _ in presses]
    held, at_once, second = (
        round_reading(np.maximum(true_gap(row, force, time) + bias + error, 0.0), site)
        for (force, time), error in zip(presses, errors, strict=True)
    )
    row["_reading_error"] = errors[0]
    at_once = np.minimum(at_once, held)  # who reads both never writes down a gap that closes under force
    slack = round_reading(lifters["slack"], site)
    asked = row["form_revision"] == "3" and site.get("notes_force", False)
    late_time, late, released = _read_late(row, site, own, bias)
    looks = asked & (held > limit_mm())
    gaps = np.where(mask, held, math.nan)
    row["_gaps"] = gaps if number == 1 else np.where(mask, held, row["_gaps"])
    touch = settings["habits"]["feels_spongy_mm"] + rng.normal(0, 0.05, lifters["air"].size)
    serial = row["_engine"]["_serial"]
    return [
        {
            "venting_id": row["venting_id"],
            "check_no": number,
            "after_start": after_start,
            "cylinder": int(lifters["cylinder"][i]),
            "valve": str(lifters["valve"][i]),
            "force_N": row["_force"],
            "hold_s": row["_hold"],
            "gap_at_once_mm": float(at_once[i]),
            "gap_at_once_time_s": once,
            "gap_at_once_force_N": early if asked else math.nan,
            "gap_no_force_mm": float(slack[i]),
            "second_force_N": half,
            "second_gap_mm": float(second[i]),
            "gap_mm": float(held[i]),
            "late_gap_mm": float(max(late[i], held[i])) if looks[i] else math.nan,
            "late_gap_time_s": late_time if looks[i] else math.nan,
            "gap_released_mm": float(min(released[i], held[i])) if looks[i] else math.nan,
            "lifter_id": f"{serial}-{i + 1:02d}",
            "lifter_history": str(lifters["history"][i]),
            "oil_temperature_degC": row["_check_oil"],
            "feel": "spongy" if held[i] - bias > touch[i] else "firm",
            "gauge": row["_gauge"],
            "technician": row["technician"],
        }
        for i in np.flatnonzero(mask)
    ]


def _read_late(
    row: dict[str, Any], site: dict[str, Any], rng: np.random.Generator, bias: float
) -> tuple[float, np.ndarray, np.ndarray]:
    """Time and gap of a late reading under the same force, and the gap right after release, of every lifter."""
    lifters, noise = row["_lifters"], read_settings()["gauge"]["noise_mm"]
    time = float(rng.choice([15.0, 20.0]))
    springs_back = true_gap(row, row["_force"], row["_hold"], leak=np.zeros_like(lifters["leak"]))
    leaked = true_gap(row, row["_force"], row["_hold"]) - springs_back
    kept = leaked * rng.uniform(0.0, 1.0, lifters["air"].size)
    late, released = (
        round_reading(np.maximum(gap + bias + rng.normal(0, noise, lifters["air"].size), 0.0), site)
        for gap in (true_gap(row, row["_force"], time), lifters["slack"] + kept)
    )
    return time, late, released


def explain_failure(row: dict[str, Any], plant: tuple[str, ...]) -> list[dict[str, Any]]:
    """The true cause of a venting that failed its first check, as one entry; empty where it did not fail.

    A venting fails when a reading is over the limit. Each planted cause is taken away with every draw kept: the same
    luck of each lifter, the same error of each reading. ``needed``: planted causes without any one of which the venting
    would not have failed. ``shares``: what each cause did, averaged over the lifters over the limit and adding up to 1;
    several causes that a lifter needs together share it equally. ``background_air`` and ``background_bottomed`` are
    lifters that would have been over the limit without anything planted. ``cause``: the one needed where there is just
    one, else the one with the largest share (the first by name where they are level).
    """
    over = np.nan_to_num(row["_gaps"], nan=0.0) > limit_mm()
    if not over.any():
        return []
    active = [*row["_causes"], LOT, GAUGE]
    active = [name for name in active if name in plant]
    every = {rest: _over_without(row, plant, set(active) - set(rest)) & over for rest in _subsets(active)}
    whole = tuple(active)
    needed = [name for name in active if not every[_without(whole, name)].any()]
    shares: dict[str, float] = {}
    for lifter in np.flatnonzero(over):
        for name, share in _share_lifter(row, every, whole, int(lifter)).items():
            shares[name] = shares.get(name, 0.0) + share / int(over.sum())
    ranked = sorted(shares, key=lambda name: (-shares[name], name))
    return [
        {
            "venting_id": row["venting_id"],
            "cause": needed[0] if len(needed) == 1 else ranked[0],
            "needed": needed,
            "shares": {name: round(shares[name], 4) for name in ranked},
            "lifters_over": int(over.sum()),
        }
    ]


def _subsets(names: list[str]) -> list[tuple[str, ...]]:
    return [chosen for size in range(len(names) + 1) for chosen in combinations(names, size)]


def _without(names: tuple[str, ...], name: str) -> tuple[str, ...]:
    return tuple(other for other in names if other != name)


def _over_without(row: dict[str, Any], plant: tuple[str, ...], gone: Collection[str]) -> np.ndarray:
    """Which lifters would have been read over the limit at the first check without the causes ``gone``."""
    lifters = row["_lifters"]
    odds = lifters["odds"] - sum(value for name, value in row["_causes"].items() if name in gone)
    spongy = lifters["luck"] < 1 / (1 + np.exp(-odds))
    air = np.where(spongy, lifters["trapped"], lifters["base"])
    air = np.where(lifters["bottomed"], lifters["air"], air)
    leak = lifters["leak"]
    if LOT in gone:
        leak = np.full_like(leak, read_settings()["physics"]["wall_leak_um_per_s"])
    bias = 0.0 if GAUGE in gone else gauge_bias(row["_gauge"], plant)
    value = true_gap(row, row["_force"], row["_hold"], air=air, leak=leak) + bias + row["_reading_error"]
    return np.asarray(round_reading(np.maximum(value, 0.0), row["_engine"]["_site"]) > limit_mm())


def _share_lifter(
    row: dict[str, Any], every: dict[tuple[str, ...], np.ndarray], whole: tuple[str, ...], lifter: int
) -> dict[str, float]:
    """What each cause did for one lifter over the limit: shares that add up to 1."""
    if every[()][lifter]:
        return {BOTTOMED if row["_lifters"]["bottomed"][lifter] else BACKGROUND: 1.0}
    names = [name for name in whole if not every[_without(whole, name)][lifter]]
    # Where no single one is needed, several would each have done: those that do it alone share it.
    names = names or [name for name in whole if every[(name,)][lifter]]
    names = names or list(whole)
    return dict.fromkeys(names, 1 / len(names))
