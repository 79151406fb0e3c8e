"""One account of every failure: named causes and the unexplained, adding up.

Every finding (a lifter over the limit at its first check) and every failing venting is shared among named
causes and what is unexplained, by kind (air, leak-down); the shares add up to the counts. How:
:mod:`account_fit` (competing causes), :mod:`account_naming` (what is named), :mod:`account_shares` (shares,
avoidable counts, ranges).
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
import scipy
from scipy import special

from ventbook import distributions as stats
from ventbook.numerics import LOOKED_AT, Floats, Ints, find_places, is_among, thin_engines
from ventbook.physics import gauge as gauge_room
from ventbook.results import NotEnoughData
from ventbook.statistics.causes.account_controls import NONE, Controls, screen_controls
from ventbook.statistics.causes.account_fit import (
    Findings,
    fit_account,
    gather_failures,
    maximise_kind,
    spread_pseudo,
)
from ventbook.statistics.causes.account_naming import Columns, Named, Problem, Rounds
from ventbook.statistics.causes.account_shares import (
    DRAWS,
    FEWER_DRAWS,
    MANY_VENTINGS,
    Draw,
    GaugeReadings,
    draw_accounts,
    list_causes,
    list_cells,
    share_findings,
    split_intensity,
    tell_avoidable,
    tell_gauge_avoidable,
)
from ventbook.statistics.causes.account_tables import (
    ROUTINE,
    list_looked,
    list_shares,
    list_terms,
    list_unexplained,
    list_venting_shares,
)
from ventbook.statistics.causes.account_terms import (
    AIR,
    CIRCUMSTANCES,
    KINDS,
    LEAK,
    TIME,
    AccountTerm,
    VentingRows,
    code_rows,
    count_quarters,
    list_causes_factors,
    list_terms_of,
    name_quarter,
)
from ventbook.statistics.causes.blanks import test_blanks
from ventbook.statistics.causes.factors import Factor, add_lifter_columns, load_factors
from ventbook.statistics.causes.season import fold_waves, keep_swing, raise_waves
from ventbook.statistics.trends import GAUGE, OPEN, find_gauge_drifts, list_drift_biases, list_sound_gaps
from ventbook.tables import evidence
from ventbook.tables.gauges import ASSUMED, KIND_WORDS

SEED = 20261129
LEAST_BIAS_MM = 0.03
RESTS = 0.5  # findings that must rest on a gauge's bias before it is a cause
BIAS_COLUMNS = ("gauge_bias_mm", "gauge_bias_u_mm", "gauge_bias_kind")
BIAS_STEP_MM = 0.01  # a drifting bias is taken in such steps
GAUGE_COLUMNS = ("gauge", "from", "until", "bias", "uncertainty", "source")
GAUGE_TYPES: dict[Hashable, Any] = {
    "bias": float,
    "uncertainty": float,
    "from": "datetime64[us]",
    "until": "datetime64[us]",
}
MOVED_ALL = "something that moved all readings at"
FAMILY = "named_causes.circumstances"
BUDGET = {CIRCUMSTANCES: FAMILY, TIME: "named_causes.sites_over_time"}
VENTINGS_NEEDED = ("venting_id", "engine_id", "site")
LIFTERS_NEEDED = ("venting_id", "cylinder", "valve", "over_first")


@dataclass(frozen=True)
class Account:
    """What failed, and what of it came from what.

    ``state`` is "named", "nothing_named" or "too_few" (then ``note`` says how many more it takes). ``terms``:
    one row a named cause or hint (TERM_COLUMNS): ``rate`` the findings of one lifter that the cause adds
    where it stands, ``rate_ratio`` the rate where it stands over the rate without it at the same ventings;
    ``findings`` and ``ventings`` sums of its shares, ``avoidable`` the failing ventings that would have
    passed without it, each with the ends of an interval of ``level``; ``share`` of the failing ventings;
    ``rivals`` causes that these records can't tell it from; ``reason`` a clause that completes "this is a
    hint because" or says what can't be told. Hints have no shares: theirs stay in the unexplained.
    ``unexplained``: by kind and site, findings, ventings, base rate of a lifter. ``shares``: one row a
    finding, cause and kind; they add up to 1 a finding. ``venting_shares``: the same for failing ventings,
    with the probability that each would have been avoided. ``looked_at``: every circumstance, its p and why
    it is not named. ``gauges``: biases in force that count, with the ``findings`` that rest on each.
    ``cells``: site and quarter of every cell with a failing venting, in the order of the second axis of
    ``cell_draws`` (draws, cells, causes): each draw's failing ventings by cause, causes in the order of
    ``drawn_causes``. ``named_from``: how many of the ventings, of whole engines, the naming was made from. ``notes``: plain sentences on the whole. ``controls``: circumstances that can't act, screened
    beside; where too many come out nothing is named.
    """

    state: str
    ventings: int
    failing: int
    findings: int
    needed: int
    named_from: int
    level: float
    seed: int
    terms: pd.DataFrame
    unexplained: pd.DataFrame
    shares: pd.DataFrame
    venting_shares: pd.DataFrame
    looked_at: pd.DataFrame
    gauges: pd.DataFrame
    cells: pd.DataFrame
    cell_draws: Floats
    drawn_causes: tuple[str, ...]
    notes: tuple[str, ...]
    controls: Controls
    model: AccountModel


@dataclass(frozen=True)
class AccountModel:
    """What :func:`chance_for` needs: terms by kind and their rates, bases by site (the mean over the year), how far they
    swing along the cosine and the sine of the day of the year (as much of it as is told ahead), gauges' rates, and the draws (terms, rates, swings).
    """

    factors: tuple[Factor, ...]
    site_names: tuple[str, ...]
    terms: Mapping[str, tuple[AccountTerm, ...]]
    theta: Mapping[str, Floats]
    swing: Mapping[str, Floats]
    gauge_rates: Mapping[str, float]
    draws: tuple[tuple[dict[str, tuple[AccountTerm, ...]], dict[str, Floats], dict[str, Floats]], ...]
    last_quarter: int
    judged: float


@dataclass(frozen=True)
class Chance:
    """Chance that a venting has a lifter over the limit at the first check, with its interval, and each
    cause's share of it.
    """

    chance: float
    low: float
    high: float
    level: float
    shares: Mapping[str, float]


def explain_failures(
    ventings: pd.DataFrame,
    lifters: pd.DataFrame,
    *,
    gauges: pd.DataFrame | None = None,
    factors: Sequence[Factor] | None = None,
    level: float = 0.9,
    draws: int | None = None,
    seed: int = SEED,
) -> Account:
    """Which failures came from what.

    Parameters
    ----------
    ventings : DataFrame
        One row a venting (:func:`ventbook.read_ventings`): venting_id, engine_id, site; quarter and the
        columns of the factor table where there are any.
    lifters : DataFrame
        One row a lifter and venting (:func:`ventbook.read_lifters`): venting_id, cylinder, valve, over_first;
        gauge, limit_mm, gap_first_corrected_mm, gauge_u_mm and the likelihoods of air and leak-down where
        there are any.
    gauges : DataFrame, optional
        Biases in force: gauge, from, until (dates, empty: always), bias and its standard uncertainty (mm), source; rivals
        (what it can't be told from, "" where nothing) where there is such a column. Default: :func:`list_gauge_biases` of the
        ventings' lifters.
    factors : sequence of Factor, optional
        The factor table; default ``data/factors.toml``.
    level : float
        Confidence level of the intervals, 0.9 = 90 %.
    draws : int
        For the intervals; 0 leaves them out. Default DRAWS, over MANY_VENTINGS ventings FEWER_DRAWS: there an end is known
        to 16 % of its distance from the estimate (one standard error), with DRAWS to 10 %.
    seed : int
        Of the simulated fleets and the draws. The same tables give the same account, in whatever order their
        rows stand.

    Returns
    -------
    Account
        Named causes with their strength, and the share of each failing venting that is of each cause;
        :func:`sum_causes` adds them up. Over LOOKED_AT ventings names come from whole engines of about so many
        (:func:`ventbook.numerics.thin_engines`), rates, shares and ranges from all: where 1 in 10 fails, what explains 2 in 100 of the
        failing ventings, the least that is worth a name, lies 4 standard errors from nothing there.

    Raises
    ------
    ValueError
        Naming all missing columns at once, or for a level outside 0 to 1.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import causes
    >>> ventings, lifters = ventbook.read_ventings("data/demo/store"), ventbook.read_lifters("data/demo/store")
    >>> account = causes.explain_failures(ventings, lifters, draws=0)
    >>> sums = causes.sum_causes(account)
    >>> bool(abs(sums["ventings"].sum() - sums["failing"].iloc[0]) < 1e-6)
    True
    """
    if not 0.0 < level < 1.0:
        raise ValueError(f"level must be between 0 and 1; got {level!r}")
    chosen = list_causes_factors(load_factors() if factors is None else tuple(factors))
    gauges = take_gauges(ventings, lifters, gauges)
    posed = pose_question(ventings, lifters, gauges=gauges, factors=chosen, seed=seed)
    some = thin_engines(posed.jobs, most=LOOKED_AT)
    if len(some) == len(posed.jobs):
        named, controls = _name(posed)
    else:
        few = pose_question(some, lifters, gauges=gauges, factors=chosen, seed=seed)
        named, controls = _name(few)
        named = named.carry_over(posed.problem) if named else None
    if draws is None:
        draws = DRAWS if len(posed.jobs) <= MANY_VENTINGS else FEWER_DRAWS
    return _put_together(
        posed, named, level=level, draws=draws, controls=controls, factors=chosen, named_from=len(some)
    )


def _name(posed: Posed) -> tuple[Named | None, Controls]:
    """What is named, and the circumstances that can't act; nothing where nothing failed."""
    problem = posed.problem
    if not len(problem.failures.row):
        return None, NONE
    columns = Columns(problem.rows)
    if not posed.needed:
        columns.add(list_terms_of(problem.rows))
    shares = naming_shares()
    named = Rounds(problem, columns, shares).name()
    controls = NONE if posed.needed else screen_controls(problem, named, posed.jobs)
    if controls.too_often and named.chosen:
        nothing = {family: (0.0, hint) for family, (_, hint) in shares.items()}
        named = Rounds(problem, columns, nothing).name()
    return named, controls


def naming_shares() -> dict[str, tuple[float, float]]:
    """Shares of the error budget of each family of terms: of names, and of names and hints together."""
    budget = evidence.load_budget()
    return {family: (budget.share(name), budget.hint_share(name)) for family, name in BUDGET.items()}


@dataclass(frozen=True)
class Posed:
    """What the naming starts from: the problem, its ventings with the columns of their lifters (``jobs``), lifters over the
    limit, what rests on gauges, how many more ventings it takes, and whether records are fuller where failing.
    """

    problem: Problem
    jobs: pd.DataFrame
    over: pd.DataFrame
    readings: GaugeReadings
    gauges: pd.DataFrame
    read_with: Mapping[str, int]
    needed: int
    fuller: bool


def pose_question(
    ventings: pd.DataFrame,
    lifters: pd.DataFrame,
    *,
    gauges: pd.DataFrame,
    factors: Sequence[Factor],
    seed: int = SEED,
) -> Posed:
    """Reads the tables of :func:`explain_failures` for the naming; ``factors`` may all be causes."""
    _check_columns(ventings, VENTINGS_NEEDED, "ventings")
    _check_columns(lifters, LIFTERS_NEEDED, "lifters")
    known = lifters["over_first"].notna() & is_among(lifters["venting_id"], ventings["venting_id"])
    lifters = lifters[known].sort_values(
        ["venting_id", "cylinder", "valve"], kind="stable", ignore_index=True
    )
    ventings = ventings[is_among(ventings["venting_id"], lifters["venting_id"])]
    ventings = ventings.sort_values("venting_id", kind="stable", ignore_index=True)
    _check_columns(gauges, GAUGE_COLUMNS, "gauges")
    jobs = add_lifter_columns(ventings, lifters)
    place = find_places(lifters["venting_id"], ventings["venting_id"])
    over = lifters["over_first"].astype(bool).to_numpy()
    rows = _read_rows(jobs, factors, np.bincount(place, minlength=len(ventings)).astype(np.float64))
    readings, weight, gauges = _weigh_gauges(lifters, over, gauges)
    air, leak = _read_likelihoods(lifters[over])
    findings = Findings(place[over].astype(np.int64), air, leak, weight)
    failures = gather_failures(findings)
    doubtful, fuller = _ask_blanks(jobs, rows, failures.row, place, over, factors)
    site = np.eye(len(rows.site_names))[rows.site_code]
    waves = raise_waves(jobs["date"]) if "date" in jobs else np.zeros((len(rows), 0))
    problem = Problem(
        rows, findings, failures, np.ones(len(rows)), site, findings.told, seed, doubtful, waves
    )
    problem = replace(problem, h=_fit_blanks(problem))
    read_with = (
        {str(g): int(n) for g, n in lifters["gauge"].value_counts().items()} if "gauge" in lifters else {}
    )
    needed = _count_needed(len(rows), len(failures.row))
    return Posed(problem, jobs, lifters[over], readings, gauges, read_with, needed, fuller)


def take_gauges(ventings: pd.DataFrame, lifters: pd.DataFrame, gauges: pd.DataFrame | None) -> pd.DataFrame:
    """The biases handed in, or else those that the lifters of these ventings tell."""
    if gauges is not None:
        return gauges
    _check_columns(ventings, VENTINGS_NEEDED, "ventings")
    _check_columns(lifters, LIFTERS_NEEDED, "lifters")
    return list_gauge_biases(lifters[is_among(lifters["venting_id"], ventings["venting_id"])])


def list_gauge_biases(lifters: pd.DataFrame) -> pd.DataFrame:
    """Biases of the gauges as they stand, in the form that :func:`explain_failures` takes (GAUGE_COLUMNS, rivals), from judged
    lifters.

    A gauge whose bias is known (gauge_bias_mm, gauge_bias_u_mm and gauge_bias_kind of the lifter table) has that one, for
    the days on which it was read with it; one that moved against its own past, and not plainly with its site, the shift from
    the period on in which it did (:func:`ventbook.statistics.trends.find_gauge_drifts`, where ``lifters`` have quarters); any other one
    the difference of its ventings' middle readings from other gauges' at the same sites and engine types
    (:func:`ventbook.physics.gauge.compare_routine_readings`), on every day.
    """
    if "over_first" in lifters.columns:
        lifters = lifters[lifters["over_first"].notna().to_numpy(bool)]
    known = _list_known(lifters)
    moved, doubts = _list_drifts(lifters, known)
    out: list[tuple[object, ...]] = []
    done = {*known["gauge"], *moved["gauge"]}
    gap = "gap_first_mm" if "gap_first_mm" in lifters.columns else "gap_first_corrected_mm"
    needed = ("gauge", "engine_id", "site", gap)
    if all(name in lifters.columns for name in needed) and lifters["gauge"].notna().any():
        strata = ("engine_type", "site") if "engine_type" in lifters.columns else ("site",)
        found = gauge_room.compare_routine_readings(lifters, gap=gap, strata=strata)
        apart = found["note"].str.contains("can't be told")
        records: list[dict[Any, Any]] = found[(found["state"] == "estimated") & ~apart].to_dict("records")
        for row in records:
            if row["gauge"] in done:
                continue
            # the standard uncertainty that gives the comparison's own p, degrees of freedom included
            z, shift = stats.norm.isf(max(row["p"], 1e-300) / 2), row["difference_mm"]
            u = abs(shift) / z if z > 0 else (row["high"] - row["low"]) / 3.92
            out.append((row["gauge"], pd.NaT, pd.NaT, shift, u, ROUTINE))
    compared = pd.DataFrame(out, columns=list(GAUGE_COLUMNS)).astype(GAUGE_TYPES)
    table = pd.concat([known, moved, compared], ignore_index=True)
    return table.assign(rivals=[doubts.get(name, "") for name in table["gauge"]])


def _list_known(lifters: pd.DataFrame) -> pd.DataFrame:
    """Biases that the register or a study gave the readings, by gauge and days, in the same form."""
    out: list[tuple[object, ...]] = []
    if {"gauge", *BIAS_COLUMNS} <= set(lifters.columns):
        known = lifters[lifters["gauge"].notna() & lifters["gauge_bias_kind"].ne(ASSUMED)]
        step = (known["gauge_bias_mm"] / BIAS_STEP_MM).round()
        for (name, kind, _), own in known.groupby(["gauge", "gauge_bias_kind", step], observed=True):
            days = own["date"] if "date" in own else pd.Series(pd.NaT, own.index)
            end = days.max() + pd.Timedelta(days=1)
            values = (float(own[column].mean()) for column in BIAS_COLUMNS[:2])
            out.append((str(name), days.min(), end, *values, KIND_WORDS[str(kind)]))
    return pd.DataFrame(out, columns=list(GAUGE_COLUMNS)).astype(GAUGE_TYPES)


def _list_drifts(lifters: pd.DataFrame, studied: pd.DataFrame) -> tuple[pd.DataFrame, dict[str, str]]:
    """Drifts of gauges without a study that may be the gauge's, by quarter; by gauge what some can't be told from."""
    needed = {"gauge", "engine_id", "engine_type", "site", "quarter", "gap_first_mm"}
    if not needed <= set(lifters.columns) or not lifters["gauge"].notna().any():
        return pd.DataFrame(columns=list(GAUGE_COLUMNS)).astype(GAUGE_TYPES), {}
    drifts = find_gauge_drifts(list_sound_gaps(lifters), biases=studied)
    own = [drift for drift in drifts if drift.gauge not in set(studied["gauge"])]
    quarters = lifters["quarter"].dropna().unique()
    starts = {str(label): pd.Period(str(label), "Q").start_time for label in quarters}
    doubts = {d.gauge: f"{MOVED_ALL} {' and '.join(d.sites)}" for d in own if d.verdict == OPEN}
    return list_drift_biases(own, starts, verdicts=(GAUGE, OPEN)), doubts


def _check_columns(frame: pd.DataFrame, needed: Sequence[str], name: str) -> None:
    missing = [column for column in needed if column not in frame.columns]
    if missing:
        raise ValueError(f"{name} lacks the columns {', '.join(missing)}")


def _count_needed(ventings: int, failing: int) -> int:
    """How many more ventings it takes before anything is named; 0 where there are enough."""
    least = evidence.need("account")
    more = max(int(least["ventings"]) - ventings, 0)
    if failing < least["failing"]:
        rate = (failing + 0.5) / (ventings + 1)
        more = max(more, math.ceil((least["failing"] - failing) / rate))
    return more


def _read_rows(jobs: pd.DataFrame, factors: Sequence[Factor], judged: Floats) -> VentingRows:
    engine, _ = pd.factorize(jobs["engine_id"], sort=True)
    site = jobs["site"].astype("object").where(jobs["site"].notna(), "").astype(str).to_numpy(dtype=object)
    names = tuple(sorted(set(site.tolist())))
    code = np.searchsorted(np.array(names), site.astype(str)) if len(site) else np.zeros(0, dtype=np.int64)
    quarter = count_quarters(jobs["quarter"]) if "quarter" in jobs else np.full(len(jobs), -1)
    return VentingRows(
        venting=jobs["venting_id"].to_numpy(dtype=object),
        engine=engine.astype(np.int64),
        site=site,
        site_names=names,
        site_code=code.astype(np.int64),
        quarter=quarter,
        judged=judged,
        coded=code_rows(jobs, factors),
        factors={f.name: f for f in factors},
    )


def _read_likelihoods(findings: pd.DataFrame) -> tuple[Floats, Floats]:
    """Likelihoods of air and leak-down of each finding, adding up to 1; a half each where the readings say
    nothing.
    """
    if not {"air_likelihood", "leak_down_likelihood"} <= set(findings.columns):
        return np.full(len(findings), 0.5), np.full(len(findings), 0.5)
    air, leak = (findings[f"{kind}_likelihood"].to_numpy(np.float64, na_value=np.nan) for kind in KINDS)
    total = air + leak
    known = np.isfinite(total) & (total > 0)
    air = np.where(known, air / np.where(known, total, 1.0), 0.5)
    return air, 1.0 - air


def _weigh_gauges(
    lifters: pd.DataFrame, over: np.ndarray, gauges: pd.DataFrame
) -> tuple[GaugeReadings, Floats, pd.DataFrame]:
    """Readings of the findings (``lifters[over]``) against the biases in force, each one's probability to rest on its gauge,
    and the biases that count, with the findings that rest on each.

    A bias counts from .03 mm on, where the chance by luck alone of its gauge's plainest one (one-sided, over all
    rows) is within gauges' share of the error budget: of a gauge that drifts the first quarters count as well. A true gap is
    as likely beforehand as readings without a bias in force say; where they are too few, any is.
    """
    table = gauges.reset_index(drop=True)
    if "rivals" not in table:
        table = table.assign(rivals="")
    share = evidence.load_budget().share(gauge_room.FAMILY)
    z = table["bias"].to_numpy(np.float64) / np.maximum(table["uncertainty"].to_numpy(np.float64), 1e-9)
    table = table.assign(p_any=np.minimum(special.ndtr(-z) * max(len(table), 1), 1.0))
    table["p_any"] = table.groupby("gauge")["p_any"].transform("min")
    table = table[(table["bias"] >= LEAST_BIAS_MM) & (table["p_any"] <= share)].reset_index(drop=True)
    names = tuple(dict.fromkeys(table["gauge"].astype(str)))
    n = len(lifters)
    which, spread = np.full(n, -1), None
    limit, reading, bias, u_bias = np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n)
    u = _numbers(lifters, "gauge_u_mm", gauge_room.ASSUMED_U_MM)
    gap = "gap_first_corrected_mm" if "gap_first_corrected_mm" in lifters.columns else "gap_first_mm"
    if len(table) and {"gauge", "limit_mm", gap} <= set(lifters.columns):
        limit, reading = _numbers(lifters, "limit_mm", np.nan), _numbers(lifters, gap, np.nan)
        day = lifters["date"] if "date" in lifters.columns else pd.Series(pd.NaT, index=lifters.index)
        for row in table.to_dict("records"):
            on = lifters["gauge"].eq(row["gauge"]).fillna(False).to_numpy(bool) & np.isfinite(limit - reading)
            if pd.notna(row["from"]):
                on &= (day >= row["from"]).fillna(False).to_numpy(bool)
            if pd.notna(row["until"]):
                on &= (day < row["until"]).fillna(False).to_numpy(bool)
            which[on] = names.index(str(row["gauge"]))
            bias[on], u_bias[on] = row["bias"], row["uncertainty"]
        if (which[over] >= 0).any():
            steady = which < 0
            step = gauge_room.reading_step(
                lifters["gap_first_mm" if "gap_first_mm" in lifters.columns else gap]
            )
            with suppress(NotEnoughData):
                spread = gauge_room.deconvolve_gaps(reading[steady], u=u[steady], step=step)
    which = which[over].astype(np.int64)
    readings = GaugeReadings(
        which, limit[over], reading[over], bias[over], u_bias[over], u[over], names, spread
    )
    weight = readings.expect_resting()
    resting = np.bincount(which[which >= 0], weights=weight[which >= 0], minlength=len(names))
    table["findings"] = [float(resting[names.index(str(name))]) for name in table["gauge"]]
    # a gauge is a cause only by the findings that rest on it
    kept = [number for number in range(len(names)) if resting[number] >= RESTS]
    renumber = np.full(len(names) + 1, -1)
    renumber[kept] = np.arange(len(kept))
    which = renumber[which]
    weight = np.where(which >= 0, weight, 0.0)
    names = tuple(names[number] for number in kept)
    return replace(readings, gauge=which.astype(np.int64), names=names), weight, table


