"""What took long to work out, kept beside the tables of a store: an account of failures, the review's innocent draws, whole sections
of a page.

A result is kept under a hash of everything that it was made from: the values handed to the function themselves, the
library's own sources and tables, and the versions of what it computes with. A correction, a withdrawal, another limit
or another version of this library is another hash, so that nothing has to be declared out of date, and a result from
here is the same to the last bit as one that is worked out.

The folder ``cache`` of the store may be deleted at any time; ``ventbook store check --prune`` does. What lies there is numbers and
texts of the store's own records, readable by those who may read the store, and no promise of the store's check. A file
is read as data only: it can hold plain values, frames and this library's own dataclasses, and nothing in it is run. One
that is damaged is passed over. Without a right to write nothing is kept.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import importlib
import importlib.metadata
import json
import os
import platform
import shutil
import sys
import tempfile
import time
import zlib
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import fields, is_dataclass
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import pandas as pd
import pyarrow as pa

from ventbook.places import Address, AddressError, Place, list_states
from ventbook.records.store import CACHE, StoreError
from ventbook.records.store.locks import hold_lock
from ventbook.records.store.snapshots import MARK
from ventbook.reports.mapped import SUFFIX, Parts, list_tables, put_table, read_table
from ventbook.tables import DATA

KEPT = ".kept"
SWITCH = "VENTBOOK_CACHE"  # "no" in the environment: work everything out
MOST_BYTES = 200_000_000  # of all that is kept in one store; the longest unused go first
LARGEST = 50_000_000  # a file
MOST_TABLES = 6  # mapped ones of a store; the longest unused go first
MOST_TABLE_BYTES = 2_000_000_000  # of these, but for the two last used
WAIT_S = 0.05
UNPACKED = 10 * LARGEST  # what a file may hold
COMPUTED_WITH = ("numpy", "pandas", "scipy", "statsmodels", "pyarrow", "numba", "matplotlib")
_HASH = 32
_MASKED = (pd.Int64Dtype(), pd.Int32Dtype(), pd.Float64Dtype(), pd.BooleanDtype())
T = TypeVar("T")


def keep(store: Place | None, make: Callable[..., T], *args: Any, **options: Any) -> T:
    """What ``make(*args, **options)`` gives, from the store's cache where it was worked out before; nothing is kept for None.

    ``make`` is a function of a module that reads nothing but what it is handed and the library's tables, and changes
    nothing. What can't be written as data is worked out every time.
    """
    if store is None or not is_on():
        return make(*args, **options)
    try:
        name = name_made(f"{make.__module__}.{make.__qualname__}", list(args), options)
    except TypeError:
        return make(*args, **options)
    path = store / CACHE / f"{name}{KEPT}"
    with suppress(Exception):  # whatever is wrong with a file there, it can be worked out
        return _read(path)
    with _alone(path, store) as free:
        if free:  # another process may have worked it out meanwhile
            with suppress(Exception):
                return _read(path)
        made = make(*args, **options)
        with suppress(OSError, TypeError, AddressError):
            _write(path, encode(made), store)
    return made


def find_kept(store: Place | None, *made_from: Any) -> Any:
    """What :func:`put_kept` kept of these values; None where there is nothing."""
    if store is not None and is_on():
        with suppress(Exception):  # whatever is wrong with a file there, it can be worked out
            return _read(store / CACHE / f"{name_made(*made_from)}{KEPT}")
    return None


def put_kept(store: Place | None, value: Any, *made_from: Any) -> None:
    """Keeps what was made from these values; does nothing where it is no plain data or can't be written."""
    if store is None or not is_on() or (isinstance(store, Path) and not _make_cache(store)):
        return
    with suppress(OSError, TypeError, AddressError):
        _write(store / CACHE / f"{name_made(*made_from)}{KEPT}", encode(value), store)


