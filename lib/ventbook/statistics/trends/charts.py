"""Control charts: what a process that only varies by chance would show, period by period.

Every chart is a frame with a row a point and the columns of ``CHART_COLUMNS``; ``outside`` says "above",
"below" or "". Limits are three standard deviations either side unless said otherwise.

References
----------
[1] D. B. Laney, "Improved control charts for attributes", Quality Engineering 14 (2002) 531-537.
[2] J. C. Benneyan, "Number-between g-type statistical quality control charts for monitoring adverse events",
    Health Care Management Science 4 (2001) 305-318.
[3] NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.
[4] ISO 7870-2:2013, Control charts - Shewhart control charts.

Risk-adjusted cumulative sums, and how long charts run before they speak.

References
----------
[1] S. H. Steiner, R. J. Cook, V. T. Farewell, T. Treasure, Biostatistics 1 (2000) 441-452.
[2] J. M. Lucas, R. B. Crosier, Technometrics 24 (1982) 199-205.
[3] J. M. Lucas, M. S. Saccucci, Technometrics 32 (1990) 1-12.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import integrate, special, stats

from ventbook.numerics import require_fit
from ventbook.results import NotEnoughData

#: d2 for moving ranges of two as the tables print it; the exact value is 2 / sqrt(pi) = 1.12838.
D2_OF_TWO = 1.128

CHART_COLUMNS = ("label", "n", "value", "centre", "low_limit", "high_limit", "outside")

RUN_RULES = {
    "outside": "one point outside the limits",
    "one_side": "eight points in a row on the same side of the centre line",
    "near_limit": "two of three points in a row in the outer third of the band, on the same side",
}


@dataclass(frozen=True)
class ChartConstants:
    """Factors for charts of subgroups of ``n`` readings (names as in ISO 7870-2)."""

    n: int
    d2: float
    d3: float
    c4: float
    A2: float
    A3: float
    D3: float
    D4: float
    B3: float
    B4: float


def chart_constants(n: int) -> ChartConstants:
    """Factors for subgroups of ``n`` normal readings, by quadrature and not from a printed table.

    d2 and d3 are mean and standard deviation of the range of ``n`` standard normal values,
    c4 the mean of their sample standard deviation; the others follow for limits at three standard deviations.
    """
    if n < 2:
        raise ValueError(f"n must be at least 2; got {n}")
    d2 = integrate.quad(lambda x: 1 - stats.norm.cdf(x) ** n - stats.norm.sf(x) ** n, -12, 12, limit=500)[0]
    grid = np.linspace(-8, 8, 1601)
    step = grid[1] - grid[0]
    cdf = stats.norm.cdf(grid)
    # E[range^2] = 2 * double integral over x < y of P(min <= x, max > y); trapezium along the diagonal.
    inner = (
        1 - cdf[None, :] ** n - (1 - cdf[:, None]) ** n + np.clip(cdf[None, :] - cdf[:, None], 0, None) ** n
    )
    second = 2 * (np.triu(inner, 1).sum() + np.trace(inner) / 2) * step**2
    d3 = float(np.sqrt(second - d2**2))
    c4 = float(np.sqrt(2 / (n - 1)) * np.exp(special.gammaln(n / 2) - special.gammaln((n - 1) / 2)))
    spread = 3 * np.sqrt(1 - c4**2) / c4
    return ChartConstants(
        n, d2, d3, c4, 3 / (d2 * np.sqrt(n)), 3 / (c4 * np.sqrt(n)), max(0.0, 1 - 3 * d3 / d2), 1 + 3 * d3 / d2,
        max(0.0, 1 - spread), 1 + spread,
    )  # fmt: skip


def chart_shares(
    count: ArrayLike, n: ArrayLike, *, labels: Sequence[Any] | None = None, baseline: ArrayLike | None = None,
    between_period: bool = True, at_least_binomial: bool = True, width: float = 3.0,
) -> pd.DataFrame:  # fmt: skip
    """Share by period with limits that carry the spread between periods (Laney's p' chart [1]).

    count, n : failing and all units of each period; a period with n = 0 stays as a row without a value.
    baseline : mask of the periods that centre line and spread are taken from (default all).
    between_period : False gives the plain binomial p chart.
    at_least_binomial : the spread factor is not let under 1. A few quiet periods do not prove that the process
        varies less than chance; set False for the formula as published.
    The spread factor is mean |z_i - z_(i-1)| / 1.128 over baseline periods that follow one another. Where no unit of
    the baseline failed, or all did, the band is that of half a unit more or less, since chance leaves some room there too.
    Columns: CHART_COLUMNS plus ``count`` and ``spread`` (the factor). Limits are clipped to 0..1.
    """
    count, n = _as_counts(count, n)
    used = np.ones(len(n), bool) if baseline is None else np.asarray(baseline, bool)
    used = used & (n > 0)
    if not used.any():
        raise NotEnoughData("periods with at least one unit", n=0, needed=1)
    centre = count[used].sum() / n[used].sum()
    with np.errstate(divide="ignore", invalid="ignore"):
        value = np.where(n > 0, count / n, np.nan)
        inside = np.clip(centre, 0.5 / (n[used].sum() + 1), 1 - 0.5 / (n[used].sum() + 1))
        sigma = np.where(n > 0, np.sqrt(inside * (1 - inside) / n), np.nan)
        z = np.where(sigma > 0, (value - centre) / sigma, 0.0)[used]
    spread = 1.0
    if between_period and len(z) > 1:
        spread = float(np.abs(np.diff(z)).mean() / D2_OF_TWO)
        spread = max(1.0, spread) if at_least_binomial else spread
    half = width * sigma * spread
    chart = _chart(labels, n, value, centre, np.clip(centre - half, 0, 1), np.clip(centre + half, 0, 1))
    return chart.assign(count=count, spread=spread)


def chart_counts(count: ArrayLike, *, labels: Sequence[Any] | None = None) -> pd.DataFrame:
    """Counts of equal opportunity by period (c chart [3]): centre +- 3 sqrt(centre), not under 0; of no event at all, as
    for half an event."""
    value = np.asarray(count, float)
    _need(len(value), 1, "periods")
    centre = value.mean()
    half = 3 * np.sqrt(max(centre, 0.5 / len(value)))
    return _chart(labels, np.ones(len(value)), value, centre, max(0.0, centre - half), centre + half)


def chart_individuals(
    values: ArrayLike, *, labels: Sequence[Any] | None = None, baseline: ArrayLike | None = None,
    d2: float = D2_OF_TWO,
) -> pd.DataFrame:  # fmt: skip
    """Single values (mean log time of a period, ...) with limits from their moving range [3].

    Missing values stay as rows and are stepped over. ``d2`` = 1.128 as printed in tables.
    """
    value = np.asarray(values, float)
    used = ~np.isnan(value)
    if baseline is not None:
        used &= np.asarray(baseline, bool)
    _need(int(used.sum()), 2, "values")
    centre = value[used].mean()
    half = 3 * np.abs(np.diff(value[used])).mean() / d2
    require_fit("chart of single values", spread=float(half))
    return _chart(labels, (~np.isnan(value)).astype(float), value, centre, centre - half, centre + half)


def chart_ewma(
    values: ArrayLike, *, target: float, sigma: ArrayLike, weight: float = 0.3, width: float = 3.0,
    steady_limits: bool = False, labels: Sequence[Any] | None = None,
) -> pd.DataFrame:  # fmt: skip
    """Exponentially weighted moving average z_i = w x_i + (1 - w) z_(i-1), z_0 = target [3].

    sigma : standard deviation of each value (one number or one a value).
    steady_limits : the limits the chart settles to, target +- width sigma sqrt(w / (2 - w)); otherwise the exact
        variance of each point, which is smaller at the start and follows a changing sigma. A missing value leaves
        the average and its variance as they were.
    """
    if not 0 < weight <= 1:
        raise ValueError(f"weight must be over 0 and at most 1; got {weight}")
    x = np.asarray(values, float)
    sd = np.broadcast_to(np.asarray(sigma, float), x.shape)
    average, variance, z, v = np.empty(len(x)), np.empty(len(x)), float(target), 0.0
    for i, (xi, si) in enumerate(zip(x, sd, strict=True)):
        if not np.isnan(xi):
            z = weight * xi + (1 - weight) * z
            v = weight**2 * si**2 + (1 - weight) ** 2 * v
        average[i], variance[i] = z, v
    half = width * (sd * np.sqrt(weight / (2 - weight)) if steady_limits else np.sqrt(variance))
    return _chart(labels, (~np.isnan(x)).astype(float), average, target, target - half, target + half)


def chart_cusum(
    values: ArrayLike, *, target: float, allowance: float, limit: float, labels: Sequence[Any] | None = None
) -> pd.DataFrame:
    """Tabular cumulative sums up and down [3]: high_i = max(0, high_(i-1) + x_i - target - allowance).

    Columns: label, value, up, down, limit, outside ("above" where up is over the limit, "below" where down is).
    """
    x = np.asarray(values, float)
    up, down = np.empty(len(x)), np.empty(len(x))
    u = d = 0.0
    for i, xi in enumerate(x):
        u = max(0.0, u + xi - target - allowance)
        d = max(0.0, d + target - allowance - xi)
        up[i], down[i] = u, d
    outside = np.where(up > limit, "above", np.where(down > limit, "below", ""))
    return pd.DataFrame(
        {
            "label": _labels(labels, len(x)),
            "value": x,
            "up": up,
            "down": down,
            "limit": limit,
            "outside": outside,
        }
    )


def chart_between(
    between: ArrayLike, *, labels: Sequence[Any] | None = None, mean: float | None = None
) -> pd.DataFrame:
    """Ventings between one failing venting and the next (g chart [2]), for failures too rare for a share.

    between : number of sound ventings between two failing ones, 0 where one follows the other directly.
    mean : the mean to hold against, where known; otherwise that of the data.
    centre is the median of the geometric distribution ln(.5)/ln(1 - p) - 1 with p = 1 / (mean + 1), since the mean
    lies above most points; the limits are mean +- 3 sqrt(mean (mean + 1)), not under 0 (of no sound venting at all, as for
    half a one). A point above is good news.
    """
    value = np.asarray(between, float)
    if mean is None:
        _need(len(value), 1, "gaps between failures")
        mean = float(value.mean())
    room = max(mean, 0.5 / max(len(value), 1))
    half = 3 * np.sqrt(room * (room + 1))
    centre = max(0.0, np.log(0.5) / np.log1p(-1 / (mean + 1)) - 1) if mean > 0 else 0.0
    return _chart(labels, np.ones(len(value)), value, centre, max(0.0, mean - half), mean + half)


def count_between(failed: ArrayLike) -> NDArray[np.int64]:
    """Sound ventings before each failing one, in the order given; those after the last are left out."""
    at = np.flatnonzero(np.asarray(failed, bool))
    return np.diff(np.concatenate([[-1], at])) - 1


def find_runs(chart: pd.DataFrame, *, rules: Sequence[str] = ("outside", "one_side")) -> pd.DataFrame:
    """Patterns in a chart that chance seldom makes, said in words.

    Two rules by default; every further rule adds false alarms. Probability a window, for a normal process in
    control: eight in a row on one side .0078, two of three beyond two thirds of the band on one given side .0015.
    Columns: label, direction ("up", "down"), rule, words. One row a point that completes a pattern.
    """
    unknown = [rule for rule in rules if rule not in RUN_RULES]
    if unknown:
        raise ValueError(f"rules must be among {', '.join(RUN_RULES)}; got {', '.join(unknown)}")
    shown = chart[chart["value"].notna()].reset_index(drop=True)
    value, centre = shown["value"].to_numpy(float), shown["centre"].to_numpy(float)
    found: list[dict[str, Any]] = []
    for sign, direction, limit in ((1, "up", "high_limit"), (-1, "down", "low_limit")):
        above = sign * (value - centre)
        band = sign * (shown[limit].to_numpy(float) - centre)
        hits = {
            "outside": above > band,
            "one_side": _all_of_last(above > 0, 8),
            "near_limit": (_sum_of_last(above > band * 2 / 3, 3) >= 2) & (above > band * 2 / 3),
        }
        for rule in rules:
            found += [
                {"label": label, "direction": direction, "rule": rule, "words": RUN_RULES[rule]}
                for label in shown["label"][hits[rule]]
            ]
    return pd.DataFrame(found, columns=["label", "direction", "rule", "words"])


def _all_of_last(mask: NDArray[np.bool_], k: int) -> NDArray[np.bool_]:
    return _sum_of_last(mask, k) == k


def _sum_of_last(mask: NDArray[np.bool_], k: int) -> NDArray[np.int64]:
    total = np.concatenate([[0], np.cumsum(mask)])
    upto = np.arange(1, len(mask) + 1)
    return total[upto] - total[np.maximum(upto - k, 0)]


def _labels(labels: Sequence[Any] | None, n: int) -> list[Any]:
    if labels is None:
        return list(range(1, n + 1))
    if len(labels) != n:
        raise ValueError(f"labels must have one entry a point ({n}); got {len(labels)}")
    return list(labels)


def _as_counts(count: ArrayLike, n: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    count, n = np.asarray(count, float), np.asarray(n, float)
    if count.shape != n.shape:
        raise ValueError(f"count and n must have the same length; got {count.shape} and {n.shape}")
    if np.any(count < 0) or np.any(count > n):
        raise ValueError("count must lie between 0 and n in every period")
    return count, n


def _need(n: int, needed: int, what: str) -> None:
    if n < needed:
        raise NotEnoughData(what, n=n, needed=needed)


def _chart(
    labels: Sequence[Any] | None, n: Any, value: Any, centre: Any, low: Any, high: Any
) -> pd.DataFrame:
    with np.errstate(invalid="ignore"):
        outside = np.where(value > high, "above", np.where(value < low, "below", ""))
    columns = {
        "label": _labels(labels, len(value)),
        "n": n,
        "value": value,
        "centre": centre,
        "low_limit": low,
    }
    return pd.DataFrame({**columns, "high_limit": high, "outside": outside})


def cusum_weights(
    expected: ArrayLike, *, odds_ratio: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What a sound and a failing venting add to the sum, given each one's expected probability of failing [1].

    Sound: -ln(1 - p + R p); failing: ln R - ln(1 - p + R p). ``odds_ratio`` R is the change looked for
    (2 = odds doubled, 0.5 = halved). Returns (sound, failing).
    """
    if not odds_ratio > 0 or odds_ratio == 1:
        raise ValueError(f"odds_ratio must be over 0 and not 1; got {odds_ratio}")
    p = np.asarray(expected, float)
    sound = -np.log1p(p * (odds_ratio - 1))
    return sound, sound + np.log(odds_ratio)


