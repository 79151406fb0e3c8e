"""Pages about times and rotations: what they say of the invented fleet, and that sparse records only make them say less."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from calibrate import calibrate_statements as statements

from invented_store import TODAY, make_store, rows_of
from ventbook import reports
from ventbook.records import store as st
from ventbook.reports import time_to_pressure as times
from ventbook.reports import waiting
from ventbook.reports.rotations_to_prime import times as rotations
from ventbook.results import Estimate, no_estimate
from ventbook.statistics import waiting_times

TIME_SECTIONS = (
    times.answer, times.curve, times.curve_explained, times.by_group, times.effects, times.effects_explained, times.given_up, times.instruments,
    times.return_flow,
)  # fmt: skip
ROTATION_SECTIONS = (
    rotations.times, rotations.heaping, rotations.by_group_times, rotations.effects, rotations.effects_explained,
    rotations.given_up,
)  # fmt: skip


def read_all(page, sections):
    shown = [section(page) for section in sections]
    assert all(part.html and part.text for part in shown)
    page.finish()
    return {section.__name__: part for section, part in zip(sections, shown, strict=True)}


def finding(page, id, **group):
    return next(f for f in page.findings if f["id"] == id and f["group"] == group)


@pytest.fixture(scope="module")
def time_page(demo_store, tmp_path_factory):
    out = tmp_path_factory.mktemp("times")
    page = reports.open_page(
        "time-to-pressure", {"store": str(demo_store), "period": "2026Q3", "out": str(out)}
    )
    page.shown = read_all(page, TIME_SECTIONS)
    return page


@pytest.fixture(scope="module")
def rotation_page(demo_store):
    page = reports.open_page("rotations-to-prime", {"store": str(demo_store), "period": "2026Q3"})
    page.shown = read_all(page, ROTATION_SECTIONS)
    return page


def test_stable_findings_overall_and_by_site_and_engine_type(time_page, rotation_page):
    for page, ids in (
        (time_page, ("median_time_to_pressure", "p90_time_to_pressure", "share_over_time_limit")),
        (rotation_page, ("median_rotations_to_prime", "p90_rotations_to_prime", "share_not_primed")),
    ):
        for id in ids:
            mine = [f for f in page.findings if f["id"] == id]
            assert [f["group"] for f in mine].count({}) == 1
            assert {f["group"].get("site") for f in mine} >= {"Harbour", "Ridge", "Plain", "Lake"}
            assert {f["group"].get("engine_type") for f in mine} >= {"flat4", "flat4t", "flat6"}


def test_page_and_files_say_the_same(time_page):
    out = Path(time_page.parameters["out"])
    written = json.loads((out / "findings.json").read_text(encoding="utf-8"))
    median = finding(time_page, "median_time_to_pressure")
    assert median in written["findings"]
    assert f"{median['estimate']:.1f} s" in time_page.shown["answer"].text
    table = pd.read_csv(out / "tables" / "time_to_pressure_by_group.csv")
    for name in ("Harbour", "Ridge"):
        row = table[(table["grouping"] == "Site") & (table["group"] == name)].iloc[0]
        assert row["median"] == pytest.approx(
            finding(time_page, "median_time_to_pressure", site=name)["estimate"], rel=1e-6
        )


def test_starts_cut_short_are_counted_and_no_missed_limits(time_page):
    facts = times.load_data(time_page)
    known = facts.jobs[facts.jobs["wait_low"].notna()]
    traced = known.index[known["time_source"] == "trace"]
    flags = known["trace_flags"].astype(object).where(known["trace_flags"].notna(), None)
    flags[traced[0]] = "gaps cut_short"
    said = times.say_cut_short(known.assign(trace_flags=flags))
    assert said.startswith(
        f"In 1 of {len(known)} first starts the trace or the engine ended within the second"
    )
    assert times.say_cut_short(known.assign(trace_flags="gaps")) == ""


def test_planted_truth_shows_in_the_adjusted_ratios(time_page):
    # the invented fleet: air stays in where the cooler is empty and the tank is not pressurised; Ridge gets worse
    table = times.load_data(time_page).effects.table.set_index(["factor", "level"])
    assert table.loc[("cooler_empty", "yes"), "low"] > 1
    assert table.loc[("tank_pressurised", "yes"), "high"] < 1
    assert table.loc[("site", "Ridge"), "low"] > 1
    for innocent in (("filter_new", "yes"), ("oil_temperature", "")):
        assert table.loc[innocent, "low"] < 1 < table.loc[innocent, "high"]


def test_tank_pressure_saves_rotations_though_raw_counts_say_the_opposite(rotation_page):
    facts = rotations.load_data(rotation_page)
    pressurised = facts.history["tank_pressurised"].fillna(False).astype(bool)
    raw = facts.history.groupby(pressurised)["rotations_crank"].median()
    assert raw[True] > raw[False]
    table = facts.effects.table.set_index(["factor", "level"])
    assert table.loc[("tank_pressurised", "yes"), "high"] < 1


def test_heaping_sites_are_found(rotation_page):
    widened = rotations.load_data(rotation_page).heaping.set_index("group")["widen_to"]
    assert (widened["Lake"], widened["Ridge"], widened["Harbour"]) == (10, 5, 0)
    assert "Lake" in rotation_page.shown["heaping"].text


def test_small_groups_say_too_few(time_page):
    table = times.waiting.tabulate_groups(
        times.load_data(time_page).jobs.head(12), times.WAIT, level=0.95, with_limit=True
    )
    small = table[table["n"] < 5]
    assert len(small) and set(small["state"]) <= {"too_few", "not_recorded"}
    assert small["median"].isna().all() and small["over"].isna().all()


def test_answers_come_out_the_same_twice(demo_store):
    texts = []
    for _ in range(2):
        page = reports.open_page("time-to-pressure", {"store": str(demo_store), "period": "2026Q2"})
        texts.append([section(page).html for section in (times.answer, times.by_group, times.effects)])
    assert texts[0] == texts[1]


@pytest.mark.parametrize("ventings", [2, 4, 24])
def test_sparse_records_say_less_and_never_fail(tmp_path, ventings):
    make_store(tmp_path / "store", ventings=ventings)
    given = {"store": str(tmp_path / "store"), "since": "2026-01-01", "until": "2027-01-01"}
    page = reports.open_page("time-to-pressure", given)
    read_all(page, TIME_SECTIONS)
    if ventings < 5:
        assert finding(page, "median_time_to_pressure")["state"] == "too_few"
        assert finding(page, "median_time_to_pressure")["tier"] == "list"
    read_all(reports.open_page("rotations-to-prime", given), ROTATION_SECTIONS)


@pytest.mark.parametrize("kind", ["all given up", "all equal", "no times", "finding only"])
def test_awkward_records_never_fail(tmp_path, kind):
    given_up = kind == "all given up"
    engines = [
        {"engine_id": f"E{k}", "engine_type": "flat4t", "cylinders": 4, "turbocharged": True}
        for k in range(5)
    ]
    ventings = [
        {
            "venting_id": f"V{k}", "engine_id": f"E{k % 5}", "date": dt.date(2026, 7, 1) + dt.timedelta(days=k), "site": "Lake",
            "reason": "oil_change", "rotations": 40, "rotations_counted_at": "crankshaft", "pressure_shown": not given_up,
            "cooler_empty": k % 2 == 0, "tank_overpressure_bar": 0.4 if k % 2 else 0.0,
            "recorded_because": "finding_only" if kind == "finding only" else "every_job",
        }
        for k in range(50)
    ]  # fmt: skip
    starts = [
        {
            "venting_id": f"V{k}", "start_no": 1, "time_to_pressure_s": None if kind == "no times" else 4.0,
            "pressure_shown": not given_up, "reading_step_s": 0.5, "return_flow_time_s": 6.0, "return_flow_seen": True,
        }
        for k in range(50)
    ]  # fmt: skip
    store = st.create_store(tmp_path / "store")
    with st.write_snapshot(store) as writer:
        for table, rows in (("engines", engines), ("ventings", ventings), ("starts", starts)):
            writer.add_rows(table, rows_of(table, rows))
        source = {"file": "v.csv", "sheet": "", "table": "ventings", "rows": 50, "sha256": "ab" * 32}
        writer.commit(kind="intake", today=TODAY, counts={}, sources=[source])
    given = {"store": str(tmp_path / "store"), "period": "2026Q3"}
    page = reports.open_page("time-to-pressure", given)
    shown = read_all(page, TIME_SECTIONS)
    median = finding(page, "median_time_to_pressure")
    state = {"all given up": "not_reached", "no times": "not_recorded"}.get(kind, "estimated")
    assert (median["state"], median["estimate"] is None) == (state, state != "estimated")
    if given_up:
        assert "50 of 50 first starts ended in a shut-down" in shown["answer"].text
        assert len(page.tables["time_to_pressure_given_up"].columns) > 5
    if kind == "finding only":
        assert median["tier"] == "list"
    if kind == "all equal":
        assert "No adjusted ratios" in shown["effects"].text and "one and the same" in shown["effects"].text
    read_all(reports.open_page("rotations-to-prime", given), ROTATION_SECTIONS)


def test_instruments_are_compared_by_engine():
    engine = np.repeat(["a", "b", "c", "d"], 5)
    logger = np.linspace(1, 3, 20)
    stopwatch = logger + np.tile([0.1, 0.2, 0.3, 0.2, 0.2], 4)
    found = waiting_times.compare_instruments(stopwatch, logger, cluster=engine)
    assert found.estimate == pytest.approx(0.2) and found.clusters == 4
    # by hand: every engine's sum of differences from the mean is 0, so is the error
    assert found.high - found.low == pytest.approx(0.0, abs=1e-9)
    assert "stopwatch reads 0.20 s longer" in waiting.instruments(found, pairs=20)
    stopwatch[engine == "a"] += 0.4
    # by hand: sums of differences from the mean 1.5, -.5, -.5, -.5; error sqrt(4/3 * 3) / 20, t(3) = 3.182446
    wider = waiting_times.compare_instruments(stopwatch, logger, cluster=engine)
    assert wider.high - wider.estimate == pytest.approx(3.182446 * 2 / 20, rel=1e-6)
    assert waiting_times.compare_instruments(stopwatch[:3], logger[:3], cluster=engine[:3]).state == "too_few"


@pytest.mark.parametrize(
    ("low", "high", "word"),
    [
        (1.05, 1.4, "longer"),
        (0.7, 0.95, "shorter"),
        (0.95, 1.05, "too small to matter"),
        (0.8, 1.3, "not known"),
    ],
)
def test_what_a_ratio_reads_as(low, high, word):
    assert waiting.effect_word(low, high, 1.1, up="longer", down="shorter") == word


@pytest.mark.parametrize(("standing", "word"), [("named", "longer"), ("hint", "longer?"), ("", "not known")])
def test_a_range_beside_1_is_named_or_asked_only_where_all_ratios_together_allow_it(standing, word):
    assert waiting.effect_word(1.05, 1.4, 1.1, up="longer", down="shorter", standing=standing) == word
    assert (
        waiting.effect_word(0.95, 1.05, 1.1, up="longer", down="shorter", standing=standing)
        == "too small to matter"
    )


def test_times_on_which_nothing_acts_name_no_circumstance_and_planted_ones_do():
    """Twenty fleets: some ratio's range leaves out 1 in most of them, named is none (.3 in 100 are allowed)."""
    said, crossed = [], 0
    for seed in range(20):
        jobs = statements.draw_times(np.random.default_rng([11, seed]), ventings=150, engines=60)
        effects = waiting.fit_effects(jobs, times.WAIT, level=0.95)
        table = effects.table[effects.table["level"] != "not recorded"]
        crossed += bool(((table["low"] > 1) | (table["high"] < 1)).any())
        said.append(waiting.say_effects(effects, times.WAIT))
        assert "?" not in said[-1] and "matter" not in said[-1]
    assert crossed >= 8
    assert all("no recorded circumstance goes clearly with" in s for s in said)
    jobs = statements.draw_times(np.random.default_rng(5), ventings=300, engines=120, times=1.5)
    effects = waiting.fit_effects(jobs, times.WAIT, level=0.95)
    assert "oil cooler empty before venting" in waiting.say_effects(effects, times.WAIT)


