"""Sums by cluster, sandwich variances, degrees of freedom and multiple testing."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.contingency_tables import StratifiedTable
from statsmodels.stats.sandwich_covariance import cov_cluster

from ventbook import numerics

# Benjamini & Hochberg 1995, JRSS B 57:289, section 4.1: fifteen p values; adjusted values are a library run
# (R p.adjust and statsmodels agree), the count of rejections is the paper's.
BH_P = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459]
BH_P += [0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0]
BH_Q = [0.0015, 0.0030, 0.0095, 0.035625, 0.0603, 0.063857, 0.063857, 0.0645, 0.0765]
BH_Q += [0.486, 0.581182, 0.714875, 0.753231, 0.813214, 1.0]


def test_benjamini_hochberg_gives_the_published_rejections() -> None:
    q = numerics.adjust_bh(BH_P)
    assert q == pytest.approx(BH_Q, abs=5e-7)
    assert (q <= 0.05).sum() == 4


def test_untested_values_do_not_count_as_tests() -> None:
    with_gaps = np.array([np.nan, *BH_P[:7], np.nan, *BH_P[7:], np.nan])
    q = numerics.adjust_bh(with_gaps)
    assert np.isnan(q[[0, 8, -1]]).all()
    assert q[~np.isnan(q)] == pytest.approx(BH_Q, abs=5e-7)
    assert np.isnan(numerics.adjust_bh([np.nan, np.nan])).all()
    assert numerics.adjust_bh([]).shape == (0,)


def test_a_p_outside_its_range_is_refused() -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        numerics.adjust_bh([0.1, 1.2])


@given(st.lists(st.floats(0, 1), min_size=1, max_size=40))
def test_adjusted_values_keep_the_order_and_never_fall_under_p(p: list[float]) -> None:
    q = numerics.adjust_bh(p)
    assert np.all(q >= np.asarray(p) - 1e-12)
    assert np.all(np.diff(q[np.argsort(p, kind="stable")]) >= -1e-12)


def test_ids_stay_text_and_missing_ids_are_marked() -> None:
    codes, labels = numerics.factorize(["1.10", "1.1", None, "1.10"])
    assert codes.tolist() == [0, 1, -1, 0]
    assert labels == ["1.10", "1.1"]


def test_cluster_sums_by_column() -> None:
    cluster = np.array([0, 2, 0, 2])
    assert numerics.sum_by_cluster([1, 2, 3, 4], cluster, 3).tolist() == [4, 0, 6]
    assert numerics.sum_by_cluster([[1, 10], [2, 20], [3, 30], [4, 40]], cluster, 3).tolist() == [
        [4, 40],
        [0, 0],
        [6, 60],
    ]


def test_degrees_of_freedom_count_the_clusters_that_carry_the_contrast() -> None:
    assert numerics.satterthwaite_df(np.ones(12)) == pytest.approx(11)
    assert numerics.satterthwaite_df([1, 1, 0, 0, 0, 0]) == pytest.approx(1)
    assert numerics.satterthwaite_df([]) == 1


def test_cr3_of_a_mean_is_the_jackknife() -> None:
    rng = np.random.default_rng(5)
    values, cluster = rng.normal(size=60), rng.integers(0, 9, 60)
    mean, n = values.mean(), len(values)
    sums, sizes = (
        numerics.sum_by_cluster(values, cluster, 9),
        numerics.sum_by_cluster(np.ones(n), cluster, 9),
    )
    left_out = (values.sum() - sums) / (n - sizes)
    jackknife = ((left_out - mean) ** 2).sum()
    scores = numerics.sum_by_cluster(values - mean, cluster, 9)[:, None]
    variance = numerics.sandwich_variance(
        np.array([[1 / n]]), scores, information=sizes[:, None, None], kind="CR3"
    )
    assert variance[0, 0] == pytest.approx(jackknife, rel=1e-12)


def test_cr3_of_a_regression_equals_the_formula_with_leverages() -> None:
    rng = np.random.default_rng(7)
    n, k, groups = 80, 3, 11
    design = np.column_stack([np.ones(n), rng.normal(size=(n, k - 1))])
    weights, cluster = rng.uniform(0.5, 2, n), rng.integers(0, groups, n)
    residual = rng.normal(size=n)
    bread = np.linalg.inv(design.T @ (weights[:, None] * design))
    by_hand = np.zeros((k, k))
    for g in range(groups):
        rows = cluster == g
        hat = design[rows] @ bread @ (design[rows] * weights[rows, None]).T
        score = design[rows].T @ np.linalg.solve((np.eye(rows.sum()) - hat).T, residual[rows])
        by_hand += bread @ np.outer(score, score) @ bread
    scores = numerics.sum_by_cluster(design * residual[:, None], cluster, groups)
    info = numerics.information_by_cluster(design, weights, cluster, groups)
    assert numerics.sandwich_variance(bread, scores, information=info) == pytest.approx(by_hand, rel=1e-9)


def test_cr1_is_that_of_a_library() -> None:
    """statsmodels' clustered covariance, whose further factor (n - 1) / (n - k) is taken off."""
    rng = np.random.default_rng(8)
    n, k, groups = 60, 3, 7
    design = np.column_stack([np.ones(n), rng.normal(size=(n, k - 1))])
    cluster = np.append(np.arange(groups), rng.integers(0, groups, n - groups))
    fit = sm.OLS(rng.normal(size=n) + cluster / 5, design).fit()
    theirs = cov_cluster(fit, cluster, use_correction=True) * (n - k) / (n - 1)
    scores = numerics.sum_by_cluster(design * fit.resid[:, None], cluster, groups)
    bread = np.linalg.inv(design.T @ design)
    assert numerics.sandwich_variance(bread, scores, kind="CR1") == pytest.approx(theirs, rel=1e-9)


