"""Whether a fitted distribution describes the readings: standardised residuals against the model's own curve."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from ventbook.numerics import Floats
from ventbook.statistics.waiting_times.curves import estimate_curve
from ventbook.statistics.waiting_times.design import build_design
from ventbook.statistics.waiting_times.intervals import check_steps
from ventbook.statistics.waiting_times.likelihood import NODES, SHAPES
from ventbook.statistics.waiting_times.regression import AftFit, fit_aft


@dataclass(frozen=True)
class ResidualCheck:
    """``points``: residual, observed (share of residuals above it, interval-censored curve with low and high)
    and expected by the distribution; ``distance`` the largest gap between the model and the
    residuals (see find_distance); ``p`` the share of simulated
    fleets of the fitted model whose own fit lies as far away (None where no fit stands)."""

    points: pd.DataFrame
    distance: float
    p: float | None
    sentence: str


def _standardise(fit: AftFit, low: Floats, high: Floats, step: Floats, line: Floats) -> tuple[Floats, Floats]:
    """Ends of the residuals; readings with a step one more axis long, at even places in the step."""
    if step.any():
        place = (np.arange(NODES) + 0.5) / NODES
        low, high = (np.maximum(end[:, None] - step[:, None] * place, 0.0) for end in (low, high))
        line = line[:, None]
    with np.errstate(divide="ignore"):
        return (np.log(low) - line) / fit.scale, (np.log(high) - line) / fit.scale


def find_distance(distribution: str, z_low: Floats, z_high: Floats) -> float:
    """Largest gap between the model and the residuals given the model.

    With a = F(z_low) and b = F(z_high) a residual is spread evenly over (a, b]; the mean of these over all residuals is the
    uniform distribution where the model holds. Ends with two axes are those of one reading at several places of its step:
    it is spread over all of them by their probabilities.
    """
    shape = SHAPES[distribution]
    a = -np.expm1(shape.log_above(np.maximum(z_low, -700.0)))
    b = np.where(np.isinf(z_high), 1.0, -np.expm1(shape.log_above(np.minimum(z_high, 700.0))))
    grid = np.linspace(0.02, 0.98, 49)
    width = np.maximum(b - a, 1e-9)
    if a.ndim == 1:
        inside = np.clip((grid[:, None] - a) / width, 0.0, 1.0)
    else:
        share = width / width.sum(axis=1, keepdims=True)
        inside = np.stack([(np.clip((u - a) / width, 0.0, 1.0) * share).sum(axis=1) for u in grid])
    return float(np.max(np.abs(inside.mean(axis=1) - grid)))


def _draw_points(distribution: str, z_low: Floats, z_high: Floats) -> pd.DataFrame:
    # e^z keeps order and open ends, and the curve asks for times of at least 0
    curve = estimate_curve(
        np.exp(z_low), np.exp(np.minimum(z_high, 500.0)) + np.where(np.isinf(z_high), np.inf, 0)
    )
    with np.errstate(divide="ignore"):
        z = np.log(curve.right)
    expected = np.exp(SHAPES[distribution].log_above(z))
    return pd.DataFrame(
        {
            "residual": z,
            "observed": curve.survival,
            "low": curve.low,
            "high": curve.high,
            "expected": expected,
        }
    )


def check_residuals(
    fit: AftFit,
    low: ArrayLike,
    high: ArrayLike,
    covariates: pd.DataFrame | ArrayLike | None = None,
    *,
    step: ArrayLike | None = None,
    rng: np.random.Generator,
    simulations: int = 19,
) -> ResidualCheck:
    """Compare standardised residuals of a regression with the fitted distribution.

    Parameters
    ----------
    fit : AftFit
        As :func:`fit_aft` gives it.
    low, high : array_like, shape (n,)
        The readings it was fitted to.
    covariates : DataFrame or array_like, optional
        The covariates that it was fitted with.
    step : array_like, shape (n,), optional
        As for the fit.
    rng : Generator
        Source of the draws, which makes the check repeatable.
    simulations : int
        Fleets simulated from the fit.

    Returns
    -------
    ResidualCheck
        ``points`` to draw, the largest ``distance``, its ``p`` (None where no fit stands) and a sentence.

    Notes
    -----
    Residuals are interval-censored. The largest gap is judged against fleets simulated from the fit: the same
    covariates, times drawn from the model and read with the same widths and the same open ends, fitted again
    with the same distribution. Rows the fit could not use must be left out by the caller.

    Examples
    --------
    >>> import numpy as np
    >>> from ventbook.statistics import waiting_times
    >>> low = np.linspace(2.0, 5.0, 30)
    >>> fit = waiting_times.fit_aft(low, low + 0.5, distribution="log-normal")
    >>> check = waiting_times.check_residuals(fit, low, low + 0.5, rng=np.random.default_rng(1))
    >>> 0 < check.p <= 1
    True
    """
    if fit.errors is None:
        empty = pd.DataFrame(columns=["residual", "observed", "low", "high", "expected"])
        return ResidualCheck(empty, 0.0, None, "no regression, so nothing to check")
    lo = np.asarray(low, dtype=np.float64)
    hi = np.asarray(high, dtype=np.float64)
    design = build_design(
        np.empty((lo.size, 0)) if covariates is None else covariates, references=fit.references
    )
    place = {column.name: j for j, column in enumerate(design.columns)}
    x = design.matrix[:, [place[column.name] for column in fit.columns]]
    steps = check_steps(step, lo, hi)
    begun = np.zeros(lo.size) if steps is None else steps
    keep = ~(np.isnan(lo) | np.isnan(hi) | (hi <= 0) | np.isnan(x).any(axis=1))
    lo, hi, begun, x = lo[keep], hi[keep], begun[keep], x[keep]
    line = fit.beta[0] + x @ fit.beta[1:]
    distance = find_distance(fit.distribution, *_standardise(fit, lo, hi, begun, line))
    points = _draw_points(
        fit.distribution, *_standardise(fit, np.maximum(lo - begun, 0.0), hi, 0.0 * lo, line)
    )
    width = np.where(np.isfinite(hi), hi - lo, np.nan)
    typical = float(np.nanmedian(width)) if np.isfinite(width).any() else 0.0
    gone = np.isinf(hi)
    beyond = 0
    for _ in range(simulations):
        draw = np.exp(line + fit.scale * _draw(fit.distribution, rng, lo.size))
        draw += begun * rng.random(lo.size) if begun.any() else 0.0  # counted from the step's earliest moment
        wide = np.where(np.isnan(width), typical, width)
        sim_low = np.where(wide > 0, np.floor(draw / np.where(wide > 0, wide, 1.0)) * wide, draw)
        sim_high = np.maximum(sim_low + wide, begun)
        stopped = gone & (draw > lo)
        sim_low, sim_high = np.where(stopped, lo, sim_low), np.where(stopped, np.inf, sim_high)
        again = fit_aft(sim_low, sim_high, x, step=begun, distribution=fit.distribution)
        if again.errors is None or again.beta.size != fit.beta.size:
            continue
        sim_line = again.beta[0] + x @ again.beta[1:]
        ends = _standardise(again, sim_low, sim_high, begun, sim_line)
        beyond += find_distance(again.distribution, *ends) >= distance
    p = (beyond + 1) / (simulations + 1)
    sentence = (
        f"The {fit.distribution} distribution describes the readings: the largest gap to their curve is "
        f"{100 * distance:.0f} points, as {100 * p:.0f} in 100 simulated fleets of that distribution show."
        if p > 0.05
        else f"The {fit.distribution} distribution does not describe these readings well (largest gap to their curve "
        f"{100 * distance:.0f} points): read the curve rather than the regression for tails."
    )
    return ResidualCheck(points, distance, p, sentence)


def _draw(distribution: str, rng: np.random.Generator, size: int) -> Floats:
    if distribution == "log-normal":
        return rng.normal(size=size)
    if distribution == "Weibull":
        return np.log(rng.exponential(size=size))
    return rng.logistic(size=size)
