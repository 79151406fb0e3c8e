"""Logged starts of the period that strayed furthest from the procedure, as run-up sheets."""

from __future__ import annotations

from ventbook import wording
from ventbook.pages.base import Page
from ventbook.pages.conformity.facts import period_verdicts
from ventbook.pages.runup import run_up_sheet, traced_starts
from ventbook.pages.show import Shown

SHEETS = 2


def logged_runs(page: Page) -> Shown:
    """Run-up sheets of up to two logged first starts of the period, most steps outside their limits first."""
    verdicts = period_verdicts(page)
    outside = verdicts[verdicts["verdict"] == "outside"].groupby("venting_id").size()
    logged = [name for name in page.jobs["venting_id"] if 1 in traced_starts(page, name)]
    if not logged:
        return page.text("No start of this period was logged.")
    ranked = sorted(logged, key=lambda name: (-int(outside.get(name, 0)), name))[:SHEETS]
    said = (
        f"{wording.count(len(logged), 'first start')} of this period {'was' if len(logged) == 1 else 'were'} logged. "
        "Shown: those with most steps outside their limits."
    )
    shown = page.text(said)
    for name in ranked:
        shown += run_up_sheet(page, name)
    return shown
