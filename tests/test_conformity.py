"""Each step against its limit: at, just under, just over, missing, wrong unit; and what a placeholder may not say."""

import datetime as dt
import shutil

import numpy as np
import pandas as pd
import pytest

from check_values import TRADE
from ventbook import demo, model, reports
from ventbook import tables as dictionary
from ventbook.model import conformity
from ventbook.reports import conformity as report
from ventbook.reports.conformity import words
from ventbook.tables.limits import read_steps


@pytest.fixture(scope="module")
def tables():
    fleet = demo.simulate_fleet(ventings=80, seed=11)
    return fleet.tables()


@pytest.fixture(scope="module")
def manual():
    return TRADE


SHIPPED = {"pressure_threshold", "time_to_pressure", "gap_at_last_check"}


def check(records, limits=TRADE):
    lifters = model.build_lifters(records, limits=limits)
    return conformity.check_steps(
        records, model.build_ventings(records, limits=limits, lifters=lifters), lifters, limits=limits
    )


def one_venting(**changes):
    """A venting by the book, on a turbocharged engine, with every cell filled in; ``table__column=value`` alters it."""
    frames = {
        "engines": {
            "engine_id": "1",
            "engine_type": "flat4t",
            "cylinders": 1,
            "valves_per_cylinder": 2,
            "turbocharged": True,
            "pump_displacement_cm3": 8.0,
            "propeller_reduction": 2.0,
            "rocker_ratio": 1.35,
            "plunger_diameter_mm": 11.5,
            "propeller_blades": 3,
            "plunger_spring_force_N": 18.0,
            "plunger_spring_rate_N_per_mm": 1.4,
            "plunger_travel_mm": 2.2,
            "plunger_land_mm": 12.0,
            "plunger_clearance_um": 3.0,
            "feed_order": "1",
        },
        "ventings": {
            "venting_id": "v",
            "engine_id": "1",
            "date": "2026-08-03",
            "site": "Harbour",
            "technician": "T",
            "reason": "overhauled_engine",
            "hours_since_overhaul_h": 0.0,
            "suction_line_length_m": 1.5,
            "suction_line_bore_mm": 12.0,
            "cooler_volume_L": 0.3,
            "filter_volume_L": 0.2,
            "lines_empty": True,
            "cooler_empty": True,
            "filter_new": True,
            "oil_grade": "5W-40",
            "oil_temperature_degC": 20.0,
            "ambient_temperature_degC": 18.0,
            "elevation_m": 5.0,
            "tank_head_m": 0.0,
            "tank_overpressure_bar": 0.5,
            "pressurised_before_turning_s": 120.0,
            "turned_by": "hand",
            "turning_speed_rpm": 15.0,
            "plugs_removed": True,
            "rotations": 50,
            "rotations_counted_at": "propeller",
            "pressure_threshold_bar": 0.6,
            "pressure_shown": True,
            "tank_ran_low": False,
            "turned_backwards": False,
            "closed": "2026-08-05",
        },
        "starts": {
            "venting_id": "v",
            "start_no": 1,
            "time_to_pressure_s": 2.0,
            "pressure_shown": True,
            "reading_step_s": 0.5,
            "return_flow_time_s": 5.0,
            "return_flow_seen": True,
            "first_hold_speed_rpm": 2000.0,
            "first_hold_s": 130.0,
            "warmup_speed_max_rpm": 2400.0,
            "warmup_end_oil_temperature_degC": 52.0,
        },
        "lifter_checks": {
            "venting_id": "v",
            "check_no": 1,
            "after_start": 1,
            "cylinder": 1,
            "valve": "inlet",
            "force_N": 70.0,
            "hold_s": 3.0,
            "gap_mm": 0.1,
            "gauge": "G",
        },
    }
    rows = {name: [dict(row)] for name, row in frames.items()}
    rows["lifter_checks"].append(rows["lifter_checks"][0] | {"valve": "exhaust"})
    for name, value in changes.items():
        table, _, column = name.partition("__")
        for row in rows[table]:
            row[column] = value
    records = {}
    for name, table in dictionary.record_tables().items():
        data = {
            c.stored: pd.Series([r.get(c.stored) for r in rows.get(name, [])], dtype=object)
            for c in table.columns
        }
        records[name] = pd.DataFrame({c.stored: data[c.stored].astype(c.dtype) for c in table.columns})
    return records


def verdict(step, limits=TRADE, **changes):
    table = check(one_venting(**changes), limits).set_index("step")
    return table.loc[step, "verdict"] if step in table.index else "no row"


