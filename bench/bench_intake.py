"""How long a million-row file of ventings takes to be taken in, against the least that any program must do.

    python bench/bench_intake.py [--rows 1000000] [--rounds 3] [--bad 0.02]

Side by side in one run, each in a process of its own, medians:
- limit: typed Arrow parse of the file and a zstd Parquet write (checks nothing)
- intake: the whole intake into an empty store (text parse, conversion from US units, every check, held rows, commit)
- by hand: the same work as one would write it in pandas (read as text, to_numeric, units, ranges, orphans, Parquet)
The file is in US units; ``--bad`` of its rows are bad (0: a good file). Only ratios carry over to another machine.
"""

from __future__ import annotations

import argparse
import json
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as pc
import pyarrow.parquet as pq

QUANTITIES = {  # header -> (low, high, decimals)
    "hours_since_overhaul [h]": (0, 900, 0),
    "suction_line_length [ft]": (2.5, 6.5, 1),
    "suction_line_bore [in]": (0.35, 0.48, 3),
    "cooler_volume [qt]": (0, 0.3, 2),
    "filter_volume [qt]": (0.1, 0.25, 2),
    "oil_temperature [degF]": (40, 90, 0),
    "ambient_temperature [degF]": (35, 88, 0),
    "elevation [ft]": (0, 3000, 0),
    "tank_head [ft]": (-1.5, 0.9, 2),
    "tank_overpressure [psi]": (0, 12, 1),
    "pressurised_before_turning [s]": (0, 300, 0),
    "turning_speed [rpm]": (20, 110, 0),
    "pressure_threshold [psi]": (7, 15, 1),
    "pressure_at_stop [psi]": (10, 40, 1),
    "rest_before_start [h]": (0.5, 40, 1),
}
CODES = {
    "site": ["Harbour", "Ridge", "Plain", "Lake"],
    "technician": [f"Person {n} Invented" for n in range(60)],
    "reason": ["oil_change", "cooler_replaced", "overhauled_engine", "lifters_replaced"],
    "lifter_lot": [f"L-{n}" for n in range(40)],
    "lines_empty": ["yes", "no"],
    "cooler_empty": ["yes", "no", ""],
    "filter_new": ["yes", "no"],
    "oil_grade": ["10W-40", "15W-40", "20W-50"],
    "turned_by": ["hand", "starter"],
    "plugs_removed": ["yes", "no", ""],
    "rotations_counted_at": ["propeller", "crankshaft"],
    "pressure_steady": ["steady", "flickered", "lost_and_back", ""],
    "pressure_shown": ["yes", "no"],
    "tank_ran_low": ["yes", "no", ""],
    "turned_backwards": ["no", ""],
    "procedure_revision": ["C", "D"],
    "remarks": ["", "", "", "", "count checked twice", "gauge line bled first"],
}


def write_file(path: Path, rows: int, share: float = 0.02) -> None:
    """Ventings in US units, a share of the rows bad in one of five ways; engines beside it."""
    rng = np.random.default_rng(20260701)
    engines = 5000
    (path.parent / "engines.csv").write_text(
        "engine_id,engine_type,cylinders\n" + "".join(f"E{n:05d},flat4,4\n" for n in range(engines))
    )
    columns: dict[str, np.ndarray] = {
        "venting_id": np.char.add("V", np.char.zfill(np.arange(rows).astype(str), 8)),
        "engine_id": np.char.add("E", np.char.zfill(rng.integers(0, engines, rows).astype(str), 5)),
        "date": (np.datetime64("2024-10-01") + rng.integers(0, 730, rows)).astype(str),
    }
    for name, choices in CODES.items():
        columns[name] = np.array(choices)[rng.integers(0, len(choices), rows)]
    for name, (low, high, decimals) in QUANTITIES.items():
        values = np.round(rng.uniform(low, high, rows), decimals)
        columns[name] = values.astype(int).astype(str) if decimals == 0 else values.astype(str)
    columns["rotations"] = rng.integers(1, 160, rows).astype(str)
    columns = {name: values.astype(object) for name, values in columns.items()}
    bad = rng.choice(rows, round(rows * share), replace=False)
    kinds = rng.integers(0, 5, len(bad))
    for kind, (name, text) in enumerate(
        [
            ("rotations", "abt 40"),
            ("oil_temperature [degF]", "1180"),
            ("reason", "oil chg"),
            ("date", "07/04/2026"),
            ("engine_id", "E99999"),
        ]
    ):
        columns[name][bad[kinds == kind]] = text
    table = pa.table({name: pa.array(values, pa.string()) for name, values in columns.items()})
    pc.write_csv(table, path, pc.WriteOptions(quoting_style="none"))


def run_limit(folder: Path) -> int:
    """Typed parse and write; the bad cells are read as text columns, for a typed parse would stop at the first."""
    floats = dict.fromkeys(QUANTITIES, pa.float64())
    floats["oil_temperature [degF]"] = pa.float64()
    table = pc.read_csv(
        folder / "ventings.csv",
        convert_options=pc.ConvertOptions(column_types=floats, strings_can_be_null=True),
    )
    pq.write_table(table, folder / "limit.parquet", compression="zstd")
    return table.num_rows


