"""Does a gauge read differently than it used to, and is it the gauge or the site?

A gauge's zero that moves raises every gap alike, the sound lifters' too; air in some lifters raises only those. So each
gauge is held against its own past on the lower half of each venting's gaps, within site and engine type, period by
period: a step or a slope from some period on. Whether the gauge or the site moved is told by what shares only one of
them: another gauge at the same site, the same gauge at another site, a study, and the lowest gaps of all, which a zero
moves as far as the others while force, air or the place of the lever move gaps in proportion.

Shifts are readings now less readings before, in mm: over 0 the gauge reads higher than it did.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import scipy
from numpy.typing import NDArray

from ventbook import distributions as stats
from ventbook.model.verdicts import is_over
from ventbook.numerics import NO_SPREAD, Floats, Ints
from ventbook.results import Estimate, no_estimate
from ventbook.tables import Gauges, evidence
from ventbook.tables.gauges import CERTIFICATE, STUDY

#: Gauges that drift, as a family of the quarter's error budget.
DRIFT_FAMILY = "gauge.drift"
#: A drift is told from this much on (mm), as other differences of gauges are.
LEAST_DRIFT_MM = 0.03
#: Ventings on each side of a change, at least.
LEAST_VENTINGS = 5
#: Two places of a change whose chi-squared differs by less can't be told apart (95 %, one degree of freedom).
SAME_PLACE = 3.84
#: Within-gauge comparisons that decide between gauge and site are held to this.
DECIDES = 0.01
#: Readings of 0 after a fall, from which the lowest gaps say nothing: they can't fall further.
MOST_ZEROS = 0.05

GAUGE, SITE, OPEN = "gauge", "site", "gauge or site"
METHOD = (
    "mean of the lower half of each venting's gaps against the gauge's own past, within site and engine type"
)
NEEDED = ("venting_id", "engine_id", "site", "engine_type", "gauge", "sound_gap_mm", "lowest_gap_mm")
BIAS_COLUMNS = ("gauge", "from", "until", "bias", "uncertainty", "source")


@dataclass(frozen=True)
class GaugeDrift:
    """How one gauge reads against its own past.

    ``shift`` (mm) is that of the last period it was used in, ``rate`` (mm a period) that of a slope. ``kind`` is "step", "slope", or ""
    where the periods since don't tell. ``since`` is the first period that reads differently, ``earliest`` the first that may. ``p`` is
    raised for all places a change was looked for at, ``standing`` what all gauges' p together allow. ``by_period``: period, ventings,
    shift_mm and its standard uncertainty u_mm for each period since. ``verdict``: GAUGE, SITE or OPEN, where ``ground`` says by what
    ("study", "other gauge", "other site", "lowest gaps"); "" where nothing moved.
    """

    gauge: str
    sites: tuple[str, ...]
    kind: str
    since: str
    earliest: str
    last: str
    shift: Estimate
    rate: Estimate
    p: float
    standing: str
    by_period: pd.DataFrame
    verdict: str = ""
    ground: str = ""

    @property
    def is_plain(self) -> bool:
        """Whether a page may name it: within the family's share, and large enough to matter."""
        return self.standing == evidence.NAMED and abs(self.shift.estimate or 0.0) >= LEAST_DRIFT_MM

    def mean_since(self, label: str) -> float:
        """Mean shift (mm) of the periods from ``label`` on, ventings alike; 0 before it moved."""
        shifts = pd.Series(self.shifts())
        weight = self.by_period.set_index("period")["ventings"]
        late = shifts.index >= label
        return float((shifts * weight)[late].sum() / weight[late].sum()) if late.any() else 0.0

    def shifts(self) -> dict[str, float]:
        """Shift (mm) by period since the change; a step's is one for all."""
        if self.kind == "step" and self.shift.estimate is not None:
            return dict.fromkeys(self.by_period["period"], self.shift.estimate)
        return dict(zip(self.by_period["period"], self.by_period["shift_mm"], strict=True))


