"""What stands before everything else: that nothing here releases an engine, placeholders, jobs closed with a finding."""

from __future__ import annotations

import json

import nbformat
import pytest

from invented_fleet import fleet_tables, make_page
from ventbook.document.blocks import Answer
from ventbook.document.consistency import find_faults
from ventbook.document.html import block_html
from ventbook.document.text import block_text
from ventbook.reports import conformity, lifter_gaps, report_specs
from ventbook.reports.closed_findings import closed_sentence, list_closed
from ventbook.reports.page import release_caution
from ventbook.reports.suggestions import Said
from ventbook.run.export import write_index
from ventbook.shipped import NOTEBOOKS


def answer_of(report, page) -> Answer:
    return next(block for block in report.answer(page) if isinstance(block, Answer))


def test_the_answer_carries_the_release_caution_and_the_banner() -> None:
    page = make_page("lifter-gaps", fleet_tables(), period="2026Q3")
    shown = answer_of(lifter_gaps, page)
    assert shown.caution == release_caution()
    assert "does not release an engine" in shown.caution
    for made in (block_html(shown), block_text(shown)):
        assert made.index("does not release") < made.index(shown.sentences[0][:30])
    assert bool(shown.banner) == bool(page.placeholder_steps)


def test_jobs_closed_with_a_finding_come_first() -> None:
    page = make_page("conformity", fleet_tables(), period="2026Q3")
    jobs = page.all_jobs
    # counted by hand: closed, and a lifter over the limit at its last check
    count = int((jobs["closed"].notna() & jobs["failed_last"].fillna(False).astype(bool)).sum())
    first = answer_of(conformity, page).sentences[0]
    assert len(list_closed(page)) == count
    if count:
        assert first.startswith(f"{count} job")
        assert "closed with a lifter over" in first
        assert page.alerts == [first]
    else:
        assert page.alerts == []


@pytest.mark.parametrize(
    ("n", "now", "engines", "said"),
    [
        (0, 0, [], ""),
        (1, 1, ["E1"], "1 job on record was closed with a lifter over the limit at its last check, in 2026Q3. "
                       "1 engine has no later venting on record: E1. A licensed person decides before such an engine runs."),
        (3, 0, [], "3 jobs on record were closed with a lifter over the limit at its last check, none of them in 2026Q3. "
                   "Each of these engines has a later venting on record."),
    ],
)  # fmt: skip
def test_the_sentence(n: int, now: int, engines: list[str], said: str) -> None:
    assert closed_sentence(n, now=now, label="2026Q3", engines=engines, placeholder=False) == said


def test_the_start_page_says_it_before_all_reports(tmp_path) -> None:
    for name, period, alerts in (
        ("conformity", "2026Q2", ["An old alert."]),
        ("conformity", "2026Q3", ["Two jobs <closed>."]),
        ("lifter-gaps", "2026Q3", []),
    ):
        folder = tmp_path / name / period
        folder.mkdir(parents=True)
        run = {
            "report": name, "scope": period, "period": {"start": f"2026-0{3 * int(period[-1]) - 2}-01"}, "answer": [*alerts, "The answer."],
            "alerts": alerts, "banner": "Against a placeholder: x.", "snapshot": 1, "today": "2026-10-01",
        }  # fmt: skip
        (folder / "run.json").write_text(json.dumps(run), encoding="utf-8")
    page = write_index(tmp_path).read_text("utf-8")
    first = page.index("<h2")
    for said in ("does not release an engine", "Against a placeholder: x.", "Two jobs &lt;closed&gt;."):
        assert page.count(said) == 1
        assert page.index(said) < first
    assert "An old alert." not in page


def test_pages_without_placeholders_have_no_banner() -> None:
    page = make_page("lifter-gaps", fleet_tables(), period="2026Q3")
    page.__dict__["placeholder_steps"] = []
    assert answer_of(lifter_gaps, page).banner == ""


def test_an_answer_is_five_lines_and_the_rest_follows_right_after() -> None:
    page = make_page("lifter-gaps", fleet_tables(), period="2026Q3")
    page.alert("One job was closed.")
    step = Said("press again", ("Opening: chocks set.",))
    shown = page.answer(*"ABCDEF", "", todo=["1.", step, None, step.led_by("Then"), "4."], more=["Z."])
    first, heading, *rest = shown
    assert first.sentences == ("One job was closed.", "A", "B", "C", "D")
    assert first.todo == ("1.", "press again.", "Then press again.") and first.warnings == (
        "Opening: chocks set.",
    )
    assert heading.level == 3 and [block_text(block) for block in rest] == ["E", "F", "4.", "Z."]
    assert page.answers == [*first.sentences, "1.", "press again. Opening: chocks set.", "Then press again. Opening: chocks set.", "E", "F", "4.", "Z."]  # fmt: skip
    for made in (block_html(first), block_text(first)):
        assert made.index("D") < made.index("What to do") < made.index("Then press") < made.index("Opening:")
    assert find_faults([first]) == []
    crowded = Answer("2026Q3", tuple("ABCDEF"), todo=tuple("1234"))
    assert [fault[:18] for fault in find_faults([crowded])] == ["an answer of 6 lin", "4 things to do bes"]


@pytest.mark.parametrize("spec", report_specs().values(), ids=lambda spec: spec.name)
def test_a_notebook_opens_with_its_code_folded(spec) -> None:
    cells = [
        cell
        for cell in nbformat.read(NOTEBOOKS / spec.notebook, as_version=4).cells
        if cell.cell_type == "code"
    ]
    folded = [cell.metadata.get("jupyter", {}).get("source_hidden", False) for cell in cells]
    asked = ["parameters" in cell.metadata.get("tags", ()) for cell in cells]
    assert folded == [not is_asked for is_asked in asked] and sum(asked) == 1
