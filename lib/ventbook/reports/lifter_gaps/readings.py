"""The readings behind the shares: their distribution against the limit, what findings are made of, what extra runs cured.

Shown with the distribution are the gauge's band, the borderline class, force and hold; with the findings air against leak-down,
trapped air, and readings of 0.00 that recur; with the extra run what a second look alone would show.
"""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd

from ventbook.document import plotting, wording
from ventbook.document.blocks import Column
from ventbook.document.sequence import Blocks
from ventbook.model import count_runs_taken, verdicts
from ventbook.physics import gauge
from ventbook.reports import gauges
from ventbook.reports.lifter_gaps import words
from ventbook.reports.lifter_gaps.data import ReportData, limit_label, load_data, shown
from ventbook.reports.lifter_gaps.figures import (
    CAUSE_ORDER,
    draw_air,
    draw_cause_map,
    draw_gap_counts,
    draw_pairs,
)
from ventbook.reports.page import INTERVAL, Page, frame_of, section
from ventbook.results import Estimate
from ventbook.statistics import rates
from ventbook.statistics.rates import CureAnswer
from ventbook.tables.units import display

CLASSES = (
    ("within", "Read within, clear of the limit"),
    ("near_within", "Read within, borderline"),
    ("near_over", "Read over, borderline"),
    ("over", "Read over, clear of the limit"),
    ("not_comparable", "Pressed too lightly: not comparable"),
    ("no_limit", "No limit to hold against"),
)
RECURS = 3


def hang_on_gauge(facts: ReportData) -> dict[str, float]:
    """How many findings of the period hang on the gauge."""
    t = facts.lifters
    return gauge.count_on_the_gauge(t["over_probability_first"], t["over_first"], t["near_limit_first"])


@section
def against_limit(page: Page) -> Blocks:
    """How the gaps lie against the limit, which verdicts hang on the gauge, and how many are expected to be wrong."""
    facts = load_data(page)
    t = facts.lifters[facts.lifters["gap_first_mm"].notna()]
    if t.empty:
        return page.text("No gap was recorded in this period.")
    counts = hang_on_gauge(facts)
    sentences = [words.gauge_sentence(counts, facts.u, units=page.units)]
    sentences.append(
        words.wrong_verdicts(
            counts["expected_false_pass"],
            counts["expected_false_fail"],
            lifters=int(counts["lifters"]),
            n_failed=int(counts["findings"]),
        )
    )
    assumed = t["gauge_u_assumed"].astype(bool)
    if assumed.any():
        sentences.append(
            f"The uncertainty is assumed for {wording.of_total(int(assumed.sum()), len(t), 'reading')}: nothing is known of "
            "their gauge."
        )
    out = page.text(*sentences) + _show_both(page, facts, t)
    wrong = words.long_run(facts.long_run, units=page.units)
    out += page.add_finding(
        "failed_wrongly_share", facts.long_run.failed_wrongly, tier=facts.tier, sentence=wrong
    )
    page.add_finding("passed_wrongly_share", facts.long_run.false_pass, tier=facts.tier, sentence=wrong)
    if facts.limit > 0:
        out += _figure(page, facts, t)
    table = verdicts.class_of_reading(t).value_counts().reindex([k for k, _ in CLASSES], fill_value=0)
    frame = pd.DataFrame(
        {"class": [w for _, w in CLASSES], "lifters": table.to_numpy(), "share": table.to_numpy() / len(t)}
    )
    return out + page.add_table(
        "reading_classes",
        frame,
        title="First readings by class",
        columns=["class", "lifters", "share"],
        note="Borderline: within twice the gauge's uncertainty of the limit; neither pass nor fail.",
    )


