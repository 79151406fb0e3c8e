"""The two analysis tables, from small records whose answer can be read off."""

import datetime as dt
import math
from functools import partial

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from check_values import TRADE
from ventbook import model, tables
from ventbook.model.intervals import rotation_interval, rotations_per_count, time_interval
from ventbook.tables import GaugeRow, Gauges

build_lifters, build_jobs = (partial(f, limits=TRADE) for f in (model.build_lifters, model.build_ventings))


def table(name, rows):
    """A record table with the dictionary's columns and dtypes; what a row does not give is not recorded."""
    columns = tables.record_tables()[name].columns
    frame = pd.DataFrame(rows, columns=[c.stored for c in columns])
    return frame.astype({c.stored: c.dtype for c in columns})


def records(*, engine=None, venting=None, starts=(), checks=()):
    engine = {
        "engine_id": "007",
        "engine_type": "flat4",
        "cylinders": 4,
        "valves_per_cylinder": 2,
        "propeller_reduction": 2.0,
        "propeller_blades": 3,
        "feed_order": "2-1-4-3",
        **(engine or {}),
    }
    venting = {
        "venting_id": "1.10",
        "engine_id": "007",
        "date": dt.date(2026, 7, 1),
        "site": "Lake",
        "reason": "oil_change",
        "rotations": 30,
        "rotations_counted_at": "propeller",
        "pressure_shown": True,
        **(venting or {}),
    }
    first = {"check_no": 1, "after_start": 1, "cylinder": 1, "valve": "inlet", "force_N": 70.0, "hold_s": 3.0}
    return {
        "engines": table("engines", [engine]),
        "ventings": table("ventings", [venting]),
        "starts": table("starts", [{"venting_id": "1.10", **row} for row in starts]),
        "lifter_checks": table("lifter_checks", [{"venting_id": "1.10", **first, **row} for row in checks]),
    }


def series(*values):
    return pd.Series(values, dtype=float)


@pytest.mark.parametrize(
    ("time", "shown", "step", "low", "high"),
    [
        (3.0, True, 0.5, 2.75, 3.25),
        (3.0, True, math.nan, 2.75, 3.25),
        (0.1, True, 0.5, 0.0, 0.35),
        (12.0, False, 0.5, 12.0, math.inf),
        (math.nan, True, 0.5, math.nan, math.nan),
        (3.0, None, 0.5, math.nan, math.nan),
    ],
)
def test_a_stopwatch_reading_is_an_interval(time, shown, step, low, high):
    got = time_interval(series(time), pd.Series([shown], dtype="boolean"), series(step))
    np.testing.assert_equal([got[0].iloc[0], got[1].iloc[0]], [low, high])


@pytest.mark.parametrize(
    ("place", "factor"), [("crankshaft", 1.0), ("propeller", 2.0), ("blade", 2.0 / 3.0), ("other", math.nan)]
)
def test_what_one_count_stands_for(place, factor):
    frame = pd.DataFrame(
        {"rotations_counted_at": [place], "propeller_reduction": [2.0], "propeller_blades": [3]}
    )
    np.testing.assert_equal(rotations_per_count(frame).iloc[0], factor)


def test_blade_passes_without_the_number_of_blades_stay_unknown():
    frame = pd.DataFrame(
        {"rotations_counted_at": ["blade"], "propeller_reduction": [2.0], "propeller_blades": [pd.NA]}
    )
    assert math.isnan(rotations_per_count(frame.astype({"propeller_blades": "Int64"})).iloc[0])


@pytest.mark.parametrize(
    ("count", "shown", "low", "high"),
    [(30, True, 58.0, 60.0), (60, False, 120.0, math.inf), (0, True, 0.0, 2.0), (0, False, 0.0, math.inf)],
)
def test_a_count_of_propeller_rotations_is_an_interval(count, shown, low, high):
    got = rotation_interval(
        pd.Series([count], dtype="Int64"), pd.Series([shown], dtype="boolean"), series(2.0)
    )
    assert (got[0].iloc[0], got[1].iloc[0]) == (low, high)


@given(st.integers(0, 2000), st.floats(0.3, 4), st.booleans())
def test_a_count_lies_in_its_own_interval(count, per, shown):
    low, high = rotation_interval(
        pd.Series([count], dtype="Int64"), pd.Series([shown], dtype="boolean"), series(per)
    )
    assert 0 <= low.iloc[0] < high.iloc[0]
    if shown:
        assert low.iloc[0] < max(count, 1) * per <= high.iloc[0]
        assert high.iloc[0] - low.iloc[0] == pytest.approx(per)
    else:
        assert (low.iloc[0], high.iloc[0]) == (count * per, math.inf)


