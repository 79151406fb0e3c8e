"""What the past lets one expect of a mix of ventings: failing share and mean of a number, given mix and site.

The mix is what comes through the door (engine type, reason, empty lines or cooler), not what the workshop does about
it (tank pressure, technician, gauge, lot): taking those out of the comparison would hide the very changes looked for.

Both models are ridge regressions read as Bayesian: every level of a factor starts at "no effect" with a stated
spread and moves as far as its data carry it. So a level never seen before is expected at the average, with an
uncertainty to match, and nothing runs to infinity where a level never failed. Sites' spread is not known from four
sites; it is averaged over a grid, weighted by how well each value explains the past.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from ventbook.numerics import Floats, require_fit, root_of
from ventbook.results import NotEnoughData

NOT_RECORDED = "not recorded"
#: Prior standard deviation of one level's effect on the log odds: 1 lets odds differ threefold with ease.
LEVEL_SPREAD = 1.0
#: Grid of the sites' standard deviation on the log-odds scale.
SITE_SPREADS = (0.05, 0.2, 0.4, 0.7, 1.1)
#: Overall log odds before any data: 12 % failing, give or take a factor of seven in the odds.
START, START_SPREAD = -2.0, 2.0


@dataclass(frozen=True)
class Design:
    """Columns of the regression: an intercept, one column a level of every factor, one a site."""

    factors: tuple[str, ...]
    levels: tuple[tuple[str, ...], ...]
    sites: tuple[str, ...]

    @property
    def size(self) -> int:
        return 1 + sum(map(len, self.levels)) + len(self.sites)

    @property
    def site_start(self) -> int:
        return self.size - len(self.sites)


@dataclass(frozen=True)
class ShareModel:
    """Failing share by mix and site: a mixture of normal posteriors of the coefficients, one a site spread.

    ``means`` (spreads, columns), ``covariances`` (spreads, columns, columns), ``weights`` (spreads).
    """

    design: Design
    means: Floats
    covariances: Floats
    weights: Floats
    n: int
    failures: int

    def share(self, matrix: Floats) -> Floats:
        """Expected probability of failing of each row of a design matrix."""
        return special.expit(matrix @ self.means.T) @ self.weights

    def draw(self, draws: int, *, rng: np.random.Generator) -> Floats:
        """Coefficients (draws, columns) as the past leaves them possible."""
        return _draw_mixture(self.means, self.covariances, self.weights, draws, rng)


@dataclass(frozen=True)
class MeanModel:
    """Mean of a number by mix and site: normal posterior of the coefficients and the residual spread."""

    design: Design
    mean: Floats
    covariance: Floats
    sigma: float
    freedom: int
    n: int

    def expect(self, matrix: Floats) -> Floats:
        return matrix @ self.mean


def make_design(frame: pd.DataFrame, *, factors: Sequence[str], site: str) -> Design:
    """Levels of every factor and sites as they occur in ``frame``; missing values are a level of their own.

    A factor with one level only is left out: it says nothing.
    """
    check_columns(frame, [*factors, site])
    kept, levels = [], []
    for name in factors:
        found = tuple(sorted(read_codes(frame[name]).unique()))
        if len(found) > 1:
            kept.append(name)
            levels.append(found)
    sites = tuple(sorted(read_codes(frame[site]).unique()))
    return Design(tuple(kept), tuple(levels), sites)


def check_columns(frame: pd.DataFrame, columns: Sequence[str]) -> None:
    """ValueError that lists all columns which the frame lacks."""
    missing = [name for name in columns if name not in frame.columns]
    if missing:
        raise ValueError(
            f"frame lacks the columns {', '.join(missing)}; it has {', '.join(map(str, frame.columns))}"
        )


def make_matrix(design: Design, frame: pd.DataFrame, *, site: str) -> Floats:
    """Design matrix of ``frame``'s rows; a level or site that the design does not know gets zeros (the average)."""
    matrix = np.zeros((len(frame), design.size))
    matrix[:, 0] = 1
    start = 1
    groups = [*zip(design.factors, design.levels, strict=True), (site, design.sites)]
    for name, levels in groups:
        codes = pd.Index(levels).get_indexer(pd.Index(read_codes(frame[name])))
        rows = np.flatnonzero(codes >= 0)
        matrix[rows, start + codes[rows]] = 1
        start += len(levels)
    return matrix


def fit_shares(design: Design, matrix: Floats, failing: Floats, n: Floats) -> ShareModel:
    """Fit the failing share to ``failing`` of ``n`` ventings in each row (rows of equal mix taken together)."""
    total = int(n.sum())
    if total == 0:
        raise NotEnoughData("ventings with a result in the periods to compare with", n=0, needed=1)
    fits = [_fit_logistic(matrix, failing, n, _prior(design, spread)) for spread in SITE_SPREADS]
    evidence = np.array([fit[2] for fit in fits])
    weights = np.exp(evidence - evidence.max())
    return ShareModel(
        design,
        np.array([fit[0] for fit in fits]),
        np.array([fit[1] for fit in fits]),
        weights / weights.sum(),
        total,
        int(failing.sum()),
    )


