"""Pumps that let air through are found, sound ones are not: counts from a piece of physics written anew."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from ventbook.physics import priming
from ventbook.physics.priming import picture


def draw_jobs(
    rng: np.random.Generator, *, ventings: int = 150, let_through: float, level: float = 1.0
) -> pd.DataFrame:
    """Counts of a fleet whose standing pumps pass ``let_through`` displacements of air a second and bar of tank pressure.

    Under tank pressure the air of line and cooler leaves at c D p (p0 + p) / p0 a second (at ambient pressure) for as long as
    was waited, 60 to 300 s; the pump then draws the rest, squeezed by the pressure, and fills galleries and filter. Scatter
    13 % a job, 8 % an engine. ``level``: what the fleet's own efficiency does to all counts.
    """
    n, p0 = ventings, 1.013
    engine = rng.integers(0, max(n // 3, 4), n)
    lines, cooler, filter_ = rng.random(n) < 0.6, rng.random(n) < 0.35, rng.random(n) < 0.5
    tank = np.where(rng.random(n) < np.where(lines, 0.6, 0.3), rng.choice([0.3, 0.5, 0.8], n), 0.0)
    length, bore = rng.uniform(1.0, 2.0, n), 10.0
    air = lines * np.pi / 4 * bore**2 * length + cooler * 250.0  # cm3: mm2 m is cm3
    left = air - let_through * 7.0 * tank * (p0 + tank) / p0 * rng.uniform(60, 300, n)
    drawn = np.maximum(left, 0.0) / (0.60 * 7.0) * p0 / (p0 + tank)
    filled = (150.0 + filter_ * 300.0) / (0.85 * 7.0)
    scatter = rng.normal(0, 0.13, n) + rng.normal(0, 0.08, engine.max() + 1)[engine]
    count = np.maximum(np.round(level * (drawn + filled) * np.exp(scatter)), 1.0)
    jobs = pd.DataFrame(
        {
            "engine_id": [f"E{e:03d}" for e in engine],
            "engine_type": "of its own",
            "pump_displacement_cm3": 7.0,
            "suction_line_length_m": length,
            "suction_line_bore_mm": bore,
            "cooler_volume_L": 0.25,
            "filter_volume_L": 0.3,
            "lines_empty": lines,
            "cooler_empty": cooler,
            "filter_new": filter_,
            "tank_overpressure_bar": tank,
            "tank_head_m": 0.0,
            "elevation_m": 0.0,
            "oil_temperature_degC": 20.0,
            "oil_grade": "15W-50",
            "turning_speed_rpm": 30.0,
            "rotations_low": count - 1,
            "rotations_high": count,
        }
    )
    return jobs.join(priming.expected_rotations(jobs))


@pytest.mark.parametrize("level", [1.0, 1.3])
def test_sealed_pumps_are_not_called_leaking(level: float) -> None:
    """p under .05 at most as often as chance has it (binomial, scipy.stats), whatever the fleet's efficiency is."""
    found = [
        priming.check_let_through(draw_jobs(np.random.default_rng([1, seed]), let_through=0.0, level=level))
        for seed in range(60)
    ]
    low = sum(one.p is not None and one.p < 0.05 for one in found)
    assert stats.binom.sf(low - 1, 60, 0.05) > 1e-3
    assert sum(one.found for one in found) <= 1  # its share is one in a thousand
    held = sum(one.ratio.low <= 1.0 <= one.ratio.high for one in found)
    assert stats.binom.cdf(held, 60, 0.95) > 1e-3


@pytest.mark.parametrize("let_through", [0.3, 3.0])
def test_pumps_that_let_air_through_are_found(let_through: float) -> None:
    """At 150 ventings: in at least 8 of 10 fleets."""
    found = [
        priming.check_let_through(draw_jobs(np.random.default_rng([2, seed]), let_through=let_through))
        for seed in range(20)
    ]
    assert sum(one.found for one in found) >= 16
    assert all(one.ratio.estimate < 0.9 for one in found)


def test_too_few_say_nothing() -> None:
    jobs = draw_jobs(np.random.default_rng(3), ventings=20, let_through=3.0)
    for few in (jobs.iloc[:0], jobs.iloc[:8], jobs[jobs["tank_overpressure_bar"] == 0]):
        found = priming.check_let_through(few)
        assert (found.ratio.state, found.p, found.found) == ("too_few", None, False)
    assert priming.smooth_ratio(jobs.iloc[:8], by="suction_share").empty


