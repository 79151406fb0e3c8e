"""The answer, how it was worked out, and what the data can't say."""

from __future__ import annotations

from ventbook.pages.base import Page
from ventbook.pages.lifter_gaps.causes import cause_counts, findings_of
from ventbook.pages.lifter_gaps.facts import gather_facts
from ventbook.pages.lifter_gaps.readings import hang_on_gauge
from ventbook.pages.lifter_gaps.rechecks import cure_of
from ventbook.pages.lifter_gaps.shares import events_at, share_of
from ventbook.pages.show import Shown
from ventbook.wording import budget as budget_words
from ventbook.wording import lifters as words


def answer(page: Page) -> Shown:
    """How many ventings had a spongy lifter, of what kind, what a run cured, and what hangs on the gauge."""
    facts = gather_facts(page)
    estimate = share_of(facts, "venting", "first", page.level)
    cure = cure_of(facts, facts.lifters, page.level)
    events = events_at(facts, "venting", "first")
    sentences = [
        words.found_share(estimate, "venting", facts.limit_words, events=events),
        words.few_ventings(estimate.n),
    ]
    if len(findings_of(facts)):
        sentences.append(words.cause_sentence(cause_counts(findings_of(facts))))
        sentences.append(
            words.cure_sentence(cure.cured, cure.passed, cure.alone, cure.expected_alone, cure.chance)
        )
    counts = hang_on_gauge(facts)
    if counts["near"]:
        sentences.append(words.gauge_sentence(counts, facts.u, units=page.units))
    if not facts.denominators_known:
        sentences.append(
            "Some ventings were recorded only because something was found, so shares are no rates here."
        )
    return page.answer(*sentences)


def methods(page: Page) -> Shown:
    """How the numbers were worked out."""
    return (
        page.explain(
            "shares and their ranges",
            "The venting is the unit; lifters are repeated readings in it. Lifters of one engine fail together, and one "
            "engine may be vented several times, so a range for lifters taken as independent would be too narrow: on "
            "simulated fleets it held the true rate in as few as 5 of 10 cases instead of 95 of 100.\n\n"
            "Range: beta-binomial model by engine, with the correlation inside an engine integrated out (prior density "
            r"$2(1-\rho)$; neutral prior $\mathrm{Beta}(1/3, 1/3)$ on the share), from 10 engines with a finding on never "
            "narrower than a Wilson range with the effective number of lifters, and never narrower than the exact range for "
            "independent lifters. No failure at all: the largest share that would give none in 2.5 of 100 such fleets at a "
            r"correlation of $\rho = 0.4$.",
        )
        + page.explain(
            "position",
            "Inside every engine the failing lifters are dealt out anew over its positions, 1999 times; the sum over "
            r"positions of $(O - E)^2 / \mathrm{Var}$ is compared with the dealt ones. So engines that fail more often say "
            "nothing about position, and a lifter that stays bad counts once.",
        )
        + page.explain(
            "the gauge and the second look",
            r"The probability that the true gap is over the limit $L$, given a reading $y$ with uncertainty $u$, is "
            r"$\Phi((y - L)/u)$ (JCGM 106). Only lifters that read over the limit are read again; part of them read over by "
            "the gauge's error and would pass a second look with nothing done. That part comes from the gauge's uncertainty "
            "and the spread of true gaps in the records (log-normal, readings under the gauge's step taken as under it).",
        )
        + page.explain(
            "air and leak-down",
            "Trapped air springs back at once and does not grow; a leaking check valve or a worn plunger lets the gap grow "
            "while force is held. The gap at once and at the end of the hold, and a press at half the force where there is one, "
            "give the probability of each, with the uncertainties of gauge, timing, force and geometry carried along.",
        )
    )


def not_said(page: Page) -> Shown:
    """What these data can't say."""
    facts = gather_facts(page)
    sentences = [
        "A gap within the limit says little about wear: the check sees air well and wear hardly.",
        "Groups on this page differ in more than their name. A high rate at a site is a reason to look, not a cause.",
        "A lifter that was replaced instead of read again is missing from the cured share.",
    ]
    if facts.history["gap_at_once_mm"].isna().mean() > 0.5:
        sentences.append(
            "Most lifters were read only once under force, so for most the records cannot tell air from leak-down."
        )
    held_to = budget_words.allowance_sentence(words.POSITIONS, what="positions named here")
    return page.text(*sentences, held_to)
