"""Keys: the same row twice, rows that contradict each other, and rows that correct what the store holds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from ventbook.records.intake.context import Fault, thresholds
from ventbook.records.intake.load import Earlier, Loaded, number_keys
from ventbook.records.store import BOOKKEEPING

Mask = np.ndarray
IN_DOUBT = frozenset({"number_used_twice", "parent_in_doubt"})  # reasons of rows that may be of another job
JOB = ("engine_id", "date", "site")  # what tells a venting from another one of the same number
Job = dict[str, Any]  # engine_id, date and site of a venting


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


def plain_words(text: str | None) -> str:
    """A text to compare: small letters, single spaces."""
    return " ".join((text or "").casefold().split())


def is_elsewhere(site: str | None, other: str | None) -> bool:
    """Whether two sites are known and not the same, however they are spelt."""
    return bool(site and other) and plain_words(site) != plain_words(other)


def is_other_job(one: Job, other: Job) -> bool:
    """Whether two ventings of one number can't be the same job: another engine, site, or a date too far away."""
    days = abs((one["date"] - other["date"]).days)
    engine = one["engine_id"] != other["engine_id"]
    return engine or is_elsewhere(one["site"], other["site"]) or days > thresholds()["same_job"]["days"]


def describe_job(job: Job, where: str) -> str:
    return f"engine {job['engine_id']} at {job['site']} on {job['date']} ({where})"


def jobs_of(rows: pa.Table) -> list[Job]:
    """The job that each venting is, with its number."""
    jobs: list[Job] = rows.select(["venting_id", "engine_id", "date", "site"]).to_pylist()
    return jobs


def find_other_jobs(loaded: Loaded, rows: Mask, stored: pa.Table | None) -> list[Fault]:
    """Ventings whose number the store has for another job, but for those that a person has confirmed."""
    if stored is None or not stored.num_rows or not rows.any():
        return []
    confirmed = [
        fault.rows
        for fault in loaded.faults
        if fault.code == "correction_confirmed" and fault.column in ("venting_id", *JOB)
    ]
    rows = rows.copy()
    rows[np.concatenate([np.zeros(0, dtype=np.int64), *confirmed])] = False
    numbers = stored.column("venting_id")
    at = pc.index_in(loaded.rows.column("venting_id"), value_set=numbers.combine_chunks())
    known = np.flatnonzero(rows & np.asarray(at.is_valid()))
    if not len(known):
        return []
    place = at.take(pa.array(known))
    differs = np.zeros(len(known), dtype=bool)
    for name in JOB:
        mine, theirs = loaded.rows.column(name).take(pa.array(known)), stored.column(name).take(place)
        differs |= ~np.asarray(pc.fill_null(pc.equal(mine, theirs), False))
    known = known[differs]
    mine = jobs_of(loaded.rows.take(pa.array(known)))
    theirs = jobs_of(stored.take(place.filter(pa.array(differs))))
    pairs = [
        (row, a, b) for row, a, b in zip(known.tolist(), mine, theirs, strict=True) if is_other_job(a, b)
    ]
    if not pairs:
        return []
    values = [describe_job(a, "this row") for _, a, _ in pairs]
    each = [{"old": describe_job(b, "on record")} for _, _, b in pairs]
    return [Fault("number_used_twice", "venting_id", np.array([p[0] for p in pairs]), values, {}, each)]


def _split_jobs(loaded: Loaded, rows: Mask) -> list[Fault]:
    """Among ventings of one intake that share a number and don't agree: those that can't be one job."""
    jobs = jobs_of(loaded.rows.take(pa.array(rows)))
    lines = loaded.rows.column("_line").take(pa.array(rows)).to_pylist()
    places = [f"{loaded.sheets[loaded.source[r]].where}, line {n}" for r, n in zip(rows, lines, strict=True)]
    groups: dict[str, list[int]] = {}
    for n, job in enumerate(jobs):
        groups.setdefault(job["venting_id"], []).append(n)
    found = []
    for same in groups.values():
        for n in same:
            other = next((m for m in same if m != n and is_other_job(jobs[n], jobs[m])), None)
            if other is None:
                other = next((m for m in same if any(is_other_job(jobs[m], jobs[k]) for k in same)), None)
            if other is not None:
                found.append((n, other))
    if not found:
        return []
    values = [describe_job(jobs[n], "this row") for n, _ in found]
    each = [{"old": describe_job(jobs[m], places[m])} for _, m in found]
    which = np.array([rows[n] for n, _ in found])
    return [Fault("number_used_twice", "venting_id", which, values, {}, each)]


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
        superseded = loaded.rerun & loaded.share_key(~loaded.rerun & ~quarantined)
        if loaded.table.name == "ventings":
            superseded &= ~_hold_elsewhere(loaded, superseded, ~loaded.rerun & ~quarantined)
            quarantined = loaded.quarantined()
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
        if loaded.table.name == "ventings":
            twice = _split_jobs(loaded, own)
            loaded.faults += twice
            own = own[~np.isin(own, twice[0].rows)] if twice else own
            if not len(own):
                return duplicate, superseded
        words = {code: ", ".join(differ.columns[differ.loc[code]]) for code in clash.index[clash]}
        values = key_texts(loaded.rows.take(pa.array(own)), loaded.table.key)
        sizes = groups.size()
        each = [{"n": int(sizes[code]), "column": words[code]} for code in codes[own]]
        loaded.faults.append(Fault("conflicting_rows", "", own, values, {}, each))
    return duplicate, superseded


