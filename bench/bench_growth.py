"""How every report, intake, reading as of an earlier snapshot and the rest grow with the fleet, side by side in one run.

    python -m bench.bench_growth [--sizes 1000 10000 100000] [--work NAME ...] [--folder DIR] [--workers 2] [--table bench/growth.csv]

Each piece of work runs in a process of its own: reports as their notebooks' cells from the store to findings, tables, page
and workbook (no PDF, no kernel). Printed: processor seconds, highest memory and, for reports, the size of the page; and
how many times the smaller fleet's each is. Sizes take turns within a piece of work, so that a busy machine spoils
both alike. What is worked on is made once a folder: stores straight as accepted tables (``bench.large_store``), the same
records as CSV files of eight deliveries, a thousand samples a venting.

``--workers`` does it with so many processes of a Dask cluster on this machine, of one thread each; only work that says so
(CLUSTERED) hands anything to them. Processor seconds are those of all processes, ``longest_s`` those of this process and the
busier worker: what it would take by the clock where each has a core of its own. Memory is the sum of each process's highest.
``--table`` puts the rows into a table, in place of those of the same work, and ``bench/growth.md`` quotes the committed one:
``--quote`` alone writes it there.
"""

from __future__ import annotations

import argparse
import csv
import json
import math
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from itertools import pairwise
from pathlib import Path
from typing import Any

from calibrate.figures import place_section

from ventbook.cluster import use_workers
from ventbook.reports import report_specs

ROOT = Path(__file__).resolve().parents[1]
TABLE, DOCUMENT = ROOT / "bench" / "growth.csv", ROOT / "bench" / "growth.md"
COLUMNS = (
    "work",
    "ventings",
    "workers",
    "processor_s",
    "longest_s",
    "wall_s",
    "peak_mb",
    "page_kb",
    "ended",
    "held_mb",
)
FIRST = "<!-- figures: written by `python -m bench growth --quote`, not by hand -->"
LAST = "<!-- end of figures -->"
SIZES = (1_000, 10_000, 100_000)
CLUSTERED = ("intake", "traces", "account")
KEEP_MEMORY = {"MALLOC_TRIM_THRESHOLD_": "1073741824", "MALLOC_MMAP_THRESHOLD_": "33554432"}
PER_VENTING = 1000  # samples
FILES = 4  # of a table in a delivery
Row = dict[str, Any]


def do_work(name: str, size: int, base: Path, workers: int) -> Row:
    """Does one piece of work in this process, or with workers; what it took."""
    page = 0
    with _start_workers(workers) as (address, client):
        before, begun = _use(client), time.perf_counter()
        with use_workers(address), _watch_held() as held:
            if name in OTHER:
                OTHER[name](size, base)
            else:
                page = _run_report(name, _store(size, base))
        wall, after = time.perf_counter() - begun, _use(client)
    busy = [after[place][0] - before[place][0] for place in after]
    return {
        "work": name,
        "ventings": size,
        "workers": workers,
        "processor_s": round(sum(busy), 2),
        "longest_s": round(busy[0] + max(busy[1:], default=0.0), 2),
        "wall_s": round(wall, 2),
        "peak_mb": round(sum(most for _, most in after.values())),
        "page_kb": round(page / 1024),
        "ended": "",
        "held_mb": round(held[0]),
    }


@contextmanager
def _watch_held() -> Iterator[list[float]]:
    """The highest memory in MB that this process held for itself, looked at ten times a second: files that it maps don't count."""
    held, done = [0.0], threading.Event()

    def look() -> None:
        while not done.wait(0.1):
            held[0] = max(held[0], _read_status("RssAnon"))

    watcher = threading.Thread(target=look, daemon=True)
    watcher.start()
    try:
        yield held
    finally:
        done.set()
        watcher.join()


@contextmanager
def _start_workers(count: int) -> Iterator[tuple[str, Any]]:
    """Address and client of a cluster on this machine; nothing of either for one worker, which is this process."""
    if count == 1:
        yield "", None
        return
    from distributed import Client, LocalCluster

    os.environ |= KEEP_MEMORY  # workers are started with it
    with (
        tempfile.TemporaryDirectory() as scratch,
        LocalCluster(
            n_workers=count,
            threads_per_worker=1,
            dashboard_address=":0",
            host="127.0.0.1",
            local_directory=scratch,
        ) as local,
        Client(local, set_as_default=False) as client,
    ):
        yield local.scheduler_address, client


