"""Chances of a spongy lifter told before the ventings, corrected by what became of earlier ones.

The account of failures is fitted on what was known at a quarter's end and asked about the next quarter. What came lies off
what was said by more than luck where the shop changes: more of a lot that nobody knew, a site on its way, other work. In
quarter q all log odds of the account are off by d_q, drawn about a common m with a spread s:

    logit(chance of venting i in q) = logit(account's chance) + d_q,   d_q ~ N(m, s^2)

with m ~ N(0, .4^2) and s half-normal(.2) beforehand. The quarters behind tell m and s; the next quarter's d is drawn from what they
leave open. A chance is the mean over that d, and the d is shared by all ventings of a quarter, so that a count of them has
the standard error of :func:`tell_deviation`. Nothing looks ahead: d_q of the quarters before is all that a quarter learns from.

References: calibration in the large, Cox 1958, Biometrika 45:562; predictions judged one step ahead, Dawid 1984, JRSS A 147:278.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from ventbook.numerics import LOOKED_AT, Floats, is_among, thin_engines
from ventbook.statistics import causes

FEWEST_BEFORE, FEWEST_QUARTERS, MOST_QUARTERS = 40, 2, 8
BINS = (0.0, 0.05, 0.1, 0.2, 0.3, 0.5, 1.0001)
OFF = np.linspace(-3.0, 3.0, 401)  # log odds by which a quarter may lie off
MIDDLES, SPREADS = np.linspace(-2.0, 2.0, 81), np.linspace(0.05, 1.25, 25)
MIDDLE_SD, SPREAD_SD = 0.4, 0.2  # of what is taken beforehand (assumption)
ASKED = np.linspace(-14.0, 14.0, 561)  # log odds between which a corrected chance is interpolated
BEFORE = ["lifters_judged_first"]
"""Columns of ventings that nobody knows beforehand."""
TOLD = ["quarter", "venting_id", "site", "account_chance", "site_chance", "failed"]


@dataclass(frozen=True)
class Shift:
    """By how much (log odds) the account's chances are off in the quarter to come: probabilities ``weight`` at ``OFF``."""

    weight: Floats
    quarters: int

    @property
    def mean(self) -> float:
        """Log odds by which chances are raised in the middle."""
        return float(OFF @ self.weight)

    @property
    def sd(self) -> float:
        """Standard deviation of that, the next quarter's own luck included."""
        return float(np.sqrt(np.square(OFF - self.mean) @ self.weight))

    def correct(self, chance: npt.ArrayLike) -> tuple[Floats, Floats]:
        """Chances as corrected, and the standard deviation of each by what all ventings of the quarter share."""
        raised = special.expit(ASKED[:, None] + OFF)
        mean = raised @ self.weight
        sd = np.sqrt(np.maximum(np.square(raised) @ self.weight - mean**2, 0.0))
        at = _log_odds(chance)
        return np.interp(at, ASKED, mean), np.interp(at, ASKED, sd)

    def correct_one(self, chance: causes.Chance, *, spread: float = 0.0) -> tuple[float, float, float]:
        """One chance as corrected, with the ends of its range: the account's own, the shift's and a further ``spread`` (log odds)."""
        middle = float(self.correct([chance.chance])[0][0])
        moved = float(_log_odds(middle) - _log_odds(chance.chance))
        low, high = special.expit(_log_odds([chance.low, chance.high]) + moved)
        own = replace(chance, chance=middle, low=float(low), high=float(high))
        return middle, *causes.widen_chance(own, float(np.hypot(self.sd, spread)))


