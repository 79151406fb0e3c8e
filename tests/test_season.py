"""The time of year as a nuisance: what goes with it is not named for it, what acts beside it is, and its wave is nobody's."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from calibrate import worlds

from ventbook.statistics import causes, time_causes
from ventbook.statistics.causes import season

LIFTERS, ENGINES = 8, 150


def draw_jobs(
    rng: np.random.Generator, *, ventings: int = 500, days: int = 730, harm: float = 0.0
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Ventings and lifters: findings come at .012 (1 + .8 cos) a lifter, highest at New Year, plus ``harm`` where the cooler was empty;
    nine coolers in ten are empty then and one in ten at midsummer.
    """
    date = pd.Series(pd.Timestamp("2024-10-01") + pd.to_timedelta(rng.integers(0, days, ventings), unit="D"))
    cosine = np.cos(2 * np.pi * date.dt.day_of_year.to_numpy() / 365.25)
    empty = rng.random(ventings) < 0.5 + 0.4 * cosine
    jobs = pd.DataFrame(
        {
            "venting_id": [f"V{i:04d}" for i in range(ventings)],
            "engine_id": [f"E{i:03d}" for i in rng.integers(0, ENGINES, ventings)],
            "site": rng.choice(["North", "South"], ventings), "date": date,
            "quarter": date.dt.to_period("Q").astype(str), "cooler_empty": pd.array(empty, dtype="boolean"),
            "lines_empty": pd.array(rng.random(ventings) < 0.4, dtype="boolean"),
        }
    )  # fmt: skip
    row = np.repeat(np.arange(ventings), LIFTERS)
    over = rng.random(len(row)) < (0.012 * (1 + 0.8 * cosine) + harm * empty)[row]
    lifters = jobs[["venting_id", "engine_id", "site", "date", "quarter"]].iloc[row].reset_index(drop=True)
    lifters["cylinder"] = np.tile(np.repeat(np.arange(1, 5), 2), ventings)
    lifters["valve"] = np.tile(["inlet", "exhaust"], 4 * ventings)
    lifters["over_first"] = pd.array(over, dtype="boolean")
    return jobs, lifters


def list_named(account: causes.Account) -> list[str]:
    return account.terms.loc[account.terms["standing"] == "named", "name"].tolist()


def test_what_only_goes_with_the_season_as_failing_does_is_not_named():
    """Without the wave the empty cooler is named in half of these fleets; the budget allows 1.8 %."""
    named = [
        list_named(causes.explain_failures(*draw_jobs(np.random.default_rng(seed)), draws=0))
        for seed in range(6)
    ]
    assert named == [[]] * 6


@pytest.fixture(scope="module")
def acting() -> tuple[causes.Account, pd.DataFrame]:
    jobs, lifters = draw_jobs(np.random.default_rng(4), harm=0.04)
    return causes.explain_failures(jobs, lifters, draws=60), jobs


def test_what_acts_beside_the_season_is_named_with_its_rate(acting):
    account, _ = acting
    assert list_named(account) == ["cooler_empty"]
    cooler = account.terms.iloc[0]
    assert cooler["rate_low"] < 0.04 < cooler["rate_high"]


def test_the_wave_is_in_the_unexplained_and_shares_add_up(acting):
    account, _ = acting
    by_venting = account.venting_shares.groupby("venting_id")["share"].sum()
    np.testing.assert_allclose(by_venting, 1.0, rtol=0, atol=1e-9)
    assert set(account.venting_shares["cause"]) == {"cooler_empty", "unexplained"}
    first = account.venting_shares.merge(acting[1][["venting_id", "date", "cooler_empty"]], on="venting_id")
    own = first[(first["cause"] == "unexplained") & first["cooler_empty"]]
    winter = own["date"].dt.month.isin([12, 1])
    assert own.loc[winter, "share"].mean() > own.loc[own["date"].dt.month.isin([6, 7]), "share"].mean()


def test_the_chance_of_a_venting_is_that_of_its_day(acting):
    """By hand: 1 - exp(-8 (base + cosine and sine of the day times the swing)); without a date the mean over the year."""
    account, _ = acting
    row = {"site": "North", "cooler_empty": False, "lifters_judged_first": LIFTERS}
    model = account.model
    base = model.theta["air"][0] + model.theta["leak_down"][0]
    for day in ("2026-12-31", "2027-04-01", "2027-07-01"):
        angle = 2 * np.pi * pd.Timestamp(day).day_of_year / 365.25
        wave = (model.swing["air"] + model.swing["leak_down"]) @ [np.cos(angle), np.sin(angle)]
        found = causes.chance_for(account, row | {"date": pd.Timestamp(day)})
        assert found.chance == pytest.approx(1 - np.exp(-LIFTERS * (base + wave)), abs=1e-12)
        assert found.low < found.chance < found.high
    assert causes.chance_for(account, row).chance == pytest.approx(1 - np.exp(-LIFTERS * base), abs=1e-12)
    # truth: .012 (1 +- .8) a lifter
    said = causes.predict_failing(
        account, pd.DataFrame([row | {"date": pd.Timestamp(d)} for d in ("2026-12-31", "2027-07-01")])
    )
    np.testing.assert_allclose(said, 1 - (1 - np.array([0.0216, 0.0024])) ** 8, atol=0.06)