def _use(client: Any) -> dict[str, tuple[float, float]]:
    """Processor seconds and highest memory in MB, of this process, then of each worker."""
    return {"": measure_use(), **(client.run(measure_use) if client else {})}


def measure_use() -> tuple[float, float]:
    """Processor seconds of this process and its ended children, and its highest memory in MB (the system's own figure for a
    process starts with what the one that started it held).
    """
    return sum(os.times()[:4]), _read_status("VmHWM")


def _read_status(name: str) -> float:
    """One of the system's figures of this process's memory, in MB."""
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith(name))


def _store(size: int, base: Path) -> Path:
    return base / f"{size}" / "store"


def _run_report(name: str, store: Path) -> int:
    """Runs a report on a store that keeps nothing but its analysis tables; the size of its page in bytes."""
    sys.path.insert(0, str(ROOT / "tests"))
    from run_pages import run_page
    from ventbook.document.html import report_html
    from ventbook.document.sequence import Blocks
    from ventbook.records.store import CACHE
    from ventbook.reports.kept import KEPT
    from ventbook.run.export import make_document, stamp_line

    for file in (store / CACHE).glob(f"*{KEPT}"):
        file.unlink()
    with tempfile.TemporaryDirectory() as out:
        done = run_page(name, store, out)
        blocks = Blocks(*(block for shown in done.shown for block in shown))
        document = make_document(blocks, done.closing)
        page = report_html(document, scope=done.closing.scope, stamp=stamp_line(done.closing.stamp))
    return len(page.encode())


def _read(size: int, base: Path) -> None:
    from ventbook.model import read_ventings

    assert len(read_ventings(_store(size, base))) == size


def _make_tables(size: int, base: Path) -> None:
    """What the first page of a store works out for all: the two analysis tables."""
    from ventbook import open_page

    page = open_page("lifter-gaps", {"store": str(_store(size, base))})
    assert len(page.all_jobs) == size


def _read_as_of(size: int, base: Path) -> None:
    from ventbook.model import read_ventings

    assert 0 < len(read_ventings(_store(size, base), as_of=4)) < size


def _read_lifters_as_of(size: int, base: Path) -> None:
    from ventbook.model import read_lifters

    assert len(read_lifters(_store(size, base), as_of=4)) > size


def _check(size: int, base: Path) -> None:
    from ventbook.records.store import check_store

    assert not check_store(_store(size, base)).damages


def _back_up(size: int, base: Path) -> None:
    from ventbook.records.store.backup import back_up, restore_backup

    with tempfile.TemporaryDirectory(dir=base) as folder:
        back_up(_store(size, base), Path(folder) / "store.zip")
        restore_backup(Path(folder) / "store.zip", Path(folder) / "store")


def _watch(size: int, base: Path) -> None:
    from ventbook.records.store import open_store
    from ventbook.reports.alarms import read_outcomes
    from ventbook.statistics.monitor import monitor_streams

    records = open_store(_store(size, base)).snapshot().records()
    monitor_streams(read_outcomes(records, limits=records.limits))


def _write_demo(size: int, base: Path) -> None:
    from ventbook.demo import make_demo

    make_demo(base / f"{size}" / "deliveries", ventings=size, large=True, samples="some")


def _take_in(size: int, base: Path) -> None:
    """Eight deliveries of CSV files in turn, all good."""
    from ventbook.demo.settings import hand_in_day
    from ventbook.records.intake import ingest
    from ventbook.records.store import open_store

    with tempfile.TemporaryDirectory(dir=base) as folder:
        for delivery in sorted((base / f"{size}" / "files").iterdir()):
            result = ingest([delivery], store=Path(folder) / "store", today=hand_in_day(delivery.name))
            assert result.quarantine.empty
        ids = open_store(Path(folder) / "store").snapshot().read("ventings", ["venting_id"])
        assert len(ids) == size


