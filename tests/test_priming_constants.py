"""The formula with let-through and slip against hand calculation, and the constants that a fleet's counts give."""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
import pytest
from calibrate.calibrate_priming_worlds import KNOWN, TABLES, draw_fleet, score_fleet
from scipy import integrate, optimize, special, stats

from ventbook.model import expect_again
from ventbook.physics import oil, priming
from ventbook.physics.priming import constants as fitting
from ventbook.physics.priming.spread import Spread, read_spread
from ventbook.tables.priming import load_record_values

VENTING = {
    "line_length_m": 1.5,
    "line_bore_mm": 10.0,
    "displacement_cm3": 7.0,
    "viscosity_Pa_s": 0.33,
    "head_m": -0.2,
}


def test_formula_of_a_slit() -> None:
    """Isothermal laminar flow of a gas through a slit, m = w h^3 (p1^2 - p2^2) / (24 mu l R T) (textbooks of fluid mechanics), by hand.

    w / l = 20, h = 25 um, from 1.5 to 1.0 bar: 20 x 1.5625e-14 x 1.25e10 / (24 x 1.81e-5 x 287.05 x 293.15) = 1.0687e-4 kg/s, at 1 bar
    and 20 degC 89.93 cm3/s.
    """
    mass = 20 * (25e-6) ** 3 * (1.5e5**2 - 1e5**2) / (24 * 1.81e-5 * 287.05 * 293.15)
    assert mass == pytest.approx(1.0687e-4, rel=1e-4)
    volume = mass * 287.05 * 293.15 / 1e5 * 1e6
    assert volume == pytest.approx(89.93, abs=0.01)
    c = float(priming.let_through_per_s_bar(25.0, 20.0, 7.0))
    terms = priming.rotations_to_prime(
        **VENTING | {"head_m": 0.0, "line_length_m": 30.0},
        ambient_bar=1.0,
        tank_overpressure_bar=0.5,
        pressurised_s=3.0,
        let_through=c,
    )
    assert terms["passed_cm3"] == pytest.approx(3.0 * volume, rel=1e-9)


@pytest.mark.parametrize(("clearance", "lift_cm"), [(15.0, 79.0), (25.0, 17.0), (50.0, 2.0)])
def test_formula_of_the_lift_at_stall(clearance: float, lift_cm: float) -> None:
    """A dry pump at half a turn a second, worked out beforehand in whole centimetres of oil of 880 kg/m3: ea n D = c D lift (p_in + p0) / (2 p_in)."""
    c = priming.let_through_per_s_bar(clearance, 20.0, 7.0)

    def draw(lift: float, speed: float = 30.0) -> float:
        terms = priming.rotations_to_prime(
            **VENTING | {"head_m": -lift, "density_kg_per_m3": 880.0},
            let_through=c,
            speed_rpm=speed,
            ambient_bar=1.01325,
        )
        return float(terms["draw"])

    stall = optimize.brentq(draw, 1e-4, 5.0)
    assert 100 * stall == pytest.approx(lift_cm, abs=0.04 * lift_cm + 0.5)
    assert optimize.brentq(lambda lift: draw(lift, 60.0), 1e-4, 10.0) / stall == pytest.approx(2.0, abs=0.08)
    assert np.isinf(
        priming.rotations_to_prime(
            **VENTING | {"head_m": -1.02 * stall, "density_kg_per_m3": 880.0}, let_through=c
        )["rotations"]
    )


