"""The decision at the limit: whether each gauge serves, what it gets wrong in this fleet, and which readings to add."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from ventbook.document import plotting, wording
from ventbook.document.sequence import Blocks
from ventbook.physics import gauge
from ventbook.physics.gauge import Rule
from ventbook.physics.gauge.decision import OPEN, SERVES
from ventbook.reports.gauge_study import words
from ventbook.reports.gauge_study.data import (
    Decisions,
    GaugeInForce,
    load_decisions,
    take_need,
    to_display,
    unit_label,
)
from ventbook.reports.gauge_study.figures import draw_pass_share, draw_true_gaps
from ventbook.reports.page import Page, once_a_page, section

PANELS = 6
WAYS = 3
NEAR_MM = 0.05


@once_a_page
def verdict_sentences(page: Page) -> tuple[str, ...]:
    """One sentence a gauge in use, worst first; gauges of which nothing is known and that decide alike are put together."""
    found = load_decisions(page)
    if found.draws is None:
        return (words.no_verdict(found.missing),)
    limit = wording.limit_text(found.draws.limit, "mm", units=page.units)
    told: list[str] = []
    alike: dict[str, list[GaugeInForce]] = {}
    for g in sorted(found.gauges, key=lambda g: (words.ORDER.index(g.verdict.verdict), g.name)):
        size = None
        if g.verdict.verdict == OPEN:
            size = gauge.size_further_study(
                found.draws, g.place, need=take_need(page), correction=g.error.bias, level=page.level
            )
        further = words.further_study(g, None if size is None else size.to_dict())
        if g.bias_known or g.verdict.verdict != OPEN:
            told.append(words.gauge_verdict(g, limit=limit, further=further, units=page.units))
        else:
            alike.setdefault(further, []).append(g)
    told += [words.nothing_known(group, further=further) for further, group in alike.items()]
    return tuple(told)


@section
def at_the_limit(page: Page) -> Blocks:
    """Of lifters truly at a gap, how many pass; what passes and fails wrongly in this fleet; and the rows in force."""
    found = load_decisions(page)
    if found.draws is None:
        return page.text(words.no_verdict(found.missing))
    out = Blocks("", "")
    for g in found.gauges:
        v, name = g.verdict.as_read, wording.clean_text(g.name)
        group = {"gauge": g.name}
        for id, estimate in (("gauge_wrong_passes", v.pass_share), ("gauge_wrong_failures", v.fail_share)):
            page.add_finding(
                id, estimate, group=group, tier="compare", sentence=words.share_sentence(name, id, estimate),
            )  # fmt: skip
    out += page.text(
        words.need_sentence(take_need(page), found.draws.limit, units=page.units),
        words.DECIDES[page.gauges.by_correction],
    )
    out += _curves(page, found) + _verdicts(page, found) + _rules(page, found) + _true_gaps(page, found)
    return out


def _curves(page: Page, found: Decisions) -> Blocks:
    draws, shown = found.draws, found.gauges[:PANELS]
    assert draws is not None
    rows = -(-len(shown) // 2)
    figure, axes = plotting.new_figure(
        rows=rows, columns=2, height=0.75 + 1.95 * rows, squeeze=False, sharex=True, sharey=True
    )
    high = 0.75 + 1.95 * rows
    figure.subplots_adjust(
        left=0.10, right=0.98, top=1 - 0.3 / high, bottom=0.55 / high, hspace=0.35, wspace=0.10
    )
    reach = max(0.1, *(abs(g.error.bias) + 3 * g.error.u for g in shown))
    gap = np.linspace(max(draws.limit - reach, 0.0), draws.limit + reach, 121)
    limit = wording.limit_text(draws.limit, "mm", units=page.units)
    for ax, g in zip(axes.flat, shown, strict=False):
        table = pd.DataFrame({"gap": to_display(gap, page)})
        table["share"] = 100 * gauge.pass_probability(gap, g.error, limit=draws.limit)
        table["low"], table["high"] = 100 * pass_range(found, g, gap, level=page.level)
        n = g.verdict.as_read.passed + g.verdict.as_read.failed
        draw_pass_share(
            ax, table, limit=float(to_display(draws.limit, page)), label=f"limit {limit}" if ax is axes.flat[0] else "", bias=float(to_display(g.error.bias, page)),
            title=f"{words.name_of(wording.clean_text(g.name))}, n = {n}",
            bias_words=words.bias_mark(g, units=page.units),
        )  # fmt: skip
    for ax in axes.flat[len(shown) :]:
        ax.set_visible(False)
    for ax in axes[-1]:
        ax.set_xlabel(f"true gap [{unit_label(page)}]")
    for ax in axes[:, 0]:
        ax.set_ylabel("readings that pass [%]")
    more = (
        f" {len(found.gauges) - PANELS} more gauges stand in the table." if len(found.gauges) > PANELS else ""
    )
    return page.add_figure(
        "pass_share",
        figure,
        alt=f"Share of readings that pass over the true gap for {wording.count(len(shown), 'gauge')}, with the limit and each gauge's "
        "bias. " + " ".join(words.curve_words(g, units=page.units) for g in shown),
        caption="Of lifters truly at a gap, how many readings pass as read. Dashed: the limit. Arrow: the bias moves the curve by it. "
        f"Grey: what is not known of bias and spread ({wording.level_words(page.level)}). n: readings by the gauge.{more}",
    )


def pass_range(found: Decisions, g: GaugeInForce, gap: np.ndarray, *, level: float) -> np.ndarray:
    """Low and high end of the operating curve over what bias and spread may be, (2, gaps)."""
    assert found.draws is not None
    bias, u = found.draws.bias[:, g.place], found.draws.u[:, g.place]
    curves = [
        gauge.pass_probability(gap, gauge.GaugeError(b, 0.0, s, step=g.error.step), limit=found.draws.limit)
        for b, s in zip(bias, u, strict=True)
    ]
    return np.quantile(curves, [(1 - level) / 2, (1 + level) / 2], axis=0)


def _verdicts(page: Page, found: Decisions) -> Blocks:
    rows = [
        {
            "gauge": g.name or "not recorded",
            "serves": words.VERDICT[g.verdict.verdict],
            "bias_mm": g.error.bias if g.bias_known else np.nan,
            "bias_u_mm": g.error.bias_u,
            "u_mm": g.error.u,
            "step_mm": g.error.step,
            "bias_from": g.row.kind,
            "source": g.row.source,
            "made": "" if g.row.made is None else str(g.row.made),
        }
        for g in found.gauges
    ]
    return page.add_table(
        "gauge_verdicts",
        pd.DataFrame(rows),
        title="Gauges in force: what is known, and whether they serve",
        columns=["gauge", "serves", "bias_mm", "bias_u_mm", "u_mm", "step_mm", "bias_from", "source", "made"],
        note="Bias: reading less truth, over 0 where the gauge reads high; its uncertainty and that of one reading are standard "
        "uncertainties. As in force on the day of the gauge's last reading, "
        + (
            f"from {page.gauges.file}."
            if page.gauges.file
            else "from the studies on record: there is no register."
        ),
    )


def _rules(page: Page, found: Decisions) -> Blocks:
    rows = []
    for g in found.gauges:
        v = g.verdict
        rows.append(_rule_row(g.name, "as read", v.as_read))
        if g.bias_known and g.error.bias:
            rows.append(_rule_row(g.name, "bias taken off", v.corrected))
        if v.guarded is not None and v.guarded.accept < v.as_read.accept:
            up_to = wording.number(
                v.guarded.accept, "mm", units=page.units, decimals=words.decimals(page.units) - 1
            )
            rows.append(_rule_row(g.name, f"as read, passing up to {up_to}", v.guarded))
    return page.add_table(
        "wrong_verdicts",
        pd.DataFrame(rows),
        title="Wrong verdicts in this fleet, by rule",
        columns=[
            "gauge", "rule", "passed", "failed", "passed_wrongly_words", "failed_wrongly_words", "pass_share_words", "fail_share_words",
        ],
        note="Passed and failed: first readings up to the end of the period, comparable ones at this limit. Wrong ones among them are "
        "expected numbers with ranges; of 1000 read: over the long run. An acceptance limit under the limit is the one that holds "
        "wrong passes to the stated share.",
    )  # fmt: skip


def _rule_row(name: str, rule: str, r: Rule) -> dict[str, object]:
    row: dict[str, object] = {
        "gauge": name or "not recorded", "rule": rule, "accept_mm": r.accept, "passed": r.passed, "failed": r.failed
    }  # fmt: skip
    for what, estimate, per in (
        ("passed_wrongly", r.passed_wrongly, 1.0), ("failed_wrongly", r.failed_wrongly, 1.0),
        ("pass_share", r.pass_share, 1000.0), ("fail_share", r.fail_share, 1000.0),
    ):  # fmt: skip
        row |= {what: estimate.estimate, f"{what}_low": estimate.low, f"{what}_high": estimate.high}
        row[f"{what}_words"] = words.few(estimate, per)
    return row


def _true_gaps(page: Page, found: Decisions) -> Blocks:
    """The fleet's own distribution of true gaps over its readings."""
    draws = found.draws
    assert draws is not None
    step = max(e.step for e in draws.errors)
    top = float(np.quantile(found.gap, 0.995)) + 0.1
    at = np.arange(0.0, top, step / 2)
    z = (at[:, None] - draws.middle) / draws.width
    density = 1000 * step * draws.weight @ (np.exp(-0.5 * z**2) / (draws.width * np.sqrt(2 * np.pi))).T
    low, middle, high = np.quantile(density, [(1 - page.level) / 2, 0.5, (1 + page.level) / 2], axis=0)
    off = np.array([e.bias for e in draws.errors])[draws.gauge]
    edge = np.arange(-step / 2, top, step)
    count = np.histogram(draws.reading - off, edge, weights=draws.count)[0]
    table = pd.DataFrame(
        {"gap": to_display(at, page), "density": middle, "low": np.maximum(low, 1e-6), "high": high}
    )
    readings = pd.DataFrame(
        {"gap": to_display(edge[:-1] + step / 2, page), "density": 1000 * count / count.sum()}
    )
    figure, ax = plotting.new_figure(height=3.2)
    figure.subplots_adjust(left=0.11, right=0.98, top=0.97, bottom=0.16)
    limit = wording.limit_text(draws.limit, "mm", units=page.units)
    draw_true_gaps(
        ax,
        table,
        readings,
        limit=float(to_display(draws.limit, page)),
        label=f"limit {limit}",
        unit=unit_label(page),
        per=wording.number(step, "mm", units=page.units),
    )
    near = share_near(found, page)
    return page.add_figure(
        "true_gaps",
        figure,
        alt=f"True gaps of the fleet worked out of {draws.n} readings on {draws.engines} engines, with range and limit. {near}",
        caption=f"The fleet's true gaps, of no set shape, out of {draws.n} readings on {draws.engines} engines. {near} Few lifters near the "
        "limit, few wrong verdicts.",
    )