def mean_lowest(lifters: pd.DataFrame, *, part: float = 0.5, gap: str = "gap_first_mm") -> pd.Series:
    """Mean of the lowest part of each venting's gaps: its sound lifters, as the gauge reads.

    Parameters
    ----------
    lifters : DataFrame
        One row a lifter and venting, with venting_id.
    part : float
        Part of the venting's lifters, 0.5 = the lower half.
    gap : str
        Column of the gap, mm.

    Returns
    -------
    Series, mm
        Index venting_id; ventings without a reading are left out. Broken numbers of lifters are rounded up.

    Examples
    --------
    >>> import pandas as pd
    >>> from ventbook.statistics import trends
    >>> lifters = pd.DataFrame({"venting_id": ["V1"] * 4, "gap_first_mm": [0.2, 0.9, 0.1, 0.3]})
    >>> round(float(trends.mean_lowest(lifters)["V1"]), 3)
    0.15
    """
    value = lifters[gap].to_numpy(float)
    code, ids = pd.factorize(lifters["venting_id"])
    code, value = code[~np.isnan(value)], value[~np.isnan(value)]
    order = np.lexsort((value, code))
    sizes = np.bincount(code, minlength=len(ids))
    start = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    sorted_code = code[order]
    lower = np.arange(len(order)) - start[sorted_code] < np.ceil(sizes[sorted_code] * part)
    total = np.bincount(sorted_code[lower], value[order][lower], len(ids))
    count = np.bincount(sorted_code[lower], minlength=len(ids))
    mean = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return pd.Series(mean, index=pd.Index(ids, name="venting_id"), name=gap)[~np.isnan(mean)]


def list_sound_gaps(
    lifters: pd.DataFrame, *, period: str = "quarter", gap: str = "gap_first_mm"
) -> pd.DataFrame:
    """One row a venting: where, which engine and gauge, and the mean of its lower half and of its lowest quarter.

    Parameters
    ----------
    lifters : DataFrame
        One row a lifter and venting (:func:`ventbook.read_lifters`).
    period : str
        Column of the periods.
    gap : str
        Column of the gap, mm.

    Returns
    -------
    DataFrame
        venting_id, engine_id, site, engine_type, gauge, the period, sound_gap_mm and lowest_gap_mm; as
        :func:`find_gauge_drifts` takes it.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import trends
    >>> gaps = trends.list_sound_gaps(ventbook.read_lifters("data/demo/store"))
    >>> bool((gaps["lowest_gap_mm"] <= gaps["sound_gap_mm"] + 1e-9).all())
    True
    """
    known = lifters[lifters[gap].notna() & lifters["gauge"].notna()]
    columns = [name for name in (*NEEDED, period) if not name.endswith("_gap_mm")]
    first = known.drop_duplicates("venting_id")[columns].set_index("venting_id")
    return first.assign(
        sound_gap_mm=mean_lowest(known, gap=gap), lowest_gap_mm=mean_lowest(known, part=0.25, gap=gap)
    ).reset_index()


def find_gauge_drifts(
    gaps: pd.DataFrame,
    *,
    period: str = "quarter",
    biases: pd.DataFrame | None = None,
    since: str | None = None,
    level: float = 0.95,
) -> list[GaugeDrift]:
    """Every gauge against its own past: has it moved, since when, how far, and is it the gauge or the site?

    Parameters
    ----------
    gaps : DataFrame
        One row a venting as :func:`list_sound_gaps` gives it.
    period : str
        Column of the periods, labels that sort in time and follow each other without a hole over all gauges.
    biases : DataFrame, optional
        What studies say: gauge, bias and its standard uncertainty (mm); see :func:`list_known_biases`.
    since : str, optional
        The one period to look for a change at, where a signal says it already; default all.
    level : float
        Confidence level, 0.95 = 95 %.

    Returns
    -------
    list of GaugeDrift
        One a gauge with enough ventings in two periods, by name; most have no standing.

    Notes
    -----
    Means of periods by least squares within site and engine type, ventings of one engine correlated alike; to
    their variance comes what periods vary beyond it, from the successive differences of all gauges (median, so
    that one drifting gauge doesn't hide itself). Steps and slopes from every period on are fitted by
    generalised least squares; the likeliest is taken, its p (t, Bonferroni over all places and both shapes).
    The shift is measured from the periods before the earliest place that the data allow.

    That something moved is held to the family's share; whose move it was, to .01. Another gauge at the site decides
    where the gauge's own move against it is over half of it and differs from 0 (the gauge) or is under half of it
    (the site); a slope's moves are slopes. A study decides where its bias and the shift agree. Alone at its
    site, or where the other gauge there doesn't decide and rather stood still, a gauge is named where the lowest
    quarter of the gaps moved as far as the lower half (p over .01) and not in proportion (p within the family's
    share), and the other sites' gauges did not move along.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import trends
    >>> gaps = trends.list_sound_gaps(ventbook.read_lifters("data/demo/store"))
    >>> drifts = trends.find_gauge_drifts(gaps)
    >>> [drift.gauge for drift in drifts if drift.is_plain]
    []
    """
    missing = [name for name in (*NEEDED, period) if name not in gaps.columns]
    if missing:
        raise ValueError(f"gaps lacks the columns {', '.join(missing)}")
    used = gaps[gaps[[*NEEDED[4:], period]].notna().all(axis=1)]
    fleet = _Fleet(used, period)
    found = [_find_drift(fleet, name, since, level) for name in fleet.names]
    drifts = [drift for drift in found if drift is not None]
    standing = evidence.judge_family([drift.p for drift in drifts], DRIFT_FAMILY)
    out = []
    for drift, allowed in zip(drifts, standing, strict=True):
        told = replace(drift, standing=str(allowed))
        if told.p < DECIDES:
            verdict, ground = _decide(fleet, told, biases)
            told = replace(told, verdict=verdict, ground=ground)
        out.append(told)
    return out


