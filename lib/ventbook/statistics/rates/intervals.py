"""Intervals for a share of independent trials, and for the difference of two.

References
----------
[1] E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209 (score interval).
[2] R. G. Newcombe, Stat. Med. 17 (1998) 857 (intervals side by side) and 873 (differences).
[3] C. J. Clopper, E. S. Pearson, Biometrika 26 (1934) 404 (exact interval).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ventbook import distributions as stats
from ventbook.numerics import Floats

METHODS = ("wilson", "exact")


def check_level(level: float) -> float:
    """The confidence level as a float, or ValueError unless 0 < level < 1."""
    if not (isinstance(level, int | float | np.floating) and 0.0 < float(level) < 1.0):
        raise ValueError(f"level must lie between 0 and 1 (0.95 = 95 %); got {level!r}")
    return float(level)


def binomial_interval(
    x: npt.ArrayLike, n: npt.ArrayLike, *, level: float = 0.95, method: str = "wilson"
) -> tuple[Floats, Floats]:
    """Two-sided interval for a share, x of n independent trials.

    Parameters
    ----------
    x, n : array_like
        Numbers or arrays of one shape, 0 <= x <= n. Neither need be whole (an effective n is not).
    level : float
        Confidence level, 0.95 = 95 %.
    method : str
        "wilson" (score) or "exact" (Clopper-Pearson).

    Returns
    -------
    low, high : ndarray
        Of the broadcast shape, both inside [0, 1]. Where n = 0 nothing is known: 0 and 1.

    Raises
    ------
    ValueError
        For a level or method that is not allowed, x outside 0..n, or a value that is not a number.

    References
    ----------
    E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209; C. J. Clopper, E. S. Pearson, Biometrika 26 (1934) 404;
    R. G. Newcombe, Stat. Med. 17 (1998) 857, with the worked examples.

    Examples
    --------
    Newcombe's 81 of 263, Wilson:

    >>> from ventbook.statistics import rates
    >>> low, high = rates.binomial_interval(81, 263)
    >>> round(float(low), 4), round(float(high), 4)
    (0.2553, 0.3662)
    """
    level = check_level(level)
    if method not in METHODS:
        raise ValueError(f"method must be one of {', '.join(METHODS)}; got {method!r}")
    x, n = np.broadcast_arrays(np.asarray(x, dtype=float), np.asarray(n, dtype=float))
    if not (np.isfinite(x).all() and np.isfinite(n).all() and (x >= 0).all() and (x <= n).all()):
        raise ValueError("x and n must be finite with 0 <= x <= n")
    find_ends = _score_ends if method == "wilson" else _exact_ends
    low, high = find_ends(x, np.where(n > 0, n, 1.0), (1 - level) / 2.0)
    # Wilson's formula leaves 1e-17 where the answer is 0 or 1
    return np.where(x > 0, low, 0.0), np.where(x < n, high, 1.0)


def _score_ends(x: Floats, n: Floats, tail: float) -> tuple[Floats, Floats]:
    z, share = stats.norm.isf(tail), x / n
    center = (share + z**2 / (2 * n)) / (1 + z**2 / n)
    reach = z * np.sqrt(share * (1.0 - share) / n + z**2 / (4.0 * n**2)) / (1 + z**2 / n)
    return np.clip(center - reach, 0, 1), np.clip(center + reach, 0, 1)


def _exact_ends(x: Floats, n: Floats, tail: float) -> tuple[Floats, Floats]:
    return stats.beta.ppf(tail, x, n - x + 1), stats.beta.isf(tail, x + 1, n - x)


def difference_interval(
    x1: float, n1: float, x2: float, n2: float, *, level: float = 0.95
) -> tuple[float, float, float]:
    """Difference of two independent shares with its interval.

    Parameters
    ----------
    x1, n1, x2, n2 : float
        Failures and trials of either side; n is over 0 and may be an effective number.
    level : float
        Confidence level, 0.95 = 95 %.

    Returns
    -------
    difference, low, high : float
        ``x1 / n1 - x2 / n2`` with the score-hybrid interval.

    References
    ----------
    R. G. Newcombe, Stat. Med. 17 (1998) 873, method 10, with the worked examples.

    Examples
    --------
    Newcombe's 56 of 70 against 48 of 80:

    >>> from ventbook.statistics import rates
    >>> [round(float(value), 4) for value in rates.difference_interval(56, 70, 48, 80)]
    [0.2, 0.0524, 0.3339]
    """
    from statsmodels.stats.proportion import confint_proportions_2indep

    low, high = confint_proportions_2indep(
        x1, n1, x2, n2, compare="diff", method="newcomb", alpha=1 - check_level(level)
    )
    return x1 / n1 - x2 / n2, float(low), float(high)
