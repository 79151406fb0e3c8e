"""Scores of large fleets where nothing more acts: covariance by formula, maxima from normal draws, spread checked by few fleets.

Simulated fleets cost ventings times terms times fleets: at a million ventings one round of :mod:`account_naming` would
draw 400 million outcomes. Over LARGE_FLEET ventings each score is a sum of so many small parts that it is normal but for
a skewness that its third moment tells, and scores go together as their covariance says. What that costs: a copula that is
normal in place of the simulated one, and a common scale of the spread that rests on CHECK_FLEETS simulated fleets, hence
known to about 3 % (one standard error, where the terms amount to 20 independent ones). What it saves besides time: the chance
of the maximum rests on 4,000 draws in place of 400, so its own error falls from 0.35 to 0.11 points at 0.5 %. Tried on one
fleet of 32,229 ventings, less than it is used for: the same four names, shares alike to five digits, in 11 s in place of 42 s;
the chance of the best unnamed term came out at 7 % in place of 13 %, rare terms of leak-down having longer tails than these.

Rows are worked on in blocks, so that beside the terms' own columns no other table of ventings times terms is held in
double precision.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt
from scipy import sparse

from ventbook.numerics import Floats, Ints, root_of
from ventbook.statistics.causes.account_terms import VentingRows

LARGE_FLEET = 100_000  # ventings over which scores are drawn as normal
LARGE_DRAWS = 4000
CHECK_FLEETS = 24
BLOCK_ROWS = 65_536
BLOCK_COLUMNS = 16  # terms that are projected at once
Columns32 = npt.NDArray[np.floating]


def list_blocks(rows: int) -> Iterator[slice]:
    """Slices of so many rows as are worked on at once."""
    for begin in range(0, rows, BLOCK_ROWS):
        yield slice(begin, min(begin + BLOCK_ROWS, rows))


def sum_scores(found: Columns32, weight: Floats) -> Floats:
    """Sums of the columns of ``found`` (n, c) times ``weight`` (n,), in double precision."""
    out = np.zeros(found.shape[1])
    for part in list_blocks(len(found)):
        out += found[part].T.astype(np.float64) @ weight[part]
    return out


def sum_squares(found: Columns32, weight: Floats) -> Floats:
    """Sums of the squares of the columns of ``found`` (n, c) times ``weight`` (n,), in double precision."""
    out = np.zeros(found.shape[1])
    for part in list_blocks(len(found)):
        out += (found[part].astype(np.float64) ** 2).T @ weight[part]
    return out


def expect_covariance(
    found: Columns32,
    level: Floats,
    values: Floats,
    spreads: tuple[float, float],
    rows: VentingRows,
    quarter: Ints,
) -> tuple[Floats, Floats]:
    """Covariance (c, c) and skewness (c,) of the scores where the account holds; their mean is 0.

    The moments of :func:`ventbook.statistics.causes.account_naming.expect_moments` with their products, and in the
    skewness that of the gamma factors (2 v^2) of engines and site-quarters.
    """
    chance = -np.expm1(-level)
    second, third_u = float(np.mean(values**2)), float(np.mean(values**3))
    alone = (1 - chance) / chance + chance * second / level**2
    cube = (
        (1 - chance) * (1 - 2 * chance) / chance**2
        + 3 * (1 - chance) * second / level**2
        + chance * third_u / level**3
    )
    reach = level * np.exp(-level) / chance
    span = int(quarter.max()) + 2
    cell = rows.site_code * span + quarter + 1
    count = found.shape[1]
    own, same, third = np.zeros((count, count)), np.zeros((count, count)), np.zeros(count)
    engines = np.zeros((count, count))
    cells = np.zeros((int(cell.max()) + 1, count))
    for part in _by_engine(rows.engine):
        # products in single precision: six digits of a spread are plenty
        x = found[part].astype(np.float32)
        own += x.T @ (x * alone[part, None].astype(np.float32))
        third += (x**3).T @ cube[part].astype(np.float32)
        x *= reach[part, None].astype(np.float32)
        same += x.T @ x
        firsts = np.flatnonzero(np.diff(rows.engine[part], prepend=-1))
        sums = np.add.reduceat(x, firsts, axis=0)
        engines += sums.T @ sums
        third += 2 * spreads[0] ** 2 * (sums**3).sum(axis=0)
        at = sparse.csr_array(
            (np.ones(len(part)), (cell[part], np.arange(len(part)))), (len(cells), len(part))
        )
        cells += at @ x
    total = own
    for spread, sums in zip(spreads, (engines, cells.T @ cells), strict=True):
        pairs = sums - same
        counts = np.diag(pairs) > 0
        total = total + spread * pairs * counts[:, None] * counts
    third += 2 * spreads[1] ** 2 * (cells**3).sum(axis=0)
    return total, third / np.maximum(np.diag(total), 1e-100) ** 1.5


def _by_engine(engine: Ints) -> Iterator[Ints]:
    """Rows in the order of their engines, in blocks that no engine is divided among."""
    order = np.argsort(engine, kind="stable")
    own = engine[order]
    begin = 0
    while begin < len(order):
        end = min(begin + BLOCK_ROWS, len(order))
        end = int(np.searchsorted(own, own[end - 1], side="right"))
        yield order[begin:end]
        begin = end


def draw_scores(
    found: Columns32,
    level: Floats,
    values: Floats,
    spreads: tuple[float, float],
    rows: VentingRows,
    quarter: Ints,
    rng: np.random.Generator,
    draws: int,
) -> tuple[Floats, Floats, Floats]:
    """Normal deviates (draws, c) that go together as the scores do, the scores' standard deviations, and their skewness."""
    covariance, skewness = expect_covariance(found, level, values, spreads, rows, quarter)
    sd = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    usable = sd > 1e-9
    safe = np.where(usable, sd, 1.0)
    root = root_of(covariance / np.outer(safe, safe))
    root /= np.maximum(np.sqrt((root**2).sum(axis=1)), 1e-12)[:, None]
    drawn = rng.standard_normal((draws, found.shape[1])) @ root.T
    fleets = simulate_few(found, level, values, spreads, rows, quarter, rng, CHECK_FLEETS)
    # what the first-order moments miss is alike for all terms, and told by all of them together
    scale = float(np.sqrt(np.mean((fleets[:, usable] / sd[usable]) ** 2))) if usable.any() else 1.0
    return drawn, sd * scale, skewness


