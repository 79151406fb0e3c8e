"""Opening a store, reading it as of a snapshot, and the shapes of its tables: Arrow schemas made from the dictionary.

Every record table carries five bookkeeping columns: ``_intake`` (number of the snapshot that wrote the row),
``_file``, ``_sheet``, ``_line`` (where it stood in what was handed in) and ``_other`` (JSON of the columns that the
dictionary doesn't know, None where there are none).
"""

from __future__ import annotations

import datetime as dt
import json
import re
import warnings
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cached_property, partial
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from ventbook import tables
from ventbook.places import Address, AddressError, Place, find_place, list_matching, local_copy, write_whole
from ventbook.records import privacy
from ventbook.records.readers.mapping import GIVEN_BACK
from ventbook.records.store import delta
from ventbook.records.store.delta import StoreError
from ventbook.records.store.locks import hold_lock, is_probe
from ventbook.records.store.proof import TableProof, check_files, fold_proofs, seal_row, sync_folder
from ventbook.tables import Gauges, Limits

KIND_TYPES: dict[str, pa.DataType] = {
    "text": pa.string(),
    "code": pa.string(),
    "yes_no": pa.bool_(),
    "integer": pa.int64(),
    "number": pa.float64(),
    "quantity": pa.float64(),
    "date": pa.date32(),
    "datetime": pa.timestamp("us"),
}
BOOKKEEPING = pa.schema(
    [
        ("_intake", pa.int64()),
        ("_file", pa.string()),
        ("_sheet", pa.string()),
        ("_line", pa.int64()),
        ("_other", pa.string()),
    ]
)
ISSUES = pa.schema(
    [
        ("code", pa.string()),
        ("severity", pa.string()),
        ("table", pa.string()),
        ("key", pa.string()),
        ("column", pa.string()),
        ("file", pa.string()),
        ("sheet", pa.string()),
        ("line", pa.int64()),
        ("value", pa.string()),
        ("what", pa.string()),
        ("do", pa.string()),
        ("site", pa.string()),
        ("rows", pa.int64()),
        ("intake", pa.int64()),
    ]
)
QUARANTINE = pa.schema(
    [
        ("file", pa.string()),
        ("sheet", pa.string()),
        ("line", pa.int64()),
        ("table", pa.string()),
        ("column", pa.string()),
        ("code", pa.string()),
        ("value", pa.string()),
        ("what", pa.string()),
        ("do", pa.string()),
        ("site", pa.string()),
        ("key", pa.string()),
        ("original", pa.string()),
        ("waiting", pa.string()),
        ("all_codes", pa.string()),
        ("intake", pa.int64()),
    ]
)
INTAKES = pa.schema(
    [
        ("number", pa.int64()),
        ("kind", pa.string()),
        ("today", pa.date32()),
        ("committed_at", pa.timestamp("us")),
        ("withdrawn", pa.int64()),
        ("note", pa.string()),
        ("versions", pa.string()),
        ("counts", pa.string()),
        ("sources", pa.string()),
        ("content", pa.int64()),
        ("library", pa.string()),
        ("proof", pa.string()),
        ("seal", pa.string()),
    ]
)
REPEATS = pa.schema([("table", pa.string()), ("key", pa.string()), ("intake", pa.int64())])
FIXED = {"repeats": REPEATS, "issues": ISSUES, "quarantine": QUARANTINE, "intakes": INTAKES}
FIXED_KEYS = {
    "issues": ("intake", "file", "sheet", "line", "table", "column", "code", "key", "value"),
    "quarantine": ("intake", "file", "sheet", "line", "table", "column", "code"),
    "intakes": ("number",),
    "repeats": ("intake", "table", "key"),
    "start_features": ("venting_id", "start_no"),
}
MARK = "ventbook-store.json"
LOCK = "lock"
CACHE = "cache"  # folder of what pages keep; no part of the store, safe to delete
FORMAT = 1  # of the folder, as its mark says; what the rows of a snapshot need is told by the snapshot itself
CONTENT = 2  # 1: version 0.1.0, whose snapshots don't say; 2: features of traces with the ends of start and crossing
LARGE = ("samples",)
_WORDED = ("quarantine", "issues")
MANY_ROWS = 500_000  # of a table: over it columns are sorted one by one


def record_schema(name: str) -> pa.Schema:
    """Arrow schema of a record table: the dictionary's columns by stored name, then the bookkeeping columns."""
    columns = tables.record_tables()[name].columns
    if name == "samples":
        return pa.schema([(column.stored, KIND_TYPES[column.kind]) for column in columns])
    return pa.schema([(column.stored, KIND_TYPES[column.kind]) for column in columns] + list(BOOKKEEPING))


