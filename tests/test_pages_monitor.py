"""The monitor's page, its history over the intakes, what a person closed, and the two lines after an intake."""

import datetime as dt
import json
import shutil
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from invented_store import make_store
from run_pages import RunPage, run_page
from ventbook.records.store import open_store
from ventbook.reports import alarm_history, alarms, open_page, quarterly_review, spongy_lifters
from ventbook.reports.written import list_rewritten
from ventbook.run import cli
from ventbook.tables.reader import TableError


@pytest.fixture(scope="module")
def demo(demo_store: Path, tmp_path_factory: pytest.TempPathFactory) -> RunPage:
    return run_page("monitor", demo_store, tmp_path_factory.mktemp("monitor"))


def test_the_bad_lot_is_told_with_its_ventings_and_what_comes_next(demo: RunPage) -> None:
    answers = demo.closing.answers
    assert answers[1].startswith("Alarm: lot LL-2505 since venting P25-018 (2025-04-13)")
    assert answers[-1].startswith("Lot LL-2505, within the limits in force: ")
    assert "manual and a licensed person prevail" in answers[-1]
    row = next(
        f for f in demo.findings if f["id"] == "stream_odds_ratio" and f["group"]["stream"] == "lot LL-2505"
    )
    assert row["low"] > 1 and row["estimate"] > row["low"]
    listed = demo.page.frame("monitor_ventings").query("stream == 'lot LL-2505'")
    assert len(listed) == row["n"] and listed["place"].tolist() == list(range(1, row["n"] + 1))


def test_the_page_says_which_promise_holds(demo: RunPage) -> None:
    assert "Of 100 years in which nothing acts, at most 5 carry any alarm" in demo.text
    assert "0.2 on account of the monitor" in demo.text and "an average over that" in demo.text


def test_an_earlier_snapshot_has_the_alarms_of_that_day(demo_store: Path) -> None:
    """The lot is noted in its second quarter's delivery and alarms in the next one; no later record is known then."""
    stands = {}
    for number in (2, 3, 4):
        page = open_page("monitor", {"store": str(demo_store), "as_of": number})
        stands[number] = [(a.name, a.what) for a in alarms.open_alarms(page)]
        assert all(a.raised <= page.today for a in alarms.list_alarms(page))
    assert ("lot LL-2505", "note") in stands[3] and ("lot LL-2505", "alarm") in stands[4]
    assert not any(name == "lot LL-2505" for name, _ in stands[2])


def test_history_tells_the_intake_that_raised_an_alarm(demo: RunPage) -> None:
    table = demo.page.frame("monitor_history")
    lot = table[(table["stream"] == "lot LL-2505")].set_index("what")
    assert lot.loc["note", "first_intake"] == 3 and lot.loc["alarm", "first_intake"] == 4
    assert lot["gone_intake"].isna().all()


def test_what_the_file_beside_the_store_keeps_is_the_same_worked_out_anew(
    demo_store: Path, demo: RunPage
) -> None:
    path = alarm_history.kept_path(demo_store)
    kept = json.loads(path.read_text("utf-8"))
    path.unlink()
    page = open_page("monitor", {"store": str(demo_store)})
    assert alarm_history.list_history(page) == alarm_history.list_history(demo.page)
    assert json.loads(path.read_text("utf-8")) == kept
    path.write_text("not JSON", "utf-8")
    assert alarm_history.list_history(open_page("monitor", {"store": str(demo_store)}))


@pytest.mark.parametrize("number", [3, 5, 7])
def test_outcomes_and_alarms_of_then_are_those_of_all_records_of_then(demo: RunPage, number: int) -> None:
    """Only ventings written since are read again; the result must not show it."""
    old = open_store(demo.page.snapshot.path).snapshot(number)
    whole = alarms.read_outcomes(old.records(), limits=demo.page.limits)
    found = alarm_history.outcomes_then(demo.page, old)
    pd.testing.assert_frame_equal(found, whole)
    rewritten = list_rewritten(demo.page, old)
    assert 0 < len(rewritten) < len(whole)
    told = [alarm_history.short_alarm(a) for a in alarms.find_alarms(alarms.watch_snapshot(old))]
    assert alarm_history._alarms_of(old, demo.page) == told and told


