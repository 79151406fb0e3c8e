"""The store: Delta tables with one snapshot a commit, readable as of any snapshot.

    store = open_store("data/records/store")
    ventings = store.snapshot().read("ventings")          # newest
    then = store.snapshot(as_of=12).read("ventings")      # as it was after intake 12

Layout: ``tables/NAME`` (one Delta table each), ``lock``, ``private`` (key of the technician codes, readable by its
owner only), ``ventbook-store.json`` (format). It lies in a folder or at an address in an object store (``ventbook.places``).
A store of an earlier version reads as it is; its first write brings its rows up to what this version writes, in the same
snapshot (``Snapshot.content``, ``ventbook.records.intake.upgrade``). Delta Lake: Armbrust et al., Delta Lake: High-Performance
ACID Table Storage over Cloud Object Stores, PVLDB 13(12), 2020.
"""

from ventbook.records.store.backup import BESIDE, BackupDone, back_up, restore_backup
from ventbook.records.store.checking import Damage, StoreCheck, check_store, prune_store
from ventbook.records.store.delta import StoreError
from ventbook.records.store.snapshots import (
    BOOKKEEPING,
    CACHE,
    CONTENT,
    ISSUES,
    QUARANTINE,
    REPEATS,
    Records,
    Snapshot,
    Store,
    create_store,
    is_made,
    key_of,
    open_store,
    plain_original,
    record_schema,
    schema_of,
    table_path,
    take_columns,
    to_frame,
)
from ventbook.records.store.writing import Writer, is_among, write_snapshot

__all__ = [
    "BESIDE",
    "BOOKKEEPING",
    "CACHE",
    "CONTENT",
    "ISSUES",
    "QUARANTINE",
    "REPEATS",
    "BackupDone",
    "Damage",
    "Records",
    "Snapshot",
    "Store",
    "StoreCheck",
    "StoreError",
    "Writer",
    "back_up",
    "check_store",
    "create_store",
    "is_among",
    "is_made",
    "key_of",
    "open_store",
    "plain_original",
    "prune_store",
    "record_schema",
    "restore_backup",
    "schema_of",
    "table_path",
    "take_columns",
    "to_frame",
    "write_snapshot",
]