def learn_shift(said: npt.ArrayLike, came: npt.ArrayLike, quarter: npt.ArrayLike) -> Shift:
    """What past quarters tell of the next one's shift.

    Parameters
    ----------
    said : array_like
        Chances told before the ventings, by the account alone.
    came : array_like
        1 where a lifter was over the limit at the first check, 0 where none was, NaN where nobody knows.
    quarter : array_like
        Label of each venting's quarter.

    Returns
    -------
    Shift
        Of nothing but what is taken beforehand where there is no venting.

    Examples
    --------
    >>> import numpy as np
    >>> from ventbook.statistics import forecast
    >>> shift = forecast.learn_shift(np.full(200, 0.1), np.tile([1, 0, 0, 0, 0], 40), ["2026Q1"] * 100 + ["2026Q2"] * 100)
    >>> chance, shared = shift.correct([0.1])
    >>> bool(0.13 < chance[0] < 0.2)
    True
    """
    said, came = np.asarray(said, dtype=np.float64), np.asarray(came, dtype=np.float64)
    known = np.isfinite(said) & np.isfinite(came)
    log = -0.5 * np.square(MIDDLES[:, None] / MIDDLE_SD) - 0.5 * np.square(SPREADS / SPREAD_SD)
    off = np.exp(-0.5 * np.square((OFF - MIDDLES[:, None, None]) / SPREADS[:, None]))
    off /= off.sum(axis=2, keepdims=True)
    names, place = np.unique(np.asarray(quarter, dtype=object)[known].astype(str), return_inverse=True)
    for k in range(len(names)):
        # ventings of like chance count together, so that a large fleet costs no more
        odds, which = np.unique(np.round(_log_odds(said[known][place == k]), 2), return_inverse=True)
        n = np.bincount(which)
        failed = np.bincount(which, weights=came[known][place == k])
        raised = odds[:, None] + OFF
        likely = failed @ special.log_expit(raised) + (n - failed) @ special.log_expit(-raised)
        log = log + np.log(np.maximum(off @ np.exp(likely - likely.max()), 1e-300))
    weight = np.exp(log - log.max())
    return Shift(np.tensordot(weight / weight.sum(), off, axes=2), len(names))


def _log_odds(chance: npt.ArrayLike) -> Floats:
    return np.asarray(special.logit(np.clip(np.asarray(chance, dtype=np.float64), 1e-6, 1 - 1e-6)))


def list_origins(jobs: pd.DataFrame) -> Iterator[tuple[str, pd.DataFrame, pd.DataFrame]]:
    """(quarter, ventings before it, ventings in it) of the last 8 quarters that have at least 40 ventings in 2 quarters before them."""
    quarters = sorted(str(q) for q in jobs["quarter"].dropna().unique())
    for place, quarter in list(enumerate(quarters))[-MOST_QUARTERS:]:
        past, now = jobs[jobs["quarter"].isin(quarters[:place])], jobs[jobs["quarter"] == quarter]
        if place >= FEWEST_QUARTERS and len(past) >= FEWEST_BEFORE and len(now):
            yield quarter, past, now


def explain_past(jobs: pd.DataFrame, lifters: pd.DataFrame) -> causes.Account:
    """The account of ventings, without ranges."""
    return causes.explain_failures(jobs, lifters, draws=0)


