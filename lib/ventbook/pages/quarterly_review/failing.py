"""Failing ventings by period, and against what past and mix make expected."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd

from ventbook import evidence, plots, rates, trends, wording
from ventbook.pages.base import Page
from ventbook.pages.period import Period
from ventbook.pages.quarterly_review.facts import Facts, gather_facts
from ventbook.pages.quarterly_review.rare import between_failures
from ventbook.pages.show import Shown
from ventbook.plots.trends import draw_ratios, draw_share_chart
from ventbook.wording import trends as words

#: Rises, falls and steps over all periods, as a family of the quarter's error budget.
SLOW_CHANGE = "review_signals.slow_change"

LIMITS_NOTE = (
    "The band holds nearly all periods (99.7 of 100) if nothing but chance and the usual spread between periods is at "
    "work. A point outside it is a pointer; what counts as a signal is decided for the whole page at once."
)


def failing_by_period(page: Page) -> Shown:
    """Share of failing ventings by period with its band of chance, and by month as a table."""
    facts = gather_facts(page)
    counts = count_steps(facts)
    shown = Shown("", "")
    if counts["n"].sum() == 0:
        return page.text("No venting has a lifter check that gives a result, so there is no share to show.")
    chart = trends.chart_shares(counts["failing"], counts["n"], labels=counts["label"].tolist())
    runs = trends.find_runs(chart)
    runs = runs[runs["label"] == facts.step.label]
    figure, ax = plots.new_figure()
    last = chart.iloc[-1]
    title = chart_title(facts, chart)
    still_open = len(facts.open_now) > 0 or facts.period.provisional
    draw_share_chart(ax, chart, title=title, provisional=still_open, breaks=break_marks(facts))
    band = f"{100 * last['low_limit']:.0f} to {100 * last['high_limit']:.0f} %"
    alt = (
        f"Share of ventings with a spongy lifter, {facts.labels[0]} to {facts.labels[-1]}; last value "
        f"{'none' if np.isnan(last['value']) else wording.number(float(last['value']), 'share')}, band of chance {band}."
    )
    shown += page.add_figure("failing_by_period", figure, alt=alt, caption=LIMITS_NOTE)
    if len(runs):
        shown += page.text(f"Pattern in {facts.step.label}: {wording.join_words(runs['words'])}.")
    shown += page.add_table(
        "failing_by_period",
        chart.assign(failing=chart["count"].astype("Int64"), n=chart["n"].astype("Int64")),
        title="Failing ventings by period",
        columns={
            "label": "Period", "failing": "Failing", "n": "With a result", "value": ("Share", "share"),
            "low_limit": ("Band from", "share"), "high_limit": ("Band to", "share"), "outside": "Outside",
        },
    )  # fmt: skip
    return shown + _by_month(page, facts) + between_failures(page)


def count_steps(facts: Facts, jobs: pd.DataFrame | None = None) -> pd.DataFrame:
    """Failing ventings and ventings with a result by step, empty steps kept: columns label, failing, n."""
    jobs = facts.jobs if jobs is None else jobs
    known = jobs[jobs["failed_first"].notna()]
    sums = known.assign(bad=known["failed_first"].astype(int)).groupby("step")["bad"].agg(["sum", "size"])
    sums = sums.reindex(facts.labels, fill_value=0)
    return pd.DataFrame(
        {"label": facts.labels, "failing": sums["sum"].to_numpy(), "n": sums["size"].to_numpy()}
    )


def chart_title(facts: Facts, chart: pd.DataFrame) -> str:
    """The figure's finding: inside the band or outside it."""
    outside = chart["outside"].iloc[-1]
    if chart["n"].iloc[-1] == 0:
        return f"{facts.step.label}: no venting with a result"
    where = {"": "inside", "above": "above", "below": "below"}[outside]
    return f"{facts.step.label} lies {where} the band that chance makes"


