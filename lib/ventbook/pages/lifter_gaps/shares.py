"""Shares of ventings and lifters over the limit: in all, by group, at the first and last check, and with blanks."""

from __future__ import annotations

import pandas as pd

from ventbook import evidence, plots, rates, wording
from ventbook.pages.base import Page
from ventbook.pages.lifter_gaps.facts import Facts, gather_facts
from ventbook.pages.show import Shown
from ventbook.plots.lifters import draw_share_lines
from ventbook.rates import Check, Of
from ventbook.results import Estimate
from ventbook.wording import lifters as words

GROUP_WORDS = {"site": "site", "engine_type": "engine type", "reason": "reason"}
#: Shares of the period in all: of what, at which check, and the ending of the finding's id.
OVERALL: tuple[tuple[Of, Check, str], ...] = (
    ("venting", "first", ""), ("lifter", "first", ""), ("venting", "last", "_last_check"), ("lifter", "last", "_last_check"),
)  # fmt: skip

BY_GROUP: tuple[tuple[Of, Check], ...] = (("venting", "first"), ("lifter", "first"), ("lifter", "last"))


def share_of(facts: Facts, what: Of, check: Check, level: float) -> Estimate:
    """Share of ventings or lifters over the limit at a check, all of the period."""
    return rates.failing_share(facts.jobs, of=what, check=check, level=level)


def events_at(facts: Facts, what: Of, check: Check) -> int:
    """Ventings with a finding, or lifters over the limit, at a check."""
    return int(facts.jobs[f"failed_{check}" if what == "venting" else f"lifters_over_{check}"].sum())


def overall(page: Page) -> Shown:
    """First and last check: share of ventings with a finding, share of lifters over the limit."""
    facts = gather_facts(page)
    out = Shown("", "")
    rows = []
    for what, check, suffix in OVERALL:
        estimate = share_of(facts, what, check, page.level)
        sentence = words.found_share(
            estimate, what, facts.limit_words, check=check, events=events_at(facts, what, check)
        )
        out += page.add_finding(f"{what}_failure_share{suffix}", estimate, tier=facts.tier, sentence=sentence)
        rows.append({"label": f"{what}s, {check} check", **estimate.as_row()})
    table = pd.DataFrame(rows)
    if evidence.allows(facts.tier, "describe") and table["estimate"].notna().any():
        figure, ax = plots.new_figure(height=2.6)
        figure.subplots_adjust(left=0.22, right=0.88, bottom=0.22, top=0.97)
        draw_share_lines(ax, table, label="label", xlabel=f"over {facts.limit_words}, %")
        out += page.add_figure(
            "shares_over_limit",
            figure,
            alt=f"Share of ventings and lifters over the limit at the first and last check with intervals, {page.period.label}.",
            caption="The intervals carry that lifters share an engine. The last check is after extra runs where there were any.",
        )
    return out


def by_group(page: Page) -> Shown:
    """The same shares by site, engine type and reason; a group without ventings keeps its row."""
    facts = gather_facts(page)
    out = Shown("", "")
    tables = []
    for column, name in GROUP_WORDS.items():
        ventings, lifters, last = (
            rates.failing_by(
                facts.jobs, column, groups=facts.groups[column], of=of, check=check, level=page.level
            )
            for of, check in BY_GROUP
        )
        for i, value in enumerate(ventings[column]):
            tier = str(ventings["tier"].iloc[i])
            label = wording.clean_text(value).replace("_", " ")
            for what, table in (("venting", ventings), ("lifter", lifters)):
                estimate = rates.estimate_of(table.iloc[i])
                events = int(table["failures"].iloc[i])
                page.add_finding(
                    f"{what}_failure_share",
                    estimate,
                    group={column: value},
                    tier=tier,
                    sentence=words.group_share(label, estimate, what, events=events),
                )
        tables.append(
            pd.DataFrame(
                {
                    "by": name,
                    "group": ventings[column].astype(str),
                    "ventings": ventings["n"],
                    "ventings_over": ventings["failures"],
                    "estimate": ventings["estimate"],
                    "low": ventings["low"],
                    "high": ventings["high"],
                    "lifters": lifters["n"],
                    "lifters_over": lifters["failures"],
                    "lifter_share": lifters["estimate"],
                    "lifter_low": lifters["low"],
                    "lifter_high": lifters["high"],
                    "lifter_share_last": last["estimate"],
                    "engines": ventings["clusters"],
                }
            )
        )
    table = pd.concat(tables, ignore_index=True)
    table["group_words"] = table["group"].map(wording.clean_text).str.replace("_", " ")
    drawn = table.assign(label=table["by"] + ": " + table["group_words"], n=table["ventings"])
    figure, ax = plots.new_figure(height=1.0 + 0.26 * len(drawn))
    figure.subplots_adjust(left=0.34, right=0.88, bottom=0.62 / (1.0 + 0.26 * len(drawn)), top=0.98)
    draw_share_lines(ax, drawn, label="label", xlabel="ventings with a spongy lifter at the first check, %")
    out += page.add_figure(
        "ventings_by_group",
        figure,
        alt=f"Share of ventings with a lifter over the limit by site, engine type and reason, with intervals, {page.period.label}.",
        caption="Alphabetical, not ranked. Groups differ in more than their name: see the report on spongy lifters before "
        "concluding that a group is the cause.",
    )
    return out + page.add_table(
        "shares_by_group",
        table,
        title="Over the limit by site, engine type and reason",
        columns={
            "by": "By",
            "group_words": ("Group", "", "text"),
            "ventings": "Ventings",
            "ventings_over": ("With a finding", "", "integer"),
            "estimate": ("Share of ventings", "share"),
            "low": ("From", "share"),
            "high": ("To", "share"),
            "lifters": "Lifters",
            "lifters_over": ("Over", "", "integer"),
            "lifter_share": ("Share of lifters", "share"),
            "lifter_low": ("From", "share"),
            "lifter_high": ("To", "share"),
            "lifter_share_last": ("Last check", "share"),
        },
        note="Engines with more cylinders have more lifters that can fail: compare ventings within an engine type. Under five "
        "ventings there are cases, not a share.",
    )


