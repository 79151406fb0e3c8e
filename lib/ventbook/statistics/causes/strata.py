"""Like beside like: the Mantel-Haenszel odds ratio over sites, and failing ventings beside like ones without a finding.

Two-by-two tables by site also say whether sites agree; the case comparison says what differs.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from ventbook import distributions as stats
from ventbook.numerics import Floats, Ints, factorize, judge_fit, keep_spread, satterthwaite_df
from ventbook.statistics.causes.factors import Factor, code_factors, list_terms, load_factors
from ventbook.statistics.causes.fits import RUNAWAY, Effect, make_effect

SETS_NEEDED = 5


def compare_strata(tables: npt.ArrayLike) -> tuple[float, float, int]:
    """What 2 x 2 tables [[a, b], [c, d]] stacked as (strata, 2, 2), rows independent, say of their common odds ratio.

    Returns its standard error on the log scale (Robins, Breslow & Greenland 1986, Biometrics 42:311), Tarone's test
    statistic of one odds ratio in all strata (1985, Biometrika 72:91) and its degrees of freedom; by statsmodels'
    ``StratifiedTable``. NaN where no stratum with four filled margins is left, or all of them separate the same way.
    """
    from statsmodels.stats.contingency_tables import StratifiedTable

    tables = np.array(tables, dtype=np.float64)
    used = tables[(tables.sum(axis=1) > 0).all(axis=1) & (tables.sum(axis=2) > 0).all(axis=1)]
    a, b, c, d = used.reshape(-1, 4).T
    if not ((a * d).any() and (b * c).any()):
        return float("nan"), float("nan"), max(len(used) - 1, 0)
    if np.isclose((a * d / (a + b + c + d)).sum(), (b * c / (a + b + c + d)).sum(), rtol=1e-7, atol=0):
        used[0, 0, 0] += 1e-6  # the library's expected counts are 0 / 0 at an odds ratio of exactly 1
    found = StratifiedTable(np.moveaxis(used, 0, -1))
    return float(found.logodds_pooled_se), float(found.test_equal_odds(adjust=True).statistic), len(used) - 1


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
    plain_se, tarone, freedom = compare_strata(np.stack([a, b, c, d], axis=1).reshape(-1, 2, 2))
    if not plain_se > 0:
        return None, float("nan")
    variance = keep_spread(variance, plain_se**2)
    effect = make_effect(
        float(np.log(r.sum() / s.sum())), float(np.sqrt(variance)), satterthwaite_df(share), level=level
    )
    if freedom < 1:
        return effect, float("nan")
    design_effect = max(variance / plain_se**2, 1.0)
    return effect, float(stats.chi2.sf(tarone / design_effect, freedom))


def match_cases(
    jobs: pd.DataFrame, *, controls: int = 4, hours_scale: float = 100.0, venting: str = ""
) -> pd.DataFrame:
    """Each failing venting (``failed_first``), or the one that is named, beside up to ``controls`` ventings known not to fail.

    Candidates have the same engine type and reason and come from another engine; nearest first, distance =
    days / 30 + |difference of hours since overhaul| / ``hours_scale`` (0 where hours are not recorded). A venting may
    serve several cases. Returns columns set (Int), venting_id, case (bool), days_apart, hours_apart; the case
    is the first row of its set; a case without a like venting is left out.
    """
    checked = jobs[jobs["failed_first"].notna().to_numpy()].reset_index(drop=True)
    failed = checked["failed_first"].to_numpy(bool)
    stratum = checked["engine_type"].astype(str) + " / " + checked["reason"].astype(str)
    days = checked["date"].to_numpy(dtype="datetime64[D]").astype(np.int64).astype(float)
    if "hours_since_overhaul_h" in checked.columns:
        hours = checked["hours_since_overhaul_h"].to_numpy(dtype=np.float64, na_value=np.nan)
    else:
        hours = np.full(len(checked), np.nan)
    ids = checked["venting_id"].to_numpy()
    engines = checked["engine_id"].to_numpy()
    rows: list[tuple[int, object, bool, float, float]] = []
    number = 0
    for members in stratum.groupby(stratum).groups.values():
        where = np.asarray(members)
        free, cases = where[~failed[where]], where[failed[where]]
        for case in cases[ids[cases] == venting] if venting else cases:
            like = free[engines[free] != engines[case]]
            if not like.size:
                continue
            apart = np.abs(days[like] - days[case])
            worked = np.nan_to_num(np.abs(hours[like] - hours[case]))
            order = np.lexsort((like, apart / 30 + worked / hours_scale))[:controls]
            rows.append((number, ids[case], True, 0.0, 0.0))
            rows += [(number, ids[like[i]], False, apart[i], worked[i]) for i in order]
            number += 1
    return pd.DataFrame(rows, columns=["set", "venting_id", "case", "days_apart", "hours_apart"])


def fit_conditional(design: Floats, case: Ints, stratum: Ints) -> tuple[Floats, Floats, float]:
    """Conditional logistic regression of sets with one case each: coefficients, their variance, log-likelihood.

    ``design`` (n, k) without intercept, ``case`` (n,) 0/1 with one 1 in every stratum, ``stratum`` (n,) codes.
    The likelihood of a set is exp(x'b) of the case over the sum over its members; it is maximised by Newton's
    method, in .7 ms for 110 sets (statsmodels' ConditionalLogit: 140 ms, and it stops with an error where a column
    separates). A coefficient that runs away (separation), or a fit that doesn't settle or can't tell its columns apart, comes back
    as NaN.
    Reference: Breslow & Day 1980, Statistical Methods in Cancer Research I, ch. 7.
    """
    sets = int(stratum.max()) + 1
    if np.any(np.bincount(stratum, weights=case, minlength=sets) != 1):
        raise ValueError("case must mark exactly one row of every stratum")
    k = design.shape[1]
    beta, information, loglik, converged = np.zeros(k), np.eye(k), 0.0, False
    for _ in range(50):
        eta = design @ beta
        top = np.full(sets, -np.inf)
        np.maximum.at(top, stratum, eta)
        e = np.exp(eta - top[stratum])
        total = np.bincount(stratum, weights=e, minlength=sets)
        p = e / total[stratum]
        loglik = float((np.asarray(case) * (eta - top[stratum] - np.log(total)[stratum])).sum())
        means = np.column_stack([np.bincount(stratum, weights=p * x, minlength=sets) for x in design.T])
        score = design.T @ (case - p)
        information = design.T @ (design * p[:, None]) - means.T @ means
        step = np.linalg.pinv(information, hermitian=True) @ score
        beta = beta + step
        if np.abs(step).max() < 1e-10:
            converged = True
            break
        if np.abs(beta).max() > RUNAWAY:
            break
    if judge_fit(converged=converged, estimates=beta, information=information):
        return np.full(k, np.nan), np.full((k, k), np.nan), loglik
    return beta, np.asarray(np.linalg.pinv(information, hermitian=True)), loglik


def compare_cases(
    jobs: pd.DataFrame,
    *,
    factors: Sequence[Factor] | None = None,
    controls: int = 4,
    level: float = 0.95,
) -> pd.DataFrame:
    """What differs between failing ventings and like ones: one row a factor and level.

    Parameters
    ----------
    jobs : DataFrame
        One row a venting.
    factors : sequence of Factor, optional
        Default ``data/factors.toml``.
    controls : int
        At most so many ventings beside a failing one.
    level : float
        Confidence level, 0.95 = 95 %.

    Returns
    -------
    DataFrame
        factor, title, kind, level, reference, sets (those with a difference), cases_exposed, cases,
        controls_exposed, controls, odds_ratio, low, high, p, state, note.

    Notes
    -----
    Matches by :func:`match_cases`; the odds ratio comes from conditional logistic regression, one factor at a
    time, with a variance summed by the case's engine.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import causes
    >>> table = causes.compare_cases(ventbook.read_ventings("data/demo/store"))
    >>> table.columns[:3].tolist(), len(table) > 0
    (['factor', 'title', 'kind'], True)
    """
    chosen = load_factors() if factors is None else tuple(factors)
    chosen = tuple(f for f in chosen if "lifter_failure" in f.outcomes and f.kind != "interaction")
    matched = match_cases(jobs, controls=controls)
    columns = [
        "factor",
        "title",
        "kind",
        "level",
        "reference",
        "sets",
        "cases_exposed",
        "cases",
        "controls_exposed",
    ]
    columns += ["controls", "odds_ratio", "low", "high", "p", "state", "note"]
    if matched.empty:
        return pd.DataFrame(columns=columns)
    rows = jobs.set_index("venting_id").loc[matched["venting_id"]].reset_index()
    case = matched["case"].to_numpy(dtype=np.int64)
    stratum = matched["set"].to_numpy(dtype=np.int64)
    engine = rows["engine_id"].to_numpy()[case == 1]
    out = []
    for name, coded in code_factors(rows, chosen).items():
        for term in list_terms(coded, slice(None)):
            known, told = term.known, term.exposed
            row = {
                "factor": name, "title": term.factor.title, "kind": term.factor.kind, "level": term.level, "reference": term.reference,
                "cases_exposed": int((told & known & (case == 1)).sum()), "cases": int((known & (case == 1)).sum()),
                "controls_exposed": int((told & known & (case == 0)).sum()),
                "controls": int((known & (case == 0)).sum()),
            }  # fmt: skip
            effect, sets = _compare_one(term.x, known, case, stratum, engine, level=level)
            row |= {"sets": sets, "state": "estimated", "note": ""}
            if effect is None:
                row |= {"state": "too_few", "note": f"{sets} sets with a difference, {SETS_NEEDED} needed"}
            else:
                low, high = np.exp([effect.low, effect.high])
                row |= {"odds_ratio": np.exp(effect.log), "low": low, "high": high, "p": effect.p}
            out.append(row)
    return pd.DataFrame(out, columns=columns)


def _compare_one(
    x: Floats, known: np.ndarray, case: Ints, stratum: Ints, engine: np.ndarray, *, level: float
) -> tuple[Effect | None, int]:
    """One covariate over the sets that differ in it and whose case is known."""
    n_sets = int(stratum.max()) + 1
    case_known = np.bincount(stratum, weights=known & (case == 1), minlength=n_sets) == 1
    use = known & case_known[stratum]
    sums = np.bincount(stratum[use], weights=x[use], minlength=n_sets)
    squares = np.bincount(stratum[use], weights=x[use] ** 2, minlength=n_sets)
    sizes = np.bincount(stratum[use], minlength=n_sets)
    differs = squares - sums**2 / np.maximum(sizes, 1) > 1e-12
    use &= differs[stratum]
    sets = int(differs.sum())
    if sets < SETS_NEEDED:
        return None, sets
    codes, _ = factorize(stratum[use])
    beta, variance, _ = fit_conditional(x[use, None], case[use], codes)
    if not np.isfinite(beta[0]):
        return None, sets
    # score of each set, summed by the engine of its case
    e = np.exp(x[use] * beta[0])
    p = e / np.bincount(codes, weights=e)[codes]
    score = np.bincount(codes, weights=x[use] * (case[use] - p))
    engines, _ = factorize(engine[np.flatnonzero(differs)])
    by_engine = np.bincount(engines, weights=score)
    groups = len(by_engine)
    if groups < 3:
        return None, sets
    robust = float((by_engine**2).sum() * groups / (groups - 1) * variance[0, 0] ** 2)
    se = float(np.sqrt(max(robust, variance[0, 0])))
    return make_effect(float(beta[0]), se, groups - 1, level=level), sets