BOUNDARIES = [
    # step, the cell, (value, verdict) at the limit, just inside, just outside, missing
    ("tank_overpressure", "ventings__tank_overpressure_bar", [(0.4, "within"), (0.401, "within"), (0.399, "outside"), (1.0, "within"), (1.001, "outside"), (None, "not_recorded"), (0.0, "no row")]),
    ("pressurised_before_turning", "ventings__pressurised_before_turning_s", [(60, "within"), (61, "within"), (59, "outside"), (None, "not_recorded")]),
    ("plugs_removed", "ventings__plugs_removed", [(True, "within"), (False, "outside"), (None, "not_recorded")]),
    ("turning_speed", "ventings__turning_speed_rpm", [(30, "within"), (29, "within"), (31, "outside"), (None, "not_recorded")]),
    ("rotations_max", "ventings__rotations", [(100, "within"), (99, "within"), (101, "outside")]),
    ("pressure_threshold", "ventings__pressure_threshold_bar", [(0.5, "within"), (0.51, "within"), (0.49, "outside"), (None, "not_recorded")]),
    ("pressure_shown_turning", "ventings__pressure_shown", [(True, "within"), (False, "outside")]),
    ("turned_backwards", "ventings__turned_backwards", [(False, "within"), (True, "outside"), (None, "not_recorded")]),
    ("tank_ran_low", "ventings__tank_ran_low", [(False, "within"), (True, "outside"), (None, "not_recorded")]),
    ("time_to_pressure", "starts__time_to_pressure_s", [(4.5, "within"), (4.75, "within"), (5.0, "near_limit"), (5.25, "outside"), (5.24, "near_limit"), (5.5, "outside"), (None, "not_recorded")]),
    ("return_flow_time", "starts__return_flow_time_s", [(9.5, "within"), (9.75, "within"), (10.0, "near_limit"), (10.25, "outside"), (10.5, "outside"), (None, "not_recorded")]),
    ("return_flow_seen", "starts__return_flow_seen", [(True, "within"), (False, "outside"), (None, "not_recorded")]),
    ("first_hold_speed", "starts__first_hold_speed_rpm", [(1900, "within"), (1899, "outside"), (2100, "within"), (2101, "outside"), (None, "not_recorded")]),
    ("first_hold", "starts__first_hold_s", [(120, "within"), (121, "within"), (119, "outside"), (None, "not_recorded")]),
    ("warmup_speed", "starts__warmup_speed_max_rpm", [(2200, "within"), (2199, "outside"), (2500, "within"), (2501, "outside"), (None, "not_recorded")]),
    ("warmup_end_oil_temperature", "starts__warmup_end_oil_temperature_degC", [(50, "within"), (50.1, "within"), (49.9, "outside"), (None, "not_recorded")]),
    ("check_force", "lifter_checks__force_N", [(63, "within"), (62.9, "outside"), (77, "within"), (77.1, "outside"), (None, "not_recorded")]),
    ("check_hold", "lifter_checks__hold_s", [(3, "within"), (2.9, "outside"), (6, "within"), (6.1, "outside"), (None, "not_recorded")]),
    # A gap within 2 u (0.04 mm with the assumed gauge) of the limit can't be told from it.
    ("gap_at_last_check", "lifter_checks__gap_mm", [(0.45, "within"), (0.47, "near_limit"), (0.50, "near_limit"), (0.53, "near_limit"), (0.55, "outside")]),
    ("open_finding_at_release", "lifter_checks__gap_mm", [(0.50, "within"), (0.51, "outside")]),
]  # fmt: skip


CASES = [(step, cell, value, expected) for step, cell, cases in BOUNDARIES for value, expected in cases]


@pytest.fixture(scope="module")
def boundary_verdicts():
    """All cases in one fleet of as many ventings, one an engine."""
    parts = []
    for number, (_, cell, value, _) in enumerate(CASES):
        records = one_venting(**{cell: value})
        for frame in records.values():
            for column in {"venting_id", "engine_id"} & set(frame):
                frame[column] = str(number)
        parts.append(records)
    records = {name: pd.concat([part[name] for part in parts], ignore_index=True) for name in parts[0]}
    return check(records).set_index(["venting_id", "step"])["verdict"]


@pytest.mark.parametrize("number", range(len(CASES)), ids=[f"{c[0]}={c[2]}" for c in CASES])
def test_at_under_over_and_missing(boundary_verdicts, number):
    step, _, _, expected = CASES[number]
    assert boundary_verdicts.get((str(number), step), "no row") == expected


