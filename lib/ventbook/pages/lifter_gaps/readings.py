"""The readings themselves: distribution against the limit with the gauge's band, borderline class, force and hold."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ventbook import gauge, plots, verdicts, wording
from ventbook.pages.base import Page
from ventbook.pages.lifter_gaps.facts import Facts, gather_facts, limit_label, shown
from ventbook.pages.show import Shown
from ventbook.plots.lifters import draw_gap_counts
from ventbook.units import display
from ventbook.wording import lifters as words

CLASSES = (
    ("within", "Read within, clear of the limit"),
    ("near_within", "Read within, borderline"),
    ("near_over", "Read over, borderline"),
    ("over", "Read over, clear of the limit"),
    ("not_comparable", "Pressed too lightly: not comparable"),
    ("no_limit", "No limit to hold against"),
)


def class_of(lifters: pd.DataFrame) -> pd.Series:
    """Class of each lifter's first reading, one of CLASSES."""
    verdict = first_verdict(lifters)
    over = lifters["over_first"].fillna(False).to_numpy(bool)
    side = pd.Series(np.where(over, "near_over", "near_within"), lifters.index)
    name = verdict.replace({"outside": "over", "": "no_limit"})
    return name.mask(verdict.eq("near_limit"), side).mask(lifters["limit_mm"].isna(), "no_limit")


def first_verdict(lifters: pd.DataFrame) -> pd.Series:
    """Verdict on each lifter's first reading."""
    return verdicts.name_verdict(
        over=lifters["over_first"], near=lifters["near_limit_first"], comparable=lifters["comparable_first"]
    )


def hang_on_gauge(facts: Facts) -> dict[str, float]:
    """How many findings of the period hang on the gauge."""
    t = facts.lifters
    return gauge.count_on_the_gauge(t["over_probability_first"], t["over_first"], t["near_limit_first"])


def against_limit(page: Page) -> Shown:
    """How the gaps lie against the limit, which verdicts hang on the gauge, and how many are expected to be wrong."""
    facts = gather_facts(page)
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
    assumed = t["gauge_u_mm"].eq(gauge.ASSUMED_U_MM)
    if assumed.any():
        sentences.append(
            f"The uncertainty is assumed for {wording.of_total(int(assumed.sum()), len(t), 'reading')}: no study of their "
            "gauge was used."
        )
    out = page.text(*sentences)
    wrong = words.long_run(facts.long_run, units=page.units)
    out += page.add_finding(
        "failed_wrongly_share", facts.long_run.failed_wrongly, tier=facts.tier, sentence=wrong
    )
    page.add_finding("passed_wrongly_share", facts.long_run.false_pass, tier=facts.tier, sentence=wrong)
    if facts.limit > 0:
        out += _figure(page, facts, t)
    table = class_of(t).value_counts().reindex([k for k, _ in CLASSES], fill_value=0)
    frame = pd.DataFrame(
        {"class": [w for _, w in CLASSES], "lifters": table.to_numpy(), "share": table.to_numpy() / len(t)}
    )
    return out + page.add_table(
        "reading_classes",
        frame,
        title="First readings by class",
        columns={"class": "Class", "lifters": "Lifters", "share": ("Share", "share")},
        note="Borderline: within twice the gauge's uncertainty of the limit; neither pass nor fail.",
    )


def _figure(page: Page, facts: Facts, t: pd.DataFrame) -> Shown:
    gaps = t["gap_first_corrected_mm"].fillna(t["gap_first_mm"]).to_numpy(dtype=float)
    width = facts.step if facts.step >= 0.02 else 0.02
    top = max(float(np.quantile(gaps, 0.999)), 1.6 * facts.limit)
    edges = np.arange(-width / 2, top + width, width)
    counts = np.histogram(np.minimum(gaps, edges[-1] - 1e-9), edges)[0]
    unit = display(0.0, "mm", page.units)[1].label
    figure, ax = plots.new_figure(height=3.2)
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


def off_force(page: Page) -> Shown:
    """Readings taken at another force or hold than the limit's, and what they become at the reference."""
    facts = gather_facts(page)
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
    moved["verdict"] = first_verdict(moved)
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
        columns={
            "venting_id": ("Venting", "", "text"),
            "site": ("Site", "", "text"),
            "position": ("Position", "", "text"),
            "force_N": ("Force", "N"),
            "hold_s": ("Hold", "s"),
            "gap_first_mm": ("Read", "mm"),
            "gap_first_corrected_mm": ("At reference force", "mm"),
            "verdict": (
                "Against the placeholder" if facts.placeholder else "Against the limit",
                "",
                "verdict",
            ),
        },
        note="Gaps from air hardly depend on the force; gaps from leak-down do. Under 80 % of the reference force a reading "
        "within the limit says nothing.",
        rows=20,
    )
