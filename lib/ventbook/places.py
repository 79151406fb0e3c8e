"""Where a store lies: a folder, or an address in an S3-compatible object store (``s3://bucket/path``).

A folder is a plain ``Path`` and stays one. An ``Address`` answers to the names of ``Path`` that a store needs, so that whoever
works with a store asks a place and not what kind it is; what the two can't share stands in the functions below the class.
Parquet files of an address are read from a copy on this machine, which is what was held to its SHA-256.

Credentials come from the environment or the usual files of AWS and stand in no text that leaves this module: messages are
made of the address and of what is wrong, never of what a library or the server said.
"""

from __future__ import annotations

import configparser
import errno
import hashlib
import io
import os
import re
import shutil
import tempfile
import time
import zlib
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import timedelta
from functools import lru_cache
from multiprocessing.util import Finalize
from pathlib import Path, PurePosixPath
from typing import Any, NamedTuple, TypeVar
from urllib.parse import urlsplit

from ventbook.errors import InputError

SCHEME = "s3://"
RETRIES = 4  # of one request, after the first try
RETRY_S = 45.0  # no further try after this time
CONNECT_S, SILENCE_S, REQUEST_S = 5.0, 20.0, 300.0  # to connect; without a byte; one request and its answer
AT_ONCE = 8  # files fetched side by side
PIECE = 16 << 20
LOOPBACK = ("127.0.0.1", "::1", "localhost")
COPIES = "VENTBOOK_COPIES"  # folder of this call's copies, for the processes that it starts
BUCKET = re.compile(r"[a-z0-9][a-z0-9.-]{1,61}[a-z0-9]")
PART = re.compile(r"[A-Za-z0-9._=-]+")  # of an address; the Delta package trips over others
REFUSED = ("InvalidAccessKeyId", "SignatureDoesNotMatch", "ExpiredToken", "InvalidToken", "401 Unauthorized")
Answer = TypeVar("Answer")
NO_CONDITIONS = (
    "the server takes no conditional writes, so two intakes could not be told apart; use one that does"
)
_HERE: dict[Address, tuple[str, Path]] = {}  # copies of this process: tag of the object, the file


class AddressError(InputError):
    """An address that can't be used now: no such bucket, refused credentials, a server that doesn't answer."""


class Unanswered(AddressError):
    """A server that doesn't answer, or answers that it is in trouble."""


class NotAllowed(AddressError):
    """An object that these credentials may not read or write."""


class State(NamedTuple):
    """What a server says of an object, by the names of ``os.stat``; ``st_mtime_ns`` differs where the content does."""

    st_size: int
    st_mtime: float
    st_mtime_ns: int
    st_ino: int
    e_tag: str


