"""Time and memory of the quarterly review, 1,000 against 100,000 ventings, from the store to the exported report.

    python -m bench.bench_trends [--rounds 3] [--folder DIR]

The stores are the invented fleet laid side by side as often as it takes, with venting and engine numbers of their own;
they are made once and kept in the folder. Each round runs every cell of the notebook in a process of its own, which
tells its wall and processor seconds by cell (the first holds the libraries and opening the store) and its own peak
memory; and then ``ventbook report`` as it is called by hand, with page, PDF and workbook. Sizes take turns; medians.
"""

from __future__ import annotations

import argparse
import ast
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
NOTEBOOK = ROOT / "notebooks" / "06_quarterly_review.ipynb"
FLEET = 1000
ONE_THREAD = {
    **os.environ,
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
}  # as the reports' processes run
LIMIT_RATIO, LIMIT_GB = 2.0, 1.5


def make_store(folder: Path, times: int) -> None:
    """A store of ``times`` invented fleets of 1,000 ventings, taken in quarter by quarter, with the demo's limits."""
    sys.path.insert(0, str(ROOT / "tests"))
    import pandas as pd

    from invented_fleet import DEMO_LIMITS, fleet_tables
    from ventbook.records.store import create_store, write_snapshot
    from ventbook.records.store import snapshots as shapes

    folder.mkdir(parents=True)
    shutil.copy(DEMO_LIMITS, folder / "limits.toml")
    store = create_store(folder / "store")
    fleet = {n: t for n, t in fleet_tables(FLEET).items() if n not in shapes.FIXED and len(t)}
    quarter = fleet["ventings"].set_index("venting_id")["date"].dt.to_period("Q")
    for number, mine in enumerate(sorted(quarter.unique()), 1):
        with write_snapshot(store) as writer:
            sources: list[dict[str, Any]] = []
            for name, frame in fleet.items():
                if "venting_id" in frame:
                    part = frame[frame["venting_id"].map(quarter).eq(mine)]
                else:
                    part = frame if number == 1 else frame.iloc[:0]
                rows = lay_side_by_side(name, part, number, times)
                writer.add_rows(name, rows)
                sources.append(
                    {"file": f"{name}.csv", "sheet": "", "table": name, "rows": len(rows), "sha256": ""}
                )
            counts = {source["table"]: {"accepted": source["rows"]} for source in sources}
            today = (mine.end_time + pd.Timedelta(days=10)).date()
            writer.commit(kind="intake", today=today, counts=counts, sources=sources)


def lay_side_by_side(name: str, frame: Any, intake: int, times: int) -> Any:
    """The rows as stored, ``times`` times with venting and engine numbers of their own; the rest is shared, not copied."""
    import pyarrow as pa
    import pyarrow.compute as pc

    from ventbook.records.store import snapshots as shapes

    schema = shapes.record_schema(name)
    kept = pa.schema([field for field in schema if not field.name.startswith("_")])
    one = pa.Table.from_pandas(frame, schema=kept, preserve_index=False)
    for field in (field for field in schema if field.name.startswith("_")):
        mark = {"_intake": intake, "_file": f"{name}.csv", "_line": 1}.get(field.name)
        one = one.append_column(field, pa.array([mark] * len(frame), field.type))
    parts = []
    for k in range(times):
        part = one
        for key in {"venting_id", "engine_id"} & set(one.column_names):
            own = pc.binary_join_element_wise(one[key], f"/{k}", "")
            part = part.set_column(part.column_names.index(key), key, own)
        parts.append(part)
    return pa.concat_tables(parts)


def run_cells(store: str) -> dict[str, Any]:
    """Runs the notebook's cells one after the other; wall and processor seconds by cell, and peak memory in GB."""
    cells = json.loads(NOTEBOOK.read_text("utf-8"))["cells"]
    texts = ["".join(cell["source"]) for cell in cells if cell["cell_type"] == "code"]
    space: dict[str, Any] = {}
    took = {"(libraries)": (time.time() - _begun(), time.process_time())}
    with tempfile.TemporaryDirectory() as out:
        for text in texts:
            wall, busy = time.perf_counter(), time.process_time()
            exec(compile(text, "cell", "exec"), space)
            space |= {"store": store, "out": out}
            took[_name(text)] = (time.perf_counter() - wall, time.process_time() - busy)
    peak = next(line for line in Path("/proc/self/status").read_text().splitlines() if "VmHWM" in line)
    return {"took": took, "peak": int(peak.split()[1]) / 2**20}


