"""Sentences of the conformity report. None of them reads like a release: they speak of records and limits."""

from __future__ import annotations

import math
from collections.abc import Sequence

from ventbook.document import wording
from ventbook.results import Estimate

MOST_NAMED = 6
AGAINST = {
    "manual": "the manual's limits",
    "placeholder": "placeholder limits",
    "mixed": "the manual's limits and, where it has none, placeholder limits",
    "": "no limit entered",
}


def reading(value: float, unit: str, yes_no: bool) -> str:
    """A recorded value with its canonical unit; yes or no where it is that; empty where nothing was recorded."""
    if math.isnan(value):
        return ""
    if yes_no:
        return "yes" if value else "no"
    text = f"{value:.3f}".rstrip("0").rstrip(".")
    return text if unit == "1" else f"{text} {wording.unit_label(unit)}"


def limit(low: float, high: float, unit: str, yes_no: bool) -> str:
    """A limit as read: ``at most 6.5 s``, ``79 to 91 N``, ``yes``; empty where there is none."""
    if math.isnan(low) and math.isnan(high):
        return ""
    if yes_no:
        return "no" if high == 0 else "yes"
    label = "" if unit == "1" else f" {wording.unit_label(unit)}"
    if math.isnan(low):
        return f"at most {high:g}{label}"
    return f"at least {low:g}{label}" if math.isnan(high) else f"{low:g} to {high:g}{label}"


def verdict(name: str, status: str) -> str:
    """A verdict in words, with "placeholder" in it where the limit is one."""
    other = {
        "not_recorded": "not recorded",
        "no_limit": "no limit entered",
        "fact": "a fact that needs no limit",
    }
    return other.get(name) or wording.verdict_words(name, placeholder=status == "placeholder")


def against(statuses: Sequence[str], revisions: Sequence[str]) -> str:
    """What the records were held against: the manual with its revisions, placeholders, or both."""
    known = sorted({status for status in statuses if status})
    status = "mixed" if len(known) > 1 else (known[0] if known else "")
    named = sorted({revision for revision in revisions if revision})
    words = AGAINST[status]
    return f"{words} ({wording.join_words(named)})" if named else words


def steps_within(estimate: Estimate, *, within: int, ventings: int, held_against: str) -> str:
    """Share of recorded steps within, as a sentence about records."""
    if ventings == 0:
        return "There is no venting to hold against a limit."
    if estimate.n == 0:
        return f"No step of {wording.count(ventings, 'venting')} could be held against a limit."
    of = f"of {wording.count(ventings, 'venting')}"
    if estimate.estimate is None:
        counted = wording.of_total(within, estimate.n, "recorded step")
        return f"Held against {held_against}, {counted} {of} were within; that is too little for a share."
    share = wording.share(estimate, events=within, noun="recorded step")
    return f"Held against {held_against}, {share} {of} were within."


def most_outside(steps: Sequence[tuple[str, int, int]]) -> str:
    """The steps most often outside: (title, outside, judged)."""
    if not steps:
        return "No recorded step was outside its limit."
    parts = [f"{title.lower()} ({outside} of {judged})" for title, outside, judged in steps]
    return f"Most often outside: {wording.join_words(parts)}."


def least_recorded(steps: Sequence[tuple[str, float]]) -> str:
    """The steps most often not written down: (title, share not recorded)."""
    if not steps:
        return "Every step that applies was written down."
    parts = [f"{title.lower()} ({wording.number(share, 'share')})" for title, share in steps]
    return f"Most often not written down where it applies: {wording.join_words(parts)}."


def open_findings(
    engines: int, *, open_jobs: int, closed_jobs: int, known: int, unknown: int, placeholder: bool
) -> str:
    """How many engines ended their latest venting, as recorded, with something outside; ``unknown``: no check.

    Of a job that is neither open nor closed, closing isn't recorded.
    """
    blank = (
        f"{wording.count(unknown, 'engine')} {'has' if unknown == 1 else 'have'} no usable lifter check there"
    )
    place = "at the latest venting on record"
    if known == 0 and engines == 0:
        return f"What is open {place} is not known: {blank}."
    over = "a lifter over a placeholder limit" if placeholder else "a lifter over the limit"
    if engines == 0:
        still = ""
    elif engines == 1:
        still = " (that job is not closed)" if open_jobs else ""
        still = " (that job was closed with it)" if closed_jobs else still
    elif closed_jobs == engines:
        still = " (all of these jobs were closed with it)"
    else:
        still = (
            f" ({open_jobs} of these jobs {'is' if open_jobs == 1 else 'are'} not closed)"
            if open_jobs
            else ""
        )
    tail = f"; {blank}" if unknown else ""
    return f"With {over} or without return flow {place}: {engines} of {wording.count(known, 'engine')}{still}{tail}."


