"""What the extra run cured, beside what a second look alone would show."""

from __future__ import annotations

import pandas as pd

from ventbook import plots, rates, wording
from ventbook.jobs import count_runs_taken
from ventbook.pages.base import Page
from ventbook.pages.frames import INTERVAL, frame_of
from ventbook.pages.lifter_gaps.facts import Facts, gather_facts, limit_label, shown
from ventbook.pages.show import Shown
from ventbook.plots.lifters import draw_pairs
from ventbook.rates import CureAnswer
from ventbook.units import display
from ventbook.wording import lifters as words


def cure_of(facts: Facts, lifters: pd.DataFrame, level: float) -> CureAnswer:
    """Cured share and second-look share of some lifters."""
    gap = lifters["gap_first_corrected_mm"].where(lifters["over_first"].fillna(False).astype(bool))
    return rates.compare_cure(
        gap,
        lifters["over_last"],
        lifters["extra_run_between"],
        cluster=lifters["engine_id"],
        u=lifters["gauge_u_mm"].to_numpy(dtype=float),
        limit=lifters["limit_mm"].to_numpy(dtype=float),
        spread=facts.spread,
        level=level,
    )


def looked_again(lifters: pd.DataFrame) -> pd.DataFrame:
    """Lifters read twice with no run between (both runs known and the same)."""
    same = (lifters["last_after_start"] == lifters["first_after_start"]) & (lifters["checks"] > 1)
    return lifters[same.fillna(False).to_numpy(dtype=bool)]


def second_check(page: Page) -> Shown:
    """Cured share beside the second look, pairs with the band, and second looks in the records."""
    facts = gather_facts(page)
    answer = cure_of(facts, facts.lifters, page.level)
    sentence = words.cure_sentence(
        answer.cured, answer.passed, answer.alone, answer.expected_alone, answer.chance
    )
    sentence = " ".join(filter(None, [sentence, words.run_taken_sentence(*count_runs_taken(facts.lifters))]))
    out = page.add_finding("cured_share", answer.cured, tier=facts.tier, sentence=sentence)
    if answer.alone.estimate is not None:
        alone = answer.alone
        out += page.add_finding(
            "second_look_share",
            alone,
            tier=facts.tier,
            sentence=f"A second look with nothing done would pass {wording.share(alone, words='with half and one and a half times the uncertainty')}.",
        )
    rows = []
    for site in facts.groups["site"]:
        part = facts.lifters[(facts.lifters["site"] == site).fillna(False)]
        own = cure_of(facts, part, page.level)
        label = wording.clean_text(site)
        page.add_finding(
            "cured_share",
            own.cured,
            group={"site": site},
            tier=facts.tier,
            sentence=words.group_share(label, own.cured, "lifter"),
        )
        rows.append(
            {
                "site": site,
                "read_again": own.cured.n,
                "passed": own.passed,
                "expected_alone": own.expected_alone,
                "estimate": own.cured.estimate,
                "low": own.cured.low,
                "high": own.cured.high,
            }
        )
    again = looked_again(facts.history)
    if len(again):
        measured = rates.cured_share(
            again["over_first"],
            again["over_last"],
            [True] * len(again),
            cluster=again["engine_id"],
            level=page.level,
        )
        if measured.estimate is not None:
            out += page.text(
                f"From the records themselves: of lifters over the limit that were read again with no run between, "
                f"{wording.share(measured, events=wording.count_behind(measured), noun='lifter')} passed."
            )
    out += _figure(page, facts)
    table = frame_of(rows, ["site", "read_again", "passed"], numbers=(*INTERVAL, "expected_alone"))
    return out + page.add_table(
        "cured_by_site",
        table,
        title="Read again after an extra run, by site",
        columns={
            "site": ("Site", "", "text"),
            "read_again": "Read again",
            "passed": "Passed",
            "expected_alone": ("Expected on a second look", "", "1"),
            "estimate": ("Cured", "share"),
            "low": ("From", "share"),
            "high": ("To", "share"),
        },
        note="A lifter over the limit that was not read again after a run is not in the table: it was neither cured nor not.",
    )


def _figure(page: Page, facts: Facts) -> Shown:
    t = facts.lifters
    use = t["extra_run_between"].fillna(False).astype(bool) & t["over_first"].fillna(False).astype(bool)
    t = t[use.to_numpy()]
    pairs = rates.paired_changes(
        t["gap_first_corrected_mm"],
        t["gap_last_corrected_mm"],
        u=t["gauge_u_mm"].to_numpy(dtype=float),
        limit=t["limit_mm"].to_numpy(dtype=float),
        spread=facts.spread,
        level=page.level,
    )
    if len(pairs) < 2 or not facts.limit > 0:
        return Shown("", "")
    drawn = pd.DataFrame(
        {
            "first": shown(pairs["gap_first_mm"], page),
            "last": shown(pairs["gap_last_mm"], page),
            "alone_low": shown(pairs["alone_low"], page),
            "alone_high": shown(pairs["alone_high"], page),
            "beyond": pairs["beyond"].to_numpy(),
        }
    )
    figure, ax = plots.new_figure(height=3.6)
    figure.subplots_adjust(left=0.10, right=0.98, bottom=0.14, top=0.97)
    unit = display(0.0, "mm", page.units)[1].label
    draw_pairs(
        ax, drawn, limit=float(shown(facts.limit, page)), label=limit_label(facts, page), unit=unit,
        placeholder=facts.placeholder,
    )  # fmt: skip
    smaller = int((pairs["beyond"] == "smaller").sum())
    return page.add_figure(
        "before_and_after",
        figure,
        alt=f"Last reading over first reading of {len(pairs)} lifters over the limit that were read again after a run; "
        f"{smaller} are smaller than a second look alone would give.",
        caption="Each mark a lifter over the limit at the first check. Grey band: where a second reading with nothing done would "
        f"fall in {wording.level_words(page.level)} of cases; it lies under the diagonal because the first reading was picked for being high.",
    )
