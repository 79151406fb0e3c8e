"""Report 07: gauge studies, gauges in routine use, and what the gauge does to the fleet's verdicts."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from weakref import WeakKeyDictionary

import numpy as np
import pandas as pd

from ventbook import evidence, gauge, plots, rates, wording
from ventbook.gauge import GaugeStudy
from ventbook.pages.base import Page
from ventbook.pages.show import Shown
from ventbook.plots.gauge import draw_bias, draw_by_lifter, draw_differences, draw_plan
from ventbook.results import NotEnoughData
from ventbook.units import display
from ventbook.wording import gauge as words

FACTOR = 1.75
USUAL = (10, 3)
"""Lifters and technicians that a study has at least (common practice, no source): fewer do not span the gaps or the hands."""
PLAN_LIFTERS, PLAN_TECHNICIANS, PLAN_REPEATS = (5, 10, 15, 20, 30), (2, 3, 4, 5, 6), (2, 3)


@dataclass(frozen=True)
class Facts:
    """Studies of the records, gauges in routine use up to the end of the period, and the limit they serve (mm)."""

    readings: pd.DataFrame
    studies: tuple[GaugeStudy, ...]
    routine: pd.DataFrame
    by_gauge: pd.DataFrame
    limit: float | None
    lifters: pd.DataFrame


_KEPT: WeakKeyDictionary[Page, Facts] = WeakKeyDictionary()


def _facts(page: Page) -> Facts:
    if page not in _KEPT:
        _KEPT[page] = _make_facts(page)
    return _KEPT[page]


def _make_facts(page: Page) -> Facts:
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
    return Facts(
        readings, tuple(studies), gauge.compare_gauges(lifters, level=page.level), by_gauge, limit, lifters
    )


def _mm(values: object, page: Page) -> np.ndarray:
    return np.asarray(display(np.asarray(values, dtype=float), "mm", page.units)[0], dtype=float)


def _unit(page: Page) -> str:
    return display(0.0, "mm", page.units)[1].label


def _off(facts: Facts) -> list[str]:
    """Gauges whose interval in routine use leaves out 0 and that share strata with others."""
    t = facts.routine
    wide = 0.05 / max(len(t), 1)
    sure = (t["state"] == "estimated") & (t["p"] < wide) & ~t["note"].str.contains("can't be told apart")
    return t.loc[sure, "gauge"].astype(str).tolist()


def answer(page: Page) -> Shown:
    """Is the gauge good enough, and does one read differently?"""
    facts = _facts(page)
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
    sentences.append(words.stands_out([wording.clean_text(g) for g in _off(facts)]))
    return page.answer(*sentences)


def studies(page: Page) -> Shown:
    """Components of each study, the gauge's share of limit and spread, classes told apart."""
    facts = _facts(page)
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
    facts = _facts(page)
    drawn = [s for s in facts.studies if s.state == "estimated"]
    if not drawn:
        return page.text("No study with two lifters read twice, so there is nothing to draw by lifter.")
    figure, axes = plots.new_figure(rows=len(drawn), height=0.4 + 2.3 * len(drawn), squeeze=False)
    figure.subplots_adjust(
        left=0.11, right=0.98, top=1 - 0.25 / len(drawn) * 0.6, bottom=0.24 / len(drawn), hspace=0.62
    )
    for ax, s in zip(axes[:, 0], drawn, strict=True):
        part = _readings(facts, s).dropna(subset=["gap_mm"])
        mean = part.groupby("lifter")["gap_mm"].transform("mean")
        table = pd.DataFrame(
            {
                "lifter": part["lifter"].map(wording.clean_text),
                "mean": _mm(mean, page),
                "difference": _mm(part["gap_mm"] - mean, page),
            }
        )
        band = float(_mm(2 * (s.u.estimate or 0.0), page))
        draw_by_lifter(
            ax,
            table,
            band=band,
            unit=_unit(page),
            title=f"{wording.clean_text(s.study)}, {words.name_of(wording.clean_text(s.gauge))}",
        )
    return page.add_figure(
        "readings_by_lifter",
        figure,
        alt=f"Readings less their lifter's mean for {wording.count(len(drawn), 'study', 'studies')}; band: twice the gauge's uncertainty.",
        caption="A lifter whose readings spread more than the others' is worth looking at: its seat, its lever point. Who read is "
        "not shown.",
    )


