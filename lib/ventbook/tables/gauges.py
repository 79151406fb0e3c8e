"""The register of gauges: what each gauge's readings are worth on a day, from a shop's own ``gauges.toml``.

Sign: bias = reading less truth (a gauge that reads high has a bias over 0), corrected = reading less bias. What a row
may hold is said at the head of ``data/gauges.toml``, whose one row stands for every gauge of which nothing is known.
"""

from __future__ import annotations

import datetime as dt
import json
import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cache
from typing import Annotated, Any

import numpy as np
import pandas as pd

from ventbook.places import Place, place_beside
from ventbook.shipped import DATA
from ventbook.tables import units
from ventbook.tables.reader import OneOf, TableError, check_keys, make_row, read_rows, read_toml

FILE = "gauges.toml"
CERTIFICATE, STUDY, COMPARISON, DRIFT, ASSUMED = "certificate", "study", "comparison", "drift", "assumed"
KINDS = (CERTIFICATE, STUDY, COMPARISON, DRIFT, ASSUMED)
KIND_WORDS = {
    CERTIFICATE: "calibration certificate",
    STUDY: "study with known gaps",
    COMPARISON: "comparison with other gauges",
    DRIFT: "its own earlier readings",
    ASSUMED: "assumed",
}
AS_READ, AS_CORRECTED = "as_read", "as_corrected"
ANY = "*"
LENGTHS = (
    "bias",
    "bias_uncertainty",
    "drift",
    "drift_uncertainty",
    "repeatability",
    "between_technicians",
)
_YEAR_DAYS = 365.25


@dataclass(frozen=True)
class GaugeRow:
    """What one gauge's readings are worth from ``since`` (included) until ``until`` (excluded); None: open.

    ``bias`` is reading less truth; ``drift`` is what it grows by in a year from ``since`` on. Both with their standard
    uncertainty. ``repeatability`` and ``between_technicians`` are standard deviations of one reading. Once read, all in mm.
    """

    gauge: str
    kind: Annotated[str, OneOf(*KINDS)]
    source: str
    unit: str = ""
    since: dt.date | None = None
    until: dt.date | None = None
    bias: float | None = None
    bias_uncertainty: float | None = None
    drift: float | None = None
    drift_uncertainty: float | None = None
    repeatability: float | None = None
    between_technicians: float | None = None
    made: dt.date | None = None

    def __post_init__(self) -> None:
        for name in ("since", "until", "made"):
            object.__setattr__(self, name, _read_day(name, getattr(self, name)))
        given = {name: getattr(self, name) for name in LENGTHS if getattr(self, name) is not None}
        for name, value in given.items():
            if not math.isfinite(value) or (value < 0 and name not in ("bias", "drift")):
                raise ValueError(
                    f"{name} must be a number{'' if name in ('bias', 'drift') else ', 0 or more'}; got {value!r}"
                )
        if given and not self.unit:
            name, value = next(iter(given.items()))
            raise ValueError(
                f'{name} {value:g} has no unit; write unit = "mm", or the one it was measured in'
            )
        if self.unit:
            known = units.known(self.unit)
            if known is None or known.dimension != "length":
                raise ValueError(f"unit {self.unit!r} is no unit of length; write mm, um or in")
        if self.kind == ASSUMED and (self.bias or self.drift):
            raise ValueError(
                f"a bias is not assumed; say where {self.bias or self.drift:g} comes from (kind = {', '.join(KINDS[:-1])})"
            )
        if self.kind != ASSUMED and (self.bias is None or self.bias_uncertainty is None):
            raise ValueError(f"a row of kind {self.kind} needs bias and bias_uncertainty")
        if self.drift is not None and (self.since is None or self.drift_uncertainty is None):
            raise ValueError("drift needs since, the day from which it counts, and drift_uncertainty")
        if self.since is not None and self.until is not None and self.since >= self.until:
            raise ValueError("since is not before until")
        if not self.gauge.strip() or not self.source.strip():
            raise ValueError("gauge and source must be written down")

    @property
    def first(self) -> dt.date:
        """The first day on which the row is in force."""
        return self.since or dt.date.min

    @property
    def end(self) -> dt.date:
        """The day on which it no longer is."""
        return self.until or dt.date.max

    @property
    def u(self) -> float | None:
        """Standard uncertainty of one reading by any technician about the gauge's own mean; None: not known."""
        if self.repeatability is None:
            return None
        return math.hypot(self.repeatability, self.between_technicians or 0.0)

    def covers(self, day: dt.date) -> bool:
        """Whether the row is in force on a day."""
        return self.first <= day < self.end

    def bias_on(self, day: dt.date) -> tuple[float, float]:
        """Bias on a day and its standard uncertainty; 0, 0 where none is known."""
        years = (day - self.first).days / _YEAR_DAYS if self.drift is not None else 0.0
        bias = (self.bias or 0.0) + (self.drift or 0.0) * years
        return bias, math.hypot(self.bias_uncertainty or 0.0, (self.drift_uncertainty or 0.0) * years)


