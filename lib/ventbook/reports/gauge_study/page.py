"""What the sections of the gauge report share, worked out once a page.

The answer, how it was worked out, and what the data can't say.

Figures of the gauge-study report.

Gauges in routine use side by side, and what each does to the verdicts.

The studies: components, readings by lifter, bias, and the size of the next one.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ventbook.document import plotting, wording
from ventbook.document.plotting import COLORS, MARKERS
from ventbook.document.sequence import Blocks
from ventbook.model.verdicts import is_over
from ventbook.physics import gauge
from ventbook.physics.gauge import GaugeStudy
from ventbook.reports import wording_budget as budget_words
from ventbook.reports.gauge_study import words
from ventbook.reports.lifter_gaps import words as lifter_words
from ventbook.reports.page import Page, once_a_page
from ventbook.tables import evidence
from ventbook.tables.units import display

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@dataclass(frozen=True)
class ReportData:
    """Studies of the records, gauges in routine use up to the end of the period, and the limit they serve (mm)."""

    readings: pd.DataFrame
    studies: tuple[GaugeStudy, ...]
    routine: pd.DataFrame
    by_gauge: pd.DataFrame
    limit: float | None
    lifters: pd.DataFrame


@once_a_page
def load_data(page: Page) -> ReportData:
    """What the report's sections read."""
    readings = page.records.get("gauge_readings", pd.DataFrame())
    lifters = page.history_lifters
    limits = lifters["limit_mm"].dropna()
    limit = float(limits.mode().iloc[0]) if len(limits) else None
    if limit is None:
        found = page.limits.find("lifter_gap", "*", page.period.end - dt.timedelta(days=1))
        limit = None if found is None else found.high
    studies = []
    for study, name in gauge.list_studies(readings):
        part = readings[(readings["study"] == study) & (readings["gauge"].fillna("") == name)]
        studies.append(gauge.analyse_study(part, limit=limit, level=page.level, study=study, gauge=name))
    used = sorted(lifters["gauge"].dropna().astype(str).unique())
    again = (lifters["last_after_start"] == lifters["first_after_start"]) & (lifters["checks"] > 1)
    again &= lifters["gauge"] == lifters["gauge_last"]
    rechecks = lifters.loc[again.fillna(False).to_numpy(dtype=bool), ["gauge", "gap_first_mm", "gap_last_mm"]]
    by_gauge = gauge.uncertainty_by_gauge(studies, gauges=used, rechecks=rechecks)
    routine = gauge.compare_gauges(lifters, level=page.level)
    looked = routine["p"].where(routine["state"] == "estimated")
    routine = routine.assign(standing=evidence.judge_family(looked, gauge.FAMILY))
    return ReportData(readings, tuple(studies), routine, by_gauge, limit, lifters)


def to_display(values: object, page: Page) -> np.ndarray:
    """mm in the page's display unit."""
    return np.asarray(display(np.asarray(values, dtype=float), "mm", page.units)[0], dtype=float)


def unit_label(page: Page) -> str:
    """Label of the display unit of gaps."""
    return display(0.0, "mm", page.units)[1].label


def gauges_off(facts: ReportData) -> list[str]:
    """Gauges that read differently in routine use by more than chance makes among all of them, and share strata with others."""
    t = facts.routine
    sure = (t["standing"] == evidence.NAMED) & ~t["note"].str.contains("can't be told apart")
    return t.loc[sure, "gauge"].astype(str).tolist()


def readings_of(facts: ReportData, s: GaugeStudy) -> pd.DataFrame:
    """The readings of one study."""
    r = facts.readings
    return r[(r["study"].astype(str) == s.study) & (r["gauge"].fillna("").astype(str) == s.gauge)]


def answer(page: Page) -> Blocks:
    """Is the gauge good enough, and does one read differently?"""
    facts = load_data(page)
    sentences = []
    if not facts.studies:
        sentences.append(
            "No gauge study is in the records, so a reading's uncertainty is assumed "
            f"({wording.number(gauge.ASSUMED_U_MM, 'mm', units=page.units)})."
        )
    for study in facts.studies:
        sentences.append(
            words.study_sentence(
                wording.clean_text(study.study),
                wording.clean_text(study.gauge),
                study.u,
                study.share_of_limit,
                study.classes,
                units=page.units,
            )
        )
        if (
            study.bias.low is not None
            and study.bias.high is not None
            and not study.bias.low <= 0 <= study.bias.high
        ):
            sentences.append(
                words.bias_sentence(
                    wording.clean_text(study.gauge), study.bias, study.slope, units=page.units
                )
            )
    sentences.append(words.stands_out([wording.clean_text(g) for g in gauges_off(facts)]))
    return page.answer(*sentences)


