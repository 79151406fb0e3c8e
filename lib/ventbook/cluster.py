"""Where heavy work is done: in this process, on processes or threads of this machine, or on a Dask cluster.

Heavy work here is a pure function of one part (a row group, a file, a simulated fleet, a report) mapped over many. The
function neither knows nor asks where it runs; ``use_workers`` says it once for a stretch of work:

    with use_workers(cluster="10.0.0.5:8786"):  # or use_workers(jobs=4): processes of this machine
        account = explain_failures(ventings, lifters)

Answers don't depend on where: parts and their random draws are fixed before anything is handed out, and results are put
together in the order of the parts. The workers of a cluster need the same versions, and read files under the same paths.
"""

from __future__ import annotations

import pickle
import socket
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence, Sized
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    Future,
    ProcessPoolExecutor,
    ThreadPoolExecutor,
    wait,
)
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from functools import lru_cache, partial
from importlib.metadata import version
from importlib.util import find_spec
from itertools import islice
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, TypeVar

import cloudpickle

from ventbook.errors import InputError

CONNECT_S = 10.0
LOST_S = 60.0  # without any worker for so long, a cluster is given up
AHEAD = 4  # parts handed out at a time, a process or thread
DIED_HERE = "a process of this machine died; it was killed or ran out of memory"
SAME_VERSIONS = ("numpy", "pandas", "scipy", "pyarrow")  # that answers may hang on
Part = TypeVar("Part")
Result = TypeVar("Result")
_in_use: ContextVar[Workers | None] = ContextVar("workers", default=None)


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


@contextmanager
def use_workers(
    cluster: str | None = None, *, jobs: int | None = None, needs: Sequence[str] = ()
) -> Iterator[None]:
    """Heavy work within this block is done by the workers named.

    Parameters
    ----------
    cluster : address of a Dask scheduler ("10.0.0.5:8786"); empty or None is this machine.
    jobs : processes of this machine; 1 is this process. Where neither is named, what is in use stays in use.
    needs : modules besides ours that a cluster must have.

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
    workers = Workers(jobs or 1, _connect(cluster, needs), cluster) if cluster else Workers(jobs or 1)
    token = _in_use.set(workers)
    try:
        yield
    finally:
        _in_use.reset(token)
        for pool in workers.processes:
            pool.shutdown(cancel_futures=True)
        if workers.client is not None:
            workers.client.close()


def has_workers() -> bool:
    """Whether other processes than this one are in use."""
    workers = _in_use.get()
    return workers is not None and (workers.client is not None or workers.jobs > 1)


def map_partitions(
    function: Callable[..., Result],
    parts: Iterable[Part],
    *,
    shared: Mapping[str, Any] | None = None,
    threads: int = 0,
) -> Iterator[Result]:
    """``function(part, **shared)`` of every part, in the order of the parts, by the workers in use.

    Parameters
    ----------
    function : without side effects.
    parts : what it is called with, one each; taken a few at a time.
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
    parts: Iterable[Part],
    *,
    shared: Mapping[str, Any] | None = None,
    threads: int = 0,
) -> Iterator[tuple[int, Future[Result]]]:
    """As :func:`map_partitions`, but (number of the part, its ended future) as parts end, failed ones as well."""
    workers = _in_use.get() or Workers()
    if workers.client is not None:
        return _on_cluster(workers, function, parts, shared or {})
    call = partial(function, **shared) if shared else function
    jobs = threads or workers.jobs
    if jobs == 1 or (isinstance(parts, Sized) and len(parts) < 2):
        return ((number, _do(call, part)) for number, part in enumerate(parts))
    return _on_threads(jobs, call, parts) if threads else _on_processes(workers, call, parts)


def _do(call: Callable[[Part], Result], part: Part) -> Future[Result]:
    future: Future[Result] = Future()
    try:
        future.set_result(call(part))
    except Exception as error:
        future.set_exception(error)
    return future


def _on_threads(
    jobs: int, call: Callable[[Part], Result], parts: Iterable[Part]
) -> Iterator[tuple[int, Future[Result]]]:
    with ThreadPoolExecutor(jobs) as pool:
        yield from _feed(lambda part: pool.submit(call, part), parts, AHEAD * jobs)


def _on_processes(
    workers: Workers, call: Callable[[Part], Result], parts: Iterable[Part]
) -> Iterator[tuple[int, Future[Result]]]:
    """The call goes to the processes once, as a file that each reads at its first part."""
    pool = workers.pool()
    with TemporaryDirectory(prefix="ventbook-") as folder:
        path = Path(folder) / "call"
        path.write_bytes(cloudpickle.dumps(call))

        def submit(part: Part) -> Future[bytes]:
            return pool.submit(_call_packed, str(path), cloudpickle.dumps(part))

        try:
            for number, future in _feed(submit, parts, AHEAD * workers.jobs):
                yield number, _taken_here(future)
        except BrokenExecutor:  # while parts were handed out
            raise InputError(DIED_HERE) from None


