"""Unit spellings: a closed list, each bound to one dimension and to an exact factor.

Records carry units in their headers and reports show metric or US customary values; between those two borders
the library works on plain floats in canonical units (mm, m, L, s, h, bar gauge, degC, rpm, N, ...). Free parsing
is never used: it reads F as farad, C as coulomb, lb as mass and rpm with a factor of 2 pi. The list with its exact
factors and the display rules are ``data/units.toml``; :func:`check_factors` holds them against pint.

References: BIPM, The International System of Units, 9th ed. 2019; NIST Special Publication 811, 2008, appendix B.
"""

from __future__ import annotations

import difflib
import math
import tomllib
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any, Literal

import numpy as np

from ventbook.shipped import DATA

System = Literal["metric", "us"]
TABLE = DATA / "units.toml"


@dataclass(frozen=True)
class Unit:
    """One unit: ``factor`` to the dimension's SI unit, ``zero`` the scale's offset from absolute zero."""

    spellings: tuple[str, ...]
    dimension: str
    factor: Fraction
    zero: Fraction
    note: str = ""

    @property
    def name(self) -> str:
        return self.spellings[0]


@dataclass(frozen=True)
class Display:
    """How a canonical unit is shown: the unit converted to, its label, and decimals."""

    unit: str
    label: str
    decimals: int


@dataclass(frozen=True)
class _Tables:
    units: dict[str, Unit]
    dimensions: tuple[str, ...]
    display: dict[str, dict[str, Display]]


@cache
def _load() -> _Tables:
    raw = tomllib.loads(TABLE.read_text("utf-8"))
    dimensions = tuple(row["name"] for row in raw["dimension"])
    units: dict[str, Unit] = {}
    for number, row in enumerate(raw["unit"], 1):
        where = f"{TABLE.name}: unit {number} ({row.get('spellings', ['?'])[0]})"
        if row["dimension"] not in dimensions:
            raise ValueError(f"{where}: dimension {row['dimension']!r} is not declared")
        unit = Unit(
            tuple(row["spellings"]),
            row["dimension"],
            Fraction(row["factor"]),
            Fraction(row.get("zero", "0")),
            row.get("note", ""),
        )
        for spelling in unit.spellings:
            if spelling in units:
                raise ValueError(f"{where}: {spelling!r} stands twice")
            units[spelling] = unit
    display = {
        row["unit"]: {system: Display(**row[system]) for system in ("metric", "us")} for row in raw["display"]
    }
    return _Tables(units, dimensions, display)


def check_factors(path: Path = TABLE) -> int:
    """Hold every factor of the table against what pint makes of its expression; returns how many there are.

    Raises ValueError naming the first unit of another dimension or factor. Apart from reading the table, because
    pint takes longer to load than most commands take to run.
    """
    import pint

    registry: Any = pint.UnitRegistry(non_int_type=Fraction, cache_folder=None)
    raw = tomllib.loads(path.read_text("utf-8"))
    references = {row["name"]: row["pint"] for row in raw["dimension"]}
    for row in raw["unit"]:
        where = f"{path.name}: unit {row['spellings'][0]}"
        quantity = registry.Quantity(Fraction(1), "dimensionless") * registry.parse_expression(row["pint"])
        reference = registry.Quantity(Fraction(1), references[row["dimension"]])
        if quantity.dimensionality != reference.dimensionality:
            raise ValueError(f"{where}: {row['pint']} is not a {row['dimension']}")
        factor = Fraction((quantity / reference).to_base_units().magnitude)
        if factor != Fraction(row["factor"]):
            raise ValueError(f"{where}: the factor is {row['factor']}, but {row['pint']} is {factor}")
    return len(raw["unit"])


def known(spelling: str) -> Unit | None:
    """The unit that a spelling stands for, or None when the closed list does not hold it."""
    return _load().units.get(spelling.strip())


