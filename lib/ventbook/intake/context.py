"""What the rows of an intake refer to: engines and ventings of the store and of the intake together."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa

from ventbook import dictionary
from ventbook.dictionary import Limits

IN_STORE = -1  # stands for the place of a row that is the store's and not this intake's
Frames = Callable[[str], tuple[pd.DataFrame, np.ndarray]]


@dataclass
class Context:
    """What the rows of an intake refer to: store and intake together, the intake's rows winning; made when asked for.

    ``merge`` gives for a table its rows and for each its row in this intake, ``IN_STORE`` for the store's; ``find_held`` the
    keys of parent rows that are held; ``earlier`` the store's own rows of a table. ``limits_file`` is the shop's own table
    of limits beside the store.
    """

    merge: Frames
    find_held: Callable[[], dict[str, set[str]]]
    earlier: Callable[[str], pa.Table | None]
    today: pd.Timestamp
    limits_file: Path | None = None

    @cached_property
    def engines(self) -> pd.DataFrame:
        """Engines, indexed by engine_id."""
        frame, _ = self.merge("engines")
        return frame.set_axis(pd.Index(frame["engine_id"].astype(object)))

    @cached_property
    def limits(self) -> Limits:
        """The limits in force: the shop's own and the placeholders."""
        return dictionary.limits(
            self.limits_file, engine_types=self.engines["engine_type"].dropna().unique().tolist()
        )

    @cached_property
    def venting_rows(self) -> tuple[pd.DataFrame, np.ndarray]:
        """Ventings, and the row of each in this intake, ``IN_STORE`` for the store's."""
        return self.merge("ventings")

    @cached_property
    def ventings(self) -> pd.DataFrame:
        """Ventings (engine_id, date, site, pressure_threshold_bar), indexed by venting_id."""
        frame, _ = self.venting_rows
        return frame.set_axis(pd.Index(frame["venting_id"].astype(object)))

    @cached_property
    def held(self) -> dict[str, set[str]]:
        """Keys of parent rows that are held, by table."""
        return self.find_held()

    def of_venting(self, ids: pa.ChunkedArray, column: str) -> pd.Series:
        """A column of ventings for each id, missing where there is none."""
        at = self.ventings.index.get_indexer(index_of(ids))
        return take_at(self.ventings[column], at)

    def of_engine(self, ids: pd.Series, column: str) -> pd.Series:
        """A column of engines for each id, missing where there is none."""
        at = self.engines.index.get_indexer(pd.Index(ids.astype(object)))
        return take_at(self.engines[column], at)


def at_own(mask: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """``mask`` of the intake's rows at the places ``rows``; False where a place is ``IN_STORE``."""
    found = np.zeros(len(rows), dtype=bool)
    own = rows != IN_STORE
    found[own] = mask[rows[own]]
    return found


def index_of(ids: pa.ChunkedArray) -> pd.Index:
    return pd.Index(ids.to_pandas().astype(object))


def take_at(column: pd.Series, at: np.ndarray) -> pd.Series:
    found = column.iloc[np.where(at < 0, 0, at)] if len(column) else column.reindex(range(len(at)))
    return found.reset_index(drop=True).where(pd.Series(at >= 0))
