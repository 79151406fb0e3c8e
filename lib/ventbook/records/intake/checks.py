"""Rules across columns and tables, and patterns over many rows of a site or file.

A rule looks at whole columns and adds its faults (``RULES``). A pattern is a note: heaped counts, days and rows that repeat, gauges
stuck at a value, columns that never vary, odd tachometers (``PATTERNS``). It doesn't say that anyone did wrong, but what stands
out and what to look at; digit preference is judged by an exact one-sided binomial test of the share of round values against
chance.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from ventbook import tables
from ventbook.model import verdicts
from ventbook.records.intake.context import (
    IN_STORE,
    MEASURED,
    Context,
    Fault,
    Pattern,
    SiteRows,
    at_own,
    group_rows,
    note_site,
    take_at,
    thresholds,
)
from ventbook.records.intake.keys import Outcome, compare_with_store, find_other_jobs
from ventbook.records.intake.load import Loaded
from ventbook.records.store import to_frame

GAP_STEP = 0.02  # mm; readings are taken to a few hundredths, so a smaller fall is no contradiction


Rule = Callable[[Loaded, np.ndarray, Context], list[Fault]]
NEEDED = (
    *("site", "date", "venting_id", "check_no", "gauge", "closed", "procedure_revision", "form_revision"),
    *("gap_mm", "time_to_pressure_s", "first_hold_speed_rpm", "extra_run_speed_rpm", *MEASURED),
)


def check_parents(loaded: Loaded, alive: np.ndarray, context: Context) -> list[Fault]:
    """Orphans, and rows whose parent is quarantined."""
    parent, column = (
        ("engines", "engine_id") if loaded.table.name in ("ventings", "planned") else ("ventings", "")
    )
    column = column or "venting_id"
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
    known, _ = compare_with_store(replace(loaded, faults=[]), unsure, context.earlier(loaded.table.name))
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
    earlier = context.earlier(loaded.table.name)
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


def copied_days(rows: SiteRows, context: Context) -> list[Fault]:
    """A day of ventings whose measured values all equal another day's."""
    rules = thresholds()["copies"]
    at, hashed = rows.measured
    if not len(at):
        return []
    site, day = rows.site[at], rows.day[at]
    order, starts = group_rows(site, day)
    # the sum of the rows' hashes is the same in any order of rows
    days = pd.DataFrame(
        {
            "site": site[order[starts]],
            "day": day[order[starts]],
            "n": np.diff(starts, append=len(order)),
            "set": np.add.reduceat(hashed[order], starts),
            "row": rows.row[at[order[starts]]],
        }
    )
    days = days[days["n"] >= rules["min_rows"]]
    answer = []
    for _, same in days[days.duplicated(["site", "set"], keep=False)].groupby(["site", "set"], sort=True):
        name, first = rows.site_names[same["site"].iloc[0]], np.datetime64(int(same["day"].iloc[0]), "D")
        for again, n, row in zip(same["day"].iloc[1:], same["n"].iloc[1:], same["row"].iloc[1:], strict=True):
            words = {"value": str(np.datetime64(int(again), "D")), "low": str(first), "n": int(n)}
            answer.append(note_site("copied_day", "date", int(row), site=name, **words))
    return answer


def copied_rows(rows: SiteRows, context: Context) -> list[Fault]:
    """The same set of measured values on several ventings of a site."""
    least = int(thresholds()["copies"]["vector_rows"])
    at, hashed = rows.measured
    ordered = np.sort(hashed)
    often = np.unique(ordered[least - 1 :][ordered[least - 1 :] == ordered[: len(ordered) - least + 1]])
    answer = []
    if len(often):
        own = np.isin(hashed, often)
        part = pd.DataFrame({"site": rows.site[at][own], "hash": hashed[own], "row": rows.row[at][own]})
        for _, same in part.groupby(["site", "hash"], sort=True):
            if len(same) >= least:
                site = rows.site_names[same["site"].iloc[0]]
                words = {"site": site, "n": len(same), "table": "ventings"}
                answer.append(note_site("copied_rows", "", int(same["row"].iloc[0]), **words))
    return answer


