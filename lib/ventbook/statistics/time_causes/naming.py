"""Which circumstances may be named as going with longer or shorter waits, and what these records can't tell apart.

Circumstances are taken in one at a time, beside the sites and the time of year (a yearly wave). Each is asked for by its score
under the fit without it: the slope of the log-likelihood along its coefficient, less what sites, time of year, circumstances named
before, its own blanks and the spread take of it [1]_. Scores are summed by engine and divided by the root of their squares. Were none
of them at work, each engine's scores could as well have the other sign, all of them together: the largest of all scores under such
flips [2]_ says how clear the clearest of so many would be, and circumstances that keep company count as the few that they are. The
nuisance was fitted to the same engines, which makes the squares too small by an amount known under the model; it is put back. After
each entry its rivals are tried in its place and earlier entries that no longer stand are dropped. A site is held against all the
others in the same way.

References
----------
.. [1] Neyman, J. (1959), Optimal asymptotic tests of composite statistical hypotheses, in: Probability and Statistics, Wiley.
.. [2] Hemerik, J., Goeman, J. J. and Finos, L. (2020), J. R. Stat. Soc. B 82, 841-864.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from ventbook.numerics import BLANK_Z, Floats, Ints, factorize, sum_by_cluster
from ventbook.statistics import waiting_times
from ventbook.statistics.causes import Coded, Factor
from ventbook.statistics.causes.season import read_waves, spans_year
from ventbook.statistics.waiting_times.design import Column, Design
from ventbook.statistics.waiting_times.likelihood import (
    MANY_CLUSTERS,
    SHAPES,
    Patterns,
    Terms,
    evaluate_rows,
    invert,
    maximise,
    order_patterns,
    start_at,
)
from ventbook.tables import evidence

SEED, DRAWS = 20261129, 10_000
RIVAL_CORRELATION = 0.3
"""Circumstances that keep company closer than this are tried in each other's place."""
RIVAL_GAIN = 1.92
"""Log-likelihoods closer than this can't be told apart: half the 95 % point of chi-squared with one degree of freedom."""
INSIDE_SITES = 0.03
"""With a smaller share of its spread inside sites a circumstance can't be told from the site."""
COLLINEAR = 1e-3
"""With a smaller share of its information left beside what was entered a circumstance is determined by it."""
FEWEST_SIDE, FEWEST_ENDED, FEWEST_ENGINES, FEWEST_BLANK = 8, 3, 3, 5
"""Ventings, ended waits and engines that either side of a circumstance needs; blanks that get a multiplier of their own."""
SHEET_Z, SHEET_BLANK = 3.1, 0.05
"""As for findings: the whole sheet's blanks go with the waits beyond this z, where more cells than this are blank."""
COLUMNS = ["factor", "level", "reference", "estimate", "low", "high", "chance", "standing", "rivals"]
SITE, ALL_OTHERS, NOT_RECORDED = "site", "all others", "not recorded"


@dataclass(frozen=True)
class Candidate:
    """One circumstance: ``factor`` at ``level`` (number: level empty) against ``reference``, its value on each row (blank: 0 or
    the mean), and the rows on which it is blank."""

    factor: str
    level: str
    reference: str
    x: Floats
    blank: np.ndarray

    @property
    def key(self) -> tuple[str, str]:
        return self.factor, self.level

    @cached_property
    def blanks(self) -> Floats | None:
        """A column for its blanks; None where there are too few for a multiplier of their own."""
        return self.blank.astype(np.float64) if self.blank.sum() >= FEWEST_BLANK else None


@dataclass(frozen=True)
class TimeNaming:
    """What is named and asked, a row each: factor, level, reference, estimate, low, high, chance, standing, rivals.

    ``estimate`` is the factor by which waits are longer beside sites and what else stands here; ``chance`` that of any
    circumstance looking so clear where none acts; ``rivals`` (factor, level, reference) that explain the waits about as well.
    ``site_bound``: factors (nearly) constant within each site; ``blank_bound``: factors whose blanks go with the waits.
    """

    rows: pd.DataFrame
    looked: int = 0
    site_bound: tuple[str, ...] = ()
    blank_bound: tuple[str, ...] = ()

    @classmethod
    def nothing(cls) -> TimeNaming:
        """Where too few ventings stand to look at anything."""
        return cls(pd.DataFrame(columns=COLUMNS))


