"""Charts, drift and sites against published and computed values (published cases: tests/reference)."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special, stats

from reference_cases import find_case
from ventbook.results import Estimate, NotEnoughData, no_estimate
from ventbook.statistics import trends


def test_share_chart_keeps_an_empty_period():
    chart = trends.chart_shares([3, 0, 4], [20, 0, 25], labels=["2026Q1", "2026Q2", "2026Q3"])
    assert list(chart["label"]) == ["2026Q1", "2026Q2", "2026Q3"]
    assert chart["value"].isna().tolist() == [False, True, False]
    assert chart["outside"].iloc[1] == ""


def test_share_chart_refuses_more_failures_than_units():
    with pytest.raises(ValueError, match="count must lie between 0 and n"):
        trends.chart_shares([3], [2])
    with pytest.raises(NotEnoughData, match="periods with at least one unit: 0 available, 1 needed"):
        trends.chart_shares([0], [0])


def test_between_failures_chart():
    assert trends.chart_between([1.0], mean=10)["low_limit"].iloc[0] == 0
    assert trends.count_between([0, 0, 1, 1, 0, 1, 0]).tolist() == [2, 0, 1]
    assert trends.count_between([0, 0]).tolist() == []


def steady_chart(values):
    """Points of a process with mean 0 and standard deviation 1, limits at three."""
    label = np.arange(1, len(values) + 1)
    return pd.DataFrame(
        {"label": label, "value": values, "centre": 0.0, "low_limit": -3.0, "high_limit": 3.0}
    )


def test_run_rules_in_words():
    chart = steady_chart([0.5] * 8 + [0.0])
    runs = trends.find_runs(chart)
    assert runs.to_dict("records") == [
        {"label": 8, "direction": "up", "rule": "one_side", "words": trends.RUN_RULES["one_side"]}
    ]
    chart = steady_chart([2.5, 0.0, 2.2, -3.5])
    runs = trends.find_runs(chart, rules=["outside", "near_limit"])
    assert runs[["label", "direction", "rule"]].to_numpy().tolist() == [
        [3, "up", "near_limit"],
        [4, "down", "outside"],
    ]
    with pytest.raises(ValueError, match="rules must be among outside, one_side, near_limit; got trend"):
        trends.find_runs(chart, rules=["trend"])


def test_false_alarms_of_run_rules():
    """Eight on one side 2 (1/2)^8; two of three beyond two thirds of the band, one side, .00153 (definition)."""
    beyond = 0.5 * special.erfc(2 / np.sqrt(2))
    assert 2 * 0.5**8 == 0.0078125
    assert 3 * beyond**2 * (1 - beyond) + beyond**3 == pytest.approx(0.00152916, abs=6e-9)
    rng = np.random.default_rng(7)
    chart = steady_chart(rng.normal(size=200_000))
    runs = trends.find_runs(chart, rules=list(trends.RUN_RULES))
    rate = runs.groupby(["rule", "direction"]).size() / len(chart)
    assert rate["one_side"].sum() == pytest.approx(0.0078125, rel=0.15)
    # the second of two points must be the one that completes it: 2 of the 3 pairs
    assert rate[("near_limit", "up")] == pytest.approx(2 * beyond**2, rel=0.2)


def test_weights_need_an_odds_ratio():
    with pytest.raises(ValueError, match="odds_ratio must be over 0 and not 1; got 1"):
        trends.cusum_weights([0.1], odds_ratio=1)


@given(st.lists(st.floats(-3, 3), min_size=1, max_size=30))
def test_reflection_equals_the_recursion(steps):
    s, expected = 0.0, []
    for step in steps:
        s = max(0.0, s + step)
        expected.append(s)
    np.testing.assert_allclose(trends.reflect_at_zero(steps), expected, atol=1e-12)


def test_drift_needs_four_points():
    with pytest.raises(NotEnoughData, match="points for a drift test: 3 available, 4 needed"):
        trends.test_drift([1, 2, 3])


def test_coal_mining():
    case = find_case("coal-mining disasters")
    counts, last_before = np.array(case.inputs["counts"]), case.expected["last_before"]
    years = list(range(case.inputs["first_year"], case.inputs["first_year"] + len(counts)))
    step = trends.find_change_in_counts(counts, np.ones(len(counts)), labels=years)
    assert step.label == last_before + 1
    assert years[step.low] < last_before < years[step.high]
    o1 = np.cumsum(counts)
    k = np.arange(1, len(counts) + 1)
    # log-likelihood below the best, change after that year (a run of ruptures 1.1.10)
    for year, below in ((1890, -0.259), (1889, -0.489)):
        loglik = []
        for y in (last_before, year):
            i = years.index(y)
            a, b = o1[i], o1[-1] - o1[i]
            loglik.append(a * np.log(a / k[i]) + b * np.log(b / (len(counts) - k[i])))
        assert loglik[1] - loglik[0] == pytest.approx(below, abs=6e-4)


def test_interval_of_a_change_point_holds():
    """200 seeded series of 12 periods, ratio 1 then 2: the true place is inside at least 90 times of 100."""
    rng = np.random.default_rng(3)
    expected = np.full(12, 10.0)
    inside = 0
    for _ in range(200):
        counts = rng.poisson(expected * np.where(np.arange(12) < 7, 1.0, 2.0))
        step = trends.find_change_in_counts(counts, expected)
        inside += step.low <= 6 <= step.high
    assert inside >= 180


def test_funnel_limits_stop_at_none():
    assert trends.funnel_limit(0.05, 100, tail=0.001) == 0  # Spiegelhalter's rule gives -.00831
    assert np.isnan(trends.funnel_limit(0.05, 0, tail=0.975))


def test_funnel_keeps_a_site_without_ventings():
    sites = ["Harbour", "Ridge", "Plain"]
    mixed = trends.funnel_by_site(
        [2, 0, 30], [30, 0, 60], sites=sites, chances=[[0.12] * 30, [], [0.12] * 60]
    )
    assert mixed["outside"].tolist() == ["", "", "above"]
    funnel = trends.funnel_by_site([2, 0, 30], [30, 0, 60], sites=sites, share=0.12)
    assert mixed["chance_below"].to_numpy() == pytest.approx(funnel["chance_below"].to_numpy(), rel=1e-9)
    assert funnel["outside"].tolist() == ["", "", "above"]
    assert np.isnan(funnel["value"].iloc[1])


def test_funnel_decides_by_the_exact_tail():
    """One failing of one happens at the true chance, however the curve is interpolated; verdicts by scipy's binomial."""
    share = 0.15
    for n in (1, 2, 3, 5, 10, 40, 200):
        count = np.arange(n + 1)
        funnel = trends.funnel_by_site(count, np.full(n + 1, n), sites=[str(k) for k in count], share=share)
        more, fewer = stats.binom.sf(count - 1, n, share), stats.binom.cdf(count, n, share)
        assert funnel["chance_above"].to_numpy() == pytest.approx(more, rel=1e-12)
        assert (funnel["outside"] == "above").tolist() == (more <= 0.001).tolist()
        assert (funnel["outside"] == "below").tolist() == (fewer <= 0.001).tolist()
        # a site that is like the others is named at most once in a thousand on either side
        assert stats.binom.pmf(count, n, share)[(funnel["outside"] == "above").to_numpy()].sum() <= 0.001
    for n in (100, 500):
        share = 0.05
        at = int(stats.binom.isf(0.001, n, share))
        funnel = trends.funnel_by_site([at, at + 1], [n, n], sites=["a", "b"], share=share)
        assert funnel["outside"].tolist() == ["", "above"]


