"""Fleets unlike the model, a handful of each kind: what pages say of them is no worse than the committed table says.

The table is calibrate/tables/worlds.csv (python -m calibrate worlds). Numbers of fleets here are none of those behind it. A share fails
where an exact binomial chance of one as bad is under .001, with the table's share taken two of its own chance errors worse.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pandas as pd
import pytest
from calibrate import calibrate_worlds, worlds
from scipy import stats

from ventbook.physics import priming
from ventbook.reports import account, lifter_gaps, quarterly_review

FIRST, CHANCE = 1_000_001, 0.001
TABLE = calibrate_worlds.HERE / "tables" / "worlds.csv"


#: Innocent fleets of the worlds that touch failing, one planted cause, and one fleet each of what touches counts or times alone.
KINDS = [
    place for place, world in enumerate(worlds.WORLDS)
    if (not world.plant and not world.skewed) or (world.like and world.plant == "cooler") or world.logger_hz == 1
]  # fmt: skip


@cache
def read_fleets() -> list[dict[str, Any]]:
    """One fleet of each of KINDS."""
    return [calibrate_worlds.judge_fleet(place, FIRST) for place in KINDS]


def find_faults(fleets: list[dict[str, Any]]) -> list[str]:
    """Shares of ``fleets`` that are worse than the committed table by more than chance, all kinds of fleet together."""
    kept = pd.read_csv(TABLE, keep_default_na=False)
    found = calibrate_worlds.count_all(fleets)
    found = found[found["world"] != calibrate_worlds.UNLIKE]
    both = found.merge(kept, on=["world", "plant", "kind", "what"], suffixes=("", "_kept"))
    faults = []
    for (kind, what), own in both[both["kind"].ne("warned") | both["rate_kept"].ge(0.8)].groupby(
        ["kind", "what"]
    ):
        n, came = int(own["counted"].sum()), round(float((own["rate"] * own["counted"]).sum()))
        sign = 1 if kind == "false" else -1
        said = np.average(own["rate_kept"], weights=own["counted"])
        error = np.sqrt(np.sum(np.square(own["counted"] * own["error_kept"]))) / n
        worst = float(np.clip(said + sign * 2 * error, 0, 1))
        chance = stats.binom.sf(came - 1, n, worst) if kind == "false" else stats.binom.cdf(came, n, worst)
        if chance < CHANCE:
            faults.append(f"{kind} {what}: {came} of {n}, the table says {said:.3f} +- {error:.3f}")
    return faults


def test_pages_are_no_worse_than_the_table():
    assert find_faults(read_fleets()) == []


def test_intervals_half_as_wide_would_be_noticed():
    """The check itself can fail: the same fleets with every interval drawn in by half about its middle."""
    halved = [
        {**fleet, "numbers": [(q, low + (high - low) / 4, high - (high - low) / 4, t) for q, low, high, t in fleet["numbers"]]}
        for fleet in read_fleets()
    ]  # fmt: skip
    assert any(fault.startswith("cover") for fault in find_faults(halved))


def test_names_that_do_not_act_would_be_noticed():
    """And with a name that does not act in each of them."""
    wrong = [{**fleet, "said": {name: ["oil_grade"] for name in fleet["said"]}} for fleet in read_fleets()]
    faults = find_faults(wrong)
    assert any(fault.startswith("false named for times") for fault in faults)


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


def judge_kind(plant: str, number: int) -> dict[str, list[str]]:
    """What is said of a fleet of the kind with that plant."""
    place = next(i for i, world in enumerate(worlds.WORLDS) if world.plant == plant)
    said: dict[str, list[str]] = calibrate_worlds.judge_fleet(place, number)["said"]
    return said


@pytest.mark.parametrize(
    ("plant", "statement"),
    [("pump", "the pump lets air through"), ("place", "positions"), ("engine", "returning engines")],
)
def test_what_is_planted_for_one_statement_is_read(plant, statement):
    """A reader that looks for other words than the page says would find it in no fleet."""
    assert judge_kind(plant, FIRST)[statement]


def test_blanks_and_the_luck_of_engines_are_no_part_of_the_true_ratio():
    """Half of the coolers left blank, or counts twice as high, leave what ventings need over what is expected of them as it was."""
    drawn = worlds.draw_world(worlds.AS_TAKEN, FIRST)
    jobs = drawn.tables["ventings"].merge(drawn.tables["engines"], on="engine_id")
    for name in worlds.FLAGS:
        jobs[name] = drawn.truth.jobs.loc[jobs["venting_id"], name].astype("boolean").to_numpy()

    def find_ratio(frame, times=1):
        frame = frame.assign(
            rotations_low=times * frame["rotations"] - 1.0, rotations_high=1.0 * times * frame["rotations"]
        )
        expected = priming.expected_rotations(frame)
        return calibrate_worlds.true_ratio(frame.join(expected), drawn.truth.jobs, priming.Constants())

    half = jobs.assign(cooler_empty=jobs["cooler_empty"].mask(np.arange(len(jobs)) % 2 == 0))
    # a job or two with an expectation only where the cooler is not known
    assert find_ratio(half) == pytest.approx(find_ratio(jobs), rel=1e-3)
    assert find_ratio(jobs, 2) == pytest.approx(find_ratio(jobs), rel=1e-12)


def test_engines_that_differ_are_no_false_statement():
    """Findings that come back are right to be said where engines do differ, and wrong where they are alike."""
    said = {"returning engines": ["engines"], "site outside": ["Ridge"]}

    def count_false(world):
        fleets = [{"world": world.name, "plant": "", "numbers": [], "said": said, "warned": {}}]
        rows = calibrate_worlds.count_kind(world, fleets)
        return {row["what"]: row["rate"] for row in rows if row["kind"] == "false"}

    assert count_false(worlds.ALIKE) == {"returning engines": 1.0, "site outside": 1.0, "any statement": 1.0}
    assert count_false(worlds.AS_TAKEN) == {"site outside": 1.0, "any statement": 1.0}
    assert count_false(worlds.World("far apart", site_spread=1.0)) == {"any statement": 0.0}


def test_work_shared_between_pages_changes_nothing_that_they_say(tmp_path, monkeypatch):
    world = worlds.World("counts", heaped=0.6)
    drawn = worlds.draw_world(world, FIRST)
    store = calibrate_worlds.write_fleet(drawn, tmp_path)
    fit, fits = priming.fit_constants, []

    def counted_fit(jobs, **asked):
        fits.append(len(jobs))
        return fit(jobs, **asked)

    monkeypatch.setattr(priming, "fit_constants", counted_fit)
    with calibrate_worlds.without_pictures(), calibrate_worlds.share_fits():
        shared = calibrate_worlds.read_fleet(world, drawn, store, whole=False)
    assert len(fits) == 1
    alone = calibrate_worlds.Read()
    with calibrate_worlds.without_pictures():
        page = calibrate_worlds.Reader(store).open("rotations-to-prime", period=calibrate_worlds.WHOLE)
        calibrate_worlds.read_rotations(page, world, drawn, alone)
        calibrate_worlds.read_ahead(calibrate_worlds.Reader(store).open("planned-venting"), drawn, alone)
    assert shared == alone
    assert len(fits) > 2


@pytest.mark.parametrize(("drift_mm", "told"), [(0.04, True), (0.0, False)])
def test_a_gauge_that_drifted_is_told_beside_the_shares_and_named_before_its_site(tmp_path, drift_mm, told):
    """Fleet 4: the account named its site; the counts without the drift are those of the same fleet drawn without it."""
    world = worlds.World("a gauge drifts", drift_mm=drift_mm)
    reader = calibrate_worlds.Reader(calibrate_worlds.write_fleet(worlds.draw_world(world, 4), tmp_path))
    for name, report in (("lifter-gaps", lifter_gaps), ("quarterly-review", quarterly_review)):
        page = reader.open(name, period=calibrate_worlds.WHOLE if report is lifter_gaps else "2026Q3")
        with calibrate_worlds.without_pictures():
            report.answer(page)
        lines = [line for line in page.answers if "is read with gauge Harbour 2" in line]
        found = [f for f in page.findings if f["id"] == "venting_failure_share_had_gauge_not_moved"]
        assert (len(lines), len(found)) == ((1, 1) if told else (0, 0))
        if told and report is lifter_gaps:
            sound = worlds.draw_world(worlds.World("a gauge drifts"), 4).tables
            first = sound["lifter_checks"].query("check_no == 1 and gauge.str.startswith('Harbour')")
            failing = (first.groupby("venting_id")["gap_mm"].max() > worlds.LIMIT_MM).mean()
            assert found[0]["estimate"] == pytest.approx(failing, abs=0.05)
            assert page.jobs.query("site == 'Harbour'")["failed_first"].mean() > failing + 0.08
    named = account.list_named(account.load_account(reader.open("spongy-lifters", period="2024-10/2026-09")))
    assert [row["name"] for row in named] == ["gauge Harbour 2"] * told


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


@pytest.mark.parametrize("plant", ["cooler", "place", "engine"])
def test_truth_is_what_the_draws_come_to(plant):
    """Failing shares, times and the planted odds ratio of many fleets drawn come out as their truth says."""
    world = next(world for world in worlds.WORLDS if world.plant == plant)
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
    if plant != "cooler":
        return
    rng = np.random.default_rng(1)
    jobs = worlds._draw_jobs(world, rng, worlds._draw_engines(world, rng, 4000))
    acts = worlds._acting(world, jobs)
    assert np.exp(acts[jobs["cooler_empty"]].mean() - acts[~jobs["cooler_empty"]].mean()) == pytest.approx(
        4.0
    )
