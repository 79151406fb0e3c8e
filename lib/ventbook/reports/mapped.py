"""The analysis tables of a store, one file a column and mapped into memory.

A table of ten million lifters takes six gigabytes. It is made once, in parts, and written column by column into a folder
beside what else pages keep (:mod:`ventbook.reports.kept`); a page maps the files, so that it holds what it reads of them
alone, and pages that run side by side share it.

A column is its values as they stand in memory, with a byte a row for what is missing; a column of texts is where each
begins, and the texts one after the other. ``table.json`` says what they are, with sums of every file's words: a folder
that is not as it was written is passed over and made anew.
"""

from __future__ import annotations

import hashlib
import json
import mmap
import os
import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from ventbook.errors import InputError

HEAD = "table.json"
SUFFIX = ".table"
_BLOCK = 1 << 17  # words that are summed as one
_TEXT = pd.StringDtype(na_value=np.nan)
_MASKED = {"Int64": pd.arrays.IntegerArray, "boolean": pd.arrays.BooleanArray}
Values = npt.NDArray[Any]
Parts = Callable[[], Iterable[pd.DataFrame]]


def put_table(path: Path, parts: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """Writes a table, given in parts, as readable as the folder that it is put in, and maps it. InputError where there is no room."""
    try:
        with tempfile.TemporaryDirectory(
            dir=path.parent, suffix=".part", ignore_cleanup_errors=True
        ) as folder:
            fresh = Path(folder) / path.name
            fresh.mkdir()
            write_table(fresh, parts)
            mode = path.parent.stat().st_mode & 0o777
            for file in fresh.iterdir():
                file.chmod(mode & 0o666)
            fresh.chmod(mode)
            shutil.rmtree(path, ignore_errors=True)
            fresh.replace(path)
    except OSError as error:
        raise InputError(
            f"{path.parent}: no room to work out tables of so many records ({error.strerror}); free some there, or set TMPDIR"
        ) from None
    return read_table(path)


def list_tables(folder: Path) -> list[Path]:
    """Tables kept in a folder, the latest used first."""
    heads = [(head.stat().st_mtime, head.parent) for head in folder.glob(f"*{SUFFIX}/{HEAD}")]
    return [place for _, place in sorted(heads, reverse=True)]


def write_table(folder: Path, parts: Iterable[pd.DataFrame]) -> None:
    """Writes a table, given in parts, into an empty folder. TypeError for a column of another kind than analysis tables have."""
    kinds: dict[str, str] = {}
    files: dict[str, BinaryIO] = {}
    rows = 0
    with ExitStack() as opened:
        for part in parts:
            rows += len(part)
            kinds = {str(name): str(kind) for name, kind in part.dtypes.items()}
            for number, column in enumerate(kinds):
                for what, values in _take_apart(part[column]):
                    name = f"{number}.{what}"
                    if name not in files:
                        files[name] = opened.enter_context((folder / name).open("wb"))
                        if what == "begins":
                            files[name].write(bytes(8))
                    if what == "begins":
                        texts = files.get(f"{number}.texts")
                        values = values + (texts.tell() if texts else 0)
                    files[name].write(np.ascontiguousarray(values).tobytes())
    sums = {name: _sum_words(_map_file(folder / name)) for name in files}
    (folder / HEAD).write_text(json.dumps({"rows": rows, "columns": kinds, "sums": sums}), "utf-8")


def _take_apart(values: pd.Series) -> Iterator[tuple[str, Values]]:
    """A column's parts, each the values of one file. Of texts: where each but the first begins, and where the last ends."""
    kind: Any = values.dtype
    if kind == _TEXT:
        texts = pa.array(values.array, type=pa.large_string())
        texts = texts.combine_chunks() if isinstance(texts, pa.ChunkedArray) else texts
        begins = np.zeros(1, np.int64)
        if len(texts):
            begins = np.frombuffer(texts.buffers()[1], np.int64, len(texts) + 1, 8 * texts.offset)
        yield "begins", begins[1:] - begins[0]
        held = texts.buffers()[2] if len(texts) else None
        yield "texts", np.frombuffer(held or b"", np.uint8)[begins[0] : begins[-1]]
        yield "blank", np.asarray(values.isna())
    elif str(kind) in _MASKED:
        yield "values", values.to_numpy(dtype=kind.numpy_dtype, na_value=kind.numpy_dtype.type(0))
        yield "blank", np.asarray(values.isna())
    elif isinstance(kind, np.dtype) and kind.kind in "biufM":
        yield "values", np.asarray(values)
    else:
        raise TypeError(f"a column of {kind} is none of an analysis table")


def read_table(folder: Path) -> pd.DataFrame:
    """The table of a folder, mapped. Raises an error of some kind where it is not as it was written."""
    head = json.loads((folder / HEAD).read_text("utf-8"))
    files = {name: _map_file(folder / name) for name in head["sums"]}
    for name, held in files.items():
        if _sum_words(held) != head["sums"][name]:
            raise ValueError(f"{name} is damaged")
    os.utime(folder / HEAD)
    pd.set_option("mode.performance_warnings", False)  # its columns stand apart on purpose
    columns = {
        name: _put_together(kind, head["rows"], number, files)
        for number, (name, kind) in enumerate(head["columns"].items())
    }
    return pd.DataFrame(columns, index=pd.RangeIndex(head["rows"]), copy=False)


def _put_together(kind: str, rows: int, number: int, files: dict[str, mmap.mmap | bytes]) -> Any:
    if kind != "str":
        numpy_kind = np.dtype({"Int64": "int64", "boolean": "bool"}.get(kind, kind))
        values = np.frombuffer(files[f"{number}.values"], numpy_kind, rows)
        if kind not in _MASKED:
            return values
        return _MASKED[kind](values, np.frombuffer(files[f"{number}.blank"], np.bool_, rows))
    blank = np.frombuffer(files[f"{number}.blank"], np.bool_, rows)
    known = np.packbits(~blank, bitorder="little") if blank.any() else None
    texts = pa.LargeStringArray.from_buffers(
        rows,
        pa.py_buffer(files[f"{number}.begins"]),
        pa.py_buffer(files[f"{number}.texts"]),
        None if known is None else pa.py_buffer(known),
    )
    return pd.array(texts, dtype=_TEXT)


def _map_file(path: Path) -> mmap.mmap | bytes:
    with path.open("rb") as file:
        if not os.fstat(file.fileno()).st_size:
            return b""
        return mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)


def _sum_words(held: mmap.mmap | bytes) -> str:
    """Tells whether a file is as it was written: a hash of its size and of the sums of its words, block by block."""
    size = len(held)
    words = np.frombuffer(held, np.uint64, size // 8)
    blocks = words[: len(words) // _BLOCK * _BLOCK].reshape(-1, _BLOCK).sum(axis=1)
    rest = [words[len(blocks) * _BLOCK :].sum(), int.from_bytes(held[size // 8 * 8 :], "little")]
    found = hashlib.sha256(b"%d" % size + blocks.tobytes() + np.array(rest, np.uint64).tobytes())
    if isinstance(held, mmap.mmap) and hasattr(mmap, "MADV_DONTNEED"):
        held.madvise(mmap.MADV_DONTNEED)  # this process need not hold what it may never read
    return found.hexdigest()
