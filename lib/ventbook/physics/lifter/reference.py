"""A gap read at one force and time, brought to another: half-force press, reference force and hold."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ventbook.numerics import Floats
from ventbook.physics.lifter.cause import FirstPress
from ventbook.physics.lifter.check import BETWEEN_PRESSES, Checks
from ventbook.physics.lifter.motion import (
    air_travel_mm,
    chamber_rise_bar,
    growth_times,
    scale_first_press,
    squeezed_share,
    trapped_air_mm3,
)
from ventbook.physics.lifter.spread import Press

INDEX = 1.125  # middle of 1 (slow) and 1.25 (quick)
FIRST_NODES = 6  # values of a first force that isn't on record


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


def press_first(c: Checks) -> FirstPress:
    """What the force at the first reading makes of air and growth, with what spring, force and index leave open."""
    p = c.press
    travel = np.maximum(c.readings.gap - c.readings.slack, 0.0) / c.readings.rocker_ratio
    travel = np.where(np.isfinite(travel), travel, 0.0)

    def scales(share: Floats, spring: Floats, force: Floats, index: float) -> tuple[Floats, Floats]:
        around = spring_of(p) | {"spring_force_N": spring}
        return scale_first_press(share, travel, force, index=index, **around)

    shares = [p.first_low + (p.first_high - p.first_low) * k / (FIRST_NODES - 1) for k in range(FIRST_NODES)]
    shares = shares if np.any(p.first_high > p.first_low) else shares[:1]
    nodes = [scales(share, p.spring_force, p.force, INDEX) for share in shares]
    middle = (p.first_low + p.first_high) / 2.0
    air, rate = scales(middle, p.spring_force, p.force, INDEX)
    moves = [
        scales(middle + p.u_first, p.spring_force, p.force, INDEX),
        scales(middle, np.minimum(p.spring_force + p.u_spring_force, 0.9 * p.force), p.force, INDEX),
        scales(middle, p.spring_force, np.maximum(p.force - p.u_force, p.spring_force + 1.0), INDEX),
        scales(middle, p.spring_force, p.force, 1.25),
    ]
    u_air, u_rate = (np.sqrt(sum((m[i] - (air, rate)[i]) ** 2 for m in moves)) for i in (0, 1))
    return FirstPress(
        np.column_stack([a for a, _ in nodes]), np.column_stack([q for _, q in nodes]), u_air, u_rate
    )


def point_of_first_press(c: Checks, air_travel: Floats) -> tuple[Floats, Floats, Floats]:
    """The likeliest scale of the air at the first reading, and the times at the last force of both readings.

    Where the first force isn't on record: the middle of those from which the gap did not shrink.
    """
    r, p = c.readings, c.press
    last = np.maximum(r.gap - r.slack, 0.0)
    travel = np.where(np.isfinite(air_travel), air_travel, 0.0)
    open_ = p.first_high > p.first_low
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.clip(np.where(last > 0, (r.first_gap - r.slack) / last, 1.0), 0.0, 1.0)
        rise = chamber_rise_bar(
            p.force,
            travel_mm=travel,
            spring_force_N=p.spring_force,
            spring_rate_N_per_mm=p.spring_rate,
            diameter_mm=p.diameter,
        )
        squeezed = ratio * squeezed_share(rise, ambient_bar=p.ambient, index=INDEX)
        first = p.ambient * ((1.0 - squeezed) ** -INDEX - 1.0)
        spring = p.spring_force + p.spring_rate * ratio * travel
        push = p.force - p.spring_force - p.spring_rate * travel
        least = (spring + push * first / rise) / p.force
    least = np.clip(np.where(np.isfinite(least), least, p.first_high), p.first_low, p.first_high)
    share = np.where(open_, (least + p.first_high) / 2.0, p.first_low)
    air, rate = scale_first_press(share, travel, p.force, index=INDEX, **spring_of(p))
    before, until = growth_times(rate, r.first_time, r.time)
    usable = air * until - before > 0.05
    return np.where(usable, air, 1.0), np.where(usable, before, r.first_time), np.where(usable, until, r.time)


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
    growth: Floats,
    until: Floats,
    force: float | Floats,
    hold: float | Floats,
) -> dict[str, npt.NDArray[np.generic]]:
    """The gap at reference force and hold: air part by compression, growing part by pressure and time.

    ``until``: time at the last force that leaks as much as was leaked by the last reading.
    """
    r = c.readings
    air, u_air, leak, u_leak = scale_to_force(c, force)
    time_scale = hold / until
    grown = r.rocker_ratio * growth * 1e-3 * until
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
