"""Who keeps company with a circumstance, whether it can be told apart, and what it is adjusted for."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from .setting import Setting, span_columns
from .terms import Term, list_adjusters

NO_OVERLAP, THIN_OVERLAP = 0.10, 0.35
"""Share of a factor's variation left once another factor is given: under these it is "none" or "thin"."""
MATCHED_PAIRS = 3.0
"""With less than this many ventings' worth of comparisons inside levels of the other factor, overlap is "none"."""


def measure_company(term: Term, setting: Setting) -> dict[str, float]:
    """Share of the term's variation that each adjuster, and the site, explains on the rows that take part (0..1)."""
    known, x = term.known, term.x[term.known]
    centred = x - x.mean()
    total = float(centred @ centred)
    company = {"site": 1.0 - measure_inside_sites(term, setting)}
    skip = {term.factor.name, *term.factor.parts}
    names = list_adjusters(setting.factors, setting.outcome.outcome, setting.blocks, without=tuple(skip))
    whole = bool(known.all())
    for name in names:
        basis = setting.bases[name] if whole else span_columns(setting.blocks[name][known])
        company[name] = float(((basis.T @ centred) ** 2).sum()) / total
    return company


def measure_inside_sites(term: Term, setting: Setting) -> float:
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


def choose_adjusters(term: Term, setting: Setting, company: Mapping[str, float]) -> list[str]:
    """Factors to adjust this term for: those that keep company with it beyond chance, the closest first, within the
    number of coefficients that the findings can carry. The outcome is not looked at."""
    n = int(term.known.sum())
    close = []
    for name, shared in company.items():
        if name == "site":
            continue
        columns = setting.blocks[name].shape[1]
        if shared > max(0.01, (columns + 2 * np.sqrt(2 * columns)) / n):
            close.append((-shared, name, columns))
    chosen, left = [], setting.budget
    for _, name, columns in sorted(close):
        if columns <= left:
            chosen.append(name)
            left -= columns
    return chosen