def list_drift_biases(
    drifts: Sequence[GaugeDrift], starts: dict[str, pd.Timestamp], *, verdicts: Collection[str] = (GAUGE,)
) -> pd.DataFrame:
    """Drifts that were put down to their gauge, as biases in force by date: the third source of a gauge's bias.

    Parameters
    ----------
    drifts : sequence of GaugeDrift
        As :func:`find_gauge_drifts` gives them.
    starts : dict of str to Timestamp
        First day of each period.
    verdicts : collection of str
        Verdicts that are taken; with OPEN also drifts of which gauge or site can't be told.

    Returns
    -------
    DataFrame
        gauge, from, until (empty: still in force), bias and its standard uncertainty (mm) and source: one row a
        step, one row a period of a slope.

    Notes
    -----
    The bias is against the gauge's own readings before; what it was off then comes on top and is not known
    from this.

    Examples
    --------
    >>> from ventbook.statistics import trends
    >>> trends.list_drift_biases([], {}).columns.tolist()
    ['gauge', 'from', 'until', 'bias', 'uncertainty', 'source']
    """
    rows: list[tuple[object, ...]] = []
    for drift in drifts:
        if not drift.is_plain or drift.verdict not in verdicts:
            continue
        source = f"own readings before {drift.since}"
        own = drift.by_period
        if drift.kind == "step":
            u = standard_uncertainty(drift.shift)
            rows.append((drift.gauge, starts[drift.since], pd.NaT, drift.shift.estimate, u, source))
            continue
        until = [starts[label] for label in own["period"].iloc[1:]] + [pd.NaT]
        for end, row in zip(until, own.to_dict("records"), strict=True):
            rows.append((drift.gauge, starts[row["period"]], end, row["shift_mm"], row["u_mm"], source))
    table = pd.DataFrame(rows, columns=list(BIAS_COLUMNS))
    return table.astype(
        {"bias": float, "uncertainty": float, "from": "datetime64[us]", "until": "datetime64[us]"}
    )


