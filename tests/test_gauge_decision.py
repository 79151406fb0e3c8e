"""The decision at the limit, against closed cases, general-purpose libraries and simulated fleets."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize, special, stats

from reference_cases import Case, find_case, load_cases
from ventbook.physics import gauge
from ventbook.physics.gauge import decision, fleet, planning
from ventbook.results import NotEnoughData

LIMIT = 0.5
NORMAL_FLEETS = [c for c in load_cases() if c.id.startswith("global risks of a normal fleet")]
SURE = gauge.GaugeError(bias=0.0, bias_u=0.0, repeat=0.02)


def expected_readings(middle: float, spread: float, error: gauge.GaugeError, n: int) -> np.ndarray:
    """n readings as a fleet of normal gaps would give them on average, without chance."""
    step = error.step
    shown = np.arange(round((middle - 5 * spread) / step), round((middle + 5 * spread) / step)) * step
    share = np.diff(
        stats.norm.cdf(
            np.append(shown - step / 2, shown[-1] + step / 2), middle + error.bias, np.hypot(spread, error.u)
        )
    )
    return np.repeat(shown, np.round(n * share).astype(int))


def of_one_kind(readings: np.ndarray, error: gauge.GaugeError, **options) -> gauge.FleetDraws:
    engine = np.random.default_rng(0).integers(0, max(len(readings) // 8, 2), len(readings))
    return gauge.draw_fleet(readings, engine, np.zeros(len(readings), int), [error], limit=LIMIT, **options)


def risks(
    middle: np.ndarray, width: float, weight: np.ndarray, *, limit: float, bias: float, u: float
) -> tuple[float, float, float]:
    """Over the limit; passing though over; failing though within: shares of a fleet that is known, gauge without steps."""
    known = np.array([bias]), np.array([u])
    draws = gauge.FleetDraws(
        (SURE,), limit, known[0], np.zeros(1, int), known[0], known[0][:, None], middle, width, weight[None], known[0][:, None],
        known[1][:, None], 1, 1, 0,
    )  # fmt: skip
    passes, fails = decision._long_run(draws, limit, *known)
    (_, over), _ = decision.split_components(middle, width, limit)
    return float(weight @ over), float(passes[0]), float(fails[0])


class TestAgainstClosedCases:
    def test_normal_gaps_and_normal_errors_give_the_normal_posterior(self) -> None:
        """The mean is drawn to the fleet's by its share of the variance (JCGM 106:2012, 7.2; any book on Bayes)."""
        error = gauge.GaugeError(bias=0.03, bias_u=0.0, repeat=0.05, step=0.005)
        draws = of_one_kind(expected_readings(0.42, 0.08, error, 40_000), error, draws=20)
        gain = 0.08**2 / (0.08**2 + 0.05**2)
        mean = 0.42 + gain * (draws.reading - 0.03 - 0.42)
        right = special.ndtr((mean - LIMIT) / (0.08 * np.sqrt(1 - gain)))
        seen = draws.count >= 40
        np.testing.assert_allclose(draws.over.mean(axis=0)[seen], right[seen], atol=0.02)

    def test_weights_are_the_most_likely_ones(self) -> None:
        """The climb against a general-purpose optimiser (scipy, SLSQP) on the same components."""
        rng = np.random.default_rng(3)
        reading = np.round(np.where(rng.random(300) < 0.8, 0.25, 0.6) + 0.05 * rng.standard_normal(300), 1)
        cells = fleet.group_readings(reading, u=0.05, step=0.1)
        at, width = fleet.lay_components(cells)
        likelihood, counts = fleet.tell_likelihood(cells, at, width), cells.count()

        def short(weight: np.ndarray) -> float:
            return -float(counts @ np.log(np.maximum(likelihood @ weight, 1e-300)))

        even = np.full(len(at), 1 / len(at))
        found = fleet.climb(likelihood, counts[None], even[None], steps=fleet.STEPS)[0]
        best = optimize.minimize(
            short, even, jac=lambda w: -(counts / np.maximum(likelihood @ w, 1e-300)) @ likelihood, method="SLSQP",
            bounds=[(0, 1)] * len(at), constraints={"type": "eq", "fun": lambda w: w.sum() - 1}, options={"maxiter": 500},
        )  # fmt: skip
        assert best.success
        assert short(found) == pytest.approx(best.fun, abs=fleet.ENOUGH)

    @pytest.mark.parametrize("case", NORMAL_FLEETS, ids=str)
    def test_global_risks_of_a_normal_fleet(self, case: Case) -> None:
        found = risks(np.array([0.40]), 0.06, np.array([1.0]), limit=LIMIT, bias=case.inputs["bias"], u=0.03)
        assert found[1] == pytest.approx(case.expected["consumer"], abs=2e-5, rel=2e-3)
        assert found[2] == pytest.approx(case.expected["producer"], abs=2e-5, rel=2e-3)

    def test_global_risks_of_the_ball_bearings(self) -> None:
        case = find_case("global risks of ball bearings")
        gap = stats.gamma(case.inputs["gamma_shape"], scale=case.inputs["gamma_scale"])
        at = np.linspace(0.005, 8, 1600)
        share = np.diff(gap.cdf(np.append(at - 0.0025, at[-1])))
        over, passes, fails = risks(
            at, 0.0025, share, limit=case.inputs["limit"], bias=0.0, u=case.inputs["u"]
        )
        assert over == pytest.approx(case.expected["over"], abs=2e-4)
        assert passes == pytest.approx(case.expected["consumer"], abs=5e-5)
        assert fails == pytest.approx(case.expected["producer"], abs=5e-5)

    def test_long_run_of_a_rule_is_the_global_risk(self) -> None:
        """Two ways to the same number: scipy's bivariate normal, with half a step more that passes."""
        error = gauge.GaugeError(bias=-0.04, bias_u=0.0, repeat=0.03)
        draws = of_one_kind(expected_readings(0.40, 0.06, error, 40_000), error, draws=30)
        rule = gauge.judge_rule(draws, 0)
        pair = stats.multivariate_normal([0.40, 0.36], [[0.06**2, 0.06**2], [0.06**2, 0.06**2 + 0.03**2]])
        both = pair.cdf([LIMIT, 0.505])
        passes, within = stats.norm.cdf(0.505, 0.36, np.hypot(0.06, 0.03)), stats.norm.cdf(LIMIT, 0.40, 0.06)
        assert rule.pass_share.estimate == pytest.approx(passes - both, abs=2e-3)
        assert rule.fail_share.estimate == pytest.approx(within - both, abs=2e-3)

    def test_draws_of_a_bias_follow_the_scaled_t(self) -> None:
        """JCGM 101:2008, 6.4.9.4: variance (nu / (nu - 2)) u^2 (from memory)."""
        error = gauge.GaugeError(bias=0.1, bias_u=0.01, repeat=0.02, bias_freedom=8, freedom=20)
        bias, u = decision.draw_errors(error, 200_000, np.random.default_rng(1))
        assert bias.mean() == pytest.approx(0.1, abs=2e-4)
        assert bias.var() == pytest.approx(8 / 6 * 1e-4, rel=0.03)
        # the variance over its draw is chi-square over its degrees of freedom, mean 1
        assert (error.u**2 / u**2).mean() == pytest.approx(1.0, abs=0.01)

    def test_four_standard_normals(self) -> None:
        """JCGM 101:2008, 9.2.2: the sum of four has standard uncertainty 2.0 and 95 % interval -3.92 to 3.92 (from memory)."""
        error = gauge.GaugeError(bias=0.0, bias_u=np.sqrt(3), repeat=1.0, step=1e-6)
        rng = np.random.default_rng(2)
        bias, u = decision.draw_errors(error, 400_000, rng)
        total = bias + u * rng.standard_normal(bias.size)
        assert total.std() == pytest.approx(2.0, abs=0.01)
        np.testing.assert_allclose(np.quantile(total, [0.025, 0.975]), [-3.92, 3.92], atol=0.03)


