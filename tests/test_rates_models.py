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
