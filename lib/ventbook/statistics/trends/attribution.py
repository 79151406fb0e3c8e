"""What else changed when a series moved: the mix, the gauge, who did the work, the lot, the form.

A signal says that the records moved, not why. Before engines are blamed, the measuring is: a gauge that reads high
raises every gap, the sound lifters' too, while air raises only the spongy ones'. So gauges are compared on the lower
half of each venting's gaps, which a few spongy lifters don't touch, and the failing ventings are counted again with
the difference taken out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from ventbook import distributions as stats
from ventbook.results import Estimate, no_estimate
from ventbook.statistics.trends import gauge_drift
from ventbook.statistics.trends.gauge_drift import GaugeDrift, mean_lowest
from ventbook.statistics.trends.mix import read_codes

#: A gauge explains a signal when it takes away at least this part of the excess ...
EXPLAINED = 0.5
#: ... and its difference is this improbable by chance.
IMPROBABLE = 0.01
#: ... and at least this much more of the ventings are read with it than before.
USED_MORE = 0.1

CHANGE_COLUMNS = ("column", "level", "before", "now", "n_before", "n_now", "change", "is_new", "p")


def _difference_p(x: int, n: int, y: int, m: int) -> float:
    """Two-sided p of two shares: Fisher's where any expected count is under 50, else the normal test."""
    if not n or not m:
        return 1.0
    pooled = (x + y) / (n + m)
    if min(pooled, 1 - pooled) * min(n, m) < 50:
        return float(stats.fisher_exact([[x, n - x], [y, m - y]])[1])
    z = (y / m - x / n) / np.sqrt(pooled * (1 - pooled) * (1 / n + 1 / m))
    return float(2 * stats.norm.sf(abs(z)))


@dataclass(frozen=True)
class GaugeShift:
    """How one gauge reads at one site against the other readings there, and what that does to the count.

    ``shift`` is in mm (over 0: reads high). ``failing`` counts the window's ventings failing as read, ``corrected``
    those failing with the shift taken out; ``explained`` is the part of the excess over ``expected`` that goes with
    it. ``share_before`` and ``share_now``: part of the site's ventings read with it before and in the window.
    ``differs``: the shift is plain (p < .01). ``drift``: the gauge reads differently than it used to (p < .01); then ``corrected`` takes that out, period by period, unless the shift itself is the cause.
    ``attributed``: what is taken out explains at least half of the excess, and either differs and is used by at least
    a tenth of the ventings more than before, or is a drift put down to the gauge. ``doubtful``: a drift that explains
    as much may be the gauge's or the site's, or is not plain and may be as large.
    """

    gauge: str
    site: str
    first_used: str
    shift: Estimate
    p: float
    failing: int
    corrected: int
    expected: float
    explained: float
    share_before: float
    share_now: float
    differs: bool
    attributed: bool
    drift: GaugeDrift | None = None
    doubtful: bool = False

    @property
    def used_more(self) -> float:
        """How much more of the site's ventings are read with it than before."""
        return self.share_now - self.share_before


def compare_mix(
    frame: pd.DataFrame, *, past: Sequence[str], recent: Sequence[str], columns: Sequence[str],
    period: str = "quarter", private: Sequence[str] = ("technician",),
) -> pd.DataFrame:  # fmt: skip
    """Shares of every level of some columns in the recent periods against the past ones, largest change first.

    Parameters
    ----------
    frame : DataFrame
        One row a venting.
    past, recent : sequence of str
        Periods to set against each other.
    columns : sequence of str
        Columns looked at; those that the frame lacks are passed over.
    period : str
        Column of the periods.
    private : sequence of str
        Columns whose levels are never named: one row says which share of recent ventings comes from levels
        that the past doesn't have.

    Returns
    -------
    DataFrame
        column, level, shares before and now with their numbers, ``change`` (now - before), ``is_new`` (a
        level without a past), ``p`` the exact (Fisher) probability of so different counts.

    Notes
    -----
    Missing values are the level "not recorded". Many levels are looked at, so read ``p`` as an order, not a
    proof.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import trends
    >>> ventings = ventbook.read_ventings("data/demo/store")
    >>> table = trends.compare_mix(ventings, past=["2025Q3", "2025Q4"], recent=["2026Q3"], columns=["reason"])
    >>> table["column"].unique().tolist(), bool(table["change"].abs().is_monotonic_decreasing)
    (['reason'], True)
    """
    kept = frame[[period, *(name for name in columns if name in frame.columns)]]
    old, new = kept[kept[period].isin(list(past))], kept[kept[period].isin(list(recent))]
    rows = []
    for column in columns:
        if column not in frame.columns:
            continue
        before, now = (_levels(part[column]).value_counts() for part in (old, new))
        n_before, n_now = int(before.sum()), int(now.sum())
        if column in private:
            fresh = int(now[~now.index.isin(before.index[before > 0])].sum())
            share = fresh / n_now if n_now else np.nan
            rows.append((column, "", 0.0, share, n_before, n_now, share, fresh > 0, np.nan))
            continue
        for level in sorted(set(before.index[before > 0]) | set(now.index[now > 0])):
            x, y = int(before.get(level, 0)), int(now.get(level, 0))
            s = x / n_before if n_before else np.nan
            t = y / n_now if n_now else np.nan
            p = _difference_p(x, n_before, y, n_now)
            rows.append((column, str(level), s, t, n_before, n_now, t - s, x == 0 and n_before > 0, p))
    table = pd.DataFrame(rows, columns=list(CHANGE_COLUMNS))
    order = table["change"].abs().sort_values(ascending=False, kind="stable").index
    return table.loc[order].reset_index(drop=True)