def _numbers(frame: pd.DataFrame, name: str, otherwise: float) -> Floats:
    if name not in frame.columns:
        return np.full(len(frame), otherwise)
    values = frame[name].to_numpy(np.float64, na_value=np.nan)
    return np.where(np.isfinite(values), values, otherwise)


def _ask_blanks(
    jobs: pd.DataFrame,
    rows: VentingRows,
    failing: Ints,
    place: Ints,
    over: np.ndarray,
    factors: Sequence[Factor],
) -> tuple[frozenset[str], bool]:
    """Factors that blanks make hints at most, and whether the whole sheet is fuller where a lifter was over
    the limit.
    """
    if not len(failing):
        return frozenset(), False
    counted = jobs.assign(
        lifters_judged_first=rows.judged,
        lifters_over_first=np.bincount(place[over], minlength=len(jobs)).astype(np.float64),
    )
    simple = [f for f in factors if f.kind != "interaction"]
    blanks = test_blanks(counted, factors=simple)
    fewer = {name for name, z in blanks.related.items() if z < 0}
    fuller = blanks.fuller
    if fuller:
        fewer |= {name for name, coded in rows.coded.items() if not coded.known.all()}
    return frozenset(fewer), bool(fuller)


def _fit_blanks(problem: Problem) -> Floats:
    """h: exp(gamma c), c the share of blank cells less its mean, gamma fitted beside the sites' bases and the time of
    year; 1 where nothing is blank.
    """
    rows, failures = problem.rows, problem.failures
    cells = [~c.known for c in rows.coded.values() if c.known.any()]
    flat = np.ones(len(rows))
    if not cells or not len(failures.row):
        return flat
    share = np.mean(cells, axis=0)
    centred = share - share.mean()
    if np.ptp(centred) <= 0:
        return flat
    ground = problem.designs(Columns(rows), ())[AIR]
    base = problem.fit(Columns(rows), ())
    present = base.present(AIR, failures)

    def short(gamma: float) -> float:
        design = replace(ground, scale=rows.judged * np.exp(gamma * centred))
        scaled = design.x * design.scale[:, None]
        pseudo, sound = spread_pseudo(design)
        exposure = scaled.sum(axis=0) + sound
        own = scaled[failures.row]
        theta = maximise_kind(own, present, exposure, pseudo, base.kinds[AIR].theta, bases=design.bases)
        level = np.maximum(own @ theta, 1e-300)
        gain = float(present @ np.log(-np.expm1(-level))) - float(exposure @ theta) + float(present @ level)
        # a weak pull to nothing (standard deviation 3): a share of blanks runs from 0 to 1
        return -gain - float(pseudo[: design.bases] @ np.log(theta[: design.bases])) + gamma**2 / 18

    found = scipy.optimize.minimize_scalar(
        short, bounds=(-12.0, 12.0), method="bounded", options={"xatol": 1e-3}
    )
    return np.exp(float(found.x) * centred)