def without_limit(titles: Sequence[str]) -> str:
    """Steps for which no limit was entered; only counted where they are many."""
    if not titles:
        return ""
    which = wording.join_words([t.lower() for t in titles])
    if len(titles) > MOST_NAMED:
        which = f"{len(titles)} steps (in the table of steps)"
    return f"No limit entered for: {which}. These records are described, not judged."


def facts(counts: Sequence[tuple[str, int]]) -> str:
    """Facts that need no limit, with the number of ventings each stands in."""
    if not counts:
        return ""
    parts = [f"{title.lower()} ({wording.count(n, 'venting')})" for title, n in counts]
    return f"Facts on record that need no limit: {wording.join_words(parts)}."


def described(
    recorded: int, mean: float, low: float, middle: float, high: float, *, unit: str, yes_no: bool
) -> str:
    """What was recorded of a step: how many said yes, or the middle and between what 80 in 100 readings lie."""
    if not recorded:
        return ""
    if yes_no:
        return f"yes in {round(mean * recorded)} of {recorded}"
    ends = [reading(value, "1", False) for value in (low, high)]
    return f"{reading(middle, unit, False)} ({ends[0]} to {ends[1]})"


def more_failing(times: float, *, share: float, with_it: bool) -> float:
    """How many more of 100 ventings fail with the odds of each lifter ``times`` as high; negative: how many fewer.

    ``share`` of the ventings with it fail, or of those without. Lifters over the limit are rare, so a venting's chance to pass
    with it is that power of its chance without.
    """
    passed = 1 - share
    return 100 * (passed ** (1 / times) - passed) if with_it else 100 * (passed - passed**times)


def goes_with_spongy(
    *,
    off_failing: int,
    off: int,
    by_book_failing: int,
    by_book: int,
    effect: tuple[float, float, float] | None,
    level: float,
    matters: float,
    other: str = "",
) -> str:
    """Whether ventings with a step off the procedure have spongy lifters more often, with the odds ratio's interval."""
    if off + by_book == 0:
        return "Not known: no venting has both its steps and its lifter check on record."
    counts = (
        f"{wording.of_total(off_failing, off, 'venting')} with a step outside before the check had a spongy lifter, "
        f"and {wording.of_total(by_book_failing, by_book)} without"
    )
    if effect is None:
        why = f" ({other})" if other else ""
        return f"{counts}. That is too little to compare{why}."
    _, low, high = effect
    share = off_failing / off if off_failing else by_book_failing / max(by_book, 1)
    ends = [more_failing(times, share=share, with_it=off_failing > 0) for times in effect]
    word = "more" if ends[0] >= 0 else "fewer"
    more, *ends = ends if word == "more" else [-ends[0], -ends[2], -ends[1]]
    least, most = (f"{round(end)}".replace("-", "\u2212") for end in ends)
    numbers = (
        f"in 100 such ventings about {round(more)} {word} with a spongy lifter (plausible range {least} to {most}, "
        f"{wording.level_words(level)})"
    )
    if low > 1:
        tail = "The records point to a link; they don't show which step, or whether the step is the cause."
    elif high < 1:
        tail = "Fewer, not more: look for what else differs before reading anything into it."
    elif high < matters and low > 1 / matters:
        tail = (
            f"An effect that would matter (odds of a lifter {matters:g} times as high) is not in that range."
        )
    else:
        tail = "The records can't tell a link that would matter from none."
    return f"{counts}: at like circumstances {numbers}. {tail}"


def settle_open(jobs: int) -> str:
    """What to do with engines whose latest venting ended with a finding."""
    if not jobs:
        return ""
    those = "the engine" if jobs == 1 else f"each of the {jobs} engines"
    return f"Settle what is open, oldest first (listed below): a licensed person decides before {those} runs."