def stuck_gauge(rows: SiteRows, context: Context) -> list[Fault]:
    """One gauge reading the same gap on many lifters in a row, as the file has them."""
    run = thresholds()["copies"]["stuck_run"]
    frame = rows.frame
    answer = []
    part = frame[frame["gauge"].notna() & frame["gap_mm"].notna() & (frame["gap_mm"] > 0)]
    for (site, gauge), own in part.groupby(["site", "gauge"], sort=True, observed=True):
        change = (own["gap_mm"] != own["gap_mm"].shift()).cumsum()
        sizes = own.groupby(change)["gap_mm"].agg(["size", "first"])
        long = sizes[sizes["size"] >= run]
        if len(long):
            first = own[change == long.index[0]]["row"]
            words = {"value": gauge, "low": f"{long['first'].iloc[0]:g}", "n": int(long["size"].iloc[0])}
            answer.append(note_site("value_stuck", "gap", int(first.iloc[0]), site=site, **words))
    return answer


def no_spread(column: str, stored: str) -> Pattern:
    """A measured column that never varies at a site within a month (never by person)."""

    def rule(rows: SiteRows, context: Context) -> list[Fault]:
        least = thresholds()["spread"]["min_values"]
        order, starts = rows.by_month
        values = rows.numbers(stored)[order]
        count = np.add.reduceat(~np.isnan(values), starts, dtype=np.int64)
        lowest, highest = np.fmin.reduceat(values, starts), np.fmax.reduceat(values, starts)
        answer = []
        for group in np.flatnonzero((count >= least) & (lowest == highest)):
            end = starts[group + 1] if group + 1 < len(starts) else len(order)
            own = order[starts[group] : end]
            first = own[~np.isnan(rows.numbers(stored)[own])][0]
            words = {
                "value": str(rows.frame["date"].iloc[first])[:7],
                "low": f"{lowest[group]:g}",
                "n": int(count[group]),
                "site": rows.site_names[rows.site[first]],
            }
            answer.append(note_site("no_spread", column, int(rows.row[first]), **words))
        return answer

    return rule


def find_patterns(loaded: Loaded, outcome: Outcome, context: Context) -> list[Fault]:
    """All patterns of one table's good rows in this intake."""
    rules = PATTERNS.get(loaded.table.name, ())
    good = np.flatnonzero(outcome.good)
    if not rules or not len(good):
        return []
    wanted = NEEDED if loaded.table.name != "ventings" else [n for n in NEEDED if n != "venting_id"]
    columns = [name for name in wanted if name in loaded.rows.column_names]
    frame = to_frame(loaded.rows.select(columns).filter(pa.array(outcome.good)))
    frame["row"] = good
    if "site" not in frame:
        site = context.of_venting(loaded.rows.column("venting_id").take(pa.array(good)), "site")
        frame["site"] = site.to_numpy()
    if frame["site"].isna().any():
        frame = frame[frame["site"].notna()]
    if frame.empty:
        return []
    frame["site"] = pd.Categorical(frame["site"])
    rows = SiteRows(frame)
    return [fault for rule in rules for fault in rule(rows, context)]


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


# ---- heaping -----------------------------------------------------------------------------------------------


def share_p_value(hits: int, n: int, chance: float) -> float:
    """One-sided exact p that a share this high comes by chance (binomial)."""
    from scipy import special

    return float(special.bdtrc(hits - 1, n, chance)) if hits else 1.0


def heaped(column: str, stored: str, step: float, many: int) -> Pattern:
    """Values of a column that are multiples of ``many`` steps more often than chance allows, by site."""

    def rule(rows: SiteRows, context: Context) -> list[Fault]:
        limits = thresholds()["heaping"]
        answer = []
        for site, own in rows.by_site:
            values = rows.numbers(stored)[own]
            own = own[values > 0]
            if len(own) < limits["min_values"]:
                continue
            counts = np.rint(values[values > 0] / step).astype(np.int64)
            hits, n = int((counts % many == 0).sum()), len(counts)
            chance = 1 / many
            if hits / n >= chance + limits["excess"] and share_p_value(hits, n, chance) < limits["p"]:
                words = {
                    "value": "0" if many == 10 else "0 or 5",
                    "site": site,
                    "share": _percent(hits / n),
                    "expected": _percent(chance),
                    "n": n,
                }
                answer.append(note_site("heaped_values", column, int(rows.row[own[0]]), **words))
        return answer

    return rule