def test_an_alarm_that_a_correction_takes_away_is_withdrawn_and_stays_in_the_history(
    demo_store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before the newest snapshot one alarm stood that its records no longer give."""
    page = open_page("monitor", {"store": str(demo_store), "as_of": 2})
    gone = {"stream": "lot L-9", "year": 2025, "what": "alarm", "raised": "2025-02-01", "raised_by": "V1"}
    monkeypatch.setattr(alarm_history, "_keep_alarms", lambda *_: {1: [gone]})
    events = {(e.stream, e.what): e for e in alarm_history.list_history(page)}
    found = events["lot L-9", "alarm"]
    assert (found.state, found.first, found.gone) == (alarms.WITHDRAWN, 1, 2)


def close(text: str, folder: Path) -> tuple[alarms.Closing, ...]:
    (folder / "alarms.toml").write_text(text, "utf-8")
    return alarms.read_closings(folder / "store")


def test_a_closed_alarm_stands_no_more_unless_it_is_raised_later(demo: RunPage, tmp_path: Path) -> None:
    rows = close(
        '[[alarm]]\nstream = "lot LL-2505"\nclosed = "2026-02-01"\nreason = "out of stock"\n', tmp_path
    )
    found = alarms.list_alarms(demo.page)
    closed = alarms.close_alarms(found, rows, today=dt.date(2026, 10, 10))
    assert (closed[0].state, closed[0].reason) == (alarms.CLOSED, "out of stock")
    assert [a.state for a in closed[1:]] == [a.state for a in found[1:]]
    before = alarms.close_alarms(found, rows, today=dt.date(2026, 1, 31))
    assert before[0].state == alarms.STANDS
    later = replace(found[0], raised=dt.date(2026, 2, 2))
    assert alarms.close_alarms([later], rows, today=dt.date(2026, 10, 10))[0].state == alarms.STANDS


@pytest.mark.parametrize(
    ("text", "match"),
    [
        (
            '[[alarm]]\nstream = "lot L"\nclosed = "2026-02-01"\n',
            "alarms.toml: alarm 1 .lot L.*missing reason",
        ),
        ('[[alarm]]\nstream = "lot L"\nclosed = "1.2.26"\nreason = "x"\n', "closed must be a date"),
        (
            '[[alarm]]\nstream = "L"\nclosed = "2026-02-01"\nreason = "x"\n',
            "stream must begin with lot, site",
        ),
        ('[[alarm]]\nstream = "lot L"\nclosed = "2026-02-01"\nreason = " "\n', "reason must say why"),
        ('[[alarms]]\nstream = "lot L"\n', "unknown alarms"),
        ("[[alarm]\n", "alarms.toml: not a TOML file"),
    ],
)
def test_a_wrong_list_of_closed_alarms_is_one_line(text: str, match: str, tmp_path: Path) -> None:
    with pytest.raises(TableError, match=match) as caught:
        close(text, tmp_path)
    assert "\n" not in str(caught.value).strip()


def test_open_alarms_of_a_lot_site_or_gauge(demo: RunPage) -> None:
    assert {a.name for a in alarms.open_alarms(demo.page, lots=["LL-2505"], sites=["Plain"])} == {
        "lot LL-2505"
    }
    assert alarms.open_alarms(demo.page, gauges=["HG-1"]) == ()
    text = alarms.warning_sentences(alarms.open_alarms(demo.page, lots=["LL-2505"]))[0]
    assert text.startswith("Alarm: lot LL-2505 since venting P25-018") and "licensed person" in text


def test_the_sheet_of_a_planned_venting_warns_of_the_lot_to_be_fitted(
    demo_store: Path, tmp_path: Path
) -> None:
    run = run_page("planned-venting", demo_store, tmp_path, planned="plan-2")
    assert any(line.startswith("Alarm: lot LL-2505") for line in run.closing.answers)
    sheet = run.page.frame("sheet").set_index("what")["expect"]
    assert sheet["Open alarm"].startswith("Alarm: lot LL-2505") and "site Ridge" not in " ".join(sheet)


def test_the_review_lists_the_quarters_alarms_and_what_became_of_them(demo_store: Path) -> None:
    for period, first in (("2025Q3", "H25-087, 2025-09-28"), ("2025Q4", None)):
        page = open_page("quarterly-review", {"store": str(demo_store), "period": period})
        text = quarterly_review.period_alarms(page).text
        assert f"Raised in {period}: " in text and "lot LL-2505" in text
        assert ("Standing from before: 1 alarm" in text) == (first is None)
        row = page.frame("period_alarms").set_index("stream").loc["lot LL-2505"]
        assert (row["what"], row["state"], row["firm"]) == ("alarm", "stands", "yes")


def test_the_page_on_spongy_lifters_shows_what_stands_on_its_lots(demo_store: Path) -> None:
    page = open_page("spongy-lifters", {"store": str(demo_store), "period": "2025Q3"})
    text = spongy_lifters.next_checks(page).text
    assert text.startswith("Alarm: lot LL-2505 since venting P25-018")


def test_an_intake_ends_with_two_lines_of_the_monitor(
    demo_store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = Path(shutil.copytree(demo_store, tmp_path / "store"))
    (tmp_path / "limits.toml").write_text((demo_store.parent / "limits.toml").read_text("utf-8"), "utf-8")
    empty = tmp_path / "records"
    empty.mkdir()
    (empty / "engines.csv").write_text("engine_id,engine_type,cylinders\nE-new,flat4,4\n", "utf-8")
    assert cli.main(["intake", str(empty), "--store", str(store), "--today", "2026-10-11"]) == 0
    lines = [line for line in capsys.readouterr().out.splitlines() if line.startswith("monitor:")]
    assert len(lines) == 2
    assert lines[0].startswith("monitor: 1 alarm, ") and "lot LL-2505 since venting P25-018" in lines[0]
    assert "ventbook report monitor" in lines[1]
    (tmp_path / "alarms.toml").write_text("[[alarm]\n", "utf-8")
    (empty / "engines.csv").write_text("engine_id,engine_type,cylinders\nE-two,flat4,4\n", "utf-8")
    assert cli.main(["intake", str(empty), "--store", str(store), "--today", "2026-10-12"]) == 0
    lines = [line for line in capsys.readouterr().out.splitlines() if line.startswith("monitor:")]
    assert len(lines) == 1 and "alarms.toml: not a TOML file" in lines[0]


def test_a_small_store_has_nothing_to_say(tmp_path: Path) -> None:
    run = run_page("monitor", make_store(tmp_path / "store"), tmp_path)
    assert run.closing.answers[0].startswith("No venting with a known result is on record")
