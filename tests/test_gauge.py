"""Readings and their uncertainty: probability over the limit, guard bands."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventbook.physics import gauge


def test_readings_that_cannot_be_judged_stay_not_recorded():
    p = gauge.over_limit_probability([0.6, np.nan, 0.5, 0.51], [0.0, 0.02, 0.0, 0.0], [0.5, 0.5, 0.5, np.nan])
    np.testing.assert_array_equal(p, [1.0, np.nan, 0.0, np.nan])


@given(st.floats(0, 3), st.floats(0.001, 0.5), st.floats(0.1, 1))
def test_probability_rises_with_the_reading(gap, u, limit):
    p = gauge.over_limit_probability([gap, gap + 0.01], u, limit)
    assert 0 <= p[0] <= p[1] <= 1
    assert (p[0] > 0.5) == (gap > limit) or p[0] == 0.5


def test_bad_calls_are_one_line():
    assert gauge.guard_band(0.02, 0.5) == 0.0
    with pytest.raises(ValueError, match="u must be 0 mm or more"):
        gauge.over_limit_probability(0.5, -0.1, 0.5)
    with pytest.raises(ValueError, match="u must be 0 mm or more"):
        gauge.guard_band(0.5, -0.1)
    with pytest.raises(ValueError, match="probability must lie between 0 and 1"):
        gauge.guard_band(0.5, 0.1, probability=95)