def sum_risk_adjusted(failed: ArrayLike, expected: ArrayLike, *, odds_ratio: float) -> NDArray[np.float64]:
    """Risk-adjusted CUSUM after each venting, in the order given: S_i = max(0, S_(i-1) + W_i) [1].

    Always counted upward: evidence for ``odds_ratio``, whichever side of 1 it is on.
    """
    sound, failing = cusum_weights(expected, odds_ratio=odds_ratio)
    steps = np.where(np.asarray(failed, bool), failing, sound)
    return reflect_at_zero(steps)


def reflect_at_zero(steps: ArrayLike, *, axis: int = -1) -> NDArray[np.float64]:
    """S_i = max(0, S_(i-1) + step_i) along ``axis``: the cumulative sum less its running minimum (at most 0)."""
    total = np.cumsum(np.asarray(steps, float), axis=axis)
    return total - np.minimum(np.minimum.accumulate(total, axis=axis), 0.0)


def run_length_cusum(
    *, allowance: float, limit: float, shift: float = 0.0, two_sided: bool = True, head_start: float = 0.0,
    nodes: int = 60,
) -> float:  # fmt: skip
    """Mean number of points until a normal CUSUM signals; all arguments in standard deviations.

    One-sided by the integral equation of the run length (Gauss-Legendre); two-sided from both sides, with head
    start too, by the formula in [2].
    """
    up, up_head = _run_length_one_side(allowance, limit, shift, head_start, nodes)
    if not two_sided:
        return up_head
    down, down_head = _run_length_one_side(allowance, limit, -shift, head_start, nodes)
    return (up * down_head + down * up_head - up * down) / (up + down)


