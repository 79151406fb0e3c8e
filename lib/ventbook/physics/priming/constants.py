"""The formula's constants, as the counts of a fleet give them: at engine-type level, shrunk to the usual values.

Five constants an engine type: the pump's efficiency on air and on oil, what passes a pump that is not sealed, the share of
engines whose pump isn't, and the oil that slips back. Whether one engine's pump is sealed is not on record: all its jobs are
either drawn by the formula without let-through or by the one with it. Every constant is usual value, plus what the fleet differs by, plus what the
type differs by, each normal with the spread of ``data/priming.toml``; the mode of all together and its curvature are the answer, so a constant that
the counts don't speak of keeps its usual value and spread.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
import scipy
from scipy.special import expit, log_expit, logit, ndtr

from ventbook.numerics import Floats, factorize, read_numbers, sum_by_cluster, thin_engines
from ventbook.physics.oil import GRAVITY
from ventbook.physics.priming.formula import (
    PASCAL_PER_BAR,
    Course,
    let_through_per_s_bar,
    line_drop_bar,
    line_volume_cm3,
    run_course,
    slip_Pa,
)
from ventbook.physics.priming.inputs import BIT, READ, Inputs, read_inputs
from ventbook.tables import EngineTypeValues, engine_type_values
from ventbook.tables.priming import load_priming_rules, load_priming_terms, load_scatter_terms

AIR, OIL, THROUGH, OPEN, SLIP = range(5)
"""Places of the constants: log efficiency on air, on oil, log let-through, log odds of not sealed, log slip."""
NAMES = ("air_efficiency", "oil_efficiency", "let_through", "unsealed", "slip")
NONE = -60.0
"""Logarithm that stands for nought where a term is left out."""
_STEP = 1e-4
_COUNTED = ("venting_id", "engine_id", "rotations_low", "rotations_high", *READ)


@dataclass(frozen=True)
class Rows:
    """What each venting's expectation hangs on beside the constants, as arrays; ``drop_bar`` at an efficiency on air of 1."""

    air_cm3: Floats
    fill_cm3: Floats
    displacement_cm3: Floats
    ambient_bar: Floats
    push_bar: Floats
    drop_bar: Floats
    turns_per_s: Floats
    viscosity_Pa_s: Floats
    standing_s: Floats
    tank_bar: Floats
    wetted: Floats
    floor_bar: Floats

    def take(self, rows: npt.NDArray[np.intp]) -> Rows:
        """Only these rows."""
        return Rows(**{name: getattr(self, name)[rows] for name in self.__dataclass_fields__})

    @property
    def pressed(self) -> Floats:
        """1 where the tank is pressurised."""
        return (self.tank_bar > 0).astype(float)

    def passing(self) -> Floats:
        """Share of an unsealed pump's let-through that is there: all of it, or what is left where the pump holds oil."""
        return np.where(self.wetted == 1, load_priming_rules().wetted_through, 1.0)

    def chance_dry(self, usual: float) -> Floats:
        """Chance that an unsealed pump shows it: 1 where the record says of the pump whether it holds oil, ``usual`` where it doesn't."""
        return np.where(np.isnan(self.wetted), usual, 1.0)

    def without_tank(self) -> Rows:
        """The same jobs with nothing put on the tank."""
        none = np.zeros_like(self.tank_bar)
        return replace(self, push_bar=self.push_bar - self.tank_bar, tank_bar=none, standing_s=none)

    def thin(self) -> Floats:
        """How thin the oil is: 0 from the thickness of the rules on, 1 at two thirds of it and under."""
        thick = load_priming_rules().thick_Pa_s
        return np.clip(np.log(thick / self.viscosity_Pa_s) / np.log(1.5), 0.0, 1.0)

    def run(self, theta: Floats, *, sealed: bool) -> Course:
        """The course of each row under its constants ``theta`` (n, 5); sealed, or with let-through where the pump isn't wetted."""
        air = np.exp(theta[:, AIR])
        return run_course(
            air_cm3=self.air_cm3,
            fill_cm3=self.fill_cm3,
            displacement_cm3=self.displacement_cm3,
            ambient_bar=self.ambient_bar,
            push_bar=self.push_bar,
            drop_bar=self.drop_bar * air,
            turns_per_s=self.turns_per_s,
            viscosity_Pa_s=self.viscosity_Pa_s,
            standing_s=self.standing_s,
            air_efficiency=air,
            oil_efficiency=np.exp(theta[:, OIL]),
            let_through=np.zeros(len(air)) if sealed else self.passing() * np.exp(theta[:, THROUGH]),
            slip=np.exp(theta[:, SLIP]),
            least_inlet_bar=self.floor_bar,
        )


