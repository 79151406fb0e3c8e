"""Share of ventings and lifters over the limit, and of steps within theirs, with intervals that carry the clustering by engine.

Where only bad lifters were written down, a blank can mean passed or not checked, and a share has bounds.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from ventbook.model.conformity import JUDGED
from ventbook.numerics import Floats
from ventbook.results import Estimate, no_estimate
from ventbook.statistics.rates.betabinomial import integrated_interval
from ventbook.statistics.rates.clusters import (
    anova_correlation,
    check_counts,
    design_effect,
    encode_ids,
    size_weighted_mean,
    sum_by_cluster,
)
from ventbook.statistics.rates.intervals import binomial_interval, check_level
from ventbook.tables import evidence

ASSUMED_CORRELATION = 0.2
"""Intra-engine correlation assumed at least, until ENOUGH_ENGINES engines show a finding."""
ENOUGH_ENGINES = 10
METHOD = "beta-binomial by engine"
METHOD_FRACTIONS = "wilson, effective n"


def venting_share(failed: Any, *, cluster: Any = None, level: float = 0.95) -> Estimate:
    """Share of ventings with a finding.

    Parameters
    ----------
    failed : array_like, shape (n,)
        One yes/no a venting; missing = not known, left out of numerator and denominator.
    cluster : array_like, shape (n,), optional
        Engine id a venting. With it the interval carries repeated ventings of one engine; without it ventings
        are taken as independent (Wilson).
    level : float
        Confidence level, 0.95 = 95 %.

    Returns
    -------
    Estimate
        Unit "share", n = ventings counted, clusters = engines (0 where cluster is None). No venting with a
        known answer: state "not_recorded". No failures: the upper end is a bound.

    Examples
    --------
    >>> from ventbook.statistics import rates
    >>> share = rates.venting_share([True, False, None, False, False])
    >>> share.estimate, share.n, round(share.high, 2)
    (0.25, 4, 0.7)
    """
    level = check_level(level)
    x = pd.Series(failed).astype("boolean").astype("Float64").to_numpy(dtype=float, na_value=np.nan)
    if cluster is None:
        known = x[np.isfinite(x)]
        if known.size == 0:
            return no_estimate("not_recorded", level=level, unit="share", n=0, method="wilson")
        low, high = binomial_interval(known.sum(), known.size, level=level)
        return Estimate(
            known.mean(),
            float(low),
            float(high),
            level,
            "share",
            known.size,
            0,
            "wilson",
            note=_note(known.sum(), known.size),
        )
    return lifter_share(x, np.where(np.isfinite(x), 1.0, np.nan), cluster=cluster, level=level)


def lifter_share(failures: Any, lifters: Any, *, cluster: Any, level: float = 0.95) -> Estimate:
    """Share of lifters over the limit, from counts a venting.

    Parameters
    ----------
    failures, lifters : array_like, shape (n,)
        Lifters over the limit and lifters checked, one row a venting. Rows with either missing or with no
        lifter checked are left out.
    cluster : array_like, shape (n,)
        Engine id a row; a row without an id stands for itself.
    level : float
        Confidence level, 0.95 = 95 %.

    Returns
    -------
    Estimate
        Unit "share", n = lifters counted, clusters = engines; see :func:`clustered_interval` for the
        interval. Nothing recorded: state "not_recorded".

    Raises
    ------
    ValueError
        Where a count is under 0 or failures are more than lifters.

    Examples
    --------
    The same failures in one engine say less than over several:

    >>> from ventbook.statistics import rates
    >>> spread = rates.lifter_share([1, 1, 1, 1, 0], [8] * 5, cluster=list("abcde"))
    >>> lumped = rates.lifter_share([4, 0, 0, 0, 0], [8] * 5, cluster=list("abcde"))
    >>> spread.estimate, bool(lumped.high > spread.high)
    (0.1, True)
    """
    level = check_level(level)
    x, n, ok = check_counts(failures, lifters)
    codes, k = encode_ids(cluster, x.size)
    xs, ns = sum_by_cluster(x[ok], n[ok], codes[ok], k)
    return share_of_sums(xs, ns, level=level)


def share_of_sums(xs: Floats, ns: Floats, *, level: float) -> Estimate:
    """The share with its interval from sums a cluster."""
    if ns.size == 0:
        return no_estimate("not_recorded", level=level, unit="share", n=0, method=METHOD)
    low, high = clustered_interval(xs, ns, level=level)
    x, total = float(xs.sum()), float(ns.sum())
    method = METHOD if np.all(xs == np.round(xs)) else METHOD_FRACTIONS
    return Estimate(x / total, low, high, level, "share", int(total), ns.size, method, note=_note(x, total))


def clustered_interval(xs: Floats, ns: Floats, *, level: float = 0.95) -> tuple[float, float]:
    """Interval for a share from the failures and lifters of each engine.

    Parameters
    ----------
    xs, ns : ndarray, shape (engines,)
        Failures and lifters of each engine.
    level : float
        Confidence level, 0.95 = 95 %.

    Returns
    -------
    low, high : float

    Notes
    -----
    Beta-binomial with the correlation integrated out; from ENOUGH_ENGINES engines with a finding on at least
    as wide as Wilson with the effective number, which holds whatever the shape of the spread between engines;
    and never inside the exact interval of independent lifters. On 225 cells of simulated fleets (rate .3 to
    15 %, 8 to 400 ventings, correlation 0 to .4) a 95 % interval held the truth in 94.2 % or more of fleets
    in every cell; the table stands in ``calibrate/tables/rates.md``. Counts that are not whole (sums of
    probabilities) take :func:`effective_interval` alone.

    Examples
    --------
    >>> import numpy as np
    >>> from ventbook.statistics import rates
    >>> low, high = rates.clustered_interval(np.array([1.0, 0.0, 2.0, 0.0]), np.full(4, 8.0))
    >>> bool(0 < low < 3 / 32 < high < 1)
    True
    """
    x, n = float(xs.sum()), float(ns.sum())
    if not (np.all(xs == np.round(xs)) and np.all(ns == np.round(ns))):
        return effective_interval(xs, ns, level=level)
    low, high = integrated_interval(xs, ns, level=level)
    exact_low, exact_high = binomial_interval(x, n, level=level, method="exact")
    low, high = min(low, float(exact_low)), max(high, float(exact_high))
    if min((xs > 0).sum(), (xs < ns).sum()) >= ENOUGH_ENGINES:
        wilson_low, wilson_high = effective_interval(xs, ns, level=level)
        low, high = min(low, wilson_low), max(high, wilson_high)
    return low, high


def effective_interval(xs: Floats, ns: Floats, *, level: float = 0.95) -> tuple[float, float]:
    """Wilson interval with the effective number of lifters and a t quantile on engines - 1.

    Parameters
    ----------
    xs, ns : ndarray, shape (engines,)
        Failures and lifters of each engine.
    level : float
        Confidence level, 0.95 = 95 %.

    Returns
    -------
    low, high : float

    Notes
    -----
    The effective number is n / deff, ``deff = 1 + (m - 1) rho`` with m the size-weighted lifters an engine
    and rho the ANOVA correlation, taken as at least ASSUMED_CORRELATION while fewer than ENOUGH_ENGINES
    engines show a finding.

    Examples
    --------
    >>> import numpy as np
    >>> from ventbook.statistics import rates
    >>> low, high = rates.effective_interval(np.array([1.0, 0.0, 2.0, 0.0]), np.full(4, 8.0))
    >>> bool(0 < low < 3 / 32 < high < 1)
    True
    """
    k, total = ns.size, float(ns.sum())
    rho = min(max(anova_correlation(xs, ns), 0.0), 1.0)
    if min((xs > 0).sum(), (xs < ns).sum()) < ENOUGH_ENGINES:
        rho = max(rho, ASSUMED_CORRELATION)
    effective = total / design_effect(size_weighted_mean(ns), rho)
    # 6: the t quantile of one or two engines would leave no interval at all
    t = min(float(special.stdtrit(max(k - 1, 1), 0.5 + level / 2)), 6.0)
    p = float(xs.sum()) / total
    low, high = binomial_interval(p * effective, effective, level=float(2 * special.ndtr(t) - 1))
    return float(low), float(high)


def _note(x: float, n: float) -> str:
    if x == 0:
        return "no failures seen: the upper end is a bound"
    if x == n:
        return "all failed: the lower end is a bound"
    return ""


def shares_by(
    frame: pd.DataFrame,
    by: Sequence[str] = (),
    *,
    failures: str,
    lifters: str | None = None,
    cluster: str = "engine_id",
    level: float = 0.95,
    groups: Mapping[str, Sequence[Any]] | None = None,
) -> pd.DataFrame:
    """Failing shares by group, one row a group, from the table of ventings or of lifters.

    Parameters
    ----------
    frame : DataFrame
        One row a venting (:func:`ventbook.read_ventings`) or a lifter (:func:`ventbook.read_lifters`).
    by : sequence of str
        Columns that make the groups; none = one row for all. Rows with a missing group value are left out.
    failures : str
        Column with failing lifters a venting (with ``lifters``), or with yes/no a row (without):
        ``failed_first`` of ventings, ``over_first`` of lifters. Missing = not known, left out of numerator
        and denominator.
    lifters : str, optional
        Column with lifters checked; None = the share of rows with a yes.
    cluster : str
        Column with the engine id, whose lifters and repeated ventings go together.
    level : float
        Confidence level, 0.95 = 95 %.
    groups : mapping of str to sequence, optional
        Values that each column of ``by`` shall show, in this order; else the values found, sorted.

    Returns
    -------
    DataFrame
        The columns of ``by``, then failures (float), and the fields of an Estimate: estimate, low, high
        (shares 0..1), level, unit, n (rows or lifters), clusters (engines), method, state, note. All
        combinations of the group values appear; a group without rows stays, with n = 0 and state
        "not_recorded".

    Raises
    ------
    ValueError
        Where a column is missing (all of them named), a count is not between 0 and lifters, or level is not
        in 0..1.

    Notes
    -----
    Beta-binomial interval with the correlation within an engine integrated out; see
    :func:`clustered_interval` for what it holds. Whether a group is over or under the others is not asked
    here: intervals that overlap may still differ.

    Examples
    --------
    >>> import ventbook
    >>> lifters = ventbook.read_lifters("data/demo/store")
    >>> shares = ventbook.shares_by(lifters, ["valve"], failures="over_first")
    >>> shares[["valve", "estimate", "low", "high"]].round(3).values.tolist()
    [['exhaust', 0.028, 0.02, 0.042], ['inlet', 0.032, 0.023, 0.045]]
    >>> ventings = ventbook.read_ventings("data/demo/store")
    >>> all_of = ventbook.shares_by(ventings, (), failures="lifters_over_first", lifters="lifters_judged_first")
    >>> int(all_of["n"].item()) == int(lifters["over_first"].notna().sum())
    True
    """
    level = check_level(level)
    by = list(by)
    columns = [*by, failures, cluster, *([lifters] if lifters else [])]
    missing = [c for c in columns if c not in frame.columns]
    if missing:
        has = ", ".join(map(str, frame.columns))
        raise ValueError(f"frame lacks the columns {', '.join(missing)}; it has {has}")
    if lifters is None:
        over: Any = frame[failures].astype("boolean").astype("Float64").to_numpy(dtype=float, na_value=np.nan)
        checked: Any = np.where(np.isfinite(over), 1.0, np.nan)
    else:
        over, checked = frame[failures], frame[lifters]
    x, n, ok = check_counts(over, checked)
    engine, engines = encode_ids(frame[cluster], len(frame))

    values: list[list[Any]] = []
    code = np.zeros(len(frame), dtype=np.int64)
    for column in by:
        place, wanted = _place(frame[column], list(groups[column]) if groups and column in groups else None)
        ok &= place >= 0
        code = code * max(len(wanted), 1) + np.maximum(place, 0)
        values.append(wanted)
    combinations = list(itertools.product(*values))
    sums = _sums_by_group(x[ok], n[ok], code[ok], engine[ok], len(combinations), engines)
    rows = []
    for combination, (xs, ns) in zip(combinations, sums, strict=True):
        answer = share_of_sums(xs, ns, level=level).as_row()
        rows.append({**dict(zip(by, combination, strict=True)), "failures": float(xs.sum()), **answer})
    names = [*by, "failures", *no_estimate("not_recorded", level=level, unit="", n=0).as_row()]
    return pd.DataFrame(rows, columns=names).astype({"estimate": float, "low": float, "high": float})


def _place(column: pd.Series, wanted: list[Any] | None) -> tuple[npt.NDArray[np.int64], list[Any]]:
    """Place of each row's value among the wanted ones (-1 = missing or not wanted), and the wanted ones."""
    if wanted is None and isinstance(column.dtype, pd.CategoricalDtype):
        wanted = list(column.cat.categories)
    codes, found = pd.factorize(column)
    names = list(found)
    if wanted is None:
        wanted = sorted(names)
    rank = {value: i for i, value in enumerate(wanted)}
    # the last entry serves code -1, a missing value
    places = np.array([*(rank.get(name, -1) for name in names), -1], dtype=np.int64)
    return places[codes], wanted


