"""All adjusted effects from one model, for fleets so large that a fit a factor would take minutes.

Rows are sorted by engine and read in pieces; only the piece's design is ever held as numbers. The answers are those
of a logistic regression on all columns at once, with the variance summed by engine.

Every term of a screening from the joint model: rows sorted by engine, one fit, one pass for all intervals.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from ventbook.numerics import CR3_CLUSTERS, Floats, Ints, keep_spread, sandwich_variance, satterthwaite_df
from ventbook.statistics.causes.factors import Coded, OutcomeRows, Term, list_terms
from ventbook.statistics.causes.fits import RUNAWAY, Effect, make_effect

PIECE = 16_384
SMALLEST = 5


@dataclass(frozen=True)
class Design:
    """Intercept, levels as bytes, and centred numbers; ``place`` finds a factor's columns.

    ``place[name]`` maps level codes to columns (None = the base, -1 = not recorded, "number" = the number itself);
    ``keep`` marks rows outside levels without any finding (or with nothing else), which tell nothing.
    """

    levels: np.ndarray
    numbers: Floats
    place: Mapping[str, Mapping[int | str, int | None]]
    keep: np.ndarray

    @property
    def width(self) -> int:
        """Columns in all."""
        return self.levels.shape[1] + self.numbers.shape[1]

    def piece(self, rows: slice) -> Floats:
        """The design of some rows as numbers."""
        first = self.levels.shape[1]
        out = np.empty((rows.stop - rows.start, self.width))
        out[:, :first] = self.levels[rows]
        out[:, first:] = self.numbers[rows]
        return out


def build_design(coded: Mapping[str, Coded], names: list[str], site: Ints, rows: OutcomeRows) -> Design:
    """Columns of the factors ``names`` and of the sites, for the outcome's rows."""
    n = len(rows.rows)
    keep = np.ones(n, dtype=bool)
    levels: list[np.ndarray] = [np.ones(n, dtype=np.uint8)]
    numbers: list[Floats] = []
    place: dict[str, dict[int | str, int | None]] = {}
    counted = [(name, coded[name].codes[rows.rows], coded[name]) for name in names] + [("site", site, None)]
    for name, codes, factor in counted:
        own: dict[int | str, int | None] = {}
        known = codes >= 0
        if factor is not None and factor.numbers is not None:
            values = factor.numbers[rows.rows]
            if known.any() and np.ptp(values[known]) > 0:
                numbers.append(np.where(known, values - values[known].mean(), 0.0))
                own["number"] = -len(numbers)
            present = [-1] if SMALLEST <= (~known).sum() < n else []
        else:
            counts = np.bincount(codes + 1)
            over = np.bincount(codes + 1, weights=rows.failures)
            of = np.bincount(codes + 1, weights=rows.trials)
            tells = (over > 0) & (over < of)
            # the base is the largest level that tells something; without any, the factor tells nothing
            base = int(np.argmax(np.where(tells, counts, -1)[1:])) if len(counts) > 1 else -1
            present = []
            for code in range(-1, len(counts) - 1):
                if code == base or counts[code + 1] < SMALLEST:
                    continue
                if not tells[code + 1]:
                    keep &= codes != code
                    continue
                present.append(code)
            own[base] = None
        for code in present:
            own[code] = len(levels)
            levels.append((codes == code).astype(np.uint8))
        place[name] = own
    for own in place.values():
        if "number" in own:
            own["number"] = len(levels) - int(own["number"] or 0) - 1
    return Design(
        np.stack(levels, axis=1),
        np.stack(numbers, axis=1) if numbers else np.zeros((n, 0)),
        place,
        keep,
    )


@dataclass(frozen=True)
class JointFit:
    """A solved joint model: coefficients, inverse information, and the unweighted cross products of the design."""

    beta: Floats
    bread: Floats
    gram: Floats
    converged: bool


def _invert(information: Floats) -> Floats:
    """The inverse, with directions that other columns already say left at zero."""
    scale = np.sqrt(np.maximum(np.diag(information), 1e-300))
    inverse = np.linalg.pinv(information / np.outer(scale, scale), rcond=1e-11, hermitian=True)
    return np.asarray(inverse / np.outer(scale, scale), dtype=np.float64)