def test_raised_waves_make_any_wave_and_fold_back_to_it():
    rng = np.random.default_rng(8)
    date = pd.Series(pd.date_range("2024-10-01", periods=731)).sample(300, random_state=1)
    columns = season.raise_waves(date)
    assert columns.min() >= 0 and columns.max() <= 1
    theta = rng.random(2 + 4 + 3)
    place = rng.integers(0, 2, 300)
    rates, swing = season.fold_waves(theta, 2, 4)
    np.testing.assert_allclose(
        theta[place] + columns @ theta[2:6], rates[place] + season.read_waves(date) @ swing, atol=1e-12
    )
    np.testing.assert_array_equal(rates[2:], theta[6:])


@pytest.mark.parametrize(
    "days", [[], [None, None], ["2026-01-01"], ["2026-01-01", "2026-12-31"], [None, "2026-02-01"]]
)
def test_records_of_less_than_a_year_have_no_wave(days):
    date = pd.Series(pd.to_datetime(pd.Series(days, dtype=object)))
    assert season.raise_waves(date).shape == (len(days), 0)
    rates, swing = season.fold_waves(np.array([0.1, 0.2, 0.3]), 2, 0)
    assert rates.tolist() == [0.1, 0.2, 0.3] and swing.tolist() == [0, 0]


def test_a_venting_without_a_date_stands_at_the_mean_of_the_year():
    date = pd.Series(pd.to_datetime(["2025-01-01", None, "2026-06-01"]))
    np.testing.assert_array_equal(season.raise_waves(date)[1], 0.5)
    np.testing.assert_array_equal(season.read_waves(date)[1], 0.0)


def test_short_records_are_accounted_for_without_a_wave():
    jobs, lifters = draw_jobs(np.random.default_rng(5), ventings=200, days=200)
    account = causes.explain_failures(jobs, lifters, draws=0)
    assert not account.model.swing["air"].any()
    assert len(account.model.theta["air"]) == 2 + len(account.model.terms["air"])


def test_of_a_swing_as_much_is_told_ahead_as_chance_leaves():
    """By hand: half the mean at 64 failing ventings has chi-squared 8, of which 2 are chance; a tenth has .32."""
    assert season.keep_swing(
        np.array([0.003, 0.004]), bases=np.array([0.005, 0.015]), failing=64.0
    ) == pytest.approx(0.75)
    assert season.keep_swing(np.array([0.001, 0.0]), bases=np.array([0.005, 0.015]), failing=64.0) == 0.0
    assert season.keep_swing(np.zeros(2), bases=np.array([0.005, 0.015]), failing=64.0) == 0.0
    assert season.keep_swing(np.ones(2), bases=np.zeros(0), failing=0.0) == 0.0
    assert season.keep_swing(np.full(2, 1e-190), bases=np.full(2, 1e-200), failing=0.0) == 0.0


def list_times(jobs: pd.DataFrame) -> list[str]:
    rows = time_causes.fit_effects(
        jobs, outcome="time_to_pressure", family="times_and_counts.time_to_pressure", level=0.95
    ).naming.rows
    return rows.loc[rows["standing"] == "named", "factor"].tolist()


@pytest.mark.parametrize(("ratio", "named"), [(1.0, []), (1.6, ["cooler_empty"])])
def test_times_that_have_a_season_name_only_what_acts_beside_it(ratio, named):
    """Waits a third longer at New Year than in the mean, by which the empty cooler would be named in each of these fleets."""
    for seed in range(3):
        rng = np.random.default_rng(100 + seed)
        drawn = worlds.draw_world(worlds.World("times", season=True), seed).tables
        jobs = drawn["ventings"].merge(
            drawn["engines"].drop(
                columns=list(set(drawn["ventings"]) & set(drawn["engines"]) - {"engine_id"})
            ),
            on="engine_id",
        )
        jobs["date"] = pd.to_datetime(jobs["date"])
        angle = 2 * np.pi * jobs["date"].dt.day_of_year.to_numpy() / 365.25
        jobs["cooler_empty"] = rng.random(len(jobs)) < 0.5 + 0.4 * np.cos(angle)
        waits = np.exp(
            1 + 0.29 * np.cos(angle) + np.log(ratio) * jobs["cooler_empty"] + rng.normal(0, 0.35, len(jobs))
        )
        assert list_times(jobs.assign(wait_low=waits, wait_high=waits)) == named
