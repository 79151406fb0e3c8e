"""A store of a large invented fleet, made straight as accepted tables with the store's writer, without intake.

Rows are those that ``ventbook demo --large`` hands in, one snapshot a delivery; technicians become codes as at intake.
Samples stay out: their features are made by intake.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pyarrow as pa

from ventbook import tables
from ventbook.demo.large_writing import list_large_tables
from ventbook.demo.settings import hand_in_day, list_quarters
from ventbook.records import privacy
from ventbook.records.store import create_store, write_snapshot
from ventbook.records.store import snapshots as shapes
from ventbook.records.store.snapshots import Store


def make_store(folder: Path, ventings: int, *, seed: int | None = None) -> Path:
    """The store below ``folder`` with the demo's limits, gauges and actions beside it; returns its path."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in ("limits", "actions", "gauges"):
        shutil.copyfile(tables.DATA / f"demo_{name}.toml", folder / f"{name}.toml")
    store = create_store(folder / "store")
    coder = privacy.open_coder(store.path)
    waiting: dict[int, dict[str, list[pa.Table]]] = {}
    told, last = 0, len(list_quarters())
    for place, name, table in list_large_tables(ventings=ventings, seed=seed):
        if name != "failures":
            waiting.setdefault(place, {}).setdefault(name, []).append(table)
        while (
            name == "failures" and told < place
        ):  # ends a piece: what was due before its quarter is complete
            _commit(store, coder, told, waiting.pop(told, {}))
            told += 1
    for place in range(told, last):
        _commit(store, coder, place, waiting.pop(place, {}))
    coder.save()
    return store.path


def _commit(store: Store, coder: privacy.NameCoder, place: int, parts: dict[str, list[pa.Table]]) -> None:
    sources, counts = [], {}
    with write_snapshot(store) as writer:
        for name, tables_ in parts.items():
            rows = pa.concat_tables(tables_, promote_options="default")
            if "technician" in rows.column_names:
                at = rows.column_names.index("technician")
                codes = coder.code_column(rows["technician"].combine_chunks())
                rows = rows.set_column(at, "technician", codes)
            sources.append(
                {"file": f"{name}.parquet", "sheet": "", "table": name, "rows": len(rows), "sha256": ""}
            )
            counts[name] = {"accepted": len(rows)}
            known = rows.select(["venting_id"]) if name == "ventings" else None  # a job closed since
            writer.change_rows(name, add=_keep_books(name, rows, place + 1), drop=known)
        writer.commit(
            kind="intake", today=hand_in_day(list_quarters()[place]), counts=counts, sources=sources
        )


def _keep_books(name: str, rows: pa.Table, intake: int) -> pa.Table:
    """All columns of the stored table, with those that say where a row came from."""
    marks = {"_intake": intake, "_file": f"{name}.parquet", "_line": 1}
    schema = shapes.record_schema(name)
    columns = [
        rows[field.name]
        if field.name in rows.column_names
        else pa.repeat(pa.scalar(marks.get(field.name), field.type), len(rows))
        for field in schema
    ]
    return pa.table(columns, schema=schema)