def recount_unmoved(
    ventings: pd.DataFrame, lifters: pd.DataFrame, drifts: Sequence[GaugeDrift], *, period: str = "quarter"
) -> pd.DataFrame:
    """The ventings as they would have been counted had gauges gone on reading as they did before they moved.

    Parameters
    ----------
    ventings : DataFrame
        One row a venting with venting_id, lifters_over_first and failed_first.
    lifters : DataFrame
        One row a lifter and venting with venting_id, gauge, gap_first_mm, limit_mm, over_first and ``period``.
    drifts : sequence of GaugeDrift
        Whose shift is taken out of the readings of the periods since, whatever their verdict.
    period : str
        Column of the periods.

    Returns
    -------
    DataFrame
        ``ventings`` with lifters_over_first and failed_first counted anew; unknown ones stay unknown.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import trends
    >>> ventings, lifters = ventbook.read_ventings("data/demo/store"), ventbook.read_lifters("data/demo/store")
    >>> recounted = trends.recount_unmoved(ventings, lifters, [])
    >>> bool(recounted["failed_first"].eq(ventings["failed_first"]).all())
    True
    """
    moved = np.zeros(len(lifters))
    for drift in drifts:
        on = lifters["gauge"].eq(drift.gauge).fillna(False).to_numpy(bool)
        moved[on] = lifters.loc[on, period].astype("object").map(drift.shifts()).fillna(0.0).to_numpy(float)
    gap, limit = (lifters[name].to_numpy(float, na_value=np.nan) for name in ("gap_first_mm", "limit_mm"))
    known = (moved != 0) & np.isfinite(gap + limit) & lifters["over_first"].notna().to_numpy(bool)
    more = is_over(gap[known] - moved[known], limit[known]).astype(int)
    more -= lifters["over_first"].to_numpy(bool, na_value=False)[known].astype(int)
    added = pd.Series(more).groupby(lifters["venting_id"].to_numpy()[known]).sum()
    over = ventings["lifters_over_first"] + ventings["venting_id"].map(added).fillna(0).to_numpy(int)
    failed = (over > 0).astype("boolean").where(ventings["failed_first"].notna().to_numpy(bool))
    touched = ventings["venting_id"].isin(added.index).to_numpy(bool)
    return ventings.assign(
        lifters_over_first=over, failed_first=ventings["failed_first"].astype("boolean").mask(touched, failed)
    )


def list_known_biases(gauges: Gauges) -> pd.DataFrame:
    """What studies and certificates in a register say of gauges' biases, as :func:`find_gauge_drifts` takes it.

    Parameters
    ----------
    gauges : Gauges
        As :func:`ventbook.tables.load_gauges` gives it.

    Returns
    -------
    DataFrame
        gauge, bias and its standard uncertainty (mm), one row a row of the register.

    Examples
    --------
    >>> from ventbook.statistics import trends
    >>> from ventbook.tables import Gauges
    >>> len(trends.list_known_biases(Gauges()))
    0
    """
    kinds = (STUDY, CERTIFICATE)
    rows = [(row.gauge, row.bias, row.bias_uncertainty) for row in gauges.rows if row.kind in kinds]
    return pd.DataFrame(rows, columns=["gauge", "bias", "uncertainty"])


def standard_uncertainty(estimate: Estimate) -> float:
    """Half the interval over the normal quantile: what a program that reads a bias takes for it (mm)."""
    assert estimate.low is not None and estimate.high is not None
    return (estimate.high - estimate.low) / 2 / float(stats.norm.ppf(0.5 + estimate.level / 2))


@dataclass(frozen=True)
class _Series:
    """Means of some ventings by period (``place``: which periods) with their covariance, up to one constant."""

    place: Ints
    mean: Floats
    cov: Floats
    n: Ints

    def less(self, other: _Series) -> _Series:
        """This series less another one, where both have ventings."""
        place, mine, theirs = np.intersect1d(self.place, other.place, return_indices=True)
        cov = self.cov[np.ix_(mine, mine)] + other.cov[np.ix_(theirs, theirs)]
        return _Series(
            place, self.mean[mine] - other.mean[theirs], cov, np.minimum(self.n[mine], other.n[theirs])
        )

    def widen(self, variance: float) -> _Series:
        """The same where every period varies by ``variance`` besides."""
        return replace(self, cov=self.cov + variance * np.eye(len(self.mean)))

    def fit(self, x: Floats) -> tuple[float, float]:
        """Coefficient of ``x`` beside a constant, by generalised least squares, and its standard error."""
        y, x = self.mean[1:] - self.mean[0], x[1:] - x[0]
        cov = self.cov[1:, 1:] - self.cov[1:, :1] - self.cov[:1, 1:] + self.cov[0, 0]
        weighted = np.linalg.solve(cov, x)
        information = float(x @ weighted)
        return float(weighted @ y) / information, information**-0.5


