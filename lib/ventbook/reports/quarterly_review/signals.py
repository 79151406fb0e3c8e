"""Signals of a review, what else changed when they began, and what to do about them.

A signal has its size and its sentence; actions follow from this review's numbers, and earlier ones are followed up.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from ventbook.document import wording
from ventbook.document.sequence import Blocks
from ventbook.numerics import BLANK_Z
from ventbook.reports.gauges import agrees_with, find_told, told_sentence
from ventbook.reports.left_out import count_left_out, full_sentence, year_of
from ventbook.reports.page import Page, once_a_page
from ventbook.reports.parameters import Period
from ventbook.reports.quarterly_review import words
from ventbook.reports.quarterly_review.data import ALSO, GAP, ReportData, intakes_of, list_not_over, load_data
from ventbook.reports.records import count_rows
from ventbook.reports.suggestions import Said, suggest
from ventbook.results import Estimate
from ventbook.statistics import trends
from ventbook.tables import evidence
from ventbook.tables.gauges import COMPARISON, GaugeRow, Gauges
from ventbook.tables.units import System

#: A change of the mix is told beside a signal from this difference of shares on, when it is this improbable.
TOLD_CHANGE, TOLD_P = 0.15, 0.01
FAMILY = "review_signals.signals"
#: A gauge is told apart without any signal only where it reads off by this much (mm), all gauges looked at together.
GAUGE_MM = 0.03
NO_GAUGES = Gauges()
#: Share of rows held back, and of ventings with lifters left unchecked, from which the form comes before the engines.
HELD_BACK, UNCHECKED = 0.05, 0.10


@dataclass(frozen=True, eq=False)
class Signal:
    """One signal of the page. ``period`` runs from the climb's begin to the end of the review's period."""

    series: str
    site: str
    direction: str
    chart: str
    value: float
    limit: float
    since: str
    period: Period
    size: Estimate
    observed: int
    expected: float
    sentence: str
    changes: pd.DataFrame
    gauges: tuple[trends.GaugeShift, ...]
    common: pd.DataFrame

    @property
    def shared(self) -> tuple[str, dict[str, Any] | None]:
        """What the failing ventings share most of all, and whether that may be named or only asked.

        Held to the share of the signals themselves, all levels looked at together; asked only where the column's blanks
        go with failing.
        """
        if self.common.empty:
            return evidence.NOTHING, None
        allowed = evidence.judge_family(self.common["p_any"], FAMILY, adjusted=True)[0]
        top = {str(k): v for k, v in self.common.iloc[0].items()}
        if allowed == evidence.NAMED and abs(top["blank_z"]) > BLANK_Z:
            allowed = evidence.HINT
        return str(allowed), top

    @property
    def cause_gauge(self) -> trends.GaugeShift | None:
        """The gauge that the signal is put down to, if there is one."""
        for gauge in self.gauges:
            if self.series == GAP:
                moved = (
                    self._is_moved_by(gauge)
                    and gauge.drift is not None
                    and gauge.drift.verdict == trends.GAUGE
                )
                if moved or self._is_more_of(gauge):
                    return gauge
            elif gauge.attributed:
                return gauge
        return None

    @property
    def doubtful_gauges(self) -> list[trends.GaugeShift]:
        """Gauges that the signal may be due to as well as to the site, where it is put down to none."""
        if self.cause_gauge is not None:
            return []
        if self.series != GAP:
            return [gauge for gauge in self.gauges if gauge.doubtful]
        return [g for g in self.gauges if g.drift and self._is_moved_by(g) and g.drift.verdict == trends.OPEN]

    def _is_more_of(self, gauge: trends.GaugeShift) -> bool:
        """Whether reading more ventings with this gauge than before makes at least half of the mean's shift."""
        size = self.size.estimate or 0.0
        made = (gauge.shift.estimate or 0.0) * gauge.used_more
        return gauge.differs and size != 0 and made / size >= 0.5

    def _is_moved_by(self, gauge: trends.GaugeShift) -> bool:
        """Whether the gauge's own move, as far as it is used, makes at least half of the mean's shift."""
        size = self.size.estimate or 0.0
        made = gauge.drift.mean_since(self.since) * gauge.share_now if gauge.drift else 0.0
        return size != 0 and made / size >= 0.5


