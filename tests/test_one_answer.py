"""All reports of random small shops: the same number wherever the same thing is said, and in its sentence.

A number is named by (id, group, period). Wherever it stands (findings of any report, tables, workbook, sentence) it has
the same estimate, interval, n, state and verdict.
"""

from __future__ import annotations

import json
import re
import tempfile
from collections import defaultdict
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from random_stores import make_random_store
from run_pages import RunPage, run_all_pages
from ventbook.document import wording
from ventbook.document.xlsx import shown_value
from ventbook.errors import InputError

SAME = ("estimate", "low", "high", "level", "unit", "n", "clusters", "state", "verdict")
Finding = dict[str, Any]

# Tables that give a finding's numbers again: report, table, id, group by (column of the row, or all: ""), and the
# row's columns for n, estimate, low and high.
AGAIN = (
    ("lifter-gaps", "shares_by_group", "venting_failure_share", "group", ("ventings", "estimate", "low", "high")),
    ("lifter-gaps", "shares_by_group", "lifter_failure_share", "group", ("lifters", "lifter_share", "lifter_low", "lifter_high")),
    ("lifter-gaps", "cured_by_site", "cured_share", "site", ("read_again", "estimate", "low", "high")),
    ("quarterly-review", "failing_by_site", "venting_failure_share", "site", ("n", "share", "low", "high")),
    ("quarterly-review", "failing_by_site", "observed_over_expected", "site", ("", "ratio", "ratio_low", "ratio_high")),
    ("quarterly-review", "failing_by_type_and_reason", "venting_failure_share", "level", ("n", "estimate", "low", "high")),
    ("conformity", "steps_by_site", "steps_within_share", "site", ("", "estimate", "low", "high")),
)  # fmt: skip


def key_of(finding: Finding) -> tuple[str, str, str, str]:
    group = json.dumps(finding["group"], sort_keys=True)
    return finding["id"], group, finding["period_start"], finding["period_end"]


