"""Each recorded step of a venting against the limit in force on its date for its engine type.

A verdict says nothing about release: it compares a record with a manual's limit, or with a placeholder, and says
with which.
"""

from .judge import JUDGED, VERDICTS, judge
from .readings import READ
from .report import check_steps, count_not_recorded, list_open_findings, mark_ventings, summarise_steps
from .steps import Step, steps

__all__ = [
    "JUDGED",
    "READ",
    "VERDICTS",
    "Step",
    "check_steps",
    "count_not_recorded",
    "judge",
    "list_open_findings",
    "mark_ventings",
    "steps",
    "summarise_steps",
]