def _pieces(n: int, cuts: Ints | None = None) -> Iterator[slice]:
    start = 0
    while start < n:
        stop = min(start + PIECE, n)
        if cuts is not None and stop < n:
            stop = int(cuts[np.searchsorted(cuts, stop)]) if cuts[-1] >= stop else n
        yield slice(start, stop)
        start = stop


def fit_joint(
    design: Design,
    failures: Floats,
    trials: Floats,
    *,
    extra: Floats | None = None,
    start: Floats | None = None,
) -> JointFit:
    """Newton's method on the whole design, started from every so-many-th row where none is given.

    ``extra`` (n, z) are further columns after the design's own. Rows outside ``design.keep`` weigh nothing.
    """  # fmt: skip
    n = len(failures)
    failures, trials = np.where(design.keep, failures, 0.0), np.where(design.keep, trials, 0.0)
    wide = design.width + (0 if extra is None else extra.shape[1])
    beta = np.zeros(wide)
    if start is None:
        beta[0] = special.logit((failures.sum() + 0.5) / (trials.sum() + 1.0))
        stride = n // 40_000
        if stride > 1:
            thin = Design(
                np.ascontiguousarray(design.levels[::stride]), design.numbers[::stride], design.place,
                design.keep[::stride],
            )  # fmt: skip
            found = fit_joint(
                thin, failures[::stride], trials[::stride],
                extra=None if extra is None else extra[::stride], start=beta,
            )  # fmt: skip
            if found.converged:
                beta = found.beta
    else:
        beta[: len(start)] = start
    gram = np.zeros((wide, wide))
    information = np.eye(wide)
    for turn in range(30):
        information, score = np.zeros((wide, wide)), np.zeros(wide)
        for rows in _pieces(n):
            x = design.piece(rows) if extra is None else np.column_stack([design.piece(rows), extra[rows]])
            p = special.expit(x @ beta)
            weight = trials[rows] * p * (1 - p)
            score += x.T @ (failures[rows] - trials[rows] * p)
            information += x.T @ (x * weight[:, None])
            if turn == 0:
                gram += x.T @ x
        step = _invert(information) @ score
        beta = beta + step
        if np.abs(beta).max() > 2 * RUNAWAY:
            return JointFit(beta, _invert(information), gram, False)
        if np.abs(step).max() < 1e-9:  # quadratic: the next step would be under 1e-16
            return JointFit(beta, _invert(information), gram, True)
    return JointFit(beta, _invert(information), gram, False)