@given(
    seed=st.integers(0, 10_000),
    period=st.sampled_from(["2026Q3", "12m/2026-09", "2026Q2"]),
    units=st.sampled_from(["metric", "us"]),
)
# A smaller seed is no simpler shop, so nothing is gained by shrinking.
@settings(max_examples=3, phases=[Phase.generate], suppress_health_check=list(HealthCheck))
def test_one_number_has_one_value_in_all_reports(seed: int, period: str, units: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        check_shop(Path(folder), seed=seed, period=period, units=units)


@pytest.mark.long
@pytest.mark.parametrize(
    ("seed", "period"),
    [
        (7, "2026Q3"),  # two ventings in the period: no report makes a share of them
        (8, "12m/2026-09"),  # some written down only because of a finding: no report makes a share of them
        (4, "12m/2026-09"),
    ],
)
def test_shops_on_which_reports_once_disagreed(tmp_path: Path, seed: int, period: str) -> None:
    check_shop(tmp_path, seed=seed, period=period, units="metric")


def check_shop(folder: Path, *, seed: int, period: str, units: str) -> None:
    store = make_random_store(folder / "shop", seed)
    try:
        runs = run_all_pages(store, folder / "out", period=period, units=units)
    except InputError as error:
        assert "no venting in" in str(error)
        return
    assert_same_everywhere({name: run.findings for name, run in runs.items()})
    for run in runs.values():
        assert run.faults == []
        assert_workbook_agrees(run, units)
        assert_sentences_agree(run, units)
    assert_tables_agree(runs)


def assert_same_everywhere(findings: Mapping[str, list[Finding]]) -> None:
    seen: dict[tuple[str, str, str, str], tuple[str, Finding]] = {}
    for report, own in findings.items():
        for finding in own:
            first, other = seen.setdefault(key_of(finding), (report, finding))
            for name in SAME:
                assert finding[name] == other[name], (key_of(finding), name, first, report)


def assert_workbook_agrees(run: RunPage, units: str) -> None:
    rows = list(openpyxl.load_workbook(run.folder / "tables.xlsx")["Numbers"].iter_rows(values_only=True))
    findings = run.findings
    assert len(rows) - 1 == len(findings)
    for row, finding in zip(rows[1:], findings, strict=True):
        shown = [
            None if finding[name] is None else shown_value(finding[name], finding["unit"], units)
            for name in ("estimate", "low", "high")
        ]
        got = [None if v is None else float(v) for v in row[4:7]]
        assert [v is None for v in got] == [v is None for v in shown], key_of(finding)
        assert [v for v in got if v is not None] == pytest.approx([v for v in shown if v is not None])
        assert (row[0], row[8], row[11], row[12] or None) == (
            *(finding[name] for name in ("id", "n", "state", "verdict")),
        )


def assert_tables_agree(runs: Mapping[str, RunPage]) -> None:
    """Every table row that repeats a finding has its numbers."""
    for report, table, id, column, names in AGAIN:
        run = runs[report]
        if table not in run.tables:
            continue
        cells = run.tables[table].cells
        findings = [f for f in run.findings if f["id"] == id and len(f["group"]) == 1]
        findings = [f for f in findings if f["period_start"] == run.page.period.start.isoformat()]
        for place, label in enumerate(cells[column]):
            for finding in findings:
                (value,) = finding["group"].values()
                if str(value).replace("_", " ") != str(label).replace("_", " "):
                    continue
                row = [cells[name][place] if name else None for name in names]
                wanted = [finding[name] for name in ("n", "estimate", "low", "high")]
                for name, got, want in zip(names, row, wanted, strict=True):
                    if name:
                        assert got == (None if want is None else pytest.approx(want)), (table, label, name)


RANGE = re.compile(r"plausible range (?P<ends>[^()]*?(?: %|(?= (?:s|mm))|(?=[);,])))")


def assert_sentences_agree(run: RunPage, units: str) -> None:
    """A finding's estimate stands in its sentence; ranges there belong to findings that the sentence speaks for."""
    together: dict[str, list[Finding]] = defaultdict(list)
    for finding in run.findings:
        together[finding["sentence"]].append(finding)
    for sentence, findings in together.items():
        for finding in findings:
            if finding["estimate"] is not None:
                assert any(text in sentence for text in spellings(finding, units)), (finding["id"], sentence)
        said = {
            wording.value_range(f["low"], f["high"], f["unit"], units=units, decimals=decimals)
            for f in run.findings
            for decimals in (None, 0, 1, 2, 3)
            if f["low"] is not None or f["high"] is not None
        }
        for ends in RANGE.findall(sentence):
            assert any(ends.strip() in text for text in said), (ends, sentence)
        for count, total, noun in re.findall(r"\b(\d+) of (\d+) (venting|lifter)s?\b", sentence):
            known = [f for f in run.findings if f["n"] == int(total)]
            assert known, (count, total, noun, sentence)


#: Counts that an answer spells out, or gives as the list itself.
IN_WORDS = {"signals", "actions_to_consider"}


def spellings(finding: Finding, units: str) -> Iterator[str]:
    """The ways in which a sentence may give a finding's estimate."""
    value, unit = finding["estimate"], finding["unit"]
    if finding["id"] in IN_WORDS:
        yield ""
    for decimals in (None, 0, 1, 2, 3):
        yield wording.number(value, unit, units=units, decimals=decimals, label=False)
    if unit == "share":
        yield f"{round(value * finding['n'])} of {finding['n']}"
        yield f"{100 * value:+.0f} points".replace("-", "\u2212")
    if unit == "probability":
        yield f"{round(100 * value)} of 100"
    if value == 0 and unit == "count":
        yield ""  # none: most sentences leave it unsaid
    if value == 0:
        yield from ("no ", "No ", "none", "None", "0 points")
