"""Two worker processes give what one process gives; a dead worker costs nothing, a lost cluster one line."""

import argparse
import os
from pathlib import Path

import dask
import numpy as np
import pandas as pd
import pytest
from calibrate import calibrate_actions
from calibrate import runner as calibration
from calibrate.calibrate_account import draw_workshop
from distributed import LocalCluster

from invented_store import make_notebook, make_store
from ventbook import cluster, demo
from ventbook.cluster import end_partitions, has_workers, map_partitions, use_workers
from ventbook.errors import InputError
from ventbook.records import intake
from ventbook.records.privacy import coder
from ventbook.records.store import open_store
from ventbook.run import runner
from ventbook.statistics import causes


@pytest.fixture(scope="module")
def two():
    """Address of a cluster of two processes on this machine."""
    with dask.config.set({"distributed.scheduler.allowed-failures": 1}):
        local = LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=":0", host="127.0.0.1")
    with local:
        yield local.scheduler_address


def raise_power(base: float, exponent: float = 1.0) -> tuple[float, int]:
    return base**exponent, os.getpid()


def fail_at_two(part: int) -> int:
    if part == 2:
        raise InputError(f"part {part} can't be used")
    return part


def die_once(part: tuple[str, int]) -> int:
    """Kills its process the first time."""
    mark, number = part
    if number == 1 and not Path(mark).exists():
        Path(mark).touch()
        os._exit(9)
    return number


def die(part: int) -> int:
    os._exit(9)


WORKERS = ("here", "threads", "processes", "cluster")


def use(kind: str, address: str):
    return use_workers(address if kind == "cluster" else None, jobs=2 if kind == "processes" else None)


@pytest.mark.parametrize("kind", WORKERS)
def test_results_come_in_the_order_of_the_parts(kind, two):
    threads = 2 if kind == "threads" else 0
    with use(kind, two):
        assert has_workers() == (kind in ("processes", "cluster"))
        found = list(map_partitions(raise_power, [2, 3, 5], shared={"exponent": 2.0}, threads=threads))
        squares = list(map_partitions(lambda part: part**2, range(3), threads=threads))
        assert list(map_partitions(raise_power, [])) == []
        with pytest.raises(InputError, match=r"^part 2 can't be used$"):
            list(map_partitions(fail_at_two, range(5), threads=threads))
        ended = dict(end_partitions(fail_at_two, [1, 2, 3], threads=threads))
    assert [value for value, _ in found] == [4.0, 9.0, 25.0]
    assert squares == [0, 1, 4]
    assert {pid for _, pid in found}.isdisjoint({os.getpid()}) == (kind in ("processes", "cluster"))
    assert [ended[0].result(), ended[2].result()] == [1, 3]
    assert isinstance(ended[1].exception(), InputError)
    assert not has_workers()


def test_a_worker_that_dies_is_made_up_for(two, tmp_path):
    with use_workers(two):
        parts = [(str(tmp_path / "mark"), number) for number in range(4)]
        assert list(map_partitions(die_once, parts)) == [0, 1, 2, 3]
        assert (tmp_path / "mark").exists()


def test_a_part_that_kills_every_worker_is_one_line(two):
    with use_workers(two), pytest.raises(InputError, match="died again and again over one part") as said:
        list(map_partitions(die, [0]))
    assert "\n" not in str(said.value)
    with use_workers(jobs=2), pytest.raises(InputError, match=r"^a process of this machine died;"):
        list(map_partitions(die, [0, 1]))


def test_what_can_not_be_used_is_one_line(two, monkeypatch):
    for address in ("nonsense", "tcp://127.0.0.1:9", "what://is:1"):
        wanted = rf"^no Dask scheduler answers at {address} \(.+\); start it, or leave the cluster out$"
        with pytest.raises(InputError, match=wanted), use_workers(address):
            pass
    with pytest.raises(InputError, match=r"^jobs must be 1 or more; got 0$"), use_workers(jobs=0):
        pass
    wanted = (
        rf"^\S+ of {two} can't import no_such_module; start it where it can, by PYTHONPATH or its folder$"
    )
    with pytest.raises(InputError, match=wanted), use_workers(two, needs=["no_such_module", "numpy"]):
        pass
    own = cluster.list_versions()
    monkeypatch.setattr(cluster, "list_versions", lambda: own | {"numpy": "2.0"})
    wanted = (
        rf"^\S+ of {two} has numpy \S+, not 2\.0; install the same versions there, for answers may differ$"
    )
    with pytest.raises(InputError, match=wanted), use_workers(two):
        pass


