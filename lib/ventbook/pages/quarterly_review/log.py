"""The signal log: earlier reviews' signals as they were then, whether records changed them, and whether they closed.

Where no snapshot was made in time (two years taken in at once), today's records dated up to then take its place, and the
row is marked reconstructed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any
from weakref import WeakKeyDictionary

import pandas as pd

from ventbook import rates, trends
from ventbook.pages.base import Page
from ventbook.pages.period import Period
from ventbook.pages.quarterly_review.facts import NEEDED, Facts, code_ventings, gather_facts, make_watch
from ventbook.pages.quarterly_review.history import snapshot_of, ventings_then
from ventbook.pages.show import Shown
from ventbook.wording import review as words
from ventbook.wording import trends as trend_words

#: Earlier periods in the log: a year of quarters.
LOGGED = 4
STILL, NOT_OVER, CLOSED, UNTOLD = "still a signal", "not over", "closed", "can't be told yet"
NUMBERS = ("value", "limit", "ratio", "low", "high", "observed", "expected")
COLUMNS = (
    "period", "series", "group", "direction", "since", "value", "limit", "basis", "records", "state", "ratio", "low",
    "high", "observed", "expected",
)  # fmt: skip


@dataclass(frozen=True)
class Log:
    """Earlier reviews' signals (a row each, COLUMNS), and the last period's ventings as its own review had them (None
    where there is no snapshot of it).
    """

    table: pd.DataFrame
    last_then: pd.DataFrame | None


_LOGS: WeakKeyDictionary[Page, Log] = WeakKeyDictionary()


def read_log(page: Page) -> Log:
    """The page's signal log; worked out at the first call and kept with the page."""
    if page not in _LOGS:
        facts = gather_facts(page)
        rows: list[tuple[Any, ...]] = []
        then_jobs = None
        for step in facts.steps[-1 - LOGGED : -1]:
            then, today, then_jobs = watch_then(page, facts, step)
            basis = "reconstructed" if then_jobs is None else "snapshot"
            rows += compare_watches(page, facts, step.label, then, today, basis=basis)
        table = pd.DataFrame(rows, columns=list(COLUMNS)).astype(dict.fromkeys(NUMBERS, float))
        _LOGS[page] = Log(table, then_jobs)
    return _LOGS[page]


def earlier_signals(page: Page) -> Shown:
    """Signals of the last year's reviews, whether records since changed them, and whether they are still open."""
    facts = gather_facts(page)
    earlier = facts.steps[-1 - LOGGED : -1]
    if not earlier:
        return page.text("There is no earlier period.")
    log = read_log(page)
    shown = restate(page, facts, log.last_then, earlier[-1])
    table = log.table
    display = table.assign(
        what=table["series"].map(trend_words.SERIES_WORDS), where=table["group"].replace("", "all sites")
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
        columns={
            "period": "Review of", "what": "What moved", "where": "Where", "direction": "Direction", "since": "Since",
            "state": "Now", "ratio": ("Against what was expected then", "", "2"), "low": ("From", "", "2"),
            "high": ("To", "", "2"), "records": "With today's records", "basis": "Worked out from",
        },
        note=" ".join(notes),
    )  # fmt: skip


def watch_then(
    page: Page, facts: Facts, step: Period
) -> tuple[trends.PageWatch, trends.PageWatch, pd.DataFrame | None]:
    """The signal rule for ``step`` as of its own review and with today's records, and the step's ventings as of then
    (None: reconstructed from today's records).
    """
    steps = facts.steps[: facts.steps.index(step) + 1]
    labels = [s.label for s in steps]
    inside = facts.jobs["step"].isin(labels).to_numpy()
    today = make_watch(coded_ventings(page, facts)[inside], steps, seed=page.seed)
    old = snapshot_of(page, step)
    if old is None:
        return today, today, None
    found = ventings_then(page, facts, old)
    found = found[found["step"].isin(labels).to_numpy()]
    if found.empty:
        return today, today, None
    now = found[found["step"] == step.label]
    jobs = facts.jobs.loc[inside, list(NEEDED)]
    if found.reset_index(drop=True).equals(jobs.reset_index(drop=True)):
        return today, today, now
    return make_watch(code_ventings(found), steps, seed=page.seed), today, now