def _readings(facts: Facts, s: GaugeStudy) -> pd.DataFrame:
    r = facts.readings
    return r[(r["study"].astype(str) == s.study) & (r["gauge"].fillna("").astype(str) == s.gauge)]


def bias(page: Page) -> Shown:
    """Bias against reference gaps and whether it grows with the gap."""
    facts = _facts(page)
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
            part = _readings(facts, s).dropna(subset=["gap_mm", "reference_gap_mm"])
            means = part.groupby("lifter")[["gap_mm", "reference_gap_mm"]].mean()
            table = pd.DataFrame(
                {
                    "reference": _mm(means["reference_gap_mm"], page),
                    "difference": _mm(means["gap_mm"] - means["reference_gap_mm"], page),
                }
            )
            label = f"{wording.clean_text(s.study)}, {words.name_of(wording.clean_text(s.gauge))}"
            draw_bias(ax, table, unit=_unit(page), index=index, label=label)
        ax.legend(fontsize=8)
        out += page.add_figure(
            "bias",
            figure,
            alt=f"Mean reading less reference gap over the reference gap for {wording.count(len(known), 'study', 'studies')}.",
            caption="A flat line off 0 is an offset (zero of the gauge); a slope is a wrong scale or lever.",
        )
    return out


def side_by_side(page: Page) -> Shown:
    """Gauges against each other from routine records: a hint where there is no study."""
    facts = _facts(page)
    t = facts.routine
    if t.empty:
        return page.text("No reading names its gauge, so gauges cannot be set side by side.")
    clean = t.assign(gauge=t["gauge"].map(wording.clean_text))
    out = page.text(*(words.routine_sentence(row, units=page.units) for row in clean.to_dict("records")))
    if (t["state"] == "estimated").any():
        figure, ax = plots.new_figure(height=1.1 + 0.3 * len(t))
        figure.subplots_adjust(left=0.14, right=0.88, top=0.97, bottom=0.55 / (1.1 + 0.3 * len(t)))
        drawn = pd.DataFrame(
            {
                "gauge": clean["gauge"],
                "difference": _mm(t["difference_mm"], page),
                "low": _mm(t["low"], page),
                "high": _mm(t["high"], page),
                "n": t["ventings"],
            }
        )
        draw_differences(ax, drawn, unit=_unit(page))
        out += page.add_figure(
            "gauges_in_use",
            figure,
            alt=f"Difference of {len(t)} gauges from the others in routine use with intervals. {words.stands_out(_off(facts))}",
            caption="Median reading of a venting beside other gauges' on the same engine type and site. n: ventings.",
        )
    return out + page.add_table(
        "gauges_in_use",
        t,
        title="Gauges in routine use, side by side",
        columns={
            "gauge": ("Gauge", "", "text"),
            "sites": ("Sites", "", "text"),
            "ventings": "Ventings",
            "readings": "Readings",
            "difference_mm": ("Reads higher by", "mm", "3"),
            "low": ("From", "mm", "3"),
            "high": ("To", "mm", "3"),
            "note": ("Note", "", "text"),
        },
        note="All records up to the end of the period. A hint: the gauges did not measure the same lifters.",
    )


