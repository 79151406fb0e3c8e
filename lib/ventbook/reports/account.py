"""The account of every failure as the reports show it: what came from which cause, and what has no name.

All reports of a snapshot speak from one account: of every venting with a lifter check up to the end of the period, whatever
the page's filters. What a page shows are sums of its shares over the page's own ventings.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd

from ventbook.document import plotting, wording
from ventbook.document.plotting import COLORS, HATCHES
from ventbook.document.sequence import Blocks
from ventbook.model.verdicts import only_findings
from ventbook.numerics import is_among
from ventbook.reports.page import Page, once_a_page
from ventbook.reports.parameters import Period
from ventbook.reports.scope import cut_before
from ventbook.reports.suggestions import Said, suggest
from ventbook.results import Estimate
from ventbook.statistics import causes
from ventbook.tables import evidence

if TYPE_CHECKING:
    from matplotlib.axes import Axes

UNEXPLAINED = "unexplained"
UNEXPLAINED_COLOR = "#d0d0d0"
LIFTER_COLUMNS = (
    "venting_id", "engine_id", "engine_type", "site", "date", "quarter", "cylinder", "valve", "position", "over_first", "gauge", "limit_mm",
    "gap_first_mm", "gap_first_corrected_mm", "gauge_u_mm", "gauge_bias_mm", "gauge_bias_u_mm", "gauge_bias_kind", "gauge_last", "air_likelihood", "leak_down_likelihood", "force_ratio_first", "lifter_history",
)  # fmt: skip
"""What the account reads of the lifters."""


@once_a_page
def load_account(page: Page) -> causes.Account:
    """The account of all ventings up to the end of the page's period, made once a page.

    On one engine's page it names only gauges that this engine was read with; what rests on others has no name there.
    """
    account = make_account(page, pd.Timestamp(page.period.end))
    engine = page.parameters.get("engine") or _engine_of(page)
    if not engine:
        return account
    mine = (page.all_lifters["engine_id"] == engine).fillna(False).to_numpy(bool)
    lifters = page.all_lifters[["gauge", "gauge_last"]][mine]
    used = {str(name) for column in ("gauge", "gauge_last") for name in lifters[column].dropna().unique()}
    terms, gauges = account.terms, account.gauges
    named = terms["name"].str.removeprefix("gauge ")
    kept = terms["kind_of_term"].ne("gauge") | named.isin(used)
    return replace(
        account,
        terms=terms[kept].reset_index(drop=True),
        gauges=gauges[gauges["gauge"].astype(str).isin(used)],
    )


def _engine_of(page: Page) -> str:
    """The engine of the one venting that a page is asked about; "" where it is about more."""
    asked = str(page.parameters.get("venting") or "")
    own = page.all_jobs.loc[(page.all_jobs["venting_id"] == asked).to_numpy(bool), "engine_id"]
    return str(own.iloc[0]) if asked and len(own) else ""


def make_account(page: Page, until: pd.Timestamp) -> causes.Account:
    """The account of all ventings before the day ``until``."""
    jobs, lifters, gauges = account_tables(page, until)
    return page.keep_made(causes.explain_failures, jobs, lifters, gauges=gauges)


def account_tables(page: Page, until: pd.Timestamp) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Ventings, lifters and biases of gauges that the account of the days before ``until`` is made from."""
    lifters = page.all_lifters[[name for name in LIFTER_COLUMNS if name in page.all_lifters.columns]]
    jobs, lifters = (cut_before(frame, until.date()) for frame in (page.all_jobs, lifters))
    jobs = jobs.drop(columns="trapped_air_total_mm3", errors="ignore")  # not every page has it
    own = lifters
    if only_findings(jobs):
        # ventings written down only because of a finding have no comparison in them
        jobs = jobs[(jobs["recorded_because"] != "finding_only").fillna(True).to_numpy(bool)]
        own = lifters[is_among(lifters["venting_id"], jobs["venting_id"])]
    if page.gauges.by_correction:  # then no finding rests on a bias
        own = lifters.iloc[:0]
    kept = _kept_biases(page)
    if until not in kept:
        kept[until] = page.keep_made(causes.list_gauge_biases, own)
    return jobs, lifters, kept[until]


