"""Why lifters stay spongy, as the page says it: the answer, causes in order, the findings one by one, what to check next.

The answer says how many, what they look like, what stands out and what to do first. Below it stand all effects side by side, what
these records can't tell apart, failing ventings beside like ones, the failure modes that findings fit, the engines that come back,
how many more ventings would settle what is open, and which record would have decided.
"""

from __future__ import annotations

from functools import partial

import numpy as np
import pandas as pd

from ventbook.document import plotting, wording
from ventbook.document.sequence import Blocks
from ventbook.reports import wording_budget as budget_words
from ventbook.reports.account import (
    avoidable_sentence,
    causes_sentence,
    controls_sentence,
    count_range,
    find_check,
    large_sentence,
    list_hints,
    list_named,
    period_sentence,
    say_check,
    show_causes,
    style_causes,
)
from ventbook.reports.alarms import open_alarms, warning_sentences
from ventbook.reports.first_screen import Row, draw_rows, new_lead
from ventbook.reports.lifter_gaps.words import CAUSES
from ventbook.reports.page import Page, section
from ventbook.reports.sensitivity import show_sensitivity
from ventbook.reports.spongy_lifters import figures as draw
from ventbook.reports.spongy_lifters import words
from ventbook.reports.spongy_lifters.data import ReportData, load_data, rows_of
from ventbook.reports.spongy_lifters.engine import answer_for_one, choose_venting, is_of_one
from ventbook.reports.suggestions import Said, suggest, suggest_whole
from ventbook.results import Estimate, no_estimate
from ventbook.statistics import causes, rates
from ventbook.tables import evidence
from ventbook.tables.suggestions import load_suggestions

FIGURE_ROWS = 14
MAP_ROWS = 16
ACCOUNT = """Each finding is shared among the causes that stood at its venting. A venting with $m$ judged lifters has a finding of a kind (air, leak-down) with probability

$1 - e^{-m (b + \\sum_k \\lambda_k x_k)},$

where $b$ is the site's own rate, which in records of over a year may rise and fall with the time of year, and $\\lambda_k \\geq 0$ what cause $k$ adds where it stands ($x_k = 1$). The kind of a finding comes from its two readings; a finding that would lie within the limit without a gauge's bias is that gauge's. A cause is named where its score is beyond what any of all circumstances looked at reaches in simulated fleets without it that have the same spread between engines, sites and quarters; a second, weaker class is asked as a question. Whatever is the same on nearly all ventings of each site can't be told from the site and is not named, nor is what rests on records that are blank less often on failing ventings.

Ranges come from drawing engines anew, the kind of each finding, the gauge's bias, and each cause against those that it can hardly be told from. A cause too weak to be named stays in "no cause named", so counts of named causes are "at least"."""
OPEN_ROWS = 8
COST_WORDS = {
    1: "a minute",
    2: "part of a run or a venting",
    3: "a bench",
    4: "lifters out",
    5: "more than one site",
}
CAUSE_WORDS = {**CAUSES, "": "not known"}
TIMELINES = 12
METHODS = """The venting is the unit; lifters are repeated readings in it, and engines that return are clusters. Findings and failure modes are those of the period; causes are looked for in all ventings at the site and of the engine type up to the end of the period, because a quarter alone is too small to compare.

Crude: the circumstance alone. Adjusted: given the site and those other circumstances that kept company with it, the closest first, as many as there are ten ventings with a finding for. By site: the Mantel-Haenszel odds ratio over sites with a test of whether they agree. The log odds that a lifter is over the limit are modelled on venting totals,

$\\log\\frac{p}{1-p} = \\beta_0 + \\beta_1 x + \\gamma' z,$

and intervals come from sums over engines (delete-one-engine form, t quantile with the number of engines that carry the contrast). A level without any finding gets a penalised fit (Firth 1993), so no odds ratio is infinite. Times and rotations are log-normal with readings as intervals; what never came is a lower bound.

A consequence of the venting (rotations counted against expected, pressure that flickered, a tank that ran low) is never adjusted for: it lies on the path from the venting to the gap. These effects name nothing: each is worked out by itself, and many are looked at.

Failure modes are held against each finding by a table of signs: a record fits a mode where a key sign and at least one more speak for it and none against; a sign against rules it out. Repeats are judged by shuffling findings over ventings within site and engine type."""
LIMITS_OF_IT = (
    "Records show what went together, not what caused it: a circumstance that nobody wrote down may stand behind two that were.",
    "A tank is pressurised mostly where lines are empty, a cooler is empty mostly where it is new: what comes out after adjusting is only as good as the overlap beside it.",
    "A circumstance that does not stand out may still act; the interval says how large an effect is not excluded.",
    "A record that fits a failure mode is not a diagnosis; several modes look alike without the readings named under next checks.",
)