def _show_both(page: Page, facts: ReportData, t: pd.DataFrame) -> Blocks:
    """Verdicts as read and as corrected for the gauge's bias: counts, the lifters that differ, and what is known of each gauge."""
    both = gauges.count_both(t)
    out = page.text(gauges.decides_sentence(page.gauges), *gauges.known_sentence(t, page.gauges))
    sentence = gauges.both_sentence(both)
    engines = int(t["engine_id"].nunique())
    for name, n in (("as_read", both.as_read), ("as_corrected", both.as_corrected)):
        counted = Estimate(n, None, None, page.level, "count", both.judged, engines, "register of gauges")
        shown_now = page.add_finding(
            f"lifters_over_{name}", counted, tier=facts.tier if both.judged else "list", sentence=sentence
        )
        out += shown_now if name == "as_read" else Blocks()
    said = gauges.compare_verdicts(t)
    warned = t.assign(
        warning=said, gap_mm=t["gap_first_corrected_mm"], gap_unbiased_mm=t["gap_first_unbiased_mm"]
    )
    warned = warned.assign(bias_mm=t["gauge_bias_mm"], over_limit_probability=t["over_probability_first"])
    columns = ["venting_id", "engine_id", "site", "date", "position", "gauge", "gap_mm", "bias_mm", "gap_unbiased_mm", "over_limit_probability", "warning"]  # fmt: skip
    if both.differ:
        out += page.add_table(
            "bias_warnings",
            warned.loc[said.ne("").to_numpy(), columns],
            title="Verdicts that the gauge's bias would turn",
            columns=columns,
            note="Read these again with another gauge before anything is done or released.",
        )
    return out + page.add_table(
        "gauges_in_force",
        gauges.list_in_force(page.gauges, t, day=page.period.end - dt.timedelta(days=1)),
        title="What is known of the gauges",
        columns=[
            "gauge",
            "since",
            "until",
            "readings",
            "bias_mm",
            "bias_low",
            "bias_high",
            "u_mm",
            "kind_words",
            "made",
            "source",
        ],
        note="Bias: reading less truth, over 0 where the gauge reads high. Nothing stands where nothing is known; the reading then "
        f"counts with a bias of 0 and, without an uncertainty of its own, {wording.number(gauge.ASSUMED_U_MM, 'mm', units=page.units)}: assumed.",
    )


def _figure(page: Page, facts: ReportData, t: pd.DataFrame) -> Blocks:
    gaps = t["gap_first_corrected_mm"].fillna(t["gap_first_mm"]).to_numpy(dtype=float)
    width = facts.step if facts.step >= 0.02 else 0.02
    top = max(float(np.quantile(gaps, 0.999)), 1.6 * facts.limit)
    edges = np.arange(-width / 2, top + width, width)
    counts = np.histogram(np.minimum(gaps, edges[-1] - 1e-9), edges)[0]
    unit = display(0.0, "mm", page.units)[1].label
    figure, ax = plotting.new_figure(height=3.2)
    figure.subplots_adjust(left=0.09, right=0.98, bottom=0.16, top=0.97)
    draw_gap_counts(
        ax,
        shown(edges, page).tolist(),
        counts.tolist(),
        limit=float(shown(facts.limit, page)),
        band=float(shown(2 * facts.u, page)),
        label=limit_label(facts, page),
        unit=unit,
        placeholder=facts.placeholder,
    )
    over = int(verdicts.is_over(gaps, facts.limit).sum())
    return page.add_figure(
        "gap_distribution",
        figure,
        alt=f"Counts of {len(gaps)} first gap readings against the limit; {over} read over it. "
        f"Shaded: twice the gauge's uncertainty about the limit.",
        caption="First readings at reference force. Hatched band: within twice the gauge's uncertainty of the limit. Counts on a "
        "logarithmic axis; the last bar holds everything beyond.",
    )


@section
def off_force(page: Page) -> Blocks:
    """Readings taken at another force or hold than the limit's, and what they become at the reference."""
    facts = load_data(page)
    t = facts.lifters[facts.lifters["gap_first_mm"].notna()]
    corrected = t["corrected"].fillna(False).astype(bool)
    light = ~t["comparable_first"].fillna(True).astype(bool)
    out = page.text(words.off_force(int(corrected.sum()), int(light.sum()), len(t)))
    moved = t[corrected].copy()
    raw_over = verdicts.is_over(moved["gap_first_mm"], moved["limit_mm"])
    now_over = verdicts.is_over(moved["gap_first_corrected_mm"], moved["limit_mm"])
    changed = int((raw_over != now_over).sum())
    if len(moved):
        out += page.text(
            f"{wording.count(changed, 'verdict')} {'change' if changed > 1 else 'changes'} side by the correction."
        )
    moved["verdict"] = verdicts.first_verdict(moved)
    columns = [
        "venting_id",
        "site",
        "position",
        "force_N",
        "hold_s",
        "gap_first_mm",
        "gap_first_corrected_mm",
        "verdict",
    ]
    return out + page.add_table(
        "off_force",
        moved[columns],
        title="Readings off the reference force or hold",
        columns=[
            *columns[:-1],
            Column(
                "verdict",
                "Against the placeholder" if facts.placeholder else "Against the limit",
                "",
                "verdict",
            ),
        ],
        note="Gaps from air hardly depend on the force; gaps from leak-down do. Under 80 % of the reference force a reading "
        "within the limit says nothing.",
        rows=20,
    )