def test_formula_equals_its_integral() -> None:
    """The air's mass while it stands and while it turns, in SI and step by step (solve_ivp), line drop with the true draw."""
    c, n, ea = 0.4, 0.5, 0.6
    p0, tank, swept, length, d, mu = 1.01325e5, 0.3e5, 7e-6, 1.5, 0.01, 0.33
    standing = p0 + tank - 870.0 * 9.80665 * 0.2
    volume = np.pi / 4 * d**2 * length + 350e-6
    leak = c / 1e5  # displacements a second and pascal
    mass = p0 * volume - leak * swept * (standing**2 - p0**2) / 2 * 20.0

    def lost(p: float) -> float:
        flow = swept * (ea * n + leak * (p**2 - p0**2) / (2 * p))
        return standing - p - 128 * mu * length * flow / (np.pi * d**4)

    inlet = optimize.brentq(lost, 1e4, standing)

    def fall(_: float, m: np.ndarray) -> list[float]:
        return [-swept * (ea * inlet + leak * (inlet**2 - p0**2) / (2 * n))]

    def gone(_: float, m: np.ndarray) -> float:
        return float(m[0])

    gone.terminal = True  # type: ignore[attr-defined]
    turned = integrate.solve_ivp(fall, (0, 1e4), [mass], events=gone, rtol=1e-10).t_events[0][0]
    terms = priming.rotations_to_prime(
        **VENTING,
        cooler_cm3=350.0,
        cooler_empty=True,
        tank_overpressure_bar=0.3,
        pressurised_s=20.0,
        let_through=c,
    )
    # the closed form holds what a bar takes of the draw at its value without line drop: a third of a percent
    assert terms["suction"] - terms["tank_saving"] == pytest.approx(turned, rel=0.004)


def test_formula_at_its_limits() -> None:
    tight = priming.rotations_to_prime(**VENTING, tank_overpressure_bar=0.5)
    for nothing in ({"let_through": 0.0, "pressurised_s": 300.0}, {"slip": 0.0}):
        same = priming.rotations_to_prime(**VENTING, tank_overpressure_bar=0.5, **nothing)
        assert same["rotations"] == tight["rotations"]
    # no lift, no line drop, no pressure: nothing drives air through the clearances
    level = VENTING | {"head_m": 0.0, "viscosity_Pa_s": 0.0}
    assert priming.rotations_to_prime(**level, let_through=50.0)["rotations"] == pytest.approx(
        priming.rotations_to_prime(**level)["rotations"], rel=1e-9
    )
    # clearance of nothing passes nothing
    assert (
        float(priming.let_through_per_s_bar(0.0, 20.0, 7.0))
        == 0.0
        == float(priming.slip_Pa(0.0, 20.0, 7.0, 1.0))
    )
    # time without pressure counts for nothing
    bare = priming.rotations_to_prime(**VENTING, let_through=1.0)
    assert (
        priming.rotations_to_prime(**VENTING, let_through=1.0, pressurised_s=300.0)["rotations"]
        == bare["rotations"]
    )


def test_formula_of_slip() -> None:
    """A gear pump's efficiency as 1 - k p / (N mu), straight in p / (N mu): a gear pump maker's page on efficiency curves (seen), there with
    k = .25 in its units: efficiencies of 1, .9 and .75 at p / (N mu) of 0, .4 and 1.0, by hand.
    """
    k = 0.25
    for p_over in (0.0, 0.4, 1.0):
        side = priming.rotations_to_prime(
            **VENTING | {"viscosity_Pa_s": 2.0},
            lines_empty=False,
            oil_efficiency=1.0,
            speed_rpm=60.0,
            slip=k * p_over * 2.0,
        )["pressure_side"]
        assert 150.0 / (7.0 * side) == pytest.approx(1.0 - k * p_over)


def test_formula_of_ambient_pressure() -> None:
    # ISO 2533 (from memory): 1013.25 hPa at sea level, 898.75 at 1000 m, 795.0 at 2000 m
    assert oil.ambient_pressure_bar(np.array([0.0, 1000.0, 2000.0])) == pytest.approx(
        [1.01325, 0.89875, 0.7950], abs=2e-4
    )


@pytest.mark.parametrize("unsealed", [0.0, 0.3, 1.0])
def test_spread_against_a_solver(unsealed: float) -> None:
    spread = Spread(*(np.array([x]) for x in (4.0, 0.12, 3.0, 0.2, unsealed)))

    def below(x: float) -> float:
        return float((1 - unsealed) * stats.norm.cdf(x, 4.0, 0.12) + unsealed * stats.norm.cdf(x, 3.0, 0.2))

    for share in (0.02, 0.05, 0.31, 0.5, 0.95):
        z = stats.norm.ppf(share)
        x = optimize.brentq(lambda x, share=share: below(x) - share, 1.0, 6.0)
        assert spread.place(z)[0] == pytest.approx(x, abs=1e-6)
        assert spread.standardise(np.array([x]))[0] == pytest.approx(z, abs=1e-9)
        assert spread.below(np.array([x]))[0] == pytest.approx(share)


