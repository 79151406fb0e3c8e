"""Sentences about times to pressure and rotations, from results."""

from __future__ import annotations

from collections.abc import Sequence

from ventbook import evidence
from ventbook.results import Estimate
from ventbook.units import System

from . import core


def within(estimate: Estimate, *, part: str, what: str, units: System = "metric", decimals: int = 1) -> str:
    """``Half of the first starts had oil pressure within 2.1 s (plausible range 1.9 to 2.4 s).``"""
    if estimate.state == "not_reached":
        reached = core.interval(estimate, units=units, decimals=decimals)
        return f"{part} {what}: {reached}."
    if estimate.estimate is None:
        return f"{part} {what}: {core.state_words(estimate)}."
    return f"{part} {what} within {core.interval(estimate, units=units, decimals=decimals)}."


def over_limit(estimate: Estimate, *, limit: str, placeholder: bool, noun: str = "first starts") -> str:
    """Share over the limit, with what the limit is; readings that straddle it are named."""
    which = f"the placeholder limit{limit}" if placeholder else f"the limit in force{limit}"
    if estimate.estimate is None:
        return f"Share of {noun} over {which}: {core.state_words(estimate)}."
    said = f"{core.share(estimate)} of {noun} took longer than {which}."
    return f"{said} {estimate.note[:1].upper()}{estimate.note[1:]}." if estimate.note else said


def cut_short(count: int, total: int) -> str:
    """Logged starts whose trace or engine ended before pressure had stood for its second."""
    return (
        f"In {core.of_total(count, total, 'first start')} the trace or the engine ended within the second after pressure showed: they are "
        "read up to there and count neither as shut down nor as over the limit for it (flag cut_short)."
    )


def ratio(title: str, estimate: float, low: float, high: float) -> str:
    """``oil cooler empty before venting (1.31 times as long, plausible range 1.18 to 1.46)``."""
    spread = core.value_range(low, high, "ratio", decimals=2)
    return f"{title} ({core.number(estimate, 'ratio', decimals=2)} times, plausible range {spread})"


def clear_effects(
    longer: Sequence[str], shorter: Sequence[str], *, more: str, less: str, ventings: int
) -> str:
    """Which circumstances go with longer and shorter waits, all else recorded being equal.

    ``more`` and ``less`` name the waits: ``longer times``, ``shorter times``.
    """
    if not longer and not shorter:
        return (
            f"In {core.count(ventings, 'venting')} no recorded circumstance goes clearly with {more} or {less}; "
            "that is not the same as none having an effect: see the ranges."
        )
    parts = []
    if longer:
        parts.append(f"{more} went with {core.join_words(longer)}")
    if shorter:
        parts.append(
            f"{less} with {core.join_words(shorter)}"
            if longer
            else f"{less} went with {core.join_words(shorter)}"
        )
    text = "; ".join(parts)
    return f"{text[:1].upper()}{text[1:]}, other recorded circumstances being equal ({core.count(ventings, 'venting')})."


def effect_word(
    low: float | None,
    high: float | None,
    matters: float,
    *,
    up: str,
    down: str,
    standing: str = evidence.NAMED,
) -> str:
    """What an interval of a ratio says against the smallest ratio that matters; ``up`` and ``down`` name the sides.

    ``standing`` is what the ratios looked at together allow: a side is named, asked (``longer?``), or not known.
    """
    if low is None or high is None or low != low or high != high:
        return "too few"
    if low >= 1 / matters and high <= matters:
        return "too small to matter"
    side = up if low > 1 else down if high < 1 else ""
    if side and standing:
        return side if standing == evidence.NAMED else f"{side}?"
    return "not known"


def heaping(sites: Sequence[tuple[str, float, int]], widened: bool) -> str:
    """Which sites' counts stop at round numbers: (site, share on fives, widened to)."""
    if not sites:
        return "No site's counts stop at fives or tens more often than chance makes plausible."
    parts = [
        f"{site} ({core.number(share, 'share')} on a multiple of 5, where 20 % are expected)"
        for site, share, _ in sites
    ]
    said = f"Counts stop at round numbers at {core.join_words(parts)}."
    return (
        f"{said} There a round count is taken as any count nearer to it than to the next round one."
        if widened
        else said
    )


def instruments(estimate: Estimate, *, pairs: int) -> str:
    """Stopwatch less logger on the same starts."""
    if estimate.estimate is None:
        return f"Stopwatch and logger stand together on {core.count(pairs, 'start')}: too few to compare."
    side = "longer" if estimate.estimate > 0 else "shorter"
    low, high = estimate.low or 0.0, estimate.high or 0.0
    size = core.number(abs(estimate.estimate), "s", decimals=2)
    spread = f"{low:.2f} to {high:.2f} s"
    if low <= 0 <= high:
        return (
            f"On {core.count(pairs, 'start')} with both, stopwatch and logger agree on average "
            f"(stopwatch {size} {side}, plausible range {spread})."
        )
    return f"On {core.count(pairs, 'start')} with both, the stopwatch reads {size} {side} on average (plausible range {spread})."
