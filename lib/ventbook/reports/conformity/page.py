"""Report 08: how much of each step was within its limit, what is open case by case, and what was not written down.

Shares are shown in all, by step, by site and by quarter. Beside them stand whether what is open goes with spongy lifters,
every step of the period, and as run-up sheets the logged starts that strayed furthest from the procedure.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ventbook.document import plotting, wording
from ventbook.document.blocks import Column
from ventbook.document.plotting import COLORS, MARKERS
from ventbook.document.sequence import Blocks
from ventbook.document.values import say_each
from ventbook.model import conformity
from ventbook.model.conformity import JUDGED
from ventbook.numerics import is_among
from ventbook.reports.closed_findings import say_closed
from ventbook.reports.conformity import words
from ventbook.reports.first_screen import Row, draw_rows
from ventbook.reports.groups import split_groups
from ventbook.reports.left_out import (
    count_left_out,
    gather_readings,
    period_verdicts,
    say_left_out,
    suggest_left_out,
)
from ventbook.reports.page import INTERVAL, Page, frame_of, once_a_page, section
from ventbook.reports.parameters import Period
from ventbook.reports.runup import run_up_sheet, traced_starts
from ventbook.reports.scope import cut_days
from ventbook.results import Estimate
from ventbook.statistics import causes, rates
from ventbook.statistics.causes import Factor
from ventbook.statistics.rates.shares import share_of_steps
from ventbook.tables import evidence

if TYPE_CHECKING:
    from matplotlib.axes import Axes


OPEN_STEPS = ("gap_at_last_check", "return_flow_seen")
OUTCOME = "lifter_failure"
STEP_COLUMNS = (
    "tank_overpressure_bar",
    "pressurised_before_turning_s",
    "plugs_removed",
    "turned_by",
    "tank_ran_low",
    "turned_backwards",
    "rotations_ratio",
)
SHEETS = 2
COUNTED = ("outside", "near_limit", "not_recorded")
MOST = 5


@dataclass(frozen=True)
class Checked:
    """What is kept of the verdicts of all ventings: ``open_steps`` (OPEN_STEPS of each engine's latest venting), and
    ``sums``, of each venting up to the end of the period what its steps come to (:func:`conformity.sum_ventings`).
    """

    open_steps: pd.DataFrame
    sums: pd.DataFrame


@once_a_page
def latest_jobs(page: Page) -> pd.DataFrame:
    """Each engine's latest venting in the snapshot, of those that pass the filters."""
    return conformity.find_latest(page.keep(page.all_jobs))


@once_a_page
def check_history(page: Page) -> Checked:
    """All ventings in the snapshot that pass the filters, step by step."""
    jobs = page.keep(page.all_jobs)
    latest = is_among(jobs["venting_id"], latest_jobs(page)["venting_id"])
    kept: list[conformity.Step] = []

    def judge() -> Iterator[conformity.Step]:
        for step, rows in conformity.judge_steps(gather_readings(page), jobs, limits=page.limits):
            if step in OPEN_STEPS:
                kept.append((step, rows[latest[rows["place"]]]))
            yield step, rows

    sums = jobs[["venting_id", "engine_id", "site", "quarter", "date"]].join(
        conformity.sum_ventings(judge(), jobs)
    )
    return Checked(conformity.lay_table(kept, jobs), cut_days(sums, Period("", dt.date.min, page.period.end)))


def find_open(page: Page) -> pd.DataFrame:
    """Open findings over all periods up to the snapshot, filters kept."""
    return conformity.list_open_findings(
        check_history(page).open_steps, page.keep(page.all_jobs), today=page.today
    )


def say_open(page: Page, table: pd.DataFrame) -> str:
    """The open findings in a sentence, with how many engines the records say nothing about."""
    findings = table.drop_duplicates("venting_id")
    latest, every = latest_jobs(page), check_history(page).open_steps
    last = every[every["step"] == "gap_at_last_check"]
    known = last["verdict"].isin(JUDGED).sum()
    return words.open_findings(
        len(findings),
        open_jobs=int(findings["open"].sum()),
        closed_jobs=int(findings["closed"].notna().sum()),
        known=int(known),
        unknown=len(latest) - int(known),
        placeholder=bool(last["status"].eq("placeholder").any()),
    )


def say_facts(verdicts: pd.DataFrame) -> str:
    """Facts that need no limit, counted by ventings."""
    table = conformity.list_facts(verdicts)
    counts = table.groupby("fact", sort=False)["venting_id"].nunique()
    return words.facts([(str(name), int(n)) for name, n in counts.items()])


def count_within(verdicts: pd.DataFrame) -> int:
    return int(verdicts["verdict"].eq("within").sum())


def say_against(verdicts: pd.DataFrame) -> str:
    return words.against(verdicts["status"].unique().tolist(), verdicts["revision"].unique().tolist())


def say_within(page: Page, verdicts: pd.DataFrame) -> str:
    return words.steps_within(
        rates.steps_within_share(verdicts, level=page.level),
        within=count_within(verdicts),
        ventings=len(page.jobs),
        held_against=say_against(verdicts),
    )


def page_tier(page: Page, ventings: int | None = None) -> str:
    return evidence.tier(ventings=len(page.jobs) if ventings is None else ventings, findings=0)


@section
def open_findings(page: Page) -> Blocks:
    """Engines whose latest venting, as recorded, ended with a lifter over the limit or without return flow."""
    table = find_open(page)
    shown = page.text(say_open(page, table))
    if table.empty:
        return shown + _facts(page)
    pairs = [
        wording.reading_and_limit(value, limit, unit, units=page.units) if unit == "mm" else ("not seen", "")
        for value, limit, unit in zip(table["value"], table["limit_high"], table["unit"], strict=True)
    ]
    table = table.assign(
        reading=[reading for reading, _ in pairs],
        limit=[limit for _, limit in pairs],
        against=np.where(table["status"] == "placeholder", "placeholder", table["revision"]),
        job=table["open"].map({True: "open", False: "closed"}).fillna("closing not recorded"),
    )
    label = wording.unit_label("mm", page.units)
    return (
        shown
        + page.add_table(
            "open_findings",
            table,
            title=f"Open findings as of {page.today.isoformat()}",
            columns=[
                "venting_id",
                "engine_id",
                "site",
                "date",
                "finding",
                Column("reading", f"Reading [{label}]"),
                Column("limit", f"Limit [{label}]"),
                "against",
                "job",
                "days",
            ],
            note="Periods don't matter here: every engine that passes the filters, at its latest venting on record.",
        )
        + _facts(page)
    )


def _facts(page: Page) -> Blocks:
    """What needs no limit to be told, of the period's ventings: listed for every shop."""
    table = conformity.list_facts(period_verdicts(page))
    if table.empty:
        return page.text(f"Of {page.period.label}, no fact is on record that needs no limit.")
    return page.add_table(
        "facts",
        table,
        title="Facts that need no limit",
        columns=["fact", "venting_id", "engine_id", "site", "date", "note"],
        note=f"Of {page.period.label}. Listed whatever the limits are; none of these counts as within.",
    )


@section
def with_spongy(page: Page) -> Blocks:
    """Whether ventings with a step outside before the check go with spongy lifters, at like circumstances."""
    jobs = page.history_jobs.assign(off_procedure=check_history(page).sums["off_procedure"].array)
    told = jobs["off_procedure"].notna() & jobs["failed_first"].notna()
    both = jobs.loc[told, ["engine_id", "off_procedure", "failed_first"]]
    off = both["off_procedure"].astype(bool)
    failing = both["failed_first"].astype(bool)
    effect, matters, why = _screen(page.look_at(jobs), level=page.level)
    sentence = words.goes_with_spongy(
        off_failing=int((failing & off).sum()),
        off=int(off.sum()),
        by_book_failing=int((failing & ~off).sum()),
        by_book=int((~off).sum()),
        effect=effect,
        level=page.level,
        matters=matters,
        other=why,
    )
    centre, low, high = effect if effect else (None, None, None)
    estimate = Estimate(
        centre,
        low,
        high,
        page.level,
        "odds ratio",
        len(both),
        both["engine_id"].nunique(),
        "odds of a spongy lifter with any action outside before the check over without, given site and circumstances",
        "estimated" if effect else "too_few",
    )
    tier = evidence.tier(
        ventings=len(both), findings=int(failing.sum()), groups=[int(off.sum()), int((~off).sum())]
    )
    return page.add_finding("off_procedure_effect", estimate, tier=tier, sentence=sentence) + page.text(
        f"Looked at over all {len(jobs)} ventings up to {page.period.label}; "
        f"{len(jobs) - len(both)} of them are left out because a step or the check was not written down."
    )


@section
def all_steps(page: Page) -> Blocks:
    """Table conformity.csv: every step of every venting; readers see those outside first."""
    order = {name: number for number, name in enumerate(("outside", "fact", "near_limit", "not_comparable"))}
    steps = conformity.load_steps()
    table = period_verdicts(page)
    yes_no = table["step"].map({name: step.yes_no for name, step in steps.items()})
    table = table.assign(
        title=table["step"].map({name: step.title for name, step in steps.items()}),
        reading=say_each(words.reading, table["value"], table["unit"], yes_no),
        limit=say_each(words.limit, table["limit_low"], table["limit_high"], table["unit"], yes_no),
        verdict_text=say_each(words.verdict, table["verdict"], table["status"]),
        against=np.select(
            [table["status"] == "manual", table["status"] == "placeholder"],
            [table["revision"], "placeholder"],
            "no limit entered",
        ),
        rank=table["verdict"].map(order).fillna(9),
    )
    # some twenty rows a venting, of few texts: put in order as categories, which take a tenth of the room
    table = table.astype({name: "category" for name, kind in table.dtypes.items() if kind == "str"})
    table = table.sort_values("rank", kind="stable").drop(columns="rank").reset_index(drop=True)
    shown = table["verdict"].isin(list(order)).sum()
    return page.add_table(
        "conformity",
        table,
        title="Every step, those outside first",
        columns=[
            "venting_id",
            "title",
            "item",
            "reading",
            "limit",
            "verdict_text",
            "against",
            "source",
            "note",
        ],
        note="Readings and limits in metric units. conformity.csv holds all rows; yes and no stand there as 1 and 0.",
        rows=int(min(max(shown, 10), 60)),
    )


def limitations() -> list[str]:
    """What these records can't say."""
    return [
        "Whether a step was done: the records say what was written down. A reading from a trace is taken where a good "
        "one stands.",
        "Whether an engine may run: a record within a limit is no release, and against a placeholder it is not even "
        "a comparison with a manual.",
        "Why a step was outside: the job may have had a reason that no column holds.",
    ]


def _screen(jobs: pd.DataFrame, *, level: float) -> tuple[tuple[float, float, float] | None, float, str]:
    """(odds ratio with interval or None, the smallest that matters, why there is none)."""
    factor = Factor(
        name="off_procedure",
        title="a step outside its limit before the check",
        column="off_procedure",
        kind="yes_no",
        reference="no",
        outcomes=(OUTCOME,),
        adjust=(),
        mechanism="procedure",
        plausibility="moderate",
        direction="raises",
    )
    # What is itself one of the steps is not adjusted for: that would take away what is asked about.
    table = causes.load_factors()
    taken = {f.name for f in table if f.column in STEP_COLUMNS}
    others = tuple(f for f in table if f.name not in taken and not taken & set(f.parts))
    effects = causes.screen_factors(jobs, outcome=OUTCOME, factors=(factor, *others), level=level)
    row = effects[effects["factor"] == "off_procedure"].iloc[0]
    matters = factor.matters(OUTCOME)
    if pd.isna(row["adjusted"]):
        return None, matters, str(row["note"] or "")
    return (float(row["adjusted"]), float(row["adjusted_low"]), float(row["adjusted_high"])), matters, ""


@section
def logged_runs(page: Page) -> Blocks:
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


def draw_shares(ax: Axes, table: pd.DataFrame, *, label: str, counts: str = "n") -> Axes:
    """Shares with intervals as points on lines, one row a line, first row on top.

    ``table``: columns ``label`` (text), estimate, low, high (shares; NaN = no number), and ``counts`` (text drawn at
    the right end).
    """
    place = np.arange(len(table))[::-1]
    known = table["estimate"].notna().to_numpy()
    low, high = table["low"].to_numpy(float) * 100, table["high"].to_numpy(float) * 100
    for line in np.flatnonzero(known):
        ax.plot([low[line], high[line]], [place[line]] * 2, color=COLORS[4], linewidth=1.4)
    ax.plot(
        table["estimate"].to_numpy(float)[known] * 100,
        place[known],
        linestyle="none",
        marker=MARKERS[0],
        color=COLORS[0],
        markersize=5,
    )
    ax.set_yticks(place, table[label].astype(str).tolist())
    ax.set_ylim(-0.7, len(table) - 0.3)
    for height, text in zip(place, table[counts].astype(str), strict=True):
        ax.annotate(
            text,
            (1.01, height),
            xycoords=("axes fraction", "data"),
            ha="left",
            va="center",
            fontsize=9,
            color="#444444",
        )
    ax.set_xlabel("recorded steps within their limit, %")
    return plotting.end_at_whole(ax, axis="x")


def draw_periods(ax: Axes, tables: dict[str, pd.DataFrame], *, labels: list[str]) -> Axes:
    """Shares by period, one line a group: columns period, estimate, low, high; the first group with its band."""
    from ventbook.document.plotting import series_style

    positions = {label: number for number, label in enumerate(labels)}
    for number, (name, table) in enumerate(tables.items()):
        known = table[table["estimate"].notna()]
        x = known["period"].map(positions).to_numpy(float)
        if number == 0:
            ax.fill_between(
                x, known["low"] * 100, known["high"] * 100, color=COLORS[0], alpha=0.12, linewidth=0
            )
        style = series_style(number)
        ax.plot(
            x,
            known["estimate"] * 100,
            label=name,
            linewidth=2.0 if number == 0 else 1.1,
            markersize=4.5,
            **style,
        )
    ax.set_xticks(range(len(labels)), labels)
    ax.set_xlim(-0.3, len(labels) - 0.7)
    ax.set_ylabel("recorded steps within, %")
    ax.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=6, borderaxespad=0.2)
    return plotting.end_at_whole(ax)


