"""Limits in force for a step, an engine type and a day, from ``data/limits.toml`` and a shop's own file."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from .. import units
from .files import DATA, TableError, check_keys, read_toml

STATUSES = ("placeholder", "manual")
_FIELDS = (
    "step",
    "engine_type",
    "low",
    "high",
    "reference",
    "unit",
    "status",
    "revision",
    "source",
    "text",
    "effective_from",
    "effective_to",
)
_FIRST, _LAST = dt.date.min, dt.date.max


@dataclass(frozen=True)
class Limit:
    """One row: a value is within when ``low <= value <= high`` (None: open); canonical units.

    In force from ``effective_from`` (included) to ``effective_to`` (excluded). ``reference`` is the nominal
    value of a condition (the force of the check), where there is one.
    """

    step: str
    engine_type: str
    low: float | None
    high: float | None
    unit: str
    status: str
    source: str
    revision: str = ""
    text: str = ""
    reference: float | None = None
    effective_from: dt.date = _FIRST
    effective_to: dt.date = _LAST
    where: str = ""

    def covers(self, day: dt.date) -> bool:
        return self.effective_from <= day < self.effective_to


@dataclass(frozen=True)
class Limits:
    """All rows of one or more limit files, ready to be asked."""

    rows: tuple[Limit, ...]
    files: tuple[str, ...] = ()

    def find(self, step: str, engine_type: str, day: dt.date) -> Limit | None:
        """The row in force: a manual's before a placeholder, an engine type's own before "*"."""
        fits = [
            row
            for row in self.rows
            if row.step == step and row.engine_type in (engine_type, "*") and row.covers(day)
        ]
        return max(fits, key=lambda r: (r.status == "manual", r.engine_type != "*"), default=None)

    def frame(self, step: str, engine_types: Any, days: Any) -> pd.DataFrame:
        """Columns low, high, reference, status, revision, source; one row a venting, NaN and "" where none."""
        rows, place = self.find_distinct(step, engine_types, days)
        columns: dict[str, Any] = {}
        for name in ("low", "high", "reference"):
            values = [getattr(row, name) if row else None for row in rows]
            columns[name] = np.array([np.nan if v is None else v for v in values], dtype=float)[place]
        for name in ("status", "revision", "source"):
            words = pd.array([getattr(row, name) if row else "" for row in rows], dtype="str")
            columns[name] = words.take(place)
        return pd.DataFrame(columns)

    def find_distinct(
        self, step: str, engine_types: Any, days: Any
    ) -> tuple[list[Limit | None], npt.NDArray[np.intp]]:
        """The limit of every distinct pair of engine type and day (None: none, or no day), and which of them each row has."""
        types = pd.Series(engine_types, dtype="str").reset_index(drop=True)
        dates = pd.Series(pd.to_datetime(pd.Series(days).reset_index(drop=True))).dt.normalize()
        if len(types) != len(dates):
            raise ValueError(
                f"engine_types and days must be of one length; got {len(types)} and {len(dates)}"
            )
        type_code, distinct_types = pd.factorize(types, use_na_sentinel=False)
        day_code, distinct_days = pd.factorize(dates)
        names, stamps = [str(name) for name in distinct_types], [day.date() for day in distinct_days]
        pair, distinct = pd.factorize(type_code * (len(stamps) + 1) + day_code + 1)
        rows = []
        for code in distinct:
            name, day = divmod(int(code), len(stamps) + 1)
            found = None if day == 0 else self.find(step, names[name], stamps[day - 1])
            rows.append(found)
        return rows, pair

    @property
    def steps(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(row.step for row in self.rows))

    def revision(self) -> str:
        """The revisions of the manuals in use, for a stamp; "placeholder" where there is none."""
        names = sorted({row.revision for row in self.rows if row.status == "manual"})
        return ", ".join(names) or "placeholder"


def _read_day(value: Any, *, where: str) -> dt.date:
    if isinstance(value, dt.date) and not isinstance(value, dt.datetime):
        return value
    try:
        return dt.date.fromisoformat(str(value))
    except ValueError:
        raise TableError(f"{where}: dates are written 2026-07-01; got {value!r}") from None


def _read_limit(raw: dict[str, Any], *, where: str) -> Limit:
    check_keys(
        raw, where=where, allowed=_FIELDS, required=("step", "engine_type", "unit", "status", "source")
    )
    where = f"{where} ({raw['step']}, {raw['engine_type']})"
    if raw["status"] not in STATUSES:
        raise TableError(f"{where}: status must be one of {', '.join(STATUSES)}; got {raw['status']!r}")
    if raw["status"] == "manual" and not (raw.get("revision") and "effective_from" in raw):
        raise TableError(f"{where}: a manual's limit needs its revision and effective_from")
    if units.known(raw["unit"]) is None:
        raise TableError(f"{where}: unit {raw['unit']!r} is not in units.toml")
    low, high = raw.get("low"), raw.get("high")
    if low is None and high is None:
        raise TableError(f"{where}: needs low, high or both")
    if low is not None and high is not None and low > high:
        raise TableError(f"{where}: low {low} is over high {high}")
    days: dict[str, Any] = {
        key: _read_day(raw[key], where=where) for key in ("effective_from", "effective_to") if key in raw
    }
    if days.get("effective_from", _FIRST) >= days.get("effective_to", _LAST):
        raise TableError(f"{where}: effective_from is not before effective_to")
    fields: dict[str, Any] = {"low": None, "high": None, **raw, **days, "where": where}
    fields |= {key: float(raw[key]) for key in ("low", "high", "reference") if key in raw}
    return Limit(**fields)


def read_limits(paths: Iterable[Path]) -> Limits:
    """The rows of all files, checked; two rows of one step, engine type and status may not overlap in time."""
    rows: list[Limit] = []
    names = []
    for path in paths:
        names.append(path.name)
        for number, raw in enumerate(read_toml(path).get("limit", ()), 1):
            row = _read_limit(raw, where=f"{path.name}: row {number}")
            first = next((r for r in rows if r.step == row.step), None)
            if first is not None and first.unit != row.unit:
                row = _in_unit(row, first.unit)
            for other in rows:
                if _collide(row, other):
                    raise TableError(
                        f"{row.where} overlaps {other.where}: "
                        "end the older with effective_to = the day the newer begins"
                    )
            rows.append(row)
    return Limits(tuple(rows), tuple(names))


def _collide(a: Limit, b: Limit) -> bool:
    same = (a.step, a.engine_type, a.status) == (b.step, b.engine_type, b.status)
    return same and a.effective_from < b.effective_to and b.effective_from < a.effective_to


def _in_unit(row: Limit, unit: str) -> Limit:
    """The same limit in the unit that the placeholders give for this step."""
    try:
        low, high, reference = (
            None if v is None else float(units.convert(v, row.unit, unit))
            for v in (row.low, row.high, row.reference)
        )
    except ValueError as error:
        raise TableError(f"{row.where}: {error}") from None
    return replace(row, low=low, high=high, reference=reference, unit=unit)


def find_own_limits(store: Path) -> Path | None:
    """A shop's own table of limits: ``limits.toml`` in the folder that its store stands in, or None."""
    beside = store.resolve().parent / "limits.toml"
    return beside if beside.is_file() else None


@cache
def limits(own: Path | None = None) -> Limits:
    """The placeholders of ``data/limits.toml`` together with a shop's ``own`` file, where there is one."""
    return read_limits([DATA / "limits.toml", *([own] if own is not None else [])])


def limit(step: str, engine_type: str, on_date: dt.date, *, among: Limits | None = None) -> Limit | None:
    """The limit in force for a step on a day, or None where there is neither a manual's nor a placeholder."""
    return (limits() if among is None else among).find(step, engine_type, on_date)
