"""What the page for the stand is filled ahead with: a planned job, its engine, the manual's limits and where to stop."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from typing import Any

import pandas as pd

from ventbook.places import Place
from ventbook.records.forms import Job
from ventbook.reports.alarms import STANDS, list_alarms, warning_sentences
from ventbook.reports.page import Page, open_page
from ventbook.reports.planned_venting.ahead import past_constants, the_row
from ventbook.reports.scope import cut_before
from ventbook.statistics.forecast import predict_rotations
from ventbook.tables import record_tables

LEFT_EMPTY = ("technician",)  # kept as a code only
GAUGE_DAYS = (
    180  # before the records' date: a gauge that alone was used at the site since then is the one to expect
)
BOUNDS = {"rotations_max": "high", "time_to_pressure": "high", "check_hold": "reference"}


def prepare_job(planned: str, *, store: str | Place) -> Job:
    """What a form is filled ahead with, from a planned venting and the records.

    Parameters
    ----------
    planned : str
        Number of the planned venting.
    store : str, Path or Address
        Where the store lies.

    Returns
    -------
    Job
        Values in canonical units, the limits of the manual in force on the planned day (placeholders are none), the
        crankshaft rotations by which 95 in 100 such ventings had pressure, and the monitor's standing alarms and notes on the
        job's lot and site and on the gauges that the site used of late.

    Raises
    ------
    InputError
        With one line, where there is no such store or planned venting.

    Examples
    --------
    >>> from ventbook.reports.planned_venting import prepare_job
    >>> job = prepare_job("plan-1", store="data/demo/store")
    >>> job.values["engines"]["cylinders"], job.manual["rotations_max"], job.look_at < 230
    (4, 230.0, True)
    """
    page = open_page("planned-venting", {"store": str(store), "planned": planned})
    rows = the_row(page)
    row = rows.iloc[0]
    manual, revision = _manual_limits(page, row)
    gauges = recent_gauges(page, row)
    return Job(
        name=planned,
        values={
            "ventings": _values("planned", row),
            "engines": {**_usual_feed_order(page, row), **_values("engines", row)},
            "lifter_checks": {"gauge": gauges[0]} if len(gauges) == 1 else {},
        },
        manual=manual,
        revision=revision,
        look_at=_look_at(page, rows),
        alarms=_open_alarms(page, row, gauges),
    )


def _values(table: str, row: pd.Series) -> dict[str, Any]:
    """The row's values by column name; nothing for what is not recorded."""
    columns = [c for c in record_tables()[table].columns if c.name not in (*LEFT_EMPTY, "date")]
    found = {c.name: row[c.stored] for c in columns if c.stored in row.index and pd.notna(row[c.stored])}
    return {name: value.item() if hasattr(value, "item") else value for name, value in found.items()}


def _manual_limits(page: Page, row: pd.Series) -> tuple[dict[str, float], str]:
    found, revision = {}, ""
    for step, bound in BOUNDS.items():
        limit = page.limits.find(step, str(row["engine_type"]), row["date"].date())
        if limit is not None and limit.status == "manual" and getattr(limit, bound) is not None:
            found[step], revision = float(getattr(limit, bound)), limit.revision
    return found, revision


def _look_at(page: Page, rows: pd.DataFrame) -> float | None:
    """As the sheet has it: from the ventings before the records' date, None where nothing can be said."""
    past = cut_before(page.all_jobs, page.today)
    if past.empty:
        return None
    stop = float(predict_rotations(past, rows, constants=past_constants(page))["stop"].iloc[0])
    return stop if math.isfinite(stop) else None


def _usual_feed_order(page: Page, row: pd.Series) -> Mapping[str, str]:
    """The feed order that most engines of the type have, where this one's is not recorded."""
    if pd.notna(row["feed_order"]):
        return {}
    engines = page.records["engines"]
    known = engines.loc[engines["engine_type"] == row["engine_type"], "feed_order"].dropna()
    return {"feed_order": str(known.mode().iloc[0])} if len(known) else {}


def recent_gauges(page: Page, row: pd.Series) -> list[str]:
    """Gauges that the site used of late."""
    own = page.all_lifters
    recent = own["date"] >= pd.Timestamp(page.today) - pd.Timedelta(days=GAUGE_DAYS)
    used = own.loc[recent & own["site"].eq(row["site"]).fillna(False), "gauge"].dropna()
    return sorted(str(gauge) for gauge in used.unique())


def _open_alarms(page: Page, row: pd.Series, gauges: Collection[str]) -> tuple[str, ...]:
    """What the monitor says of the job's lot and site, and of the gauges that may be used on it."""
    streams = {("lot", str(row["lifter_lot"])), ("site", str(row["site"])), *(("gauge", g) for g in gauges)}
    standing = [a for a in list_alarms(page) if a.state == STANDS and (a.stream, a.level) in streams]
    return tuple(warning_sentences(standing))