def findings_of(facts: ReportData) -> pd.DataFrame:
    """Lifters of the period over the limit at the first check."""
    return facts.lifters[facts.lifters["over_first"].fillna(False).to_numpy(dtype=bool)]


def cause_counts(found: pd.DataFrame) -> dict[str, int]:
    """Findings by cause, in the fixed order."""
    named = found["cause"].replace("", "unclear").value_counts()
    return {name: int(named.get(name, 0)) for name in CAUSE_ORDER}


@section
def causes(page: Page) -> Blocks:
    """Share of findings of each kind, the air against leak-down map, trapped air by engine type."""
    facts = load_data(page)
    found = findings_of(facts)
    counts = cause_counts(found)
    out = page.text(words.cause_sentence(counts))
    total = len(found)
    rows = []
    for name, n in counts.items():
        part = found[found["cause"].replace("", "unclear") == name]
        air = part["trapped_air_mm3"].dropna()
        growth = part["growth_um_per_s"].dropna()
        rows.append(
            {
                "cause": words.CAUSES[name],
                "findings": n,
                "share": n / total if total else float("nan"),
                "ventings": part["venting_id"].nunique(),
                "air_mm3": air.median() if len(air) else float("nan"),
                "growth": growth.median() if len(growth) else float("nan"),
            }
        )
    mapped = found.assign(cause=found["cause"].replace("", "unclear")).dropna(
        subset=["trapped_air_mm3", "growth_um_per_s"]
    )
    if len(mapped):
        figure, ax = plotting.new_figure(height=3.4)
        figure.subplots_adjust(left=0.10, right=0.98, bottom=0.15, top=0.97)
        draw_cause_map(ax, mapped, names=words.CAUSES)
        out += page.add_figure(
            "air_and_leak_down",
            figure,
            alt=f"Trapped air against growth under force for {len(mapped)} findings with two readings. {words.cause_sentence(counts)}",
            caption="Right: air in the lifter, gone with more running. Up: the gap grows while force is held, as with a leaking check "
            "valve. A cause is named only where the readings make it 80 % probable or more.",
        )
    kinds = [k for k in facts.groups["engine_type"] if (found["engine_type"] == k).any()]
    if found["trapped_air_mm3"].notna().any():
        figure, ax = plotting.new_figure(height=2.8)
        figure.subplots_adjust(left=0.10, right=0.98, bottom=0.12, top=0.97)
        draw_air(ax, found, kinds, group="engine_type")
        out += page.add_figure(
            "trapped_air",
            figure,
            alt=f"Trapped air of the findings by engine type {wording.join_words(kinds)}, median as a bar.",
            caption="Trapped air, not gap: the same gap is another amount of air on another engine layout. Bar: median.",
        )
    table = pd.DataFrame(rows).astype({"share": float, "air_mm3": float, "growth": float})
    return out + page.add_table(
        "causes",
        table,
        title="What the findings are made of",
        columns=["cause", "findings", "share", "ventings", "air_mm3", "growth"],
        note="One reading alone is unclear: read the gap at about half a second and at the end of the hold, write down the force "
        "at both, and read a third time at half the force or 10 to 30 s later. Contradictory: no air and no leak explains "
        "readings that far apart, as a gap that falls while the same force is held; read the lifter again.",
    )


