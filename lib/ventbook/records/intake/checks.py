"""Rules across columns and tables: each looks at whole columns and adds its faults (``RULES``)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from ventbook import tables
from ventbook.records.intake.context import (
    IN_STORE,
    Context,
    Fault,
    at_own,
    group_rows,
    take_at,
    thresholds,
)
from ventbook.records.intake.keys import compare_with_store, find_other_jobs
from ventbook.records.intake.load import Loaded

GAP_STEP = 0.02  # mm; readings are taken to a few hundredths, so a smaller fall is no contradiction
Rule = Callable[[Loaded, np.ndarray, Context], list[Fault]]


def check_parents(loaded: Loaded, alive: np.ndarray, context: Context) -> list[Fault]:
    """Orphans, and rows whose parent is quarantined."""
    parent, column = "ventings", "venting_id"
    if loaded.table.name in ("ventings", "planned"):
        parent, column = "engines", "engine_id"
    if column not in loaded.rows.column_names:
        return []
    known = context.engines.index if parent == "engines" else context.ventings.index
    ids = loaded.rows.column(column)
    if not ids.num_chunks:
        return []
    encoded = ids.combine_chunks().dictionary_encode()
    names = pd.Index(encoded.dictionary.to_pylist(), dtype=object)
    missing = np.append(known.get_indexer(names) < 0, False)
    positions = np.asarray(encoded.indices.fill_null(len(names)))
    answer = _check_doubt(loaded, alive, context, names, positions) if parent == "ventings" else []
    orphan = np.flatnonzero(alive & missing[positions])
    if not len(orphan):
        return answer
    texts = [names[positions[row]] for row in orphan]
    waiting = np.array([text in context.quarantined.get(parent, ()) for text in texts])
    code = "orphan_engine" if parent == "engines" else "orphan_venting"
    for name, which in ((code, ~waiting), ("parent_held", waiting)):
        if which.any():
            answer.append(
                Fault(name, column, orphan[which], [t for t, w in zip(texts, which, strict=True) if w])
            )
    return answer


def _check_doubt(
    loaded: Loaded, alive: np.ndarray, context: Context, names: pd.Index, positions: np.ndarray
) -> list[Fault]:
    """Rows whose venting's number stands for two jobs, but for those that the store has as they are."""
    if not context.doubtful or loaded.table.name not in ("starts", "lifter_checks"):
        return []
    unsure = alive & np.append(names.isin(list(context.doubtful)), False)[positions]
    if not unsure.any():
        return []
    earlier = partial(context.earlier, loaded.table.name)
    known, _ = compare_with_store(replace(loaded, faults=[]), unsure, earlier)
    rows = np.flatnonzero(unsure & ~known)
    return _fault("parent_in_doubt", "venting_id", rows, [str(names[positions[row]]) for row in rows])


# ---- ventings ----------------------------------------------------------------------------------------------


def check_other_job(loaded: Loaded, alive: np.ndarray, context: Context) -> list[Fault]:
    return find_other_jobs(loaded, alive, context.earlier("ventings"))


def check_closing(loaded: Loaded, alive: np.ndarray, context: Context) -> list[Fault]:
    closed, date = loaded.rows.column("closed"), loaded.rows.column("date")
    early = np.flatnonzero(alive & np.asarray(pc.less(closed, date).fill_null(False)))
    each = [{"low": str(date[int(row)].as_py())} for row in early]
    return _fault("closed_before_venting", "closed", early, _texts(closed, early), each=each)


def check_trial(loaded: Loaded, alive: np.ndarray, context: Context) -> list[Fault]:
    """Two trials on one venting, and a way of working without the trial that it was drawn in."""
    trial, arm = loaded.rows.column("trial"), loaded.rows.column("trial_arm")
    if trial.null_count == loaded.count and arm.null_count == loaded.count:
        return []
    several = pc.match_substring_regex(trial, r"[,;/+&]|\band\b").fill_null(False)
    two = np.flatnonzero(alive & np.asarray(several))
    bare = np.flatnonzero(alive & np.asarray(pc.and_(pc.is_valid(arm), pc.is_null(trial))))
    return _fault("two_trials", "trial", two, _texts(trial, two)) + _fault(
        "arm_without_trial", "trial_arm", bare, _texts(arm, bare)
    )


