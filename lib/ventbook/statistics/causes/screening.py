"""Crude, adjusted and by-site effects of every recorded circumstance on one outcome, side by side.

A term's effect is given site and the factors that keep company with it: who they are, whether they can be told apart from it, and
which of them it is adjusted for, is decided here.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from scipy import special

from ventbook.numerics import Floats, Ints
from ventbook.statistics.causes.factors import Factor, Mask, Term, list_adjusters, list_terms, load_factors
from ventbook.statistics.causes.fits import (
    RUNAWAY,
    Effect,
    estimate_contrast,
    find_patterns,
    fit_binomial,
    fit_intervals,
    profile_firth,
)
from ventbook.statistics.causes.setting import (
    FINDINGS_A_COEFFICIENT,
    FIRTH,
    LOG_NORMAL,
    LOGIT,
    PARTS,
    ScreeningData,
    Totals,
    estimate_crude,
    prepare_setting,
    total_levels,
)
from ventbook.statistics.causes.strata import estimate_stratified
from ventbook.statistics.causes.table import COLUMNS, COUNTS, TEXTS, effect_columns, empty_row, settle_q

NO_OVERLAP, THIN_OVERLAP = 0.10, 0.35
"""Share of a factor's variation left once another factor is given: under these it is "none" or "thin"."""
MATCHED_PAIRS = 3.0
"""With less than this many ventings' worth of comparisons inside levels of the other factor, overlap is "none"."""


PIECE = 16_384
"""Rows whose indicators are held as numbers at a time."""


def measure_company(terms: Sequence[Term], setting: ScreeningData) -> list[dict[str, float]]:
    """Share of each term's variation that each adjuster explains on the rows that take part (0..1)."""
    names = list_adjusters(setting.factors, setting.outcome.outcome, setting.blocks)
    if not names or not terms:
        return [{} for _ in terms]
    blocks = [setting.blocks[name] for name in names]
    # copies, since a term keeps what it has worked out and all of them would be too large together
    means = [float(t.x[t.known].mean()) if t.known.any() else 0.0 for t in map(replace, terms)]
    rows_of = [block.indicators(slice(0, 0)).shape[0] for block in blocks]
    products, squares = np.zeros((sum(rows_of), 2 * len(terms))), np.zeros(len(terms))
    for start in range(0, len(setting.cluster), PIECE):
        rows = slice(start, start + PIECE)
        parts = [
            replace(t, codes=t.codes[rows], numbers=None if t.numbers is None else t.numbers[rows])
            for t in terms
        ]
        known = np.stack([part.known for part in parts])
        centred = np.stack([(part.x - mean) * part.known for part, mean in zip(parts, means, strict=True)])
        squares += np.einsum("ij,ij->i", centred, centred)
        products += np.vstack([block.indicators(rows) for block in blocks], dtype=np.float64) @ (
            np.vstack([centred, known], dtype=np.float64).T
        )
    ends = np.cumsum(rows_of)[:-1]
    company = []
    for number, term in enumerate(map(replace, terms)):
        sums, counts = (np.split(products[:, at], ends) for at in (number, len(terms) + number))
        company.append(
            {
                name: block.explain(one, other, int(term.known.sum())) / max(float(squares[number]), 1e-300)
                for name, block, one, other in zip(names, blocks, sums, counts, strict=True)
                if name not in (term.factor.name, *term.factor.parts)
            }
        )
    return company


def measure_inside_sites(term: Term, setting: ScreeningData) -> float:
    """Share of the term's variation that is left inside the sites (0..1)."""
    known, x = term.known, term.x[term.known]
    centred = x - x.mean()
    sites = np.bincount(setting.site[known])
    sums = np.bincount(setting.site[known], weights=centred)
    return max(1.0 - float((sums[sites > 0] ** 2 / sites[sites > 0]).sum()) / float(centred @ centred), 0.0)


def judge_overlap(term: Term, company: Mapping[str, float]) -> tuple[str, float, str]:
    """Whether the term varies once any one other factor, or the site, is given: word, share left, and which."""
    x = term.x[term.known]
    partner = max(company, key=lambda name: company[name])
    left = max(1 - company[partner], 0.0)
    comparisons = left * float(((x - x.mean()) ** 2).sum()) if not term.number else np.inf
    if left < NO_OVERLAP or comparisons < MATCHED_PAIRS:
        return "none", left, partner
    return ("thin" if left < THIN_OVERLAP else "good"), left, partner


