"""Ventings far beyond what their lines explain, where to stop and look, and whether pressure could show by hand."""

from __future__ import annotations

from collections.abc import Hashable
from typing import Any

import numpy as np
import pandas as pd

from ventbook import priming, wording
from ventbook.pages.base import Page
from ventbook.pages.rotations_to_prime.counts import counted
from ventbook.pages.show import Shown
from ventbook.wording import rotations as words

STOP_SHARE = 0.95


def far_longer(page: Page) -> Shown:
    """Ventings that took far longer than their lines explain, and what to check first."""
    now, _ = counted(page)
    found = find_far(page)
    sentence = page.text(words.long_sentence(len(found), len(priming.usable_counts(now))))
    table = found[
        ["venting_id", "date", "site", "engine_id", "reason", "rotations_crank", "expected_rotations", "ratio_least", "ratio_usual_most", "chance", "check_first"]
    ]  # fmt: skip
    return sentence + page.add_table(
        "rotations_far_longer",
        table.assign(reason=table["reason"].str.replace("_", " ")),
        title="Far longer than the lines explain",
        columns={
            "venting_id": "Venting",
            "date": ("Date", "", "date"),
            "site": "Site",
            "engine_id": ("Engine", "", "text"),
            "reason": "Reason",
            "rotations_crank": ("Recorded", "", "0"),
            "expected_rotations": ("Expected", "", "0"),
            "ratio_least": ("At least, times expected", "", "2"),
            "ratio_usual_most": ("99 of 100 keep under", "", "2"),
            "check_first": "Check first",
        },
        note="One in a hundred lands here with nothing wrong. Given-up counts are taken as the least they can be.",
    )


def find_far(page: Page) -> pd.DataFrame:
    """The ventings far beyond their expectation, each with what to check first."""
    now, history = counted(page)
    found = priming.find_long(now, priming.measure_scale(history))
    hand = priming.hand_pressure(found)
    rows = zip(found.to_dict("records"), hand.to_dict("records"), strict=True)
    said = [_check_first(page, row, shows) for row, shows in rows]
    return found.assign(check_first=pd.Series(said, index=found.index, dtype="str"))


def _check_first(page: Page, row: dict[Hashable, Any], hand: dict[Hashable, Any]) -> str:
    """The first of the checks that the record speaks for."""

    def says(name: str, *values: object) -> bool:
        return bool(pd.notna(row[name]) and row[name] in values)

    ratio = float(row["ratio_least"])
    for place, factor in (
        ("propeller rotations", row["propeller_reduction"]),
        ("blade passes", row["propeller_blades"]),
    ):
        if (
            pd.notna(factor)
            and factor > 1.3
            and abs(ratio / float(factor) - 1.0) < 0.15
            and not says("rotations_counted_at", "blade")
        ):
            if place == "propeller rotations" and not says("rotations_counted_at", "propeller"):
                continue
            shown = "crankshaft rotations" if place == "propeller rotations" else place
            return words.CHECK_FIRST["counted_elsewhere"].format(place=shown)
    threshold = wording.number(float(hand["hand_threshold_bar"]), "bar", units=page.units)
    tests = (
        ("too_warm", hand["hand_state"] in ("may_not_show", "does_not_show")),
        ("ran_low", says("tank_ran_low", True)),
        ("backwards", says("turned_backwards", True)),
        ("flickered", says("pressure_steady", "flickered", "lost_and_back")),
        (
            "suction_filled",
            says("lines_empty", False) and (says("cooler_empty", False) or says("cooler_volume_L", 0.0)),
        ),
        ("suction_unpressurised", says("tank_overpressure_bar", 0.0)),
        ("suction", True),
    )
    name = next(name for name, holds in tests if holds)
    return words.CHECK_FIRST[name].format(threshold=threshold)


def stop_rule(page: Page) -> Shown:
    """At how many times the expectation to stop and look, and how that fared."""
    sentence, table = rule(page)
    return page.text(
        sentence,
        "The manual's own limit on rotations goes first where it is lower; an expected number is no permission to go on past it.",
    ) + page.add_table(
        "stop_and_look",
        table,
        title="Stop and look",
        columns={
            "engine_type": "Engine type",
            "factor": ("Times the expectation", "", "2"),
            "n": ("Ventings on record", "", "integer"),
            "had_pressure": ("Had pressure by then", "share"),
        },
    )


def rule(page: Page) -> tuple[str, pd.DataFrame]:
    """The stop-and-look sentence, and by engine type the multiple of the expectation and how it fared."""
    _, history = counted(page)
    scale = priming.measure_scale(history)
    used = priming.usable_counts(history)
    reach = scale.quantile(STOP_SHARE)
    own = reach * scale.widening(priming.expectation_u_log(used))
    middle = np.log((np.exp(used["_low"]) + np.exp(used["_high"])) / 2.0) - used["_expected"]
    stop = scale.of(used["engine_type"]) + own
    held = (middle <= stop).to_numpy()
    # given up before the stop: whether pressure would have come by then isn't known
    told = np.isfinite(used["_high"].to_numpy()) | (used["_low"] - used["_expected"] >= stop).to_numpy()
    rows = []
    for name in sorted(used["engine_type"].unique()):
        mine = (used["engine_type"] == name).to_numpy()
        factor = float(np.exp(scale.of(used.loc[mine, "engine_type"])[0] + reach))
        rows.append(
            {
                "engine_type": name,
                "factor": factor,
                "n": int((mine & told).sum()),
                "had_pressure": float(held[mine & told].mean()) if (mine & told).any() else np.nan,
            }
        )
    overall = float(np.exp(scale.middle + reach))
    sentence = words.stop_sentence(
        STOP_SHARE, overall, int(held.sum()), int(told.sum()), known=scale.known, early=int((~told).sum())
    )
    return sentence, pd.DataFrame(rows, columns=["engine_type", "factor", "n", "had_pressure"])


def could_show(page: Page) -> Shown:
    """Whether ventings given up could have shown pressure by hand at all, at their oil temperature."""
    now, _ = counted(page)
    stopped = now[now["pressure_shown"].eq(False).fillna(False).astype(bool)]
    hand = priming.hand_pressure(stopped)
    blind = int(hand["hand_state"].isin(["may_not_show", "does_not_show"]).sum())
    table = pd.concat([stopped[["venting_id", "date", "site", "oil_temperature_degC"]], hand], axis=1)
    table = table.assign(state=table["hand_state"].str.replace("_", " "))
    return page.text(words.hand_sentence(blind, len(stopped))) + page.add_table(
        "could_show_by_hand",
        table,
        title="Given up: could a primed engine have shown pressure?",
        columns={
            "venting_id": "Venting",
            "date": ("Date", "", "date"),
            "site": "Site",
            "oil_temperature_degC": ("Oil", "degC"),
            "hand_pressure_bar": ("Shows when primed", "bar"),
            "hand_low_bar": ("From", "bar"),
            "hand_high_bar": ("To", "bar"),
            "hand_threshold_bar": ("Counted as shown", "bar"),
            "state": "So a primed engine",
        },
    )
