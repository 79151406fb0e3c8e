"""Install context: published values, laws, and small fleets with a planted cause."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from reference_cases import find_case
from ventbook import numerics
from ventbook.statistics import causes
from ventbook.statistics.causes import fits, strata, table


def test_strata_without_a_difference_still_agree_or_not() -> None:
    """Two tables whose odds ratios are 4 and 1/4: pooled exactly 1, where the expected corner is the plain one.
    Worked by hand."""
    tables = np.array([[[4, 2], [2, 4]], [[2, 4], [4, 2]]])
    se, tarone, freedom = causes.compare_strata(tables)
    # corners 4 and 2 against 3 expected, variance 1 / (4 / 3) = .75 each
    assert (tarone, freedom) == (pytest.approx(2 / 0.75, rel=1e-5), 1)
    assert se > 0


def test_stratified_effect_of_single_lifters_is_close_to_the_unclustered_one() -> None:
    case = find_case("trial in eight centres, all digits")
    rows = [
        (stratum, x, y)
        for stratum, (a, b, c, d) in enumerate(case.inputs["tables"])
        for x, y, count in ((1, 1, a), (1, 0, b), (0, 1, c), (0, 0, d))
        for _ in range(count)
    ]
    stratum, x, y = np.array(rows).T
    effect, homogeneity = causes.estimate_stratified(
        x,
        y.astype(float),
        np.ones(len(y)),
        stratum=stratum,
        cluster=np.arange(len(y)),
        n_clusters=len(y),
        level=0.95,
    )
    assert effect is not None
    assert np.exp(effect.log) == pytest.approx(case.expected["odds_ratio"], abs=1e-6)
    assert np.exp(effect.low) == pytest.approx(case.expected["limits"][0], rel=0.05)
    assert homogeneity == pytest.approx(0.332987, abs=0.03)  # Breslow-Day p as printed by R


def test_q_is_benjamini_and_hochbergs_over_factors_with_sidaks_raise_for_levels() -> None:
    """scipy's false_discovery_control over the factors' p; a factor's is 1 - (1 - smallest of k levels)^k."""
    frame = pd.DataFrame(
        {
            "factor": ["cooler", "lot", "lot", "lot", "filter", "elevation", "tank"],
            "basis": ["adjusted", "crude", "crude", "crude", "adjusted", "adjusted", ""],
            "adjusted_p": [0.01, np.nan, 0.0001, np.nan, 0.04, 0.001, np.nan],
            "crude_p": [0.5, 0.02, 0.3, 0.9, 0.001, 0.5, np.nan],
            "site_left": [0.5, 0.03, 0.5, 0.5, 0.5, 0.02, 0.5],
        }
    )
    lot = 1 - (1 - np.array([0.02, 0.3, 0.9])) ** 3
    cooler, of_lot, filtered = stats.false_discovery_control([0.01, lot[0], 0.04])
    expected = [cooler, *np.maximum(of_lot, lot), filtered, np.nan, np.nan]
    assert table.settle_q(frame)["q"].tolist() == pytest.approx(expected, nan_ok=True)


def test_an_effect_is_shown_as_ratios() -> None:
    effect = fits.Effect(log=np.log(2.0), se=0.35, df=np.inf, low=0.0, high=np.log(4.0), p=0.03)
    assert table.effect_columns("crude", effect) == pytest.approx(
        {"crude": 2.0, "crude_low": 1.0, "crude_high": 4.0, "crude_p": 0.03}
    )


def plant_fleet(
    seed: int, *, odds_ratio: float = 1.0, ventings: int = 300, engines: int = 120
) -> pd.DataFrame:
    """Ventings of an invented fleet in which an empty cooler multiplies the odds of a spongy lifter."""
    rng = np.random.default_rng(seed)
    site = rng.integers(0, 4, engines)
    engine = rng.integers(0, engines, ventings)
    frame = pd.DataFrame(
        {
            "venting_id": [f"V{i:04}" for i in range(ventings)],
            "engine_id": [f"E{e}" for e in engine],
            "engine_type": "flat4",
            "reason": "overhauled_engine",
            "date": pd.Timestamp("2026-01-01") + pd.to_timedelta(rng.integers(0, 270, ventings), unit="D"),
            "site": np.array(["Harbour", "Ridge", "Plain", "Lake"])[site[engine]],
            "cooler_empty": rng.random(ventings) < 0.25,
            "filter_new": rng.random(ventings) < 0.5,
            "oil_temperature_degC": rng.normal(18, 6, ventings).round(),
            "lifter_lot": np.array(list("ABCDE"))[rng.integers(0, 5, ventings)],
            "turned_by": np.where(rng.random(ventings) < 0.3, "starter", "hand"),
        }
    )
    logit = -3.2 + np.log(odds_ratio) * frame["cooler_empty"] + rng.normal(0, 1.2, ventings)
    frame["lifters_judged_first"] = 8
    frame["lifters_over_first"] = rng.binomial(8, 1 / (1 + np.exp(-logit)))
    frame["failed_first"] = frame["lifters_over_first"].gt(0).astype("boolean")
    return frame


