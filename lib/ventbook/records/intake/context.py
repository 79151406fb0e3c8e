"""What rules of an intake work on: engines and ventings that rows refer to, good rows by site, and the faults found.

Engines and ventings are those of the store and of the intake together. Faults are collected by rule and turned into issues with
sentences at the end.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, cached_property
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from ventbook import tables
from ventbook.places import Place
from ventbook.tables import Limits

IN_STORE = -1  # stands for the place of a row that is the store's and not this intake's
Frames = Callable[[str], tuple[pd.DataFrame, np.ndarray]]
VALUE_LENGTH = 200
MOST_NOTES = 200  # of one rule in one intake, row by row
OURS = frozenset({"column", "unit", "table", "suspects"})  # words of a sentence that come from no cell
CHANGES = frozenset({"corrected", "released", "correction_applied", "correction_confirmed"})
MEASURED = (
    "oil_temperature_degC",
    "ambient_temperature_degC",
    "tank_overpressure_bar",
    "pressurised_before_turning_s",
    "turning_speed_rpm",
    "rotations",
    "rotations_after_pressure",
    "pressure_at_stop_bar",
    "rest_before_start_h",
    "tank_head_m",
)


@dataclass
class Context:
    """What the rows of an intake refer to: store and intake together, the intake's rows winning; made when asked for.

    ``merge`` gives for a table its rows and for each its row in this intake, ``IN_STORE`` for the store's; ``find_held`` the
    keys of parent rows that are quarantined; ``earlier`` the store's own rows of a table, or some columns of them.
    ``limits_file`` is the shop's own table of limits beside the store; ``find_doubtful`` gives the numbers that stand for more than one venting.
    """

    merge: Frames
    find_held: Callable[[], dict[str, set[str]]]
    earlier: Callable[..., pa.Table | None]
    today: pd.Timestamp
    limits_file: Place | None = None
    find_doubtful: Callable[[], set[str]] = set

    @cached_property
    def engines(self) -> pd.DataFrame:
        """Engines, indexed by engine_id."""
        frame, _ = self.merge("engines")
        return frame.set_axis(pd.Index(frame["engine_id"].astype(object)))

    @cached_property
    def limits(self) -> Limits:
        """The limits in force: the shop's own and the placeholders."""
        return tables.load_limits(
            self.limits_file, engine_types=self.engines["engine_type"].dropna().unique().tolist()
        )

    @cached_property
    def venting_rows(self) -> tuple[pd.DataFrame, np.ndarray]:
        """Ventings, and the row of each in this intake, ``IN_STORE`` for the store's."""
        return self.merge("ventings")

    @cached_property
    def ventings(self) -> pd.DataFrame:
        """Ventings (engine_id, date, site, pressure_threshold_bar), indexed by venting_id."""
        frame, _ = self.venting_rows
        return frame.set_axis(pd.Index(frame["venting_id"].astype(object)))

    @cached_property
    def quarantined(self) -> dict[str, set[str]]:
        """Keys of parent rows that are quarantined, by table."""
        return self.find_held()

    @cached_property
    def doubtful(self) -> set[str]:
        """Numbers of ventings that a quarantined row claims for another job: what refers to them may mean either."""
        return self.find_doubtful()

    def of_venting(self, ids: pa.ChunkedArray, column: str) -> pd.Series:
        """A column of ventings for each id, missing where there is none."""
        at = self.ventings.index.get_indexer(index_of(ids))
        return take_at(self.ventings[column], at)

    def of_engine(self, ids: pd.Series, column: str) -> pd.Series:
        """A column of engines for each id, missing where there is none."""
        at = self.engines.index.get_indexer(pd.Index(ids.astype(object)))
        return take_at(self.engines[column], at)


