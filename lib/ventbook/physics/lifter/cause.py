"""What a gap is made of: probabilities of air, leak_down, both, bottomed and contradictory from what was read.

``w`` is the share of the gap (less slack) that grew while force was held. The cause is air where w < .2,
leak_down where w > .8, both between; bottomed where the plunger stands at the end of its travel, or where the gap
is there without force. Beforehand every air volume up to 120 mm3 and every growth up to 250 um/s is equally likely,
and more than that less and less so. Two readings G1, G2 at t1, t2 then bound w through their ratio::

    (G1 - s0) / (G2 - s0) = 1 - w (t2 - t1) / t2

so that force, spring and rocker ratio drop out; gauge noise, slack and the timing of the readings (u(t1), u(t2),
by quadrature) remain. Where the force rose between the readings, with a, b1 and b2 of
:mod:`ventbook.physics.lifter.motion`, it is ::

    (G1 - s0) / (G2 - s0) = a (1 - w) + w b1 / b2

and the spring, the index and how the force rose come back in, with their uncertainty. A first force that isn't on record is
anything that hands do (``data/hands.toml``), on six values: air pressed at half the force and air with a little leak
read alike, so that less is named, and not wrongly.

A press at a second force and a reading after a further run weigh the same w grid by how well
each w explains them. So do two readings more:

- late, at t3 of 10 s and more: the air stays, the leak goes on, G3 - G2 = w (G2 - s0) (t3 - t2) / b2, up to the travel. By
  13 s a leak has made 3.3 times as much more as in its first 3 s, against the same noise of two readings.
- after release: the air springs back at once, what leaked comes back only as oil flows in past the check valve,
  G4 - s0 = (1 - y) w (G2 - s0) with y anything in ``data/hands.toml``. A gap that stays is a leak; one that closes may be either.

Against all of that stands one wrong reading: contradictory is its probability, and it is named where
no air, growth or travel explains the readings within their uncertainty, as a gap that falls under constant force
(from about three times the uncertainty of the difference). Each answer is a posterior probability and is calibrated
by simulation.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from ventbook.numerics import Floats
from ventbook.physics.lifter.motion import growth_times
from ventbook.tables.hands import hand_range

CAUSES = ("air", "leak_down", "both", "bottomed", "contradictory")
SURE = 0.8  # a cause is named from this probability on
SURE_OPEN_FORCE = 0.84  # where the first force isn't on record: it may be one that hands seldom press with
AIR_UNDER, LEAK_OVER = 0.2, 0.8  # limits of w
BINS = 20
EDGES = np.linspace(0.0, 1.0, BINS + 1)
MIDDLES = (EDGES[:-1] + EDGES[1:]) / 2.0
_GROWN = np.where(EDGES[:-1] > 0, MIDDLES, 0.0)  # most of what has no visible growth has none
_AIR = MIDDLES < AIR_UNDER
_LEAK = MIDDLES > LEAK_OVER
# Assumptions, no source: one lifter in twenty stands at its travel, one in twenty gaps is mechanical (weighed only
# where a second force was pressed); where one reading is all there is, 7 lifters in 10 do not grow visibly in a
# check (a sound plunger grows .002 mm in 3 s); a run leaves the air as it was in 3 of 10 lifters, draws in more in 1 of 20,
# and seats a check valve that stood open in 1 of 10; one lifter in two hundred has a wrong reading, anywhere up to the full travel.
BOTTOMED_BEFORE = 0.05
MECHANICAL_BEFORE = 0.05
NO_GROWTH_BEFORE = 0.7
RUN_LEAVES_AIR = 0.3
RUN_ADDS_AIR = 0.05
RUN_SEATS_VALVE = 0.1
MISREAD_BEFORE = 0.005
MOST_AIR = 120.0  # mm3
MOST_GROWTH = 250.0  # um/s
FADE = 0.04  # of the range, fall to 1/e past its end
BEYOND_RANGE = 0.05  # of what it is inside, the density of air and growth beyond the range, before a reading is called wrong
SHORTEST_TIME = 0.1  # s, of a hand-timed first reading
_NODES = (9, 5)
_NODES_OPEN_FORCE = (5, 3)  # where the first force is integrated over as well
LEAST_SPAN = 0.05  # of the last reading's time, that the first has to tell air from leak
FORCE_DIFFERS = 0.93  # of the air travel: under it a gap that is the same at both forces is no air
_UNLIKE = (0.0, 0.5, 1.0)  # of the times and forces of two presses by one hand


@dataclass(frozen=True)
class FirstPress:
    """What the force at the first reading makes of the air travel and of the growth, over those at the last.

    ``air``, ``rate``: (n, k) on k forces that are equally likely but for the two at the ends, half as likely each (all
    the same where the force is on record); ``u_air``, ``u_rate``: (n,), what spring, index and force leave open.
    """

    air: Floats
    rate: Floats
    u_air: Floats
    u_rate: Floats


@dataclass(frozen=True)
class Readings:
    """Arrays of one length; NaN where a reading was not taken. Gaps in mm, times in s.

    ``first_gap``, ``first_time``: as soon as the force is applied. ``gap``, ``time``: at the end of the hold.
    ``slack`` with ``u_slack``, ``slack_read`` True where the gap without force was read. ``u_gap`` one gauge
    reading, ``u_first_time`` and ``u_time`` of the two times. ``cap`` with ``u_cap``: gap at full travel.
    ``most_air_travel``: plunger travel that MOST_AIR gives at this force and geometry. ``first_press``: what another
    force at the first reading makes of them; None where it was the same.
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
    first_press: FirstPress | None = None