def methods(page: Page) -> Blocks:
    """How the numbers were worked out."""
    return page.explain(
        "components of a study",
        "Every technician reads every lifter several times. The spread of all readings is taken apart into lifters, technicians, "
        "technician and lifter together, and repeats, by analysis of variance (random effects; the interaction is pooled with the "
        "repeats where its p value is over .25, common practice) or, where a study is not complete, by restricted maximum "
        "likelihood. The gauge's uncertainty is the root of repeats, technicians and interaction together; its range comes from "
        "modified large-sample limits (Graybill and Wang), which hold their level with as few as two technicians and are wide "
        "then: three people say little about how people differ.\n\n"
        r"Classes told apart: $\sqrt{2}\,\sigma_\mathrm{lifter} / \sigma_\mathrm{gauge}$, cut to a whole number.",
    ) + page.explain(
        "gauges in routine use",
        "The median reading of each venting is set beside the ventings of other gauges on the same engine type at the same site. "
        "A gauge that stands out is taken from the others' company before those are set side by side again. Engines are left out "
        "one at a time for the range.",
    )


def limitations(page: Page) -> Blocks:
    """What these data can't say."""
    facts = load_data(page)
    sentences = [
        "A study says how the gauge reads in the hands and on the day of the study, not how it reads in a cold hall after a fall.",
        "A difference between gauges in routine use may be a difference between the engines that they met.",
        "Readings are not corrected for a bias; a gauge found off belongs on the bench.",
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
    return page.text(*sentences, held_to)


def draw_by_lifter(ax: Axes, table: pd.DataFrame, *, band: float, unit: str, title: str) -> Axes:
    """Each reading less its lifter's mean, lifters from the smallest to the largest gap; band: twice the uncertainty.

    ``table``: lifter, mean, difference (display unit). Who read is not drawn.
    """
    order = table.groupby("lifter")["mean"].first().sort_values().index.tolist()
    place = table["lifter"].map({name: i for i, name in enumerate(order)}).to_numpy(float)
    rank = table.groupby("lifter").cumcount().to_numpy(float)
    most = max(rank.max(initial=0.0), 1.0)
    ax.axhspan(-band, band, color=COLORS[4], alpha=0.18, linewidth=0)
    ax.axhline(0, color="#777777", linewidth=0.8)
    ax.plot(
        place + 0.5 * (rank / most - 0.5), table["difference"], linestyle="none", marker=MARKERS[0], color=COLORS[0],
        markersize=3.2, alpha=0.8,
    )  # fmt: skip
    ax.set_xticks(range(len(order)), order, fontsize=7.5)
    ax.set_xlabel("lifter, smallest gap first")
    ax.set_ylabel(f"reading less mean [{unit}]")
    ax.set_title(title, fontsize=9)
    return ax


def draw_bias(ax: Axes, table: pd.DataFrame, *, unit: str, index: int, label: str) -> Axes:
    """Mean reading of each lifter less its reference, over the reference. ``table``: reference, difference."""
    t = table.sort_values("reference")
    ax.axhline(0, color="#777777", linewidth=0.8)
    ax.plot(
        t["reference"], t["difference"], marker=MARKERS[index % 6], color=COLORS[index % 6], markersize=4.5, linewidth=0.9,
        linestyle=":", label=label,
    )  # fmt: skip
    ax.set_xlabel(f"reference gap [{unit}]")
    ax.set_ylabel(f"reading less reference [{unit}]")
    return ax


def draw_differences(ax: Axes, table: pd.DataFrame, *, unit: str) -> Axes:
    """Differences of gauges from the others with intervals, one row a gauge. ``table``: gauge, difference, low, high, n."""
    place = np.arange(len(table))[::-1]
    ax.axvline(0, color="#777777", linewidth=0.9)
    value, low, high = (table[c].to_numpy(dtype=float) for c in ("difference", "low", "high"))
    for y, middle, start, end, n in zip(place, value, low, high, table["n"].to_numpy(dtype=int), strict=True):
        if np.isfinite(middle):
            ax.plot([start, end], [y, y], color=COLORS[4], linewidth=1.6)
            ax.plot([middle], [y], marker=MARKERS[0], color=COLORS[0], markersize=5.5)
        ax.annotate(
            f"n = {n}", (1.01, y), xycoords=("axes fraction", "data"), ha="left", va="center", fontsize=7.5,
            color="#444444",
        )  # fmt: skip
    ax.set_yticks(place, table["gauge"].astype(str).tolist(), fontsize=8.5)
    ax.set_ylim(-0.7, len(table) - 0.3)
    ax.set_xlabel(f"reads higher than the others by [{unit}]")
    return ax


def draw_plan(ax: Axes, plan: pd.DataFrame, *, factor: float) -> Axes:
    """How far the gauge could be worse than found, by number of readings, a line a number of technicians."""
    for index, (people, part) in enumerate(plan.groupby("technicians")):
        best = part.groupby("readings")["factor"].min()
        ax.plot(
            best.index, best.to_numpy(), marker=MARKERS[index % 6], color=COLORS[index % 6], linewidth=1.1, markersize=4.5,
            label=f"{people} technicians",
        )  # fmt: skip
    ax.axhline(factor, color="#8b0000", linestyle="--", linewidth=1.0)
    ax.set_ylim(1.0, max(2.0, factor * 1.2, min(6.0, float(plan["factor"].max()) * 1.05)))
    ax.set_xlabel("readings in the study")
    ax.set_ylabel("upper end over true uncertainty")
    ax.legend(fontsize=8)
    return ax


def side_by_side(page: Page) -> Blocks:
    """Gauges against each other from routine records: a hint where there is no study."""
    facts = load_data(page)
    t = facts.routine
    if t.empty:
        return page.text("No reading names its gauge, so gauges cannot be set side by side.")
    clean = t.assign(gauge=t["gauge"].map(wording.clean_text))
    out = page.text(*(words.routine_sentence(row, units=page.units) for row in clean.to_dict("records")))
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
            alt=f"Difference of {len(t)} gauges from the others in routine use with intervals. {words.stands_out(gauges_off(facts))}",
            caption="Median reading of a venting beside other gauges' on the same engine type and site. n: ventings.",
        )
    return out + page.add_table(
        "gauges_in_use",
        t,
        title="Gauges in routine use, side by side",
        columns=["gauge", "sites", "ventings", "readings", "difference_mm", "low", "high", "note"],
        note="All records up to the end of the period. A hint: the gauges did not measure the same lifters.",
    )