def _put_together(
    posed: Posed,
    named: Named | None,
    *,
    level: float,
    draws: int,
    controls: Controls,
    factors: Sequence[Factor],
    named_from: int,
) -> Account:
    problem, readings, gauges = posed.problem, posed.readings, posed.gauges
    rows, failures, findings = problem.rows, problem.failures, problem.findings
    columns = named.columns if named else Columns(rows)
    chosen = named.chosen if named else ()
    causes = list_causes(columns, chosen)
    designs = problem.designs(columns, chosen)
    fit = named.fit if named else fit_account(designs, failures, told=problem.told)
    owner = {
        kind: [causes.index(columns.terms[i].cause) for i in chosen if columns.terms[i].kind == kind]
        for kind in KINDS
    }
    theta = {kind: fit.kinds[kind].theta for kind in KINDS}
    rates, swing = _fold(problem, theta)
    bases = {AIR: problem.site.shape[1], LEAK: 1}
    parts = split_intensity(designs, theta, owner, failures, problem.h, len(causes))
    weights = share_findings(findings, failures, fit.patterns, parts)
    names = [*causes, *(f"gauge {name}" for name in readings.names)]
    passed = np.hstack(
        [
            tell_avoidable(findings, failures, fit.patterns, parts),
            tell_gauge_avoidable(findings, failures, readings),
        ]
    )
    drawn: list[Draw] = []
    if draws and named is not None and names:
        rng = np.random.default_rng([problem.seed, 7])
        drawn = draw_accounts(problem, named, readings, draws=draws, rng=rng)
    shares = list_shares(weights, readings, posed.over, causes)
    venting_shares = list_venting_shares(shares, names, passed, failures.row, rows)
    terms = list_terms(problem, named, readings, gauges, shares, venting_shares, drawn, level, factors)
    state = (
        "too_few" if posed.needed else "named" if (terms["standing"] == "named").any() else "nothing_named"
    )
    unexplained = list_unexplained(problem, rates, shares, venting_shares)
    failing = unexplained.groupby("kind")["ventings"].sum()
    kept = {
        k: keep_swing(swing[k], bases=rates[k][: bases[k]], failing=float(failing.get(k, 0.0))) for k in KINDS
    }
    notes = _say_notes(problem, posed.needed, posed.fuller, controls)
    model = AccountModel(
        factors=tuple(f for f in factors),
        site_names=rows.site_names,
        terms={k: tuple(columns.terms[i] for i in chosen if columns.terms[i].kind == k) for k in KINDS},
        theta=rates,
        swing={k: kept[k] * swing[k] for k in KINDS},
        gauge_rates=_rate_gauges(readings, findings, failures.first, posed.read_with),
        draws=tuple(_draw_model(problem, columns, d, kept) for d in drawn),
        last_quarter=int(rows.quarter.max()) if len(rows) else -1,
        judged=float(np.median(rows.judged)) if len(rows) else 8.0,
    )
    return Account(
        state=state,
        ventings=len(rows),
        failing=len(failures.row),
        findings=len(findings.row),
        needed=posed.needed,
        named_from=named_from,
        level=level,
        seed=problem.seed,
        terms=terms,
        unexplained=unexplained,
        shares=shares,
        venting_shares=venting_shares,
        looked_at=list_looked(problem, named),
        gauges=gauges,
        cells=_name_cells(problem),
        cell_draws=np.array([d.cells for d in drawn]) if drawn else np.zeros((0, 0, 0)),
        drawn_causes=tuple(names) if drawn else (),
        notes=notes,
        controls=controls,
        model=model,
    )