def check_blades(loaded: Loaded, alive: np.ndarray, context: Context) -> list[Fault]:
    counted = np.asarray(pc.equal(loaded.rows.column("rotations_counted_at"), "blade").fill_null(False))
    rows = np.flatnonzero(alive & counted)
    if not len(rows):
        return []
    ids = loaded.rows.column("engine_id").take(pa.array(rows)).to_pandas()
    unknown = context.of_engine(ids, "propeller_blades").isna().to_numpy()
    return _fault("blades_unknown", "rotations_counted_at", rows[unknown], ["blade"] * int(unknown.sum()))


def check_no_rotation(loaded: Loaded, alive: np.ndarray, context: Context) -> list[Fault]:
    rows = loaded.rows
    empty = pc.or_(rows.column("lines_empty").fill_null(False), rows.column("cooler_empty").fill_null(False))
    odd = pc.and_(pc.and_(pc.equal(rows.column("rotations"), 0), rows.column("pressure_shown")), empty)
    found = np.flatnonzero(alive & np.asarray(odd.fill_null(False)))
    return _fault("too_many_rotations", "rotations", found, ["0"] * len(found))


def check_repeat_entry(loaded: Loaded, alive: np.ndarray, context: Context) -> list[Fault]:
    """Another venting of the same engine within a few days."""
    days = thresholds()["repeat_entry"]["days"]
    table, own_rows = context.venting_rows
    if table.empty:
        return []
    engine = pd.factorize(table["engine_id"])[0]
    day = table["date"].to_numpy().astype("datetime64[D]").astype(np.int64)
    order, _ = group_rows(engine, day)
    near = (np.diff(engine[order]) == 0) & (np.diff(day[order]) <= days)
    if not near.any():
        return []
    later, earlier = order[1:][near], order[:-1][near]
    row = own_rows[later]
    mine = at_own(alive, row)
    by_row = np.argsort(row[mine], kind="stable")
    rows = row[mine][by_row]
    names = table["venting_id"].take(earlier[mine][by_row]).tolist()
    return _fault("same_engine_soon", "date", rows, names, common={"n": days})


def check_remarks(loaded: Loaded, alive: np.ndarray, context: Context) -> list[Fault]:
    """Words in remarks that point to a column that is empty or says no: proposed to a person, never filled in."""
    remarks = loaded.rows.column("remarks")
    if remarks.null_count == loaded.count:
        return []
    encoded = remarks.combine_chunks().dictionary_encode()
    texts = [text.casefold() for text in encoded.dictionary.to_pylist()]
    positions = np.asarray(encoded.indices.fill_null(len(texts)))
    answer = []
    for rule in thresholds()["keyword"]:
        words = [next((word for word in rule["words"] if word in text), "") for text in texts]
        said = np.array([bool(word) for word in [*words, ""]])[positions]
        if said.any():
            shown = np.asarray(loaded.rows.column(rule["column"]).fill_null(False))
            rows = np.flatnonzero(alive & said & ~shown)
            answer += _fault("remark_says_more", rule["column"], rows, [words[positions[r]] for r in rows])
    return answer


# ---- starts ------------------------------------------------------------------------------------------------


def check_start_date(loaded: Loaded, alive: np.ndarray, context: Context) -> list[Fault]:
    started = loaded.rows.column("started_at")
    if started.null_count == loaded.count:
        return []
    venting = context.of_venting(loaded.rows.column("venting_id"), "date")
    early = (started.to_pandas().reset_index(drop=True) < venting).to_numpy(dtype=bool)
    rows = np.flatnonzero(alive & early)
    each = [{"low": str(venting[row].date())} for row in rows]
    return _fault("start_before_venting", "started_at", rows, _texts(started, rows), each=each)


