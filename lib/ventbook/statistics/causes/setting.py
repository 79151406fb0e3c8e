"""What every term of one screening shares, and the effect of one factor alone, from totals by engine.

Shared are outcome rows, clusters, coded factors and adjuster columns. A crude effect has a closed form where levels are few.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd
from scipy import special

from ventbook.numerics import (
    CR3_CLUSTERS,
    Floats,
    Ints,
    factorize,
    keep_spread,
    satterthwaite_df,
    sum_by_cluster,
)
from ventbook.statistics.causes.factors import (
    PACK,
    Block,
    Coded,
    Factor,
    Mask,
    OutcomeRows,
    Term,
    build_block,
    code_factors,
    select_outcome,
)
from ventbook.statistics.causes.fits import (
    COLLAPSE_FROM,
    Effect,
    estimate_contrast,
    fit_binomial,
    fit_intervals,
    fit_patterns,
    make_effect,
    profile_firth,
)

LARGEST_LEVERAGE = 0.95
LOGIT = "logit of venting totals, intervals by engine"
LOG_NORMAL = "log-normal, intervals by engine"
FIRTH = "penalised logit (Firth), profile interval widened by the design effect"
PARTS = ("crude", "adjusted", "stratified")
FINDINGS_A_COEFFICIENT = 10
VENTINGS_A_COEFFICIENT = 15


def estimate_design_effect(rows: OutcomeRows, cluster: Ints, n_clusters: int) -> float:
    """By how much engines' lifters going together widens the variance of the overall share, at least 1."""
    total = rows.trials.sum()
    share = rows.failures.sum() / total if total else 0.0
    if not 0 < share < 1:
        return 1.0
    gap = np.bincount(cluster, weights=rows.failures - share * rows.trials, minlength=n_clusters)
    return float(max((gap**2).sum() / (total * share * (1 - share)), 1.0))


@dataclass(frozen=True)
class Totals:
    """What a factor's levels hold: row 0 is "not recorded", row i + 1 the level with code i.

    ``ventings`` and ``failing`` (levels,) count ventings, ``over`` and ``lifters`` hold a level's lifters by engine,
    ``over_sums`` and ``lifter_sums`` (levels,) what they come to.
    """

    ventings: Floats
    failing: Floats
    over: tuple[Floats, ...]
    lifters: tuple[Floats, ...]
    over_sums: Floats
    lifter_sums: Floats

    @cached_property
    def recorded(self) -> tuple[Floats, Floats]:
        """Lifters over and lifters by engine where the factor is recorded, all levels together."""
        return np.add.reduce(self.over[1:]), np.add.reduce(self.lifters[1:])


def total_levels(codes: Ints, rows: OutcomeRows, cluster: Ints, n_clusters: int) -> Totals:
    """Totals of one factor's levels; ``codes`` (n,) start at -1."""
    levels = max(int(codes.max(initial=0)), 1) + 2
    place = codes + 1
    ventings = np.bincount(place, minlength=levels).astype(np.float64)
    failing = np.bincount(place[rows.failed], minlength=levels).astype(np.float64)
    nothing = np.zeros(n_clusters)
    if not rows.counted:
        return Totals(
            ventings, failing, (nothing,) * levels, (nothing,) * levels, np.zeros(levels), np.zeros(levels)
        )
    key = np.multiply(place, n_clusters, dtype=np.int64)
    key += cluster
    # one sweep for both: counts are whole numbers, so a sum of lifters * 2^26 + over keeps them apart exactly
    packed = np.bincount(key, weights=rows.packed, minlength=levels * n_clusters).reshape(levels, n_clusters)
    over, lifters = [], []
    for number, row in enumerate(packed):
        if not ventings[number]:
            over.append(nothing)
            lifters.append(nothing)
            continue
        whole = np.floor(row * (1 / PACK))
        lifters.append(whole)
        over.append(row - whole * PACK)
    return Totals(
        ventings,
        failing,
        tuple(over),
        tuple(lifters),
        np.array([row.sum() for row in over]),
        np.array([row.sum() for row in lifters]),
    )


