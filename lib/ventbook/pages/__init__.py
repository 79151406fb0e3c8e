"""Pages: one module a report puts analyses, figures and sentences together. No Jupyter in here.

``open_page`` checks what is asked for and opens the records; the module of a report (``ventbook.pages.<report>``)
has one function a question, each taking the page and returning something a notebook can show.
"""

from .base import Page, open_page
from .parameters import ParameterError, ReportSpec, check_parameters, find_report, report_specs
from .period import Period, choose_period
from .show import ColumnSpec, Shown

__all__ = [
    "ColumnSpec",
    "Page",
    "ParameterError",
    "Period",
    "ReportSpec",
    "Shown",
    "check_parameters",
    "choose_period",
    "find_report",
    "open_page",
    "report_specs",
]
