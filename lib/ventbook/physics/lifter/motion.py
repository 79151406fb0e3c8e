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

Where the force rises while it is held, by hand from F1 at the first reading (t1) to F at the last (t2), each reading has its own
pressure, dp1 and dp. With f = 1 - (p0 / (p0 + dp))^(1/n), x the air travel and v the growth at F::

    a  = x_a(F1) / x_a(F) = f(dp1) / f(dp)          the air squeezed by then
    q  = dp1 / dp                                   the leak goes with the pressure
    b1 = q t1,  b2 = b1 + m (t2 - t1)               times at F that leak as much; m = q + (1 - q) h, h from data/hands.toml
    G1 = r (a x + v b1) + s0                        G2 = r (x + v b2) + s0
    v  = (a (G2 - s0) - (G1 - s0)) / (r (a b2 - b1))    x = (G2 - s0) / r - v b2

a and q hang on x a little, through the spring's k x, so that both are solved together in a few steps.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from ventbook.numerics import Floats
from ventbook.tables.hands import hand_range

N_PER_MM2_PER_BAR = 0.1
AMBIENT_BAR = 1.01325
_NEWTON_STEPS = 40
FIRST_STEPS = 4


def plunger_area_mm2(diameter_mm: Any) -> Floats:
    """Area of the plunger.

    Parameters
    ----------
    diameter_mm : array_like, mm

    Returns
    -------
    ndarray, mm2
        ``pi / 4 D^2``.

    Examples
    --------
    >>> from ventbook.physics import lifter
    >>> round(float(lifter.plunger_area_mm2(11.5)), 2)
    103.87
    """
    return np.pi / 4.0 * np.square(np.asarray(diameter_mm, float))


def chamber_rise_bar(
    force_N: Any, *, spring_force_N: Any, spring_rate_N_per_mm: Any, travel_mm: Any, diameter_mm: Any
) -> Floats:
    """Pressure over ambient in the chamber under the plunger.

    Parameters
    ----------
    force_N : array_like, N
        At the pushrod side.
    spring_force_N, spring_rate_N_per_mm : array_like, N and N/mm
        Of the plunger spring.
    travel_mm : array_like, mm
        How far the plunger is in.
    diameter_mm : array_like, mm
        Of the plunger.

    Returns
    -------
    ndarray, bar
        ``(F - Fs - k x) / A``; 0 where the spring holds all.

    Examples
    --------
    >>> from ventbook.physics import lifter
    >>> rise = lifter.chamber_rise_bar(83.0, spring_force_N=18.0, spring_rate_N_per_mm=1.4, travel_mm=0.5, diameter_mm=11.5)
    >>> round(float(rise), 2)
    6.19
    """
    net = np.asarray(force_N, float) - spring_force_N - np.asarray(spring_rate_N_per_mm, float) * travel_mm
    return np.maximum(net, 0.0) / plunger_area_mm2(diameter_mm) / N_PER_MM2_PER_BAR