@pytest.mark.parametrize(
    ("bar", "margin"), [(0.45, 0.05), (0.7, 0.3), (0.95, 0.05), (1.2, -0.2), (0.1, -0.3)]
)
def test_a_margin_is_the_way_to_the_nearer_limit(bar, margin):
    """.4 to 1.0 bar on the tank, in bar and negative outside."""
    table = check(one_venting(ventings__tank_overpressure_bar=bar)).set_index("step")
    assert table.loc["tank_overpressure", "margin"] == pytest.approx(margin)


def test_every_step_has_a_boundary_table_or_a_test_of_its_own():
    own = {
        "tank_overpressure_when_empty",
        "all_lifters_checked",
        "extra_run_after_finding",
        "extra_run_speed",
        "extra_run",
    }
    assert {row[0] for row in BOUNDARIES} | own == set(conformity.load_steps())


@pytest.mark.parametrize(
    ("bar", "expected"), [(0.4, "within"), (0.39, "outside"), (0.0, "outside"), (None, "no row")]
)
def test_pressure_where_line_or_cooler_was_empty(manual, bar, expected):
    assert verdict("tank_overpressure_when_empty", manual, ventings__tank_overpressure_bar=bar) == expected


def test_a_step_without_any_limit_says_so():
    table = check(one_venting(), dictionary.load_limits()).set_index("step")
    for step in set(conformity.load_steps()) & set(table.index) - SHIPPED:
        row = table.loc[step]
        assert (row["verdict"], row["status"], row["limit_source"]) == ("no_limit", "", ""), step
        assert np.isnan(row["margin"])
    assert words.verdict("no_limit", "") == "no limit entered"


def test_numbers_ship_for_three_outcomes_only_and_say_why():
    shipped = dictionary.load_limits().rows
    assert {row.step for row in shipped if row.judges} == {"lifter_gap", *SHIPPED - {"gap_at_last_check"}}
    assert {row.step for row in shipped if not row.judges} == {"check_force", "check_hold"}
    assert all(row.status == "placeholder" and row.source.startswith("worked out: ") for row in shipped)


def test_the_shipped_gap_is_what_its_reason_says():
    """Air is the ideal gas of index 1.125 under the plunger; the spring's travel is counted by iteration."""
    force = dictionary.load_limits().find("check_force", "*", dt.date(2026, 1, 1)).reference
    usual = dictionary.engine_type_values("*")
    area = np.pi / 4 * usual["plunger_diameter_mm"] ** 2
    volume, x = np.pi / 6 * 5.0**3, 0.0
    for _ in range(200):
        press = force - usual["plunger_spring_force_N"] - usual["plunger_spring_rate_N_per_mm"] * x
        x = volume / area * (1 - (1.01325 / (1.01325 + 10 * press / area)) ** (1 / 1.125))
    gap = usual["rocker_ratio"] * x + usual["slack_mm"]
    assert dictionary.load_limits().find("lifter_gap", "*", dt.date(2026, 1, 1)).high == pytest.approx(
        gap, abs=0.006
    )


@pytest.mark.parametrize("limits", [TRADE, dictionary.load_limits()], ids=["manual", "no manual"])
@pytest.mark.parametrize(
    ("step", "changes"),
    [
        ("pressure_shown_turning", {"ventings__pressure_shown": False}),
        ("turned_backwards", {"ventings__turned_backwards": True}),
        ("tank_ran_low", {"ventings__tank_ran_low": True}),
        ("open_finding_at_release", {"lifter_checks__gap_mm": 0.9}),
    ],
)
def test_a_fact_is_listed_whatever_the_limits_and_never_within(limits, step, changes):
    table = check(one_venting(**changes), limits)
    verdict = table.set_index("step").loc[step, "verdict"]
    assert verdict == ("outside" if limits is TRADE else "fact")
    facts = conformity.list_facts(table)
    assert facts[["step", "venting_id"]].to_numpy().tolist() == [[step, "v"]]
    sound = conformity.list_facts(check(one_venting(), limits))
    assert sound.empty


def test_a_limit_that_allows_a_fact_does_not_make_it_within(tmp_path):
    own = tmp_path / "limits.toml"
    own.write_text(
        '[[limit]]\nstep = "turned_backwards"\nengine_type = "*"\nhigh = 1\nunit = "1"\nstatus = "manual"\n'
        'revision = "A"\nsource = "own"\neffective_from = 2026-01-01\n',
        "utf-8",
    )
    assert verdict("turned_backwards", dictionary.load_limits(own), ventings__turned_backwards=True) == "fact"