@once_a_page
def read_signals(page: Page) -> list[Signal]:
    """The page's signals, sites before the whole, failing ventings before numbers, larger before smaller."""
    return list_signals(page, load_data(page))


def list_signals(page: Page, facts: ReportData) -> list[Signal]:
    """The signals of any facts, in that order.

    What else changed is looked up only where no site's own signal says it already.
    """
    rows = facts.watch.signals
    order = rows.assign(
        number=rows["series"] != trends.FAILING,
        whole=rows["group"] == "",
        excess=-rows["value"] / rows["limit"],
    ).sort_values(["number", "whole", "excess"], kind="stable")
    at_sites = {(r["series"], r["direction"]) for r in order.to_dict("records") if r["group"]}
    return [
        _read(page, facts, row, more=bool(row["group"]) or (row["series"], row["direction"]) not in at_sites)
        for row in order.to_dict("records")
    ]


def leading_signals(signals: Sequence[Signal]) -> list[Signal]:
    """Signals without those over all sites that only repeat what a site's own signal says."""
    at_sites = {(s.series, s.direction) for s in signals if s.site}
    return [s for s in signals if s.site or (s.series, s.direction) not in at_sites]


def _read(page: Page, facts: ReportData, row: dict, *, more: bool) -> Signal:
    since, site, series = str(row["since"]), str(row["group"]), str(row["series"])
    labels = [label for label in facts.labels if label >= since]
    period = Period("", facts.step_of(since).start, facts.step.end)
    size = size_of(row, level=page.level)
    observed = 0 if np.isnan(row["observed"]) else int(row["observed"])
    expected = 0.0 if np.isnan(row["expected"]) else float(row["expected"])
    told, common, gauges = pd.DataFrame(), pd.DataFrame(), []
    if more:
        here = facts.jobs if not site else facts.jobs[facts.jobs["site"] == site]
        changes = trends.compare_mix(here, past=facts.watch.past, recent=labels, columns=ALSO, period="step")
        told = changes[(changes["change"].abs() >= TOLD_CHANGE) & ~(changes["p"] >= TOLD_P)]
        told = told.sort_values("change", ascending=False, kind="stable").drop_duplicates("column")
        if series in (trends.FAILING, GAP):
            gauges = _gauges(facts, site, period, labels, expected)
        if series == trends.FAILING and row["direction"] == "up":
            columns = [name for name in ALSO if name != "technician"]
            common = trends.compare_failing(
                here[here["step"].isin(labels)],
                failed="failed_first",
                columns=columns,
                stratum="site",
                seed=page.seed,
            )
    sentence = words.signal_sentence(
        series, site, str(row["direction"]), since=since, current=facts.step.label, size=size, observed=observed,
        expected=expected, units=page.units,
    )  # fmt: skip
    return Signal(
        series, site, str(row["direction"]), str(row["chart"]), float(row["value"]), float(row["limit"]), since,
        period, size, observed, expected, sentence, told, tuple(gauges), common,
    )  # fmt: skip


def size_of(row: dict, *, level: float) -> Estimate:
    """How large a signal is: observed over expected, ratio of means, or shift in mm."""
    n = int(row["n"])
    if row["series"] == trends.FAILING:
        return trends.observed_over_expected(float(row["observed"]), float(row["expected"]), level=level, n=n)
    unit = "mm" if row["series"] == GAP else "1"
    return trends.shift_of_means(float(row["shift"]), float(row["shift_error"]), unit=unit, level=level, n=n)


def _gauges(
    facts: ReportData, site: str, period: Period, labels: Sequence[str], expected: float
) -> list[trends.GaugeShift]:
    sites = [site] if site else facts.sites
    lifters, drifts = facts.lifters_in(period), facts.drifts_since(labels[0])
    found = []
    for name in sites:
        part = expected if site else float(
            facts.watch.cells.query("site == @name and period in @labels")["expected"].sum()
        )  # fmt: skip
        found += trends.compare_gauges(
            lifters, site=name, window=labels, expected=part, period="step", ventings=facts.jobs, drifts=drifts
        )  # fmt: skip
    return [g for g in found if g.drift or (g.differs and abs(g.shift.estimate or 0) >= GAUGE_MM)]


