"""Sentences of the quarterly review's first page. Every number in them is a finding's."""

from __future__ import annotations

from ventbook.results import Estimate

from .core import as_kept, count, count_behind, number, of_total, share, value_range

NUMBER_NAMES = {
    "venting_failure_share": "Ventings with a spongy lifter at the first check",
    "observed_over_expected": "Failing ventings, observed over expected",
    "share_over_time_limit": "Oil pressure later than the limit at the first start",
    "rotations_ratio": "Rotations, recorded over expected",
    "cured_share": "Spongy lifters within the limit after an extra run",
}


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


def expected_sentence(label: str, ratio: Estimate, expected: float) -> str:
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
    parts = []
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


def restated_sentence(label: str, then: Estimate, now: Estimate) -> str:
    """The last period as it was reported and as it stands now."""
    if then.estimate is None or now.estimate is None:
        few = "has too few ventings for a share, then or now" if then.n else "was not reported before"
        return f"{label} {few}."
    before, after = short_share(then), short_share(now)
    if before == after:
        return f"{label} stands as it was reported: {after}."
    return f"{label} is restated: {after} now, {before} when it was first reported."


def first_actions(actions: list[tuple[str, str]]) -> str:
    """The first two actions, for the first page: ``To do first: Ridge: go through ...``"""
    if not actions:
        return "No action follows from this page."
    told = [f"{where}: {what[0].lower()}{what[1:].rstrip('.')}" for where, what in actions[:2]]
    more = f" {len(actions)} actions in all, below." if len(actions) > 2 else ""
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
