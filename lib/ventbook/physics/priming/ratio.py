"""Recorded over expected rotations: the middle of a group, the scatter of one job, and the jobs far beyond it.

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
import pandas as pd
from scipy.special import log_ndtr

from ventbook import distributions as stats
from ventbook.numerics import NO_SPREAD, Floats, Ints, factorize, keep_spreads, require_fit, sum_by_cluster
from ventbook.physics.priming.inputs import BLANKS, list_options, shared_u_log
from ventbook.physics.priming.spread import read_spread
from ventbook.results import Estimate, NoFit, NotEnoughData, no_estimate

_STEPS = 60
_TINY = 1e-300
STARTS = 7
LEAST_SIGMA = 0.02
"""Scatter of one job's log count under which jobs agree but for rounding (one count in fifty)."""
LEAST_GAIN = 1e-6
FAR_BEHIND = 30.0
"""A start this much log likelihood behind the best after a few steps is left."""
FEWEST_ENGINES, FEWEST_COUNTS = 3, 8
FEWEST_FOR_QUANTILE = 40
MOST_BLANKS = 4_000
LEAST_COUNT = 0.5
# What one job scatters where a fleet is too small to tell (derived: 14 % from pump and volumes, and the counting)
USUAL_SCATTER = 0.16
METHOD = (
    "median of recorded over expected, log-normal, counts as intervals, clustered by engine (jackknife, t)"
)


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


def type_levels(used: pd.DataFrame) -> Floats:
    """One column an engine type with at least FEWEST_ENGINES engines; the others share one."""
    engines = used.groupby("engine_type")["engine_id"].transform("nunique")
    return pd.get_dummies(used["engine_type"].where(engines >= FEWEST_ENGINES, "")).to_numpy(float)


def t_interval(estimate: float, variance: float, groups: int, level: float) -> tuple[float, float]:
    """Two-sided interval with the t quantile at ``groups`` - 1 degrees of freedom."""
    half = stats.t.ppf(0.5 + level / 2.0, groups - 1) * np.sqrt(variance)
    return estimate - half, estimate + half


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
            mean, square = _inside((self.low - mu) / sigma, (self.high - mu) / sigma)
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
        mean, _ = _inside((self.low - top.mu) / top.sigma, (self.high - top.mu) / top.sigma)
        score = np.bincount(self.job, weights=weight * mean, minlength=self.jobs)
        sums, alone = np.bincount(cluster, weights=score), float(score @ score)
        engines = np.count_nonzero(np.bincount(cluster))
        return max(float(sums @ sums) / alone * engines / (engines - 1), 1.0) if alone > 0 else 1.0


def _inside(a: Floats, b: Floats) -> tuple[Floats, Floats]:
    """Mean and mean square of a standard normal inside (a, b]."""
    flip = a > 0
    lower, upper = np.where(flip, -b, a), np.where(flip, -a, b)
    log_mass = log_likelihood(lower, upper, np.zeros_like(lower), 1.0)

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


def usable_counts(jobs: pd.DataFrame) -> pd.DataFrame:
    """Ventings with a count and an expectation, in logs.

    Parameters
    ----------
    jobs : DataFrame
        One row a venting with engine_type, rotations_low, rotations_high, expected_rotations, expected_state.

    Returns
    -------
    DataFrame
        Those rows, with ``_low``, ``_high`` (log of the count's interval (low, high]; infinite where given
        up) and ``_expected`` (log of the expectation).

    Examples
    --------
    >>> import pandas as pd
    >>> from ventbook.physics import priming
    >>> jobs = pd.DataFrame(
    ...     {
    ...         "engine_type": "flat4",
    ...         "rotations_low": [39.0, 60.0],
    ...         "rotations_high": [40.0, float("nan")],
    ...         "expected_rotations": [50.0, 50.0],
    ...         "expected_state": "primes",
    ...     }
    ... )
    >>> priming.usable_counts(jobs)[["_low", "_high", "_expected"]].round(3).values.tolist()
    [[3.664, 3.689, 3.912]]
    """
    low = jobs["rotations_low"].to_numpy(float, na_value=np.nan)
    high = jobs["rotations_high"].to_numpy(float, na_value=np.nan)
    expected = jobs["expected_rotations"].to_numpy(float, na_value=np.nan)
    keep = (
        np.isfinite(low)
        & ~np.isnan(high)
        & (high > 0)
        & (low < high)
        & np.isfinite(expected)
        & (expected > 0)
    )
    keep &= (jobs["expected_state"] == "primes").to_numpy(bool) & jobs["engine_type"].notna().to_numpy()
    used = jobs.loc[keep]
    with np.errstate(divide="ignore"):
        used["_low"], used["_high"] = np.log(low[keep]), np.log(high[keep])
    used["_expected"] = np.log(expected[keep])
    used["engine_type"] = used["engine_type"].astype("str")
    return used


