"""Uncertainty of a reading by gauge, where it comes from, and how several sources add up.

References
----------
[1] JCGM 100:2008 (GUM), 5.1.2 and G.4: combination of variances, effective degrees of freedom.
[2] J. M. Bland, D. G. Altman, Lancet 327 (1986) 307: agreement of two ways of measuring.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from ventbook.physics.gauge.conformance import ASSUMED_U_MM
from ventbook.physics.gauge.studies import GaugeStudy, analyse_study
from ventbook.results import NotEnoughData

LEAST_FREEDOM = 5
"""Fewer degrees of freedom than this say too little to replace the assumed uncertainty."""


@dataclass(frozen=True)
class Combined:
    """Combined standard uncertainty, its effective degrees of freedom, coverage factor, expanded uncertainty."""

    u: float
    freedom: float
    k: float
    expanded: float


def combine_uncertainties(
    u: Sequence[float], freedom: Sequence[float] | None = None, *, level: float = 0.95
) -> Combined:
    """Root sum of squares of independent sources; Welch-Satterthwaite degrees of freedom, cut to a whole number for k.

    freedom : degrees of freedom of each source, inf where it is well known (all inf where None).
    """
    parts = np.asarray(u, dtype=float)
    if parts.size == 0 or np.any(parts < 0) or not np.isfinite(parts).all():
        raise ValueError("u must hold at least one value, each finite and 0 or more")
    total = float(np.sqrt((parts**2).sum()))
    df = np.full(parts.size, np.inf) if freedom is None else np.asarray(freedom, dtype=float)
    if df.shape != parts.shape or np.any(df <= 0):
        raise ValueError("freedom must hold one value over 0 for each of u")
    bottom = float((parts**4 / df).sum())
    effective = float(total**4 / bottom) if bottom > 0 else float("inf")
    k = float(stats.norm.ppf(0.5 + level / 2))
    if np.isfinite(effective):
        k = float(stats.t.ppf(0.5 + level / 2, max(1.0, np.floor(effective))))
    return Combined(total, effective, k, k * total)


def resolution_uncertainty(step: float) -> float:
    """Standard uncertainty of rounding to a step, mm: step / sqrt(12) [1]."""
    return step / np.sqrt(12)


@dataclass(frozen=True)
class Agreement:
    """Two gauges on the same lifters: mean difference, its spread, and the limits that hold 95 in 100 differences [2]."""

    mean: float
    sd: float
    low: float
    high: float
    n: int


def compare_pairs(a: npt.ArrayLike, b: npt.ArrayLike, *, factor: float = 1.96) -> Agreement:
    """Agreement of paired readings a - b; pairs with either missing are left out, three pairs at least."""
    d = np.asarray(a, dtype=float) - np.asarray(b, dtype=float)
    d = d[np.isfinite(d)]
    if d.size < 3:
        raise NotEnoughData("agreement of two gauges, pairs", n=d.size, needed=3)
    mean, sd = float(d.mean()), float(d.std(ddof=1))
    return Agreement(mean, sd, mean - factor * sd, mean + factor * sd, d.size)


def agree_kappa(table: npt.ArrayLike) -> float:
    """Cohen's kappa of two judges from their cross table (firm / spongy): agreement beyond chance, 1 = full."""
    m = np.asarray(table, dtype=float)
    if m.ndim != 2 or m.shape[0] != m.shape[1] or m.sum() <= 0:
        raise ValueError("table must be square with at least one count")
    p = m / m.sum()
    chance = float(p.sum(1) @ p.sum(0))
    if chance >= 1:
        raise NotEnoughData("agreement of two judges, classes used", n=1, needed=2)
    return float((np.trace(p) - chance) / (1 - chance))