class TestOperatingCurve:
    def test_a_bias_moves_it_and_a_step_lets_half_of_it_more_pass(self) -> None:
        for bias in (-0.09, 0.0, 0.09):
            error = gauge.GaugeError(bias=bias, bias_u=0.0, repeat=0.02)
            assert gauge.pass_probability(0.505 - bias, error, limit=LIMIT) == pytest.approx(0.5)
        # a thousandth of an inch: 19 of them pass, 20 (.508 mm) do not
        inch = gauge.GaugeError(bias=0.0, bias_u=0.0, repeat=0.02, step=0.0254)
        assert gauge.pass_probability(19.5 * 0.0254, inch, limit=LIMIT) == pytest.approx(0.5)
        sharp = gauge.GaugeError(bias=0.0, bias_u=0.0, repeat=0.0, step=0.05)
        assert gauge.pass_probability([0.52, 0.53], sharp, limit=LIMIT).tolist() == [1.0, 0.0]

    def test_against_simulated_readings(self) -> None:
        rng = np.random.default_rng(4)
        error = gauge.GaugeError(bias=-0.03, bias_u=0.0, repeat=0.02, between=0.01, step=0.02)
        raw = 0.52 - 0.03 + error.u * rng.standard_normal(200_000)
        passed = (np.round(raw / 0.02) * 0.02 <= LIMIT + 1e-9).mean()
        assert gauge.pass_probability(0.52, error, limit=LIMIT) == pytest.approx(passed, abs=0.004)


