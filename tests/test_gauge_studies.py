"""Gauge studies against published examples, planted truths and studies of every shape a workshop sends."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from reference_answers import study_frame
from ventbook.model import verdicts
from ventbook.physics import gauge
from ventbook.results import NotEnoughData


def draw_study(lifters=10, technicians=3, repeats=2, repeat=0.015, technician=0.01, interaction=0.0, seed=0):
    rng = np.random.default_rng(seed)
    true = np.exp(np.log(0.3) + 0.5 * rng.standard_normal(lifters))
    a = true[None, :, None] + technician * rng.standard_normal((technicians, 1, 1))
    a = a + interaction * rng.standard_normal((technicians, lifters, 1))
    a = a + repeat * rng.standard_normal((technicians, lifters, repeats))
    frame = study_frame(a)
    return frame.assign(reference_gap_mm=true[frame["lifter"].str[1:].astype(int)])


@pytest.mark.parametrize("technicians, technician", [(3, 0.01), (3, 0.03), (2, 0.02), (4, 0.0)])
def test_interval_of_the_gauge_uncertainty_covers(technicians, technician):
    hits, u = 0, np.hypot(0.015, technician)
    for seed in range(300):
        frame = draw_study(technicians=technicians, technician=technician, seed=seed)
        found = gauge.analyse_study(frame, limit=None).u
        hits += found.low <= u <= found.high
    # 95 % nominal, Monte Carlo error 1.3 points
    assert hits / 300 >= 0.92


def test_interval_of_one_mean_square_is_the_chi_square_one():
    from scipy.stats import chi2

    low, high = gauge.interval_of_sum([2.0], [7], [1.0], level=0.95)
    assert low == pytest.approx(2 * 7 / chi2.ppf(0.975, 7))
    assert high == pytest.approx(2 * 7 / chi2.ppf(0.025, 7))


def test_planted_bias_and_slope_are_found():
    frame = draw_study(lifters=12, seed=4)
    frame["gap_mm"] = frame["gap_mm"] + 0.04 + 0.1 * frame["reference_gap_mm"]
    study = gauge.analyse_study(frame, limit=0.5)
    mean = 0.04 + 0.1 * frame["reference_gap_mm"].mean()
    assert study.bias.low - 0.02 < mean < study.bias.high + 0.02
    assert study.slope.low < 0.1 < study.slope.high
    assert study.slope.low > 0


def test_unbalanced_study_goes_through_reml_and_agrees():
    frame = draw_study(lifters=15, repeats=3, seed=2)
    whole = gauge.analyse_study(frame, limit=0.5)
    part = gauge.analyse_study(frame.drop(index=[0, 7, 30, 31]), limit=0.5)
    assert (whole.shape, part.shape) == ("crossed", "unbalanced")
    assert part.method == "restricted maximum likelihood"
    assert part.u.estimate == pytest.approx(whole.u.estimate, rel=0.1)
    assert part.components["component"].tolist() == whole.components["component"].tolist()


def test_studies_of_every_shape_have_an_answer():
    frame = draw_study()
    one = gauge.analyse_study(frame[frame["technician"] == "T0"], limit=0.5)
    assert (one.state, one.shape) == ("estimated", "one_technician")
    assert "what technicians add is not in the number" in one.note
    own = frame[
        ((frame["technician"] == "T0") & (frame["lifter"] < "L4"))
        | ((frame["technician"] == "T1") & (frame["lifter"] >= "L4"))
    ]
    nested = gauge.analyse_study(own, limit=0.5)
    assert (nested.state, nested.shape) == ("estimated", "not_crossed")
    assert "no lifter was read by two technicians" in nested.note
    once = gauge.analyse_study(frame[frame["repeat"] == 1], limit=0.5)
    assert once.state == "estimated"
    assert "can't be told apart" in once.note
    empty = gauge.analyse_study(frame.head(0), limit=0.5)
    assert (empty.state, empty.u.estimate) == ("not_recorded", None)
    single = gauge.analyse_study(frame[frame["lifter"] == "L1"], limit=0.5)
    assert single.state == "too_few"
    assert "two lifters read twice each are the least" in single.note
    lonely = gauge.analyse_study(frame[(frame["technician"] == "T0") & (frame["repeat"] == 1)], limit=0.5)
    assert lonely.state == "too_few"
    equal = gauge.analyse_study(frame.assign(gap_mm=0.3), limit=0.5)
    assert (equal.state, equal.u.estimate) == ("too_few", None)
    assert "the reading step is coarser than the spread" in equal.note
    missing = gauge.analyse_study(frame.assign(gap_mm=np.nan), limit=None)
    assert missing.state == "not_recorded"
    with pytest.raises(ValueError, match="level must lie between 0 and 1"):
        gauge.analyse_study(frame, limit=0.5, level=95)


def test_findings_that_hang_on_the_gauge_are_counted():
    gap = pd.Series([0.3, 0.49, 0.51, 0.9, np.nan])
    p = pd.Series(gauge.over_limit_probability(gap, 0.02, 0.5))
    counts = gauge.count_on_the_gauge(p, gap > 0.5, pd.Series(verdicts.is_near(gap, 0.02, 0.5)))
    assert (counts["lifters"], counts["findings"], counts["near"]) == (4, 2, 2)
    assert (counts["findings_near"], counts["passes_near"]) == (1, 1)
    assert counts["expected_over"] == pytest.approx(2.0, abs=0.01)


def routine(offset=0.0, seed=0, one_site=False, ventings=160):
    rng = np.random.default_rng(seed)
    venting = np.repeat(np.arange(ventings), 8)
    name = np.where(
        np.arange(ventings) % 4 == 0, "G-high", np.where(np.arange(ventings) % 4 == 1, "G-b", "G-c")
    )
    site = rng.choice(["Harbour", "Lake"], ventings)
    if one_site:
        site = np.where(name == "G-high", "Ridge", site)
    gap = np.exp(
        np.log(0.2) + 0.3 * rng.standard_normal(ventings)[venting] + 0.4 * rng.standard_normal(venting.size)
    )
    return pd.DataFrame(
        {
            "venting_id": venting,
            "engine_id": (venting // 2),
            "engine_type": np.where((venting // 2) % 3 == 0, "flat6", "flat4"),
            "site": site[venting],
            "gauge": name[venting],
            "gap_first_mm": gap + np.where(name == "G-high", offset, 0)[venting],
        }
    )


def test_gauge_that_reads_high_is_seen_in_routine_records():
    table = gauge.compare_routine_readings(routine(0.08)).set_index("gauge")
    assert table.loc["G-high", "low"] > 0
    assert table.loc["G-high", "low"] < 0.08 < table.loc["G-high", "high"]
    assert "stands out" in table.loc["G-high", "note"]
    assert table.drop(index="G-high")["difference_mm"].abs().max() < 0.03
    alone = gauge.compare_routine_readings(routine(0.08, one_site=True)).set_index("gauge")
    assert "gauge and site can't be told apart" in alone.loc["G-high", "note"]


def test_innocent_gauges_are_rarely_accused():
    flags = [
        (gauge.compare_routine_readings(routine(seed=seed, ventings=80)).query("low > 0 or high < 0")).shape[
            0
        ]
        for seed in range(60)
    ]
    assert np.sum(flags) / (3 * 60) <= 0.10  # 5 % nominal, Monte Carlo error 1.6 points


def test_gauge_without_company_keeps_its_row():
    frame = routine().assign(gauge="G1")
    table = gauge.compare_routine_readings(frame)
    assert table["state"].tolist() == ["too_few"]
    assert gauge.compare_routine_readings(frame.assign(gauge=None)).empty
    with pytest.raises(ValueError, match="lifters lacks the columns gauge"):
        gauge.compare_routine_readings(frame.drop(columns="gauge"))


def test_plan_of_a_study():
    plan = gauge.plan_study()
    assert plan["readings"].is_monotonic_increasing
    small = plan.query("lifters == 10 and technicians == 2 and repeats == 2").iloc[0]
    large = plan.query("lifters == 10 and technicians == 4 and repeats == 2").iloc[0]
    assert small["factor"] > large["factor"] > 1
    assert gauge.choose_size(plan, factor=1.0) is None
    assert gauge.choose_size(plan, factor=1e9)["readings"] == plan["readings"].min()
    with pytest.raises(ValueError, match="repeat_sd must be over 0"):
        gauge.plan_study(repeat_sd=0)
    with pytest.raises(ValueError, match="takes two lifters, two technicians and two repeats"):
        gauge.plan_study(technicians=(1,))


def test_too_few_is_said():
    with pytest.raises(NotEnoughData, match="lifters: 1 available, 2 needed"):
        gauge.analyse_crossed([[[1.0, 2.0]]])
    with pytest.raises(NotEnoughData, match="labels of lifter"):
        gauge.fit_reml([1.0, 2.0], {"lifter": ["a", "a"]})
    with pytest.raises(NotEnoughData, match="line, different x values"):
        gauge.fit_line(np.array([1.0, 1.0, 1.0]), np.array([1.0, 2.0, 3.0]))
