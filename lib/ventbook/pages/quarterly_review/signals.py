"""Signals of a review: their size, their sentence, and what else changed when they began."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np
import pandas as pd
from scipy import stats

from ventbook import evidence, trends, wording
from ventbook.numerics import BLANK_Z
from ventbook.pages.base import Page
from ventbook.pages.period import Period
from ventbook.pages.quarterly_review.facts import ALSO, GAP, Facts
from ventbook.results import Estimate
from ventbook.units import System
from ventbook.wording import trends as words

#: A change of the mix is told beside a signal from this difference of shares on, when it is this improbable.
TOLD_CHANGE, TOLD_P = 0.15, 0.01
FAMILY = "review_signals.signals"
#: A gauge is told apart without any signal only where it reads off by this much (mm), all gauges looked at together.
GAUGE_MM = 0.03


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
            if gauge.attributed or (self.series == GAP and self._accounts_for(gauge)):
                return gauge
        return None

    def _accounts_for(self, gauge: trends.GaugeShift) -> bool:
        """Whether reading more ventings with this gauge than before makes at least half of the mean's shift."""
        size = self.size.estimate or 0.0
        made = (gauge.shift.estimate or 0.0) * (gauge.share_now - gauge.share_before)
        return gauge.differs and size != 0 and made / size >= 0.5


_KEPT: WeakKeyDictionary[Page, list[Signal]] = WeakKeyDictionary()


def read_signals(page: Page, facts: Facts) -> list[Signal]:
    """The page's signals, sites before the whole, failing ventings before numbers, larger before smaller.

    What else changed is looked up once a page, and only where no site's own signal says it already.
    """
    if page not in _KEPT:
        rows = facts.watch.signals
        order = rows.assign(
            number=rows["series"] != trends.FAILING,
            whole=rows["group"] == "",
            excess=-rows["value"] / rows["limit"],
        ).sort_values(["number", "whole", "excess"], kind="stable")
        at_sites = {(r["series"], r["direction"]) for r in order.to_dict("records") if r["group"]}
        _KEPT[page] = [
            _read(
                page, facts, row, more=bool(row["group"]) or (row["series"], row["direction"]) not in at_sites
            )
            for row in order.to_dict("records")
        ]
    return _KEPT[page]


def leading_signals(signals: Sequence[Signal]) -> list[Signal]:
    """Signals without those over all sites that only repeat what a site's own signal says."""
    at_sites = {(s.series, s.direction) for s in signals if s.site}
    return [s for s in signals if s.site or (s.series, s.direction) not in at_sites]


def _read(page: Page, facts: Facts, row: dict, *, more: bool) -> Signal:
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
    half = float(stats.norm.ppf(0.5 + level / 2)) * float(row["shift_error"])
    ends = [float(row["shift"]) + d for d in (0.0, -half, half)]
    if row["series"] == GAP:
        return Estimate(ends[0], ends[1], ends[2], level, "mm", n, 0, "shift of means against the past")
    middle, low, high = np.exp(ends)
    return Estimate(middle, low, high, level, "1", n, 0, "ratio of means against the past")


def _gauges(
    facts: Facts, site: str, period: Period, labels: Sequence[str], expected: float
) -> list[trends.GaugeShift]:
    sites = [site] if site else facts.sites
    lifters = facts.lifters_in(period)
    found = []
    for name in sites:
        part = expected if site else float(
            facts.watch.cells.query("site == @name and period in @labels")["expected"].sum()
        )  # fmt: skip
        found += trends.compare_gauges(
            lifters, site=name, window=labels, expected=part, period="step", ventings=facts.jobs
        )
    return [gauge for gauge in found if gauge.differs and abs(gauge.shift.estimate or 0) >= GAUGE_MM]


def compare_all_gauges(facts: Facts) -> list[trends.GaugeShift]:
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
    return f"gauge {found.gauge}" if found else ""


def explain_signal(signal: Signal, *, mix: bool = True, units: System = "metric") -> list[str]:
    """Sentences beside a signal: gauges first, then what else changed (``mix``), then what the failing ventings share."""
    out = []
    for g in signal.gauges:
        out.append(
            words.gauge_sentence(
                wording.clean_text(g.gauge), g.site, g.shift, first_used=g.first_used, failing=g.failing,
                corrected=g.corrected, attributed=signal.cause_gauge is g, gap=signal.series == GAP, units=units,
                share_before=g.share_before, share_now=g.share_now,
            )
        )  # fmt: skip
    rows = [{str(k): v for k, v in row.items()} for row in signal.changes.head(4).to_dict("records")]
    if rows and mix:
        out.append(f"What else changed there: {words.change_words(rows)}.")
    elif mix and signal.cause_gauge is None:
        out.append("Nothing else that is recorded changed there by much.")
    allowed, top = signal.shared
    if top is not None and allowed:
        out.append(words.share_sentence(top, asked=allowed == evidence.HINT))
    return out
