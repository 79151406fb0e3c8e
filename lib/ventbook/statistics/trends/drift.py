"""Is a series moving, and since when: slow drift [1], [2], change points [3], and how two periods differ.

Differences are those of two periods' numbers, of a mean against its past, and of what failing ventings have in common.

References
----------
[1] H. B. Mann, Econometrica 13 (1945) 245; M. G. Kendall, Rank Correlation Methods, 4th ed. 1975.
[2] P. K. Sen, J. American Statistical Association 63 (1968) 1379.
[3] A. N. Pettitt, Applied Statistics 28 (1979) 126.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import special

from ventbook import distributions as stats
from ventbook.numerics import NO_SPREAD, factorize, shuffled_z
from ventbook.results import Estimate, NotEnoughData, no_estimate


@dataclass(frozen=True)
class Drift:
    """Mann-Kendall test and Sen slope of a series in time order.

    ``score`` counts rising minus falling pairs; ``p`` is two-sided, exact up to ten values without ties.
    ``tau`` is tau-b (ties allowed for). ``slope`` is per step of the series.
    """

    score: int
    p: float
    tau: float
    slope: Estimate


@dataclass(frozen=True)
class ChangePoint:
    """One step in a series: ``last`` is the index of the last point before the change (0-based).

    ``low`` and ``high`` bound ``last`` with confidence ``level``; ``statistic`` is 2 log likelihood ratio of the
    step against no step. ``label``, ``low_label``, ``high_label`` are the first points after each.
    """

    last: int
    low: int
    high: int
    before: float
    after: float
    statistic: float
    level: float
    n: int
    method: str
    label: Any = None
    low_label: Any = None
    high_label: Any = None


def test_drift(values: ArrayLike, *, level: float = 0.95, unit: str = "1") -> Drift:
    """Mann-Kendall test with Sen's slope and its interval.

    Parameters
    ----------
    values : array_like, shape (n,)
        In time order, equal steps; missing values are left out but keep their place in time.
    level : float
        Confidence level of the slope, 0.95 = 95 %.
    unit : str
        Of the values, for the slope.

    Returns
    -------
    Drift
        score (rising minus falling pairs), two-sided p, tau-b, slope a step.

    Raises
    ------
    NotEnoughData
        With fewer than four values.

    Notes
    -----
    Exact p for at most ten values without ties, else normal with the usual correction of one towards zero.

    References
    ----------
    H. B. Mann, Econometrica 13 (1945) 245; M. G. Kendall, Rank Correlation Methods, 4th ed. (1975); P. K.
    Sen, J. Am. Stat. Assoc. 63 (1968) 1379.

    Examples
    --------
    >>> from ventbook.statistics import trends
    >>> drift = trends.test_drift([1.0, 2.0, 3.0, 4.0, 5.0])
    >>> drift.score, round(drift.p, 4), drift.slope.estimate
    (10, 0.0167, 1.0)
    """
    y = np.asarray(values, float)
    t = np.flatnonzero(~np.isnan(y)).astype(float)
    y = y[~np.isnan(y)]
    n = len(y)
    if n < 4:
        raise NotEnoughData("points for a drift test", n=n, needed=4)
    i, j = np.triu_indices(n, 1)
    slopes = np.sort((y[j] - y[i]) / (t[j] - t[i]))
    pairs, score = len(slopes), int(np.sign(slopes).sum())
    ties = np.unique(y, return_counts=True)[1]
    variance = (n * (n - 1) * (2 * n + 5) - (ties * (ties - 1) * (2 * ties + 5)).sum()) / 18
    tau, p = stats.kendalltau(t, y) if variance > 0 else (0.0, 1.0)
    if variance > 0 and (n > 10 or ties.max() > 1):
        # the library's own normal test goes without the correction towards zero
        p = 2 * stats.norm.sf(max(abs(score) - 1, 0) / np.sqrt(variance))
    half = stats.norm.ppf(0.5 + level / 2) * np.sqrt(variance)
    # Ranks (pairs -+ half)/2 of the ordered slopes, interpolated; beyond the ends the slope has no bound. scipy's theilslopes
    # rounds the ranks and gives the outermost slopes as bounds, which four to six points don't reach.
    rank_low, rank_high = (pairs - half) / 2, (pairs + half) / 2 + 1
    low = float(np.interp(rank_low, np.arange(1, pairs + 1), slopes)) if rank_low >= 1 else None
    high = float(np.interp(rank_high, np.arange(1, pairs + 1), slopes)) if rank_high <= pairs else None
    note = "" if low is not None and high is not None else "too few points to bound the slope on both sides"
    if low is not None and high is not None and not high > low:
        # ties hold the slope's interval together: equal values bound nothing
        slope = no_estimate("too_few", level=level, unit=unit, n=n, method="Sen slope", note=NO_SPREAD)
    else:
        slope = Estimate(float(np.median(slopes)), low, high, level, unit, n, 0, "Sen slope", note=note)
    return Drift(score, float(p), float(tau), slope)


test_drift.__test__ = False  # type: ignore[attr-defined]  # a statistical test, not one for pytest


def find_change_in_counts(
    observed: ArrayLike, expected: ArrayLike, *, level: float = 0.95, labels: Sequence[Any] | None = None
) -> ChangePoint:
    """Step in observed over expected counts, placed by maximum likelihood.

    Parameters
    ----------
    observed, expected : array_like, shape (periods,)
        Counts; expected over 0.
    level : float
        Probability that the interval of the place holds.
    labels : sequence, optional
        Names of the periods.

    Returns
    -------
    ChangePoint
        Last period before the change with its interval; ``before`` and ``after`` are observed / expected of
        each side.

    Raises
    ------
    ValueError
        Where an expected count is not over 0.
    NotEnoughData
        With fewer than two periods.

    Notes
    -----
    Poisson. The interval is the shortest run of places that holds ``level`` of the probability when every
    place is equally likely beforehand and each side's ratio has the Jeffreys prior; with few periods that is
    honest where large-sample formulas are not.

    Examples
    --------
    >>> from ventbook.statistics import trends
    >>> change = trends.find_change_in_counts([5, 4, 6, 15, 14, 16], [5.0] * 6)
    >>> change.last, change.before, change.after
    (2, 1.0, 3.0)
    """
    o, e = np.asarray(observed, float), np.asarray(expected, float)
    if np.any(e <= 0):
        raise ValueError("expected must be over 0 in every period")
    n = len(o)
    if n < 2:
        raise NotEnoughData("periods for a change point", n=n, needed=2)
    k = np.arange(1, n)
    o1, e1 = np.cumsum(o)[:-1], np.cumsum(e)[:-1]
    o2, e2 = o.sum() - o1, e.sum() - e1
    loglik = special.xlogy(o1, o1 / e1) + special.xlogy(o2, o2 / e2)
    best = int(k[np.argmax(loglik)])
    statistic = float(2 * (loglik.max() - special.xlogy(o.sum(), o.sum() / e.sum())))
    marginal = sum(special.gammaln(a + 0.5) - (a + 0.5) * np.log(b) for a, b in ((o1, e1), (o2, e2)))
    weight = np.exp(marginal - np.max(marginal))
    low, high = _shortest_run(weight / weight.sum(), level, best - 1)
    before, after = o1[best - 1] / e1[best - 1], o2[best - 1] / e2[best - 1]
    names = [None, None, None] if labels is None else [labels[i] for i in (best, low + 1, high + 1)]
    return ChangePoint(
        best - 1, low, high, float(before), float(after), statistic, level, n, "Poisson step", *names
    )


def chance_of_change(
    observed: ArrayLike, expected: ArrayLike, statistic: float, *, draws: int = 4_999, seed: int = 0
) -> float:
    """Chance of a step in observed over expected as clear as one found, where there is none.

    Parameters
    ----------
    observed, expected : array_like, shape (periods,)
        Counts; expected over 0.
    statistic : float
        Of the step found (:func:`find_change_in_counts`).
    draws : int
        Series dealt.
    seed : int
        Their seed.

    Returns
    -------
    float
        Never 0, for the observed series counts among the draws.

    Notes
    -----
    The total is dealt over the periods by their expected counts (multinomial: Poisson with an unknown common
    ratio), and the clearest step looked for in each dealt series.

    Examples
    --------
    >>> from ventbook.statistics import trends
    >>> observed, expected = [5, 4, 6, 15, 14, 16], [5.0] * 6
    >>> change = trends.find_change_in_counts(observed, expected)
    >>> trends.chance_of_change(observed, expected, change.statistic, draws=999) < 0.05
    True
    """
    o, e = np.asarray(observed, float), np.asarray(expected, float)
    total = round(o.sum())
    if total == 0 or len(o) < 2:
        return 1.0
    dealt = np.random.default_rng(seed).multinomial(total, e / e.sum(), size=draws).astype(float)
    o1, e1 = np.cumsum(dealt, axis=1)[:, :-1], np.cumsum(e)[:-1]
    o2, e2 = total - o1, e.sum() - e1
    loglik = (special.xlogy(o1, o1 / e1) + special.xlogy(o2, o2 / e2)).max(axis=1)
    simulated = 2 * (loglik - special.xlogy(total, total / e.sum()))
    return float((1 + (simulated >= statistic - 1e-9).sum()) / (draws + 1))


def test_change_rank(values: ArrayLike) -> tuple[int, int, float]:
    """Pettitt's rank test for a change point.

    Parameters
    ----------
    values : array_like, shape (n,)
        In time order.

    Returns
    -------
    statistic : int
        K.
    before : int
        Points before the change.
    p : float
        Approximate, two-sided.

    References
    ----------
    A. N. Pettitt, Applied Statistics 28 (1979) 126.

    Examples
    --------
    >>> from ventbook.statistics import trends
    >>> statistic, before, p = trends.test_change_rank([1, 2, 1, 2, 1, 8, 9, 8, 9, 8])
    >>> statistic, before, round(float(p), 3)
    (25, 5, 0.066)
    """
    y = np.asarray(values, float)
    n = len(y)
    if n < 4:
        raise NotEnoughData("points for a change point", n=n, needed=4)
    u = np.cumsum(np.sign(y[:, None] - y[None, :]).sum(axis=1))[:-1]
    k = int(np.argmax(np.abs(u))) + 1
    largest = int(abs(u[k - 1]))
    return largest, k, float(min(1.0, 2 * np.exp(-6 * largest**2 / (n**3 + n**2))))


test_change_rank.__test__ = False  # type: ignore[attr-defined]


def _shortest_run(weight: NDArray[np.float64], level: float, inside: int) -> tuple[int, int]:
    total = np.concatenate([[0.0], np.cumsum(weight)])
    n = len(weight)
    for length in range(1, n + 1):
        mass = total[length:] - total[: n - length + 1]
        starts = np.flatnonzero(mass >= level - 1e-12)
        starts = starts[(starts <= inside) & (inside < starts + length)]
        if len(starts):
            start = int(starts[np.argmax(mass[starts])])
            return start, start + length - 1
    return 0, n - 1


def compare_estimates(now: Estimate, before: Estimate, *, ratio: bool = False) -> Estimate:
    """Change from one estimate to another, from their two intervals.

    Parameters
    ----------
    now, before : Estimate
        Taken as independent.
    ratio : bool
        The ratio of two positive numbers instead of the difference.

    Returns
    -------
    Estimate
        A missing end leaves that end open.

    Notes
    -----
    Squares and adds the distances to the ends that matter, so asymmetric intervals stay asymmetric.

    References
    ----------
    G. Y. Zou, A. Donner, Statistics in Medicine 27 (2008) 1693.

    Examples
    --------
    >>> from ventbook.statistics import rates, trends
    >>> before, now = rates.venting_share([False] * 40 + [True] * 10), rates.venting_share([False] * 30 + [True] * 20)
    >>> change = trends.compare_estimates(now, before)
    >>> round(change.estimate, 3), round(change.low, 3), round(change.high, 3)
    (0.2, 0.02, 0.364)
    """
    unit = "1" if ratio else now.unit
    method = "ratio from two intervals" if ratio else "difference from two intervals"
    if now.estimate is None or before.estimate is None:
        short = now if now.estimate is None else before
        return no_estimate(
            short.state, level=now.level, unit=unit, n=now.n, method=method, note="one side has no number"
        )
    a, b = (_ends(e, log=ratio) for e in (now, before))
    middle = a[1] - b[1]
    low = None if a[0] is None or b[2] is None else middle - np.hypot(a[1] - a[0], b[2] - b[1])
    high = None if a[2] is None or b[0] is None else middle + np.hypot(a[2] - a[1], b[1] - b[0])
    ends = [None if v is None else float(np.exp(v)) if ratio else float(v) for v in (low, middle, high)]
    return Estimate(ends[1], ends[0], ends[2], now.level, unit, now.n + before.n, 0, method)


def _ends(e: Estimate, *, log: bool) -> tuple[float | None, float, float | None]:
    assert e.estimate is not None
    if not log:
        return e.low, e.estimate, e.high

    def safe(value: float | None) -> float | None:
        return None if value is None or value <= 0 else float(np.log(value))

    middle = safe(e.estimate)
    return safe(e.low), 0.0 if middle is None else middle, safe(e.high)


def compare_failing(
    frame: pd.DataFrame, *, failed: str, columns: Sequence[str], fewest: int = 4, stratum: str | None = None,
    draws: int = 1_999, seed: int = 0,
) -> pd.DataFrame:  # fmt: skip
    """Levels that failing ventings carry more often than the others, most improbable first.

    Parameters
    ----------
    frame : DataFrame
        One row a venting.
    failed : str
        Column of the result, yes/no.
    columns : sequence of str
        Columns looked at.
    fewest : int
        Levels with fewer ventings on either side are left out.
    stratum : str, optional
        Column inside whose levels failing is shuffled.
    draws : int
        Shuffles.
    seed : int
        Their seed.

    Returns
    -------
    DataFrame
        column, level, failing_with, with_level, failing_without, without_level, p (Fisher, one-sided, more
        failing with the level), p_any (the chance that any of all these levels looks so improbable where none
        has to do with failing), blank_z (how the column's blanks go with failing, in standard deviations;
        under 0 they are rarer where a venting failed).

    Notes
    -----
    Each level is held against the column's other levels; what is left blank takes no side.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import trends
    >>> ventings = ventbook.read_ventings("data/demo/store")
    >>> table = trends.compare_failing(ventings, failed="failed_first", columns=["site", "reason"], draws=199)
    >>> bool((table["p_any"] >= table["p"]).all())
    True
    """
    names = [
        "column",
        "level",
        "failing_with",
        "with_level",
        "failing_without",
        "without_level",
        "p",
        "p_any",
        "blank_z",
    ]
    known = frame[frame[failed].notna()]
    bad = known[failed].astype(bool).to_numpy()
    inside, _ = factorize(known[stratum]) if stratum else (np.zeros(len(known), dtype=np.int64), [])
    rows: list[tuple[str, str, float]] = []
    has: list[NDArray[np.bool_]] = []
    told: list[NDArray[np.bool_]] = []
    for column in columns:
        if column not in known.columns:
            continue
        text = known[column]
        if text.dtype == "boolean":
            text = text.map({True: "yes", False: "no"})
        recorded = known[column].notna().to_numpy()
        text = text.astype("str").where(recorded, "")
        blank_z = shuffled_z((~recorded).astype(float), bad.astype(float), inside)
        for level in sorted(text[recorded].unique()):
            carried = (text == level).to_numpy()
            if carried.sum() >= fewest and (recorded & ~carried).sum() >= fewest:
                rows.append((column, str(level), blank_z))
                has.append(carried)
                told.append(recorded)
    if not rows:
        return pd.DataFrame(columns=names).astype({"p": float, "p_any": float, "blank_z": float})
    carries, recorded_on = np.array(has, np.float32), np.array(told, np.float32)
    counts = _count_bad(carries, recorded_on, bad.astype(np.float32)[:, None])
    (failing_with, failing), p = counts, _tail(carries, recorded_on, counts)
    least = _least_of_shuffled(carries, recorded_on, bad, inside, draws=draws, seed=seed)
    p_any = (1 + (least[None, :] <= p * (1 + 1e-9)).sum(axis=1)) / (draws + 1)
    table = pd.DataFrame(
        {
            "column": [row[0] for row in rows], "level": [row[1] for row in rows],
            "failing_with": failing_with[:, 0].astype(int), "with_level": carries.sum(axis=1).astype(int),
            "failing_without": (failing - failing_with)[:, 0].astype(int),
            "without_level": (recorded_on - carries).sum(axis=1).astype(int), "p": p[:, 0], "p_any": p_any,
            "blank_z": [row[2] for row in rows],
        }
    )[names]  # fmt: skip
    return table.sort_values(["p", "column", "level"], kind="stable").reset_index(drop=True)


def _count_bad(
    has: NDArray[np.float32], told: NDArray[np.float32], bad: NDArray[np.float32]
) -> NDArray[np.int64]:
    """Failing with the level and failing recorded, (2, levels, draws), for the columns of ``bad`` (n, draws)."""
    return np.rint([m @ bad for m in (has, told)]).astype(np.int64)


def _tail(
    has: NDArray[np.float32], told: NDArray[np.float32], counts: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Fisher's one-sided p by level and draw, for :func:`_count_bad`; worked out once for counts that are alike."""
    level = np.broadcast_to(np.arange(len(has))[:, None], counts.shape[1:])
    cells = np.stack([level, *counts]).reshape(3, -1)
    alike, place = np.unique(cells, axis=1, return_inverse=True)
    recorded, with_level = (np.rint(m.sum(axis=1, dtype=np.float64))[alike[0]] for m in (told, has))
    p = stats.hypergeom.sf(alike[1] - 1, recorded, alike[2], with_level)
    return np.asarray(p, np.float64)[place.ravel()].reshape(counts.shape[1:])


