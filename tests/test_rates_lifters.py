"""Position, second checks, gaps as numbers and missing zeros."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ventbook.physics import gauge
from ventbook.statistics import rates


def draw_lifters(ventings, *, effect=0.0, feed=0.0, rate=0.1, rho=0.15, seed=0, per_engine=1):
    rng = np.random.default_rng(seed)
    s = (1 - rho) / rho
    share = rng.beta(rate * s, (1 - rate) * s, ventings // per_engine)
    engine = np.repeat(np.arange(ventings // per_engine), per_engine)
    place = np.arange(8)
    odds = np.log(share / (1 - share) + 1e-9)[engine][:, None] + effect * (place == 3) + feed * place / 7
    over = rng.random((engine.size, 8)) < 1 / (1 + np.exp(-odds))
    return pd.DataFrame(
        {
            "venting_id": np.repeat(np.arange(engine.size), 8),
            "engine_id": np.repeat(engine, 8),
            "cylinder": np.tile(place // 2 + 1, engine.size),
            "valve": np.tile(np.array(["inlet", "exhaust"])[place % 2], engine.size),
            "position": np.tile(place, engine.size),
            "feed": np.tile(place / 7, engine.size),
            "over_first": pd.array(over.ravel(), dtype="boolean"),
        }
    )


def test_position_test_holds_its_level():
    p, feed = [], []
    for seed in range(400):
        t = draw_lifters(40, seed=seed)
        answer = rates.test_positions(
            t["over_first"], t["engine_id"], t["position"], feed_rank=t["feed"], draws=199, seed=seed
        )
        p.append(answer.p)
        feed.append(answer.feed_p)
    # 5 % nominal; 400 fleets leave a Monte Carlo error of 1.1 points, the bar is 6 %
    assert np.mean(np.array(p) <= 0.05) <= 0.06
    assert np.mean(np.array(feed) <= 0.05) <= 0.06


def test_position_test_holds_its_level_where_a_bad_lifter_stays_bad():
    hits = 0
    rng = np.random.default_rng(1)
    for seed in range(300):
        bad = rng.random((20, 8)) < 0.12
        over = np.repeat(bad, 3, axis=0)
        engine = np.repeat(np.arange(20), 24)
        answer = rates.test_positions(over.ravel(), engine, np.tile(np.arange(8), 60), draws=199, seed=seed)
        hits += answer.p is not None and answer.p <= 0.05
    assert hits / 300 <= 0.06


def test_planted_position_and_feed_are_found():
    t = draw_lifters(120, effect=2.0, seed=5)
    answer = rates.test_positions(t["over_first"], t["engine_id"], t["position"])
    assert answer.p < 0.01
    table = rates.rates_by_position(t)
    worst = table.loc[table["estimate"].idxmax()]
    assert (worst["cylinder"], worst["valve"]) == (2, "exhaust")
    assert len(table) == 8
    late = draw_lifters(120, feed=2.0, seed=6)
    answer = rates.test_positions(
        late["over_first"], late["engine_id"], late["position"], feed_rank=late["feed"]
    )
    assert answer.feed_p < 0.05
    assert answer.feed_slope > 0


def test_position_answers_whatever_a_workshop_sends():
    none = rates.test_positions([False] * 8, [1] * 8, range(8))
    assert (none.state, none.p) == ("too_few", None)
    assert "no engine with both failing and sound lifters" in none.note
    assert rates.test_positions([True] * 8, [1] * 8, range(8)).state == "too_few"
    assert rates.test_positions([], [], []).state == "too_few"
    assert rates.test_positions([None] * 4, [1] * 4, range(4)).state == "too_few"
    one_engine = rates.test_positions([True, False, False, None], [1] * 4, range(4))
    assert one_engine.state == "estimated"
    assert one_engine.p > 0.2
    with pytest.raises(ValueError, match="one length"):
        rates.test_positions([True], [1, 2], [1, 2])
    with pytest.raises(ValueError, match="draws must be at least 99"):
        rates.test_positions([True], [1], [1], draws=10)


def test_cured_share_counts_only_lifters_read_again_after_a_run():
    over_first = [True, True, True, True, False, None]
    over_last = [False, True, False, None, False, False]
    extra_run = [True, True, False, True, True, True]
    answer = rates.cured_share(over_first, over_last, extra_run, cluster=list("abcdef"))
    assert (answer.estimate, answer.n) == (0.5, 2)
    again = rates.second_look_share(over_first, over_last, extra_run, cluster=list("abcdef"))
    assert (again.estimate, again.n) == (1.0, 1)
    assert rates.cured_share([], [], [], cluster=[]).state == "not_recorded"
    assert rates.cured_share([False], [False], [True], cluster=["a"]).state == "not_recorded"


def log_normal(mean: float, sd: float) -> gauge.GapDistribution:
    """A log-normal fleet of a million lifters as a distribution of true gaps."""
    width = 0.01
    middle = np.arange(width, 4.0, width)
    weight = np.exp(-0.5 * ((np.log(middle) - mean) / sd) ** 2) / middle
    return gauge.GapDistribution(middle, width, weight / weight.sum(), 1_000_000, 0)


def test_second_look_is_what_a_simulated_second_look_gives():
    rng = np.random.default_rng(3)
    sd, u = 0.528, 0.06
    gap = np.exp(np.log(0.22) + sd * rng.standard_normal(300_000))
    first, again = (gap + u * rng.standard_normal(gap.size) for _ in range(2))
    flagged = first > 0.5
    spread = log_normal(np.log(0.22), sd)
    look = rates.expect_second_look(first[flagged], u=u, limit=0.5, spread=spread)
    error = 3 * np.sqrt(0.25 * 0.75 / flagged.sum())
    assert look.passes.mean() == pytest.approx((again[flagged] <= 0.5).mean(), abs=error)
    assert look.truly_within.mean() == pytest.approx((gap[flagged] <= 0.5).mean(), abs=error)
    assert look.expected.mean() == pytest.approx(again[flagged].mean(), abs=1.5e-3)
    assert ((again[flagged] >= look.low) & (again[flagged] <= look.high)).mean() == pytest.approx(
        0.95, abs=0.01
    )
    # about a quarter passes a second look with nothing done (regression to the mean)
    assert 0.2 < look.passes.mean() < 0.3


def test_second_look_without_gauge_error_changes_nothing():
    spread = log_normal(-1.5, 0.5)
    look = rates.expect_second_look([0.4, 0.6], u=0.0, limit=0.5, spread=spread)
    assert look.passes.tolist() == [1.0, 0.0]
    assert look.expected.tolist() == [0.4, 0.6]


def test_run_that_does_nothing_shows_no_cure_beyond_a_second_look():
    rng = np.random.default_rng(8)
    gap = np.exp(np.log(0.22) + 0.6 * rng.standard_normal(6000))
    first, last = (np.maximum(gap + 0.05 * rng.standard_normal(gap.size), 0) for _ in range(2))
    spread = gauge.deconvolve_gaps(first, u=0.05, step=0.01)
    run = first > 0.5
    answer = rates.compare_cure(
        first,
        np.where(run, last > 0.5, None),
        run,
        cluster=np.arange(6000) // 8,
        u=0.05,
        limit=0.5,
        spread=spread,
    )
    assert answer.excess.low < 0 < answer.excess.high
    assert answer.expected_alone == pytest.approx(answer.passed, rel=0.35)
    assert answer.chance > 0.02


def test_run_that_cures_is_seen():
    first = np.full(11, 0.62)
    last_over = [False] * 8 + [True] * 3
    spread = log_normal(np.log(0.22), 0.5)
    answer = rates.compare_cure(
        first, last_over, [True] * 11, cluster=range(11), u=0.06, limit=0.5, spread=spread
    )
    assert answer.passed == 8
    assert answer.expected_alone < 3
    assert answer.chance < 0.01
    unknown = rates.compare_cure(
        first, last_over, [True] * 11, cluster=range(11), u=0.06, limit=0.5, spread=None
    )
    assert unknown.alone.state == "too_few"
    assert unknown.cured.estimate == pytest.approx(8 / 11)


@given(st.lists(st.floats(0, 1), max_size=12), st.integers(-1, 13))
@settings(max_examples=60)
def test_chance_of_at_least_is_a_tail(p, count):
    chance = rates.chance_of_at_least(count, p)
    assert 0 <= chance <= 1
    if count <= 0:
        assert chance == pytest.approx(1)
    if count > len(p):
        assert chance == 0
    assert rates.chance_of_at_least(2, [0.5, 0.5, 0.5]) == pytest.approx(0.5)


def test_paired_changes_mark_what_is_beyond_a_second_look():
    spread = log_normal(np.log(0.22), 0.5)
    table = rates.paired_changes(
        [0.55, 0.60, np.nan, 0.6],
        [0.20, 0.59, 0.3, 0.9],
        u=[0.02, 0.02, 0.02, np.nan],
        limit=0.5,
        spread=spread,
    )
    assert table.index.tolist() == [0, 1, 3]
    assert table["beyond"].tolist() == ["smaller", "as_second_look", ""]
    assert table["change_mm"].tolist() == pytest.approx([-0.35, -0.01, 0.3])  # last less first


def test_information_and_scores_agree_with_numerical_derivatives():
    rng = np.random.default_rng(2)
    x = np.column_stack([np.ones(60), rng.standard_normal(60)])
    y = x @ [0.3, 0.5] + 0.7 * rng.standard_normal(60)
    cut = y < 0
    y = np.maximum(y, 0)
    fit = rates.fit_left_censored(y, cut, x)
    from scipy.stats import norm

    def log_lik(theta):
        z = (y - x @ theta[:2]) / np.exp(theta[2])
        return np.where(cut, norm.logcdf(z), norm.logpdf(z) - theta[2]).sum()

    theta, step = np.append(fit.coefficients, np.log(fit.sd)), 1e-4
    unit = np.eye(3) * step
    hessian = np.array(
        [
            [
                log_lik(theta + a + b)
                - log_lik(theta + a - b)
                - log_lik(theta - a + b)
                + log_lik(theta - a - b)
                for b in unit
            ]
            for a in unit
        ]
    ) / (4 * step**2)
    np.testing.assert_allclose(fit.naive, np.linalg.inv(-hessian)[:2, :2], rtol=1e-5)


def gap_records(seed=0, engines=60, ratio=1.0):
    rng = np.random.default_rng(seed)
    engine = np.repeat(np.arange(engines), 8)
    gap = np.exp(np.log(0.15) + rng.normal(0, 0.3, engines)[engine] + 0.5 * rng.standard_normal(engine.size))
    gap *= np.where(engine % 2, ratio, 1.0)
    reading = np.round(gap / 0.05) * 0.05
    return pd.DataFrame(
        {"engine_id": engine, "gap_first_mm": reading, "site": np.where(engine % 2, "Ridge", "Plain")}
    )


def test_gap_ratio_between_groups_is_recovered():
    table = rates.compare_gaps(
        gap_records(1, ratio=1.5), "site", groups=["Plain", "Ridge", "Lake"], limit=0.5, step=0.1
    )
    assert table["state"].tolist() == ["estimated", "estimated", "too_few"]
    assert table["n"].tolist() == [240, 240, 0]
    row = table.iloc[1]
    assert row["ratio_low"] < 1.5 < row["ratio_high"]
    assert row["ratio_low"] > 1.0
    assert table["censored"].iloc[0] > 0
    assert table["over_limit"].iloc[1] > table["over_limit"].iloc[0] > 0


def test_gap_ratio_interval_covers():
    hits = 0
    for seed in range(120):
        row = rates.compare_gaps(gap_records(seed, engines=24), "site", groups=["Plain", "Ridge"]).iloc[1]
        hits += row["ratio_low"] <= 1.0 <= row["ratio_high"]
    assert hits / 120 >= 0.90  # 95 % nominal, Monte Carlo error 2 points


def test_gaps_too_few_or_all_under_the_step():
    frame = pd.DataFrame({"engine_id": [1, 2, 3], "gap_first_mm": [0.0, 0.0, 0.1], "site": ["a"] * 3})
    table = rates.compare_gaps(frame, "site")
    assert table["state"].tolist() == ["too_few"]
    assert "3 in 2 engines are needed" in table["note"].iloc[0]


def test_blanks_give_bounds_and_say_when_nothing_is_known():
    wide = rates.bound_blanks([1, 2, 0, 1], [1, 2, 0, 1], [8] * 4, cluster=list("abcd"), decision=0.3)
    assert wide.as_passed.estimate == pytest.approx(4 / 32)
    assert wide.as_unchecked.estimate == 1.0
    assert (wide.answer, wide.blanks) == ("not_known", 28)
    full = rates.bound_blanks([1] * 60, [8] * 60, [8] * 60, cluster=range(60), decision=0.5)
    assert (full.answer, full.blanks) == ("below", 0)
    assert rates.bound_blanks([6] * 60, [8] * 60, [8] * 60, cluster=range(60), decision=0.5).answer == "above"
    empty = rates.bound_blanks([], [], [], cluster=[], decision=0.5)
    assert (empty.answer, empty.low) == ("not_known", None)
    with pytest.raises(ValueError, match="decision must lie between 0 and 1"):
        rates.bound_blanks([1], [1], [8], cluster=["a"], decision=30)


def test_engine_without_any_answer_is_left_out_of_the_position_test():
    over = [True, False, None, None, False, True]
    answer = rates.test_positions(over, ["a", "a", "b", "b", "c", "c"], [1, 2, 1, 2, 1, 2])
    assert (answer.state, answer.engines) == ("estimated", 2)