def estimate_crude(
    term: Term,
    rows: OutcomeRows,
    *,
    totals: Totals,
    cluster: Ints,
    n_clusters: int,
    level: float,
    forced: Floats | None,
    design_effect: float,
) -> tuple[Effect | None, str]:
    """The term's effect alone (an interaction: given its two parts), and how it was worked out."""
    if rows.counted and forced is None and not term.number:
        y1, n1 = totals.over[term.code + 1], totals.lifters[term.code + 1]
        if term.factor.kind == "group":
            y0, n0 = totals.recorded[0] - y1, totals.recorded[1] - n1
        else:
            y0, n0 = totals.over[1], totals.lifters[1]
        if np.count_nonzero(n1 + n0) < 2:
            return None, ""
        effect = compare_totals(y1, n1, y0, n0, level=level)
        if effect is not None:
            return effect, "odds of two groups, intervals by engine"
        failures, trials = np.array([y0.sum(), y1.sum()]), np.array([n0.sum(), n1.sum()])
        design = np.array([[1.0, 0.0], [1.0, 1.0]])
        return profile_firth(design, failures, trials, 1, level=level, inflation=design_effect), FIRTH
    whole = bool(term.known.all())
    known: slice | Mask = slice(None) if whole else term.known
    x, chosen = term.x[known], cluster[known]
    if rows.counted and forced is None:
        effect = compare_numbers(
            x, rows.failures[known], rows.trials[known], cluster=chosen, n_clusters=n_clusters, level=level
        )
        if effect is not None:
            return effect, LOGIT
    columns = [np.ones(len(x)), x] + ([] if forced is None else list(forced[known].T))
    design = np.column_stack(columns)
    contrast = np.eye(design.shape[1])[1]
    if rows.counted:
        failures, trials = rows.failures[known], rows.trials[known]
        fit, design, place = fit_patterns(design, failures, trials)
        if not fit.converged:
            y, n = failures, trials
            if place is not None:
                y, n = (np.bincount(place, weights=v).astype(np.float64) for v in (failures, trials))
            return profile_firth(design, y, n, 1, level=level, inflation=design_effect), FIRTH
        effect = estimate_contrast(
            fit, design, contrast, cluster=chosen, n_clusters=n_clusters, level=level, place=place
        )
        return effect, LOGIT
    assert rows.low is not None and rows.high is not None
    fit = fit_intervals(design, rows.low[known], rows.high[known])
    effect = estimate_contrast(fit, design, contrast, cluster=chosen, n_clusters=n_clusters, level=level)
    return effect, LOG_NORMAL


def compare_numbers(
    x: Floats, failures: Floats, trials: Floats, *, cluster: Ints, n_clusters: int, level: float
) -> Effect | None:
    """The slope of a number that takes few distinct values (rounded readings), from totals by value.

    The fit on values is the fit on rows. None with under 10,000 rows or with more than a value in ten rows, where the
    general way is as good.
    """
    if len(x) < COLLAPSE_FROM:
        return None
    codes, values = pd.factorize(x)
    if len(values) * 10 > len(x):
        return None
    codes = codes.astype(np.int64, copy=False)
    design = np.column_stack([np.ones(len(values)), values])
    y, n = sum_by_cluster(failures, codes, len(values)), sum_by_cluster(trials, codes, len(values))
    fit = fit_binomial(design, y, n)
    if not fit.converged or n_clusters <= CR3_CLUSTERS:
        return None
    share = special.expit(design @ fit.beta)
    reach = design @ fit.bread[1]
    residual = failures - trials * share[codes]
    pull = reach[codes]
    scores = np.bincount(cluster, weights=residual * pull, minlength=n_clusters)
    shares = np.bincount(
        cluster, weights=trials * (share * (1 - share) * reach**2)[codes], minlength=n_clusters
    )
    engines = int(np.count_nonzero(shares))
    if engines < 2:
        return None
    se = float(np.sqrt(keep_spread(float(scores @ scores) * engines / (engines - 1), float(fit.bread[1, 1]))))
    return make_effect(float(fit.beta[1]), se, satterthwaite_df(shares), level=level)


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
    engines = int(np.count_nonzero(n1 + n0))
    if engines < 2:
        return None
    if engines <= CR3_CLUSTERS:
        q1 = (y1 - n1 * p1) / w1 / (1 - np.minimum(n1 / total1, LARGEST_LEVERAGE))
        q0 = (y0 - n0 * p0) / w0 / (1 - np.minimum(n0 / total0, LARGEST_LEVERAGE))
        pull, widen = q1 - q0, 1.0
    else:
        pull, widen = y1 * (1 / w1) - n1 * (p1 / w1) - y0 * (1 / w0) + n0 * (p0 / w0), engines / (engines - 1)
    variance = keep_spread(float(pull @ pull) * widen, float(1 / w1 + 1 / w0))
    df = satterthwaite_df(n1 * (1 / (total1 * w1)) + n0 * (1 / (total0 * w0)))
    return make_effect(
        float(special.logit(p1) - special.logit(p0)), float(np.sqrt(variance)), df, level=level
    )


