"""Rows and columns fit for a regression: what is left out, set aside or dropped, each said in words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ventbook.waiting_times.design import Column, Design, find_collinear
from ventbook.waiting_times.intervals import check_intervals
from ventbook.waiting_times.patterns import Collapsed, Floats, Ints


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
