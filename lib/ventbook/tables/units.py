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
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any, Literal

import numpy as np

from ventbook.shipped import DATA
from ventbook.tables.reader import read_rows

System = Literal["metric", "us"]
TABLE = DATA / "units.toml"


@dataclass(frozen=True)
class Unit:
    """One unit: ``factor`` to the dimension's SI unit, ``zero`` the scale's offset from absolute zero.

    ``pint`` is its expression in another library's words, which :func:`check_factors` holds the factor against.
    """

    spellings: tuple[str, ...]
    dimension: str
    factor: Fraction
    pint: str
    zero: Fraction = Fraction(0)
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
class _Dimension:
    name: str
    pint: str
    note: str = ""


@dataclass(frozen=True)
class _Shown:
    unit: str
    metric: Display
    us: Display


@dataclass(frozen=True)
class _Tables:
    units: dict[str, Unit]
    dimensions: tuple[str, ...]
    display: dict[str, dict[str, Display]]


@cache
def _load() -> _Tables:
    dimensions = tuple(row.name for row in read_rows(TABLE, "dimension", _Dimension))
    units: dict[str, Unit] = {}
    for number, unit in enumerate(read_rows(TABLE, "unit", Unit, word="unit", label="spellings"), 1):
        where = f"{TABLE.name}: unit {number} ({unit.name})"
        if unit.dimension not in dimensions:
            raise ValueError(f"{where}: dimension {unit.dimension!r} is not declared")
        for spelling in unit.spellings:
            if spelling in units:
                raise ValueError(f"{where}: {spelling!r} stands twice")
            units[spelling] = unit
    shown = read_rows(TABLE, "display", _Shown, word="display", label="unit")
    return _Tables(units, dimensions, {row.unit: {"metric": row.metric, "us": row.us} for row in shown})


def check_factors(path: Path = TABLE) -> int:
    """Hold every factor of the table against what pint makes of its expression.

    Parameters
    ----------
    path : Path
        TOML table of units; default ``data/units.toml``.

    Returns
    -------
    int
        How many factors there are.

    Raises
    ------
    ValueError
        Naming the first unit of another dimension or factor.

    Notes
    -----
    Apart from reading the table, because pint takes longer to load than most commands take to run.

    Examples
    --------
    >>> from ventbook.tables import units
    >>> units.check_factors() > 30
    True
    """
    import pint

    registry: Any = pint.UnitRegistry(non_int_type=Fraction, cache_folder=None)
    references = {row.name: row.pint for row in read_rows(path, "dimension", _Dimension)}
    units = read_rows(path, "unit", Unit, label="spellings")
    for unit in units:
        where = f"{path.name}: unit {unit.name}"
        quantity = registry.Quantity(Fraction(1), "dimensionless") * registry.parse_expression(unit.pint)
        reference = registry.Quantity(Fraction(1), references[unit.dimension])
        if quantity.dimensionality != reference.dimensionality:
            raise ValueError(f"{where}: {unit.pint} is not a {unit.dimension}")
        factor = Fraction((quantity / reference).to_base_units().magnitude)
        if factor != unit.factor:
            raise ValueError(f"{where}: the factor is {unit.factor}, but {unit.pint} is {factor}")
    return len(units)


def known(spelling: str) -> Unit | None:
    """The unit that a spelling stands for, if the closed list holds it.

    Parameters
    ----------
    spelling : str
        As in a header; blanks around it don't matter, capitals do.

    Returns
    -------
    Unit or None

    Examples
    --------
    >>> from ventbook.tables import units
    >>> units.known("psi").dimension, units.known("F")
    ('pressure_gauge', None)
    """
    return _load().units.get(spelling.strip())


def find_unit(spelling: str) -> Unit:
    """The unit that a spelling stands for.

    Parameters
    ----------
    spelling : str
        As in a header.

    Returns
    -------
    Unit
        spellings, dimension, exact factor to the dimension's SI unit, zero of its scale.

    Raises
    ------
    ValueError
        Naming the nearest known spellings, where the list does not hold it.

    Examples
    --------
    >>> from ventbook.tables import units
    >>> units.find_unit("in").factor
    Fraction(127, 5000)
    """
    unit = known(spelling)
    if unit is None:
        near = difflib.get_close_matches(spelling.strip(), _load().units, n=3, cutoff=0.5)
        hint = f"; near: {', '.join(near)}" if near else ""
        raise ValueError(f"unit {spelling!r} is not in the list of spellings{hint}")
    return unit


def spellings(dimension: str) -> tuple[str, ...]:
    """All spellings of one dimension, first spelling of each unit first.

    Parameters
    ----------
    dimension : str
        Name of a dimension, "length".

    Returns
    -------
    tuple of str

    Raises
    ------
    ValueError
        Naming the dimensions there are.

    Examples
    --------
    >>> from ventbook.tables import units
    >>> units.spellings("temperature")[:2]
    ('degC', 'degF')
    """
    tables = _load()
    if dimension not in tables.dimensions:
        raise ValueError(f"dimension must be one of {', '.join(tables.dimensions)}; got {dimension!r}")
    own = [s for s, unit in tables.units.items() if unit.dimension == dimension]
    return tuple(sorted(own, key=lambda s: tables.units[s].spellings.index(s)))