def test_what_has_no_limit_is_described():
    records = one_venting(ventings__turning_speed_rpm=15.0)
    table = conformity.describe_steps(check(records, dictionary.load_limits()))
    row = table.loc["turning_speed"]
    assert (row["recorded"], row["low"], row["middle"], row["high"]) == (1, 30.0, 30.0, 30.0)
    assert words.described(1, 30.0, 30.0, 30.0, 30.0, unit="rpm", yes_no=False) == "30 rpm (30 to 30)"
    assert words.described(4, 0.75, 0, 1, 1, unit="1", yes_no=True) == "yes in 3 of 4"


def test_return_flow_not_seen_stays_an_open_finding_without_a_limit():
    records = one_venting(starts__return_flow_seen=False)
    lifters = model.build_lifters(records)
    table = model.build_ventings(records, lifters=lifters)
    verdicts = conformity.check_steps(records, table, lifters)
    found = conformity.list_open_findings(verdicts, table, today=dt.date(2026, 8, 13))
    assert found["finding"].tolist() == ["Turbocharger's return flow seen"]


def test_a_filled_line_asks_for_no_pressure(manual):
    filled = {
        "ventings__lines_empty": False,
        "ventings__cooler_empty": False,
        "ventings__tank_overpressure_bar": 0.0,
    }
    assert verdict("tank_overpressure_when_empty", manual, **filled) == "no row"


def test_steps_that_do_not_apply_have_no_row():
    table = check(one_venting(engines__turbocharged=False, ventings__turned_by="starter"))
    assert not {"return_flow_seen", "return_flow_time", "turning_speed", "extra_run"} & set(table["step"])


def test_shut_down_without_pressure():
    gone = {
        "starts__pressure_shown": False,
        "starts__return_flow_time_s": None,
        "starts__return_flow_seen": None,
    }
    assert verdict("time_to_pressure", starts__time_to_pressure_s=6.0, **gone) == "outside"
    # Shut down at 3 s: nobody knows whether it would have shown by 5.
    assert verdict("time_to_pressure", starts__time_to_pressure_s=3.0, **gone) == "near_limit"


def test_return_flow_not_seen_until_then():
    assert (
        verdict("return_flow_time", starts__return_flow_seen=False, starts__return_flow_time_s=10.0)
        == "outside"
    )
    assert (
        verdict("return_flow_time", starts__return_flow_seen=False, starts__return_flow_time_s=8.0)
        == "near_limit"
    )


def test_a_light_press_without_finding_is_not_comparable_and_with_one_is_outside():
    assert (
        verdict("gap_at_last_check", lifter_checks__force_N=50.0, lifter_checks__gap_mm=0.1)
        == "not_comparable"
    )
    assert verdict("gap_at_last_check", lifter_checks__force_N=50.0, lifter_checks__gap_mm=0.8) == "outside"
    assert verdict("check_force", lifter_checks__force_N=50.0) == "outside"


@pytest.mark.parametrize(
    ("first", "second", "expected", "value", "note"),
    [
        (70.0, 50.0, "outside", 50.0, ""),
        (80.0, 70.0, "outside", 80.0, ""),
        (64.0, 70.0, "within", 64.0, ""),
        (None, 70.0, "within", 70.0, "1 of 2 lifters with a reading"),
        (None, 80.0, "outside", 80.0, "1 of 2 lifters with a reading"),
    ],
)
def test_the_reading_with_the_least_margin_speaks_for_a_check(first, second, expected, value, note):
    records = one_venting()
    records["lifter_checks"]["force_N"] = pd.array([first, second], dtype="Float64").to_numpy(
        float, na_value=np.nan
    )
    row = check(records).set_index("step").loc["check_force"]
    assert (row["verdict"], row["value"], row["note"]) == (expected, value, note)


def test_a_limit_open_on_one_side_is_judged_by_the_reading_next_to_it(tmp_path):
    own = tmp_path / "limits.toml"
    own.write_text(
        '[[limit]]\nstep = "check_hold"\nengine_type = "*"\nlow = 3\nreference = 3\nunit = "s"\nstatus = "manual"\n'
        'revision = "A"\nsource = "own"\neffective_from = 2026-01-01\n',
        "utf-8",
    )
    records = one_venting()
    records["lifter_checks"]["hold_s"] = [2.9, 10.0]
    row = check(records, dictionary.load_limits(own)).set_index("step").loc["check_hold"]
    assert (row["verdict"], row["value"]) == ("outside", 2.9)


