"""Fits of a mean log count to intervals, one expectation a job or one of several.

A count is known as an interval, so its logarithm is y in (low, high], low or high infinite where open. Without blanks,
y = X beta + sigma e is fitted by maximum likelihood: Newton on (beta, log sigma), analytic derivatives; leaving a cluster out is
one Newton step from the fit on all rows (the one-step jackknife, which is CR3). Where a job left open what it did, its
expectation is one of several and y = mu + e_c + sigma z for one of its options c. How often each answer holds among the blanks is
shared by the jobs of one rule (a site leaves the same answer blank): those shares are fitted beside mu and sigma, so that blanks
do not average out over jobs. That likelihood may have several tops (all lines empty at a low ratio, or none at a high one), so
the search starts from many places, and the interval reaches over every top that the data do not rule out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import log_ndtr

from ventbook import distributions as stats
from ventbook.numerics import NO_SPREAD, Floats, Ints, keep_spreads, require_fit, sum_by_cluster
from ventbook.results import NoFit, NotEnoughData

_STEPS = 60
_TINY = 1e-300
STARTS = 7
LEAST_SIGMA = 0.02
"""Scatter of one job's log count under which jobs agree but for rounding (one count in fifty)."""
LEAST_GAIN = 1e-6
FAR_BEHIND = 30.0
"""A start this much log likelihood behind the best after a few steps is left."""


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


@dataclass(frozen=True)
class MixtureFit:
    """``centre`` of the log ratio with its interval and ``scatter`` of one job.

    ``expected`` (n,) is the log expectation of each job under one of its options, drawn by its probability.
    """

    centre: float
    low: float
    high: float
    scatter: float
    expected: Floats


def fit_mixture(
    low: Floats, high: Floats, options: Floats, *, rule: Ints, cluster: Ints, level: float
) -> MixtureFit:
    """Fit jobs (low, high] in logs with ``options`` (n, c) of their log expectation (NaN = not possible).

    ``rule`` (n,) codes jobs whose blanks follow one habit, ``cluster`` (n,) engines. The interval is
    that of the profile likelihood, its fall widened by the engines' design effect (t quantile); tops that have fallen no
    further than that from the best are spanned. Raises NotEnoughData with fewer than two engines, NoFit where there is no spread or no settled answer.
    """
    groups = len(np.unique(cluster))
    if groups < 2:
        raise NotEnoughData("ratio with blanks, engines", n=groups, needed=2)
    half_width = float(stats.t.ppf(0.5 + level / 2, groups - 1))
    model = _Model(low, high, options, rule)
    found = model.climb_from(model.places())
    if not found:
        raise NoFit("ratio with blanks", NO_SPREAD)
    best = max(found, key=lambda top: top.value)
    require_fit("ratio with blanks", converged=best.settled, estimates=[best.mu, best.sigma])
    free = low.size / max(low.size - model.free, 1)
    drop = half_width**2 * free * model.design_effect(best, cluster) / 2
    # one habit throughout lies at the edge of the shares, where the best is pulled to one side
    near = [top for top in (*found, *model.habits(best)) if best.value - top.value <= drop]
    below, above = (model.find_limit(best, drop, side) for side in (-1, 1))
    ends = [(top.mu - below, top.mu + above) for top in near]
    ends_low, ends_high = min(a for a, _ in ends), max(b for _, b in ends)
    return MixtureFit(
        best.mu, ends_low, ends_high, best.sigma, model.draw(best, rng=np.random.default_rng(0))
    )


@dataclass(frozen=True)
class _Top:
    mu: float
    sigma: float
    share: Floats
    value: float
    settled: bool = False