def squeezed_share(rise_bar: Any, *, ambient_bar: Any = AMBIENT_BAR, index: Any = 1.0) -> Floats:
    """Share of its free volume that trapped air gives up under pressure.

    Parameters
    ----------
    rise_bar : array_like, bar
        Pressure over ambient.
    ambient_bar : array_like, bar absolute
    index : array_like
        Polytropic index: 1 for a slow press (isothermal) to 1.25.

    Returns
    -------
    ndarray, 0..1
        ``1 - (p0 / (p0 + dp))^(1/n)``.

    Examples
    --------
    Twice the pressure halves the air:

    >>> from ventbook.physics import lifter
    >>> float(lifter.squeezed_share(1.0, ambient_bar=1.0))
    0.5
    """
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
    """Plunger travel that squeezing trapped air gives at once.

    Parameters
    ----------
    air_mm3 : array_like, mm3
        Free volume of the air, at ambient pressure.
    force_N : array_like, N
        At the pushrod side.
    spring_force_N, spring_rate_N_per_mm : array_like, N and N/mm
        Of the plunger spring.
    diameter_mm : array_like, mm
        Of the plunger.
    ambient_bar : array_like, bar absolute
    index : array_like
        Polytropic index, 1 to 1.25.

    Returns
    -------
    ndarray, mm
        x of ``x = (Va / A) (1 - (p0 / (p0 + dp(x)))^(1/n))``; 0 where the force doesn't beat the spring.
        Arrays broadcast.

    Notes
    -----
    Solved for x on both sides: closed form at n = 1, from which Newton goes on (the function is convex and
    rises, so the steps stay inside the bracket).

    Examples
    --------
    >>> from ventbook.physics import lifter
    >>> spring = {"spring_force_N": 18.0, "spring_rate_N_per_mm": 1.4, "diameter_mm": 11.5}
    >>> lifter.air_travel_mm([0.0, 30.0, 60.0], 83.0, **spring).round(3).tolist()
    [0.0, 0.248, 0.496]
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
    """Free air that gives the plunger a travel at once: the inverse of :func:`air_travel_mm`.

    Parameters
    ----------
    travel_mm : array_like, mm
        Under 0 counts as 0.
    force_N : array_like, N
        At the pushrod side.
    spring_force_N, spring_rate_N_per_mm : array_like, N and N/mm
        Of the plunger spring.
    diameter_mm : array_like, mm
        Of the plunger.
    ambient_bar : array_like, bar absolute
    index : array_like
        Polytropic index, 1 to 1.25.

    Returns
    -------
    ndarray, mm3
        0 for no travel, infinite where the spring alone would hold the force at that travel.

    Examples
    --------
    >>> from ventbook.physics import lifter
    >>> spring = {"spring_force_N": 18.0, "spring_rate_N_per_mm": 1.4, "diameter_mm": 11.5}
    >>> travel = lifter.air_travel_mm(60.0, 83.0, **spring)
    >>> round(float(lifter.trapped_air_mm3(travel, 83.0, **spring)), 9)
    60.0
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
    """Oil past the plunger, laminar through a narrow annulus.

    Parameters
    ----------
    rise_bar : array_like, bar
        Pressure over ambient in the chamber.
    diameter_mm, land_mm : array_like, mm
        Of the plunger, and its sealing length.
    clearance_um : array_like, um
        Radial clearance.
    viscosity_Pa_s : array_like, Pa s
        Dynamic viscosity of the oil.
    eccentricity : array_like, 0..1
        Relative: 1 where the plunger lies at the wall.

    Returns
    -------
    ndarray, mm3/s
        ``pi D c^3 dp (1 + 1.5 e^2) / (12 mu l)``.

    References
    ----------
    Laminar flow through a narrow eccentric annulus, in any textbook of lubrication.

    Examples
    --------
    A plunger at the wall leaks two and a half times as much as a centred one:

    >>> from ventbook.physics import lifter
    >>> plunger = {"diameter_mm": 11.5, "clearance_um": 4.0, "land_mm": 15.0, "viscosity_Pa_s": 0.05}
    >>> [round(float(lifter.leakage_flow_mm3_per_s(6.0, eccentricity=e, **plunger)), 3) for e in (0.0, 1.0)]
    [0.154, 0.385]
    """
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
    """Plunger speed of leak-down.

    Parameters
    ----------
    rise_bar : array_like, bar
        Pressure over ambient in the chamber.
    diameter_mm, land_mm : array_like, mm
        Of the plunger, and its sealing length.
    clearance_um : array_like, um
        Radial clearance.
    viscosity_Pa_s : array_like, Pa s
    eccentricity : array_like, 0..1

    Returns
    -------
    ndarray, um/s
        :func:`leakage_flow_mm3_per_s` over :func:`plunger_area_mm2`: ``c^3 dp (1 + 1.5 e^2) / (3 mu l D)``.

    Examples
    --------
    >>> from ventbook.physics import lifter
    >>> plunger = {"diameter_mm": 11.5, "land_mm": 15.0, "viscosity_Pa_s": 0.05}
    >>> round(float(lifter.growth_um_per_s(6.0, clearance_um=4.0, **plunger)), 2)
    1.48
    """
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
    """Radial clearance that would leak as fast as a growth: the inverse of :func:`growth_um_per_s`.

    Parameters
    ----------
    growth : array_like, um/s
        Plunger speed.
    rise_bar : array_like, bar
        Pressure over ambient in the chamber.
    diameter_mm, land_mm : array_like, mm
        Of the plunger, and its sealing length.
    viscosity_Pa_s : array_like, Pa s
    eccentricity : array_like, 0..1

    Returns
    -------
    ndarray, um
        0 where nothing grows or nothing presses.

    Examples
    --------
    >>> from ventbook.physics import lifter
    >>> plunger = {"diameter_mm": 11.5, "land_mm": 15.0, "viscosity_Pa_s": 0.05}
    >>> growth = lifter.growth_um_per_s(6.0, clearance_um=4.0, **plunger)
    >>> round(float(lifter.clearance_of_growth_um(growth, 6.0, **plunger)), 9)
    4.0
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
    """Gap at the valve some time after the press.

    Parameters
    ----------
    air_travel : array_like, mm
        Plunger travel from squeezed air, as :func:`air_travel_mm` gives it.
    growth : array_like, um/s
        Plunger speed of leak-down, as :func:`growth_um_per_s` gives it.
    time_s : array_like, s
        Since the force was applied.
    rocker_ratio : array_like
        Valve side over pushrod side.
    slack_mm : array_like, mm
        Gap at no force.
    plunger_travel_mm : array_like, mm
        Free travel of the plunger, where it ends.

    Returns
    -------
    ndarray, mm
        ``r min(x_a + v t, travel) + s0``.

    Examples
    --------
    >>> from ventbook.physics import lifter
    >>> lifter.gap_mm(0.2, 60.0, [0.5, 4.0], rocker_ratio=1.35).round(4).tolist()
    [0.3105, 0.594]
    """
    moved = np.asarray(air_travel, float) + np.asarray(growth, float) * 1e-3 * np.asarray(time_s, float)
    return np.asarray(rocker_ratio, float) * np.minimum(moved, plunger_travel_mm) + slack_mm


def scale_first_press(
    share: Any,
    travel_mm: Any,
    force_N: Any,
    *,
    spring_force_N: Any,
    spring_rate_N_per_mm: Any,
    diameter_mm: Any,
    ambient_bar: Any = AMBIENT_BAR,
    index: Any = 1.0,
) -> tuple[Floats, Floats]:
    """What a smaller (or larger) force at the first reading makes of the air travel and of the growth.

    Parameters
    ----------
    share : array_like
        Force at the first reading over ``force_N``.
    travel_mm : array_like, mm
        Plunger travel from squeezed air at ``force_N``.
    force_N : array_like, N
        At the last reading.
    spring_force_N, spring_rate_N_per_mm : array_like, N and N/mm
        Of the plunger spring.
    diameter_mm : array_like, mm
        Of the plunger.
    ambient_bar : array_like, bar absolute
    index : array_like
        Polytropic index, 1 to 1.25.

    Returns
    -------
    air : ndarray
        Air travel at the first force over that at the last; 1 at one force.
    rate : ndarray
        Growth at the first force over that at the last. Both 0 where the first force doesn't beat the spring.

    Notes
    -----
    The spring's share is put in again ``FIRST_STEPS`` times, each of which leaves about 3 % of the error before.

    Examples
    --------
    Half of the force squeezes the air four fifths as far, and leaks not half as fast, for the spring takes its part:

    >>> from ventbook.physics import lifter
    >>> spring = {"spring_force_N": 18.0, "spring_rate_N_per_mm": 1.4, "diameter_mm": 11.5}
    >>> air, rate = lifter.scale_first_press(0.5, 0.4, 83.0, **spring)
    >>> round(float(air), 2), round(float(rate), 2)
    (0.8, 0.36)
    """
    share, travel = np.asarray(share, float), np.maximum(np.asarray(travel_mm, float), 0.0)
    area = plunger_area_mm2(diameter_mm) * N_PER_MM2_PER_BAR
    last = np.maximum(np.asarray(force_N, float) - spring_force_N - spring_rate_N_per_mm * travel, 0.0) / area
    squeezed = squeezed_share(last, ambient_bar=ambient_bar, index=index)
    air, pushed = np.sqrt(share), share * force_N - spring_force_N
    with np.errstate(divide="ignore", invalid="ignore"):
        for _ in range(FIRST_STEPS):
            first = np.maximum(pushed - spring_rate_N_per_mm * air * travel, 0.0) / area
            air = squeezed_share(first, ambient_bar=ambient_bar, index=index) / squeezed
            air = np.where(np.isfinite(air), air, 1.0)
        rate = np.where(last > 0, first / last, 1.0)
    return air, rate


def growth_times(rate: Any, first_time_s: Any, time_s: Any, rise: Any = None) -> tuple[Floats, Floats]:
    """Times at the last reading's force that leak as much as was leaked by the two readings.

    Parameters
    ----------
    rate : array_like
        Growth at the first reading's force over that at the last's, as :func:`scale_first_press` gives it.
    first_time_s, time_s : array_like, s
        When the two were read.
    rise : array_like, 0..1, optional
        Where the mean growth between them lies, from the first's (0) to the last's (1), 0.5 for an even rise; default
        the middle of what hands do (``data/hands.toml``).

    Returns
    -------
    first, last : ndarray, s
        The times themselves at one force.

    Examples
    --------
    >>> from ventbook.physics import lifter
    >>> first, last = lifter.growth_times(0.4, 0.5, 4.0, rise=0.5)
    >>> round(float(first), 3), round(float(last), 3)
    (0.2, 2.65)
    """
    if rise is None:
        hands = hand_range("force_rise")
        rise = (hands.low + hands.high) / 2.0
    rate, first_time = np.asarray(rate, float), np.asarray(first_time_s, float)
    first = rate * first_time
    return first, first + (rate + (1.0 - rate) * rise) * (np.asarray(time_s, float) - first_time)


def split_readings(
    first_gap_mm: Any,
    first_time_s: Any,
    gap: Any,
    time_s: Any,
    *,
    rocker_ratio: Any,
    slack_mm: Any = 0.0,
    air_scale: Any = 1.0,
) -> tuple[Floats, Floats]:
    """Air travel and growth from two readings of one press: the inverse of :func:`gap_mm`.

    Parameters
    ----------
    first_gap_mm, first_time_s : array_like, mm and s
        As soon as the force was applied; where the force rose, the times of :func:`growth_times`.
    gap, time_s : array_like, mm and s
        At the end of the hold.
    rocker_ratio : array_like
        Valve side over pushrod side.
    slack_mm : array_like, mm
        Gap at no force.
    air_scale : array_like
        Air travel at the first reading's force over that at the last's (:func:`scale_first_press`).

    Returns
    -------
    travel : ndarray, mm
    growth : ndarray, um/s
        As the two readings say it: either may come out negative where the readings are noise.

    Raises
    ------
    ValueError
        Where the second reading is not after the first.

    Examples
    --------
    >>> from ventbook.physics import lifter
    >>> travel, growth = lifter.split_readings(0.3105, 0.5, 0.594, 4.0, rocker_ratio=1.35)
    >>> round(float(travel), 6), round(float(growth), 6)
    (0.2, 60.0)
    """
    span = air_scale * np.asarray(time_s, float) - first_time_s
    if np.any(span <= 0):
        raise ValueError(f"time_s must be after first_time_s; got a span of {np.min(span):g} s")
    first, last = np.asarray(first_gap_mm, float) - slack_mm, np.asarray(gap, float) - slack_mm
    growth = (air_scale * last - first) / (np.asarray(rocker_ratio, float) * span)
    return last / rocker_ratio - growth * time_s, growth * 1e3
