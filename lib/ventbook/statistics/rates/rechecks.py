"""Failing ventings and lifters, the one way in which every report says it, and what a second check after an extra run shows.

Where the ventings only make a list of cases (fewer than a share takes, or some written down only because something was found), the
counts stand and there is no share. What an extra run cured stands beside what a second look alone would show: a lifter is only read
again because its first reading was over the limit, and part of those readings were over by the gauge's error, and would read within
the limit at a second look with nothing done.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from ventbook.model.verdicts import is_over, only_findings
from ventbook.numerics import Floats, tail_chances
from ventbook.physics.gauge import GapDistribution, gap_density
from ventbook.results import Estimate, no_estimate
from ventbook.statistics.rates.intervals import check_level
from ventbook.statistics.rates.shares import lifter_share, shares_by, venting_share
from ventbook.tables import evidence

GRID = 400
METHOD_LOOK = "true gap given the reading (log-normal fleet, normal gauge error), read once more"
Of = Literal["venting", "lifter"]
Check = Literal["first", "last"]
NUMBERS = ("estimate", "low", "high")
_FIELDS = ("level", "unit", "n", "clusters", "method", "state", "note")


def cured_share(
    over_first: Any, over_last: Any, extra_run: Any, *, cluster: Any, level: float = 0.95
) -> Estimate:
    """Share of lifters over the limit at the first check, read again after an extra run, that were then within.

    Parameters
    ----------
    over_first, over_last, extra_run : array_like, shape (n,)
        Yes/no a lifter; a missing answer leaves the lifter out, and so does no run between the two checks
        (that second look is no cure).
    cluster : array_like, shape (n,)
        Engine id.
    level : float
        Confidence level, 0.95 = 95 %.

    Returns
    -------
    Estimate
        Unit "share", n = lifters read again after a run. None read again: state "not_recorded".

    Examples
    --------
    >>> from ventbook.statistics import rates
    >>> share = rates.cured_share([True] * 4, [False, False, True, None], [True] * 4, cluster=["E1", "E1", "E2", "E3"])
    >>> round(share.estimate, 3), share.n
    (0.667, 3)
    """
    first, last, run = (
        pd.Series(v).astype("boolean").reset_index(drop=True) for v in (over_first, over_last, extra_run)
    )
    counted = (first & run).fillna(False).to_numpy(dtype=bool) & last.notna().to_numpy()
    return venting_share(
        (~last)[counted], cluster=pd.Series(cluster).reset_index(drop=True)[counted], level=level
    )


def second_look_share(
    over_first: Any, over_again: Any, extra_run: Any, *, cluster: Any, level: float = 0.95
) -> Estimate:
    """Share of lifters over the limit that passed a second look with no run between the checks.

    Parameters
    ----------
    over_first, over_again, extra_run : array_like, shape (n,)
        Yes/no a lifter, as for :func:`cured_share`; those count where ``extra_run`` is no.
    cluster : array_like, shape (n,)
        Engine id.
    level : float
        Confidence level, 0.95 = 95 %.

    Returns
    -------
    Estimate
        Unit "share", n = lifters looked at again without a run.

    Examples
    --------
    >>> from ventbook.statistics import rates
    >>> share = rates.second_look_share([True, True], [False, True], [False, False], cluster=["E1", "E2"])
    >>> share.estimate
    0.5
    """
    run = pd.Series(extra_run).astype("boolean")
    return cured_share(over_first, over_again, ~run, cluster=cluster, level=level)


@dataclass(frozen=True)
class SecondLook:
    """What a second look with nothing done would give for each lifter.

    passes : probability that the second reading is at or under the limit; truly_within : that the true gap is;
    expected, low, high : second reading (mm) with the band that holds it with probability ``level``.
    """

    passes: Floats
    truly_within: Floats
    expected: Floats
    low: Floats
    high: Floats
    level: float


def expect_second_look(
    reading: npt.ArrayLike,
    *,
    u: npt.ArrayLike,
    limit: npt.ArrayLike,
    spread: GapDistribution,
    level: float = 0.95,
) -> SecondLook:
    """Expect a second reading of the same lifters by the same gauge with nothing done between.

    Parameters
    ----------
    reading : array_like, shape (n,), mm
        First readings, finite.
    u, limit : array_like, mm
        Standard uncertainty of one reading, and the limit; one value or one a lifter.
    spread : GapDistribution
        True gaps in the fleet (:func:`ventbook.physics.gauge.deconvolve_gaps`).
    level : float
        Probability of the band.

    Returns
    -------
    SecondLook
        passes (probability of a second reading at or under the limit), truly_within, expected, low and high
        (mm), each (n,).

    Raises
    ------
    ValueError
        Where a reading or u is not finite, or u is under 0.

    Notes
    -----
    The true gap given the first reading y has density proportional to the fleet's own density times the
    normal density of y - gap with spread u; the second reading adds a fresh error. With u = 0 nothing
    changes.

    Examples
    --------
    A reading just over the limit was picked for being high, and may well pass again:

    >>> import numpy as np
    >>> from ventbook.physics import gauge
    >>> from ventbook.statistics import rates
    >>> fleet = gauge.GapDistribution(np.linspace(0.2, 0.8, 31), 0.02, np.full(31, 1 / 31), 500, 0)
    >>> look = rates.expect_second_look([0.51, 0.60], u=0.02, limit=0.5, spread=fleet)
    >>> look.passes.round(2).tolist()
    [0.36, 0.0]
    """
    level = check_level(level)
    y, u, limit = np.broadcast_arrays(*(np.asarray(v, dtype=float) for v in (reading, u, limit)))
    if not (np.isfinite(y).all() and np.isfinite(u).all() and (u >= 0).all()):
        raise ValueError("reading and u must be finite and u 0 mm or more")
    # what reads alike is expected alike
    alike, which = np.unique(
        np.column_stack([y.ravel(), u.ravel(), limit.ravel()]), axis=0, return_inverse=True
    )
    y, u, limit = alike[:, 0], alike[:, 1], alike[:, 2]
    # the posterior lives within 6 u of the reading; a floor keeps the grid open where u = 0
    width = np.maximum(u, 1e-9)
    low = np.maximum(y - 6 * width, 1e-9)
    high = np.maximum(y + 6 * width, low + 6 * width)
    part = (np.arange(GRID) + 0.5) / GRID
    x = low[:, None] + part * (high - low)[:, None]
    log_density = -0.5 * ((y[:, None] - x) / width[:, None]) ** 2
    log_density += np.log(gap_density(spread, x))
    weight = np.exp(log_density - log_density.max(1, keepdims=True))
    weight /= weight.sum(1, keepdims=True)
    passes = (weight * special.ndtr((limit[:, None] - x) / width[:, None])).sum(1)
    within = (weight * (x <= limit[:, None])).sum(1)
    mean = (weight * x).sum(1)
    variance = (weight * (x - mean[:, None]) ** 2).sum(1) + u**2
    half = special.ndtri(0.5 + level / 2) * np.sqrt(variance)
    sure = u == 0
    passes, within = (np.where(sure, (~is_over(y, limit)).astype(float), v) for v in (passes, within))
    mean = np.where(sure, y, mean)
    passes, within, mean, half = (values[which] for values in (passes, within, mean, half))
    return SecondLook(passes, within, mean, np.maximum(mean - half, 0.0), mean + half, level)


@dataclass(frozen=True)
class CureAnswer:
    """Cured share beside the share a second look alone would cure.

    expected_alone : lifters that would pass a second look with nothing done (mean), of ``cured.n``;
    alone : that as an Estimate (interval: the gauge's uncertainty half and half again as large);
    excess : cured minus alone, with an interval; chance : probability of at least so many passes by second
    looks alone.
    """

    cured: Estimate
    alone: Estimate
    excess: Estimate
    passed: int
    expected_alone: float
    chance: float | None


def compare_cure(
    gap_first: Any,
    over_last: Any,
    extra_run: Any,
    *,
    cluster: Any,
    u: Any,
    limit: Any,
    spread: GapDistribution | None,
    level: float = 0.95,
) -> CureAnswer:
    """The cured share of lifters that read over the limit beside what a second look alone would cure.

    Parameters
    ----------
    gap_first : array_like, shape (n,), mm
        First reading; only readings over the limit with an extra run and a last check count.
    over_last, extra_run : array_like, shape (n,)
        Yes/no a lifter.
    cluster : array_like, shape (n,)
        Engine id.
    u, limit : float or array_like of shape (n,), mm
        Standard uncertainty of a reading, and the limit.
    spread : GapDistribution or None
        True gaps in the fleet (:func:`ventbook.physics.gauge.deconvolve_gaps`); None (too few readings)
        leaves the second-look part "too_few".
    level : float
        Confidence level, 0.95 = 95 %.

    Returns
    -------
    CureAnswer
        The cured share, the share that a second look alone is expected to cure, and whether the run did more.

    Examples
    --------
    >>> from ventbook.statistics import rates
    >>> answer = rates.compare_cure([0.8, 0.9], [False, True], [True, True], cluster=["E1", "E2"], u=0.02, limit=0.5, spread=None)
    >>> answer.cured.estimate
    0.5
    """
    level = check_level(level)
    frame = pd.DataFrame(
        {
            "gap": pd.to_numeric(pd.Series(gap_first).reset_index(drop=True)),
            "last": pd.Series(over_last).reset_index(drop=True).astype("boolean"),
            "run": pd.Series(extra_run).reset_index(drop=True).astype("boolean"),
            "engine": pd.Series(cluster).reset_index(drop=True),
        }
    )
    frame["u"], frame["limit"] = np.broadcast_to(u, len(frame)), np.broadcast_to(limit, len(frame))
    gap = frame["gap"].to_numpy(dtype=float, na_value=np.nan)
    over = pd.array(is_over(gap, frame["limit"].to_numpy(dtype=float)), dtype="boolean")
    cured = cured_share(over, frame["last"], frame["run"], cluster=frame["engine"], level=level)
    use = (pd.Series(over) & frame["run"]).fillna(False).to_numpy(dtype=bool) & frame[
        "last"
    ].notna().to_numpy()
    part = frame[use & frame["u"].notna().to_numpy()]
    passed = int((~part["last"]).sum())
    if part.empty or spread is None or cured.estimate is None:
        state = "not_recorded" if part.empty else "too_few"
        note = "" if part.empty else "too few readings over the gauge's step to know the spread of true gaps"
        nothing = no_estimate(state, level=level, unit="share", n=len(part), method=METHOD_LOOK, note=note)
        return CureAnswer(cured, nothing, nothing, passed, 0.0, None)
    values = {
        f: expect_second_look(
            part["gap"], u=f * part["u"].to_numpy(float), limit=part["limit"], spread=spread
        ).passes
        for f in (0.5, 1.0, 1.5)
    }
    share = {f: float(v.mean()) for f, v in values.items()}
    alone = Estimate(
        share[1.0],
        min(share.values()),
        max(share.values()),
        level,
        "share",
        len(part),
        cured.clusters,
        METHOD_LOOK,
        note="ends: the gauge's uncertainty half and half again as large",
    )
    excess = Estimate(
        cured.estimate - share[1.0],
        None if cured.low is None else cured.low - share[1.0],
        None if cured.high is None else cured.high - share[1.0],
        level,
        "share",
        cured.n,
        cured.clusters,
        "cured less expected at a second look",
    )
    return CureAnswer(
        cured, alone, excess, passed, float(values[1.0].sum()), chance_of_at_least(passed, values[1.0])
    )


def chance_of_at_least(count: int, probabilities: npt.ArrayLike) -> float:
    """Probability of so many or more successes in independent trials of unequal chances.

    Parameters
    ----------
    count : int
        Successes.
    probabilities : array_like, shape (n,), 0..1
        Of each trial.

    Returns
    -------
    float
        Exact (Poisson-binomial).

    Examples
    --------
    >>> from ventbook.statistics import rates
    >>> round(rates.chance_of_at_least(1, [0.5, 0.5]), 6)
    0.75
    """
    return tail_chances(count, probabilities)[0]


def paired_changes(
    gap_first: Any, gap_last: Any, *, u: Any, limit: Any, spread: GapDistribution | None, level: float = 0.95
) -> pd.DataFrame:
    """First and last reading of every lifter read twice, with the band that a second look alone would fall into.

    Parameters
    ----------
    gap_first, gap_last : array_like, shape (n,), mm
        Lifters with either missing are left out.
    u, limit : float or array_like of shape (n,), mm
        Standard uncertainty of a reading, and the limit.
    spread : GapDistribution or None
        True gaps in the fleet; None leaves the band unknown.
    level : float
        Probability of the band.

    Returns
    -------
    DataFrame
        Index of the input: gap_first_mm, gap_last_mm, change_mm, alone_mm, alone_low, alone_high and beyond
        ("smaller", "as_second_look", "larger", "" where the band is not known).

    Examples
    --------
    >>> import numpy as np
    >>> from ventbook.physics import gauge
    >>> from ventbook.statistics import rates
    >>> fleet = gauge.GapDistribution(np.linspace(0.2, 0.8, 31), 0.02, np.full(31, 1 / 31), 500, 0)
    >>> rates.paired_changes([0.60, 0.60], [0.20, 0.59], u=0.02, limit=0.5, spread=fleet)["beyond"].tolist()
    ['smaller', 'as_second_look']
    """
    first = pd.to_numeric(pd.Series(gap_first))
    last = pd.to_numeric(pd.Series(np.asarray(gap_last, dtype=float), index=first.index))
    uu = pd.Series(np.broadcast_to(np.asarray(u, dtype=float), len(first)), index=first.index)
    lim = pd.Series(np.broadcast_to(np.asarray(limit, dtype=float), len(first)), index=first.index)
    ok = (first.notna() & last.notna()).to_numpy()
    table = pd.DataFrame({"gap_first_mm": first, "gap_last_mm": last})[ok].astype(float)
    table["change_mm"] = table["gap_last_mm"] - table["gap_first_mm"]
    for name in ("alone_mm", "alone_low", "alone_high"):
        table[name] = np.nan
    table["beyond"] = ""
    known = uu[ok].notna().to_numpy()
    if spread is None or not known.any():
        return table
    look = expect_second_look(
        table["gap_first_mm"][known], u=uu[ok][known], limit=lim[ok][known], spread=spread, level=level
    )
    rows = table.index[known]
    table.loc[rows, "alone_mm"], table.loc[rows, "alone_low"] = look.expected, look.low
    table.loc[rows, "alone_high"] = look.high
    again = table.loc[rows, "gap_last_mm"].to_numpy()
    table.loc[rows, "beyond"] = np.select(
        [again < look.low, again > look.high], ["smaller", "larger"], default="as_second_look"
    )
    return table


def failing_share(
    jobs: pd.DataFrame, *, level: float, of: Of = "venting", check: Check = "first"
) -> Estimate:
    """Share of ventings with a lifter over the limit, or of lifters over it, as far as the records allow one.

    Parameters
    ----------
    jobs : DataFrame
        Rows of the table of ventings (failed_*, lifters_over_*, lifters_judged_*, engine_id,
        recorded_because).
    level : float
        Confidence level, 0.95 = 95 %.
    of : str
        "venting" (those with a known result) or "lifter" (those judged).
    check : str
        "first" or "last".

    Returns
    -------
    Estimate
        Unit "share", engines as clusters; state "too_few" where :func:`failing_tier` is "list".

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import rates
    >>> share = rates.failing_share(ventbook.read_ventings("data/demo/store"), level=0.95)
    >>> share.state, bool(share.low < share.estimate < share.high)
    ('estimated', True)
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
    """The failing share of each group of a column, one row a group.

    Parameters
    ----------
    jobs : DataFrame
        Rows of the table of ventings, as for :func:`failing_share`.
    column : str
        Column that makes the groups.
    groups : sequence
        Its values in the order shown, none left out.
    level : float
        Confidence level, 0.95 = 95 %.
    of : str
        "venting" or "lifter".
    check : str
        "first" or "last".

    Returns
    -------
    DataFrame
        The columns of :func:`shares_by` (counts stand where there is no share) and the row's ``tier``.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import rates
    >>> table = rates.failing_by(ventbook.read_ventings("data/demo/store"), "site", groups=["Ridge", "Nowhere"], level=0.95)
    >>> table["tier"].tolist(), table["n"].tolist()[1]
    (['describe', 'list'], 0)
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
    """What may be said of the share of these ventings that fail.

    Parameters
    ----------
    jobs : DataFrame
        Rows of the table of ventings (failed_*, recorded_because).
    check : str
        "first" or "last".

    Returns
    -------
    str
        "list" (cases only: too few, or only findings were written down) or "describe".

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import rates
    >>> ventings = ventbook.read_ventings("data/demo/store")
    >>> rates.failing_tier(ventings.head(3)), rates.failing_tier(ventings[ventings["site"] == "Harbour"])
    ('list', 'describe')
    """
    known = jobs[f"failed_{check}"].dropna()
    return evidence.tier(
        ventings=len(known), findings=int(known.sum()), denominators_known=not only_findings(jobs)
    )


def cured_lifters(lifters: pd.DataFrame, *, level: float) -> Estimate:
    """Share of lifters over the limit at the first check and read again after a run that were within then.

    Parameters
    ----------
    lifters : DataFrame
        Rows of the table of lifters (over_first, over_last, extra_run_between, engine_id).
    level : float
        Confidence level, 0.95 = 95 %.

    Returns
    -------
    Estimate
        As :func:`cured_share`.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import rates
    >>> share = rates.cured_lifters(ventbook.read_lifters("data/demo/store"), level=0.95)
    >>> share.unit, bool(0 < share.estimate < 1)
    ('share', True)
    """
    return cured_share(
        lifters["over_first"],
        lifters["over_last"],
        lifters["extra_run_between"],
        cluster=lifters["engine_id"],
        level=level,
    )


def estimate_of(row: pd.Series) -> Estimate:
    """An Estimate from a row of a frame of estimates.

    Parameters
    ----------
    row : Series
        With the fields of an Estimate, as a row of :func:`shares_by`.

    Returns
    -------
    Estimate
        With None where the row has no number.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import rates
    >>> table = rates.shares_by(ventbook.read_ventings("data/demo/store"), failures="failed_first")
    >>> rates.estimate_of(table.iloc[0]).unit
    'share'
    """
    values: dict[str, Any] = {name: row[name] for name in _FIELDS}
    values |= {name: None if pd.isna(row[name]) else float(row[name]) for name in NUMBERS}
    return Estimate(**values)
