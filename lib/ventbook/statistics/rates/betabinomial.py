"""Beta-binomial model of lifters that share an engine, from counts by engine.

The likelihood of failures x_g of n_g lifters in engines g, share p, correlation r, is a product over lifters [1]

    prod_{i < x} (p (1-r) + i r)  prod_{j < n-x} ((1-p) (1-r) + j r)  /  prod_{k < n} ((1-r) + k r),

so that engines enter only through three rows of counts: how many engines have more than i failing lifters, more
than j sound ones, more than k in all. A fleet of a million ventings costs what a fleet of ten does.

References
----------
[1] D. A. Williams, Biometrics 31 (1975) 949.
[2] J. Kerman, Electron. J. Stat. 5 (2011) 1450: Beta(1/3, 1/3) as the neutral prior of a share.
"""

from __future__ import annotations

import numpy as np
import scipy
from scipy import special

from ventbook.numerics import Floats

SHARE_PRIOR = 1 / 3
CORRELATION_WITHOUT_FAILURES = 0.4
"""Intra-engine correlation behind the bound where nothing failed (or everything): the data say nothing of it."""

Tails = tuple[Floats, Floats, Floats]


def count_tails(xs: Floats, ns: Floats) -> Tails:
    """How many engines have more than i failing, j sound, k lifters in all; i, j, k = 0, 1, ..."""

    def above(counts: Floats) -> Floats:
        h = np.bincount(counts.astype(np.int64))
        return h[::-1].cumsum()[::-1][1:].astype(float)

    return above(xs), above(ns - xs), above(ns)


def log_likelihood(tails: Tails, p: Floats, q: Floats, r: Floats) -> Floats:
    """Log-likelihood (without the binomial coefficients) on the broadcast shape of p, q = 1 - p and r < 1."""
    p, q, r = np.broadcast_arrays(p, q, r)
    shape = p.shape
    p, q, r = p.ravel(), q.ravel(), r.ravel()
    out = np.zeros(p.size)
    for counts, base, sign in zip(tails, (p, q, np.ones_like(p)), (1.0, 1.0, -1.0), strict=True):
        for start in range(0, counts.size, 512):  # bounds memory for engines with very many lifters
            k = np.arange(start, min(start + 512, counts.size))
            terms = np.log((base * (1 - r))[None, :] + k[:, None] * r[None, :])
            out += sign * (counts[k] @ terms)
    return out.reshape(shape)


def integrated_interval(xs: Floats, ns: Floats, *, level: float) -> tuple[float, float]:
    """Interval of the share with the correlation integrated out, from whole counts by engine.

    Priors: Beta(1/3, 1/3) [2] on the share, density 2 (1 - r) on the correlation; equal tails. Where nothing
    failed the low end is 0 and the high end the share that leaves a chance of (1 - level)/2 of no failure at
    correlation CORRELATION_WITHOUT_FAILURES; where all failed, the mirror image.
    """
    tails = count_tails(xs, ns)
    alpha = 1 - level
    if xs.sum() == 0:
        return 0.0, _bound_without_failures(tails[2], alpha / 2)
    if xs.sum() == ns.sum():
        return 1 - _bound_without_failures(tails[2], alpha / 2), 1.0
    logit, density = _posterior(tails, float(xs.sum()), float(ns.sum()))
    step = logit[1] - logit[0]
    edges = np.concatenate([logit - step / 2, [logit[-1] + step / 2]])
    cumulative = np.concatenate([[0.0], np.cumsum(density)]) / density.sum()
    low, high = special.expit(np.interp([alpha / 2, 1 - alpha / 2], cumulative, edges))
    return float(low), float(high)


def _bound_without_failures(engines: Floats, tail: float) -> float:
    r = CORRELATION_WITHOUT_FAILURES
    k = np.arange(engines.size)

    def excess(logit: float) -> float:
        q = special.expit(-logit)
        return float(engines @ np.log((q * (1 - r) + k * r) / ((1 - r) + k * r)) - np.log(tail))

    # one lifter alone: 1 - tail; so many lifters that the share is under 1e-13 do not exist
    return float(special.expit(scipy.optimize.brentq(excess, -30.0, 40.0, xtol=1e-12)))


def _posterior(tails: Tails, x: float, n: float) -> tuple[Floats, Floats]:
    """Density of the share on an even grid of its logit, found by closing in on where the mass is.

    The correlation is r = s^2 with s on an even grid: fine near 0, where large fleets put their mass.
    """
    centre = np.log((x + 0.5) / (n - x + 0.5))
    a, b, c, d = centre - 14.0, centre + 14.0, 0.0, 1.0
    size_p, size_s = 57, 20
    for turn in range(12):
        last = turn == 11
        logit = a + (np.arange(size_p) + 0.5) * (b - a) / size_p
        s = c + (np.arange(size_s) + 0.5) * (d - c) / size_s
        p, q = special.expit(logit)[:, None], special.expit(-logit)[:, None]
        r = (s**2)[None, :]
        # priors with their Jacobians: p^(1/3) q^(1/3) dlogit, 2 (1 - s^2) 2 s ds
        log_post = (
            log_likelihood(tails, p, q, r) + SHARE_PRIOR * (np.log(p) + np.log(q)) + np.log(s * (1 - r))
        )
        post = np.exp(log_post - log_post.max())
        over_s, over_p = post.max(1), post.max(0)
        if size_p == 96 or last:
            return logit, post.sum(1)
        rows, columns = np.flatnonzero(over_s > 1e-7), np.flatnonzero(over_p > 1e-7)
        step_p, step_s = (b - a) / size_p, (d - c) / size_s
        close = rows.size > size_p / 3 and columns.size > size_s / 3
        a, b = logit[rows[0]] - step_p, logit[rows[-1]] + step_p
        c, d = max(0.0, s[columns[0]] - step_s), min(1.0, s[columns[-1]] + step_s)
        size_p, size_s = (96, 24) if close else (40, 16)
    raise AssertionError("unreachable")
