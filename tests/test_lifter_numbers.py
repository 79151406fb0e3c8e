"""How a recorded check enters the split of air and leak: travel's cap, and uncertainties taken and recorded, by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from ventbook import tables
from ventbook.physics.lifter import cause, motion, reference, split, spread
from ventbook.physics.lifter.check import RECORDED_U, read_checks

RECORD = {
    "gap_at_once_mm": 0.30,
    "gap_mm": 0.60,
    "rocker_ratio": 1.4,
    "plunger_diameter_mm": 18.0,
    "plunger_travel_mm": 2.0,
    "gap_no_force_mm": 0.05,
    "force_N": 60.0,
    "hold_s": 10.0,
}


def read(**changes: object):
    return read_checks(pd.DataFrame([RECORD | changes]), reference_force_N=70.0, reference_hold_s=10.0)


def test_a_plunger_that_went_down_all_its_travel_is_capped_at_the_valve() -> None:
    """1.4 x 2.0 mm and the slack of .05: 2.85 mm; its error the two relative ones, squares added, times 2.8 mm."""
    readings = read().readings
    assert readings.cap.tolist() == pytest.approx([2.85])
    of_both = np.hypot(RECORDED_U["rocker_ratio"], RECORDED_U["plunger_travel_mm"])
    assert readings.u_cap.tolist() == pytest.approx([2.8 * of_both])
    # neither on record: the usual engine's, and its errors
    usual = tables.engine_type_values("*")
    taken = read(rocker_ratio=np.nan, plunger_travel_mm=np.nan, gap_no_force_mm=np.nan).readings
    rocker, travel = usual["rocker_ratio"], usual["plunger_travel_mm"]
    assert taken.cap.tolist() == pytest.approx([rocker * travel + usual["slack_mm"]])
    assert taken.u_cap.tolist() == pytest.approx(
        [np.hypot(rocker * usual.u("plunger_travel_mm"), travel * usual.u("rocker_ratio"))]
    )


def test_a_force_not_on_record_is_the_limits_and_twice_as_unsure() -> None:
    recorded, taken = read().press, read(force_N=np.nan).press
    assert (recorded.force.item(), taken.force.item()) == (60.0, 70.0)
    assert (recorded.u_force.item(), taken.u_force.item()) == pytest.approx((6.0, 14.0))


def test_the_least_first_force_is_the_one_that_air_alone_was_pressed_with() -> None:
    """Air pressed with .7 of the force, then with all of it, by the equation of the press: where the first force isn't on
    record it lies between .7 and all, .85 in the middle.
    """
    spring = {
        "spring_force_N": np.array([20.0]),
        "spring_rate_N_per_mm": np.array([1.5]),
        "diameter_mm": np.array([18.0]),
        "ambient_bar": np.array([1.0]),
    }
    first, last = (
        motion.air_travel_mm(np.array([120.0]), np.array([share * 60.0]), index=reference.INDEX, **spring)
        for share in (0.7, 1.0)
    )
    checks = read(
        plunger_spring_force_N=20.0,
        plunger_spring_rate_N_per_mm=1.5,
        plunger_travel_mm=9.0,
        gap_at_once_mm=0.05 + 1.4 * first.item(),
        gap_mm=0.05 + 1.4 * last.item(),
    )
    checks = replace(checks, press=replace(checks.press, ambient=np.array([1.0])))
    assert checks.press.first_low.item() < 0.7 < checks.press.first_high.item() == 1.0
    air, *_ = reference.point_of_first_press(checks, last)
    expected, _ = motion.scale_first_press(
        np.array([0.85]), last, np.array([60.0]), index=reference.INDEX, **spring
    )
    assert air.item() == pytest.approx(expected.item(), rel=1e-6)
    assert first.item() / last.item() < expected.item() < 1.0


def test_a_gap_that_fell_is_the_mean_of_both_readings() -> None:
    """.62 then .60 mm at one force, slack .05, rocker 1.4: (.57 + .55) / 2 / 1.4 = .4 mm of air, no growth."""
    checks = read(gap_at_once_mm=0.62, gap_at_once_force_N=60.0)
    travel, growth, _ = split._point_of_two(checks, np.array([0.5]))
    assert (travel.item(), growth.item()) == (pytest.approx(0.4), 0.0)


def test_weighted_ends_are_hazens_quantiles() -> None:
    """numpy's quantile, method "hazen", where all weigh the same; a value of twice the weight stands for two of it."""
    values = np.random.default_rng(1).normal(size=(3, 40))
    found = spread._weighted(values, np.full((3, 40), 1 / 40), 0.8)
    np.testing.assert_allclose(found[:, :2].T, np.quantile(values, [0.1, 0.9], axis=1, method="hazen"))
    np.testing.assert_allclose(found[:, 2], values.std(axis=1))
    uneven = np.array([[0.5, 0.25, 0.25]])
    low, high, deviation = spread._weighted(np.array([[2.0, 1.0, 4.0]]), uneven, 0.5)[0]
    # middles of the ranked weights: 1 at .125, 2 at .5, 4 at .875
    assert (low, high) == pytest.approx((1 + 1 / 3, 2 + 2 * 2 / 3))
    assert deviation == pytest.approx(np.sqrt(0.5 * 2.0**2 + 0.25 * 1.0 + 0.25 * 16.0 - 2.25**2))