def test_a_wider_spread_is_the_sum_of_two_errors() -> None:
    """Chance at or under of a count and a normal error of its own, added up over the error (scipy.integrate.quad)."""
    spread = Spread(*(np.array([x]) for x in (4.0, 0.12, 3.0, 0.2, 0.3)))
    for log_count in (2.9, 3.4, 4.1):
        summed, _ = integrate.quad(
            lambda e, at=log_count: spread.below(np.array([at - e]))[0] * stats.norm.pdf(e, scale=0.25), -2, 2
        )
        assert spread.widen(0.25).below(np.array([log_count]))[0] == pytest.approx(summed, abs=1e-7)


def test_where_counts_may_lie_is_read_from_the_table() -> None:
    """A venting of either pump, one whose unsealed pump would stall, and a table that has the expectation alone."""
    frame = pd.DataFrame(
        {
            "expected_rotations": [50.0, 60.0],
            "expected_sealed": [60.0, 60.0],
            "expected_let_through": [30.0, np.nan],
            "expected_unsealed": [0.25, 0.25],
            "expected_spread_sealed": [0.1, 0.1],
            "expected_spread_let_through": [0.3, np.nan],
        }
    )
    log_count = np.log([40.0, 55.0])
    sealed, through = stats.norm(np.log(60.0), 0.1), stats.norm(np.log(30.0), 0.3)
    below = read_spread(frame, usual=0.5).below(log_count)
    assert below[0] == pytest.approx(0.75 * sealed.cdf(log_count[0]) + 0.25 * through.cdf(log_count[0]))
    assert below[1] == pytest.approx(sealed.cdf(log_count[1]))
    alone = read_spread(frame[["expected_rotations"]], usual=0.5).below(log_count)
    assert alone == pytest.approx(stats.norm.cdf(np.log([40 / 50, 55 / 60]) / 0.5))


def test_a_blank_for_the_pump_is_what_the_fleets_pumps_are() -> None:
    """Half of the unsealed pumps hold oil; where the record says which, and where it says so of a third, constants come back."""
    rng = np.random.default_rng(9)
    jobs = draw_fleet(rng, "half sealed", ventings=600, wetted=0.5)
    full = priming.fit_constants(jobs)
    blank = priming.fit_constants(jobs.assign(pump_wetted=jobs["pump_wetted"].mask(rng.random(600) < 0.67)))
    for found in (full, blank):
        assert found.dry == pytest.approx(0.5, abs=0.1)
        share = special.expit(found.theta[:, fitting.OPEN])
        sd = np.sqrt(found.covariance[:, fitting.OPEN, fitting.OPEN])
        assert np.all(np.abs(special.logit(share)) < 3 * sd)
    assert (
        np.diagonal(blank.covariance, axis1=1, axis2=2)[:, fitting.OPEN]
        > np.diagonal(full.covariance, axis1=1, axis2=2)[:, fitting.OPEN]
    ).all()


@cache
def world(name: str, number: int = 0, ventings: int = 1200) -> pd.DataFrame:
    return draw_fleet(np.random.default_rng([2, number]), name, ventings=ventings)


def test_gradient_is_that_of_the_posterior() -> None:
    jobs = fitting._full_rows(world("half sealed", ventings=150))
    data = fitting._pose(jobs, sorted(jobs["engine_type"].unique()), 1.0)
    at = np.concatenate([data.usual.ravel(), np.zeros(5), [-2.2, -2.0, 0.1, 0.2]])
    at += 0.1 * np.random.default_rng(3).standard_normal(len(at))
    data = fitting._with_extra(data, at[:10].reshape(2, 5), at[-4:])
    _, gradient = fitting._objective(at, data)
    steps = optimize.approx_fprime(at, lambda x: fitting._objective(x, data)[0], 1e-6)
    assert gradient == pytest.approx(steps, abs=2e-3, rel=1e-4)


