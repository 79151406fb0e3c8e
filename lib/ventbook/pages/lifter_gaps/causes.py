"""What the findings are made of: air against leak-down, trapped air, every finding, and readings of 0.00 that recur."""

from __future__ import annotations

import pandas as pd

from ventbook import plots, wording
from ventbook.pages.base import Page
from ventbook.pages.lifter_gaps.facts import Facts, gather_facts
from ventbook.pages.show import Shown
from ventbook.plots.lifters import CAUSE_ORDER, draw_air, draw_cause_map
from ventbook.wording import lifters as words

RECURS = 3


def findings_of(facts: Facts) -> pd.DataFrame:
    """Lifters of the period over the limit at the first check."""
    return facts.lifters[facts.lifters["over_first"].fillna(False).to_numpy(dtype=bool)]


def cause_counts(found: pd.DataFrame) -> dict[str, int]:
    """Findings by cause, in the fixed order."""
    named = found["cause"].replace("", "unclear").value_counts()
    return {name: int(named.get(name, 0)) for name in CAUSE_ORDER}


def causes(page: Page) -> Shown:
    """Share of findings of each kind, the air against leak-down map, trapped air by engine type."""
    facts = gather_facts(page)
    found = findings_of(facts)
    counts = cause_counts(found)
    out = page.text(words.cause_sentence(counts))
    total = len(found)
    rows = []
    for name, n in counts.items():
        part = found[found["cause"].replace("", "unclear") == name]
        air = part["trapped_air_mm3"].dropna()
        growth = part["growth_um_per_s"].dropna()
        rows.append(
            {
                "cause": words.CAUSES[name],
                "findings": n,
                "share": n / total if total else float("nan"),
                "ventings": part["venting_id"].nunique(),
                "air_mm3": air.median() if len(air) else float("nan"),
                "growth": growth.median() if len(growth) else float("nan"),
            }
        )
    mapped = found.assign(cause=found["cause"].replace("", "unclear")).dropna(
        subset=["trapped_air_mm3", "growth_um_per_s"]
    )
    if len(mapped):
        figure, ax = plots.new_figure(height=3.4)
        figure.subplots_adjust(left=0.10, right=0.98, bottom=0.15, top=0.97)
        draw_cause_map(ax, mapped, names=words.CAUSES)
        out += page.add_figure(
            "air_and_leak_down",
            figure,
            alt=f"Trapped air against growth under force for {len(mapped)} findings with two readings. {words.cause_sentence(counts)}",
            caption="Right: air in the lifter, gone with more running. Up: the gap grows while force is held, as with a leaking check "
            "valve. A cause is named only where the readings make it 80 % probable or more.",
        )
    kinds = [k for k in facts.groups["engine_type"] if (found["engine_type"] == k).any()]
    if found["trapped_air_mm3"].notna().any():
        figure, ax = plots.new_figure(height=2.8)
        figure.subplots_adjust(left=0.10, right=0.98, bottom=0.12, top=0.97)
        draw_air(ax, found, kinds, group="engine_type")
        out += page.add_figure(
            "trapped_air",
            figure,
            alt=f"Trapped air of the findings by engine type {wording.join_words(kinds)}, median as a bar.",
            caption="Trapped air, not gap: the same gap is another amount of air on another engine layout. Bar: median.",
        )
    table = pd.DataFrame(rows).astype({"share": float, "air_mm3": float, "growth": float})
    return out + page.add_table(
        "causes",
        table,
        title="What the findings are made of",
        columns={
            "cause": "Cause",
            "findings": "Findings",
            "share": ("Share", "share"),
            "ventings": "Ventings",
            "air_mm3": ("Trapped air, median mm³", "", "0"),
            "growth": ("Growth, median µm/s", "", "0"),
        },
        note="One reading alone is unclear: read the gap at about half a second and at the end of the hold, and a third time at "
        "half the force. Contradictory: no air and no leak explains readings that far apart, as a gap that falls while force is "
        "held; read the lifter again.",
    )


