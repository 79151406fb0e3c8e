"""Running reports: checked before anything starts, side by side in processes, put in place only when whole."""

from __future__ import annotations

import dataclasses
import multiprocessing
import os
import shutil
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from multiprocessing.connection import Connection, wait
from pathlib import Path
from typing import Any

from ventbook.errors import InputError
from ventbook.pages.base import open_page
from ventbook.pages.parameters import find_report, report_specs
from ventbook.pages.scope import find_path
from ventbook.pages.stamp import COMMIT_VARIABLE, read_commit

from .comments import read_comments
from .index import write_index
from .task import NOTEBOOKS, PAPERS, Outcome, ReportError, Task, choose_folder, scope_of

# One thread a process for numerical libraries (the processes themselves are the parallel part), and one order of
# sets and hashes, so that two runs give the same bytes.
ENVIRONMENT = {
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "MKL_NUM_THREADS": "1",
    "PYTHONHASHSEED": "0",
    "PYDEVD_DISABLE_FILE_VALIDATION": "1",
    "JUPYTER_PLATFORM_DIRS": "1",
}
Listen = Callable[[str, str, float], None]


@dataclasses.dataclass
class _Running:
    task: Task
    process: Any
    pipe: Connection
    begun: float
    outcome: Outcome | None = None


def plan_reports(
    names: Sequence[str],
    given: Mapping[str, Any],
    *,
    out: Path,
    notebooks: Path = NOTEBOOKS,
    paper: str = "",
    comments: Path | None = None,
    cell_timeout_s: int = 900,
) -> list[Task]:
    """The tasks of a call, everything checked that can be without running a notebook.

    ``names`` are report names or ``all``. Raises InputError with one line; nothing has been written then.
    """
    if paper not in ("", *PAPERS):
        raise InputError(f"paper must be {' or '.join(PAPERS)}; got {paper!r}")
    chosen = list(report_specs()) if list(names) == ["all"] else list(dict.fromkeys(names))
    if comments is not None:
        read_comments(comments)
        comments = comments.resolve()
    tasks = []
    for name in chosen:
        spec = find_report(name)
        page = open_page(name, {**given, "out": ""})
        parameters = dict(page.parameters)
        parameters["store"] = str(find_path(parameters["store"]).resolve())
        parameters["as_of"] = int(page.snapshot.number)
        parameters["limits"] = str(page.limits_file.resolve()) if page.limits_file else ""
        page.limits  # noqa: B018  a table of limits that can't be read stops here
        final = choose_folder(out.resolve(), name, scope_of(page.parameters, page.period.label), parameters)
        work = final.parent / f".{final.name}.{os.getpid()}"
        tasks.append(
            Task(
                name=name,
                notebook=notebooks / spec.notebook,
                parameters={**parameters, "out": str(work)},
                work=work,
                final=final,
                paper=paper or ("letter" if parameters["units"] == "us" else "a4"),
                comments=comments,
                cell_timeout_s=cell_timeout_s,
                environment={COMMIT_VARIABLE: read_commit()},
            )
        )
    return tasks


def check_writable(out: Path) -> None:
    """Raises InputError when nothing can be written in ``out``; makes the folder."""
    probe = out / f".probe.{os.getpid()}"
    try:
        out.mkdir(parents=True, exist_ok=True)
        probe.write_text("", "utf-8")
        probe.unlink()
    except OSError as error:
        raise InputError(f"output folder {out} can't be written ({error.strerror})") from None


def run_reports(
    names: Sequence[str],
    given: Mapping[str, Any],
    *,
    out: Path,
    jobs: int = 2,
    listen: Listen | None = None,
    **plan: Any,
) -> list[Outcome]:
    """Makes reports and says what came of each, in the order asked for.

    ``listen(name, what, share)`` hears of progress. A report that fails leaves an older finished one untouched and
    its half-run notebook beside it; the others go on.
    """
    if jobs < 1:
        raise InputError(f"jobs must be 1 or more; got {jobs}")
    tasks = plan_reports(names, given, out=out, **plan)
    check_writable(out)
    outcomes = {outcome.name: outcome for outcome in run_tasks(tasks, jobs=jobs, listen=listen)}
    write_index(out)
    return [outcomes[task.name] for task in tasks]


