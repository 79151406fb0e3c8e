"""The invented fleet: shape of the records, planted causes, and what is handed in."""

import csv
import datetime as dt
import json
import math
from collections import Counter
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from check_values import TRADE
from ventbook import demo, model, tables
from ventbook.demo import checks as causes
from ventbook.demo import settings
from ventbook.demo.deliveries import list_cells, plan_deliveries
from ventbook.demo.fleet import US_COLUMNS, US_READING
from ventbook.demo.settings import hand_in_day, list_quarters, manual_value, quarter_bounds
from ventbook.physics import gauge, oil, priming
from ventbook.records import intake, store, trials
from ventbook.statistics import causes as contexts
from ventbook.statistics import trends
from ventbook.tables import units

GAP_LIMIT_MM = manual_value("lifter_gap", "high")


@pytest.fixture(scope="module")
def fleet():
    return demo.simulate_fleet()


@pytest.fixture(scope="module")
def small():
    return demo.simulate_fleet(ventings=60, seed=4, traces=False)


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo")
    return folder, demo.write_demo(folder)


def first_checks(fleet):
    checks = fleet.lifter_checks[fleet.lifter_checks["check_no"] == 1]
    over = (checks["gap_mm"] > GAP_LIMIT_MM).groupby(checks["venting_id"]).any().rename("failing")
    return fleet.ventings.join(over, on="venting_id", how="inner")


def test_tables_have_the_dictionarys_columns_types_and_keys(fleet):
    for name, frame in fleet.tables().items():
        table = tables.record_tables()[name]
        assert list(frame.columns) == [c.stored for c in table.columns], name
        assert [str(t) for t in frame.dtypes] == [c.dtype for c in table.columns], name
        assert not frame.duplicated(list(table.key)).any(), name
        for column in table.columns:
            if column.required:
                assert frame[column.stored].notna().all(), f"{name}.{column.stored}"
            if column.codes:
                assert set(frame[column.stored].dropna()) <= set(column.codes), f"{name}.{column.stored}"


def test_sizes_are_as_asked_and_as_agreed(fleet):
    assert len(fleet.ventings) == 600
    assert len(fleet.samples) < 300_000
    assert set(fleet.samples["start_no"]) == {0, 1}
    assert fleet.ventings["site"].nunique() == 4
    per_engine = 600 / fleet.ventings["engine_id"].nunique()
    assert 1.5 < per_engine < 3


def test_every_record_belongs_to_something(fleet):
    assert set(fleet.ventings["engine_id"]) <= set(fleet.engines["engine_id"])
    for name in ("starts", "lifter_checks", "samples"):
        assert set(getattr(fleet, name)["venting_id"]) <= set(fleet.ventings["venting_id"]), name


def test_numbers_lie_in_the_dictionarys_ranges(fleet):
    for name, frame in fleet.tables().items():
        for column in tables.record_tables()[name].columns:
            if column.kind in ("quantity", "number", "integer"):
                values = frame[column.stored].dropna().astype(float)
                low = -math.inf if column.low is None else float(column.low)
                high = math.inf if column.high is None else float(column.high)
                assert values.between(low, high).all(), f"{name}.{column.stored}"


def test_the_same_seed_gives_the_same_fleet_and_another_one_another(small):
    again = demo.simulate_fleet(ventings=60, seed=4, traces=False)
    for name, frame in small.tables().items():
        pd.testing.assert_frame_equal(frame, again.tables()[name])
    other = demo.simulate_fleet(ventings=60, seed=5, traces=False)
    assert not small.ventings["rotations"].equals(other.ventings["rotations"])


def test_wrong_arguments_name_what_is_allowed():
    with pytest.raises(ValueError, match="ventings must be 10 or more; got 3"):
        demo.simulate_fleet(ventings=3)
    with pytest.raises(ValueError, match=r"plant must be among .*leaking_lot.*; got 'gremlins'"):
        demo.simulate_fleet(ventings=20, plant=["gremlins"])
    with pytest.raises(ValueError, match="list of names, got the text 'leaking_lot'"):
        demo.simulate_fleet(ventings=20, plant="leaking_lot")