def every_finding(page: Page) -> Shown:
    """Every lifter of the period that read over the limit or probably is, most probable first."""
    facts = gather_facts(page)
    t = facts.lifters
    listed = t["over_first"].fillna(False).astype(bool) | (t["over_probability_first"] >= 0.5)
    found = t[listed.to_numpy()].copy()
    found["gap_mm"] = found["gap_first_corrected_mm"]
    found["over_limit_probability"] = found["over_probability_first"]
    found["cause"] = found["cause"].replace("", "unclear").map(words.CAUSES)
    found = found.sort_values(
        ["over_limit_probability", "gap_mm", "venting_id", "cylinder", "valve"],
        ascending=[False, False, True, True, True],
        kind="stable",
    )
    columns = [
        "venting_id",
        "cylinder",
        "valve",
        "gap_mm",
        "over_limit_probability",
        "air_probability",
        "leak_down_probability",
        "trapped_air_mm3",
        "cause",
        "site",
        "engine_id",
        "date",
        "gap_last_corrected_mm",
        "cured",
    ]
    return page.add_table(
        "lifter_findings",
        found[columns],
        title="Every finding",
        columns={
            "venting_id": ("Venting", "", "text"),
            "engine_id": ("Engine", "", "text"),
            "cylinder": ("Cylinder", "", "integer"),
            "valve": ("Valve", "", "text"),
            "gap_mm": ("Gap", "mm"),
            "over_limit_probability": ("Truly over", "share"),
            "cause": "Cause",
            "trapped_air_mm3": ("Trapped air mm³", "", "0"),
            "gap_last_corrected_mm": ("Last gap", "mm"),
            "cured": ("Cured", "", "yes_no"),
        },
        note="Truly over: probability that the true gap is over the limit, given the gauge. Cured: within at the last check after "
        "an extra run.",
    )


def perfect_zeros(page: Page) -> Shown:
    """Lifters that read 0.00 again and again: no gap is not the best gap."""
    facts = gather_facts(page)
    t = facts.history[facts.history["gap_first_mm"].notna()]
    rows = t.groupby(["engine_id", "cylinder", "valve"]).agg(
        ventings=("venting_id", "nunique"),
        zeros=("gap_first_mm", lambda g: int((g == 0).sum())),
        site=("site", "last"),
    )
    listed = rows[(rows["zeros"] >= RECURS)].reset_index()
    share = float((t["gap_first_mm"] == 0).mean()) if len(t) else 0.0
    expected = float(sum(_binomial_tail(n, share) for n in rows["ventings"]))
    sentences = [
        f"{wording.number(share, 'share')} of first readings are 0.00. {wording.count(len(listed), 'lifter')} read 0.00 in "
        f"{RECURS} ventings or more; about {expected:.1f} would by chance."
    ]
    if len(listed):
        sentences.append(
            "0.00 is no gap, not the best gap: with low compression on that cylinder it can be a plunger stuck out, holding the "
            "valve off its seat. Compare the compression."
        )
    return page.text(*sentences) + page.add_table(
        "recurring_zeros",
        listed.sort_values(["zeros", "engine_id", "cylinder"], ascending=[False, True, True], kind="stable"),
        title="Lifters that read 0.00 again and again",
        columns={
            "engine_id": ("Engine", "", "text"),
            "cylinder": ("Cylinder", "", "integer"),
            "valve": ("Valve", "", "text"),
            "site": ("Site", "", "text"),
            "ventings": "Ventings",
            "zeros": "Readings of 0.00",
        },
        note="All records up to the end of the period.",
    )


def _binomial_tail(n: int, p: float) -> float:
    """Probability of RECURS or more readings of 0.00 in n ventings."""
    from scipy.stats import binom

    return float(binom.sf(RECURS - 1, n, p))
