"""Making reports on a Dask cluster: each worker makes one at a time, in a process of its own.

The workers must see the store and the output folder under the same paths (a shared file system) and have the same
ventbook installed.
"""

from __future__ import annotations

import dataclasses
import json
import os
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from ventbook.cluster import end_partitions, use_workers
from ventbook.reports.parameters import find_report
from ventbook.run.job import Job, Outcome
from ventbook.run.names import close_report
from ventbook.run.processes import ENVIRONMENT

PATHS = ("notebook", "work", "final", "comments")


def job_text(job: Job) -> str:
    """A job as JSON text that another machine can read."""
    fields = dataclasses.asdict(job)
    return json.dumps(
        {name: str(value) if isinstance(value, Path) else value for name, value in fields.items()}
    )


def read_job(text: str) -> Job:
    """The job that :func:`job_text` wrote."""
    fields: dict[str, Any] = json.loads(text)
    fields |= {name: Path(fields[name]) for name in PATHS if fields[name]}
    return Job(**fields)


def make_elsewhere(text: str) -> tuple[int, str]:
    """Runs on a worker: makes one report in a fresh process; returns exit code and message."""
    work = read_job(text).work
    shutil.rmtree(work, ignore_errors=True)  # of a worker that died over it
    work.mkdir(parents=True)
    with subprocess.Popen(
        [sys.executable, "-m", "ventbook.run.cluster"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env={**os.environ, **ENVIRONMENT},
    ) as child:
        assert child.stdin is not None and child.stdout is not None
        child.stdin.write(text + "\n")
        child.stdin.flush()
        said = child.stdout.read()
    try:
        code, message = json.loads(said.splitlines()[-1])
    except (IndexError, ValueError):
        return (
            1,
            f"its process died on the worker (exit {child.returncode}); it was killed or ran out of memory",
        )
    return int(code), str(message)


def run_on_cluster(planned: Sequence[Job], address: str) -> Iterator[Outcome]:
    """Hands jobs to the cluster at ``address`` and yields each outcome as it comes.

    Raises InputError when no scheduler answers.
    """
    planned = sorted(planned, key=lambda job: -find_report(job.name).weight)
    with use_workers(address):
        begun = time.perf_counter()
        for number, future in end_partitions(make_elsewhere, [job_text(job) for job in planned]):
            try:
                code, message = future.result()
            except Exception as error:
                code, message = 1, f"the worker failed: {error}"
            yield close_report(planned[number], code, message, time.perf_counter() - begun)


def _end_with_worker() -> None:
    sys.stdin.read()  # comes back when the worker is gone, which may have been started anew for the same report
    os._exit(1)


def main() -> int:
    """Makes the report whose job stands on the first line of standard input; the last line printed is its exit code and message."""
    from ventbook.run.worker import make_one

    job = read_job(sys.stdin.readline())
    threading.Thread(target=_end_with_worker, daemon=True).start()
    code, message = make_one(job, lambda what, share: None)
    print(json.dumps([code, message]))
    return 0


if __name__ == "__main__":
    sys.exit(main())