def simulate_maxima(scores: Floats, *, draws: int = DRAWS, seed: int = SEED) -> Floats:
    """The largest |score| of each simulated fleet on which nothing acts, ascending (``draws``,).

    ``scores``: sums by engine (G, K). Each draw flips the sign of all scores of an engine together; from 400 engines on scores
    are drawn as jointly normal with the same covariance. A column that is 0 throughout never is the largest.
    """
    size = np.sqrt((scores**2).sum(axis=0))
    unit = (scores[:, size > 0] / size[size > 0]).astype(np.float32)
    rng = np.random.default_rng(seed)
    engines, columns = unit.shape
    if not columns:
        return np.zeros(draws)
    if engines >= MANY_CLUSTERS:
        # a factor of the covariance of the scores, so that the draws need as many normals as there are columns
        unit = np.linalg.qr(unit, mode="r")
        signs = rng.standard_normal((draws, len(unit)), dtype=np.float32)
    else:
        signs = (2 * rng.integers(0, 2, (draws, engines), dtype=np.int8) - 1).astype(np.float32)
    largest = np.abs(signs @ unit).max(axis=1)
    return np.sort(largest.astype(np.float64))


def chance_of_any(statistic: Floats, maxima: Floats) -> Floats:
    """Share of simulated fleets whose largest score reaches each statistic, the records' own counted among them."""
    # single precision of the draws must not tell a score from itself
    beyond = len(maxima) - np.searchsorted(maxima, np.abs(statistic) * (1 - 1e-6), side="left")
    return np.asarray((1.0 + beyond) / (1.0 + len(maxima)), dtype=np.float64)


@dataclass(frozen=True)
class Null:
    """A fit on an intercept and some columns, and the terms of every row: what scores are taken under."""

    value: float
    theta: Floats
    given: Sequence[Floats]
    waits: Waits = field(repr=False)

    @cached_property
    def columns(self) -> Floats:
        return np.column_stack([np.ones(self.waits.low.size), *self.given])

    @cached_property
    def terms(self) -> Terms:
        rows = self.waits.order(self.columns)
        found = evaluate_rows(SHAPES[self.waits.distribution], self.theta, rows, 0, self.waits.low.size)
        back = np.argsort(rows.order)
        return Terms(*(getattr(found, name)[back] for name in Terms.__dataclass_fields__))

    @cached_property
    def information(self) -> Floats:
        """Second derivative of the nuisance parameters (columns, 1 / spread), its sign turned."""
        k = self.columns.shape[1]
        out = np.empty((k + 1, k + 1))
        out[:k, :k] = -self.columns.T @ (self.columns * self.terms.bend[:, None])
        out[:k, k] = out[k, :k] = self.columns.T @ self.terms.bend_y
        out[k, k] = -self.terms.bend_yy.sum()
        return out

    @cached_property
    def inverse(self) -> Floats:
        return invert(self.information)

    @cached_property
    def row_scores(self) -> Floats:
        return np.column_stack([-self.columns * self.terms.slope[:, None], self.terms.slope_y])

    def _cross(self, x: Floats) -> Floats:
        return np.append(-self.columns.T @ (x * self.terms.bend), x @ self.terms.bend_y)

    def project(self, x: Floats, blanks: Floats | None = None) -> tuple[Floats, Floats, float]:
        """Efficient score of each row along ``x``, its weighted residual and the information left to it.

        Nuisance and ``blanks`` are taken off; the residual (n, columns + 1) is each row's cross information with the nuisance.
        """
        load = self.inverse @ self._cross(x)
        score = -x * self.terms.slope - self.row_scores @ load
        cross = self._row_cross(x, load)
        left = float(-(x * x) @ self.terms.bend - self._cross(x) @ load)
        if blanks is None:
            return score, cross, left
        blank_score, blank_cross, blank_left = self.project(blanks)
        if blank_left <= 1e-9 * max(float(-blanks @ self.terms.bend), 1e-300):
            return score, cross, left
        shared = float(-(x * blanks) @ self.terms.bend - self._cross(blanks) @ load) / blank_left
        return score - shared * blank_score, cross - shared * blank_cross, left - shared**2 * blank_left

    def _row_cross(self, x: Floats, load: Floats) -> Floats:
        """Each row's information between the nuisance and ``x`` less its projection; sums to 0 over all rows."""
        off = x - self.columns @ load[:-1]
        bend, bend_y, bend_yy = self.terms.bend, self.terms.bend_y, self.terms.bend_yy
        along = -(bend * off) - bend_y * load[-1]
        return np.column_stack([self.columns * along[:, None], bend_y * off + bend_yy * load[-1]])

    def shrinkage(self, cross: Floats, left: float, engine: Ints, engines: int) -> float:
        """Expected sum of squared scores by engine over the variance of their sum, under the model.

        Under 1 since the nuisance was fitted to the same engines, as residuals are smaller than errors.
        """
        sums = sum_by_cluster(cross, engine, engines)
        return min(max(1.0 - float(np.sum((sums @ self.inverse) * sums)) / left, 0.1), 1.0)


