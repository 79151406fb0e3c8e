"""Alarms and notes of the monitor for every page that speaks of them: what stands, what was closed, and in which words."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from ventbook import tables
from ventbook.document import wording
from ventbook.model import build_lifters, verdicts
from ventbook.places import Place, place_beside
from ventbook.records.store import Snapshot, take_columns
from ventbook.reports.page import Page, once_a_page
from ventbook.reports.scope import find_path
from ventbook.statistics import monitor
from ventbook.statistics.monitor import Monitor
from ventbook.statistics.monitor.outcomes import list_outcome_columns
from ventbook.tables import Gauges, Limits
from ventbook.tables.reader import TableError, read_rows

ALARM, NOTE = "alarm", "note"
STANDS, FADED, CLOSED, WITHDRAWN = "stands", "faded", "closed", "withdrawn"
STATE_WORDS = {
    STANDS: "stands",
    FADED: "evidence went back",
    CLOSED: "closed",
    WITHDRAWN: "withdrawn: records corrected",
}
KIND_WORDS = {monitor.FAILING: "all failures", monitor.LEAK_DOWN: "leak-down"}
#: Days on either side of a stream's first venting within which a lot, gauge or revision that came in is told.
CAME_IN_DAYS = 45
#: What a stream's ventings share is told from this share on, and only at so many times that of the others.
SHARED, MORE = 0.5, 1.5
NOT_FIRM = "This alarm is held to the monitor's own promise for a year; it has not passed the quarter's stricter allowance yet."


@dataclass(frozen=True)
class Closing:
    """A row of ``alarms.toml``."""

    stream: str
    closed: str
    reason: str

    def __post_init__(self) -> None:
        try:
            dt.date.fromisoformat(self.closed)
        except ValueError:
            raise ValueError(f"closed must be a date like 2026-02-01; got {self.closed!r}") from None
        names = [rule.name for rule in monitor.load_settings().rules]
        if not any(self.stream.startswith(f"{name} ") for name in names):
            raise ValueError(f"stream must begin with {', '.join(names)}; got {self.stream!r}")
        if not self.reason.strip():
            raise ValueError("reason must say why; it is empty")


@dataclass(frozen=True)
class Alarm:
    """An alarm or a note as of a snapshot.

    ``kind`` is the kind of finding that speaks loudest; ``since`` and ``since_venting`` the venting that its evidence
    counts from; ``raised`` and ``raised_by`` the venting that raised it, the ``at``-th that counts; ``ventings`` all that
    count so far, ``failing`` those of them that failed, against ``expected``. ``odds_ratio`` is drawn towards 1,
    ``at_least`` holds at every look. ``evidence`` is what it is now, ``limit`` what an alarm takes; ``firm`` says that it
    passed what the quarter's own allowance asks for.
    """

    stream: str
    level: str
    year: int
    what: str
    kind: str
    since: dt.date
    since_venting: str
    raised: dt.date
    raised_by: str
    at: int
    ventings: tuple[str, ...]
    failing: tuple[str, ...]
    expected: float
    odds_ratio: float
    at_least: float
    evidence: float
    limit: float
    firm: bool
    state: str = STANDS
    closed: str = ""
    reason: str = ""
    also: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        return f"{self.stream} {self.level}"

    @property
    def key(self) -> tuple[str, str, int]:
        return self.stream, self.level, self.year


def read_closings(store: Place) -> tuple[Closing, ...]:
    """Alarms that a person closed: ``alarms.toml`` beside the store, else ``data/alarms.toml``."""
    beside = place_beside(store, "alarms.toml")
    path = beside if beside.is_file() else tables.DATA / "alarms.toml"
    if not path.is_file():
        return ()
    unknown = sorted(set(tables.read_toml(path)) - {"alarm"})
    if unknown:
        raise TableError(f"{path.name}: unknown {', '.join(unknown)}; each entry begins with [[alarm]]")
    return read_rows(path, "alarm", Closing, word="alarm", label="stream")


def read_outcomes(
    records: Mapping[str, pd.DataFrame],
    *,
    limits: Limits | None = None,
    gauges: Gauges | None = None,
    lifters: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """The monitor's table of outcomes straight from record tables, without the rest of the analysis tables; ``lifters`` where
    they are built already.
    """
    if lifters is None:
        lifters = build_lifters(records, limits=limits, gauges=gauges, columns=monitor.LIFTER_COLUMNS)
    over = lifters["over_first"]
    counts = (
        pd.DataFrame(
            {"venting_id": lifters["venting_id"], "over": over.fillna(False), "judged": over.notna()}
        )
        .groupby("venting_id", sort=False)
        .agg(over=("over", "sum"), judged=("judged", "sum"), checked=("over", "size"))
    )
    failed = verdicts.is_failing(over=counts["over"], judged=counts["judged"], checked=counts["checked"])
    wanted = {*list_outcome_columns(), "closed"}
    ventings, engines = (take_columns(records, name, wanted) for name in ("ventings", "engines"))
    jobs = ventings.merge(engines, on="engine_id", how="inner")
    jobs = jobs.assign(
        failed_first=failed.reindex(jobs["venting_id"]).to_numpy(),
        open=verdicts.is_open(jobs["closed"], jobs["site"]),
    )
    return monitor.list_outcomes(jobs, lifters)


def find_alarms(watched: Monitor, *, level: float = 0.95) -> tuple[Alarm, ...]:
    """Alarms, then notes, each sort by the day that it was raised: one for each stream and year of its start."""
    found: dict[tuple[str, str, int], Alarm] = {}
    for _, row in list_raised(watched).iterrows():
        alarm = _describe_alarm(watched, row, level=level)
        if alarm.key in found:
            found[alarm.key] = replace(found[alarm.key], also=(*found[alarm.key].also, alarm.kind))
        else:
            found[alarm.key] = alarm
    return tuple(found.values())


def list_raised(watched: Monitor) -> pd.DataFrame:
    """Rows of ``streams`` that raised an alarm or (``quiet``) a note, in that order, with the venting that did (``raised``)."""
    rows = watched.streams[watched.streams["noted"] >= 0].copy()
    rows["quiet"] = rows["alarmed"] < 0
    rows["raised"] = np.where(rows["quiet"], rows["noted"], rows["alarmed"])
    return rows.sort_values(["quiet", "raised", "stream", "level"], kind="stable")


def _describe_alarm(watched: Monitor, row: pd.Series, *, level: float) -> Alarm:
    trace = monitor.trace_stream(watched, row)
    trace = trace[trace["counts"]]
    rule = next(r for r in watched.settings.rules if r.name == row["stream"])
    odds_ratio, at_least = monitor.size_stream(
        trace["failed"], trace["log_odds"], variance=float(row["variance"]), odds_ratio=rule.odds_ratio, sd=rule.sd, level=level
    )  # fmt: skip
    raised = watched.outcomes.iloc[int(row["raised"])]
    first = trace.iloc[0]
    weight = float(row["weight"])
    return Alarm(
        stream=str(row["stream"]),
        level=str(row["level"]),
        year=int(row["year"]),
        what=NOTE if row["quiet"] else ALARM,
        kind=str(row["kind"]),
        since=first["date"].date(),
        since_venting=str(first["venting_id"]),
        raised=raised["date"].date(),
        raised_by=str(raised["venting_id"]),
        at=int((trace["row"] <= row["raised"]).sum()),
        ventings=tuple(trace["venting_id"].astype(str)),
        failing=tuple(trace.loc[trace["failed"], "venting_id"].astype(str)),
        expected=float((1.0 / (1.0 + np.exp(-trace["log_odds"]))).sum()),
        odds_ratio=odds_ratio,
        at_least=at_least,
        evidence=float(row["evidence"]),
        limit=watched.settings.alarm / weight if weight else float("inf"),
        firm=int(row["firm"]) >= 0,
        state=FADED if row["quiet"] and row["evidence"] < 1.0 else STANDS,
    )


def close_alarms(
    alarms: Iterable[Alarm], closings: Iterable[Closing], *, today: dt.date
) -> tuple[Alarm, ...]:
    """Alarms with what a person closed by ``today``: one raised up to the day of closing."""
    by_name: dict[str, list[Closing]] = {}
    for closing in closings:
        if dt.date.fromisoformat(closing.closed) <= today:
            by_name.setdefault(closing.stream, []).append(closing)
    found = []
    for alarm in alarms:
        fits = [c for c in by_name.get(alarm.name, []) if alarm.raised <= dt.date.fromisoformat(c.closed)]
        if fits:
            alarm = replace(
                alarm, state=CLOSED, closed=fits[0].closed, reason=wording.clean_text(fits[0].reason)
            )
        found.append(alarm)
    return tuple(found)


def watch_snapshot(snapshot: Snapshot, *, limits: Limits | None = None) -> Monitor:
    """The monitor on the records of a snapshot."""
    return monitor.monitor_streams(read_outcomes(snapshot.records(), limits=limits))


@once_a_page
def watch_page(page: Page) -> Monitor:
    """The monitor on all records of the page's snapshot, whatever its period and filters."""
    outcomes = read_outcomes(page.records, limits=page.limits, lifters=page.all_lifters)
    return page.keep_made(monitor.monitor_streams, outcomes)