@once_a_page
def _kept_biases(page: Page) -> dict[pd.Timestamp, pd.DataFrame]:
    """Biases of gauges by the day before which records count, filled as they are asked for."""
    return {}


def list_named(account: causes.Account) -> list[dict[str, Any]]:
    """The named causes' rows of ``terms``, the one with most failing ventings first."""
    terms = account.terms[account.terms["standing"] == evidence.NAMED]
    return cast(list[dict[str, Any]], terms.to_dict("records"))


def list_hints(account: causes.Account) -> list[dict[str, Any]]:
    """The hints' rows of ``terms``: asked, never said."""
    terms = account.terms[account.terms["standing"] == evidence.HINT]
    return cast(list[dict[str, Any]], terms.to_dict("records"))


def round_ventings(value: float) -> str:
    """A sum of shares as a count of ventings: whole from 10 on and where it is whole, else with one decimal."""
    return f"{value:.0f}" if value >= 9.95 or abs(value - round(value)) < 0.05 else f"{value:.1f}"


def count_range(value: float, low: float, high: float) -> str:
    """``27 (25 to 28)``; the value alone where both ends read like it."""
    told = round_ventings(value)
    ends = round_ventings(low), round_ventings(high)
    return told if ends == (told, told) or np.isnan(low) else f"{told} ({ends[0]} to {ends[1]})"


def large_sentence(account: causes.Account) -> str:
    """What a large fleet's account saves and the error it makes, for "how this was worked out"; "" for all others."""
    said = []
    if account.named_from < account.ventings:
        said.append(
            f"Names come from whole engines at even distances in the list of their names, {account.named_from} of {account.ventings} ventings; rates, shares "
            "and ranges from all. What explains 2 in 100 failing ventings, the least that is worth a name, is found there."
        )
    if account.ventings > causes.MANY_VENTINGS:
        said.append(
            f"Ranges rest on {causes.FEWER_DRAWS} draws in place of {causes.DRAWS}: each end is known to about 16 % of its distance from the count."
        )
    return " ".join(said)


# -- sentences -----------------------------------------------------------------------------------------------------------


def causes_sentence(account: causes.Account) -> str:
    """What all failing ventings up to the end of the period came from, for an answer."""
    if account.ventings and account.failing == account.ventings:
        return (
            f"Causes are not named: all of {wording.count(account.ventings, 'venting')} with a lifter check up to the end of the period had a finding, "
            "so there is nothing to compare with."
        )
    if account.state == "too_few":
        if not account.ventings:
            return "Causes are not named: no venting with a lifter check stands in the records."
        return (
            f"Causes are not named: {wording.count(account.ventings, 'venting')} with a lifter check up to the end of the period, "
            f"{account.failing or 'none'} with a finding, are too few; about {wording.count(account.needed, 'more')} with a known result would do."
        )
    if account.state != "named":
        return (
            f"Of what was recorded on {wording.count(account.ventings, 'venting')} up to the end of the period, nothing is named as a cause of the "
            f"{account.failing} failing ones."
        )
    sums = causes.sum_causes(account)
    parts = [
        f"{count_range(row['ventings'], row['low'], row['high'])} {'come ' if not place else ''}from {row['title']}"
        for place, row in enumerate(row for row in sums.to_dict("records") if row["cause"] != UNEXPLAINED)
    ]
    rest = sums[sums["cause"] == UNEXPLAINED].iloc[0]
    return (
        f"Of the {account.failing} failing among {account.ventings} ventings up to the end of the period, {wording.join_words(parts)}; "
        f"{count_range(rest['ventings'], rest['low'], rest['high'])} have no cause named."
    )


def avoidable_sentence(account: causes.Account) -> str:
    """How many failing ventings would have passed without each named cause, at least."""
    named = list_named(account)
    if not named:
        return ""
    parts = [f"{round_ventings(row['avoidable_low'])} without {row['title']}" for row in named]
    more = " (a venting that needed two of them counts with both)" if len(named) > 1 else ""
    return f"At least so many would have passed: {wording.join_words(parts)}{more}."