@pytest.mark.parametrize(
    ("name", "through", "unsealed"),
    [("sealed", None, 0.0), ("let-through", 3.0, 1.0), ("half sealed", 3.0, 0.5), ("dry leak", 15.0, 1.0)],
)
def test_constants_come_back(name: str, through: float | None, unsealed: float) -> None:
    found = priming.fit_constants(world(name).iloc[:600])
    air = np.exp(found.theta[:, fitting.AIR])
    # a mean efficiency of .6 with 6 % between engines and the suction's scatter
    assert air == pytest.approx([0.6, 0.6], rel=0.06)
    share = special.expit(found.theta[:, fitting.OPEN])
    assert share == pytest.approx([unsealed] * 2, abs=0.1)
    if through is not None:
        sd = np.sqrt(found.covariance[:, fitting.THROUGH, fitting.THROUGH])
        # engines differ by 25 % about it, which moves the type's value by a few percent
        assert np.all(np.abs(found.theta[:, fitting.THROUGH] - np.log(through)) < 3 * sd + 0.1)


def test_slip_comes_back() -> None:
    found = priming.fit_constants(world("slipping").iloc[:600])
    assert np.exp(found.theta[:, fitting.SLIP]) == pytest.approx([0.006, 0.006], rel=0.2)
    none = priming.fit_constants(world("sealed").iloc[:600])
    assert (np.exp(none.theta[:, fitting.SLIP]) < 0.001).all()


def test_counts_that_say_nothing_leave_the_usual_values() -> None:
    """Filled suction sides: nothing of the air is seen, and its constants keep value and spread."""
    jobs = world("let-through").iloc[:300].assign(lines_empty=False, cooler_empty=False)
    found = priming.fit_constants(jobs)
    usual, spread = fitting.usual_theta(fitting.engine_type_values("first"))
    for constant in (fitting.AIR, fitting.THROUGH, fitting.OPEN):
        assert found.theta[:, constant] == pytest.approx([usual[constant]] * 2, abs=1e-3)
        assert np.sqrt(found.covariance[:, constant, constant]) == pytest.approx(
            [spread[constant]] * 2, rel=0.1
        )
    few = priming.fit_constants(jobs.iloc[:5])
    assert few.state == "too_few"
    plain, same = (priming.expected_rotations(jobs, constants=one) for one in (None, few))
    pd.testing.assert_frame_equal(plain, same)


def test_an_engine_is_told_by_its_other_ventings() -> None:
    jobs = world("half sealed").iloc[:600]
    found = priming.fit_constants(jobs)
    engine = found.by_engine.idxmax()
    mine = jobs[jobs["engine_id"] == engine]
    said = priming.expected_rotations(mine, constants=found)
    ahead = mine.iloc[:1].assign(venting_id="to come")
    assert priming.expected_rotations(ahead, constants=found)["expected_unsealed"].iloc[0] > 0.95
    # its own count is left out: the venting that told the most is expected from the others
    told = found.by_venting[mine["venting_id"].to_numpy()].to_numpy()
    assert (said["expected_unsealed"].to_numpy() <= priming.expected_rotations(
        mine.assign(venting_id="to come"), constants=found)["expected_unsealed"].to_numpy() + 1e-12)[told > 0].all()  # fmt: skip


def test_pump_wetted_and_gallery_drained() -> None:
    jobs = world("let-through").iloc[:40].assign(tank_overpressure_bar=0.5, lines_empty=True)
    plain = priming.expected_rotations(jobs)
    # a pump that holds oil passes a tenth: as if it stood a tenth of the time, as far as its air is gone by then
    wetted = priming.expected_rotations(jobs.assign(pump_wetted=True))
    assert (wetted["expected_let_through"] > plain["expected_let_through"]).all()
    assert (wetted["expected_let_through"] < plain["expected_sealed"]).all()
    assert np.allclose(wetted["expected_sealed"], plain["expected_sealed"])
    for absent in (pd.NA, False):
        other = jobs.assign(pump_wetted=pd.array([absent] * len(jobs), dtype="boolean"))
        pd.testing.assert_frame_equal(priming.expected_rotations(other), plain)
    drained = priming.expected_rotations(jobs.assign(gallery_drained=True))
    pd.testing.assert_frame_equal(drained, plain)
    full = priming.expected_rotations(jobs.assign(gallery_drained=False))
    # half of 150 cm3 less, at .92 of the displacement
    less = 0.5 * 150.0 / (0.92 * jobs["pump_displacement_cm3"])
    assert (plain["expected_pressure_side"] - full["expected_pressure_side"]).to_numpy() == pytest.approx(
        less.to_numpy(), rel=0.01
    )


