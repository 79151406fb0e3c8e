"""Uncertainty of a reading by gauge, and where it comes from."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from ventbook.physics.gauge.conformance import ASSUMED_U_MM
from ventbook.physics.gauge.studies import GaugeStudy

LEAST_FREEDOM = 5
"""Fewer degrees of freedom than this say too little to replace the assumed uncertainty."""


def repeatability_from_rechecks(rechecks: pd.DataFrame) -> pd.DataFrame:
    """Repeatability by gauge from second looks with no run between.

    Parameters
    ----------
    rechecks : DataFrame
        One row a second look: gauge, gap_first_mm, gap_last_mm (same gauge both times).

    Returns
    -------
    DataFrame
        One row a gauge with two looks at least: gauge, u_mm, freedom, pairs.

    Notes
    -----
    Standard deviation of the changes over the root of two. Only lifters over the limit are usually read
    twice, and those were picked for a high first reading: the mean change is taken out, and so is what is
    left of the picking only in part; the number is a hint, not a study.

    Examples
    --------
    >>> import pandas as pd
    >>> from ventbook.physics import gauge
    >>> looks = pd.DataFrame({"gauge": "HG-1", "gap_first_mm": [0.60, 0.70, 0.65], "gap_last_mm": [0.61, 0.69, 0.66]})
    >>> gauge.repeatability_from_rechecks(looks).round(4).values.tolist()
    [['HG-1', 0.0082, 2, 3]]
    """
    columns = ["gauge", "u_mm", "freedom", "pairs"]
    rows = []
    data = rechecks.dropna(subset=["gauge", "gap_first_mm", "gap_last_mm"])
    for name, part in data.groupby("gauge", observed=True):
        d = (part["gap_last_mm"] - part["gap_first_mm"]).to_numpy(dtype=float)
        if d.size >= 2:
            rows.append((name, float(d.std(ddof=1) / np.sqrt(2)), d.size - 1, d.size))
    return pd.DataFrame(rows, columns=columns)


def uncertainty_by_gauge(
    studies: Iterable[GaugeStudy], *, gauges: Iterable[str] = (), rechecks: pd.DataFrame | None = None
) -> pd.DataFrame:
    """Standard uncertainty of a reading for each gauge, and where the number comes from.

    Parameters
    ----------
    studies : iterable of GaugeStudy
        As :func:`analyse_study` gives them; several of one gauge are pooled by their number of readings.
    gauges : iterable of str
        Gauges that shall be in the answer besides.
    rechecks : DataFrame, optional
        Second looks with no run between (:func:`repeatability_from_rechecks`).

    Returns
    -------
    DataFrame
        gauge, u_mm, source ("study", "second_looks", "assumed"), bias_mm (NaN where no reference), readings.

    Notes
    -----
    A study comes first; else second looks with 5 degrees of freedom at least; else the assumed value, .02 mm
    (common practice, no source).

    Examples
    --------
    >>> from ventbook.physics import gauge
    >>> gauge.uncertainty_by_gauge([], gauges=["HG-1"])[["gauge", "u_mm", "source"]].values.tolist()
    [['HG-1', 0.02, 'assumed']]
    """
    pooled: dict[str, list[tuple[float, int, float]]] = {}
    for s in studies:
        if s.u.estimate is not None and s.gauge:
            bias = np.nan if s.bias.estimate is None else s.bias.estimate
            pooled.setdefault(s.gauge, []).append((s.u.estimate, s.readings, bias))
    hints = {}
    if rechecks is not None and len(rechecks):
        table = repeatability_from_rechecks(rechecks)
        hints = {g: (u, n) for g, u, df, n in table.itertuples(index=False) if df >= LEAST_FREEDOM and u > 0}
    rows = []
    for name in sorted({*map(str, gauges), *pooled, *hints}):
        if name in pooled:
            part = np.array(pooled[name])
            weight = part[:, 1]
            u = float(np.sqrt((weight * part[:, 0] ** 2).sum() / weight.sum()))
            known = np.isfinite(part[:, 2])
            bias = float(np.average(part[known, 2], weights=weight[known])) if known.any() else np.nan
            rows.append((name, u, "study", bias, int(weight.sum())))
        elif name in hints:
            rows.append((name, float(hints[name][0]), "second_looks", np.nan, int(hints[name][1])))
        else:
            rows.append((name, ASSUMED_U_MM, "assumed", np.nan, 0))
    return pd.DataFrame(rows, columns=["gauge", "u_mm", "source", "bias_mm", "readings"])
