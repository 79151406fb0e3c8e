"""Recorded against expected rotations: the page as a whole, by group, and whether the physics pays."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ventbook import plots, priming, wording
from ventbook.pages.base import Page
from ventbook.pages.rotations_to_prime.counts import counted, tier_of
from ventbook.pages.show import Shown
from ventbook.plots.rotations import draw_against_expected, draw_group_ratios
from ventbook.wording import rotations as words

BAND = 0.90
GROUPS = {"site": "Site", "engine_type": "Engine type", "reason": "Reason"}
_TERMS = {
    "expected_suction": ("Suction side", "", "0"),
    "expected_tank_saving": ("Tank pressure saves", "", "0"),
    "expected_pressure_side": ("Pressure side", "", "0"),
}


def against_expected(page: Page) -> Shown:
    """Finding rotations_ratio of the page, each venting against its expectation, and every term in a table."""
    now, history = counted(page)
    ratio = priming.estimate_ratio(now, level=page.level)
    shown = page.add_finding(
        "rotations_ratio",
        ratio,
        tier=tier_of(now),
        sentence=words.ratio_sentence(ratio, f"of {page.period.label}"),
    )
    used = priming.usable_counts(now)
    scale = priming.measure_scale(history)
    given_up = ~np.isfinite(used["_high"].to_numpy())
    if len(used):
        drawn = pd.DataFrame(
            {
                "expected": used["expected_rotations"].to_numpy(float),
                "recorded": used["rotations_crank"].to_numpy(float),
                "engine_type": used["engine_type"].to_numpy(),
                "given_up": given_up,
            }
        )
        figure, ax = plots.new_figure(height=4.6)
        low, high = (
            float(np.exp(scale.middle + scale.quantile(q))) for q in (0.5 - BAND / 2, 0.5 + BAND / 2)
        )
        draw_against_expected(ax, drawn, low=low, high=high, level=BAND)
        shown += page.add_figure(
            "rotations_against_expected",
            figure,
            alt=f"Rotations recorded against rotations expected for {len(used)} ventings, both logarithmic, {int(given_up.sum())} of them given up; "
            f"the band from {low:.2f} to {high:.2f} times the expectation holds {100 * BAND:.0f} of 100 jobs.",
            caption="Above the band: more turning than lines, cooler, filter and oil explain. Arrows: turning was given up there.",
        )
    left_out = len(now) - len(used)
    note = (
        f"{wording.count(left_out, 'venting')} without a count or an expectation left out of the ratio."
        if left_out
        else ""
    )
    table = now[
        ["venting_id", "date", "site", "engine_type", "rotations_crank", "pressure_shown", "rotations_ratio",
         "expected_rotations", "expected_low", "expected_high", *_TERMS, "expected_state", "expected_note"]
    ].assign(state=now["expected_state"].str.replace("_", " "))  # fmt: skip
    return shown + page.add_table(
        "rotations_terms",
        table,
        title="Where the expected rotations go, venting by venting",
        columns={
            "venting_id": "Venting",
            "date": ("Date", "", "date"),
            "site": "Site",
            "rotations_crank": ("Recorded", "", "0"),
            "expected_rotations": ("Expected", "", "0"),
            "expected_low": ("From", "", "0"),
            "expected_high": ("To", "", "0"),
            **_TERMS,
            "state": "State",
            "expected_note": "Taken from elsewhere",
        },
        note=" ".join(
            part
            for part in (
                "Crankshaft rotations. Expected = suction side - tank pressure + pressure side.",
                note,
            )
            if part
        ),
        rows=25,
    )


def by_group(page: Page) -> Shown:
    """Findings rotations_ratio by site, engine type and reason (read in the table), with a figure."""
    now, _ = counted(page)
    rows = []
    for column, title in GROUPS.items():
        for name, part in now.groupby(now[column].astype("str"), sort=True):
            if pd.isna(name) or name == "nan":
                continue
            ratio = priming.estimate_ratio(part, level=page.level)
            said = str(name).replace("_", " ")
            page.add_finding(
                "rotations_ratio", ratio, group={column: str(name)}, tier=tier_of(part, now.groupby(column).size().tolist()),
                sentence=words.ratio_sentence(ratio, f"({title.lower()}: {said})"),
            )  # fmt: skip
            rows.append({"by": title, "group": said, **ratio.as_row()})
    columns = ["by", "group", "n", "clusters", "estimate", "low", "high", "state", "note"]
    table = pd.DataFrame(rows, columns=columns).astype({"estimate": float, "low": float, "high": float})
    figured = Shown("", "")
    if table["estimate"].notna().any():
        figure, ax = plots.new_figure(height=1.2 + 0.3 * len(table))
        figure.subplots_adjust(
            left=0.30, top=1 - 0.4 / (1.2 + 0.3 * len(table)), bottom=0.6 / (1.2 + 0.3 * len(table))
        )
        draw_group_ratios(ax, table, title="Rotations recorded over expected")
        figured = page.add_figure(
            "rotations_ratio_groups",
            figure,
            alt=f"Ratio of recorded to expected rotations with {wording.level_words(page.level)} intervals for {len(table)} groups, line at 1.",
            caption="Right of 1: more turning than the installation explains. Groups overlap: a site's mix of engine types is in its ratio only "
            "as far as the physics doesn't know it.",
        )
    columns_shown = {
        "by": "By", "group": "Group", "n": ("Ventings", "", "integer"), "clusters": ("Engines", "", "integer"),
        "estimate": ("Ratio", "", "2"), "low": ("From", "", "2"), "high": ("To", "", "2"), "note": "Note",
    }  # fmt: skip
    listed = page.add_table(
        "rotations_ratio_groups", table, title="Rotations, recorded over expected, by site, engine type and reason",
        columns=columns_shown, note="Empty: fewer than 8 shown counts or 3 engines.",
    )  # fmt: skip
    return figured + listed


def does_physics_pay(page: Page) -> Shown:
    """The fleet's multipliers, and the physics scored on engines left out against two ways that know none."""
    _, history = counted(page)
    found = priming.calibrate_fleet(history, level=page.level)
    errors = dict(
        zip(found.errors["method"].astype(str), found.errors["log_error"].astype(float), strict=True)
    )
    shown = page.text(words.calibration_sentence(found.best, errors if found.best else {}))
    shown += page.add_table(
        "fleet_multipliers", found.multipliers, title="Recorded over expected, all records of an engine type",
        columns={
            "engine_type": "Engine type", "n": ("Ventings", "", "integer"), "engines": ("Engines", "", "integer"), "estimate": ("Ratio", "", "2"),
            "low": ("From", "", "2"), "high": ("To", "", "2"), "scatter": ("Scatter of one job (log)", "", "2"), "note": "Note",
        },
        note="A ratio far from 1 for a whole engine type means that its volumes or its pump's displacement on record are not the real ones.",
    )  # fmt: skip
    names = {
        "physics": "physics with the type's ratio",
        "raw_mean": "mean of the engine type",
        "regression": "regression without physics",
    }
    return shown + page.add_table(
        "prediction_errors", found.errors.assign(way=found.errors["method"].map(names)), title="Predicting an engine that was left out",
        columns={
            "way": "By", "log_error": ("Root mean square error (log)", "", "2"), "log_score": ("Mean log score, higher is better", "", "2"),
            "n": ("Ventings", "", "integer"), "engines": ("Engines", "", "integer"),
        },
    )  # fmt: skip