def test_funnel_allows_for_the_mix():
    """Eight of ten where each had a chance of .6 is nothing; of .05 it is far out (Poisson-binomial, scipy)."""
    hard, easy = np.full(10, 0.6), np.full(90, 0.05)
    crude = trends.funnel_by_site([8, 4], [10, 90], sites=["hard", "easy"])
    assert crude["outside"].tolist() == ["above", ""]
    fair = trends.funnel_by_site([8, 4], [10, 90], sites=["hard", "easy"], chances=[hard, easy])
    assert fair["outside"].tolist() == ["", ""]
    assert fair["expected"].tolist() == pytest.approx([6.0, 4.5])
    assert fair["chance_above"].iloc[0] == pytest.approx(stats.binom.sf(7, 10, 0.6), rel=1e-12)
    with pytest.raises(ValueError, match="one value a venting"):
        trends.funnel_by_site([8, 4], [10, 90], sites=["hard", "easy"], chances=[hard, hard])
    with pytest.raises(ValueError, match="between 0 and n"):
        trends.funnel_by_site([11], [10], sites=["hard"])
    level = trends.level_chances(np.concatenate([hard, easy]), 12.0)
    assert level.sum() == pytest.approx(12.0)
    odds = level / (1 - level) / (np.concatenate([hard, easy]) / (1 - np.concatenate([hard, easy])))
    assert odds == pytest.approx(odds[0])
    assert trends.level_chances(hard, 0.0).tolist() == [0.0] * 10
    assert trends.level_chances(hard, 10.0).tolist() == [1.0] * 10