# --- physics --------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("overpressure", "cooler", "expected"),
    # Worked by hand: 1.5 m of 10 mm line, 7 cm3 a rotation, efficiencies .60 and .85, 150 cm3 behind the pump, oil
    # 0.2 m under the pump, 15W-50 at 20 degC, 0.5 rotations a second.
    [(0.0, 0.0, 55), (0.5, 0.0, 45), (1.0, 0.0, 40), (0.0, 0.25, 118), (0.5, 0.25, 86)],
)
def test_rotations_as_worked_by_hand(overpressure, cooler, expected):
    got = settings.rotations_to_pressure(
        line_L=math.pi / 4 * 10**2 * 1.5 * 1e-3,
        cooler_L=cooler,
        behind_pump_L=0.150,
        displacement_cm3=7,
        air_efficiency=0.60,
        oil_efficiency=0.85,
        ambient_Pa=101325,
        overpressure_bar=overpressure,
        head_m=-0.2,
        line_length_m=1.5,
        line_bore_mm=10,
        viscosity_mm2_s=settings.kinematic_viscosity(20, 135, 18.5),
        speed_rpm=30,
    )
    assert got == pytest.approx(expected, abs=0.8)


@pytest.mark.parametrize(
    ("overpressure", "head", "let_through", "seconds", "expected"),
    [
        # Worked by hand for 500 cm3 of air, 8 cm3 a rotation, .60 on air, half a rotation a second, 80 cm3 to fill at 1.0, ambient 1 bar.
        (0.0, 0.0, 1.0, 200, 500 / 4.8 + 10),  # without a pressure across it nothing passes
        (0.5, 0.0, 0.0, 200, 500 / 4.8 / 1.5 + 10),  # a sealed pump: the air is squeezed
        # Standing: 0.1 x 8 x .5 x 1.5 = .6 cm3 a second; turning: (.6 + .1 x .5 / .5) 8 = 5.6 cm3 a rotation.
        (0.5, 0.0, 0.1, 200, (500 - 0.6 * 200) / 5.6 / 1.5 + 10),
        (0.5, 0.0, 0.1, 900, 10),  # long enough: line and cooler are full before the first rotation
        # Lifting .05 bar: (.6 - 1 x .05 / .5) 8 = 4 cm3 a rotation; at .35 of .6 it stalls with 6 displacements a second and bar.
        (0.0, -0.5 / 0.87 / 9.80665 * 10, 1.0, 0, 500 / 4.0 / 0.95 + 10),
        (0.0, -0.5 / 0.87 / 9.80665 * 10, 6.1, 0, math.inf),
    ],
)
def test_pump_that_lets_air_through_by_hand(overpressure, head, let_through, seconds, expected):
    got = settings.rotations_to_pressure(
        line_L=0.2, cooler_L=0.3, behind_pump_L=0.08, displacement_cm3=8, air_efficiency=0.60, oil_efficiency=1.0,
        ambient_Pa=1e5, overpressure_bar=overpressure, head_m=head, line_length_m=1.0, line_bore_mm=1e4,
        viscosity_mm2_s=100, speed_rpm=30, let_through=let_through, under_pressure_s=seconds,
    )  # fmt: skip
    assert got == pytest.approx(expected, rel=1e-6)


def test_half_of_the_engines_have_a_pump_that_lets_air_through(fleet):
    """Under tank pressure their jobs with air on the suction side need fewer rotations; everything else is as with sealed pumps."""
    letting = fleet.ventings["engine_id"].isin(fleet.truth["let_through"])
    assert 0.4 < len(fleet.truth["let_through"]) / len(fleet.engines) < 0.6
    table = fleet.ventings.merge(fleet.engines, on="engine_id", validate="m:1")
    truth = table["venting_id"].map(fleet.truth["ventings"].set_index("venting_id")["rotations_crank"])
    air = (table["lines_empty"].fillna(False) | table["cooler_empty"].fillna(False)).astype(bool)
    ratio = np.log(
        truth
        / priming.expected_rotations(table.assign(pressurised_before_turning_s=0.0))["expected_rotations"]
    )
    pressed = table["tank_overpressure_bar"].gt(0) & air & table["pump_wetted"].eq(False).fillna(False)
    assert ratio[pressed & letting].median() < ratio[pressed & ~letting].median() - 0.2
    loose = table["tank_overpressure_bar"].eq(0) & air & table["tank_head_m"].gt(0)
    assert abs(ratio[loose & letting].median() - ratio[loose & ~letting].median()) < 0.1


