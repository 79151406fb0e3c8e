"""A yearly course of failing and of circumstances, and names that can't be told from the season."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from calibrate import calibrate_worlds, worlds
from scipy import stats

from ventbook.reports import account, quarterly_review
from ventbook.statistics import causes

RNG_SEED = 11


def make_days(n: int, rng: np.random.Generator) -> pd.Series:
    return pd.Series(pd.Timestamp("2024-10-01") + pd.to_timedelta(rng.integers(0, 730, n), unit="D"))


def test_chance_is_that_of_shuffled_dates():
    """Against the share of 2000 shuffles within sites in which the same two waves fit as well (numpy, least squares)."""
    rng = np.random.default_rng(RNG_SEED)
    days, site = make_days(300, rng), pd.Series(rng.choice(["Ridge", "Plain"], 300))
    angle = 2 * np.pi * days.dt.day_of_year.to_numpy() / 365.25
    y = (rng.random(300) < 0.3 + 0.09 * np.cos(angle)).astype(float)
    chance, _ = causes.test_season(y, days, site=site, cluster=pd.Series(np.arange(300)))
    waves = np.column_stack([site.eq("Ridge"), site.eq("Plain"), np.cos(angle), np.sin(angle)]).astype(float)

    def explained(values: np.ndarray) -> float:
        within = values - pd.Series(values).groupby(site).transform("mean").to_numpy()
        fitted = waves @ np.linalg.lstsq(waves, within, rcond=None)[0]
        return float(np.sum(fitted**2))

    shuffled = []
    for _ in range(2000):
        other = y.copy()
        for name in ("Ridge", "Plain"):
            here = site.eq(name).to_numpy()
            other[here] = rng.permutation(y[here])
        shuffled.append(explained(other))
    share = np.mean(np.array(shuffled) >= explained(y))
    assert chance == pytest.approx(share, abs=4 * np.sqrt(share * (1 - share) / 2000) + 0.01)


def test_engines_without_a_course_come_out_at_the_rate_stated():
    """Engines that differ, each vented in its own months: p under .05 in no more than 5 of 100 by more than chance."""
    rng, hits = np.random.default_rng(RNG_SEED), 0
    for _ in range(400):
        engine = rng.integers(0, 100, 300)
        month = rng.integers(0, 730, 100)[engine] + rng.integers(0, 40, 300)
        days = pd.Series(pd.Timestamp("2024-10-01") + pd.to_timedelta(month, unit="D"))
        y = rng.random(300) < 1 / (1 + np.exp(1 - rng.normal(0, 1.5, 100)[engine]))
        site = pd.Series(np.array(["Ridge", "Plain"])[engine % 2])
        hits += causes.test_season(y, days, site=site, cluster=pd.Series(engine))[0] < 0.05
    assert stats.binom.sf(hits - 1, 400, 0.05) > 0.001


def test_sites_that_hand_in_at_other_times_of_year_are_no_season():
    """One site fails more and works in winter only: within the sites there is no course."""
    rng = np.random.default_rng(RNG_SEED)
    days = make_days(600, rng)
    winter = days.dt.month.isin([11, 12, 1, 2]).to_numpy()
    site = pd.Series(np.where(winter, "Ridge", "Plain"))
    y = rng.random(600) < np.where(winter, 0.6, 0.2)
    assert causes.test_season(y, days, site=site, cluster=pd.Series(np.arange(600)))[0] > 0.01
    assert (
        causes.test_season(y, days, site=pd.Series(["all"] * 600), cluster=pd.Series(np.arange(600)))[0]
        < 1e-6
    )


@pytest.mark.parametrize(
    "days", [[], ["2026-01-01"], ["2026-01-01", "2026-06-01"], ["2024-01-01", "2026-01-01"]]
)
def test_too_few_or_nothing_that_varies_is_no_course(days):
    date = pd.Series(pd.to_datetime(days))
    text = pd.Series(["x"] * len(days), dtype="str")
    assert causes.test_season(np.ones(len(days)), date, site=text, cluster=text)[0] == 1.0


@pytest.mark.parametrize(("season", "told"), [(True, True), (False, False)])
def test_a_circumstance_that_goes_with_the_season_as_failing_does_is_told(tmp_path, season, told):
    """An empty cooler acts in both fleets; in one it is commoner in winter, when lifters fail for another reason as well."""
    world = worlds.World("season", season=season, plant="cooler")
    reader = calibrate_worlds.Reader(calibrate_worlds.write_fleet(worlds.draw_world(world, 1), tmp_path))
    for name, report in (("spongy-lifters", None), ("quarterly-review", quarterly_review)):
        page = reader.open(name)
        with calibrate_worlds.without_pictures():
            shown = (
                report.answer(page).text
                if report
                else account.show_causes(page, account.load_account(page), tier="model").text
            )
        assert "cooler_empty" in account.load_account(page).terms["name"].tolist()
        assert (
            "Oil cooler empty before venting: it goes with the time of year as failing does" in shown
        ) is told
