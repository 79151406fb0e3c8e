"""Sentences about lifter gaps, from results."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from ventbook.document.wording import (
    count,
    count_behind,
    interval,
    join_words,
    number,
    of_total,
    share,
    value_range,
)
from ventbook.physics.gauge import LongRun
from ventbook.results import Estimate
from ventbook.tables import evidence
from ventbook.tables.units import System

CAUSES = {
    "air": "air",
    "leak_down": "leak-down",
    "both": "both air and leak-down",
    "bottomed": "bottomed out",
    "unclear": "unclear",
    "contradictory": "contradictory, read again",
}


POSITIONS = "named_causes.positions"
"""Positions in the engine and place in the oil feed, as a family of the quarter's error budget."""


def found_share(
    estimate: Estimate, noun: str, limit: str, *, check: str = "first", events: int | None = None
) -> str:
    """How many ventings or lifters were over the limit at a check.

    ``events`` with an estimate that has no number: cases only, counted without a per cent.
    """
    against = f" against {limit}" if "placeholder" in limit else ""
    verb = f"had at least one spongy lifter{against}" if noun == "venting" else f"read over {limit}"
    if estimate.estimate is None:
        if events is not None and estimate.n:
            return f"At the {check} check, {of_total(events, estimate.n, noun)} {verb}: cases, not a rate."
        return f"Over {limit} at the {check} check: {share(estimate)}."
    what = of_total(count_behind(estimate) or 0, estimate.n, noun)
    low, high = estimate.low, estimate.high
    if count_behind(estimate) == 0:
        seen = "no finding" if noun == "venting" else f"none over {limit}"
        return (
            f"At the {check} check, {seen} in {count(estimate.n, noun)}{against if noun == 'venting' else ''}. "
            f"That still allows a true rate of up to {number(high, 'share')}."
        )
    return (
        f"At the {check} check, {what} {verb} "
        f"({number(estimate.estimate, 'share')}; plausible range {value_range(low, high, 'share')})."
    )


def few_ventings(n: int) -> str:
    """Said where a share rests on few ventings."""
    return "With so few ventings this cannot be called high or low." if 0 < n < 20 else ""


def group_share(name: str, estimate: Estimate, noun: str, *, events: int | None = None) -> str:
    """One group's share as a sentence; cases only where there is no number."""
    if estimate.estimate is None and events is not None and estimate.n:
        return f"{name}: {of_total(events, estimate.n, noun)} (cases, not a rate)."
    return f"{name}: {share(estimate, events=count_behind(estimate), noun=noun)}."


def cause_sentence(counts: dict[str, int]) -> str:
    """What the findings are made of."""
    total = sum(counts.values())
    if total == 0:
        return "There is no finding to explain."
    parts = [f"{CAUSES[name]} {n}" for name, n in counts.items() if n]
    return f"Of {count(total, 'finding')}, by the readings: {join_words(parts)}."


def gauge_sentence(counts: dict[str, float], u: float, *, units: System) -> str:
    """How many findings hang on the gauge."""
    if counts["lifters"] == 0:
        return "No reading could be held against the limit."
    near, over, under = (int(counts[k]) for k in ("near", "findings_near", "passes_near"))
    if near == 0:
        return "No reading lies within twice the gauge's uncertainty of the limit, so no verdict hangs on the gauge."
    return (
        f"{count(near, 'reading')} within twice the gauge's uncertainty ({number(u, 'mm', units=units)}) of the limit: "
        f"{over} of the {count(int(counts['findings']), 'finding')} and {under} that read within. "
        "They count as borderline, neither pass nor fail."
    )


def wrong_verdicts(passed: float, failed: float, *, lifters: int, n_failed: int) -> str:
    """Expected wrong passes and failures among the lifters looked at."""
    return (
        f"By the gauge's uncertainty, about {passed:.1f} of {count(lifters - n_failed, 'lifter')} that read within are "
        f"truly over the limit, and about {failed:.1f} of {count(n_failed, 'lifter')} that read over are truly within."
    )


def long_run(found: LongRun, *, units: System) -> str:
    """What share of verdicts is wrong over the long run, and what a stricter limit for readings would change."""
    failed, passed = found.failed_wrongly, found.false_pass
    if found.verdicts is None or found.guarded is None:
        return f"What share of verdicts is wrong over the long run is not known: {failed.note}."
    text = "Over the long run, "
    if failed.estimate is None:
        text += f"it is not known what share of lifters that read over the limit is truly within it ({failed.note}); "
    else:
        text += f"{interval(failed)} of lifters that read over the limit would be truly within it, and "
    text += (
        f"{interval(passed, decimals=2)} of all lifters would pass though over it. Accepting only up to "
        f"{number(found.accept_mm, 'mm', units=units, decimals=3)} would bring the wrong passes to "
        f"{number(found.guarded.false_pass, 'share', decimals=2)} of all lifters and send back "
        f"{number(found.guarded.failed - found.verdicts.failed, 'share', decimals=2)} of them more."
    )
    return text