@dataclass
class Waits:
    """Readings and engines of the ventings looked at, and the fits on them (kept by their columns)."""

    low: Floats
    high: Floats
    step: Floats | None
    engine: Ints
    engines: int
    distribution: str
    kept: dict[tuple[Any, ...], Null | None] = field(default_factory=dict)

    def fit(self, key: tuple[Any, ...], columns: Sequence[Floats]) -> Null | None:
        """The fit on an intercept and ``columns``; None where it finds no optimum."""
        if key not in self.kept:
            rows = self.order(np.column_stack([np.ones(self.low.size), *columns]))
            found = maximise(SHAPES[self.distribution], rows, start_at(rows), tolerance=1e-9)
            self.kept[key] = Null(found.value, found.theta, columns, self) if found.converged else None
        return self.kept[key]

    def order(self, design: Floats) -> Patterns:
        """The readings with these columns, as the likelihood takes them."""
        return order_patterns(self.low, self.high, np.ones(self.low.size), design, self.step)


def list_candidates(
    jobs: pd.DataFrame, coded: Mapping[str, Coded], *, plain: Sequence[str], recorded_share: float
) -> list[Candidate]:
    """Every circumstance there is to look at: yes against no, numbers in steps, each level or site against all others."""
    out = []
    for name in plain:
        codes, labels = factorize(jobs[name].astype(object).where(jobs[name].notna(), None))
        # of two levels one says it all: the rarer
        order = np.argsort(np.bincount(codes[codes >= 0], minlength=len(labels)), kind="stable")
        for at in order[:1] if len(labels) == 2 else np.arange(len(labels)):
            out.append(
                Candidate(name, str(labels[at]), ALL_OTHERS, (codes == at).astype(np.float64), codes < 0)
            )
    for name, found in coded.items():
        if found.factor.kind == "interaction":
            continue
        if found.numbers is None:
            level = found.levels[1]
            out.append(
                Candidate(name, level, found.levels[0], (found.codes == 1).astype(np.float64), ~found.known)
            )
        elif (known := ~np.isnan(found.numbers)).any() and known.mean() >= recorded_share:
            values = np.where(known, found.numbers, found.numbers[known].mean())
            out.append(Candidate(name, "", "", values, ~known))
    return out


def make_product(factor: Factor, coded: Mapping[str, Coded]) -> Candidate | None:
    """A declared product of two yes/no circumstances; a known no of either part is a no of the product."""
    one, two = (coded.get(part) for part in factor.parts)
    if one is None or two is None or one.numbers is not None or two.numbers is not None:
        return None
    yes, no = np.ones(len(one.codes), dtype=bool), np.zeros(len(one.codes), dtype=bool)
    for part, wanted in zip((one, two), factor.part_levels, strict=True):
        if wanted not in part.levels:
            return None
        here = part.codes == part.levels.index(wanted)
        yes, no = yes & here, no | (part.known & ~here)
    return Candidate(factor.name, "yes", "no", yes.astype(np.float64), ~(yes | no))


def may_look(candidate: Candidate, waits: Waits) -> bool:
    """Whether both sides hold enough ventings, ended waits and engines (a number: whether it varies)."""
    known = ~candidate.blank
    if not candidate.level:
        return bool(known.sum() >= 2 * FEWEST_SIDE and np.ptp(candidate.x[known]) > 0)
    on = candidate.x > 0
    ended = np.isfinite(waits.high)
    return all(
        side.sum() >= FEWEST_SIDE
        and (side & ended).sum() >= FEWEST_ENDED
        and len(np.unique(waits.engine[side])) >= FEWEST_ENGINES
        for side in (on & known, ~on & known)
    )


def share_inside(values: Floats, blank: np.ndarray, group: Ints) -> float:
    """Share of a circumstance's spread that lies inside groups; 0 where it doesn't vary."""
    x, g = values[~blank], group[~blank]
    total = float(np.square(x - x.mean()).sum()) if x.size else 0.0
    if total <= 0:
        return 0.0
    n = np.maximum(np.bincount(g), 1)
    return float(np.square(x - (np.bincount(g, weights=x) / n)[g]).sum()) / total