@section
def failures_by_cause(page: Page) -> Blocks:
    """The account: every failing venting shared among named causes and what has no name."""
    facts = load_data(page)
    said = (ACCOUNT, large_sentence(facts.account), controls_sentence(facts.account))
    return show_causes(page, facts.account, tier=facts.tier) + page.explain(
        "the account of failures", "\n\n".join(filter(None, said))
    )


@section
def all_effects(page: Page) -> Blocks:
    """Every circumstance on all three outcomes, crude beside adjusted and by site; context_effects.csv."""
    facts = load_data(page)
    shown = page.text(
        "Each circumstance by itself, for those who want to look closer. Nothing is named here: the account above says what failures came from."
    )
    effects = facts.effects["lifter_failure"]
    if not facts.few:
        shown += _effects_figure(page, facts)
        table = _strongest(effects)
        table["what"] = [words.name_level(row) for row in rows_of(table)]
        for name in ("crude", "adjusted", "stratified"):
            table[f"{name}_words"] = [
                "" if np.isnan(v) else words.ratio_range(v, low, high)
                for v, low, high in zip(table[name], table[f"{name}_low"], table[f"{name}_high"], strict=True)
            ]
        table["sites_agree"] = np.where(
            table["homogeneity_p"].isna(),
            "",
            np.where(table["homogeneity_p"] < 0.05, "no", "not contradicted"),
        )
        shown += page.add_table(
            "lifter_effects",
            table,
            title="Times the odds of a lifter over the limit: alone, given the others, and by site",
            columns=[
                "what",
                "exposed",
                "exposed_failing",
                "crude_words",
                "adjusted_words",
                "stratified_words",
                "sites_agree",
                "overlap",
                "against_matters",
            ],
            rows=20,
            note='"Smaller" means that the whole interval lies within the smallest odds ratio that matters; "not known" is not "no effect".',
        )
    long = pd.concat([lengthen_effects(frame) for frame in facts.effects.values()], ignore_index=True)
    return shown + page.add_table(
        "context_effects",
        long,
        title="All effects on lifters, time to pressure and rotations, crude and adjusted",
        columns=["outcome", "factor", "level", "adjusted", "effect", "low", "high", "q", "ventings", "failures", "note"],
        note="Effects are odds ratios for lifters and ratios for times and rotations.",
        rows=12,
    )  # fmt: skip


def lengthen_effects(effects: pd.DataFrame) -> pd.DataFrame:
    """The table of effects with a row for the crude and one for the adjusted effect of every factor and level."""
    parts = []
    for name in ("crude", "adjusted"):
        part = effects[["outcome", "factor", "level", "reference"]].copy()
        part["adjusted"] = "yes" if name == "adjusted" else "no"
        part[["effect", "low", "high", "p"]] = effects[[name, f"{name}_low", f"{name}_high", f"{name}_p"]]
        part["q"] = effects["q"].where(effects["basis"] == name)
        part["ventings"], part["failures"] = effects["ventings"], effects["failing"]
        part["note"] = effects["note"].where(
            effects["note"] != "", effects["state"].where(effects["state"] != "estimated", "")
        )
        if name == "adjusted":
            given = "given " + effects["adjusted_for"].str.replace("_", " ")
            part["note"] = part["note"].where(
                part["note"] != "", given.where(effects["adjusted_for"] != "", "")
            )
        parts.append(part)
    order = pd.concat(parts).sort_index(kind="stable")
    return order.reset_index(drop=True)


