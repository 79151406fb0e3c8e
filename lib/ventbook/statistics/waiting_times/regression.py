"""Accelerated failure time regression for readings (low, high], with engines as clusters.

It answers time ratios, quantiles and shares over a limit, with limits.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri, stdtr

from ventbook.numerics import Floats, Ints, judge_fit
from ventbook.results import Estimate, no_estimate
from ventbook.statistics.waiting_times.design import (
    Column,
    Design,
    build_design,
    clean_table,
    is_zero_or_one,
    name_levels,
)
from ventbook.statistics.waiting_times.intervals import (
    Collapsed,
    check_level,
    check_steps,
    collapse_columns,
    number_clusters,
)
from ventbook.statistics.waiting_times.likelihood import (
    DISTRIBUTIONS,
    MANY_CLUSTERS,
    SHAPES,
    Errors,
    Optimum,
    Patterns,
    find_errors,
    maximise,
    order_patterns,
    start_at,
    uncentre,
)

#: A level seen on fewer clusters or rows than this gets no limits.
FEWEST_CLUSTERS, FEWEST_ROWS = 2, 3
EFFECT_COLUMNS = [
    "factor",
    "level",
    "reference",
    "estimate",
    "low",
    "high",
    "p",
    "df",
    "n",
    "events",
    "state",
    "note",
]
#: Fewer readings that ended than this: no regression.
FEWEST_EVENTS = 8


@dataclass(frozen=True)
class Candidate:
    """One distribution's fit, with its Akaike weight among those tried."""

    distribution: str
    weight: float
    beta: Floats
    scale: float
    errors: Errors


