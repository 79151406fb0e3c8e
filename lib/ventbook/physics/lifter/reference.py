"""A gap read at one force and time, brought to another: half-force press, reference force and hold."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ventbook.physics.lifter.check import Checks
from ventbook.physics.lifter.motion import Floats, air_travel_mm, trapped_air_mm3
from ventbook.physics.lifter.spread import Press

INDEX = 1.125  # middle of 1 (slow) and 1.25 (quick)
BETWEEN_PRESSES = 0.5  # of the force's uncertainty; the rest is the gauge's and the same at both presses


def spring_of(p: Press) -> dict[str, Floats]:
    return {
        "spring_force_N": p.spring_force,
        "spring_rate_N_per_mm": p.spring_rate,
        "diameter_mm": p.diameter,
        "ambient_bar": p.ambient,
    }


def scale_to_force(c: Checks, force: Floats | float) -> tuple[Floats, Floats, Floats, Floats]:
    """What another force makes of the air part and of the growing part of the gap, with uncertainties."""
    r, p = c.readings, c.press
    elastic = np.maximum(r.gap - r.slack, 0.0) / r.rocker_ratio
    other = np.asarray(force, float) * np.ones(len(elastic))

    def scales(spring: Floats, first: Floats, index: float) -> tuple[Floats, Floats]:
        around = spring_of(p) | {"spring_force_N": spring, "index": index}
        volume = trapped_air_mm3(elastic, first, **around)
        again = air_travel_mm(np.where(np.isfinite(volume), volume, 0.0), other, **around)
        with np.errstate(divide="ignore", invalid="ignore"):
            air = np.where((elastic > 0) & np.isfinite(volume), again / elastic, np.nan)
            leak = np.where(first > spring, np.maximum(other - spring, 0.0) / (first - spring), np.nan)
        return air, leak

    air, leak = scales(p.spring_force, p.force, INDEX)
    moves = [
        scales(np.minimum(p.spring_force + p.u_spring_force, 0.9 * p.force), p.force, INDEX),
        scales(
            p.spring_force, np.maximum(p.force + BETWEEN_PRESSES * p.u_force, p.spring_force + 1.0), INDEX
        ),
        scales(p.spring_force, p.force, 1.25),
    ]
    u_air = np.sqrt(sum((a - air) ** 2 for a, _ in moves))
    u_leak = np.sqrt(sum((b - leak) ** 2 for _, b in moves))
    return air, u_air, leak, u_leak


def leak_force_u(c: Checks) -> Floats:
    """Relative standard uncertainty of the growing part between two presses at one nominal force, by hand."""
    p = c.press
    return BETWEEN_PRESSES * p.u_force / np.maximum(p.force - p.spring_force, 1.0)


def compare_forces(c: Checks, state: npt.NDArray[np.intp]) -> dict[str, npt.NDArray[np.generic]]:
    """Gap at the larger force over gap at the smaller, slack off both, and what air alone would give."""
    r = c.readings
    first, second = r.gap - r.slack, c.second_gap - r.slack
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(c.second_force < c.press.force, first / second, second / first)
        air = scale_to_force(c, c.second_force)[0]
        expected = np.where(c.second_force < c.press.force, 1.0 / air, air)
    usable = (state <= 1) & np.isfinite(second) & (second > 0)
    return {
        "half_force_ratio": np.where(usable, ratio, np.nan),
        "half_force_ratio_air": np.where(usable & np.isfinite(expected), expected, np.nan),
    }


def bring_to_reference(
    c: Checks,
    state: npt.NDArray[np.intp],
    travel: Floats,
    growth: Floats,
    force: float | Floats,
    hold: float | Floats,
) -> dict[str, npt.NDArray[np.generic]]:
    """The gap at reference force and hold: air part by compression, growing part by pressure and time."""
    r = c.readings
    air, u_air, leak, u_leak = scale_to_force(c, force)
    time_scale = hold / r.time
    grown = r.rocker_ratio * growth * 1e-3 * r.time
    springy = np.maximum(r.gap - r.slack, 0.0) - grown
    moved = springy * air + grown * leak * time_scale
    corrected = np.minimum(r.slack + moved, np.maximum(r.cap, r.gap))
    # one reading: all air is the likelier end, all growth the other; a third of what lies between is one sigma
    between = np.where(state == 1, np.abs(springy) * np.abs(leak * time_scale - air) / 3.0, 0.0)
    u = np.sqrt(r.u_gap**2 + between**2 + (springy * u_air) ** 2 + (grown * time_scale * u_leak) ** 2)
    same = (c.press.force == force) & (r.time == hold)
    corrected, u = np.where(same, r.gap, corrected), np.where(same, r.u_gap, u)
    fine = (state <= 1) & np.isfinite(corrected)
    return {
        "gap_corrected_mm": np.where(fine, corrected, np.where(state == 2, r.gap, np.nan)),
        "gap_corrected_u_mm": np.where(fine, u, np.where(state == 2, r.u_gap, np.nan)),
    }