@dataclass(frozen=True, order=True)
class Address:
    """An object, or all objects whose key begins so, as ``Path`` is a file or a folder. Folders exist by what is in them."""

    bucket: str
    key: str

    def __str__(self) -> str:
        return f"{SCHEME}{self.bucket}/{self.key}".rstrip("/")

    def __truediv__(self, other: str) -> Address:
        return Address(self.bucket, "/".join(part for part in (self.key, str(other).strip("/")) if part))

    @property
    def name(self) -> str:
        return self.key.rpartition("/")[2]

    @property
    def suffix(self) -> str:
        return PurePosixPath(self.key).suffix

    @property
    def parent(self) -> Address:
        return Address(self.bucket, self.key.rpartition("/")[0])

    @property
    def parents(self) -> list[Address]:
        parts = self.key.split("/")
        return [Address(self.bucket, "/".join(parts[:n])) for n in range(len(parts) - 1, -1, -1)]

    def with_name(self, name: str) -> Address:
        return self.parent / name

    def resolve(self) -> Address:
        return self

    def mkdir(self, mode: int = 0o777, parents: bool = False, exist_ok: bool = False) -> None:
        """Nothing to do: there are no folders."""

    def exists(self) -> bool:
        return self.is_file() or self.is_dir()

    def is_file(self) -> bool:
        try:
            self.stat()
        except FileNotFoundError:
            return False
        return True

    def is_dir(self) -> bool:
        return next(self.states(), None) is not None

    def stat(self) -> State:
        import obstore

        with self._asking():
            return _state_of(obstore.head(_client(self), self.key))

    def states(self) -> Iterator[tuple[Address, State]]:
        """Every object below, with its state, asked for once a thousand."""
        import obstore

        with self._asking():
            for chunk in obstore.list(_client(self), prefix=self.key or None):
                for found in chunk:
                    yield Address(self.bucket, found["path"]), _state_of(found)

    def iterdir(self) -> Iterator[Address]:
        import obstore

        with self._asking():
            found = obstore.list_with_delimiter(_client(self), prefix=self.key or None)
        yield from (Address(self.bucket, name) for name in found["common_prefixes"])
        yield from (Address(self.bucket, entry["path"]) for entry in found["objects"])

    def glob(self, pattern: str) -> Iterator[Address]:
        """Objects whose key below this one has as many parts as ``pattern`` and fits it."""
        deep = len(PurePosixPath(pattern).parts)
        for place, _ in self.states():
            below = PurePosixPath(name_below(place, self))
            if len(below.parts) == deep and below.match(pattern):
                yield place

    def read_bytes(self) -> bytes:
        import obstore

        with self._asking():
            return bytes(obstore.get(_client(self), self.key).bytes())

    def read_text(self, encoding: str = "utf-8") -> str:
        return self.read_bytes().decode(encoding)

    def open(self, mode: str = "rb") -> io.BytesIO:
        """The object's bytes to read."""
        return io.BytesIO(self.read_bytes())

    def write_bytes(self, content: bytes) -> None:
        self.put(content)

    def put(self, content: bytes | Path, *, if_absent: bool = False, if_match: str = "") -> str:
        """Write the object whole and give back its tag. FileExistsError where ``if_absent`` and one stands there, or where what
        stands there has another tag than ``if_match``: it may be this very content where an answer was lost.
        """
        import obstore

        mode: Any = "create" if if_absent else {"e_tag": if_match} if if_match else "overwrite"
        plain = mode == "overwrite"

        def write() -> str:
            with self._asking():
                client = _client(self) if plain else _client(self, 0)
                done = obstore.put(
                    client, self.key, content, mode=mode, use_multipart=None if plain else False
                )
            return str(done["e_tag"])

        return (
            write() if plain else try_again(write)
        )  # of those on condition the library makes only some again

    def unlink(self, missing_ok: bool = False) -> None:
        import obstore

        with self._asking():
            obstore.delete(_client(self), self.key)

    @contextmanager
    def _asking(self) -> Iterator[None]:
        """What a request may end in, as errors of the file system; AddressError where it says nothing of this object."""
        from obstore import exceptions

        try:
            yield
        except (exceptions.AlreadyExistsError, exceptions.PreconditionError):
            raise FileExistsError(errno.EEXIST, "stands there already", str(self)) from None
        except (exceptions.BaseError, OSError) as error:
            if getattr(error, "errno", None) is not None:  # of this machine, or told before
                raise
            if (told := explain(self, str(error))) is not None:
                raise told from None
            if isinstance(error, FileNotFoundError):
                raise FileNotFoundError(errno.ENOENT, "is missing", str(self)) from None
            raise _unanswered(self) from None


Place = Path | Address


def try_again(ask: Callable[[], Answer], *, times: int | None = None) -> Answer:
    """What ``ask`` gives, asked again a few times while the server doesn't answer."""
    for tries in range(RETRIES if times is None else times):
        try:
            return ask()
        except Unanswered:
            time.sleep(0.1 * 2**tries)
    return ask()


def _state_of(found: Any) -> State:
    seconds, tag = found["last_modified"].timestamp(), str(found["e_tag"])
    # servers tell whole seconds: what is below tells contents apart that were written within one
    return State(found["size"], seconds, int(seconds) * 10**9 + zlib.crc32(tag.encode()) % 10**9, 0, tag)