def _read_day(name: str, value: object) -> dt.date | None:
    if value is None:
        return None
    if isinstance(value, dt.date) and not isinstance(value, dt.datetime):
        return value
    try:
        return dt.date.fromisoformat(str(value))
    except ValueError:
        raise ValueError(f"{name} must be a day such as 2026-07-01; got {value!r}") from None


@dataclass(frozen=True)
class Gauges:
    """The rows of a register, ready to be asked, and which verdict decides: "as_read" or "as_corrected".

    ``file`` is the register's name; "" where there is none and the rows were taken from the studies on record.
    """

    rows: tuple[GaugeRow, ...] = ()
    decides: str = AS_READ
    decided_by: str = ""
    file: str = ""

    @property
    def by_correction(self) -> bool:
        """Whether the corrected reading decides."""
        return self.decides == AS_CORRECTED

    def find(self, gauge: str, day: dt.date) -> GaugeRow:
        """The row in force: the gauge's own, else the register's "*", else what is assumed."""
        for name in (gauge, ANY):
            for row in self.rows:
                if row.gauge == name and row.covers(day):
                    return row
        return assumed_gauge()

    def frame(self, gauges: Any, days: Any) -> pd.DataFrame:
        """What each reading is worth, from its gauge and day.

        Columns bias_mm, bias_u_mm (its standard uncertainty), bias_kind (one of KINDS), u_mm (of one reading) and
        u_assumed. A gauge that wasn't written down, or that the register doesn't know that day, has the "*" row.
        """
        code, names = pd.factorize(pd.Series(gauges))
        when = pd.Series(pd.to_datetime(pd.Series(days).reset_index(drop=True))).to_numpy("datetime64[D]")
        day = np.where(np.isnat(when), np.datetime64("1970-01-01"), when)
        n, rows = len(code), [assumed_gauge()]
        place = np.zeros(n, dtype=np.intp)
        order = [row for row in self.rows if row.gauge == ANY] + [
            row for row in self.rows if row.gauge != ANY
        ]
        at = {name: number for number, name in enumerate(names)}
        for row in order:
            if row.gauge != ANY and row.gauge not in at:
                continue
            fits = np.ones(n, bool) if row.gauge == ANY else code == at[row.gauge]
            if row.since is not None:
                fits &= day >= np.datetime64(row.first)
            if row.until is not None:
                fits &= day < np.datetime64(row.end)
            place[fits] = len(rows)
            rows.append(row)

        def take(values: list[Any]) -> Any:
            return np.array(values, dtype=float)[place]

        bias, bias_u = take([r.bias or 0.0 for r in rows]), take([r.bias_uncertainty or 0.0 for r in rows])
        for number, row in enumerate(rows):
            if row.drift is not None:
                own = place == number
                years = (day[own] - np.datetime64(row.first)).astype(float) / _YEAR_DAYS
                bias[own] += row.drift * years
                bias_u[own] = np.hypot(bias_u[own], (row.drift_uncertainty or 0.0) * years)
        instead = assumed_gauge().u
        return pd.DataFrame(
            {
                "bias_mm": bias,
                "bias_u_mm": bias_u,
                "bias_kind": pd.array([row.kind for row in rows], dtype="str").take(place),
                "u_mm": take([instead if row.u is None else row.u for row in rows]),
                "u_assumed": np.array([row.u is None or row.gauge == ANY for row in rows])[place],
            }
        )

    def unknown(self, gauges: Iterable[str]) -> list[str]:
        """Those of the gauges that have no row of their own on any day, sorted."""
        known = {row.gauge for row in self.rows if row.kind != ASSUMED or row.u is not None}
        return sorted({str(name) for name in gauges} - known)


@cache
def assumed_gauge() -> GaugeRow:
    """What is taken for a gauge of which nothing is known, from ``data/gauges.toml``.

    Returns
    -------
    GaugeRow

    Examples
    --------
    >>> from ventbook.tables import assumed_gauge
    >>> assumed_gauge().u, assumed_gauge().kind
    (0.02, 'assumed')
    """
    return read_gauges(DATA / FILE).rows[0]


