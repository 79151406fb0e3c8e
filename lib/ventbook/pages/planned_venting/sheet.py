"""The sheet: one page to take to the engine."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ventbook import evidence, priming, wording
from ventbook.pages.base import Page
from ventbook.pages.planned_venting.ahead import LEVEL, Forecast, foresee, limit_of
from ventbook.pages.planned_venting.chance import fit_chance
from ventbook.pages.planned_venting.forecast import off_support, predict_rotations
from ventbook.pages.planned_venting.plan import planned_rows
from ventbook.pages.show import Shown
from ventbook.results import Estimate, no_estimate
from ventbook.wording import planned as words

SIMILAR = 5
NOTHING = "No venting is planned from the records' date on. Hand in a table of planned ventings, or enter one by the plan_ parameters."


def answer(page: Page) -> Shown:
    """Which venting, how many rotations, and the odds of a spongy lifter."""
    ahead = foresee(page)
    if ahead is None:
        return page.answer(NOTHING)
    return page.answer(
        _title(ahead), _rotations(ahead), words.chance_sentence(ahead.chance, ahead.base, ahead.chance.n)
    )


def _title(ahead: Forecast) -> str:
    row = ahead.row
    place = [str(row[n]).replace("_", " ") for n in ("site", "engine_type", "reason") if pd.notna(row[n])]
    engine = f", engine {row['engine_id']}" if pd.notna(row["engine_id"]) else ""
    return f"Venting {row['venting_id']} planned for {row['date'].date().isoformat()}{engine}: {', '.join(place)}."


def _rotations(ahead: Forecast) -> str:
    state = str(ahead.row["expected_state"])
    if state != "primes":
        return words.STATES[state]
    r = ahead.rotations
    return words.rotations_sentence(
        r["median"], r["low"], r["high"], r["stop"], LEVEL, ahead.limit, placeholder=ahead.placeholder
    )


def sheet(page: Page) -> Shown:
    """What to expect, which lifters, what to have ready, similar ventings and the safety words, on one page."""
    ahead = foresee(page)
    if ahead is None:
        return page.text(NOTHING)
    _keep_findings(page, ahead)
    t = ahead.times
    lines = [
        ("Rotations", " ".join(part for part in (_rotations(ahead), *_count_and_limit(page, ahead)) if part)),
        ("Where they go", _terms(ahead)),
        ("Seconds", words.times_sentence(t["median"], t["low"], t["high"], LEVEL) if np.isfinite(t["median"]) else "First start: too few times on record."),
        ("Spongy lifter", words.chance_sentence(ahead.chance, ahead.base, ahead.chance.n)),
        ("Which first", words.positions_sentence(ahead.positions)),
        ("Extra run", words.cure_sentence(ahead.cured, ahead.runs_taken)),
        ("Have ready", _parts(ahead)),
        ("Rests on", " ".join(p for p in (words.like_sentence(ahead.like, ahead.of_type, len(ahead.past)), words.support_sentence(ahead.beyond)) if p)),
        *((f"Safety {k}", text) for k, text in enumerate(words.SAFETY, 1)),
    ]  # fmt: skip
    table = pd.DataFrame([(name, text.strip()) for name, text in lines], columns=["what", "expect"])
    return page.add_table(
        "sheet",
        table,
        title=_title(ahead),
        columns={"what": "What", "expect": ("What to expect", "", "text")},
    ) + _similar(page, ahead)


def _keep_findings(page: Page, ahead: Forecast) -> None:
    n, engines = len(ahead.past), int(ahead.past["engine_id"].nunique())
    tier = evidence.tier(ventings=n, findings=n)
    state = "estimated" if np.isfinite(ahead.rotations["median"]) else "not_recorded"
    method = (
        "physics of this installation times the recorded ratio of its engine type, scatter of past ventings"
    )
    if state == "estimated":
        r = ahead.rotations
        middle = Estimate(r["median"], r["low"], r["high"], LEVEL, "rotations", n, engines, method)
        stop = Estimate(
            ahead.stop,
            None,
            None,
            0.95,
            "rotations",
            n,
            engines,
            "95 in 100 past ventings like it had pressure by then, or the limit in force where lower",
        )
    else:
        middle = stop = no_estimate(
            state, level=LEVEL, unit="rotations", n=n, clusters=engines, method=method
        )
    t = ahead.times
    times = (
        Estimate(t["median"], t["low"], t["high"], LEVEL, "s", n, engines, "past first starts like it")
        if np.isfinite(t["median"])
        else no_estimate("too_few", level=LEVEL, unit="s", n=n, clusters=engines)
    )
    for name, estimate, sentence in (
        ("expected_rotations", middle, _rotations(ahead)),
        ("stop_rotations", stop, _rotations(ahead)),
        ("expected_time_to_pressure", times, words.times_sentence(t["median"], t["low"], t["high"], LEVEL) if times.estimate else "Too few times."),
        ("chance_spongy_lifter", ahead.chance, words.chance_sentence(ahead.chance, ahead.base, ahead.chance.n)),
        ("cured_share", ahead.cured, words.cure_sentence(ahead.cured, ahead.runs_taken)),
    ):  # fmt: skip
        page.add_finding(name, estimate, group=ahead.group, tier=tier, sentence=sentence)


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


def _count_and_limit(page: Page, ahead: Forecast) -> list[str]:
    """The same numbers as the propeller shows them, the limit in force, and whether warm oil hides the pressure."""
    row = ahead.row
    if row["expected_state"] != "primes":
        return []
    reduction = float(row["propeller_reduction"]) if pd.notna(row["propeller_reduction"]) else 1.0
    hand = priming.hand_pressure(ahead.row.to_frame().T).iloc[0]
    bars = [
        wording.number(float(hand[name]), "bar", units=page.units)
        for name in ("hand_low_bar", "hand_high_bar", "hand_threshold_bar")
    ]
    return [
        words.counted_at(ahead.rotations["median"], ahead.stop, reduction, "propeller"),
        words.limit_sentence(ahead.limit, ahead.stop, placeholder=ahead.placeholder),
        words.hand_sentence(str(hand["hand_state"]), *bars),
    ]


def _parts(ahead: Forecast) -> str:
    row = ahead.row
    return words.parts_sentence(
        cylinders=int(row["cylinders"]) if pd.notna(row["cylinders"]) else 0,
        filter_new=bool(pd.notna(row["filter_new"]) and row["filter_new"]),
        plugs=bool(pd.notna(row["plugs_removed"]) and row["plugs_removed"]),
        chance=ahead.chance.estimate,
    )


def _similar(page: Page, ahead: Forecast) -> Shown:
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
        found.assign(reason=found["reason"].str.replace("_", " ")),
        title="Past ventings most like it",
        columns={
            "venting_id": "Venting", "date": ("Date", "", "date"), "site": "Site", "reason": "Reason", "rotations_crank": ("Rotations", "", "0"),
            "expected_rotations": ("By physics", "", "0"), "time_to_pressure_s": ("Pressure after", "s"), "lifters_over_first": ("Spongy", "", "integer"),
            "lifters_checked": ("Checked", "", "integer"),
        },
    )  # fmt: skip


def next_ventings(page: Page) -> Shown:
    """All planned ventings, one line each."""
    rows = planned_rows(page)
    if rows.empty:
        return page.text(NOTHING)
    past = page.all_jobs[page.all_jobs["date"] < pd.Timestamp(page.today)]
    model = fit_chance(past)
    table = (
        rows.join(predict_rotations(past, rows, level=LEVEL))
        if len(past)
        else rows.assign(median=np.nan, low=np.nan, high=np.nan, stop=np.nan)
    )
    most = [limit_of(page, row)[0] for _, row in rows.iterrows()]
    table = table.assign(
        stop=np.fmin(table["stop"], np.array([np.nan if m is None else m for m in most])),
        chance=model.predict(rows) if model else np.nan,
        beyond=[wording.join_words(s) for s in off_support(past, rows)],
    )
    columns = [
        "venting_id",
        "date",
        "site",
        "engine_id",
        "engine_type",
        "median",
        "low",
        "high",
        "stop",
        "chance",
        "expected_state",
        "beyond",
    ]
    return page.add_table(
        "planned", table[columns].assign(state=table["expected_state"].str.replace("_", " ")), title="All planned ventings",
        columns={
            "venting_id": "Venting", "date": ("Date", "", "date"), "site": "Site", "engine_type": "Engine type", "median": ("Rotations", "", "0"),
            "low": ("From", "", "0"), "high": ("To", "", "0"), "stop": ("Stop and look", "", "0"), "chance": ("A spongy lifter", "share"),
            "state": "State", "beyond": "Beyond the record",
        },
    )  # fmt: skip
