"""Earlier reviews worked out again from their snapshots: the same numbers as were reported then."""

from __future__ import annotations

import pandas as pd
import pytest

from ventbook import demo, reports, tables
from ventbook.model import build_lifters, build_ventings
from ventbook.records import intake
from ventbook.records.store import open_store
from ventbook.reports import quarterly_review as review
from ventbook.reports.quarterly_review import data
from ventbook.statistics.rates import failing_share

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
    found = data.ventings_then(page, all_facts, old)
    pd.testing.assert_frame_equal(
        found.reset_index(drop=True), whole.reset_index(drop=True), check_dtype=False, rtol=1e-12
    )
    written = data.last_written(page)
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
    then, _, _ = data.watch_then(page, data.load_data(page), data.load_data(page).steps[1])
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
    assert set(data.read_log(page).table["basis"]) <= {"reconstructed"}
