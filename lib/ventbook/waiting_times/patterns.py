"""Identical rows counted once: exact, and measured first where it might not pay."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

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