def lay_out(inputs: Inputs) -> Rows:
    """The rows of :func:`read_inputs` as the formula takes them."""
    v = inputs.value
    line = line_volume_cm3(v["suction_line_length_m"], v["suction_line_bore_mm"])
    tank = v["tank_overpressure_bar"]
    turns = v["turning_speed_rpm"] / 60.0
    return Rows(
        air_cm3=v["lines_empty"] * line + v["cooler_empty"] * v["cooler_volume_L"] * 1e3,
        fill_cm3=v["gallery_volume_cm3"] + v["filter_new"] * v["filter_volume_L"] * 1e3,
        displacement_cm3=v["pump_displacement_cm3"],
        ambient_bar=v["ambient_bar"],
        push_bar=tank + v["density_kg_per_m3"] * GRAVITY * v["tank_head_m"] / PASCAL_PER_BAR,
        drop_bar=line_drop_bar(
            v["viscosity_Pa_s"],
            v["suction_line_length_m"],
            v["pump_displacement_cm3"] * turns,
            v["suction_line_bore_mm"],
        ),
        turns_per_s=turns,
        viscosity_Pa_s=v["viscosity_Pa_s"],
        standing_s=np.where(tank > 0, v["pressurised_before_turning_s"], 0.0),
        tank_bar=tank,
        wetted=v["pump_wetted"],
        floor_bar=np.maximum(v["suction_floor_bar"], 0.05),
    )


def usual_theta(usual: EngineTypeValues) -> tuple[Floats, Floats]:
    """Usual values of the five constants (logarithms, log odds) of an engine type, and their spreads."""
    terms = load_priming_terms()
    clearance = usual["pump_clearance_um"], usual["pump_leak_ratio"], usual["pump_displacement_cm3"]
    relative = {
        name: usual.u(name) / usual[name]
        for name in (
            "air_efficiency",
            "oil_efficiency",
            "gallery_volume_cm3",
            "pump_clearance_um",
            "pump_leak_ratio",
        )
    }
    middle = np.array(
        [
            np.log(usual["air_efficiency"]),
            np.log(usual["oil_efficiency"]),
            np.log(let_through_per_s_bar(*clearance)),
            logit(terms[OPEN].usual),
            np.log(slip_Pa(*clearance, usual["back_pressure_bar"])),
        ]
    )
    given = [
        relative["air_efficiency"],
        np.hypot(
            relative["oil_efficiency"], relative["gallery_volume_cm3"]
        ),  # counts tell only the two together
        np.hypot(3.0 * relative["pump_clearance_um"], relative["pump_leak_ratio"]),
        0.0,
        0.0,
    ]
    return middle, np.array([term.spread or own for term, own in zip(terms, given, strict=True)])


@dataclass(frozen=True)
class Constants:
    """Constants of each engine type: ``theta`` (types, 5) with ``covariance`` (types, 5, 5), logarithms and log odds as NAMES.

    ``shift`` and ``shift_covariance`` are what the fleet differs from the usual values by: for types without records. ``scatter`` (4,) are
    the coefficients of the log scatter, ``ventings`` and ``engines`` what stands behind each type. ``by_engine`` is each engine's log evidence
    of a pump that is not sealed, ``by_venting`` each venting's part of it. ``dry`` is the share of ventings whose pump held no oil, of
    those that say. ``state``: estimated, or too_few, where all are the usual values.
    """

    types: tuple[str, ...] = ()
    theta: Floats = field(default_factory=lambda: np.zeros((0, 5)))
    covariance: Floats = field(default_factory=lambda: np.zeros((0, 5, 5)))
    shift: Floats = field(default_factory=lambda: np.zeros(5))
    shift_covariance: Floats | None = None
    scatter: Floats = field(default_factory=lambda: np.array([term.value for term in load_scatter_terms()]))
    ventings: tuple[int, ...] = ()
    engines: tuple[int, ...] = ()
    by_engine: pd.Series = field(default_factory=lambda: pd.Series(dtype=float))
    by_venting: pd.Series = field(default_factory=lambda: pd.Series(dtype=float))
    dry: float = 1.0
    state: str = "too_few"
    log_likelihood: float = float("nan")

    def of_types(self, types: list[EngineTypeValues]) -> tuple[Floats, Floats]:
        """Constants and covariance of each of ``types``: its own where it has records, else usual value and the fleet's shift."""
        theta, covariance = np.empty((len(types), 5)), np.empty((len(types), 5, 5))
        between = np.array([term.between for term in load_priming_terms()])
        for k, usual in enumerate(types):
            if usual.name in self.types:
                place = self.types.index(usual.name)
                theta[k], covariance[k] = self.theta[place], self.covariance[place]
                continue
            middle, spread = usual_theta(usual)
            theta[k] = middle + self.shift
            shifted = np.diag(spread**2) if self.shift_covariance is None else self.shift_covariance
            covariance[k] = shifted + np.diag(between**2)
        return theta, covariance

    def open_log_odds(self, theta: Floats, covariance: Floats) -> Floats:
        """Log odds that a pump of each type is not sealed, averaged over what is not known of them."""
        flat = 1.0 + np.pi / 8.0 * covariance[:, OPEN, OPEN]
        return np.where(theta[:, OPEN] <= NONE / 2, NONE, theta[:, OPEN] / np.sqrt(flat))


