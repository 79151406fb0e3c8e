"""Parquet files of traces: whole starts, row groups of about a million rows that end between starts.

The features of traces in the store: computed when a trace comes in, and again when its venting changes.
"""

from __future__ import annotations

import importlib
import json
from collections.abc import Callable, Iterable
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from ventbook import tables
from ventbook.model.traces.partitions import FOOTER
from ventbook.places import Place, local_copy, write_local
from ventbook.records.store import Snapshot, Writer, record_schema, to_frame

ROW_GROUP = 1_000_000


Key = tuple[str, int]


SCHEMA_NAMES = ("venting_id", "start_no", "t_s", "speed_rpm", "oil_pressure_bar", "oil_temperature_degC")
READ = {
    "ventings": ["venting_id", "engine_id", "date", "pressure_threshold_bar"],
    "engines": ["engine_id", "engine_type"],
}


def read_starts(file: Place) -> dict[Key, tuple[int, int, int]]:
    """(venting_id, start_no) -> (rows, checksum, intake) of the starts in one file, from its footer."""
    raw = (pq.read_metadata(local_copy(file)).metadata or {}).get(FOOTER, b"[]")
    return {(entry[0], entry[1]): (entry[2], entry[3], entry[4]) for entry in json.loads(raw)}


def copy_without(file: Place, gone: set[Key], target: Place) -> Place | None:
    """The file without some starts, row groups kept whole; None when nothing is left."""
    starts = {key: value for key, value in read_starts(file).items() if key not in gone}
    if not starts:
        return None
    names = {venting for venting, _ in gone}
    with (
        pq.ParquetFile(local_copy(file), page_checksum_verification=True) as source,
        write_local(target) as copy,
        open_writer(copy) as out,
    ):
        for group in range(source.num_row_groups):
            rows = source.read_row_group(group)
            touched = pc.is_in(rows.column("venting_id"), value_set=pa.array(sorted(names), pa.string()))
            if pc.any(touched).as_py():
                keys = zip(
                    rows.column("venting_id").to_pylist(), rows.column("start_no").to_pylist(), strict=True
                )
                rows = rows.filter(pa.array([key not in gone for key in keys]))
            if rows.num_rows:
                out.write_table(rows, row_group_size=max(rows.num_rows, 1))
        out.add_key_value_metadata({FOOTER: json.dumps([[*k, *v] for k, v in starts.items()])})
    return target


def open_writer(path: Path) -> pq.ParquetWriter:
    """A Parquet writer for samples: dictionaries and lz4, which read back fastest of what was measured."""
    return pq.ParquetWriter(
        path, record_schema("samples"), compression="lz4", use_dictionary=True, write_page_checksum=True
    )


@dataclass
class QuarterFile:
    """Starts of one quarter on their way into one file."""

    path: Place
    buffer: list[pa.Table] = field(default_factory=list)
    rows: int = 0
    starts: list[list[Any]] = field(default_factory=list)
    groups: int = 0

    def __post_init__(self) -> None:
        self._kept = ExitStack()  # what is written stands at its path once this is closed
        self.writer = open_writer(self._kept.enter_context(write_local(self.path)))

    def add(self, rows: pa.Table, entry: list[Any]) -> None:
        self.buffer.append(rows)
        self.starts.append([*entry, self.groups])
        self.rows += rows.num_rows
        if self.rows >= ROW_GROUP:
            self.flush()

    def flush(self) -> None:
        if self.rows:
            order = sorted(self.buffer, key=lambda t: (t["venting_id"][0].as_py(), t["start_no"][0].as_py()))
            group = pa.concat_tables(order)
            self.writer.write_table(group, row_group_size=group.num_rows)
            self.groups += 1
        self.buffer, self.rows = [], 0

    def close(self) -> None:
        self.flush()
        self.writer.add_key_value_metadata({FOOTER: json.dumps(sorted(self.starts))})
        self.writer.close()
        self._kept.close()


