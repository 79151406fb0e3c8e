"""Taking back one intake: what it wrote goes, what it replaced comes back, and the history keeps both."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from ventbook import tables
from ventbook.errors import InputError
from ventbook.records.intake.keys import key_texts
from ventbook.records.intake.trace_features import (
    FOOTER,
    Key,
    copy_without,
    facts_of,
    open_writer,
    read_starts,
    renew_features,
    store_features,
)
from ventbook.records.intake.upgrade import upgrade_store
from ventbook.records.store import (
    ISSUES,
    QUARANTINE,
    Snapshot,
    Store,
    Writer,
    is_among,
    open_store,
    write_snapshot,
)
from ventbook.records.store.delta import new_file


def withdraw(number: int, *, store: str | Path | Store, today: dt.date | None = None, note: str = "") -> int:
    """Take back intake ``number``; returns the number of the snapshot that says so.

    Rows it wrote go; a row it corrected comes back as it was before (unless a still later intake corrected it
    again: that one stays); rows it corrected are quarantined again. ``as_of`` an earlier snapshot still shows everything.
    Raises InputError when there is no such intake or it has been withdrawn already.
    """
    target = store if isinstance(store, Store) else open_store(store)
    with write_snapshot(target) as writer:
        before = writer.before
        rows = target.intake_rows()
        own = rows[rows["number"] == number]
        if before is None or own.empty:
            raise InputError(
                f"there is no intake {number}; the store has 1 to {0 if before is None else before.number}"
            )
        if own.iloc[0]["kind"] != "intake":
            kind = {"withdrawal": "is itself a withdrawal; hand the files in again instead"}
            why = kind.get(own.iloc[0]["kind"], "took no records in: nothing can be taken back")
            raise InputError(f"snapshot {number} {why}")
        gone = {int(n) for n in rows["withdrawn"].dropna()}
        if number in gone:
            raise InputError(f"intake {number} has been withdrawn already")
        gone.add(number)
        for table in tables.record_tables():
            if table == "samples":
                _withdraw_samples(target, writer, before, number, gone)
            elif table in before.versions:
                _withdraw_rows(target, writer, before, table, number, gone)
        _withdraw_held(target, writer, before, number, gone)
        if "issues" in before.versions:
            writer.change_rows("issues", drop_intake=number, intake_column="intake")
        if "repeats" in before.versions:
            writer.change_rows("repeats", drop_intake=number, intake_column="intake")
        _note_orphans(writer, before, number)
        renew_features(writer)
        upgraded = upgrade_store(writer)
        counts = json.loads(own.iloc[0]["counts"] or "{}")
        taken = sum(c.get("accepted", 0) + c.get("corrected", 0) for c in counts.values())
        return writer.commit(
            kind="withdrawal",
            today=today or before.today,
            counts={},
            sources=[],
            note="; ".join(filter(None, [note or f"intake {number} taken back ({taken} rows)", upgraded])),
            withdrawn=number,
        )


def _note_orphans(writer: Writer, before: Snapshot, number: int) -> None:
    """One note a table on rows whose venting or engine went with the intake: they stay, and wait for it."""
    found = []
    for parent, column, children in (
        ("engines", "engine_id", ("ventings", "planned")),
        ("ventings", "venting_id", ("starts", "lifter_checks")),
    ):
        if parent not in before.versions:
            continue
        left = writer.read_now(parent, [column]).column(column)
        for table in children:
            if table not in before.versions:
                continue
            ids = writer.read_now(table, [column]).column(column)
            orphan = int(pc.sum(pc.invert(pc.is_in(ids, value_set=left.combine_chunks()))).as_py() or 0)
            if orphan:
                wording = tables.issue_text("parent_withdrawn")
                words = {"value": str(number), "n": orphan, "table": table, "column": column}
                row: dict[str, Any] = dict.fromkeys(ISSUES.names)
                row |= {"code": wording.code, "severity": wording.severity, "table": table, "key": ""}
                row |= {"column": column, "file": "", "value": str(number), "rows": orphan}
                row |= {"what": wording.what.format(**words), "do": wording.do.format(**words)}
                found.append(row | {"intake": writer.number})
    if found:
        writer.add_rows("issues", pa.Table.from_pylist(found, schema=ISSUES))


def _withdraw_rows(
    target: Store, writer: Writer, before: Snapshot, table: str, number: int, gone: set[int]
) -> None:
    key = list(tables.record_tables()[table].key)
    now = before.read_arrow(table)
    own = now.filter(pc.equal(now.column("_intake"), number))
    if not own.num_rows:
        return
    back: list[pa.Table] = []
    wanted, at = own.select(key), number - 1
    while at >= 1 and wanted.num_rows:
        earlier = target.snapshot(at)
        if table not in earlier.versions:
            break
        rows = earlier.read_arrow(table)
        rows = rows.filter(is_among(rows, wanted))
        alive = pc.invert(pc.is_in(rows.column("_intake"), value_set=pa.array(sorted(gone), pa.int64())))
        back.append(rows.filter(alive))
        dead = rows.filter(pc.invert(alive))
        wanted = dead.select(key)
        at = int(pc.max(dead.column("_intake")).as_py()) - 1 if dead.num_rows else 0
    restored = pa.concat_tables(back) if back else now.schema.empty_table()
    restored = _add_repeated(before, own, restored, table, key, gone)
    writer.change_rows(table, add=restored if restored.num_rows else None, drop_intake=number)


def _add_repeated(
    before: Snapshot, own: pa.Table, restored: pa.Table, table: str, key: list[str], gone: set[int]
) -> pa.Table:
    """Rows that a later intake handed in again unchanged stay, now as that one's."""
    if "repeats" not in before.versions:
        return restored
    again = before.read_arrow("repeats").to_pandas()
    again = again[(again["table"] == table) & ~again["intake"].isin(sorted(gone))]
    number = again.groupby("key")["intake"].min()
    texts = np.array(key_texts(own, tuple(key)), dtype=object)
    known = set(key_texts(restored, tuple(key))) if restored.num_rows else set()
    stay = np.array([t in number.index and t not in known for t in texts], dtype=bool)
    if not stay.any():
        return restored
    kept = own.filter(pa.array(stay))
    at = kept.schema.get_field_index("_intake")
    intake = pa.array([int(number[t]) for t in texts[stay]], pa.int64())
    return pa.concat_tables([restored, kept.set_column(at, "_intake", intake).cast(restored.schema)])