def check_short_time(loaded: Loaded, alive: np.ndarray, context: Context) -> list[Fault]:
    values = loaded.numbers("time_to_pressure_s")
    shown = np.asarray(loaded.rows.column("pressure_shown").fill_null(False))
    with np.errstate(invalid="ignore"):
        rows = np.flatnonzero(alive & shown & (values < thresholds()["short_time"]["seconds"]))
    return _fault("time_too_short", "time_to_pressure", rows, [f"{values[row]:g}" for row in rows])


def check_first_start(loaded: Loaded, alive: np.ndarray, context: Context) -> list[Fault]:
    return _check_first(loaded, alive, context, ["venting_id"], "start_no", "start_number_missing")


# ---- lifter checks -----------------------------------------------------------------------------------------


def check_cylinder(loaded: Loaded, alive: np.ndarray, context: Context) -> list[Fault]:
    engine = context.of_venting(loaded.rows.column("venting_id"), "engine_id")
    count = context.of_engine(engine, "cylinders").to_numpy(dtype=float, na_value=np.nan)
    cylinder = loaded.numbers("cylinder")
    with np.errstate(invalid="ignore"):
        rows = np.flatnonzero(alive & (cylinder > count))
    each = [{"high": int(count[row])} for row in rows]
    return _fault(
        "cylinder_above_count", "cylinder", rows, [str(int(cylinder[row])) for row in rows], each=each
    )


def check_valve(loaded: Loaded, alive: np.ndarray, context: Context) -> list[Fault]:
    """Numbered valves only where a cylinder has more than one of a kind (three valves: two inlets, one exhaust)."""
    engine = context.of_venting(loaded.rows.column("venting_id"), "engine_id")
    valves = context.of_engine(engine, "valves_per_cylinder").to_numpy(dtype=float, na_value=np.nan)
    known = context.engines.index.get_indexer(pd.Index(engine.astype(object))) >= 0
    valves = np.where(np.isnan(valves), 2, valves)
    names = loaded.rows.column("valve").to_pandas().to_numpy(dtype=object)
    plain = np.isin(names.astype(str), ["inlet", "exhaust"])
    last_exhaust = names.astype(str) == "exhaust"
    fits = np.where(valves == 2, plain, np.where(valves == 4, ~plain, ~plain | last_exhaust))
    filled = pd.notna(names)
    rows = np.flatnonzero(alive & known & filled & ~fits.astype(bool))
    each = [{"n": int(valves[row])} for row in rows]
    return _fault("valve_not_on_engine", "valve", rows, [str(names[row]) for row in rows], each=each)


def check_gap_shrinks(loaded: Loaded, alive: np.ndarray, context: Context) -> list[Fault]:
    """Readings of one press in an order that no lifter has: smaller under the same force held longer, larger without it."""
    at_once, gap = loaded.numbers("gap_at_once_mm"), loaded.numbers("gap_mm")
    late, released = loaded.numbers("late_gap_mm"), loaded.numbers("gap_released_mm")
    with np.errstate(invalid="ignore"):
        eased = loaded.numbers("gap_at_once_force_N") > loaded.numbers("force_N")
        wrong = (
            ("gap_shrinks", "gap_at_once", at_once, (at_once > gap + GAP_STEP) & ~eased),
            ("late_gap_shrinks", "late_gap", late, late < gap - GAP_STEP),
            ("released_over_gap", "gap_released", released, released > gap + GAP_STEP),
        )
    faults = []
    for code, column, values, hit in wrong:
        rows = np.flatnonzero(alive & hit)
        each = [{"high": f"{gap[row]:g}"} for row in rows]
        faults += _fault(code, column, rows, [f"{values[row]:g}" for row in rows], each=each)
    return faults