def one_row(frame: pd.DataFrame, factor: str, level: str = "yes") -> pd.Series:
    return frame[(frame["factor"] == factor) & (frame["level"] == level)].iloc[0]


def test_a_planted_cause_stands_out_and_keeps_its_size() -> None:
    row = one_row(causes.screen_factors(plant_fleet(3, odds_ratio=4.0)), "cooler_empty")
    assert row["crude_low"] < 4 < row["crude_high"] * 1.3  # the average over ventings is closer to 1
    assert row["q"] < 0.01
    assert row["adjusted_for"].startswith("site")
    assert row["overlap"] == "good"


def test_the_closed_form_equals_the_general_fit() -> None:
    jobs = plant_fleet(5, odds_ratio=2.0)
    row = one_row(causes.screen_factors(jobs), "cooler_empty")
    y, n = jobs["lifters_over_first"].to_numpy(float), jobs["lifters_judged_first"].to_numpy(float)
    design = np.column_stack([np.ones(len(jobs)), jobs["cooler_empty"]]).astype(float)
    cluster, engines = numerics.factorize(jobs["engine_id"])
    fit = causes.fit_binomial(design, y, n)
    effect = causes.estimate_contrast(
        fit, design, np.array([0.0, 1.0]), cluster=cluster, n_clusters=len(engines), level=0.95
    )
    found = np.log(row[["crude", "crude_low", "crude_high"]].to_numpy(float))
    assert found == pytest.approx([effect.log, effect.low, effect.high], rel=1e-8)


def test_the_sign_is_right_where_the_tank_is_pressurised_because_lines_are_empty() -> None:
    rng = np.random.default_rng(11)
    jobs = plant_fleet(11, ventings=2000, engines=600)
    empty = rng.random(2000) < 0.4
    pressurised = rng.random(2000) < np.where(empty, 0.85, 0.15)
    logit = -3 + np.log(4) * empty - np.log(2) * pressurised + rng.normal(0, 1, 2000)
    jobs = jobs.assign(
        lines_empty=empty,
        tank_overpressure_bar=np.where(pressurised, 0.5, 0.0),
        lifters_over_first=rng.binomial(8, 1 / (1 + np.exp(-logit))),
    )
    row = one_row(causes.screen_factors(jobs), "tank_pressurised")
    assert row["crude"] > 1.2
    assert row["adjusted_high"] < 1
    assert "lines_empty" in row["adjusted_for"]


def test_no_number_where_two_factors_always_came_together() -> None:
    jobs = plant_fleet(12)
    jobs = jobs.assign(
        lines_empty=jobs["cooler_empty"], tank_overpressure_bar=np.where(jobs["cooler_empty"], 0.5, 0.0)
    )
    row = one_row(causes.screen_factors(jobs), "tank_pressurised")
    assert (row["overlap"], row["overlap_share"]) == ("none", pytest.approx(0, abs=1e-9))
    assert np.isnan(row["adjusted"])
    assert "can't be told apart" in row["note"]


def test_a_consequence_of_the_venting_is_never_adjusted_for() -> None:
    jobs = plant_fleet(13, odds_ratio=3.0)
    rng = np.random.default_rng(13)
    jobs["rotations_ratio"] = np.exp(0.5 * jobs["cooler_empty"] + rng.normal(0, 0.1, len(jobs)))
    jobs["pressure_steady"] = np.where(jobs["cooler_empty"], "flickered", "steady")
    frame = causes.screen_factors(jobs)
    for outcome in causes.factors.OUTCOMES:
        never = {f.name for f in causes.load_factors() if outcome not in f.adjust}
        assert {"rotations_ratio", "pressure_unsteady", "tank_ran_low"} <= never
    assert not frame["adjusted_for"].str.contains("rotations_ratio|pressure_unsteady").any()
    assert one_row(frame, "cooler_empty")["overlap"] == "good"


def test_a_level_without_findings_gets_a_finite_interval() -> None:
    jobs = plant_fleet(14)
    jobs["turned_backwards"] = np.arange(300) < 25
    jobs.loc[jobs["turned_backwards"], "lifters_over_first"] = 0
    row = one_row(causes.screen_factors(jobs), "turned_backwards")
    values = row[["crude", "crude_low", "crude_high", "adjusted", "adjusted_low", "adjusted_high"]]
    assert np.isfinite(values.to_numpy(float)).all()
    assert row["adjusted_low"] > 0
    assert "Firth" in row["method"]


