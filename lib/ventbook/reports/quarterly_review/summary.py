"""The first page: how it went, five numbers, what moved, what to do; and how the review works its numbers out."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ventbook.document import wording
from ventbook.document.blocks import Column
from ventbook.document.sequence import Blocks
from ventbook.model.verdicts import only_findings
from ventbook.reports import wording_budget as budget_words
from ventbook.reports.closed_findings import say_closed
from ventbook.reports.drifted import say_drifted
from ventbook.reports.left_out import say_left_out
from ventbook.reports.page import Page, section
from ventbook.reports.parameters import Period
from ventbook.reports.quarterly_review import words
from ventbook.reports.quarterly_review.causes import cause_sentence, compare_periods_by_cause, lead_picture
from ventbook.reports.quarterly_review.data import ReportData, list_not_over, load_data
from ventbook.reports.quarterly_review.earlier import keep_restated, say_restated
from ventbook.reports.quarterly_review.known import say_known, say_outcomes, show_known, under_way
from ventbook.reports.quarterly_review.numbers import FIVE, UNITS, five_numbers, number_text
from ventbook.reports.quarterly_review.signals import (
    FAMILY,
    Signal,
    explain_signal,
    find_what,
    leading_signals,
    list_actions,
    propose_actions,
    read_signals,
    say_what,
    signal_table,
)
from ventbook.reports.suggestions import Said
from ventbook.reports.unchecked import say_unchecked
from ventbook.results import Estimate
from ventbook.statistics import trends


@section
def answer(page: Page) -> Blocks:
    """The first page, whole; a reader who stops here knows what to do."""
    facts = load_data(page)
    now, others = compare_periods(page, facts)
    told = leading_signals(read_signals(page))
    page.alert(say_closed(page))
    lines, more = answer_sentences(page, facts, now, others, told)
    shown = page.answer(*lines, todo=say_actions(page, facts), picture=lead_picture(page, facts), more=more)
    shown += show_five(page, facts, now, others)
    shown += list_actions(page, cite=under_way)
    shown += show_known(page)
    return shown + show_signals(page, facts)


def compare_periods(
    page: Page, facts: ReportData
) -> tuple[dict[str, Estimate], list[tuple[Period, dict[str, Estimate]]]]:
    """The five numbers of the period, and those of the one before and of the same a year earlier; where one was asked for, of that."""
    now = five_numbers(page, facts, facts.now, facts.period)
    spans = [(facts.before_period, facts.before), (facts.year_period, facts.year)]
    same = facts.before_period.start == facts.year_period.start
    if same or page.asked_against:
        spans = spans[:1]
    return now, [(span, five_numbers(page, facts, jobs, span)) for span, jobs in spans]


def answer_sentences(
    page: Page, facts: ReportData, now: dict[str, Estimate], others: list[tuple[Period, dict[str, Estimate]]],
    signals: list[Signal],
) -> tuple[list[str], list[str]]:  # fmt: skip
    """The answer's lines (status, causes, what moved) and what follows them. Keeps a finding for each number in it."""
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
    against = words.expected_sentence(now["observed_over_expected"], expected)
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
        moved = words.moved_line([(s.series, s.site, s.direction, s.since) for s in signals])
    _keep(page, "signals", float(len(signals)), "count", len(facts.watch.series), facts, moved)
    still_open, no_result, total = count_open(facts)
    pending = words.open_sentence(
        still_open, no_result, total, provisional=facts.period.provisional, label=facts.period.label
    )
    _keep(page, "open_ventings", float(still_open), "count", total, facts, pending)
    _keep(page, "ventings_without_result", float(no_result), "count", total, facts, pending)
    keep_restated(page)
    change, _, by_cause = say_change(page, facts, now, others).partition(" By cause, ")
    causes_said = f"{cause_sentence(page, facts)} {say_outcomes(page)}".strip()
    told = [s.sentence for s in signals]
    lines = [f"{status} {change}".strip(), causes_said, moved, *say_left_out(page)[:1]]
    more = [f"By cause, {by_cause}"] if by_cause else []
    more += [
        say_unchecked(page, tier=facts.tier),
        say_drifted(
            page, facts.now, facts.lifters_in(facts.period), facts.drifts, tier=facts.tier, period="step"
        ),
        say_restated(page),
        against,
        *told,
        *keep_not_over(page, facts),
        say_known(page),
        pending,
    ]
    return lines, more


def say_actions(page: Page, facts: ReportData) -> list[Said | str]:
    """What to do, most pressing first; how many there are is a finding."""
    found = propose_actions(page)
    sentence = words.first_actions([(a.where, say_what(page, a)) for a in found])
    _keep(page, "actions_to_consider", float(len(found)), "count", len(found), facts, sentence)
    return [words.action_step(a.where, find_what(page, a)) for a in found] or [sentence]


