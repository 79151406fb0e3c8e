"""Settings, calendar and arithmetic of the invented fleet: ``data/demo_fleet.toml``, oil, rotations, gap under force.

The arithmetic is kept apart from the library's own physics on purpose: records made with the same code that reads them could
not show a mistake in it. Lengths in mm unless said otherwise, pressures in Pa.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import date, timedelta
from functools import cache
from typing import Any

import numpy as np

from ventbook import tables
from ventbook.tables.limits import read_limits

PLANTS = ("tank_not_pressurised", "leaking_lot", "high_gauge", "worsening_site")
GRAVITY = 9.80665
DENSITY = 870.0


@cache
def read_settings() -> dict[str, Any]:
    """The settings as nested dicts, as they stand in the file."""
    return tables.read_toml(tables.DATA / "demo_fleet.toml")


@cache
def manual_value(step: str, of: str) -> float:
    """A number of the invented manual (``data/demo_limits.toml``), in its latest revision: ``of`` is low, high or reference.

    KeyError where the manual doesn't give it.
    """
    rows = [row for row in read_limits([tables.DATA / "demo_limits.toml"]).rows if row.step == step]
    value = getattr(rows[-1], of) if rows else None
    if value is None:
        raise KeyError(f"the demo's manual has no {of} for {step}")
    return float(value)


def check_plant(plant: Iterable[str] | None) -> tuple[str, ...]:
    """The causes to plant: all of them for None, none for an empty list.

    Raises ValueError naming what is allowed when a name is unknown.
    """
    if plant is None:
        return PLANTS
    if isinstance(plant, str):
        raise ValueError(f"plant must be a list of names, got the text {plant!r}")
    names = tuple(plant)
    wrong = [name for name in names if name not in PLANTS]
    if wrong:
        raise ValueError(f"plant must be among {', '.join(PLANTS)}; got {', '.join(map(repr, wrong))}")
    return names


def list_quarters() -> list[str]:
    """Labels of the fleet's quarters, first to last, as in 2024Q4."""
    fleet = read_settings()["fleet"]
    first = 4 * int(fleet["first_quarter"][:4]) + int(fleet["first_quarter"][-1]) - 1
    return [f"{at // 4}Q{at % 4 + 1}" for at in range(first, first + fleet["quarters"])]


def quarter_bounds(label: str) -> tuple[date, date]:
    """First day of a quarter and first day of the next one."""
    year, number = int(label[:4]), int(label[-1])
    start = date(year, 3 * number - 2, 1)
    return start, date(year + number // 4, 3 * number % 12 + 1, 1)


def hand_in_day(label: str) -> date:
    """The day on which a quarter's delivery is handed in."""
    return quarter_bounds(label)[1] + timedelta(days=read_settings()["fleet"]["handed_in_after_d"] - 1)


def ambient_pressure(elevation_m: float) -> float:
    """Pa at an elevation in the standard atmosphere (ISO 2533, troposphere)."""
    return 101325.0 * (1.0 - 2.25577e-5 * elevation_m) ** 5.25588


def kinematic_viscosity(temperature_degC: float, at_40: float, at_100: float) -> float:
    """mm2/s through two points by the Walther form log10 log10(v + 0.7) = A - B log10 T (ASTM D341)."""
    w40, w100 = (math.log10(math.log10(v + 0.7)) for v in (at_40, at_100))
    t40, t100, t = (math.log10(c + 273.15) for c in (40.0, 100.0, temperature_degC))
    slope = (w40 - w100) / (t100 - t40)
    return float(10.0 ** (10.0 ** (w40 - slope * (t - t40))) - 0.7)


def rotations_to_pressure(
    *,
    line_L: Any,
    cooler_L: Any,
    behind_pump_L: Any,
    displacement_cm3: Any,
    air_efficiency: Any,
    oil_efficiency: Any,
    ambient_Pa: Any,
    overpressure_bar: Any,
    head_m: Any,
    line_length_m: Any,
    line_bore_mm: Any,
    viscosity_mm2_s: Any,
    speed_rpm: Any,
    let_through: Any = 0.0,
    under_pressure_s: Any = 0.0,
) -> Any:
    """Crankshaft rotations until oil has replaced the air before and behind the pump.

    Numbers or arrays. The pump moves ``air_efficiency * displacement`` of air a rotation at its inlet pressure; tank pressure
    squeezes that air. A pump with clearances lets ``let_through`` displacements of air a second and bar through as
    well: out under tank pressure, while it stands (``under_pressure_s``) and while it turns, and back where it has to
    lift the oil. Returns inf where it cannot: more than 0.10 bar of static lift, or all that it moves leaks back.
    """
    lift = -DENSITY * GRAVITY * head_m - overpressure_bar * 1e5
    flow = air_efficiency * displacement_cm3 * 1e-6 * speed_rpm / 60.0
    viscosity = viscosity_mm2_s * 1e-6 * DENSITY
    drop = 128 * viscosity * line_length_m * flow / (math.pi * (line_bore_mm * 1e-3) ** 4)
    inlet = np.maximum(ambient_Pa - lift - drop, 0.3 * ambient_Pa)
    over_bar = (inlet - ambient_Pa) / 1e5
    free_cm3 = (line_L + cooler_L) * 1e3
    blown_out = let_through * displacement_cm3 * over_bar * inlet / ambient_Pa * under_pressure_s
    free_cm3 = free_cm3 - np.where(over_bar > 0, blown_out, 0.0)
    moved_cm3 = (air_efficiency + let_through * over_bar * 60.0 / speed_rpm) * displacement_cm3
    stalls = (free_cm3 > 0) & (moved_cm3 <= 0) | (lift > 0.10e5) & (line_L + cooler_L > 0)
    moved_cm3 = np.where(free_cm3 > 0, moved_cm3, 1.0)
    air = np.maximum(free_cm3, 0.0) / np.where(stalls, 1.0, moved_cm3) * ambient_Pa / inlet
    needed = air + behind_pump_L * 1e3 / (oil_efficiency * displacement_cm3)
    return np.where(stalls, math.inf, needed)[()]


def gap_under_force(
    air_mm3: np.ndarray,
    leak_um_per_s: np.ndarray,
    *,
    force_N: float | np.ndarray,
    time_s: float | np.ndarray,
    plunger_diameter_mm: float | np.ndarray,
    spring_force_N: float | np.ndarray,
    spring_rate_N_per_mm: float | np.ndarray,
    travel_mm: float | np.ndarray,
    rocker_ratio: float | np.ndarray,
    slack_mm: np.ndarray,
    ambient_Pa: float | np.ndarray,
    air_index: float,
    reference_force_N: float,
) -> np.ndarray:
    """Valve-side gap in mm after ``time_s`` under ``force_N``, from trapped air and leak-down.

    ``leak_um_per_s`` is the plunger's speed at the reference force; it goes with the chamber's pressure rise.
    The air is squeezed from ambient pressure with the index ``air_index``; the plunger stops at its travel.
    """
    area = math.pi * plunger_diameter_mm**2 / 4.0
    x = np.zeros_like(air_mm3)
    for _ in range(30):
        rise = np.maximum(force_N - spring_force_N - spring_rate_N_per_mm * x, 0.0) / area * 1e6
        x = 0.5 * x + 0.5 * air_mm3 / area * (1.0 - (ambient_Pa / (ambient_Pa + rise)) ** (1.0 / air_index))
    share = np.maximum(force_N - spring_force_N, 0.0) / (reference_force_N - spring_force_N)
    plunger = np.minimum(x + leak_um_per_s * 1e-3 * share * time_s, travel_mm)
    return rocker_ratio * plunger + slack_mm
