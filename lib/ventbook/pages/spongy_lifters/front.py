"""The answer: how many, what they look like, what stands out, what to do first."""

from __future__ import annotations

from ventbook import contexts, rates, wording
from ventbook.pages.base import Page
from ventbook.pages.show import Shown
from ventbook.pages.spongy_lifters.facts import Facts, gather_facts, rows_of
from ventbook.wording import contexts as words

CHECKED = "with a lifter check"


def answer(page: Page) -> Shown:
    """The answer in a few sentences, with the page's own numbers kept as findings."""
    facts = gather_facts(page)
    sentences = [count_sentence(page, facts)]
    if len(facts.signs):
        sentences.append(words.modes_sentence(contexts.count_modes(facts.matched), len(facts.signs)))
    sentences.append(_causes_sentence(page, facts))
    sentences.append(_first_check(facts))
    return page.answer(*sentences)


def count_sentence(page: Page, facts: Facts) -> str:
    """Ventings and lifters over the limit in the period; kept as findings under their stable ids."""
    scope = page.scope_words + (f", lot {wording.clean_text(facts.lot)}" if facts.lot else "")
    ventings = rates.failing_share(facts.jobs, level=page.level)
    lifters = rates.failing_share(facts.jobs, of="lifter", level=page.level)
    if ventings.estimate is None and facts.checked >= 5:
        sentence = (
            f"{wording.of_total(facts.failing, facts.checked, 'venting')} had at least one lifter over the limit at the first check; some were "
            "written down only because something was found, so no share is known."
        )
    elif ventings.estimate is None:
        sentence = words.few_sentence(facts.checked, facts.failing, scope)
    else:
        over = int(facts.jobs["lifters_over_first"].fillna(0).sum())
        own = f"Lifters of lot {wording.clean_text(facts.lot)}: " if facts.lot else ""
        sentence = own + (
            f"{wording.share(ventings, events=facts.failing, noun='venting')} had at least one lifter over the limit at the first check; "
            f"{wording.share(lifters, events=over, noun='lifter')} were over it."
        )
    group = {"lifter_lot": facts.lot} if facts.lot else {}
    page.add_finding("venting_failure_share", ventings, tier=facts.tier, sentence=sentence, group=group)
    page.add_finding("lifter_failure_share", lifters, tier=facts.tier, sentence=sentence, group=group)
    return sentence


def _causes_sentence(page: Page, facts: Facts) -> str:
    n, failing = int(facts.beside["failed_first"].notna().sum()), int(facts.beside["failed_first"].sum())
    if n and failing == n:
        return (
            f"Causes are not compared: all of {wording.count(n, 'venting')} with a lifter check up to the end of the period had a finding, so there is "
            "nothing to compare with. What each finding's own record says stands below."
        )
    if facts.few:
        return (
            f"Causes are not compared: {wording.count(n, 'venting')} with a lifter check up to the end of the period, {failing or 'none'} with a finding, are too few. "
            "What each finding's own record says stands below."
        )
    return words.causes_sentence(rows_of(facts.ranked[facts.ranked["standing"] == "cause"]), ventings=n)


def _first_check(facts: Facts) -> str:
    named = facts.ranked[facts.ranked["standing"] == "cause"]
    if not facts.few and len(named):
        first = named.sort_values(["cost", "rank"], kind="stable").iloc[0]
        return f"Cheapest next check of what stands out: {first['check']}."
    todo = facts.readings[facts.readings["reading"] != ""]
    if todo.empty:
        return ""
    return f"What would decide most on these findings: {todo['reading'].mode().iloc[0]}."
