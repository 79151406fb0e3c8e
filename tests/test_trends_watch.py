"""The page's rule: false alarms, planted changes, and what it says where there is little to go by.

Fleets are seeded and few, so the bounds are wide; calibrate/calibrate_trends.py measures the rates themselves.
"""

import numpy as np
import pandas as pd
import pytest
from scipy import optimize, special, stats

from ventbook.statistics import trends
from ventbook.statistics.trends.mix import collapse, fit_means, fit_shares, make_design, make_matrix
from ventbook.statistics.trends.series import _draw_failing

SITES = ["Harbour", "Ridge", "Plain", "Lake"]


def fleet(seed, *, quarters=6, n=60, times=1.0, share=0.12, cooler=None):
    """Four sites; from the sixth quarter on ``times`` the share at Harbour, or another share of empty coolers."""
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame(
        [(f"q{t:02d}", site) for t in range(quarters) for site in SITES for _ in range(n)],
        columns=["quarter", "site"],
    )
    late = frame["quarter"] >= "q05"
    p = np.where(late & (frame["site"] == "Harbour"), share * times, share)
    frame["cooler_empty"] = False
    if cooler:
        frame["cooler_empty"] = rng.random(len(frame)) < np.where(late, cooler[1], cooler[0])
        p = np.where(frame["cooler_empty"], 0.30, 0.08)
    frame["cooler_empty"] = frame["cooler_empty"].astype("boolean")
    frame["failed_first"] = pd.Series(rng.random(len(frame)) < p, dtype="boolean")
    frame["time"] = np.exp(rng.normal(1, 0.4, len(frame)))
    frame["gap"] = rng.normal(0.16, 0.03, len(frame))
    return frame


def watch(frame, current, *, draws=3000, seed=0, false_alarms=0.05, **options):
    rule = trends.WatchRule(false_alarms, draws, seed)
    options = {"numbers": {"time_to_pressure": "time"}, **options}
    return trends.watch_page(frame, current=current, rule=rule, **options)


def test_innocent_pages_seldom_signal():
    """5 % stated: of 60 innocent pages at most 8 may signal (chance of more: 1 in 250)."""
    hits = sum(len(watch(fleet(seed), "q05").signals) > 0 for seed in range(60))
    assert hits <= 8


def test_tripled_share_is_seen_and_its_site_named():
    seen = 0
    for seed in range(20):
        signals = watch(fleet(seed, quarters=7, times=3), "q06").signals
        up = signals[(signals["series"] == trends.FAILING) & (signals["direction"] == "up")]
        sites = up[up["group"] != ""].sort_values("value", ascending=False)["group"]
        seen += len(sites) > 0 and sites.iloc[0] == "Harbour"
    assert seen >= 18


def test_signal_says_where_since_when_and_how_much():
    page = watch(fleet(3, quarters=8, times=4), "q07")
    row = page.signals.query("group == 'Harbour' and direction == 'up'").iloc[0]
    assert (row["series"], row["chart"], row["since"]) == (trends.FAILING, "risk-adjusted CUSUM", "q05")
    assert row["value"] > row["limit"]
    assert row["n"] == 180
    frame = fleet(3, quarters=8, times=4)
    own = frame[(frame["site"] == "Harbour") & (frame["quarter"] >= "q05")]["failed_first"].sum()
    assert row["observed"] == own
    assert row["ratio"] == pytest.approx(own / row["expected"])
    assert row["ratio"] > 2.5
    assert (page.past, page.watched) == (tuple(f"q0{t}" for t in range(5)), ("q05", "q06", "q07"))


def test_more_empty_coolers_alone_are_no_signal():
    adjusted = crude = 0
    for seed in range(25):
        frame = fleet(seed, cooler=(0.2, 0.6))
        adjusted += len(watch(frame, "q05", factors=["cooler_empty"]).signals) > 0
        crude += len(watch(frame, "q05").signals) > 0
    assert adjusted <= 5
    assert crude >= 20


