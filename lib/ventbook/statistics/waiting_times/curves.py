"""The curve of a waiting time from readings (low, high]: share of jobs still waiting after t, with limits.

The curve is the non-parametric maximum-likelihood estimate. Where every reading is exact or right-censored this is the
product-limit estimate [1]_; else the mass sits on the innermost intervals [2]_ and is found by expectation-maximisation mixed with
the convex-minorant step [3]_, which reaches the optimum in tens of sweeps where expectation-maximisation alone takes thousands.

The estimate is written in levels F_0 = 0 <= F_1 <= ... <= F_K = 1, the distribution function after each of the
K intervals that carry mass. Reading i covers the masses first_i .. last_i - 1, so its probability is
P_i = F[last_i] - F[first_i]. The information matrix in the free levels,
H = sum_i w_i (e_last - e_first)(e_last - e_first)' / P_i^2, is tridiagonal for the product-limit case, where
its inverse is Greenwood's variance.

References
----------
.. [1] Kaplan, E. L. and Meier, P. (1958), J. Am. Stat. Assoc. 53, 457-481.
.. [2] Turnbull, B. W. (1976), J. R. Stat. Soc. B 38, 290-295.
.. [3] Wellner, J. A. and Zhan, Y. (1997), J. Am. Stat. Assoc. 92, 945-959.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy
from numpy.typing import ArrayLike
from scipy.linalg import LinAlgError, cho_factor, cho_solve, solveh_banded
from scipy.special import ndtri, stdtrit

from ventbook.numerics import Floats, Ints
from ventbook.statistics.waiting_times.intervals import (
    Readings,
    check_level,
    collapse_readings,
    number_clusters,
)
from ventbook.statistics.waiting_times.life_table import (
    SpreadEstimate,
    find_floor,
    is_narrow,
    mix_levels,
    spread_readings,
)
from ventbook.statistics.waiting_times.recording import drop_steps, has_steps, unfold_readings

#: More innermost intervals than this are not told apart: interval ends move outward to a common grid first.
MOST_SUPPORT = 1500
#: Cluster-aware errors are worked out at no more than this many times of a curve and drawn through between.
MOST_CLUSTERED_TIMES = 400


@dataclass(frozen=True)
class Npmle:
    """Masses on the intervals (left, right] (points where left == right) and what each reading covers.

    ``first``/``last``/``prob`` are per distinct reading of ``readings``; ``levels`` has K + 1 entries.
    """

    left: Floats
    right: Floats
    levels: Floats
    first: Ints
    last: Ints
    prob: Floats
    readings: Readings
    product_limit: bool
    leans_on: float = np.inf  # as SpreadEstimate has it: on no start

    @property
    def log_likelihood(self) -> float:
        return float(self.readings.weight @ np.log(self.prob))

    def level_at(self, time: float) -> tuple[float, Ints, Floats]:
        """F(time), and the levels it is made of with their shares (mass spread evenly over an interval)."""
        return mix_levels(self.left, self.right, self.levels, time)

    def information(self) -> Floats:
        """H over the free levels 1 .. K - 1, dense."""
        free = self.levels.size - 2
        h = np.zeros((free + 2, free + 2))
        each = self.readings.weight / self.prob**2
        np.add.at(h, (self.last, self.last), each)
        np.add.at(h, (self.first, self.first), each)
        np.add.at(h, (self.first, self.last), -each)
        np.add.at(h, (self.last, self.first), -each)
        return h[1:-1, 1:-1]

    def solve(self, right_side: Floats) -> Floats:
        """H^-1 times the columns of ``right_side`` (rows are the levels 0 .. K; fixed levels come back 0)."""
        out = np.zeros_like(right_side)
        free = self.levels.size - 2
        if free < 1:
            return out
        inner = right_side[1:-1]
        if self.product_limit and free > 1:
            out[1:-1] = solveh_banded(self._banded(), inner, lower=True)
        else:
            h = self.information()
            try:
                out[1:-1] = cho_solve(cho_factor(h), inner)
            except LinAlgError:  # masses that the readings can't tell apart: the shortest solution
                out[1:-1] = np.linalg.pinv(h, hermitian=True) @ inner
        return out

    def _banded(self) -> Floats:
        size = self.levels.size
        each = self.readings.weight / self.prob**2
        exact = self.last == self.first + 1
        diagonal = np.bincount(self.first, weights=each, minlength=size)
        diagonal += np.bincount(self.last, weights=each, minlength=size)
        beside = np.zeros(size)
        np.add.at(beside, self.first[exact], -each[exact])
        return np.vstack([diagonal[1:-1], np.append(beside[1:-2], 0.0)])

    def influence(self, at: Ints, share: Floats) -> tuple[Floats, float]:
        """Influence of one unit of each distinct reading on F at the mix of levels, and its model variance."""
        gradient = np.zeros(self.levels.size)
        gradient[at] = share
        gradient[[0, -1]] = 0.0
        v = self.solve(gradient)
        return (v[self.last] - v[self.first]) / self.prob, float(gradient @ v)


def fit_npmle(readings: Readings) -> Npmle:
    """The estimate from at least one reading (product-limit where the readings allow it)."""
    finite = np.isfinite(readings.high)
    if bool(np.all(~finite | (readings.low == readings.high))):
        return _fit_product_limit(readings)
    return _fit_interval_censored(readings)


def _fit_product_limit(readings: Readings) -> Npmle:
    """Events before censorings at ties: a censoring at t is (t, inf)."""
    event = np.isfinite(readings.high)
    times, code = np.unique(readings.high[event], return_inverse=True)
    deaths = np.bincount(code, weights=readings.weight[event], minlength=times.size)
    past = np.searchsorted(times, readings.low[~event], side="right")
    leaving = deaths.copy()
    lost = np.bincount(past, weights=readings.weight[~event], minlength=times.size + 1)
    at_risk = np.cumsum((leaving + lost[1:])[::-1])[::-1] if times.size else np.empty(0)
    hazard = deaths / at_risk if times.size else np.empty(0)
    with np.errstate(divide="ignore"):
        survival = np.exp(np.cumsum(np.log1p(-np.minimum(hazard, 1.0))))
    tail = times.size == 0 or bool(lost[-1] > 0)
    levels = np.concatenate([[0.0], 1.0 - survival, [1.0] if tail else []])
    if not tail:
        levels[-1] = 1.0
    left = np.append(times, times[-1] if times.size else readings.low.min()) if tail else times
    right = np.append(times, np.inf) if tail else times
    first = np.empty(readings.low.size, dtype=np.int64)
    last = np.full(readings.low.size, levels.size - 1, dtype=np.int64)
    first[event], last[event] = code, code + 1
    first[~event] = past
    return Npmle(left, right, levels, first, last, levels[last] - levels[first], readings, True)


def find_support(low: Floats, high: Floats) -> tuple[Floats, Floats, Ints, Ints]:
    """Innermost intervals of (low, high] (points where low == high) and the run of them each reading covers.

    At one value an exact reading begins first, then intervals end (closed), then intervals begin (open).
    """
    values, code = np.unique(np.concatenate([low, high]), return_inverse=True)
    begin = 3 * code[: low.size] + np.where(low == high, 0, 2)
    end = 3 * code[low.size :] + 1
    begins, ends = np.unique(begin), np.unique(end)
    next_end = np.searchsorted(ends, begins)
    usable = next_end < ends.size
    begins, next_end = begins[usable], next_end[usable]
    innermost = np.append(next_end[1:] != next_end[:-1], True)
    begins, ends = begins[innermost], ends[next_end[innermost]]
    first = np.searchsorted(begins, begin)
    last = np.searchsorted(ends, end, side="right")
    return values[begins // 3], values[ends // 3], first, last


def _widen_to_grid(readings: Readings, size: int) -> Readings:
    ends = np.concatenate([readings.low, readings.high[np.isfinite(readings.high)]])
    grid = np.unique(np.quantile(ends, np.linspace(0.0, 1.0, size)))
    low = grid[np.searchsorted(grid, readings.low, side="right") - 1]
    above = np.minimum(np.searchsorted(grid, readings.high), grid.size - 1)
    high = np.where(np.isfinite(readings.high), grid[above], np.inf)
    exact = (low == high) & (readings.low < readings.high)
    low = np.where(exact, readings.low, low)
    return Readings(
        low, high, readings.weight, readings.keep, readings.row, readings.row_weight, readings.step
    )


def _fit_interval_censored(readings: Readings) -> Npmle:
    left, right, first, last = find_support(readings.low, readings.high)
    if left.size > MOST_SUPPORT:
        readings = _widen_to_grid(readings, MOST_SUPPORT)
        left, right, first, last = find_support(readings.low, readings.high)
    mass = _find_masses(first, last, readings.weight / readings.weight.sum(), left.size)
    kept = mass > 1e-10
    place = np.concatenate([[0], np.cumsum(kept)])
    levels = np.concatenate([[0.0], np.cumsum(mass[kept])])
    levels /= levels[-1]
    first, last = place[first], place[last]
    return Npmle(left[kept], right[kept], levels, first, last, levels[last] - levels[first], readings, False)


def _find_masses(first: Ints, last: Ints, weight: Floats, size: int, *, sweeps: int = 5000) -> Floats:
    """Masses that maximise sum_i weight_i log(F[last_i] - F[first_i]); weights add up to 1.

    Stops when no mass could gain: the slope of the log-likelihood in each mass is 1 where there is mass and
    at most 1 elsewhere (to 1e-9), which proves the global optimum of this concave problem.
    """
    mass = np.full(size, 1.0 / size)
    if size == 1:
        return mass

    def slope_of(mass: Floats) -> tuple[Floats, Floats, Floats]:
        levels: Floats = np.concatenate([[0.0], np.cumsum(mass)])
        prob = levels[last] - levels[first]
        ratio = weight / prob
        steps = np.bincount(first, weights=ratio, minlength=size + 1).astype(np.float64)
        steps -= np.bincount(last, weights=ratio, minlength=size + 1)
        return np.cumsum(steps)[:size], levels, prob

    for _ in range(sweeps):
        slope, _, _ = slope_of(mass)
        mass = mass * slope
        mass /= mass.sum()
        slope, levels, prob = slope_of(mass)
        if slope.max() < 1.0 + 1e-9 and np.max(mass * np.abs(slope - 1.0)) < 1e-11:
            break
        curve = np.bincount(first, weights=weight / prob**2, minlength=size + 1)
        curve += np.bincount(last, weights=weight / prob**2, minlength=size + 1)
        rise = np.bincount(last, weights=weight / prob, minlength=size + 1)
        rise -= np.bincount(first, weights=weight / prob, minlength=size + 1)
        curve = np.maximum(curve[1:-1], 1e-12)
        target = scipy.optimize.isotonic_regression(levels[1:-1] + rise[1:-1] / curve, weights=curve).x
        target = np.concatenate([[0.0], np.clip(target, 0.0, 1.0), [1.0]])
        before = float(weight @ np.log(prob))
        part = 1.0
        while part > 1e-4:
            trial = levels + part * (target - levels)
            trial_prob = trial[last] - trial[first]
            if trial_prob.min() > 0 and float(weight @ np.log(trial_prob)) >= before:
                # a little of every mass stays, so that the next sweep can bring it back
                mass = np.maximum(np.diff(trial), 1e-14)
                mass /= mass.sum()
                break
            part /= 2
    return mass


@dataclass(frozen=True)
class Curve:
    """Share still waiting, S(t) = P(T > t), with two-sided pointwise limits.

    Entry j says: a share ``mass[j]`` of the jobs ended somewhere in (left[j], right[j]] (at left[j] where the
    two are equal), and ``survival[j]`` of them waited longer than right[j]; ``error`` is the standard error of
    ``survival`` and ``low``/``high`` its limits. Before the first entry the share is 1. ``tail`` is the share
    that is not seen to end: its last readings were all given up or shut down.
    """

    left: Floats
    right: Floats
    mass: Floats
    survival: Floats
    error: Floats
    low: Floats
    high: Floats
    tail: float
    level: float
    n: int
    events: int
    clusters: int
    last_seen: float
    method: str

    def at(self, times: ArrayLike) -> Floats:
        """S at each time; inside an interval its mass is spread evenly; NaN past the last reading."""
        t = np.atleast_1d(np.asarray(times, dtype=np.float64))
        frame = self._ramps()
        done = np.searchsorted(self.right, t, side="right")
        before = np.concatenate([[1.0], self.survival])[done]
        share = before.copy()
        if self.left.size:
            at = np.minimum(done, self.left.size - 1)
            width = self.right[at] - self.left[at]
            inside = (done < self.left.size) & (t > self.left[at]) & (width > 0)
            part = np.where(inside, (t - self.left[at]) / np.where(width > 0, width, 1.0), 0.0)
            share = before - part * np.where(inside, self.mass[at], 0.0)
        share[t > max(self.last_seen, float(frame["time"].iloc[-1]))] = np.nan
        return share

    def points(self) -> pd.DataFrame:
        """The curve as a line to draw: time, survival, low, high (drops at exact times, ramps elsewhere)."""
        return self._ramps()

    def _ramps(self) -> pd.DataFrame:
        time = np.concatenate([[0.0], np.column_stack([self.left, self.right]).ravel()])

        def line(values: Floats) -> Floats:
            before = np.concatenate([[1.0], values[:-1]]) if values.size else values
            return np.concatenate([[1.0], np.column_stack([before, values]).ravel()])

        frame = pd.DataFrame(
            {
                "time": time,
                "survival": line(self.survival),
                "low": line(self.low),
                "high": line(self.high),
            }
        )
        if self.last_seen > time[-1]:
            frame = pd.concat([frame, frame.iloc[[-1]].assign(time=self.last_seen)], ignore_index=True)
        return frame


def limit_survival(survival: Floats, half_width: Floats) -> tuple[Floats, Floats]:
    """Log-log limits exp(log S * exp(-+ half_width / (S log S))) of a survival share.

    ``half_width`` is the quantile times the standard error. At S = 1 the limits are 1; at S = 0 the lower is 0 and the
    upper stays where it last was.
    """
    s = np.asarray(survival, dtype=np.float64)
    inside = (s > 0) & (s < 1) & (half_width > 0)
    safe = np.where(inside, s, 0.5)
    # beyond e^30 the limits are 0 and 1 to every digit
    half_width = np.minimum(np.where(inside, half_width, 0.0) / np.abs(safe * np.log(safe)), 30.0)
    low = np.where(inside, np.exp(np.log(safe) * np.exp(half_width)), np.where(s >= 1, 1.0, s))
    high = np.where(inside, np.exp(np.log(safe) * np.exp(-half_width)), np.where(s >= 1, 1.0, s))
    gone = s <= 0
    if gone.any():
        low = np.where(gone, 0.0, low)
        seen = high[~gone]
        high = np.where(gone, seen[-1] if seen.size else 1.0, high)
    return low, high


def cluster_variance(influence: Floats, codes: Ints, clusters: int) -> float:
    """Between-cluster variance of a sum of row influences: G/(G-1) sum over clusters of (their sum)^2."""
    if clusters < 2:
        return 0.0
    sums = np.bincount(codes, weights=influence, minlength=clusters)
    return clusters / (clusters - 1) * float(sums @ sums)


def widest_half_width(variance: float, between: float, level: float, clusters: int) -> float:
    """Quantile times standard error: the larger of normal x information-based and, with clusters, Student's t
    (clusters - 1 degrees of freedom) x between-cluster."""
    upper = 0.5 + level / 2
    half_width = float(ndtri(upper)) * np.sqrt(max(variance, 0.0))
    if clusters > 1:
        half_width = max(half_width, float(stdtrit(clusters - 1, upper)) * np.sqrt(max(between, 0.0)))
    return float(half_width)


def estimate_curve(
    low: ArrayLike,
    high: ArrayLike,
    *,
    step: ArrayLike | None = None,
    weights: ArrayLike | None = None,
    cluster: ArrayLike | None = None,
    level: float = 0.95,
    method: str = "choose",
) -> Curve:
    """Share of jobs still waiting after a time, from readings (low, high].

    Parameters
    ----------
    low, high : array_like, shape (n,)
        Ends of each reading; low == high is exact, high infinite is given up, a missing end leaves the row
        out. Times in any unit.
    step : array_like, shape (n,), optional
        Length of the step that the beginning of the wait is known to, where a logger saw it; 0 elsewhere.
    weights : array_like, shape (n,), optional
        Counts of identical rows.
    cluster : array_like, shape (n,), optional
        Engine id a row.
    level : float
        Confidence level, 0.95 = 95 %.
    method : str
        "choose" by the readings, or "likelihood" (Turnbull) for all interval readings.

    Returns
    -------
    Curve
        Steps of the curve with pointwise limits; ``at(times)`` reads it. No reading at all gives a curve
        without entries.

    Notes
    -----
    Product-limit estimate where every reading is exact or right-censored. Interval readings that are narrow
    against the spread of the times (stopwatch, logger, counts) are spread evenly over their intervals in a
    life table; wider ones get the non-parametric maximum-likelihood estimate (Turnbull). Where the beginning
    of any reading is known to a step only, both ends are unfolded. Censorings at t count as after an event at
    t. Standard errors from the information matrix (Greenwood's in the product-limit case); with ``cluster``
    the limits are the wider of those and of those from the between-cluster error with Student's t on clusters
    - 1 degrees of freedom. Limits on the log(-log S) scale.

    References
    ----------
    J. D. Kalbfleisch, R. L. Prentice, The Statistical Analysis of Failure Time Data, 2nd ed. (2002), section
    1.4.

    Examples
    --------
    >>> import numpy as np
    >>> from ventbook.statistics import waiting_times
    >>> curve = waiting_times.estimate_curve([1.0, 2.0, 3.0, 4.0], [1.0, 2.0, np.inf, 4.0])
    >>> curve.at([1.5, 2.5, 3.5]).round(3).tolist()
    [0.75, 0.5, 0.5]
    """
    check_level(level)
    readings = collapse_readings(low, high, weights, step=step, want_rows=cluster is not None)
    codes, clusters = number_clusters(cluster, readings.keep)
    if readings.low.size == 0:
        empty = np.empty(0)
        return Curve(
            empty, empty, empty, empty, empty, empty, empty, 1.0, level, 0, 0, clusters, 0.0, "no reading"
        )
    return draw_curve(fit_distribution(readings, method=method), codes, clusters, level)


def fit_distribution(readings: Readings, *, method: str = "choose") -> Npmle | SpreadEstimate:
    """The estimate that estimate_curve describes."""
    if method not in ("choose", "likelihood"):
        raise ValueError(f"method must be choose or likelihood; got {method!r}")
    if method == "choose" and has_steps(readings):
        return unfold_readings(readings)
    readings = drop_steps(readings)
    if method == "choose" and is_narrow(readings):
        return spread_readings(readings)
    return fit_npmle(readings)


def draw_curve(npmle: Npmle | SpreadEstimate, codes: Ints | None, clusters: int, level: float) -> Curve:
    """The curve with its limits from a fitted distribution."""
    readings = npmle.readings
    error, half_width = _curve_errors(npmle, codes, clusters, level)
    finite = np.isfinite(npmle.right)
    survival = np.clip(1.0 - npmle.levels[1:], 0.0, 1.0)
    if not finite[-1]:
        survival[-1] = 0.0
    lower, upper = limit_survival(survival[finite], half_width[finite])
    ends = np.concatenate([readings.low, readings.high[np.isfinite(readings.high)]])
    mass = np.diff(npmle.levels)
    if isinstance(npmle, SpreadEstimate):
        kind = npmle.kind
    elif npmle.product_limit:
        kind = "product-limit"
    else:
        kind = "interval-censored maximum likelihood (Turnbull)"
    by = f", errors by {clusters} clusters with t" if clusters else ""
    return Curve(
        left=npmle.left[finite],
        right=npmle.right[finite],
        mass=mass[finite],
        survival=survival[finite],
        error=error[finite],
        low=np.minimum.accumulate(lower),
        high=np.minimum.accumulate(upper),
        tail=float(mass[~finite].sum()),
        level=level,
        n=round(readings.n),
        events=round(readings.events),
        clusters=clusters,
        last_seen=float(ends.max()),
        method=f"{kind}, log-log limits{by}",
    )


def _curve_errors(
    npmle: Npmle | SpreadEstimate, codes: Ints | None, clusters: int, level: float
) -> tuple[Floats, Floats]:
    size = npmle.levels.size - 1
    error = np.zeros(size)
    if size < 2:
        return error, error
    on_levels: Floats | None = None
    if isinstance(npmle, SpreadEstimate):
        on_levels = npmle.influence_on_levels
        floor = find_floor(npmle.levels, npmle.leans_on)
        error[:] = np.sqrt(np.maximum(npmle.readings.weight @ on_levels**2, floor))[1:]
    elif npmle.product_limit:
        # Greenwood: var S = S^2 sum d / (r (r - d)); a reading censored after j events is at risk at those j
        survival = 1.0 - npmle.levels
        weight = npmle.readings.weight
        event = np.isfinite(npmle.readings.high)
        deaths = np.bincount(npmle.first[event], weights=weight[event], minlength=size)
        present = np.where(event, npmle.last, npmle.first)
        at_risk = np.cumsum(np.bincount(present, weights=weight, minlength=size + 1)[::-1])[::-1][1:]
        with np.errstate(divide="ignore", invalid="ignore"):
            terms = np.cumsum(np.where(at_risk > deaths, deaths / (at_risk * (at_risk - deaths)), 0.0))
        error[:] = np.where(survival[1:] > 0, survival[1:] * np.sqrt(terms), 0.0)
    else:
        unit = np.eye(npmle.levels.size)
        unit[0, 0] = unit[-1, -1] = 0.0
        error[:] = np.sqrt(np.maximum(np.diag(npmle.solve(unit))[1:], 0.0))
    half_width = float(ndtri(0.5 + level / 2)) * error
    if codes is None or clusters < 2:
        return error, half_width
    at = np.unique(np.linspace(1, size - 1, min(size - 1, MOST_CLUSTERED_TIMES)).round().astype(np.int64))
    row, weight = npmle.readings.row, npmle.readings.row_weight
    between = np.empty(at.size)
    for j, place in enumerate(at):
        if on_levels is None:
            influence, _ = npmle.influence(np.array([place]), np.array([1.0]))
        else:
            influence = on_levels[:, place]
        between[j] = cluster_variance(influence[row] * weight, codes, clusters)
    wide = np.interp(np.arange(1, size + 1), at, np.sqrt(between))
    critical = float(stdtrit(clusters - 1, 0.5 + level / 2))
    half_width = np.where(error > 0, np.maximum(half_width, critical * wide), 0.0)
    return np.where(error > 0, np.maximum(error, wide), 0.0), half_width
