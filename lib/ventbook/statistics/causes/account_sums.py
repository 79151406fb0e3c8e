"""Sums of an account over quarters and sites, with ranges: how many failing ventings each cause has where and when."""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np
import pandas as pd

from ventbook import distributions as stats
from ventbook.numerics import Floats
from ventbook.statistics.causes.account import Account
from ventbook.statistics.causes.account_tables import UNEXPLAINED
from ventbook.statistics.rates import binomial_interval
from ventbook.tables import evidence

SUM_COLUMNS = ("cause", "title", "ventings", "low", "high", "failing")
LEAST_LOOKED = 5.0
CHANGE_COLUMNS = ("cause", "title", "before", "after", "change", "low", "high", "moved")


def label_shares(account: Account) -> pd.DataFrame:
    """``venting_shares`` with every cause that is too small to be listed (a gauge's) among the unexplained."""
    return _label(account, account.venting_shares)


def _label(account: Account, shares: pd.DataFrame) -> pd.DataFrame:
    listed = shares["cause"].isin(list(name_causes(account)))
    return shares.assign(cause=shares["cause"].where(listed, UNEXPLAINED))


def sum_causes(
    account: Account, by: Sequence[str] = (), *, ventings: Collection[str] | None = None
) -> pd.DataFrame:
    """Failing ventings by cause, the unexplained last, within each group.

    Parameters
    ----------
    account : Account
        As :func:`explain_failures` gives it.
    by : sequence of str
        Any of "site" and "quarter"; none for all at once.
    ventings : collection of str, optional
        Only these, by id; their sums have no range. Default all.

    Returns
    -------
    DataFrame
        ``by``, cause, title, ventings (sum of shares), low, high (ends of the account's interval: which
        cause, not how many will fail next), failing (of the group). Every group has a row for every named
        cause.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import causes
    >>> ventings, lifters = ventbook.read_ventings("data/demo/store"), ventbook.read_lifters("data/demo/store")
    >>> sums = causes.sum_causes(causes.explain_failures(ventings, lifters, draws=0), ["site"])
    >>> sums["site"].unique().tolist()
    ['Harbour', 'Lake', 'Plain', 'Ridge']
    """
    by = list(by)
    frame = label_shares(account)
    if ventings is not None:
        frame = frame[frame["venting_id"].isin(list(ventings))]
    titles = name_causes(account)
    groups = (
        [tuple(key) for key in account.cells[by].drop_duplicates().sort_values(by).to_numpy()] if by else [()]
    )
    group = np.zeros(len(frame), dtype=np.int64)
    if by:
        named = pd.MultiIndex.from_arrays([_fill_blanks(frame[name]) for name in by])
        group = pd.MultiIndex.from_tuples(groups, names=by).get_indexer(named) if groups else group - 1
    order = np.argsort(group, kind="stable")
    ends = np.searchsorted(group[order], np.arange(len(groups) + 1))
    rows = []
    for place, key in enumerate(groups):
        own = frame.iloc[order[ends[place] : ends[place + 1]]]
        failing = int(own["venting_id"].nunique())
        drawn = {}
        if ventings is None and len(account.cell_draws):
            mine = (account.cells[by] == pd.Series(key, by, dtype="object")).all(axis=1).to_numpy(bool)
            drawn = _sum_cells(account, mine, failing)
        for cause, title in titles.items():
            value = float(own.loc[own["cause"] == cause, "share"].sum())
            low, high = _ends(drawn[cause], value, account.level) if cause in drawn else (value, value)
            rows.append((*key, cause, title, value, low, high, failing))
    return pd.DataFrame(rows, columns=[*by, *SUM_COLUMNS])


def compare_causes(
    account: Account, before: Collection[str], after: Collection[str], *, site: str = ""
) -> pd.DataFrame:
    """What rose and what fell between two sets of quarters, by cause.

    Parameters
    ----------
    account : of :func:`explain_failures`.
    before, after : quarters by label ("2026Q2"); as many ventings lie in them as do.
    site : only this site's; "" for all.

    Returns
    -------
    DataFrame
        cause, title, before, after (failing ventings), change, low, high, moved ("rose", "fell" or ""). The range holds both
        which cause a failure had and the chance that moves a count of failures (Poisson); moved where it leaves out 0.
    """
    rng = np.random.default_rng([account.seed, 11])
    titles = name_causes(account)
    whole = sum_causes(account, by=["site", "quarter"])
    if site:
        whole = whole[whole["site"] == site]
    then, now = (_draw_quarters(account, quarters, site) for quarters in (before, after))
    rows = []
    for cause, title in titles.items():
        own = whole[whole["cause"] == cause]
        counts = [float(own.loc[own["quarter"].isin(list(q)), "ventings"].sum()) for q in (before, after)]
        change = counts[1] - counts[0]
        if cause not in then:
            rows.append((cause, title, *counts, change, np.nan, np.nan, ""))
            continue
        # one uniform number a count, whatever its mean: a last bit must not move the numbers drawn after it
        counted = [
            stats.poisson.ppf(rng.random(len(m)), np.maximum(m, 0.0)) for m in (now[cause], then[cause])
        ]
        low, high = _ends(counted[0] - counted[1], change, account.level)
        moved = "rose" if low > 0 else "fell" if high < 0 else ""
        rows.append((cause, title, *counts, change, low, high, moved))
    return pd.DataFrame(rows, columns=list(CHANGE_COLUMNS))


