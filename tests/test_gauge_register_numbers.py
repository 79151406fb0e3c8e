"""Biases of gauges from crossed studies, from several studies and from routine use, against an analysis of variance by a library."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from calibrate import calibrate_gauge_drift as fleets
from calibrate.calibrate_gauge_drift import WRONG, Kind
from scipy import stats
from statsmodels.api import stats as tables_of
from statsmodels.formula.api import ols
from tests.test_gauge_register import routine_readings

from ventbook.physics import gauge
from ventbook.statistics import trends


def draw_study(
    *, people: int, lifters: int = 6, between: float, crossed: float, seed: int, name: str = "S1"
) -> pd.DataFrame:
    """Every technician reads every lifter twice; technicians and cells lie off by normal draws, mm."""
    rng = np.random.default_rng(seed)
    by_person, cell = rng.normal(0, between, people), rng.normal(0, crossed, (people, lifters))
    rows = [
        (
            name,
            "G1",
            f"L{j}",
            f"T{i}",
            r,
            0.1 * j + 0.1,
            0.1 * j + 0.15 + by_person[i] + cell[i, j] + rng.normal(0, 0.01),
        )
        for i in range(people)
        for j in range(lifters)
        for r in (1, 2)
    ]
    columns = ["study", "gauge", "lifter", "technician", "repeat", "reference_gap_mm", "gap_mm"]
    return pd.DataFrame(rows, columns=columns)


def mean_squares(readings: pd.DataFrame) -> tuple[pd.Series, pd.Series, float]:
    """Mean squares and degrees of freedom of the cells' mean errors by statsmodels, and their mean."""
    off = readings.assign(off=readings["gap_mm"] - readings["reference_gap_mm"])
    cells = off.groupby(["technician", "lifter"], as_index=False)["off"].mean()
    table = tables_of.anova_lm(ols("off ~ C(technician) + C(lifter)", cells).fit())
    return table["mean_sq"], table["df"], cells["off"].mean()


@pytest.mark.parametrize("seed", [1, 2])
def test_bias_of_a_crossed_study_carries_technicians_and_lifters(seed: int) -> None:
    """Two-way random model (Searle, Casella, McCulloch 1992): the mean's variance is (MS of technicians + MS of lifters - MS
    of the rest) / cells, degrees of freedom by Satterthwaite's formula, t interval over 2 x 1.96.
    """
    readings = draw_study(people=3, between=0.03, crossed=0.005, seed=seed)
    square, df, mean = mean_squares(readings)
    assert stats.f.sf(square.iloc[0] / square.iloc[2], df.iloc[0], df.iloc[2]) < 0.5
    lifters, people = max(square.iloc[1] - square.iloc[2], 0.0) / 18, square.iloc[0] / 18
    variance = lifters + people
    freedom = variance**2 / (lifters**2 / 5 + people**2 / 2)
    bias, u, n = gauge.bias_of_study(readings)
    assert (bias, n) == (pytest.approx(mean), 6)
    assert u == pytest.approx(stats.t.ppf(0.975, freedom) * np.sqrt(variance) / 1.96, rel=1e-9)


def test_technicians_alike_are_pooled_with_the_rest() -> None:
    """Where technicians differ less than chance lets them: sums of squares added, over degrees of freedom added."""
    readings = draw_study(people=3, between=0.0, crossed=0.02, seed=2)
    square, df, _ = mean_squares(readings)
    assert stats.f.sf(square.iloc[0] / square.iloc[2], df.iloc[0], df.iloc[2]) > 0.5
    rest = (square.iloc[0] * 2 + square.iloc[2] * 10) / 12 / 18
    lifters = max(square.iloc[1] - square.iloc[2], 0.0) / 18
    variance = lifters + rest
    freedom = variance**2 / (lifters**2 / 5 + rest**2 / 12)
    found = gauge.bias_of_study(readings)
    assert found is not None
    assert found[1] == pytest.approx(stats.t.ppf(0.975, freedom) * np.sqrt(variance) / 1.96, rel=1e-9)


def test_a_cell_without_a_reading_keeps_what_both_share() -> None:
    """One lifter read by two of three: nothing is taken out, variances of means by person and by lifter added."""
    readings = draw_study(people=3, between=0.02, crossed=0.01, seed=6)
    readings = readings[~((readings["technician"] == "T2") & (readings["lifter"] == "L0"))]
    off = readings.assign(off=readings["gap_mm"] - readings["reference_gap_mm"])
    cells = off.pivot_table(index="technician", columns="lifter", values="off")
    by_lifter = cells.mean()
    lifters = by_lifter.var() / 6
    people = cells.sub(by_lifter).mean(axis=1).var() / 3
    freedom = (lifters + people) ** 2 / (lifters**2 / 5 + people**2 / 2)
    bias, u, _ = gauge.bias_of_study(readings)
    assert bias == pytest.approx(by_lifter.mean())
    assert u == pytest.approx(stats.t.ppf(0.975, freedom) * np.sqrt(lifters + people) / 1.96, rel=1e-9)


