"""Which terms of the account are named: efficient scores against simulated fleets in which none of them acts.

One round: the score of every term not yet in the account, less what the account's own columns say of it, from
which ventings failed and from how many findings they have; its spread and skewness where the account holds and
engines and site-quarters differ among themselves, by formula; p by Pearson's type III distribution; the largest
-log p + log weight of a family against the same maximum in each simulated fleet. A family's best term enters where
that chance is within the family's share of the error budget. Then terms that go with it are tried in its place, and
earlier terms that are no longer needed leave. Rounds go on until nothing enters.

References: efficient score, Cox & Hinkley 1974, Theoretical Statistics, 9.3; step-down maximum by resampling,
Westfall & Young 1993.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from ventbook.numerics import Floats, Ints
from ventbook.statistics.causes.account_fit import (
    Design,
    Failures,
    Findings,
    Fit,
    fit_account,
    stack_columns,
)
from ventbook.statistics.causes.account_scores import (
    SMALL_FLEET,
    NullScores,
    estimate_spreads,
    expect_moments,
    number_cells,
    simulate_scores,
    tail_pearson,
    weigh_counts,
)
from ventbook.statistics.causes.account_terms import (
    AIR,
    CIRCUMSTANCES,
    KINDS,
    LEAK,
    TIME,
    AccountTerm,
    Mask,
    VentingRows,
    open_products,
)

SIMULATIONS, MANY_SIMULATIONS = 400, 1000  # the latter up to SMALL_FLEET ventings
FINE_SIMULATIONS, NEAR = 4000, 3.0  # where the best chance is within a factor of NEAR of the share
SIDE, EXPOSED_FAILING = 8, 3.0
KIND_FAILURES = 3.0
# Share of a term's information that must be left beside the sites and the time of year.
SITE_INFORMATION = 0.03
RIVAL_CORRELATION = 0.3
# Half of 3.84, the .95 quantile of chi-square with one degree of freedom.
RIVAL_LOGLIK, LEAVE_LOGLIK = 1.92, 1.92
FORM_LOGLIK = 3.0  # within which a rival stands in for a named term in the draws
LEAST_SHARE = 0.02  # of the failing ventings: less is not worth a name, however sure
KEEPS_AWAY = -0.3  # correlation under which an unnamed term stands beside a named one in the draws
MOST_BESIDE = 4
ROUNDS = 12
FAMILIES = (CIRCUMSTANCES, TIME)


@dataclass
class Columns:
    """The terms and their columns, which grow as products are opened."""

    rows: VentingRows
    terms: list[AccountTerm] = field(default_factory=list)
    x: list[Floats] = field(default_factory=list)
    known: list[Mask] = field(default_factory=list)

    def add(self, terms: Iterable[AccountTerm]) -> None:
        """Reads the terms' columns; a term whose column is another one's of the same kind is left out."""
        have = {t.key for t in self.terms}
        for term in terms:
            if term.key in have:
                continue
            x, known = term.read(self.rows.coded, self.rows.site, self.rows.quarter)
            if known.any() and np.ptp(x[known]) > 0:
                have.add(term.key)
                self.terms.append(term)
                self.x.append(x)
                self.known.append(known)

    def __len__(self) -> int:
        return len(self.terms)

    def keep(self, which: Collection[int]) -> Columns:
        """The same terms under the same numbers, columns read of ``which`` only: less to send."""
        none, unknown = np.zeros(0), np.zeros(0, dtype=bool)
        return Columns(
            replace(self.rows, coded={}),
            self.terms,
            [x if i in which else none for i, x in enumerate(self.x)],
            [known if i in which else unknown for i, known in enumerate(self.known)],
        )


@dataclass(frozen=True)
class Problem:
    """Everything that naming needs: rows, findings, h (n,), base columns, seed, terms that blanks make hints at most, and
    the columns of the time of year (:func:`ventbook.statistics.causes.season.raise_waves`; none where the records are too short).
    """

    rows: VentingRows
    findings: Findings
    failures: Failures
    h: Floats
    site: Floats
    told: bool
    seed: int
    doubtful: frozenset[str]
    waves: Floats

    def designs(self, columns: Columns, chosen: Sequence[int]) -> dict[str, Design]:
        """Designs of both kinds with the chosen terms."""
        out = {}
        for kind in KINDS:
            base = self.site if kind == AIR else np.ones((len(self.rows), 1))
            ground = np.hstack([base, self.waves])
            own = [columns.x[i] for i in chosen if columns.terms[i].kind == kind]
            scale = self.rows.judged * self.h if kind == AIR else self.rows.judged
            out[kind] = Design(stack_columns(ground, own), base.shape[1], scale, self.waves.shape[1])
        return out

    def fit(
        self, columns: Columns, chosen: Sequence[int], *, near: tuple[Sequence[int], Fit] | None = None
    ) -> Fit:
        """The account with the chosen terms; started from another set's fit where one is given."""
        designs = self.designs(columns, chosen)
        start = None
        if near is not None:
            start = {}
            for kind in KINDS:
                bases, ground = designs[kind].bases, designs[kind].ground
                theta = near[1].kinds[kind].theta
                before = [i for i in near[0] if columns.terms[i].kind == kind]
                now = [i for i in chosen if columns.terms[i].kind == kind]
                small = 0.1 * float(theta[:bases].mean())
                rates = [theta[ground + before.index(i)] if i in before else small for i in now]
                # a rate that stood at nothing may be wanted now
                start[kind] = (
                    np.r_[theta[:ground], np.maximum(rates, 0.1 * small)] if rates else theta[:ground]
                )
        return fit_account(designs, self.failures, told=self.told, start=start)


