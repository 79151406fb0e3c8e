"""The ranked list, held to its stated rule, and interactions as single hypotheses."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from ventbook import contexts

FACTORS = {factor.name: factor for factor in contexts.load_factors()}


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
    return contexts.rank_causes(contexts.screen_factors(jobs), factors=tuple(FACTORS.values()), **options)


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
    effects = contexts.screen_factors(make_fleet(2, both=6.0, ventings=1200))
    row = effects[effects["factor"] == "empty_cooler_unpressurised"].iloc[0]
    assert row["adjusted_low"] > 1.5
    assert row["q"] < 0.01
    assert np.isnan(row["stratified"])
    nothing = contexts.screen_factors(make_fleet(3, cooler=4.0, ventings=1200))
    assert nothing[nothing["factor"] == "empty_cooler_unpressurised"]["q"].iloc[0] > 0.05


def one_effect(**changes: object) -> pd.DataFrame:
    """Four rows alike but for what is changed in the first."""
    effects = contexts.screen_factors(make_fleet(1, cooler=4.0))
    row = effects[effects["factor"] == "cooler_empty"].iloc[[0]].assign(**changes)
    return contexts.settle_q(row)


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
    plain = contexts.score_effects(one_effect())
    row = contexts.score_effects(one_effect(**changes)).iloc[0]
    certainty = -np.log10(row["p"])
    expected = abs(row["log_effect"]) / 20.0 if factor is None else factor
    assert row["points"] == pytest.approx(min(certainty, 12) * expected)
    assert plain.iloc[0]["points"] == pytest.approx(min(certainty, 12))


@pytest.mark.parametrize("changes", [{"overlap": "none"}, {"direction": "lowers"}])
def test_what_cannot_be_told_apart_or_goes_against_expectation_is_a_hint_at_most(
    changes: dict[str, object],
) -> None:
    ranked = contexts.rank_causes(one_effect(**changes))
    assert ranked["standing"].tolist() == ["hint"]


def test_looking_at_more_lots_makes_each_less_certain() -> None:
    effects = contexts.screen_factors(make_fleet(5))
    lots = contexts.score_effects(effects[effects["factor"] == "lifter_lot"])
    least = lots["p"].min()
    raised = 1 - (1 - least) ** len(lots)
    assert lots.loc[lots["p"].idxmin(), "points"] <= -np.log10(raised) + 1e-12
    assert effects.loc[effects["factor"] == "lifter_lot", "q"].min() >= raised - 1e-12


def test_other_evidence_is_paid_for() -> None:
    effects = one_effect(evidence_p=1.0)
    assert contexts.score_effects(effects)["p"].iloc[0] == pytest.approx(
        2 * contexts.score_effects(one_effect())["p"].iloc[0]
    )


def test_every_factor_says_what_would_refute_it_and_what_to_check() -> None:
    for factor in FACTORS.values():
        assert factor.refute and factor.check, factor.name
        assert 1 <= factor.cost <= 5
        assert factor.matters("lifter_failure") > 1 < replace(factor).matters("time_to_pressure")
