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
    """Volume [cm3] of a line: pi/4 d^2 L."""
    return np.pi / 4.0 * np.square(np.asarray(bore_mm, float)) * np.asarray(length_m, float)


def line_drop_bar(viscosity_Pa_s: Any, length_m: Any, flow_cm3_per_s: Any, bore_mm: Any) -> Floats:
    """Pressure lost [bar] along a line in laminar flow, Hagen-Poiseuille: 128 mu L Q / (pi d^4)."""
    bore = np.asarray(bore_mm, float) * 1e-3
    flow = np.asarray(flow_cm3_per_s, float) * 1e-6
    drop = 128.0 * np.asarray(viscosity_Pa_s, float) * np.asarray(length_m, float) * flow / (np.pi * bore**4)
    return drop / PASCAL_PER_BAR


def head_bar(density_kg_per_m3: Any, head_m: Any) -> Floats:
    """Pressure [bar] of oil standing ``head_m`` over the pump inlet; negative where the pump has to lift."""
    return np.asarray(density_kg_per_m3, float) * GRAVITY * np.asarray(head_m, float) / PASCAL_PER_BAR


def suction_rotations(
    air_cm3: Any, displacement_cm3: Any, air_efficiency: Any, ambient_bar: Any, inlet_bar: Any
) -> Floats:
    """Rotations to draw ``air_cm3`` (at ambient pressure) through the pump at inlet pressure ``inlet_bar``."""
    swept = np.asarray(air_efficiency, float) * np.asarray(displacement_cm3, float)
    return (
        np.asarray(air_cm3, float) / swept * (np.asarray(ambient_bar, float) / np.asarray(inlet_bar, float))
    )


def pressure_side_rotations(volume_cm3: Any, displacement_cm3: Any, oil_efficiency: Any) -> Floats:
    """Rotations to fill ``volume_cm3`` of galleries and filter with oil."""
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
    """All terms of the expectation, for plain numbers or arrays (speed and rotations at the crankshaft).

    Returns ``rotations``, ``suction`` (without tank pressure), ``tank_saving``, ``pressure_side`` (rotations =
    suction - tank_saving + pressure_side), ``air_cm3``, ``fill_cm3``, ``line_drop_bar``, ``head_bar`` and
    ``inlet_bar``. Whether the pump primes at all is decided by the caller: with air to draw, an inlet pressure
    of zero or less gives an infinite number here. Under ``floor_bar`` the term without tank pressure is that at
    the floor, so that the saving stays a number.
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
