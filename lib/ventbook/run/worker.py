"""Making one report in this process: run its notebook, then write the exports beside it."""

from __future__ import annotations

import ast
import datetime as dt
import logging
import os
import tempfile
import time
import traceback
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

from ventbook.document import find_closing, read_blocks
from ventbook.document.blocks import Closing
from ventbook.errors import InputError
from ventbook.places import find_place, share_copies
from ventbook.run import kernels, names
from ventbook.run.job import Job, ReportError
from ventbook.run.lean import load_nbformat, load_papermill
from ventbook.shipped import WHOLE_TABLES

OnStep = Callable[[str, float], None]
# Errors of a call or its input that only show inside the notebook: exit code 2, without a half-run notebook.
INPUT_ERRORS = ("InputError", "ParameterError", "StoreError", "TableError")
CONNECTION = "kernel.json"


def make_one(job: Job, on_step: OnStep) -> tuple[int, str]:
    """Makes a report and says how it ended: exit code and one line, empty where all is well."""
    try:
        if not job.notebook.is_file():
            raise ReportError(f"notebook {job.notebook.name} is missing")
        make_report(job, on_step)
    except ReportError as error:
        return error.code, str(error)
    except InputError as error:
        return 2, " ".join(str(error).split())
    except OSError as error:
        return 1, f"{error.strerror or error} ({Path(str(error.filename or '')).name})"
    except Exception as error:
        (job.work / "traceback.txt").write_text(traceback.format_exc(), encoding="utf-8")
        return 1, f"{type(error).__name__}: {' '.join(str(error).split())}"
    return 0, ""


def make_report(job: Job, on_step: OnStep) -> None:
    """Runs the job's notebook in ``job.work`` and leaves every file of a report there.

    ``on_step(what, share)`` is called with what is being done and the share of the work that is over. Raises
    ReportError with one line when it can't be done; the half-run notebook then stays in ``job.work``.
    """
    begun, clock, used = dt.datetime.now(dt.UTC), time.perf_counter(), sum(os.times()[:4])
    os.environ.update({**job.environment, WHOLE_TABLES: str(job.work)})
    share_copies(
        find_place(job.parameters["store"])
    )  # before the kernel is forked, which is killed in the end
    os.chdir(job.work)
    notebook = run_notebook(job, on_step)
    from ventbook.run.export import write_exports
    from ventbook.run.notebook import list_warnings, tidy_notebook
    from ventbook.run.stamp import write_run

    halfway, nbformat = time.perf_counter(), load_nbformat()
    warned = list_warnings(notebook)
    blocks = read_blocks(notebook)
    closing = find_closing(blocks)
    if closing is None:
        raise ReportError("the notebook ended without finishing its page (page.finish() is missing)")
    _check_handed_on(job, closing)
    tidy_notebook(notebook, job.parameters)
    nbformat.write(notebook, job.work / "report.ipynb")
    source = write_exports(job.work, blocks, closing, paper=job.paper, comments=job.comments, on_step=on_step)
    now = time.perf_counter()
    times = {"duration_s": now - clock, "export_s": now - halfway, "cpu_s": sum(os.times()[:4]) - used}
    write_run(job, closing, begun=begun, times=times, warned=warned)
    wanted = names.names_to_look_for(find_place(job.parameters["store"]))
    names.hold_back_names(job.work, wanted, source=source)


def _check_handed_on(job: Job, closing: Closing) -> None:
    """A notebook that declares a parameter but doesn't hand it to its page would run on with the default."""
    used = closing.stamp["parameters"]
    lost = [name for name, value in job.parameters.items() if name in used and used[name] != value]
    if lost:
        raise ReportError(f"notebook {job.notebook.name} does not hand on {', '.join(lost)} to its page")


def run_notebook(job: Job, on_step: OnStep) -> Any:
    """Runs the notebook cell by cell into ``report.ipynb``; returns it as executed."""
    with tempfile.TemporaryDirectory(prefix="vb-") as folder:
        connection = Path(folder) / CONNECTION
        forked = kernels.fork_kernel(connection) if kernels.CAN_FORK else None
        try:
            return _run_cells(job, on_step, forked, connection)
        finally:
            if forked is not None:
                forked.kill()
                forked.wait(timeout=10)


def _run_cells(job: Job, on_step: OnStep, forked: kernels.ForkedProcess | None, connection: Path) -> Any:
    nbformat, papermill = load_nbformat(), load_papermill()
    from nbclient.exceptions import CellTimeoutError, DeadKernelError
    from papermill.exceptions import PapermillExecutionError

    from ventbook.run.notebook import heading_before

    source = nbformat.read(job.notebook, as_version=4)
    for cell in source.cells:
        if cell.cell_type == "code":
            cell.outputs, cell.execution_count = [], None
    _check_declared(job, source)
    total = len(source.cells) + 1
    at = {"cell": 0}
    # The runner puts a cell with the given parameters behind the one that declares them.
    injected = 1 + next(
        (place for place, cell in enumerate(source.cells) if "parameters" in cell.metadata.get("tags", [])),
        -1,
    )

    def start(cell: Any, cell_index: int, **_: Any) -> None:
        at["cell"] = cell_index - (cell_index >= injected > 0)
        on_step(heading_before(source, at["cell"]) or "start", 0.9 * cell_index / total)

    def where() -> str:
        section = heading_before(source, at["cell"])
        name = f"notebook {job.notebook.name}, cell {at['cell'] + 1}"
        return f"{name} ({section})" if section else name

    manager: Any = kernels.OwnKernelManager if forked is None else kernels.forked_manager(forked, connection)
    logging.getLogger("papermill").setLevel(logging.ERROR)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return papermill.execute_notebook(
                source,
                "report.ipynb",
                parameters=dict(job.parameters),
                kernel_name="python3",
                language="python",
                progress_bar=False,
                request_save_on_cell_execute=False,  # else it is written twice a cell; so at the end, at an error, and every 30 s
                execution_timeout=job.cell_timeout_s,
                kernel_manager_class=manager,
                on_cell_start=start,
                start_timeout=120,
            )
    except PapermillExecutionError as error:
        code = 2 if error.ename in INPUT_ERRORS else 1
        raise ReportError(f"{where()}: {error.ename}: {error.evalue}", code=code) from None
    except DeadKernelError:
        raise ReportError(f"{where()}: the kernel died; it was killed or ran out of memory") from None
    except (CellTimeoutError, TimeoutError):
        raise ReportError(f"{where()}: took longer than {job.cell_timeout_s} s") from None


def declared_parameters(notebook: Any) -> set[str]:
    """Names assigned in the cell tagged ``parameters``; an empty set where there is none."""
    for cell in notebook.cells:
        if cell.cell_type == "code" and "parameters" in cell.metadata.get("tags", []):
            names = set()
            for node in ast.parse(cell.source).body:
                if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
                    names.add(node.target.id)
                elif isinstance(node, ast.Assign):
                    names |= {target.id for target in node.targets if isinstance(target, ast.Name)}
            return names
    return set()


def _check_declared(job: Job, notebook: Any) -> None:
    missing = set(job.parameters) - declared_parameters(notebook)
    if missing:
        raise ReportError(f"notebook {job.notebook.name} does not declare {', '.join(sorted(missing))}")
