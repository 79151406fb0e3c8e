"""Which lot, site, gauge, engine type or revision fails more often than expected, told at every venting.

Evidence holds at every look: of streams in which nothing acts at most one in c ever reaches c.
"""

from ventbook.statistics.monitor.evidence import mixture_evidence, size_stream
from ventbook.statistics.monitor.outcomes import LIFTER_COLUMNS, list_outcomes
from ventbook.statistics.monitor.settings import FAILING, FAMILY, KINDS, LEAK_DOWN, Settings, load_settings
from ventbook.statistics.monitor.watch import Monitor, monitor_streams, trace_stream

__all__ = [
    "FAILING",
    "FAMILY",
    "KINDS",
    "LEAK_DOWN",
    "LIFTER_COLUMNS",
    "Monitor",
    "Settings",
    "list_outcomes",
    "load_settings",
    "mixture_evidence",
    "monitor_streams",
    "size_stream",
    "trace_stream",
]
