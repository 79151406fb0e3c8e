"""The curve of a waiting time: share of jobs still waiting after t, with limits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import ndtri, stdtrit

from ventbook.waiting_times.intervals import (
    Floats,
    Ints,
    Readings,
    check_level,
    collapse_readings,
    number_clusters,
)
from ventbook.waiting_times.npmle import Npmle, fit_npmle
from ventbook.waiting_times.spread import SpreadEstimate, find_floor, is_narrow, spread_readings
from ventbook.waiting_times.unfold import drop_steps, has_steps, unfold_readings

#: Cluster-aware errors are worked out at no more than this many times of a curve and drawn through between.
MOST_CLUSTERED_TIMES = 400


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


def limit_survival(survival: Floats, reach: Floats) -> tuple[Floats, Floats]:
    """Log-log limits exp(log S * exp(-+ reach / (S log S))) of a survival share.

    ``reach`` is the quantile times the standard error. At S = 1 the limits are 1; at S = 0 the lower is 0 and the
    upper stays where it last was.
    """
    s = np.asarray(survival, dtype=np.float64)
    inside = (s > 0) & (s < 1) & (reach > 0)
    safe = np.where(inside, s, 0.5)
    # beyond e^30 the limits are 0 and 1 to every digit
    reach = np.minimum(np.where(inside, reach, 0.0) / np.abs(safe * np.log(safe)), 30.0)
    low = np.where(inside, np.exp(np.log(safe) * np.exp(reach)), np.where(s >= 1, 1.0, s))
    high = np.where(inside, np.exp(np.log(safe) * np.exp(-reach)), np.where(s >= 1, 1.0, s))
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


def widest_reach(variance: float, between: float, level: float, clusters: int) -> float:
    """Quantile times standard error: the larger of normal x information-based and, with clusters, Student's t
    (clusters - 1 degrees of freedom) x between-cluster."""
    upper = 0.5 + level / 2
    reach = float(ndtri(upper)) * np.sqrt(max(variance, 0.0))
    if clusters > 1:
        reach = max(reach, float(stdtrit(clusters - 1, upper)) * np.sqrt(max(between, 0.0)))
    return float(reach)


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
    """Share of jobs still waiting after t, from readings (low, high].

    Product-limit estimate where every reading is exact (low == high) or right-censored (high == inf). Interval readings
    that are narrow against the spread of the times (stopwatch, logger, counts) are spread evenly over their intervals in a
    life table (see spread.py: readings of several kinds overlap, where the likelihood is not regular); wider ones get the
    non-parametric maximum-likelihood estimate (Turnbull), and so do all with ``method="likelihood"``. Where the beginning of
    any reading is known to a ``step`` only (see intervals.py), both ends are unfolded (see unfold.py). Censorings at t count
    as after an event at t. Standard errors from the information matrix (Greenwood's in the product-limit case); with ``cluster``
    the limits are the wider of those and of those from the between-cluster error with Student's t on clusters - 1
    degrees of freedom. Limits on the log(-log S) scale [1]_.

    ``weights`` are counts of identical rows. Rows with a missing end are left out. No reading at all gives a
    curve without entries. Times in the unit of the readings.

    References
    ----------
    .. [1] Kalbfleisch, J. D. and Prentice, R. L. (2002), The Statistical Analysis of Failure Time Data, 2nd
       ed., section 1.4.
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
    error, reach = _curve_errors(npmle, codes, clusters, level)
    finite = np.isfinite(npmle.right)
    survival = np.clip(1.0 - npmle.levels[1:], 0.0, 1.0)
    if not finite[-1]:
        survival[-1] = 0.0
    lower, upper = limit_survival(survival[finite], reach[finite])
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
    reach = float(ndtri(0.5 + level / 2)) * error
    if codes is None or clusters < 2:
        return error, reach
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
    reach = np.where(error > 0, np.maximum(reach, critical * wide), 0.0)
    return np.where(error > 0, np.maximum(error, wide), 0.0), reach
