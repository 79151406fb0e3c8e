"""The two analysis tables: one row a venting, and one row a lifter and venting.

Everything that a report says starts from these two; they join the record tables, turn readings into the
intervals they stand for, and carry what the physics expects.
"""

from .intervals import first_start, rotation_interval, time_interval
from .lifters import build_lifters, choose_limits
from .reading import read_lifters, read_ventings
from .runs import count_runs_taken
from .ventings import COUNTED, build_jobs

__all__ = [
    "COUNTED",
    "build_jobs",
    "build_lifters",
    "choose_limits",
    "count_runs_taken",
    "first_start",
    "read_lifters",
    "read_ventings",
    "rotation_interval",
    "time_interval",
]
