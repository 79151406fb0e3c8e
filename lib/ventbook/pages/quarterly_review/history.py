"""The records as an earlier review had them, read from the snapshot it stood on.

Reports keep no state. What an earlier review said is worked out again from the first snapshot made after its period was
over and before the next one was.
"""

from __future__ import annotations

from typing import Any
from weakref import WeakKeyDictionary

import numpy as np
import pandas as pd

from ventbook.numerics import find_places
from ventbook.pages.base import Page
from ventbook.pages.period import Period
from ventbook.pages.quarterly_review.facts import NEEDED, Facts, add_readings, label_steps

#: Record tables that a venting's row in the analysis tables is made from, besides its engine's.
PARTS = ("ventings", "starts", "lifter_checks")
_WRITTEN: WeakKeyDictionary[Page, pd.Series] = WeakKeyDictionary()
_OF_TODAY: WeakKeyDictionary[Page, np.ndarray] = (
    WeakKeyDictionary()
)  # the same, a number a venting of facts.jobs


def snapshot_of(page: Page, step: Period) -> Any:
    """The snapshot that the review of ``step`` stood on, or None: first one dated between its end and the next end."""
    path = getattr(page.snapshot, "path", None)
    if path is None:
        return None
    from ventbook.store import open_store

    rows = page.records["intakes"]
    length = pd.Timestamp(step.end) - pd.Timestamp(step.start)
    day = pd.to_datetime(rows["today"])
    fits = rows[(day >= pd.Timestamp(step.end)) & (day < pd.Timestamp(step.end) + length)]
    return open_store(path).snapshot(int(fits["number"].iloc[0])) if len(fits) else None


def ventings_then(page: Page, facts: Facts, old: Any) -> pd.DataFrame:
    """Ventings of the earlier snapshot ``old`` with the columns NEEDED.

    Ventings none of whose rows was written since are taken from today's table; only the others are read from the
    snapshot and worked out again.
    """
    from ventbook import store
    from ventbook.jobs import build_jobs, build_lifters

    steps = facts.steps
    ids = store.to_frame(old.read_arrow("ventings", ["venting_id"]))["venting_id"]
    place = find_places(ids, facts.jobs["venting_id"])
    same = np.zeros(len(facts.jobs) + 1, bool)
    same[place] = True
    same[-1] = False  # place -1: a venting that is not among today's
    if page not in _OF_TODAY:
        _OF_TODAY[page] = facts.jobs["venting_id"].map(last_written(page)).to_numpy(float)
    same[:-1] &= _OF_TODAY[page] <= old.number
    known = facts.jobs.loc[same[:-1], list(NEEDED)]
    other = ids[~same[place]]
    if other.empty:
        return known
    part = {name: read_part(old, name, other) for name in PARTS}
    part["engines"] = old.read("engines")
    lifters = build_lifters(part, limits=page.limits)
    made = page.keep(add_readings(build_jobs(part, limits=page.limits, lifters=lifters), lifters))
    made = label_steps(made, steps)
    made = made.reindex(columns=list(NEEDED)).astype(known.dtypes.to_dict())
    return pd.concat([known, made]).sort_values(["date", "venting_id"], kind="stable").reset_index(drop=True)


def last_written(page: Page) -> pd.Series:
    """Number of the intake that last wrote a row of each venting (its own, a start, a lifter check, its engine)."""
    if page in _WRITTEN:
        return _WRITTEN[page]
    from ventbook import store

    def read(table: str, *columns: str) -> pd.DataFrame:
        return store.to_frame(page.snapshot.read_arrow(table, columns))

    ventings = read("ventings", "venting_id", "engine_id", "_intake")
    engines = read("engines", "engine_id", "_intake")
    place = find_places(ventings["engine_id"], engines["engine_id"])
    last = np.maximum(
        ventings["_intake"].to_numpy(float), np.append(engines["_intake"].to_numpy(float), 0.0)[place]
    )
    for name in PARTS[1:]:
        rows = read(name, "venting_id", "_intake")
        place = find_places(rows["venting_id"], ventings["venting_id"])
        np.maximum.at(last, place[place >= 0], rows["_intake"].to_numpy(float)[place >= 0])
    # What a withdrawal took away leaves no mark on the rows that stay: then everything before it is read again.
    intakes = page.records["intakes"]
    latest = intakes.loc[intakes["withdrawn"].notna(), "number"].max()
    last = np.maximum(last, 0.0 if pd.isna(latest) else float(latest))
    _WRITTEN[page] = pd.Series(last, pd.Index(ventings["venting_id"]))
    return _WRITTEN[page]


def read_part(old: Any, table: str, ids: pd.Series) -> pd.DataFrame:
    """The rows of some ventings from a snapshot's table, typed and sorted as a whole read gives them."""
    import pyarrow as pa
    import pyarrow.compute as pc

    from ventbook import store

    rows = old.read_arrow(table)
    rows = rows.filter(
        pc.is_in(rows["venting_id"], value_set=pa.array(ids.tolist(), rows["venting_id"].type))
    )
    rows = rows.sort_by([(name, "ascending") for name in store.key_of(table)])
    return store.to_frame(rows.select([n for n in rows.column_names if n not in store.BOOKKEEPING.names]))


def intakes_of(page: Page, facts: Facts) -> set[int]:
    """Numbers of the intakes that brought the period's ventings (all of them where that isn't known)."""
    if getattr(page.snapshot, "path", None) is None:
        return set(page.records["intakes"]["number"].astype(int))
    return set(facts.now["venting_id"].map(last_written(page)).dropna().astype(int))