class Rounds:
    """Entries one after another, all beside the time of year (``waves``). Circumstances are looked at beside all sites; sites
    beside the circumstances entered.
    """

    def __init__(
        self,
        waits: Waits,
        candidates: Sequence[Candidate],
        site: Ints,
        products: Mapping[str, tuple[Factor, Candidate]],
        family: str,
        waves: Floats,
    ) -> None:
        self.waits, self.family, self.products = waits, family, products
        self.waves = list(waves.T)
        self.sites = [(site == code).astype(np.float64) for code in range(1, int(site.max(initial=0)) + 1)]
        usable = [c for c in candidates if may_look(c, waits)]
        inside = {c.key: share_inside(c.x, c.blank, site) for c in usable}
        bound = [c for c in usable if c.factor != SITE and inside[c.key] < INSIDE_SITES]
        self.site_bound = tuple(dict.fromkeys(c.factor for c in bound))
        self.open = [c for c in usable if c not in bound]
        self.site = site
        self.entered: list[Candidate] = []
        self.standing: dict[tuple[str, str], str] = {}
        self.chance: dict[tuple[str, str], float] = {}
        self.gone: set[tuple[str, str]] = set()
        self.blank_bound = self._test_blanks(candidates)

    def null(
        self, of_site: bool, entered: Sequence[Candidate], *, without: Candidate | None = None
    ) -> Null | None:
        """The fit on what was entered: beside all sites for a circumstance, with the named sites only for a site.

        ``without`` leaves out a circumstance but keeps the column of its blanks.
        """
        mine = [c for c in entered if of_site or c.factor != SITE]
        columns = list(self.waves) if of_site else [*self.sites, *self.waves]
        for c in mine:
            if without is None or c.key != without.key:
                columns.append(c.x)
        blanks = {c.factor: c.blanks for c in mine if c.blanks is not None}
        columns += list(blanks.values())
        left = [c.key for c in mine if without is None or c.key != without.key]
        return self.waits.fit((of_site, tuple(sorted(left)), tuple(sorted(blanks))), columns)

    def _test_blanks(self, candidates: Sequence[Candidate]) -> tuple[str, ...]:
        """Factors whose blanks go with the waits; all of them where the sheets as a whole do."""
        null = self.null(False, ())
        if null is None:
            return ()
        of = {c.factor: c.blank.astype(np.float64) for c in candidates if c.factor != SITE}
        found = [f for f, blank in of.items() if abs(self._blank_z(null, blank)) > BLANK_Z]
        share = np.mean(list(of.values()), axis=0) if of else np.zeros(self.waits.low.size)
        if share.mean() > SHEET_BLANK and abs(self._blank_z(null, share)) > SHEET_Z:
            return tuple(of)
        return tuple(found)

    def _blank_z(self, null: Null, blank: Floats) -> float:
        if (blank > 0).sum() < FEWEST_BLANK or (blank < 1).sum() < FEWEST_BLANK:
            return 0.0
        sums = sum_by_cluster(null.project(blank)[0], self.waits.engine, self.waits.engines)
        size = float(np.sqrt((sums**2).sum()))
        return float(sums.sum()) / size if size > 0 else 0.0

    def look(self) -> tuple[list[Candidate], Floats, Floats]:
        """What is still open, the chance of any looking as clear as each, and what each would gain (log-likelihood, about)."""
        nulls = {side: self.null(side, self.entered) for side in (False, True)}
        taken = {c.key for c in self.entered} | self.gone
        looked, sums, gains, shrunk = [], [], [], []
        for c in self.open:
            null = nulls[c.factor == SITE]
            if c.key in taken or null is None:
                continue
            score, cross, left = null.project(c.x, c.blanks)
            centred = c.x - c.x.mean()
            # what those entered determine has no score of its own
            if left <= COLLINEAR * float(-(centred**2) @ null.terms.bend):
                continue
            looked.append(c)
            sums.append(sum_by_cluster(score, self.waits.engine, self.waits.engines))
            gains.append(float(score.sum()) ** 2 / (2 * left))
            shrunk.append(null.shrinkage(cross, left, self.waits.engine, self.waits.engines))
        if not looked:
            return [], np.empty(0), np.empty(0)
        by_engine = np.column_stack(sums)
        size = np.sqrt((by_engine**2).sum(axis=0))
        statistic = np.divide(by_engine.sum(axis=0), size, out=np.zeros_like(size), where=size > 0)
        statistic *= np.sqrt(shrunk)
        return looked, chance_of_any(statistic, simulate_maxima(by_engine)), np.array(gains)

    def judge(self, candidate: Candidate, chance: float) -> str:
        """Named, asked or nothing; never named where its blanks go with the waits."""
        standing = str(evidence.judge_family([chance], self.family, adjusted=True)[0])
        parts = self.products[candidate.factor][0].parts if candidate.factor in self.products else ()
        bound = any(name in self.blank_bound for name in (candidate.factor, *parts))
        return evidence.HINT if standing and bound else standing

    def gain(self, candidate: Candidate, others: Sequence[Candidate]) -> float:
        """Log-likelihood that ``candidate`` adds beside ``others``, its blanks counted on both sides."""
        of_site = candidate.factor == SITE
        full = self.null(of_site, [*others, candidate])
        less = self.null(of_site, [*others, candidate], without=candidate)
        return full.value - less.value if full is not None and less is not None else -np.inf

    def keeps_company(self, one: Candidate, two: Candidate) -> bool:
        """Whether two circumstances (or two sites) go together, inside sites where they are circumstances."""
        if one.key == two.key or (one.factor == SITE) != (two.factor == SITE):
            return False
        both = ~(one.blank | two.blank)
        group = np.zeros_like(self.site) if one.factor == SITE else self.site
        x, y = (inside_groups(c.x[both], group[both]) for c in (one, two))
        size = np.sqrt((x @ x) * (y @ y))
        return bool(size > 0 and abs(x @ y) >= RIVAL_CORRELATION * size)

    def enter(self) -> bool:
        """Takes in the clearest circumstance that may be named, or its better rival; False where there is none."""
        looked, chance, gains = self.look()
        taken_up = len(self.waves) + len(self.sites) + len(self.entered)
        room = int(np.isfinite(self.waits.high).sum()) // 10 - taken_up - 1
        clear = [i for i in range(len(looked)) if chance[i] <= evidence.load_budget().share(self.family)]
        if not clear or room < 1:
            for c, p in zip(looked, chance, strict=True):
                if standing := self.judge(c, float(p)):
                    self.standing[c.key], self.chance[c.key] = standing, float(p)
            return False
        first = max(clear, key=lambda i: (-chance[i], gains[i]))
        rivals = [i for i in clear if i == first or self.keeps_company(looked[first], looked[i])]
        best = max(rivals, key=lambda i: self.gain(looked[i], self.entered)) if len(rivals) > 1 else first
        taken = looked[best]
        self.entered.append(taken)
        self.standing[taken.key] = self.judge(taken, float(chance[best]))
        self.chance[taken.key] = float(chance[best])
        self.review(taken)
        self.open_products()
        return True

    def review(self, newest: Candidate) -> None:
        """Drops earlier entries that no longer stand beside the newest; they don't come back."""
        for c in list(self.entered):
            if c.key == newest.key:
                continue
            others = [e for e in self.entered if e.key != c.key]
            if -np.inf < self.gain(c, others) < RIVAL_GAIN:
                self.entered = others
                self.gone.add(c.key)
                self.standing.pop(c.key), self.chance.pop(c.key)

    def open_products(self) -> None:
        """A declared product is looked at once both its parts are named."""
        named = {c.factor for c in self.entered if self.standing.get(c.key) == evidence.NAMED}
        have = {c.key for c in self.open}
        for factor, candidate in self.products.values():
            if candidate.key not in have and named >= set(factor.parts) and may_look(candidate, self.waits):
                self.open.append(candidate)

    def list_rivals(self, candidate: Candidate) -> tuple[tuple[str, str, str], ...]:
        """What explains the waits about as well in the place of ``candidate``."""
        others = [e for e in self.entered if e.key != candidate.key]
        taken = {e.key for e in self.entered}
        near = [c for c in self.open if c.key not in taken and self.keeps_company(candidate, c)]
        own = self.gain(candidate, others) if near else 0.0
        return tuple(
            (c.factor, c.level, c.reference) for c in near if own - self.gain(c, others) < RIVAL_GAIN
        )


