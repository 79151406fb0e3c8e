"""Failing ventings by period, by site, by engine type and by reason, and against what past and mix make expected.

Where failing ventings are rare a share by period says little, and the sound ventings between two failing ones say more.
"""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd

from ventbook.document import plotting, wording
from ventbook.document.sequence import Blocks
from ventbook.reports.lifter_gaps import words as lifter_words
from ventbook.reports.page import Page, section
from ventbook.reports.parameters import Period
from ventbook.reports.quarterly_review import words
from ventbook.reports.quarterly_review.data import ReportData, load_data
from ventbook.reports.quarterly_review.figures import draw_between, draw_funnel, draw_ratios, draw_share_chart
from ventbook.reports.quarterly_review.numbers import expected_ratio
from ventbook.statistics import rates, trends
from ventbook.tables import evidence

#: Failing ventings a period under which the share's chart gets company, and how many it takes to draw it.
RARE, FEWEST = 3.0, 4
#: Rises, falls and steps over all periods, as a family of the quarter's error budget.
SLOW_CHANGE = "review_signals.slow_change"
LIMITS_NOTE = (
    "The band holds nearly all periods (99.7 of 100) if nothing but chance and the usual spread between periods is at "
    "work. A point outside it is a pointer; what counts as a signal is decided for the whole page at once."
)


def between_failures(page: Page) -> Blocks:
    """Sound ventings between failing ones in order of date, with the band that chance makes; nothing where not rare."""
    facts = load_data(page)
    known = facts.jobs[facts.jobs["failed_first"].notna()].sort_values(["date", "venting_id"], kind="stable")
    failed = known["failed_first"].to_numpy(bool)
    if not failed.any() or failed.sum() / max(len(facts.steps), 1) >= RARE:
        return Blocks("", "")
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
    figure, ax = plotting.new_figure(height=3.0)
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
        columns=["date", "between", "outside"],
    )  # fmt: skip


@section
def failing_by_period(page: Page) -> Blocks:
    """Share of failing ventings by period with its band of chance, and by month as a table."""
    facts = load_data(page)
    counts = count_steps(facts)
    shown = Blocks("", "")
    if counts["n"].sum() == 0:
        return page.text("No venting has a lifter check that gives a result, so there is no share to show.")
    chart = trends.chart_shares(counts["failing"], counts["n"], labels=counts["label"].tolist())
    runs = trends.find_runs(chart)
    runs = runs[runs["label"] == facts.step.label]
    figure, ax = plotting.new_figure()
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
        columns=["label", "failing", "n", "value", "low_limit", "high_limit", "outside"],
    )  # fmt: skip
    return shown + _by_month(page, facts) + between_failures(page)


def count_steps(facts: ReportData, jobs: pd.DataFrame | None = None) -> pd.DataFrame:
    """Failing ventings and ventings with a result by step, empty steps kept: columns label, failing, n."""
    jobs = facts.jobs if jobs is None else jobs
    known = jobs[jobs["failed_first"].notna()]
    sums = known.assign(bad=known["failed_first"].astype(int)).groupby("step")["bad"].agg(["sum", "size"])
    sums = sums.reindex(facts.labels, fill_value=0)
    return pd.DataFrame(
        {"label": facts.labels, "failing": sums["sum"].to_numpy(), "n": sums["size"].to_numpy()}
    )


def chart_title(facts: ReportData, chart: pd.DataFrame) -> str:
    """What the figure shows: the first and the last share, and the last one's place where it is outside the band."""
    if chart["n"].iloc[-1] == 0:
        return f"{facts.step.label}: no venting with a result"
    known = chart[chart["n"] > 0]
    first, last = (
        f"{wording.number(float(known['value'].iloc[place]), 'share')} in {known['label'].iloc[place]}"
        for place in (0, -1)
    )
    ends = [first, last] if len(known) > 1 else [last]
    where = {"": "", "above": ", above the band", "below": ", below the band"}[chart["outside"].iloc[-1]]
    return f"Failing ventings: {', '.join(ends)}{where}"


def break_marks(facts: ReportData) -> dict[str, str]:
    """Periods in which a procedure or form revision was first used (by at least a fifth of ventings), for the chart."""
    marks: dict[str, list[str]] = {}
    for column, word in (("procedure_revision", "procedure"), ("form_revision", "form")):
        known = facts.jobs[facts.jobs[column].notna() & facts.jobs["step"].notna()]
        for revision, first in known.groupby(column)["step"].min().items():
            if first > facts.labels[0]:
                marks.setdefault(str(first), []).append(f"{word} {wording.clean_text(revision, longest=12)}")
    return {label: ", ".join(names[:3]) for label, names in marks.items()}


def _by_month(page: Page, facts: ReportData) -> Blocks:
    months = sorted(facts.now["month"].dropna().unique())
    if len(months) < 2:
        return Blocks("", "")
    earliest = (pd.Timestamp(facts.period.end) - pd.DateOffset(months=12)).date()
    year = page.within(facts.jobs, Period("", max(earliest, dt.date(1980, 1, 1)), facts.period.end))
    table = rates.shares_by(year, ["month"], failures="failed_first", level=page.level)
    table["failures"] = table["failures"].astype("Int64")
    return page.add_table(
        "failing_by_month", table, title="Failing ventings by month, the last twelve months",
        columns=["month", "failures", "n", "estimate", "low", "high"],
    )  # fmt: skip


