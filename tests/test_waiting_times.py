"""Curves, quantiles and shares over a limit against published values and against laws they must obey."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from reference_answers import read_times
from reference_cases import find_case
from ventbook.statistics.waiting_times import (
    compare_instruments,
    estimate_curve,
    estimate_quantile,
    share_over,
)
from ventbook.statistics.waiting_times.curves import fit_npmle
from ventbook.statistics.waiting_times.intervals import collapse_readings
from ventbook.statistics.waiting_times.life_table import spread_readings
from ventbook.statistics.waiting_times.shares import exact_limits


def with_censored(ended, censored=()):
    low = np.array([*ended, *censored], dtype=float)
    high = np.array([*ended, *[np.inf] * len(censored)], dtype=float)
    return low, high


def pairs(rows):
    table = np.array(rows, dtype=float)
    return table[:, 0], table[:, 1]


TREATED = read_times(find_case("remission with 6-MP").inputs)[:2]


def test_median_with_an_upper_limit_that_is_not_reached():
    treated = estimate_quantile(*TREATED, 0.5, unit="week")
    assert treated.high is None and treated.state == "estimated" and "not reached" in treated.note


def test_quantile_not_reached_is_said():
    late = estimate_quantile(*TREATED, 0.9, unit="week")
    assert late.estimate is None and late.state == "not_reached"
    assert "45% had not ended" in late.note


@pytest.mark.parametrize("group", ["smokers", "non-smokers"])
def test_tail_of_counted_cycles(group):
    case = find_case(f"cycles to pregnancy, {group}")
    low, high, weights = read_times(case.inputs)
    assert estimate_curve(low, high, weights=weights).tail == pytest.approx(
        case.expected["survival_at"][-1], abs=5e-6
    )


def test_plain_share_with_limits_of_wilson():
    # 81 of 263: Newcombe (1998), Stat. Med. 17:857, table I, recalled: .2553 to .3662
    low = np.concatenate([np.full(81, 6.0), np.full(182, 2.0)])
    found = share_over(low, low, 5.0)
    assert [found.estimate, found.low, found.high] == pytest.approx([81 / 263, 0.2553, 0.3662], abs=5e-5)


def test_none_over_has_an_upper_limit():
    # 0 of 20: Newcombe (1998), table I, exact, recalled: 0 to .1684
    found = share_over(np.full(20, 2.0), np.full(20, 2.5), 5.0)
    assert (found.estimate, found.low) == (0.0, 0.0)
    assert found.high == pytest.approx(0.1684, abs=5e-5)


def test_a_reading_at_the_limit_straddles_it_and_is_neither():
    low = np.array([1.75, 2.75, 3.75, 4.75, 4.75, 5.75, 6.75, 1.75])
    found = share_over(low, low + 0.5, 5.0)
    assert "2 readings straddle the limit" in found.note
    assert 2 / 8 < found.estimate < 4 / 8


def test_given_up_before_the_limit_is_not_dropped():
    low = np.array([1.0] * 8 + [6.0] * 2 + [3.0] * 5)
    high = np.array([1.0] * 8 + [6.0] * 2 + [np.inf] * 5)
    found = share_over(low, high, 5.0)
    assert found.estimate == pytest.approx(7 / 15)
    assert "5 ended before the limit without pressure" in found.note


@pytest.mark.parametrize(
    ("low", "high", "state"),
    [
        ([], [], "not_recorded"),
        ([np.nan] * 9, [np.nan] * 9, "not_recorded"),
        ([1.0, 2.0], [1.0, 2.0], "too_few"),
        ([3.0] * 9, [np.inf] * 9, "not_reached"),
    ],
)
def test_no_number_where_there_is_none(low, high, state):
    for found in (estimate_quantile(low, high, 0.5, unit="s"), share_over(low, high, 5.0)):
        assert (found.state, found.estimate) == (state, None)


def test_all_equal_and_one_event_give_numbers():
    same = estimate_quantile([2.0] * 9, [2.0] * 9, 0.5, unit="s")
    assert same.estimate == 2.0
    one = estimate_quantile([3.0] * 9, [3.0] + [np.inf] * 8, 0.1, unit="s")
    assert one.estimate == 3.0 and one.high is None
    assert estimate_curve([], []).n == 0


def test_cluster_ids_stay_text():
    time = np.exp(np.random.default_rng(3).normal(1, 0.4, 12))
    found = estimate_quantile(time, time, 0.5, unit="s", cluster=["1.1", "1.10", "2", None] * 3)
    assert found.clusters == 6  # three ids, and each of the three missing ones by itself


def test_weights_are_rows_repeated_also_where_engines_are_told():
    """Limits by engines of readings that count one, two and three times, and of the same rows written out; a blank engine is its own."""
    rng = np.random.default_rng(12)
    low = np.round(np.exp(rng.normal(1.0, 0.4, 40)), 1)
    high, times = np.where(np.arange(40) % 9 == 0, np.inf, low + 0.5), 1 + np.arange(40) % 3
    engine = np.arange(40) % 7
    found = [
        estimate_quantile(low, high, 0.7, unit="s", weights=times, cluster=engine),
        estimate_quantile(*(np.repeat(end, times) for end in (low, high)), 0.7, unit="s", cluster=np.repeat(engine, times)),
    ]  # fmt: skip
    assert found[0].high is not None
    assert [found[0].estimate, found[0].low, found[0].high] == pytest.approx(
        [found[1].estimate, found[1].low, found[1].high], rel=1e-9
    )
    named = [f"E{code}" if code else None for code in engine]
    alone = [f"E{code}" if code else f"alone {k}" for k, code in enumerate(engine)]
    blank, apart = (estimate_quantile(low, high, 0.7, unit="s", cluster=of) for of in (named, alone))
    assert (blank.clusters, blank.low, blank.high) == (apart.clusters, apart.low, apart.high)


def test_readings_tell_what_ended_and_the_shortest_wait_they_allow():
    """Three ended of four; (1, 2] from a start known to half a second allows .5 s, (.2, .4] of .3 s none."""
    found = collapse_readings([1.0, 1.0, 3.0, 0.2], [2.0, 2.0, np.inf, 0.4], step=[0.5, 0.5, 0.0, 0.3])
    assert (found.n, found.events) == (4.0, 3.0)
    assert dict(zip(found.low.tolist(), found.least.tolist(), strict=True)) == {1.0: 0.5, 3.0: 3.0, 0.2: 0.0}


def test_clusters_widen_the_limits():
    rng = np.random.default_rng(5)
    engine = np.repeat(np.arange(12), 4)
    time = np.exp(rng.normal(1.0, 0.5, 12)[engine] + rng.normal(0, 0.1, 48))
    plain = estimate_quantile(time, time, 0.5, unit="s")
    clustered = estimate_quantile(time, time, 0.5, unit="s", cluster=engine)
    assert clustered.clusters == 12
    assert clustered.high - clustered.low > 1.3 * (plain.high - plain.low)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: estimate_curve([2.0], [1.0]), r"low must not be above high; got \(2, 1\]"),
        (lambda: estimate_curve([1.0, 2.0], [1.0]), "one length"),
        (lambda: estimate_curve([-1.0], [1.0]), "low must be at least 0; got -1"),
        (lambda: estimate_curve([1.0], [1.0], level=95), "level must lie between"),
        (lambda: estimate_quantile([1.0], [1.0], 90, unit="s"), "q must lie between 0 and 1; got 90"),
        (lambda: share_over([1.0], [1.0], np.nan), "limit must be a finite number"),
        (lambda: estimate_curve([1.0], [1.0], cluster=["a", "b"]), "cluster must have one value a row"),
    ],
)
def test_a_bad_call_names_what_is_wrong(call, message):
    with pytest.raises(ValueError, match=message):
        call()


READING = st.tuples(
    st.integers(0, 40), st.one_of(st.just(0), st.integers(1, 12)), st.sampled_from([True, True, True, False])
)


def mixed_fleet(rng, n=90, logged=0.3):
    """Times of a spread of about 1.3 s, most read to 0.5 s, some logged every 0.1 s at any phase."""
    time = np.exp(rng.normal(0.85, 0.5, n))
    low = np.maximum(np.round(time * 2) / 2 - 0.25, 0)
    high = low + 0.5
    logger = rng.random(n) < logged
    phase = rng.uniform(0, 0.1, n)
    low = np.where(logger, np.maximum(np.floor((time - phase) * 10) / 10 + phase, 0), low)
    return low, np.where(logger, low + 0.1, high)


def test_stopwatch_and_logger_together_give_a_steady_curve():
    # overlapping readings: the likelihood's curve jumps for where they happen to lie, the spread one doesn't
    rng = np.random.default_rng(21)
    truth = 0.5
    errors = {"choose": [], "likelihood": []}
    for _ in range(60):
        low, high = mixed_fleet(rng)
        for method, found in errors.items():
            found.append(estimate_curve(low, high, method=method).at([np.exp(0.85)])[0] - truth)
    steady, jumpy = (np.sqrt(np.mean(np.square(errors[m]))) for m in ("choose", "likelihood"))
    assert steady < 0.065  # binomial error of 90 readings: 0.053
    assert jumpy > 1.1 * steady


def test_on_one_grid_both_ways_agree():
    rng = np.random.default_rng(22)
    low = np.maximum(np.round(np.exp(rng.normal(1, 0.5, 60)) * 2) / 2 - 0.25, 0)
    high = np.where(rng.random(60) < 0.1, np.inf, low + 0.5)
    chosen, likely = (estimate_curve(low, high, method=m) for m in ("choose", "likelihood"))
    assert "spread evenly" in chosen.method and "Turnbull" in likely.method
    at = np.arange(0.25, 6.0, 0.5)
    assert chosen.at(at) == pytest.approx(likely.at(at), abs=1e-6)
    with pytest.raises(ValueError, match="method must be choose or likelihood"):
        estimate_curve(low, high, method="turnbull")


@settings(max_examples=60, deadline=None)
@given(st.lists(READING, min_size=1, max_size=40))
def test_laws_of_the_curve(readings):
    low = np.array([r[0] / 2 for r in readings])
    high = np.array([(r[0] + r[1]) / 2 if r[2] else np.inf for r in readings])
    curve = estimate_curve(low, high)
    doubled = estimate_curve(np.repeat(low, 2), np.repeat(high, 2))
    weighted = estimate_curve(low, high, weights=np.full(low.size, 2))
    assert curve.mass.sum() + curve.tail == pytest.approx(1.0)
    assert np.all(np.diff(curve.survival) <= 1e-9)
    assert np.all(curve.low <= curve.survival + 1e-9) and np.all(curve.survival <= curve.high + 1e-9)
    assert doubled.survival == pytest.approx(weighted.survival, abs=1e-6)
    assert doubled.error == pytest.approx(weighted.error, abs=1e-6)
    # no distribution on the readings is more likely: every reading's probability is positive
    assert np.all(fit_npmle(collapse_readings(low, high)).prob > 0)


def test_a_reading_exactly_at_the_limit_is_within():
    exact = np.array([5.0] * 6 + [6.0] * 4)
    assert share_over(exact, exact, 5.0).estimate == pytest.approx(0.4)


def make_engines(seed: int, engines: int = 9, each: int = 5) -> tuple[np.ndarray, np.ndarray]:
    """Exact times, as many of each engine, alike inside an engine."""
    rng = np.random.default_rng(seed)
    engine = np.repeat(np.arange(engines), each)
    return np.exp(rng.normal(1.0, 0.5, engines)[engine] + rng.normal(0, 0.2, engine.size)), engine


@pytest.mark.parametrize("level", [0.95, 0.8])
def test_limits_of_a_curve_by_engines_are_those_of_the_engines_shares(level):
    """Engines of one size: the error of S is that of the mean of their shares, Student's t on engines - 1, on log(-log S)."""
    time, engine = make_engines(2)
    curve = estimate_curve(time, time, cluster=engine, level=level)
    shares = np.array([[(time[engine == e] > t).mean() for e in range(9)] for t in curve.right])
    s, wide = curve.survival[:-1], stats.sem(shares[:-1], axis=1)
    plain = np.sqrt(s * (1 - s) / 45)
    assert (wide > plain).sum() > 20
    half = np.maximum(stats.norm.ppf(0.5 + level / 2) * plain, stats.t.ppf(0.5 + level / 2, 8) * wide)
    np.testing.assert_allclose(curve.error[:-1], np.maximum(wide, plain))
    low, high = (s ** np.exp(sign * half / (s * -np.log(s))) for sign in (1, -1))
    # a curve that falls has limits that fall
    np.testing.assert_allclose(curve.low[:-1], np.minimum.accumulate(low))
    np.testing.assert_allclose(curve.high[:-1], np.minimum.accumulate(high))


