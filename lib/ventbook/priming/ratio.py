"""Recorded over expected rotations: the middle of a group, the scatter of one job, and the jobs far beyond it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from ventbook.numerics import encode
from ventbook.priming.interval_fit import fit_interval, t_interval
from ventbook.priming.mixture import MixtureFit, fit_mixture
from ventbook.priming.unrecorded import BLANKS, list_options, shared_u_log
from ventbook.results import Estimate, NotEnoughData, no_estimate

Floats = npt.NDArray[np.float64]
FEWEST_ENGINES, FEWEST_COUNTS = 3, 8
FEWEST_FOR_QUANTILE = 40
MOST_BLANKS = 4_000
LEAST_COUNT = 0.5
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

    ``jobs`` needs engine_id, engine_type, rotations_low, rotations_high, expected_rotations, expected_state. What blanks
    leave open (`fit_ratio`) is in the interval. State ``not_recorded`` without any count, ``too_few`` under 8 shown counts
    or 3 engines, or where the counts have no spread.
    """
    used = usable_counts(jobs)
    engines = int(used["engine_id"].nunique())
    shown = int(np.isfinite(used["_high"]).sum())
    size = {"level": level, "unit": "ratio", "n": len(used), "clusters": engines}
    if used.empty:
        return no_estimate("not_recorded", method=METHOD, **size)  # type: ignore[arg-type]
    if shown < FEWEST_COUNTS or engines < FEWEST_ENGINES:
        return no_estimate("too_few", method=METHOD, **size)  # type: ignore[arg-type]
    try:
        found = fit_ratio(used, level=level)
    except NotEnoughData as error:
        return no_estimate("too_few", method=METHOD, note=str(error), **size)  # type: ignore[arg-type]
    middle, low_end, high_end = np.exp([found.centre, found.low, found.high])
    return Estimate(middle, low_end, high_end, method=METHOD, note=found.note, **size)  # type: ignore[arg-type]


@dataclass(frozen=True)
class RatioFit:
    """``centre`` of the log ratio with its interval (low, high), ``scatter`` of one job, and a note on what is in it."""

    centre: float
    low: float
    high: float
    scatter: float
    note: str


def fit_ratio(used: pd.DataFrame, *, level: float) -> RatioFit:
    """Fit the log ratio of rows that `usable_counts` gave.

    Counts are intervals, given-up ones lower bounds. Where lines, cooler or filter were not recorded, either answer is an
    option of that job and a site's share of answers is fitted beside the ratio (`priming.mixture`). Sizes taken from the
    engine type's usual values are one error that all its jobs share, added to the interval at its full size. Raises
    NotEnoughData (NoFit) where there is no answer.
    """
    options = list_options(used)
    open_ = np.isnan(options).sum(axis=1) < options.shape[1] - 1
    blanks = int(open_.sum())
    if blanks > MOST_BLANKS:  # the rest are too many to hold eight answers each; recorded ones all stay
        taken = np.flatnonzero(open_)[np.linspace(0, blanks - 1, MOST_BLANKS).astype(int)]
        keep = ~open_
        keep[taken] = True
        used, options = used.loc[keep], options[keep]
    low, high = used["_low"].to_numpy(), used["_high"].to_numpy()
    notes = []
    given_up = int((~np.isfinite(high)).sum())
    if given_up:
        notes.append(f"{given_up} given up, counted as lower bounds")
    if blanks:
        mixed = _fit_blanks(used, options, level)
        centre, scatter, ends = mixed.centre, mixed.scatter, (mixed.low, mixed.high)
        notes.append(f"lines, cooler or filter not recorded on {blanks}: either answer taken as possible")
    else:
        offset = np.nanmax(options, axis=1)
        cluster, engines = encode(used["engine_id"])
        fit = fit_interval(low - offset, high - offset, np.ones((len(used), 1)), cluster, len(engines))
        centre, scatter = float(fit.theta[0]), fit.sigma
        ends = t_interval(centre, float(fit.variance()[0, 0]), len(engines), level)
    shared = float(stats.norm.ppf(0.5 + level / 2)) * shared_u_log(used)
    if shared > 0.01:
        notes.append("usual sizes stand in for sizes not recorded")
    below, above = (float(np.hypot(end - centre, shared)) for end in ends)
    return RatioFit(centre, centre - below, centre + above, scatter, "; ".join(notes))


def _fit_blanks(used: pd.DataFrame, options: Floats, level: float) -> MixtureFit:
    cluster, _ = encode(used["engine_id"])
    rule = encode(used["site"].astype("str"))[0] if "site" in used.columns else np.zeros(len(used), np.int64)
    low, high = used["_low"].to_numpy(), used["_high"].to_numpy()
    return fit_mixture(low, high, options, rule=rule, cluster=cluster, level=level)


