"""Making a finished report again from its stamp, and saying whether every number came out the same, and if not why."""

from __future__ import annotations

import csv
import io
import json
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from ventbook import __version__, tables
from ventbook.errors import InputError
from ventbook.places import find_place
from ventbook.reports.kept import SWITCH
from ventbook.reports.scope import file_hash
from ventbook.run.runner import OnProgress, plan_reports, run_jobs
from ventbook.run.stamp import read_run
from ventbook.shipped import NOTEBOOKS

SHOWN = 20
Difference = tuple[str, str, str]  # "finding" or "table", its id or name, and the sentence


@dataclass(frozen=True)
class Verdict:
    """What a rerun gave. ``differences`` are sentences about numbers that nothing explains, ``on_purpose`` (why ->
    sentences) about numbers that a version since then moved on purpose, ``reasons`` about what else is different now.
    ``same`` is no where there is any difference, meant or not.
    """

    same: bool
    findings: int
    tables: int
    differences: tuple[str, ...]
    reasons: tuple[str, ...]
    pdf: str
    made_by: str = ""
    on_purpose: tuple[tuple[str, tuple[str, ...]], ...] = ()

    def lines(self) -> list[str]:
        """What to print: the answer first, then what differs, then why it may."""
        said = f"{self.findings} numbers and {self.tables} tables compared"
        lines = [f"the same: {said}" if self.same else f"not the same: {said}"]
        if self.made_by and self.made_by != __version__:
            lines.append(
                f"the report was made by ventbook {self.made_by}; it was made again by {__version__}"
            )
        for why, moved in self.on_purpose:
            lines += [f"changed on purpose: {why}", *_first_lines(moved)]
        if self.on_purpose and self.differences:
            lines.append("changed, and not on the list of what was changed on purpose:")
        lines += _first_lines(self.differences)
        lines += [f"what else is different: {reason}" for reason in self.reasons]
        return [*lines, self.pdf]


def _first_lines(said: tuple[str, ...]) -> list[str]:
    more = [f"... and {len(said) - SHOWN} more"] if len(said) > SHOWN else []
    return [*said[:SHOWN], *more]


def verify_report(
    folder: Path,
    *,
    store: str = "",
    limits: str = "",
    comments: Path | None = None,
    notebooks: Path = NOTEBOOKS,
    on_progress: OnProgress | None = None,
) -> Verdict:
    """Runs a finished report again from ``run.json`` and compares findings, tables and PDF.

    ``store``, ``limits`` and ``comments`` stand in for those named in the stamp where these have moved. Raises
    InputError when the folder is no report or its store is gone, RuntimeError when the rerun itself fails.
    """
    run = read_run(folder)
    _check_untouched(folder, run)
    parameters = dict(run["parameters"])
    for name, instead in (("store", store), ("limits", limits)):
        if instead:
            parameters[name] = instead
        elif parameters.get(name):
            place = find_place(parameters[name])
            parameters[name] = str((folder / place).resolve() if isinstance(place, Path) else place)
    if comments is None and run.get("comments"):
        comments = (folder / run["comments"]).resolve()
    parameters["as_of"] = run["snapshot"]
    with tempfile.TemporaryDirectory(prefix="ventbook-verify-") as made:
        planned = plan_reports(
            [run["report"]],
            parameters,
            out=Path(made),
            notebooks=notebooks,
            paper=run["paper"],
            comments=comments,
        )
        # nothing that the store keeps: each number is worked out anew
        planned = [replace(job, environment={**job.environment, SWITCH: "no"}) for job in planned]
        outcome = next(iter(run_jobs(planned, jobs=1, on_progress=on_progress)))
        if outcome.code == 2:
            raise InputError(outcome.message)
        if not outcome.done:
            raise RuntimeError(outcome.message)
        return compare_reports(folder, run, outcome.folder)


def _check_untouched(folder: Path, run: Mapping[str, Any]) -> None:
    if not (folder / "findings.json").is_file():
        raise InputError(f"{folder / 'findings.json'} is missing: nothing to compare with")


