"""Samples in Parquet files -> features, one row group at a time, over threads or the workers in use.

The files are those of the store's samples table: sorted by venting, start and t, row groups cut at start
boundaries. So a row group is a whole piece of work, memory stays at a row group a worker, and the answer does not
depend on how the work is spread.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from ventbook.cluster import map_partitions
from ventbook.model.traces.features import (
    FEATURES,
    MADE_UNDER,
    Settings,
    judge_outputs,
    name_settings,
    reduce_samples,
    start_settings,
)
from ventbook.places import Place, local_copy
from ventbook.tables import Limits, load_limits

CHANNELS = ("t_s", "speed_rpm", "oil_pressure_bar", "oil_temperature_degC")
KEY = ("venting_id", "start_no")
Reduced = tuple[npt.NDArray[np.object_], npt.NDArray[np.int64], npt.NDArray[np.float64]]

FOOTER = b"ventbook.starts"
"""What a samples file says of itself: a JSON list of [venting_id, start_no, rows, checksum, intake, row group] of its starts,
sorted as they stand in a row group. A file that was copied in part doesn't say the row group.
"""


class Starts(NamedTuple):
    """The starts of a row group in its order: whose they are, and the row each begins at, with the number of rows at the end."""

    names: list[str]
    numbers: npt.NDArray[np.int64]
    bounds: npt.NDArray[np.int64]


class Piece(NamedTuple):
    """A row group of a file; ``starts`` where the file's footer tells them, so that they need not be read."""

    file: str
    group: int
    starts: Starts | None = None


def list_pieces(files: Iterable[str | Place]) -> list[Piece]:
    """Every row group, in order."""
    import pyarrow.parquet as pq

    pieces: list[Piece] = []
    for file in files:
        metadata = pq.read_metadata(local_copy(file))
        entries = json.loads((metadata.metadata or {}).get(FOOTER, b"[]"))
        by_group: dict[int, list[Any]] = {}
        for entry in entries:
            by_group.setdefault(entry[5] if len(entry) > 5 else -1, []).append(entry)
        for group in range(metadata.num_row_groups):
            own = sorted(by_group.get(group, ()))
            bounds = np.concatenate([[0], np.cumsum([entry[2] for entry in own], dtype=np.int64)])
            told = bounds[-1] == metadata.row_group(group).num_rows
            starts = Starts(
                [entry[0] for entry in own], np.array([entry[1] for entry in own], np.int64), bounds
            )
            pieces.append(Piece(str(file), group, starts if told else None))
    return pieces


@dataclass(frozen=True)
class Context:
    """Thresholds and bands of ventings: row ``rows[venting_id]`` of ``steps``, whose last row is NaN for the unknown."""

    rows: dict[str, int]
    steps: npt.NDArray[np.float64]

    def of(self, names: Iterable[str]) -> npt.NDArray[np.float64]:
        return self.steps[[self.rows.get(name, -1) for name in names]]


def reduce_piece(piece: Piece, *, context: Context, settings: Settings | None = None) -> Reduced:
    """The starts of one row group: their venting_id, start_no, and raw outputs of the kernel, in the row group's order.

    A start of a venting that ``context`` does not hold is left without thresholds, so without times.
    """
    import pyarrow.parquet as pq

    columns = CHANNELS if piece.starts is not None else (*KEY, *CHANNELS)
    file = local_copy(piece.file)
    state = file.stat()
    with pq.ParquetFile(
        file,
        metadata=_read_metadata(file, state.st_mtime_ns, state.st_size),
        read_dictionary=["venting_id"],
        memory_map=True,
        page_checksum_verification=True,
    ) as parquet:
        rows = parquet.read_row_group(piece.group, columns=list(columns), use_threads=False)
    names, numbers, bounds = piece.starts or find_starts(rows)
    channels = [_channel(rows.column(name)) for name in CHANNELS]
    raw = reduce_samples(bounds, channels, numbers == 0, context.of(names), settings)
    return np.array(names, dtype=object), numbers, raw


@lru_cache(maxsize=2)
def _read_metadata(file: Path, changed_ns: int, size: int) -> Any:
    """What a file says of its row groups, read once for all of them: it grows with their number."""
    import pyarrow.parquet as pq

    return pq.read_metadata(file)


