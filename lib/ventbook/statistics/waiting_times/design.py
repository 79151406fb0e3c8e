"""The table that a regression of times is fitted to, from covariates.

Levels against a reference; rows and columns that are left out, set aside or dropped, each with why in words.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from ventbook.numerics import Floats, Ints
from ventbook.statistics.waiting_times.intervals import (
    Collapsed,
    check_intervals,
)

NOT_RECORDED = "not recorded"


@dataclass(frozen=True)
class Column:
    """One column of a design: ``factor`` = ``level`` against ``reference``, or a number (level and reference
    empty)."""

    factor: str
    level: str
    reference: str

    @property
    def name(self) -> str:
        return f"{self.factor} = {self.level}" if self.level else self.factor


@dataclass(frozen=True)
class Design:
    """Matrix without intercept (NaN where a number is missing), a Column for each of its columns, and notes."""

    matrix: Floats
    columns: tuple[Column, ...]
    notes: tuple[str, ...] = ()
    references: dict[str, str] = field(default_factory=dict)
    levels: dict[str, tuple[str, ...]] = field(default_factory=dict)


def is_number_column(values: pd.Series) -> bool:
    """True for measured or counted quantities, False for text, codes and yes/no."""
    return pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values)


def name_levels(values: pd.Series) -> pd.Series:
    """Text of each level; yes/no for truth values; missing is the level "not recorded"."""
    if pd.api.types.is_bool_dtype(values):
        named = values.astype("boolean").map({True: "yes", False: "no"})
    else:
        named = values
    return named.astype(object).where(values.notna(), NOT_RECORDED).astype(str)


def build_design(covariates: Any, *, references: Mapping[str, str] | None = None) -> Design:
    """Turn covariates into columns of numbers for :func:`fit_aft`.

    Parameters
    ----------
    covariates : DataFrame or array_like
        A numeric array: each column as it is, named x1, x2, ... A frame: number columns as they are (a row
        without the number can't be used); text, code and yes/no columns one column of 0 and 1 for each level
        but the reference.
    references : mapping of str to str, optional
        Reference level by column; where it isn't given or doesn't occur, the most frequent recorded level.

    Returns
    -------
    Design
        Matrix without intercept, what each column is, references, levels, and notes.

    Raises
    ------
    ValueError
        For an array of more than two axes, or a reference of no covariate.

    Notes
    -----
    Missing is a level of its own, "not recorded". Columns keep their order; levels are sorted.

    Examples
    --------
    >>> import pandas as pd
    >>> from ventbook.statistics import waiting_times
    >>> frame = pd.DataFrame({"cooler_empty": pd.array([True, False, None], dtype="boolean"), "head_m": [0.1, 0.2, 0.3]})
    >>> design = waiting_times.build_design(frame, references={"cooler_empty": "no"})
    >>> [column.name for column in design.columns]
    ['cooler_empty = not recorded', 'cooler_empty = yes', 'head_m']
    """
    if not isinstance(covariates, pd.DataFrame):
        matrix = np.asarray(covariates, dtype=np.float64)
        if matrix.ndim == 1:
            matrix = matrix[:, None]
        if matrix.ndim != 2:
            raise ValueError(f"covariates must be a frame or a two-dimensional array; got {matrix.ndim} axes")
        columns = tuple(Column(f"x{j + 1}", "", "") for j in range(matrix.shape[1]))
        return Design(matrix, columns)
    references = dict(references or {})
    unknown = sorted(set(references) - set(covariates.columns))
    if unknown:
        raise ValueError(f"references names no covariate: {', '.join(unknown)}")
    parts: list[Floats] = []
    columns_list: list[Column] = []
    used: dict[str, str] = {}
    all_levels: dict[str, tuple[str, ...]] = {}
    for factor in covariates.columns:
        values = covariates[factor]
        if is_number_column(values):
            parts.append(values.to_numpy(dtype=np.float64, na_value=np.nan))
            columns_list.append(Column(str(factor), "", ""))
            continue
        named = name_levels(values)
        counts = named.value_counts()
        levels = tuple(sorted(counts.index))
        recorded = counts.drop(NOT_RECORDED, errors="ignore")
        wanted = references.get(str(factor))
        if wanted in counts.index:
            reference = str(wanted)
        elif len(recorded):
            most = recorded[recorded == recorded.max()].index
            reference = str(sorted(most)[0])
        else:
            reference = NOT_RECORDED
        used[str(factor)], all_levels[str(factor)] = reference, levels
        for level in levels:
            if level != reference:
                parts.append((named == level).to_numpy(dtype=np.float64))
                columns_list.append(Column(str(factor), level, reference))
    matrix = np.column_stack(parts) if parts else np.empty((len(covariates), 0))
    columns = tuple(columns_list)
    constant = [f for f, lv in all_levels.items() if len(lv) == 1]
    notes = tuple(f"{f} has one level only ({all_levels[f][0]}) and was left out" for f in constant)
    return Design(matrix, columns, notes, used, all_levels)


def find_collinear(
    matrix: Floats, weight: Floats, columns: tuple[Column, ...]
) -> tuple[list[int], list[str]]:
    """Columns to keep and sentences about the others.

    Rule: columns are taken in the order given; one that the intercept and the columns kept before it already
    determine (less than 1e-9 of its weighted variance is left) is dropped, and the sentence names them.
    """
    size = len(columns)
    if size == 0 or matrix.shape[0] == 0:
        return [], []
    total = weight.sum()
    centred = matrix - (weight @ matrix) / total
    gram = centred.T @ (centred * weight[:, None])
    floor = 1e-18 * (weight @ matrix**2) + 1e-300
    kept: list[int] = []
    sentences: list[str] = []
    for j in range(size):
        spread = gram[j, j]
        if spread <= floor[j] * 1e6:
            sentences.append(f"{columns[j].name} is the same on every row used and was left out")
            continue
        if kept:
            inner = gram[np.ix_(kept, kept)]
            load = np.linalg.solve(inner, gram[kept, j])
            if spread - load @ gram[kept, j] < 1e-9 * spread:
                share = np.abs(load) * np.sqrt(np.diag(inner) / spread)
                others = [columns[k].name for k, s in zip(kept, share, strict=True) if s > 1e-6]
                sentences.append(
                    f"{columns[j].name} always went with {' and '.join(others)}: these data can't tell them "
                    f"apart, so {columns[j].name} was left out"
                )
                continue
        kept.append(j)
    return kept, sentences


@dataclass(frozen=True)
class Table:
    """Distinct rows fit for the regression; ``place`` is where each distinct row handed in went (-1: left out)."""

    low: Floats
    high: Floats
    step: Floats
    weight: Floats
    design: Floats
    columns: tuple[Column, ...]
    place: Ints
    notes: list[str]


def clean_table(collapsed: Collapsed, design: Design) -> Table:
    """Leave out what can't be used, set aside what has no finite ratio, drop what others determine; say so."""
    notes = list(design.notes)
    low, high, step, *values = collapsed.columns
    low, high, weight, keep = check_intervals(low, high, collapsed.weight)
    matrix = np.column_stack(values) if values else np.empty((keep.size, 0))
    if not keep.all():
        step, matrix = step[keep], matrix[keep]
    place = np.where(keep, 0, -1)
    missing = np.isnan(matrix).any(axis=1)
    at_zero = high <= 0
    for what, where in (
        ("without a number that the regression uses: left out", missing),
        ("of exactly 0: left out, log time has no place for them", at_zero & ~missing),
    ):
        if where.any():
            notes.append(f"{count_rows(weight[where])} {what}")
    out = missing | at_zero
    if out.any():
        low, high, weight, matrix, step = low[~out], high[~out], weight[~out], matrix[~out], step[~out]
        place[np.flatnonzero(place == 0)[out]] = -1
    aside, columns_kept, found = set_rows_aside(np.maximum(low - step, 0.0), high, weight, matrix, design)
    notes += found
    if aside.any():
        low, high, weight, matrix = low[~aside], high[~aside], weight[~aside], matrix[~aside]
        step = step[~aside]
        place[np.flatnonzero(place == 0)[aside]] = -1
    columns = tuple(design.columns[j] for j in columns_kept)
    if len(columns_kept) < matrix.shape[1]:
        matrix = matrix[:, columns_kept]
    independent, found = find_collinear(matrix, weight, columns)
    notes += found
    if len(independent) < matrix.shape[1]:
        matrix = matrix[:, independent]
    place[place == 0] = np.arange(low.size)
    return Table(low, high, step, weight, matrix, tuple(columns[j] for j in independent), place, notes)


def count_rows(weight: Floats) -> str:
    """ "1 row", "12 rows"."""
    n = round(float(weight.sum()))
    return f"{n} row" if n == 1 else f"{n} rows"


def set_rows_aside(
    low: Floats, high: Floats, weight: Floats, matrix: Floats, design: Design
) -> tuple[np.ndarray, list[int], list[str]]:
    """Rows of levels without a finite ratio, the columns left, and sentences.

    A 0/1 column whose 1-rows (or 0-rows) never ended, or all ended before they were first read, drives its
    ratio to infinity or zero, where those rows say nothing about the others: leaving them out gives the
    same fit for the rest.
    """
    aside = np.zeros(low.size, dtype=bool)
    columns = list(range(matrix.shape[1]))
    sentences: list[str] = []
    if low.size == 0 or not columns:
        return aside, columns, sentences
    open_high, open_low = np.isinf(high), low <= 0
    # without open ends there is nothing to look for
    if not (open_high.any() or open_low.any()):
        return aside, columns, sentences
    is_level = [bool(design.columns[j].level) or is_zero_or_one(matrix[:, j]) for j in columns]
    changed = True
    while changed:
        changed = False
        for j in list(columns):
            if not is_level[j]:
                continue
            on = matrix[:, j] != 0
            for side, where in ((on, "="), (~on, "other than")):
                rows = side & ~aside
                if not rows.any() or (rows | aside).all():
                    continue
                level = design.columns[j].level or "1"
                name = f"{design.columns[j].factor} {where} {level}"
                if open_high[rows].all():
                    what = "none ended, so no ratio can be given"
                elif open_low[rows].all():
                    what = "all ended before they were first read, so no ratio can be given"
                else:
                    continue
                sentences.append(f"{name}: {what}; {count_rows(weight[rows])} set aside")
                aside |= rows
                if j in columns:
                    columns.remove(j)
                changed = True
                break
    return aside, columns, sentences


def is_zero_or_one(values: Floats) -> bool:
    """Whether a column holds nothing but 0 and 1."""
    return bool(((values == 0.0) | (values == 1.0)).all())