@once_a_page
def list_alarms(page: Page) -> tuple[Alarm, ...]:
    """All alarms and notes as of the page's snapshot, those that a person closed included."""
    closings = read_closings(find_path(page.parameters["store"]))
    return close_alarms(find_alarms(watch_page(page), level=page.level), closings, today=page.today)


def standing_alarms(snapshot: Snapshot) -> tuple[Alarm, ...]:
    """Alarms and notes that stand as of a snapshot, without a page."""
    closings = read_closings(snapshot.path)
    alarms = close_alarms(find_alarms(watch_snapshot(snapshot)), closings, today=snapshot.today)
    return tuple(alarm for alarm in alarms if alarm.state == STANDS)


def open_alarms(
    page: Page, *, lots: Iterable[str] = (), sites: Iterable[str] = (), gauges: Iterable[str] = ()
) -> tuple[Alarm, ...]:
    """Alarms and notes that stand as of the page's snapshot; of these lots, sites and gauges where any is named."""
    standing = tuple(alarm for alarm in list_alarms(page) if alarm.state == STANDS)
    wanted = (
        {("lot", str(v)) for v in lots}
        | {("site", str(v)) for v in sites}
        | {("gauge", str(v)) for v in gauges}
    )
    return tuple(a for a in standing if (a.stream, a.level) in wanted) if wanted else standing


