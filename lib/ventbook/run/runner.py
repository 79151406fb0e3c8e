"""Running reports: checked before anything starts, side by side in processes, put in place only when whole."""

from __future__ import annotations

import dataclasses
import os
import shutil
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from multiprocessing.connection import Connection, wait
from pathlib import Path
from typing import Any

from ventbook import tables
from ventbook.document.typst import PAPERS
from ventbook.errors import InputError
from ventbook.places import find_place, share_copies
from ventbook.reports.page import open_page
from ventbook.reports.parameters import find_report, report_specs
from ventbook.reports.scope import COMMIT_VARIABLE, find_path, read_commit
from ventbook.run.export import write_index
from ventbook.run.job import Job, Outcome, check_writable, choose_folder, default_paper, scope_of
from ventbook.run.names import close_report
from ventbook.run.notebook import read_comments
from ventbook.run.processes import call_apart, choose_context, load_libraries, numerics_environment
from ventbook.shipped import NOTEBOOKS

OnProgress = Callable[[str, str, float], None]


@dataclasses.dataclass
class _Running:
    job: Job
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
) -> list[Job]:
    """The jobs of a call, everything checked that can be without running a notebook.

    ``names`` are report names or ``all``. Raises InputError with one line; nothing has been written then.
    """
    if paper not in ("", *PAPERS):
        raise InputError(f"paper must be {' or '.join(PAPERS)}; got {paper!r}")
    chosen = list(report_specs()) if list(names) == ["all"] else list(dict.fromkeys(names))
    if comments is not None:
        read_comments(comments)
        comments = comments.resolve()
    planned = []
    for name in chosen:
        spec = find_report(name)
        page = open_page(name, {**given, "out": ""})
        parameters = dict(page.parameters)
        parameters["store"] = str(find_path(parameters["store"]).resolve())
        parameters["as_of"] = int(page.snapshot.number)
        parameters["limits"] = str(page.limits_file.resolve()) if page.limits_file else ""
        page.limits  # noqa: B018  a table of limits that can't be read stops here
        tables.load_gauges(page.gauges_file)  # nor a register of gauges
        final = choose_folder(
            out.resolve(), name, scope_of(name, page.parameters, page.period.label), parameters
        )
        work = final.parent / f".{final.name}.{os.getpid()}"
        planned.append(
            Job(
                name=name,
                notebook=notebooks / spec.notebook,
                parameters={**parameters, "out": ""},
                work=work,
                final=final,
                paper=paper or default_paper(parameters["units"]),
                comments=comments,
                cell_timeout_s=cell_timeout_s,
                environment={COMMIT_VARIABLE: read_commit(), **share_copies(find_place(parameters["store"]))},
            )
        )
    return planned


def run_reports(
    names: Sequence[str],
    given: Mapping[str, Any],
    *,
    out: Path,
    jobs: int = 2,
    on_progress: OnProgress | None = None,
    cluster: str = "",
    **plan: Any,
) -> list[Outcome]:
    """Makes reports as ``ventbook report`` does, and says what came of each, in the order asked for.

    Parameters
    ----------
    names : sequence of str
        Names of reports, or ``["all"]``.
    given : mapping of str to value
        Parameters by name, as for :func:`ventbook.open_page`.
    out : Path
        Folder for the reports; each goes to ``out/NAME/SCOPE``, and a start page to ``out/index.html``.
    jobs : int
        Reports made side by side, each in a process of its own.
    on_progress : callable, optional
        ``on_progress(name, what, share)`` is told of progress.
    cluster : str
        Address of a Dask scheduler whose workers make the reports (``jobs`` is then theirs to decide); empty
        is this machine.
    **plan
        ``paper`` ("a4" or "letter"), ``comments`` (Path of a file of comments), ``cell_timeout_s``,
        ``notebooks``, as for :func:`plan_reports`.

    Returns
    -------
    list of Outcome
        name, folder, code (0 done, 1 a fault of ours, 2 the input), message, kept (half-run notebook),
        seconds. A report that fails leaves an older finished one untouched and its half-run notebook beside
        it; the others go on.

    Raises
    ------
    InputError
        With one line, before anything is run: an unknown report or parameter, a wrong value, an output folder
        that can't be written.

    Examples
    --------
    >>> import ventbook
    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     (done,) = ventbook.run_reports(["records"], {"store": "data/demo/store"}, out=Path(folder))
    ...     sorted(path.name for path in done.folder.iterdir())[:3]
    ['figures', 'findings.json', 'report.html']
    >>> done.code
    0
    """
    if jobs < 1:
        raise InputError(f"jobs must be 1 or more; got {jobs}")
    planning = call_apart(plan_reports, names, given, out=out, **plan)
    load_libraries(list(report_specs()) if list(names) == ["all"] else names)
    planned = planning()
    check_writable(out)
    if cluster:
        from ventbook.run.cluster import run_on_cluster

        ended = run_on_cluster(planned, cluster)
    else:
        ended = run_jobs(planned, jobs=jobs, on_progress=on_progress)
    outcomes = {outcome.name: outcome for outcome in ended}
    write_index(out)
    return [outcomes[job.name] for job in planned]


def run_jobs(
    planned: Sequence[Job], *, jobs: int, on_progress: OnProgress | None = None
) -> Iterator[Outcome]:
    """Runs jobs at most ``jobs`` at a time, each in a process of its own; yields each outcome as it comes."""
    on_progress = on_progress or (lambda name, what, share: None)
    waiting = sorted(planned, key=lambda job: -find_report(job.name).weight)
    running: list[_Running] = []
    with numerics_environment():
        context = choose_context()
        try:
            while waiting or running:
                while waiting and len(running) < jobs:
                    running.append(_start(context, waiting.pop(0)))
                    on_progress(running[-1].job.name, "waiting for its process", 0.0)
                ready = wait([item.pipe for item in running], timeout=1.0)
                for item in [item for item in running if item.pipe in ready]:
                    outcome = _take_message(item, on_progress)
                    if outcome is not None:
                        running.remove(item)
                        yield outcome
        finally:
            for item in running:
                item.process.kill()
                item.process.join()
                shutil.rmtree(item.job.work, ignore_errors=True)


def _start(context: Any, job: Job) -> _Running:
    shutil.rmtree(job.work, ignore_errors=True)
    job.work.mkdir(parents=True)
    here, there = context.Pipe(duplex=False)
    process = context.Process(target=_child, args=(job, there), name=f"ventbook-{job.name}")
    process.start()
    there.close()
    return _Running(job, process, here, time.perf_counter())


def _child(job: Job, pipe: Connection) -> None:
    """The process of one report: tells of progress, then of the end, through its pipe."""
    from ventbook.run.worker import make_one

    code, message = make_one(job, lambda what, share: pipe.send(("progress", what, share)))
    pipe.send(("end", message, code))
    pipe.close()


def _take_message(item: _Running, on_progress: OnProgress) -> Outcome | None:
    """One message of a report's process; an outcome when it has ended or died."""
    try:
        kind, text, number = item.pipe.recv()
    except (EOFError, OSError):
        item.process.join()
        code = item.process.exitcode
        return _close(item, f"its process died (exit {code}); it was killed or ran out of memory", 1)
    if kind == "progress":
        on_progress(item.job.name, text, float(number))
        return None
    return _close(item, " ".join(str(text).split()), int(number))


def _close(item: _Running, message: str, code: int) -> Outcome:
    item.process.join(timeout=20)
    if item.process.is_alive():
        item.process.kill()
        item.process.join()
    item.pipe.close()
    return close_report(item.job, code, message, time.perf_counter() - item.begun)
