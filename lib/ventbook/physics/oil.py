"""Oil and air as the physics needs them: viscosity, density, ambient pressure.

Plain floats in the units named, arrays of any matching shape. A temperature outside 0..120 degC still gives a
number by formula; :func:`extrapolated` marks it. Grades and their typical values are ``data/oils.toml``.

References
----------
ASTM D341, Standard practice for viscosity-temperature equations and charts for liquid petroleum products
(the Walther form, log10 log10(nu + 0.7) = A - B log10 T, T in K; its terms for nu under 2 mm2/s are not used).
ASTM D1250 / API MPMS chapter 11.1, lubricating oils: alpha = 0.6278 / density15,
density = density15 exp(-alpha dT (1 + 0.8 alpha dT)), dT from 15 degC (constants from memory).
ISO 2533:1975, Standard atmosphere, layer 0..11000 m.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from ventbook.numerics import Floats
from ventbook.shipped import DATA
from ventbook.tables.reader import make_rows, read_toml

__all__ = [
    "GRAVITY",
    "OilTable",
    "ambient_pressure_bar",
    "expand_density",
    "extrapolated",
    "find_grades",
    "read_oils",
    "viscosity_of_rows",
    "walther_constants",
    "walther_viscosity",
]

TABLE = DATA / "oils.toml"
KELVIN = 273.15  # 0 degC
GRAVITY = 9.80665  # m/s2
LUBE_K1 = 0.6278  # kg/(m3 K), D1250 lubricating oils
FORMULA_RANGE = (0.0, 120.0)  # degC inside which the typical pairs interpolate well enough to use unmarked
ISO2533 = {
    "temperature": 288.15,
    "pressure": 101325.0,
    "lapse": 0.0065,
    "gas": 287.05287,
}  # K, Pa, K/m, J/kg/K


@dataclass(frozen=True)
class OilTable:
    """Typical oils in table order; row 0 is "*", the stand-in. ``a``, ``b`` are the D341 constants."""

    grades: tuple[str, ...]
    rows: dict[str, int]
    a: Floats
    b: Floats
    density15: Floats
    u_relative: Floats
    kv40: Floats
    kv100: Floats


@dataclass(frozen=True)
class Oil:
    """One row of the table: kinematic viscosity at 40 and 100 degC in mm2/s, density at 15 degC in kg/m3."""

    grade: str
    kv40: float
    kv100: float
    density15: float
    u_relative: float
    also: tuple[str, ...] = ()


@cache
def read_oils(path: Path = TABLE) -> OilTable:
    """The typical oils of a table, with the viscosity constants of each.

    Parameters
    ----------
    path : Path
        TOML table of oils; default ``data/oils.toml``.

    Returns
    -------
    OilTable
        Arrays in table order: ``a``, ``b`` (ASTM D341), ``kv40``, ``kv100`` (mm2/s), ``density15`` (kg/m3),
        ``u_relative`` (relative standard uncertainty of the viscosity); ``grades``, and ``rows`` by spelling.
        Row 0 is the stand-in "*".

    Raises
    ------
    ValueError
        Naming file and grade, where a pair of viscosities can't be a real oil or a grade stands twice.

    Examples
    --------
    >>> from ventbook.physics import oil
    >>> table = oil.read_oils()
    >>> table.grades[0]
    '*'
    >>> row = table.rows["20W50"]
    >>> float(table.kv40[row]), float(table.kv100[row])
    (160.0, 18.5)
    """
    content = read_toml(path)
    windows = content["window"]
    oils = make_rows(content["oil"], Oil, where=f"{path.name}: ", word="oil", label="grade")
    if not oils or oils[0].grade != "*":
        raise ValueError(f'{path.name}: the first oil must have grade "*"; got {oils[0].grade!r}')
    rows: dict[str, int] = {}
    for row, oil in enumerate(oils):
        _check_oil(oil, windows, path)
        for name in (oil.grade, *oil.also):
            if rows.setdefault(_grade_key(name), row) != row:
                raise ValueError(f"{path.name}: grade {name!r} stands twice")
    kv40, kv100 = (np.array([getattr(o, k) for o in oils]) for k in ("kv40", "kv100"))
    a, b = walther_constants(kv40, 40.0, kv100, 100.0)
    return OilTable(
        tuple(o.grade for o in oils),
        rows,
        a,
        b,
        np.array([o.density15 for o in oils]),
        np.array([o.u_relative for o in oils]),
        kv40,
        kv100,
    )


def _check_oil(oil: Oil, windows: dict[str, list[float]], path: Path) -> None:
    name = oil.grade
    if not oil.kv40 > oil.kv100 > 2:
        raise ValueError(f"{path.name}: {name}: kv40 > kv100 > 2 mm2/s needed; got {oil.kv40}, {oil.kv100}")
    hot = re.search(r"(\d+)$", name)
    if hot and hot.group(1) in windows:
        low, high = windows[hot.group(1)]
        if not low <= oil.kv100 < high:
            raise ValueError(f"{path.name}: {name}: kv100 must be in [{low}, {high}); got {oil.kv100}")


def _grade_key(name: str) -> str:
    """``SAE 15W-50``, ``15w50`` and ``15W/50`` are one grade."""
    return re.sub(r"^SAE|[\s/_.-]", "", str(name).strip().upper().replace("SAE ", "SAE"))


def find_grades(
    grades: Any, *, table: OilTable | None = None
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.bool_]]:
    """Rows of the oil table for spellings of a grade.

    Parameters
    ----------
    grades : str, None or array_like of str
        ``SAE 15W-50``, ``15w50`` and ``15W/50`` are one grade.
    table : OilTable, optional
        Default :func:`read_oils`.

    Returns
    -------
    index : ndarray of int, shape (n,)
        Row in the oil table; 0, the stand-in, for missing and unknown spellings.
    known : ndarray of bool, shape (n,)
        Whether the spelling is known.

    Examples
    --------
    >>> from ventbook.physics import oil
    >>> index, known = oil.find_grades(["SAE 20W-50", "20w50", "goose fat"])
    >>> bool(index[0] == index[1]), known.tolist()
    (True, [True, True, False])
    """
    table = table or read_oils()
    column = pd.Series([grades] if isinstance(grades, str) or grades is None else grades, dtype="str")
    codes, names = pd.factorize(column)
    found = np.array([table.rows.get(_grade_key(name), 0) for name in names] + [0], dtype=np.intp)
    index = found[codes]
    return index, index > 0


def walther_constants(nu1: Any, t1_degC: Any, nu2: Any, t2_degC: Any) -> tuple[Floats, Floats]:
    """The two constants of ASTM D341 through two measured viscosities.

    Parameters
    ----------
    nu1, nu2 : array_like, mm2/s
        Kinematic viscosity at the two temperatures.
    t1_degC, t2_degC : array_like, degC
        The two temperatures.

    Returns
    -------
    a, b : ndarray
        Constants of ``log10 log10(nu + 0.7) = a - b log10 T``, T in K; arrays broadcast.

    References
    ----------
    ASTM D341, Standard practice for viscosity-temperature equations and charts for liquid petroleum products.

    Examples
    --------
    An oil of 32 mm2/s at 40 degC and 5.4 mm2/s at 100 degC has 8.5 mm2/s at 80 degC:

    >>> from ventbook.physics import oil
    >>> a, b = oil.walther_constants(32.0, 40.0, 5.4, 100.0)
    >>> round(float(oil.walther_viscosity(a, b, 80.0)), 1)
    8.5
    """
    w1, w2 = (np.log10(np.log10(np.asarray(nu, dtype=float) + 0.7)) for nu in (nu1, nu2))
    l1, l2 = (np.log10(np.asarray(t, dtype=float) + KELVIN) for t in (t1_degC, t2_degC))
    b = (w1 - w2) / (l2 - l1)
    return w1 + b * l1, b


def walther_viscosity(a: Any, b: Any, temperature_degC: Any) -> Floats:
    """Kinematic viscosity at a temperature, by the Walther form of ASTM D341.

    Parameters
    ----------
    a, b : array_like
        Constants of the oil (:func:`walther_constants`, or those of :func:`read_oils`).
    temperature_degC : array_like, degC
        Over -273.15.

    Returns
    -------
    ndarray, mm2/s
        ``nu = 10^10^(a - b log10 T) - 0.7``, T in K; arrays broadcast.

    Raises
    ------
    ValueError
        Where a temperature is not over absolute zero.

    Notes
    -----
    The standard's further terms, for under 2 mm2/s, are not used. Outside 0..120 degC see
    :func:`extrapolated`.

    References
    ----------
    ASTM D341, as for :func:`walther_constants`.

    Examples
    --------
    >>> from ventbook.physics import oil
    >>> table = oil.read_oils()
    >>> row = table.rows["20W50"]
    >>> oil.walther_viscosity(table.a[row], table.b[row], [0.0, 15.0, 40.0, 100.0]).round(1).tolist()
    [2318.6, 711.9, 160.0, 18.5]
    """
    return _walther(np.asarray(a, float), np.asarray(b, float), _temperature(temperature_degC))


def _walther(a: Floats, b: Floats, temperature: Floats) -> Floats:
    # exp and log of base e: a third of the time of 10.0 ** over a million rows
    ln10 = math.log(10.0)
    return np.exp(ln10 * np.exp(ln10 * a - b * np.log(temperature + KELVIN))) - 0.7


def _temperature(temperature_degC: Any) -> Floats:
    temperature = np.asarray(temperature_degC, dtype=float)
    if np.any(temperature <= -KELVIN):
        raise ValueError(f"temperature_degC must be over {-KELVIN}; got {np.nanmin(temperature):g}")
    return temperature


def extrapolated(temperature_degC: Any) -> npt.NDArray[np.bool_]:
    """Whether viscosity at a temperature is by formula outside the range that it is good for.

    Parameters
    ----------
    temperature_degC : array_like, degC
        Missing gives False.

    Returns
    -------
    ndarray of bool
        True under 0 and over 120 degC.

    Examples
    --------
    >>> from ventbook.physics import oil
    >>> oil.extrapolated([-5.0, 0.0, 60.0, 120.0]).tolist()
    [True, False, False, False]
    """
    temperature = np.asarray(temperature_degC, dtype=float)
    return (temperature < FORMULA_RANGE[0]) | (temperature > FORMULA_RANGE[1])


def expand_density(density15: Any, temperature_degC: Any) -> Floats:
    """Density of a lubricating oil at a temperature, from that at 15 degC.

    Parameters
    ----------
    density15 : array_like, kg/m3
        Density at 15 degC.
    temperature_degC : array_like, degC

    Returns
    -------
    ndarray, kg/m3
        ``density15 exp(-r (1 + 0.8 r))`` with ``r = 0.6278 / density15 (temperature - 15)``; arrays
        broadcast.

    References
    ----------
    ASTM D1250 / API MPMS chapter 11.1, lubricating oils (constants from memory).

    Examples
    --------
    >>> from ventbook.physics import oil
    >>> oil.expand_density(880.0, [15.0, 60.0, 100.0]).round(1).tolist()
    [880.0, 851.5, 825.8]
    """
    alpha = LUBE_K1 / np.asarray(density15, dtype=float)
    rise = alpha * (np.asarray(temperature_degC, dtype=float) - 15.0)
    return density15 * np.exp(-rise * (1.0 + 0.8 * rise))


def viscosity_of_rows(rows: npt.NDArray[np.intp], temperature_degC: Floats) -> tuple[Floats, Floats]:
    """Dynamic viscosity and density by rows of the oil table, the stand-in's included.

    Parameters
    ----------
    rows : ndarray of int, shape (n,)
        As :func:`find_grades` gives them.
    temperature_degC : ndarray, shape (n,), degC
        Missing gives missing.

    Returns
    -------
    viscosity : ndarray, shape (n,), Pa s
    density : ndarray, shape (n,), kg/m3

    Raises
    ------
    ValueError
        Where a temperature is not over absolute zero.

    References
    ----------
    ASTM D341 and D1250, as for :func:`walther_viscosity` and :func:`expand_density`.

    Examples
    --------
    >>> import numpy as np
    >>> from ventbook.physics import oil
    >>> rows, known = oil.find_grades(["20W-50"])
    >>> viscosity, density = oil.viscosity_of_rows(rows, np.array([15.0]))
    >>> round(float(viscosity[0]), 3), round(float(density[0]), 1)
    (0.623, 875.0)
    """
    table, temperature = read_oils(), _temperature(temperature_degC)
    rho = expand_density(table.density15[rows], temperature)
    return _walther(table.a[rows], table.b[rows], temperature) * rho * 1e-6, rho


def ambient_pressure_bar(elevation_m: Any) -> Floats:
    """Absolute ambient pressure on a standard day.

    Parameters
    ----------
    elevation_m : array_like, m
        -2000..11000; missing gives missing.

    Returns
    -------
    ndarray, bar
        ``p0 (1 - L / T0 h)^(g / (R L))``, the layer 0..11000 m.

    Raises
    ------
    ValueError
        Outside -2000..11000 m.

    Notes
    -----
    The standard's height is geopotential; a site's elevation is taken as such (at 5000 m the two differ by
    0.08 %, 0.4 hPa). Weather moves the barometer by some 3 %, which is not in here.

    References
    ----------
    ISO 2533:1975, Standard atmosphere.

    Examples
    --------
    >>> from ventbook.physics import oil
    >>> [round(float(oil.ambient_pressure_bar(h)), 4) for h in (0, 1000, 5000)]
    [1.0132, 0.8987, 0.5402]
    """
    height = np.asarray(elevation_m, dtype=float)
    if np.any((height < -2000.0) | (height > 11000.0)):
        raise ValueError(
            f"elevation_m must be in -2000..11000; got {height[(height < -2000) | (height > 11000)].flat[0]:g}"
        )
    atmosphere = ISO2533
    power = GRAVITY / (atmosphere["gas"] * atmosphere["lapse"])
    pressure = (
        atmosphere["pressure"] * (1.0 - atmosphere["lapse"] / atmosphere["temperature"] * height) ** power
    )
    return pressure / 1e5
