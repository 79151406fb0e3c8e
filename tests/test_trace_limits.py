"""Features of traces and the limits they were made under: renewed when these change, never mixed, said in a report."""

import datetime as dt
import re

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from ventbook import model, reports
from ventbook.errors import InputError
from ventbook.model import conformity
from ventbook.model.traces import MADE_UNDER
from ventbook.model.traces.features import name_settings
from ventbook.records import intake
from ventbook.records import store as stores
from ventbook.reports.runup import run_up_sheet

TODAY = dt.date(2026, 10, 1)
ENGINES = "engine_id,engine_type,cylinders\n007,flat4,4\n008,flat4,4\n"
HEAD = "venting_id,engine_id,date,site,reason,rotations,rotations_counted_at,pressure_shown,pressure_threshold [bar]\n"
STARTS = "venting_id,start_no,time_to_pressure [s],pressure_shown,first_hold [s],first_hold_speed [rpm]\n"


def manual(*rows):
    """A shop's own file: (step, low, high, revision)."""
    text = ""
    for step, low, high, revision in rows:
        text += f'[[limit]]\nstep = "{step}"\nengine_type = "*"\n'
        text += f"low = {low}\n" if low is not None else ""
        text += f"high = {high}\n" if high is not None else ""
        text += 'unit = "bar"\n' if step == "pressure_threshold" else ""
        text += 'unit = "rpm"\n' if step == "first_hold_speed" else ""
        text += f'status = "manual"\nrevision = "{revision}"\nsource = "own"\neffective_from = 2020-01-01\n'
    return text


def trace(venting):
    """1 Hz/10: turned over from 5 s, pressure rises 0.1 bar a second from 6 s on, held at 1650 rpm."""
    t = np.round(np.arange(0, 120, 0.1), 3)
    generator = np.random.default_rng(1)
    return pa.table(
        {
            "venting_id": [venting] * t.size,
            "start_no": pa.array([1] * t.size, pa.int64()),
            "t [s]": t,
            "speed [rpm]": np.where(t < 5, 0.0, 1650.0 + generator.normal(0, 2, t.size)),
            "oil_pressure [bar]": np.clip(0.1 * (t - 6) + generator.normal(0, 1e-4, t.size), 0, None),
            "oil_temperature [degC]": 20.0 + t / 10,
        }
    )


@pytest.fixture
def store(tmp_path):
    """V1 and V2 with a trace of the first start, under limits of revision A that know a threshold and no band."""
    (tmp_path / "limits.toml").write_text(manual(("pressure_threshold", 0.5, None, "A")))
    (tmp_path / "engines.csv").write_text(ENGINES)
    rows = "V1,007,2026-07-01,Harbour,oil_change,40,crankshaft,yes,\n"
    rows += "V2,008,2026-07-02,Harbour,oil_change,40,crankshaft,yes,0.8\n"
    (tmp_path / "ventings.csv").write_text(HEAD + rows)
    (tmp_path / "starts.csv").write_text(STARTS + "V1,1,9.0,yes,30,1650\nV2,1,9.0,yes,30,1650\n")
    pq.write_table(pa.concat_tables([trace("V1"), trace("V2")]), tmp_path / "samples.parquet")
    files = [tmp_path / name for name in ("engines.csv", "ventings.csv", "starts.csv", "samples.parquet")]
    intake.ingest(files, store=tmp_path / "store", today=TODAY)
    return tmp_path / "store"


def records(store, as_of=None):
    return stores.open_store(store).snapshot(as_of).records()


def hand_in_another(tmp_path, store):
    (tmp_path / "engines_2.csv").write_text("engine_id,engine_type,cylinders\n009,flat4,4\n")
    intake.ingest([tmp_path / "engines_2.csv"], store=store, today=TODAY)


def change(tmp_path, *rows):
    (tmp_path / "limits.toml").write_text(manual(*rows))


def test_features_say_what_they_were_made_under(store):
    features = records(store)["start_features"]
    assert set(MADE_UNDER) <= set(features)
    assert features["limits_revision"].tolist() == ["A", "A"]
    assert features["limits_key"].nunique() == 2  # V2 wrote down a threshold of its own
    steps = [[0.5, *[np.nan] * 7], [0.8, *[np.nan] * 7]]
    assert features["limits_key"].tolist() == name_settings(np.array(steps))


def test_without_a_band_there_are_no_seconds_in_it_and_the_record_speaks(store):
    made = records(store)
    assert made["start_features"][["seconds_first_hold", "seconds_warmup", "warm_s"]].isna().all(axis=None)
    lifters = model.build_lifters(made)
    table = model.build_ventings(made, lifters=lifters)
    rows = conformity.check_steps(made, table, lifters).query("step == 'first_hold'")
    assert rows[["value", "source", "verdict"]].to_numpy().tolist() == [[30.0, "record", "no_limit"]] * 2


