"""Earlier reviews worked out again from their snapshots: the same numbers as were reported then."""

from __future__ import annotations

import pandas as pd
import pytest

from ventbook import demo, reports, tables
from ventbook.model import build_lifters, build_ventings
from ventbook.records import intake
from ventbook.records.store import open_store
from ventbook.reports import quarterly_review as review
from ventbook.reports import written
from ventbook.reports.parameters import ParameterError
from ventbook.reports.quarterly_review import data, earlier, numbers
from ventbook.run.job import scope_of

QUARTERS = ("2024Q4", "2025Q1", "2025Q2")


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """The demo's first three deliveries, each a snapshot of its own day, traces left out."""
    folder = tmp_path_factory.mktemp("demo")
    demo.write_demo(folder, ventings=240)
    days = demo.delivery_days()
    for quarter in QUARTERS:
        files = [path for path in sorted((folder / quarter).iterdir()) if "samples" not in path.name]
        intake.ingest(files, store=folder / "store", today=days[quarter])
    return folder / "store"


def open_review(store, **given):
    given = {
        "store": str(store),
        "period": "2025Q2",
        "limits": str(tables.DATA / "demo_limits.toml"),
        **given,
    }
    return reports.open_page("quarterly-review", given)


@pytest.fixture(scope="module")
def page(store):
    return open_review(store)


def test_the_snapshot_of_a_review_is_the_first_after_its_period(page):
    steps = data.load_data(page).steps
    assert [s.label for s in steps] == list(QUARTERS)
    assert [data.snapshot_of(page, step).number for step in steps] == [1, 2, 3]
    early = open_review(page.parameters["store"], as_of=2, period="2025Q1")
    assert data.snapshot_of(early, steps[0]).number == 1
    assert data.snapshot_of(early, steps[2]) is None  # not made yet at snapshot 2


def test_ventings_of_then_equal_those_built_from_the_snapshot(page):
    """Only the ventings written since are worked out again; the result must not show it."""
    all_facts = data.load_data(page)
    old = open_store(page.parameters["store"]).snapshot(2)
    records = old.records()
    lifters = build_lifters(records, limits=page.limits)
    whole = data.add_readings(build_ventings(records, limits=page.limits, lifters=lifters), lifters)
    whole = data.label_steps(whole, all_facts.steps)[list(data.NEEDED)]
    found, inside, _ = data.read_then(page, all_facts, old, all_facts.steps[1])
    pd.testing.assert_frame_equal(
        found.reset_index(drop=True), whole.reset_index(drop=True), check_dtype=False, rtol=1e-12
    )
    ids = found.loc[found["step"] == all_facts.steps[1].label, "venting_id"]
    assert inside["venting_id"].tolist() == ids.tolist()
    last = written.last_written(page)
    assert 0 < (last <= 2).sum() < len(last)


def test_restated_numbers_are_those_of_the_review_then(page):
    """Each number as first reported is the one that the report gave, asked as of its own snapshot."""
    reported = open_review(page.parameters["store"], as_of=2, period="2025Q1")
    own = numbers.five_numbers(
        reported, data.load_data(reported), data.load_data(reported).now, reported.period
    )
    row = earlier.list_restated(page)[0]
    assert row.period.label == "2025Q1"
    assert "venting_failure_share" in row.numbers
    for name, (then, now) in row.numbers.items():
        assert (then.n, then.estimate) == (own[name].n, pytest.approx(own[name].estimate, rel=1e-6)), name
        assert (then.n, then.estimate) != (now.n, now.estimate)
    same = set(numbers.FIVE) - set(row.numbers)
    today = numbers.five_numbers(page, data.load_data(page), data.load_data(page).before, row.period)
    assert all(own[name].estimate == pytest.approx(today[name].estimate, rel=0.005) for name in same)


def test_what_moved_a_number_is_named_by_venting(page):
    """Held against the record tables themselves: ventings that came with the third delivery, and those with a row changed by it."""
    old, new = (open_store(page.parameters["store"]).snapshot(n) for n in (2, 3))
    then, now = (s.read("ventings").set_index("venting_id") for s in (old, new))
    then, now = (f[(f["date"] >= "2025-01-01") & (f["date"] < "2025-04-01")] for f in (then, now))
    row = earlier.list_restated(page)[0]
    assert set(row.came) == set(now.index) - set(then.index)
    assert set(row.went) == set(then.index) - set(now.index)
    assert set(row.corrected) <= set(now.index)
    assert earlier.say_restated(page).startswith("2025Q1 is restated: ventings with a spongy lifter")
    shown = earlier.show_restated(page).text
    assert all(name in shown for name in row.came[: earlier.NAMED])


def test_signals_of_then_are_those_of_the_review_then(page):
    reported = open_review(page.parameters["store"], as_of=2, period="2025Q1")
    then = data.look_back(page, data.load_data(page).steps[1]).watch
    own = data.load_data(reported).watch
    columns = ["series", "group", "direction", "value", "limit", "signal"]
    pd.testing.assert_frame_equal(then.series[columns], own.series[columns])


@pytest.mark.long
def test_everything_taken_in_at_once_is_marked_reconstructed(tmp_path):
    demo.write_demo(tmp_path, ventings=240)
    quarters = QUARTERS[:2]
    files = [
        path
        for quarter in quarters
        for path in sorted((tmp_path / quarter).iterdir())
        if "samples" not in path.name
    ]
    intake.ingest(files, store=tmp_path / "store", today=demo.delivery_days()[quarters[-1]])
    page = open_review(tmp_path / "store", period=quarters[-1])
    shown = review.earlier_signals(page)
    assert "no snapshot was made then" in shown.text
    assert set(data.read_log(page)["basis"]) <= {"reconstructed"}


def test_a_period_is_held_against_any_earlier_one(store):
    page = open_review(store, against="2024Q4")
    facts = data.load_data(page)
    assert (facts.before_period.label, facts.period.label) == ("2024Q4", "2025Q2")
    # counted from the record tables
    raw = open_store(str(store)).snapshot().read("ventings")
    first = raw[(raw["date"] >= "2024-10-01") & (raw["date"] < "2025-01-01")]
    assert set(facts.before["venting_id"]) == set(first["venting_id"])
    review.answer(page)
    said = next(text for text in page.answers if text.startswith("2025Q2: "))
    assert " in 2024Q4" in said
    assert " in 2025Q1" not in said
    assert any("Since 2024Q4 the share" in text for text in page.answers)
    changes = [f for f in page.findings if f["id"] == "venting_failure_share_change"]
    assert [f["group"] for f in changes] == [{"against": "2024Q4"}]
    assert "against 2024Q4" in page.scope_words
    assert "against 2024Q4" in review.mix(page).text
    assert "Outside in 2024Q4" in review.procedure(page).text


@pytest.mark.parametrize(
    ("against", "fault"),
    [
        ("2025Q2", "against must end before the period begins; got 2025Q2 against 2025Q2"),
        ("2025-05", "against must end before the period begins"),
        ("last", "against must be like 2026Q3"),
        ("2023Q4", "no venting in 2023Q4"),
    ],
)
def test_a_period_that_cant_be_held_against_is_one_line(store, against, fault):
    with pytest.raises(ParameterError, match=fault) as told:
        open_review(store, against=against)
    assert "\n" not in str(told.value)


def test_what_it_is_held_against_is_part_of_the_folders_name():
    assert scope_of("quarterly-review", {"against": "2024Q4"}, "2025Q2") == "2025Q2_against-2024Q4"
    assert scope_of("quarterly-review", {"against": ""}, "2025Q2") == "2025Q2"
