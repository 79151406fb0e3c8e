"""Covariates as a numeric design: levels against a reference, what was left out, and why in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from ventbook.waiting_times.intervals import Floats

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
    """Turn covariates into columns of numbers.

    A numeric array: each column as it is, named x1, x2, ... A DataFrame: number columns as they are (a row
    without the number can't be used); text, code and yes/no columns one column of 0 and 1 for each
    level but the reference, which is ``references[column]`` if it occurs, else the most frequent recorded
    level; missing is a level of its own, "not recorded". Columns keep their order; levels are sorted.
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
