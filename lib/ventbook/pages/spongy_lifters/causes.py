"""Candidate causes in order, all effects side by side, and what these records can't tell apart."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ventbook import contexts, plots, wording
from ventbook.pages.base import Page
from ventbook.pages.show import Shown
from ventbook.pages.spongy_lifters.facts import Facts, gather_facts, high_gauges, rows_of
from ventbook.plots import contexts as draw
from ventbook.results import Estimate
from ventbook.wording import contexts as words

FIGURE_ROWS = 14
MAP_ROWS = 16


def causes(page: Page) -> Shown:
    """The ranked list: each candidate with its effect, how sure, and what would refute it."""
    facts = gather_facts(page)
    if facts.few:
        return page.text("Too few ventings to name causes; see what each finding's own record says.")
    effects = facts.effects["lifter_failure"]
    looked = int(effects.loc[effects["q"].notna(), "factor"].nunique())
    standing = int((facts.ranked["standing"] == "cause").sum())
    shown = page.text(words.looked_sentence(looked, standing))
    for row in rows_of(facts.listed):
        shown += _keep_cause(page, facts, row)
    if facts.blanks.sheet and len(facts.listed):
        shown += page.text(words.sheet_blanks_sentence(facts.blanks.sheet_z))
    shown += page.text(*gauge_sentences(page, facts))
    table = facts.listed.assign(
        what=[words.name_level(row) for row in rows_of(facts.listed)],
        odds=[words.ratio_range(r["effect"], r["low"], r["high"]) for r in rows_of(facts.listed)],
        standing=facts.listed["standing"].map(words.STANDING_WORDS),
        seen=[f"{r['exposed_failing']} of {r['exposed']}" for r in rows_of(facts.listed)],
        warning=facts.listed["blanks"].map(words.BLANK_WORDS),
    )
    columns = {
        "rank": ("rank", "", "integer"), "what": ("circumstance", "", "text"), "mechanism": ("mechanism", "", "text"),
        "odds": ("times the odds (interval)", "", "text"), "seen": ("with a finding", "", "text"),
        "p_any": ("chance of any so clear", "", "3"), "standing": ("standing", "", "text"), "overlap": ("overlap", "", "text"),
        "warning": ("blanks", "", "text"), "refute": ("what would refute it", "", "text"),
    }  # fmt: skip
    shown += page.add_table(
        "candidate_causes",
        table,
        title="Candidate causes of spongy lifters, strongest first",
        columns=columns,
        note="Chance of any so clear: how often the clearest of all circumstances looked at would be as clear where none acts. Mechanisms: air left in, air drawn in, wear, gauge, procedure.",
    )
    return shown + page.explain("the order of the list", contexts.RULE)


def gauge_sentences(page: Page, facts: Facts) -> list[str]:
    """For each gauge that reads high: how many findings (of all up to the period's end) rest on it."""
    over = contexts.select_findings(facts.beside_lifters)
    sentences = []
    for gauge, shift in high_gauges(facts.gauges).items():
        own = over[(over["gauge"] == gauge).fillna(False).to_numpy(dtype=bool)]
        within = int((own["gap_first_mm"] - shift <= own["limit_mm"]).sum())
        if len(own):
            words_of = wording.number(shift, "mm", units=page.units)
            sentences.append(words.gauge_findings_sentence(gauge, words_of, len(own), within))
    return sentences


def _keep_cause(page: Page, facts: Facts, row: dict) -> Shown:
    estimate = Estimate(
        row["effect"], row["low"], row["high"], page.level, "ratio", row["ventings"],
        int(facts.beside["engine_id"].nunique()), f"odds ratio, {row['basis']}", note=str(row["standing"]),
    )  # fmt: skip
    # rank, standing and chance stay out of the key, so that one candidate can be followed from report to report
    group = {"factor": row["factor"], "level": row["level"], "mechanism": row["mechanism"]}
    place = words.candidate_words(row)
    return page.add_finding(
        "candidate_cause",
        estimate,
        tier=facts.tier,
        group=group,
        sentence=place + words.cause_sentence(row, level=page.level),
    )


def all_effects(page: Page) -> Shown:
    """Every circumstance on all three outcomes, crude beside adjusted and by site; context_effects.csv."""
    facts = gather_facts(page)
    shown = page.text()
    effects = facts.effects["lifter_failure"]
    if not facts.few:
        shown = _effects_figure(page, facts)
        table = contexts.score_effects(effects[effects["state"] == "estimated"])
        table = table.sort_values(["points", "factor", "level"], ascending=[False, True, True], kind="stable")
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
        columns = {
            "what": ("circumstance", "", "text"), "exposed": ("ventings", "", "integer"),
            "exposed_failing": ("with a finding", "", "integer"), "crude_words": ("crude", "", "text"),
            "adjusted_words": ("adjusted", "", "text"), "stratified_words": ("by site", "", "text"),
            "sites_agree": ("do the sites agree", "", "text"), "q": ("q", "", "3"), "overlap": ("overlap", "", "text"),
            "against_matters": ("against the smallest that matters", "", "text"),
        }  # fmt: skip
        shown += page.add_table(
            "lifter_effects",
            table,
            title="Times the odds of a lifter over the limit: alone, given the others, and by site",
            columns=columns,
            rows=20,
            note='"Smaller" means that the whole interval lies within the smallest odds ratio that matters; "not known" is not "no effect".',
        )
    long = pd.concat([lengthen_effects(frame) for frame in facts.effects.values()], ignore_index=True)
    return shown + page.add_table(
        "context_effects",
        long,
        title="All effects on lifters, time to pressure and rotations, crude and adjusted",
        columns={
            "outcome": ("outcome", "", "text"), "factor": ("factor", "", "text"), "level": ("level", "", "text"),
            "adjusted": ("adjusted", "", "text"), "effect": ("effect", "", "2"), "low": ("from", "", "2"),
            "high": ("to", "", "2"), "q": ("q", "", "3"), "ventings": ("ventings", "", "integer"),
            "failures": ("with a finding", "", "integer"), "note": ("note", "", "text"),
        },
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


def _effects_figure(page: Page, facts: Facts) -> Shown:
    scored = contexts.score_effects(facts.effects["lifter_failure"]).dropna(subset=["points"])
    top = scored.sort_values("points", ascending=False, kind="stable").head(FIGURE_ROWS)
    labels = [words.name_level(row) for row in rows_of(top)]
    table = top.assign(label=[label if len(label) <= 46 else label[:44] + "…" for label in labels])
    figure, ax = plots.new_figure(height=max(2.6, 0.36 * len(table) + 1.2))
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


def cannot_tell(page: Page) -> Shown:
    """The confounding map, and the pairs that these records can't tell apart."""
    facts = gather_facts(page)
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
        pair = contexts.describe_pair(facts.beside, one, two) if two is not None else None
        sentences.append(words.together_sentence(one.title, facts.title(row["overlap_with"]), pair))
    shown = page.text(
        *(
            sentences
            or [
                "Every circumstance that was looked at varied enough beside each of the others to be told apart."
            ]
        )
    )
    table = contexts.map_company(facts.beside, factors=facts.factors)
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
    figure, ax = plots.new_figure(height=6.0)
    figure.subplots_adjust(left=0.36, bottom=0.36)
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
        columns={
            "a": ("one", "", "text"), "b": ("other", "", "text"), "association": ("association", "", "2"),
            "together": ("both", "", "integer"), "only_a": ("only one", "", "integer"),
            "only_b": ("only other", "", "integer"), "neither": ("neither", "", "integer"),
        },
        note=f"Pairs with an association of 0.3 or more, of {wording.count(len(table), 'pair')}.",
        rows=15,
    )  # fmt: skip
