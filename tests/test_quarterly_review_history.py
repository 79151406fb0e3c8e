"""Earlier reviews worked out again from their snapshots: the same numbers as were reported then."""

from __future__ import annotations

import pandas as pd
import pytest

from ventbook import demo, dictionary, intake, pages
from ventbook.jobs import build_jobs, build_lifters
from ventbook.pages import quarterly_review as review
from ventbook.pages.quarterly_review import facts, history, log
from ventbook.rates import failing_share
from ventbook.store import open_store

QUARTERS = ("2024Q4", "2025Q1", "2025Q2")


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """The demo's first three deliveries, each a snapshot of its own day, traces left out."""
    folder = tmp_path_factory.mktemp("demo")
    demo.write_demo(folder, ventings=240)
    days = demo.delivery_days()
    for quarter in QUARTERS:
        files = [path for path in sorted((folder / quarter).iterdir()) if "samples" not in path.name]
        intake.take_in(files, store=folder / "store", today=days[quarter])
    return folder / "store"


def open_review(store, **given):
    given = {
        "store": str(store),
        "period": "2025Q2",
        "limits": str(dictionary.DATA / "demo_limits.toml"),
        **given,
    }
    return pages.open_page("quarterly-review", given)


@pytest.fixture(scope="module")
def page(store):
    return open_review(store)


def test_the_snapshot_of_a_review_is_the_first_after_its_period(page):
    steps = facts.gather_facts(page).steps
    assert [s.label for s in steps] == list(QUARTERS)
    assert [history.snapshot_of(page, step).number for step in steps] == [1, 2, 3]
    early = open_review(page.parameters["store"], as_of=2, period="2025Q1")
    assert history.snapshot_of(early, steps[0]).number == 1
    assert history.snapshot_of(early, steps[2]) is None  # not made yet at snapshot 2


def test_ventings_of_then_equal_those_built_from_the_snapshot(page):
    """Only the ventings written since are worked out again; the result must not show it."""
    all_facts = facts.gather_facts(page)
    old = open_store(page.parameters["store"]).snapshot(2)
    records = old.records()
    lifters = build_lifters(records, limits=page.limits)
    whole = facts.add_readings(build_jobs(records, limits=page.limits, lifters=lifters), lifters)
    whole = facts.label_steps(whole, all_facts.steps)[list(facts.NEEDED)]
    found = history.ventings_then(page, all_facts, old)
    pd.testing.assert_frame_equal(
        found.reset_index(drop=True), whole.reset_index(drop=True), check_dtype=False, rtol=1e-12
    )
    written = history.last_written(page)
    assert 0 < (written <= 2).sum() < len(written)


def test_last_period_is_restated_from_its_own_snapshot(page):
    reported = open_review(page.parameters["store"], as_of=2, period="2025Q1")
    before = failing_share(reported.jobs, level=page.level)
    shown = review.earlier_signals(page)
    finding = next(f for f in page.findings if f["group"] == {"as": "first reported"})
    assert (finding["n"], finding["estimate"]) == (before.n, pytest.approx(before.estimate))
    assert finding["period_start"] == "2025-01-01"
    assert "2025Q1" in shown.text.splitlines()[0]


def test_signals_of_then_are_those_of_the_review_then(page):
    reported = open_review(page.parameters["store"], as_of=2, period="2025Q1")
    then, _, _ = log.watch_then(page, facts.gather_facts(page), facts.gather_facts(page).steps[1])
    own = facts.gather_facts(reported).watch
    columns = ["series", "group", "direction", "value", "limit", "signal"]
    pd.testing.assert_frame_equal(then.series[columns], own.series[columns])


def test_everything_taken_in_at_once_is_marked_reconstructed(tmp_path):
    demo.write_demo(tmp_path, ventings=240)
    quarters = QUARTERS[:2]
    files = [
        path
        for quarter in quarters
        for path in sorted((tmp_path / quarter).iterdir())
        if "samples" not in path.name
    ]
    intake.take_in(files, store=tmp_path / "store", today=demo.delivery_days()[quarters[-1]])
    page = open_review(tmp_path / "store", period=quarters[-1])
    shown = review.earlier_signals(page)
    assert "no snapshot was made then" in shown.text
    assert set(log.read_log(page).table["basis"]) <= {"reconstructed"}
