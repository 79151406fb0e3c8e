"""Control charts: what a process that only varies by chance would show, period by period.

Every chart is a frame with a row a point and the columns label, n, value, centre, low_limit, high_limit, outside;
``outside`` says "above", "below" or "". Limits are three standard deviations either side unless said otherwise.
Risk-adjusted cumulative sums are weights here and sums in ``watch``.

References
----------
[1] D. B. Laney, "Improved control charts for attributes", Quality Engineering 14 (2002) 531-537.
[2] J. C. Benneyan, "Number-between g-type statistical quality control charts for monitoring adverse events",
    Health Care Management Science 4 (2001) 305-318.
[3] S. H. Steiner, R. J. Cook, V. T. Farewell, T. Treasure, Biostatistics 1 (2000) 441-452.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from ventbook.results import NotEnoughData

#: d2 for moving ranges of two as the tables print it; the exact value is 2 / sqrt(pi) = 1.12838.
D2_OF_TWO = 1.128

RUN_RULES = {
    "outside": "one point outside the limits",
    "one_side": "eight points in a row on the same side of the centre line",
    "near_limit": "two of three points in a row in the outer third of the band, on the same side",
}


def chart_shares(
    count: ArrayLike, n: ArrayLike, *, labels: Sequence[Any] | None = None, baseline: ArrayLike | None = None,
    between_period: bool = True, at_least_binomial: bool = True, width: float = 3.0,
) -> pd.DataFrame:  # fmt: skip
    """Share by period with limits that carry the spread between periods (Laney's p' chart).

    Parameters
    ----------
    count, n : array_like, shape (periods,)
        Failing and all units of each period; a period with n = 0 stays as a row without a value.
    labels : sequence, optional
        Names of the periods; default their numbers.
    baseline : array_like of bool, shape (periods,), optional
        Periods that centre line and spread are taken from; default all.
    between_period : bool
        False gives the plain binomial p chart.
    at_least_binomial : bool
        The spread factor is not let under 1: a few quiet periods do not prove that the process varies less
        than chance. False for the formula as published.
    width : float
        Limits are so many standard deviations either side.

    Returns
    -------
    DataFrame
        One row a period: label, n, value, centre, low_limit, high_limit, outside ("above", "below", ""),
        count and spread (the factor). Limits are clipped to 0..1.

    Raises
    ------
    NotEnoughData
        Without any unit in the baseline.
    ValueError
        Where a count is not between 0 and n.

    Notes
    -----
    The spread factor is mean |z_i - z_(i-1)| / 1.128 over baseline periods that follow one another. Where no
    unit of the baseline failed, or all did, the band is that of half a unit more or less, since chance leaves
    some room there too.

    References
    ----------
    D. B. Laney, Quality Engineering 14 (2002) 531.

    Examples
    --------
    >>> from ventbook.statistics import trends
    >>> chart = trends.chart_shares([8, 10, 9, 11, 30], [80, 82, 79, 85, 80], baseline=[True] * 4 + [False])
    >>> chart["outside"].tolist()
    ['', '', '', '', 'above']
    """
    count, n = _as_counts(count, n)
    used = np.ones(len(n), bool) if baseline is None else np.asarray(baseline, bool)
    used = used & (n > 0)
    if not used.any():
        raise NotEnoughData("periods with at least one unit", n=0, needed=1)
    centre = count[used].sum() / n[used].sum()
    with np.errstate(divide="ignore", invalid="ignore"):
        value = np.where(n > 0, count / n, np.nan)
        inside = np.clip(centre, 0.5 / (n[used].sum() + 1), 1 - 0.5 / (n[used].sum() + 1))
        sigma = np.where(n > 0, np.sqrt(inside * (1 - inside) / n), np.nan)
        z = np.where(sigma > 0, (value - centre) / sigma, 0.0)[used]
    spread = 1.0
    if between_period and len(z) > 1:
        spread = float(np.abs(np.diff(z)).mean() / D2_OF_TWO)
        spread = max(1.0, spread) if at_least_binomial else spread
    half = width * sigma * spread
    chart = _chart(labels, n, value, centre, np.clip(centre - half, 0, 1), np.clip(centre + half, 0, 1))
    return chart.assign(count=count, spread=spread)


def chart_between(
    between: ArrayLike, *, labels: Sequence[Any] | None = None, mean: float | None = None
) -> pd.DataFrame:
    """Ventings between one failing venting and the next (g chart), for failures too rare for a share.

    Parameters
    ----------
    between : array_like, shape (n,)
        Sound ventings between two failing ones (:func:`count_between`), 0 where one follows the other
        directly.
    labels : sequence, optional
        Names of the points; default their numbers.
    mean : float, optional
        The mean to hold against, where known; otherwise that of the data.

    Returns
    -------
    DataFrame
        One row a point, columns of every chart. A point above is good news.

    Raises
    ------
    NotEnoughData
        Without any point.

    Notes
    -----
    ``centre`` is the median of the geometric distribution ln(.5) / ln(1 - p) - 1 with p = 1 / (mean + 1),
    since the mean lies above most points; the limits are mean +- 3 sqrt(mean (mean + 1)), not under 0 (of no
    sound venting at all, as for half a one).

    References
    ----------
    J. C. Benneyan, Health Care Management Science 4 (2001) 305.

    Examples
    --------
    >>> from ventbook.statistics import trends
    >>> trends.chart_between([10, 12, 9, 60], mean=10.0)["outside"].tolist()
    ['', '', '', 'above']
    """
    value = np.asarray(between, float)
    if mean is None:
        _need(len(value), 1, "gaps between failures")
        mean = float(value.mean())
    room = max(mean, 0.5 / max(len(value), 1))
    half = 3 * np.sqrt(room * (room + 1))
    centre = max(0.0, np.log(0.5) / np.log1p(-1 / (mean + 1)) - 1) if mean > 0 else 0.0
    return _chart(labels, np.ones(len(value)), value, centre, max(0.0, mean - half), mean + half)


def count_between(failed: ArrayLike) -> NDArray[np.int64]:
    """Sound ventings before each failing one.

    Parameters
    ----------
    failed : array_like of bool, shape (n,)
        In the order of the ventings.

    Returns
    -------
    ndarray of int
        One a failing venting; those after the last are left out.

    Examples
    --------
    >>> from ventbook.statistics import trends
    >>> trends.count_between([False, False, True, True, False]).tolist()
    [2, 0]
    """
    at = np.flatnonzero(np.asarray(failed, bool))
    return np.diff(np.concatenate([[-1], at])) - 1


def find_runs(chart: pd.DataFrame, *, rules: Sequence[str] = ("outside", "one_side")) -> pd.DataFrame:
    """Patterns in a chart that chance seldom makes, said in words.

    Parameters
    ----------
    chart : DataFrame
        As :func:`chart_shares` gives it.
    rules : sequence of str
        Among RUN_RULES; every rule more adds false alarms.

    Returns
    -------
    DataFrame
        One row a point that completes a pattern: label, direction ("up", "down"), rule, words.

    Raises
    ------
    ValueError
        For an unknown rule.

    Notes
    -----
    Probability a window, for a normal process in control: eight in a row on one side .0078, two of three
    beyond two thirds of the band on one given side .0015.

    Examples
    --------
    >>> from ventbook.statistics import trends
    >>> chart = trends.chart_shares([8, 10, 9, 11, 30], [80, 82, 79, 85, 80], baseline=[True] * 4 + [False])
    >>> trends.find_runs(chart)[["label", "direction", "rule"]].values.tolist()
    [[5, 'up', 'outside']]
    """
    unknown = [rule for rule in rules if rule not in RUN_RULES]
    if unknown:
        raise ValueError(f"rules must be among {', '.join(RUN_RULES)}; got {', '.join(unknown)}")
    shown = chart[chart["value"].notna()].reset_index(drop=True)
    value, centre = shown["value"].to_numpy(float), shown["centre"].to_numpy(float)
    found: list[dict[str, Any]] = []
    for sign, direction, limit in ((1, "up", "high_limit"), (-1, "down", "low_limit")):
        above = sign * (value - centre)
        band = sign * (shown[limit].to_numpy(float) - centre)
        hits = {
            "outside": above > band,
            "one_side": _all_of_last(above > 0, 8),
            "near_limit": (_sum_of_last(above > band * 2 / 3, 3) >= 2) & (above > band * 2 / 3),
        }
        for rule in rules:
            found += [
                {"label": label, "direction": direction, "rule": rule, "words": RUN_RULES[rule]}
                for label in shown["label"][hits[rule]]
            ]
    return pd.DataFrame(found, columns=["label", "direction", "rule", "words"])


def _all_of_last(mask: NDArray[np.bool_], k: int) -> NDArray[np.bool_]:
    return _sum_of_last(mask, k) == k


def _sum_of_last(mask: NDArray[np.bool_], k: int) -> NDArray[np.int64]:
    total = np.concatenate([[0], np.cumsum(mask)])
    upto = np.arange(1, len(mask) + 1)
    return total[upto] - total[np.maximum(upto - k, 0)]


def _labels(labels: Sequence[Any] | None, n: int) -> list[Any]:
    if labels is None:
        return list(range(1, n + 1))
    if len(labels) != n:
        raise ValueError(f"labels must have one entry a point ({n}); got {len(labels)}")
    return list(labels)


def _as_counts(count: ArrayLike, n: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    count, n = np.asarray(count, float), np.asarray(n, float)
    if count.shape != n.shape:
        raise ValueError(f"count and n must have the same length; got {count.shape} and {n.shape}")
    if np.any(count < 0) or np.any(count > n):
        raise ValueError("count must lie between 0 and n in every period")
    return count, n


def _need(n: int, needed: int, what: str) -> None:
    if n < needed:
        raise NotEnoughData(what, n=n, needed=needed)


def _chart(
    labels: Sequence[Any] | None, n: Any, value: Any, centre: Any, low: Any, high: Any
) -> pd.DataFrame:
    with np.errstate(invalid="ignore"):
        outside = np.where(value > high, "above", np.where(value < low, "below", ""))
    columns = {
        "label": _labels(labels, len(value)),
        "n": n,
        "value": value,
        "centre": centre,
        "low_limit": low,
    }
    return pd.DataFrame({**columns, "high_limit": high, "outside": outside})


def cusum_weights(
    expected: ArrayLike, *, odds_ratio: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What a sound and a failing venting add to a risk-adjusted cumulative sum.

    Parameters
    ----------
    expected : array_like, 0..1
        Expected probability of failing of each venting.
    odds_ratio : float
        The change looked for: 2 = odds doubled, 0.5 = halved.

    Returns
    -------
    sound, failing : ndarray
        ``-ln(1 - p + R p)`` and ``ln R - ln(1 - p + R p)``.

    Raises
    ------
    ValueError
        For an odds ratio that is not over 0, or 1.

    References
    ----------
    S. H. Steiner, R. J. Cook, V. T. Farewell, T. Treasure, Biostatistics 1 (2000) 441.

    Examples
    --------
    >>> from ventbook.statistics import trends
    >>> sound, failing = trends.cusum_weights([0.1], odds_ratio=2.0)
    >>> round(float(sound[0]), 4), round(float(failing[0]), 4)
    (-0.0953, 0.5978)
    """
    if not odds_ratio > 0 or odds_ratio == 1:
        raise ValueError(f"odds_ratio must be over 0 and not 1; got {odds_ratio}")
    p = np.asarray(expected, float)
    sound = -np.log1p(p * (odds_ratio - 1))
    return sound, sound + np.log(odds_ratio)


def reflect_at_zero(steps: ArrayLike, *, axis: int = -1) -> NDArray[np.float64]:
    """A cumulative sum that starts anew at zero.

    Parameters
    ----------
    steps : array_like
        What each step adds.
    axis : int
        Along which it is summed.

    Returns
    -------
    ndarray
        ``S_i = max(0, S_(i-1) + step_i)``: the cumulative sum less its running minimum (at most 0).

    Examples
    --------
    >>> from ventbook.statistics import trends
    >>> trends.reflect_at_zero([1.0, -3.0, 2.0, 1.0]).tolist()
    [1.0, 0.0, 2.0, 3.0]
    """
    total = np.cumsum(np.asarray(steps, float), axis=axis)
    return total - np.minimum(np.minimum.accumulate(total, axis=axis), 0.0)