def estimate_contrasts(
    fit: JointFit,
    design: Design,
    failures: Floats,
    trials: Floats,
    contrasts: Floats,
    *,
    cluster: Ints,
    level: float,
    extra: Floats | None = None,
) -> list[Effect | None]:
    """Columns of ``contrasts`` (k, m) with intervals summed by engine; rows must be sorted by ``cluster``.

    None where the contrast lies in a direction that other columns already say, or where there is one engine only.
    """
    failures, trials = np.where(design.keep, failures, 0.0), np.where(design.keep, trials, 0.0)
    firsts = np.flatnonzero(np.r_[True, cluster[1:] != cluster[:-1]])
    reach = fit.bread @ contrasts
    m, k, engines = contrasts.shape[1], len(fit.beta), len(firsts)
    squares, shares, shares2 = np.zeros(m), np.zeros(m), np.zeros(m)
    model = np.einsum("ij,ij->j", contrasts, reach)
    if engines < 2:
        return [None] * m
    few = engines <= CR3_CLUSTERS
    scores, parts = np.zeros((engines if few else 0, k)), np.zeros((engines if few else 0, k, k))
    for rows in _pieces(len(failures), firsts):
        x = design.piece(rows) if extra is None else np.column_stack([design.piece(rows), extra[rows]])
        p = special.expit(x @ fit.beta)
        residual, weight = failures[rows] - trials[rows] * p, trials[rows] * p * (1 - p)
        low, high = np.searchsorted(firsts, [rows.start, rows.stop])
        at = firsts[low:high] - rows.start
        q = x @ reach
        squares += (np.add.reduceat(q * residual[:, None], at, axis=0) ** 2).sum(axis=0)
        share = np.add.reduceat(q**2 * weight[:, None], at, axis=0)
        shares += share.sum(axis=0)
        shares2 += (share**2).sum(axis=0)
        if few:
            scores[low:high] = np.add.reduceat(x * residual[:, None], at, axis=0)
            ends = np.r_[at[1:], len(x)]
            for engine, first, last in zip(range(low, high), at, ends, strict=True):
                own = x[first:last]
                parts[engine] = own.T @ (own * weight[first:last, None])
    if few:
        variance = sandwich_variance(fit.bread, scores, information=parts, kind="CR3")
        found = np.maximum(np.einsum("ij,ik,kj->j", contrasts, variance, contrasts), 0.0)
    else:
        found = squares * engines / (engines - 1)
    se = np.sqrt([keep_spread(float(a), float(b)) for a, b in zip(found, model, strict=True)])
    log = fit.beta @ contrasts
    df = [
        max(s**2 / s2 - 1, 1.0) if s2 > 0 else satterthwaite_df([])
        for s, s2 in zip(shares, shares2, strict=True)
    ]
    return [
        make_effect(float(a), float(b), float(d), level=level) if b > 0 else None
        for a, b, d in zip(log, se, df, strict=True)
    ]


def write_contrast(term: Term, code: int, design: Design, counts: Ints, width: int) -> Floats | None:
    """The term as a combination of the joint model's coefficients; None where its level has no column of its own.

    yes/no: yes less no; code: the level less the reference; group: the level less the others' mean, weighted by
    ventings; number: its slope.
    """
    own = design.place.get(term.factor.name, {})
    out = np.zeros(width)
    if term.number:
        column = own.get("number")
        if column is None:
            return None
        out[column] = 1.0
        return out
    if code not in own:
        return None
    others = (
        [0] if term.factor.kind != "group" else [c for c in own if isinstance(c, int) and c not in (code, -1)]
    )
    if not others or any(c not in own for c in others):
        return None
    weights = counts[np.array(others) + 1] / counts[np.array(others) + 1].sum()
    for c, w in zip([code, *others], [1.0, *(-weights)], strict=True):
        column = own[c]
        if column is not None:
            out[column] += w
    return out


def explain_term(term: Term, code: int, design: Design, gram: Floats) -> tuple[float, str]:
    """The share of the term's variation left once the closest other factor (or the site) is given, and which it is.

    From cross products alone. A factor's own "not recorded" (and, for codes, its other levels) is always given.
    """
    own = design.place[term.factor.name]
    a = np.zeros(len(gram))
    given = [0]
    if term.number:
        a[int(own["number"] or 0)] = 1.0
        given += [c for k, c in own.items() if k == -1 and c is not None]
    else:
        column = own[code]
        mine = [c for k, c in own.items() if isinstance(k, int) and c is not None and k != code]
        if column is None:
            a[0] = 1.0
            a[mine] = -1.0
        else:
            a[column] = 1.0
        given += [
            c
            for k, c in own.items()
            if isinstance(k, int)
            and c is not None
            and k != code
            and (k == -1 or (term.factor.kind == "code" and k))
        ]
    total = _left_over(a, given, gram)
    left, partner = 1.0, "site"
    for name, columns in design.place.items():
        if name == term.factor.name:
            continue
        block = [c for c in columns.values() if c is not None]
        share = _left_over(a, given + block, gram) / total if total > 0 else 0.0
        if share < left:
            left, partner = share, name
    return max(left, 0.0), partner


def _left_over(a: Floats, given: list[int], gram: Floats) -> float:
    """Sum of squares of X a that the columns ``given`` don't explain."""
    cross = gram[given] @ a
    inner = gram[np.ix_(given, given)]
    return float(a @ gram @ a - cross @ np.linalg.pinv(inner, rcond=1e-12, hermitian=True) @ cross)


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