@dataclass(frozen=True)
class ScreeningData:
    """What every term of one screening shares."""

    outcome: OutcomeRows
    take: Ints
    cluster: Ints
    n_clusters: int
    site: Ints
    factors: tuple[Factor, ...]
    coded: Mapping[str, Coded]
    blocks: Mapping[str, Block]
    budget: int
    design_effect: float
    level: float
    parts: tuple[str, ...]


def prepare_setting(
    jobs: pd.DataFrame,
    *,
    outcome: str,
    factors: Sequence[Factor],
    level: float,
    parts: Collection[str] = PARTS,
) -> ScreeningData:
    """Codes, adjuster columns and clusters of one screening."""
    rows = select_outcome(jobs, outcome)
    n = len(rows.rows)
    cluster, engines = factorize(jobs["engine_id"].iloc[rows.rows])
    lone = cluster < 0
    if lone.any():  # an engine without a number stands for itself
        cluster = np.where(lone, len(engines) + np.cumsum(lone) - 1, cluster)
    site, _ = factorize(jobs["site"].iloc[rows.rows])
    site = site + 1 if (site < 0).any() else site
    # engine after engine in small codes: sums by engine then walk through memory once
    order = np.argsort(cluster, kind="stable")
    cluster, site, rows = cluster[order], site[order], sort_rows(rows, order)
    coded = {name: shrink_codes(one) for name, one in code_factors(jobs, factors).items()}
    adjusters = [
        name
        for name, one in coded.items()
        if outcome in one.factor.adjust and one.factor.kind != "interaction"
    ]
    findings = rows.failing // FINDINGS_A_COEFFICIENT
    budget = max((findings if rows.counted else n // VENTINGS_A_COEFFICIENT) - 1, 0)
    n_clusters = int(cluster.max()) + 1 if n else 0
    blocks = {name: build_block(coded[name], rows.rows) for name in adjusters} if "adjusted" in parts else {}
    return ScreeningData(
        rows,
        rows.rows,
        cluster,
        n_clusters,
        site,
        tuple(factors),
        coded,
        blocks,
        budget,
        estimate_design_effect(rows, cluster, n_clusters) if rows.counted else 1.0,
        level,
        tuple(parts),
    )


def sort_rows(rows: OutcomeRows, order: Ints) -> OutcomeRows:
    """The outcome's rows in another order."""
    low, high = (None if end is None else end[order] for end in (rows.low, rows.high))
    return replace(
        rows,
        rows=rows.rows[order],
        failures=rows.failures[order],
        trials=rows.trials[order],
        low=low,
        high=high,
    )


def shrink_codes(coded: Coded) -> Coded:
    """The same levels in one byte a row, where they fit."""
    return replace(coded, codes=coded.codes.astype(np.int8)) if len(coded.levels) < 120 else coded
