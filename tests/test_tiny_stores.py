"""All reports on stores of the kinds that make a page fall silent: each one runs through, and says what it can't say."""

from __future__ import annotations

import math
import re
from functools import cache
from pathlib import Path

import pytest

from run_pages import REPORTS, RunPage, run_page
from tiny_stores import KINDS, make_tables, take_in_tables
from ventbook.results import STATES

# What a number that isn't one looks like in text; "None" is a word only where a sentence begins.
NO_NUMBER = re.compile(r"\b(nan|inf|NaN|NaT|<NA>)\b|(?<![.:] )(?<!^)\bNone\b", re.MULTILINE)

# What each kind must say: report, then states that findings must have, then words that must be shown.
SAID: dict[str, dict[str, tuple[dict[str, str], str]]] = {
    "no check at all": {
        "lifter-gaps": ({"venting_failure_share": "not_recorded"}, "not recorded"),
        "spongy-lifters": ({}, "nothing can be said about causes"),
        "quarterly-review": ({"venting_failure_share": "not_recorded"}, "no venting with a lifter check"),
    },
    "none over": {
        "lifter-gaps": ({"venting_failure_share": "estimated"}, "still allows a true rate of up to"),
        "spongy-lifters": ({}, "Causes are not named"),
    },
    "all over": {
        "lifter-gaps": ({"venting_failure_share": "estimated"}, "100 %"),
        "spongy-lifters": ({}, "nothing to compare"),
    },
    "one venting": {
        "lifter-gaps": ({"venting_failure_share": "too_few"}, "cases, not a rate"),
        "time-to-pressure": ({"median_time_to_pressure": "too_few"}, "too few records for a number"),
        "rotations-to-prime": ({"rotations_ratio": "too_few"}, "too few records for a number"),
        "quarterly-review": ({"venting_failure_share": "too_few"}, "no share is given"),
    },
    "everything given up": {
        "time-to-pressure": ({"median_time_to_pressure": "not_reached"}, "not reached"),
        "rotations-to-prime": ({"median_rotations_to_prime": "not_reached"}, "not reached"),
    },
    "only held rows": {
        "records": ({}, "are quarantined until corrected"),
        "time-to-pressure": ({"median_time_to_pressure": "not_recorded"}, "not recorded"),
        "rotations-to-prime": ({"rotations_ratio": "not_recorded"}, "not recorded"),
        "lifter-gaps": ({"venting_failure_share": "not_recorded"}, "not recorded"),
        "spongy-lifters": ({}, "nothing can be said about causes"),
        "quarterly-review": ({"venting_failure_share": "not_recorded"}, "no venting in the records"),
        "conformity": ({}, "no venting to hold against a limit"),
    },
    "no gauges": {"gauge-study": ({}, "No gauge study")},
}  # fmt: skip


FEWEST = "one venting"  # on this one every report is always run


@pytest.fixture(scope="module")
def stores(tmp_path_factory: pytest.TempPathFactory):
    tables = make_tables()
    folder = tmp_path_factory.mktemp("tiny")

    @cache
    def make(kind: str) -> Path:
        return take_in_tables(KINDS[kind](tables), folder / kind.replace(" ", "_"))

    return make


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        pytest.param(
            name, kind, marks=() if name in SAID.get(kind, {}) or kind == FEWEST else pytest.mark.long
        )
        for name in REPORTS
        for kind in KINDS
    ],
)
def test_every_report_says_what_it_can_and_what_it_cannot(
    stores, tmp_path: Path, kind: str, name: str
) -> None:
    run = run_page(name, stores(kind), tmp_path)
    check_whole(run)
    assert run.faults == []
    states, words = SAID.get(kind, {}).get(name, ({}, ""))
    found = {f["id"]: f["state"] for f in reversed(run.findings) if not f["group"]}
    assert {id: found.get(id) for id in states} == states
    assert words in " ".join([*run.closing.answers, run.text])


def check_whole(run: RunPage) -> None:
    """An answer in sentences, states that are known, ends in order, and nothing in any text that is no number."""
    answers = run.closing.answers
    assert answers and all(answer.rstrip().endswith((".", "?", ":")) for answer in answers)
    assert "Made from" in run.text
    sentences = [finding["sentence"] for finding in run.findings]
    cells = [
        cell
        for table in run.tables.values()
        for column in table.cells.values()
        for cell in column
        if isinstance(cell, str)
    ]
    for text in [run.text, *answers, *sentences, *cells]:
        assert not (bad := NO_NUMBER.search(text)), text[max(bad.start() - 80, 0) : bad.end() + 80]
    for finding in run.findings:
        assert finding["state"] in STATES
        ends = [finding[end] for end in ("low", "estimate", "high") if finding[end] is not None]
        assert all(math.isfinite(end) for end in ends) and ends == sorted(ends), finding
        assert (finding["estimate"] is None) or finding["state"] == "estimated"