def test_one_venting():
    found = build_jobs(
        records(
            starts=[
                {"start_no": 1, "time_to_pressure_s": 3.0, "pressure_shown": True, "reading_step_s": 1.0},
                {"start_no": 2, "pressure_shown": True, "extra_run_s": 300.0},
            ],
            checks=[
                {"gap_mm": 0.6},
                {"valve": "exhaust", "gap_mm": 0.1},
                {"check_no": 2, "after_start": 2, "gap_mm": 0.2},
            ],
        )
    )
    row = found.iloc[0]
    assert row["venting_id"] == "1.10"
    assert row["engine_id"] == "007"
    assert (row["quarter"], row["month"]) == ("2026Q3", "2026-07")
    assert (row["time_low_s"], row["time_high_s"], row["time_source"]) == (2.5, 3.5, "stopwatch")
    assert (row["rotations_crank"], row["rotations_low"], row["rotations_high"]) == (60, 58, 60)
    assert (row["starts"], row["extra_runs"]) == (2, 1)
    assert (row["lifters_fitted"], row["lifters_checked"]) == (8, 2)
    assert (row["lifters_over_first"], row["lifters_over_last"]) == (1, 0)
    assert row["failed_first"]
    assert not row["failed_last"]
    assert row["cured"]
    assert not row["all_checked"]
    assert row["rotations_ratio"] == row["rotations_crank"] / row["expected_rotations"]


def test_a_ventings_row_adds_up_its_lifters():
    """Independent gauge errors: any over the limit is one less the product of all within; readings .02 mm uncertain, limit .5 mm."""
    checks = [{"cylinder": c, "valve": v, "gap_mm": 0.48} for c in (1, 2, 3, 4) for v in ("inlet", "exhaust")]
    checks[0]["gap_mm"], checks[5]["gap_mm"] = 0.52, 0.9
    again = [{**checks[5], "check_no": 2, "after_start": 2, "gap_mm": 0.3}]
    started = [{"start_no": n, "pressure_shown": True} for n in (1, 2)]
    found = records(engine={"valves_per_cylinder": None}, checks=checks + again, starts=started)
    row, lifters = build_jobs(found).iloc[0], build_lifters(found)
    within = stats.norm.cdf(1.0) ** 6 * stats.norm.cdf(-1.0) * stats.norm.cdf(-20.0)
    assert row["over_probability_any_first"] == pytest.approx(1 - within)
    assert row["gap_worst_first_mm"] == 0.9
    assert row["trapped_air_total_mm3"] == pytest.approx(lifters["trapped_air_mm3"].sum()) and (
        lifters["trapped_air_mm3"].notna().sum() == 2
    )
    assert (row["lifters_fitted"], row["lifters_checked"], row["all_checked"]) == (8, 8, True)
    assert (row["lifters_over_first"], row["lifters_over_last"]) == (2, 1)
    assert (row["lifters_rechecked"], row["lifters_cured"]) == (1, 1)
    sound = build_jobs(records(checks=[{"gap_mm": 0.3}, {"valve": "exhaust", "gap_mm": 0.3}])).iloc[0]
    # no finding, so nothing is known of its air
    assert pd.isna(sound["trapped_air_total_mm3"]) and not sound["all_checked"]
    assert sound["over_probability_any_first"] == pytest.approx(0.0, abs=1e-15)
    last = build_jobs(
        records(checks=[{"gap_mm": 0.6}, {"check_no": 2, "after_start": 2, "gap_mm": 0.2, "force_N": 30.0}])
    ).iloc[0]
    # the last press was too light for a verdict
    assert (last["lifters_judged_first"], last["lifters_judged_last"]) == (1, 0)
    assert last["failed_first"] and pd.isna(last["failed_last"])


def test_a_second_look_without_a_run_is_no_cure():
    lifters = build_lifters(
        records(checks=[{"gap_mm": 0.52}, {"check_no": 2, "after_start": 1, "gap_mm": 0.48}])
    )
    row = lifters.iloc[0]
    assert row["over_first"]
    assert not row["over_last"]
    assert not row["extra_run_between"]
    assert pd.isna(row["cured"])
    unknown = build_lifters(
        records(checks=[{"gap_mm": 0.52}, {"check_no": 2, "after_start": None, "gap_mm": 0.48}])
    )
    assert pd.isna(unknown.iloc[0]["cured"])