def schema_of(name: str) -> pa.Schema:
    """Arrow schema of any table of the store that the dictionary or this module describes."""
    return FIXED[name] if name in FIXED else record_schema(name)


def key_of(name: str) -> tuple[str, ...]:
    """Stored names of the columns that a table is sorted by when read."""
    if name in FIXED_KEYS:
        return FIXED_KEYS[name]
    return tuple(column.stored for column in tables.record_tables()[name].columns if column.key)


def to_frame(table: pa.Table) -> pd.DataFrame:
    """Typed pandas frame: str, boolean, Int64, float64 (NaN = not recorded), datetime64[us]."""
    mapping = {
        pa.string(): pd.StringDtype(na_value=float("nan")),
        pa.large_string(): pd.StringDtype(na_value=float("nan")),
        pa.bool_(): pd.BooleanDtype(),
        pa.int64(): pd.Int64Dtype(),
    }
    dates = [field.name for field in table.schema if pa.types.is_date32(field.type)]
    for name in dates:
        at = table.schema.get_field_index(name)
        table = table.set_column(at, name, table.column(name).cast(pa.timestamp("us")))
    return table.to_pandas(types_mapper=mapping.get)


def _take_column(name: str, column: pa.ChunkedArray, order: pa.Array) -> pd.Series:
    """What :func:`to_frame` makes of a column, in another order."""
    return to_frame(pa.table({name: column.take(order)}))[name]


def merge_hand_ins(held: pd.DataFrame) -> pd.DataFrame:
    """Quarantined rows with every row once: ``hand_ins`` says in how many intakes it was handed in, unchanged.

    It stands where it was first handed in. Two equal rows of one intake are two rows.
    """
    if held.empty:
        return held.assign(hand_ins=pd.array([], dtype="Int64"))
    same = held.assign(original=[plain_original(text) for text in held["original"]])
    same["sheet"] = same["sheet"].fillna("")
    times = same.groupby(["table", "original", "intake"], sort=False).cumcount()
    groups = same.assign(times=times).groupby(["table", "original", "times"], sort=False)
    first = ~same.assign(times=times).duplicated(["table", "original", "times"])
    return held.assign(hand_ins=groups["intake"].transform("size").astype("Int64"))[first].reset_index(
        drop=True
    )


def plain_original(text: str) -> str:
    """The cells of a quarantined row as one text, empty ones and those of ``GIVEN_BACK`` left out."""
    cells = json.loads(text)
    kept = {name: value.strip() for name, value in cells.items() if value and value.strip()}
    return json.dumps({name: kept[name] for name in sorted(kept) if name not in GIVEN_BACK})


class StoreWarning(UserWarning):
    """Something in a store is damaged that what is read doesn't rest on."""


Reader = Callable[[Sequence[str] | None], pd.DataFrame]


class Records(Mapping[str, pd.DataFrame]):
    """The record tables of a snapshot by name, each read when it is first asked for; in ``limits`` what they are held against:
    the shop's own table of limits beside the store, and the placeholders where it has no row; and in ``gauges`` what their
    gauges are worth: the shop's own register beside the store, None where there is none.
    """

    def __init__(self, readers: Mapping[str, Reader], *, limits: Limits, gauges: Gauges | None) -> None:
        self._readers = dict(readers)
        self._held: dict[str, pd.DataFrame] = {}
        self.limits = limits
        self.gauges = gauges

    def __getitem__(self, name: str) -> pd.DataFrame:
        if name not in self._held:
            self._held[name] = self._readers[name](None)
        return self._held[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._readers)

    def __len__(self) -> int:
        return len(self._readers)

    def take(self, name: str, columns: Sequence[str]) -> pd.DataFrame:
        """Some columns of a table; where it isn't read yet, the others are not read for them."""
        return self._held[name][list(columns)] if name in self._held else self._readers[name](columns)


def take_columns(records: Mapping[str, pd.DataFrame], table: str, wanted: Collection[str]) -> pd.DataFrame:
    """Those of the ``wanted`` columns that a record table has; of a snapshot's records no others are read."""
    if isinstance(records, Records):
        return records.take(table, [name for name in schema_of(table).names if name in wanted])
    return records[table][[name for name in records[table] if name in wanted]]