def check_late_time(loaded: Loaded, alive: np.ndarray, context: Context) -> list[Fault]:
    """A late gap that can't be used, for nobody knows how late it was."""
    late, time, hold = (loaded.numbers(name) for name in ("late_gap_mm", "late_gap_time_s", "hold_s"))
    with np.errstate(invalid="ignore"):
        rows = np.flatnonzero(alive & ~np.isnan(late) & (np.isnan(time) | (time <= hold)))
    each = [{"high": "not recorded" if np.isnan(hold[row]) else f"{hold[row]:g}"} for row in rows]
    values = ["empty" if np.isnan(time[row]) else f"{time[row]:g} s" for row in rows]
    return _fault("late_gap_unused", "late_gap_time", rows, values, each=each)


def check_travel(loaded: Loaded, alive: np.ndarray, context: Context) -> list[Fault]:
    """A gap beyond what the plunger's travel, carried over by the rocker, allows."""
    gap = loaded.numbers("gap_mm")
    with np.errstate(invalid="ignore"):
        large = np.flatnonzero(alive & (gap > 1.5))
    if not len(large):
        return []
    engine = context.of_venting(loaded.rows.column("venting_id").take(pa.array(large)), "engine_id")
    types = context.of_engine(engine, "engine_type").fillna("*")
    travel = context.of_engine(engine, "plunger_travel_mm").to_numpy(dtype=float, na_value=np.nan)
    ratio = context.of_engine(engine, "rocker_ratio").to_numpy(dtype=float, na_value=np.nan)
    usual = [tables.engine_type_values(str(name)) for name in types]
    travel = np.where(np.isnan(travel), [u["plunger_travel_mm"] for u in usual], travel)
    ratio = np.where(np.isnan(ratio), [u["rocker_ratio"] for u in usual], ratio)
    most = travel * ratio * 1.1
    with np.errstate(invalid="ignore"):
        over = gap[large] > most
    each = [{"high": f"{m:.2g}"} for m in most[over]]
    return _fault("gap_over_travel", "gap", large[over], [f"{g:g}" for g in gap[large][over]], each=each)


def check_second_look(loaded: Loaded, alive: np.ndarray, context: Context) -> list[Fault]:
    """A check that has the same last run before it as the lifter's check before."""
    lifter = ["venting_id", "cylinder", "valve"]
    frame = _with_earlier(loaded, alive, context, [*lifter, "check_no", "after_start"])
    if frame.empty:
        return []
    frame = frame.sort_values([*lifter, "check_no"], kind="stable")
    before = frame.groupby(lifter, sort=False)[["check_no", "after_start"]].shift()
    same = (
        (before["after_start"] == frame["after_start"])
        & frame["after_start"].notna()
        & (frame["row"] != IN_STORE)
    )
    hit = frame[same]
    rows = hit["row"].to_numpy(dtype=np.int64)
    each = [{"low": int(low)} for low in before.loc[same, "check_no"]]
    order = np.argsort(rows)
    texts = [str(int(no)) for no in hit["check_no"]]
    return _fault(
        "second_look", "check_no", rows[order], [texts[n] for n in order], each=[each[n] for n in order]
    )


def check_first_check(loaded: Loaded, alive: np.ndarray, context: Context) -> list[Fault]:
    lifter = ["venting_id", "cylinder", "valve"]
    return _check_first(loaded, alive, context, lifter, "check_no", "check_number_missing")


def check_all_lifters(loaded: Loaded, alive: np.ndarray, context: Context) -> list[Fault]:
    """Fewer lifters in the first check than the engine has: the good ones may not have been written down."""
    frame = _with_earlier(loaded, alive, context, ["venting_id", "cylinder", "valve", "check_no"])
    first = frame[frame["check_no"] == 1].drop_duplicates(["venting_id", "cylinder", "valve"])
    if first.empty:
        return []
    seen = first.groupby("venting_id", sort=False).size()
    row = first[first["row"] != IN_STORE].groupby("venting_id", sort=False)["row"].first().astype(np.int64)
    seen = seen.reindex(row.index)
    engine = take_at(context.ventings["engine_id"], context.ventings.index.get_indexer(row.index))
    cylinders = context.of_engine(engine, "cylinders").to_numpy(dtype=float, na_value=np.nan)
    valves = context.of_engine(engine, "valves_per_cylinder").to_numpy(dtype=float, na_value=np.nan)
    has = cylinders * np.where(np.isnan(valves), 2, valves)
    with np.errstate(invalid="ignore"):
        few = seen.to_numpy() < has
    each = [{"high": int(n)} for n in has[few]]
    return _fault("lifters_missing", "cylinder", row.to_numpy()[few], [str(n) for n in seen[few]], each=each)


