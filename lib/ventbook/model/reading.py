"""The analysis tables straight from a store, held against the limits beside it."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from ventbook.model.lifters import build_lifters
from ventbook.model.ventings import build_ventings
from ventbook.places import Place
from ventbook.records.store import Store, open_store
from ventbook.tables import Limits


def read_ventings(
    store: Store | str | Place, *, as_of: int | None = None, limits: Limits | None = None
) -> pd.DataFrame:
    """One row a venting of a store: the table that every report starts from.

    Parameters
    ----------
    store : Store, str, Path or Address
        An open store, or where it lies.
    as_of : int, optional
        Number of a snapshot; default the newest.
    limits : Limits, optional
        Limits in force; default the shop's own ``limits.toml`` beside the store and, where it has no row, the
        placeholders of ``data/limits.toml``: the same as the reports take.

    Returns
    -------
    DataFrame
        One row a venting, sorted by date and venting_id. Every column with unit and meaning stands in
        ``data/analysis_columns.toml`` (:func:`ventbook.tables.describe_columns`).

    Raises
    ------
    StoreError
        With one line, where there is no store or no such snapshot.
    TableError
        With one line, where the table of limits can't be used.

    Notes
    -----
    An interval (low, high] of a reading leaves out its lower and holds its upper end; an upper end of
    infinity is a run or turning given up without pressure. A missing value is "not recorded", never no or 0.

    Examples
    --------
    >>> import ventbook
    >>> ventings = ventbook.read_ventings("data/demo/store")
    >>> first = ventings.iloc[0]
    >>> print(first["venting_id"], first["site"], first["time_low_s"], first["time_high_s"])
    L24-001 Lake 2.75 3.25
    >>> earlier = ventbook.read_ventings("data/demo/store", as_of=1)
    >>> earlier["quarter"].unique().tolist()
    ['2024Q4']
    """
    return build_ventings(_open(store).snapshot(as_of).records(), limits=limits)


def read_lifters(
    store: Store | str | Place,
    *,
    as_of: int | None = None,
    limits: Limits | None = None,
    columns: Iterable[str] | None = None,
) -> pd.DataFrame:
    """One row a lifter and venting of a store: first and last reading, and how sure it is over the limit.

    Parameters
    ----------
    store : Store, str, Path or Address
        An open store, or where it lies.
    as_of : int, optional
        Number of a snapshot; default the newest.
    limits : Limits, optional
        Limits in force; default the shop's own beside the store, else the placeholders, as for
        :func:`read_ventings`.
    columns : iterable of str, optional
        Only these; all of them take half a gigabyte for a million lifters. Default all.

    Returns
    -------
    DataFrame
        One row a lifter and venting, sorted by date, venting, cylinder and valve. Every column with unit and
        meaning stands in ``data/analysis_columns.toml`` (:func:`ventbook.tables.describe_columns`).

    Raises
    ------
    StoreError
        With one line, where there is no store or no such snapshot.
    TableError
        With one line, where the table of limits can't be used.

    Notes
    -----
    A gap on the limit is within it. A reading under 80 % of the limit's force that stays within the limit
    says nothing and is missing in ``over_first`` (:mod:`ventbook.model.verdicts`).

    Examples
    --------
    >>> import ventbook
    >>> lifters = ventbook.read_lifters("data/demo/store", columns=["position", "gap_first_mm", "over_first"])
    >>> lifters.columns.tolist()
    ['position', 'gap_first_mm', 'over_first']
    >>> lifters["position"].unique()[:2].tolist()
    ['1 exhaust', '1 inlet']
    """
    return build_lifters(_open(store).snapshot(as_of).records(), limits=limits, columns=columns)


def _open(store: Store | str | Place) -> Store:
    return store if isinstance(store, Store) else open_store(store)
