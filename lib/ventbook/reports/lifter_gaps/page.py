"""Shares of ventings and lifters over the limit: in all, by group, at the first and last check, with blanks, by position.

Where failing lifters sit is a map by engine type, a test of exchangeability, and the place in the oil feed.
"""

from __future__ import annotations

import pandas as pd

from ventbook.document import plotting, wording
from ventbook.document.sequence import Blocks
from ventbook.reports import gauges
from ventbook.reports import wording_budget as budget_words
from ventbook.reports.drifted import find_drifts, say_drifted
from ventbook.reports.first_screen import Row, draw_rows
from ventbook.reports.groups import GROUPINGS, USUAL
from ventbook.reports.lifter_gaps import words
from ventbook.reports.lifter_gaps.data import ReportData, load_data
from ventbook.reports.lifter_gaps.figures import draw_position_map, draw_share_lines
from ventbook.reports.lifter_gaps.readings import cause_counts, cure_of, findings_of, hang_on_gauge
from ventbook.reports.page import Page, frame_of, section
from ventbook.reports.suggestions import suggest
from ventbook.reports.unchecked import say_unchecked
from ventbook.results import Estimate
from ventbook.statistics import rates
from ventbook.statistics.rates import Check, Of
from ventbook.tables import evidence

#: Shares of the period in all: of what, at which check, and the ending of the finding's id.
OVERALL: tuple[tuple[Of, Check, str], ...] = (
    ("venting", "first", ""), ("lifter", "first", ""), ("venting", "last", "_last_check"), ("lifter", "last", "_last_check"),
)  # fmt: skip

BY_GROUP: tuple[tuple[Of, Check], ...] = (("venting", "first"), ("lifter", "first"), ("lifter", "last"))


READ_ONCE = 0.1
"""Share of lifters read only once from which on it is asked to read them twice."""
BY_POSITION = ("cylinder", "valve", "over_first", "engine_id", "feed_rank")
POSITION = ("scope", "engine_type", "cylinder", "valve", "feed_rank", "n", "failures")


def share_of(facts: ReportData, what: Of, check: Check, level: float) -> Estimate:
    """Share of ventings or lifters over the limit at a check, all of the period."""
    return rates.failing_share(facts.jobs, of=what, check=check, level=level)


def events_at(facts: ReportData, what: Of, check: Check) -> int:
    """Ventings with a finding, or lifters over the limit, at a check."""
    return int(facts.jobs[f"failed_{check}" if what == "venting" else f"lifters_over_{check}"].sum())


@section
def overall(page: Page) -> Blocks:
    """First and last check: share of ventings with a finding, share of lifters over the limit."""
    facts = load_data(page)
    out = Blocks("", "")
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
        figure, ax = plotting.new_figure(height=2.6)
        figure.subplots_adjust(left=0.22, right=0.88, bottom=0.22, top=0.97)
        draw_share_lines(ax, table, label="label", xlabel=f"over {facts.limit_words}, %")
        out += page.add_figure(
            "shares_over_limit",
            figure,
            alt=f"Share of ventings and lifters over the limit at the first and last check with intervals, {page.period.label}.",
            caption="The intervals carry that lifters share an engine. The last check is after extra runs where there were any.",
        )
    return out


@section
def by_group(page: Page) -> Blocks:
    """The same shares by site, engine type and reason; a group without ventings keeps its row."""
    facts = load_data(page)
    out = Blocks("", "")
    tables = []
    for column in USUAL:
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
                    "by": GROUPINGS[column].lower(),
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
    figure, ax = plotting.new_figure(height=1.0 + 0.26 * len(drawn))
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
        columns=[
            "by",
            "group_words",
            "ventings",
            "ventings_over",
            "estimate",
            "low",
            "high",
            "lifters",
            "lifters_over",
            "lifter_share",
            "lifter_low",
            "lifter_high",
            "lifter_share_last",
        ],
        note="Engines with more cylinders have more lifters that can fail: compare ventings within an engine type. Under five "
        "ventings there are cases, not a share.",
    )


@section
def gaps_by_site(page: Page) -> Blocks:
    """Median gap by site and engine type from the gaps as numbers: more is seen than from pass and fail."""
    facts = load_data(page)
    out = Blocks("", "")
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
        parts.append(table.rename(columns={column: "group"}).assign(by=GROUPINGS[column].lower()))
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
        columns=[
            "by",
            "group",
            "n",
            "censored",
            "median_mm",
            "median_low",
            "median_high",
            "ratio",
            "ratio_low",
            "ratio_high",
            "note",
        ],
        note="mm of different engine layouts are not the same amount of air; compare sites within one layout. A gauge that "
        "reads high raises its site's gaps.",
    )


@section
def blanks(page: Page) -> Blocks:
    """Bounds where lifters were fitted and not written down."""
    facts = load_data(page)
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
        columns=["reading", "n", "estimate", "low", "high"],
    )


