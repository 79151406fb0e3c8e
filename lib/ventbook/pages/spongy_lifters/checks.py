"""What to check next, cheapest first and with the safety words, and what was not recorded and would have decided."""

from __future__ import annotations

import pandas as pd

from ventbook import contexts, wording
from ventbook.pages.base import Page
from ventbook.pages.show import Shown
from ventbook.pages.spongy_lifters.facts import Facts, gather_facts, rows_of

COST_WORDS = {
    1: "a minute",
    2: "part of a run or a venting",
    3: "a bench",
    4: "lifters out",
    5: "more than one site",
}


def next_checks(page: Page) -> Shown:
    """Checks in order of cost: readings that would decide findings, then what would refute each candidate."""
    facts = gather_facts(page)
    table = list_checks(facts)
    if table.empty:
        return page.text("Nothing is left to check that these records would ask for.")
    modes = contexts.load_modes()
    kinds = {reading.text: reading.safety for reading in modes.readings}
    used = {kinds.get(text, "cold") for text in table["check"]} - {"none"}
    warnings = [modes.safety[kind] for kind in ("cold", "turning", "running") if kind in used]
    return page.text("Before any of these: the manual decides, and this is no release.", *warnings) + page.add_table(
        "next_checks",
        table,
        title="Next checks, cheapest first",
        columns={
            "order": ("no.", "", "integer"), "check": ("check", "", "text"), "why": ("why", "", "text"), "decides": ("what it decides", "", "text"),
            "effort": ("effort", "", "text"),
        },
    )  # fmt: skip


def list_checks(facts: Facts) -> pd.DataFrame:
    """One row a check: order, check, why, decides, cost, effort."""
    rows = []
    todo = facts.readings[facts.readings["reading"] != ""]
    for reading, part in todo.groupby("reading", sort=False):
        rows.append(
            {
                "check": reading,
                "why": f"not recorded for {wording.count(len(part), 'finding')}",
                "decides": f"up to {int(part['would_decide'].max())} failure modes each",
                "cost": int(part["cost"].iloc[0]),
                "weight": float(len(part)),
            }
        )
    if not facts.few:
        for row in rows_of(facts.listed):
            rows.append(
                {
                    "check": row["check"],
                    "why": f"candidate {row['rank']}{'' if row['standing'] == 'cause' else ', a question only'}: {row['title']} ({row['mechanism']})",
                    "decides": row["refute"],
                    "cost": int(row["cost"]),
                    "weight": 1000.0 - row["rank"],
                }
            )
    if not rows:
        return pd.DataFrame(columns=["order", "check", "why", "decides", "cost", "effort"])
    table = pd.DataFrame(rows).sort_values(["cost", "weight"], ascending=[True, False], kind="stable")
    table["order"] = range(1, len(table) + 1)
    table["effort"] = table["cost"].map(COST_WORDS)
    return table[["order", "check", "why", "decides", "cost", "effort"]].reset_index(drop=True)


def not_recorded(page: Page) -> Shown:
    """What was not recorded on the ventings looked at, and what it would have decided."""
    facts = gather_facts(page)
    n = len(facts.beside)
    if not n:
        return page.text("There are no ventings to look at.")
    rows = []
    coded = contexts.code_factors(facts.beside, facts.factors)
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
            reading = next(r.text for r in contexts.load_modes().readings if r.sign == sign)
            rows.append((reading, missing / of, missing, "of the findings", group))
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
        columns={
            "what": ("what", "", "text"), "share": ("not recorded", "share"), "missing": ("times", "", "integer"),
            "mechanism": ("about", "", "text"), "decides": ("would have decided", "", "text"),
        },
        rows=15,
    )  # fmt: skip