def run_tasks(tasks: Sequence[Task], *, jobs: int, listen: Listen | None = None) -> Iterator[Outcome]:
    """Runs tasks at most ``jobs`` at a time, each in a process of its own; yields each outcome as it comes."""
    hear = listen or (lambda name, what, share: None)
    waiting = list(tasks)
    running: list[_Running] = []
    with _numerics_environment():
        context = _context()
        try:
            while waiting or running:
                while waiting and len(running) < jobs:
                    running.append(_start(context, waiting.pop(0)))
                    hear(running[-1].task.name, "waiting for its process", 0.0)
                ready = wait([item.pipe for item in running], timeout=1.0)
                for item in [item for item in running if item.pipe in ready]:
                    outcome = _hear(item, hear)
                    if outcome is not None:
                        running.remove(item)
                        yield outcome
        finally:
            for item in running:
                item.process.kill()
                item.process.join()
                shutil.rmtree(item.task.work, ignore_errors=True)


@contextmanager
def _numerics_environment() -> Iterator[None]:
    before = {name: os.environ.get(name) for name in ENVIRONMENT}
    os.environ.update(ENVIRONMENT)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _context() -> Any:
    """On Linux a server that has the libraries loaded and forks from there; elsewhere fresh processes."""
    if sys.platform.startswith("linux"):
        context = multiprocessing.get_context("forkserver")
        context.set_forkserver_preload(["ventbook.reports.warm"])
        return context
    return multiprocessing.get_context("spawn")


def _start(context: Any, task: Task) -> _Running:
    shutil.rmtree(task.work, ignore_errors=True)
    task.work.mkdir(parents=True)
    here, there = context.Pipe(duplex=False)
    process = context.Process(target=_child, args=(task, there), name=f"ventbook-{task.name}")
    process.start()
    there.close()
    return _Running(task, process, here, time.perf_counter())


def _child(task: Task, pipe: Connection) -> None:
    """The process of one report: tells of progress, then of the end, through its pipe."""
    from .work import make_report

    def tell(what: str, share: float) -> None:
        pipe.send(("progress", what, share))

    try:
        if not task.notebook.is_file():
            raise ReportError(f"notebook {task.notebook.name} is missing")
        make_report(task, tell)
        pipe.send(("end", "", 0))
    except ReportError as error:
        pipe.send(("end", str(error), error.code))
    except InputError as error:
        pipe.send(("end", str(error), 2))
    except OSError as error:
        pipe.send(("end", f"{error.strerror or error} ({Path(str(error.filename or '')).name})", 1))
    except Exception as error:
        import traceback

        (task.work / "traceback.txt").write_text(traceback.format_exc(), encoding="utf-8")
        pipe.send(("end", f"{type(error).__name__}: {error}", 1))
    finally:
        pipe.close()


def _hear(item: _Running, hear: Listen) -> Outcome | None:
    """One message of a report's process; an outcome when it has ended or died."""
    try:
        kind, text, number = item.pipe.recv()
    except (EOFError, OSError):
        item.process.join()
        code = item.process.exitcode
        return _close(item, f"its process died (exit {code}); it was killed or ran out of memory", 1)
    if kind == "progress":
        hear(item.task.name, text, float(number))
        return None
    return _close(item, " ".join(str(text).split()), int(number))


def _close(item: _Running, message: str, code: int) -> Outcome:
    item.process.join(timeout=20)
    if item.process.is_alive():
        item.process.kill()
        item.process.join()
    item.pipe.close()
    task, seconds = item.task, time.perf_counter() - item.begun
    if code == 0:
        try:
            put_in_place(task.work, task.final)
            return Outcome(task.name, task.final, 0, seconds=seconds)
        except OSError as error:
            message, code = f"{task.final} can't be replaced ({error.strerror})", 1
    return Outcome(task.name, task.final, code, message, _keep_half_run(task, code), seconds)


def put_in_place(work: Path, final: Path) -> None:
    """Swaps a finished folder into its place; the older one is gone only when the new one stands."""
    old = final.with_name(f".{final.name}.old")
    shutil.rmtree(old, ignore_errors=True)
    if final.exists():
        final.rename(old)
    try:
        work.rename(final)
    except OSError:
        if old.exists():
            old.rename(final)
        raise
    shutil.rmtree(old, ignore_errors=True)


def _keep_half_run(task: Task, code: int) -> Path | None:
    """Keeps the half-run notebook of a fault of ours beside the report's place; clears the rest away."""
    kept: Path | None = None
    folder = task.final.with_name(f"{task.final.name}.failed")
    try:
        if code == 1 and (task.work / "report.ipynb").is_file():
            shutil.rmtree(folder, ignore_errors=True)
            folder.mkdir(parents=True)
            for name in ("report.ipynb", "traceback.txt"):
                if (task.work / name).is_file():
                    shutil.move(task.work / name, folder / name)
            kept = folder / "report.ipynb"
        shutil.rmtree(task.work, ignore_errors=True)
        if not any(task.final.parent.iterdir()):
            task.final.parent.rmdir()
    except OSError:
        pass
    return kept
