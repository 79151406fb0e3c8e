"""Scatter of rotations and pressure while turning: intervals and probabilities of one law, by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from tests.test_priming import RECORD

from ventbook.physics import priming
from ventbook.physics.priming.ratio import RatioScale


def make_scale(counts: int, **changes: object) -> RatioScale:
    """``counts`` places, evenly apart by .01 about nought, none given up unless said."""
    places = tuple((np.arange(counts) - (counts - 1) / 2) / 100)
    fields = {
        "middles": {"six": 0.3},
        "middle": 0.1,
        "scatter": 0.2,
        "n": counts,
        "engines": 8,
        "known": True,
        "wider": 1.5,
        "places": places,
        "under": tuple(np.arange(1, counts + 1) / counts),
    }
    return RatioScale(**fields | changes)  # type: ignore[arg-type]


def test_places_are_the_normals_until_there_are_forty_counts() -> None:
    """39 counts: the normal quantile, 1.5 times as wide; in the logarithm of a usual job that is its scatter of .2."""
    few = make_scale(39)
    assert few.place(0.95) == pytest.approx(1.5 * 1.6448536)
    assert few.quantile(0.95) == pytest.approx(0.2 * 1.6448536)
    # 49 counts: the 49 of 50 shares between which the next one falls evenly, 1/50, 2/50, ...
    many = make_scale(49)
    assert many.place(0.9) == pytest.approx(0.20) and many.place(0.5) == pytest.approx(0.0)
    assert many.quantile(0.9) == pytest.approx(0.20 * 0.2 / 1.5)


def test_what_was_given_up_keeps_the_far_quantile_open() -> None:
    """40 counts of 50 jobs, the rest given up: beyond 40 / 51 the normal's place, which is longer than any that showed."""
    lost = make_scale(40, under=tuple(np.arange(1, 41) / 50), stopped=10)
    assert lost.place(0.95) == pytest.approx(1.5 * 1.6448536)
    assert lost.place(0.4) == pytest.approx(np.interp(0.4, np.arange(1, 41) / 51, lost.places))


def test_a_type_has_its_own_middle_where_it_has_one() -> None:
    assert make_scale(5).of(pd.Series(["six", "four", None])).tolist() == [0.3, 0.1, 0.1]


def test_pressure_while_turning_has_limits_and_a_probability_of_one_law() -> None:
    """Log-normal: both ends as far from the middle, by normal quantiles; the threshold's probability from the same error."""
    record = pd.DataFrame([RECORD | {"pressure_threshold_bar": 1.2, "oil_temperature_degC": 25.0}])
    wide, narrow = (priming.cranking_pressure(record, level=level).iloc[0] for level in (0.9, 0.5))
    middle, low, high = np.log([wide[f"hand_{name}_bar"] for name in ("pressure", "low", "high")])
    error = (high - middle) / stats.norm.ppf(0.95)
    assert middle - low == pytest.approx(high - middle)
    assert np.log(narrow["hand_high_bar"]) - middle == pytest.approx(error * stats.norm.ppf(0.75))
    assert wide["hand_shows_probability"] == pytest.approx(stats.norm.cdf((middle - np.log(1.2)) / error))
    # twice the speed is twice the oil through the bearings, and twice the pressure
    twice = record.assign(turning_speed_rpm=2 * record["turning_speed_rpm"])
    fast = priming.cranking_pressure(twice).iloc[0]["hand_pressure_bar"]
    assert fast == pytest.approx(2 * wide["hand_pressure_bar"])