@section
def answer(page: Page) -> Blocks:
    """How much was within, what most often was not, and what is open."""
    now = period_verdicts(page)
    steps = conformity.summarise_steps(now)
    outside = steps[steps["outside"] > 0].sort_values(
        ["outside", "step"], ascending=[False, True], kind="stable"
    )
    listed = list(outside[["title", "outside", "judged"]].head(3).itertuples(index=False, name=None))
    missing = steps.loc[(steps["no_limit"] > 0), "title"].tolist()
    still_open = find_open(page)
    page.alert(say_closed(page))
    left_out = say_left_out(page)
    first = [
        suggest_left_out(page, row).led_by(f"{wording.clean_text(row.now.site)}:")
        for row in count_left_out(page).named[:1]
    ]
    return page.answer(
        say_within(page, now),
        *left_out[:1],
        words.most_outside(listed),
        say_open(page, still_open),
        todo=[*first, words.settle_open(still_open["venting_id"].nunique())],
        more=[*left_out[1:], say_facts(now), words.without_limit(missing)],
        picture=lead_picture(page, outside),
    )


def lead_picture(page: Page, outside: pd.DataFrame) -> Blocks:
    """The steps most often outside, as shares of those judged; nothing where none was outside."""
    top = outside.assign(share=100 * outside["outside"] / outside["judged"]).head(MOST)
    if top.empty:
        return Blocks()
    rows = [
        Row(str(row["title"]), row["share"], told=f"{row['outside']} of {row['judged']}")
        for row in top.to_dict("records")
    ]
    figure = draw_rows(
        "Steps most often outside their limits", rows, xlabel="of those judged [%]", share=True
    )
    return page.add_figure(
        "lead", figure,
        alt=f"Steps outside their limits, {page.period.label}: " + wording.join_words([f"{row.label} {row.told}" for row in rows]) + ".",
        caption=f"Records of {page.period.label} outside the limit in force on their date, of those that could be judged.",
    )  # fmt: skip


