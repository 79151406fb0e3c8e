"""What hangs on the gauge in a fleet: verdicts near the limit, gauges that differ in routine use, the true gaps behind it.

The fleet's distribution of true gaps is what the readings say once the gauge's error is taken out, of no set shape: a mixture
of narrow normals [1], [2], one every gauge uncertainty and as wide as it, so that sound lifters at .2 mm and air-bound ones at
.8 mm stand side by side without a curve that must run through the limit between them. The weights make the readings as likely
as can be, by expectation-maximisation. A reading counts as the step that it lies in, one under the gauge's step as anything up
to it.

References
----------
[1] J. Kiefer, J. Wolfowitz, Ann. Math. Statist. 27 (1956) 887: the mixing distribution of highest likelihood.
[2] R. Koenker, I. Mizera, JASA 109 (2014) 674: on a grid it is a convex problem, and how far off the top bounds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from ventbook import distributions as stats
from ventbook.numerics import judge_fit
from ventbook.results import NotEnoughData
from ventbook.tables.evidence import load_budget

FEW_ENGINES = 400
#: Gauges in routine use, as a family of the quarter's error budget.
FAMILY = "gauge.routine"
Floats = npt.NDArray[np.float64]
LEAST_READINGS = 8
USUAL_STEPS_MM = (0.01, 0.02, 0.05, 0.1)
# Of the climb; it ends sooner where the log-likelihood can't rise by more than ENOUGH.
STEPS, ENOUGH = 2_000, 0.5
MOST_COMPONENTS, MOST_READINGS = 400, 800
NARROWEST_MM = 0.002


def count_on_the_gauge(probability: pd.Series, over: pd.Series, near: pd.Series) -> dict[str, float]:
    """How many findings hang on the gauge.

    Parameters
    ----------
    probability : Series, 0..1
        Probability that the true gap is over the limit, one a lifter; rows without one are left out.
    over, near : Series of bool
        Whether the reading is over the limit, and whether it is within two standard uncertainties of it.

    Returns
    -------
    dict of float
        lifters; findings (over); near, findings_near and passes_near (near ones that read over, and that did
        not); expected_over (sum of probabilities), expected_false_fail and expected_false_pass.

    Examples
    --------
    >>> import pandas as pd
    >>> from ventbook.physics import gauge
    >>> found = gauge.count_on_the_gauge(pd.Series([0.0, 0.4, 0.9]), pd.Series([False, False, True]), pd.Series([False, True, True]))
    >>> found["findings"], found["passes_near"], round(found["expected_false_fail"], 3)
    (1.0, 1.0, 0.1)
    """
    p = probability.to_numpy(dtype=float, na_value=np.nan)
    known = np.isfinite(p)
    o = over.astype("boolean").fillna(False).to_numpy(dtype=bool)[known]
    b = near.astype("boolean").fillna(False).to_numpy(dtype=bool)[known]
    p = p[known]
    return {
        "lifters": float(p.size),
        "findings": float(o.sum()),
        "near": float(b.sum()),
        "findings_near": float((o & b).sum()),
        "passes_near": float((~o & b).sum()),
        "expected_over": float(p.sum()),
        "expected_false_fail": float((1 - p)[o].sum()),
        "expected_false_pass": float(p[~o].sum()),
    }


def compare_routine_readings(
    lifters: pd.DataFrame,
    *,
    gap: str = "gap_first_mm",
    gauge: str = "gauge",
    engine: str = "engine_id",
    venting: str = "venting_id",
    strata: tuple[str, ...] = ("engine_type", "site"),
    level: float = 0.95,
) -> pd.DataFrame:
    """Gauge against the others from routine records: a hint where there is no study.

    Parameters
    ----------
    lifters : DataFrame
        One row a lifter and venting, as :func:`ventbook.read_lifters` gives it.
    gap, gauge, engine, venting : str
        Columns of the reading (mm), the gauge, the engine and the venting.
    strata : tuple of str
        Columns within which gauges are set side by side; the last is the one that may coincide with a gauge.
    level : float
        Confidence level, 0.95 = 95 %.

    Returns
    -------
    DataFrame
        One row a gauge: gauge, readings, ventings, engines, sites, difference_mm (from the others) with low,
        high and p, level, state ("estimated" or "too_few") and note.

    Notes
    -----
    The venting's median reading is the unit; differences inside strata are weighted together, their error
    goes by engines. A gauge that stands out is left out where the others are set side by side.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.physics import gauge
    >>> table = gauge.compare_routine_readings(ventbook.read_lifters("data/demo/store"))
    >>> table.columns[:6].tolist()
    ['gauge', 'readings', 'ventings', 'engines', 'sites', 'difference_mm']
    >>> len(table) > 1
    True
    """
    columns = [gap, gauge, engine, venting, *strata]
    missing = [c for c in columns if c not in lifters.columns]
    if missing:
        raise ValueError(f"lifters lacks the columns {', '.join(missing)}")
    data = lifters.loc[lifters[gap].notna() & lifters[gauge].notna(), columns]
    units = (
        data.groupby([venting, gauge], observed=True)
        .agg(reading=(gap, "median"), readings=(gap, "size"), **{c: (c, "first") for c in (engine, *strata)})
        .reset_index()
    )
    names = sorted(units[gauge].astype("str").unique().tolist())
    label = units[gauge].astype("str").to_numpy()
    company = set(names)
    sure = load_budget().share(FAMILY)
    while len(company) > 2:
        found = {
            g: _difference(units, label, g, company, engine, list(strata), level) for g in sorted(company)
        }
        worst = min(company, key=lambda g: (found[g]["p"] if found[g] else 1.0, g))
        if not found[worst] or found[worst]["p"] >= sure / len(names):
            break
        company.discard(worst)
    rows = []
    for name in names:
        mine = label == name
        row = {
            "gauge": name,
            "readings": int(units.loc[mine, "readings"].sum()),
            "ventings": int(mine.sum()),
            "engines": int(units.loc[mine, engine].nunique()),
            "sites": ", ".join(sorted(map(str, units.loc[mine, strata[-1]].dropna().unique()))),
            "level": level,
        }
        answer = _difference(units, label, name, company, engine, list(strata), level)
        note = "" if name in company else "stands out; left out where the others are set side by side"
        if answer and len(names) == 2 and answer["p"] < sure:
            note = "two gauges differ: which of them is off can't be told"
        if not answer and len(strata) > 1:
            answer = _difference(units, label, name, company, engine, list(strata[:-1]), level)
            note = f"used where no other gauge was: gauge and {strata[-1]} can't be told apart"
        if not answer:
            rows.append(
                row
                | {
                    "state": "too_few",
                    "note": "no 5 ventings of each side on one engine type, or readings without spread",
                }
            )
        else:
            rows.append(row | answer | {"state": "estimated", "note": note})
    names_out = [
        "gauge", "readings", "ventings", "engines", "sites", "difference_mm", "low", "high", "p", "level", "state",
        "note",
    ]  # fmt: skip
    table = pd.DataFrame(rows, columns=names_out)
    return table.astype(dict.fromkeys(("difference_mm", "low", "high", "p"), float))


def _difference(
    units: pd.DataFrame,
    label: np.ndarray,
    name: str,
    company: set[str],
    engine: str,
    strata: list[str],
    level: float,
) -> dict[str, float]:
    """Difference of one gauge from its company in shared strata; empty where there are under 5 ventings a side."""
    wanted = (label == name) | np.isin(label, sorted(company))
    mine = (label == name)[wanted]
    y = units["reading"].to_numpy(dtype=float)[wanted]
    code = units.loc[wanted].groupby(strata, sort=False, dropna=False, observed=True).ngroup().to_numpy()
    group = pd.factorize(units.loc[wanted, engine])[0]
    if mine.size == 0:
        return {}
    own, other = np.bincount(code, mine.astype(float)), np.bincount(code, (~mine).astype(float))
    use = (own >= 2) & (other >= 2)
    if own[use].sum() < 5 or other[use].sum() < 5:
        return {}
    rows = use[code]
    y, mine, code, group = y[rows], mine[rows], code[rows], np.unique(group[rows], return_inverse=True)[1]
    engines = int(group.max()) + 1
    if engines < 4:
        return {}
    size = use.size

    def estimate(keep: np.ndarray) -> float:
        a, b = np.bincount(code[keep & mine], minlength=size), np.bincount(code[keep & ~mine], minlength=size)
        both = (a > 0) & (b > 0)
        if not both.any():
            return value
        sa, sb = (np.bincount(code[keep & side], y[keep & side], size)[both] for side in (mine, ~mine))
        w = (a * b / np.maximum(a + b, 1))[both]
        return float((w * (sa / a[both] - sb / b[both])).sum() / w.sum())

    value = 0.0
    value = estimate(np.ones(y.size, dtype=bool))
    if engines <= FEW_ENGINES:
        left = np.array([estimate(group != g) for g in range(engines)])
        error = float(np.sqrt((engines - 1) / engines * ((left - left.mean()) ** 2).sum()))
    else:
        a, b = np.bincount(code[mine], minlength=size), np.bincount(code[~mine], minlength=size)
        w = a * b / np.maximum(a + b, 1)
        side = np.where(mine, a[code], b[code])
        mean = np.where(mine, (np.bincount(code[mine], y[mine], size) / np.maximum(a, 1))[code],
                        (np.bincount(code[~mine], y[~mine], size) / np.maximum(b, 1))[code])  # fmt: skip
        pull = np.bincount(group, np.where(mine, 1, -1) * w[code] / w.sum() / side * (y - mean), engines)
        error = float(np.sqrt(engines / (engines - 1) * (pull**2).sum()))
    if judge_fit(estimates=[value, error], spread=error):
        return {}
    t = float(stats.t.ppf(0.5 + level / 2, engines - 2))
    p = float(2 * stats.t.sf(abs(value) / error, engines - 2))
    return {"difference_mm": value, "low": value - t * error, "high": value + t * error, "p": p}


@dataclass(frozen=True)
class GapDistribution:
    """True gaps (mm) of a fleet: normals at ``middle`` of standard deviation ``width`` with weights that sum to 1.

    n readings, ``under_step`` of them under the gauge's step.
    """

    middle: Floats
    width: float
    weight: Floats
    n: int
    under_step: int


@dataclass(frozen=True)
class Readings:
    """Distinct readings as (low, high] in mm with their uncertainty, and which of them each reading is."""

    low: Floats
    high: Floats
    u: Floats
    code: npt.NDArray[np.integer[Any]]
    under_step: int

    def count(self, weight: Floats | None = None) -> Floats:
        """Readings (or their weights) by distinct reading."""
        return np.bincount(self.code, weight, len(self.low)).astype(np.float64)


def deconvolve_gaps(reading: Any, *, u: Any, step: float) -> GapDistribution:
    """Distribution of a fleet's true gaps, from readings that carry the gauge's error.

    Parameters
    ----------
    reading : array_like, shape (n,), mm
        First readings; missing ones are left out.
    u : float or array_like of shape (n,), mm
        Standard uncertainty of a reading.
    step : float, mm
        What the gauge reads in.

    Returns
    -------
    GapDistribution
        Narrow normals at ``middle`` (mm) of standard deviation ``width`` with weights that sum to 1.

    Raises
    ------
    NotEnoughData
        With under 8 readings of at least a step.
    ValueError
        Where the step is not over 0, or u under 0 or missing.

    Notes
    -----
    A mixture of normals, one every gauge uncertainty and as wide as it, whose weights make the readings as
    likely as can be (expectation-maximisation). A reading counts as the step that it lies in, one under the
    step as anything up to it.

    References
    ----------
    J. Kiefer, J. Wolfowitz, Ann. Math. Statist. 27 (1956) 887; R. Koenker, I. Mizera, JASA 109 (2014) 674.

    Examples
    --------
    >>> from ventbook.physics import gauge
    >>> fleet = gauge.deconvolve_gaps([0.2] * 30 + [0.8] * 10, u=0.02, step=0.01)
    >>> round(float(fleet.weight[fleet.middle > 0.5].sum()), 2)
    0.25
    """
    return deconvolve_readings(group_readings(reading, u=u, step=step))


def deconvolve_readings(readings: Readings) -> GapDistribution:
    """:func:`deconvolve_gaps` of readings that are grouped."""
    at, width = lay_components(readings)
    counts = readings.count()
    likelihood = tell_likelihood(readings, at, width)
    weight = climb(likelihood, counts[None], np.full((1, len(at)), 1.0 / len(at)), steps=STEPS)[0]
    return GapDistribution(at, width, weight, int(counts.sum()), readings.under_step)


def reading_step(reading: pd.Series) -> float:
    """Largest usual step that nearly all readings are multiples of.

    Parameters
    ----------
    reading : Series, mm
        Missing ones and 0 say nothing.

    Returns
    -------
    float, mm
        One of .1, .05, .02, .01; .01 where none fits.

    Examples
    --------
    >>> import pandas as pd
    >>> from ventbook.physics import gauge
    >>> gauge.reading_step(pd.Series([0.15, 0.20, 0.35, 0.60]))
    0.05
    """
    values = reading.dropna().to_numpy(dtype=float)
    values = values[values > 0]
    for step in sorted(USUAL_STEPS_MM, reverse=True):
        if values.size and (np.abs(values / step - np.round(values / step)) < 1e-6).mean() > 0.98:
            return step
    return USUAL_STEPS_MM[0]


def group_readings(reading: Any, *, u: Any, step: float) -> Readings:
    """The distinct readings of a fleet; see :func:`deconvolve_gaps`."""
    if not step > 0:
        raise ValueError(f"step must be over 0 mm; got {step!r}")
    gap = pd.to_numeric(pd.Series(reading)).to_numpy(dtype=float, na_value=np.nan)
    error = np.broadcast_to(np.asarray(u, dtype=float), gap.shape)
    ok = np.isfinite(gap)
    if not (np.isfinite(error[ok]).all() and (error[ok] >= 0).all()):
        raise ValueError("u must be finite and 0 mm or more for every reading")
    gap, error = gap[ok], error[ok]
    over = gap >= step - 1e-12
    if over.sum() < LEAST_READINGS:
        raise NotEnoughData(
            "spread of true gaps, readings over the gauge's step", n=int(over.sum()), needed=LEAST_READINGS
        )
    spread = error.round(6)
    code, value, u_of = _pair_codes(np.where(over, gap.round(6), 0.0), spread)
    if len(value) > MOST_READINGS:
        fine = max(float(np.median(error)) / 4, gap.max() / MOST_READINGS)
        code, value, u_of = _pair_codes(
            np.where(over, np.maximum((gap / fine).round() * fine, step), 0.0), spread
        )
    low = np.where(value > 0, value - step / 2, -np.inf)
    high = np.where(value > 0, value + step / 2, step)
    return Readings(low, high, u_of, code, int((~over).sum()))


def _pair_codes(one: Floats, two: Floats) -> tuple[npt.NDArray[np.intp], Floats, Floats]:
    """Which of the distinct pairs of values each row has, and these pairs in order."""
    (first, ones), (second, twos) = (pd.factorize(values, sort=True) for values in (one, two))
    code, pairs = pd.factorize(first * len(twos) + second, sort=True)
    return code, ones[pairs // len(twos)], twos[pairs % len(twos)]


def lay_components(readings: Readings) -> tuple[Floats, float]:
    """Where the narrow normals lie that the distribution is put together from, and how wide they are."""
    top = float(readings.high.max()) + 2 * float(readings.u.max())
    width = max(float(np.median(readings.u[readings.code])), NARROWEST_MM, top / MOST_COMPONENTS)
    at = np.arange(0.0, top + width, width)
    best = tell_likelihood(readings, at, width).max(axis=0)
    return at[best > 1e-6 * best.max()], width  # none where no reading is near


def tell_likelihood(readings: Readings, at: Floats, width: float) -> Floats:
    """Probability of each distinct reading under each component, (readings, components)."""
    spread = np.hypot(readings.u, width)[:, None]
    low, high = ((end[:, None] - at) / spread for end in (readings.low, readings.high))
    # both tails keep their digits: the upper one is read from the other side
    flip = low > 0
    return special.ndtr(np.where(flip, -low, high)) - special.ndtr(np.where(flip, -high, low))


def climb(likelihood: Floats, counts: Floats, weight: Floats, *, steps: int) -> Floats:
    """Weights of highest likelihood for each row of ``counts`` (b, readings) from ``weight`` (b, components)."""
    total = counts.sum(axis=1, keepdims=True)
    for _ in range(steps):
        gain = (counts / np.maximum(weight @ likelihood.T, 1e-300)) @ likelihood / total
        if np.all((gain.max(axis=1) - 1.0) * total[:, 0] < ENOUGH):
            break
        weight = weight * gain
    return weight / weight.sum(axis=1, keepdims=True)


def gap_density(spread: GapDistribution, gap: npt.ArrayLike) -> Floats:
    """Density of true gaps in a fleet.

    Parameters
    ----------
    spread : GapDistribution
        As :func:`deconvolve_gaps` gives it.
    gap : array_like, mm
        Of any shape.

    Returns
    -------
    ndarray, 1/mm
        With half a reading of all spread evenly besides, so that a gap where no reading fell is unlikely, not
        impossible.

    Examples
    --------
    >>> import numpy as np
    >>> from ventbook.physics import gauge
    >>> fleet = gauge.GapDistribution(np.array([0.2, 0.8]), 0.02, np.array([0.8, 0.2]), 100, 0)
    >>> gauge.gap_density(fleet, [0.2, 0.5, 0.8]).round(2).tolist()
    [15.88, 0.01, 3.98]
    """
    x = np.asarray(gap, dtype=float)
    fine = np.arange(0.0, float(spread.middle[-1]) + 6 * spread.width, spread.width / 4)
    z = (fine[:, None] - spread.middle) / spread.width
    curve = np.exp(-0.5 * z**2) @ spread.weight / (spread.width * np.sqrt(2 * np.pi))
    even = 0.5 / fine[-1]
    return (spread.n * np.interp(x, fine, curve, right=0.0) + even) / (spread.n + 0.5)


def tell_within(
    spread: GapDistribution, reading: npt.ArrayLike, *, u: npt.ArrayLike, limit: npt.ArrayLike
) -> Floats:
    """Probability that the true gap behind a reading is within the limit.

    Parameters
    ----------
    spread : GapDistribution
        True gaps in the fleet, as :func:`deconvolve_gaps` gives them.
    reading, u, limit : array_like, shape (n,), mm
        The reading less its gauge's bias, its standard uncertainty (over 0), and the limit; one value or one a reading.

    Returns
    -------
    ndarray, shape (n,)
        By Bayes from the fleet's gaps, with half a reading of all spread evenly besides, as in :func:`gap_density`.

    Examples
    --------
    Halfway between two kinds of lifters, where hardly any gap lies:

    >>> import numpy as np
    >>> from ventbook.physics import gauge
    >>> fleet = gauge.GapDistribution(np.array([0.42, 0.58]), 0.001, np.array([0.9, 0.1]), 100_000, 0)
    >>> gauge.tell_within(fleet, [0.50, 0.52], u=0.03, limit=0.5).round(2).tolist()
    [0.9, 0.21]
    """
    y, u, limit = np.broadcast_arrays(
        *(np.atleast_1d(np.asarray(v, dtype=float)) for v in (reading, u, limit))
    )
    own, wide = u[:, None] ** 2, spread.width**2
    mean = (y[:, None] * wide + spread.middle * own) / (own + wide)
    part = np.exp(-0.5 * (y[:, None] - spread.middle) ** 2 / (own + wide)) / np.sqrt(2 * np.pi * (own + wide))
    part *= spread.n * spread.weight
    within = special.ndtr((limit[:, None] - mean) / (spread.width * np.sqrt(own / (own + wide))))
    even = 0.5 / (float(spread.middle[-1]) + 6 * spread.width)
    return np.asarray(
        ((part * within).sum(axis=1) + even * special.ndtr((limit - y) / u)) / (part.sum(axis=1) + even)
    )