def scatter_parts(
    rows: Rows, course: Course, scatter: Floats, *, sealed: bool
) -> tuple[Floats, Floats, Floats]:
    """Variance of the log of one venting's suction side, of its pressure side, and of what engines differ by in let-through.

    The log of the two sides' standard deviations is scatter[1] + scatter[2] pressurised and scatter[0] + scatter[3] thin oil.
    """
    suction = np.exp(2.0 * (scatter[1] + scatter[2] * rows.pressed))
    side = np.exp(2.0 * (scatter[0] + scatter[3] * rows.thin()))
    if sealed:
        return suction, side, np.zeros_like(side)
    share = course.suction / (course.suction + course.side)
    slope = share * (course.by_leak - course.gone)
    return suction, side, (load_priming_rules().engine_through * slope) ** 2


def add_scatter(share: Floats, suction: Floats, side: Floats, extra: Floats) -> Floats:
    """Variance of the log of one venting's count: each side's by its share of the rotations, and the least there is in counting."""
    return load_priming_rules().least_scatter ** 2 + share**2 * suction + (1.0 - share) ** 2 * side + extra


@dataclass(frozen=True)
class _Problem:
    """What the constants are sought from. ``held`` (5,) constants keep the values of ``full`` (types, 5); ``away``: left out of the formula."""

    rows: Rows
    low: Floats
    high: Floats
    kind: npt.NDArray[np.int64]
    engine: npt.NDArray[np.int64]
    kind_of_engine: npt.NDArray[np.int64]
    usual: Floats
    spread: Floats
    extra: Floats
    dry: Floats
    held: npt.NDArray[np.bool_]
    away: npt.NDArray[np.bool_]
    full: Floats

    def theta(self, flat: Floats) -> Floats:
        """The constants (types, 5) at a point of the search, those that are held in their place."""
        return np.where(self.held, self.full, flat[: self.full.size].reshape(self.full.shape))


def _weigh_interval(
    low: Floats, high: Floats, mean: Floats, sigma: Floats, share: float
) -> tuple[Floats, Floats, Floats]:
    """``share`` times the normal probability of (low, high], and its derivatives by mean and log sigma."""
    a, b = (low - mean) / sigma, (high - mean) / sigma
    upper = a > 0  # work in the tail that keeps digits
    p = np.where(upper, ndtr(-a) - ndtr(-b), ndtr(b) - ndtr(a))
    bell = share / np.sqrt(2.0 * np.pi)
    fa = np.where(np.isfinite(a), np.exp(-0.5 * np.where(np.isfinite(a), a, 0.0) ** 2), 0.0) * bell
    fb = np.where(np.isfinite(b), np.exp(-0.5 * np.where(np.isfinite(b), b, 0.0) ** 2), 0.0) * bell
    a, b = np.where(np.isfinite(a), a, 0.0), np.where(np.isfinite(b), b, 0.0)
    return share * p, (fa - fb) / sigma, a * fa - b * fb