@pytest.mark.parametrize("level", [0.95, 0.8])
def test_a_share_by_engines_has_wilsons_limits_on_the_readings_that_count(level):
    """p q over the squared error of the mean of engines' shares counts as the number; t on engines - 1; ends as roots."""
    time, engine = make_engines(3)
    found = share_over(time, time, 3.0, cluster=engine, level=level)
    shares = np.array([(time[engine == e] > 3.0).mean() for e in range(9)])
    p = shares.mean()
    effective = p * (1 - p) / stats.sem(shares) ** 2
    assert effective < 45
    t = stats.t.ppf(0.5 + level / 2, 8)

    def distance(x):
        return (p - x) ** 2 - t * t * x * (1 - x) / effective

    ends = optimize.brentq(distance, 1e-9, p), optimize.brentq(distance, p, 1 - 1e-9)
    assert (found.estimate, found.low, found.high) == pytest.approx((p, *ends))


def test_two_instruments_differ_by_the_t_interval_of_the_engines_means():
    """scipy.stats, one-sample t test of the mean difference of each engine, engines of one size (library run)."""
    first, engine = make_engines(4, engines=7, each=2)
    second = first - 0.1 + np.random.default_rng(1).normal(0, 0.05, 7)[engine]
    found = compare_instruments(
        np.append(first, np.nan), np.append(second, 1.0), cluster=[*engine, 3], level=0.9
    )
    means = [(first - second)[engine == e].mean() for e in range(7)]
    ends = stats.ttest_1samp(means, 0.0).confidence_interval(0.9)
    assert (found.estimate, found.low, found.high) == pytest.approx((np.mean(means), ends.low, ends.high))