def break_marks(facts: Facts) -> dict[str, str]:
    """Periods in which a procedure or form revision was first used (by at least a fifth of ventings), for the chart."""
    marks: dict[str, list[str]] = {}
    for column, word in (("procedure_revision", "procedure"), ("form_revision", "form")):
        known = facts.jobs[facts.jobs[column].notna() & facts.jobs["step"].notna()]
        for revision, first in known.groupby(column)["step"].min().items():
            if first > facts.labels[0]:
                marks.setdefault(str(first), []).append(f"{word} {wording.clean_text(revision, longest=12)}")
    return {label: ", ".join(names[:3]) for label, names in marks.items()}


def _by_month(page: Page, facts: Facts) -> Shown:
    months = sorted(facts.now["month"].dropna().unique())
    if len(months) < 2:
        return Shown("", "")
    earliest = (pd.Timestamp(facts.period.end) - pd.DateOffset(months=12)).date()
    year = page.within(facts.jobs, Period("", max(earliest, dt.date(1980, 1, 1)), facts.period.end))
    table = rates.shares_by(year, ["month"], failures="failed_first", level=page.level)
    table["failures"] = table["failures"].astype("Int64")
    return page.add_table(
        "failing_by_month", table, title="Failing ventings by month, the last twelve months",
        columns={
            "month": "Month", "failures": "Failing", "n": "With a result", "estimate": ("Share", "share"),
            "low": ("From", "share"), "high": ("To", "share"),
        },
    )  # fmt: skip


def against_expectation(page: Page) -> Shown:
    """Observed over expected by period, the mix of jobs and each site's past allowed for."""
    facts = gather_facts(page)
    table = ratio_table(page, facts, by="period")
    if table.empty:
        return page.text(f"Nothing can be expected from the past: {facts.watch.note}.")
    figure, ax = plots.new_figure(height=1.4 + 0.32 * len(table))
    now = table.iloc[-1]
    title = "The mix of jobs allowed for" if pd.isna(now["estimate"]) else (
        f"At the same mix of jobs: {facts.step.label} at {now['estimate']:.2f} of what was to be expected"
    )  # fmt: skip
    draw_ratios(ax, table, title=title)
    shown = page.add_figure(
        "observed_over_expected", figure,
        alt=f"Failing ventings observed over expected with intervals, by period, {facts.labels[0]} to {facts.labels[-1]}.",
        caption="Expected from each site's past and the period's mix of engine types, reasons, empty lines and coolers, new filters.",
    )  # fmt: skip
    shown += page.add_table(
        "observed_over_expected", table, title="Failing ventings, observed and expected",
        columns={
            "label": "Period", "observed": ("Observed", "", "integer"), "expected": ("Expected", "", "1"), "n": ("With a result", "", "integer"),
            "estimate": ("Ratio", "", "2"), "low": ("From", "", "2"), "high": ("To", "", "2"),
        },
    )  # fmt: skip
    return shown + _standardised(page, facts) + _drift(page, facts)


def ratio_table(page: Page, facts: Facts, *, by: str) -> pd.DataFrame:
    """Observed over expected by "period" (all sites), or by "site" (the whole period)."""
    cells = facts.watch.cells
    if by == "period":
        cells = cells[cells["site"] == ""].assign(label=lambda c: c["period"])
    else:
        inside = [s.label for s in facts.steps if s.start >= facts.period.start]
        cells = cells[(cells["site"] != "") & cells["period"].isin(inside)]
        cells = cells.groupby("site", sort=True)[["observed", "expected", "n"]].sum().reset_index()
        cells = cells.assign(label=cells["site"])
    rows = []
    for cell in cells.to_dict("records"):
        ratio = trends.observed_over_expected(
            cell["observed"], cell["expected"], level=page.level, n=int(cell["n"])
        )
        rows.append(
            {"label": cell["label"], "observed": cell["observed"], "expected": cell["expected"], "n": cell["n"],
             "estimate": ratio.estimate, "low": ratio.low, "high": ratio.high}
        )  # fmt: skip
    names = ["label", "observed", "expected", "n", "estimate", "low", "high"]
    table = pd.DataFrame(rows, columns=names)
    return table.astype(dict.fromkeys(names[1:], float))


