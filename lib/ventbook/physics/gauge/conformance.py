"""What a reading says about the true gap, and how many verdicts are wrong over the long run.

A single reading has a probability that its true gap is over the limit, and guard bands [1], [2]. Over a fleet some lifters pass
though over the limit and some fail though within it: both shares, with intervals by engines drawn anew [3].

References
----------
[1] JCGM 106:2012, Evaluation of measurement data - the role of measurement uncertainty in conformity
    assessment.
[2] ISO 14253-1:2017, decision rules for verifying conformity.
[3] D. B. Rubin, Ann. Statist. 9 (1981) 130: the Bayesian bootstrap.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from ventbook.model.verdicts import is_over
from ventbook.physics.gauge.fleet import (
    Floats,
    GapDistribution,
    Readings,
    climb,
    deconvolve_readings,
    group_readings,
    tell_likelihood,
)
from ventbook.results import Estimate, NotEnoughData, no_estimate
from ventbook.tables import assumed_gauge, evidence

ASSUMED_U_MM = assumed_gauge().u or 0.0
"""Standard uncertainty (mm) of a gap reading where nothing is known of the gauge (``data/gauges.toml``); every
number that rests on it is marked "assumed"."""

Array = npt.NDArray[np.float64]
METHOD = "fleet's own distribution of true gaps, interval by engines drawn anew"
SLICES = 101
DRAWS, DRAWS_AT_ONCE, DRAW_STEPS = 200, 8, 200
Judgements = tuple[Floats, Floats, Floats, Floats]
MOST_GAUGES = 40


def over_limit_probability(
    gap: npt.ArrayLike,
    u: npt.ArrayLike,
    limit: npt.ArrayLike,
    *,
    bias: npt.ArrayLike = 0.0,
    bias_u: npt.ArrayLike = 0.0,
) -> Array:
    """Probability that the true gap is over the limit, given the reading and what is known of its gauge.

    Parameters
    ----------
    gap : array_like, mm
        Reading; NaN = not recorded, gives NaN.
    u : array_like, mm
        Standard uncertainty of a reading, 0 or more; NaN gives NaN.
    limit : array_like, mm
        NaN gives NaN.
    bias, bias_u : array_like, mm
        How much the gauge reads high (reading less truth), and its standard uncertainty.

    Returns
    -------
    ndarray, 0..1
        Of the broadcast shape: ``Phi((gap - bias - limit) / sqrt(u^2 + bias_u^2))``. Without any uncertainty
        the reading less the bias is taken as true: 1 over the limit, 0 at or under it.

    Raises
    ------
    ValueError
        Where u or bias_u is under 0.

    References
    ----------
    JCGM 106:2012, the role of measurement uncertainty in conformity assessment (flat prior); JCGM 100:2008, F.2.4.5:
    a known bias is corrected for, and the correction's uncertainty is part of the result's.

    Examples
    --------
    >>> from ventbook.physics import gauge
    >>> gauge.over_limit_probability([0.46, 0.50, 0.52], 0.02, 0.50).round(3).tolist()
    [0.023, 0.5, 0.841]

    A reading of .56 by a gauge known to read .09 high, against a limit of .50:

    >>> gauge.over_limit_probability(0.56, 0.02, 0.50, bias=0.09, bias_u=0.005).round(3).item()
    0.073
    """
    gap, u, limit, bias, bias_u = np.broadcast_arrays(
        *(np.asarray(v, dtype=float) for v in (gap, u, limit, bias, bias_u))
    )
    if np.any(u < 0) or np.any(bias_u < 0):
        raise ValueError("u and bias_u must be 0 mm or more")
    corrected, u = gap - bias, np.hypot(u, bias_u)
    sure = u == 0
    p = special.ndtr((corrected - limit) / np.where(sure, 1.0, u))
    known = ~(np.isnan(corrected) | np.isnan(u) | np.isnan(limit))
    return np.where(sure & known, is_over(corrected, limit).astype(float), p)


def guard_band(
    limit: float, u: float, *, probability: float = 0.95, bias: float = 0.0, bias_u: float = 0.0
) -> float:
    """Largest reading that may be accepted so that the true gap is within the limit with a given probability.

    Parameters
    ----------
    limit : float, mm
    u : float, mm
        Standard uncertainty of a reading, 0 or more.
    probability : float
        0.95 = 95 %.
    bias, bias_u : float, mm
        How much the gauge reads high (reading less truth), and its standard uncertainty.

    Returns
    -------
    float, mm
        ``limit + bias - z sqrt(u^2 + bias_u^2)``, z the one-sided normal quantile (1.645 for 95 %); never
        under 0.

    Raises
    ------
    ValueError
        Where u or bias_u is under 0 or the probability is not between 0 and 1.

    References
    ----------
    ISO 14253-1:2017, decision rules for verifying conformity.

    Examples
    --------
    >>> from ventbook.physics import gauge
    >>> round(gauge.guard_band(0.50, 0.02), 4)
    0.4671
    """
    if not (u >= 0 and bias_u >= 0):
        raise ValueError(f"u and bias_u must be 0 mm or more; got {u!r} and {bias_u!r}")
    if not 0 < probability < 1:
        raise ValueError(f"probability must lie between 0 and 1; got {probability!r}")
    return float(max(0.0, limit + bias - special.ndtri(probability) * np.hypot(u, bias_u)))


@dataclass(frozen=True)
class WrongVerdicts:
    """Shares of all lifters, and of those passed and failed, for a fleet's distribution of true gaps.

    over : truly over the limit; failed : read over the acceptance limit; false_pass, false_fail : both wrong ways, as
    shares of all lifters; passed_wrongly, failed_wrongly : of those passed and of those failed.
    """

    over: float
    failed: float
    false_pass: float
    false_fail: float
    passed_wrongly: float
    failed_wrongly: float


@dataclass(frozen=True)
class LongRun:
    """Wrong verdicts over the long run: shares ``failed_wrongly`` of the lifters that read over, ``false_pass`` of all.

    ``verdicts`` has both with the rest, ``guarded`` the same if readings only up to ``accept_mm`` pass, so that each passed
    lifter is within the limit with 95 % probability; None where there are too few readings.
    """

    failed_wrongly: Estimate
    false_pass: Estimate
    verdicts: WrongVerdicts | None = None
    guarded: WrongVerdicts | None = None
    accept_mm: float | None = None


def expect_wrong_verdicts(
    spread: GapDistribution, *, u: float, limit: float, accept: float | None = None, bias: float = 0.0
) -> WrongVerdicts:
    """Wrong verdicts in a fleet over the long run: lifters that pass though over the limit, or fail though within it.

    Parameters
    ----------
    spread : GapDistribution
        True gaps of the fleet, as :func:`deconvolve_gaps` gives them.
    u : float, mm
        Standard deviation of a reading's error.
    limit : float, mm
    accept : float, mm, optional
        Largest reading that passes; default the limit.
    bias : float, mm
        How much the gauge reads high.

    Returns
    -------
    WrongVerdicts
        Shares of all lifters (over, failed, false_pass, false_fail), of those passed (passed_wrongly) and of
        those failed (failed_wrongly).

    Raises
    ------
    ValueError
        Where the limit is not over 0 or u is under 0.

    Examples
    --------
    A guard band lets fewer pass wrongly and fails more that are sound:

    >>> import numpy as np
    >>> from ventbook.physics import gauge
    >>> fleet = gauge.GapDistribution(np.array([0.2, 0.48, 0.8]), 0.02, np.array([0.9, 0.05, 0.05]), 1000, 0)
    >>> plain = gauge.expect_wrong_verdicts(fleet, u=0.02, limit=0.5)
    >>> guarded = gauge.expect_wrong_verdicts(fleet, u=0.02, limit=0.5, accept=gauge.guard_band(0.5, 0.02))
    >>> guarded.false_pass < plain.false_pass, guarded.false_fail > plain.false_fail
    (True, True)
    """
    return _sum_verdicts(spread, _judge_components(spread, u, limit, accept, bias))


def _sum_verdicts(spread: GapDistribution, parts: Judgements) -> WrongVerdicts:
    """The shares over all components, from each one's (:func:`_judge_components`)."""
    over, failed, false_pass, false_fail = (float(part @ spread.weight) for part in parts)
    return WrongVerdicts(
        over,
        failed,
        false_pass,
        false_fail,
        false_pass / (1 - failed) if failed < 1 else 0.0,
        false_fail / failed if failed > 0 else 0.0,
    )


