"""Features of traces: by hand, against scipy's integrals, and against a slow and obvious reading."""

import dataclasses
import math

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate

import traces_reference
from ventbook.cluster import use_workers
from ventbook.model import traces
from ventbook.model.traces import partitions
from ventbook.model.traces.features import compile_kernel
from ventbook.model.traces.kernel import reduce_segments
from ventbook.model.traces.partitions import features_of_files

SETTINGS = traces.read_settings()
# threshold bar, warm degC, first hold, warm-up and extra-run bands in rpm
STEPS = [0.5, 50.0, 1900.0, 2100.0, 2200.0, 2500.0, 3400.0, 3600.0]


def features(t, speed, pressure, temperature=None, *, start_no=1, steps=STEPS, settings=SETTINGS):
    t = np.asarray(t, float)
    temperature = np.full(t.size, 20.0) if temperature is None else temperature
    frame = traces.start_features(
        [0, t.size],
        t,
        np.broadcast_to(np.asarray(speed, float), t.shape),
        pressure,
        temperature,
        start_no=[start_no],
        steps=[steps],
        settings=settings,
    )
    return frame.iloc[0]


def test_crossings_of_a_piecewise_linear_trace_are_exact():
    # By hand: speed passes 300 rpm at t = 1 + 300/1000 = 1.3; pressure passes 0.5 bar at t = 3 + 0.5/1 = 3.5.
    t = np.arange(0, 12, 0.25)
    found = features(
        t, np.interp(t, [0, 1, 2, 12], [0, 0, 1000, 1000]), np.interp(t, [0, 3, 7, 12], [0, 0, 4, 4.2])
    )
    assert found["time_to_pressure_s"] == pytest.approx(3.5 - 1.3, abs=1e-12)
    assert (found["time_low_s"], found["time_high_s"]) == (3.25 - 1.5, 3.5 - 1.25)
    assert found["ok_time_to_pressure"]
    assert found["flags"] == ""


def test_mean_pressure_and_rotations_against_scipy():
    rng = np.random.default_rng(3)
    t = np.cumsum(rng.uniform(0.05, 0.5, 400))
    pressure = 2 + rng.uniform(0, 1, t.size)
    found = features(t, 1000.0, pressure)
    assert found["pressure_mean_bar"] == pytest.approx(
        integrate.trapezoid(pressure, t) / (t[-1] - t[0]), rel=1e-12
    )
    speed = rng.uniform(10, 60, t.size)
    rising = np.linspace(0, 1, t.size)
    turning = features(t, speed, rising, start_no=0)
    k = int(np.argmax(rising >= 0.5))
    assert turning["rotations_high"] == pytest.approx(
        integrate.trapezoid(speed[: k + 1], t[: k + 1]) / 60, rel=1e-12
    )
    assert turning["rotations_low"] == pytest.approx(integrate.trapezoid(speed[:k], t[:k]) / 60, rel=1e-12)
    assert turning["ok_rotations"]
    assert not turning["ok_time_to_pressure"]


def test_no_crossing_is_right_censored_and_not_missing():
    t = np.arange(0, 20, 0.5)
    found = features(t, np.where((t > 1) & (t < 15), 1000, 0), np.full(t.size, 0.1))
    assert found["time_low_s"] == 14.5 - 1.5
    assert found["time_high_s"] == math.inf
    assert math.isnan(found["time_to_pressure_s"])
    assert found["ok_time_to_pressure"]