def find_starts(rows: Any) -> Starts:
    """The starts of some rows (venting_id as a dictionary), told from the rows themselves."""
    from ventbook.model.traces.kernel import find_bounds

    ids = rows.column("venting_id").unify_dictionaries().combine_chunks()
    codes = ids.indices.to_numpy(zero_copy_only=False)
    numbers = rows.column("start_no").to_numpy()
    bounds = find_bounds(codes, numbers)
    first = bounds[:-1]
    known = ids.dictionary.to_pylist()
    return Starts([known[code] for code in codes[first].tolist()], numbers[first], bounds)


def _channel(column: Any) -> npt.NDArray[np.float64]:
    """A channel as float64, NaN where nothing is known; without a copy where nothing is missing."""
    import pyarrow as pa

    values = column.chunk(0) if column.num_chunks == 1 else column.combine_chunks()
    if not pa.types.is_float64(values.type):
        values = values.cast(pa.float64())
    return values.to_numpy(zero_copy_only=False)


def venting_context(ventings: pd.DataFrame, *, among: Limits | None = None) -> Context:
    """Thresholds and bands by venting from columns venting_id, engine_type, date, pressure_threshold_bar."""
    own = ventings["pressure_threshold_bar"].to_numpy(dtype=float)
    steps = start_settings(ventings, among=among, threshold_bar=own)
    rows = {name: row for row, name in enumerate(ventings["venting_id"].tolist())}
    return Context(rows, np.vstack([steps, np.full((1, steps.shape[1]), np.nan)]))


def features_of_files(
    files: Sequence[str | Place],
    ventings: pd.DataFrame,
    *,
    among: Limits | None = None,
    settings: Settings | None = None,
    workers: int = 2,
    progress: Callable[[int, int], None] | None = None,
) -> pd.DataFrame:
    """Features of all starts in the files, sorted by venting_id and start_no, with what they were made under (MADE_UNDER).

    Parameters
    ----------
    files : Parquet files of the samples table.
    ventings : columns venting_id, engine_type, date, pressure_threshold_bar; one row a venting.
    workers : threads on this machine (the compiled kernel does not hold the interpreter's lock); where a cluster is in use
        (:func:`ventbook.cluster.use_workers`), its workers do it, on files they can read.
    progress : called with (done, all) pieces.

    Raises
    ------
    ValueError : a start lies in two row groups, so these files were not written by the store.
    """
    context = venting_context(ventings, among=among)
    pieces = list_pieces(files)
    parts: list[Reduced] = []
    shared = {"context": context, "settings": settings}
    for part in map_partitions(reduce_piece, pieces, shared=shared, threads=workers):
        parts.append(part)
        if progress:
            progress(len(parts), len(pieces))
    if not parts:
        return pd.DataFrame(columns=[*KEY, *FEATURES, *MADE_UNDER])
    names, numbers, raw = (np.concatenate(column) for column in zip(*parts, strict=True))
    keys = list(zip(names.tolist(), numbers.tolist(), strict=True))
    order = sorted(range(len(keys)), key=keys.__getitem__)
    for one, next_one in pairwise(order):
        if keys[one] == keys[next_one]:
            name, number = keys[one]
            raise ValueError(f"start {number} of venting {name} lies in two row groups")
    names, numbers, raw = names[order], numbers[order], raw[order]
    steps = context.of(names)
    found = judge_outputs(raw, numbers == 0, steps, settings)
    found["limits_key"] = pd.Series(name_settings(steps), dtype="str")
    found["limits_revision"] = pd.Series(
        (load_limits() if among is None else among).revision(), found.index, "str"
    )
    found.insert(0, "venting_id", pd.Series(names, dtype="str"))
    found.insert(1, "start_no", pd.Series(numbers, dtype="Int64"))
    return found


def read_trace(files: Sequence[str | Place], venting_id: str, start_no: int) -> pd.DataFrame:
    """The samples of one start in order of t: columns CHANNELS; empty where there is no trace."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    chosen = [("venting_id", "=", venting_id), ("start_no", "=", start_no)]
    parts = [
        pq.read_table(
            local_copy(file),
            columns=list(CHANNELS),
            filters=chosen,
            partitioning=None,
            page_checksum_verification=True,
        )
        for file in files
    ]
    parts = [part for part in parts if part.num_rows]
    if not parts:
        return pd.DataFrame({name: np.empty(0) for name in CHANNELS})
    return pa.concat_tables(parts).sort_by("t_s").to_pandas().astype("float64")