def test_a_lifter_read_once_keeps_its_first_reading_as_its_last():
    row = build_lifters(records(checks=[{"gap_mm": 0.52}])).iloc[0]
    assert row["gap_last_mm"] == row["gap_first_mm"] == 0.52
    assert row["checks"] == 1
    assert row["over_last"]


def test_the_limit_itself_is_not_over():
    row = build_lifters(records(checks=[{"gap_mm": 0.50}])).iloc[0]
    assert not row["over_first"]
    assert row["near_limit_first"]
    assert row["over_probability_first"] == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("force", "gap", "comparable", "over"),
    [(70, 0.3, True, False), (40, 0.3, False, None), (40, 0.55, True, True), (56, 0.3, True, False)],
)
def test_under_four_fifths_of_the_force_a_pass_is_not_a_pass(force, gap, comparable, over):
    row = build_lifters(records(checks=[{"gap_mm": gap, "force_N": force}])).iloc[0]
    assert row["comparable_first"] == comparable
    assert (None if pd.isna(row["over_first"]) else bool(row["over_first"])) == over


def test_a_reading_within_the_limits_of_the_check_is_not_corrected():
    at_edge = build_lifters(records(checks=[{"gap_mm": 0.5, "force_N": 63.0, "hold_s": 6.0}])).iloc[0]
    assert at_edge["gap_first_corrected_mm"] == 0.5
    off = build_lifters(records(checks=[{"gap_mm": 0.5, "force_N": 60.0, "hold_s": 3.0}])).iloc[0]
    assert off["gap_first_corrected_mm"] > 0.5
    # air that was pressed harder, or a gap that grew for longer, is less at the limit's own
    harder = build_lifters(records(checks=[{"gap_mm": 0.5, "force_N": 85.0, "hold_s": 6.0}])).iloc[0]
    assert harder["gap_first_corrected_mm"] < 0.5


def test_a_venting_judged_in_part_and_without_finding_is_not_a_pass():
    found = build_jobs(
        records(checks=[{"gap_mm": 0.1}, {"valve": "exhaust", "gap_mm": 0.1, "force_N": 30.0}])
    )
    assert pd.isna(found.iloc[0]["failed_first"])
    found = build_jobs(
        records(checks=[{"gap_mm": 0.9}, {"valve": "exhaust", "gap_mm": 0.1, "force_N": 30.0}])
    )
    assert found.iloc[0]["failed_first"]


def test_nothing_recorded_is_not_recorded():
    row = build_jobs(
        records(venting={"rotations_counted_at": "blade"}, engine={"propeller_blades": None})
    ).iloc[0]
    assert pd.isna(row["failed_first"])
    assert math.isnan(row["time_low_s"])
    assert row["time_source"] == ""
    assert math.isnan(row["rotations_low"])
    assert row["lifters_checked"] == 0


def test_feed_rank_follows_the_gallery():
    rows = [{"cylinder": c, "gap_mm": 0.1} for c in (1, 2, 3, 4)]
    lifters = build_lifters(records(checks=rows))
    assert dict(zip(lifters["cylinder"], lifters["feed_rank"], strict=True)) == {1: 2, 2: 1, 3: 4, 4: 3}
    unknown = build_lifters(records(engine={"feed_order": None}, checks=rows))
    assert unknown["feed_rank"].isna().all()


def test_a_gauge_study_replaces_the_assumed_uncertainty():
    rows = [{"gap_mm": 0.55, "gauge": "G1"}, {"valve": "exhaust", "gap_mm": 0.55, "gauge": "G2"}]
    own = GaugeRow("G1", "assumed", "invented", unit="mm", repeatability=0.1)
    lifters = build_lifters(records(checks=rows), gauges=Gauges((own,)))
    by_gauge = lifters.set_index("gauge")["over_probability_first"]
    assert by_gauge["G1"] == pytest.approx(0.6914624612740131)  # standard normal at 0.5
    assert by_gauge["G2"] > 0.99


