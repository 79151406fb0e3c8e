"""Executed notebooks tidied so that they come out the same every time, and the team's own comments merged into the page.

Comments are kept in a TOML file of the team's, one ``[[comment]]`` each, and merged on every run:

    [[comment]]
    report = "quarterly-review"
    section = "by-site"              # the heading's anchor, as it stands in the page's contents list
    text = "Harbour got a second gauge in August."
    finding = "venting_failure_share"   # the number that it speaks of, if it does
    group = { site = "Harbour" }
    value = 0.21                        # what that number was (shares as fractions, metric units)

A comment whose number has changed since is kept and marked. ``period`` limits a comment to one period's page.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from ventbook.document import MEDIA, Block, wording
from ventbook.document.blocks import Closing, Remark
from ventbook.document.codec import decode_blocks, encode_blocks
from ventbook.document.findings import PLACES
from ventbook.errors import InputError
from ventbook.reports.parameters import nearest, report_specs
from ventbook.run.job import bare_path
from ventbook.tables.units import System

FIELDS = {"report", "section", "text", "finding", "group", "value", "period", "date"}
_WARNING = re.compile(r"^(\S.*?):(\d+): (\w*Warning: .*)$", re.MULTILINE)
_HEADING = re.compile(r"^(#{1,4})\s+(.+?)\s*#*\s*$", re.MULTILINE)


@dataclass(frozen=True)
class Comment:
    """One comment; ``section`` is a heading's anchor."""

    report: str
    section: str
    text: str
    finding: str = ""
    group: Mapping[str, Any] = field(default_factory=dict)
    value: float | None = None
    period: str = ""
    date: str = ""


def read_comments(path: Path) -> list[Comment]:
    """The comments of a file. Raises InputError with one line that names file, comment and fault."""
    try:
        raw = tomllib.loads(path.read_text("utf-8"))
    except OSError as error:
        raise InputError(f"comments file {path} can't be read ({error.strerror})") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"comments file {path} is not TOML: {' '.join(str(error).split())}") from None
    rows = raw.get("comment", [])
    shape = '[[comment]] with report = "...", section = "...", text = "..." (ventbook comments DIR drafts it)'
    if set(raw) - {"comment"} or not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        found = ", ".join(sorted(set(raw) - {"comment"})) or "comment"
        raise InputError(
            f"comments file {path}: {wording.clean_text(found)} is not of its shape, which is {shape}"
        )
    made = []
    for number, row in enumerate(rows, 1):
        where = f"{path.name}: comment {number}"
        if unknown := set(row) - FIELDS:
            names = ", ".join(f"{name!r}{nearest(name, FIELDS)}" for name in sorted(unknown))
            raise InputError(f"{where}: unknown {names}")
        if missing := {"report", "section", "text"} - set(row):
            raise InputError(f"{where}: {', '.join(sorted(missing))} missing")
        if row["report"] not in report_specs():
            raise InputError(
                f"{where}: report {row['report']!r} is not known{nearest(row['report'], report_specs())}"
            )
        value = row.get("value")
        if value is not None and (isinstance(value, bool) or not isinstance(value, (int, float))):
            raise InputError(f"{where}: value must be a number; got {value!r}")
        if not all(isinstance(row.get(name, ""), str) for name in ("section", "text", "finding", "period")):
            raise InputError(f"{where}: section, text, finding and period are texts")
        made.append(Comment(**{**row, "date": str(row.get("date", ""))}))
    return made


def comments_for(comments: Sequence[Comment], report: str, period: str) -> dict[str, list[Comment]]:
    """The comments of one page by section."""
    chosen: dict[str, list[Comment]] = {}
    for comment in comments:
        if comment.report == report and comment.period in ("", period):
            chosen.setdefault(comment.section.lstrip("#"), []).append(comment)
    return chosen


