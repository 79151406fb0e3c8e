"""Observed against expected rotations over a fleet: one multiplier an engine type, and whether the physics pays.

The multiplier is the median of observed over expected, log-normal scatter, counts as the intervals (low, high] that
they stand for (heaped counts wide, given-up ones open), clustered by engine. Beside it stand two predictions that
know no physics, each scored on engines it has not seen.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from ventbook.numerics import Floats, factorize
from ventbook.physics.priming.constants import fit_constants
from ventbook.physics.priming.expect import expected_rotations
from ventbook.physics.priming.interval_fit import IntervalFit, fit_interval, log_likelihood
from ventbook.physics.priming.ratio import (
    FEWEST_COUNTS,
    FEWEST_ENGINES,
    fit_ratio,
    type_levels,
    usable_counts,
)
from ventbook.results import NotEnoughData

FOLDS = 5
METHODS = ("physics", "raw_mean", "regression")
# What a regression without physics may use: state and sizes as written down
_COVARIATES = (
    "lines_empty",
    "cooler_empty",
    "filter_new",
    "tank_overpressure_bar",
    "suction_line_length_m",
    "suction_line_bore_mm",
    "cooler_volume_L",
    "tank_head_m",
)


@dataclass(frozen=True)
class FleetCalibration:
    """``multipliers``: engine_type, estimate, low, high, level, scatter (sd of the log of one job), n, engines, state,
    note. ``errors``: method, log_error (root mean square log error of counts), log_score (mean log probability of
    the recorded interval; higher is better), n, engines, state. ``best``: the method with the highest score, "" if
    too few. Every error is on engines left out of the fit.
    """

    multipliers: pd.DataFrame
    errors: pd.DataFrame
    best: str


def calibrate_fleet(jobs: pd.DataFrame, *, level: float = 0.95) -> FleetCalibration:
    """Multiplier between recorded and expected rotations by engine type, and whether the physics predicts better than none.

    Parameters
    ----------
    jobs : DataFrame
        One row a venting with engine_id, engine_type, rotations_low, rotations_high (crankshaft rotations,
        (low, high], infinite where given up), expected_rotations and expected_state, as the table of ventings
        has them; rows without a count or an expectation are left out. The regression uses what of
        lines_empty, cooler_empty, filter_new, tank_overpressure_bar, line length and bore, cooler_volume_L
        and tank_head_m is there.
    level : float
        Confidence level of the multipliers' intervals.

    Returns
    -------
    FleetCalibration
        ``multipliers`` by engine type, ``errors`` of the three predictions (physics, raw mean, regression
        without physics) on engines left out of the fit, and ``best``, the one with the highest score.

    Raises
    ------
    ValueError
        Naming all columns that are missing.

    Notes
    -----
    Log-normal scatter, counts as the intervals that they stand for, clustered by engine. Engine types with
    fewer than 3 engines or 8 shown counts get the state ``too_few`` and no number.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.physics import priming
    >>> fleet = priming.calibrate_fleet(ventbook.read_ventings("data/demo/store"))
    >>> fleet.multipliers["engine_type"].tolist()
    ['flat4', 'flat4t', 'flat6']
    >>> fleet.best
    'physics'
    """
    missing = [
        name
        for name in (
            "engine_id",
            "engine_type",
            "rotations_low",
            "rotations_high",
            "expected_rotations",
            "expected_state",
        )
        if name not in jobs.columns
    ]
    if missing:
        raise ValueError(f"jobs must have the columns {', '.join(missing)}")
    used = usable_counts(jobs)
    types = sorted(str(t) for t in jobs["engine_type"].dropna().unique())
    multipliers = pd.DataFrame([_multiplier(used[used["engine_type"] == t], t, level) for t in types])
    if multipliers.empty:
        multipliers = pd.DataFrame(
            columns=[
                "engine_type",
                "estimate",
                "low",
                "high",
                "level",
                "scatter",
                "n",
                "engines",
                "state",
                "note",
            ]
        )
    errors, best = _compare(used)
    return FleetCalibration(multipliers, errors, best)


def _shown(used: pd.DataFrame) -> npt.NDArray[np.bool_]:
    return np.isfinite(used["_high"].to_numpy())


def _multiplier(used: pd.DataFrame, engine_type: str, level: float) -> dict[str, object]:
    engines = used["engine_id"].unique()
    n, shown = len(used), int(_shown(used).sum())
    row: dict[str, object] = {"engine_type": engine_type, "estimate": np.nan, "low": np.nan, "high": np.nan, "level": level,
                              "scatter": np.nan, "n": n, "engines": len(engines), "state": "too_few", "note": ""}  # fmt: skip
    if len(engines) < FEWEST_ENGINES or shown < FEWEST_COUNTS:
        return row | {
            "note": f"{shown} counts on {len(engines)} engines; needs {FEWEST_COUNTS} on {FEWEST_ENGINES}"
        }
    try:
        fit = fit_ratio(used, level=level)
    except NotEnoughData as error:
        return row | {"note": str(error)}
    low, high = np.exp([fit.low, fit.high])
    return row | {"estimate": np.exp(fit.centre), "low": low, "high": high, "scatter": fit.scatter,
                  "state": "estimated", "note": fit.note}  # fmt: skip


def _compare(used: pd.DataFrame) -> tuple[pd.DataFrame, str]:
    cluster, engines = factorize(used["engine_id"])
    shown = _shown(used)
    enough = len(engines) >= 2 * FEWEST_ENGINES and int(shown.sum()) >= 3 * FEWEST_COUNTS
    rows = []
    for method in METHODS:
        row: dict[str, object] = {"method": method, "log_error": np.nan, "log_score": np.nan, "n": len(used),
                                  "engines": len(engines), "state": "too_few"}  # fmt: skip
        if enough:
            with suppress(NotEnoughData):  # without a fit there is nothing to score: the row stays too_few
                row |= _score_method(used, method, cluster, len(engines), shown)
        rows.append(row)
    errors = pd.DataFrame(rows)
    settled = bool((errors["state"] == "estimated").all())
    return errors, METHODS[int(np.argmax(errors["log_score"].to_numpy()))] if settled else ""


def _score_method(
    used: pd.DataFrame, method: str, cluster: npt.NDArray[np.int64], groups: int, shown: npt.NDArray[np.bool_]
) -> dict[str, object]:
    low, high = used["_low"].to_numpy(), used["_high"].to_numpy()
    offset = _expect_left_out(used, cluster) if method == "physics" else np.zeros(len(used))
    design = _design(used, with_covariates=method == "regression")
    fit: IntervalFit = fit_interval(low - offset, high - offset, design, cluster, groups)
    theta = fit.left_out[cluster]
    mean = offset + np.einsum("ij,ij->i", design, theta[:, :-1])
    score = np.maximum(log_likelihood(low, high, mean, np.exp(np.clip(theta[:, -1], -4.0, 2.0))), -30.0)
    middle = np.log((np.exp(low[shown]) + np.exp(high[shown])) / 2.0)
    return {
        "log_error": float(np.sqrt(np.mean((middle - mean[shown]) ** 2))),
        "log_score": float(score.mean()),
        "state": "estimated",
    }


def _expect_left_out(used: pd.DataFrame, cluster: npt.NDArray[np.int64]) -> Floats:
    """Log expectation of each row by constants that its engine had no part in: a fifth of the engines left out at a time.

    As it stands where the records that the formula takes aren't there.
    """
    expected = used["_expected"].to_numpy(float).copy()
    if not {"lines_empty", "tank_overpressure_bar"} <= set(used.columns):
        return expected
    for fold in range(FOLDS):
        out = cluster % FOLDS == fold
        constants = fit_constants(used[~out])
        again = expected_rotations(used[out], constants=constants)["expected_rotations"].to_numpy(float)
        expected[out] = np.where(np.isnan(again), expected[out], np.log(again))
    return expected


def _design(used: pd.DataFrame, *, with_covariates: bool) -> Floats:
    """The engine types' levels, then the covariates, centred."""
    design = type_levels(used)
    if not with_covariates:
        return design
    extra = []
    for name in _COVARIATES:
        if name not in used.columns:
            continue
        values = used[name].to_numpy(float, na_value=np.nan)
        unknown = np.isnan(values)
        if unknown.all():
            continue
        values = np.where(unknown, np.nanmean(values), values) - np.nanmean(values)
        if np.ptp(values) > 0:
            extra.append(values / values.std())
        if 0.02 < unknown.mean() < 0.98:
            extra.append(unknown - unknown.mean())
    return np.column_stack([design, *extra])
