"""Sentences of the quarterly review: its first page, and signals (what moved, where, since when, by how much, what else).

Every number in them is a finding's.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from ventbook.document.wording import (
    as_kept,
    clean_text,
    count,
    count_behind,
    interval,
    join_words,
    number,
    of_total,
    share,
    value_range,
)
from ventbook.numerics import BLANK_Z
from ventbook.reports.suggestions import Said
from ventbook.results import Estimate
from ventbook.statistics import trends
from ventbook.tables import evidence
from ventbook.tables.units import System

NUMBER_NAMES = {
    "venting_failure_share": "Ventings with a spongy lifter at the first check",
    "observed_over_expected": "Failing ventings, observed over expected",
    "share_over_time_limit": "Oil pressure later than the limit at the first start",
    "rotations_ratio": "Rotations, recorded over expected",
    "cured_share": "Spongy lifters within the limit after an extra run",
}
SERIES_WORDS = {
    "failing_ventings": "ventings with a spongy lifter",
    "time_to_pressure": "time to oil pressure at the first start",
    "rotations_ratio": "rotations against those expected",
    "sound_lifter_gap": "gap of the sound lifters",
}
GROUNDS = {
    "study": "A study found it off by as much",
    "other gauge": "Other gauges read at the same site in the same time did not move along",
    "other site": "It moved at every site where it was used",
    "lowest gaps": "The smallest gaps moved as far as the others, as they do when a gauge's zero moves, not in proportion as with "
    "force, air or the place of the lever",
}
OUTCOMES = {
    "worked": "worked",
    "fell": "was followed by a fall, which may be the bad quarter passing",
    "rose": "was followed by a rise",
    "no difference": "shows no difference",
}
KIND_WORDS = {
    "air": "air",
    "leak_down": "leak-down",
    "gauge": "what the gauge reads over",
    "elsewhere": "the same elsewhere",
}
QUARTER_WORDS = {2: "two", 4: "four"}


def short_share(estimate: Estimate) -> str:
    """``11 of 84 (13 %)``, ``1.6 % of 32`` where no count stands behind it, or ``too few records for a number (n = 3)``."""
    if estimate.estimate is None:
        return share(estimate)
    events, percent = count_behind(estimate), number(estimate.estimate, "share")
    return f"{percent} of {estimate.n}" if events is None else f"{of_total(events, estimate.n)} ({percent})"


def status_sentence(
    label: str, now: Estimate, earlier: list[tuple[str, Estimate]], *, listed: tuple[int, int] | None = None
) -> str:
    """How the period went, beside the one before and the same a year earlier.

    listed : (ventings with a finding, ventings) where the records allow cases only and no share.
    """
    if listed is not None:
        with_finding, total = listed
        if total == 0:
            return f"{label}: no venting in the records."
        return (
            f"{label}: {of_total(with_finding, total, 'venting')} had at least one spongy lifter at the first check. "
            "With so few, or without all of them written down, no share is given."
        )
    if now.estimate is None and now.n == 0:
        return f"{label}: no venting with a lifter check that gives a result."
    text = f"{label}: {share(now, events=count_behind(now), noun='venting')} had at least one spongy lifter at the first check"
    known = [f"{short_share(e)} in {name}" for name, e in earlier if e.estimate is not None]
    if not known:
        return f"{text}."
    return f"{text}; {', '.join(known)}."


def expected_sentence(ratio: Estimate, expected: float) -> str:
    """Observed over expected in words."""
    if ratio.estimate is None:
        return ""
    observed = round(ratio.estimate * expected)
    span = value_range(ratio.low, ratio.high, "1", decimals=2)
    return (
        f"From each site's past and this period's mix of jobs {expected:.1f} failing ventings were to be expected; "
        f"there were {observed}, {number(ratio.estimate, '1', decimals=2)} times that (plausible range {span})."
    )


def open_sentence(open_now: int, no_result: int, total: int, *, provisional: bool, label: str) -> str:
    """Open jobs and missing results: why the period's numbers may still move."""
    parts: list[str] = []
    if provisional:
        parts.append(f"{label} was not over when these records were handed in")
    if open_now:
        parts.append(f"{of_total(open_now, total, 'venting')} {'is' if open_now == 1 else 'are'} still open")
    out = ""
    if parts:
        out = f"{' and '.join(parts)}, so the numbers are provisional: jobs with trouble close later."
    if no_result:
        out += f" {count(no_result, 'venting')} {'has' if no_result == 1 else 'have'} no lifter check that gives a result."
    return out.strip()


