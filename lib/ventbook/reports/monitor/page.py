"""What stands, with its numbers and what comes next; the evidence; the history; how it is worked out and what it promises."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from ventbook.document import plotting, wording
from ventbook.document.sequence import Blocks
from ventbook.reports.alarm_history import LOOK_BACK, list_history
from ventbook.reports.alarms import (
    ALARM,
    KIND_WORDS,
    NOT_FIRM,
    NOTE,
    STANDS,
    STATE_WORDS,
    Alarm,
    alarm_sentence,
    count_words,
    list_alarms,
    open_alarms,
    step_sentence,
    watch_page,
    what_else,
)
from ventbook.reports.first_screen import new_lead
from ventbook.reports.monitor.figures import Line, draw_evidence
from ventbook.reports.page import Page, section
from ventbook.reports.wording_budget import per_hundred
from ventbook.results import Estimate
from ventbook.statistics import monitor
from ventbook.tables import evidence as budget

SHOWN = 5
"""Lines of the first picture."""


def _tier(page: Page) -> str:
    outcomes = watch_page(page).outcomes
    return budget.tier(ventings=len(outcomes), findings=int(outcomes[monitor.FAILING].sum()))


@section
def answer(page: Page) -> Blocks:
    """How many alarms and notes stand, the alarms in a sentence each, and what comes next."""
    alarms, tier = open_alarms(page), _tier(page)
    outcomes = watch_page(page).outcomes
    n = len(outcomes)
    if not n:
        return page.answer("No venting with a known result is on record, so nothing is watched yet.")
    scope = "All records are watched, whatever the period and filters of this page."
    head = (
        f"{count_words(alarms)[:1].upper()}{count_words(alarms)[1:]} stand as of {page.today.isoformat()}, "
        f"after {wording.count(n, 'venting')} with a known result. {scope}"
    )
    counts = Blocks()
    for what in (ALARM, NOTE):
        number = sum(alarm.what == what for alarm in alarms)
        sentence = f"{wording.count(number, what)[:1].upper()}{wording.count(number, what)[1:]} {'stands' if number == 1 else 'stand'}."
        counts += page.add_finding(
            f"{what}s_standing", Estimate(number, None, None, page.level, "count", n, 0, "count"), tier=tier, sentence=sentence
        )  # fmt: skip
    loud = [alarm for alarm in alarms if alarm.what == ALARM]
    quiet = [alarm.name for alarm in alarms if alarm.what == NOTE]
    told = [alarm_sentence(alarm) for alarm in loud]
    if quiet:
        told.append(f"To be looked at, not more: {wording.join_words(map(wording.clean_text, quiet))}.")
    todo = [step_sentence(a, about=f"{a.stream.capitalize()} {wording.clean_text(a.level)}") for a in loud]
    return page.answer(head, *told, todo=todo, picture=lead_picture(page, alarms))


def lead_picture(page: Page, alarms: Sequence[Alarm]) -> Blocks:
    """Evidence over the ventings of what stands; of the loudest stream where nothing does."""
    watched = watch_page(page)
    rows = watched.streams.sort_values(["peak", "level"], ascending=[False, True], kind="stable")
    if rows.empty:
        return Blocks()
    standing = [
        rows[(rows["stream"] == a.stream) & (rows["level"] == a.level) & (rows["year"] == a.year) & (rows["kind"] == a.kind)]
        for a in alarms
    ]  # fmt: skip
    shown = pd.concat([part.head(1) for part in standing] or [rows.head(1)]).head(SHOWN)
    if shown.empty:
        shown = rows.head(1)
    lines = [
        Line(
            wording.clean_text(f"{row['stream']} {row['level']}", longest=24),
            monitor.trace_stream(watched, row)["evidence"].to_numpy(float),
        )
        for _, row in shown.iterrows()
    ]
    weights = shown.loc[shown["weight"] > 0, "weight"]
    limit = watched.settings.alarm / float(weights.iloc[0]) if len(weights) else None
    figure, ax = new_lead(
        "Evidence of what stands" if len(alarms) else "Evidence of the loudest stream", height=3.1
    )
    figure.subplots_adjust(left=0.23)  # room for numbers written out
    draw_evidence(ax, lines, note=watched.settings.note, alarm=limit, title="")
    return page.add_figure(
        "lead", figure,
        alt="Evidence over ventings of " + wording.join_words([line.label for line in lines]) + ", with the limits of a note and of an alarm.",
        caption="1: no evidence either way. Dashed: the limits of a note and of an alarm. What was reached once counts.",
    )  # fmt: skip


@section
def standing(page: Page) -> Blocks:
    """Every alarm and note that stands: its numbers, what else changed then, and what comes next."""
    alarms = list_alarms(page)
    shown = Blocks()
    outcomes, tier = watch_page(page).outcomes, _tier(page)
    for alarm in (a for a in alarms if a.state == STANDS):
        sentence = alarm_sentence(alarm)
        estimate = Estimate(
            alarm.odds_ratio, alarm.at_least, None, page.level, "odds ratio", len(alarm.ventings), 0, "monitor",
            note="at least, at every look",
        )  # fmt: skip
        group = {"stream": alarm.name, "year": alarm.year}
        shown += page.add_finding("stream_odds_ratio", estimate, tier=tier, group=group, sentence=sentence)
        else_ = what_else(outcomes, alarm)
        more = [
            f"What else: {'; '.join(else_)}." if else_ else "Nothing else that is recorded changed with it."
        ]
        if alarm.what == ALARM and not alarm.firm:
            more.append(NOT_FIRM)
        shown += page.text(" ".join([*more, step_sentence(alarm)]))
    rows = [describe_row(alarm) for alarm in alarms]
    columns = [
        "what", "stream", "counted_words", "since", "raised", "observed_words", "expected_ventings", "odds_words", "at_least",
        "state", "reason_closed",
    ]  # fmt: skip
    return shown + page.add_table(
        "monitor_alarms",
        pd.DataFrame(rows, columns=None if rows else columns),
        title=f"Alarms and notes as of {page.today.isoformat()}",
        columns=["what", "stream", "counted_words", "since", "raised", "observed_words", "expected_ventings", "odds_words", "at_least", "state", "reason_closed"],
        note="Odds: drawn towards 1. At least: holds at every look together. A stream is told once for the year in which its evidence begins.",
    )  # fmt: skip


def describe_row(alarm: Alarm) -> dict[str, object]:
    """An alarm as a row of a table."""
    kinds = [KIND_WORDS[kind] for kind in (alarm.kind, *alarm.also)]
    return {
        "what": alarm.what,
        "stream": wording.clean_text(alarm.name),
        "counted_words": ", ".join(kinds),
        "since": f"{wording.clean_text(alarm.since_venting)}, {alarm.since.isoformat()}",
        "raised": f"{wording.clean_text(alarm.raised_by)}, {alarm.raised.isoformat()}, its {_ordinal(alarm.at)}",
        "observed_words": wording.of_total(len(alarm.failing), len(alarm.ventings)),
        "expected_ventings": alarm.expected,
        "odds_words": wording.number(alarm.odds_ratio, decimals=1),
        "at_least": wording.number(alarm.at_least, decimals=1),
        "state": STATE_WORDS[alarm.state],
        "reason_closed": f"{alarm.closed}: {alarm.reason}" if alarm.closed else "",
    }


def _ordinal(n: int) -> str:
    ending = "th" if n % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(n % 10, "th")
    return f"{n}{ending}"


@section
def ventings(page: Page) -> Blocks:
    """The ventings of what stands, by number."""
    outcomes = watch_page(page).outcomes.set_index("venting_id")
    columns = ["stream", "place", "venting_id", "date", "site", "failing"]
    parts = []
    for alarm in open_alarms(page):
        jobs = outcomes.loc[list(alarm.ventings), ["date", "site"]].reset_index()
        jobs["stream"], jobs["place"] = wording.clean_text(alarm.name), range(1, len(jobs) + 1)
        jobs["failing"] = jobs["venting_id"].isin(alarm.failing)
        parts.append(jobs[columns])
    return page.add_table(
        "monitor_ventings",
        pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns),
        title="Ventings of what stands",
        columns=["stream", "place", "venting_id", "date", "site", "failing"],
        rows=40,
    )


@section
def evidence(page: Page) -> Blocks:
    """Each stream's evidence over its ventings, one picture a sort of stream."""
    watched = watch_page(page)
    if watched.streams.empty:
        return page.text("No stream has a venting with a known result yet.")
    shown = Blocks()
    for rule in watched.settings.rules:
        rows = watched.streams.query("stream == @rule.name and kind == @monitor.FAILING")
        rows = rows.sort_values("peak", ascending=False, kind="stable")
        if rows.empty:
            continue
        lines = []
        for _, row in rows.iterrows():
            year = f" {row['year']}" if rule.starts == "quarter" else ""
            loud = row["noted"] >= 0
            label = f"{wording.clean_text(row['level'], longest=24)}{year}" if loud else ""
            lines.append(Line(label, monitor.trace_stream(watched, row)["evidence"].to_numpy(float)))
        weights = rows.loc[rows["weight"] > 0].sort_values("year")["weight"]
        limit = watched.settings.alarm / float(weights.iloc[-1]) if len(weights) else None
        figure, ax = plotting.new_figure()
        draw_evidence(
            ax,
            lines,
            note=watched.settings.note,
            alarm=limit,
            title=f"{rule.name.capitalize()}s, all failures",
        )
        loudest = rows.iloc[0]
        alt = (
            f"Evidence over ventings of {wording.count(len(rows), f'{rule.name} stream')}; the highest is "
            f"{wording.clean_text(loudest['level'])} with {wording.number(min(float(loudest['peak']), 1e9), decimals=0)} at its peak."
        )
        caption = (
            "1: no evidence either way. Dashed: the limits of a note and of an alarm (of the newest year). In colour: streams that "
            "were noted at some time. Evidence may fall back; what was reached once counts."
        )
        shown += page.add_figure(f"monitor_{rule.name.replace(' ', '_')}", figure, alt=alt, caption=caption)
    return shown


