"""Writes a large invented fleet as deliveries in Parquet, quarter by quarter, and draws its traces."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from contextlib import ExitStack
from datetime import timedelta
from pathlib import Path
from typing import Any, Literal, cast, get_args

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from ventbook import tables
from ventbook.demo.checks import draw_study
from ventbook.demo.deliveries import clear_demo, write_demo
from ventbook.demo.fleet import as_table
from ventbook.demo.large import Piece, draw_pieces
from ventbook.demo.large_ventings import Array, Rng, of_each
from ventbook.demo.settings import PLANTS, hand_in_day, list_quarters, read_settings
from ventbook.demo.ventings import COLD_BAR, IDLE_RPM, rise
from ventbook.errors import InputError
from ventbook.records.store.snapshots import KIND_TYPES

Samples = Literal["none", "some", "all"]
GROUP = 1000  # ventings whose traces are drawn together
USUAL_HZ = 2.0  # of a logger where the workshop has none


def list_large_tables(
    *, ventings: int, seed: int | None = None, samples: Samples = "none"
) -> Iterator[tuple[int, str, pa.Table]]:
    """(place of the delivery among the quarters, record table, some of its rows), in the order in which they are handed in.

    A row may come one delivery after its quarter. "failures" is no record table: the truth of the ventings that fail. ``samples``: no traces, those of the workshops' loggers, or a trace of
    every venting (about 1,000 samples each).
    """
    settings = read_settings()
    seed = settings["fleet"]["seed"] if seed is None else seed
    rng = np.random.default_rng([seed, 2])
    quarters = list_quarters()
    for study in settings["study"]:
        readings = draw_study(study, PLANTS, rng)
        yield (
            quarters.index(study["quarter"]),
            "gauge_readings",
            to_arrow(as_table(readings, "gauge_readings"), "gauge_readings"),
        )
    last: Piece | None = None
    for last in draw_pieces(ventings=ventings, seed=seed):
        yield from _hand_in(last)
        truth = pa.Table.from_pandas(last.truth, preserve_index=False).replace_schema_metadata()
        at = truth.column_names.index("venting_id")
        yield (
            last.quarter,
            "failures",
            truth.set_column(at, "venting_id", truth["venting_id"].cast(pa.string())),
        )
        for delivery in np.unique(last.handed_in).tolist() if samples != "none" else ():
            rows = np.flatnonzero(last.handed_in == delivery)
            for begin in range(0, rows.size, GROUP):
                table = draw_samples(last, rows[begin : begin + GROUP], rng, every=samples == "all")
                yield delivery, "samples", table
    if last is not None:
        yield len(quarters) - 1, "planned", _plan(last)


def _hand_in(piece: Piece) -> Iterator[tuple[int, str, pa.Table]]:
    """The rows of a piece by delivery. A job that closes after its delivery is handed in open, and again when it is closed."""
    ventings = piece.tables["ventings"]
    days = np.array([hand_in_day(quarter) for quarter in list_quarters()], dtype="datetime64[D]")
    closed = ventings["closed"].to_numpy("datetime64[D]")
    yet = closed > days[piece.handed_in]
    again = np.searchsorted(days, closed[yet])
    first = ventings.assign(closed=ventings["closed"].mask(yet))
    yield piece.quarter, "engines", to_arrow(piece.tables["engines"], "engines")
    yield from _by_delivery("ventings", first, piece.handed_in)
    yield from _by_delivery("ventings", ventings[yet], again)
    for name in ("starts", "lifter_checks"):
        frame = piece.tables[name]
        row = pd.Index(ventings["venting_id"]).get_indexer(frame["venting_id"])
        yield from _by_delivery(name, frame, piece.handed_in[row])


def _by_delivery(name: str, frame: pd.DataFrame, delivery: Array) -> Iterator[tuple[int, str, pa.Table]]:
    table = to_arrow(frame, name)
    for place in np.unique(delivery).tolist():
        yield place, name, table.filter(pa.array(delivery == place))


def _plan(piece: Piece) -> pa.Table:
    """Ventings to come in the weeks after the last delivery, like the last that were done."""
    frame = piece.tables["ventings"].tail(6).reset_index(drop=True)
    after = pd.Timestamp(hand_in_day(list_quarters()[-1]))
    frame["venting_id"] = [f"plan-{number + 1}" for number in range(len(frame))]
    frame["date"] = [after + timedelta(days=9 + 4 * number) for number in range(len(frame))]
    return to_arrow(frame, "planned")


def to_arrow(frame: pd.DataFrame, name: str) -> pa.Table:
    """A frame of stored columns as Arrow, in the types of the store; missing columns are left out."""
    found = {}
    for column in tables.record_tables()[name].columns:
        if column.stored in frame:
            wanted = KIND_TYPES[column.kind]
            values = pa.array(frame[column.stored], from_pandas=True)
            found[column.stored] = values if values.type == wanted else values.cast(wanted)
    return pa.table(found)


def write_large_demo(
    folder: Path | str, *, ventings: int, seed: int | None = None, samples: Samples = "none"
) -> list[Path]:
    """Writes a large invented fleet into ``folder`` as deliveries of Parquet files; returns their folders, oldest first.

    Memory does not grow with the fleet. ``truth.json`` says what was planted and how many rows each delivery has,
    ``truth_failures.parquet`` why each venting fails. Limits, actions and gauges as in the small demo; no trial.

    Raises FileExistsError as :func:`ventbook.demo.write_demo` does.
    """
    folder = Path(folder)
    clear_demo(folder)
    folder.mkdir(parents=True, exist_ok=True)
    settings, quarters = read_settings(), list_quarters()
    counts: dict[str, dict[str, int]] = {quarter: {} for quarter in quarters}
    for quarter in quarters:
        (folder / quarter).mkdir(exist_ok=True)
    with ExitStack() as stack:
        writers: dict[Path, pq.ParquetWriter] = {}
        for delivery, name, table in list_large_tables(ventings=ventings, seed=seed, samples=samples):
            path = folder / quarters[delivery] / f"{name}.parquet"
            if name == "failures":
                path = folder / "truth_failures.parquet"
            else:
                headers = {c.stored: c.header for c in tables.record_tables()[name].columns}
                table = table.rename_columns([headers[stored] for stored in table.column_names])
            if path not in writers:
                writers[path] = stack.enter_context(pq.ParquetWriter(path, table.schema))
            writers[path].write_table(table)
            if name == "failures":
                continue
            own = counts[quarters[delivery]]
            own[name] = own.get(name, 0) + table.num_rows
    for name in ("limits", "actions", "gauges"):
        shutil.copyfile(tables.DATA / f"demo_{name}.toml", folder / f"{name}.toml")
    truth: dict[str, Any] = {
        "seed": settings["fleet"]["seed"] if seed is None else seed,
        "planted": {name: dict(settings["plant"][name]) for name in PLANTS},
        "deliveries": [
            {"folder": quarter, "today": hand_in_day(quarter).isoformat(), "rows": counts[quarter]}
            for quarter in quarters
        ],
    }
    (folder / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", "utf-8")
    return [folder / quarter for quarter in quarters]


def make_demo(
    folder: Path | str,
    *,
    ventings: int = 600,
    seed: int | None = None,
    messy: bool = False,
    large: bool = False,
    samples: str = "some",
) -> list[Path]:
    """The demo that is asked for: :func:`ventbook.demo.write_demo`, or with ``large`` :func:`write_large_demo`.

    Raises InputError in one line where the choices don't go together.
    """
    if samples not in get_args(Samples):
        raise InputError(f"samples must be one of {', '.join(get_args(Samples))}; got {samples!r}")
    if large and messy:
        raise InputError("a large fleet is written without errors: leave out --large or --messy")
    if large:
        return write_large_demo(folder, ventings=ventings, seed=seed, samples=cast(Samples, samples))
    if samples == "all":
        raise InputError("traces of every venting come with a large fleet only: add --large")
    return write_demo(folder, ventings=ventings, seed=seed, messy=messy, traces=samples == "some")


def draw_samples(piece: Piece, rows: Array, rng: Rng, *, every: bool) -> pa.Table:
    """Traces of turning by hand (start_no 0) and of the first start of these ventings, in their order."""
    sites, job = read_settings()["site"], piece.job
    site = job["site"][rows]
    if not every:
        rows = rows[rng.random(rows.size) < of_each(sites, "logger_share", 0.0)[site]]
        site = job["site"][rows]
    turned = np.flatnonzero((job["turned_by"][rows] == "hand") & job["pressure_shown"][rows])
    which = np.concatenate([turned, np.arange(rows.size)])
    number = np.concatenate([np.zeros(turned.size, int), np.ones(rows.size, int)])
    order = np.lexsort([number, which])
    which, number = which[order], number[order]
    row, step = rows[which], 1.0 / of_each(sites, "logger_hz", USUAL_HZ)[site][which]
    shape = _shape_traces(piece, row, number, rng)
    count = np.ceil((shape["lead"] + shape["run"] + shape["after"]) / step).astype(int)
    trace = np.repeat(np.arange(row.size), count)
    t = (np.arange(trace.size) - np.repeat(np.cumsum(count) - count, count)) * step[trace]
    past = t - shape["lead"][trace]
    speed, pressure, oil = np.zeros(t.size), np.zeros(t.size), np.zeros(t.size)
    for kind, draw in ((0, _turn_samples), (1, _start_samples)):
        own = np.flatnonzero(number[trace] == kind)
        at = trace[own]
        part = {name: values[at] for name, values in shape.items()}
        speed[own], pressure[own], oil[own] = draw(part, past[own], rng)
    first = number[trace] == 1
    speed = np.clip(speed, 0, None)
    ids = pa.array(job["venting_id"][row].tolist(), pa.string())
    return pa.table(
        {
            "venting_id": pa.DictionaryArray.from_arrays(pa.array(trace.astype(np.int32)), ids).cast(
                pa.string()
            ),
            "start_no": number[trace],
            "t_s": np.round(t, 2),
            "speed_rpm": np.where(first, np.round(speed), np.round(speed, 1)),
            "oil_pressure_bar": np.round(np.clip(pressure, 0, None), 2),
            "oil_temperature_degC": np.round(oil + rng.normal(0, 0.1, t.size), 1),
        }
    )


def _shape_traces(piece: Piece, row: Array, number: Array, rng: Rng) -> dict[str, Array]:
    """What each trace is made of: seconds before, during and after turning or running, speeds, pressures, temperatures."""
    job, starts, n = piece.job, piece.first_starts, row.size
    shown = job["shown"][row]
    held, warm_rpm, hold_rpm, warm = (
        starts[name].fillna(0.0).to_numpy()[row]
        for name in (
            "first_hold_s",
            "warmup_speed_max_rpm",
            "first_hold_speed_rpm",
            "warmup_end_oil_temperature_degC",
        )
    )
    warm_s = np.where(shown, rng.uniform(230, 290, n), 0.0)
    before = job["rotations_crank"][row] / job["crank_speed"][row] * 60.0
    turning_on = (
        np.nan_to_num(job["rotations_after_pressure"][row])
        / job["per_crank"][row]
        / job["crank_speed"][row]
        * 60.0
    )
    first = number == 1
    begin = job["oil_temperature_degC"][row]
    top = begin + np.where(shown, (warm - begin) / (1 - np.exp(-(6 + held + warm_s) / 300.0)), 0.0)
    run = np.where(shown, 26.0 + held + warm_s, job["time_to_pressure"][row])
    return {
        "lead": np.where(first, rng.uniform(3, 6, n), rng.uniform(3, 8, n)),
        "run": np.where(first, run, before + turning_on),
        "after": np.where(first, 4.0, 5.0),
        "before": before,
        "crank_speed": job["crank_speed"][row],
        "threshold": job["pressure_threshold_bar"][row],
        "begin": begin,
        "top": top,
        "shown": shown,
        "held": held,
        "warm_s": warm_s,
        "hold_rpm": hold_rpm,
        "warm_rpm": warm_rpm,
        "time": job["time_to_pressure"][row],
        "rough": 0.03 + 0.04 * np.maximum(job["fixed"][row], 0.0),
    }


def _turn_samples(of: dict[str, Array], past: Array, rng: Rng) -> tuple[Array, Array, Array]:
    turning = (past >= 0) & (past < of["run"])
    speed = np.where(turning, of["crank_speed"] + rng.normal(0, 1.5, past.size), 0.0)
    since = past - of["before"]
    pressure = rise(since, of["threshold"], of["threshold"] + 0.6, 2.0)
    fallen = pressure * np.exp(-np.clip(past - of["run"], 0, None) / 2.0)
    return speed, np.where(turning | (since <= 0), pressure, fallen), of["begin"]


def _start_samples(of: dict[str, Array], past: Array, rng: Rng) -> tuple[Array, Array, Array]:
    held, shown = 6 + of["held"], of["shown"]
    speed = np.select(
        [past < 0, (past < 6) | ~shown, past < held, past < held + of["warm_s"]],
        [0.0, IDLE_RPM, of["hold_rpm"], of["warm_rpm"] - 40.0],
        1200.0,
    )
    speed = np.where(past < of["run"], speed, 0.0)
    speed = np.where(speed > 0, speed + rng.normal(0, 12, past.size), 0.0)
    oil = of["begin"] + (of["top"] - of["begin"]) * (1 - np.exp(-np.clip(past, 0, None) / 300.0))
    pressure = rise(past - of["time"], of["threshold"], COLD_BAR, 0.8)
    pressure = pressure * np.exp(-np.clip(past - of["run"], 0, None))
    pressure = pressure + rng.normal(0, 1, past.size) * of["rough"] * (pressure > 1.5)
    return speed, np.where(shown, pressure, 0.0), oil