def _score_rows(
    data: _Problem, theta: Floats, scatter: Floats, *, sealed: bool
) -> tuple[Floats, dict[int, Floats], Floats]:
    """Log likelihood of each row under one state of the pump, its derivatives by the row's constants, and by the scatter (n, 4)."""
    rules, rows = load_priming_rules(), data.rows
    course = rows.run(theta, sealed=sealed)
    total = np.maximum(course.suction + course.side, 0.05)
    share = course.suction / total
    mean = np.log(total)
    suction, side, _ = scatter_parts(rows, course, scatter, sealed=True)
    variance = add_scatter(share, suction, side, np.zeros_like(share) if sealed else data.extra)
    sigma = np.sqrt(variance)
    p, by_mean, by_sigma = _weigh_interval(data.low, data.high, mean, sigma, 1.0 - rules.faulty)
    q, by_mean_wide, _ = _weigh_interval(
        data.low, data.high, mean, np.full_like(mean, rules.faulty_spread), rules.faulty
    )
    likelihood = p + q + 1e-12
    d_mean, d_sigma = (by_mean + by_mean_wide) / likelihood, by_sigma / likelihood
    own = {
        AIR: (course.by_air, np.zeros_like(mean)),
        OIL: (np.zeros_like(mean), course.by_oil(np.exp(theta[:, OIL]))),
        SLIP: (np.zeros_like(mean), course.slip),
    }
    if not sealed:
        own[THROUGH] = course.by_leak - course.gone, np.zeros_like(mean)
    found = {}
    by_suction, by_side = share**2 * suction / variance, (1.0 - share) ** 2 * side / variance
    slope = (share * suction - (1.0 - share) * side) / variance
    for name, (one, other) in own.items():
        by_total = share * one + (1.0 - share) * other
        by_share = share * (1.0 - share) * (one - other)
        found[name] = d_mean * by_total + d_sigma * slope * by_share
    design = np.column_stack([by_side, by_suction, by_suction * rows.pressed, by_side * rows.thin()])
    return np.log(likelihood), found, d_sigma[:, None] * design


def _join(sealed: Floats, through: Floats, dry: Floats) -> tuple[Floats, Floats]:
    """Log likelihood of each row where the engine's pump isn't sealed but may hold oil that day, and how likely it then let air through."""
    with np.errstate(divide="ignore"):
        one, other = np.log(dry) + through, np.log1p(-dry) + sealed
    joined = np.logaddexp(one, other)
    return joined, np.exp(one - joined)


def _objective(flat: Floats, data: _Problem) -> tuple[float, Floats]:
    """Minus the log posterior and its gradient."""
    kinds, held, theta = len(data.usual), data.held, data.theta(flat)
    shift, scatter = flat[5 * kinds : 5 * kinds + 5], flat[-4:]
    by_row = theta[data.kind]
    engines = len(data.kind_of_engine)
    parts = [_score_rows(data, by_row, scatter, sealed=sealed) for sealed in (True, False)]
    joined, shows = _join(parts[0][0], parts[1][0], data.dry)
    total = [sum_by_cluster(one, data.engine, engines) for one in (parts[0][0], joined)]
    odds = theta[data.kind_of_engine, OPEN]
    shut, open_ = log_expit(-odds) + total[0], log_expit(odds) + total[1]
    value = np.logaddexp(shut, open_)
    share = np.exp(open_ - value)
    open_row = share[data.engine] * shows
    weight = (1.0 - open_row, open_row)
    gradient = np.zeros((kinds, 5))
    by_scatter = np.zeros(4)
    for w, (_, found, design) in zip(weight, parts, strict=True):
        for name, one in found.items():
            gradient[:, name] += np.bincount(data.kind, weights=w * one, minlength=kinds)
        by_scatter += (w[:, None] * design).sum(axis=0)
    gradient[:, OPEN] = np.bincount(data.kind_of_engine, weights=share - expit(odds), minlength=kinds)
    between = np.array([term.between for term in load_priming_terms()])
    off = (theta - data.usual - shift) / between
    spread = data.spread.mean(axis=0)
    off[:, held] = 0.0
    scales = np.array([(term.value, term.spread) for term in load_scatter_terms()])
    drift, wide = np.where(held, 0.0, shift / spread), (scatter - scales[:, 0]) / scales[:, 1]
    loss = -value.sum() + 0.5 * ((off**2).sum() + (drift**2).sum() + (wide**2).sum())
    by_theta = -gradient + off / between
    by_theta[:, held | data.away] = 0.0
    by_shift = -off.sum(axis=0) / between + drift / spread
    by_shift[held] = 0.0
    return float(loss), np.concatenate([by_theta.ravel(), by_shift, -by_scatter + wide / scales[:, 1]])