@dataclass(frozen=True)
class Evidence:
    """Density [1/mm] of one reading more: for each bin of w, (n, 20), for a bottomed plunger and for a wrong reading,
    (n,) each; ``taken`` False, (n,), where it was not taken.
    """

    taken: npt.NDArray[np.bool_]
    by_share: Floats
    by_bottom: Floats
    by_misreading: Floats


def shares_of_two(r: Readings) -> Floats:
    """Probability of each bin of w from the two readings, (n, 20); 0 where there is no first one."""
    shares = np.zeros((len(r.gap), BINS))
    two = np.isfinite(r.first_gap)
    if two.any():
        shares[two] = _share_from_two(_rows(r, two))
    return shares


def share_distribution(r: Readings, shares: Floats) -> tuple[Floats, Floats]:
    """Probability of each of the 20 bins of w, shape (n, 20), and of the gap being there without force, (n,).

    Rows without a first reading get the distribution before any reading: seven tenths at w = 0, the rest evenly.
    """
    n = len(r.gap)
    bins = np.full((n, BINS), (1.0 - NO_GROWTH_BEFORE) / BINS)
    bins[:, 0] += NO_GROWTH_BEFORE
    bins = np.where(np.isfinite(r.first_gap)[:, None], shares, bins)
    return _spread_sunk(bins, r), _slack_is_the_gap(r)


def _rows(r: Readings, keep: npt.NDArray[np.bool_]) -> Readings:
    def cut(part: Any) -> dict[str, Any]:
        values = {name: getattr(part, name) for name in part.__dataclass_fields__}
        return {name: value[keep] for name, value in values.items() if isinstance(value, np.ndarray)}

    press = None if r.first_press is None else FirstPress(**cut(r.first_press))
    return Readings(**cut(r), first_press=press)


def _first_press(r: Readings) -> FirstPress:
    """The first press, where there was none of its own the same force for certain."""
    if r.first_press is not None:
        return r.first_press
    one, none = np.ones((len(r.gap), 1)), np.zeros(len(r.gap))
    return FirstPress(one, one, none, none)


def _force_open(press: FirstPress) -> npt.NDArray[np.bool_]:
    return np.asarray(press.rate[:, 0] != press.rate[:, -1])