@dataclass(frozen=True)
class RatioScale:
    """What one job of a fleet does: ``middle`` of the log ratio by engine type, its ``scatter``, and on how many.

    ``middles`` maps engine types with at least 8 shown counts on 3 engines; others take ``middle`` of all.
    ``u_typical`` is the log uncertainty that the expectations of these jobs carry on the whole. ``known`` is False
    where the fleet is too small and the usual scatter stands in. ``residuals`` are the log ratios of the counts that
    showed, less their middle and over the job's :meth:`widening`, ascending, and ``under`` the share of jobs that lie at
    or under each (product-limit: a given-up count is a lower bound). ``stopped`` counts were given up.
    """

    middles: dict[str, float]
    middle: float
    scatter: float
    u_typical: float
    n: int
    engines: int
    known: bool
    residuals: tuple[float, ...] = ()
    under: tuple[float, ...] = ()
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

    def quantile(self, share: float) -> float:
        """Log ratio over its middle that ``share`` of usual jobs keep under: from the records where there are 40.

        Read off the ordered residuals at n / (n + 1) of their share, so that the next job keeps under it that often;
        normal where there are fewer. Where so many were given up that no count reaches the share, it is the longest
        that showed, or the normal's where that is longer.
        """
        n = len(self.residuals)
        usual = float(stats.norm.ppf(share) * self.scatter)
        if n < FEWEST_FOR_QUANTILE:
            return usual
        places = np.array(self.under) * (n + self.stopped) / (n + self.stopped + 1)
        found = float(np.interp(share, places, self.residuals))
        lost = self.stopped and share > places[-1]
        return max(found, usual) if lost else found


def measure_scale(jobs: pd.DataFrame) -> RatioScale:
    """Middle and scatter of the ratio over ``jobs``, robust to a share of faulty jobs (median, 1.4826 MAD).

    Given-up counts are lower bounds: medians and quantiles are those of the product-limit curve. Jobs with a blank for
    lines, cooler or filter are left out while 8 counts on 3 engines have none, since half an empty line is no line; with
    fewer each is taken with one answer, drawn by its probability given the count (`priming.mixture`).
    """
    every = _settle_blanks(usable_counts(jobs))
    shown = np.isfinite(every["_high"].to_numpy())
    u = expectation_u_log(every)
    typical = float(np.median(u[shown])) if shown.any() else 0.14
    engines = every.loc[shown, "engine_id"].nunique()
    unknown = RatioScale({}, 0.0, USUAL_SCATTER, typical, int(shown.sum()), engines, known=False)
    if not _enough(every[shown]):
        return unknown
    with np.errstate(over="ignore"):
        count = np.where(shown, (np.exp(every["_low"]) + np.exp(every["_high"])) / 2.0, np.exp(every["_low"]))
    log_ratio = np.log(np.maximum(count, LEAST_COUNT)) - every["_expected"].to_numpy()
    middle = _quantile_of(*_curve(log_ratio, shown), 0.5)
    if middle is None:  # more than half given up: the records do not reach the middle
        return unknown
    middles = {}
    types = every["engine_type"].to_numpy()
    for name in sorted(set(types)):
        mine = types == name
        own = (
            _quantile_of(*_curve(log_ratio[mine], shown[mine]), 0.5) if _enough(every[mine & shown]) else None
        )
        if own is not None:
            middles[str(name)] = own
    left = log_ratio - every["engine_type"].map(middles).fillna(middle).to_numpy()
    scatter = max(_scatter(*_curve(left, shown)), 0.05)
    scale = replace(unknown, middles=middles, middle=middle, scatter=scatter, known=True)
    at, under = _curve(left / scale.widening(u), shown)
    return replace(
        scale, residuals=tuple(at.tolist()), under=tuple(under.tolist()), stopped=int((~shown).sum())
    )


def _settle_blanks(every: pd.DataFrame) -> pd.DataFrame:
    if "expected_least" not in every.columns:
        return every
    whole = (every[list(BLANKS.values())] <= 0).all(axis=1).to_numpy()
    shown = np.isfinite(every["_high"].to_numpy())
    if whole.all() or not _enough(every[shown]):
        return every
    if _enough(every[whole & shown]):
        return every[whole]
    some = every.iloc[np.unique(np.linspace(0, len(every) - 1, min(len(every), MOST_BLANKS)).astype(int))]
    try:
        return some.assign(_expected=_fit_blanks(some, list_options(some), 0.95).expected)
    except NotEnoughData:
        return every


def _enough(shown: pd.DataFrame) -> bool:
    return len(shown) >= FEWEST_COUNTS and shown["engine_id"].nunique() >= FEWEST_ENGINES


def _curve(value: Floats, shown: npt.NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Shown values ascending (ties kept) and the product-limit share at or under each."""
    order = np.lexsort((~shown, value))
    value, shown = value[order], shown[order]
    at_risk = np.arange(len(value), 0, -1)
    under = np.asarray(1.0 - np.cumprod(1.0 - shown / at_risk), dtype=float)
    return value[shown], under[shown]


def _quantile_of(at: Floats, under: Floats, share: float) -> float | None:
    """Value that ``share`` lie under, even between steps (the usual median where nothing was given up); None beyond."""
    size = np.diff(np.concatenate([[0.0], under]))
    places = under - size / 2
    if not len(at) or share > under[-1] - 1e-12:
        return None
    return float(np.interp(share, places, at))


def _scatter(at: Floats, under: Floats) -> float:
    """1.4826 x the reach about 0 that holds half of all; from the lower half alone where that is not reached."""
    distance = np.abs(at)
    order = np.argsort(distance, kind="stable")
    held = np.cumsum(np.diff(np.concatenate([[0.0], under]))[order])
    size = np.diff(np.concatenate([[0.0], held]))
    if held[-1] > 0.5:
        return 1.4826 * float(np.interp(0.5, held - size / 2, distance[order]))
    return float(-np.interp(stats.norm.cdf(-1.0), under, at))


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
