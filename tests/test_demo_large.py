"""The large invented fleet: rows that fit together, the small fleet's shares, and what intake makes of it."""

import json

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from bench.large_store import make_store

from invented_fleet import fleet_tables
from ventbook import demo, tables
from ventbook.demo.checks import limit_mm
from ventbook.demo.large import draw_pieces
from ventbook.demo.settings import gap_under_force, rotations_to_pressure
from ventbook.errors import InputError
from ventbook.records import intake, store

NAMES = ("engines", "ventings", "starts", "lifter_checks")


@pytest.fixture(scope="module")
def large():
    pieces = list(draw_pieces(ventings=12_000, seed=3, piece=1000))
    assert max(len(piece.handed_in) for piece in pieces) <= 1000
    assert [piece.quarter for piece in pieces] == sorted(piece.quarter for piece in pieces)
    frames = {name: pd.concat([p.tables[name] for p in pieces], ignore_index=True) for name in NAMES}
    return frames, pd.concat([piece.truth for piece in pieces], ignore_index=True)


def test_rows_fit_together(large):
    frames, _ = large
    assert len(frames["ventings"]) == 12_000
    for name, frame in frames.items():
        table = tables.record_tables()[name]
        assert not frame.duplicated(list(table.key)).any(), name
        assert set(frame) <= {column.stored for column in table.columns}
        for column in table.columns:
            if column.required:
                assert frame[column.stored].notna().all(), f"{name}.{column.stored}"
    jobs = frames["ventings"].merge(frames["engines"], on="engine_id", validate="m:1")
    assert len(jobs) == 12_000
    assert jobs["date"].is_monotonic_increasing
    for name in ("starts", "lifter_checks"):
        assert frames[name]["venting_id"].isin(jobs["venting_id"]).all()
    cylinders = frames["lifter_checks"].merge(jobs[["venting_id", "cylinders"]], on="venting_id")
    assert (cylinders["cylinder"] <= cylinders["cylinders"]).all()
    # an engine carries its hours: they fall only where it came new or overhauled
    own = frames["ventings"]
    fell = own.groupby("engine_id")["hours_since_overhaul_h"].diff() < 0
    assert set(own.loc[fell, "reason"]) <= {"new_engine", "overhauled_engine"}


def test_same_seed_same_fleet():
    one, two, other = (
        next(draw_pieces(ventings=200, seed=seed)).tables["lifter_checks"] for seed in (1, 1, 2)
    )
    pd.testing.assert_frame_equal(one, two)
    assert not one["gap_mm"].head(50).equals(other["gap_mm"].head(50))


def describe_ventings(frames):
    """One row a venting: numbers whose means the two ways of drawing must share."""
    jobs, checks, starts = frames["ventings"], frames["lifter_checks"], frames["starts"]
    jobs = jobs.merge(frames["engines"][["engine_id", "cylinders"]], on="engine_id")
    first = checks[checks["check_no"] == 1].groupby("venting_id")
    own = {
        "failing": (first["gap_mm"].max() > limit_mm()).astype(float),
        "gap": first["gap_mm"].mean(),
        "at_once": first["gap_at_once_mm"].count(),
        "spongy": first["feel"].agg(lambda feel: feel.eq("spongy").sum()).astype(float),
        "checks": checks.groupby("venting_id")["check_no"].max().astype(float),
        "starts": starts.groupby("venting_id").size(),
        "time": starts[starts["start_no"] == 1].set_index("venting_id")["time_to_pressure_s"],
    }
    table = jobs[["venting_id", "engine_id", "site", "rotations", "cylinders"]].astype(
        {"rotations": float, "cylinders": float}
    )
    for name in ("lines_empty", "cooler_empty", "plugs_removed", "pressure_shown"):
        table[name] = jobs[name].astype("Float64").astype(float)
    table["pressed"] = jobs["tank_overpressure_bar"].gt(0).astype(float)
    return table.merge(pd.DataFrame(own), left_on="venting_id", right_index=True, how="left")


def test_shares_are_those_of_the_small_fleet(large):
    one, two = describe_ventings(large[0]), describe_ventings(fleet_tables(600))
    faults = []
    for site, rows in two.groupby("site"):
        for name in two.columns.drop(["venting_id", "engine_id", "site"]):
            mine = one.loc[one["site"] == site, ["engine_id", name]].dropna()
            small = rows[["engine_id", name]].dropna()
            # sandwich: ventings of an engine go together; the large fleet's spread stands for both
            sums = (mine[name] - mine[name].mean()).groupby(mine["engine_id"]).sum()
            spread = (sums**2).sum() / len(mine) * (1 / len(mine) + 1 / len(small))
            apart = abs(mine[name].mean() - small[name].mean())
            if apart > 4.5 * np.sqrt(spread) + 1e-9:
                faults.append(f"{site} {name}: {mine[name].mean():.3f} and {small[name].mean():.3f}")
    assert not faults


def test_truth_says_why_ventings_fail(large):
    frames, truth = large
    checks = frames["lifter_checks"]
    over = checks[(checks["check_no"] == 1) & (checks["gap_mm"] > limit_mm())].groupby("venting_id").size()
    pd.testing.assert_series_equal(
        over.sort_index(), truth.set_index("venting_id")["lifters_over"].sort_index(), check_names=False
    )
    sites = truth.merge(frames["ventings"], on="venting_id")
    assert set(sites.loc[sites["needs_worsening_site"], "site"]) == {"Ridge"}
    assert set(sites.loc[sites["needs_high_gauge"], "site"]) <= {"Harbour"}
    assert set(sites.loc[sites["needs_leaking_lot"], "lifter_lot"].dropna()) == {"LL-2505"}
    assert not (truth["fails_without_any"] & truth.filter(like="needs_").any(axis=1)).any()
    innocent = pd.concat([p.truth for p in draw_pieces(ventings=3000, seed=3, plant=[])])
    assert innocent["fails_without_any"].all()