def compare_gauges(
    lifters: pd.DataFrame,
    *,
    site: str,
    window: Sequence[str],
    expected: float,
    period: str = "quarter",
    level: float = 0.95,
    ventings: pd.DataFrame | None = None,
    drifts: Sequence[GaugeDrift] = (),
) -> list[GaugeShift]:
    """Every gauge used at a site in a window against all other readings of the site, and what that does to the count.

    Parameters
    ----------
    lifters : DataFrame
        One row a lifter and venting with venting_id, site, gauge, engine_type, ``period``, gap_first_mm and
        limit_mm.
    site : str
    window : sequence of str
        Periods of the window.
    expected : float
        Failing ventings expected in the window.
    period : str
        Column of the periods.
    level : float
        Confidence level, 0.95 = 95 %.
    ventings : DataFrame, optional
        The ventings where their means are known already: site, gauge, engine_type, ``period`` and
        sound_gap_mm (mm, see :func:`mean_lowest`); else they are worked out from ``lifters``.
    drifts : sequence of GaugeDrift
        Gauges against their own past, of the same periods (:func:`find_gauge_drifts`).

    Returns
    -------
    list of GaugeShift
        One a gauge: its shift (mm, over 0: reads high), failing ventings as read and with the shift taken
        out, and whether the excess over ``expected`` is attributed to it.

    Notes
    -----
    Per venting the mean of the lower half of its gaps; difference of means within engine types (weights n1 n2
    / n), each side's own variance, t interval with Welch-Satterthwaite freedom. Where one gauge plainly
    differs, the others are held against the readings without it.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import trends
    >>> lifters = ventbook.read_lifters("data/demo/store")
    >>> shifts = trends.compare_gauges(lifters, site="Harbour", window=["2026Q3"], expected=10.0)
    >>> len(shifts) >= 1, {shift.site for shift in shifts}
    (True, {'Harbour'})
    """
    gap, limit = "gap_first_mm", "limit_mm"
    columns = ["venting_id", "gauge", "engine_type", period, gap, limit]
    mask = ((lifters["site"] == site) & lifters[gap].notna()).to_numpy()
    if ventings is None:
        here = lifters.loc[mask, columns]
        means = _venting_means(here, gap, period)
        recent = here[here[period].isin(list(window))]
    else:
        means = ventings[["gauge", "engine_type", period, "sound_gap_mm"]].rename(
            columns={"sound_gap_mm": "gap"}
        )
        means = means[means["gap"].notna() & (ventings["site"] == site)]
        recent = lifters.loc[mask & lifters[period].isin(list(window)).to_numpy(), columns]
    names = sorted(recent["gauge"].dropna().unique())
    shifts = _shift_each(means, names, drifts, level)
    found = []
    for gauge in names:
        first = str(means.loc[means["gauge"] == gauge, period].min())
        shift, p = shifts[gauge]
        used = (means["gauge"] == gauge).to_numpy()
        masks = ((means[period] < min(window)).to_numpy(), means[period].isin(list(window)).to_numpy())
        before, now = (float(used[part].mean()) if part.any() else 0.0 for part in masks)
        differs = shift.estimate is not None and p < IMPROBABLE
        failing, corrected = _recount(recent, gauge, gap, limit, shift.estimate or 0.0)
        explained = _explain(failing, corrected, expected)
        cause = differs and now - before >= USED_MORE and explained >= EXPLAINED
        own = next((drift for drift in drifts if drift.gauge == gauge), None)
        doubtful = False
        if own is not None and not cause:
            if own.verdict and max(own.by_period["period"]) >= min(window):
                moved = recent[period].map(own.shifts()).fillna(0.0).to_numpy(float)
                corrected = _recount(recent, gauge, gap, limit, moved)[1]
                explained = _explain(failing, corrected, expected)
                cause = own.verdict == gauge_drift.GAUGE and explained >= EXPLAINED
                doubtful = own.verdict == gauge_drift.OPEN and explained >= EXPLAINED
            else:
                end = (own.shift.high if failing > expected else own.shift.low) or 0.0
                if not own.verdict and abs(end) >= gauge_drift.LEAST_DRIFT_MM:
                    most = _recount(recent, gauge, gap, limit, end)[1]
                    doubtful = _explain(failing, most, expected) >= EXPLAINED
                own = None if not doubtful else own
        found.append(
            GaugeShift(
                gauge,
                site,
                first,
                shift,
                p,
                failing,
                corrected,
                expected,
                explained,
                before,
                now,
                differs,
                cause,
                own,
                doubtful,
            )
        )
    return found