def verdicts(page: Page) -> Blocks:
    """What each gauge's uncertainty and bias do to the verdicts of the period."""
    facts = load_data(page)
    period = page.lifters
    period = period[period["gap_first_corrected_mm"].notna() & period["limit_mm"].notna()]
    name = period["gauge"].astype("str").where(period["gauge"].notna(), "")
    rows = []
    out = Blocks("", "")
    table = facts.by_gauge.set_index("gauge")
    for g in sorted(name.unique()):
        part = period[(name == g).to_numpy()]
        # what every verdict of these readings rests on, in all reports: a study's uncertainty, or else the assumed one
        u = float(part["gauge_u_mm"].iloc[0])
        off = float(table["bias_mm"].get(g, np.nan))
        source = "study" if table["source"].get(g) == "study" else "assumed"
        counts = gauge.count_on_the_gauge(
            part["over_probability_first"], part["over_first"], part["near_limit_first"]
        )
        gap, limit = (part[c].to_numpy(dtype=float) for c in ("gap_first_corrected_mm", "limit_mm"))
        unbiased = gap - (off if np.isfinite(off) else 0.0)
        left = int((is_over(unbiased, limit) & part["over_first"].notna().to_numpy()).sum())
        if np.isfinite(off) and abs(off) > u and counts["findings"] > 0:
            out += page.text(words.without_bias(int(counts["findings"]), left, wording.clean_text(g)))
        rows.append(
            {
                "gauge": g or "not recorded",
                "u_mm": u,
                "source": source.replace("_", " "),
                "bias_mm": off,
                "lifters": int(counts["lifters"]),
                "findings": int(counts["findings"]),
                "borderline": int(counts["near"]),
                "wrong_passes": counts["expected_false_pass"],
                "wrong_failures": counts["expected_false_fail"],
                "findings_without_bias": left if np.isfinite(off) else np.nan,
            }
        )
    out += _long_run(page, facts)
    if not rows:
        return out + page.text("No reading of this period can be held against a limit.")
    frame = pd.DataFrame(rows).astype({"bias_mm": float, "findings_without_bias": float})
    return out + page.add_table(
        "verdicts_by_gauge",
        frame,
        title=f"Verdicts by gauge, {page.period.label}",
        columns=[
            "gauge",
            "u_mm",
            "source",
            "bias_mm",
            "lifters",
            "findings",
            "borderline",
            "wrong_passes",
            "wrong_failures",
            "findings_without_bias",
        ],
        note="Borderline: within twice the uncertainty of the limit. Wrong passes and failures are expected numbers, bias left in. "
        "No reading was changed for a bias.",
    )


