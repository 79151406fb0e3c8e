"""The interval of a share by engine: its likelihood and its laws."""

from __future__ import annotations

import numpy as np
import pytest

from reference_cases import find_case
from ventbook.statistics import rates
from ventbook.statistics.rates.betabinomial import count_tails, integrated_interval, log_likelihood


def litters(group):
    rats = find_case(f"rat litters, {group}").inputs
    return np.array(rats["x"], dtype=float), np.array(rats["n"], dtype=float)


def test_likelihood_from_tail_counts_is_the_beta_binomial():
    from scipy.stats import betabinom

    x, n = litters("treated")
    p, r = 0.7, 0.25
    s = (1 - r) / r
    expected = betabinom.logpmf(x, n, p * s, (1 - p) * s).sum()
    from scipy.special import gammaln

    constant = (gammaln(n + 1) - gammaln(x + 1) - gammaln(n - x + 1)).sum()
    got = float(log_likelihood(count_tails(x, n), np.array(p), np.array(1 - p), np.array(r))) + constant
    assert got == pytest.approx(expected, rel=1e-12)


def test_ids_that_look_like_numbers_stay_text():
    # "1.10" and "1.1" are two engines; read as numbers they would be one
    answer = rates.lifter_share([1, 0], [8, 8], cluster=["1.10", "1.1"])
    assert answer.clusters == 2


def test_interval_does_not_depend_on_the_size_of_the_fleet_in_kind():
    # same share and spread, a hundred times the engines: a tenth of the width
    x, n = np.tile([0.0, 0.0, 0.0, 2.0], 20), np.full(80, 8.0)
    low, high = integrated_interval(x, n, level=0.95)
    low2, high2 = integrated_interval(np.tile(x, 100), np.tile(n, 100), level=0.95)
    assert (high2 - low2) / (high - low) == pytest.approx(0.1, rel=0.1)


def test_interval_mirrors_when_failing_and_sound_change_places():
    x, n = np.array([0.0, 1.0, 5.0, 0.0, 0.0, 2.0]), np.full(6, 8.0)
    low, high = rates.clustered_interval(x, n)
    low2, high2 = rates.clustered_interval(n - x, n)
    assert (low2, high2) == pytest.approx((1 - high, 1 - low), abs=2e-3)


def test_sums_of_probabilities_are_allowed():
    x, n = np.array([0.4, 1.2, 0.0, 2.9]), np.full(4, 8.0)
    answer = rates.lifter_share(x, n, cluster=range(4))
    assert answer.method == "wilson, effective n"
    assert answer.low < answer.estimate < answer.high


def test_a_difference_is_the_first_share_less_the_second() -> None:
    """Newcombe 1998, Statistics in Medicine 17:873: 56 of 70 against 48 of 80 is .20, from .0524 to .3339 (memory)."""
    assert rates.difference_interval(56, 70, 48, 80) == pytest.approx((0.2, 0.0524, 0.3339), abs=5e-5)


def brute_interval(x, n, level):
    """Equal tails of the share by adding up scipy's beta-binomial on an even grid of share and correlation."""
    from scipy.stats import betabinom

    p, r = (np.arange(800) + 0.5)[:, None] / 800, (np.arange(120) + 0.5)[None, :] / 120
    s = (1 - r) / r
    log = sum(betabinom.logpmf(a, b, p * s, (1 - p) * s) for a, b in zip(x, n, strict=True))
    weight = (np.exp(log - log.max()) * (1 - r) * (p * (1 - p)) ** (1 / 3 - 1)).sum(1)
    edges, cumulative = np.arange(801) / 800, np.append(0.0, np.cumsum(weight)) / weight.sum()
    return np.interp([(1 - level) / 2, (1 + level) / 2], cumulative, edges)


@pytest.mark.parametrize("level", [0.95, 0.8])
def test_interval_is_that_of_the_beta_binomial_added_up_on_a_grid(level):
    """Beta(1/3, 1/3) on the share, 2 (1 - r) on the correlation; scipy.stats.betabinom summed on 800 x 120 points."""
    x, n = np.array([2.0, 0.0, 6.0, 1.0, 3.0, 0.0, 4.0]), np.array([8.0, 8.0, 12.0, 6.0, 8.0, 4.0, 12.0])
    got = integrated_interval(x, n, level=level)
    np.testing.assert_allclose(got, brute_interval(x, n, level), atol=1.5e-3)