@pytest.mark.parametrize(("x", "n"), [(6, 20), (20, 20), (0, 20), (1, 7)])
@pytest.mark.parametrize("level", [0.95, 0.8])
def test_exact_limits_are_clopper_and_pearsons(x, n, level):
    """scipy.stats.binomtest, method "exact" (library run)."""
    ends = stats.binomtest(x, n).proportion_ci(level, method="exact")
    assert exact_limits(x / n, n, level) == pytest.approx((ends.low, ends.high))


def test_influence_of_a_reading_is_the_slope_of_the_curve_in_its_weight():
    """By differences: a reading's weight moved by 1e-6 of it, narrow readings spread evenly, one given up."""
    low = np.array([1.0, 1.5, 2.0, 2.2, 3.0, 3.5, 4.0])
    high = np.array([1.5, 2.0, 2.5, np.inf, 3.5, 4.5, 4.5])

    def curve(weights):
        return spread_readings(collapse_readings(low, high, weights))

    plain = curve(np.ones(7))
    for i, row in enumerate(plain.readings.row):
        levels = [curve(np.ones(7) + sign * 1e-6 * (np.arange(7) == i)).levels for sign in (1, -1)]
        slope = (levels[0] - levels[1]) / 2e-6
        np.testing.assert_allclose(plain.influence_on_levels[row], slope, atol=1e-7)
