"""The chance that ventings leave a spongy lifter, from an account of the failures before them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from ventbook import distributions as stats
from ventbook.numerics import Floats, Ints
from ventbook.statistics.causes.account import Account, AccountModel, Chance
from ventbook.statistics.causes.account_tables import UNEXPLAINED
from ventbook.statistics.causes.account_terms import AIR, KINDS, AccountTerm, code_rows, count_quarters
from ventbook.statistics.causes.factors import Coded
from ventbook.statistics.causes.season import read_waves

COUNTS = (("lifters_judged_first", 1.0), ("lifters_fitted", 1.0), ("cylinders", 2.0))
"""Where the number of lifters to be judged is read, in order, and lifters a unit."""


def predict_failing(account: Account, ventings: pd.DataFrame, *, own_site: bool = True) -> Floats:
    """Chance that each of ``ventings`` has a lifter over the limit at the first check, (n,).

    Parameters
    ----------
    account : of the ventings before (:func:`explain_failures`).
    ventings : one row a venting with the columns of the factor table, as many as are known; a blank counts at what is
        usual for the site. site (one that the account doesn't know has the mean of the bases), quarter (none: as the
        records ended), date (for the time of year; none: the mean over the year), and the lifters to be judged from lifters_judged_first, lifters_fitted or twice the cylinders,
        in this order, else the usual number.
    own_site : False takes every venting as done at a usual site: the mean of the sites' bases, no site's course over time.
        What fails beyond that is the site's own, however long it has been so.

    Returns
    -------
    ndarray
        1 - exp(-L), L the sum of the site's base and of all named causes' rates over the lifters.
    """
    jobs = _read_jobs(account.model, ventings)
    model = account.model
    rates = _rate_by_cause(model, jobs, model.terms, model.theta, model.swing, own_site=own_site)
    return np.asarray(-np.expm1(-sum(rates.values()) * jobs.lifters))


def chance_for(account: Account, row: Mapping[str, Any] | pd.Series) -> Chance:
    """Chance of failing of one venting, planned or recorded, and each cause's share of it.

    Parameters
    ----------
    account : Account
        As :func:`explain_failures` gives it.
    row : mapping or Series
        The columns of the ventings' table, as many as are known; a blank counts at what is usual for the
        site.

    Returns
    -------
    Chance
        chance with low and high, level, and shares by cause.

    Notes
    -----
    Lifters to be judged come from lifters_judged_first, lifters_fitted or cylinders, in this order, else the
    usual number. A site that is not in the account has the mean of the bases. A site over time is taken as it
    stood at the end of the records. What rises and falls with the time of year is taken at the row's date, drawn
    in by what chance alone makes of it, and without a date at its mean over the year.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import causes
    >>> ventings, lifters = ventbook.read_ventings("data/demo/store"), ventbook.read_lifters("data/demo/store")
    >>> account = causes.explain_failures(ventings, lifters, draws=0)
    >>> 0 < causes.chance_for(account, {"site": "Harbour", "cylinders": 4}).chance < 1
    True
    """
    model, frame = account.model, pd.DataFrame([dict(row)])
    jobs = _read_jobs(model, frame)
    gauge = str(frame["gauge"].iloc[0]) if "gauge" in frame else ""

    def intensities(
        terms: Mapping[str, Sequence[AccountTerm]], theta: Mapping[str, Floats], swing: Mapping[str, Floats]
    ) -> dict[str, float]:
        rates = _rate_by_cause(model, jobs, terms, theta, swing)
        out = {cause: float(rate[0] * jobs.lifters[0]) for cause, rate in rates.items()}
        if (own := model.gauge_rates.get(gauge, 0.0)) > 0:
            out[f"gauge {gauge}"] = own * float(jobs.lifters[0])
        return out

    found = intensities(model.terms, model.theta, model.swing)
    total = sum(found.values())
    spread = [1.0 - math.exp(-sum(intensities(*drawn).values())) for drawn in model.draws]
    ends = (0.5 - account.level / 2, 0.5 + account.level / 2)
    low, high = np.quantile(spread, ends) if spread else (math.nan, math.nan)
    chance = 1.0 - math.exp(-total)
    shares = (
        {name: value / total for name, value in found.items() if value > 0}
        if total > 0
        else {UNEXPLAINED: 1.0}
    )
    return Chance(chance, min(float(low), chance), max(float(high), chance), account.level, shares)


@dataclass(frozen=True)
class _Jobs:
    """What the account reads of ventings: factors, site, quarter, time of year (n, 2) and lifters to be judged, (n,) each."""

    coded: Mapping[str, Coded]
    site: npt.NDArray[np.object_]
    quarter: Ints
    waves: Floats
    lifters: Floats


def _read_jobs(model: AccountModel, ventings: pd.DataFrame) -> _Jobs:
    n = len(ventings)
    site = np.full(n, "", dtype=object)
    if "site" in ventings:
        site = ventings["site"].astype("object").where(ventings["site"].notna(), "").to_numpy(object)
    quarter = count_quarters(ventings["quarter"]) if "quarter" in ventings else np.full(n, -1)
    lifters = np.full(n, np.nan)
    for name, times in COUNTS:
        if name in ventings:
            counted = pd.to_numeric(ventings[name]).to_numpy(float, na_value=np.nan) * times
            lifters = np.where(np.isnan(lifters) & (counted > 0), counted, lifters)
    return _Jobs(
        code_rows(ventings, model.factors),
        site,
        np.where(quarter < 0, model.last_quarter, quarter),
        read_waves(pd.to_datetime(ventings["date"])) if "date" in ventings else np.zeros((n, 2)),
        np.where(np.isnan(lifters), model.judged, lifters),
    )


def _rate_by_cause(
    model: AccountModel,
    jobs: _Jobs,
    terms: Mapping[str, Sequence[AccountTerm]],
    theta: Mapping[str, Floats],
    swing: Mapping[str, Floats],
    *,
    own_site: bool = True,
) -> dict[str, Floats]:
    """Findings a lifter by cause, (n,) each, the sites' bases as unexplained."""
    place = {name: i for i, name in enumerate(model.site_names)}
    out: dict[str, Floats] = {UNEXPLAINED: np.zeros(len(jobs.site))}
    for kind in KINDS:
        bases = theta[kind][: len(theta[kind]) - len(terms[kind])]
        usual = float(bases.mean()) if len(bases) else 0.0
        out[UNEXPLAINED] = out[UNEXPLAINED] + [
            float(bases[place[s]]) if own_site and kind == AIR and s in place else usual for s in jobs.site
        ]
        out[UNEXPLAINED] += jobs.waves @ swing[kind]
        for term, value in zip(terms[kind], theta[kind][len(bases) :], strict=True):
            if own_site or not term.site:
                x, _ = term.read(jobs.coded, jobs.site, jobs.quarter)
                out[term.cause] = out.get(term.cause, 0.0) + x * float(value)
    return out


def widen_chance(chance: Chance, spread: float) -> tuple[float, float]:
    """The ends of a chance with more uncertainty: ``spread`` (standard deviation) added on the logit scale, in quadrature."""
    if spread <= 0:
        return chance.low, chance.high
    more = float(stats.norm.ppf(0.5 + chance.level / 2)) * spread
    centre, low, high = special.logit(np.clip([chance.chance, chance.low, chance.high], 1e-9, 1 - 1e-9))
    return (
        float(special.expit(centre - np.hypot(centre - low, more))),
        float(special.expit(centre + np.hypot(high - centre, more))),
    )