def _venting_means(here: pd.DataFrame, gap: str, period: str) -> pd.DataFrame:
    """One row a venting: mean gap of its lower half, its gauge, engine type and period."""
    first = here.drop_duplicates("venting_id").set_index("venting_id")[["gauge", "engine_type", period]]
    return first.assign(gap=mean_lowest(here, gap=gap))


def _shift_each(
    means: pd.DataFrame, names: Sequence[str], drifts: Sequence[GaugeDrift], level: float
) -> dict[str, tuple[Estimate, float]]:
    """Shift of every gauge against the others with its p; where one plainly differs, the others' without it."""
    shifts = {gauge: _shift(means, gauge, level) for gauge in names}
    if len(names) < 2:
        return shifts
    # The gauge that differs most would make all the others look off the other way: they are held against the rest.
    # Of two gauges either could be the odd one: take the one that moved, then the less used, then the one that reads high.
    used_by = means["gauge"].value_counts()
    drifted = {drift.gauge for drift in drifts if drift.verdict == gauge_drift.GAUGE}
    odd = min(
        names,
        key=lambda gauge: (
            gauge not in drifted,
            shifts[gauge][1],
            int(used_by.get(gauge, 0)),
            -(shifts[gauge][0].estimate or 0.0),
        ),
    )
    if shifts[odd][1] < IMPROBABLE:
        rest = means[means["gauge"] != odd]
        shifts |= {gauge: _shift(rest, gauge, level) for gauge in names if gauge != odd}
    return shifts


def _shift(per: pd.DataFrame, gauge: str, level: float) -> tuple[Estimate, float]:
    mine = (per["gauge"] == gauge).to_numpy()
    method = "mean of the lower half of each venting's gaps, within engine types"
    total, weight_sum, variance, parts = 0.0, 0.0, 0.0, []
    for _, group in per.assign(mine=mine).groupby("engine_type"):
        a, b = group.loc[group["mine"], "gap"], group.loc[~group["mine"], "gap"]
        if len(a) < 2 or len(b) < 2:
            continue
        weight = len(a) * len(b) / (len(a) + len(b))
        va, vb = float(a.var()) / len(a), float(b.var()) / len(b)
        total += weight * float(a.mean() - b.mean())
        weight_sum += weight
        variance += weight**2 * (va + vb)
        parts += [(weight**2 * va) ** 2 / (len(a) - 1), (weight**2 * vb) ** 2 / (len(b) - 1)]
    n = int(mine.sum())
    if not weight_sum or not variance > 0:
        return no_estimate("too_few", level=level, unit="mm", n=n, method=method), 1.0
    shift, se = total / weight_sum, float(np.sqrt(variance)) / weight_sum
    freedom = variance**2 / sum(parts)
    half = float(stats.t.ppf(0.5 + level / 2, freedom)) * se
    p = float(2 * stats.t.sf(abs(shift) / se, freedom))
    return Estimate(shift, shift - half, shift + half, level, "mm", n, n, method), p


def _explain(failing: int, corrected: int, expected: float) -> float:
    """Part of what failing ventings are beyond (or short of) the expected that goes when they are corrected."""
    return float((failing - corrected) / (failing - expected)) if failing != expected else 0.0


def _recount(recent: pd.DataFrame, gauge: str, gap: str, limit: str, shift: npt.ArrayLike) -> tuple[int, int]:
    """Failing ventings as read, and with the gauge's shift (mm; one, or one a row) taken out."""
    value, bound = recent[gap].to_numpy(float), recent[limit].to_numpy(float)
    corrected = value - np.where((recent["gauge"] == gauge).to_numpy(), shift, 0.0)
    venting = pd.factorize(recent["venting_id"])[0]
    raw, left = (len(np.unique(venting[over > bound])) for over in (value, corrected))
    return raw, left


def _levels(column: pd.Series) -> pd.Series:
    return read_codes(column)