def test_the_order_of_the_records_does_not_matter_and_only_the_columns_asked_for_are_built():
    checks = [
        {"cylinder": c, "valve": v, "check_no": k, "after_start": k, "gap_mm": 0.1 * c + 0.3 / k}
        for c in (10, 2, 1) for v in ("inlet", "exhaust") for k in (2, 1)
    ]  # fmt: skip
    found = records(checks=checks)
    table = build_lifters(found)
    assert table["position"].tolist() == [f"{c} {v}" for c in (1, 2, 10) for v in ("exhaust", "inlet")]
    assert table["gap_first_mm"].tolist() == pytest.approx([0.4, 0.4, 0.5, 0.5, 1.3, 1.3])
    assert table["gap_last_mm"].tolist() == pytest.approx([0.25, 0.25, 0.35, 0.35, 1.15, 1.15])
    assert (table["checks"] == 2).all() and table["extra_run_between"].all()
    turned = {**found, "lifter_checks": found["lifter_checks"].iloc[::-1].reset_index(drop=True)}
    pd.testing.assert_frame_equal(build_lifters(turned), table)
    few = ["venting_id", "position", "over_first", "cause"]
    pd.testing.assert_frame_equal(build_lifters(found, columns=few), table[few])
    counted = build_lifters(found, columns=model.COUNTED)
    pd.testing.assert_frame_equal(build_jobs(found, lifters=counted), build_jobs(found, lifters=table))
    without_air = build_jobs(found, lifters=counted.drop(columns="trapped_air_mm3"))
    pd.testing.assert_frame_equal(
        without_air, build_jobs(found, lifters=table).drop(columns="trapped_air_total_mm3")
    )


def test_checks_without_a_venting_or_an_engine_are_left_out():
    found = records(checks=[{"gap_mm": 0.1}, {"venting_id": "elsewhere", "gap_mm": 0.9}])
    assert build_lifters(found)["venting_id"].tolist() == ["1.10"]
    assert build_lifters({**found, "engines": found["engines"].iloc[:0]}).empty


def test_empty_records_give_empty_tables_of_the_same_shape():
    full = records(checks=[{"gap_mm": 0.1}])
    empty = {name: frame.iloc[:0] for name, frame in full.items()}
    assert list(build_lifters(empty)) == list(build_lifters(full))
    assert list(build_jobs(empty)) == list(build_jobs(full))
    assert len(build_jobs(empty)) == 0


def test_a_good_trace_takes_the_stopwatchs_place():
    from ventbook.model.traces import FEATURES

    found = records(
        starts=[{"start_no": 1, "time_to_pressure_s": 3.0, "pressure_shown": True, "reading_step_s": 0.5}]
    )
    feature = {**dict.fromkeys(FEATURES), "time_to_pressure_s": 2.1, "time_low_s": 2.0, "time_high_s": 2.2}
    feature |= {"venting_id": "1.10", "start_no": 1, "ok_time_to_pressure": True, "flags": ""}
    row = build_jobs({**found, "start_features": pd.DataFrame([feature])}).iloc[0]
    assert (row["time_low_s"], row["time_high_s"], row["time_source"]) == (2.0, 2.2, "trace")
    assert (row["stopwatch_low_s"], row["stopwatch_high_s"]) == (2.75, 3.25)
    bad = {**feature, "ok_time_to_pressure": False}
    row = build_jobs({**found, "start_features": pd.DataFrame([bad])}).iloc[0]
    assert (row["time_low_s"], row["time_source"]) == (2.75, "stopwatch")


def test_a_loggers_two_steps_stand_beside_its_bounds():
    """A start in (3, 4] s and pressure in (6, 7] s: (2, 4] s, and counted from 3 s pressure came in (3, 4]."""
    from ventbook.model.traces import FEATURES

    found = records(starts=[{"start_no": 1, "time_to_pressure_s": 3.0, "pressure_shown": True}])
    feature = {**dict.fromkeys(FEATURES), "time_to_pressure_s": 2.9, "time_low_s": 2.0, "time_high_s": 4.0}
    feature |= {"venting_id": "1.10", "start_no": 1, "ok_time_to_pressure": True, "flags": ""}
    names = ["time_low_s", "time_high_s", "time_from_s", "time_step_s"]

    def read(**more):
        return model.build_ventings({**found, "start_features": pd.DataFrame([{**feature, **more}])})[
            names
        ].iloc[0]

    clock = {"start_low_t": 3.0, "start_t": 4.0, "pressure_low_t": 6.0, "pressure_t": 7.0}
    assert read(**clock).tolist() == [2.0, 4.0, 3.0, 1.0]
    # shown in the step of the start itself
    once = {**clock, "pressure_low_t": 3.0, "pressure_t": 4.0, "time_low_s": 0.0, "time_high_s": 1.0}
    assert read(**once).tolist() == [0.0, 1.0, 0.0, 1.0]
    # features of version 0.1.0: two equal steps, and flat where that can't be told or nothing ended
    assert read().tolist() == [2.0, 4.0, 3.0, 1.0]
    assert read(time_low_s=0.0, time_high_s=2.0).tolist() == [0.0, 2.0, 0.0, 0.0]
    assert read(time_low_s=9.0, time_high_s=np.inf).tolist() == [9.0, np.inf, 9.0, 0.0]
    assert model.build_ventings(found)[names].iloc[0].tolist() == [2.75, 3.25, 2.75, 0.0]