class _Fleet:
    """Sound gaps of all gauges by period, and how far periods of one gauge vary where nothing changed."""

    def __init__(self, gaps: pd.DataFrame, period: str) -> None:
        self.labels = sorted({str(label) for label in gaps[period]})
        self.place = pd.Index(self.labels).get_indexer(pd.Index(gaps[period].astype(str)))
        self.gauge = gaps["gauge"].astype(str).to_numpy(dtype=object)
        self.site = gaps["site"].astype(str).to_numpy(dtype=object)
        self.stratum = gaps.groupby(["site", "engine_type"], dropna=False, observed=True).ngroup().to_numpy()
        self.engine = pd.factorize(gaps["engine_id"], use_na_sentinel=False)[0]
        self.gap = gaps["sound_gap_mm"].to_numpy(float)
        self.lowest = gaps["lowest_gap_mm"].to_numpy(float)
        self.names = sorted(set(self.gauge.tolist()))
        self.alike, self.vary, self.steps = 0.0, 0.0, 0
        self.alike = self._correlate()
        own = {name: self.series(self.gauge == name) for name in self.names}
        self.vary, self.steps = spread_of_periods([series for series in own.values() if series is not None])
        self.own = {name: None if series is None else series.widen(self.vary) for name, series in own.items()}

    @property
    def freedom(self) -> float:
        """Degrees of freedom behind the spread of periods."""
        return max(self.steps - 1.0, 1.0)

    def series(
        self, rows: NDArray[np.bool_], value: Floats | None = None, *, steady: bool = True
    ) -> _Series | None:
        """Means by period of some ventings; None with one period or without spread. ``steady``: periods vary beyond chance."""
        y = (self.gap if value is None else value)[rows]
        if not len(y):
            return None
        at, period = np.unique(self.place[rows], return_inverse=True)
        strata, stratum = np.unique(self.stratum[rows], return_inverse=True)
        n, columns = len(y), len(at) + len(strata)
        if len(at) < 2 or n <= columns:
            return None
        place = np.arange(n)
        design = scipy.sparse.csr_array(
            (np.ones(2 * n), (np.tile(place, 2), np.concatenate([period, len(at) + stratum]))), (n, columns)
        )
        inverse = np.linalg.pinv((design.T @ design).toarray(), hermitian=True)
        fitted = inverse @ (design.T @ y)
        left = y - design @ fitted
        variance = float(left @ left) / (n - columns + 1)
        if not variance > 1e-12:
            return None
        engine = np.unique(self.engine[rows], return_inverse=True)[1]
        by_engine = scipy.sparse.csr_array((np.ones(n), (engine, place))) @ design
        alike = self.alike if value is None else 0.0
        spread = (1 - alike) * (design.T @ design).toarray() + alike * (by_engine.T @ by_engine).toarray()
        cov = (variance * inverse @ spread @ inverse)[: len(at), : len(at)]
        own = _Series(at, fitted[: len(at)], cov, np.bincount(period))
        return own.widen(self.vary) if steady else own

    def _correlate(self) -> float:
        """Correlation of one engine's ventings, over all gauges, from pairs within gauge, stratum and period means."""
        cell = pd.DataFrame({"g": self.gauge, "s": self.stratum, "t": self.place, "y": self.gap})
        left = self.gap - cell.groupby(["g", "t"])["y"].transform("mean").to_numpy(float)
        left -= pd.Series(left).groupby(self.stratum).transform("mean").to_numpy(float)
        size = np.bincount(self.engine)
        pairs = float((size * (size - 1)).sum())
        square = float(left @ left)
        if pairs < 50 or not square > 0:
            return 0.0
        within = float((np.bincount(self.engine, left) ** 2).sum()) - square
        return float(np.clip(within / pairs / (square / len(left)), 0.0, 0.95))


def spread_of_periods(series: Sequence[_Series]) -> tuple[float, int]:
    """Variance of a gauge's periods beyond chance (mm2), and how many successive differences it comes from."""
    square, chance = [], []
    for own in series:
        for i in range(len(own.place) - 1):
            square.append((own.mean[i + 1] - own.mean[i]) ** 2)
            chance.append(own.cov[i, i] + own.cov[i + 1, i + 1] - 2 * own.cov[i, i + 1])
    if len(square) < 3:
        return 0.0, len(square)
    middle = float(stats.chi2.median(1))
    d, v = np.array(square), np.maximum(np.array(chance), 1e-12)

    def beyond(variance: float) -> float:
        return float(np.median(d / (v + 2 * variance))) - middle

    if beyond(0.0) <= 0:
        return 0.0, len(square)
    return float(scipy.optimize.brentq(beyond, 0.0, float(d.max()) / middle)), len(square)


