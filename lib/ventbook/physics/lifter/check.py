"""Lifter checks as the records give them: values of the lifter where on record, the engine type's usual ones
where not, uncertainties of the readings, and what the press was good for.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from ventbook import tables
from ventbook.numerics import Floats, read_numbers
from ventbook.physics import oil
from ventbook.physics.lifter.cause import MOST_AIR, Readings
from ventbook.physics.lifter.motion import AMBIENT_BAR, air_travel_mm
from ventbook.physics.lifter.spread import Press
from ventbook.tables.hands import hand_range

FIRST_TIME = 0.5  # s, where the time of the first reading is not on record
GAUGE_U = 0.02  # mm, without a gauge study
HAND_TIMING_U = (0.2, 0.3)  # s, of the first and the last reading by hand
FORCE_U = 0.10  # relative, of a hand gauge
BETWEEN_PRESSES = (
    0.5  # of the force's uncertainty; the rest is the gauge's and the same at both presses or readings
)
# Of values on record, relative (common practice, no source)
RECORDED_U = {
    "rocker_ratio": 0.02,
    "plunger_diameter_mm": 0.005,
    "plunger_spring_force_N": 0.10,
    "plunger_spring_rate_N_per_mm": 0.10,
    "plunger_travel_mm": 0.05,
}
TAKEN = {
    "rocker_ratio": "rocker ratio",
    "plunger_diameter_mm": "plunger diameter",
    "plunger_spring_force_N": "plunger spring force",
    "plunger_spring_rate_N_per_mm": "plunger spring rate",
    "plunger_travel_mm": "plunger travel",
    "force_N": "force",
    "hold_s": "hold",
    "gap_no_force_mm": "slack",
}
BIT = {name: 1 << i for i, name in enumerate(TAKEN)}
TYPE_UNKNOWN = 1 << len(TAKEN)


@dataclass(frozen=True)
class Checks:
    """One row a check: its readings, its press, a second press and what was taken from the usual values."""

    readings: Readings
    press: Press
    second_force: Floats
    second_gap: Floats
    late_gap: Floats
    late_time: Floats
    released_gap: Floats
    after_run: Floats
    runs: Floats
    viscosity: Floats
    land: Floats
    taken: npt.NDArray[np.int64]


def read_checks(
    frame: pd.DataFrame,
    *,
    reference_force_N: float | Floats,
    reference_hold_s: float | Floats,
    gauge_u_mm: float = GAUGE_U,
    timing_u_s: tuple[float, float] = HAND_TIMING_U,
) -> Checks:
    """The checks of ``frame`` under their stored column names; absent columns count as not recorded."""
    n = len(frame)
    types, code = _engine_types(frame)
    taken = np.where(np.array([t.known for t in types])[code], 0, TYPE_UNKNOWN).astype(np.int64)

    def usual(name: str) -> tuple[Floats, Floats]:
        return np.array([t[name] for t in types])[code], np.array([t.u(name) for t in types])[code]

    def geometry(name: str, low: float = 0.0) -> tuple[Floats, Floats]:
        recorded, (value, u) = read_numbers(frame, name), usual(name)
        usable = (recorded > low) & np.isfinite(recorded)
        taken[~usable] |= BIT[name]
        return np.where(usable, recorded, value), np.where(usable, RECORDED_U[name] * recorded, u)

    def reading(name: str, otherwise: float | Floats) -> Floats:
        recorded = read_numbers(frame, name)
        usable = np.isfinite(recorded) & (recorded >= 0)
        taken[~usable] |= BIT[name]
        return np.where(usable, recorded, otherwise)

    rocker, u_rocker = geometry("rocker_ratio")
    diameter, u_diameter = geometry("plunger_diameter_mm")
    spring, u_spring = geometry("plunger_spring_force_N")
    rate, _ = geometry("plunger_spring_rate_N_per_mm", low=-1e-12)
    travel, u_travel = geometry("plunger_travel_mm")
    force, hold = reading("force_N", reference_force_N), reading("hold_s", reference_hold_s)
    u_force = np.where(taken & BIT["force_N"], 2.0, 1.0) * FORCE_U * force
    slack_value, slack_u = usual("slack_mm")
    slack = read_numbers(frame, "gap_no_force_mm")
    slack_read = np.isfinite(slack) & (slack >= 0)
    taken[~slack_read] |= BIT["gap_no_force_mm"]
    gauge = read_numbers(frame, "gauge_u_mm")
    gauge = np.where(gauge > 0, gauge, gauge_u_mm)
    elevation = read_numbers(frame, "elevation_m")
    known = (elevation > -2000) & (elevation < 11000)
    ambient = np.where(known, oil.ambient_pressure_bar(np.where(known, elevation, 0.0)), AMBIENT_BAR)
    first_time = read_numbers(frame, "gap_at_once_time_s")
    first_time = np.where(first_time > 0, first_time, FIRST_TIME)
    first = read_numbers(frame, "gap_at_once_mm")
    hold = np.where(hold > 0, hold, reference_hold_s)
    # a press that didn't beat the spring shows no air and no leak
    weak = read_numbers(frame, "gap_at_once_force_N") <= 1.1 * spring
    first = np.where((first >= 0) & (hold > first_time) & ~weak, first, np.nan)
    slack = np.where(slack_read, slack, slack_value)
    longest = air_travel_mm(
        MOST_AIR,
        force,
        spring_force_N=spring,
        spring_rate_N_per_mm=rate,
        diameter_mm=diameter,
        ambient_bar=ambient,
        index=1.125,
    )
    readings = Readings(
        first_gap=first,
        first_time=first_time,
        gap=read_numbers(frame, "gap_mm"),
        time=hold,
        rocker_ratio=rocker,
        most_air_travel=np.maximum(longest, 0.05),
        slack=slack,
        u_slack=np.where(slack_read, gauge, slack_u),
        slack_read=slack_read,
        u_gap=gauge,
        u_first_time=np.full(n, timing_u_s[0]),
        u_time=np.full(n, timing_u_s[1]),
        cap=rocker * travel + slack,
        u_cap=np.hypot(rocker * u_travel, travel * u_rocker),
    )
    at_once = _force_at_once(frame, force, u_force, np.isfinite(first))
    press = Press(
        force, u_force, spring, u_spring, rate, rocker, u_rocker, diameter, u_diameter, ambient, *at_once
    )
    land = read_numbers(frame, "plunger_land_mm")
    late, late_time = read_numbers(frame, "late_gap_mm"), read_numbers(frame, "late_gap_time_s")
    later = (late >= 0) & (late_time > hold)
    released = read_numbers(frame, "gap_released_mm")
    second, second_gap = read_numbers(frame, "second_force_N"), read_numbers(frame, "second_gap_mm")
    both = (second > 0) & (second_gap >= 0)
    return Checks(
        readings,
        press,
        np.where(both, second, np.nan),
        np.where(both, second_gap, np.nan),
        np.where(later, late, np.nan),
        np.where(later, late_time, np.nan),
        np.where(released >= 0, released, np.nan),
        _after_run(frame),
        _count_runs(frame),
        _viscosity(frame),
        np.where(land > 0, land, usual("plunger_land_mm")[0]),
        taken,
    )


def _force_at_once(
    frame: pd.DataFrame, force: Floats, u_force: Floats, read: npt.NDArray[np.bool_]
) -> tuple[Floats, Floats, Floats]:
    """Force at the first reading over that at the last: low and high, the same where on record, and u of that.

    What is the same at both, the gauge's own error, cancels. Where it isn't on record, anything that hands do.
    """
    recorded = read_numbers(frame, "gap_at_once_force_N")
    known = (recorded > 0) & (force > 0)
    some = np.where(force > 0, force, 1.0)
    share = np.where(known, recorded, some) / some
    hands = hand_range("force_at_once_share")
    between = BETWEEN_PRESSES * share * u_force / some
    return (
        np.where(read & ~known, hands.low, share),
        np.where(read & ~known, hands.high, share),
        np.where(read & known, between, 0.0),
    )


def _after_run(frame: pd.DataFrame) -> Floats:
    """The gap read again after a further run; missing where there was none."""
    if "gap_after_run_mm" in frame.columns:
        return read_numbers(frame, "gap_after_run_mm")
    ran = read_numbers(frame, "extra_run_between") == 1.0
    return np.where(ran, read_numbers(frame, "gap_last_mm"), np.nan)


def _count_runs(frame: pd.DataFrame) -> Floats:
    """How many runs lie between the two readings; 1 where that isn't on record."""
    with np.errstate(invalid="ignore"):
        runs = read_numbers(frame, "last_after_start") - read_numbers(frame, "first_after_start")
        return np.where(runs >= 1, runs, 1.0)


def _viscosity(frame: pd.DataFrame) -> Floats:
    """Viscosity [Pa s] of the oil in the lifter, missing where the temperature is not on record."""
    temperature = read_numbers(frame, "oil_temperature_degC")
    usable = (temperature > -60) & (temperature < 200)
    grades = frame["oil_grade"] if "oil_grade" in frame.columns else [None] * len(frame)
    rows, _ = oil.find_grades(grades)
    value, _ = oil.viscosity_of_rows(rows, np.where(usable, temperature, 50.0))
    return np.where(usable, value, np.nan)


def _engine_types(frame: pd.DataFrame) -> tuple[list[tables.EngineTypeValues], npt.NDArray[np.int64]]:
    if "engine_type" not in frame.columns:
        return [tables.engine_type_values("*")], np.zeros(len(frame), dtype=np.int64)
    codes, names = pd.factorize(frame["engine_type"].astype("str"))
    types = [tables.engine_type_values(str(n)) for n in [*names, "*"]]
    return types, np.where(codes < 0, len(names), codes).astype(np.int64)