def _list_gauges(u: Floats, bias: Floats) -> list[tuple[float, float, float]]:
    """Uncertainty, bias and share of readings of the gauges behind them; near alike taken together where they are many."""
    for fine in (1e-6, 1e-3, 1e-2, 1e-1):
        codes = [pd.factorize((column / fine).round(), sort=True) for column in (u, bias)]
        (first, _), (second, names) = codes
        _, which, count = np.unique(
            first * (len(names) + 1) + second, return_inverse=True, return_counts=True
        )
        if len(count) <= MOST_GAUGES:
            break
    means = [np.bincount(which, column) / count for column in (u, bias)]
    return [(float(a), float(b), float(n) / len(u)) for a, b, n in zip(*means, count, strict=True)]


def _judge_by_gauges(
    spread: GapDistribution,
    gauges: Sequence[tuple[float, float, float]],
    limit: float,
    accept: float | None,
) -> Judgements:
    """As :func:`_judge_components`, each gauge by its share of the readings."""
    found = [
        [share * part for part in _judge_components(spread, u, limit, accept, bias)]
        for u, bias, share in gauges
    ]
    over, fail, false_pass, false_fail = (np.sum(parts, axis=0) for parts in zip(*found, strict=True))
    return over, fail, false_pass, false_fail


def _judge_components(
    spread: GapDistribution, u: float, limit: float, accept: float | None, bias: float
) -> Judgements:
    """Over, failed, passed wrongly and failed wrongly, as shares of each component's lifters."""
    if not (u >= 0 and limit > 0):
        raise ValueError(f"limit must be over 0 and u 0 or more; got {limit}, {u}")
    # equal shares of a component: the middle of each slice, so that the limit splits one slice at most
    z = special.ndtri((np.arange(SLICES) + 0.5) / SLICES)
    gap = np.maximum(spread.middle[:, None] + spread.width * z, 0.0)
    fail = over_limit_probability(gap + bias, u, limit if accept is None else accept)
    over = is_over(gap, limit)
    return over.mean(1), fail.mean(1), (over * (1 - fail)).mean(1), (~over * fail).mean(1)