def at_own(mask: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """``mask`` of the intake's rows at the places ``rows``; False where a place is ``IN_STORE``."""
    found = np.zeros(len(rows), dtype=bool)
    own = rows != IN_STORE
    found[own] = mask[rows[own]]
    return found


def index_of(ids: pa.ChunkedArray) -> pd.Index:
    return pd.Index(ids.to_pandas().astype(object))


def take_at(column: pd.Series, at: np.ndarray) -> pd.Series:
    found = column.iloc[np.where(at < 0, 0, at)] if len(column) else column.reindex(range(len(at)))
    return found.reset_index(drop=True).where(pd.Series(at >= 0))


@dataclass
class Fault:
    """One rule's finding: reason code, column, positions of the rows in their table, their values as text, and
    what else the sentence needs (``common`` for all rows, ``each`` row by row).
    """

    code: str
    column: str
    rows: np.ndarray
    values: Sequence[str] = ()
    common: dict[str, Any] = field(default_factory=dict)
    each: Sequence[dict[str, Any]] = ()
    once: bool = False  # one issue for all rows together
    _said: dict[Any, tuple[str, str, str]] = field(default_factory=dict, init=False, repr=False)

    def __post_init__(self) -> None:
        if len(self.rows) and self.rows.min() < 0:
            raise ValueError(f"{self.code}: a fault speaks of rows of this intake only")

    @property
    def holds(self) -> bool:
        return tables.issue_text(self.code).severity == "set_aside"

    def moved(self, offset: int) -> Fault:
        """The same with row positions counted from ``offset``."""
        return Fault(
            self.code, self.column, self.rows + offset, self.values, self.common, self.each, self.once
        )

    def text(self, position: int, clean: Callable[[str], str] = lambda text: text) -> tuple[str, str, str]:
        """(value, what, do) of the fault's row number ``position`` (not the row's position in the table); ``clean``
        is applied to what came from the row before it goes into the sentence.
        """
        value = self.values[position] if len(self.values) else str(self.common.get("value", ""))
        if self.each:
            return self._say(value, position, clean)
        known = self._said.get((value, clean))
        if known is None:
            known = self._said[(value, clean)] = self._say(value, position, clean)
        return known

    def _say(self, value: str, position: int, clean: Callable[[str], str]) -> tuple[str, str, str]:
        value = clean(value)
        words = {"value": shorten(value), "column": self.column, "unit": "", **self.common}
        if self.each:
            words |= self.each[position]
        said = {name: text for name, text in words.items() if name not in OURS and isinstance(text, str)}
        words |= {name: clean(text) for name, text in said.items()}
        if len(self.values):
            words["value"] = shorten(value)
        wording = tables.issue_text(self.code)
        what = wording.what.format(**words)
        if self.once and len(self.values) > 1:
            what += f" (and {len(self.rows) - 1} more rows like it)"
        return shorten(value), what, wording.do.format(**words)


def shorten(text: str, length: int = VALUE_LENGTH) -> str:
    """Text cut to a length that fits a line, with a mark where it was cut."""
    text = str(text)
    return text if len(text) <= length else text[: length - 1] + "…"


def merge_notes(faults: Iterable[Fault]) -> list[Fault]:
    """The same faults, where a note that speaks for very many rows becomes one issue for all of them.

    What tells of a change to a value always stays row by row.
    """
    return [
        replace(fault, once=True)
        if not fault.once and len(fault.rows) > MOST_NOTES and not fault.holds and fault.code not in CHANGES
        else fault
        for fault in faults
    ]


def mark_held(count: int, faults: Iterable[Fault]) -> np.ndarray:
    """True for the rows that some fault sets aside."""
    quarantined = np.zeros(count, dtype=bool)
    for fault in faults:
        if fault.holds:
            quarantined[fault.rows] = True
    return quarantined


@cache
def thresholds() -> dict[str, Any]:
    """The thresholds of ``data/checks.toml``."""
    return tables.read_toml(tables.DATA / "checks.toml")


def note_site(code: str, column: str, row: int, **words: object) -> Fault:
    """A note on many rows of a site, told once at the first of them, ``row``."""
    return Fault(code, column, np.array([row], dtype=np.int64), (), dict(words), once=True)


Pattern = Callable[[Any, Any], list[Fault]]  # (SiteRows of one table, Context)


@dataclass(frozen=True, eq=False)
class SiteRows:
    """``frame`` has the columns that patterns look at, among them site (categorical, never missing) and row (position
    in the intake's table, rising). Whatever several patterns need is worked out once.
    """

    frame: pd.DataFrame
    _numbers: dict[str, np.ndarray] = field(default_factory=dict)

    def numbers(self, name: str) -> np.ndarray:
        """A column as floats, NaN where not recorded."""
        if name not in self._numbers:
            self._numbers[name] = self.frame[name].to_numpy(dtype=float, na_value=np.nan)
        return self._numbers[name]

    @cached_property
    def row(self) -> np.ndarray:
        return self.frame["row"].to_numpy()

    @property
    def site_names(self) -> list[str]:
        """Sites in the order of their names."""
        return [str(name) for name in self.frame["site"].cat.categories]

    @cached_property
    def site(self) -> np.ndarray:
        """For each row the position of its site in ``site_names``."""
        return self.frame["site"].cat.codes.to_numpy().astype(np.int64)

    @cached_property
    def by_site(self) -> list[tuple[str, np.ndarray]]:
        """(site, its positions in ``frame``, rising)."""
        order = np.argsort(self.frame["site"].cat.codes.to_numpy(), kind="stable")
        ends = np.cumsum(np.bincount(self.site, minlength=len(self.site_names)))
        return list(zip(self.site_names, np.split(order, ends[:-1]), strict=True))

    @cached_property
    def day(self) -> np.ndarray:
        """The date as days since 1970."""
        return self.frame["date"].to_numpy().astype("datetime64[D]").astype(np.int64)

    @cached_property
    def by_month(self) -> tuple[np.ndarray, np.ndarray]:
        """(order, starts): ``order`` puts the rows of one site and month together, groups begin at ``starts``."""
        month = self.frame["date"].to_numpy().astype("datetime64[M]").astype(np.int64)
        return group_rows(self.site, month)

    @cached_property
    def measured(self) -> tuple[np.ndarray, np.ndarray]:
        """Positions with enough measured columns filled in, and one number a position for what they say together."""
        columns = [self.numbers(name) for name in MEASURED]
        known = np.zeros(len(self.frame), dtype=np.int8)
        for values in columns:
            known += ~np.isnan(values)
        filled = np.flatnonzero(known >= thresholds()["copies"]["min_columns"])
        mixed = np.zeros(len(filled), dtype=np.uint64)
        for n, values in enumerate(columns, 1):
            own = values if len(filled) == len(values) else values[filled]
            bits = np.where(np.isnan(own), -99999.0, own + 0.0).view(np.uint64)
            mixed += bits * np.uint64(0x9E3779B97F4A7C15 * (2 * n + 1) % 2**64)
        return filled, scatter_bits(mixed)


def scatter_bits(numbers: np.ndarray) -> np.ndarray:
    """Unsigned whole numbers each to another, near ones far apart, so that sums of them tell sets apart.

    The mixing function of D. Stafford, "Better bit mixing", variant 13, as in Steele, Lea and Flood, "Fast splittable
    pseudorandom number generators", 2014 (constants from memory).
    """
    mixed = (numbers ^ (numbers >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    mixed = (mixed ^ (mixed >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    found: np.ndarray = mixed ^ (mixed >> np.uint64(31))
    return found


def group_rows(first: np.ndarray, second: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(order, starts) by two columns of whole numbers, at least one row: ``order`` puts equal pairs together, in the
    order of the pairs and of the rows; groups begin at ``starts``.
    """
    n, low = len(first), int(second.min())
    span = int(second.max()) - low + 1
    group = (first - first.min()) * span + second - low
    if int(group.max()) < 2**16:
        order = np.argsort(group.astype(np.uint16), kind="stable")  # which sorts by counting
    elif int(group.max()) * n < 2**62:
        order = (
            np.sort(group * n + np.arange(n)) % n
        )  # plain numbers sort several times faster than their places
    else:
        order = np.argsort(group, kind="stable")
    ordered = group[order]
    return order, np.concatenate([[0], np.flatnonzero(ordered[1:] != ordered[:-1]) + 1])
