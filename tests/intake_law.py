"""The law of intake, for the tests and for the long run in ``calibrate``: every row handed in is accounted for.

A case is a few deliveries, one after the other, into one store. A delivery has files of any record tables, down to
files that hold only a header, and files of which every row is held; the cells are good, empty or broken, and keys come
back, so that rows repeat, correct and contradict each other and those of the store.
"""

from __future__ import annotations

import csv
import datetime as dt
import json
import shutil
from collections.abc import Sequence
from pathlib import Path

import pandas as pd
from hypothesis import strategies as st

from ventbook import tables
from ventbook.records import intake
from ventbook.records.intake.trace_features import read_starts
from ventbook.records.store import key_of, open_store
from ventbook.tables import Column

TODAY = dt.date(2026, 10, 1)
BROKEN = "?"
File = tuple[list[str], list[tuple[str, ...]]]
Delivery = dict[str, File]
VALUES = {
    "engine_id": ("E1", "E1", "E2", "E2", "E9"),
    "engine_type": ("flat4", "flat6"),
    "cylinders": ("4", "4", "6", "99"),
    "valves_per_cylinder": ("2", "4", "3"),
    "venting_id": ("V1", "V1", "V2", "V2", "V3", "V9"),
    "date": ("2026-07-01", "2026-07-01", "2026-07-03", "2026-07-20", "2027-01-01"),
    "closed": ("2026-07-02", "2026-06-01"),
    "started_at": ("2026-07-04 10:00", "2026-06-01 10:00"),
    "site": ("Harbour", "Ridge"),
    "technician": ("Ann Other", "Bo Late"),
    "remarks": ("as usual", "level fell under the mark", "line was empty, Ann Other said"),
    "rotations": ("0", "40", "40", "41"),
    "start_no": ("1", "1", "2", "3"),
    "check_no": ("1", "1", "2", "3"),
    "after_start": ("1", "1", "2"),
    "cylinder": ("1", "1", "2", "5"),
    "valve": ("inlet", "inlet", "exhaust", "inlet_1"),
    "gap": ("0.31", "0.02", "0.9", "4"),
    "gap_at_once": ("0.2", "1.2"),
    "t": ("0", "1", "2", "3"),
    "study": ("spring",),
    "lifter": ("S1", "S2"),
    "repeat": ("1", "2"),
}


def values_of(column: Column) -> tuple[str, ...]:
    """Cells that a column may hold, the good ones more often than the empty and the broken one."""
    if column.name in VALUES:
        good = VALUES[column.name]
    elif column.codes:
        good = column.codes[:2]
    elif column.kind == "yes_no":
        good = ("yes", "no")
    elif column.kind in ("integer", "number", "quantity"):
        low, high = float(column.low or 0), float(column.high or 0)
        good = tuple(f"{low + share * (high - low):.0f}" for share in (0.25, 0.5))
    else:
        good = ("a", "b")
    return (*good * (2 if len(good) < 3 else 1), "", BROKEN)


@st.composite
def files(draw: st.DrawFn, table: str) -> File:
    """Headers and rows of one file of ``table``: the required columns and some of the others; often no row at all."""
    columns = tables.record_tables()[table].columns
    optional = [column for column in columns if not column.required]
    some = draw(st.lists(st.sampled_from(optional), max_size=5, unique=True)) if optional else []
    used = [column for column in columns if column.required] + some
    rows = draw(st.lists(st.tuples(*(st.sampled_from(values_of(column)) for column in used)), max_size=6))
    if draw(st.integers(0, 4)) == 0:  # only held rows
        broken = max(n for n, c in enumerate(used) if c.required and c.kind != "text")
        rows = [(*row[:broken], BROKEN, *row[broken + 1 :]) for row in rows]
    return [column.header for column in used], rows


def deliveries() -> st.SearchStrategy[list[Delivery]]:
    """One to three deliveries, each of one file or more."""
    one = st.lists(
        st.sampled_from(list(tables.record_tables())), min_size=1, max_size=4, unique=True
    ).flatmap(lambda names: st.fixed_dictionaries({name: files(name) for name in names}))
    return st.lists(one, min_size=1, max_size=3)


