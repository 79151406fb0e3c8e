"""A shop's list of actions: what loads, what is refused in one line, drafts and taking over, and verdicts against planted truth."""

from __future__ import annotations

import tomllib
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from invented_fleet import fleet_tables, make_page
from ventbook.errors import InputError
from ventbook.reports.quarterly_review import actions, signals
from ventbook.run.actions import take_actions
from ventbook.run.cli import main
from ventbook.shipped import DATA
from ventbook.statistics import trends
from ventbook.tables.actions import Action, read_actions
from ventbook.tables.reader import TableError

FIRST = '[[action]]\nid = "A-1"\nsince = "2026-02-01"\nsite = "Ridge"\nwhat = "as 0.1.0 wrote it"\n'


@pytest.fixture(scope="module")
def page():
    return make_page("quarterly-review", fleet_tables(), period="2026Q3")


@pytest.fixture(scope="module")
def jobs(page):
    return actions.count_findings(page)


def judge(page, jobs, **entry):
    return actions.judge_action(jobs, Action(**entry), end=page.period.end)


def write(tmp_path, text):
    path = tmp_path / "actions.toml"
    path.write_text(text, "utf-8")
    return path


def test_the_demo_s_lot_worked_and_its_other_action_is_too_early(page, jobs):
    """The lot leaked from 2025-04 on and was fitted up to 2026-01 (demo_fleet.toml); it was taken out on 2026-02-01."""
    lot, joints = read_actions(DATA / "demo_actions.toml")
    judged = actions.judge_action(jobs, lot, end=page.period.end)
    assert judged.verdict.called == "worked" and judged.verdict.look == 2
    row = dict(
        zip(
            ("id", "where", "what", "since", "aim", "before", "after", "others", "told", "next"),
            actions.make_row(judged),
            strict=True,
        )
    )
    assert (
        row["after"].startswith("0 of ")
        and row["told"].startswith("Worked: 0 of ")
        and row["next"] == "no other"
    )
    assert "still fitted" not in row["told"] and "with LL-2505 fitted before" in row["told"]
    early = actions.make_row(actions.judge_action(jobs, joints, end=page.period.end))
    assert early[-2].startswith("Too early") and early[-1] == "2027-02-15"


def test_counts_are_those_of_the_lifters_counted_by_hand(page, jobs):
    """New lifters over the limit whose readings speak for leak-down, by venting, in the year before the action."""
    lifters = page.all_lifters
    leak = lifters[(lifters["over_first"] == True) & (lifters["lifter_history"] == "new")]  # noqa: E712
    leak = leak[leak["leak_down_likelihood"] > 4 * leak["air_likelihood"]]
    day = pd.Timestamp("2026-02-01")
    told = leak[(leak["date"] < day) & (leak["date"] >= day - pd.DateOffset(years=1))]["venting_id"].nunique()
    marked = actions.mark_ventings(jobs, Action(since="2026-02-01", kind="leak_down", lifter_lot="LL-2505"))
    span = actions.cut_span(marked, (day - pd.DateOffset(years=1)).date(), day.date())
    assert (span.found.kind, span.ventings) == (told, 126)
    assert span.found.quarters == pytest.approx(4.0, abs=0.01)


def test_where_a_removed_lot_was_still_fitted_is_said(page, jobs):
    early = judge(
        page, jobs, since="2025-10-10", kind="leak_down", lifter_lot="LL-2505", bad_quarter="2025Q3"
    )
    said = " ".join(early.remarks)
    assert "LL-2505 was still fitted after the action: H25-" in said and "others" in said


def test_an_action_without_kind_is_listed_and_not_judged(page, jobs):
    row = actions.make_row(judge(page, jobs, since="2026-02-01", id="A", what="new form"))
    assert row[-2].startswith("Not judged: say what it aims at") and row[4] == "not said"


