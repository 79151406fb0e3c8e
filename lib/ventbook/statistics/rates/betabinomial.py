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

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import optimize, special

from ventbook.numerics import require_fit
from ventbook.results import NotEnoughData
from ventbook.statistics.rates.clusters import Array

SHARE_PRIOR = 1 / 3
CORRELATION_WITHOUT_FAILURES = 0.4
"""Intra-engine correlation behind the bound where nothing failed (or everything): the data say nothing of it."""

Tails = tuple[Array, Array, Array]


def count_tails(xs: Array, ns: Array) -> Tails:
    """How many engines have more than i failing, j sound, k lifters in all; i, j, k = 0, 1, ..."""

    def above(counts: Array) -> Array:
        h = np.bincount(counts.astype(np.int64))
        return h[::-1].cumsum()[::-1][1:].astype(float)

    return above(xs), above(ns - xs), above(ns)


def log_likelihood(tails: Tails, p: Array, q: Array, r: Array) -> Array:
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


def integrated_interval(xs: Array, ns: Array, *, level: float) -> tuple[float, float]:
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


def _bound_without_failures(engines: Array, tail: float) -> float:
    r = CORRELATION_WITHOUT_FAILURES
    k = np.arange(engines.size)

    def excess(logit: float) -> float:
        q = special.expit(-logit)
        return float(engines @ np.log((q * (1 - r) + k * r) / ((1 - r) + k * r)) - np.log(tail))

    # one lifter alone: 1 - tail; so many lifters that the share is under 1e-13 do not exist
    return float(special.expit(optimize.brentq(excess, -30.0, 40.0, xtol=1e-12)))


def _posterior(tails: Tails, x: float, n: float) -> tuple[Array, Array]:
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


@dataclass(frozen=True)
class BetaBinomialFit:
    """Maximum-likelihood fit: a share a group, one correlation.

    coefficients are on the logit scale: that of the first group, then differences from it; errors their
    standard errors from the observed information. log_likelihood includes the binomial coefficients.
    """

    shares: tuple[float, ...]
    correlation: float
    coefficients: tuple[float, ...]
    errors: tuple[float, ...]
    logit_correlation: float
    log_likelihood: float
    engines: int


def fit_beta_binomial(groups: Sequence[tuple[Array, Array]]) -> BetaBinomialFit:
    """Fit shares of groups with a common intra-engine correlation by maximum likelihood.

    Parameters
    ----------
    groups : for each group (failures, lifters) by engine.

    Raises
    ------
    NotEnoughData : a group without a failing or without a sound lifter (its share has no finite logit), no
        engine with two lifters, or (NoFit) a search that did not settle.
    """
    data = [(np.asarray(x, dtype=float), np.asarray(n, dtype=float)) for x, n in groups]
    engines = sum(n.size for _, n in data)
    for x, n in data:
        if not 0 < x.sum() < n.sum():
            raise NotEnoughData("beta-binomial fit, failing and sound lifters in every group", n=0, needed=1)
    if not any((n > 1).any() for _, n in data):
        raise NotEnoughData("beta-binomial fit, engines with two lifters", n=0, needed=1)
    tails = [count_tails(x, n) for x, n in data]
    constant = sum(
        float((special.gammaln(n + 1) - special.gammaln(x + 1) - special.gammaln(n - x + 1)).sum())
        for x, n in data
    )

    def loss(theta: Array) -> float:
        eta = theta[0] + np.concatenate([[0.0], theta[1:-1]])
        r = special.expit(theta[-1])
        return -sum(
            float(log_likelihood(t, special.expit(e), special.expit(-e), r))
            for t, e in zip(tails, eta, strict=True)
        )

    logits = [np.log(x.sum() / (n - x).sum()) for x, n in data]
    start = np.array([logits[0], *(v - logits[0] for v in logits[1:]), -2.0])
    # correlation is kept over 1e-9: at 0 the logit runs away and the likelihood no longer moves
    bounds = [(None, None)] * (start.size - 1) + [(-20.0, 12.0)]
    found = optimize.minimize(
        loss, start, method="L-BFGS-B", bounds=bounds, options={"ftol": 1e-15, "gtol": 1e-9}
    )
    theta, hessian = _polish(loss, found.x)
    inside = np.isfinite(hessian).all() and theta[-1] > -15
    # at the correlation's bound the likelihood no longer moves in it: the shares' own information is left
    information = hessian if inside else hessian[:-1, :-1]
    settled = bool(
        np.abs(_slope(loss, theta))[: len(information)].max() < 1e-3 * max(1.0, float(np.sqrt(engines)))
    )
    require_fit("beta-binomial fit", converged=settled, estimates=theta, information=information)
    errors = np.sqrt(np.diag(np.linalg.inv(information)))[: theta.size - 1]
    eta = theta[0] + np.concatenate([[0.0], theta[1:-1]])
    return BetaBinomialFit(
        tuple(map(float, special.expit(eta))),
        float(special.expit(theta[-1])),
        tuple(map(float, theta[:-1])),
        tuple(map(float, errors)),
        float(theta[-1]),
        constant - loss(theta),
        engines,
    )


def _slope(loss: Callable[[Array], float], theta: Array, *, step: float = 1e-4) -> Array:
    unit = np.eye(theta.size) * step
    return np.array([(loss(theta + e) - loss(theta - e)) / (2 * step) for e in unit])


def _polish(loss: Callable[[Array], float], theta: Array, *, step: float = 1e-4) -> tuple[Array, Array]:
    """Three Newton steps with central differences: quasi-Newton stops at about 1e-5; gives the Hessian too."""
    k = theta.size
    unit = np.eye(k) * step
    hessian = np.eye(k)
    for _ in range(3):
        here = loss(theta)
        plus = np.array([loss(theta + e) for e in unit])
        minus = np.array([loss(theta - e) for e in unit])
        gradient = (plus - minus) / (2 * step)
        hessian = np.diag((plus - 2 * here + minus) / step**2)
        for i in range(k):
            for j in range(i):
                cross = loss(theta + unit[i] + unit[j]) - loss(theta + unit[i] - unit[j])
                cross -= loss(theta - unit[i] + unit[j]) - loss(theta - unit[i] - unit[j])
                hessian[i, j] = hessian[j, i] = cross / (4 * step**2)
        if np.linalg.eigvalsh(hessian)[0] <= 1e-8:
            break
        move = np.linalg.solve(hessian, gradient)
        if loss(theta - move) > here + 1e-12:
            break
        theta = theta - move
    return theta, hessian
