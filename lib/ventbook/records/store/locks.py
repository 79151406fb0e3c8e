"""One writer at a time: a lock on a file of a folder, a lease in an object store.

The lock is the operating system's, so that a killed writer leaves none behind. A lease is an object that says who holds it,
renewed while he does. It is taken by a write that succeeds only where nothing stands, kept and given back by writes that succeed only on what the
holder wrote last. Whoever is killed stops renewing; when the time is over by the server's own clock the next one takes it.
A holder that lost it without noticing (a machine asleep) is stopped by the Delta log, whose next entry stands already.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import platform
import sys
import threading
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from ventbook.places import NO_CONDITIONS, Address, AddressError, Place
from ventbook.records.store.delta import StoreError

LEASE_S = 60.0
LONGEST_S = 600.0  # that another writer's lease is waited for, whatever it says of itself
MARGIN_S = 5.0
PROBE = "clock."
NO_TAG = f'"{"0" * 32}"'  # that no object has


def is_probe(place: Place) -> bool:
    """True for an object that a writer may leave that was killed while it looked at the server's clock."""
    return isinstance(place, Address) and place.name.startswith(PROBE)


class Lease:
    """A lock that is held; ``check`` raises StoreError once it may be another's."""

    def __init__(self, place: Address) -> None:
        self.place, self.token = place, uuid.uuid4().hex
        self.tag, self.until, self.lost = "", 0.0, False
        self.done = threading.Event()

    def take(self) -> None:
        """StoreError where somebody else holds it, or the server can't keep one."""
        begun = time.monotonic()
        try:
            self.tag = self.place.put(self._text(), if_absent=True)
        except FileExistsError:
            self._take_over()
        self.until = begun + LEASE_S
        for if_absent, if_match in ((True, ""), (False, NO_TAG)):  # does the server keep conditions?
            with suppress(FileExistsError):
                self.place.put(self._text(), if_absent=if_absent, if_match=if_match)
                raise StoreError(f"{self.place.parent}: {NO_CONDITIONS}")

    def _take_over(self) -> None:
        """Another lease stands there: given back, run out, or ours where the answer to its writing was lost."""
        with suppress(FileNotFoundError):
            state, said = self.place.stat(), self._read()
            if self._is_ours(state.e_tag, said):
                return
            lasts = said.get("lease_s")
            lasts = min(float(lasts), LONGEST_S) if isinstance(lasts, int | float) else LEASE_S
            if said.get("given_back") or self._server_time() - state.st_mtime > lasts:
                try:
                    self.tag = self.place.put(self._text(), if_match=state.e_tag)
                    return
                except FileExistsError:
                    state, said = self.place.stat(), self._read()
                    if self._is_ours(state.e_tag, said):
                        return
            by, since = (" ".join(str(said.get(name, "?")).split())[:80] for name in ("owner", "taken"))
            raise StoreError(
                f"{self.place.parent}: another intake is writing to this store (on {by}, since {since}); wait until it is done "
                "and run again"
            )
        raise StoreError(f"{self.place.parent}: another intake was writing to this store just now; run again")

    def _is_ours(self, tag: str, said: dict[str, Any]) -> bool:
        """True, and the lease held, where what stands there is of this writer: the answer to its writing was lost."""
        if said.get("token") != self.token or said.get("given_back"):
            return False
        self.tag = tag
        return True

    def _read(self) -> dict[str, Any]:
        try:
            said = json.loads(self.place.read_text())
        except ValueError as error:
            if isinstance(error, AddressError):
                raise
            return {}
        return said if isinstance(said, dict) else {}

    def _server_time(self) -> float:
        """The server's clock, by an object of ours: two machines need not agree on the time."""
        probe = self.place.with_name(f"{PROBE}{self.token}")
        probe.put(b"")
        try:
            return probe.stat().st_mtime
        finally:
            probe.unlink()

    def _text(self, **more: Any) -> bytes:
        now = dt.datetime.now(dt.UTC).replace(microsecond=0)
        said = {
            "owner": platform.node(),
            "token": self.token,
            "taken": now.isoformat(),
            "expires": (now + dt.timedelta(seconds=LEASE_S)).isoformat(),
            "lease_s": LEASE_S,
        }
        return (json.dumps(said | more) + "\n").encode()

    def keep(self) -> None:
        """Renew until ``done``; to be run on a thread of its own."""
        while not self.done.wait(LEASE_S / 4):
            begun = time.monotonic()
            try:
                self.tag = self.place.put(self._text(), if_match=self.tag)
            except FileExistsError:
                with suppress(OSError, AddressError):
                    if self._read().get("token") != self.token:
                        self.lost = True
                        return
                    self.tag = self.place.stat().e_tag  # the answer to an earlier writing was lost
                continue
            except (OSError, AddressError):
                continue
            self.until = begun + LEASE_S

    def check(self) -> None:
        """StoreError where the lease was lost, or couldn't be renewed for so long that it may be."""
        if self.lost or time.monotonic() > self.until - MARGIN_S:
            raise StoreError(
                f"{self.place.parent}: the lock of this store couldn't be kept (the network was away for too long, or another "
                "intake took over); nothing of this one shows, run again"
            )

    def give_back(self) -> None:
        """The object stays, as a folder's lock file does: a lease is only ever written over by who holds it."""
        with suppress(OSError, AddressError):  # it runs out by itself
            self.place.put(self._text(given_back=True), if_match=self.tag)


@contextmanager
def hold_lock(path: Place) -> Iterator[Callable[[], None]]:
    """Hold the exclusive lock on ``path`` while the block runs; gives what raises StoreError once it may be another's.

    Raises StoreError at once when another process (or another writer of this one) holds it.
    """
    if isinstance(path, Address):
        with _hold_lease(path) as lease:
            yield lease.check
        return
    handle = _open_locked(path)
    try:
        yield lambda: None  # the system keeps it
    finally:
        os.close(handle)  # closing lets go of the lock, and so does the end of a killed process


@contextmanager
def _hold_lease(place: Address) -> Iterator[Lease]:
    lease = Lease(place)
    lease.take()
    keeper = threading.Thread(target=lease.keep, daemon=True)
    keeper.start()
    try:
        yield lease
    finally:
        lease.done.set()
        keeper.join()
        lease.give_back()


def _open_locked(path: Path) -> int:
    while True:
        try:
            handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
        except OSError as error:
            raise StoreError(
                f"{path.parent}: can't be written ({error.strerror}); choose a folder you may write"
            ) from None
        try:
            _lock(handle)
        except OSError:
            os.close(handle)
            raise StoreError(
                f"{path.parent}: another intake is writing to this store; wait until it is done and run again"
            ) from None
        try:
            if os.path.samestat(os.fstat(handle), path.stat()):
                return handle
        except OSError:
            pass
        os.close(handle)  # its holder took the file away with a first intake that came to nothing: once more


if sys.platform == "win32":
    import msvcrt

    def _lock(handle: int) -> None:
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _lock(handle: int) -> None:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
