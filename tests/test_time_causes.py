"""Naming of circumstances of waits: scores by hand, the simulated maximum against Holm, planted and innocent fleets."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from calibrate import calibrate_statements as statements
from scipy import stats

from ventbook.statistics import causes, time_causes, waiting_times
from ventbook.statistics.time_causes import effects, naming
from ventbook.tables import evidence

FAMILY = "times_and_counts.time_to_pressure"


def fit(jobs):
    return time_causes.fit_effects(jobs, outcome="time_to_pressure", family=FAMILY, level=0.95).naming


def standing(found, kind=evidence.NAMED):
    return set(found.rows.loc[found.rows["standing"] == kind, "factor"])


def nearly(values, every):
    """``values`` with every so many turned round."""
    out = values.to_numpy(bool).copy()
    out[::every] = ~out[::every]
    return out


def draw_company(seed, *, times=1.0, ventings=300):
    """Times with an empty cooler at work; new filter, empty lines and plugs keep it company (correlation about .5)."""
    rng = np.random.default_rng([31, seed])
    jobs, engine = statements.fleets.draw_context(rng, ventings=ventings, engines=2 * ventings // 5)
    cooler = jobs["cooler_empty"].to_numpy(bool)
    for name in ("filter_new", "lines_empty", "plugs_removed"):
        jobs[name] = np.where(rng.random(ventings) < 0.5, cooler, jobs[name].to_numpy(bool))
    jobs = statements.add_waits(jobs, engine, rng, times=times)
    return jobs.assign(wait_low=jobs["time_low_s"], wait_high=jobs["time_high_s"])


def test_the_score_of_a_circumstance_by_hand():
    """Log times 0, 1, 2 and 5 on four engines, the last two exposed: residuals -2, -1, 0, 3, variance 3.5.

    With l = log w - z^2 / 2, z = w log t - d x - d0 the second derivatives along (d, w) are -x^2, x log t and -1 / w^2 - (log t)^2;
    less the intercept the spread takes (sum of off z) / 8 of 1 - z^2, and information (sum of off z)^2 / 8.
    """
    waits = naming.Waits(*[np.exp([0.0, 1.0, 2.0, 5.0])] * 2, None, np.arange(4), 4, "log-normal")
    null = waits.fit((), [])
    score, cross, left = null.project(np.array([0.0, 0.0, 1.0, 1.0]))
    z, s = np.array([-2.0, -1.0, 0.0, 3.0]) / np.sqrt(3.5), np.sqrt(3.5)
    off = np.array([-0.5, -0.5, 0.5, 0.5])
    assert score == pytest.approx(off * z + (off @ z) / 8 * (1 - z**2), rel=1e-6)
    assert score.sum() == pytest.approx(3 / np.sqrt(3.5))
    assert left == pytest.approx(1.0 - (off @ z) ** 2 / 8, rel=1e-6)
    assert cross.sum(axis=0) == pytest.approx([0.0, 0.0], abs=1e-9)
    assert null.value == pytest.approx(stats.lognorm(s, scale=np.exp(2)).logpdf(np.exp([0, 1, 2, 5])).sum())


def test_covariates_are_taken_as_far_as_ten_ended_waits_each_go():
    """59 ended waits of 120 leave room for five columns: three for four sites, one each for two yes/no."""
    rng = np.random.default_rng(3)
    jobs = pd.DataFrame(
        {
            "site": np.array(["North", "South", "East", "West"])[np.arange(120) % 4],
            "engine_type": "flat4",
            "reason": np.array(["oil change", "overhaul"])[np.arange(120) // 60],
            "cooler_empty": pd.array(np.arange(120) % 3 == 0, dtype="boolean"),
            "lines_empty": pd.array(np.arange(120) % 5 == 0, dtype="boolean"),
            "oil_temperature_degC": np.where(np.arange(120) < 12, np.nan, rng.normal(18, 6, 120)),
            "suction_line_length_m": np.where(np.arange(120) < 30, np.nan, 1.5 + 0.1 * (np.arange(120) % 7)),
            "wait_high": np.where(np.arange(120) < 59, 3.0, np.inf),
        }
    )
    few = effects.code_covariates(jobs, "time_to_pressure")
    # one level only costs nothing
    told = few.frame.columns[[effects.count_columns(few.frame[name]) > 0 for name in few.frame]]
    assert told.tolist() == ["site", "cooler_empty", "lines_empty"]
    assert few.late == ("reason", few.factors["oil_temperature"].title)
    all_ended = effects.code_covariates(jobs.assign(wait_high=3.0), "time_to_pressure")
    assert all_ended.late == () and {"reason", "oil_temperature"} <= set(all_ended.frame)
    # a number on 3/4 of the ventings stays out; nine in ten are enough, the others taken at the mean
    assert dict(all_ended.thin)[all_ended.factors["suction_line_length"].title] == 0.75
    step = all_ended.frame["oil_temperature"]
    assert step[:12].tolist() == pytest.approx([step[12:].mean()] * 12)
    assert step[12:].corr(jobs["oil_temperature_degC"][12:]) == pytest.approx(1.0)


def test_a_wait_with_a_step_is_counted_from_its_earliest_moment():
    jobs = pd.DataFrame({"wait_low": [2.0], "wait_high": [4.0]})
    assert [ends.tolist() for ends in effects.read_waits(jobs)[:2]] == [[2.0], [4.0]]
    low, high, step = effects.read_waits(jobs.assign(wait_from=3.0, wait_step=1.0))
    assert (low.item(), high.item(), step.item()) == (3.0, 4.0, 1.0)


def test_the_regression_says_which_symmetric_shape_is_likelier():
    """Log-logistic waits: its likelihood beats the normal's of the same log times (scipy.stats.fit), at as many parameters."""
    waits = stats.fisk.ppf((np.arange(300) + 0.5) / 300, 4.0, scale=3.0)
    ours = waiting_times.fit_aft(waits, waits)
    log_logistic = stats.logistic.logpdf(np.log(waits), *stats.logistic.fit(np.log(waits))).sum()
    assert log_logistic > stats.norm.logpdf(np.log(waits), *stats.norm.fit(np.log(waits))).sum()
    assert effects._best_symmetric(ours) == "log-logistic"


