"""Sentences of the sheet for a planned venting."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from ventbook.document.wording import count, interval, join_words, number, of_total, share, value_range
from ventbook.reports.lifter_gaps.words import run_taken_sentence
from ventbook.results import Estimate
from ventbook.statistics.forecast import Deviation, Shift

SAFETY = (
    "The manual's number of rotations goes before every number on this sheet. This sheet releases nothing.",
)
STATES = {
    "not_primed_by_this_push": "Don't count on this push: the oil stands lower than a pump that lets air through lifts it at this speed, and that can't be ruled out here. No number is given.",
    "turn_slower": "At this speed and oil temperature the line holds the oil back and the pump would draw bubbles. No number is given.",
    "not_recorded": "Neither the engine nor its lines are known: no number can be given.",
}


MAY_STALL = "It may not prime at all: a pump that lets air through may not lift the oil this high, and the range holds only if it does."

NO_CHANGE = "Neither a filled line, a filled cooler nor pressure on the tank within the limits in force brings it there on paper: ask before turning."


def expected_sentence(median: float, low: float, high: float, level: float) -> str:
    """Rotations to expect."""
    return f"Expect {median:.0f} rotations of the crankshaft until pressure shows ({100 * level:.0f} in 100 such ventings take {low:.0f} to {high:.0f})."


def over_manual_sentence(median: float, low: float, high: float, limit: float, level: float) -> str:
    """That the job can't prime within the manual, and where to stop."""
    return (
        f"Can't prime within the manual as it stands: such ventings take {median:.0f} rotations of the crankshaft ({100 * level:.0f} in 100: {low:.0f} to "
        f"{high:.0f}), and the manual stops at {limit:.0f}. Stop at {limit:.0f}."
    )


def stop_sentence(stop: float | None, had: float | None, limit: float | None) -> str:
    """Where to stop: never past the manual's ``limit``; without one there is no number. ``had``: by then 95 in 100 had pressure."""
    seen = had is not None and had == had
    if stop is None or limit is None:
        tail = (
            f" In these records 95 in 100 like this had pressure by {had:.0f}; this is no permission."
            if seen
            else ""
        )
        return f"No count to stop at: enter your manual's count.{tail}"
    if not seen or had is None or had >= limit:
        return f"Stop at {stop:.0f}, the manual's count, and look at the suction side."
    return f"Stop at {stop:.0f} and look at the suction side: 95 in 100 had pressure by then. The manual's count is {limit:.0f}."


def hot_sentence(median: float, stop: float | None, *, over_manual: bool) -> str:
    """What the count is worth where the oil is too warm to show pressure."""
    end = f"Stop at {stop:.0f}." if stop is not None else "No count to stop at: enter your manual's count."
    if over_manual:
        return f"Can't prime within the manual as it stands, cold or warm: such ventings take {median:.0f}. {end}"
    return f"By the records such an engine is primed after {median:.0f} rotations, without the gauge showing it. {end}"


def change_sentence(said: Sequence[str]) -> str:
    """What would change it, each with its cautions."""
    if not said:
        return ""
    return "What would change it: " + " And: ".join(
        text if text.endswith(".") else f"{text}." for text in said
    )


def then_sentence(median: float) -> str:
    """What is to be expected after that."""
    return f"With that, {median:.0f} are to be expected."


def counted_at(median: float, stop: float | None, per_count: float, place: str) -> str:
    """The same as the person who turns will count it; the count to stop at is rounded down."""
    if place == "crankshaft" or abs(per_count - 1.0) < 1e-9:
        return ""
    unit = {"propeller": "propeller rotations", "blade": "blade passes"}.get(place, "counts")
    end = f", stop at {int(stop / per_count)}" if stop is not None else ""
    return f"Counted as {unit}: {median / per_count:.0f}{end}."


def hand_sentence(state: str, low: str, high: str, threshold: str) -> str:
    """Whether a primed engine can show its threshold when turned by hand in oil this warm; empty where it will."""
    if state == "does_not_show":
        return f"The oil is too warm to show {threshold} by hand: even a primed engine gives {low} to {high}, so no pressure means nothing."
    if state == "may_not_show":
        return f"In oil this warm a primed engine gives {low} to {high} by hand and may not show {threshold}."
    return ""


def times_sentence(median: float, low: float, high: float, level: float) -> str:
    """Seconds to pressure at the first start."""
    return f"First start: pressure after about {median:.1f} s ({100 * level:.0f} in 100: {low:.1f} to {high:.1f} s)."


def chance_sentence(chance: Estimate, base: float, parts: Mapping[str, float]) -> str:
    """Chance of at least one spongy lifter."""
    if chance.estimate is None:
        return "Chance of a spongy lifter: too few past ventings with checked lifters."
    return (
        f"At least one spongy lifter: about {number(chance.estimate, 'share')} (plausible range {value_range(chance.low, chance.high, 'share')}; "
        f"all ventings {number(base, 'share')}, {count(chance.n, 'venting')} on record)."
        + parts_of_chance(parts)
    )


