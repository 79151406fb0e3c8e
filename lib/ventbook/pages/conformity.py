"""Report 08: each recorded step against the limit in force, by step, site and period, and what is open today."""

from __future__ import annotations

from weakref import WeakKeyDictionary

import numpy as np
import pandas as pd

from ventbook import conformity, contexts, evidence, plots, rates, wording
from ventbook.conformity import JUDGED
from ventbook.contexts import Factor
from ventbook.pages.base import Page
from ventbook.pages.show import Shown
from ventbook.plots.conformity import draw_periods, draw_shares
from ventbook.results import Estimate
from ventbook.wording import conformity as words

_VERDICTS: WeakKeyDictionary[Page, pd.DataFrame] = WeakKeyDictionary()
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


def answer(page: Page) -> Shown:
    """How much was within, what most often was not, and what is open."""
    now = _now(page)
    steps = conformity.summarise_steps(now)
    outside = steps[steps["outside"] > 0].sort_values(
        ["outside", "step"], ascending=[False, True], kind="stable"
    )
    listed = list(outside[["title", "outside", "judged"]].head(3).itertuples(index=False, name=None))
    missing = steps.loc[(steps["no_limit"] > 0), "title"].tolist()
    return page.answer(
        _within_sentence(page, now),
        words.most_outside(listed),
        words.open_findings(*_count_open(_open(page))),
        words.without_limit(missing),
    )


def within_share(page: Page) -> Shown:
    """Finding steps_within_share: all of the page's recorded steps."""
    now = _now(page)
    estimate = _share(now, level=page.level)
    return page.add_finding(
        "steps_within_share", estimate, tier=_tier(page), sentence=_within_sentence(page, now)
    )


def by_step(page: Page) -> Shown:
    """Each step: how often within, near, outside, not comparable, not written down; and against what."""
    now = _now(page)
    table = conformity.summarise_steps(now)
    shares = pd.DataFrame(
        [_share(now[now["step"] == step], level=page.level).as_row() for step in table["step"]]
    )
    table = table.join(shares[["estimate", "low", "high"]].astype(float))
    table["against"] = [words.AGAINST[status].removeprefix("the ") for status in table["status"]]
    drawn = table[table["judged"] > 0].assign(n=lambda t: "n = " + t["judged"].astype(str))
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
            "against": "Against",
        },
        note="A record outside a limit, or within it, says nothing about the state of an engine.",
    )


