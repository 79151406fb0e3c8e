"""Each recorded step of a venting against the limit in force on its date for its engine type.

A verdict says nothing about release: it compares a record with a manual's limit, or with a placeholder, and says
with which.
"""

from ventbook.dictionary import Step, steps

from .judge import JUDGED, VERDICTS, judge
from .readings import READ
from .report import (
    check_steps,
    count_not_recorded,
    describe_steps,
    list_facts,
    list_open_findings,
    mark_ventings,
    summarise_steps,
)

__all__ = [
    "JUDGED",
    "READ",
    "VERDICTS",
    "Step",
    "check_steps",
    "count_not_recorded",
    "describe_steps",
    "judge",
    "list_facts",
    "list_open_findings",
    "mark_ventings",
    "steps",
    "summarise_steps",
]
