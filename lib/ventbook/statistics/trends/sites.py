"""Sites side by side: limits that fit each site's size, estimates that don't overrate small numbers.

References
----------
[1] D. J. Spiegelhalter, "Funnel plots for comparing institutional performance", Statistics in Medicine 24 (2005)
    1185-1202, appendix (exact limits by interpolation).
[2] F. Garwood, Biometrika 28 (1936) 437 (exact Poisson interval).
[3] N. E. Breslow, N. E. Day, Statistical Methods in Cancer Research II, 1987, 2.3 (Byar's approximation).
[4] M. P. Fay, E. J. Feuer, Statistics in Medicine 16 (1997) 791 (interval of a standardised rate).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
import scipy
from numpy.typing import ArrayLike, NDArray
from scipy import special

from ventbook import distributions as stats
from ventbook.numerics import tail_chances
from ventbook.results import Estimate, NotEnoughData, no_estimate


def funnel_limit(share: float, n: ArrayLike, *, tail: float) -> NDArray[np.float64]:
    """Share that a site stays under with a given probability, when its true share is known.

    Parameters
    ----------
    share : float, 0..1
        True share.
    n : array_like
        Ventings of the site; 0 gives NaN.
    tail : float
        The probability.

    Returns
    -------
    ndarray, 0..1

    Raises
    ------
    ValueError
        For a tail outside (0, 1).

    Notes
    -----
    Exact binomial, interpolated between counts: with r the smallest count whose cumulative probability
    reaches ``tail``, ``(r - a) / n`` with ``a = (P(X <= r) - tail) / P(X = r)``.

    References
    ----------
    D. J. Spiegelhalter, Statistics in Medicine 24 (2005) 1185, appendix.

    Examples
    --------
    >>> from ventbook.statistics import trends
    >>> trends.funnel_limit(0.2, [20, 80, 320], tail=0.975).round(3).tolist()
    [0.366, 0.285, 0.243]
    """
    if not 0 < tail < 1:
        raise ValueError(f"tail must lie between 0 and 1; got {tail}")
    size = np.asarray(n, float)
    safe = np.where(size > 0, size, 1)
    r = stats.binom.ppf(tail, safe, share)
    with np.errstate(divide="ignore", invalid="ignore"):
        a = (stats.binom.cdf(r, safe, share) - tail) / stats.binom.pmf(r, safe, share)
    limit = np.clip((r - np.nan_to_num(a)) / safe, 0, 1)
    return np.where(size > 0, limit, np.nan)


def funnel_by_site(
    count: ArrayLike, n: ArrayLike, *, sites: Sequence[str], share: float | None = None,
    chances: Sequence[ArrayLike] | None = None, tails: tuple[float, float] = (0.025, 0.001),
) -> pd.DataFrame:  # fmt: skip
    """Each site's share against what chance allows for its size.

    Parameters
    ----------
    count, n : array_like, shape (sites,)
        Failing and all ventings of each site.
    sites : sequence of str
        Names, in the order given.
    share : float, optional
        The share to hold against; default all sites together.
    chances : sequence of array_like, optional
        For each site the chance of failing of each of its ``n`` ventings, where their mix is allowed for
        (:func:`level_chances`); without, every venting has the chance ``share``.
    tails : tuple of two float
        Inner and outer tail a side: 95 % and 99.8 % by default.

    Returns
    -------
    DataFrame
        site, count, n, value, centre, expected, chance_above, chance_below, low_inner, high_inner, low_outer,
        high_outer, outside ("", "above", "below"). A site without ventings stays as a row without a value.

    Raises
    ------
    ValueError
        Where a count is not between 0 and n.
    NotEnoughData
        Without any venting.

    Notes
    -----
    The verdict is made from the exact probability of so many failing ventings or more (chance_above), or so
    few or fewer (chance_below): binomial, or Poisson-binomial with ``chances``. It is "above" or "below"
    where that is at most the outer tail. The limits are for drawing only: they are interpolated between
    counts and promise no tail (one failing venting of one lies over the limit whatever its chance).

    References
    ----------
    D. J. Spiegelhalter, Statistics in Medicine 24 (2005) 1185.

    Examples
    --------
    >>> from ventbook.statistics import trends
    >>> funnel = trends.funnel_by_site([8, 9, 40], [80, 90, 100], sites=["Harbour", "Plain", "Ridge"], share=0.12)
    >>> funnel["outside"].tolist()
    ['', '', 'above']
    """
    count, n = np.asarray(count, float), np.asarray(n, float)
    if np.any(count < 0) or np.any(count > n):
        raise ValueError("count must lie between 0 and n at every site")
    if n.sum() == 0:
        raise NotEnoughData("ventings", n=0, needed=1)
    centre = float(count.sum() / n.sum()) if share is None else share
    with np.errstate(divide="ignore", invalid="ignore"):
        value = np.where(n > 0, count / n, np.nan)
    inner, outer = tails
    frame = pd.DataFrame({"site": list(sites), "count": count, "n": n, "value": value, "centre": centre})
    if chances is None:
        expected = centre * n
        above, below = stats.binom.sf(count - 1, n, centre), stats.binom.cdf(count, n, centre)
    else:
        each = [np.asarray(p, float) for p in chances]
        if [p.size for p in each] != n.astype(int).tolist():
            raise ValueError("chances must hold one value a venting of each site")
        expected = np.array([p.sum() for p in each])
        pairs = [tail_chances(int(x), p) for x, p in zip(count, each, strict=True)]
        above, below = np.array(pairs, float).reshape(-1, 2).T
    frame["expected"], frame["chance_above"], frame["chance_below"] = expected, above, below
    for name, tail in (("inner", inner), ("outer", outer)):
        frame[f"low_{name}"] = funnel_limit(centre, n, tail=tail)
        frame[f"high_{name}"] = funnel_limit(centre, n, tail=1 - tail)
    frame["outside"] = np.where(above <= outer, "above", np.where(below <= outer, "below", ""))
    return frame


def level_chances(chances: ArrayLike, failing: float) -> NDArray[np.float64]:
    """Chances of failing with their odds all multiplied alike, so that a given number of failing ventings is expected.

    Parameters
    ----------
    chances : array_like, shape (n,), 0..1
        Of each venting.
    failing : float
        Failing ventings to be expected; 0 or all gives 0 or 1 throughout.

    Returns
    -------
    ndarray, shape (n,), 0..1

    Notes
    -----
    So sites are set against each other in one period, whatever all of them together did against the past.

    Examples
    --------
    >>> from ventbook.statistics import trends
    >>> round(float(trends.level_chances([0.1, 0.2, 0.3], 1.2).sum()), 6)
    1.2
    """
    p = np.asarray(chances, float)
    if failing <= 0 or failing >= p.size:
        return np.full(p.size, float(failing > 0))
    logit = special.logit(np.clip(p, 1e-12, 1 - 1e-12))
    reach = float(np.abs(logit).max()) + np.log(p.size + 1.0) + 1.0
    shift = scipy.optimize.brentq(lambda c: float(special.expit(logit + c).sum()) - failing, -reach, reach)
    return np.asarray(special.expit(logit + shift), float)


def shrink_shares(
    count: ArrayLike, n: ArrayLike, *, sites: Sequence[str], level: float = 0.95, grid: int = 60
) -> pd.DataFrame:
    """Each site's share, drawn towards all sites together by as much as its small numbers warrant.

    Parameters
    ----------
    count, n : array_like, shape (sites,)
        Failing and all ventings of each site.
    sites : sequence of str
        Their names.
    level : float
        Confidence level, 0.95 = 95 %.
    grid : int
        Points a side of the grid.

    Returns
    -------
    DataFrame
        site, count, n, raw, estimate, low, high, level, weight (share of the site's own record in its
        estimate).

    Raises
    ------
    NotEnoughData
        Without any venting.

    Notes
    -----
    Beta-binomial: sites' true shares follow a beta distribution with mean m and between-site correlation r;
    both are averaged over a grid (flat in m and in sqrt(r) up to .5) and not plugged in, since four sites say
    little about r and plugged-in intervals are too narrow.

    Examples
    --------
    >>> from ventbook.statistics import trends
    >>> table = trends.shrink_shares([2, 10], [4, 100], sites=["Small", "Large"])
    >>> bool(table["estimate"][0] < table["raw"][0]), bool(table["weight"][0] < table["weight"][1])
    (True, True)
    """
    count, n = np.asarray(count, float), np.asarray(n, float)
    if n.sum() == 0:
        raise NotEnoughData("ventings", n=0, needed=1)
    pooled = (count.sum() + 0.5) / (n.sum() + 1)
    width = 6 * np.sqrt(pooled * (1 - pooled) / max(len(n), 2)) + 0.02
    m = np.linspace(max(1e-4, pooled - width), min(1 - 1e-4, pooled + width), grid)
    r = np.linspace(0.015, np.sqrt(0.5), grid) ** 2
    mean, corr = (g.ravel() for g in np.meshgrid(m, r, indexing="ij"))
    size = 1 / corr - 1
    a, b = mean * size, (1 - mean) * size
    loglik = sum(
        special.betaln(a + x, b + k - x) - special.betaln(a, b) for x, k in zip(count, n, strict=True)
    )
    weight = np.exp(loglik - np.max(loglik))
    weight /= weight.sum()
    keep = weight > 1e-6
    a, b, size, weight = a[keep], b[keep], size[keep], weight[keep] / weight[keep].sum()
    rows = []
    for site, x, k in zip(sites, count, n, strict=True):
        estimate = float(weight @ ((a + x) / (a + b + k)))
        low, high = (
            _mixture_quantile(q, a + x, b + k - x, weight) for q in (0.5 - level / 2, 0.5 + level / 2)
        )
        own = float(weight @ (k / (k + size)))
        rows.append((site, x, k, x / k if k else np.nan, estimate, low, high, level, own))
    return pd.DataFrame(
        rows, columns=["site", "count", "n", "raw", "estimate", "low", "high", "level", "weight"]
    )


def observed_over_expected(
    observed: float, expected: float, *, level: float = 0.95, method: str = "exact", n: int = 0
) -> Estimate:
    """Observed over expected failures, with interval.

    Parameters
    ----------
    observed : float
        Failing ventings.
    expected : float
        Over 0, from the mix of ventings; its own uncertainty is not in this interval.
    level : float
        Confidence level, 0.95 = 95 %.
    method : str
        "exact" (Poisson) or "byar".
    n : int
        Ventings, for the answer.

    Returns
    -------
    Estimate
        State "too_few" where nothing is expected.

    Raises
    ------
    ValueError
        For another method.

    References
    ----------
    F. Garwood, Biometrika 28 (1936) 437; N. E. Breslow, N. E. Day, Statistical Methods in Cancer Research II
    (1987), 2.3 (Byar).

    Examples
    --------
    >>> from ventbook.statistics import trends
    >>> ratio = trends.observed_over_expected(10, 5.0)
    >>> ratio.estimate, round(ratio.low, 3), round(ratio.high, 3)
    (2.0, 0.959, 3.678)
    """
    if method not in ("exact", "byar"):
        raise ValueError(f"method must be exact or byar; got {method!r}")
    if not expected > 0:
        return no_estimate("too_few", level=level, unit="1", n=n, method=method, note="nothing expected")
    low, high = count_interval(observed, level=level, method=method)
    name = "Poisson exact" if method == "exact" else "Byar"
    return Estimate(observed / expected, low / expected, high / expected, level, "1", n, 0, name)


def count_interval(count: float, *, level: float = 0.95, method: str = "exact") -> tuple[float, float]:
    """Two-sided interval of a Poisson mean from one count.

    Parameters
    ----------
    count : float
    level : float
        Confidence level, 0.95 = 95 %.
    method : str
        "exact", or "byar", which uses the count below and count + 1 above.

    Returns
    -------
    low, high : float

    References
    ----------
    F. Garwood, Biometrika 28 (1936) 437; N. E. Breslow, N. E. Day, Statistical Methods in Cancer Research II
    (1987), 2.3 (Byar).

    Examples
    --------
    >>> from ventbook.statistics import trends
    >>> [round(end, 3) for end in trends.count_interval(10)]
    [4.795, 18.39]
    """
    tail = 0.5 - level / 2
    if method == "exact":
        low = float(stats.chi2.ppf(tail, 2 * count) / 2) if count > 0 else 0.0
        return low, float(stats.chi2.ppf(1 - tail, 2 * count + 2) / 2)
    z = stats.norm.ppf(1 - tail)
    up = count + 1
    low = count * (1 - 1 / (9 * count) - z / (3 * np.sqrt(count))) ** 3 if count > 0 else 0.0
    return max(0.0, float(low)), float(up * (1 - 1 / (9 * up) + z / (3 * np.sqrt(up))) ** 3)


def standardise_share(count: ArrayLike, n: ArrayLike, weights: ArrayLike, *, level: float = 0.95) -> Estimate:
    """Share as it would be with another mix (direct standardisation).

    Parameters
    ----------
    count, n : array_like, shape (strata,)
        Failing and all ventings of each stratum.
    weights : array_like, shape (strata,)
        The mix, in the same order; any sum over 0.
    level : float
        Confidence level, 0.95 = 95 %.

    Returns
    -------
    Estimate
        Unit "share". Strata that the mix asks for and that have no venting are left out and their weight is
        said in the note.

    Raises
    ------
    ValueError
        Where the weights have no sum over 0.

    Notes
    -----
    Interval by the gamma method, which holds its level with small strata and is wide rather than narrow.

    References
    ----------
    M. P. Fay, E. J. Feuer, Statistics in Medicine 16 (1997) 791.

    Examples
    --------
    >>> from ventbook.statistics import trends
    >>> share = trends.standardise_share([2, 10], [40, 50], [0.5, 0.5])
    >>> round(share.estimate, 6)
    0.125
    """
    count, n, w = (np.asarray(v, float) for v in (count, n, weights))
    if w.sum() <= 0:
        raise ValueError("weights must have a sum over 0")
    total = int(n.sum())
    w = w / w.sum()
    covered = float(w[n > 0].sum())
    if covered <= 0:
        return no_estimate("too_few", level=level, unit="share", n=total, method="direct standardisation")
    use = (n > 0) & (w > 0)
    w = w[use] / covered
    per = w / n[use]
    share = float((per * count[use]).sum())
    variance = float((per**2 * count[use]).sum())
    tail, largest = 0.5 - level / 2, float(per.max())
    low = 0.0
    if share > 0:
        low = float(variance / (2 * share) * stats.chi2.ppf(tail, 2 * share**2 / variance))
    v_up, s_up = variance + largest**2, share + largest
    high = float(v_up / (2 * s_up) * stats.chi2.ppf(1 - tail, 2 * s_up**2 / v_up))
    note = "" if covered > 0.999 else f"{100 * (1 - covered):.0f} % of the reference mix has no venting here"
    method = "direct standardisation, gamma interval"
    return Estimate(share, low, min(1.0, high), level, "share", total, 0, method, note=note)


def _mixture_quantile(q: float, a: Any, b: Any, weight: NDArray[np.float64]) -> float:
    low, high = 0.0, 1.0
    for _ in range(26):
        middle = (low + high) / 2
        if float(weight @ special.betainc(a, b, middle)) < q:
            low = middle
        else:
            high = middle
    return (low + high) / 2
