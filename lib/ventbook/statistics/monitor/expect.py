"""Expected log odds of each venting from earlier records alone: a ridge logistic regression, fitted anew each month.

Terms with their prior standard deviations (``data/monitor.toml``): intercept, site, engine type, each level of the mix, and
whether the same engine failed or passed last time. A stream is left out of what it is held against by one Newton step,

    beta_-s = beta - V g_s n / (n - n_s),

with g_s the stream's own score and V the inverse of the penalised information; where it makes up more than half of the
records the step is too long, and the regression is fitted without it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from ventbook.numerics import Floats, Ints
from ventbook.statistics.monitor.outcomes import MIX
from ventbook.statistics.monitor.settings import Expected

MOST_STEPS = 50
NEAR = 1e-8


@dataclass(frozen=True)
class Design:
    """Each venting's pattern of circumstances and the patterns' rows of the regression.

    ``columns`` (patterns, terms): the column that is 1 for each term, ``size`` standing for none; ``pattern`` of each
    venting; ``mean`` and ``precision`` (size) of the prior.
    """

    columns: Ints
    pattern: Ints
    mean: Floats
    precision: Floats

    @property
    def size(self) -> int:
        return len(self.mean)


@dataclass(frozen=True)
class Fit:
    """Coefficients (a nought at the end), their covariance (the inverse of the penalised information), the ventings behind them."""

    beta: Floats
    covariance: Floats
    n: float


def code_level(values: pd.Series) -> tuple[Ints, list[str]]:
    """Codes and names of the levels in order of their first venting; -1 where nothing is recorded."""
    codes, names = pd.factorize(values.astype("object").where(values.notna(), None))
    return np.asarray(codes, dtype=np.int64), [str(name) for name in names]


def last_time(engine: pd.Series, failed: npt.NDArray[np.bool_]) -> Ints:
    """0 where the same engine passed at its venting before, 1 where it failed, -1 at its first; rows in order of the days."""
    before = pd.Series(failed.astype(np.int64)).groupby(engine.to_numpy(), dropna=False).shift(1)
    return np.asarray(before.fillna(-1), dtype=np.int64)


def make_design(outcomes: pd.DataFrame, kind: str, prior: Expected) -> Design:
    """The regression's design for one kind of finding."""
    terms = [(np.zeros(len(outcomes), dtype=np.int64), 1, prior.intercept_sd)]
    for name, sd in (
        ("site", prior.site_sd),
        ("engine_type", prior.engine_type_sd),
        *((m, prior.mix_sd) for m in MIX),
    ):
        codes, names = code_level(outcomes[name])
        missing = int((codes < 0).any()) if name in MIX else 0
        terms.append((np.where(codes < 0, len(names), codes) if missing else codes, len(names) + missing, sd))
    before = last_time(outcomes["engine_id"], outcomes[kind].to_numpy(bool))
    terms.append((before, 2, prior.last_time_sd))
    key = np.zeros(len(outcomes), dtype=np.int64)
    for codes, levels, _ in terms:
        key = key * (levels + 1) + codes + 1
    _, first, pattern = np.unique(key, return_index=True, return_inverse=True)
    size = sum(levels for _, levels, _ in terms)
    columns, place, precision = [], 0, []
    for codes, levels, sd in terms:
        columns.append(np.where(codes[first] < 0, size, codes[first] + place))
        place += levels
        precision += [1.0 / sd**2] * levels
    mean = np.zeros(size)
    mean[0] = prior.intercept_mean
    return Design(np.column_stack(columns), pattern.ravel(), mean, np.array(precision))


def fit_ridge(design: Design, n: Floats, failed: Floats, *, start: Floats | None = None) -> Fit:
    """The regression on ``n`` ventings of each pattern of which ``failed`` failed, by Newton's method."""
    from ventbook.statistics.monitor import kernels

    size, columns = design.size, design.columns
    beta = np.append(design.mean if start is None else start, 0.0)

    def loss(at: Floats) -> float:
        prior = 0.5 * design.precision @ (at[:size] - design.mean) ** 2
        return float(kernels.sum_loss(columns, n, failed, at) + prior)

    now = loss(beta)
    for _ in range(MOST_STEPS):
        slope, information = np.zeros(size + 1), np.zeros((size + 1, size + 1))
        kernels.sum_slopes(columns, n, failed, beta, slope, information)
        whole = information[:size, :size] + np.diag(design.precision)
        step = np.append(
            np.linalg.solve(whole, slope[:size] - design.precision * (beta[:size] - design.mean)), 0.0
        )
        length, after = 1.0, loss(beta + step)
        while after > now + 1e-9 * abs(now) and length > 1e-4:
            length /= 2
            after = loss(beta + length * step)
        beta, now = beta + length * step, after
        if np.abs(length * step).max() < NEAR:
            break
    return Fit(beta, np.asarray(np.linalg.inv(whole), dtype=np.float64), float(n.sum()))
