"""The sheet for the stand: safety first, what to expect and where to stop, the limits of the run-up, room to write."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd

from ventbook import tables
from ventbook.document import wording
from ventbook.document.blocks import List, Text, make_words
from ventbook.document.sequence import Blocks
from ventbook.physics import priming
from ventbook.reports.account import UNEXPLAINED, cured_sentence
from ventbook.reports.alarms import Alarm, open_alarms, warning_sentences
from ventbook.reports.page import Page, section
from ventbook.reports.planned_venting import words
from ventbook.reports.planned_venting.ahead import (
    NOTHING,
    UPCOMING_LEVEL,
    Forecast,
    expect_again,
    foresee,
    past_account,
)
from ventbook.reports.planned_venting.form import recent_gauges
from ventbook.reports.scope import cut_before
from ventbook.reports.suggestions import say_limit, say_suggestion
from ventbook.results import Estimate, no_estimate
from ventbook.statistics import causes
from ventbook.tables import evidence
from ventbook.tables.suggestions import load_suggestions

STANDS_HERE = 0.1  # of the chance: so much of it makes a named cause one of this job
#: What may be filled before turning: suggestion and column.
EMPTY = (("prefill_line", "lines_empty"), ("prefill_cooler", "cooler_empty"))
PRESSED = "tank_overpressure_bar"
WAITED = "pressurised_before_turning_s"
#: What the push that can't prime asks for, by its state.
ASKED = {
    "not_primed_by_this_push": ("prefill_line", "pressurise_tank", "raise_tank"),
    "turn_slower": ("turn_slower", "warm_oil"),
}
RUN_UP = (
    "time_to_pressure", "first_hold_speed", "first_hold", "warmup_speed", "warmup_end_oil_temperature", "extra_run_speed", "extra_run",
    "check_force", "check_hold",
)  # fmt: skip
ROOM = " ______"
ACROSS = 3
GRID = ("gap_no_force", "gap_at_once", "gap", "feel")
VALVES = {1: ("",), 2: ("inlet", "exhaust"), 4: ("inlet_1", "inlet_2", "exhaust_1", "exhaust_2")}


def title(ahead: Forecast) -> str:
    """Which venting, when, on which engine, where and why."""
    row = ahead.row
    place = [str(row[n]).replace("_", " ") for n in ("site", "engine_type", "reason") if pd.notna(row[n])]
    engine = f", engine {row['engine_id']}" if pd.notna(row["engine_id"]) else ""
    return f"Venting {row['venting_id']} planned for {row['date'].date().isoformat()}{engine}: {', '.join(place)}."


def say_rotations(page: Page, ahead: Forecast) -> tuple[list[str], list[str]]:
    """How many rotations to expect; and where to stop, and where neither helps, what would change it within the limits."""
    state = str(ahead.row["expected_state"])
    if state != "primes":
        change = words.change_sentence(_say(page, ahead, ASKED.get(state, ())))
        return [words.STATES[state]], [words.stop_sentence(ahead.stop, None, ahead.limit), change]
    r, hand = ahead.rotations, _hand(page, ahead)
    if hand[0] == "does_not_show":
        hot = words.hot_sentence(r["median"], ahead.stop, over_manual=ahead.over_manual)
        return [words.hand_sentence(*hand), hot], [words.change_sentence(_say(page, ahead, ("cool_oil",)))]
    expected = words.expected_sentence(r["median"], r["low"], r["high"], UPCOMING_LEVEL)
    if ahead.limit is not None and ahead.over_manual:
        over = words.over_manual_sentence(r["median"], r["low"], r["high"], ahead.limit, UPCOMING_LEVEL)
        return [over], _what_would_do(page, ahead)
    stop = words.stop_sentence(ahead.stop, r["stop"], ahead.limit)
    if priming.MAY_STALL in str(ahead.row["expected_note"]):
        change = words.change_sentence(_say(page, ahead, ASKED["not_primed_by_this_push"]))
        return [words.MAY_STALL, expected], [stop, change]
    return [expected, words.hand_sentence(*hand)], [stop]


def _say(page: Page, ahead: Forecast, names: tuple[str, ...]) -> list[str]:
    """Suggestions in words under the limits in force for this engine type on the day of the job; those that leave one drop out."""
    said = (
        say_suggestion(
            name,
            page.limits,
            engine_types=[str(ahead.row["engine_type"])],
            day=ahead.row["date"].date(),
            units=page.units,
        )
        for name in names
    )
    return [one.whole for one in said if one is not None]


def _what_would_do(page: Page, ahead: Forecast) -> list[str]:
    """The fewest changes, each within the limits in force, that bring the expectation to the manual's number or under it."""
    assert ahead.limit is not None
    found = page.limits.find("tank_overpressure", str(ahead.row["engine_type"]), ahead.row["date"].date())
    manual = found if found is not None and found.status == "manual" else None
    pressed = None if manual is None else manual.high if manual.low is None else manual.low
    wait = page.limits.find(
        "pressurised_before_turning", str(ahead.row["engine_type"]), ahead.row["date"].date()
    )
    waited = wait.low if wait is not None and wait.status == "manual" else None
    row, open_changes = ahead.row, []
    for name, column in EMPTY:
        if pd.isna(row[column]) or bool(row[column]):
            open_changes.append((name, column, 0.0))
    if pressed is not None and (pd.isna(row[PRESSED]) or row[PRESSED] < pressed):
        open_changes.append(("pressurise_tank", PRESSED, pressed))
    for many in range(1, len(open_changes) + 1):
        for chosen in itertools.combinations(open_changes, many):
            changed = {column: value for _, column, value in chosen}
            if PRESSED in changed and waited is not None:
                changed[WAITED] = waited  # pressure is put on for the time that the manual asks for
            median = expect_again(page, ahead, changed)
            if median is not None and median <= ahead.limit:
                said = _say(page, ahead, tuple(name for name, _, _ in chosen))
                if len(said) == many:
                    return [words.change_sentence(said), words.then_sentence(median)]
    return [words.NO_CHANGE]


