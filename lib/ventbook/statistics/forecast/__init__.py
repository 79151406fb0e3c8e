"""What to expect of ventings to come, and how such predictions fared: ``counts`` (rotations, seconds, positions), ``chances``
(of a spongy lifter, corrected by what became of earlier ones), ``rolling`` (each past quarter from the quarters before it).
"""

from ventbook.statistics.forecast.chances import (
    Deviation,
    Shift,
    learn_from,
    learn_shift,
    reliability,
    roll_chances,
    tell_deviation,
)
from ventbook.statistics.forecast.counts import (
    estimate_cure,
    off_support,
    predict_rotations,
    predict_times,
    rank_positions,
)
from ventbook.statistics.forecast.rolling import LEVEL, roll_forward, summarise

__all__ = [
    "LEVEL",
    "Deviation",
    "Shift",
    "estimate_cure",
    "learn_from",
    "learn_shift",
    "off_support",
    "predict_rotations",
    "predict_times",
    "rank_positions",
    "reliability",
    "roll_chances",
    "roll_forward",
    "summarise",
    "tell_deviation",
]
