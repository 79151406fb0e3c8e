"""The series of a page: where each stands now, and where innocent ones might stand.

Each part answers with a row a series and direction, and with the values that ``draws`` innocent presents give the
same series (series, draws), so that the page's limits can be set on all of them together.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from ventbook import distributions as stats
from ventbook.numerics import Floats, root_of
from ventbook.results import NotEnoughData
from ventbook.statistics.trends.charts import cusum_weights, reflect_at_zero
from ventbook.statistics.trends.mix import (
    Design,
    ShareModel,
    collapse,
    fit_means,
    fit_shares,
    make_matrix,
)

FAILING = "failing_ventings"
#: Change the cumulative sum is tuned to: odds doubled, or halved.
ODDS_RATIO = {"up": 2.0, "down": 0.5}
EWMA_WEIGHT = 0.4


@dataclass(frozen=True)
class Watched:
    """What the parts of one page have in common: ``used`` rows of the ``past`` and the ``watched`` periods, the names of their
    columns ``period`` and ``site``, the mix, and how many innocent presents are drawn.
    """

    used: pd.DataFrame
    design: Design
    period: str
    site: str
    past: tuple[str, ...]
    watched: tuple[str, ...]
    draws: int

    @property
    def by(self) -> list[str]:
        """Columns in whose combinations the rows are alike."""
        return list(dict.fromkeys([self.period, self.site, *self.design.factors]))

    def cells(self, rows: pd.DataFrame) -> Iterator[tuple[int, int, NDArray[np.bool_]]]:
        """Site, watched period and mask of the rows of each cell that has any."""
        at_site = pd.Index(self.design.sites).get_indexer(pd.Index(rows[self.site]))
        at_time = pd.Index(self.watched).get_indexer(pd.Index(rows[self.period]))
        for i in range(len(self.design.sites)):
            for j in range(len(self.watched)):
                mask = (at_site == i) & (at_time == j)
                if mask.any():
                    yield i, j, mask


@dataclass(frozen=True)
class Part:
    rows: list[dict[str, Any]]
    simulated: Floats
    cells: pd.DataFrame
    spread: float = 0.0
    model: ShareModel | None = None


def watch_shares(asked: Watched, failed: str, rng: np.random.Generator) -> Part | None:
    """The failing share of the page and of each site; None where the past says nothing of it."""
    design, past, watched, draws = asked.design, asked.past, asked.watched, asked.draws
    known = asked.used[asked.used[failed].notna()]
    rows = collapse(known, by=asked.by, sums={"failing": known[failed].astype(bool)})
    matrix = make_matrix(design, rows, site=asked.site)
    then = rows[asked.period].isin(past).to_numpy()
    failing, n = rows["failing"].to_numpy(), rows["n"].to_numpy()
    try:
        model = fit_shares(design, matrix[then], failing[then], n[then])
    except NotEnoughData:
        return None
    p = model.share(matrix)
    cells = _cell_table(rows, asked.period, asked.site, failing, n, p)
    spread = _spread_between(cells, past)
    drift = model.draw(draws, rng=rng) - model.weights @ model.means
    t, s = len(watched), len(design.sites)
    observed, size = np.zeros((s, t)), np.zeros((s, t))
    expected, steps0 = np.zeros((s, t)), {d: np.zeros((s, t)) for d in ODDS_RATIO}
    simulated = np.zeros((s, t, draws))
    for i, j, mask in asked.cells(rows):
        pi, ni = p[mask], n[mask]
        observed[i, j], size[i, j], expected[i, j] = failing[mask].sum(), ni.sum(), ni @ pi
        for direction, ratio in ODDS_RATIO.items():
            steps0[direction][i, j] = ni @ cusum_weights(pi, odds_ratio=ratio)[0]
        variance = float(ni @ (pi * (1 - pi)))
        slope = (ni * pi * (1 - pi)) @ matrix[mask] / variance
        shift = drift @ slope
        if spread > 1:
            shift = shift + rng.standard_normal(draws) * np.sqrt((spread - 1) / variance)
        simulated[i, j] = _draw_failing(expected[i, j], variance, ni.sum(), shift, rng)
    out, values = [], []
    for i in (-1, *range(s)):
        o, e, k, sim = _pick(observed, i), _pick(expected, i), _pick(size, i), _pick(simulated, i)
        for direction, ratio in ODDS_RATIO.items():
            zero = _pick(steps0[direction], i)
            path = reflect_at_zero(o * np.log(ratio) + zero)
            values.append(reflect_at_zero(sim * np.log(ratio) + zero[:, None], axis=0)[-1])
            climb = _climb(path)
            out.append({
                "series": FAILING, "group": "" if i < 0 else design.sites[i], "direction": direction,
                "chart": "risk-adjusted CUSUM", "value": float(path[-1]), "since": watched[climb],
                "observed": float(o[climb:].sum()), "expected": float(e[climb:].sum()),
                "ratio": float(o[climb:].sum() / e[climb:].sum()) if e[climb:].sum() > 0 else np.nan,
                "shift": np.nan, "shift_error": np.nan,
                "n": int(k[climb:].sum()) if k[-1] > 0 else 0,
            })  # fmt: skip
    return Part(out, np.array(values), cells, spread, model)


def _draw_failing(mean: float, variance: float, n: float, shift: Floats, rng: np.random.Generator) -> Floats:
    """Failing ventings of a cell: binomial matched to mean and variance of unequal chances, its odds shifted."""
    share = special.expit(special.logit(mean / n) + shift)
    # A sum of unequal chances varies less than a binomial of the same mean; fewer, likelier trials say the same.
    likelier = min(1.0, max(mean / n, 1 - variance / mean)) * n / mean
    trials = max(1, round(n / likelier))
    return rng.binomial(trials, np.clip(share * n / trials, 0, 1)).astype(float)


def watch_numbers(
    asked: Watched, name: str, column: str, rng: np.random.Generator, *, log: bool
) -> Part | None:
    """The mean of a number, or of its logarithm, of the page and of each site; None where the past says nothing of it."""
    design, past, watched, draws = asked.design, asked.past, asked.watched, asked.draws
    value = pd.to_numeric(asked.used[column], errors="coerce").to_numpy(float, na_value=np.nan)
    ok = np.isfinite(value) & ((value > 0) | (not log))
    known = asked.used[ok]
    y = np.log(value[ok]) if log else value[ok]
    then_rows = known[asked.period].isin(past).to_numpy()
    if then_rows.sum() < 4 + len(design.sites):
        return None
    # A few hours-long exceptions must not carry a quarter's mean: values are held within 3.5 robust spreads.
    middle = np.median(y[then_rows])
    robust = 1.4826 * np.median(np.abs(y[then_rows] - middle))
    if robust > 0:
        y = np.clip(y, middle - 3.5 * robust, middle + 3.5 * robust)
    rows = collapse(known, by=asked.by, sums={"total": y, "square": y**2})
    matrix = make_matrix(design, rows, site=asked.site)
    n, total = rows["n"].to_numpy(), rows["total"].to_numpy()
    then = rows[asked.period].isin(past).to_numpy()
    try:
        model = fit_means(design, matrix[then], total[then], rows["square"].to_numpy()[then], n[then])
    except NotEnoughData:
        return None
    if not model.sigma > 1e-9:
        return None
    residual = total - n * model.expect(matrix)
    between = _between_periods(rows, asked.period, asked.site, residual, n, past, model.sigma)
    scale = np.sqrt(model.freedom / rng.chisquare(model.freedom, draws))
    drift = rng.standard_normal((draws, design.size)) @ root_of(model.covariance).T
    t, s = len(watched), len(design.sites)
    level, size, simulated = np.zeros((s, t)), np.zeros((s, t)), np.zeros((s, t, draws))
    for i, j, mask in asked.cells(rows):
        size[i, j] = n[mask].sum()
        level[i, j] = residual[mask].sum() / size[i, j]
        noise = np.sqrt(model.sigma**2 / size[i, j] + between**2) * rng.standard_normal(draws)
        simulated[i, j] = scale * (noise + drift @ (n[mask] @ matrix[mask] / size[i, j]))
    out, values = [], []
    for i in (-1, *range(s)):
        k = _pick(size, i)
        share = size / np.where(k > 0, k, 1)
        mean = level[i] if i >= 0 else (level * share).sum(axis=0)
        sim = simulated[i] if i >= 0 else (simulated * share[:, :, None]).sum(axis=0)
        sd = np.sqrt(model.sigma**2 / np.where(k > 0, k, 1) + between**2)
        path, sims = _average(mean / sd, k), _average(sim / sd[:, None], k)
        for direction, sign in (("up", 1.0), ("down", -1.0)):
            values.append(sign * sims[-1])
            climb = _climb(np.maximum(sign * path, 0))
            weight = k[climb:]
            shift, error = np.nan, np.nan
            if weight.sum() > 0:
                shift = float((mean[climb:] * weight).sum() / weight.sum())
                error = float((sim[climb:] * weight[:, None]).sum(axis=0).std() / weight.sum())
            out.append({
                "series": name, "group": "" if i < 0 else design.sites[i], "direction": direction, "chart": "EWMA",
                "value": float(sign * path[-1]), "since": watched[climb], "observed": np.nan, "expected": np.nan,
                "ratio": float(np.exp(shift)) if log else np.nan, "shift": shift, "shift_error": error, "n": int(weight.sum()) if k[-1] > 0 else 0,
            })  # fmt: skip
    return Part(out, np.array(values), pd.DataFrame())


def _average(z: Floats, n: Floats) -> Floats:
    """EWMA along the first axis, starting at 0, stepping over periods without values."""
    out, here = np.zeros_like(z), np.zeros(z.shape[1:])
    for j in range(len(z)):
        if n[j] > 0:
            here = EWMA_WEIGHT * z[j] + (1 - EWMA_WEIGHT) * here
        out[j] = here
    return out


def _pick(cells: Floats, i: int) -> Floats:
    return cells.sum(axis=0) if i < 0 else cells[i]


def _climb(path: Floats) -> int:
    """Index of the first period of the present climb; the last period where there is none."""
    zero = np.flatnonzero(path <= 0)
    start = int(zero[-1]) + 1 if len(zero) else 0
    return min(start, len(path) - 1)


def _cell_table(
    rows: pd.DataFrame, period: str, site: str, failing: Floats, n: Floats, p: Floats
) -> pd.DataFrame:
    table = pd.DataFrame({
        "period": rows[period], "site": rows[site], "observed": failing, "expected": n * p, "n": n,
        "variance": n * p * (1 - p),
    })  # fmt: skip
    sums = ["observed", "expected", "n", "variance"]
    by_site = table.groupby(["period", "site"], sort=True)[sums].sum().reset_index()
    overall = table.groupby("period", sort=True)[sums].sum().reset_index().assign(site="")
    return pd.concat([overall, by_site])[["period", "site", *sums]].reset_index(drop=True)


def _spread_between(cells: pd.DataFrame, past: tuple[str, ...]) -> float:
    """How much more the past's periods vary than chance (1 = no more); taken over 1 only where that is plain."""
    old = cells[cells["period"].isin(past) & (cells["site"] != "") & (cells["variance"] > 0)]
    z = (old["observed"] - old["expected"]) / np.sqrt(old["variance"])
    spread, plain = _squared_steps(z.to_numpy(), old["site"].to_numpy(), old["period"].to_numpy())
    return spread if plain else 1.0