def estimate_ratio(jobs: pd.DataFrame, *, level: float = 0.95) -> Estimate:
    """Median of recorded over expected rotations, with interval.

    Parameters
    ----------
    jobs : DataFrame
        One row a venting with engine_id, engine_type, rotations_low, rotations_high, expected_rotations,
        expected_state.
    level : float
        Confidence level, 0.95 = 95 %.

    Returns
    -------
    Estimate
        Unit "ratio", n = ventings with a count and an expectation, clusters = engines. State ``not_recorded``
        without any count, ``too_few`` under 8 shown counts or 3 engines, or where the counts have no spread.

    Notes
    -----
    Given-up counts are lower bounds. Where lines, cooler or filter were not recorded, either answer is
    possible and a site's share of answers is fitted beside the ratio; sizes taken from the engine type's
    usual values are one error that all its ventings share.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.physics import priming
    >>> ventings = ventbook.read_ventings("data/demo/store")
    >>> ratio = priming.estimate_ratio(ventings[ventings["engine_type"] == "flat6"])
    >>> ratio.state, bool(ratio.low < ratio.estimate < ratio.high)
    ('estimated', True)
    """
    used = usable_counts(jobs)
    engines = int(used["engine_id"].nunique())
    shown = int(np.isfinite(used["_high"]).sum())
    size = {"level": level, "unit": "ratio", "n": len(used), "clusters": engines}
    if used.empty:
        return no_estimate("not_recorded", method=METHOD, **size)  # type: ignore[arg-type]
    if shown < FEWEST_COUNTS or engines < FEWEST_ENGINES:
        return no_estimate("too_few", method=METHOD, **size)  # type: ignore[arg-type]
    try:
        found = fit_ratio(used, level=level)
    except NotEnoughData as error:
        return no_estimate("too_few", method=METHOD, note=str(error), **size)  # type: ignore[arg-type]
    middle, low_end, high_end = np.exp([found.centre, found.low, found.high])
    return Estimate(middle, low_end, high_end, method=METHOD, note=found.note, **size)  # type: ignore[arg-type]


@dataclass(frozen=True)
class RatioFit:
    """``centre`` of the log ratio with its interval (low, high), ``scatter`` of one job, and a note on what is in it."""

    centre: float
    low: float
    high: float
    scatter: float
    note: str


def fit_ratio(used: pd.DataFrame, *, level: float) -> RatioFit:
    """Fit the log ratio of rows that `usable_counts` gave.

    Counts are intervals, given-up ones lower bounds. Where lines, cooler or filter were not recorded, either answer is an
    option of that job and a site's share of answers is fitted beside the ratio (`priming.mixture`). Sizes taken from the
    engine type's usual values are one error that all its jobs share, added to the interval at its full size. Raises
    NotEnoughData (NoFit) where there is no answer.
    """
    options = list_options(used)
    open_ = np.isnan(options).sum(axis=1) < options.shape[1] - 1
    blanks = int(open_.sum())
    if blanks > MOST_BLANKS:  # the rest are too many to hold eight answers each; recorded ones all stay
        taken = np.flatnonzero(open_)[np.linspace(0, blanks - 1, MOST_BLANKS).astype(int)]
        keep = ~open_
        keep[taken] = True
        used, options = used.loc[keep], options[keep]
    low, high = used["_low"].to_numpy(), used["_high"].to_numpy()
    notes = []
    given_up = int((~np.isfinite(high)).sum())
    if given_up:
        notes.append(f"{given_up} given up, counted as lower bounds")
    if blanks:
        mixed = _fit_blanks(used, options, level)
        centre, scatter, ends = mixed.centre, mixed.scatter, (mixed.low, mixed.high)
        notes.append(f"lines, cooler or filter not recorded on {blanks}: either answer taken as possible")
    else:
        offset = np.nanmax(options, axis=1)
        cluster, engines = factorize(used["engine_id"])
        fit = fit_interval(low - offset, high - offset, np.ones((len(used), 1)), cluster, len(engines))
        centre, scatter = float(fit.theta[0]), fit.sigma
        ends = t_interval(centre, float(fit.variance()[0, 0]), len(engines), level)
    shared = float(stats.norm.ppf(0.5 + level / 2)) * shared_u_log(used)
    if shared > 0.01:
        notes.append("usual sizes stand in for sizes not recorded")
    below, above = (float(np.hypot(end - centre, shared)) for end in ends)
    return RatioFit(centre, centre - below, centre + above, scatter, "; ".join(notes))


