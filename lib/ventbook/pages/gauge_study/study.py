"""The studies: components, readings by lifter, bias, and the size of the next one."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ventbook import gauge, plots, wording
from ventbook.pages.base import Page
from ventbook.pages.gauge_study.facts import gather_facts, readings_of, to_display, unit_label
from ventbook.pages.show import Shown
from ventbook.plots.gauge import draw_bias, draw_by_lifter, draw_plan
from ventbook.wording import gauge as words

FACTOR = 2.0
USUAL = (10, 3)
"""Lifters and technicians that a study has at least (common practice, no source): fewer do not span the gaps or the hands."""
PLAN_LIFTERS, PLAN_TECHNICIANS, PLAN_REPEATS = (5, 10, 15, 20, 30), (2, 3, 4, 5, 6), (2, 3)


def studies(page: Page) -> Shown:
    """Components of each study, the gauge's share of limit and spread, classes told apart."""
    facts = gather_facts(page)
    if not facts.studies:
        return page.text(
            "No gauge study is in the records. The plan below tells how large one has to be; the form is a page of the "
            "workbook that the command for record forms writes."
        )
    out = Shown("", "")
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
        columns={
            "study": ("Study", "", "text"),
            "gauge": ("Gauge", "", "text"),
            "lifters": "Lifters",
            "technicians": "Technicians",
            "repeats": "Repeats",
            "shape": "Shape",
            "u_mm": ("Uncertainty", "mm", "4"),
            "u_low": ("From", "mm", "4"),
            "u_high": ("To", "mm", "4"),
            "classes": ("Classes told apart", "", "integer"),
            "note": ("Note", "", "text"),
        },
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
        columns={
            "study": ("Study", "", "text"),
            "gauge": ("Gauge", "", "text"),
            "component": "From",
            "sd_mm": ("Standard deviation", "mm", "4"),
            "share_of_spread": ("Of the spread", "share"),
            "share_of_limit": ("Twice it, of the limit", "share"),
        },
        note="Shares of the spread are of standard deviations and do not add up to 100 %.",
    )


def by_lifter(page: Page) -> Shown:
    """Every reading of each study less its lifter's mean."""
    facts = gather_facts(page)
    drawn = [s for s in facts.studies if s.state == "estimated"]
    if not drawn:
        return page.text("No study with two lifters read twice, so there is nothing to draw by lifter.")
    figure, axes = plots.new_figure(rows=len(drawn), height=0.4 + 2.3 * len(drawn), squeeze=False)
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


def bias(page: Page) -> Shown:
    """Bias against reference gaps and whether it grows with the gap."""
    facts = gather_facts(page)
    out = Shown("", "")
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
        figure, ax = plots.new_figure(height=2.9)
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


def plan(page: Page) -> Shown:
    """How many lifters, technicians and repeats a study takes."""
    facts = gather_facts(page)
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
    figure, ax = plots.new_figure(height=3.0)
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
        columns={
            "lifters": "Lifters",
            "technicians": "Technicians",
            "repeats": "Readings each",
            "readings": "Readings",
            "u_low": ("From", "mm", "4"),
            "u_high": ("To", "mm", "4"),
            "factor": ("Upper end over truth", "", "1"),
            "repeat_factor": ("Repeats alone", "", "1"),
        },
        note="From, to: the range such a study gives on average for the gauge's uncertainty.",
        rows=20,
    )
