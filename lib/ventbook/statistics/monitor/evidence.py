"""Evidence that a stream of ventings fails more often than expected, good at every look.

With the expected log odds eta of each venting and the log odds ratio b of the stream,

    LL(b) = sum [y (eta + b) - ln(1 + e^(eta + b))],      E = sum w1(b) e^LL(b) / sum w0(b) e^LL(b).

If the stream's own log odds are eta + b with b drawn from w0, E is a likelihood ratio: its mean is 1 whenever one looks, and
the chance that it ever reaches c is at most 1/c, however often one looks (Ville 1939, from memory).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ventbook.numerics import LOOKED_AT, Floats


def spread_weights(grid: Floats, *, mean: float, variance: float) -> Floats:
    """Normal weights on a grid of log odds ratios, summing to 1; all on the nearest point where the variance is nil."""
    if variance <= 0:
        weights = (np.abs(grid - mean) <= np.abs(grid - mean).min()).astype(np.float64)
    else:
        exponent = -0.5 * (grid - mean) ** 2 / variance
        weights = np.exp(exponent - exponent.max())
    return np.asarray(weights / weights.sum())


def mixture_evidence(
    failed: npt.ArrayLike, log_odds: npt.ArrayLike, *, grid: npt.ArrayLike, bad: npt.ArrayLike, innocent: npt.ArrayLike
) -> Floats:  # fmt: skip
    """Evidence after each venting of one stream that it fails more often than its expected log odds say.

    Parameters
    ----------
    failed : array of bool (n,)
        Whether each venting failed, in the order of the days.
    log_odds : array of float (n,)
        Expected log odds of failing, from records before each venting.
    grid : array of float (g,)
        Log odds ratios of the stream that are weighed.
    bad, innocent : array of float (g,)
        Weights of these where the stream is bad and where it is innocent; each is brought to the sum 1.

    Returns
    -------
    array of float (n,)
        Weighted likelihood under ``bad`` over that under ``innocent``. Of innocent streams at most one in c
        ever reaches c, at any number of looks.

    Examples
    --------
    >>> from ventbook.statistics import monitor
    >>> monitor.mixture_evidence([True, True], [-2.0, -2.0], grid=[0.0, 2.0], bad=[0, 1], innocent=[1, 0]).round(2)
    array([ 4.19, 17.59])
    """
    from ventbook.statistics.monitor.kernels import add_evidence

    y = np.asarray(failed, dtype=np.bool_)
    odds = np.exp(np.asarray(log_odds, dtype=np.float64))
    ratios = np.exp(np.asarray(grid, dtype=np.float64))
    w1, w0 = (np.array(w, dtype=np.float64)[None, :] / np.sum(w) for w in (bad, innocent))
    none, span = np.zeros(len(y), dtype=np.int64), np.array([[0, 1]])
    out = np.empty(len(y))
    add_evidence(none, none, span, 1, odds, y, ratios, w1, w0, np.ones((1, len(ratios))), np.ones(1), out)
    return out


def log_likelihood(failed: npt.NDArray[np.bool_], log_odds: Floats, grid: Floats) -> Floats:
    """LL(b) at each b of the grid. Of more than LOOKED_AT ventings those whose odds differ by less than 1e-4 count as alike."""
    total = log_odds[failed].sum() + grid * failed.sum()
    apart = (log_odds / 1e-4).round() if len(failed) > LOOKED_AT else log_odds
    _, alike, times = np.unique(apart, return_inverse=True, return_counts=True)
    odds = np.bincount(alike, log_odds) / times
    for part in range(0, len(odds), 4096):
        passing = np.logaddexp(0.0, odds[part : part + 4096, None] + grid)
        total = total - times[part : part + 4096] @ passing
    return total


def size_stream(
    failed: npt.ArrayLike, log_odds: npt.ArrayLike, *, variance: float, odds_ratio: float, sd: float, level: float = 0.95
) -> tuple[float, float]:  # fmt: skip
    """How many times the expected odds a stream has: drawn towards 1, and at least, at any look.

    Parameters
    ----------
    failed : array of bool (n,)
        Whether each venting failed.
    log_odds : array of float (n,)
        Expected log odds of failing, from records before each venting.
    variance : float
        Of the stream's mean expected log odds.
    odds_ratio, sd : float
        What a bad stream is like: middle, and standard deviation of the log.
    level : float
        Of the lower bound.

    Returns
    -------
    shrunken : float
        Odds ratio, mean of its log with the prior N(0, 1).
    at_least : float
        Lower bound that holds at every look together: the smallest odds ratio that the evidence does not
        speak against by 1 / (1 - level).

    Examples
    --------
    >>> from ventbook.statistics import monitor
    >>> shrunken, at_least = monitor.size_stream([True] * 6, [-2.0] * 6, variance=0.0, odds_ratio=6, sd=0.6)
    >>> round(shrunken, 1), round(at_least, 1)
    (11.3, 3.6)
    """
    y, eta = np.asarray(failed, dtype=np.bool_), np.asarray(log_odds, dtype=np.float64)
    grid = np.linspace(-4.0, 6.0, 401)
    found = log_likelihood(y, eta, grid)
    found -= found.max()
    posterior = np.exp(found) * spread_weights(grid, mean=0.0, variance=1.0 + variance)
    shrunken = float(posterior @ grid / posterior.sum() / (1.0 + variance))
    if variance > 0:
        distance = -0.5 * (grid[:, None] - grid[None, :]) ** 2 / variance
        kernel = np.exp(distance) / np.exp(distance).sum(axis=1, keepdims=True)
        against = kernel @ np.exp(found)
    else:
        against = np.exp(found)
    bad = np.exp(found) @ spread_weights(grid, mean=np.log(odds_ratio), variance=sd**2 + variance)
    kept = np.flatnonzero(against * (1.0 / (1.0 - level)) > bad)
    return float(np.exp(shrunken)), float(np.exp(grid[kept[0]])) if len(kept) else 0.0