def _share_from_two(r: Readings) -> Floats:
    """Posterior of w on the grid from two readings, timing integrated by Gauss-Hermite quadrature."""
    total = np.zeros((len(r.gap), BINS))
    press = _first_press(r)
    open_force = _force_open(press)
    for rows, forces, nodes in (
        (~open_force, 1, _NODES),
        (open_force, press.air.shape[1], _NODES_OPEN_FORCE),
    ):
        if rows.any():
            part = _rows(r, rows)
            for k in range(forces):
                weight = 0.5 if forces > 1 and k in (0, forces - 1) else 1.0
                total[rows] += weight * _mass_of_shares(part, k, nodes)
    moved = np.maximum(r.gap - r.slack, 0.0) / r.rocker_ratio
    total *= _fade((moved[:, None] * (1.0 - MIDDLES)) / r.most_air_travel[:, None])
    mass = total.sum(axis=1)
    # readings that fit no w that is thought likely: all the mass at the end they point to
    lost = ~(mass > 1e-12)
    at_air = (r.first_gap - r.slack) * r.time >= (r.gap - r.slack) * r.first_time
    total[lost] = 0.0
    total[lost & at_air, 0] = 1.0
    total[lost & ~at_air, -1] = 1.0
    return total / np.where(lost, 1.0, mass)[:, None]


def _mass_of_shares(r: Readings, k: int, nodes: tuple[int, int]) -> Floats:
    """Mass of each bin of w at the ``k``-th first force, (n, 20), with equal air and growth beforehand."""
    first, last = (np.polynomial.hermite_e.hermegauss(n) for n in nodes)
    total = np.zeros((len(r.gap), BINS))
    moved = np.maximum(r.gap - r.slack, 0.0) / r.rocker_ratio
    g1, g2 = r.first_gap - r.slack, r.gap - r.slack
    press = _first_press(r)
    air, rate = press.air[:, k], press.rate[:, k]
    hands = hand_range("force_rise")
    middle = np.maximum(rate + (1.0 - rate) * (hands.low + hands.high) / 2.0, 1e-6)
    u_rise = np.abs(1.0 - rate) * (hands.high - hands.low) / np.sqrt(12.0) / middle
    u_rate = np.hypot(press.u_rate / np.maximum(rate, 1e-6), u_rise)
    timed = bool(np.any(r.u_first_time > 0) or np.any(r.u_time > 0))
    grid = [(a, b, wa * wb) for a, wa in zip(*first, strict=True) for b, wb in zip(*last, strict=True)]
    for a, b, weight in grid if timed else [(0.0, 0.0, 1.0)]:
        t1 = r.first_time + a * r.u_first_time
        t2 = r.time + b * r.u_time
        usable = (t1 >= SHORTEST_TIME) & (t2 > t1 + 0.1)
        t1, t2 = np.where(usable, t1, r.first_time), np.where(usable, t2, r.time)
        before, until = growth_times(rate, t1, t2)
        leak = before / until
        usable &= air - leak > LEAST_SPAN
        # w <= edge is y1 >= ratio y2; both readings carry the gauge's noise and the same slack
        ratio = air[:, None] - EDGES[None, :] * (air - leak)[:, None]
        u_ratio = (1.0 - EDGES[None, :]) * press.u_air[:, None]
        u_ratio = np.hypot(u_ratio, EDGES[None, :] * (leak * (1.0 - leak) * u_rate)[:, None])
        spread = np.sqrt(
            r.u_gap[:, None] ** 2 * (1.0 + ratio**2)
            + (r.u_slack[:, None] * (1.0 - ratio)) ** 2
            + (g2[:, None] * u_ratio) ** 2
        )
        under = ndtr((g1[:, None] - ratio * g2[:, None]) / spread)
        growth_prior = _fade(moved[:, None] * MIDDLES / (until[:, None] * MOST_GROWTH * 1e-3))
        span = np.where(usable, (air - leak) * until, 1.0)
        total += np.diff(under, axis=1) * growth_prior * (weight * usable / span)[:, None]
    return total


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


