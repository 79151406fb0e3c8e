"""The fits behind the effects: logit of lifters over the limit, log-normal times known to an interval, Firth.

Each returns coefficients, the inverse information and, row by row, the score's multiplier and the weight, so that
one cluster-robust variance serves them all. Binomial rows are venting totals: x' beta is the log odds that one of
the venting's lifters is over the limit, and lifters of one engine are not taken as independent (the variance
is summed by engine; estimating equations with independent working correlation).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
import scipy
from scipy import special

from ventbook import distributions as stats
from ventbook.numerics import (
    CR3_CLUSTERS,
    Floats,
    Ints,
    information_by_cluster,
    judge_fit,
    keep_spread,
    sandwich_variance,
    satterthwaite_df,
    sum_by_cluster,
)

RUNAWAY = 15.0
"""A log odds this large in a standardised column means that the data separate and the maximum lies at infinity."""

COLLAPSE_FROM = 10_000
"""From how many rows on ventings alike in all columns are added up before a fit."""

PROFILE_FROM = 1_000
"""The same for a profile, which fits the same rows a hundred times and more."""

FARTHEST = 40.0
"""Where a profile interval stops looking, in standard errors."""


@dataclass(frozen=True)
class Fit:
    """A solved estimating equation: sum over rows of design * residual = 0."""

    beta: Floats
    bread: Floats
    residual: Floats
    weight: Floats
    converged: bool
    scale: float = 1.0


@dataclass(frozen=True)
class Effect:
    """One contrast on the log scale with its cluster-robust interval."""

    log: float
    se: float
    df: float
    low: float
    high: float
    p: float


def fit_binomial(design: Floats, failures: Floats, trials: Floats, *, start: Floats | None = None) -> Fit:
    """Logistic regression of ``failures`` of ``trials`` a row by Newton's method; design (n, k) with its intercept.

    Columns are in steps that mean something (:func:`code_factors` divides by them): a log odds beyond RUNAWAY a step counts
    as separation.
    Not converged (a level that separates) is told in ``converged``, never by a warning or an infinite number.
    Reference: McCullagh & Nelder 1989, Generalized Linear Models, ch. 4.
    """
    k = design.shape[1]
    beta = np.zeros(k) if start is None else np.array(start, dtype=np.float64)
    if start is None:
        beta[0] = special.logit((failures.sum() + 0.5) / (trials.sum() + 1.0))
    bread, converged = np.eye(k), False
    current = _loglik(design, failures, trials, beta)
    residual = weight = np.zeros(len(failures))
    for _ in range(40):
        p = special.expit(design @ beta)
        weight, residual = trials * p * (1 - p), failures - trials * p
        try:
            bread = np.linalg.inv(design.T @ (design * weight[:, None]))
        except np.linalg.LinAlgError:
            break
        step = bread @ (design.T @ residual)
        size = np.abs(step).max()
        if not size < np.inf or np.abs(beta).max() > RUNAWAY:
            break
        if size < 1e-10 * (1 + np.abs(beta).max()):
            converged = True
            break
        reached = _loglik(design, failures, trials, beta + step)
        while reached < current - 1e-9 * abs(current) and np.abs(step).max() > 1e-9:
            step = step / 2
            reached = _loglik(design, failures, trials, beta + step)
        beta, current = beta + step, reached
    return Fit(beta, bread, residual, weight, converged)


def fit_patterns(design: Floats, failures: Floats, trials: Floats) -> tuple[Fit, Floats, Ints | None]:
    """:func:`fit_binomial`, of many rows on those that differ: (fit with residuals and weights by row, the design that was
    fitted, place of each row in it, None where the rows stand for themselves)."""
    if len(design) < COLLAPSE_FROM:
        return fit_binomial(design, failures, trials), design, None
    place, first = find_patterns(design)
    design = design[first]
    y, n = (np.bincount(place, weights=v).astype(np.float64) for v in (failures, trials))
    fit = fit_binomial(design, y, n)
    p = special.expit(design @ fit.beta)[place]
    return replace(fit, residual=failures - trials * p, weight=trials * p * (1 - p)), design, place


def _loglik(design: Floats, failures: Floats, trials: Floats, beta: Floats) -> float:
    eta = design @ beta
    return float(failures @ eta - trials @ np.logaddexp(0.0, eta))


def fit_intervals(design: Floats, low: Floats, high: Floats) -> Fit:
    """Normal regression of values known to lie in (low, high]; -inf and inf mark open ends.

    On logs of seconds or rotations this is the log-normal accelerated-failure model: a shut-down start or a count
    that was given up enters as what it is, a lower bound. Coefficients by expectation-maximisation steps on
    Newton weights; the scale by its fixed point. ``scale`` is the residual standard deviation, 0 where it shrinks to
    nothing because all intervals agree with one line.
    """
    middle = np.where(
        np.isfinite(low) & np.isfinite(high), (low + high) / 2, np.where(np.isfinite(low), low, high)
    )
    beta = np.asarray(np.linalg.lstsq(design, middle, rcond=None)[0], dtype=np.float64)
    scale = max(float(np.std(middle - design @ beta)), 1e-3)
    bread, converged = np.eye(design.shape[1]), False
    residual = weight = np.zeros(len(low))
    for _ in range(500):
        mean = design @ beta
        expected, variance = _truncated_moments((low - mean) / scale, (high - mean) / scale)
        residual = expected / scale
        weight = np.maximum(1 - variance, 1e-9) / scale**2
        information = design.T @ (design * weight[:, None])
        bread = np.asarray(np.linalg.pinv(information, hermitian=True), dtype=np.float64)
        step = bread @ (design.T @ residual)
        new_scale = scale * float(np.sqrt(np.mean((expected - (design @ step) / scale) ** 2 + variance)))
        moved = max(np.abs(step).max(), abs(new_scale - scale)) / scale
        beta, scale = beta + step, max(new_scale, 1e-6)
        if moved < 1e-9:
            converged = True
            break
    middle = np.where(np.isfinite(low) & np.isfinite(high), (high - low) / 2, 0.0)
    inside = np.abs(np.clip(design @ beta, low, high) - design @ beta) <= 1e-9
    if scale < 0.1 * max(float(middle.max(initial=0.0)), 1e-5) and inside.all():
        scale = 0.0
    return Fit(beta, bread, residual, weight, converged, scale)


def _truncated_moments(a: Floats, b: Floats) -> tuple[Floats, Floats]:
    """Mean and variance of a standard normal inside (a, b], elementwise, steady far in the tails."""
    flip = (a + b) > 0
    flip = np.where(np.isnan(a + b), False, flip)
    lower, upper = np.where(flip, -b, a), np.where(flip, -a, b)
    log_mass = special.log_ndtr(upper) + np.log1p(
        -np.exp(np.minimum(special.log_ndtr(lower) - special.log_ndtr(upper), -1e-15))
    )
    half_log_2pi = 0.5 * np.log(2 * np.pi)
    with np.errstate(invalid="ignore", over="ignore"):
        at_lower = np.where(np.isfinite(lower), np.exp(-(lower**2) / 2 - half_log_2pi - log_mass), 0.0)
        at_upper = np.where(np.isfinite(upper), np.exp(-(upper**2) / 2 - half_log_2pi - log_mass), 0.0)
        mean = at_lower - at_upper
        tails = np.where(np.isfinite(lower), lower * at_lower, 0.0) - np.where(
            np.isfinite(upper), upper * at_upper, 0.0
        )
        variance = 1 + tails - mean**2
        narrow = (upper - lower) < 1e-3
        mean = np.where(narrow, (lower + upper) / 2, mean)
        variance = np.where(narrow, (upper - lower) ** 2 / 12, np.clip(variance, 0.0, 1.0))
    return np.where(flip, -mean, mean), variance


def estimate_contrast(
    fit: Fit,
    design: Floats,
    contrast: Floats,
    *,
    cluster: Ints,
    n_clusters: int,
    level: float,
    place: Ints | None = None,
) -> Effect | None:
    """``contrast`` (k,) of a fit's coefficients with a cluster-robust interval of confidence ``level``.

    CR3 with a t quantile up to 2,000 clusters, CR1 above; degrees of freedom count the clusters that
    carry the contrast (Satterthwaite). Rows of ``cluster`` are codes 0 .. n_clusters - 1. Where many rows
    share a row of ``design``, ``place`` (n,) says which; residuals and weights of ``fit`` stay by row. None where the fit has no
    answer (numerics.judge_fit) or all rows are of one cluster.
    """
    weight = fit.weight if place is None else np.bincount(place, weights=fit.weight, minlength=len(design))
    information = design.T @ (design * weight[:, None])
    if judge_fit(converged=fit.converged, estimates=fit.beta, information=information, spread=fit.scale):
        return None
    if np.count_nonzero(np.bincount(cluster, minlength=n_clusters)) < 2:
        return None
    log = float(contrast @ fit.beta)
    # share of each cluster in the contrast's expected variance
    pull = design @ (fit.bread @ contrast)
    pull = pull if place is None else pull[place]
    df = satterthwaite_df(np.bincount(cluster, weights=pull**2 * fit.weight, minlength=n_clusters))
    if n_clusters <= CR3_CLUSTERS:
        design = design if place is None else design[place]
        scores = sum_by_cluster(design * fit.residual[:, None], cluster, n_clusters)
        information = information_by_cluster(design, fit.weight, cluster, n_clusters)
        variance = sandwich_variance(fit.bread, scores, information=information, kind="CR3")
        found = float(contrast @ variance @ contrast)
    else:  # CR1 of the contrast alone
        moved = np.bincount(cluster, weights=pull * fit.residual, minlength=n_clusters)
        found = float(moved @ moved) * n_clusters / (n_clusters - 1)
    # least squares leaves its scale out of the bread; the other fits have it in their weights
    model = float(contrast @ fit.bread @ contrast)
    found = keep_spread(max(found, 0.0), model)
    return make_effect(log, float(np.sqrt(found)), df, level=level)


def make_effect(log: float, se: float, df: float, *, level: float) -> Effect:
    """An effect from its estimate, standard error and degrees of freedom (t quantile)."""
    half = float(special.stdtrit(df, (1 + level) / 2)) * se
    p = float(2 * special.stdtr(df, -abs(log) / se)) if se > 0 else 1.0
    return Effect(log, se, df, log - half, log + half, p)


def find_patterns(design: Floats) -> tuple[Ints, Ints]:
    """Number of each row's pattern, and the first row of each pattern: rows of a pattern agree in every column.

    Rows are told apart by a weighted sum of their columns; where two patterns share one (never seen), each row stands
    for itself.
    """
    weights = np.sqrt(np.arange(2.0, design.shape[1] + 2.0))
    place, sums = pd.factorize(design @ weights)
    first = np.empty(len(sums), dtype=np.int64)
    first[place[::-1]] = np.arange(len(design))[::-1]  # what is written last stays
    if not np.array_equal(design[first[place]], design):
        return np.arange(len(design)), np.arange(len(design))
    return place.astype(np.int64, copy=False), first


def fit_firth(
    design: Floats,
    failures: Floats,
    trials: Floats,
    *,
    free: npt.NDArray[np.bool_] | None = None,
    start: Floats | None = None,
) -> tuple[Floats, float]:
    """Coefficients and penalised log-likelihood of a logistic fit with Jeffreys penalty .5 log|X'WX|.

    Finite where a level separates completely. ``free`` (k,) holds coefficients marked False at their ``start``;
    the penalty stays that of the full design, as profile intervals need it.
    Reference: Firth 1993, Biometrika 80:27; Heinze & Schemper 2002, Statistics in Medicine 21:2409.
    """
    k = design.shape[1]
    free = np.ones(k, dtype=bool) if free is None else free
    beta = np.zeros(k) if start is None else np.array(start, dtype=np.float64)
    value = _penalised(design, failures, trials, beta)
    if not free.any():
        return beta, value
    for _ in range(200):
        p = special.expit(design @ beta)
        weight = trials * p * (1 - p)
        information = design.T @ (design * weight[:, None])
        inverse = np.linalg.pinv(information, hermitian=True)
        # hat values a trial; a row of n trials carries n of them
        hat = np.einsum("ij,jk,ik->i", design, inverse, design) * weight
        score = (design.T @ (failures - trials * p + hat * (0.5 - p)))[free]
        step = np.zeros(k)
        step[free] = np.linalg.lstsq(information[np.ix_(free, free)], score, rcond=None)[0]
        largest = np.abs(step).max()
        if largest > 2.0:
            step *= 2.0 / largest
        for _ in range(30):
            trial_value = _penalised(design, failures, trials, beta + step)
            if trial_value >= value - 1e-12:
                break
            step = step / 2
        beta, value = beta + step, trial_value
        if np.abs(score).max() < 1e-9 or np.abs(step).max() < 1e-11:
            break
    return beta, value


def _penalised(design: Floats, failures: Floats, trials: Floats, beta: Floats) -> float:
    p = special.expit(design @ beta)
    information = design.T @ (design * (trials * p * (1 - p))[:, None])
    sign, log_determinant = np.linalg.slogdet(information)
    if sign <= 0:
        return -np.inf
    return _loglik(design, failures, trials, beta) + 0.5 * float(log_determinant)


def profile_firth(
    design: Floats, failures: Floats, trials: Floats, index: int, *, level: float, inflation: float = 1.0
) -> Effect | None:
    """One Firth coefficient with its profile penalised-likelihood interval and ratio test.

    ``inflation`` (at least 1) divides the likelihood ratio where lifters of one engine go together.
    ``se`` is read off the interval's width. None where the columns can't be told apart.
    """
    if len(design) >= PROFILE_FROM:
        place, first = find_patterns(design)
        failures, trials = (np.bincount(place, weights=y).astype(np.float64) for y in (failures, trials))
        design = design[first]
    beta, top = fit_firth(design, failures, trials)
    start = special.expit(design @ beta)
    reached = design.T @ (design * (trials * start * (1 - start))[:, None])
    if judge_fit(estimates=[*beta, top], information=reached):
        return None
    inflation = max(float(inflation), 1.0)
    drop = float(stats.chi2.ppf(level, 1)) / 2 * inflation
    free = np.ones(len(beta), dtype=bool)
    free[index] = False

    def below(value: float, warm: list[Floats]) -> float:
        start = warm[0].copy()
        start[index] = value
        warm[0], reached = fit_firth(design, failures, trials, free=free, start=start)
        return reached - top + drop

    p = special.expit(design @ beta)
    information = design.T @ (design * (trials * p * (1 - p))[:, None])
    unit = float(np.sqrt(np.linalg.pinv(information, hermitian=True)[index, index] * inflation))
    ends = []
    for sign in (-1.0, 1.0):
        warm, reach = [beta.copy()], 2.0 * unit
        while below(beta[index] + sign * reach, warm) > 0 and reach < FARTHEST * unit:
            reach *= 1.5
        end = float(beta[index] + sign * reach)
        if reach < FARTHEST * unit:
            warm = [beta.copy()]
            end = float(scipy.optimize.brentq(below, beta[index], end, args=(warm,), xtol=1e-7 * unit))
        ends.append(end)
    at_zero = top - (below(0.0, [beta.copy()]) + top - drop)
    p = float(stats.chi2.sf(max(2 * at_zero, 0.0) / inflation, 1))
    low, high = min(ends), max(ends)
    z = float(stats.norm.ppf((1 + level) / 2))
    return Effect(float(beta[index]), (high - low) / (2 * z), np.inf, low, high, p)