def test_galleries_and_pump_are_asked_for_since_the_third_form(fleet):
    asked = fleet.ventings["date"] >= pd.Timestamp("2025-04-01")
    for name in ("gallery_drained", "pump_wetted"):
        assert fleet.ventings.loc[~asked, name].isna().all()
        assert fleet.ventings.loc[asked, name].isna().mean() < 0.15


def test_gap_as_worked_by_hand():
    # 12 mm plunger, 70 N, spring 20 N and 1.5 N/mm, rocker ratio 1.4: 50 mm3 of free air give 0.50 mm (isothermal).
    gap = settings.gap_under_force(
        np.array([50.0, 0.0, 5000.0]),
        np.array([0.0, 100.0, 0.0]),
        force_N=70,
        time_s=3,
        plunger_diameter_mm=12,
        spring_force_N=20,
        spring_rate_N_per_mm=1.5,
        travel_mm=2.0,
        rocker_ratio=1.4,
        slack_mm=np.zeros(3),
        ambient_Pa=101325,
        air_index=1.0,
        reference_force_N=70,
    )
    assert gap[0] == pytest.approx(0.50, abs=0.005)
    assert gap[1] == pytest.approx(1.4 * 0.3)
    assert gap[2] == pytest.approx(1.4 * 2.0)


def test_what_was_written_for_the_fleet_agrees_with_the_librarys_physics(fleet):
    """Two independent writings of the same equations: half of the ventings of sealed pumps with drained galleries within 10 %, no shift at any site."""
    assert settings.ambient_pressure(1180) / 1e5 == pytest.approx(
        float(oil.ambient_pressure_bar(1180.0)), rel=1e-4
    )
    table = fleet.ventings.merge(fleet.engines, on="engine_id", validate="m:1")
    counts = model.build_ventings(fleet.tables() | {"start_features": None})
    of_the_demo = {"air_efficiency": 0.60, "oil_efficiency": 0.85, "unsealed": 0.0, "slip": 0.0}
    constants = priming.fit_constants(counts, fixed=of_the_demo)
    expected = priming.expected_rotations(table, constants=constants)["expected_rotations"]
    truth = fleet.truth["ventings"].set_index("venting_id")["rotations_crank"]
    log_ratio = np.log(table["venting_id"].map(truth) / expected)
    sealed = ~table["engine_id"].isin(fleet.truth["let_through"]) & table["gallery_drained"].fillna(
        False
    ).astype(bool)
    log_ratio, table = log_ratio[sealed], table[sealed]
    assert len(table) > 100
    assert abs(log_ratio.median()) < 0.02
    assert log_ratio.abs().median() < 0.10
    assert log_ratio.groupby(table["site"]).median().abs().max() < 0.05


# --- what is planted ------------------------------------------------------------------------------------------
def test_about_one_venting_in_six_fails(fleet):
    assert 0.12 <= first_checks(fleet)["failing"].mean() <= 0.20


def test_plain_seldom_pressurises_an_empty_cooler_and_pays_for_it(fleet):
    ventings = first_checks(fleet)
    empty = ventings[ventings["cooler_empty"].fillna(False).astype(bool)]
    pressed = empty["tank_overpressure_bar"] > 0
    assert pressed[empty["site"] == "Plain"].mean() < 0.25
    assert pressed[empty["site"] != "Plain"].mean() > 0.75
    bad = empty[(empty["tank_overpressure_bar"] == 0)]["failing"].mean()
    assert bad > 3 * empty[pressed & (empty["site"] != "Ridge")]["failing"].mean()


def test_pressurising_is_confounded_by_indication(fleet):
    ventings = first_checks(fleet)
    pressed = (ventings["tank_overpressure_bar"] > 0).astype(float)
    by_lines = pressed.groupby(ventings["lines_empty"].astype("object")).mean()
    assert by_lines[True] > by_lines[False] + 0.3