def take_counts(jobs: pd.DataFrame) -> pd.DataFrame:
    """What :func:`fit_constants` reads of a table of ventings, and nothing else: tables alike in it give the same constants.

    Parameters
    ----------
    jobs : DataFrame
        As for :func:`fit_constants`.

    Returns
    -------
    DataFrame
        The same rows, numbered anew, in units of their columns.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.physics import priming
    >>> ventings = ventbook.read_ventings("data/demo/store")
    >>> counts = priming.take_counts(ventings)
    >>> len(counts) == len(ventings), "site" in counts
    (True, False)
    """
    return jobs[[name for name in _COUNTED if name in jobs.columns]].reset_index(drop=True)


def fit_constants(jobs: pd.DataFrame, *, fixed: Mapping[str, float] | None = None) -> Constants:
    """The formula's constants from a fleet's counts of rotations.

    Parameters
    ----------
    jobs : DataFrame
        One row a venting with engine_id, engine_type, rotations_low, rotations_high (crankshaft rotations, (low, high], infinite where given up)
        and what :func:`expected_rotations` takes. Rows without a count, or whose lines, cooler, filter or tank pressure were not
        recorded, are left out.
    fixed : mapping, optional
        Constants that are known, by name of NAMES: "unsealed" 0 leaves let-through out, "slip" 0 the slip.

    Returns
    -------
    Constants
        Usual values throughout, with state ``too_few``, under 8 ventings or 3 engines.

    Notes
    -----
    Log-normal counts as the intervals that they stand for, a small share of them widely scattered (faulty jobs); the mode of likelihood and
    spreads, and the inverse of its curvature.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.physics import priming
    >>> found = priming.fit_constants(ventbook.read_ventings("data/demo/store"))
    >>> found.state, found.types
    ('estimated', ('flat4', 'flat4t', 'flat6'))
    """
    if jobs.empty:
        return Constants(shift=_hold_usual(fixed))
    known = _full_rows(take_counts(jobs))
    rules = load_priming_rules()
    engines = known["engine_id"].nunique()
    if len(known) < rules.fewest_ventings or engines < rules.fewest_engines:
        return Constants(shift=_hold_usual(fixed))
    some = thin_engines(known, most=rules.most_ventings)
    types = sorted(some["engine_type"].unique())
    dry = _share_dry(known)
    data = _pose(some, types, dry, fixed=fixed)
    kinds = len(types)
    best = _search(data)
    for _ in range(2):  # what engines differ by in let-through hangs on the constants themselves
        data = _with_extra(data, data.theta(best.x), best.x[-4:])
        best = _search(data, start=best.x)
    covariance = _curvature(best.x, data)
    if not data.held[SLIP]:
        covariance = _bound_slip(covariance, best.x, data)
    blocks = np.stack([covariance[5 * k : 5 * k + 5, 5 * k : 5 * k + 5] for k in range(kinds)])
    place = slice(5 * kinds, 5 * kinds + 5)
    found = Constants(
        types=tuple(types),
        theta=data.theta(best.x),
        covariance=blocks,
        shift=np.where(data.held, data.full[0] - data.usual[0], best.x[place]),
        shift_covariance=covariance[place, place],
        scatter=best.x[-4:],
        ventings=tuple(int((known["engine_type"] == t).sum()) for t in types),
        engines=tuple(int(known.loc[known["engine_type"] == t, "engine_id"].nunique()) for t in types),
        dry=dry,
        state="estimated",
        log_likelihood=-float(best.fun),
    )
    return _with_evidence(found, known)


def _hold_usual(fixed: Mapping[str, float] | None) -> Floats:
    """What known constants differ from the usual values by."""
    usual, _ = usual_theta(engine_type_values("*"))
    shift = np.zeros(5)
    for name, value in (fixed or {}).items():
        shift[NAMES.index(name)] = _on_scale(name, value) - usual[NAMES.index(name)]
    return shift


def _on_scale(name: str, value: float) -> float:
    if name == "unsealed":
        return NONE if value <= 0 else -NONE if value >= 1 else float(logit(value))
    return float(np.log(value)) if value > 0 else NONE


