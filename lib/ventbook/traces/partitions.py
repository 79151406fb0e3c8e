"""Samples in Parquet files -> features, one row group at a time, over threads, processes or a Dask cluster.

The files are those of the store's samples table: sorted by venting, start and t, row groups cut at start
boundaries. So a row group is a whole piece of work, memory stays at a row group a worker, and the answer does not
depend on how the work is spread.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..dictionary import Limits
from .features import FEATURES, judge_outputs, reduce_samples
from .settings import Settings, start_settings

CHANNELS = ("t_s", "speed_rpm", "oil_pressure_bar", "oil_temperature_degC")
KEY = ("venting_id", "start_no")
Piece = tuple[str, int]
Reduced = tuple[npt.NDArray[np.object_], npt.NDArray[np.int64], npt.NDArray[np.float64]]


def start_bounds(venting: npt.ArrayLike, start_no: npt.ArrayLike) -> npt.NDArray[np.int64]:
    """Row numbers at which either key column changes, with 0 and the number of rows at the ends."""
    from .kernel import find_bounds

    return find_bounds(np.asarray(venting), np.asarray(start_no))


def list_pieces(files: Iterable[str | Path]) -> list[Piece]:
    """(file, row group) of every row group, in order."""
    import pyarrow.parquet as pq

    pieces: list[Piece] = []
    for file in files:
        with pq.ParquetFile(str(file)) as parquet:
            pieces += [(str(file), group) for group in range(parquet.metadata.num_row_groups)]
    return pieces


def reduce_piece(piece: Piece, *, context: pd.DataFrame, settings: Settings | None = None) -> Reduced:
    """The starts of one row group: their venting_id, start_no, and raw outputs of the kernel.

    ``context`` has one row a venting: index venting_id, columns ``settings.STEPS`` (see :func:`venting_context`).
    A start of a venting that it does not hold is left without thresholds, so without times.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    file, group = piece
    with pq.ParquetFile(file, read_dictionary=["venting_id"], memory_map=True) as parquet:
        table = parquet.read_row_group(group, columns=[*KEY, *CHANNELS], use_threads=False)
    ids = table["venting_id"].combine_chunks()
    if isinstance(ids, pa.ChunkedArray):
        ids = ids.chunk(0) if ids.num_chunks else pa.array([], pa.dictionary(pa.int32(), pa.string()))
    codes = ids.indices.to_numpy(zero_copy_only=False)
    numbers = table["start_no"].to_numpy()
    bounds = start_bounds(codes, numbers)
    first = bounds[:-1]
    names = np.asarray(ids.dictionary.to_pandas(), dtype=object)[codes[first]]
    steps = context.reindex(names).to_numpy(dtype=float)
    channels = [_channel(table[name]) for name in CHANNELS]
    return names, numbers[first], reduce_samples(bounds, channels, numbers[first] == 0, steps, settings)


def _channel(column: Any) -> npt.NDArray[np.float64]:
    """A channel as float64; without a copy where it is one chunk and nothing is missing."""
    import pyarrow as pa

    if not pa.types.is_float64(column.type):
        column = column.cast(pa.float64())
    if column.num_chunks == 1 and column.null_count == 0:
        return column.chunk(0).to_numpy()
    return column.to_numpy()


def venting_context(ventings: pd.DataFrame, *, among: Limits | None = None) -> pd.DataFrame:
    """Thresholds and bands by venting from columns venting_id, engine_type, date, pressure_threshold_bar."""
    from .settings import STEPS

    own = ventings["pressure_threshold_bar"].to_numpy(dtype=float)
    steps = start_settings(ventings, among=among, threshold_bar=own)
    return pd.DataFrame(steps, columns=list(STEPS), index=pd.Index(ventings["venting_id"], name="venting_id"))


def features_of_files(
    files: Sequence[str | Path],
    ventings: pd.DataFrame,
    *,
    among: Limits | None = None,
    settings: Settings | None = None,
    workers: int = 2,
    cluster: str | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> pd.DataFrame:
    """Features of all starts in the files, sorted by venting_id and start_no.

    Parameters
    ----------
    files : Parquet files of the samples table.
    ventings : columns venting_id, engine_type, date, pressure_threshold_bar; one row a venting.
    workers : threads on this machine (the compiled kernel does not hold the interpreter's lock).
    cluster : address of a Dask scheduler; the same function then runs there, on files its workers can read.
    progress : called with (done, all) pieces.

    Raises
    ------
    ValueError : a start lies in two row groups, so these files were not written by the store.
    """
    context = venting_context(ventings, among=among)
    pieces = list_pieces(files)
    parts: list[Reduced] = []
    for done, part in enumerate(_spread(pieces, context, settings, workers, cluster), 1):
        parts.append(part)
        if progress:
            progress(done, len(pieces))
    if not parts:
        return pd.DataFrame(columns=[*KEY, *FEATURES])
    names, numbers, raw = (np.concatenate(column) for column in zip(*parts, strict=True))
    found = judge_outputs(raw, numbers == 0, settings)
    found.insert(0, "venting_id", pd.Series(names, dtype="str"))
    found.insert(1, "start_no", pd.Series(numbers, dtype="Int64"))
    found = found.sort_values(list(KEY), kind="stable", ignore_index=True)
    twice = found.duplicated(list(KEY))
    if twice.any():
        row = found[twice].iloc[0]
        raise ValueError(f"start {row['start_no']} of venting {row['venting_id']} lies in two row groups")
    return found


def _spread(
    pieces: list[Piece],
    context: pd.DataFrame,
    settings: Settings | None,
    workers: int,
    cluster: str | None,
) -> Iterable[Reduced]:
    if cluster is not None:
        from distributed import Client

        from ventbook.errors import InputError

        try:
            client = Client(cluster, set_as_default=False, timeout="10s")
        except (OSError, ValueError) as error:
            raise InputError(
                f"cluster {cluster} can't be reached ({error}); start it, or leave --cluster out"
            ) from None
        with client:
            shared = client.scatter(context, broadcast=True)
            futures = client.map(reduce_piece, pieces, context=shared, settings=settings, pure=False)
            yield from (future.result() for future in futures)
        return
    if workers <= 1 or len(pieces) <= 1:
        yield from (reduce_piece(piece, context=context, settings=settings) for piece in pieces)
        return
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(workers) as pool:
        yield from pool.map(lambda piece: reduce_piece(piece, context=context, settings=settings), pieces)


def read_trace(files: Sequence[str | Path], venting_id: str, start_no: int) -> pd.DataFrame:
    """The samples of one start in order of t: columns CHANNELS; empty where there is no trace."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    chosen = [("venting_id", "=", venting_id), ("start_no", "=", start_no)]
    parts = [pq.read_table(str(f), columns=list(CHANNELS), filters=chosen, partitioning=None) for f in files]
    parts = [part for part in parts if part.num_rows]
    if not parts:
        return pd.DataFrame({name: np.empty(0) for name in CHANNELS})
    return pa.concat_tables(parts).sort_by("t_s").to_pandas().astype("float64")
