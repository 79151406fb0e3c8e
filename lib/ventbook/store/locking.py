"""One writer at a time: an operating-system lock on a file, so that a killed writer leaves no stale lock."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from ventbook.errors import InputError


class StoreError(InputError):
    """A store that isn't there, can't be read, or is being written by someone else."""


@contextmanager
def hold_lock(path: Path) -> Iterator[None]:
    """Hold the exclusive lock on ``path`` while the block runs.

    Raises StoreError at once when another process (or another writer of this one) holds it.
    """
    try:
        handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
    except OSError as error:
        raise StoreError(
            f"{path.parent}: can't be written ({error.strerror}); choose a folder you may write"
        ) from None
    try:
        try:
            _lock(handle)
        except OSError:
            raise StoreError(
                f"{path.parent}: another intake is writing to this store; wait until it is done and run again"
            ) from None
        yield
    finally:
        os.close(handle)  # closing lets go of the lock, and so does the end of a killed process


if sys.platform == "win32":
    import msvcrt

    def _lock(handle: int) -> None:
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _lock(handle: int) -> None:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