@pytest.mark.parametrize(
    ("name", "speed", "pressure", "expected"),
    [
        ("a tie at the threshold counts as shown", 1000.0, [0, 0.5, 0.5, 0.5, 0.5], (0.0, 1.0)),
        ("on the first sample", 1000.0, [1, 1, 1, 1, 1], (0.0, math.nan)),
        ("on the last sample is cut short and not missed", 1000.0, [0, 0, 0, 0, 1], (3.0, 4.0)),
        ("under again on the last sample came later", 1000.0, [0, 0, 0, 1, 0], (4.0, math.inf)),
        ("a dropout before a second is over begins anew", 1000.0, [0, 1, 0, 1, 1], (2.0, 3.0)),
        ("missing samples are passed over", 1000.0, [0, np.nan, 1, np.nan, 1], (0.0, 2.0)),
        ("a channel that is all missing gives nothing", 1000.0, [np.nan] * 5, (math.nan, math.nan)),
    ],
)
def test_edges(name, speed, pressure, expected):
    t = np.arange(6.0)
    speed = np.r_[0.0, np.full(5, speed)] if name != "on the first sample" else np.full(6, speed)
    found = features(
        t, speed, np.r_[0.0, pressure] if name != "on the first sample" else np.r_[1.0, pressure]
    )
    low, high = expected
    if not math.isnan(high) and high != math.inf:
        high += 1.0  # the start lies in (0, 1]
    np.testing.assert_equal((found["time_low_s"], found["time_high_s"]), (low, high))


def run_up(rate, crossing, *, stops=math.inf, ends=math.inf):
    """Samples at ``rate`` a second of an engine that starts at 1.03 s and shows pressure ``crossing`` s later."""
    t = np.arange(0, min(ends, stops + 3.0) + 1e-9, 1 / rate)
    runs = (t >= 1.03) & (t < stops)
    return t, np.where(runs, 900.0, 0.0), np.where((t >= 1.03 + crossing) & runs, 2.0 + t / 100, 0.0)


@pytest.mark.parametrize("rate", [1, 2, 10, 50])
@pytest.mark.parametrize("after", [0.0, 0.4, 0.95])
@pytest.mark.parametrize("what", ["ends", "stops"])
def test_what_ends_within_the_sustained_second_is_no_missed_limit(rate, after, what):
    """A start of 4.9 s whose trace ends (engine stops) up to .95 s after the crossing says nothing against 5 s."""
    step = 1 / rate
    last = (
        math.ceil((1.03 + 4.9) * rate - 1e-9) / rate + after
    )  # the crossing's sample, and a part of a second
    if what == "ends":
        found = features(*run_up(rate, 4.9, ends=last))
    else:
        found = features(*run_up(rate, 4.9, stops=last + 1e-3))
    assert found["flags"] == "cut_short"
    assert found["ok_time_to_pressure"]
    assert found["time_low_s"] < 4.9 <= found["time_high_s"] < math.inf
    assert found["time_high_s"] - found["time_low_s"] == pytest.approx(2 * step)
    assert found["pressure_t"] - found["pressure_low_t"] == pytest.approx(step)
    assert found["start_t"] - found["start_low_t"] == pytest.approx(step)
    whole = features(*run_up(rate, 4.9, ends=9.0))
    assert whole["flags"] == ""
    assert (whole["time_low_s"], whole["time_high_s"]) == (found["time_low_s"], found["time_high_s"])


def test_turning_that_stops_when_pressure_shows_is_cut_short_and_not_given_up():
    t = np.arange(0, 30, 0.5)
    found = features(t, np.where(t < 21, 20.0, 0.0), np.where((t >= 20.5) & (t < 21), 1.0, 0.0), start_no=0)
    assert found["flags"] == "cut_short"
    assert (found["rotations_low"], found["rotations_high"]) == pytest.approx((20 * 20 / 60, 20.5 * 20 / 60))
    assert found["ok_rotations"]


def test_pressure_that_nobody_reads_any_longer_says_nothing_about_later():
    """The channel is lost at 6 s while the engine runs on to 20 s: later than 6 s, not later than 20 s."""
    t = np.arange(0, 20, 0.5)
    found = features(t, np.where(t > 1, 1000.0, 0.0), np.where(t <= 6, 0.1, np.nan))
    assert (found["time_low_s"], found["time_high_s"]) == (6 - 1.5, math.inf)
    assert found["flags"] == ""


def test_one_sample_and_empty_traces():
    assert features([0.0], 1000.0, [1.0])["flags"] == "no_start"
    assert len(traces.start_features([0], [], [], [], [], start_no=[], steps=np.empty((0, 8)))) == 0


