"""The form page in a real browser: what is typed arrives in a store unchanged, and nobody is shut out.

Needs Chromium, Node and ``npm install --no-package-lock`` in this folder; skipped where one of them is missing.
"""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from browser_check import CHROMIUM, HERE, needs_browser
from form_fillings import TABLES, TODAY, Filling, compare
from ventbook.records import intake
from ventbook.records import store as stores
from ventbook.records.forms import Job, write_forms
from ventbook.tables import record_tables

pytestmark = [pytest.mark.browser, needs_browser]

ENGINE = {"engine_id": "007", "engine_type": "flat4", "cylinders": 4, "feed_order": "2-1-4-3", "propeller_reduction": 2.1, "propeller_blades": 3}  # fmt: skip
JOB = Job(
    "plan-1",
    {"ventings": {"venting_id": "plan-1", "engine_id": "007", "site": "Harbour", "lifter_lot": "L-31", "oil_temperature": 21.0}, "engines": ENGINE, "lifter_checks": {"gauge": "G2"}},
    manual={"rotations_max": 50.0, "time_to_pressure": 0.5, "check_hold": 0.3},
    revision="revision 3",
    look_at=30.0,
    alarms=("Lot L-31: more spongy lifters than expected since V26-001.",),
)  # fmt: skip
COUNT = '[data-do="count"]'


def work(page: Path, *commands: list[Any]) -> list[Any]:
    """The answers of the browser to ``commands`` (``form.mjs`` says which there are)."""
    done = subprocess.run(
        ["node", str(HERE / "form.mjs"), str(page)],
        input=json.dumps(commands),
        capture_output=True,
        text=True,
        timeout=1500,
        env={**os.environ, "CHROMIUM": str(CHROMIUM)},
        check=False,
    )
    assert done.returncode == 0, done.stderr
    answers: list[Any] = json.loads(done.stdout)
    return answers


@pytest.fixture(scope="module")
def page(tmp_path_factory) -> Path:
    return write_forms(tmp_path_factory.mktemp("form") / "form.html")


@pytest.fixture(scope="module")
def planned(tmp_path_factory) -> Path:
    return write_forms(tmp_path_factory.mktemp("form") / "planned.html", job=JOB)


def take_round(folder: Path, *, number: int, system: str, seed: int) -> None:
    """So many random fillings through the page and into a store: nothing quarantined, every value equal."""
    rng = random.Random(seed)
    fillings = [Filling(n, rng, system) for n in range(number)]
    page = write_forms(folder / "form.html", units=system)
    typed = [{"rows": f.rows, "values": f.values} for f in fillings]
    _, answers, heard = work(page, ["open"], ["fillings", typed], ["heard"])
    assert heard == []
    files = []
    for n, answer in enumerate(answers):
        assert answer["missing"] == [] and answer["problems"] == [], (
            n,
            answer["missing"],
            answer["problems"],
        )
        for table, text in answer["files"].items():
            files.append(folder / f"{table}_{n}.csv")
            files[-1].write_text("\ufeff" + text, encoding="utf-8", newline="")
    result = intake.ingest(files, store=folder / "store", today=TODAY)
    assert result.quarantine.empty, result.quarantine[["table", "what"]].head().to_dict("records")
    snapshot = stores.open_store(folder / "store").snapshot()
    for table in TABLES:
        rows = [row for f in fillings for row in f.expected[table]]
        assert rows, table
        assert compare(snapshot.read(table), table, rows) == []


@pytest.mark.parametrize("system", ["metric", "us"])
def test_random_fillings_arrive_unchanged(tmp_path, system) -> None:
    take_round(tmp_path, number=10, system=system, seed=7)


@pytest.mark.long
@pytest.mark.parametrize(("system", "seed"), [("metric", 1), ("us", 2)])
def test_a_thousand_random_fillings_arrive_unchanged(tmp_path, system, seed) -> None:
    take_round(tmp_path, number=500, system=system, seed=seed)


