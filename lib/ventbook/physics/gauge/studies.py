"""A gauge study, whatever its shape: checked, analysed, answered, and how large the next one has to be.

Spreads by :mod:`ventbook.physics.gauge.variances`; the bias from readings of reference gaps, with the straight line behind it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from ventbook import distributions as stats
from ventbook.numerics import judge_fit
from ventbook.physics.gauge.variances import (
    CrossedAnova,
    analyse_crossed,
    fit_reml,
    interval_of_sum,
    pool_repeats,
)
from ventbook.results import Estimate, NotEnoughData, no_estimate

COMPONENTS = ("repeat", "technician", "interaction", "gauge", "lifter", "total")
METHOD_ANOVA = "analysis of variance, crossed"
METHOD_REML = "restricted maximum likelihood"
LEAST_LIFTERS = 5
EQUAL_VARIANCE = 1e-18
"""mm^2; under this the readings of a lifter are equal but for rounding."""


def measure_bias(data: pd.DataFrame, *, level: float = 0.95) -> tuple[Estimate, Estimate]:
    """Bias of a gauge against reference gaps, and how it grows with the gap.

    Parameters
    ----------
    data : DataFrame
        One row a reading: lifter, gap_mm, reference_gap_mm (missing where there is none).
    level : float
        Confidence level, 0.95 = 95 %.

    Returns
    -------
    bias : Estimate, mm
        Mean difference of the lifters' mean readings from their references, t interval; three lifters at
        least.
    slope : Estimate, mm/mm
        Least squares of the difference on the reference; four lifters at least.

    Notes
    -----
    A lifter is the unit. State "not_recorded" without references, "too_few" with too few lifters or no
    spread.

    Examples
    --------
    >>> import pandas as pd
    >>> from ventbook.physics import gauge
    >>> data = pd.DataFrame({"lifter": list("abcd"), "gap_mm": [0.21, 0.32, 0.51, 0.83], "reference_gap_mm": [0.2, 0.3, 0.5, 0.8]})
    >>> bias, slope = gauge.measure_bias(data)
    >>> round(bias.estimate, 4), round(slope.estimate, 3)
    (0.0175, 0.026)
    """
    method = "mean reading of each lifter less its reference"
    if "reference_gap_mm" not in data.columns or not data["reference_gap_mm"].notna().any():
        nothing = no_estimate(
            "not_recorded", level=level, unit="mm", n=0, method=method, note="no reference gap"
        )
        return nothing, no_estimate("not_recorded", level=level, unit="mm/mm", n=0, method=method)
    known = data[data["reference_gap_mm"].notna()]
    means = known.groupby("lifter", observed=True)[["gap_mm", "reference_gap_mm"]].mean()
    x = means["reference_gap_mm"].to_numpy(dtype=float)
    d = means["gap_mm"].to_numpy(dtype=float) - x
    k = d.size
    if k < 3:
        few = no_estimate(
            "too_few", level=level, unit="mm", n=len(known), clusters=k, method=method, note="under 3 lifters"
        )
        return few, no_estimate("too_few", level=level, unit="mm/mm", n=len(known), clusters=k, method=method)
    why = judge_fit(spread=float(d.std(ddof=1)))
    if why:
        note = f"every lifter reads {d.mean():+.3f} mm against its reference: {why}"
        few = no_estimate(
            "too_few", level=level, unit="mm", n=len(known), clusters=k, method=method, note=note
        )
        return few, no_estimate(
            "too_few", level=level, unit="mm/mm", n=len(known), clusters=k, method=method, note=note
        )
    t = float(stats.t.ppf(0.5 + level / 2, k - 1))
    half = t * float(d.std(ddof=1)) / np.sqrt(k)
    bias = Estimate(float(d.mean()), d.mean() - half, d.mean() + half, level, "mm", len(known), k, method)
    line = fit_line(x, d) if k >= 4 and np.ptp(x) > 0 else None
    if line is None or judge_fit(spread=line.residual_sd):
        return bias, no_estimate(
            "too_few", level=level, unit="mm/mm", n=len(known), clusters=k, method=method
        )
    t = float(stats.t.ppf(0.5 + level / 2, k - 2))
    slope = Estimate(
        line.slope, line.slope - t * line.slope_error, line.slope + t * line.slope_error, level, "mm/mm", len(known), k,
        "least squares of bias on reference",
    )  # fmt: skip
    return bias, slope


@dataclass(frozen=True)
class Line:
    """Least-squares line y = intercept + slope (x - origin)."""

    intercept: float
    slope: float
    intercept_error: float
    slope_error: float
    correlation: float
    residual_sd: float
    origin: float

    def at(self, x: float) -> tuple[float, float]:
        """Value of the line at x and its standard error."""
        d = x - self.origin
        variance = self.intercept_error**2 + (d * self.slope_error) ** 2
        variance += 2 * d * self.correlation * self.intercept_error * self.slope_error
        return self.intercept + self.slope * d, float(np.sqrt(variance))


def fit_line(x: np.ndarray, y: np.ndarray, *, origin: float = 0.0) -> Line:
    """Least-squares line through points, with standard errors and their correlation.

    Parameters
    ----------
    x, y : array_like, shape (n,)
        At least three points; x must vary.
    origin : float
        x at which the intercept is taken.

    Returns
    -------
    Line
        ``y = intercept + slope (x - origin)``; ``at(x)`` gives value and standard error.

    Raises
    ------
    NotEnoughData
        With fewer than three points, or x that doesn't vary.

    Examples
    --------
    >>> from ventbook.physics import gauge
    >>> line = gauge.fit_line([0.0, 1.0, 2.0, 3.0], [1.0, 3.1, 4.9, 7.0])
    >>> round(line.intercept, 3), round(line.slope, 3)
    (1.03, 1.98)
    """
    x, y = np.asarray(x, dtype=float) - origin, np.asarray(y, dtype=float)
    if x.size < 3 or np.ptp(x) <= 0:
        raise NotEnoughData("line, different x values", n=len(np.unique(x)), needed=3)
    design = np.column_stack([np.ones_like(x), x])
    inverse = np.linalg.inv(design.T @ design)
    coefficients = inverse @ design.T @ y
    sd = float(np.sqrt(((y - design @ coefficients) ** 2).sum() / (x.size - 2)))
    errors = sd * np.sqrt(np.diag(inverse))
    r = float(inverse[0, 1] / np.sqrt(inverse[0, 0] * inverse[1, 1]))
    (a, b), (ea, eb) = coefficients.tolist(), errors.tolist()
    return Line(a, b, ea, eb, r, sd, origin)


@dataclass(frozen=True)
class GaugeStudy:
    """What one study says about a gauge.

    state : "estimated", "too_few" or "not_recorded"; note says what is missing or was assumed. shape : "crossed",
    "unbalanced", "not_crossed", "one_technician". components : a row a component (repeat, technician,
    interaction, gauge = these three, lifter, total) with variance, sd_mm and share_of_limit (sd over the limit).
    u : standard uncertainty of one reading by any technician, mm; share_of_limit : the same over the limit.
    """

    study: str
    gauge: str
    state: str
    shape: str
    lifters: int
    technicians: int
    repeats: int
    readings: int
    method: str
    components: pd.DataFrame
    u: Estimate
    share_of_limit: Estimate
    interaction_p: float | None
    bias: Estimate
    slope: Estimate
    note: str


def list_studies(readings: pd.DataFrame) -> list[tuple[str, str]]:
    """Studies and gauges in the records.

    Parameters
    ----------
    readings : DataFrame
        The record table of gauge readings: study, gauge, ...

    Returns
    -------
    list of tuple of str
        (study, gauge) pairs, sorted; a gauge that was not recorded is "".

    Examples
    --------
    >>> import pandas as pd
    >>> from ventbook.physics import gauge
    >>> gauge.list_studies(pd.DataFrame({"study": ["S2", "S1", "S1"], "gauge": ["HG-1", None, None]}))
    [('S1', ''), ('S2', 'HG-1')]
    """
    if readings.empty:
        return []
    pairs = readings[["study", "gauge"]].fillna({"gauge": ""}).drop_duplicates()
    return sorted((str(s), str(g)) for s, g in pairs.itertuples(index=False))


def analyse_study(
    readings: pd.DataFrame, *, limit: float | None, level: float = 0.95, study: str = "", gauge: str = ""
) -> GaugeStudy:
    """What the readings of one study say about a gauge, whatever the study's shape.

    Parameters
    ----------
    readings : DataFrame
        One row a reading: lifter, technician, repeat, gap_mm, and reference_gap_mm where known; rows without
        a gap are left out.
    limit : float or None, mm
        Gap limit that the gauge serves; None leaves the share of the limit open.
    level : float
        Confidence level, 0.95 = 95 %.
    study, gauge : str
        Names for the answer.

    Returns
    -------
    GaugeStudy
        State, shape, variance components, standard uncertainty ``u`` of one reading by any technician (mm),
        its share of the limit, bias and slope, and a note of what is missing or was assumed.

    Raises
    ------
    ValueError
        For a level outside (0, 1).

    Notes
    -----
    Balanced crossed studies go through the analysis of variance (:func:`analyse_crossed`), others through
    REML (:func:`fit_reml`). A study in which no two technicians measured the same lifter gives the repeats
    alone and says that technicians can't be told from lifters.

    Examples
    --------
    >>> import itertools
    >>> import pandas as pd
    >>> from ventbook.physics import gauge
    >>> rows = list(itertools.product(["A", "B"], ["l1", "l2", "l3"], [1, 2]))
    >>> readings = pd.DataFrame(rows, columns=["technician", "lifter", "repeat"])
    >>> readings["gap_mm"] = [0.20, 0.22, 0.60, 0.61, 0.40, 0.41, 0.23, 0.25, 0.64, 0.65, 0.42, 0.44]
    >>> answer = gauge.analyse_study(readings, limit=0.5)
    >>> answer.shape, round(answer.u.estimate, 4), answer.u.unit
    ('crossed', 0.0243, 'mm')
    """
    if not 0 < level < 1:
        raise ValueError(f"level must lie between 0 and 1 (0.95 = 95 %); got {level!r}")
    data = readings[readings["gap_mm"].notna()].reset_index(drop=True)
    technician = data["technician"].astype("str").fillna("")
    data = data.assign(lifter=data["lifter"].astype("str"), technician=technician)
    sizes = data.groupby(["technician", "lifter"], observed=True).size()
    counts = sizes.unstack(fill_value=0)  # noqa: PD010 (a series, not a frame)
    people, lifters = counts.shape if len(data) else (0, 0)
    repeats = int(counts.to_numpy().max()) if len(data) else 0
    facts = {"study": study, "gauge": gauge, "lifters": lifters, "technicians": people, "repeats": repeats}
    bias, slope = measure_bias(data, level=level)
    facts |= {"readings": len(data), "bias": bias, "slope": slope}
    if len(data) == 0:
        return _nothing(facts, "not_recorded", "", "no readings", level)
    cells = counts.to_numpy()
    shape = _shape(cells)
    if lifters < 2 or len(data) <= lifters or not (cells.sum(0) > 1).any():
        note = f"{lifters} lifters with {len(data)} readings: two lifters read twice each are the least"
        return _nothing(facts, "too_few", shape, note, level)
    try:
        if shape == "not_crossed":
            spreads = _repeats_only(data)
        else:
            spreads = (_balanced if cells.min() == cells.max() else _by_reml)(data, cells)
    except NotEnoughData as error:
        return _nothing(facts, "too_few", shape, str(error), level)
    return _answer(spreads, facts, shape, limit, level)


@dataclass(frozen=True)
class _Spreads:
    """How the readings of a study vary, by one method.

    components : variances in mm2 (repeat, interaction, technician, lifter). squares, freedom, factors : the gauge's variance
    as a sum of factors times mean squares, for its interval.
    """

    method: str
    components: dict[str, float]
    squares: list[float]
    freedom: list[int]
    factors: list[float]
    notes: list[str]
    interaction_p: float | None = None


def _shape(cells: np.ndarray) -> str:
    if cells.shape[0] == 1:
        return "one_technician"
    if cells.min() > 0:
        return "crossed" if cells.min() == cells.max() else "unbalanced"
    # technicians are tied together by lifters that two of them measured
    shared = (cells > 0).astype(int)
    tie = shared @ shared.T > 0
    reach = np.linalg.matrix_power(tie.astype(float), len(tie)) > 0
    return "unbalanced" if reach.all() else "not_crossed"


def _balanced(data: pd.DataFrame, cells: np.ndarray) -> _Spreads:
    """Spreads where every technician (row of cells) read every lifter (column) equally often."""
    ordered = data.sort_values(["technician", "lifter", "repeat"], kind="stable")
    t, p = cells.shape
    repeats = int(cells.max())
    result = analyse_crossed(ordered["gap_mm"].to_numpy(dtype=float).reshape(t, p, -1))
    notes = []
    if t == 1:
        notes.append("one technician: what technicians add is not in the number")
    if repeats == 1:
        notes.append("one reading each: repeats and interaction can't be told apart")
    if p < LEAST_LIFTERS or t == 2:
        notes.append(f"a small study ({p} lifters, {t} technicians): wide intervals")
    pieces = _gauge_squares(result, p, repeats)
    return _Spreads(METHOD_ANOVA, result.components, *pieces, notes, result.interaction_p)


def _gauge_squares(result: CrossedAnova, p: int, r: int) -> tuple[list[float], list[int], list[float]]:
    """The gauge's variance as a sum of factor x mean square, for its interval.

    Technicians stay in the sum where their component came out 0: that the study saw nothing does not show that there is
    nothing.
    """
    ms, df = result.mean_squares, result.freedom
    by_technician = 1 / (p * r) if df["technician"] else 0.0
    if result.pooled:
        error_df = df["interaction"] + df["repeat"]
        error = (result.sum_of_squares["interaction"] + result.sum_of_squares["repeat"]) / error_df
        return [ms["technician"], error], [df["technician"], error_df], [by_technician, 1 - by_technician]
    names = ("technician", "interaction", "repeat")
    return [ms[k] for k in names], [df[k] for k in names], [by_technician, 1 / r - by_technician, 1 - 1 / r]


def _by_reml(data: pd.DataFrame, cells: np.ndarray) -> _Spreads:
    """Spreads where some technicians (rows of cells) read some lifters (columns) more often than others."""
    people, lifters = cells.shape
    pairs = int((cells > 0).sum())
    factors = {"lifter": data["lifter"].to_numpy()}
    if people > 1:
        factors["technician"] = data["technician"].to_numpy()
    if people > 1 and pairs < len(data):
        factors["interaction"] = (data["technician"] + "\x1f" + data["lifter"]).to_numpy()
    fit = fit_reml(data["gap_mm"].to_numpy(dtype=float), factors)
    c = {k: fit.components.get(k, 0.0) for k in ("repeat", "interaction", "technician", "lifter")}
    df_repeat = max(1, len(data) - (pairs if "interaction" in factors else lifters + people - 1))
    # as in a balanced study: a technician's mean carries its own part of the repeats
    each = len(data) / people
    error = c["repeat"] + c["interaction"]
    squares = [c["technician"] + error / each, error * (1 - 1 / each)]
    notes = ["not every technician read every lifter equally often"]
    return _Spreads(METHOD_REML, c, squares, [people - 1, df_repeat], [1.0, 1.0], notes)


def _repeats_only(data: pd.DataFrame) -> _Spreads:
    """Spread of the repeats alone, where technicians and lifters can't be told apart."""
    group = (data["technician"] + "\x1f" + data["lifter"]).to_numpy()
    sd, df, _ = pool_repeats(data["gap_mm"].to_numpy(dtype=float), group)
    means = data.groupby("lifter", observed=True)["gap_mm"].mean()
    lifter = max(0.0, float(means.var(ddof=1)) - sd**2) if len(means) > 1 else 0.0
    c = {"repeat": sd**2, "interaction": 0.0, "technician": 0.0, "lifter": lifter}
    note = "no lifter was read by two technicians: what technicians add can't be told from the lifters"
    return _Spreads("pooled repeats", c, [sd**2], [df], [1.0], [note])


