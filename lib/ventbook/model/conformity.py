"""Each recorded step of a venting (a start, a check) held against the limit in force on its date for its engine type.

A reading is within, outside, near the limit, not comparable, not recorded, without a limit, or a fact. Here are the recorded
steps with value, interval and source, their verdicts, and what these come to by group, by venting and today. A verdict says
nothing about release: it compares a record with a manual's limit, or with a placeholder, and says with which.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from ventbook.model import verdicts
from ventbook.model.intervals import time_interval
from ventbook.model.lifters import choose_limits
from ventbook.numerics import find_places
from ventbook.records.store import Records
from ventbook.tables import Limit, Limits, load_steps

VERDICTS = ("within", "outside", "near_limit", "not_comparable", "not_recorded", "no_limit", "fact")
JUDGED = ("within", "outside", "near_limit")
COLUMNS = (
    "venting_id", "step", "item", "value", "low", "high", "unit", "comparable", "near", "source", "note",
)  # fmt: skip
READ = {
    "starts": ("venting_id", "start_no", "extra_run_speed_rpm", "extra_run_s"),
    "lifter_checks": ("venting_id", "check_no", "force_N", "hold_s"),
    "lifters": (
        "venting_id",
        "position",
        "gap_last_mm",
        "gap_last_corrected_mm",
        "comparable_last",
        "near_limit_last",
        "limit_mm",
    ),
}
"""What is read of each table besides the ventings' own."""
Rows = npt.NDArray[np.intp]
PART = 50_000  # ventings whose verdicts are held at once
CONTEXT = ("engine_id", "engine_type", "site", "date", "quarter")
REPORT_COLUMNS = (
    "venting_id",
    *CONTEXT,
    "step",
    "item",
    "value",
    "unit",
    "limit_low",
    "limit_high",
    "verdict",
    "margin",
    "status",
    "revision",
    "source",
    "limit_source",
    "note",
)


def judge(readings: pd.DataFrame) -> pd.DataFrame:
    """Verdict and margin of each reading.

    ``readings`` carries value; low and high (what the reading stands for: (low, high]; NaN for a reading taken as
    exact); limit_low and limit_high (NaN: open); comparable (False: taken at another force or hold); near (True: the
    gauge cannot tell the reading from its limit).
    A value on a limit is within it. Where the reading is an interval it is within when all of it is, outside when
    none of it is, else near_limit. The margin is the distance from the value to the nearer limit in the reading's
    unit, positive inside and negative outside; NaN without value or limit.

    A fact (``fact`` in ``data/steps.toml``: turned backwards, ...) is "fact" where no limit makes it "outside": it needs no
    limit to be listed, and no limit makes it within. ``readings`` carries step for that.

    Returns verdict (one of VERDICTS) and margin, on the same index.
    """
    value = readings["value"].astype(float)
    floor = readings["limit_low"].astype(float).fillna(-np.inf)
    ceiling = readings["limit_high"].astype(float).fillna(np.inf)
    exact = readings["low"].isna() | readings["high"].isna()
    low, high = readings["low"].astype(float), readings["high"].astype(float)
    inside = ((value >= floor) & (value <= ceiling)).where(exact, (low >= floor) & (high <= ceiling))
    # (low, high] lies over the ceiling when low does not fall short of it, under the floor when high does.
    beyond = ((value < floor) | (value > ceiling)).where(exact, (high < floor) | (low >= ceiling))
    no_limit = np.isinf(floor) & np.isinf(ceiling)
    verdict = np.select(
        [
            value.isna(),
            no_limit,
            ~readings["comparable"].fillna(True).astype(bool),
            readings["near"].fillna(False).astype(bool),
            inside,
            beyond,
        ],
        [
            VERDICTS.index(name)
            for name in ("not_recorded", "no_limit", "not_comparable", "near_limit", "within", "outside")
        ],
        VERDICTS.index("near_limit"),
    )
    verdict = np.where(
        find_facts(readings) & (verdict != VERDICTS.index("outside")), VERDICTS.index("fact"), verdict
    )
    margin = (value - floor).clip(upper=ceiling - value)
    margin = margin.where(np.isfinite(margin))
    return pd.DataFrame(
        {"verdict": pd.array(VERDICTS, dtype="str").take(verdict), "margin": margin}, readings.index
    )


