"""Making reports on a Dask cluster: each worker makes one at a time, in a process of its own.

The workers must see the store and the output folder under the same paths (a shared file system) and have the same
ventbook installed.
"""

from __future__ import annotations

import dataclasses
import json
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from ventbook.errors import InputError
from ventbook.run.job import Job, Outcome
from ventbook.run.names import close_report

PATHS = ("notebook", "work", "final", "comments")
CONNECT_S = "10s"


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
    done = subprocess.run(
        [sys.executable, "-m", "ventbook.run.cluster"],
        input=text,
        capture_output=True,
        text=True,
        check=False,
    )
    try:
        code, message = json.loads(done.stdout.splitlines()[-1])
    except (IndexError, ValueError):
        return (
            1,
            f"its process died on the worker (exit {done.returncode}); it was killed or ran out of memory",
        )
    return int(code), str(message)


def run_on_cluster(planned: Sequence[Job], address: str) -> Iterator[Outcome]:
    """Hands jobs to the cluster at ``address`` and yields each outcome as it comes.

    Raises InputError when no scheduler answers.
    """
    from distributed import Client, as_completed

    try:
        client = Client(address, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError) as error:
        reason = " ".join(str(error).split())[:120]
        raise InputError(f"no Dask scheduler answers at {address} ({reason})") from None
    with client, client.as_current():
        for job in planned:
            job.work.mkdir(parents=True, exist_ok=True)
        begun = time.perf_counter()
        futures = {client.submit(make_elsewhere, job_text(job), pure=False): job for job in planned}
        for future in as_completed(futures):
            if future.status == "error":
                code, message = 1, f"the worker failed: {future.exception()}"
            else:
                code, message = future.result()
            yield close_report(futures[future], code, message, time.perf_counter() - begun)


def main() -> int:
    """Makes the report whose job stands on standard input; the last line printed is its exit code and message."""
    from ventbook.run.worker import make_one

    code, message = make_one(read_job(sys.stdin.read()), lambda what, share: None)
    print(json.dumps([code, message]))
    return 0


if __name__ == "__main__":
    sys.exit(main())