def _begun() -> float:
    """When this process was started, seconds since the epoch."""
    ticks = int(Path("/proc/self/stat").read_text().rsplit(")", 1)[1].split()[19])
    booted = time.time() - time.clock_gettime(time.CLOCK_BOOTTIME)
    return booted + ticks / os.sysconf("SC_CLK_TCK")


def _name(text: str) -> str:
    called = [
        n.func.attr for n in ast.walk(ast.parse(text)) if isinstance(n, ast.Call) and hasattr(n.func, "attr")
    ]
    return " + ".join(called) or "parameters"


def run_report(store: Path, out: Path) -> dict[str, Any]:
    """``ventbook report quarterly-review``: wall and processor seconds of it and all it starts, peak of the largest process."""
    begun = time.perf_counter()
    call = ["report", "quarterly-review", "--store", str(store), "--out", str(out)]
    process = subprocess.Popen([sys.executable, "-m", "ventbook.run.cli", *call], stdout=subprocess.DEVNULL)
    mine, busy, peak = {process.pid}, {}, {}
    while process.poll() is None:
        for entry in sorted(Path("/proc").glob("[0-9]*"), key=lambda entry: int(entry.name)):
            try:
                fields = (entry / "stat").read_text().rsplit(")", 1)[1].split()
                status = (entry / "status").read_text()
            except (OSError, IndexError):
                continue
            pid = int(entry.name)
            if "VmHWM" in status and (pid in mine or int(fields[1]) in mine):
                mine.add(pid)
                busy[pid] = (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
                peak[pid] = int(status.split("VmHWM:")[1].split()[0]) / 2**20
        time.sleep(0.05)
    if process.returncode:
        raise SystemExit(f"the report ended with {process.returncode}")
    took = {"ventbook report": (time.perf_counter() - begun, sum(busy.values()))}
    return {"took": took, "peak": max(peak.values())}


def main(arguments: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--times", type=int, default=100, help="fleets of 1,000 in the large store")
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()) / "ventbook-bench-review")
    parser.add_argument("--make", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--cells", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args(arguments)
    if asked.make:
        make_store(asked.make, asked.times)
    elif asked.cells:
        print(json.dumps(run_cells(str(asked.cells))))
    else:
        compare_sizes(asked.folder, asked.times, asked.rounds)


def compare_sizes(base: Path, many: int, rounds: int) -> None:
    """Makes the stores that are missing, runs the rounds and prints what they took."""
    folders = {times: base / f"{times * FLEET}" for times in (1, many)}
    itself = [sys.executable, "-m", "bench.bench_trends"]
    for times, folder in folders.items():
        if not folder.exists():
            subprocess.run([*itself, "--make", str(folder), "--times", str(times)], cwd=ROOT, check=True)
    runs: dict[str, dict[int, list[dict[str, Any]]]] = {
        what: {t: [] for t in folders} for what in ("cells", "report")
    }
    for _ in range(rounds):
        for times, folder in folders.items():
            call = [*itself, "--cells", str(folder / "store")]
            done = subprocess.run(call, cwd=ROOT, check=True, capture_output=True, text=True, env=ONE_THREAD)
            runs["cells"][times].append(json.loads(done.stdout))
            with tempfile.TemporaryDirectory() as out:
                runs["report"][times].append(run_report(folder / "store", Path(out)))
    sizes = "".join(f"{t * FLEET:>20,d}" for t in folders)
    print(f"{'seconds: wall (processor)':34s}{sizes}   ratio: wall (processor); limit {LIMIT_RATIO}")
    for what, sets in runs.items():
        names = list(next(iter(sets.values()))[0]["took"])
        for name in [*names, "all cells"] if what == "cells" else names:
            print(f"{name[:34]:34s}" + _row([_median(sets[t], name) for t in folders]))
        peaks = [max(run["peak"] for run in sets[t]) for t in folders]
        print(f"{'peak GB':34s}" + "".join(f"{p:20.2f}" for p in peaks) + f"   limit {LIMIT_GB}")


def _median(runs: list[dict[str, Any]], name: str) -> tuple[float, float]:
    """Median wall and processor seconds of a cell, or of all cells together."""
    chosen = [
        [sum(v) for v in zip(*r["took"].values(), strict=True)] if name == "all cells" else r["took"][name]
        for r in runs
    ]
    return tuple(statistics.median(v) for v in zip(*chosen, strict=True))


def _row(pairs: list[tuple[float, float]]) -> str:
    (few, few_busy), (many, many_busy) = pairs
    cells = "".join(f"{f'{wall:.2f} ({busy:.2f})':>20s}" for wall, busy in pairs)
    return f"{cells}   {many / max(few, 1e-6):.2f} ({many_busy / max(few_busy, 1e-6):.2f})"


if __name__ == "__main__":
    main()