@section
def answer(page: Page) -> Blocks:
    """How many ventings had a spongy lifter, of what kind, what a run cured, and what hangs on the gauge."""
    facts = load_data(page)
    estimate = share_of(facts, "venting", "first", page.level)
    cure = cure_of(facts, facts.lifters, page.level)
    events = events_at(facts, "venting", "first")
    sentences = [
        words.found_share(estimate, "venting", facts.limit_words, events=events),
        words.few_ventings(estimate.n),
        say_unchecked(page, tier=facts.tier),
        say_drifted(page, facts.jobs, facts.lifters, find_drifts(page), tier=facts.tier),
    ]
    if len(findings_of(facts)):
        sentences.append(words.cause_sentence(cause_counts(findings_of(facts))))
        sentences.append(
            words.cure_sentence(cure.cured, cure.passed, cure.alone, cure.expected_alone, cure.chance)
        )
    counts = hang_on_gauge(facts)
    if counts["near"]:
        sentences.append(words.gauge_sentence(counts, facts.u, units=page.units))
    sentences.append(gauges.warning_sentence(gauges.count_both(facts.lifters), page.gauges))
    if not facts.denominators_known:
        sentences.append(
            "Some ventings were recorded only because something was found, so shares are no rates here."
        )
    again = suggest(page, "other_gauge") if counts["near"] else None
    growth = suggest(page, "read_growth") if _read_once(facts) else None
    todo = [again and again.led_by("Near the limit:"), growth and growth.led_by("At every check:")]
    return page.answer(*sentences, todo=todo, picture=lead_picture(page, facts))


def _read_once(facts: ReportData) -> bool:
    """Whether a good part of the lifters was read only once under force, so that air can't be told from leak-down."""
    return bool(facts.lifters["gap_at_once_mm"].isna().mean() > READ_ONCE)


def lead_picture(page: Page, facts: ReportData) -> Blocks:
    """Share of ventings with a finding, all and by site, at the first check; nothing where too few are on record."""
    if not evidence.allows(facts.tier, "describe"):
        return Blocks()
    known = facts.jobs[facts.jobs["failed_first"].notna().to_numpy(bool)]
    parts = {"all": known} | {site: known[known["site"] == site] for site in facts.groups["site"]}
    rows = []
    for name, part in parts.items():
        share = rates.failing_share(part, level=page.level)
        if share.estimate is None or share.low is None or share.high is None:
            continue
        told = f"{int(part['failed_first'].sum())} of {len(part)}"
        rows.append(
            Row(wording.clean_text(name), 100 * share.estimate, 100 * share.low, 100 * share.high, told)
        )
    if not rows:
        return Blocks()
    figure = draw_rows(
        "Ventings with a spongy lifter, first check", rows, xlabel="ventings [%]", points=True, share=True
    )
    return page.add_figure(
        "lead", figure,
        alt=f"Share of ventings with a spongy lifter at the first check with ranges, {page.period.label}: "
        + wording.join_words([f"{row.label} {row.value:.0f} % ({row.told})" for row in rows]) + ".",
        caption=f"{page.period.label}. Sites in alphabetical order, not ranked: they differ in more than their name.",
    )  # fmt: skip


@section
def methods(page: Page) -> Blocks:
    """How the numbers were worked out."""
    return (
        page.explain(
            "shares and their ranges",
            "The venting is the unit; lifters are repeated readings in it. Lifters of one engine fail together, and one "
            "engine may be vented several times, so a range for lifters taken as independent would be too narrow: on "
            "simulated fleets it held the true rate in as few as 5 of 10 cases instead of 95 of 100.\n\n"
            "Range: beta-binomial model by engine, with the correlation inside an engine integrated out (prior density "
            r"$2(1-\rho)$; neutral prior $\mathrm{Beta}(1/3, 1/3)$ on the share), from 10 engines with a finding on never "
            "narrower than a Wilson range with the effective number of lifters, and never narrower than the exact range for "
            "independent lifters. No failure at all: the largest share that would give none in 2.5 of 100 such fleets at a "
            r"correlation of $\rho = 0.4$.",
        )
        + page.explain(
            "position",
            "Inside every engine the failing lifters are dealt out anew over its positions, 1999 times; the sum over "
            r"positions of $(O - E)^2 / \mathrm{Var}$ is compared with the dealt ones. So engines that fail more often say "
            "nothing about position, and a lifter that stays bad counts once.",
        )
        + page.explain(
            "the gauge and the second look",
            r"The probability that the true gap is over the limit $L$, given a reading $y$ by a gauge of bias $b$, is "
            r"$\Phi((y - b - L)/u)$, $u$ the uncertainties of reading and bias together (JCGM 106). The bias (reading less truth) is "
            "that of the register of gauges on the day, taken out of every reading for probability, borderline class, trapped air "
            "and cause; the reading itself stays as it is, and both verdicts stand side by side. Only lifters that read over the limit are read again; part of them read over by "
            "the gauge's error and would pass a second look with nothing done. That part comes from the gauge's uncertainty "
            "and the spread of true gaps in the records (log-normal, readings under the gauge's step taken as under it).",
        )
        + page.explain(
            "air and leak-down",
            "Trapped air springs back at once and does not grow; a leaking check valve or a worn plunger lets the gap grow "
            "while force is held. The gap at once and at the end of the hold, and a press at half the force where there is one, "
            "give the probability of each, with the uncertainties of gauge, timing, force and geometry carried along. Each "
            "reading counts with its own force; a force at once that was not written down may be anything from half to all of "
            "the last, and then less is named. A late reading and one after letting go weigh in where they were taken.",
        )
    )


