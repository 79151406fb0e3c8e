"""One voice: a checker that reads a page as a reader would, and the pages of the demo and of thin fleets held to it."""

from __future__ import annotations

import dataclasses

import pytest

from ventbook.document.blocks import Answer, Column, Finding, List, Table, Text, make_words
from ventbook.document.consistency import find_disagreements, find_faults


def said(*texts):
    return [Text(make_words(text)) for text in texts]


def table(header, values, *, unit="", form="", number=True):
    column = Column("x", header, unit, form, number)
    return Table("t", "A table", (column,), (tuple(values),), len(values))


@pytest.mark.parametrize(
    ("blocks", "fault"),
    [
        ([Answer("2026Q3", ("2 things moved by more than chance explains:", "One."))], "2, but 1 follow"),
        ([*said("3 things moved:"), List(((Text(make_words("a")),),))], "of 3, but 1 follow"),
        ([*said("What changed:"), Answer("x", ("y.",))], "a colon without its list"),
        (
            said("Ridge stands out: 1.4 times (plausible range 0.9 to 2.1)."),
            "an interval that holds no effect",
        ),
        (said("It worked: \u22126 points (\u221214 to +2)."), "an interval that holds no effect"),
        (said("In 104 % of the ventings."), "a share over 100 %"),
        (said("It fell 0 times."), "a count or probability of nothing"),
        (said("Chance: p = 0.000."), "a count or probability of nothing"),
        (said("The effect on lifter_failure is small."), "the raw name lifter_failure"),
        ([table("Share", [0.5, 1.2], unit="share")], "goes past 100 %"),
        ([table("q", [0.0], form="3")], "is shown as 0"),
        ([table("Reading", ["force_ratio"], form="text", number=False)], "the raw name force_ratio"),
    ],
)
def test_a_fault_is_found_and_said(blocks, fault):
    assert any(fault in found for found in find_faults(blocks))


@pytest.mark.parametrize(
    "blocks",
    [
        [Answer("2026Q3", ("2 things moved by more than chance explains:", "One.", "Two."))],
        [*said("2 things moved:"), table("n", [1, 2])],
        said("Ridge stands out: 2.4 times (plausible range 1.2 to 4.1)."),
        said("1.4 times (plausible range 0.9 to 2.1): these records can't say."),
        said("All of them, 100 %.", "Twice the spread is 140 % of the limit.", "In 10 times the work."),
        [table("q", [0.0], form="chance"), table("Reason", ["oil_change"], form="code", number=False)],
        [table("Spread, of the limit", [1.4], unit="share")],
        said("See data/demo_store/report_x.html."),
    ],
)
def test_what_is_right_is_left_alone(blocks):
    assert find_faults(blocks) == []


def finding(**more):
    base = Finding(
        id="venting_failure_share", group={"site": "Ridge"}, period_start="2026-07-01", period_end="2026-10-01",
        period="2026Q3", estimate=0.25, low=0.1, high=0.4, level=0.95, unit="share", n=80, clusters=70, tier="compare",
        state="estimated", verdict=None, sentence="", method="",
    )  # fmt: skip
    return dataclasses.replace(base, **more)


def test_a_number_that_two_pages_give_differently_is_found():
    right = find_disagreements({"a": [finding()], "b": [finding(), finding(group={}, estimate=0.3)]})
    wrong = find_disagreements({"a": [finding()], "b": [finding(n=81)]})
    assert right == [] and len(wrong) == 1
    assert wrong[0].startswith("venting_failure_share (site Ridge): a has 0.25") and "n 81" in wrong[0]
