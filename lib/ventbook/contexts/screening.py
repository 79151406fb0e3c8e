"""Crude, adjusted and by-site effects of every recorded circumstance on one outcome, side by side."""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np
import pandas as pd

from ventbook.numerics import Floats

from .adjusted import estimate_adjusted, forced_columns
from .crude import Totals, estimate_crude, total_levels
from .factors import Factor, load_factors
from .fits import Effect
from .overlap import judge_overlap, measure_company, measure_inside_sites
from .setting import PARTS, Setting, prepare_setting
from .strata import estimate_stratified
from .table import COLUMNS, COUNTS, TEXTS, effect_columns, empty_row, settle_q
from .terms import Term, list_terms


def screen_factors(
    jobs: pd.DataFrame,
    *,
    outcome: str = "lifter_failure",
    factors: Sequence[Factor] | None = None,
    level: float = 0.95,
    parts: Collection[str] = PARTS,
) -> pd.DataFrame:
    """What each circumstance goes with, one row a factor and level: crude, adjusted, and by site.

    ``jobs`` has one row a venting; ``factors`` are rows of the factor table (data/factors.toml where None).
    Effects are odds ratios of a lifter over the limit at the first check (``lifter_failure``), ratios of the time to
    pressure, or ratios of rotations over expected rotations; ``level`` (0..1) is the intervals' confidence.

    crude: that factor alone. adjusted: given site and the other factors that may be adjusted for on this outcome
    and that keep company with it; as many of them, the closest first, as there are ten ventings with a finding for
    (fifteen ventings for times); ``adjusted_for`` names them. A consequence of the venting is never adjusted for.
    stratified: Mantel-Haenszel over sites (numbers cut in two), with the p of "the sites agree". Intervals sum
    by engine (CR3, t). A level without or with nothing but findings gets a penalised fit with profile interval.
    p counts the levels looked at within the factor (Sidak); q is Benjamini-Hochberg over the factors
    of this outcome: strong effects on times shall not make weak ones on lifters look surer; p_any is the chance that any
    of them looks so clear where none acts (Holm). ``site_left``: share of its variation left inside the sites; under
    SITE_LEFT a factor has neither.
    overlap: "none" where the factor can't be told apart from the one named in ``overlap_with``, "thin", "good";
    with "none" no adjusted effect is given. against_matters: "larger" / "smaller" where the whole interval lies
    beyond / within the smallest effect that matters, else "not known".

    ``parts`` leaves out what isn't wanted; its columns stay empty. With 20,000 ventings or more, and ten findings a
    column, all adjusted effects come from one model with every factor that may be adjusted for in it (a factor that may
    not, or an interaction, from one more fit).

    Too few ventings at a level (the factor's minimum) gives state "too_few"; an unrecorded factor "not_recorded".
    Raises ValueError for an unknown outcome or missing columns.
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
    for factor in chosen:
        if outcome not in factor.outcomes:
            continue
        terms = list_terms(setting.coded[factor.name], setting.take)
        if not terms:
            rows.append(empty_row(factor, outcome))
            continue
        totals = total_levels(terms[0].codes, setting.outcome, setting.cluster, setting.n_clusters)
        rows += [screen_term(term, setting, totals) for term in terms]
    frame = pd.DataFrame(rows, columns=list(COLUMNS))
    kinds = {name: "str" if name in TEXTS else "int64" if name in COUNTS else "float64" for name in COLUMNS}
    return settle_q(frame.astype(kinds))


def screen_term(term: Term, setting: Setting, totals: Totals) -> dict[str, object]:
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
    row["site_left"] = measure_inside_sites(term, setting)
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
        adjusted = _add_adjusted(row, term, setting, forced=forced)
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
    row: dict[str, object], term: Term, setting: Setting, *, forced: Floats | None
) -> Effect | None:
    """Fills in overlap and the adjusted effect; returns the effect, None where there is none to give."""
    names: list[str] = []
    adjusted: Effect | None = None
    if setting.joint is not None:
        found = setting.joint.get((term.factor.name, term.level))
        if found is None:
            row["note"] = "no column of its own in the joint model"
            return None
        overlap, share, partner = judge_overlap(term, {found.partner: 1 - found.left})
        names = ["site", *(name for name in setting.adjusters if name != term.factor.name)]
        adjusted, method = found.effect, "logit of venting totals, all factors at once, intervals by engine"
    else:
        company = measure_company(term, setting)
        overlap, share, partner = judge_overlap(term, company)
        if overlap != "none":
            adjusted, names, method = estimate_adjusted(term, setting, company, forced=forced)
    row.update({"overlap": overlap, "overlap_share": share, "overlap_with": partner})
    if overlap == "none":
        row["note"] = f"can't be told apart from {partner} on these ventings"
        return None
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


def _describe(term: Term, setting: Setting, totals: Totals) -> dict[str, object]:
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
