"""Simulated fleets by number, on this machine's processes or a cluster, kept one by one so that a stopped run goes on.

What a fleet came to is kept in ``calibrate/kept/`` (not committed) under its function, its task and the state of the code; a
run asks only for what isn't there. Any change of the code, its tables or its libraries begins anew.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib
import pickle
import sqlite3
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

from ventbook import cluster
from ventbook.errors import InputError
from ventbook.shipped import DATA

HERE = Path(__file__).resolve().parent
KEPT = HERE / "kept"
PLAIN = (str, int, float, bool)
TELL_S = 10.0  # between two lines of progress
Task = tuple[str | int | float | bool, ...]
Result = TypeVar("Result")


@dataclass
class Kept:
    """Where results are kept; ``forget`` what an earlier run left of a function, at its first use (``known``)."""

    folder: Path
    forget: bool = False
    known: set[str] = field(default_factory=set)


_kept: ContextVar[Kept | None] = ContextVar("kept", default=None)


def make_parser(doc: str | None) -> argparse.ArgumentParser:
    """A parser with the options that every calibration takes: --jobs, --cluster, --fresh."""
    parser = argparse.ArgumentParser(description=doc, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--jobs", type=int, default=1, help="processes of this machine")
    parser.add_argument(
        "--cluster", default="", help="address of a Dask scheduler; it and its workers need this folder"
    )
    parser.add_argument("--fresh", action="store_true", help="forget what a stopped run has kept")
    return parser


@contextmanager
def use(asked: argparse.Namespace, *, kept: Path = KEPT) -> Iterator[None]:
    """Fleets run within this block go to the workers asked for and are kept; what they can't do is one line, exit code 2."""
    token = _kept.set(Kept(kept, asked.fresh))
    try:
        with cluster.use_workers(asked.cluster, jobs=asked.jobs, needs=[__name__.partition(".")[0]]):
            yield
    except InputError as error:
        print(error, file=sys.stderr)
        raise SystemExit(2) from None
    finally:
        _kept.reset(token)


def run_fleets(function: Callable[..., Result], tasks: Sequence[Task], *, what: str = "") -> list[Result]:
    """``function(*task)`` of every task, in their order: kept ones as they are, the others by the workers in use.

    Parameters
    ----------
    function : a function of a module of this folder that gives the same for the same task on every machine: what it draws is
        seeded by the task (a name of what is simulated, the fleet's number).
    tasks : tuples of text and numbers.
    what : what progress says, such as the row of the table.

    Examples
    --------
    >>> run_fleets(divmod, [(7, 2), (9, 4)])
    [(3, 1), (2, 1)]
    """
    for task in tasks:
        if not all(isinstance(value, PLAIN) for value in task):
            raise TypeError(f"a task is text and numbers, not {task!r}")
    function = _of_module(function)
    kept = _kept.get()
    if kept is None:
        return list(cluster.map_partitions(_call, tasks, shared={"function": function}))
    name = f"{function.__module__}.{function.__qualname__}"
    path = kept.folder / f"{name}.sqlite"
    kept.folder.mkdir(parents=True, exist_ok=True)
    if kept.forget and name not in kept.known:
        path.unlink(missing_ok=True)
    kept.known.add(name)
    with closing(sqlite3.connect(path, timeout=60)) as file:
        return _run_kept(function, tasks, file, what or name)


def _run_kept(
    function: Callable[..., Result], tasks: Sequence[Task], file: sqlite3.Connection, what: str
) -> list[Result]:
    code = mark_code()
    with file:
        file.execute("create table if not exists kept (code text, task text primary key, result blob)")
        file.execute("delete from kept where code <> ?", [code])
    stored = dict(file.execute("select task, result from kept"))
    found = {n: pickle.loads(stored[repr(task)]) for n, task in enumerate(tasks) if repr(task) in stored}
    missing = [n for n in range(len(tasks)) if n not in found]
    before, begun, told = len(found), time.monotonic(), -TELL_S
    if before:
        print(f"{what}: {before} of {len(tasks)} are there from an earlier run", file=sys.stderr, flush=True)
    parts = [tasks[n] for n in missing]
    for number, future in cluster.end_partitions(_call, parts, shared={"function": function}):
        result = future.result()
        found[missing[number]] = result
        with file:
            file.execute(
                "insert or replace into kept values (?, ?, ?)",
                [code, repr(parts[number]), pickle.dumps(result)],
            )
        passed = time.monotonic() - begun
        if passed - told >= TELL_S or len(found) == len(tasks):
            told = passed
            left = passed / (len(found) - before) * (len(tasks) - len(found))
            print(f"{what}: {len(found)} of {len(tasks)}, {passed:.0f} s, about {left:.0f} s left",
                  file=sys.stderr, flush=True)  # fmt: skip
    return [found[n] for n in range(len(tasks))]


def _call(task: Task, *, function: Callable[..., Result]) -> Result:
    return function(*task)


def _of_module(function: Callable[..., Result]) -> Callable[..., Result]:
    """The same function of its module by name where it runs as a script, so that other processes find it."""
    spec = sys.modules["__main__"].__spec__
    if function.__module__ != "__main__" or spec is None:
        return function
    found: Callable[..., Result] = getattr(importlib.import_module(spec.name), function.__qualname__)
    return found


def mark_code() -> str:
    """A digest of what a result may hang on: our code and tables, and the versions of what they stand on."""
    digest = hashlib.sha256(repr(cluster.list_versions()).encode())
    package = Path(cluster.__file__).parent
    for root, pattern in ((package, "**/*.py"), (HERE, "*.py"), (DATA, "*.toml")):
        for path in sorted(root.glob(pattern)):
            digest.update(path.relative_to(root).as_posix().encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()
