"""Scatter of rotations and pressure while turning: intervals and probabilities of one law, by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from tests.test_priming import RECORD

from ventbook.physics import priming
from ventbook.physics.priming.ratio import RatioScale


def test_a_job_scatters_more_where_more_was_taken_than_is_usual() -> None:
    """Scatter .2, usual uncertainty .1: what lies beyond it is added, squares to squares; a missing one is the usual one."""
    scale = RatioScale({}, 0.0, 0.2, 0.1, 20, 8, True)
    spread = scale.spread(np.array([0.05, 0.1, 0.3, np.nan]))
    assert spread.tolist() == pytest.approx([0.2, 0.2, np.sqrt(0.04 + 0.09 - 0.01), 0.2])
    assert scale.widening(np.array([0.3])).tolist() == pytest.approx([np.sqrt(0.12) / 0.2])


def test_quantiles_are_the_normals_until_there_are_forty_counts() -> None:
    few = RatioScale({}, 0.0, 0.2, 0.1, 39, 8, True, tuple(np.zeros(39)), tuple(np.ones(39)))
    assert few.quantile(0.95) == pytest.approx(0.2 * 1.6448536)
    # 49 counts: the 49 of 50 shares between which the next one falls evenly, 1/50, 2/50, ...
    residuals = tuple(np.arange(-24, 25) / 100)
    many = RatioScale({}, 0.0, 0.2, 0.1, 49, 8, True, residuals, tuple(np.arange(1, 50) / 49))
    assert many.quantile(0.9) == pytest.approx(0.20) and many.quantile(0.5) == pytest.approx(0.0)


def test_uncertainty_of_an_expectation_comes_back_from_its_ninety_percent_interval() -> None:
    half = 0.25 * stats.norm.ppf(0.95)
    frame = pd.DataFrame({"expected_low": [40 * np.exp(-half)], "expected_high": [40 * np.exp(half)]})
    assert priming.expectation_u_log(frame).tolist() == pytest.approx([0.25])


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