def test_described_constants_tell_seen_from_cannot_tell() -> None:
    """Each world's own term is seen at 600 ventings, and what it hasn't isn't; on ten ventings nearly nothing can be told."""

    def said(name: str, ventings: int = 600) -> pd.Series:
        found = priming.describe_constants(priming.fit_constants(world(name).iloc[:ventings]))
        assert (found["low"] <= found["estimate"]).all()
        assert (found["estimate"] <= found["high"]).all()
        return found[found["engine_type"] == "first"].set_index("term")["verdict"]

    sealed, through, slipping = said("sealed"), said("let-through"), said("slipping")
    assert sealed.loc[["unsealed", "let_through", "slip"]].tolist() == ["not seen"] * 3
    assert through.loc[["unsealed", "let_through"]].tolist() == ["seen"] * 2
    assert slipping["slip"] == "seen"
    assert said("sealed", 10)["slip"] == "can't tell"
    assert priming.describe_constants(priming.Constants()).empty


def test_layers_are_counted_where_oil_is_slower_than_a_bubble() -> None:
    """12 mm, .6 x 7 x .5 = 2.1 cm3/s over 1.13 cm2 is 1.9 cm/s, a bubble rises 3.3 cm/s at .3 Pa s; in 5 mm 10.7 cm/s against nearly nothing."""
    assert priming.bubble_rise_m_per_s(12.0, 0.3) == pytest.approx(0.033, abs=0.001)
    jobs = pd.DataFrame(
        {"engine_type": "flat4", "lines_empty": [True, True, False], "suction_line_bore_mm": [12.0, 5.0, 12.0], "turning_speed_rpm": 30.0,
         "oil_temperature_degC": 20.0, "oil_grade": "15W-50"}
    )  # fmt: skip
    assert priming.count_layered(jobs) == (1, 2)


def test_what_records_are_worth_is_as_measured() -> None:
    assert load_record_values()
    measured = pd.read_csv(TABLES / "priming_records.csv").set_index("record")["ventings"]
    for value in load_record_values():
        if value.ventings is None:
            assert np.isnan(measured[value.row])
        else:
            assert value.ventings == round(measured[value.row])


def test_known_terms_stay_as_told() -> None:
    jobs = world("half sealed").iloc[:200]
    found = priming.fit_constants(jobs, fixed={"unsealed": 0.0, "slip": 0.0})
    expected = priming.expected_rotations(jobs, constants=found)
    assert (expected["expected_unsealed"] < 1e-12).all()
    assert np.allclose(expected["expected_rotations"], expected["expected_sealed"])


@pytest.mark.parametrize("name", ["half sealed", "let-through"])
def test_ranges_hold_and_squeeze_alone_is_far_behind(name: str) -> None:
    """600 ventings told from 600 before: 90 % ranges, by cover and by log score against the fit that knows the world."""
    jobs = world(name)
    ours, knows, narrow = (
        score_fleet(jobs, fixed) for fixed in (None, KNOWN[name], {"unsealed": 0.0, "slip": 0.0})
    )
    low, high = stats.binom.interval(0.999, len(ours), 0.9)
    assert low <= ours["held"].sum() <= high
    assert knows["score"].mean() - ours["score"].mean() < 0.02
    assert ours["score"].mean() - narrow["score"].mean() > 0.3


def test_ratio_is_one_definition() -> None:
    """The ratio in the table is the count over the expectation, whose log is nought on the whole in either world."""
    for name in ("sealed", "half sealed"):
        jobs = expect_again(world(name).iloc[:600])
        assert np.allclose(
            jobs["rotations_ratio"], jobs["rotations_crank"] / jobs["expected_rotations"], equal_nan=True
        )
        ratio = priming.estimate_ratio(jobs)
        assert ratio.low is not None
        assert ratio.high is not None
        assert ratio.low - 0.02 <= 1.0 <= ratio.high + 0.02
