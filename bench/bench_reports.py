"""All reports of the demo with their exports, against as many empty notebooks through papermill in the same pool.

Starting a kernel is work that no report can avoid when it is run by papermill the plain way; the reports start
theirs from a process that has the libraries loaded. Run one after the other in turns, medians shown.
"""

from __future__ import annotations

import json
import statistics
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import nbformat

from ventbook import reports as pages
from ventbook.run import runner
from ventbook.run.pipeline import make_demo_store

ROUNDS, JOBS = 3, 2


def run_empty(folder: str) -> None:
    """One notebook with a single cell that does nothing, by papermill with a kernel of its own."""
    import papermill

    from ventbook.run.kernels import OwnKernelManager

    class Plain(OwnKernelManager):
        transport = "tcp"

    new = nbformat.v4
    notebook = new.new_notebook(cells=[new.new_code_cell("1 + 1")])
    papermill.execute_notebook(
        notebook,
        str(Path(folder) / "out.ipynb"),
        kernel_name="python3",
        language="python",
        progress_bar=False,
        kernel_manager_class=Plain,
    )


def main() -> None:
    store = make_demo_store(say=lambda text: None)
    names = list(pages.report_specs())
    empty, full, exports = [], [], []
    with tempfile.TemporaryDirectory() as made:
        base = Path(made)
        for turn in range(ROUNDS):
            folders = [base / f"empty-{turn}-{number}" for number in range(len(names))]
            for folder in folders:
                folder.mkdir()
            begun = time.perf_counter()
            with ProcessPoolExecutor(JOBS) as pool:
                list(pool.map(run_empty, map(str, folders)))
            empty.append(time.perf_counter() - begun)
            begun = time.perf_counter()
            outcomes = runner.run_reports(names, {"store": str(store)}, out=base / f"full-{turn}", jobs=JOBS)
            full.append(time.perf_counter() - begun)
            faults = [outcome.message for outcome in outcomes if not outcome.done]
            assert not faults, faults
            runs = [json.loads((outcome.folder / "run.json").read_text("utf-8")) for outcome in outcomes]
            exports.append(sum(run["export_s"] for run in runs) / JOBS)
    bare, whole, out = (statistics.median(values) for values in (empty, full, exports))
    print(f"{len(names)} empty notebooks by papermill, pool of {JOBS}: {bare:.1f} s")
    print(
        f"{len(names)} reports with HTML, PDF and workbook, pool of {JOBS}: {whole:.1f} s (exports {out:.1f} s)"
    )
    print(f"reports without exports over empty notebooks: {(whole - out) / bare:.2f} x (goal 1.5)")


if __name__ == "__main__":
    main()
