"""The processes that reports are made in: on Linux forked from a server that has the libraries loaded, elsewhere fresh."""

from __future__ import annotations

import multiprocessing
import os
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

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
    if sys.platform.startswith("linux"):
        context = multiprocessing.get_context("forkserver")
        context.set_forkserver_preload(["ventbook.run.preload"])
        return context
    return multiprocessing.get_context("spawn")


def start_server() -> None:
    """Lets the server load the libraries while this process goes on; nothing where there is no server.

    To be called before anything heavy is loaded here: the two then load side by side.
    """
    if sys.platform.startswith("linux"):
        from multiprocessing import forkserver

        choose_context()
        with numerics_environment():
            forkserver.ensure_running()