def _full_rows(jobs: pd.DataFrame) -> pd.DataFrame:
    """Rows with a count and all that decides which formula holds, with ``_low`` and ``_high`` in logs."""
    low, high = read_numbers(jobs, "rotations_low"), read_numbers(jobs, "rotations_high")
    keep = np.isfinite(low) & ~np.isnan(high) & (high > 0) & (low < high)
    keep &= jobs["engine_type"].notna().to_numpy() & jobs["engine_id"].notna().to_numpy()
    inputs = read_inputs(jobs)
    asked = sum(BIT[name] for name in ("lines_empty", "cooler_empty", "filter_new", "tank_overpressure_bar"))
    keep &= (inputs.taken & asked) == 0
    used = jobs.loc[keep]
    with np.errstate(divide="ignore"):
        return used.assign(
            engine_type=used["engine_type"].astype("str"),
            engine_id=used["engine_id"].astype("str"),
            _low=np.log(low[keep]),
            _high=np.log(high[keep]),
        )


def _share_dry(known: pd.DataFrame) -> float:
    """Share of pumps that held no oil, of those recorded; 1 where too few say, so that a pump counts as what its engine's is."""
    wetted = read_numbers(known, "pump_wetted")
    said = wetted[~np.isnan(wetted)]
    return float(1.0 - said.mean()) if len(said) >= load_priming_rules().fewest_ventings else 1.0


def _pose(
    some: pd.DataFrame, types: list[str], dry: float, *, fixed: Mapping[str, float] | None = None
) -> _Problem:
    engine, names = factorize(some["engine_id"])
    kind = pd.Categorical(some["engine_type"], categories=types).codes.astype(np.int64)
    first = np.zeros(len(names), dtype=np.int64)
    first[engine[::-1]] = kind[::-1]
    usual = [usual_theta(engine_type_values(name)) for name in types]
    known = fixed or {}
    away = np.zeros(5, dtype=bool)
    away[THROUGH] = known.get("unsealed") == 0.0
    full = np.array([middle for middle, _ in usual])
    for name, value in known.items():
        full[:, NAMES.index(name)] = _on_scale(name, value)
    rows = lay_out(read_inputs(some))
    return _Problem(
        rows,
        some["_low"].to_numpy(),
        some["_high"].to_numpy(),
        kind,
        engine,
        first,
        np.array([middle for middle, _ in usual]),
        np.array([spread for _, spread in usual]),
        np.zeros(len(some)),
        rows.chance_dry(dry),
        np.array([name in known for name in NAMES]),
        away,
        full,
    )


def _with_extra(data: _Problem, theta: Floats, scatter: Floats) -> _Problem:
    """The same with what engines differ by in let-through added to the scatter, as it is at these constants."""
    course = data.rows.run(theta[data.kind], sealed=False)
    return replace(data, extra=scatter_parts(data.rows, course, scatter, sealed=False)[2])


def _search(data: _Problem, *, start: Floats | None = None) -> scipy.optimize.OptimizeResult:
    """The mode, from few and most pumps unsealed, with much and with little let-through.

    Searched in steps that are about alike in each direction: over the root of its curvature where the search starts.
    """
    usual = np.concatenate([data.usual.ravel(), np.zeros(5), [term.value for term in load_scatter_terms()]])
    spreads = np.array([term.spread for term in load_scatter_terms()])
    reach = 10.0 * np.concatenate([data.spread.ravel(), data.spread.mean(axis=0), spreads])
    moves = [(-2.0, 0.0), (2.0, 0.0), (2.0, -3.0)]
    if data.held[OPEN]:
        moves = [(0.0, 0.0)] if data.away[THROUGH] else [(0.0, 0.0), (0.0, -3.0)]
    kinds = len(data.usual)
    found = []
    for odds, through in moves if start is None else [(0.0, 0.0)]:
        at = usual.copy() if start is None else start.copy()
        if start is None:
            theta = at[: 5 * kinds].reshape(kinds, 5)
            theta[:, OPEN] = odds
            theta[:, THROUGH] += through
            at[5 * kinds + OPEN] = odds - data.usual[0, OPEN]
            at[5 * kinds + THROUGH] = through
        base = _objective(at, data)[1]
        bent = np.empty(len(at))
        for k in range(len(at)):
            ahead = at.copy()
            ahead[k] += _STEP
            bent[k] = (_objective(ahead, data)[1][k] - base[k]) / _STEP
        size = 1.0 / np.sqrt(np.maximum(np.abs(bent), 0.1))
        bounds = np.stack([usual - reach - at, usual + reach - at], axis=1) / size[:, None]
        one = scipy.optimize.minimize(
            _scaled,
            np.zeros(len(at)),
            args=(at, size, data),
            jac=True,
            method="L-BFGS-B",
            bounds=bounds,
            options={"maxiter": 300, "ftol": 1e-11, "gtol": 1e-5},
        )
        one.x = at + size * one.x
        found.append(one)
    return min(found, key=lambda one: round(one.fun, 6))