def test_no_power_is_never_held_against_an_action(page, jobs):
    """Air at Ridge grew, as planted: nothing may say that what was done there did not work."""
    row = actions.make_row(
        judge(page, jobs, since="2026-02-01", kind="air", site="Ridge", bad_quarter="2025Q4")
    )
    assert row[-2].startswith(("No difference seen", "Rose above")) and "not work" not in row[-2]
    assert row[4] == "air; beside it the same elsewhere"


def test_an_undeclared_bad_quarter_is_the_worst_of_the_year_before(page, jobs):
    judged = judge(page, jobs, since="2026-02-10", kind="leak_down", lifter_lot="LL-2505")
    marked = actions.mark_ventings(jobs, judged.action)
    quarters = marked["date"].dt.to_period("Q")
    shares = marked["kind"].groupby(quarters).mean()[["2025Q1", "2025Q2", "2025Q3", "2025Q4"]]
    assert pd.Period(judged.bad.start, "Q") == shares.idxmax()
    assert judged.waiting.end == judged.action.start and "not written down" in judged.remarks[0]


def test_a_circumstance_left_blank_counts_nowhere(jobs):
    action = Action(since="2026-01-01", kind="air", circumstance="cooler_empty")
    blank = jobs.assign(cooler_empty=jobs["cooler_empty"].mask(np.arange(len(jobs)) % 2 == 0))
    marked = actions.mark_ventings(blank, action)
    assert len(marked) == int(blank["cooler_empty"].notna().sum())
    assert not (marked["here"] & marked["elsewhere"]).any() and (marked["kind"] <= marked["here"]).all()


def test_a_gauge_s_action_is_held_against_other_gauges_of_its_sites(page, jobs):
    """HG-3 read high from 2025-07 on at Harbour: put right in 2026, its own findings fell and the others' did not."""
    action = Action(since="2026-01-01", kind="gauge", gauge="HG-3", bad_quarter="2025Q4")
    marked = actions.mark_ventings(jobs, action)
    assert set(marked["site"]) == {"Harbour"} and marked.loc[marked["elsewhere"], "gauge"].ne("HG-3").all()
    span = actions.cut_span(marked, action.start, page.period.end)
    assert span.found.exposure == pytest.approx(
        span.ventings / int((marked["date"] >= "2026-01-01")[marked["elsewhere"]].sum())
    )


def test_files_of_earlier_versions_load(tmp_path):
    (plain,) = read_actions(write(tmp_path, FIRST))
    assert (plain.kind, plain.site) == ("", "Ridge")
    (aimed,) = read_actions(write(tmp_path, FIRST + 'aims_at = "leak-down"\n'))
    assert (aimed.kind, aimed.beside) == ("leak_down", "elsewhere")
    (lot,) = read_actions(write(tmp_path, FIRST + 'aims_at = "lifter_lot=LL-7"\n'))
    assert (lot.kind, lot.lifter_lot) == ("", "LL-7")
    (day,) = read_actions(write(tmp_path, FIRST.replace('"2026-02-01"', "2026-02-01")))
    assert day.since == "2026-02-01"
    assert read_actions(DATA / "actions.toml") == ()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (FIRST.replace("2026-02-01", ""), "since must be the first day"),
        (FIRST + 'kind = "wear"\n', "kind must be one of"),
        (FIRST + 'knid = "air"\n', "unknown knid"),
        (FIRST + 'kind = "air"\ncontrol = "air"\n', "name findings that it can't touch"),
        (FIRST + 'kind = "gauge"\n', "needs gauge"),
        (FIRST + 'kind = "air"\ncircumstance = "tank"\n', "circumstance must be one of"),
        (FIRST + 'bad_quarter = "2026Q1"\nkind = "air"\n', ""),
        (FIRST + 'bad_quarter = "2026Q2"\nkind = "air"\n', "must begin before since"),
        (FIRST.replace('site = "Ridge"\n', 'kind = "air"\ncontrol = "elsewhere"\n'), "there is no elsewhere"),
        (FIRST + FIRST, "A-1 stands twice"),
        ("action = 3\n", "[[action]]"),
        ("not toml", "not a TOML file"),
    ],
)
def test_a_wrong_entry_is_one_line(tmp_path, text, message):
    path = write(tmp_path, text)
    if not message:
        assert len(read_actions(path)) == 1
        return
    with pytest.raises(TableError) as told:
        read_actions(path)
    assert message in str(told.value) and str(told.value).startswith("actions.toml: ")
    assert "\n" not in str(told.value)


