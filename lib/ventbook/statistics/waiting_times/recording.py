"""What a way of recording does to readings: counts that stop at round numbers, and loggers that sample in steps.

People who count turns stop, or write down, at multiples of 5 and 10. In counts that are spread over several tens
one in five is a multiple of 5 by chance; more than that by an exact binomial test is heaping, and a heaped count k is widened to
what it really says: that the true one lay nearer to k than to the next round number.

A logger that samples every d seconds sees the start in one step and the pressure in another, so a reading is the wait plus an
error that is triangular over two steps. On a regular clock the readings fix the mean of F over each step and nothing finer;
spread over their intervals, evenly or not, they give a curve that is too wide (at d = 1 s and a spread of .8 s the 90 % point
comes out by .4 s too late). So the distribution of waits is unfolded: the likelihood is taken to a grid of cells and climbed by
expectation-maximisation [1]_ from the log-normal that fits the same readings best; each sweep spreads every reading over the cells
as the estimate before it says. Sweeps pull the estimate to the readings wherever these speak; what lies within a step keeps the
smooth start's shape. Run to the end they would break it into needles [2]_, so they stop after SWEEPS. The influence of a reading is
carried through the sweeps, the start's included, so that errors are those of what is computed. Mass beyond the last reading that
ended stands in one cell (last, inf) where a given-up reading lies there.

References
----------
.. [1] De Gruttola, V. and Lagakos, S. W. (1989), Biometrics 45, 1-11.
.. [2] Silverman, B. W., Jones, M. C., Wilson, J. D. and Nychka, D. W. (1990), J. R. Stat. Soc. B 52, 271-324.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import bdtrc, ndtr, ndtri

from ventbook.numerics import Floats
from ventbook.statistics.waiting_times.intervals import Readings
from ventbook.statistics.waiting_times.life_table import MOST_READINGS, SpreadEstimate, round_ends
from ventbook.statistics.waiting_times.likelihood import (
    SHAPES,
    evaluate_rows,
    invert,
    maximise,
    order_patterns,
    start_at,
)

HEAPING_COLUMNS = ["group", "n", "on_fives", "share", "index", "p", "on_tens", "p_tens", "widen_to", "state"]
#: Counts that a group needs before heaping is looked for.
FEWEST_COUNTS = 10
#: A group counts as heaped where chance alone would show as many round counts in less than this share of groups.
CHANCE = 0.01
#: Sweeps from the smooth start. More change little where the start describes the times; where it doesn't (a Weibull, two
#: populations) its bias is gone by then.
SWEEPS = 8
#: Cells: as many of even width as of even probability.
CELLS = 60
#: Standard normal density at 0.
_PEAK = 0.3989422804014327


def count_chance(total: int, hits: int, share: float) -> float:
    """Exact one-sided binomial probability of at least ``hits`` of ``total`` at that share."""
    return float(bdtrc(hits - 1, total, share)) if hits > 0 else 1.0


def test_heaping(
    counts: ArrayLike, *, group: ArrayLike | None = None, chance: float = CHANCE
) -> pd.DataFrame:
    """Whether the counts of each group stop at round numbers.

    Parameters
    ----------
    counts : array_like, shape (n,)
        Whole numbers of at least 1 as they were counted; missing ones are left out, and so are counts under
        5, which reach no multiple of 5.
    group : array_like, shape (n,), optional
        Group of each; "all" without.
    chance : float
        Probability under which heaping is taken as such.

    Returns
    -------
    DataFrame
        One row a group, sorted:

        - n, on_fives (multiples of 5, tens included), share, index = 5 x share (1 without heaping, 5 where
          every count is one; Whipple's index over 100), p: exact one-sided binomial against 1/5
        - on_tens, p_tens: multiples of 10 among the multiples of 5, against 1/2
        - widen_to: 0 not heaped, 5 heaped at fives, 10 heaped at fives and at tens beyond that
        - state: estimated, or too_few under 10 counts (then widen_to is 0)

    Raises
    ------
    ValueError
        For a chance outside (0, 0.5) or groups of another length.

    References
    ----------
    Whipple's index as in United Nations (1955), Manual II: Methods of appraisal of quality of basic data for
    population estimates.

    Examples
    --------
    >>> from ventbook.statistics import waiting_times
    >>> tired = [30, 35, 40, 40, 45, 50, 50, 55, 60, 60, 65, 70]
    >>> table = waiting_times.test_heaping(tired + list(range(30, 42)), group=["tired"] * 12 + ["exact"] * 12)
    >>> table[["group", "widen_to"]].values.tolist()
    [['exact', 0], ['tired', 5]]
    """
    if not 0.0 < chance < 0.5:
        raise ValueError(f"chance must lie between 0 and 0.5; got {chance!r}")
    values = pd.to_numeric(pd.Series(np.asarray(counts, dtype=object)), errors="coerce").to_numpy(np.float64)
    if group is None:
        names = np.full(values.size, "all", dtype=object)
    else:
        given = pd.Series(np.asarray(group, dtype=object))
        if len(given) != values.size:
            raise ValueError(f"group must have one value a count ({values.size}); got {len(given)}")
        names = given.where(given.notna(), "not recorded").astype(str).to_numpy()
    rows: list[dict[str, Any]] = []
    for name in sorted(set(names)):
        mine = values[names == name]
        mine = mine[~np.isnan(mine) & (mine >= 5)]
        n = mine.size
        fives = int(np.sum(mine % 5 == 0))
        tens = int(np.sum(mine % 10 == 0))
        p, p_tens = count_chance(n, fives, 0.2), count_chance(fives, tens, 0.5)
        enough = n >= FEWEST_COUNTS
        widen = 0 if not enough or p >= chance else (10 if p_tens < chance else 5)
        rows.append(
            {
                "group": name,
                "n": n,
                "on_fives": fives,
                "share": fives / n if n else np.nan,
                "index": 5 * fives / n if n else np.nan,
                "p": p if enough else np.nan,
                "on_tens": tens,
                "p_tens": p_tens if enough else np.nan,
                "widen_to": widen,
                "state": "estimated" if enough else "too_few",
            }
        )
    return pd.DataFrame(rows, columns=HEAPING_COLUMNS)


# pytest takes a module-level name that begins with test_ for a test of its own
test_heaping.__test__ = False  # type: ignore[attr-defined]


def widen_heaped(
    counts: ArrayLike, given_up: ArrayLike, widen_to: ArrayLike, *, per_count: ArrayLike = 1.0
) -> tuple[Floats, Floats]:
    """What counts say as intervals (low, high], heaped ones widened.

    Parameters
    ----------
    counts : array_like, shape (n,)
        As counted; missing ones stay missing.
    given_up : array_like of bool, shape (n,)
        Turning was given up at the count.
    widen_to : array_like, shape (n,)
        0, 5 or 10, as :func:`test_heaping` gives it for the row's group.
    per_count : array_like
        Rotations that one count stands for.

    Returns
    -------
    low, high : ndarray, shape (n,)
        In rotations; high infinite where given up, low at least 0.

    Raises
    ------
    ValueError
        For another ``widen_to``.

    Notes
    -----
    An exact count k is (k - 1, k], about k - 1/2. A heaped one stands for as many counts to either side,
    about the same middle: with ``widen_to`` 5 a multiple of 5 is (k - 3, k + 2]; with 10 a multiple of 10 is
    (k - 5.5, k + 4.5] and another multiple of 5 as with 5. Given up at an exact count k is (k, inf), one
    above the low end of a count that ended; a heaped one is so too.

    Examples
    --------
    >>> from ventbook.statistics import waiting_times
    >>> low, high = waiting_times.widen_heaped([37, 40, 40], [False, False, True], [5, 5, 0])
    >>> low.tolist(), high.tolist()
    ([36.0, 37.0, 40.0], [37.0, 42.0, inf])
    """
    k = np.asarray(counts, dtype=np.float64)
    up = np.broadcast_to(np.asarray(given_up, dtype=bool), k.shape)
    widen = np.broadcast_to(np.asarray(widen_to, dtype=np.float64), k.shape)
    unknown = ~np.isin(widen, (0.0, 5.0, 10.0))
    if unknown.any():
        raise ValueError(f"widen_to must be 0, 5 or 10; got {widen[unknown][0]:g}")
    reach = np.where((widen >= 5) & (k % 5 == 0), 2.5, 0.5)
    reach = np.where((widen == 10) & (k % 10 == 0), 5.0, reach)
    low = k - 0.5 - reach + up
    high = np.where(up, np.inf, k - 0.5 + reach)
    high = np.where(np.isnan(k), np.nan, high)
    each = np.asarray(per_count, dtype=np.float64)
    return np.maximum(low, 0.0) * each, high * each


def has_steps(readings: Readings) -> bool:
    """Whether the beginning of any reading that ended is known to a step only."""
    return bool((readings.step[np.isfinite(readings.high)] > 0).any())


def drop_steps(readings: Readings) -> Readings:
    """The readings with only their bounds, (low - step, high], for what looks at no more than those."""
    return Readings(
        readings.least,
        readings.high,
        readings.weight,
        readings.keep,
        readings.row,
        readings.row_weight,
        np.zeros(readings.step.size),
    )


def reach_cells(readings: Readings, edges: Floats) -> Floats:
    """Probability of each distinct reading (rows) given a wait spread evenly over each cell (columns); exact.

    A wait t is read so where t + s lies in (low, high] for an even s in (0, step]: the mean over the cell is a
    difference of integrals of the ramp that rises from 0 to 1 over the step.
    """
    exact = (readings.low == readings.high) & (readings.step == 0)

    def under(end: Floats) -> Floats:
        x, step = end[:, None] - edges[None, :], np.maximum(readings.step, 0.0)[:, None]
        inside = np.square(np.clip(x, 0.0, step)) / np.where(step > 0, 2.0 * step, 1.0)
        area = np.where(x > step, x - step / 2.0, inside)
        return -np.diff(area, axis=1) / np.diff(edges)

    finite = np.isfinite(readings.high)
    found = np.where(finite[:, None], under(np.where(finite, readings.high, 0.0)), 1.0) - under(readings.low)
    if exact.any():
        at = np.clip(np.searchsorted(edges, readings.high[exact]) - 1, 0, edges.size - 2)
        found[exact] = 0.0
        found[np.flatnonzero(exact), at] = 1.0
    return np.maximum(found, 0.0)


def unfold_readings(readings: Readings) -> SpreadEstimate:
    """The estimate the module's text describes; at least one reading ended."""
    if readings.low.size > MOST_READINGS:
        readings = round_ends(readings)
    ended = np.isfinite(readings.high)
    weight, n = readings.weight, readings.n
    bottom, top = float(readings.least.min()), float(readings.high[ended].max())
    left_over = bool((~ended).any() and readings.least[~ended].max() >= top)
    start = _fit_start(readings)
    edges = _place_edges(bottom, top, start[0] if start else None)
    chance = reach_cells(readings, edges)
    if left_over:
        chance = np.column_stack([chance, (~ended).astype(np.float64)])
    mass, influence = _start_masses(edges, left_over, start, readings.low.size)
    for _ in range(SWEEPS):
        prob = np.maximum(chance @ mass, 1e-300)
        slope = (weight / n) @ (chance / prob[:, None])
        # one sweep is m slope(m); a unit of one reading moves it directly and by what it moved before
        again = (chance * (weight / n / prob**2)[:, None]).T @ chance
        influence = chance * mass / prob[:, None] / n + influence * slope - mass * (influence @ again)
        mass = mass * slope
    influence -= (weight @ influence) / n
    levels = np.concatenate([[0.0], np.cumsum(mass)])
    levels[-1] = 1.0
    on_levels = np.column_stack([np.zeros(readings.low.size), np.cumsum(influence, axis=1)])
    on_levels[:, -1] = 0.0
    left, right = (edges, np.append(edges[1:], np.inf)) if left_over else (edges[:-1], edges[1:])
    kind = "curve with the steps of start and pressure unfolded"
    return SpreadEstimate(left, right, np.minimum(levels, 1.0), on_levels, readings, kind, n)


def _fit_start(readings: Readings) -> tuple[Floats, Floats] | None:
    """(delta, omega) of the best log-normal and each distinct reading's influence on them; None where there is none."""
    usable = readings.high > 0
    design = np.ones((int(usable.sum()), 1))
    rows = order_patterns(
        readings.low[usable], readings.high[usable], readings.weight[usable], design, readings.step[usable]
    )
    shape = SHAPES["log-normal"]
    found = maximise(shape, rows, start_at(rows))
    if not found.converged or not 1e-2 < found.theta[-1] < 1e3:
        return None
    terms = evaluate_rows(shape, found.theta, rows, 0, rows.weight.size)
    influence = np.zeros((readings.low.size, 2))
    influence[np.flatnonzero(usable)[rows.order]] = np.column_stack([-terms.slope, terms.slope_y]) @ invert(
        found.information
    )
    return found.theta, influence


def _place_edges(bottom: float, top: float, theta: Floats | None) -> Floats:
    edges = np.linspace(bottom, top, CELLS + 1)
    if theta is None:
        return edges
    even = np.exp((ndtri(np.arange(1, CELLS) / CELLS) + theta[0]) / theta[1])
    edges = np.unique(np.concatenate([edges, even[(even > bottom) & (even < top)]]))
    apart = np.append(np.diff(edges) > 1e-9 * top, True)
    return edges[apart]


def _start_masses(
    edges: Floats, left_over: bool, start: tuple[Floats, Floats] | None, size: int
) -> tuple[Floats, Floats]:
    """Masses of the start in the cells, and each distinct reading's influence on them; even without a start."""
    cells = edges.size - 1 + left_over
    if start is None:
        width = np.append(np.diff(edges), np.full(int(left_over), (edges[-1] - edges[0]) / 2))
        return width / width.sum(), np.zeros((size, cells))
    (delta, omega), influence = start
    with np.errstate(divide="ignore"):
        z = omega * np.log(edges) - delta
    level = ndtr(z)
    density = _PEAK * np.exp(-0.5 * np.square(np.maximum(z, -40.0)))
    by_theta = np.vstack([-density, density * np.log(np.maximum(edges, 1e-300))])
    if left_over:
        level, by_theta = np.append(level, 1.0), np.column_stack([by_theta, np.zeros(2)])
    mass, moved = np.diff(level), np.diff(by_theta, axis=1)
    # a little everywhere, so that a reading the log-normal deems impossible still finds its place
    whole = mass.sum()
    moved = (moved - np.outer(moved.sum(axis=1), mass / whole)) / whole
    floor = 1e-6
    return (1 - floor) * mass / whole + floor / cells, (1 - floor) * influence @ moved
