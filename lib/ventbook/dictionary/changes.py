"""Numbers that a version moved on purpose, from ``data/changes.toml``."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from .files import DATA, TableError, check_keys, read_toml

_FIELDS = ("version", "reports", "findings", "tables", "why")


@dataclass(frozen=True)
class Change:
    """Findings and tables of some reports that give other numbers from ``version`` on, and why; "*" stands for all."""

    version: str
    reports: tuple[str, ...]
    findings: tuple[str, ...]
    tables: tuple[str, ...]
    why: str

    def covers(self, report: str, kind: str, name: str, *, made_by: str) -> bool:
        """Whether it moved the finding or table (``kind`` "finding" or "table") of a report that ``made_by`` made."""
        own = self.findings if kind == "finding" else self.tables
        later = _as_numbers(made_by) < _as_numbers(self.version)
        return later and bool({report, "*"} & set(self.reports)) and bool({name, "*"} & set(own))


@cache
def changes(path: Path = DATA / "changes.toml") -> tuple[Change, ...]:
    """All rows, checked; TableError names the row that is wrong."""
    found = []
    for number, row in enumerate(read_toml(path).get("change", []), 1):
        where = f"{path.name}, change {number}"
        check_keys(row, where=where, allowed=_FIELDS, required=_FIELDS)
        if not re.fullmatch(r"\d+(\.\d+)*", str(row["version"])):
            raise TableError(
                f"{where}: version must be numbers and points such as 0.2.0; got {row['version']!r}"
            )
        names = {name: tuple(map(str, row[name])) for name in ("reports", "findings", "tables")}
        if not names["reports"] or not (names["findings"] or names["tables"]) or not str(row["why"]).strip():
            raise TableError(f"{where}: names no report, neither finding nor table, or no reason")
        found.append(Change(str(row["version"]), **names, why=str(row["why"]).strip()))
    return tuple(found)


def _as_numbers(version: str) -> tuple[int, ...]:
    """``0.2.0`` as (0, 2, 0), to be compared; a version not known is before all."""
    return tuple(int(part) for part in re.findall(r"\d+", version))
