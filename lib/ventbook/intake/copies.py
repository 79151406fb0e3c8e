"""Patterns of copying: days and rows that repeat, gauges stuck at a value, columns that never vary."""

from __future__ import annotations

import numpy as np
import pandas as pd

from .context import Context
from .faults import Fault, Pattern, note_site, thresholds
from .site_rows import SiteRows, group_rows


def copied_days(rows: SiteRows, context: Context) -> list[Fault]:
    """A day of ventings whose measured values all equal another day's."""
    rules = thresholds()["copies"]
    at, hashed = rows.measured
    if not len(at):
        return []
    site, day = rows.site[at], rows.day[at]
    order, starts = group_rows(site, day)
    # the sum of the rows' hashes is the same in any order of rows
    days = pd.DataFrame(
        {
            "site": site[order[starts]],
            "day": day[order[starts]],
            "n": np.diff(starts, append=len(order)),
            "set": np.add.reduceat(hashed[order], starts),
            "row": rows.row[at[order[starts]]],
        }
    )
    days = days[days["n"] >= rules["min_rows"]]
    answer = []
    for _, same in days[days.duplicated(["site", "set"], keep=False)].groupby(["site", "set"], sort=True):
        name, first = rows.site_names[same["site"].iloc[0]], np.datetime64(int(same["day"].iloc[0]), "D")
        for again, n, row in zip(same["day"].iloc[1:], same["n"].iloc[1:], same["row"].iloc[1:], strict=True):
            words = {"value": str(np.datetime64(int(again), "D")), "low": str(first), "n": int(n)}
            answer.append(note_site("copied_day", "date", int(row), site=name, **words))
    return answer


def copied_rows(rows: SiteRows, context: Context) -> list[Fault]:
    """The same set of measured values on several ventings of a site."""
    least = int(thresholds()["copies"]["vector_rows"])
    at, hashed = rows.measured
    ordered = np.sort(hashed)
    often = np.unique(ordered[least - 1 :][ordered[least - 1 :] == ordered[: len(ordered) - least + 1]])
    answer = []
    if len(often):
        own = np.isin(hashed, often)
        part = pd.DataFrame({"site": rows.site[at][own], "hash": hashed[own], "row": rows.row[at][own]})
        for _, same in part.groupby(["site", "hash"], sort=True):
            if len(same) >= least:
                site = rows.site_names[same["site"].iloc[0]]
                words = {"site": site, "n": len(same), "table": "ventings"}
                answer.append(note_site("copied_rows", "", int(same["row"].iloc[0]), **words))
    return answer


def stuck_gauge(rows: SiteRows, context: Context) -> list[Fault]:
    """One gauge reading the same gap on many lifters in a row, as the file has them."""
    run = thresholds()["copies"]["stuck_run"]
    frame = rows.frame
    answer = []
    part = frame[frame["gauge"].notna() & frame["gap_mm"].notna() & (frame["gap_mm"] > 0)]
    for (site, gauge), own in part.groupby(["site", "gauge"], sort=True, observed=True):
        change = (own["gap_mm"] != own["gap_mm"].shift()).cumsum()
        sizes = own.groupby(change)["gap_mm"].agg(["size", "first"])
        long = sizes[sizes["size"] >= run]
        if len(long):
            first = own[change == long.index[0]]["row"]
            words = {"value": gauge, "low": f"{long['first'].iloc[0]:g}", "n": int(long["size"].iloc[0])}
            answer.append(note_site("value_stuck", "gap", int(first.iloc[0]), site=site, **words))
    return answer


def no_spread(column: str, stored: str) -> Pattern:
    """A measured column that never varies at a site within a month (never by person)."""

    def rule(rows: SiteRows, context: Context) -> list[Fault]:
        least = thresholds()["spread"]["min_values"]
        order, starts = rows.by_month
        values = rows.numbers(stored)[order]
        count = np.add.reduceat(~np.isnan(values), starts, dtype=np.int64)
        lowest, highest = np.fmin.reduceat(values, starts), np.fmax.reduceat(values, starts)
        answer = []
        for group in np.flatnonzero((count >= least) & (lowest == highest)):
            end = starts[group + 1] if group + 1 < len(starts) else len(order)
            own = order[starts[group] : end]
            first = own[~np.isnan(rows.numbers(stored)[own])][0]
            words = {
                "value": str(rows.frame["date"].iloc[first])[:7],
                "low": f"{lowest[group]:g}",
                "n": int(count[group]),
                "site": rows.site_names[rows.site[first]],
            }
            answer.append(note_site("no_spread", column, int(rows.row[first]), **words))
        return answer

    return rule
