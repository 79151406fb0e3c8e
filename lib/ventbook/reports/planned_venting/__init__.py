"""Report 09: what to expect at a planned venting, on one page, and how such predictions fared before."""

from ventbook.reports.planned_venting.behind import rests_on
from ventbook.reports.planned_venting.form import prepare_job
from ventbook.reports.planned_venting.page import (
    answer,
    how_it_fared,
    limitations,
    methods,
    next_ventings,
)
from ventbook.reports.planned_venting.stand import sheet

__all__ = [
    "answer",
    "how_it_fared",
    "limitations",
    "methods",
    "next_ventings",
    "prepare_job",
    "rests_on",
    "sheet",
]
