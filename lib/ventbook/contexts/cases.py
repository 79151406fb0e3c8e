"""Case comparison: each failing venting beside like ones without a finding, and what differs."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from ventbook.numerics import Floats, Ints, encode, judge_fit

from .factors import Factor, code_factors, load_factors
from .fits import RUNAWAY, Effect, make_effect
from .terms import list_terms

SETS_NEEDED = 5


def match_cases(jobs: pd.DataFrame, *, controls: int = 4, hours_scale: float = 100.0) -> pd.DataFrame:
    """Each failing venting (``failed_first``) beside up to ``controls`` ventings known not to fail.

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
        free = where[~failed[where]]
        for case in where[failed[where]]:
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
    method. A coefficient that runs away (separation), or a fit that doesn't settle or can't tell its columns apart, comes back
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

    Matches by :func:`match_cases`; the odds ratio comes from conditional logistic regression, one factor at a time,
    with a variance summed by the case's engine. Columns: factor, title, kind, level, reference, sets (those with a
    difference), cases_exposed, cases, controls_exposed, controls, odds_ratio, low, high, p, state, note.
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
    codes, _ = encode(stratum[use])
    beta, variance, _ = fit_conditional(x[use, None], case[use], codes)
    if not np.isfinite(beta[0]):
        return None, sets
    # score of each set, summed by the engine of its case
    e = np.exp(x[use] * beta[0])
    p = e / np.bincount(codes, weights=e)[codes]
    score = np.bincount(codes, weights=x[use] * (case[use] - p))
    engines, _ = encode(engine[np.flatnonzero(differs)])
    by_engine = np.bincount(engines, weights=score)
    groups = len(by_engine)
    if groups < 3:
        return None, sets
    robust = float((by_engine**2).sum() * groups / (groups - 1) * variance[0, 0] ** 2)
    se = float(np.sqrt(max(robust, variance[0, 0])))
    return make_effect(float(beta[0]), se, groups - 1, level=level), sets
