"""Interval readings (low, high] of waiting times: checked, and identical ones counted once.

Convention everywhere in this package: a waiting time is known to lie in (low, high]; ``low == high`` is an
exact value, ``low == 0`` left-censored, ``high == inf`` right-censored (shut down or given up at ``low``). A wait whose beginning
is itself known to one step only, such as the start of an engine in a logger's trace, has a ``step``
above 0: it began at an even chance anywhere in a stretch that wide, and ``low`` and ``high`` are counted from the earliest
moment of it. So the wait plus an even part of the step lies in (low, high], the wait itself in (low - step, high].
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from ventbook.numerics import Floats, Ints

#: Rows looked at to tell whether collapsing pays: it does where at most half of them are distinct.
SAMPLE = 4096
#: Steps a reading may sit on (per unit); the first that holds exactly for all rows is used.
STEPS_PER_UNIT = (1, 2, 4, 8, 10, 100)
#: Codes beyond this range are found by hashing instead.
MOST_STEPS = 65_000


@dataclass(frozen=True)
class Collapsed:
    """Distinct rows: their values by column and total weight; ``row`` is where each row handed in went.

    ``row`` is None where it was not asked for, or where rows were left as they are (``whole``).
    """

    columns: list[Floats]
    weight: Floats
    row: Ints | None
    whole: bool


def collapse_columns(
    columns: list[Floats], weights: Floats | None, *, want_rows: bool, always: bool = False
) -> Collapsed:
    """Count identical rows of the columns (missing equals missing).

    Unless ``always``, rows are left as they are where a sample shows more than half of them to be distinct.
    """
    n = columns[0].size
    weight = np.ones(n) if weights is None else weights
    if n == 0 or (not always and n > SAMPLE and not _pays(columns)):
        return Collapsed(columns, weight, None, True)
    coded = [number_values(column) for column in columns]
    total = float(np.prod([float(values.size) for _, values in coded]))
    if total <= max(2.0 * n, 1 << 16):
        key = coded[0][0].astype(np.int64)
        for codes, values in coded[1:]:
            key *= values.size
            key += codes
        counts = np.bincount(key, weights=weights, minlength=int(total))
        present = counts > 0 if weights is None else np.bincount(key, minlength=int(total)) > 0
        found = np.flatnonzero(present)
        row: Ints | None = None
        if want_rows:
            place = np.empty(int(total), dtype=np.int64)
            place[found] = np.arange(found.size)
            row = place[key]
        at = np.unravel_index(found, [values.size for _, values in coded])
        distinct = [values[codes] for (_, values), codes in zip(coded, at, strict=True)]
        return Collapsed(distinct, counts[found].astype(np.float64), row, False)
    row, size = coded[0][0].astype(np.int64), coded[0][1].size
    for codes, values in coded[1:]:
        row, found = pd.factorize(row * values.size + codes)
        size = len(found)
    member = np.empty(size, dtype=np.int64)
    member[row] = np.arange(n)
    total_weight = np.bincount(row, weights=weights, minlength=size).astype(np.float64)
    return Collapsed([column[member] for column in columns], total_weight, row if want_rows else None, False)


def _pays(columns: list[Floats]) -> bool:
    n = columns[0].size
    at = np.arange(0, n, n // SAMPLE)[:SAMPLE]
    sample = pd.DataFrame({j: column[at] for j, column in enumerate(columns)})
    return bool(sample.duplicated().mean() >= 0.5)


def number_values(values: Floats) -> tuple[NDArray[np.int32] | Ints, Floats]:
    """A code for each value, and the value of each code (some codes may not occur).

    Two rows share a code exactly where their values are equal. Values on a regular step, such as stopwatch readings,
    counts and 0/1 columns, are coded by arithmetic (a tenth of the time of hashing); inf and missing allowed.
    """
    head = values[: min(values.size, 512)]
    head = head[np.isfinite(head)]
    if head.size:
        for per_unit in STEPS_PER_UNIT:
            if np.array_equal(np.rint(head * per_unit) / per_unit, head):
                coded = _number_steps(values, per_unit)
                if coded is not None:
                    return coded
                break
    codes, distinct = pd.factorize(values, use_na_sentinel=False)
    return codes, np.asarray(distinct, dtype=np.float64)


def _number_steps(values: Floats, per_unit: int) -> tuple[NDArray[np.int32], Floats] | None:
    codes = np.empty(values.size, dtype=np.int32)
    same = np.empty(values.size, dtype=bool)
    exact = per_unit in (1, 2, 4, 8)
    with np.errstate(invalid="ignore"):
        # a stretch at a time: the work arrays stay in the processor's cache
        for begin in range(0, values.size, 32_768):
            part = values[begin : begin + 32_768]
            scaled = part * per_unit
            whole = scaled.astype(np.int32) if exact else np.rint(scaled).astype(np.int32)
            codes[begin : begin + whole.size] = whole
            same[begin : begin + whole.size] = (whole == scaled) if exact else (whole / per_unit == part)
    others: list[float] = []
    if not same.all():
        odd = ~same
        if np.isinf(values[odd]).all() and (values[odd] > 0).all():
            others = [np.inf]
        elif np.isnan(values[odd]).all():
            others = [np.nan]
        else:
            return None
        codes[odd] = codes[same][0] if same.any() else 0
    smallest, largest = int(codes.min()), int(codes.max())
    if largest - smallest > MOST_STEPS:
        return None
    codes -= smallest
    steps = np.arange(smallest, largest + 1) / per_unit
    if others:
        codes[~same] = steps.size
        steps = np.append(steps, others)
    return codes, steps


@dataclass(frozen=True)
class Readings:
    """The distinct intervals of a set of readings, their counts, and where each kept row went.

    ``keep`` masks the rows handed in (False: not recorded); ``row`` gives, for each kept row, its place in
    ``low``/``high``; ``weight`` is the total weight of each distinct interval; ``row_weight`` that of each row;
    ``step`` is how uncertain the beginning is (0: known).
    """

    low: Floats
    high: Floats
    weight: Floats
    keep: NDArray[np.bool_]
    row: Ints
    row_weight: Floats
    step: Floats

    @property
    def least(self) -> Floats:
        """The shortest wait that each distinct reading allows."""
        return np.maximum(self.low - self.step, 0.0)

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


def check_steps(step: ArrayLike | None, low: Floats, high: Floats) -> Floats | None:
    """The steps as floats, missing ones 0; None where no reading has one.

    Raises ValueError where lengths differ, a step is negative or infinite, or a reading ends within its step.
    """
    if step is None:
        return None
    s = np.nan_to_num(np.asarray(step, dtype=np.float64), nan=0.0, posinf=np.inf)
    if s.shape != low.shape:
        raise ValueError(f"step must have one value a reading ({low.size}); got shape {s.shape}")
    if not s.any():
        return None
    if s.min() < 0 or not np.isfinite(s).all():
        raise ValueError("step must be a finite number of at least 0")
    short = high < s * (1 - 1e-9)
    if short.any():
        first = int(np.flatnonzero(short)[0])
        raise ValueError(f"a reading must not end within its step; got {high[first]:g} and {s[first]:g}")
    return s


def collapse_readings(
    low: ArrayLike,
    high: ArrayLike,
    weights: ArrayLike | None = None,
    *,
    step: ArrayLike | None = None,
    want_rows: bool = True,
) -> Readings:
    """Check the readings and count the distinct ones among them (exact: nothing is rounded).

    ``step``: see the module's text. ``want_rows=False`` leaves ``row`` and ``row_weight`` empty (only sums by cluster
    need them).
    """
    lo = np.asarray(low, dtype=np.float64)
    hi = np.asarray(high, dtype=np.float64)
    if lo.ndim != 1 or lo.shape != hi.shape:
        raise ValueError(f"low and high must be columns of one length; got shapes {lo.shape} and {hi.shape}")
    w = None if weights is None else np.asarray(weights, dtype=np.float64)
    if w is not None and w.shape != lo.shape:
        raise ValueError(f"weights must have one value a row ({lo.size}); got shape {w.shape}")
    if w is not None and w.size and not (w >= 0).all():
        check_intervals(lo, hi, w)
        kept = ~np.isnan(w)
        lo, hi, w = np.where(kept, lo, np.nan), hi, np.where(kept, w, 0.0)
    steps = check_steps(step, lo, hi)
    columns = [lo, hi] if steps is None else [lo, hi, steps]
    found = collapse_columns(columns, w, want_rows=want_rows, always=True)
    distinct_low, distinct_high, weight, kept = check_intervals(
        found.columns[0], found.columns[1], found.weight
    )
    distinct_step = np.zeros(weight.size) if steps is None else found.columns[2][kept]
    none = np.empty(0, dtype=np.int64)
    if not want_rows or found.row is None:
        keep = np.ones(lo.size, dtype=bool) if want_rows else np.empty(0, dtype=bool)
        return Readings(distinct_low, distinct_high, weight, keep, none, np.empty(0), distinct_step)
    keep = kept[found.row]
    place = np.cumsum(kept) - 1
    row = place[found.row[keep]]
    row_weight = np.ones(row.size) if w is None else w[keep]
    return Readings(distinct_low, distinct_high, weight, keep, row, row_weight, distinct_step)


def number_clusters(cluster: ArrayLike | None, keep: NDArray[np.bool_]) -> tuple[Ints | None, int]:
    """Whole-number code of the cluster of each kept row, and how many clusters; (None, 0) without clusters.

    A row whose cluster is missing is a cluster of its own: nothing is known that ties it to another.
    """
    if cluster is None:
        return None, 0
    ids = cluster.to_numpy() if isinstance(cluster, pd.Series) else np.asarray(cluster)
    if ids.dtype.kind not in "iuf":
        ids = np.asarray(cluster, dtype=object)  # text stays text: "1.10" is not "1.1"
    if len(ids) != keep.size:
        raise ValueError(f"cluster must have one value a row ({keep.size}); got {len(ids)}")
    codes, distinct = pd.factorize(ids if keep.all() else ids[keep])
    codes = codes.astype(np.int64)
    alone = codes < 0
    if alone.any():
        codes[alone] = len(distinct) + np.arange(int(alone.sum()))
    return codes, len(distinct) + int(alone.sum())