def _fit_blanks(used: pd.DataFrame, options: Floats, level: float) -> MixtureFit:
    cluster, _ = factorize(used["engine_id"])
    rule = (
        factorize(used["site"].astype("str"))[0] if "site" in used.columns else np.zeros(len(used), np.int64)
    )
    low, high = used["_low"].to_numpy(), used["_high"].to_numpy()
    return fit_mixture(low, high, options, rule=rule, cluster=cluster, level=level)


@dataclass(frozen=True)
class RatioScale:
    """What one job of a fleet does about its expectation, and on how many that rests.

    ``middles`` of the log ratio by engine type, for types with at least 8 shown counts on 3 engines; others take ``middle`` of all. ``wider`` is how much
    wider jobs scatter than their :class:`Spread` says, ``scatter`` the log standard deviation of a usual job. ``known`` is False
    where the fleet is too small and the usual scatter stands in. ``places`` are the shown counts in a standard normal (their Spread moved by the
    type's middle), ascending, and ``under`` the share of jobs that lie at or under each (product-limit: a given-up count is a lower bound).
    ``stopped`` counts were given up.
    """

    middles: dict[str, float]
    middle: float
    scatter: float
    n: int
    engines: int
    known: bool
    wider: float = 1.0
    places: tuple[float, ...] = ()
    under: tuple[float, ...] = ()
    stopped: int = 0

    def of(self, engine_types: pd.Series) -> Floats:
        """Middle of the log ratio for each row."""
        known = engine_types.astype("str").map(self.middles)
        return np.asarray(known.fillna(self.middle), dtype=float)

    def place(self, share: float) -> float:
        """Place in a standard normal that ``share`` of jobs keep under: from the records where there are 40.

        Read off the ordered places at n / (n + 1) of their share, so that the next job keeps under it that often;
        normal where there are fewer. Where so many were given up that no count reaches the share, it is the longest
        that showed, or the normal's where that is longer.
        """
        n = len(self.places)
        usual = float(stats.norm.ppf(share)) * self.wider
        if n < FEWEST_FOR_QUANTILE:
            return usual
        at = np.array(self.under) * (n + self.stopped) / (n + self.stopped + 1)
        found = float(np.interp(share, at, self.places))
        lost = self.stopped and share > at[-1]
        return max(found, usual) if lost else found

    def quantile(self, share: float) -> float:
        """Log ratio over its middle that ``share`` of usual jobs keep under."""
        return self.place(share) * self.scatter / self.wider

    def reach(self, frame: pd.DataFrame, z: float, *, extra: Floats | float = 0.0) -> Floats:
        """Log count of each venting at the place ``z``; ``extra`` standard deviation of the logarithm is added to its scatter."""
        spread = read_spread(frame, usual=USUAL_SCATTER)
        if np.any(np.asarray(extra) > 0):
            spread = spread.widen(extra)
        return spread.place(z) + self.of(frame["engine_type"])

    def standardise(self, used: pd.DataFrame, log_count: Floats) -> Floats:
        """Place of each count of ``used`` (as :func:`usable_counts` gives it) in a standard normal."""
        # the answer to a blank moves a job's whole spread
        answered = used["_expected"].to_numpy() - np.log(used["expected_rotations"].to_numpy(float))
        spread = read_spread(used, usual=USUAL_SCATTER)
        return spread.standardise(log_count - answered - self.of(used["engine_type"]))