def _sums_by_group(
    x: Floats, n: Floats, group: Any, engine: Any, groups: int, engines: int
) -> list[tuple[Floats, Floats]]:
    """Sums by engine inside every group: one pass over the rows whatever the number of groups."""
    if groups == 0:
        return []
    key = group * engines + engine
    if groups * engines > 4 * max(x.size, 1_000_000):
        key, labels = pd.factorize(key, sort=True)
        owner = labels // engines
        size = len(labels)
    else:
        owner, size = np.repeat(np.arange(groups), engines), groups * engines
    xs: Floats = np.bincount(key, x, size).astype(float)
    ns: Floats = np.bincount(key, n, size).astype(float)
    keep = ns > 0
    xs, ns, owner = xs[keep], ns[keep], np.asarray(owner)[keep]
    ends = np.searchsorted(owner, np.arange(groups + 1))
    return [(xs[a:b], ns[a:b]) for a, b in itertools.pairwise(ends)]


@dataclass(frozen=True)
class BlankBounds:
    """The share with blanks as passed and with blanks as not checked, and what that leaves to decide.

    low, high : the two shares' envelope with their intervals. answer : "below", "above" or "not_known" against
    ``decision``, "" without one. blanks : lifters fitted and not written down.
    """

    as_passed: Estimate
    as_unchecked: Estimate
    low: float | None
    high: float | None
    blanks: int
    decision: float | None
    answer: str


