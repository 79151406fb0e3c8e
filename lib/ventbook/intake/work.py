"""What is known while an intake runs: the store before it, the tables read so far, and what they refer to."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa

from ventbook import dictionary, privacy
from ventbook.store import Snapshot, record_schema, to_frame

from .context import IN_STORE, Context
from .keys import Outcome, key_texts
from .load import Loaded


@dataclass
class Work:
    """What is known while an intake runs."""

    before: Snapshot | None
    today: dt.date
    coder: privacy.NameCoder
    cluster: str | None = None
    store: Path | None = None
    tables: dict[str, Loaded] = field(default_factory=dict)
    outcomes: dict[str, Outcome] = field(default_factory=dict)
    stored: dict[str, pa.Table] = field(default_factory=dict)
    context: Context | None = None

    def earlier(self, table: str) -> pa.Table | None:
        """The store's rows of a table, read once."""
        if self.before is None or table not in self.before.versions:
            return None
        if table not in self.stored:
            self.stored[table] = self.before.read_arrow(table)
        return self.stored[table]


def find_context(work: Work) -> Context:
    if work.context is None:
        work.context = Context(
            partial(_merge, work),
            partial(_held_keys, work),
            work.earlier,
            pd.Timestamp(work.today),
            None if work.store is None else dictionary.find_own_limits(work.store),
        )
    return work.context


def _merge(work: Work, table: str) -> tuple[pd.DataFrame, np.ndarray]:
    """Store and accepted rows of the intake together, the intake's winning; and for each its row in the intake,
    ``IN_STORE`` for the store's.
    """
    columns = {
        "engines": [
            "engine_id",
            "engine_type",
            "cylinders",
            "valves_per_cylinder",
            "propeller_blades",
            "plunger_travel_mm",
            "rocker_ratio",
        ],
        "ventings": ["venting_id", "engine_id", "date", "site", "pressure_threshold_bar"],
    }[table]
    key = columns[0]
    frames, own = [], np.zeros(0, dtype=np.int64)
    if table in work.outcomes:
        good = work.outcomes[table].good
        own = np.flatnonzero(good)
        # One intake may hold a row twice (two deliveries taken in at once).
        own = own[first_of_each(work.tables[table].key_codes[own])]
        kept = np.zeros(len(good), dtype=bool)
        kept[own] = True
        frames.append(to_frame(work.tables[table].rows.select(columns).filter(pa.array(kept))))
    earlier = work.earlier(table)
    if earlier is not None:
        frames.append(to_frame(earlier.select(columns)))
    if not frames:
        frames = [to_frame(dictionary_schema(table, columns))]
    frame = pd.concat(frames, ignore_index=True) if len(frames) > 1 else frames[0]
    rows = np.concatenate([own, np.full(len(frame) - len(own), IN_STORE)])
    if len(frames) > 1:
        first = ~frame[key].duplicated().to_numpy()
        frame, rows = frame[first], rows[first]
    return frame, rows


def first_of_each(codes: np.ndarray) -> np.ndarray:
    """True at the first of equal whole numbers."""
    if not len(codes) or np.bincount(codes).max() <= 1:
        return np.ones(len(codes), dtype=bool)
    return ~pd.Series(codes).duplicated().to_numpy()


def dictionary_schema(table: str, columns: Sequence[str]) -> pa.Table:
    """An empty table of some columns."""
    return record_schema(table).empty_table().select(list(columns))


def _held_keys(work: Work) -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    earlier = work.earlier("quarantine")
    for table in ("engines", "ventings"):
        keys: set[str] = set()
        if earlier is not None:
            for row in earlier.select(["table", "key"]).to_pylist():
                if row["table"] == table:
                    keys.add(row["key"])
        if table in work.outcomes:
            loaded, held = work.tables[table], work.outcomes[table].held
            if held.any():
                keys |= set(key_texts(loaded.rows.filter(pa.array(held)), loaded.table.key))
        found[table] = keys - {""}
    return found


def sites_of(work: Work, loaded: Loaded, rows: np.ndarray) -> list[str | None]:
    """The site of some rows, by their own column or their venting's; None where not known."""
    if "site" in loaded.rows.column_names:
        return loaded.rows.column("site").take(pa.array(rows)).to_pylist()
    if "venting_id" not in loaded.rows.column_names or not len(rows):
        return [None] * len(rows)
    ids = loaded.rows.column("venting_id").take(pa.array(rows))
    return [None if pd.isna(value) else str(value) for value in find_context(work).of_venting(ids, "site")]