def cure_sentence(
    cured: Estimate, passed: int, expected: Estimate, expected_count: float, chance: float | None
) -> str:
    """Cured share beside what a second look alone would cure."""
    if cured.estimate is None:
        return (
            "No lifter over the limit was read again after an extra run, so nothing can be said about a cure."
        )
    first = f"{of_total(passed, cured.n, 'lifter')} over the limit read within it after the extra run "
    first += (
        f"({number(cured.estimate, 'share')}; plausible range {value_range(cured.low, cured.high, 'share')})."
    )
    if expected.estimate is None:
        return f"{first} What a second look alone would show is not known: {expected.note or 'no reading'}."
    alone = f" About {expected_count:.1f} would be expected to pass on a second reading alone."
    if chance is None:
        return first + alone
    if chance < 0.05:
        return first + alone + " The run did more than a second look would."
    return first + alone + " A second look alone could explain that."


def run_taken_sentence(taken: int, unknown: int) -> str:
    """What stands behind a cured share where the run before a check was left empty; "" where it never was."""
    said = []
    if taken:
        said.append(
            f"For {taken} of these the run before the last check is not written down: exactly one run on "
            "record lies between the two checks, and it is taken as that run."
        )
    if unknown:
        said.append(
            f"Of {unknown} more that read over the limit and were read again, it is not known whether a run lay between: "
            "they count neither as cured nor as not cured."
        )
    return " ".join(said)


def position_sentence(
    p: float | None, engines: int, note: str, feed_p: float | None, feed_slope: float | None
) -> str:
    """Whether failures keep to positions."""
    if p is None:
        return f"Whether position matters cannot be told: {note}."
    dealt = f"(dealt anew within {count(engines, 'engine')}, p = {max(p, 0.001):.3f})"
    place = feed_p if feed_slope is not None else None
    allowed, feed_allowed = evidence.judge_family([p, np.nan if place is None else place], POSITIONS)
    if allowed == evidence.NAMED:
        text = f"Failures keep to some positions more than chance would have it {dealt}."
    elif allowed == evidence.HINT:
        text = f"Do failures keep to some positions? These records can't say {dealt}: a question for new ventings."
    else:
        text = f"Failures do not keep to particular positions beyond what chance would do {dealt}."
    if place is not None and feed_slope is not None:
        where = "later" if feed_slope > 0 else "earlier"
        chance = f"(p = {max(place, 0.001):.3f})"
        if feed_allowed == evidence.NAMED:
            text += f" Failing lifters sit {where} in the oil feed than the others of their engine {chance}."
        elif feed_allowed == evidence.HINT:
            text += f" Do failing lifters sit {where} in the oil feed than the others? These records can't say {chance}."
        else:
            text += f" The place in the oil feed shows no pattern beyond chance {chance}."
    return text


def gap_ratio(name: str, reference: str, row: Mapping[Any, Any], *, units: System) -> str:
    """Median gap of a group beside the reference group."""
    middle = number(row["median_mm"], "mm", units=units)
    text = f"{name}: half of the gaps are under {middle}"
    if (
        row.get("ratio_low") == row.get("ratio_low")
        and row.get("ratio_low") is not None
        and name != reference
    ):
        text += f", {row['ratio']:.2f} times those of {reference} (plausible range {row['ratio_low']:.2f} to {row['ratio_high']:.2f})"
    return text + "."


def off_force(off: int, light: int, total: int) -> str:
    """How many readings were not taken at the reference force and hold."""
    if total == 0:
        return "No reading in this period."
    if off == 0 and light == 0:
        return "Every reading was taken at the reference force and hold, as far as recorded."
    text = f"{of_total(off, total, 'reading')} {'was' if off == 1 else 'were'} taken at another force or hold and {'is' if off == 1 else 'are'} corrected to the reference by the physics."
    if light:
        text += f" {count(light, 'reading')} under 80 % of the reference force read within the limit: not comparable, neither pass nor fail."
    return text


def blanks_sentence(
    blanks: int, low: float | None, high: float | None, passed: Estimate, unchecked: Estimate
) -> str:
    """Bounds where lifters were not written down, or not pressed hard enough to tell."""
    if blanks == 0:
        return "Every fitted lifter was read at a force that tells, so nothing hangs on blanks."
    return (
        f"{count(blanks, 'fitted lifter')} {'has' if blanks == 1 else 'have'} no reading that tells (not written down, or pressed too lightly). If these passed, the share over the limit is "
        f"{number(passed.estimate, 'share')}; if they were not checked, {number(unchecked.estimate, 'share')}. "
        f"With both intervals: {value_range(low, high, 'share')}."
    )
