"""Two-by-two tables by site: the Mantel-Haenszel odds ratio, whether sites agree, and a trend over ordered levels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import optimize, stats

from ventbook.numerics import Floats, Ints, keep_spread, satterthwaite_df

from .fits import Effect, make_effect


@dataclass(frozen=True)
class Stratified:
    """A stratified odds ratio with independent rows: log scale, the Robins-Breslow-Greenland interval, tests.

    ``p`` and ``p_corrected`` are the Cochran-Mantel-Haenszel test without and with continuity correction;
    ``homogeneity`` is Breslow-Day, ``homogeneity_tarone`` with Tarone's correction (chi-square, strata - 1 df).
    """

    odds_ratio: float
    low: float
    high: float
    chi2: float
    p: float
    chi2_corrected: float
    p_corrected: float
    homogeneity: float
    homogeneity_tarone: float
    homogeneity_df: int


def combine_strata(tables: npt.ArrayLike, *, level: float = 0.95) -> Stratified:
    """The common odds ratio of 2 x 2 tables [[a, b], [c, d]] stacked as (strata, 2, 2), rows independent.

    Rows are exposed / not exposed, columns failed / not. Strata in which a margin is empty carry nothing.
    Reference: Mantel & Haenszel 1959, JNCI 22:719; Robins, Breslow & Greenland 1986, Biometrics 42:311;
    Tarone 1985, Biometrika 72:91.
    """
    tables = np.asarray(tables, dtype=np.float64)
    if tables.ndim != 3 or tables.shape[1:] != (2, 2):
        raise ValueError(f"tables must have shape (strata, 2, 2); got {tables.shape}")
    a, b, c, d = tables[:, 0, 0], tables[:, 0, 1], tables[:, 1, 0], tables[:, 1, 1]
    n = a + b + c + d
    use = (a + b > 0) & (c + d > 0) & (a + c > 0) & (b + d > 0)
    a, b, c, d, n = (x[use] for x in (a, b, c, d, n))
    r, s = a * d / n, b * c / n
    if r.sum() == 0 or s.sum() == 0:
        nan = float("nan")
        return Stratified(nan, nan, nan, nan, nan, nan, nan, nan, nan, max(len(n) - 1, 0))
    odds_ratio = float(r.sum() / s.sum())
    pp, qq = (a + d) / n, (b + c) / n
    variance = (
        (pp * r).sum() / (2 * r.sum() ** 2)
        + (pp * s + qq * r).sum() / (2 * r.sum() * s.sum())
        + (qq * s).sum() / (2 * s.sum() ** 2)
    )
    half = float(stats.norm.ppf((1 + level) / 2)) * float(np.sqrt(variance))
    expected = (a + b) * (a + c) / n
    spread = ((a + b) * (c + d) * (a + c) * (b + d) / (n**2 * np.maximum(n - 1, 1))).sum()
    gap = abs((a - expected).sum())
    chi2, corrected = gap**2 / spread, max(gap - 0.5, 0.0) ** 2 / spread
    fitted, fitted_variance = _fit_common_odds(a, b, c, d, odds_ratio)
    breslow_day = float(((a - fitted) ** 2 / fitted_variance).sum())
    tarone = breslow_day - float((a - fitted).sum() ** 2 / fitted_variance.sum())
    return Stratified(
        odds_ratio,
        odds_ratio * float(np.exp(-half)),
        odds_ratio * float(np.exp(half)),
        float(chi2),
        float(stats.chi2.sf(chi2, 1)),
        float(corrected),
        float(stats.chi2.sf(corrected, 1)),
        breslow_day,
        tarone,
        len(n) - 1,
    )


def _fit_common_odds(a: Floats, b: Floats, c: Floats, d: Floats, odds_ratio: float) -> tuple[Floats, Floats]:
    """Expected exposed failures under one odds ratio with the tables' margins, and their variance."""
    exposed, failed, n = a + b, a + c, a + b + c + d
    if abs(odds_ratio - 1) < 1e-10:
        fitted = exposed * failed / n
    else:
        q = 1 - odds_ratio
        linear = n - failed - exposed + odds_ratio * (exposed + failed)
        root = np.sqrt(linear**2 + 4 * q * odds_ratio * exposed * failed)
        fitted = (-linear + root) / (2 * q)
        outside = (fitted < np.maximum(0, exposed + failed - n)) | (fitted > np.minimum(exposed, failed))
        fitted = np.where(outside, (-linear - root) / (2 * q), fitted)
    cells = (fitted, exposed - fitted, failed - fitted, n - exposed - failed + fitted)
    variance = 1 / sum(1 / np.maximum(cell, 1e-12) for cell in cells)
    return fitted, np.asarray(variance)