class _Model:
    """The jobs as one row an option, so that recorded jobs cost one row each."""

    def __init__(self, low: Floats, high: Floats, options: Floats, rule: Ints) -> None:
        job, option = np.nonzero(~np.isnan(options))
        self.job, self.jobs, self.expected = job, len(low), options[job, option]
        self.low, self.high = low[job] - options[job, option], high[job] - options[job, option]
        pattern = (~np.isnan(options)) @ (1 << np.arange(options.shape[1]))
        # one set of shares for each rule and each pattern of blanks
        _, kind = np.unique(np.column_stack([rule, pattern]), axis=0, return_inverse=True)
        self.cell = np.ravel(kind)[job] * options.shape[1] + option
        self.kind, self.kinds = np.ravel(kind)[job], int(kind.max()) + 1
        self.cells = self.kinds * options.shape[1]
        self.of_kind: Floats = np.bincount(np.ravel(kind), minlength=self.kinds).astype(float)
        choices = np.bincount(job, minlength=self.jobs)
        self.start = 1.0 / choices[job]
        self.option = option
        self.free = int(np.sum(choices > 1) > 0) * (len(np.unique(self.cell)) - self.kinds)
        self.middle = np.where(np.isfinite(self.high), (self.low + self.high) / 2, self.low)

    def places(self) -> Floats:
        """Where to start: along all values that the ratio takes under any answer."""
        finite = self.middle[np.isfinite(self.middle)]
        return np.unique(np.quantile(finite, np.linspace(0.02, 0.98, STARTS)))

    def climb_from(self, places: Floats) -> list[_Top]:
        """The different tops reached, best first; empty where the scatter shrinks to nothing."""
        tops = [_Top(float(mu), 0.25, self.start, -np.inf) for mu in places]
        # few steps from everywhere, more from where they lead, to the end from what is left
        for steps in (12, 80, 1_000):
            tops = sorted((self.climb(top, steps=steps) for top in tops), key=lambda one: -one.value)
            kept: list[_Top] = []
            for top in tops:
                apart = all(abs(top.mu - one.mu) >= 0.1 * one.sigma for one in kept)
                if apart and top.value >= tops[0].value - FAR_BEHIND:
                    kept.append(top)
            tops = kept
        return [] if tops[0].sigma <= LEAST_SIGMA else tops

    def climb(self, top: _Top, *, steps: int, hold: bool = False) -> _Top:
        """Expectation-maximisation from ``top``; ``hold`` leaves mu where it is."""
        mu, sigma, share, value, settled = top.mu, top.sigma, top.share, -np.inf, False
        for _ in range(steps):
            log_p = log_likelihood(self.low, self.high, np.full(len(self.low), mu), sigma)
            with np.errstate(divide="ignore"):
                weight, now = self._weigh(np.log(share) + np.maximum(log_p, -1e4))
            mean, square = _inside((self.low - mu) / sigma, (self.high - mu) / sigma, log_p)
            moved = 0.0
            if not hold:
                moved = sigma * float(weight @ mean) / self.jobs
            shift = moved / sigma
            square_mean = float(weight @ (square - 2 * shift * mean + shift**2)) / self.jobs
            sigma = max(sigma * float(np.sqrt(max(square_mean, 1e-12))), LEAST_SIGMA)
            mu += moved
            totals = np.bincount(self.cell, weights=weight, minlength=self.cells)
            share = np.maximum(totals[self.cell] / self.of_kind[self.kind], 1e-12)
            if now - value < LEAST_GAIN:
                value, settled = now, True
                break
            value = now
        return _Top(mu, sigma, share, value, settled)

    def habits(self, top: _Top) -> list[_Top]:
        """The best fits with one answer to a field, or to all of them, wherever it was left blank."""
        found = []
        bits = int(self.option.max()).bit_length()
        both = np.bincount(self.job, minlength=self.jobs)[self.job] > 1
        asked = [(1 << k, yes) for k in range(bits) for yes in (0, 1 << k)] + [((1 << bits) - 1, 0)]
        for mask, answer in asked:
            out = both & ((self.option & mask) != answer)
            left = np.bincount(self.job, weights=~out, minlength=self.jobs)
            if not out.any() or not left.all():
                continue
            share = np.where(out, 1e-12, self.start)
            found.append(self.climb(_Top(top.mu, top.sigma, share, -np.inf), steps=150))
        return found

    def draw(self, top: _Top, *, rng: np.random.Generator) -> Floats:
        """Log expectation of each job under one of its options, drawn by how likely it is given the count.

        Not the likeliest: taken for all jobs that would make counts lie closer to their expectations than they do.
        """
        log_p = log_likelihood(self.low, self.high, np.full(len(self.low), top.mu), top.sigma)
        weight, _ = self._weigh(np.log(top.share) + np.maximum(log_p, -1e4))
        upto = np.cumsum(weight)  # the rows of a job stand together and sum to 1
        first = np.searchsorted(self.job, np.arange(self.jobs))
        place = np.searchsorted(upto, np.arange(self.jobs) + rng.random(self.jobs), side="right")
        last = np.append(first[1:], len(self.job)) - 1
        return self.expected[np.clip(place, first, last)]

    def _weigh(self, log_terms: Floats) -> tuple[Floats, float]:
        peak = np.full(self.jobs, -np.inf)
        np.maximum.at(peak, self.job, log_terms)
        e = np.exp(log_terms - peak[self.job])
        total = np.bincount(self.job, weights=e, minlength=self.jobs)
        return e / total[self.job], float((peak + np.log(total)).sum())

    def find_limit(self, top: _Top, drop: float, side: int) -> float:
        """How far from ``top`` to one ``side`` the profile likelihood has fallen by ``drop``."""
        step = top.sigma / np.sqrt(self.jobs)
        at = replace(top, share=np.maximum(top.share, 1e-6))
        for _ in range(5):
            at = self.climb(replace(at, mu=top.mu + side * step), steps=200, hold=True)
            fallen = max(top.value - at.value, 1e-3 * drop)
            if 0.95 < fallen / drop < 1.05:
                break
            step *= float(np.clip(np.sqrt(drop / fallen), 0.5, 4.0))
        return step

    def design_effect(self, top: _Top, cluster: Ints) -> float:
        """By how much engines' jobs going together widens the variance of the ratio, at least 1."""
        log_p = log_likelihood(self.low, self.high, np.full(len(self.low), top.mu), top.sigma)
        weight, _ = self._weigh(np.log(top.share) + np.maximum(log_p, -1e4))
        mean, _ = _inside((self.low - top.mu) / top.sigma, (self.high - top.mu) / top.sigma, log_p)
        score = np.bincount(self.job, weights=weight * mean, minlength=self.jobs)
        sums, alone = np.bincount(cluster, weights=score), float(score @ score)
        engines = np.count_nonzero(np.bincount(cluster))
        return max(float(sums @ sums) / alone * engines / (engines - 1), 1.0) if alone > 0 else 1.0