@section
def every_stream(page: Page) -> Blocks:
    """All streams that are watched, loudest first."""
    watched = watch_page(page)
    rows = []
    for _, row in watched.streams.sort_values("peak", ascending=False, kind="stable").iterrows():
        trail = watched.trails[str(row["stream"]), str(row["kind"])]
        mine = (trail.family == row["family"]) & trail.last
        failed = watched.outcomes[str(row["kind"])].to_numpy(bool)[trail.row[mine]]
        weight = float(row["weight"])
        rows.append(
            {
                "stream": f"{row['stream']} {wording.clean_text(row['level'])}",
                "counted_words": KIND_WORDS[str(row["kind"])],
                "year": int(row["year"]),
                "observed_words": wording.of_total(int(failed.sum()), len(failed)),
                "evidence_now": min(float(row["evidence"]), 1e9),
                "evidence_peak": min(float(row["peak"]), 1e9),
                "evidence_alarm": watched.settings.alarm / weight if weight else np.nan,
            }
        )
    columns = [
        "stream",
        "counted_words",
        "year",
        "observed_words",
        "evidence_now",
        "evidence_peak",
        "evidence_alarm",
    ]
    return page.add_table(
        "monitor_streams",
        pd.DataFrame(rows, columns=None if rows else columns),
        title="All streams that are watched",
        columns=columns,
        note="Year: of its start. Without a limit of an alarm: beyond the number of streams that the year's allowance is shared among, so notes only.",
    )


