"""How much was within: all steps, by step, site and quarter, and what was not written down."""

from __future__ import annotations

import pandas as pd

from ventbook import conformity, plots, wording
from ventbook.pages.base import Page
from ventbook.pages.conformity.facts import (
    count_within,
    find_open,
    page_tier,
    past_verdicts,
    period_verdicts,
    say_against,
    say_facts,
    say_open,
    say_within,
    share_within,
)
from ventbook.pages.frames import INTERVAL, frame_of
from ventbook.pages.show import Shown
from ventbook.plots.conformity import draw_periods, draw_shares
from ventbook.wording import conformity as words

COUNTED = ("outside", "near_limit", "not_recorded")


def answer(page: Page) -> Shown:
    """How much was within, what most often was not, and what is open."""
    now = period_verdicts(page)
    steps = conformity.summarise_steps(now)
    outside = steps[steps["outside"] > 0].sort_values(
        ["outside", "step"], ascending=[False, True], kind="stable"
    )
    listed = list(outside[["title", "outside", "judged"]].head(3).itertuples(index=False, name=None))
    missing = steps.loc[(steps["no_limit"] > 0), "title"].tolist()
    return page.answer(
        say_within(page, now),
        words.most_outside(listed),
        say_open(page, find_open(page)),
        say_facts(now),
        words.without_limit(missing),
    )


def within_share(page: Page) -> Shown:
    """Finding steps_within_share: all of the page's recorded steps."""
    now = period_verdicts(page)
    estimate = share_within(now, level=page.level)
    return page.add_finding(
        "steps_within_share", estimate, tier=page_tier(page), sentence=say_within(page, now)
    )


def by_step(page: Page) -> Shown:
    """Each step: how often within, near, outside, not comparable, not written down; and against what."""
    now = period_verdicts(page)
    table = conformity.summarise_steps(now)
    shares = frame_of(
        [share_within(now[now["step"] == step], level=page.level).as_row() for step in table["step"]], ()
    )
    table = table.join(shares[list(INTERVAL)])
    table["readings"] = _describe(now, table["step"].tolist())
    table["against"] = [words.AGAINST[status].removeprefix("the ") for status in table["status"]]
    drawn = table[table["estimate"].notna()].assign(n=lambda t: "n = " + t["judged"].astype(str))
    shown = Shown("", "")
    if len(drawn):
        figure, ax = plots.new_figure(height=1.2 + 0.24 * len(drawn))
        figure.subplots_adjust(left=0.42, right=0.90, top=0.98, bottom=0.10 + 0.5 / len(drawn))
        draw_shares(ax, drawn, label="title")
        shown += page.add_figure(
            "steps_within",
            figure,
            alt=f"Share of recorded steps within their limit with interval, {len(drawn)} steps, {page.period.label}.",
            caption="In the order of the job. Near a limit counts as not within. n: records that could be judged.",
        )
    return shown + page.add_table(
        "conformity_by_step",
        table,
        title="Steps against the limits in force",
        columns={
            "title": "Step",
            "rows": "Applies to",
            "judged": "Judged",
            "within": "Within",
            "near_limit": "Near",
            "outside": "Outside",
            "not_comparable": "Not comparable",
            "not_recorded": "Not recorded",
            "no_limit": "No limit",
            "fact": "Facts",
            "readings": "Recorded",
            "against": "Against",
        },
        note="A record outside a limit, or within it, says nothing about the state of an engine. Recorded: the middle reading and "
        "between what 80 in 100 lie, in metric units, over all engine types. Facts need no limit and never count as within.",
    )


def _describe(verdicts: pd.DataFrame, names: list[str]) -> list[str]:
    """What was recorded of each of these steps, in words."""
    readings = conformity.describe_steps(verdicts).reindex(names).astype(float)
    numbers = readings[["recorded", "mean", "low", "middle", "high"]].fillna(0.0).to_numpy()
    steps = conformity.steps()
    return [
        words.described(int(recorded), *rest, unit=steps[name].unit, yes_no=steps[name].yes_no)
        for name, (recorded, *rest) in zip(names, numbers.tolist(), strict=True)
    ]