def _inside(a: Floats, b: Floats, log_mass: Floats) -> tuple[Floats, Floats]:
    """Mean and mean square of a standard normal inside (a, b], whose log probability is ``log_mass``."""
    flip = a > 0
    lower, upper = np.where(flip, -b, a), np.where(flip, -a, b)

    def density(z: Floats) -> Floats:
        finite = np.where(np.isfinite(z), z, 0.0)
        value = np.exp(np.minimum(-0.5 * finite**2 - 0.5 * np.log(2 * np.pi) - log_mass, 700.0))
        return np.where(np.isfinite(z), value, 0.0)

    at_lower, at_upper = density(lower), density(upper)
    mean = at_lower - at_upper
    square = (
        1.0
        + np.where(np.isfinite(lower), lower, 0.0) * at_lower
        - np.where(np.isfinite(upper), upper, 0.0) * at_upper
    )
    # far out and in narrow intervals the differences lose their digits: there the interval itself says it
    far = np.isfinite(lower) & np.isfinite(upper) & ((upper - lower < 1e-3) | (log_mass < -600))
    near = np.where(np.isfinite(upper), upper, 0.0)
    middle = np.where(log_mass < -600, near, (near + np.where(np.isfinite(lower), lower, 0.0)) / 2)
    mean, square = np.where(far, middle, mean), np.where(far, middle**2, square)
    return np.where(flip, -mean, mean), np.maximum(square, mean**2)
