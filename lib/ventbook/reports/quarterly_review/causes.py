"""Failing ventings by cause: this period, quarter by quarter, what rose and fell, and what is always there."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ventbook.document import plotting, wording
from ventbook.document.sequence import Blocks
from ventbook.model.verdicts import quarter_of
from ventbook.reports import account as told
from ventbook.reports import first_screen
from ventbook.reports.page import Page, once_a_page, section
from ventbook.reports.parameters import Period
from ventbook.reports.quarterly_review import words
from ventbook.reports.quarterly_review.data import ReportData, load_data
from ventbook.reports.quarterly_review.figures import draw_split
from ventbook.reports.sensitivity import show_sensitivity
from ventbook.results import Estimate
from ventbook.statistics import causes, rates, trends

QUARTERS_DRAWN, QUARTERS_LED = 12, 8


def quarters_in(period: Period) -> list[str]:
    """Quarters that lie in the period whole, by label, oldest first."""
    found = pd.period_range(
        pd.Timestamp(period.start), pd.Timestamp(period.end) - pd.Timedelta(days=1), freq="Q"
    )
    return [
        f"{q.year}Q{q.quarter}"
        for q in found
        if q.start_time.date() >= period.start and q.end_time.date() < period.end
    ]


def cause_sentence(page: Page, facts: ReportData) -> str:
    """The period's failing ventings by cause beside those of the period before, for the answer."""
    account = told.load_account(page)
    failing = int(facts.now["failed_first"].fillna(False).sum())
    if account.state != "named" or not failing:
        return told.causes_sentence(account) if failing else ""
    now, before = (
        causes.sum_causes(account, ventings=jobs["venting_id"].tolist()) for jobs in (facts.now, facts.before)
    )
    said = []
    for row, then in zip(now.to_dict("records"), before["ventings"], strict=True):
        if row["ventings"] < 0.25 and then < 0.25:
            continue
        said.append((row["title"], told.round_ventings(row["ventings"]), told.round_ventings(then)))
        for value, n, period in (
            (row["ventings"], failing, facts.period),
            (then, len(facts.before), facts.before_period),
        )[: 2 if len(facts.before) else 1]:
            count = Estimate(value, None, None, account.level, "count", n, 0, "account of failures")
            page.add_finding(
                "failures_by_cause", count, tier=facts.tier, group={"cause": row["cause"]}, period=period,
                sentence=f"{row['title']}: {told.round_ventings(value)} failing ventings in {period.label}.",
            )  # fmt: skip
    return words.by_cause_sentence(said, before=facts.before_period.label if len(facts.before) else "")


def lead_picture(page: Page, facts: ReportData) -> Blocks:
    """Share of failing ventings by quarter, split by named cause, with its range; unsplit where no cause is named."""
    account = told.load_account(page)
    known = facts.jobs[facts.jobs["failed_first"].notna().to_numpy(bool)]
    known = known.assign(quarter=known["date"].map(quarter_of).astype(str))
    quarters = sorted(known["quarter"].unique())[-QUARTERS_LED:]
    shares = {q: rates.failing_share(known[known["quarter"] == q], level=page.level) for q in quarters}
    if not quarters or all(share.estimate is None for share in shares.values()):
        return Blocks()
    titles = causes.name_causes(account) if account.state == "named" else {}
    split = pd.DataFrame(index=quarters)
    if titles:
        ours = causes.label_shares(account)
        ours = ours[ours["venting_id"].isin(known["venting_id"])]
        sums = ours.pivot_table("share", "quarter", "cause", "sum", observed=True).reindex(quarters)
        sums = sums.fillna(0.0).div(known.groupby("quarter").size().reindex(quarters), axis=0)
        split = sums[[cause for cause in titles if cause in sums]]
    below, how = 0.19 * len(split.columns) + 0.62, "cause" if len(split.columns) else "quarter"
    figure, ax = first_screen.new_lead(f"Ventings with a spongy lifter, by {how}", height=2.2 + below)
    figure.subplots_adjust(bottom=below / (2.2 + below))
    draw_split(ax, split, shares, titles, told.style_causes(account) if titles else {})
    last, first = quarters[-1], quarters[0]
    parts = [
        f"{titles[str(cause)]} {100 * value:.0f} %"
        for cause, value in split.loc[last].items()
        if value >= 0.005
    ]
    said = [
        f"{q} {wording.number(share.estimate, 'share')}"
        for q, share in shares.items()
        if share.estimate is not None
    ]
    return page.add_figure(
        "lead", figure,
        alt=f"Share of ventings with a spongy lifter by quarter, {first} to {last}: {wording.join_words(said)}."
        + (f" Of the ventings of {last}: {wording.join_words(parts)}." if parts else ""),
        caption=f"Share of the ventings with a known result; lines: {wording.level_words(page.level)} ranges.",
    )  # fmt: skip


