"""One voice: a checker that reads a page as a reader would, Pages are held to it where they are made (test_one_answer, test_tiny_stores, test_reports_demo)."""

from __future__ import annotations

import pytest

from ventbook.document.blocks import Answer, Column, List, Table, Text, make_words
from ventbook.document.consistency import find_faults


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
        (said("It moved by \u22120.0 mm (\u22120.2 to +0.2)."), "a minus before nought"),
        (said("3 of 10 ventings failed, the odds 2.8 times as high."), "odds beside counts of ventings"),
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
        said(
            "3 of 10 ventings failed; the odds of a lifter are 2.8 times as high.",
            "From \u22120.02 to 0.1 mm.",
        ),
        [table("Share", [1.0, 0.9996], unit="share")],
        said("See data/demo_store/report_x.html."),
    ],
)
def test_what_is_right_is_left_alone(blocks):
    assert find_faults(blocks) == []