def _strongest(effects: pd.DataFrame) -> pd.DataFrame:
    """Effects with a number, the largest against its own error first."""
    known = effects[(effects["state"] == "estimated") & effects["log_effect"].notna()]
    size = (known["log_effect"] / known["log_se"]).abs().round(9)
    return known.assign(size=size).sort_values(
        ["size", "factor", "level"], ascending=[False, True, True], kind="stable", ignore_index=True
    )


def _effects_figure(page: Page, facts: ReportData) -> Blocks:
    top = _strongest(facts.effects["lifter_failure"]).head(FIGURE_ROWS)
    labels = [words.name_level(row) for row in rows_of(top)]
    table = top.assign(label=[label if len(label) <= 38 else label[:36] + "…" for label in labels])
    figure, ax = plotting.new_figure(height=max(2.6, 0.36 * len(table) + 1.2))
    figure.subplots_adjust(left=0.42)
    draw.draw_effects(ax, table, matters=1.5)
    first = top.iloc[0]
    return page.add_figure(
        "lifter_effects",
        figure,
        alt=f"Odds ratios with intervals of {len(table)} circumstances, crude and adjusted, between 0.1 and 20. The strongest: {labels[0]}, "
        f"crude {words.ratio(first['crude'])}, adjusted {words.ratio(first['adjusted'])}. The numbers stand in the table below.",
        caption="Crude and adjusted effects side by side, strongest first; the grey band holds effects too small to matter.",
    )


@section
def cannot_tell(page: Page) -> Blocks:
    """The confounding map, and the pairs that these records can't tell apart."""
    facts = load_data(page)
    if facts.few:
        return page.text("Too few ventings with a finding to ask which circumstances could be told apart.")
    effects = facts.effects["lifter_failure"]
    blocked = effects[(effects["overlap"] == "none") & effects["overlap_with"].ne("itself")]
    sentences, seen = [], set()
    for row in rows_of(blocked):
        one, two = facts.factor(row["factor"]), facts.factor(row["overlap_with"])
        key = frozenset((row["factor"], row["overlap_with"]))
        if key in seen or one is None:
            continue
        seen.add(key)
        pair = causes.describe_pair(facts.beside, one, two) if two is not None else None
        sentences.append(words.together_sentence(one.title, facts.title(row["overlap_with"]), pair))
    shown = show_sensitivity(page) + page.text(
        *(
            sentences
            or [
                "Every circumstance that was looked at varied enough beside each of the others to be told apart."
            ]
        )
    )
    table = causes.map_confounding(facts.beside, factors=facts.factors)
    if table.empty:
        return shown

    weight = pd.concat(
        [table.set_index("factor_a")["association"], table.set_index("factor_b")["association"]]
    )
    names = (
        weight.groupby(level=0).max().sort_values(ascending=False, kind="stable").index[:MAP_ROWS].tolist()
    )
    labels = [
        facts.title(name) if len(facts.title(name)) <= 34 else facts.title(name)[:32] + "…" for name in names
    ]
    figure, ax = plotting.new_figure(height=6.6)
    figure.subplots_adjust(left=0.36, right=0.99, bottom=0.38, top=0.99)
    draw.draw_company(ax, table, names, labels)
    top = table.iloc[0]
    shown += page.add_figure(
        "company",
        figure,
        alt=f"Map of which of {len(names)} circumstances came together, from 0 to 1. Closest: {facts.title(top['factor_a'])} with {facts.title(top['factor_b'])}, {top['association']:.2f}.",
        caption="Which circumstances came together (0: no more than by chance, 1: one is known from the other); of the most entangled ones.",
    )
    told = table.assign(a=table["factor_a"].map(facts.title), b=table["factor_b"].map(facts.title))
    return shown + page.add_table(
        "company",
        told[told["association"] >= 0.3].reset_index(drop=True),
        title="Circumstances that came together",
        columns=["a", "b", "association", "together", "only_a", "only_b", "neither"],
        note=f"Pairs with an association of 0.3 or more, of {wording.count(len(table), 'pair')}.",
        rows=15,
    )  # fmt: skip