def in_order(r: Readings) -> Floats:
    """Probability of a first gap over the slack and no larger than the last's air was at the first force, (n,); 1 for one
    reading. A first force that isn't on record is taken as the largest.

    A first reading taken sooner than it says may be as low as the slack, so that growth sets no other bound.
    """
    first = np.where(np.isfinite(r.first_gap), r.first_gap, np.inf)
    started = ndtr((first - r.slack) / np.hypot(r.u_gap, r.u_slack))
    press = _first_press(r)
    air, u_air = press.air.max(axis=1), np.where(_force_open(press), 0.0, press.u_air)
    last = np.maximum(r.gap - r.slack, 0.0)
    noise = np.sqrt(r.u_gap**2 * (1.0 + air**2) + (r.u_slack * (1.0 - air)) ** 2 + (last * u_air) ** 2)
    held = ndtr((r.slack + air * (r.gap - r.slack) - first) / noise)
    return np.where(np.isfinite(first), started * held, 1.0)


def weigh_kinds(r: Readings) -> tuple[Floats, Floats]:
    """Probability that the plunger stood at the end of its travel from the first, and that a reading is wrong, (n,) each.

    Weighs a last gap at the travel, and a first reading that is the same, against air and growth that are equally
    likely up to their range and against readings that may be anything.
    A plunger that sank to its travel while force was held is growth, not this.
    """
    two = np.isfinite(r.first_gap)
    bottomed = _density(r.gap - r.cap, np.hypot(r.u_gap, r.u_cap))
    bottomed = bottomed * np.where(
        two, _density(np.where(two, r.gap - r.first_gap, 0.0), np.sqrt(2.0) * r.u_gap), 1.0
    )
    full = _full_travel(r)
    anything = np.where(two, 1.0 / full**2, 1.0 / full)
    # air and growth each evenly up to the travel: density of (G1, G2) is 1 / ((a - b1 / b2) full^2), of G2 alone 1 / full
    moving = anything * np.where(two, in_order(r) / _told_apart(r), 1.0)
    moving = moving * np.maximum(_fade((r.gap - r.slack) / r.rocker_ratio / _reach(r)), BEYOND_RANGE)
    moving = moving * ndtr((r.cap + 2 * r.u_cap - r.gap) / np.hypot(r.u_gap, r.u_cap))
    at_end, wrong = BOTTOMED_BEFORE * bottomed, MISREAD_BEFORE * anything
    # the same gap at two forces that are on record: no air does that
    differs = two & (_first_press(r).air.max(axis=1) < FORCE_DIFFERS)
    same = _density(np.where(differs, r.gap - r.first_gap, 0.0), np.sqrt(2.0) * r.u_gap) / full
    at_end = at_end + np.where(differs, MECHANICAL_BEFORE * same, 0.0)
    total = at_end + wrong + (1.0 - BOTTOMED_BEFORE - MISREAD_BEFORE) * moving
    return at_end / total, wrong / total


def _told_apart(r: Readings) -> Floats:
    """How far air and growth differ in the first reading, as a share of the last, (n,): 1 - t1 / t2 at one force."""
    press = _first_press(r)
    before, until = growth_times(press.rate.mean(axis=1), r.first_time, r.time)
    return np.maximum(press.air.mean(axis=1) - before / until, LEAST_SPAN)


def out_of_order(r: Readings) -> Floats:
    """Probability of a wrong reading where the last gap is no larger than the slack, (n,): by the order of the readings."""
    above = ndtr((r.gap - r.slack) / np.hypot(r.u_gap, r.u_slack))
    fits = np.where(r.slack_read, above, 1.0) * in_order(r)
    return MISREAD_BEFORE / (MISREAD_BEFORE + (1.0 - MISREAD_BEFORE) * fits)


def _density(x: Floats, u: Floats) -> Floats:
    u = np.maximum(u, 1e-9)
    return np.exp(-0.5 * (x / u) ** 2) / (u * np.sqrt(2.0 * np.pi))