def bound_blanks(
    failures: Any,
    written: Any,
    fitted: Any,
    *,
    cluster: Any,
    decision: float | None = None,
    level: float = 0.95,
) -> BlankBounds:
    """Bound the lifter share where unwritten lifters may have passed or may not have been checked.

    Parameters
    ----------
    failures, written, fitted : array_like, shape (n,)
        Lifters over the limit, written down, fitted, one row a venting; a row with one missing is left out,
        and fitted is taken as at least written.
    cluster : array_like, shape (n,)
        Engine id a row.
    decision : float, 0..1, optional
        Share that the answer shall be held against.
    level : float
        Confidence level, 0.95 = 95 %.

    Returns
    -------
    BlankBounds
        The share with blanks as passed and with blanks as not checked, their envelope, and the answer:
        "below" or "above" only where both readings of the blanks and their whole intervals agree, else
        "not_known"; "" without a decision.

    Raises
    ------
    ValueError
        For a decision or level outside 0..1.

    Examples
    --------
    >>> from ventbook.statistics import rates
    >>> bounds = rates.bound_blanks([1, 1, 0], [2, 8, 8], [8, 8, 8], cluster=list("abc"), decision=0.9)
    >>> bounds.blanks, bounds.answer
    (6, 'below')
    """
    level = check_level(level)
    if decision is not None and not 0 <= decision <= 1:
        raise ValueError(f"decision must lie between 0 and 1; got {decision!r}")
    x, w, f = (
        pd.to_numeric(pd.Series(v)).to_numpy(dtype=float, na_value=np.nan)
        for v in (failures, written, fitted)
    )
    ok = np.isfinite(x) & np.isfinite(w) & np.isfinite(f)
    f = np.where(ok, np.maximum(f, w), np.nan)
    x, w = np.where(ok, x, np.nan), np.where(ok, w, np.nan)
    as_passed = lifter_share(x, f, cluster=cluster, level=level)
    as_unchecked = lifter_share(x, w, cluster=cluster, level=level)
    ends = [e for e in (as_passed, as_unchecked) if e.low is not None and e.high is not None]
    low = min((e.low for e in ends if e.low is not None), default=None)
    high = max((e.high for e in ends if e.high is not None), default=None)
    answer = ""
    if decision is not None:
        answer = "not_known"
        if len(ends) == 2 and high is not None and high < decision:
            answer = "below"
        elif len(ends) == 2 and low is not None and low > decision:
            answer = "above"
    blanks = int(np.nansum(f - w)) if ok.any() else 0
    return BlankBounds(as_passed, as_unchecked, low, high, blanks, decision, answer)