def choose_adjusters(term: Term, setting: ScreeningData, company: Mapping[str, float]) -> list[str]:
    """Factors to adjust this term for: those that keep company with it beyond chance, the closest first, within the
    number of coefficients that the findings can carry. The outcome is not looked at."""
    n = int(term.known.sum())
    close = []
    for name, shared in company.items():
        if name == "site":
            continue
        columns = setting.blocks[name].width
        if shared > max(0.01, (columns + 2 * np.sqrt(2 * columns)) / n):
            close.append((-shared, name, columns))
    chosen, left = [], setting.budget
    for _, name, columns in sorted(close):
        if columns <= left:
            chosen.append(name)
            left -= columns
    return chosen


def estimate_adjusted(
    term: Term, setting: ScreeningData, company: Mapping[str, float], *, forced: Floats | None
) -> tuple[Effect | None, list[str], str]:
    """The term's effect given site and its company; None where there are too few findings to adjust at all."""
    rows, known = setting.outcome, term.known
    if rows.counted and rows.failing < FINDINGS_A_COEFFICIENT:
        return None, [], ""
    names = choose_adjusters(term, setting, company)
    sites = _site_columns(setting.site[known])
    nuisance = [sites, *(setting.blocks[name].columns(known) for name in names)]
    if forced is not None:
        nuisance.append(forced[known])
    x, cluster = term.x[known], setting.cluster[known]
    design = np.column_stack([np.ones(len(x)), x, *nuisance])
    named = (["site"] if sites.shape[1] else []) + names
    if not rows.counted:
        assert rows.low is not None and rows.high is not None
        design = independent_columns(design)
        fit = fit_intervals(design, rows.low[known], rows.high[known])
        contrast = np.eye(design.shape[1])[1]
        found = estimate_contrast(
            fit, design, contrast, cluster=cluster, n_clusters=setting.n_clusters, level=setting.level
        )
        return found, named, LOG_NORMAL
    # ventings alike in all columns are one row of the fit
    place, first = find_patterns(design)
    failures, trials = (
        np.bincount(place, weights=y[known]).astype(np.float64) for y in (rows.failures, rows.trials)
    )
    design = design[first]
    keep = rows_that_tell(design[:, 2:], failures, trials)
    design, failures, trials = independent_columns(design[keep]), failures[keep], trials[keep]
    one_sided = not term.number and separates(design[:, 1], failures, trials)
    if not one_sided:
        fit = fit_binomial(design, failures, trials)
        if fit.converged and np.abs(fit.beta).max() < RUNAWAY:
            told = keep[place]
            place = (np.cumsum(keep) - 1)[place[told]]
            y, n = rows.failures[known][told], rows.trials[known][told]
            p = special.expit(design @ fit.beta)[place]
            fit = replace(fit, residual=y - n * p, weight=n * p * (1 - p))
            effect = estimate_contrast(
                fit,
                design,
                np.eye(design.shape[1])[1],
                cluster=cluster[told],
                n_clusters=setting.n_clusters,
                level=setting.level,
                place=place,
            )
            return effect, named, LOGIT
    effect = profile_firth(design, failures, trials, 1, level=setting.level, inflation=setting.design_effect)
    return effect, named, FIRTH


def separates(x: Floats, failures: Floats, trials: Floats) -> bool:
    """Whether one side of a 0/1 term has no finding, or nothing else."""
    for side in (x > 0.5, x <= 0.5):
        over, all_ = failures[side].sum(), trials[side].sum()
        if over == 0 or over == all_:
            return True
    return False


def rows_that_tell(columns: Floats, failures: Floats, trials: Floats) -> Mask:
    """Rows outside 0/1 adjuster levels that have no finding or nothing else: those tell nothing about the term, and
    leaving them out gives the limit of the fit."""
    keep = np.ones(len(failures), dtype=bool)
    for _ in range(5):
        before = keep.sum()
        for column in columns.T:
            at = keep & (column == 1.0)
            if not at.any() or not np.isin(column, (0.0, 1.0)).all():
                continue
            over = failures[at].sum()
            if over == 0 or over == trials[at].sum():
                keep &= ~at
        if keep.sum() == before:
            break
    return keep


def independent_columns(design: Floats) -> Floats:
    """The design without columns that those before them already say; the first two (intercept, term) stay."""
    scale = np.sqrt((design**2).sum(axis=0))
    r = np.asarray(np.linalg.qr(design / np.where(scale > 0, scale, 1.0), mode="r"))
    keep = np.zeros(design.shape[1], dtype=bool)
    keep[: min(r.shape)] = np.abs(np.diag(r)) > 1e-7  # fewer rows than columns: the last ones say nothing new
    keep[: min(2, len(keep))] = True
    return design[:, keep]


def _site_columns(site: Ints) -> Floats:
    counts = np.bincount(site)
    base = int(counts.argmax())
    columns = [(site == i).astype(np.float64) for i, count in enumerate(counts) if i != base and count > 0]
    return np.column_stack(columns) if columns else np.zeros((len(site), 0))


