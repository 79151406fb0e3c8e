"""Bias of a gauge against reference gaps, and the straight line behind it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from ventbook.numerics import judge_fit
from ventbook.results import Estimate, NotEnoughData, no_estimate


def measure_bias(data: pd.DataFrame, *, level: float = 0.95) -> tuple[Estimate, Estimate]:
    """Bias against the reference gap (mm) and how it grows with the gap (mm a mm).

    From the mean reading of each lifter that has a reference; a lifter is the unit. Bias: mean difference with a t
    interval (three lifters at least); slope: least squares of difference on reference (four lifters at least).
    """
    method = "mean reading of each lifter less its reference"
    if "reference_gap_mm" not in data.columns or not data["reference_gap_mm"].notna().any():
        nothing = no_estimate(
            "not_recorded", level=level, unit="mm", n=0, method=method, note="no reference gap"
        )
        return nothing, no_estimate("not_recorded", level=level, unit="mm/mm", n=0, method=method)
    known = data[data["reference_gap_mm"].notna()]
    means = known.groupby("lifter", observed=True)[["gap_mm", "reference_gap_mm"]].mean()
    x = means["reference_gap_mm"].to_numpy(dtype=float)
    d = means["gap_mm"].to_numpy(dtype=float) - x
    k = d.size
    if k < 3:
        few = no_estimate(
            "too_few", level=level, unit="mm", n=len(known), clusters=k, method=method, note="under 3 lifters"
        )
        return few, no_estimate("too_few", level=level, unit="mm/mm", n=len(known), clusters=k, method=method)
    why = judge_fit(spread=float(d.std(ddof=1)))
    if why:
        note = f"every lifter reads {d.mean():+.3f} mm against its reference: {why}"
        few = no_estimate(
            "too_few", level=level, unit="mm", n=len(known), clusters=k, method=method, note=note
        )
        return few, no_estimate(
            "too_few", level=level, unit="mm/mm", n=len(known), clusters=k, method=method, note=note
        )
    t = float(stats.t.ppf(0.5 + level / 2, k - 1))
    half = t * float(d.std(ddof=1)) / np.sqrt(k)
    bias = Estimate(float(d.mean()), d.mean() - half, d.mean() + half, level, "mm", len(known), k, method)
    line = fit_line(x, d) if k >= 4 and np.ptp(x) > 0 else None
    if line is None or judge_fit(spread=line.residual_sd):
        return bias, no_estimate(
            "too_few", level=level, unit="mm/mm", n=len(known), clusters=k, method=method
        )
    t = float(stats.t.ppf(0.5 + level / 2, k - 2))
    slope = Estimate(
        line.slope, line.slope - t * line.slope_error, line.slope + t * line.slope_error, level, "mm/mm", len(known), k,
        "least squares of bias on reference",
    )  # fmt: skip
    return bias, slope


@dataclass(frozen=True)
class Line:
    """Least-squares line y = intercept + slope (x - origin)."""

    intercept: float
    slope: float
    intercept_error: float
    slope_error: float
    correlation: float
    residual_sd: float
    origin: float

    def at(self, x: float) -> tuple[float, float]:
        """Value of the line at x and its standard error."""
        d = x - self.origin
        variance = self.intercept_error**2 + (d * self.slope_error) ** 2
        variance += 2 * d * self.correlation * self.intercept_error * self.slope_error
        return self.intercept + self.slope * d, float(np.sqrt(variance))


def fit_line(x: np.ndarray, y: np.ndarray, *, origin: float = 0.0) -> Line:
    """Ordinary least squares with standard errors and their correlation; x must vary and hold three values."""
    x, y = np.asarray(x, dtype=float) - origin, np.asarray(y, dtype=float)
    if x.size < 3 or np.ptp(x) <= 0:
        raise NotEnoughData("line, different x values", n=len(np.unique(x)), needed=3)
    design = np.column_stack([np.ones_like(x), x])
    inverse = np.linalg.inv(design.T @ design)
    coefficients = inverse @ design.T @ y
    sd = float(np.sqrt(((y - design @ coefficients) ** 2).sum() / (x.size - 2)))
    errors = sd * np.sqrt(np.diag(inverse))
    r = float(inverse[0, 1] / np.sqrt(inverse[0, 0] * inverse[1, 1]))
    (a, b), (ea, eb) = coefficients.tolist(), errors.tolist()
    return Line(a, b, ea, eb, r, sd, origin)
