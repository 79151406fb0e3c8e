"""Damage to a store is found and named, never read as other numbers; first intakes race and die without loss; backups
come back whole or not at all.
"""

import datetime as dt
import os
import random
import shutil
import subprocess
import sys
import tarfile
import textwrap
import time
import warnings
from pathlib import Path

import pytest

from test_store import engine_rows, put
from ventbook.records import intake, privacy
from ventbook.records import store as st
from ventbook.records.store import delta, proof, snapshots
from ventbook.run import cli

ARCHIVE = Path(__file__).parent / "fixtures" / "v010.tar.xz"
ENGINE = "engine_id,engine_type,cylinders\nX-1,flat4,4\n"
TODAY = dt.date(2026, 11, 1)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A store with traces: eight snapshots of an earlier version and one of this."""
    folder = tmp_path_factory.mktemp("made")
    with tarfile.open(ARCHIVE) as archive:
        archive.extractall(folder, filter="data")
    store = folder / "v010" / "store"
    privacy.make_key(store)  # the fixture was packed without its own
    assert st.check_store(store).unproven == tuple(range(1, 9))
    (folder / "engines.csv").write_text(ENGINE)
    intake.ingest([folder / "engines.csv"], store=store, today=TODAY)
    return store


@pytest.fixture
def store(made, tmp_path):
    shutil.copytree(made, tmp_path / "store")
    return st.open_store(tmp_path / "store")


def read_all(store, number=None):
    snapshot = store.snapshot(number)
    frames = {name: snapshot.read(name) for name in snapshot.tables if name != "samples"}
    return frames, [file.read_bytes() for file in snapshot.files("samples")]


def flip_bit(file, rng):
    data = bytearray(file.read_bytes())
    at = rng.randrange(len(data) * 8)
    data[at // 8] ^= 1 << at % 8
    file.write_bytes(data)


def kinds_of_files(store):
    """One data file of every table of the newest snapshot, log entries old and new, the newest row, the mark."""
    snapshot = store.snapshot()
    found = {name: snapshot.files(name)[-1] for name in snapshot.tables if snapshot.files(name)}
    rows = sorted(st.table_path(store.path, "intakes").glob("part-*.parquet"))
    logs = {
        f"log of {name}": store.path / "tables" / name / proof.list_log(st.table_path(store.path, name))[at]
        for name, at in (("ventings", 0), ("samples", -1), ("intakes", 3), ("intakes", -1))
    }
    newest = st.table_path(store.path, "intakes") / proof.list_log(st.table_path(store.path, "intakes"))[-1]
    return found | logs | {"first row": rows[0], "newest row": rows[-1], "newest log": newest}


def test_an_undamaged_store_checks_clean_and_says_what_is_unproven(store):
    found = st.check_store(store.path)
    assert (found.damages, found.whole, found.snapshots, found.leftovers) == ((), 9, 9, ())
    assert found.unproven == tuple(range(1, 9))
    assert found.lines()[-1] == "everything as it was written"
    assert any("snapshot 1 to 8 was written by an earlier version" in line for line in found.lines())
    assert store.snapshot().proof is not None and store.snapshot(8).proof is None


WAYS = ("flipped", "emptied", "truncated", "missing")


def damage(file, how, rng):
    if how == "flipped":
        flip_bit(file, rng)
    elif how == "missing":
        file.unlink()
    else:
        data = file.read_bytes()
        file.write_bytes(b"" if how == "emptied" else data[: len(data) // 2])


def assert_found_and_named(store, ways):
    """Each kind of file damaged in each of its ``ways``: named by the check, refused by a reader or without effect."""
    rng = random.Random(20261101)
    before = read_all(store)
    for number, (kind, file) in enumerate(kinds_of_files(store).items()):
        whole = file.read_bytes()
        for how in ways(number):
            damage(file, how, rng)
            found = st.check_store(store.path)
            assert file.relative_to(store.path).as_posix() in {d.file for d in found.damages}, (kind, how)
            with warnings.catch_warnings(record=True) as warned:
                warnings.simplefilter("always")
                try:
                    after = read_all(store)
                except st.StoreError as error:
                    assert "\n" not in str(error) and "store check" in str(error), (kind, how)
                    after = None
            if after is not None:  # only what no reader of these tables rests on
                assert "log" in kind or kind == "first row", (kind, how)
                assert all(after[0][name].equals(before[0][name]) for name in before[0]), (kind, how)
                assert after[1] == before[1]
                assert all("store check" in str(w.message) for w in warned)
            if kind in ("log of intakes", "newest log"):  # the rows are proven without it
                assert after is not None and (warned or how == "flipped"), (kind, how)
            file.write_bytes(whole)
    assert not st.check_store(store.path).damages


def test_every_kind_of_damaged_file_is_named(store):
    assert_found_and_named(store, lambda number: [WAYS[number % 4]])


@pytest.mark.long
def test_every_kind_of_file_damaged_in_every_way_is_named(store):
    assert_found_and_named(store, lambda number: [*WAYS, *["flipped"] * 30])


def test_a_writer_builds_on_no_damaged_log(store, tmp_path):
    log = st.table_path(store.path, "ventings") / proof.list_log(st.table_path(store.path, "ventings"))[0]
    log.write_bytes(b"")
    with pytest.raises(st.StoreError, match=r"json has 0 of [\d,]+ bytes; ventbook store check"):
        intake.ingest([write_engine(tmp_path)], store=store.path, today=TODAY)


def write_engine(folder, name="Y-1"):
    file = folder / "engines.csv"
    file.write_text(ENGINE.replace("X-1", name))
    return file


def test_an_older_whole_snapshot_is_named_and_reads(store, tmp_path):
    intake.ingest([write_engine(tmp_path)], store=store.path, today=TODAY)
    then = store.snapshot(9).read("engines")
    newest = store.snapshot(10)
    new = set(newest.files("engines")) - set(store.snapshot(9).files("engines"))
    next(iter(new)).write_bytes(b"")
    found = st.check_store(store.path)
    assert found.whole == 9 and [d.since for d in found.damages] == [10]
    assert store.snapshot(9).read("engines").equals(then)
    with pytest.raises(st.StoreError, match="has 0 of"):
        newest.read("engines")


def test_a_damaged_log_of_snapshots_blocks_writers_and_no_reader(store, tmp_path, capsys):
    before = read_all(store)
    folder = st.table_path(store.path, "intakes")
    log = folder / proof.list_log(folder)[3]
    log.write_bytes(b"")
    with pytest.warns(snapshots.StoreWarning, match="store check") as said:
        after = read_all(store)
    assert all(after[0][name].equals(before[0][name]) for name in before[0]) and len(said)
    with (
        pytest.warns(snapshots.StoreWarning),
        pytest.raises(st.StoreError, match=r"json has 0 of [\d,]+ bytes"),
    ):
        intake.ingest([write_engine(tmp_path)], store=store.path, today=TODAY)
    assert cli.main(["store", "check", "--store", str(store.path)]) == 1
    assert f"damaged: tables/intakes/_delta_log/{log.name} has 0 of" in capsys.readouterr().out


def test_a_damaged_newest_row_leaves_the_snapshots_before_it_to_be_read(store, tmp_path):
    intake.ingest([write_engine(tmp_path)], store=store.path, today=TODAY)
    then = store.snapshot(9).read("engines")
    row = sorted(st.table_path(store.path, "intakes").glob("part-00010-*.parquet"))[-1]
    row.write_bytes(b"")
    with pytest.raises(st.StoreError):
        store.snapshot()
    found = st.check_store(store.path)
    assert found.whole == 9 and any("--as-of 9 reads it" in line for line in found.lines())
    snapshot = st.open_store(store.path).snapshot(9)
    assert snapshot.read("engines").equals(then) and len(snapshot.records()["intakes"]) == 9
    assert snapshot.engine_types


def test_the_command_names_the_damage_with_exit_code_1(store, capsys):
    assert cli.main(["store", "check", "--store", str(store.path)]) == 0
    store.snapshot().files("samples")[0].unlink()
    assert cli.main(["store", "check", "--store", str(store.path)]) == 1
    said = capsys.readouterr().out
    assert "damaged: tables/samples/quarter=" in said and "is missing" in said
    assert "restore a backup made at snapshot 9 or later" in said


def test_prune_clears_only_what_no_snapshot_names_and_is_old(store, capsys):
    before = read_all(store), read_all(store, 8)
    left = st.table_path(store.path, "engines") / "part-00010-dead.parquet"
    left.write_bytes(b"half")
    work = store.path.parent / "reports" / "records" / ".2026Q3.4711"
    work.mkdir(parents=True)
    args = ["store", "check", "--store", str(store.path), "--prune", "--reports", str(work.parents[1])]
    assert cli.main(args) == 0
    assert left.exists() and work.exists()
    old = time.time() - 2 * 86400
    os.utime(left, (old, old))
    os.utime(work, (old, old))
    assert cli.main(args) == 0
    assert "1 files that no snapshot names" in capsys.readouterr().out
    assert not left.exists() and not work.exists()
    after = read_all(store), read_all(store, 8)
    for (a, x), (b, y) in zip(before, after, strict=True):
        assert x == y and all(a[name].equals(b[name]) for name in a)


def test_pages_are_written_with_checksums(tmp_path):
    """A bit flipped in a page after its file was hashed is refused by the Parquet reader itself."""
    store = st.create_store(tmp_path / "store")
    put(store, engine_rows([f"E{n}" for n in range(500)]))
    file = store.snapshot().files("engines")[0]
    column = delta.pq.read_metadata(file).row_group(0).column(0)
    data = bytearray(file.read_bytes())
    data[column.data_page_offset + column.total_compressed_size // 2] ^= 1
    file.write_bytes(data)
    with pytest.raises(st.StoreError, match="missing or damaged"):
        delta.read_files([file], st.record_schema("engines"))


RACE = """
    import sys, time
    from ventbook.records.intake import ingest
    while time.time() < float(sys.argv[3]): pass
    print(ingest([sys.argv[1]], store=sys.argv[2]).number)
