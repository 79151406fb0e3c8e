"""Report 01: what came in, what is held and why, how complete it is, and what that costs."""

from ventbook.pages.records.arrived import (
    QUARANTINE_COLUMNS,
    answer,
    came_in,
    held,
    held_share,
    not_said,
    noted,
)
from ventbook.pages.records.complete import by_site, digits, missing_cost, record_better, recorded_map

__all__ = [
    "QUARANTINE_COLUMNS",
    "answer",
    "by_site",
    "came_in",
    "digits",
    "held",
    "held_share",
    "missing_cost",
    "not_said",
    "noted",
    "record_better",
    "recorded_map",
]