def forced_columns(term: Term, setting: ScreeningData) -> Floats | None:
    """Main effects that an interaction is held against: both parts as levels."""
    if term.factor.kind != "interaction":
        return None
    columns = []
    for part in term.factor.parts:
        codes = setting.coded[part].codes[setting.outcome.rows]
        counts = np.bincount(codes[codes >= 0], minlength=1)
        columns += [
            (codes == i).astype(np.float64)
            for i, count in enumerate(counts)
            if count > 0 and i != int(counts.argmax())
        ]
    return np.column_stack(columns) if columns else None


def screen_factors(
    jobs: pd.DataFrame,
    *,
    outcome: str = "lifter_failure",
    factors: Sequence[Factor] | None = None,
    level: float = 0.95,
    parts: Collection[str] = PARTS,
) -> pd.DataFrame:
    """What each circumstance goes with, one row a factor and level: crude, adjusted, and by site.

    Parameters
    ----------
    jobs : DataFrame
        One row a venting (:func:`ventbook.read_ventings`, with :func:`add_lifter_columns`).
    outcome : str
        "lifter_failure" (odds ratios of a lifter over the limit at the first check), or the time to pressure
        or the rotations over expected (ratios), by their names in the factor table.
    factors : sequence of Factor, optional
        Default ``data/factors.toml``.
    level : float
        Confidence level, 0.95 = 95 %.
    parts : collection of str
        Which of "crude", "adjusted", "stratified" are wanted; the columns of the others stay empty.

    Returns
    -------
    DataFrame
        One row a factor and level. Too few ventings at a level (the factor's minimum) gives state "too_few";
        an unrecorded factor "not_recorded".

    Raises
    ------
    ValueError
        For an unknown outcome or missing columns.

    Notes
    -----
    crude: that factor alone. adjusted: given site and the other factors that may be adjusted for on this
    outcome and that keep company with it; as many of them, the closest first, as there are ten ventings with
    a finding for (fifteen ventings for times); ``adjusted_for`` names them. A consequence of the venting is
    never adjusted for. stratified: Mantel-Haenszel over sites (numbers cut in two), with the p of "the sites
    agree". Intervals sum by engine (CR3, t). A level without or with nothing but findings gets a penalised
    fit with profile interval.

    p counts the levels looked at within the factor (Sidak); q is Benjamini-Hochberg over the factors of this
    outcome: strong effects on times shall not make weak ones on lifters look surer. ``site_left``: share of its variation left inside the
    sites; under SITE_LEFT a factor has none. overlap: "none" where the factor can't be told apart from the
    one named in ``overlap_with``, "thin", "good"; with "none" no adjusted effect is given. against_matters:
    "larger" / "smaller" where the whole interval lies beyond / within the smallest effect that matters, else
    "not known".

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import causes
    >>> jobs = causes.add_lifter_columns(
    ...     ventbook.read_ventings("data/demo/store"), ventbook.read_lifters("data/demo/store")
    ... )
    >>> effects = causes.screen_factors(jobs, parts=("crude",))
    >>> "cooler_empty" in set(effects["factor"])
    True
    """
    if not 0 < level < 1:
        raise ValueError(f"level must lie between 0 and 1; got {level!r}")
    chosen = tuple(load_factors() if factors is None else factors)
    chosen = tuple(factor for factor in chosen if outcome in factor.outcomes or outcome in factor.adjust)
    unknown = [part for part in parts if part not in PARTS]
    if unknown:
        raise ValueError(f"parts must be among {', '.join(PARTS)}; got {unknown[0]!r}")
    setting = prepare_setting(jobs, outcome=outcome, factors=chosen, level=level, parts=parts)
    rows = []
    asked = [factor for factor in chosen if outcome in factor.outcomes]
    listed = [list_terms(setting.coded[factor.name], setting.take) for factor in asked]
    company = iter(measure_company([term for terms in listed for term in terms], setting))
    for factor, terms in zip(asked, listed, strict=True):
        if not terms:
            rows.append(empty_row(factor, outcome))
            continue
        totals = total_levels(terms[0].codes, setting.outcome, setting.cluster, setting.n_clusters)
        rows += [screen_term(term, setting, totals, next(company)) for term in map(replace, terms)]
    frame = pd.DataFrame(rows, columns=list(COLUMNS))
    kinds = {name: "str" if name in TEXTS else "int64" if name in COUNTS else "float64" for name in COLUMNS}
    return settle_q(frame.astype(kinds))


