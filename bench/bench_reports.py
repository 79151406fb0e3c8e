"""Reports of the demo with their exports, each against papermill on its own notebook with the cells emptied.

Side by side, in turns, in one run: the emptied notebook by papermill's own command line, ``ventbook report`` with
nothing kept in the store, and again with what the first left there. Processor time counts every process that a command
started; on a busy machine it carries further than seconds do. Then all reports by one command against as many emptied
notebooks, both two at a time.

    python -m bench.bench_reports [--rounds 3] [--reports planned-venting quarterly-review] [--alone]
"""

from __future__ import annotations

import argparse
import ctypes
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from ventbook.records.store import CACHE
from ventbook.reports.parameters import find_report, report_specs
from ventbook.run.lean import load_nbformat
from ventbook.run.pipeline import make_demo_store
from ventbook.shipped import NOTEBOOKS

JOBS = 2
SUBREAPER = 36  # PR_SET_CHILD_SUBREAPER: what a command leaves running is ours to wait for, and counted
Cost = tuple[float, float]  # seconds, processor seconds


def empty_notebook(name: str, folder: Path) -> Path:
    """A report's notebook with the same cells, all of them empty."""
    nbformat = load_nbformat()
    notebook = nbformat.read(NOTEBOOKS / find_report(name).notebook, as_version=4)
    for cell in notebook.cells:
        cell.source = ""
        if cell.cell_type == "code":
            cell.outputs, cell.execution_count = [], None
    path = folder / f"{name}.ipynb"
    nbformat.write(notebook, path)
    return path


def measure(*commands: list[str]) -> Cost:
    """What commands cost together, two at a time, with every process that they started."""
    before, begun = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    with ThreadPoolExecutor(JOBS) as pool:
        done = list(
            pool.map(lambda command: subprocess.run(command, capture_output=True, text=True), commands)
        )
    taken = time.perf_counter() - begun
    for ended in done:
        assert ended.returncode == 0, ended.stderr
    try:
        while True:
            os.wait()
    except ChildProcessError:
        pass
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return taken, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def run_empty(path: Path) -> list[str]:
    out = path.with_suffix(".out.ipynb")
    return [sys.executable, "-m", "papermill", "--no-progress-bar", "-k", "python3", str(path), str(out)]


def run_report(name: str, store: Path, out: Path) -> list[str]:
    return [
        sys.executable,
        "-m",
        "ventbook",
        "report",
        name,
        "--store",
        str(store),
        "--out",
        str(out),
        "--jobs",
        str(JOBS),
    ]


def tell(what: str, costs: dict[str, list[Cost]]) -> None:
    """One line: seconds and processor seconds of the emptied notebook, ratio and seconds beyond of the others."""
    middle = {key: [statistics.median(part) for part in zip(*own, strict=True)] for key, own in costs.items()}
    (seconds, used), said = middle.pop("empty"), []
    for key, (own, own_used) in middle.items():
        said.append(
            f"{key} {own / seconds:.1f} x, {own - seconds:+.1f} s (processor {own_used / used:.1f} x, {own_used - used:+.1f} s)"
        )
    print(f"{what}: emptied {seconds:.1f} s (processor {used:.1f} s); {'; '.join(said)}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--reports", nargs="*", default=[])
    parser.add_argument("--alone", action="store_true", help="not all reports at once")
    asked = parser.parse_args()
    ctypes.CDLL(None).prctl(SUBREAPER, 1, 0, 0, 0)
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)  # else every command compiles the library's modules anew
    names = asked.reports or list(report_specs())
    with tempfile.TemporaryDirectory() as made:
        base = Path(made)
        store = base / "demo" / "store"
        shutil.copytree(make_demo_store(say=lambda text: None).parent, store.parent)
        empties = {name: empty_notebook(name, base) for name in names}

        def turn(reports: list[str], commands: list[list[str]], costs: dict[str, list[Cost]]) -> None:
            shutil.rmtree(store / CACHE, ignore_errors=True)
            every = [[*run_report(reports[0], store, base / "out")]]
            if len(reports) > 1:
                every = [[*every[0][:4], *reports, *every[0][5:]]]
            costs.setdefault("empty", []).append(measure(*commands))
            costs.setdefault("nothing kept", []).append(measure(*every))
            costs.setdefault("kept", []).append(measure(*every))

        for name in names:
            costs: dict[str, list[Cost]] = {}
            for _ in range(asked.rounds):
                turn([name], [run_empty(empties[name])], costs)
            tell(name, costs)
        if not asked.alone:
            costs = {}
            for _ in range(asked.rounds):
                turn(names, [run_empty(path) for path in empties.values()], costs)
            tell(f"{len(names)} reports, two at a time", costs)


if __name__ == "__main__":
    main()