def _feed(
    submit: Callable[[Part], Future[Result]], parts: Iterable[Part], ahead: int
) -> Iterator[tuple[int, Future[Result]]]:
    """Ended futures with their parts' numbers; ``ahead`` parts are handed out at a time, so that few wait in memory."""
    source = enumerate(parts)
    numbers: dict[Future[Result], int] = {}
    try:
        for number, part in islice(source, ahead):
            numbers[submit(part)] = number
        while numbers:
            for future in wait(numbers, return_when=FIRST_COMPLETED).done:
                yield numbers.pop(future), future
                for number, part in islice(source, 1):
                    numbers[submit(part)] = number
    finally:
        for future in numbers:
            future.cancel()
        wait(numbers)


def _call_packed(path: str, part: bytes) -> bytes:
    return cloudpickle.dumps(_read_call(path)(pickle.loads(part)))


@lru_cache(maxsize=2)
def _read_call(path: str) -> Callable[[Any], Any]:
    call: Callable[[Any], Any] = pickle.loads(Path(path).read_bytes())
    return call


def _taken_here(future: Future[bytes]) -> Future[Any]:
    taken: Future[Any] = Future()
    try:
        taken.set_result(pickle.loads(future.result()))
    except BrokenExecutor:
        taken.set_exception(InputError(DIED_HERE))
    except Exception as error:
        taken.set_exception(error)
    return taken


def _failed(words: str) -> Future[Any]:
    failed: Future[Any] = Future()
    failed.set_exception(InputError(words))
    return failed


def _connect(address: str, needs: Sequence[str]) -> Any:
    """A client of the scheduler at ``address`` whose workers can do our work; InputError with one line otherwise."""
    from distributed import Client
    from distributed.comm.addressing import get_address_host_port

    try:
        with socket.create_connection(get_address_host_port(address), CONNECT_S):
            pass  # says at once that none listens
        client = Client(address, timeout=CONNECT_S, set_as_default=False)
    except Exception as error:  # by what is wrong with the address, of many kinds
        raise InputError(
            f"no Dask scheduler answers at {address} ({_in_short(error)}); start it, or leave the cluster out"
        ) from None
    try:
        _check_cluster(client, address, needs)
    except BaseException:
        client.close()
        raise
    return client


def _check_cluster(client: Any, address: str, needs: Sequence[str]) -> None:
    """InputError with one line where a cluster has no workers, or any other versions or modules than it takes."""
    try:
        client.wait_for_workers(1, timeout=CONNECT_S)
    except TimeoutError:
        raise InputError(f"the Dask scheduler at {address} has no workers; start some") from None
    try:
        found = client.run(look_around, needs)
        found["scheduler"] = client.run_on_scheduler(look_around, needs)  # it reads what is handed out
    except Exception as error:  # whatever one without our package says
        raise InputError(
            f"{address} can't run ventbook ({_in_short(error)}); install the same version for its scheduler and workers"
        ) from None
    own = list_versions()
    for place, (versions, missing) in found.items():
        if missing:
            raise InputError(
                f"{place} of {address} can't import {', '.join(missing)}; start it where it can, by PYTHONPATH or its folder"
            )
        other = [f"{name} {versions[name]}, not {own[name]}" for name in own if versions[name] != own[name]]
        if other:
            raise InputError(
                f"{place} of {address} has {'; '.join(other)}; install the same versions there, for answers may differ"
            )


def _in_short(error: Exception) -> str:
    return " ".join(str(error).split())[:120]


def look_around(needs: Sequence[str]) -> tuple[dict[str, str], list[str]]:
    """Versions where this runs, and which of the modules ``needs`` are not there."""
    return list_versions(), [name for name in needs if find_spec(name) is None]


def list_versions() -> dict[str, str]:
    """Versions that answers may hang on, by name."""
    import ventbook

    python = ".".join(map(str, sys.version_info[:2]))
    return {"ventbook": ventbook.__version__, "Python": python} | {
        name: version(name) for name in SAME_VERSIONS
    }


def _on_cluster(
    workers: Workers, function: Callable[..., Result], parts: Iterable[Part], shared: Mapping[str, Any]
) -> Iterator[tuple[int, Future[Result]]]:
    from distributed import as_completed

    client, address = workers.client, workers.address
    source = enumerate(parts)
    with client.as_current():
        sent = {
            name: client.scatter([value], broadcast=True, hash=False)[0] for name, value in shared.items()
        }
        numbers: dict[Any, int] = {}

        def hand_out(count: int) -> list[Any]:
            own = {client.submit(function, part, pure=False, **sent): n for n, part in islice(source, count)}
            numbers.update(own)
            return list(own)

        try:
            hand_out(AHEAD * max(sum(client.nthreads().values()), 1))
            while numbers:
                ended = as_completed(list(numbers), timeout=LOST_S)
                try:
                    for future in ended:
                        yield numbers.pop(future), _taken(future, address)
                        ended.update(hand_out(1))
                except TimeoutError:  # of all this while, be it that parts still come in
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