def name_causes(account: Account) -> dict[str, str]:
    """Titles of the named causes by name, the one with most failing ventings first; the unexplained last."""
    terms = account.terms[account.terms["standing"] == evidence.NAMED]
    return {**dict(zip(terms["name"], terms["title"], strict=True)), UNEXPLAINED: "no cause named"}


def list_chronic(account: Account, *, share: float = 0.75) -> pd.DataFrame:
    """Causes that are always there: by site, in how many of all quarters a cause had a failing venting (half of one or more).

    Columns site, cause, title, ventings, quarters_with, quarters, chronic (in ``share`` of the quarters or more). The
    unexplained stands among them: it is what a site always has.
    """
    sums = sum_causes(account, by=["site", "quarter"])
    quarters = sums["quarter"].nunique()
    grouped = sums.groupby(["site", "cause", "title"], sort=False)["ventings"]
    table = grouped.agg(ventings="sum", quarters_with=lambda v: int((v >= 0.5).sum())).reset_index()
    table["quarters"] = quarters
    table["chronic"] = table["quarters_with"] >= np.ceil(share * quarters) if quarters > 1 else False
    return table[table["ventings"] >= 0.25].reset_index(drop=True)


def cured_by_cause(account: Account, lifters: pd.DataFrame, *, level: float = 0.95) -> pd.DataFrame:
    """How many of each cause's findings an extra run cured.

    Parameters
    ----------
    account : of :func:`explain_failures`.
    lifters : one row a lifter and venting with venting_id, position and cured (missing: not looked at again after a run).
    level : of the intervals (Wilson, on sums of shares).

    Returns
    -------
    DataFrame
        cause, title, looked (findings looked at again, summed shares), cured, share, low, high; None under 5 looked at.
    """
    shares = _label(account, account.shares)
    told = lifters.loc[lifters["cured"].notna(), ["venting_id", "position", "cured"]]
    told = told.assign(position=told["position"].astype(str), cured=told["cured"].astype(float))
    joined = shares.merge(told, left_on=["venting_id", "lifter"], right_on=["venting_id", "position"])
    rows = []
    for cause, title in name_causes(account).items():
        own = joined[joined["cause"] == cause]
        looked, cured = float(own["share"].sum()), float((own["share"] * own["cured"]).sum())
        share = low = high = None
        if looked >= LEAST_LOOKED:
            low, high = map(float, binomial_interval(cured, looked, level=level))
            share = cured / looked
        rows.append((cause, title, looked, cured, share, low, high))
    return pd.DataFrame(rows, columns=["cause", "title", "looked", "cured", "share", "low", "high"])


def _draw_quarters(account: Account, quarters: Collection[str], site: str) -> dict[str, Floats]:
    if not len(account.cell_draws):
        return {}
    inside = [
        _fill_blanks(rows["quarter"]).isin(list(quarters)).to_numpy(bool)
        & ((_fill_blanks(rows["site"]) == site).to_numpy(bool) if site else True)
        for rows in (account.cells, account.venting_shares)
    ]
    return _sum_cells(account, inside[0], int(account.venting_shares.loc[inside[1], "venting_id"].nunique()))


def _sum_cells(account: Account, mine: np.ndarray, failing: int) -> dict[str, Floats]:
    """Draws of failing ventings by cause, (draws,) each, in these cells, which have so many failing ventings."""
    sums = account.cell_draws[:, mine].sum(axis=1)
    titles = name_causes(account)
    named = {name: sums[:, i] for i, name in enumerate(account.drawn_causes) if name in titles}
    return {**named, UNEXPLAINED: failing - np.sum(list(named.values()), axis=0)}


def _fill_blanks(names: pd.Series) -> pd.Series:
    """Sites or quarters as ``cells`` names them."""
    return names.astype("str").fillna("")


def _ends(drawn: Floats, value: float, level: float) -> tuple[float, float]:
    low, high = np.quantile(drawn, (0.5 - level / 2, 0.5 + level / 2))
    return min(float(low), value), max(float(high), value)
