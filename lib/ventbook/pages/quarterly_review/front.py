"""The first page: how it went, five numbers, what moved, what to do."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ventbook import trends, wording
from ventbook.pages.base import Page
from ventbook.pages.period import Period
from ventbook.pages.quarterly_review.actions import list_actions, propose_actions
from ventbook.pages.quarterly_review.facts import Facts, gather_facts
from ventbook.pages.quarterly_review.log import list_not_over
from ventbook.pages.quarterly_review.numbers import FIVE, five_numbers
from ventbook.pages.quarterly_review.signals import (
    explain_signal,
    leading_signals,
    read_signals,
    signal_table,
)
from ventbook.pages.show import Shown
from ventbook.results import Estimate
from ventbook.verdicts import only_findings
from ventbook.wording import review as words
from ventbook.wording import trends as trend_words

UNITS = {"venting_failure_share": "share", "share_over_time_limit": "share", "cured_share": "share"}


def answer(page: Page) -> Shown:
    """The first page, whole; a reader who stops here knows what to do."""
    facts = gather_facts(page)
    now, others = compare_periods(page, facts)
    told = leading_signals(read_signals(page, facts))
    shown = page.answer(*answer_sentences(page, facts, now, others, [s.sentence for s in told]))
    shown += show_five(page, facts, now, others)
    shown += list_actions(page)
    return shown + show_signals(page, facts)


def compare_periods(
    page: Page, facts: Facts
) -> tuple[dict[str, Estimate], list[tuple[Period, dict[str, Estimate]]]]:
    """The five numbers of the period, and those of the one before and of the same a year earlier (where any)."""
    now = five_numbers(page, facts, facts.now, facts.period)
    spans = [(facts.before_period, facts.before), (facts.year_period, facts.year)]
    if facts.before_period.start == facts.year_period.start:
        spans = spans[:1]
    return now, [(span, five_numbers(page, facts, jobs, span)) for span, jobs in spans]


def answer_sentences(
    page: Page, facts: Facts, now: dict[str, Estimate], others: list[tuple[Period, dict[str, Estimate]]],
    signals: list[str],
) -> list[str]:  # fmt: skip
    """The answer: status, against expectation, signals, open jobs. Keeps a finding for each number in it."""
    label = facts.period.label
    failing = int(facts.now["failed_first"].sum())
    known = int(facts.now["failed_first"].notna().sum())
    no_share = now["venting_failure_share"].estimate is None
    listed = (failing, known) if no_share and (known or facts.now.empty) else None
    earlier = [(p.label, e["venting_failure_share"]) for p, e in others]
    status = words.status_sentence(label, now["venting_failure_share"], earlier, listed=listed)
    _keep(page, "failing_ventings", float(failing), "count", known, facts, status)
    if only_findings(facts.now):
        status += " Some ventings were recorded only because something was found, so no share of all ventings is known."
    expected = expected_failing(facts)
    against = words.expected_sentence(label, now["observed_over_expected"], expected)
    _keep(
        page,
        "expected_failing_ventings",
        expected,
        "count",
        int(now["observed_over_expected"].n),
        facts,
        against,
    )
    if facts.watch.state != "estimated":
        moved = f"Nothing can be said about a change: {facts.watch.note}."
    else:
        moved = trend_words.signals_summary(len(signals))
    _keep(page, "signals", float(len(signals)), "count", len(facts.watch.series), facts, moved)
    still_open, no_result, total = count_open(facts)
    pending = words.open_sentence(
        still_open, no_result, total, provisional=facts.period.provisional, label=facts.period.label
    )
    _keep(page, "open_ventings", float(still_open), "count", total, facts, pending)
    _keep(page, "ventings_without_result", float(no_result), "count", total, facts, pending)
    found = propose_actions(page, facts)
    to_do = words.first_actions([(a.where, a.what) for a in found])
    _keep(page, "actions_to_consider", float(len(found)), "count", len(found), facts, to_do)
    return [status, against, moved, *signals, *keep_not_over(page, facts), to_do, pending]


def keep_not_over(page: Page, facts: Facts) -> list[str]:
    """Sentences about earlier signals that are not over, each number a finding."""
    out = []
    for row in list_not_over(page):
        site, direction = str(row["group"]), str(row["direction"])
        ratio = trends.observed_over_expected(
            row["observed"], row["expected"], level=page.level, n=len(facts.now)
        )
        sentence = trend_words.not_over_sentence(
            site, direction, review=str(row["period"]), label=facts.period.label, ratio=ratio,
            observed=int(row["observed"]), expected=float(row["expected"]),
        )  # fmt: skip
        group = {"against": str(row["period"]), "direction": direction} | ({"site": site} if site else {})
        page.add_finding("observed_over_expected", ratio, group=group, tier=facts.tier, sentence=sentence)
        expected = Estimate(row["expected"], None, None, page.level, "count", ratio.n, 0, "expected then")
        page.add_finding(
            "expected_failing_ventings", expected, group=group, tier=facts.tier, sentence=sentence
        )
        out.append(sentence)
    return out


def count_open(facts: Facts) -> tuple[int, int, int]:
    """Ventings of the period still open, those without a result at the first check, all."""
    return len(facts.open_now), int(facts.now["failed_first"].isna().sum()), len(facts.now)


def expected_failing(facts: Facts) -> float:
    """Failing ventings expected in the period from each site's past and the period's mix (NaN without a past)."""
    cells = facts.watch.cells
    inside = [s.label for s in facts.steps if s.start >= facts.period.start and s.end <= facts.period.end]
    cells = cells[(cells["site"] == "") & cells["period"].isin(inside)]
    return float(cells["expected"].sum()) if len(cells) else float("nan")


def _keep(page: Page, name: str, value: float, unit: str, n: int, facts: Facts, sentence: str) -> None:
    state = "estimated" if np.isfinite(value) else "too_few"
    number = value if np.isfinite(value) else None
    page.add_finding(
        name, Estimate(number, None, None, page.level, unit, n, 0, "count", state), tier=facts.tier, sentence=sentence
    )  # fmt: skip


def show_five(
    page: Page, facts: Facts, now: dict[str, Estimate], others: list[tuple[Period, dict[str, Estimate]]]
) -> Shown:
    """The five numbers side by side, each a finding for each period."""
    rows = []
    for name, ratio in FIVE.items():
        unit = UNITS.get(name, "1")
        row: dict[str, object] = {"number": words.NUMBER_NAMES[name], "now": number_text(now[name], unit)}
        span = wording.value_range(now[name].low, now[name].high, unit, decimals=2 if ratio else None)
        row["range"] = "" if now[name].estimate is None else span
        _keep_number(page, facts, name, now[name], facts.period)
        for place, (period, then) in zip(("before", "year"), others, strict=False):
            row[place] = number_text(then[name], unit)
            _keep_number(page, facts, name, then[name], period)
            change = trends.compare_estimates(now[name], then[name], ratio=ratio)
            row[f"{place}_change"] = words.change_text(change, ratio=ratio)
            page.add_finding(
                f"{name}_change", change, group={"against": period.label}, tier=facts.tier,
                sentence=f"{words.NUMBER_NAMES[name]}: {row[f'{place}_change'] or 'no comparison'} against {period.label}.",
            )  # fmt: skip
        row["n"] = now[name].n
        rows.append(row)
    columns = {"number": "Number", "now": facts.period.label, "range": "Plausible range"}
    for place, (period, _) in zip(("before", "year"), others, strict=False):
        columns |= {place: period.label, f"{place}_change": f"Change since {period.label}"}
    note = (
        f"Ranges hold the true value in {wording.level_words(page.level)} of cases. With so many changes side by side one or "
        "another leaves out nought by chance alone; what counts as moved is decided for the whole page at once, below."
    )
    return page.add_table(
        "five_numbers", pd.DataFrame(rows), title="Five numbers", columns=columns, note=note
    )


def number_text(estimate: Estimate, unit: str) -> str:
    """One number of the table: shares with their count, ratios to two decimals, else the reason."""
    if estimate.estimate is None:
        return "" if estimate.n == 0 else wording.state_words(estimate)
    if unit == "share":
        events, percent = wording.count_behind(estimate), wording.number(estimate.estimate, "share")
        return f"{percent} of {estimate.n}" if events is None else f"{percent} ({events} of {estimate.n})"
    return wording.number(estimate.estimate, unit, decimals=2)


def _keep_number(page: Page, facts: Facts, name: str, estimate: Estimate, period: Period) -> None:
    unit = UNITS.get(name, "1")
    if estimate.estimate is None:
        text = wording.state_words(estimate)
    elif unit == "share":
        text = wording.share(estimate, events=wording.count_behind(estimate))
    else:
        text = wording.interval(estimate, decimals=2)
    sentence = f"{words.NUMBER_NAMES[name]} in {period.label}: {text}."
    page.add_finding(name, estimate, tier=facts.tier, period=period, sentence=sentence)


def show_signals(page: Page, facts: Facts) -> Shown:
    """Every signal with its sentence, its size as a finding, and what else changed then."""
    signals = read_signals(page, facts)
    told = leading_signals(signals)
    date = (pd.Timestamp(facts.step.end) - pd.Timedelta(days=1)).date().isoformat()
    shown = Shown("", "")
    explained: set[str] = set()
    for s in signals:
        group = {"series": s.series, "direction": s.direction} | ({"site": s.site} if s.site else {})
        name = "observed_over_expected" if s.series == trends.FAILING else f"{s.series}_signal"
        page.add_finding(name, s.size, group=group, tier=facts.tier, period=s.period, sentence=s.sentence)
        if s.series == trends.FAILING:
            count = Estimate(
                s.expected, None, None, page.level, "count", s.size.n, 0, "expected from past and mix"
            )
            page.add_finding(
                "expected_failing_ventings",
                count,
                group=group,
                tier=facts.tier,
                period=s.period,
                sentence=s.sentence,
            )
        if s in told:
            lines = explain_signal(s, mix=s.site not in explained, units=page.units)
            explained.add(s.site)
            shown += page.text(" ".join([s.sentence, *lines]))
    table = page.add_table(
        "trend_signals",
        signal_table(signals, date=date, units=page.units),
        title=f"Signals in {facts.step.label}",
        columns={
            "what": "What moved", "group": "Where", "direction": "Direction", "since": "Since", "size_words": "Size", "put_down_to": "Put down to",
        },
        note=signal_note(facts),
    )  # fmt: skip
    return table + shown


def signal_note(facts: Facts) -> str:
    """What a signal is, in one or two plain sentences."""
    watch = facts.watch
    if watch.state != "estimated":
        return f"No signal can be worked out: {watch.note}."
    spread = ""
    if watch.spread > 1:
        spread = " Earlier periods varied more than chance alone makes; the limits are wider by as much."
    return (
        f"{len(watch.series)} series are watched ({watch.watched[0]} to {watch.watched[-1]} against {watch.past[0]} to "
        f"{watch.past[-1]}). Their limits are set together so that of 100 periods in which nothing changed "
        f"{100 * watch.false_alarms:g} show any signal at all.{spread}"
    )