def weigh_second_force(
    second_gap: Floats,
    r: Readings,
    *,
    air_scale: Floats,
    u_air_scale: Floats,
    leak_scale: Floats,
    u_leak_scale: Floats,
) -> Evidence:
    """What the gap at a second force says.

    ``air_scale`` and ``leak_scale``: what the second force makes of the air part and of the growing part, with
    their uncertainty from spring and force.
    """
    elastic = np.maximum(r.gap - r.slack, 0.0)[:, None]
    scale, u_scale = (
        a[:, None] * (1.0 - MIDDLES) + b[:, None] * MIDDLES
        for a, b in ((air_scale, leak_scale), (u_air_scale, u_leak_scale))
    )
    noise = np.hypot(np.sqrt(2.0) * r.u_gap[:, None], elastic * u_scale)
    moving = _density(second_gap[:, None] - r.slack[:, None] - elastic * scale, noise)
    bottomed = _density(second_gap - r.gap, np.sqrt(2.0) * r.u_gap)
    return _evidence(second_gap, r, moving, bottomed)


def weigh_late(
    late_gap: Floats, late_time: Floats, r: Readings, *, u_leak_force: Floats | float = 0.0
) -> Evidence:
    """What a reading under the same force at a later time [s] says: the leak went on, the air did not.

    ``u_leak_force``: relative, of the growth, by how evenly the force was held.
    """
    elastic = np.maximum(r.gap - r.slack, 1e-3)[:, None]
    press = _first_press(r)
    until = growth_times(press.rate.mean(axis=1), r.first_time, r.time)[1]
    until = np.where(np.isfinite(r.first_gap), until, r.time)
    longer = np.where(np.isfinite(late_time), late_time, r.time + 1.0) - r.time
    u_time = np.hypot(r.u_time, np.where(r.u_time > 0, hand_range("late_time_u").high, 0.0))
    u_growth = np.sqrt((u_time / longer) ** 2 + (r.u_time / until) ** 2 + np.square(u_leak_force))[:, None]
    low, high = (elastic * edge * (longer / until)[:, None] for edge in (EDGES[:-1], EDGES[1:]))
    low = np.where(np.arange(BINS) == 0, 0.0, low)
    grown = (late_gap - r.gap)[:, None]
    noise = np.hypot(np.sqrt(2.0) * r.u_gap[:, None], u_growth * (low + high) / 2.0)
    room = (r.cap - r.gap)[:, None]
    u_room = np.hypot(r.u_gap, r.u_cap)[:, None]
    # what the travel leaves of each bin, and the rest of it at the travel
    free = np.clip((room - low) / (high - low), 0.0, 1.0)
    top = low + np.maximum(free, 1e-3) * (high - low)
    within = (ndtr((grown - low) / noise) - ndtr((grown - top) / noise)) / (top - low)
    by_share = free * within + (1.0 - free) * _density(grown - np.maximum(room, 0.0), u_room)
    by_bottom = _density(grown[:, 0], np.sqrt(2.0) * r.u_gap)
    return _evidence(np.where(np.isfinite(late_time), late_gap, np.nan), r, by_share, by_bottom)


def weigh_release(released_gap: Floats, r: Readings) -> Evidence:
    """What the gap says that is left right after the force was let go: air springs back, a leak flows back in its time."""
    grown = np.maximum(r.gap - r.slack, 1e-3)[:, None] * _GROWN
    flown = hand_range("refilled_share")
    left = (released_gap - r.slack)[:, None]
    noise = np.hypot(r.u_gap, r.u_slack)[:, None]
    low, high = grown * (1.0 - flown.high), grown * (1.0 - flown.low)
    wide = np.maximum(high - low, 1e-3)
    by_share = (ndtr((left - low) / noise) - ndtr((left - low - wide) / noise)) / wide
    bottom = np.maximum(r.gap - r.slack, 1e-3)
    by_bottom = (ndtr(left[:, 0] / noise[:, 0]) - ndtr((left[:, 0] - bottom) / noise[:, 0])) / bottom
    return _evidence(released_gap, r, by_share, by_bottom)