@pytest.fixture(scope="module")
def taken_in(tmp_path_factory):
    folder = tmp_path_factory.mktemp("large")
    deliveries = demo.make_demo(folder / "records", ventings=160, seed=5, large=True)
    path = folder / "store"
    store.create_store(path)
    for delivery in deliveries:
        intake.ingest([delivery], store=path, today=demo.delivery_days()[delivery.name])
    return folder / "records", store.open_store(path).snapshot()


def test_intake_accepts_every_row(taken_in):
    records, snapshot = taken_in
    assert snapshot.read("quarantine").empty
    assert len(snapshot.read("ventings")) == 160
    truth = json.loads((records / "truth.json").read_text("utf-8"))
    rows = {name: sum(d["rows"].get(name, 0) for d in truth["deliveries"]) for name in NAMES}
    assert rows["lifter_checks"] == len(snapshot.read("lifter_checks"))
    assert rows["ventings"] >= 160  # jobs that close later come twice
    features = snapshot.read("start_features")
    assert len(features) > 10
    known = features[features["start_no"] == 1].merge(
        snapshot.read("starts"), on=["venting_id", "start_no"], suffixes=("_trace", "")
    )
    shown = known[known["pressure_shown"].fillna(False).astype(bool)]
    assert (abs(shown["time_to_pressure_s_trace"] - shown["time_to_pressure_s"]) < 0.8).all()
    assert pq.read_metadata(records / "truth_failures.parquet").num_rows > 10


def test_store_made_straight_holds_what_intake_accepts(taken_in, tmp_path):
    _, snapshot = taken_in
    straight = store.open_store(make_store(tmp_path / "straight", 160, seed=5)).snapshot()
    for name in (*NAMES, "planned"):
        one, two = (
            s.read(name).drop(columns=["technician", "remarks"], errors="ignore")
            for s in (snapshot, straight)
        )
        pd.testing.assert_frame_equal(one, two, obj=name)


def test_traces_of_every_venting_hold_about_a_thousand_samples(tmp_path):
    first, *_ = demo.make_demo(tmp_path, ventings=40, seed=2, large=True, samples="all")
    samples = pq.read_table(first / "samples.parquet").to_pandas()
    ventings = pq.read_table(first / "ventings.parquet").to_pandas()
    named = ventings["venting_id"].unique()
    assert set(samples["venting_id"]) == set(named)
    assert 600 < len(samples) / len(named) < 2500
    t = samples.columns[2]
    assert (samples.groupby(["venting_id", "start_no"])[t].diff().dropna() > 0).all()


def test_choices_that_do_not_go_together_are_told(tmp_path):
    with pytest.raises(InputError, match="without errors"):
        demo.make_demo(tmp_path, large=True, messy=True)
    with pytest.raises(InputError, match="add --large"):
        demo.make_demo(tmp_path, samples="all")
    with pytest.raises(InputError, match="none, some, all"):
        demo.make_demo(tmp_path, samples="few")


def test_arithmetic_of_columns_is_that_of_single_values():
    rng = np.random.default_rng(1)
    given = {
        "line_L": rng.uniform(0, 0.3, 50),
        "cooler_L": rng.choice([0.0, 0.3], 50),
        "behind_pump_L": rng.uniform(0.1, 0.5, 50),
        "displacement_cm3": rng.uniform(6, 12, 50),
        "air_efficiency": rng.uniform(0.5, 0.7, 50),
        "oil_efficiency": rng.uniform(0.8, 0.9, 50),
        "ambient_Pa": rng.uniform(8e4, 1e5, 50),
        "overpressure_bar": rng.choice([0.0, 0.7], 50),
        "head_m": rng.uniform(-3, 0.3, 50),
        "line_length_m": rng.uniform(1, 2, 50),
        "line_bore_mm": rng.uniform(9, 14, 50),
        "viscosity_mm2_s": rng.uniform(50, 900, 50),
        "speed_rpm": rng.uniform(24, 110, 50),
    }
    found = rotations_to_pressure(**given)
    one = [rotations_to_pressure(**{n: float(v[i]) for n, v in given.items()}) for i in range(50)]
    assert np.isinf(found).any()
    np.testing.assert_allclose(found, one, rtol=1e-12)
    force = rng.uniform(15, 90, 50)
    more = {"plunger_diameter_mm": 12.0, "spring_force_N": 20.0, "spring_rate_N_per_mm": 1.5}
    more |= {"travel_mm": 2.0, "rocker_ratio": 1.4, "ambient_Pa": 1e5, "air_index": 1.1}
    air, leak = rng.uniform(1, 100, (50, 3)), rng.uniform(0, 200, (50, 3))
    rest = {**more, "slack_mm": np.zeros(3), "reference_force_N": 85.0, "time_s": 4.0}
    whole = gap_under_force(air, leak, force_N=force[:, None], **rest)
    for i in range(50):
        np.testing.assert_allclose(
            whole[i], gap_under_force(air[i], leak[i], force_N=float(force[i]), **rest), rtol=1e-12
        )
