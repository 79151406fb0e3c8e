"""Reports: runs the notebooks, exports HTML, PDF and workbook, stamps them, and makes them again to compare."""

from .export import export_notebook
from .run import plan_reports, run_reports, run_tasks
from .task import Outcome, ReportError, Task, check_writable, scope_of
from .verify import Verdict, compare_reports, verify_report

__all__ = [
    "Outcome",
    "ReportError",
    "Task",
    "Verdict",
    "check_writable",
    "compare_reports",
    "export_notebook",
    "plan_reports",
    "run_reports",
    "run_tasks",
    "scope_of",
    "verify_report",
]