def _standardised(page: Page, facts: Facts) -> Shown:
    """Crude share and share at the earlier mix, so that a change of mix is not taken for a change of work."""
    past = facts.jobs[facts.jobs["step"].isin(facts.watch.past)]
    keys = ["lines_empty", "cooler_empty"]
    if past.empty or facts.now.empty:
        return Shown("", "")
    weights = _strata(past, keys).groupby(keys)["n"].sum()
    now = (
        _strata(facts.now, keys)
        .groupby(keys)[["failing", "known"]]
        .sum()
        .reindex(weights.index, fill_value=0)
    )
    estimate = trends.standardise_share(now["failing"], now["known"], weights, level=page.level)
    crude = rates.failing_share(facts.now, level=page.level)
    if estimate.estimate is None or crude.estimate is None:
        return Shown("", "")
    sentence = (
        f"With empty lines and coolers as often as in {facts.watch.past[0]} to {facts.watch.past[-1]}, the share in "
        f"{facts.period.label} would be {wording.share(estimate)}; as recorded it is {wording.number(crude.estimate, 'share')}."
        f"{' ' + estimate.note[0].upper() + estimate.note[1:] + '.' if estimate.note else ''}"
    )
    return page.add_finding(
        "venting_failure_share_standardised", estimate, tier=facts.tier, sentence=sentence
    )


def _strata(jobs: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    table = jobs[[*keys, "failed_first"]].copy()
    for key in keys:
        table[key] = (
            table[key].map({True: "yes", False: "no"}).astype("str").where(table[key].notna(), "not recorded")
        )
    known = table["failed_first"].notna()
    return table.assign(n=1, known=known.astype(int), failing=table["failed_first"].fillna(False).astype(int))


def _drift(page: Page, facts: Facts) -> Shown:
    """A slow rise or fall over all periods, overall and by site, and a change point where one is plain."""
    rows = []
    for site in ["", *facts.sites]:
        cells = facts.watch.cells[facts.watch.cells["site"] == site]
        cells = cells[cells["expected"] > 0]
        if len(cells) < 5:
            continue
        ratio = cells["observed"].to_numpy(float) / cells["expected"].to_numpy(float)
        drift = trends.test_drift(ratio, level=page.level)
        step = trends.find_change_in_counts(
            cells["observed"], cells["expected"], level=page.level, labels=cells["period"].tolist()
        )
        chance = trends.chance_of_change(cells["observed"], cells["expected"], step.statistic, seed=page.seed)
        rows.append((
            site or "all", len(cells), drift.score, drift.p, drift.slope.estimate, drift.slope.low, drift.slope.high, chance,
            str(step.label), f"{step.low_label} to {step.high_label}", step.before, step.after,
        ))  # fmt: skip
    if not rows:
        return Shown("", "")
    names = [
        "site", "periods", "score", "p", "slope", "low", "high", "change_p", "change", "change_range", "ratio_before", "ratio_after",
    ]  # fmt: skip
    table = pd.DataFrame(rows, columns=names).astype({"slope": float, "low": float, "high": float})
    # rises, falls and steps of all sites are looked at together
    allowed = evidence.judge_family([*table["p"], *table["change_p"]], SLOW_CHANGE)
    drifts, steps = allowed[: len(table)].tolist(), allowed[len(table) :].tolist()
    said = words.slow_change(table.to_dict("records"), drifts, steps)
    silent = [standing == evidence.NOTHING for standing in steps]
    table.loc[silent, ["change", "change_range"]] = ""
    table.loc[silent, ["ratio_before", "ratio_after"]] = np.nan
    if not said:
        said = ["No steady rise or fall over all periods stands out from chance."]
    shown = page.text(*said)
    return shown + page.add_table(
        "slow_change", table, title="Slow change over all periods",
        columns={
            "site": "Site", "periods": "Periods", "slope": ("Change of ratio a period", "", "2"), "low": ("From", "", "2"),
            "high": ("To", "", "2"), "change": "Step at", "change_range": "Step between",
            "ratio_before": ("Ratio before", "", "2"), "ratio_after": ("Ratio after", "", "2"),
        },
        note="A rise, fall or step is named only where it is beyond what chance makes among all sites looked at together.",
    )  # fmt: skip
