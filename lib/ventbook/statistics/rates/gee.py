"""Population-averaged logistic model of lifters over the limit, from counts a venting.

Generalised estimating equations with an exchangeable correlation inside a cluster [1]. Lifters of one venting share
its covariates, so the equations need only failures and lifters a venting; where the cluster is the venting they need
only the number of ventings with each (covariates, lifters, failures), and a million ventings cost what a hundred
patterns cost. Same fixed point as a fit on one row a lifter.

References
----------
[1] K.-Y. Liang, S. L. Zeger, Biometrika 73 (1986) 13.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import special

from ventbook.numerics import NOT_APART, keep_spreads, require_fit
from ventbook.results import NoFit, NotEnoughData
from ventbook.statistics.rates.clusters import Array, check_counts, encode_ids


@dataclass(frozen=True)
class GeeFit:
    """Coefficients on the log-odds scale, one a column of the design.

    robust and naive are covariance matrices (the naive one with scale 1); correlation is the exchangeable one;
    iterations tells how many steps it took to move less than 1e-12.
    """

    coefficients: Array
    robust: Array
    naive: Array
    correlation: float
    lifters: int
    ventings: int
    clusters: int
    iterations: int

    @property
    def errors(self) -> Array:
        """Robust standard errors."""
        return np.sqrt(np.diag(self.robust))


def fit_gee(
    failures: Any, lifters: Any, design: npt.ArrayLike, *, cluster: Any = None, correlated: bool = True
) -> GeeFit:
    """Fit log-odds(lifter over the limit) = design @ coefficients.

    Parameters
    ----------
    failures, lifters : whole counts, one row a venting; rows with either missing are left out.
    design : (ventings, k), a column of ones for the level among them.
    cluster : engine id a row; None = every venting its own cluster.
    correlated : False = working independence.

    Raises
    ------
    NotEnoughData : fewer clusters than columns + 1, no failing or no sound lifter, or (NoFit) columns that are
        combinations of others, a level that separates failing and sound lifters completely (no finite
        coefficient; use a penalised fit), or steps that do not settle.
    ValueError : a design of the wrong length.
    """
    x, n, ok = check_counts(failures, lifters)
    columns = np.asarray(design, dtype=float)
    if columns.ndim != 2 or columns.shape[0] != x.size:
        raise ValueError(f"design must be of shape (ventings, k) with {x.size} rows; got {columns.shape}")
    ok &= np.isfinite(columns).all(1)
    x, n, columns = x[ok], n[ok], columns[ok]
    k = columns.shape[1]
    if not 0 < x.sum() < n.sum():
        raise NotEnoughData("estimating equations, failing and sound lifters", n=0, needed=1)
    if cluster is None:
        columns, x, n, weight = _collapse(columns, x, n)
        group, clusters = np.arange(x.size), x.size
    else:
        weight = np.ones(x.size)
        codes, _ = encode_ids(cluster, ok.size)
        group, clusters = encode_ids(codes[ok], x.size)
    total = int(weight.sum()) if cluster is None else clusters
    if total <= k:
        raise NotEnoughData("estimating equations, clusters", n=total, needed=k + 1)
    if np.linalg.matrix_rank(columns) < k:
        raise NoFit("estimating equations", f"{NOT_APART}; the design must have full rank")
    return _iterate(columns, x, n, weight, group, clusters, total, correlated)


def _collapse(columns: Array, x: Array, n: Array) -> tuple[Array, Array, Array, Array]:
    """Distinct (covariates, failures, lifters) with how many ventings each stands for."""
    key = np.zeros(x.size, dtype=np.int64)
    for column in (*columns.T, x, n):
        values = _codes(column)
        size = int(values.max()) + 1
        if size * (int(key.max()) + 1) > 1 << 22:
            key = np.unique(key, return_inverse=True)[1]
        key = key * size + values
    counts = np.bincount(key)
    present = np.flatnonzero(counts)
    first = np.empty(counts.size, dtype=np.int64)
    first[key] = np.arange(key.size)
    rows = first[present]
    return columns[rows], x[rows], n[rows], counts[present].astype(float)


def _codes(column: Array) -> npt.NDArray[np.int64]:
    """Small whole codes for the values of a column; whole numbers code themselves."""
    whole = column.astype(np.int64)
    if (whole == column).all():
        low = int(whole.min())
        if int(whole.max()) - low < 4096:
            return whole - low
    return np.unique(column, return_inverse=True)[1].astype(np.int64)


def _iterate(
    columns: Array,
    x: Array,
    n: Array,
    weight: Array,
    group: npt.NDArray[np.int64],
    clusters: int,
    total: int,
    correlated: bool,
) -> GeeFit:
    k = columns.shape[1]
    lifters = float((weight * n).sum())
    size: Array = np.bincount(group, n, clusters).astype(float)
    cluster_weight = np.zeros(clusters)
    cluster_weight[group] = weight
    pairs = float((cluster_weight * size * (size - 1) / 2).sum())
    beta = np.linalg.lstsq(columns, special.logit((x + 0.5) / (n + 1)), rcond=None)[0]
    alpha = 0.0
    apart = clusters == x.size

    def sums(values: Array) -> Array:
        return values if apart else np.bincount(group, values, clusters).astype(float)

    step, moved = 0, np.inf
    for step in range(1, 101):  # noqa: B007 (the count is reported)
        mu = special.expit(columns @ beta)
        sd = np.sqrt(mu * (1 - mu))
        if not np.all(sd > 1e-7):
            raise NoFit("estimating equations", "a level separates failing and sound lifters completely")
        z = (x - n * mu) / sd
        shrink = alpha / (1 + (size - 1) * alpha)
        zc = sums(z)
        # R^-1 = (I - shrink 11') / (1 - alpha) on a cluster; rows of a venting are equal and stay summed
        score = columns.T @ (weight * sd * (z - n * (shrink * zc)[group])) / (1 - alpha)
        hessian = _information(columns, n, sd, shrink, weight, cluster_weight, group, clusters) / (1 - alpha)
        require_fit("estimating equations", estimates=hessian, information=hessian)
        move = np.linalg.solve(hessian, score)
        beta = beta + move
        mu = special.expit(columns @ beta)
        sd = np.sqrt(mu * (1 - mu))
        z = (x - n * mu) / sd
        square = (x * (1 - mu) ** 2 + (n - x) * mu**2) / sd**2
        before = alpha
        if correlated and pairs > k:
            scale = float((weight * square).sum()) / (lifters - k)
            zc, sq = sums(z), sums(square)
            alpha = float((cluster_weight * (zc**2 - sq)).sum() / 2) / (scale * (pairs - k))
        moved = max(float(np.abs(move).max()), abs(alpha - before))
        if moved < 1e-12:
            break
    # rounding alone may keep large fleets from the last digits
    require_fit("estimating equations", converged=moved < 1e-8, estimates=beta)
    shrink = alpha / (1 + (size - 1) * alpha)
    zc = sums(z)
    rows = columns * (sd * (z - n * (shrink * zc)[group]))[:, None] / (1 - alpha)
    scores = rows if apart else np.column_stack([sums(c) for c in rows.T])
    hessian = _information(columns, n, sd, shrink, weight, cluster_weight, group, clusters) / (1 - alpha)
    naive: Array = np.asarray(np.linalg.inv(hessian), dtype=float)
    meat = scores.T @ (scores * cluster_weight[:, None])
    robust = keep_spreads(np.asarray(naive @ meat @ naive, dtype=float), naive)
    return GeeFit(beta, robust, naive, alpha, int(lifters), int(weight.sum()), total, step)


def _information(
    columns: Array,
    n: Array,
    sd: Array,
    shrink: Array,
    weight: Array,
    cluster_weight: Array,
    group: npt.NDArray[np.int64],
    clusters: int,
) -> Array:
    """sum over clusters of D' R^-1 D without the factor 1/(1 - alpha)."""
    inner = columns.T @ (columns * (weight * n * sd**2)[:, None])
    summed = columns * (n * sd)[:, None]
    if clusters != n.size:
        summed = np.column_stack([np.bincount(group, c, clusters) for c in summed.T])
    return inner - summed.T @ (summed * (cluster_weight * shrink)[:, None])
