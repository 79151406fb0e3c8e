"""The two analysis tables: one row a venting, and one row a lifter and venting.

Everything that a report says starts from these two; they join the record tables, turn readings into the
intervals they stand for, and carry what the physics expects.
"""

from ventbook.model.intervals import first_start, rotation_interval, time_interval
from ventbook.model.lifters import build_lifters, choose_gauges, choose_limits, count_runs_taken
from ventbook.model.reading import read_lifters, read_ventings
from ventbook.model.ventings import COUNTED, build_ventings, expect_again, expect_records, list_counts

__all__ = [
    "COUNTED",
    "build_lifters",
    "build_ventings",
    "choose_gauges",
    "choose_limits",
    "count_runs_taken",
    "expect_again",
    "expect_records",
    "first_start",
    "list_counts",
    "read_lifters",
    "read_ventings",
    "rotation_interval",
    "time_interval",
]
