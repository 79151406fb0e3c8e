"""Gauges in routine use side by side, and what each does to the verdicts."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ventbook import gauge, plots, wording
from ventbook.pages.base import Page
from ventbook.pages.gauge_study.facts import Facts, gather_facts, gauges_off, to_display, unit_label
from ventbook.pages.show import Shown
from ventbook.plots.gauge import draw_differences
from ventbook.verdicts import is_over
from ventbook.wording import gauge as words
from ventbook.wording import lifters as lifter_words


def side_by_side(page: Page) -> Shown:
    """Gauges against each other from routine records: a hint where there is no study."""
    facts = gather_facts(page)
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
    facts = gather_facts(page)
    period = page.lifters
    period = period[period["gap_first_corrected_mm"].notna() & period["limit_mm"].notna()]
    name = period["gauge"].astype("str").where(period["gauge"].notna(), "")
    rows = []
    out = Shown("", "")
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
