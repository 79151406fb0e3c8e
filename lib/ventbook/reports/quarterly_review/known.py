"""What registers and other reports know already, cited so that nobody is asked for it again.

The monitor's alarms, the gauges' register, the team's actions. Jobs closed with a finding stand before the answer.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from dataclasses import dataclass

import pandas as pd

from ventbook.document import wording
from ventbook.document.sequence import Blocks
from ventbook.reports.alarms import ALARM, open_alarms
from ventbook.reports.closed_findings import list_closed
from ventbook.reports.gauges import find_told, told_sentence
from ventbook.reports.page import Page, once_a_page
from ventbook.reports.quarterly_review import words
from ventbook.reports.quarterly_review.actions import (
    Judged,
    count_findings,
    judge_action,
    next_look,
    own_actions,
)
from ventbook.reports.quarterly_review.data import load_data
from ventbook.reports.quarterly_review.signals import GAUGE_MM
from ventbook.results import Estimate

ACTIONS = "actions"


@dataclass(frozen=True)
class Known:
    """One thing that is known: where it stands, what it is about, in a clause for the answer and whole, and its number."""

    source: str
    key: str
    short: str
    whole: str
    number: Estimate | None = None


@once_a_page
def judge_actions(page: Page) -> list[Judged]:
    """The team's actions as of the period's end."""
    actions = own_actions(page)
    if not actions:
        return []
    jobs = count_findings(page)
    return [judge_action(jobs, action, end=page.period.end) for action in actions]


@once_a_page
def list_known(page: Page) -> list[Known]:
    """Alarms that stand, gauges that are known to be off and were used in the period, actions and what became of them."""
    found = []
    alarms = [a for a in open_alarms(page) if a.what == ALARM and a.raised < page.period.end]
    times = Counter(alarm.name for alarm in alarms)
    for alarm in alarms:
        key = alarm.name if times[alarm.name] == 1 else f"{alarm.name} ({alarm.year})"
        name = wording.clean_text(key)
        n = len(alarm.ventings)
        counts = wording.of_total(len(alarm.failing), n)
        share = Estimate(len(alarm.failing) / n, None, None, page.level, "share", n, 0, "count")
        found.append(
            Known(
                "monitor", key, f"alarm on {name} ({counts} failing)",
                f"Alarm on {name} since venting {wording.clean_text(alarm.since_venting)}: {counts} failing, "
                f"{wording.number(alarm.expected, decimals=1)} expected.", share,
            )
        )  # fmt: skip
    day = page.period.end - dt.timedelta(days=1)
    facts = load_data(page)
    for gauge in sorted(facts.now["gauge"].dropna().unique()):
        row = find_told(page.gauges, gauge, day)
        bias = row.bias_on(day)[0] if row else 0.0
        if row is not None and abs(bias) >= GAUGE_MM:
            side, size = "high" if bias > 0 else "low", words.gap_text(abs(bias), units=page.units)
            found.append(
                Known(
                    "register of gauges",
                    gauge,
                    f"gauge {wording.clean_text(gauge)} reads {size} {side}",
                    told_sentence(row, day, units=page.units),
                    Estimate(bias, None, None, page.level, "mm", 0, 0, row.kind),
                )
            )
    for judged in judge_actions(page):
        said = words.action_outcome(
            judged.verdict.called if judged.verdict else "",
            looked=bool(judged.verdict and judged.verdict.look),
        )
        look = next_look(judged)
        when = f", next look {look}" if look[:1].isdigit() else ""
        name, what = wording.clean_text(judged.action.id), wording.clean_text(judged.action.what)
        found.append(
            Known(
                ACTIONS, judged.action.id, f"{name} {said}{when}", f"{name}, since {judged.action.since}: {what}. It {said}{when}."
            )
        )  # fmt: skip
    return found


def say_known(page: Page) -> str:
    """Alarms and gauges in one sentence; the numbers are kept as findings."""
    _keep(page)
    found = [row.short for row in list_known(page) if row.source != ACTIONS]
    return f"Known already: {'; '.join(found)}." if found else ""


def say_outcomes(page: Page) -> str:
    """What became of the team's actions, for an answer."""
    found = [row.short for row in list_known(page) if row.source == ACTIONS]
    return f"Actions: {'; '.join(found)}." if found else ""


def _keep(page: Page) -> None:
    """The numbers of that sentence."""
    tier = load_data(page).tier
    for known in list_known(page):
        if known.number is not None:
            group = {"source": known.source, "what": known.key}
            page.add_finding("known_elsewhere", known.number, group=group, tier=tier, sentence=known.whole)


def under_way(page: Page, site: str) -> str:
    """The team's actions at a site that aren't decided yet, in a sentence; empty where there is none."""
    parts = []
    for judged in judge_actions(page):
        look = next_look(judged)
        if judged.action.site == site and look[:1].isdigit():
            parts.append(
                f"{wording.clean_text(judged.action.id)} ({wording.clean_text(judged.action.what)}, since {judged.action.since}, next look {look})"
            )
    return f"Under way there already: {wording.join_words(parts)}." if parts else ""


def show_known(page: Page) -> Blocks:
    """What is known elsewhere, and where it is read in full."""
    rows = [(known.source, known.whole) for known in list_known(page)]
    closed = list_closed(page)
    if len(closed):
        latest = int(closed["latest"].sum())
        rows.append(
            (
                "conformity",
                f"{wording.count(len(closed), 'job')} closed with a lifter over the limit; {wording.count(latest, 'engine')} not seen since.",
            )
        )
    if not rows:
        return page.text("Registers and other reports know of nothing that stands.")
    return page.add_table(
        "known_elsewhere",
        pd.DataFrame(rows, columns=["source", "known"]),
        title="Known already from registers and other reports",
        columns=["source", "known"],
        note="Cited, not asked for again: the monitor's page, gauges.toml and actions.toml beside the store, and the conformity report hold the whole.",
    )