def _squared_steps(z: Floats, site: Any, period: Any) -> tuple[float, bool]:
    """Variance of ``z`` from one period of a site to the next (mean squared difference / 2), and whether it is plainly
    over 1.

    Differences, as Laney's chart takes them: a step or a slow rise in the past then hardly counts as spread, which
    would blunt the limits just where something has been going on. With few periods the estimate is noisy, and widening
    on noise alone would cost the page half its power, so it counts only where chance would make so large a value less
    than once in twenty (chi-square with two thirds as many degrees of freedom as differences, which has its variance).
    """
    steps = np.concatenate([[0.0], *(
        np.diff(z[site == name][np.argsort(period[site == name])]) for name in np.unique(site)
    )])[1:]  # fmt: skip
    if len(steps) < 3:
        return 1.0, False
    variance = float((steps**2).mean() / 2)
    freedom = 2 * len(steps) / 3
    return variance, bool(variance > 1 and stats.chi2.sf(variance * freedom, freedom) < 0.05)


def _between_periods(
    rows: pd.DataFrame,
    period: str,
    site: str,
    residual: Floats,
    n: Floats,
    past: tuple[str, ...],
    sigma: float,
) -> float:
    """Standard deviation of period means beyond what ventings' own scatter makes, 0 unless plain (as above)."""
    table = pd.DataFrame({"period": rows[period], "site": rows[site], "r": residual, "n": n})
    old = table[table["period"].isin(past)].groupby(["period", "site"])[["r", "n"]].sum().reset_index()
    z = old["r"] / (np.sqrt(old["n"]) * sigma)
    spread, plain = _squared_steps(z.to_numpy(), old["site"].to_numpy(), old["period"].to_numpy())
    return float(sigma * np.sqrt((spread - 1) / old["n"].mean())) if plain else 0.0