def period_sentence(account: causes.Account, ventings: pd.Series, label: str) -> str:
    """The same of the page's own ventings."""
    sums = causes.sum_causes(account, ventings=ventings.tolist())
    failing = int(sums["failing"].iloc[0])
    if account.state != "named" or not failing or failing == account.failing:
        return ""
    parts = [
        f"{round_ventings(row['ventings'])} {'without a name' if row['cause'] == UNEXPLAINED else row['title']}"
        for row in sums.to_dict("records")
        if row["ventings"] >= 0.25
    ]
    return f"Of the {failing} in {label}: {wording.join_words(parts)}."


def find_check(page: Page, row: Mapping[str, Any]) -> Said | None:
    """The check of a cause's row of ``terms``, within the limits in force; None where none may be said."""
    name = str(row["check"])
    return suggest(page, name, site=wording.clean_text(str(row["site"]))) if name else None


def say_check(page: Page, row: Mapping[str, Any]) -> str:
    """The same with its cautions in one text; empty where none may be said."""
    said = find_check(page, row)
    return said.whole if said else ""


def hint_sentence(page: Page, row: Mapping[str, Any]) -> str:
    """A hint, worded as a question."""
    why = f" ({row['reason']})" if row["reason"] else ""
    check = say_check(page, row)
    how = f"; new jobs can: {check.removesuffix('.')}." if check else "."
    return f"Does {row['title']} matter{why}? These records can't say{how}"


def doubt_sentences(account: causes.Account) -> list[str]:
    """One plain sentence beside each named cause that these records can't tell from another, and on the records as a whole."""
    told = [doubt_sentence(row) for row in list_named(account) if row["rivals"]]
    bound = account.looked_at.loc[account.looked_at["reason"].str.contains("from the site"), "title"].tolist()
    if bound and account.state != "too_few":
        told.append(
            f"Nearly the same on all ventings of each site, so that these records can't tell it from the site: {wording.join_words(bound[:6])}"
            + (f" and {wording.count(len(bound) - 6, 'other')}." if len(bound) > 6 else ".")
        )
    return [*told, *(f"{note[0].upper()}{note[1:]}." for note in account.notes if account.state != "too_few")]


def controls_sentence(account: causes.Account) -> str:
    """What came of circumstances that can't act; empty where none could be looked at."""
    found = account.controls
    if not found.tried:
        return ""
    far = (
        f"{len(found.out)} came out at a chance under 5 % each ({wording.join_words(found.out)})"
        if found.out
        else "none came out at a chance under 5 %"
    )
    luck = "more than chance lets them" if found.too_often else "no more than chance lets them"
    return (
        f"Screened beside, of circumstances that can't act on an engine (odd numbers, days of the week): of {found.tried} {far}; "
        f"all together {luck} (p {wording.number(found.chance, '1', decimals=2) if found.chance >= 0.01 else 'under 0.01'})."
    )


def venting_sentence(account: causes.Account, job: pd.Series) -> str:
    """What one venting's findings came from; of a sound one, the chance that it had."""
    titles = causes.name_causes(account)
    shares = account.venting_shares
    own = shares[shares["venting_id"] == job["venting_id"]].groupby("cause")["share"].sum()
    parts = [
        f"{wording.number(float(own[cause]), 'share')} {'no cause named' if cause == UNEXPLAINED else title}"
        for cause, title in titles.items()
        if own.get(cause, 0.0) >= 0.005
    ]
    if parts:
        return f"By the account of all failures its findings came from: {wording.join_words(parts)}."
    if account.state == "too_few":
        return ""
    chance = causes.chance_for(account, job)
    return (
        f"By the account of all failures, {wording.number(chance.chance, 'share')} of such ventings have a lifter over the limit "
        f"({wording.value_range(chance.low, chance.high, 'share')})."
    )


def cured_sentence(account: causes.Account, lifters: pd.DataFrame, wanted: Sequence[str]) -> str:
    """What an extra run did to findings of these causes (none: of those without a name), each for itself and never pooled."""
    found = causes.cured_by_cause(account, lifters)
    own = found[found["cause"].isin(wanted or [UNEXPLAINED]) & found["share"].notna()]
    parts = [
        f"about {row['cured']:.0f} of {row['looked']:.0f} with {'no cause named' if row['cause'] == UNEXPLAINED else row['title']} "
        f"({wording.value_range(row['low'], row['high'], 'share')})"
        for row in own.to_dict("records")
    ]
    return (
        f"Findings of like jobs within the limit after an extra run: {wording.join_words(parts)}."
        if parts
        else ""
    )


