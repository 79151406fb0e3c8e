"""The non-parametric maximum-likelihood estimate of a distribution from readings (low, high].

Where every reading is exact or right-censored this is the product-limit estimate [1]_; else the mass sits on
the innermost intervals [2]_ and is found by expectation-maximisation mixed with the convex-minorant step [3]_,
which reaches the optimum in tens of sweeps where expectation-maximisation alone takes thousands.

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
from scipy.linalg import LinAlgError, cho_factor, cho_solve, solveh_banded
from scipy.optimize import isotonic_regression

from ventbook.waiting_times.intervals import Floats, Ints, Readings

#: More innermost intervals than this are not told apart: interval ends move outward to a common grid first.
MOST_SUPPORT = 1500


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
        done = int(np.searchsorted(self.right, time, side="right"))
        if done < self.left.size and time > self.left[done] and np.isfinite(self.right[done]):
            part = (time - self.left[done]) / (self.right[done] - self.left[done])
            at = np.array([done, done + 1])
            share = np.array([1.0 - part, part])
        else:
            at, share = np.array([done]), np.array([1.0])
        return float(self.levels[at] @ share), at, share

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
        target = isotonic_regression(levels[1:-1] + rise[1:-1] / curve, weights=curve).x
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
