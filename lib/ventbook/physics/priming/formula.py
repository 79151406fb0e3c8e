"""Crankshaft rotations that a venting needs: the arithmetic, term by term.

The pump first draws the air of the suction side through itself, then fills the pressure side::

    V0   = lines_empty pi/4 d^2 L + cooler_empty cooler volume      air on the suction side, at ambient pressure
    Vd   = galleries + filter_new filter volume                     to fill on the pressure side
    p_in = p0 + tank overpressure + rho g head - line drop          absolute, at the pump inlet
    line drop = 128 mu L Q / (pi d^4),   Q = y ea D n               Hagen-Poiseuille, laminar
    N    = (V0 - X) p0 / (y ea D p_in) + Vd / (eta D)
    y    = 1 + c (p_in + p0) (p_in - p0) / (2 n ea p_in)            share of its own draw that the pump keeps
    X    = c D t (p_s^2 - p0^2) / (2 p0),   p_s = p0 + tank overpressure + rho g head
    eta  = eo - S / (mu n)

The first term is the air's mass p0 V0 / (R T) over what leaves a rotation (isothermal): the pump moves ea D p_in / (R T), and its
clearances pass what a slit passes, c D (p_in^2 - p0^2) / (2 R T) a second (n rotations a second), towards the lower pressure. So a
pump that lets air through draws less while it lifts, stalls where the two are even, at a lift that goes with its speed,
and while it stands under tank pressure for t seconds X of the air leaves before the first rotation. With c = 0 tank pressure only
squeezes the air: N = V0 / (ea D) p0 / p_in. Oil slips back through the same clearances: S / (mu n) of the displacement.
Head and line drop are held at their full-line values (2 to 6 % on the safe side). D, ea, eo are a crankshaft rotation's
displacement and the pump's efficiency on air and on oil. Arrays broadcast; units are in the names.

For a slit of width w, height h and length l: c D = w h^3 / (12 mu_air l) and S = w h^3 / (12 l D) times the back pressure.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ventbook.numerics import Floats
from ventbook.physics.oil import GRAVITY

PASCAL_PER_BAR = 1e5
AIR_VISCOSITY_PA_S = 1.81e-5
"""Of air at 20 degC (handbook value, from memory); it rises by a quarter of a percent a kelvin."""
SURFACE_TENSION_N_PER_M = 0.03
LEAST_DRAW = 0.02
"""Share of its own draw under which a pump that lifts counts as stalled: so little is a bound that keeps numbers finite."""
LEAST_OIL_EFFICIENCY = 0.2
BEND = 0.05
"""Over this share of the air the amount that leaves the standing pump is rounded at its end, so that it can be differentiated."""


def line_volume_cm3(length_m: Any, bore_mm: Any) -> Floats:
    """Volume of a line.

    Parameters
    ----------
    length_m : array_like, m
    bore_mm : array_like, mm
        Inside diameter.

    Returns
    -------
    ndarray, cm3
        ``pi / 4 d^2 L``; arrays broadcast.

    Examples
    --------
    >>> from ventbook.physics import priming
    >>> round(float(priming.line_volume_cm3(2.0, 12.0)), 1)
    226.2
    """
    return np.pi / 4.0 * np.square(np.asarray(bore_mm, float)) * np.asarray(length_m, float)


def line_drop_bar(viscosity_Pa_s: Any, length_m: Any, flow_cm3_per_s: Any, bore_mm: Any) -> Floats:
    """Pressure lost along a line in laminar flow.

    Parameters
    ----------
    viscosity_Pa_s : array_like, Pa s
        Dynamic viscosity.
    length_m : array_like, m
    flow_cm3_per_s : array_like, cm3/s
    bore_mm : array_like, mm
        Inside diameter.

    Returns
    -------
    ndarray, bar
        ``128 mu L Q / (pi d^4)``; arrays broadcast.

    References
    ----------
    The law of Hagen and Poiseuille, in any textbook of fluid mechanics; good while the flow is laminar, which
    cold oil at cranking speed is.

    Examples
    --------
    Oil of .5 Pa s, 2 m of 12 mm, a pump of 8 cm3 at 60 % on 30 rpm:

    >>> from ventbook.physics import priming
    >>> round(float(priming.line_drop_bar(0.5, 2.0, 0.6 * 8 * 30 / 60, 12.0)), 4)
    0.0472
    """
    bore = np.asarray(bore_mm, float) * 1e-3
    flow = np.asarray(flow_cm3_per_s, float) * 1e-6
    drop = 128.0 * np.asarray(viscosity_Pa_s, float) * np.asarray(length_m, float) * flow / (np.pi * bore**4)
    return drop / PASCAL_PER_BAR


def head_bar(density_kg_per_m3: Any, head_m: Any) -> Floats:
    """Pressure of oil standing over the pump inlet.

    Parameters
    ----------
    density_kg_per_m3 : array_like, kg/m3
    head_m : array_like, m
        Oil level over the pump inlet; under it is negative.

    Returns
    -------
    ndarray, bar
        ``rho g h``; negative where the pump has to lift.

    Examples
    --------
    >>> from ventbook.physics import priming
    >>> round(float(priming.head_bar(870.0, -0.35)), 4)
    -0.0299
    """
    return np.asarray(density_kg_per_m3, float) * GRAVITY * np.asarray(head_m, float) / PASCAL_PER_BAR


def bubble_rise_m_per_s(bore_mm: Any, viscosity_Pa_s: Any, density_kg_per_m3: Any = 870.0) -> Floats:
    """How fast a bubble of air as wide as the line rises in a standing line of oil.

    Parameters
    ----------
    bore_mm : array_like, mm
    viscosity_Pa_s, density_kg_per_m3 : array_like, Pa s and kg/m3
        Of the oil.

    Returns
    -------
    ndarray, m/s
        0 in a line so narrow that surface tension holds the bubble.

    Notes
    -----
    With R = sqrt(d^3 g) rho / mu and Eo = rho g d^2 / sigma, the rise over sqrt(g d) is 9.494e-3 R^1.026 / (1 + 6197 / Eo^2.561)^.5793 for R under
    10 and .34 / (1 + 3805 / Eo^3.06)^.58 over 200; between, the smaller of the two, which the published curve lies a little under. Surface tension
    .03 N/m (oils: .028 to .033, from memory).

    References
    ----------
    Viana, Pardo, Yanez, Trallero, Joseph, J. Fluid Mech. 494 (2003) 379 (abstract seen); Bretherton, J. Fluid Mech. 10 (1961) 166 (from memory): no
    rise under rho g (d/2)^2 / sigma = .842.

    Examples
    --------
    >>> from ventbook.physics import priming
    >>> priming.bubble_rise_m_per_s([3.0, 12.0], 0.3).round(3).tolist()
    [0.0, 0.033]
    """
    bore = np.asarray(bore_mm, float) * 1e-3
    density = np.asarray(density_kg_per_m3, float)
    reynolds = np.sqrt(bore**3 * GRAVITY) * density / np.asarray(viscosity_Pa_s, float)
    eotvos = density * GRAVITY * bore**2 / SURFACE_TENSION_N_PER_M
    thick = 9.494e-3 * reynolds**1.026 / (1.0 + 6197.0 / eotvos**2.561) ** 0.5793
    thin = 0.34 / (1.0 + 3805.0 / eotvos**3.06) ** 0.58
    rise = np.minimum(thick, thin) * np.sqrt(GRAVITY * bore)
    return np.where(eotvos < 4.0 * 0.842, 0.0, rise)


def let_through_per_s_bar(clearance_um: Any, leak_ratio: Any, displacement_cm3: Any) -> Floats:
    """What a dry pump's clearances pass of air, in displacements a second and bar.

    Parameters
    ----------
    clearance_um : array_like, um
        Height of the slits between gears and housing.
    leak_ratio : array_like
        Their width over their length along the flow, all slits together.
    displacement_cm3 : array_like, cm3
        Oil moved a crankshaft rotation, geometric.

    Returns
    -------
    ndarray, 1/(s bar)
        ``w h^3 / (12 mu l D)`` with air's viscosity; arrays broadcast.

    Examples
    --------
    >>> from ventbook.physics import priming
    >>> [round(float(priming.let_through_per_s_bar(h, 20.0, 7.0)), 1) for h in (15.0, 25.0, 50.0)]
    [4.4, 20.6, 164.4]
    """
    height = np.asarray(clearance_um, float) * 1e-6
    swept = np.asarray(displacement_cm3, float) * 1e-6
    return np.asarray(leak_ratio, float) * height**3 / (12.0 * AIR_VISCOSITY_PA_S * swept) * PASCAL_PER_BAR


def slip_Pa(clearance_um: Any, leak_ratio: Any, displacement_cm3: Any, back_pressure_bar: Any) -> Floats:
    """Oil that slips back through the pump's clearances: the S of ``eta = eo - S / (mu n)``.

    Parameters
    ----------
    clearance_um, leak_ratio, displacement_cm3 : array_like
        As for :func:`let_through_per_s_bar`.
    back_pressure_bar : array_like, bar
        That the pump works against while galleries fill.

    Returns
    -------
    ndarray, Pa
        ``w h^3 / (12 l D) p_b``; arrays broadcast.

    Examples
    --------
    Oil of .04 Pa s at half a rotation a second loses 3 % in clearances of 50 um against .2 bar:

    >>> from ventbook.physics import priming
    >>> round(float(priming.slip_Pa(50.0, 20.0, 7.0, 0.2)) / (0.04 * 0.5), 3)
    0.03
    """
    per_bar = let_through_per_s_bar(clearance_um, leak_ratio, displacement_cm3) * AIR_VISCOSITY_PA_S
    return per_bar * np.asarray(back_pressure_bar, float)


@dataclass(frozen=True)
class Course:
    """One way of priming, with what its logarithm hangs on.

    ``suction`` and ``side`` are rotations, ``draw`` the share of its own draw that the pump keeps while turning (at nought it stalls),
    ``taken`` what the static lift takes of it.
    ``ln suction`` rises by ``by_air``, ``by_leak``, ``by_speed`` and ``by_line`` with the logarithms of the efficiency on air, of what
    passes while turning, of speed and of the line's resistance; by ``per_bar`` a bar of static pressure at the pump. It falls by ``gone`` with the logarithm
    of what leaves the standing pump, and that rises by ``standing_per_bar`` a bar. ``slip`` is S / (mu n) over the efficiency left.
    """

    suction: Floats
    side: Floats
    inlet: Floats
    draw: Floats
    taken: Floats
    passed: Floats
    efficiency: Floats
    by_air: Floats
    by_leak: Floats
    by_speed: Floats
    by_line: Floats
    per_bar: Floats
    gone: Floats
    standing_per_bar: Floats
    slip: Floats

    def by_oil(self, oil_efficiency: Floats) -> Floats:
        """Of ``ln side`` by the logarithm of the pump's efficiency on oil."""
        free = self.efficiency > LEAST_OIL_EFFICIENCY
        return np.where(free, -oil_efficiency / self.efficiency, 0.0)


