"""Air travel, growth and trapped air with their intervals, from two readings or one.

JCGM 101: 256 seeded quasi-random points over gauge noise, the two times, slack, rocker ratio, force, spring,
plunger diameter and polytropic index, the force at the first reading and how it rose from there, each through the inverse
of the gap. Points that would need negative air or
negative growth are impossible and drop out; the rest weigh 1 / (a b2 - b1), which is 1 / (t2 - t1) at one force, so that air and growth, not the
readings, are equally likely beforehand.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from ventbook import distributions as stats
from ventbook.numerics import Floats
from ventbook.physics.lifter.cause import SHORTEST_TIME
from ventbook.physics.lifter.motion import growth_times, scale_first_press, split_readings, trapped_air_mm3
from ventbook.tables.hands import hand_range

POINTS = 256
FEW = 0.02
SEED = 20261
INDEX_LOW, INDEX_HIGH = 1.0, 1.25
_DIMENSIONS = 10
_OF_FORCE = 2  # the first force and how it rose from there, drawn apart
_CHUNK = 2048


@dataclass(frozen=True)
class Press:
    """What one check pressed with; arrays of one length, each with its standard uncertainty.

    ``first_low``, ``first_high``: force at the first reading over ``force``, the same where it is on record, with
    ``u_first``; else anything between them.
    """

    force: Floats
    u_force: Floats
    spring_force: Floats
    u_spring_force: Floats
    spring_rate: Floats
    rocker_ratio: Floats
    u_rocker_ratio: Floats
    diameter: Floats
    u_diameter: Floats
    ambient: Floats
    first_low: Floats
    first_high: Floats
    u_first: Floats


@lru_cache(maxsize=4)
def _points(seed: int) -> tuple[Floats, Floats]:
    draws = stats.qmc.Sobol(_DIMENSIONS, scramble=True, rng=seed).random_base2(int(np.log2(POINTS)))
    draws = np.hstack([draws, stats.qmc.LatinHypercube(_OF_FORCE, rng=seed).random(len(draws))])
    draws = np.clip(draws, 1e-5, 1 - 1e-5)
    return draws, stats.norm.ppf(draws)


def intervals_of_two(r: Floats, press: Press, *, level: float, seed: int = SEED) -> dict[str, Floats]:
    """Air travel, growth and trapped air with their intervals from two readings of each check.

    Parameters
    ----------
    r : ndarray, shape (n, 9)
        Columns G1, t1, G2, t2, s0, u_gap, u_t1, u_t2, u_s0 in mm and s: the two readings with their times,
        the slack, and the standard uncertainties of a reading, of the two times and of the slack.
    press : Press
        Force, spring, rocker ratio, plunger and ambient pressure of each check, with uncertainties.
    level : float
        Confidence level, 0.9 = 90 %.
    seed : int
        Seed of the quasi-random points.

    Returns
    -------
    dict of ndarray
        ``travel`` (mm), ``growth`` (um/s), ``air`` (mm3), each (n, 3): low, high of ``level`` and standard
        deviation; and ``possible``, (n,), the share of points that need neither negative air nor negative
        growth.

    References
    ----------
    JCGM 101:2008, propagation of distributions by draws.

    Examples
    --------
    >>> import numpy as np
    >>> from ventbook.physics import lifter
    >>> one = dict(force=83.0, u_force=3.0, spring_force=18.0, u_spring_force=2.0, spring_rate=1.4, rocker_ratio=1.35)
    >>> one |= dict(u_rocker_ratio=0.02, diameter=11.5, u_diameter=0.05, ambient=1.0)
    >>> one |= dict(first_low=1.0, first_high=1.0, u_first=0.03)
    >>> press = lifter.Press(**{name: np.array([value]) for name, value in one.items()})
    >>> found = lifter.intervals_of_two(np.array([[0.31, 0.5, 0.59, 4.0, 0.0, 0.02, 0.1, 0.1, 0.01]]), press, level=0.9)
    >>> low, high, sd = found["growth"][0]
    >>> bool(low < 60.0 < high)
    True
    """
    out: dict[str, Floats] = {name: np.full((len(r), 3), np.nan) for name in ("travel", "growth", "air")}
    shares: Floats = np.zeros(len(r))
    for first in range(0, len(r), _CHUNK):
        rows = slice(first, first + _CHUNK)
        part = Press(*(getattr(press, name)[rows, None] for name in press.__dataclass_fields__))
        travel, growth, air, weight = _draw(r[rows], part, seed)
        total = weight.sum(axis=1)
        possible = (weight > 0).mean(axis=1)
        # hardly any point possible: the readings contradict the model; keep the nearest possible answers
        bare = possible < FEW
        weight[bare] = 1.0
        total[bare] = POINTS
        shares[rows] = possible
        for name, values in (("travel", travel), ("growth", growth), ("air", air)):
            out[name][rows] = _weighted(np.maximum(values, 0.0), weight / total[:, None], level)
    return out | {"possible": shares}


def _draw(r: Floats, p: Press, seed: int) -> tuple[Floats, Floats, Floats, Floats]:
    u, z = _points(seed)
    g1, t1, g2, t2, s0, u_gap, u_t1, u_t2, u_s0 = (column[:, None] for column in r.T)
    first_time, time = t1 + u_t1 * z[:, 2], t2 + u_t2 * z[:, 3]
    in_order = (first_time >= SHORTEST_TIME) & (time > first_time + 0.1)
    first_time, time = np.where(in_order, first_time, t1), np.where(in_order, time, t2)
    ratio = p.rocker_ratio + p.u_rocker_ratio * z[:, 5]
    slack = s0 + u_s0 * z[:, 4]
    first, last = g1 + u_gap * z[:, 0], g2 + u_gap * z[:, 1]
    elastic = np.maximum(last - slack, 0.0) / ratio
    spring, force = _springs(elastic, p, z)
    share = p.first_low + (p.first_high - p.first_low) * u[:, 10] + p.u_first * z[:, 10]
    scale, rate = scale_first_press(
        np.maximum(share, 0.01),
        elastic,
        force,
        spring_force_N=spring,
        spring_rate_N_per_mm=p.spring_rate,
        diameter_mm=p.diameter,
        ambient_bar=p.ambient,
        index=_index(u),
    )
    hands = hand_range("force_rise")
    before, until = growth_times(rate, first_time, time, hands.low + (hands.high - hands.low) * u[:, 11])
    span = scale * until - before
    in_order = in_order & (span > 0.05)
    scale, before, until = (
        np.where(in_order, x, y) for x, y in ((scale, 1.0), (before, first_time), (until, time))
    )
    travel, growth = split_readings(
        first, before, last, until, rocker_ratio=ratio, slack_mm=slack, air_scale=scale
    )
    air = _air(travel, p, u, z)
    weight = in_order * (travel >= 0) * (growth >= 0) / np.where(in_order, span, 1.0)
    # used only where hardly any point is possible: a gap that fell has no growth, and the mean is its gap
    impossible = np.mean(weight > 0, axis=1, keepdims=True) < FEW
    level = ((first + last) / 2.0 - slack) / ratio
    travel = np.where(impossible & (growth < 0), level, travel)
    air = np.where(impossible, _air(travel, p, u, z), air)
    return travel, growth, air, weight


def _index(u: Floats) -> Floats:
    return INDEX_LOW + (INDEX_HIGH - INDEX_LOW) * u[:, 8]


def _springs(travel: Floats, p: Press, z: Floats) -> tuple[Floats, Floats]:
    """Drawn spring force and force."""
    spring = np.maximum(p.spring_force + p.u_spring_force * z[:, 7], 0.0)
    force = p.force + p.u_force * z[:, 6]
    # a drawn force under the spring's can't have pressed anything: keep a tenth of the nominal push
    least = spring + 0.1 * (p.force - p.spring_force) + p.spring_rate * np.maximum(travel, 0.0)
    return spring, np.maximum(force, least)


def _air(travel: Floats, p: Press, u: Floats, z: Floats) -> Floats:
    spring, force = _springs(travel, p, z)
    return trapped_air_mm3(
        travel,
        force,
        spring_force_N=spring,
        spring_rate_N_per_mm=p.spring_rate,
        diameter_mm=np.maximum(p.diameter + p.u_diameter * z[:, 9], 0.5 * p.diameter),
        ambient_bar=p.ambient,
        index=_index(u),
    )


def intervals_of_one(r: Floats, press: Press, *, level: float, seed: int = SEED) -> Floats:
    """Interval and sd of the trapped air, (n, 3), from rows of (G, s0, u_gap, u_s0) if all of the gap is air."""
    out = np.full((len(r), 3), np.nan)
    u, z = _points(seed)
    for first in range(0, len(r), _CHUNK):
        rows = slice(first, first + _CHUNK)
        p = Press(*(getattr(press, name)[rows, None] for name in press.__dataclass_fields__))
        g, s0, u_gap, u_s0 = (column[:, None] for column in r[rows].T)
        travel = (g + u_gap * z[:, 0] - s0 - u_s0 * z[:, 4]) / (p.rocker_ratio + p.u_rocker_ratio * z[:, 5])
        air = _air(np.maximum(travel, 0.0), p, u, z)
        out[rows] = _weighted(air, np.full(air.shape, 1.0 / POINTS), level)
    return out


def _weighted(values: Floats, weight: Floats, level: float) -> Floats:
    """Weighted quantiles at (1 -+ level) / 2 and the weighted standard deviation, (n, 3); weights sum to 1."""
    order = np.argsort(values, axis=1)
    ranked, w = np.take_along_axis(values, order, 1), np.take_along_axis(weight, order, 1)
    middle = np.cumsum(w, axis=1) - w / 2.0
    ends = []
    for q in ((1.0 - level) / 2.0, (1.0 + level) / 2.0):
        after = np.clip((middle < q).sum(axis=1), 1, values.shape[1] - 1)[:, None]
        m0, m1 = np.take_along_axis(middle, after - 1, 1), np.take_along_axis(middle, after, 1)
        v0, v1 = np.take_along_axis(ranked, after - 1, 1), np.take_along_axis(ranked, after, 1)
        share = np.clip((q - m0) / np.maximum(m1 - m0, 1e-12), 0.0, 1.0)
        ends.append((v0 + share * (v1 - v0))[:, 0])
    mean = (values * weight).sum(axis=1)
    deviation = np.sqrt(np.maximum((weight * (values - mean[:, None]) ** 2).sum(axis=1), 0.0))
    return np.column_stack([*ends, deviation])
