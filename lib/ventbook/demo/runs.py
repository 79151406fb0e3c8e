"""Engine starts of the invented fleet, and the traces of the workshops that have a logger."""

from __future__ import annotations

import math
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from ventbook.demo.settings import read_settings

IDLE_RPM, COLD_BAR = 1050.0, 4.4


def draw_first_start(row: dict[str, Any], rng: np.random.Generator) -> list[dict[str, Any]]:
    """The first start, and a second one where the first was shut down without pressure.

    The hidden time to pressure is log-normal and longer where the venting left air; it is kept in ``row``.
    """
    times = read_settings()["times"]
    engine = row["_engine"]
    spread = rng.normal(0, times["venting_sd"]) + times["engine_sd"] * engine["_air"] / 0.45
    row["_time_to_pressure"] = times["first_start_s"] * math.exp(spread + times["air_effect"] * row["_fixed"])
    begin = datetime.combine(row["date"], datetime.min.time()) + timedelta(hours=float(rng.uniform(8, 15)))
    begin += timedelta(hours=row["rest_before_start_h"])
    row["_started"] = begin.replace(second=0, microsecond=0)
    gives_up = float(rng.uniform(*times["gives_up_s"]))
    starts = []
    if row["_time_to_pressure"] > gives_up:
        starts.append(_start(row, 1, gives_up, shown=False, rng=rng))
        row["_time_to_pressure"] = gives_up
        row["_shown"] = False
        again = float(rng.lognormal(math.log(times["second_start_s"]), 0.3))
        starts.append(_start(row, 2, again, shown=True, rng=rng))
    else:
        row["_shown"] = True
        starts.append(_start(row, 1, row["_time_to_pressure"], shown=True, rng=rng))
    return starts


def add_extra_run(row: dict[str, Any], starts: list[dict[str, Any]], rng: np.random.Generator) -> int:
    """Appends the start with the extra run; returns its number."""
    times, habits = read_settings()["times"], read_settings()["habits"]
    number = len(starts) + 1
    warm = float(rng.lognormal(math.log(times["extra_run_start_s"]), 0.25))
    start = _start(row, number, warm, shown=True, rng=rng)
    start |= dict.fromkeys(("first_hold_speed_rpm", "first_hold_s", "warmup_speed_max_rpm"), math.nan)
    start |= {
        "warmup_end_oil_temperature_degC": math.nan,
        "extra_run_speed_rpm": _speed(habits["extra_run_rpm"], rng),
        "extra_run_s": float(rng.choice(habits["extra_run_s"], p=habits["extra_run_shares"])),
    }
    starts.append(start)
    return number


def _start(
    row: dict[str, Any], number: int, time_s: float, *, shown: bool, rng: np.random.Generator
) -> dict[str, Any]:
    times, habits = read_settings()["times"], read_settings()["habits"]
    lake = row["site"] == "Lake"
    shares = habits["first_hold_shares_short" if lake else "first_hold_shares"]
    coldest, warmest = habits["warm_degC"]
    coldest = habits["warm_short_degC"] if lake else coldest
    turbo = bool(row["_engine"]["turbocharged"]) and shown
    flow = times["return_flow_s"] * math.exp(rng.normal(0, times["return_flow_sd"]) + 0.08 * row["_fixed"])
    longest = times["return_flow_waited_s"]
    seen = flow < longest
    row["_started"] += timedelta(minutes=0 if number == 1 else int(rng.integers(50, 120)))
    begin = row["_started"]
    return {
        "venting_id": row["venting_id"],
        "start_no": number,
        "started_at": begin,
        "time_to_pressure_s": max(0.5, round(time_s / 0.5) * 0.5),
        "pressure_shown": shown,
        "reading_step_s": 0.5,
        "return_flow_time_s": round(min(flow, longest) / 0.5) * 0.5 if turbo else math.nan,
        "return_flow_seen": seen if turbo else None,
        "first_hold_speed_rpm": _speed(habits["first_hold_rpm"], rng) if shown else math.nan,
        "first_hold_s": float(rng.choice(habits["first_hold_s"], p=shares)) if shown else math.nan,
        "warmup_speed_max_rpm": _speed(habits["warmup_rpm"], rng) if shown else math.nan,
        "warmup_end_oil_temperature_degC": float(round(rng.uniform(coldest, warmest))) if shown else math.nan,
        "extra_run_speed_rpm": math.nan,
        "extra_run_s": math.nan,
    }


def _speed(about: tuple[float, float], rng: np.random.Generator) -> float:
    """A speed as read from a dial in steps of ten, from its middle and its spread."""
    return float(round(rng.normal(*about) / 10) * 10)


