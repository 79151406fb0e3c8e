"""Report 11: which lot, site, gauge, engine type or revision fails more often than expected, told at every intake.

One function a section; each takes the page and returns something a notebook can show.
"""

from ventbook.reports.monitor.page import (
    answer,
    every_stream,
    evidence,
    history,
    limitations,
    methods,
    promise,
    standing,
    ventings,
)

__all__ = [
    "answer",
    "every_stream",
    "evidence",
    "history",
    "limitations",
    "methods",
    "promise",
    "standing",
    "ventings",
]