def test_a_report_does_not_use_features_made_under_other_limits_and_says_so(tmp_path, store):
    before = model.build_ventings(records(store)).set_index("venting_id")
    assert before["time_source"].tolist() == ["trace", "trace"]
    assert before["time_high_s"].between(5.9, 9.1).all()
    change(tmp_path, ("pressure_threshold", 0.7, None, "B"))
    table = model.build_ventings(records(store)).set_index("venting_id")
    assert table["trace_left_out"].tolist() == [True, False]
    assert table["time_source"].tolist() == ["stopwatch", "trace"]
    assert table.loc["V1", "time_to_pressure_s"] == 9.0
    page = reports.open_page("records", {"store": str(store)})
    said = " ".join(page.cautions())
    assert "Read under other limits (revisions: A) than those in force now (B): 1 logged start." in said
    # 0.7 bar stands at 13 s, and the engine runs from 5 s on.
    assert re.search(r"Pressure showed (7\.9|8\.0|8\.1) s after", run_up_sheet(page, "V1").text)


def test_the_next_intake_renews_just_those(tmp_path, store):
    change(tmp_path, ("pressure_threshold", 0.7, None, "B"))
    hand_in_another(tmp_path, store)
    features = records(store)["start_features"].set_index("venting_id")
    assert features["limits_revision"].tolist() == ["B", "A"]  # V2's own threshold: nothing to make anew
    table = model.build_ventings(records(store)).set_index("venting_id")
    assert table["time_source"].tolist() == ["trace", "trace"] and not table["trace_left_out"].any()
    assert "Read under other limits" not in " ".join(
        reports.open_page("records", {"store": str(store)}).cautions()
    )


def test_a_band_that_is_entered_later_is_read_at_the_next_intake(tmp_path, store):
    change(tmp_path, ("pressure_threshold", 0.5, None, "A"), ("first_hold_speed", 1600, 1700, "A"))
    hand_in_another(tmp_path, store)
    assert (records(store)["start_features"]["seconds_first_hold"] > 100).all()


def test_an_earlier_snapshot_leaves_out_what_was_made_under_other_limits_and_names_them(tmp_path, store):
    change(tmp_path, ("pressure_threshold", 0.7, None, "B"))
    hand_in_another(tmp_path, store)
    page = reports.open_page("records", {"store": str(store), "as_of": 1})
    assert page.all_jobs.set_index("venting_id")["trace_left_out"].tolist() == [True, False]
    assert "(revisions: A)" in " ".join(page.cautions())


def test_a_corrected_threshold_is_renewed_too(tmp_path, store):
    (tmp_path / "ventings_2.csv").write_text(
        HEAD + "V1,007,2026-07-01,Harbour,oil_change,40,crankshaft,yes,1.0\n"
    )
    intake.ingest([tmp_path / "ventings_2.csv"], store=store, today=TODAY)
    features = records(store)["start_features"].set_index("venting_id")
    assert features.loc["V1", "time_to_pressure_s"] == pytest.approx(11.0, abs=0.2)


def test_an_intake_under_limits_that_cannot_be_read_changes_nothing(tmp_path, store):
    wrong = manual(("first_hold_speed", 1, 2, "A")).replace("hold_speed", "hold_sped")
    (tmp_path / "limits.toml").write_text(wrong)
    with pytest.raises(
        InputError, match=r"limits.toml: row 1 \(first_hold_sped, \*\): step .* stands nowhere"
    ):
        hand_in_another(tmp_path, store)
    (tmp_path / "limits.toml").unlink()
    assert stores.open_store(store).snapshot().number == 1


def test_taking_a_table_over_reads_the_traces_again_at_once(tmp_path, store):
    import openpyxl

    path = intake.export_limits(tmp_path / "filled.xlsx", store=store)
    book = openpyxl.load_workbook(path)
    sheet = book["limits"]
    names = [cell.value for cell in sheet[1]]
    row = {"step": "pressure_threshold", "engine_type": "*", "low": 0.7, "unit": "bar", "revision": "B"}
    place = sheet.max_row + 1
    for name, value in (row | {"effective_from": dt.date(2026, 6, 1), "source": "own"}).items():
        sheet.cell(place, names.index(name) + 1, value)
    book.save(path)
    result = intake.change_limits(path, store=store)
    assert (result.renewed, result.number) == (1, 2)
    made = records(store)
    assert made["start_features"].set_index("venting_id")["limits_revision"].tolist() == ["A, B", "A"]
    assert not model.build_ventings(made)["trace_left_out"].any()
    assert made["intakes"]["kind"].tolist() == ["intake", "limits"]
    with pytest.raises(InputError, match="snapshot 2 took no records in"):
        intake.withdraw(2, store=store)
    hand_in_another(tmp_path, store)
    assert intake.withdraw(3, store=store) == 4