def find_facts(readings: pd.DataFrame) -> pd.Series:
    """Which readings (step, value) are facts to be listed for every shop, whatever its limits."""
    kinds = readings["step"].map({name: step.fact for name, step in load_steps().items()}).fillna("")
    value = readings["value"].astype(float)
    return (
        (kinds.eq("yes") & value.eq(1)) | (kinds.eq("no") & value.eq(0)) | (kinds.eq("some") & value.gt(0))
    ).astype(bool)


def collect_readings(
    records: dict[str, pd.DataFrame], jobs: pd.DataFrame, lifters: pd.DataFrame, *, limits: Limits
) -> pd.DataFrame:
    """All readings of all steps that apply, with the columns COLUMNS.

    A step that does not apply (return flow without a turbocharger, time under pressure where the tank was not
    pressurised) has no row; one that applies and was not written down has a row without value.
    """
    parts = [collect(jobs) for collect in _OF_A_VENTING]
    parts += [_list_extra_runs(records["starts"]), _list_checks(records["lifter_checks"], jobs, limits)]
    parts.append(_list_last_gaps(jobs, lifters))
    return pd.concat(parts, ignore_index=True)


def _rows(
    frame: pd.DataFrame,
    step: str,
    value: pd.Series,
    unit: str,
    *,
    where: pd.Series | None = None,
    low: pd.Series | None = None,
    high: pd.Series | None = None,
    comparable: pd.Series | bool = True,
    near: pd.Series | bool = False,
    source: pd.Series | str = "record",
    item: pd.Series | str = "",
    note: pd.Series | str = "",
) -> pd.DataFrame:
    table = pd.DataFrame(
        {
            "venting_id": frame["venting_id"],
            "step": step,
            "item": item,
            "value": value.astype(float),
            "low": np.nan if low is None else low.astype(float),
            "high": np.nan if high is None else high.astype(float),
            "unit": unit,
            "comparable": comparable,
            "near": near,
            "source": source,
            "note": note,
        },
        index=frame.index,
    )
    table["source"] = table["source"].where(table["value"].notna(), "")
    return table if where is None else table[where.fillna(False).astype(bool)]


def _yes(values: pd.Series) -> pd.Series:
    """Yes and no as 1 and 0, NaN where not recorded."""
    return values.astype("Float64").astype(float)


def _trace(jobs: pd.DataFrame, name: str, ok: str) -> pd.Series:
    """A trace's feature where the trace can be trusted for it, NaN elsewhere."""
    if name not in jobs or ok not in jobs:
        return pd.Series(np.nan, index=jobs.index)
    return jobs[name].astype(float).where(jobs[ok].fillna(False).astype(bool))


def _prefer_trace(trace: pd.Series, record: pd.Series) -> tuple[pd.Series, pd.Series]:
    source = pd.Series("record", index=record.index, dtype="str").mask(trace.notna(), "trace")
    return trace.where(trace.notna(), record.astype(float)), source


def _list_tank(jobs: pd.DataFrame) -> pd.DataFrame:
    pressure = jobs["tank_overpressure_bar"]
    # Not recorded at all is one fault, not three: the two steps that hang on it have no row then.
    empty = _either(jobs["lines_empty"], jobs["cooler_empty"])
    pressed = pressure > 0
    return pd.concat(
        [
            _rows(jobs, "tank_overpressure", pressure, "bar", where=pressed | pressure.isna()),
            _rows(jobs, "tank_overpressure_when_empty", pressure, "bar", where=empty & pressure.notna()),
            _rows(
                jobs, "pressurised_before_turning", jobs["pressurised_before_turning_s"], "s", where=pressed
            ),
        ]
    )


def _either(a: pd.Series, b: pd.Series) -> pd.Series:
    return (a.fillna(False) | b.fillna(False)).astype(bool)


