"""What the register of gauges says of readings, as the reports show it: both verdicts side by side, and what is assumed.

The register's sign: bias = reading less truth, corrected = reading less bias.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass

import pandas as pd

from ventbook.document.wording import clean_text, count, join_words, number, of_total, value_range
from ventbook.results import Estimate
from ventbook.tables import GaugeRow, Gauges
from ventbook.tables.gauges import ANY, ASSUMED, COMPARISON, KIND_WORDS
from ventbook.tables.units import System

READ_WITHIN, READ_OVER = "within as read, over as corrected", "over as read, within as corrected"
NORMAL_95 = 1.96
MOST_NAMES = 8


@dataclass(frozen=True)
class BothVerdicts:
    """Lifters judged, over the limit as read and as corrected for their gauge's bias, and those where the two differ.

    ``read_within``: within as read, over as corrected; ``read_over``: the reverse.
    """

    judged: int
    as_read: int
    as_corrected: int
    read_within: int
    read_over: int

    @property
    def differ(self) -> int:
        """Lifters whose two verdicts differ."""
        return self.read_within + self.read_over


def compare_verdicts(lifters: pd.DataFrame) -> pd.Series:
    """READ_WITHIN or READ_OVER where the first reading's two verdicts differ, else ""."""
    read, corrected = (
        lifters[f"over_first_{name}"].astype("boolean") for name in ("as_read", "as_corrected")
    )
    said = pd.Series("", index=lifters.index, dtype="str")
    said = said.mask((~read & corrected).fillna(False).to_numpy(bool), READ_WITHIN)
    return said.mask((read & ~corrected).fillna(False).to_numpy(bool), READ_OVER)


def count_both(lifters: pd.DataFrame) -> BothVerdicts:
    """Both verdicts on the first readings, counted."""
    said = compare_verdicts(lifters)
    read, corrected = (
        lifters[f"over_first_{name}"].astype("boolean") for name in ("as_read", "as_corrected")
    )
    return BothVerdicts(
        int((read.notna() & corrected.notna()).sum()),
        int(read.fillna(False).sum()),
        int(corrected.fillna(False).sum()),
        int(said.eq(READ_WITHIN).sum()),
        int(said.eq(READ_OVER).sum()),
    )


def decides_sentence(gauges: Gauges) -> str:
    """Which of the two verdicts decides, and who says so."""
    if gauges.by_correction:
        return f"The reading less its gauge's bias decides, by {clean_text(gauges.decided_by)}; the reading as it is stands beside it."
    return (
        "The reading as read decides: no manual was named that lets the corrected one decide. With the gauge's bias taken out it "
        "only warns, both ways."
    )


def both_sentence(both: BothVerdicts) -> str:
    """Both verdicts side by side."""
    if not both.judged:
        return "No reading could be held against the limit."
    head = f"As read, {of_total(both.as_read, both.judged, 'lifter')} are over the limit"
    if not both.differ:
        return f"{head}; with the gauges' biases taken out it is the same lifters."
    parts = []
    if both.read_within:
        parts.append(f"{both.read_within} within as read would be over")
    if both.read_over:
        parts.append(f"{both.read_over} over as read would be within")
    return f"{head}, with the gauges' biases taken out {both.as_corrected}: {join_words(parts)}."


def warning_sentence(both: BothVerdicts, gauges: Gauges) -> str:
    """For an answer: the verdicts that hang on a gauge's bias; empty where none does."""
    if not both.differ:
        return ""
    parts = []
    if both.read_within:
        parts.append(
            f"{count(both.read_within, 'lifter')} within as read would be over with the gauge's bias taken out"
        )
    if both.read_over:
        parts.append(f"{count(both.read_over, 'lifter')} over as read would be within")
    tail = "the corrected reading decides" if gauges.by_correction else "the reading as read decides"
    return f"Warning: {join_words(parts)}; {tail}."


def known_sentence(lifters: pd.DataFrame, gauges: Gauges) -> list[str]:
    """For how many readings the bias of the gauge is known, of which only against other gauges, and what is assumed."""
    read = lifters[lifters["gap_first_mm"].notna()]
    known = read["gauge_bias_kind"].ne(ASSUMED)
    if not len(read):
        return []

    def names(part: pd.Series) -> str:
        found = sorted({clean_text(str(g)) for g in read.loc[part, "gauge"].dropna()})
        return join_words(
            [*found[:MOST_NAMES], f"{len(found) - MOST_NAMES} more"] if len(found) > MOST_NAMES else found
        )

    if not known.any():
        said = [
            f"No gauge's bias is known: it is assumed to be 0 for all of {count(len(read), 'reading')} ({names(~known) or 'gauge not written down'})."
        ]
    else:
        said = [
            f"The bias of its gauge is known for {of_total(int(known.sum()), len(read), 'reading')} ({names(known)})"
        ]
        rest = f"; for the others it is assumed to be 0 ({names(~known) or 'gauge not written down'})"
        said[0] += "." if known.all() else f"{rest}."
    relative = read["gauge_bias_kind"].eq(COMPARISON)
    if relative.any():
        said.append(
            f"Of {names(relative)} it is known only against other gauges, which may be off themselves: {count(int(relative.sum()), 'reading')}."
        )
    strange = gauges.unknown(read["gauge"].dropna().unique()) if gauges.file else []
    strange = [name for name in strange if all(row.gauge != name for row in gauges.rows)]
    if strange:
        n = int(read["gauge"].isin(strange).sum())
        said.append(
            f"The register doesn't know {join_words(map(clean_text, strange))} ({count(n, 'reading')}): taken as assumed. "
            "ventbook gauges drafts a row."
        )
    return said