def find_features() -> Callable[..., pd.DataFrame] | None:
    """The one place where intake finds the features of traces: ``ventbook.model.traces.features_of_files``."""
    try:
        return getattr(importlib.import_module("ventbook.model.traces"), "features_of_files", None)
    except ImportError:
        return None


def venting_facts(ventings: pd.DataFrame, engines: pd.DataFrame) -> pd.DataFrame:
    """What features are held against: columns venting_id, engine_type, date, pressure_threshold_bar."""
    types = engines.drop_duplicates("engine_id").set_index("engine_id")["engine_type"]
    facts = ventings[["venting_id", "date", "pressure_threshold_bar"]].reset_index(drop=True)
    found = ventings["engine_id"].map(types).fillna("").astype("str")
    return facts.assign(engine_type=found.reset_index(drop=True))


def facts_of(snapshot: Snapshot) -> pd.DataFrame:
    """:func:`venting_facts` as a snapshot has them."""
    return venting_facts(*(snapshot.read(table, columns) for table, columns in READ.items()))


def store_features(
    writer: Writer,
    files: Iterable[Place],
    ventings: pd.DataFrame | None,
    *,
    only: set[str] | None = None,
) -> None:
    """Compute the features of the starts in ``files`` (of the ventings ``only``), and keep them as ``start_features``.

    Thresholds and bands are those of the limits in force, the shop's own beside the store included.
    """
    compute, files = find_features(), [file.resolve() for file in files]
    if compute is None or ventings is None or not files:
        return
    found = compute(files, ventings, among=limits_now(writer))
    if only is not None:
        found = found[found["venting_id"].isin(sorted(only))]
    if found.empty:
        return
    rows = pa.Table.from_pandas(found, preserve_index=False).replace_schema_metadata(None)
    rows = rows.cast(pa.schema([_plain_field(f) for f in rows.schema]))
    key = rows.select(["venting_id", "start_no"])
    writer.change_rows("start_features", add=rows, drop=key)


def _plain_field(f: pa.Field) -> pa.Field:
    return pa.field(f.name, pa.string() if pa.types.is_large_string(f.type) else f.type)


def renew_features(writer: Writer) -> int:
    """Compute the features of traces anew whose thresholds or bands are others now: the venting's day, threshold or engine
    type changed, or the limits beside the store did. Those of an earlier version wait for the store's upgrade. Returns how
    many starts that were.
    """
    from ventbook.model.traces import match_limits

    before = writer.before
    if before is None or "start_features" not in before.versions:
        return 0
    facts = venting_facts(*(to_frame(writer.read_now(table, columns)) for table, columns in READ.items()))
    features = read_made_under(writer)
    same = match_limits(features, facts, among=limits_now(writer))
    names = set(features.loc[~same, "venting_id"])
    files = [file for file in writer.files_now("samples") if names & {key[0] for key in read_starts(file)}]
    if names:
        store_features(writer, files, facts, only=names)
    return int((~same).sum())


def read_made_under(writer: Writer) -> pd.DataFrame:
    """Which starts have features, and under which limits they were made, after what the writer has written so far."""
    import pyarrow.parquet as pq

    wanted = ("venting_id", "start_no", "limits_key")
    parts = []
    for file in writer.files_now("start_features"):
        copy = local_copy(file)
        known = pq.read_schema(copy).names
        parts.append(
            pq.read_table(copy, columns=[name for name in wanted if name in known], partitioning=None)
        )
    if not parts:
        return pd.DataFrame(columns=list(wanted))
    return to_frame(pa.concat_tables(parts, promote_options="permissive"))


def limits_now(writer: Writer) -> tables.Limits:
    """The limits in force: the shop's own beside the store, for the engines on record, and the placeholders."""
    types = to_frame(writer.read_now("engines", ["engine_type"]))["engine_type"].dropna().unique().tolist()
    return tables.load_limits(tables.find_own_limits(writer.store.path), engine_types=types)