def run_course(
    *,
    air_cm3: Floats,
    fill_cm3: Floats,
    displacement_cm3: Floats,
    ambient_bar: Floats,
    push_bar: Floats,
    drop_bar: Floats,
    turns_per_s: Floats,
    viscosity_Pa_s: Floats,
    standing_s: Floats,
    air_efficiency: Floats,
    oil_efficiency: Floats,
    let_through: Floats,
    slip: Floats,
    least_inlet_bar: Floats | float = 0.05,
) -> Course:
    """Rotations of both sides from what they hang on, as arrays of one shape (numbers broadcast).

    ``push_bar`` is tank overpressure and head, ``standing_s`` the time under it before the first rotation, ``drop_bar`` the line drop
    at the pump's own draw. A pump that draws less has less drop, so whether it stalls is settled by the static lift. Inlet pressure is held at
    ``least_inlet_bar``, the draw at LEAST_DRAW.
    """
    standing = ambient_bar + push_bar
    # c (p_in + p0) / (2 n ea p_in) with the static pressure for p_in: what a bar of lift takes of the draw
    per_lift = let_through * (standing + ambient_bar) / (2.0 * turns_per_s * air_efficiency * standing)
    kept_lift, damped = 1.0 + per_lift * push_bar, 1.0 + per_lift * drop_bar
    draw = kept_lift / damped
    moving = draw > LEAST_DRAW
    drawn = np.maximum(draw, LEAST_DRAW)
    lost_bar = drop_bar * drawn
    inlet = np.maximum(standing - lost_bar, least_inlet_bar)
    part = np.where(inlet > least_inlet_bar, lost_bar / inlet, 0.0)
    square = ambient_bar * ambient_bar
    excess = np.maximum(standing * standing - square, 0.0)
    passed = let_through * displacement_cm3 * standing_s * excess / (2.0 * ambient_bar)
    with np.errstate(divide="ignore", invalid="ignore"):
        over = np.where(air_cm3 > 0, passed / air_cm3, 0.0)
        lift = np.where(moving, -per_lift * push_bar / kept_lift, 0.0)
        damp = np.where(moving, per_lift * drop_bar / damped, 0.0)
        slope = np.where(moving, per_lift / kept_lift, 0.0)
    kept, gone = _keep(over)
    suction = air_cm3 * kept * ambient_bar / (displacement_cm3 * air_efficiency * inlet * drawn)
    lost = slip / (viscosity_Pa_s * turns_per_s)
    efficiency = np.maximum(oil_efficiency - lost, LEAST_OIL_EFFICIENCY)
    return Course(
        suction=suction,
        side=fill_cm3 / (displacement_cm3 * efficiency),
        inlet=inlet,
        draw=draw,
        taken=-per_lift * push_bar,
        passed=np.minimum(passed, air_cm3),
        efficiency=efficiency,
        by_air=-(1.0 + lift) * (1.0 - part),
        by_leak=(lift + damp) * (1.0 - part),
        by_speed=part * (1.0 + lift) - lift,
        by_line=damp + part * (1.0 - damp),
        per_bar=-1.0 / inlet - slope * (1.0 - part),
        gone=gone,
        standing_per_bar=2.0 * standing / np.maximum(excess, 1e-9),
        slip=np.where(efficiency > LEAST_OIL_EFFICIENCY, lost / efficiency, 0.0),
    )


