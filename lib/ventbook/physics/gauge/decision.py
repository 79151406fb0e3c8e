"""The decision at the limit: what a gauge's bias and spread do to verdicts, and whether it serves.

Sign everywhere: bias = reading less truth, so a gauge that reads high has a bias over 0. The fleet's true gaps are not of
a set shape: they are worked out of its own readings (:mod:`ventbook.physics.gauge.fleet`), each with the bias, the
spread and the step of the gauge that it was read with, anew in every draw of engines, biases and spreads.

References
----------
[1] JCGM 106:2012, the role of measurement uncertainty in conformity assessment: 9.3 specific, 9.5 global risks.
[2] JCGM 101:2008, propagation of distributions by a Monte Carlo method: 6.4.9 (scaled and shifted t distribution).
[3] D. B. Rubin, Ann. Statist. 9 (1981) 130: the Bayesian bootstrap.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import scipy
from scipy import special

from ventbook import distributions as stats
from ventbook.model.verdicts import is_over
from ventbook.physics.gauge import fleet
from ventbook.physics.gauge.studies import GaugeStudy
from ventbook.results import Estimate, NotEnoughData

Floats = npt.NDArray[np.float64]
Codes = npt.NDArray[np.integer[Any]]

DRAWS, STEPS = 200, 120
NODES, WEIGHTS = (part / 2 for part in np.polynomial.legendre.leggauss(24))
NODES = NODES + 0.5
#: Half the width, in uncertainties, of where the one reading near the limit that a draw adds may fall.
NEAR = 3.0
#: Clusters that a draw weighs anew: engines, or groups of them; a variance from so many is known to 3 %.
MOST_CLUSTERS = 2000
METHOD = "fleet's own distribution of true gaps; engines, bias and spread drawn anew"
SERVES, CORRECTED, UNFIT, OPEN = "serves", "serves corrected", "does not serve", "can't be told"


@dataclass(frozen=True)
class GaugeError:
    """How a gauge reads, in mm, and how well that is known.

    bias : reading less truth, with its standard uncertainty bias_u (on bias_freedom degrees of freedom). repeat : spread of
    one technician's readings of one lifter; between : what technicians add. freedom : of the two together. step : what
    the gauge reads in.
    """

    bias: float
    bias_u: float
    repeat: float
    between: float = 0.0
    bias_freedom: float = float("inf")
    freedom: float = float("inf")
    step: float = 0.01

    def __post_init__(self) -> None:
        if not (self.bias_u >= 0 and self.repeat >= 0 and self.between >= 0 and self.step > 0):
            raise ValueError("uncertainties must be 0 mm or more and the step over 0 mm")
        if not (self.bias_freedom > 0 and self.freedom > 0):
            raise ValueError("degrees of freedom must be over 0")

    @property
    def u(self) -> float:
        """Standard uncertainty of one reading by any technician about the gauge's own mean."""
        return float(np.hypot(self.repeat, self.between))


def freedom_of_study(study: GaugeStudy) -> float:
    """Degrees of freedom with which a study knows the uncertainty of a reading.

    Parameters
    ----------
    study : GaugeStudy
        As :func:`analyse_study` gives it, with an uncertainty.

    Returns
    -------
    float
        Those of a chi-square interval with the same upper end, 1 to 1000; the upper end is the one that
        matters for a verdict.

    Raises
    ------
    ValueError
        For a study that gives no uncertainty.

    Examples
    --------
    >>> import itertools
    >>> import pandas as pd
    >>> from ventbook.physics import gauge
    >>> rows = list(itertools.product(["A", "B"], ["l1", "l2", "l3"], [1, 2]))
    >>> readings = pd.DataFrame(rows, columns=["technician", "lifter", "repeat"])
    >>> readings["gap_mm"] = [0.20, 0.22, 0.60, 0.61, 0.40, 0.41, 0.23, 0.25, 0.64, 0.65, 0.42, 0.44]
    >>> round(gauge.freedom_of_study(gauge.analyse_study(readings, limit=0.5)), 1)
    1.0
    """
    u = study.u
    if not u.estimate or u.high is None:
        raise ValueError("the study gives no uncertainty")
    return freedom_of_ratio(u.high / u.estimate, u.level)


