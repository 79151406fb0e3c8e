"""What a gap is made of: probabilities of air, leak_down, both and bottomed from what was read.

``w`` is the share of the gap (less slack) that grew while force was held. The cause is air where w < .2,
leak_down where w > .8, both between; bottomed where the plunger stands at the end of its travel, or where the gap
is there without force. Beforehand every air volume up to 120 mm3 and every growth up to 250 um/s is equally likely,
and more than that less and less so. Two readings G1, G2 at t1, t2 then bound w through their ratio::

    (G1 - s0) / (G2 - s0) = 1 - w (t2 - t1) / t2

so that force, spring and rocker ratio drop out; gauge noise, slack and the timing of the readings (u(t1), u(t2),
by quadrature) remain. A press at a second force and a reading after a further run weigh the same w grid by how well
each w explains them. Each answer is a posterior probability and is calibrated by simulation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from ventbook.lifter.motion import Floats

CAUSES = ("air", "leak_down", "both", "bottomed")
SURE = 0.8  # a cause is named from this probability on
AIR_UNDER, LEAK_OVER = 0.2, 0.8  # limits of w
BINS = 20
EDGES = np.linspace(0.0, 1.0, BINS + 1)
MIDDLES = (EDGES[:-1] + EDGES[1:]) / 2.0
_AIR = MIDDLES < AIR_UNDER
_LEAK = MIDDLES > LEAK_OVER
# Assumptions, no source: one lifter in twenty stands at its travel, one in twenty gaps is mechanical (weighed only
# where a second force was pressed); where one reading is all there is, 7 lifters in 10 do not grow visibly in a
# check (a sound plunger grows .002 mm in 3 s); a run leaves the air as it was in 3 of 10 lifters.
BOTTOMED_BEFORE = 0.05
MECHANICAL_BEFORE = 0.05
NO_GROWTH_BEFORE = 0.7
RUN_LEAVES_AIR = 0.3
MOST_AIR = 120.0  # mm3
MOST_GROWTH = 250.0  # um/s
FADE = 0.04  # of the range, fall to 1/e past its end
SHORTEST_TIME = 0.1  # s, of a hand-timed first reading
_NODES = (9, 5)


@dataclass(frozen=True)
class Readings:
    """Arrays of one length; NaN where a reading was not taken. Gaps in mm, times in s.

    ``first_gap``, ``first_time``: as soon as the force is applied. ``gap``, ``time``: at the end of the hold.
    ``slack`` with ``u_slack``, ``slack_read`` True where the gap without force was read. ``u_gap`` one gauge
    reading, ``u_first_time`` and ``u_time`` of the two times. ``cap`` with ``u_cap``: gap at full travel.
    ``most_air_travel``: plunger travel that MOST_AIR gives at this force and geometry.
    """

    first_gap: Floats
    first_time: Floats
    gap: Floats
    time: Floats
    rocker_ratio: Floats
    most_air_travel: Floats
    slack: Floats
    u_slack: Floats
    slack_read: npt.NDArray[np.bool_]
    u_gap: Floats
    u_first_time: Floats
    u_time: Floats
    cap: Floats
    u_cap: Floats


def share_distribution(r: Readings) -> tuple[Floats, Floats]:
    """Probability of each of the 20 bins of w, shape (n, 20), and of the gap being there without force, (n,).

    Rows without a first reading get the distribution before any reading: seven tenths at w = 0, the rest evenly.
    """
    n = len(r.gap)
    bins = np.full((n, BINS), (1.0 - NO_GROWTH_BEFORE) / BINS)
    bins[:, 0] += NO_GROWTH_BEFORE
    two = np.isfinite(r.first_gap)
    if two.any():
        bins[two] = _share_from_two(_rows(r, two))
    return _spread_sunk(bins, r), _slack_is_the_gap(r)


def _rows(r: Readings, keep: npt.NDArray[np.bool_]) -> Readings:
    return Readings(*(getattr(r, name)[keep] for name in r.__dataclass_fields__))


def _share_from_two(r: Readings) -> Floats:
    """Posterior of w on the grid from two readings, timing integrated by Gauss-Hermite quadrature."""
    first, last = (np.polynomial.hermite_e.hermegauss(n) for n in _NODES)
    total = np.zeros((len(r.gap), BINS))
    moved = np.maximum(r.gap - r.slack, 0.0) / r.rocker_ratio
    air_prior = _fade((moved[:, None] * (1.0 - MIDDLES)) / r.most_air_travel[:, None])
    g1, g2 = r.first_gap - r.slack, r.gap - r.slack
    timed = bool(np.any(r.u_first_time > 0) or np.any(r.u_time > 0))
    grid = [(a, b, wa * wb) for a, wa in zip(*first, strict=True) for b, wb in zip(*last, strict=True)]
    for a, b, weight in grid if timed else [(0.0, 0.0, 1.0)]:
        t1 = r.first_time + a * r.u_first_time
        t2 = r.time + b * r.u_time
        usable = (t1 >= SHORTEST_TIME) & (t2 > t1 + 0.1)
        t1, t2 = np.where(usable, t1, r.first_time), np.where(usable, t2, r.time)
        span = t2 - t1
        # w <= edge is y1 >= ratio y2; both readings carry the gauge's noise and the same slack
        ratio = 1.0 - EDGES[None, :] * (span / t2)[:, None]
        spread = np.sqrt(r.u_gap[:, None] ** 2 * (1.0 + ratio**2) + (r.u_slack[:, None] * (1.0 - ratio)) ** 2)
        under = ndtr((g1[:, None] - ratio * g2[:, None]) / spread)
        growth_prior = _fade(moved[:, None] * MIDDLES / (t2[:, None] * MOST_GROWTH * 1e-3))
        total += np.diff(under, axis=1) * growth_prior * (weight * usable / span)[:, None]
    total *= air_prior
    mass = total.sum(axis=1)
    # readings that fit no w (the gap fell while force was held): all the mass at the end they point to
    lost = ~(mass > 1e-12)
    at_air = g1 * r.time >= g2 * r.first_time
    total[lost] = 0.0
    total[lost & at_air, 0] = 1.0
    total[lost & ~at_air, -1] = 1.0
    return total / np.where(lost, 1.0, mass)[:, None]


def _spread_sunk(bins: Floats, r: Readings) -> Floats:
    """Where the last gap may be the end of the travel, growth was at least what two readings say: w or more."""
    at_cap = _density(r.gap - r.cap, np.hypot(r.u_gap, r.u_cap))
    under = _fade((r.gap - r.slack) / r.rocker_ratio / _reach(r)) / np.maximum(r.cap - r.slack, 0.1)
    sunk = (at_cap / (at_cap + under))[:, None]
    more = np.cumsum(bins / np.arange(BINS, 0, -1), axis=1)
    return (1.0 - sunk) * bins + sunk * more


def _reach(r: Readings) -> Floats:
    """Plunger travel [mm] that the most air and the fastest growth taken beforehand would give together."""
    return r.most_air_travel + MOST_GROWTH * 1e-3 * r.time


def _fade(ratio: Floats) -> Floats:
    """1 up to ratio 1, then falling off."""
    return np.exp(-np.maximum(ratio - 1.0, 0.0) / FADE)


def _slack_is_the_gap(r: Readings) -> Floats:
    """Probability that over 80 % of the gap is there without force; only where slack was read."""
    elastic = r.gap - r.slack
    spread = np.hypot(r.u_gap, r.u_slack)
    return np.where(r.slack_read & (r.gap > 0), ndtr((0.2 * r.gap - elastic) / np.maximum(spread, 1e-9)), 0.0)


def stands_at_travel(r: Readings) -> Floats:
    """Probability that the plunger stood at the end of its travel from the first.

    Weighs a last gap at the travel, and a first reading that is the same, against air and growth that are equally
    likely up to their range. A plunger that sank to its travel while force was held is growth, not this.
    """
    two = np.isfinite(r.first_gap)
    bottomed = _density(r.gap - r.cap, np.hypot(r.u_gap, r.u_cap))
    bottomed = bottomed * np.where(
        two, _density(np.where(two, r.gap - r.first_gap, 0.0), np.sqrt(2.0) * r.u_gap), 1.0
    )
    full = np.maximum(r.cap - r.slack, 0.1)
    span = np.maximum(r.time - np.where(two, r.first_time, 0.0), 0.1)
    # air and growth each evenly up to the travel: density of (G1, G2) is time / (span full^2), of G2 alone 1 / full
    moving = np.where(two, r.time / (span * full**2), 1.0 / full)
    moving = moving * _fade((r.gap - r.slack) / r.rocker_ratio / _reach(r))
    moving = moving * ndtr((r.cap + 2 * r.u_cap - r.gap) / np.hypot(r.u_gap, r.u_cap))
    weight = BOTTOMED_BEFORE * bottomed
    return weight / (weight + (1.0 - BOTTOMED_BEFORE) * np.maximum(moving, 1e-12))


def _density(x: Floats, u: Floats) -> Floats:
    u = np.maximum(u, 1e-9)
    return np.exp(-0.5 * (x / u) ** 2) / (u * np.sqrt(2.0 * np.pi))


def weigh_second_force(
    second_gap: Floats,
    gap: Floats,
    slack: Floats,
    u_gap: Floats,
    *,
    air_scale: Floats,
    u_air_scale: Floats,
    leak_scale: Floats,
    u_leak_scale: Floats,
) -> tuple[Floats, Floats]:
    """Likelihood of the gap at a second force for each bin of w, (n, 20), and for a bottomed plunger, (n,).

    ``air_scale`` and ``leak_scale``: what the second force makes of the air part and of the growing part, with
    their uncertainty from spring and force. Equal everywhere where there was no second press.
    """
    elastic = np.maximum(gap - slack, 0.0)[:, None]
    scale, u_scale = (
        a[:, None] * (1.0 - MIDDLES) + b[:, None] * MIDDLES
        for a, b in ((air_scale, leak_scale), (u_air_scale, u_leak_scale))
    )
    noise = np.hypot(np.sqrt(2.0) * u_gap[:, None], elastic * u_scale)
    moving = _density(second_gap[:, None] - slack[:, None] - elastic * scale, noise)
    bottomed = _density(second_gap - gap, np.sqrt(2.0) * u_gap)
    taken = np.isfinite(second_gap)
    top = np.maximum(np.maximum(moving.max(axis=1), bottomed), 1e-300)
    moving, bottomed = moving / top[:, None], bottomed / top
    return np.where(taken[:, None], moving + 1e-6, 1.0), np.where(taken, bottomed + 1e-6, 1.0)


def weigh_after_run(after: Floats, gap: Floats, slack: Floats, u_gap: Floats) -> tuple[Floats, Floats]:
    """Likelihood of the gap after a further run for each bin of w, (n, 20), and for a bottomed plunger, (n,).

    A run takes away any part of the air (or, in 3 of 10 lifters, none) and leaves the growing part; a plunger
    that stood at its travel refills or not. A change inside the gauge's repeatability tells nothing: that much a
    second look alone would change.
    """
    elastic = np.maximum(gap - slack, 1e-3)
    noise = np.maximum(np.sqrt(2.0) * u_gap / elastic, 1e-3)[:, None]
    left = np.minimum((after - slack) / elastic, 1.0)[:, None]
    stays = _density(left - 1.0, noise)
    spread = (ndtr((1.0 - left) / noise) - ndtr((MIDDLES - left) / noise)) / (1.0 - MIDDLES)
    refilled = ndtr((1.0 - left) / noise) - ndtr(-left / noise)
    moving = RUN_LEAVES_AIR * stays + (1.0 - RUN_LEAVES_AIR) * spread
    bottomed = (RUN_LEAVES_AIR * stays + (1.0 - RUN_LEAVES_AIR) * refilled)[:, 0]
    taken = np.isfinite(after)
    return np.where(taken[:, None], moving + 1e-9, 1.0), np.where(taken, bottomed + 1e-9, 1.0)


def cause_probabilities(
    r: Readings,
    weights: list[tuple[Floats, Floats]] | None = None,
    *,
    pressed_again: npt.NDArray[np.bool_] | bool = False,
) -> tuple[Floats, Floats]:
    """Probabilities in the order of CAUSES, shape (n, 4), rows summing to 1, and the mean of w, (n,).

    ``weights``: likelihoods from :func:`weigh_second_force` and :func:`weigh_after_run`; ``pressed_again`` True
    where there was a second force, without which a mechanical gap looks like air and isn't weighed.
    """
    bins, no_force = share_distribution(r)
    at_end = stands_at_travel(r)
    mechanical = MECHANICAL_BEFORE * (1.0 - at_end) * pressed_again
    at_end = at_end + mechanical
    moving = bins * (1.0 - at_end)[:, None]
    bottomed = at_end
    for by_share, by_bottom in weights or []:
        moving, bottomed = moving * by_share, bottomed * by_bottom
    total = moving.sum(axis=1) + bottomed
    moving, bottomed = moving / total[:, None], bottomed / total
    mean = (moving * MIDDLES).sum(axis=1) / np.maximum(moving.sum(axis=1), 1e-12)
    parts = (
        np.stack([moving[:, _AIR].sum(axis=1), moving[:, _LEAK].sum(axis=1)], axis=1)
        * (1.0 - no_force)[:, None]
    )
    bottomed = no_force + (1.0 - no_force) * bottomed
    both = np.maximum(1.0 - parts.sum(axis=1) - bottomed, 0.0)
    return np.column_stack([parts, both, bottomed]), mean


def name_cause(probabilities: Floats) -> npt.NDArray[np.object_]:
    """The cause with probability of at least .8, else "unclear"."""
    best = probabilities.argmax(axis=1)
    sure = probabilities[np.arange(len(best)), best] >= SURE
    return np.where(sure, np.array(CAUSES, dtype=object)[best], "unclear")
