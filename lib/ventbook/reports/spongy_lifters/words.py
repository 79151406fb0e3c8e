"""Sentences on candidate causes, from what the analyses of install context found."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from ventbook.document.wording import clean_text, count, join_words
from ventbook.tables import evidence


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


def together_sentence(first: str, second: str, pair: Mapping[str, Any] | None) -> str:
    """Two circumstances that these records can't tell apart, with the counts where both are yes/no."""
    if pair is None or pair["n_first"] == 0:
        return f"{first} and {second} went together so closely that these records can't tell them apart."
    return (
        f"We cannot separate {first} from {second}: {pair['both']} of {pair['n_first']} ventings with the first also had the second, "
        f"and {pair['only_second']} had the second alone. The records do not say which of them matters. That takes ventings "
        "with one and without the other, where your manual leaves both open."
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
    fell = f"{result.failing} ventings with a finding fell {result.repeats} times"
    if not result.repeats:
        fell = f"None of {result.failing} ventings with a finding fell"
    return (
        f"{fell} on an engine that already had one; if all engines of a site and type were alike, "
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