@dataclass(frozen=True)
class AftFit:
    """log T = intercept + x'beta + scale e: what fit_aft found, or why it found nothing (``state``, ``notes``).

    ``columns`` names the entries of ``beta`` after the intercept; ``tried`` compares the distributions tried and
    ``candidates`` holds the fits of those with an Akaike weight of 1 % or more; ``rows``/``n_events`` count rows and ended rows with a non-zero value in each column.
    """

    state: str
    distribution: str
    columns: tuple[Column, ...]
    beta: Floats
    scale: float
    log_likelihood: float
    aic: float
    errors: Errors | None
    level: float
    n: int
    events: int
    clusters: int
    patterns: int
    column_rows: Ints
    column_events: Ints
    column_clusters: Ints
    tried: pd.DataFrame
    candidates: tuple[Candidate, ...]
    notes: tuple[str, ...]
    means: Floats
    references: dict[str, str]
    method: str

    @property
    def parameters(self) -> Floats:
        """(intercept, beta, log scale): what ``errors.covariance`` is about."""
        return np.append(self.beta, np.log(self.scale))

    def time_ratios(self, factors: Collection[str] | None = None) -> pd.DataFrame:
        """One row a column: the factor by which the time is longer at that level than at the reference (for a
        number: per unit), with limits, p of "ratio 1", and n. Too few rows or clusters: state too_few.

        ``factors``: only the columns of these."""
        rows = []
        for j, column in enumerate(self.columns, start=1):
            if factors is not None and column.factor not in factors:
                continue
            gradient = np.zeros(self.beta.size + 1)
            gradient[j] = 1.0
            row: dict[str, Any] = dict.fromkeys(EFFECT_COLUMNS)
            row.update(factor=column.factor, level=column.level, reference=column.reference)
            row.update(n=int(self.column_rows[j - 1]), events=int(self.column_events[j - 1]))
            few = self._too_few(j - 1)
            if few or self.errors is None:
                row.update(state="too_few", note=few)
            else:
                row.update(self._limits(float(self.beta[j]), gradient))
                row.update(state="estimated", note="")
            rows.append(row)
        frame = pd.DataFrame(rows, columns=EFFECT_COLUMNS)
        numbers = ["estimate", "low", "high", "p", "df"]
        frame[numbers] = frame[numbers].astype(np.float64)
        return frame

    def _too_few(self, j: int) -> str:
        if self.columns[j].level and self.column_rows[j] < FEWEST_ROWS:
            return f"only {self.column_rows[j]} rows"
        if self.clusters and self.column_clusters[j] < FEWEST_CLUSTERS:
            return "seen on one engine only"
        return ""

    def _limits(self, estimate: float, gradient: Floats) -> dict[str, float]:
        assert self.errors is not None
        se = float(np.sqrt(max(self.errors.variance(gradient), 0.0)))
        df = self.errors.degrees(gradient)
        half_width = self.errors.critical(gradient, self.level, df) * se
        with np.errstate(over="ignore", divide="ignore"):
            ratio = abs(estimate) / se if se > 0 else np.inf
            p = 2 * (ndtr(-ratio) if np.isinf(df) else stdtr(df, -ratio))
            low, high = np.exp(estimate - half_width), np.exp(estimate + half_width)
        return {"estimate": float(np.exp(estimate)), "low": low, "high": high, "p": float(p), "df": df}

    def design_row(self, at: Mapping[str, Any] | None = None) -> Floats:
        """(1, x) at the named covariate values; covariates not named are at their mean over the rows fitted."""
        at = dict(at or {})
        known = {c.factor for c in self.columns} | set(self.references)
        unknown = sorted(set(at) - known)
        if unknown:
            raise ValueError(
                f"at names no covariate of this fit: {', '.join(unknown)}; known: {sorted(known)}"
            )
        x = np.append(1.0, self.means)
        for j, column in enumerate(self.columns, start=1):
            if column.factor in at:
                value = at[column.factor]
                if column.level:
                    x[j] = float(name_levels(pd.Series([value])).iloc[0] == column.level)
                else:
                    x[j] = float(value)
        return x

    def quantile(self, q: float, at: Mapping[str, Any] | None = None, *, unit: str) -> Estimate:
        """Time by which a share q has ended at the covariates ``at``.

        Limits by the delta method on log time. Where the distribution was chosen, estimate and limits are
        averaged over the candidates by Akaike weight, so that they carry the choice (see average_candidates).
        """
        if not 0.0 < q < 1.0:
            raise ValueError(f"q must lie between 0 and 1; got {q!r}")
        if self.errors is None:
            return self._nothing(unit)
        x = self.design_row(at)
        parts = []
        for one in self.candidates:
            w = SHAPES[one.distribution].quantile(q)
            parts.append((one, float(x @ one.beta) + one.scale * w, np.append(x, one.scale * w)))
        centre, half_width = average_candidates(parts, self.level)
        found = np.exp([centre, centre - half_width, centre + half_width])
        return self._answer(found[0], found[1], found[2], unit, f"{q:.0%} point")

    def share_over(self, limit: float, at: Mapping[str, Any] | None = None) -> Estimate:
        """P(T > limit) at the covariates ``at``.

        Limits by the delta method on the normal-score scale of the share; averaged as in ``quantile``.
        """
        if not limit > 0 or not np.isfinite(limit):
            raise ValueError(f"limit must be a finite number above 0; got {limit!r}")
        if self.errors is None:
            return self._nothing("1")
        x = self.design_row(at)
        parts = []
        for one in self.candidates:
            shape = SHAPES[one.distribution]
            z = np.array([(np.log(limit) - float(x @ one.beta)) / one.scale])
            share = min(max(float(np.exp(shape.log_above(z)[0])), 1e-12), 1 - 1e-12)
            score = -float(ndtri(share))
            pull = float(np.exp(shape.density(z)[0][0] + score**2 / 2 + 0.5 * np.log(2 * np.pi)))
            parts.append((one, score, -pull * np.append(x / one.scale, z)))
        centre, half_width = average_candidates(parts, self.level)
        found = ndtr([-centre, -(centre + half_width), -(centre - half_width)])
        return self._answer(found[0], found[1], found[2], "1", "share over a limit")

    def _answer(self, estimate: float, low: float, high: float, unit: str, what: str) -> Estimate:
        return Estimate(
            estimate, low, high, self.level, unit, self.n, self.clusters, f"{what} of the {self.method}"
        )

    def _nothing(self, unit: str) -> Estimate:
        return no_estimate(
            self.state,
            level=self.level,
            unit=unit,
            n=self.n,
            clusters=self.clusters,
            method=self.method,
            note="; ".join(self.notes),
        )


def average_candidates(parts: list[tuple[Candidate, float, Floats]], level: float) -> tuple[float, float]:
    """Weighted mean of the candidates' values, and the half-width of its limits.

    The error is sum w sqrt(variance + (value - mean)^2) [1]_, which carries the doubt about the distribution;
    the quantile is that of the candidate with the largest weight.

    References
    ----------
    .. [1] Buckland, S. T., Burnham, K. P. and Augustin, N. H. (1997), Biometrics 53, 603-618.
    """
    weight = np.array([one.weight for one, _, _ in parts])
    weight = weight / weight.sum()
    value = np.array([v for _, v, _ in parts])
    centre = float(weight @ value)
    variance = np.array([max(one.errors.variance(g), 0.0) for one, _, g in parts])
    error = float(weight @ np.sqrt(variance + (value - centre) ** 2))
    best, _, gradient = parts[int(weight.argmax())]
    return centre, best.errors.critical(gradient, level) * error