def against_sentence(
    before: str, change: Estimate, moved: Sequence[tuple[str, str]], *, causes_known: bool
) -> str:
    """How far the share of failing ventings moved since another period, and which causes rose or fell beyond chance."""
    if change.estimate is None or change.low is None or change.high is None:
        return ""
    chance = ", which chance alone can make" if change.low < 0 < change.high else ", more than chance makes"
    text = f"Since {before} the share moved by {change_text(change, ratio=False)}{chance}."
    if moved:
        return f"{text} By cause, {join_words([f'{title} {how}' for title, how in moved])} beyond chance."
    return f"{text} By cause, nothing rose or fell beyond chance." if causes_known else text


def restated_number(label: str, what: str, then: str, now: str, *, others: int, why: str) -> str:
    """An earlier period's number that reads otherwise than it did: ``2026Q2 is restated: ...``."""
    also = f" {count(others, 'further number')} of it changed as well." if others else ""
    what = f"{what[0].lower()}{what[1:]}"
    return f"{label} is restated: {what} {now} now, {then or 'none'} when first reported ({why}).{also}"


def why_restated(came: Sequence[str], went: Sequence[str], corrected: Sequence[str], *, most: int) -> str:
    """``2 ventings came later (H26-021 and L25-032) and 1 was corrected (P25-049)``."""
    parts: list[str] = []
    for ids, one, many in (
        (came, "came later", "came later"),
        (went, "is no longer in it", "are no longer in it"),
        (corrected, "was corrected", "were corrected"),
    ):
        if ids:
            named = [clean_text(name) for name in ids[:most]]
            more = f" and {count(len(ids) - most, 'other')}" if len(ids) > most else ""
            listed = ", ".join(named) + more if more else join_words(named)
            noun = count(len(ids), "venting") if not parts else str(len(ids))
            parts.append(f"{noun} {one if len(ids) == 1 else many}: {listed}")
    return "; ".join(parts)


def first_actions(actions: list[tuple[str, str]]) -> str:
    """The first three actions, for the first page: ``To do first: Ridge: go through ...``"""
    if not actions:
        return "No action follows from this page."
    told = [f"{where}: {what[0].lower()}{what[1:].rstrip('.')}" for where, what in actions[:3]]
    more = f" {len(actions)} actions in all, below." if len(actions) > 3 else ""
    return f"To do first. {'; '.join(told)}.{more}"


def change_text(change: Estimate, *, ratio: bool) -> str:
    """``+3 points (-8 to +14)`` or ``1.10 times (0.80 to 1.50)``."""
    if change.estimate is None:
        return ""
    if ratio:
        return f"{change.estimate:.2f} times ({value_range(change.low, change.high, '1', decimals=2)})"
    ends = [
        None if v is None else f"{100 * as_kept(v):+.0f}" for v in (change.estimate, change.low, change.high)
    ]
    ends = [
        None if e is None else e.replace("-0", "0").replace("+0", "0") if e in ("-0", "+0") else e
        for e in ends
    ]
    return f"{ends[0]} points ({ends[1]} to {ends[2]})".replace("-", "\u2212")


def gap_text(value: float | None, *, units: System = "metric", decimals: int = 3) -> str:
    """A gap or a difference of gaps: ``0.017 mm``, one decimal more in inches (0.0007 in)."""
    return number(value, "mm", units=units, decimals=decimals if units == "metric" else decimals + 1)


def gap_range(low: float | None, high: float | None, *, units: System = "metric") -> str:
    """A range of gaps, as in gap_text."""
    return value_range(low, high, "mm", units=units, decimals=3 if units == "metric" else 4)


def place_words(site: str) -> str:
    """``at Ridge`` or ``over all sites``."""
    return f"at {site}" if site else "over all sites"