def _long_run(page: Page, facts: ReportData) -> Blocks:
    """Wrong verdicts over the long run at the present limit, for the median gauge."""
    if facts.limit is None or facts.by_gauge.empty:
        return Blocks("", "")
    t = facts.lifters
    found = gauge.estimate_wrong_verdicts(
        t["gap_first_mm"],
        t["engine_id"],
        u=t["gauge_u_mm"].fillna(gauge.ASSUMED_U_MM),
        step=gauge.reading_step(t["gap_first_mm"]),
        limit=facts.limit,
        level=page.level,
        seed=page.seed,
    )
    return page.text(lifter_words.long_run(found, units=page.units))


FACTOR = 2.0
USUAL = (10, 3)
"""Lifters and technicians that a study has at least (common practice, no source): fewer do not span the gaps or the hands."""
PLAN_LIFTERS, PLAN_TECHNICIANS, PLAN_REPEATS = (5, 10, 15, 20, 30), (2, 3, 4, 5, 6), (2, 3)


def studies(page: Page) -> Blocks:
    """Components of each study, the gauge's share of limit and spread, classes told apart."""
    facts = load_data(page)
    if not facts.studies:
        return page.text(
            "No gauge study is in the records. The plan below tells how large one has to be; the form is a page of the "
            "workbook that the command for record forms writes."
        )
    out = Blocks("", "")
    rows, parts = [], []
    for s in facts.studies:
        tier = "describe" if s.state == "estimated" else "list"
        label = f"{wording.clean_text(s.study)}, {words.name_of(wording.clean_text(s.gauge))}"
        for of, estimate in (("limit", s.share_of_limit), ("spread", s.share_of_spread)):
            sentence = f"{label}: {words.share_sentence(estimate, of)}"
            out += page.add_finding(
                "gauge_share",
                estimate,
                group={"study": s.study, "gauge": s.gauge, "of": of},
                tier=tier,
                sentence=sentence,
            )
        page.add_finding(
            "gauge_uncertainty",
            s.u,
            group={"study": s.study, "gauge": s.gauge},
            tier=tier,
            sentence=words.study_sentence(
                wording.clean_text(s.study),
                wording.clean_text(s.gauge),
                s.u,
                s.share_of_limit,
                s.classes,
                units=page.units,
            ),
        )
        out += page.text(f"{label}: {words.judgement(s.share_of_limit)}")
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
                "classes": s.classes,
                "interaction_p": s.interaction_p,
                "method": s.method,
                "note": s.note,
            }
        )
        parts.append(s.components.assign(study=s.study, gauge=s.gauge))
    table = pd.DataFrame(rows).astype(
        dict.fromkeys(("u_mm", "u_low", "u_high", "classes", "interaction_p"), float)
    )
    out += page.add_table(
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
            "classes",
            "note",
        ],
    )
    names = {
        "repeat": "repeats",
        "technician": "technicians",
        "interaction": "technician and lifter together",
    }
    components = pd.concat(parts, ignore_index=True)
    components["component"] = components["component"].replace(names)
    return out + page.add_table(
        "study_components",
        components[["study", "gauge", "component", "sd_mm", "share_of_spread", "share_of_limit", "variance"]],
        title="Where the spread comes from",
        columns=["study", "gauge", "component", "sd_mm", "share_of_spread", "share_of_limit"],
        note="Shares of the spread are of standard deviations and do not add up to 100 %.",
    )


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
        ax.legend(fontsize=8)
        out += page.add_figure(
            "bias",
            figure,
            alt=f"Mean reading less reference gap over the reference gap for {wording.count(len(known), 'study', 'studies')}.",
            caption="A flat line off 0 is an offset (zero of the gauge); a slope is a wrong scale or lever.",
        )
    return out


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
    figure, ax = plotting.new_figure(height=3.0)
    figure.subplots_adjust(left=0.10, right=0.98, top=0.97, bottom=0.16)
    draw_plan(ax, sizes, factor=FACTOR)
    out += page.add_figure(
        "study_plan",
        figure,
        alt="Upper end of the gauge's uncertainty over its true value by number of readings, a line a number of technicians.",
        caption=f"Lower is better; dashed: a factor of {FACTOR:g}.",
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