def inside_groups(x: Floats, group: Ints) -> Floats:
    """``x`` less the mean of its group."""
    if not x.size:
        return x
    return x - (np.bincount(group, weights=x) / np.maximum(np.bincount(group), 1))[group]


def name_circumstances(
    jobs: pd.DataFrame,
    low: Floats,
    high: Floats,
    step: Floats | None,
    coded: Mapping[str, Coded],
    products: Sequence[Factor],
    *,
    plain: Sequence[str],
    recorded_share: float,
    distribution: str,
    family: str,
    level: float,
) -> TimeNaming:
    """Circumstances that may be named or asked about within the family's share of the error budget.

    ``jobs`` (engine_id, site, date and the ``plain`` columns), readings and ``coded`` have a row a venting. ``products``: the declared
    products of the outcome; ``distribution``: a symmetric one, since the flips of signs ask for scores that could have either sign.
    """
    keep = ~(np.isnan(low) | np.isnan(high)) & (high > 0)
    jobs, low, high = jobs[keep].reset_index(drop=True), low[keep], high[keep]
    step = None if step is None else np.nan_to_num(step[keep])
    coded = {
        name: Coded(c.factor, c.codes[keep], c.levels, None if c.numbers is None else c.numbers[keep])
        for name, c in coded.items()
    }
    engine, ids = factorize(jobs["engine_id"])
    # nothing ties a venting without an engine to another
    engine = np.where(engine < 0, len(ids) + np.arange(len(engine)), engine)
    engine, numbers = factorize(engine)
    site, _ = factorize(jobs[SITE].astype(object).where(jobs[SITE].notna(), NOT_RECORDED))
    waits = Waits(low, high, step, engine, len(numbers), distribution)
    made = {f.name: (f, c) for f in products if (c := make_product(f, coded)) is not None}
    candidates = list_candidates(jobs, coded, plain=plain, recorded_share=recorded_share)
    date = jobs["date"] if "date" in jobs else pd.Series(pd.NaT, jobs.index)
    waves = read_waves(date) if spans_year(date) else np.zeros((len(jobs), 0))
    rounds = Rounds(waits, candidates, site, made, family, waves)
    looked = len(rounds.open)
    while rounds.enter():
        pass
    rows = []
    for of_site in (False, True):
        rows += _estimate(rounds, [c for c in rounds.entered if (c.factor == SITE) == of_site], level)
    for c in _asked(rounds):
        rows += _estimate(rounds, [c], level)
    return TimeNaming(
        pd.DataFrame(rows, columns=COLUMNS),
        looked,
        rounds.site_bound,
        rounds.blank_bound,
    )