def signal_sentence(
    series: str, site: str, direction: str, *, since: str, current: str, size: Estimate, observed: int = 0, expected: float = 0.0,
    units: System = "metric",
) -> str:  # fmt: skip
    """One signal as a sentence; ``size`` is observed over expected, a ratio of means, or a shift in mm."""
    where = place_words(site)
    when = f"in {current}" if since == current else f"since {since}"
    span = value_range(size.low, size.high, size.unit, decimals=2)
    if series == "failing_ventings":
        more = "More" if direction == "up" else "Fewer"
        return (
            f"{more} failing ventings than expected {where} {when}: {observed} where {expected:.1f} were expected, "
            f"{number(size.estimate, '1', decimals=2)} times (plausible range {span})."
        )
    if series == "sound_lifter_gap":
        word = "larger" if direction == "up" else "smaller"
        return (
            f"Gaps read {word} {where} {when}, on sound lifters too: by {gap_text(size.estimate, units=units)} "
            f"(plausible range {gap_range(size.low, size.high, units=units)}). That points at the measuring before the engines."
        )
    word = {
        ("time_to_pressure", "up"): "Oil pressure came later",
        ("time_to_pressure", "down"): "Oil pressure came sooner",
        ("rotations_ratio", "up"): "More rotations than expected were needed",
        ("rotations_ratio", "down"): "Fewer rotations than expected were needed",
    }[series, direction]
    return (
        f"{word} {where} {when}: {number(size.estimate, '1', decimals=2)} times the past, at the same mix of jobs "
        f"(plausible range {span})."
    )


def not_over_sentence(
    site: str, direction: str, *, review: str, label: str, ratio: Estimate, observed: int, expected: float
) -> str:
    """An earlier signal that is no longer new but not over either."""
    more = "more" if direction == "up" else "fewer"
    return (
        f"Not over since the review of {review}: {more} failing ventings {place_words(site)}. In {label} {observed} where "
        f"{expected:.1f} were expected at that time, {number(ratio.estimate, '1', decimals=2)} times (plausible range "
        f"{value_range(ratio.low, ratio.high, '1', decimals=2)})."
    )


def gauge_sentence(
    found: trends.GaugeShift, *, attributed: bool, gap: bool = False, units: System = "metric", told: str = ""
) -> str:
    """What a gauge's difference explains of a signal; ``gap``: of a shift of all gaps, not of failing ventings. ``told``: what
    was known of the gauge already."""
    shift, failing, corrected = found.shift.estimate or 0.0, found.failing, found.corrected
    size = gap_text(abs(shift), units=units, decimals=2)
    now, before = number(found.share_now, "share"), number(found.share_before, "share")
    head = (
        f"Gauge {clean_text(found.gauge)}, in use at {found.site} since {found.first_used}, reads {size} {'high' if shift > 0 else 'low'} "
        f"against the other readings there; {now} of the ventings are read with it since, {before} were before"
    )
    if attributed:
        tail = (
            ""
            if gap or failing == corrected
            else f" With that taken out {corrected} ventings fail instead of {failing}."
        )
        checked = (
            f"It was checked: {told}"
            if told
            else "Take the change for the gauge's until it has been checked."
        )
        return f"{head}.{tail} {checked}"
    if gap:
        return f"{head}. That does not account for the change."
    if failing == corrected:
        return f"{head}. That is not why these ventings fail: {failing} do with it taken out as well."
    return f"{head}. With that taken out {corrected} ventings fail instead of {failing}, so it is not the whole reason."


def drift_sentence(
    drift: trends.GaugeDrift, *, recount: tuple[int, int] | None = None, explains: bool = True, units: System = "metric"
) -> str:  # fmt: skip
    """How a gauge moved against its own past, what that does to a signal's failing ventings, and whose move it is."""
    name, shift = clean_text(drift.gauge), drift.shift
    span = gap_range(shift.low, shift.high, units=units)
    if not drift.verdict:
        return (
            f"Whether gauge {name} reads as it did before {drift.since} can't be told yet (it reads between {span} "
            "higher on sound lifters). Gauge or site, these records can't tell: compare it with another gauge."
        )
    side = "higher" if (shift.estimate or 0.0) > 0 else "lower"
    low, high = sorted(abs(end or 0.0) for end in (shift.low, shift.high))
    text = (
        f"Gauge {name} reads sound lifters {gap_text(abs(shift.estimate or 0.0), units=units)} {side} than before "
        f"{drift.since} (plausible range {gap_range(low, high, units=units)})"
    )
    if drift.rate.estimate is not None:
        text += f", {gap_text(abs(drift.rate.estimate), units=units)} more from period to period"
    text += "."
    if drift.verdict == trends.SITE:
        return f"{text} Other gauges there moved along: it is not the gauge, look at how gaps are measured and at the engines."
    if recount is not None and recount[0] != recount[1]:
        text += f" With that taken out {recount[1]} ventings fail instead of {recount[0]}" + (
            "." if explains else ", so it is not the whole reason."
        )
    elif not explains:
        text += " That does not account for the change."
    if drift.verdict == trends.OPEN:
        return f"{text} Gauge or site, these records can't tell: compare it with another gauge."
    text += f" {GROUNDS[drift.ground]}."
    return f"{text} Take the change for the gauge's until it has been checked." if explains else text


