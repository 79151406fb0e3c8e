"""The team's own comments: kept in a file of theirs, merged into the page on every run.

The file is TOML, one ``[[comment]]`` each:

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

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ventbook import wording
from ventbook.document.blocks import Remark
from ventbook.errors import InputError
from ventbook.pages.parameters import nearest, report_specs
from ventbook.units import System

FIELDS = {"report", "section", "text", "finding", "group", "value", "period", "date"}


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
    made = []
    for number, row in enumerate(raw.get("comment", ()), 1):
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
