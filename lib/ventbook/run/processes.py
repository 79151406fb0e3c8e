"""The processes that reports are made in: on Linux forked from one that has the libraries loaded, elsewhere fresh.

The command line is that process itself: begun anew with ENVIRONMENT it starts no thread and opens no store, so that it can be
forked. Called from Python, where others may have started threads, a server is.
"""

from __future__ import annotations

import gc
import importlib
import multiprocessing
import os
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, TypeVar

from ventbook.errors import InputError

LONGEST_TEMP = 74  # characters: a socket's whole path may take 107 on Linux

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

# Packages that most pages load at some time, so that several have them from the process that they are forked from.
SHARED = ("ventbook.run.drawing", "scipy.stats", "statsmodels.stats.proportion")
T = TypeVar("T")


class _Self:
    """Whether this process is the one to be forked."""

    forked = False


def be_forked() -> None:
    """Makes this process, the command line's own, the one that reports are forked from; nothing where that can't be."""
    if not sys.platform.startswith("linux"):
        return
    if any(os.environ.get(name) != value for name, value in ENVIRONMENT.items()):
        sys.stdout.flush()
        os.execve(sys.executable, [sys.executable, *sys.orig_argv[1:]], {**os.environ, **ENVIRONMENT})
    _Self.forked = True
    gc.disable()  # until all is loaded: next to nothing of it is garbage


def call_apart(make: Callable[..., T], *args: Any, **options: Any) -> Callable[[], T]:
    """Begins ``make(*args, **options)`` in a process of its own where this one is to be forked; call what is returned for the
    result or the error. Elsewhere it is done here, at once.
    """
    if not _Self.forked:
        made = make(*args, **options)
        return lambda: made
    context = multiprocessing.get_context("fork")
    here, there = context.Pipe(duplex=False)
    process = context.Process(target=_answer, args=(there, make, args, options))
    process.start()
    there.close()

    def receive() -> T:
        try:
            made, error = here.recv()
        except EOFError:
            process.join()
            raise RuntimeError(
                f"a process died (exit {process.exitcode}); it was killed or ran out of memory"
            ) from None
        process.join()
        if error is not None:
            raise error
        return made

    return receive


def _answer(pipe: Any, make: Callable[..., Any], args: Any, options: Any) -> None:
    said: tuple[Any, Exception | None]
    try:
        said = make(*args, **options), None
    except Exception as error:
        said = None, error
    pipe.send(said)


@contextmanager
def numerics_environment() -> Iterator[None]:
    """ENVIRONMENT for the processes that are started meanwhile."""
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


def choose_context() -> Any:
    """How processes of reports are started here. Raises InputError where the folder for temporary files is too deep for sockets."""
    folder = tempfile.gettempdir()
    if len(os.fsencode(folder)) > LONGEST_TEMP:
        raise InputError(
            f"TMPDIR: {folder} is too long a path for the sockets of reports; set one of at most {LONGEST_TEMP} characters"
        )
    if _Self.forked:
        return multiprocessing.get_context("fork")
    if sys.platform.startswith("linux"):
        context = multiprocessing.get_context("forkserver")
        context.set_forkserver_preload(["ventbook.run.preload", *SHARED])
        return context
    return multiprocessing.get_context("spawn")


def load_libraries(names: Sequence[str]) -> None:
    """Loads what the reports ``names`` need into this process where it is to be forked; a server does so by itself."""
    if _Self.forked:
        from ventbook.run import preload

        preload.load_rooms(names)
        for package in SHARED if len(names) > 1 else ():
            importlib.import_module(package)
        gc.freeze()
        gc.enable()