def compare_all_gauges(facts: ReportData) -> list[trends.GaugeShift]:
    """Every gauge used in the period's last step, each site's against the rest of that site's readings."""
    cells, lifters = facts.watch.cells, facts.lifters_in(facts.step)
    found = []
    for site in facts.sites:
        expected = float(
            cells[(cells["site"] == site) & (cells["period"] == facts.step.label)]["expected"].sum()
        )
        found += trends.compare_gauges(
            lifters,
            site=site,
            window=[facts.step.label],
            expected=expected,
            period="step",
            ventings=facts.jobs,
            drifts=facts.drifts,
        )
    return found


def find_odd_gauges(gauges: Sequence[trends.GaugeShift]) -> list[trends.GaugeShift]:
    """Gauges that differ by more than chance makes among all of them looked at together, and by GAUGE_MM at least."""
    allowed = evidence.judge_family([g.p for g in gauges], "gauge.review")
    return [
        g
        for g, standing in zip(gauges, allowed, strict=True)
        if standing == evidence.NAMED and abs(g.shift.estimate or 0.0) >= GAUGE_MM
    ]


def signal_table(signals: Sequence[Signal], *, date: str, units: System = "metric") -> pd.DataFrame:
    """trend_signals.csv: one row a signal, first the columns that other programs read."""
    columns = ["series", "group", "date", "direction", "chart", "value", "limit"]
    more = [
        "since",
        "size",
        "size_low",
        "size_high",
        "unit",
        "observed",
        "expected",
        "put_down_to",
        "what",
        "size_words",
    ]
    rows = [
        (s.series, s.site or "all sites", date, s.direction, s.chart, s.value, s.limit, s.since, s.size.estimate, s.size.low,
         s.size.high, s.size.unit, *((s.observed, s.expected) if s.series == trends.FAILING else (np.nan, np.nan)), cause_of(s, signals),
         words.SERIES_WORDS[s.series], words.size_words(s.series, s.size, units=units))
        for s in signals
    ]  # fmt: skip
    table = pd.DataFrame(rows, columns=[*columns, *more])
    return table.astype(
        {"value": float, "limit": float, "size": float, "size_low": float, "size_high": float}
    )


def cause_of(signal: Signal, signals: Sequence[Signal]) -> str:
    """What a signal is put down to; one over all sites takes it from the sites' own."""
    same = [s for s in signals if (s.series, s.direction) == (signal.series, signal.direction)]
    found = signal.cause_gauge or (
        None if signal.site else next((s.cause_gauge for s in same if s.cause_gauge), None)
    )
    if found:
        return f"gauge {found.gauge}"
    doubtful = signal.doubtful_gauges or [g for s in same for g in s.doubtful_gauges if not signal.site]
    return f"gauge {doubtful[0].gauge} or the site" if doubtful else ""


def explain_signal(
    signal: Signal, *, mix: bool = True, units: System = "metric", gauges: Gauges = NO_GAUGES
) -> list[str]:
    """Sentences beside a signal: gauges first, then what else changed (``mix``), then what the failing ventings share."""
    out = []
    day = signal.period.end - dt.timedelta(days=1)
    for g in signal.gauges:
        if g.drift and not (signal.cause_gauge is g and g.drift.verdict != trends.GAUGE):
            out.append(_say_drift(signal, g, units))
            continue
        row = find_told(gauges, g.gauge, day)
        out.append(
            words.gauge_sentence(
                g,
                attributed=signal.cause_gauge is g,
                gap=signal.series == GAP,
                units=units,
                told="" if row is None else told_sentence(row, day, units=units),
            )
        )
    rows = [{str(k): v for k, v in row.items()} for row in signal.changes.head(4).to_dict("records")]
    if rows and mix:
        out.append(f"What else changed there: {words.change_words(rows)}.")
    elif mix and signal.cause_gauge is None and not signal.doubtful_gauges:
        out.append("Nothing else that is recorded changed there by much.")
    allowed, top = signal.shared
    if top is not None and allowed:
        out.append(words.share_sentence(top, asked=allowed == evidence.HINT))
    return out


def _say_drift(signal: Signal, g: trends.GaugeShift, units: System) -> str:
    assert g.drift is not None
    recount = (g.failing, g.corrected) if signal.series != GAP else None
    if signal.cause_gauge is g or g in signal.doubtful_gauges:
        return words.drift_sentence(g.drift, recount=recount, units=units)
    return words.drift_sentence(g.drift, recount=recount, explains=False, units=units)


