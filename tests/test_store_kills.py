"""Kills, full disks, readers beside writers, a clock set back: every acknowledged row stands once, the last snapshot is whole,
and the next run heals. What is acknowledged is kept in a plain model beside the store.
"""

import contextlib
import datetime as dt
import json
import os
import random
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

from ventbook.records import intake
from ventbook.records import store as st

pytestmark = pytest.mark.skipif(os.name != "posix", reason="no such kill")
SERVER = Path(__file__).with_name("fault_server.py")
ENGINE = "engine_id,engine_type,cylinders\n{name},flat4,4\n"
VENTINGS = (
    "venting_id,engine_id,date,site,reason,rotations,rotations_counted_at,pressure_shown\n"
    "{name},BASE,2026-08-0{day},Harbour,oil_change,40,crankshaft,yes\n"
)
STARTS = "venting_id,start_no,pressure_shown\n{name},1,yes\n"


class Server:
    """The process that forks jobs."""

    def __init__(self):
        self.process = subprocess.Popen(
            [sys.executable, str(SERVER)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def ask(self, **job):
        self.process.stdin.write(json.dumps(job) + "\n")
        self.process.stdin.flush()
        return json.loads(self.process.stdout.readline())

    def close(self):
        self.process.stdin.close()
        self.process.wait(timeout=30)
        self.process.stdout.close()


@pytest.fixture(scope="module")
def server():
    made = Server()
    yield made
    made.close()


class Model:
    """What the store has to hold: keys by intake, and intakes that were taken back."""

    def __init__(self, folder, server):
        self.folder, self.server, self.store = folder, server, folder / "store"
        self.intakes, self.number, self.count = {}, 0, 0

    def expected(self, table):
        return sorted(key for own in self.intakes.values() for kind, key in own if kind == table)

    def files(self):
        """The files of a new delivery: an engine, a venting of it, and a trace of the venting's first start."""
        self.count += 1
        name = f"K{self.count}"
        folder = self.folder / name
        folder.mkdir()
        (folder / "engines.csv").write_text(ENGINE.format(name="BASE") + f"{name},flat4,4\n")
        (folder / "ventings.csv").write_text(VENTINGS.format(name=name, day=1 + self.count % 9))
        (folder / "starts.csv").write_text(STARTS.format(name=name))
        rows = "".join(f"{name},1,{t / 10},{1000 + t},{min(t / 20, 3)},40\n" for t in range(80))
        (folder / "samples.csv").write_text(
            f"venting_id,start_no,t [s],speed [rpm],oil_pressure [bar],oil_temperature [degC]\n{rows}"
        )
        return folder, [("engines", name), ("ventings", name), ("samples", name)]

    def hold(self, said):
        """Everything acknowledged is there once, and the newest snapshot is whole."""
        assert "fault" not in said, said["fault"]
        assert "\n" not in said.get("error", "")
        if not st.is_made(self.store) or st.open_store(self.store).empty:
            assert not self.number
            return
        store = st.open_store(self.store)
        snapshot = store.snapshot()
        assert snapshot.number == self.number
        for table, column in (("engines", "engine_id"), ("ventings", "venting_id")):
            found = sorted(snapshot.read(table)[column]) if table in snapshot.versions else []
            assert [key for key in found if key != "BASE"] == self.expected(table), table
        if "start_features" in snapshot.versions:
            assert sorted(snapshot.read("start_features")["venting_id"]) == self.expected("samples")
        assert not st.check_store(self.store).damages

    def newest(self):
        with contextlib.suppress(st.StoreError):
            return st.open_store(self.store).snapshot().number
        return 0

    def take(self, **fault):
        folder, own = self.files()
        said = self.server.ask(job="intake", files=[str(folder)], store=str(self.store), **fault)
        if self.newest() == self.number + 1:  # acknowledged, or killed before it could say so
            self.number += 1
            self.intakes[self.number] = own
        else:
            assert fault and "number" not in said, said
        self.hold(said)
        return said

    def withdraw(self, rng, **fault):
        standing = sorted(number for number, own in self.intakes.items() if own)
        if len(standing) < 2:
            return self.take(**fault)
        number = rng.choice(standing[1:])  # the first brought BASE
        said = self.server.ask(job="withdraw", number=number, store=str(self.store), **fault)
        if self.newest() == self.number + 1:
            self.number += 1
            self.intakes[number] = []
        else:
            assert "number" not in said
        self.hold(said)
        return said

    def back_up(self, **fault):
        out = self.folder / f"{time.monotonic_ns()}.zip"
        said = self.server.ask(job="backup", out=str(out), store=str(self.store), **fault)
        assert ("number" in said) <= out.exists()
        self.hold(said)
        return out

    def restore(self, **fault):
        """A whole backup into a new folder, killed on the way: the place stays free, or holds the whole store."""
        out = self.back_up()
        target = self.folder / f"restored{time.monotonic_ns()}" / "store"
        said = self.server.ask(job="restore", file=str(out), store=str(target), **fault)
        if target.exists():
            assert st.open_store(target).snapshot().number == self.number
        assert (
            not st.check_store(st.restore_backup(out, target).place).damages if not target.exists() else True
        )
        assert not st.check_store(target).damages
        shutil.rmtree(target.parent)
        out.unlink()
        self.hold(said)
        return said


def run_kills(folder, server, count, seed):
    """``count`` jobs killed at random writes, each held to the model; how many were killed."""
    rng, killed = random.Random(seed), 0
    model = Model(folder, server)
    model.take()
    for n in range(count):
        step = {"step": rng.choice([rng.randrange(6), rng.randrange(40), rng.randrange(90)])}
        kind = rng.choice(["intake", "intake", "withdraw", "backup", "restore"])
        if kind == "intake":
            said = model.take(**step)
        elif kind == "withdraw":
            said = model.withdraw(rng, **step)
        elif kind == "backup":
            model.back_up(**step)
            said = {"killed": True}
        else:
            said = model.restore(**step)
        killed += said["killed"]
        if n % 5 == 4:
            model.take()
    before = model.number
    model.take()
    assert model.number == before + 1  # the next run heals
    return killed


def test_jobs_killed_at_any_write_lose_nothing(tmp_path, server):
    assert run_kills(tmp_path, server, 20, 20261130) >= 8


@pytest.mark.long
@pytest.mark.parametrize("seed", range(10))
def test_many_jobs_killed_at_any_write_lose_nothing(tmp_path, server, seed):
    assert run_kills(tmp_path, server, 20, seed) >= 5


def run_full(folder, server, sizes):
    """Jobs whose files may not grow beyond some sizes: one line, nothing lost, and the next run heals."""
    model, refused = Model(folder, server), 0
    model.take()
    for size in sizes:
        said = model.take(room=size)
        assert not said["killed"]
        refused += "error" in said
        if "error" in said:
            assert "no room left on the disk" in said["error"] or "can't be written" in said["error"], said
    before = model.number
    model.take()
    assert model.number == before + 1
    return refused


def test_a_disk_that_is_full_at_some_sizes_loses_nothing(tmp_path, server):
    assert run_full(tmp_path, server, [0, 100, 1500, 3000, 6000, 12_000]) >= 4


@pytest.mark.long
def test_a_disk_that_is_full_at_forty_sizes_loses_nothing(tmp_path, server):
    assert run_full(tmp_path, server, [n * 350 for n in range(40)]) >= 15


def run_beside(folder, writers, readers, seconds):
    """Writers that wait for each other and readers that hold every snapshot to what it says, side by side in forks."""
    store = folder / "store"
    (folder / "engines.csv").write_text(ENGINE.format(name="BASE"))
    intake.ingest([folder / "engines.csv"], store=store, today="2026-11-01")
    code = """
import json, os, sys, time
from ventbook.records import intake, store as st
kind, number, store, folder, end = sys.argv[1], sys.argv[2], sys.argv[3], sys.argv[4], float(sys.argv[5])
done = 0
while time.time() < end or not done:
    if kind == "writer":
        os.makedirs(f"{folder}/w{number}-{done}", exist_ok=True)
        file = f"{folder}/w{number}-{done}/engines.csv"
        with open(file, "w") as out:
            out.write(f"engine_id,engine_type,cylinders\\nW{number}-{done},flat4,4\\n")
        try:
            intake.ingest([file], store=store, today="2026-11-01")
            done += 1
        except st.StoreError as error:
            assert "another intake is writing" in str(error), error
            time.sleep(0.05)
    else:
        snapshot = st.open_store(store).snapshot()
        engines = snapshot.read("engines")["engine_id"]
        assert len(engines) == engines.nunique() == snapshot.number, (len(engines), snapshot.number)
        done += 1
print(done)
"""
    end = str(time.time() + seconds)
    jobs = [("writer", n) for n in range(writers)] + [("reader", n) for n in range(readers)]
    begun = [
        subprocess.Popen(
            [sys.executable, "-c", code, kind, str(n), str(store), str(folder), end],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )
        for kind, n in jobs
    ]  # fmt: skip
    done = {}
    for (kind, n), process in zip(jobs, begun, strict=True):
        out, err = process.communicate(timeout=900)
        assert process.returncode == 0, (kind, n, err[-2000:])
        done[kind, n] = int(out)
    engines = set(st.open_store(store).snapshot().read("engines")["engine_id"])
    written = {f"W{n}-{k}" for (kind, n), count in done.items() if kind == "writer" for k in range(count)}
    assert engines == written | {"BASE"}
    assert not st.check_store(store).damages


def test_two_writers_and_readers_side_by_side(tmp_path):
    run_beside(tmp_path, 2, 2, 8)


@pytest.mark.long
def test_two_writers_and_twenty_readers_side_by_side(tmp_path):
    run_beside(tmp_path, 2, 20, 60)


@pytest.mark.long
def test_reports_while_records_are_taken_in_and_taken_back(tmp_path, server):
    """A report keeps to the snapshot it began with; one that is killed leaves nothing in its place."""
    model = Model(tmp_path, server)
    for _ in range(3):
        model.take()
    rng = random.Random(5)
    for n in range(6):
        begun = model.number
        args = ["report", "records", "--store", str(model.store), "--out", str(tmp_path / f"out{n}")]
        report = subprocess.Popen(
            [sys.executable, "-m", "ventbook", *args], stdout=subprocess.PIPE, stderr=subprocess.PIPE
        )
        kill_after = rng.uniform(2, 15) if n % 2 else None
        start = time.monotonic()
        while report.poll() is None:
            model.take() if rng.random() < 0.6 else model.withdraw(rng)
            if kill_after and time.monotonic() - start > kill_after:
                report.kill()
        _, err = report.communicate()
        places = list((tmp_path / f"out{n}").glob("records/[!.]*"))
        if report.returncode == 0:
            said = json.loads((places[0] / "run.json").read_text())
            assert begun <= said["parameters"]["as_of"] <= model.number
        else:
            assert kill_after, err
            assert not places
    model.hold({})


def test_a_clock_that_was_set_back_changes_nothing(tmp_path, server):
    model = Model(tmp_path, server)
    model.take()
    ahead = time.time() + 400 * 86400
    for file in model.store.rglob("*"):
        os.utime(file, (ahead, ahead))
    model.take(today="2026-08-30")
    model.take(step=9)
    model.withdraw(random.Random(1))
    model.take()
    left = st.table_path(model.store, "engines") / "part-00099-dead.parquet"
    left.write_bytes(b"half")
    os.utime(left, (ahead, ahead))
    assert left not in st.prune_store(model.store)
    listed = st.open_store(model.store).snapshots()
    assert list(listed["number"]) == list(range(1, model.number + 1))
    assert listed["today"].iloc[1].date() == dt.date(2026, 8, 30)