def _fold(problem: Problem, theta: Mapping[str, Floats]) -> tuple[dict[str, Floats], dict[str, Floats]]:
    """By kind the rates without the waves' columns, and the swing along the year."""
    bases = {AIR: problem.site.shape[1], LEAK: 1}
    folded = {kind: fold_waves(theta[kind], bases[kind], problem.waves.shape[1]) for kind in KINDS}
    return {kind: rates for kind, (rates, _) in folded.items()}, {
        kind: of for kind, (_, of) in folded.items()
    }


def _draw_model(
    problem: Problem, columns: Columns, drawn: Draw, kept: Mapping[str, float]
) -> tuple[dict[str, tuple[AccountTerm, ...]], dict[str, Floats], dict[str, Floats]]:
    """One draw as a forecast reads it: terms, rates and swings by kind."""
    rates, swing = _fold(problem, drawn.theta)
    terms = {kind: tuple(columns.terms[i] for i in drawn.terms[kind]) for kind in KINDS}
    return terms, rates, {kind: kept[kind] * swing[kind] for kind in KINDS}


def _name_cells(problem: Problem) -> pd.DataFrame:
    cells, _ = list_cells(problem)
    return pd.DataFrame(
        {
            "site": [problem.rows.site_names[site] for site, _ in cells],
            "quarter": [name_quarter(int(q)) if q >= 0 else "" for _, q in cells],
        },
        dtype=object,
    )


def _rate_gauges(
    readings: GaugeReadings, findings: Findings, first: Ints, read_with: Mapping[str, int]
) -> dict[str, float]:
    """Failures by each gauge's bias alone, a lifter read with it."""
    out = {}
    for number, name in enumerate(readings.names):
        alone = np.where(readings.gauge == number, findings.gauge, 0.0)
        failed = float(np.maximum.reduceat(alone, first).sum()) if len(first) else 0.0
        out[name] = failed / max(read_with.get(name, 0), 1)
    return out


def _say_notes(problem: Problem, needed: int, fuller: bool, controls: Controls) -> tuple[str, ...]:
    notes = []
    if needed:
        notes.append(f"too few ventings to name a cause: about {needed} more with a known result are needed")
    if fuller:
        notes.append("records are fuller on failing ventings: what rests on them is a hint at most")
    if controls.too_often:
        notes.append(
            "these records make false causes: circumstances that can't act on an engine go with failing more than chance lets them"
            + (f" ({', '.join(controls.out)})" if controls.out else "")
            + "; so nothing is named, and what stands out is a hint at most"
        )
    if not problem.told and len(problem.failures.row):
        notes.append("the readings tell too few findings' kind: all are taken as air")
    return tuple(notes)