def roll_chances(
    jobs: pd.DataFrame,
    lifters: pd.DataFrame,
    *,
    explain: Callable[[pd.DataFrame, pd.DataFrame], causes.Account] = explain_past,
) -> pd.DataFrame:
    """Each past quarter's chances as they would have been told at the end of the quarter before.

    Parameters
    ----------
    jobs : DataFrame
        One row a venting (:func:`ventbook.read_ventings`).
    lifters : DataFrame
        One row a lifter and venting (:func:`ventbook.read_lifters`).
    explain : callable
        Makes the account of some ventings and lifters; default :func:`causes.explain_failures` without ranges.

    Returns
    -------
    DataFrame
        One row a venting of the quarters that can be told: quarter, venting_id, site, account_chance (by the account alone, made
        from LOOKED_AT of the ventings before, of whole engines),
        site_chance (the site's own past share), failed (1, 0 or NaN), chance (the account's, corrected by the quarters told
        before) and chance_u (the part of its standard deviation that the quarter's ventings share).

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import forecast
    >>> ventings, lifters = ventbook.read_ventings("data/demo/store"), ventbook.read_lifters("data/demo/store")
    >>> said = forecast.roll_chances(ventings, lifters)
    >>> sorted(said["quarter"].unique())[0]
    '2025Q2'
    """
    told = []
    for _, past, now in list_origins(jobs):
        out = now[["quarter", "venting_id", "site"]].reset_index(drop=True)
        out["account_chance"] = out["site_chance"] = np.nan
        out["failed"] = now["failed_first"].to_numpy(dtype=float, na_value=np.nan)
        known = past[past["failed_first"].notna()]
        failed = known["failed_first"].astype(float)
        if 0 < failed.sum() < len(failed):
            some = thin_engines(past, most=LOOKED_AT)
            account = explain(some, lifters[is_among(lifters["venting_id"], some["venting_id"])])
            out["account_chance"] = causes.predict_failing(account, now.drop(columns=BEFORE, errors="ignore"))
            share = failed.groupby(known["site"].astype("str")).mean()
            out["site_chance"] = now["site"].astype("str").map(share).fillna(failed.mean()).to_numpy(float)
        told.append(out)
    return correct_chances(pd.concat(told, ignore_index=True) if told else pd.DataFrame(columns=TOLD))


def correct_chances(told: pd.DataFrame) -> pd.DataFrame:
    """``told`` with chance and chance_u, each quarter's from the quarters before it alone."""
    out = told.assign(chance=np.nan, chance_u=np.nan)
    for quarter in sorted(told["quarter"].unique()):
        before, here = told["quarter"] < quarter, told["quarter"] == quarter
        shift = learn_from(told[before])
        out.loc[here, "chance"], out.loc[here, "chance_u"] = shift.correct(told.loc[here, "account_chance"])
    return out


def learn_from(told: pd.DataFrame) -> Shift:
    """The shift from quarters as :func:`roll_chances` gives them."""
    return learn_shift(told["account_chance"], told["failed"], told["quarter"])


@dataclass(frozen=True)
class Deviation:
    """Ventings with a spongy lifter as said and as came, of ``n``; ``error``: standard error of the difference."""

    n: int
    said: float
    came: float
    error: float


def tell_deviation(scored: pd.DataFrame) -> Deviation:
    """What was said and what came of ventings of :func:`roll_chances`, with the standard error of the difference.

    Each venting's luck, and what the ventings of a quarter share; quarters count as independent, since each was told with the
    ones before it known. Ventings without a known result are left out.
    """
    known = scored[scored["failed"].notna() & scored["chance"].notna()]
    chance, shared = known["chance"].to_numpy(float), known["chance_u"].to_numpy(float)
    own = float((chance * (1 - chance) - shared**2).sum())
    by_quarter = known.groupby("quarter")["chance_u"].sum().to_numpy(float)
    error = float(np.sqrt(max(own, 0.0) + np.square(by_quarter).sum()))
    return Deviation(len(known), float(chance.sum()), float(known["failed"].sum()), error)


def reliability(scored: pd.DataFrame) -> pd.DataFrame:
    """Chance said against share that came true, by bin of the chance said; empty bins stay.

    Columns: bin, n, said, came (shares), error (standard error of their difference).
    """
    known = scored[scored["failed"].notna() & scored["chance"].notna()]
    place = np.digitize(known["chance"].to_numpy(float), BINS[1:-1])
    rows = []
    for k, (low, high) in enumerate(itertools.pairwise(BINS)):
        found = tell_deviation(known[place == k])
        share = [value / found.n if found.n else np.nan for value in (found.said, found.came, found.error)]
        rows.append((f"{100 * low:.0f} to {100 * min(high, 1):.0f} %", found.n, *share))
    return pd.DataFrame(rows, columns=["bin", "n", "said", "came", "error"])
