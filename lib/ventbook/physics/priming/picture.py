"""Does the picture behind the expectation hold: recorded over expected rotations against what the expectation is made of.

A pump that lets air through passes it both ways: under tank pressure the air of line and cooler leaves through the standing pump
before the first rotation, and the job takes fewer rotations than tank pressure alone explains. So the plain test is whether
jobs fall short of their expectation the more, the larger the share of air on a pressurised suction side.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from ventbook import distributions as stats
from ventbook.numerics import Floats, factorize
from ventbook.physics.priming.formula import bubble_rise_m_per_s
from ventbook.physics.priming.inputs import BLANKS, read_inputs
from ventbook.physics.priming.interval_fit import IntervalFit, fit_interval
from ventbook.physics.priming.ratio import (
    FEWEST_COUNTS,
    FEWEST_ENGINES,
    t_interval,
    type_levels,
    usable_counts,
)
from ventbook.results import Estimate, NotEnoughData, no_estimate
from ventbook.tables.evidence import load_budget

FAMILY = "times_and_counts.picture"
METHOD = "log ratio on the share of suction air under pressure, clustered by engine"
KNOTS = (0.1, 0.5, 0.9)


@dataclass(frozen=True)
class LetThrough:
    """``ratio``: recorded over expected rotations of a job that is all suction air under tank pressure, against jobs without
    pressure, where the picture says 1. ``p``: chance of one as low where it holds (one-sided), None without a number.
    ``found`` where that is within the share of the error budget.
    """

    ratio: Estimate
    p: float | None
    found: bool


def check_let_through(jobs: pd.DataFrame, *, level: float = 0.95) -> LetThrough:
    """Whether pumps let air through, from the counts of pressurised and unpressurised jobs.

    Parameters
    ----------
    jobs : DataFrame
        One row a venting with engine_id, engine_type, tank_overpressure_bar, rotations_low, rotations_high and the
        columns of :func:`expected_rotations`. Jobs whose tank pressure, lines or cooler were not recorded are left out.
    level : float
        Confidence level of the ratio's interval.

    Returns
    -------
    LetThrough
        Without a number where fewer than 8 shown counts a side or 3 engines are left.

    Notes
    -----
    Slope of log(recorded / expected) on the expectation's share of suction air times pressurised (yes = 1), beside the share
    itself and a level of each engine type; counts as intervals, jackknife over engines, t with engines - 1 degrees of freedom.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.physics import priming
    >>> found = priming.check_let_through(ventbook.read_ventings("data/demo/store"))
    >>> found.ratio.state, found.found
    ('estimated', True)
    """
    used = _known(usable_counts(jobs))
    pressed = (used["tank_overpressure_bar"].to_numpy(float, na_value=np.nan) > 0) & (used["_share"] > 0)
    shown = np.isfinite(used["_high"].to_numpy())
    engines = int(used["engine_id"].nunique())
    size = {"level": level, "unit": "ratio", "n": len(used), "clusters": engines, "method": METHOD}
    sides = min(int((shown & pressed).sum()), int((shown & ~pressed).sum()))
    if sides < FEWEST_COUNTS or engines < FEWEST_ENGINES:
        return LetThrough(no_estimate("too_few", **size), None, False)  # type: ignore[arg-type]
    # held against a sealed pump, whatever the constants say of this fleet's
    used = used.assign(_expected=np.log(used["expected_sealed"]))
    share = used["_share"].to_numpy()
    try:
        fit = _fit(used, np.column_stack([share, share * pressed]))
    except NotEnoughData as error:
        return LetThrough(no_estimate("too_few", note=str(error), **size), None, False)  # type: ignore[arg-type]
    slope, variance = float(fit.theta[-2]), float(fit.variance()[-2, -2])
    low, high = t_interval(slope, variance, engines, level)
    p = float(stats.t.cdf(slope / np.sqrt(variance), engines - 1))
    middle, low, high = np.exp([slope, low, high])
    return LetThrough(Estimate(middle, low, high, **size), p, p <= load_budget().share(FAMILY))  # type: ignore[arg-type]


def smooth_ratio(jobs: pd.DataFrame, *, by: str, level: float = 0.95, points: int = 40) -> pd.DataFrame:
    """Recorded over expected rotations along one input, as a smooth curve with its band.

    Parameters
    ----------
    jobs : DataFrame
        As :func:`check_let_through` takes it, with the column ``by``; rows without it are left out.
    by : str
        A column of numbers, or "suction_share": the share of the expectation that draws air from the suction side.
    level : float
        Confidence level of the band, point by point.
    points : int
        Along the input, from its 2 to its 98 % quantile.

    Returns
    -------
    DataFrame
        x, ratio, low, high; no rows where there are too few counts or the input hardly varies.

    Notes
    -----
    A restricted cubic spline with three knots at the 10, 50 and 90 % quantiles (of the values over the least where most have it), at the fleet's mix of engine types.

    References
    ----------
    F. E. Harrell, Regression Modeling Strategies (2001), 2.4.4 (from memory).

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.physics import priming
    >>> curve = priming.smooth_ratio(ventbook.read_ventings("data/demo/store"), by="oil_temperature_degC")
    >>> bool((curve["low"] <= curve["ratio"]).all() and (curve["ratio"] <= curve["high"]).all())
    True
    """
    empty = pd.DataFrame(columns=["x", "ratio", "low", "high"], dtype=float)
    used = _known(usable_counts(jobs))
    x = used["_share" if by == "suction_share" else by].to_numpy(float, na_value=np.nan)
    used, x = used[np.isfinite(x)], x[np.isfinite(x)]
    engines = int(used["engine_id"].nunique())
    if np.isfinite(used["_high"].to_numpy()).sum() < 3 * FEWEST_COUNTS or engines < FEWEST_ENGINES:
        return empty
    knots = np.quantile(x, KNOTS)
    if (
        not (np.diff(knots) > 0).all() and (x > x.min()).any()
    ):  # many jobs at nought: the curve is bent by the others
        knots = np.quantile(x[x > x.min()], KNOTS)
    if not (np.diff(knots) > 0).all():
        return empty
    try:
        fit = _fit(used, _spline(x, knots))
    except NotEnoughData:
        return empty
    start, end = np.quantile(x, [0.02, 0.98])
    at = np.linspace(start, end, points)
    levels = type_levels(used)
    design = np.column_stack([np.tile(levels.mean(axis=0), (points, 1)), _spline(at, knots)])
    middle = design @ fit.theta[:-1]
    spread = np.sqrt(np.einsum("ij,jk,ik->i", design, fit.variance()[:-1, :-1], design))
    half = stats.t.ppf(0.5 + level / 2, engines - 1) * spread
    return pd.DataFrame(
        {"x": at, "ratio": np.exp(middle), "low": np.exp(middle - half), "high": np.exp(middle + half)}
    )


def count_layered(jobs: pd.DataFrame) -> tuple[int, int]:
    """Ventings with empty lines in which oil follows more slowly than a bubble as wide as the line rises, and of how many.

    Parameters
    ----------
    jobs : DataFrame
        As :func:`expected_rotations` takes it.

    Returns
    -------
    tuple of int
        Where the oil is slower, air may stay at a crest of the line and be drawn later; no record says whether it did.

    Examples
    --------
    >>> import pandas as pd
    >>> from ventbook.physics import priming
    >>> jobs = pd.DataFrame({"engine_type": "flat4", "lines_empty": True, "suction_line_bore_mm": [6.0, 13.0], "oil_temperature_degC": 20.0})
    >>> priming.count_layered(jobs)
    (1, 2)
    """
    empty = jobs[jobs["lines_empty"].eq(True).fillna(False).astype(bool)]
    v = read_inputs(empty).value
    flow = v["air_efficiency"] * v["pump_displacement_cm3"] * v["turning_speed_rpm"] / 60.0
    oil_m_per_s = flow / (np.pi / 4.0 * v["suction_line_bore_mm"] ** 2)  # cm3/s over mm2 is m/s
    rise = bubble_rise_m_per_s(v["suction_line_bore_mm"], v["viscosity_Pa_s"], v["density_kg_per_m3"])
    return int((rise > oil_m_per_s).sum()), len(empty)


def _known(used: pd.DataFrame) -> pd.DataFrame:
    """Rows whose tank pressure and state of the suction side are recorded, with ``_share`` of suction air in the expectation."""
    known = used["tank_overpressure_bar"].notna().to_numpy(bool, copy=True)
    for stake in BLANKS.values():
        known &= used[stake].fillna(0.0).to_numpy(float) <= 0
    used = used[known]
    share = 1.0 - used["expected_pressure_side"] / used["expected_sealed"]
    return used.assign(_share=share.clip(0.0, 1.0).astype(float))


def _fit(used: pd.DataFrame, columns: Floats) -> IntervalFit:
    cluster, names = factorize(used["engine_id"])
    expected = used["_expected"].to_numpy()
    design = np.column_stack([type_levels(used), columns])
    return fit_interval(
        used["_low"].to_numpy() - expected, used["_high"].to_numpy() - expected, design, cluster, len(names)
    )


def _spline(x: Floats, knots: Floats) -> Floats:
    """Two columns: x, and a curve that is straight beyond the outer knots."""
    first, middle, last = knots
    scale = (last - first) ** 2

    def cube(knot: float) -> Floats:
        return np.maximum(x - knot, 0.0) ** 3

    bend = (
        cube(first)
        - cube(middle) * (last - first) / (last - middle)
        + cube(last) * (middle - first) / (last - middle)
    ) / scale
    return np.column_stack([x, bend])