def test_draws_without_any_uncertainty_differ_by_the_index_alone() -> None:
    """Rocker 2, a stiff spring, .7 of the force at once: the spring gives by what the plunger moved, (.9 - .1) / 2 = .4 mm."""
    one, none = np.ones((1, 1)), np.zeros((1, 1))
    known = {
        "force": 60.0,
        "spring_force": 20.0,
        "spring_rate": 12.0,
        "rocker_ratio": 2.0,
        "diameter": 18.0,
        "ambient": 1.0,
    }
    press = spread.Press(
        **{
            name: one * (0.7 if name in ("first_low", "first_high") else known.get(name, 0.0))
            for name in spread.Press.__dataclass_fields__
        }
    )
    travel, *_ = spread._draw(np.array([[0.6, 1.0, 0.9, 10.0, 0.1, 0, 0, 0, 0]]), press, 0)
    u, _ = spread._points(0)
    scale, rate = motion.scale_first_press(
        0.7 * one, 0.4 * one, 60.0 * one, spring_force_N=20.0 * one, spring_rate_N_per_mm=12.0 * one, diameter_mm=18.0 * one,
        ambient_bar=one, index=spread._index(u),
    )  # fmt: skip
    rise = spread.hand_range("force_rise")
    before, until = motion.growth_times(rate, one, 10.0 * one, rise.low + (rise.high - rise.low) * u[:, 11])
    expected, _ = motion.split_readings(
        0.6 * one,
        before,
        0.9 * one,
        until,
        rocker_ratio=2.0 * one,
        slack_mm=0.1 * one + none,
        air_scale=scale,
    )
    np.testing.assert_allclose(travel, expected, rtol=1e-9)


def test_cells_of_air_and_leak_are_the_same_turned_round() -> None:
    """A share of leak is one less that of air: cells that stand for their middles, none nearer to either end."""
    assert cause.MIDDLES.tolist() == pytest.approx((1 - cause.MIDDLES[::-1]).tolist())
    assert cause.MIDDLES[[0, -1]].tolist() == pytest.approx([0.5 / cause.BINS, 1 - 0.5 / cause.BINS])


def test_a_cause_is_named_given_that_the_readings_are_right() -> None:
    """.7 of .8 that is left is .875, over .8; of .95 it is .74, under it; readings likelier wrong name nothing."""
    told = [[0.7, 0.05, 0.05, 0.0, 0.2], [0.7, 0.15, 0.05, 0.05, 0.05], [0.45, 0.0, 0.0, 0.0, 0.55]]
    assert cause.name_cause(np.array(told), sure=0.8).tolist() == ["air", "unclear", "unclear"]