def find_unit(spelling: str) -> Unit:
    """The unit that a spelling stands for.

    Raises ValueError naming the nearest known spellings when the list does not hold it.
    """
    unit = known(spelling)
    if unit is None:
        near = difflib.get_close_matches(spelling.strip(), _load().units, n=3, cutoff=0.5)
        hint = f"; near: {', '.join(near)}" if near else ""
        raise ValueError(f"unit {spelling!r} is not in the list of spellings{hint}")
    return unit


def spellings(dimension: str) -> tuple[str, ...]:
    """All spellings of one dimension, first spelling of each unit first."""
    tables = _load()
    if dimension not in tables.dimensions:
        raise ValueError(f"dimension must be one of {', '.join(tables.dimensions)}; got {dimension!r}")
    own = [s for s, unit in tables.units.items() if unit.dimension == dimension]
    return tuple(sorted(own, key=lambda s: tables.units[s].spellings.index(s)))


def dimension_of(spelling: str) -> str:
    """The dimension a spelling belongs to."""
    return find_unit(spelling).dimension


def scale(spelling_from: str, spelling_to: str) -> tuple[Fraction, Fraction]:
    """Exact (shift, factor) with ``to = (from + shift) * factor``.

    Raises ValueError when the two are of different dimensions: gauge and absolute pressure, or a temperature and
    a temperature difference, are different dimensions.
    """
    a, b = find_unit(spelling_from), find_unit(spelling_to)
    if a.dimension != b.dimension:
        raise ValueError(
            f"{spelling_from} is a {a.dimension.replace('_', ' ')}, {spelling_to} a {b.dimension.replace('_', ' ')}"
        )
    factor = a.factor / b.factor
    return a.zero - b.zero / factor, factor


def convert(values: Any, spelling_from: str, spelling_to: str) -> Any:
    """Values (float or array of any shape) from one spelling's unit to another's; NaN stays NaN."""
    shift, factor = scale(spelling_from, spelling_to)
    array = np.asarray(values, dtype=float)
    if shift:
        array = array + float(shift)
    if factor != 1:
        inverse = 1 / factor
        exact = inverse.denominator == 1 and inverse.numerator < 2**53
        array = array / float(inverse) if exact else array * float(factor)
    return float(array) if np.ndim(values) == 0 else array


def shown_units() -> frozenset[str]:
    """Canonical units that reports have a label and decimals for."""
    return frozenset(_load().display)


def display(values: Any, unit: str, system: System = "metric") -> tuple[Any, Display]:
    """Canonical values in the unit a report of ``system`` shows, with its label and decimals.

    Units without a display row (1, %, ...) come back unchanged with two decimals.
    """
    row = _load().display.get(unit)
    if row is None:
        return values, Display(unit, unit, 2)
    if system not in row:
        raise ValueError(f"units must be metric or us; got {system!r}")
    shown = row[system]
    return convert(values, unit, shown.unit), shown


def show(value: float, unit: str, system: System = "metric", *, limit: float | None = None) -> str:
    """A canonical value as text in the report's unit, without label.

    With ``limit`` (canonical), decimals are added until value and limit, both rounded, stand in the same order
    as the unrounded ones, so that rounding never turns a fail into a pass or a pass into a fail.
    """
    shown, how = display(float(value), unit, system)
    if math.isnan(shown):
        return ""
    decimals = how.decimals
    if limit is not None:
        bound, _ = display(float(limit), unit, system)
        while decimals < 12 and _order(round(shown, decimals), round(bound, decimals)) != _order(
            value, limit
        ):
            decimals += 1
    return f"{shown:.{decimals}f}"


def _order(a: float, b: float) -> int:
    return (a > b) - (a < b)


def show_limit(limit: float, unit: str, system: System = "metric") -> str:
    """A limit as text: at least the unit's decimals, and as many more as it takes to say it within 0.1 %."""
    shown, how = display(float(limit), unit, system)
    decimals = how.decimals
    while decimals < 9 and abs(round(shown, decimals) - shown) > 1e-3 * abs(shown):
        decimals += 1
    return f"{shown:.{decimals}f}"
