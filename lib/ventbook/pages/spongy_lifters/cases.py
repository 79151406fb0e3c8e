"""Failing ventings beside like ones, and how many more ventings would settle what is open."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ventbook import contexts, rates
from ventbook.pages.base import Page
from ventbook.pages.show import Shown
from ventbook.pages.spongy_lifters.facts import Facts, gather_facts, rows_of
from ventbook.results import NotEnoughData
from ventbook.wording import contexts as words

OPEN_ROWS = 8


def case_comparison(page: Page) -> Shown:
    """What differs between failing ventings and up to four like ones each."""
    facts = gather_facts(page)
    table = contexts.compare_cases(facts.beside, factors=facts.factors, level=page.level)
    table = table[table["state"] == "estimated"].copy()
    if facts.few or table.empty:
        return page.text("Too few failing ventings with a like one beside them to compare.")
    table["strength"] = table["p"].astype(float)
    table = table.sort_values(["strength", "factor", "level"], kind="stable").drop(columns="strength")
    table["what"] = [words.name_level(row) for row in rows_of(table)]
    table["odds"] = [words.ratio_range(r["odds_ratio"], r["low"], r["high"]) for r in rows_of(table)]
    table["case_share"] = table["cases_exposed"] / table["cases"]
    table["control_share"] = table["controls_exposed"] / table["controls"]
    sets = contexts.match_cases(facts.beside)["set"].nunique()
    text = (
        f"{sets} failing ventings stand beside up to four without a finding each: same engine type and reason, another engine, nearest in date and hours. "
        "This way of asking does not lean on a model of everything else, and should point the same way as the list above."
    )
    return page.text(text) + page.add_table(
        "case_comparison",
        table.reset_index(drop=True),
        title="What differs between failing ventings and like ones, strongest first",
        columns={
            "what": ("circumstance", "", "text"), "case_share": ("failing with it", "share"), "control_share": ("like ones with it", "share"),
            "sets": ("sets that differ", "", "integer"), "odds": ("times the odds (interval)", "", "text"),
        },
        note="For numbers the shares are of ventings over the middle cut. One circumstance at a time: intervals are not adjusted for having looked at many.",
        rows=12,
    )  # fmt: skip


def more_ventings(page: Page) -> Shown:
    """For what is still open: how many more ventings would settle it, and what could be seen now."""
    facts = gather_facts(page)
    table = need_table(page, facts)
    if table.empty:
        return page.text("There is nothing recorded to plan with.")
    sentences = [words.need_sentence(words.name_level(row), row) for row in rows_of(table.head(3))]
    first = table.iloc[0]
    share = float(first["share_failing"])
    found = contexts.detect_share(
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
        columns={
            "what": ("circumstance", "", "text"), "share_exposed": ("share of ventings", "share"), "matters": ("odds ratio to see", "", "1"),
            "ventings": ("there are", "", "integer"), "needed": ("needed", "", "integer"), "more": ("more", "", "integer"),
        },
        note="Every job recorded, failing or not, with this circumstance filled in; clustered by engine.",
        rows=OPEN_ROWS,
    )  # fmt: skip


def _correlate(failed: np.ndarray, engine: pd.Series) -> float:
    """How far ventings of one engine go together; 0 where nothing tells: every engine vented once, all or none failing."""
    try:
        return max(rates.intra_engine_correlation(failed, np.ones(len(failed)), cluster=engine), 0.0)
    except NotEnoughData:
        return 0.0


def need_table(page: Page, facts: Facts) -> pd.DataFrame:
    """Yes/no circumstances whose effect is not known to matter or not, those nearest to an answer first."""
    effects = facts.effects["lifter_failure"]
    wanted = effects[
        (effects["kind"] == "yes_no") & (effects["exposed"] > 0) & (effects["against_matters"] != "larger")
    ]
    jobs = facts.beside[facts.beside["failed_first"].notna().to_numpy()]
    returned = jobs.groupby("engine_id").size()
    per_engine = float(returned.mean()) if len(returned) else 1.0
    failed = jobs["failed_first"].to_numpy(dtype=float)
    correlation = _correlate(failed, jobs["engine_id"]) if len(jobs) > 20 else 0.0
    rows = []
    for row in rows_of(wanted):
        others = row["ventings"] - row["exposed"]
        if not others:
            continue
        share = (row["failing"] - row["exposed_failing"]) / others
        if not 0 < share < 1:
            continue
        need = contexts.need_ventings(
            share_failing=share, share_exposed=row["exposed"] / row["ventings"], odds_ratio=row["matters"], ventings=row["ventings"],
            per_engine=per_engine, correlation=correlation, level=page.level,
        )  # fmt: skip
        rows.append(
            {
                key: row[key]
                for key in ("factor", "title", "kind", "level", "reference", "ventings", "exposed", "matters")
            }
            | {
                "needed": need.ventings,
                "more": need.more,
                "share_exposed": need.share_exposed,
                "share_failing": share,
                "design_effect": need.design_effect,
            }
        )
    columns = [
        "factor",
        "title",
        "kind",
        "level",
        "reference",
        "ventings",
        "exposed",
        "matters",
        "needed",
        "more",
        "share_exposed",
        "share_failing",
        "design_effect",
    ]
    return (
        pd.DataFrame(rows, columns=columns)
        .sort_values(["more", "factor"], kind="stable")
        .reset_index(drop=True)
    )