@section
def case_comparison(page: Page) -> Blocks:
    """What differs between failing ventings and up to four like ones each."""
    facts = load_data(page)
    beside = page.look_at(facts.beside)
    table = causes.compare_cases(beside, factors=facts.factors, level=page.level)
    table = table[table["state"] == "estimated"].copy()
    if facts.few or table.empty:
        return page.text("Too few failing ventings with a like one beside them to compare.")
    table["strength"] = table["p"].astype(float).round(12)
    table = table.sort_values(["strength", "factor", "level"], kind="stable").drop(columns="strength")
    table["what"] = [words.name_level(row) for row in rows_of(table)]
    table["odds"] = [words.ratio_range(r["odds_ratio"], r["low"], r["high"]) for r in rows_of(table)]
    table["case_share"] = table["cases_exposed"] / table["cases"]
    table["control_share"] = table["controls_exposed"] / table["controls"]
    sets = causes.match_cases(beside)["set"].nunique()
    text = (
        f"{sets} failing ventings stand beside up to four without a finding each: same engine type and reason, another engine, nearest in date and hours. "
        "This way of asking does not lean on a model of everything else, and should point the same way as the list above."
    )
    return page.text(text) + page.add_table(
        "case_comparison",
        table.reset_index(drop=True),
        title="What differs between failing ventings and like ones, strongest first",
        columns=["what", "case_share", "control_share", "sets", "odds"],
        note="For numbers the shares are of ventings over the middle cut. One circumstance at a time: intervals are not adjusted for having looked at many.",
        rows=12,
    )  # fmt: skip


@section
def more_ventings(page: Page) -> Blocks:
    """For what is still open: how many more ventings would settle it, and what could be seen now."""
    facts = load_data(page)
    table = causes.plan_ventings(facts.effects["lifter_failure"], facts.beside, level=page.level)
    if table.empty:
        return page.text("There is nothing recorded to plan with.")
    sentences = [words.need_sentence(words.name_level(row), row) for row in rows_of(table.head(3))]
    first = table.iloc[0]
    share = float(first["share_failing"])
    found = causes.detect_share(
        share,
        int(first["exposed"]),
        int(first["ventings"] - first["exposed"]),
        level=page.level,
        design_effect=float(first["design_effect"]),
    )
    sentences.append(
        words.detect_sentence(int(first["exposed"]), int(first["ventings"] - first["exposed"]), share, found)
    )
    table = table.assign(what=[words.name_level(row) for row in rows_of(table)])
    return page.text(*sentences) + page.add_table(
        "more_ventings",
        table,
        title="Ventings needed to see the smallest effect that matters, four times in five",
        columns=["what", "share_exposed", "matters", "ventings", "needed", "more"],
        note="Every job recorded, failing or not, with this circumstance filled in; clustered by engine.",
        rows=OPEN_ROWS,
    )  # fmt: skip


@section
def next_checks(page: Page) -> Blocks:
    """Checks in order of cost: readings that would decide findings, then what would refute each candidate."""
    facts = load_data(page)
    table, alarms = list_checks(page, facts), page.text(*_warnings(page))
    if table.empty:
        return alarms + page.text("Nothing is left to check that these records would ask for.")
    before = page.text("Before any of these: the manual decides, and this is no release.")
    return alarms + before + page.add_table(
        "next_checks",
        table,
        title="Next checks, cheapest first",
        columns=["order", "check", "why", "decides", "effort"],
    )  # fmt: skip