def test_a_cluster_that_nearly_holds_a_coefficient_is_left_out_like_any_other() -> None:
    """Least squares (numpy's) without each cluster in turn; the leverages of the first add up to over .9, each under the cap."""
    rng = np.random.default_rng(9)
    cluster = np.repeat(np.arange(6), 10)
    design = np.column_stack([np.ones(60), rng.normal(size=60) * np.where(cluster == 0, 3.0, 1.0 / 2)])
    y = rng.normal(size=60)
    beta = np.linalg.lstsq(design, y)[0]
    off = np.array([np.linalg.lstsq(design[cluster != g], y[cluster != g])[0] for g in range(6)]) - beta
    bread = np.linalg.inv(design.T @ design)
    information = numerics.information_by_cluster(design, np.ones(60), cluster, 6)
    values = np.linalg.eigvals(information[0] @ bread).real
    assert values.sum() > 0.9 and values.max() < 0.95
    scores = numerics.sum_by_cluster(design * (y - design @ beta)[:, None], cluster, 6)
    found = numerics.sandwich_variance(bread, scores, information=information)
    assert found == pytest.approx(off.T @ off, rel=1e-9)


def test_shuffled_z_is_the_mantel_haenszel_score_of_a_library() -> None:
    rng = np.random.default_rng(10)
    stratum = np.repeat(np.arange(4), [5, 9, 14, 20])
    x, y = rng.integers(0, 2, (2, 48)).astype(float)
    tables = [pd.crosstab(x[stratum == s], y[stratum == s]).to_numpy() for s in range(4)]
    theirs = StratifiedTable(tables).test_null_odds(correction=False).statistic
    assert numerics.shuffled_z(x, y, stratum) ** 2 == pytest.approx(theirs, rel=1e-9)


def test_clusters_alike_by_balance_leave_the_models_own_variance() -> None:
    """Six clusters of one high and one low reading each: their sums don't vary, the mean of twelve readings does (s^2 / n)."""
    values, cluster = np.tile([0.2, 0.4], 6), np.repeat(np.arange(6), 2)
    scores = numerics.sum_by_cluster(values - values.mean(), cluster, 6)[:, None]
    robust = numerics.sandwich_variance(np.array([[1 / 12]]), scores, kind="CR1")[0, 0]
    model = values.var(ddof=1) / 12
    assert numerics.keep_spread(robust, model) == pytest.approx(model)
    assert numerics.keep_spread(0.2 * model, model) == 0.2 * model


def test_sandwich_refuses_what_it_does_not_know() -> None:
    with pytest.raises(ValueError, match="kind must be one of CR0, CR1, CR3; got 'HC3'"):
        numerics.sandwich_variance(np.eye(1), np.ones((2, 1)), kind="HC3")
    with pytest.raises(ValueError, match="information must be given for kind CR3; got None"):
        numerics.sandwich_variance(np.eye(1), np.ones((2, 1)))


def test_ids_are_found_where_they_stand() -> None:
    ids = pd.Series(["1.1", None, "7", "1.10", "1.1"], dtype="str")
    among = pd.Series(["1.10", "1.1"], dtype="str")
    assert numerics.find_places(ids, among).tolist() == [1, -1, -1, 0, 1]
    assert numerics.find_places(ids.iloc[:0], among).tolist() == []
    assert numerics.find_places(ids, among.iloc[:0]).tolist() == [-1] * 5


def test_tails_of_unequal_chances():
    """Equal chances: scipy's binomial. Unequal: by counting below 2,000 and by Fourier beyond, on each side of the seam."""
    for n, p, count in ((7, 0.3, 4), (300, 0.02, 12), (5_000, 0.1, 560), (5_000, 0.5, 2_400)):
        more, fewer = numerics.tail_chances(count, np.full(n, p))
        assert more == pytest.approx(stats.binom.sf(count - 1, n, p), rel=1e-6)
        assert fewer == pytest.approx(stats.binom.cdf(count, n, p), rel=1e-6)
    chances = np.tile([0.02, 0.1, 0.4], 700)
    count = int(chances.sum()) + 60
    assert numerics.tail_chances(count, chances)[0] == pytest.approx(
        stats.poisson_binom.sf(count - 1, chances), rel=1e-8
    )
    assert numerics.tail_chances(0, []) == (1.0, 1.0)
    assert numerics.tail_chances(1, []) == (0.0, 1.0)
    assert numerics.tail_chances(3, [0.5, 0.5]) == (0.0, 1.0)
    assert numerics.tail_chances(0, [0.5, 0.5]) == (1.0, 0.25)
    with pytest.raises(ValueError, match="between 0 and 1"):
        numerics.tail_chances(1, [1.2])