def two_kinds(rng: np.random.Generator, engines: int = 100) -> tuple[np.ndarray, np.ndarray]:
    """Sound lifters at .2 mm and some around .55 mm."""
    engine = np.repeat(np.arange(engines), 8)
    spongy = (rng.random(engines)[engine] < 0.2) & (rng.random(engine.size) < 0.4)
    gap = np.where(spongy, 0.55, 0.2) * np.exp(0.2 * rng.standard_normal(engine.size))
    return gap, engine


class TestTheVerdict:
    @pytest.mark.parametrize(
        ("bias", "u", "bias_u", "freedom", "said"),
        [
            (0.0, 0.01, 0.003, 30, "serves"),
            (0.09, 0.01, 0.003, 30, "serves corrected"),
            (-0.09, 0.01, 0.003, 30, "serves corrected"),
            (0.0, 0.09, 0.003, 60, "does not serve"),
            (0.0, 0.02, 0.06, 30, "can't be told"),
            (0.0, 0.03, 0.003, 2, "can't be told"),
        ],
    )
    def test_bias_and_spread_both_count(self, bias, u, bias_u, freedom, said) -> None:
        rng = np.random.default_rng(5)
        gap = np.where(rng.random(800) < 0.05, 0.9, 0.2) * np.exp(0.12 * rng.standard_normal(800))
        shown = np.round((gap + bias + u * rng.standard_normal(800)) / 0.01) * 0.01
        error = gauge.GaugeError(bias, bias_u, u, freedom=freedom)
        draws = gauge.draw_fleet(
            shown, np.arange(800) // 8, np.zeros(800, int), [error], limit=LIMIT, draws=80
        )
        found = gauge.judge_gauge(draws, 0, need=gauge.load_need())
        assert found.verdict == said
        if said == "can't be told":
            size = gauge.size_further_study(draws, 0, need=gauge.load_need(), correction=bias)
            assert size is not None and size["readings"] >= 60

    def test_counts_are_of_the_gauges_own_readings(self) -> None:
        """A gauge that reads .09 mm low beside one that reads right: each bears its own wrong passes."""
        rng = np.random.default_rng(6)
        gap, engine = two_kinds(rng)
        place = engine % 2
        off = np.array([0.0, -0.09])[place]
        shown = np.maximum(np.round((gap + off + 0.02 * rng.standard_normal(gap.size)) / 0.01) * 0.01, 0)
        errors = [SURE, gauge.GaugeError(bias=-0.09, bias_u=0.005, repeat=0.02, freedom=20)]
        draws = gauge.draw_fleet(shown, engine, place, errors, limit=LIMIT, draws=80)
        for g in (0, 1):
            rule = gauge.judge_rule(draws, g)
            mine, fails = place == g, shown > LIMIT + 1e-9
            assert (rule.passed, rule.failed) == ((mine & ~fails).sum(), (mine & fails).sum())
            assert (
                rule.passed_wrongly.low <= (mine & ~fails & (gap > LIMIT)).sum() <= rule.passed_wrongly.high
            )
            assert (
                rule.failed_wrongly.low <= (mine & fails & (gap <= LIMIT)).sum() <= rule.failed_wrongly.high
            )
        low = gauge.judge_gauge(draws, 1, need=gauge.load_need())
        assert low.corrected.passed_wrongly.estimate < low.as_read.passed_wrongly.estimate / 2
        assert low.guarded is not None and low.guarded.accept < LIMIT
        assert low.guarded.pass_share.high <= gauge.load_need().wrong_passes
        assert low.guarded.fail_share.estimate >= low.as_read.fail_share.estimate

    def test_many_readings_put_together_keep_their_verdict(self) -> None:
        rng = np.random.default_rng(9)
        gap = np.abs(rng.normal(0.4, 0.2, 4000))
        gap[:6] = [0.5, 0.5004, 0.4996, 0.50001, 0.49999, 0.501]
        draws = gauge.draw_fleet(gap, np.arange(4000) // 8, np.zeros(4000, int), [SURE], limit=LIMIT, draws=3)
        assert len(draws.reading) < 1000
        assert gauge.judge_rule(draws, 0).failed == (gap > LIMIT + 1e-9).sum()

    def test_engines_weighted_in_groups_scatter_as_they_do_one_by_one(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Shares over the limit, engines unlike each other: the spread of draws holds with groups of six engines."""
        rng = np.random.default_rng(4)
        engine = np.repeat(np.arange(1800), 5)
        gap = np.abs(rng.normal(0.35, 0.1, 1800)[engine] + rng.normal(0.0, 0.03, engine.size)).round(2)

        def spread() -> float:
            draws = gauge.draw_fleet(gap, engine, np.zeros(engine.size, int), [SURE], limit=LIMIT, draws=150)
            return float((draws.weight @ (draws.middle > LIMIT)).std())

        alone = spread()
        by_lifter = np.sqrt((gap > LIMIT).mean() * (gap <= LIMIT).mean() / engine.size)
        monkeypatch.setattr(decision, "MOST_CLUSTERS", 300)
        assert spread() == pytest.approx(alone, rel=0.2)  # of 150 draws: 6 % each; of 300 clusters: 4 %
        assert alone > 1.6 * by_lifter

    def test_a_guard_band_never_goes_over_the_limit(self) -> None:
        high = gauge.GaugeError(bias=0.09, bias_u=0.005, repeat=0.02)
        draws = of_one_kind(np.array([0.29] * 300 + [0.56] * 40 + [0.9] * 30), high, draws=40)
        found = gauge.judge_gauge(draws, 0, need=gauge.load_need())
        assert found.guarded is not None and found.guarded.accept == LIMIT

    def test_bad_calls_are_one_line(self) -> None:
        with pytest.raises(ValueError, match="limit must be over 0 mm"):
            gauge.pass_probability(0.5, SURE, limit=0)
        with pytest.raises(ValueError, match="limit must be over 0 mm"):
            gauge.draw_fleet([0.3], ["E"], [0], [SURE], limit=float("nan"))
        with pytest.raises(NotEnoughData, match="readings over the gauge's step"):
            gauge.draw_fleet([0.3] * 3, ["E"] * 3, [0] * 3, [SURE], limit=LIMIT)
        with pytest.raises(ValueError, match="uncertainties must be 0 mm or more"):
            gauge.GaugeError(0.0, -1.0, 0.02)
        with pytest.raises(ValueError, match="degrees of freedom must be over 0"):
            gauge.GaugeError(0.0, 0.0, 0.02, freedom=0)


class TestThePlan:
    def draws(self, error: gauge.GaugeError) -> gauge.FleetDraws:
        rng = np.random.default_rng(7)
        gap, engine = two_kinds(rng, 60)
        shown = np.maximum(
            np.round((gap + error.bias + error.u * rng.standard_normal(gap.size)) / 0.01) * 0.01, 0
        )
        return gauge.draw_fleet(shown, engine, np.zeros(gap.size, int), [error], limit=LIMIT, draws=60)

    def test_ways_that_are_enough_come_first_and_cheapest_first(self) -> None:
        plan = gauge.plan_additions(
            self.draws(gauge.GaugeError(0.0, 0.03, 0.02, 0.008)), 0, need=gauge.load_need(), lifters=200
        )
        assert plan["enough"].is_monotonic_decreasing
        enough = plan[plan["enough"]]
        assert len(enough) and enough["minutes"].is_monotonic_increasing
        assert (enough["high"] <= gauge.load_need().wrong_passes).all()
        assert (plan["accept_mm"] <= LIMIT).all()

    def test_a_second_reading_against_simulation(self) -> None:
        """Wrong passes of lifters read twice near the limit, by drawing each reading."""
        error = gauge.GaugeError(0.0, 0.0, 0.03, 0.012)
        draws = self.draws(error)
        again = next(a for a in gauge.load_additions() if a.name == "read_again")
        near = planning._near_the_limit(draws, 0)
        wrong, share = planning._judge_way(draws, 0, near, (again, 1), bias_u=0.0)
        passes, fails = wrong(LIMIT)
        rng = np.random.default_rng(8)
        d = int(np.argsort(passes)[len(passes) // 2])
        at = rng.choice(len(draws.middle), 2_000_000, p=draws.weight[d])
        gap = draws.middle[at] + draws.width * rng.standard_normal(at.size)
        first, second = (gap + error.u * rng.standard_normal(at.size) for _ in range(2))
        close = np.abs(first - LIMIT) <= 2 * error.u
        passed = np.where(close, (first + second) / 2, first) <= 0.505
        assert passes[d] == pytest.approx((passed & (gap > LIMIT)).mean(), rel=0.05)
        assert fails[d] == pytest.approx((~passed & (gap <= LIMIT)).mean(), rel=0.05)
        assert share == pytest.approx(close.mean(), rel=0.3)

    def test_reference_pieces_narrow_the_bias(self) -> None:
        error = gauge.GaugeError(0.0, 0.03, 0.02, 0.0)
        assert planning.bias_after(error, 4, reference_u=0.0) == pytest.approx((0.03**-2 + 0.01**-2) ** -0.5)
        assert planning.bias_after(SURE, 4, reference_u=0.0) == 0.0


def test_degrees_of_freedom_come_back_from_their_own_interval() -> None:
    for freedom in (2.0, 7.0, 40.0):
        ratio = float(np.sqrt(freedom / stats.chi2.ppf(0.025, freedom)))
        assert decision.freedom_of_ratio(ratio, 0.95) == pytest.approx(freedom, rel=1e-6)


def test_bias_known_after_reference_pieces_by_hand() -> None:
    """Knowledge of .03 mm beside ten readings by two technicians on pieces known to .005: inverse squares added."""
    error = gauge.GaugeError(bias=0.02, bias_u=0.03, repeat=0.02, between=0.012)
    told = 0.005**2 + 0.012**2 / 2 + 0.02**2 / 10
    expected = 1 / np.sqrt(1 / 0.03**2 + 1 / told)
    assert planning.bias_after(error, 10, reference_u=0.005) == pytest.approx(expected)


def test_the_next_reading_under_an_end() -> None:
    """Steps of .01 mm: under .50 it is .49, under .505 it is .50; a last bit doesn't count."""
    ends = [0.50, 0.505, 0.1 + 0.2, 0.3 - 1e-12]
    assert [decision.step_under(end, 0.01) for end in ends] == pytest.approx([0.49, 0.50, 0.29, 0.29])


def test_what_a_way_costs_by_hand() -> None:
    """Setting up, readings of pieces, readings of lifters near the limit again, and what a sound lifter failed costs."""
    error = gauge.GaugeError(bias=0.0, bias_u=0.02, repeat=0.02, between=0.01)
    readings = np.array([0.29] * 300 + [0.48] * 30 + [0.55] * 30 + [0.90] * 40)
    pieces = planning.Addition("pieces", "pieces", planning.ONCE, 10.0, 2.0, (20,), reference_u_mm=0.005)
    again = planning.Addition("again", "again", planning.EACH, 5.0, 0.5, (2,))
    need = gauge.load_need()
    plan = gauge.plan_additions(
        of_one_kind(readings, error, draws=40), 0, need=need, lifters=100, additions=[pieces, again]
    )
    assert len(plan) == 4 and plan["read_again"].max() > 2
    for row in plan.to_dict("records"):
        minutes = (10 + 20 * 2.0) * (row["once"] != "") + row["wrong_failures"] * 100 * need.wrong_failure_min
        minutes += (5 + row["read_again"] * 2 * 0.5) * (row["each"] != "")
        assert row["minutes"] == pytest.approx(minutes)


@pytest.mark.parametrize("level", [0.95, 0.6])
def test_reaches_of_a_rule_are_quantiles_of_the_errors_drawn(level: float) -> None:
    """A lifter beyond either end gets the wrong verdict once in 20: 1.6449 errors from where an unrounded reading turns, .505
    less the correction put back; median and quantiles over the draws.
    """
    error = gauge.GaugeError(bias=0.02, bias_u=0.03, repeat=0.02, freedom=8.0)
    readings = np.array([0.29] * 60 + [0.48] * 10 + [0.55] * 10)
    draws = of_one_kind(readings, error, draws=200)
    rule = gauge.judge_rule(draws, 0, correction=0.02, level=level)
    bias, reach = draws.bias[:, 0], 1.6448536 * draws.u[:, 0]
    for found, told in (
        (rule.passes_over, 0.525 - bias + reach - LIMIT),
        (rule.fails_under, LIMIT - 0.525 + bias + reach),
    ):
        expected = np.quantile(told, [0.5, (1 - level) / 2, (1 + level) / 2])
        assert [found.estimate, found.low, found.high] == pytest.approx(expected.tolist(), abs=1e-7)


@pytest.mark.parametrize("added", [1, 4])
def test_readings_by_other_hands_are_worth_what_their_mean_is(added: int) -> None:
    """Weights by inverse squares make so many readings more one of u / sqrt(1 + added); only those far off are not read again."""
    error = gauge.GaugeError(bias=0.0, bias_u=0.0, repeat=0.03, between=0.04)
    draws = of_one_kind(np.array([0.29] * 60 + [0.48] * 20 + [0.55] * 20), error, draws=20)
    near = planning._near_the_limit(draws, 0)
    way = planning.Addition("again", "again", planning.EACH, 0.0, 1.0, (added,), same_hands=False)
    passes, _ = planning._judge_way(draws, 0, near, (way, added), bias_u=0.0)[0](LIMIT)
    fine = replace(near, u=near.u / np.sqrt(1 + added))
    expected, _ = planning._judge_way(draws, 0, fine, None, bias_u=0.0)[0](LIMIT)
    np.testing.assert_allclose(passes, expected, rtol=5e-3)
    plain, _ = planning._judge_way(draws, 0, near, None, bias_u=0.0)[0](LIMIT)
    assert (plain > 1.2 * passes).all()