@section
def within_share(page: Page) -> Blocks:
    """Finding steps_within_share: all of the page's recorded steps."""
    now = period_verdicts(page)
    estimate = rates.steps_within_share(now, level=page.level)
    return page.add_finding(
        "steps_within_share", estimate, tier=page_tier(page), sentence=say_within(page, now)
    )


@section
def by_step(page: Page) -> Blocks:
    """Each step: how often within, near, outside, not comparable, not written down; and against what."""
    now = period_verdicts(page)
    table = conformity.summarise_steps(now)
    shares = frame_of(
        [
            rates.steps_within_share(now[now["step"] == step], level=page.level).as_row()
            for step in table["step"]
        ],
        (),
    )
    table = table.join(shares[list(INTERVAL)])
    table["readings"] = _describe(now, table["step"].tolist())
    table["against"] = [words.AGAINST[status].removeprefix("the ") for status in table["status"]]
    drawn = table[table["estimate"].notna()].assign(n=lambda t: "n = " + t["judged"].astype(str))
    shown = Blocks("", "")
    if len(drawn):
        figure, ax = plotting.new_figure(height=1.2 + 0.24 * len(drawn))
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
        columns=[
            "title",
            "rows",
            "judged",
            "within",
            "near_limit",
            "outside",
            "not_comparable",
            "not_recorded",
            "no_limit",
            "fact",
            "readings",
            "against",
        ],
        note="A record outside a limit, or within it, says nothing about the state of an engine. Recorded: the middle reading and "
        "between what 80 in 100 lie, in metric units, over all engine types. Facts need no limit and never count as within.",
    )