@pytest.mark.parametrize(
    ("flag", "ok", "trace"),
    [
        ("clock_runs_back", "ok_time_to_pressure", {"t": [0, 1, 2, 1.5, 3, 4, 5, 6]}),
        ("gaps", None, {"t": [0, 1, 2, 3, 4, 5, 30, 31]}),
        ("no_start", "ok_time_to_pressure", {"speed": np.zeros(8)}),
        ("running_at_begin", "ok_time_to_pressure", {"speed": np.full(8, 900.0)}),
    ],
)
def test_faults_of_the_clock_are_flagged(flag, ok, trace):
    t = np.asarray(trace.get("t", np.arange(8.0)), float)
    speed = trace.get("speed", np.r_[0.0, np.full(7, 900.0)])
    found = features(t, speed, np.r_[0.0, 0.0, np.full(6, 2.0)])
    assert flag in found["flags"].split()
    if ok:
        assert not found[ok]


def test_faults_of_the_channels_are_flagged():
    t = np.arange(0.0, 200.0)
    rng = np.random.default_rng(5)
    speed = np.r_[0.0, 2000 + rng.normal(0, 5, 199)]
    pressure = np.r_[0.0, 0.0, 3 + rng.normal(0, 0.1, 198)]
    assert features(t, speed, pressure)["flags"] == ""
    assert features(t, np.r_[speed[:50], np.full(150, 2000.0)], pressure)["flags"] == "stuck_speed"
    stuck = features(t, speed, np.r_[pressure[:50], np.full(150, 3.0)])
    assert "stuck_pressure" in stuck["flags"]
    assert not stuck["ok_time_to_pressure"]
    clipped = features(t, speed, np.minimum(pressure, 3.0))
    assert clipped["flags"] == "clipped_pressure"
    assert clipped["ok_time_to_pressure"]
    assert not clipped["ok_pressure"]
    doubled = features(t, 2 * speed, pressure)
    assert doubled["flags"] == "scaled_speed"
    assert not doubled["ok_speed"]
    assert "sensor_lag" in features(t, speed, 3 * (1 - np.exp(-t / 10)))["flags"]


@pytest.mark.parametrize("offset", range(12))
def test_a_channel_is_stuck_just_over_the_time_wherever_it_begins(offset):
    settings = dataclasses.replace(SETTINGS, stuck_s=8.0)
    t = np.arange(300) / 10
    rng = np.random.default_rng(3)
    for samples, stuck in ((80, False), (82, True)):  # 7.9 s and 8.1 s at one value
        speed = 2000 + rng.normal(0, 5, 300)
        pressure = 3 + rng.normal(0, 0.1, 300)
        pressure[offset : offset + samples] = 3.0
        speed[offset + 99 : offset + 99 + samples] = 2000.0
        flags = features(t, speed, pressure, settings=settings)["flags"]
        assert ("stuck_pressure" in flags) == stuck
        assert ("stuck_speed" in flags) == stuck


values = st.one_of(st.floats(0, 3).map(lambda v: round(v * 4) / 4), st.just(math.nan))


@settings(max_examples=120, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from([0.25, 0.5, 1.0, 2.0, 5.0]),
            st.sampled_from([0.0, 299.0, 300.0, 2000.0, 2300.0, 3500.0, math.nan]),
            values,
            st.sampled_from([20.0, 49.0, 50.0, 60.0, math.nan]),
        ),
        min_size=1,
        max_size=40,
    ),
    st.booleans(),
)
def test_equals_the_slow_reading(rows, turning):
    t = np.cumsum([row[0] for row in rows])
    _, speed, pressure, temperature = (list(c) for c in zip(*rows, strict=True))
    if turning:
        speed = [0.0 if math.isnan(v) else v for v in speed]
    assert_as_slow(t.tolist(), speed, pressure, temperature, turning=turning)