def test_blank_answers_are_left_out() -> None:
    """A blank tank pressure is not one of nought."""
    jobs = draw_jobs(np.random.default_rng(4), let_through=0.0)
    recorded = jobs[[name for name in jobs if not name.startswith("expected")]]
    gone = recorded["tank_overpressure_bar"].mask(np.arange(len(jobs)) % 4 == 0)
    recorded = recorded.assign(tank_overpressure_bar=gone)
    blank = recorded.join(priming.expected_rotations(recorded))
    assert priming.check_let_through(blank).ratio.n < priming.check_let_through(jobs).ratio.n


def test_smooth_curve_follows_what_is_planted() -> None:
    """Counts that grow with the square root of speed, but for the fleet's own level."""
    rng = np.random.default_rng(5)
    jobs = draw_jobs(rng, ventings=400, let_through=0.0)
    speed = rng.uniform(20, 80, len(jobs))
    grown = np.maximum(np.round(jobs["rotations_high"] * np.sqrt(speed / 40)), 1.0)
    jobs = jobs.assign(turning_speed_rpm=speed, rotations_high=grown, rotations_low=grown - 1)
    curve = priming.smooth_ratio(jobs, by="turning_speed_rpm")
    law = np.sqrt(curve["x"])
    off = np.log(curve["ratio"] / law)
    assert (off - off.mean()).abs().max() < 0.06
    width = np.log(curve["high"] / curve["low"])
    assert width.between(0.02, 0.2).all()
    flat = priming.smooth_ratio(jobs.assign(tank_head_m=0.1), by="tank_head_m")
    assert flat.empty


def test_the_curve_bends_as_a_restricted_cubic_spline() -> None:
    """patsy's natural cubic spline with these knots spans the same curves (library run, patsy 1.0); straight beyond them."""
    import patsy

    x, knots = np.linspace(-1.0, 9.0, 41), np.array([1.0, 3.0, 7.0])
    columns = picture._spline(x, knots)
    inside = (x >= 1.0) & (x <= 7.0)
    library = patsy.dmatrix("cr(x, knots=[3.0], lower_bound=1.0, upper_bound=7.0) - 1", {"x": x[inside]})
    design = np.column_stack([np.ones(inside.sum()), columns[inside]])
    rest = design - library @ np.linalg.lstsq(np.asarray(library), design)[0]
    np.testing.assert_allclose(rest, 0.0, atol=1e-9)
    for side in (x <= 1.0, x >= 7.0):
        np.testing.assert_allclose(np.diff(columns[side, 1], n=2), 0.0, atol=1e-9)


def test_share_of_suction_air_is_what_a_sealed_pump_has_to_draw() -> None:
    jobs = pd.DataFrame(
        {
            "tank_overpressure_bar": [0.0, 0.5, 0.5, np.nan],
            "expected_pressure_side": [30.0, 35.0, 0.0, 30.0],
            "expected_sealed": [50.0, 50.0, 80.0, 50.0],
            **dict.fromkeys(picture.BLANKS.values(), 0.0),
        }
    )
    assert picture._known(jobs)["_share"].tolist() == pytest.approx([0.4, 0.3, 1.0])


def test_limits_and_p_are_of_one_law() -> None:
    """Student's t on engines - 1 from scipy.stats: the error behind the interval is that behind p and behind other levels."""
    jobs = draw_jobs(np.random.default_rng(6), ventings=60, let_through=0.2)
    freedom = jobs["engine_id"].nunique() - 1
    assert freedom < 25
    wide, narrow = (priming.check_let_through(jobs, level=level) for level in (0.95, 0.5))
    slope, low, high = np.log([wide.ratio.estimate, wide.ratio.low, wide.ratio.high])
    error = (high - low) / 2 / stats.t.ppf(0.975, freedom)
    assert (low + high) / 2 == pytest.approx(slope)
    assert wide.p == narrow.p == pytest.approx(stats.t.cdf(slope / error, freedom), rel=1e-6)
    assert np.log(narrow.ratio.high) - slope == pytest.approx(stats.t.ppf(0.75, freedom) * error, rel=1e-6)
    bands = [priming.smooth_ratio(jobs, by="suction_share", level=level) for level in (0.95, 0.5)]
    width = [np.log(band["high"] / band["low"]) for band in bands]
    assert (width[0] / width[1]).to_numpy() == pytest.approx(
        stats.t.ppf(0.975, freedom) / stats.t.ppf(0.75, freedom)
    )
    share = 1 - jobs["expected_pressure_side"] / jobs["expected_sealed"]
    assert bands[0]["x"].iloc[[0, -1]].tolist() == pytest.approx(np.quantile(share, [0.02, 0.98]).tolist())