def _keep(over: Floats) -> tuple[Floats, Floats]:
    """Share of the air that is still there once ``over`` times its volume could have left, and its fall with the logarithm of that.

    One less what left, rounded at the end over BEND; exactly 1 where nothing leaves.
    """
    z = np.maximum((1.0 - over) / BEND, -30.0)
    soft = np.logaddexp(0.0, z)
    slope = 1.0 / (1.0 + np.exp(-z)) / soft
    return soft / np.logaddexp(0.0, 1.0 / BEND), over / BEND * np.where(z > -30.0, slope, 0.0)


def rotations_to_prime(
    *,
    line_length_m: Any,
    line_bore_mm: Any,
    displacement_cm3: Any,
    lines_empty: Any = True,
    cooler_cm3: Any = 0.0,
    cooler_empty: Any = False,
    gallery_cm3: Any = 150.0,
    filter_cm3: Any = 0.0,
    filter_new: Any = False,
    tank_overpressure_bar: Any = 0.0,
    pressurised_s: Any = 0.0,
    head_m: Any = 0.0,
    viscosity_Pa_s: Any = 0.0,
    density_kg_per_m3: Any = 870.0,
    ambient_bar: Any = 1.01325,
    speed_rpm: Any = 30.0,
    air_efficiency: Any = 0.60,
    oil_efficiency: Any = 0.85,
    let_through: Any = 0.0,
    slip: Any = 0.0,
    floor_bar: Any = 0.0,
) -> dict[str, Floats]:
    """All terms of the rotations that a venting needs, for plain numbers or arrays.

    Parameters
    ----------
    line_length_m, line_bore_mm : array_like, m and mm
        Suction line.
    displacement_cm3 : array_like, cm3
        Oil moved a crankshaft rotation, geometric.
    lines_empty, cooler_empty, filter_new : array_like, yes/no or 0..1
        What has to be filled.
    cooler_cm3, gallery_cm3, filter_cm3 : array_like, cm3
        Volumes of the cooler in the suction path, of the galleries, and of the filter.
    tank_overpressure_bar : array_like, bar gauge
    pressurised_s : array_like, s
        Under tank pressure before the first rotation.
    head_m : array_like, m
        Oil level over the pump inlet; under it is negative.
    viscosity_Pa_s, density_kg_per_m3 : array_like, Pa s and kg/m3
        Of the oil in the line.
    ambient_bar : array_like, bar absolute
    speed_rpm : array_like, rpm
        Crankshaft speed while turning.
    air_efficiency, oil_efficiency : array_like, 0..1
        Of the pump on air and on oil; of the latter what slips back is taken off.
    let_through : array_like, 1/(s bar)
        Displacements of air that pass the pump's clearances a second and bar; 0 for one that a check valve or an
        oil film seals.
    slip : array_like, Pa
        S of ``eta = eo - S / (mu n)``.
    floor_bar : array_like, bar absolute
        Lowest inlet pressure reckoned with without tank pressure, so that the saving stays a number.

    Returns
    -------
    dict of ndarray
        ``rotations``, ``suction`` (without tank pressure), ``tank_saving``, ``pressure_side`` (rotations =
        suction - tank_saving + pressure_side), ``air_cm3``, ``fill_cm3``, ``passed_cm3`` (left through the standing
        pump), ``line_drop_bar``, ``head_bar``, ``inlet_bar`` (absolute), ``draw`` (share of its own draw that the pump
        keeps while turning: under 1 where it lifts, over 1 where it is pushed).

    Notes
    -----
    The module says where each term comes from. A pump whose draw is nought or less never primes: with air to draw
    its rotations are infinite, as they are at an inlet pressure of zero or less. The parameters are the symbols of
    the formula, by keyword only.

    Examples
    --------
    >>> from ventbook.physics import priming
    >>> venting = dict(line_length_m=2.0, line_bore_mm=12.0, displacement_cm3=8.0, viscosity_Pa_s=0.5, head_m=-0.3)
    >>> terms = priming.rotations_to_prime(**venting, tank_overpressure_bar=0.5)
    >>> {name: round(float(terms[name]), 1) for name in ("rotations", "suction", "tank_saving", "pressure_side")}
    {'rotations': 55.2, 'suction': 50.8, 'tank_saving': 17.6, 'pressure_side': 22.1}

    A pump that lets air through has none left to draw after two minutes under pressure, and lifts with more turning:

    >>> leaky = dict(venting, let_through=3.0)
    >>> pressed = priming.rotations_to_prime(**leaky, tank_overpressure_bar=0.5, pressurised_s=120.0)
    >>> [round(float(t["rotations"]), 1) for t in (pressed, priming.rotations_to_prime(**leaky))]
    [22.1, 120.9]
    """
    line = line_volume_cm3(line_length_m, line_bore_mm)
    air = np.asarray(lines_empty, float) * line + np.asarray(cooler_empty, float) * np.asarray(
        cooler_cm3, float
    )
    fill = np.asarray(gallery_cm3, float) + np.asarray(filter_new, float) * np.asarray(filter_cm3, float)
    turns = np.asarray(speed_rpm, float) / 60.0
    flow = np.asarray(air_efficiency, float) * np.asarray(displacement_cm3, float) * turns
    drop = line_drop_bar(viscosity_Pa_s, line_length_m, flow, line_bore_mm)
    column = head_bar(density_kg_per_m3, head_m)
    tank = np.asarray(tank_overpressure_bar, float)
    ambient = np.asarray(ambient_bar, float)
    common = {
        "air_cm3": air,
        "fill_cm3": fill,
        "displacement_cm3": np.asarray(displacement_cm3, float),
        "ambient_bar": ambient,
        "turns_per_s": turns,
        "viscosity_Pa_s": np.maximum(np.asarray(viscosity_Pa_s, float), 1e-9),
        "air_efficiency": np.asarray(air_efficiency, float),
        "oil_efficiency": np.asarray(oil_efficiency, float),
        "let_through": np.asarray(let_through, float),
        "slip": np.asarray(slip, float),
        "drop_bar": drop,
    }
    standing = np.where(tank > 0, np.asarray(pressurised_s, float), 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):  # an inlet at nought, told below
        with_tank = run_course(**common, push_bar=tank + column, standing_s=standing, least_inlet_bar=0.0)
        least = np.maximum(np.minimum(with_tank.inlet, floor_bar), 0.0)
        without = run_course(**common, push_bar=column, standing_s=np.zeros(()), least_inlet_bar=least)

    def primes(course: Course) -> Floats:
        moves = (course.inlet > 0) & (course.draw > 0)
        return np.where(air > 0, np.where(moves, course.suction, np.inf), 0.0)

    helped, alone = primes(with_tank), primes(without)
    alone = np.where(np.isfinite(alone), alone, helped)
    with np.errstate(invalid="ignore"):
        saving = np.where(np.isfinite(helped), alone - helped, 0.0)
    side = with_tank.side
    return {
        "rotations": helped + side,
        "suction": alone,
        "tank_saving": saving,
        "pressure_side": side,
        "air_cm3": air,
        "fill_cm3": fill,
        "passed_cm3": np.where(air > 0, with_tank.passed, 0.0),
        "line_drop_bar": drop * np.clip(with_tank.draw, 0.0, None),
        "head_bar": column,
        "inlet_bar": with_tank.inlet,
        "draw": with_tank.draw,
    }
