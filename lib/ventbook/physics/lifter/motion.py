"""A hydraulic lifter pressed by hand: the gap from trapped air and from leak-down, and back again.

The check presses the pushrod side with force F and reads the gap at the valve side after t seconds::

    A   = pi D^2 / 4                                        plunger
    dp  = (F - Fs - k x) / A                                rise in the chamber over ambient
    x_a = (Va / A) (1 - (p0 / (p0 + dp))^(1/n))             air squeezed at once, dp taken at x = x_a
    v   = c^3 dp (1 + 1.5 e^2) / (3 mu l D)                 leak-down past the plunger, um/s
    G   = r min(x_a + v t, travel) + s0                     gap at the valve

Fs and k are the plunger spring's force and rate, r the rocker ratio, p0 the absolute ambient pressure, Va the
free volume of trapped air, n 1 (slow press, isothermal) to 1.25, c the radial clearance, e its relative
eccentricity, l the land, s0 the slack at no force. v is held at the pressure of x_a; the spring's k x lowers it
within a check, so that the gap after 3 s comes out high by (in %, for the worked lifter, air 0 / 30 / 60 / 120 mm3)

    growth   3 um/s   .01  .01  .01  .01
    growth  60 um/s   .27  .18  .15  .14
    growth 125 um/s   .56  .44  .38  .33
    growth 250 um/s  1.13  .98  .88  .77

The leak term is laminar flow through a narrow annulus,
Q = pi D c^3 dp (1 + 1.5 e^2) / (12 mu l), over A. Units are in the names; arrays broadcast.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
N_PER_MM2_PER_BAR = 0.1
AMBIENT_BAR = 1.01325
_NEWTON_STEPS = 40


def plunger_area_mm2(diameter_mm: Any) -> Floats:
    """Area of the plunger [mm2]."""
    return np.pi / 4.0 * np.square(np.asarray(diameter_mm, float))


def chamber_rise_bar(
    force_N: Any, *, spring_force_N: Any, spring_rate_N_per_mm: Any, travel_mm: Any, diameter_mm: Any
) -> Floats:
    """Pressure over ambient [bar] in the chamber with the plunger ``travel_mm`` in; 0 where the spring holds all."""
    net = np.asarray(force_N, float) - spring_force_N - np.asarray(spring_rate_N_per_mm, float) * travel_mm
    return np.maximum(net, 0.0) / plunger_area_mm2(diameter_mm) / N_PER_MM2_PER_BAR


def squeezed_share(rise_bar: Any, *, ambient_bar: Any = AMBIENT_BAR, index: Any = 1.0) -> Floats:
    """Share of its free volume that trapped air gives up under ``rise_bar``: 1 - (p0 / (p0 + dp))^(1/n)."""
    return -np.expm1(-np.log1p(np.asarray(rise_bar, float) / ambient_bar) / index)


def air_travel_mm(
    air_mm3: Any,
    force_N: Any,
    *,
    spring_force_N: Any,
    spring_rate_N_per_mm: Any,
    diameter_mm: Any,
    ambient_bar: Any = AMBIENT_BAR,
    index: Any = 1.0,
) -> Floats:
    """Plunger travel x_a [mm] that squeezing ``air_mm3`` of free air gives; 0 where the force doesn't beat the spring.

    Solved for x on both sides: closed form at n = 1, from which Newton goes on (the function is convex and rises,
    so the steps stay inside the bracket).
    """
    area = plunger_area_mm2(diameter_mm)
    ambient = np.asarray(ambient_bar, float) * N_PER_MM2_PER_BAR
    rate, net = np.asarray(spring_rate_N_per_mm, float), np.asarray(force_N, float) - spring_force_N
    longest = np.asarray(air_mm3, float) / area
    net, rate, longest, ambient, area, index = np.broadcast_arrays(net, rate, longest, ambient, area, index)
    pushed = np.maximum(net, 0.0)
    # n = 1: k x^2 - (P + k X) x + X f = 0 with X = Va/A, f the net force, P = f + p0 A; smaller root, stable form
    b = pushed + ambient * area + rate * longest
    x = 2.0 * longest * pushed / (b + np.sqrt(b * b - 4.0 * rate * longest * pushed))
    if np.any(index != 1.0):
        for _ in range(_NEWTON_STEPS):
            rise = np.maximum(pushed - rate * x, 0.0) / area
            left = np.exp(-np.log1p(rise / ambient) / index)
            slope = 1.0 + longest * left / (index * (ambient + rise)) * rate / area
            step = (x - longest * (1.0 - left)) / slope
            x = x - step
            if np.all(np.abs(step) <= 1e-15 * (1.0 + x)):
                break
    return np.where(net > 0, np.maximum(x, 0.0), 0.0)


def trapped_air_mm3(
    travel_mm: Any,
    force_N: Any,
    *,
    spring_force_N: Any,
    spring_rate_N_per_mm: Any,
    diameter_mm: Any,
    ambient_bar: Any = AMBIENT_BAR,
    index: Any = 1.0,
) -> Floats:
    """Free air [mm3] that gives the plunger ``travel_mm`` at once: the inverse of :func:`air_travel_mm`.

    0 for no travel. Infinite where the spring alone would hold the force at that travel.
    """
    travel = np.maximum(np.asarray(travel_mm, float), 0.0)
    rise = chamber_rise_bar(
        force_N,
        spring_force_N=spring_force_N,
        spring_rate_N_per_mm=spring_rate_N_per_mm,
        travel_mm=travel,
        diameter_mm=diameter_mm,
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        air = (
            travel
            * plunger_area_mm2(diameter_mm)
            / squeezed_share(rise, ambient_bar=ambient_bar, index=index)
        )
    return np.where(travel > 0, air, 0.0)


def leakage_flow_mm3_per_s(
    rise_bar: Any,
    *,
    diameter_mm: Any,
    clearance_um: Any,
    land_mm: Any,
    viscosity_Pa_s: Any,
    eccentricity: Any = 0.0,
) -> Floats:
    """Oil past the plunger [mm3/s], laminar through a narrow annulus: pi D c^3 dp (1 + 1.5 e^2) / (12 mu l)."""
    clearance = np.asarray(clearance_um, float) * 1e-3
    pressure = np.asarray(rise_bar, float) * 1e5
    lean = 1.0 + 1.5 * np.square(np.asarray(eccentricity, float))
    return (
        np.pi
        * diameter_mm
        * clearance**3
        * pressure
        * lean
        / (12.0 * np.asarray(viscosity_Pa_s, float) * land_mm)
    )


def growth_um_per_s(
    rise_bar: Any,
    *,
    diameter_mm: Any,
    clearance_um: Any,
    land_mm: Any,
    viscosity_Pa_s: Any,
    eccentricity: Any = 0.0,
) -> Floats:
    """Plunger speed [um/s] of leak-down: leakage over plunger area."""
    flow = leakage_flow_mm3_per_s(
        rise_bar,
        diameter_mm=diameter_mm,
        clearance_um=clearance_um,
        land_mm=land_mm,
        viscosity_Pa_s=viscosity_Pa_s,
        eccentricity=eccentricity,
    )
    return flow / plunger_area_mm2(diameter_mm) * 1e3


def clearance_of_growth_um(
    growth: Any,
    rise_bar: Any,
    *,
    diameter_mm: Any,
    land_mm: Any,
    viscosity_Pa_s: Any,
    eccentricity: Any = 0.0,
) -> Floats:
    """Radial clearance [um] that would leak as fast as ``growth`` [um/s]: the inverse of :func:`growth_um_per_s`.

    0 where nothing grows or nothing presses.
    """
    at_1um = growth_um_per_s(
        rise_bar,
        diameter_mm=diameter_mm,
        clearance_um=1.0,
        land_mm=land_mm,
        viscosity_Pa_s=viscosity_Pa_s,
        eccentricity=eccentricity,
    )
    grown = np.maximum(np.asarray(growth, float), 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where((at_1um > 0) & (grown > 0), np.cbrt(grown / at_1um), 0.0)


def gap_mm(
    air_travel: Any,
    growth: Any,
    time_s: Any,
    *,
    rocker_ratio: Any,
    slack_mm: Any = 0.0,
    plunger_travel_mm: Any = np.inf,
) -> Floats:
    """Gap at the valve [mm] ``time_s`` after the press: air travel [mm] and growth [um/s], capped by the travel."""
    moved = np.asarray(air_travel, float) + np.asarray(growth, float) * 1e-3 * np.asarray(time_s, float)
    return np.asarray(rocker_ratio, float) * np.minimum(moved, plunger_travel_mm) + slack_mm


def split_readings(
    first_gap_mm: Any, first_time_s: Any, gap: Any, time_s: Any, *, rocker_ratio: Any, slack_mm: Any = 0.0
) -> tuple[Floats, Floats]:
    """Air travel [mm] and growth [um/s] from two readings of one press: the inverse of :func:`gap_mm`.

    As the two readings say it: either may come out negative where the readings are noise.
    """
    span = np.asarray(time_s, float) - first_time_s
    if np.any(span <= 0):
        raise ValueError(f"time_s must be after first_time_s; got a span of {np.min(span):g} s")
    growth = (np.asarray(gap, float) - first_gap_mm) / (np.asarray(rocker_ratio, float) * span)
    travel = (np.asarray(first_gap_mm, float) - slack_mm) / rocker_ratio - growth * first_time_s
    return travel, growth * 1e3
