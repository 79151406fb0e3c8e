"""Which intake last wrote what is on record of each venting, so that an earlier snapshot is read only where it differs from today's."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ventbook.numerics import find_places
from ventbook.records import store
from ventbook.records.store import Snapshot
from ventbook.reports.page import Page, once_a_page

#: Record tables that a venting's row in the analysis tables is made from, besides its engine's.
PARTS = ("ventings", "starts", "lifter_checks")


@once_a_page
def last_written(page: Page) -> pd.Series:
    """Number of the intake that last wrote a row of each venting (its own, a start, a lifter check, its engine)."""

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
    return pd.Series(last, pd.Index(ventings["venting_id"]))


def list_rewritten(page: Page, old: Snapshot) -> pd.Series:
    """Ventings of the earlier snapshot ``old`` of which a row was written since, or that are gone."""
    ids = store.to_frame(old.read_arrow("ventings", ["venting_id"]))["venting_id"]
    written = last_written(page)
    last = np.append(written.to_numpy(), np.inf)[find_places(ids, written.index.to_series())]
    return ids[last > old.number]


def read_records_of(old: Snapshot, ventings: pd.Series, engines: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """The record tables PARTS of some ventings, by id, as an earlier snapshot has them, with its ``engines``."""
    return {name: old.read_of(name, ventings) for name in PARTS} | {"engines": engines}
