"""How the review works its numbers out, in plain words, and what it can't say."""

from __future__ import annotations

from ventbook import wording
from ventbook.pages.base import Page
from ventbook.pages.quarterly_review.facts import gather_facts
from ventbook.pages.quarterly_review.signals import FAMILY
from ventbook.pages.show import Shown
from ventbook.wording import budget as budget_words


def methods(page: Page) -> Shown:
    """Folded explanations, one a question a reader may ask."""
    facts = gather_facts(page)
    watch = facts.watch
    compared = (
        f"Here {watch.watched[0]} to {watch.watched[-1]} are watched against {watch.past[0]} to {watch.past[-1]}."
        if watch.past
        else "Here there is no earlier period yet."
    )
    parts = [
        page.explain(
            "what counts as failing",
            "A venting fails when at least one lifter is over the gap limit in force at its first check. A reading taken with "
            "much less than the reference force can't pass. Ventings without such a result are left out and counted.\n\n"
            f"The plausible range holds the true share in {wording.level_words(page.level)} of cases; it is widened where "
            "engines come back, since ventings of one engine are alike.",
        ),
        page.explain(
            "what is expected",
            "From the earlier periods each site's failing share is worked out at a given mix of engine types, reasons, empty "
            "lines, empty coolers and new filters. What the workshop decides itself (tank pressure, gauge, lifter lot, who does "
            "it) is left out on purpose: allowing for it would hide the change looked for. A kind of job never seen before is "
            "expected at the average, with a wide margin.\n\n"
            "Observed over expected: $$ r = O / E, $$ with the exact Poisson range of $O$.",
        ),
        page.explain(
            "what counts as a signal",
            "For each site and for all together, evidence is added up from period to period: a failing venting counts up, a "
            "sound one down, each weighted by how likely it was to fail (a cumulative sum for odds doubled, another for odds "
            "halved). Time to pressure, rotations and the gaps of sound lifters are followed with a weighted average.\n\n"
            "The limits are found by simulation: many innocent presents are drawn from what the past leaves possible, the whole "
            f"page is worked out on each, and the limits are set so that {100 * watch.false_alarms:g} of 100 innocent pages show any "
            f"signal at all. {compared}",
        ),
        page.explain(
            "how gauges are told from engines",
            "A gauge that reads high raises every gap, the sound lifters' too; air raises only the spongy ones'. So each gauge is "
            "compared with the other readings of its site on the lower half of each venting's gaps, within engine types, and the "
            "failing ventings are counted again with the difference taken out.",
        ),
        page.explain(
            "sites side by side",
            "The funnel's curves show how far a site of a given size may lie from the middle by chance. The second mark draws each "
            "site's share towards all sites, the more the smaller its number.",
        ),
    ]
    shown = parts[0]
    for part in parts[1:]:
        shown += part
    return shown


def not_said(page: Page) -> Shown:
    """What these data can't say."""
    facts = gather_facts(page)
    n = int(facts.now["failed_first"].notna().sum())
    sentences = [
        "Why a share moved. The review says where and since when, and what else changed then; a cause is for the workshop to find.",
        "That nothing changed. No signal means that nothing stands out from chance with this many ventings.",
    ]
    if facts.watch.state == "estimated" and n:
        sentences.append(smallest_change(facts.now, facts.watch.cells, facts.step.label))
    sentences.append(budget_words.allowance_sentence(FAMILY, what="signals"))
    return page.text(*[s for s in sentences if s])


def smallest_change(now: object, cells: object, label: str) -> str:
    """How large a rise at the middle site would have to be to be seen in one period."""
    import pandas as pd

    assert isinstance(cells, pd.DataFrame)
    here = cells[(cells["period"] == label) & (cells["site"] != "") & (cells["n"] > 0)]
    if here.empty:
        return ""
    row = here.sort_values("n").iloc[len(here) // 2]
    share = float(row["expected"] / row["n"])
    seen = share + 3.3 * float(row["variance"]) ** 0.5 / float(row["n"]) if row["n"] else 1.0
    if seen >= 1:
        return "With so few ventings a site, hardly any change at one site can be seen in a single period."
    return (
        f"Small changes at one site. With {int(row['n'])} ventings a site in a period, a rise from {wording.number(share, 'share')} "
        f"to about {wording.number(seen, 'share')} is seen at once; smaller ones take several periods."
    )