"""


def test_two_first_intakes_into_one_folder_lose_nothing(tmp_path):
    """Both processes begin at the same second: one wins, the other waits in no way and takes nothing of it away."""
    files = []
    for name in ("A-1", "B-1"):
        (tmp_path / name).mkdir()
        files.append(write_engine(tmp_path / name, name))
    at = str(time.time() + 6)
    begun = [
        subprocess.Popen(
            [sys.executable, "-c", textwrap.dedent(RACE), str(file), str(tmp_path / "store"), at],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        for file in files
    ]
    done = [(p.communicate(timeout=120), p.returncode) for p in begun]
    store = st.open_store(tmp_path / "store")
    engines = set(store.snapshot().read("engines")["engine_id"])
    for ((_, err), code), name in zip(done, ("A-1", "B-1"), strict=True):
        assert (name in engines) == (code == 0)
        assert code == 0 or "another intake is writing" in err
    assert engines and not st.check_store(store.path).damages


def test_a_first_intake_that_comes_to_nothing_leaves_no_folder(tmp_path):
    (tmp_path / "engines.csv").write_text("engine_id,engine_type,cylinders\nX-1,flat4,4\n")
    corrections = tmp_path / "corrections.csv"

    def fails(*_, **__):
        raise st.StoreError("no")

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(delta, "write_file", fails)
        with pytest.raises(st.StoreError, match="no"):
            intake.ingest([tmp_path / "engines.csv"], store=tmp_path / "store", today=TODAY)
    assert not (tmp_path / "store").exists() and not corrections.exists()


@pytest.mark.parametrize(
    "left", [[], ["lock"], ["lock", "ventbook-store.json.part"], ["mark"], ["mark", "log"]]
)
def test_an_empty_or_half_made_store_heals(tmp_path, left):
    path = tmp_path / "store"
    path.mkdir()
    for name in left:
        if name == "mark":
            (path / "ventbook-store.json").write_text('{"format": 1}\n')
        elif name == "log":
            (path / "tables" / "engines" / "_delta_log").mkdir(parents=True)
        else:
            (path / name).write_text("")
    assert intake.ingest([write_engine(tmp_path)], store=path, today=TODAY).number == 1
    assert not st.check_store(path).damages


KILLED = """
    import os, signal, sys
    from ventbook.records.intake import ingest
    from ventbook.records.store import delta, proof, snapshots, writing
    left = int(sys.argv[3])
    def dying(real):
        def call(*args, **kwargs):
            global left
            left -= 1
            if left < 0:
                os.kill(os.getpid(), signal.SIGKILL)
            return real(*args, **kwargs)
        return call
    for module, name in ((delta, "write_file"), (delta, "commit_files"), (delta, "create_table"),
                         (proof, "measure_file"), (writing, "measure_file"), (proof, "sync_folder"),
                         (writing, "sync_folder"), (snapshots, "write_mark")):
        setattr(module, name, dying(getattr(module, name)))
    print(ingest([sys.argv[1]], store=sys.argv[2]).number)
