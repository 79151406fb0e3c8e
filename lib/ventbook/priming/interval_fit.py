"""Normal regression of a logarithm known only as an interval, with clusters: what the calibration stands on.

Each row is y in (low, high] with low or high infinite where open; y = X beta + sigma e. Maximum likelihood by
Newton on (beta, log sigma), analytic derivatives. Leaving a cluster out is one Newton step from the fit on all
rows (the one-step jackknife, which is CR3).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import stats
from scipy.special import log_ndtr

from ventbook.numerics import keep_spreads, require_fit, sum_by_cluster
from ventbook.results import NotEnoughData

Floats = npt.NDArray[np.float64]
_STEPS = 60
_TINY = 1e-300


@dataclass(frozen=True)
class IntervalFit:
    """Coefficients and log sigma on all rows, ``(k + 1,)``, and with each cluster left out, ``(G, k + 1)``.

    ``bread`` (k + 1, k + 1) is the inverse of the observed information.
    """

    theta: Floats
    left_out: Floats
    bread: Floats
    log_likelihood: float

    @property
    def sigma(self) -> float:
        return float(np.exp(self.theta[-1]))

    def variance(self) -> Floats:
        """Jackknife variance of theta over the clusters; the model's own where the clusters show none by balance."""
        groups = len(self.left_out)
        off = self.left_out - self.theta
        found = (groups - 1) / groups * off.T @ off
        return keep_spreads(found, self.bread)


def log_likelihood(low: Floats, high: Floats, mean: Floats, sigma: Floats | float) -> Floats:
    """Log probability of (low, high] under a normal of ``mean`` and ``sigma``; rows may be open on either side."""
    a, b = (low - mean) / sigma, (high - mean) / sigma
    upper = a > 0  # work in the tail that keeps digits
    a, b = np.where(upper, -b, a), np.where(upper, -a, b)
    top, bottom = log_ndtr(b), log_ndtr(a)
    with np.errstate(divide="ignore"):
        return top + np.log1p(-np.exp(np.minimum(bottom - top, -1e-300)))


def _derivatives(
    low: Floats, high: Floats, mean: Floats, sigma: float
) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """First and second derivatives of the log likelihood by mean and by log sigma, (n,) each."""
    a, b = (low - mean) / sigma, (high - mean) / sigma
    log_p = log_likelihood(low, high, mean, sigma)

    def over_p(z: Floats) -> Floats:
        inside = np.where(np.isfinite(z), z, 0.0)
        return np.where(
            np.isfinite(z), np.exp(np.minimum(-0.5 * inside**2 - 0.5 * np.log(2 * np.pi) - log_p, 700.0)), 0.0
        )

    fa, fb = over_p(a), over_p(b)
    a, b = np.where(np.isfinite(a), a, 0.0), np.where(np.isfinite(b), b, 0.0)
    d1 = fa - fb  # times 1 / sigma: derivative by mean
    s1 = a * fa - b * fb  # derivative by log sigma
    d2 = a * fa - b * fb - d1**2
    ds = (a * a - 1.0) * fa - (b * b - 1.0) * fb - d1 * s1
    ss = (a**3 - a) * fa - (b**3 - b) * fb - s1**2
    return d1 / sigma, s1, d2 / sigma**2, ds / sigma, ss


def fit_interval(
    low: Floats, high: Floats, design: Floats, cluster: npt.NDArray[np.int64], groups: int
) -> IntervalFit:
    """Fit on all rows and with each of ``groups`` clusters (codes 0 .. groups - 1) left out.

    Raises NoFit where the intervals agree with one line without any scatter (its spread would be nothing), where the
    search does not settle, where columns can't be told apart, and NotEnoughData with fewer than two clusters.
    """
    if groups < 2:
        raise NotEnoughData("interval regression, clusters", n=groups, needed=2)
    middle = np.where(
        np.isfinite(low) & np.isfinite(high), (low + high) / 2, np.where(np.isfinite(low), low, high)
    )
    k = design.shape[1]
    beta, *_ = np.linalg.lstsq(design, middle, rcond=None)
    spread = np.sqrt(np.mean((middle - design @ beta) ** 2))
    theta = np.append(beta, np.log(max(spread, 0.02)))
    wide = np.column_stack([design, np.ones(len(design))])
    best, converged = -np.inf, False
    for _ in range(_STEPS):
        score, information = _score(low, high, wide, theta, k)
        step = _solve(information.sum(axis=0), score.sum(axis=0))
        best = float(log_likelihood(low, high, design @ theta[:k], np.exp(theta[k])).sum())
        scale = 1.0
        while scale > 1e-4:
            tried = theta + scale * step
            if abs(tried[k] - theta[k]) < 2.0:
                value = float(log_likelihood(low, high, design @ tried[:k], np.exp(tried[k])).sum())
                if value >= best - 1e-12:
                    theta, best = tried, value
                    break
            scale /= 2.0
        if np.max(np.abs(scale * step)) < 1e-9:
            converged = True
            break
    score, information = _score(low, high, wide, theta, k)
    # a likelihood of 1 says that all intervals hold one and the same line: no scatter to be seen
    spread = 0.0 if best > -1e-6 * len(low) else float(np.exp(theta[k]))
    total = information.sum(axis=0)
    require_fit("interval regression", converged=converged, estimates=theta, information=total, spread=spread)
    by_cluster = sum_by_cluster(score, cluster, groups)
    flat = information.reshape(len(information), -1)
    shares = sum_by_cluster(flat, cluster, groups).reshape(groups, k + 1, k + 1)
    left = theta + _solve(shares.sum(axis=0) - shares, -by_cluster)
    return IntervalFit(theta, left, np.linalg.inv(total), best)


def _score(low: Floats, high: Floats, wide: Floats, theta: Floats, k: int) -> tuple[Floats, Floats]:
    """Score of each row, (n, k + 1), and its observed information, (n, k + 1, k + 1)."""
    d1, s1, d2, ds, ss = _derivatives(low, high, wide[:, :k] @ theta[:k], float(np.exp(theta[k])))
    score = np.column_stack([wide[:, :k] * d1[:, None], s1])
    information = -wide[:, :, None] * wide[:, None, :] * d2[:, None, None]
    information[:, :k, k] = information[:, k, :k] = -wide[:, :k] * ds[:, None]
    information[:, k, k] = -ss
    return score, information


def _solve(information: Floats, score: Floats) -> Floats:
    """Newton step (of one problem, or of a stack of them), with a ridge where a column carries nothing."""
    trace = np.maximum(np.trace(information, axis1=-2, axis2=-1), _TINY)
    ridge = 1e-9 * trace[..., None, None] * np.eye(score.shape[-1])
    values, vectors = np.linalg.eigh(information + ridge)
    floor = 1e-9 * np.maximum(values.max(axis=-1, keepdims=True), _TINY)
    turned = np.einsum("...ji,...j->...i", vectors, score) / np.maximum(np.abs(values), floor)
    return np.einsum("...ij,...j->...i", vectors, turned)


def t_interval(estimate: float, variance: float, groups: int, level: float) -> tuple[float, float]:
    """Two-sided interval with the t quantile at ``groups`` - 1 degrees of freedom."""
    half = stats.t.ppf(0.5 + level / 2.0, groups - 1) * np.sqrt(variance)
    return estimate - half, estimate + half


__all__ = ["IntervalFit", "fit_interval", "log_likelihood", "t_interval"]
