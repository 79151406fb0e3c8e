"""Sentences on candidate causes, from what the analyses of install context found."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from ventbook.document.wording import clean_text, count, join_words, level_words, number, value_range
from ventbook.reports.wording_budget import per_hundred
from ventbook.tables import evidence
from ventbook.tables.units import System

STANDING_WORDS = {
    "cause": "stands out",
    "hint": "a question, for new jobs to answer",
    "not listed": "does not stand out",
}
BLANK_WORDS = {
    "": "",
    "fewer": "blank less often on failing ventings",
    "more": "blank more often on failing ventings",
    "sheet": "sheets differ in blanks where a lifter was spongy",
}


def ratio(value: float) -> str:
    """A ratio with two figures that matter: 0.36, 1.4, 12; beyond 100 or under 0.01 so said."""
    if np.isnan(value):
        return "not known"
    if value > 100:
        return "over 100"
    if value < 0.01:
        return "under 0.01"
    return f"{value:.0f}" if value >= 9.95 else f"{value:.1f}" if value >= 0.995 else f"{value:.2f}"


def ratio_range(value: float, low: float, high: float) -> str:
    """``3.3 (1.6 to 6.9)``."""
    return f"{ratio(value)} ({ratio(low)} to {ratio(high)})"


def name_level(row: Mapping[str, Any]) -> str:
    """A factor and its level in words: ``lifter lot LL-2505``, ``oil cooler empty before venting``."""
    level, kind = clean_text(str(row["level"]).replace("_", " ")), row["kind"]
    if kind == "yes_no" or level in ("", "yes"):
        return str(row["title"])
    return f"{row['title']}, {level}" if kind == "number" else f"{row['title']} {level}"


def lower_sentence(value: float) -> str:
    """What an effect under 1 comes to the other way round."""
    return f"; without it they are {ratio(1 / value)} times as high" if 0 < value < 1 else ""


def shift_sentence(shift_mm: float, low_mm: float, high_mm: float, *, units: System) -> str:
    """How much higher or lower a gauge reads than others at the same site."""
    side = "higher" if shift_mm > 0 else "lower"
    ends = sorted((abs(low_mm), abs(high_mm))) if low_mm * high_mm > 0 else [low_mm, high_mm]
    told = f"{number(abs(shift_mm), 'mm', units=units)} {side} ({value_range(ends[0], ends[1], 'mm', units=units)})"
    return f"the middle lifter of a venting reads {told} with it than with other gauges at the same site"


def gauge_findings_sentence(gauge: str, shift: str, findings: int, within: int) -> str:
    """How many findings rest on a gauge's error."""
    return f"{within} of {count(findings, 'finding')} read with gauge {clean_text(gauge)} would be within the limit without the {shift} that it reads high."


def cause_sentence(row: Mapping[str, Any], *, level: float) -> str:
    """One candidate with its effect, how far it can be told apart, and what would refute it."""
    given = "" if row["basis"] == "adjusted" else ", not adjusted for anything"
    times = f"{ratio_range(row['effect'], row['low'], row['high'])} times the odds of a spongy lifter ({level_words(level)} interval{given})"
    if row["kind"] == "yes_no":
        times += lower_sentence(float(row["effect"]))
    words = f"{name_level(row)}: {times}; {row['exposed_failing']} of {row['exposed']} such ventings had one."
    if row["evidence"]:
        words += f" {str(row['evidence'])[0].upper()}{str(row['evidence'])[1:]}."
    if row["overlap"] == "none":
        words += (
            f" It can't be told apart from {str(row['overlap_with']).replace('_', ' ')} on these ventings."
        )
    elif row["overlap"] == "thin":
        words += f" It nearly always came with {str(row['overlap_with']).replace('_', ' ')}: little to tell them apart by."
    if row["expected"] == "against expectation":
        words += " This goes against what the trade expects."
    if row["blanks"] in ("fewer", "more"):
        side = "less" if row["blanks"] == "fewer" else "more"
        words += f" It was left blank {side} often on failing ventings than on sound ones, so it may be the writing down and not the circumstance."
    elif row["blanks"]:
        words += " The sheets as a whole differ in blanks where a lifter was spongy, so it may be the writing down and not the circumstance."
    return words


def causes_sentence(named: Sequence[Mapping[str, Any]], *, ventings: int) -> str:
    """What stands out, for the answer: the first four candidates that are named; hints never."""
    if not named:
        return f"Of what was recorded on {ventings} ventings up to the end of the period, nothing stands out as a cause."
    parts = [
        f"{name_level(row)} ({row['mechanism']}; {ratio_range(row['effect'], row['low'], row['high'])} times the odds)"
        for row in named[:4]
    ]
    return f"On {ventings} ventings up to the end of the period, {join_words(parts)} {'stands' if len(named) == 1 else 'stand'} out."