def estimate_wrong_verdicts(
    reading: Any,
    engine: Any,
    *,
    u: Any,
    step: float,
    limit: float,
    bias: Any = 0.0,
    level: float = 0.95,
    seed: int = 0,
) -> LongRun:
    """Wrong verdicts over the long run, with intervals, from a fleet's first readings.

    Parameters
    ----------
    reading : array_like, shape (n,), mm
        First readings; missing ones are left out.
    engine : array_like, shape (n,)
        Engine that each belongs to.
    u : float or array_like of shape (n,), mm
        Standard uncertainty of a reading.
    step : float, mm
        What the gauge reads in.
    limit : float, mm
    bias : float or array_like of shape (n,), mm
        How much each reading's gauge reads high; verdicts are those of the readings as they are.
    level : float
        Confidence level, 0.95 = 95 %.
    seed : int
        Seed of the draws.

    Returns
    -------
    LongRun
        ``failed_wrongly`` (share of those that read over), ``false_pass`` (share of all), and with enough
        readings ``verdicts``, ``guarded`` and ``accept_mm``. Under the numbers of ``[wrong_verdicts]`` in
        ``data/tiers.toml`` the state is "too_few", without readings or limit "not_recorded".

    Notes
    -----
    Intervals: engines drawn anew (Bayesian bootstrap), the upper end with one reading at the limit that
    wasn't seen besides, because a fleet in which none fell there may still have some.

    References
    ----------
    D. B. Rubin, Ann. Statist. 9 (1981) 130: the Bayesian bootstrap.

    Examples
    --------
    >>> from ventbook.physics import gauge
    >>> few = gauge.estimate_wrong_verdicts([0.20, 0.62], ["E1", "E2"], u=0.02, step=0.01, limit=0.5)
    >>> few.false_pass.state
    'too_few'
    """
    gap = pd.to_numeric(pd.Series(reading)).to_numpy(dtype=float, na_value=np.nan)
    ok = np.isfinite(gap)
    error, off = (np.broadcast_to(np.asarray(v, dtype=float), gap.shape)[ok] for v in (u, bias))
    gap, ids = gap[ok], pd.factorize(pd.Series(engine).array[ok])[0]
    engines, failed = int(ids.max(initial=-1)) + 1, int(is_over(gap, limit).sum())
    need = evidence.need("wrong_verdicts")

    def none(what: str) -> Estimate:
        state = "too_few" if len(gap) and limit > 0 else "not_recorded"
        return no_estimate(
            state, level=level, unit="share", n=len(gap), clusters=engines, method=METHOD, note=what
        )

    if not limit > 0:
        return LongRun(none("no limit"), none("no limit"))
    what = f"{need['readings']} readings on {need['engines']} engines are needed"
    if len(gap) < need["readings"] or engines < need["engines"]:
        return LongRun(none(what), none(what))
    try:
        readings = group_readings(gap - off, u=error, step=step)
    except NotEnoughData:
        what = "too few readings over the gauge's step"
        return LongRun(none(what), none(what))
    spread = deconvolve_readings(readings)
    middle = float(np.median(error))
    gauges, accept = _list_gauges(error, off), guard_band(limit, middle)
    parts = _judge_by_gauges(spread, gauges, limit, None)
    verdicts = _sum_verdicts(spread, parts)
    guarded = _sum_verdicts(spread, _judge_by_gauges(spread, gauges, limit, accept))
    draws, unseen = _draw_weights(readings, ids, engines, spread, u=middle, limit=limit, seed=seed)
    _, fail, false_pass, false_fail = parts

    def ends(value: float, part: Floats, of: Floats) -> Estimate:
        low, high = (
            float(np.quantile(w @ part / np.maximum(w @ of, 1e-300), q))
            for w, q in ((draws, (1 - level) / 2), (unseen, (1 + level) / 2))
        )
        return Estimate(value, min(low, value), max(high, value), level, "share", len(gap), engines, METHOD)

    passed = ends(verdicts.false_pass, false_pass, np.ones(len(fail)))
    wrongly = none(f"{failed} readings over the limit; {need['failed']} are needed")
    if failed >= need["failed"]:
        wrongly = ends(verdicts.failed_wrongly, false_fail, fail)
    return LongRun(wrongly, passed, verdicts, guarded, accept)


