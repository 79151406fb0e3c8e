"""What a gap is made of: probabilities of air, leak_down, both, bottomed and contradictory from what was read.

``w`` is the share of the gap (less slack) that grew while force was held. The cause is air where w < .2,
leak_down where w > .8, both between; bottomed where the plunger stands at the end of its travel, or where the gap
is there without force. Beforehand every air volume up to 120 mm3 and every growth up to 250 um/s is equally likely,
and more than that less and less so. Two readings G1, G2 at t1, t2 then bound w through their ratio::

    (G1 - s0) / (G2 - s0) = 1 - w (t2 - t1) / t2

so that force, spring and rocker ratio drop out; gauge noise, slack and the timing of the readings (u(t1), u(t2),
by quadrature) remain. A press at a second force and a reading after a further run weigh the same w grid by how well
each w explains them. Against all of that stands one wrong reading: contradictory is its probability, and it is named where
no air, growth or travel explains the readings within their uncertainty, as a gap that falls under constant force
(from about three times the uncertainty of the difference). Each answer is a posterior probability and is calibrated
by simulation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from ventbook.physics.lifter.motion import Floats

CAUSES = ("air", "leak_down", "both", "bottomed", "contradictory")
SURE = 0.8  # a cause is named from this probability on
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
_UNLIKE = (0.0, 0.5, 1.0)  # of the times and forces of two presses by one hand


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


@dataclass(frozen=True)
class Evidence:
    """Density [1/mm] of one reading more: for each bin of w, (n, 20), for a bottomed plunger and for a wrong reading,
    (n,) each; ``taken`` False, (n,), where it was not taken.
    """

    taken: npt.NDArray[np.bool_]
    by_share: Floats
    by_bottom: Floats
    by_misreading: Floats


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
    # readings that fit no w that is thought likely: all the mass at the end they point to
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


def in_order(r: Readings) -> Floats:
    """Probability, by the gauge alone, of a first gap over the slack and no larger than the last, (n,); 1 for one reading.

    A first reading taken sooner than it says may be as low as the slack, so that growth sets no other bound.
    """
    first = np.where(np.isfinite(r.first_gap), r.first_gap, np.inf)
    started = ndtr((first - r.slack) / np.hypot(r.u_gap, r.u_slack))
    held = ndtr((r.gap - first) / (np.sqrt(2.0) * r.u_gap))
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
    span = np.maximum(r.time - np.where(two, r.first_time, 0.0), 0.1)
    anything = np.where(two, 1.0 / full**2, 1.0 / full)
    # air and growth each evenly up to the travel: density of (G1, G2) is time / (span full^2), of G2 alone 1 / full
    moving = anything * np.where(two, in_order(r) * r.time / span, 1.0)
    moving = moving * np.maximum(_fade((r.gap - r.slack) / r.rocker_ratio / _reach(r)), BEYOND_RANGE)
    moving = moving * ndtr((r.cap + 2 * r.u_cap - r.gap) / np.hypot(r.u_gap, r.u_cap))
    at_end, wrong = BOTTOMED_BEFORE * bottomed, MISREAD_BEFORE * anything
    total = at_end + wrong + (1.0 - BOTTOMED_BEFORE - MISREAD_BEFORE) * moving
    return at_end / total, wrong / total


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
    bins, no_force = share_distribution(r)
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
        bins[two] = _share_from_two(_rows(r, two))
        bins = np.where(two[:, None], _spread_sunk(bins, r), bins)
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


def name_cause(probabilities: Floats) -> npt.NDArray[np.object_]:
    """The cause that is sure enough to be named, else "unclear".

    Parameters
    ----------
    probabilities : ndarray, shape (n, 5)
        As :func:`cause_probabilities` gives them.

    Returns
    -------
    ndarray of str, shape (n,)
        One of CAUSES with a probability of at least SURE (.8), or "unclear".

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
    sure = (given[np.arange(len(best)), best] >= SURE) & (wrong < 0.5)
    named = np.where(sure, np.array(CAUSES, dtype=object)[best], "unclear")
    return np.where(wrong >= SURE, CAUSES[-1], named)
