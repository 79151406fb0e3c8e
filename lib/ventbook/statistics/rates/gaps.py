"""Gap as a number: log-normal model with readings under the gauge's step as left-censored.

Says more than pass or fail from the same lifters, because a reading of 0.30 and one of 0.05 mm no longer count alike.

References
----------
[1] J. Tobin, Econometrica 26 (1958) 24: censored normal regression.
[2] R. J. Olsen, Econometrica 46 (1978) 1211: in (coefficient/sd, 1/sd) the likelihood has one maximum.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from ventbook import distributions as stats
from ventbook import numerics
from ventbook.numerics import Floats
from ventbook.results import NoFit, NotEnoughData
from ventbook.statistics.rates.clusters import encode_ids
from ventbook.statistics.rates.intervals import check_level

FEW_CLUSTERS = 50
LEAST_READINGS = 8
LEAST_SPREAD = 1e-5
"""Residual spread of a log gap under which readings are equal but for rounding."""
DEFAULT_STEP_MM = 0.05
"""Step (mm) of a feeler set where the gauge's is not known. Common practice, no source."""


@dataclass(frozen=True)
class CensoredFit:
    """Normal regression with left-censored values.

    covariance is the cluster-robust one where clusters were given, else from the information; naive always
    the latter. sd is the residual spread.
    """

    coefficients: Floats
    covariance: Floats
    naive: Floats
    sd: float
    log_likelihood: float
    n: int
    censored: int
    clusters: int


def fit_left_censored(
    value: npt.ArrayLike, censored: npt.ArrayLike, design: npt.ArrayLike, *, cluster: Any = None
) -> CensoredFit:
    """Regression of values of which some are only known to lie under a bound.

    Parameters
    ----------
    value : array_like, shape (n,)
        Values; of a censored one its bound.
    censored : array_like of bool, shape (n,)
        True where the value lies at or under ``value``.
    design : array_like, shape (n, k)
        Columns of the regression, the intercept among them.
    cluster : array_like, shape (n,), optional
        Engine id a row, for the errors.

    Returns
    -------
    CensoredFit
        Coefficients with their covariance, standard deviation, and what they rest on.

    Raises
    ------
    NotEnoughData
        With fewer uncensored values than columns + 1, a level without any uncensored value (its coefficient
        would run away), one cluster only, or (NoFit) values that all agree, or no settled answer.
    ValueError
        For lengths that differ, or values that are not finite.

    Notes
    -----
    ``value = design @ coefficients + sd * normal`` by maximum likelihood, Newton in Olsen's coordinates;
    sandwich by cluster: CR3 with few clusters, else CR1.

    Examples
    --------
    >>> import numpy as np
    >>> from ventbook.statistics import rates
    >>> y = np.array([1.0, 1.2, 0.8, 1.1, 0.5])
    >>> fit = rates.fit_left_censored(y, y <= 0.5, np.ones((5, 1)))
    >>> bool(0.5 < fit.coefficients[0] < 1.0)
    True
    """
    y = np.asarray(value, dtype=float)
    cut = np.asarray(censored, dtype=bool)
    x = np.asarray(design, dtype=float)
    if x.ndim != 2 or not len(x) == y.size == cut.size:
        raise ValueError(
            f"value, censored and design must have one length; got {y.size}, {cut.size}, {len(x)}"
        )
    if not (np.isfinite(y).all() and np.isfinite(x).all()):
        raise ValueError("value and design must be finite; leave rows without a reading out")
    k = x.shape[1]
    seen = ~cut
    if seen.sum() < k + 1 or np.linalg.matrix_rank(x[seen]) < k:
        raise NotEnoughData("log-gap model, readings over the gauge's step", n=int(seen.sum()), needed=k + 1)
    theta, converged = _olsen(y, cut, x)
    numerics.require_fit(
        "log-gap model", converged=converged, estimates=theta, spread=1 / theta[-1], least_spread=LEAST_SPREAD
    )
    delta, gamma = theta[:-1], theta[-1]
    beta, sd = delta / gamma, 1 / gamma
    # in the original coordinates: scores and information for (beta, log sd)
    z = (y - x @ beta) / sd
    h, slope = _hazard(z[cut])
    by_beta, by_scale = np.where(cut, 0.0, z) / sd, np.where(cut, 0.0, z**2 - 1)
    by_beta[cut], by_scale[cut] = -h / sd, -h * z[cut]
    w_bb, w_bs, w_ss = np.full(y.size, 1 / sd**2), 2 * z / sd, 2 * z**2
    # second derivatives of log Phi(z) with slope = d hazard / d z
    w_bb[cut] = -slope / sd**2
    w_bs[cut] = -(h + z[cut] * slope) / sd
    w_ss[cut] = -(z[cut] * h + z[cut] ** 2 * slope)
    information = np.empty((k + 1, k + 1))
    information[:k, :k] = x.T @ (x * w_bb[:, None])
    information[:k, k] = information[k, :k] = x.T @ w_bs
    information[k, k] = w_ss.sum()
    numerics.require_fit("log-gap model", information=information)
    bread = np.linalg.inv(information)
    covariance, clusters = bread, 0
    if cluster is not None:
        codes, clusters = encode_ids(cluster, y.size)
        if clusters < 2:
            raise NotEnoughData("log-gap model, clusters", n=clusters, needed=2)
        rows = np.column_stack([x * by_beta[:, None], by_scale])
        scores = numerics.sum_by_cluster(rows, codes, clusters)
        if clusters < FEW_CLUSTERS:
            full = np.column_stack([x, np.ones(y.size)])
            share = numerics.information_by_cluster(full, w_bb, codes, clusters)
            cross = numerics.sum_by_cluster(x * w_bs[:, None], codes, clusters)
            share[:, :k, k] = share[:, k, :k] = cross
            share[:, k, k] = numerics.sum_by_cluster(w_ss, codes, clusters)
            covariance = numerics.sandwich_variance(bread, scores, information=share, kind="CR3")
        else:
            covariance = numerics.sandwich_variance(bread, scores, kind="CR1")
        covariance = numerics.keep_spreads(covariance, bread)
    log_lik = float(special.log_ndtr(z[cut]).sum() - 0.5 * (z[seen] ** 2).sum())
    log_lik -= float(seen.sum()) * (np.log(sd) + 0.5 * np.log(2 * np.pi))
    return CensoredFit(
        beta, covariance[:k, :k], bread[:k, :k], float(sd), log_lik, y.size, int(cut.sum()), clusters
    )


