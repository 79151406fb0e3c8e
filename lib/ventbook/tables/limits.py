"""Steps that are held against a limit, and the limits in force for a step, an engine type and a day.

Steps stand in ``data/steps.toml``, limits in ``data/limits.toml`` and a shop's own file.
"""

from __future__ import annotations

import datetime as dt
import difflib
import math
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from ventbook.places import Place, place_beside
from ventbook.shipped import DATA
from ventbook.tables import units
from ventbook.tables.engine_types import known_engine_types
from ventbook.tables.reader import OneOf, TableError, check_keys, read_rows, read_toml

KINDS = ("action", "outcome")
FACTS = ("yes", "no", "some")
STATUSES = ("placeholder", "manual")
CONDITIONS = ("check_force", "check_hold")
"""Steps whose reference says under what condition the gap limit is meant."""
NUMBERS = ("low", "high", "reference", "tolerance")
FIELDS = (
    "step",
    "engine_type",
    *NUMBERS,
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
class Step:
    """One step: its name, the limit it is held against, its title in reports.

    ``unit`` is the one in which its limits are kept, ``text`` says what the limit is about. ``kind`` "action" is what
    was done, "outcome" what the engine showed. ``before`` says that the step lies before the first lifter check,
    ``yes_no`` that the record is yes or no, kept as 1 and 0. ``fact`` is "yes", "no" or "some" (a count over 0) where
    such a record is listed for every shop, whatever its limits, under the words ``fact_title``; "" elsewhere. ``part_of``
    names the step whose record this one judges under a condition. ``left_out`` says in a sentence that a record of 0 is
    outside the limit, ``suggestion`` what is suggested where one site's records often are.
    """

    name: str
    limit: str
    unit: str
    text: str
    title: str
    kind: Annotated[str, OneOf(*KINDS)]
    before: bool
    part_of: str = ""
    yes_no: bool = False
    fact: Annotated[str, OneOf("", *FACTS)] = ""
    fact_title: str = ""
    left_out: str = ""
    suggestion: str = ""

    def __post_init__(self) -> None:
        if units.known(self.unit) is None:
            raise ValueError(f"unit {self.unit!r} is not in units.toml")
        if bool(self.fact) != bool(self.fact_title):
            raise ValueError(f"fact is one of {', '.join(FACTS)} and comes with fact_title")


def read_steps(path: Path) -> tuple[Step, ...]:
    """The steps of a file, in order; TableError naming file and row when one is wrong."""
    return read_rows(path, "step", Step, word="step", unique=True)


@cache
def load_steps() -> dict[str, Step]:
    """Steps that are held against a limit, from ``data/steps.toml``.

    Returns
    -------
    dict of str to Step
        By name, in the order of the job.

    Examples
    --------
    >>> from ventbook.tables import load_steps
    >>> load_steps()["time_to_pressure"].unit
    's'
    """
    return {step.name: step for step in read_steps(DATA / "steps.toml")}


@dataclass(frozen=True)
class EngineState:
    """In what state an engine came to the venting: a name, words, and the columns of a venting that say so."""

    name: str
    title: str
    where: Mapping[str, bool] = field(default_factory=dict)


@cache
def load_states() -> tuple[EngineState, ...]:
    """States of an engine at a venting, from ``data/steps.toml``; the first that fits is its state.

    Returns
    -------
    tuple of EngineState
        In that order; the last one fits every engine.

    Examples
    --------
    >>> from ventbook.tables import load_states
    >>> load_states()[0].title
    'cooler empty'
    """
    return read_rows(DATA / "steps.toml", "state", EngineState, word="state", unique=True)


@dataclass(frozen=True)
class Limit:
    """One row: a value is within when ``low <= value <= high`` (None: open); canonical units.

    In force from ``effective_from`` (included) to ``effective_to`` (excluded). ``reference`` is the force or the time
    for which the gap limit is meant; readings within ``tolerance`` of it count as taken at it.
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
    tolerance: float | None = None
    effective_from: dt.date = _FIRST
    effective_to: dt.date = _LAST
    where: str = ""

    def covers(self, day: dt.date) -> bool:
        return self.effective_from <= day < self.effective_to

    @property
    def judges(self) -> bool:
        """Whether a value can be within or outside: False for a row that only states a condition."""
        return self.low is not None or self.high is not None

    @property
    def taken_low(self) -> float | None:
        """From here to :attr:`taken_high` a reading counts as taken at the reference; None: open, or no reference."""
        return self._taken(self.low, -1)

    @property
    def taken_high(self) -> float | None:
        return self._taken(self.high, 1)

    def _taken(self, end: float | None, sign: int) -> float | None:
        if self.reference is None or self.judges:
            return end
        return self.reference + sign * (self.tolerance or 0.0)


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
        """Columns low, high, reference, taken_low, taken_high, status, revision, source; one row a venting.

        NaN and "" where none.
        """
        rows, place = self.find_distinct(step, engine_types, days)
        columns: dict[str, Any] = {}
        for name in ("low", "high", "reference", "taken_low", "taken_high"):
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
        pairs, place = distinct_pairs(engine_types, days)
        return [None if day is None else self.find(step, name, day) for name, day in pairs], place

    @property
    def steps(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(row.step for row in self.rows))

    def revision(self) -> str:
        """The revisions of the manuals in use, for a stamp; "placeholder" where there is none."""
        names = sorted({row.revision for row in self.rows if row.status == "manual"})
        return ", ".join(names) or "placeholder"


def distinct_pairs(
    engine_types: Any, days: Any
) -> tuple[list[tuple[str, dt.date | None]], npt.NDArray[np.intp]]:
    """Every distinct pair of engine type and day (None: no day), and which of them each row has."""
    types = pd.Series(engine_types, dtype="str").reset_index(drop=True)
    dates = pd.Series(pd.to_datetime(pd.Series(days).reset_index(drop=True))).dt.normalize()
    if len(types) != len(dates):
        raise ValueError(f"engine_types and days must be of one length; got {len(types)} and {len(dates)}")
    type_code, distinct_types = pd.factorize(types, use_na_sentinel=False)
    day_code, distinct_days = pd.factorize(dates)
    names, stamps = [str(name) for name in distinct_types], [None, *(day.date() for day in distinct_days)]
    place, distinct = pd.factorize(type_code * len(stamps) + day_code + 1)
    each = [divmod(int(code), len(stamps)) for code in distinct]
    return [(names[name], stamps[day]) for name, day in each], place


def _read_day(value: Any, *, where: str) -> dt.date:
    if isinstance(value, dt.date) and not isinstance(value, dt.datetime):
        return value
    try:
        return dt.date.fromisoformat(str(value))
    except ValueError:
        raise TableError(f"{where}: dates are written 2026-07-01; got {value!r}") from None


def read_limit(raw: dict[str, Any], *, where: str, engine_types: Collection[str] | None = ()) -> Limit:
    """One row, checked and in the step's own unit; TableError that begins with ``where`` when it is wrong.

    ``engine_types`` as for :func:`read_limits`.
    """
    check_keys(raw, where=where, allowed=FIELDS, required=("step", "engine_type", "unit", "status", "source"))
    where = f"{where} ({raw['step']}, {raw['engine_type']})"
    _check_name(raw["step"], {s.limit for s in load_steps().values()}, where, "step", "data/steps.toml")
    if engine_types is not None:
        types = known_engine_types() | set(engine_types)
        place = "the engine records and data/engine_types.toml"
        _check_name(raw["engine_type"], types, where, "engine type", place)
    if raw["status"] not in STATUSES:
        raise TableError(f"{where}: status must be one of {', '.join(STATUSES)}; got {raw['status']!r}")
    if raw["status"] == "manual" and not (raw.get("revision") and "effective_from" in raw):
        raise TableError(f"{where}: a manual's limit needs its revision and effective_from")
    if units.known(raw["unit"]) is None:
        raise TableError(f"{where}: unit {raw['unit']!r} is not in units.toml")
    numbers = {key: _read_number(raw[key], key, where) for key in NUMBERS if key in raw}
    days: dict[str, Any] = {
        key: _read_day(raw[key], where=where) for key in ("effective_from", "effective_to") if key in raw
    }
    if days.get("effective_from", _FIRST) >= days.get("effective_to", _LAST):
        raise TableError(f"{where}: effective_from is not before effective_to")
    words = {key: str(raw[key]) for key in FIELDS if key in raw and key not in numbers and key not in days}
    row = Limit(**{"low": None, "high": None, **words, **numbers, **days, "where": where})
    _check_numbers(row)
    return _in_unit(row, next(s.unit for s in load_steps().values() if s.limit == row.step))


def _check_name(name: Any, known: Collection[str], where: str, what: str, place: str) -> None:
    if name in known:
        return
    near = difflib.get_close_matches(str(name), sorted(known), n=1)
    hint = f"; did you mean {near[0]}?" if near else ""
    raise TableError(f"{where}: {what} {name!r} stands nowhere in {place}{hint}")


def _read_number(value: Any, key: str, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise TableError(f"{where}: {key} must be a number; got {value!r}")
    return float(value)


def _check_numbers(row: Limit) -> None:
    condition = row.step in CONDITIONS
    if not condition and (row.reference is not None or row.tolerance is not None):
        raise TableError(f"{row.where}: reference and tolerance belong to {' and '.join(CONDITIONS)} only")
    if condition and row.reference is None:
        raise TableError(f"{row.where}: needs reference, for which the gap limit is meant")
    if not condition and not row.judges:
        raise TableError(f"{row.where}: needs low, high or both")
    if row.low is not None and row.high is not None and row.low > row.high:
        raise TableError(f"{row.where}: low {row.low:g} is over high {row.high:g}")
    if row.tolerance is not None and row.tolerance < 0:
        raise TableError(f"{row.where}: tolerance must be 0 or more; got {row.tolerance:g}")
    if row.reference is not None:
        if row.reference <= 0:
            raise TableError(f"{row.where}: reference must be over 0; got {row.reference:g}")
        if not (
            (row.low is None or row.low <= row.reference) and (row.high is None or row.reference <= row.high)
        ):
            raise TableError(f"{row.where}: reference {row.reference:g} lies outside low to high")


def read_limits(paths: Iterable[Place], *, engine_types: Collection[str] | None = ()) -> Limits:
    """The rows of all files, checked; two rows of one step, engine type and status may not overlap in time.

    ``engine_types`` are names that may stand in a row besides those of ``data/engine_types.toml``: those of the
    engines on record. None where these are not known yet: then any name is taken.
    """
    rows: list[Limit] = []
    names = []
    for path in paths:
        names.append(path.name)
        for number, raw in enumerate(read_toml(path).get("limit", ()), 1):
            rows.append(read_limit(raw, where=f"{path.name}: row {number}", engine_types=engine_types))
    check_overlaps(rows)
    return Limits(tuple(rows), tuple(names))


def check_overlaps(rows: Iterable[Limit]) -> None:
    """TableError naming both rows where two of one step, engine type and status are in force on one day."""
    seen: list[Limit] = []
    for row in rows:
        for other in seen:
            if _collide(row, other):
                raise TableError(
                    f"{row.where} overlaps {other.where}: "
                    "end the older with effective_to = the day the newer begins"
                )
        seen.append(row)


def _collide(a: Limit, b: Limit) -> bool:
    same = (a.step, a.engine_type, a.status) == (b.step, b.engine_type, b.status)
    return same and a.effective_from < b.effective_to and b.effective_from < a.effective_to


def _in_unit(row: Limit, unit: str) -> Limit:
    """The same limit in another unit of the same dimension; TableError where it is of another one."""
    if row.unit == unit:
        return row
    try:
        low, high, reference = (
            None if v is None else float(units.convert(v, row.unit, unit))
            for v in (row.low, row.high, row.reference)
        )
        tolerance = row.tolerance
        if tolerance is not None and row.reference is not None and reference is not None:
            tolerance = float(units.convert(row.reference + tolerance, row.unit, unit)) - reference
        units.convert(0.0, row.unit, unit)
    except ValueError as error:
        raise TableError(f"{row.where}: {error}") from None
    return replace(row, low=low, high=high, reference=reference, tolerance=tolerance, unit=unit)


def load_limits(own: Place | None = None, *, engine_types: Collection[str] | None = ()) -> Limits:
    """The placeholders of ``data/limits.toml`` together with a shop's own file, where there is one.

    Parameters
    ----------
    own : Path, optional
        The shop's ``limits.toml``; it is read again when it has changed.
    engine_types : collection of str, optional
        Names that may stand in a row besides those of ``data/engine_types.toml``: those of the engines on
        record. None where these are not known yet: then any name is taken.

    Returns
    -------
    Limits
        ``frame(step, engine_types, days)`` gives the limit in force for each row of a table.

    Raises
    ------
    TableError
        With one line naming file and row.

    Examples
    --------
    >>> import pandas as pd
    >>> from ventbook.tables import load_limits
    >>> limits = load_limits()
    >>> day = pd.Series(pd.to_datetime(["2026-07-01"]))
    >>> limits.frame("lifter_gap", pd.Series(["flat4"]), day)[["high", "status"]].values.tolist()
    [[0.68, 'placeholder']]
    """
    if own is None:
        return _read_kept(None, (), frozenset())
    try:
        state = own.stat()
    except OSError:
        raise TableError(f"{own.name}: no such file in {own.parent}") from None
    types = None if engine_types is None else frozenset(engine_types)
    return _read_kept(own, (state.st_mtime_ns, state.st_size), types)


def own_limits_path(store: Place) -> Place:
    """Where a shop's own table of limits lies.

    Parameters
    ----------
    store : Path or Address
        Where the store lies.

    Returns
    -------
    Path or Address
        ``limits.toml`` in the folder that the store stands in.

    Examples
    --------
    >>> from pathlib import Path
    >>> from ventbook.tables import own_limits_path
    >>> own_limits_path(Path("data/demo/store")).relative_to(Path.cwd()).as_posix()
    'data/demo/limits.toml'
    """
    return place_beside(store, "limits.toml")


def find_own_limits(store: Place) -> Place | None:
    """A shop's own table of limits, if there is one yet.

    Parameters
    ----------
    store : Path or Address
        Where the store lies.

    Returns
    -------
    Path, Address or None

    Examples
    --------
    >>> from pathlib import Path
    >>> from ventbook.tables import find_own_limits
    >>> find_own_limits(Path("data/demo/store")).name
    'limits.toml'
    """
    beside = own_limits_path(store)
    return beside if beside.is_file() else None


@cache
def _read_kept(own: Place | None, state: tuple[int, ...], engine_types: frozenset[str] | None) -> Limits:
    return read_limits([DATA / "limits.toml", *([own] if own is not None else [])], engine_types=engine_types)
