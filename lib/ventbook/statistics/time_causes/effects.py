"""A wait regressed on every recorded circumstance together, and which of them may be named."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from ventbook.numerics import Floats
from ventbook.statistics import causes, waiting_times
from ventbook.statistics.causes import Coded, Factor
from ventbook.statistics.time_causes.naming import TimeNaming, name_circumstances
from ventbook.statistics.waiting_times import AftFit
from ventbook.tables import evidence

#: What a regression takes in, in this order, as far as there are ventings for it.
FACTORS = (
    "site", "engine_type", "cooler_empty", "lines_empty", "tank_pressurised", "reason", "filter_new", "turned_by_starter", "long_rest", "plugs_removed",
    "oil_temperature", "suction_line_length", "suction_line_bore", "cooler_volume", "tank_head",
)  # fmt: skip
#: Columns of the ventings that are taken as they are; the others are read as the factor table says.
PLAIN = ("site", "engine_type", "reason")
#: A number recorded on a smaller share of ventings is not taken in.
RECORDED_SHARE = 0.8
PLAIN_MATTERS = 1.1
"""Smallest ratio worth acting on between sites, engine types and reasons."""


@dataclass(frozen=True)
class TimeEffects:
    """The regression of a wait on all circumstances, and the rows that it was fitted on.

    ``table``: :meth:`AftFit.time_ratios` with outcome and matters (smallest ratio worth acting on); it names nothing.
    ``naming``: what may be named, with matters as well. ``thin``: numbers not taken in, with the share of ventings that record them; ``late``:
    titles of what the ventings were too few for; ``too_few``: no regression at all.
    """

    fit: AftFit
    table: pd.DataFrame
    naming: TimeNaming
    factors: Mapping[str, Factor]
    low: Floats
    high: Floats
    step: Floats | None
    design: pd.DataFrame
    thin: tuple[tuple[str, float], ...]
    late: tuple[str, ...]
    ventings: int
    ended: int
    too_few: bool


def read_waits(jobs: pd.DataFrame) -> tuple[Floats, Floats, Floats | None]:
    """low, high and step of each wait, as the functions of waiting_times take them.

    ``wait_from`` and ``wait_step`` where the jobs have them (times, whose start is known to a logger's step only), else
    ``wait_low`` and no step.
    """
    if "wait_step" not in jobs:
        return jobs["wait_low"].to_numpy(float), jobs["wait_high"].to_numpy(float), None
    low, high, step = (jobs[name].to_numpy(float) for name in ("wait_from", "wait_high", "wait_step"))
    return low, high, step


@dataclass(frozen=True)
class Covariates:
    """Columns of a regression, and what was left out of it."""

    frame: pd.DataFrame
    coded: Mapping[str, Coded]
    factors: Mapping[str, Factor]
    thin: tuple[tuple[str, float], ...]
    late: tuple[str, ...]


def code_covariates(jobs: pd.DataFrame, outcome: str) -> Covariates:
    """Covariates of a regression: those of FACTORS in order, as far as there are ten ended waits for each column.

    Numbers are in the factor table's steps; one recorded on under 80 in 100 ventings is left out, another's missing
    values take its mean.
    """
    factors = {
        f.name: f
        for f in causes.load_factors()
        if outcome in f.adjust and f.name in FACTORS and f.name not in PLAIN
    }
    coded = causes.code_factors(jobs, list(factors.values()))
    frame = pd.DataFrame(index=jobs.index)
    spent, room = 0, int(np.isfinite(jobs["wait_high"]).sum()) // 10
    thin: list[tuple[str, float]] = []
    late: list[str] = []
    for name in FACTORS:
        if name in PLAIN:
            values, title = jobs[name].astype(object), name.replace("_", " ")
        elif name not in factors:
            continue
        else:
            found, title = coded[name], factors[name].title
            if found.numbers is None:
                values = pd.Series(
                    np.array([*found.levels, None], dtype=object)[found.codes], index=jobs.index
                )
            else:
                known = ~np.isnan(found.numbers)
                share = float(known.mean()) if known.size else 0.0
                if share < RECORDED_SHARE:
                    thin.append((title, share))
                    continue
                values = pd.Series(
                    np.where(known, found.numbers, found.numbers[known].mean()), index=jobs.index
                )
        cost = count_columns(values)
        if spent + cost > room:
            late.append(title)
            continue
        spent += cost
        frame[name] = values
    return Covariates(frame, coded, factors, tuple(thin), tuple(late))


def count_columns(values: pd.Series) -> int:
    """Coefficients that a covariate takes: one for a number, one less than its levels for a code."""
    return 1 if values.dtype != object else max(values.nunique(dropna=False) - 1, 0)


def fit_effects(jobs: pd.DataFrame, *, outcome: str, family: str, level: float) -> TimeEffects:
    """The adjusted ratios of a wait, every recorded circumstance taken in together.

    ``jobs``: a row a venting with wait_low and wait_high (and wait_from, wait_step where the start is known to a step only),
    engine_id and the columns of the factor table; ``outcome``: as the factor table names it; ``family``: whose share of the
    error budget the ratios draw on.
    """
    known = jobs[jobs["wait_low"].notna()].reset_index(drop=True)
    taken = code_covariates(known, outcome)
    design, factors = taken.frame, taken.factors
    references = {
        name: "no" for name in design.columns if name in factors and factors[name].reference == "no"
    }
    references |= {name: f.reference for name, f in factors.items() if name in design.columns and f.reference}
    low, high, step = read_waits(known)
    ended, n = int(np.isfinite(high).sum()), len(known)
    spent = sum(count_columns(design[name]) for name in design.columns)
    tier = evidence.tier(ventings=n, findings=ended, groups=[n, n], coefficients=max(spent, 1))
    too_few = not evidence.allows(tier, "model")
    if too_few:
        known, design = known.iloc[:0], design.iloc[:0]
        low, high, step = read_waits(known)
    covariates = waiting_times.build_design(design, references=references)
    fit = waiting_times.fit_aft(low, high, covariates, step=step, cluster=known["engine_id"], level=level)
    table = fit.time_ratios()
    table["outcome"] = outcome
    table["matters"] = [_matters(factors, f, outcome) for f in table["factor"]]
    naming, products = TimeNaming.nothing(), tuple[Factor, ...]()
    if fit.state == "estimated":
        products = tuple(
            f for f in causes.load_factors() if f.kind == "interaction" and outcome in f.outcomes
        )
        naming = name_circumstances(
            known, low, high, step, taken.coded, products, plain=PLAIN, recorded_share=RECORDED_SHARE,
            distribution=_best_symmetric(fit), family=family, level=level,
        )  # fmt: skip
    factors = {**factors, **{f.name: f for f in products}}
    naming.rows["matters"] = [_matters(factors, f, outcome) for f in naming.rows["factor"]]
    return TimeEffects(
        fit, table, naming, factors, low, high, step, design, taken.thin, taken.late, n, ended, too_few
    )


def _best_symmetric(fit: AftFit) -> str:
    """Whichever of log-normal and log-logistic describes the waits better; log-normal where neither was fitted."""
    tried = fit.tried[fit.tried["distribution"] != "Weibull"].sort_values("aic", kind="stable")
    return "log-normal" if tried.empty else str(tried["distribution"].iloc[0])


def _matters(factors: Mapping[str, Factor], name: str, outcome: str) -> float:
    return factors[name].matters(outcome) if name in factors else PLAIN_MATTERS
