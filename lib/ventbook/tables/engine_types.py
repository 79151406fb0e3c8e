"""Usual values of an engine type, where a record does not carry its own, from ``data/engine_types.toml``."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from ventbook.shipped import DATA
from ventbook.tables.reader import TableError, read_toml


@dataclass(frozen=True)
class EngineTypeValues:
    """Values by stored column name (canonical units) with their standard uncertainty; ``known`` is False when
    the engine type is not in the table and the values of "*" stand in.
    """

    name: str
    known: bool
    values: dict[str, float]
    uncertainties: dict[str, float]

    def __getitem__(self, name: str) -> float:
        return self.values[name]

    def u(self, name: str) -> float:
        return self.uncertainties.get(name, 0.0)


def read_engine_types(path: Path) -> dict[str, EngineTypeValues]:
    """All rows of one file; a row inherits from "*" what it does not give itself."""
    found: dict[str, EngineTypeValues] = {}
    rows: list[dict[str, Any]] = read_toml(path).get("engine_type", [])
    if not rows or rows[0].get("name") != "*":
        raise TableError(f'{path.name}: row 1 must be the fallback, name = "*"')
    for number, row in enumerate(rows, 1):
        where = f"{path.name}: row {number} ({row.get('name', '?')})"
        name = row.get("name")
        if not name or name in found:
            raise TableError(f"{where}: needs a name that stands once")
        base = found.get("*")
        values = dict(base.values) if base else {}
        spread = dict(base.uncertainties) if base else {}
        for key, entry in row.items():
            if key in ("name", "text", "source"):
                continue
            if not isinstance(entry, dict) or set(entry) - {"value", "u", "source"} or "value" not in entry:
                raise TableError(f"{where}: {key} is written {{ value = 7.0, u = 0.7 }}; got {entry!r}")
            if base and key not in base.values:
                raise TableError(f"{where}: {key} is not a value that the fallback row knows")
            values[key], spread[key] = float(entry["value"]), float(entry.get("u", 0.0))
        found[name] = EngineTypeValues(name, True, values, spread)
    return found


@cache
def _engine_types() -> dict[str, EngineTypeValues]:
    return read_engine_types(DATA / "engine_types.toml")


def known_engine_types() -> frozenset[str]:
    """Engine types of the table of usual values, "*" among them.

    Returns
    -------
    frozenset of str

    Examples
    --------
    >>> from ventbook.tables import known_engine_types
    >>> "*" in known_engine_types()
    True
    """
    return frozenset(_engine_types())


def engine_type_values(engine_type: str) -> EngineTypeValues:
    """Usual values of an engine type with their uncertainties.

    Parameters
    ----------
    engine_type : str
        Name of the type.

    Returns
    -------
    EngineTypeValues
        Value by stored column name, in canonical units; ``u(name)`` its standard uncertainty; ``known`` False
        where the type is not in the table and the values of "*" stand in.

    Examples
    --------
    >>> from ventbook.tables import engine_type_values
    >>> values = engine_type_values("flat4")
    >>> values.known, values["pump_displacement_cm3"] > 0, values.u("pump_displacement_cm3") > 0
    (True, True, True)
    """
    table = _engine_types()
    if engine_type in table and engine_type != "*":
        return table[engine_type]
    return EngineTypeValues(str(engine_type), False, table["*"].values, table["*"].uncertainties)
