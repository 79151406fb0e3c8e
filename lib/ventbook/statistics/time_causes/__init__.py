"""Which recorded circumstances go with longer or shorter waits: times to pressure, rotations until pressure shows."""

from ventbook.statistics.time_causes.effects import TimeEffects, fit_effects, read_waits

__all__ = ["TimeEffects", "fit_effects", "read_waits"]
