"""Crankshaft rotations that a venting needs: the arithmetic, term by term.

The pump first draws the air of the suction side through itself, then fills the pressure side::

    V0   = lines_empty pi/4 d^2 L + cooler_empty cooler volume      air on the suction side, at ambient pressure
    Vd   = galleries + filter_new filter volume                     to fill on the pressure side
    N    = (V0 / (ea D)) (p0 / p_in) + Vd / (eo D)
    p_in = p0 + tank overpressure + rho g head - line drop          absolute, at the pump inlet
    line drop = 128 mu L Q / (pi d^4),   Q = ea D n                 Hagen-Poiseuille, laminar

The first term is the integral of dm/dN = -ea D p_in / (R T) from m = p0 V0 / (R T) to 0 (isothermal): tank
pressure squeezes the air, so less of it has to pass the pump. Head and line drop are held at their full-line
values (2 to 6 % on the safe side). D, ea, eo are a crankshaft rotation's displacement and the pump's efficiency on
air and on oil. Arrays broadcast; units are in the names.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from ventbook.physics.oil import GRAVITY

Floats = npt.NDArray[np.float64]
PASCAL_PER_BAR = 1e5


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


def suction_rotations(
    air_cm3: Any, displacement_cm3: Any, air_efficiency: Any, ambient_bar: Any, inlet_bar: Any
) -> Floats:
    """Crankshaft rotations to draw the air of the suction side through the pump.

    Parameters
    ----------
    air_cm3 : array_like, cm3
        Air in lines and cooler, at ambient pressure.
    displacement_cm3 : array_like, cm3
        Oil moved a crankshaft rotation, geometric.
    air_efficiency : array_like, 0..1
        Of the pump on air.
    ambient_bar, inlet_bar : array_like, bar absolute
        Around the engine, and at the pump inlet.

    Returns
    -------
    ndarray
        ``V0 / (ea D) p0 / p_in``: the integral of ``dm/dN = -ea D p_in / (R T)`` from the air's mass to 0,
        isothermal.

    Examples
    --------
    Half a bar on the tank saves a third of the rotations:

    >>> from ventbook.physics import priming
    >>> [round(float(priming.suction_rotations(500.0, 8.0, 0.6, 1.0, p)), 1) for p in (1.0, 1.5)]
    [104.2, 69.4]
    """
    swept = np.asarray(air_efficiency, float) * np.asarray(displacement_cm3, float)
    return (
        np.asarray(air_cm3, float) / swept * (np.asarray(ambient_bar, float) / np.asarray(inlet_bar, float))
    )


def pressure_side_rotations(volume_cm3: Any, displacement_cm3: Any, oil_efficiency: Any) -> Floats:
    """Crankshaft rotations to fill galleries and filter with oil.

    Parameters
    ----------
    volume_cm3 : array_like, cm3
    displacement_cm3 : array_like, cm3
        Oil moved a crankshaft rotation, geometric.
    oil_efficiency : array_like, 0..1
        Of the pump on oil.

    Returns
    -------
    ndarray
        ``Vd / (eo D)``; arrays broadcast.

    Examples
    --------
    >>> from ventbook.physics import priming
    >>> round(float(priming.pressure_side_rotations(400.0, 8.0, 0.85)), 1)
    58.8
    """
    swept = np.asarray(oil_efficiency, float) * np.asarray(displacement_cm3, float)
    return np.asarray(volume_cm3, float) / swept


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
    head_m: Any = 0.0,
    viscosity_Pa_s: Any = 0.0,
    density_kg_per_m3: Any = 870.0,
    ambient_bar: Any = 1.01325,
    speed_rpm: Any = 30.0,
    air_efficiency: Any = 0.60,
    oil_efficiency: Any = 0.85,
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
    head_m : array_like, m
        Oil level over the pump inlet; under it is negative.
    viscosity_Pa_s, density_kg_per_m3 : array_like, Pa s and kg/m3
        Of the oil in the line.
    ambient_bar : array_like, bar absolute
    speed_rpm : array_like, rpm
        Crankshaft speed while turning.
    air_efficiency, oil_efficiency : array_like, 0..1
        Of the pump on air and on oil.
    floor_bar : array_like, bar absolute
        Lowest inlet pressure reckoned with without tank pressure, so that the saving stays a number.

    Returns
    -------
    dict of ndarray
        ``rotations``, ``suction`` (without tank pressure), ``tank_saving``, ``pressure_side`` (rotations =
        suction - tank_saving + pressure_side), ``air_cm3``, ``fill_cm3``, ``line_drop_bar``, ``head_bar``,
        ``inlet_bar`` (absolute).

    Notes
    -----
    ``N = V0 / (ea D) p0 / p_in + Vd / (eo D)`` with ``p_in = p0 + tank overpressure + head - line drop``; the
    module says where each term comes from. Whether the pump primes at all is decided by the caller: with air
    to draw, an inlet pressure of zero or less gives an infinite number. The parameters are the symbols of the
    formula, by keyword only.

    Examples
    --------
    >>> from ventbook.physics import priming
    >>> terms = priming.rotations_to_prime(
    ...     line_length_m=2.0, line_bore_mm=12.0, displacement_cm3=8.0, viscosity_Pa_s=0.5, head_m=-0.3, tank_overpressure_bar=0.5
    ... )
    >>> {name: round(float(terms[name]), 1) for name in ("rotations", "suction", "tank_saving", "pressure_side")}
    {'rotations': 55.2, 'suction': 50.8, 'tank_saving': 17.6, 'pressure_side': 22.1}
    """
    line = line_volume_cm3(line_length_m, line_bore_mm)
    air = np.asarray(lines_empty, float) * line + np.asarray(cooler_empty, float) * np.asarray(
        cooler_cm3, float
    )
    fill = np.asarray(gallery_cm3, float) + np.asarray(filter_new, float) * np.asarray(filter_cm3, float)
    flow = (
        np.asarray(air_efficiency, float)
        * np.asarray(displacement_cm3, float)
        * np.asarray(speed_rpm, float)
        / 60.0
    )
    drop = line_drop_bar(viscosity_Pa_s, line_length_m, flow, line_bore_mm)
    column = head_bar(density_kg_per_m3, head_m)
    unaided = np.asarray(ambient_bar, float) + column - drop
    inlet = unaided + np.asarray(tank_overpressure_bar, float)
    with np.errstate(divide="ignore", invalid="ignore"):
        helped = suction_rotations(air, displacement_cm3, air_efficiency, ambient_bar, np.maximum(inlet, 0.0))
        helped = np.where(air > 0, helped, 0.0)
        at_floor = np.maximum(unaided, np.minimum(inlet, floor_bar))
        alone = suction_rotations(
            air, displacement_cm3, air_efficiency, ambient_bar, np.maximum(at_floor, 0.0)
        )
        alone = np.where((air > 0) & np.isfinite(alone), alone, helped)
        saving = np.where(np.isfinite(helped), alone - helped, 0.0)
    side = pressure_side_rotations(fill, displacement_cm3, oil_efficiency)
    return {
        "rotations": helped + side,
        "suction": alone,
        "tank_saving": saving,
        "pressure_side": side,
        "air_cm3": air,
        "fill_cm3": fill,
        "line_drop_bar": drop,
        "head_bar": column,
        "inlet_bar": inlet,
    }
