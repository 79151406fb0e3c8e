"""Risk-adjusted cumulative sums, and how long charts run before they speak.

References
----------
[1] S. H. Steiner, R. J. Cook, V. T. Farewell, T. Treasure, Biostatistics 1 (2000) 441-452.
[2] J. M. Lucas, R. B. Crosier, Technometrics 24 (1982) 199-205.
[3] J. M. Lucas, M. S. Saccucci, Technometrics 32 (1990) 1-12.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats


def cusum_weights(
    expected: ArrayLike, *, odds_ratio: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What a sound and a failing venting add to the sum, given each one's expected probability of failing [1].

    Sound: -ln(1 - p + R p); failing: ln R - ln(1 - p + R p). ``odds_ratio`` R is the change looked for
    (2 = odds doubled, 0.5 = halved). Returns (sound, failing).
    """
    if not odds_ratio > 0 or odds_ratio == 1:
        raise ValueError(f"odds_ratio must be over 0 and not 1; got {odds_ratio}")
    p = np.asarray(expected, float)
    sound = -np.log1p(p * (odds_ratio - 1))
    return sound, sound + np.log(odds_ratio)


def sum_risk_adjusted(failed: ArrayLike, expected: ArrayLike, *, odds_ratio: float) -> NDArray[np.float64]:
    """Risk-adjusted CUSUM after each venting, in the order given: S_i = max(0, S_(i-1) + W_i) [1].

    Always counted upward: evidence for ``odds_ratio``, whichever side of 1 it is on.
    """
    sound, failing = cusum_weights(expected, odds_ratio=odds_ratio)
    steps = np.where(np.asarray(failed, bool), failing, sound)
    return reflect_at_zero(steps)


def reflect_at_zero(steps: ArrayLike, *, axis: int = -1) -> NDArray[np.float64]:
    """S_i = max(0, S_(i-1) + step_i) along ``axis``: the cumulative sum less its running minimum (at most 0)."""
    total = np.cumsum(np.asarray(steps, float), axis=axis)
    return total - np.minimum(np.minimum.accumulate(total, axis=axis), 0.0)


def run_length_cusum(
    *, allowance: float, limit: float, shift: float = 0.0, two_sided: bool = True, head_start: float = 0.0,
    nodes: int = 60,
) -> float:  # fmt: skip
    """Mean number of points until a normal CUSUM signals; all arguments in standard deviations.

    One-sided by the integral equation of the run length (Gauss-Legendre); two-sided from both sides, with head
    start too, by the formula in [2].
    """
    up, up_head = _run_length_one_side(allowance, limit, shift, head_start, nodes)
    if not two_sided:
        return up_head
    down, down_head = _run_length_one_side(allowance, limit, -shift, head_start, nodes)
    return (up * down_head + down * up_head - up * down) / (up + down)


def _run_length_one_side(
    k: float, limit: float, shift: float, head: float, nodes: int
) -> tuple[float, float]:
    t, w = np.polynomial.legendre.leggauss(nodes)
    t, w = limit * (t + 1) / 2, limit * w / 2
    start = np.concatenate([[0.0], t])
    system = np.eye(nodes + 1)
    system[:, 0] -= stats.norm.cdf(k - shift - start)
    system[:, 1:] -= w * stats.norm.pdf(t[None, :] + k - shift - start[:, None])
    length = np.linalg.solve(system, np.ones(nodes + 1))

    def begin(at: float) -> float:
        inside = w * stats.norm.pdf(t + k - shift - at) * length[1:]
        return float(1 + length[0] * stats.norm.cdf(k - shift - at) + inside.sum())

    return begin(0.0), begin(head)


def run_length_ewma(*, weight: float, width: float, shift: float = 0.0, nodes: int = 80) -> float:
    """Mean number of points until an EWMA with its settled limits signals [3], by the same integral equation."""
    half = width * np.sqrt(weight / (2 - weight))
    t, w = np.polynomial.legendre.leggauss(nodes)
    t, w = half * t, half * w
    kernel = w[None, :] / weight * stats.norm.pdf((t[None, :] - (1 - weight) * t[:, None]) / weight - shift)
    length = np.linalg.solve(np.eye(nodes) - kernel, np.ones(nodes))
    return float(1 + (w / weight * stats.norm.pdf(t / weight - shift) * length).sum())


def run_length_shewhart(*, shift: float = 0.0, width: float = 3.0) -> float:
    """Mean number of points until one lies outside +- ``width`` standard deviations."""
    return float(1 / (stats.norm.sf(width - shift) + stats.norm.cdf(-width - shift)))