def test_improvement_is_a_signal_downward():
    page = watch(fleet(5, share=0.3, times=0.1, n=80), "q05")
    row = page.signals.iloc[0]
    assert (row["group"], row["direction"]) == ("Harbour", "down")
    assert row["ratio"] < 0.4


def test_slower_pressure_is_a_signal_with_its_ratio():
    frame = fleet(1)
    slow = (frame["quarter"] == "q05") & (frame["site"] == "Lake")
    frame.loc[slow, "time"] *= 1.5
    signals = watch(frame, "q05").signals
    row = signals[(signals["series"] == "time_to_pressure") & (signals["group"] == "Lake")].iloc[0]
    assert (row["direction"], row["chart"]) == ("up", "EWMA")
    assert row["ratio"] == pytest.approx(1.5, rel=0.12)


def test_levels_are_watched_as_they_are():
    frame = fleet(2)
    frame.loc[(frame["quarter"] == "q05") & (frame["site"] == "Plain"), "gap"] += 0.1
    signals = watch(frame, "q05", levels={"sound_lifter_gap": "gap"}).signals
    row = signals[signals["group"] == "Plain"].iloc[0]
    assert (row["series"], row["direction"]) == ("sound_lifter_gap", "up")
    assert row["shift"] == pytest.approx(0.1, abs=0.02)


def test_same_seed_same_page():
    one, two = (watch(fleet(1), "q05", seed=4) for _ in range(2))
    pd.testing.assert_frame_equal(one.series, two.series)


def test_first_period_has_nothing_to_compare_with():
    page = watch(fleet(1, quarters=1), "q00")
    assert (page.state, page.note) == ("too_few", "no earlier period to compare with")
    assert page.signals.empty and list(page.series.columns) == list(trends.watch.SERIES_COLUMNS)


def test_second_period_is_compared_with_the_first():
    page = watch(fleet(1, quarters=2), "q01")
    assert page.state == "estimated"
    assert (page.past, page.watched) == (("q00",), ("q01",))


def test_period_without_ventings_gives_no_signal():
    page = watch(fleet(1, quarters=6), "q06", periods=["q06"])
    assert page.watched == ("q05", "q06")
    assert page.signals.empty


def test_site_that_started_this_period_is_held_against_the_others():
    frame = fleet(1)
    late = frame[(frame["quarter"] == "q05") & (frame["site"] == "Lake")]
    frame = pd.concat([frame[frame["site"] != "Lake"], late], ignore_index=True)
    page = watch(frame, "q05")
    row = page.series.query("series == @trends.FAILING and group == 'Lake' and direction == 'up'").iloc[0]
    assert 0.08 < row["expected"] / row["n"] < 0.18
    assert not row["signal"]


def test_a_new_level_of_the_mix_is_no_alarm_by_itself():
    """An engine type never seen before, 30 ventings of it failing at 20 %: too little is known to call it a signal."""
    frame = fleet(2)
    frame["engine_type"] = "flat4"
    new = frame[(frame["quarter"] == "q05") & (frame["site"] == "Harbour")].index[:30]
    frame.loc[new, "engine_type"] = "flat6"
    frame.loc[new, "failed_first"] = np.arange(30) < 6
    page = watch(frame, "q05", factors=["engine_type"])
    assert page.signals.empty


def test_ventings_without_a_result_are_left_out():
    frame = fleet(1)
    frame.loc[frame.index[:100], "failed_first"] = pd.NA
    page = watch(frame, "q05")
    assert page.cells.query("site == ''")["n"].sum() == len(frame) - 100
    frame["failed_first"] = pd.Series(pd.NA, index=frame.index, dtype="boolean")
    assert watch(frame, "q05").note == "no venting with a result in the earlier periods"


def test_three_ventings_are_enough_to_run():
    frame = fleet(1, quarters=3, n=1).groupby("quarter").head(1)
    page = watch(frame, "q02")
    assert page.state == "estimated" and page.signals.empty