def _list_turning(jobs: pd.DataFrame) -> pd.DataFrame:
    speed = jobs["turning_speed_rpm"] * jobs["rotations_per_count"]
    by_hand = jobs["turned_by"].eq("hand")
    made, source = _prefer_trace(
        _trace(jobs, "trace_turning_rotations_to_pressure", "trace_turning_ok_rotations"),
        jobs["rotations_crank"],
    )
    return pd.concat(
        [
            _rows(jobs, "plugs_removed", _yes(jobs["plugs_removed"]), "1"),
            _rows(jobs, "turning_speed", speed, "rpm", where=by_hand),
            _rows(jobs, "rotations_max", made, "1", source=source),
            _rows(
                jobs,
                "pressure_threshold",
                jobs["pressure_threshold_bar"],
                "bar",
                where=jobs["pressure_shown"].fillna(False),
            ),
            _rows(jobs, "pressure_shown_turning", _yes(jobs["pressure_shown"]), "1"),
            _rows(jobs, "turned_backwards", _yes(jobs["turned_backwards"]), "1"),
            _rows(jobs, "tank_ran_low", _yes(jobs["tank_ran_low"]), "1"),
        ]
    )


def _list_first_start(jobs: pd.DataFrame) -> pd.DataFrame:
    started = jobs["start_pressure_shown"].notna() | jobs["time_to_pressure_s"].notna()
    given_up = ~jobs["start_pressure_shown"].fillna(True).astype(bool)
    note = pd.Series("", index=jobs.index).mask(given_up, "shut down without pressure")
    low, high = jobs["time_low_s"], jobs["time_high_s"]
    turbo = jobs["turbocharged"].fillna(False).astype(bool) & started & ~given_up
    flow_low, flow_high = time_interval(
        jobs["return_flow_time_s"], jobs["return_flow_seen"], jobs["reading_step_s"]
    )
    seen = _yes(jobs["return_flow_seen"])
    return pd.concat(
        [
            _rows(
                jobs,
                "time_to_pressure",
                jobs["time_to_pressure_s"].where(low.notna()),
                "s",
                low=low,
                high=high,
                source=jobs["time_source"],
                note=note,
            ),
            _rows(jobs, "return_flow_seen", seen, "1", where=turbo),
            _rows(
                jobs,
                "return_flow_time",
                jobs["return_flow_time_s"].where(flow_low.notna()),
                "s",
                where=turbo,
                low=flow_low,
                high=flow_high,
                note=pd.Series("", index=jobs.index).mask(seen.eq(0), "not seen until then"),
            ),
        ]
    )


def _list_warm_up(jobs: pd.DataFrame) -> pd.DataFrame:
    ran = jobs["start_pressure_shown"].fillna(False).astype(bool)
    hold, hold_source = _prefer_trace(
        _trace(jobs, "trace_seconds_first_hold", "trace_ok_speed"), jobs["first_hold_s"]
    )
    top, top_source = _prefer_trace(
        _trace(jobs, "trace_speed_max_cold_rpm", "trace_ok_speed"), jobs["warmup_speed_max_rpm"]
    )
    warm, warm_source = _prefer_trace(
        _trace(jobs, "trace_temperature_end_degC", "trace_ok_speed"), jobs["warmup_end_oil_temperature_degC"]
    )
    return pd.concat(
        [
            _rows(jobs, "first_hold_speed", jobs["first_hold_speed_rpm"], "rpm", where=ran),
            _rows(jobs, "first_hold", hold, "s", where=ran, source=hold_source),
            _rows(jobs, "warmup_speed", top, "rpm", where=ran, source=top_source),
            _rows(jobs, "warmup_end_oil_temperature", warm, "degC", where=ran, source=warm_source),
        ]
    )