_CODED: WeakKeyDictionary[Page, pd.DataFrame] = WeakKeyDictionary()


def coded_ventings(page: Page, facts: Facts) -> pd.DataFrame:
    """The page's ventings as the signal rule needs them, coded once."""
    if page not in _CODED:
        _CODED[page] = code_ventings(facts.jobs)
    return _CODED[page]


def compare_watches(
    page: Page, facts: Facts, label: str, then: trends.PageWatch, today: trends.PageWatch, *, basis: str
) -> list[tuple[Any, ...]]:
    """One row a signal that an earlier review showed, or would show with today's records: COLUMNS."""
    keys = ["series", "group", "direction"]
    sets = [
        {tuple(row[k] for k in keys): row for row in w.signals.to_dict("records")}
        for w in (then, today, facts.watch)
    ]
    rows = []
    for key in sorted(set(sets[0]) | set(sets[1])):
        row = sets[0].get(key) or sets[1][key]
        if key in sets[0] and key in sets[1]:
            records = "the same"
        elif key in sets[0]:
            records = "went: no signal with the records as corrected since"
        else:
            records = "came: shows only with records that came or were corrected later"
        state, numbers = follow_up(page, facts, key, then if key in sets[0] else today)
        state = STILL if key in sets[2] else state
        rows.append((label, *key, row["since"], row["value"], row["limit"], basis, records, state, *numbers))
    return rows


def follow_up(
    page: Page, facts: Facts, key: tuple[str, str, str], then: trends.PageWatch
) -> tuple[str, tuple[float, ...]]:
    """Whether a signal that no longer shows has closed: its state, and this period's observed over expected with
    interval, observed and expected, by what was expected when it showed (NaN for other series than failing ventings).

    A change that lasts becomes part of the past and stops being news; that is not the same as being over.
    """
    series, site, direction = key
    none = (float("nan"),) * 5
    if series != trends.FAILING:
        return "no longer a signal", none
    table = trends.expect_failing(then, facts.now)
    table = table[(table["site"] == site) & (table["expected"] > 0)]
    if table.empty:
        return "no ventings to follow it up", none
    observed, expected, n = (float(table[name].iloc[0]) for name in ("observed", "expected", "n"))
    ratio = trends.observed_over_expected(observed, expected, level=page.level, n=int(n))
    assert ratio.estimate is not None and ratio.low is not None and ratio.high is not None
    numbers = (ratio.estimate, ratio.low, ratio.high, observed, expected)
    if (ratio.low > 1) if direction == "up" else (ratio.high < 1):
        return NOT_OVER, numbers
    over = ratio.estimate < 1.25 if direction == "up" else ratio.estimate > 0.8
    return (CLOSED if over else UNTOLD), numbers


def list_not_over(page: Page) -> list[dict[str, Any]]:
    """Earlier signals of failing ventings that are not over, though no longer new: the latest row of each."""
    table = read_log(page).table
    table = table[(table["state"] == NOT_OVER) & (table["series"] == trends.FAILING)]
    table = table.drop_duplicates(["group", "direction"], keep="last")
    sites = set(table.loc[table["group"] != "", "direction"])
    kept = table[(table["group"] != "") | ~table["direction"].isin(sites)]
    return [{str(k): v for k, v in row.items()} for row in kept.to_dict("records")]


def restate(page: Page, facts: Facts, then: pd.DataFrame | None, step: Period) -> Shown:
    """The last period's share as reported then, and as it stands today."""
    if then is None:
        return page.text(f"{step.label} can't be compared with what was reported: no snapshot was made then.")
    before = rates.failing_share(then, level=page.level)
    today = rates.failing_share(page.within(facts.jobs, step), level=page.level)
    sentence = words.restated_sentence(step.label, before, today)
    return page.add_finding(
        "venting_failure_share", before, group={"as": "first reported"}, period=step, tier=facts.tier, sentence=sentence
    )  # fmt: skip