@section
def every_finding(page: Page) -> Blocks:
    """Every lifter of the period that read over the limit or probably is, most probable first."""
    facts = load_data(page)
    t = facts.lifters
    listed = t["over_first"].fillna(False).astype(bool) | (t["over_probability_first"] >= 0.5)
    found = t[listed.to_numpy()].copy()
    found["gap_mm"] = found["gap_first_corrected_mm"]
    found["gap_unbiased_mm"] = found["gap_first_unbiased_mm"]
    found["over_as_read"], found["over_as_corrected"] = (
        found["over_first_as_read"],
        found["over_first_as_corrected"],
    )
    found["over_limit_probability"] = found["over_probability_first"]
    found["cause"] = found["cause"].replace("", "unclear").map(words.CAUSES)
    found = found.sort_values(
        ["over_limit_probability", "gap_mm", "venting_id", "cylinder", "valve"],
        ascending=[False, False, True, True, True],
        kind="stable",
    )
    columns = [
        "venting_id",
        "cylinder",
        "valve",
        "gap_mm",
        "over_limit_probability",
        "air_probability",
        "leak_down_probability",
        "trapped_air_mm3",
        "cause",
        "site",
        "engine_id",
        "date",
        "gap_last_corrected_mm",
        "cured",
        "gauge",
        "gap_unbiased_mm",
        "over_as_read",
        "over_as_corrected",
    ]
    return page.add_table(
        "lifter_findings",
        found[columns],
        title="Every finding",
        columns=[
            "venting_id",
            "engine_id",
            "cylinder",
            "valve",
            "gap_mm",
            "over_as_read",
            "gap_unbiased_mm",
            "over_as_corrected",
            "over_limit_probability",
            "cause",
            "trapped_air_mm3",
            "gap_last_corrected_mm",
            "cured",
        ],
        note="As corrected: with the gauge's bias taken out. Truly over: probability that the true gap is over the limit, given "
        "reading and gauge. Cured: within at the last check after "
        "an extra run.",
    )


@section
def perfect_zeros(page: Page) -> Blocks:
    """Lifters that read 0.00 again and again: no gap is not the best gap."""
    facts = load_data(page)
    listed, share, expected = rates.find_recurring_zeros(facts.history, least=RECURS)
    sentences = [
        f"{wording.number(share, 'share')} of first readings are 0.00. {wording.count(len(listed), 'lifter')} read 0.00 in "
        f"{RECURS} ventings or more; about {expected:.1f} would by chance."
    ]
    if len(listed):
        sentences.append(
            "0.00 is no gap, not the best gap: with low compression on that cylinder it can be a plunger stuck out, holding the "
            "valve off its seat. Compare the compression."
        )
    return page.text(*sentences) + page.add_table(
        "recurring_zeros",
        listed.sort_values(["zeros", "engine_id", "cylinder"], ascending=[False, True, True], kind="stable"),
        title="Lifters that read 0.00 again and again",
        columns=["engine_id", "cylinder", "valve", "site", "ventings", "zeros"],
        note="All records up to the end of the period.",
    )


def cure_of(facts: ReportData, lifters: pd.DataFrame, level: float) -> CureAnswer:
    """Cured share and second-look share of some lifters."""
    gap = _true_gap(lifters, "first").where(lifters["over_first"].fillna(False).astype(bool))
    return rates.compare_cure(
        gap,
        lifters["over_last"],
        lifters["extra_run_between"],
        cluster=lifters["engine_id"],
        u=lifters["gauge_u_mm"].to_numpy(dtype=float),
        limit=_true_limit(facts, lifters),
        spread=facts.spread,
        level=level,
    )


def _true_gap(lifters: pd.DataFrame, which: str) -> pd.Series:
    """Readings of a check less the gauge's bias, as the fleet's true gaps are."""
    return lifters[f"gap_{which}_corrected_mm"] - lifters["gauge_bias_mm"]


def _true_limit(facts: ReportData, lifters: pd.DataFrame) -> np.ndarray:
    """The true gap at which a reading comes to the limit: the limit itself where the corrected reading decides."""
    return (lifters["limit_mm"] - (0.0 if facts.by_correction else 1.0) * lifters["gauge_bias_mm"]).to_numpy(
        float
    )


def looked_again(lifters: pd.DataFrame) -> pd.DataFrame:
    """Lifters read twice with no run between (both runs known and the same)."""
    same = (lifters["last_after_start"] == lifters["first_after_start"]) & (lifters["checks"] > 1)
    return lifters[same.fillna(False).to_numpy(dtype=bool)]


