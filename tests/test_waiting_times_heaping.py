"""Counts that stop at round numbers: found, and read as what they say."""

from __future__ import annotations

import numpy as np
import pytest

from ventbook.statistics import waiting_times
from ventbook.statistics.waiting_times import estimate_quantile, widen_heaped


def test_each_site_is_judged_alone():
    rng = np.random.default_rng(11)
    even = rng.integers(20, 80, 60)
    fives = np.where(rng.random(60) < 0.7, 5 * np.round(even / 5), even)
    tens = np.where(rng.random(60) < 0.7, 10 * np.round(even / 10), even)
    site = np.repeat(["Harbour", "Lake", "Plain", "Ridge"], [60, 60, 60, 4])
    found = waiting_times.test_heaping([*even, *fives, *tens, 20, 30, 40, 50], group=site).set_index("group")
    assert found["widen_to"].to_dict() == {"Harbour": 0, "Lake": 5, "Plain": 10, "Ridge": 0}
    assert found["state"].to_dict()["Ridge"] == "too_few"


def test_chance_alone_seldom_counts_as_heaping():
    rng = np.random.default_rng(12)
    counts = rng.integers(20, 70, (400, 40))
    flagged = sum(waiting_times.test_heaping(row)["widen_to"].iloc[0] > 0 for row in counts)
    assert flagged <= 10  # 1 in 100 at most, 4 of 400 expected; 10 is beyond the 99.5 % point


def test_missing_and_empty_counts():
    found = waiting_times.test_heaping([None, np.nan])
    assert (found["n"].iloc[0], found["state"].iloc[0]) == (0, "too_few")
    assert waiting_times.test_heaping([]).empty


def test_what_counts_say_as_intervals():
    low, high = widen_heaped([10, 15, 13, 20, 25, np.nan, 0], [0, 0, 0, 1, 1, 0, 0], 10)
    assert low == pytest.approx([4.5, 12, 12, 15.5, 23, np.nan, 0], nan_ok=True)
    assert high == pytest.approx([14.5, 17, 13, np.inf, np.inf, np.nan, 4.5], nan_ok=True)
    low, high = widen_heaped([10, 13], [False, True], 0, per_count=2.0)
    assert (list(low), list(high)) == ([18, 26], [20, np.inf])


def test_widening_takes_back_the_bias_of_counts_rounded_up():
    rng = np.random.default_rng(13)
    true = np.exp(rng.normal(3.5, 0.3, 400))
    counted = 10 * np.ceil(true / 10)  # stops at the next ten
    low, high = widen_heaped(np.ceil(true), False, 0)
    exact = estimate_quantile(low, high, 0.5, unit="1").estimate
    low, high = widen_heaped(10 * np.round(np.ceil(true) / 10), False, 10)
    widened = estimate_quantile(low, high, 0.5, unit="1").estimate
    assert widened == pytest.approx(exact, rel=0.02)
    assert np.median(counted) > 1.1 * exact


@pytest.mark.parametrize("widen", [5, 10])
def test_a_heaped_count_is_no_half_count_higher_than_an_exact_one(widen):
    """Counts of 20 to 59, each as often: rounded to the nearest five (ten) they have the same middle as counted."""
    exact = widen_heaped(np.arange(20, 60), False, 0)
    low, high = widen_heaped(np.arange(20, 61, widen), False, widen)
    for k, a, b in zip(np.arange(20, 61, widen), low, high, strict=True):
        assert (a + b) / 2 == k - 0.5 == np.add(*widen_heaped([k], False, 0))[0] / 2
    assert np.diff(low) == pytest.approx(widen)  # they meet without a gap
    assert high[:-1] == pytest.approx(low[1:])
    rng = np.random.default_rng(14)
    rotations = rng.uniform(15, 65, 20_000)
    counted = np.ceil(rotations)
    rounded = widen * np.floor(counted / widen + rng.choice([0.4999, 0.5], counted.size))
    medians = [
        estimate_quantile(*widen_heaped(c, False, w), 0.5, unit="1").estimate
        for c, w in ((counted, 0), (rounded, widen))
    ]
    assert medians[1] == pytest.approx(medians[0], abs=0.25)
    assert np.add(*exact).mean() / 2 == 39.0


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: widen_heaped([10], [False], 3), "widen_to must be 0, 5 or 10; got 3"),
        (lambda: waiting_times.test_heaping([1, 2], group=["a"]), r"group must have one value a count \(2\)"),
        (lambda: waiting_times.test_heaping([1], chance=1), "chance must lie between"),
    ],
)
def test_a_bad_call_names_what_is_wrong(call, message):
    with pytest.raises(ValueError, match=message):
        call()