def test_nothing_expected_gives_no_ratio():
    assert trends.observed_over_expected(0, 0).state == "too_few"


def test_shrunken_sites_move_small_sites_most():
    shares = trends.shrink_shares([12, 1, 14, 3], [100, 3, 110, 25], sites=list("ABCD"))
    assert abs(shares["estimate"].iloc[1] - shares["raw"].iloc[1]) > 0.15
    assert abs(shares["estimate"].iloc[0] - shares["raw"].iloc[0]) < 0.02
    assert shares["weight"].iloc[1] < shares["weight"].iloc[3] < shares["weight"].iloc[0]
    assert (shares["low"] < shares["estimate"]).all() and (shares["estimate"] < shares["high"]).all()


def test_shrunken_intervals_cover():
    """Four sites of 40 with true shares .08 to .20, 150 seeded fleets: the 95 % intervals cover at least 92 in 100."""
    rng = np.random.default_rng(11)
    truth = np.array([0.08, 0.12, 0.14, 0.20])
    covered = []
    for _ in range(150):
        shares = trends.shrink_shares(rng.binomial(40, truth), np.full(4, 40), sites=list("ABCD"), grid=30)
        covered.append((shares["low"] <= truth) & (truth <= shares["high"]))
    assert np.mean(covered) > 0.92


def test_shrinking_keeps_a_site_without_ventings():
    shares = trends.shrink_shares([5, 0], [40, 0], sites=["Harbour", "Lake"])
    assert shares["weight"].iloc[1] == 0
    assert np.isnan(shares["raw"].iloc[1]) and shares["high"].iloc[1] > shares["high"].iloc[0]


def test_standardised_share_undoes_a_mix_shift():
    """Prefilled 8 %, empty cooler 30 %: 40:10 gives 12.4 %, 25:25 gives 19 %, at the first mix 12.4 % again."""
    reference = [40, 10]
    share = trends.standardise_share([2.0, 7.5], [25, 25], reference)
    assert pytest.approx(0.19) == (2 + 7.5) / 50
    assert share.estimate == pytest.approx(0.124)
    assert share.low < share.estimate < share.high
    partial = trends.standardise_share([2, 0], [25, 0], reference)
    assert partial.estimate == pytest.approx(0.08)
    assert partial.note == "20 % of the reference mix has no venting here"
    zero = trends.standardise_share([0, 0], [25, 25], reference)
    assert zero.estimate == 0 and 0 < zero.high < 0.25


def test_change_from_two_intervals():
    """Square-and-add of the ends (Zou & Donner 2008, formula); 56/70 against 48/80 by Wilson's ends is Newcombe's .0524
    to .3339 (Newcombe 1998, Table II, from memory)."""
    now = Estimate(56 / 70, 0.691776, 0.876866, 0.95, "share", 70, 0, "Wilson")
    before = Estimate(48 / 80, 0.490420, 0.700289, 0.95, "share", 80, 0, "Wilson")
    change = trends.compare_estimates(now, before)
    assert (change.estimate, change.low, change.high) == pytest.approx((0.2, 0.0524, 0.3339), abs=6e-4)
    ratio = trends.compare_estimates(now, before, ratio=True)
    assert ratio.estimate == pytest.approx(4 / 3)
    assert ratio.low < 4 / 3 < ratio.high and ratio.unit == "1"
    nothing = trends.compare_estimates(now, no_estimate("not_recorded", level=0.95, unit="share", n=0))
    assert (nothing.estimate, nothing.state) == (None, "not_recorded")


def test_change_keeps_an_open_end_open():
    now = Estimate(2.0, 1.0, None, 0.95, "1", 10, 0, "made up")
    before = Estimate(1.0, 0.5, 2.0, 0.95, "1", 10, 0, "made up")
    change = trends.compare_estimates(now, before, ratio=True)
    assert change.high is None and change.low == pytest.approx(2 / np.exp(np.hypot(np.log(2), np.log(2))))


def test_what_failing_ventings_share():
    import pandas as pd

    frame = pd.DataFrame(
        {
            "failed": pd.Series([True] * 9 + [False] * 31 + [pd.NA] * 2, dtype="boolean"),
            "lot": ["L7"] * 8 + ["L1"] * 32 + ["L7"] * 2,
            "rare": ["x"] + ["y"] * 41,
        }
    )
    table = trends.compare_failing(frame, failed="failed", columns=["lot", "rare", "no such"])
    top = table.iloc[0]
    assert (top["column"], top["level"]) == ("lot", "L7")
    assert top[["failing_with", "with_level", "failing_without", "without_level"]].tolist() == [8, 8, 1, 32]
    assert top["p"] == pytest.approx(9 / 76904685, rel=1e-9)  # C(9,8) / C(40,8), definition
    assert "rare" not in set(table["column"])  # one venting is no group