def test_never_a_failure_before():
    frame = fleet(1)
    frame.loc[frame["quarter"] < "q05", "failed_first"] = False
    frame.loc[frame["quarter"] == "q05", "failed_first"] = False
    assert watch(frame, "q05").signals.query("direction == 'up'").empty


def test_rate_outside_nought_and_one_is_refused():
    with pytest.raises(ValueError, match="false_alarms must lie between 0 and 1; got 5"):
        watch(fleet(1), "q05", false_alarms=5)


def test_missing_factor_is_named():
    with pytest.raises(ValueError, match="frame lacks the columns oil"):
        watch(fleet(1), "q05", factors=["oil"])


def test_limits_keep_the_stated_rate():
    rng = np.random.default_rng(1)
    draws = rng.standard_normal((12, 20_000))
    limits, achieved = trends.set_limits(draws, np.repeat([1.0, 0.1], 6), 0.05)
    assert 0.045 < achieved <= 0.05
    assert limits[:6].max() < limits[6:].min()
    fresh = rng.standard_normal((12, 20_000))
    assert (fresh > limits[:, None]).any(axis=0).mean() == pytest.approx(0.05, abs=0.006)


def test_split_of_periods():
    labels = [f"q{t:02d}" for t in range(14)]
    assert trends.split_periods(labels, "q05") == (tuple(labels[:5]), ("q05",))
    assert trends.split_periods(labels, "q07") == (tuple(labels[:5]), tuple(labels[5:8]))
    assert trends.split_periods(labels, "q13") == (tuple(labels[:8]), tuple(labels[8:]))
    assert trends.split_periods(labels, "q00") == ((), ("q00",))
    many = [f"q{t:02d}" for t in range(40)]
    assert trends.split_periods(many, "q39") == (tuple(many[14:34]), tuple(many[34:]))  # twenty at most


def test_shares_of_the_allowance_are_quantiles_of_independent_series():
    """Four series, weights 1 to .2: with one factor on all shares, 1 - prod(1 - c w) is 5 % (scipy.optimize), normal quantiles."""
    weight = np.array([1.0, 0.6, 0.4, 0.2])
    factor = optimize.brentq(lambda c: 1 - np.prod(1 - c * weight) - 0.05, 0.0, 0.5)
    draws = np.random.default_rng(3).standard_normal((4, 200_000))
    limits, achieved = trends.set_limits(draws, weight, 0.05)
    assert limits == pytest.approx(stats.norm.isf(factor * weight), abs=0.04)
    assert achieved == pytest.approx(0.05, abs=1e-3)


def test_expected_by_mix_is_the_same_at_every_site_and_by_site_is_not():
    """A site of its own share moves what is expected of its ventings, and none of what the mix alone lets expect."""
    frame = fleet(3, cooler=(0.3, 0.3))
    frame.loc[(frame["site"] == "Lake").to_numpy() & (np.arange(len(frame)) % 3 == 0), "failed_first"] = True
    page = watch(frame, "q05", factors=["cooler_empty"], draws=200)
    one = pd.DataFrame(
        {"site": SITES * 2, "cooler_empty": pd.array([True] * 4 + [False] * 4, dtype="boolean")}
    )
    chances = trends.expect_by_mix(page, one)
    np.testing.assert_allclose(chances[:4], chances[0], rtol=1e-12)
    np.testing.assert_allclose(chances[4:], chances[4], rtol=1e-12)
    assert chances[0] > chances[4] + 0.05
    one["failed_first"] = pd.array([True, False, None, True, False, True, None, True], dtype="boolean")
    told = trends.expect_failing(page, one).set_index("site")
    assert told["n"].to_dict() == {"": 6, "Harbour": 2, "Lake": 2, "Ridge": 2}
    assert told["observed"].to_dict() == {"": 4, "Harbour": 1, "Lake": 2, "Ridge": 1}
    assert told.loc["", "expected"] == pytest.approx(told["expected"][1:].sum())
    assert told.loc["Lake", "expected"] > told.loc["Harbour", "expected"] + 0.2