def explain(place: Address, text: str) -> AddressError | None:
    """What a library's words for a failed request mean, None where they only say that the object isn't there."""
    if "NoSuchBucket" in text:
        return AddressError(f"{place}: there is no bucket {place.bucket}; check the address")
    if any(word in text for word in REFUSED):
        return AddressError(
            f"{place}: the server refuses these credentials; check AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY, or AWS_PROFILE"
        )
    if "AccessDenied" in text or "403 Forbidden" in text:
        return NotAllowed(
            f"{place}: the server refuses these credentials, or they lack the right to it; check AWS_ACCESS_KEY_ID, and ask the owner "
            "of the bucket"
        )
    if "501 Not Implemented" in text:
        return AddressError(f"{place}: {NO_CONDITIONS}")
    if "404 Not Found" in text or "NoSuchKey" in text:
        return None
    if "error performing" in text.lower() or "http error" in text.lower() or "Generic S3 error" in text:
        return _unanswered(place)
    return None


def _unanswered(place: Address) -> Unanswered:
    where = urlsplit(find_settings(place)["endpoint"]).netloc.rpartition("@")[2] or "the server"
    return Unanswered(
        f"{place}: {where} doesn't answer as it should, asked {RETRIES + 1} times; check AWS_ENDPOINT_URL and the network and "
        "run again, the last snapshot is whole"
    )


# ---- finding -------------------------------------------------------------------------------------------------------


def find_place(text: str | Path | Address) -> Place:
    """A folder or file, or with ``s3://bucket/path`` an address; AddressError for one that names no bucket or no path in it."""
    if isinstance(text, Address):
        return text
    if not str(text).lower().startswith((SCHEME, "s3:/")):
        return Path(text)
    if isinstance(text, Path) or not str(text).startswith(SCHEME):
        raise AddressError(f"{text}: an address is written {SCHEME}bucket/path")
    bucket, _, key = text.removeprefix(SCHEME).partition("/")
    if "@" in bucket or ":" in bucket:
        raise AddressError(
            f"{SCHEME}...: credentials and ports don't belong in an address; set AWS_ACCESS_KEY_ID and the like"
        )
    parts = key.rstrip("/").split("/")
    if not BUCKET.fullmatch(bucket) or not all(map(PART.fullmatch, parts)) or {".", ".."} & set(parts):
        raise AddressError(
            f"{text}: an address is written {SCHEME}bucket/path, with a bucket's name and a path of letters, digits and ._- in it"
        )
    return Address(bucket, "/".join(parts))


def place_beside(store: Place, name: str) -> Place:
    """Where a file lies that a shop keeps beside its store."""
    return store.resolve().parent / name


def name_below(place: Place, folder: Place) -> str:
    """The name of a place below a folder or address, with slashes: ``intakes/part-1.parquet``."""
    if isinstance(place, Path) and isinstance(folder, Path):
        return place.relative_to(folder).as_posix()
    assert isinstance(place, Address) and isinstance(folder, Address)
    return PurePosixPath(place.key).relative_to(folder.key).as_posix()


def list_below(folder: Place) -> list[Place]:
    """All files below a folder or address, in order of their names; none where it isn't there."""
    if isinstance(folder, Address):
        return sorted(place for place, _ in folder.states())
    return sorted(file for file in folder.rglob("*") if file.is_file()) if folder.is_dir() else []


def list_states(folder: Place) -> list[tuple[Place, os.stat_result | State]]:
    """The same with size and time of each."""
    if isinstance(folder, Address):
        return list(folder.states())
    return [(file, file.stat()) for file in list_below(folder) if isinstance(file, Path)]


def list_matching(folder: Place, pattern: str) -> list[Place]:
    """The files below a folder or address that fit ``pattern``, of as many parts as it has, in order of their names."""
    return sorted([*folder.glob(pattern)], key=lambda place: PurePosixPath(name_below(place, folder)))


