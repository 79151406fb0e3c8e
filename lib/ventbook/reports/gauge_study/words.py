"""Sentences about gauges, from results."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ventbook.document.wording import count, interval, join_words, number, share, value_range
from ventbook.results import Estimate
from ventbook.tables import evidence
from ventbook.tables.units import System

GOOD_SHARE = 0.10
POOR_SHARE = 0.30


def name_of(gauge: str) -> str:
    """A gauge's name as it reads in a sentence."""
    return gauge if gauge else "a gauge without a name"


def study_sentence(
    study: str, gauge: str, u: Estimate, of_limit: Estimate, classes: int | None, *, units: System
) -> str:
    """What one study says about its gauge."""
    if u.estimate is None:
        return f"Study {study} of {name_of(gauge)} gives no number: {u.note or u.state.replace('_', ' ')}."
    text = f"Study {study}: one reading by {name_of(gauge)} has a standard uncertainty of {interval(u, units=units, decimals=_decimals(units))}"
    if of_limit.estimate is not None:
        text += f"; twice that is {number(of_limit.estimate, 'share')} of the limit"
    if classes is not None:
        text += f"; it tells {count(classes, 'class', 'classes')} of lifters apart"
    return text + "."


def _decimals(units: System) -> int:
    return 3 if units == "metric" else 4


def judgement(of_limit: Estimate) -> str:
    """Whether the gauge is good enough for the limit, in words (common practice, no source)."""
    if of_limit.estimate is None:
        return "Whether the gauge is good enough for the limit is not known."
    worst = of_limit.high if of_limit.high is not None else of_limit.estimate
    if worst <= GOOD_SHARE:
        return "The gauge is fine for this limit."
    if of_limit.estimate > POOR_SHARE:
        return "The gauge is too coarse for this limit: many verdicts near it hang on the reading."
    return "The gauge serves for this limit; readings near it need a second look."


def bias_sentence(gauge: str, bias: Estimate, slope: Estimate, *, units: System) -> str:
    """How far the gauge is off its reference."""
    if bias.estimate is None:
        why = (
            "no reference gap was recorded"
            if bias.state == "not_recorded"
            else "under three lifters have a reference"
        )
        return f"How far {name_of(gauge)} is off is not known: {why}."
    d = _decimals(units)
    if bias.low is not None and bias.high is not None and bias.low <= 0 <= bias.high:
        text = f"{name_of(gauge)} shows no bias against the reference beyond {value_range(bias.low, bias.high, 'mm', units=units, decimals=d)}."
    else:
        side = "high" if bias.estimate > 0 else "low"
        low, high = sorted((abs(bias.low or 0.0), abs(bias.high or 0.0)))
        text = (
            f"{name_of(gauge)} reads {number(abs(bias.estimate), 'mm', units=units, decimals=d)} {side} against the reference "
            f"(plausible range {value_range(low, high, 'mm', units=units, decimals=d)})."
        )
    if (
        slope.estimate is not None
        and slope.low is not None
        and slope.high is not None
        and not slope.low <= 0 <= slope.high
    ):
        text += f" The bias grows by {slope.estimate:.3f} mm a mm of gap."
    return text


def routine_sentence(row: Mapping[Any, Any], *, units: System) -> str:
    """One gauge beside the others in routine use."""
    name = name_of(str(row["gauge"]))
    if row["state"] != "estimated":
        return f"{name}: {row['note']}."
    d = _decimals(units)
    side = "higher" if row["difference_mm"] > 0 else "lower"
    low, high = row["low"], row["high"]
    span = value_range(low, high, "mm", units=units, decimals=d)
    if low <= 0 <= high:
        return f"{name} reads like the others (difference {span})."
    if row["standing"] == evidence.HINT:
        return f"Does {name} read {side} than the others? These records can't say (difference {span})."
    if row["standing"] == evidence.NOTHING:
        return f"{name} reads like the others as far as these records tell (difference {span})."
    size = number(abs(row["difference_mm"]), "mm", units=units, decimals=d)
    text = f"{name} reads {size} {side} than other gauges on the same engine types (plausible range {span})"
    return f"{text}; {row['note']}." if row["note"] else f"{text}."


def stands_out(names: list[str]) -> str:
    """Gauges that read differently, or that none does."""
    if not names:
        return "No gauge stands out in routine use."
    return f"{join_words(names)} {'stands' if len(names) == 1 else 'stand'} out in routine use. A hint, not a study: measure the same lifters with both gauges."


def without_bias(findings: int, left: int, gauge: str) -> str:
    """How many findings stay when a known bias is taken out."""
    return f"Of {count(findings, 'finding')} read with {name_of(gauge)}, {left} would stay over the limit with its bias taken out."


def plan_sentence(row: Mapping[Any, Any] | None, factor: float) -> str:
    """Which study to make."""
    if row is None:
        return "None of the sizes listed pins the gauge down that well; take more technicians."
    return (
        f"{int(row['lifters'])} lifters, {int(row['technicians'])} technicians and {int(row['repeats'])} readings each "
        f"({int(row['readings'])} readings) keep the gauge's uncertainty known within a factor of {factor:g}. Take lifters over the "
        "whole range of gaps, some of them near the limit, and let nobody see the earlier readings."
    )


def share_sentence(estimate: Estimate, of: str) -> str:
    """The gauge's share of the spread or of the limit."""
    if estimate.estimate is None:
        return f"The gauge's share of the {of} is {share(estimate)}."
    what = "The gauge makes" if of == "spread" else "Twice the gauge's uncertainty is"
    tail = "of the spread of all readings" if of == "spread" else "of the limit"
    return f"{what} {number(estimate.estimate, 'share')} {tail} (plausible range {value_range(estimate.low, estimate.high, 'share')})."
