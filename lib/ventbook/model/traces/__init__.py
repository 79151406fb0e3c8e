"""What a logged start shows: time to pressure, rotations while turning, dips, roughness, warm-up, and channel faults.

Samples are reduced by segments, one row a start, as a pure function of one partition: it needs no more than
the samples of whole starts, so it runs the same on one row group, in a thread, a process or on a worker.
"""

from ventbook.model.traces.features import (
    FEATURES,
    MADE_UNDER,
    Settings,
    match_limits,
    read_settings,
    start_features,
    start_settings,
)
from ventbook.model.traces.partitions import features_of_files, read_trace

__all__ = [
    "FEATURES",
    "MADE_UNDER",
    "Settings",
    "features_of_files",
    "match_limits",
    "read_settings",
    "read_trace",
    "start_features",
    "start_settings",
]
