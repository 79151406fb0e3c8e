"""The evidence tiers at their edges."""

import numpy as np
import pytest
from statsmodels.stats.multitest import multipletests

from ventbook.tables import DATA, TableError, evidence


@pytest.mark.parametrize(
    ("facts", "expected"),
    [
        ({"ventings": 4, "findings": 0}, "list"),
        ({"ventings": 5, "findings": 0}, "describe"),
        ({"ventings": 500, "findings": 100, "denominators_known": False}, "list"),
        ({"ventings": 500, "findings": 100}, "describe"),
        ({"ventings": 40, "findings": 10, "groups": [20, 20]}, "compare"),
        ({"ventings": 39, "findings": 10, "groups": [20, 19]}, "describe"),
        ({"ventings": 40, "findings": 9, "groups": [20, 20]}, "describe"),
        ({"ventings": 40, "findings": 10, "groups": [20, 20], "overlap": False}, "describe"),
        ({"ventings": 40, "findings": 20, "groups": [20, 20], "coefficients": 2}, "model"),
        ({"ventings": 40, "findings": 19, "groups": [20, 20], "coefficients": 2}, "compare"),
    ],
)
def test_tier(facts, expected):
    assert evidence.tier(**facts) == expected


def test_allows_is_an_order():
    assert evidence.allows("model", "compare")
    assert not evidence.allows("describe", "compare")
    with pytest.raises(ValueError, match="tier must be one of list, describe, compare, model"):
        evidence.allows("great", "list")


def test_the_budget_of_a_quarter_adds_up_to_five_in_a_hundred():
    budget = evidence.load_budget()
    assert budget.total == 0.05
    classes = {family.split(".")[0] for family in budget.shares}
    assert classes == {"named_causes", "times_and_counts", "review_signals", "alarms", "gauge"}
    assert sum(budget.shares.values()) == pytest.approx(0.05)
    assert budget.hints_total == 0.10
    assert sum(budget.hint_share(family) for family in budget.shares) <= 0.10 + 1e-9


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        ("circumstances = 0.018", "circumstances = 0.019", "the shares add up to 0.051, total says 0.05"),
        ("circumstances = 0.018", "circumstances = 0", "named_causes.circumstances must lie between 0 and 1"),
        ("rate = 0.10", "rate = 0.05", "over 0.05"),
        ("circumstances = 0.035", "circumstances = 0.001", "named_causes.circumstances needs a family"),
        ("[hints.gauge]\nroutine", "[hints.gauge]\nunheard_of", "gauge.unheard_of needs a family"),
    ],
)
def test_a_budget_that_does_not_add_up_is_an_error(tmp_path, old, new, fault):
    text = (DATA / "tiers.toml").read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / "tiers.toml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(TableError, match=fault):
        evidence.load_budget(path)


def test_holm_agrees_with_statsmodels():
    # statsmodels 0.15, multipletests(method="holm")
    p = np.random.default_rng(5).random(30) ** 3
    np.testing.assert_allclose(evidence.adjust_holm(p), multipletests(p, method="holm")[1])
    assert np.isnan(evidence.adjust_holm([np.nan, 0.01])[0])
    assert evidence.adjust_holm([np.nan, 0.01])[1] == 0.01
    assert len(evidence.adjust_holm([])) == 0


def test_a_family_names_within_its_share_asks_within_its_hints_and_else_is_silent():
    family = "times_and_counts.time_to_pressure"
    budget = evidence.load_budget()
    named, asked = budget.share(family), budget.hint_share(family)
    assert evidence.judge_family([named, asked, asked * 1.01, np.nan], family, adjusted=True).tolist() == [
        evidence.NAMED, evidence.HINT, evidence.NOTHING, evidence.NOTHING,
    ]  # fmt: skip
    # twenty looked at: the smallest is raised twenty times
    assert evidence.judge_family([named / 20, *np.ones(19)], family)[0] == evidence.NAMED
    assert evidence.judge_family([named / 19, *np.ones(19)], family)[0] == evidence.HINT
    assert budget.hint_share("alarms.monitor") == budget.share("alarms.monitor")
    with pytest.raises(ValueError, match="no family of statements 'weather'"):
        evidence.judge_family([0.1], "weather")
