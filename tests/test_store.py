"""The store: snapshots, history, one writer at a time, and nothing of a killed writer."""

import datetime as dt
import signal
import subprocess
import sys
import textwrap
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pytest

from ventbook.records import store as st
from ventbook.records.store import delta, snapshots
from ventbook.records.store import locks as locking

TODAY = dt.date(2026, 10, 1)


def engine_rows(ids, *, intake=1, cylinders=4):
    schema = st.record_schema("engines")
    n = len(ids)
    values = {
        "engine_id": list(ids),
        "engine_type": ["flat4"] * n,
        "cylinders": [cylinders] * n,
        "turbocharged": [None] * n,
        "_intake": [intake] * n,
        "_file": ["engines.csv"] * n,
        "_line": list(range(2, n + 2)),
    }
    return pa.table({f.name: pa.array(values.get(f.name, [None] * n), f.type) for f in schema}, schema=schema)


def put(store, rows, *, table="engines", note=""):
    with st.write_snapshot(store) as writer:
        writer.add_rows(table, rows)
        return writer.commit(kind="intake", today=TODAY, counts={}, sources=[], note=note)


def test_snapshots_are_numbered_and_stay_readable(tmp_path):
    store = st.create_store(tmp_path / "store")
    assert store.empty
    assert put(store, engine_rows(["E2", "E1"])) == 1
    assert put(store, engine_rows(["E0"], intake=2), note="second") == 2
    assert list(store.snapshot().read("engines")["engine_id"]) == ["E0", "E1", "E2"]
    assert list(store.snapshot(as_of=1).read("engines")["engine_id"]) == ["E1", "E2"]
    frame = store.snapshots()
    assert list(frame["number"]) == [1, 2]
    assert list(frame["note"]) == ["", "second"]
    assert store.snapshot().today == TODAY


def test_a_large_table_is_read_as_a_small_one(tmp_path, monkeypatch):
    store = st.create_store(tmp_path / "store")
    put(store, engine_rows(["E2", "E10", "E1"]))
    put(store, engine_rows(["E0", "A"], intake=2, cylinders=6))
    few = store.snapshot().read("engines"), store.snapshot().read("engines", ["cylinders"], bookkeeping=True)
    monkeypatch.setattr(snapshots, "MANY_ROWS", 0)
    many = store.snapshot().read("engines"), store.snapshot().read("engines", ["cylinders"], bookkeeping=True)
    assert list(many[0]["engine_id"]) == ["A", "E0", "E1", "E10", "E2"]
    for one, two in zip(few, many, strict=True):
        pd.testing.assert_frame_equal(one, two)


def test_frames_have_the_agreed_types_and_hide_the_bookkeeping(tmp_path):
    store = st.create_store(tmp_path / "store")
    put(store, engine_rows(["007", "1.10"]))
    frame = store.snapshot().read("engines")
    kinds = {name: str(kind) for name, kind in frame.dtypes.items()}
    assert list(frame["engine_id"]) == ["007", "1.10"]
    assert kinds["engine_id"] == "str"
    assert kinds["turbocharged"] == "boolean"
    assert kinds["cylinders"] == "Int64"
    assert kinds["pump_displacement_cm3"] == "float64"
    assert not [name for name in frame if name.startswith("_")]
    assert "_line" in store.snapshot().read("engines", bookkeeping=True)
    ventings = store.snapshot().read("ventings")
    assert ventings.empty
    assert str(ventings["date"].dtype) == "datetime64[us]"


def test_a_changed_row_wins_and_the_older_stays_in_the_history(tmp_path):
    store = st.create_store(tmp_path / "store")
    put(store, engine_rows(["A", "B", "C"]))
    with st.write_snapshot(store) as writer:
        new = engine_rows(["B"], intake=2, cylinders=6)
        writer.change_rows("engines", add=new, drop=new.select(["engine_id"]))
        writer.commit(kind="intake", today=TODAY, counts={}, sources=[])
    assert list(store.snapshot().read("engines")["cylinders"]) == [4, 6, 4]
    assert list(store.snapshot(as_of=1).read("engines")["cylinders"]) == [4, 4, 4]


def test_rows_of_one_intake_are_taken_out(tmp_path):
    store = st.create_store(tmp_path / "store")
    put(store, engine_rows(["A"]))
    put(store, engine_rows(["B"], intake=2))
    with st.write_snapshot(store) as writer:
        writer.change_rows("engines", drop_intake=1)
        writer.commit(kind="withdrawal", today=TODAY, counts={}, sources=[], withdrawn=1)
    assert list(store.snapshot().read("engines")["engine_id"]) == ["B"]
    assert list(store.snapshot(as_of=2).read("engines")["engine_id"]) == ["A", "B"]


def test_a_writer_that_stops_between_two_tables_leaves_nothing(tmp_path):
    store = st.create_store(tmp_path / "store")
    put(store, engine_rows(["A"]))
    with pytest.raises(RuntimeError, match="power cut"), st.write_snapshot(store) as writer:
        writer.add_rows("engines", engine_rows(["DEAD"], intake=2))
        raise RuntimeError("power cut")
    assert list(store.snapshot().read("engines")["engine_id"]) == ["A"]
    assert put(store, engine_rows(["B"], intake=2)) == 2
    assert list(store.snapshot().read("engines")["engine_id"]) == ["A", "B"]


