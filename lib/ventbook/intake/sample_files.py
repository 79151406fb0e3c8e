"""Parquet files of traces: whole starts, row groups of about a million rows that end between starts."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from ventbook.store import record_schema

ROW_GROUP = 1_000_000


FOOTER = b"ventbook.starts"


Key = tuple[str, int]


SCHEMA_NAMES = ("venting_id", "start_no", "t_s", "speed_rpm", "oil_pressure_bar", "oil_temperature_degC")


def read_starts(file: Path) -> dict[Key, tuple[int, int, int]]:
    """(venting_id, start_no) -> (rows, checksum, intake) of the starts in one file, from its footer."""
    raw = (pq.read_metadata(file).metadata or {}).get(FOOTER, b"[]")
    return {(entry[0], entry[1]): (entry[2], entry[3], entry[4]) for entry in json.loads(raw)}


def copy_without(file: Path, gone: set[Key], target: Path) -> Path | None:
    """The file without some starts, row groups kept whole; None when nothing is left."""
    starts = {key: value for key, value in read_starts(file).items() if key not in gone}
    if not starts:
        return None
    names = {venting for venting, _ in gone}
    with pq.ParquetFile(file) as source, open_writer(target) as out:
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
    return pq.ParquetWriter(path, record_schema("samples"), compression="lz4", use_dictionary=True)


@dataclass
class QuarterFile:
    """Starts of one quarter on their way into one file."""

    path: Path
    writer: pq.ParquetWriter
    buffer: list[pa.Table] = field(default_factory=list)
    rows: int = 0
    starts: list[list[Any]] = field(default_factory=list)

    def add(self, rows: pa.Table, entry: list[Any]) -> None:
        self.buffer.append(rows)
        self.starts.append(entry)
        self.rows += rows.num_rows
        if self.rows >= ROW_GROUP:
            self.flush()

    def flush(self) -> None:
        if self.rows:
            order = sorted(self.buffer, key=lambda t: (t["venting_id"][0].as_py(), t["start_no"][0].as_py()))
            group = pa.concat_tables(order)
            self.writer.write_table(group, row_group_size=group.num_rows)
        self.buffer, self.rows = [], 0

    def close(self) -> None:
        self.flush()
        self.writer.add_key_value_metadata({FOOTER: json.dumps(sorted(self.starts))})
        self.writer.close()