def gaps_by_site(page: Page) -> Shown:
    """Median gap by site and engine type from the gaps as numbers: more is seen than from pass and fail."""
    facts = gather_facts(page)
    out = Shown("", "")
    parts = []
    for column in ("site", "engine_type"):
        table = rates.compare_gaps(
            facts.lifters,
            column,
            gap="gap_first_mm",
            step=facts.step,
            limit=facts.limit if facts.limit > 0 else None,
            level=page.level,
            groups=facts.groups[column],
        )
        parts.append(table.rename(columns={column: "group"}).assign(by=GROUP_WORDS[column]))
    table = pd.concat(parts, ignore_index=True)
    sites = table[(table["by"] == "site") & (table["state"] == "estimated")]
    if len(sites):
        reference = str(sites["group"].iloc[0])
        sentences = [
            words.gap_ratio(wording.clean_text(r["group"]), reference, r, units=page.units)
            for r in sites.to_dict("records")
        ]
        out += page.text(*sentences)
    return out + page.add_table(
        "gap_medians",
        table,
        title="Gaps at the first check as numbers",
        columns={
            "by": "By",
            "group": ("Group", "", "text"),
            "n": "Readings",
            "censored": "Under the step",
            "median_mm": ("Half under", "mm"),
            "median_low": ("From", "mm"),
            "median_high": ("To", "mm"),
            "ratio": ("Ratio to the first", "", "2"),
            "ratio_low": ("From", "", "2"),
            "ratio_high": ("To", "", "2"),
            "note": ("Note", "", "text"),
        },
        note="mm of different engine layouts are not the same amount of air; compare sites within one layout. A gauge that "
        "reads high raises its site's gaps.",
    )


def blanks(page: Page) -> Shown:
    """Bounds where lifters were fitted and not written down."""
    facts = gather_facts(page)
    t = facts.jobs[(facts.jobs["lifters_checked"] > 0).to_numpy()]
    fitted = t["lifters_fitted"].fillna(t["lifters_checked"])
    bounds = rates.bound_blanks(
        t["lifters_over_first"], t["lifters_judged_first"], fitted, cluster=t["engine_id"], level=page.level
    )
    sentences = [
        words.blanks_sentence(bounds.blanks, bounds.low, bounds.high, bounds.as_passed, bounds.as_unchecked)
    ]
    silent = len(facts.jobs) - len(t)
    if silent:
        sentences.append(
            f"{wording.count(silent, 'venting')} {'has' if silent == 1 else 'have'} no lifter reading at all and "
            f"{'is' if silent == 1 else 'are'} in no share."
        )
    if not facts.denominators_known:
        only = facts.jobs[(facts.jobs["recorded_because"] == "finding_only").fillna(False)]
        sentences.append(
            f"{wording.count(len(only), 'venting')} {'was' if len(only) == 1 else 'were'} recorded only because "
            "something was found: how many passed is not known, so the shares above are no rates."
        )
    rows = [
        {"reading": name, **e.as_row()}
        for name, e in (("blanks passed", bounds.as_passed), ("blanks not checked", bounds.as_unchecked))
    ]
    table = pd.DataFrame(rows).astype({"estimate": float, "low": float, "high": float})
    return page.text(*sentences) + page.add_table(
        "blanks",
        table,
        title="What blanks can hide",
        columns={
            "reading": "If",
            "n": "Lifters",
            "estimate": ("Share over the limit", "share"),
            "low": ("From", "share"),
            "high": ("To", "share"),
        },
    )