def history(page: Page) -> Blocks:
    """What was raised at which intake, and what became of it."""
    events = list_history(page)
    rows = [
        {
            "what": event.what,
            "stream": wording.clean_text(event.stream),
            "raised": f"{wording.clean_text(event.raised_by)}, {event.raised}",
            "first_intake": event.first,
            "gone_intake": event.gone or None,
            "state": STATE_WORDS[event.state],
            "reason_closed": event.reason,
        }
        for event in events
    ]
    columns = ["what", "stream", "raised", "first_intake", "gone_intake", "state", "reason_closed"]
    frame = pd.DataFrame(rows, columns=None if rows else columns)
    return page.add_table(
        "monitor_history",
        frame.astype({"gone_intake": "Int64"}),
        title="History over the intakes",
        columns=["what", "stream", "raised", "first_intake", "gone_intake", "state", "reason_closed"],
        note=f"Worked out anew for this intake and the {LOOK_BACK} before it, by the day of each venting. Closed: by a person, in alarms.toml beside the store.",
    )


@section
def promise(page: Page) -> Blocks:
    """What holds, how often, and on what it rests."""
    settings = watch_page(page).settings
    whole = budget.load_budget()
    share = whole.share(monitor.FAMILY)
    return page.text(
        f"Of 100 years in which nothing acts, at most {per_hundred(1 / settings.alarm)} carry any alarm, at any number of looks and however "
        f"the ventings hang together; of 100 streams in which nothing acts, at most {per_hundred(1 / settings.note)} are ever noted for a "
        "kind of finding. A note is a question, an alarm a reason to act.",
        "This rests on the expectation: an innocent stream's log odds may differ from what is expected by as much as the expectation's own "
        "uncertainty says, and the promise is an average over that. It does not hold for each single difference. A stream that was always "
        "worse than its circumstances let one expect is no innocent one: it is told.",
        f"The reports of a quarter share another allowance: of 100 quarters in which nothing acts at most {per_hundred(whole.total)} carry any "
        f"statement, {per_hundred(share)} on account of the monitor. Four quarters of it allow {per_hundred(4 * share)} of 100 years, so an alarm "
        f"counts as one of these statements only once its evidence is {wording.number(settings.firm / settings.alarm, decimals=1)} times what an "
        "alarm takes. Until then other pages say beside it that it is held to the monitor's promise alone. Notes are held to neither allowance "
        "of the quarter, only to their own.",
    )


