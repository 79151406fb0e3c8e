"""The ranked list, held to its stated rule, and interactions as single hypotheses."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from ventbook.statistics import causes
from ventbook.tables import evidence

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


def rank(jobs: pd.DataFrame, **options: bool) -> pd.DataFrame:
    return causes.rank_causes(causes.screen_factors(jobs), factors=tuple(FACTORS.values()), **options)


def test_a_planted_cause_leads_with_its_refutation() -> None:
    first = rank(make_fleet(1, cooler=4.0)).iloc[0]
    assert (first["factor"], first["standing"], first["mechanism"]) == (
        "cooler_empty",
        "cause",
        "air left in",
    )
    assert first["refute"] == FACTORS["cooler_empty"].refute
    assert first["low"] < first["effect"] < first["high"]


def test_circumstances_without_effect_do_not_reach_the_list() -> None:
    listed = pd.concat([rank(make_fleet(seed)) for seed in range(10, 18)])
    assert (listed["standing"] == "cause").sum() <= 1
    assert len(listed) <= 3
    whole = rank(make_fleet(10), listed=False)
    assert (whole["standing"] == "not listed").any()
    assert whole["rank"].tolist() == list(range(1, len(whole) + 1))
    assert whole["points"].is_monotonic_decreasing


def test_an_interaction_is_one_hypothesis_beside_its_parts() -> None:
    effects = causes.screen_factors(make_fleet(2, both=6.0, ventings=1200))
    row = effects[effects["factor"] == "empty_cooler_unpressurised"].iloc[0]
    assert row["adjusted_low"] > 1.5
    assert row["q"] < 0.01
    assert np.isnan(row["stratified"])
    nothing = causes.screen_factors(make_fleet(3, cooler=4.0, ventings=1200))
    assert nothing[nothing["factor"] == "empty_cooler_unpressurised"]["q"].iloc[0] > 0.05


def one_effect(**changes: object) -> pd.DataFrame:
    """Four rows alike but for what is changed in the first."""
    effects = causes.screen_factors(make_fleet(1, cooler=4.0))
    row = effects[effects["factor"] == "cooler_empty"].iloc[[0]].assign(**changes)
    return causes.settle_q(row)


@pytest.mark.parametrize(
    ("changes", "factor"),
    [
        ({}, 1.0),
        ({"plausibility": "moderate"}, 0.85),
        ({"plausibility": "low"}, 0.6),
        ({"direction": "lowers"}, 0.3),
        ({"matters": np.exp(20.0)}, None),
    ],
)
def test_points_are_those_of_the_stated_rule(changes: dict[str, object], factor: float | None) -> None:
    plain = causes.score_effects(one_effect())
    row = causes.score_effects(one_effect(**changes)).iloc[0]
    certainty = -np.log10(row["p"])
    expected = abs(row["log_effect"]) / 20.0 if factor is None else factor
    assert row["points"] == pytest.approx(min(certainty, 12) * expected)
    assert plain.iloc[0]["points"] == pytest.approx(min(certainty, 12))


@pytest.mark.parametrize("changes", [{"overlap": "none"}, {"direction": "lowers"}])
def test_what_cannot_be_told_apart_or_goes_against_expectation_is_a_hint_at_most(
    changes: dict[str, object],
) -> None:
    ranked = causes.rank_causes(one_effect(**changes))
    assert ranked["standing"].tolist() == ["hint"]


def test_looking_at_more_lots_makes_each_less_certain() -> None:
    effects = causes.screen_factors(make_fleet(5))
    lots = causes.score_effects(effects[effects["factor"] == "lifter_lot"])
    least = lots["p"].min()
    raised = 1 - (1 - least) ** len(lots)
    assert lots.loc[lots["p"].idxmin(), "points"] <= -np.log10(raised) + 1e-12
    assert effects.loc[effects["factor"] == "lifter_lot", "q"].min() >= raised - 1e-12


def test_other_evidence_is_paid_for() -> None:
    effects = one_effect(evidence_p=1.0)
    assert causes.score_effects(effects)["p"].iloc[0] == pytest.approx(
        2 * causes.score_effects(one_effect())["p"].iloc[0]
    )


def test_every_factor_says_what_would_refute_it_and_what_to_check() -> None:
    for factor in FACTORS.values():
        assert factor.refute and factor.check, factor.name
        assert 1 <= factor.cost <= 5
        assert factor.matters("lifter_failure") > 1 < replace(factor).matters("time_to_pressure")


def test_a_cause_needs_the_share_of_the_quarters_allowance() -> None:
    share = evidence.load_budget().share(causes.FAMILY)
    asked = evidence.load_budget().hint_share(causes.FAMILY)
    for p, standing in ((share * 0.99, "cause"), (share * 1.01, "hint"), (asked * 1.01, "not listed")):
        ranked = causes.rank_causes(one_effect(adjusted_p=p), listed=False)
        assert ranked["p_any"].iloc[0] == pytest.approx(p)
        assert ranked["standing"].tolist() == [standing]


def test_the_smallest_of_many_p_is_raised_for_all_of_them() -> None:
    effects = causes.screen_factors(make_fleet(10))
    least = effects.dropna(subset=["p_any"]).sort_values("p_any").iloc[0]
    looked = effects.dropna(subset=["p_any"])["factor"].nunique()
    own = 1 - (1 - least["adjusted_p"]) ** (effects["factor"] == least["factor"]).sum()
    assert least["p_any"] == pytest.approx(min(own * looked, 1.0))


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
    assert np.isnan(row["q"]) and np.isnan(row["p_any"])
    assert "elevation" not in causes.rank_causes(effects, listed=False)["factor"].tolist()


def leave_blank(jobs: pd.DataFrame, column: str, *, sound: float, seed: int = 0) -> pd.DataFrame:
    """``jobs`` with yes in ``column`` blank on a share of the sound ventings: written down where something was found."""
    failing = jobs["lifters_over_first"] > 0
    yes = jobs[column].to_numpy(bool)
    gone = yes & ~failing.to_numpy() & (np.random.default_rng(seed).random(len(jobs)) < sound)
    return jobs.assign(**{column: jobs[column].astype("boolean").mask(gone)})


def test_what_is_written_down_where_something_was_found_is_a_hint_at_most_and_says_so() -> None:
    jobs = leave_blank(make_fleet(11, ventings=600), "turned_backwards", sound=0.7)
    blanks = causes.test_blanks(jobs)
    assert list(blanks.related) == ["turned_backwards"] and blanks.related["turned_backwards"] < -2.33
    effects = causes.screen_factors(jobs)
    warned = causes.rank_causes(effects, listed=False, blanks=blanks).set_index("factor")
    assert causes.rank_causes(effects).set_index("factor").loc["turned_backwards", "standing"] == "cause"
    assert warned.loc["turned_backwards", "standing"] == "hint"
    assert warned.loc["turned_backwards", "blanks"] == "fewer"
    assert (warned.drop("turned_backwards")["blanks"] == "").all()


def test_sheets_that_are_fuller_where_something_was_found_leave_nothing_to_name() -> None:
    jobs = make_fleet(12, cooler=6.0, ventings=600)
    sound = (jobs["lifters_over_first"] == 0).to_numpy()
    rng = np.random.default_rng(1)
    for column in ("cooler_empty", "filter_new", "turned_backwards"):
        gone = rng.random(len(jobs)) < np.where(sound, 0.3, 0.05)
        jobs[column] = jobs[column].astype("boolean").mask(gone)
    blanks = causes.test_blanks(jobs)
    assert blanks.sheet and blanks.sheet_z < -3.1
    effects = causes.screen_factors(jobs)
    assert (causes.rank_causes(effects)["standing"] == "cause").any()
    ranked = causes.rank_causes(effects, blanks=blanks)
    assert len(ranked) and (ranked["standing"] == "hint").all() and (ranked["blanks"] != "").all()


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
