"""The chance that ventings leave a spongy lifter, from an account of the failures before them."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import special, stats

from ventbook.numerics import Floats
from ventbook.statistics.causes.account import Account, Chance
from ventbook.statistics.causes.account_terms import AIR, KINDS, code_rows, count_quarters

COUNTS = (("lifters_judged_first", 1.0), ("lifters_fitted", 1.0), ("cylinders", 2.0))
"""Where the number of lifters to be judged is read, in order, and lifters a unit."""


def predict_failing(account: Account, ventings: pd.DataFrame, *, own_site: bool = True) -> Floats:
    """Chance that each of ``ventings`` has a lifter over the limit at the first check, (n,).

    Parameters
    ----------
    account : of the ventings before (:func:`explain_failures`).
    ventings : one row a venting with the columns of the factor table, as many as are known; a blank counts at what is
        usual for the site. site (one that the account doesn't know has the mean of the bases), quarter (none: as the
        records ended), and the lifters to be judged from lifters_judged_first, lifters_fitted or twice the cylinders,
        in this order, else the usual number.
    own_site : False takes every venting as done at a usual site: the mean of the sites' bases, no site's course over time.
        What fails beyond that is the site's own, however long it has been so.

    Returns
    -------
    ndarray
        1 - exp(-L), L the sum of the site's base and of all named causes' rates over the lifters.
    """
    model = account.model
    coded = code_rows(ventings, model.factors)
    site = (
        ventings["site"].astype("object").where(ventings["site"].notna(), "").to_numpy(object)
        if "site" in ventings
        else np.full(len(ventings), "", dtype=object)
    )
    quarter = count_quarters(ventings["quarter"]) if "quarter" in ventings else np.full(len(ventings), -1)
    quarter = np.where(quarter < 0, model.last_quarter, quarter)
    place = {name: i for i, name in enumerate(model.site_names)}
    rate = np.zeros(len(ventings))
    for kind in KINDS:
        theta, terms = model.theta[kind], model.terms[kind]
        bases = theta[: len(theta) - len(terms)]
        usual = float(bases.mean()) if len(bases) else 0.0
        rate += [float(bases[place[s]]) if own_site and kind == AIR and s in place else usual for s in site]
        for term, value in zip(terms, theta[len(bases) :], strict=True):
            if term.site and not own_site:
                continue
            x, _ = term.read(coded, site, quarter)
            rate += x * float(value)
    lifters = np.full(len(ventings), np.nan)
    for name, times in COUNTS:
        if name in ventings:
            counted = ventings[name].to_numpy(float, na_value=np.nan) * times
            lifters = np.where(np.isnan(lifters) & (counted > 0), counted, lifters)
    return np.asarray(-np.expm1(-rate * np.where(np.isnan(lifters), model.judged, lifters)))


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