def draw_traces(
    row: dict[str, Any], start: dict[str, Any], rng: np.random.Generator
) -> list[dict[str, np.ndarray]]:
    """Traces of turning by hand (start_no 0) and of the first start, as column arrays; empty where none was logged."""
    site = row["_engine"]["_site"]
    if rng.random() >= site.get("logger_share", 0.0):
        return []
    row["_logged"] = True
    step = 1.0 / site["logger_hz"]
    traces = []
    if row["turned_by"] == "hand" and row["pressure_shown"]:
        traces.append(_turning_trace(row, step, rng))
    traces.append(_start_trace(row, start, step, rng))
    return traces


def _turning_trace(row: dict[str, Any], step: float, rng: np.random.Generator) -> dict[str, np.ndarray]:
    speed = row["_crank_speed"]
    before = row["_rotations_crank"] / speed * 60.0
    after = (row["rotations_after_pressure"] or 0) / row["_per_crank"] / speed * 60.0
    lead = float(rng.uniform(3, 8))  # seconds logged before turning begins
    t = np.arange(0.0, lead + before + after + 5.0, step)
    turning = (t >= lead) & (t < lead + before + after)
    rpm = np.where(turning, speed + rng.normal(0, 1.5, t.size), 0.0)
    past = t - lead - before
    pressure = _rise(past, row["pressure_threshold_bar"], row["pressure_threshold_bar"] + 0.6, 2.0)
    pressure = np.where(
        turning | (past <= 0), pressure, pressure * np.exp(-np.clip(past - after, 0, None) / 2.0)
    )
    oil = np.full(t.size, row["oil_temperature_degC"])
    return _as_trace(row, 0, t, rpm, pressure, oil, rng)


def _start_trace(
    row: dict[str, Any], start: dict[str, Any], step: float, rng: np.random.Generator
) -> dict[str, np.ndarray]:
    lead = float(rng.uniform(3, 6))
    hold = start["first_hold_s"] if start["pressure_shown"] else 0.0
    warm = float(rng.uniform(230, 290)) if start["pressure_shown"] else 0.0
    run = 6.0 + hold + warm + 20.0 if start["pressure_shown"] else row["_time_to_pressure"]
    t = np.arange(0.0, lead + run + 4.0, step)
    past = t - lead
    rpm = np.select(
        [past < 0, past < 6, past < 6 + hold, past < 6 + hold + warm, past < run],
        [0.0, IDLE_RPM, start["first_hold_speed_rpm"], start["warmup_speed_max_rpm"] - 40.0, 1200.0],
        0.0,
    )
    if not start["pressure_shown"]:
        rpm = np.where((past >= 0) & (past < run), IDLE_RPM, 0.0)
    rpm = np.where(rpm > 0, rpm + rng.normal(0, 12, t.size), 0.0)
    begin, end = row["oil_temperature_degC"], start["warmup_end_oil_temperature_degC"]
    if start["pressure_shown"]:
        top = begin + (end - begin) / (1 - math.exp(-(6 + hold + warm) / 300.0))
        oil = begin + (top - begin) * (1 - np.exp(-np.clip(past, 0, None) / 300.0))
        pressure = _rise(past - row["_time_to_pressure"], row["pressure_threshold_bar"], COLD_BAR, 0.8)
        pressure = np.where(past < run, pressure, pressure * np.exp(-np.clip(past - run, 0, None)))
        # Air in the oil shows as a rough pressure.
        pressure = pressure + rng.normal(0, 0.03 + 0.04 * max(row["_fixed"], 0.0), t.size) * (pressure > 1.5)
    else:
        oil = np.full(t.size, begin)
        pressure = np.zeros(t.size)
    return _as_trace(row, 1, t, rpm, pressure, oil, rng)


def _rise(past: np.ndarray, threshold: float, top: float, time_constant: float) -> np.ndarray:
    """Pressure that passes ``threshold`` at 0 and settles at ``top``; a short foot before."""
    foot = threshold * np.clip(1 + past / 0.3, 0, None)
    settled = threshold + (top - threshold) * (1 - np.exp(-np.clip(past, 0, None) / time_constant))
    return np.where(past < 0, foot, settled)


def _as_trace(
    row: dict[str, Any],
    number: int,
    t: np.ndarray,
    rpm: np.ndarray,
    pressure: np.ndarray,
    oil: np.ndarray,
    rng: np.random.Generator,
) -> dict[str, np.ndarray]:
    return {
        "venting_id": np.full(t.size, row["venting_id"]),
        "start_no": np.full(t.size, number),
        "t_s": np.round(t, 2),
        "speed_rpm": np.round(np.clip(rpm, 0, None), 0 if number else 1),
        "oil_pressure_bar": np.round(np.clip(pressure, 0, None), 2),
        "oil_temperature_degC": np.round(oil + rng.normal(0, 0.1, t.size), 1),
    }
