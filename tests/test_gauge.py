"""Readings and their uncertainty: probability over the limit, guard bands."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventbook.physics import gauge

REFERENCE = tomllib.loads((Path(__file__).parent / "reference" / "gauge.toml").read_text(encoding="utf-8"))


def test_conformance_probability_of_the_standards_example():
    case = REFERENCE["conformance"]
    over = gauge.over_limit_probability(case["reading"], case["u"], case["limit"])
    assert 1 - float(over) == pytest.approx(case["within"], abs=5e-7)


def test_guard_band_at_the_gap_limit():
    case = REFERENCE["guard_band"]
    assert gauge.guard_band(0.5, 0.02) == pytest.approx(case["accept_95"], abs=5e-5)
    assert gauge.guard_band(0.5, 0.02, probability=0.9772499) == pytest.approx(case["accept_2u"], abs=5e-5)
    assert 1 - float(gauge.over_limit_probability(0.48, 0.02, 0.5)) == pytest.approx(
        case["reading_048_within"], abs=5e-6
    )
    assert gauge.guard_band(0.02, 0.5) == 0.0


def test_readings_that_cannot_be_judged_stay_not_recorded():
    p = gauge.over_limit_probability([0.6, np.nan, 0.5, 0.51], [0.0, 0.02, 0.0, 0.0], [0.5, 0.5, 0.5, np.nan])
    np.testing.assert_array_equal(p, [1.0, np.nan, 0.0, np.nan])


@given(st.floats(0, 3), st.floats(0.001, 0.5), st.floats(0.1, 1))
def test_probability_rises_with_the_reading(gap, u, limit):
    p = gauge.over_limit_probability([gap, gap + 0.01], u, limit)
    assert 0 <= p[0] <= p[1] <= 1
    assert (p[0] > 0.5) == (gap > limit) or p[0] == 0.5


def test_bad_calls_are_one_line():
    with pytest.raises(ValueError, match="u must be 0 mm or more"):
        gauge.over_limit_probability(0.5, -0.1, 0.5)
    with pytest.raises(ValueError, match="u must be 0 mm or more"):
        gauge.guard_band(0.5, -0.1)
    with pytest.raises(ValueError, match="probability must lie between 0 and 1"):
        gauge.guard_band(0.5, 0.1, probability=95)
