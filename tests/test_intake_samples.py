"""Traces at intake: whole starts, row groups cut between starts, duplicates and corrections, features once."""

import datetime as dt

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from ventbook.records import intake
from ventbook.records import store as stores
from ventbook.records.intake import samples, trace_features
from ventbook.records.intake import trace_features as sample_files

TODAY = dt.date(2026, 10, 1)
ENGINES = "engine_id,engine_type,cylinders\n007,flat4,4\n"
HEAD = "venting_id,engine_id,date,site,reason,rotations,rotations_counted_at,pressure_shown\n"


@pytest.fixture
def store(tmp_path):
    (tmp_path / "engines.csv").write_text(ENGINES)
    days = {"V1": "2026-07-01", "V2": "2026-04-01", "V3": "2026-07-02"}
    rows = "".join(f"{v},007,{day},Harbour,oil_change,40,propeller,yes\n" for v, day in days.items())
    (tmp_path / "ventings.csv").write_text(HEAD + rows)
    intake.ingest(
        [tmp_path / "engines.csv", tmp_path / "ventings.csv"], store=tmp_path / "store", today=TODAY
    )
    return tmp_path / "store"


def trace(venting, start=1, rows=50, speed=1000.0, first=0.0):
    t = first + np.arange(rows) * 0.1
    return pa.table(
        {
            "venting_id": [venting] * rows,
            "start_no": pa.array([start] * rows, pa.int64()),
            "t [s]": np.round(t, 3),
            "speed [rpm]": np.full(rows, speed),
            "oil_pressure [psi]": np.minimum(np.arange(rows) * 2.0, 60.0),
            "oil_temperature [degC]": np.full(rows, 20.0),
        }
    )


def hand_in(tmp_path, store, *traces, name="samples.parquet", **more):
    pq.write_table(pa.concat_tables(traces), tmp_path / name)
    return intake.ingest([tmp_path / name], store=store, today=TODAY, **more)


def counts(result):
    row = result.counts.loc["samples"]
    return tuple(int(row[n]) for n in ("rows", "accepted", "duplicate", "corrected", "quarantined"))


def snapshot(store, **more):
    return stores.open_store(store).snapshot(**more)


def test_traces_are_stored_by_quarter_in_whole_starts(tmp_path, store):
    result = hand_in(tmp_path, store, trace("V1"), trace("V1", 2), trace("V2"))
    assert counts(result) == (150, 150, 0, 0, 0)
    files = snapshot(store).files("samples")
    assert sorted(file.parent.name for file in files) == ["quarter=2026Q2", "quarter=2026Q3"]
    frame = snapshot(store).read("samples")
    assert len(frame) == 150
    assert frame["oil_pressure_bar"].iloc[1] == pytest.approx(2 * 0.06894757293168362, abs=1e-9)
    assert list(frame.columns) == list(samples.SCHEMA_NAMES)


def test_row_groups_end_between_starts(tmp_path, store, monkeypatch):
    monkeypatch.setattr(sample_files, "ROW_GROUP", 120)
    hand_in(tmp_path, store, *[trace("V1", n, 50) for n in range(1, 8)])
    (file,) = snapshot(store).files("samples")
    with pq.ParquetFile(file) as parquet:
        seen = []
        for group in range(parquet.num_row_groups):
            rows = parquet.read_row_group(group)
            assert rows.num_rows % 50 == 0
            seen.append(set(rows.column("start_no").to_pylist()))
    assert len(seen) == 3
    assert not set.intersection(seen[0], seen[1])


def test_features_are_computed_once_at_intake(tmp_path, store):
    hand_in(tmp_path, store, trace("V1"))
    features = snapshot(store).read("start_features")
    assert list(features["venting_id"]) == ["V1"]
    hand_in(tmp_path, store, trace("V2"))
    assert list(snapshot(store).read("start_features")["venting_id"]) == ["V1", "V2"]
    assert "start_features" in snapshot(store).records()


def test_features_follow_a_venting_that_is_corrected_or_withdrawn(tmp_path, store):
    hand_in(tmp_path, store, trace("V1"), trace("V3"))

    def seconds(**more):
        frame = snapshot(store, **more).read("start_features").set_index("venting_id")
        return frame["time_low_s"].round(3).to_dict()

    first = seconds()
    head = HEAD.replace("rotations,", "pressure_threshold [bar],rotations,", 1)
    row = "V1,007,2026-07-01,Harbour,oil_change,2.0,40,propeller,yes\n"
    (tmp_path / "ventings_again.csv").write_text(head + row)
    number = intake.ingest([tmp_path / "ventings_again.csv"], store=store, today=TODAY).number
    # pressure rises by 2 psi = .1379 bar a sample of .1 s: at the 14th step it stands under 2 bar for the last time
    assert seconds() == {"V1": 1.4, "V3": first["V3"]}
    assert first["V1"] < 1.0
    assert seconds(as_of=2) == first
    intake.withdraw(number, store=store)
    assert seconds() == first