def run_intake(folder: Path) -> int:
    from ventbook.records import intake

    result = intake.ingest([folder], store=folder / "store", today=np.datetime64("2026-10-01").item())
    counts = result.counts.loc["ventings"]
    assert counts["accepted"] + len(result.quarantine) == counts["rows"]
    return int(counts["accepted"])


def run_by_hand(folder: Path) -> int:
    """What a careful person writes: text in, one check after another, bad rows apart, canonical units out."""
    import pandas as pd

    table = pd.read_csv(folder / "ventings.csv", dtype=str, keep_default_na=False)
    engines = pd.read_csv(folder / "engines.csv", dtype=str)
    bad = pd.Series(False, index=table.index)
    scale = {
        "[h]": lambda v: v,
        "[ft]": lambda v: v * 0.3048,
        "[in]": lambda v: v * 25.4,
        "[qt]": lambda v: v * 0.946352946,
        "[degF]": lambda v: (v - 32) / 1.8,
        "[psi]": lambda v: v * 0.06894757293168362,
        "[s]": lambda v: v,
        "[rpm]": lambda v: v,
    }
    ranges = {"oil_temperature [degF]": (-40, 150), "tank_overpressure [psi]": (0, 3)}
    out = {}
    for name in table.columns:
        text = table[name].str.strip()
        if name in QUANTITIES:
            values = pd.to_numeric(text, errors="coerce")
            bad |= values.isna() & (text != "")
            values = scale[name[name.index("[") :]](values)
            low, high = ranges.get(name, (-1e9, 1e9))
            bad |= ~values.between(low, high) & values.notna()
            out[name] = values
        elif name == "rotations":
            values = pd.to_numeric(text, errors="coerce")
            bad |= values.isna() | ~values.between(0, 2000)
            out[name] = values
        elif name == "date":
            values = pd.to_datetime(text, format="%Y-%m-%d", errors="coerce")
            bad |= values.isna()
            out[name] = values
        elif set(CODES.get(name, [])) <= {"yes", "no", ""} and name in CODES:
            values = text.map({"yes": True, "no": False})
            bad |= values.isna() & (text != "")
            out[name] = values
        elif name in ("reason", "turned_by", "rotations_counted_at", "pressure_steady"):
            bad |= ~text.isin(CODES[name])
            out[name] = text
        else:
            out[name] = text
    bad |= ~table["engine_id"].isin(engines["engine_id"])
    bad |= table["venting_id"].duplicated(keep=False)
    done = pd.DataFrame(out)
    done[~bad].to_parquet(folder / "by_hand.parquet", compression="zstd")
    table[bad].to_csv(folder / "held.csv", index=False)
    return int((~bad).sum())


WAYS = {"limit": run_limit, "intake": run_intake, "by hand": run_by_hand}


def time_way(way: str, folder: Path) -> dict[str, float]:
    """Run one way in a process of its own; wall seconds without interpreter start, and peak memory."""
    done = subprocess.run(
        [sys.executable, __file__, "--one", way, str(folder)], capture_output=True, text=True, check=True
    )
    found: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return found


def main() -> None:
    """Print seconds, ratios and peak memory."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--bad", type=float, default=0.02)
    parser.add_argument("--ways", nargs="*", choices=list(WAYS), default=list(WAYS))
    parser.add_argument("--one", nargs=2)
    given = parser.parse_args()
    if given.one:
        way, folder = given.one
        begin = time.perf_counter()
        rows = WAYS[way](Path(folder))
        took = time.perf_counter() - begin
        # not ru_maxrss, which a child inherits from the process that started it
        status = Path("/proc/self/status")
        lines = status.read_text().splitlines() if status.exists() else []
        peak = next((int(line.split()[1]) / 1e6 for line in lines if line.startswith("VmHWM")), float("nan"))
        print(json.dumps({"seconds": took, "cpu": time.process_time(), "GB": peak, "rows": rows}))
        return
    import shutil

    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary) / "records"
        folder.mkdir()
        write_file(folder / "ventings.csv", given.rows, given.bad)
        print(f"{given.rows:,} rows, {(folder / 'ventings.csv').stat().st_size / 1e6:.0f} MB")
        found: dict[str, list[dict[str, float]]] = {way: [] for way in given.ways}
        for _ in range(given.rounds):
            for way in found:
                shutil.rmtree(folder / "store", ignore_errors=True)
                for extra in ("held.csv", "limit.parquet", "by_hand.parquet"):
                    (folder / extra).unlink(missing_ok=True)
                found[way].append(time_way(way, folder))
        print(
            "cpu: seconds of processor time with imports, which a busy machine disturbs less than the wall's"
        )
        print("x limit: of the medians, of the lowest, median of the rounds' own ratios")
        for way, runs in found.items():
            said = [f"{way:8s} peak {max(r['GB'] for r in runs):.2f} GB  rows {runs[0]['rows']:,.0f}"]
            for what in ("seconds", "cpu"):
                own, limit = [r[what] for r in runs], [r[what] for r in found.get("limit", runs)]
                each = statistics.median(a / b for a, b in zip(own, limit, strict=True))
                middle = statistics.median(own)
                ratios = f"{middle / statistics.median(limit):.2f} / {min(own) / min(limit):.2f} / {each:.2f} x limit"
                said.append(f"{what} {middle:.2f} (lowest {min(own):.2f}) {ratios}")
            print("; ".join(said))


if __name__ == "__main__":
    main()
