"""Recorded over expected rotations: the middle of a group, the scatter of one job, and the jobs far beyond it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from ventbook.numerics import encode
from ventbook.priming.interval_fit import fit_interval, t_interval
from ventbook.results import Estimate, NotEnoughData, no_estimate

Floats = npt.NDArray[np.float64]
FEWEST_ENGINES, FEWEST_COUNTS = 3, 8
FEWEST_FOR_QUANTILE = 40
# What one job scatters where a fleet is too small to tell (derived: 14 % from pump and volumes, and the counting)
USUAL_SCATTER = 0.16
METHOD = (
    "median of recorded over expected, log-normal, counts as intervals, clustered by engine (jackknife, t)"
)


def usable_counts(jobs: pd.DataFrame) -> pd.DataFrame:
    """Rows with a count and an expectation, with ``_low``, ``_high`` (log of the count's interval) and ``_expected``."""
    low = jobs["rotations_low"].to_numpy(float, na_value=np.nan)
    high = jobs["rotations_high"].to_numpy(float, na_value=np.nan)
    expected = jobs["expected_rotations"].to_numpy(float, na_value=np.nan)
    keep = (
        np.isfinite(low)
        & ~np.isnan(high)
        & (high > 0)
        & (low < high)
        & np.isfinite(expected)
        & (expected > 0)
    )
    keep &= (jobs["expected_state"] == "primes").to_numpy(bool) & jobs["engine_type"].notna().to_numpy()
    used = jobs.loc[keep]
    with np.errstate(divide="ignore"):
        used["_low"], used["_high"] = np.log(low[keep]), np.log(high[keep])
    used["_expected"] = np.log(expected[keep])
    used["engine_type"] = used["engine_type"].astype("str")
    return used


def estimate_ratio(jobs: pd.DataFrame, *, level: float = 0.95) -> Estimate:
    """Median of recorded over expected rotations of ``jobs`` with interval; given-up counts are lower bounds.

    ``jobs`` needs engine_id, engine_type, rotations_low, rotations_high, expected_rotations, expected_state. State
    ``not_recorded`` without any count, ``too_few`` under 8 shown counts or 3 engines.
    """
    used = usable_counts(jobs)
    cluster, engines = encode(used["engine_id"])
    shown = int(np.isfinite(used["_high"]).sum())
    size = {"level": level, "unit": "ratio", "n": len(used), "clusters": len(engines)}
    if used.empty:
        return no_estimate("not_recorded", method=METHOD, **size)  # type: ignore[arg-type]
    if shown < FEWEST_COUNTS or len(engines) < FEWEST_ENGINES:
        return no_estimate("too_few", method=METHOD, **size)  # type: ignore[arg-type]
    offset = used["_expected"].to_numpy()
    try:
        fit = fit_interval(
            used["_low"].to_numpy() - offset,
            used["_high"].to_numpy() - offset,
            np.ones((len(used), 1)),
            cluster,
            len(engines),
        )
    except NotEnoughData as error:
        return no_estimate("too_few", method=METHOD, note=str(error), **size)  # type: ignore[arg-type]
    centre = float(fit.theta[0])
    low, high = t_interval(centre, float(fit.variance()[0, 0]), len(engines), level)
    note = f"{len(used) - shown} given up, counted as lower bounds" if shown < len(used) else ""
    return Estimate(np.exp(centre), np.exp(low), np.exp(high), method=METHOD, note=note, **size)  # type: ignore[arg-type]


@dataclass(frozen=True)
class RatioScale:
    """What one job of a fleet does: ``middle`` of the log ratio by engine type, its ``scatter``, and on how many.

    ``middles`` maps engine types with at least 8 shown counts on 3 engines; others take ``middle`` of all.
    ``u_typical`` is the log uncertainty that the expectations of these jobs carry on the whole. ``known`` is False
    where the fleet is too small and the usual scatter stands in. ``residuals`` are the log ratios of the counts that
    showed, less their middle and over the job's :meth:`widening`, ascending; ``stopped`` counts were given up.
    """

    middles: dict[str, float]
    middle: float
    scatter: float
    u_typical: float
    n: int
    engines: int
    known: bool
    residuals: tuple[float, ...] = ()
    stopped: int = 0

    def of(self, engine_types: pd.Series) -> Floats:
        """Middle of the log ratio for each row."""
        known = engine_types.astype("str").map(self.middles)
        return np.asarray(known.fillna(self.middle), dtype=float)

    def spread(self, u_log: Floats) -> Floats:
        """Scatter of the log ratio for jobs whose expectation has uncertainty ``u_log``: more where more was taken."""
        extra: Floats = np.maximum(np.nan_to_num(u_log, nan=self.u_typical) ** 2 - self.u_typical**2, 0.0)
        return np.asarray(np.sqrt(self.scatter**2 + extra), dtype=float)

    def widening(self, u_log: Floats) -> Floats:
        """How much wider than a usual job's its scatter is: 1 or more."""
        return self.spread(u_log) / self.scatter

    def quantile(self, share: float, *, with_stopped: bool = False) -> float:
        """Log ratio over its middle that ``share`` of usual jobs keep under: from the records where there are 40.

        Taken at (n + 1) share of the ordered residuals, so that the next job keeps under it that often; normal where
        there are fewer. ``with_stopped`` counts jobs given up as longer than all others (for a stopping rule); where
        the answer would lie among them, it is the longest that showed.
        """
        n = len(self.residuals) + (self.stopped if with_stopped else 0)
        if n < FEWEST_FOR_QUANTILE:
            return float(stats.norm.ppf(share) * self.scatter)
        place = float(np.clip((n + 1) * share - 1.0, 0.0, len(self.residuals) - 1.0))
        return float(np.interp(place, np.arange(len(self.residuals)), self.residuals))


def measure_scale(jobs: pd.DataFrame) -> RatioScale:
    """Middle and scatter of the ratio over ``jobs``, robust to a share of faulty jobs (median, 1.4826 MAD)."""
    every = usable_counts(jobs)
    used = every[np.isfinite(every["_high"])]
    u = expectation_u_log(used)
    typical = float(np.median(u)) if len(u) else 0.14
    engines = used["engine_id"].nunique()
    if len(used) < FEWEST_COUNTS or engines < FEWEST_ENGINES:
        return RatioScale({}, 0.0, USUAL_SCATTER, typical, len(used), engines, known=False)
    log_ratio = np.log((np.exp(used["_low"]) + np.exp(used["_high"])) / 2.0) - used["_expected"]
    middles = {}
    for name, part in log_ratio.groupby(used["engine_type"]):
        if len(part) >= FEWEST_COUNTS and used.loc[part.index, "engine_id"].nunique() >= FEWEST_ENGINES:
            middles[str(name)] = float(part.median())
    middle = float(log_ratio.median())
    left = log_ratio - used["engine_type"].map(middles).fillna(middle)
    scatter = max(1.4826 * float(np.median(np.abs(left))), 0.05)
    scale = RatioScale(middles, middle, scatter, typical, len(used), engines, known=True)
    residuals = np.sort(left.to_numpy() / scale.widening(u))
    return replace(scale, residuals=tuple(residuals.tolist()), stopped=len(every) - len(used))


def expectation_u_log(frame: pd.DataFrame) -> Floats:
    """Log uncertainty of each expectation, from its 90 % interval."""
    if "expected_u_log" in frame.columns:
        return frame["expected_u_log"].to_numpy(float)
    low, high = (frame[f"expected_{end}"].to_numpy(float) for end in ("low", "high"))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.log(high / low) / (2.0 * stats.norm.ppf(0.95)), dtype=float)


def find_long(jobs: pd.DataFrame, scale: RatioScale, *, chance: float = 0.01) -> pd.DataFrame:
    """Jobs whose count lies beyond what a job like it takes in all but ``chance`` of cases, longest first.

    Even the low end of the count has to lie beyond. Returns the rows of ``jobs`` with ``ratio_least`` (low end over
    expected), ``ratio_usual_most`` (what it lies beyond), ``chance`` (of a count at least as long where nothing is
    wrong).
    """
    used = usable_counts(jobs)
    z = (used["_low"] - used["_expected"] - scale.of(used["engine_type"])) / scale.spread(
        expectation_u_log(used)
    )
    most = np.exp(
        scale.of(used["engine_type"]) + stats.norm.isf(chance) * scale.spread(expectation_u_log(used))
    )
    found = jobs.loc[used.index].assign(
        ratio_least=np.exp(used["_low"] - used["_expected"]), ratio_usual_most=most, chance=stats.norm.sf(z)
    )
    found = found[found["chance"] < chance]
    return found.sort_values(["chance", "venting_id"], kind="stable")