def _hand(page: Page, ahead: Forecast) -> tuple[str, str, str, str]:
    """Whether a primed engine shows its threshold by hand: state, lowest and highest pressure, threshold."""
    hand = priming.cranking_pressure(ahead.row.to_frame().T).iloc[0]
    low, high, threshold = (
        wording.number(float(hand[name]), "bar", units=page.units)
        for name in ("hand_low_bar", "hand_high_bar", "hand_threshold_bar")
    )
    return str(hand["hand_state"]), low, high, threshold


def _counted(ahead: Forecast) -> str:
    """The same numbers as the propeller shows them."""
    row = ahead.row
    if row["expected_state"] != "primes" or pd.isna(row["propeller_reduction"]):
        return ""
    return words.counted_at(
        ahead.rotations["median"], ahead.stop, float(row["propeller_reduction"]), "propeller"
    )


@section
def sheet(page: Page) -> Blocks:
    """One page for the stand: safety, this engine and job, rotations and where to stop, lifters, run-up, room to write."""
    ahead = foresee(page)
    if ahead is None:
        return page.text(NOTHING)
    expected, steps = say_rotations(page, ahead)
    said = " ".join(part for part in (*expected, *steps) if part)
    _keep_findings(page, ahead, said)
    t, alarms = ahead.times, alarms_of(page, ahead)
    lines = [
        ("Rotations", " ".join(part for part in (said, _counted(ahead)) if part)),
        ("Seconds", words.times_sentence(t["median"], t["low"], t["high"], UPCOMING_LEVEL) if np.isfinite(t["median"]) else "First start: too few times on record."),
        ("Spongy lifter", words.chance_sentence(ahead.chance, ahead.base, ahead.causes)),
        *((f"Open {alarm.what}", text) for alarm, text in zip(alarms, warning_sentences(alarms), strict=True)),
        ("Which first", words.positions_sentence(ahead.positions)),
        ("Extra run", _cured(page, ahead)),
        ("Have ready", _parts(ahead)),
        *((("Less sure", words.support_sentence(ahead.beyond)),) if ahead.beyond else ()),
    ]  # fmt: skip
    table = pd.DataFrame([(name, text.strip()) for name, text in lines], columns=["what", "expect"])
    return (
        Blocks(List(tuple((Text(make_words(text)),) for text in say_safety())))
        + page.add_table("sheet", table, title=title(ahead), columns=["what", "expect"])
        + _run_up(page, ahead)
        + _room(page, ahead)
    )