def by_site(page: Page) -> Shown:
    """Share of recorded steps within, by site."""
    now = period_verdicts(page)
    rows = []
    shown = Shown("", "")
    for site in sorted(now["site"].dropna().unique()):
        part = now[now["site"] == site]
        estimate = share_within(part, level=page.level)
        ventings = part["venting_id"].nunique()
        sentence = f"{wording.clean_text(site)}: " + words.steps_within(
            estimate, within=count_within(part), ventings=ventings, held_against=say_against(part)
        )
        page.add_finding(
            "steps_within_share",
            estimate,
            group={"site": site},
            tier=page_tier(page, ventings),
            sentence=sentence,
        )
        counts = {name: int(part["verdict"].eq(name).sum()) for name in COUNTED}
        rows.append({"site": site, "ventings": ventings, **counts, **estimate.as_row()})
    table = frame_of(rows, ["site", "ventings", "n", *COUNTED])
    drawn = table.assign(label=table["site"].map(wording.clean_text), n="n = " + table["n"].astype(str))
    if drawn["estimate"].isna().all():
        return shown + _site_table(page, table)
    figure, ax = plots.new_figure(height=1.2 + 0.34 * len(drawn))
    figure.subplots_adjust(left=0.18, right=0.90, bottom=0.30)
    draw_shares(ax, drawn, label="label")
    shown += page.add_figure(
        "sites_within",
        figure,
        alt=f"Share of recorded steps within their limit by site with interval, {page.period.label}.",
        caption="Sites in alphabetical order, not ranked. The interval carries that steps of one engine go together.",
    )
    return shown + _site_table(page, table)


def _site_table(page: Page, table: pd.DataFrame) -> Shown:
    return page.add_table(
        "conformity_by_site",
        table,
        title="Recorded steps within, by site",
        columns={
            "site": ("Site", "", "text"),
            "ventings": "Ventings",
            "n": "Judged steps",
            "estimate": ("Within", "share"),
            "low": ("from", "share"),
            "high": ("to", "share"),
            "outside": "Outside",
            "near_limit": "Near",
            "not_recorded": "Not recorded",
        },
    )


def by_period(page: Page) -> Shown:
    """Share of recorded steps within, by quarter up to this period, all and by site."""
    history = past_verdicts(page)
    labels = sorted(history["quarter"].dropna().unique())[-8:]
    groups = {"All": history, **{s: history[history["site"] == s] for s in sorted(history["site"].unique())}}
    rows = []
    for name, part in groups.items():
        for label in labels:
            estimate = share_within(part[part["quarter"] == label], level=page.level)
            rows.append({"group": name, "period": label, **estimate.as_row()})
    table = frame_of(rows, ["group", "period", "n"])
    if not labels:
        return page.text("There is no venting to hold against a limit, in this period or before.")
    figure, ax = plots.new_figure()
    drawn = {wording.clean_text(name): table[table["group"] == name] for name in list(groups)[:6]}
    draw_periods(ax, drawn, labels=labels)
    shown = page.add_figure(
        "periods_within",
        figure,
        alt=f"Share of recorded steps within their limit by quarter, {labels[0]} to {labels[-1]}, all and by site.",
        caption="The band is the interval of all sites together. A new revision of the manual moves limits, not the work.",
    )
    return shown + page.add_table(
        "conformity_by_period",
        table,
        title="Recorded steps within, by quarter",
        columns={
            "group": ("Site", "", "text"),
            "period": "Quarter",
            "n": "Judged steps",
            "estimate": ("Within", "share"),
            "low": ("from", "share"),
            "high": ("to", "share"),
        },
    )


def not_recorded(page: Page) -> Shown:
    """Which steps are most often not written down."""
    table = conformity.count_not_recorded(period_verdicts(page))
    table = table[table["not_recorded"] > 0]
    top = list(table[["title", "share"]].head(3).itertuples(index=False, name=None))
    shown = page.text(words.least_recorded(top))
    if table.empty:
        return shown
    return shown + page.add_table(
        "not_recorded_steps",
        table,
        title="Steps not written down where they apply",
        columns={
            "title": "Step",
            "rows": "Applies to",
            "not_recorded": "Not recorded",
            "share": ("Not recorded", "share"),
        },
    )