def test_studies_are_weighted_by_what_each_knows_and_widened_where_they_contradict() -> None:
    """Inverse variances; Birge's ratio (1932, from memory): chi-square over degrees of freedom, never under one."""
    good, again = (draw_study(people=3, between=0.01, crossed=0.003, seed=s, name=f"S{s}") for s in (11, 12))
    off = again.assign(gap_mm=again["gap_mm"] + 0.4)
    for two in (again, off):
        row = gauge.rows_from_studies(pd.concat([good, two]))[0]
        (a, ua, _), (b, ub, _) = gauge.bias_of_study(good), gauge.bias_of_study(two)
        weights = np.array([ua**-2, ub**-2])
        mean = np.average([a, b], weights=weights)
        chi_square = ((a - mean) / ua) ** 2 + ((b - mean) / ub) ** 2
        assert (chi_square > 1) == (two is off)
        assert row.bias == pytest.approx(mean)
        assert row.bias_uncertainty == pytest.approx(np.sqrt(max(chi_square, 1.0) / weights.sum()))


def test_spread_between_technicians_holds_what_they_do_differently_on_single_lifters() -> None:
    """Components by the library's mean squares of single readings: two repeats, six lifters."""
    readings = draw_study(people=3, between=0.03, crossed=0.03, seed=3)
    row = gauge.rows_from_studies(readings)[0]
    table = tables_of.anova_lm(ols("gap_mm ~ C(technician) * C(lifter)", readings).fit())["mean_sq"]
    crossed = (table["C(technician):C(lifter)"] - table["Residual"]) / 2
    people = (table["C(technician)"] - table["C(technician):C(lifter)"]) / 12
    assert people > 0 and crossed > 0
    assert row.repeatability == pytest.approx(np.sqrt(table["Residual"]))
    assert row.between_technicians == pytest.approx(np.sqrt(people + crossed))


def test_a_comparison_has_the_uncertainty_of_its_interval() -> None:
    lifters = routine_readings(G2=0.09)
    odd = next(row for row in trends.draft_gauges(lifters)[0] if row.gauge == "G2")
    told = gauge.compare_routine_readings(lifters).set_index("gauge").loc["G2"]
    assert odd.bias == round(told["difference_mm"], 4)
    assert odd.bias_uncertainty == pytest.approx((told["high"] - told["low"]) / 3.92, abs=5.1e-5)


def test_a_gauge_whose_site_may_have_changed_is_not_drafted_as_drifting() -> None:
    """Gaps larger in proportion, as a site's would be: open whether gauge or site, so no row says drift."""
    _, lifters = fleets.draw_fleet(
        Kind("alone, in proportion", in_proportion=1.5), rng=np.random.default_rng(1)
    )
    gaps = trends.list_sound_gaps(lifters, period="step")
    (moved,) = [d for d in trends.find_gauge_drifts(gaps, period="step") if d.gauge == WRONG]
    assert moved.is_plain and moved.verdict == trends.OPEN
    rows, notes = trends.draft_gauges(lifters.rename(columns={"step": "quarter"}))
    assert not [row for row in rows if row.kind == "drift"] and not [n for n in notes if "moved" in n]


def readings_of_gauges(off: list[float]) -> pd.DataFrame:
    """Thirty ventings of eight sound lifters a gauge at one site, gauges G1, G2, ... off by so much (mm)."""
    rng = np.random.default_rng(7)
    rows = [
        {
            "venting_id": n,
            "engine_id": n // 2,
            "engine_type": "flat4",
            "site": "Lake",
            "gauge": f"G{n % len(off) + 1}",
            "date": pd.Timestamp("2026-01-01") + pd.Timedelta(days=n),
            "gap_first_mm": gap + off[n % len(off)],
        }
        for n in range(30 * len(off))
        for gap in rng.normal(0.3, 0.03, 8)
    ]
    return pd.DataFrame(rows)


def test_where_half_of_the_gauges_differ_the_draft_blames_none() -> None:
    """Two of four read .09 mm low and high; with a fifth and sixth that agree they are two of six, and named."""
    few, more = ([-0.09, 0.09, *[0.0] * others] for others in (2, 4))
    assert {row.kind for row in trends.draft_gauges(readings_of_gauges(few))[0]} == {"assumed"}
    kinds = {row.gauge: row.kind for row in trends.draft_gauges(readings_of_gauges(more))[0]}
    assert [name for name, kind in kinds.items() if kind == "comparison"] == ["G1", "G2"]