@dataclass(frozen=True)
class Scores:
    """One round's scores, one a term: p, the evidence -log p + log weight, whether it may be looked at, and
    the chance that its family's maximum reaches so far where nothing acts. ``needed``: by family the evidence over
    which that chance is within the family's share.
    """

    p: Floats
    evidence: Floats
    looked: Mask
    chance: Floats
    needed: dict[str, float]


@dataclass(frozen=True)
class Named:
    """The outcome: chosen terms, their fit, each chosen term's chance at entry and rivals, hints with their
    chance and reason, the terms that can't be told apart from the site, and those that stand beside the chosen ones in the draws.
    """

    columns: Columns
    chosen: tuple[int, ...]
    fit: Fit
    chance: dict[int, float]
    rivals: dict[int, tuple[tuple[int, float], ...]]
    hints: tuple[tuple[int, float, str], ...]
    scores: Scores
    site_bound: Mask
    spreads: dict[str, tuple[float, float]]
    beside: tuple[int, ...]

    def carry_over(self, problem: Problem) -> Named:
        """The same names, with the columns and the fit of a fleet of which these were only some of the engines."""
        used = {
            *self.chosen,
            *(j for of in self.rivals.values() for j, _ in of),
            *(i for i, _, _ in self.hints),
            *self.beside,
        }
        columns = replace(self.columns.keep(()), rows=problem.rows)
        for i in used:
            columns.x[i], columns.known[i] = columns.terms[i].read(
                problem.rows.coded, problem.rows.site, problem.rows.quarter
            )
        return replace(self, columns=columns, fit=problem.fit(columns, self.chosen))