@section
def limitations(page: Page) -> Blocks:
    """What these data can't say."""
    facts = load_data(page)
    sentences = [
        "A gap within the limit says little about wear: the check sees air well and wear hardly.",
        "Groups on this page differ in more than their name. A high rate at a site is a reason to look, not a cause.",
        "A lifter that was replaced instead of read again is missing from the cured share.",
    ]
    if facts.history["gap_at_once_mm"].isna().mean() > 0.5:
        sentences.append(
            "Most lifters were read only once under force, so for most the records cannot tell air from leak-down."
        )
    held_to = budget_words.allowance_sentence(words.POSITIONS, what="positions named here")
    return page.text(*sentences, held_to)


def say_positions(lifters: pd.DataFrame, *, seed: int) -> str:
    """Whether failures keep to positions, and to a place in the oil feed, in words."""
    label = lifters["engine_type"].astype("str") + " " + lifters["position"].astype("str")
    last = lifters.groupby("engine_id")["feed_rank"].transform("max").astype(float)
    place = (lifters["feed_rank"].astype(float) - 1) / (last - 1).where(last > 1)
    test = rates.test_positions(
        lifters["over_first"], lifters["engine_id"], label, feed_rank=place, seed=seed
    )
    return words.position_sentence(test.p, test.engines, test.note, test.feed_p, test.feed_slope)


@section
def by_position(page: Page) -> Blocks:
    """Rates by cylinder and valve over all records up to the end of the period, and whether they differ."""
    facts = load_data(page)
    lifters = facts.history
    parts = []
    for scope, frame in (("all so far", lifters), ("period", facts.lifters)):
        for kind in facts.groups["engine_type"]:
            own = frame.loc[(frame["engine_type"] == kind).to_numpy(bool), list(BY_POSITION)]
            table = rates.rates_by_position(own, level=page.level)
            rank = own.dropna(subset=["feed_rank"]).groupby(["cylinder"])["feed_rank"].median()
            table.insert(0, "engine_type", kind)
            table.insert(0, "scope", scope)
            table["feed_rank"] = table["cylinder"].map(rank).astype(float)
            parts.append(table)
    table = pd.concat(parts, ignore_index=True) if parts else frame_of([], POSITION)
    sentence = say_positions(lifters, seed=page.seed)
    out = page.text(
        sentence,
        "From all records up to the end of the period, because a quarter has too few findings a position. Positions are "
        "looked at together; a single dark field is no finding of its own.",
    )
    whole = table[table["scope"] != "period"]
    tier = evidence.tier(ventings=lifters["venting_id"].nunique(), findings=int(lifters["over_first"].sum()))
    if evidence.allows(tier, "describe") and len(whole) and whole["estimate"].notna().any():
        kinds = [k for k in facts.groups["engine_type"] if (whole["engine_type"] == k).any()]
        wide = [int(whole.loc[whole["engine_type"] == kind, "cylinder"].nunique()) for kind in kinds]
        figure, axes = plotting.new_figure(columns=len(kinds), height=2.6, squeeze=False, width_ratios=wide)
        valves = [tuple(sorted(whole.loc[whole["engine_type"] == kind, "valve"].unique())) for kind in kinds]
        figure.subplots_adjust(
            left=0.10, right=0.99, bottom=0.20, top=0.88, wspace=0.12 if len(set(valves)) == 1 else 0.35
        )
        highest = float(whole["estimate"].max())
        for ax, kind in zip(axes[0], kinds, strict=True):
            draw_position_map(
                ax, whole[whole["engine_type"] == kind], title=wording.clean_text(kind), highest=highest
            )
            if len(set(valves)) == 1 and ax is not axes[0][0]:
                ax.tick_params(labelleft=False)
        out += page.add_figure(
            "position_map",
            figure,
            alt=f"Share of lifters over the limit by cylinder and valve for engine types {wording.join_words(kinds)}. {sentence}",
            caption="Lifters over the limit at the first check by position, all records up to the end of the period, "
            "in per cent; darker is more.",
        )
    return out + page.add_table(
        "position_rates",
        table,
        title="Over the limit at the first check by position",
        columns=[
            "scope",
            "engine_type",
            "cylinder",
            "valve",
            "feed_rank",
            "n",
            "failures",
            "estimate",
            "low",
            "high",
        ],
        note="All so far: up to the end of the period. An engine counts once however often it was vented. Place 1 is fed first; empty where the feed order is not recorded.",
        rows=40,
    )
