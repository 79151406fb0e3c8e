"""Record tables and their columns, texts of issues, and numbers that a version moved on purpose.

They are ``data/dictionary.toml``, ``data/issues.toml`` (what is wrong and what to do, by code) and ``data/changes.toml``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Annotated

from ventbook.shipped import DATA
from ventbook.tables import units
from ventbook.tables.reader import OneOf, TableError, make_rows, read_rows, read_toml

KINDS = ("text", "code", "yes_no", "integer", "number", "quantity", "date", "datetime")
SEVERITIES = ("note", "set_aside")


@dataclass(frozen=True)
class Column:
    """One column of a record table; ``low`` and ``high`` are the plausible range, both ends included.

    Dates have their range as ISO text; "today" stands for the date that counts as today at intake.
    """

    name: str
    kind: Annotated[str, OneOf(*KINDS)]
    meaning: str
    unit: str = ""
    low: float | str | None = None
    high: float | str | None = None
    codes: tuple[str, ...] = ()
    key: bool = False
    required: bool = False
    outcome: bool = False

    def __post_init__(self) -> None:
        if (self.kind == "quantity") != bool(self.unit):
            raise ValueError("a unit belongs to a quantity and to nothing else")
        if self.unit and units.known(self.unit) is None:
            raise ValueError(f"unit {self.unit!r} is not in units.toml")
        if (self.kind == "code") != bool(self.codes):
            raise ValueError("codes belong to kind code and to nothing else")
        if self.kind in ("integer", "number", "quantity"):
            low, high = self.low, self.high
            if not isinstance(low, (int, float)) or not isinstance(high, (int, float)) or low > high:
                raise ValueError("a number needs low and high with low <= high")

    @property
    def stored(self) -> str:
        """The name inside: with the canonical unit at its end where the column is a quantity."""
        return stored_name(self.name, self.unit)

    @property
    def header(self) -> str:
        """The name as a file carries it, with the canonical unit in brackets."""
        return f"{self.name} [{self.unit}]" if self.kind == "quantity" else self.name

    @property
    def dimension(self) -> str:
        """The dimension a unit in the header must have; empty for a column without unit."""
        return units.dimension_of(self.unit) if self.kind == "quantity" else ""

    @property
    def dtype(self) -> str:
        """The pandas dtype of the stored column."""
        return {
            "text": "str",
            "code": "str",
            "yes_no": "boolean",
            "integer": "Int64",
            "number": "float64",
            "quantity": "float64",
            "date": "datetime64[us]",
            "datetime": "datetime64[us]",
        }[self.kind]


@dataclass(frozen=True)
class Table:
    """One record table."""

    name: str
    title: str
    columns: tuple[Column, ...]

    @property
    def key(self) -> tuple[str, ...]:
        """Stored names of the key columns, in order."""
        return tuple(c.stored for c in self.columns if c.key)

    def column(self, name: str) -> Column:
        """The column of that name (as in a header, or as stored); KeyError when there is none."""
        for c in self.columns:
            if name in (c.name, c.stored):
                return c
        raise KeyError(f"table {self.name} has no column {name!r}")


def stored_name(name: str, unit: str) -> str:
    """Name of a column inside: the name with its canonical unit at the end.

    Parameters
    ----------
    name : str
        As in a header.
    unit : str
        Canonical unit, "" for none; a slash is written out.

    Returns
    -------
    str

    Examples
    --------
    >>> from ventbook.tables import stored_name
    >>> stored_name("gap", "mm"), stored_name("plunger_spring_rate", "N/mm"), stored_name("valve", "")
    ('gap_mm', 'plunger_spring_rate_N_per_mm', 'valve')
    """
    return f"{name}_{unit.replace('/', '_per_')}" if unit else name


def read_tables(path: Path) -> dict[str, Table]:
    """All record tables of one dictionary file, checked."""
    raw = read_toml(path)
    found: dict[str, Table] = {}
    for name, entry in raw["tables"].items():
        if "same_as" in entry:
            other = found.get(entry["same_as"])
            if other is None:
                raise TableError(f"{path.name}: table {name}: same_as names no table above it")
            columns = tuple(
                replace(c, high="9999-12-31") if c.kind == "date" else c
                for c in other.columns
                if not c.outcome
            )
        else:
            columns = make_rows(entry["columns"], Column, where=f"{path.name}: table {name}, ", word="column")
        names = [c.stored for c in columns]
        twice = sorted({n for n in names if names.count(n) > 1})
        if twice:
            raise TableError(f"{path.name}: table {name}: {', '.join(twice)} stands twice")
        found[name] = Table(name, entry["title"], columns)
    return found


@cache
def record_tables() -> dict[str, Table]:
    """The record tables and their columns, from ``data/dictionary.toml``.

    Returns
    -------
    dict of str to Table
        By name, in the order of the dictionary.

    Raises
    ------
    TableError
        Naming file and row, where the dictionary is wrong.

    Examples
    --------
    >>> from ventbook.tables import record_tables
    >>> record_tables()["lifter_checks"].column("gap").header
    'gap [mm]'
    """
    return read_tables(DATA / "dictionary.toml")


@dataclass(frozen=True)
class IssueText:
    """One reason code: ``what`` and ``do`` are templates for ``str.format`` with the row's particulars."""

    code: str
    severity: Annotated[str, OneOf(*SEVERITIES)]
    what: str
    do: str