def _least_of_shuffled(
    has: NDArray[np.float32], told: NDArray[np.float32], bad: NDArray[np.bool_], stratum: NDArray[np.int64],
    *, draws: int, seed: int,
) -> NDArray[np.float64]:  # fmt: skip
    """The smallest p of all levels in each of ``draws`` fleets with failing shuffled inside strata."""
    rng = np.random.default_rng(seed)
    in_strata = bad[np.argsort(stratum, kind="stable")]
    counts = []
    for first in range(0, draws, 200):
        drawn = np.ascontiguousarray(rng.random((len(bad), min(200, draws - first))).T)
        shuffled = np.empty(drawn.shape, np.float32)
        for row, order in zip(shuffled, drawn, strict=True):
            row[np.argsort(stratum + order)] = in_strata
        counts.append(_count_bad(has, told, shuffled.T))
    return np.asarray(_tail(has, told, np.concatenate(counts, axis=2)).min(axis=0))


def shift_of_means(shift: float, error: float, *, unit: str, level: float, n: int) -> Estimate:
    """A mean against the past's, from its shift and standard error.

    Parameters
    ----------
    shift, error : float
        Difference of the means and its standard error; of logarithms with unit "1".
    unit : str
        Of the difference; "1" for a ratio.
    level : float
        Confidence level, 0.95 = 95 %.
    n : int
        Numbers behind it.

    Returns
    -------
    Estimate
        The difference, or with unit "1" the ratio ``exp(shift)``, with its normal interval.

    Examples
    --------
    >>> from ventbook.statistics import trends
    >>> ratio = trends.shift_of_means(0.0, 0.1, unit="1", level=0.95, n=50)
    >>> ratio.estimate, round(ratio.low, 3), round(ratio.high, 3)
    (1.0, 0.822, 1.217)
    """
    half = float(stats.norm.ppf(0.5 + level / 2)) * error
    ends = [shift + d for d in (0.0, -half, half)]
    if unit != "1":
        return Estimate(ends[0], ends[1], ends[2], level, unit, n, 0, "shift of means against the past")
    middle, low, high = np.exp(ends)
    return Estimate(middle, low, high, level, unit, n, 0, "ratio of means against the past")