def _run_length_one_side(
    k: float, limit: float, shift: float, head: float, nodes: int
) -> tuple[float, float]:
    t, w = np.polynomial.legendre.leggauss(nodes)
    t, w = limit * (t + 1) / 2, limit * w / 2
    start = np.concatenate([[0.0], t])
    system = np.eye(nodes + 1)
    system[:, 0] -= stats.norm.cdf(k - shift - start)
    system[:, 1:] -= w * stats.norm.pdf(t[None, :] + k - shift - start[:, None])
    length = np.linalg.solve(system, np.ones(nodes + 1))

    def begin(at: float) -> float:
        inside = w * stats.norm.pdf(t + k - shift - at) * length[1:]
        return float(1 + length[0] * stats.norm.cdf(k - shift - at) + inside.sum())

    return begin(0.0), begin(head)


def run_length_ewma(*, weight: float, width: float, shift: float = 0.0, nodes: int = 80) -> float:
    """Mean number of points until an EWMA with its settled limits signals [3], by the same integral equation."""
    half = width * np.sqrt(weight / (2 - weight))
    t, w = np.polynomial.legendre.leggauss(nodes)
    t, w = half * t, half * w
    kernel = w[None, :] / weight * stats.norm.pdf((t[None, :] - (1 - weight) * t[:, None]) / weight - shift)
    length = np.linalg.solve(np.eye(nodes) - kernel, np.ones(nodes))
    return float(1 + (w / weight * stats.norm.pdf(t / weight - shift) * length).sum())


def run_length_shewhart(*, shift: float = 0.0, width: float = 3.0) -> float:
    """Mean number of points until one lies outside +- ``width`` standard deviations."""
    return float(1 / (stats.norm.sf(width - shift) + stats.norm.cdf(-width - shift)))