def say_change(
    page: Page, facts: ReportData, now: dict[str, Estimate], others: list[tuple[Period, dict[str, Estimate]]]
) -> str:
    """How far the share moved since the period that this one is held against, and which causes did."""
    name = "venting_failure_share"
    change = trends.compare_estimates(now[name], others[0][1][name], ratio=False)
    table = compare_periods_by_cause(page)
    moved = [] if table is None else table.loc[table["moved"] != "", ["title", "moved"]].to_numpy().tolist()
    return words.against_sentence(
        facts.before_period.label,
        change,
        [(str(a), str(b)) for a, b in moved],
        causes_known=table is not None,
    )


def keep_not_over(page: Page, facts: ReportData) -> list[str]:
    """Sentences about earlier signals that are not over, each number a finding."""
    out = []
    for row in list_not_over(page):
        site, direction = str(row["group"]), str(row["direction"])
        ratio = trends.observed_over_expected(
            row["observed"], row["expected"], level=page.level, n=len(facts.now)
        )
        sentence = words.not_over_sentence(
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


def count_open(facts: ReportData) -> tuple[int, int, int]:
    """Ventings of the period still open, those without a result at the first check, all."""
    return len(facts.open_now), int(facts.now["failed_first"].isna().sum()), len(facts.now)


def expected_failing(facts: ReportData) -> float:
    """Failing ventings expected in the period from each site's past and the period's mix (NaN without a past)."""
    cells = facts.watch.cells
    inside = [s.label for s in facts.steps if s.start >= facts.period.start and s.end <= facts.period.end]
    cells = cells[(cells["site"] == "") & cells["period"].isin(inside)]
    return float(cells["expected"].sum()) if len(cells) else float("nan")


def _keep(page: Page, name: str, value: float, unit: str, n: int, facts: ReportData, sentence: str) -> None:
    state = "estimated" if np.isfinite(value) else "too_few"
    number = value if np.isfinite(value) else None
    page.add_finding(
        name, Estimate(number, None, None, page.level, unit, n, 0, "count", state), tier=facts.tier, sentence=sentence
    )  # fmt: skip


def show_five(
    page: Page, facts: ReportData, now: dict[str, Estimate], others: list[tuple[Period, dict[str, Estimate]]]
) -> Blocks:
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
    columns: list[str | Column] = ["number", Column("now", facts.period.label), "range"]
    for place, (period, _) in zip(("before", "year"), others, strict=False):
        columns += [Column(place, period.label), Column(f"{place}_change", f"Change since {period.label}")]
    note = (
        f"Ranges hold the true value in {wording.level_words(page.level)} of cases. With so many changes side by side one or "
        "another leaves out nought by chance alone; what counts as moved is decided for the whole page at once, below."
    )
    return page.add_table(
        "five_numbers", pd.DataFrame(rows), title="Five numbers", columns=columns, note=note
    )


def _keep_number(page: Page, facts: ReportData, name: str, estimate: Estimate, period: Period) -> None:
    unit = UNITS.get(name, "1")
    if estimate.estimate is None:
        text = wording.state_words(estimate)
    elif unit == "share":
        text = wording.share(estimate, events=wording.count_behind(estimate))
    else:
        text = wording.interval(estimate, decimals=2)
    sentence = f"{words.NUMBER_NAMES[name]} in {period.label}: {text}."
    page.add_finding(name, estimate, tier=facts.tier, period=period, sentence=sentence)


def show_signals(page: Page, facts: ReportData) -> Blocks:
    """Every signal with its sentence, its size as a finding, and what else changed then."""
    signals = read_signals(page)
    told = leading_signals(signals)
    date = (pd.Timestamp(facts.step.end) - pd.Timedelta(days=1)).date().isoformat()
    shown = Blocks("", "")
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
            lines = explain_signal(s, mix=s.site not in explained, units=page.units, gauges=page.gauges)
            explained.add(s.site)
            shown += page.text(" ".join([s.sentence, *lines]))
    table = page.add_table(
        "trend_signals",
        signal_table(signals, date=date, units=page.units),
        title=f"Signals in {facts.step.label}",
        columns=["what", "group", "direction", "since", "size_words", "put_down_to"],
        note=signal_note(facts),
    )  # fmt: skip
    return table + shown


def signal_note(facts: ReportData) -> str:
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


@section
def methods(page: Page) -> Blocks:
    """Folded explanations, one a question a reader may ask."""
    facts = load_data(page)
    watch = facts.watch
    compared = (
        f"Here {watch.watched[0]} to {watch.watched[-1]} are watched against {watch.past[0]} to {watch.past[-1]}."
        if watch.past
        else "Here there is no earlier period yet."
    )
    parts = [
        page.explain(
            "what counts as failing",
            "A venting fails when at least one lifter is over the gap limit in force at its first check. A reading taken with "
            "much less than the reference force can't pass. Ventings without such a result are left out and counted.\n\n"
            f"The plausible range holds the true share in {wording.level_words(page.level)} of cases; it is widened where "
            "engines come back, since ventings of one engine are alike.",
        ),
        page.explain(
            "what is expected",
            "From the earlier periods each site's failing share is worked out at a given mix of engine types, reasons, empty "
            "lines, empty coolers and new filters. What the workshop decides itself (tank pressure, gauge, lifter lot, who does "
            "it) is left out on purpose: allowing for it would hide the change looked for. A kind of job never seen before is "
            "expected at the average, with a wide margin.\n\n"
            "Observed over expected: $$ r = O / E, $$ with the exact Poisson range of $O$.",
        ),
        page.explain(
            "what counts as a signal",
            "For each site and for all together, evidence is added up from period to period: a failing venting counts up, a "
            "sound one down, each weighted by how likely it was to fail (a cumulative sum for odds doubled, another for odds "
            "halved). Time to pressure, rotations and the gaps of sound lifters are followed with a weighted average.\n\n"
            "The limits are found by simulation: many innocent presents are drawn from what the past leaves possible, the whole "
            f"page is worked out on each, and the limits are set so that {100 * watch.false_alarms:g} of 100 innocent pages show any "
            f"signal at all. {compared}",
        ),
        page.explain(
            "how gauges are told from engines",
            "A gauge that reads high raises every gap, the sound lifters' too; air raises only the spongy ones'. So each gauge is "
            "compared with the other readings of its site on the lower half of each venting's gaps, within engine types, and the "
            "failing ventings are counted again with the difference taken out.\n\n"
            "Each gauge is held against its own past in the same way, period by period, for a step or a slope from any period on. Whose "
            "move it was is told by what only one of the two shares: other gauges at the same site, the same gauge at other sites, a "
            "study, or the smallest gaps, which a gauge's zero moves as far as the others while force, air and the place of the lever "
            "move gaps in proportion. Where none of these tells, it is said that the records can't.",
        ),
        page.explain(
            "how an action is judged",
            "An action is mostly taken after a bad quarter, and a bad quarter passes by itself. So the quarter that led to it, and all up "
            "to the action, are left out; the year before them says what was usual. Failing ventings of the kind aimed at are counted "
            "beside others that the action can't touch, and the chance of so few after it, had nothing acted on the kind alone, is "
            "worked out exactly, with an allowance for kinds that vary separately. Looks are taken after two and after four quarters "
            "only, at .02 and .03. Below what was usual is called worked. Below the bad quarter alone, given that it was "
            "bad enough to act on, is called fell and no more.\n\n"
            "Where nothing shows, the page says how likely a halving would have shown: with few findings that is small, and then "
            "nothing is said against the action.",
        ),
        page.explain(
            "sites side by side",
            "The funnel's curves show how far a site of a given size may lie from the middle by chance. The second mark draws each "
            "site's share towards all sites, the more the smaller its number.",
        ),
    ]
    shown = parts[0]
    for part in parts[1:]:
        shown += part
    return shown


@section
def limitations(page: Page) -> Blocks:
    """What these data can't say."""
    facts = load_data(page)
    n = int(facts.now["failed_first"].notna().sum())
    sentences = [
        "Why a share moved. The review says where and since when, and what else changed then; a cause is for the workshop to find.",
        "That nothing changed. No signal means that nothing stands out from chance with this many ventings.",
    ]
    if facts.watch.state == "estimated" and n:
        sentences.append(smallest_change(facts.watch.cells, facts.step.label))
    sentences.append(budget_words.allowance_sentence(FAMILY, what="signals"))
    return page.text(*[s for s in sentences if s])


def smallest_change(cells: pd.DataFrame, label: str) -> str:
    """How large a rise at the middle site would have to be to be seen in one period."""
    here = cells[(cells["period"] == label) & (cells["site"] != "") & (cells["n"] > 0)]
    if here.empty:
        return ""
    row = here.sort_values("n").iloc[len(here) // 2]
    share = float(row["expected"] / row["n"])
    seen = share + 3.3 * float(row["variance"]) ** 0.5 / float(row["n"]) if row["n"] else 1.0
    if seen >= 1:
        return "With so few ventings a site, hardly any change at one site can be seen in a single period."
    return (
        f"Small changes at one site. With {int(row['n'])} ventings a site in a period, a rise from {wording.number(share, 'share')} "
        f"to about {wording.number(seen, 'share')} is seen at once; smaller ones take several periods."
    )
