"""How much a page may say: the evidence tier and the error budget, both from ``data/tiers.toml``.

Tier. list: cases only. describe: n of N, an interval, pictures. compare: groups side by side. model: adjusted effects.
A page's tier is the highest whose conditions all hold.

Budget. Everything that the reports of a quarter name as out of the ordinary (circumstances, signals, gauges) draws on one
allowance of false statements, shared out by families that each hold their share however many things they look at.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt

from ventbook.results import Estimate, no_estimate
from ventbook.shipped import DATA
from ventbook.tables.reader import TableError, read_toml

TIERS = ("list", "describe", "compare", "model")
#: What a family's p values allow: named in an answer, asked as a question beside it, or nothing.
NAMED, HINT, NOTHING = "named", "hint", ""


@cache
def _conditions() -> dict[str, dict[str, Any]]:
    return read_toml(DATA / "tiers.toml")


def need(name: str) -> Mapping[str, Any]:
    """The least numbers under which something stays unsaid: a table of ``data/tiers.toml`` by name."""
    return MappingProxyType(_conditions()[name])


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


@dataclass(frozen=True)
class Budget:
    """The quarter's allowance of false statements, by "class.family"; ``hints`` count statements and hints together."""

    total: float
    shares: Mapping[str, float]
    hints_total: float
    hints: Mapping[str, float]

    def share(self, family: str) -> float:
        """Chance that a family names anything where nothing acts. Raises ValueError for a family not in the table."""
        return _of(self.shares, family)

    def hint_share(self, family: str) -> float:
        """Chance that a family names or asks anything where nothing acts; its share where it has no hints."""
        return max(_of(self.shares, family), self.hints.get(family, 0.0))


def _of(shares: Mapping[str, float], family: str) -> float:
    if family not in shares:
        raise ValueError(f"no family of statements {family!r} in the budget; known: {', '.join(shares)}")
    return shares[family]


def load_budget(path: Path | str | None = None) -> Budget:
    """The error budget of ``data/tiers.toml`` (or of a file like it), checked; all faults in one TableError.

    The families' shares must add up to ``budget.total`` and the hints' to no more than ``hints.rate``; a family's hints
    take in its statements, so their share is no smaller, and they need a family in the budget.
    """
    path = Path(path) if path is not None else DATA / "tiers.toml"
    return _load_budget(path)


@cache
def _load_budget(path: Path) -> Budget:
    tables = read_toml(path)
    faults: list[str] = []
    totals, families = {}, {}
    for table, key in (("budget", "total"), ("hints", "rate")):
        given = dict(tables.get(table, {}))
        totals[table] = given.pop(key, float("nan"))
        families[table] = {f"{name}.{k}": v for name, part in given.items() for k, v in part.items()}
        for name, share in [(key, totals[table]), *families[table].items()]:
            if not 0 < share < 1:
                faults.append(f"{table}: {name} must lie between 0 and 1; got {share}")
    shares, hints = families["budget"], families["hints"]
    spent, asked = math.fsum(shares.values()), math.fsum(hints.values())
    if not math.isclose(spent, totals["budget"], abs_tol=1e-9):
        faults.append(f"budget: the shares add up to {spent:g}, total says {totals['budget']:g}")
    asked += math.fsum(share for family, share in shares.items() if family not in hints)
    if asked > totals["hints"] + 1e-9:
        faults.append(
            f"hints: with the families that have none they add up to {asked:g}, over {totals['hints']:g}"
        )
    for family, share in hints.items():
        if share < shares.get(family, math.inf):
            faults.append(f"hints: {family} needs a family of that name in the budget with no larger a share")
    if faults:
        raise TableError(f"{path.name}: " + "; ".join(faults))
    return Budget(totals["budget"], shares, totals["hints"], hints)


def adjust_holm(p: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """``p`` raised for having looked at all of them: the chance of any so small where nothing acts, step by step.

    NaN is not looked at and stays NaN. Holds however the tests hang together. Reference: Holm 1979, Scand. J. Stat. 6:65.
    """
    p = np.asarray(p, dtype=np.float64)
    out = np.full(p.shape, np.nan)
    looked = np.flatnonzero(~np.isnan(p))
    order = looked[np.argsort(p[looked], kind="stable")]
    raised = p[order] * np.arange(len(order), 0, -1)
    out[order] = np.minimum(np.maximum.accumulate(raised), 1.0) if len(order) else raised
    return out


def judge_family(p: npt.ArrayLike, family: str, *, adjusted: bool = False) -> npt.NDArray[np.object_]:
    """What each of a family's p values allows: NAMED, HINT or NOTHING (NaN: nothing).

    ``p`` are one quarter's p values of everything that the family looks at, raised here by :func:`adjust_holm`, or
    ``adjusted`` already (by a simulated maximum, say).
    """
    raised = np.asarray(p, dtype=np.float64) if adjusted else adjust_holm(p)
    budget = load_budget()
    out = np.full(raised.shape, NOTHING, dtype=object)
    out[raised <= budget.hint_share(family)] = HINT
    out[raised <= budget.share(family)] = NAMED
    return out