def keep_table(store: Place | None, made_from: Any, make_parts: Parts) -> pd.DataFrame:
    """The table whose parts ``make_parts`` gives, one after the other, mapped from files (:mod:`ventbook.reports.mapped`).

    ``made_from`` are the values that decide what is in it. The parts are frames of the same columns, at least one; their
    index is not kept. What is returned can't be written. Where the cache isn't a folder that can be written the files are
    gone with this process. InputError where there is no room for them.
    """
    if isinstance(store, Path) and is_on():
        path = store / CACHE / f"{name_made(made_from)}{SUFFIX}"
        with suppress(Exception):
            return read_table(path)
        with _alone(path, store) as free:
            if free:
                with suppress(Exception):
                    return read_table(path)
                with suppress(OSError):  # others may make room, too
                    _make_room(path.parent)
                return put_table(path, make_parts())
    if isinstance(store, Address) and is_on():
        address = store / CACHE / f"{name_made(made_from)}{KEPT}"
        with suppress(Exception):
            return _read(address)
        made = keep_table(None, made_from, make_parts)
        with suppress(TypeError, AddressError):  # a large one is made by every page
            _write(address, encode(made), store)
        return made
    with tempfile.TemporaryDirectory(prefix="ventbook-", ignore_cleanup_errors=True) as folder:
        return put_table(Path(folder) / "table", make_parts())  # what is mapped outlives its name


def _make_room(cache: Path) -> None:
    """Removes tables so that one more can be kept."""
    held = list_tables(cache)
    sizes = [sum(file.stat().st_size for file in table.iterdir()) for table in held]
    while len(held) >= MOST_TABLES or (len(held) > 1 and sum(sizes) > MOST_TABLE_BYTES):
        shutil.rmtree(held.pop(), ignore_errors=True)
        sizes.pop()


def is_on() -> bool:
    """Whether anything is kept: the environment doesn't ask to work everything out."""
    return os.environ.get(SWITCH) != "no"


def name_made(*made_from: Any) -> str:
    """The name under which what is made from these values is kept. TypeError where one is no plain data."""
    return hashlib.sha256(library_hash() + hash_value(list(made_from))).hexdigest()


@contextmanager
def _alone(path: Place, store: Place) -> Iterator[bool]:
    """Waits while another process makes what is to stand at ``path``; gives whether it can be put there.

    With an address nobody waits: two processes may make the same, of which one stands.
    """
    with ExitStack() as held:
        free = isinstance(store, Path) and _make_cache(store)
        if free and isinstance(path, Path):
            lock = path.with_name(f"{path.name}.lock")
            while True:
                with suppress(StoreError):
                    held.enter_context(hold_lock(lock))
                    held.callback(lock.unlink, missing_ok=True)
                    break
                if not lock.exists():  # it can't be made
                    break
                time.sleep(WAIT_S)
        yield free


def _make_cache(store: Path) -> bool:
    """The folder of the cache, as readable as the store's own; whether it can be written."""
    folder = store / CACHE
    with suppress(OSError):
        if not folder.exists():
            folder.mkdir(mode=0o700, exist_ok=True)
            folder.chmod(store.stat().st_mode & 0o7777)
    return folder.is_dir() and os.access(folder, os.W_OK)


def _read(path: Place) -> Any:
    content = path.read_bytes()
    if hashlib.sha256(content[_HASH:]).digest() != content[:_HASH]:
        raise ValueError("damaged")
    unpacking = zlib.decompressobj()
    plain = unpacking.decompress(content[_HASH:], UNPACKED)
    if not unpacking.eof:
        raise ValueError("holds more than is ever kept")
    found = decode(plain)
    if isinstance(path, Path):
        with suppress(OSError):
            os.utime(path)
    return found


def _write(path: Place, content: bytes, store: Place) -> None:
    """Puts a file in its place at once, as readable as the store's own folder and files are."""
    packed = zlib.compress(content, 1)  # codes of texts and rounded shares: a tenth is left
    if len(packed) > LARGEST or encode(decode(content)) != content:
        return
    sealed = hashlib.sha256(packed).digest() + packed
    if isinstance(path, Address):
        path.put(sealed)
    elif isinstance(store, Path):
        _put_file(path, sealed, store)
    states: Iterable[tuple[Place, Any]] = (
        list_states(path.parent)
        if isinstance(path, Address)
        else ((file, file.stat()) for file in path.parent.glob(f"*{KEPT}"))
    )
    held = sorted((state.st_mtime, state.st_size, str(file), file) for file, state in states)
    over = sum(size for _, size, _, _ in held) - MOST_BYTES
    for _, size, _, file in held:
        if over <= 0:
            break
        file.unlink(missing_ok=True)
        over -= size


