"""Failing ventings by site, by engine type and by reason."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ventbook import evidence, plots, rates, trends, wording
from ventbook.pages.base import Page
from ventbook.pages.quarterly_review.facts import Facts, gather_facts
from ventbook.pages.quarterly_review.failing import ratio_table
from ventbook.pages.quarterly_review.numbers import expected_ratio
from ventbook.pages.show import Shown
from ventbook.plots.trends import draw_funnel
from ventbook.wording import lifters as lifter_words


def _chances_by_mix(facts: Facts) -> list[np.ndarray] | None:
    """Chance of failing of each site's ventings with a result by their mix, at this period's overall level."""
    known = facts.now[facts.now["failed_first"].notna() & facts.now["site"].notna()]
    by_mix = trends.expect_by_mix(facts.watch, known)
    if by_mix is None or known.empty:
        return None
    level = trends.level_chances(by_mix, float(known["failed_first"].astype(bool).sum()))
    return [level[(known["site"] == site).to_numpy()] for site in facts.sites]


def by_site(page: Page) -> Shown:
    """Sites on a funnel, drawn towards each other by as much as small numbers warrant, and against expectation."""
    facts = gather_facts(page)
    table = rates.failing_by(facts.now, "site", groups=facts.sites, level=page.level)
    if table["n"].sum() == 0:
        return page.text("No site has a venting with a result in this period.")
    count, n = table["failures"], table["n"]
    # all sites together fall outside by chance as often as the share of the quarter's allowance says
    outer = evidence.load_budget().share("alarms.sites") / (2 * len(facts.sites))
    funnel = trends.funnel_by_site(
        count, n, sites=facts.sites, chances=_chances_by_mix(facts), tails=(0.025, outer)
    )
    shrunk = trends.shrink_shares(count, n, sites=facts.sites, level=page.level)
    ratios = ratio_table(page, facts, by="site").rename(
        columns={"estimate": "ratio", "low": "ratio_low", "high": "ratio_high"}
    )
    merged = table.rename(columns={"estimate": "share"}).merge(
        shrunk[["site", "estimate", "low", "high"]].rename(
            columns={"estimate": "drawn", "low": "drawn_low", "high": "drawn_high"}
        ), on="site",
    ).merge(
        ratios[["label", "expected", "ratio", "ratio_low", "ratio_high"]].rename(columns={"label": "site"}), on="site", how="left"
    )  # fmt: skip
    merged["failures"] = merged["failures"].astype("Int64")
    _keep_sites(page, facts, table)
    shown = Shown("", "")
    if evidence.allows(facts.tier, "describe") and len(facts.sites) > 1:
        figure, ax = plots.new_figure(height=4.2)
        sizes = np.unique(np.linspace(3, max(20.0, 1.15 * float(n.max())), 60).round())
        curves = pd.DataFrame({"n": sizes})
        for name, tail in (("inner", 0.025), ("outer", outer)):
            curves[f"low_{name}"] = trends.funnel_limit(float(funnel["centre"].iloc[0]), sizes, tail=tail)
            curves[f"high_{name}"] = trends.funnel_limit(
                float(funnel["centre"].iloc[0]), sizes, tail=1 - tail
            )
        odd = funnel[funnel["outside"] != ""]["site"].tolist()
        title = f"Outside the funnel: {wording.join_words(odd)}" if odd else "No site lies outside the funnel"
        draw_funnel(ax, funnel, curves, shrunk, title=title)
        shown += page.add_figure(
            "sites", figure,
            alt=f"Sites by number of ventings and share failing in {facts.period.label}, within limits for their size. {title}.",
            caption="A small site may lie far from the middle by chance alone: the limits widen to the left. Crude shares inside curves for the usual mix; "
            "whether a site is named as outside is decided by the exact chance of so many failing among its own ventings and their mix.",
        )  # fmt: skip
    shown += page.add_table(
        "failing_by_site", merged, title=f"Sites in {facts.period.label}",
        columns={
            "site": "Site", "failures": "Failing", "n": "With a result", "share": ("Share", "share"), "low": ("From", "share"),
            "high": ("To", "share"), "drawn": ("Drawn towards all sites", "share"), "expected": ("Expected", "", "1"),
            "ratio": ("Observed over expected", "", "2"), "ratio_low": ("From", "", "2"), "ratio_high": ("To", "", "2"),
        },
        note="In alphabetical order on purpose: this is no ranking. Drawn towards all sites: the estimate that neither blames nor hides a small site.",
    )  # fmt: skip
    new = [
        s
        for s in facts.sites
        if not (facts.jobs.loc[facts.jobs["site"] == s, "step"] < facts.step.label).any()
    ]
    if new and facts.watch.past:
        shown += page.text(
            f"First ventings this period: {wording.join_words(new)}. Expected from the other sites, with the width that goes with that."
        )
    return shown


def _tier_of(facts: Facts, row: pd.Series) -> str:
    return "list" if row["tier"] == "list" else facts.tier


def _keep_sites(page: Page, facts: Facts, table: pd.DataFrame) -> None:
    for site in facts.sites:
        row = table[table["site"] == site].iloc[0]
        share, tier = rates.estimate_of(row), _tier_of(facts, row)
        text = lifter_words.group_share(
            f"{site} in {facts.period.label}", share, "venting", events=int(row["failures"])
        )
        page.add_finding("venting_failure_share", share, group={"site": site}, tier=tier, sentence=text)
        ratio = expected_ratio(page, facts, facts.period, site=site)
        text = f"{site} in {facts.period.label}: failing ventings at {wording.interval(ratio, decimals=2)} of those expected."
        page.add_finding(
            "observed_over_expected", ratio, group={"site": site}, tier=facts.tier, sentence=text
        )


def by_type_and_reason(page: Page) -> Shown:
    """Engine types and reasons, this period beside the earlier ones."""
    facts = gather_facts(page)
    past = facts.jobs[facts.jobs["step"].isin(facts.watch.past)]
    parts = []
    for column in ("engine_type", "reason"):
        levels = sorted(facts.jobs[column].dropna().unique())
        now, then = (
            rates.failing_by(jobs, column, groups=levels, level=page.level) for jobs in (facts.now, past)
        )  # fmt: skip
        part = (
            now.drop(columns="level")
            .rename(columns={column: "level"})
            .assign(factor=column.replace("_", " "))
        )
        part["level"] = part["level"].astype("str").str.replace("_", " ")
        part["earlier"], part["earlier_n"] = then["estimate"].to_numpy(), then["n"].to_numpy()
        part["earlier_failures"] = then["failures"].astype("Int64").to_numpy()
        parts.append(part)
        if column == "engine_type":
            for _, row in now.iterrows():
                share, tier = rates.estimate_of(row), _tier_of(facts, row)
                text = lifter_words.group_share(
                    f"{row[column]} in {facts.period.label}", share, "venting", events=int(row["failures"])
                )
                page.add_finding(
                    "venting_failure_share",
                    share,
                    group={column: row[column]},
                    tier=tier,
                    sentence=text,
                )
    table = pd.concat(parts, ignore_index=True)
    table["failures"] = table["failures"].astype("Int64")
    table = table[(table["n"] > 0) | (table["earlier_n"] > 0)]
    names = [
        "factor",
        "level",
        "failures",
        "n",
        "estimate",
        "low",
        "high",
        "earlier_failures",
        "earlier_n",
        "earlier",
    ]
    return page.add_table(
        "failing_by_type_and_reason", table[names], title="Engine types and reasons",
        columns={
            "factor": "By", "level": "Which", "failures": "Failing", "n": "With a result", "estimate": ("Share", "share"),
            "low": ("From", "share"), "high": ("To", "share"), "earlier_failures": "Failing earlier",
            "earlier_n": "With a result earlier", "earlier": ("Share earlier", "share"),
        },
        note="Earlier: the periods that this one is compared with. Engines with more lifters fail more often by count alone.",
    )  # fmt: skip