def test_share_model_finds_the_effect_and_shrinks_the_sites():
    rng = np.random.default_rng(8)
    n = 6000
    frame = pd.DataFrame({"site": rng.choice(SITES, n), "empty": rng.random(n) < 0.4})
    truth = special.expit(-2.4 + 1.5 * frame["empty"])
    frame["failed"] = rng.random(n) < truth
    design = make_design(frame, factors=["empty"], site="site")
    rows = collapse(frame, by=["site", "empty"], sums={"failing": frame["failed"]})
    assert len(rows) == 8
    matrix = make_matrix(design, rows, site="site")
    model = fit_shares(design, matrix, rows["failing"].to_numpy(), rows["n"].to_numpy())
    share = model.share(matrix)
    expected = np.where(rows["empty"] == "yes", special.expit(-0.9), special.expit(-2.4))
    np.testing.assert_allclose(share, expected, atol=0.025)
    raw = rows["failing"] / rows["n"]
    assert np.abs(share - expected).mean() < np.abs(raw - expected).mean()


def test_mean_model_equals_least_squares_where_data_are_many():
    rng = np.random.default_rng(9)
    n = 5000
    frame = pd.DataFrame({"site": rng.choice(SITES, n), "empty": rng.random(n) < 0.5})
    y = 1 + 0.3 * frame["empty"] + 0.1 * (frame["site"] == "Lake") + rng.normal(0, 0.4, n)
    design = make_design(frame, factors=["empty"], site="site")
    rows = collapse(frame, by=["site", "empty"], sums={"total": y, "square": y**2})
    matrix = make_matrix(design, rows, site="site")
    model = fit_means(design, matrix, *(rows[c].to_numpy() for c in ("total", "square", "n")))
    assert model.sigma == pytest.approx(0.4, rel=0.03)
    fitted = model.expect(matrix)
    by = rows.assign(fit=fitted).groupby("empty")["fit"].mean()
    assert by["yes"] - by["no"] == pytest.approx(0.3, abs=0.03)


def test_drawn_counts_match_mean_and_variance_of_unequal_chances():
    rng = np.random.default_rng(4)
    p = np.repeat([0.05, 0.4], [60, 20])
    mean, variance = p.sum(), (p * (1 - p)).sum()
    drawn = _draw_failing(mean, variance, len(p), np.zeros(200_000), rng)
    assert drawn.mean() == pytest.approx(mean, rel=0.01)
    assert drawn.var() == pytest.approx(variance, rel=0.05)


def lifters_of(frame, seed, *, offset):
    rng = np.random.default_rng(seed)
    n = len(frame)
    gap = np.exp(np.log(0.2) + rng.normal(0, 0.15, n)[:, None] + rng.normal(0, 0.3, (n, 8)))
    gap = np.minimum(gap, 0.49)
    gap[frame["failed_first"].to_numpy(bool), 0] = 0.7
    late = ((frame["quarter"] == "q05") & (frame["site"] == "Harbour")).to_numpy()
    gap[late] += offset
    rows = np.repeat(np.arange(n), 8)
    return pd.DataFrame(
        {
            "venting_id": rows.astype(str),
            "quarter": frame["quarter"].to_numpy()[rows],
            "site": frame["site"].to_numpy()[rows],
            "gauge": np.where(late, "G7", "G1")[rows],
            "engine_type": "flat4",
            "gap_first_mm": gap.ravel(),
            "limit_mm": 0.5,
        }
    )


def test_new_gauge_that_reads_high_is_found_and_measured():
    frame = fleet(1)
    lifters = lifters_of(frame, 2, offset=0.15)
    shifts = trends.compare_gauges(lifters, site="Harbour", window=["q05"], expected=7.2)
    (new,) = shifts
    assert new.gauge == "G7" and new.attributed and (new.share_before, new.share_now) == (0, 1)
    assert new.shift.estimate == pytest.approx(0.15, abs=0.02)
    assert new.shift.low < 0.15 < new.shift.high
    assert new.corrected < new.failing