"""


def assert_kills_lose_nothing(folder, steps):
    """Intakes whose process is killed before write number ``step``: each acknowledged one stands, and nothing of the others."""
    said, store = [], folder / "store"
    for n, step in enumerate(steps):
        (folder / f"K-{n}").mkdir()
        file = write_engine(folder / f"K-{n}", f"K-{n}")
        args = [sys.executable, "-c", textwrap.dedent(KILLED), str(file), str(store), str(step)]
        through = subprocess.run(args, capture_output=True, check=False).returncode == 0
        empty = not st.is_made(store) or st.open_store(store).empty
        found = [] if empty else list(st.open_store(store).snapshot().read("engines")["engine_id"])
        if through or f"K-{n}" in found:  # or killed after the snapshot's row, before it could say so
            said.append(f"K-{n}")
        assert sorted(found) == sorted(said), (n, step)
    result = intake.ingest([write_engine(folder, "LAST")], store=store, today=TODAY)
    assert result.number == len(said) + 1 and not st.check_store(store).damages


@pytest.mark.skipif(sys.platform == "win32", reason="no such kill")
def test_an_intake_killed_at_any_write_loses_nothing(tmp_path):
    assert_kills_lose_nothing(tmp_path, (0, 3, 9))


@pytest.mark.long
@pytest.mark.skipif(sys.platform == "win32", reason="no such kill")
def test_many_kills_lose_nothing(tmp_path):
    assert_kills_lose_nothing(tmp_path, [*range(24), 200, *range(24)])


def test_a_lost_mark_says_how_it_comes_back(store):
    (store.path / "ventbook-store.json").unlink()
    with pytest.raises(
        st.StoreError, match=r"put it back from a backup, or write \{\"format\": 1\} into a new one"
    ):
        st.open_store(store.path)
    assert [d.file for d in st.check_store(store.path).damages] == ["ventbook-store.json"]
    (store.path / "ventbook-store.json").write_text('{"format": 1}')
    assert store.snapshot().number == 9


def test_a_full_disk_is_one_line_and_loses_nothing(store, tmp_path, monkeypatch, capsys):
    import errno

    def full(*_, **__):
        raise OSError(errno.ENOSPC, "No space left on device")

    before = read_all(store)
    monkeypatch.setattr(delta.pq, "write_table", full)
    assert cli.main(["intake", str(write_engine(tmp_path)), "--store", str(store.path)]) == 2
    said = capsys.readouterr().err.strip()
    assert said.count("\n") == 0 and "no room left on the disk; make room and run again" in said
    monkeypatch.undo()
    after = read_all(store)
    assert all(after[0][name].equals(before[0][name]) for name in before[0])
    assert intake.ingest([write_engine(tmp_path)], store=store.path, today=TODAY).number == 10


def test_a_backup_comes_back_whole_or_not_at_all(store, tmp_path):
    (tmp_path / "limits.toml").write_text("# none yet\n")
    (tmp_path / "trials" / "pressure").mkdir(parents=True)
    (tmp_path / "trials" / "pressure" / "plan.toml").write_text("# none\n")
    done = st.back_up(store.path, tmp_path / "b.zip")
    assert (
        done.snapshot == 9
        and done.beside == ("limits.toml", "trials/pressure/plan.toml")
        and not done.with_key
    )
    assert any("is not in it" in line for line in done.lines())
    with pytest.raises(st.StoreError, match="stands already"):
        st.back_up(store.path, tmp_path / "b.zip")
    (tmp_path / "new").mkdir()
    back = st.restore_backup(tmp_path / "b.zip", tmp_path / "new" / "store")
    assert back.snapshot == 9 and (tmp_path / "new" / "limits.toml").read_text() == "# none yet\n"
    assert (tmp_path / "new" / "trials" / "pressure" / "plan.toml").is_file()
    other = st.open_store(tmp_path / "new" / "store")
    for number in (1, 9):
        a, b = read_all(store, number), read_all(other, number)
        assert a[1] == b[1] and all(a[0][name].equals(b[0][name]) for name in a[0])
    assert not (other.path / "private").exists()
    with pytest.raises(st.StoreError, match="holds something already"):
        st.restore_backup(tmp_path / "b.zip", other.path)
    rng = random.Random(5)
    whole = (tmp_path / "b.zip").read_bytes()
    for n in range(12):
        broken = tmp_path / f"broken{n}.zip"
        broken.write_bytes(whole[: len(whole) * n // 12] if n % 2 else whole)
        if n % 2 == 0:
            flip_bit(broken, rng)
        target = tmp_path / f"out{n}" / "store"
        try:
            st.restore_backup(broken, target)
        except st.StoreError as error:
            assert "\n" not in str(error) and not target.exists()
        else:  # a bit of the archive's own lists that nothing rests on
            assert read_all(st.open_store(target))[1] == read_all(store)[1]


def test_a_backup_with_the_key_keeps_it_for_its_owner(store, tmp_path):
    st.back_up(store.path, tmp_path / "b.zip", with_key=True)
    st.restore_backup(tmp_path / "b.zip", tmp_path / "n" / "store")
    key = tmp_path / "n" / "store" / "private" / "key"
    assert key.read_bytes() == (store.path / "private" / "key").read_bytes()
    if sys.platform != "win32":
        assert key.stat().st_mode & 0o077 == 0 and key.parent.stat().st_mode & 0o077 == 0


def test_a_damaged_store_is_not_backed_up(store, tmp_path):
    store.snapshot().files("ventings")[0].write_bytes(b"")
    with pytest.raises(st.StoreError, match="has 0 of"):
        st.back_up(store.path, tmp_path / "b.zip")
    assert not list(tmp_path.glob("b.zip*"))