def at_one_value(column: str, stored: str) -> Pattern:
    """Most values of a measured column are one and the same, by site."""

    def rule(rows: SiteRows, context: Context) -> list[Fault]:
        limits = thresholds()["heaping"]
        answer = []
        for site, own in rows.by_site:
            values = rows.numbers(stored)[own]
            used = ~np.isnan(values) & (values != 0)
            own, values = own[used], values[used]
            if len(values) < limits["at_value_min_values"]:
                continue
            found, counts = np.unique(values, return_counts=True)
            share = float(counts.max() / len(values))
            if share >= limits["at_value_share"]:
                words = {
                    "value": f"{found[counts.argmax()]:g}",
                    "site": site,
                    "share": _percent(share),
                    "n": len(values),
                }
                answer.append(note_site("heaped_at_value", column, int(rows.row[own[0]]), **words))
        return answer

    return rule


def near_limit(column: str, stored: str, step: str) -> Pattern:
    """Many readings just under the limit and few just over it, by site."""

    def rule(rows: SiteRows, context: Context) -> list[Fault]:
        limit = context.limits.find(step, "*", context.today.date())
        if limit is None or limit.high is None:
            return []
        rules = thresholds()["near_limit"]
        width = limit.high * rules["width"]
        answer = []
        for site, own in rows.by_site:
            values = rows.numbers(stored)[own]
            with np.errstate(invalid="ignore"):
                under = int(((values > limit.high - width) & (values <= limit.high)).sum())
                over = int(((values > limit.high) & (values <= limit.high + width)).sum())
            if under + over < rules["min_values"]:
                continue
            if share_p_value(under, under + over, 0.5) < rules["p"]:
                words = {"value": f"{limit.high:g} {limit.unit}", "site": site, "low": under, "high": over}
                answer.append(note_site("few_above_limit", column, int(rows.row[own[0]]), **words))
        return answer

    return rule


# ---- instruments and habits --------------------------------------------------------------------------------


def speed_multiple(column: str, stored: str) -> Pattern:
    """A site whose speeds are a fixed multiple of the other sites': a tachometer's pulses, propeller for crank."""

    def rule(rows: SiteRows, context: Context) -> list[Fault]:
        rules = thresholds()["speed"]
        known = [(site, own[~np.isnan(rows.numbers(stored)[own])]) for site, own in rows.by_site]
        known = [(site, own) for site, own in known if len(own) >= rules["min_values"]]
        middle = np.array([np.median(rows.numbers(stored)[own]) for _, own in known])
        answer = []
        for n, (site, own) in enumerate(known) if len(known) >= 3 else ():
            ratio = float(middle[n]) / float(np.median(np.delete(middle, n)))
            near = [f for f in rules["factors"] if abs(ratio / f - 1) <= rules["tolerance"]]
            if near:
                words = {"value": f"{middle[n]:.0f}", "share": f"{near[0]:.2g}", "site": site}
                answer.append(note_site("speed_multiple", column, int(rows.row[own[0]]), **words))
        return answer

    return rule


def ambient_for_oil(rows: SiteRows, context: Context) -> list[Fault]:
    """Oil temperature always equal to ambient: read off the wrong thermometer, or not at all."""
    rules = thresholds()["ambient"]
    oil, ambient = rows.numbers("oil_temperature_degC"), rows.numbers("ambient_temperature_degC")
    both = ~np.isnan(oil) & ~np.isnan(ambient)
    answer = []
    for site, own in rows.by_site:
        own = own[both[own]]
        if len(own) < rules["min_values"]:
            continue
        share = float((oil[own] == ambient[own]).mean())
        if share >= rules["share"]:
            words = {"site": site, "share": _percent(share), "n": len(own)}
            answer.append(
                note_site("temperature_is_ambient", "oil_temperature", int(rows.row[own[0]]), **words)
            )
    return answer


def cold_checks(rows: SiteRows, context: Context) -> list[Fault]:
    """Lifter checks never as warm as the engine is to be after warm-up, where a limit says how warm that is."""
    limit = context.limits.find("warmup_end_oil_temperature", "*", context.today.date())
    if limit is None or limit.low is None:
        return []
    rules = thresholds()["check_temperature"]
    values = rows.numbers("oil_temperature_degC")
    answer = []
    for site, own in rows.by_site:
        own = own[~np.isnan(values[own])]
        if len(own) >= rules["min_values"] and values[own].max() < limit.low - rules["cooled"]:
            words = {"site": site, "value": f"{limit.low - rules['cooled']:g}", "n": len(own)}
            answer.append(
                note_site("check_temperature_cold", "oil_temperature", int(rows.row[own[0]]), **words)
            )
    return answer


