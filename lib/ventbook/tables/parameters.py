"""Parameters of the reports, from ``data/parameters.toml``: type, allowed values, default and help."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Annotated, Any

from ventbook.shipped import DATA
from ventbook.tables.reader import OneOf, read_rows

TYPES: dict[str, type] = {"str": str, "int": int, "float": float, "bool": bool}


@dataclass(frozen=True)
class Parameter:
    """One parameter; ``reports`` lists the reports that have it ("*": all)."""

    name: str
    type: Annotated[str, OneOf(*TYPES)]
    default: Any
    help: str
    reports: tuple[str, ...]
    allowed: tuple[Any, ...] = ()
    low: float | None = None
    high: float | None = None

    def __post_init__(self) -> None:
        if type(self.default) is not TYPES[self.type]:
            raise ValueError(f"default {self.default!r} is not of type {self.type}")


def read_parameters(path: Path) -> tuple[Parameter, ...]:
    """All rows of one file, checked."""
    return read_rows(path, "parameter", Parameter)


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