def test_what_innocent_failing_ventings_share_is_raised_for_having_looked_at_many_levels():
    """Eight columns of five levels, failing dealt at random: the smallest p is under .05 nearly always, p_any in 1 of 20."""
    import pandas as pd

    least, any_ = [], []
    for seed in range(60):
        rng = np.random.default_rng([21, seed])
        frame = pd.DataFrame({f"c{k}": rng.choice(list("abcde"), 120) for k in range(8)})
        frame["failed"] = rng.random(120) < 0.2
        table = trends.compare_failing(frame, failed="failed", columns=[f"c{k}" for k in range(8)], draws=299)
        least.append(table["p"].iloc[0])
        any_.append(table["p_any"].iloc[0])
        assert table["p_any"].is_monotonic_increasing
    assert np.mean(np.array(least) < 0.05) > 0.6
    assert np.mean(np.array(any_) < 0.05) <= 0.15  # 3 expected of 60, 9 in one of a thousand such tests
    assert 0.3 < np.mean(any_) < 0.7


def test_a_site_that_fails_more_makes_no_lot_of_its_own_guilty():
    import pandas as pd

    rng = np.random.default_rng(2)
    ridge = np.arange(200) % 2 == 0
    frame = pd.DataFrame(
        {"site": np.where(ridge, "Ridge", "Lake"), "failed": rng.random(200) < np.where(ridge, 0.5, 0.05)}
    )
    frame["lot"] = np.where(ridge & (rng.random(200) < 0.8), "L9", "L1")
    crude = trends.compare_failing(frame, failed="failed", columns=["lot"], draws=499)
    inside = trends.compare_failing(frame, failed="failed", columns=["lot"], draws=499, stratum="site")
    assert crude["p_any"].iloc[0] < 0.01 < 0.05 < inside["p_any"].iloc[0]


def test_blanks_take_no_side_in_what_failing_ventings_share():
    import pandas as pd

    frame = pd.DataFrame(
        {
            "failed": [True] * 10 + [False] * 30,
            "lot": ["L7"] * 5 + ["L1"] * 5 + ["L7"] * 5 + ["L1"] * 5 + [None] * 20,
        }
    )
    table = trends.compare_failing(frame, failed="failed", columns=["lot"], draws=199)
    assert table[["with_level", "without_level"]].to_numpy().tolist() == [[10, 10], [10, 10]]
    # Mantel-Haenszel score by hand: 20 blank of 40, none of 10 failing; 5 expected, variance 10 x 30 x 20 x 20 / (40^2 x 39)
    assert table["blank_z"].iloc[0] == pytest.approx(-5 / np.sqrt(10 * 30 * 20 * 20 / (40**2 * 39)))


def test_chance_of_a_step_is_even_where_there_is_none_and_small_where_there_is():
    rng = np.random.default_rng(4)
    expected = np.array([6.0, 7, 5, 8, 6, 7, 9, 6])
    chances = []
    for k in range(80):
        observed = rng.poisson(expected)
        step = trends.find_change_in_counts(observed, expected)
        chances.append(trends.chance_of_change(observed, expected, step.statistic, draws=299, seed=k))
    assert 0.4 < np.mean(chances) < 0.65 and np.mean(np.array(chances) < 0.1) <= 0.2
    doubled = np.array([6, 7, 5, 8, 15, 18, 20, 16])
    step = trends.find_change_in_counts(doubled, expected)
    assert trends.chance_of_change(doubled, expected, step.statistic) < 0.002
    assert trends.chance_of_change(np.zeros(8), expected, 0.0) == 1.0


def test_a_shift_of_means_has_the_normal_interval():
    """1.959964 standard errors to either side; as a ratio, of the logarithm."""
    gap = trends.shift_of_means(0.1, 0.02, unit="mm", level=0.95, n=30)
    assert (gap.low, gap.high) == pytest.approx((0.1 - 0.03919928, 0.1 + 0.03919928), abs=1e-8)
    ratio = trends.shift_of_means(np.log(2), 0.5, unit="1", level=0.90, n=30)
    assert (ratio.estimate, ratio.high / ratio.estimate) == pytest.approx(
        (2.0, np.exp(1.644854 / 2)), rel=1e-6
    )