def weigh_after_run(
    after: Floats, r: Readings, *, u_leak_force: Floats | float = 0.0, runs: Floats | float = 1.0
) -> Evidence:
    """What the gap after a further run says.

    A run takes away any part of the air, leaves it as it was (3 of 10, so 9 of 100 after two ``runs``) or draws in more
    (1 of 20). It leaves the growing
    part, but for 1 in 10 whose check valve it seats; a plunger that stood at its travel refills or not. The growing part
    is another at each press, by when it was read and how hard it was pressed (``u_leak_force``, relative), so that a
    smaller reading may be the same leak; how alike one person times and presses isn't known, so anything between
    exactly alike and not at all is weighed.
    """
    elastic = np.maximum(r.gap - r.slack, 1e-3)[:, None]
    left, none = (after - r.slack)[:, None], np.zeros_like(elastic)
    more = RUN_ADDS_AIR / _full_travel(r)[:, None]
    unmoved = RUN_LEAVES_AIR ** np.broadcast_to(np.asarray(runs, float), after.shape)[:, None]

    def after_all(kept: Floats, unlike: float) -> Floats:
        noise = change_noise(r, unlike * kept, u_leak_force=u_leak_force)
        stays, less = _density(left - elastic, noise), _between(left, kept, elastic, noise)
        seated = RUN_SEATS_VALVE * kept / elastic
        found = unmoved * stays + (1.0 - unmoved - RUN_ADDS_AIR) * less + more
        return (1.0 - seated) * found + seated * _between(left, none, elastic, noise)

    by_share = np.mean([after_all(elastic * _GROWN, unlike) for unlike in _UNLIKE], axis=0)
    return _evidence(after, r, by_share, after_all(none, 0.0)[:, 0])


def compare_after_run(
    after: Floats, r: Readings, grown: Floats, *, u_leak_force: Floats | float = 0.0
) -> npt.NDArray[np.object_]:
    """What a further run did to the gap: "smaller", "worse", "same", or "" where it was not read again.

    Smaller and worse are four times as likely for a gap that changed (to anything less; to anything up to the full
    travel) as for an unchanged lifter under the readings' combined uncertainty. ``grown``: the part of the gap [mm],
    (n,), that may have grown while force was held.
    """
    elastic, left = np.maximum(r.gap - r.slack, 1e-3), after - r.slack
    same, less = np.zeros(len(elastic)), np.zeros(len(elastic))
    for unlike in _UNLIKE:
        noise = change_noise(r, unlike * grown[:, None], u_leak_force=u_leak_force)[:, 0]
        same += _density(left - elastic, noise)
        less += _between(left, np.zeros_like(elastic), elastic, noise)
    sure = SURE / (1.0 - SURE)
    smaller = (left < elastic) & (less >= sure * same)
    worse = (left > elastic) & (len(_UNLIKE) / _full_travel(r) >= sure * same)
    return np.select([~np.isfinite(after), smaller, worse], ["", "smaller", "worse"], "same").astype(object)


def change_noise(r: Readings, grown: Floats, *, u_leak_force: Floats | float = 0.0) -> Floats:
    """Standard uncertainty [mm] of the difference of two readings of one unchanged lifter, shape of ``grown``.

    ``grown``: the part of the gap [mm], (n, k), that grew while force was held; it carries the time of the reading
    and the force (``u_leak_force``, relative), the rest only the gauge.
    """
    pressed = np.hypot(r.u_time / r.time, u_leak_force)[:, None] * grown
    return np.sqrt(2.0) * np.hypot(r.u_gap[:, None], pressed)


def _between(x: Floats, low: Floats, high: Floats, noise: Floats) -> Floats:
    """Density of a value anywhere from low to high, read with noise; under low 0 it may be anything less."""
    start = np.where(low > 0, ndtr((low - x) / noise), 0.0)
    return (ndtr((high - x) / noise) - start) / (high - low)


def _full_travel(r: Readings) -> Floats:
    return np.maximum(r.cap - r.slack, 0.1)


def _evidence(reading: Floats, r: Readings, by_share: Floats, by_bottom: Floats) -> Evidence:
    return Evidence(np.isfinite(reading), by_share, by_bottom, 1.0 / _full_travel(r))


