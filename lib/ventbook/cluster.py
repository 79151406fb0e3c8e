"""Where heavy work is done: in this process, on processes or threads of this machine, or on a Dask cluster.

Heavy work here is a pure function of one part (a row group, a file, a simulated fleet, a report) mapped over many. The
function neither knows nor asks where it runs; ``use_workers`` says it once for a stretch of work:

    with use_workers(cluster="10.0.0.5:8786"):  # or use_workers(jobs=4): processes of this machine
        account = explain_failures(ventings, lifters)

Answers don't depend on where: parts and their random draws are fixed before anything is handed out, and results are put
together in the order of the parts. The workers of a cluster need the same versions, and read files under the same paths.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from concurrent.futures import as_completed as ended_here
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from dataclasses import dataclass, field
from functools import partial
from importlib.metadata import version
from multiprocessing import get_context
from typing import Any, TypeVar

from ventbook.errors import InputError

CONNECT_S = 10.0
LOST_S = 60.0  # without any worker for so long, a cluster is given up
SAME_VERSIONS = ("numpy", "pandas", "scipy", "pyarrow")  # that answers may hang on
Part = TypeVar("Part")
Result = TypeVar("Result")


@dataclass
class Workers:
    """What ``use_workers`` opened: a client of a cluster, or processes of this machine (started at their first use)."""

    jobs: int = 1
    client: Any = None
    address: str = ""
    processes: list[ProcessPoolExecutor] = field(default_factory=list)

    def pool(self) -> ProcessPoolExecutor:
        if not self.processes:  # fresh processes, for forking one that has threads may hang
            method = "forkserver" if sys.platform.startswith("linux") else "spawn"
            self.processes.append(ProcessPoolExecutor(self.jobs, mp_context=get_context(method)))
        return self.processes[0]


_in_use: ContextVar[Workers | None] = ContextVar("workers", default=None)


@contextmanager
def use_workers(cluster: str | None = None, *, jobs: int | None = None) -> Iterator[None]:
    """Heavy work within this block is done by the workers named.

    Parameters
    ----------
    cluster : address of a Dask scheduler ("10.0.0.5:8786"); empty or None is this machine.
    jobs : processes of this machine; 1 is this process. Where neither is named, what is in use stays in use.

    Raises
    ------
    InputError
        With one line: no scheduler answers there, it has no workers, or they have other versions; jobs under 1. Inside the
        block, where the cluster is lost on the way.

    Examples
    --------
    >>> with use_workers(jobs=1):
    ...     list(map_partitions(abs, [-1, 2]))
    [1, 2]
    """
    if jobs is not None and jobs < 1:
        raise InputError(f"jobs must be 1 or more; got {jobs}")
    if not cluster and jobs is None:
        yield
        return
    workers = Workers(jobs or 1, _connect(cluster), cluster) if cluster else Workers(jobs or 1)
    token = _in_use.set(workers)
    try:
        yield
    finally:
        _in_use.reset(token)
        for pool in workers.processes:
            pool.shutdown(cancel_futures=True)
        if workers.client is not None:
            workers.client.close()


def map_partitions(
    function: Callable[..., Result],
    parts: Sequence[Part],
    *,
    shared: Mapping[str, Any] | None = None,
    threads: int = 0,
) -> Iterator[Result]:
    """``function(part, **shared)`` of every part, in the order of the parts, by the workers in use.

    Parameters
    ----------
    function : a function of a module (not a lambda where processes or a cluster are in use), without side effects.
    parts : what it is called with, one each.
    shared : keyword arguments that are the same for all parts; sent to each worker of a cluster once.
    threads : on this machine, threads instead of processes, for functions that let go of the interpreter's lock.

    Raises
    ------
    Whatever ``function`` raises, for the first part that fails; InputError where workers are lost.

    Examples
    --------
    >>> list(map_partitions(round, [1.26, 2.34], shared={"ndigits": 1}))
    [1.3, 2.3]
    """
    waiting: dict[int, Future[Result]] = {}
    due = 0
    for number, future in end_partitions(function, parts, shared=shared, threads=threads):
        future.result()  # the first part that fails ends the rest
        waiting[number] = future
        while due in waiting:
            yield waiting.pop(due).result()
            due += 1


def end_partitions(
    function: Callable[..., Result],
    parts: Sequence[Part],
    *,
    shared: Mapping[str, Any] | None = None,
    threads: int = 0,
) -> Iterator[tuple[int, Future[Result]]]:
    """As :func:`map_partitions`, but (number of the part, its ended future) as parts end, failed ones as well."""
    workers = _in_use.get() or Workers()
    parts = list(parts)
    if workers.client is not None and parts:
        return _on_cluster(workers, function, parts, shared or {})
    call = partial(function, **shared) if shared else function
    jobs = min(threads or workers.jobs, len(parts))
    if jobs <= 1:
        return ((number, _do(call, part)) for number, part in enumerate(parts))
    return _on_pool(ThreadPoolExecutor(jobs) if threads else workers.pool(), call, parts, bool(threads))


def _do(call: Callable[[Part], Result], part: Part) -> Future[Result]:
    future: Future[Result] = Future()
    try:
        future.set_result(call(part))
    except Exception as error:
        future.set_exception(error)
    return future


def _on_pool(
    pool: Executor, call: Callable[[Part], Result], parts: Sequence[Part], own: bool
) -> Iterator[tuple[int, Future[Result]]]:
    numbers: dict[Future[Result], int] = {}
    try:
        with suppress(BrokenExecutor):  # what was handed out says so itself
            for number, part in enumerate(parts):
                numbers[pool.submit(call, part)] = number
        for future in ended_here(numbers):
            number = numbers.pop(future)
            yield number, _said(future, "a process of this machine died; it was killed or ran out of memory")
    finally:
        for future in numbers:
            future.cancel()
        if own:
            pool.shutdown()


def _said(future: Future[Result], words: str) -> Future[Result]:
    """The future itself, or one that says in one line that its worker died."""
    if not isinstance(future.exception(), BrokenExecutor):
        return future
    return _failed(words)


def _failed(words: str) -> Future[Any]:
    failed: Future[Any] = Future()
    failed.set_exception(InputError(words))
    return failed


def _connect(address: str) -> Any:
    """A client of the scheduler at ``address`` whose workers can do our work; InputError with one line otherwise."""
    from distributed import Client

    wanted = "start it, or leave the cluster out"
    try:
        client = Client(address, timeout=CONNECT_S, set_as_default=False)
    except Exception as error:  # by what is wrong with the address, of many kinds
        reason = " ".join(str(error).split())[:120]
        raise InputError(f"no Dask scheduler answers at {address} ({reason}); {wanted}") from None
    try:
        try:
            client.wait_for_workers(1, timeout=CONNECT_S)
        except TimeoutError:
            raise InputError(f"the Dask scheduler at {address} has no workers; start some") from None
        own = list_versions()
        try:
            theirs = client.run(list_versions)
        except Exception as error:  # whatever a worker without our package says
            reason = " ".join(str(error).split())[:120]
            raise InputError(
                f"workers of {address} can't run ventbook ({reason}); install the same version there"
            ) from None
        for worker, versions in theirs.items():
            other = [
                f"{name} {versions[name]}, not {own[name]}" for name in own if versions[name] != own[name]
            ]
            if other:
                raise InputError(
                    f"worker {worker} has {'; '.join(other)}; install the same versions there, for answers may differ"
                )
    except BaseException:
        client.close()
        raise
    return client


def list_versions() -> dict[str, str]:
    """Versions that answers may hang on, by name."""
    import ventbook

    python = ".".join(map(str, sys.version_info[:2]))
    return {"ventbook": ventbook.__version__, "Python": python} | {
        name: version(name) for name in SAME_VERSIONS
    }


def _on_cluster(
    workers: Workers, function: Callable[..., Result], parts: Sequence[Part], shared: Mapping[str, Any]
) -> Iterator[tuple[int, Future[Result]]]:
    from distributed import as_completed
    from distributed.utils import TimeoutError as NothingEnded

    client, address = workers.client, workers.address
    with client.as_current():
        sent = {name: client.scatter(value, broadcast=True, hash=False) for name, value in shared.items()}
        futures = client.map(function, parts, pure=False, **sent)
        numbers = {future: number for number, future in enumerate(futures)}
        futures.clear()
        try:
            while numbers:
                try:
                    for future in as_completed(list(numbers), timeout=LOST_S):
                        yield numbers.pop(future), _taken(future, address)
                except NothingEnded:
                    if not client.scheduler_info(n_workers=-1)["workers"]:
                        raise InputError(
                            f"the cluster {address} has lost all its workers; start some and try again"
                        ) from None
        finally:
            client.cancel(list(numbers))


def _taken(future: Any, address: str) -> Future[Any]:
    """A cluster's ended future as one of this machine; what the cluster itself says of a lost part as one line."""
    from distributed.client import CancelledError
    from distributed.scheduler import KilledWorker

    taken: Future[Any] = Future()
    try:
        taken.set_result(future.result())
    except KilledWorker:
        return _failed(
            f"workers of {address} died again and again over one part of the work; they were killed or ran out of memory"
        )
    except (CancelledError, OSError) as error:
        if future.status == "error":  # the function's own
            taken.set_exception(error)
        else:
            return _failed(f"the cluster {address} was lost ({type(error).__name__}); start it and try again")
    except Exception as error:
        taken.set_exception(error)
    return taken
