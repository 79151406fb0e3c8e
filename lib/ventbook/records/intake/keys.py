"""Keys: the same row twice, rows that contradict each other, and rows that correct what the store holds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from ventbook.records.intake.context import Fault
from ventbook.records.intake.load import Loaded, number_keys
from ventbook.records.store import BOOKKEEPING

Mask = np.ndarray


@dataclass
class Outcome:
    """What becomes of the rows of one table: masks of equal length, and the rows to write.

    ``new``, ``corrected``, ``duplicate`` and ``quarantined`` exclude one another and cover every row but the ``superseded``
    ones (quarantined rows of an earlier intake that a row of this one replaces).
    """

    new: Mask
    corrected: Mask
    duplicate: Mask
    quarantined: Mask
    superseded: Mask

    @property
    def accepted(self) -> Mask:
        return self.new | self.corrected

    @property
    def good(self) -> Mask:
        return self.new | self.corrected | self.duplicate


def key_texts(rows: pa.Table, key: tuple[str, ...]) -> list[str]:
    """Keys as text; empty where some part is missing."""
    parts = [rows.column(name).cast(pa.string()) for name in key]
    joined = parts[0] if len(parts) == 1 else pc.binary_join_element_wise(*parts, " / ")
    return [text or "" for text in joined.to_pylist()]


def value_columns(rows: pa.Table) -> list[str]:
    return [name for name in rows.column_names if name not in BOOKKEEPING.names]


def find_repeats(loaded: Loaded, quarantined: Mask) -> tuple[Mask, Mask]:
    """(duplicate, superseded) among the rows of the intake itself; contradicting rows become faults.

    Quarantined rows of an earlier intake give way to a row of this one with the same key.
    """
    duplicate = np.zeros(loaded.count, dtype=bool)
    superseded = np.zeros(loaded.count, dtype=bool)
    if loaded.count < 2:
        return duplicate, superseded
    codes = loaded.key_codes
    if loaded.rerun.any():
        fresh = np.unique(codes[~loaded.rerun & ~quarantined])
        superseded = loaded.rerun & np.isin(codes, fresh)
    alive = ~quarantined & ~superseded
    counts = np.bincount(codes[alive], minlength=int(codes.max()) + 1)
    rows = np.flatnonzero(alive & (counts[codes] > 1))
    if not len(rows):
        return duplicate, superseded
    names = value_columns(loaded.rows)
    frame = loaded.rows.select(names).take(pa.array(rows)).to_pandas()
    groups = frame.groupby(codes[rows], sort=False)
    distinct = groups[names].nunique(dropna=False)
    differ = distinct > 1
    clash = differ.any(axis=1)
    clashing = clash.reindex(codes[rows]).to_numpy()
    first = ~pd.Series(codes[rows]).duplicated().to_numpy()
    duplicate[rows[~clashing & ~first]] = True
    if clashing.any():
        own = rows[clashing]
        words = {code: ", ".join(differ.columns[differ.loc[code]]) for code in clash.index[clash]}
        values = key_texts(loaded.rows.take(pa.array(own)), loaded.table.key)
        sizes = groups.size()
        each = [{"n": int(sizes[code]), "column": words[code]} for code in codes[own]]
        loaded.faults.append(Fault("conflicting_rows", "", own, values, {}, each))
    return duplicate, superseded


def compare_with_store(loaded: Loaded, alive: Mask, stored: pa.Table | None) -> tuple[Mask, Mask]:
    """(duplicate, corrected) among the rows ``alive``, against what the store holds; notes what was corrected.

    A column that a file doesn't have keeps its earlier value; an empty cell of a column it has doesn't.
    """
    duplicate = np.zeros(loaded.count, dtype=bool)
    corrected = np.zeros(loaded.count, dtype=bool)
    if stored is None or not stored.num_rows or not alive.any():
        return duplicate, corrected
    key = loaded.table.key
    both = pa.concat_tables([stored.select(list(key)), loaded.rows.select(list(key))])
    codes = number_keys(both, key)
    position = np.full(int(codes.max()) + 1, -1, dtype=np.int64)
    position[codes[: stored.num_rows]] = np.arange(stored.num_rows)
    match = position[codes[stored.num_rows :]]
    rows = np.flatnonzero(alive & (match >= 0))
    if not len(rows):
        return duplicate, corrected
    changed = np.zeros(len(rows), dtype=bool)
    new, old = loaded.rows.take(pa.array(rows)), stored.take(pa.array(match[rows]))
    present = [{f.column.name for f in sheet.fields if f.column} for sheet in loaded.sheets]
    for column in loaded.table.columns:
        if column.key:
            continue
        has = np.array([column.name in names for names in present])[loaded.source[rows]]
        a, b = new.column(column.stored), old.column(column.stored)
        if not has.all():
            a = pc.if_else(pa.array(has), a, b)
            _put_column(loaded, column.stored, rows, a)
        same = pc.or_(pc.fill_null(pc.equal(a, b), False), pc.and_(pc.is_null(a), pc.is_null(b)))
        other = np.flatnonzero(~np.asarray(same))
        if not len(other):
            continue
        changed[other] = True
        texts = [_show(a[int(n)].as_py()) for n in other]
        each = [{"old": _show(b[int(n)].as_py())} for n in other]
        loaded.faults.append(Fault("corrected", column.name, rows[other], texts, {}, each))
    corrected[rows[changed]] = True
    duplicate[rows[~changed]] = True
    return duplicate, corrected


def _show(value: object) -> str:
    return "empty" if value is None else str(value)


def _put_column(loaded: Loaded, name: str, rows: np.ndarray, values: pa.ChunkedArray) -> None:
    mask = np.zeros(loaded.count, dtype=bool)
    mask[rows] = True
    at = loaded.rows.schema.get_field_index(name)
    column = pc.replace_with_mask(
        loaded.rows.column(name).combine_chunks(), pa.array(mask), pa.array(values.to_pylist(), values.type)
    )
    loaded.rows = loaded.rows.set_column(at, name, column)