def _warnings(page: Page) -> list[str]:
    """What the monitor says of the lots, gauges and sites of the period's ventings."""
    named = {
        "lots": page.jobs["lifter_lot"].dropna().unique(),
        "sites": page.jobs["site"].dropna().unique(),
        "gauges": page.lifters["gauge"].dropna().unique(),
    }
    return warning_sentences(open_alarms(page, **named)) if any(map(len, named.values())) else []


def list_checks(page: Page, facts: ReportData) -> pd.DataFrame:
    """One row a check: order, check, why, decides, cost, effort."""
    rows = []
    todo = facts.readings[facts.readings["reading"] != ""]
    for reading, part in todo.groupby("reading", sort=False):
        rows.append(
            {
                "check": suggest_whole(page, str(reading)),
                "why": f"not recorded for {wording.count(len(part), 'finding')}",
                "decides": f"up to {int(part['would_decide'].max())} failure modes each",
                "cost": int(part["cost"].iloc[0]),
                "weight": float(len(part)),
            }
        )
    for weight, row in enumerate([*list_named(facts.account), *list_hints(facts.account)]):
        asked = ", a question only" if row["standing"] == evidence.HINT else ""
        rows.append(
            {
                "check": say_check(page, row),
                "why": f"{row['title']}{asked}",
                "decides": row["refute"],
                "cost": int(row["cost"]),
                "weight": 1000.0 - weight,
            }
        )
    rows = [row for row in rows if row["check"]]
    if not rows:
        return pd.DataFrame(columns=["order", "check", "why", "decides", "cost", "effort"])
    table = pd.DataFrame(rows).sort_values(["cost", "weight"], ascending=[True, False], kind="stable")
    table["order"] = range(1, len(table) + 1)
    table["effort"] = table["cost"].map(COST_WORDS)
    return table[["order", "check", "why", "decides", "cost", "effort"]].reset_index(drop=True)


@section
def not_recorded(page: Page) -> Blocks:
    """What was not recorded on the ventings looked at, and what it would have decided."""
    facts = load_data(page)
    n = len(facts.beside)
    if not n:
        return page.text("There are no ventings to look at.")
    rows = []
    coded = causes.code_factors(facts.beside, facts.factors)
    for factor in facts.factors:
        if factor.kind == "interaction" or "lifter_failure" not in factor.outcomes:
            continue
        missing = int((~coded[factor.name].known).sum())
        if missing:
            rows.append(
                (
                    factor.title,
                    missing / n,
                    missing,
                    factor.mechanism,
                    f"whether it acts ({factor.plausibility} plausibility)",
                )
            )
    for sign, group in (
        ("growth", "air or leak-down"),
        ("force_ratio", "air, leak-down or geometry"),
        ("no_force", "geometry or a stuck plunger"),
        ("after_run", "whether a run cures it"),
    ):
        of = len(facts.signs)
        missing = int((facts.signs[sign] == "").sum()) if of else 0
        if missing:
            name = next(r.check for r in causes.load_modes().readings if r.sign == sign)
            rows.append(
                (load_suggestions().suggestions[name].text, missing / of, missing, "of the findings", group)
            )
    table = pd.DataFrame(rows, columns=["what", "share", "missing", "mechanism", "decides"])
    table = table.sort_values(["share", "what"], ascending=[False, True], kind="stable").reset_index(
        drop=True
    )
    if table.empty:
        return page.text("Everything that was looked for was recorded.")
    return page.add_table(
        "not_recorded",
        table,
        title="What was not recorded and would have helped to decide",
        columns=["what", "share", "missing", "mechanism", "decides"],
        rows=15,
    )  # fmt: skip