def _describe(verdicts: pd.DataFrame, names: list[str]) -> list[str]:
    """What was recorded of each of these steps, in words."""
    readings = conformity.describe_steps(verdicts).reindex(names).astype(float)
    numbers = readings[["recorded", "mean", "low", "middle", "high"]].fillna(0.0).to_numpy()
    steps = conformity.load_steps()
    return [
        words.described(int(recorded), *rest, unit=steps[name].unit, yes_no=steps[name].yes_no)
        for name, (recorded, *rest) in zip(names, numbers.tolist(), strict=True)
    ]


@section
def by_site(page: Page) -> Blocks:
    """Share of recorded steps within, by site."""
    now = period_verdicts(page)
    rows = []
    shown = Blocks("", "")
    for group in split_groups(now, ["site"]):
        site, part = group.name, group.rows
        estimate = rates.steps_within_share(part, level=page.level)
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
    figure, ax = plotting.new_figure(height=1.2 + 0.34 * len(drawn))
    figure.subplots_adjust(left=0.18, right=0.90, bottom=0.30)
    draw_shares(ax, drawn, label="label")
    shown += page.add_figure(
        "sites_within",
        figure,
        alt=f"Share of recorded steps within their limit by site with interval, {page.period.label}.",
        caption="Sites in alphabetical order, not ranked. The interval carries that steps of one engine go together.",
    )
    return shown + _site_table(page, table)


def _site_table(page: Page, table: pd.DataFrame) -> Blocks:
    return page.add_table(
        "conformity_by_site",
        table,
        title="Recorded steps within, by site",
        columns=["site", "ventings", "n", "estimate", "low", "high", "outside", "near_limit", "not_recorded"],
    )


@section
def by_period(page: Page) -> Blocks:
    """Share of recorded steps within, by quarter up to this period, all and by site."""
    history = check_history(page).sums
    labels = sorted(history["quarter"].dropna().unique())[-8:]
    groups = {"All": history, **{site.name: site.rows for site in split_groups(history, ["site"])}}
    rows = []
    for name, part in groups.items():
        for label in labels:
            estimate = share_of_steps(part[part["quarter"] == label], level=page.level)
            rows.append({"group": name, "period": label, **estimate.as_row()})
    table = frame_of(rows, ["group", "period", "n"])
    if not labels:
        return page.text("There is no venting to hold against a limit, in this period or before.")
    figure, ax = plotting.new_figure()
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
        columns=["group", "period", "n", "estimate", "low", "high"],
    )


@section
def not_recorded(page: Page) -> Blocks:
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
        columns=["title", "rows", "not_recorded", "share"],
    )