def test_files_downloaded_by_a_press_are_taken(page, tmp_path) -> None:
    text = '=1+1, "quoted"; <b>\n-second line\n@third'
    typed = {"ventings.0.venting_id": "V/1 x", "ventings.0.engine_id": "007", "ventings.0.site": "=Harbour, \"1\"", "engines.0.engine_type": "flat4",
             "engines.0.cylinders": "2", "ventings.0.date": "2026-07-31", "ventings.0.rotations": "24", "ventings.0.remarks": text,
             "lifter_checks.0.force": "83", "lifter_checks.0.2-inlet.gap": "0,14"}  # fmt: skip
    chosen = {"ventings.0.reason": "oil_change", "ventings.0.rotations_counted_at": "propeller", "ventings.0.pressure_shown": "yes"}  # fmt: skip
    *_, saved, heard = work(
        page,
        ["open"],
        *(["type", name, value] for name, value in typed.items()),
        *(["choose", name, value] for name, value in chosen.items()),
        ["download", str(tmp_path)],
        ["heard"],
    )
    assert heard == []
    assert sorted(saved) == ["engines_V-1-x.csv", "lifter_checks_V-1-x.csv", "ventings_V-1-x.csv"]
    result = intake.ingest([tmp_path / name for name in saved], store=tmp_path / "store", today=TODAY)
    assert result.quarantine.empty, list(result.quarantine["what"])
    snapshot = stores.open_store(tmp_path / "store").snapshot()
    job, lifter = (snapshot.read(table).iloc[0] for table in ("ventings", "lifter_checks"))
    assert (job["venting_id"], job["site"], job["remarks"]) == ("V/1 x", '=Harbour, "1"', text)
    assert (lifter["gap_mm"], lifter["force_N"], lifter["valve"]) == (0.14, 83.0, "inlet")


def test_what_is_typed_is_there_after_a_reload_and_gone_after_clearing(page) -> None:
    answers = work(
        page,
        ["open"],
        ["type", "ventings.0.venting_id", "V1"],
        ["type", "engines.0.cylinders", "2"],
        ["click", '[data-do="add"][data-table="starts"]'],
        ["type", "starts.1.time_to_pressure", "2.5"],
        ["type", "lifter_checks.0.2-exhaust.gap", "0.2"],
        ["reload"],
        *(["value", n] for n in ("ventings.0.venting_id", "starts.1.time_to_pressure", "lifter_checks.0.2-exhaust.gap")),
        ["click", '[data-do="clear"]'],
        ["wait", 500],
        ["value", "ventings.0.venting_id"],
        ["names"],
    )  # fmt: skip
    assert answers[7:10] == ["V1", "2.5", "0.2"]
    assert answers[12] == "" and "starts.1.time_to_pressure" not in answers[13]


def test_a_newer_page_of_the_job_goes_before_what_an_older_one_was_filled_ahead_with(
    planned, tmp_path
) -> None:
    values = {**JOB.values, "ventings": {**JOB.values["ventings"], "lifter_lot": "L-32"}}
    newer = write_forms(tmp_path / "newer.html", job=replace(JOB, values=values))
    told = work(
        planned,
        ["open"],
        ["type", "ventings.0.technician", "A. Person"],
        ["wait", 300],
        ["go", str(newer)],
        *(["value", f"ventings.0.{name}"] for name in ("technician", "lifter_lot", "site")),
    )
    assert told[4:] == ["A. Person", "L-32", "Harbour"]


def test_marks_that_may_be_thousands_are_asked_about_and_decimal_commas_are_not(page) -> None:
    told = work(
        page,
        ["open"],
        *(["type", "ventings.0.rest_before_start", text] for text in ("1,5", "1,200")),
        ["text", "#ventings-0-rest_before_start-fault"],
        ["type", "ventings.0.rest_before_start", "1,5"],
        ["value", "ventings.0.rest_before_start"],
    )
    assert told[3:] == ["Write a number, as in 1.5.", None, "1.5"]


