"""How large a gauge study has to be."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from ventbook.gauge.components import interval_of_sum


def plan_study(
    *,
    repeat_sd: float = 0.015,
    technician_sd: float = 0.01,
    lifters: tuple[int, ...] = (5, 10, 15, 20),
    technicians: tuple[int, ...] = (2, 3, 4),
    repeats: tuple[int, ...] = (2, 3),
    level: float = 0.95,
) -> pd.DataFrame:
    """What a crossed study of each size would tell about a gauge of the given spreads (mm).

    Returns a row a size: lifters, technicians, repeats, readings, u_low and u_high (ends of the interval of the
    gauge's uncertainty that such a study gives on average, mm), u_mm (its true value), factor (u_high / u_mm: how far
    the gauge could be worse than found), repeat_factor (the same for the repeats alone). Sorted by readings.
    Few technicians, not few lifters, keep the interval wide.
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
    """The smallest study in the plan whose upper end is at most ``factor`` times the gauge's uncertainty; None if none is."""
    good = plan[plan["factor"] <= factor]
    return None if good.empty else good.iloc[0]