def test_the_review_ends_with_one_line_and_code_2_on_a_wrong_list(tmp_path):
    write(tmp_path, FIRST + 'kind = "wear"\n')
    page = make_page("quarterly-review", fleet_tables(250), period="2026Q3", store=str(tmp_path / "store"))
    with pytest.raises(InputError, match=r"actions.toml: action 1 \(A-1\)"):
        actions.earlier_actions(page)


def test_a_draft_filled_in_is_taken_over_and_nothing_is_lost(page, tmp_path, capsys):
    text = actions.draft_actions(page)
    entries = tomllib.loads(text)["action"]
    own = len(actions.own_actions(page))
    assert [e["id"] for e in entries] == [f"A-2026-{own + n:02d}" for n in range(1, len(entries) + 1)]
    assert not [e for e in entries if e["kind"] == "gauge"]  # HG-3's bias is known and taken off already
    ridge = next(e for e in entries if e.get("site") == "Ridge")
    assert ridge["kind"] == "" and "air speaks in" in text
    store = tmp_path / "store"
    store.mkdir()
    draft = tmp_path / "draft.toml"
    draft.write_text(text, "utf-8")
    with pytest.raises(TableError, match="since must be the first day"):
        take_actions(draft, store=store)
    own = write(tmp_path, "# kept by hand\n" + FIRST)
    draft.write_text(
        text.replace('since = ""', 'since = "2026-10-10"').replace('kind = ""', 'kind = "air"'), "utf-8"
    )
    assert take_actions(draft, store=store, dry_run=True)[-1].startswith("dry run")
    assert len(read_actions(own)) == 1
    assert main(["actions", str(draft), "--store", str(store)]) == 0
    assert own.read_text("utf-8").startswith("# kept by hand\n") and len(read_actions(own)) == 1 + len(
        entries
    )
    assert replace(read_actions(own)[1], what="") == replace(read_actions(draft)[0], what="")
    assert "nothing changes" in take_actions(draft, store=store)[-1]
    draft.write_text(draft.read_text("utf-8").replace("2026-10-10", "2026-10-11"), "utf-8")
    before = own.read_bytes()
    assert main(["actions", str(draft), "--store", str(store)]) == 2
    told = capsys.readouterr().err
    assert (
        "change it there, or give a new id" in told and told.count("\n") == 1 and own.read_bytes() == before
    )


def test_a_gauge_that_drifts_is_drafted_as_an_action(page, monkeypatch):
    """Planted: HG-1 reads .1 mm higher from 2026 on."""
    lifters = page.all_lifters.copy()
    late = lifters["gauge"].eq("HG-1").fillna(False) & (lifters["date"] >= "2026-01-01")
    lifters["gap_first_mm"] += 0.1 * late.astype(float)
    drifts = trends.find_gauge_drifts(trends.list_sound_gaps(lifters))
    moved = next(drift for drift in drifts if drift.gauge == "HG-1")
    proposed = signals._check_drift(moved, "metric", page.gauges, page.period.end)
    monkeypatch.setattr(actions, "propose_actions", lambda page: [proposed])
    (entry,) = tomllib.loads(actions.draft_actions(page))["action"]
    assert (entry["kind"], entry["control"], entry["gauge"]) == ("gauge", "elsewhere", "HG-1")
    assert entry["site"] == "Harbour" and entry["what"].startswith("Hold gauge HG-1 against another one")