def test_a_job_is_counted_by_keyboard_alone(planned) -> None:
    """From the first field to the files: tabulator, letters, space and return."""
    answers = work(
        planned,
        ["open", {"width": 390}],
        ["tab", '[name="ventings.0.technician"]'],
        ["keys", "=A. Person"],
        ["tab", '[name="ventings.0.rotations_counted_at"]'],
        ["keys", "=crank"],
        ["tab", '[data-do="open-counter"]'],
        ["keys", "Space"],
        ["seen", COUNT],
        ["keys", "Shift+Tab", "Space"],
        ["tab", '[data-do="open-counter"]'],
        ["keys", "Enter"],
        ["seen", COUNT],
        ["keys", "Space", "Space", "Enter"],
        ["tab", '[data-do="shown"]'],
        ["keys", "Enter"],
        ["keys", "Shift+Tab", "Shift+Tab", "Space"],
        ["value", "ventings.0.rotations"],
        ["value", "ventings.0.rotations_after_pressure"],
        ["value", "ventings.0.pressure_shown"],
        ["tab", '[name="lifter_checks.0.2-inlet.gap"]'],
        ["tab", '[data-do="hand-in"]'],
        ["keys", "Enter"],
        ["text", "#handed"],
        ["heard"],
    )  # fmt: skip
    assert answers[7] is False and answers[11] is True
    assert answers[16:19] == ["3", "1", "yes"]
    assert "1 file made" in answers[22] and "Reason is needed" in answers[22]
    assert answers[23] == []


def test_the_counter_stops_at_the_manuals_count_and_never_above_it(planned) -> None:
    """50 crankshaft rotations are 23.8 of a propeller at 2.1 to 1, and 71.4 passes of its three blades; 30 are 14.3 and 42.9."""
    places = (("crankshaft", 30, 50), ("propeller", 14, 23), ("blade", 42, 71))
    commands = [
        [
            ["open"],
            ["choose", "ventings.0.rotations_counted_at", place],
            ["click", "#gate-second"],
            ["click", '[data-do="open-counter"]'],
            ["text", "#stop-count"],
            ["click", COUNT, look - 1],
            ["seen", "#reached"],
            ["click", COUNT],
            ["text", "#reached"],
            ["click", COUNT, limit - look - 1],
            ["text", "#reached"],
            ["click", COUNT],
            ["text", "#reached"],
            ["text", "#alert"],
            ["value", "ventings.0.rotations"],
        ]
        for place, look, limit in places
    ]
    every = work(planned, *[command for part in commands for command in part])
    for n, (_, look, limit) in enumerate(places):
        told = every[15 * n : 15 * (n + 1)]
        assert f"Stop and look at {look} " in told[4] and f"Stop at {limit} " in told[4]
        assert "revision 3" in told[4]
        assert told[6] is False and "look for a suction leak" in told[8] and "suction leak" in told[10]
        assert "the manual's count is reached" in told[12] and told[13].startswith(f"{limit}. Stop turning")
        assert told[14] == str(limit)


def test_without_a_manuals_count_there_is_no_stop_count_until_one_is_entered(page) -> None:
    told = work(
        page,
        ["open"],
        ["choose", "ventings.0.rotations_counted_at", "propeller"],
        ["click", "#gate-second"],
        ["click", '[data-do="open-counter"]'],
        ["text", "#stop-count"],
        ["type", "form.0.manual_count", "4"],
        ["text", "#stop-count"],
        ["click", COUNT, 4],
        ["text", "#reached"],
        ["click", '[data-do="given-up"]'],
        ["value", "ventings.0.pressure_shown"],
    )
    assert "enter your manual's count" in told[4] and "Stop at" not in told[4]
    assert "Stop at 4 propeller rotations" in told[6]
    assert "the manual's count is reached" in told[8] and told[10] == "no"