@section
def methods(page: Page) -> Blocks:
    """How the evidence is worked out."""
    return page.explain(
        "how the evidence is worked out",
        "Each venting's chance of failing is expected from earlier records alone: a regression on site, engine type, what came through the "
        "door, and whether the same engine failed or passed last time, fitted anew each month and drawn towards no effect. The stream in "
        "question is left out of it. A lot or a revision is held against all others; a site, a gauge and an engine type against their own "
        "past too, from each quarter's start anew, for four quarters.\n\n"
        "The evidence compares how well the stream's failures fit a bad stream with how well they fit an innocent one, each spread over "
        "the odds ratios $b$ that it may have: $$ E = \\frac{\\sum w_1(b)\\,L(b)}{\\sum w_0(b)\\,L(b)}. $$ "
        "An innocent stream's evidence is 1 on average at every look, which is why looking often costs nothing.\n\n"
        "All is worked out by the day of the venting from the records as they stand. An open job counts as passed until its result is "
        "known. A correction works everything out anew: an alarm then stands or is withdrawn, and stays in the history. An alarmed "
        "stream's ventings are left out of what the others are held against from the next month on, and those of an alarmed lot no longer "
        "count for the other streams.",
    )


@section
def limitations(page: Page) -> Blocks:
    """What these data can't say."""
    return page.text(
        "Why a stream fails more often. A lot, a site and a gauge that always go together raise each other's evidence; what else they share "
        "is said beside each.",
        "That a stream without a note is as good as the others. A site whose odds double is left to the quarterly review: it takes more "
        "ventings than a year has.",
        "Anything sooner than the records come in. Failures that are handed in before the passes of the same weeks look worse than they are.",
    )
