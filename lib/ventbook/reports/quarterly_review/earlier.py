"""Earlier periods again: which of their figures changed since they were first reported, and what became of their signals."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from ventbook.document import wording
from ventbook.document.sequence import Blocks
from ventbook.reports.page import Page, once_a_page, section
from ventbook.reports.parameters import Period
from ventbook.reports.quarterly_review import words
from ventbook.reports.quarterly_review.data import (
    LOGGED,
    ReportData,
    load_data,
    look_back,
    read_log,
)
from ventbook.reports.quarterly_review.numbers import five_numbers, number_text, number_unit
from ventbook.results import Estimate

#: What a venting's row must keep for none of its numbers to have changed.
KEPT = (
    "site", "engine_type", "date", "failed_first", "lifters_over_first", "lifters_checked", "time_low_s", "time_high_s",
    "rotations_low", "rotations_high", "expected_rotations",
)  # fmt: skip
NAMED = 4


@dataclass(frozen=True)
class Restated:
    """An earlier period as its own review had it and as it stands now; ``known`` False where no snapshot was made then.

    ``came``, ``went``, ``corrected``: ventings by number. ``numbers``: those of the five that read differently, (then, now) by id.
    """

    period: Period
    known: bool
    came: tuple[str, ...] = ()
    went: tuple[str, ...] = ()
    corrected: tuple[str, ...] = ()
    numbers: dict[str, tuple[Estimate, Estimate]] = field(default_factory=dict)

    @property
    def why(self) -> str:
        """What moved the numbers, with the ventings."""
        return words.why_restated(self.came, self.went, self.corrected, most=NAMED)


@once_a_page
def list_restated(page: Page) -> list[Restated]:
    """The period that this one is held against, and those of the last year, newest first."""
    facts = load_data(page)
    periods = {(p.start, p.end): p for p in [facts.before_period, *reversed(facts.steps[-1 - LOGGED : -1])]}
    return [compare_then(page, facts, p) for p in periods.values() if len(page.within(facts.jobs, p))]


def compare_then(page: Page, facts: ReportData, period: Period) -> Restated:
    """One period then and now."""
    back = look_back(page, period)
    if back.jobs is None or back.lifters is None:
        return Restated(period, False)
    then, now = (page.within(frame, period).set_index("venting_id") for frame in (back.jobs, facts.jobs))
    if then.empty:
        return Restated(period, False)
    both = then.index.intersection(now.index)
    columns = [name for name in KEPT if name in now]
    before, after = (frame[columns].loc[both] for frame in (then, now))
    differs = np.zeros(len(both), bool)
    for name in columns:
        differs |= _differ(before[name], after[name])
    came, went = (tuple(map(str, a.index.difference(b.index))) for a, b in ((now, then), (then, now)))
    corrected = tuple(map(str, both[differs]))
    if not (came or went or corrected):
        return Restated(period, True)
    past = replace(facts, jobs=back.jobs, lifters=back.lifters, watch=back.watch)
    first = five_numbers(page, past, back.jobs, period)
    today = five_numbers(page, facts, page.within(facts.jobs, period), period)
    changed = {
        name: (first[name], today[name])
        for name in today
        if number_text(first[name], number_unit(name)) != number_text(today[name], number_unit(name))
    }
    return Restated(period, True, came, went, corrected, changed)


def _differ(one: pd.Series, two: pd.Series) -> np.ndarray:
    """Where two columns differ: blanks alike, numbers to what a record carries."""
    alike = (one == two).fillna(False).to_numpy(bool) | (one.isna() & two.isna()).to_numpy(bool)
    rest = np.flatnonzero(~alike)
    pairs = zip(one.iloc[rest].tolist(), two.iloc[rest].tolist(), strict=True)
    differs = ~alike
    differs[rest] = [_plain(then) != _plain(now) for then, now in pairs]
    return differs


def _plain(value: Any) -> str:
    return "" if pd.isna(value) else f"{value:.6g}" if isinstance(value, float) else str(value)


def say_restated(page: Page) -> str:
    """Whether the period that this one is held against reads otherwise than it did; empty where it doesn't. Keeps its numbers."""
    row = next(iter(list_restated(page)), None)
    if row is None or not row.numbers:
        return ""
    return _sentence(row)


def _sentence(row: Restated) -> str:
    name = "venting_failure_share" if "venting_failure_share" in row.numbers else next(iter(row.numbers))
    then, now = row.numbers[name]
    unit = number_unit(name)
    return words.restated_number(
        row.period.label, words.NUMBER_NAMES[name], number_text(then, unit), number_text(now, unit),
        others=len(row.numbers) - 1, why=row.why,
    )  # fmt: skip


def keep_restated(page: Page) -> None:
    """The restated numbers as first reported, and how many ventings moved them, as findings."""
    tier = load_data(page).tier
    for row in list_restated(page):
        if not row.numbers:
            continue
        sentence = _sentence(row)
        for name, (then, _) in row.numbers.items():
            page.add_finding(
                name, then, group={"as": "first reported"}, period=row.period, tier=tier, sentence=sentence
            )
        for name, ids in (
            ("ventings_came_late", row.came), ("ventings_gone", row.went), ("ventings_corrected", row.corrected),
        ):  # fmt: skip
            count = Estimate(float(len(ids)), None, None, page.level, "count", len(ids), 0, "count")
            page.add_finding(name, count, period=row.period, tier=tier, sentence=sentence)


def show_restated(page: Page) -> Blocks:
    """Each number of the last year's reviews that reads otherwise today, with what moved it."""
    listed = list_restated(page)
    rows = [
        {
            "period": row.period.label, "number": words.NUMBER_NAMES[name], "then_words": number_text(then, number_unit(name)),
            "now_words": number_text(now, number_unit(name)), "why": row.why,
        }
        for row in listed
        for name, (then, now) in row.numbers.items()
    ]  # fmt: skip
    said = []
    if same := [row.period.label for row in listed if row.known and not row.numbers]:
        said.append(f"As first reported: {wording.join_words(same)}.")
    if unknown := [row.period.label for row in listed if not row.known]:
        said.append(
            f"Can't be compared with what was reported, since no snapshot was made then: {wording.join_words(unknown)}."
        )
    shown = page.text(*said)
    if not rows:
        return shown
    return shown + page.add_table(
        "restated",
        pd.DataFrame(rows),
        title="Restated: numbers of earlier periods that changed since their own review",
        columns=["period", "number", "then_words", "now_words", "why"],
        note="First reported: from the snapshot that the period's own review stood on, read again under today's limits and register of gauges.",
    )


@section
def earlier_signals(page: Page) -> Blocks:
    """Figures restated since; signals of the last year's reviews, whether records changed them, and whether they are still open."""
    facts = load_data(page)
    earlier = facts.steps[-1 - LOGGED : -1]
    if not earlier:
        return page.text("There is no earlier period.")
    shown = show_restated(page)
    table = read_log(page)
    display = table.assign(
        what=table["series"].map(words.SERIES_WORDS), where=table["group"].replace("", "all sites")
    )
    notes = []
    if table.empty:
        notes.append(f"No signal in the reviews of {earlier[0].label} to {earlier[-1].label}.")
    if (table["basis"] == "reconstructed").any():
        notes.append(
            "Reconstructed: no snapshot was made then, so today's records dated up to the period's end stand in."
        )
    return shown + page.add_table(
        "signal_log", display, title="Signals of earlier reviews",
        columns=["period", "what", "where", "direction", "since", "state", "ratio", "low", "high", "records", "basis"],
        note=" ".join(notes),
    )  # fmt: skip