def _withdraw_held(target: Store, writer: Writer, before: Snapshot, number: int, gone: set[int]) -> None:
    """Quarantined rows of the intake go; quarantined rows that it corrected or released come back."""
    add = QUARANTINE.empty_table()
    if number > 1:
        earlier = target.snapshot(number - 1)
        if "quarantine" in earlier.versions and "quarantine" in target.snapshot(number).versions:
            address = ["intake", "file", "sheet", "line"]
            old = earlier.read_arrow("quarantine")
            after = target.snapshot(number).read_arrow("quarantine")
            if old.num_rows:
                cleared = (
                    old.filter(pc.invert(is_among(old, after.select(address)))) if after.num_rows else old
                )
                dead = pc.is_in(cleared.column("intake"), value_set=pa.array(sorted(gone), pa.int64()))
                cleared = cleared.filter(pc.invert(dead))
                add = cleared.filter(pa.array(_still_missing(writer, before, cleared, number)))
    if "quarantine" in before.versions:
        writer.change_rows(
            "quarantine", add=add if add.num_rows else None, drop_intake=number, intake_column="intake"
        )


def _still_missing(writer: Writer, before: Snapshot, quarantined: pa.Table, number: int) -> list[bool]:
    """True for quarantined rows whose key no later intake than ``number`` has brought in corrected."""
    later: dict[str, set[str]] = {}
    answer = []
    for table, key in zip(
        quarantined.column("table").to_pylist(), quarantined.column("key").to_pylist(), strict=True
    ):
        if table not in later and table in before.versions and table != "samples":
            rows = before.read_arrow(table)
            rows = rows.filter(pc.greater(rows.column("_intake"), number))
            later[table] = set(key_texts(rows, tables.record_tables()[table].key)) if rows.num_rows else set()
        answer.append(not key or key not in later.get(table, set()))
    return answer


def _withdraw_samples(target: Store, writer: Writer, before: Snapshot, number: int, gone: set[int]) -> None:
    if "samples" not in before.versions:
        return
    now: dict[Path, set[Key]] = {}
    for file in before.files("samples"):
        own = {key for key, value in read_starts(file).items() if value[2] == number}
        if own:
            now[file] = own
    keys = set().union(*now.values()) if now else set()
    if not keys:
        return
    path = writer.path_of("samples")
    add: dict[Path, str] = {}
    for file, own in now.items():
        quarter = file.parent.name.partition("=")[2]
        rest = copy_without(file, own, new_file(path, writer.number, file.parent.name))
        if rest is not None:
            add[rest] = quarter
    restored, at = [], number - 1
    while at >= 1 and keys:
        for file in target.snapshot(at).files("samples"):
            starts = read_starts(file)
            found = {key for key in keys & set(starts) if starts[key][2] not in gone}
            if found:
                copy = new_file(path, writer.number, file.parent.name)
                _copy_only(file, found, copy)
                add[copy] = file.parent.name.partition("=")[2]
                restored.append(copy)
                keys -= found
        at -= 1
    writer.add_files(
        "samples",
        dictionary_schema(),
        list(add),
        {file: {"quarter": quarter} for file, quarter in add.items()},
        remove=list(now),
    )
    if "start_features" in before.versions:
        names = set().union(*now.values())
        drop = pa.table(
            {
                "venting_id": pa.array([v for v, _ in names], pa.string()),
                "start_no": pa.array([n for _, n in names], pa.int64()),
            }
        )
        features = before.read_arrow("start_features")
        writer.change_rows("start_features", add=features.schema.empty_table(), drop=drop)
        store_features(writer, restored, facts_of(before))


def dictionary_schema() -> pa.Schema:
    from ventbook.records.store import record_schema

    return record_schema("samples")


def _copy_only(file: Path, wanted: set[Key], target: Path) -> None:
    import pyarrow.parquet as pq

    starts = {key: value for key, value in read_starts(file).items() if key in wanted}
    with pq.ParquetFile(file, page_checksum_verification=True) as source, open_writer(target) as out:
        for group in range(source.num_row_groups):
            rows = source.read_row_group(group)
            keys = zip(
                rows.column("venting_id").to_pylist(), rows.column("start_no").to_pylist(), strict=True
            )
            rows = rows.filter(pa.array([key in wanted for key in keys]))
            if rows.num_rows:
                out.write_table(rows, row_group_size=rows.num_rows)
        out.add_key_value_metadata({FOOTER: json.dumps([[*k, *v] for k, v in starts.items()])})
