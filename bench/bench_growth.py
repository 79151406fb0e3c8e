"""How every report, intake, reading as of an earlier snapshot and the monitor grow with the fleet, side by side in one run.

    python -m bench.bench_growth [--sizes 1000 10000 100000] [--work NAME ...] [--folder DIR]

Each piece of work runs in a process of its own: reports as their notebooks' cells from the store to findings, tables, page
and workbook (no PDF, no kernel). Printed: processor seconds, highest memory and, for reports, the size of the page; and
how many times the smaller fleet's each is. Sizes take turns within a piece of work, so that a busy machine spoils
both alike. Stores are made straight as accepted tables (``bench.large_store``), once a folder; "intake" takes in one
delivery of Parquet, an eighth of the ventings, with the traces that workshops log.
"""

from __future__ import annotations

import argparse
import json
import math
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from ventbook.reports import report_specs

ROOT = Path(__file__).resolve().parents[1]
SIZES = (1_000, 10_000, 100_000)
OTHER = ("read", "read as of", "monitor alone", "demo --large", "intake")


def do_work(name: str, size: int, base: Path) -> dict[str, Any]:
    """Does one piece of work in this process; what it took."""
    others: dict[str, Callable[[int, Path], None]] = {
        "read": _read,
        "read as of": _read_as_of,
        "monitor alone": _watch,
        "demo --large": _write_demo,
        "intake": _take_in,
    }
    page = 0
    begun, busy = time.perf_counter(), time.process_time()
    if name in others:
        others[name](size, base)
    else:
        page = _run_report(name, _store(size, base))
    return {
        "wall": time.perf_counter() - begun,
        "busy": time.process_time() - busy,
        "peak": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        "page": page / 1024,
    }


def _store(size: int, base: Path) -> Path:
    return base / f"{size}" / "store"


def _run_report(name: str, store: Path) -> int:
    """Runs a report; the size of its page in bytes."""
    sys.path.insert(0, str(ROOT / "tests"))
    from run_pages import run_page
    from ventbook.document.html import report_html
    from ventbook.document.sequence import Blocks
    from ventbook.run.export import make_document, stamp_line

    with tempfile.TemporaryDirectory() as out:
        done = run_page(name, store, out)
        blocks = Blocks(*(block for shown in done.shown for block in shown))
        document = make_document(blocks, done.closing)
        page = report_html(document, scope=done.closing.scope, stamp=stamp_line(done.closing.stamp))
    return len(page.encode())


def _read(size: int, base: Path) -> None:
    from ventbook.model import read_ventings

    assert len(read_ventings(_store(size, base))) == size


def _read_as_of(size: int, base: Path) -> None:
    from ventbook.model import read_ventings

    assert 0 < len(read_ventings(_store(size, base), as_of=4)) < size


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
    from ventbook.demo import delivery_days
    from ventbook.records.intake import ingest
    from ventbook.records.store import create_store

    delivery = sorted((base / f"{size}" / "deliveries").glob("20*"))[0]
    with tempfile.TemporaryDirectory() as folder:
        path = create_store(Path(folder) / "store").path
        ingest([delivery], store=path, today=delivery_days()[delivery.name])


def compare_sizes(base: Path, sizes: list[int], names: list[str]) -> None:
    """Makes the stores that are missing, does the work and prints the table."""
    from bench.large_store import make_store

    for size in sizes:
        if not _store(size, base).exists():
            make_store(base / f"{size}", size)
    heads = "".join(f"{size:>24,d}" for size in sizes)
    print(f"{'seconds, MB, page in kB':24s}{heads}   times seconds, MB for each ten-fold", flush=True)
    for name in names:
        found = []
        for size in sizes:
            call = ["-m", "bench.bench_growth", "--one", name, "--sizes", str(size), "--folder", str(base)]
            done = subprocess.run(
                [sys.executable, *call], cwd=ROOT, capture_output=True, text=True, check=False
            )
            found.append(json.loads(done.stdout.splitlines()[-1]) if done.returncode == 0 else None)
            if done.returncode:
                print(f"{name} at {size}: {done.stderr.strip().splitlines()[-1:]}", file=sys.stderr)
        cells = "".join(f"{_say(took):>24s}" for took in found)
        print(f"{name:24s}{cells}   {_grow(sizes, found)}", flush=True)


def _say(took: dict[str, Any] | None) -> str:
    if took is None:
        return "-"
    page = f", {took['page']:.0f} kB" if took["page"] else ""
    return f"{took['busy']:.1f}, {took['peak']:.0f}{page}"


def _grow(sizes: list[int], found: list[dict[str, Any] | None]) -> str:
    said = []
    for (few, one), (many, two) in zip(
        zip(sizes, found, strict=True), zip(sizes[1:], found[1:], strict=True), strict=False
    ):
        if one and two:
            tens = math.log10(many / few)
            said.append(" ".join(f"{(two[what] / one[what]) ** (1 / tens):.1f}" for what in ("busy", "peak")))
    return "; ".join(said)


def main(arguments: list[str] | None = None) -> None:
    """Measures, or with ``--one`` does one piece of work."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--sizes", type=int, nargs="*", default=list(SIZES))
    parser.add_argument("--work", nargs="*", default=[*report_specs(), *OTHER])
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()) / "ventbook-bench-growth")
    parser.add_argument("--one", help=argparse.SUPPRESS)
    asked = parser.parse_args(arguments)
    if asked.one:
        print(json.dumps(do_work(asked.one, asked.sizes[0], asked.folder)))
    else:
        compare_sizes(asked.folder, asked.sizes, asked.work)


if __name__ == "__main__":
    main()