@once_a_page
def compare_periods_by_cause(page: Page) -> pd.DataFrame | None:
    """What each cause's failing ventings were in the period held against and are now; None where the quarters don't match."""
    facts, account = load_data(page), told.load_account(page)
    before, after = quarters_in(facts.before_period), quarters_in(page.period)
    if account.state != "named" or not after or len(before) != len(after) or not len(facts.before):
        return None
    return causes.compare_causes(account, before, after, site=page.filters.get("site", ""))


@section
def by_cause(page: Page) -> Blocks:
    """Stacked by quarter; what rose and what fell since the period before; what each site always has; cure by cause."""
    facts = load_data(page)
    account = told.load_account(page)
    if account.state != "named":
        return page.text(
            told.causes_sentence(account),
            *(told.hint_sentence(page, row) for row in told.list_hints(account)),
        )
    shown = _show_quarters(page, facts, account)
    shown += _show_changes(page, facts, account)
    shown += _show_expected(page, facts, account)
    shown += _show_sites(page, account)
    return shown + show_sensitivity(page) + _show_cure(page, account)


def _show_quarters(page: Page, facts: ReportData, account: causes.Account) -> Blocks:
    site = page.filters.get("site", "")
    sums = causes.sum_causes(account, by=["site", "quarter"] if site else ["quarter"])
    if site:
        sums = sums[sums["site"] == site]
    known = facts.jobs[facts.jobs["failed_first"].notna().to_numpy(bool)]
    counts = {str(q): int(n) for q, n in known["date"].map(quarter_of).value_counts().items()}
    quarters = sorted(counts)[-QUARTERS_DRAWN:]
    drawn = sums[sums["quarter"].isin(quarters)]
    figure, ax = plotting.new_figure(height=4.0)
    told.draw_causes_over_time(ax, drawn, told.style_causes(account), {q: counts[q] for q in quarters})
    last = drawn[drawn["quarter"] == quarters[-1]] if quarters else drawn
    most = last.sort_values("ventings", ascending=False, kind="stable")
    alt = "Failing ventings by quarter, stacked by cause." + (
        f" In {quarters[-1]} most came from {most['title'].iloc[0]}, {told.round_ventings(most['ventings'].iloc[0])}."
        if len(most)
        else ""
    )
    shown = page.add_figure(
        "failing_by_cause",
        figure,
        alt=alt,
        caption="Failing ventings by quarter and cause; below each quarter the ventings with a known result. Shares add up to the failing ventings.",
    )
    table = sums.assign(
        cause_words=sums["title"],
        ventings_words=[
            told.count_range(r["ventings"], r["low"], r["high"]) for r in sums.to_dict("records")
        ],
    ).sort_values("quarter", ascending=False, kind="stable", ignore_index=True)
    return shown + page.add_table(
        "failing_by_cause",
        table,
        title="Failing ventings by quarter and cause, newest first",
        columns=["quarter", "cause_words", "ventings_words", "failing"],
        note=f"Ranges ({100 * account.level:.0f} %) say which cause a failure had, not how many fail next.",
        rows=2 * len(causes.name_causes(account)),
    )