def test_scores_shrink_by_what_sites_and_spread_take():
    """Log times -1, -1, 0, 0, 1, 1 at either of two sites, every second engine exposed, information 12 / 4 = 3.

    The sites take 2 of 12 parts. The spread: cross information off log t, squares .25 of 8 in all, over its own 12 (8 / 12) + 8,
    which is 2 / 16 of 3.
    """
    time, exposed = np.exp(np.tile([-1.0, -1.0, 0.0, 0.0, 1.0, 1.0], 2)), np.tile([0.0, 1.0], 6)
    null = naming.Waits(time, time, None, np.arange(12), 12, "log-normal").fit((), [np.repeat([0.0, 1.0], 6)])
    _, cross, left = null.project(exposed)
    assert left == pytest.approx(3.0)
    assert null.shrinkage(cross, left, np.arange(12), 12) == pytest.approx(1 - 2 / 12 - 2 / 16 / 3)


def test_the_simulated_maximum_by_hand():
    """Scores 1, .5, 0 and 1.5: of the 8 ways to give the first, second and last a sign 2 reach a sum of 3, 4 one of 2."""
    scores = np.array([[1.0], [0.5], [0.0], [1.5]])
    maxima = time_causes.simulate_maxima(scores, draws=20_000)
    size = np.sqrt(3.5)
    assert time_causes.chance_of_any(np.array([3 / size, 2 / size]), maxima) == pytest.approx(
        [0.25, 0.5], abs=0.015
    )
    # a second column that is the same, or its mirror image, or nothing, makes no difference
    for other in (scores, -2 * scores, 0 * scores):
        both = time_causes.simulate_maxima(np.hstack([scores, other]), draws=20_000)
        assert both == pytest.approx(maxima)
    assert time_causes.simulate_maxima(np.zeros((4, 1)), draws=5) == pytest.approx(np.zeros(5))


def test_the_records_own_score_counts_among_the_simulated_by_hand():
    """Maxima 1 to 4 and the own one: a score of 3 is reached by 3, 4 and itself, one of 5 by itself; never a chance of nought."""
    chances = time_causes.chance_of_any(np.array([3.0, -3.5, 5.0]), np.array([1.0, 2.0, 3.0, 4.0]))
    assert chances.tolist() == pytest.approx([3 / 5, 2 / 5, 1 / 5])


@pytest.mark.parametrize("engines", [150, 600])
def test_the_simulated_maximum_against_holm(engines):
    """Twenty circumstances: about Holm's where they are independent, far less severe where they keep company."""
    rng = np.random.default_rng(4)
    alone = rng.normal(size=(engines, 20))
    together = alone[:, :1] + 0.2 * alone
    p = np.full(20, 0.9)
    p[0] = 0.002
    holm = evidence.adjust_holm(p)[0]
    at = np.array([stats.norm.isf(p[0] / 2)])
    chance = [
        time_causes.chance_of_any(at, time_causes.simulate_maxima(scores, draws=40_000))[0]
        for scores in (alone, together)
    ]
    assert holm == pytest.approx(0.04)
    assert 0.8 * holm < chance[0] < 1.1 * holm
    assert p[0] < chance[1] < 0.4 * holm