def project_terms(
    problem: Problem,
    columns: Columns,
    fit: Fit,
    design: Design,
    kind: str,
    which: Sequence[int],
    spread_u: float = 0.0,
) -> tuple[Floats, Floats]:
    """Terms of one kind less what the account's columns say of them (n, c), and the share of information that
    is left.

    In the metric of the expected information about L: of failing or not, and of how many findings there are
    (``spread_u``: the variance of :func:`weigh_counts`). Blank rows of a term have a multiplier of their own;
    a countermeasure that a term names is allowed for.
    """
    level = np.maximum(fit.kinds[kind].intensity, 1e-12)
    weight = np.exp(-level) / -np.expm1(-level) - np.expm1(-level) * spread_u / level**2
    scale = design.scale
    # the bases hold what two waves that face each other have in common
    wave = np.arange(design.waves) % 2 == 0
    active = np.r_[np.ones(design.bases, bool), wave, fit.kinds[kind].theta[design.ground :] > 0]
    z = design.x[:, active] * scale[:, None]
    gram = np.linalg.pinv(z.T @ (z * weight[:, None]), hermitian=True)
    flat = scale / np.sqrt(float(weight @ scale**2))
    causes = {
        columns.terms[i].cause: columns.x[i] for i in range(len(columns)) if not columns.terms[i].nuisance
    }

    def less(x: Floats) -> Floats:
        return x - z @ (gram @ (z.T @ (x * weight[:, None])))

    raw = np.column_stack([columns.x[i] * scale for i in which])
    found = less(raw)
    total = (raw**2).T @ weight - ((raw * flat[:, None]).T @ weight) ** 2

    def allow_for(place: int, column: Floats) -> None:
        extra = less(column[:, None])[:, 0]
        size = float(weight @ extra**2)
        if size > 1e-9:
            found[:, place] -= extra * float(weight @ (extra * found[:, place])) / size

    for place, i in enumerate(which):
        blank = ~columns.known[i]
        if blank.sum() >= 3:
            allow_for(place, level * blank)
        # a countermeasure that was not done is allowed for where the term asks for it
        other = causes.get(columns.terms[i].nuisance)
        if other is not None:
            allow_for(place, other * scale)
    return found, (found**2).T @ weight / np.maximum(total, 1e-300)


def _weigh_scores(
    scores: NullScores, left: Floats, rng: np.random.Generator, simulations: int
) -> tuple[Floats, Floats, Floats, Mask]:
    """Standard deviations and skewness of the scores, p of each usable one in simulated fleets (simulations, usable), and
    which are usable.
    """
    drawn = simulate_scores(scores, rng, simulations)
    sd, skewness = expect_moments(scores)
    usable = (sd > 1e-9) & (left >= SITE_INFORMATION)
    standard = drawn / np.where(usable, sd, 1.0)
    # what the first-order moments miss is alike for all terms, and told by all of them together
    scale = float(np.sqrt(np.mean(standard[:, usable] ** 2))) if usable.any() else 1.0
    standard, sd = standard / scale, np.where(usable, sd * scale, 1.0)
    seen = np.mean(standard[:, usable] ** 3, axis=0)
    more = float(seen @ skewness[usable]) / max(float(skewness[usable] @ skewness[usable]), 1e-12)
    # a tail that is cut off (skewness under 0) would make a simulated score impossible: the normal one stands in
    skewness = np.where(usable, np.maximum(skewness, 0.0) * np.clip(more, 0.8, 2.0), 0.0)
    return sd, skewness, tail_pearson(standard[:, usable], skewness[usable]), usable


