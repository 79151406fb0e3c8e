"""Accelerated failure time regression for readings (low, high], with engines as clusters."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from ventbook.numerics import judge_fit
from ventbook.waiting_times.aft import AftFit, Candidate
from ventbook.waiting_times.cleaning import clean_table, is_zero_or_one
from ventbook.waiting_times.design import Design, build_design
from ventbook.waiting_times.errors import find_errors, uncentre
from ventbook.waiting_times.intervals import check_level, check_steps, number_clusters
from ventbook.waiting_times.likelihood import (
    DISTRIBUTIONS,
    SHAPES,
    Optimum,
    Patterns,
    maximise,
    order_patterns,
    start_at,
)
from ventbook.waiting_times.patterns import Collapsed, Floats, Ints, collapse_columns
from ventbook.waiting_times.sandwich import MANY_CLUSTERS

#: Fewer readings that ended than this: no regression.
FEWEST_EVENTS = 8


def fit_aft(
    low: ArrayLike,
    high: ArrayLike,
    covariates: pd.DataFrame | ArrayLike | None = None,
    *,
    distribution: str = "choose",
    step: ArrayLike | None = None,
    weights: ArrayLike | None = None,
    cluster: ArrayLike | None = None,
    level: float = 0.95,
    references: Mapping[str, str] | None = None,
) -> AftFit:
    """Maximum-likelihood fit of log T = intercept + x'beta + scale e to readings (low, high].

    ``step``: where a wait's beginning is known to a step only (see intervals.py).

    ``distribution`` is "log-normal", "Weibull", "log-logistic" or "choose" (smallest AIC of the three).
    ``covariates``: see build_design. Identical rows are counted and weighted first, which changes nothing but
    the time it takes. Without ``cluster`` errors come from the information matrix with normal quantiles; with
    it from leaving out one cluster at a time, with Student's t on Satterthwaite's degrees of freedom.

    Nothing that a workshop's records can hold raises: too few ended readings (under 8, or under 2 a
    coefficient), readings that don't differ, or no convergence give ``state`` "too_few" and a sentence in
    ``notes``. A level whose rows never ended (or all ended before they were first read) has no finite ratio:
    its rows are set aside and said; this leaves the rest of the fit as it is. Columns that others determine
    are dropped by the rule of find_collinear.
    """
    check_level(level)
    if distribution != "choose" and distribution not in SHAPES:
        raise ValueError(f"distribution must be choose, {', '.join(DISTRIBUTIONS)}; got {distribution!r}")
    collapsed, design, row_weight = _collapse(
        low, high, step, covariates, weights, references, cluster is not None
    )
    table = clean_table(collapsed, design)
    notes, columns, x = table.notes, table.columns, table.design
    codes, clusters, row_pattern, w = None, 0, None, np.empty(0)
    if cluster is not None:
        row_pattern = table.place if collapsed.row is None else table.place[collapsed.row]
        used = row_pattern >= 0
        codes, clusters = number_clusters(cluster, used)
        row_pattern = row_pattern[used]
        w = np.ones(row_pattern.size) if row_weight is None else row_weight[used]
    events = float(table.weight[np.isfinite(table.high)].sum())
    needed = max(FEWEST_EVENTS, 2 * (len(columns) + 2))
    empty = _EmptyFit(level, round(table.weight.sum()), round(events), clusters, design.references)
    if events < needed:
        return empty.give(notes, f"{events:.0f} readings that ended, {needed} needed for this regression")
    if (table.low - table.step).max() <= table.high.min():
        return empty.give(notes, "all readings agree with one and the same time: no spread to compare")
    if 0 < clusters < 3:
        return empty.give(notes, f"{clusters} engines, 3 needed for this regression")
    means = table.weight @ x / table.weight.sum()
    centred = np.column_stack([np.ones(len(x)), x - means])
    rows = order_patterns(table.low, table.high, table.weight, centred, table.step)
    tried, optima = _fit_shapes(rows, distribution)
    if tried.empty:
        return empty.give(
            notes, "the readings don't differ enough to show a spread, or no optimum was found: no regression"
        )
    aic = tried["aic"].to_numpy(dtype=np.float64)
    akaike = np.exp(-(aic - aic.min()) / 2)
    akaike /= akaike.sum()
    candidates = []
    for name, weight_of_name in zip(tried["distribution"], akaike, strict=True):
        if weight_of_name >= 0.01:
            errors = find_errors(name, optima[name], rows, row_pattern, w, codes, clusters)
            beta, scale = _back_from_centred(optima[name].theta, means)
            candidates.append(Candidate(name, float(weight_of_name), beta, scale, uncentre(errors, means)))
    chosen = max(candidates, key=lambda one: one.weight)
    optimum = optima[chosen.distribution]
    on = np.abs(x) > 1e-9
    ended = table.weight * np.isfinite(table.high)
    kind = (
        f", errors by {clusters} engines ({errors.kind})"
        if clusters
        else ", errors from the information matrix"
    )
    return AftFit(
        state="estimated",
        distribution=chosen.distribution,
        columns=columns,
        beta=chosen.beta,
        scale=chosen.scale,
        log_likelihood=optimum.value,
        aic=float(tried["aic"].min()),
        errors=chosen.errors,
        level=level,
        n=empty.n,
        events=empty.events,
        clusters=clusters,
        patterns=rows.weight.size,
        column_rows=np.rint(table.weight @ on).astype(np.int64),
        column_events=np.rint(ended @ on).astype(np.int64),
        column_clusters=_count_clusters(x, on, row_pattern, codes, clusters),
        tried=tried,
        candidates=tuple(candidates),
        notes=tuple(notes),
        means=means,
        references=design.references,
        method=f"{chosen.distribution} regression on {empty.n} readings ({empty.events} ended){kind}",
    )


def _collapse(
    low: ArrayLike,
    high: ArrayLike,
    step: ArrayLike | None,
    covariates: pd.DataFrame | ArrayLike | None,
    weights: ArrayLike | None,
    references: Mapping[str, str] | None,
    want_rows: bool,
) -> tuple[Collapsed, Design, Floats | None]:
    lo = np.asarray(low, dtype=np.float64)
    hi = np.asarray(high, dtype=np.float64)
    if lo.ndim != 1 or lo.shape != hi.shape:
        raise ValueError(f"low and high must be columns of one length; got shapes {lo.shape} and {hi.shape}")
    row_weight = None if weights is None else np.asarray(weights, dtype=np.float64)
    if row_weight is not None and row_weight.shape != lo.shape:
        raise ValueError(f"weights must have one value a row ({lo.size}); got shape {row_weight.shape}")
    design = build_design(np.empty((lo.size, 0)) if covariates is None else covariates, references=references)
    if design.matrix.shape[0] != lo.size:
        raise ValueError(f"covariates must have one row a reading ({lo.size}); got {design.matrix.shape[0]}")
    values = [design.matrix[:, j] for j in range(design.matrix.shape[1])]
    steps = check_steps(step, lo, hi)
    readings = [lo, hi] if steps is None else [lo, hi, steps]
    found = collapse_columns([*readings, *values], row_weight, want_rows=want_rows)
    if steps is None:
        found = replace(found, columns=[*found.columns[:2], np.zeros(found.weight.size), *found.columns[2:]])
    return found, design, row_weight


def _count_clusters(
    x: Floats, on: NDArray[np.bool_], row_pattern: Ints | None, codes: Ints | None, clusters: int
) -> Ints:
    """Clusters on the rarer side of every 0/1 column; all of them for numbers, and where they are many."""
    found = np.full(x.shape[1], clusters, dtype=np.int64)
    if codes is None or clusters >= MANY_CLUSTERS:
        return found
    for j in np.flatnonzero([is_zero_or_one(x[:, k]) for k in range(x.shape[1])]):
        mine = on[row_pattern, j]
        with_it = np.bincount(codes, weights=mine, minlength=clusters) > 0
        without = np.bincount(codes, weights=~mine, minlength=clusters) > 0
        found[j] = min(int(with_it.sum()), int(without.sum()))
    return found


@dataclass(frozen=True)
class _EmptyFit:
    level: float
    n: int
    events: int
    clusters: int
    references: dict[str, str]

    def give(self, notes: list[str], why: str) -> AftFit:
        none = np.empty(0, dtype=np.int64)
        return AftFit(
            state="too_few",
            distribution="",
            columns=(),
            beta=np.empty(0),
            scale=np.nan,
            log_likelihood=np.nan,
            aic=np.nan,
            errors=None,
            level=self.level,
            n=self.n,
            events=self.events,
            clusters=self.clusters,
            patterns=0,
            column_rows=none,
            column_events=none,
            column_clusters=none,
            tried=pd.DataFrame(columns=["distribution", "log_likelihood", "aic", "steps"]),
            candidates=(),
            notes=(*notes, why),
            means=np.empty(0),
            references=self.references,
            method="regression",
        )


def _fit_shapes(rows: Patterns, distribution: str) -> tuple[pd.DataFrame, dict[str, Optimum]]:
    names = DISTRIBUTIONS if distribution == "choose" else (distribution,)
    tried, optima = [], {}
    theta = start_at(_every_other(rows))
    for name in names:
        start = theta
        if rows.weight.size > 60_000:
            # most of the way on a thin sample of rows, so that few steps see all of them
            thin = maximise(SHAPES[name], _every_other(rows), theta, tolerance=1e-6)
            start = thin.theta if thin.converged else theta
        found = maximise(SHAPES[name], rows, start)
        # a likelihood of 1 says that the factors separate interval readings without rest: no spread either
        spread = rows.exact > 0 or found.value < -1e-6 * rows.weight.sum()
        reason = judge_fit(
            converged=found.converged,
            estimates=found.theta,
            information=found.information,
            spread=1.0 / found.theta[-1] if spread else 0.0,
            least_spread=1e-4,
        )
        if not reason and found.theta[-1] > 1e-5:
            size = found.theta.size
            tried.append((name, found.value, 2 * size - 2 * found.value, found.steps))
            optima[name] = found
    return pd.DataFrame(tried, columns=["distribution", "log_likelihood", "aic", "steps"]), optima


def _every_other(rows: Patterns, most: int = 20_000) -> Patterns:
    stride = max(rows.weight.size // most, 1)
    if stride == 1:
        return rows
    at = np.arange(0, rows.weight.size, stride)
    stepped = int(np.searchsorted(at, rows.stepped))
    nodes = at[stepped:] - rows.stepped
    return Patterns(
        rows.design[at],
        rows.start[at],
        rows.stop[at],
        rows.weight[at],
        int(np.searchsorted(at, rows.exact)),
        int(np.searchsorted(at, rows.censored)),
        stepped,
        at,
        rows.node_start[nodes],
        rows.node_stop[nodes],
    )


def _back_from_centred(theta: Floats, means: Floats) -> tuple[Floats, float]:
    scale = 1.0 / float(theta[-1])
    beta = theta[:-1] * scale
    beta = np.append(beta[0] - beta[1:] @ means, beta[1:])
    return beta, scale
