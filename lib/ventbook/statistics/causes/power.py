"""How many ventings a question takes, and how large a difference these ventings could show at all."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy

from ventbook.results import NotEnoughData
from ventbook.statistics.rates import intra_engine_correlation


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
    """Ventings that it takes to tell two shares apart.

    Parameters
    ----------
    p1, p2 : float, 0..1
        The two shares.
    level : float
        Confidence level, 0.95 = 95 %; two-sided.
    power : float
        Chance to see the difference.
    ratio : float
        So many times as many ventings in the second group.

    Returns
    -------
    float
        Independent ventings in the first group.

    Notes
    -----
    Without continuity correction, as the intervals are that such a difference is judged by: with .10 against
    .05 at the 435 ventings a group that this gives, Newcombe's interval of the difference leaves out 0 in 81
    of 100 simulated cases.

    References
    ----------
    J. L. Fleiss, Statistical Methods for Rates and Proportions (1981), ch. 3; computed by statsmodels.

    Examples
    --------
    >>> import math
    >>> from ventbook.statistics import causes
    >>> math.ceil(causes.size_two_shares(0.10, 0.05))
    435
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
    """How many ventings it takes to see an odds ratio.

    Parameters
    ----------
    share_failing : float, 0..1
        Share with a finding on the side that is not exposed.
    share_exposed : float, 0..1
        Of ventings.
    odds_ratio : float
        On the odds that a venting has a finding.
    ventings : int
        Ventings there are already.
    per_engine : float
        Ventings that share an engine.
    correlation : float
        Their intra-engine correlation.
    level : float
        Confidence level, 0.95 = 95 %.
    power : float
        Chance to see it.

    Returns
    -------
    Need
        Ventings needed in all, and how many are missing.

    Examples
    --------
    >>> from ventbook.statistics import causes
    >>> few = causes.need_ventings(share_failing=0.2, share_exposed=0.3, odds_ratio=2.0, ventings=100)
    >>> many = causes.need_ventings(share_failing=0.2, share_exposed=0.3, odds_ratio=4.0, ventings=100)
    >>> few.ventings > many.ventings
    True
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
    """The smallest larger share that two groups of ventings could tell from a given one.

    Parameters
    ----------
    p0 : float, 0..1
        The given share.
    n1, n0 : int
        Ventings of the two groups.
    level : float
        Confidence level, 0.95 = 95 %.
    power : float
        Chance to see the difference.
    design_effect : float
        Both groups are shrunk by it (:func:`ventbook.statistics.rates.design_effect`).

    Returns
    -------
    float or None
        None where no share over ``p0`` could be told from it.

    Notes
    -----
    By :func:`size_two_shares`.

    Examples
    --------
    >>> from ventbook.statistics import causes
    >>> share = causes.detect_share(0.10, 100, 100)
    >>> 0.2 < share < 0.3
    True
    """
    if min(n1, n0) < 1:
        return None
    ratio, held = n0 / n1, n1 / design_effect

    def lacking(p1: float) -> float:
        return size_two_shares(p1, p0, level=level, power=power, ratio=ratio) - held

    top = 1 - 1e-6
    if p0 >= top - 1e-3 or lacking(top) > 0:
        return None
    return float(scipy.optimize.brentq(lacking, p0 + 1e-3, top)) if lacking(p0 + 1e-3) > 0 else p0 + 1e-3


def _correlate(failed: np.ndarray, engine: pd.Series) -> float:
    """How far ventings of one engine go together; 0 where nothing tells: every engine vented once, all or none failing."""
    try:
        return max(intra_engine_correlation(failed, np.ones(len(failed)), cluster=engine), 0.0)
    except NotEnoughData:
        return 0.0


def plan_ventings(effects: pd.DataFrame, jobs: pd.DataFrame, *, level: float) -> pd.DataFrame:
    """Yes/no circumstances whose effect is not known to matter or not, with the ventings that each needs, nearest to an answer first.

    ``effects`` as :func:`~ventbook.statistics.causes.screen_factors` gives them, ``jobs`` the ventings that they come from.
    """
    wanted = effects[
        (effects["kind"] == "yes_no") & (effects["exposed"] > 0) & (effects["against_matters"] != "larger")
    ]
    jobs = jobs[jobs["failed_first"].notna().to_numpy()]
    returned = jobs.groupby("engine_id").size()
    per_engine = float(returned.mean()) if len(returned) else 1.0
    failed = jobs["failed_first"].to_numpy(dtype=float)
    correlation = _correlate(failed, jobs["engine_id"]) if len(jobs) > 20 else 0.0
    rows = []
    for row in wanted.to_dict("records"):
        others = row["ventings"] - row["exposed"]
        if not others:
            continue
        share = (row["failing"] - row["exposed_failing"]) / others
        if not 0 < share < 1:
            continue
        need = need_ventings(
            share_failing=share, share_exposed=row["exposed"] / row["ventings"], odds_ratio=row["matters"], ventings=row["ventings"],
            per_engine=per_engine, correlation=correlation, level=level,
        )  # fmt: skip
        rows.append(
            {
                key: row[key]
                for key in ("factor", "title", "kind", "level", "reference", "ventings", "exposed", "matters")
            }
            | {
                "needed": need.ventings,
                "more": need.more,
                "share_exposed": need.share_exposed,
                "share_failing": share,
                "design_effect": need.design_effect,
            }
        )
    columns = [
        "factor",
        "title",
        "kind",
        "level",
        "reference",
        "ventings",
        "exposed",
        "matters",
        "needed",
        "more",
        "share_exposed",
        "share_failing",
        "design_effect",
    ]
    return (
        pd.DataFrame(rows, columns=columns)
        .sort_values(["more", "factor"], kind="stable")
        .reset_index(drop=True)
    )
