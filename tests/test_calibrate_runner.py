"""Simulated fleets kept by number: a stopped run goes on, changed code begins anew, processes give the same."""

import argparse
import sqlite3
import subprocess
import sys

import numpy as np
import pytest
from calibrate import calibrate_actions, runner

ASKED = argparse.Namespace(jobs=1, cluster="", fresh=False)
CALLS: list[int] = []


def draw_mean(name: str, number: int) -> float:
    """The mean of a few numbers drawn by seed; fails at fleet 3 as long as the file ``name`` is there."""
    CALLS.append(number)
    if number == 3 and name and runner.Path(name).exists():
        raise KeyboardInterrupt
    return float(np.random.default_rng([7, number]).normal(size=5).mean())


def test_a_stopped_run_goes_on_from_the_fleets_it_has(tmp_path, capsys):
    stop = tmp_path / "stop"
    stop.touch()
    tasks = [(str(stop), number) for number in range(6)]
    CALLS.clear()
    with pytest.raises(KeyboardInterrupt), runner.use(ASKED, kept=tmp_path / "kept"):
        runner.run_fleets(draw_mean, tasks)
    stop.unlink()
    assert CALLS == [0, 1, 2, 3]
    with runner.use(ASKED, kept=tmp_path / "kept"):
        found = runner.run_fleets(draw_mean, tasks, what="fleets")
        again = runner.run_fleets(draw_mean, tasks[::-1])
    assert CALLS == [0, 1, 2, 3, 3, 4, 5]  # none twice but the one that was stopped
    assert found == again[::-1] == runner.run_fleets(draw_mean, tasks)
    said = capsys.readouterr().err
    assert "fleets: 3 of 6 are there from an earlier run" in said
    assert "fleets: 6 of 6, " in said


def test_changed_code_begins_anew_and_so_does_fresh(tmp_path, monkeypatch):
    tasks = [("", number) for number in range(3)]
    for asked, code, calls in (
        (ASKED, "a", 3),
        (ASKED, "a", 0),
        (ASKED, "b", 3),
        (argparse.Namespace(**{**vars(ASKED), "fresh": True}), "b", 3),
    ):
        monkeypatch.setattr(runner, "mark_code", lambda code=code: code)
        CALLS.clear()
        with runner.use(asked, kept=tmp_path):
            runner.run_fleets(draw_mean, tasks)
            runner.run_fleets(draw_mean, tasks)
        assert len(CALLS) == calls
    (file,) = tmp_path.glob("*.sqlite")
    with sqlite3.connect(file) as kept:
        assert kept.execute("select distinct code from kept").fetchall() == [("b",)]


def test_the_mark_of_the_code_follows_its_tables(tmp_path, monkeypatch):
    before = runner.mark_code()
    assert runner.mark_code() == before
    (tmp_path / "a.toml").write_text("a = 1", "utf-8")
    monkeypatch.setattr(runner, "DATA", tmp_path)
    other = runner.mark_code()
    (tmp_path / "a.toml").write_text("a = 2", "utf-8")
    assert len({before, other, runner.mark_code()}) == 3


def test_two_processes_give_the_same_rows(tmp_path):
    cells = [(fleet.name, 60, 4, 1) for fleet in calibrate_actions.FLEETS[:3]]
    here = [calibrate_actions.run_cell(*cell) for cell in cells]
    with runner.use(argparse.Namespace(jobs=2, cluster="", fresh=False), kept=tmp_path):
        assert runner.run_fleets(calibrate_actions.run_cell, cells) == here


def test_what_can_not_be_used_is_one_line(tmp_path, capsys):
    with pytest.raises(TypeError, match="a task is text and numbers"):
        runner.run_fleets(draw_mean, [(np.zeros(2),)])
    with pytest.raises(SystemExit) as ended, runner.use(argparse.Namespace(jobs=0, cluster="", fresh=False)):
        pass
    assert ended.value.code == 2
    assert capsys.readouterr().err == "jobs must be 1 or more; got 0\n"
    done = subprocess.run(
        [sys.executable, "-m", "calibrate", "nothing", "--jobs", "2"],
        capture_output=True, text=True, check=False, cwd=runner.HERE.parent,
    )  # fmt: skip
    assert done.returncode == 2
    assert done.stderr.startswith("nothing named nothing; there are account, ")