def test_the_planted_lot_leaks_and_an_innocent_fleet_has_none(fleet):
    lifters = fleet.truth["lifters"].merge(fleet.ventings[["venting_id", "lifter_lot"]], on="venting_id")
    leaking = lifters[lifters["cause"].isin(["leak_down", "both"])]
    assert len(leaking) > 20
    assert set(leaking["lifter_lot"].dropna()) == {"LL-2505"}
    innocent = demo.simulate_fleet(ventings=300, plant=[], traces=False)
    assert not innocent.truth["lifters"]["cause"].isin(["leak_down", "both"]).any()
    assert innocent.truth["planted"] == {}


def test_the_high_gauge_reads_high_in_study_and_service(fleet):
    planted = fleet.truth["planted"]["high_gauge"]["bias_mm"]
    readings = fleet.gauge_readings
    bias = (readings["gap_mm"] - readings["reference_gap_mm"]).groupby(readings["gauge"]).mean()
    assert bias["HG-3"] == pytest.approx(planted, abs=0.015)
    assert bias["HG-1"] == pytest.approx(0.0, abs=0.015)
    typical = fleet.lifter_checks.groupby("gauge")["gap_mm"].median()
    assert typical["HG-3"] - typical["HG-1"] == pytest.approx(planted, abs=0.03)


def test_ridge_gets_worse(fleet):
    ventings = first_checks(fleet)
    ridge = ventings[ventings["site"] == "Ridge"]
    late = ridge["date"] >= pd.Timestamp(2025, 10, 1)
    assert ridge.loc[late, "failing"].mean() > ridge.loc[~late, "failing"].mean() + 0.1


def test_lake_heaps_its_counts_and_harbour_does_not(fleet):
    tens = (fleet.ventings["rotations"] % 10 == 0).groupby(fleet.ventings["site"]).mean()
    assert tens["Lake"] > 0.7
    assert tens["Harbour"] < 0.2


def test_traces_agree_with_the_records(fleet):
    samples = fleet.samples[fleet.samples["start_no"] == 1]
    truth = fleet.truth["ventings"].set_index("venting_id")
    threshold = fleet.ventings.set_index("venting_id")["pressure_threshold_bar"]
    checked = 0
    for venting_id, trace in samples.groupby("venting_id"):
        if math.isnan(threshold[venting_id]) or truth.loc[venting_id, "time_to_pressure_s"] > 8:
            continue
        start = trace.loc[trace["speed_rpm"] >= 300, "t_s"].iloc[0]
        shown = trace.loc[trace["oil_pressure_bar"] >= threshold[venting_id], "t_s"].iloc[0]
        step = np.diff(trace["t_s"])[0]
        assert abs(shown - start - truth.loc[venting_id, "time_to_pressure_s"]) <= step + 0.01
        checked += 1
    assert checked > 40


# --- what is handed in ----------------------------------------------------------------------------------------
def test_us_readings_are_exact_in_both_units(fleet):
    own = fleet.ventings["site"] == "Plain"
    for stored in US_COLUMNS["ventings"]:
        unit, decimals = US_READING[tables.record_tables()["ventings"].column(stored).unit]
        values = fleet.ventings.loc[own, stored].dropna().to_numpy()
        canonical = tables.record_tables()["ventings"].column(stored).unit
        written = np.array([float(f"{v:.{decimals}f}") for v in units.convert(values, canonical, unit)])
        back = np.rint(units.convert(written, unit, canonical) * 1e9) / 1e9
        assert np.array_equal(back, values), stored


def test_deliveries_end_with_the_fleets_rows(fleet):
    """Later rows of a key replace earlier ones; rows with an error and what contradicts itself are held."""
    plan = plan_deliveries(fleet, seed=1)
    site_of = dict(zip(fleet.ventings["venting_id"], fleet.ventings["site"], strict=True))
    for name in ("engines", "ventings", "starts", "lifter_checks", "gauge_readings"):
        key = [c.stored for c in tables.record_tables()[name].columns if c.key]
        standing = {}
        for row in sorted(plan.all_rows(), key=lambda r: r.quarter):
            if row.table == name and row.note != "error":
                standing[tuple(row.cells[k] for k in key)] = row.cells
        expected = list_cells(getattr(fleet, name), name, site_of)
        assert standing == {tuple(c[k] for k in key): c for c in expected}, name


