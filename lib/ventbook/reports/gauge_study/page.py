"""The gauge-study report: the answer, the studies behind it, gauges side by side, and how it was worked out."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ventbook.document import plotting, wording
from ventbook.document.sequence import Blocks
from ventbook.physics import gauge
from ventbook.physics.gauge import GaugeStudy
from ventbook.physics.gauge.decision import CORRECTED, OPEN, UNFIT
from ventbook.reports import wording_budget as budget_words
from ventbook.reports.drifted import find_drifts
from ventbook.reports.first_screen import Row, draw_rows
from ventbook.reports.gauge_study import words
from ventbook.reports.gauge_study.data import (
    gauges_off,
    load_data,
    load_decisions,
    readings_of,
    to_display,
    unit_label,
)
from ventbook.reports.gauge_study.decision import verdict_sentences
from ventbook.reports.gauge_study.figures import draw_bias, draw_by_lifter, draw_differences
from ventbook.reports.page import Page, section
from ventbook.reports.quarterly_review.words import drift_sentence
from ventbook.reports.suggestions import Said, suggest
from ventbook.statistics import trends
from ventbook.tables import evidence

SOURCES = {
    "repeat": "the same technician reading again",
    "technician": "who reads",
    "interaction": "who reads which lifter",
    "gauge": "one reading by any technician",
}
FACTOR = 2.0
USUAL = (10, 3)
"""Lifters and technicians that a study has at least (common practice, no source): fewer do not span the gaps or the hands."""
PLAN_LIFTERS, PLAN_TECHNICIANS, PLAN_REPEATS = (5, 10, 15, 20, 30), (2, 3, 4, 5, 6), (2, 3)


@section
def answer(page: Page) -> Blocks:
    """Does each gauge serve for the limit, and does one read differently?"""
    facts = load_data(page)
    none = "" if facts.studies else "No gauge study is in the records."
    moved = [drift_sentence(d, units=page.units) for d in find_drifts(page) if d.verdict != trends.SITE]
    known = [g for g in load_decisions(page).gauges if g.bias_known]
    corrected = [g for g in known if g.verdict.verdict == CORRECTED]
    wrong = [g for g in known if g.verdict.verdict in (CORRECTED, UNFIT)]
    right = suggest(page, "gauge_set_right") if wrong else None
    names = wording.join_words([wording.clean_text(g.name) for g in wrong])
    todo: list[str | Said | None] = [right.led_by(f"{names}:") if right else None]
    if any(g.verdict.verdict == OPEN for g in load_decisions(page).gauges):
        todo.append("Where it can't be told: have the study made that is named beside the gauge.")
    return page.answer(
        none,
        *verdict_sentences(page),
        say_who_stands_out(page),
        *moved,
        todo=todo,
        picture=lead_picture(page),
        more=[words.bias_off(g) for g in corrected],
    )


def lead_picture(page: Page) -> Blocks:
    """How much higher each gauge reads than the others in routine use; nothing where none can be compared."""
    t = load_data(page).routine
    t = t[t["state"] == "estimated"] if len(t) else t
    if t.empty:
        return Blocks()
    unit = unit_label(page)
    ends = (to_display(t[name], page) for name in ("difference_mm", "low", "high"))
    rows = [
        Row(wording.clean_text(name), float(middle), float(low), float(high), f"n = {n}")
        for name, middle, low, high, n in zip(t["gauge"], *ends, t["ventings"], strict=True)
    ]
    figure = draw_rows(
        "Gauges against each other in routine use", rows, xlabel=f"reads higher than the others by [{unit}]", mark=0.0, points=True
    )  # fmt: skip
    return page.add_figure(
        "lead", figure,
        alt=f"How much higher each of {len(rows)} gauges reads than the others, with ranges: "
        + wording.join_words([f"{row.label} {round(row.value, 3) + 0.0:+.3f} {unit}" for row in rows]) + ".",
        caption="A hint, not a study: the gauges did not measure the same lifters. n: ventings.",
    )  # fmt: skip


def say_who_stands_out(page: Page) -> str:
    """Gauges that read differently in routine use, in words."""
    new, explained = gauges_off(page)
    return words.stands_out([wording.clean_text(g) for g in new], explained)


@section
def methods(page: Page) -> Blocks:
    """How the numbers were worked out."""
    return (
        page.explain(
            "the decision at the limit",
            "A reading is the true gap, plus the gauge's bias, plus an error of the gauge's spread, shown to the nearest step. Of lifters "
            "truly at a gap, the share that passes follows from these alone. How many are wrong in this fleet depends on where its true "
            "gaps lie: they are worked out of all readings, each with the bias and spread in force on its day, as the distribution of no "
            "set shape that makes the readings most likely (Kiefer and Wolfowitz; Koenker and Mizera). Ranges come from draws: engines "
            "weighted anew, a bias and a spread for each gauge as well as they are known (JCGM 101), and one reading near the limit that "
            "was not seen. Wrong passes and failures are global consumer's and producer's risks (JCGM 106, 9.5); the acceptance limit "
            "under the limit is the highest step that holds them.\n\n"
            "Readings to add: reference pieces narrow the bias; a further reading of a lifter near the limit is averaged with the first, "
            "weighted by what they do not share. Each way is worked out on the same draws, with the acceptance limit that it then needs.",
        )
        + page.explain(
            "components of a study",
            "Every technician reads every lifter several times. The spread of all readings is taken apart into lifters, technicians, "
            "technician and lifter together, and repeats, by analysis of variance (random effects; the interaction is pooled with the "
            "repeats where its p value is over .25, common practice) or, where a study is not complete, by restricted maximum "
            "likelihood. The gauge's uncertainty is the root of repeats, technicians and interaction together; its range comes from "
            "modified large-sample limits (Graybill and Wang), which hold their level with as few as two technicians and are wide "
            "then: three people say little about how people differ.",
        )
        + page.explain(
            "gauges in routine use",
            "The median reading of each venting is set beside the ventings of other gauges on the same engine type at the same site. "
            "A gauge that stands out is taken from the others' company before those are set side by side again. Engines are left out "
            "one at a time for the range.\n\n"
            "Each gauge is also held against its own past on the lower half of each venting's gaps, quarter by quarter, for a step or a "
            "slope from any quarter on. Whether the gauge or its site moved is told by other gauges there, the same gauge elsewhere, a "
            "study, or the smallest gaps, which a gauge's zero moves as far as the others.",
        )
    )


@section
def limitations(page: Page) -> Blocks:
    """What these data can't say."""
    facts = load_data(page)
    sentences = [
        "A study says how the gauge reads in the hands and on the day of the study, not how it reads in a cold hall after a fall.",
        "A difference between gauges in routine use may be a difference between the engines that they met.",
        "A reading itself is never changed for a bias; a gauge found off belongs on the bench.",
        "Wrong verdicts are expected numbers: which lifters they are, the readings don't say.",
    ]
    people = [s for s in facts.studies if s.technicians < 3]
    if people:
        sentences.append(
            "Where fewer than three technicians took part, what technicians add is hardly known."
        )
    tier = evidence.tier(ventings=page.history_jobs.shape[0], findings=0)
    if tier == "list":
        sentences.append("There are too few ventings to set gauges side by side.")
    held_to = budget_words.allowance_sentence(gauge.FAMILY, what="gauges named here")
    moved = budget_words.allowance_sentence(trends.DRIFT_FAMILY, what="gauges said to have moved")
    return page.text(*sentences, held_to, moved)