def test_new_gauge_is_not_blamed_for_spongy_lifters():
    for seed in range(10):
        frame = fleet(seed, times=3)
        lifters = lifters_of(frame, seed, offset=0.0)
        (new,) = trends.compare_gauges(lifters, site="Harbour", window=["q05"], expected=7.2)
        assert not new.attributed
        assert abs(new.shift.estimate) < 0.03


def test_gauge_in_use_all_along_is_not_a_cause_however_it_reads():
    frame = fleet(1)
    lifters = lifters_of(frame, 2, offset=0.15)
    here = (lifters["site"] == "Harbour") & (lifters["venting_id"].astype(int) % 2 == 0)
    lifters["gauge"] = np.where(here, "G7", "G1")
    lifters.loc[here, "gap_first_mm"] += 0.15
    shifts = trends.compare_gauges(lifters, site="Harbour", window=["q05"], expected=7.2)
    old = next(g for g in shifts if g.gauge == "G7")
    assert old.differs and not old.attributed
    assert old.share_now == pytest.approx(old.share_before, abs=0.01)


def test_other_gauges_are_held_against_the_rest_without_the_odd_one():
    frame = fleet(1, n=90)
    lifters = lifters_of(frame, 2, offset=0.0)
    third = lifters["venting_id"].astype(int) % 3
    lifters["gauge"] = np.array(["G1", "G2", "G7"])[third]
    lifters.loc[lifters["gauge"] == "G7", "gap_first_mm"] += 0.15
    shifts = {
        g.gauge: g for g in trends.compare_gauges(lifters, site="Harbour", window=["q05"], expected=7.2)
    }
    assert shifts["G7"].shift.estimate == pytest.approx(0.15, abs=0.02)
    assert abs(shifts["G1"].shift.estimate) < 0.02 and not shifts["G1"].differs


def test_mix_comparison_orders_by_change_and_keeps_persons_out():
    frame = pd.DataFrame(
        {
            "quarter": ["q0"] * 40 + ["q1"] * 20,
            "cooler_empty": pd.Series([True] * 8 + [False] * 32 + [True] * 12 + [False] * 8, dtype="boolean"),
            "reason": ["oil_change"] * 60,
            "lot": ["L1"] * 40 + ["L2"] * 5 + [None] * 15,
            "technician": ["a"] * 40 + ["b"] * 10 + ["a"] * 10,
        }
    )
    table = trends.compare_mix(
        frame, past=["q0"], recent=["q1"], columns=["cooler_empty", "reason", "lot", "technician", "no such"]
    )
    top = table.iloc[0]
    assert (top["column"], top["level"], top["change"]) == ("lot", "L1", -1.0)
    cooler = table[(table["column"] == "cooler_empty") & (table["level"] == "yes")].iloc[0]
    assert (cooler["before"], cooler["now"]) == (0.2, 0.6)
    assert cooler["p"] == pytest.approx(0.0033, abs=2e-4)  # Fisher's exact test, library run
    assert table[table["column"] == "lot"].set_index("level")["is_new"].to_dict()["L2"]
    person = table[table["column"] == "technician"]
    assert person["level"].tolist() == [""] and person["now"].tolist() == [0.5]


def test_watch_time_does_not_grow_with_the_ventings():
    """100,000 ventings in at most twice the time of 1,000 plus a tenth of a second for reading them once."""
    import time

    small = fleet(1, quarters=8, n=31)
    large = pd.concat([small] * 100, ignore_index=True)
    watch(small, "q07")
    took = []
    for frame in (small, large):
        start = time.perf_counter()
        watch(frame, "q07", factors=["cooler_empty"], draws=20_000)
        took.append(time.perf_counter() - start)
    assert took[1] < 2 * took[0] + 0.3