def _shapes(own: _Series) -> list[tuple[str, int, Floats]]:
    """Every step and slope that has enough ventings on each side: kind, place of the first period after, shape."""
    out: list[tuple[str, int, Floats]] = []
    for k in range(1, len(own.place)):
        if own.n[:k].sum() < LEAST_VENTINGS or own.n[k:].sum() < LEAST_VENTINGS:
            continue
        out.append(("step", k, (np.arange(len(own.place)) >= k).astype(float)))
        if k < len(own.place) - 1:
            # from the period's first day on, so that its own mean is half a period's worth
            out.append(("slope", k, np.where(own.place >= own.place[k], own.place - own.place[k] + 0.5, 0.0)))
    return out


def _find_drift(fleet: _Fleet, name: str, since: str | None, level: float) -> GaugeDrift | None:
    own = fleet.own[name]
    if own is None:
        return None
    labels = [fleet.labels[place] for place in own.place]
    shapes = [shape for shape in _shapes(own) if since is None or labels[shape[1]] == since]
    if not shapes:
        return None
    fits = [own.fit(x) for _, _, x in shapes]
    z = np.array([value / error for value, error in fits])
    best = int(np.argmax(np.abs(z)))
    kind, first, _ = shapes[best]
    p = min(1.0, len(shapes) * 2 * float(stats.t.sf(abs(z[best]), fleet.freedom)))
    near = z**2 >= z[best] ** 2 - SAME_PLACE
    earliest = min(k for (_, k, _), close in zip(shapes, near, strict=True) if close)
    kinds = {shape for (shape, _, _), close in zip(shapes, near, strict=True) if close}
    told = kind if len(kinds) == 1 and len(own.place) - first > 1 else ""
    t = float(stats.t.ppf(0.5 + level / 2, fleet.freedom))
    shifts, errors = _shift_since(own, earliest, first)
    n, engines = int(own.n.sum()), len(np.unique(fleet.engine[fleet.gauge == name]))
    value, error = shifts[-1], errors[-1]
    if told == "step":
        kept = np.r_[0:earliest, first : len(own.place)]
        part = _Series(own.place[kept], own.mean[kept], own.cov[np.ix_(kept, kept)], own.n[kept])
        value, error = part.fit((part.place >= own.place[first]).astype(float))
    shift = Estimate(value, value - t * error, value + t * error, level, "mm", n, engines, METHOD)
    rate = no_estimate("too_few", level=level, unit="mm", n=n, method=METHOD, note=NO_SPREAD)
    if told == "slope":
        value, error = fits[best]
        rate = Estimate(value, value - t * error, value + t * error, level, "mm", n, engines, METHOD)
    by_period = pd.DataFrame(
        {"period": labels[first:], "ventings": own.n[first:], "shift_mm": shifts, "u_mm": errors}
    )
    sites = tuple(sorted(set(fleet.site[fleet.gauge == name].tolist())))
    return GaugeDrift(
        name, sites, told, labels[first], labels[earliest], labels[-1], shift, rate, p, "", by_period
    )


def _shift_since(own: _Series, earliest: int, first: int) -> tuple[Floats, Floats]:
    """Means of the periods from ``first`` on less that of the periods before ``earliest``, and their standard errors."""
    base = own.cov[:earliest, :earliest]
    # weights by what periods vary on their own; their common constant drops out of the differences
    weight = 1.0 / np.maximum(np.diag(base), 1e-12)
    weight = weight / weight.sum()
    places = np.arange(first, len(own.place))
    contrast = np.zeros((len(places), len(own.place)))
    contrast[np.arange(len(places)), places] = 1.0
    contrast[:, :earliest] -= weight
    cov = contrast @ own.cov @ contrast.T
    return contrast @ own.mean, np.sqrt(np.maximum(np.diag(cov), 1e-12))