def read_issues(path: Path) -> dict[str, IssueText]:
    """All issue texts of one file (``[[issue]]`` rows or one table a code), checked."""
    raw = read_toml(path)
    rows = raw["issue"] if "issue" in raw else [{"code": code, **row} for code, row in raw.items()]
    found = make_rows(rows, IssueText, where=f"{path.name}: ", label="code", unique=True)
    return {text.code: text for text in found}


@cache
def issue_texts() -> dict[str, IssueText]:
    """What can be wrong with a record and what to do, from ``data/issues.toml``.

    Returns
    -------
    dict of str to IssueText
        By code: severity, ``what`` and ``do``.

    Raises
    ------
    TableError
        Naming file and row, where the table is wrong.

    Examples
    --------
    >>> from ventbook.tables import issue_texts
    >>> issue_texts()["unit_suspected"].severity
    'set_aside'
    """
    return read_issues(DATA / "issues.toml")


def issue_text(code: str) -> IssueText:
    """The text of one reason code.

    Parameters
    ----------
    code : str

    Returns
    -------
    IssueText

    Raises
    ------
    KeyError
        When the table does not hold the code.

    Examples
    --------
    >>> from ventbook.tables import issue_text
    >>> issue_text("unit_suspected").code
    'unit_suspected'
    """
    return issue_texts()[code]


@dataclass(frozen=True)
class Change:
    """Findings and tables of some reports that give other numbers from ``version`` on, and why; "*" stands for all."""

    version: str
    reports: tuple[str, ...]
    findings: tuple[str, ...]
    tables: tuple[str, ...]
    why: str

    def __post_init__(self) -> None:
        if not re.fullmatch(r"\d+(\.\d+)*", self.version):
            raise ValueError(f"version must be numbers and points such as 0.2.0; got {self.version!r}")
        if not self.reports or not (self.findings or self.tables) or not self.why.strip():
            raise ValueError("names no report, neither finding nor table, or no reason")

    def covers(self, report: str, kind: str, name: str, *, made_by: str) -> bool:
        """Whether it moved the finding or table (``kind`` "finding" or "table") of a report that ``made_by`` made."""
        own = self.findings if kind == "finding" else self.tables
        later = _as_numbers(made_by) < _as_numbers(self.version)
        return later and bool({report, "*"} & set(self.reports)) and bool({name, "*"} & set(own))


@cache
def load_changes(path: Path = DATA / "changes.toml") -> tuple[Change, ...]:
    """Numbers that a version moved on purpose, from ``data/changes.toml``.

    Parameters
    ----------
    path : Path
        Default ``data/changes.toml``.

    Returns
    -------
    tuple of Change
        version, reports, findings, tables, why.

    Raises
    ------
    TableError
        Naming the row that is wrong.

    Examples
    --------
    >>> from ventbook.tables import load_changes
    >>> all(change.why for change in load_changes())
    True
    """
    return read_rows(path, "change", Change, where=f"{path.name}, ", word="change", label="version")


def _as_numbers(version: str) -> tuple[int, ...]:
    """``0.2.0`` as (0, 2, 0), to be compared; a version not known is before all."""
    return tuple(int(part) for part in re.findall(r"\d+", version))