@section
def findings(page: Page) -> Blocks:
    """Every lifter over the limit: gap, air or leak-down, the mode that fits best, the reading that would decide."""
    facts = load_data(page)
    over = causes.select_findings(facts.lifters)
    best = facts.matched[facts.matched["verdict"] == "fits"].sort_values(
        "score", ascending=False, kind="stable"
    )
    names = best.groupby(causes.KEY, sort=False)["name"].agg(lambda s: ", ".join(s.head(2)))
    reading = facts.readings.set_index(causes.KEY)["reading"].map(partial(suggest_whole, page))
    place = pd.MultiIndex.from_frame(over[causes.KEY])
    table = over.assign(
        gap_mm=over["gap_first_mm"],
        gap_unbiased_mm=over["gap_first_unbiased_mm"],
        over_as_read=over["over_first_as_read"],
        over_as_corrected=over["over_first_as_corrected"],
        over_limit_probability=over["over_probability_first"],
        fits=names.reindex(place).fillna("none for certain").to_numpy(),
        next_reading=reading.reindex(place).fillna("").to_numpy(),
        said=over["cause"].replace(CAUSE_WORDS),
        valve_words=over["position"],
    )
    own = [
        "venting_id",
        "cylinder",
        "valve",
        "gap_mm",
        "over_limit_probability",
        "air_probability",
        "leak_down_probability",
        "trapped_air_mm3",
    ]
    more = [
        "engine_id",
        "site",
        "date",
        "valve_words",
        "said",
        "fits",
        "next_reading",
        "lifter_lot",
        "gauge",
        "gap_last_mm",
        "gap_unbiased_mm",
        "over_as_read",
        "over_as_corrected",
    ]
    return page.add_table(
        "lifter_findings",
        table[own + more],
        title="Lifters over the limit at the first check",
        columns=["venting_id", "engine_id", "valve_words", "gap_mm", "gap_unbiased_mm", "gap_last_mm", "over_limit_probability", "said", "fits", "next_reading"],
        note="Corrected: with the gauge's bias taken out, at the limit's force and hold. Truly over: probability that the true gap is over "
        "the limit, given reading and gauge.",
        rows=25,
    )  # fmt: skip


@section
def failure_modes(page: Page) -> Blocks:
    """Which failure modes the findings' records fit, rule out and leave open."""
    facts = load_data(page)
    counts = causes.count_modes(facts.matched)
    shown = page.text(words.modes_sentence(counts, len(facts.signs)))
    drawn = counts[counts["fits"] + counts["open"] > 0]
    if len(drawn):
        figure, ax = plotting.new_figure(height=max(2.4, 0.3 * len(drawn) + 1.1))
        figure.subplots_adjust(left=0.34)
        draw.draw_modes(ax, drawn)
        top = drawn.iloc[0]
        shown += page.add_figure(
            "failure_modes",
            figure,
            alt=f"Findings by failure mode, those whose record fits it and those that leave it open. Most often fitting: {top['name']}, {top['fits']} of {len(facts.signs)}.",
            caption="Failure modes that the findings' records fit or leave open; a record may fit several.",
        )
    shown += page.add_table(
        "failure_modes",
        counts,
        title="Failure modes against the findings",
        columns=["mode", "name", "mechanism", "fits", "best", "open", "ruled_out"],
    )
    detail = facts.matched[facts.matched["verdict"] == "fits"].drop(columns=["score"])
    detail = detail.assign(check=detail["check"].map(partial(suggest_whole, page)))
    return shown + page.add_table(
        "mode_matches",
        detail.reset_index(drop=True),
        title="What each record fits, and why",
        columns=["venting_id", "cylinder", "valve", "name", "speaks_for", "not_recorded", "check"],
        rows=15,
    )  # fmt: skip


