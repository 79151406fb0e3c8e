"""Which recorded circumstances go with longer or shorter waits: times to pressure, rotations until pressure shows."""

from ventbook.statistics.time_causes.effects import TimeEffects, fit_effects, read_waits
from ventbook.statistics.time_causes.naming import (
    TimeNaming,
    chance_of_any,
    name_circumstances,
    simulate_maxima,
)

__all__ = [
    "TimeEffects",
    "TimeNaming",
    "chance_of_any",
    "fit_effects",
    "name_circumstances",
    "read_waits",
    "simulate_maxima",
]
