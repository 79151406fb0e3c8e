"""Pieces of the trends: limits, tails and running means against a library or worked out by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from calibrate import calibrate_gauge_drift as fleets
from calibrate.calibrate_gauge_drift import WRONG, Kind
from scipy import integrate, stats

from ventbook.statistics import trends
from ventbook.statistics.trends import attribution, gauge_drift, series


def test_limits_of_sens_slope_turn_round_with_the_values() -> None:
    """Falling instead of rising swaps and turns the limits; ranks by Gilbert's rule (1987, from memory): (N -+ C)/2 and one
    more at the upper end, C the normal quantile times the score's standard deviation.
    """
    values = np.cumsum(np.random.default_rng(5).normal(0.4, 1.0, 14))
    up, down = trends.test_drift(values).slope, trends.test_drift(-values).slope
    assert (down.low, down.high) == pytest.approx((-up.high, -up.low))
    i, j = np.triu_indices(14, 1)
    slopes = np.sort((values[j] - values[i]) / (j - i))
    c = 1.959964 * np.sqrt(14 * 13 * (2 * 14 + 5) / 18)
    ranks = [(91 - c) / 2, (91 + c) / 2 + 1]
    assert [up.low, up.high] == pytest.approx(np.interp(ranks, np.arange(1, 92), slopes).tolist(), rel=1e-6)


@pytest.mark.parametrize(
    "counts", [[3, 0, 1, 2, 0, 4, 5, 3], [0, 1, 0, 0, 2, 0, 1, 3], [6, 2, 3, 5, 0, 1, 1, 0]]
)
@pytest.mark.parametrize("level", [0.5, 0.8, 0.9])
def test_places_of_a_step_have_the_probabilities_of_an_integral(counts, level) -> None:
    """Rates over which Jeffreys' density 1 / sqrt(rate) is integrated (scipy.integrate.quad), every place as likely before."""
    expected = np.array([2.0, 1.5, 1.0, 2.5, 2.0, 1.5, 2.0, 1.0])
    weight = np.ones(7)
    for k in range(7):
        for part in (slice(0, k + 1), slice(k + 1, 8)):
            a, b = sum(counts[part]), expected[part].sum()
            # with rate = root^2 the density 1 / sqrt(rate) is flat in the root
            weight[k] *= integrate.quad(lambda r, a=a, b=b: r ** (2 * a) * np.exp(-r * r * b), 0, np.inf)[0]
    weight /= weight.sum()
    found = trends.find_change_in_counts(counts, expected, level=level)
    runs = [
        (j - i, -weight[i : j + 1].sum(), i, j) for i in range(7) for j in range(i, 7) if i <= found.last <= j
    ]
    _, _, low, high = min(run for run in runs if -run[1] >= level)
    assert (found.low, found.high) == (low, high)


def test_running_means_step_over_empty_periods() -> None:
    """.4 of the new and .6 of what was: .4, still .4, .4 x 3 + .6 x .4 = 1.44."""
    z = np.array([[1.0, -1.0], [9.0, 9.0], [3.0, 0.0]])
    found = series._average(z, np.array([4.0, 0.0, 2.0]))
    assert found.tolist() == [[0.4, -0.4], [0.4, -0.4], pytest.approx([1.44, -0.24])]


def test_a_gauges_shift_at_one_engine_type_is_welchs_test() -> None:
    """scipy.stats.ttest_ind with unequal variances (library run)."""
    rng = np.random.default_rng(1)
    a, b = rng.normal(0.22, 0.02, 9), rng.normal(0.2, 0.05, 14)
    frame = pd.DataFrame({"gauge": ["A"] * 9 + ["B"] * 14, "engine_type": "six", "gap": [*a, *b]})
    test = stats.ttest_ind(a, b, equal_var=False)
    shift, p = attribution._shift(frame, "A", 0.9)
    ends = test.confidence_interval(0.9)
    assert p == pytest.approx(test.pvalue)
    assert (shift.estimate, shift.low, shift.high) == pytest.approx(
        (a.mean() - b.mean(), ends.low, ends.high)
    )


def test_a_drifts_p_counts_shapes_and_has_t_on_the_steps_less_one() -> None:
    """Spread of periods from one step a gauge and pair of its periods: degrees of freedom one less; both sides, each shape."""
    _, lifters = fleets.draw_fleet(Kind("slope", drift=0.03), rng=np.random.default_rng(3))
    gaps = trends.list_sound_gaps(lifters, period="step")
    drift = {d.gauge: d for d in trends.find_gauge_drifts(gaps, period="step")}[WRONG]
    steps = sum(part["step"].nunique() - 1 for _, part in gaps.groupby("gauge"))
    own = gauge_drift._Fleet(gaps, "step").own[WRONG]
    fits = [own.fit(x) for _, _, x in gauge_drift._shapes(own)]
    value, error = max(fits, key=lambda fit: abs(fit[0] / fit[1]))
    freedom = steps - 1
    assert freedom < 60
    assert drift.p == pytest.approx(min(1.0, len(fits) * 2 * stats.t.sf(abs(value / error), freedom)))
    assert drift.kind == "slope"
    half = stats.t.ppf(0.975, freedom) * error
    assert (drift.rate.low, drift.rate.high) == pytest.approx((value - half, value + half))