def _write_files(size: int, base: Path) -> None:
    """The records of the store of ``size`` as CSV files of deliveries, each table in FILES of them."""
    import pyarrow as pa
    import pyarrow.compute as pc
    from pyarrow.csv import CSVWriter

    from ventbook import tables
    from ventbook.demo.large_writing import list_large_tables
    from ventbook.demo.settings import list_quarters

    writers: dict[Path, CSVWriter] = {}
    with ExitStack() as stack:
        for place, name, rows in list_large_tables(ventings=size):
            if name == "failures":
                continue
            headers = {column.stored: column.header for column in tables.record_tables()[name].columns}
            said = {
                headers[column]: pc.if_else(rows[column], "yes", "no")
                if pa.types.is_boolean(rows[column].type)
                else rows[column]
                for column in rows.column_names
            }
            texts, each = pa.table(said), -(-rows.num_rows // FILES)
            for number in range(-(-rows.num_rows // each)):
                path = base / f"{size}" / "files" / list_quarters()[place] / f"{name}_{number}.csv"
                path.parent.mkdir(parents=True, exist_ok=True)
                if path not in writers:
                    writers[path] = stack.enter_context(CSVWriter(path, texts.schema))
                writers[path].write_table(texts.slice(number * each, each))


def _reduce_traces(size: int, base: Path) -> None:
    from bench.bench_traces import ventings_of
    from ventbook.model.traces.partitions import features_of_files

    path = base / f"{size}" / "samples.parquet"
    ventings = ventings_of(path)
    assert len(features_of_files([path], ventings, workers=1)) == len(ventings)


def _write_samples(size: int, base: Path) -> None:
    from bench.bench_traces import write_starts

    write_starts(base / f"{size}" / "samples.parquet", PER_VENTING * size)


def _explain(size: int, base: Path) -> None:
    """The account of a fleet drawn for calibration, so without reading a store."""
    from calibrate.calibrate_account import draw_workshop

    from ventbook.statistics.causes import explain_failures

    drawn = draw_workshop(0, ventings=size, rate=0.02)
    explain_failures(drawn.ventings, drawn.lifters)


OTHER: Mapping[str, Callable[[int, Path], None]] = {
    "read": _read,
    "analysis tables": _make_tables,
    "read as of": _read_as_of,
    "lifters as of": _read_lifters_as_of,
    "check": _check,
    "backup and back": _back_up,
    "monitor alone": _watch,
    "demo --large": _write_demo,
    "intake": _take_in,
    "traces": _reduce_traces,
    "account": _explain,
}


def _prepare(name: str, size: int, base: Path) -> None:
    """Makes what is missing of what a piece of work is done on."""
    from bench.large_store import make_store

    own = base / f"{size}"
    if name == "intake" and not (own / "files").exists():
        _write_files(size, base)
    elif name == "traces" and not (own / "samples.parquet").exists():
        own.mkdir(parents=True, exist_ok=True)
        _write_samples(size, base)
    elif name not in ("intake", "traces", "account", "demo --large") and not _store(size, base).exists():
        make_store(own, size)


def compare_sizes(
    base: Path, sizes: list[int], names: list[str], *, workers: int, most_s: float, table: Path | None
) -> None:
    """Does the work and prints a line a piece of it; puts the rows into the table where one is named."""
    heads = "".join(f"{size:>24,d}" for size in sizes)
    print(f"{'seconds, MB, page in kB':24s}{heads}   times seconds, MB for each ten-fold", flush=True)
    for name in names:
        found = []
        for size in sizes:
            _prepare(name, size, base)
            call = ["--one", name, "--sizes", f"{size}", "--folder", f"{base}", "--workers", f"{workers}"]
            row: Row = {"work": name, "ventings": size, "workers": workers}
            try:
                done = subprocess.run(
                    [sys.executable, "-m", "bench.bench_growth", *call],
                    cwd=ROOT, capture_output=True, text=True, check=False, timeout=most_s,
                )  # fmt: skip
            except subprocess.TimeoutExpired:
                row["ended"] = f"not within {most_s:g} s"
            else:
                row["ended"] = f"exit {done.returncode}"
                if not done.returncode:
                    row = json.loads(done.stdout.splitlines()[-1])
                else:
                    print(f"{name} at {size}: {done.stderr.strip().splitlines()[-1:]}", file=sys.stderr)
            found.append(row)
            if table is not None:
                keep_rows(table, [row])
        cells = "".join(f"{_say(took):>24s}" for took in found)
        print(f"{name:24s}{cells}   {'; '.join(_grow(found))}", flush=True)


def keep_rows(path: Path, rows: list[Row]) -> None:
    """Puts rows into the table in place of those of the same work, fleet and workers; sorted by these."""
    kept = {
        (row["work"], int(row["ventings"]), int(row["workers"])): row for row in [*read_rows(path), *rows]
    }
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, COLUMNS, restval="", lineterminator="\n")
        writer.writeheader()
        writer.writerows(kept[key] for key in sorted(kept))


def read_rows(path: Path) -> list[Row]:
    """Rows of the table; none where there is no table."""
    if not path.exists():
        return []
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def write_section(rows: list[Row]) -> str:
    """What the document quotes of the table: a line for work and workers, with growth from each size to the next."""
    sizes = sorted({int(row["ventings"]) for row in rows})
    heads = " | ".join(f"{size:,}" for size in sizes)
    lines = [FIRST, "", f"| work | workers | {heads} | seconds and memory, times at each ten-fold |"]
    lines.append("|---" * (len(sizes) + 3) + "|")
    by_work: dict[tuple[str, str], dict[int, Row]] = {}
    for row in rows:
        by_work.setdefault((row["work"], row["workers"]), {})[int(row["ventings"])] = row
    for (name, workers), own in by_work.items():
        cells = [_say(own[size], "long") if size in own else "" for size in sizes]
        grown = "; ".join(_grow([own[size] for size in sizes if size in own]))
        lines.append(f"| {' | '.join([name, workers, *cells, grown])} |")
    return "\n".join([*lines, "", LAST])


def _say(row: Row, form: str = "short") -> str:
    if row["ended"]:
        return str(row["ended"]) if form == "long" else "-"
    page = f", {float(row['page_kb']):.0f} kB" if float(row["page_kb"]) else ""
    if form == "short":
        return f"{float(row['processor_s']):.1f}, {float(row['peak_mb']):.0f}{page}"
    longest = (
        f" ({float(row['longest_s']):.3g} s on the longest way)"
        if row["longest_s"] != row["processor_s"]
        else ""
    )
    held = f" ({row['held_mb']} its own)" if row["held_mb"] not in ("", "0", row["peak_mb"]) else ""
    return f"{float(row['processor_s']):.3g} s{longest}, {row['peak_mb']} MB{held}{page}"


def _grow(rows: list[Row]) -> list[str]:
    done = [row for row in rows if not row["ended"]]
    said = []
    for one, two in pairwise(done):
        tens = math.log10(int(two["ventings"]) / int(one["ventings"]))
        times = [
            (float(two[what]) / max(float(one[what]), 0.01)) ** (1 / tens)
            for what in ("processor_s", "peak_mb")
        ]
        said.append(" ".join(f"{value:.1f}" for value in times))
    return said


def main(arguments: list[str] | None = None) -> None:
    """Measures, or with ``--one`` does one piece of work."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    every = [*report_specs(), *OTHER]
    parser.add_argument("--sizes", type=int, nargs="*", default=list(SIZES))
    parser.add_argument("--work", nargs="*", choices=every, metavar="NAME", help=f"of {', '.join(every)}")
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()) / "ventbook-bench-growth")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--most-s", type=float, default=1800.0, help="a piece of work is given up after it")
    parser.add_argument("--table", type=Path)
    parser.add_argument("--quote", action="store_true", help=f"only write {TABLE.name} into {DOCUMENT.name}")
    parser.add_argument("--one", help=argparse.SUPPRESS)
    asked = parser.parse_args(arguments)
    if asked.quote:
        text = DOCUMENT.read_text("utf-8")
        DOCUMENT.write_text(place_section(text, write_section(read_rows(TABLE))), "utf-8")
    elif asked.one:
        print(json.dumps(do_work(asked.one, asked.sizes[0], asked.folder, asked.workers)))
    else:
        names = asked.work or (every if asked.workers == 1 else list(CLUSTERED))
        table = asked.table and asked.table.absolute()
        compare_sizes(
            asked.folder, asked.sizes, names, workers=asked.workers, most_s=asked.most_s, table=table
        )


if __name__ == "__main__":
    main()
