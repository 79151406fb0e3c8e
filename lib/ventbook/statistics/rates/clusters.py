"""Lifters that share an engine: sums by engine, intra-engine correlation, design effect, effective number.

References
----------
[1] A. Donner, N. Klar, Design and Analysis of Cluster Randomization Trials (2000): ANOVA correlation of a
    binary outcome, design effect.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from ventbook.numerics import Floats
from ventbook.results import NotEnoughData


def check_counts(failures: Any, lifters: Any) -> tuple[Floats, Floats, npt.NDArray[np.bool_]]:
    """Failures and lifters as floats with the rows that can be used; a bad value is a ValueError.

    A row counts where both are recorded and at least one lifter was checked.
    """
    x = pd.to_numeric(pd.Series(failures), errors="raise").to_numpy(dtype=float, na_value=np.nan)
    n = pd.to_numeric(pd.Series(lifters), errors="raise").to_numpy(dtype=float, na_value=np.nan)
    if x.shape != n.shape:
        raise ValueError(f"failures and lifters must be of one length; got {x.size} and {n.size}")
    ok = np.isfinite(x) & np.isfinite(n)
    if np.any((x[ok] < 0) | (n[ok] < 0) | (x[ok] > n[ok])):
        raise ValueError("failures must lie between 0 and lifters in every row")
    ok &= np.where(ok, n, 0) > 0
    return x, n, ok


def encode_ids(ids: Any, size: int) -> tuple[npt.NDArray[np.int64], int]:
    """Ids as codes 0..k-1 and k. A row without an id is a cluster of its own."""
    codes, labels = pd.factorize(np.asarray(ids) if not isinstance(ids, pd.Series) else ids)
    if codes.size != size:
        raise ValueError(f"cluster must have one id a row; got {codes.size} for {size} rows")
    k = len(labels)
    missing = codes < 0
    if missing.any():
        codes = codes.copy()
        codes[missing] = k + np.arange(int(missing.sum()))
        k += int(missing.sum())
    return codes.astype(np.int64), k


def sum_by_cluster(x: Floats, n: Floats, codes: npt.NDArray[np.int64], k: int) -> tuple[Floats, Floats]:
    """Failures and lifters of each of the k clusters; clusters without lifters are left out."""
    xs: Floats = np.bincount(codes, x, k).astype(float)
    ns: Floats = np.bincount(codes, n, k).astype(float)
    keep = ns > 0
    return xs[keep], ns[keep]


def intra_engine_correlation(failures: Any, lifters: Any, *, cluster: Any = None) -> float:
    """Correlation of two lifters of one engine being over the limit, by analysis of variance.

    Parameters
    ----------
    failures, lifters : array_like, shape (n,)
        Lifters over the limit and lifters checked, one row a venting (or an engine); rows with either missing
        are left out.
    cluster : array_like, shape (n,), optional
        Engine id a row; each row its own cluster where None.

    Returns
    -------
    float
        ``(MSB - MSW) / (MSB + (n0 - 1) MSW)`` with ``n0 = (N - sum n^2 / N) / (k - 1)``; may be negative.

    Raises
    ------
    NotEnoughData
        With fewer than two engines, no more lifters than engines, or no failures or only failures (the
        correlation is then undefined).
    ValueError
        Where a count is under 0 or failures are more than lifters.

    References
    ----------
    A. Donner, N. Klar, Design and Analysis of Cluster Randomization Trials (2000).

    Examples
    --------
    All or nothing in every engine is a correlation of 1:

    >>> from ventbook.statistics import rates
    >>> rates.intra_engine_correlation([8, 0, 8, 0], [8, 8, 8, 8])
    1.0
    """
    x, n, ok = check_counts(failures, lifters)
    if cluster is None:
        xs, ns = x[ok], n[ok]
    else:
        codes, k = encode_ids(cluster, x.size)
        xs, ns = sum_by_cluster(x[ok], n[ok], codes[ok], k)
    if ns.size < 2:
        raise NotEnoughData("intra-engine correlation, engines", n=ns.size, needed=2)
    if ns.sum() <= ns.size:
        raise NotEnoughData("intra-engine correlation, lifters", n=int(ns.sum()), needed=ns.size + 1)
    if not 0 < xs.sum() < ns.sum():
        raise NotEnoughData("intra-engine correlation, failing and sound lifters", n=0, needed=1)
    return float(anova_correlation(xs, ns))


def anova_correlation(xs: Floats, ns: Floats) -> float:
    """The ANOVA correlation of cluster sums; 0.0 where it is not defined."""
    k, total = ns.size, ns.sum()
    if k < 2 or total <= k:
        return 0.0
    p = xs.sum() / total
    n0 = (total - (ns**2).sum() / total) / (k - 1)
    msb = (ns * (xs / ns - p) ** 2).sum() / (k - 1)
    msw = (xs * (1 - xs / ns)).sum() / (total - k)
    bottom = msb + (n0 - 1) * msw
    return float((msb - msw) / bottom) if bottom > 0 else 0.0


def size_weighted_mean(ns: Floats) -> float:
    """Lifters an engine as a lifter sees it: sum n^2 / sum n."""
    return float((ns**2).sum() / ns.sum())


def design_effect(size: float, correlation: float) -> float:
    """How many times the variance of a share grows when lifters come in engines.

    Parameters
    ----------
    size : float
        Lifters an engine.
    correlation : float
        Intra-engine correlation (:func:`intra_engine_correlation`).

    Returns
    -------
    float
        ``1 + (size - 1) correlation``.

    References
    ----------
    A. Donner, N. Klar, Design and Analysis of Cluster Randomization Trials (2000).

    Examples
    --------
    >>> from ventbook.statistics import rates
    >>> round(rates.design_effect(8, 0.2), 3)
    2.4
    """
    return 1.0 + (size - 1.0) * correlation
