"""Every term of a screening from the joint model: rows sorted by engine, one fit, one pass for all intervals."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ventbook.numerics import Floats, Ints

from .factors import Coded
from .fits import Effect
from .joint import Design, JointFit, build_design, estimate_contrasts, explain_term, fit_joint, write_contrast
from .terms import OutcomeRows, Term, list_terms


@dataclass(frozen=True)
class JointEffect:
    """A term's adjusted effect (None where the model has no finite one), and how far it can be told apart."""

    effect: Effect | None
    left: float
    partner: str


def screen_jointly(
    coded: Mapping[str, Coded],
    wanted: Sequence[Coded],
    adjusters: list[str],
    *,
    site: Ints,
    cluster: Ints,
    rows: OutcomeRows,
    level: float,
) -> dict[tuple[str, str], JointEffect]:
    """Adjusted effects by (factor, level). ``wanted`` are the factors asked for, ``adjusters`` those in the model.

    A factor outside ``adjusters``, and an interaction, is added to the model in a fit of its own.
    """
    if not wanted:
        return {}
    order = np.argsort(cluster, kind="stable")
    cluster, site = cluster[order], site[order]
    rows = replace(rows, rows=rows.rows[order], failures=rows.failures[order], trials=rows.trials[order])
    design = build_design(coded, adjusters, site, rows)
    fit = fit_joint(design, rows.failures, rows.trials)
    found: dict[tuple[str, str], JointEffect] = {}
    asked: list[tuple[Term, Floats, float, str]] = []
    for one in wanted:
        name = one.factor.name
        counts = np.bincount(one.codes[rows.rows] + 1, minlength=len(one.levels) + 1)
        for term in list_terms(one, rows.rows):
            if name in adjusters:
                code = one.levels.index(term.level) if not term.number else 1
                contrast = write_contrast(term, code, design, counts, design.width)
                if contrast is not None and fit.converged:
                    asked.append((term, contrast, *explain_term(term, code, design, fit.gram)))
            else:
                found[name, term.level] = _fit_extra(term, one, coded, design, fit, rows, cluster, level)
    if asked:
        contrasts = np.stack([contrast for _, contrast, _, _ in asked], axis=1)
        effects = estimate_contrasts(
            fit, design, rows.failures, rows.trials, contrasts, cluster=cluster, level=level
        )
        for (term, _, left, partner), effect in zip(asked, effects, strict=True):
            found[term.factor.name, term.level] = JointEffect(effect, left, partner)
    return found


def _fit_extra(
    term: Term,
    one: Coded,
    coded: Mapping[str, Coded],
    design: Design,
    fit: JointFit,
    rows: OutcomeRows,
    cluster: Ints,
    level: float,
) -> JointEffect:
    """One term beside the joint model: its column, its "not recorded", and an interaction's parts cut in two."""
    codes = one.codes[rows.rows]
    columns = [term.x]
    if not term.known.all():
        columns.append((codes < 0).astype(np.float64))
    if term.factor.kind == "code":
        others = [i for i in range(1, len(one.levels)) if one.levels[i] != term.level and (codes == i).any()]
        columns += [(codes == i).astype(np.float64) for i in others]
    for part in term.factor.parts:
        if coded[part].numbers is not None or part not in design.place:
            columns.append((coded[part].codes[rows.rows] == 1).astype(np.float64))
    extra = np.stack(columns, axis=1)
    start = np.concatenate([fit.beta, np.zeros(extra.shape[1])])
    whole = fit_joint(design, rows.failures, rows.trials, extra=extra, start=start)
    total = whole.gram[design.width, design.width] - whole.gram[0, design.width] ** 2 / whole.gram[0, 0]
    left, partner = 1.0, "site"
    a = np.zeros(len(whole.gram))
    a[design.width] = 1.0
    for name, own in design.place.items():
        if name in term.factor.parts:
            continue
        given = [0, *(c for c in own.values() if c is not None)]
        inner = np.linalg.pinv(whole.gram[np.ix_(given, given)], rcond=1e-12, hermitian=True)
        cross = whole.gram[given, design.width]
        share = (
            float((whole.gram[design.width, design.width] - cross @ inner @ cross) / total)
            if total > 0
            else 0.0
        )
        if share < left:
            left, partner = max(share, 0.0), name
    if not whole.converged:
        return JointEffect(None, left, partner)
    effect = estimate_contrasts(
        whole, design, rows.failures, rows.trials, a[:, None], cluster=cluster, level=level, extra=extra
    )[0]
    return JointEffect(effect, left, partner)
