"""The run-up sheet of a venting that was logged, and of one that wasn't; the records page on the demo fleet."""

import json

import pytest

from ventbook import reports
from ventbook.document.codec import encode_blocks
from ventbook.model import traces
from ventbook.reports import records, runup


@pytest.fixture
def page(demo_store):
    return reports.open_page("records", {"store": str(demo_store)})


def test_a_logged_start_is_drawn_with_what_its_features_say(page):
    features = page.records["start_features"]
    venting = features.loc[features["start_no"] == 1, "venting_id"].iloc[0]
    assert 1 in runup.traced_starts(page, venting)
    shown = runup.run_up_sheet(page, venting)
    assert "<img" in shown.html
    time = features.loc[
        (features["venting_id"] == venting) & (features["start_no"] == 1), "time_to_pressure_s"
    ]
    assert f"{time.iloc[0]:.1f} s after the start" in shown.text


def test_a_trace_is_read_back_in_order(page):
    features = page.records["start_features"]
    row = features.iloc[0]
    trace = traces.read_trace(page.snapshot.files("samples"), row["venting_id"], int(row["start_no"]))
    assert len(trace) == row["samples"]
    assert trace["t_s"].is_monotonic_increasing
    assert len(traces.read_trace(page.snapshot.files("samples"), "nobody's", 1)) == 0


def test_without_a_trace_the_sheet_says_so(page):
    assert "No trace of start 7" in runup.run_up_sheet(page, "nobody's", 7).text


def test_the_records_page_counts_what_the_store_holds(page):
    answer = records.answer(page).text
    records.held_share(page)
    finding = page.findings[0]
    held = page.records["quarantine"]
    assert finding["id"] == "quarantined_share"
    assert finding["estimate"] == pytest.approx(len(held) / finding["n"])
    assert f"{finding['n']} rows came in with 8 deliveries" in answer
    records.quarantined(page)
    assert list(page.frame("quarantine")) == records.QUARANTINE_COLUMNS
    assert len(page.frame("quarantine")) == len(held)


def test_questions_are_answered_for_no_more_ventings_than_there_are(page):
    records.missing_cost(page)
    frame = page.frame("questions")
    assert (frame["answered"] <= frame["of"]).all()
    ventings = frame[frame["counted"] == "ventings"]
    assert ventings["of"].max() == len(page.jobs)
    assert json.dumps(encode_blocks(page.finish()))


def test_heaped_counts_are_found_where_they_were_planted(page):
    records.digits(page)
    frame = page.frame("digit_preference").set_index("group")
    assert (frame["widen_to"] > 0).any()
    assert (frame["widen_to"] == 0).any()