def read_gauges(path: Place) -> Gauges:
    """The register in a file, checked, in mm; TableError naming file and row when one is wrong."""
    raw = read_toml(path)
    check_keys(raw, where=path.name, allowed=("verdict", "gauge"), required=())
    verdict = make_row(raw.get("verdict", {}), _Verdict, where=f"{path.name}: [verdict]")
    entries = raw.get("gauge", [])
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise TableError(f"{path.name}: rows are written [[gauge]]")
    read = read_rows(path, "gauge", GaugeRow, label="gauge")
    rows = tuple(_in_mm(row) for row in read)
    _check_overlaps(rows, path.name)
    return Gauges(rows, verdict.decides, verdict.source, path.name)


@dataclass(frozen=True)
class _Verdict:
    decides: Annotated[str, OneOf(AS_READ, AS_CORRECTED)] = AS_READ
    source: str = ""

    def __post_init__(self) -> None:
        if self.decides == AS_CORRECTED and not self.source.strip():
            raise ValueError(
                f'decides = "{AS_CORRECTED}" needs source: the place in your manual that lets the corrected reading decide'
            )


def _in_mm(row: GaugeRow) -> GaugeRow:
    if row.unit in ("", "mm"):
        return row
    values = {name: getattr(row, name) for name in LENGTHS if getattr(row, name) is not None}
    moved: dict[str, Any] = {
        name: float(units.convert(value, row.unit, "mm")) for name, value in values.items()
    }
    return replace(row, unit="mm", **moved)


def _check_overlaps(rows: Iterable[GaugeRow], file: str) -> None:
    seen: list[tuple[int, GaugeRow]] = []
    for number, row in enumerate(rows, 1):
        for earlier, other in seen:
            if row.gauge == other.gauge and row.first < other.end and other.first < row.end:
                raise TableError(
                    f"{file}: rows {earlier} and {number} ({row.gauge}) overlap from {max(row.first, other.first)}: end the "
                    "older with until = the day the newer begins"
                )
        seen.append((number, row))


def load_gauges(own: Place | None = None) -> Gauges | None:
    """A shop's register of gauges.

    Parameters
    ----------
    own : Path, optional
        Its file; it is read again when it has changed.

    Returns
    -------
    Gauges or None
        None without a file: then a gauge is known by the studies on record alone.

    Raises
    ------
    TableError
        With one line naming file and row.

    Examples
    --------
    >>> import datetime as dt
    >>> from ventbook.tables import DATA, load_gauges
    >>> register = load_gauges(DATA / "demo_gauges.toml")
    >>> register.find("HG-3", dt.date(2026, 7, 1)).kind
    'study'
    """
    if own is None:
        return None
    try:
        state = own.stat()
    except OSError:
        raise TableError(f"{own.name}: no such file in {own.parent}") from None
    return _read_kept(own, (state.st_mtime_ns, state.st_size))


@cache
def _read_kept(own: Place, state: tuple[int, ...]) -> Gauges:
    return read_gauges(own)


def find_own_gauges(store: Place) -> Place | None:
    """A shop's register of gauges, if there is one yet.

    Parameters
    ----------
    store : Path or Address
        Where the store lies.

    Returns
    -------
    Path, Address or None
        ``gauges.toml`` in the folder that the store stands in.

    Examples
    --------
    >>> from pathlib import Path
    >>> from ventbook.tables import find_own_gauges
    >>> find_own_gauges(Path("data/demo/store")).name
    'gauges.toml'
    """
    beside = place_beside(store, FILE)
    return beside if beside.is_file() else None


def write_gauges(rows: Iterable[GaugeRow], *, notes: Iterable[str] = ()) -> str:
    """A register as the text of its file, the notes as comments at its head; what it says is read back the same."""
    parts = [f"# {note}\n" for note in notes]
    parts += [
        f'\n[verdict]\ndecides = "{AS_READ}"    # the manual\'s to say; as_corrected needs its section in source\n'
    ]
    for row in rows:
        lines = ["\n[[gauge]]"]
        for name in GaugeRow.__dataclass_fields__:
            value = getattr(row, name)
            if value is None or value == "":
                continue
            if name in LENGTHS:
                lines.append(f"{name} = {float(value)!r}")
            else:
                text = json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007f")
                lines.append(f"{name} = {text}")
        parts.append("\n".join(lines) + "\n")
    return "".join(parts)