def doubt_sentence(row: Mapping[str, Any]) -> str:
    rivals, since = str(row["rivals"]).split("; "), f"{row['site']} worse since "
    title = f"{row['title'][0].upper()}{row['title'][1:]}"
    if row["site"] and all(rival.startswith(since) for rival in rivals):
        steps = " or ".join(rival.removeprefix(since) for rival in rivals)
        return f"{title}: a step up in {steps} fits as well."
    return f"{title}: these records can't tell it from {wording.join_words(rivals)}."


# -- pictures and tables -------------------------------------------------------------------------------------------------


def style_causes(account: causes.Account) -> dict[str, dict[str, Any]]:
    """Colour and hatch of each cause, the same on every picture of a page; the unexplained plain grey."""
    titles = causes.name_causes(account)
    return {
        cause: {"facecolor": UNEXPLAINED_COLOR, "hatch": "", "edgecolor": "#666666"}
        if cause == UNEXPLAINED
        else {"facecolor": COLORS[i % len(COLORS)], "hatch": HATCHES[i % len(HATCHES)], "edgecolor": "white"}
        for i, cause in enumerate(titles)
    }


def draw_causes(ax: Axes, sums: pd.DataFrame, styles: Mapping[str, Mapping[str, Any]]) -> Axes:
    """Failing ventings by cause as bars with their range, the largest on top.

    sums : columns cause, title, ventings, low, high.
    """
    y = np.arange(len(sums))[::-1]
    for at, row in zip(y, sums.to_dict("records"), strict=True):
        ax.barh(at, row["ventings"], height=0.6, **styles[row["cause"]])
        ax.plot([row["low"], row["high"]], [at, at], color="black", linewidth=1.4)
        told = count_range(row["ventings"], row["low"], row["high"])
        ax.annotate(
            told, (row["high"], at), xytext=(5, 0), textcoords="offset points", va="center", fontsize=9
        )
    ax.set_yticks(y, [_wrap(str(title)) for title in sums["title"]])
    ax.set_xlim(0, 1.25 * max(float(sums["high"].max()), 1.0))
    ax.set_xlabel(f"failing ventings (n = {int(sums['failing'].iloc[0])})")
    return ax


def draw_causes_over_time(
    ax: Axes, sums: pd.DataFrame, styles: Mapping[str, Mapping[str, Any]], ventings: Mapping[str, int]
) -> Axes:
    """Failing ventings by cause and quarter, stacked; below each quarter the ventings with a result.

    sums : columns quarter, cause, title, ventings. ``ventings`` : quarter to ventings with a known result.
    """
    quarters = sorted(ventings)
    bottom = np.zeros(len(quarters))
    for cause, own in sums.groupby("cause", sort=False):
        height = own.set_index("quarter")["ventings"].reindex(quarters, fill_value=0.0).to_numpy(float)
        title = str(own["title"].iloc[0])
        ax.bar(
            np.arange(len(quarters)),
            height,
            bottom=bottom,
            width=0.72,
            label=_wrap(title),
            **styles[str(cause)],
        )
        bottom += height
    ax.set_xticks(np.arange(len(quarters)), [f"{q}\nof {ventings[q]}" for q in quarters])
    ax.set_ylim(0, 1.3 * max(bottom.max(initial=0.0), 1.0))
    ax.set_ylabel("failing ventings")
    ax.legend(loc="upper left", ncols=2)
    return ax


def _wrap(title: str, width: int = 26) -> str:
    lines = [""]
    for word in title.split():
        if lines[-1] and len(lines[-1]) + len(word) + 1 > width:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return "\n".join(lines)


def show_causes(page: Page, account: causes.Account, *, tier: str) -> Blocks:
    """The picture and the table of causes: failing ventings, avoidable, what would refute, what to check; each a finding."""
    if account.state == "too_few" or not account.failing:
        return page.text(*(f"{note[0].upper()}{note[1:]}." for note in account.notes))
    sums = causes.sum_causes(account)
    shown = Blocks()
    if account.state == "named":
        figure, ax = plotting.new_figure(height=0.62 * len(sums) + 1.0)
        figure.subplots_adjust(left=0.31)
        draw_causes(ax, sums, style_causes(account))
        first = sums.iloc[0]
        shown += page.add_figure(
            "failures_by_cause",
            figure,
            alt=f"Failing ventings by cause, with ranges. Most: {first['title']}, {count_range(first['ventings'], first['low'], first['high'])} of {account.failing}. "
            "The numbers stand in the table below.",
            caption=f"The {account.failing} failing ventings up to the end of the period, shared among causes; lines: {100 * account.level:.0f} % ranges. The shares add up.",
        )
    shown += page.text(
        *doubt_sentences(account),
        *(hint_sentence(page, row) for row in list_hints(account)),
    )
    shown += keep_causes(page, account, sums, tier=tier)
    return shown


