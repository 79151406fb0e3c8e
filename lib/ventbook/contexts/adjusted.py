"""One term's effect given site and the factors that keep company with it."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ventbook.numerics import Floats, Ints

from .crude import FIRTH, LOG_NORMAL, LOGIT
from .fits import RUNAWAY, Effect, estimate_contrast, fit_binomial, fit_intervals, profile_firth
from .overlap import choose_adjusters
from .setting import FINDINGS_A_COEFFICIENT, Setting
from .terms import Mask, Term


def estimate_adjusted(
    term: Term, setting: Setting, company: Mapping[str, float], *, forced: Floats | None
) -> tuple[Effect | None, list[str], str]:
    """The term's effect given site and its company; None where there are too few findings to adjust at all."""
    rows, known = setting.outcome, term.known
    if rows.counted and rows.failing < FINDINGS_A_COEFFICIENT:
        return None, [], ""
    names = choose_adjusters(term, setting, company)
    sites = _site_columns(setting.site)
    nuisance = [sites, *(setting.blocks[name] for name in names)]
    if forced is not None:
        nuisance.append(forced)
    columns = np.column_stack(nuisance)[known]
    x, cluster = term.x[known], setting.cluster[known]
    named = (["site"] if sites.shape[1] else []) + names
    if not rows.counted:
        assert rows.low is not None and rows.high is not None
        design = independent_columns(np.column_stack([np.ones(len(x)), x, columns]))
        fit = fit_intervals(design, rows.low[known], rows.high[known])
        contrast = np.eye(design.shape[1])[1]
        found = estimate_contrast(
            fit, design, contrast, cluster=cluster, n_clusters=setting.n_clusters, level=setting.level
        )
        return found, named, LOG_NORMAL
    failures, trials = rows.failures[known], rows.trials[known]
    keep = rows_that_tell(columns, failures, trials)
    design = independent_columns(np.column_stack([np.ones(keep.sum()), x[keep], columns[keep]]))
    failures, trials = failures[keep], trials[keep]
    contrast = np.eye(design.shape[1])[1]
    one_sided = not term.number and separates(x[keep], failures, trials)
    if not one_sided:
        fit = fit_binomial(design, failures, trials)
        if fit.converged and np.abs(fit.beta).max() < RUNAWAY:
            effect = estimate_contrast(
                fit,
                design,
                contrast,
                cluster=cluster[keep],
                n_clusters=setting.n_clusters,
                level=setting.level,
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
    _, r = np.linalg.qr(design / np.where(scale > 0, scale, 1.0))
    keep = np.zeros(design.shape[1], dtype=bool)
    keep[: min(r.shape)] = np.abs(np.diag(r)) > 1e-7  # fewer rows than columns: the last ones say nothing new
    keep[: min(2, len(keep))] = True
    return design[:, keep]


def _site_columns(site: Ints) -> Floats:
    counts = np.bincount(site)
    base = int(counts.argmax())
    columns = [(site == i).astype(np.float64) for i, count in enumerate(counts) if i != base and count > 0]
    return np.column_stack(columns) if columns else np.zeros((len(site), 0))


def forced_columns(term: Term, setting: Setting) -> Floats | None:
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