def agree_fleiss(counts: npt.ArrayLike) -> float:
    """Fleiss' kappa: counts[subject, class] of equally many judges a subject."""
    m = np.asarray(counts, dtype=float)
    judges = m.sum(1)
    if m.ndim != 2 or np.ptp(judges) != 0 or judges[0] < 2:
        raise ValueError("counts must have the same number of judges, two at least, in every row")
    n = judges[0]
    agree = (((m**2).sum(1) - n) / (n * (n - 1))).mean()
    chance = float(((m.sum(0) / m.sum()) ** 2).sum())
    if chance >= 1:
        raise NotEnoughData("agreement of judges, classes used", n=1, needed=2)
    return float((agree - chance) / (1 - chance))


def repeatability_from_rechecks(rechecks: pd.DataFrame) -> pd.DataFrame:
    """Repeatability by gauge from second looks with no run between: a row a gauge, with u_mm, freedom, pairs.

    rechecks : one row a second look with gauge, gap_first_mm, gap_last_mm (same gauge both times). Only lifters over
    the limit are usually read twice, and those were picked for a high first reading: the mean change is taken out, and
    so is what is left of the picking only in part; the number is a hint, not a study.
    """
    columns = ["gauge", "u_mm", "freedom", "pairs"]
    rows = []
    data = rechecks.dropna(subset=["gauge", "gap_first_mm", "gap_last_mm"])
    for name, part in data.groupby("gauge", observed=True):
        d = (part["gap_last_mm"] - part["gap_first_mm"]).to_numpy(dtype=float)
        if d.size >= 2:
            rows.append((name, float(d.std(ddof=1) / np.sqrt(2)), d.size - 1, d.size))
    return pd.DataFrame(rows, columns=columns)


def uncertainty_by_gauge(
    studies: Iterable[GaugeStudy], *, gauges: Iterable[str] = (), rechecks: pd.DataFrame | None = None
) -> pd.DataFrame:
    """Standard uncertainty of a reading for each gauge, and where the number comes from.

    A study comes first; else second looks with nothing done between (LEAST_FREEDOM degrees of freedom at
    least); else the assumed value. Several studies of one gauge are pooled by their number of readings.

    Returns
    -------
    Frame: gauge, u_mm, source ("study", "second_looks", "assumed"), bias_mm (NaN where no reference), readings.
    """
    pooled: dict[str, list[tuple[float, int, float]]] = {}
    for s in studies:
        if s.u.estimate is not None and s.gauge:
            bias = np.nan if s.bias.estimate is None else s.bias.estimate
            pooled.setdefault(s.gauge, []).append((s.u.estimate, s.readings, bias))
    hints = {}
    if rechecks is not None and len(rechecks):
        table = repeatability_from_rechecks(rechecks)
        hints = {g: (u, n) for g, u, df, n in table.itertuples(index=False) if df >= LEAST_FREEDOM and u > 0}
    rows = []
    for name in sorted({*map(str, gauges), *pooled, *hints}):
        if name in pooled:
            part = np.array(pooled[name])
            weight = part[:, 1]
            u = float(np.sqrt((weight * part[:, 0] ** 2).sum() / weight.sum()))
            known = np.isfinite(part[:, 2])
            bias = float(np.average(part[known, 2], weights=weight[known])) if known.any() else np.nan
            rows.append((name, u, "study", bias, int(weight.sum())))
        elif name in hints:
            rows.append((name, float(hints[name][0]), "second_looks", np.nan, int(hints[name][1])))
        else:
            rows.append((name, ASSUMED_U_MM, "assumed", np.nan, 0))
    return pd.DataFrame(rows, columns=["gauge", "u_mm", "source", "bias_mm", "readings"])


def uncertainties_from_records(records: Mapping[str, pd.DataFrame]) -> dict[str, float]:
    """Standard uncertainty (mm) of the gauges that a study in the records speaks about; others are not in it."""
    readings = records.get("gauge_readings")
    if readings is None or readings.empty:
        return {}
    studies = [
        analyse_study(part, limit=None, study=str(study), gauge=str(name))
        for (study, name), part in readings.dropna(subset=["gauge"]).groupby(
            ["study", "gauge"], observed=True
        )
    ]
    table = uncertainty_by_gauge(studies)
    return {str(g): float(u) for g, u in zip(table["gauge"], table["u_mm"], strict=True) if u > 0}