@dataclass(frozen=True)
class Snapshot:
    """The store as it was when intake ``number`` was committed; ``today`` is the date that counts as today, ``content``
    the number of what its rows hold (``CONTENT`` when they hold what this version writes). ``proof`` says what it rests
    on, file by file; None where an earlier version wrote it, which kept no hashes: it is read unproven.
    """

    path: Place
    number: int
    today: dt.date
    versions: dict[str, int]
    content: int = CONTENT
    proof: Mapping[str, TableProof] | None = field(default=None, repr=False)

    @property
    def tables(self) -> tuple[str, ...]:
        """Names of the tables that hold something in this snapshot."""
        return tuple(self.versions)

    @property
    def rests_on(self) -> dict[str, Any]:
        """What tells its rows from another snapshot's: the data files of every table but the samples, which are never changed."""
        names = [name for name in self.tables if name not in LARGE]
        if self.proof is not None:
            return {name: dict(self.proof.get(name, TableProof()).files) for name in names}
        return {name: sorted(str(file) for file in self.files(name)) for name in names}

    def files(self, table: str) -> list[Place]:
        """The Parquet files of a table in this snapshot (for readers that stream, such as traces).

        StoreError names a file that is missing or not as it was written, by size always, by SHA-256 when this process
        meets it first.
        """
        if table not in self.versions:
            return []
        if self.proof is None:
            return delta.list_files(table_path(self.path, table), self.versions[table])
        return check_files(self.path, table, self.proof.get(table, TableProof()).files)

    def read_arrow(self, table: str, columns: Sequence[str] | None = None) -> pa.Table:
        """Rows of a table in file order, bookkeeping included."""
        files = self.files(table)
        if table in FIXED or table in tables.record_tables():
            schema = schema_of(table)
        elif files:  # of versions that knew fewer columns, and of those that knew more
            with delta.tell_trouble(table_path(self.path, table)):
                schema = pa.unify_schemas(
                    [delta.pq.read_schema(local_copy(file)) for file in files], promote_options="permissive"
                )
        else:
            return pa.table({})
        return delta.read_files(files, schema, columns)

    def read(
        self, table: str, columns: Sequence[str] | None = None, *, bookkeeping: bool = False
    ) -> pd.DataFrame:
        """A table as a typed frame, sorted by its key; without the bookkeeping columns unless asked for."""
        allowed = set(tables.record_tables()) | set(FIXED_KEYS)
        if table not in allowed:
            raise ValueError(f"table must be one of {', '.join(sorted(allowed))}; got {table!r}")
        key = list(key_of(table))
        if columns is None and not bookkeeping and table in tables.record_tables():
            columns = [name for name in schema_of(table).names if name not in BOOKKEEPING.names]
        names = None if columns is None else list(dict.fromkeys([*columns, *key]))
        rows = self.read_arrow(table, names)
        if not rows.num_columns:
            return pd.DataFrame()
        if rows.num_rows > MANY_ROWS:
            order = pc.sort_indices(rows, sort_keys=[(name, "ascending") for name in key])
            held = {name: rows.column(name) for name in (columns or rows.column_names)}
            del rows  # a column goes as soon as it is taken
            return pd.DataFrame(
                {name: _take_column(name, held.pop(name), order) for name in list(held)}, copy=False
            )
        rows = rows.sort_by([(name, "ascending") for name in key])
        if table == "quarantine" and columns is None:
            return merge_hand_ins(to_frame(rows))
        return to_frame(rows if columns is None else rows.select(list(columns)))

    def read_of(self, table: str, ventings: pd.Series, columns: Sequence[str] | None = None) -> pd.DataFrame:
        """What :meth:`read` gives of some ventings, by id. Files that hold none of them are passed over, and the others are
        read one at a time.
        """
        schema, key = schema_of(table), key_of(table)
        wanted = [n for n in schema.names if n not in BOOKKEEPING.names] if columns is None else list(columns)
        names = list(dict.fromkeys([*wanted, *key]))
        among = pa.array(ventings.tolist(), schema.field("venting_id").type)
        found = [delta.read_files([], schema, names)]
        for file in self.files(table):
            mine = pc.is_in(delta.read_files([file], schema, ["venting_id"])["venting_id"], value_set=among)
            if pc.any(mine).as_py():
                found.append(delta.read_files([file], schema, names).filter(mine))
        rows = pa.concat_tables(found).sort_by([(name, "ascending") for name in key])
        return to_frame(rows.select(wanted))

    @cached_property
    def coded(self) -> bool:
        """Whether rows hold codes of technicians."""
        for name, table in tables.record_tables().items():
            if name in self.versions and any(column.name == "technician" for column in table.columns):
                codes = self.read_arrow(name, ["technician"])
                if codes.num_rows > codes.column(0).null_count:
                    return True
        held = self.read_arrow("quarantine", ["original"]) if "quarantine" in self.versions else None
        return held is not None and any(privacy.CODE.search(text) for text in held.column(0).to_pylist())

    def records(self) -> Records:
        """Every table but the samples (too large to hold: see ``files``), empty ones included.

        A table is read when it is asked for; what all of them rest on is held against its proof at once.
        """
        names = [name for name in tables.record_tables() if name not in LARGE]
        names += ["start_features"] if "start_features" in self.versions else []
        for name in (*names, *_WORDED):
            self.files(name)
        readers: dict[str, Reader] = {name: partial(self.read, name) for name in names}
        readers |= {name: partial(self._read_worded, name) for name in (*_WORDED, "intakes")}
        return Records(readers, limits=self.limits(), gauges=self.gauges())

    def _read_worded(self, table: str, columns: Sequence[str] | None) -> pd.DataFrame:
        """A table without names that came to be known after a file's own was written down."""
        if table == "intakes":
            found = Store(self.path).snapshots(until=self.number)
        else:
            found = self.read(table)
            hide = privacy.open_reader(self.path).mask_text
            for column in ("file", "sheet") if len(found) else ():
                texts = found[column]
                found[column] = texts.map(hide, na_action="ignore").astype(texts.dtype)
        return found if columns is None else found[list(columns)]

    def limits(self) -> Limits:
        """The limits in force for these records: the shop's own beside the store and the placeholders.

        A row may be for an engine type of the newest snapshot, which an earlier one may not know yet. TableError
        names a row that is wrong.
        """
        own = tables.find_own_limits(self.path)
        if own is None:
            return tables.load_limits()
        return tables.load_limits(own, engine_types=self.engine_types)

    def gauges(self) -> Gauges | None:
        """The shop's register of gauges beside the store; None where there is none. TableError names a row that is wrong."""
        return tables.load_gauges(tables.find_own_gauges(self.path))

    @cached_property
    def engine_types(self) -> list[str]:
        """Engine types that a limit may be for, sorted: those of all engines on record, those that came later included."""
        asked = [self]
        with suppress(StoreError):  # what came later may be damaged
            newest = Store(self.path).snapshot()
            asked += [newest] if newest.number != self.number else []
        types = {name for s in asked for name in s.read("engines", ["engine_type"])["engine_type"].dropna()}
        return sorted(map(str, types))

    def sources(self) -> pd.DataFrame:
        """What was handed in up to this snapshot: intake, file, sheet, table, rows, sha256, and for text files what
        became of every line (``lines``: lines = above + header + rows + blank + left_out + continued).
        """
        rows = []
        for number, text in (
            Store(self.path).intake_rows(self.number)[["number", "sources"]].itertuples(index=False)
        ):
            rows += [{"intake": int(number), **source} for source in json.loads(text or "[]")]
        columns = ["intake", "file", "sheet", "table", "rows", "sha256", "lines"]
        return pd.DataFrame(rows, columns=columns)