def _show_changes(page: Page, facts: ReportData, account: causes.Account) -> Blocks:
    table = compare_periods_by_cause(page)
    if table is None:
        return (
            page.text("What rose and what fell is compared between as many whole quarters only.")
            if len(facts.before)
            else Blocks()
        )
    for row in table.to_dict("records"):
        change = Estimate(
            row["change"],
            row["low"],
            row["high"],
            account.level,
            "count",
            account.failing,
            0,
            "account of failures",
        )
        page.add_finding(
            "failures_by_cause_change", change, tier=facts.tier,
            group={"cause": row["cause"], "against": facts.before_period.label},
            sentence=words.cause_change_sentence(
                row["title"], row["before"], row["after"], row["low"], row["high"], row["moved"], before=facts.before_period.label, label=page.period.label
            ),
        )  # fmt: skip
    moved = table[table["moved"] != ""]
    text = words.moved_causes_sentence(
        list(zip(moved["title"], moved["moved"], strict=True)), before=facts.before_period.label
    )
    table = table.assign(
        cause_words=table["title"],
        before_words=[told.round_ventings(v) for v in table["before"]],
        now_words=[told.round_ventings(v) for v in table["after"]],
        change_words=[_signed_range(r["change"], r["low"], r["high"]) for r in table.to_dict("records")],
    )
    return page.text(text) + page.add_table(
        "cause_changes",
        table,
        title=f"What rose and what fell since {facts.before_period.label}, in failing ventings",
        columns=["cause_words", "before_words", "now_words", "change_words", "moved"],
        note=f"The range ({100 * account.level:.0f} %) holds the chance by which counts of failures differ from quarter to quarter; rose or fell where it leaves out 0.",
    )


def _signed_range(change: float, low: float, high: float) -> str:
    ends = f" ({low:+.0f} to {high:+.0f})" if np.isfinite(low) else ""
    return f"{change:+.1f}{ends}"


def _show_expected(page: Page, facts: ReportData, account: causes.Account) -> Blocks:
    """Each site's failing ventings beside what the same jobs would bring at a usual site: its own past is no excuse."""
    known = page.jobs[page.jobs["failed_first"].notna().to_numpy(bool)]
    known = known.assign(expected=causes.predict_failing(account, known, own_site=False))
    rows = []
    for site, own in known.groupby("site", observed=True, sort=True):
        failing, expected = int(own["failed_first"].sum()), float(own["expected"].sum())
        ratio = trends.observed_over_expected(failing, expected, level=page.level, n=len(own))
        page.add_finding(
            "observed_over_usual_site", ratio, tier=facts.tier, group={"site": str(site)},
            sentence=words.usual_site_sentence(str(site), failing, expected, ratio),
        )  # fmt: skip
        rows.append(
            {
                "site": site,
                "known": len(own),
                "failing": failing,
                "expected": expected,
                "ratio": wording.interval(ratio, decimals=2),
            }
        )
    return page.add_table(
        "against_usual_site",
        pd.DataFrame(rows, columns=["site", "known", "failing", "expected", "ratio"]),
        title=f"Failing ventings in {page.period.label} beside what the same jobs would bring at a usual site",
        columns=["site", "known", "failing", "expected", "ratio"],
        note="Expected from the account: the mean of the sites' own rates and the named causes that stood at each job, no site's own past or course. "
        "Sites differ in what is not on record as well; a ratio says where to look, not who is to blame.",
    )


def _show_sites(page: Page, account: causes.Account) -> Blocks:
    table = causes.list_chronic(account)
    if "site" in page.filters:
        table = table[table["site"] == page.filters["site"]]
    always = table[table["chronic"]]
    told_always = [f"{row['site']}: {row['title']}" for row in always.to_dict("records")]
    text = (
        f"There in three of four quarters or more: {wording.join_words(told_always)}."
        if told_always
        else "No cause is there in three of four quarters at any site."
    )
    table = table.assign(
        cause_words=table["title"],
        ventings_words=[told.round_ventings(v) for v in table["ventings"]],
        seen_words=[f"{r['quarters_with']} of {r['quarters']}" for r in table.to_dict("records")],
    )
    return page.text(text) + page.add_table(
        "causes_by_site",
        table.reset_index(drop=True),
        title="Causes by site: what is always there, and what came",
        columns=["site", "cause_words", "ventings_words", "seen_words", "chronic"],
        rows=20,
    )


def _show_cure(page: Page, account: causes.Account) -> Blocks:
    table = causes.cured_by_cause(account, page.history_lifters, level=page.level)
    table = table.assign(
        cause_words=table["title"],
        looked_words=[told.round_ventings(v) for v in table["looked"]],
        cured_words=[
            f"{told.round_ventings(r['cured'])}"
            + (
                f" ({wording.value_range(r['low'], r['high'], 'share')})"
                if r["low"] == r["low"] and r["low"] is not None
                else ""
            )
            for r in table.to_dict("records")
        ],
    )
    return page.add_table(
        "cured_by_cause",
        table,
        title="Cured by an extra run, by cause of the finding (all periods)",
        columns=["cause_words", "looked_words", "cured_words"],
        note="Findings looked at again after a run; each counts with its causes' shares. Under five no share is given.",
    )
