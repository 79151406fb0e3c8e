"""Scores where nothing acts but what the account has: how they spread by formula, and how they fall in simulated fleets.

References: Pearson III by moments for permutation statistics, Berry & Mielke 1983.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy
from scipy import special

from ventbook.cluster import map_partitions
from ventbook.numerics import Floats, Ints
from ventbook.statistics.causes.account_terms import Mask, VentingRows

SMALL_FLEET = 4_000  # ventings up to which fleets are simulated in one go
PART_CELLS = 2_000_000  # ventings times fleets that are simulated in one go over it
MANY_FAIL = 0.05
# Spread between engines and between a site's quarters, as variances of gamma factors around 1: what is taken where the
# records say nothing, and how many expected pairs of failures that is worth. Common practice, no source.
ENGINE_SPREAD, QUARTER_SPREAD, SPREAD_PAIRS = 0.3, 0.1, 3.0


@dataclass(frozen=True)
class NullScores:
    """Scores of one kind of finding in fleets in which nothing acts but what the account has.

    A score is the sum over ventings of x (y (1 / p + u / L) - 1): x a column of ``found`` (n, c), y whether the venting
    fails, L its intensity in ``level`` (n,), p = 1 - e^-L, and u drawn from ``values``. Engines and site-quarters differ by
    gamma factors of the variances ``spreads``; ``engine`` and ``cell`` (n,) number those of each venting, ``cells`` how many
    site-quarters there are.
    """

    found: Floats
    level: Floats
    values: Floats
    spreads: tuple[float, float]
    engine: Ints
    cell: Ints
    cells: int


def number_cells(rows: VentingRows, quarter: Ints) -> tuple[Ints, int]:
    """Site and quarter of each venting as one number, those without a date (-1) apart; and how many there may be."""
    span = int(quarter.max()) + 2
    return rows.site_code * span + quarter + 1, len(rows.site_names) * span


def tail_pearson(z: npt.ArrayLike, skewness: npt.ArrayLike) -> Floats:
    """Upper tail probability of a Pearson III variate with mean 0, standard deviation 1 and ``skewness``, at
    ``z``.

    With a = 4 / g^2 it is the upper tail of a gamma(a) variate at a + z sqrt(a) for g > 0, the lower one at a
    - z sqrt(a) for g < 0, and the normal tail where |g| is under .001 (there the two agree to 2 % up to z =
    6). At least 1e-300.
    """
    z, g = np.broadcast_arrays(np.asarray(z, np.float64), np.asarray(skewness, np.float64))
    safe = np.where(np.abs(g) < 0.001, 1.0, g)
    a = 4.0 / safe**2
    at = np.maximum(a + np.sign(safe) * z * np.sqrt(a), 0.0)
    tail = special.ndtr(-z)
    for side, of in ((g >= 0.001, special.gammaincc), (g <= -0.001, special.gammainc)):
        tail[side] = of(a[side], at[side])
    return np.maximum(tail, 1e-300)


def estimate_spreads(
    present: Floats, intensity: Floats, rows: VentingRows, quarter: Ints
) -> tuple[float, float]:
    """Variance of the gamma factors of engines and of site-quarters, from pairs of ventings that share them.

    A pair's product of residuals has the mean variance x v_i v_j, v = L e^-L. Residuals of site-quarters are
    taken beside each site's own smooth course (level, slope and bend), which would pass for spread otherwise;
    what fitting it takes away is given back by its leverage. Drawn to what is usual by a few pairs.
    """
    chance = -np.expm1(-intensity)
    reach = intensity * np.exp(-intensity)
    residual = present - chance

    def pairs(values: Floats, by: Ints) -> float:
        total = np.bincount(by, weights=values)
        return float((total @ total - values @ values) / 2)

    engine = (pairs(residual, rows.engine) + SPREAD_PAIRS * ENGINE_SPREAD) / (
        pairs(reach, rows.engine) + SPREAD_PAIRS
    )
    dated = quarter >= 0
    if not dated.any():
        return float(np.clip(engine, 0.0, 3.0)), QUARTER_SPREAD
    span = int(quarter[dated].max()) + 1
    cell = rows.site_code[dated] * span + quarter[dated]
    size = len(rows.site_names) * span
    excess, weight = 0.0, 0.0
    off, reached, noise = (
        np.bincount(cell, weights=part[dated], minlength=size).reshape(-1, span)
        for part in (residual, reach, chance * (1 - chance))
    )
    for o, v, n in zip(off, reached, noise, strict=True):
        here = n > 1e-9
        if here.sum() < 4:
            continue
        t = np.linspace(-1, 1, span)[here]
        course = v[here, None] * np.column_stack([np.ones(len(t)), t, t**2][: 3 if len(t) > 5 else 2])
        root = 1 / np.sqrt(n[here])
        q, _ = np.linalg.qr(course * root[:, None])
        scaled = o[here] * root
        left = (scaled - q @ (q.T @ scaled)) / root
        leverage = (q**2).sum(axis=1)
        excess += float((left**2 - n[here] * (1 - leverage)).sum()) / 2
        weight += float((v[here] ** 2 * (1 - leverage)).sum()) / 2
    quarters = (excess + SPREAD_PAIRS * QUARTER_SPREAD) / (weight + SPREAD_PAIRS)
    return float(np.clip(engine, 0.0, 3.0)), float(np.clip(quarters, 0.0, 1.0))


def weigh_counts(count: Floats, level: Floats) -> tuple[Floats, Floats]:
    """What the number of findings of a failing venting says about its intensity beyond that it failed: u
    (n,), and the values of the failing ones.

    u is the derivative by log L of the log probability of 1, 2, or 3 and more findings given that there are
    any, for negative binomial counts whose mean goes with L and whose excess variance makes as many ventings
    sound as there are; 0 on sound ventings. Its mean is taken off, so that the shape need not be right for
    the score's mean to be 0. Findings in one engine go together: then a second one says little, and u is
    small.
    """
    failing = count > 0.5
    out = np.zeros(len(count))
    if failing.sum() < 10 or not (count[failing] > 1.5).any():
        return out, np.zeros(1)
    mean = level * max(float(count.sum() / level.sum()), 1.0)
    sound = float(np.mean(np.exp(-level)))

    def short(log_excess: float) -> float:
        excess = np.exp(log_excess)
        return float(np.mean((1 + excess * mean) ** (-1 / excess))) - sound

    low, high = np.log(1e-3), np.log(50.0)
    excess = float(np.exp(scipy.optimize.brentq(short, low, high))) if short(low) < 0 < short(high) else 1e-3

    def classes(m: Floats) -> Floats:
        none = (1 + excess * m) ** (-1 / excess)
        one = none * m / (1 + excess * m)
        two = one * m * (1 + excess) / (2 * (1 + excess * m))
        some = np.maximum(1 - none, 1e-300)
        return np.column_stack([one, two, np.maximum(some - one - two, 1e-300)]) / some[:, None]

    own = mean[failing]
    slope = (np.log(classes(own * 1.01)) - np.log(classes(own * 0.99))) / np.log(1.01 / 0.99)
    value = slope[np.arange(len(own)), np.clip(np.rint(count[failing]), 1, 3).astype(np.int64) - 1]
    value = value - value.mean()
    out[failing] = value
    return out, value


def expect_moments(scores: NullScores) -> tuple[Floats, Floats]:
    """Standard deviation and skewness of the scores (c,) where the account holds; their mean is 0.

    The variance is that of independent ventings, sum x^2 ((1 - p) / p + p var u / L^2), and of pairs that share an engine or a
    site's quarter, whose covariance is the spread times v_i v_j, v = L e^-L, to first order. The skewness is that of
    independent ventings. Simulated, with 400 fleets, either would carry an error of 4 and 12 % of one: enough to lose a
    cause.
    """
    found, level, values = scores.found, scores.level, scores.values
    chance = -np.expm1(-level)
    second, third_u = float(np.mean(values**2)), float(np.mean(values**3))
    square, cube = found**2, found**3
    variance = square.T @ ((1 - chance) / chance + chance * second / level**2)
    third = cube.T @ (
        (1 - chance) * (1 - 2 * chance) / chance**2
        + 3 * (1 - chance) * second / level**2
        + chance * third_u / level**3
    )
    skewness = third / np.maximum(variance, 1e-100) ** 1.5
    reached = found * (level * np.exp(-level) / chance)[:, None]
    for spread, by in zip(scores.spreads, (scores.engine, scores.cell), strict=True):
        sums = sum_groups(reached, by)
        variance = variance + spread * np.maximum((sums**2).sum(axis=0) - (reached**2).sum(axis=0), 0.0)
    return np.sqrt(variance), skewness


def sum_groups(values: Floats, by: Ints) -> Floats:
    """Sums of the rows of ``values`` (n, c) of each group 0, 1, ..., (groups, c)."""
    order = np.argsort(by, kind="stable")
    firsts = np.flatnonzero(np.diff(by[order], prepend=-1))
    return np.add.reduceat(values[order], firsts, axis=0)


def simulate_scores(scores: NullScores, rng: np.random.Generator, simulations: int) -> Floats:
    """Scores (simulations, c) of fleets in which the account holds and engines and site-quarters differ by gamma factors.

    Intensities are raised so that each venting's chance stays what the account says: a gamma factor of variance v around 1
    turns exp(-L) into (1 + v L)^(-1/v). Over SMALL_FLEET ventings the fleets are made in parts, each from a generator of its
    own.
    """
    ventings = len(scores.level)
    if ventings <= SMALL_FLEET:
        return _simulate_part((rng, simulations), scores=scores)
    size = max(1, PART_CELLS // ventings)
    sizes = [min(size, simulations - begin) for begin in range(0, simulations, size)]
    parts = list(zip(rng.spawn(len(sizes)), sizes, strict=True))
    return np.concatenate(list(map_partitions(_simulate_part, parts, shared={"scores": scores})))


def _simulate_part(part: tuple[np.random.Generator, int], *, scores: NullScores) -> Floats:
    rng, simulations = part
    engine, quarters = scores.spreads
    ventings, engines = len(scores.level), int(scores.engine.max()) + 1
    both = engine + quarters + engine * quarters
    raised = np.expm1(np.minimum(both * scores.level, 30.0)) / both if both > 1e-6 else scores.level
    piece = max(1, min(simulations, 8_000_000 // max(ventings, 1)))
    out = np.empty((simulations, scores.found.shape[1]))
    shift = scores.found.sum(axis=0)
    for begin in range(0, simulations, piece):
        size = min(piece, simulations - begin)
        by_engine = draw_gamma(rng, engine, (size, engines))
        by_cell = draw_gamma(rng, quarters, (size, scores.cells))
        rate = by_engine[:, scores.engine] * by_cell[:, scores.cell] * raised
        failed = rng.random((size, ventings)) >= np.exp(-rate)
        out[begin : begin + size] = _sum_failed(failed, scores, rng) - shift
    return out


def draw_gamma(rng: np.random.Generator, variance: float, size: tuple[int, int]) -> Floats:
    """Gamma factors with mean 1; all 1 without variance."""
    if variance <= 1e-6:
        return np.ones(size)
    return rng.gamma(1.0 / variance, variance, size)


def _sum_failed(failed: Mask, scores: NullScores, rng: np.random.Generator) -> Floats:
    """Row sums of the terms over the failed ventings, each times 1 / p + u / L; few fail, so only those are touched."""
    level, values, found = scores.level, scores.values, scores.found
    if failed.shape[1] > SMALL_FLEET and failed.mean() > MANY_FAIL:
        # a full product is faster than a sparse one where more than a few fail
        drawn = values[rng.integers(0, len(values), failed.shape)] if len(values) > 1 else 0.0
        return np.asarray((failed * (1.0 / -np.expm1(-level) + drawn / level)) @ found)
    table = scipy.sparse.csr_array(failed).astype(np.float64)
    own = level[table.indices]
    table.data = 1.0 / -np.expm1(-own) + values[rng.integers(0, len(values), len(own))] / own
    return np.asarray(table @ found)