def _cured(page: Page, ahead: Forecast) -> str:
    """What an extra run did, by the causes that stand at this job; of the engine type where the records tell no more."""
    account = past_account(page)
    if account is not None:
        shares = causes.chance_for(account, ahead.row).shares
        standing = [name for name, share in shares.items() if share >= STANDS_HERE and name != UNEXPLAINED]
        lifters = cut_before(page.all_lifters[["date", "venting_id", "position", "cured"]], page.today)
        if said := cured_sentence(account, lifters, [*standing, UNEXPLAINED]):
            return f"{said} Part of that a second look alone would bring."
    return words.cure_sentence(ahead.cured, ahead.runs_taken)


def alarms_of(page: Page, ahead: Forecast) -> tuple[Alarm, ...]:
    """Alarms and notes that stand on the lot to be fitted, the site and the gauges in use there."""
    lot, site = (ahead.row[name] for name in ("lifter_lot", "site"))
    named = {
        "lots": [lot] if pd.notna(lot) else [],
        "sites": [site] if pd.notna(site) else [],
        "gauges": recent_gauges(page, ahead.row) if pd.notna(site) else [],
    }
    return open_alarms(page, **named) if any(named.values()) else ()


def say_safety() -> list[str]:
    """What stands at the top of the sheet: every caution in full."""
    return [*(caution.text for caution in load_suggestions().cautions), *words.SAFETY]


def _run_up(page: Page, ahead: Forecast) -> Blocks:
    """The steps from the first start to the check with the limits in force on the day, and room for what was done."""
    nouns, rows = load_suggestions().nouns, []
    for step in RUN_UP:
        found = page.limits.find(step, str(ahead.row["engine_type"]), ahead.row["date"].date())
        manual = found is not None and found.status == "manual"
        limit = (
            say_limit(step, found, units=page.units)
            if found is not None and manual
            else "enter your manual's"
        )
        rows.append((nouns[step], limit, ROOM))
    return page.add_table(
        "run_up",
        pd.DataFrame(rows, columns=["step", "limit", "room"]),
        title="First start, run-up and check: the manual's limits in force",
        columns=["step", "limit", "room"],
    )