def compare_reports(folder: Path, run: Mapping[str, Any], rerun: Path) -> Verdict:
    """Compares a finished report with its rerun, number by number."""
    again = read_run(rerun)
    old = json.loads((folder / "findings.json").read_text("utf-8"))
    new = json.loads((rerun / "findings.json").read_text("utf-8"))
    found = _compare_findings(old["findings"], new["findings"])
    names = sorted(set(old["tables"]) | set(new["tables"]))
    for name in names:
        told = _compare_tables(name, folder / f"tables/{name}.csv", rerun / f"tables/{name}.csv")
        found += [("table", name, text) for text in told]
    made_by = str(run["versions"].get("ventbook", ""))
    on_purpose, differences = _tell_apart(found, run["report"], made_by)
    reasons = _compare_stamps(run, again)
    edited = [
        f"{name} was changed or removed after the report was made"
        for name, digest in run.get("files", {}).items()
        if not (folder / name).is_file() or file_hash(folder / name) != digest
    ]
    same_pdf = (folder / "report.pdf").is_file() and file_hash(folder / "report.pdf") == file_hash(
        rerun / "report.pdf"
    )
    if same_pdf:
        pdf = "PDF: the same bytes"
    elif reasons or edited:
        pdf = "PDF: other bytes, as is to be expected (see the reasons)"
    else:
        pdf = "PDF: other bytes with the same versions"
        differences.append("report.pdf differs though versions and records are the same")
    return Verdict(
        not differences and not on_purpose,
        len(old["findings"]),
        len(names),
        tuple(differences),
        tuple(reasons + edited),
        pdf,
        made_by,
        tuple((why, tuple(moved)) for why, moved in on_purpose.items()),
    )


def _tell_apart(found: list[Difference], report: str, made_by: str) -> tuple[dict[str, list[str]], list[str]]:
    """(why -> differences that a version since ``made_by`` made on purpose, the other differences)."""
    meant: dict[str, list[str]] = {}
    others = []
    for kind, name, text in found:
        why = [c.why for c in tables.load_changes() if c.covers(report, kind, name, made_by=made_by)]
        if why:
            meant.setdefault(" ".join(dict.fromkeys(why)), []).append(text)
        else:
            others.append(text)
    return meant, others


def _key(finding: Mapping[str, Any]) -> str:
    group = "; ".join(f"{name} {value}" for name, value in sorted(finding["group"].items()))
    about = f" ({group})" if group else ""
    return f"{finding['id']}{about} {finding['period_start']} until {finding['period_end']}"


def _compare_findings(old: list[dict[str, Any]], new: list[dict[str, Any]]) -> list[Difference]:
    before, after = ({_key(finding): finding for finding in findings} for findings in (old, new))
    said = [(before[key]["id"], f"{key}: no longer there") for key in before if key not in after]
    said += [(after[key]["id"], f"{key}: was not there") for key in after if key not in before]
    for key in before:
        if key not in after:
            continue
        for name, value in before[key].items():
            if after[key].get(name) != value:
                text = f"{key}: {name} was {value!r}, is {after[key].get(name)!r}"
                said.append((before[key]["id"], text))
    return [("finding", name, text) for name, text in said]


def _compare_tables(name: str, old: Path, new: Path) -> list[str]:
    if not old.is_file() or not new.is_file():
        return [f"table {name}: {'no longer there' if old.is_file() else 'was not there'}"]
    if old.read_bytes() == new.read_bytes():
        return []
    before, after = (
        list(csv.reader(io.StringIO(path.read_text("utf-8"), newline=""))) for path in (old, new)
    )
    if len(before) != len(after) or before[:1] != after[:1]:
        return [f"table {name}: had {len(before) - 1} rows, has {len(after) - 1}; or other columns"]
    said = []
    for number, (a, b) in enumerate(zip(before[1:], after[1:], strict=True), 1):
        for column, x, y in zip(before[0], a, b, strict=False):
            if x != y:
                said.append(f"table {name}, row {number}, {column}: was {x!r}, is {y!r}")
    return said or [f"table {name}: other bytes"]


def _compare_stamps(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[str]:
    """What else differs between then and now: records, limits, library, packages."""
    said = []
    if old["sources_sha256"] != new["sources_sha256"]:
        said.append("the record files of the snapshot are others")
    if old["limits"] != new["limits"]:
        said.append(
            f"the limits are others: {old['limits']['revision']} then, {new['limits']['revision']} now"
        )
    if "gauges" in old and old["gauges"] != new["gauges"]:
        said.append("the register of gauges is another")
    if old["commit"] != new["commit"]:
        said.append(
            f"the library is another: {old['commit'] or 'unknown'} then, {new['commit'] or 'unknown'} now"
        )
    for name in sorted(set(old["versions"]) | set(new["versions"])):
        then, now = old["versions"].get(name, "none"), new["versions"].get(name, "none")
        if then != now:
            said.append(f"{name} was {then}, is {now}")
    return said
