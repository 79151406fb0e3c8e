"""The usual distributions, to the last bit as the packages that they stand for have them."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from ventbook import distributions
from ventbook.statistics import rates

RNG = np.random.default_rng(4)
SHARES = np.concatenate([RNG.random(500), 10.0 ** -RNG.uniform(1, 250, 200), [0.5, 0.025, 0.975, np.nan]])
POINTS = np.concatenate([RNG.normal(0, 4, 500), [-40.0, 40.0, 0.0, np.inf, -np.inf, np.nan]])
FREEDOM = (0.5, 1, 2, 3.5, 10, 59, 1000)


@pytest.mark.parametrize("name", ["ppf", "isf", "cdf", "sf"])
def test_normal_as_scipy_has_it(name: str) -> None:
    at = SHARES if name in ("ppf", "isf") else POINTS
    np.testing.assert_array_equal(getattr(distributions.norm, name)(at), getattr(stats.norm, name)(at))


@pytest.mark.parametrize("df", [*FREEDOM, 0, np.nan])
def test_t_chi_square_and_f_as_scipy_has_them(df: float) -> None:
    for name in ("ppf", "isf", "cdf", "sf"):
        at = SHARES if name in ("ppf", "isf") else POINTS
        np.testing.assert_array_equal(getattr(distributions.t, name)(at, df), getattr(stats.t, name)(at, df))
    np.testing.assert_array_equal(distributions.chi2.ppf(SHARES, df), stats.chi2.ppf(SHARES, df))
    np.testing.assert_array_equal(distributions.chi2.median(df), stats.chi2.median(df))
    np.testing.assert_array_equal(distributions.chi2.sf(POINTS, df), stats.chi2.sf(POINTS, df))
    np.testing.assert_array_equal(distributions.f.sf(POINTS, 3, df), stats.f.sf(POINTS, 3, df))


def test_beta_as_scipy_has_it() -> None:
    shares = RNG.uniform(1e-9, 1, 500)
    a, b = RNG.uniform(0.1, 300, (2, len(shares)))
    for name in ("ppf", "isf"):
        own, theirs = (getattr(kind, name)(shares, a, b) for kind in (distributions.beta, stats.beta))
        np.testing.assert_array_equal(own, theirs)


@pytest.mark.parametrize(("method", "theirs"), [("wilson", "wilson"), ("exact", "beta")])
@pytest.mark.parametrize("level", [0.9, 0.95, 0.99])
def test_intervals_of_a_share_as_statsmodels_has_them(method: str, theirs: str, level: float) -> None:
    n = RNG.uniform(2, 400, 300)
    x = n * RNG.uniform(0.01, 0.99, 300)
    own = rates.binomial_interval(x, n, level=level, method=method)
    np.testing.assert_array_equal(own, proportion_confint(x, n, alpha=1 - level, method=theirs))


def test_loads_nothing_before_it_is_asked_for_more() -> None:
    code = (
        "import sys; from ventbook import distributions; assert 'scipy.stats' not in sys.modules\n"
        "assert distributions.poisson.ppf(0.5, 3) == 3 and 'scipy.stats' in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