def test_all_lifters_checked_counts_positions():
    records = one_venting()
    records["lifter_checks"] = records["lifter_checks"].iloc[:1]
    row = check(records).set_index("step").loc["all_lifters_checked"]
    assert (row["verdict"], row["value"], row["note"]) == ("outside", 0.5, "1 of 2")
    assert verdict("all_lifters_checked") == "within"
    records["lifter_checks"] = records["lifter_checks"].iloc[:0]
    assert check(records).set_index("step").loc["all_lifters_checked", "verdict"] == "not_recorded"


def with_extra_run(length, speed):
    records = one_venting(lifter_checks__gap_mm=0.8)
    again = records["starts"].assign(
        start_no=pd.array([2], dtype="Int64"), extra_run_s=length, extra_run_speed_rpm=speed
    )
    records["starts"] = pd.concat([records["starts"], again], ignore_index=True)
    return check(records).set_index("step")


@pytest.mark.parametrize(
    ("length", "speed", "length_verdict", "speed_verdict"),
    [
        (300.0, 3400.0, "within", "within"),
        (299.0, 3600.0, "outside", "within"),
        (301.0, 3601.0, "within", "outside"),
        (300.0, np.nan, "within", "not_recorded"),
        (300.0, 3399.0, "within", "outside"),
    ],
)
def test_extra_run(length, speed, length_verdict, speed_verdict):
    table = with_extra_run(length, speed)
    assert table.loc["extra_run", "verdict"] == length_verdict
    assert table.loc["extra_run_speed", "verdict"] == speed_verdict
    assert table.loc["extra_run_after_finding", "verdict"] == "within"
    assert table.loc["extra_run", "item"] == "start 2"


def test_a_finding_without_extra_run_is_outside():
    assert verdict("extra_run_after_finding", lifter_checks__gap_mm=0.8) == "outside"
    assert verdict("extra_run_after_finding") == "no row"


def test_a_limit_written_in_another_unit_gives_the_same_verdicts(tmp_path):
    own = tmp_path / "limits.toml"
    own.write_text(
        '[[limit]]\nstep = "lifter_gap"\nengine_type = "*"\nhigh = 0.01\nunit = "in"\nstatus = "manual"\n'
        'revision = "A"\nsource = "own"\neffective_from = 2026-01-01\n',
        "utf-8",
    )
    limits = dictionary.load_limits(own)
    row = check(one_venting(lifter_checks__gap_mm=0.3), limits).set_index("step").loc["gap_at_last_check"]
    assert (row["verdict"], row["status"], row["revision"]) == ("outside", "manual", "A")
    assert row["limit_high"] == pytest.approx(0.254)


def test_a_limit_in_a_unit_of_another_dimension_is_refused_with_file_and_row(tmp_path):
    own = tmp_path / "own.toml"
    own.write_text(
        '[[limit]]\nstep = "lifter_gap"\nengine_type = "*"\nhigh = 5\nunit = "s"\nstatus = "manual"\n'
        'revision = "A"\nsource = "own"\neffective_from = 2026-01-01\n',
        "utf-8",
    )
    with pytest.raises(dictionary.TableError, match=r"own.toml: row 1 \(lifter_gap, \*\): s is a time"):
        dictionary.load_limits(own)


def test_the_limit_in_force_is_that_of_the_day():
    manual = dictionary.load_limits(dictionary.DATA / "demo_limits.toml")
    early = check(
        one_venting(ventings__date="2025-06-30", ventings__pressurised_before_turning_s=60.0), manual
    )
    late = check(
        one_venting(ventings__date="2025-07-01", ventings__pressurised_before_turning_s=60.0), manual
    )
    step = "pressurised_before_turning"
    assert early.set_index("step").loc[step, ["verdict", "revision"]].tolist() == [
        "within",
        "DM-1 revision 2",
    ]
    assert late.set_index("step").loc[step, ["verdict", "revision"]].tolist() == [
        "outside",
        "DM-1 revision 3",
    ]


def test_a_trusted_trace_speaks_before_the_record():
    records = one_venting(starts__first_hold_s=60.0)
    lifters = model.build_lifters(records)
    table = model.build_ventings(records, lifters=lifters)
    table = table.assign(trace_seconds_first_hold=125.0, trace_ok_speed=True)
    row = conformity.check_steps(records, table, lifters, limits=TRADE).set_index("step").loc["first_hold"]
    assert (row["verdict"], row["value"], row["source"]) == ("within", 125.0, "trace")
    table = table.assign(trace_ok_speed=False)
    row = conformity.check_steps(records, table, lifters, limits=TRADE).set_index("step").loc["first_hold"]
    assert (row["verdict"], row["value"], row["source"]) == ("outside", 60.0, "record")


