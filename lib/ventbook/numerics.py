"""Shared numerical helpers: columns of numbers, sums by cluster, cluster-robust variances, degrees of freedom, multiple testing.

Plain arrays in, plain arrays out. Clusters are passed as integer codes ``0 .. n_clusters - 1``;
:func:`factorize` makes them from ids of any kind.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from ventbook import distributions as stats
from ventbook.results import NoFit

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

SANDWICHES = ("CR0", "CR1", "CR3")
BLANK_Z = 2.33
"""A column's blanks go with failing beyond this shuffled z: 2 in 100 do where they have nothing to do with it."""
LOOKED_AT = 50_000
"""Ventings that what is asked of all records is fitted to, of whole engines; see :func:`thin_engines`."""
CR3_CLUSTERS = 2_000
"""Above this many clusters the leverage of one cluster is too small to matter and CR1 stands in for CR3."""
NOT_SETTLED = "the fit did not settle on an answer"
NO_SPREAD = "all values agree, no spread to judge by"
NOT_APART = "columns that these data can't tell apart"
WORST_CONDITION = 1e11
"""Condition of a scaled information matrix from which on its inverse is rounding error."""
LEAST_SHARE = 1e-6
"""A variance by clusters under this share of the model's own is balance or rounding, not knowledge."""


def factorize(ids: Any) -> tuple[Ints, list[Any]]:
    """Integer codes of ``ids`` in order of appearance, and the distinct ids; a missing id gets -1.

    Text stays text: "1.10" and "1.1" are two ids.
    """
    codes, labels = pd.factorize(ids if hasattr(ids, "dtype") else pd.Series(ids), sort=False)
    return codes.astype(np.int64, copy=False), labels.tolist()


def find_places(ids: pd.Series, among: pd.Series) -> npt.NDArray[np.intp]:
    """Row of ``among`` that holds each of ``ids`` (the last of several), -1 where none does and for a missing id."""
    codes, distinct = pd.factorize(pd.concat([among, ids], ignore_index=True))
    place = np.full(len(distinct) + 1, -1)
    place[codes[: len(among)]] = np.arange(len(among))
    place[-1] = -1  # the code of a missing id
    return place[codes[len(among) :]]


def is_among(ids: pd.Series, among: pd.Series) -> npt.NDArray[np.bool_]:
    """Which of ``ids`` stand in ``among`` too; a missing id never does. For long columns of text, where ``isin`` takes ten times as long."""
    return find_places(ids, among) >= 0