def fit_means(design: Design, matrix: Floats, total: Floats, square: Floats, n: Floats) -> MeanModel:
    """Fit the mean of a number from the sum and the sum of squares of ``n`` values in each row.

    The residual standard deviation comes from one pass without priors on its size; levels' effects are held by a
    prior of 1 residual standard deviation, sites' and the intercept's are left free.
    """
    count = int(n.sum())
    prior = np.full(design.size, 1.0)
    prior[0] = prior[design.site_start :] = 1e-6
    cross = matrix.T @ (matrix * n[:, None])
    moment = matrix.T @ total
    # Intercept and sites are free together only up to a constant; the tiny prior settles that.
    scale = float(np.sqrt(max(square.sum() / max(count, 1) - (total.sum() / max(count, 1)) ** 2, 1e-12)))
    freedom = count - 1 - len(design.sites)
    if freedom < 3:
        raise NotEnoughData("values to compare with", n=count, needed=4 + len(design.sites))
    sigma = scale
    require_fit("mean by mix", spread=scale, least_spread=1e-5 * max(1.0, abs(float(total.sum())) / count))
    for _ in range(2):
        precision = cross / sigma**2 + np.diag(prior / scale**2)
        mean = np.asarray(np.linalg.solve(precision, moment / sigma**2), float)
        residual = square.sum() - 2 * mean @ moment + mean @ cross @ mean
        sigma = float(np.sqrt(max(residual, 1e-12 * count) / freedom))
    require_fit("mean by mix", estimates=mean, spread=sigma, least_spread=1e-6 * scale)
    covariance = np.asarray(np.linalg.inv(cross / sigma**2 + np.diag(prior / scale**2)), float)
    return MeanModel(design, mean, covariance, sigma, freedom, count)


def read_codes(column: pd.Series) -> pd.Series:
    """A column as text levels, "yes" and "no" for booleans, NOT_RECORDED where missing; a category column as it is."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        return column
    if column.dtype == "boolean" or column.dtype == bool:
        column = column.map({True: "yes", False: "no"})
    return column.astype("str").where(column.notna(), NOT_RECORDED)


def code_columns(frame: pd.DataFrame, columns: Sequence[str]) -> pd.DataFrame:
    """Columns as categories without missing values, so that they are added up many times as fast.

    Parameters
    ----------
    frame : DataFrame
    columns : sequence of str
        Columns to code.

    Returns
    -------
    DataFrame
        The frame with these columns as categories: text, "yes" and "no" for booleans, "not recorded" where
        missing.

    Examples
    --------
    >>> import pandas as pd
    >>> from ventbook.statistics import trends
    >>> frame = pd.DataFrame({"cooler_empty": pd.array([True, None, False], dtype="boolean")})
    >>> trends.code_columns(frame, ["cooler_empty"])["cooler_empty"].astype(str).tolist()
    ['yes', 'not recorded', 'no']
    """
    return frame.assign(**{name: read_codes(frame[name]).astype("category") for name in columns})


def _prior(design: Design, site_spread: float) -> tuple[Floats, Floats]:
    mean = np.zeros(design.size)
    spread = np.full(design.size, LEVEL_SPREAD)
    mean[0], spread[0] = START, START_SPREAD
    spread[design.site_start :] = site_spread
    return mean, 1 / spread**2


def _fit_logistic(
    matrix: Floats, failing: Floats, n: Floats, prior: tuple[Floats, Floats]
) -> tuple[Floats, Floats, float]:
    """Posterior mode, covariance there, and log evidence (Laplace), by Newton steps halved until they climb."""
    centre, precision = prior
    beta = centre.copy()

    def height(b: Floats) -> float:
        eta = matrix @ b
        return float(failing @ eta - n @ np.logaddexp(0, eta) - 0.5 * precision @ (b - centre) ** 2)

    here, settled = height(beta), False
    for _ in range(60):
        p = special.expit(matrix @ beta)
        gradient = matrix.T @ (failing - n * p) - precision * (beta - centre)
        hessian = matrix.T @ (matrix * (n * p * (1 - p))[:, None]) + np.diag(precision)
        step = np.linalg.solve(hessian, gradient)
        factor = 1.0
        while height(beta + factor * step) < here - 1e-12 and factor > 1e-6:
            factor /= 2
        beta = beta + factor * step
        now = height(beta)
        settled = float(gradient @ step) < 1e-10 * (1.0 + abs(now))
        if settled:
            break
        here = now
    require_fit("failing share by mix", converged=settled, estimates=beta)
    p = special.expit(matrix @ beta)
    hessian = matrix.T @ (matrix * (n * p * (1 - p))[:, None]) + np.diag(precision)
    logdet = np.linalg.slogdet(hessian)[1]
    evidence = height(beta) + 0.5 * float(np.log(precision).sum()) - 0.5 * float(logdet)
    return beta, np.linalg.inv(hessian), evidence


def _draw_mixture(
    means: Floats, covariances: Floats, weights: Floats, draws: int, rng: np.random.Generator
) -> Floats:
    which = np.searchsorted(np.cumsum(weights), (np.arange(draws) + 0.5) / draws)
    which = np.minimum(which, len(weights) - 1)
    normal = rng.standard_normal((draws, means.shape[1]))
    out = np.empty_like(normal)
    for k in range(len(weights)):
        rows = which == k
        if rows.any():
            out[rows] = means[k] + normal[rows] @ root_of(covariances[k]).T
    return out


def collapse(frame: pd.DataFrame, *, by: Sequence[str], sums: dict[str, Any]) -> pd.DataFrame:
    """Rows of equal ``by`` (text, missing said as such) added up: columns ``by``, then the sums, then ``n``."""
    keys = pd.DataFrame({name: read_codes(frame[name]) for name in by})
    for name, values in sums.items():
        keys[name] = np.asarray(values, float)
    keys["n"] = 1.0
    rows = keys.groupby(list(by), sort=True, observed=True)[[*sums, "n"]].sum().reset_index()
    return rows.astype(dict.fromkeys(by, "str"))