def _list_after_check(jobs: pd.DataFrame) -> pd.DataFrame:
    checked = jobs["lifters_checked"].fillna(0).astype(float)
    share = (checked / jobs["lifters_fitted"].astype(float)).where(checked > 0)
    note = checked.astype(int).astype(str) + " of " + jobs["lifters_fitted"].astype("Int64").astype(str)
    failed = jobs["failed_first"].fillna(False).astype(bool)
    runs = (jobs["extra_runs"].fillna(0) > 0).astype(float)
    still_over = _yes(verdicts.is_open_finding(jobs["failed_last"], jobs["closed"]))
    return pd.concat(
        [
            _rows(jobs, "all_lifters_checked", share, "1", note=note),
            _rows(jobs, "extra_run_after_finding", runs, "1", where=failed),
            _rows(
                jobs,
                "open_finding_at_release",
                jobs["lifters_over_last"].astype(float).where(still_over.notna()),
                "1",
                where=jobs["closed"].notna() & (checked > 0),
            ),
        ]
    )


_OF_A_VENTING: tuple[Callable[[pd.DataFrame], pd.DataFrame], ...] = (
    _list_tank,
    _list_turning,
    _list_first_start,
    _list_warm_up,
    _list_after_check,
)


def _list_extra_runs(starts: pd.DataFrame) -> pd.DataFrame:
    run = starts["extra_run_s"].notna() | starts["extra_run_speed_rpm"].notna()
    item = "start " + starts["start_no"].astype(str)
    return pd.concat(
        [
            _rows(starts, "extra_run_speed", starts["extra_run_speed_rpm"], "rpm", where=run, item=item),
            _rows(starts, "extra_run", starts["extra_run_s"], "s", where=run, item=item),
        ]
    )


def _list_checks(checks: pd.DataFrame, jobs: pd.DataFrame, limits: Limits) -> pd.DataFrame:
    """Force and hold of each check of ``jobs``: the reading with the least margin speaks for the check."""
    place = find_places(checks["venting_id"], jobs["venting_id"])
    code, numbers = pd.factorize(checks["check_no"])
    check = place * len(numbers) + code
    parts = []
    for step, column, unit in (("check_force", "force_N", "N"), ("check_hold", "hold_s", "s")):
        limit = limits.frame(step, jobs["engine_type"], jobs["date"])
        low, high = limit["low"].fillna(-np.inf).to_numpy(), limit["high"].fillna(np.inf).to_numpy()
        value = checks[column].to_numpy(float)
        margin = np.minimum(value - low[place], high[place] - value)
        # A missing reading ranks last: a check with any reading off its limit is judged by that reading.
        order = np.lexsort((margin, check))
        begins = np.flatnonzero(np.diff(check[order], prepend=-1))
        size = np.diff(begins, append=len(order))
        read = np.add.reduceat(~np.isnan(value[order]), begins, dtype=int)
        note = [
            f"{n} of {m} lifters with a reading" if n < m else "" for m, n in zip(size, read, strict=True)
        ]
        worst = checks[["venting_id", "check_no", column]].take(order[begins])
        item = "check " + worst["check_no"].astype(str)
        parts.append(
            _rows(worst, step, worst[column], unit, item=item, note=pd.Series(note, worst.index, dtype="str"))
        )
    return pd.concat(parts)


def _list_last_gaps(jobs: pd.DataFrame, lifters: pd.DataFrame) -> pd.DataFrame:
    """The worst lifter of each venting at its last check."""
    gap = lifters["gap_last_corrected_mm"]
    # A light press that shows no finding says nothing: it ranks over any lifter that is within.
    rank = gap.where(lifters["comparable_last"].fillna(True).astype(bool), lifters["limit_mm"] - 1e-9)
    order = lifters.assign(rank=rank.fillna(-1.0)).sort_values(["venting_id", "rank"], kind="stable")
    worst = order.drop_duplicates("venting_id", keep="last").set_index("venting_id")
    table = worst.reindex(jobs["venting_id"]).reset_index()
    value = table["gap_last_corrected_mm"]
    over = jobs["lifters_over_last"].astype(float).to_numpy()
    note = pd.Series([f"{n:.0f} lifters over" if n > 1 else "" for n in over], index=table.index)
    corrected = value.ne(table["gap_last_mm"]) & value.notna()
    note = note.mask(
        corrected, note.str.cat(["corrected to the limit's force and hold"] * len(note), sep=" ").str.strip()
    )
    return _rows(
        table,
        "gap_at_last_check",
        value,
        "mm",
        near=table["near_limit_last"].fillna(False).astype(bool),
        comparable=table["comparable_last"].fillna(True).astype(bool),
        item=table["position"].fillna(""),
        note=note,
    )