# -- words -----------------------------------------------------------------------------------------------------------------


def count_words(alarms: Iterable[Alarm]) -> str:
    """``1 alarm, 2 notes``."""
    counts = [sum(alarm.what == what for alarm in alarms) for what in (ALARM, NOTE)]
    return ", ".join(wording.count(n, word) for n, word in zip(counts, (ALARM, NOTE), strict=True))


def summarise_alarms(alarms: Sequence[Alarm]) -> str:
    """All that stands in one line: ``1 alarm, 2 notes: lot LL-2505 since venting P25-018 (27 of 33 failing, 3.3 expected); ...``."""
    told = [
        f"{wording.clean_text(a.name)} since venting {wording.clean_text(a.since_venting)} "
        f"({wording.of_total(len(a.failing), len(a.ventings))} failing, {wording.number(a.expected, decimals=1)} expected)"
        for a in alarms
    ]
    return count_words(alarms) + (f": {'; '.join(told)}" if told else "")


def alarm_sentence(alarm: Alarm) -> str:
    """What stands, since when, against what was expected."""
    name = wording.clean_text(alarm.name)
    kind = "failing" if alarm.kind == monitor.FAILING else "failing by leak-down"
    text = (
        f"{alarm.what.capitalize()}: {name} since venting {wording.clean_text(alarm.since_venting)} ({alarm.since.isoformat()}): "
        f"{wording.of_total(len(alarm.failing), len(alarm.ventings), 'venting')} {kind}, {wording.number(alarm.expected, decimals=1)} expected; "
        f"in 100 such ventings about {_more(alarm, alarm.odds_ratio):.0f} more"
    )
    least = _more(alarm, alarm.at_least)
    return (
        f"{text}, at least {least:.0f} more at any look."
        if least >= 1
        else f"{text}, at any look perhaps none."
    )


def _more(alarm: Alarm, odds_ratio: float) -> float:
    return wording.more_in_hundred(min(alarm.expected / len(alarm.ventings), 0.99), odds_ratio)


def step_sentence(alarm: Alarm, *, about: str = "Next") -> str:
    """What comes next, and who decides."""
    rule = next(r for r in monitor.load_settings().rules if r.name == alarm.stream)
    step = rule.alarm_step if alarm.what == ALARM else rule.note_step
    return f"{about}, within the limits in force: {step}. The engine maker's current manual and a licensed person prevail."


def warning_sentences(alarms: Iterable[Alarm]) -> list[str]:
    """Alarms and notes as other pages show them."""
    return [
        f"{alarm_sentence(alarm)} {step_sentence(alarm)} See the monitor's page."
        + ("" if alarm.firm or alarm.what == NOTE else f" {NOT_FIRM}")
        for alarm in alarms
    ]


def what_else(outcomes: pd.DataFrame, alarm: Alarm) -> list[str]:
    """What the stream's ventings share more often than the others of that time, and what came in at about its start."""
    mine = outcomes["venting_id"].isin(alarm.ventings).to_numpy()
    days = outcomes["date"]
    span = (days >= days[mine].min()) & (days <= days[mine].max())
    others = span.to_numpy() & ~mine
    told = []
    rules = [rule for rule in monitor.load_settings().rules if rule.name != alarm.stream]
    for rule in rules:
        own = outcomes.loc[mine, rule.column].dropna().astype(str).value_counts()
        if own.empty:
            continue
        level, n = str(own.index[0]), int(own.iloc[0])
        beside = int((outcomes.loc[others, rule.column].astype("object") == level).sum())
        share, usual = n / mine.sum(), beside / max(int(others.sum()), 1)
        if share >= SHARED and share >= MORE * usual:
            told.append(
                f"{n} of its {int(mine.sum())} at {rule.name} {wording.clean_text(level)}, "
                f"{beside} of the {int(others.sum())} others of that time"
            )
    start = pd.Timestamp(alarm.since)
    for rule in rules:
        if rule.name == "site" or rule.name == "engine type":
            continue
        first = outcomes.groupby(rule.column, observed=True)["date"].min()
        near = first[(first - start).abs() <= pd.Timedelta(days=CAME_IN_DAYS)]
        near = near[near > days.min() + pd.Timedelta(days=CAME_IN_DAYS)]
        told += [
            f"{rule.name} {wording.clean_text(v)} came in on {d.date().isoformat()}" for v, d in near.items()
        ]
    return told