@dataclass(frozen=True)
class Store:
    """A folder of Delta tables with consecutive snapshots. Open with ``open_store`` or ``create_store``."""

    path: Place

    def intake_rows(self, until: int | None = None) -> pd.DataFrame:
        """The raw rows of ``intakes``, oldest first, or those up to a number. StoreError where one of them is missing or not as
        it was written. Where only the log is damaged the rows are read from their files, which their seals prove, and a
        StoreWarning names it: whoever writes is refused.
        """
        try:
            return self._read_rows(self._named_files(), until)
        except StoreError as error:
            return self._read_rows(self._sealed_files(error), until)

    def _named_files(self) -> list[Place]:
        folder = table_path(self.path, "intakes")
        head = delta.head_version(folder)
        return [] if head is None else delta.list_files(folder, head)

    def _read_rows(self, files: list[Place], until: int | None) -> pd.DataFrame:
        if until is not None:
            files = [file for file in files if row_number(file) <= until]
        rows = delta.read_files(files, INTAKES).sort_by("number")
        self._check_rows(rows, until)
        return to_frame(rows)

    def _sealed_files(self, error: StoreError) -> list[Place]:
        """Files of the rows that the mark acknowledges, without the log; ``error`` is raised where they prove nothing."""
        acknowledged = int(read_mark(self.path).get("snapshots", 0))
        every = list_matching(table_path(self.path, "intakes"), "part-*.parquet")
        files = [file for file in every if row_number(file) <= acknowledged]
        if not files or len({row_number(file) for file in files}) < len(files):
            raise error
        try:
            rows = delta.read_files(files, INTAKES).sort_by("number")
            self._check_rows(rows)
        except StoreError:
            raise error from None
        if rows.column("seal").to_pylist()[-1] is None:
            raise error
        warnings.warn(
            f"{error}; all {acknowledged} snapshots are read without it", StoreWarning, stacklevel=4
        )
        return files

    def _check_rows(self, rows: pa.Table, until: int | None = None) -> None:
        numbers = rows.column("number").to_pylist()
        acknowledged = int(read_mark(self.path).get("snapshots", 0))
        acknowledged = acknowledged if until is None else min(acknowledged, until)
        wanted = set(range(1, max([acknowledged, *numbers]) + 1))
        if len(numbers) != len(wanted) or set(numbers) != wanted:
            gone = ", ".join(map(str, sorted(wanted - set(numbers)))) or "one twice"
            raise StoreError(
                f"{table_path(self.path, 'intakes')}: the row of snapshot {gone} is missing; {delta.advise(self.path)}"
            )
        for row in rows.to_pylist():
            if row["seal"] is not None and row["seal"] != seal_row(row):
                raise StoreError(
                    f"{table_path(self.path, 'intakes')}: the row of snapshot {row['number']} is not as it was "
                    f"written; {delta.advise(self.path)}"
                )

    def snapshots(self, *, until: int | None = None) -> pd.DataFrame:
        """One row a snapshot: number, kind (intake or withdrawal), today, committed_at, withdrawn (the intake
        taken back), note, accepted, duplicate, corrected, quarantined (rows over all tables), files.
        """
        rows = self.intake_rows(until)
        counts = [json.loads(text or "{}") for text in rows["counts"]]
        for name in ("accepted", "duplicate", "corrected", "quarantined"):
            rows[name] = pd.array(
                [sum(table.get(name, 0) for table in c.values()) for c in counts], dtype="Int64"
            )
        rows["files"] = [
            ", ".join(dict.fromkeys(s["file"] for s in json.loads(t or "[]"))) for t in rows["sources"]
        ]
        hide = privacy.open_reader(self.path).mask_text
        rows["files"] = rows["files"].map(hide).astype("str")
        rows["note"] = rows["note"].map(hide, na_action="ignore").astype(rows["note"].dtype)
        return rows.drop(columns=["versions", "counts", "sources", "content", "library", "proof", "seal"])

    def every_snapshot(self) -> list[Snapshot]:
        """All snapshots, oldest first, their rows read once."""
        rows = self.intake_rows()
        return [self.snapshot(int(number), rows=rows) for number in rows["number"]]

    def snapshot(self, as_of: int | None = None, *, rows: pd.DataFrame | None = None) -> Snapshot:
        """The newest snapshot, or number ``as_of``. StoreError when there is none. ``rows``: the store's
        ``intake_rows`` where they are known already.
        """
        rows = self.intake_rows(as_of) if rows is None else rows
        if rows.empty:
            raise StoreError(f"{self.path}: the store is empty; take records in first (ventbook intake)")
        if as_of is None:
            row = rows.iloc[-1]
        else:
            fits = rows[rows["number"] == as_of]
            if fits.empty:
                raise StoreError(
                    f"{self.path}: there is no snapshot {as_of}; the store has 1 to {rows['number'].max()}"
                )
            row = fits.iloc[0]
        content = 1 if pd.isna(row["content"]) else int(row["content"])
        if content > CONTENT:
            raise StoreError(
                f"{self.path}: snapshot {row['number']} was written by ventbook {row['library']}; use that or a later version"
            )
        proof = None
        if isinstance(row["proof"], str):
            proof = fold_proofs(rows.loc[rows["number"] <= row["number"], "proof"])
        versions = json.loads(row["versions"])
        return Snapshot(self.path, int(row["number"]), row["today"].date(), versions, content, proof)

    @property
    def empty(self) -> bool:
        return self.intake_rows().empty