def take_read(records: Mapping[str, pd.DataFrame], lifters: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """The columns READ of the record tables and of the lifter table, by name."""
    take = records.take if isinstance(records, Records) else lambda name, read: records[name][list(read)]
    found = {name: take(name, read) for name, read in READ.items() if name != "lifters"}
    return {**found, "lifters": lifters[list(READ["lifters"])]}


def check_steps(
    records: Mapping[str, pd.DataFrame],
    jobs: pd.DataFrame,
    lifters: pd.DataFrame,
    *,
    limits: Limits | None = None,
) -> pd.DataFrame:
    """Every step that applies to every venting of ``jobs``, against the limit in force on its date.

    ``records`` are the record tables (starts and lifter_checks are read), ``jobs`` and ``lifters`` the two analysis
    tables, which may be filtered; ``limits`` default to those beside the store that the records were read from.

    Returns the columns COLUMNS, in the order of ``jobs`` and of the steps. ``verdict``: within, outside,
    near_limit (the reading can't be told from the limit), not_comparable (taken at another force or hold than the
    limit's), not_recorded, no_limit (none was entered), fact (needs no limit: see ``fact`` in ``data/steps.toml``).
    ``status`` is "manual" with its ``revision``, "placeholder", or "" without limit. ``source`` is record, stopwatch or trace. ``margin`` is in the
    reading's unit, negative outside.
    """
    return next(check_in_parts(records, jobs, lifters, limits=limits, ventings=max(len(jobs), 1)))


def check_in_parts(
    records: Mapping[str, pd.DataFrame],
    jobs: pd.DataFrame,
    lifters: pd.DataFrame,
    *,
    limits: Limits | None = None,
    ventings: int = PART,
) -> Iterator[pd.DataFrame]:
    """The frame of :func:`check_steps` in parts of at most so many ventings, in the order of ``jobs``.

    A venting has some twenty rows: whoever only counts them holds one part at a time.
    """
    limits = choose_limits(records, limits)
    parts = take_read(records, lifters)
    places = {name: find_places(part["venting_id"], jobs["venting_id"]) for name, part in parts.items()}
    orders = {name: np.argsort(at, kind="stable") for name, at in places.items()}
    for begin in range(0, max(len(jobs), 1), ventings):
        mine = {}
        for name, order in orders.items():
            first, end = np.searchsorted(places[name], [begin, begin + ventings], sorter=order)
            mine[name] = parts[name].take(np.sort(order[first:end]))
        yield _check_part(mine, jobs.iloc[begin : begin + ventings], limits)


def _check_part(mine: dict[str, pd.DataFrame], jobs: pd.DataFrame, limits: Limits) -> pd.DataFrame:
    known = jobs["venting_id"]
    readings = collect_readings(mine, jobs, mine["lifters"], limits=limits)
    place = find_places(readings["venting_id"], known)
    step, found = pd.factorize(readings["step"])
    names = [str(name) for name in found]
    rank = np.array([list(load_steps()).index(name) for name in names], dtype=int)[step]
    order = np.lexsort((pd.factorize(readings["item"], sort=True)[0], rank, place))
    place, step = place[order], step[order]
    columns: dict[str, Any] = {name: jobs[name].array.take(place) for name in ("venting_id", *CONTEXT)}
    columns["step"] = pd.array(names, dtype="str").take(step)
    columns |= {name: readings[name].array.take(order) for name in map(str, readings) if name not in columns}
    del readings
    columns |= _find_limits(jobs, place, step, names, limits)
    table = pd.DataFrame(columns, copy=False)
    return table.assign(**judge(table))[list(REPORT_COLUMNS)]


def _find_limits(
    jobs: pd.DataFrame, place: Rows, step: Rows, names: list[str], limits: Limits
) -> dict[str, Any]:
    """The limit of each reading, from the place of its venting in ``jobs`` and the number of its step in ``names``."""
    pairs = jobs[["engine_type", "date"]].drop_duplicates()
    pair = jobs.groupby(["engine_type", "date"], sort=False, dropna=False).ngroup().to_numpy()
    rows: list[Limit | None] = []
    which = np.zeros(len(place), np.intp)
    for number, name in enumerate(names):
        found, at = limits.find_distinct(load_steps()[name].limit, pairs["engine_type"], pairs["date"])
        mine = step == number
        which[mine] = len(rows) + at[pair[place[mine]]]
        # A row that only states a condition (the force for which the gap is meant) judges nothing.
        rows += [row if row is not None and row.judges else None for row in found]
    columns: dict[str, Any] = {}
    for name, of in (("limit_low", "low"), ("limit_high", "high")):
        values = [getattr(row, of) if row else None for row in rows]
        columns[name] = np.array([np.nan if v is None else v for v in values], dtype=float)[which]
    for name, of in (("status", "status"), ("revision", "revision"), ("limit_source", "source")):
        columns[name] = pd.array([getattr(row, of) if row else "" for row in rows], dtype="str").take(which)
    return columns


def summarise_steps(verdicts: pd.DataFrame, *, by: Sequence[str] = ()) -> pd.DataFrame:
    """Counts by step (and by the columns ``by``): one row for every combination that occurs, in the order of steps.

    Columns: step, title, kind, ``by``, rows, within, outside, near_limit, not_comparable, not_recorded, no_limit,
    fact, judged (within, outside or near_limit), status ("manual", "placeholder", "mixed" or "").
    """
    keys = [*by, "step"]
    table = verdicts.assign(**{name: verdicts["verdict"].eq(name) for name in VERDICTS})
    counts = table.groupby(keys, sort=True)[list(VERDICTS)].sum().astype("Int64")
    counts.insert(0, "rows", table.groupby(keys, sort=True).size().astype("Int64"))
    counts["judged"] = counts[list(JUDGED)].sum(axis=1).astype("Int64")
    known = table[table["status"] != ""]
    lowest, highest = (known.groupby(keys, sort=True)["status"].agg(which) for which in ("min", "max"))
    status = lowest.where(lowest == highest, "mixed")
    counts["status"] = status.reindex(counts.index).fillna("").astype("str")
    counts = counts.reset_index()
    named = load_steps()
    counts.insert(len(keys), "title", counts["step"].map({k: s.title for k, s in named.items()}))
    counts.insert(len(keys) + 1, "kind", counts["step"].map({k: s.kind for k, s in named.items()}))
    order = counts["step"].map({name: number for number, name in enumerate(named)})
    return (
        counts.assign(order=order)
        .sort_values([*by, "order"], kind="stable")
        .drop(columns="order")
        .reset_index(drop=True)
    )


def describe_steps(verdicts: pd.DataFrame) -> pd.DataFrame:
    """What was recorded of each step, whether or not there is a limit: in the order of steps, indexed by step.

    Columns: recorded (readings), mean (the share of yes where a step is yes or no), low, middle, high (10, 50 and 90 %
    points of the readings as they stand).
    """
    known = verdicts[verdicts["value"].notna()]
    grouped = known.groupby("step", sort=False)["value"]
    table = pd.DataFrame({"recorded": grouped.size().astype("Int64"), "mean": grouped.mean()})
    for name, q in (("low", 0.1), ("middle", 0.5), ("high", 0.9)):
        table[name] = grouped.quantile(q)
    return table.reindex([name for name in load_steps() if name in table.index])


def list_facts(verdicts: pd.DataFrame) -> pd.DataFrame:
    """What needs no limit to be told (a finding open at closing, pressure never shown, ...), in the order of steps, newest first.

    Columns: step, fact (its words), venting_id, engine_id, site, date, value, note.
    """
    found = verdicts[find_facts(verdicts).to_numpy()]
    rank = found["step"].map({name: number for number, name in enumerate(load_steps())})
    found = found.assign(
        rank=rank, fact=found["step"].map({name: step.fact_title for name, step in load_steps().items()})
    )
    found = found.sort_values(
        ["rank", "date", "venting_id"], ascending=[True, False, True], kind="stable", ignore_index=True
    )
    return found[["step", "fact", "venting_id", "engine_id", "site", "date", "value", "note"]]


def count_not_recorded(verdicts: pd.DataFrame) -> pd.DataFrame:
    """Steps by how often they were not recorded where they apply, most often first.

    Columns: step, title, rows, not_recorded, share.
    """
    table = summarise_steps(verdicts)[["step", "title", "rows", "not_recorded"]]
    table["share"] = table["not_recorded"].astype(float) / table["rows"].astype(float)
    return table.sort_values(["share", "rows"], ascending=[False, False], kind="stable").reset_index(
        drop=True
    )


def mark_ventings(verdicts: pd.DataFrame, *, before_check_only: bool = True) -> pd.DataFrame:
    """One row a venting: whether any action was outside its limit.

    Counts actions only (what was done, not what the engine showed), by default those before the first lifter check:
    only these can go with what the check finds. ``off_procedure`` is True with any action outside, False when
    every action that applies is within or near, missing when one was not recorded and none was outside.

    Columns: venting_id, actions, outside, unknown, off_procedure.
    """
    named = load_steps()
    wanted = [s.name for s in named.values() if s.kind == "action" and (s.before or not before_check_only)]
    table = verdicts[verdicts["step"].isin(wanted) & ~verdicts["verdict"].isin(["no_limit", "fact"])]
    grouped = table.assign(
        outside=table["verdict"].eq("outside"), unknown=~table["verdict"].isin(JUDGED)
    ).groupby("venting_id", sort=False)
    marks = grouped.agg(actions=("step", "size"), outside=("outside", "sum"), unknown=("unknown", "sum"))
    off = (marks["outside"] > 0).astype("boolean")
    marks["off_procedure"] = off.mask((marks["outside"] == 0) & (marks["unknown"] > 0))
    return marks.reset_index()


def list_open_findings(verdicts: pd.DataFrame, jobs: pd.DataFrame, *, today: dt.date) -> pd.DataFrame:
    """Ventings that ended, as recorded up to today, with a lifter over the limit or without return flow.

    Only an engine's latest venting counts: an earlier finding has been followed by a later job, which shows how it
    stands now. ``jobs`` must hold all ventings of the engines, not a period's alone. Newest first. Columns:
    venting_id, engine_id, site, date, closed, open (missing: closing isn't recorded there), finding, value, unit, limit_high, status,
    revision, days (from the venting to ``today``).
    """
    latest = jobs.sort_values(["date", "venting_id"], kind="stable").drop_duplicates("engine_id", keep="last")
    # Return flow that was not seen is a finding whether or not a limit asks for it.
    wanted = verdicts["step"].eq("gap_at_last_check") & verdicts["verdict"].eq("outside")
    wanted |= verdicts["step"].eq("return_flow_seen") & verdicts["value"].eq(0)
    found = verdicts[wanted & verdicts["venting_id"].isin(latest["venting_id"])]
    found = found.merge(jobs[["venting_id", "closed", "open"]], on="venting_id", how="left")
    titles = {name: step.title for name, step in load_steps().items()}
    item = (" (" + found["item"] + ")").where(found["item"] != "", "")
    found["finding"] = found["step"].map(titles) + item
    found["days"] = (pd.Timestamp(today) - found["date"]).dt.days.astype("Int64")
    columns = [
        "venting_id",
        "engine_id",
        "site",
        "date",
        "closed",
        "open",
        "finding",
        "value",
        "unit",
        "limit_high",
    ]
    found = found.sort_values(["date", "venting_id"], ascending=[False, True], kind="stable")
    return found[[*columns, "status", "revision", "days"]].reset_index(drop=True)
