"""Sentences about gauges, from results."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ventbook.document.wording import clean_text, interval, join_words, number, value_range
from ventbook.physics.gauge import Need
from ventbook.physics.gauge.decision import CORRECTED, OPEN, SERVES, UNFIT
from ventbook.reports.gauge_study.data import GaugeInForce
from ventbook.results import Estimate
from ventbook.tables import GaugeRow, evidence
from ventbook.tables.gauges import ASSUMED, COMPARISON, DRIFT
from ventbook.tables.units import System

VERDICT = {
    SERVES: "serves",
    CORRECTED: "serves with its bias taken off",
    UNFIT: "does not serve",
    OPEN: "can't be told",
}
ORDER = (UNFIT, CORRECTED, OPEN, SERVES)
DECIDES = {
    False: "The reading as read decides; the corrected one warns. Which of the two decides is for the manual to say.",
    True: "The corrected reading decides, as the register says of the manual; the reading as read stands beside it.",
}


def name_of(gauge: str) -> str:
    """A gauge's name as it reads in a sentence."""
    return gauge if gauge else "a gauge without a name"


def decimals(units: System) -> int:
    """Decimals of a gauge's errors."""
    return 3 if units == "metric" else 4


def few(estimate: Estimate, per: float = 1.0) -> str:
    """A small number with its range: ``3 (0 to 8)``, ``0.2 (0 to 1.1)``."""
    if estimate.estimate is None or estimate.low is None or estimate.high is None:
        return "not known"
    value, low, high = (per * v for v in (estimate.estimate, estimate.low, estimate.high))
    return f"{_few(value)} ({_few(low)} to {_few(high)})"


def _few(value: float) -> str:
    return f"{value:.0f}" if value >= 9.95 or value < 0.05 else f"{value:.1f}".removesuffix(".0")


def no_verdict(missing: str) -> str:
    """Why no gauge can be judged on this fleet."""
    return f"Whether a gauge serves for the limit can't be told from these records: {missing}."


def need_sentence(need: Need, limit: float, *, units: System) -> str:
    """What a gauge has to hold, and which end of the ranges decides."""
    reach = number(need.reach_share * limit, "mm", units=units, decimals=decimals(units))
    once = f"1 of {1 / need.wrong_at_reach:.0f}"
    return (
        f"A gauge serves where no lifter more than {reach} past the limit gets the wrong verdict in more than {once} readings, either "
        f"way, and at most {1000 * need.wrong_passes:g} of 1000 lifters read pass though over the limit. The unfavourable end of each "
        "range decides, for every gauge and every part; where even the favourable end is beyond it, with the bias taken off, the gauge "
        "does not serve. Common practice, no source (gauge_decision.toml); the shop's manual goes first."
    )


def gauge_verdict(g: GaugeInForce, *, limit: str, further: str, units: System) -> str:
    """Whether one gauge serves, by bias and spread, and what it got wrong in this fleet."""
    name, v, d = name_of(clean_text(g.name)), g.verdict, decimals(units)
    n = v.as_read.passed + v.as_read.failed
    bias = (
        f"{number(abs(g.error.bias), 'mm', units=units, decimals=d)} {'high' if g.error.bias > 0 else 'low'}"
    )
    wrong = (
        f"of {v.as_read.passed} passed by {name} as read {few(v.as_read.passed_wrongly)} are truly over the limit, of "
        f"{v.as_read.failed} failed {few(v.as_read.failed_wrongly)} are truly within it"
    )
    if v.verdict == SERVES:
        return f"{name} serves for the limit of {limit} as it reads (n = {n}): {wrong}."
    if v.verdict == CORRECTED:
        relative = ", relative to gauges that may be off as well" if g.row.kind in (COMPARISON, DRIFT) else ""
        return f"{name} serves for the limit of {limit} with a correction, not as read: it reads {bias}{relative} (n = {n}); {wrong}."
    if v.verdict == UNFIT:
        return f"{name} does not serve for the limit of {limit}, even with its bias taken off (n = {n}): {wrong}."
    return f"Whether {name} serves for the limit of {limit} can't be told (n = {n}): {wrong}. {further}"


def bias_off(g: GaugeInForce) -> str:
    """What would fail and pass with the bias of a gauge that serves so taken off."""
    v = g.verdict.corrected
    return (
        f"{name_of(clean_text(g.name))}: with the bias off {v.failed} would fail, {few(v.failed_wrongly)} of them wrongly, and "
        f"{few(v.passed_wrongly)} of {v.passed} would pass wrongly."
    )


def nothing_known(group: list[GaugeInForce], *, further: str) -> str:
    """Gauges of which nothing is known, put together."""
    names = join_words(name_of(clean_text(g.name)) for g in group)
    n = sum(g.verdict.as_read.passed + g.verdict.as_read.failed for g in group)
    return f"Whether {names} {'serves' if len(group) == 1 else 'serve'} can't be told (n = {n}): bias and spread are assumed. {further}"


def further_study(g: GaugeInForce, size: Mapping[Any, Any] | None) -> str:
    """The study after which it could be told; what is missing where no study would do."""
    if g.verdict.verdict != OPEN:
        return ""
    if size is None:
        return "No study alone would settle it as the numbers stand: too many lifters lie near the limit; see the readings to add."
    return (
        f"A study of {int(size['readings'])} more readings ({int(size['lifters'])} lifters of known gap, {int(size['technicians'])} "
        f"technicians, {int(size['repeats'])} readings each) would tell, if it finds what is taken now."
    )