def test_without_features_samples_are_stored_all_the_same(tmp_path, store, monkeypatch):
    monkeypatch.setattr(trace_features, "find_features", lambda: None)
    hand_in(tmp_path, store, trace("V1"))
    assert len(snapshot(store).read("samples")) == 50
    assert "start_features" not in snapshot(store).versions


def test_the_same_start_again_is_a_duplicate_and_another_a_correction(tmp_path, store):
    hand_in(tmp_path, store, trace("V1"), trace("V1", 2))
    assert counts(hand_in(tmp_path, store, trace("V1"))) == (50, 0, 50, 0, 0)
    again = hand_in(tmp_path, store, trace("V1", speed=1100.0))
    assert counts(again) == (50, 0, 0, 50, 0)
    frame = snapshot(store).read("samples")
    assert len(frame) == 100
    assert frame.loc[frame["start_no"] == 1, "speed_rpm"].unique().tolist() == [1100.0]
    assert len(snapshot(store).read("start_features")) == 2
    assert snapshot(store, as_of=2).read("samples")["speed_rpm"].max() == 1000.0


def test_a_start_with_a_fault_is_held_as_a_whole(tmp_path, store):
    bad = trace("V1", 2)
    speed = bad.column("speed [rpm]").to_numpy().copy()
    speed[7] = 99_999
    bad = bad.set_column(3, "speed [rpm]", pa.array(speed))
    orphan, back = trace("V9"), trace("V3")
    t = back.column("t [s]").to_numpy().copy()
    t[10] = t[9]
    back = back.set_column(2, "t [s]", pa.array(t))
    result = hand_in(tmp_path, store, trace("V1"), bad, orphan, back)
    assert counts(result) == (200, 50, 0, 0, 150)
    assert sorted(result.quarantine["code"]) == ["orphan_venting", "out_of_range", "samples_not_rising"]
    assert sorted(result.issues.loc[result.issues["severity"] == "set_aside", "rows"]) == [50, 50, 50]
    assert result.quarantine.set_index("code").loc["out_of_range", "line"] == 58


def test_scattered_starts_are_put_together(tmp_path, store):
    one, two = trace("V1", rows=60), trace("V1", 2, rows=40)
    mixed = pa.concat_tables([one.slice(30), two.slice(0, 20), one.slice(0, 30), two.slice(20)])
    result = hand_in(tmp_path, store, mixed)
    assert counts(result) == (100, 100, 0, 0, 0)


def test_csv_and_parquet_say_the_same(tmp_path, store):
    hand_in(tmp_path, store, trace("V1"))
    from pyarrow import csv

    csv.write_csv(trace("V1"), tmp_path / "samples.csv")
    result = intake.ingest([tmp_path / "samples.csv"], store=store, today=TODAY)
    assert counts(result) == (50, 0, 50, 0, 0)


def test_withdrawing_traces_brings_the_replaced_ones_back(tmp_path, store):
    hand_in(tmp_path, store, trace("V1"), trace("V2"))
    hand_in(tmp_path, store, trace("V1", speed=1100.0), trace("V3"))
    intake.withdraw(3, store=store)
    frame = snapshot(store).read("samples")
    assert frame.groupby("venting_id")["speed_rpm"].max().to_dict() == {"V1": 1000.0, "V2": 1000.0}
    assert list(snapshot(store).read("start_features")["venting_id"]) == ["V1", "V2"]
    assert len(snapshot(store, as_of=3).read("samples")) == 150


def test_a_dry_run_writes_no_file(tmp_path, store):
    result = hand_in(tmp_path, store, trace("V1"), dry_run=True)
    assert counts(result) == (50, 50, 0, 0, 0)
    assert not list((store / "tables").glob("samples/**/*.parquet"))


def test_starts_cross_batches(tmp_path, store, monkeypatch):
    from ventbook.records.readers import columnar

    monkeypatch.setattr(columnar, "BATCH_ROWS", 33)
    result = hand_in(tmp_path, store, *[trace("V1", n, 50) for n in range(1, 5)])
    assert counts(result) == (200, 200, 0, 0, 0)


def test_a_blank_line_among_samples_is_no_record(tmp_path, store):
    """As in every other table: it is neither held nor does it cut a trace in two."""
    lines = [f"V1,1,{n / 10},{n}" for n in range(6)]
    text = "\n".join(["venting_id,start_no,t [s],oil_pressure [psi]", *lines[:3], ",,,", *lines[3:]])
    (tmp_path / "samples.csv").write_text(text + "\n")
    result = intake.ingest([tmp_path / "samples.csv"], store=store, today=TODAY)
    assert counts(result) == (6, 6, 0, 0, 0)
