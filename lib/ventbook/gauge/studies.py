"""A gauge study as recorded: checked, analysed and answered, whatever its shape."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from ventbook.gauge.bias import measure_bias
from ventbook.gauge.components import (
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
CLASSES_FACTOR = float(np.sqrt(2))
EQUAL_VARIANCE = 1e-18
"""mm^2; under this the readings of a lifter are equal but for rounding."""


@dataclass(frozen=True)
class GaugeStudy:
    """What one study says about a gauge.

    state : "estimated", "too_few" or "not_recorded"; note says what is missing or was assumed. shape : "crossed",
    "unbalanced", "not_crossed", "one_technician". components : a row a component (repeat, technician,
    interaction, gauge = these three, lifter, total) with variance, sd_mm, share_of_spread (of the total spread)
    and share_of_limit (2 sd over the limit). u : standard uncertainty of one reading by any technician, mm.
    classes : how many classes of lifters the gauge tells apart, at least 1.
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
    share_of_spread: Estimate
    share_of_limit: Estimate
    classes: int | None
    interaction_p: float | None
    bias: Estimate
    slope: Estimate
    note: str


def list_studies(readings: pd.DataFrame) -> list[tuple[str, str]]:
    """(study, gauge) pairs in the records, sorted; a gauge that was not recorded is ""."""
    if readings.empty:
        return []
    pairs = readings[["study", "gauge"]].fillna({"gauge": ""}).drop_duplicates()
    return sorted((str(s), str(g)) for s, g in pairs.itertuples(index=False))


def analyse_study(
    readings: pd.DataFrame, *, limit: float | None, level: float = 0.95, study: str = "", gauge: str = ""
) -> GaugeStudy:
    """Analyse the readings of one study with one gauge.

    Parameters
    ----------
    readings : lifter, technician, repeat, gap_mm, and reference_gap_mm where known; rows without a gap are left out.
    limit : gap limit, mm, that the gauge serves; None leaves the share of the limit open.

    Balanced crossed studies go through the analysis of variance, others through REML. A study in which no two
    technicians measured the same lifter gives the repeats alone and says that technicians can't be told from
    lifters.
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
    facts["readings"] = len(data)
    bias, slope = measure_bias(data, level=level)
    if len(data) == 0:
        return _nothing(facts, "not_recorded", "", "no readings", level, bias, slope)
    cells = counts.to_numpy()
    shape = _shape(cells)
    if lifters < 2 or len(data) <= lifters or not (cells.sum(0) > 1).any():
        note = f"{lifters} lifters with {len(data)} readings: two lifters read twice each are the least"
        return _nothing(facts, "too_few", shape, note, level, bias, slope)
    try:
        if shape in ("crossed", "one_technician") and cells.min() == cells.max():
            return _balanced(data, facts, shape, limit, level, bias, slope)
        if shape == "not_crossed":
            return _repeats_only(data, facts, limit, level, bias, slope)
        return _by_reml(data, facts, shape, limit, level, bias, slope)
    except NotEnoughData as error:
        return _nothing(facts, "too_few", shape, str(error), level, bias, slope)


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


def _balanced(
    data: pd.DataFrame,
    facts: dict,
    shape: str,
    limit: float | None,
    level: float,
    bias: Estimate,
    slope: Estimate,
) -> GaugeStudy:
    ordered = data.sort_values(["technician", "lifter", "repeat"], kind="stable")
    t, p = facts["technicians"], facts["lifters"]
    result = analyse_crossed(ordered["gap_mm"].to_numpy(dtype=float).reshape(t, p, -1))
    c = result.components
    squares, freedom, factors = _gauge_squares(result, p, facts["repeats"])
    notes = []
    if shape == "one_technician":
        notes.append("one technician: what technicians add is not in the number")
    if facts["repeats"] == 1:
        notes.append("one reading each: repeats and interaction can't be told apart")
    if p < LEAST_LIFTERS or t == 2:
        notes.append(f"a small study ({p} lifters, {t} technicians): wide intervals")
    return _answer(
        facts,
        shape,
        METHOD_ANOVA,
        c,
        (squares, freedom, factors),
        limit,
        level,
        bias,
        slope,
        result.interaction_p,
        notes,
    )


def interval_of_gauge(
    result: CrossedAnova, *, lifters: int, repeats: int, level: float
) -> tuple[float, float]:
    """Interval of the gauge's variance (repeats, technicians and interaction together) from a balanced study."""
    return interval_of_sum(*_gauge_squares(result, lifters, repeats), level=level)


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


def _by_reml(
    data: pd.DataFrame,
    facts: dict,
    shape: str,
    limit: float | None,
    level: float,
    bias: Estimate,
    slope: Estimate,
) -> GaugeStudy:
    factors = {"lifter": data["lifter"].to_numpy()}
    if facts["technicians"] > 1:
        factors["technician"] = data["technician"].to_numpy()
    both = (data["technician"] + "\x1f" + data["lifter"]).to_numpy()
    cells = len(set(both))
    if facts["technicians"] > 1 and cells < len(data) and facts["repeats"] > 1:
        factors["interaction"] = both
    fit = fit_reml(data["gap_mm"].to_numpy(dtype=float), factors)
    c = {k: fit.components.get(k, 0.0) for k in ("repeat", "interaction", "technician", "lifter")}
    df_repeat = max(
        1, len(data) - (cells if "interaction" in factors else facts["lifters"] + facts["technicians"] - 1)
    )
    # as in a balanced study: a technician's mean carries its own part of the repeats
    each = len(data) / facts["technicians"]
    error = c["repeat"] + c["interaction"]
    squares = [c["technician"] + error / each, error * (1 - 1 / each)]
    freedom = [facts["technicians"] - 1, df_repeat]
    notes = ["not every technician read every lifter equally often"]
    return _answer(
        facts, shape, METHOD_REML, c, (squares, freedom, [1.0, 1.0]), limit, level, bias, slope, None, notes
    )