def list_in_force(gauges: Gauges, lifters: pd.DataFrame, *, day: dt.date) -> pd.DataFrame:
    """One row a gauge and period of the register that the lifters' readings fall into, and one a gauge without.

    gauge, since, until, readings, bias_mm with low and high (on ``day``, or the row's last), u_mm, kind, kind_words,
    source, made; no numbers where nothing is known.
    """
    read = lifters[lifters["gap_first_mm"].notna()]
    days = read["date"].dt.date
    out = []
    for name in sorted(read["gauge"].dropna().astype(str).unique()):
        own = days[(read["gauge"] == name).to_numpy(bool)]
        left = len(own)
        for row in (row for row in gauges.rows if row.gauge == name):
            n = int(((own >= row.first) & (own < row.end)).sum())
            left -= n
            if n:
                out.append(_describe(row, n, day))
        if left:
            out.append(_describe(gauges.find(ANY, day), left, day, name=name))
    columns = [
        "gauge",
        "since",
        "until",
        "readings",
        "bias_mm",
        "bias_low",
        "bias_high",
        "u_mm",
        "kind",
        "kind_words",
        "source",
        "made",
    ]
    table = pd.DataFrame(out, columns=columns)
    return table.astype(dict.fromkeys(("bias_mm", "bias_low", "bias_high", "u_mm"), float))


def _describe(row: GaugeRow, n: int, day: dt.date, *, name: str = "") -> tuple[object, ...]:
    at = max(row.first, min(day, row.end))
    bias, u = row.bias_on(at)
    known = row.kind != ASSUMED
    ends = (bias, bias - NORMAL_95 * u, bias + NORMAL_95 * u) if known else (None, None, None)
    days = [value.isoformat() if value else "" for value in (row.since, row.until)]
    made = row.made.isoformat() if row.made else ""
    return (
        name or row.gauge,
        *days,
        n,
        *ends,
        row.u,
        row.kind,
        KIND_WORDS[row.kind],
        clean_text(row.source, longest=400),
        made,
    )


def bias_words(row: GaugeRow, day: dt.date, *, units: System) -> str:
    """``0.108 mm high (0.101 to 0.114 mm)``, of a row whose bias is known."""
    bias, u = row.bias_on(day)
    decimals = 3 if units == "metric" else 4
    low, high = bias - NORMAL_95 * u, bias + NORMAL_95 * u
    if low <= 0 <= high:
        return f"no bias beyond {value_range(low, high, 'mm', units=units, decimals=decimals)}"
    near, far = sorted((abs(low), abs(high)))
    size = number(abs(bias), "mm", units=units, decimals=decimals)
    return f"{size} {'high' if bias > 0 else 'low'} ({value_range(near, far, 'mm', units=units, decimals=decimals)})"


def told_sentence(row: GaugeRow, day: dt.date, *, units: System) -> str:
    """What is known of a gauge, from what and of which day."""
    made = f", {row.made.isoformat()}" if row.made else ""
    return f"{clean_text(row.gauge)} reads {bias_words(row, day, units=units)} by {KIND_WORDS[row.kind]} ({clean_text(row.source)}{made})."


def find_told(gauges: Gauges, name: str, day: dt.date) -> GaugeRow | None:
    """The row of a gauge whose bias is known that day; None where nothing was done to know it."""
    row = gauges.find(name, day)
    return row if row.gauge == name and row.kind != ASSUMED else None


def agrees_with(row: GaugeRow, shift: Estimate, day: dt.date, *, least: float) -> bool:
    """Whether a difference seen in routine use is no other than the known bias: within their ranges, or by under ``least`` mm."""
    bias, u = row.bias_on(day)
    if shift.estimate is None or shift.low is None or shift.high is None:
        return True
    reach = math.hypot(NORMAL_95 * u, (shift.high - shift.low) / 2)
    return abs(shift.estimate - bias) <= max(reach, least)
