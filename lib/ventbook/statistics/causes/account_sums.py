"""Sums of an account over quarters and sites, with ranges: how many failing ventings each cause has where and when."""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np
import pandas as pd

from ventbook.numerics import Floats
from ventbook.statistics.causes.account import Account
from ventbook.statistics.causes.account_tables import UNEXPLAINED
from ventbook.tables import evidence

SUM_COLUMNS = ("cause", "title", "ventings", "low", "high", "failing")
CHANGE_COLUMNS = ("cause", "title", "before", "after", "change", "low", "high", "moved")


def label_shares(account: Account) -> pd.DataFrame:
    """``venting_shares`` with every cause that is too small to be listed (a gauge's) among the unexplained."""
    shares = account.venting_shares
    return shares.assign(
        cause=shares["cause"].where(shares["cause"].isin(list(name_causes(account))), UNEXPLAINED)
    )


def sum_causes(
    account: Account, by: Sequence[str] = (), *, ventings: Collection[str] | None = None
) -> pd.DataFrame:
    """Failing ventings by cause, the unexplained last, within each group of ``by``.

    Parameters
    ----------
    account : of :func:`explain_failures`.
    by : any of "site" and "quarter"; none for all at once.
    ventings : only these, by id; their sums have no range. Default: all.

    Returns
    -------
    DataFrame
        ``by``, cause, title, ventings (sum of shares), low, high (ends of the account's interval: which cause, not
        how many will fail next), failing (of the group). Every group has a row for every named cause.
    """
    by = list(by)
    frame = label_shares(account)
    if ventings is not None:
        frame = frame[frame["venting_id"].isin(list(ventings))]
    titles = name_causes(account)
    groups = (
        [tuple(key) for key in account.cells[by].drop_duplicates().sort_values(by).to_numpy()] if by else [()]
    )
    rows = []
    for group in groups:
        own = frame
        for name, value in zip(by, group, strict=True):
            own = own[(own[name].astype("object").where(own[name].notna(), "") == value).to_numpy(bool)]
        drawn = draw_sums(account, dict(zip(by, group, strict=True))) if ventings is None else {}
        failing = int(own["venting_id"].nunique())
        for cause, title in titles.items():
            value = float(own.loc[own["cause"] == cause, "share"].sum())
            low, high = _ends(drawn[cause], value, account.level) if cause in drawn else (value, value)
            rows.append((*group, cause, title, value, low, high, failing))
    return pd.DataFrame(rows, columns=[*by, *SUM_COLUMNS])


def compare_causes(account: Account, before: Collection[str], after: Collection[str]) -> pd.DataFrame:
    """What rose and what fell between two sets of quarters, by cause.

    Parameters
    ----------
    account : of :func:`explain_failures`.
    before, after : quarters by label ("2026Q2"); as many ventings lie in them as do.

    Returns
    -------
    DataFrame
        cause, title, before, after (failing ventings), change, low, high, moved ("rose", "fell" or ""). The range holds both
        which cause a failure had and the chance that moves a count of failures (Poisson); moved where it leaves out 0.
    """
    rng = np.random.default_rng([account.seed, 11])
    titles = name_causes(account)
    whole = sum_causes(account, by=["quarter"])
    then, now = (_draw_quarters(account, quarters) for quarters in (before, after))
    rows = []
    for cause, title in titles.items():
        own = whole[whole["cause"] == cause]
        counts = [float(own.loc[own["quarter"].isin(list(q)), "ventings"].sum()) for q in (before, after)]
        change = counts[1] - counts[0]
        if cause not in then:
            rows.append((cause, title, *counts, change, np.nan, np.nan, ""))
            continue
        drawn = rng.poisson(np.maximum(now[cause], 0.0)) - rng.poisson(np.maximum(then[cause], 0.0))
        low, high = _ends(drawn.astype(np.float64), change, account.level)
        moved = "rose" if low > 0 else "fell" if high < 0 else ""
        rows.append((cause, title, *counts, change, low, high, moved))
    return pd.DataFrame(rows, columns=list(CHANGE_COLUMNS))


def name_causes(account: Account) -> dict[str, str]:
    """Titles of the named causes by name, the one with most failing ventings first; the unexplained last."""
    terms = account.terms[account.terms["standing"] == evidence.NAMED]
    return {**dict(zip(terms["name"], terms["title"], strict=True)), UNEXPLAINED: "no cause named"}


def draw_sums(account: Account, where: dict[str, str]) -> dict[str, Floats]:
    """Draws of failing ventings by cause, (draws,) each, in the cells with these values."""
    if not len(account.cell_draws):
        return {}
    mine = np.ones(len(account.cells), dtype=bool)
    for name, value in where.items():
        mine &= (account.cells[name] == value).to_numpy(bool)
    return _sum_cells(account, mine)


def _draw_quarters(account: Account, quarters: Collection[str]) -> dict[str, Floats]:
    if not len(account.cell_draws):
        return {}
    return _sum_cells(account, account.cells["quarter"].isin(list(quarters)).to_numpy(bool))


def _sum_cells(account: Account, mine: np.ndarray) -> dict[str, Floats]:
    sums = account.cell_draws[:, mine].sum(axis=1)
    titles = name_causes(account)
    named = {name: sums[:, i] for i, name in enumerate(account.drawn_causes) if name in titles}
    shares = account.venting_shares
    sites = shares["site"].astype("object").where(shares["site"].notna(), "").astype(str)
    quarters = shares["quarter"].astype("object").where(shares["quarter"].notna(), "").astype(str)
    cells = set(map(tuple, account.cells[mine].to_numpy()))
    inside = [pair in cells for pair in zip(sites, quarters, strict=True)]
    failing = shares.loc[inside, "venting_id"].nunique()
    return {**named, UNEXPLAINED: failing - np.sum(list(named.values()), axis=0)}


def _ends(drawn: Floats, value: float, level: float) -> tuple[float, float]:
    low, high = np.quantile(drawn, (0.5 - level / 2, 0.5 + level / 2))
    return min(float(low), value), max(float(high), value)
