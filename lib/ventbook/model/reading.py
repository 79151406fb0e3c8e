"""The analysis tables straight from a store, held against the limits beside it."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import pandas as pd

from ventbook.model.lifters import build_lifters
from ventbook.model.ventings import build_ventings
from ventbook.records.store import Store, open_store
from ventbook.tables import Limits


def read_ventings(
    store: Store | str | Path, *, as_of: int | None = None, limits: Limits | None = None
) -> pd.DataFrame:
    """One row a venting of a store: the table that every report starts from (columns see :func:`build_jobs`).

    Parameters
    ----------
    store : an open store or its folder.
    as_of : number of a snapshot; default the newest.
    limits : limits in force; default the shop's own ``limits.toml`` beside the store and, where it has no row, the
        placeholders: the same as the reports take.

    Raises
    ------
    StoreError
        With one line, where there is no store or no such snapshot.
    """
    return build_ventings(_open(store).snapshot(as_of).records(), limits=limits)


def read_lifters(
    store: Store | str | Path,
    *,
    as_of: int | None = None,
    limits: Limits | None = None,
    columns: Iterable[str] | None = None,
) -> pd.DataFrame:
    """One row a lifter and venting of a store (columns see :func:`build_lifters`); arguments as :func:`read_ventings`.

    ``columns``: only these; all of them take half a gigabyte for a million lifters.
    """
    return build_lifters(_open(store).snapshot(as_of).records(), limits=limits, columns=columns)


def _open(store: Store | str | Path) -> Store:
    return store if isinstance(store, Store) else open_store(store)