def candidate_words(row: Mapping[str, Any]) -> str:
    """A candidate's place on the list before its sentence; a hint as a question."""
    chance = f"as clear by chance in {per_hundred(max(float(row['p_any']), 0.0005))} of 100 such searches where none acts"
    if float(row["p_any"]) < 0.0005:
        chance = chance.replace("chance in", "chance in under")
    if row["standing"] == "cause":
        return f"Candidate {row['rank']}, stands out ({chance}): "
    return f"Candidate {row['rank']}, a hint ({chance}). Does {name_level(row)} matter? These records can't say. "


def sheet_blanks_sentence(z: float) -> str:
    """The warning that all candidates share where the sheets' blanks go with failing."""
    side = "fuller" if z < 0 else "emptier"
    return (
        f"Sheets are {side} where a lifter was spongy, beyond chance: what was written down hangs on what was found, so a circumstance may look guilty by "
        "how sheets were filled in. Nothing that rests on such sheets is named; it is asked at most."
    )


def looked_sentence(looked: int, standing: int) -> str:
    """How many circumstances were looked at, and what that does to one that stands out."""
    if not looked:
        return "No circumstance was recorded on enough ventings to be looked at."
    chance = 1 - 0.95**looked
    return (
        f"{count(looked, 'circumstance')} {'was' if looked == 1 else 'were'} looked at and {standing if standing else 'none'} "
        f"{'stands' if standing < 2 else 'stand'} out after allowing for that; without allowing for it, about {100 * chance:.0f} in 100 such "
        "searches would show one by chance alone. Not standing out does not mean no effect."
    )


def together_sentence(first: str, second: str, pair: Mapping[str, Any] | None) -> str:
    """Two circumstances that these records can't tell apart, with the counts where both are yes/no."""
    if pair is None or pair["n_first"] == 0:
        return f"{first} and {second} went together so closely that these records can't tell them apart."
    return (
        f"We cannot separate {first} from {second}: {pair['both']} of {pair['n_first']} ventings with the first also had the second, "
        f"and {pair['only_second']} had the second alone. The records do not say which of them matters. To find out, alternate one of "
        "them on the next ventings that have the other."
    )


def need_sentence(title: str, row: Mapping[str, Any]) -> str:
    """How many ventings it would take to see the smallest effect that matters."""
    return (
        f"{title}: about {row['needed']} ventings in all ({row['more']} more) with {100 * row['share_exposed']:.0f} % of them such would show an odds "
        f"ratio of {ratio(row['matters'])} four times in five."
    )


def detect_sentence(n1: int, n0: int, share: float, found: float | None) -> str:
    """The smallest difference that these two groups could show."""
    if found is None:
        return (
            f"With {n1} and {n0} ventings no difference would be noticed four times in five, however large."
        )
    return (
        f"With {n1} and {n0} ventings we would notice only a difference as large as {100 * share:.0f} % against {100 * found:.0f} % "
        "(four times in five). A smaller but important difference may exist."
    )


def recurrence_sentence(result: Any) -> str:
    """Whether findings come back on the same engines more than chance."""
    if result.failing < 2 or result.returned == 0:
        return "Too few findings on engines that came back to ask whether they come back on the same ones."
    share = f"{100 * result.chance:.1f}" if result.chance < 0.1 else f"{100 * result.chance:.0f}"
    allowed = evidence.judge_family([result.chance], "named_causes.returning_engines")[0]
    told = {
        evidence.NAMED: "More than chance alone would bring.",
        evidence.HINT: "Do findings come back on the same engines? These records can't say.",
        evidence.NOTHING: "Chance alone could bring that.",
    }[allowed]
    return (
        f"{result.failing} ventings with a finding fell {result.repeats} times on an engine that already had one; if all engines of a site and type were alike, "
        f"{result.expected:.1f} such repeats would be expected, and as many or more would come up in {share} of 100 such fleets. {told}"
    )


def modes_sentence(counts: Any, findings: int) -> str:
    """What the findings' records fit, in one sentence."""
    fitting = counts[counts["best"] > 0].sort_values("best", ascending=False, kind="stable")
    if not findings:
        return "No lifter was over the limit in this period."
    if fitting.empty:
        return f"None of the {count(findings, 'finding')} has a record that fits one failure mode better than all others."
    parts = [
        f"{row.best} {row.name_}" for row in fitting.rename(columns={"name": "name_"}).head(4).itertuples()
    ]
    return f"Of {count(findings, 'finding')}, the record fits one mode best for {int(fitting['best'].sum())}: {join_words(parts)}."


def few_sentence(ventings: int, failing: int, scope: str) -> str:
    """What can still be said where the filter leaves next to nothing."""
    if ventings == 0:
        return f"No venting with a lifter check in {scope}: nothing can be said about causes. Widen the period or take a filter away."
    return (
        f"Only {count(ventings, 'venting')} with a lifter check in {scope}, {failing} with a finding: each is shown below, but no cause is named from so "
        "few. Widen the period or take a filter away."
    )
