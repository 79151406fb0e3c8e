"""Recorded over expected rotations: the middle of a group, the scatter of one job, and the jobs far beyond it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from ventbook import distributions as stats
from ventbook.numerics import Floats, factorize
from ventbook.physics.priming.inputs import BLANKS, list_options, shared_u_log
from ventbook.physics.priming.interval_fit import (
    MixtureFit,
    fit_interval,
    fit_mixture,
)
from ventbook.physics.priming.spread import read_spread
from ventbook.results import Estimate, NotEnoughData, no_estimate

FEWEST_ENGINES, FEWEST_COUNTS = 3, 8
FEWEST_FOR_QUANTILE = 40
MOST_BLANKS = 4_000
LEAST_COUNT = 0.5
# What one job scatters where a fleet is too small to tell (derived: 14 % from pump and volumes, and the counting)
USUAL_SCATTER = 0.16
METHOD = (
    "median of recorded over expected, log-normal, counts as intervals, clustered by engine (jackknife, t)"
)


def type_levels(used: pd.DataFrame) -> Floats:
    """One column an engine type with at least FEWEST_ENGINES engines; the others share one."""
    engines = used.groupby("engine_type")["engine_id"].transform("nunique")
    return pd.get_dummies(used["engine_type"].where(engines >= FEWEST_ENGINES, "")).to_numpy(float)


def t_interval(estimate: float, variance: float, groups: int, level: float) -> tuple[float, float]:
    """Two-sided interval with the t quantile at ``groups`` - 1 degrees of freedom."""
    half = stats.t.ppf(0.5 + level / 2.0, groups - 1) * np.sqrt(variance)
    return estimate - half, estimate + half


def select_ratio_columns(jobs: pd.DataFrame) -> pd.DataFrame:
    """The columns of ventings that a ratio of recorded to expected rotations and its scatter are told from."""
    told = {"engine_id", "engine_type", "site", "rotations_low", "rotations_high"}
    return jobs[[name for name in jobs.columns if name in told or name.startswith("expected_")]]


def usable_counts(jobs: pd.DataFrame) -> pd.DataFrame:
    """Ventings with a count and an expectation, in logs.

    Parameters
    ----------
    jobs : DataFrame
        One row a venting with engine_type, rotations_low, rotations_high, expected_rotations, expected_state.

    Returns
    -------
    DataFrame
        Those rows, with ``_low``, ``_high`` (log of the count's interval (low, high]; infinite where given
        up) and ``_expected`` (log of the expectation).

    Examples
    --------
    >>> import pandas as pd
    >>> from ventbook.physics import priming
    >>> jobs = pd.DataFrame(
    ...     {
    ...         "engine_type": "flat4",
    ...         "rotations_low": [39.0, 60.0],
    ...         "rotations_high": [40.0, float("nan")],
    ...         "expected_rotations": [50.0, 50.0],
    ...         "expected_state": "primes",
    ...     }
    ... )
    >>> priming.usable_counts(jobs)[["_low", "_high", "_expected"]].round(3).values.tolist()
    [[3.664, 3.689, 3.912]]
    """
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
    """Median of recorded over expected rotations, with interval.

    Parameters
    ----------
    jobs : DataFrame
        One row a venting with engine_id, engine_type, rotations_low, rotations_high, expected_rotations,
        expected_state.
    level : float
        Confidence level, 0.95 = 95 %.

    Returns
    -------
    Estimate
        Unit "ratio", n = ventings with a count and an expectation, clusters = engines. State ``not_recorded``
        without any count, ``too_few`` under 8 shown counts or 3 engines, or where the counts have no spread.

    Notes
    -----
    Given-up counts are lower bounds. Where lines, cooler or filter were not recorded, either answer is
    possible and a site's share of answers is fitted beside the ratio; sizes taken from the engine type's
    usual values are one error that all its ventings share.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.physics import priming
    >>> ventings = ventbook.read_ventings("data/demo/store")
    >>> ratio = priming.estimate_ratio(ventings[ventings["engine_type"] == "flat6"])
    >>> ratio.state, bool(ratio.low < ratio.estimate < ratio.high)
    ('estimated', True)
    """
    used = usable_counts(select_ratio_columns(jobs))
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
        cluster, engines = factorize(used["engine_id"])
        fit = fit_interval(low - offset, high - offset, np.ones((len(used), 1)), cluster, len(engines))
        centre, scatter = float(fit.theta[0]), fit.sigma
        ends = t_interval(centre, float(fit.variance()[0, 0]), len(engines), level)
    shared = float(stats.norm.ppf(0.5 + level / 2)) * shared_u_log(used)
    if shared > 0.01:
        notes.append("usual sizes stand in for sizes not recorded")
    below, above = (float(np.hypot(end - centre, shared)) for end in ends)
    return RatioFit(centre, centre - below, centre + above, scatter, "; ".join(notes))


def _fit_blanks(used: pd.DataFrame, options: Floats, level: float) -> MixtureFit:
    cluster, _ = factorize(used["engine_id"])
    rule = (
        factorize(used["site"].astype("str"))[0] if "site" in used.columns else np.zeros(len(used), np.int64)
    )
    low, high = used["_low"].to_numpy(), used["_high"].to_numpy()
    return fit_mixture(low, high, options, rule=rule, cluster=cluster, level=level)


@dataclass(frozen=True)
class RatioScale:
    """What one job of a fleet does about its expectation, and on how many that rests.

    ``middles`` of the log ratio by engine type, for types with at least 8 shown counts on 3 engines; others take ``middle`` of all. ``wider`` is how much
    wider jobs scatter than their :class:`Spread` says, ``scatter`` the log standard deviation of a usual job. ``known`` is False
    where the fleet is too small and the usual scatter stands in. ``places`` are the shown counts in a standard normal (their Spread moved by the
    type's middle), ascending, and ``under`` the share of jobs that lie at or under each (product-limit: a given-up count is a lower bound).
    ``stopped`` counts were given up.
    """

    middles: dict[str, float]
    middle: float
    scatter: float
    n: int
    engines: int
    known: bool
    wider: float = 1.0
    places: tuple[float, ...] = ()
    under: tuple[float, ...] = ()
    stopped: int = 0

    def of(self, engine_types: pd.Series) -> Floats:
        """Middle of the log ratio for each row."""
        known = engine_types.astype("str").map(self.middles)
        return np.asarray(known.fillna(self.middle), dtype=float)

    def place(self, share: float) -> float:
        """Place in a standard normal that ``share`` of jobs keep under: from the records where there are 40.

        Read off the ordered places at n / (n + 1) of their share, so that the next job keeps under it that often;
        normal where there are fewer. Where so many were given up that no count reaches the share, it is the longest
        that showed, or the normal's where that is longer.
        """
        n = len(self.places)
        usual = float(stats.norm.ppf(share)) * self.wider
        if n < FEWEST_FOR_QUANTILE:
            return usual
        at = np.array(self.under) * (n + self.stopped) / (n + self.stopped + 1)
        found = float(np.interp(share, at, self.places))
        lost = self.stopped and share > at[-1]
        return max(found, usual) if lost else found

    def quantile(self, share: float) -> float:
        """Log ratio over its middle that ``share`` of usual jobs keep under."""
        return self.place(share) * self.scatter / self.wider

    def reach(self, frame: pd.DataFrame, z: float, *, extra: Floats | float = 0.0) -> Floats:
        """Log count of each venting at the place ``z``; ``extra`` standard deviation of the logarithm is added to its scatter."""
        spread = read_spread(frame, usual=USUAL_SCATTER)
        if np.any(np.asarray(extra) > 0):
            spread = spread.widen(extra)
        return spread.place(z) + self.of(frame["engine_type"])

    def standardise(self, used: pd.DataFrame, log_count: Floats) -> Floats:
        """Place of each count of ``used`` (as :func:`usable_counts` gives it) in a standard normal."""
        # the answer to a blank moves a job's whole spread
        answered = used["_expected"].to_numpy() - np.log(used["expected_rotations"].to_numpy(float))
        spread = read_spread(used, usual=USUAL_SCATTER)
        return spread.standardise(log_count - answered - self.of(used["engine_type"]))


def measure_scale(jobs: pd.DataFrame) -> RatioScale:
    """Middle and scatter of the ratio of recorded to expected rotations, robust to a share of faulty ventings.

    Parameters
    ----------
    jobs : DataFrame
        As for :func:`estimate_ratio`.

    Returns
    -------
    RatioScale
        The middle of the log ratio by engine type and overall, and the scatter of one venting (1.4826 times
        the median absolute deviation, at least 0.05); ``known`` is False, with usual values, under 8 counts
        or 3 engines.

    Notes
    -----
    Given-up counts are lower bounds: medians and quantiles are those of the product-limit curve. Ventings
    with a blank for lines, cooler or filter are left out while 8 counts on 3 engines have none, since half an
    empty line is no line; with fewer each is taken with one answer, drawn by its probability given the count.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.physics import priming
    >>> scale = priming.measure_scale(ventbook.read_ventings("data/demo/store"))
    >>> scale.known, bool(0.05 <= scale.scatter < 0.5)
    (True, True)
    """
    every = _settle_blanks(usable_counts(select_ratio_columns(jobs)))
    shown = np.isfinite(every["_high"].to_numpy())
    engines = every.loc[shown, "engine_id"].nunique()
    unknown = RatioScale({}, 0.0, USUAL_SCATTER, int(shown.sum()), engines, known=False)
    if not _enough(every[shown]):
        return unknown
    with np.errstate(over="ignore"):
        count = np.where(shown, (np.exp(every["_low"]) + np.exp(every["_high"])) / 2.0, np.exp(every["_low"]))
    log_count = np.log(np.maximum(count, LEAST_COUNT))
    sigma = read_spread(every, usual=USUAL_SCATTER).sigma
    # in the logarithm again, so that a count far from one bell and near the other is a usual one
    log_ratio = unknown.standardise(every, log_count) * sigma
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
    scale = replace(unknown, middles=middles, middle=middle, known=True)
    places = scale.standardise(every, log_count)
    at, under = _curve(places, shown)
    typical = float(np.median(sigma[shown]))
    wider = max(_scatter(at, under), 0.05 / typical)
    return replace(
        scale,
        scatter=wider * typical,
        wider=wider,
        places=tuple(at.tolist()),
        under=tuple(under.tolist()),
        stopped=int((~shown).sum()),
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
    """1.4826 x the half-width about 0 that holds half of all; from the lower half alone where that is not reached."""
    distance = np.abs(at)
    order = np.argsort(distance, kind="stable")
    held = np.cumsum(np.diff(np.concatenate([[0.0], under]))[order])
    size = np.diff(np.concatenate([[0.0], held]))
    if held[-1] > 0.5:
        return 1.4826 * float(np.interp(0.5, held - size / 2, distance[order]))
    return float(-np.interp(stats.norm.cdf(-1.0), under, at))


def find_long(jobs: pd.DataFrame, scale: RatioScale, *, chance: float = 0.01) -> pd.DataFrame:
    """Ventings whose count lies beyond what one like it takes in all but a few cases, longest first.

    Parameters
    ----------
    jobs : DataFrame
        As for :func:`estimate_ratio`, with venting_id.
    scale : RatioScale
        As :func:`measure_scale` gives it.
    chance : float
        Share of ventings with nothing wrong that may lie beyond.

    Returns
    -------
    DataFrame
        Those rows of ``jobs`` with ``ratio_least`` (low end of the count over expected), ``ratio_usual_most``
        (what it lies beyond) and ``chance`` (of a count at least as long where nothing is wrong).

    Notes
    -----
    Even the low end of the count has to lie beyond; the uncertainty of the expectation is in what is usual.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.physics import priming
    >>> ventings = ventbook.read_ventings("data/demo/store")
    >>> long = priming.find_long(ventings, priming.measure_scale(ventings))
    >>> bool((long["chance"] < 0.01).all() and (long["ratio_least"] > long["ratio_usual_most"]).all())
    True
    """
    used = usable_counts(select_ratio_columns(jobs))
    z = scale.standardise(used, used["_low"].to_numpy()) / scale.wider
    most = np.exp(scale.reach(used, stats.norm.isf(chance) * scale.wider) - used["_expected"].to_numpy())
    found = pd.DataFrame(
        {
            "ratio_least": np.exp(used["_low"] - used["_expected"]),
            "ratio_usual_most": most,
            "chance": stats.norm.sf(z),
        },
        used.index,
    )
    found = found[found["chance"] < chance]
    return jobs.loc[found.index].assign(**found).sort_values(["chance", "venting_id"], kind="stable")


@dataclass(frozen=True)
class StopRule:
    """At how many times the expectation to stop and look, and how that would have fared on record.

    Each venting has its own, for a job with more suction air scatters more: ``factor`` is the middle one. Of ``told`` ventings ``held`` had pressure by their stop; of ``early`` it isn't known,
    since turning was given up before it. ``by_type`` has one row an engine type: ``engine_type``, ``factor``, ``n``, ``had_pressure`` (share).
    ``known``: the scatter is measured, not assumed. ``over_stop``: each venting's count over its own stop, infinite where given up.
    """

    factor: float
    held: int
    told: int
    early: int
    known: bool
    by_type: pd.DataFrame
    over_stop: Floats


def check_stop_rule(jobs: pd.DataFrame, *, share: float, scale: RatioScale | None = None) -> StopRule:
    """The multiple of the expectation by which a share of ventings had pressure, held against the counts that it comes from.

    Parameters
    ----------
    jobs : DataFrame
        As for :func:`estimate_ratio`.
    share : float, 0..1
        Of ventings that are to have pressure by their stop.
    scale : RatioScale, optional
        What :func:`measure_scale` gave of ``jobs``, where that is known already.

    Returns
    -------
    StopRule
        The multiple for all and by engine type, and how many ventings on record had pressure by it.

    Notes
    -----
    A venting's own stop is farther off by what its expectation is uncertain. A count in an interval stands
    for its middle.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.physics import priming
    >>> rule = priming.check_stop_rule(ventbook.read_ventings("data/demo/store"), share=0.95)
    >>> rule.factor > 1, 0.90 < rule.held / rule.told < 1
    (True, True)
    """
    scale = measure_scale(jobs) if scale is None else scale
    used = usable_counts(select_ratio_columns(jobs))
    stop = pd.Series(scale.reach(used, scale.place(share)), index=used.index)
    middle = np.log((np.exp(used["_low"]) + np.exp(used["_high"])) / 2.0)
    held = (middle <= stop).to_numpy()
    # given up before the stop: whether pressure would have come by then isn't known
    told = np.isfinite(used["_high"].to_numpy()) | (used["_low"] >= stop).to_numpy()
    factor = np.exp((stop - used["_expected"]).to_numpy(float))
    rows = []
    for name in sorted(used["engine_type"].unique()):
        mine = (used["engine_type"] == name).to_numpy()
        had_pressure = float(held[mine & told].mean()) if (mine & told).any() else np.nan
        rows.append((name, float(np.median(factor[mine])), int((mine & told).sum()), had_pressure))
    by_type = pd.DataFrame(rows, columns=["engine_type", "factor", "n", "had_pressure"])
    overall = float(np.median(factor)) if len(factor) else float(np.exp(scale.middle + scale.quantile(share)))
    return StopRule(
        overall, int(held.sum()), int(told.sum()), int((~told).sum()), scale.known, by_type,
        np.exp((middle - stop).to_numpy(float)),
    )  # fmt: skip
