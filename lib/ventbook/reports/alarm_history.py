"""What became of the monitor's alarms from intake to intake: raised, standing, withdrawn because records were corrected, closed.

What each snapshot's records gave is kept in a file beside the store, so that a look back costs nothing. The file may be deleted
at any time: it is made again.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from dataclasses import dataclass
from typing import Any

import pandas as pd

from ventbook import __version__, tables
from ventbook.model import choose_gauges
from ventbook.places import Address, AddressError, Place, place_beside, write_whole
from ventbook.records.store import Snapshot, Store
from ventbook.reports.alarms import (
    ALARM,
    NOTE,
    STANDS,
    WITHDRAWN,
    Alarm,
    list_alarms,
    list_raised,
    read_outcomes,
    watch_page,
)
from ventbook.reports.page import Page, once_a_page
from ventbook.reports.written import last_written, list_rewritten, read_records_of
from ventbook.statistics import monitor

#: Earlier snapshots that are looked at.
LOOK_BACK = 8
ORDER = (NOTE, ALARM)


@dataclass(frozen=True)
class Event:
    """One alarm or note over the intakes: at which it first stood, and at which it no longer did (0: it still does)."""

    stream: str
    year: int
    what: str
    raised: str
    raised_by: str
    first: int
    gone: int
    state: str
    reason: str


@once_a_page
def list_history(page: Page) -> tuple[Event, ...]:
    """Alarms and notes of the page's snapshot and of those before it, by the day that they were raised."""
    store = Store(page.snapshot.path)
    numbers = [int(n) for n in store.snapshots(until=page.snapshot.number - 1)["number"]][-LOOK_BACK:]
    kept = _keep_alarms(page, store, numbers)
    now = {alarm.key: alarm for alarm in list_alarms(page)}
    seen = [*((n, kept[n]) for n in numbers), (page.snapshot.number, [short_alarm(a) for a in now.values()])]
    first: dict[tuple[str, int, str], tuple[int, dict[str, Any]]] = {}
    gone: dict[tuple[str, int, str], int] = {}
    for number, alarms in seen:
        standing = {(a["stream"], a["year"], what): a for a in alarms for what in _steps(a["what"])}
        for key, alarm in standing.items():
            first.setdefault(key, (number, alarm))
            gone.pop(key, None)
        for key in first:
            if key not in standing:
                gone.setdefault(key, number)
    events = []
    for key, (number, alarm) in first.items():
        if key not in gone and alarm["what"] != key[2]:
            continue  # a note that became an alarm within one intake is told as the alarm
        current: Alarm | None = next((a for a in now.values() if (a.name, a.year) == key[:2]), None)
        if key in gone:
            state, reason = WITHDRAWN, "records were corrected or came late"
        else:
            state, reason = (current.state, current.reason) if current else (STANDS, "")
        events.append(
            Event(
                key[0],
                key[1],
                key[2],
                alarm["raised"],
                alarm["raised_by"],
                number,
                gone.get(key, 0),
                state,
                reason,
            )
        )
    return tuple(sorted(events, key=lambda e: (e.raised, e.stream, e.what)))


def _steps(what: str) -> tuple[str, ...]:
    """An alarm was a note before."""
    return ORDER[: ORDER.index(what) + 1]


def short_alarm(alarm: Alarm) -> dict[str, Any]:
    """What is kept of an alarm."""
    return {
        "stream": alarm.name,
        "year": alarm.year,
        "what": alarm.what,
        "raised": alarm.raised.isoformat(),
        "raised_by": alarm.raised_by,
    }


def _keep_alarms(page: Page, store: Store, numbers: list[int]) -> dict[int, list[dict[str, Any]]]:
    """The alarms of these snapshots, from the file beside the store where it holds them."""
    path, made_by = kept_path(store.path), _made_by(page.limits_file)
    kept = read_kept(path, made_by)
    missing = [n for n in numbers if n not in kept]
    for number in missing:
        kept[number] = _alarms_of(store.snapshot(number), page)
    if missing:
        _write_kept(path, made_by, kept)
    return kept


def _alarms_of(old: Snapshot, page: Page) -> list[dict[str, Any]]:
    """What :func:`short_alarm` says of each alarm and note of an earlier snapshot, without their sizes."""
    watched = monitor.monitor_streams(outcomes_then(page, old))
    rows = list_raised(watched).drop_duplicates(["stream", "level", "year"])
    by = watched.outcomes.iloc[rows["raised"].to_numpy(int)]
    return [
        {
            "stream": f"{row['stream']} {row['level']}",
            "year": int(row["year"]),
            "what": NOTE if row["quiet"] else ALARM,
            "raised": day.date().isoformat(),
            "raised_by": str(name),
        }
        for row, day, name in zip(rows.to_dict("records"), by["date"], by["venting_id"], strict=True)
    ]


def outcomes_then(page: Page, old: Snapshot) -> pd.DataFrame:
    """The monitor's table of outcomes of an earlier snapshot: today's row of each venting of which nothing was written since."""
    records = old.records()
    if choose_gauges(records, None) != page.gauges:  # a study came in since: all findings may read otherwise
        return read_outcomes(records, limits=page.limits)
    today, last = watch_page(page).outcomes, last_written(page)
    kept = today[(today["venting_id"].map(last) <= old.number).to_numpy(bool)]
    other = list_rewritten(page, old)
    if other.empty:
        return kept.reset_index(drop=True)
    made = read_outcomes(
        read_records_of(old, other, records["engines"]), limits=page.limits, gauges=page.gauges
    )
    both = pd.concat([kept, made.astype(kept.dtypes.to_dict())])
    return both.sort_values(["date", "venting_id"], kind="stable", ignore_index=True)


def kept_path(store: Place) -> Place:
    """The file beside a store in which alarms are kept by snapshot."""
    return place_beside(store, f".{store.resolve().name}.alarms.json")


def read_kept(path: Place, made_by: str) -> dict[int, list[dict[str, Any]]]:
    """What is kept, by snapshot; nothing where it was made by other code, tables or limits, or can't be read."""
    try:
        content = json.loads(path.read_text("utf-8"))
        if content["made_by"] != made_by:
            return {}
        return {int(number): list(alarms) for number, alarms in content["snapshots"].items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}


def _write_kept(path: Place, made_by: str, kept: dict[int, list[dict[str, Any]]]) -> None:
    """Puts the file in place whole; a folder that can't be written into only means that it is worked out again."""
    text = json.dumps({"made_by": made_by, "snapshots": kept}, indent=1)
    if isinstance(path, Address):
        with contextlib.suppress(AddressError):
            write_whole(path, text + "\n")
        return
    fresh = path.with_name(f"{path.name}.{os.getpid()}")
    with contextlib.suppress(OSError):
        fresh.write_text(text + "\n", "utf-8")
        fresh.replace(path)


def _made_by(limits_file: Place | None) -> str:
    digest = hashlib.sha256(__version__.encode())
    for path in (tables.DATA / "monitor.toml", tables.DATA / "limits.toml", limits_file):
        digest.update(path.read_bytes() if path is not None else b"")
    return digest.hexdigest()