def steps_within_share(verdicts: pd.DataFrame, *, level: float = 0.95) -> Estimate:
    """Share of judged steps of the procedure that lie within their limit.

    Parameters
    ----------
    verdicts : DataFrame
        One row a step: ``verdict``, ``venting_id`` and ``engine_id``. Steps that are neither within, near nor
        outside don't count.
    level : float, 0..1
        Of the interval.

    Returns
    -------
    Estimate
        With the interval that carries that steps of one engine go together; too few under five ventings.

    Examples
    --------
    >>> import pandas as pd
    >>> from ventbook.statistics import rates
    >>> steps = pd.DataFrame({"verdict": ["within"] * 7 + ["outside", "not_recorded"], "venting_id": [*"stuvwxyz", "z"]})
    >>> rates.steps_within_share(steps.assign(engine_id=[*"abcdabcd", "a"]), level=0.95).estimate
    0.875
    """
    return share_of_steps(_sum_steps(verdicts), level=level)


def _sum_steps(verdicts: pd.DataFrame) -> pd.DataFrame:
    """Judged steps and those within, one row a venting."""
    judged = verdicts["verdict"].isin(JUDGED)
    return (
        verdicts.assign(judged=judged, within=verdicts["verdict"].eq("within"))
        .groupby(["venting_id", "engine_id"], sort=False)[["judged", "within"]]
        .sum()
        .reset_index()
    )


def share_of_steps(sums: pd.DataFrame, *, level: float) -> Estimate:
    """:func:`steps_within_share` of steps that are counted: ``judged`` and ``within``, one row a venting, and ``engine_id``."""
    sums = sums[sums["judged"] > 0]
    if evidence.tier(ventings=len(sums), findings=0) == "list" and len(sums):
        engines = sums["engine_id"].nunique()
        return no_estimate(
            "too_few",
            level=level,
            unit="share",
            n=int(sums["judged"].sum()),
            clusters=engines,
            note="cases only",
        )
    return lifter_share(sums["within"], sums["judged"], cluster=sums["engine_id"], level=level)