def dimension_of(spelling: str) -> str:
    """The dimension that a spelling belongs to.

    Parameters
    ----------
    spelling : str
        As in a header.

    Returns
    -------
    str

    Raises
    ------
    ValueError
        Where the list does not hold it.

    Examples
    --------
    >>> from ventbook.tables import units
    >>> units.dimension_of("bar"), units.dimension_of("bar abs")
    ('pressure_gauge', 'pressure_absolute')
    """
    return find_unit(spelling).dimension


def scale(spelling_from: str, spelling_to: str) -> tuple[Fraction, Fraction]:
    """Exact shift and factor from one spelling's unit to another's.

    Parameters
    ----------
    spelling_from, spelling_to : str
        Of one dimension.

    Returns
    -------
    shift, factor : Fraction
        ``to = (from + shift) * factor``.

    Raises
    ------
    ValueError
        When the two are of different dimensions: gauge and absolute pressure, or a temperature and a
        temperature difference, are different dimensions.

    Examples
    --------
    >>> from ventbook.tables import units
    >>> shift, factor = units.scale("degF", "degC")
    >>> str(shift), str(factor)
    ('-32', '5/9')
    """
    a, b = find_unit(spelling_from), find_unit(spelling_to)
    if a.dimension != b.dimension:
        raise ValueError(
            f"{spelling_from} is a {a.dimension.replace('_', ' ')}, {spelling_to} a {b.dimension.replace('_', ' ')}"
        )
    factor = a.factor / b.factor
    return a.zero - b.zero / factor, factor


def convert(values: Any, spelling_from: str, spelling_to: str) -> Any:
    """Values from one spelling's unit to another's.

    Parameters
    ----------
    values : float or array_like
        Of any shape; NaN stays NaN.
    spelling_from, spelling_to : str
        Of one dimension.

    Returns
    -------
    float or ndarray
        Of the shape of ``values``.

    Raises
    ------
    ValueError
        Where a spelling is not in the list, or the two are of different dimensions.

    References
    ----------
    NIST Special Publication 811 (2008), appendix B.

    Examples
    --------
    >>> from ventbook.tables import units
    >>> units.convert(212.0, "degF", "degC"), round(units.convert(1.0, "bar", "psi"), 4)
    (100.0, 14.5038)
    """
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
    """Canonical units that reports have a label and decimals for.

    Returns
    -------
    frozenset of str

    Examples
    --------
    >>> from ventbook.tables import units
    >>> "mm" in units.shown_units()
    True
    """
    return frozenset(_load().display)


def display(values: Any, unit: str, system: System = "metric") -> tuple[Any, Display]:
    """Canonical values in the unit that a report shows, with its label and decimals.

    Parameters
    ----------
    values : float or array_like
        In the canonical unit.
    unit : str
        The canonical unit.
    system : str
        "metric" or "us".

    Returns
    -------
    values : float or ndarray
        In the unit shown. Units without a display row (1, %, ...) come back unchanged with two decimals.
    display : Display
        unit, label, decimals.

    Raises
    ------
    ValueError
        For another system.

    Examples
    --------
    >>> from ventbook.tables import units
    >>> value, how = units.display(0.5, "mm", "us")
    >>> round(value, 4), how.label
    (0.0197, 'in')
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

    Parameters
    ----------
    value : float
        In the canonical unit; NaN gives "".
    unit : str
        The canonical unit.
    system : str
        "metric" or "us".
    limit : float, optional
        Limit (canonical) that the value is read against.

    Returns
    -------
    str

    Notes
    -----
    With ``limit``, decimals are added until value and limit, both rounded, stand in the same order as the
    unrounded ones, so that rounding never turns a fail into a pass or a pass into a fail.

    Examples
    --------
    >>> from ventbook.tables import units
    >>> units.show(0.5004, "mm", "us"), units.show(0.5004, "mm", "us", limit=0.5)
    ('0.0197', '0.01970')
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
    """A limit as text: at least the unit's decimals, and as many more as it takes to say it within 0.1 %.

    Parameters
    ----------
    limit : float
        In the canonical unit.
    unit : str
        The canonical unit.
    system : str
        "metric" or "us".

    Returns
    -------
    str

    Examples
    --------
    >>> from ventbook.tables import units
    >>> units.show_limit(0.5, "mm"), units.show_limit(0.5, "mm", "us")
    ('0.50', '0.0197')
    """
    shown, how = display(float(limit), unit, system)
    decimals = how.decimals
    while decimals < 9 and abs(round(shown, decimals) - shown) > 1e-3 * abs(shown):
        decimals += 1
    return f"{shown:.{decimals}f}"
