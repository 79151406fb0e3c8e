"""The exports of one report: HTML, PDF and workbook from the executed notebook and its page's contents."""

from __future__ import annotations

import json
from typing import Any

from .comments import comments_for, read_comments
from .document import build_document
from .html import report_html
from .notebook import tidy_notebook
from .task import Task, bare_path


def stamp_line(stamp: dict[str, Any]) -> str:
    """One line that says what a page was made from."""
    library = f"ventbook {stamp['versions'].get('ventbook', '')} {stamp['commit']}".strip()
    return (
        f"{stamp['report']}, snapshot {stamp['snapshot']}, records as of {stamp['today']}, "
        f"limits {stamp['limits']['revision']}, {library}"
    )


def write_exports(task: Task, contents: dict[str, Any], tell: Any) -> list[str]:
    """Writes report.html, report.pdf and tables.xlsx into the working folder; returns the notebook's warnings."""
    from .pdf import write_pdf
    from .xlsx import write_workbook

    seen = {**task.parameters, "out": ""}
    for name in ("store", "limits"):
        if path := task.parameters.get(name):
            seen[name] = bare_path(path)
    notebook, warned = tidy_notebook(task.work / "report.ipynb", seen)
    findings = json.loads((task.work / "findings.json").read_text("utf-8"))["findings"]
    comments = comments_for(
        read_comments(task.comments) if task.comments else [], task.name, contents["period"]["label"]
    )
    document = build_document(
        notebook, title=contents["title"], findings=findings, comments=comments, units=contents["units"]
    )
    stamp = stamp_line(contents["stamp"])
    tell("HTML", 0.9)
    page = report_html(document, scope=contents["scope"], stamp=stamp)
    (task.work / "report.html").write_text(page, encoding="utf-8", newline="")
    tell("workbook", 0.93)
    write_workbook(task.work / "tables.xlsx", contents, findings)
    tell("PDF", 0.95)
    write_pdf(task.work / "report.pdf", document, scope=contents["scope"], stamp=stamp, paper=task.paper)
    return warned