@section
def side_by_side(page: Page) -> Blocks:
    """Gauges against each other from routine records: a hint where there is no study."""
    facts = load_data(page)
    t = facts.routine
    if t.empty:
        return page.text("No reading names its gauge, so gauges cannot be set side by side.")
    clean = t.assign(gauge=t["gauge"].map(wording.clean_text))
    out = page.text(*(words.routine_sentence(row, units=page.units) for row in clean.to_dict("records")))
    out += against_own_past(page)
    if (t["state"] == "estimated").any():
        figure, ax = plotting.new_figure(height=1.1 + 0.3 * len(t))
        figure.subplots_adjust(left=0.14, right=0.88, top=0.97, bottom=0.55 / (1.1 + 0.3 * len(t)))
        drawn = pd.DataFrame(
            {
                "gauge": clean["gauge"],
                "difference": to_display(t["difference_mm"], page),
                "low": to_display(t["low"], page),
                "high": to_display(t["high"], page),
                "n": t["ventings"],
            }
        )
        draw_differences(ax, drawn, unit=unit_label(page))
        out += page.add_figure(
            "gauges_in_use",
            figure,
            alt=f"Difference of {len(t)} gauges from the others in routine use with intervals. {say_who_stands_out(page)}",
            caption="Median reading of a venting beside other gauges' on the same engine type and site. n: ventings.",
        )
    return out + page.add_table(
        "gauges_in_use",
        t,
        title="Gauges in routine use, side by side",
        columns=["gauge", "sites", "ventings", "readings", "difference_mm", "low", "high", "note"],
        note="All records up to the end of the period. A hint: the gauges did not measure the same lifters.",
    )


def against_own_past(page: Page) -> Blocks:
    """Gauges that read differently than they used to, each with its finding, or that none does."""
    drifts = find_drifts(page)
    if not drifts:
        return page.text("No gauge reads differently than it used to, as far as these records tell.")
    out = Blocks("", "")
    for drift in drifts:
        out += page.add_finding(
            "gauge_drift", drift.shift, group={"gauge": drift.gauge, "since": drift.since}, tier="compare",
            sentence=drift_sentence(drift, units=page.units),
        )  # fmt: skip
    return out