def by_site(page: Page) -> Shown:
    """Share of recorded steps within, by site."""
    now = _now(page)
    rows = []
    shown = Shown("", "")
    for site in sorted(now["site"].dropna().unique()):
        part = now[now["site"] == site]
        estimate = _share(part, level=page.level)
        ventings = part["venting_id"].nunique()
        sentence = f"{wording.clean_text(site)}: " + words.steps_within(
            estimate, within=_within(part), ventings=ventings, held_against=_against(part)
        )
        page.add_finding(
            "steps_within_share",
            estimate,
            group={"site": site},
            tier=_tier(page, ventings),
            sentence=sentence,
        )
        counts = {
            name: int(part["verdict"].eq(name).sum()) for name in ("outside", "near_limit", "not_recorded")
        }
        rows.append({"site": site, "ventings": ventings, **counts, **estimate.as_row()})
    table = pd.DataFrame(rows).astype({"estimate": float, "low": float, "high": float})
    drawn = table.assign(label=table["site"].map(wording.clean_text), n="n = " + table["n"].astype(str))
    figure, ax = plots.new_figure(height=1.2 + 0.34 * len(drawn))
    figure.subplots_adjust(left=0.18, right=0.90, bottom=0.30)
    draw_shares(ax, drawn, label="label")
    shown += page.add_figure(
        "sites_within",
        figure,
        alt=f"Share of recorded steps within their limit by site with interval, {page.period.label}.",
        caption="Sites in alphabetical order, not ranked. The interval carries that steps of one engine go together.",
    )
    return shown + page.add_table(
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
    history = _history(page)
    labels = sorted(history["quarter"].dropna().unique())[-8:]
    groups = {"All": history, **{s: history[history["site"] == s] for s in sorted(history["site"].unique())}}
    rows = []
    for name, part in groups.items():
        for label in labels:
            estimate = _share(part[part["quarter"] == label], level=page.level)
            rows.append({"group": name, "period": label, **estimate.as_row()})
    table = pd.DataFrame(rows).astype({"estimate": float, "low": float, "high": float})
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
    table = conformity.count_not_recorded(_now(page))
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


def open_findings(page: Page) -> Shown:
    """Engines whose latest venting, as recorded, ended with a lifter over the limit or without return flow."""
    table = _open(page)
    shown = page.text(words.open_findings(*_count_open(table)))
    if table.empty:
        return shown
    pairs = [
        wording.reading_and_limit(value, limit, unit, units=page.units) if unit == "mm" else ("not seen", "")
        for value, limit, unit in zip(table["value"], table["limit_high"], table["unit"], strict=True)
    ]
    table = table.assign(
        reading=[reading for reading, _ in pairs],
        limit=[limit for _, limit in pairs],
        against=np.where(table["status"] == "placeholder", "placeholder", table["revision"]),
        job=np.where(table["closed"].isna(), "open", "closed"),
    )
    label = wording.unit_label("mm", page.units)
    return shown + page.add_table(
        "open_findings",
        table,
        title=f"Open findings as of {page.today.isoformat()}",
        columns={
            "venting_id": ("Venting", "", "text"),
            "engine_id": ("Engine", "", "text"),
            "site": ("Site", "", "text"),
            "date": ("Date", "", "date"),
            "finding": "Finding",
            "reading": f"Reading [{label}]",
            "limit": f"Limit [{label}]",
            "against": "Against",
            "job": "Job",
            "days": "Days since",
        },
        note="Periods don't matter here: every engine that passes the filters, at its latest venting on record.",
    )


def with_spongy(page: Page) -> Shown:
    """Whether ventings with a step outside before the check go with spongy lifters, at like circumstances."""
    verdicts = _history(page)
    marks = conformity.mark_ventings(verdicts)
    jobs = page.history_jobs.merge(marks[["venting_id", "off_procedure"]], on="venting_id", how="left")
    both = jobs[jobs["off_procedure"].notna() & jobs["failed_first"].notna()]
    off = both["off_procedure"].astype(bool)
    failing = both["failed_first"].astype(bool)
    effect, matters, why = _screen(jobs, level=page.level)
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


def all_steps(page: Page) -> Shown:
    """Table conformity.csv: every step of every venting; readers see those outside first."""
    order = {name: number for number, name in enumerate(("outside", "near_limit", "not_comparable"))}
    steps = conformity.steps()
    table = _now(page)
    yes_no = table["step"].map({name: step.yes_no for name, step in steps.items()})
    table = table.assign(
        title=table["step"].map({name: step.title for name, step in steps.items()}),
        reading=[words.reading(*row) for row in zip(table["value"], table["unit"], yes_no, strict=True)],
        limit=[
            words.limit(*row)
            for row in zip(table["limit_low"], table["limit_high"], table["unit"], yes_no, strict=True)
        ],
        verdict_text=[words.verdict(*row) for row in zip(table["verdict"], table["status"], strict=True)],
        against=np.select(
            [table["status"] == "manual", table["status"] == "placeholder"],
            [table["revision"], "placeholder"],
            "no limit",
        ),
        rank=table["verdict"].map(order).fillna(9),
    )
    table = table.sort_values("rank", kind="stable").drop(columns="rank").reset_index(drop=True)
    shown = table["verdict"].isin(list(order)).sum()
    return page.add_table(
        "conformity",
        table,
        title="Every step, those outside first",
        columns={
            "venting_id": ("Venting", "", "text"),
            "title": "Step",
            "item": "At",
            "reading": "Recorded",
            "limit": "Limit",
            "verdict_text": "Verdict",
            "against": "Against",
            "source": "From",
            "note": "Note",
        },
        note="Readings and limits in metric units. conformity.csv holds all rows; yes and no stand there as 1 and 0.",
        rows=int(min(max(shown, 10), 60)),
    )


def not_said() -> list[str]:
    """What these records can't say."""
    return [
        "Whether a step was done: the records say what was written down. A reading from a trace is taken where a good "
        "one stands.",
        "Whether an engine may run: a record within a limit is no release, and against a placeholder it is not even "
        "a comparison with a manual.",
        "Why a step was outside: the job may have had a reason that no column holds.",
    ]


def _every(page: Page) -> pd.DataFrame:
    """Verdicts of all ventings in the snapshot that pass the filters, worked out once a page."""
    if page not in _VERDICTS:
        jobs, lifters = page.keep(page.all_jobs), page.keep(page.all_lifters)
        _VERDICTS[page] = conformity.check_steps(page.records, jobs, lifters, limits=page.limits)
    return _VERDICTS[page]


def _history(page: Page) -> pd.DataFrame:
    """Those up to the end of the period."""
    every = _every(page)
    return every[every["venting_id"].isin(page.history_jobs["venting_id"])].reset_index(drop=True)


def _now(page: Page) -> pd.DataFrame:
    """Those of the period."""
    every = _every(page)
    return every[every["venting_id"].isin(page.jobs["venting_id"])].reset_index(drop=True)


def _open(page: Page) -> pd.DataFrame:
    """Open findings over all periods up to the snapshot, filters kept."""
    return conformity.list_open_findings(_every(page), page.keep(page.all_jobs), today=page.today)


def _count_open(table: pd.DataFrame) -> tuple[int, int]:
    jobs = table.drop_duplicates("venting_id")
    return len(jobs), int(jobs["closed"].isna().sum())


def _share(verdicts: pd.DataFrame, *, level: float) -> Estimate:
    """Within over judged, summed by venting, with the interval that carries engines."""
    judged = verdicts["verdict"].isin(JUDGED)
    sums = (
        verdicts.assign(judged=judged, within=verdicts["verdict"].eq("within"))
        .groupby(["venting_id", "engine_id"], sort=False)[["judged", "within"]]
        .sum()
        .reset_index()
    )
    sums = sums[sums["judged"] > 0]
    return rates.lifter_share(sums["within"], sums["judged"], cluster=sums["engine_id"], level=level)


def _within(verdicts: pd.DataFrame) -> int:
    return int(verdicts["verdict"].eq("within").sum())


def _against(verdicts: pd.DataFrame) -> str:
    return words.against(verdicts["status"].unique().tolist(), verdicts["revision"].unique().tolist())


def _within_sentence(page: Page, verdicts: pd.DataFrame) -> str:
    return words.steps_within(
        _share(verdicts, level=page.level),
        within=_within(verdicts),
        ventings=len(page.jobs),
        held_against=_against(verdicts),
    )


def _tier(page: Page, ventings: int | None = None) -> str:
    return evidence.tier(ventings=len(page.jobs) if ventings is None else ventings, findings=0)


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
    table = contexts.load_factors()
    taken = {f.name for f in table if f.column in STEP_COLUMNS}
    others = tuple(f for f in table if f.name not in taken and not taken & set(f.parts))
    effects = contexts.screen_factors(jobs, outcome=OUTCOME, factors=(factor, *others), level=level)
    row = effects[effects["factor"] == "off_procedure"].iloc[0]
    matters = factor.matters(OUTCOME)
    if pd.isna(row["adjusted"]):
        return None, matters, str(row["note"] or "")
    return (float(row["adjusted"]), float(row["adjusted_low"]), float(row["adjusted_high"])), matters, ""