def simulate_few(
    found: Columns32,
    level: Floats,
    values: Floats,
    spreads: tuple[float, float],
    rows: VentingRows,
    quarter: Ints,
    rng: np.random.Generator,
    fleets: int,
) -> Floats:
    """Scores (fleets, c) of simulated fleets as :func:`ventbook.statistics.causes.account_naming.simulate_scores` draws them,
    a block of ventings at a time.
    """
    engine, quarters = spreads
    both = engine + quarters + engine * quarters
    span = int(quarter.max()) + 2
    cell = rows.site_code * span + quarter + 1
    by_engine = draw_gamma(rng, engine, (fleets, int(rows.engine.max()) + 1)).astype(np.float32)
    by_cell = draw_gamma(rng, quarters, (fleets, len(rows.site_names) * span))
    out = np.zeros((fleets, found.shape[1]))
    for part in list_blocks(len(level)):
        own, x = level[part], found[part].astype(np.float64)
        raised = np.expm1(np.minimum(both * own, 30.0)) / both if both > 1e-6 else own
        rate = by_engine[:, rows.engine[part]] * by_cell[:, cell[part]] * raised
        failed = rng.random(rate.shape) >= np.exp(-rate)
        u = values[rng.integers(0, len(values), rate.shape)] if len(values) > 1 else 0.0
        out += (failed * (1.0 / -np.expm1(-own) + u / own)) @ x - x.sum(axis=0)
    return out


def draw_gamma(rng: np.random.Generator, variance: float, size: tuple[int, int]) -> Floats:
    """Gamma factors with mean 1; all 1 without variance."""
    if variance <= 1e-6:
        return np.ones(size)
    return rng.gamma(1.0 / variance, variance, size)