@section
def studies(page: Page) -> Blocks:
    """Where the spread of each study comes from, and the register's row that it would draft."""
    facts = load_data(page)
    if not facts.studies:
        return page.text(
            "No gauge study is in the records. The plan below tells how large one has to be; the form is a page of the "
            "workbook that the command for record forms writes."
        )
    out = Blocks("", "")
    rows, parts = [], []
    for s in facts.studies:
        study, name = wording.clean_text(s.study), wording.clean_text(s.gauge)
        label = f"{study}, {words.name_of(name)}"
        out += page.add_finding(
            "gauge_uncertainty",
            s.u,
            group={"study": s.study, "gauge": s.gauge},
            tier="describe" if s.state == "estimated" else "list",
            sentence=words.study_sentence(study, name, s.u, s.share_of_limit, units=page.units),
        )
        if s.interaction_p is not None and s.interaction_p < 0.05:
            out += page.text(f"{label}: the difference between technicians depends on the lifter.")
        rows.append(
            {
                "study": s.study,
                "gauge": s.gauge,
                "lifters": s.lifters,
                "technicians": s.technicians,
                "repeats": s.repeats,
                "readings": s.readings,
                "shape": s.shape.replace("_", " "),
                "u_mm": s.u.estimate,
                "u_low": s.u.low,
                "u_high": s.u.high,
                "interaction_p": s.interaction_p,
                "method": s.method,
                "note": s.note,
            }
        )
        parts.append(find_sources(s, facts.limit))
    components = pd.concat(parts, ignore_index=True)
    out += page.add_table(
        "spread_sources",
        components,
        title="Where the error of a reading comes from",
        columns=["study", "gauge", "error_source", "error_mm", "of_limit"],
        note="Standard deviations, the bias with its sign; of the limit: without it. Squares of the first three add up to the fourth's.",
    )
    table = pd.DataFrame(rows).astype(dict.fromkeys(("u_mm", "u_low", "u_high", "interaction_p"), float))
    return (
        out
        + page.add_table(
            "studies",
            table,
            title="Gauge studies",
            columns=[
                "study",
                "gauge",
                "lifters",
                "technicians",
                "repeats",
                "shape",
                "u_mm",
                "u_low",
                "u_high",
                "note",
            ],
        )
        + _draft_rows(page)
    )


def find_sources(s: GaugeStudy, limit: float | None) -> pd.DataFrame:
    """What the error of a reading is made of, in mm and as a share of the limit, in the order in which to look at it."""
    sd = s.components.set_index("component")["sd_mm"]
    rows = [(text, float(sd[name])) for name, text in SOURCES.items()]
    off = np.nan if s.bias.estimate is None else s.bias.estimate
    table = pd.DataFrame([*rows, ("the gauge's own bias", off)], columns=["error_source", "error_mm"])
    table["of_limit"] = table["error_mm"].abs() / limit if limit else np.nan
    return table.assign(study=s.study, gauge=s.gauge)


def _draft_rows(page: Page) -> Blocks:
    """What row of the register each gauge's studies would draft, beside what is in force."""
    drafted = gauge.rows_from_studies(load_data(page).readings)
    if not drafted:
        return Blocks("", "")
    in_force = {g.name: g.row for g in load_decisions(page).gauges}
    rows = []
    for row in drafted:
        now = in_force.get(row.gauge)
        rows.append(
            {
                "gauge": row.gauge,
                "bias_mm": np.nan if row.bias is None else row.bias,
                "bias_u_mm": np.nan if row.bias_uncertainty is None else row.bias_uncertainty,
                "repeat_mm": np.nan if row.repeatability is None else row.repeatability,
                "between_mm": np.nan if row.between_technicians is None else row.between_technicians,
                "source": row.source,
                "in_force": words.beside_the_register(row, now, file=page.gauges.file),
            }
        )
    return page.add_table(
        "drafted_rows",
        pd.DataFrame(rows),
        title="Rows that the studies would draft for the register",
        columns=["gauge", "bias_mm", "bias_u_mm", "repeat_mm", "between_mm", "source", "in_force"],
        note="ventbook gauges writes them as a draft; a person looks them over and keeps the file beside the store.",
    )