def check_force(loaded: Loaded, alive: np.ndarray, context: Context) -> list[Fault]:
    """Gaps without their force, or read under another force or hold than the limit's: one note a file."""
    answer = []
    force, hold = loaded.numbers("force_N"), loaded.numbers("hold_s")
    off = np.zeros(loaded.count, dtype=bool)
    for step, values in (("check_force", force), ("check_hold", hold)):
        limit = context.limits.find(step, "*", context.today.date())
        if limit is not None:
            with np.errstate(invalid="ignore"):
                off |= (values < (limit.taken_low if limit.taken_low is not None else -np.inf)) | (
                    values > (limit.taken_high if limit.taken_high is not None else np.inf)
                )
    for number in range(len(loaded.sheets)):
        own = alive & (loaded.source == number) & ~loaded.rerun
        for code, mask in (("force_not_recorded", np.isnan(force)), ("force_off_reference", off)):
            rows = np.flatnonzero(own & mask)
            if len(rows):
                answer.append(Fault(code, "force", rows, (), {"n": len(rows)}, once=True))
    return answer


RULES: dict[str, tuple[Rule, ...]] = {
    "ventings": (
        check_parents,
        check_other_job,
        check_closing,
        check_blades,
        check_no_rotation,
        check_trial,
        check_repeat_entry,
        check_remarks,
    ),
    "planned": (check_parents,),
    "starts": (check_parents, check_start_date, check_short_time, check_first_start),
    "lifter_checks": (
        check_parents,
        check_cylinder,
        check_valve,
        check_gap_shrinks,
        check_late_time,
        check_travel,
        check_second_look,
        check_first_check,
        check_all_lifters,
        check_force,
    ),
    "samples": (check_parents,),
}


def _fault(
    code: str,
    column: str,
    rows: np.ndarray,
    values: list[str],
    *,
    common: dict | None = None,
    each: list[dict] | tuple = (),
) -> list[Fault]:
    return [Fault(code, column, rows, values, common or {}, each)] if len(rows) else []


def _texts(column: pa.ChunkedArray, rows: np.ndarray) -> list[str]:
    return [str(column[int(row)].as_py()) for row in rows]


def _with_earlier(loaded: Loaded, alive: np.ndarray, context: Context, columns: list[str]) -> pd.DataFrame:
    """The columns of the rows ``alive`` (their position in ``row``) and of the store's rows (row ``IN_STORE``)
    together, the intake's winning where both have a key.
    """
    rows = np.flatnonzero(alive)
    own = loaded.rows.select(columns).take(pa.array(rows)).to_pandas()
    own["row"] = rows
    earlier = context.earlier(loaded.table.name, columns)
    if earlier is None or not earlier.num_rows:
        return own
    mine = earlier.filter(
        pc.is_in(earlier.column("venting_id"), pa.array(own["venting_id"].unique(), pa.string()))
    )
    old = mine.select(columns).to_pandas().assign(row=IN_STORE)
    key = [name for name in loaded.table.key if name in columns]
    return pd.concat([own, old], ignore_index=True).drop_duplicates(key, keep="first")


def _check_first(
    loaded: Loaded, alive: np.ndarray, context: Context, group: list[str], number: str, code: str
) -> list[Fault]:
    frame = _with_earlier(loaded, alive, context, [*group, number])
    if frame.empty:
        return []
    lowest = frame.groupby(group, sort=False)[number].transform("min")
    late = frame[(lowest > 1) & (frame[number] == lowest) & (frame["row"] != IN_STORE)]
    rows = late["row"].to_numpy(dtype=np.int64)
    return _fault(code, number, rows, [str(int(n)) for n in late[number]])
