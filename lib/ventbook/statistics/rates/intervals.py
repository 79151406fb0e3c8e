"""Intervals for a share: independent trials, and lifters that share an engine.

References
----------
[1] E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209 (score interval).
[2] R. G. Newcombe, Stat. Med. 17 (1998) 857 (the seven methods side by side) and 873 (differences).
[3] L. D. Brown, T. T. Cai, A. DasGupta, Stat. Sci. 16 (2001) 101 (Jeffreys interval).
[4] C. J. Clopper, E. S. Pearson, Biometrika 26 (1934) 404 (exact interval).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import special

METHODS = ("wilson", "wilson_cc", "wald", "exact", "mid_p", "jeffreys", "likelihood")

Array = npt.NDArray[np.float64]


def check_level(level: float) -> float:
    """The confidence level as a float, or ValueError unless 0 < level < 1."""
    if not (isinstance(level, int | float | np.floating) and 0.0 < float(level) < 1.0):
        raise ValueError(f"level must lie between 0 and 1 (0.95 = 95 %); got {level!r}")
    return float(level)


def binomial_interval(
    x: npt.ArrayLike, n: npt.ArrayLike, *, level: float = 0.95, method: str = "wilson"
) -> tuple[Array, Array]:
    """Two-sided interval for a share, x of n independent trials.

    Parameters
    ----------
    x, n : numbers or arrays of one shape, 0 <= x <= n. Neither need be whole (an effective n is not).
    level : confidence level, 0.95 = 95 %.
    method : "wilson" (score), "wilson_cc" (with continuity correction), "wald", "exact" (Clopper-Pearson),
        "mid_p", "jeffreys" (equal-tailed, low = 0 where x = 0, high = 1 where x = n), "likelihood".

    Returns
    -------
    low, high : arrays of the broadcast shape, both inside [0, 1]. Where n = 0 nothing is known: 0 and 1.

    Raises
    ------
    ValueError : level or method not allowed, x outside 0..n, or a value that is not a number.
    """
    level = check_level(level)
    if method not in METHODS:
        raise ValueError(f"method must be one of {', '.join(METHODS)}; got {method!r}")
    x, n = np.broadcast_arrays(np.asarray(x, dtype=float), np.asarray(n, dtype=float))
    if not (np.isfinite(x).all() and np.isfinite(n).all() and (x >= 0).all() and (x <= n).all()):
        raise ValueError("x and n must be finite with 0 <= x <= n")
    alpha = 1.0 - level
    some = n > 0
    n1 = np.where(some, n, 1.0)
    z = special.ndtri(1 - alpha / 2)
    if method == "wilson":
        low, high = _wilson(x, n1, z)
    elif method == "wilson_cc":
        low, high = _wilson_continuity(x, n1, z)
    elif method == "wald":
        half = z * np.sqrt(x * (n1 - x) / n1**3)
        low, high = x / n1 - half, x / n1 + half
    elif method == "exact":
        low = np.where(x > 0, special.betaincinv(np.maximum(x, 1e-300), n1 - x + 1, alpha / 2), 0.0)
        high = np.where(x < n1, special.betaincinv(x + 1, np.maximum(n1 - x, 1e-300), 1 - alpha / 2), 1.0)
    elif method == "jeffreys":
        low = np.where(x > 0, special.betaincinv(x + 0.5, n1 - x + 0.5, alpha / 2), 0.0)
        high = np.where(x < n1, special.betaincinv(x + 0.5, n1 - x + 0.5, 1 - alpha / 2), 1.0)
    else:
        low, high = _by_bisection(x, n1, alpha, method)
    low = np.where(some, np.clip(low, 0.0, 1.0), 0.0)
    high = np.where(some, np.clip(high, 0.0, 1.0), 1.0)
    return low, high


def _wilson(x: Array, n: Array, z: Array | float) -> tuple[Array, Array]:
    p = x / n
    centre = p + z * z / (2 * n)
    half = z * np.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    scale = 1 + z * z / n
    # exact ends: the formula leaves 1e-17 where the answer is 0 or 1
    return np.where(x > 0, (centre - half) / scale, 0.0), np.where(x < n, (centre + half) / scale, 1.0)


def _wilson_continuity(x: Array, n: Array, z: float) -> tuple[Array, Array]:
    p, q = x / n, 1 - x / n
    root_low = np.sqrt(np.maximum(z * z - 2 - 1 / n + 4 * p * (n * q + 1), 0.0))
    root_high = np.sqrt(np.maximum(z * z + 2 - 1 / n + 4 * p * (n * q - 1), 0.0))
    low = (2 * x + z * z - 1 - z * root_low) / (2 * (n + z * z))
    high = (2 * x + z * z + 1 + z * root_high) / (2 * (n + z * z))
    return np.where(x > 0, low, 0.0), np.where(x < n, high, 1.0)


def _by_bisection(x: Array, n: Array, alpha: float, method: str) -> tuple[Array, Array]:
    """Ends of the mid-P and likelihood intervals; 60 halvings leave less than 1e-17."""

    def outside_low(p: Array) -> npt.NDArray[np.bool_]:
        if method == "mid_p":
            above = np.where(x > 0, special.betainc(np.maximum(x, 1e-300), n - x + 1, p), 1.0)
            beyond = np.where(x < n, special.betainc(x + 1, np.maximum(n - x, 1e-300), p), 0.0)
            return 0.5 * (above + beyond) < alpha / 2
        return _deviance(x, n, p) > special.chdtri(1, alpha)

    def inside_high(p: Array) -> npt.NDArray[np.bool_]:
        if method == "mid_p":
            above = np.where(x > 0, special.betainc(np.maximum(x, 1e-300), n - x + 1, p), 1.0)
            beyond = np.where(x < n, special.betainc(x + 1, np.maximum(n - x, 1e-300), p), 0.0)
            return 0.5 * (2 - above - beyond) > alpha / 2
        return _deviance(x, n, p) < special.chdtri(1, alpha)

    share = x / n
    a, b = np.zeros_like(share), share.copy()
    c, d = share.copy(), np.ones_like(share)
    for _ in range(60):
        mid = (a + b) / 2
        out = outside_low(mid)
        a, b = np.where(out, mid, a), np.where(out, b, mid)
        mid = (c + d) / 2
        inside = inside_high(mid)
        c, d = np.where(inside, mid, c), np.where(inside, d, mid)
    return np.where(x > 0, b, 0.0), np.where(x < n, c, 1.0)


def _deviance(x: Array, n: Array, p: Array) -> Array:
    return 2 * (
        special.xlogy(x, x / n)
        + special.xlogy(n - x, 1 - x / n)
        - special.xlogy(x, p)
        - special.xlogy(n - x, 1 - p)
    )


def difference_interval(
    x1: npt.ArrayLike, n1: npt.ArrayLike, x2: npt.ArrayLike, n2: npt.ArrayLike, *, level: float = 0.95
) -> tuple[Array, Array, Array]:
    """Difference of two independent shares, x1/n1 - x2/n2, with the score-hybrid interval of [2] (method 10).

    n1 and n2 may be effective numbers. Where either n is 0 the difference is unknown: 0 with -1 and 1.
    Returns difference, low, high.
    """
    x1, n1, x2, n2 = np.broadcast_arrays(*(np.asarray(v, dtype=float) for v in (x1, n1, x2, n2)))
    l1, u1 = binomial_interval(x1, n1, level=level)
    l2, u2 = binomial_interval(x2, n2, level=level)
    some = (n1 > 0) & (n2 > 0)
    p1, p2 = x1 / np.where(n1 > 0, n1, 1), x2 / np.where(n2 > 0, n2, 1)
    d = np.where(some, p1 - p2, 0.0)
    low = np.where(some, d - np.hypot(p1 - l1, u2 - p2), -1.0)
    high = np.where(some, d + np.hypot(u1 - p1, p2 - l2), 1.0)
    return d, low, high