@section
def second_check(page: Page) -> Blocks:
    """Cured share beside the second look, pairs with the band, and second looks in the records."""
    facts = load_data(page)
    answer = cure_of(facts, facts.lifters, page.level)
    sentence = words.cure_sentence(
        answer.cured, answer.passed, answer.alone, answer.expected_alone, answer.chance
    )
    sentence = " ".join(filter(None, [sentence, words.run_taken_sentence(*count_runs_taken(facts.lifters))]))
    out = page.add_finding("cured_share", answer.cured, tier=facts.tier, sentence=sentence)
    if answer.alone.estimate is not None:
        alone = answer.alone
        out += page.add_finding(
            "second_look_share",
            alone,
            tier=facts.tier,
            sentence=f"A second look with nothing done would pass {wording.share(alone, words='with half and one and a half times the uncertainty')}.",
        )
    rows = []
    for site in facts.groups["site"]:
        part = facts.lifters[(facts.lifters["site"] == site).fillna(False)]
        own = cure_of(facts, part, page.level)
        label = wording.clean_text(site)
        page.add_finding(
            "cured_share",
            own.cured,
            group={"site": site},
            tier=facts.tier,
            sentence=words.group_share(label, own.cured, "lifter"),
        )
        rows.append(
            {
                "site": site,
                "read_again": own.cured.n,
                "passed": own.passed,
                "expected_alone": own.expected_alone,
                "estimate": own.cured.estimate,
                "low": own.cured.low,
                "high": own.cured.high,
            }
        )
    again = looked_again(facts.history)
    if len(again):
        measured = rates.cured_share(
            again["over_first"],
            again["over_last"],
            [True] * len(again),
            cluster=again["engine_id"],
            level=page.level,
        )
        if measured.estimate is not None:
            out += page.text(
                f"From the records themselves: of lifters over the limit that were read again with no run between, "
                f"{wording.share(measured, events=wording.count_behind(measured), noun='lifter')} passed."
            )
    out += _recheck_figure(page, facts)
    table = frame_of(rows, ["site", "read_again", "passed"], numbers=(*INTERVAL, "expected_alone"))
    return out + page.add_table(
        "cured_by_site",
        table,
        title="Read again after an extra run, by site",
        columns=["site", "read_again", "passed", "expected_alone", "estimate", "low", "high"],
        note="A lifter over the limit that was not read again after a run is not in the table: it was neither cured nor not.",
    )


def _recheck_figure(page: Page, facts: ReportData) -> Blocks:
    t = facts.lifters
    use = t["extra_run_between"].fillna(False).astype(bool) & t["over_first"].fillna(False).astype(bool)
    t = t[use.to_numpy()]
    pairs = rates.paired_changes(
        _true_gap(t, "first"),
        _true_gap(t, "last"),
        u=t["gauge_u_mm"].to_numpy(dtype=float),
        limit=_true_limit(facts, t),
        spread=facts.spread,
        level=page.level,
    )
    back = ["gap_first_mm", "gap_last_mm", "alone_low", "alone_high"]  # drawn as read
    pairs[back] = pairs[back].add(t["gauge_bias_mm"].reindex(pairs.index), axis=0)
    if len(pairs) < 2 or not facts.limit > 0:
        return Blocks("", "")
    drawn = pd.DataFrame(
        {
            "first": shown(pairs["gap_first_mm"], page),
            "last": shown(pairs["gap_last_mm"], page),
            "alone_low": shown(pairs["alone_low"], page),
            "alone_high": shown(pairs["alone_high"], page),
            "beyond": pairs["beyond"].to_numpy(),
        }
    )
    figure, ax = plotting.new_figure(height=3.6)
    figure.subplots_adjust(left=0.10, right=0.98, bottom=0.14, top=0.97)
    unit = display(0.0, "mm", page.units)[1].label
    draw_pairs(
        ax, drawn, limit=float(shown(facts.limit, page)), label=limit_label(facts, page), unit=unit,
        placeholder=facts.placeholder,
    )  # fmt: skip
    smaller = int((pairs["beyond"] == "smaller").sum())
    return page.add_figure(
        "before_and_after",
        figure,
        alt=f"Last reading over first reading of {len(pairs)} lifters over the limit that were read again after a run; "
        f"{smaller} are smaller than a second look alone would give.",
        caption="Each mark a lifter over the limit at the first check. Grey band: where a second reading with nothing done would "
        f"fall in {wording.level_words(page.level)} of cases; it lies under the diagonal because the first reading was picked for being high.",
    )