def _hold_elsewhere(loaded: Loaded, waiting: Mask, fresh: Mask) -> Mask:
    """Waiting ventings of another site than the rows of this intake with their number: they go on waiting."""
    names: dict[str, Job] = {}
    for job in jobs_of(loaded.rows.filter(pa.array(fresh))):
        names.setdefault(job["venting_id"], job)
    hit, words = [], []
    rows = np.flatnonzero(waiting)
    for row, job in zip(rows, jobs_of(loaded.rows.take(pa.array(rows))), strict=True):
        other = names.get(job["venting_id"])
        if other is not None and is_elsewhere(job["site"], other["site"]):
            hit.append(row)
            words.append((describe_job(job, "this row"), {"old": describe_job(other, "handed in now")}))
    found = np.zeros(loaded.count, dtype=bool)
    if hit:
        found[hit] = True
        values, each = [w[0] for w in words], [w[1] for w in words]
        loaded.faults.append(Fault("number_used_twice", "venting_id", np.array(hit), values, {}, each))
    return found


def repeat_faults(loaded: Loaded, firsts: Mask, repeats: Mask) -> None:
    """Hold the rows ``repeats``, which only say again what one of the rows ``firsts`` says that is held itself."""
    again: dict[int, list[int]] = {}
    for row in np.flatnonzero(repeats).tolist():
        again.setdefault(int(loaded.key_codes[row]), []).append(row)
    for fault in list(loaded.faults) if again else ():
        if not fault.holds:
            continue
        own = [
            (position, row)
            for position, first in enumerate(fault.rows.tolist())
            if firsts[first]
            for row in again.get(int(loaded.key_codes[first]), ())
        ]
        if own:
            said, particulars = list(fault.values), list(fault.each)
            values = [said[position] for position, _ in own] if said else ()
            each = [particulars[position] for position, _ in own] if particulars else ()
            rows = np.array([row for _, row in own], dtype=np.int64)
            loaded.faults.append(Fault(fault.code, fault.column, rows, values, fault.common, each))


def compare_with_store(loaded: Loaded, alive: Mask, earlier: Earlier) -> tuple[Mask, Mask]:
    """(duplicate, corrected) among the rows ``alive``, against what the store holds (``earlier`` reads columns of it); notes what
    was corrected.

    A column that a file doesn't have keeps its earlier value; an empty cell of a column it has doesn't.
    """
    duplicate = np.zeros(loaded.count, dtype=bool)
    corrected = np.zeros(loaded.count, dtype=bool)
    key = loaded.table.key
    first = earlier(key[:1]) if alive.any() else None
    if first is None or not first.num_rows:
        return duplicate, corrected
    mine = loaded.rows.column(key[0])
    shared = pc.indices_nonzero(pc.is_in(first.column(key[0]), value_set=mine.combine_chunks()))
    stored = earlier(key) if len(shared) else None
    if stored is None:
        return duplicate, corrected
    stored = stored.take(shared)  # of a large store next to nothing
    both = pa.concat_tables([stored, loaded.rows.select(list(key))])
    codes = number_keys(both, key)
    position = np.full(int(codes.max()) + 1, -1, dtype=np.int64)
    position[codes[: stored.num_rows]] = shared
    match = position[codes[stored.num_rows :]]
    rows = np.flatnonzero(alive & (match >= 0))
    if not len(rows):
        return duplicate, corrected
    changed = np.zeros(len(rows), dtype=bool)
    new, there = loaded.rows.take(pa.array(rows)), pa.array(match[rows])
    present = [{f.column.name for f in sheet.fields if f.column} for sheet in loaded.sheets]
    for column in loaded.table.columns:
        if column.key:
            continue
        has = np.array([column.name in names for names in present])[loaded.source[rows]]
        held = earlier([column.stored])
        assert held is not None
        a, b = new.column(column.stored), held.column(column.stored).take(there)
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