def _repeats_only(
    data: pd.DataFrame, facts: dict, limit: float | None, level: float, bias: Estimate, slope: Estimate
) -> GaugeStudy:
    group = (data["technician"] + "\x1f" + data["lifter"]).to_numpy()
    sd, df, _ = pool_repeats(data["gap_mm"].to_numpy(dtype=float), group)
    means = data.groupby("lifter", observed=True)["gap_mm"].mean()
    lifter = max(0.0, float(means.var(ddof=1)) - sd**2) if len(means) > 1 else 0.0
    c = {"repeat": sd**2, "interaction": 0.0, "technician": 0.0, "lifter": lifter}
    note = "no lifter was read by two technicians: what technicians add can't be told from the lifters"
    return _answer(
        facts,
        "not_crossed",
        "pooled repeats",
        c,
        ([sd**2], [df], [1.0]),
        limit,
        level,
        bias,
        slope,
        None,
        [note],
    )


def _answer(
    facts: dict,
    shape: str,
    method: str,
    c: dict[str, float],
    pieces: tuple[list[float], list[int], list[float]],
    limit: float | None,
    level: float,
    bias: Estimate,
    slope: Estimate,
    interaction_p: float | None,
    notes: list[str],
) -> GaugeStudy:
    gauge = c["repeat"] + c["technician"] + c["interaction"]
    total = gauge + c["lifter"]
    values = {**c, "gauge": gauge, "total": total}
    sd = {k: float(np.sqrt(values[k])) for k in COMPONENTS}
    table = pd.DataFrame(
        {
            "component": list(COMPONENTS),
            "variance": [values[k] for k in COMPONENTS],
            "sd_mm": [sd[k] for k in COMPONENTS],
            "share_of_spread": [sd[k] / sd["total"] if total > 0 else np.nan for k in COMPONENTS],
            "share_of_limit": [2 * sd[k] / limit if limit else np.nan for k in COMPONENTS],
        }
    )
    n = facts["readings"]

    def make(unit: str, value: float, low: float, high: float, note: str = "") -> Estimate:
        return Estimate(value, low, high, level, unit, n, facts["lifters"], method, note=note)

    if gauge < EQUAL_VARIANCE:
        note = "all readings of a lifter are equal: the reading step is coarser than the spread, which stays unknown"
        return _nothing(facts, "too_few", shape, "; ".join([*notes, note]), level, bias, slope)
    low, high = interval_of_sum(*pieces, level=level)
    low, high = min(low, gauge), max(high, gauge)
    u = make("mm", sd["gauge"], float(np.sqrt(low)), float(np.sqrt(high)))
    spread = None
    if c["lifter"] > 0:
        spread = make(
            "share",
            sd["gauge"] / sd["total"],
            float(np.sqrt(low / (low + c["lifter"]))),
            float(np.sqrt(high / (high + c["lifter"]))),
        )
        spread = spread.with_note("interval with the lifters' spread held at its estimate")
    of_limit = None
    if limit:
        of_limit = make(
            "share",
            2 * sd["gauge"] / limit,
            2 * float(np.sqrt(low)) / limit,
            2 * float(np.sqrt(high)) / limit,
        )
    classes = max(1, int(CLASSES_FACTOR * np.sqrt(c["lifter"] / gauge)))
    return _finish(
        facts, shape, method, table, u, spread, of_limit, classes, interaction_p, bias, slope, notes, level
    )


def _finish(
    facts: dict,
    shape: str,
    method: str,
    table: pd.DataFrame,
    u: Estimate,
    spread: Estimate | None,
    of_limit: Estimate | None,
    classes: int | None,
    interaction_p: float | None,
    bias: Estimate,
    slope: Estimate,
    notes: list[str],
    level: float,
) -> GaugeStudy:
    none = no_estimate(
        "too_few", level=level, unit="share", n=facts["readings"], clusters=facts["lifters"], method=method
    )
    return GaugeStudy(
        **facts,
        state="estimated",
        shape=shape,
        method=method,
        components=table,
        u=u,
        share_of_spread=spread or none,
        share_of_limit=of_limit or none,
        classes=classes,
        interaction_p=interaction_p,
        bias=bias,
        slope=slope,
        note="; ".join(notes),
    )


def _nothing(
    facts: dict, state: str, shape: str, note: str, level: float, bias: Estimate, slope: Estimate
) -> GaugeStudy:
    def none(unit: str) -> Estimate:
        return no_estimate(
            state, level=level, unit=unit, n=facts["readings"], clusters=facts["lifters"], note=note
        )

    table = pd.DataFrame({"component": list(COMPONENTS)})
    for column in ("variance", "sd_mm", "share_of_spread", "share_of_limit"):
        table[column] = np.nan
    return GaugeStudy(
        **facts,
        state=state,
        shape=shape,
        method="",
        components=table,
        u=none("mm"),
        share_of_spread=none("share"),
        share_of_limit=none("share"),
        classes=None,
        interaction_p=None,
        bias=bias,
        slope=slope,
        note=note,
    )