def share_near(found: Decisions, page: Page) -> str:
    """How many lifters truly lie near the limit, in words."""
    draws = found.draws
    assert draws is not None
    ends = np.array([-NEAR_MM, NEAR_MM]) + draws.limit
    inside = draws.weight @ np.diff(special.ndtr((ends[:, None] - draws.middle) / draws.width), axis=0)[0]
    near = wording.number(NEAR_MM, "mm", units=page.units)
    return f"About {1000 * float(np.median(inside)):.0f} of 1000 lie within {near} of the limit."


@section
def add_readings(page: Page) -> Blocks:
    """Which readings to add to bring wrong passes under the stated share, cheapest first."""
    found = load_decisions(page)
    if found.draws is None:
        return Blocks("", "")
    need, rows = take_need(page), []
    out, fine = Blocks("", ""), []
    for g in found.gauges:
        if g.verdict.verdict == SERVES:
            fine.append(g)
            continue
        asked: dict[str, Any] = {"need": need, "lifters": g.a_quarter, "level": page.level}
        none = gauge.plan_additions(found.draws, g.place, additions=(), **asked)
        if none.iloc[0]["enough"] and none.iloc[0]["accept_mm"] >= found.draws.limit:
            fine.append(g)
            continue
        plan = gauge.plan_additions(found.draws, g.place, **asked)
        out += page.text(words.cheapest(g, plan.iloc[0].to_dict(), need, units=page.units))
        best = plan[plan["enough"]].head(WAYS) if plan["enough"].any() else plan.head(WAYS)
        for _, way in pd.concat([none, best]).drop_duplicates(["once_n", "each", "each_n"]).iterrows():
            rows.append({"gauge": g.name or "not recorded", "way": words.way(way.to_dict()), **way.to_dict()})
    if fine:
        out += page.text(words.nothing_to_add(fine, need))
    if not rows:
        return out
    table = pd.DataFrame(rows).assign(
        wrong_passes=lambda t: 1000 * t["wrong_passes"], high=lambda t: 1000 * t["high"],
        wrong_failures=lambda t: 1000 * t["wrong_failures"],
    )  # fmt: skip
    return out + page.add_table(
        "added_readings",
        table,
        title="Readings to add, by gauge",
        columns=["gauge", "way", "accept_mm", "read_again", "minutes", "wrong_passes", "high", "wrong_failures", "enough"],
        note="A known bias is taken off throughout. Passes up to: what then passes, the limit or under it. Minutes a quarter, at the "
        "number of lifters that the gauge read in a quarter of the last year, those for lifters that fail wrongly included; minutes and "
        "what each reading is worth stand in gauge_decision.toml (common practice, no source). Wrong ones of 1000 read, "
        f"to: upper end of the {wording.level_words(page.level)} range.",
        rows=20,
    )  # fmt: skip