def _answer(spreads: _Spreads, facts: dict, shape: str, limit: float | None, level: float) -> GaugeStudy:
    c = spreads.components
    gauge = c["repeat"] + c["technician"] + c["interaction"]
    values = {**c, "gauge": gauge, "total": gauge + c["lifter"]}
    sd = {k: float(np.sqrt(values[k])) for k in COMPONENTS}
    table = pd.DataFrame(
        {
            "component": list(COMPONENTS),
            "variance": [values[k] for k in COMPONENTS],
            "sd_mm": [sd[k] for k in COMPONENTS],
            "share_of_limit": [sd[k] / limit if limit else np.nan for k in COMPONENTS],
        }
    )
    if gauge < EQUAL_VARIANCE:
        note = "all readings of a lifter are equal: the reading step is coarser than the spread, which stays unknown"
        return _nothing(facts, "too_few", shape, "; ".join([*spreads.notes, note]), level)
    low, high = interval_of_sum(spreads.squares, spreads.freedom, spreads.factors, level=level)
    ends = float(np.sqrt(min(low, gauge))), float(np.sqrt(max(high, gauge)))
    n, lifters, method = facts["readings"], facts["lifters"], spreads.method
    of_limit = no_estimate("too_few", level=level, unit="share", n=n, clusters=lifters, method=method)
    if limit:
        share = sd["gauge"] / limit, ends[0] / limit, ends[1] / limit
        of_limit = Estimate(*share, level, "share", n, lifters, method)
    return GaugeStudy(
        **facts,
        state="estimated",
        shape=shape,
        method=method,
        components=table,
        u=Estimate(sd["gauge"], *ends, level, "mm", n, lifters, method),
        share_of_limit=of_limit,
        interaction_p=spreads.interaction_p,
        note="; ".join(spreads.notes),
    )