def what_changed(comment: Comment, findings: Sequence[Mapping[str, Any]], *, units: System) -> str:
    """A sentence when the number that a comment speaks of is another now, else an empty text."""
    if not comment.finding:
        return ""
    for finding in findings:
        if finding["id"] == comment.finding and finding["group"] == dict(comment.group):
            now, unit = finding["estimate"], finding["unit"]
            if comment.value is None:
                return ""
            then_text = wording.number(comment.value, unit, units=units)
            now_text = wording.number(now, unit, units=units)
            if then_text == now_text:
                return ""
            return f"The number that this comment speaks of has changed since: it was {then_text}, it is {now_text}."
    return "The number that this comment speaks of is no longer on this page."


def make_remarks(
    comments: Mapping[str, Sequence[Comment]], findings: Sequence[Mapping[str, Any]], *, units: System
) -> dict[str, list[Remark]]:
    """Comments by section as they stand on the page, marked where their number has changed."""
    return {
        section: [
            Remark(
                head="Comment by the team" + (f", {comment.date}" if comment.date else ""),
                paragraphs=tuple(
                    wording.clean_text(part, longest=5000) for part in comment.text.strip().split("\n\n")
                ),
                changed=what_changed(comment, findings, units=units),
            )
            for comment in given
        ]
        for section, given in comments.items()
    }


def heading_before(notebook: Any, index: int) -> str:
    """The last heading at or above a cell, as plain text; empty if there is none."""
    for cell in reversed(notebook.cells[: index + 1]):
        if cell.cell_type == "markdown" and (found := _HEADING.findall(cell.source)):
            return re.sub(r"[*_`]", "", found[-1][1])
    return ""


def tidy_notebook(notebook: Any, parameters: Mapping[str, Any]) -> None:
    """Takes run times, process numbers, warnings and places on this machine out of an executed notebook, in place.

    ``parameters`` are what the notebook was run with; of their paths, and of those in its blocks, the part that
    :func:`~ventbook.run.job.bare_path` shows is kept.
    """
    shown = _bare(parameters)
    notebook.metadata.pop("papermill", None)
    notebook.metadata["kernelspec"] = {"name": "python3", "display_name": "Python 3", "language": "python"}
    version = notebook.metadata.get("language_info", {}).get("version")
    notebook.metadata["language_info"] = (
        {"name": "python", "version": version} if version else {"name": "python"}
    )
    for number, cell in enumerate(notebook.cells):
        cell["id"] = f"cell-{number}"
        for key in ("papermill", "execution"):
            cell.metadata.pop(key, None)
        if cell.cell_type == "code":
            if "injected-parameters" in cell.metadata.get("tags", []):
                lines = [f"{name} = {value!r}" for name, value in shown.items()]
                cell.source = "\n".join(["# what this report was asked for", *lines])
            cell.outputs = [_tidy_output(output) for output in cell.outputs if not is_stderr(output)]


def is_stderr(output: Any) -> bool:
    """Whether an output is what a cell wrote to standard error (warnings, with paths of this machine in them)."""
    return bool(output.output_type == "stream" and output.name == "stderr")


def list_warnings(notebook: Any) -> list[str]:
    """Warnings that the notebook's cells gave: file (its last name), line and message."""
    said = []
    for cell in notebook.cells:
        for output in cell.get("outputs", ()):
            if is_stderr(output):
                found = _WARNING.findall(output.text)
                said += [f"{Path(file).name}:{line}: {message}" for file, line, message in found]
    return said


def _tidy_output(output: Any) -> Any:
    output.get("metadata", {}).clear()
    output.pop("transient", None)
    data = output.get("data", {})
    if MEDIA in data:
        blocks = decode_blocks(data[MEDIA])
        if any(isinstance(block, Closing) for block in blocks):
            data[MEDIA] = encode_blocks(map(_without_places, blocks))
    return output


def _without_places(block: Block) -> Block:
    if not isinstance(block, Closing):
        return block
    return replace(block, stamp={**block.stamp, "parameters": _bare(block.stamp["parameters"])})


def _bare(parameters: Mapping[str, Any]) -> dict[str, Any]:
    return {
        name: bare_path(value) if name in PLACES and value else value for name, value in parameters.items()
    }