def _draw_weights(
    readings: Readings,
    ids: npt.NDArray[np.intp],
    engines: int,
    spread: GapDistribution,
    *,
    u: float,
    limit: float,
    seed: int,
) -> tuple[Floats, Floats]:
    """Weights of the components, (draws, components), with engines drawn anew; and the same with one reading at the
    limit besides that was not seen."""
    from scipy.sparse import csr_array

    rng = np.random.default_rng(seed)
    likelihood = tell_likelihood(readings, spread.middle, spread.width)
    held = csr_array((np.ones(len(ids)), (readings.code, ids)), shape=(len(likelihood), engines))
    counts = np.vstack(
        [(held @ rng.exponential(size=(DRAWS_AT_ONCE, engines)).T).T for _ in range(DRAWS // DRAWS_AT_ONCE)]
    )
    counts *= len(ids) / counts.sum(axis=1, keepdims=True)
    start = np.repeat((0.9 * spread.weight + 0.1 / len(spread.weight))[None], DRAWS, axis=0)
    at_limit = np.exp(-0.5 * ((limit - spread.middle) ** 2 / (u**2 + spread.width**2)))
    unseen = np.vstack([likelihood, at_limit])
    return (
        climb(likelihood, counts, start, steps=DRAW_STEPS),
        climb(unseen, np.column_stack([counts, rng.exponential(size=DRAWS)]), start, steps=DRAW_STEPS),
    )