@dataclass(frozen=True)
class Action:
    """Something to consider, where, and the number it rests on; ``aims``: at findings, which may judge it once it is taken.

    ``suggestion``: its name in ``data/suggestions.toml`` where it is done at an engine.
    """

    where: str
    what: str
    why: str
    gauge: tuple[str, Estimate] | None = field(default=None, compare=False)
    aims: bool = field(default=False, compare=False)
    suggestion: str = field(default="", compare=False)


def find_what(page: Page, action: Action) -> Said:
    """What to do; at an engine within the limits in force."""
    gauge = {"gauge": wording.clean_text(action.gauge[0])} if action.gauge else {}
    said = suggest(page, action.suggestion, **gauge) if action.suggestion else None
    return said or Said(action.what, ())


def say_what(page: Page, action: Action) -> str:
    """The same with its cautions in one text."""
    return find_what(page, action).whole


def list_actions(page: Page, *, cite: Callable[[Page, str], str]) -> Blocks:
    """Actions to consider, most pressing first; none is said as well. ``cite``: what is under way at a site already."""
    facts = load_data(page)
    found = propose_actions(page)
    for action in found:
        if action.gauge is not None:
            name, shift = action.gauge
            sentence = f"{action.where}: {action.what} {action.why}"
            group = {"gauge": name, "site": action.where}
            page.add_finding("gauge_difference", shift, group=group, tier=facts.tier, sentence=sentence)
    rows = pd.DataFrame(
        [(a.where, say_what(page, a), f"{a.why} {cite(page, a.where)}".strip()) for a in found],
        columns=["where", "what", "why"],
    )
    note = "" if found else "Nothing on this page asks for action: carry on, and look again next time."
    return page.add_table(
        "actions_to_consider", rows, title="Actions to consider",
        columns=["where", "what", "why"], note=note,
    )  # fmt: skip


@once_a_page
def propose_actions(page: Page) -> list[Action]:
    """Actions from signals, earlier signals that are not over, gauges and the state of the records."""
    facts = load_data(page)
    signals = leading_signals(read_signals(page))
    found = _for_left_out(page, at_engine=True)  # on record, not inferred: first
    for signal in signals:
        found += act_on_signal(signal, page.units, page.gauges)
    for row in list_not_over(page):
        found += _for_not_over(facts, row)
    blamed = {a.what for a in found}
    found += [a for a in act_on_gauges(facts, page.units, page.gauges) if a.what not in blamed]
    found += [*_for_left_out(page, at_engine=False), *_for_records(page, facts)]
    return list(dict.fromkeys(found))


def act_on_gauges(facts: ReportData, units: System, gauges: Gauges = NO_GAUGES) -> list[Action]:
    """Gauges to be held against another one, without any signal: odd ones, and those that moved and are in use."""
    moved = [
        drift
        for drift in facts.drifts
        if drift.is_plain and drift.verdict != trends.SITE and drift.last == facts.step.label
    ]
    odd = find_odd_gauges(compare_all_gauges(facts))
    own = {drift.gauge for drift in moved}
    day = facts.step.end
    return [_check_drift(drift, units, gauges, day) for drift in moved] + [
        _check_gauge(g, units, gauges, day) for g in odd if g.gauge not in own
    ]


def _check_drift(drift: trends.GaugeDrift, units: System, gauges: Gauges, until: dt.date) -> Action:
    name, day = wording.clean_text(drift.gauge), until - dt.timedelta(days=1)
    where = wording.join_words(list(drift.sites))
    row = find_told(gauges, drift.gauge, day)
    if row is not None and agrees_with(row, drift.shift, day, least=GAUGE_MM):
        return _act_on_known(where, row, told_sentence(row, day, units=units), (name, drift.shift))
    return Action(
        where,
        f"Hold gauge {name} against another one or a reference before acting on engines.",
        words.drift_sentence(drift, units=units),
        (name, drift.shift),
        suggestion="compare_gauge",
        aims=True,
    )


def _act_on_known(where: str, row: GaugeRow, why: str, gauge: tuple[str, Estimate]) -> Action:
    if row.kind == COMPARISON:
        what = f"Hold gauge {gauge[0]} against known gaps: the comparison doesn't tell which of the gauges is off."
        return Action(where, what, why, gauge)
    what = f"Have gauge {gauge[0]} set right."
    return Action(where, what, why, gauge, suggestion="gauge_set_right_until")