def _put_file(path: Path, content: bytes, store: Path) -> None:
    folder = path.parent
    like = (store / MARK).stat().st_mode & 0o666
    handle, part = tempfile.mkstemp(dir=folder, suffix=".part")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        Path(part).chmod(like)
        Path(part).replace(path)
    except OSError:
        Path(part).unlink(missing_ok=True)
        raise


@cache
def library_hash() -> bytes:
    """A hash of this library's sources, tables and look, of Python, the machine's kind and the packages that numbers and figures come from."""
    digest = hashlib.sha256()
    package = Path(__file__).resolve().parents[1]
    for file in sorted([*package.rglob("*.py"), *package.glob("*.mplstyle"), *DATA.glob("*.toml")]):
        digest.update(file.name.encode() + b"\0" + file.read_bytes() + b"\0")
    versions = [f"{name} {importlib.metadata.version(name)}" for name in COMPUTED_WITH]
    digest.update(" ".join([sys.version, platform.machine(), *versions]).encode())
    return digest.digest()


# -- values as bytes and back ------------------------------------------------------------------------------------------


class _Sum:
    """Takes what a bytearray would and holds on to its hash and length alone, for tables that are large."""

    def __init__(self) -> None:
        self.sum, self.size = hashlib.sha256(), 0

    def extend(self, part: bytes) -> None:
        self.sum.update(part)
        self.size += len(part)

    def __len__(self) -> int:
        return self.size


class _Part(bytearray):
    """What is written down, as far as it may be kept."""

    def extend(self, part: Any) -> None:
        if len(self) + len(part) > UNPACKED:
            raise TypeError("too large to be kept")
        super().extend(part)


Blob = bytearray | _Sum


def hash_value(value: Any) -> bytes:
    """A hash of what :func:`encode` would give, without holding it."""
    blob = _Sum()
    text = _write_json(value, blob)
    return hashlib.sha256(blob.sum.digest() + text).digest()


def encode(value: Any) -> bytes:
    """A value as bytes, alike for values that are alike. Raises TypeError for what is no plain data."""
    blob = _Part()
    text = _write_json(value, blob)
    return len(text).to_bytes(8, "big") + text + bytes(blob)


def decode(content: bytes) -> Any:
    """The value of :func:`encode`. Raises an error of some kind for anything else."""
    end = 8 + int.from_bytes(content[:8], "big")
    return _decode(json.loads(content[8:end].decode("utf-8", "surrogatepass")), memoryview(content)[end:])


def _write_json(value: Any, blob: Blob) -> bytes:
    """The JSON of a value; what is held as bytes is added to ``blob``."""
    plain = _encode(value, blob)
    return json.dumps(plain, ensure_ascii=False, separators=(",", ":")).encode("utf-8", "surrogatepass")


