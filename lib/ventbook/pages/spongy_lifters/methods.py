"""How the page was worked out, and what its data can't say."""

from __future__ import annotations

from ventbook import contexts, wording
from ventbook.pages.base import Page
from ventbook.pages.show import Shown
from ventbook.pages.spongy_lifters.facts import gather_facts
from ventbook.wording import budget as budget_words

METHODS = """The venting is the unit; lifters are repeated readings in it, and engines that return are clusters. Findings and failure modes are those of the period; causes are looked for in all ventings at the site and of the engine type up to the end of the period, because a quarter alone is too small to compare.

Crude: the circumstance alone. Adjusted: given the site and those other circumstances that kept company with it, the closest first, as many as there are ten ventings with a finding for. By site: the Mantel-Haenszel odds ratio over sites with a test of whether they agree. The log odds that a lifter is over the limit are modelled on venting totals,

$\\log\\frac{p}{1-p} = \\beta_0 + \\beta_1 x + \\gamma' z,$

and intervals come from sums over engines (delete-one-engine form, t quantile with the number of engines that carry the contrast). A level without any finding gets a penalised fit (Firth 1993), so no odds ratio is infinite. Times and rotations are log-normal with readings as intervals; what never came is a lower bound.

A consequence of the venting (rotations counted against expected, pressure that flickered, a tank that ran low) is never adjusted for: it lies on the path from the venting to the gap. What is named allows for having looked at many circumstances (Holm 1979); q is the expected share of false ones among all down to it (Benjamini & Hochberg 1995). What was left blank is held against failing by shuffling inside site and form revision; where blanks go with failing, nothing that rests on them is named.

Failure modes are held against each finding by a table of signs: a record fits a mode where a key sign and at least one more speak for it and none against; a sign against rules it out. Repeats are judged by shuffling findings over ventings within site and engine type."""

LIMITS_OF_IT = (
    "Records show what went together, not what caused it: a circumstance that nobody wrote down may stand behind two that were.",
    "A tank is pressurised mostly where lines are empty, a cooler is empty mostly where it is new: what comes out after adjusting is only as good as the overlap beside it.",
    "A circumstance that does not stand out may still act; the interval says how large an effect is not excluded.",
    "A record that fits a failure mode is not a diagnosis; several modes look alike without the readings named under next checks.",
)


def methods(page: Page) -> Shown:
    """How this was worked out."""
    return page.explain("causes, failure modes and repeats", METHODS)


def not_said(page: Page) -> Shown:
    """What the data can't say."""
    facts = gather_facts(page)
    more = []
    if facts.tier != "model" and not facts.few:
        more.append(
            "There are too few ventings with a finding for more than two circumstances in one model; adjusted effects rest on few others."
        )
    only = int((page.jobs["recorded_because"] == "finding_only").fillna(False).sum()) if len(page.jobs) else 0
    if only:
        more.append(
            f"{wording.count(only, 'venting')} of the period {'was' if only == 1 else 'were'} written down only because of a finding and left out of comparisons."
        )
    held_to = budget_words.allowance_sentence(contexts.FAMILY, what="circumstances named here")
    return page.text(*LIMITS_OF_IT, *more, held_to)