def thin_engines(jobs: pd.DataFrame, *, most: int) -> pd.DataFrame:
    """Rows of every k-th engine by name, k so large that about ``most`` are left; all where there are no more.

    Fits and comparisons over all records are made from LOOKED_AT of them: a ratio of waits between two tenths of these is known to about
    2 %, one of failing shares near 10 % to about 12 %, both well inside what is worth acting on.
    """
    if len(jobs) <= most:
        return jobs
    engine, _ = pd.factorize(jobs["engine_id"], sort=True)
    return jobs[engine % -(-len(jobs) // most) == 0]


def sum_by_cluster(values: npt.ArrayLike, cluster: Ints, n_clusters: int) -> Floats:
    """Sums of ``values`` (n,) or (n, k) over rows of the same cluster: (n_clusters,) or (n_clusters, k)."""
    values = np.asarray(values, dtype=np.float64)
    if values.ndim == 1:
        return np.bincount(cluster, weights=values, minlength=n_clusters).astype(np.float64, copy=False)
    columns = [np.bincount(cluster, weights=column, minlength=n_clusters) for column in values.T]
    return np.column_stack(columns) if columns else np.zeros((n_clusters, 0))


def information_by_cluster(design: Floats, weights: Floats, cluster: Ints, n_clusters: int) -> Floats:
    """X'WX of each cluster, (n_clusters, k, k), for a design (n, k) and row weights (n,)."""
    k = design.shape[1]
    out = np.empty((n_clusters, k, k))
    weighted = design * weights[:, None]
    for i in range(k):
        for j in range(i, k):
            out[:, i, j] = np.bincount(cluster, weights=weighted[:, i] * design[:, j], minlength=n_clusters)
            out[:, j, i] = out[:, i, j]
    return out


def sandwich_variance(
    bread: Floats, scores: Floats, *, information: Floats | None = None, kind: str = "CR3"
) -> Floats:
    """Cluster-robust variance of estimates that solve sum of scores = 0.

    ``bread`` (k, k) is the inverse of the total information, ``scores`` (G, k) the score of each cluster at
    the solution, ``information`` (G, k, k) each cluster's share of the information (only CR3 needs it).
    CR0 is the plain sandwich, CR1 multiplies it by G/(G-1), CR3 first divides each cluster's score by one
    minus its leverage, ``(I - A_g B)^-1 s_g``, the one-step delete-one-cluster jackknife.
    Reference: Bell & McCaffrey 2002, Survey Methodology 28:169; Liang & Zeger 1986, Biometrika 73:13.
    """
    if kind not in SANDWICHES:
        raise ValueError(f"kind must be one of {', '.join(SANDWICHES)}; got {kind!r}")
    if kind == "CR3":
        if information is None:
            raise ValueError("information must be given for kind CR3; got None")
        scores = inflate_scores(bread, scores, information)
    meat = scores.T @ scores
    if kind == "CR1":
        meat *= len(scores) / max(len(scores) - 1, 1)
    return bread @ meat @ bread


def inflate_scores(bread: Floats, scores: Floats, information: Floats) -> Floats:
    """Cluster scores (G, k) divided by one minus their leverage.

    Leverage is capped at .95, so that a cluster that alone holds a coefficient keeps a finite value.
    """
    k = len(bread)
    held = np.trace(information @ bread, axis1=1, axis2=2)
    light = held < 0.9
    out = np.empty_like(scores)
    if light.any():
        remains = np.eye(k) - information[light] @ bread
        out[light] = np.linalg.solve(remains, scores[light][:, :, None])[:, :, 0]
    if light.all():
        return out
    # in the coordinates of the bread's root L:  s -> L^-T V diag(1/(1-h)) V' L' s
    root = np.linalg.cholesky(_nearest_positive(bread))
    leverage = np.einsum("ai,gij,jb->gab", root.T, information[~light], root, optimize=True)
    values, vectors = np.linalg.eigh(leverage)
    shrink = 1.0 / (1.0 - np.clip(values, 0.0, 0.95))
    rotated = np.einsum("gji,gj->gi", vectors, scores[~light] @ root)
    rotated = np.einsum("gij,gj->gi", vectors, rotated * shrink)
    out[~light] = np.linalg.solve(root.T, rotated.T).T
    return out


def _nearest_positive(matrix: Floats) -> Floats:
    """A symmetric matrix with eigenvalues lifted just above zero where rounding took them under it."""
    symmetric = (matrix + matrix.T) / 2
    values, vectors = np.linalg.eigh(symmetric)
    floor = values[-1] * 1e-14 if len(values) else 0.0
    if len(values) and values[0] > floor:
        return symmetric
    lifted = (vectors * np.maximum(values, max(floor, 1e-300))) @ vectors.T
    return np.asarray(lifted, dtype=np.float64)


def root_of(covariance: Floats) -> Floats:
    """The symmetric matrix whose square is ``covariance``: the one root that does not hang on how eigenvectors are signed
    and turned, which differs from processor to processor."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.clip(values, 0, None)) @ vectors.T)


def satterthwaite_df(shares: npt.ArrayLike) -> float:
    """Degrees of freedom of a variance that is a sum over clusters with expected ``shares`` (any scale).

    (sum of shares)^2 / sum of squares, less one for the estimated mean, at least 1: about G - 1 where G
    clusters weigh alike, fewer where a few clusters carry the contrast.
    Reference: Satterthwaite 1946, Biometrics Bulletin 2:110.
    """
    shares = np.asarray(shares, dtype=np.float64)
    total, squares = shares.sum(), (shares**2).sum()
    if not squares > 0:
        return 1.0
    return float(max(total * total / squares - 1.0, 1.0))


def judge_fit(
    *,
    converged: bool = True,
    estimates: npt.ArrayLike = (),
    information: npt.ArrayLike | None = None,
    spread: float | None = None,
    least_spread: float = 1e-9,
) -> str:
    """Why a fit has no answer, in words; "" where it has one. Every fit of the library is asked this.

    converged : whether the search ended at a maximum (or a root) and not at its last step.
    estimates : whatever the fit is going to publish; all of it finite.
    information : observed information (k, k) at the end; positive and, once scaled to a unit diagonal, of a condition
        under WORST_CONDITION, or its inverse says nothing.
    spread : residual spread the intervals rest on, on the scale of the fit; over ``least_spread``.
    """
    if not np.all(np.isfinite(np.asarray(estimates, dtype=np.float64))):
        return NOT_SETTLED
    if spread is not None and not least_spread < spread < np.inf:
        return NO_SPREAD
    if not converged:
        return NOT_SETTLED
    if information is None:
        return ""
    matrix = np.asarray(information, dtype=np.float64)
    diagonal = np.diag(matrix)
    if not np.all(np.isfinite(matrix)) or not np.all(diagonal > 0):
        return NOT_APART
    scale = np.sqrt(diagonal)
    values = np.linalg.eigvalsh(matrix / np.outer(scale, scale))
    return "" if values[0] * WORST_CONDITION > values[-1] else NOT_APART


def require_fit(
    what: str,
    *,
    converged: bool = True,
    estimates: npt.ArrayLike = (),
    information: npt.ArrayLike | None = None,
    spread: float | None = None,
    least_spread: float = 1e-9,
) -> None:
    """Raise NoFit (a NotEnoughData) for ``what`` where :func:`judge_fit` finds no answer."""
    reason = judge_fit(
        converged=converged,
        estimates=estimates,
        information=information,
        spread=spread,
        least_spread=least_spread,
    )
    if reason:
        raise NoFit(what, reason)


def keep_spread(robust: float, model: float) -> float:
    """A variance by clusters, or the model's own where the clusters show none.

    Clusters that are all alike by balance (every engine holds the same readings) have scores of zero, and a variance
    of nothing, while their readings do vary: then the model's variance is what is known.
    """
    return robust if robust > LEAST_SHARE * model else model


def keep_spreads(robust: Floats, model: Floats) -> Floats:
    """:func:`keep_spread` for covariance matrices (k, k): rows and columns of the model where the clusters show nothing."""
    silent = np.diag(robust) <= LEAST_SHARE * np.diag(model)
    out = robust.copy()
    out[silent] = model[silent]
    out[:, silent] = model[:, silent]
    return out


def tail_chances(count: int, chances: npt.ArrayLike) -> tuple[float, float]:
    """Probability of ``count`` or more, and of ``count`` or fewer, of independent events with these ``chances``.

    Exact (Poisson-binomial): by counting up to 2,000 events, by the discrete Fourier transform of the characteristic
    function over equal chances beyond, which is good to some 1e-12. No event at all: (1, 1) for a count of 0.
    Reference: Hong 2013, Computational Statistics & Data Analysis 59:41.
    """
    p = np.asarray(chances, dtype=np.float64)
    if np.any((p < 0) | (p > 1)):
        raise ValueError("chances must lie between 0 and 1")
    if count <= 0 or p.size == 0:
        return 1.0 if count <= 0 else 0.0, float(np.prod(1.0 - p)) if count == 0 else float(count > 0)
    if p.size <= 2_000:
        return float(stats.poisson_binom.sf(count - 1, p)), float(stats.poisson_binom.cdf(count, p))
    values, times = np.unique(p, return_counts=True)
    turn = np.exp(2j * np.pi * np.arange(p.size + 1) / (p.size + 1))
    characteristic = np.ones(p.size + 1, dtype=np.complex128)
    for v, k in zip(values, times, strict=True):
        characteristic *= (1 - v + v * turn) ** k
    mass = np.clip(np.fft.fft(characteristic).real / (p.size + 1), 0.0, 1.0)
    return float(min(mass[count:].sum(), 1.0)), float(min(mass[: count + 1].sum(), 1.0))


def shuffled_z(x: Floats, y: Floats, stratum: Ints) -> float:
    """(sum of x y less its expectation) / standard deviation where ``y`` is shuffled inside strata; 0 where nothing varies.

    For x and y of 0 and 1 this is the Mantel-Haenszel score with the hypergeometric variance of each stratum.
    Reference: Mantel 1963, J. Am. Stat. Assoc. 58:690.
    """
    n = np.maximum(np.bincount(stratum).astype(np.float64), 1.0)
    off = [v - (np.bincount(stratum, weights=v) / n)[stratum] for v in (x, y)]
    squares = [np.bincount(stratum, weights=v**2) for v in off]
    variance = float((squares[0] * squares[1] / np.maximum(n - 1, 1)).sum())
    return float(off[0] @ off[1]) / float(np.sqrt(variance)) if variance > 0 else 0.0


def adjust_bh(p: npt.ArrayLike) -> Floats:
    """Benjamini-Hochberg adjusted values q of ``p``; NaN (not tested) stays NaN and does not count as a test.

    Reference: Benjamini & Hochberg 1995, JRSS B 57:289.
    """
    p = np.asarray(p, dtype=np.float64)
    q, tested = np.full(p.shape, np.nan), ~np.isnan(p)
    if tested.any():
        q[tested] = stats.false_discovery_control(p[tested])
    return q


def read_numbers(frame: pd.DataFrame, name: str) -> Floats:
    """A column as float64 (n,), yes and no as 1 and 0, missing as NaN; all missing where the frame has none."""
    if name not in frame.columns:
        return np.full(len(frame), np.nan)
    return frame[name].to_numpy(dtype=np.float64, na_value=np.nan)