def keep_causes(page: Page, account: causes.Account, sums: pd.DataFrame, *, tier: str) -> Blocks:
    """Findings ``failures_by_cause`` and ``avoidable_failures``, and the table ``failure_causes``."""
    terms = {row["name"]: row for row in list_named(account)}
    engines = account.shares["engine_id"].nunique()
    # the account is of everything up to the period's end, whatever the page's own period
    first = page.all_jobs["date"].min().date()
    span = Period(f"up to {page.period.label}", first, page.period.end, page.period.provisional)
    rows = []
    for row in sums.to_dict("records"):
        term = terms.get(row["cause"], {})
        group = {"cause": row["cause"]}
        told = count_range(row["ventings"], row["low"], row["high"])
        page.add_finding(
            "failures_by_cause",
            Estimate(row["ventings"], row["low"], row["high"], account.level, "count", account.failing, engines, "account of failures"),
            tier=tier, group=group, period=span, sentence=f"{row['title']}: {told} of {account.failing} failing ventings.",
        )  # fmt: skip
        if term:
            low, value, high = term["avoidable_low"], term["avoidable"], term["avoidable_high"]
            page.add_finding(
                "avoidable_failures",
                Estimate(value, low, high, account.level, "count", account.failing, engines, "account of failures"),
                tier=tier, group=group, period=span,
                sentence=f"Without {row['title']} at least {round_ventings(low)} of the failing ventings would have passed ({count_range(value, low, high)}).",
            )  # fmt: skip
        rows.append(
            {
                "cause": row["cause"],
                "cause_words": row["title"],
                "acts_on": term.get("acts_on", ""),
                "exposed": term.get("exposed", np.nan),
                "exposed_failing": term.get("exposed_failing", np.nan),
                "findings": term.get(
                    "findings", account.findings - sum(t["findings"] for t in terms.values())
                ),
                "ventings": row["ventings"],
                "ventings_low": row["low"],
                "ventings_high": row["high"],
                "ventings_words": told,
                "avoidable": term.get("avoidable", np.nan),
                "avoidable_low": term.get("avoidable_low", np.nan),
                "avoidable_words": round_ventings(term["avoidable_low"]) if term else "",
                "rivals": term.get("rivals", ""),
                "refute": term.get("refute", ""),
                "check": say_check(page, term) if term else "",
            }
        )
    shown = page.add_table(
        "failure_causes",
        pd.DataFrame(rows),
        title="What the failing ventings came from",
        columns=["cause_words", "acts_on", "exposed", "exposed_failing", "ventings_words", "avoidable_words", "refute", "check", "rivals"],
        note=f"Ranges: {100 * account.level:.0f} %. Findings of one venting are shared by their readings and circumstances; shares add up to the count. "
        "Would have passed: failing ventings that would have had no finding without this cause, all else the same, at least; these don't add up.",
    )  # fmt: skip
    names = causes.label_shares(account)[
        ["venting_id", "engine_id", "quarter", "site", "cause", "kind", "share"]
    ]
    titles = causes.name_causes(account)
    return shown + page.add_table(
        "failure_shares",
        names.assign(
            cause_words=names["cause"].map(titles),
            kind=names["kind"].str.replace("_", "-"),
            share=names["share"].round(12),
        )
        .sort_values(["share"], ascending=False, kind="stable")
        .sort_values(
            ["cause"], kind="stable", key=lambda c: c.map({name: i for i, name in enumerate(titles)})
        )
        .reset_index(drop=True),
        title="Each failing venting and its causes",
        columns=["venting_id", "engine_id", "site", "quarter", "cause_words", "kind", "share"],
        rows=12,
    )
