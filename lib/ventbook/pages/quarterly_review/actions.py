"""What to do: actions that follow from this review's numbers, and how earlier ones are doing."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any
from weakref import WeakKeyDictionary

import pandas as pd

from ventbook import evidence, trends, wording
from ventbook.pages.base import Page
from ventbook.pages.quarterly_review.facts import GAP, Facts, gather_facts
from ventbook.pages.quarterly_review.history import intakes_of
from ventbook.pages.quarterly_review.log import list_not_over
from ventbook.pages.quarterly_review.signals import (
    Signal,
    compare_all_gauges,
    find_odd_gauges,
    leading_signals,
    read_signals,
)
from ventbook.pages.records.arrived import count_rows
from ventbook.pages.show import Shown
from ventbook.units import System
from ventbook.wording import trends as trend_words

#: Share of rows held back, and of ventings with lifters left unchecked, from which the form comes before the engines.
HELD_BACK, UNCHECKED = 0.05, 0.10


@dataclass(frozen=True)
class Action:
    """Something to consider, where, and the number it rests on."""

    where: str
    what: str
    why: str
    gauge: trends.GaugeShift | None = field(default=None, compare=False)


def list_actions(page: Page) -> Shown:
    """Actions to consider, most pressing first; none is said as well."""
    facts = gather_facts(page)
    found = propose_actions(page, facts)
    for action in found:
        if action.gauge is not None:
            group = {"gauge": wording.clean_text(action.gauge.gauge), "site": action.where}
            sentence = f"{action.where}: {action.what} {action.why}"
            page.add_finding(
                "gauge_difference", action.gauge.shift, group=group, tier=facts.tier, sentence=sentence
            )
    rows = pd.DataFrame([(a.where, a.what, a.why) for a in found], columns=["where", "what", "why"])
    note = "" if found else "Nothing on this page asks for action: carry on, and look again next time."
    return page.add_table(
        "actions_to_consider", rows, title="Actions to consider",
        columns={"where": "Where", "what": "What to do", "why": "Because"}, note=note,
    )  # fmt: skip


_KEPT: WeakKeyDictionary[Page, list[Action]] = WeakKeyDictionary()


def propose_actions(page: Page, facts: Facts) -> list[Action]:
    """Actions from signals, earlier signals that are not over, gauges and the state of the records; kept with the page."""
    if page not in _KEPT:
        _KEPT[page] = _collect(page, facts)
    return _KEPT[page]


def _collect(page: Page, facts: Facts) -> list[Action]:
    signals = leading_signals(read_signals(page, facts))
    found: list[Action] = []
    for signal in signals:
        found += _for_signal(signal, page.units)
    for row in list_not_over(page):
        found += _for_not_over(facts, row)
    blamed = {a.what for a in found}
    for g in find_odd_gauges(compare_all_gauges(facts)):
        action = _check_gauge(g, page.units)
        if action.what not in blamed:
            found.append(action)
    found += _for_records(page, facts)
    return list(dict.fromkeys(found))


def _check_gauge(g: trends.GaugeShift, units: System) -> Action:
    name = wording.clean_text(g.gauge)
    word = "high" if (g.shift.estimate or 0) > 0 else "low"
    low, high = sorted(abs(v) for v in (g.shift.low or 0.0, g.shift.high or 0.0))
    span = trend_words.gap_range(low, high, units=units)
    return Action(
        g.site,
        f"Hold gauge {name} against another one or a reference before acting on engines.",
        f"It reads {trend_words.gap_text(abs(g.shift.estimate or 0.0), units=units)} {word} (plausible range {span}) against "
        "the other readings at the site.",
        g,
    )


def _for_signal(s: Signal, units: System) -> list[Action]:
    where = s.site or "all sites"
    if s.cause_gauge is not None:
        return [_check_gauge(s.cause_gauge, units)]
    if s.series == trends.FAILING and s.direction == "up":
        out = [
            Action(
                where,
                f"Go through the {s.observed} failing ventings since {s.since} one by one (list below): filling of lines and "
                "cooler, tank pressure, lifters fitted.",
                f"{s.observed} failing ventings where {s.expected:.1f} were to be expected.",
            )
        ]
        allowed, top = s.shared
        if top is not None and allowed == evidence.NAMED:
            name, level = (str(top[c]).replace("_", " ") for c in ("column", "level"))
            out.append(
                Action(
                    where,
                    f"Look at {name} {wording.clean_text(level)} first.",
                    f"{int(top['failing_with'])} of {int(top['with_level'])} ventings with it failed, "
                    f"{int(top['failing_without'])} of {int(top['without_level'])} of the others.",
                )
            )
        return out
    if s.series == trends.FAILING:
        return [
            Action(
                where, "Find out what is done differently since then, and keep it.",
                f"{s.observed} failing ventings since {s.since} where {s.expected:.1f} were to be expected.",
            )
        ]  # fmt: skip
    if s.series == "time_to_pressure" and s.direction == "up":
        return [
            Action(
                where, "Check what stands between venting and first start: rest time, rotations after pressure, suction joints.",
                f"Oil pressure takes {wording.number(s.size.estimate, '1', decimals=2)} times as long since {s.since}.",
            )
        ]  # fmt: skip
    if s.series == "rotations_ratio" and s.direction == "up":
        return [
            Action(
                where, "Look for air drawn in on the suction side, and ask how rotations are counted.",
                f"{wording.number(s.size.estimate, '1', decimals=2)} times the rotations of the past are needed for the same lines since {s.since}.",
            )
        ]  # fmt: skip
    if s.series == GAP:
        return [
            Action(
                where, "Check how gaps are measured: gauge, force, hold, place of the lever.",
                f"Sound lifters read {trend_words.gap_text(s.size.estimate, units=units)} more than before since {s.since}."
                if s.direction == "up"
                else f"Sound lifters read {trend_words.gap_text(abs(s.size.estimate or 0.0), units=units)} less than before since {s.since}.",
            )
        ]  # fmt: skip
    return []


def _for_not_over(facts: Facts, row: dict[str, Any]) -> list[Action]:
    if row["direction"] != "up":
        return []
    return [
        Action(
            row["group"] or "all sites",
            f"Keep the matter of the {row['period']} review open: it is not over. Go through the failing ventings of "
            f"{facts.period.label} again.",
            f"{int(row['observed'])} failing ventings where {row['expected']:.1f} were expected at that time.",
        )
    ]


def _for_records(page: Page, facts: Facts) -> list[Action]:
    out = []
    unchecked = facts.now[~facts.now["all_checked"].fillna(False).astype(bool)]
    if len(facts.now) and len(unchecked) / len(facts.now) > UNCHECKED:
        out.append(
            Action(
                wording.join_words(sorted(unchecked["site"].dropna().unique())),
                "Have every lifter written down, the sound ones too.",
                f"{wording.of_total(len(unchecked), len(facts.now), 'venting')} lack readings of some lifters.",
            )
        )
    rows, held, _ = count_rows(page, intakes_of(page, facts))
    if rows and held / rows > HELD_BACK:
        out.append(
            Action(
                "records", "Clear the rows held back; the list goes back to the senders.",
                f"{wording.of_total(held, rows, 'row')} handed in with the ventings of {facts.period.label} {'is' if held == 1 else 'are'} held back.",
            )
        )  # fmt: skip
    return out
