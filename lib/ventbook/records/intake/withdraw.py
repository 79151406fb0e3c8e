"""Taking back one intake: what it wrote goes, what it replaced comes back, and the history keeps both."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from ventbook import tables
from ventbook.errors import InputError
from ventbook.places import Place
from ventbook.records import privacy
from ventbook.records.intake.keys import IN_DOUBT, is_elsewhere, key_texts
from ventbook.records.intake.masking import mask_again
from ventbook.records.intake.trace_features import (
    Key,
    copy_without,
    facts_of,
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
    record_schema,
    write_snapshot,
)
from ventbook.records.store.delta import new_file, read_files

Address = tuple[int, str, str, int]


def withdraw(number: int, *, store: str | Place | Store, today: dt.date | None = None, note: str = "") -> int:
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
        coder = privacy.open_reader(
            target.path
        )  # what an earlier snapshot gives back may name who came later
        mask_again(writer, coder)
        counts = json.loads(own.iloc[0]["counts"] or "{}")
        taken = sum(c.get("accepted", 0) + c.get("corrected", 0) for c in counts.values())
        return writer.commit(
            kind="withdrawal",
            today=today or before.today,
            counts={},
            sources=[],
            note="; ".join(
                filter(
                    None, [coder.mask_text(note) or f"intake {number} taken back ({taken} rows)", upgraded]
                )
            ),
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
    """Rows that the intake said go; each key says again what the newest intake still standing said of it."""
    key = list(tables.record_tables()[table].key)
    unsaid = _released_from(before, table, gone)
    now = before.read_arrow(table)
    own = pc.equal(now.column("_intake"), number)
    if unsaid:
        said_by = zip(key_texts(now, tuple(key)), now.column("_intake").to_pylist(), strict=True)
        own = pc.or_(own, pa.array([pair in unsaid for pair in said_by], pa.bool_()))
    wanted, at = now.filter(own).select(key), before.number
    if not wanted.num_rows:
        return
    drop = wanted
    back: list[pa.Table] = []
    while at >= 1 and wanted.num_rows:
        earlier = target.snapshot(at)
        if table not in earlier.versions:
            break
        rows = earlier.read_arrow(table)
        rows = rows.filter(is_among(rows, wanted))
        texts_at, intakes = key_texts(rows, tuple(key)), rows.column("_intake").to_pylist()
        repeated = _repeats(before, table, gone)
        said = [
            intake
            if intake not in gone and (text, intake) not in unsaid
            else next((n for n in repeated.get(text, ()) if intake < n <= at), None)
            for text, intake in zip(texts_at, intakes, strict=True)
        ]
        alive = pa.array([n is not None for n in said], pa.bool_())
        column = rows.schema.get_field_index("_intake")
        back.append(rows.set_column(column, "_intake", pa.array(said, pa.int64())).filter(alive))
        left = rows.filter(pc.invert(alive))
        wanted = left.select(key)
        at = int(pc.max(left.column("_intake")).as_py()) - 1 if left.num_rows else 0
    restored = (
        pa.concat_tables([part.cast(now.schema) for part in back]) if back else now.schema.empty_table()
    )
    writer.change_rows(table, add=restored if restored.num_rows else None, drop=drop)


def _repeats(before: Snapshot, table: str, gone: set[int]) -> dict[str, list[int]]:
    """Key -> intakes still standing that handed its row in again unchanged, oldest first."""
    found: dict[str, list[int]] = {}
    if "repeats" in before.versions:
        rows = before.read_arrow("repeats").filter(pc.field("table") == table)
        for text, intake in zip(
            rows.column("key").to_pylist(), rows.column("intake").to_pylist(), strict=True
        ):
            if intake not in gone:
                found.setdefault(text, []).append(intake)
    return {text: sorted(intakes) for text, intakes in found.items()}


def _released_from(before: Snapshot, table: str, gone: set[int]) -> set[tuple[str, int]]:
    """(key, intake that released it) of rows that had to wait, where every intake that handed them in is taken back."""
    return {pair for pair, intakes in _released(before, table).items() if intakes <= gone}


def _released(before: Snapshot, table: str) -> dict[tuple[str, int], set[int]]:
    """(key, intake that released it) of rows that had to wait -> intakes that handed them in."""
    origins: dict[tuple[str, int], set[int]] = {}
    if "issues" in before.versions:
        rows = before.read_arrow("issues", ["code", "table", "key", "value", "intake"])
        rows = rows.filter((pc.field("code") == "released") & (pc.field("table") == table))
        for row in rows.to_pylist():
            if row["value"].isdigit():
                origins.setdefault((row["key"], row["intake"]), set()).add(int(row["value"]))
    return origins


def _withdraw_held(target: Store, writer: Writer, before: Snapshot, number: int, gone: set[int]) -> None:
    """Quarantined rows of the intake go; those that only it cleared come back."""
    if "quarantine" not in before.versions:
        return
    held, cleared_by = _held_history(target)
    now = set(map(_address, before.read_arrow("quarantine").to_pylist()))
    missing = [
        row
        for address, row in held.items()
        if address not in now and row["intake"] not in gone and not cleared_by.get(address, set()) - gone
    ]
    back = [row for row in missing if not _said_later(writer, before, row, gone)]
    writer.change_rows(
        "quarantine",
        add=pa.Table.from_pylist(back, schema=QUARANTINE) if back else None,
        drop_intake=number,
        intake_column="intake",
    )


def _address(row: dict[str, Any]) -> Address:
    return row["intake"], row["file"], row["sheet"] or "", row["line"]


def _held_history(target: Store) -> tuple[dict[Address, dict[str, Any]], dict[Address, set[int]]]:
    """Every row that was ever quarantined, and the intakes that cleared it."""
    held: dict[Address, dict[str, Any]] = {}
    cleared_by: dict[Address, set[int]] = {}
    read: dict[Place, dict[Address, dict[str, Any]]] = {}
    withdrawals = set(target.intake_rows().query("kind == 'withdrawal'")["number"])
    last: set[Address] = set()
    for snapshot in target.every_snapshot():
        now: set[Address] = set()
        for file in snapshot.files("quarantine"):
            if file not in read:
                rows = read_files([file], QUARANTINE).to_pylist()
                read[file] = {_address(row): row for row in rows}
            held.update(read[file])
            now |= set(read[file])
        if snapshot.number not in withdrawals:
            for address in last - now:
                cleared_by.setdefault(address, set()).add(snapshot.number)
        last = now
    return held, cleared_by


def _said_later(writer: Writer, before: Snapshot, row: dict[str, Any], gone: set[int]) -> bool:
    """True where an intake after the quarantined row's, still standing, handed its key in good."""
    table, text = row["table"], row["key"]
    codes = set(row["all_codes"].split(", "))
    if not text or table == "samples" or table not in before.versions or codes & IN_DOUBT:
        return False
    if any(n > row["intake"] for n in _repeats(before, table, gone).get(text, ())):
        return True
    key = tables.record_tables()[table].key
    rows = writer.read_now(table, [*key, "_intake", *(["site"] if table == "ventings" else [])])
    if table == "ventings":
        here = [not is_elsewhere(row["site"], site) for site in rows.column("site").to_pylist()]
        rows = rows.filter(pa.array(here, pa.bool_()))
    intakes = rows.column("_intake").to_pylist()
    waited = _released(before, table)  # let in later, but handed in before
    pairs = zip(key_texts(rows, key), intakes, strict=True)
    return any(t == text and n > row["intake"] and (t, n) not in waited for t, n in pairs)


def _withdraw_samples(target: Store, writer: Writer, before: Snapshot, number: int, gone: set[int]) -> None:
    if "samples" not in before.versions:
        return
    now: dict[Place, set[Key]] = {}
    for file in before.files("samples"):
        own = {key for key, value in read_starts(file).items() if value[2] == number}
        if own:
            now[file] = own
    keys = set().union(*now.values()) if now else set()
    if not keys:
        return
    path = writer.path_of("samples")
    add: dict[Place, str] = {}
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
                copy_without(file, set(starts) - found, copy)
                add[copy] = file.parent.name.partition("=")[2]
                restored.append(copy)
                keys -= found
        at -= 1
    writer.add_files(
        "samples",
        record_schema("samples"),
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