def estimate_stratified(
    exposed: npt.ArrayLike,
    failures: Floats,
    trials: Floats,
    *,
    stratum: Ints,
    cluster: Ints,
    n_clusters: int,
    level: float,
) -> tuple[Effect | None, float]:
    """The Mantel-Haenszel odds ratio of venting totals with an interval that carries clustering by engine.

    ``exposed`` (n,) is 0/1, ``failures`` of ``trials`` lifters a venting. Returns the effect on the log scale
    (None where it has no finite value) and the p of the homogeneity test over strata: Tarone's statistic
    divided by the design effect of the common odds ratio (a first-order correction after Rao & Scott 1984,
    Annals of Statistics 12:46); NaN with fewer than two informative strata. The variance is linearised: each
    engine's share in log(sum ad/n) - log(sum bc/n), summed and squared, times G/(G-1).
    """
    x = np.asarray(exposed, dtype=np.float64)
    k = int(stratum.max()) + 1 if len(stratum) else 0
    passes = trials - failures
    parts = [x * failures, x * passes, (1 - x) * failures, (1 - x) * passes]
    a, b, c, d = (np.bincount(stratum, weights=part, minlength=k) for part in parts)
    n = np.maximum(a + b + c + d, 1e-300)
    r, s = a * d / n, b * c / n
    if not (r.sum() > 0 and s.sum() > 0):
        return None, float("nan")
    ai, bi, ci, di = parts
    j = stratum
    influence = (ai * d[j] / n[j] + di * a[j] / n[j] - r[j] * trials / n[j]) / r.sum() - (
        bi * c[j] / n[j] + ci * b[j] / n[j] - s[j] * trials / n[j]
    ) / s.sum()
    by_engine = np.bincount(cluster, weights=influence, minlength=n_clusters)
    engines = int(np.count_nonzero(np.bincount(cluster, minlength=n_clusters)))
    if engines < 2:
        return None, float("nan")
    variance = float((by_engine**2).sum()) * engines / (engines - 1)
    share = np.bincount(cluster, weights=trials * (x - ((a + b) / n)[j]) ** 2, minlength=n_clusters)
    plain = combine_strata(np.stack([a, b, c, d], axis=1).reshape(-1, 2, 2), level=level)
    if not np.isfinite(plain.low) or not plain.high > plain.low:
        return None, float("nan")
    plain_se = float(np.log(plain.high / plain.low)) / (2 * float(stats.norm.ppf((1 + level) / 2)))
    variance = keep_spread(variance, plain_se**2)
    effect = make_effect(
        float(np.log(r.sum() / s.sum())), float(np.sqrt(variance)), satterthwaite_df(share), level=level
    )
    if plain.homogeneity_df < 1:
        return effect, float("nan")
    design_effect = max(variance / plain_se**2, 1.0)
    return effect, float(stats.chi2.sf(plain.homogeneity_tarone / design_effect, plain.homogeneity_df))


def estimate_conditional_odds(tables: npt.ArrayLike) -> float:
    """The exact conditional maximum-likelihood odds ratio of 2 x 2 tables stacked as (strata, 2, 2).

    Solves sum of (a - E[a | margins, odds ratio]) = 0 with the noncentral hypergeometric distribution. NaN where the
    tables separate (or say nothing) and no finite ratio solves it.
    Reference: Breslow & Day 1980, Statistical Methods in Cancer Research I, ch. 4.
    """
    tables = np.asarray(tables, dtype=np.int64)
    laws = []
    for (a, b), (c, d) in tables:
        n, failed, exposed = a + b + c + d, a + c, a + b
        support = np.arange(max(0, exposed + failed - n), min(exposed, failed) + 1)
        laws.append((a, support, stats.hypergeom(n, failed, exposed).logpmf(support)))

    def gap(log_odds: float) -> float:
        total = 0.0
        for a, support, log_weight in laws:
            weight = log_weight + support * log_odds
            weight = np.exp(weight - weight.max())
            total += float(a - (support * weight).sum() / weight.sum())
        return total

    if not gap(-10.0) > 0 > gap(10.0):
        return float("nan")
    return float(np.exp(optimize.brentq(gap, -10.0, 10.0, xtol=1e-10)))


def check_trend(
    failures: npt.ArrayLike, trials: npt.ArrayLike, scores: npt.ArrayLike | None = None
) -> tuple[float, float]:
    """Cochran-Armitage z and two-sided p for a share that rises with ordered levels (independent rows).

    ``scores`` default to 0, 1, 2, ... The variance has N in its denominator, not N - 1.
    Reference: Armitage 1955, Biometrics 11:375.
    """
    y, n = np.asarray(failures, dtype=np.float64), np.asarray(trials, dtype=np.float64)
    x = np.arange(len(y), dtype=np.float64) if scores is None else np.asarray(scores, dtype=np.float64)
    if not n.sum() > 0:
        return 0.0, 1.0
    share = y.sum() / n.sum()
    centre = (n * x).sum() / n.sum()
    variance = share * (1 - share) * (n * (x - centre) ** 2).sum()
    if not variance > 0:
        return 0.0, 1.0
    z = float((y * (x - centre)).sum() / np.sqrt(variance))
    return z, float(2 * stats.norm.sf(abs(z)))
