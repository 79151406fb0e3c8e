"""The time of year as a nuisance: a wave that rises and falls once a year, of which no cause gets a share.

Where a workshop fills coolers in summer and not in winter, and lifters fail in winter for a reason that nobody writes down, the empty
cooler would be named for the season. So whatever may be named stands beside a wave of the records' own height and phase.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from ventbook.numerics import Floats

YEAR_DAYS = 365.25
LEAST_DAYS = 365
"""Records that span less have no wave: it could not be told from a trend."""


def spans_year(date: pd.Series) -> bool:
    """Whether dates reach over LEAST_DAYS."""
    return bool((date.max() - date.min()).days >= LEAST_DAYS)  # False without any date


def read_waves(date: pd.Series) -> Floats:
    """Cosine and sine of the day of the year, (n, 2); both 0 where there is no date."""
    angle = 2 * np.pi * date.dt.day_of_year.to_numpy(np.float64, na_value=np.nan) / YEAR_DAYS
    return np.nan_to_num(np.column_stack([np.cos(angle), np.sin(angle)]))


def raise_waves(date: pd.Series) -> Floats:
    """Columns from 0 to 1 that, with rates of at least 0, make any wave; (n, 4): each of :func:`read_waves` and its counterpart.

    (n, 0) where the dates don't reach over a year.
    """
    if not spans_year(date):
        return np.zeros((len(date), 0))
    cosine, sine = read_waves(date).T
    return np.column_stack([1 + cosine, 1 - cosine, 1 + sine, 1 - sine]) / 2


def fold_waves(theta: Floats, bases: int, waves: int) -> tuple[Floats, Floats]:
    """Rates without the waves' columns, bases as the mean over the year, and the swing along cosine and sine, (2,).

    ``theta``: ``bases``, then ``waves`` (0 or 4), then terms.
    """
    up = theta[bases : bases + waves].reshape(-1, 2)
    swing = (up[:, 0] - up[:, 1]) / 2 if waves else np.zeros(2)
    return np.r_[theta[:bases] + up.sum() / 2, theta[bases + waves :]], swing


def keep_swing(swing: Floats, *, bases: Floats, failing: float) -> float:
    """By how much of itself a swing is told ahead: 1 - 2 / chi-squared, never under 0.

    Fitted to ``failing`` ventings about the mean of ``bases``, a wave of a part a of it has chi-squared failing a^2 / 2 on two degrees of
    freedom. J. C. van Houwelingen, S. le Cessie, Statistics in Medicine 9 (1990) 1303.
    """
    usual = float(bases.sum()) / max(len(bases), 1)
    part = float(np.hypot(*swing)) / usual if usual > 0 else 0.0
    squared = failing * part * part / 2
    return max(1.0 - 2.0 / squared, 0.0) if squared > 0 else 0.0
