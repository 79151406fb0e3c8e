"""The heavy paths on two workers of a Dask cluster and on two processes, against the same in one process.

    python -m bench.bench_cluster [--part traces files workbooks account calibration reports] [--rounds 3]

Side by side in one run, turns interleaved, medians; a cluster on this machine, its workers started beforehand, as they would be.
Everything shares the machine's cores: with two a ratio near 2 is the most that can come out, and one under 1 says that it doesn't pay.
Processor seconds on the longest way (this process and the busier worker) against those of one process tell the same on a machine
that is busy with other things. Only ratios carry over.
"""

from __future__ import annotations

import argparse
import csv
import datetime as dt
import os
import statistics
import tempfile
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

from calibrate.calibrate_account import draw_workshop, judge_fleet
from calibrate.runner import run_fleets
from distributed import Client, LocalCluster

from bench.bench_intake import write_file
from bench.bench_traces import write_starts
from ventbook import reports as pages
from ventbook.cluster import use_workers
from ventbook.model.traces.partitions import features_of_files
from ventbook.records import intake
from ventbook.run import runner
from ventbook.run.pipeline import make_demo_store
from ventbook.statistics import causes

TODAY = dt.date(2026, 10, 1)
FILES = 24
Work = Callable[[], object]
ONE, TWO, CLUSTER = WAYS = ("one process", "two processes", "cluster of two")


def split_rows(whole: Path, folder: Path, *, kind: str) -> None:
    """A file of ventings cut into FILES - 1, with its engines the last."""
    import xlsxwriter

    folder.mkdir()
    (folder / "engines.csv").write_bytes((whole.parent / "engines.csv").read_bytes())
    header, *rows = whole.read_text("utf-8").splitlines()
    size = -(-len(rows) // (FILES - 1))
    for number in range(FILES - 1):
        lines = [header, *rows[number * size : (number + 1) * size]]
        name = f"ventings_{number:02d}"
        if kind == "csv":
            (folder / f"{name}.csv").write_text("\n".join(lines) + "\n", "utf-8")
            continue
        with xlsxwriter.Workbook(folder / f"{name}.xlsx") as book:
            sheet = book.add_worksheet("ventings")
            for line, cells in enumerate(csv.reader(lines)):
                sheet.write_row(line, 0, cells)


def take_in(folder: Path) -> Work:
    def work() -> None:
        with tempfile.TemporaryDirectory() as store:
            result = intake.ingest([folder], store=Path(store) / "store", today=TODAY)
            assert len(result.quarantine) > 0

    return work


def make_reports(store: Path, names: list[str], address: str) -> Callable[[str], Work]:
    def with_workers(kind: str) -> Work:
        def work() -> None:
            with tempfile.TemporaryDirectory() as out:
                asked = {
                    "jobs": 1 if kind == ONE else 2,
                    "cluster": address if kind == CLUSTER else "",
                }
                done = runner.run_reports(names, {"store": str(store)}, out=Path(out), **asked)
                assert all(outcome.done for outcome in done), [o.message for o in done]

        return work

    return with_workers


def used_seconds() -> float:
    """Processor seconds of this process and of its children that have ended."""
    return sum(os.times()[:4])


def compare(
    what: str, work: Callable[[str], Work], address: str, rounds: int, *, ways: Sequence[str] = WAYS
) -> None:
    """Times the work in one process, on two processes and on the cluster, in turns; ``work`` is told which it is."""
    seconds: dict[str, list[float]] = {kind: [] for kind in ways}
    longest: dict[str, list[float]] = {kind: [] for kind in ways}
    uses = {
        ONE: partial(use_workers, jobs=1),
        TWO: partial(use_workers, jobs=2),
        CLUSTER: partial(use_workers, address),
    }
    with Client(address, set_as_default=False) as workers:
        for turn in range(rounds + 1):
            for kind in ways:
                before, own, begun = workers.run(used_seconds), used_seconds(), time.perf_counter()
                with uses[kind]():
                    work(kind)()
                if turn:  # the first warms up
                    seconds[kind].append(time.perf_counter() - begun)
                    after = workers.run(used_seconds)
                    busier = max(after[worker] - before[worker] for worker in before)
                    longest[kind].append(used_seconds() - own + busier * (kind == CLUSTER))
    took = {kind: statistics.median(found) for kind, found in seconds.items()}
    used = {kind: statistics.median(found) for kind, found in longest.items()}
    said = [f"{kind} {took[ONE] / took[kind]:.2f} x as fast" for kind in ways if kind != ONE]
    print(
        f"{what}: {took[ONE]:.2f} s in {ONE}; {', '.join(said)}; processor seconds on the longest way, {ONE} against "
        f"{CLUSTER}: {used[ONE] / max(used[CLUSTER], 1e-9):.2f} x ({used[ONE]:.2f} s)",
        flush=True,
    )


PARTS = ("traces", "files", "workbooks", "account", "calibration", "reports")


def main() -> None:
    """Prints one line a part."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--part", nargs="*", default=PARTS, choices=PARTS)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--samples", type=int, default=18_000_000)
    parser.add_argument(
        "--rows", type=int, default=240_000, help="ventings in the text files; a tenth in the workbooks"
    )
    parser.add_argument("--reports", type=int, default=9, help="how many of them, the first in the list")
    asked = parser.parse_args()
    os.environ |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    with (
        LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=":0", host="127.0.0.1") as local,
        tempfile.TemporaryDirectory() as made,
    ):
        address, base = local.scheduler_address, Path(made)
        for part in asked.part:
            if part == "traces":
                path = base / "samples.parquet"
                reduce = partial(features_of_files, [path], write_starts(path, asked.samples), workers=1)
                what = f"features of {asked.samples:,} samples, one thread without a cluster"
                compare(what, lambda kind, work=reduce: work, address, asked.rounds, ways=(ONE, CLUSTER))
            elif part in ("files", "workbooks"):
                rows = asked.rows if part == "files" else asked.rows // 10
                write_file(base / "ventings.csv", rows)
                split_rows(base / "ventings.csv", base / part, kind="csv" if part == "files" else "xlsx")
                take = take_in(base / part)
                what = f"intake of {FILES} {part}, {rows:,} ventings"
                compare(what, lambda kind, work=take: work, address, asked.rounds)
            elif part == "account":
                drawn = draw_workshop(0, ventings=20_000, rate=0.02)
                explain = partial(causes.explain_failures, drawn.ventings, drawn.lifters)
                what = "account of 20,000 ventings with intervals"
                compare(what, lambda kind, work=explain: work, address, asked.rounds)
            elif part == "calibration":
                judge = partial(run_fleets, judge_fleet, [("odds ratio 4", number) for number in range(8)])
                compare(
                    "calibration of the account, 8 fleets",
                    lambda kind, work=judge: work,
                    address,
                    asked.rounds,
                )
            else:
                names = list(pages.report_specs())[: asked.reports]
                work = make_reports(make_demo_store(say=lambda text: None), names, address)
                compare(f"reports: {', '.join(names)}", work, address, asked.rounds)


if __name__ == "__main__":
    main()