def parts_of_chance(parts: Mapping[str, float]) -> str:
    """Each named cause's part of the chance; nothing where no named cause stands at this job."""
    named = [(title, share) for title, share in parts.items() if share >= 0.01]
    if not named:
        return ""
    said = [f"{number(share, 'share')} {title}" for title, share in sorted(named, key=lambda part: -part[1])]
    return f" Of that chance: {join_words(said)}; the rest without a name."


def positions_sentence(positions: Sequence[tuple[str, int, int]]) -> str:
    """Which lifters first."""
    if not positions:
        return "No position stands out: check every lifter."
    said = [f"{name} ({of_total(over, n)})" for name, over, n in positions]
    return (
        f"Most often over the limit on this engine type: {join_words(said)}. Check every lifter all the same."
    )


def cure_sentence(cured: Estimate, taken: int = 0) -> str:
    """Chance that the extra run cures a spongy lifter; ``taken``: of how many the run is taken from the starts on record."""
    if cured.estimate is None:
        return f"Whether the extra run cures it: {interval(cured)}."
    events = round(cured.estimate * cured.n)
    said = f"If one is spongy, the extra run brought {share(cured, events=events, noun='lifter')} within the limit; part of that a second look alone would bring."
    return " ".join(filter(None, [said, run_taken_sentence(taken, 0)]))


def parts_sentence(*, cylinders: int, filter_new: bool, plugs: bool, chance: float | None) -> str:
    """Spare parts to have ready."""
    parts = [f"cover seals for {count(cylinders, 'cylinder')}" if cylinders else "cover seals"]
    parts.append("sealing rings for every line that is opened")
    if filter_new:
        parts.append("the filter's sealing ring")
    if plugs:
        parts.append("sealing rings for the spark plugs")
    if chance is not None and chance >= 0.2:
        parts.append("a second set of cover seals for the check after an extra run")
    said = join_words(parts)
    return f"{said[0].upper()}{said[1:]}."


def support_sentence(said: Sequence[str]) -> str:
    """Where the job lies beyond everything on record."""
    return (
        f"Beyond the record, so less sure than it looks: {join_words(said)}. The ranges are widened."
        if said
        else ""
    )


def like_sentence(like: int, of_type: int, total: int) -> str:
    """What the answer rests on."""
    return f"{count(total, 'venting').capitalize()} on record, {of_type} of this engine type, {like} of them with lines and cooler in the same state."


def score_sentence(held: float, n: int, level: float, brier: float, base: float) -> str:
    """How earlier predictions fared."""
    text = f"Asked about each past quarter from the quarters before it, {number(held, 'share')} of {n} counts lay in the {100 * level:.0f} % range."
    if brier != brier:
        return text
    if brier < base - 0.002:
        return f"{text} The chance of a spongy lifter was told better than by the site's own past (Brier score {brier:.3f} against {base:.3f}; lower is better)."
    if brier <= base + 0.002:
        return f"{text} The chance of a spongy lifter was told no better than by the site's own past (Brier score {brier:.3f} against {base:.3f})."
    return f"{text} The chance of a spongy lifter was told worse than by the site's own past (Brier score {brier:.3f} against {base:.3f}): trust the site's share."


def said_and_came(found: Deviation) -> list[str]:
    """How many spongy ventings were said beforehand, how many came, and whether that is more than luck."""
    if not found.n:
        return []
    told = f"Spongy lifters, said beforehand: at {found.said:.0f} of {count(found.n, 'venting')}; came: at {found.came:.0f}."
    span = f"{2 * found.error:.0f} either way"
    if abs(found.came - found.said) <= 2 * found.error:
        return [f"{told} Luck and what the chances leave open explain {span}: the two agree."]
    more = "low" if found.came > found.said else "high"
    return [
        f"{told} Luck and what the chances leave open explain no more than {span}: the chances were too {more}."
    ]


def said_of_100(said: float, came: float) -> str:
    """A bin's chances in words."""
    return f"said {100 * said:.0f} of 100, came {100 * came:.0f}"


def apart(said: float, came: float, error: float) -> str:
    """Whether a bin's chances lie apart from what came by more than two standard errors."""
    if abs(came - said) <= 2 * error:
        return "no more than luck"
    return "more came than luck explains" if came > said else "fewer came than luck explains"


def shift_sentence(shift: Shift) -> str:
    """By how much the account's chances are corrected now."""
    if not shift.quarters:
        return (
            "No quarter could be told yet, so that chances stand as the account gives them, with that doubt."
        )
    odds = math.exp(shift.mean)
    return (
        f"{count(shift.quarters, 'quarter').capitalize()} told so far put the odds at {odds:.2f} times the account's "
        f"({math.exp(shift.mean - 2 * shift.sd):.2f} to {math.exp(shift.mean + 2 * shift.sd):.2f})."
    )