def test_nothing_is_handed_in_before_it_happened_or_without_its_engine(fleet):
    plan = plan_deliveries(fleet, seed=1)
    engines, ventings = {}, {}
    for row in sorted(plan.all_rows(), key=lambda r: r.quarter):
        if row.table == "engines":
            engines[row.cells["engine_id"]] = row.quarter
    for row in sorted(plan.all_rows(), key=lambda r: r.quarter):
        if row.note == "error":
            continue
        if row.table == "ventings":
            ventings[row.cells["venting_id"]] = min(row.quarter, ventings.get(row.cells["venting_id"], "9"))
            assert engines[row.cells["engine_id"]] <= row.quarter
            assert row.cells["date"] < quarter_bounds(row.quarter)[1].isoformat()
            assert row.cells["closed"] <= hand_in_day(row.quarter).isoformat()
    for row in plan.all_rows():
        if row.table in ("starts", "lifter_checks") and row.note != "error":
            assert ventings[row.cells["venting_id"]] <= row.quarter


def test_clean_files_carry_units_and_truth_names_every_error(written):
    folder, deliveries = written
    assert [path.name for path in deliveries] == list_quarters()
    with (folder / "2024Q4" / "lifter_checks_Plain.csv").open(encoding="utf-8", newline="") as file:
        header = next(csv.reader(file))
    assert "gap [in]" in header and "force [lbf]" in header
    truth = json.loads((folder / "truth.json").read_text("utf-8"))
    assert set(truth["planted"]) == {"tank_not_pressurised", "leaking_lot", "high_gauge", "worsening_site"}
    assert truth["accepted"]["ventings"] == 600
    assert Counter(error["kind"] for error in truth["errors"])["orphan start"] == 1
    for error in truth["errors"]:
        with (folder / error["file"]).open(encoding="utf-8", newline="") as file:
            rows = list(csv.reader(file))
        key = list(error["key"].values())
        assert all(part in rows[error["line"] - 1] for part in key), error


def test_the_limits_file_is_a_manual_of_its_own(written):
    limits = tables.load_limits(written[0] / "limits.toml")
    found = limits.find("lifter_gap", "flat6", quarter_bounds("2026Q3")[0])
    assert found is not None and found.status == "manual" and found.revision == "DM-1 revision 3"
    assert all(row.status == "placeholder" for row in tables.load_limits().rows)
    manual = {row.step for row in limits.rows if row.status == "manual"}
    assert set(tables.load_limits().steps) <= manual


def test_the_trial_is_drawn_among_the_ventings_as_they_are_and_does_nothing(written, fleet):
    folder, _ = written
    trial = trials.read_trial(folder / "store", "standing-oil")
    ventings = fleet.ventings.set_index("engine_id")
    assert len(trial.log) > 60 and {d.arm for d in trial.log} == set(trials.ARMS)
    for draw in trial.log:
        own = ventings.loc[[draw.engine_id]]
        own = own[own["date"].ge("2026-01-01") & own["site"].eq("Harbour")]
        assert str(own["date"].min().date()) == draw.day
    assert trial.plan.question.startswith("Invented: ")
    assert fleet.ventings.reindex(columns=["trial", "trial_arm"]).isna().all(axis=None)
    assert (
        json.loads((folder / "truth.json").read_text("utf-8"))["trial"]["text"] == "the change does nothing"
    )


def test_a_folder_that_holds_something_else_is_left_alone(tmp_path):
    (tmp_path / "2025Q1").mkdir()
    with pytest.raises(FileExistsError, match="holds no demo; name an empty folder"):
        demo.write_demo(tmp_path, ventings=20)