def test_frame_has_a_fixed_shape_also_when_empty(tables):
    whole = check(tables)
    assert tuple(whole.columns) == conformity.REPORT_COLUMNS
    assert set(whole["verdict"]) <= set(conformity.VERDICTS)
    none = {name: frame.iloc[:0] for name, frame in tables.items()}
    empty = check(none)
    assert tuple(empty.columns) == conformity.REPORT_COLUMNS and empty.empty


def test_every_venting_has_the_steps_that_always_apply(tables):
    table = check(tables)
    for step in (
        "plugs_removed",
        "rotations_max",
        "time_to_pressure",
        "all_lifters_checked",
        "gap_at_last_check",
    ):
        assert (table["step"] == step).sum() == len(tables["ventings"]), step


def test_margins_have_the_sign_of_the_verdict(tables):
    table = check(tables)
    exact = table[table["verdict"].isin(["within", "outside"]) & table["margin"].notna()]
    assert (exact.loc[exact["verdict"] == "within", "margin"] >= 0).all()
    assert (exact.loc[exact["verdict"] == "outside", "margin"] <= 0).all()


def test_summary_counts_every_row_once(tables):
    table = check(tables)
    summary = conformity.summarise_steps(table, by=["site"])
    assert summary["rows"].sum() == len(table)
    kinds = list(conformity.VERDICTS)
    assert (summary[kinds].sum(axis=1) == summary["rows"]).all()
    assert set(summary["status"]) <= {"manual", ""}


def test_not_recorded_is_listed_most_often_first(tables):
    shares = conformity.count_not_recorded(check(tables))["share"]
    assert shares.is_monotonic_decreasing and shares.iloc[0] > 0


def test_off_procedure_looks_at_actions_before_the_check_only():
    def off_procedure(**changes):
        records = one_venting(**changes)
        lifters = model.build_lifters(records, limits=TRADE)
        jobs = model.build_ventings(records, limits=TRADE, lifters=lifters)
        gathered = conformity.gather_readings(records, jobs, lifters, limits=TRADE)
        judged = conformity.judge_steps(gathered, jobs, limits=TRADE)
        return conformity.sum_ventings(judged, jobs)["off_procedure"].tolist()

    assert off_procedure() == [False]
    assert off_procedure(starts__time_to_pressure_s=9.0, lifter_checks__gap_mm=0.9) == [False]
    assert off_procedure(starts__first_hold_s=60.0) == [True]
    assert off_procedure(starts__first_hold_s=None) == [pd.NA]


def test_open_findings_are_those_of_an_engines_latest_venting(manual):
    records = one_venting(lifter_checks__gap_mm=0.8)
    lifters = model.build_lifters(records, limits=manual)
    table = model.build_ventings(records, limits=manual, lifters=lifters)
    verdicts = conformity.check_steps(records, table, lifters, limits=manual)
    found = conformity.list_open_findings(verdicts, table, today=dt.date(2026, 8, 13))
    assert found[["venting_id", "value", "days"]].to_numpy().tolist() == [["v", 0.8, 10]]
    later = table.assign(venting_id="w", date=table["date"] + pd.Timedelta(days=5))
    both = pd.concat([table, later], ignore_index=True)
    assert conformity.list_open_findings(verdicts, both, today=dt.date(2026, 8, 13)).empty


def test_a_wrong_row_of_the_step_table_names_file_and_row(tmp_path):
    path = tmp_path / "steps.toml"
    path.write_text(
        '[[step]]\nname = "x"\nlimit = "x"\ntitle = "X"\nunit = "s"\ntext = "t"\nkind = "guess"\nbefore = true\n',
        "utf-8",
    )
    with pytest.raises(
        dictionary.TableError,
        match=r"steps.toml: step 1 \(x\): kind must be one of action, outcome; got 'guess'",
    ):
        read_steps(path)


def test_steps_hang_on_known_limits(manual):
    assert {step.limit for step in conformity.load_steps().values()} <= set(manual.steps)


# --- the report -----------------------------------------------------------------------------------------------
SECTIONS = (
    "answer", "within_share", "by_step", "by_site", "by_period", "not_recorded", "open_findings", "with_spongy",
    "all_steps",
)  # fmt: skip
RELEASE_WORDS = (
    "released",
    "release to",
    "airworthy",
    "serviceable",
    "fit to",
    "fit for",
    "safe",
    "passed",
    "approved",
)


