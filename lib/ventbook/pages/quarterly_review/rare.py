"""Where failing ventings are rare a share by period says little: the sound ventings between two failing ones say more."""

from __future__ import annotations

import pandas as pd

from ventbook import plots, trends, wording
from ventbook.pages.base import Page
from ventbook.pages.quarterly_review.facts import gather_facts
from ventbook.pages.show import Shown
from ventbook.plots.trends import draw_between

#: Failing ventings a period under which the share's chart gets company, and how many it takes to draw it.
RARE, FEWEST = 3.0, 4


def between_failures(page: Page) -> Shown:
    """Sound ventings between failing ones in order of date, with the band that chance makes; nothing where not rare."""
    facts = gather_facts(page)
    known = facts.jobs[facts.jobs["failed_first"].notna()].sort_values(["date", "venting_id"], kind="stable")
    failed = known["failed_first"].to_numpy(bool)
    if not failed.any() or failed.sum() / max(len(facts.steps), 1) >= RARE:
        return Shown("", "")
    gaps = trends.count_between(failed)
    since_last = int(len(failed) - 1 - failed.nonzero()[0][-1])
    text = f"Since the last failing venting there were {wording.count(since_last, 'sound venting')}."
    if len(gaps) < FEWEST:
        return page.text(text)
    chart = trends.chart_between(gaps, labels=list(range(1, len(gaps) + 1)))
    row = chart.iloc[0]
    text += (
        f" Between failing ones it is usually {row['centre']:.0f}; runs of up to {row['high_limit']:.0f} come about by chance."
        f"{' So long a run is good news.' if since_last > row['high_limit'] else ''}"
    )
    figure, ax = plots.new_figure(height=3.0)
    draw_between(ax, chart, since_last=since_last, title="Sound ventings between failing ones")
    dates = pd.Series(known["date"].to_numpy()[failed])
    table = chart.assign(date=dates.dt.date.to_numpy(), between=gaps)[
        ["date", "between", "centre", "high_limit", "outside"]
    ]
    shown = page.add_figure(
        "between_failures", figure, alt=f"Sound ventings before each of {len(gaps)} failing ones, and {since_last} since the last.",
        caption="Failing ventings are rare here, so the run between them is looked at. High is good.",
    )  # fmt: skip
    return page.text(text) + shown + page.add_table(
        "between_failures", table, title="Sound ventings before each failing one",
        columns={"date": "Failing venting of", "between": "Sound before it", "outside": "Outside"},
    )  # fmt: skip