def _encode(value: Any, blob: Blob) -> Any:
    kind = type(value)
    if value is None or kind in (str, bool, int, float):
        return value
    if kind is list:
        return [_encode(item, blob) for item in value]
    if kind is tuple:
        return {"is": "tuple", "of": [_encode(item, blob) for item in value]}
    if kind in (set, frozenset):
        return {"is": kind.__name__, "of": sorted((_encode(item, blob) for item in value), key=json.dumps)}
    if isinstance(value, dict) and kind is dict:
        return {"is": "dict", "of": [[_encode(k, blob), _encode(v, blob)] for k, v in value.items()]}
    if value is pd.NaT or value is pd.NA:
        return {"is": "NaT" if value is pd.NaT else "NA"}
    if kind is pd.Timestamp and value.tz is None:
        return {"is": "timestamp", "of": value.asm8.view("int64").item(), "unit": value.unit}
    if kind is dt.date:
        return {"is": "date", "of": value.isoformat()}
    if isinstance(value, np.generic) and value.dtype.kind in "biuf":
        return {"is": "scalar", "of": _array(np.asarray(value).reshape(1), blob)}
    if kind is np.ndarray:
        return _array(value, blob)
    if kind is pd.DataFrame and not value.attrs:
        columns = [_column(value.iloc[:, place].array, blob) for place in range(value.shape[1])]
        return {
            "is": "frame",
            "index": _index(value.index, blob),
            "names": _index(value.columns, blob),
            "of": columns,
        }
    if kind is pd.Series and not value.attrs:
        held = {"index": _index(value.index, blob), "name": _encode(value.name, blob)}
        return {"is": "series", **held, "of": _column(value.array, blob)}
    if is_dataclass(value) and kind.__module__.startswith("ventbook.") and "<" not in kind.__qualname__:
        parts = [[f.name, _encode(getattr(value, f.name), blob)] for f in fields(value)]
        return {"is": "made", "module": kind.__module__, "name": kind.__qualname__, "of": parts}
    raise TypeError(f"a {kind.__name__} is no plain data")


def _array(values: np.ndarray, blob: Blob) -> dict[str, Any]:
    if values.dtype.kind == "O":
        return {
            "is": "objects",
            "shape": list(values.shape),
            "of": [_encode(item, blob) for item in values.ravel()],
        }
    if values.dtype.kind not in "biufMmU":
        raise TypeError(f"values of {values.dtype} are no plain data")
    start = len(blob)
    blob.extend(np.ascontiguousarray(values).tobytes())
    return {"is": "array", "dtype": values.dtype.str, "shape": list(values.shape), "at": start}


def _column(values: Any, blob: Blob) -> dict[str, Any]:
    kind = values.dtype
    if isinstance(kind, pd.CategoricalDtype):
        codes = _array(np.asarray(values.codes), blob)
        return {
            "is": "categories",
            "codes": codes,
            "of": _index(values.categories, blob),
            "ordered": bool(kind.ordered),
        }
    if isinstance(kind, pd.StringDtype):
        texts = pa.array(values, type=pa.large_string())
        texts = (texts.combine_chunks() if isinstance(texts, pa.ChunkedArray) else texts).dictionary_encode()
        codes = texts.indices.fill_null(-1).to_numpy(zero_copy_only=False).astype(np.int32)
        return {
            "is": "texts",
            "dtype": str(kind),
            "codes": _array(codes, blob),
            "of": texts.dictionary.to_pylist(),
        }
    if kind in _MASKED:
        blank = np.asarray(values.isna())
        known = values.to_numpy(dtype=kind.numpy_dtype, na_value=kind.numpy_dtype.type(0))
        return {
            "is": "masked",
            "dtype": str(kind),
            "values": _array(known, blob),
            "blank": _array(blank, blob),
        }
    if isinstance(values, pd.arrays.NumpyExtensionArray) or isinstance(kind, np.dtype):
        return _array(np.asarray(values), blob)
    raise TypeError(f"a column of {kind} is no plain data")


def _index(index: pd.Index, blob: Blob) -> dict[str, Any]:
    if isinstance(index, pd.RangeIndex):
        return {"is": "range", "of": [index.start, index.stop, index.step], "name": _encode(index.name, blob)}
    if isinstance(index, pd.MultiIndex):
        raise TypeError("an index of several levels is no plain data")
    return {"is": "index", "of": _column(index.array, blob), "name": _encode(index.name, blob)}


def _decode(value: Any, blob: memoryview) -> Any:
    if isinstance(value, list):
        return [_decode(item, blob) for item in value]
    if not isinstance(value, dict):
        return value
    return _DECODERS[value["is"]](value, blob)


def _get_array(value: dict[str, Any], blob: memoryview) -> np.ndarray:
    kind = np.dtype(value["dtype"])
    if kind.kind not in "biufMmU":
        raise ValueError(f"values of {kind}")
    size = int(np.prod(value["shape"], dtype=np.int64))
    if not size:
        return np.empty(value["shape"], kind)
    return np.frombuffer(blob, kind, count=size, offset=value["at"]).reshape(value["shape"]).copy()