def _hazard(z: Floats) -> tuple[Floats, Floats]:
    """phi/Phi at z and its slope -h (z + h)."""
    h = np.exp(-0.5 * z**2 - 0.5 * np.log(2 * np.pi) - special.log_ndtr(z))
    return h, -h * (z + h)


def _olsen(y: Floats, cut: npt.NDArray[np.bool_], x: Floats) -> tuple[Floats, bool]:
    """Newton for (beta/sd, 1/sd), where the log-likelihood is concave; steps are halved while they do not gain.

    Returns where it ended and whether it settled; a spread that goes on shrinking is left as soon as it is under
    LEAST_SPREAD.
    """
    seen = ~cut
    k = x.shape[1]
    start = np.linalg.lstsq(x, y, rcond=None)[0]
    spread = max(float(np.std(y - x @ start)), 1e-6 * max(1.0, float(np.abs(y).max())))
    theta = np.append(start, 1.0) / spread
    full = np.column_stack([-x, y])

    def value(t: Floats) -> float:
        if t[-1] <= 0:
            return -np.inf
        z = full @ t
        return float(special.log_ndtr(z[cut]).sum() - 0.5 * (z[seen] ** 2).sum() + seen.sum() * np.log(t[-1]))

    here = value(theta)
    for _ in range(100):
        z = full @ theta
        h, slope = _hazard(z[cut])
        u, w = -z, np.ones(z.size)
        u[cut], w[cut] = h, -slope
        gradient = full.T @ u
        gradient[k] += seen.sum() / theta[-1]
        hessian = full.T @ (full * w[:, None])
        hessian[k, k] += seen.sum() / theta[-1] ** 2
        try:
            move = np.linalg.solve(hessian, gradient)
        except np.linalg.LinAlgError:
            return theta, False
        factor = 1.0
        while factor > 1e-8 and not value(theta + factor * move) >= here:
            factor /= 2
        theta = theta + factor * move
        there = value(theta)
        if abs(there - here) < 1e-13 * (1 + abs(here)) and np.abs(move).max() < 1e-9 * (
            1 + np.abs(theta).max()
        ):
            return theta, True
        if 1 / theta[-1] < LEAST_SPREAD:
            break
        here = there
    return theta, False