def size_words(series: str, size: Estimate, *, units: System = "metric") -> str:
    """A signal's size with its unit: ``2.15 times`` or ``0.017 mm``."""
    if size.estimate is None:
        return ""
    if series == "sound_lifter_gap":
        return gap_text(size.estimate, units=units)
    return f"{number(size.estimate, '1', decimals=2)} times"


def change_words(rows: Iterable[Mapping[str, Any]]) -> str:
    """What else changed, as ``cooler empty yes: 20 % before, 60 % since``."""
    parts: list[str] = []
    for row in rows:
        name = str(row["column"]).replace("_", " ")
        if row["column"] == "technician":
            parts.append(f"{number(row['now'], 'share')} of the work done by people who did none before")
            continue
        new = " (new)" if row["is_new"] else ""
        parts.append(
            f"{name} {str(row['level']).replace('_', ' ')}{new}: {number(row['before'], 'share')} before, {number(row['now'], 'share')} since"
        )
    return "; ".join(parts)


def slow_change(rows: Sequence[Mapping[Any, Any]], drifts: Sequence[str], steps: Sequence[str]) -> list[str]:
    """Rises, falls and steps over all periods: what may be named as sentences, what may be asked as questions.

    ``rows``: site ("all" for the whole), score, change, change_range, ratio_before, ratio_after; ``drifts`` and ``steps``
    what each row's drift and step are allowed (named, hint or nothing).
    """
    places = ["over all sites" if row["site"] == "all" else f"at {row['site']}" for row in rows]
    said = []
    for up, word in ((True, "rise"), (False, "fall")):
        for allowed in (evidence.NAMED, evidence.HINT):
            where = [
                place
                for place, row, standing in zip(places, rows, drifts, strict=True)
                if standing == allowed and (row["score"] > 0) == up
            ]
            if where and allowed == evidence.NAMED:
                said.append(f"Over all periods the ratio {word}s steadily {join_words(where)}.")
            elif where:
                said.append(f"Does the ratio {word} steadily {join_words(where)}? These records can't say.")
    for place, row, standing in zip(places, rows, steps, strict=True):
        if not standing:
            continue
        word = "up" if row["ratio_after"] > row["ratio_before"] else "down"
        sizes = f"{row['ratio_before']:.2f} times the expected before, {row['ratio_after']:.2f} times since {row['change']} (it may lie anywhere from {row['change_range']})"
        if standing == evidence.NAMED:
            said.append(f"A step {word} {place}: {sizes}.")
        else:
            said.append(f"Was there a step {word} {place}? These records can't say: {sizes}.")
    return said


def share_sentence(row: Mapping[str, Any], *, asked: bool) -> str:
    """The level that failing ventings carry more often than the others do; ``asked``: as a question."""
    name, level = (str(row[c]).replace("_", " ") for c in ("column", "level"))
    counts = (
        f"{of_total(int(row['failing_with']), int(row['with_level']))} with it failed, "
        f"{of_total(int(row['failing_without']), int(row['without_level']))} of the others"
    )
    if not asked:
        return f"Most of all the failing ventings share {name} {clean_text(level)}: {counts}."
    blank = (
        " What was left blank goes with failing there, so it may be how the sheets were filled in."
        if abs(float(row["blank_z"])) > BLANK_Z
        else ""
    )
    return f"Does {name} {clean_text(level)} matter? These records can't say: {counts}.{blank}"