def cause_probabilities(
    r: Readings,
    weights: list[Evidence] | None = None,
    *,
    pressed_again: npt.NDArray[np.bool_] | bool = False,
    shares: Floats | None = None,
) -> tuple[Floats, Floats]:
    """Probability of each cause of a gap, from what was read.

    Parameters
    ----------
    r : Readings
        Arrays of one length: the two gaps and times, slack, geometry and uncertainties.
    weights : list of Evidence, optional
        Evidence of a press at a second force and of a reading after a further run.
    pressed_again : ndarray of bool, shape (n,), or bool
        True where there was a second force, without which a mechanical gap looks like air and isn't weighed.
    shares : ndarray, shape (n, 20), optional
        What the two readings alone say (:func:`ventbook.physics.lifter.cause.shares_of_two`), where it is at hand.

    Returns
    -------
    probabilities : ndarray, shape (n, 5)
        In the order of CAUSES, rows summing to 1.
    growth_share : ndarray, shape (n,)
        Mean share of the gap that grew while force was held.

    Notes
    -----
    The module :mod:`ventbook.physics.lifter.cause` says what is assumed beforehand. :func:`split_gaps` does
    it for a frame.

    Examples
    --------
    >>> import numpy as np
    >>> from ventbook.physics import lifter
    >>> one = dict(first_gap=0.80, first_time=0.5, gap=0.81, time=4.0, rocker_ratio=1.35, most_air_travel=1.0, slack=0.0)
    >>> one |= dict(u_slack=0.01, slack_read=True, u_gap=0.02, u_first_time=0.1, u_time=0.1, cap=2.7, u_cap=0.1)
    >>> readings = lifter.Readings(**{name: np.array([value]) for name, value in one.items()})
    >>> probabilities, growth_share = lifter.cause_probabilities(readings)
    >>> lifter.CAUSES[probabilities[0].argmax()], bool(growth_share[0] < 0.2)
    ('air', True)
    """
    bins, no_force = share_distribution(r, shares_of_two(r) if shares is None else shares)
    at_end, wrong = weigh_kinds(r)
    mechanical = MECHANICAL_BEFORE * (1.0 - at_end - wrong) * pressed_again
    moving = bins * (1.0 - at_end - wrong - mechanical)[:, None]
    bottomed = at_end + mechanical
    for more in weights or []:
        # the reading more may be the wrong one too
        wrong_or_this = (wrong + MISREAD_BEFORE * (1.0 - wrong)) * more.by_misreading
        fit, fit_bottom = (
            (1.0 - MISREAD_BEFORE) * moving * more.by_share,
            (1.0 - MISREAD_BEFORE) * bottomed * more.by_bottom,
        )
        total = fit.sum(axis=1) + fit_bottom + wrong_or_this
        moving = np.where(more.taken[:, None], fit / total[:, None], moving)
        bottomed = np.where(more.taken, fit_bottom / total, bottomed)
        wrong = np.where(more.taken, wrong_or_this / total, wrong)
    sound = np.maximum(moving.sum(axis=1), 1e-12)
    mean = (moving * MIDDLES).sum(axis=1) / sound
    parts = np.stack([moving[:, _AIR].sum(axis=1), moving[:, _LEAK].sum(axis=1)], axis=1)
    # a gap that is there without force is bottomed, unless the readings contradict each other
    parts = parts * (1.0 - no_force)[:, None]
    bottomed = bottomed + no_force * (1.0 - wrong - bottomed)
    both = np.maximum(1.0 - parts.sum(axis=1) - bottomed - wrong, 0.0)
    return np.column_stack([parts, both, bottomed, wrong]), mean