def test_writing_twice_gives_the_same_bytes(tmp_path):
    first = {}
    for turn in ("a", "b"):
        demo.write_demo(tmp_path / turn, ventings=30, messy=True)
        files = {
            p.relative_to(tmp_path / turn): p.read_bytes()
            for p in (tmp_path / turn).rglob("*")
            if p.is_file()
        }
        first = first or files
        assert files.keys() == first.keys()
    assert [str(name) for name in files if files[name] != first[name]] == []


def test_messy_hands_in_the_same_rows_and_more_errors(small):
    clean, messy = plan_deliveries(small, seed=2), plan_deliveries(small, seed=2, messy=True)
    good = [row.cells for row in clean.all_rows() if row.note != "error"]
    assert good == [row.cells for row in messy.all_rows() if row.note != "error"]


@pytest.fixture(scope="module")
def stores(tmp_path_factory):
    """The clean and the messy demo taken in, delivery by delivery: {messy: (snapshot, truth)}."""
    found = {}
    for messy in (False, True):
        folder = tmp_path_factory.mktemp("messy" if messy else "clean")
        deliveries = demo.write_demo(folder, ventings=240, messy=messy, traces=False)
        store.create_store(folder / "store")
        mapping = folder / "mapping.toml" if messy else None
        for path in deliveries:
            files = sorted(path.iterdir())
            intake.ingest(files, store=folder / "store", mapping=mapping, today=hand_in_day(path.name))
        truth = json.loads((folder / "truth.json").read_text("utf-8"))
        found[messy] = (store.open_store(folder / "store").snapshot(), truth)
    return found


def read_sorted(snapshot, name):
    frame = snapshot.read(name)
    # Codes of people are keyed afresh in every store.
    frame = frame.drop(columns=[c for c in ("technician", "remarks") if c in frame])
    return frame.sort_values(list(frame.columns), ignore_index=True)


def test_both_demos_come_to_the_fleets_rows_to_the_last_digit(stores):
    fleet = demo.simulate_fleet(ventings=240, traces=False)
    for name, frame in fleet.tables().items():
        expected = frame.drop(columns=[c for c in ("technician", "remarks") if c in frame])
        expected = expected.sort_values(list(expected.columns), ignore_index=True)
        for messy, (snapshot, _) in stores.items():
            got = read_sorted(snapshot, name)
            pd.testing.assert_frame_equal(
                got[list(expected.columns)], expected, check_exact=True, obj=f"{name} {messy}"
            )


@pytest.mark.parametrize("messy", [False, True])
def test_every_planted_error_is_found_with_its_code(stores, messy):
    snapshot, truth = stores[messy]
    issues = snapshot.read("issues")
    assert len(truth["errors"]) >= (28 if messy else 18)
    for error in truth["errors"]:
        assert error["code"] in tables.issue_texts()
        where = issues["file"] == error["file"].rpartition("/")[2]
        if error["line"] is not None:
            where &= issues["line"] == error["line"]
        if error["sheet"]:
            where &= issues["sheet"] == error["sheet"]
        assert error["code"] in set(issues.loc[where, "code"]), error


@pytest.mark.parametrize("messy", [False, True])
def test_what_nobody_corrected_is_quarantined_still_and_nothing_else(stores, messy):
    snapshot, truth = stores[messy]
    held = {error["code"] for error in truth["errors"] if error["corrected_in"] is None}
    assert set(snapshot.read("quarantine")["code"]) == held


def test_eight_deliveries_make_eight_snapshots(stores):
    for snapshot, _ in stores.values():
        assert snapshot.number == 8
        assert snapshot.today == hand_in_day("2026Q3")


# --- the planted truth is found again by the analyses -----------------------------------------------------------
MIX = ("engine_type", "reason", "lines_empty", "cooler_empty", "filter_new")


def analysis_tables(fleet):
    limits = tables.load_limits(tables.DATA / "demo_limits.toml")
    lifters = model.build_lifters(fleet.tables(), limits=limits)
    table = model.build_ventings(fleet.tables(), limits=limits, lifters=lifters)
    return contexts.add_lifter_columns(table, lifters), lifters


@pytest.fixture(scope="module")
def analysed(fleet):
    return analysis_tables(fleet)


@pytest.fixture(scope="module")
def innocent():
    return analysis_tables(demo.simulate_fleet(plant=[], traces=False))