def test_a_planted_cause_is_named_and_its_companions_are_not():
    exact = companions = 0
    for seed in range(12):
        named = standing(fit(draw_company(seed, times=1.5)))
        exact += named == {"cooler_empty"}
        companions += len(named - {"cooler_empty"})
    assert exact >= 8 and companions <= 3


def test_innocent_fleets_whose_circumstances_keep_company_name_nothing():
    assert not any(standing(fit(draw_company(seed, ventings=150))) for seed in range(15))


def test_a_declared_combination_of_two_named_takes_their_place():
    rng = np.random.default_rng(12)
    jobs, engine = statements.fleets.draw_context(rng, ventings=400, engines=160)
    dry = jobs["cooler_empty"].to_numpy(bool) & (jobs["tank_overpressure_bar"] == 0).to_numpy()
    jobs = statements.add_waits(jobs.assign(cooler_empty=dry), engine, rng, times=3.0).assign(
        cooler_empty=jobs["cooler_empty"]
    )
    found = fit(jobs.assign(wait_low=jobs["time_low_s"], wait_high=jobs["time_high_s"]))
    assert standing(found) == {"empty_cooler_unpressurised"}
    row = found.rows.iloc[0]
    assert row["low"] < 3.0 < row["high"]


def test_a_circumstance_of_whole_sites_is_never_named():
    jobs = draw_company(3)
    slow = (jobs["site"] == "Ridge").to_numpy(bool)
    jobs = jobs.assign(plugs_removed=slow)
    for name in ("wait_low", "wait_high"):
        jobs[name] = np.where(slow, 2.0, 1.0) * jobs[name]
    found = fit(jobs)
    assert found.site_bound == ("plugs_removed",)
    assert found.rows[["factor", "level", "standing"]].to_numpy().tolist() == [["site", "Ridge", "named"]]


def test_records_fuller_for_long_waits_are_asked_about_at_most():
    jobs = draw_company(1, times=1.8)
    short = (jobs["wait_high"] < jobs["wait_high"].median()).to_numpy(bool)
    rng = np.random.default_rng(2)
    jobs["cooler_empty"] = jobs["cooler_empty"].astype("boolean").mask(short & (rng.random(len(jobs)) < 0.3))
    found = fit(jobs)
    assert "cooler_empty" in found.blank_bound
    assert "cooler_empty" not in standing(found)
    assert "cooler_empty" in standing(found, evidence.HINT)


def test_rivals_that_explain_as_well_stand_beside_what_is_named():
    jobs = draw_company(5, times=1.6)
    found = fit(jobs.assign(plugs_removed=nearly(jobs["cooler_empty"], 80)))
    (row,) = found.rows[found.rows["standing"] == evidence.NAMED].to_dict("records")
    pair = {row["factor"], *(rival[0] for rival in row["rivals"])}
    assert pair >= {"cooler_empty", "plugs_removed"}


def test_a_product_is_no_where_either_part_is_and_blank_where_it_could_be_yes():
    one, two = (
        next(f for f in causes.load_factors() if f.name == n) for n in ("cooler_empty", "tank_pressurised")
    )
    product = next(f for f in causes.load_factors() if f.name == "empty_cooler_unpressurised")
    jobs = pd.DataFrame(
        {
            "cooler_empty": pd.array([True, True, False, True, None, None], dtype="boolean"),
            "tank_overpressure_bar": [0.0, 0.5, None, None, 0.0, 0.5],
        }
    )
    made = naming.make_product(product, causes.code_factors(jobs, [one, two]))
    assert made.x.tolist() == [1, 0, 0, 0, 0, 0]
    assert made.blank.tolist() == [False, False, False, True, True, False]


@pytest.mark.parametrize("ventings", [3, 25])
def test_few_ventings_name_nothing(ventings):
    found = time_causes.fit_effects(
        draw_company(2, times=3.0, ventings=ventings), outcome="time_to_pressure", family=FAMILY, level=0.95
    )
    assert found.too_few and found.naming.rows.empty


def test_one_site_and_a_wait_that_never_ended_do_not_fail():
    jobs = draw_company(6, times=1.6).assign(site="Harbour")
    assert "cooler_empty" in standing(fit(jobs))
    jobs["wait_high"] = np.inf
    assert fit(jobs).rows.empty