def row_number(file: Place) -> int:
    """The snapshot whose row a file of ``intakes`` holds, by its name."""
    return int(file.name.split("-")[1])


def table_path(store: Place, table: str) -> Place:
    """Where a table's files are."""
    return store / "tables" / table


def open_store(path: str | Path | Address) -> Store:
    """The store of a workshop's records: a folder of tables with every snapshot that was committed.

    Parameters
    ----------
    path : str, Path or Address
        Folder that ``ventbook intake`` made.

    Returns
    -------
    Store
        ``snapshots()`` lists them, ``snapshot(number)`` gives one (default the newest) with its record
        tables.

    Raises
    ------
    StoreError
        With one line, where there is no store at ``path``, or one of another format. It is an InputError.

    See Also
    --------
    ventbook.read_ventings, ventbook.read_lifters : the analysis tables of a store.

    Examples
    --------
    >>> import ventbook
    >>> store = ventbook.open_store("data/demo/store")
    >>> store.snapshots()["number"].tolist()
    [1, 2, 3, 4, 5, 6, 7, 8]
    >>> engines = store.snapshot().read("engines")
    >>> engines.columns[:3].tolist()
    ['engine_id', 'engine_type', 'cylinders']
    """
    path = find_place(path)
    if not path.exists():
        raise StoreError(f"{path}: no such store; check the path, or make one with ventbook intake")
    if not (path / MARK).is_file():
        if table_path(path, "intakes").is_dir():
            raise StoreError(
                f'{path}: {MARK} is missing; put it back from a backup, or write {{"format": {FORMAT}}} into a new one'
            )
        if holds_nothing(path) and (path / LOCK).exists():
            raise StoreError(f"{path}: the store is empty; take records in first (ventbook intake)")
        raise StoreError(
            f"{path}: not a store of ventbook ({MARK} is missing); give the folder made by intake"
        )
    found = read_mark(path)["format"]
    if found != FORMAT:
        raise StoreError(
            f"{path}: store format {found} is not {FORMAT}; use the version of ventbook that made it"
        )
    return Store(path)