def _decide(fleet: _Fleet, drift: GaugeDrift, biases: pd.DataFrame | None) -> tuple[str, str]:
    """Gauge, site or either, and by what it was told."""
    shift = drift.shift.estimate or 0.0
    u = standard_uncertainty(drift.shift)
    for row in [] if biases is None else biases[biases["gauge"] == drift.gauge].to_dict("records"):
        off = abs(row["bias"] - shift) / np.hypot(row["uncertainty"], u)
        if off < stats.norm.isf(DECIDES / 2) and row["bias"] / shift > 0.5:
            return GAUGE, "study"
    mine = fleet.gauge == drift.gauge
    here = np.isin(fleet.site, drift.sites)
    own = _moved(fleet, fleet.own[drift.gauge], drift)
    against = _against(fleet, ~mine & here, drift)
    if own is not None and against is not None:
        told = _compare_moves(own, against, fleet.freedom)
        if told:
            return told, "other gauge"
    by_site = [_moved(fleet, fleet.series(mine & (fleet.site == site)), drift) for site in drift.sites]
    seen = [move for move in by_site if move is not None]
    elsewhere = _against(fleet, ~mine & ~here, drift)
    alone = own is None or elsewhere is None or _compare_moves(own, elsewhere, fleet.freedom) == GAUGE
    least = float(stats.t.isf(DECIDES / 2, fleet.freedom))
    if alone and len(seen) > 1 and all(value / error * np.sign(shift) > least for value, error in seen):
        return GAUGE, "other site"
    # another gauge at the site that rather moved along speaks against a zero of this one alone
    apart = own is None or against is None or against[0] / own[0] > 0.5
    if alone and apart and _zero_moved(fleet, mine, drift):
        return GAUGE, "lowest gaps"
    return OPEN, ""


def _moved(fleet: _Fleet, series: _Series | None, drift: GaugeDrift) -> tuple[float, float] | None:
    """Mean of the periods since the drift began less that of those before it may have begun, with its standard error."""
    if series is None:
        return None
    first, earliest = fleet.labels.index(drift.since), fleet.labels.index(drift.earliest)
    kept = np.flatnonzero((series.place < earliest) | (series.place >= first))
    after = series.place[kept] >= first
    if series.n[kept][after].sum() < LEAST_VENTINGS or series.n[kept][~after].sum() < LEAST_VENTINGS:
        return None
    part = _Series(series.place[kept], series.mean[kept], series.cov[np.ix_(kept, kept)], series.n[kept])
    grown = np.where(after, part.place - first + 0.5, 0.0)
    return part.fit(grown if drift.kind == "slope" else after.astype(float))


def _against(fleet: _Fleet, others: NDArray[np.bool_], drift: GaugeDrift) -> tuple[float, float] | None:
    """How far the gauge moved against other readings of the same periods."""
    own, company = fleet.own[drift.gauge], fleet.series(others)
    return None if own is None or company is None else _moved(fleet, own.less(company), drift)


def _compare_moves(own: tuple[float, float], against: tuple[float, float], freedom: float) -> str:
    """GAUGE where it moved against the others, SITE where less than half of its move is against them, else ""."""
    sign = np.sign(own[0])
    move, error = against[0] * sign, against[1]
    sure = float(stats.t.isf(DECIDES, freedom)) * error
    if move > max(sure, abs(own[0]) / 2):
        return GAUGE
    return SITE if move + sure < abs(own[0]) / 2 else ""


def _zero_moved(fleet: _Fleet, mine: NDArray[np.bool_], drift: GaugeDrift) -> bool:
    """Whether the lowest gaps moved as far as the lower half of all, and not in proportion."""
    after = mine & (fleet.place >= fleet.labels.index(drift.since))
    before = mine & (fleet.place < fleet.labels.index(drift.earliest))
    shift = drift.shift.estimate or 0.0
    if not before.any() or (shift < 0 and (fleet.lowest[after] <= 0).mean() > MOST_ZEROS):
        return False
    own = _moved(fleet, fleet.own[drift.gauge], drift)
    gap = _moved(fleet, fleet.series(mine, fleet.lowest - fleet.gap, steady=False), drift)
    if own is None or gap is None:
        return False
    part = 1 - float(fleet.lowest[before].mean() / fleet.gap[before].mean())
    in_proportion = -part * own[0]
    alike = abs(gap[0]) / gap[1] < stats.norm.isf(DECIDES / 2)
    share = evidence.load_budget().share(DRIFT_FAMILY)
    apart = np.sign(own[0]) * (gap[0] - in_proportion) / np.hypot(gap[1], part * own[1])
    return bool(alike and apart > stats.norm.isf(share))