def _room(page: Page, ahead: Forecast) -> Blocks:
    """Room for the readings, in the order of the form's columns: the venting and the first start, then each lifter."""
    record = tables.record_tables()
    stored = {c.name: c.stored for c in record["planned"].columns}
    keys = (
        {"venting_id", "start_no", "engine_id", "date", "site", "recorded_because"}
        | set(RUN_UP)
        | {"warmup_speed_max"}
    )
    asked = [
        column.header.replace("_", " ")
        for name in ("ventings", "starts")
        for column in record[name].columns
        if column.name not in keys and (column.name not in stored or pd.isna(ahead.row[stored[column.name]]))
    ]
    filled = [f"{text}{ROOM}" for text in asked] + [""] * (-len(asked) % ACROSS)
    height = len(filled) // ACROSS
    columns = {f"write_{k + 1}": filled[k * height : (k + 1) * height] for k in range(ACROSS)}
    shown = page.add_table(
        "write_down",
        pd.DataFrame(columns),
        title="To write down, in the order of the form",
        columns=["write_1", "write_2", "write_3"],
        rows=height,
    )
    cylinders = int(ahead.row["cylinders"]) if pd.notna(ahead.row["cylinders"]) else 0
    each = int(ahead.row["valves_per_cylinder"]) if pd.notna(ahead.row["valves_per_cylinder"]) else 2
    order = str(ahead.row["feed_order"]).split("-") if pd.notna(ahead.row["feed_order"]) else []
    places = order if len(order) == cylinders else [str(k + 1) for k in range(cylinders)]
    lifters = [
        f"{place} {valve.replace('_', ' ')}".strip()
        for place in places
        for valve in VALVES.get(each, VALVES[2])
    ]
    if not lifters:
        return shown
    half = -(-len(lifters) // 2)
    room: dict[str, list[str]] = {}
    for side, own in (("", lifters[:half]), ("_2", lifters[half:])):
        empty = [""] * (half - len(own))
        room[f"lifter{side}"] = [*own, *empty]
        room |= {f"room_{name}{side}": [ROOM] * len(own) + empty for name in GRID}
    return shown + page.add_table(
        "write_lifters",
        pd.DataFrame(room),
        title="Every lifter, in feed order" if order else "Every lifter",
        columns=["lifter", "room_gap_no_force", "room_gap_at_once", "room_gap", "room_feel",
                 "lifter_2", "room_gap_no_force_2", "room_gap_at_once_2", "room_gap_2", "room_feel_2"],
        rows=half,
    )  # fmt: skip


def _keep_findings(page: Page, ahead: Forecast, said: str) -> None:
    n, engines = len(ahead.past), int(ahead.past["engine_id"].nunique())
    tier = evidence.tier(ventings=n, findings=n)
    state = "estimated" if np.isfinite(ahead.rotations["median"]) else "not_recorded"
    method = (
        "physics of this installation times the recorded ratio of its engine type, scatter of past ventings"
    )
    if state == "estimated":
        r = ahead.rotations
        middle = Estimate(r["median"], r["low"], r["high"], UPCOMING_LEVEL, "rotations", n, engines, method)
    else:
        middle = no_estimate(
            state, level=UPCOMING_LEVEL, unit="rotations", n=n, clusters=engines, method=method
        )
    stop_method = "the manual's limit in force, or where 95 in 100 past ventings like it had pressure, whichever is lower"
    if ahead.stop is None:
        stop = no_estimate(
            "not_recorded", level=0.95, unit="rotations", n=n, clusters=engines, method=stop_method
        )
    else:
        stop = Estimate(ahead.stop, None, None, 0.95, "rotations", n, engines, stop_method)
    t = ahead.times
    times = (
        Estimate(
            t["median"], t["low"], t["high"], UPCOMING_LEVEL, "s", n, engines, "past first starts like it"
        )
        if np.isfinite(t["median"])
        else no_estimate("too_few", level=UPCOMING_LEVEL, unit="s", n=n, clusters=engines)
    )
    for name, estimate, sentence in (
        ("expected_rotations", middle, said),
        ("stop_rotations", stop, said),
        ("expected_time_to_pressure", times, words.times_sentence(t["median"], t["low"], t["high"], UPCOMING_LEVEL) if times.estimate else "Too few times."),
        ("chance_spongy_lifter", ahead.chance, words.chance_sentence(ahead.chance, ahead.base, ahead.causes)),
        ("cured_share", ahead.cured, words.cure_sentence(ahead.cured, ahead.runs_taken)),
    ):  # fmt: skip
        page.add_finding(name, estimate, group=ahead.group, tier=tier, sentence=sentence)


def _parts(ahead: Forecast) -> str:
    row = ahead.row
    return words.parts_sentence(
        cylinders=int(row["cylinders"]) if pd.notna(row["cylinders"]) else 0,
        filter_new=bool(pd.notna(row["filter_new"]) and row["filter_new"]),
        plugs=bool(pd.notna(row["plugs_removed"]) and row["plugs_removed"]),
        chance=ahead.chance.estimate,
    )