def test_the_one_right_gauge_of_three_is_not_drafted_without_saying_that_it_may_be() -> None:
    """Two of three read .08 mm high: by these records alone the third reads low, and they can't tell more."""
    said = "if it is they that are off, by as much the other way, this one is right; a study of any of them tells"
    (odd,) = [
        r for r in trends.draft_gauges(readings_of_gauges([0.0, 0.08, 0.08]))[0] if r.kind == "comparison"
    ]
    assert (odd.gauge, odd.bias) == ("G1", pytest.approx(-0.08, abs=0.01)) and said in odd.source
    (odd,) = [
        r for r in trends.draft_gauges(readings_of_gauges([0.08, *[0.0] * 4]))[0] if r.kind == "comparison"
    ]
    assert odd.gauge == "G1" and said not in odd.source


def test_whether_technicians_read_single_lifters_differently_is_the_librarys_f_test() -> None:
    """Mean squares of interaction over repeats, statsmodels' two-way analysis with repeats (library run)."""
    readings = draw_study(people=3, between=0.03, crossed=0.006, seed=3)
    values = readings["gap_mm"].to_numpy().reshape(3, 6, 2)
    table = tables_of.anova_lm(ols("gap_mm ~ C(technician) * C(lifter)", readings).fit())
    library = table.loc["C(technician):C(lifter)", "PR(>F)"]
    assert 0.01 < library < 0.9
    assert gauge.analyse_crossed(values).interaction_p == pytest.approx(library)


@pytest.mark.parametrize("level", [0.95, 0.8])
def test_bias_and_linearity_of_a_study_have_students_intervals(level: float) -> None:
    """scipy.stats: one-sample t test and linregress of six lifters' mean errors on their reference gaps (library run)."""
    readings = draw_study(people=2, between=0.01, crossed=0.01, seed=5)
    study = gauge.analyse_study(readings, limit=None, level=level)
    means = readings.groupby("lifter")[["gap_mm", "reference_gap_mm"]].mean()
    off = means["gap_mm"] - means["reference_gap_mm"]
    ends = stats.ttest_1samp(off, 0.0).confidence_interval(level)
    assert (study.bias.estimate, study.bias.low, study.bias.high) == pytest.approx(
        (off.mean(), ends.low, ends.high)
    )
    line = stats.linregress(means["reference_gap_mm"], off)
    half = stats.t.ppf(0.5 + level / 2, 4) * line.stderr
    found = (study.slope.estimate, study.slope.low, study.slope.high)
    assert found == pytest.approx((line.slope, line.slope - half, line.slope + half))


@pytest.mark.parametrize(
    ("first", "second"), [(12, 15), (220, 230)], ids=["left out one by one", "linearised"]
)
def test_two_gauges_on_single_engines_differ_by_students_law_on_engines(first: int, second: int) -> None:
    """One reading an engine: jackknife by hand up to 400 engines, beyond them squares of (y - mean) / n times G / (G - 1); t on
    engines less two, both sides.
    """
    rng = np.random.default_rng(9)
    a, b = rng.normal(0.24, 0.03, first), rng.normal(0.23, 0.05, second)
    engines = first + second
    lifters = pd.DataFrame(
        {
            "venting_id": range(engines),
            "engine_id": range(engines),
            "engine_type": "flat4",
            "site": "Lake",
            "gauge": ["A"] * first + ["B"] * second,
            "gap_first_mm": [*a, *b],
        }
    )
    if engines <= 400:
        left = [np.delete(a, i).mean() - b.mean() for i in range(first)]
        left += [a.mean() - np.delete(b, i).mean() for i in range(second)]
        error = np.sqrt((engines - 1) / engines * ((left - np.mean(left)) ** 2).sum())
    else:
        squares = ((a - a.mean()) ** 2).sum() / first**2 + ((b - b.mean()) ** 2).sum() / second**2
        error = np.sqrt(engines / (engines - 1) * squares)
    told = gauge.compare_routine_readings(lifters, level=0.9).set_index("gauge").loc["A"]
    difference, t = a.mean() - b.mean(), stats.t(engines - 2)
    assert told["difference_mm"] == pytest.approx(difference)
    assert (told["low"], told["high"]) == pytest.approx(
        (difference - t.ppf(0.95) * error, difference + t.ppf(0.95) * error)
    )
    assert told["p"] == pytest.approx(2 * t.sf(abs(difference) / error))
