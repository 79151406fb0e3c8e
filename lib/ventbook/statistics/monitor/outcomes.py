"""What each venting tells the monitor: whether it failed, of which kind, and which streams it belongs to."""

from __future__ import annotations

import pandas as pd

from ventbook.numerics import is_among
from ventbook.statistics import causes
from ventbook.statistics.monitor.settings import FAILING, LEAK_DOWN, load_settings

#: What came through the door, as the review's expectation allows for it; what the workshop does about it is left out.
MIX = ("reason", "lines_empty", "cooler_empty", "filter_new")
#: Columns of the lifter table that are needed.
LIFTER_COLUMNS = ("venting_id", "over_first", "cause", "gauge")
LEAKING = ("leak_down", "both")


def list_outcome_columns() -> list[str]:
    """What a venting's outcome is told with: the columns of the streams and of the mix, besides its own."""
    streams = [rule.column for rule in load_settings().rules]
    return list(dict.fromkeys(["venting_id", "engine_id", "date", *streams, *MIX]))


def list_outcomes(ventings: pd.DataFrame, lifters: pd.DataFrame) -> pd.DataFrame:
    """The ventings that count, in the order of the days, with outcome, streams and mix.

    Parameters
    ----------
    ventings, lifters : DataFrame
        The analysis tables, whole; of ``lifters`` the columns venting_id, over_first, cause and gauge.

    Returns
    -------
    DataFrame
        venting_id, engine_id, date, ``failing`` (a lifter over the limit at the first check), ``leak_down`` (one
        of these by leak-down), the columns of the streams and of the mix. An open job without a result counts as
        passed, a closed one without is left out.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import monitor
    >>> ventings, lifters = ventbook.read_ventings("data/demo/store"), ventbook.read_lifters("data/demo/store")
    >>> outcomes = monitor.list_outcomes(ventings, lifters)
    >>> bool(outcomes["failing"].sum() > outcomes["leak_down"].sum())
    True
    """
    jobs = (
        ventings
        if "gauge" in ventings
        else causes.add_lifter_columns(ventings, lifters[["venting_id", "gauge"]])
    )
    waiting = jobs["open"].fillna(False).to_numpy(bool)
    failed = jobs["failed_first"].astype("boolean")
    failed = failed.mask(failed.isna().to_numpy() & waiting, False)
    over = lifters["over_first"].fillna(False).to_numpy(bool)
    leaks = lifters["cause"].isin(LEAKING).to_numpy() & over
    leaking = is_among(jobs["venting_id"], lifters.loc[leaks, "venting_id"])
    table = jobs.reindex(columns=list_outcome_columns()).assign(
        **{
            FAILING: failed.fillna(False).to_numpy(bool),
            LEAK_DOWN: leaking & failed.fillna(False).to_numpy(bool),
        }
    )
    table = table[failed.notna().to_numpy() & table["date"].notna().to_numpy()]
    return table.sort_values(["date", "venting_id"], kind="stable", ignore_index=True)
