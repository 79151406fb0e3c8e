"""Rows of a register of gauges from the studies on record, for a shop without a register and for the draft of one.

The sign is the register's: bias = reading less truth.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from ventbook import distributions as stats
from ventbook.physics.gauge.studies import GaugeStudy, analyse_study, list_studies
from ventbook.tables.gauges import ASSUMED, STUDY, GaugeRow

LEAST_LIFTERS = 3
NORMAL_95 = 1.96
POOL_ABOVE = 0.5
"""Technicians with a p value over this are pooled with the repeats: twice what is usual for components, because two or three
technicians seldom show what there is between them (tried on simulated studies)."""


def bias_of_study(readings: pd.DataFrame) -> tuple[float, float, int] | None:
    """Bias of a gauge by one study, for readings by any technician, with its uncertainty.

    Parameters
    ----------
    readings : DataFrame
        One row a reading: lifter, technician, gap_mm, reference_gap_mm (missing where there is none).

    Returns
    -------
    tuple or None
        Bias (mm, reading less reference), its standard uncertainty (mm) and the number of lifters with a
        reference; None with fewer than three of them, or readings without any spread.

    Notes
    -----
    Lifters and technicians are both samples: the variance of the mean is that between technicians plus what
    lifters have beyond it. Few technicians know little about the others, so the uncertainty is widened until
    bias plus and minus 1.96 times it is the t interval (degrees of freedom by Satterthwaite). One technician
    says nothing about others; the uncertainty is then that technician's.

    References
    ----------
    S. R. Searle, G. Casella, C. E. McCulloch, Variance Components (1992): two-way random model.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.physics import gauge
    >>> readings = ventbook.open_store("data/demo/store").snapshot().records()["gauge_readings"]
    >>> bias, u, lifters = gauge.bias_of_study(readings[readings["gauge"] == "HG-3"])
    >>> 0.1 < bias < 0.12, u < 0.01, lifters
    (True, True, 10)
    """
    if "reference_gap_mm" not in readings.columns:
        return None
    data = readings.dropna(subset=["gap_mm", "reference_gap_mm"])
    technician = data["technician"].astype("object").fillna("") if "technician" in data else ""
    data = data.assign(off=data["gap_mm"] - data["reference_gap_mm"], technician=technician)
    cells = data.groupby(["technician", "lifter"], observed=True)["off"].mean().unstack().to_numpy(float)  # noqa: PD010
    if data["lifter"].nunique() < LEAST_LIFTERS:
        return None
    parts = _variance_parts(cells)
    variance = sum(part for part, _ in parts)
    if not variance > 0:
        return None
    freedom = variance**2 / sum(part**2 / df for part, df in parts)
    half = float(stats.t.ppf(0.975, freedom)) * float(np.sqrt(variance))
    return float(np.nanmean(np.nanmean(cells, axis=0))), half / NORMAL_95, int(cells.shape[1])


def _variance_parts(cells: np.ndarray) -> list[tuple[float, int]]:
    """Variance of the mean of a table, technicians x lifters, as parts with their degrees of freedom."""
    people, lifters = cells.shape
    by_lifter = np.nanmean(cells, axis=0)
    between_lifters = float(by_lifter.var(ddof=1)) / lifters
    if people == 1:
        return [(between_lifters, lifters - 1)]
    by_person = np.nanmean(cells - by_lifter, axis=1)
    between_people = float(by_person.var(ddof=1)) / people
    if np.isnan(cells).any():  # what both share can't be taken out: a little too wide
        return [(between_lifters, lifters - 1), (between_people, people - 1)]
    freedom = (people - 1) * (lifters - 1)
    shared = float(((cells - by_lifter - by_person[:, None]) ** 2).sum()) / freedom / (people * lifters)
    parts = [(max(between_lifters - shared, 0.0), lifters - 1)]
    if shared > 0 and stats.f.sf(between_people / shared, people - 1, freedom) <= POOL_ABOVE:
        return [*parts, (between_people, people - 1)]
    pooled = (between_people * (people - 1) + shared * freedom) / (people - 1 + freedom)
    return [*parts, (pooled, people - 1 + freedom)]


def rows_from_studies(
    readings: pd.DataFrame | None, *, days: Mapping[str, dt.date] | None = None
) -> tuple[GaugeRow, ...]:
    """One row of the register for each gauge that a study on record speaks of.

    Parameters
    ----------
    readings : DataFrame or None
        The record table of gauge readings: study, gauge, lifter, technician, repeat, gap_mm,
        reference_gap_mm.
    days : mapping of str to date, optional
        Day of each study, by name.

    Returns
    -------
    tuple of GaugeRow
        Sorted by gauge, in mm, in force on every day. Kind "study" with a bias where three lifters have a
        reference gap, else "assumed"; source says by which studies, and what is missing. Several studies of
        one gauge are pooled: spreads by readings, biases by what each knows.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.physics import gauge
    >>> records = ventbook.open_store("data/demo/store").snapshot().records()
    >>> [(row.gauge, row.kind, round(row.bias, 2)) for row in gauge.rows_from_studies(records["gauge_readings"])]
    [('HG-1', 'study', -0.0), ('HG-3', 'study', 0.11)]
    """
    if readings is None or readings.empty:
        return ()
    by_gauge: dict[str, list[tuple[GaugeStudy, pd.DataFrame]]] = {}
    for study, name in list_studies(readings):
        if not name:
            continue
        part = readings[(readings["study"] == study) & (readings["gauge"] == name)]
        by_gauge.setdefault(name, []).append((analyse_study(part, limit=None, study=study, gauge=name), part))
    return tuple(_pool(name, found, days or {}) for name, found in sorted(by_gauge.items()))


def _pool(
    name: str, found: Sequence[tuple[GaugeStudy, pd.DataFrame]], days: Mapping[str, dt.date]
) -> GaugeRow:
    known = [(s, bias_of_study(part)) for s, part in found]
    spreads = [
        (s.components.set_index("component")["variance"], s.readings)
        for s, _ in known
        if s.u.estimate is not None and s.u.estimate > 0
    ]
    repeat = between = None
    if spreads:
        total = sum(n for _, n in spreads)
        repeat = float(np.sqrt(sum(v["repeat"] * n for v, n in spreads) / total))
        between = float(np.sqrt(sum((v["technician"] + v["interaction"]) * n for v, n in spreads) / total))
    told = [(bias[0], bias[1]) for _, bias in known if bias is not None]
    made = max((days[s.study] for s, _ in known if s.study in days), default=None)
    source = "; ".join(_describe(s, bias) for s, bias in known)
    bias, u = _weigh(told) if told else (None, None)
    return GaugeRow(
        gauge=name,
        kind=STUDY if told else ASSUMED,
        source=source,
        unit="mm",
        bias=bias,
        bias_uncertainty=u,
        repeatability=repeat,
        between_technicians=between,
        made=made,
    )


def _weigh(told: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Biases weighted by what each knows; studies that contradict each other widen the uncertainty (Birge)."""
    value, u = np.array(told, dtype=float).T
    weight = u**-2 / (u**-2).sum()
    mean = float(weight @ value)
    spread = float((((value - mean) / u) ** 2).sum() / max(len(value) - 1, 1))
    return mean, float((u**-2).sum() ** -0.5 * np.sqrt(max(spread, 1.0)))


def _describe(study: GaugeStudy, bias: tuple[float, float, int] | None) -> str:
    people = "1 technician" if study.technicians == 1 else f"{study.technicians} technicians"
    lifters = "1 lifter" if study.lifters == 1 else f"{study.lifters} lifters"
    text = f"study {study.study}: {lifters}, {people}, {study.readings} readings"
    if bias is None:
        text += ", no bias told (three lifters with a known gap are the least)"
    if study.u.estimate is None:
        text += ", no spread told (two lifters read twice each are the least)"
    return text