def log_gap(gap: Floats, step: float) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """log of max(gap, step) and where it is censored: a reading under the step says only "under the step"."""
    cut = gap < step - 1e-12
    return np.log(np.where(cut, step, gap)), cut


def _check_step(step: float) -> None:
    if not step > 0:
        raise ValueError(f"step must be over 0 mm; got {step!r}")


def compare_gaps(
    lifters: pd.DataFrame,
    group: str,
    *,
    gap: str = "gap_first_mm",
    cluster: str = "engine_id",
    step: float = DEFAULT_STEP_MM,
    limit: float | None = None,
    level: float = 0.95,
    groups: Sequence[Any] | None = None,
) -> pd.DataFrame:
    """Median gap of each group and its ratio to the first group, with intervals clustered by engine.

    Parameters
    ----------
    lifters : DataFrame
        One row a lifter and venting (:func:`ventbook.read_lifters`).
    group : str
        Column that makes the groups.
    gap, cluster : str
        Columns of the reading (mm) and the engine.
    step : float, mm
        What the gauge reads in: a reading under it says only "under the step".
    limit : float, mm, optional
        Gap over which the model's share is given.
    level : float
        Confidence level, 0.95 = 95 %.
    groups : sequence, optional
        Values of ``group`` in the order shown; default those found, sorted.

    Returns
    -------
    DataFrame
        One row a group: the group, n, censored, clusters, median_mm, median_low, median_high, ratio,
        ratio_low, ratio_high (1 and empty for the first), over_limit (share the model puts over ``limit``,
        NaN without one), level, state, note. A group with no reading over the step, or too few readings,
        keeps its row with state "too_few"; so do all where the readings agree or the fit has no answer.

    Raises
    ------
    ValueError
        Naming the columns that are missing, or for a step that is not over 0.

    Notes
    -----
    Log-normal gaps, left-censored at the gauge's step, maximum likelihood.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import rates
    >>> table = rates.compare_gaps(ventbook.read_lifters("data/demo/store"), "valve")
    >>> table["valve"].tolist(), float(table["ratio"].iloc[0])
    (['exhaust', 'inlet'], 1.0)
    """
    level = check_level(level)
    _check_step(step)
    missing = [c for c in (group, gap, cluster) if c not in lifters.columns]
    if missing:
        raise ValueError(f"lifters lacks the columns {', '.join(missing)}")
    reading = lifters[gap].to_numpy(dtype=float, na_value=np.nan)
    names = list(groups) if groups is not None else sorted(lifters[group].dropna().unique().tolist())
    code = pd.Categorical(lifters[group], categories=names).codes
    ok = np.isfinite(reading) & (code >= 0)
    y, cut = log_gap(reading[ok], step)
    code = code[ok]
    ids = lifters[cluster].to_numpy()[ok]
    enough = [
        bool(((code == g) & ~cut).sum() >= 3 and pd.Series(ids[code == g]).nunique() >= 2)
        for g in range(len(names))
    ]
    used = [g for g in range(len(names)) if enough[g]]
    fit, why = None, ""
    if used and int((~cut[np.isin(code, used)]).sum()) >= LEAST_READINGS:
        keep = np.isin(code, used)
        design = np.equal.outer(code[keep], used).astype(float)
        try:
            fit = fit_left_censored(y[keep], cut[keep], design, cluster=ids[keep])
        except NoFit as error:
            why = error.reason
        except NotEnoughData as error:
            why = str(error)
    rows = []
    for g, name in enumerate(names):
        mine = code == g
        row: dict[str, Any] = {
            group: name,
            "n": int(mine.sum()),
            "censored": int(cut[mine].sum()),
            "clusters": int(pd.Series(ids[mine]).nunique()),
        }
        if fit is None or g not in used:
            rows.append(
                row
                | {
                    "level": level,
                    "state": "too_few",
                    "note": why if g in used and why else _what_is_missing(row, int((mine & ~cut).sum())),
                }
            )
            continue
        j = used.index(g)
        t = float(special.stdtrit(max(fit.clusters - len(used), 1), 0.5 + level / 2))
        m, se = fit.coefficients[j], float(np.sqrt(fit.covariance[j, j]))
        row |= {
            "median_mm": np.exp(m),
            "median_low": np.exp(m - t * se),
            "median_high": np.exp(m + t * se),
            "over_limit": special.ndtr((m - np.log(limit)) / fit.sd) if limit else np.nan,
            "level": level,
            "state": "estimated",
            "note": "",
        }
        if j == 0:
            row["ratio"] = 1.0
        else:
            d = m - fit.coefficients[0]
            v = fit.covariance
            se = float(np.sqrt(v[j, j] + v[0, 0] - 2 * v[0, j]))
            row |= {"ratio": np.exp(d), "ratio_low": np.exp(d - t * se), "ratio_high": np.exp(d + t * se)}
        rows.append(row)
    columns = [
        group, "n", "censored", "clusters", "median_mm", "median_low", "median_high", "ratio", "ratio_low",
        "ratio_high", "over_limit", "level", "state", "note",
    ]  # fmt: skip
    table = pd.DataFrame(rows, columns=columns)
    return table.astype(dict.fromkeys(columns[4:11], float))