@section
def returning_engines(page: Page) -> Blocks:
    """Engines that come back, with the chance of so many repeats if all engines were alike."""
    facts = load_data(page)
    result = facts.recurrence
    sentence = words.recurrence_sentence(result)
    if result.failing > 1 and result.returned:
        estimate = Estimate(
            result.chance, None, None, page.level, "probability", result.ventings, result.returned, "shuffled within site and engine type",
            note=f"Monte Carlo error {result.error:.4f}",
        )  # fmt: skip
    else:
        estimate = no_estimate("too_few", level=page.level, unit="probability", n=result.ventings)
    shown = page.add_finding("recurrence_chance", estimate, tier=facts.tier, sentence=sentence)
    table = result.engines
    again = table[table["failing"] > 1]
    engines = again["engine_id"].head(TIMELINES).tolist()
    if engines:
        jobs = page.all_jobs
        own = jobs[jobs["engine_id"].isin(engines)]
        known = own["failed_first"].notna().to_numpy()
        timeline = pd.DataFrame(
            {
                "engine_id": own["engine_id"].to_numpy(),
                "date": own["date"].to_numpy(),
                "over": own["lifters_over_first"].astype("float64").where(known).to_numpy(),
            }
        )
        figure, ax = plotting.new_figure(height=max(2.2, 0.34 * len(engines) + 1.1))
        draw.draw_timeline(ax, timeline, engines)
        shown += page.add_figure(
            "returning_engines",
            figure,
            alt=f"Ventings over time of {len(engines)} engines with findings at two or more ventings; engine {engines[0]} had them at {int(again['failing'].iloc[0])} of {int(again['ventings'].iloc[0])}.",
            caption="Engines that came back with spongy lifters: full squares with the number of lifters over the limit, open circles without.",
        )
    return shown + page.add_table(
        "returning_engines",
        again.reset_index(drop=True),
        title="Engines with findings at two ventings or more",
        columns=["engine_id", "engine_type", "site", "ventings", "failing", "chance", "q"],
        rows=15,
    )  # fmt: skip


@section
def answer(page: Page) -> Blocks:
    """The answer in a few sentences, with the page's own numbers kept as findings."""
    facts = load_data(page)
    account = facts.account
    counted = count_sentence(page, facts)
    if is_of_one(page):
        lines, todo = answer_for_one(page, facts)
        return page.answer(*lines, todo=todo, picture=engine_picture(page, facts))
    return page.answer(
        counted,
        causes_sentence(account),
        avoidable_sentence(account),
        period_sentence(account, facts.jobs["venting_id"], page.scope_words),
        todo=[_first_check(page, facts)],
        picture=causes_picture(page, account),
    )


def causes_picture(page: Page, account: causes.Account) -> Blocks:
    """Failing ventings shared among the named causes; nothing where none is named."""
    if account.state != "named" or not account.failing:
        return Blocks()
    styles = style_causes(account)
    rows = [
        Row(
            str(row["title"]), row["ventings"], row["low"], row["high"],
            count_range(row["ventings"], row["low"], row["high"]), styles[row["cause"]],
        )
        for row in causes.sum_causes(account).to_dict("records")
    ]  # fmt: skip
    figure = draw_rows(
        f"What the {account.failing} failing ventings came from", rows, xlabel="failing ventings"
    )
    return page.add_figure(
        "lead", figure,
        alt="Failing ventings by cause, with ranges: " + wording.join_words([f"{row.label} {row.told}" for row in rows]) + ".",
        caption=f"All {account.failing} failing ventings up to the end of the period, shared among causes; lines: {100 * account.level:.0f} % ranges.",
    )  # fmt: skip


