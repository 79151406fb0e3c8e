"""Fleets unlike the model: drawn without the library, the same each time, and what pages say of their records."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from calibrate import calibrate_worlds, worlds

from ventbook.reports import lifter_gaps, quarterly_review

FIRST = 1_000_001


@pytest.mark.parametrize(("fuller", "told"), [(True, True), (False, False)])
def test_fuller_records_are_told_beside_the_share_on_both_pages(tmp_path, fuller, told):
    world = worlds.World("checks", fuller=fuller)
    reader = calibrate_worlds.Reader(calibrate_worlds.write_fleet(worlds.draw_world(world, FIRST), tmp_path))
    for name, report in (("lifter-gaps", lifter_gaps), ("quarterly-review", quarterly_review)):
        page = reader.open(name)
        with calibrate_worlds.without_pictures():
            report.answer(page)
        lines = [line for line in page.answers if line.startswith("The share may be too high")]
        found = [f for f in page.findings if f["id"] == "venting_failure_share_had_unchecked_passed"]
        assert (len(lines), len(found)) == ((1, 1) if told else (0, 0))
        if told:
            failing, ventings = page.jobs["failed_first"].sum(), len(page.jobs)
            assert found[0]["estimate"] == pytest.approx(failing / ventings)
            assert f"{page.jobs['failed_first'].isna().sum()} of {ventings} ventings" in lines[0]


def test_a_fleet_is_the_same_each_time():
    one, other = (worlds.draw_world(worlds.WORLDS[1], 5) for _ in range(2))
    for name, frame in one.tables.items():
        pd.testing.assert_frame_equal(frame, other.tables[name])
    assert one.truth.failing == other.truth.failing


def test_the_simulator_shares_nothing_with_the_library():
    """worlds.py imports numpy and pandas, nothing of ventbook and nothing of the other fleets."""
    text = (calibrate_worlds.HERE / "worlds.py").read_text("utf-8")
    imported = {
        line.split()[1].split(".")[0] for line in text.splitlines() if line.startswith(("import ", "from "))
    }
    assert imported <= {"__future__", "dataclasses", "datetime", "functools", "numpy", "pandas", "zlib"}


def test_truth_is_what_the_draws_come_to():
    """Failing shares, times and the planted odds ratio of many fleets drawn come out as their truth says."""
    world = worlds.WORLDS[1]
    drawn = [worlds.draw_world(world, 2_000_000 + k) for k in range(30)]
    over = [
        d.tables["lifter_checks"]
        .query("check_no == 1")
        .groupby("venting_id")["gap_mm"]
        .max()
        .gt(worlds.LIMIT_MM)
        .mean()
        for d in drawn
    ]
    said = np.mean([d.truth.failing[""] for d in drawn])
    assert np.mean(over) == pytest.approx(said, abs=4 * np.std(over) / np.sqrt(len(over)))
    times = np.concatenate([d.tables["starts"].query("start_no == 1")["time_to_pressure_s"] for d in drawn])
    assert np.median(times) == pytest.approx(drawn[0].truth.median_s, abs=0.5)
    jobs = worlds.draw_turns(world, 4000)
    acts = worlds._acting(world, jobs)
    assert np.exp(acts[jobs["cooler_empty"]].mean() - acts[~jobs["cooler_empty"]].mean()) == pytest.approx(
        4.0
    )
