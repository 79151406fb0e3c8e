"""Named circumstances that are commoner at the time of year at which failing is commoner too.

Where a workshop fills coolers in summer and not in winter, and lifters fail in winter for a reason that nobody writes down, the empty
cooler is named. Within one account the two can't be told apart, so it is said beside the name.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from ventbook.numerics import Floats, factorize
from ventbook.statistics.causes.account import Account
from ventbook.statistics.causes.account_terms import CIRCUMSTANCES, code_rows

CHANCE = 0.05
"""A yearly course is taken as one where chance makes one as strong in fewer of 100 records than this."""
YEAR_DAYS = 365.25


def test_season(
    values: npt.ArrayLike, date: pd.Series, *, site: pd.Series, cluster: pd.Series
) -> tuple[float, Floats]:
    """Whether values have a yearly course within sites: the chance of one as strong, and its direction (cosine, sine).

    Parameters
    ----------
    values : array_like
        One a venting, none missing.
    date : Series of datetime
        Of each venting.
    site, cluster : Series
        Sites are compared within themselves; engines are what there is many of.

    Returns
    -------
    chance : float
        1 where the records don't reach over a year, or nothing varies.
    direction : ndarray, (2,)
        Score along the cosine and the sine of the day of the year.

    Notes
    -----
    Score of both waves beside a level of each site, its variance from sums by engine; chi-squared with two degrees of freedom.

    Examples
    --------
    >>> import numpy as np, pandas as pd
    >>> from ventbook.statistics import causes
    >>> days = pd.Series(pd.date_range("2024-01-01", periods=730))
    >>> site, engine = pd.Series(["Ridge"] * 730), pd.Series(np.arange(730).astype(str))
    >>> chance, _ = causes.test_season(days.dt.month.isin([12, 1, 2]), days, site=site, cluster=engine)
    >>> bool(chance < 1e-6)
    True
    """
    y = np.asarray(values, dtype=np.float64)
    days = date.dt.day_of_year.to_numpy(float)
    if len(y) < 2 or (date.max() - date.min()).days < YEAR_DAYS:
        return 1.0, np.zeros(2)
    wave = np.column_stack([np.cos(2 * np.pi * days / YEAR_DAYS), np.sin(2 * np.pi * days / YEAR_DAYS)])
    place, _ = factorize(site.astype("str").fillna(""))
    engine, _ = factorize(cluster.astype("str").fillna(""))
    size = np.bincount(place)
    both = np.column_stack([y, wave])
    both = both - np.column_stack([np.bincount(place, weights=c) / size for c in both.T])[place]
    each = both[:, :1] * both[:, 1:]
    score = each.sum(axis=0)
    summed = np.column_stack([np.bincount(engine, weights=c) for c in each.T])
    spread = summed.T @ summed
    if not np.linalg.det(spread) > 1e-12 * max(float(np.trace(spread)), 1e-12) ** 2:
        return 1.0, score
    return float(stats.chi2.sf(score @ np.linalg.solve(spread, score), 2)), score


def find_seasonal(account: Account, jobs: pd.DataFrame) -> tuple[str, ...]:
    """Names of the account's named circumstances that go with the time of year as failing does.

    Parameters
    ----------
    account : Account
        Of these ventings.
    jobs : DataFrame
        With date, site, engine_id, failed_first and the columns of the circumstances (:func:`ventbook.read_ventings`).

    Returns
    -------
    tuple of str
        As in ``account.terms["name"]``. Lots and other groups come at a date and are left out.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import causes
    >>> ventings, lifters = ventbook.read_ventings("data/demo/store"), ventbook.read_lifters("data/demo/store")
    >>> causes.find_seasonal(causes.explain_failures(ventings, lifters, draws=0), ventings)
    ()
    """
    named = set(account.terms.loc[account.terms["standing"] == "named", "name"])
    known = jobs[(jobs["failed_first"].notna() & jobs["date"].notna()).to_numpy(bool)]
    if not named or known.empty:
        return ()
    failing = _test_known(
        known["failed_first"].astype(bool).to_numpy(), known, np.ones(len(known), dtype=bool)
    )
    if not failing[0] < CHANCE:
        return ()
    groups = {factor.name for factor in account.model.factors if factor.kind == "group"}
    coded = code_rows(known, account.model.factors)
    site, quarter = known["site"].to_numpy(object), np.full(len(known), -1)
    found = []
    for term in (term for terms in account.model.terms.values() for term in terms):
        if term.family != CIRCUMSTANCES or term.cause not in named or groups & set(term.factors):
            continue
        x, on_record = term.read(coded, site, quarter)
        chance, direction = _test_known(x, known, on_record)
        if chance < CHANCE and float(direction @ failing[1]) > 0:
            found.append(term.cause)
    return tuple(dict.fromkeys(found))


def _test_known(
    values: npt.NDArray[np.generic], jobs: pd.DataFrame, known: npt.NDArray[np.bool_]
) -> tuple[float, Floats]:
    own = jobs[known]
    return test_season(
        np.asarray(values, dtype=np.float64)[known], own["date"], site=own["site"], cluster=own["engine_id"]
    )