def engine_picture(page: Page, facts: ReportData) -> Blocks:
    """The ventings of the one engine on a line, with the lifters over the limit at each; nothing where there is none."""
    name = choose_venting(page, facts)
    jobs = page.all_jobs
    if name is None or not (own := jobs[jobs["venting_id"] == name])["engine_id"].notna().all():
        return Blocks()
    engine = str(own["engine_id"].iloc[0])
    mine = jobs[(jobs["engine_id"] == engine).fillna(False).to_numpy(bool)].sort_values(
        ["date", "venting_id"]
    )
    over = mine["lifters_over_first"].astype("float64").where(mine["failed_first"].notna().to_numpy())
    figure, ax = new_lead(f"Ventings of engine {wording.clean_text(engine)}", height=1.9)
    figure.subplots_adjust(left=0.06, right=0.96)
    draw.draw_engine(ax, mine["date"].tolist(), over.tolist())
    told = [
        f"{day:%Y-%m-%d} {'not checked' if np.isnan(n) else f'{n:.0f} over'}"
        for day, n in zip(mine["date"], over, strict=True)
    ]
    return page.add_figure(
        "lead", figure,
        alt=f"Ventings of engine {wording.clean_text(engine)} over time: {wording.join_words(told)}.",
        caption="Squares: lifters over the limit at the first check; open circles: none; crosses: not checked.",
    )  # fmt: skip


def count_sentence(page: Page, facts: ReportData) -> str:
    """Ventings and lifters over the limit in the period; kept as findings under their stable ids."""
    scope = page.scope_words + (f", lot {wording.clean_text(facts.lot)}" if facts.lot else "")
    ventings = rates.failing_share(facts.jobs, level=page.level)
    lifters = rates.failing_share(facts.jobs, of="lifter", level=page.level)
    if ventings.estimate is None and facts.checked >= 5:
        sentence = (
            f"{wording.of_total(facts.failing, facts.checked, 'venting')} had at least one lifter over the limit at the first check; some were "
            "written down only because something was found, so no share is known."
        )
    elif ventings.estimate is None:
        sentence = words.few_sentence(facts.checked, facts.failing, scope)
    else:
        over = int(facts.jobs["lifters_over_first"].fillna(0).sum())
        own = f"Lifters of lot {wording.clean_text(facts.lot)}: " if facts.lot else ""
        sentence = own + (
            f"{wording.share(ventings, events=facts.failing, noun='venting')} had at least one lifter over the limit at the first check; "
            f"{wording.share(lifters, events=over, noun='lifter')} were over it."
        )
    group = {"lifter_lot": facts.lot} if facts.lot else {}
    page.add_finding("venting_failure_share", ventings, tier=facts.tier, sentence=sentence, group=group)
    page.add_finding("lifter_failure_share", lifters, tier=facts.tier, sentence=sentence, group=group)
    return sentence


def _first_check(page: Page, facts: ReportData) -> Said | None:
    named = sorted(list_named(facts.account), key=lambda row: row["cost"])
    if check := next(filter(None, (find_check(page, row) for row in named)), None):
        return check.led_by("Cheapest next check:")
    todo = facts.readings[facts.readings["reading"] != ""]
    if todo.empty:
        return None
    reading = suggest(page, str(todo["reading"].mode().iloc[0]))
    return reading and reading.led_by("What would decide most on these findings:")


@section
def methods(page: Page) -> Blocks:
    """How this was worked out."""
    return page.explain("causes, failure modes and repeats", METHODS)


@section
def limitations(page: Page) -> Blocks:
    """What the data can't say."""
    facts = load_data(page)
    more = []
    if facts.tier != "model" and not facts.few:
        more.append(
            "There are too few ventings with a finding for more than two circumstances in one model; adjusted effects rest on few others."
        )
    only = int((page.jobs["recorded_because"] == "finding_only").fillna(False).sum()) if len(page.jobs) else 0
    if only:
        more.append(
            f"{wording.count(only, 'venting')} of the period {'was' if only == 1 else 'were'} written down only because of a finding and left out of comparisons."
        )
    held_to = budget_words.allowance_sentence(causes.FAMILY, what="circumstances named here")
    return page.text(*LIMITS_OF_IT, *more, held_to)
