"""The answer, how it was worked out, and what the data can't say."""

from __future__ import annotations

from ventbook import evidence, gauge, wording
from ventbook.pages.base import Page
from ventbook.pages.gauge_study.facts import gather_facts, gauges_off
from ventbook.pages.show import Shown
from ventbook.wording import budget as budget_words
from ventbook.wording import gauge as words


def answer(page: Page) -> Shown:
    """Is the gauge good enough, and does one read differently?"""
    facts = gather_facts(page)
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


def methods(page: Page) -> Shown:
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


def not_said(page: Page) -> Shown:
    """What these data can't say."""
    facts = gather_facts(page)
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
