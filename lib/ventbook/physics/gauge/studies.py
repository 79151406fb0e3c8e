"""A gauge study, whatever its shape: checked, analysed, answered, and how large the next one has to be.

Variance components come from analysis of variance [1] where the study is balanced and from restricted maximum likelihood (REML)
[2] where it isn't, with limits for their sums [3]; the bias from readings of reference gaps, with the straight line behind it.

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
import pandas as pd
import scipy

from ventbook import distributions as stats
from ventbook.numerics import judge_fit, require_fit
from ventbook.results import Estimate, NotEnoughData, no_estimate

Array = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int64]
POOL_ABOVE = 0.25
"""Interaction with a p value over this is pooled with the repeats (common practice, no source)."""
COMPONENTS = ("repeat", "technician", "interaction", "gauge", "lifter", "total")
METHOD_ANOVA = "analysis of variance, crossed"
METHOD_REML = "restricted maximum likelihood"
LEAST_LIFTERS = 5
EQUAL_VARIANCE = 1e-18
"""mm^2; under this the readings of a lifter are equal but for rounding."""


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


def measure_bias(data: pd.DataFrame, *, level: float = 0.95) -> tuple[Estimate, Estimate]:
    """Bias of a gauge against reference gaps, and how it grows with the gap.

    Parameters
    ----------
    data : DataFrame
        One row a reading: lifter, gap_mm, reference_gap_mm (missing where there is none).
    level : float
        Confidence level, 0.95 = 95 %.

    Returns
    -------
    bias : Estimate, mm
        Mean difference of the lifters' mean readings from their references, t interval; three lifters at
        least.
    slope : Estimate, mm/mm
        Least squares of the difference on the reference; four lifters at least.

    Notes
    -----
    A lifter is the unit. State "not_recorded" without references, "too_few" with too few lifters or no
    spread.

    Examples
    --------
    >>> import pandas as pd
    >>> from ventbook.physics import gauge
    >>> data = pd.DataFrame({"lifter": list("abcd"), "gap_mm": [0.21, 0.32, 0.51, 0.83], "reference_gap_mm": [0.2, 0.3, 0.5, 0.8]})
    >>> bias, slope = gauge.measure_bias(data)
    >>> round(bias.estimate, 4), round(slope.estimate, 3)
    (0.0175, 0.026)
    """
    method = "mean reading of each lifter less its reference"
    if "reference_gap_mm" not in data.columns or not data["reference_gap_mm"].notna().any():
        nothing = no_estimate(
            "not_recorded", level=level, unit="mm", n=0, method=method, note="no reference gap"
        )
        return nothing, no_estimate("not_recorded", level=level, unit="mm/mm", n=0, method=method)
    known = data[data["reference_gap_mm"].notna()]
    means = known.groupby("lifter", observed=True)[["gap_mm", "reference_gap_mm"]].mean()
    x = means["reference_gap_mm"].to_numpy(dtype=float)
    d = means["gap_mm"].to_numpy(dtype=float) - x
    k = d.size
    if k < 3:
        few = no_estimate(
            "too_few", level=level, unit="mm", n=len(known), clusters=k, method=method, note="under 3 lifters"
        )
        return few, no_estimate("too_few", level=level, unit="mm/mm", n=len(known), clusters=k, method=method)
    why = judge_fit(spread=float(d.std(ddof=1)))
    if why:
        note = f"every lifter reads {d.mean():+.3f} mm against its reference: {why}"
        few = no_estimate(
            "too_few", level=level, unit="mm", n=len(known), clusters=k, method=method, note=note
        )
        return few, no_estimate(
            "too_few", level=level, unit="mm/mm", n=len(known), clusters=k, method=method, note=note
        )
    t = float(stats.t.ppf(0.5 + level / 2, k - 1))
    half = t * float(d.std(ddof=1)) / np.sqrt(k)
    bias = Estimate(float(d.mean()), d.mean() - half, d.mean() + half, level, "mm", len(known), k, method)
    line = fit_line(x, d) if k >= 4 and np.ptp(x) > 0 else None
    if line is None or judge_fit(spread=line.residual_sd):
        return bias, no_estimate(
            "too_few", level=level, unit="mm/mm", n=len(known), clusters=k, method=method
        )
    t = float(stats.t.ppf(0.5 + level / 2, k - 2))
    slope = Estimate(
        line.slope, line.slope - t * line.slope_error, line.slope + t * line.slope_error, level, "mm/mm", len(known), k,
        "least squares of bias on reference",
    )  # fmt: skip
    return bias, slope


@dataclass(frozen=True)
class Line:
    """Least-squares line y = intercept + slope (x - origin)."""

    intercept: float
    slope: float
    intercept_error: float
    slope_error: float
    correlation: float
    residual_sd: float
    origin: float

    def at(self, x: float) -> tuple[float, float]:
        """Value of the line at x and its standard error."""
        d = x - self.origin
        variance = self.intercept_error**2 + (d * self.slope_error) ** 2
        variance += 2 * d * self.correlation * self.intercept_error * self.slope_error
        return self.intercept + self.slope * d, float(np.sqrt(variance))


def fit_line(x: np.ndarray, y: np.ndarray, *, origin: float = 0.0) -> Line:
    """Least-squares line through points, with standard errors and their correlation.

    Parameters
    ----------
    x, y : array_like, shape (n,)
        At least three points; x must vary.
    origin : float
        x at which the intercept is taken.

    Returns
    -------
    Line
        ``y = intercept + slope (x - origin)``; ``at(x)`` gives value and standard error.

    Raises
    ------
    NotEnoughData
        With fewer than three points, or x that doesn't vary.

    Examples
    --------
    >>> from ventbook.physics import gauge
    >>> line = gauge.fit_line([0.0, 1.0, 2.0, 3.0], [1.0, 3.1, 4.9, 7.0])
    >>> round(line.intercept, 3), round(line.slope, 3)
    (1.03, 1.98)
    """
    x, y = np.asarray(x, dtype=float) - origin, np.asarray(y, dtype=float)
    if x.size < 3 or np.ptp(x) <= 0:
        raise NotEnoughData("line, different x values", n=len(np.unique(x)), needed=3)
    design = np.column_stack([np.ones_like(x), x])
    inverse = np.linalg.inv(design.T @ design)
    coefficients = inverse @ design.T @ y
    sd = float(np.sqrt(((y - design @ coefficients) ** 2).sum() / (x.size - 2)))
    errors = sd * np.sqrt(np.diag(inverse))
    r = float(inverse[0, 1] / np.sqrt(inverse[0, 0] * inverse[1, 1]))
    (a, b), (ea, eb) = coefficients.tolist(), errors.tolist()
    return Line(a, b, ea, eb, r, sd, origin)


@dataclass(frozen=True)
class GaugeStudy:
    """What one study says about a gauge.

    state : "estimated", "too_few" or "not_recorded"; note says what is missing or was assumed. shape : "crossed",
    "unbalanced", "not_crossed", "one_technician". components : a row a component (repeat, technician,
    interaction, gauge = these three, lifter, total) with variance, sd_mm and share_of_limit (sd over the limit).
    u : standard uncertainty of one reading by any technician, mm; share_of_limit : the same over the limit.
    """

    study: str
    gauge: str
    state: str
    shape: str
    lifters: int
    technicians: int
    repeats: int
    readings: int
    method: str
    components: pd.DataFrame
    u: Estimate
    share_of_limit: Estimate
    interaction_p: float | None
    bias: Estimate
    slope: Estimate
    note: str


def list_studies(readings: pd.DataFrame) -> list[tuple[str, str]]:
    """Studies and gauges in the records.

    Parameters
    ----------
    readings : DataFrame
        The record table of gauge readings: study, gauge, ...

    Returns
    -------
    list of tuple of str
        (study, gauge) pairs, sorted; a gauge that was not recorded is "".

    Examples
    --------
    >>> import pandas as pd
    >>> from ventbook.physics import gauge
    >>> gauge.list_studies(pd.DataFrame({"study": ["S2", "S1", "S1"], "gauge": ["HG-1", None, None]}))
    [('S1', ''), ('S2', 'HG-1')]
    """
    if readings.empty:
        return []
    pairs = readings[["study", "gauge"]].fillna({"gauge": ""}).drop_duplicates()
    return sorted((str(s), str(g)) for s, g in pairs.itertuples(index=False))


def analyse_study(
    readings: pd.DataFrame, *, limit: float | None, level: float = 0.95, study: str = "", gauge: str = ""
) -> GaugeStudy:
    """What the readings of one study say about a gauge, whatever the study's shape.

    Parameters
    ----------
    readings : DataFrame
        One row a reading: lifter, technician, repeat, gap_mm, and reference_gap_mm where known; rows without
        a gap are left out.
    limit : float or None, mm
        Gap limit that the gauge serves; None leaves the share of the limit open.
    level : float
        Confidence level, 0.95 = 95 %.
    study, gauge : str
        Names for the answer.

    Returns
    -------
    GaugeStudy
        State, shape, variance components, standard uncertainty ``u`` of one reading by any technician (mm),
        its share of the limit, bias and slope, and a note of what is missing or was assumed.

    Raises
    ------
    ValueError
        For a level outside (0, 1).

    Notes
    -----
    Balanced crossed studies go through the analysis of variance (:func:`analyse_crossed`), others through
    REML (:func:`fit_reml`). A study in which no two technicians measured the same lifter gives the repeats
    alone and says that technicians can't be told from lifters.

    Examples
    --------
    >>> import itertools
    >>> import pandas as pd
    >>> from ventbook.physics import gauge
    >>> rows = list(itertools.product(["A", "B"], ["l1", "l2", "l3"], [1, 2]))
    >>> readings = pd.DataFrame(rows, columns=["technician", "lifter", "repeat"])
    >>> readings["gap_mm"] = [0.20, 0.22, 0.60, 0.61, 0.40, 0.41, 0.23, 0.25, 0.64, 0.65, 0.42, 0.44]
    >>> answer = gauge.analyse_study(readings, limit=0.5)
    >>> answer.shape, round(answer.u.estimate, 4), answer.u.unit
    ('crossed', 0.0243, 'mm')
    """
    if not 0 < level < 1:
        raise ValueError(f"level must lie between 0 and 1 (0.95 = 95 %); got {level!r}")
    data = readings[readings["gap_mm"].notna()].reset_index(drop=True)
    technician = data["technician"].astype("str").fillna("")
    data = data.assign(lifter=data["lifter"].astype("str"), technician=technician)
    sizes = data.groupby(["technician", "lifter"], observed=True).size()
    counts = sizes.unstack(fill_value=0)  # noqa: PD010 (a series, not a frame)
    people, lifters = counts.shape if len(data) else (0, 0)
    repeats = int(counts.to_numpy().max()) if len(data) else 0
    facts = {"study": study, "gauge": gauge, "lifters": lifters, "technicians": people, "repeats": repeats}
    facts["readings"] = len(data)
    bias, slope = measure_bias(data, level=level)
    if len(data) == 0:
        return _nothing(facts, "not_recorded", "", "no readings", level, bias, slope)
    cells = counts.to_numpy()
    shape = _shape(cells)
    if lifters < 2 or len(data) <= lifters or not (cells.sum(0) > 1).any():
        note = f"{lifters} lifters with {len(data)} readings: two lifters read twice each are the least"
        return _nothing(facts, "too_few", shape, note, level, bias, slope)
    try:
        if shape in ("crossed", "one_technician") and cells.min() == cells.max():
            return _balanced(data, facts, shape, limit, level, bias, slope)
        if shape == "not_crossed":
            return _repeats_only(data, facts, limit, level, bias, slope)
        return _by_reml(data, facts, shape, limit, level, bias, slope)
    except NotEnoughData as error:
        return _nothing(facts, "too_few", shape, str(error), level, bias, slope)


def _shape(cells: np.ndarray) -> str:
    if cells.shape[0] == 1:
        return "one_technician"
    if cells.min() > 0:
        return "crossed" if cells.min() == cells.max() else "unbalanced"
    # technicians are tied together by lifters that two of them measured
    shared = (cells > 0).astype(int)
    tie = shared @ shared.T > 0
    reach = np.linalg.matrix_power(tie.astype(float), len(tie)) > 0
    return "unbalanced" if reach.all() else "not_crossed"


def _balanced(
    data: pd.DataFrame,
    facts: dict,
    shape: str,
    limit: float | None,
    level: float,
    bias: Estimate,
    slope: Estimate,
) -> GaugeStudy:
    ordered = data.sort_values(["technician", "lifter", "repeat"], kind="stable")
    t, p = facts["technicians"], facts["lifters"]
    result = analyse_crossed(ordered["gap_mm"].to_numpy(dtype=float).reshape(t, p, -1))
    c = result.components
    squares, freedom, factors = _gauge_squares(result, p, facts["repeats"])
    notes = []
    if shape == "one_technician":
        notes.append("one technician: what technicians add is not in the number")
    if facts["repeats"] == 1:
        notes.append("one reading each: repeats and interaction can't be told apart")
    if p < LEAST_LIFTERS or t == 2:
        notes.append(f"a small study ({p} lifters, {t} technicians): wide intervals")
    return _answer(
        facts,
        shape,
        METHOD_ANOVA,
        c,
        (squares, freedom, factors),
        limit,
        level,
        bias,
        slope,
        result.interaction_p,
        notes,
    )


def _gauge_squares(result: CrossedAnova, p: int, r: int) -> tuple[list[float], list[int], list[float]]:
    """The gauge's variance as a sum of factor x mean square, for its interval.

    Technicians stay in the sum where their component came out 0: that the study saw nothing does not show that there is
    nothing.
    """
    ms, df = result.mean_squares, result.freedom
    by_technician = 1 / (p * r) if df["technician"] else 0.0
    if result.pooled:
        error_df = df["interaction"] + df["repeat"]
        error = (result.sum_of_squares["interaction"] + result.sum_of_squares["repeat"]) / error_df
        return [ms["technician"], error], [df["technician"], error_df], [by_technician, 1 - by_technician]
    names = ("technician", "interaction", "repeat")
    return [ms[k] for k in names], [df[k] for k in names], [by_technician, 1 / r - by_technician, 1 - 1 / r]


def _by_reml(
    data: pd.DataFrame,
    facts: dict,
    shape: str,
    limit: float | None,
    level: float,
    bias: Estimate,
    slope: Estimate,
) -> GaugeStudy:
    factors = {"lifter": data["lifter"].to_numpy()}
    if facts["technicians"] > 1:
        factors["technician"] = data["technician"].to_numpy()
    both = (data["technician"] + "\x1f" + data["lifter"]).to_numpy()
    cells = len(set(both))
    if facts["technicians"] > 1 and cells < len(data) and facts["repeats"] > 1:
        factors["interaction"] = both
    fit = fit_reml(data["gap_mm"].to_numpy(dtype=float), factors)
    c = {k: fit.components.get(k, 0.0) for k in ("repeat", "interaction", "technician", "lifter")}
    df_repeat = max(
        1, len(data) - (cells if "interaction" in factors else facts["lifters"] + facts["technicians"] - 1)
    )
    # as in a balanced study: a technician's mean carries its own part of the repeats
    each = len(data) / facts["technicians"]
    error = c["repeat"] + c["interaction"]
    squares = [c["technician"] + error / each, error * (1 - 1 / each)]
    freedom = [facts["technicians"] - 1, df_repeat]
    notes = ["not every technician read every lifter equally often"]
    return _answer(
        facts, shape, METHOD_REML, c, (squares, freedom, [1.0, 1.0]), limit, level, bias, slope, None, notes
    )


def _repeats_only(
    data: pd.DataFrame, facts: dict, limit: float | None, level: float, bias: Estimate, slope: Estimate
) -> GaugeStudy:
    group = (data["technician"] + "\x1f" + data["lifter"]).to_numpy()
    sd, df, _ = pool_repeats(data["gap_mm"].to_numpy(dtype=float), group)
    means = data.groupby("lifter", observed=True)["gap_mm"].mean()
    lifter = max(0.0, float(means.var(ddof=1)) - sd**2) if len(means) > 1 else 0.0
    c = {"repeat": sd**2, "interaction": 0.0, "technician": 0.0, "lifter": lifter}
    note = "no lifter was read by two technicians: what technicians add can't be told from the lifters"
    return _answer(
        facts,
        "not_crossed",
        "pooled repeats",
        c,
        ([sd**2], [df], [1.0]),
        limit,
        level,
        bias,
        slope,
        None,
        [note],
    )


def _answer(
    facts: dict,
    shape: str,
    method: str,
    c: dict[str, float],
    pieces: tuple[list[float], list[int], list[float]],
    limit: float | None,
    level: float,
    bias: Estimate,
    slope: Estimate,
    interaction_p: float | None,
    notes: list[str],
) -> GaugeStudy:
    gauge = c["repeat"] + c["technician"] + c["interaction"]
    values = {**c, "gauge": gauge, "total": gauge + c["lifter"]}
    sd = {k: float(np.sqrt(values[k])) for k in COMPONENTS}
    table = pd.DataFrame(
        {
            "component": list(COMPONENTS),
            "variance": [values[k] for k in COMPONENTS],
            "sd_mm": [sd[k] for k in COMPONENTS],
            "share_of_limit": [sd[k] / limit if limit else np.nan for k in COMPONENTS],
        }
    )
    n = facts["readings"]

    def make(unit: str, value: float, low: float, high: float, note: str = "") -> Estimate:
        return Estimate(value, low, high, level, unit, n, facts["lifters"], method, note=note)

    if gauge < EQUAL_VARIANCE:
        note = "all readings of a lifter are equal: the reading step is coarser than the spread, which stays unknown"
        return _nothing(facts, "too_few", shape, "; ".join([*notes, note]), level, bias, slope)
    low, high = interval_of_sum(*pieces, level=level)
    low, high = min(low, gauge), max(high, gauge)
    u = make("mm", sd["gauge"], float(np.sqrt(low)), float(np.sqrt(high)))
    of_limit = no_estimate(
        "too_few", level=level, unit="share", n=n, clusters=facts["lifters"], method=method
    )
    if limit:
        of_limit = make(
            "share", sd["gauge"] / limit, float(np.sqrt(low)) / limit, float(np.sqrt(high)) / limit
        )
    return GaugeStudy(
        **facts,
        state="estimated",
        shape=shape,
        method=method,
        components=table,
        u=u,
        share_of_limit=of_limit,
        interaction_p=interaction_p,
        bias=bias,
        slope=slope,
        note="; ".join(notes),
    )


def _nothing(
    facts: dict, state: str, shape: str, note: str, level: float, bias: Estimate, slope: Estimate
) -> GaugeStudy:
    def none(unit: str) -> Estimate:
        return no_estimate(
            state, level=level, unit=unit, n=facts["readings"], clusters=facts["lifters"], note=note
        )

    table = pd.DataFrame({"component": list(COMPONENTS)})
    for column in ("variance", "sd_mm", "share_of_limit"):
        table[column] = np.nan
    return GaugeStudy(
        **facts,
        state=state,
        shape=shape,
        method="",
        components=table,
        u=none("mm"),
        share_of_limit=none("share"),
        interaction_p=None,
        bias=bias,
        slope=slope,
        note=note,
    )


def plan_study(
    *,
    repeat_sd: float = 0.015,
    technician_sd: float = 0.01,
    lifters: tuple[int, ...] = (5, 10, 15, 20),
    technicians: tuple[int, ...] = (2, 3, 4),
    repeats: tuple[int, ...] = (2, 3),
    level: float = 0.95,
) -> pd.DataFrame:
    """What a crossed study of each size would tell about a gauge.

    Parameters
    ----------
    repeat_sd, technician_sd : float, mm
        Spread of repeats (over 0) and between technicians that the gauge is taken to have.
    lifters, technicians, repeats : tuple of int
        Sizes to set side by side, two at least.
    level : float
        Confidence level, 0.95 = 95 %.

    Returns
    -------
    DataFrame
        One row a size, sorted by readings: lifters, technicians, repeats, readings, u_mm (true uncertainty),
        u_low and u_high (ends of the interval that such a study gives on average, mm), factor (u_high / u_mm:
        how far the gauge could be worse than found), repeat_factor (the same for the repeats alone).

    Raises
    ------
    ValueError
        For spreads under 0 or a size under two.

    Notes
    -----
    Intervals by :func:`interval_of_sum`. Few technicians, not few lifters, keep the interval wide.

    Examples
    --------
    >>> from ventbook.physics import gauge
    >>> plan = gauge.plan_study(lifters=(10,), technicians=(2, 4), repeats=(2,))
    >>> plan[["technicians", "readings", "factor"]].round(1).values.tolist()
    [[2.0, 40.0, 18.7], [4.0, 80.0, 2.3]]
    """
    if not (repeat_sd > 0 and technician_sd >= 0):
        raise ValueError(
            f"repeat_sd must be over 0 and technician_sd 0 or more; got {repeat_sd}, {technician_sd}"
        )
    if min(lifters) < 2 or min(technicians) < 2 or min(repeats) < 2:
        raise ValueError("a crossed study takes two lifters, two technicians and two repeats at least")
    rows = []
    u = float(np.hypot(repeat_sd, technician_sd))
    for p in lifters:
        for t in technicians:
            for r in repeats:
                error_df = t * p * r - t - p + 1
                by_technician = repeat_sd**2 + p * r * technician_sd**2
                low, high = interval_of_sum(
                    [by_technician, repeat_sd**2],
                    [t - 1, error_df],
                    [1 / (p * r), 1 - 1 / (p * r)],
                    level=level,
                )
                alone = float(np.sqrt(error_df / stats.chi2.ppf(0.5 - level / 2, error_df)))
                low, high = float(np.sqrt(low)), float(np.sqrt(high))
                rows.append((p, t, r, p * t * r, u, low, high, high / u, alone))
    names = [
        "lifters",
        "technicians",
        "repeats",
        "readings",
        "u_mm",
        "u_low",
        "u_high",
        "factor",
        "repeat_factor",
    ]
    return pd.DataFrame(rows, columns=names).sort_values(["readings", "factor"], ignore_index=True)


def choose_size(plan: pd.DataFrame, *, factor: float = 2.0) -> pd.Series | None:
    """The smallest study of a plan that tells enough.

    Parameters
    ----------
    plan : DataFrame
        As :func:`plan_study` gives it.
    factor : float
        How many times the gauge's uncertainty the upper end of its interval may be.

    Returns
    -------
    Series or None
        The plan's row; None where no size is enough.

    Examples
    --------
    >>> from ventbook.physics import gauge
    >>> size = gauge.choose_size(gauge.plan_study(), factor=3.0)
    >>> int(size["lifters"]), int(size["technicians"]), int(size["repeats"])
    (5, 4, 2)
    """
    good = plan[plan["factor"] <= factor]
    return None if good.empty else good.iloc[0]
