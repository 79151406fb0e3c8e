"""The effect of one factor alone, from totals by engine; closed form where levels are few."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import special

from ventbook.numerics import CR3_CLUSTERS, Floats, Ints, satterthwaite_df, sum_by_cluster

from .fits import Effect, estimate_contrast, fit_binomial, fit_intervals, make_effect, profile_firth
from .terms import OutcomeRows, Term

LARGEST_LEVERAGE = 0.95


def estimate_design_effect(rows: OutcomeRows, cluster: Ints, n_clusters: int) -> float:
    """By how much engines' lifters going together widens the variance of the overall share, at least 1."""
    total = rows.trials.sum()
    share = rows.failures.sum() / total if total else 0.0
    if not 0 < share < 1:
        return 1.0
    gap = np.bincount(cluster, weights=rows.failures - share * rows.trials, minlength=n_clusters)
    return float(max((gap**2).sum() / (total * share * (1 - share)), 1.0))


def estimate_crude(
    term: Term,
    rows: OutcomeRows,
    *,
    cluster: Ints,
    n_clusters: int,
    level: float,
    forced: Floats | None,
    design_effect: float,
) -> tuple[Effect | None, str]:
    """The term's effect alone (an interaction: given its two parts), and how it was worked out."""
    known = term.known
    if rows.counted and forced is None and not term.number:
        side = term.exposed[known].astype(np.int64)
        totals = total_by_engine(
            side, 2, rows.failures[known], rows.trials[known], cluster[known], n_clusters
        )
        effect = compare_totals(
            totals[0][:, 1], totals[1][:, 1], totals[0][:, 0], totals[1][:, 0], level=level
        )
        if effect is not None:
            return effect, "odds of two groups, intervals by engine (CR3)"
        failures, trials = totals[0].sum(axis=0), totals[1].sum(axis=0)
        design = np.array([[1.0, 0.0], [1.0, 1.0]])
        return (
            profile_firth(design, failures, trials, 1, level=level, inflation=design_effect),
            "penalised logit (Firth), profile interval widened by the design effect",
        )
    x = term.x[known]
    columns = [np.ones(len(x)), x] + ([] if forced is None else list(forced[known].T))
    design, chosen = np.column_stack(columns), cluster[known]
    contrast = np.eye(design.shape[1])[1]
    if not rows.counted:
        assert rows.low is not None and rows.high is not None
        fit = fit_intervals(design, rows.low[known], rows.high[known])
        method = "log-normal, intervals by engine (CR3)"
    else:
        failures, trials = rows.failures[known], rows.trials[known]
        start = _start_from_patterns(x, failures, trials) if forced is None else None
        fit = fit_binomial(design, failures, trials, start=start)
        method = "logit of venting totals, intervals by engine (CR3)"
        if not fit.converged:
            return (
                profile_firth(design, failures, trials, 1, level=level, inflation=design_effect),
                "penalised logit (Firth), profile interval widened by the design effect",
            )
    return estimate_contrast(
        fit, design, contrast, cluster=chosen, n_clusters=n_clusters, level=level
    ), method


def _start_from_patterns(x: Floats, failures: Floats, trials: Floats) -> Floats | None:
    """The solution on distinct values of ``x``, where rounding makes them few; the full fit then starts there."""
    if len(x) < 10_000:
        return None
    codes, values = pd.factorize(x)
    if len(values) * 10 > len(x):
        return None
    y = sum_by_cluster(failures, codes, len(values))
    n = sum_by_cluster(trials, codes, len(values))
    return fit_binomial(np.column_stack([np.ones(len(values)), values]), y, n).beta


def total_by_engine(
    codes: Ints, n_levels: int, failures: Floats, trials: Floats, cluster: Ints, n_clusters: int
) -> tuple[Floats, Floats]:
    """Failures and trials by engine and level, two arrays (n_clusters, n_levels)."""
    key = cluster * n_levels + codes
    size = n_clusters * n_levels
    y = np.bincount(key, weights=failures, minlength=size).reshape(n_clusters, n_levels)
    n = np.bincount(key, weights=trials, minlength=size).reshape(n_clusters, n_levels)
    return y.astype(np.float64, copy=False), n.astype(np.float64, copy=False)


def compare_totals(y1: Floats, n1: Floats, y0: Floats, n0: Floats, *, level: float) -> Effect | None:
    """Log odds ratio of two groups from engine totals, failures ``y`` of ``n``; None where a share is 0 or 1.

    The saturated logistic model in closed form; the variance is its CR3 (CR1 above 2,000 engines): a group's share
    changes by (y - n p) / (1 - n / N) / (N p q) when an engine is left out.
    """
    total1, total0 = n1.sum(), n0.sum()
    if total1 == 0 or total0 == 0:
        return None
    p1, p0 = y1.sum() / total1, y0.sum() / total0
    if not (0 < p1 < 1 and 0 < p0 < 1):
        return None
    w1, w0 = total1 * p1 * (1 - p1), total0 * p0 * (1 - p0)
    q1, q0 = (y1 - n1 * p1) / w1, (y0 - n0 * p0) / w0
    engines = int(((n1 + n0) > 0).sum())
    if engines <= CR3_CLUSTERS:
        q1 = q1 / (1 - np.minimum(n1 / total1, LARGEST_LEVERAGE))
        q0 = q0 / (1 - np.minimum(n0 / total0, LARGEST_LEVERAGE))
        widen = 1.0
    else:
        widen = engines / (engines - 1)
    variance = float(((q1 - q0) ** 2).sum()) * widen
    df = satterthwaite_df(n1 / (total1 * w1) + n0 / (total0 * w0))
    return make_effect(
        float(special.logit(p1) - special.logit(p0)), float(np.sqrt(variance)), df, level=level
    )