def read_mark(path: Place) -> dict[str, Any]:
    """What the mark of a store says: ``format``, how many ``snapshots`` were acknowledged, and ``last``, what the newest
    one's own row rests on (both missing in stores of earlier versions).
    """
    mark = path / MARK
    try:
        found: dict[str, Any] = json.loads(mark.read_text("utf-8"))
        found["format"], int(found.get("snapshots", 0))
    except AddressError:
        raise
    except (ValueError, KeyError, TypeError, OSError):
        raise StoreError(f"{mark}: can't be read; restore it from a copy of the store") from None
    return found


def write_mark(path: Place, **said: Any) -> None:
    """Write a store's mark in one step; it is on the disk when this returns."""
    with delta.tell_trouble(path / MARK):
        write_whole(path / MARK, json.dumps({"format": FORMAT, **said}) + "\n")
    sync_folder(path)


def holds_nothing(path: Place) -> bool:
    """True for a folder that is empty but for what a killed first intake may have left."""
    return {entry.name for entry in path.iterdir() if not is_probe(entry)} <= {LOCK, MARK + ".part"}


def is_made(path: Place) -> bool:
    """True for a store, False for a folder that is missing, empty or half-made; StoreError for any other."""
    if path.is_dir() and not (path / MARK).exists() and holds_nothing(path):
        return False
    return path.exists() and open_store(path) is not None


def create_store(path: str | Path | Address) -> Store:
    """A new store in a folder that is missing or empty; an existing store is opened."""
    path = find_place(path)
    if (path / MARK).exists():
        return open_store(path)
    prepare_folder(path)
    with hold_lock(path / LOCK):
        make_mark(path)
    return open_store(path)


def prepare_folder(path: Place) -> None:
    """Make the folder of a new store, or refuse one that holds other things. A store is left as it is."""
    if (path / MARK).exists() or table_path(path, "intakes").is_dir():
        open_store(path)
        return
    if re.search(r"%[0-9A-Fa-f]{2}", str(path.resolve())):
        raise StoreError(
            f"{path}: a store can't stand in a folder whose name holds {'%25'!r} or the like; rename it"
        )
    try:
        path.mkdir(
            mode=0o700, parents=True, exist_ok=True
        )  # for its owner only; one made beforehand stays as it is
        foreign = not holds_nothing(path) and not (path / MARK).exists()
    except OSError as error:
        raise StoreError(
            f"{path}: can't be written ({error.strerror}); choose a folder you may write"
        ) from None
    if foreign:
        raise StoreError(f"{path}: the folder holds other files; give a new or an empty folder")


def make_mark(path: Place) -> bool:
    """Make a folder a store; True where it was none. The caller holds its lock."""
    if (path / MARK).exists():
        open_store(path)
        return False
    prepare_folder(path)
    write_mark(path)
    return True