def run_report(store, **parameters):
    page = reports.open_page("conformity", {"store": str(store), **parameters})
    shown = {name: getattr(report, name)(page).text for name in SECTIONS}
    return page, shown


@pytest.fixture(scope="module")
def on_demo(demo_store):
    return run_report(demo_store)


@pytest.fixture(scope="module")
def on_placeholders(demo_store, tmp_path_factory):
    """The demo's store away from its limits file: every limit is a placeholder then."""
    folder = tmp_path_factory.mktemp("bare") / "store"
    shutil.copytree(demo_store, folder)
    return run_report(folder)


def test_numbers_of_the_report_come_from_the_verdicts(on_demo):
    page, shown = on_demo
    verdicts = page.frame("conformity")
    judged = verdicts["verdict"].isin(conformity.JUDGED)
    whole = next(f for f in page.findings if f["id"] == "steps_within_share" and not f["group"])
    assert whole["n"] == judged.sum()
    assert whole["estimate"] == pytest.approx((verdicts["verdict"] == "within").sum() / judged.sum())
    assert whole["low"] < whole["estimate"] < whole["high"]
    assert f"{(verdicts['verdict'] == 'within').sum()} of {judged.sum()} recorded steps" in shown["answer"]
    sites = [f for f in page.findings if f["id"] == "steps_within_share" and f["group"]]
    assert sum(f["n"] for f in sites) == whole["n"]
    assert {"venting_id", "step", "value", "limit", "verdict", "source"} <= set(verdicts)


def test_the_demos_planted_habit_is_what_is_most_often_outside(on_demo):
    page, shown = on_demo
    assert "Most often outside: pressure on the tank, line or cooler empty" in shown["answer"]
    verdicts = page.frame("conformity")
    tank = verdicts[(verdicts["step"] == "tank_overpressure_when_empty") & (verdicts["verdict"] == "outside")]
    assert tank["site"].mode().tolist() == ["Plain"]


def test_manual_and_revision_are_named(on_demo):
    _, shown = on_demo
    assert "Held against the manual's limits (DM-1 revision 3)" in shown["within_share"]
    assert "placeholder" not in shown["answer"]


def test_facts_are_listed_with_and_without_a_manual(on_placeholders, on_demo):
    tables = [page.frame("facts") for page, _ in (on_placeholders, on_demo)]
    for table, (_, shown) in zip(tables, (on_placeholders, on_demo), strict=True):
        assert "Facts on record that need no limit: " in shown["answer"]
        assert len(table) and set(table["step"]) <= {
            s.name for s in conformity.load_steps().values() if s.fact
        }
    yes_no = [table[table["step"] != "open_finding_at_release"] for table in tables]
    assert yes_no[0]["venting_id"].tolist() == yes_no[1]["venting_id"].tolist()


def test_a_placeholder_is_named_and_nothing_reads_like_a_release(on_placeholders, on_demo):
    page, shown = on_placeholders
    assert "Held against placeholder limits" in shown["within_share"]
    assert "Held against placeholder limits" in shown["answer"]
    assert "placeholder limit" in shown["all_steps"]
    assert "No limit entered for: 22 steps (in the table of steps)" in shown["answer"]
    assert "described, not judged" in shown["answer"]
    for _, texts in (on_placeholders, on_demo):
        for name, text in texts.items():
            found = [word for word in RELEASE_WORDS if word in text.lower()]
            assert not found, f"{name}: {found}"
    assert set(page.frame("conformity")["verdict_text"]) <= {
        "within a placeholder limit", "outside a placeholder limit", "too near a placeholder limit to tell",
        "not comparable with a placeholder limit", "not recorded", "no limit entered", "a fact that needs no limit",
    }  # fmt: skip


def test_one_engine_is_enough_to_run_and_too_little_to_compare(demo_store, on_demo):
    engine = on_demo[0].jobs["engine_id"].iloc[0]
    page, shown = run_report(demo_store, engine=engine)
    assert "too little to compare" in shown["with_spongy"] or "Not known" in shown["with_spongy"]
    finding = next(f for f in page.findings if f["id"] == "off_procedure_effect")
    assert (finding["estimate"], finding["state"]) == (None, "too_few")


@pytest.mark.parametrize(
    ("value", "unit", "yes_no", "expected"),
    [(1.0, "1", True, "yes"), (0.0, "1", True, "no"), (np.nan, "s", False, ""), (2410.0, "rpm", False, "2410 rpm"), (0.5, "1", False, "0.5")],
)  # fmt: skip
def test_readings_in_words(value, unit, yes_no, expected):
    assert words.reading(value, unit, yes_no) == expected


