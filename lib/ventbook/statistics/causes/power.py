"""How many ventings a question takes, and how large a difference these ventings could show at all."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize


@dataclass(frozen=True)
class Need:
    """What would settle one factor: ventings in all (both sides), how many more, and the design effect assumed."""

    ventings: int
    more: int
    share_exposed: float
    share_failing: float
    odds_ratio: float
    design_effect: float
    power: float
    level: float


def size_two_shares(
    p1: float, p2: float, *, level: float = 0.95, power: float = 0.80, ratio: float = 1.0
) -> float:
    """Ventings in the first group (``ratio`` times as many in the second) to tell two shares apart, independent
    ventings, two-sided.

    Without continuity correction, as the intervals are that such a difference is judged by: with .10 against .05 at the
    435 ventings a group that this gives, Newcombe's interval of the difference leaves out 0 in 81 of 100 simulated cases.

    Reference: Fleiss 1981, Statistical Methods for Rates and Proportions, ch. 3; computed by statsmodels.
    """
    for name, p in (("p1", p1), ("p2", p2)):
        if not 0 <= p <= 1:
            raise ValueError(f"{name} must lie between 0 and 1; got {p!r}")
    if p1 == p2:
        raise ValueError(f"p1 and p2 must differ; got {p1!r} twice")
    from statsmodels.stats.proportion import samplesize_proportions_2indep_onetail

    return float(
        samplesize_proportions_2indep_onetail(p1 - p2, p2, power, ratio=ratio, alpha=1 - level, value=0)
    )


def need_ventings(
    *,
    share_failing: float,
    share_exposed: float,
    odds_ratio: float,
    ventings: int,
    per_engine: float = 1.0,
    correlation: float = 0.0,
    level: float = 0.95,
    power: float = 0.80,
) -> Need:
    """How many ventings it takes to see ``odds_ratio`` on the odds that a venting has a finding.

    ``share_failing`` is the share on the side that is not exposed, ``share_exposed`` of ventings are exposed,
    ``ventings`` are there already, ``per_engine`` ventings share an engine with intra-engine ``correlation``.
    """
    if not 0 < share_exposed < 1:
        raise ValueError(f"share_exposed must lie between 0 and 1; got {share_exposed!r}")
    if odds_ratio <= 0 or odds_ratio == 1:
        raise ValueError(f"odds_ratio must be positive and not 1; got {odds_ratio!r}")
    p0 = min(max(share_failing, 0.005), 0.995)
    odds = p0 / (1 - p0) * odds_ratio
    p1 = odds / (1 + odds)
    first = size_two_shares(p1, p0, level=level, power=power, ratio=(1 - share_exposed) / share_exposed)
    design_effect = max(1 + (max(per_engine, 1.0) - 1) * max(correlation, 0.0), 1.0)
    total = int(np.ceil(first / share_exposed * design_effect))
    return Need(total, max(total - ventings, 0), share_exposed, p0, odds_ratio, design_effect, power, level)


def detect_share(
    p0: float, n1: int, n0: int, *, level: float = 0.95, power: float = 0.80, design_effect: float = 1.0
) -> float | None:
    """The smallest share over ``p0`` that groups of ``n1`` and ``n0`` ventings could tell from it; None if none.

    By :func:`size_two_shares`, both groups shrunk by ``design_effect``.
    """
    if min(n1, n0) < 1:
        return None
    ratio, held = n0 / n1, n1 / design_effect

    def lacking(p1: float) -> float:
        return size_two_shares(p1, p0, level=level, power=power, ratio=ratio) - held

    top = 1 - 1e-6
    if p0 >= top - 1e-3 or lacking(top) > 0:
        return None
    return float(optimize.brentq(lacking, p0 + 1e-3, top)) if lacking(p0 + 1e-3) > 0 else p0 + 1e-3