@pytest.fixture(scope="module")
def effects(analysed):
    return contexts.screen_factors(analysed[0])


def effect_of(effects, factor, level):
    return effects[(effects["factor"] == factor) & (effects["level"] == level)].iloc[0]


def test_tank_pressure_helps_although_it_is_used_where_lines_are_empty(effects):
    tank = effect_of(effects, "tank_pressurised", "yes")
    assert tank["adjusted_high"] < 0.8
    assert tank["adjusted"] < tank["crude"]


def test_leak_down_is_told_from_air(fleet, analysed):
    _, lifters = analysed
    truth = fleet.truth["lifters"].rename(columns={"cause": "planted"})
    findings = lifters[lifters["over_first"].fillna(False)].merge(
        truth, on=["venting_id", "cylinder", "valve"]
    )
    leaking = findings[findings["planted"] == "leak_down"]
    assert len(leaking) > 20
    # Where the gap was read twice under force; one reading alone can't tell.
    twice = leaking[leaking["gap_at_once_mm"].notna()]
    assert len(twice) > 10 and twice["cause"].isin(["leak_down", "both"]).mean() >= 0.7
    assert (leaking["cause"] == "air").sum() == 0
    air = findings[findings["planted"] == "air"]
    assert (air["cause"] == "leak_down").sum() == 0
    assert (air["cause"] == "air").mean() > 0.8


def test_the_gauge_studies_and_service_readings_find_the_high_gauge(fleet, analysed):
    bias = {}
    for study, name in gauge.list_studies(fleet.gauge_readings):
        readings = fleet.gauge_readings[fleet.gauge_readings["study"] == study]
        bias[name] = gauge.analyse_study(readings, limit=0.65, study=study, gauge=name).bias
    planted = fleet.truth["planted"]["high_gauge"]["bias_mm"]
    assert bias["HG-3"].low > planted - 0.02 and bias["HG-3"].high < planted + 0.02
    assert abs(bias["HG-1"].estimate) < 0.015
    window = ["2025Q3", "2025Q4", "2026Q1", "2026Q2", "2026Q3"]
    shifts = trends.compare_gauges(analysed[1], site="Harbour", window=window, expected=10)
    assert [s.gauge for s in shifts if s.differs] == ["HG-3"]


def watch(table):
    numbers = {"time to pressure": "time_to_pressure_s", "rotations": "rotations_ratio"}
    return trends.watch_page(
        table, current="2026Q3", factors=MIX, numbers=numbers, rule=trends.WatchRule(draws=5000)
    )


def test_the_watch_names_ridge_and_no_other_site(analysed):
    signals = watch(analysed[0]).series.query("signal")
    failing = signals[(signals["series"] == "failing_ventings") & (signals["group"] != "")]
    assert failing["group"].tolist() == ["Ridge"] and failing["direction"].tolist() == ["up"]
    assert set(signals["group"]) <= {"", "Ridge"}


def test_pressure_comes_later_where_the_tank_was_not_pressurised(analysed):
    times = contexts.screen_factors(analysed[0], outcome="time_to_pressure")
    empty = effect_of(times, "empty_cooler_unpressurised", "yes")
    assert empty["adjusted_low"] > 1.2


def test_an_innocent_fleet_raises_nothing(innocent):
    table, lifters = innocent
    assert contexts.explain_failures(table, lifters, draws=0).state == "nothing_named"
    assert not watch(table).series["signal"].any()
    assert not lifters["cause"].isin(["leak_down", "both"]).any()


# --- the true cause of each failing venting ------------------------------------------------------------------------


def test_every_failing_venting_has_its_true_cause(fleet):
    failing = first_checks(fleet).query("failing")["venting_id"]
    entries = {entry["venting_id"]: entry for entry in fleet.truth["failures"]}
    assert sorted(entries) == sorted(failing)
    planted = {"leaking_lot", "high_gauge", "tank_not_pressurised", "worsening_site"}
    background = {"background_air", "background_bottomed"}
    for entry in entries.values():
        assert sum(entry["shares"].values()) == pytest.approx(1, abs=2e-4)
        assert set(entry["shares"]) <= planted | background and set(entry["needed"]) <= planted
        assert entry["cause"] == (
            entry["needed"][0] if len(entry["needed"]) == 1 else next(iter(entry["shares"]))
        )