FIRST: Delivery = {
    "engines": (["engine_id", "engine_type", "cylinders"], [("E1", "flat4", "4"), ("E2", "flat6", "6")]),
    "ventings": (
        [
            "venting_id",
            "engine_id",
            "date",
            "site",
            "reason",
            "rotations",
            "rotations_counted_at",
            "pressure_shown",
        ],
        [
            ("V1", "E1", "2026-07-01", "Harbour", "oil_change", "40", "crankshaft", "yes"),
            ("V2", "E1", "2026-07-03", "Harbour", "oil_change", "41", "crankshaft", "yes"),
        ],
    ),
    "starts": (["venting_id", "start_no", "pressure_shown"], [("V1", "1", "yes")]),
    "lifter_checks": (
        ["venting_id", "check_no", "cylinder", "valve", "gap [mm]", "after_start"],
        [("V1", "1", "1", "inlet", "0.31", "1"), ("V1", "2", "1", "inlet", "0.3", "1")],
    ),
}


def make_stock(folder: Path) -> Path:
    """A store that holds two engines, two ventings of one engine two days apart, and what belongs to them."""
    take(folder, 0, FIRST, folder / "store", dry_run=False)
    return folder / "store"


def hold_law(
    folder: Path, given: Sequence[Delivery], *, stock: Path | None = None, dry_last: bool = False
) -> None:
    """Take the deliveries in, one after the other, and hold each to the law.

    ``stock`` is a store to begin with (a copy is used); ``dry_last``: the last delivery is only tried.
    """
    store = folder / "store"
    if stock is not None:
        shutil.copytree(stock, store)
    for number, delivery in enumerate(given, 1):
        take(folder, number, delivery, store, dry_run=dry_last and number == len(given))


def take(folder: Path, number: int, delivery: Delivery, store: Path, *, dry_run: bool) -> None:
    """Write the files of one delivery, take them in, and account for every row of every table."""
    paths = []
    for table, (headers, rows) in delivery.items():
        path = folder / f"{table}_{number}.csv"
        with path.open("w", newline="", encoding="utf-8") as out:
            csv.writer(out).writerows([headers, *rows])
        paths.append(path)
    before = count_stored(store)
    result = intake.ingest(paths, store=store, today=TODAY, dry_run=dry_run)
    after = count_stored(store)
    assert set(delivery) <= set(result.counts.index)
    for source in result.sources:  # every physical line of every file
        lines = source["lines"]
        text = (folder / source["file"]).read_bytes()
        assert lines["lines"] == text.count(b"\n") == sum(n for name, n in lines.items() if name != "lines")
        own = result.counts.loc[source["table"]]
        assert (lines["rows"], lines["left_out"]) == (own["rows"], own["left_out"]), (source, own)
    for table, (_, rows) in delivery.items():
        filled = sum(any(row) for row in rows)
        counts = {name: int(result.counts.loc[table, name]) for name in result.counts.columns}
        assert counts["rows"] + counts["left_out"] == filled, (table, counts)
        ends = [counts[name] for name in ("accepted", "duplicate", "corrected", "quarantined")]
        assert sum(ends) == counts["rows"] and min(ends) >= 0, (table, counts)
        held = result.quarantine[result.quarantine["table"] == table]
        own = held[held["file"] == f"{table}_{number}.csv"]
        assert count_rows(table, own) == counts["quarantined"], (table, counts)
        assert (own["code"].str.len() > 0).all() and (own["what"].str.len() > 0).all()
        assert own["line"].is_unique
        if dry_run:
            continue
        snapshot = open_store(store).snapshot()
        assert result.number == snapshot.number
        taken = counts["accepted"] + counts["corrected"]
        if table == "samples":
            starts = [entry for file in snapshot.files(table) for entry in read_starts(file).values()]
            assert sum(n for n, _, intake_no in starts if intake_no == snapshot.number) == taken
            continue
        stored = snapshot.read(table, bookkeeping=True) if table in snapshot.versions else pd.DataFrame()
        if len(stored):
            mine = stored[
                (stored["_intake"] == snapshot.number) & (stored["_file"] == f"{table}_{number}.csv")
            ]
            assert len(mine) == taken, (table, counts)
            assert not set(mine["_line"]) & set(own["line"])
            assert not stored.duplicated(list(key_of(table))).any()
        new = after.get(table, 0) - before.get(table, 0)
        assert counts["accepted"] <= new <= counts["accepted"] + counts["released"], (table, counts)


def count_stored(store: Path) -> dict[str, int]:
    """Rows of each table in the newest snapshot."""
    if not store.exists():
        return {}
    snapshot = open_store(store).snapshot()
    return {
        table: len(snapshot.read_arrow(table))
        for table in tables.record_tables()
        if table in snapshot.versions
    }


def count_rows(table: str, held: pd.DataFrame) -> int:
    """Rows handed in that the rows of ``held`` stand for: a trace is held as a whole."""
    if table != "samples":
        return len(held)
    return sum(int(json.loads(text)["samples"]) for text in held["original"])