def _asked(rounds: Rounds) -> list[Candidate]:
    taken = {c.key for c in rounds.entered}
    return [c for c in rounds.open if c.key in rounds.standing and c.key not in taken]


def _estimate(rounds: Rounds, candidates: Sequence[Candidate], level: float) -> list[dict[str, Any]]:
    """Ratios and intervals of sites, or of circumstances, beside what was entered, engines as clusters: one fit for all of them.

    One without a finite ratio is left out.
    """
    if not candidates:
        return []
    of_site, own = candidates[0].factor == SITE, {c.key for c in candidates}
    parts = [*candidates, *(c for c in rounds.entered if c.key not in own and (of_site or c.factor != SITE))]
    blanks = {c.factor: c.blanks for c in parts if c.blanks is not None}
    beside = [*blanks.values(), *([] if of_site else rounds.sites), *rounds.waves]
    # blanks, the sites that circumstances are beside and the time of year are no effects: no name is theirs
    columns = [Column(*c.key, "") for c in parts] + [Column("", "1", "")] * len(beside)
    matrix = np.column_stack([*(c.x for c in parts), *beside])
    waits = rounds.waits
    fit = waiting_times.fit_aft(
        waits.low, waits.high, Design(matrix, tuple(columns)), step=waits.step,
        cluster=waits.engine, level=level, distribution=waits.distribution,
    )  # fmt: skip
    found = fit.time_ratios({c.factor for c in candidates})
    rows = []
    for c in candidates:
        mine = found[(found["factor"] == c.factor) & (found["level"] == c.level)]
        if mine.empty or mine["state"].iloc[0] != "estimated":
            continue
        ends = {end: float(mine[end].iloc[0]) for end in ("estimate", "low", "high")}
        said = {
            "chance": rounds.chance[c.key],
            "standing": rounds.standing[c.key],
            "rivals": rounds.list_rivals(c),
        }
        rows.append({"factor": c.factor, "level": c.level, "reference": c.reference, **ends, **said})
    return rows