def kind_likelihoods(
    r: Readings,
    weights: list[Evidence] | None = None,
    *,
    pressed_again: npt.NDArray[np.bool_] | bool = False,
    shares: Floats | None = None,
) -> Floats:
    """Likelihoods of the readings under air and under leak-down, whatever is common.

    Parameters
    ----------
    r : Readings
        As for :func:`cause_probabilities`.
    weights : list of Evidence, optional
        As there.
    pressed_again : ndarray of bool, shape (n,), or bool
        As there.
    shares : ndarray, shape (n, 20), optional
        As there.

    Returns
    -------
    ndarray, shape (n, 2)
        Air (a plunger at its travel counts as air) and leak-down, scaled to add up to 1 a row: only their
        ratio says anything.

    Notes
    -----
    Unlike :func:`cause_probabilities` they hold nothing of how common either kind is: every share w of growth
    is equally likely within a kind, readings between the two (.2 to .8) count half for each, and one reading
    without any evidence more has equal likelihoods, whatever the share of lifters that grow.

    Examples
    --------
    >>> import numpy as np
    >>> from ventbook.physics import lifter
    >>> one = dict(first_gap=0.15, first_time=0.5, gap=0.95, time=4.0, rocker_ratio=1.35, most_air_travel=1.0, slack=0.0)
    >>> one |= dict(u_slack=0.01, slack_read=True, u_gap=0.02, u_first_time=0.1, u_time=0.1, cap=2.7, u_cap=0.1)
    >>> readings = lifter.Readings(**{name: np.array([value]) for name, value in one.items()})
    >>> air, leak_down = lifter.kind_likelihoods(readings)[0]
    >>> bool(leak_down > 0.9)
    True
    """
    bins = np.full((len(r.gap), BINS), 1.0 / BINS)
    two = np.isfinite(r.first_gap)
    if two.any():
        shares = shares_of_two(r) if shares is None else shares
        bins = np.where(two[:, None], _spread_sunk(shares, r), bins)
    at_end, wrong = weigh_kinds(r)
    mechanical = MECHANICAL_BEFORE * (1.0 - at_end - wrong) * pressed_again
    moving, bottomed = bins * (1.0 - at_end - wrong - mechanical)[:, None], at_end + mechanical
    for more in weights or []:
        fit, fit_bottom = moving * more.by_share, bottomed * more.by_bottom
        # a reading that fits neither kind says nothing about which it is
        total = (
            fit.sum(axis=1)
            + fit_bottom
            + MISREAD_BEFORE * more.by_misreading * (moving.sum(axis=1) + bottomed)
        )
        fit = fit + MISREAD_BEFORE * more.by_misreading[:, None] * moving
        fit_bottom = fit_bottom + MISREAD_BEFORE * more.by_misreading * bottomed
        moving = np.where(more.taken[:, None], fit / np.maximum(total, 1e-300)[:, None], moving)
        bottomed = np.where(more.taken, fit_bottom / np.maximum(total, 1e-300), bottomed)
    between = moving[:, ~_AIR & ~_LEAK].sum(axis=1) / 2
    # as often wrong readings as anywhere: no evidence is ever beyond doubt
    doubt = MISREAD_BEFORE * (moving.sum(axis=1) + bottomed) + wrong / 2
    air = moving[:, _AIR].sum(axis=1) + between + bottomed + doubt
    leak = moving[:, _LEAK].sum(axis=1) + between + doubt
    return np.column_stack([air, leak]) / np.maximum(air + leak, 1e-300)[:, None]


def name_cause(probabilities: Floats, sure: Floats | float = SURE) -> npt.NDArray[np.object_]:
    """The cause that is sure enough to be named, else "unclear".

    Parameters
    ----------
    probabilities : ndarray, shape (n, 5)
        As :func:`cause_probabilities` gives them.
    sure : ndarray, shape (n,), or float, 0..1
        From which probability on air, leak_down, both or bottomed is named.

    Returns
    -------
    ndarray of str, shape (n,)
        One of CAUSES with a probability of at least ``sure`` (contradictory: SURE, .8), or "unclear".

    Notes
    -----
    Air, leak_down, both and bottomed are named by their probability given right readings, where those are the
    likelier.

    Examples
    --------
    >>> import numpy as np
    >>> from ventbook.physics import lifter
    >>> lifter.name_cause(np.array([[0.9, 0.02, 0.05, 0.02, 0.01], [0.5, 0.3, 0.1, 0.05, 0.05]])).tolist()
    ['air', 'unclear']
    """
    wrong = probabilities[:, -1]
    given = probabilities[:, :-1] / np.maximum(1.0 - wrong, 1e-12)[:, None]
    best = given.argmax(axis=1)
    named = (given[np.arange(len(best)), best] >= sure) & (wrong < 0.5)
    named = np.where(named, np.array(CAUSES, dtype=object)[best], "unclear")
    return np.where(wrong >= SURE, CAUSES[-1], named)
