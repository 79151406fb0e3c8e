"""Parameters of the reports, from ``data/parameters.toml``: type, allowed values, default and help."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from ventbook.shipped import DATA
from ventbook.tables.reader import TableError, check_keys, read_toml

TYPES: dict[str, type] = {"str": str, "int": int, "float": float, "bool": bool}


@dataclass(frozen=True)
class Parameter:
    """One parameter; ``reports`` lists the reports that have it ("*": all)."""

    name: str
    type: str
    default: Any
    help: str
    reports: tuple[str, ...]
    allowed: tuple[Any, ...] = ()
    low: float | None = None
    high: float | None = None


def read_parameters(path: Path) -> tuple[Parameter, ...]:
    """All rows of one file, checked."""
    found: list[Parameter] = []
    for number, row in enumerate(read_toml(path).get("parameter", ()), 1):
        where = f"{path.name}: row {number} ({row.get('name', '?')})"
        check_keys(
            row,
            where=where,
            allowed=("name", "type", "default", "help", "reports", "allowed", "low", "high"),
            required=("name", "type", "default", "help", "reports"),
        )
        if row["type"] not in TYPES:
            raise TableError(f"{where}: type must be one of {', '.join(TYPES)}; got {row['type']!r}")
        if type(row["default"]) is not TYPES[row["type"]]:
            raise TableError(f"{where}: default {row['default']!r} is not of type {row['type']}")
        found.append(
            Parameter(**{**row, "reports": tuple(row["reports"]), "allowed": tuple(row.get("allowed", ()))})
        )
    return tuple(found)


@cache
def _all_parameters() -> tuple[Parameter, ...]:
    return read_parameters(DATA / "parameters.toml")


def load_parameters(report: str) -> dict[str, Parameter]:
    """Parameters that a report takes.

    Parameters
    ----------
    report : str
        Name of the report.

    Returns
    -------
    dict of str to Parameter
        By name, in the order of ``data/parameters.toml``: type, default, help, bounds.

    Examples
    --------
    >>> from ventbook.tables import load_parameters
    >>> load_parameters("lifter-gaps")["units"].default
    'metric'
    """
    return {p.name: p for p in _all_parameters() if "*" in p.reports or report in p.reports}
