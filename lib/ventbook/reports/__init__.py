"""Pages: one module a report puts analyses, figures and sentences together. No Jupyter in here.

``open_page`` checks what is asked for and opens the records; the module of a report (``ventbook.reports.<report>``)
has one function a question, each taking the page and returning something a notebook can show.
"""

from ventbook.reports.page import Page, open_page
from ventbook.reports.parameters import (
    ParameterError,
    Period,
    ReportSpec,
    check_parameters,
    choose_period,
    find_report,
    report_specs,
)

__all__ = [
    "Page",
    "ParameterError",
    "Period",
    "ReportSpec",
    "check_parameters",
    "choose_period",
    "find_report",
    "open_page",
    "report_specs",
]
