"""The answer first; how it was worked out and what the data can't say last."""

from __future__ import annotations

from ventbook import priming
from ventbook.pages.base import Page
from ventbook.pages.rotations_to_prime.counts import counted
from ventbook.pages.rotations_to_prime.far import find_far, rule
from ventbook.pages.show import Shown
from ventbook.wording import rotations as words


def answer(page: Page) -> Shown:
    """Recorded against expected, how many took far longer, and where to stop."""
    now, _ = counted(page)
    ratio = priming.estimate_ratio(now, level=page.level)
    return page.answer(
        words.ratio_sentence(ratio, f"of {page.period.label}"),
        words.long_sentence(len(find_far(page)), len(priming.usable_counts(now))),
        rule(page)[0],
    )


def methods(page: Page) -> Shown:
    """How this was worked out."""
    return page.explain(
        "The expectation",
        "The pump draws the air of the suction side through itself, then fills the pressure side: "
        "$N = V_0/(e_a D) \\cdot p_0/p_{in} + V_d/(e_o D)$. $V_0$ is the volume of empty lines and cooler, $V_d$ of galleries and a new "
        "filter, $D$ the displacement a crankshaft rotation, $e_a$ and $e_o$ the pump's efficiency on air and on oil, $p_0$ ambient pressure, "
        "$p_{in} = p_0 + p_{tank} + \\rho g h - \\Delta p$ the pressure at the pump, $\\Delta p = 128 \\mu L Q / (\\pi d^4)$ the loss in the line.\n\n"
        "What a record leaves out is taken from the engine type's usual values, named, and widens the interval. The number is an upper one: oil "
        "that ran into the line while the tank stood under pressure is not counted off.",
    ) + page.explain(
        "Counts and ratios",
        "A count k means that pressure showed during the k-th rotation, (k - 1, k]; a count given up is a lower bound; where a site writes round numbers more "
        "often than chance would, those counts are taken as wide as the rounding. The ratio is the median of recorded over expected by maximum likelihood on these "
        "intervals, its interval from leaving out one engine at a time. Far longer: beyond what 99 of 100 jobs keep under, with the scatter of one job "
        "measured on all records (median and median deviation, so that faulty jobs don't widen it).",
    )


def not_said(page: Page) -> Shown:
    """What the data can't say."""
    return page.text(
        "One job scatters by about a seventh, so one job can't show what pressure on the tank does; ventings with pressure are also those with empty lines, so raw "
        "counts put side by side would show the opposite.",
        "A ratio near 1 does not show that the lifters are filled: rotations after pressure showed matter more to them.",
        "A ratio over 1 points at the suction side or the pump, but a wrong bore, length or cooler volume on record looks the same.",
    )