@pytest.mark.parametrize("level", [0.95, 0.8])
def test_bound_without_failures_leaves_the_tail_at_the_assumed_correlation(level):
    """At the bound the chance of no failure in any engine, by scipy's beta-binomial at .4, is (1 - level) / 2."""
    from scipy.stats import betabinom

    n = np.array([8.0, 8.0, 12.0, 6.0, 4.0])
    low, high = integrated_interval(np.zeros(5), n, level=level)
    s = (1 - 0.4) / 0.4
    assert low == 0.0
    assert betabinom.pmf(0, n, high * s, (1 - high) * s).prod() == pytest.approx((1 - level) / 2, rel=1e-9)
    assert integrated_interval(n, n, level=level) == pytest.approx((1 - high, 1.0))


def wilson_on_effective_number(x, n, level, least_correlation):
    """By hand: mean squares of single lifters from statsmodels' analysis of variance, Wilson's ends as roots."""
    import pandas as pd
    from scipy.optimize import brentq
    from scipy.stats import t
    from statsmodels.api import stats
    from statsmodels.formula.api import ols

    single = pd.concat(
        [
            pd.DataFrame({"engine": str(i), "over": np.r_[np.ones(int(a)), np.zeros(int(b - a))]})
            for i, (a, b) in enumerate(zip(x, n, strict=True))
        ]
    )
    square = stats.anova_lm(ols("over ~ C(engine)", single).fit())["mean_sq"]
    between, within, k, total = square["C(engine)"], square["Residual"], len(n), n.sum()
    usual = (total - (n**2).sum() / total) / (k - 1)
    correlation = max((between - within) / (between + (usual - 1) * within), least_correlation)
    size = sum(b * b for b in n) / sum(n)
    effective = total / (1 + (size - 1) * correlation)
    share, quantile = x.sum() / total, min(t.ppf(0.5 + level / 2, k - 1), 6.0)

    def distance(p):
        return (share - p) ** 2 - quantile**2 * p * (1 - p) / effective

    return brentq(distance, 1e-12, share), brentq(distance, share, 1 - 1e-12)


FEW = (np.array([1.0, 0.0, 2.0, 0.0, 1.0, 0.0, 0.0]), np.array([8.0, 8.0, 24.0, 4.0, 8.0, 36.0, 8.0]))
MANY = (
    np.array([1.0, 3.0, 0.0, 6.0, 2.0, 1.0, 5.0, 9.0, 2.0, 4.0, 1.0, 0.0, 2.0, 1.0]),
    np.tile([8.0, 24.0], 7),
)


@pytest.mark.parametrize(
    ("fleet", "least"), [(FEW, 0.2), (MANY, 0.0)], ids=["assumed correlation", "own correlation"]
)
@pytest.mark.parametrize("level", [0.95, 0.8])
def test_effective_interval_is_wilsons_with_the_lifters_that_count(fleet, least, level):
    """Donner and Klar 2000: n over 1 + (m - 1) rho, m as a lifter sees it; Wilson 1927 with t on engines - 1."""
    x, n = fleet
    expected = wilson_on_effective_number(x, n, level, least)
    assert rates.effective_interval(x, n, level=level) == pytest.approx(expected, rel=1e-8)


def test_interval_of_a_share_is_never_inside_any_that_it_promises():
    """From ten engines with a finding on the widest of three; with fewer, of the two that need no normal law."""
    for x, n in (FEW, MANY):
        exact = [float(v) for v in rates.binomial_interval(x.sum(), n.sum(), method="exact")]
        parts = [integrated_interval(x, n, level=0.95), tuple(exact)]
        parts += [rates.effective_interval(x, n)] if (x > 0).sum() >= 10 else []
        low, high = rates.clustered_interval(x, n)
        assert (low, high) == (min(p[0] for p in parts), max(p[1] for p in parts))
