"""Where the failing lifters sit: map by engine type, exchangeability test, place in the oil feed."""

from __future__ import annotations

import pandas as pd

from ventbook import evidence, plots, rates, wording
from ventbook.pages.base import Page
from ventbook.pages.frames import frame_of
from ventbook.pages.lifter_gaps.facts import gather_facts
from ventbook.pages.show import Shown
from ventbook.plots.lifters import draw_position_map
from ventbook.wording import lifters as words

POSITION = ("scope", "engine_type", "cylinder", "valve", "feed_rank", "n", "failures")


def by_position(page: Page) -> Shown:
    """Rates by cylinder and valve over all records up to the end of the period, and whether they differ."""
    facts = gather_facts(page)
    lifters = facts.history
    parts = []
    for scope, frame in (("all so far", lifters), ("period", facts.lifters)):
        for kind in facts.groups["engine_type"]:
            own = frame[frame["engine_type"] == kind]
            table = rates.rates_by_position(own, level=page.level)
            rank = own.dropna(subset=["feed_rank"]).groupby(["cylinder"])["feed_rank"].median()
            table.insert(0, "engine_type", kind)
            table.insert(0, "scope", scope)
            table["feed_rank"] = table["cylinder"].map(rank).astype(float)
            parts.append(table)
    table = pd.concat(parts, ignore_index=True) if parts else frame_of([], POSITION)
    label = lifters["engine_type"].astype("str") + " " + lifters["position"].astype("str")
    last = lifters.groupby("engine_id")["feed_rank"].transform("max").astype(float)
    place = (lifters["feed_rank"].astype(float) - 1) / (last - 1).where(last > 1)
    test = rates.test_positions(
        lifters["over_first"], lifters["engine_id"], label, feed_rank=place, seed=page.seed
    )
    sentence = words.position_sentence(test.p, test.engines, test.note, test.feed_p, test.feed_slope)
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
        figure, axes = plots.new_figure(columns=len(kinds), height=2.6, squeeze=False, width_ratios=wide)
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
        columns={
            "scope": ("Records", "", "text"),
            "engine_type": ("Engine type", "", "text"),
            "cylinder": ("Cylinder", "", "integer"),
            "valve": ("Valve", "", "text"),
            "feed_rank": ("Place in the feed", "", "integer"),
            "n": "Lifters",
            "failures": ("Over", "", "integer"),
            "estimate": ("Share", "share"),
            "low": ("From", "share"),
            "high": ("To", "share"),
        },
        note="All so far: up to the end of the period. An engine counts once however often it was vented. Place 1 is fed first; empty where the feed order is not recorded.",
        rows=40,
    )
