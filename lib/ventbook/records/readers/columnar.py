"""Parquet files and Delta folders: typed columns are taken as they are, row numbers count from 1."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pyarrow as pa
import pyarrow.parquet as pq

from ventbook.errors import InputError
from ventbook.records.readers.bounds import bound, check_width, open_in_child
from ventbook.records.readers.mapping import Source, choose_table, resolve_fields
from ventbook.records.readers.sheets import Batch, Sheet

BATCH_ROWS = 250_000


def open_parquet(path: Path, source: Source) -> Sheet:
    """The sheet of one Parquet file."""
    digest = _hash_file(path)
    return _open_files(path, [path], source, digest)


def open_delta(path: Path, source: Source) -> Sheet:
    """The sheet of a folder that is a Delta table, at its newest version."""
    from deltalake import DeltaTable

    try:
        actions: Any = DeltaTable(str(path)).get_add_actions(flatten=True)
    except Exception as error:  # the package's own error classes have no common base but Exception
        raise InputError(
            f"{path.name}: can't be read as a Delta table ({' '.join(str(error).split())[:150]})"
        ) from None
    names = pa.table(actions).column("path").to_pylist()
    files = sorted(path / unquote(name) for name in names)
    digest = hashlib.sha256("".join(_hash_file(file) for file in files).encode()).hexdigest()
    return _open_files(path, files, source, digest)


def _open_files(path: Path, files: list[Path], source: Source, digest: str) -> Sheet:
    table = choose_table(path, source)
    if not files:
        raise InputError(f"{path.name}: holds no rows")
    schema, size = None, 0
    for file in files:
        try:
            meta = pq.read_metadata(file)
            schema = schema or pq.read_schema(file)
            names = schema.names
        except (pa.ArrowException, OSError, UnicodeDecodeError) as error:
            raise InputError(
                f"{path.name}: can't be read as Parquet ({' '.join(str(error).split())[:150]})"
            ) from None
        unpacked = sum(meta.row_group(n).total_byte_size for n in range(meta.num_row_groups))
        size += file.stat().st_size
        if unpacked > bound("parquet_unpacked") or unpacked > bound("parquet_ratio") * max(
            file.stat().st_size, 1 << 20
        ):
            raise InputError(f"{path.name}: unpacks to far more than it weighs; not opened")
        check_width(len(names), path.name)
        open_in_child(file, "parquet")
    assert schema is not None
    nested = [
        field.name for field in schema if pa.types.is_nested(field.type) or pa.types.is_binary(field.type)
    ]
    fields, notes = resolve_fields(names, table, source, path.name)
    bad = [name for name, field in zip(names, fields, strict=True) if name in nested and field.column]
    if bad:
        raise InputError(
            f"{path.name}: column {', '.join(bad)} holds nested or binary values; hand in plain ones"
        )

    def read() -> Iterator[Batch]:
        line = 1
        for file in files:
            try:
                for block in pq.ParquetFile(file).iter_batches(BATCH_ROWS, columns=names):
                    lines = pa.array(range(line, line + block.num_rows), pa.int64())
                    line += block.num_rows
                    block.validate(full=True)  # text that is no UTF-8, for one
                    yield Batch(lines, [simplify_array(column) for column in block.columns])
            except (pa.ArrowException, OSError) as error:
                raise InputError(
                    f"{path.name}: is damaged ({' '.join(str(error).split())[:150]}); write it again"
                ) from None

    form = (source.date_form, source.codes, notes, digest, size)
    return Sheet(
        table, path, "", fields, read, ".", *form, prefix=source.prefix, confirmed=source.units_confirmed
    )


def simplify_array(column: pa.Array) -> pa.Array:
    """Text as text; whole and broken numbers, truth values and dates typed; the rest as text."""
    kind = column.type
    if pa.types.is_dictionary(kind):
        column = column.dictionary_decode()
        kind = column.type
    if pa.types.is_string(kind) or pa.types.is_boolean(kind) or pa.types.is_date32(kind):
        return column
    if pa.types.is_floating(kind):
        return column.cast(pa.float64())
    if pa.types.is_integer(kind):
        try:
            return column.cast(pa.int64())
        except pa.ArrowInvalid:
            return column.cast(pa.string())
    if pa.types.is_timestamp(kind):
        return (
            column.cast(pa.timestamp("us", kind.tz), safe=False)
            if kind.tz is None
            else column.cast(pa.string())
        )
    if pa.types.is_nested(kind) or pa.types.is_binary(kind):
        return pa.array([None if v is None else repr(v)[:500] for v in column.to_pylist()], pa.string())
    return column.cast(pa.string())


def _hash_file(path: Path) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while chunk := file.read(8 << 20):
            digest.update(chunk)
    return digest.hexdigest()
