"""Interval readings (low, high]: checked, and collapsed to the distinct ones with counts.

Convention everywhere in this package: a waiting time is known to lie in (low, high]; ``low == high`` is an
exact value, ``low == 0`` left-censored, ``high == inf`` right-censored (shut down or given up at ``low``).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Readings:
    """The distinct intervals of a set of readings, their counts, and where each kept row went.

    ``keep`` masks the rows handed in (False: not recorded); ``row`` gives, for each kept row, its place in
    ``low``/``high``; ``weight`` is the total weight of each distinct interval; ``row_weight`` that of each row.
    """

    low: Floats
    high: Floats
    weight: Floats
    keep: NDArray[np.bool_]
    row: Ints
    row_weight: Floats

    @property
    def n(self) -> float:
        return float(self.weight.sum())

    @property
    def events(self) -> float:
        """Weight of the readings that ended (high is finite)."""
        return float(self.weight[np.isfinite(self.high)].sum())


def check_level(level: float) -> float:
    """Return ``level`` if it is a confidence level between 0.5 and 1 (exclusive), else raise ValueError."""
    if not 0.5 < level < 1.0:
        raise ValueError(f"level must lie between 0.5 and 1, such as 0.95; got {level!r}")
    return float(level)


def check_intervals(
    low: ArrayLike, high: ArrayLike, weights: ArrayLike | None = None
) -> tuple[Floats, Floats, Floats, NDArray[np.bool_]]:
    """The readings that are recorded, as floats, with their weights and the mask of rows kept.

    Rows where ``low`` or ``high`` is NaN (not recorded) or the weight is 0 are left out by the mask. Raises
    ValueError where lengths differ, where low > high, or where a low end or a weight is negative.
    """
    lo = np.asarray(low, dtype=np.float64)
    hi = np.asarray(high, dtype=np.float64)
    if lo.ndim != 1 or lo.shape != hi.shape:
        raise ValueError(f"low and high must be columns of one length; got shapes {lo.shape} and {hi.shape}")
    w = np.ones(lo.size) if weights is None else np.asarray(weights, dtype=np.float64)
    if w.shape != lo.shape:
        raise ValueError(f"weights must have one value a row ({lo.size}); got shape {w.shape}")
    keep = ~(np.isnan(lo) | np.isnan(hi) | np.isnan(w)) & (w != 0)
    if not keep.all():
        lo, hi, w = lo[keep], hi[keep], w[keep]
    if lo.size:
        if lo.min() < 0:
            raise ValueError(f"low must be at least 0; got {lo.min():g}")
        if w.min() < 0:
            raise ValueError(f"weights must not be negative; got {w.min():g}")
        wrong = lo > hi
        if wrong.any():
            first = int(np.flatnonzero(wrong)[0])
            raise ValueError(f"low must not be above high; got ({lo[first]:g}, {hi[first]:g}]")
    return lo, hi, w, keep


def number_values(values: Any) -> tuple[Ints, Any]:
    """Whole-number code of each value, and the sorted distinct values (hashing: cheaper than sorting rows)."""
    codes, distinct = pd.factorize(values, sort=True)
    return codes.astype(np.int64, copy=False), distinct


def number_pairs(first: Ints, n_first: int, second: Ints, n_second: int) -> tuple[Ints, Ints, Ints, int]:
    """Number the pairs of codes that occur: code of each row, the two codes of each pair, how many pairs."""
    key = first * n_second + second
    space = n_first * n_second
    if space <= max(4 * first.size, 1 << 16):
        occurs = np.bincount(key, minlength=space) > 0
        found = np.flatnonzero(occurs)
        place = np.cumsum(occurs) - 1
        code = place[key]
    else:
        code, found = number_values(key)
        found = np.asarray(found)
    return code, found // n_second, found % n_second, found.size


def collapse_readings(low: ArrayLike, high: ArrayLike, weights: ArrayLike | None = None) -> Readings:
    """Check the readings and count the distinct intervals among them (exact: nothing is rounded)."""
    lo, hi, w, keep = check_intervals(low, high, weights)
    if lo.size == 0:
        empty = np.empty(0)
        return Readings(empty, empty, empty, keep, np.empty(0, dtype=np.int64), empty)
    low_code, low_values = number_values(lo)
    high_code, high_values = number_values(hi)
    row, at_low, at_high, size = number_pairs(low_code, len(low_values), high_code, len(high_values))
    weight: Floats = np.bincount(row, weights=w, minlength=size).astype(np.float64)
    return Readings(np.asarray(low_values)[at_low], np.asarray(high_values)[at_high], weight, keep, row, w)


def number_clusters(cluster: ArrayLike | None, keep: NDArray[np.bool_]) -> tuple[Ints | None, int]:
    """Whole-number code of the cluster of each kept row, and how many clusters; (None, 0) without clusters.

    A row whose cluster is missing is a cluster of its own: nothing is known that ties it to another.
    """
    if cluster is None:
        return None, 0
    ids = pd.Series(np.asarray(cluster, dtype=object)) if not isinstance(cluster, pd.Series) else cluster
    if len(ids) != keep.size:
        raise ValueError(f"cluster must have one value a row ({keep.size}); got {len(ids)}")
    codes, distinct = pd.factorize(ids.to_numpy()[keep])
    codes = codes.astype(np.int64)
    alone = codes < 0
    if alone.any():
        codes[alone] = len(distinct) + np.arange(int(alone.sum()))
    return codes, len(distinct) + int(alone.sum())
