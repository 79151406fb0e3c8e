"""Ventings without a lifter check where records are fuller on failing ones: then the failing share may be too high."""

from __future__ import annotations

from ventbook.document import wording
from ventbook.reports.page import Page, once_a_page
from ventbook.statistics import causes


@once_a_page
def find_unchecked(page: Page) -> causes.Unchecked:
    """Of the period's ventings; whether records are fuller is asked of all up to its end."""
    return causes.find_unchecked(page.jobs, history=page.history_jobs, level=page.level)


def say_unchecked(page: Page, *, tier: str) -> str:
    """The warning, its number kept as a finding; empty where there is nothing to warn of."""
    found = find_unchecked(page)
    if not found.told or found.share.estimate is None:
        return ""
    sentence = (
        f"The share may be too high: records are fuller where a lifter was over the limit, and "
        f"{wording.of_total(found.without, found.ventings, 'venting')} {'has' if found.without == 1 else 'have'} no result. "
        f"Had all of these passed, it would be {wording.number(found.share.estimate, 'share')}."
    )
    page.add_finding("venting_failure_share_had_unchecked_passed", found.share, tier=tier, sentence=sentence)
    return sentence
