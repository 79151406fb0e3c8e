"""Samples in Parquet files -> features, one row group at a time, over threads or the workers in use.

The files are those of the store's samples table: sorted by venting, start and t, row groups cut at start
boundaries. So a row group is a whole piece of work, memory stays at a row group a worker, and the answer does not
depend on how the work is spread.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

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
    read_settings,
    reduce_samples,
    start_settings,
)
from ventbook.tables import Limits, load_limits

CHANNELS = ("t_s", "speed_rpm", "oil_pressure_bar", "oil_temperature_degC")
KEY = ("venting_id", "start_no")
BATCH_ROWS = 1 << 15  # samples read at a time; a few megabytes
Piece = tuple[str, int]
Reduced = tuple[npt.NDArray[np.object_], npt.NDArray[np.int64], npt.NDArray[np.float64]]


def list_pieces(files: Iterable[str | Path]) -> list[Piece]:
    """(file, row group) of every row group, in order."""
    import pyarrow.parquet as pq

    pieces: list[Piece] = []
    for file in files:
        with pq.ParquetFile(str(file)) as parquet:
            pieces += [(str(file), group) for group in range(parquet.metadata.num_row_groups)]
    return pieces


@dataclass(frozen=True)
class Context:
    """Thresholds and bands of ventings: row ``rows[venting_id]`` of ``steps``, whose last row is NaN for the unknown."""

    rows: dict[str, int]
    steps: npt.NDArray[np.float64]

    def of(self, names: Iterable[str]) -> npt.NDArray[np.float64]:
        return self.steps[[self.rows.get(name, -1) for name in names]]


def reduce_piece(piece: Piece, *, context: Context, settings: Settings | None = None) -> Reduced:
    """The starts of one row group: their venting_id, start_no, and raw outputs of the kernel, in any order.

    Read in batches that fit the processor's cache. A start of a venting that ``context`` does not hold is left
    without thresholds, so without times.
    """
    import pyarrow.parquet as pq

    from ventbook.model.traces.kernel import reduce_batch

    detection = (read_settings() if settings is None else settings).as_array()
    file, group = piece
    names: list[str] = []
    numbers: list[npt.NDArray[np.int64]] = []
    raw: list[npt.NDArray[np.float64]] = []
    known: Any = None  # the dictionary that codes of venting_id refer to
    own: list[str] = []
    kept, code, number = 0, -1, -1
    with pq.ParquetFile(
        file, read_dictionary=["venting_id"], memory_map=True, page_checksum_verification=True
    ) as parquet:
        rows = parquet.metadata.row_group(group).num_rows
        # for a start that goes on from batch to batch; made as wide as the row group only where one is that long
        room = np.empty((len(CHANNELS), min(rows, 4 * BATCH_ROWS)))
        for batch in parquet.iter_batches(
            BATCH_ROWS, row_groups=[group], columns=[*KEY, *CHANNELS], use_threads=False
        ):
            ids = batch.column("venting_id")
            if known is None or not ids.dictionary.equals(known):
                begun = own[code] if kept else ""
                known, own = ids.dictionary, ids.dictionary.to_pylist()
                steps = context.of(own)
                if kept:
                    own = [*own, begun]
                    steps = np.vstack([steps, context.of([begun])])
                    code = own.index(begun)
            codes = ids.indices.to_numpy(zero_copy_only=False)
            starts = batch.column("start_no").to_numpy(zero_copy_only=False)
            t, speed, pressure, temperature = (_channel(batch.column(name)) for name in CHANNELS)
            if kept + batch.num_rows > room.shape[1]:
                room, small = np.empty((len(CHANNELS), rows)), room
                room[:, :kept] = small[:, :kept]
            out, codes, found, kept, code, number = reduce_batch(
                codes, starts, t, speed, pressure, temperature, steps, detection, room, kept, code, number
            )
            names += [own[c] for c in codes.tolist()]
            numbers.append(found)
            raw.append(out)
    last = [own[code]] if kept else []
    ends = [0, kept] if kept else [0]
    numbers.append(np.full(len(last), number))
    raw.append(reduce_samples(ends, list(room[:, :kept]), numbers[-1] == 0, context.of(last), settings))
    return np.array(names + last, dtype=object), np.concatenate(numbers), np.concatenate(raw)


def _channel(column: Any) -> npt.NDArray[np.float64]:
    """A channel as float64, NaN where nothing is known; without a copy where nothing is missing."""
    import pyarrow as pa

    if not pa.types.is_float64(column.type):
        column = column.cast(pa.float64())
    return column.to_numpy(zero_copy_only=False)


def venting_context(ventings: pd.DataFrame, *, among: Limits | None = None) -> Context:
    """Thresholds and bands by venting from columns venting_id, engine_type, date, pressure_threshold_bar."""
    own = ventings["pressure_threshold_bar"].to_numpy(dtype=float)
    steps = start_settings(ventings, among=among, threshold_bar=own)
    rows = {name: row for row, name in enumerate(ventings["venting_id"].tolist())}
    return Context(rows, np.vstack([steps, np.full((1, steps.shape[1]), np.nan)]))


def features_of_files(
    files: Sequence[str | Path],
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
    steps = context.of(names)
    found = judge_outputs(raw, numbers == 0, steps, settings)
    found["limits_key"] = pd.Series(name_settings(steps), dtype="str")
    found["limits_revision"] = pd.Series(
        (load_limits() if among is None else among).revision(), found.index, "str"
    )
    found.insert(0, "venting_id", pd.Series(names, dtype="str"))
    found.insert(1, "start_no", pd.Series(numbers, dtype="Int64"))
    found = found.sort_values(list(KEY), kind="stable", ignore_index=True)
    twice = found.duplicated(list(KEY))
    if twice.any():
        row = found[twice].iloc[0]
        raise ValueError(f"start {row['start_no']} of venting {row['venting_id']} lies in two row groups")
    return found


def read_trace(files: Sequence[str | Path], venting_id: str, start_no: int) -> pd.DataFrame:
    """The samples of one start in order of t: columns CHANNELS; empty where there is no trace."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    chosen = [("venting_id", "=", venting_id), ("start_no", "=", start_no)]
    parts = [
        pq.read_table(
            str(file),
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
