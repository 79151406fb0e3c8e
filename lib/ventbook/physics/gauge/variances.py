"""Variance components of a gauge study, balanced or not, and the interval of their sum.

Analysis of variance [1] where technicians, lifters and repeats are crossed and balanced, restricted maximum likelihood (REML)
[2] where they aren't; limits of a sum of mean squares [3].

References
----------
[1] D. C. Montgomery, Design and Analysis of Experiments, gauge studies (random two-way model).
[2] S. R. Searle, G. Casella, C. E. McCulloch, Variance Components (1992): expected mean squares, REML.
[3] F. A. Graybill, C.-M. Wang, J. Am. Stat. Assoc. 75 (1980) 869: limits of a sum of variance components; for gauge
    studies R. K. Burdick, C. M. Borror, D. C. Montgomery, J. Qual. Technol. 35 (2003) 342.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy

from ventbook import distributions as stats
from ventbook.numerics import require_fit
from ventbook.results import NotEnoughData

Array = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int64]
POOL_ABOVE = 0.25
"""Interaction with a p value over this is pooled with the repeats (common practice, no source)."""


@dataclass(frozen=True)
class CrossedAnova:
    """Two-way random analysis of variance of a balanced study, technicians x lifters x repeats.

    Sums and mean squares: technician, lifter, interaction, repeat. Components are variances, not under 0.
    pooled tells whether the interaction went into the repeats; interaction_p is its p value (None with one repeat).
    """

    sum_of_squares: dict[str, float]
    mean_squares: dict[str, float]
    freedom: dict[str, int]
    f: dict[str, float]
    interaction_p: float | None
    pooled: bool
    components: dict[str, float]


def analyse_crossed(values: npt.ArrayLike, *, pool: bool | None = None) -> CrossedAnova:
    """Analysis of variance of a balanced study, technicians x lifters x repeats.

    Parameters
    ----------
    values : array_like, shape (technicians, lifters, repeats), mm
        Finite readings.
    pool : bool, optional
        Whether the interaction goes into the repeats; default where its p value is over .25.

    Returns
    -------
    CrossedAnova
        Sums of squares, mean squares, degrees of freedom, F ratios and variance components (mm2, not under 0)
        by technician, lifter, interaction and repeat.

    Raises
    ------
    NotEnoughData
        With fewer than two lifters, or one technician with one repeat.
    ValueError
        For another shape or values that are not finite.

    Notes
    -----
    Random two-way model. One technician gives no technician component, one repeat no interaction of its own
    (it is then part of the repeats).

    References
    ----------
    D. C. Montgomery, Design and Analysis of Experiments (gauge studies); S. R. Searle, G. Casella, C. E.
    McCulloch, Variance Components (1992).

    Examples
    --------
    >>> from ventbook.physics import gauge
    >>> study = gauge.analyse_crossed([[[0.20, 0.22], [0.60, 0.61]], [[0.23, 0.25], [0.64, 0.65]]])
    >>> {name: round(value, 6) for name, value in study.components.items()}
    {'repeat': 0.00011, 'interaction': 0.0, 'technician': 0.000585, 'lifter': 0.079973}
    """
    a = np.asarray(values, dtype=float)
    if a.ndim != 3 or not np.isfinite(a).all():
        raise ValueError("values must be a finite array of shape (technicians, lifters, repeats)")
    t, p, r = a.shape
    if p < 2:
        raise NotEnoughData("measurement study, lifters", n=p, needed=2)
    if t * r < 2:
        raise NotEnoughData("measurement study, readings of each lifter", n=t * r, needed=2)
    grand, by_t, by_p, cell = a.mean(), a.mean((1, 2)), a.mean((0, 2)), a.mean(2)
    ss = {
        "technician": p * r * ((by_t - grand) ** 2).sum(),
        "lifter": t * r * ((by_p - grand) ** 2).sum(),
        "interaction": r * ((cell - by_t[:, None] - by_p[None, :] + grand) ** 2).sum(),
        "repeat": ((a - cell[:, :, None]) ** 2).sum(),
    }
    df = {"technician": t - 1, "lifter": p - 1, "interaction": (t - 1) * (p - 1), "repeat": t * p * (r - 1)}
    ms = {k: ss[k] / df[k] if df[k] else 0.0 for k in ss}
    interaction_p = None
    if df["interaction"] and df["repeat"] and ms["repeat"] > 0:
        ratio = ms["interaction"] / ms["repeat"]
        interaction_p = float(stats.f.sf(ratio, df["interaction"], df["repeat"]))
    if not df["repeat"] or not df["interaction"]:
        pool = True  # nothing to tell the two apart by
    elif pool is None:
        pool = interaction_p is not None and interaction_p > POOL_ABOVE
    error_df = df["interaction"] + df["repeat"]
    pooled_ms = (ss["interaction"] + ss["repeat"]) / error_df
    base = pooled_ms if pool else ms["interaction"]
    repeat = pooled_ms if pool else ms["repeat"]
    components = {
        "repeat": repeat,
        "interaction": 0.0 if pool else max(0.0, (ms["interaction"] - ms["repeat"]) / r),
        "technician": max(0.0, (ms["technician"] - base) / (p * r)) if t > 1 else 0.0,
        "lifter": max(0.0, (ms["lifter"] - base) / (t * r)),
    }
    f = {k: ms[k] / base if base > 0 else float("inf") for k in ("technician", "lifter")}
    f["interaction"] = ms["interaction"] / ms["repeat"] if ms["repeat"] > 0 else float("nan")
    ss, ms = ({k: float(v) for k, v in d.items()} for d in (ss, ms))
    components = {k: float(v) for k, v in components.items()}
    return CrossedAnova(
        ss, ms, df, {k: float(v) for k, v in f.items()}, interaction_p, bool(pool), components
    )


@dataclass(frozen=True)
class RemlFit:
    """REML fit of value = mean + random factors + repeat: variances by factor, "repeat" last."""

    mean: float
    mean_error: float
    components: dict[str, float]
    criterion: float
    n: int


def fit_reml(value: npt.ArrayLike, factors: Mapping[str, npt.ArrayLike]) -> RemlFit:
    """Variance components by restricted maximum likelihood, for factors crossed, nested or unbalanced.

    Parameters
    ----------
    value : array_like, shape (n,)
        Readings.
    factors : mapping of str to array_like of shape (n,)
        Label of each value in every random factor.

    Returns
    -------
    RemlFit
        mean with its error, variances by factor with "repeat" last, the criterion at its least, n.

    Raises
    ------
    NotEnoughData
        With fewer than two labels in a factor, no more values than labels of the finest factor, or (NoFit)
        values that all agree inside the labels, or a mean that the labels leave nothing of.

    Notes
    -----
    ``value = mean + random factors + repeat``. The likelihood is profiled over mean and repeat variance and
    maximised over the factors' spreads relative to it, all 0 or more; matrices are of the size of the labels,
    not of the values.

    References
    ----------
    S. R. Searle, G. Casella, C. E. McCulloch, Variance Components (1992).

    Examples
    --------
    >>> from ventbook.physics import gauge
    >>> fit = gauge.fit_reml([0.20, 0.22, 0.60, 0.61, 0.41, 0.44], {"lifter": ["a", "a", "b", "b", "c", "c"]})
    >>> round(fit.mean, 4), round(fit.components["repeat"], 6)
    (0.4133, 0.000233)
    """
    y = np.asarray(value, dtype=float)
    names = list(factors)
    codes = [np.unique(np.asarray(factors[k]).astype(str), return_inverse=True)[1] for k in names]
    sizes = [int(c.max()) + 1 if c.size else 0 for c in codes]
    for name, size in zip(names, sizes, strict=True):
        if size < 2:
            raise NotEnoughData(f"measurement study, labels of {name}", n=size, needed=2)
        if size >= y.size:
            raise NotEnoughData(
                f"measurement study, values for {size} labels of {name}", n=y.size, needed=size + 1
            )
    q, n = sum(sizes), y.size
    require_fit("measurement study", spread=_spread_inside(y, codes, sizes))
    offset = np.concatenate([[0], np.cumsum(sizes)])
    z = np.zeros((n, q))
    for start, code in zip(offset, codes, strict=False):
        z[np.arange(n), start + code] = 1.0
    centre = y.mean()
    yc = y - centre
    ztz, zty, zt1 = z.T @ z, z.T @ yc, z.sum(0)
    owner = np.repeat(np.arange(len(names)), sizes)

    def parts(theta: Array) -> tuple[float, float, float]:
        lam = np.abs(theta)[owner]
        m = np.eye(q) + lam[:, None] * ztz * lam[None, :]
        factor = np.linalg.cholesky(m)
        a, b = np.linalg.solve(factor, lam * zty), np.linalg.solve(factor, lam * zt1)
        one = n - b @ b
        mean = (yc.sum() - a @ b) / one
        rest = yc @ yc - a @ a - one * mean**2
        return 2 * float(np.log(np.diag(factor)).sum()) + np.log(one), max(rest, 1e-300), mean

    def criterion(theta: Array) -> float:
        log_det, rest, _ = parts(theta)
        return log_det + (n - 1) * np.log(rest)

    best = None
    for start in (1.0, 0.1, 5.0):
        found = scipy.optimize.minimize(
            criterion, np.full(len(names), start), method="L-BFGS-B", bounds=[(0, 1e6)] * len(names),
            options={"ftol": 1e-15, "gtol": 1e-10, "maxiter": 500},
        )  # fmt: skip
        if best is None or found.fun < best.fun - 1e-12:
            best = found
    assert best is not None
    polished = scipy.optimize.minimize(
        criterion, best.x, method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-12, "maxiter": 2000}
    )
    theta = np.abs(polished.x if polished.fun <= best.fun else best.x)
    settled = bool(np.isfinite(best.fun) and (best.success or polished.success))
    require_fit("measurement study", converged=settled and float(theta.max()) < 1e6, estimates=theta)
    _, rest, mean = parts(theta)
    repeat = rest / (n - 1)
    lam = theta[owner]
    factor = np.linalg.cholesky(np.eye(q) + lam[:, None] * ztz * lam[None, :])
    b = np.linalg.solve(factor, lam * zt1)
    components = {name: float(repeat * v**2) for name, v in zip(names, theta, strict=True)}
    components["repeat"] = float(repeat)
    return RemlFit(
        float(centre + mean), float(np.sqrt(repeat / (n - b @ b))), components, float(criterion(theta)), n
    )


def _spread_inside(y: Array, codes: list[Codes], sizes: list[int]) -> float:
    """What is left of the values once every label has its own level: nothing where readings only repeat."""
    columns = [
        np.equal.outer(code, np.arange(size)).astype(float) for code, size in zip(codes, sizes, strict=True)
    ]
    design = np.column_stack(columns)
    rest = (y - y.mean()) - design @ np.linalg.lstsq(design, y - y.mean(), rcond=None)[0]
    return float(np.sqrt((rest**2).mean()))


def pool_repeats(value: npt.ArrayLike, group: npt.ArrayLike) -> tuple[float, int, float]:
    """Spread of repeats inside groups, pooled.

    Parameters
    ----------
    value : array_like, shape (n,)
    group : array_like, shape (n,)
        Label of the group that each value repeats in.

    Returns
    -------
    sd : float
        Standard deviation in the unit of the values.
    freedom : int
        Degrees of freedom.
    mean : float
        Of all values.

    Raises
    ------
    NotEnoughData
        Without values, or where no group was read twice.

    Notes
    -----
    Two passes around each group's own mean, so that 0.1 steps on a value of ten million keep nine figures.

    Examples
    --------
    >>> from ventbook.physics import gauge
    >>> sd, freedom, mean = gauge.pool_repeats([0.20, 0.22, 0.60, 0.62], ["a", "a", "b", "b"])
    >>> round(sd, 5), freedom, round(mean, 3)
    (0.01414, 2, 0.41)
    """
    y = np.asarray(value, dtype=float)
    code = np.unique(np.asarray(group).astype(str), return_inverse=True)[1]
    if y.size == 0:
        raise NotEnoughData("repeats, values", n=0, needed=2)
    shift = y[0]
    size = np.bincount(code)
    mean = np.bincount(code, y - shift) / size
    rest = (y - shift) - mean[code]
    # the second pass takes out what rounding left in the means
    mean2 = np.bincount(code, rest) / size
    square = float(((rest - mean2[code]) ** 2).sum())
    df = int((size - 1).sum())
    if df < 1:
        raise NotEnoughData("repeats, groups read twice", n=0, needed=1)
    return float(np.sqrt(square / df)), df, float(shift + (y - shift).mean())


def interval_of_sum(
    mean_squares: Sequence[float], freedom: Sequence[int], factors: Sequence[float], *, level: float
) -> tuple[float, float]:
    """Interval of a variance that is a sum of factors times mean squares.

    Parameters
    ----------
    mean_squares : sequence of float
        Independent mean squares.
    freedom : sequence of int
        Their degrees of freedom; parts without any are left out.
    factors : sequence of float
        What each is multiplied by, 0 or more.
    level : float
        Confidence level, 0.95 = 95 %.

    Returns
    -------
    low, high : float
        In the unit of the mean squares; low is not under 0.

    Raises
    ------
    ValueError
        Where a factor or mean square is under 0.

    Notes
    -----
    Modified large-sample limits: the estimate less or plus the root of the summed squares of each part's own
    distance to its chi-square limit. Exact for one part, and holds its level with very few degrees of
    freedom, where a chi-square with Satterthwaite's degrees of freedom held 77 to 93 of 100 (three
    technicians).

    References
    ----------
    F. A. Graybill, C.-M. Wang, J. Am. Stat. Assoc. 75 (1980) 869; for gauge studies R. K. Burdick, C. M.
    Borror, D. C. Montgomery, J. Qual. Technol. 35 (2003) 342.

    Examples
    --------
    For one part it is the chi-square interval, here df s2 / 20.48 to df s2 / 3.247:

    >>> from ventbook.physics import gauge
    >>> low, high = gauge.interval_of_sum([1.0], [10], [1.0], level=0.95)
    >>> round(10 / low, 2), round(10 / high, 3)
    (20.48, 3.247)
    """
    df = np.asarray(freedom, dtype=float)
    use = df > 0
    parts = (np.asarray(mean_squares, dtype=float) * np.asarray(factors, dtype=float))[use]
    df = df[use]
    if np.any(parts < 0):
        raise ValueError("factors and mean squares must be 0 or more")
    total = float(parts.sum())
    down = 1 - df / stats.chi2.ppf(0.5 + level / 2, df)
    up = df / stats.chi2.ppf(0.5 - level / 2, df) - 1
    low = total - float(np.sqrt(((down * parts) ** 2).sum()))
    return max(low, 0.0), total + float(np.sqrt(((up * parts) ** 2).sum()))