def test_a_killed_process_leaves_nothing_and_no_lock(tmp_path):
    """A real kill: the process takes the lock, writes two tables and dies before the snapshot's row."""
    store = st.create_store(tmp_path / "store")
    put(store, engine_rows(["A"]))
    code = f"""
        import sys, os, signal
        sys.path.insert(0, {str(Path(__file__).parent)!r})
        from test_store import engine_rows
        from ventbook.records import store as st
        with st.write_snapshot(st.open_store({str(store.path)!r})) as writer:
            writer.add_rows("engines", engine_rows(["DEAD"], intake=2))
            writer.path_of("ventings")
            os.kill(os.getpid(), signal.{"SIGTERM" if sys.platform == "win32" else "SIGKILL"})
    """
    done = subprocess.run([sys.executable, "-c", textwrap.dedent(code)], capture_output=True, check=False)
    assert done.returncode == (-signal.SIGKILL if sys.platform != "win32" else done.returncode), done.stderr
    assert delta.head_version(st.table_path(store.path, "engines")) == 2
    put(store, engine_rows(["B"], intake=2))
    frame = store.snapshot().read("engines")
    assert list(frame["engine_id"]) == ["A", "B"]
    assert store.snapshot().read("ventings").empty


def test_two_writers_cannot_write_at_once(tmp_path):
    store = st.create_store(tmp_path / "store")
    with (
        locking.hold_lock(store.path / "lock"),
        pytest.raises(st.StoreError, match="another intake is writing"),
        st.write_snapshot(store),
    ):
        pass
    put(store, engine_rows(["A"]))


def test_a_store_that_is_not_there_is_said_in_one_line(tmp_path):
    with pytest.raises(st.StoreError, match="no such store"):
        st.open_store(tmp_path / "nowhere")
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "letter.txt").write_text("x")
    with pytest.raises(st.StoreError, match="not a store"):
        st.open_store(tmp_path / "other")
    with pytest.raises(st.StoreError, match="holds other files"):
        st.create_store(tmp_path / "other")
    empty = st.create_store(tmp_path / "store")
    with pytest.raises(st.StoreError, match="store is empty"):
        empty.snapshot()
    put(empty, engine_rows(["A"]))
    with pytest.raises(st.StoreError, match="no snapshot 7; the store has 1 to 1"):
        empty.snapshot(as_of=7)
    with pytest.raises(ValueError, match="table must be one of"):
        empty.snapshot().read("engine")


@pytest.mark.parametrize("name", ["plain", "with space", "Prüfstand #1 a+b", "100% x", "[a]{b}"])
def test_a_store_may_stand_in_a_folder_of_any_name(tmp_path, name):
    store = st.create_store(tmp_path / name / "store")
    put(store, engine_rows(["A"]))
    put(store, engine_rows(["B"], intake=2))
    assert list(store.snapshot().read("engines")["engine_id"]) == ["A", "B"]


def test_a_name_that_the_table_format_reads_as_a_code_is_refused(tmp_path):
    with pytest.raises(st.StoreError, match="can't stand in a folder"):
        st.create_store(tmp_path / "a%20b")


def test_old_versions_are_kept(tmp_path):
    from deltalake import DeltaTable

    store = st.create_store(tmp_path / "store")
    put(store, engine_rows(["A"]))
    settings = DeltaTable(str(st.table_path(store.path, "engines"))).metadata().configuration
    assert settings["delta.enableExpiredLogCleanup"] == "false"
    assert settings["delta.logRetentionDuration"] == "interval 36500 days"


def test_a_column_the_dictionary_gains_later_reads_as_not_recorded(tmp_path, monkeypatch):
    store = st.create_store(tmp_path / "store")
    full = snapshots.record_schema("engines")
    short = pa.schema([field for field in full if field.name != "feed_order"])
    monkeypatch.setattr(snapshots, "record_schema", lambda name: short)
    put(store, engine_rows(["A"]).select(short.names))
    monkeypatch.undo()
    put(store, engine_rows(["B"], intake=2))
    frame = store.snapshot().read("engines")
    assert list(frame["engine_id"]) == ["A", "B"]
    assert frame["feed_order"].isna().all()


def test_keys_of_several_columns_are_matched_together():
    rows = pa.table({"a": ["x", "x", "y", None], "n": [1, 2, 1, 1]})
    keys = pa.table({"a": ["x", "y"], "n": [2, 2]})
    assert st.is_among(rows, keys).to_pylist() == [False, True, False, False]
    assert st.is_among(rows, pa.table({"a": pa.array([None], pa.string()), "n": [1]})).to_pylist() == [
        False,
        False,
        False,
        True,
    ]


def test_records_hold_every_table_even_the_empty_ones(tmp_path):
    store = st.create_store(tmp_path / "store")
    put(store, engine_rows(["A"]))
    records = store.snapshot().records()
    assert {
        "engines",
        "ventings",
        "starts",
        "lifter_checks",
        "planned",
        "quarantine",
        "issues",
        "intakes",
    } <= set(records)
    assert isinstance(records["quarantine"], pd.DataFrame)
    assert store.snapshot().sources().empty
