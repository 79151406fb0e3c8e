"""Which readings to add so that fewer lifters pass wrongly: what each way brings, what it costs, cheapest first.

Everything is worked out with the bias that is known taken off: the readings planned here are for what is left. The fleet's
distribution of true gaps, and what the gauge's spread may be, are those of the draws (:mod:`ventbook.physics.gauge.decision`).
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Annotated

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from ventbook import distributions as stats
from ventbook.model.verdicts import NEAR_U
from ventbook.physics.gauge.decision import (
    FleetDraws,
    Floats,
    GaugeError,
    Need,
    draw_errors,
    freedom_of_ratio,
    holds,
    judge_rule,
    passing_end,
    step_under,
)
from ventbook.physics.gauge.studies import plan_study
from ventbook.shipped import DATA
from ventbook.tables.reader import OneOf, make_row, read_rows, read_toml

TABLE = "gauge_decision.toml"
ONCE, EACH = "gauge", "lifter"
GAPS, ERRORS, PLAN_DRAWS = 40, 61, 60
SIZES = (10, 15, 20), (3, 4, 5, 6), (2, 3)
"""Lifters, technicians and repeats of further studies."""


@dataclass(frozen=True)
class Addition:
    """A kind of reading that can be added; a row of ``[[addition]]``, whose head says what each field is."""

    name: str
    text: str
    kind: Annotated[str, OneOf(ONCE, EACH)]
    setup_min: float
    reading_min: float
    amounts: tuple[int, ...]
    reference_u_mm: float = 0.0
    error: float = 1.0
    conversion_u_mm: float = 0.0
    same_bias: bool = True
    same_hands: bool = True

    def __post_init__(self) -> None:
        if not (self.setup_min >= 0 and self.reading_min > 0 and self.amounts and min(self.amounts) > 0):
            raise ValueError("setup_min 0 or more, reading_min over 0 and amounts of at least 1")
        if not (self.error > 0 and self.conversion_u_mm >= 0 and self.reference_u_mm >= 0):
            raise ValueError("error over 0, conversion_u_mm and reference_u_mm 0 or more")


@dataclass(frozen=True)
class Unknown:
    """What is taken of a gauge where neither register nor study says more; ``[assumed]``."""

    bias_uncertainty_mm: float
    freedom: float
    between_share: float


@cache
def load_need() -> Need:
    """What a gauge has to hold to serve, from ``data/gauge_decision.toml``.

    Returns
    -------
    Need

    Examples
    --------
    >>> from ventbook.physics import gauge
    >>> gauge.load_need().wrong_passes
    0.005
    """
    return make_row(read_toml(DATA / TABLE)["serves"], Need, where=f"{TABLE}: [serves]")


@cache
def load_unknown() -> Unknown:
    """What is taken of a gauge where nothing more is known, from ``data/gauge_decision.toml``.

    Returns
    -------
    Unknown

    Examples
    --------
    >>> from ventbook.physics import gauge
    >>> gauge.load_unknown().bias_uncertainty_mm
    0.02
    """
    return make_row(read_toml(DATA / TABLE)["assumed"], Unknown, where=f"{TABLE}: [assumed]")


@cache
def load_additions() -> tuple[Addition, ...]:
    """Kinds of readings that can be added, from ``data/gauge_decision.toml``.

    Returns
    -------
    tuple of Addition

    Examples
    --------
    >>> from ventbook.physics import gauge
    >>> [addition.name for addition in gauge.load_additions()][:2]
    ['reference_pieces', 'read_again']
    """
    return read_rows(DATA / TABLE, "addition", Addition, unique=True)


def plan_additions(
    draws: FleetDraws,
    gauge: int,
    *,
    need: Need,
    lifters: float,
    additions: Sequence[Addition] | None = None,
    level: float = 0.95,
) -> pd.DataFrame:
    """Ways to add readings, alone and reference pieces with one other, and what each would leave.

    Parameters
    ----------
    draws : FleetDraws
        As :func:`draw_fleet` gives them.
    gauge : int
        Place of the gauge in ``draws.errors``.
    need : Need
        Most wrong passes of all lifters read.
    lifters : float
        Lifters that the gauge reads in the time that minutes are wanted for (a quarter).
    additions : sequence of Addition, optional
        Default: those of ``data/gauge_decision.toml``.
    level : float
        Confidence level, 0.95 = 95 %.

    Returns
    -------
    DataFrame
        One row a way: once (readings of the gauge, "" none), once_n, each (readings of lifters near the
        limit), each_n, accept_mm (what then passes: the limit, or as far under it as holds the wrong passes),
        read_again (lifters near the limit), minutes (those for the lifters that fail wrongly included),
        bias_u_mm (after it), wrong_passes with high and wrong_failures (shares of all lifters read), enough.
        Ways that are enough come first, cheapest first; the others by what they leave.

    Notes
    -----
    n readings of reference pieces by two technicians leave the bias known to
    ``1 / (1/u^2 + 1/(reference^2 + between^2/2 + repeat^2/n))``. A lifter near the limit (twice the uncertainty) is
    judged by the mean of its readings, weighted by what they don't share; the rest by the first alone.

    Examples
    --------
    >>> import numpy as np
    >>> from ventbook.physics import gauge
    >>> unsure = gauge.GaugeError(bias=0.0, bias_u=0.03, repeat=0.02)
    >>> readings = np.array([0.29] * 300 + [0.48] * 30 + [0.55] * 30 + [0.90] * 40)
    >>> draws = gauge.draw_fleet(readings, np.arange(400) // 8, np.zeros(400, int), [unsure], limit=0.5, draws=40)
    >>> plan = gauge.plan_additions(draws, 0, need=gauge.load_need(), lifters=100)
    >>> none = plan[(plan["once"] == "") & (plan["each"] == "")].iloc[0]
    >>> bool(plan["wrong_passes"].min() < none["wrong_passes"])
    True
    """
    known = load_additions() if additions is None else tuple(additions)
    once = [None, *((a, n) for a in known if a.kind == ONCE for n in a.amounts)]
    each = [None, *((a, n) for a in known if a.kind == EACH for n in a.amounts)]
    error, near = draws.errors[gauge], _near_the_limit(draws, gauge)
    lowest = draws.limit - max(NEAR_U * error.u, error.step)
    rows = []
    for first, second in itertools.product(once, each):
        bias_u, minutes = error.bias_u, 0.0
        if first is not None:
            a, n = first
            bias_u = bias_after(error, n, reference_u=a.reference_u_mm)
            minutes += a.setup_min + n * a.reading_min
        wrong, again = _judge_way(draws, gauge, near, second, bias_u=bias_u)
        if second is not None:
            a, n = second
            minutes += a.setup_min + again * lifters * n * a.reading_min
        accept = draws.limit
        passes, fails = wrong(accept)
        while np.quantile(passes, (1 + level) / 2) > need.wrong_passes:
            lower = step_under(accept, error.step)
            if lower < lowest:
                break
            accept = lower
            passes, fails = wrong(accept)
        high, failing = float(np.quantile(passes, (1 + level) / 2)), float(np.median(fails))
        rows.append(
            {
                "once": "" if first is None else first[0].text,
                "once_n": 0 if first is None else first[1],
                "each": "" if second is None else second[0].text,
                "each_n": 0 if second is None else second[1],
                "accept_mm": accept,
                "read_again": again * lifters,
                "minutes": minutes + failing * lifters * need.wrong_failure_min,
                "bias_u_mm": bias_u,
                "wrong_passes": float(np.median(passes)),
                "high": high,
                "wrong_failures": failing,
                "enough": high <= need.wrong_passes,
            }
        )
    table = pd.DataFrame(rows)
    cost = table["minutes"].where(table["enough"], np.inf)
    return (
        table.assign(cost=cost)
        .sort_values(["cost", "high", "minutes"], ignore_index=True)
        .drop(columns="cost")
    )


def size_further_study(
    draws: FleetDraws, gauge: int, *, need: Need, correction: float = 0.0, level: float = 0.95
) -> pd.Series | None:
    """The smallest further study after which a gauge would be known well enough to say that it serves.

    Parameters
    ----------
    draws : FleetDraws
        As :func:`draw_fleet` gives them.
    gauge : int
        Place of the gauge in ``draws.errors``.
    need : Need
        What the gauge has to hold.
    correction : float, mm
        Taken off each reading before it is judged.
    level : float
        Confidence level, 0.95 = 95 %.

    Returns
    -------
    Series or None
        lifters (with known gaps), technicians, repeats, readings; None where no size up to 20 lifters and 6
        technicians is enough as the numbers stand: then it is not the study that is missing.

    Notes
    -----
    Bias and spread are taken to come out as they are known now; what a study adds is degrees of freedom and a
    smaller uncertainty of the bias (with as few technicians as it has).

    Examples
    --------
    >>> import numpy as np
    >>> from ventbook.physics import gauge
    >>> unsure = gauge.GaugeError(bias=0.0, bias_u=0.03, repeat=0.02, between=0.005, freedom=4)
    >>> readings = np.array([0.29] * 400 + [0.90] * 40)
    >>> draws = gauge.draw_fleet(readings, np.arange(440) // 8, np.zeros(440, int), [unsure], limit=0.5, draws=40)
    >>> int(gauge.size_further_study(draws, 0, need=gauge.load_need())["technicians"]) > 2
    True
    """
    error = draws.errors[gauge]
    sizes = plan_study(
        repeat_sd=max(error.repeat, 1e-4), technician_sd=max(error.between, error.repeat / 2), lifters=SIZES[0],
        technicians=SIZES[1], repeats=SIZES[2], level=level,
    )  # fmt: skip
    rng = np.random.default_rng(draws.rng_seed)
    for _, size in sizes.iterrows():
        people, readings = int(size["technicians"]), int(size["readings"])
        wide = float(stats.t.ppf(0.975, people - 1) / stats.norm.ppf(0.975))
        told = wide**2 * (error.between**2 / people + error.repeat**2 / readings)
        after = replace(
            error,
            bias_u=float((error.bias_u**-2 + 1 / told) ** -0.5) if error.bias_u > 0 else 0.0,
            bias_freedom=float("inf"),
            freedom=min(error.freedom + freedom_of_ratio(float(size["factor"]), level), 1e6),
        )
        bias, u = draws.bias.copy(), draws.u.copy()
        bias[:, gauge], u[:, gauge] = draw_errors(after, draws.size, rng)
        rule = judge_rule(
            replace(draws, bias=bias, u=u), gauge, correction=correction, wrong_at_reach=need.wrong_at_reach, level=level
        )  # fmt: skip
        if holds(rule, need, draws.limit):
            return size
    return None


def bias_after(error: GaugeError, readings: int, *, reference_u: float) -> float:
    """Standard uncertainty of a gauge's bias (mm) after readings of reference pieces by two technicians."""
    if not error.bias_u > 0:
        return 0.0
    told = reference_u**2 + error.between**2 / 2 + error.repeat**2 / readings
    return float((error.bias_u**-2 + 1 / told) ** -0.5)


@dataclass(frozen=True)
class _Near:
    """What the ways are judged on: (draws, gaps, errors) around the limit, the same chance for every way."""

    gap: Floats
    density: Floats
    u: Floats
    z: Floats
    left: Floats
    other: Floats


def _near_the_limit(draws: FleetDraws, gauge: int) -> _Near:
    """True gaps around the limit with the fleet's share at each, and errors of the first reading in equal shares."""
    error, some = draws.errors[gauge], slice(0, PLAN_DRAWS)
    u = np.maximum(draws.u[some, gauge], 1e-9)
    reach = 5 * max(float(np.median(u)), 0.002) + 3 * error.bias_u + draws.width
    edge = np.linspace(max(draws.limit - reach, 0.0), draws.limit + reach, 2 * GAPS + 1)
    density = (
        draws.weight[some] @ np.diff(special.ndtr((edge[:, None] - draws.middle) / draws.width), axis=0).T
    )
    rng = np.random.default_rng(draws.rng_seed)
    z = special.ndtri((np.arange(ERRORS) + 0.5) / ERRORS)
    left, other = rng.standard_normal((2, len(u)))
    return _Near((edge[1:] + edge[:-1]) / 2, density, u, z, left, error.bias_u * other)


def _judge_way(
    draws: FleetDraws, gauge: int, near: _Near, way: tuple[Addition, int] | None, *, bias_u: float
) -> tuple[Callable[[float], tuple[Floats, Floats]], float]:
    """Wrong passes and failures of all lifters, draw by draw, for an acceptance limit; and the share read again."""
    error, limit = draws.errors[gauge], draws.limit
    gap, u, own = near.gap[None, :, None], near.u[:, None, None], near.u[:, None, None] * near.z
    left = bias_u * near.left[:, None, None]
    first = gap + left + own
    over = near.gap > limit
    close: npt.NDArray[np.bool_] | None = None
    mean, spread, weight, again = first, u, np.zeros(1), 0.0
    if way is not None:
        a, n = way
        shared = (error.between / error.u) ** 2 if error.u else 0.0
        repeat2, between2 = u**2 * (1 - shared), u**2 * shared
        added2 = a.error**2 * repeat2 / n + a.conversion_u_mm**2
        # what the readings share doesn't count in how they are weighted
        lone, more = (repeat2, added2) if a.same_hands else (u**2, added2 + between2 / n)
        weight = more / (lone + more)
        close = np.abs(first - limit) <= NEAR_U * u
        mean = (
            gap
            + (left if a.same_bias else near.other[:, None, None])
            + (shared * own if a.same_hands else 0.0)
        )
        spread = np.sqrt(added2 + between2 * ((1 - shared) if a.same_hands else 1.0 / n))
        again = float((near.density * close.mean(axis=2)).sum(axis=1).mean())

    def wrong(accept: float) -> tuple[Floats, Floats]:
        end = passing_end(accept, error.step)
        passes = (first <= end).astype(np.float64)
        if close is not None:
            room = ((end - weight * first) / (1 - weight) - mean) / spread
            passes = np.where(close, special.ndtr(room), passes)
        share = passes.mean(axis=2)
        return (near.density * share * over).sum(axis=1), (near.density * (1 - share) * ~over).sum(axis=1)

    return wrong, again
