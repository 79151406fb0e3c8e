"""What a planned venting's sheet rests on, for the desk: where the rotations go, and the past ventings most like it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ventbook.document.sequence import Blocks
from ventbook.reports.page import Page, section
from ventbook.reports.planned_venting import words
from ventbook.reports.planned_venting.ahead import NOTHING, Forecast, foresee

SIMILAR = 5


@section
def rests_on(page: Page) -> Blocks:
    """Where the rotations go by physics, how many ventings the answer rests on, and those most like it."""
    ahead = foresee(page)
    if ahead is None:
        return page.text(NOTHING)
    like = words.like_sentence(ahead.like, ahead.of_type, len(ahead.past))
    return page.text(_terms(ahead), like) + _similar(page, ahead)


def _terms(ahead: Forecast) -> str:
    row = ahead.row
    if row["expected_state"] != "primes":
        return str(row["expected_note"])
    saved = (
        f", tank pressure saves {row['expected_tank_saving']:.0f}"
        if row["expected_tank_saving"] > 0.5
        else ""
    )
    note = f" ({row['expected_note']})" if row["expected_note"] else ""
    return f"By physics: suction side {row['expected_suction']:.0f}, pressure side {row['expected_pressure_side']:.0f}{saved}{note}."


def _similar(page: Page, ahead: Forecast) -> Blocks:
    """Past ventings most like the planned one, nearest first."""
    past, row = ahead.past, ahead.row
    alike = np.zeros(len(past))
    for name, points in (
        ("engine_type", 4),
        ("reason", 2),
        ("lines_empty", 2),
        ("cooler_empty", 2),
        ("engine_id", 2),
        ("filter_new", 1),
        ("site", 1),
    ):
        if pd.notna(row[name]):
            alike += points * past[name].eq(row[name]).fillna(False).to_numpy(float)
    pressed = past["tank_overpressure_bar"].gt(0)
    if pd.notna(row["tank_overpressure_bar"]):
        alike += (pressed == (row["tank_overpressure_bar"] > 0)).to_numpy(float)
    order = np.lexsort((-past["date"].to_numpy().astype("int64"), -alike))[:SIMILAR]
    found = past.iloc[order][
        ["venting_id", "date", "site", "engine_id", "reason", "rotations_crank", "expected_rotations", "time_to_pressure_s", "lifters_over_first", "lifters_checked"]
    ]  # fmt: skip
    return page.add_table(
        "similar_ventings",
        found,
        title="Past ventings most like it",
        columns=["venting_id", "date", "site", "reason", "rotations_crank", "expected_rotations", "time_to_pressure_s", "lifters_over_first", "lifters_checked"],
    )  # fmt: skip
