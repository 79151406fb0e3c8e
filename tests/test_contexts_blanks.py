"""Blanks held against failing, interactions as single hypotheses, and what can't be told from the site."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from ventbook.statistics import causes

FACTORS = {factor.name: factor for factor in causes.load_factors()}


def make_fleet(seed: int, *, cooler: float = 1.0, both: float = 1.0, ventings: int = 400) -> pd.DataFrame:
    """Ventings of two sites; an empty cooler, and a cooler empty without tank pressure, multiply the odds."""
    rng = np.random.default_rng(seed)
    engine = rng.integers(0, ventings // 2, ventings)
    jobs = pd.DataFrame(
        {
            "engine_id": [f"E{e}" for e in engine],
            "site": np.where(engine % 2, "Ridge", "Plain"),
            "cooler_empty": rng.random(ventings) < 0.4,
            "tank_overpressure_bar": np.where(rng.random(ventings) < 0.5, 0.5, 0.0),
            "filter_new": rng.random(ventings) < 0.5,
            "turned_backwards": rng.random(ventings) < 0.1,
            "lifter_lot": rng.choice(list("ABCD"), ventings),
        }
    )
    unpressurised = jobs["tank_overpressure_bar"] == 0
    logit = (
        -3.3 + np.log(cooler) * jobs["cooler_empty"] + np.log(both) * (jobs["cooler_empty"] & unpressurised)
    )
    logit = logit + rng.normal(0, 0.8, ventings)
    return jobs.assign(lifters_judged_first=8, lifters_over_first=rng.binomial(8, 1 / (1 + np.exp(-logit))))


def test_an_interaction_is_one_hypothesis_beside_its_parts() -> None:
    effects = causes.screen_factors(make_fleet(2, both=6.0, ventings=1200))
    row = effects[effects["factor"] == "empty_cooler_unpressurised"].iloc[0]
    assert row["adjusted_low"] > 1.5
    assert row["q"] < 0.01
    assert np.isnan(row["stratified"])
    nothing = causes.screen_factors(make_fleet(3, cooler=4.0, ventings=1200))
    assert nothing[nothing["factor"] == "empty_cooler_unpressurised"]["q"].iloc[0] > 0.05


def test_what_is_the_same_on_all_ventings_of_a_site_is_not_looked_at() -> None:
    jobs = make_fleet(4)
    ridge = jobs["site"] == "Ridge"
    jobs["site_elevation_m"] = np.where(ridge, 1200.0, 200.0)
    worse = ridge & (np.arange(len(jobs)) % 3 == 0)
    jobs.loc[worse, "lifters_over_first"] = 4
    factor = FACTORS["elevation"]
    jobs = jobs.rename(columns={"site_elevation_m": factor.column})
    effects = causes.screen_factors(jobs)
    row = effects[effects["factor"] == "elevation"].iloc[0]
    assert row["site_left"] < 1e-9 and row["crude_p"] < 1e-4
    assert np.isnan(row["q"])


def leave_blank(jobs: pd.DataFrame, column: str, *, sound: float, seed: int = 0) -> pd.DataFrame:
    """``jobs`` with yes in ``column`` blank on a share of the sound ventings: written down where something was found."""
    failing = jobs["lifters_over_first"] > 0
    yes = jobs[column].to_numpy(bool)
    gone = yes & ~failing.to_numpy() & (np.random.default_rng(seed).random(len(jobs)) < sound)
    return jobs.assign(**{column: jobs[column].astype("boolean").mask(gone)})


def test_what_is_written_down_where_something_was_found_shows() -> None:
    jobs = leave_blank(make_fleet(11, ventings=600), "turned_backwards", sound=0.7)
    blanks = causes.test_blanks(jobs)
    assert list(blanks.related) == ["turned_backwards"] and blanks.related["turned_backwards"] < -2.33


def test_sheets_that_are_fuller_where_something_was_found_show() -> None:
    jobs = make_fleet(12, cooler=6.0, ventings=600)
    sound = (jobs["lifters_over_first"] == 0).to_numpy()
    rng = np.random.default_rng(1)
    for column in ("cooler_empty", "filter_new", "turned_backwards"):
        gone = rng.random(len(jobs)) < np.where(sound, 0.3, 0.05)
        jobs[column] = jobs[column].astype("boolean").mask(gone)
    blanks = causes.test_blanks(jobs)
    assert blanks.sheet and blanks.sheet_z < -3.1


def test_blanks_are_asked_about_inside_sites_and_form_revisions() -> None:
    """A site that fails more and leaves more blank is no sheet filled in by what was found."""
    rng = np.random.default_rng(3)
    n = 800
    ridge = rng.random(n) < 0.5
    jobs = pd.DataFrame(
        {
            "site": np.where(ridge, "Ridge", "Plain"),
            "engine_id": [f"E{i}" for i in range(n)],
            "lifters_judged_first": 8,
            "lifters_over_first": (rng.random(n) < np.where(ridge, 0.4, 0.05)).astype(int),
            "cooler_empty": pd.array(rng.random(n) < 0.4, dtype="boolean"),
        }
    )
    jobs["cooler_empty"] = jobs["cooler_empty"].mask(rng.random(n) < np.where(ridge, 0.6, 0.1))
    inside = causes.test_blanks(jobs).columns.set_index("factor").loc["cooler_empty", "z"]
    across = causes.test_blanks(jobs.assign(site="all")).columns.set_index("factor").loc["cooler_empty", "z"]
    assert abs(inside) < 2.33 < across
    revised = causes.test_blanks(jobs.assign(site="all", form_revision=jobs["site"]))
    assert revised.columns.set_index("factor").loc["cooler_empty", "z"] == pytest.approx(inside)


def test_no_blanks_at_all_warn_of_nothing() -> None:
    blanks = causes.test_blanks(make_fleet(1))
    assert blanks.columns.empty and not blanks.sheet and blanks.related == {}


def leave_unchecked(seed: int, *, sound: float, sheet: float) -> pd.DataFrame:
    """A fleet in which ``sound`` of the sound ventings have no result, and ``sheet`` of their cells are blank against 3 %."""
    jobs, rng = make_fleet(seed), np.random.default_rng(seed + 1)
    failed = (jobs["lifters_over_first"] > 0).to_numpy()
    for name in ("cooler_empty", "filter_new", "turned_backwards", "lifter_lot"):
        kept = jobs[name].astype(object)
        kept[rng.random(len(jobs)) < np.where(failed, 0.03, sheet)] = None
        jobs[name] = kept if name == "lifter_lot" else kept.astype("boolean")
    known = failed | (rng.random(len(jobs)) >= sound)
    return jobs.assign(
        failed_first=pd.array(failed, dtype="boolean"), failed=failed, recorded_because="every_job",
        lifters_over_first=jobs["lifters_over_first"].where(known), lifters_judged_first=jobs["lifters_judged_first"].where(known),
    ).assign(failed_first=lambda f: f["failed_first"].where(known))  # fmt: skip


@pytest.mark.parametrize(
    ("sound", "sheet", "told"), [(0.25, 0.35, True), (0.25, 0.03, False), (0.0, 0.35, False), (0.02, 0.35, False)]
)  # fmt: skip
def test_unchecked_ventings_are_told_where_records_are_fuller_on_failing_ones(sound, sheet, told) -> None:
    jobs = leave_unchecked(3, sound=sound, sheet=sheet)
    found = causes.find_unchecked(jobs, level=0.95)
    assert found.told is told
    assert found.without == jobs["failed_first"].isna().sum()
    # every venting without a result is sound here, so this is the share that all of them have
    assert found.share.estimate == pytest.approx(jobs["failed"].mean())


def test_no_venting_at_all_leaves_nothing_unchecked() -> None:
    found = causes.find_unchecked(leave_unchecked(3, sound=0.2, sheet=0.3).iloc[:0], level=0.95)
    assert (found.without, found.told, found.share.estimate) == (0, False, None)