def fit_aft(
    low: ArrayLike,
    high: ArrayLike,
    covariates: Design | pd.DataFrame | ArrayLike | None = None,
    *,
    distribution: str = "choose",
    step: ArrayLike | None = None,
    weights: ArrayLike | None = None,
    cluster: ArrayLike | None = None,
    level: float = 0.95,
) -> AftFit:
    """Regression of times on covariates: by what factor is a time longer at a level than at the reference?

    Parameters
    ----------
    low, high : array_like, shape (n,)
        Readings (low, high]; low == high is exact, high infinite is given up.
    covariates : Design, DataFrame or array_like, optional
        As :func:`build_design` takes or gives them; None fits one distribution to all.
    distribution : str
        "log-normal", "Weibull", "log-logistic" or "choose" (smallest AIC of the three).
    step : array_like, shape (n,), optional
        Length of the step that the beginning of the wait is known to; 0 elsewhere.
    weights : array_like, shape (n,), optional
        Counts of identical rows.
    cluster : array_like, shape (n,), optional
        Engine id a row.
    level : float
        Confidence level, 0.95 = 95 %.

    Returns
    -------
    AftFit
        ``time_ratios()`` has the factors with their limits; ``state`` and ``notes`` say where there is no
        answer.

    Raises
    ------
    ValueError
        For an unknown distribution, or columns that are not of one length.

    Notes
    -----
    ``log T = intercept + x'beta + scale e`` by maximum likelihood. Without ``cluster`` errors come from the
    information matrix with normal quantiles; with it from leaving out one cluster at a time, with Student's t
    on Satterthwaite's degrees of freedom. Nothing that a workshop's records can hold raises: too few ended
    readings (under 8, or under 2 a coefficient), readings that don't differ, or no convergence give ``state``
    "too_few" and a sentence in ``notes``. A level whose rows never ended (or all ended before they were first
    read) has no finite ratio: its rows are set aside and said; this leaves the rest of the fit as it is.
    Columns that others determine are dropped, and said.

    Examples
    --------
    Twenty waits, and twenty that are twice as long:

    >>> import numpy as np
    >>> from ventbook.statistics import waiting_times
    >>> first = np.linspace(2.0, 5.0, 20)
    >>> times, double = np.concatenate([first, 2 * first]), np.repeat([0.0, 1.0], 20)
    >>> fit = waiting_times.fit_aft(times, times, double, distribution="log-normal")
    >>> round(float(fit.time_ratios()["estimate"].iloc[0]), 6)
    2.0
    """
    check_level(level)
    if distribution != "choose" and distribution not in SHAPES:
        raise ValueError(f"distribution must be choose, {', '.join(DISTRIBUTIONS)}; got {distribution!r}")
    collapsed, design, row_weight = _collapse(low, high, step, covariates, weights, cluster is not None)
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
    kind = f"by {clusters} engines ({chosen.errors.kind})" if clusters else "from the information matrix"
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
        method=f"{chosen.distribution} regression on {empty.n} readings ({empty.events} ended), errors {kind}",
    )


def _collapse(
    low: ArrayLike,
    high: ArrayLike,
    step: ArrayLike | None,
    covariates: Design | pd.DataFrame | ArrayLike | None,
    weights: ArrayLike | None,
    want_rows: bool,
) -> tuple[Collapsed, Design, Floats | None]:
    lo = np.asarray(low, dtype=np.float64)
    hi = np.asarray(high, dtype=np.float64)
    if lo.ndim != 1 or lo.shape != hi.shape:
        raise ValueError(f"low and high must be columns of one length; got shapes {lo.shape} and {hi.shape}")
    row_weight = None if weights is None else np.asarray(weights, dtype=np.float64)
    if row_weight is not None and row_weight.shape != lo.shape:
        raise ValueError(f"weights must have one value a row ({lo.size}); got shape {row_weight.shape}")
    if isinstance(covariates, Design):
        design = covariates
    else:
        design = build_design(np.empty((lo.size, 0)) if covariates is None else covariates)
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