def test_a_hint_on_times_is_a_question_and_stands_beside_the_answer_only():
    jobs = statements.draw_times(np.random.default_rng(5), ventings=300, engines=120, times=1.5)
    effects = waiting.fit_effects(jobs, times.WAIT, level=0.95)
    label = "oil cooler empty before venting"
    assert label in waiting.say_effects(effects, times.WAIT)
    effects = dataclasses.replace(effects, named=effects.named.assign(standing="hint", reading="longer?"))
    assert waiting.ask_effects(effects, times.WAIT).startswith(
        f"Does {label} matter? These records can't say"
    )
    assert label not in waiting.say_effects(effects, times.WAIT)


def test_what_cannot_be_told_apart_is_said_in_a_sentence_each():
    jobs = statements.draw_times(np.random.default_rng(5), ventings=300, engines=120, times=1.5)
    same = jobs["cooler_empty"].to_numpy(bool).copy()
    same[:4] = ~same[:4]
    jobs = jobs.assign(filter_new=same, plugs_removed=jobs["site"] == "Lake")
    effects = waiting.fit_effects(jobs, times.WAIT, level=0.95)
    said = waiting.say_effects(effects, times.WAIT)
    assert (
        "These records can't tell oil cooler empty before venting from new oil filter, not prefilled:" in said
    )
    assert effects.doubts == (
        "Spark plugs removed for turning is the same on nearly all ventings of a site: what goes with it can't be told from the site.",
    )
    table = effects.table.set_index(["factor", "level"])
    assert (
        table.loc[("cooler_empty", "yes"), "reading"]
        == effects.named.set_index("factor").loc["cooler_empty", "reading"]
    )


def test_sentences_of_numbers_that_are_not_there():
    none = no_estimate("too_few", level=0.95, unit="s", n=3)
    assert (
        waiting.within(none, part="Half", what="had oil pressure")
        == "Half had oil pressure: too few records for a number (n = 3)."
    )
    late = Estimate(None, 6.0, None, 0.95, "s", 30, 10, "", "not_reached")
    assert waiting.within(late, part="Nine of ten", what="had oil pressure").startswith(
        "Nine of ten had oil pressure: not reached"
    )
    assert "placeholder limit" in waiting.over_limit(none, limit=" of 5 s", placeholder=True)
    assert "that is not the same as none having an effect" in waiting.clear_effects(
        [], [], more="a", less="b", ventings=9
    )