def screen_term(
    term: Term, setting: ScreeningData, totals: Totals, company: Mapping[str, float]
) -> dict[str, object]:
    """One row of :func:`screen_factors`."""
    row = _describe(term, setting, totals)
    factor, rows = term.factor, setting.outcome
    exposed = int(row["exposed"])  # type: ignore[call-overload]
    others = int(row["ventings"]) - exposed  # type: ignore[call-overload]
    if row["ventings"] == 0:
        return row | {"state": "not_recorded", "note": "not recorded on these ventings"}
    if term.number and np.ptp(term.x[term.known]) == 0:
        return row | {"state": "too_few", "note": "the same on all ventings"}
    if not term.number and min(exposed, others) < factor.minimum:
        return row | {"state": "too_few", "note": f"fewer than {factor.minimum} ventings on one side"}
    if term.number and exposed + others < 2 * factor.minimum:
        return row | {"state": "too_few", "note": f"fewer than {2 * factor.minimum} ventings with a number"}
    part = [term.code + 1, 1] if factor.kind == "code" else slice(1, None)
    if rows.counted and not 0 < totals.over_sums[part].sum() < totals.lifter_sums[part].sum():
        return row | {"state": "too_few", "note": "no lifter over the limit to tell levels apart by"}
    row["site_left"] = left = measure_inside_sites(term, setting)
    forced = forced_columns(term, setting)
    crude, method = estimate_crude(
        term,
        rows,
        totals=totals,
        cluster=setting.cluster,
        n_clusters=setting.n_clusters,
        level=setting.level,
        forced=forced,
        design_effect=setting.design_effect,
    )
    row |= effect_columns("crude", crude) | {"method": method}
    adjusted: Effect | None = None
    if "adjusted" in setting.parts:
        adjusted = _add_adjusted(row, term, setting, {"site": 1 - left, **company}, forced=forced)
    if "stratified" in setting.parts and rows.counted and factor.kind != "interaction":
        known = term.known
        effect, agree = estimate_stratified(
            term.exposed[known],
            rows.failures[known],
            rows.trials[known],
            stratum=setting.site[known],
            cluster=setting.cluster[known],
            n_clusters=setting.n_clusters,
            level=setting.level,
        )
        row |= effect_columns("stratified", effect, p=False) | {"homogeneity_p": agree}
    used = adjusted or crude
    if used is None:
        return row | {"state": "too_few", "note": row["note"] or "no finite effect"}
    return row | {
        "log_effect": used.log,
        "log_se": used.se,
        "df": used.df,
        "spread": float(np.ptp(np.quantile(term.x[term.known], (0.1, 0.9)))) if term.number else 1.0,
        "basis": "adjusted" if adjusted else "crude",
        "against_matters": judge_size(used, factor.matters(rows.outcome)),
    }


def _add_adjusted(
    row: dict[str, object],
    term: Term,
    setting: ScreeningData,
    company: Mapping[str, float],
    *,
    forced: Floats | None,
) -> Effect | None:
    """Fills in overlap and the adjusted effect; returns the effect, None where there is none to give."""
    overlap, share, partner = judge_overlap(term, company)
    row.update({"overlap": overlap, "overlap_share": share, "overlap_with": partner})
    if overlap == "none":
        row["note"] = f"can't be told apart from {partner} on these ventings"
        return None
    adjusted, names, method = estimate_adjusted(term, setting, company, forced=forced)
    row.update(effect_columns("adjusted", adjusted) | {"adjusted_for": ", ".join(names)})
    if method:
        row["method"] = method
    return adjusted


def judge_size(effect: Effect, matters: float) -> str:
    """Whether the interval lies beyond, or within, the smallest ratio that matters (either way): larger, smaller."""
    bound = float(np.log(matters))
    if effect.low > bound or effect.high < -bound:
        return "larger"
    if -bound < effect.low and effect.high < bound:
        return "smaller"
    return "not known"


def _describe(term: Term, setting: ScreeningData, totals: Totals) -> dict[str, object]:
    rows, at = setting.outcome, term.code + 1
    part = [at, 1] if term.factor.kind == "code" else slice(1, None)
    everyone = term.factor.kind != "code" and totals.ventings[0] == 0
    engines = setting.n_clusters
    if not everyone:
        engines = int(np.count_nonzero(np.bincount(setting.cluster, weights=term.known)))
    held = at < len(totals.ventings)
    return empty_row(term.factor, rows.outcome) | {
        "level": term.level,
        "reference": term.reference,
        "ventings": int(totals.ventings[part].sum()),
        "exposed": int(totals.ventings[at]) if held else 0,
        "failing": int(totals.failing[part].sum()),
        "exposed_failing": int(totals.failing[at]) if held else 0,
        "lifters": int(totals.lifter_sums[at]) if held else 0,
        "lifters_over": int(totals.over_sums[at]) if held else 0,
        "engines": engines,
        "state": "estimated",
        "note": rows.note,
    }
