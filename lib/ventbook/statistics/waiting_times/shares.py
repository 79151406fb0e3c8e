"""Quantiles and shares over a limit, read off the curve without a model, and two instruments on the same waits.

Instruments are compared by their mean difference, with engines as clusters.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaincinv, stdtrit

from ventbook.numerics import Floats, Ints
from ventbook.results import Estimate, no_estimate
from ventbook.statistics.waiting_times.curves import (
    Curve,
    Npmle,
    cluster_variance,
    draw_curve,
    fit_distribution,
    limit_survival,
    widest_half_width,
)
from ventbook.statistics.waiting_times.intervals import check_level, collapse_readings, number_clusters
from ventbook.statistics.waiting_times.life_table import SpreadEstimate, find_floor

#: Pairs and engines that a comparison takes.
FEWEST_PAIRS, FEWEST_ENGINES = 5, 3
#: A quantile or share needs this many readings; below, cases can only be listed.
FEWEST_READINGS = 5
#: Design effect taken at least, per further job of an engine, where the data can't show one (no or all over).
ASSUMED_CORRELATION = 0.2


def compare_instruments(
    first: ArrayLike, second: ArrayLike, *, cluster: ArrayLike, level: float = 0.95, unit: str = "s"
) -> Estimate:
    """Mean difference of two instruments over the jobs that both have read.

    Parameters
    ----------
    first, second : array_like, shape (n,)
        Readings of either; pairs with one missing are left out.
    cluster : array_like, shape (n,)
        Engine id a row.
    level : float
        Confidence level, 0.95 = 95 %.
    unit : str
        Of the readings, for the answer.

    Returns
    -------
    Estimate
        Mean of ``first`` less ``second``. Under 5 pairs or 3 engines: state "too_few".

    Notes
    -----
    Error from the sums of the differences by cluster, G / (G - 1) corrected, with Student's t on G - 1
    degrees of freedom.

    Examples
    --------
    >>> from ventbook.statistics import waiting_times
    >>> by_hand, logged = [3.0, 2.5, 4.0, 3.5, 2.0, 3.0], [2.8, 2.4, 3.7, 3.4, 1.8, 2.9]
    >>> difference = waiting_times.compare_instruments(by_hand, logged, cluster=list("aabbcc"))
    >>> round(difference.estimate, 3), difference.n, difference.clusters
    (0.167, 6, 3)
    """
    check_level(level)
    difference = np.asarray(first, dtype=np.float64) - np.asarray(second, dtype=np.float64)
    known = ~np.isnan(difference)
    codes, clusters = number_clusters(cluster, known)
    values = difference[known]
    method = "mean of paired differences, errors by engines with t"
    if codes is None or values.size < FEWEST_PAIRS or clusters < FEWEST_ENGINES:
        return no_estimate("too_few", level=level, unit=unit, n=values.size, clusters=clusters, method=method)
    mean = float(values.mean())
    error = np.sqrt(cluster_variance(values - mean, codes, clusters)) / values.size
    half_width = float(stdtrit(clusters - 1, 0.5 + level / 2)) * float(error)
    return Estimate(mean, mean - half_width, mean + half_width, level, unit, values.size, clusters, method)


def estimate_quantile(
    low: ArrayLike,
    high: ArrayLike,
    q: float,
    *,
    step: ArrayLike | None = None,
    level: float = 0.95,
    unit: str,
    cluster: ArrayLike | None = None,
    weights: ArrayLike | None = None,
) -> Estimate:
    """Time by which a share of the jobs have ended, with interval.

    Parameters
    ----------
    low, high : array_like, shape (n,)
        Readings (low, high], as for :func:`estimate_curve`.
    q : float
        The share, 0.5 for the median.
    step : array_like, shape (n,), optional
        Length of the step that the beginning of the wait is known to.
    level : float
        Confidence level, 0.95 = 95 %.
    unit : str
        Of the readings, for the answer.
    cluster : array_like, shape (n,), optional
        Engine id a row.
    weights : array_like, shape (n,), optional
        Counts of identical rows.

    Returns
    -------
    Estimate
        State "not_reached" where the curve itself stays above 1 - q, "too_few" under 5 readings. An upper
        limit that the data don't reach is None and said in the note.

    Raises
    ------
    ValueError
        For q outside (0, 1).

    Notes
    -----
    The first time at which the curve falls to 1 - q (the middle, where it stays at exactly 1 - q for a
    while); inside an interval reading the curve falls evenly. Limits: the times at which the lower and upper
    limit of the curve do so.

    References
    ----------
    R. Brookmeyer, J. Crowley, Biometrics 38 (1982) 29.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import waiting_times
    >>> ventings = ventbook.read_ventings("data/demo/store")
    >>> median = waiting_times.estimate_quantile(
    ...     ventings["time_low_s"], ventings["time_high_s"], 0.5, unit="s", cluster=ventings["engine_id"]
    ... )
    >>> median.unit, bool(median.low <= median.estimate <= median.high)
    ('s', True)
    """
    if not 0.0 < q < 1.0:
        raise ValueError(f"q must lie between 0 and 1; got {q!r}")
    readings = collapse_readings(low, high, weights, step=step, want_rows=cluster is not None)
    codes, clusters = number_clusters(cluster, readings.keep)
    n = round(readings.n)
    if n < FEWEST_READINGS:
        return no_estimate(
            "not_recorded" if n == 0 else "too_few",
            level=check_level(level),
            unit=unit,
            n=n,
            clusters=clusters,
            method=f"{q:.0%} point of the curve",
            note=f"{n} readings, {FEWEST_READINGS} needed",
        )
    npmle = fit_distribution(readings)
    curve = draw_curve(npmle, codes, clusters, check_level(level))
    what = f"{q:.0%} point of the {curve.method}"
    target = 1.0 - q
    estimate = _first_at_or_under(curve, curve.survival, target, middle=True)
    lower, upper = (_find_limit(curve, npmle, codes, clusters, target, side) for side in ("low", "high"))
    if estimate is None:
        note = (
            f"not reached: {curve.tail:.0%} had not ended when last seen, at most {curve.last_seen:g} {unit}"
        )
        return Estimate(None, lower, None, level, unit, n, clusters, what, "not_reached", note.strip())
    lower = estimate if lower is None else min(lower, estimate)
    upper = None if upper is None else max(upper, estimate)
    note = "" if upper is not None else "upper limit not reached"
    return Estimate(estimate, lower, upper, level, unit, n, clusters, what, note=note)


def _find_limit(
    curve: Curve, npmle: Npmle | SpreadEstimate, codes: Ints | None, clusters: int, target: float, side: str
) -> float | None:
    """Time at which the lower or upper limit of the curve falls to ``target``.

    Inside an interval reading the limit is worked out at the time itself: the share there is a mix of its two
    ends, whose error is smaller than the mix of their errors.
    """
    band = curve.low if side == "low" else curve.high
    hit = np.flatnonzero(band <= target + 1e-12)
    if hit.size == 0:
        return None
    j = int(hit[0])
    left, right = float(curve.left[j]), float(curve.right[j])
    if right <= left:
        return right
    ends = [npmle.influence(np.array([k]), np.array([1.0]))[0] for k in (j, j + 1)]
    weight, row = npmle.readings.weight, npmle.readings.row

    def limit_at(part: float) -> float:
        share = 1.0 - float(npmle.levels[j] * (1 - part) + npmle.levels[j + 1] * part)
        influence = (1 - part) * ends[0] + part * ends[1]
        variance = max(float(weight @ influence**2), float(find_floor(1.0 - share, npmle.leans_on)))
        between = 0.0
        if codes is not None:
            between = cluster_variance(influence[row] * npmle.readings.row_weight, codes, clusters)
        half_width = np.array([widest_half_width(variance, between, curve.level, clusters)])
        low, high = limit_survival(np.array([share]), half_width)
        return float((low if side == "low" else high)[0])

    inside, outside = 0.0, 1.0
    for _ in range(24):
        middle = (inside + outside) / 2
        if limit_at(middle) <= target:
            outside = middle
        else:
            inside = middle
    return left + (right - left) * outside


def _first_at_or_under(
    curve: Curve, survival: Floats, target: float, *, middle: bool = False
) -> float | None:
    hit = np.flatnonzero(survival <= target + 1e-12)
    if hit.size == 0:
        return None
    j = int(hit[0])
    after = float(survival[j])
    if middle and abs(after - target) <= 1e-12 and j + 1 < curve.left.size:
        return float((curve.right[j] + curve.left[j + 1]) / 2)
    width = float(curve.right[j] - curve.left[j])
    before = float(survival[j - 1]) if j else 1.0
    if width <= 0 or before <= after:
        return float(curve.right[j])
    return float(curve.left[j]) + width * min(max((before - target) / (before - after), 0.0), 1.0)


def share_over(
    low: ArrayLike,
    high: ArrayLike,
    limit: float,
    *,
    step: ArrayLike | None = None,
    level: float = 0.95,
    cluster: ArrayLike | None = None,
    unit: str = "1",
    weights: ArrayLike | None = None,
) -> Estimate:
    """Share of jobs that waited longer than a limit, with interval.

    Parameters
    ----------
    low, high : array_like, shape (n,)
        Readings (low, high], as for :func:`estimate_curve`.
    limit : float
        In the unit of the readings; on it is within it.
    step : array_like, shape (n,), optional
        Length of the step that the beginning of the wait is known to.
    level : float
        Confidence level, 0.95 = 95 %.
    cluster : array_like, shape (n,), optional
        Engine id a row.
    unit : str
        Of the answer: "1" for a share.
    weights : array_like, shape (n,), optional
        Counts of identical rows.

    Returns
    -------
    Estimate
        State "too_few" under 5 readings; the note says how many readings straddle the limit.

    Raises
    ------
    ValueError
        For a limit that is not finite or under 0.

    Notes
    -----
    A reading counts as over only where all of it lies at or over the limit and as within only where high <=
    limit; one that straddles the limit is neither: the curve gives it the share that the other readings
    support, spread evenly inside a smallest interval. Where nothing straddles and nothing is given up early
    this is the plain share over / all.

    Limits: Wilson's, with the number of readings replaced by the effective number p (1 - p) / variance, where
    the variance is the larger of the information-based and the between-cluster one, and the normal quantile
    by Student's t with clusters - 1 degrees of freedom. Where none or all are over, the exact binomial limit
    on the readings that are clearly on one side, their number divided by a design effect of 1 + 0.2 (m - 1)
    for m readings a cluster. Fewer than 8 readings clearly over or within: the exact binomial limits for the
    effective number.

    References
    ----------
    E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209; effective number as in F. J. Dorey, E. L. Korn, Stat.
    Med. 6 (1987) 679; E. L. Korn, B. I. Graubard, Survey Methodology 24 (1998) 193.

    Examples
    --------
    >>> from ventbook.statistics import waiting_times
    >>> low = [2.0, 3.0, 4.0, 5.0, 6.0, 11.0, 3.0, 4.0, 5.0, 12.0]
    >>> share = waiting_times.share_over(low, [time + 0.5 for time in low], 10.0)
    >>> round(share.estimate, 6), share.n
    (0.2, 10)
    """
    check_level(level)
    if not np.isfinite(limit) or limit < 0:
        raise ValueError(f"limit must be a finite number of at least 0; got {limit!r}")
    readings = collapse_readings(low, high, weights, step=step, want_rows=cluster is not None)
    codes, clusters = number_clusters(cluster, readings.keep)
    n = round(readings.n)
    if n < FEWEST_READINGS:
        return no_estimate(
            "not_recorded" if n == 0 else "too_few",
            level=level,
            unit=unit,
            n=n,
            clusters=clusters,
            method="share over a limit",
            note=f"{n} readings, {FEWEST_READINGS} needed",
        )
    over = float(readings.weight[(readings.least >= limit) & (readings.high > limit)].sum())
    within = float(readings.weight[readings.high <= limit].sum())
    straddling = float(readings.weight[(readings.least < limit) & (readings.high > limit)].sum())
    given_up = float(readings.weight[(readings.least < limit) & np.isinf(readings.high)].sum())
    note = describe_undecided(straddling - given_up, given_up)
    if over + within == 0:
        return no_estimate(
            "not_reached",
            level=level,
            unit=unit,
            n=n,
            clusters=clusters,
            method="share over a limit",
            note=note,
        )
    npmle = fit_distribution(readings)
    below, at, share = npmle.level_at(limit)
    p = min(max(1.0 - below, 0.0), 1.0)
    influence, variance = npmle.influence(at, share)
    between = 0.0
    if codes is not None:
        between = cluster_variance(influence[npmle.readings.row] * readings.row_weight, codes, clusters)
    half_width = widest_half_width(variance, between, level, clusters)
    size = n / clusters if clusters else 1.0
    if min(p, 1 - p) <= 1e-9 or half_width <= 0:
        p = float(round(p)) if min(p, 1 - p) <= 1e-9 else p
        assumed = (over + within) / (1.0 + ASSUMED_CORRELATION * max(size - 1.0, 0.0))
        limits, how = exact_limits(p, assumed, level), "exact binomial limits"
    else:
        limits, how = wilson_limits(p, half_width), "Wilson limits"
    by = f" on the effective number of readings, {clusters} clusters with t" if clusters else ""
    return Estimate(
        p, limits[0], limits[1], level, unit, n, clusters, f"share over a limit, {how}{by}", note=note
    )


def describe_undecided(straddling: float, given_up: float) -> str:
    """Say how many readings are on neither side of the limit, and why."""
    parts = []
    if straddling:
        one = round(straddling) == 1
        parts.append(
            "1 reading straddles the limit" if one else f"{straddling:.0f} readings straddle the limit"
        )
    if given_up:
        parts.append(f"{given_up:.0f} ended before the limit without pressure")
    return "; ".join(parts)


def wilson_limits(p: float, half_width: float) -> tuple[float, float]:
    """Wilson's score limits of a share, from the half-width (quantile x standard error) of its plain limits.

    With half-width = z sqrt(p (1 - p) / n) these are his limits for n readings.
    """
    z2 = half_width**2 / (p * (1 - p))
    centre = (p + z2 / 2) / (1 + z2)
    half = np.sqrt(z2 * (p * (1 - p) + z2 / 4)) / (1 + z2)
    return float(max(centre - half, 0.0)), float(min(centre + half, 1.0))


def exact_limits(p: float, n: float, level: float) -> tuple[float, float]:
    """Exact binomial (Clopper-Pearson) limits of a share p of an effective number n of readings."""
    alpha = 1.0 - level
    x = p * n
    low = 0.0 if x <= 0 else float(betaincinv(x, n - x + 1, alpha / 2))
    high = 1.0 if x >= n else float(betaincinv(x + 1, n - x, 1 - alpha / 2))
    return low, high
