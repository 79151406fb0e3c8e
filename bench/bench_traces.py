"""Features of traces against only reading the columns, and against pandas groupby-apply.

9 M and 90 M generated samples of a logger at 10 Hz (VENTBOOK_BENCH_ROWS=9000000,90000000), two threads each,
interleaved (VENTBOOK_BENCH_ROUNDS, default 7). Reading is once of all columns, once of those alone that the features
still need where the file's footer tells its starts, and once of these with the checksums of their pages verified, as the
features do. Ratios are of the lowest times, and the median of the rounds' own; ``cpu``
is processor time, which a busy machine disturbs less. Peak memory is the process's high-water mark of a run of its own.
"""

import json
import os
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from ventbook.model.traces.partitions import CHANNELS, FOOTER, KEY, features_of_files
from ventbook.records.intake.trace_features import open_writer

PER_START = 6000
GROUP_ROWS = 1_000_000


def write_starts(path: Path, rows: int, *, seed: int = 1) -> pd.DataFrame:
    """A samples file of ``rows`` samples, row groups cut at start boundaries; returns the ventings."""
    rng = np.random.default_rng(seed)
    starts = rows // PER_START
    t = np.arange(PER_START) / 10
    a_group = GROUP_ROWS // PER_START
    writer = None
    for begin in range(0, starts, a_group):
        number = np.arange(begin, min(begin + a_group, starts))
        rise = rng.uniform(2, 8, number.size)[:, None]
        speed = np.where(t < 1, 0, np.interp(t, [1, 2, 130, 131, 500, 600], [0, 2000, 2000, 2350, 2350, 900]))
        noise = rng.normal(0, 1, (number.size, t.size))
        table = pa.table(
            {
                "venting_id": pa.array([f"V{k:06d}" for k in number]).take(
                    np.repeat(np.arange(number.size), t.size)
                ),
                "start_no": pa.array(np.ones(number.size * t.size, np.int64)),
                "t_s": np.tile(t, number.size),
                "speed_rpm": np.round(np.maximum(speed + 8 * noise * (speed > 0), 0), 0).ravel(),
                "oil_pressure_bar": np.round(np.clip((t - rise) * 2, 0, 4) + 0.03 * noise, 2).ravel(),
                "oil_temperature_degC": np.tile(np.round(20 + 40 * (1 - np.exp(-t / 200)), 1), number.size),
            }
        )
        writer = writer or open_writer(path)
        writer.write_table(table, row_group_size=table.num_rows)
    assert writer is not None
    a_group_of = [[f"V{k:06d}", 1, PER_START, 0, 1, k // a_group] for k in range(starts)]
    writer.add_key_value_metadata({FOOTER: json.dumps(a_group_of)})  # as the store writes it
    writer.close()
    return pd.DataFrame(
        {
            "venting_id": [f"V{k:06d}" for k in range(starts)],
            "engine_type": "flat4",
            "date": pd.Timestamp("2026-01-01"),
            "pressure_threshold_bar": 0.5,
        }
    )


def read_only(path: Path, columns: tuple[str, ...] = (*KEY, *CHANNELS), *, checked: bool = False) -> int:
    """Row group by row group with two threads, nothing done with the columns."""
    metadata = pq.read_metadata(path)

    def read(group: int) -> int:
        with pq.ParquetFile(
            path,
            metadata=metadata,
            read_dictionary=["venting_id"],
            memory_map=True,
            page_checksum_verification=checked,
        ) as parquet:
            return parquet.read_row_group(group, columns=list(columns), use_threads=False).num_rows

    with ThreadPoolExecutor(2) as pool:
        return sum(pool.map(read, range(metadata.num_row_groups)))


def by_groups(path: Path) -> pd.DataFrame:
    """The plain way: one pandas frame, a function a start."""

    def one(start: pd.DataFrame) -> pd.Series:
        run = start["speed_rpm"].ge(300)
        begin = start["t_s"][run.idxmax()]
        over = start["oil_pressure_bar"].ge(0.5) & start["t_s"].ge(begin)
        return pd.Series(
            {
                "time": start["t_s"][over.idxmax()] - begin,
                "mean": start["oil_pressure_bar"][over].mean(),
                "lowest": start["oil_pressure_bar"][over].min(),
                "dips": (start["oil_pressure_bar"][over].lt(0.5).astype(int).diff() == 1).sum(),
                "hold": start["speed_rpm"].between(1900, 2100).mul(start["t_s"].diff().fillna(0)).sum(),
            }
        )

    frame = pd.read_parquet(path, columns=[*KEY, *CHANNELS])
    return frame.groupby(list(KEY), observed=True)[list(CHANNELS)].apply(one)


def timed(work, *args) -> tuple[float, float]:
    """(seconds on the clock, seconds of processor time)."""
    begin, spent = time.perf_counter(), time.process_time()
    work(*args)
    return time.perf_counter() - begin, time.process_time() - spent


def peak(path: Path, work: str) -> float:
    """High-water memory in MB of a fresh interpreter doing ``work`` ("import", "read" or "features")."""
    code = (
        "from pathlib import Path; from bench import bench_traces as b; "
        f"path = Path({str(path)!r}); ventings = b.ventings_of(path); "
        "{'import': lambda: None, 'read': lambda: b.read_only(path), "
        f"'features': lambda: b.features_of_files([path], ventings)}}[{work!r}](); "
        "print([line for line in open('/proc/self/status') if line.startswith('VmHWM')][0].split()[1])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return float(done.stdout) / 1024


def ventings_of(path: Path) -> pd.DataFrame:
    starts = pq.ParquetFile(path).metadata.num_rows // PER_START
    return pd.DataFrame(
        {
            "venting_id": [f"V{k:06d}" for k in range(starts)],
            "engine_type": "flat4",
            "date": pd.Timestamp("2026-01-01"),
            "pressure_threshold_bar": 0.5,
        }
    )


def main() -> None:
    sizes = [int(v) for v in os.environ.get("VENTBOOK_BENCH_ROWS", "9000000,90000000").split(",")]
    results = []
    with tempfile.TemporaryDirectory() as folder:
        for rows in sizes:
            path = Path(folder) / f"samples_{rows}.parquet"
            ventings = write_starts(path, rows)
            features_of_files([path], ventings)
            rounds = [
                (
                    timed(read_only, path),
                    timed(read_only, path, CHANNELS),
                    timed(partial(read_only, checked=True), path, CHANNELS),
                    timed(features_of_files, [path], ventings),
                )
                for _ in range(int(os.environ.get("VENTBOOK_BENCH_ROUNDS", "7")))
            ]
            took = np.array(rounds)  # round, way, (clock, processor)
            row: dict[str, float] = {
                "rows": rows,
                "file_MB": path.stat().st_size / 1e6,
                "read_s": took[:, 0, 0].min(),
            }
            for way, name in enumerate(("read", "read_channels", "read_checked")):
                for what, clock in enumerate(("", "cpu_")):
                    ours, limit = took[:, 3, what], took[:, way, what]
                    row[f"features_x_{name}_{clock}lowest"] = ours.min() / limit.min()
                    row[f"features_x_{name}_{clock}median"] = float(np.median(ours / limit))
            row |= {
                "peak_import_MB": peak(path, "import"),
                "peak_read_MB": peak(path, "read"),
                "peak_features_MB": peak(path, "features"),
            }
            if rows <= 9_000_000:
                row["groupby_apply_x_features"] = timed(by_groups, path)[1] / took[:, 3, 1].min()
            results.append(row)
            print(json.dumps({k: round(v, 3) for k, v in row.items()}), flush=True)


if __name__ == "__main__":
    main()