@pytest.mark.parametrize(
    ("low", "high", "unit", "yes_no", "expected"),
    [
        (np.nan, 5.0, "s", False, "at most 5 s"),
        (63.0, 77.0, "N", False, "63 to 77 N"),
        (50.0, np.nan, "degC", False, "at least 50 °C"),
        (1.0, np.nan, "1", True, "yes"),
        (np.nan, 0.0, "1", True, "no"),
        (np.nan, np.nan, "s", False, ""),
    ],
)
def test_limits_in_words(low, high, unit, yes_no, expected):
    assert words.limit(low, high, unit, yes_no) == expected


def test_odds_of_a_lifter_as_ventings_in_a_hundred():
    """Worked the long way: eight lifters of like chance, the odds of each divided, and the venting's chance from them."""
    share, times, lifters = 0.305, 2.8, 8
    with_it = 1 - (1 - share) ** (1 / lifters)
    odds = with_it / (1 - with_it) / times
    without = 1 - (1 - odds / (1 + odds)) ** lifters
    found = words.more_failing(times, share=share, with_it=True)
    assert found == pytest.approx(100 * (share - without), abs=0.6)
    assert words.more_failing(times, share=without, with_it=False) == pytest.approx(found, abs=0.6)
    said = words.goes_with_spongy(
        off_failing=50,
        off=164,
        by_book_failing=14,
        by_book=158,
        effect=(2.8, 1.3, 6.1),
        level=0.95,
        matters=1.5,
    )
    assert "in 100 such ventings about 18 more with a spongy lifter (plausible range 6 to 25, 95 %)" in said


@pytest.mark.parametrize(
    ("effect", "part"),
    [
        ((3.0, 1.4, 6.0), "point to a link"),
        ((0.3, 0.1, 0.8), "Fewer, not more"),
        ((1.0, 0.8, 1.3), "that would matter (odds of a lifter 1.5 times as high) is not in that range"),
        ((1.2, 0.5, 3.0), "can't tell a link that would matter from none"),
        (None, "too little to compare (few)"),
    ],
)
def test_link_with_spongy_lifters_in_words(effect, part):
    text = words.goes_with_spongy(
        off_failing=3,
        off=10,
        by_book_failing=2,
        by_book=20,
        effect=effect,
        level=0.95,
        matters=1.5,
        other="few",
    )
    assert part in text and text.startswith("3 of 10 ventings with a step outside")


@pytest.mark.parametrize(
    ("engines", "open_jobs", "closed_jobs", "known", "unknown", "placeholder", "expected"),
    [
        (0, 0, 0, 0, 1, False, "What is open at the latest venting on record is not known: 1 engine has no usable lifter check there."),
        (0, 0, 0, 9, 0, True, "With a lifter over a placeholder limit or without return flow at the latest venting on record: 0 of 9 engines."),
        (1, 0, 1, 9, 2, False, "With a lifter over the limit or without return flow at the latest venting on record: 1 of 9 engines (that job was closed with it); 2 engines have no usable lifter check there."),
        (3, 1, 2, 9, 0, False, "With a lifter over the limit or without return flow at the latest venting on record: 3 of 9 engines (1 of these jobs is not closed)."),
        (1, 0, 0, 9, 0, False, "With a lifter over the limit or without return flow at the latest venting on record: 1 of 9 engines."),
        (2, 0, 0, 9, 0, False, "With a lifter over the limit or without return flow at the latest venting on record: 2 of 9 engines."),
    ],
)  # fmt: skip
def test_open_findings_in_words(engines, open_jobs, closed_jobs, known, unknown, placeholder, expected):
    got = words.open_findings(
        engines,
        open_jobs=open_jobs,
        closed_jobs=closed_jobs,
        known=known,
        unknown=unknown,
        placeholder=placeholder,
    )
    assert got == expected


def test_under_five_ventings_cases_are_counted_and_no_share_is_given(demo_store, on_demo):
    engine = on_demo[0].jobs["engine_id"].iloc[0]
    page, shown = run_report(demo_store, engine=engine)
    whole = page.findings[0]
    assert (whole["id"], whole["estimate"], whole["state"], whole["tier"]) == (
        "steps_within_share",
        None,
        "too_few",
        "list",
    )
    assert "that is too little for a share" in shown["answer"] and "%" not in shown["answer"]
