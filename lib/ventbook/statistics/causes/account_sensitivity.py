"""Which named causes hang on a choice, a site, an engine or a venting: the account's naming asked again on changed records.

A cause stands where its score, on the changed records and beside the other named causes, still has the evidence that
naming asked for on the records as they are. That is what was decided, and one round of scores instead of a new account
for each change.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from ventbook.model.verdicts import is_over
from ventbook.numerics import LOOKED_AT, is_among, thin_engines
from ventbook.statistics.causes.account import (
    Account,
    list_causes_factors,
    naming_shares,
    pose_question,
    take_gauges,
)
from ventbook.statistics.causes.account_fit import Findings, gather_failures
from ventbook.statistics.causes.account_naming import SIMULATIONS, Columns, Problem, Rounds
from ventbook.statistics.causes.account_terms import TIME, AccountTerm, list_terms_of, open_products
from ventbook.statistics.causes.factors import Factor, load_factors

GAUGE_OFF_MM = 0.02
HELD, HIGH, LOW, GIVEN_UP, SITE = "held", "gauge_high", "gauge_low", "given_up", "site"
MOST_LEFT_OUT = 12  # engines or ventings left out one after another before a cause counts as resting on many
CHANGE_COLUMNS = ("cause", "title", "change", "what", "evidence", "needed", "stands")
REST_COLUMNS = ("cause", "title", "of", "names", "enough")


@dataclass(frozen=True)
class Sensitivity:
    """What the named circumstances hang on.

    ``changes``: one row a cause and change (CHANGE_COLUMNS): ``change`` is "held", "gauge_high", "gauge_low", "given_up"
    or "site", ``what`` the site left out; ``evidence`` on the changed records against what is ``needed`` (-log p + log weight);
    ``stands``. ``rests``: one row a cause and ``of`` ("engine", "venting"): ``names``, the fewest found whose absence
    undoes the naming, in the order in which they were left out; ``enough`` is False where MOST_LEFT_OUT don't undo it.
    """

    changes: pd.DataFrame
    rests: pd.DataFrame


def try_changes(
    account: Account,
    ventings: pd.DataFrame,
    lifters: pd.DataFrame,
    *,
    gauges: pd.DataFrame | None = None,
    held: Collection[str] = (),
    factors: Sequence[Factor] | None = None,
) -> Sensitivity:
    """Which named causes would not be named on slightly other records.

    Parameters
    ----------
    account : Account
        Of :func:`explain_failures`, from the same tables.
    ventings, lifters, gauges, factors
        As :func:`explain_failures` took them.
    held : collection of str
        Ventings of which quarantined lifter rows are known: counted as failing in one of the changes.

    Returns
    -------
    Sensitivity
        Changes: ventings with held rows failing; every gap .02 mm larger, and smaller; ventings left out in which
        turning was given up; each site left out (causes that are one site's own are not asked then). Causes that are a gauge's bias are not asked.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import causes
    >>> ventings, lifters = ventbook.read_ventings("data/demo/store"), ventbook.read_lifters("data/demo/store")
    >>> account = causes.explain_failures(ventings, lifters, draws=0)
    >>> found = causes.try_changes(account, ventings, lifters)
    >>> sorted(set(found.changes["change"]))
    ['gauge_high', 'gauge_low', 'given_up', 'site']
    """
    chosen = list_causes_factors(load_factors() if factors is None else tuple(factors))
    gauges = take_gauges(ventings, lifters, gauges)
    judged = is_among(ventings["venting_id"], lifters.loc[lifters["over_first"].notna(), "venting_id"])
    if judged.sum() > LOOKED_AT:  # those that the naming was made from
        ventings = thin_engines(ventings[judged], most=LOOKED_AT)
    own = account.model.terms
    terms = [term for kind in own for term in own[kind]]
    if account.state != "named" or not terms:
        return Sensitivity(
            pd.DataFrame(columns=list(CHANGE_COLUMNS)), pd.DataFrame(columns=list(REST_COLUMNS))
        )

    def ask(table: pd.DataFrame) -> _Asked:
        posed = pose_question(ventings, table, gauges=gauges, factors=chosen, seed=account.seed)
        return _Asked.of(posed.problem, terms)

    asked = ask(lifters)
    needed = _needed(asked.problem, terms)
    changed = [(change, "", ask(table)) for change, table in _change_lifters(lifters, held)]
    given_up = _given_up(ventings).reindex(asked.problem.rows.venting, fill_value=False).to_numpy(bool)
    if given_up.any():
        changed.append((GIVEN_UP, "", asked.without(given_up)))
    sites = asked.problem.rows.site
    names = sorted(set(sites.tolist()))
    changed += [(SITE, name, asked.without(sites == name)) for name in names if len(names) > 1]
    changes = []
    for change, what, again in changed:
        for i, term in enumerate(terms):
            if not (what and term.site):
                found = again.weigh(i)
                changes.append((term.cause, term.title, change, what, found, needed[i], found > needed[i]))
    engine = ventings.set_index("venting_id")["engine_id"].reindex(asked.problem.rows.venting)
    ways = (("engine", engine.astype("object").to_numpy()), ("venting", asked.problem.rows.venting))
    rests = [
        (term.cause, term.title, of, *asked.find_fewest(i, by, needed[i]))
        for i, term in enumerate(terms)
        for of, by in ways
    ]
    return Sensitivity(
        pd.DataFrame(changes, columns=list(CHANGE_COLUMNS)), pd.DataFrame(rests, columns=list(REST_COLUMNS))
    )


def _change_lifters(lifters: pd.DataFrame, held: Collection[str]) -> Iterator[tuple[str, pd.DataFrame]]:
    """Lifter tables with other findings: held rows failing (one lifter each), every gap larger, every gap smaller."""
    over = lifters["over_first"].astype("boolean")
    first = ~lifters["venting_id"].duplicated() & lifters["venting_id"].isin(list(held))
    if first.any():
        yield HELD, lifters.assign(over_first=over.mask(first.to_numpy(bool), True))
    if {"gap_first_mm", "limit_mm"} <= set(lifters.columns):
        gap, limit = (
            lifters[name].to_numpy(np.float64, na_value=np.nan) for name in ("gap_first_mm", "limit_mm")
        )
        known = np.isfinite(gap) & np.isfinite(limit) & over.notna().to_numpy(bool)
        for change, off in ((HIGH, GAUGE_OFF_MM), (LOW, -GAUGE_OFF_MM)):
            read = pd.Series(is_over(gap + off, limit), lifters.index, dtype="boolean")
            yield change, lifters.assign(over_first=over.mask(known, read))


def _given_up(ventings: pd.DataFrame) -> pd.Series:
    """By venting: turned until somebody gave up, without pressure."""
    if "pressure_shown" not in ventings:
        return pd.Series(False, ventings["venting_id"])
    shown = ventings["pressure_shown"].astype("boolean").fillna(True)
    return pd.Series(~shown.to_numpy(bool), ventings["venting_id"])


def _needed(problem: Problem, terms: Sequence[AccountTerm]) -> list[float]:
    """Evidence over which each term is named beside the others, among all that naming looked at."""
    columns = Columns(problem.rows)
    columns.add(list_terms_of(problem.rows))
    for term in terms:
        columns.add(open_products(term, columns.terms, problem.rows))
    columns.add(terms)
    keys = {term.key: k for k, term in enumerate(columns.terms)}
    rounds = Rounds(problem, columns, naming_shares())
    out = []
    for term in terms:
        others = [keys[t.key] for t in terms if t.key != term.key]
        scores = rounds.score(others, problem.fit(columns, others))
        out.append(scores.needed.get(term.family, np.inf))
    return out


def _is_form(term: AccountTerm, named: AccountTerm) -> bool:
    """Whether a term is another form of a named one, for the same kind of finding."""
    if term.kind != named.kind or term.family != named.family:
        return False
    return term.site == named.site if named.family == TIME else term.cause == named.cause


@dataclass(frozen=True)
class _Asked:
    """The named terms' columns on one set of records, each to be scored beside the others.

    ``forms``: the columns in which each named term may show, its own first: other forms of the same circumstance, other
    courses of the same site; none where these records can't show it.
    """

    problem: Problem
    columns: Columns
    forms: tuple[tuple[int, ...], ...]

    @classmethod
    def of(cls, problem: Problem, terms: Sequence[AccountTerm]) -> _Asked:
        columns = Columns(problem.rows)
        columns.add(terms)
        every = list_terms_of(problem.rows)
        forms_too = [t for t in every if any(_is_form(t, term) for term in terms)]
        beside = {t.nuisance for t in forms_too}  # what they are allowed for must stand beside them
        columns.add([*forms_too, *(t for t in every if t.cause in beside)])
        forms = []
        for term in terms:
            own = [k for k, t in enumerate(columns.terms) if t.key == term.key]
            other = [k for k, t in enumerate(columns.terms) if t.key != term.key and _is_form(t, term)]
            forms.append((*own, *other))
        return cls(problem, columns, tuple(forms))

    def weigh(self, i: int) -> float:
        """Evidence of a term beside the others, in the form that shows it best; -inf where these records can't show it."""
        if not self.forms[i] or not len(self.problem.failures.row):
            return -np.inf
        others, rounds = self._beside(i)
        scores = rounds.score(others, self.problem.fit(self.columns, others), simulations=SIMULATIONS)
        return max((float(scores.evidence[k]) for k in self.forms[i] if scores.looked[k]), default=-np.inf)

    def _beside(self, i: int) -> tuple[list[int], Rounds]:
        others = [forms[0] for j, forms in enumerate(self.forms) if j != i and forms]
        return others, Rounds(self.problem, self.columns, {})

    def without(self, out: np.ndarray) -> _Asked:
        """The same without some of the ventings."""
        keep = ~np.asarray(out, dtype=bool)
        problem, rows, findings = self.problem, self.problem.rows, self.problem.findings
        fields = ("venting", "engine", "site", "site_code", "quarter", "judged")
        fewer = replace(rows, coded={}, **{name: getattr(rows, name)[keep] for name in fields})
        own = keep[findings.row]
        left = Findings(
            (np.cumsum(keep) - 1)[findings.row[own]],
            findings.air[own],
            findings.leak[own],
            findings.gauge[own],
        )
        site = problem.site[keep]
        asked = replace(
            problem,
            rows=fewer,
            findings=left,
            failures=gather_failures(left),
            h=problem.h[keep],
            site=site[:, site.any(axis=0)],
            waves=problem.waves[keep],
        )
        columns = Columns(
            fewer,
            self.columns.terms,
            [x[keep] for x in self.columns.x],
            [k[keep] for k in self.columns.known],
        )
        return _Asked(asked, columns, self.forms)

    def find_fewest(self, i: int, by: np.ndarray, needed: float) -> tuple[tuple[str, ...], bool]:
        """Fewest engines (or ventings), ``by`` their names, without which a term's evidence falls under ``needed``.

        In the order of what each adds to the term's score; so few may do in other ways too. False where MOST_LEFT_OUT of
        them don't undo it.
        """
        if not self.forms[i]:
            return (), True
        others, rounds = self._beside(i)
        added = rounds.split_score(self.forms[i][0], others, self.problem.fit(self.columns, others))
        names, code = np.unique(by.astype(str), return_inverse=True)
        by_name = np.bincount(code, weights=added)
        order = np.lexsort((names, -by_name.round(9)))[:MOST_LEFT_OUT]
        low, high = 0, len(order) + 1  # undone by high, not by low
        while high - low > 1:
            middle = (low + high) // 2
            fell = self.without(np.isin(code, order[:middle])).weigh(i) <= needed
            low, high = (low, middle) if fell else (middle, high)
        enough = high <= len(order)
        return tuple(str(names[n]) for n in order[: min(high, len(order))]), enough
