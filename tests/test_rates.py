"""Shares and their intervals against published values, laws and bad input."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ventbook.results import NotEnoughData
from ventbook.statistics import rates


@given(
    st.lists(st.tuples(st.integers(0, 40), st.integers(0, 40)), min_size=1, max_size=20),
    st.sampled_from(list(rates.METHODS)),
)
@settings(deadline=None, max_examples=100)
def test_interval_holds_the_share_and_mirrors(pairs, method):
    x = np.array([min(p) for p in pairs])
    n = np.array([max(p) for p in pairs])
    low, high = rates.binomial_interval(x, n, method=method)
    share = x / np.maximum(n, 1)
    known = n > 0
    assert ((low <= share + 1e-9) & (share <= high + 1e-9))[known].all()
    assert (low >= 0).all()
    assert (high <= 1).all()
    mirror_low, mirror_high = rates.binomial_interval(n - x, n, method=method)
    np.testing.assert_allclose(low[known], 1 - mirror_high[known], atol=1e-9)
    np.testing.assert_allclose(high[known], 1 - mirror_low[known], atol=1e-9)
    assert (low[~known] == 0).all()
    assert (high[~known] == 1).all()


def test_bad_calls_are_one_line():
    with pytest.raises(ValueError, match=r"method must be one of wilson.*got 'wilsno'"):
        rates.binomial_interval(1, 2, method="wilsno")
    with pytest.raises(ValueError, match="level must lie between 0 and 1"):
        rates.binomial_interval(1, 2, level=95)
    with pytest.raises(ValueError, match="0 <= x <= n"):
        rates.binomial_interval(3, 2)
    with pytest.raises(ValueError, match="0 <= x <= n"):
        rates.binomial_interval(np.nan, 2)
    with pytest.raises(ValueError, match="failures must lie between 0 and lifters"):
        rates.lifter_share([9], [8], cluster=["a"])
    with pytest.raises(ValueError, match="one id a row"):
        rates.lifter_share([1, 2], [8, 8], cluster=["a"])
    with pytest.raises(ValueError, match="frame lacks the columns nothing, engine_id"):
        rates.shares_by(pd.DataFrame({"x": [1]}), ["nothing"], failures="x")


def test_what_a_workshop_can_produce_has_an_answer():
    empty = rates.lifter_share([], [], cluster=[])
    assert (empty.state, empty.estimate, empty.n) == ("not_recorded", None, 0)
    assert rates.venting_share([None, None]).state == "not_recorded"
    one_engine = rates.lifter_share([2], [8], cluster=["a"])
    assert one_engine.low < 0.25 < one_engine.high
    one_lifter = rates.lifter_share([1], [1], cluster=["a"])
    assert one_lifter.estimate == 1.0
    assert one_lifter.low < 0.5
    assert "bound" in one_lifter.note
    none_failing = rates.lifter_share([0] * 40, [8] * 40, cluster=range(40))
    assert none_failing.low == 0.0
    assert 0.01 < none_failing.high < 0.10
    all_failing = rates.lifter_share([8] * 40, [8] * 40, cluster=range(40))
    assert all_failing.high == 1.0
    assert all_failing.low < 0.99
    with pytest.raises(NotEnoughData, match="engines: 1 available, 2 needed"):
        rates.intra_engine_correlation([2, 3], [8, 8], cluster=["a", "a"])
    with pytest.raises(NotEnoughData, match="failing and sound lifters"):
        rates.intra_engine_correlation([0, 0], [8, 8])


def test_missing_rows_leave_numerator_and_denominator():
    answer = rates.lifter_share([1, None, 0, 2], [8, 8, None, 8], cluster=["a", "b", "c", None])
    assert (answer.n, answer.clusters) == (16, 2)
    assert answer.estimate == pytest.approx(3 / 16)


def test_repeated_ventings_of_an_engine_widen_the_interval():
    failed = np.tile([True, False, False, False], 20)
    apart = rates.venting_share(failed, cluster=range(80))
    together = rates.venting_share(
        np.repeat([True, False, False, False], 20), cluster=np.repeat(range(16), 5)
    )
    assert together.high - together.low > 1.5 * (apart.high - apart.low)


@pytest.fixture
def ventings():
    return pd.DataFrame(
        {
            "engine_id": ["a", "a", "b", "c", "d"],
            "site": ["X", "Y", "X", None, "X"],
            "quarter": ["q1", "q1", "q2", "q1", "q1"],
            "over": pd.array([0, 1, None, 3, 2], dtype="Int64"),
            "checked": pd.array([8, 8, 8, 8, 8], dtype="Int64"),
            "failed": pd.array([False, True, None, True, True], dtype="boolean"),
        }
    )


def test_groups_without_rows_stay(ventings):
    answer = rates.shares_by(
        ventings, ["site"], failures="over", lifters="checked", groups={"site": ["X", "Y", "Z"]}
    )
    assert answer["site"].tolist() == ["X", "Y", "Z"]
    assert answer["n"].tolist() == [16, 8, 0]
    assert answer["clusters"].tolist() == [2, 1, 0]
    assert answer["state"].tolist() == ["estimated", "estimated", "not_recorded"]
    assert answer["failures"].tolist() == [2.0, 1.0, 0.0]


@pytest.mark.parametrize("by", [[], ["site"], ["site", "quarter"]])
def test_groups_say_what_each_part_says(ventings, by):
    answer = rates.shares_by(ventings, by, failures="failed")
    assert len(answer) == 2 ** len(by)
    for _, row in answer.iterrows():
        part = ventings
        for column in by:
            part = part[part[column] == row[column]]
        single = rates.venting_share(part["failed"], cluster=part["engine_id"])
        assert row["n"] == single.n
        if single.estimate is not None:
            assert (row["estimate"], row["low"], row["high"]) == (single.estimate, single.low, single.high)


def test_many_groups_take_the_sparse_way(monkeypatch):
    rng = np.random.default_rng(3)
    frame = pd.DataFrame(
        {
            "engine_id": rng.integers(0, 3000, 4000).astype(str),
            "site": rng.integers(0, 2000, 4000),
            "over": rng.integers(0, 3, 4000),
            "checked": 8,
        }
    )
    answer = rates.shares_by(frame, ["site"], failures="over", lifters="checked")
    assert answer["n"].sum() == 8 * 4000
    assert answer["failures"].sum() == frame["over"].sum()
    one = frame[frame["site"] == 7]
    single = rates.lifter_share(one["over"], one["checked"], cluster=one["engine_id"])
    assert answer.set_index("site").loc[7, "high"] == single.high