def _scaled(steps: Floats, start: Floats, size: Floats, data: _Problem) -> tuple[float, Floats]:
    value, gradient = _objective(start + size * steps, data)
    return value, gradient * size


def _curvature(at: Floats, data: _Problem) -> Floats:
    """Inverse of the second derivatives of the log posterior, which are differences of its gradient; nought for what is held."""
    size = len(at)
    second = np.empty((size, size))
    for k in range(size):
        step = np.zeros(size)
        step[k] = _STEP
        ahead, behind = (_objective(at + sign * step, data)[1] for sign in (1.0, -1.0))
        second[k] = (ahead - behind) / (2.0 * _STEP)
    second = (second + second.T) / 2.0
    kinds = len(data.usual)
    still = np.concatenate([np.tile(data.held, kinds + 1), np.zeros(4, dtype=bool)])
    values, vectors = np.linalg.eigh(second[np.ix_(~still, ~still)])
    # no direction is known less well than by its spread alone, so a flat or bent one gets that
    inverse = (vectors / np.maximum(values, 1e-2)) @ vectors.T
    out = np.zeros((size, size))
    out[np.ix_(~still, ~still)] = inverse
    return out


def _bound_slip(covariance: Floats, at: Floats, data: _Problem) -> Floats:
    """The covariance with the slips' upper ends where the posterior ends them, the efficiency on oil following.

    Where slip is too little to be seen the posterior is as flat as its usual spread at the mode, and ends at the slip that would be seen.
    """
    least = _objective(at, data)[0]
    kinds = len(data.usual)
    slips, follow = 5 * np.arange(kinds + 1) + SLIP, 5 * np.arange(kinds) + OIL

    def fall(step: float) -> float:
        """How far the posterior falls where all types' slips, and the fleet's, are moved."""
        moved = at.copy()
        moved[slips] += step
        for _ in range(0 if data.held[OIL] else 3):
            gradient = _objective(moved, data)[1][follow]
            ahead = moved.copy()
            ahead[follow] += _STEP
            bent = (_objective(ahead, data)[1][follow] - gradient) / _STEP
            moved[follow] -= gradient / np.maximum(bent, 1.0)
        return _objective(moved, data)[0] - least

    sd = float(np.sqrt(covariance[slips[-1], slips[-1]]))
    low, high = 0.0, 2.0 * sd
    seen = sd < load_priming_rules().seen_narrower * data.spread[:, SLIP].mean()
    if seen or fall(high) <= 2.0:  # two sigma away it has fallen by no more than a bell
        return covariance
    for _ in range(8):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if fall(middle) <= 2.0 else (low, middle)
    scale = np.ones(len(at))
    scale[slips] = 0.5 * (low + high) / (2.0 * sd)
    return covariance * scale[:, None] * scale


def _with_evidence(found: Constants, known: pd.DataFrame) -> Constants:
    """Each venting's and each engine's log evidence of a pump that is not sealed."""
    data = _pose(known, sorted(known["engine_type"].unique()), found.dry)
    types = [engine_type_values(name) for name in sorted(known["engine_type"].unique())]
    theta, _ = found.of_types(types)
    data = _with_extra(data, theta, found.scatter)
    sealed, through = (
        _score_rows(data, theta[data.kind], found.scatter, sealed=sealed)[0] for sealed in (True, False)
    )
    evidence = pd.Series(_join(sealed, through, data.dry)[0] - sealed, index=known.index)
    by_engine = evidence.groupby(known["engine_id"].to_numpy()).sum()
    by_venting = pd.Series(dtype=float)
    if "venting_id" in known.columns:
        by_venting = pd.Series(evidence.to_numpy(), index=known["venting_id"].astype("str").to_numpy())
        by_venting = by_venting[~by_venting.index.duplicated()]
    return Constants(**{**found.__dict__, "by_engine": by_engine, "by_venting": by_venting})