def _check_gauge(g: trends.GaugeShift, units: System, gauges: Gauges, until: dt.date) -> Action:
    """What to do about a gauge that reads differently: never a comparison that was made, where it still holds."""
    name, day = wording.clean_text(g.gauge), until - dt.timedelta(days=1)
    row = find_told(gauges, g.gauge, day)
    word = "high" if (g.shift.estimate or 0) > 0 else "low"
    low, high = sorted(abs(v) for v in (g.shift.low or 0.0, g.shift.high or 0.0))
    span = words.gap_range(low, high, units=units)
    if row is not None and agrees_with(row, g.shift, day, least=GAUGE_MM):
        return _act_on_known(g.site, row, told_sentence(row, day, units=units), (name, g.shift))
    known = ""
    if row is not None:
        known = f" It is another difference than was known: {told_sentence(row, day, units=units)}"
    return Action(
        g.site,
        f"Hold gauge {name} against another one or a reference before acting on engines.",
        f"It reads {words.gap_text(abs(g.shift.estimate or 0.0), units=units)} {word} (plausible range {span}) against "
        f"the other readings at the site.{known}",
        (name, g.shift),
        aims=True,
        suggestion="compare_gauge",
    )


def act_on_signal(s: Signal, units: System, gauges: Gauges = NO_GAUGES) -> list[Action]:
    where = s.site or "all sites"
    if s.cause_gauge is not None:
        drift = s.cause_gauge.drift
        if drift is not None and drift.verdict == trends.GAUGE:
            return [_check_drift(drift, units, gauges, s.period.end)]
        return [_check_gauge(s.cause_gauge, units, gauges, s.period.end)]
    doubtful = [_check_drift(g.drift, units, gauges, s.period.end) for g in s.doubtful_gauges if g.drift]
    if doubtful:
        return doubtful
    if s.series == trends.FAILING and s.direction == "up":
        out = [
            Action(
                where,
                f"Go through the {s.observed} failing ventings since {s.since} one by one (list below): filling of lines and "
                "cooler, tank pressure, lifters fitted.",
                f"{s.observed} failing ventings where {s.expected:.1f} were to be expected.",
                aims=True,
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
                    aims=True,
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
                where, "Look at what stands between venting and first start: rest time, rotations after pressure, suction joints.",
                f"Oil pressure takes {wording.number(s.size.estimate, '1', decimals=2)} times as long since {s.since}.",
                suggestion="before_first_start",
            )
        ]  # fmt: skip
    if s.series == "rotations_ratio" and s.direction == "up":
        return [
            Action(
                where, "Look for air drawn in on the suction side, and ask how rotations are counted.",
                f"{wording.number(s.size.estimate, '1', decimals=2)} times the rotations of the past are needed for the same lines since {s.since}.",
                suggestion="air_drawn_in",
            )
        ]  # fmt: skip
    if s.series == GAP:
        return [
            Action(
                where, "Look at how gaps are measured: gauge, force, hold, place of the lever.",
                f"Sound lifters read {words.gap_text(s.size.estimate, units=units)} more than before since {s.since}."
                if s.direction == "up"
                else f"Sound lifters read {words.gap_text(abs(s.size.estimate or 0.0), units=units)} less than before since {s.since}.",
                suggestion="how_gaps_are_measured",
            )
        ]  # fmt: skip
    return []


def _for_left_out(page: Page, *, at_engine: bool) -> list[Action]:
    """What a site leaves out far more often than the others, where something is to be done at the engine, or only to be asked."""
    beyond = year_of(page.period).start < page.period.start
    return [
        Action(
            row.now.site,
            row.question,
            full_sentence(row, label=page.period.label, year=beyond),
            aims=at_engine,
            suggestion=row.suggestion,
        )
        for row in count_left_out(page).named
        if bool(row.suggestion) == at_engine
    ]


def _for_not_over(facts: ReportData, row: dict[str, Any]) -> list[Action]:
    if row["direction"] != "up":
        return []
    return [
        Action(
            row["group"] or "all sites",
            f"Keep the matter of the {row['period']} review open: it is not over. Go through the failing ventings of "
            f"{facts.period.label} again.",
            f"{int(row['observed'])} failing ventings where {row['expected']:.1f} were expected at that time.",
            aims=True,
        )
    ]


def _for_records(page: Page, facts: ReportData) -> list[Action]:
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