def _get_objects(value: dict[str, Any], blob: memoryview) -> np.ndarray:
    made = np.empty(len(value["of"]), object)
    made[:] = [_decode(item, blob) for item in value["of"]] or made
    return made.reshape(value["shape"])


def _get_texts(value: dict[str, Any], blob: memoryview) -> Any:
    codes = _get_array(value["codes"], blob)
    indices = pa.array(codes, mask=codes < 0)
    texts = pa.DictionaryArray.from_arrays(indices, pa.array(value["of"], pa.large_string()))
    return pd.array(texts.cast(pa.large_string()), dtype=value["dtype"])


def _get_masked(value: dict[str, Any], blob: memoryview) -> Any:
    made = pd.array(_get_array(value["values"], blob), dtype=value["dtype"])
    made[_get_array(value["blank"], blob)] = pd.NA
    return made


def _get_categories(value: dict[str, Any], blob: memoryview) -> Any:
    kinds = _get_index(value["of"], blob)
    return pd.Categorical.from_codes(_get_array(value["codes"], blob), kinds, ordered=value["ordered"])


def _get_index(value: dict[str, Any], blob: memoryview) -> pd.Index:
    name = _decode(value["name"], blob)
    if value["is"] == "range":
        start, stop, step = value["of"]
        return pd.RangeIndex(start, stop, step, name=name)
    held = _decode(value["of"], blob)
    return pd.Index(held, dtype=held.dtype, name=name)


def _get_frame(value: dict[str, Any], blob: memoryview) -> pd.DataFrame:
    index = _get_index(value["index"], blob)
    held = [_decode(column, blob) for column in value["of"]]
    made = pd.DataFrame(
        {place: pd.Series(own, index, dtype=own.dtype) for place, own in enumerate(held)}, index
    )
    made.columns = _get_index(value["names"], blob)
    return made


def _get_series(value: dict[str, Any], blob: memoryview) -> pd.Series:
    held = _decode(value["of"], blob)
    return pd.Series(
        held, _get_index(value["index"], blob), dtype=held.dtype, name=_decode(value["name"], blob)
    )


def _get_made(value: dict[str, Any], blob: memoryview) -> Any:
    """A dataclass of this library with its fields as they were; nothing of it is run."""
    if not value["module"].startswith("ventbook."):
        raise ValueError(f"{value['module']} is not of this library")
    kind = getattr(importlib.import_module(value["module"]), value["name"])
    if not (isinstance(kind, type) and is_dataclass(kind) and kind.__module__ == value["module"]):
        raise ValueError(f"{value['name']} is no dataclass")
    if [name for name, _ in value["of"]] != [field.name for field in fields(kind)]:
        raise ValueError(f"other fields than {value['name']} has")
    made = object.__new__(kind)
    for name, item in value["of"]:
        object.__setattr__(made, name, _decode(item, blob))
    return made


_DECODERS: dict[str, Callable[[dict[str, Any], memoryview], Any]] = {
    "tuple": lambda value, blob: tuple(_decode(item, blob) for item in value["of"]),
    "set": lambda value, blob: {_decode(item, blob) for item in value["of"]},
    "frozenset": lambda value, blob: frozenset(_decode(item, blob) for item in value["of"]),
    "dict": lambda value, blob: {_decode(k, blob): _decode(v, blob) for k, v in value["of"]},
    "NaT": lambda value, blob: pd.NaT,
    "NA": lambda value, blob: pd.NA,
    "timestamp": lambda value, blob: pd.Timestamp(np.datetime64(value["of"], value["unit"])),
    "date": lambda value, blob: dt.date.fromisoformat(value["of"]),
    "scalar": lambda value, blob: _get_array(value["of"], blob)[0],
    "array": _get_array,
    "objects": _get_objects,
    "frame": _get_frame,
    "series": _get_series,
    "texts": _get_texts,
    "masked": _get_masked,
    "categories": _get_categories,
    "made": _get_made,
}