class Rounds:
    """Naming, round by round; keeps what a round learns for the next one."""

    def __init__(self, problem: Problem, columns: Columns, shares: dict[str, tuple[float, float]]) -> None:
        self.problem, self.columns, self.shares = problem, columns, shares
        self.rng_round = 0
        self.products_of: set[int] = set()
        base = problem.fit(columns, ())
        self.base = base
        self.real = np.zeros(len(problem.rows))
        self.real[problem.failures.row] = problem.failures.real
        first = (
            int(problem.rows.quarter[problem.rows.quarter >= 0].min())
            if (problem.rows.quarter >= 0).any()
            else 0
        )
        self.quarter = np.where(problem.rows.quarter >= 0, problem.rows.quarter - first, -1)
        self.cell, self.cells = number_cells(problem.rows, self.quarter)
        self.spreads: dict[str, tuple[float, float]] = {}
        self.measured: dict[str, tuple[Fit, Floats, Floats, dict[int, tuple[Floats, float]]]] = {}

    def _present(self, fit: Fit, kind: str) -> Floats:
        out = np.zeros(len(self.problem.rows))
        out[self.problem.failures.row] = fit.present(kind, self.problem.failures)
        return out

    def _count(self, fit: Fit, kind: str) -> Floats:
        """Findings of a kind on each venting, each by its probability of being real and of the kind."""
        findings, failures = self.problem.findings, self.problem.failures
        sizes = np.diff(np.r_[failures.first, len(findings.row)])
        only = np.repeat(fit.patterns[:, 0 if kind == AIR else 1], sizes)
        both = np.repeat(fit.patterns[:, 2], sizes)
        own = findings.air if kind == AIR else findings.leak
        weight = (1.0 - findings.gauge) * (only + both * own)
        counts = np.bincount(findings.row, weights=weight, minlength=len(self.problem.rows))
        return counts.astype(np.float64)

    def enough(self, i: int) -> bool:
        """Whether enough ventings and failing ones stand on either side of a term."""
        x, known = self.columns.x[i], self.columns.known[i]
        on = (x >= 0.5) & known
        side = min(int(on.sum()), int((known & ~on).sum()))
        return side >= SIDE and float(self.real[on].sum()) >= EXPOSED_FAILING

    def score(self, chosen: Sequence[int], fit: Fit, *, simulations: int = 0) -> Scores:
        """Scores of all terms beside the chosen ones; where a family's best lies near its share, by more simulated fleets, so
        that no name hangs on one of them. ``simulations``: so many, and no more; 0 by the size of the fleet.
        """
        self.rng_round += 1
        if simulations:
            return self._score(chosen, fit, simulations)
        ventings = len(self.problem.rows)
        simulations = MANY_SIMULATIONS if ventings <= SMALL_FLEET else SIMULATIONS
        scores = self._score(chosen, fit, simulations)
        for family, (share, _) in self.shares.items():
            of = [
                chance
                for chance, t in zip(scores.chance, self.columns.terms, strict=True)
                if t.family == family
            ]
            if (
                of
                and max(share / NEAR, 1.5 / simulations) < min(of) < share * NEAR
                and simulations < FINE_SIMULATIONS
            ):
                return self._score(chosen, fit, FINE_SIMULATIONS)
        return scores

    def _residuals(
        self, fit: Fit, design: Design, kind: str, which: Sequence[int]
    ) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """Intensity, weights of the counts, projected terms, information left, and what each venting's outcome is off."""
        level = np.maximum(fit.kinds[kind].intensity, 1e-12)
        u, values = weigh_counts(self._count(fit, kind), level)
        found, left = project_terms(
            self.problem, self.columns, fit, design, kind, which, float(np.var(values))
        )
        off = self._present(fit, kind) * (1.0 / -np.expm1(-level) + u / level) - 1.0
        return level, values, found, left, off

    def split_score(self, i: int, chosen: Sequence[int], fit: Fit) -> Floats:
        """What each venting adds to a term's score beside the chosen ones, (n,)."""
        kind = self.columns.terms[i].kind
        design = self.problem.designs(self.columns, chosen)[kind]
        _, _, found, _, off = self._residuals(fit, design, kind, [i])
        return np.asarray(found[:, 0] * off)

    def _score(self, chosen: Sequence[int], fit: Fit, simulations: int) -> Scores:
        problem, columns = self.problem, self.columns
        count = len(columns)
        p, chance = np.ones(count), np.ones(count)
        needed: dict[str, float] = {}
        looked = np.zeros(count, dtype=bool)
        weights = np.array([t.log_weight for t in columns.terms])
        null = np.full((simulations, count), -np.inf)
        designs = problem.designs(columns, chosen)
        allowed = [i for i in range(count) if i not in chosen and self.enough(i)]
        ready: dict[str, tuple[Ints, Floats, Floats, Floats, Floats, Floats]] = {}
        for kind in KINDS:
            which = [i for i in allowed if columns.terms[i].kind == kind]
            present = self._present(fit, kind)
            if not which or present.sum() < KIND_FAILURES or (kind == LEAK and not problem.told):
                continue
            level, values, found, left, off = self._residuals(fit, designs[kind], kind, which)
            ready[kind] = (np.array(which), found, left, level, values, found.T @ off)
        beside = self._spread_beside(chosen, fit, ready)
        for number, (kind, (own, found, left, level, values, observed)) in enumerate(ready.items()):
            self.spreads[kind] = estimate_spreads(
                self._present(beside, kind), beside.kinds[kind].intensity, problem.rows, self.quarter
            )
            rng = np.random.default_rng([problem.seed, self.rng_round, number])
            scores = NullScores(
                found, level, values, self.spreads[kind], problem.rows.engine, self.cell, self.cells
            )
            sd, skewness, drawn_p, usable = _weigh_scores(scores, left, rng, simulations)
            p[own] = np.where(usable, tail_pearson(observed / sd, skewness), 1.0)
            looked[own] = usable
            null[:, own[usable]] = -np.log(drawn_p) + weights[own[usable]]
        evidence = -np.log(p) + weights
        for family in FAMILIES:
            of = np.array([t.family == family for t in columns.terms], dtype=bool) & looked
            if of.any():
                top = np.sort(null[:, of].max(axis=1))
                beyond = simulations - np.searchsorted(top, evidence[of], side="left")
                chance[of] = (1.0 + beyond) / (1.0 + simulations)
                allowed_beyond = int(self.shares.get(family, (0.0, 0.0))[0] * (1.0 + simulations) - 1.0)
                needed[family] = float(top[-1 - max(allowed_beyond, 0)])
        return Scores(p, evidence, looked, chance, needed)

    def _spread_beside(
        self,
        chosen: Sequence[int],
        fit: Fit,
        ready: dict[str, tuple[Ints, Floats, Floats, Floats, Floats, Floats]],
    ) -> Fit:
        """The account with each family's most telling term added, from which the spreads are taken.

        A cause that is not named yet makes its engines and quarters alike: taken for spread, it would hide
        itself.
        """
        extra: list[int] = []
        for own, found, left, level, _, observed in ready.values():
            weight = np.exp(-level) / -np.expm1(-level)
            size = np.sqrt(np.maximum((found**2).T @ weight, 1e-300))
            z = np.where(left >= SITE_INFORMATION, observed / size, -np.inf)
            for family in FAMILIES:
                of = np.array([self.columns.terms[i].family == family for i in own])
                if of.any() and np.where(of, z, -np.inf).max() > 0:
                    extra.append(int(own[np.argmax(np.where(of, z, -np.inf))]))
        return self.problem.fit(self.columns, [*chosen, *extra], near=(chosen, fit)) if extra else fit

    def name(self) -> Named:
        """Enters, swaps and drops terms until nothing more enters."""
        problem, columns = self.problem, self.columns
        chosen: list[int] = []
        chances: dict[int, float] = {}
        fit = self.base
        bound = self._bound_to_site()
        refused: set[int] = set()
        seen: set[frozenset[int]] = {frozenset()}
        scores = self.score(chosen, fit)
        for _ in range(ROUNDS):
            best = self._best(scores, refused, level=0)
            if best is None:
                break
            chance = float(scores.chance[best])
            trial, reached = self._settle([*chosen, best], (chosen, fit))
            trial, reached = self._leave(trial, reached)
            if frozenset(trial) in seen or not self._worth_naming(trial, reached):
                refused.add(best)
                continue
            seen.add(frozenset(trial))
            for i in trial:
                if i not in chosen:
                    chances[i] = chance
            chosen, fit = trial, reached
            opened = [
                p
                for i in chosen
                if i not in self.products_of
                for p in open_products(columns.terms[i], columns.terms, problem.rows)
            ]
            self.products_of |= set(chosen)
            columns.add(opened)
            scores = self.score(chosen, fit)
        rivals = {i: tuple(self._rivals(i, chosen, fit)) for i in chosen}
        hints = self._hints(scores, chosen, fit)
        bound = np.r_[bound, np.zeros(len(columns) - len(bound), dtype=bool)]
        return Named(
            columns,
            tuple(chosen),
            fit,
            {i: chances[i] for i in chosen},
            rivals,
            hints,
            scores,
            bound,
            self.spreads,
            self._keep_away(chosen, scores),
        )

    def _bound_to_site(self) -> Mask:
        """Terms of which the sites leave less than SITE_INFORMATION, whatever the time of year."""
        columns, alone = self.columns, replace(self.problem, waves=self.problem.waves[:, :0])
        out = np.zeros(len(columns), dtype=bool)
        fit, designs = alone.fit(columns, ()), alone.designs(columns, ())
        for kind in KINDS:
            which = [i for i in range(len(columns)) if columns.terms[i].kind == kind]
            if which:
                _, left = project_terms(alone, columns, fit, designs[AIR], AIR, which)
                out[which] = left < SITE_INFORMATION
        return out & np.array([t.family != TIME for t in columns.terms], dtype=bool)

    def _best(self, scores: Scores, refused: set[int], *, level: int) -> int | None:
        """The family's best term that its share allows; of two families the one further inside its own."""
        found: list[tuple[float, float, int]] = []
        for family in FAMILIES:
            own = [
                i
                for i, t in enumerate(self.columns.terms)
                if t.family == family and scores.looked[i] and i not in refused and not self._doubtful(i)
            ]
            if not own:
                continue
            best = max(own, key=lambda i: (scores.evidence[i], -i))
            share = self.shares[family][level]
            if scores.chance[best] <= share:
                found.append((scores.chance[best] / share, -scores.evidence[best], best))
        return min(found)[2] if found else None

    def _doubtful(self, i: int) -> bool:
        return any(name in self.problem.doubtful for name in self.columns.terms[i].factors)

    def _rival_terms(self, i: int, chosen: Sequence[int], fit: Fit) -> list[int]:
        """Terms of the same kind that go with term i beside the sites: correlation over RIVAL_CORRELATION."""
        columns, kind = self.columns, self.columns.terms[i].kind
        which = [
            j for j in range(len(columns))
            if j not in chosen and columns.terms[j].kind == kind and self.enough(j) and not self._doubtful(j)
        ]  # fmt: skip
        if not which:
            return []
        own = self._correlate(i, which, fit)
        return [j for j, r in zip(which, own, strict=True) if r >= RIVAL_CORRELATION]

    def _correlate(self, i: int, which: Sequence[int], fit: Fit) -> Floats:
        """Correlation of terms with term i in the metric of the information, beside the bases."""
        columns, kind = self.columns, self.columns.terms[i].kind
        root, base, parts = self._measure(fit, kind)
        for j in (i, *which):
            if j not in parts:
                x = columns.x[j] * root
                beside = base.T @ x
                parts[j] = beside, float(np.sqrt(max(float(x @ x - beside @ beside), 0.0)))
        weighed = columns.x[i] * root**2
        own, size = parts[i]
        least = 1e-6 * np.sqrt(float(root @ root))
        out = np.zeros(len(which))
        for place, j in enumerate(which):
            other, length = parts[j]
            if size > least and length > least:
                out[place] = (weighed @ columns.x[j] - own @ other) / (size * length)
        return out

    def _measure(self, fit: Fit, kind: str) -> tuple[Floats, Floats, dict[int, tuple[Floats, float]]]:
        """Root of the information of each venting, the bases made orthonormal in it, and by term what of it is theirs and
        its length beside them, as far as it was asked for; kept for one fit.
        """
        held = self.measured.get(kind)
        if held is None or held[0] is not fit:
            design = self.problem.designs(self.columns, ())[kind]
            level = np.maximum(fit.kinds[kind].intensity, 1e-12)
            root = np.sqrt(np.exp(-level) / -np.expm1(-level)) * design.scale
            base, _ = np.linalg.qr(design.x * root[:, None])
            held = self.measured[kind] = (fit, root, base, {})
        return held[1:]

    def _value(self, chosen: Sequence[int], fit: Fit) -> float:
        return fit.loglik + sum(self.columns.terms[i].log_weight for i in chosen)

    def _settle(self, chosen: list[int], near: tuple[Sequence[int], Fit]) -> tuple[list[int], Fit]:
        """Rivals tried in place of each term, for as long as that is better."""
        fit = self.problem.fit(self.columns, chosen, near=near)
        for _ in range(6):
            best, value = None, self._value(chosen, fit) + 1e-6
            for place, i in enumerate(chosen):
                for j in self._rival_terms(i, chosen, fit):
                    trial = [*chosen[:place], j, *chosen[place + 1 :]]
                    reached = self.problem.fit(self.columns, trial, near=(chosen, fit))
                    if self._value(trial, reached) > value:
                        best, value = (trial, reached), self._value(trial, reached)
            if best is None:
                break
            chosen, fit = best
        return chosen, fit

    def _leave(self, chosen: list[int], fit: Fit) -> tuple[list[int], Fit]:
        """Terms that cost less than LEAVE_LOGLIK leave, the least needed first."""
        while len(chosen) > 1:
            without = []
            for i in chosen:
                rest = [j for j in chosen if j != i]
                without.append((self.problem.fit(self.columns, rest, near=(chosen, fit)), rest))
            reached, rest = max(without, key=lambda pair: pair[0].loglik)
            if fit.loglik - reached.loglik >= LEAVE_LOGLIK:
                break
            chosen, fit = rest, reached
        return chosen, fit

    def _worth_naming(self, chosen: Sequence[int], fit: Fit) -> bool:
        """Whether each chosen term explains at least LEAST_SHARE of the failing ventings."""
        failures = self.problem.failures
        for i in chosen:
            kind = self.columns.terms[i].kind
            own = [j for j in chosen if self.columns.terms[j].kind == kind]
            design = self.problem.designs(self.columns, chosen)[kind]
            rate = fit.kinds[kind].theta[design.ground + own.index(i)]
            part = rate * self.columns.x[i] * design.scale / np.maximum(fit.kinds[kind].intensity, 1e-300)
            explained = float(fit.present(kind, failures) @ part[failures.row])
            if explained < LEAST_SHARE * float(failures.real.sum()):
                return False
        return True

    def _rivals(self, i: int, chosen: Sequence[int], fit: Fit) -> list[tuple[int, float]]:
        """(term, log-likelihood less the chosen one's) of what goes with a term and would do nearly as well.

        Nearly: within FORM_LOGLIK; any course of the same site over time, as far off as it may be, since its
        form is never known.
        """
        out = []
        place, own = list(chosen).index(i), self.columns.terms[i]
        for j in self._rival_terms(i, chosen, fit):
            trial = [*chosen[:place], j, *chosen[place + 1 :]]
            short = self.problem.fit(self.columns, trial, near=(chosen, fit)).loglik - fit.loglik
            other = self.columns.terms[j]
            if short >= -FORM_LOGLIK or (own.family == TIME and own.site == other.site):
                out.append((j, float(short)))
        return sorted(out, key=lambda pair: (-pair[1], pair[0]))

    def _keep_away(self, chosen: Sequence[int], scores: Scores) -> tuple[int, ...]:
        """Unnamed terms that kept away from a named one and that the records rather speak for, the most evident first."""
        columns = self.columns
        likely = [
            i
            for i in np.flatnonzero(scores.looked)
            if scores.p[i] < 0.2 and columns.terms[i].kind == AIR and i not in chosen
        ]
        out: list[int] = []
        for i in chosen:
            if columns.terms[i].kind != AIR or not likely:
                continue
            x = columns.x[i]
            for j in sorted(likely, key=lambda j: -scores.evidence[j]):
                r = np.corrcoef(x, columns.x[j])[0, 1]
                if r < KEEPS_AWAY and j not in out and len(out) < MOST_BESIDE:
                    out.append(int(j))
        return tuple(out)

    def _hints(self, scores: Scores, chosen: Sequence[int], fit: Fit) -> tuple[tuple[int, float, str], ...]:
        """What the shares of hints allow, one of each group of terms that go together."""
        found: list[tuple[int, float, str]] = []
        order = sorted(np.flatnonzero(scores.looked), key=lambda i: (-scores.evidence[i], i))
        for i in map(int, order):
            term = self.columns.terms[i]
            if scores.chance[i] > self.shares[term.family][1]:
                continue
            same = [j for j, _, _ in found if self.columns.terms[j].kind == term.kind]
            if same and np.max(self._correlate(i, same, fit)) >= RIVAL_CORRELATION:
                continue
            reason = "blanks" if self._doubtful(i) else ""
            found.append((i, float(scores.chance[i]), reason))
        return tuple(found)
