"""What is wrong and what to do, by issue code, from ``data/issues.toml``."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

from .files import DATA, TableError, check_keys, read_toml

SEVERITIES = ("note", "set_aside")


@dataclass(frozen=True)
class IssueText:
    """One reason code: ``what`` and ``do`` are templates for ``str.format`` with the row's particulars."""

    code: str
    severity: str
    what: str
    do: str


def read_issues(path: Path) -> dict[str, IssueText]:
    """All issue texts of one file (``[[issue]]`` rows or one table a code), checked."""
    raw = read_toml(path)
    rows = raw["issue"] if "issue" in raw else [{"code": code, **row} for code, row in raw.items()]
    found: dict[str, IssueText] = {}
    for number, row in enumerate(rows, 1):
        where = f"{path.name}: row {number} ({row.get('code', '?')})"
        check_keys(
            row,
            where=where,
            allowed=("code", "severity", "what", "do"),
            required=("code", "severity", "what", "do"),
        )
        text = IssueText(**row)
        if text.severity not in SEVERITIES:
            raise TableError(
                f"{where}: severity must be one of {', '.join(SEVERITIES)}; got {text.severity!r}"
            )
        if text.code in found:
            raise TableError(f"{where}: code stands twice")
        found[text.code] = text
    return found


@cache
def issues() -> dict[str, IssueText]:
    """The issue texts by code."""
    return read_issues(DATA / "issues.toml")


def issue(code: str) -> IssueText:
    """The text of one code; KeyError when the table does not hold it."""
    return issues()[code]
