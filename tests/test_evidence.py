"""The evidence tiers at their edges."""

import pytest

from ventbook import evidence


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