def test_a_true_cause_is_only_named_where_it_acts(fleet):
    ventings = fleet.ventings.set_index("venting_id")
    causes = pd.Series({entry["venting_id"]: entry["cause"] for entry in fleet.truth["failures"]})
    first = fleet.lifter_checks[fleet.lifter_checks["check_no"] == 1]
    gauges = first.drop_duplicates("venting_id").set_index("venting_id")["gauge"]
    worst = first.groupby("venting_id")["gap_mm"].max()
    planted = fleet.truth["planted"]
    assert set(ventings["site"][causes.index[causes == "worsening_site"]]) == {
        planted["worsening_site"]["site"]
    }
    high = causes.index[causes == "high_gauge"]
    assert set(gauges[high]) <= {
        planted["high_gauge"]["gauge"]
    }  # not every fleet has a venting that fails by it alone
    assert (worst[high] <= GAP_LIMIT_MM + planted["high_gauge"]["bias_mm"] + 0.01).all()
    lots = ventings["lifter_lot"][causes.index[causes == "leaking_lot"]].dropna()
    assert set(lots) == {planted["leaking_lot"]["lot"]}
    tank = ventings["tank_overpressure_bar"][causes.index[causes == "tank_not_pressurised"]].dropna()
    assert (tank == 0).all()
    assert causes.value_counts()[["leaking_lot", "tank_not_pressurised", "worsening_site"]].min() >= 8


def test_without_planted_causes_all_failures_are_background():
    innocent = demo.simulate_fleet(plant=[], traces=False)
    causes = {entry["cause"] for entry in innocent.truth["failures"]}
    assert causes and causes <= {"background_air", "background_bottomed"}
    assert all(not entry["needed"] for entry in innocent.truth["failures"])


def test_taking_the_lot_away_leaves_the_failures_that_did_not_need_it(monkeypatch):
    """The same draws without the lot's leak: what still fails are those whose entry does not need the lot."""
    seen = []

    def explain(job, plant):
        found = causes.explain_failure(job, plant)
        if found:
            checked = ~np.isnan(job["_gaps"])
            still = (causes._over_without(job, plant, {"leaking_lot"}) & checked).any()
            as_read = (causes._over_without(job, plant, set()) == (job["_gaps"] > GAP_LIMIT_MM))[
                checked
            ].all()
            seen.append((found[0]["needed"], bool(still), bool(as_read)))
        return found

    monkeypatch.setattr("ventbook.demo.fleet.explain_failure", explain)
    demo.simulate_fleet(ventings=200, seed=3, traces=False)
    assert len(seen) > 15 and all(as_read for _, _, as_read in seen)
    assert all(("leaking_lot" in needed) == (not still) for needed, still, _ in seen)


def test_truth_says_the_causes(written):
    told = json.loads((written[0] / "truth.json").read_text("utf-8"))["failures"]
    assert {"venting_id", "cause", "needed", "shares", "lifters_over"} == set(told[0])


def test_the_demos_manual_shares_no_number_with_the_trades_usual_ones_nor_the_placeholders():
    """Common practice, no source: the numbers of trade_limits.toml."""
    own = tables.load_limits(tables.DATA / "demo_limits.toml")
    trade = {row.step: row for row in TRADE.rows if row.status == "manual"}
    for row in own.rows:
        if row.status != "manual" or (row.unit == "1" and row.step != "rotations_max"):
            continue
        others = [trade[row.step], tables.load_limits().find(row.step, "*", dt.date(2026, 1, 1))]
        for end in ("low", "high", "reference"):
            mine = getattr(row, end)
            assert mine is None or all(o is None or getattr(o, end) != mine for o in others), (row.step, end)


def test_the_demo_is_made_anew_when_what_makes_it_changes():
    from ventbook.run import pipeline

    package = Path(pipeline.__file__).parents[1]
    assert all(any((package / name).rglob("*.py")) for name in pipeline.MAKERS)