def measure_scale(jobs: pd.DataFrame) -> RatioScale:
    """Middle and scatter of the ratio of recorded to expected rotations, robust to a share of faulty ventings.

    Parameters
    ----------
    jobs : DataFrame
        As for :func:`estimate_ratio`.

    Returns
    -------
    RatioScale
        The middle of the log ratio by engine type and overall, and the scatter of one venting (1.4826 times
        the median absolute deviation, at least 0.05); ``known`` is False, with usual values, under 8 counts
        or 3 engines.

    Notes
    -----
    Given-up counts are lower bounds: medians and quantiles are those of the product-limit curve. Ventings
    with a blank for lines, cooler or filter are left out while 8 counts on 3 engines have none, since half an
    empty line is no line; with fewer each is taken with one answer, drawn by its probability given the count.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.physics import priming
    >>> scale = priming.measure_scale(ventbook.read_ventings("data/demo/store"))
    >>> scale.known, bool(0.05 <= scale.scatter < 0.5)
    (True, True)
    """
    every = _settle_blanks(usable_counts(jobs))
    shown = np.isfinite(every["_high"].to_numpy())
    engines = every.loc[shown, "engine_id"].nunique()
    unknown = RatioScale({}, 0.0, USUAL_SCATTER, int(shown.sum()), engines, known=False)
    if not _enough(every[shown]):
        return unknown
    with np.errstate(over="ignore"):
        count = np.where(shown, (np.exp(every["_low"]) + np.exp(every["_high"])) / 2.0, np.exp(every["_low"]))
    log_count = np.log(np.maximum(count, LEAST_COUNT))
    sigma = read_spread(every, usual=USUAL_SCATTER).sigma
    # in the logarithm again, so that a count far from one bell and near the other is a usual one
    log_ratio = unknown.standardise(every, log_count) * sigma
    middle = _quantile_of(*_curve(log_ratio, shown), 0.5)
    if middle is None:  # more than half given up: the records do not reach the middle
        return unknown
    middles = {}
    types = every["engine_type"].to_numpy()
    for name in sorted(set(types)):
        mine = types == name
        own = (
            _quantile_of(*_curve(log_ratio[mine], shown[mine]), 0.5) if _enough(every[mine & shown]) else None
        )
        if own is not None:
            middles[str(name)] = own
    scale = replace(unknown, middles=middles, middle=middle, known=True)
    places = scale.standardise(every, log_count)
    at, under = _curve(places, shown)
    typical = float(np.median(sigma[shown]))
    wider = max(_scatter(at, under), 0.05 / typical)
    return replace(
        scale,
        scatter=wider * typical,
        wider=wider,
        places=tuple(at.tolist()),
        under=tuple(under.tolist()),
        stopped=int((~shown).sum()),
    )


def _settle_blanks(every: pd.DataFrame) -> pd.DataFrame:
    if "expected_least" not in every.columns:
        return every
    whole = (every[list(BLANKS.values())] <= 0).all(axis=1).to_numpy()
    shown = np.isfinite(every["_high"].to_numpy())
    if whole.all() or not _enough(every[shown]):
        return every
    if _enough(every[whole & shown]):
        return every[whole]
    some = every.iloc[np.unique(np.linspace(0, len(every) - 1, min(len(every), MOST_BLANKS)).astype(int))]
    try:
        return some.assign(_expected=_fit_blanks(some, list_options(some), 0.95).expected)
    except NotEnoughData:
        return every


def _enough(shown: pd.DataFrame) -> bool:
    return len(shown) >= FEWEST_COUNTS and shown["engine_id"].nunique() >= FEWEST_ENGINES