def test_a_calibration_gives_the_same_rows(two, tmp_path):
    cells = [(fleet.name, 60, 4, 1) for fleet in calibrate_actions.FLEETS[:3]]
    here = calibration.run_fleets(calibrate_actions.run_cell, cells)
    with calibration.use(argparse.Namespace(jobs=1, cluster=two, fresh=False), kept=tmp_path):
        assert calibration.run_fleets(calibrate_actions.run_cell, cells) == here


def test_a_cluster_without_workers_is_one_line(monkeypatch):
    monkeypatch.setattr(cluster, "CONNECT_S", 1.0)
    with LocalCluster(n_workers=0, dashboard_address=":0", host="127.0.0.1") as local:
        wanted = rf"^the Dask scheduler at {local.scheduler_address} has no workers; start some$"
        with pytest.raises(InputError, match=wanted), use_workers(local.scheduler_address):
            pass


def test_a_cluster_that_loses_its_workers_is_one_line(monkeypatch):
    monkeypatch.setattr(cluster, "LOST_S", 1.0)
    with LocalCluster(
        n_workers=1,
        threads_per_worker=1,
        dashboard_address=":0",
        host="127.0.0.1",
        processes=False,
        protocol="tcp",
    ) as local:
        wanted = r"^the cluster \S+ has lost all its workers; start some and try again$"
        with use_workers(local.scheduler_address), pytest.raises(InputError, match=wanted):
            assert list(map_partitions(raise_power, [1.0])) == [(1.0, os.getpid())]
            local.scale(0)
            list(map_partitions(raise_power, [1.0]))


def test_intake_stores_the_same_tables(two, tmp_path, monkeypatch):
    monkeypatch.setattr(coder.secrets, "token_bytes", bytes)  # one key, so one code a name
    deliveries = demo.write_demo(tmp_path / "fleet", ventings=30, seed=11)[:2]
    day = demo.delivery_days()[deliveries[-1].name]
    for name, workers in (("here", None), ("there", two)):
        intake.ingest(deliveries, store=tmp_path / name, today=day, cluster=workers)
    here, there = (open_store(tmp_path / name).snapshot() for name in ("here", "there"))
    assert here.versions.keys() == there.versions.keys()
    assert {
        "ventings",
        "lifter_checks",
        "samples",
        "start_features",
        "issues",
        "quarantine",
    } <= here.versions.keys()
    for table in here.versions:
        one, other = (snapshot.read(table) for snapshot in (here, there))
        assert len(one) > 0, table
        pd.testing.assert_frame_equal(one, other, obj=table)


def test_the_account_with_its_intervals_is_the_same(two):
    drawn = draw_workshop(
        1, ventings=4_200, rate=0.02
    )  # more than SMALL_FLEET, so that fleets are simulated in parts
    here = causes.explain_failures(drawn.ventings, drawn.lifters, draws=24)
    with use_workers(two):
        there = causes.explain_failures(drawn.ventings, drawn.lifters, draws=24)
    assert (here.terms["standing"] == "named").any() and here.cell_draws.shape[0] == 24
    for name in ("terms", "shares", "venting_shares", "looked_at", "unexplained"):
        pd.testing.assert_frame_equal(
            getattr(here, name), getattr(there, name), check_exact=False, rtol=1e-12, atol=1e-12
        )
    np.testing.assert_allclose(there.cell_draws, here.cell_draws, rtol=1e-12, atol=1e-12)


def test_a_report_says_the_same(two, tmp_path):
    store = make_store(tmp_path / "store")
    make_notebook(tmp_path / "notebooks", "records")
    said = {}
    for name, workers in (("here", ""), ("there", two)):
        (made,) = runner.run_reports(
            ["records"],
            {"store": str(store)},
            out=tmp_path / name,
            notebooks=tmp_path / "notebooks",
            cluster=workers,
        )
        assert made.done, made.message
        said[name] = {
            path.name: path.read_bytes()
            for path in made.folder.iterdir()
            if path.suffix in (".json", ".html", ".pdf")
        }
    del said["here"]["run.json"], said["there"]["run.json"]  # how long it took
    assert said["here"].keys() >= {"findings.json", "report.html", "report.pdf"}
    assert said["here"] == said["there"]