def assert_as_slow(t, speed, pressure, temperature, *, turning, settings=SETTINGS):
    got = features(t, speed, pressure, temperature, start_no=0 if turning else 1, settings=settings)
    slow = traces_reference.features(
        t, speed, pressure, temperature, turning=turning, steps=STEPS, settings=settings
    )
    flags = got["flags"].split()
    assert ("stuck_pressure" in flags) == traces_reference.stands_still(t, pressure, speed, settings)
    assert ("stuck_speed" in flags) == traces_reference.stands_still(t, speed, speed, settings)
    at_top = traces_reference.share_at_top(pressure)
    clipped = at_top > settings.clipped_share and round(at_top * len(t)) >= settings.clipped_samples
    assert ("clipped_pressure" in flags) == clipped
    for name, value in slow.items():
        if name.startswith("rotations") and any(math.isnan(v) for v in speed):
            continue
        if name == "cut_short":
            assert (name in flags) == (value == 1)
            continue
        number = math.nan if pd.isna(got[name]) else float(got[name])
        assert number == pytest.approx(value, rel=1e-9, abs=1e-9, nan_ok=True), name


@pytest.mark.parametrize("seed", range(40))
def test_long_traces_equal_the_slow_reading(seed):
    """Over many of the kernel's blocks, with what a logger may do to any of them."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 2500))
    wild = seed % 4 == 0
    t = np.cumsum(rng.choice([0.1, 0.2, 3.0, 0.0, -0.1] if wild else [0.1, 0.12], n))
    t = t if wild or seed % 4 == 1 else np.arange(n) / 10
    base = np.interp(
        np.arange(n) / n, np.sort(rng.random(6)), rng.choice([0, 290, 1000, 1905, 2150, 2300], 6)
    )
    speed = np.round(np.maximum(base + rng.normal(0, rng.choice([0.4, 30]), n), 0))
    pressure = np.round(np.clip(np.arange(n) / 100 - rng.uniform(0, 5), 0, 4) + rng.normal(0, 0.02, n), 1)
    temperature = np.round(20 + 40 * np.arange(n) / n + rng.normal(0, 0.3, n), 1)
    for channel in (speed, pressure, temperature):
        for _ in range(rng.integers(0, 4)):
            begin = int(rng.integers(0, n))
            end = begin + int(rng.integers(1, 200))
            channel[begin:end] = rng.choice([math.nan, channel[begin]])
    turning = bool(seed % 5 == 4)
    speed = np.nan_to_num(speed) if turning else speed
    settings = dataclasses.replace(SETTINGS, stuck_s=float(rng.choice([0.5, 3.0, 6.0, 60.0])))
    columns = [c.tolist() for c in (t, speed, pressure, temperature)]
    assert_as_slow(*columns, turning=turning, settings=settings)


@pytest.mark.parametrize("at", [511, 512, 513, 514, 1024, 1025, 1299])
@pytest.mark.parametrize("what", ["no speed", "slow", "low", "no pressure", "gap", "lower"])
@pytest.mark.parametrize("turning", [False, True])
def test_what_happens_once_is_seen_wherever_a_block_of_samples_ends(at, what, turning):
    """One sample of an even run is another; pressure shows at the 8th, from which the kernel counts its blocks."""
    t = np.arange(1300) / 10
    speed = np.full(t.size, 1000.0)
    pressure = np.where(np.arange(t.size) < 8, 0.0, 3.0 + np.arange(t.size) % 7 / 100)
    for place in (at, at + 8):
        if what.endswith("speed") or what == "slow":
            speed[place % t.size] = math.nan if what == "no speed" and not turning else 200.0
        elif what == "gap":
            t[place % t.size :] += 4.0
        else:
            pressure[place % t.size] = {"low": 0.2, "no pressure": math.nan, "lower": 2.9}[what]
    columns = [c.tolist() for c in (t, speed, pressure, np.full(t.size, 20.0))]
    assert_as_slow(*columns, turning=turning)


def write_samples(path, starts, *, rows_a_group=None):
    """Samples of ``starts`` {(venting, start_no): (t, speed, pressure, temperature)}, a row group a few starts."""
    tables = []
    for (venting, number), (t, speed, pressure, temperature) in sorted(starts.items()):
        tables.append(
            pa.table(
                {
                    "venting_id": pa.array([venting] * len(t)),
                    "start_no": pa.array([number] * len(t), pa.int64()),
                    "t_s": t,
                    "speed_rpm": speed,
                    "oil_pressure_bar": pressure,
                    "oil_temperature_degC": temperature,
                }
            )
        )
    with pq.ParquetWriter(path, tables[0].schema) as writer:
        for table in tables:
            writer.write_table(table, row_group_size=rows_a_group)


def many_starts(n=12):
    rng = np.random.default_rng(8)
    found = {}
    for k in range(n):
        t = np.arange(0, 30, 0.5)
        rise = rng.uniform(2, 9)
        found[(f"{k:03d}", int(k % 3))] = (
            t,
            np.where(t < 1, 0.0, 2000.0),
            np.clip((t - rise) * 2, 0, 4),
            20 + t,
        )
    return found


def ventings_of(starts):
    ids = sorted({key[0] for key in starts})
    return pd.DataFrame(
        {
            "venting_id": ids,
            "engine_type": "flat4",
            "date": pd.Timestamp("2026-03-01"),
            "pressure_threshold_bar": np.nan,
        }
    )


def test_files_give_the_same_for_any_number_of_workers(tmp_path):
    starts = many_starts()
    write_samples(tmp_path / "a.parquet", starts)
    ventings = ventings_of(starts)
    one = features_of_files([tmp_path / "a.parquet"], ventings, workers=1)
    two = features_of_files([tmp_path / "a.parquet"], ventings, workers=2)
    pd.testing.assert_frame_equal(one, two)
    assert len(one) == len(starts)
    assert one["venting_id"].tolist() == sorted(one["venting_id"])
    assert one.loc[one["start_no"] == 1, "ok_time_to_pressure"].all()


def test_the_kernel_compiled_beforehand_is_the_one_that_files_take(tmp_path):
    if not hasattr(reduce_segments, "signatures"):
        pytest.skip("the compiler is switched off")
    compile_kernel()
    before = reduce_segments.signatures
    starts = many_starts()
    write_samples(tmp_path / "a.parquet", starts)
    features_of_files([tmp_path / "a.parquet"], ventings_of(starts))
    assert reduce_segments.signatures == before
    assert len(before) == 1


def test_one_row_group_may_hold_two_dictionaries_of_ventings(tmp_path):
    starts = many_starts(9)
    write_samples(tmp_path / "a.parquet", {k: v for k, v in starts.items() if k[0] < "004"})
    write_samples(tmp_path / "b.parquet", {k: v for k, v in starts.items() if k[0] >= "004"})
    files, ventings = [tmp_path / "a.parquet", tmp_path / "b.parquet"], ventings_of(starts)
    apart = features_of_files(files, ventings, workers=1)
    # a page size this small makes the writer give up the first dictionary
    whole = pa.concat_tables([pq.read_table(file) for file in files])
    pq.write_table(whole, tmp_path / "c.parquet", dictionary_pagesize_limit=16, data_page_size=64)
    pd.testing.assert_frame_equal(features_of_files([tmp_path / "c.parquet"], ventings, workers=1), apart)
    assert apart["samples"].tolist() == [60] * 9
    assert apart["time_to_pressure_s"].notna().all()


def write_as_the_store_does(path, starts, *, rows_a_group=150):
    """Starts as they come in, in no order, into one file of the store's; returns the file's own list of them."""
    from ventbook.records.intake.trace_features import QuarterFile, read_starts

    file = QuarterFile(path)
    for (venting, number), channels in starts.items():
        names = ("t_s", "speed_rpm", "oil_pressure_bar", "oil_temperature_degC")
        keys = {"venting_id": [venting] * 60, "start_no": pa.array([number] * 60, pa.int64())}
        rows = pa.table({**keys, **dict(zip(names, channels, strict=True))})
        file.add(rows, [venting, number, 60, 0, 1])
        if file.rows >= rows_a_group:
            file.flush()
    file.close()
    return read_starts(path)


def scattered_starts():
    """Several starts a venting, handed in backwards, so that row groups overlap in their ventings."""
    found = {}
    for number, (key, channels) in enumerate(many_starts(10).items()):
        found[(key[0], 2)] = channels
        found[(f"{9 - number:03d}", 1)] = channels
    return found


def test_starts_told_by_the_footer_are_those_that_are_read(tmp_path):
    starts = scattered_starts()
    known = write_as_the_store_does(tmp_path / "a.parquet", starts)
    assert set(known) == set(starts)
    told = partitions.list_pieces([tmp_path / "a.parquet"])
    assert len(told) > 3 and all(piece.starts is not None for piece in told)
    for piece in told:
        with pq.ParquetFile(piece.file, read_dictionary=["venting_id"]) as file:
            read = partitions.find_starts(file.read_row_group(piece.group))
        assert piece.starts.names == read.names
        assert piece.starts.numbers.tolist() == read.numbers.tolist()
        assert piece.starts.bounds.tolist() == read.bounds.tolist()
        context = partitions.venting_context(ventings_of(starts))
        one = partitions.reduce_piece(piece, context=context)
        other = partitions.reduce_piece(piece._replace(starts=None), context=context)
        for a, b in zip(one, other, strict=True):
            np.testing.assert_array_equal(a, b)


def test_a_footer_that_does_not_fit_its_row_group_is_not_believed(tmp_path):
    from ventbook.records.intake.trace_features import copy_without

    starts = scattered_starts()
    write_as_the_store_does(tmp_path / "a.parquet", starts)
    gone = next(iter(starts))
    copy_without(tmp_path / "a.parquet", {gone}, tmp_path / "b.parquet")
    table = pq.read_table(tmp_path / "a.parquet")
    pq.write_table(table.slice(7), tmp_path / "c.parquet")  # which keeps the footer
    for name in ("b", "c"):
        pieces = partitions.list_pieces([tmp_path / f"{name}.parquet"])
        assert [piece.starts for piece in pieces] == [None] * len(pieces)
    whole = features_of_files([tmp_path / "a.parquet"], ventings_of(starts))
    rest = features_of_files([tmp_path / "b.parquet"], ventings_of(starts))
    here = ~((whole["venting_id"] == gone[0]) & (whole["start_no"] == gone[1]))
    pd.testing.assert_frame_equal(rest, whole[here].reset_index(drop=True))


def test_a_two_worker_cluster_gives_the_identical_table(tmp_path):
    distributed = pytest.importorskip("distributed")
    starts = many_starts(6)
    write_samples(tmp_path / "a.parquet", starts)
    ventings = ventings_of(starts)
    here = features_of_files([tmp_path / "a.parquet"], ventings, workers=1)
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, dashboard_address=":0", host="127.0.0.1"
        ) as cluster,
        use_workers(cluster.scheduler_address),
    ):
        there = features_of_files([tmp_path / "a.parquet"], ventings)
    pd.testing.assert_frame_equal(here, there)


def test_a_start_cut_in_two_is_refused(tmp_path):
    starts = many_starts(1)
    write_samples(tmp_path / "a.parquet", starts, rows_a_group=20)
    with pytest.raises(ValueError, match="start 0 of venting 000 lies in two row groups"):
        features_of_files([tmp_path / "a.parquet"], ventings_of(starts))


def test_starts_without_a_number_are_refused():
    with pytest.raises(ValueError, match="as long as bounds"):
        traces.start_features([0, 3], [0, 1], [0, 1], [0, 1], [0, 1], start_no=[1], steps=[STEPS])


def test_intake_over_a_cluster_stores_the_same_features(tmp_path):
    distributed = pytest.importorskip("distributed")
    from ventbook import demo
    from ventbook.records import intake
    from ventbook.records.store import open_store

    deliveries = demo.write_demo(tmp_path / "fleet", ventings=60, seed=11)
    delivery = next(folder for folder in deliveries if any(folder.glob("samples*")))
    day = demo.delivery_days()[delivery.name]
    intake.ingest([delivery], store=tmp_path / "here" / "store", today=day)
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=":0", host="127.0.0.1"
    ) as cluster:
        address = cluster.scheduler_address
        intake.ingest([delivery], store=tmp_path / "there" / "store", today=day, cluster=address)
    here, there = (
        open_store(tmp_path / name / "store").snapshot().read("start_features") for name in ("here", "there")
    )
    assert len(here) > 0
    pd.testing.assert_frame_equal(here, there)


def test_a_cluster_that_is_not_there_is_said_in_one_line():
    from ventbook.errors import InputError

    with pytest.raises(InputError, match="no Dask scheduler answers at nonsense"), use_workers("nonsense"):
        pass