def _nothing(facts: dict, state: str, shape: str, note: str, level: float) -> GaugeStudy:
    def none(unit: str) -> Estimate:
        return no_estimate(
            state, level=level, unit=unit, n=facts["readings"], clusters=facts["lifters"], note=note
        )

    table = pd.DataFrame({"component": list(COMPONENTS)})
    for column in ("variance", "sd_mm", "share_of_limit"):
        table[column] = np.nan
    return GaugeStudy(
        **facts,
        state=state,
        shape=shape,
        method="",
        components=table,
        u=none("mm"),
        share_of_limit=none("share"),
        interaction_p=None,
        note=note,
    )


def plan_study(
    *,
    repeat_sd: float = 0.015,
    technician_sd: float = 0.01,
    lifters: tuple[int, ...] = (5, 10, 15, 20),
    technicians: tuple[int, ...] = (2, 3, 4),
    repeats: tuple[int, ...] = (2, 3),
    level: float = 0.95,
) -> pd.DataFrame:
    """What a crossed study of each size would tell about a gauge.

    Parameters
    ----------
    repeat_sd, technician_sd : float, mm
        Spread of repeats (over 0) and between technicians that the gauge is taken to have.
    lifters, technicians, repeats : tuple of int
        Sizes to set side by side, two at least.
    level : float
        Confidence level, 0.95 = 95 %.

    Returns
    -------
    DataFrame
        One row a size, sorted by readings: lifters, technicians, repeats, readings, u_mm (true uncertainty),
        u_low and u_high (ends of the interval that such a study gives on average, mm), factor (u_high / u_mm:
        how far the gauge could be worse than found), repeat_factor (the same for the repeats alone).

    Raises
    ------
    ValueError
        For spreads under 0 or a size under two.

    Notes
    -----
    Intervals by :func:`interval_of_sum`. Few technicians, not few lifters, keep the interval wide.

    Examples
    --------
    >>> from ventbook.physics import gauge
    >>> plan = gauge.plan_study(lifters=(10,), technicians=(2, 4), repeats=(2,))
    >>> plan[["technicians", "readings", "factor"]].round(1).values.tolist()
    [[2.0, 40.0, 18.7], [4.0, 80.0, 2.3]]
    """
    if not (repeat_sd > 0 and technician_sd >= 0):
        raise ValueError(
            f"repeat_sd must be over 0 and technician_sd 0 or more; got {repeat_sd}, {technician_sd}"
        )
    if min(lifters) < 2 or min(technicians) < 2 or min(repeats) < 2:
        raise ValueError("a crossed study takes two lifters, two technicians and two repeats at least")
    rows = []
    u = float(np.hypot(repeat_sd, technician_sd))
    for p in lifters:
        for t in technicians:
            for r in repeats:
                error_df = t * p * r - t - p + 1
                by_technician = repeat_sd**2 + p * r * technician_sd**2
                low, high = interval_of_sum(
                    [by_technician, repeat_sd**2],
                    [t - 1, error_df],
                    [1 / (p * r), 1 - 1 / (p * r)],
                    level=level,
                )
                alone = float(np.sqrt(error_df / stats.chi2.ppf(0.5 - level / 2, error_df)))
                low, high = float(np.sqrt(low)), float(np.sqrt(high))
                rows.append((p, t, r, p * t * r, u, low, high, high / u, alone))
    names = [
        "lifters",
        "technicians",
        "repeats",
        "readings",
        "u_mm",
        "u_low",
        "u_high",
        "factor",
        "repeat_factor",
    ]
    return pd.DataFrame(rows, columns=names).sort_values(["readings", "factor"], ignore_index=True)


def choose_size(plan: pd.DataFrame, *, factor: float = 2.0) -> pd.Series | None:
    """The smallest study of a plan that tells enough.

    Parameters
    ----------
    plan : DataFrame
        As :func:`plan_study` gives it.
    factor : float
        How many times the gauge's uncertainty the upper end of its interval may be.

    Returns
    -------
    Series or None
        The plan's row; None where no size is enough.

    Examples
    --------
    >>> from ventbook.physics import gauge
    >>> size = gauge.choose_size(gauge.plan_study(), factor=3.0)
    >>> int(size["lifters"]), int(size["technicians"]), int(size["repeats"])
    (5, 4, 2)
    """
    good = plan[plan["factor"] <= factor]
    return None if good.empty else good.iloc[0]
