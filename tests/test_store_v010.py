"""A store and a report made by version 0.1.0 (``fixtures/make_v010.py``): they read as they are, the first write brings
the store up to date in one step, and every snapshot of then keeps its numbers.
"""

import datetime as dt
import json
import tarfile
from pathlib import Path

import pytest

from fixtures.make_v010 import digest
from ventbook import model
from ventbook.model.traces import FEATURES
from ventbook.records import intake, privacy
from ventbook.records import store as stores
from ventbook.records.intake import upgrade
from ventbook.records.store import CONTENT, delta

ARCHIVE = Path(__file__).parent / "fixtures" / "v010.tar.xz"
TODAY = dt.date(2026, 11, 1)
LATER = ["gap_at_once_force_N", "late_gap_mm", "late_gap_time_s", "gap_released_mm"]
ENGINE = "engine_id,engine_type,cylinders\nX-1,flat4,4\n"


@pytest.fixture
def old(tmp_path):
    with tarfile.open(ARCHIVE) as archive:
        archive.extractall(tmp_path, filter="data")
    privacy.make_key(tmp_path / "v010" / "store")  # the fixture was packed without its own
    return tmp_path / "v010"


def assert_as_then(folder):
    """Every table of every snapshot that 0.1.0 committed, in the columns it had, as 0.1.0 read it."""
    expected = json.loads((folder / "expected.json").read_text())
    store = stores.open_store(folder / "store")
    assert len(expected) == 8
    for number, tables in expected.items():
        snapshot = store.snapshot(as_of=int(number))
        assert snapshot.content == 1
        for name, then in tables.items():
            frame = snapshot.read(name)
            assert len(frame) == then["rows"], (number, name)
            assert digest(frame[then["columns"]]) == then["sha256"], (number, name)


def take_engine(folder, tmp_path):
    (tmp_path / "engines.csv").write_text(ENGINE)
    return intake.ingest([tmp_path / "engines.csv"], store=folder / "store", today=TODAY)


def files_of(folder):
    return {p.relative_to(folder): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_reading_an_old_store_needs_nothing(old):
    before = files_of(old)
    assert_as_then(old)
    store = stores.open_store(old / "store")
    assert len(store.snapshots()) == 8
    for number in (1, 8):
        records = store.snapshot(as_of=number).records()
        table = model.build_ventings(records)
        assert len(table) == len(records["ventings"]) > 0
    traced = table[table["time_source"] == "trace"]
    assert len(traced) > 3 and traced["trace_start_low_t"].isna().all()  # 0.1.0 did not know it
    assert files_of(old) == before


def test_the_first_intake_upgrades_in_one_step_and_numbers_as_of_then_stay(old, tmp_path):
    store = stores.open_store(old / "store")
    then = store.snapshot().read("start_features")
    result = take_engine(old, tmp_path)
    assert result.number == 9
    now = store.snapshot()
    assert now.content == CONTENT
    features = now.read("start_features")
    assert list(features["venting_id"]) == list(then["venting_id"]) and len(features) > 5
    assert set(FEATURES) <= set(features.columns)
    assert features["start_low_t"].notna().any()
    assert "store upgraded: features of all traces" in store.snapshots()["note"].iloc[-1]
    assert_as_then(old)
    again = take_engine(old, tmp_path)
    assert again.unchanged and again.number == 9 == store.snapshot().number
    assert store.snapshot().versions["start_features"] == now.versions["start_features"]


def test_columns_that_came_later_are_missing_in_old_rows_and_taken_in_new_ones(old, tmp_path):
    store = stores.open_store(old / "store")
    then = store.snapshot().read("lifter_checks")
    assert then[LATER].isna().all().all() and len(then) > 5
    take_engine(old, tmp_path)  # from here the rows are as 0.3.0 left them: upgraded, without these columns
    one = then.iloc[0]
    (tmp_path / "lifter_checks.csv").write_text(
        "venting_id,check_no,cylinder,valve,force [N],hold [s],gap_at_once [mm],gap_at_once_force [N],gap [mm],"
        "late_gap [mm],late_gap_time [s],gap_released [mm]\n"
        f"{one['venting_id']},19,{one['cylinder']},{one['valve']},85,4,0.4,50,0.5,0.6,20,0.05\n"
    )
    taken = intake.ingest([tmp_path / "lifter_checks.csv"], store=old / "store", today=TODAY)
    assert taken.quarantine.empty
    now = store.snapshot().read("lifter_checks")
    new = now["check_no"] == 19
    assert now.loc[new, LATER].to_numpy().tolist() == [[50.0, 0.6, 20.0, 0.05]]
    assert len(now) == len(then) + 1 and now.loc[~new, LATER].isna().all().all()
    assert len(model.build_lifters(store.snapshot().records())) > 5
    assert_as_then(old)


def test_a_withdrawal_upgrades_as_well(old):
    store = stores.open_store(old / "store")
    intake.withdraw(8, store=store)
    assert store.snapshot().content == CONTENT
    assert set(FEATURES) <= set(store.snapshot().read("start_features").columns)
    assert_as_then(old)


def test_an_upgrade_killed_at_any_commit_leaves_the_old_store(old, tmp_path, monkeypatch):
    """The process dies before its first, its second, ... commit; the next intake does the whole upgrade."""
    real, left = delta.commit_files, [0]

    def dies(*args, **kwargs):
        left[0] -= 1
        if left[0] < 0:
            raise KeyboardInterrupt
        return real(*args, **kwargs)

    monkeypatch.setattr(delta, "commit_files", dies)
    store = stores.open_store(old / "store")
    killed = 0
    while True:
        left[0] = killed
        try:
            number = take_engine(old, tmp_path).number
        except KeyboardInterrupt:
            killed += 1
            assert store.snapshot().number == 8 and store.snapshot().content == 1
            assert_as_then(old)
            continue
        break
    assert number == 9 and killed >= 3  # engines, features, and the row that makes the snapshot
    assert store.snapshot().content == CONTENT
    assert set(FEATURES) <= set(store.snapshot().read("start_features").columns)
    assert_as_then(old)


def test_a_store_of_a_later_version_is_not_read_as_ours(old, tmp_path, monkeypatch):
    monkeypatch.setattr(upgrade, "CONTENT", CONTENT + 1)
    take_engine(old, tmp_path)
    with pytest.raises(stores.StoreError, match=r"snapshot 9 was written by ventbook .* use that or a later"):
        stores.open_store(old / "store").snapshot()
    assert stores.open_store(old / "store").snapshot(as_of=8).content == 1