def bias_mark(g: GaugeInForce, *, units: System) -> str:
    """The bias as it stands in a figure."""
    if not g.bias_known:
        return "bias not known"
    value = number(g.error.bias, "mm", units=units, decimals=decimals(units))
    return f"bias {'+' if g.error.bias > 0 else ''}{value}"


def curve_words(g: GaugeInForce, *, units: System) -> str:
    """How far past the limit a gauge's wrong verdicts reach."""
    d, v = decimals(units), g.verdict.as_read
    over, under = (
        number(max(e.estimate or 0.0, 0.0), "mm", units=units, decimals=d)
        for e in (v.passes_over, v.fails_under)
    )
    return f"{name_of(clean_text(g.name))}: lifters up to {over} over the limit pass, up to {under} under it fail, in 1 of 20 readings."


def share_sentence(gauge: str, id: str, estimate: Estimate) -> str:
    """Wrong verdicts over the long run, of 1000 lifters read."""
    what = (
        "pass though truly over the limit"
        if id == "gauge_wrong_passes"
        else "fail though truly within the limit"
    )
    return f"Of 1000 lifters read with {name_of(gauge)} as read, {few(estimate, 1000)} {what}."


def way(row: Mapping[Any, Any]) -> str:
    """A way of adding readings in words."""
    parts = []
    if row["once"]:
        parts.append(f"{int(row['once_n'])} {row['once']}")
    if row["each"]:
        times = "" if row["each_n"] == 1 else f", {int(row['each_n'])} times"
        parts.append(f"{row['each']}{times} on each lifter near the limit")
    return join_words(parts) or "none added"


def cheapest(g: GaugeInForce, best: Mapping[Any, Any], need: Need, *, units: System) -> str:
    """The cheapest way to hold wrong passes."""
    name, most = name_of(clean_text(g.name)), f"{1000 * need.wrong_passes:g} of 1000"
    up_to = number(best["accept_mm"], "mm", units=units, decimals=decimals(units) - 1)
    if not best["enough"]:
        return f"{name}: none of the ways listed holds wrong passes to {most}; most is left by: {way(best)}."
    cost = f"about {max(best['minutes'], 1.0):.0f} min a quarter, {best['read_again']:.1f} lifters read again"
    off = " with its bias taken off" if g.bias_known else ""
    if not best["once"] and not best["each"]:
        return f"{name}{off}: the cheapest way to hold wrong passes to {most} adds no reading: pass only up to {up_to} ({cost})."
    return f"{name}{off}: the cheapest way to hold wrong passes to {most} is {way(best)}, passing up to {up_to} ({cost})."


def nothing_to_add(group: list[GaugeInForce], need: Need) -> str:
    """Gauges whose wrong passes stay within what is needed."""
    names = join_words(name_of(clean_text(g.name)) for g in group)
    off = ", with a known bias taken off," if any(g.bias_known for g in group) else ""
    return (
        f"{names}: wrong passes stay within {1000 * need.wrong_passes:g} of 1000{off} with no reading added."
    )


def study_sentence(study: str, gauge: str, u: Estimate, of_limit: Estimate, *, units: System) -> str:
    """What one study says about its gauge's spread."""
    if u.estimate is None:
        return f"Study {study} of {name_of(gauge)} gives no number: {u.note or u.state.replace('_', ' ')}."
    text = f"Study {study}: one reading by {name_of(gauge)} has a standard uncertainty of {interval(u, units=units, decimals=decimals(units))}"
    if of_limit.estimate is not None:
        text += f", {number(of_limit.estimate, 'share')} of the limit"
    return f"{text}."


def bias_sentence(gauge: str, bias: Estimate, slope: Estimate, *, units: System) -> str:
    """How far the gauge is off its reference."""
    if bias.estimate is None:
        why = (
            "no reference gap was recorded"
            if bias.state == "not_recorded"
            else "under three lifters have a reference"
        )
        return f"How far {name_of(gauge)} is off is not known: {why}."
    d = decimals(units)
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
    d = decimals(units)
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


def stands_out(names: list[str], explained: list[GaugeInForce]) -> str:
    """Gauges that read differently, or that none does; a comparison that was made is cited and not asked for again."""
    told = [
        f"{name_of(clean_text(g.name))} reads differently in routine use as its bias in force says "
        f"({clean_text(g.row.source)}{'' if g.row.made is None else f', {g.row.made}'})."
        for g in explained
    ]
    if names:
        verb = "stands" if len(names) == 1 else "stand"
        told.append(
            f"{join_words(names)} {verb} out in routine use. A hint, not a study: measure the same lifters with both gauges."
        )
    return " ".join(told) or "No gauge stands out in routine use."


def plan_sentence(row: Mapping[Any, Any] | None, factor: float) -> str:
    """Which study to make."""
    if row is None:
        return "None of the sizes listed pins the gauge down that well; take more technicians."
    return (
        f"{int(row['lifters'])} lifters, {int(row['technicians'])} technicians and {int(row['repeats'])} readings each "
        f"({int(row['readings'])} readings) keep the gauge's uncertainty known within a factor of {factor:g}. Take lifters over the "
        "whole range of gaps, some of them near the limit, and let nobody see the earlier readings."
    )


def beside_the_register(drafted: GaugeRow, now: GaugeRow | None, *, file: str) -> str:
    """Whether a drafted row says what is in force."""
    if now is None or not file:
        return "no register: the study counts as it stands"
    if now.kind == ASSUMED or now.bias is None:
        return "the register has no bias for it"
    if drafted.bias is None:
        return f"{file} has a bias from: {now.kind}"
    same = abs(now.bias - drafted.bias) <= 0.001
    return f"as in {file}" if same else f"{file} says otherwise ({now.kind}): look which is newer"