@pytest.mark.parametrize("ventings", [0, 3])
def test_a_filter_that_leaves_next_to_nothing_says_so(ventings: int) -> None:
    frame = causes.screen_factors(plant_fleet(15).iloc[:ventings])
    assert set(frame["state"]) <= {"too_few", "not_recorded"}
    assert frame["q"].isna().all()
    assert frame["factor"].nunique() > 20


def test_times_that_never_came_enter_as_lower_bounds() -> None:
    rng = np.random.default_rng(16)
    jobs = plant_fleet(16)
    time = np.exp(1.2 + np.log(1.5) * jobs["cooler_empty"] + rng.normal(0, 0.4, 300)).to_numpy()
    shut_down = time > 8
    jobs["time_low_s"] = np.where(shut_down, 8.0, np.maximum(time - 0.25, 0))
    jobs["time_high_s"] = np.where(shut_down, np.inf, time + 0.25)
    row = one_row(causes.screen_factors(jobs, outcome="time_to_pressure"), "cooler_empty")
    assert row["adjusted_low"] < 1.5 < row["adjusted_high"]
    assert row["adjusted_high"] / row["adjusted_low"] < 1.35
    assert shut_down.sum() > 10


def test_interval_regression_matches_least_squares_on_narrow_intervals() -> None:
    rng = np.random.default_rng(17)
    design = np.column_stack([np.ones(200), rng.normal(size=200)])
    y = design @ [1.0, 0.5] + rng.normal(0, 0.3, 200)
    fit = causes.fit_intervals(design, y - 1e-6, y + 1e-6)
    expected, *_ = np.linalg.lstsq(design, y, rcond=None)
    assert fit.beta == pytest.approx(expected, abs=1e-6)
    assert fit.scale == pytest.approx(np.std(y - design @ expected), rel=1e-5)


def test_interval_regression_matches_a_library_s_censored_fit() -> None:
    rng = np.random.default_rng(19)
    value = rng.normal(2.0, 0.5, 300)
    low, high = np.floor(value * 2) / 2, np.floor(value * 2) / 2 + 0.5
    low, high = np.where(value > 2.6, 2.6, low), np.where(value > 2.6, np.inf, high)
    fit = causes.fit_intervals(np.ones((300, 1)), low, high)
    closed = np.isfinite(high)
    data = stats.CensoredData(right=low[~closed], interval=np.column_stack([low[closed], high[closed]]))
    loc, scale = stats.norm.fit(data)
    assert fit.beta[0] == pytest.approx(loc, abs=2e-4)  # the library's simplex search stops at 1e-4
    assert fit.scale == pytest.approx(scale, abs=2e-4)


def test_cases_stand_beside_like_ventings_of_other_engines() -> None:
    jobs = plant_fleet(18, odds_ratio=4.0)
    matched = strata.match_cases(jobs)
    by = jobs.set_index("venting_id")
    for _, group in matched.groupby("set"):
        assert group["case"].tolist() == [True] + [False] * (len(group) - 1)
        assert len(group) <= 5
        members = by.loc[group["venting_id"]]
        assert members["engine_id"].iloc[0] not in set(members["engine_id"].iloc[1:])
        assert (members["lifters_over_first"].iloc[1:] == 0).all()
    one = group.reset_index(drop=True).assign(set=0)
    pd.testing.assert_frame_equal(strata.match_cases(jobs, venting=one["venting_id"][0]), one)
    row = one_row(strata.compare_cases(jobs), "cooler_empty")
    assert row["low"] > 1


def test_unknown_outcome_and_missing_columns_are_named() -> None:
    with pytest.raises(ValueError, match=r"outcome must be one of lifter_failure, .*; got 'gap'"):
        causes.screen_factors(plant_fleet(1), outcome="gap")
    with pytest.raises(ValueError, match="jobs lacks the columns lifters_over_first, site"):
        causes.screen_factors(plant_fleet(1).drop(columns=["lifters_over_first", "site"]))


def test_faults_of_the_factor_table_are_told_at_once(tmp_path: Path) -> None:
    table = tmp_path / "factors.toml"
    table.write_text(
        '[[factor]]\nname = "a"\ntitle = "t"\nkind = "maybe"\noutcomes = ["gap"]\nadjust = []\n'
        'mechanism = "wear"\nplausibility = "high"\ndirection = "raises"\n',
        encoding="utf-8",
    )
    with pytest.raises(
        ValueError, match=r"factors\.toml: .*kind must be one of .*; .*outcomes must be among"
    ):
        causes.load_factors(table)
