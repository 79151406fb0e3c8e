"""Negative controls of the account: circumstances that can't act, screened as the real ones are.

Reference: M. Lipsitch, E. Tchetgen Tchetgen, T. Cohen, Epidemiology 21 (2010) 383.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from typing import Annotated

import numpy as np
import pandas as pd

from ventbook import distributions as stats
from ventbook.statistics.causes.account_naming import Columns, Named, Problem, Rounds
from ventbook.statistics.causes.account_terms import CIRCUMSTANCES, code_rows, list_terms_of
from ventbook.statistics.causes.factors import Factor
from ventbook.tables import DATA
from ventbook.tables.reader import OneOf, read_rows, read_toml

WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
LEAST_P = 1e-12


def _odd(numbers: pd.Series) -> pd.Series:
    return (pd.to_numeric(numbers, errors="coerce") % 2 == 1).where(numbers.notna()).astype("boolean")


#: How a control is read from a column of the ventings, and as what kind of factor.
WAYS: dict[str, tuple[str, Callable[[pd.Series], pd.Series]]] = {
    "odd number": ("yes_no", lambda c: _odd(c.astype("str").str.extract(r"(\d)\D*$", expand=False))),
    "odd tens": ("yes_no", lambda c: _odd(c.astype("str").str.extract(r"(\d)\d\D*$", expand=False))),
    "first letter": ("group", lambda c: c.astype("str").str.extract(r"([^\W\d_])", expand=False).str.upper()),
    "odd day": ("yes_no", lambda c: _odd(c.dt.day)),
    "odd week": ("yes_no", lambda c: _odd(c.dt.isocalendar().week)),
    "weekday": ("group", lambda c: c.dt.day_of_week.map(dict(enumerate(WEEKDAYS)))),
}


@dataclass(frozen=True)
class Control:
    """One row of ``data/controls.toml``; the file's head explains the fields."""

    name: str
    title: str
    of: str
    by: Annotated[str, OneOf(*WAYS)]

    def read(self, jobs: pd.DataFrame) -> pd.Series:
        """Its value on each venting."""
        return WAYS[self.by][1](jobs[self.of])

    def as_factor(self) -> Factor:
        """A factor that raises what it meets, as any other."""
        return Factor(
            self.name, self.title, WAYS[self.by][0], "air left in", "high", "raises", ("lifter_failure",), (), self.name
        )  # fmt: skip


@dataclass(frozen=True)
class Controls:
    """Controls that could be looked at (``tried``), titles of those that came out, and the chance that luck spreads them as far."""

    tried: int
    out: tuple[str, ...]
    chance: float
    too_often: bool


NONE = Controls(0, (), 1.0, False)


@cache
def load_controls() -> tuple[tuple[Control, ...], float, float]:
    """The controls, the p at which one comes out, and the chance that is too small for luck."""
    path = DATA / "controls.toml"
    raw = read_toml(path)
    return read_rows(path, "control", Control), float(raw["share"]), float(raw["too_often"])


def tail_raised(squares: float, tried: int) -> float:
    """Chance that the squares of those of ``tried`` normal deviates that are over 0 sum to ``squares`` or more.

    Each is over 0 in half of the cases: a mixture of chi-squares (chi-bar-square; A. Shapiro, Int. Stat. Rev. 56 (1988) 49).
    """
    over = np.arange(1, tried + 1)
    tails = stats.chi2.sf(squares, over)
    none = stats.binom.pmf(0, tried, 0.5) * (squares <= 0)
    return float(stats.binom.pmf(over, tried, 0.5) @ tails + none)


def screen_controls(problem: Problem, named: Named, jobs: pd.DataFrame) -> Controls:
    """Scores of the controls beside what is named, as normal deviates from their p, those over 0 together.

    ``jobs``: the ventings in the order of the problem's rows.
    """
    controls, share, too_often = load_controls()
    present = [c for c in controls if c.of in jobs.columns and jobs[c.of].notna().any()]
    if not present or not len(problem.failures.row):
        return NONE
    factors = {c.name: c.as_factor() for c in present}
    coded = code_rows(pd.DataFrame({c.name: c.read(jobs) for c in present}), list(factors.values()))
    asked = replace(problem.rows, factors=factors, coded=coded)
    columns = Columns(asked)
    columns.add(term for term in list_terms_of(asked) if term.family == CIRCUMSTANCES)
    own = [named.columns.terms[i] for i in named.chosen]
    columns.rows = problem.rows
    first = len(columns)
    columns.add(own)
    chosen = range(first, len(columns))
    rounds = Rounds(problem, columns, {})
    scores = rounds.score(list(chosen), named.fit)
    tried = [i for i in range(first) if scores.looked[i]]
    if not tried:
        return NONE
    # only what raises the rate: the lower tail of these scores ends where a count is nought
    z = np.maximum(stats.norm.isf(np.clip(scores.p[tried], LEAST_P, 1.0)), 0.0)
    chance = tail_raised(float(z @ z), len(tried))
    out = tuple(columns.terms[i].title for i in tried if scores.p[i] < share)
    return Controls(len(tried), out, chance, chance <= too_often)