def _curve(value: Floats, shown: npt.NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Shown values ascending (ties kept) and the product-limit share at or under each."""
    order = np.lexsort((~shown, value))
    value, shown = value[order], shown[order]
    at_risk = np.arange(len(value), 0, -1)
    under = np.asarray(1.0 - np.cumprod(1.0 - shown / at_risk), dtype=float)
    return value[shown], under[shown]


def _quantile_of(at: Floats, under: Floats, share: float) -> float | None:
    """Value that ``share`` lie under, even between steps (the usual median where nothing was given up); None beyond."""
    size = np.diff(np.concatenate([[0.0], under]))
    places = under - size / 2
    if not len(at) or share > under[-1] - 1e-12:
        return None
    return float(np.interp(share, places, at))


def _scatter(at: Floats, under: Floats) -> float:
    """1.4826 x the half-width about 0 that holds half of all; from the lower half alone where that is not reached."""
    distance = np.abs(at)
    order = np.argsort(distance, kind="stable")
    held = np.cumsum(np.diff(np.concatenate([[0.0], under]))[order])
    size = np.diff(np.concatenate([[0.0], held]))
    if held[-1] > 0.5:
        return 1.4826 * float(np.interp(0.5, held - size / 2, distance[order]))
    return float(-np.interp(stats.norm.cdf(-1.0), under, at))


def find_long(jobs: pd.DataFrame, scale: RatioScale, *, chance: float = 0.01) -> pd.DataFrame:
    """Ventings whose count lies beyond what one like it takes in all but a few cases, longest first.

    Parameters
    ----------
    jobs : DataFrame
        As for :func:`estimate_ratio`, with venting_id.
    scale : RatioScale
        As :func:`measure_scale` gives it.
    chance : float
        Share of ventings with nothing wrong that may lie beyond.

    Returns
    -------
    DataFrame
        Those rows of ``jobs`` with ``ratio_least`` (low end of the count over expected), ``ratio_usual_most``
        (what it lies beyond) and ``chance`` (of a count at least as long where nothing is wrong).

    Notes
    -----
    Even the low end of the count has to lie beyond; the uncertainty of the expectation is in what is usual.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.physics import priming
    >>> ventings = ventbook.read_ventings("data/demo/store")
    >>> long = priming.find_long(ventings, priming.measure_scale(ventings))
    >>> bool((long["chance"] < 0.01).all() and (long["ratio_least"] > long["ratio_usual_most"]).all())
    True
    """
    used = usable_counts(jobs)
    z = scale.standardise(used, used["_low"].to_numpy()) / scale.wider
    most = np.exp(scale.reach(used, stats.norm.isf(chance) * scale.wider) - used["_expected"].to_numpy())
    found = jobs.loc[used.index].assign(
        ratio_least=np.exp(used["_low"] - used["_expected"]), ratio_usual_most=most, chance=stats.norm.sf(z)
    )
    found = found[found["chance"] < chance]
    return found.sort_values(["chance", "venting_id"], kind="stable")


@dataclass(frozen=True)
class StopRule:
    """At how many times the expectation to stop and look, and how that would have fared on record.

    Each venting has its own, for a job with more suction air scatters more: ``factor`` is the middle one. Of ``told`` ventings ``held`` had pressure by their stop; of ``early`` it isn't known,
    since turning was given up before it. ``by_type`` has one row an engine type: ``engine_type``, ``factor``, ``n``, ``had_pressure`` (share).
    ``known``: the scatter is measured, not assumed. ``over_stop``: each venting's count over its own stop, infinite where given up.
    """

    factor: float
    held: int
    told: int
    early: int
    known: bool
    by_type: pd.DataFrame
    over_stop: Floats


def check_stop_rule(jobs: pd.DataFrame, *, share: float) -> StopRule:
    """The multiple of the expectation by which a share of ventings had pressure, held against the counts that it comes from.

    Parameters
    ----------
    jobs : DataFrame
        As for :func:`estimate_ratio`.
    share : float, 0..1
        Of ventings that are to have pressure by their stop.

    Returns
    -------
    StopRule
        The multiple for all and by engine type, and how many ventings on record had pressure by it.

    Notes
    -----
    A venting's own stop is farther off by what its expectation is uncertain. A count in an interval stands
    for its middle.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.physics import priming
    >>> rule = priming.check_stop_rule(ventbook.read_ventings("data/demo/store"), share=0.95)
    >>> rule.factor > 1, 0.90 < rule.held / rule.told < 1
    (True, True)
    """
    scale = measure_scale(jobs)
    used = usable_counts(jobs)
    stop = pd.Series(scale.reach(used, scale.place(share)), index=used.index)
    middle = np.log((np.exp(used["_low"]) + np.exp(used["_high"])) / 2.0)
    held = (middle <= stop).to_numpy()
    # given up before the stop: whether pressure would have come by then isn't known
    told = np.isfinite(used["_high"].to_numpy()) | (used["_low"] >= stop).to_numpy()
    factor = np.exp((stop - used["_expected"]).to_numpy(float))
    rows = []
    for name in sorted(used["engine_type"].unique()):
        mine = (used["engine_type"] == name).to_numpy()
        had_pressure = float(held[mine & told].mean()) if (mine & told).any() else np.nan
        rows.append((name, float(np.median(factor[mine])), int((mine & told).sum()), had_pressure))
    by_type = pd.DataFrame(rows, columns=["engine_type", "factor", "n", "had_pressure"])
    overall = float(np.median(factor)) if len(factor) else float(np.exp(scale.middle + scale.quantile(share)))
    return StopRule(
        overall, int(held.sum()), int(told.sum()), int((~told).sum()), scale.known, by_type,
        np.exp((middle - stop).to_numpy(float)),
    )  # fmt: skip
