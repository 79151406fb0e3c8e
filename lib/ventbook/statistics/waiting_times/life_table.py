"""The product-limit estimate for narrow interval readings of several kinds: each is spread evenly over its interval.

A stopwatch that reads to 0.5 s and a logger that samples every 0.1 s give intervals that overlap without a common grid. There
the maximum-likelihood estimate puts its mass on the overlaps, so that the curve jumps by a tenth for where readings happen
to lie, and its errors are those of a problem that isn't regular [1]_. Where intervals are narrow against the spread of
the times, spreading each reading evenly costs a bias of no more than f'(t) d^2 / 24 (d the width, f' the slope of the
density: a few tenths of a point), and the errors are those of the product-limit estimate. With one common grid
and no overlaps both estimates are the same.

The estimate is a life table on the cells between all interval ends: events N_j = sum of the shares of readings in cell j,
at risk Y_j = n - events before - given up before, S = prod (1 - N_j / Y_j), even inside a cell. The influence of a reading on
log S(t) is - sum_j (dN_ij / Y_j - N_j Y_ij / Y_j^2) / (1 - N_j / Y_j) over the cells up to t.

References
----------
.. [1] Groeneboom, P. and Wellner, J. A. (1992), Information Bounds and Nonparametric Maximum Likelihood Estimation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ventbook.numerics import Floats, Ints
from ventbook.statistics.waiting_times.intervals import Readings, collapse_columns

#: Readings are narrow where nine of ten intervals are at most this share of the 10-90 % range of their middles.
NARROW = 0.25
#: So few readings beyond a level don't fix it alone (see find_floor).
FEW_BEYOND = 15.0
#: No more cells than this; interval ends in between are kept in the readings, not in the cells.
MOST_CELLS = 1200
#: More distinct readings than this have their ends moved to the nearest of 2000 quantiles of all ends first.
MOST_READINGS = 20_000
BLOCK = 256  # readings held against all cells at once


@dataclass(frozen=True)
class SpreadEstimate:
    """Cells (left, right] (points where equal) with the level F after each, as Npmle has them.

    ``influence_on_levels`` is the influence of one unit of each distinct reading (rows) on the levels (columns);
    ``kind`` says in words how the estimate was made. ``leans_on`` is the number of readings where the estimate leans on a smooth
    start (else inf): see find_floor.
    """

    left: Floats
    right: Floats
    levels: Floats
    influence_on_levels: Floats
    readings: Readings
    kind: str
    leans_on: float = np.inf
    product_limit: bool = False

    def level_at(self, time: float) -> tuple[float, Ints, Floats]:
        """F(time), and the levels it is made of with their shares."""
        return mix_levels(self.left, self.right, self.levels, time)

    def influence(self, at: Ints, share: Floats) -> tuple[Floats, float]:
        """Influence of one unit of each distinct reading on F at the mix of levels, and its variance."""
        found = self.influence_on_levels[:, at] @ share
        floor = float(find_floor(self.levels[at] @ share, self.leans_on))
        return found, max(float(self.readings.weight @ found**2), floor)


def find_floor(level: Floats | float, readings: float) -> Floats:
    """Least variance of a level that so many readings can give: theirs as shares, F (1 - F) / n, out in the tails.

    Where fewer than FEW_BEYOND of them lie beyond a level, a smooth start decides it more than they do, and its error alone
    would be too small; the floor fades as more do. Before the first of them has ended the error is as large as the level itself,
    as it is with one.
    """
    beyond = np.minimum(level, 1.0 - level)
    if np.isinf(readings):
        return np.zeros_like(beyond)
    of_shares = beyond * (1.0 - beyond) / readings * FEW_BEYOND / np.maximum(readings * beyond, FEW_BEYOND)
    return np.where(np.asarray(level) * readings < 1.0, np.minimum(of_shares, np.square(level)), of_shares)


def is_narrow(readings: Readings) -> bool:
    """Whether the ended readings are narrow intervals against the spread of the times, whatever they were read with."""
    ended = np.isfinite(readings.high)
    weight = readings.weight[ended]
    width = readings.high[ended] - readings.low[ended]
    if weight.size == 0 or not (width > 0).any():
        return False
    middle = (readings.high[ended] + readings.low[ended]) / 2
    reach = find_quantile(middle, weight, 0.9) - find_quantile(middle, weight, 0.1)
    return find_quantile(width, weight, 0.9) <= NARROW * reach


def mix_levels(left: Floats, right: Floats, levels: Floats, time: float) -> tuple[float, Ints, Floats]:
    """F(time), and the levels it is made of with their shares: mass is spread evenly over a cell (left, right]."""
    done = int(np.searchsorted(right, time, side="right"))
    if done < left.size and time > left[done] and np.isfinite(right[done]):
        part = (time - left[done]) / (right[done] - left[done])
        at = np.array([done, done + 1])
        share = np.array([1.0 - part, part])
    else:
        at, share = np.array([done]), np.array([1.0])
    return float(levels[at] @ share), at, share


def find_quantile(values: Floats, weight: Floats, q: float) -> float:
    """Weighted quantile, from below."""
    order = np.argsort(values, kind="stable")
    share = np.cumsum(weight[order]) / weight.sum()
    return float(values[order][min(int(np.searchsorted(share, q)), values.size - 1)])


def round_ends(readings: Readings, size: int = 2000) -> Readings:
    """Readings with their ends moved to the nearest of ``size`` quantiles of all ends, counted anew."""
    ended = np.isfinite(readings.high)
    grid = np.unique(
        np.quantile(np.concatenate([readings.low, readings.high[ended]]), np.linspace(0, 1, size))
    )
    between = (grid[1:] + grid[:-1]) / 2
    low = grid[np.searchsorted(between, readings.low)]
    high = np.where(ended, grid[np.searchsorted(between, np.where(ended, readings.high, 0.0))], np.inf)
    found = collapse_columns([low, high, readings.step], readings.weight, want_rows=True, always=True)
    assert found.row is not None
    row = found.row[readings.row] if readings.row.size else readings.row
    return Readings(
        found.columns[0],
        found.columns[1],
        found.weight,
        readings.keep,
        row,
        readings.row_weight,
        found.columns[2],
    )


def spread_readings(readings: Readings) -> SpreadEstimate:
    """Life table with every ended reading spread evenly over its interval."""
    if readings.low.size > MOST_READINGS:
        readings = round_ends(readings)
    low, high, weight = readings.low, readings.high, readings.weight
    ended = np.isfinite(high)
    points = np.unique(low[ended & (low == high)])
    ends = np.unique(np.concatenate([low, high[ended]]))
    if ends.size > MOST_CELLS:
        kept = np.unique(np.linspace(0, ends.size - 1, MOST_CELLS).round().astype(np.int64))
        ends = np.unique(np.concatenate([ends[kept], points]))
    # cells between ends, and a point cell at the start of each end that is an exact reading
    left = np.concatenate([ends[:-1], points])
    right = np.concatenate([ends[1:], points])
    order = np.lexsort((left, right))
    left, right = left[order], right[order]
    events, at_risk = np.zeros(left.size), np.zeros(left.size)
    blocks = [slice(begin, begin + BLOCK) for begin in range(0, low.size, BLOCK)]
    for rows in blocks:
        inside, present = _share_out(low[rows], high[rows], left, right)
        events += weight[rows] @ inside
        at_risk += weight[rows] @ present
    with np.errstate(divide="ignore", invalid="ignore"):
        hazard = np.where(at_risk > 0, np.minimum(events / at_risk, 1.0), 0.0)
    survival = np.cumprod(1.0 - hazard)
    keep = events > 1e-12
    survival = np.where(survival < 1e-12, 0.0, survival)
    levels = np.concatenate([[0.0], 1.0 - survival[keep]])
    left_kept, right_kept, events, at_risk = left[keep], right[keep], events[keep], at_risk[keep]
    if levels[-1] < 1.0:  # what was never seen to end lies beyond the last reading
        levels = np.append(levels, 1.0)
        left_kept, right_kept = np.append(left_kept, ends[-1]), np.append(right_kept, np.inf)
    on_levels = np.zeros((low.size, levels.size))
    for rows in blocks:
        inside, present = _share_out(low[rows], high[rows], left, right)
        pull = _influence(inside[:, keep], present[:, keep], events, at_risk)
        on_levels[rows, 1 : 1 + events.size] = pull * (1.0 - levels[1 : 1 + events.size])
    left, right = left_kept, right_kept
    kind = "product-limit with narrow readings spread evenly"
    return SpreadEstimate(left, right, levels, on_levels, readings, kind)


def _share_out(low: Floats, high: Floats, left: Floats, right: Floats) -> tuple[Floats, Floats]:
    """The share of each reading (rows) inside each cell (columns), and that still waiting before it."""
    ended = np.isfinite(high)
    width = np.where(ended & (high > low), high - low, 1.0)
    overlap = np.minimum(high[:, None], right[None, :]) - np.maximum(low[:, None], left[None, :])
    interval = (ended & (high > low))[:, None]
    inside = np.where(interval, np.maximum(overlap, 0.0) / width[:, None], 0.0)
    inside += (ended & (high == low))[:, None] & (left == right)[None, :] & (high[:, None] == right[None, :])
    before = np.cumsum(inside, axis=1) - inside
    present = np.where(ended[:, None], 1.0 - before, (low[:, None] >= right[None, :]).astype(float))
    return inside, present


def _influence(inside: Floats, present: Floats, events: Floats, at_risk: Floats) -> Floats:
    """Influence of one unit of each distinct reading on minus log S after each cell: see the module's text."""
    with np.errstate(divide="ignore", invalid="ignore"):
        pull = (inside - events / at_risk * present) / (at_risk - events)
    return np.cumsum(np.where(at_risk > events * (1 + 1e-12), pull, 0.0), axis=1)