def find_settings(place: Address) -> dict[str, str]:
    """Credentials, region and endpoint from the environment, else from the files of AWS. AddressError where they don't do."""
    profile = os.environ.get("AWS_PROFILE") or "default"
    keys = {
        name: os.environ.get(f"AWS_{name.upper()}", "")
        for name in ("access_key_id", "secret_access_key", "session_token")
    }
    file = _read_profile("AWS_CONFIG_FILE", "config", profile)
    if not (keys["access_key_id"] and keys["secret_access_key"]):
        own = file | _read_profile("AWS_SHARED_CREDENTIALS_FILE", "credentials", profile)
        keys = {name: own.get(f"aws_{name}", "") for name in keys}
    if not (keys["access_key_id"] and keys["secret_access_key"]):
        raise AddressError(
            f"{place}: no credentials; set AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY, or AWS_PROFILE for ~/.aws/credentials"
        )
    endpoint = (
        os.environ.get("AWS_ENDPOINT_URL_S3")
        or os.environ.get("AWS_ENDPOINT_URL")
        or file.get("endpoint_url", "")
    )
    region = os.environ.get("AWS_REGION") or os.environ.get("AWS_DEFAULT_REGION") or file.get("region", "")
    if not (endpoint or region):
        raise AddressError(f"{place}: no server; set AWS_ENDPOINT_URL, or AWS_REGION for Amazon's own")
    parts = urlsplit(endpoint)
    if endpoint and (parts.scheme not in ("http", "https") or not parts.hostname or "@" in parts.netloc):
        raise AddressError(
            f"{place}: AWS_ENDPOINT_URL is no address of a server; it is written https://host:port"
        )
    plain = parts.scheme == "http"
    if (
        plain
        and parts.hostname not in LOOPBACK
        and os.environ.get("AWS_ALLOW_HTTP", "").lower() not in ("1", "true")
    ):
        raise AddressError(
            f"{place}: AWS_ENDPOINT_URL is not encrypted; use https, or set AWS_ALLOW_HTTP=true where you mean it"
        )
    found = {**{name: value for name, value in keys.items() if value}, "region": region or "us-east-1"}
    return found | {"endpoint": endpoint, "allow_http": str(plain).lower()}


def _read_profile(variable: str, name: str, profile: str) -> dict[str, str]:
    parser = configparser.RawConfigParser()
    with suppress(OSError, configparser.Error, UnicodeDecodeError):
        parser.read(Path(os.environ.get(variable) or f"~/.aws/{name}").expanduser(), encoding="utf-8")
    section = profile if parser.has_section(profile) else f"profile {profile}"
    return dict(parser[section]) if parser.has_section(section) else {}


def _client(place: Address, retries: int | None = None) -> Any:
    settings = tuple(sorted(find_settings(place).items()))
    patience = (RETRIES if retries is None else retries, RETRY_S, SILENCE_S)
    return _make_client(place.bucket, settings, patience, os.getpid())


@lru_cache(maxsize=8)
def _make_client(
    bucket: str, settings: tuple[tuple[str, str], ...], patience: tuple[int, float, float], _process: int
) -> Any:
    from obstore.store import S3Store

    own: dict[str, Any] = {name: value for name, value in settings if value and name != "allow_http"}
    tries, retry_s, silence_s = patience
    return S3Store(
        bucket,
        **own,
        conditional_put="etag",
        client_options={
            "allow_http": dict(settings)["allow_http"] == "true",
            "connect_timeout": timedelta(seconds=CONNECT_S),
            "read_timeout": timedelta(seconds=silence_s),
            "timeout": timedelta(seconds=REQUEST_S),
        },
        retry_config={
            "max_retries": tries,
            "retry_timeout": timedelta(seconds=retry_s),
            "backoff": {
                "init_backoff": timedelta(seconds=0.1),
                "max_backoff": timedelta(seconds=3),
                "base": 2,
            },
        },
    )