def _what_is_missing(row: dict[str, Any], readings: int) -> str:
    if row["n"] == 0:
        return "no reading"
    return (
        f"{readings} readings over the gauge's step in {row['clusters']} engines; 3 in 2 engines are needed"
    )


def find_recurring_zeros(lifters: pd.DataFrame, *, least: int) -> tuple[pd.DataFrame, float, float]:
    """Lifters that read a gap of 0.00 in several ventings, and how many would by chance alone.

    Parameters
    ----------
    lifters : DataFrame
        Table of lifters: ``gap_first_mm``, ``venting_id``, ``engine_id``, ``cylinder``, ``valve`` and
        ``site``.
    least : int
        Ventings with such a reading from which a lifter is listed.

    Returns
    -------
    listed : DataFrame
        One row a lifter: its keys, ``ventings``, ``zeros`` and ``site`` (the last).
    share : float, 0..1
        Of all readings that are 0.00; 0 where there is none.
    expected : float
        Lifters that would be listed were every reading 0.00 with that chance (binomial).

    Examples
    --------
    >>> import pandas as pd
    >>> from ventbook.statistics import rates
    >>> gaps = pd.DataFrame({"gap_first_mm": [0, 0, 0.1, 0.2, 0.1, 0.3], "venting_id": list("uvwxyz"), "engine_id": list("aaabbb")})
    >>> listed, share, expected = rates.find_recurring_zeros(gaps.assign(cylinder=1, valve="inlet", site="Harbour"), least=2)
    >>> listed["zeros"].tolist(), round(share, 4), round(expected, 4)  # twice 7 in 27
    ([2], 0.3333, 0.5185)
    """
    keys = ["engine_id", "cylinder", "valve"]
    read = lifters.loc[
        lifters["gap_first_mm"].notna().to_numpy(), [*keys, "venting_id", "site", "gap_first_mm"]
    ]
    zero = read["gap_first_mm"].eq(0).to_numpy()
    share = float(zero.mean()) if len(read) else 0.0
    lifter = read.groupby(keys, sort=False).ngroup().to_numpy()
    venting, ventings = pd.factorize(read["venting_id"])
    known = (lifter >= 0) & (venting >= 0)
    of_each = np.bincount(pd.unique(lifter[known] * len(ventings) + venting[known]) // max(len(ventings), 1))
    lifters_with = np.bincount(of_each)
    expected = float(lifters_with @ stats.binom.sf(least - 1, np.arange(len(lifters_with)), share))
    often = np.bincount(lifter[zero & known], minlength=len(of_each)) >= least
    some = known & (often[lifter] if len(often) else False)
    listed = read[some].assign(zero=zero[some]).groupby(keys)
    rows = listed.agg(ventings=("venting_id", "nunique"), zeros=("zero", "sum"), site=("site", "last"))
    return rows.reset_index(), share, expected
