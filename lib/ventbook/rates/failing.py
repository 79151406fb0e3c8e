"""Share of ventings and of lifters over the limit, from the table of ventings: the one way in which every report says it.

Where the ventings only make a list of cases (fewer than a share takes, or some written down only because something was
found), the counts stand and there is no share.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

import pandas as pd

from ventbook import evidence
from ventbook.rates.rechecks import cured_share
from ventbook.rates.shares import lifter_share, shares_by, venting_share
from ventbook.results import Estimate
from ventbook.verdicts import only_findings

Of = Literal["venting", "lifter"]
Check = Literal["first", "last"]
NUMBERS = ("estimate", "low", "high")
_FIELDS = ("level", "unit", "n", "clusters", "method", "state", "note")


def failing_share(
    jobs: pd.DataFrame, *, level: float, of: Of = "venting", check: Check = "first"
) -> Estimate:
    """Share of ventings with a lifter over the limit, or of lifters over it, at a check.

    Parameters
    ----------
    jobs : rows of the table of ventings (failed_*, lifters_over_*, lifters_judged_*, engine_id, recorded_because).
    of : "venting" (those with a known result) or "lifter" (those judged).

    Returns
    -------
    Estimate with unit "share", engines as clusters; state "too_few" where `failing_tier` is "list".
    """
    engine = jobs["engine_id"]
    if of == "venting":
        share = venting_share(jobs[f"failed_{check}"], cluster=engine, level=level)
    else:
        share = lifter_share(
            jobs[f"lifters_over_{check}"], jobs[f"lifters_judged_{check}"], cluster=engine, level=level
        )
    return evidence.gate(share, failing_tier(jobs, check=check))


def failing_by(
    jobs: pd.DataFrame,
    column: str,
    *,
    groups: Sequence[Any],
    level: float,
    of: Of = "venting",
    check: Check = "first",
) -> pd.DataFrame:
    """`failing_share` of each of ``groups`` of a column, one row a group in this order, none left out.

    Returns the columns of `shares_by` (counts stand where there is no share) and the row's ``tier``.
    """
    counted = {"failures": f"failed_{check}"}
    if of == "lifter":
        counted = {"failures": f"lifters_over_{check}", "lifters": f"lifters_judged_{check}"}
    table = shares_by(jobs, [column], level=level, groups={column: groups}, **counted)
    table["tier"] = [
        failing_tier(jobs[(jobs[column] == value).fillna(False).to_numpy(bool)], check=check)
        for value in table[column]
    ]
    for row in range(len(table)):
        gated = evidence.gate(estimate_of(table.iloc[row]), table["tier"].iloc[row])
        table.loc[row, ["state", "note"]] = [gated.state, gated.note]
        if gated.estimate is None:
            table.loc[row, list(NUMBERS)] = float("nan")
    return table


def failing_tier(jobs: pd.DataFrame, *, check: Check = "first") -> str:
    """What may be said of the share of these ventings that fail: "list" (cases only) or "describe"."""
    known = jobs[f"failed_{check}"].dropna()
    return evidence.tier(
        ventings=len(known), findings=int(known.sum()), denominators_known=not only_findings(jobs)
    )


def cured_lifters(lifters: pd.DataFrame, *, level: float) -> Estimate:
    """Share of lifters over the limit at the first check and read again after a run that were within then, from the
    table of lifters (over_first, over_last, extra_run_between, engine_id).
    """
    return cured_share(
        lifters["over_first"],
        lifters["over_last"],
        lifters["extra_run_between"],
        cluster=lifters["engine_id"],
        level=level,
    )


def estimate_of(row: pd.Series) -> Estimate:
    """An Estimate from a row of a frame of estimates."""
    values: dict[str, Any] = {name: row[name] for name in _FIELDS}
    values |= {name: None if pd.isna(row[name]) else float(row[name]) for name in NUMBERS}
    return Estimate(**values)