def freedom_of_ratio(ratio: float, level: float) -> float:
    """Degrees of freedom, 1 to 1000, of a chi-square interval whose upper end is ``ratio`` times the spread found."""
    tail = (1 - level) / 2

    def short(log_freedom: float) -> float:
        freedom = float(np.exp(log_freedom))
        return float(np.sqrt(freedom / stats.chi2.ppf(tail, freedom))) - ratio

    most = float(np.log(1000.0))
    if short(0.0) <= 0:
        return 1.0
    return 1000.0 if short(most) >= 0 else float(np.exp(scipy.optimize.brentq(short, 0.0, most)))


def draw_errors(error: GaugeError, size: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Biases and uncertainties (mm) that a gauge may have: t about its bias, chi-square about its variance."""
    t = (
        rng.standard_t(error.bias_freedom, size)
        if np.isfinite(error.bias_freedom)
        else rng.standard_normal(size)
    )
    spread = np.full(size, error.u)
    if np.isfinite(error.freedom):
        spread = error.u * np.sqrt(error.freedom / rng.chisquare(error.freedom, size))
    return error.bias + error.bias_u * t, spread


def passing_end(limit: float, step: float) -> float:
    """Up to where (mm) an unrounded reading shows at most ``limit`` on a gauge that reads in ``step``."""
    return float((np.floor(limit / step + 1e-6) + 0.5) * step)


def step_under(accept: float, step: float) -> float:
    """The highest reading (mm) under one on a gauge that reads in ``step``."""
    return float((np.ceil(accept / step - 1e-6) - 1) * step)


def pass_probability(gap: npt.ArrayLike, error: GaugeError, *, limit: float) -> Floats:
    """Of lifters truly at a gap, the share whose reading passes.

    Parameters
    ----------
    gap : array_like, mm
        True gaps, of any shape.
    error : GaugeError
        Bias, spread and step of the gauge.
    limit : float, mm
        Largest reading that passes.

    Returns
    -------
    ndarray, 0..1
        The operating curve: ``Phi((end - gap - bias) / u)``, ``end`` half a step over the largest reading
        that passes, because the gauge shows the nearest step.

    Raises
    ------
    ValueError
        Where the limit is not over 0.

    References
    ----------
    JCGM 106:2012, 9.5: joint probability of a value and its reading.

    Examples
    --------
    A gauge that reads .09 mm low passes nearly all lifters that are truly at .55 mm:

    >>> from ventbook.physics import gauge
    >>> low = gauge.GaugeError(bias=-0.09, bias_u=0.0, repeat=0.02)
    >>> gauge.pass_probability([0.45, 0.55, 0.65], low, limit=0.50).round(3).tolist()
    [1.0, 0.988, 0.003]
    """
    if not limit > 0:
        raise ValueError(f"limit must be over 0 mm; got {limit!r}")
    x = np.asarray(gap, dtype=float)
    end = passing_end(limit, error.step)
    if error.u == 0:
        return np.where(x + error.bias <= end, 1.0, 0.0)
    return np.asarray(special.ndtr((end - x - error.bias) / error.u), dtype=np.float64)


@dataclass(frozen=True)
class FleetDraws:
    """What a fleet's true gaps may be, and each reading's chance of being over the limit, draw by draw.

    reading, gauge, count : distinct readings (mm), place of their gauge in ``errors``, and how many there are. over :
    (draws, readings), probability that the true gap is over the limit. middle, width, weight : the fleet's gaps as
    narrow normals, weight (draws, components). bias, u : (draws, gauges), mm. n : readings; engines.
    """

    errors: tuple[GaugeError, ...]
    limit: float
    reading: Floats
    gauge: Codes
    count: Floats
    over: Floats
    middle: Floats
    width: float
    weight: Floats
    bias: Floats
    u: Floats
    n: int
    engines: int
    rng_seed: int

    @property
    def size(self) -> int:
        """How many draws there are."""
        return len(self.weight)


def draw_fleet(
    reading: npt.ArrayLike,
    engine: npt.ArrayLike,
    gauge: npt.ArrayLike,
    errors: Sequence[GaugeError],
    *,
    limit: float,
    draws: int = DRAWS,
    seed: int = 0,
) -> FleetDraws:
    """A fleet's true gaps from readings by gauges that are off and that scatter.

    Parameters
    ----------
    reading : array_like, shape (n,), mm
        First readings, as read; missing ones are left out.
    engine : array_like, shape (n,)
        Engine that each belongs to.
    gauge : array_like of int, shape (n,)
        Place in ``errors`` of the gauge that each was read with.
    errors : sequence of GaugeError
    limit : float, mm
    draws : int
        How many.
    seed : int
        Seed of the draws.

    Returns
    -------
    FleetDraws

    Raises
    ------
    NotEnoughData
        With under 8 readings of at least a step.
    ValueError
        Where the limit is not over 0.

    Notes
    -----
    A draw has engines weighted anew (MOST_CLUSTERS groups of them where there are more), a bias and a spread for each gauge (JCGM 101), one reading somewhere near
    the limit that wasn't seen, and the weights of the fleet's distribution that make all readings as likely as
    can be. A reading counts as the step that it lies in.

    Examples
    --------
    >>> import numpy as np
    >>> from ventbook.physics import gauge
    >>> high = gauge.GaugeError(bias=0.09, bias_u=0.005, repeat=0.02)
    >>> readings = np.array([0.29] * 40 + [0.56] * 4 + [0.90] * 4)
    >>> draws = gauge.draw_fleet(readings, np.repeat(np.arange(6), 8), np.zeros(48, int), [high], limit=0.5, draws=40)
    >>> float(draws.over.mean(axis=0)[1]) < 0.4
    True
    """
    if not limit > 0:
        raise ValueError(f"limit must be over 0 mm; got {limit!r}")
    gap, place = np.asarray(reading, dtype=float), np.asarray(gauge, dtype=np.intp)
    ok = np.isfinite(gap)
    gap, place = gap[ok], place[ok]
    ids = pd.factorize(pd.Series(engine).array[ok])[0]
    step = np.array([e.step for e in errors])
    seen = gap >= step[place] - 1e-9
    if seen.sum() < fleet.LEAST_READINGS:
        raise NotEnoughData(
            "spread of true gaps, readings over the gauge's step",
            n=int(seen.sum()),
            needed=fleet.LEAST_READINGS,
        )
    shown = np.where(seen, _thin_readings(gap, limit, float(np.median(step[place]))), 0.0)
    cells, code = np.unique(np.column_stack([shown, place]), axis=0, return_inverse=True)
    value, owner = cells[:, 0], cells[:, 1].astype(np.intp)
    code = code.reshape(-1)
    half = step[owner] / 2
    low = np.where(value > 0, value - half, -np.inf)
    high = np.where(value > 0, value + half, step[owner])
    rng = np.random.default_rng(seed)
    told = [draw_errors(e, draws, rng) for e in errors]
    bias, u = (np.column_stack([part[k] for part in told]) for k in (0, 1))
    known = np.array([e.bias for e in errors]), np.array([e.u for e in errors])
    pooled = fleet.Readings(low - known[0][owner], high - known[0][owner], known[1][owner], code, 0)
    middle, width = fleet.lay_components(pooled)
    count = np.bincount(code, minlength=len(value)).astype(np.float64)
    start = fleet.climb(
        fleet.tell_likelihood(pooled, middle, width), count[None], np.full((1, len(middle)), 1 / len(middle)), steps=STEPS
    )[0]  # fmt: skip
    start = 0.9 * start + 0.1 / len(middle)
    engines = int(ids.max()) + 1
    ids, cell, times = _group_engines(ids, code)
    weight, over = np.empty((draws, len(middle))), np.empty((draws, len(value)))
    for d in range(draws):
        off, scatter = bias[d][owner], u[d][owner]
        readings = fleet.Readings(low - off, high - off, scatter, code, 0)
        likelihood = fleet.tell_likelihood(readings, middle, width)
        chance = rng.exponential(size=min(engines, MOST_CLUSTERS))
        some = np.bincount(cell, chance[ids] * times, len(value))
        some *= len(gap) / some.sum()
        spot = limit + NEAR * float(np.median(known[1])) * rng.uniform(-1, 1)
        unseen = np.exp(-0.5 * (spot - middle) ** 2 / (np.median(scatter) ** 2 + width**2))
        weight[d] = fleet.climb(
            np.vstack([likelihood, unseen]), np.append(some, rng.exponential())[None], start[None], steps=STEPS
        )[0]  # fmt: skip
        over[d] = _over_given_reading(readings, value - off, likelihood, middle, width, weight[d], limit)
    return FleetDraws(
        tuple(errors),
        limit,
        value,
        owner,
        count,
        over,
        middle,
        width,
        weight,
        bias,
        u,
        len(gap),
        engines,
        seed,
    )


def _thin_readings(gap: Floats, limit: float, step: float) -> Floats:
    """Readings to a quarter of a step, or coarser where there are many; none crosses the limit by it."""
    fine = max(step / 4, float(gap.max()) / fleet.MOST_READINGS)
    thin = np.round(gap / fine) * fine
    over = is_over(gap, limit)
    crossed = over != is_over(thin, limit)
    return np.where(crossed, limit + np.where(over, 0.5, -0.5) * fine, thin)


def _group_engines(ids: Codes, code: Codes) -> tuple[Codes, Codes, Floats]:
    """(cluster, reading, times) of what is weighted anew: each engine's readings, or those of many engines counted together."""
    if not len(ids) or ids.max() < MOST_CLUSTERS:
        return ids, code, np.ones(1)
    values = int(code.max()) + 1
    pair, times = np.unique(ids % MOST_CLUSTERS * values + code, return_counts=True)
    return pair // values, pair % values, times.astype(np.float64)


def _over_given_reading(
    readings: fleet.Readings,
    corrected: Floats,
    likelihood: Floats,
    middle: Floats,
    width: float,
    weight: Floats,
    limit: float,
) -> Floats:
    """Probability that the true gap behind each reading is over the limit, for one distribution of the fleet's gaps."""
    whole = np.isfinite(readings.low)
    # inside its step a reading says nothing more, which adds a twelfth of the step's square
    error = np.where(
        whole, readings.u**2 + np.where(whole, readings.high - readings.low, 0.0) ** 2 / 12, np.inf
    )
    share = np.where(whole, width**2 / (width**2 + error), 0.0)[:, None]
    mean = middle + share * (np.where(whole, corrected, 0.0)[:, None] - middle)
    spread = width * np.sqrt(np.maximum(1 - share, 1e-12))
    chance = likelihood * weight
    total = np.maximum(chance.sum(axis=1), 1e-300)
    return np.asarray((chance * special.ndtr((mean - limit) / spread)).sum(axis=1) / total, dtype=np.float64)


@dataclass(frozen=True)
class Rule:
    """Wrong verdicts under one rule: a reading less ``correction`` passes up to ``accept`` (mm).

    passes_over, fails_under : how far over the limit (mm) a lifter may truly lie and still pass, and how far under it and
    still fail, in the stated share of its readings; under 0 where none does. passed_wrongly, failed_wrongly : among the
    fleet's own readings by this gauge (counts). pass_share, fail_share : of all lifters read, over the long run. passed,
    failed : readings.
    """

    correction: float
    accept: float
    passed: int
    failed: int
    passes_over: Estimate
    fails_under: Estimate
    passed_wrongly: Estimate
    failed_wrongly: Estimate
    pass_share: Estimate
    fail_share: Estimate


def judge_rule(
    draws: FleetDraws,
    gauge: int,
    *,
    correction: float = 0.0,
    accept: float | None = None,
    wrong_at_reach: float = 0.05,
    level: float = 0.95,
) -> Rule:
    """What one rule for readings by one gauge gets wrong, in the fleet's own readings and over the long run.

    Parameters
    ----------
    draws : FleetDraws
        As :func:`draw_fleet` gives them.
    gauge : int
        Place of the gauge in ``draws.errors``.
    correction : float, mm
        Taken off each reading before it is judged; the gauge's bias, or 0 for the reading as read.
    accept : float, mm, optional
        Largest (corrected) reading that passes; default the limit.
    wrong_at_reach : float
        How often a lifter at the ends of ``passes_over`` and ``fails_under`` gets the wrong verdict.
    level : float
        Confidence level, 0.95 = 95 %.

    Returns
    -------
    Rule
        Numbers are medians over the draws, intervals their quantiles; counts carry the chance of each lifter
        besides.

    References
    ----------
    JCGM 106:2012, 9.5: global consumer's and producer's risk.

    Examples
    --------
    >>> import numpy as np
    >>> from ventbook.physics import gauge
    >>> high = gauge.GaugeError(bias=0.09, bias_u=0.005, repeat=0.02)
    >>> readings = np.array([0.29] * 40 + [0.56] * 4 + [0.90] * 4)
    >>> draws = gauge.draw_fleet(readings, np.repeat(np.arange(6), 8), np.zeros(48, int), [high], limit=0.5, draws=40)
    >>> as_read, corrected = (gauge.judge_rule(draws, 0, correction=c) for c in (0.0, 0.09))
    >>> (as_read.failed, corrected.failed), as_read.failed_wrongly.estimate > 3
    ((8, 4), True)
    """
    accept = draws.limit if accept is None else accept
    own = draws.gauge == gauge
    fails = is_over(draws.reading[own] - correction, accept)
    count, over = draws.count[own], draws.over[:, own]
    n = int(count.sum())
    rng = np.random.default_rng([draws.rng_seed, gauge])

    def answer(told: Floats, unit: str, drawn: Floats | None = None) -> Estimate:
        middle = float(np.median(told))
        low, high = np.quantile(told if drawn is None else drawn, [(1 - level) / 2, (1 + level) / 2])
        return Estimate(
            middle, min(float(low), middle), max(float(high), middle), level, unit, n, draws.engines, METHOD
        )

    def among(which: npt.NDArray[np.bool_], chance: Floats) -> Estimate:
        expected = chance[:, which] @ count[which]
        # one uniform number a count, whatever its chance: a last bit must not move the numbers drawn after it
        uniform = rng.random((draws.size, int(which.sum())))
        drawn = stats.binom.ppf(uniform, count[which], np.clip(chance[:, which], 0, 1)).sum(axis=1)
        return answer(expected, "count", drawn)

    bias, u = draws.bias[:, gauge], draws.u[:, gauge]
    end = passing_end(accept + correction, draws.errors[gauge].step)
    z = -float(special.ndtri(wrong_at_reach))
    false_pass, false_fail = _long_run(draws, end, bias, u)
    return Rule(
        correction=correction,
        accept=accept,
        passed=n - int(count[fails].sum()),
        failed=int(count[fails].sum()),
        passes_over=answer(end - bias + z * u - draws.limit, "mm"),
        fails_under=answer(draws.limit - end + bias + z * u, "mm"),
        passed_wrongly=among(~fails, over),
        failed_wrongly=among(fails, 1 - over),
        pass_share=answer(false_pass, "share"),
        fail_share=answer(false_fail, "share"),
    )


def split_components(
    middle: Floats, width: float, limit: float
) -> tuple[tuple[Floats, Floats], tuple[Floats, Floats]]:
    """Narrow normals on either side of a limit, over and within: gaps (components, nodes) to integrate what lies there at,
    and what share of each component that is. Nodes and ``WEIGHTS``: Gauss and Legendre, over shares."""
    at = NODES
    over = special.ndtr((middle - limit) / width)[:, None]
    above = middle[:, None] - width * special.ndtri(np.maximum(over * at, 1e-300))
    below = middle[:, None] + width * special.ndtri(np.maximum((1 - over) * at, 1e-300))
    return (above, over[:, 0]), (np.maximum(below, 0.0), 1 - over[:, 0])


def _long_run(draws: FleetDraws, end: float, bias: Floats, u: Floats) -> tuple[Floats, Floats]:
    """Shares of all lifters that pass though over the limit, and fail though within it, draw by draw."""
    (above, over), (below, within) = split_components(draws.middle, draws.width, draws.limit)
    false_pass, false_fail = np.empty(draws.size), np.empty(draws.size)
    for d in range(draws.size):
        far = end - bias[d], max(u[d], 1e-9)
        false_pass[d] = draws.weight[d] @ (over * (special.ndtr((far[0] - above) / far[1]) @ WEIGHTS))
        false_fail[d] = draws.weight[d] @ (within * (special.ndtr((below - far[0]) / far[1]) @ WEIGHTS))
    return false_pass, false_fail


@dataclass(frozen=True)
class Need:
    """What a gauge has to hold, from ``[serves]`` of ``data/gauge_decision.toml``.

    reach_share : of the limit, how far past it a lifter may lie that gets the wrong verdict in ``wrong_at_reach`` of its
    readings. wrong_passes : most of all lifters read that may pass though over the limit. wrong_failure_min : minutes that
    a lifter which fails though within it costs.
    """

    reach_share: float
    wrong_at_reach: float
    wrong_passes: float
    wrong_failure_min: float = 0.0

    def __post_init__(self) -> None:
        if not (self.reach_share > 0 and 0 < self.wrong_at_reach < 0.5 and 0 < self.wrong_passes < 1):
            raise ValueError("reach_share over 0, wrong_at_reach under 0.5, wrong_passes a share")


@dataclass(frozen=True)
class GaugeVerdict:
    """Whether a gauge serves for the limit, by bias and spread together.

    verdict : "serves", "serves corrected", "does not serve" or "can't be told". as_read, corrected, guarded : what each
    rule gets wrong; guarded is as read up to a lower acceptance limit that holds the wrong passes, None where none does.
    """

    verdict: str
    as_read: Rule
    corrected: Rule
    guarded: Rule | None


def judge_gauge(draws: FleetDraws, gauge: int, *, need: Need, level: float = 0.95) -> GaugeVerdict:
    """Whether a gauge serves for the limit, alone or with its bias taken off.

    Parameters
    ----------
    draws : FleetDraws
        As :func:`draw_fleet` gives them.
    gauge : int
        Place of the gauge in ``draws.errors``.
    need : Need
        What it has to hold.
    level : float
        Confidence level, 0.95 = 95 %.

    Returns
    -------
    GaugeVerdict

    Notes
    -----
    One end for every gauge and every part: it serves where the unfavourable end of each interval (both reaches,
    wrong passes) is within what is needed, and does not where even the favourable end of one, with the bias
    taken off, is beyond it. Between the two it can't be told.

    Examples
    --------
    >>> import numpy as np
    >>> from ventbook.physics import gauge
    >>> high = gauge.GaugeError(bias=0.09, bias_u=0.005, repeat=0.02)
    >>> readings = np.array([0.29] * 400 + [0.90] * 40)
    >>> draws = gauge.draw_fleet(readings, np.arange(440) // 8, np.zeros(440, int), [high], limit=0.5, draws=40)
    >>> gauge.judge_gauge(draws, 0, need=gauge.Need(0.15, 0.05, 0.005)).verdict
    'serves corrected'
    """
    options = {"wrong_at_reach": need.wrong_at_reach, "level": level}
    as_read = judge_rule(draws, gauge, **options)
    bias = draws.errors[gauge].bias
    corrected = judge_rule(draws, gauge, correction=bias, **options) if bias else as_read
    if holds(as_read, need, draws.limit):
        verdict = SERVES
    elif holds(corrected, need, draws.limit):
        verdict = CORRECTED
    else:
        verdict = UNFIT if fails(corrected, need, draws.limit) else OPEN
    return GaugeVerdict(verdict, as_read, corrected, _guard(draws, gauge, as_read, need, level))


def _ends(rule: Rule, need: Need, limit: float) -> list[tuple[float, float, float]]:
    """(favourable end, unfavourable end, what is needed) of each part of a verdict."""
    reach = need.reach_share * limit
    parts = ((rule.passes_over, reach), (rule.fails_under, reach), (rule.pass_share, need.wrong_passes))
    return [(e.low, e.high, most) for e, most in parts if e.low is not None and e.high is not None]


def holds(rule: Rule, need: Need, limit: float) -> bool:
    """Whether the unfavourable end of every part is within what is needed."""
    return all(high <= most for _, high, most in _ends(rule, need, limit))


def fails(rule: Rule, need: Need, limit: float) -> bool:
    """Whether even the favourable end of some part is beyond what is needed."""
    return any(low > most for low, _, most in _ends(rule, need, limit))


def _guard(draws: FleetDraws, gauge: int, as_read: Rule, need: Need, level: float) -> Rule | None:
    """The highest acceptance limit, on the gauge's steps and not over the limit, that holds the wrong passes as read."""
    rule, step = as_read, draws.errors[gauge].step
    while rule.pass_share.high is not None and rule.pass_share.high > need.wrong_passes:
        accept = step_under(rule.accept, step)
        if accept <= step:
            return None
        rule = judge_rule(draws, gauge, accept=float(accept), wrong_at_reach=need.wrong_at_reach, level=level)
    return rule