@section
def against_expectation(page: Page) -> Blocks:
    """Observed over expected by period, the mix of jobs and each site's past allowed for."""
    facts = load_data(page)
    table = ratio_table(page, facts, by="period")
    if table.empty:
        return page.text(f"Nothing can be expected from the past: {facts.watch.note}.")
    figure, ax = plotting.new_figure(height=1.4 + 0.32 * len(table))
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
        columns=["label", "observed", "expected", "n", "estimate", "low", "high"],
    )  # fmt: skip
    return shown + _standardised(page, facts) + _drift(page, facts)


def ratio_table(page: Page, facts: ReportData, *, by: str) -> pd.DataFrame:
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


def _standardised(page: Page, facts: ReportData) -> Blocks:
    """Crude share and share at the earlier mix, so that a change of mix is not taken for a change of work."""
    past = facts.jobs[facts.jobs["step"].isin(facts.watch.past)]
    keys = ["lines_empty", "cooler_empty"]
    if past.empty or facts.now.empty:
        return Blocks("", "")
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
        return Blocks("", "")
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


def _drift(page: Page, facts: ReportData) -> Blocks:
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
        return Blocks("", "")
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
        columns=["site", "periods", "slope", "low", "high", "change", "change_range", "ratio_before", "ratio_after"],
        note="A rise, fall or step is named only where it is beyond what chance makes among all sites looked at together.",
    )  # fmt: skip


def _chances_by_mix(facts: ReportData) -> list[np.ndarray] | None:
    """Chance of failing of each site's ventings with a result by their mix, at this period's overall level."""
    known = facts.now[facts.now["failed_first"].notna() & facts.now["site"].notna()]
    by_mix = trends.expect_by_mix(facts.watch, known)
    if by_mix is None or known.empty:
        return None
    level = trends.level_chances(by_mix, float(known["failed_first"].astype(bool).sum()))
    return [level[(known["site"] == site).to_numpy()] for site in facts.sites]


def site_funnel(facts: ReportData, table: pd.DataFrame) -> tuple[pd.DataFrame, float]:
    """Each site's failing ventings against what chance allows for its size and mix, and the outer tail a side.

    ``table`` has failures and n of ``facts.sites``. All sites together fall outside by chance as often as the share of the
    quarter's allowance says.
    """
    outer = evidence.load_budget().share("alarms.sites") / (2 * len(facts.sites))
    funnel = trends.funnel_by_site(
        table["failures"], table["n"], sites=facts.sites, chances=_chances_by_mix(facts), tails=(0.025, outer)
    )
    return funnel, outer


@section
def by_site(page: Page) -> Blocks:
    """Sites on a funnel, drawn towards each other by as much as small numbers warrant, and against expectation."""
    facts = load_data(page)
    table = rates.failing_by(facts.now, "site", groups=facts.sites, level=page.level)
    if table["n"].sum() == 0:
        return page.text("No site has a venting with a result in this period.")
    count, n = table["failures"], table["n"]
    funnel, outer = site_funnel(facts, table)
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
    shown = Blocks("", "")
    if evidence.allows(facts.tier, "describe") and len(facts.sites) > 1:
        figure, ax = plotting.new_figure(height=4.2)
        sizes = np.unique(np.linspace(3, max(20.0, 1.15 * float(n.max())), 60).round())
        curves = pd.DataFrame({"n": sizes})
        for name, tail in (("inner", 0.025), ("outer", outer)):
            curves[f"low_{name}"] = trends.funnel_limit(float(funnel["centre"].iloc[0]), sizes, tail=tail)
            curves[f"high_{name}"] = trends.funnel_limit(
                float(funnel["centre"].iloc[0]), sizes, tail=1 - tail
            )
        odd = funnel[funnel["outside"] != ""]["site"].tolist()
        title = f"Sites of {facts.period.label} by number of ventings"
        draw_funnel(ax, funnel, curves, shrunk, title=title)
        shown += page.add_figure(
            "sites", figure,
            alt=f"Sites by number of ventings and share failing in {facts.period.label}, within limits for their size. "
            f"Outside them: {wording.join_words(odd) or 'none'}.",
            caption="A small site may lie far from the middle by chance alone: the limits widen to the left. Crude shares inside curves for the usual mix; "
            "whether a site is named as outside is decided by the exact chance of so many failing among its own ventings and their mix.",
        )  # fmt: skip
    shown += page.add_table(
        "failing_by_site", merged, title=f"Sites in {facts.period.label}",
        columns=["site", "failures", "n", "share", "low", "high", "drawn", "expected", "ratio", "ratio_low", "ratio_high"],
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


def _tier_of(facts: ReportData, row: pd.Series) -> str:
    return "list" if row["tier"] == "list" else facts.tier


def _keep_sites(page: Page, facts: ReportData, table: pd.DataFrame) -> None:
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


@section
def by_type_and_reason(page: Page) -> Blocks:
    """Engine types and reasons, this period beside the earlier ones."""
    facts = load_data(page)
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
        columns=["factor", "level", "failures", "n", "estimate", "low", "high", "earlier_failures", "earlier_n", "earlier"],
        note="Earlier: the periods that this one is compared with. Engines with more lifters fail more often by count alone.",
    )  # fmt: skip