def only_findings(rows: SiteRows, context: Context) -> list[Fault]:
    """A site and quarter where every venting has a gap over the limit: probably only findings were recorded."""
    frame = rows.frame
    limit = context.limits.find("lifter_gap", "*", context.today.date())
    if limit is None or limit.high is None:
        return []
    first = frame[frame["check_no"] == 1]
    found = pd.Series(verdicts.is_over(first["gap_mm"], limit.high), first.index)
    over = found.groupby(first["venting_id"], sort=True).any()
    where = first.drop_duplicates("venting_id").set_index("venting_id").loc[over.index]
    at = context.ventings.index.get_indexer(pd.Index(over.index.astype(object)))
    date = pd.to_datetime(context.ventings["date"].iloc[at]).to_numpy()
    table = pd.DataFrame(
        {
            "site": where["site"].to_numpy(),
            "over": over.to_numpy(),
            "row": where["row"].to_numpy(),
            "date": date,
        }
    )
    table["quarter"] = verdicts.quarters_of(table["date"])
    answer = []
    for (site, quarter), own in table.groupby(["site", "quarter"], sort=True):
        if len(own) >= thresholds()["selection"]["min_ventings"] and own["over"].all():
            words = {"site": site, "value": quarter, "n": len(own)}
            answer.append(note_site("every_job_a_finding", "gap", int(own["row"].iloc[0]), **words))
    return answer


def revisions(rows: SiteRows, context: Context) -> list[Fault]:
    """A change of the procedure's or the form's revision at a site."""
    answer = []
    for column in ("procedure_revision", "form_revision"):
        codes, names = pd.factorize(rows.frame[column])
        if len(names) < 2:
            continue
        for site, own in rows.by_site:
            own = own[codes[own] >= 0]
            own = own[np.argsort(rows.day[own], kind="stable")]
            for n in np.flatnonzero(np.diff(codes[own]))[:3]:
                before, after = own[n], own[n + 1]
                words = {
                    "low": names[codes[before]],
                    "value": names[codes[after]],
                    "high": str(np.datetime64(int(rows.day[after]), "D")),
                    "site": site,
                }
                answer.append(note_site("revision_changed", column, int(rows.row[after]), **words))
    return answer


def open_jobs(rows: SiteRows, context: Context) -> list[Fault]:
    """Jobs that were never closed: what belongs to them may still come in."""
    limit = thresholds()["open_jobs"]["days"]
    still = verdicts.is_open(rows.frame["closed"], rows.frame["site"])
    open_still = still.fillna(False).to_numpy(bool)
    today = context.today.to_datetime64().astype("datetime64[D]").astype(np.int64)
    old = open_still & (today - rows.day > limit)
    return [
        note_site("jobs_open", "closed", int(rows.row[late[0]]), site=site, n=len(late), high=limit)
        for site, own in rows.by_site
        if len(late := own[old[own]])
    ]


PATTERNS: dict[str, tuple[Pattern, ...]] = {
    "ventings": (
        heaped("rotations", "rotations", 1, 10),
        heaped("rotations", "rotations", 1, 5),
        at_one_value("rotations", "rotations"),
        copied_days,
        copied_rows,
        no_spread("oil_temperature", "oil_temperature_degC"),
        no_spread("ambient_temperature", "ambient_temperature_degC"),
        no_spread("rotations", "rotations"),
        speed_multiple("turning_speed", "turning_speed_rpm"),
        ambient_for_oil,
        revisions,
        open_jobs,
    ),
    "starts": (
        heaped("time_to_pressure", "time_to_pressure_s", 1, 5),
        at_one_value("time_to_pressure", "time_to_pressure_s"),
        near_limit("time_to_pressure", "time_to_pressure_s", "time_to_pressure"),
        speed_multiple("first_hold_speed", "first_hold_speed_rpm"),
        speed_multiple("extra_run_speed", "extra_run_speed_rpm"),
    ),
    "lifter_checks": (
        at_one_value("gap", "gap_mm"),
        near_limit("gap", "gap_mm", "lifter_gap"),
        stuck_gauge,
        cold_checks,
        only_findings,
    ),
}