@section
def by_lifter(page: Page) -> Blocks:
    """Every reading of each study less its lifter's mean."""
    facts = load_data(page)
    drawn = [s for s in facts.studies if s.state == "estimated"]
    if not drawn:
        return page.text("No study with two lifters read twice, so there is nothing to draw by lifter.")
    figure, axes = plotting.new_figure(rows=len(drawn), height=0.4 + 2.3 * len(drawn), squeeze=False)
    figure.subplots_adjust(
        left=0.11, right=0.98, top=1 - 0.25 / len(drawn) * 0.6, bottom=0.24 / len(drawn), hspace=0.62
    )
    for ax, s in zip(axes[:, 0], drawn, strict=True):
        part = readings_of(facts, s).dropna(subset=["gap_mm"])
        mean = part.groupby("lifter")["gap_mm"].transform("mean")
        table = pd.DataFrame(
            {
                "lifter": part["lifter"].map(wording.clean_text),
                "mean": to_display(mean, page),
                "difference": to_display(part["gap_mm"] - mean, page),
            }
        )
        band = float(to_display(2 * (s.u.estimate or 0.0), page))
        draw_by_lifter(
            ax,
            table,
            band=band,
            unit=unit_label(page),
            title=f"{wording.clean_text(s.study)}, {words.name_of(wording.clean_text(s.gauge))}",
        )
    return page.add_figure(
        "readings_by_lifter",
        figure,
        alt=f"Readings less their lifter's mean for {wording.count(len(drawn), 'study', 'studies')}; band: twice the gauge's uncertainty.",
        caption="A lifter whose readings spread more than the others' is worth looking at: its seat, its lever point. Who read is "
        "not shown.",
    )


@section
def bias(page: Page) -> Blocks:
    """Bias against reference gaps and whether it grows with the gap."""
    facts = load_data(page)
    out = Blocks("", "")
    if not facts.studies:
        return page.text("Without a study with reference gaps no bias is known.")
    for s in facts.studies:
        sentence = words.bias_sentence(wording.clean_text(s.gauge), s.bias, s.slope, units=page.units)
        out += page.add_finding(
            "gauge_bias", s.bias, group={"study": s.study, "gauge": s.gauge},
            tier="describe" if s.bias.estimate is not None else "list", sentence=sentence,
        )  # fmt: skip
    known = [s for s in facts.studies if s.bias.estimate is not None]
    if known:
        figure, ax = plotting.new_figure(height=2.9)
        figure.subplots_adjust(left=0.11, right=0.98, top=0.97, bottom=0.17)
        for index, s in enumerate(known):
            part = readings_of(facts, s).dropna(subset=["gap_mm", "reference_gap_mm"])
            means = part.groupby("lifter")[["gap_mm", "reference_gap_mm"]].mean()
            table = pd.DataFrame(
                {
                    "reference": to_display(means["reference_gap_mm"], page),
                    "difference": to_display(means["gap_mm"] - means["reference_gap_mm"], page),
                }
            )
            label = f"{wording.clean_text(s.study)}, {words.name_of(wording.clean_text(s.gauge))}"
            draw_bias(ax, table, unit=unit_label(page), index=index, label=label)
        ax.legend()
        out += page.add_figure(
            "bias",
            figure,
            alt=f"Mean reading less reference gap over the reference gap for {wording.count(len(known), 'study', 'studies')}.",
            caption="A flat line off 0 is an offset (zero of the gauge); a slope is a wrong scale or lever.",
        )
    return out


@section
def plan(page: Page) -> Blocks:
    """How many lifters, technicians and repeats a study takes."""
    facts = load_data(page)
    done = [s for s in facts.studies if s.state == "estimated" and s.u.estimate]
    repeat, technician, source = 0.015, 0.010, "assumed spreads"
    if done:
        table = done[-1].components.set_index("component")["sd_mm"]
        between = float(np.hypot(table["technician"], table["interaction"]))
        repeat = max(float(table["repeat"]), 1e-4)
        # a study that found nothing between technicians does not show that there is nothing
        technician, source = (
            max(between, repeat / 2),
            f"the spreads of study {wording.clean_text(done[-1].study)}",
        )
    sizes = gauge.plan_study(
        repeat_sd=repeat, technician_sd=technician, lifters=PLAN_LIFTERS, technicians=PLAN_TECHNICIANS,
        repeats=PLAN_REPEATS, level=page.level,
    )  # fmt: skip
    usual = sizes[(sizes["lifters"] >= USUAL[0]) & (sizes["technicians"] >= USUAL[1])]
    best = gauge.choose_size(usual, factor=FACTOR)
    out = page.text(
        words.plan_sentence(None if best is None else best.to_dict(), FACTOR),
        f"Worked out from {source}: repeats {wording.number(repeat, 'mm', units=page.units, decimals=3)}, between technicians "
        f"{wording.number(technician, 'mm', units=page.units, decimals=3)}. The number of technicians decides, not the number of lifters.",
    )
    return out + page.add_table(
        "study_plan",
        sizes,
        title="Sizes of a crossed study",
        columns=[
            "lifters",
            "technicians",
            "repeats",
            "readings",
            "u_low",
            "u_high",
            "factor",
            "repeat_factor",
        ],
        note="From, to: the range such a study gives on average for the gauge's uncertainty.",
        rows=20,
    )