def delta_options(place: Place) -> dict[str, str] | None:
    """The same for the Delta package, which commits by a conditional write; None for a folder."""
    if isinstance(place, Path):
        return None
    settings = find_settings(place)
    named = {"endpoint": "aws_endpoint_url", "region": "aws_region", "allow_http": "aws_allow_http"}
    options = {named.get(name, f"aws_{name}"): value for name, value in settings.items() if value}
    return options | {
        "aws_conditional_put": "etag",
        "connect_timeout": f"{CONNECT_S * 1000:.0f}ms",
        "timeout": f"{SILENCE_S * 1000:.0f}ms",  # of a whole request: entries of a log are small
        "max_retries": str(RETRIES),
        "retry_timeout": f"{RETRY_S * 1000:.0f}ms",
    }


# ---- copies on this machine ----------------------------------------------------------------------------------------


def local_copy(place: str | Place, *, state: State | None = None, fresh: bool = False) -> Path:
    """A file on this machine with what the place holds: itself, or a copy of the object, fetched once a call.

    ``state`` is what the server says of the object now, where it is known; without it a copy that is there serves, since what
    a store holds never changes. With ``fresh`` it is fetched again.
    """
    place = find_place(place)
    if isinstance(place, Path):
        return place
    if not fresh and place in _HERE and state is None and _HERE[place][1].exists():
        return _HERE[place][1]
    state = state or place.stat()
    file = _copy_name(place, state.e_tag)
    if fresh or not file.exists() or file.stat().st_size != state.st_size:
        _download(place, file)
    _HERE[place] = (state.e_tag, file)
    return file


def share_copies(place: Place) -> dict[str, str]:
    """What processes that this one starts have to find in their environment, so that they share its copies."""
    return {} if isinstance(place, Path) else {COPIES: str(_copies_folder())}


def fetch_copies(places: Iterable[tuple[Address, State]]) -> None:
    """Copies of several objects, fetched side by side."""
    with ThreadPoolExecutor(AT_ONCE) as pool:
        for _ in pool.map(lambda known: local_copy(known[0], state=known[1]), places):
            pass


@contextmanager
def write_local(place: Place) -> Iterator[Path]:
    """A file on this machine to write; when the block ends well, what it holds stands at ``place``."""
    if isinstance(place, Path):
        yield place
        return
    handle, name = tempfile.mkstemp(dir=_copies_folder(), suffix=place.suffix)
    os.close(handle)
    file = Path(name)
    try:
        yield file
        send_file(file, place)
    finally:
        file.unlink(missing_ok=True)


def send_file(file: Path, place: Address) -> None:
    """Bring a file of this machine to an address, and keep it as the copy of what stands there."""
    tag = place.put(file)
    copy = _copy_name(place, tag)
    file.replace(copy)
    _HERE[place] = (tag, copy)


def write_whole(place: Place, text: str, *, private: bool = False) -> None:
    """Write a text in one step, so that a stop in between leaves the old one; it is on the disk when this returns (at an address:
    with the server). ``private``: readable by its owner only (at an address the bucket's policy has to say so).
    """
    if isinstance(place, Address):
        place.put(text.encode())
        return
    part = place.with_name(place.name + ".part")
    handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600 if private else 0o666)
    with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    part.replace(place)


def _download(place: Address, file: Path) -> None:
    import obstore

    part = file.with_name(f"{file.name}.{os.getpid()}")
    try:
        with place._asking(), part.open("wb") as out:
            for piece in obstore.get(_client(place), place.key).stream(PIECE):
                out.write(piece)
        part.replace(file)
    finally:
        part.unlink(missing_ok=True)


def _copy_name(place: Address, tag: str) -> Path:
    known = hashlib.sha256(f"{find_settings(place)['endpoint']}\0{place}\0{tag}".encode()).hexdigest()[:32]
    return _copies_folder() / f"{known}{place.suffix}"


def _copies_folder() -> Path:
    """The folder of this call's copies, readable by its owner only and taken away at the end; processes that it starts share it."""
    known = os.environ.get(COPIES, "")
    if known and Path(known).is_dir():
        return Path(known)
    made = tempfile.mkdtemp(prefix="ventbook-")
    os.environ[COPIES] = made
    # at the end of this process, a worker's included; one that was forked from it leaves them
    Finalize(None, shutil.rmtree, args=(made,), kwargs={"ignore_errors": True}, exitpriority=0)
    return Path(made)