def moved_line(signals: list[tuple[str, str, str, str]]) -> str:
    """What moved, where and since when, in one line; ``signals``: series, site, direction, since."""
    if not signals:
        return "Nothing on this page moved by more than chance explains."
    parts = [
        f"{SERIES_WORDS[series]} {direction} {place_words(site)} since {since}"
        for series, site, direction, since in signals
    ]
    return f"Moved by more than chance explains: {join_words(parts)}."


def action_step(where: str, what: Said) -> Said:
    """One action: ``Ridge: go through ...``"""
    return Said(f"{where}: {what.text[0].lower()}{what.text[1:].rstrip('.')}", what.cautions)


def by_cause_sentence(parts: list[tuple[str, str, str]], *, before: str) -> str:
    """The period's failing ventings by cause: (title, now, before) each."""
    said = [f"{title}: {now}" + (f" ({then})" if before else "") for title, now, then in parts]
    return f"Failing ventings by cause{f' (in brackets {before})' if before else ''}: {'; '.join(said)}."


def cause_change_sentence(
    title: str, then: float, now: float, low: float, high: float, moved: str, *, before: str, label: str
) -> str:
    """One cause's failing ventings in two periods."""
    told = {"rose": "rose", "fell": "fell", "": "no change beyond chance"}[moved]
    return f"{title}: {then:.1f} failing ventings in {before}, {now:.1f} in {label}; {told} (change {low:+.0f} to {high:+.0f})."


def moved_causes_sentence(moved: list[tuple[str, str]], *, before: str) -> str:
    """Which causes rose or fell beyond chance."""
    if not moved:
        return f"By cause, nothing rose or fell since {before} by more than chance makes of such counts; the ranges say how much may have."
    return f"Since {before}: {join_words([f'{title} {how}' for title, how in moved])}, by more than chance makes of such counts."


def usual_site_sentence(site: str, failing: int, expected: float, ratio: Estimate) -> str:
    """A site's failing ventings beside those that the same jobs would bring at a usual site."""
    if ratio.estimate is None:
        return f"{site}: {failing} failing ventings; too few to set beside a usual site."
    return f"{site}: {failing} failing ventings where the same jobs at a usual site would bring {expected:.1f} ({interval(ratio, decimals=2)} times)."


def action_outcome(called: str, *, looked: bool) -> str:
    """What became of an action, in a clause: ``worked``, ``is too young to judge``."""
    if not called:
        return "is not judged"
    return OUTCOMES[called] if looked else "is too young to judge"


def aim_words(kind: str, control: str, *, lot: str = "") -> str:
    """What an action aims at and what it is held against: ``leak-down on new lifters (lot LL-2505); beside it air``."""
    if not kind:
        return "not said"
    where = f" on lifters fitted new (lot {lot} out)" if lot else ""
    beside = "other gauges there" if kind == "gauge" else KIND_WORDS[control]
    return f"{KIND_WORDS[kind]}{where}; beside it {beside}"


def action_judgement(verdict: trends.ActionVerdict | None, *, why_not: str, spans: Sequence[str]) -> str:
    """What is said of an action. Only "worked" is a claim; where nothing shows, the chance that a halving would have is said.

    ``spans``: counts in the usual quarters, in the bad one and up to the look, as ``17 of 126``.
    """
    if verdict is None:
        return f"Not judged: {why_not}."
    if not verdict.look:
        return "Too early for the first look, after two quarters."
    usual, bad, now = spans
    at = f"at the look after {QUARTER_WORDS[verdict.look]} quarters"
    if verdict.called == "worked":
        return f"Worked: {now} {at}, {usual} in the year before the bad quarter."
    if verdict.called == "fell":
        return f"Fell, may be the bad quarter passing: {now} {at}, {bad} in the bad quarter, {usual} in the year before that."
    if verdict.called == "rose":
        return f"Rose above even the bad quarter: {now} {at}, {bad} in the bad quarter. Look at what else changed since."
    chance = 100 * (verdict.chance_of_halving or 0.0)
    told = "under 1" if chance < 1 else "over 99" if chance > 99 else f"{chance:.0f}"
    return f"No difference seen {at} ({now}, {usual} before); a halving would have shown with a chance of {told} %."