def verdicts(page: Page) -> Shown:
    """What each gauge's uncertainty and bias do to the verdicts of the period."""
    facts = _facts(page)
    period = page.lifters
    period = period[period["gap_first_corrected_mm"].notna() & period["limit_mm"].notna()]
    name = period["gauge"].astype("str").where(period["gauge"].notna(), "")
    rows = []
    out = Shown("", "")
    table = facts.by_gauge.set_index("gauge")
    for g in sorted(name.unique()):
        part = period[(name == g).to_numpy()]
        u = float(table["u_mm"].get(g, gauge.ASSUMED_U_MM))
        off = float(table["bias_mm"].get(g, np.nan))
        source = str(table["source"].get(g, "assumed"))
        gap, limit = (part[c].to_numpy(dtype=float) for c in ("gap_first_corrected_mm", "limit_mm"))
        over = pd.Series(gap > limit)
        p = pd.Series(gauge.over_limit_probability(gap, u, limit))
        counts = gauge.count_on_the_gauge(p, over, pd.Series(gauge.near_limit(gap, u, limit)))
        left = int((gap - (off if np.isfinite(off) else 0.0) > limit).sum())
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
        columns={
            "gauge": ("Gauge", "", "text"),
            "u_mm": ("Uncertainty", "mm", "3"),
            "source": "From",
            "bias_mm": ("Bias", "mm", "3"),
            "lifters": "Lifters",
            "findings": "Findings",
            "borderline": "Borderline",
            "wrong_passes": ("Wrong passes expected", "", "1"),
            "wrong_failures": ("Wrong failures expected", "", "1"),
            "findings_without_bias": ("Findings without bias", "", "integer"),
        },
        note="Borderline: within twice the uncertainty of the limit. Wrong passes and failures are expected numbers, bias left in. "
        "No reading was changed for a bias.",
    )


def _long_run(page: Page, facts: Facts) -> Shown:
    """Wrong verdicts over the long run at the present limit, for the median gauge."""
    if facts.limit is None or facts.by_gauge.empty:
        return Shown("", "")
    u = float(facts.by_gauge["u_mm"].median())
    try:
        spread = rates.fit_gap_spread(facts.lifters["gap_first_mm"], step=0.01, u=u)
    except NotEnoughData:
        return page.text(
            "Too few readings over the gauge's step to say what share of verdicts is wrong over the long run."
        )
    wrong = gauge.expect_wrong_verdicts(spread.mean, spread.sd, u=u, limit=facts.limit)
    accept = gauge.guard_band(facts.limit, u)
    safe = gauge.expect_wrong_verdicts(spread.mean, spread.sd, u=u, limit=facts.limit, accept=accept)
    number = wording.number
    return page.text(
        f"Over the long run, with an uncertainty of {number(u, 'mm', units=page.units, decimals=3)}, "
        f"{number(wrong.failed_wrongly, 'share')} of the lifters that read over the limit are truly within it, and "
        f"{number(wrong.false_pass, 'share', decimals=2)} of all lifters pass though over it.",
        f"Accepting only readings up to {number(accept, 'mm', units=page.units, decimals=3)} keeps each lifter passed within the limit with "
        f"95 % probability; it would send back {number(safe.failed - wrong.failed, 'share', decimals=2)} of all lifters more.",
    )


def plan(page: Page) -> Shown:
    """How many lifters, technicians and repeats a study takes."""
    facts = _facts(page)
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


def methods(page: Page) -> Shown:
    """How the numbers were worked out."""
    return page.explain(
        "components of a study",
        "Every technician reads every lifter several times. The spread of all readings is taken apart into lifters, technicians, "
        "technician and lifter together, and repeats, by analysis of variance (random effects; the interaction is pooled with the "
        "repeats where its p value is over .25, common practice) or, where a study is not complete, by restricted maximum "
        "likelihood. The gauge's uncertainty is the root of repeats, technicians and interaction together; its range comes from "
        "chi-square with Satterthwaite's degrees of freedom.\n\n"
        r"Classes told apart: $\sqrt{2}\,\sigma_\mathrm{lifter} / \sigma_\mathrm{gauge}$, cut to a whole number.",
    ) + page.explain(
        "gauges in routine use",
        "The median reading of each venting is set beside the ventings of other gauges on the same engine type at the same site. "
        "A gauge that stands out is taken from the others' company before those are set side by side again. Engines are left out "
        "one at a time for the range.",
    )


def not_said(page: Page) -> Shown:
    """What these data can't say."""
    facts = _facts(page)
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
    return page.text(*sentences)
