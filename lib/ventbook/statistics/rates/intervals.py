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

# Our name of a method and the library's.
METHODS = {"wilson": "wilson", "exact": "beta"}

Array = npt.NDArray[np.float64]


def check_level(level: float) -> float:
    """The confidence level as a float, or ValueError unless 0 < level < 1."""
    if not (isinstance(level, int | float | np.floating) and 0.0 < float(level) < 1.0):
        raise ValueError(f"level must lie between 0 and 1 (0.95 = 95 %); got {level!r}")
    return float(level)


def binomial_interval(
    x: npt.ArrayLike, n: npt.ArrayLike, *, level: float = 0.95, method: str = "wilson"
) -> tuple[Array, Array]:
    """Two-sided interval for a share, x of n independent trials, by statsmodels' ``proportion_confint``.

    Parameters
    ----------
    x, n : numbers or arrays of one shape, 0 <= x <= n. Neither need be whole (an effective n is not).
    level : confidence level, 0.95 = 95 %.
    method : "wilson" (score [1]) or "exact" (Clopper-Pearson [3]).

    Returns
    -------
    low, high : arrays of the broadcast shape, both inside [0, 1]. Where n = 0 nothing is known: 0 and 1.

    Raises
    ------
    ValueError : level or method not allowed, x outside 0..n, or a value that is not a number.
    """
    from statsmodels.stats.proportion import proportion_confint

    level = check_level(level)
    if method not in METHODS:
        raise ValueError(f"method must be one of {', '.join(METHODS)}; got {method!r}")
    x, n = np.broadcast_arrays(np.asarray(x, dtype=float), np.asarray(n, dtype=float))
    if not (np.isfinite(x).all() and np.isfinite(n).all() and (x >= 0).all() and (x <= n).all()):
        raise ValueError("x and n must be finite with 0 <= x <= n")
    low, high = proportion_confint(x, np.where(n > 0, n, 1.0), alpha=1 - level, method=METHODS[method])
    # Wilson's formula leaves 1e-17 where the answer is 0 or 1
    return np.where(x > 0, low, 0.0), np.where(x < n, high, 1.0)


def difference_interval(
    x1: float, n1: float, x2: float, n2: float, *, level: float = 0.95
) -> tuple[float, float, float]:
    """Difference of two independent shares, x1/n1 - x2/n2, with Newcombe's score-hybrid interval ([2], method 10).

    n1 and n2 are over 0 and may be effective numbers. Returns difference, low, high.
    """
    from statsmodels.stats.proportion import confint_proportions_2indep

    low, high = confint_proportions_2indep(
        x1, n1, x2, n2, compare="diff", method="newcomb", alpha=1 - check_level(level)
    )
    return x1 / n1 - x2 / n2, float(low), float(high)