STARTED = pd.Timestamp("2026-07-02 10:00")


@pytest.mark.parametrize(
    ("first", "last", "starts", "between"),
    [
        (1, 2, (1, 2), True),  # recorded: nothing to take
        (1, 1, (1, 2), False),
        (1, None, (1, 2), "taken"),
        (1, None, (1, 2, 3), None),  # two runs may lie between
        (1, None, (1,), None),  # none is recorded, which is not the same as none
        (1, None, (), None),
        (None, 2, (1, 2), "taken"),
        (None, 3, (1, 2, 3), None),
        (None, 1, (1, 2), None),
        (None, None, (1, 2), "taken"),  # the first check follows the first run
        (None, None, (1, 2, 3), None),
        (0, None, (1,), "taken"),
    ],
)
def test_an_empty_after_start_is_unknown_unless_exactly_one_run_lies_between(first, last, starts, between):
    found = records(
        checks=[
            {"gap_mm": 0.7, "after_start": first},
            {"check_no": 2, "after_start": last, "gap_mm": 0.2},
        ],
        starts=[{"start_no": n, "pressure_shown": True} for n in starts],
    )
    row = model.build_lifters(found).iloc[0]
    assert (None if pd.isna(row["extra_run_between"]) else bool(row["extra_run_between"])) == (
        between if between is None else bool(between)
    )
    assert bool(row["run_between_taken"]) == (between == "taken")
    assert (None if pd.isna(row["cured"]) else bool(row["cured"])) == (True if between else None)


def test_a_start_without_pressure_and_one_after_closing_are_no_run_between():
    checks = [
        {"gap_mm": 0.7, "after_start": None},
        {"check_no": 2, "after_start": None, "gap_mm": 0.2},
    ]
    given_up = [{"start_no": 1, "pressure_shown": False}, {"start_no": 2, "pressure_shown": True}]
    row = model.build_lifters(records(checks=checks, starts=given_up)).iloc[0]
    assert pd.isna(row["extra_run_between"]) and pd.isna(row["cured"])
    days = {1: 0, 2: 1, 3: 9}
    late = [
        {"start_no": n, "pressure_shown": True, "started_at": STARTED + pd.Timedelta(days=day)}
        for n, day in days.items()
    ]
    told = records(venting={"closed": STARTED.normalize() + pd.Timedelta(days=1)}, checks=checks, starts=late)
    row = model.build_lifters(told).iloc[0]
    assert row["run_between_taken"] and row["cured"]


def test_a_lifter_read_once_has_no_run_between():
    runs = [{"start_no": n, "pressure_shown": True} for n in (1, 2)]
    row = model.build_lifters(records(checks=[{"gap_mm": 0.7, "after_start": None}], starts=runs)).iloc[0]
    assert not row["extra_run_between"] and not row["run_between_taken"]


def test_runs_taken_and_unknown_are_counted():
    again = {"check_no": 2, "after_start": None, "gap_mm": 0.2}
    checks = [{"gap_mm": 0.7}, again, {"valve": "exhaust", "gap_mm": 0.2}, {**again, "valve": "exhaust"}]
    for numbers, told in (((1, 2), (1, 0)), ((1, 2, 3), (0, 1))):
        starts = [{"start_no": n, "pressure_shown": True} for n in numbers]
        lifters = model.build_lifters(records(checks=checks, starts=starts))
        assert model.count_runs_taken(lifters) == told
        assert int(lifters["cured"].notna().sum()) == told[0]