def test_stopwatch_and_hold_timer(planned) -> None:
    told = work(
        planned,
        ["open"],
        ["click", '[data-do="engine-starts"]'],
        ["wait", 900],
        ["text", "#alert"],
        ["click", '[data-do="shut-down"]'],
        *(["value", f"starts.0.{name}"] for name in ("time_to_pressure", "pressure_shown", "reading_step", "started_at")),
        ["click", '[data-do="hold"]'],
        ["wait", 700],
        ["text", "#alert"],
        ["click", '[data-do="hold"]'],
        ["value", "lifter_checks.0.2-inlet.hold"],
        ["value", "lifter_checks.0.gauge"],
        ["heard"],
    )  # fmt: skip
    assert "shut down at once" in told[3]
    assert float(told[5]) >= 0.8 and told[6:8] == ["no", "0.5"] and len(told[8]) == 16
    assert told[11] == "Read the gap: Cylinder 2 inlet" and float(told[13]) >= 0.6
    assert told[14] == "G2" and told[15] == []


def test_it_says_where_nothing_is_kept_and_the_paper_form_stands_in_without_script(planned, tmp_path) -> None:
    from pypdf import PdfReader

    told = work(
        planned,
        ["open", {"storage": False}],
        ["seen", "#no-storage"],
        ["seen", "#form"],
        ["seen", "#paper"],
        ["type", "ventings.0.technician", "A. Person"],
        ["pdf", str(tmp_path / "typed.pdf")],
        ["open", {"script": False}],
        ["text", "noscript"],
        ["seen", "#form"],
        ["seen", "#paper"],
        ["text", "#paper"],
        ["heard"],
    )
    assert told[1:4] == [True, True, False]
    assert "does not run the page's own script" in told[7] and told[8:10] == [False, True]
    for said in ("Stop and look at 30 crankshaft rotations", "23 propeller rotations", "Lot L-31", "A second person counts", "Oil temperature", "Lifter history"):  # fmt: skip
        assert said in told[10]
    pages = PdfReader(tmp_path / "typed.pdf").pages
    printed = " ".join(" ".join(page.extract_text() for page in pages).split())  # a cell's lines are one text
    for said in ("A. Person", "Cylinder 2 inlet", "releases"[:7], "second person counts"):
        assert said in printed
    assert "Make the files" not in printed
    assert told[11] == []


def test_nobody_is_shut_out_and_nothing_is_fetched(planned) -> None:
    """Light, dark and on a phone, with the counter open at its stop, rows added and faults told."""
    looks = ({"width": 1280}, {"width": 1280, "scheme": "dark"}, {"width": 390, "scheme": "dark"}, {"width": 390})  # fmt: skip
    commands = [
        [
            ["open", {**look, "policy": False}],  # axe itself is let in past the policy
            ["choose", "ventings.0.rotations_counted_at", "crankshaft"],
            ["type", "engines.0.cylinders", "1"],
            ["click", '[data-do="open-counter"]'],
            ["click", "#gate-second"],
            ["click", '[data-do="open-counter"]'],
            ["click", COUNT, 31],
            ["click", '[data-do="add"][data-table="gauge_readings"]'],
            ["type", "ventings.0.tank_overpressure", "99"],
            ["click", '[data-do="hand-in"]'],
            ["wait", 100],
            ["axe"],
            ["overflow"],
            ["heard"],
        ]
        for look in looks
    ]
    told = work(planned, *[command for part in commands for command in part])
    assert told[11::14] == [[]] * 4
    assert max(told[12::14]) <= 0
    assert told[13::14] == [[]] * 4


def test_every_column_of_the_dictionary_has_a_field(page) -> None:
    """New columns simply appear; what the page fills in itself is not asked for."""
    names = set(work(page, ["open"], ["type", "engines.0.cylinders", "1"], ["click", '[data-do="add"][data-table="gauge_readings"]'], ["names"])[3])  # fmt: skip
    own = {"engines": {"engine_id"}, "starts": {"venting_id", "start_no"}, "lifter_checks": {"venting_id", "check_no", "cylinder", "valve"}}  # fmt: skip
    for table in TABLES:
        at = "lifter_checks.0.1-inlet" if table == "lifter_checks" else f"{table}.0"
        wanted = {column.name for column in record_tables()[table].columns} - own.get(table, set())
        assert {f"{at}.{name}" for name in wanted} <= names
