"""How much a page may say: the evidence tier, from ``data/tiers.toml``.

list: cases only. describe: n of N, an interval, pictures. compare: groups side by side. model: adjusted effects.
A page's tier is the highest whose conditions all hold.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from typing import Any

from .dictionary import DATA, read_toml
from .results import Estimate, no_estimate

TIERS = ("list", "describe", "compare", "model")


@cache
def _conditions() -> dict[str, dict[str, Any]]:
    return read_toml(DATA / "tiers.toml")


def tier(
    *,
    ventings: int,
    findings: int,
    groups: Iterable[int] | None = None,
    coefficients: int | None = None,
    denominators_known: bool = True,
    overlap: bool = True,
) -> str:
    """The tier of a page on ``ventings`` ventings of which ``findings`` have a finding.

    ``groups`` are the ventings in each group compared (None: nothing is compared, so no tier above
    "describe"); ``coefficients`` the effects a model would fit (None: no model asked for);
    ``denominators_known`` is False where only findings were written down; ``overlap`` is False where groups
    never occur under the same other conditions.
    """
    need = _conditions()
    if ventings < need["describe"]["ventings"] or not denominators_known:
        return "list"
    sizes = list(groups or ())
    if (
        len(sizes) < 2
        or min(sizes) < need["compare"]["ventings_a_group"]
        or findings < need["compare"]["findings"]
        or not overlap
    ):
        return "describe"
    if (
        not coefficients
        or ventings < need["model"]["ventings"]
        or findings < need["model"]["findings_a_coefficient"] * coefficients
    ):
        return "compare"
    return "model"


def allows(have: str, need: str) -> bool:
    """Whether a page of tier ``have`` may show what takes tier ``need``."""
    for name in (have, need):
        if name not in TIERS:
            raise ValueError(f"tier must be one of {', '.join(TIERS)}; got {name!r}")
    return TIERS.index(have) >= TIERS.index(need)


def gate(estimate: Estimate, tier: str) -> Estimate:
    """The estimate, or none where the records only carry a list of cases (too few ventings, passes not written down)."""
    if tier != "list" or estimate.estimate is None:
        return estimate
    return no_estimate(
        "too_few",
        level=estimate.level,
        unit=estimate.unit,
        n=estimate.n,
        clusters=estimate.clusters,
        method=estimate.method,
        note="cases only",
    )
